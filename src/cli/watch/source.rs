//! Where frames come from, each source on a thread of its own.

use std::fs::File;
use std::io;
use std::ops::ControlFlow;
use std::path::{Path, PathBuf};
use std::sync::Arc;
use std::sync::atomic::{AtomicBool, AtomicU64, Ordering};
use std::sync::mpsc::{RecvTimeoutError, SyncSender, sync_channel};
use std::thread;
use std::time::{Duration, Instant};

use lostnode_parsers::{Timestamp, wire};

use super::follow::Follower;
use super::stream::{Bytes, Saving, Stream};
use crate::capture::{self, Batch, Capture, Frame, Hider, Source};
use crate::cli::Failure;
use crate::cli::chunks::Chunk;
use crate::cli::record::{Event, Files, Listener};

/// What a source hands on.
pub(super) enum Arrival {
    /// Frames, and when they came.
    Frames(Arc<Batch>, Instant),
    /// The source has looked, and there was nothing: only then time passes without frames.
    Idle(Instant),
    /// Something that the user should know.
    Note(String),
    /// Nothing more comes.
    Ended(Result<Capture, capture::Error>),
}

/// What a watch listens to.
pub(super) enum From {
    /// Interfaces of this machine.
    Interfaces(Vec<(String, Listener)>),
    /// Standard input, or a pipe by its name.
    Pipe(Option<PathBuf>),
    /// A file that grows.
    Growing(PathBuf),
    /// A finished capture, so many times faster than it was recorded.
    Replay(PathBuf, f64),
}

impl From {
    /// What to call it.
    pub fn name(&self) -> String {
        match self {
            From::Interfaces(all) => {
                all.iter().map(|(name, _)| name.as_str()).collect::<Vec<_>>().join(" ")
            }
            From::Pipe(None) => "-".to_owned(),
            From::Pipe(Some(path)) | From::Growing(path) | From::Replay(path, _) => {
                path.display().to_string()
            }
        }
    }

    /// The finished capture that is played: it can be read again. A growing file has grown on.
    pub fn file(&self) -> Option<PathBuf> {
        match self {
            From::Replay(path, _) => Some(path.clone()),
            From::Interfaces(_) | From::Pipe(_) | From::Growing(_) => None,
        }
    }

    /// Where frames come as they are heard, how fast; `None` where that is to be found out.
    pub fn speed(&self) -> Option<f64> {
        match self {
            From::Interfaces(_) => Some(1.0),
            From::Replay(_, speed) => Some(*speed),
            From::Pipe(_) | From::Growing(_) => None,
        }
    }
}

/// What the source shares with the watch.
#[derive(Clone)]
pub(super) struct Shared {
    pub to: SyncSender<Arrival>,
    pub stop: Arc<AtomicBool>,
    pub drops: Arc<AtomicU64>,
}

/// Starts listening.
///
/// # Errors
/// Where the file to save into exists already, or the source cannot be opened.
pub(super) fn start(
    from: From,
    reading: capture::Options,
    save: Option<&Path>,
    hider: Option<Hider>,
    shared: Shared,
) -> Result<(), Failure> {
    match from {
        From::Interfaces(listeners) => {
            let files = save.map(|path| Files::new(Some(path), None, None)).transpose()?;
            thread::spawn(move || interfaces(listeners, files, hider, &shared));
        }
        From::Pipe(path) => {
            let name = path.as_ref().map_or("-".to_owned(), |path| path.display().to_string());
            read(name, Bytes::pipe(path), reading, save, shared)?;
        }
        From::Growing(path) => {
            let follower = Follower::open(&path).map_err(|error| Failure::about(&path, error))?;
            let name = path.display().to_string();
            read(name, Bytes::Growing(follower), reading, save, shared)?;
        }
        From::Replay(path, speed) => {
            File::open(&path).map_err(|error| Failure::about(&path, error))?;
            thread::spawn(move || replay(path, speed, &reading, &shared));
        }
    }
    Ok(())
}

/// Text as it comes.
fn read(
    name: String,
    from: Bytes,
    reading: capture::Options,
    save: Option<&Path>,
    shared: Shared,
) -> Result<(), Failure> {
    let created = |path: &Path| match File::create_new(path) {
        Ok(file) => Ok(Saving::new(path, file)),
        Err(error) if error.kind() == io::ErrorKind::AlreadyExists => {
            Err(Failure::about(path, "exists already; choose another name"))
        }
        Err(error) => Err(Failure::writing(path, &error)),
    };
    let saving = save.map(created).transpose()?;
    let Shared { to, stop, .. } = shared;
    let stream = Stream { from, stop, saving, notes: to.clone(), chunk: Chunk::default() };
    thread::spawn(move || {
        let source = Source::Reader { name, reader: Box::new(stream) };
        // One thread is enough for a bus, and hands on each line as it comes.
        let reading = capture::Options {
            threads: 1,
            chunk: 64 << 10,
            at_once: true,
            grouped: true,
            ..reading
        };
        let read = capture::read_while(source, &reading, |batch| hand_on(&to, Arc::clone(batch)));
        let _ = to.send(Arrival::Ended(read));
    });
    Ok(())
}

fn hand_on(to: &SyncSender<Arrival>, batch: Arc<Batch>) -> ControlFlow<()> {
    match to.send(Arrival::Frames(batch, Instant::now())) {
        Ok(()) => ControlFlow::Continue(()),
        Err(_) => ControlFlow::Break(()),
    }
}

/// A source that has nothing says so this often.
pub(super) const IDLE: Duration = Duration::from_millis(20);

