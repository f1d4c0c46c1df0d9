//! Worker threads, the caller's among them. Each reads and parses a chunk, then waits its turn to
//! fold it, so folding follows file order while frames stay in one core's cache. A thread is
//! started only where there is text left and no other waits. What that gains: docs/performance.md.

use std::io::{self, Read};
use std::ops::ControlFlow;
use std::sync::atomic::{AtomicUsize, Ordering};
use std::sync::{Condvar, Mutex, PoisonError};
use std::thread::{self, Scope};

use super::Options;
use super::columns::CsvTable;
use super::lines::{Chunk, Chunks};
use super::parsed::Parsed;
use super::pool::{Pool, lock};
use super::text::parse;

/// What is done with each chunk.
pub(super) struct Steps<S, W, F> {
    /// In the order of the file, and quickly.
    pub settle: S,
    /// On all threads at once.
    pub work: W,
    /// In the order of the file.
    pub fold: F,
}

/// What the threads share.
struct Workers<'a, R, S, W, F> {
    feed: Mutex<Feed<R>>,
    settle: Sequencer<S>,
    work: W,
    fold: Sequencer<F>,
    pool: &'a Pool,
    table: Option<&'a CsvTable>,
    /// Most threads there may be.
    threads: usize,
    /// How many threads wait for the text.
    waiting: AtomicUsize,
}

/// The text, which one thread at a time cuts a chunk from.
struct Feed<R> {
    chunks: Chunks<R>,
    /// Chunks taken from it so far.
    taken: u64,
    /// Threads started so far, the caller's among them.
    started: usize,
    ended: bool,
    failure: Option<io::Error>,
}

/// Reads a text on as many threads as the options say, and has each of its chunks go through the
/// steps.
///
/// # Errors
/// Where reading ended early; what came before has been handed on.
pub(super) fn read<T>(
    reader: impl Read + Send,
    options: &Options,
    pool: &Pool,
    table: Option<&CsvTable>,
    steps: Steps<
        impl FnMut(Parsed) -> T + Send,
        impl Fn(&T) + Sync,
        impl FnMut(T) -> ControlFlow<()> + Send,
    >,
) -> io::Result<()> {
    let workers = Workers {
        feed: Mutex::new(Feed {
            chunks: Chunks::new(reader, options.chunk, options.at_once),
            taken: 0,
            started: 1,
            ended: false,
            failure: None,
        }),
        settle: Sequencer::new(steps.settle),
        work: steps.work,
        fold: Sequencer::new(steps.fold),
        pool,
        table,
        threads: options.threads,
        waiting: AtomicUsize::new(0),
    };
    thread::scope(|scope| workers.work(scope));
    match workers.feed.into_inner().unwrap_or_else(PoisonError::into_inner).failure {
        Some(failure) => Err(failure),
        None => Ok(()),
    }
}

impl<R, T, S, W, F> Workers<'_, R, S, W, F>
where
    R: Read + Send,
    S: FnMut(Parsed) -> T + Send,
    W: Fn(&T) + Sync,
    F: FnMut(T) -> ControlFlow<()> + Send,
{
    /// One thread's work: until the text has ended, or nothing more is wanted.
    fn work<'s>(&'s self, scope: &'s Scope<'s, '_>) {
        let panicking = (Closing(&self.settle), Closing(&self.fold));
        // A thread's own, so that what it reads next lies in its core's cache.
        let mut bytes = Vec::new();
        loop {
            // Not in the head of a loop, which would hold the lock to the end of the round.
            self.waiting.fetch_add(1, Ordering::Relaxed);
            let mut feed = lock(&self.feed);
            self.waiting.fetch_sub(1, Ordering::Relaxed);
            let chunk = Self::chunk(&mut feed, &mut bytes);
            let wanted = chunk.is_some() && self.wants_another(&feed);
            feed.started += usize::from(wanted);
            drop(feed);
            let Some((number, chunk)) = chunk else { break };
            if wanted {
                scope.spawn(|| self.work(scope));
            }
            // A head is the first line of the first chunk.
            let head = number == 0 && self.table.is_some_and(|table| table.head);
            let parsed = parse(&chunk, self.pool.frames(), self.table, head);
            let Some(settled) =
                self.settle.take(number, |settle| ControlFlow::Continue(settle(parsed)))
            else {
                return;
            };
            (self.work)(&settled);
            if self.fold.take(number, |fold| fold(settled)).is_none() {
                return;
            }
        }
        // The others go on with what they have.
        std::mem::forget(panicking);
    }

    /// Whether one more thread would find something to do: where one waits already, for the text or
    /// for its turn, another would wait too.
    fn wants_another(&self, feed: &Feed<R>) -> bool {
        feed.started < self.threads
            && !feed.chunks.is_done()
            && self.waiting.load(Ordering::Relaxed) == 0
            && self.settle.waiting.load(Ordering::Relaxed) == 0
            && self.fold.waiting.load(Ordering::Relaxed) == 0
    }

    /// The next chunk of the text with its number, in memory that may have been used before.
    fn chunk<'b>(feed: &mut Feed<R>, bytes: &'b mut Vec<u8>) -> Option<(u64, Chunk<'b>)> {
        if feed.ended {
            return None;
        }
        match feed.chunks.next(bytes) {
            Ok(Some(chunk)) => {
                feed.taken += 1;
                return Some((feed.taken - 1, chunk));
            }
            Ok(None) => {}
            Err(failure) => feed.failure = Some(failure),
        }
        feed.ended = true;
        None
    }
}

/// A step that is done with one chunk after another, in the order of the file, by whichever thread
/// has the chunk.
struct Sequencer<F> {
    turn: Mutex<Turn<F>>,
    /// Told with every change of `turn`.
    changed: Condvar,
    /// How many threads wait for their turn; changed with `turn` held only.
    waiting: AtomicUsize,
}

struct Turn<F> {
    /// Number of the chunk that comes next.
    next: u64,
    step: F,
    /// Nothing more is wanted: it broke off, or a thread panicked.
    closed: bool,
}

impl<F> Sequencer<F> {
    fn new(step: F) -> Self {
        Sequencer {
            turn: Mutex::new(Turn { next: 0, step, closed: false }),
            changed: Condvar::new(),
            waiting: AtomicUsize::new(0),
        }
    }

    /// Waits for the turn of a chunk and does it; `None` where nothing more is wanted, from the
    /// step that breaks off on.
    fn take<T>(&self, number: u64, with: impl FnOnce(&mut F) -> ControlFlow<(), T>) -> Option<T> {
        let mut turn = lock(&self.turn);
        while turn.next != number && !turn.closed {
            self.waiting.fetch_add(1, Ordering::Relaxed);
            turn = self.changed.wait(turn).unwrap_or_else(PoisonError::into_inner);
            self.waiting.fetch_sub(1, Ordering::Relaxed);
        }
        if turn.closed {
            return None;
        }
        let done = with(&mut turn.step);
        turn.next += 1;
        // At once, and not when this thread goes home: whose turn is next does not wait for that.
        turn.closed = done.is_break();
        // Telling is a call into the kernel.
        let awaited = self.waiting.load(Ordering::Relaxed) > 0;
        drop(turn);
        if awaited {
            self.changed.notify_all();
        }
        done.continue_value()
    }
}

/// Sends the others home when it goes out of scope, as where its thread panics or nothing more is
/// wanted.
struct Closing<'t, F>(&'t Sequencer<F>);

impl<F> Drop for Closing<'_, F> {
    fn drop(&mut self) {
        lock(&self.0.turn).closed = true;
        self.0.changed.notify_all();
    }
}
