//! One thread cuts, several parse, the caller's thread folds in the order of the file.

use std::collections::BTreeMap;
use std::io;
use std::sync::mpsc::{Receiver, SyncSender, sync_channel};
use std::sync::{Arc, Mutex};
use std::thread;

use lostnode_parsers::Timestamp;

use super::input::{Input, open};
use super::lines::{Chunk, Chunks};
use super::text::{Clock, Parsed, intern, parse};
use super::{Batch, Capture, ChannelIndex, Error, ErrorKind, Options, Source, packets};

/// Reads a whole capture and hands its frames to `fold` in order, batch after batch.
///
/// # Errors
/// Where nothing of it could be read: not there, empty, or no line is a frame. A capture that is partly readable is no
/// error; [`Capture`] counts what was rejected and says where reading stopped.
pub fn read(source: Source, options: &Options, mut fold: impl FnMut(&Batch)) -> Result<Capture, Error> {
    let path = source.name();
    let fail = |kind| Error { path: path.clone(), kind };
    let Input { reader, packing, packets } = open(source, options).map_err(|error| fail(ErrorKind::Io(error)))?;
    let mut collector = Collector::new(options);
    let mut stopped: Option<io::Error> = None;
    let threads = options.threads.max(1);
    if packets {
        collector.by_number = true;
        stopped = packets::read(reader, &mut |parsed| {
            collector.take(parsed);
            fold(&collector.batch);
        })
        .err();
        return collector.finish(path, "network capture", packing, stopped);
    }
    thread::scope(|scope| {
        let (to_workers, work) = sync_channel::<(u64, Chunk)>(threads * 2);
        let (to_collector, results) = sync_channel::<(u64, Parsed)>(threads * 2);
        let work = Arc::new(Mutex::new(work));
        let cutter = scope.spawn(move || cut(reader, options.chunk, &to_workers));
        for _ in 0..threads {
            let to_collector = to_collector.clone();
            let work = Arc::clone(&work);
            scope.spawn(move || work_off(&work, &to_collector));
        }
        // The collector stops when the last worker has gone, and the cutter when no worker is left to take its chunks.
        drop((to_collector, work));
        collector.collect(&results, &mut fold);
        stopped = cutter.join().ok().and_then(Result::err);
    });
    let text = text_form(&collector.clock, collector.console);
    collector.finish(path, text, packing, stopped)
}

fn text_form(clock: &Clock, console: bool) -> &'static str {
    match (console, clock.is_relative()) {
        (false, _) => "log text",
        (true, false) => "console text",
        (true, true) => "console text, relative time stamps",
    }
}

fn cut(reader: impl io::Read, size: usize, to_workers: &SyncSender<(u64, Chunk)>) -> io::Result<()> {
    let mut chunks = Chunks::new(reader, size);
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

fn work_off(work: &Mutex<Receiver<(u64, Chunk)>>, to_collector: &SyncSender<(u64, Parsed)>) {
    loop {
        let next = match work.lock() {
            Ok(work) => work.recv(),
            Err(_) => return,
        };
        let Ok((number, chunk)) = next else { return };
        if to_collector.send((number, parse(&chunk))).is_err() {
            return;
        }
    }
}

struct Collector {
    capture: Capture,
    batch: Batch,
    clock: Clock,
    console: bool,
    zero_bytes: bool,
    line_ends: u64,
    /// Rejections come with the number of their packet, counted from the beginning of the file.
    by_number: bool,
}

impl Collector {
    fn new(options: &Options) -> Self {
        Collector {
            capture: Capture::default(),
            batch: Batch::default(),
            clock: Clock::new(options.stamps),
            console: false,
            zero_bytes: false,
            line_ends: 0,
            by_number: false,
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
                lines if self.by_number => ErrorKind::NoFramesInPackets { packets: lines, first },
                lines => ErrorKind::NoFrames { lines, first, binary: self.zero_bytes },
            });
        }
        capture.format = if packing.is_empty() { form.to_owned() } else { format!("{form}, {packing}") };
        capture.path = path;
        Ok(capture)
    }

    /// Puts the chunks back in order; at most a few wait at a time, since the channels between the threads are short.
    fn collect(&mut self, results: &Receiver<(u64, Parsed)>, fold: &mut impl FnMut(&Batch)) {
        let mut waiting = BTreeMap::new();
        let mut next = 0;
        for (number, parsed) in results {
            waiting.insert(number, parsed);
            while let Some(parsed) = waiting.remove(&next) {
                self.take(parsed);
                fold(&self.batch);
                next += 1;
            }
        }
    }

    fn take(&mut self, mut parsed: Parsed) {
        self.clock.set(&mut parsed);
        let capture = &mut self.capture;
        capture.lines += parsed.lines;
        capture.rejected += parsed.rejected;
        for mut rejected in parsed.rejections {
            if capture.rejections.len() < Capture::KEPT_REJECTIONS {
                rejected.line += if self.by_number { 0 } else { self.line_ends };
                capture.rejections.push(rejected);
            }
        }
        self.line_ends += parsed.line_ends;
        self.console |= parsed.console.contains(&true);
        self.zero_bytes |= parsed.zero_bytes;
        let map: Vec<Option<ChannelIndex>> = parsed.channels.iter().map(|name| intern(&mut self.batch.channels, name)).collect();
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
        capture.frames += parsed.frames.len() as u64;
        for time in parsed.frames.iter().filter_map(|frame| frame.time) {
            capture.span = Some(widen(capture.span, time));
        }
        self.batch.frames = parsed.frames;
    }
}

fn widen(span: Option<(Timestamp, Timestamp)>, time: Timestamp) -> (Timestamp, Timestamp) {
    span.map_or((time, time), |(start, end)| (start.min(time), end.max(time)))
}
