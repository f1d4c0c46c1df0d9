//! What followed each error frame of a channel: enough to tell later, when bit rate and periods are
//! known, which frame the error destroyed (`network::destroyed`).

use lostnode_parsers::{ErrorFrame, Id};

use super::{Nanoseconds, nanoseconds};
use crate::capture::{Batch, Frame, Group};

/// The latest times of an identifier, the oldest first; the lowest number where there are fewer.
pub type Recent = [Nanoseconds; Aftermath::RECENT];

/// The times of an identifier that was not heard.
pub(super) const UNHEARD: Recent = [Nanoseconds::MIN; Aftermath::RECENT];

/// An error frame in its place among the frames of its channel.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Reported {
    /// When the controller saw the error.
    pub time: Nanoseconds,
    /// What it said.
    pub frame: ErrorFrame,
    /// The last data or remote frame before it, by the time stamp.
    pub before: Option<Nanoseconds>,
    /// Place in [`Aftermath::followers`] of the first frame behind it.
    pub next: usize,
    /// For how many error frames it stands: beyond [`Aftermath::KEPT`] the first of each tenth of a
    /// second is kept, and nothing of what followed.
    pub times: u32,
    /// Beyond those: one of them was of a module that was awake alone.
    alone: bool,
}

impl Reported {
    /// Whether it may be of the same frame as the one before, sent again and not acknowledged
    /// either; where no other frame came between them, it is.
    fn may_be_again(&self, before: &Reported) -> bool {
        self.time - before.time <= nanoseconds(Aftermath::AGAIN)
            && before.frame.is_unacknowledged()
            && self.frame.is_unacknowledged()
    }
}

/// A frame that was heard soon after an error.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Follower {
    /// Its identifier.
    pub id: Id,
    /// Its time stamp.
    pub time: Nanoseconds,
    /// Its length on the wire in bits, with the space behind it.
    pub bits: u16,
    /// When its identifier was heard before.
    pub recent: Recent,
}

/// How many error frames about the bus there are, kept with their time or not.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub struct Tally {
    /// Error frames.
    pub errors: u64,
    /// Seconds of the clock that hold one.
    pub seconds: u64,
    /// The latest of these.
    latest: Option<Nanoseconds>,
}

impl Tally {
    fn count(&mut self, time: Nanoseconds) {
        let second = time.div_euclid(nanoseconds(1.0));
        self.errors += 1;
        if self.latest.is_none_or(|latest| latest < second) {
            self.seconds += 1;
            self.latest = Some(second);
        }
    }

    /// The sum of two counts that have no second in common.
    pub fn joined(self, other: Tally) -> Tally {
        let (errors, seconds) = (self.errors + other.errors, self.seconds + other.seconds);
        Tally { errors, seconds, latest: self.latest.max(other.latest) }
    }
}

/// The error frames of a channel and the frames behind them, both in order of time. Neither list
/// grows beyond its bound.
#[derive(Clone, Debug, Default)]
pub struct Aftermath {
    /// The first error frames, one by one; then some.
    pub reported: Vec<Reported>,
    /// Frames soon after one of them.
    pub followers: Vec<Follower>,
    /// All error frames about the bus.
    pub tally: Tally,
    /// How many more frames will be kept.
    open: usize,
    /// The last error frame, kept or not, and how many in a row are as of a module awake alone.
    latest: Option<(Reported, usize)>,
}

impl Aftermath {
    /// Error frames kept one by one, with what followed them.
    pub const KEPT: usize = 4096;
    /// Of later ones the first in each so many nanoseconds is kept, and each bus-off, …
    const STEP: Nanoseconds = 100_000_000;
    /// … so many at the most: two hours of errors without end.
    const MOST: usize = Self::KEPT + 72_000;
    /// Error frames in so many seconds from the beginning may come from plugging in the recorder: a
    /// plug is pushed home while it runs, the contacts bounce, and a controller that joins in the
    /// midst of a frame finds it broken.
    const PLUGGED_IN: f64 = 2.0;
    /// Plugging in leaves no more than so many error frames after the first moment (of 66 invented
    /// sound vehicles by three authors with such errors none had more than 8).
    const BOUNCES: usize = 9;
    /// Error frames in so many seconds from the beginning are always those of plugging in.
    const FIRST_MOMENT: f64 = 0.05;
    /// Frames kept behind an error. What was destroyed waits for those of higher priority only, and
    /// seldom for more than three.
    pub const FOLLOWING: usize = 8;
    /// So many of the frames behind each error are counted to tell, over many errors, whose frames
    /// are destroyed.
    pub const BEHIND: usize = 3;
    /// A frame is counted as one behind an error only if it comes within so many seconds of it.
    const SOON: f64 = 0.004;
    /// Times kept of each identifier. Of so many frames at least one had hardly to wait for the
    /// bus.
    pub const RECENT: usize = 12;
    /// A frame that fails so often running for want of an acknowledgement has nobody to hear it:
    /// one module is awake alone, before the others or after them. After 16 times its controller is
    /// error passive and its flags are no longer seen (ISO 11898-1, fault confinement).
    pub const RUNNING: usize = 4;
    /// A frame that fails is sent again, and may fail again, within so many seconds.
    pub const AGAIN: f64 = 0.02;

