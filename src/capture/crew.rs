//! Threads that cut and parse a text, each as it has time. What a thread has parsed it hands on itself when its turn comes, in the order of the file: so the
//! frames stay in the cache of one core, and what they are folded into, which is smaller, goes round. The caller's thread is one of them.

use std::io::{self, Read};
use std::ops::ControlFlow;
use std::sync::{Condvar, Mutex, PoisonError};
use std::thread;

use super::Options;
use super::columns::Table;
use super::lines::{Chunk, Chunks};
use super::pool::{Pool, lock};
use super::text::{Parsed, parse};

/// What the threads share.
struct Crew<'a, R, F> {
    source: Mutex<Source<R>>,
    turn: Mutex<Turn<F>>,
    /// Told with every change of `turn`.
    changed: Condvar,
    pool: &'a Pool,
    table: Option<&'a Table>,
}

struct Source<R> {
    chunks: Chunks<R>,
    /// Chunks taken from it so far.
    taken: u64,
    ended: bool,
    failure: Option<io::Error>,
}

struct Turn<F> {
    /// Number of the chunk that is handed on next.
    next: u64,
    take: F,
    /// Nothing more is wanted: whoever takes broke off, or a thread panicked.
    closed: bool,
}

/// Reads a text on as many threads as the options say and hands its chunks to `take` in order, one at a time, on any of them.
///
/// # Errors
/// Where reading ended early; what came before has been handed on.
pub(super) fn read(
    reader: impl Read + Send,
    options: &Options,
    pool: &Pool,
    table: Option<&Table>,
    take: impl FnMut(Parsed) -> ControlFlow<()> + Send,
) -> io::Result<()> {
    let crew = Crew {
        source: Mutex::new(Source { chunks: Chunks::new(reader, options.chunk), taken: 0, ended: false, failure: None }),
        turn: Mutex::new(Turn { next: 0, take, closed: false }),
        changed: Condvar::new(),
        pool,
        table,
    };
    thread::scope(|scope| {
        for _ in 1..options.threads.max(1) {
            scope.spawn(|| crew.work());
        }
        crew.work();
    });
    match crew.source.into_inner().unwrap_or_else(PoisonError::into_inner).failure {
        Some(failure) => Err(failure),
        None => Ok(()),
    }
}

/// Sends the others home when it goes out of scope, as where its thread panics.
struct Closing<'c, 'a, R: Read, F: FnMut(Parsed) -> ControlFlow<()>>(&'c Crew<'a, R, F>);

impl<R: Read, F: FnMut(Parsed) -> ControlFlow<()>> Drop for Closing<'_, '_, R, F> {
    fn drop(&mut self) {
        lock(&self.0.turn).closed = true;
        self.0.changed.notify_all();
    }
}

impl<R: Read, F: FnMut(Parsed) -> ControlFlow<()>> Crew<'_, R, F> {
    /// One thread's work: until the text has ended, or nothing more is wanted.
    fn work(&self) {
        let panicking = Closing(self);
        // A thread's own, so that what it reads next lies in its core's cache.
        let mut bytes = Vec::new();
        loop {
            // Not `while let`, which would hold the lock to the end of the round.
            let Some((number, chunk)) = Self::chunk(&mut lock(&self.source), &mut bytes) else { break };
            // A head is the first line of the first chunk.
            let head = number == 0 && self.table.is_some_and(|table| table.head);
            let parsed = parse(&chunk, self.pool.frames(), self.table, head);
            if self.hand_on(number, parsed).is_break() {
                break;
            }
        }
        // The others go on with what they have.
        std::mem::forget(panicking);
    }

    /// Waits for the turn of a chunk and hands it on.
    fn hand_on(&self, number: u64, parsed: Parsed) -> ControlFlow<()> {
        let mut turn = lock(&self.turn);
        while turn.next != number && !turn.closed {
            turn = self.changed.wait(turn).unwrap_or_else(PoisonError::into_inner);
        }
        if !turn.closed {
            turn.next += 1;
            turn.closed = (turn.take)(parsed).is_break();
        }
        let closed = turn.closed;
        drop(turn);
        self.changed.notify_all();
        if closed { ControlFlow::Break(()) } else { ControlFlow::Continue(()) }
    }

    /// The next chunk of the text with its number, in memory that may have been used before.
    fn chunk<'b>(source: &mut Source<R>, bytes: &'b mut Vec<u8>) -> Option<(u64, Chunk<'b>)> {
        if source.ended {
            return None;
        }
        match source.chunks.next(bytes) {
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
}
