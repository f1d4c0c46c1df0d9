//! What a watch has to show to others, and what they hand in: the one place where the side of the
//! bus and the side of its readers meet. The bus side never waits here: what a reader has not
//! fetched in time is dropped, the oldest first, and the reader is told.

use std::collections::VecDeque;
use std::sync::{Arc, Condvar, Mutex, PoisonError};
use std::time::Duration;

use crate::capture::lock;
use crate::cli::files::mark_text;

/// Events that are kept for readers who come later, or are slow.
const KEPT: usize = 1000;
/// Marks that wait to be taken.
const MARKS: usize = 100;

/// Shared by the watch and those who show it.
#[derive(Debug, Default)]
pub struct Board {
    inner: Mutex<Inner>,
    changed: Condvar,
}

#[derive(Debug, Default)]
struct Inner {
    events: VecDeque<Arc<str>>,
    /// Number of the first event that is kept.
    first: u64,
    state: Option<Arc<str>>,
    states: u64,
    marks: VecDeque<String>,
    closed: bool,
}

/// What is new since a reader asked last.
#[derive(Debug, Default)]
pub struct News {
    /// Events in order, each a line of JSON with its number.
    pub events: Vec<(u64, Arc<str>)>,
    /// Events that were dropped before this reader had them.
    pub missed: u64,
    /// How all stands, as JSON, with its number; `None` where that has not changed.
    pub state: Option<(u64, Arc<str>)>,
    /// The watch has ended; nothing more will come.
    pub closed: bool,
}

/// Why a mark was not taken.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Refused {
    /// Empty, too long, or with control characters.
    Unfit,
    /// Too many wait already.
    TooMany,
}

impl Board {
    /// Puts an event up, as the line that `--format jsonl` prints.
    pub fn publish_event(&self, line: &str) {
        let mut inner = lock(&self.inner);
        inner.events.push_back(line.into());
        if inner.events.len() > KEPT {
            inner.events.pop_front();
            inner.first += 1;
        }
        drop(inner);
        self.changed.notify_all();
    }

    /// Puts up how all stands, as JSON.
    pub fn publish_state(&self, json: &str) {
        let mut inner = lock(&self.inner);
        inner.state = Some(json.into());
        inner.states += 1;
        drop(inner);
        self.changed.notify_all();
    }

    /// Nothing more will come.
    pub fn close(&self) {
        lock(&self.inner).closed = true;
        self.changed.notify_all();
    }

    /// Marks that were handed in since it was asked last.
    pub fn take_marks(&self) -> Vec<String> {
        lock(&self.inner).marks.drain(..).collect()
    }

    /// Hands in a mark.
    ///
    /// # Errors
    /// Where it is no text that a mark may have, or too many wait.
    pub fn mark(&self, text: &str) -> Result<(), Refused> {
        let text = mark_text(text).map_err(|_| Refused::Unfit)?.to_owned();
        let mut inner = lock(&self.inner);
        if inner.marks.len() >= MARKS {
            return Err(Refused::TooMany);
        }
        inner.marks.push_back(text);
        Ok(())
    }

    /// Number of the next event: a reader who wants only what comes from now on begins there.
    pub fn next_event(&self) -> u64 {
        let inner = lock(&self.inner);
        inner.first + inner.events.len() as u64
    }

    /// Waits for something newer than event `next` and state `state`, for so long at most.
    pub fn wait(&self, next: u64, state: u64, patience: Duration) -> News {
        let mut inner = lock(&self.inner);
        let nothing = |inner: &mut Inner| {
            let end = inner.first + inner.events.len() as u64;
            end <= next && inner.states <= state && !inner.closed
        };
        if nothing(&mut inner) {
            let waited = self.changed.wait_timeout_while(inner, patience, nothing);
            inner = waited.unwrap_or_else(PoisonError::into_inner).0;
        }
        let skip = usize::try_from(next.saturating_sub(inner.first)).unwrap_or(usize::MAX);
        let (first, states) = (inner.first, inner.states);
        let events = inner.events.iter().enumerate().skip(skip);
        News {
            events: events.map(|(at, line)| (first + at as u64, Arc::clone(line))).collect(),
            missed: first.saturating_sub(next),
            state: inner.state.clone().filter(|_| states > state).map(|own| (states, own)),
            closed: inner.closed,
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_slow_reader_loses_the_oldest_and_is_told() {
        let board = Board::default();
        (0..1500).for_each(|at| board.publish_event(&format!("{at}")));
        let news = board.wait(0, 0, Duration::ZERO);
        assert_eq!((news.missed, news.events.len()), (500, 1000));
        assert_eq!(&*news.events[0].1, "500");
        let news = board.wait(board.next_event(), 0, Duration::ZERO);
        assert!(news.events.is_empty() && news.missed == 0);
    }

    #[test]
    fn a_reader_waits_until_something_is_new() {
        let board = Arc::new(Board::default());
        let other = Arc::clone(&board);
        let reader = std::thread::spawn(move || other.wait(0, 0, Duration::from_secs(60)));
        board.publish_state("{}");
        assert_eq!(&*reader.join().unwrap().state.unwrap().1, "{}");
        board.close();
        assert!(board.wait(0, 1, Duration::from_secs(60)).closed);
    }

    #[test]
    fn marks_are_checked_and_bounded() {
        let board = Board::default();
        assert_eq!(board.mark("step\u{1b}[2J"), Err(Refused::Unfit));
        assert_eq!(board.mark("  "), Err(Refused::Unfit));
        (0..100).for_each(|_| board.mark(" at the step ").unwrap());
        assert_eq!(board.mark("one more"), Err(Refused::TooMany));
        assert_eq!(board.take_marks()[0], "at the step");
        assert!(board.take_marks().is_empty());
    }
}
