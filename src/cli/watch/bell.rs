//! When the bell rings: once when somebody is lost, twice when they are back, not for a key-off,
//! and at most one sound in half a second.

use std::time::{Duration, Instant};

use crate::live::{Event, What};

/// A sound.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(super) enum Ring {
    /// Somebody is lost: one bell.
    Lost,
    /// Somebody is back: two.
    Back,
}

/// The least time between two sounds.
const BETWEEN: Duration = Duration::from_millis(500);
/// A bell waits so long for the word that it was only a key-off.
const HOLD: Duration = Duration::from_millis(100);
/// Somebody falls silent …
const MANY: usize = 3;
/// … so often within this: modules leave one after another, and each further bell says nothing new.
const WITHIN: Duration = Duration::from_secs(3);

/// Decides about bells.
#[derive(Debug, Default)]
pub(super) struct Bell {
    pending: Option<(Ring, Instant)>,
    rang: Option<Instant>,
    recent: Vec<Instant>,
}

impl Bell {
    /// Something has happened.
    pub fn hear(&mut self, event: &Event, now: Instant) {
        match &event.what {
            What::Silent { .. } => {
                self.recent.retain(|at| now.duration_since(*at) < WITHIN);
                self.recent.push(now);
                if self.recent.len() <= MANY {
                    self.pending = Some((Ring::Lost, now + HOLD));
                }
            }
            // A loss that has not been heard yet is told of first: never a return alone.
            What::Back { .. } if !matches!(self.pending, Some((Ring::Lost, _))) => {
                self.pending = Some((Ring::Back, now));
            }
            What::Sleep { .. } => self.pending = None,
            _ => {}
        }
    }

    /// What is to be heard now.
    pub fn due(&mut self, now: Instant) -> Option<Ring> {
        let (ring, at) = self.pending?;
        if now < at || self.rang.is_some_and(|rang| now.duration_since(rang) < BETWEEN) {
            return None;
        }
        self.pending = None;
        self.rang = Some(now);
        Some(ring)
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::live::{Reach, Subject};

    fn event(what: fn(Subject) -> What) -> Event {
        let who = Subject { channel: Some(0), node: None, ids: Vec::new(), reach: Reach::Channel };
        Event { time: 0, what: what(who) }
    }

    #[test]
    fn no_bell_for_a_key_off_and_one_sound_in_half_a_second() {
        let silent = event(|who| What::Silent { who, since: 0 });
        let sleep = event(|who| What::Sleep { who, since: 0, doubtful: false });
        let back = event(|who| What::Back {
            who,
            since: 0,
            cause: crate::analysis::Cause::Unknown,
            momentary: false,
        });
        let begin = Instant::now();
        let at = |milliseconds| begin + Duration::from_millis(milliseconds);
        let mut bell = Bell::default();
        bell.hear(&silent, at(0));
        bell.hear(&sleep, at(50));
        assert_eq!(bell.due(at(500)), None);
        bell.hear(&silent, at(1000));
        assert_eq!(bell.due(at(1050)), None);
        assert_eq!(bell.due(at(1100)), Some(Ring::Lost));
        bell.hear(&back, at(1200));
        assert_eq!(bell.due(at(1300)), None);
        assert_eq!(bell.due(at(1600)), Some(Ring::Back));
        // Modules that leave one after another ring thrice at most.
        (0..10).for_each(|count| bell.hear(&silent, at(9000 + count)));
        assert_eq!(bell.due(at(9200)), Some(Ring::Lost));
        assert_eq!(bell.due(at(9900)), None);
    }
}
