//! The losses of a watch, as its events tell of them, and how long it has to stay quiet until that
//! is no luck.

use std::collections::VecDeque;

use super::{Event, Subject, What};
use crate::analysis::{Cause, Nanoseconds, episodes};
use crate::compare::statistics;
use crate::fold::timing::seconds;

/// Losses that are kept; of more the oldest go.
const KEPT: usize = 1000;
/// How sure one wants to be that a fault does not come any more; as in `compare`.
const SURE: f64 = 0.95;

/// A loss that was told of.
#[derive(Clone, Debug, PartialEq)]
pub struct Entry {
    /// Who.
    pub who: Subject,
    /// Its last frame.
    pub since: Nanoseconds,
    /// Its first frame after; `None` while it lasts.
    pub back: Option<Nanoseconds>,
    /// What its return showed.
    pub cause: Cause,
    /// Too short to be an outage.
    pub momentary: bool,
}

/// All of them, in the order in which they were told.
#[derive(Clone, Debug, Default)]
pub struct Ledger {
    entries: VecDeque<Entry>,
    /// What was taken back is none.
    count: u64,
}

/// How long nothing was lost, against how often it was before.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Quiet {
    /// Seconds since the last loss ended.
    pub since_last: f64,
    /// Seconds without a loss until it is 95 % sure that losses have become rarer, from now on;
    /// nought where it is. `None` where nothing was lost yet.
    pub needed: Option<f64>,
}

impl Ledger {
    /// Takes an event.
    pub fn push(&mut self, event: &Event) {
        let same = |who: &Subject, since: Nanoseconds| {
            let (who, since) = (who.clone(), since);
            move |own: &Entry| {
                own.since == since && own.who.channel == who.channel && own.who.reach == who.reach
            }
        };
        match &event.what {
            What::Silent { who, since } => {
                self.count += 1;
                self.entries.push_back(Entry {
                    who: who.clone(),
                    since: *since,
                    back: None,
                    cause: Cause::Unknown,
                    momentary: false,
                });
                if self.entries.len() > KEPT {
                    self.entries.pop_front();
                }
            }
            What::Back { who, since, cause, momentary } => {
                let own = same(who, *since);
                let own = self.entries.iter_mut().rev().find(|entry| own(entry));
                if let Some(own) = own.filter(|own| own.back.is_none()) {
                    (own.back, own.cause, own.momentary) = (Some(event.time), *cause, *momentary);
                    self.count -= u64::from(*momentary);
                }
            }
            What::Sleep { who, since, .. } => {
                let own = same(who, *since);
                if let Some(at) = self.entries.iter().rposition(own) {
                    self.entries.remove(at);
                    self.count -= 1;
                }
            }
            What::Wake { .. }
            | What::Pause { .. }
            | What::Errors { .. }
            | What::Mark { .. }
            | What::End { .. } => {}
        }
    }

    /// The latest losses first; momentary ones among them.
    pub fn latest(&self) -> impl Iterator<Item = &Entry> {
        self.entries.iter().rev()
    }

    /// How many there were, without momentary ones.
    pub fn count(&self) -> u64 {
        self.count
    }

    /// How long it has been quiet at `now`, of a watch that began at `begin`; `None` while
    /// something is lost.
    ///
    /// Losses that come in bursts are one event each, as in `compare`, and the exact test is that
    /// of `compare` too: so many events in the time before, none since.
    pub fn quiet(&self, begin: Nanoseconds, now: Nanoseconds) -> Option<Quiet> {
        let lost = || self.entries.iter().filter(|entry| !entry.momentary);
        if lost().any(|entry| entry.back.is_none()) {
            return None;
        }
        let Some(last) = lost().filter_map(|entry| entry.back).max() else {
            return Some(Quiet { since_last: seconds(now - begin), needed: None });
        };
        let before = seconds(last - begin);
        let mut starts: Vec<f64> = lost().map(|entry| seconds(entry.since - begin)).collect();
        starts.sort_unstable_by(f64::total_cmp);
        let (episodes, _) = episodes::group(&starts, before);
        let since_last = seconds(now - last);
        let needed = statistics::needed(episodes.len() as u64, before, SURE);
        Some(Quiet { since_last, needed: needed.map(|all| (all - since_last).max(0.0)) })
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::live::Reach;

    const SECOND: Nanoseconds = 1_000_000_000;

    fn event(time: i64, what: What) -> Event {
        Event { time: time * SECOND, what }
    }

    fn who(channel: u16) -> Subject {
        Subject { channel: Some(channel), node: None, ids: Vec::new(), reach: Reach::Channel }
    }

    #[test]
    fn what_is_taken_back_is_no_loss() {
        let mut ledger = Ledger::default();
        let silent =
            |channel, since: i64| What::Silent { who: who(channel), since: since * SECOND };
        ledger.push(&event(101, silent(0, 100)));
        assert_eq!((ledger.count(), ledger.quiet(0, 102 * SECOND)), (1, None));
        let (since, cause) = (100 * SECOND, Cause::LostPower);
        let back = What::Back { who: who(0), since, cause, momentary: false };
        ledger.push(&event(110, back));
        ledger.push(&event(201, silent(1, 200)));
        let sleep = What::Sleep { who: who(1), since: 200 * SECOND, doubtful: false };
        ledger.push(&event(205, sleep));
        assert_eq!(ledger.count(), 1);
        assert_eq!(ledger.latest().next().unwrap().cause, Cause::LostPower);
        // One event in 110 s: nineteen times as long without one is needed to be 95 % sure.
        let quiet = ledger.quiet(0, 210 * SECOND).unwrap();
        assert!((quiet.since_last - 100.0).abs() < 1e-9);
        assert!((quiet.needed.unwrap() - (110.0 * 19.0 - 100.0)).abs() < 1e-6);
    }
}
