//! One thread cuts, several parse, the caller's thread folds in the order of the file; or all of it in turn on the caller's thread alone.

use std::collections::{BTreeMap, VecDeque};
use std::io;
use std::ops::ControlFlow;
use std::sync::mpsc::{Receiver, SyncSender, sync_channel};
use std::sync::{Arc, Mutex};
use std::thread;

use super::columns::Table;
use super::input::{Input, open};
use super::lines::{Chunk, Chunks};
use super::pool::Pool;
use super::text::{Clock, Parsed, intern, parse, shown, widen};
use super::{Batch, Capture, ChannelIndex, Error, ErrorKind, Options, Source, packets, parquet};

/// Reads a whole capture and hands its frames to `fold` in order, batch after batch.
///
/// # Errors
/// Where nothing of it could be read: not there, empty, or no line is a frame. A capture that is partly readable is no
/// error; [`Capture`] counts what was rejected and says where reading stopped.
pub fn read(source: Source, options: &Options, mut fold: impl FnMut(&Arc<Batch>)) -> Result<Capture, Error> {
    read_while(source, options, |batch| {
        fold(batch);
        ControlFlow::Continue(())
    })
}

/// As [`read`], until `fold` breaks off: then nothing more is read, and what is returned tells of what was.
///
/// # Errors
/// As for [`read`].
pub fn read_while(
    source: Source,
    options: &Options,
    mut fold: impl FnMut(&Arc<Batch>) -> ControlFlow<()>,
) -> Result<Capture, Error> {
    let path = source.name();
    let fail = |kind| Error { path: path.clone(), kind };
    let Input { reader, packing, first } = open(source, options).map_err(|error| fail(ErrorKind::Io(error)))?;
    let mut collector = Collector::new(options);
    let mut stopped: Option<io::Error> = None;
    let threads = options.threads.max(1);
    if packets::is_packets(&first) || first.starts_with(&parquet::MAGIC) {
        let (form, unit) = match first.starts_with(&parquet::MAGIC) {
            true => ("Parquet", "rows"),
            false => ("network capture", "packets"),
        };
        collector.unit = unit;
        let mut take = |mut parsed: Parsed| {
            parsed.measure();
            fold(&collector.take(parsed))
        };
        stopped = match unit {
            "rows" => parquet::read(reader, &mut take),
            _ => packets::read(reader, &mut take),
        }
        .err();
        return collector.finish(path, form, packing, stopped);
    }
    let table = Table::find(&first, options.columns.as_ref()).map_err(|what| fail(ErrorKind::Columns(shown(&what))))?;
    let pool = Pool::default();
    if threads == 1 {
        stopped = alone(reader, options.chunk, &pool, table.as_ref(), &mut collector, &mut fold).err();
        return collector.finish_text(path, table.is_some(), packing, stopped);
    }
    thread::scope(|scope| {
        let (to_workers, work) = sync_channel::<(u64, Chunk)>(threads * 2);
        let (to_collector, results) = sync_channel::<(u64, Parsed)>(threads * 2);
        let work = Arc::new(Mutex::new(work));
        let pool = &pool;
        let cutter = scope.spawn(move || cut(reader, options.chunk, pool, &to_workers));
        for _ in 0..threads {
            let to_collector = to_collector.clone();
            let work = Arc::clone(&work);
            let table = table.as_ref();
            scope.spawn(move || work_off(&work, table, pool, &to_collector));
        }
        // The collector stops when the last worker has gone, and the cutter when no worker is left to take its chunks.
        drop((to_collector, work));
        collector.collect(results, pool, &mut fold);
        stopped = cutter.join().ok().and_then(Result::err);
    });
    collector.finish_text(path, table.is_some(), packing, stopped)
}

/// Everything on one thread, for whoever has other work for the others.
fn alone(
    reader: impl io::Read,
    size: usize,
    pool: &Pool,
    table: Option<&Table>,
    collector: &mut Collector,
    fold: &mut impl FnMut(&Arc<Batch>) -> ControlFlow<()>,
) -> io::Result<()> {
    let mut chunks = Chunks::new(reader, size, pool);
    let mut head = table.is_some_and(|table| table.head);
    while let Some(chunk) = chunks.next()? {
        let parsed = parse(&chunk, pool.frames(), table, std::mem::take(&mut head));
        pool.give_bytes(chunk.bytes);
        if collector.hand_on(parsed, pool, fold).is_break() {
            return Ok(());
        }
    }
    collector.settle(fold);
    Ok(())
}

fn text_form(clock: &Clock, console: bool) -> &'static str {
    match (console, clock.is_relative()) {
        (false, _) => "log text",
        (true, false) => "console text",
        (true, true) => "console text, relative time stamps",
    }
}

fn cut(reader: impl io::Read, size: usize, pool: &Pool, to_workers: &SyncSender<(u64, Chunk)>) -> io::Result<()> {
    let mut chunks = Chunks::new(reader, size, pool);
    let mut number = 0;
    while let Some(chunk) = chunks.next()? {
        // The other side is gone only when the program ends.
        if to_workers.send((number, chunk)).is_err() {
            break;
        }
        number += 1;
    }
    Ok(())
}

