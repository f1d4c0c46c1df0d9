//! From a source to frames, handed to the caller in the order of the file: what it is, what was
//! rejected, where it ended.

use std::collections::VecDeque;
use std::io;
use std::ops::ControlFlow;
use std::sync::Arc;

use lostnode_parsers::Timestamp;

use super::channels::Channels;
use super::columns::CsvTable;
use super::input::{Input, open};
use super::mending::Mending;
use super::parsed::{Parsed, Span, shown, span, widen};
use super::pool::Pool;
use super::seems::may_be_traffic;
use super::stamps::ConsoleTimes;
use super::workers::{self, Steps};
use super::{Batch, Capture, ChannelIndex, Error, ErrorKind, Options, Seems, Source, Unit, lock};
use super::{mdf, packets, parquet};

/// Reads a whole capture and hands its frames to `fold` in order, batch after batch.
///
/// # Errors
/// Where nothing of it could be read: not there, empty, or no line is a frame. A capture that is
/// partly readable is no error; [`Capture`] counts what was rejected and says where reading
/// stopped.
pub fn read(
    source: Source,
    options: &Options,
    mut fold: impl FnMut(&Arc<Batch>) + Send,
) -> Result<Capture, Error> {
    read_while(source, options, |batch| {
        fold(batch);
        ControlFlow::Continue(())
    })
}

/// As [`read`], until `fold` breaks off: then nothing more is read, and what is returned tells of
/// what was.
///
/// # Errors
/// As for [`read`].
pub fn read_while(
    source: Source,
    options: &Options,
    fold: impl FnMut(&Arc<Batch>) -> ControlFlow<()> + Send,
) -> Result<Capture, Error> {
    let path = source.name();
    match read_source(source, options, fold) {
        Ok(capture) => Ok(Capture { path, ..capture }),
        Err(kind) => Err(Error { path, kind }),
    }
}

fn read_source(
    source: Source,
    options: &Options,
    fold: impl FnMut(&Arc<Batch>) -> ControlFlow<()> + Send,
) -> Result<Capture, ErrorKind> {
    let input = open(source, options).map_err(ErrorKind::Io)?;
    let head = Arc::clone(&input.head);
    let named = options.columns.is_some();
    let mut read = match unit(&input.first) {
        Unit::Line => read_text(input, options, fold),
        unit => read_records(unit, input, options, fold),
    };
    if let Err(ErrorKind::NoFrames { unit: Unit::Line, columns, seems, beside, .. }) = &mut read {
        *columns = named;
        // That it is a table is known where its columns were named.
        *seems = Seems::of(&lock(&head)).filter(|seems| !named || *seems != Seems::Table);
        *beside = seems.is_none() && !named && !may_be_traffic(&lock(&head));
    }
    read
}

/// What the first bytes of a capture say its records are.
fn unit(first: &[u8]) -> Unit {
    if packets::is_packets(first) {
        Unit::Packet
    } else if first.starts_with(&parquet::MAGIC) {
        Unit::Row
    } else if mdf::is_mdf(first) {
        Unit::Record
    } else {
        Unit::Line
    }
}

/// Packets of a network capture or rows of a Parquet table, on the caller's thread.
fn read_records(
    unit: Unit,
    input: Input,
    options: &Options,
    mut fold: impl FnMut(&Arc<Batch>) -> ControlFlow<()>,
) -> Result<Capture, ErrorKind> {
    let mut collector = Collector::new(unit, options);
    let mut take = |parsed: Parsed| {
        let (batch, span) = collector.take(parsed);
        collector.mend(batch, span).into_iter().try_for_each(|batch| fold(&Arc::new(batch)))
    };
    let packed = input.packed.as_deref();
    let (form, ended) = match unit {
        Unit::Row => ("Parquet", parquet::read(input.reader, packed, &mut take)),
        Unit::Record => ("ASAM MDF 4", mdf::read(input.reader, packed, &mut take)),
        _ => ("network capture", packets::read(input.reader, &mut take)),
    };
    let _ = collector.settle_rest().into_iter().try_for_each(|batch| fold(&Arc::new(batch)));
    collector.finish(form, input.packing, ended.err())
}

