//! From a source to frames, handed to the caller in the order of the file: what it is, what was
//! rejected, where it ended.

use std::collections::VecDeque;
use std::io;
use std::ops::ControlFlow;
use std::sync::Arc;

use super::channels::Channels;
use super::columns::Table;
use super::crew::{self, Steps};
use super::input::{Input, open};
use super::pool::Pool;
use super::text::{Clock, Parsed, shown, span, widen};
use super::{Batch, Capture, ChannelIndex, Error, ErrorKind, Options, Source, packets, parquet};

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
    mut fold: impl FnMut(&Arc<Batch>) -> ControlFlow<()> + Send,
) -> Result<Capture, Error> {
    let path = source.name();
    let fail = |kind| Error { path: path.clone(), kind };
    let Input { reader, packing, first } =
        open(source, options).map_err(|error| fail(ErrorKind::Io(error)))?;
    let mut collector = Collector::new(options);
    let pool = Pool::default();
    if packets::is_packets(&first) || first.starts_with(&parquet::MAGIC) {
        let (form, unit) = match first.starts_with(&parquet::MAGIC) {
            true => ("Parquet", "rows"),
            false => ("network capture", "packets"),
        };
        collector.unit = unit;
        let mut take = |mut parsed: Parsed| {
            parsed.finish();
            fold(&Arc::new(collector.take(parsed)))
        };
        let stopped = match unit {
            "rows" => parquet::read(reader, &mut take),
            _ => packets::read(reader, &mut take),
        }
        .err();
        return collector.finish(path, form, packing, stopped);
    }
    let table = Table::find(&first, options.columns.as_ref())
        .map_err(|what| fail(ErrorKind::Columns(shown(&what))))?;
    let mut going = ControlFlow::Continue(());
    let mut handed_on = HandedOn::default();
    let steps = Steps {
        settle: |parsed| collector.pass(parsed),
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
    let ended = crew::read(reader, options, &pool, table.as_ref(), steps);
    if going.is_continue() {
        // What still waits when the file has ended.
        let _ = collector.settle().into_iter().try_for_each(|batch| fold(&Arc::new(batch)));
    }
    collector.finish_text(path, table.is_some(), packing, ended.err())
}

fn text_form(clock: &Clock, console: bool) -> &'static str {
    match (console, clock.is_relative()) {
        (false, _) => "log text",
        (true, false) => "console text",
        (true, true) => "console text, relative time stamps",
    }
}

/// Batches that are kept until whoever folds them elsewhere is done with them, so that their memory
/// goes round.
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
        // What nobody holds any more goes round; what is held for long is given up.
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

struct Collector {
    capture: Capture,
    channels: Channels,
    clock: Clock,
    console: bool,
    zero_bytes: bool,
    line_ends: u64,
    /// What rejections are counted in: lines, or packets and rows, whose numbers count from the
    /// beginning of the file.
    unit: &'static str,
}

impl Collector {
    fn new(options: &Options) -> Self {
        Collector {
            capture: Capture::default(),
            channels: Channels::default(),
            clock: Clock::new(options.stamps),
            console: false,
            zero_bytes: false,
            line_ends: 0,
            unit: "lines",
        }
    }

    /// What became of the file.
    fn finish(
        self,
        path: String,
        form: &str,
        packing: &str,
        stopped: Option<io::Error>,
    ) -> Result<Capture, Error> {
        let mut capture = self.capture;
        let fail = |kind| Err(Error { path: path.clone(), kind });
        match stopped {
            Some(error) if capture.lines == 0 => return fail(ErrorKind::Io(error)),
            Some(error) => capture.cut_short = Some(format!("{error}; what came before was used")),
            None => {}
        }
        if capture.frames == 0 {
            let first = capture.rejections.first().cloned();
            return fail(match capture.lines {
                0 => ErrorKind::Empty,
                count if self.unit != "lines" => {
                    ErrorKind::NoFramesIn { unit: self.unit, count, first }
                }
                lines => ErrorKind::NoFrames { lines, first, binary: self.zero_bytes },
            });
        }
        capture.format =
            if packing.is_empty() { form.to_owned() } else { format!("{form}, {packing}") };
        capture.path = path;
        Ok(capture)
    }

    /// What the next chunk settles.
    fn pass(&mut self, parsed: Parsed) -> Vec<Batch> {
        self.clock.pass(parsed).into_iter().map(|parsed| self.take(parsed)).collect()
    }

    /// What has waited to the end.
    fn settle(&mut self) -> Vec<Batch> {
        self.clock.settle().into_iter().map(|parsed| self.take(parsed)).collect()
    }

    fn finish_text(
        self,
        path: String,
        table: bool,
        packing: &str,
        stopped: Option<io::Error>,
    ) -> Result<Capture, Error> {
        let text = if table { "CSV" } else { text_form(&self.clock, self.console) };
        self.finish(path, text, packing, stopped)
    }

    fn take(&mut self, mut parsed: Parsed) -> Batch {
        let capture = &mut self.capture;
        capture.lines += parsed.lines;
        capture.rejected += parsed.rejected;
        let (map, refused) = self.channels.settle(&parsed.channels);
        parsed.rejections.extend(refused);
        parsed.rejections.sort_by_key(|rejected| rejected.line);
        for mut rejected in parsed.rejections {
            if capture.rejections.len() < Capture::KEPT_REJECTIONS {
                rejected.line += if self.unit == "lines" { self.line_ends } else { 0 };
                capture.rejections.push(rejected);
            }
        }
        self.line_ends += parsed.line_ends;
        self.console |= !parsed.console.is_empty();
        self.zero_bytes |= parsed.zero_bytes;
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
        if let Some((start, end)) = parsed.span {
            capture.span = Some(widen(Some(widen(capture.span, start)), end));
        }
        Batch::new(parsed.frames, self.channels.names.clone())
    }
}
