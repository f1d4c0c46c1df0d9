//! Mends the logger's clock where it wraps, is set, or shows a stray stamp, before anything is
//! folded: a step back in the stamps is no step back in time. Steps ahead of up to a year stay, for
//! they are pauses (docs/formats.md).

use lostnode_parsers::Timestamp;

use super::parsed::{Span, span};
use super::{Batch, ClockMend, ClockStep, Frame};

/// Interleaving of channels and adapters puts stamps out of order by some hundredths of a second;
/// ten times that is more than they do. In nanoseconds, as all below.
pub(super) const SLACK: i64 = 1_000_000_000;
/// A counter of 32 bits in microseconds begins anew after this.
const WRAP: i64 = (1 << 32) * 1_000;
/// A step that falls short of [`WRAP`] by less than this is a wrap: the rest is the time from the
/// frame before. A bus that was silent for longer looks like a clock that was set.
const LONGEST_PAUSE: i64 = 60_000_000_000;
/// No recorder waits this long with its file open, and a clock without a battery begins years off,
/// in 1970, 1980 or 2000, until it is set (common practice, no source). A recorder that waited for
/// a night or a holiday is far below it.
const YEAR: i64 = 366 * 86_400_000_000_000;
/// A step that is made good within so many frames was none of the clock: those frames have stray
/// stamps.
const TRIAL: usize = 100;
/// As [`TRIAL`], of a step ahead that is else a pause. Nothing is shifted for it, so few are
/// enough; and whoever watches the bus must not wait long for its return.
const TRIAL_AHEAD: usize = 10;
/// … or within so many, however few of them have stamps: a trial holds them all in memory. Counted
/// in frames, for where a batch ends must not show.
const MOST_HELD: usize = 1 << 16;
/// A clock that is set back more often than this is no clock.
const MOST_SET_BACKS: u32 = 3;
/// No stamp lies behind this, in the year 2116, or before 1970: what does is none of a clock. So
/// the difference of two stamps always has room.
const FURTHEST: i64 = i64::MAX / 2;
/// Mends that are told; a wrap comes every 72 minutes.
const MOST_TOLD: usize = 64;
/// Of a channel that was not heard yet.
const UNHEARD: i64 = i64::MIN;

/// Whether a stamp may be a time.
pub(super) fn is_time(stamp: i64) -> bool {
    (0..=FURTHEST).contains(&stamp)
}

/// A frame, by its place in the batches held and its place there.
type Position = (usize, usize);

/// The clock of one file.
#[derive(Default)]
pub(super) struct Clock {
    now: Reading,
    /// The first frame with a stamp, as long as there is no second.
    alone: Option<Position>,
    trial: Option<Trial>,
    /// Batches that wait for the end of a trial.
    held: Vec<(Batch, Span)>,
    mends: Vec<ClockMend>,
    set_backs: u32,
    strays: u64,
}

/// How stamps are read, and the latest that were.
#[derive(Clone)]
struct Reading {
    /// Added to each stamp.
    offset: i64,
    /// By channel, the latest frame as mended.
    last: Vec<i64>,
    /// The frame before, of any channel.
    previous: i64,
}

/// A step that may yet turn out to be stray stamps.
struct Trial {
    what: Step,
    /// How stamps as before it are read.
    before: Reading,
    /// The first frame behind it.
    began: i64,
    frames: usize,
    /// Frames held for it, with or without a stamp.
    held: usize,
    /// Whether the latest frame has a stamp as before the step.
    as_before: bool,
    /// Frames with a stamp as after it, and the time of the frame before each.
    shifted: Vec<(Position, i64)>,
}

/// What a step is, if the frames behind it go on from it.
enum Step {
    Mend(ClockStep),
    /// The recording paused, or the bus was still: nothing is mended.
    Pause,
    /// The one frame before it had the stray stamp.
    FirstStray(Position),
}

impl Clock {
    /// Takes the next batch and returns those whose stamps are settled, in order.
    pub fn push(&mut self, mut batch: Batch, mut range: Span) -> Vec<(Batch, Span)> {
        let plain = self.now.offset == 0 && self.trial.is_none() && self.alone.is_none();
        let first = if plain { self.first_step(&batch.frames) } else { Some(0) };
        if let Some(first) = first {
            for at in first..batch.frames.len() {
                self.mend(&mut batch.frames, at);
            }
            range = span(&batch.frames);
        }
        self.held.push((batch, range));
        if self.held.iter().map(|(batch, _)| batch.frames.len()).sum::<usize>() > MOST_HELD {
            self.alone = None;
        }
        let waits = self.trial.is_some() || self.alone.is_some();
        if waits { Vec::new() } else { std::mem::take(&mut self.held) }
    }

