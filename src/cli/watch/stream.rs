//! Bytes as they come: standard input, a pipe, a growing file. They can be waited for, broken off,
//! and written into a file on their way.

use std::fs::File;
use std::io::{self, BufWriter, Read, Write};
use std::path::{Path, PathBuf};
use std::sync::Arc;
use std::sync::atomic::{AtomicBool, Ordering};
use std::sync::mpsc::{Receiver, RecvTimeoutError, SyncSender};
use std::thread::sleep;
use std::time::{Duration, Instant};

use super::follow::Follower;
use super::source::{Arrival, IDLE, hand_on_idle};
use crate::cli::chunks::{self, CHUNK, Chunk};

/// A reader that takes each line as it comes spends its time on waking up: lines of so long a time
/// are taken together. Well below what an alarm may take.
const TOGETHER: Duration = Duration::from_millis(8);
/// What is written goes to the system at least this often.
const FLUSH_EVERY: Duration = Duration::from_millis(500);

/// Where bytes come from.
pub(super) enum Bytes {
    /// From a thread that reads a pipe, which cannot be broken off.
    Pipe(Receiver<io::Result<Vec<u8>>>),
    /// From a file that grows.
    Growing(Follower),
}

impl Bytes {
    /// Standard input, or a pipe by its name.
    pub fn pipe(path: Option<PathBuf>) -> Self {
        // Opening a pipe waits for its writer, and reading for what it writes.
        let open = move || -> io::Result<Box<dyn Read>> {
            match path {
                None => Ok(Box::new(io::stdin().lock())),
                Some(path) => Ok(Box::new(File::open(path)?)),
            }
        };
        Bytes::Pipe(chunks::read(open, TOGETHER))
    }
}

/// What is written of a stream on its way.
pub(super) struct Saving {
    path: PathBuf,
    out: Option<BufWriter<File>>,
    flushed: Instant,
}

impl Saving {
    /// Into this file, which must not exist yet.
    pub fn new(path: &Path, file: File) -> Self {
        let out = Some(BufWriter::with_capacity(CHUNK, file));
        Saving { path: path.to_owned(), out, flushed: Instant::now() }
    }

    /// A full disk is no reason to stop watching: what could not be written is said once.
    fn put(&mut self, bytes: &[u8], notes: &SyncSender<Arrival>) {
        let Some(out) = &mut self.out else { return };
        let mut written = out.write_all(bytes);
        if self.flushed.elapsed() >= FLUSH_EVERY || bytes.is_empty() {
            self.flushed = Instant::now();
            written = written.and_then(|()| out.flush());
        }
        if let Err(error) = written {
            let path = self.path.display();
            let text = format!("{path}: cannot be written: {error}; nothing more is saved");
            let _ = notes.send(Arrival::Note(text));
            self.out = None;
        }
    }
}

/// A stream that ends when it ends, or when the watch is over.
pub(super) struct Stream {
    pub from: Bytes,
    pub stop: Arc<AtomicBool>,
    pub saving: Option<Saving>,
    pub notes: SyncSender<Arrival>,
    pub chunk: Chunk,
}

impl Stream {
    /// The next bytes; none at the end.
    fn next(&mut self) -> io::Result<Vec<u8>> {
        loop {
            if self.stop.load(Ordering::Relaxed) {
                return Ok(Vec::new());
            }
            match &mut self.from {
                Bytes::Pipe(chunks) => match chunks.recv_timeout(IDLE) {
                    Ok(chunk) => return chunk,
                    Err(RecvTimeoutError::Disconnected) => return Ok(Vec::new()),
                    Err(RecvTimeoutError::Timeout) => {}
                },
                Bytes::Growing(file) => {
                    let mut chunk = vec![0; CHUNK];
                    let length = file.read(&mut chunk, &self.notes)?;
                    chunk.truncate(length);
                    if length > 0 {
                        return Ok(chunk);
                    }
                    sleep(IDLE);
                }
            }
            hand_on_idle(&self.notes);
            if let Some(saving) = &mut self.saving
                && saving.flushed.elapsed() >= FLUSH_EVERY
            {
                saving.put(&[], &self.notes);
            }
        }
    }
}

impl Read for Stream {
    fn read(&mut self, into: &mut [u8]) -> io::Result<usize> {
        if self.chunk.is_taken() {
            let next = self.next()?;
            if let Some(saving) = &mut self.saving {
                // At the end, where there are none, what was held back is written out.
                saving.put(&next, &self.notes);
            }
            self.chunk.put(next);
        }
        Ok(self.chunk.take(into))
    }
}