/// Lines of log text, console text or CSV, on as many threads as the options say.
fn read_text(
    input: Input,
    options: &Options,
    mut fold: impl FnMut(&Arc<Batch>) -> ControlFlow<()> + Send,
) -> Result<Capture, ErrorKind> {
    let table = CsvTable::find(&input.first, options.columns.as_ref())
        .map_err(|what| ErrorKind::Columns(shown(&what)))?;
    let (mut collector, pool) = (Collector::new(Unit::Line, options), Pool::default());
    let mut going = ControlFlow::Continue(());
    let mut handed_on = HandedOn::default();
    let steps = Steps {
        settle: |parsed| collector.settle(parsed),
        work: |batches: &Vec<Batch>| {
            if options.grouped {
                batches.iter().for_each(|batch| pool.group(batch));
            }
        },
        fold: |batches: Vec<Batch>| {
            going = batches
                .into_iter()
                .try_for_each(|batch| handed_on.hand_on(batch, &pool, &mut fold));
            going
        },
    };
    let ended = workers::read(input.reader, options, &pool, table.as_ref(), steps);
    if going.is_continue() {
        // What still waits when the file has ended.
        let _ = collector.settle_rest().into_iter().try_for_each(|batch| fold(&Arc::new(batch)));
    }
    let form = if table.is_some() { "CSV" } else { collector.text_form() };
    collector.finish(form, input.packing, ended.err())
}

/// Batches that are kept until whoever folds them elsewhere is done with them, so that their memory
/// can be used again.
pub const IN_FLIGHT: usize = 4;

/// The latest batches, which whoever folds on a thread of its own may still hold.
#[derive(Default)]
struct HandedOn(VecDeque<Arc<Batch>>);

impl HandedOn {
    fn hand_on(
        &mut self,
        batch: Batch,
        pool: &Pool,
        fold: &mut impl FnMut(&Arc<Batch>) -> ControlFlow<()>,
    ) -> ControlFlow<()> {
        let batch = Arc::new(batch);
        fold(&batch)?;
        self.0.push_back(batch);
        // What nobody holds any more goes back to the pool; what is held for long is given up.
        while let Some(oldest) = self.0.front()
            && (Arc::strong_count(oldest) == 1 || self.0.len() > IN_FLIGHT)
        {
            if let Some(Ok(batch)) = self.0.pop_front().map(Arc::try_unwrap) {
                pool.give(batch);
            }
        }
        ControlFlow::Continue(())
    }
}

/// Gives those frames that have none the stamp of the frame before; `latest` is that of the chunks
/// before this one.
fn stamp(parsed: &mut Parsed, latest: Option<Timestamp>) {
    for at in std::mem::take(&mut parsed.unstamped) {
        let before = parsed.frames[..at as usize].iter().rev().find_map(|frame| frame.time);
        if let Some(frame) = parsed.frames.get_mut(at as usize) {
            frame.time = before.or(latest);
        }
    }
}

/// Puts chunks together, in the order of the file.
struct Collector {
    capture: Capture,
    channels: Channels,
    times: ConsoleTimes,
    mending: Mending,
    console: bool,
    line_ends: u64,
    unit: Unit,
    /// Stamp of the latest frame that has one.
    latest: Option<Timestamp>,
}

impl Collector {
    fn new(unit: Unit, options: &Options) -> Self {
        Collector {
            capture: Capture::default(),
            channels: Channels::known(&options.channels),
            times: ConsoleTimes::new(options.stamps),
            mending: Mending::default(),
            console: false,
            line_ends: 0,
            unit,
            latest: None,
        }
    }

    /// What the next chunk settles.
    fn settle(&mut self, parsed: Parsed) -> Vec<Batch> {
        let settled = self.times.push(parsed);
        self.take_all(settled)
    }

    /// What has waited to the end.
    fn settle_rest(&mut self) -> Vec<Batch> {
        let waiting = self.times.finish();
        let mut batches = self.take_all(waiting);
        let held = self.mending.finish();
        batches.extend(self.release(held));
        batches
    }