    /// Ends a trial under way, and returns what waited for it.
    pub fn finish(&mut self) -> Vec<(Batch, Span)> {
        self.settle(&mut []);
        std::mem::take(&mut self.held)
    }

    /// What was mended, and whether it is a clock at all.
    pub fn told(&self) -> (Vec<ClockMend>, Option<u32>) {
        (self.mends.clone(), (!self.is_good()).then_some(self.set_backs))
    }

    /// How many stamps were no time, or far from those around them.
    pub fn strays(&self) -> u64 {
        self.strays
    }

    fn is_good(&self) -> bool {
        self.set_backs <= MOST_SET_BACKS
    }

    /// The first frame that steps, where nothing needs mending so far.
    fn first_step(&mut self, frames: &[Frame]) -> Option<usize> {
        let now = &mut self.now;
        for (at, frame) in frames.iter().enumerate() {
            let Some(time) = frame.time.map(Timestamp::nanoseconds) else { continue };
            let channel = usize::from(frame.channel);
            now.make_room(channel);
            // Two comparisons for nearly all: within the slack, either way, and not before 1970,
            // as which the time of an unheard channel is written.
            let is_near = time.abs_diff(now.last[channel]) <= SLACK as u64 && time >= 0;
            if !is_near && now.needs_a_look(time, channel) {
                return Some(at);
            }
            now.last[channel] = time;
            now.previous = time;
        }
        None
    }

    /// Mends the stamp of one frame.
    fn mend(&mut self, frames: &mut [Frame], at: usize) {
        if let Some(trial) = &mut self.trial {
            trial.held += 1;
            if trial.held == MOST_HELD {
                self.settle(frames);
            }
        }
        let Some(stamp) = frames[at].time.map(Timestamp::nanoseconds) else { return };
        let channel = usize::from(frames[at].channel);
        if !is_time(stamp) {
            self.settle(frames);
            self.now.make_room(channel);
            frames[at].time = self.now.neighbour(channel).map(Timestamp::from_nanoseconds);
            self.strays += 1;
            return;
        }
        if !self.is_good() {
            return;
        }
        let here = (self.held.len(), at);
        let alone = self.alone.take();
        if self.now.previous == UNHEARD {
            self.alone = Some(here);
        }
        let reading = self.reading(stamp, channel);
        let mut time = reading.time(stamp);
        if reading.steps(time, channel) {
            self.settle(frames);
            time = self.step(stamp, channel, alone);
        }
        match &mut self.trial {
            Some(trial) => trial.take(&mut self.now, time, channel, here),
            None => self.now.take(time, channel),
        }
        frames[at].time = Some(Timestamp::from_nanoseconds(time));
        if self.trial.as_ref().is_some_and(|trial| trial.frames >= trial.what.frames()) {
            self.settle(frames);
        }
    }

    /// How a stamp is read. Soon after a step it may still be one as before it: the frame waited
    /// on another channel, or the step was none of the clock.
    fn reading(&mut self, stamp: i64, channel: usize) -> &Reading {
        self.now.make_room(channel);
        let now = &self.now;
        let Some(trial) = &mut self.trial else { return now };
        trial.before.make_room(channel);
        // What lies far behind is of another channel, written after this one.
        let goes_on = trial.before.time(stamp) >= trial.before.previous.saturating_sub(SLACK);
        trial.as_before = goes_on && trial.before.distance(stamp) < now.distance(stamp);
        if trial.as_before { &trial.before } else { now }
    }

    /// Looks at a stamp that may step, now that no trial is under way; its time. `alone` is the
    /// frame before it if there is no other.
    fn step(&mut self, stamp: i64, channel: usize, alone: Option<Position>) -> i64 {
        let before = self.now.clone();
        let time = before.time(stamp);
        let back = before.steps_back(time, channel);
        let what = match alone {
            _ if !before.steps(time, channel) => return time,
            Some(first) if back || time.saturating_sub(before.previous) > YEAR => {
                self.now = Reading { offset: before.offset, ..Reading::default() };
                self.now.make_room(channel);
                Step::FirstStray(first)
            }
            _ if back => {
                let by = before.neighbour(channel).map_or(0, |last| last.saturating_sub(time));
                let wrapped = (WRAP - LONGEST_PAUSE..=WRAP).contains(&by);
                // Time does not go back: where the clock was set, the frame follows the one before
                // at once.
                let shift = if wrapped { WRAP } else { by };
                self.now.offset = before.offset.saturating_add(shift);
                Step::Mend(if wrapped { ClockStep::Wrapped } else { ClockStep::SetBack { by } })
            }
            _ if time.saturating_sub(before.previous) > YEAR => {
                let by = time.saturating_sub(before.previous);
                self.now.offset = before.offset.saturating_sub(by);
                Step::Mend(ClockStep::SetAhead { by })
            }
            _ => Step::Pause,
        };
        let time = self.now.time(stamp);
        if !is_time(time) {
            self.set_backs = MOST_SET_BACKS + 1;
            return stamp;
        }
        self.trial = Some(Trial {
            what,
            before,
            began: time,
            frames: 0,
            held: 0,
            as_before: false,
            shifted: Vec::new(),
        });
        time
    }