fn work_off(work: &Mutex<Receiver<(u64, Chunk)>>, table: Option<&Table>, pool: &Pool, to_collector: &SyncSender<(u64, Parsed)>) {
    loop {
        let next = match work.lock() {
            Ok(work) => work.recv(),
            Err(_) => return,
        };
        let Ok((number, chunk)) = next else { return };
        // A head is the first line of the first chunk.
        let head = number == 0 && table.is_some_and(|table| table.head);
        let parsed = parse(&chunk, pool.frames(), table, head);
        pool.give_bytes(chunk.bytes);
        if to_collector.send((number, parsed)).is_err() {
            return;
        }
    }
}

/// Batches that are kept until whoever folds them elsewhere is done with them, so that their memory goes round.
pub const IN_FLIGHT: usize = 4;

struct Collector {
    capture: Capture,
    /// All channels so far.
    channels: Vec<String>,
    clock: Clock,
    console: bool,
    zero_bytes: bool,
    line_ends: u64,
    /// The latest batches, which whoever folds on a thread of its own may still hold.
    handed_on: VecDeque<Arc<Batch>>,
    /// What rejections are counted in: lines, or packets and rows, whose numbers count from the beginning of the file.
    unit: &'static str,
}

impl Collector {
    fn new(options: &Options) -> Self {
        Collector {
            capture: Capture::default(),
            channels: Vec::new(),
            clock: Clock::new(options.stamps),
            console: false,
            zero_bytes: false,
            line_ends: 0,
            handed_on: VecDeque::new(),
            unit: "lines",
        }
    }

    /// What became of the file.
    fn finish(self, path: String, form: &str, packing: &str, stopped: Option<io::Error>) -> Result<Capture, Error> {
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
                count if self.unit != "lines" => ErrorKind::NoFramesIn { unit: self.unit, count, first },
                lines => ErrorKind::NoFrames { lines, first, binary: self.zero_bytes },
            });
        }
        capture.format = if packing.is_empty() { form.to_owned() } else { format!("{form}, {packing}") };
        capture.path = path;
        Ok(capture)
    }

    /// Puts the chunks back in order; at most a few wait at a time, since the channels between the threads are short. When it returns early, the
    /// threads before it find nobody to hand their work to, and end.
    fn collect(&mut self, results: Receiver<(u64, Parsed)>, pool: &Pool, fold: &mut impl FnMut(&Arc<Batch>) -> ControlFlow<()>) {
        let mut waiting = BTreeMap::new();
        let mut next = 0;
        for (number, parsed) in results {
            waiting.insert(number, parsed);
            while let Some(parsed) = waiting.remove(&next) {
                if self.hand_on(parsed, pool, fold).is_break() {
                    return;
                }
                next += 1;
            }
        }
        self.settle(fold);
    }

    /// Folds what the next chunk settles.
    fn hand_on(&mut self, parsed: Parsed, pool: &Pool, fold: &mut impl FnMut(&Arc<Batch>) -> ControlFlow<()>) -> ControlFlow<()> {
        for parsed in self.clock.pass(parsed) {
            let batch = self.take(parsed);
            fold(&batch)?;
            self.handed_on.push_back(batch);
            // What nobody holds any more goes round; what is held for long is given up.
            while let Some(oldest) = self.handed_on.front()
                && (Arc::strong_count(oldest) == 1 || self.handed_on.len() > IN_FLIGHT)
            {
                if let Some(Ok(batch)) = self.handed_on.pop_front().map(Arc::try_unwrap) {
                    pool.give_frames(batch.frames);
                }
            }
        }
        ControlFlow::Continue(())
    }

    /// Folds what still waits when the file has ended.
    fn settle(&mut self, fold: &mut impl FnMut(&Arc<Batch>) -> ControlFlow<()>) {
        for parsed in self.clock.settle() {
            if fold(&self.take(parsed)).is_break() {
                return;
            }
        }
    }

    fn finish_text(self, path: String, table: bool, packing: &str, stopped: Option<io::Error>) -> Result<Capture, Error> {
        let text = if table { "CSV" } else { text_form(&self.clock, self.console) };
        self.finish(path, text, packing, stopped)
    }

    fn take(&mut self, mut parsed: Parsed) -> Arc<Batch> {
        let capture = &mut self.capture;
        capture.lines += parsed.lines;
        capture.rejected += parsed.rejected;
        for mut rejected in parsed.rejections {
            if capture.rejections.len() < Capture::KEPT_REJECTIONS {
                rejected.line += if self.unit == "lines" { self.line_ends } else { 0 };
                capture.rejections.push(rejected);
            }
        }
        self.line_ends += parsed.line_ends;
        self.console |= !parsed.console.is_empty();
        self.zero_bytes |= parsed.zero_bytes;
        let map: Vec<Option<ChannelIndex>> = parsed.channels.iter().map(|name| intern(&mut self.channels, name)).collect();
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
            // Channels beyond the limit that different chunks brought.
            capture.rejected += (before - parsed.frames.len()) as u64;
        }
        capture.frames += parsed.frames.len() as u64;
        if let Some((start, end)) = parsed.span {
            capture.span = Some(widen(Some(widen(capture.span, start)), end));
        }
        Arc::new(Batch { frames: parsed.frames, channels: self.channels.clone() })
    }
}
