//! Threads that cut and parse a text, each as it has time. The caller's thread takes what they have parsed in the order of the file, and helps them while
//! the next piece is not ready; with no other thread it does all the work.

use std::collections::BTreeMap;
use std::io::{self, Read};
use std::ops::ControlFlow;
use std::sync::{Condvar, Mutex, PoisonError};
use std::thread;

use super::Options;
use super::columns::Table;
use super::lines::{Chunk, Chunks};
use super::pool::{Pool, lock};
use super::text::{Parsed, parse};

/// Parsed chunks that may wait for an earlier one, for each thread.
const WAITING: usize = 3;

/// What the threads share.
struct Crew<'a, R> {
    source: Mutex<Source<'a, R>>,
    ready: Mutex<Ready>,
    /// Told with every change of `ready`.
    changed: Condvar,
    pool: &'a Pool,
    table: Option<&'a Table>,
    /// Most chunks in `ready` before the others pause.
    most: usize,
}

struct Source<'a, R> {
    chunks: Chunks<'a, R>,
    /// Chunks taken from it so far.
    taken: u64,
    ended: bool,
    failure: Option<io::Error>,
}

#[derive(Default)]
struct Ready {
    /// By number of the chunk.
    parsed: BTreeMap<u64, Parsed>,
    /// Nothing more is wanted: the caller broke off, or a thread panicked.
    closed: bool,
}

/// Reads a text on as many threads as the options say and hands its chunks to `take` in order, on the caller's thread.
///
/// # Errors
/// Where reading ended early; what came before has been handed on.
pub(super) fn read(
    reader: impl Read + Send,
    options: &Options,
    pool: &Pool,
    table: Option<&Table>,
    mut take: impl FnMut(Parsed) -> ControlFlow<()>,
) -> io::Result<()> {
    let threads = options.threads.max(1);
    let crew = Crew {
        source: Mutex::new(Source { chunks: Chunks::new(reader, options.chunk, pool), taken: 0, ended: false, failure: None }),
        ready: Mutex::default(),
        changed: Condvar::new(),
        pool,
        table,
        most: threads * WAITING,
    };
    thread::scope(|scope| {
        let _closing = Closing(&crew);
        for _ in 1..threads {
            scope.spawn(|| crew.help());
        }
        crew.collect(&mut take);
    });
    match crew.source.into_inner().unwrap_or_else(PoisonError::into_inner).failure {
        Some(failure) => Err(failure),
        None => Ok(()),
    }
}

/// Sends the others home when it goes out of scope, as where its thread panics.
struct Closing<'c, 'a, R: Read + Send>(&'c Crew<'a, R>);

impl<R: Read + Send> Drop for Closing<'_, '_, R> {
    fn drop(&mut self) {
        lock(&self.0.ready).closed = true;
        self.0.changed.notify_all();
    }
}

impl<R: Read + Send> Crew<'_, R> {
    /// Another thread's work: until the text has ended, or nothing more is wanted.
    fn help(&self) {
        let panicking = Closing(self);
        loop {
            let mut ready = lock(&self.ready);
            while ready.parsed.len() >= self.most && !ready.closed {
                ready = self.changed.wait(ready).unwrap_or_else(PoisonError::into_inner);
            }
            if ready.closed {
                break;
            }
            drop(ready);
            let Some((number, chunk)) = Self::chunk(&mut lock(&self.source)) else { break };
            self.put(number, self.parse(number, chunk));
        }
        // The text has ended; the caller's thread goes on with what is ready.
        std::mem::forget(panicking);
    }

    fn collect(&self, take: &mut impl FnMut(Parsed) -> ControlFlow<()>) {
        let mut next = 0;
        loop {
            let mut ready = lock(&self.ready);
            if let Some(parsed) = ready.parsed.remove(&next) {
                let full = ready.parsed.len() + 1 >= self.most;
                drop(ready);
                if full {
                    self.changed.notify_all();
                }
                if take(parsed).is_break() {
                    return;
                }
                next += 1;
                continue;
            }
            let closed = ready.closed;
            drop(ready);
            if closed {
                return;
            }
            let mut source = lock(&self.source);
            let Some(taken) = Self::chunk(&mut source) else {
                if next == source.taken {
                    return;
                }
                // The last ones are in other hands.
                drop(source);
                self.wait_for(next);
                continue;
            };
            drop(source);
            let parsed = self.parse(taken.0, taken.1);
            if taken.0 > next {
                self.put(taken.0, parsed);
            } else if take(parsed).is_break() {
                return;
            } else {
                next += 1;
            }
        }
    }

    /// The next chunk of the text with its number.
    fn chunk(source: &mut Source<'_, R>) -> Option<(u64, Chunk)> {
        if source.ended {
            return None;
        }
        match source.chunks.next() {
            Ok(Some(chunk)) => {
                source.taken += 1;
                return Some((source.taken - 1, chunk));
            }
            Ok(None) => {}
            Err(failure) => source.failure = Some(failure),
        }
        source.ended = true;
        None
    }

    fn parse(&self, number: u64, chunk: Chunk) -> Parsed {
        // A head is the first line of the first chunk.
        let head = number == 0 && self.table.is_some_and(|table| table.head);
        let parsed = parse(&chunk, self.pool.frames(), self.table, head);
        self.pool.give_bytes(chunk.bytes);
        parsed
    }

    fn put(&self, number: u64, parsed: Parsed) {
        lock(&self.ready).parsed.insert(number, parsed);
        self.changed.notify_all();
    }

    /// Waits until a chunk that is in other hands is there, or nothing will come any more.
    fn wait_for(&self, next: u64) {
        let mut ready = lock(&self.ready);
        while !ready.closed && !ready.parsed.contains_key(&next) {
            ready = self.changed.wait(ready).unwrap_or_else(PoisonError::into_inner);
        }
    }
}
