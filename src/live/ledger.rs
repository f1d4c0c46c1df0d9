//! The losses of a watch, as its events tell of them, and for how long nothing was lost.
//!
//! How sure a repair is is not said here: who looks while losses still come, and counts anew from
//! each, is told "95 % sure" too often by luck. `compare` says it of two captures.

use std::collections::VecDeque;

use super::{Event, Reach, Subject, What};
use crate::analysis::{Cause, Nanoseconds, Silence};
use crate::fold::timing::seconds;
use crate::silence::{covered, merged};

/// Losses that are kept; of more the oldest go.
const KEPT: usize = 1000;

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
    /// Lawful silences and pauses of the recording, in the order in which they were told.
    asleep: VecDeque<Asleep>,
}

/// A time in which nothing of somebody could be lost.
#[derive(Clone, Debug)]
struct Asleep {
    /// Who; `None` for all.
    who: Option<Subject>,
    since: Nanoseconds,
    /// `None` while it lasts.
    until: Option<Nanoseconds>,
}

impl Asleep {
    /// Whether nothing of a subject could be lost meanwhile.
    fn concerns(&self, other: &Subject) -> bool {
        self.who.as_ref().is_none_or(|own| {
            own.channel.is_none()
                || own.channel == other.channel
                    && (own.reach == Reach::Channel
                        || own.ids.iter().any(|id| other.ids.contains(id)))
        })
    }

    /// Whether nothing at all could be lost on its channel.
    fn is_of_a_channel(&self) -> bool {
        self.who.as_ref().is_none_or(|own| matches!(own.reach, Reach::Channel | Reach::Recording))
    }
}

/// For how long nothing was lost.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Quiet {
    /// Seconds since the last loss ended.
    pub since_last: f64,
    /// Those of them in which what was lost before could have been lost again: not while it slept
    /// or its key was off, nor while the recording paused.
    pub watched: f64,
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
                self.sleeps(Asleep { who: Some(who.clone()), since: *since, until: None });
            }
            What::Wake { who, since } => {
                let of_it = |own: &&mut Asleep| {
                    own.since == *since
                        && own
                            .who
                            .as_ref()
                            .is_some_and(|own| own.channel == who.channel && own.reach == who.reach)
                };
                if let Some(asleep) = self.asleep.iter_mut().rev().find(of_it) {
                    asleep.until = Some(event.time);
                }
            }
            What::Pause { since } => {
                self.sleeps(Asleep { who: None, since: *since, until: Some(event.time) });
            }
            What::Errors { .. } | What::Mark { .. } | What::End { .. } => {}
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

    fn sleeps(&mut self, asleep: Asleep) {
        self.asleep.push_back(asleep);
        if self.asleep.len() > KEPT {
            self.asleep.pop_front();
        }
    }

    /// How long it has been quiet at `now`, of a watch that began at `begin`; `None` while
    /// something is lost.
    pub fn quiet(&self, begin: Nanoseconds, now: Nanoseconds) -> Option<Quiet> {
        let lost = || self.entries.iter().filter(|entry| !entry.momentary);
        if lost().any(|entry| entry.back.is_none()) {
            return None;
        }
        let last = lost().filter_map(|entry| entry.back).max();
        let from = last.unwrap_or(begin);
        // Before the first loss nobody is looked at more than the others.
        let concerns = |own: &&Asleep| match last {
            Some(_) => lost().any(|entry| own.concerns(&entry.who)),
            None => own.is_of_a_channel(),
        };
        let asleep = self
            .asleep
            .iter()
            .filter(concerns)
            .map(|own| Silence { start: own.since, end: own.until.unwrap_or(now) });
        let since = Silence { start: from, end: now };
        let watched = since.length() - covered(&merged(asleep.collect()), since);
        Some(Quiet { since_last: seconds(since.length()), watched: seconds(watched.max(0)) })
    }
}

#[cfg(test)]
mod tests {
    use super::*;

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
        let quiet = ledger.quiet(0, 210 * SECOND).unwrap();
        assert!((quiet.since_last - 100.0).abs() < 1e-9);
        // The other channel sleeps: what was lost on this one could be lost again all the time.
        assert!((quiet.watched - 100.0).abs() < 1e-9);
    }

    /// A sleep of what was lost is no time without a loss, and neither is a pause.
    #[test]
    fn sleep_proves_no_repair() {
        let mut ledger = Ledger::default();
        let since = |since: i64| since * SECOND;
        ledger.push(&event(101, What::Silent { who: who(0), since: since(100) }));
        let (cause, momentary) = (Cause::Unknown, false);
        let back = What::Back { who: who(0), since: since(100), cause, momentary };
        ledger.push(&event(110, back));
        let asleep = What::Sleep { who: who(0), since: since(150), doubtful: false };
        ledger.push(&event(155, asleep));
        let watched = |ledger: &Ledger, now: i64| {
            let quiet = ledger.quiet(0, now * SECOND).unwrap();
            (quiet.since_last.round(), quiet.watched.round())
        };
        assert_eq!(watched(&ledger, 190), (80.0, 40.0));
        ledger.push(&event(200, What::Wake { who: who(0), since: since(150) }));
        ledger.push(&event(230, What::Pause { since: since(190) }));
        assert_eq!(watched(&ledger, 250), (140.0, 60.0));
    }
}