    /// Whether the next frame is wanted.
    #[inline]
    pub(super) fn is_open(&self) -> bool {
        self.open > 0
    }

    pub(super) fn report(&mut self, time: Nanoseconds, frame: ErrorFrame, before: Nanoseconds) {
        if frame.is_about_the_bus() {
            self.tally.count(time);
        }
        let before = (before > Nanoseconds::MIN).then_some(before);
        let next = self.followers.len();
        let own = Reported { time, frame, before, next, times: 1, alone: false };
        if self.reported.len() < Self::KEPT {
            self.reported.push(own);
            if frame.is_destruction() {
                self.open = Self::FOLLOWING;
            }
        } else {
            self.keep_some(own);
        }
    }

    fn keep_some(&mut self, mut own: Reported) {
        let again = |(last, run): (Reported, usize)| {
            let goes_on = last.before == own.before && own.may_be_again(&last);
            if goes_on { run + 1 } else { 1 }
        };
        let run = self.latest.map_or(1, again);
        own.alone = run >= Self::RUNNING;
        self.latest = Some((own, run));
        let Some(last) = self.reported.last_mut() else { return };
        let same = own.time.div_euclid(Self::STEP) == last.time.div_euclid(Self::STEP)
            && own.frame.is_about_the_bus() == last.frame.is_about_the_bus();
        if same && !own.frame.is_bus_off() {
            last.times = last.times.saturating_add(1);
            last.alone |= own.alone;
        } else if self.reported.len() < Self::MOST {
            self.reported.push(own);
        }
    }

    /// Says of each error frame whether it comes from a module that was awake alone. Where others
    /// are awake they acknowledge, and frames of other identifiers come in between.
    pub fn alone(&self) -> Vec<bool> {
        let again = |a: &Reported, b: &Reported| a.next == b.next && b.may_be_again(a);
        let runs = self.reported.chunk_by(again);
        let mut alone: Vec<bool> = runs
            .flat_map(|run| run.iter().map(|own| own.alone || run.len() >= Self::RUNNING))
            .collect();
        // The module that left last may have been switched off in the midst of its frame: that
        // error comes just before the others, and belongs to them.
        for at in 1..alone.len() {
            let near = self.reported[at].time - self.reported[at - 1].time;
            alone[at - 1] |= alone[at] && near <= nanoseconds(Self::AGAIN);
        }
        alone
    }

    /// Says of each error frame whether it comes from plugging in the recorder. The recording began
    /// at `begin`. A controller that goes bus-off does so for more than a plug.
    pub fn plugging_in(&self, begin: Nanoseconds) -> Vec<bool> {
        let moment = begin.saturating_add(nanoseconds(Self::FIRST_MOMENT));
        let until = begin.saturating_add(nanoseconds(Self::PLUGGED_IN));
        let alone = self.alone();
        let bounces = self.reported.iter().zip(&alone).filter(|(error, alone)| {
            (moment..=until).contains(&error.time) && !**alone && error.frame.is_about_the_bus()
        });
        let until = if bounces.count() > Self::BOUNCES { moment } else { until };
        let early = |error: &Reported| error.time <= until && !error.frame.is_bus_off();
        self.reported.iter().map(early).collect()
    }

    /// The first frames behind an error, as far as they came soon.
    pub fn behind(&self, error: &Reported) -> impl Iterator<Item = Id> {
        let soon = error.time.saturating_add(nanoseconds(Self::SOON));
        let own = self.followers.iter().skip(error.next).take(Self::BEHIND);
        own.take_while(move |follower| follower.time <= soon).map(|follower| follower.id)
    }

    /// Takes the next frame of the channel, where it has an identifier and a time.
    pub(super) fn follow(&mut self, frame: &Frame, recent: impl FnOnce(Id) -> Recent) {
        let (Some(id), Some(time)) = (frame.kind.id(), frame.heard()) else { return };
        self.open -= 1;
        let bits = frame.length.bits();
        self.followers.push(Follower { id, time, bits, recent: recent(id) });
    }
}

/// Takes the frames of an identifier in a batch; those that step back are passed over.
pub(super) fn hear(recent: &mut Recent, group: &Group<'_>) {
    let mut latest = recent[Aftermath::RECENT - 1];
    if group.gap_bound >= 0 && group.times.first().is_none_or(|first| *first >= latest) {
        return append(recent, group.times);
    }
    for time in group.times {
        if *time >= latest {
            latest = *time;
            append(recent, &[latest]);
        }
    }
}

/// Puts further times behind those that are there.
fn append(recent: &mut Recent, times: &[Nanoseconds]) {
    let tail = &times[times.len().saturating_sub(recent.len())..];
    recent.rotate_left(tail.len());
    let kept = recent.len() - tail.len();
    recent[kept..].copy_from_slice(tail);
}

/// The latest times of an identifier before a place in a batch, given those before the batch.
#[cold]
pub(super) fn before(batch: &Batch, position: usize, id: Id, mut recent: Recent) -> Recent {
    let channel = batch.frames[position].channel;
    let groups = || batch.grouped().iter();
    if let Some(group) = groups().find(|group| (group.channel, group.id) == (channel, id)) {
        let earlier = group.positions.partition_point(|other| (*other as usize) < position);
        append(&mut recent, &group.times[..earlier]);
    }
    recent
}