/// Nothing has come until now. Where many arrivals wait there is no need to say so.
pub(super) fn hand_on_idle(to: &SyncSender<Arrival>) {
    let _ = to.try_send(Arrival::Idle(Instant::now()));
}

/// Frames of a capture that are handed on together, in nanoseconds of its own time.
const SLICE: i64 = 10_000_000;

fn replay(path: PathBuf, speed: f64, reading: &capture::Options, shared: &Shared) {
    let mut begun: Option<(Instant, i64)> = None;
    let (mut late, mut handed) = (0, 0);
    let over = || shared.stop.load(Ordering::Relaxed);
    let read = capture::read_while(Source::Path(path), reading, |batch| {
        let mut rest = batch.frames.as_slice();
        while let Some(first) = rest.first() {
            let stamp = first.time.map_or(late, Timestamp::nanoseconds);
            let (start, zero) = *begun.get_or_insert((Instant::now(), stamp));
            late = late.max(stamp);
            let end = stamp.saturating_add(SLICE);
            let inside = |frame: &&Frame| frame.time.is_none_or(|time| time.nanoseconds() < end);
            let count = rest.iter().take_while(inside).count().max(1);
            let due = (end.saturating_sub(zero)).max(0) as f64 / 1e9 / speed;
            let due = start + Duration::try_from_secs_f64(due).unwrap_or(Duration::MAX / 4);
            while let Some(wait) = due.checked_duration_since(Instant::now()) {
                if over() {
                    return ControlFlow::Break(());
                }
                thread::sleep(wait.min(IDLE));
                if wait > IDLE {
                    hand_on_idle(&shared.to);
                }
            }
            let slice = Batch::new(rest[..count].to_vec(), batch.channels.clone());
            handed += count as u64;
            hand_on(&shared.to, Arc::new(slice))?;
            rest = &rest[count..];
        }
        ControlFlow::Continue(())
    });
    // What was read ahead and never shown is none of what was watched.
    let read = read.map(|capture| Capture { frames: handed, ..capture });
    let _ = shared.to.send(Arrival::Ended(read));
}

/// Frames taken together, and for how long they are collected.
const MOST_AT_ONCE: usize = 4096;
const TOGETHER: Duration = Duration::from_millis(5);

fn interfaces(
    listeners: Vec<(String, Listener)>,
    mut files: Option<Files>,
    mut hider: Option<Hider>,
    shared: &Shared,
) {
    let (sender, events) = sync_channel(1 << 16);
    let name = listeners.iter().map(|(name, _)| name.as_str()).collect::<Vec<_>>().join(" ");
    let mut capture = Capture { path: name, format: "log text".to_owned(), ..Capture::default() };
    // Channels count as they are first heard, as in a file.
    let (mut names, mut places) = (Vec::new(), vec![None; listeners.len()]);
    let note = |text: String| drop(shared.to.send(Arrival::Note(text)));
    thread::scope(|scope| {
        for (at, (_, listener)) in listeners.iter().enumerate() {
            let (sender, stop) = (sender.clone(), &shared.stop);
            scope.spawn(move || listener.listen(at as u16, stop, &sender));
        }
        drop(sender);
        loop {
            let first = match events.recv_timeout(IDLE) {
                Ok(first) => Some(first),
                Err(RecvTimeoutError::Timeout) => None,
                // All have ended, each with its reason.
                Err(RecvTimeoutError::Disconnected) => break,
            };
            let mut frames = Vec::new();
            for event in first.into_iter().chain(events.try_iter().take(MOST_AT_ONCE)) {
                match event {
                    Event::Heard(at, time, kind) => {
                        let at = usize::from(at);
                        let channel = *places[at].get_or_insert_with(|| {
                            names.push(listeners[at].0.clone());
                            names.len() as u16 - 1
                        });
                        let length = wire::length(&kind).unwrap_or_default();
                        // As it will stand in the file: the report is the same.
                        let time = time.nanoseconds().div_euclid(1000) * 1000;
                        let time = Timestamp::from_nanoseconds(time);
                        let kind = kind.map_fd(Box::new);
                        let mut frame = Frame { time: Some(time), channel, kind, length };
                        if let Some(hider) = &mut hider {
                            hider.hide(&mut frame);
                        }
                        let (start, end) = capture.span.unwrap_or((time, time));
                        capture.span = Some((start.min(time), end.max(time)));
                        frames.push(frame);
                    }
                    Event::Trouble(at, what) => {
                        let name = &listeners[usize::from(at)].0;
                        note(format!("interface {name}: {what}"));
                    }
                }
            }
            let drops = listeners.iter().map(|(_, listener)| listener.dropped()).sum();
            shared.drops.store(drops, Ordering::Relaxed);
            if frames.is_empty() {
                hand_on_idle(&shared.to);
                continue;
            }
            capture.frames += frames.len() as u64;
            capture.lines = capture.frames;
            let batch = Arc::new(Batch::new(frames, names.clone()));
            if let Some(own) = &mut files
                && let Err(Failure::Message(text)) = own.write(&batch)
            {
                note(format!("{text}; nothing more is saved"));
                files = None;
            }
            if hand_on(&shared.to, batch).is_break() {
                shared.stop.store(true, Ordering::Relaxed);
            }
            thread::sleep(TOGETHER);
        }
    });
    if let Some(Err(Failure::Message(text))) = files.map(Files::finish) {
        note(text);
    }
    let _ = shared.to.send(Arrival::Ended(Ok(capture)));
}
