//! Mends the logger's clock where it wraps or is set back, before anything is folded: a step back
//! in the stamps is no step back in time. Steps ahead stay, for they are pauses (docs/formats.md).

use lostnode_parsers::Timestamp;

use super::parsed::{Span, span};
use super::{Batch, ClockMend, ClockStep, Frame};

/// Interleaving of channels and adapters puts stamps out of order by some hundredths of a second;
/// ten times that is more than they do. In nanoseconds, as all below.
const SLACK: i64 = 1_000_000_000;
/// A counter of 32 bits in microseconds begins anew after this.
const WRAP: i64 = (1 << 32) * 1_000;
/// A step that falls short of [`WRAP`] by less than this is a wrap: the rest is the time from the
/// frame before. A bus that was silent for longer looks like a clock that was set.
const LONGEST_PAUSE: i64 = 60_000_000_000;
/// A step back that is made good within so many frames was none of the clock: those frames have
/// stray stamps.
const TRIAL: usize = 100;
/// … or within so many, however few of them have stamps: a trial holds them all in memory. Counted
/// in frames, for where a batch ends must not show.
const MOST_HELD: usize = 1 << 16;
/// A clock that is set back more often than this is no clock.
const MOST_SET_BACKS: u32 = 3;
/// No mended stamp lies behind this, in the year 2116: what does is none of a clock.
const FURTHEST: i64 = i64::MAX / 2;
/// Mends that are told; a wrap comes every 72 minutes.
const MOST_TOLD: usize = 64;

/// A frame, by its place in the batches held and its place there.
type Position = (usize, usize);

/// The clock of one file.
#[derive(Default)]
pub(super) struct Clock {
    /// Added to each stamp.
    offset: i64,
    /// By channel, the latest frame as mended; of an unheard one far in the past.
    last: Vec<i64>,
    /// The frame before, of any channel.
    previous: i64,
    trial: Option<Trial>,
    /// Batches that wait for the end of a trial.
    held: Vec<(Batch, Span)>,
    mends: Vec<ClockMend>,
    set_backs: u32,
}

/// A step back that may yet turn out to be stray stamps.
struct Trial {
    mend: ClockMend,
    /// What was added to stamps before it.
    offset: i64,
    frames: usize,
    /// Frames held for it, with or without a stamp.
    held: usize,
    /// Whether the latest frame has a stamp as before the step.
    as_before: bool,
    /// Frames with a stamp as after it.
    shifted: Vec<Position>,
}

impl Clock {
    /// Takes the next batch and returns those whose stamps are settled, in order.
    pub fn push(&mut self, mut batch: Batch, mut range: Span) -> Vec<(Batch, Span)> {
        let plain = self.offset == 0 && self.trial.is_none();
        let first = if plain { self.first_step(&batch.frames) } else { Some(0) };
        if let Some(first) = first {
            for at in first..batch.frames.len() {
                self.mend(&mut batch.frames, at);
            }
            range = span(&batch.frames);
        }
        self.held.push((batch, range));
        if self.trial.is_some() { Vec::new() } else { std::mem::take(&mut self.held) }
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

    fn is_good(&self) -> bool {
        self.set_backs <= MOST_SET_BACKS
    }

    /// The first frame that steps back, where nothing needs mending so far.
    fn first_step(&mut self, frames: &[Frame]) -> Option<usize> {
        for (at, frame) in frames.iter().enumerate() {
            let Some(time) = frame.time.map(Timestamp::nanoseconds) else { continue };
            let channel = usize::from(frame.channel);
            if self.last.len() <= channel {
                self.last.resize(channel + 1, i64::MIN);
            }
            if time < self.last[channel].saturating_sub(SLACK) {
                return Some(at);
            }
            self.last[channel] = time;
            self.previous = time;
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
        if !self.is_good() {
            return;
        }
        let channel = usize::from(frames[at].channel);
        if self.last.len() <= channel {
            self.last.resize(channel + 1, i64::MIN);
        }
        let mut time = self.nearest(stamp);
        let back = self.last[channel].saturating_sub(time);
        if self.last[channel] != i64::MIN && back > SLACK {
            self.settle(frames);
            time = self.step(stamp, channel);
        }
        if let Some(trial) = &mut self.trial {
            trial.frames += 1;
            trial.as_before = time != stamp.saturating_add(self.offset);
            if !trial.as_before {
                trial.shifted.push((self.held.len(), at));
            }
        }
        self.last[channel] = time;
        self.previous = time;
        frames[at].time = Some(Timestamp::from_nanoseconds(time));
        if self.trial.as_ref().is_some_and(|trial| trial.frames == TRIAL) {
            self.settle(frames);
        }
    }

    /// The time of a stamp. Soon after a step it may still be one as before it: the frame waited
    /// on another channel, or the step was none of the clock.
    fn nearest(&self, stamp: i64) -> i64 {
        let time = stamp.saturating_add(self.offset);
        let Some(trial) = &self.trial else { return time };
        let before = stamp.saturating_add(trial.offset);
        if before.abs_diff(self.previous) < time.abs_diff(self.previous) { before } else { time }
    }

    /// Begins a trial with a stamp that steps back on its channel; its time.
    fn step(&mut self, stamp: i64, channel: usize) -> i64 {
        let back = self.last[channel].saturating_sub(stamp.saturating_add(self.offset));
        let offset = self.offset;
        let wrapped = (WRAP - LONGEST_PAUSE..=WRAP).contains(&back);
        // Time does not go back: where the clock was set, the frame follows the one before at once.
        let by = if wrapped { WRAP } else { back };
        self.offset = offset.saturating_add(by);
        let time = stamp.saturating_add(self.offset);
        if time > FURTHEST {
            self.set_backs = MOST_SET_BACKS + 1;
            return stamp;
        }
        let step = if wrapped { ClockStep::Wrapped } else { ClockStep::SetBack { by } };
        self.trial = Some(Trial {
            mend: ClockMend { step, at: Timestamp::from_nanoseconds(time) },
            offset,
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
        if !trial.as_before {
            self.set_backs += u32::from(trial.mend.step != ClockStep::Wrapped);
            if self.mends.len() < MOST_TOLD {
                self.mends.push(trial.mend);
            }
            return;
        }
        let by = self.offset.saturating_sub(trial.offset);
        for (batch, at) in trial.shifted {
            let frame = match self.held.get_mut(batch) {
                Some((batch, _)) => &mut batch.frames[at],
                None => &mut frames[at],
            };
            let time = frame.time.map(|time| time.nanoseconds().saturating_sub(by));
            frame.time = time.map(Timestamp::from_nanoseconds);
        }
        for (batch, range) in &mut self.held {
            *range = span(&batch.frames);
        }
        self.offset = trial.offset;
    }
}