    fn take_all(&mut self, settled: Vec<Parsed>) -> Vec<Batch> {
        let mut batches = Vec::new();
        for parsed in settled {
            let (batch, span) = self.take(parsed);
            batches.extend(self.mend(batch, span));
        }
        batches
    }

    /// Mends what the recorder did; what has to wait for what follows comes later.
    fn mend(&mut self, batch: Batch, span: Span) -> Vec<Batch> {
        let settled = self.mending.push(batch, span);
        self.release(settled)
    }

    fn release(&mut self, settled: Vec<(Batch, Span)>) -> Vec<Batch> {
        for (start, end) in settled.iter().filter_map(|(_, span)| *span) {
            self.capture.span = Some(widen(Some(widen(self.capture.span, start)), end));
        }
        settled.into_iter().map(|(batch, _)| batch).collect()
    }

    fn text_form(&self) -> &'static str {
        match (self.console, self.times.are_relative()) {
            (false, false) => "log text",
            (false, true) => "log text, relative time stamps",
            (true, false) => "console text",
            (true, true) => "console text, relative time stamps",
        }
    }

    fn take(&mut self, mut parsed: Parsed) -> (Batch, Span) {
        let capture = &mut self.capture;
        capture.lines += parsed.lines;
        capture.rejected += parsed.rejected;
        let (map, refused) = self.channels.settle(&parsed.channels);
        parsed.rejections.extend(refused);
        parsed.rejections.sort_by_key(|rejected| rejected.line);
        // Lines count within a chunk; packets and rows count from the beginning of the file.
        let before = if self.unit == Unit::Line { self.line_ends } else { 0 };
        let room = Capture::KEPT_REJECTIONS - capture.rejections.len();
        let first = std::mem::take(&mut parsed.rejections).into_iter().take(room);
        capture.rejections.extend(first.map(|mut rejected| {
            rejected.line += before;
            rejected
        }));
        self.line_ends += parsed.line_ends;
        self.console |= parsed.console;
        capture.xl += parsed.xl;
        capture.foreign += parsed.foreign;
        stamp(&mut parsed, self.latest);
        let stamped = parsed.frames.iter().rev().find_map(|frame| frame.time);
        self.latest = stamped.or(self.latest);
        // Nearly always the channels are known, and in the same order.
        if map.iter().enumerate().any(|(at, channel)| *channel != Some(at as ChannelIndex)) {
            let before = parsed.frames.len();
            parsed.frames.retain_mut(|frame| match map[usize::from(frame.channel)] {
                Some(channel) => {
                    frame.channel = channel;
                    true
                }
                None => false,
            });
            let refused = before - parsed.frames.len();
            capture.rejected += refused as u64;
            if refused > 0 {
                parsed.span = span(&parsed.frames);
            }
        }
        capture.frames += parsed.frames.len() as u64;
        (Batch::new(parsed.frames, self.channels.names.clone()), parsed.span)
    }

    /// What became of the file, all but its name.
    fn finish(
        self,
        form: &str,
        packing: &str,
        stopped: Option<io::Error>,
    ) -> Result<Capture, ErrorKind> {
        let Collector { mut capture, unit, mending, .. } = self;
        mending.tell(&mut capture);
        if capture.no_clock.is_some() {
            capture.span = None;
        }
        match stopped {
            Some(error) if parquet::is_own_table(&error) => {
                let (first, columns, seems) = (None, false, Some(Seems::OwnReport));
                return Err(ErrorKind::NoFrames {
                    unit,
                    count: 0,
                    first,
                    columns,
                    seems,
                    beside: false,
                });
            }
            Some(error) if capture.lines == 0 => return Err(ErrorKind::Io(error)),
            Some(error) => capture.cut_short = Some(format!("{error}; what came before was used")),
            None => {}
        }
        if capture.frames == 0 {
            let first = capture.rejections.first().cloned();
            return Err(match capture.lines {
                0 => ErrorKind::Empty,
                count => {
                    let (columns, seems, beside) = (false, None, false);
                    ErrorKind::NoFrames { unit, count, first, columns, seems, beside }
                }
            });
        }
        capture.format =
            if packing.is_empty() { form.to_owned() } else { format!("{form}, {packing}") };
        Ok(capture)
    }
}