    /// Ends the trial under way: the latest frame tells which of the two clocks goes on. `frames`
    /// are those of the batch that is not held yet.
    fn settle(&mut self, frames: &mut [Frame]) {
        let Some(trial) = self.trial.take() else { return };
        let Trial { what, before, began, as_before, shifted, .. } = trial;
        match what {
            _ if as_before => {
                self.now = before;
                shifted.into_iter().for_each(|(at, time)| self.set(at, time, frames));
            }
            Step::FirstStray(first) => self.set(first, began, frames),
            Step::Mend(step) => {
                self.now.catch_up(&before);
                self.set_backs += u32::from(matches!(step, ClockStep::SetBack { .. }));
                if self.mends.len() < MOST_TOLD {
                    self.mends.push(ClockMend { step, at: Timestamp::from_nanoseconds(began) });
                }
            }
            Step::Pause => self.now.catch_up(&before),
        }
        for (batch, range) in &mut self.held {
            *range = span(&batch.frames);
        }
    }

    /// Gives a frame with a stray stamp another time.
    fn set(&mut self, (batch, at): Position, time: i64, frames: &mut [Frame]) {
        let frame = match self.held.get_mut(batch) {
            Some((batch, _)) => &mut batch.frames[at],
            None => &mut frames[at],
        };
        frame.time = Some(Timestamp::from_nanoseconds(time));
        self.strays += 1;
    }
}

impl Default for Reading {
    fn default() -> Self {
        Reading { offset: 0, last: Vec::new(), previous: UNHEARD }
    }
}

impl Reading {
    fn make_room(&mut self, channel: usize) {
        if self.last.len() <= channel {
            self.last.resize(channel + 1, UNHEARD);
        }
    }

    fn time(&self, stamp: i64) -> i64 {
        stamp.saturating_add(self.offset)
    }

    /// How far a stamp would be from the frame before.
    fn distance(&self, stamp: i64) -> u64 {
        self.time(stamp).abs_diff(self.previous)
    }

    fn take(&mut self, time: i64, channel: usize) {
        self.last[channel] = time;
        self.previous = time;
    }

    /// The time of the frame before, of the channel if it was heard.
    fn neighbour(&self, channel: usize) -> Option<i64> {
        [self.last[channel], self.previous].into_iter().find(|time| *time != UNHEARD)
    }

    /// Whether a stamp, which is not close to the one before on its channel, is more than the
    /// first of its channel.
    #[cold]
    fn needs_a_look(&self, time: i64, channel: usize) -> bool {
        self.previous == UNHEARD || !is_time(time) || self.steps(time, channel)
    }

    fn steps(&self, time: i64, channel: usize) -> bool {
        self.steps_back(time, channel) || self.steps_ahead(time, channel)
    }

    /// The first of a channel is held against the others: such files hold one after another, but
    /// never years of them.
    fn steps_back(&self, time: i64, channel: usize) -> bool {
        match self.last[channel] {
            UNHEARD => self.previous != UNHEARD && time < self.previous.saturating_sub(YEAR),
            last => time < last.saturating_sub(SLACK),
        }
    }

    /// Whether nothing was heard for long, on this channel or any other.
    fn steps_ahead(&self, time: i64, channel: usize) -> bool {
        let beyond = |before: i64| before == UNHEARD || time.saturating_sub(before) > SLACK;
        self.previous != UNHEARD && beyond(self.previous) && beyond(self.last[channel])
    }

    /// Takes over frames that were read as before a step that has turned out to be one.
    fn catch_up(&mut self, before: &Reading) {
        for (last, own) in self.last.iter_mut().zip(&before.last) {
            *last = (*last).max(*own);
        }
    }
}

impl Trial {
    /// Takes a frame, with its time as before or after the step.
    fn take(&mut self, now: &mut Reading, time: i64, channel: usize, at: Position) {
        self.frames += 1;
        if self.as_before {
            return self.before.take(time, channel);
        }
        self.before.make_room(channel);
        self.shifted.push((at, self.before.neighbour(channel).unwrap_or(time)));
        now.take(time, channel);
    }
}

impl Step {
    /// How many frames tell whether it is one.
    fn frames(&self) -> usize {
        match self {
            Step::Mend(_) => TRIAL,
            Step::Pause | Step::FirstStray(_) => TRIAL_AHEAD,
        }
    }
}
