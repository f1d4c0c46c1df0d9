//! Identifiers that fall silent at one instant and return likewise: one event, whatever else is
//! known of their senders. docs/outages.md, "Silences that belong together".

use super::{Expectation, Loss, Losses};
use crate::capture::ChannelIndex;
use crate::fold::timing::{Nanoseconds, Timing, nanoseconds, seconds};

/// Silences that began at one instant and ended likewise.
#[derive(Clone, Debug)]
pub struct Event {
    /// Its channel.
    pub channel: ChannelIndex,
    /// Whose silences, in order of their ends.
    pub losses: Vec<Loss>,
    /// The last of their last frames: by then all had fallen silent.
    pub onset: Nanoseconds,
    /// The first of their first frames, or the end of the capture.
    pub back: Nanoseconds,
    /// Silent to the end of the capture.
    pub ongoing: bool,
    /// Whose phase could be asked for, and how many of them kept it.
    pub phase: Phase,
}

/// How many identifiers came back on the grid that they had left.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub struct Phase {
    /// Of how many it can be told.
    pub testable: usize,
    /// How many kept it.
    pub kept: usize,
}

/// The phase is believed where it can be told of at least so many identifiers: one is on its grid
/// by luck in 20 to 40 of a hundred cases, three hardly.
const TESTABLE: usize = 3;
/// The senders ran on where at least this share of the identifiers kept their phase: a busy bus or
/// a coarse clock may have moved the rest.
const KEPT: f64 = 0.8;
/// The senders did not run on where no more than this share of the identifiers kept their phase.
const LUCK: f64 = 0.5;

impl Phase {
    /// Counts silences, given with what is expected of each.
    pub(super) fn of<'a>(
        silences: impl Iterator<Item = (&'a Expectation, crate::fold::timing::Silence)>,
    ) -> Phase {
        let mut phase = Phase::default();
        for kept in silences.filter_map(|(expected, silence)| expected.phase_kept(silence)) {
            phase.testable += 1;
            phase.kept += usize::from(kept);
        }
        phase
    }

    /// The senders ran on: nothing that was switched off or reset keeps its phase.
    pub fn is_kept(self) -> bool {
        self.testable >= TESTABLE && self.kept as f64 >= KEPT * self.testable as f64
    }

    /// The senders did not run on.
    pub fn is_lost(self) -> bool {
        self.testable >= TESTABLE && self.kept as f64 <= LUCK * self.testable as f64
    }
}

/// Identifiers that returned within so many seconds of each other always returned together: one
/// common wire heals at once, and modules of one supply start within moments of each other.
pub(super) const RETURN: f64 = 0.5;
/// After a long silence returns may be apart by this share of its length.
const RETURN_SHARE: f64 = 0.1;
/// The return of a slow identifier may be so many of its periods behind that of another.
const RETURN_PERIODS: f64 = 1.5;

/// The losses of all channels as events, in order of their onset.
pub fn together(timing: &Timing, losses: &Losses) -> Vec<Event> {
    let mut events = Vec::new();
    for channel in 0..timing.channels.len() {
        let channel = channel as ChannelIndex;
        let own = losses.losses.iter().filter(|loss| timing.ids[loss.id].key.channel == channel);
        let mut own: Vec<Waiting> = own.filter_map(|loss| Waiting::of(losses, loss)).collect();
        own.sort_by_key(|waiting| (waiting.due, waiting.loss.id));
        for group in by_onset(&own) {
            let parts = parts_by_return(group).into_iter();
            events.extend(parts.map(|part| Event::of(channel, losses, part)));
        }
    }
    events.sort_by_key(|event| (event.onset, event.back, event.channel));
    events
}

/// A loss, and when its identifier was missed at the latest.
#[derive(Clone, Copy)]
struct Waiting {
    loss: Loss,
    due: Nanoseconds,
    period: f64,
}

impl Waiting {
    fn of(losses: &Losses, loss: &Loss) -> Option<Waiting> {
        let expected = losses.expected[loss.id]?;
        // A silence shorter than an ordinary gap still began within itself.
        let due = expected.due(loss.silence.start).min(loss.silence.end - 1);
        Some(Waiting { loss: *loss, due, period: expected.rhythm.period })
    }
}

/// The least number of instants that explains all silences: each began between its last frame and
/// the frame that was due. `own` is sorted by what was due.
fn by_onset(own: &[Waiting]) -> Vec<Vec<Waiting>> {
    let longest = own.iter().map(|waiting| waiting.due - waiting.loss.silence.start).max();
    let longest = longest.unwrap_or(0);
    let mut taken = vec![false; own.len()];
    let mut groups = Vec::new();
    for at in 0..own.len() {
        if taken[at] {
            continue;
        }
        let instant = own[at].due;
        let near = own[at..].iter().take_while(|waiting| waiting.due - instant <= longest).count();
        let mut group = Vec::new();
        for (place, waiting) in own.iter().enumerate().skip(at).take(near) {
            let silence = waiting.loss.silence;
            if !taken[place] && silence.start <= instant && silence.end >= instant {
                taken[place] = true;
                group.push(*waiting);
            }
        }
        groups.push(group);
    }
    groups
}

/// Parts those that returned from those that did not, and returns that are far apart.
fn parts_by_return(mut group: Vec<Waiting>) -> Vec<Vec<Loss>> {
    group.sort_by_key(|waiting| (waiting.loss.ongoing, waiting.loss.silence.end, waiting.loss.id));
    let mut parts: Vec<Vec<Loss>> = Vec::new();
    for Waiting { loss, period, .. } in group {
        let length = seconds(loss.silence.length());
        let slack = RETURN.max(RETURN_SHARE * length).max(RETURN_PERIODS * period);
        let joins = |before: &Loss| {
            before.ongoing == loss.ongoing
                && (loss.ongoing || loss.silence.end - before.silence.end <= nanoseconds(slack))
        };
        match parts.last_mut() {
            Some(part) if part.last().is_some_and(joins) => part.push(loss),
            _ => parts.push(vec![loss]),
        }
    }
    parts
}

impl Event {
    fn of(channel: ChannelIndex, losses: &Losses, own: Vec<Loss>) -> Event {
        let ongoing = own.first().is_some_and(|loss| loss.ongoing);
        let returned = own.iter().filter(|loss| !loss.ongoing);
        let phase = Phase::of(returned.filter_map(|loss| {
            losses.expected[loss.id].as_ref().map(|expected| (expected, loss.silence))
        }));
        Event {
            channel,
            onset: own.iter().map(|loss| loss.silence.start).max().unwrap_or(0),
            back: own.iter().map(|loss| loss.silence.end).min().unwrap_or(0),
            ongoing,
            phase,
            losses: own,
        }
    }

    /// Takes the silences of another event that is one with it.
    pub fn join(&mut self, other: Event, losses: &Losses) {
        let mut own = std::mem::take(&mut self.losses);
        own.extend(other.losses);
        own.sort_by_key(|loss| (loss.ongoing, loss.silence.end, loss.id));
        *self = Event::of(self.channel, losses, own);
    }

    /// From the last of their last frames to the first of their first.
    pub fn length(&self) -> Nanoseconds {
        (self.back - self.onset).max(0)
    }
}
