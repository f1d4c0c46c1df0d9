//! The clock behind an identifier, followed only by frames before which the bus was idle.
//!
//! A frame that waited for others says when the bus was free, not when its sender's timer ran out;
//! and as the bursts of two nodes slide over each other at the beat of their clocks, the wait
//! drifts as a clock would. Frames after an idle bus did not wait. What is drawn from them:
//! docs/roster.md.

use lostnode_parsers::Id;

use super::Nanoseconds;
use super::clock::{FirstLook, LEARN, MOST_BLOCKS, WIDTH};

/// Gaps from which the time of a whole frame is drawn.
const LEARN_GAPS: usize = 1024;
/// The share of gaps in a hundred that are the shortest: frames that follow at once. One gap alone
/// may be a mistake of the logger.
const SHORTEST: usize = 2;
/// The bus was idle where the frame before ended so much of a frame earlier that none fits between
/// (a frame is up to a fifth longer than the shortest of eight bytes, by stuff bits).
const IDLE: f64 = 1.3;
/// No frame is that short, in nanoseconds, at any rate up to 1 Mbit/s: such stamps are too coarse.
const SHORTER_THAN_A_FRAME: Nanoseconds = 40_000;

/// How far apart the frames of a channel lie that follow at once.
#[derive(Clone, Debug, Default)]
pub(super) struct Spacing {
    gaps: Vec<Nanoseconds>,
    settled: Option<Idle>,
}

/// From when on it is known whether the bus was idle before a frame, and which gap says so.
#[derive(Clone, Copy, Debug)]
pub(super) struct Idle {
    since: Nanoseconds,
    gap: Nanoseconds,
}

impl Spacing {
    pub(super) fn is_settled(&self) -> bool {
        self.settled.is_some()
    }

    /// What it found, where time stamps are fine enough.
    pub(super) fn idle(&self) -> Option<Idle> {
        self.settled.filter(|idle| idle.gap >= SHORTER_THAN_A_FRAME)
    }

    /// Takes the gap that a frame at `time` ends.
    pub(super) fn push(&mut self, time: Nanoseconds, gap: Nanoseconds) {
        if self.is_settled() {
            return;
        }
        self.gaps.push(gap);
        if self.gaps.len() == LEARN_GAPS {
            let mut gaps = std::mem::take(&mut self.gaps);
            let (_, shortest, _) = gaps.select_nth_unstable(LEARN_GAPS * SHORTEST / 100);
            self.settled = Some(Idle { since: time, gap: (*shortest as f64 * IDLE) as i64 });
        }
    }
}

/// The frame before another on the same channel: its time and identifier, where it has them.
#[derive(Clone, Copy, Debug)]
pub(super) struct Before {
    pub time: Option<Nanoseconds>,
    pub id: Option<Id>,
}

/// A silence of more periods than this, besides the steps below, begins a new segment.
const CONTINUES: f64 = 4.5;
/// Furthest, in periods, that a stamp of the same segment may be off, and how many may be further
/// off one after another: one late frame is no restart.
const OFF: f64 = 0.4;
const MOST_OFF: u32 = 4;
/// Periods after which the estimate of the period is drawn anew, from [`SURE`] on.
const ESTIMATE: i64 = 16;
const SURE: i64 = 50;
/// Fast identifiers are looked at every so many frames: up to a period in nanoseconds. A hundred
/// frames a second tell no more than ten, as what is left is no noise. The steps share no factor
/// with the usual ratios of periods, so that every place in a burst has its turn.
const STEPS: [(Nanoseconds, usize); 2] = [(15_000_000, 7), (30_000_000, 3)];
/// How much of a stamp's deviation the anchor follows, at first and later.
const FOLLOW: [f64; 2] = [0.5, 0.25];
const FIRST: i64 = 8;
/// Identifiers kept that stood right before it.
const NEIGHBOURS: usize = 8;

/// Accumulates the time stamps of one identifier.
#[derive(Clone, Debug, Default)]
pub struct IdleClock {
    first: Vec<(Nanoseconds, bool)>,
    /// The best estimate of the period in nanoseconds, and how many periods it rests on.
    best: Option<(f64, i64)>,
    period: f64,
    segment: u32,
    start: Nanoseconds,
    last: Nanoseconds,
    /// Nanoseconds since `start`, where the grid of periods lies, and its number.
    anchor: f64,
    count: i64,
    estimated: i64,
    off: u32,
    width: i64,
    /// When the last block ends.
    end: Nanoseconds,
    blocks: Vec<IdleBlock>,
    /// Frames looked at, and how many of the next are not.
    frames: u64,
    skip: usize,
    step: usize,
    before: Vec<(Id, u64)>,
}

/// The stamps of one segment that fall into one stretch of time.
#[derive(Clone, Copy, Debug)]
pub struct IdleBlock {
    /// The stretch, counted in widths.
    pub number: i64,
    /// Number of the segment.
    pub segment: u32,
    /// All stamps in it.
    pub all: u32,
    /// Those after an idle bus.
    pub idle: u32,
    /// Of the latter: sum of the nanoseconds since the segment began.
    pub time: f64,
    /// Of the latter: sum of the periods since then.
    pub periods: f64,
}

impl IdleClock {
    /// Takes the next time stamps, none before the one before it, and a way to ask for the frame
    /// before any of them on the channel.
    pub(super) fn push(
        &mut self,
        times: &[Nanoseconds],
        idle: Idle,
        before: impl Fn(usize) -> Option<Before>,
    ) {
        let mut at = self.skip;
        while let Some(time) = times.get(at) {
            if *time > idle.since
                && let Some(before) = before(at)
            {
                self.take(*time, before, idle);
            }
            at += self.step.max(1);
        }
        self.skip = at - times.len();
    }

    #[inline]
    fn take(&mut self, time: Nanoseconds, before: Before, idle: Idle) {
        let alone = before.time.is_some_and(|before| time - before > idle.gap);
        self.frames += 1;
        if !alone && let Some(id) = before.id {
            self.behind(id);
        }
        if self.best.is_some() {
            self.track(time, alone);
        } else {
            self.first.push((time, alone));
            if self.first.len() == LEARN {
                self.learn();
            }
        }
    }

    /// Counts who stood right before: the most frequent stay (Misra and Gries 1982).
    fn behind(&mut self, id: Id) {
        if let Some((_, count)) = self.before.iter_mut().find(|(known, _)| *known == id) {
            *count += 1;
        } else if self.before.len() < NEIGHBOURS {
            self.before.push((id, 1));
        } else {
            self.before.iter_mut().for_each(|(_, count)| *count -= 1);
            self.before.retain(|(_, count)| *count > 0);
        }
    }

    #[cold]
    fn learn(&mut self) {
        let first = std::mem::take(&mut self.first);
        let times: Vec<Nanoseconds> = first.iter().map(|(time, _)| *time).collect();
        let Some(look) = FirstLook::of(&times) else { return };
        self.period = look.period;
        self.best = Some((self.period, 0));
        let step = STEPS.into_iter().find(|(longest, _)| look.median < *longest);
        self.step = step.map_or(1, |(_, step)| step);
        self.width = look.width;
        (self.start, self.last) = (first[0].0, first[0].0);
        self.note(first[0].0, first[0].1);
        first[1..].iter().for_each(|(time, idle)| self.track(*time, *idle));
    }

    #[inline]
    fn track(&mut self, time: Nanoseconds, idle: bool) {
        let silent = (time - self.last) as f64 > (CONTINUES + self.step as f64) * self.period;
        self.last = time;
        if silent {
            return self.restart(time, idle);
        }
        if !idle {
            return self.note(time, false);
        }
        let since = (time - self.start) as f64;
        let periods = ((since - self.anchor) / self.period).round();
        let off = since - self.anchor - periods * self.period;
        if off.abs() > OFF * self.period {
            self.off += 1;
            if self.off == MOST_OFF {
                self.restart(time, idle);
            } else {
                self.note(time, false);
            }
            return;
        }
        if periods < 1.0 {
            // A second frame of the same period tells nothing of the clock.
            return self.note(time, false);
        }
        self.off = 0;
        self.count += periods as i64;
        let follow = FOLLOW[usize::from(self.count >= FIRST)];
        self.anchor += periods * self.period + follow * off;
        if self.count >= SURE && self.count - self.estimated >= ESTIMATE {
            self.estimated = self.count;
            self.period = self.anchor / self.count as f64;
            if self.best.is_none_or(|(_, count)| self.count > count) {
                self.best = Some((self.period, self.count));
            }
        }
        self.note(time, true);
    }

    #[cold]
    fn restart(&mut self, time: Nanoseconds, idle: bool) {
        self.segment += 1;
        self.start = time;
        (self.anchor, self.count, self.estimated, self.off) = (0.0, 0, 0, 0);
        self.period = self.best.map_or(self.period, |(period, _)| period);
        self.note(time, idle);
    }

    #[inline]
    fn note(&mut self, time: Nanoseconds, idle: bool) {
        if time >= self.end || self.blocks.last().is_none_or(|last| last.segment != self.segment) {
            self.open(time);
        }
        let Some(block) = self.blocks.last_mut() else { return };
        block.all += 1;
        if idle {
            block.idle += 1;
            block.time += (time - self.start) as f64;
            block.periods += self.count as f64;
        }
    }

    #[cold]
    fn open(&mut self, time: Nanoseconds) {
        let far = |clock: &IdleClock| {
            clock.blocks.first().is_some_and(|first| {
                time.div_euclid(clock.width) - first.number >= MOST_BLOCKS as i64
            })
        };
        while far(self) && self.width < i64::MAX / 4 {
            self.width *= 2;
            let mut joined: Vec<IdleBlock> = Vec::with_capacity(MOST_BLOCKS);
            for mut block in self.blocks.drain(..) {
                block.number = block.number.div_euclid(2);
                match joined.last_mut() {
                    Some(last) if last.number == block.number && last.segment == block.segment => {
                        last.all += block.all;
                        last.idle += block.idle;
                        last.time += block.time;
                        last.periods += block.periods;
                    }
                    _ => joined.push(block),
                }
            }
            self.blocks = joined;
        }
        if self.blocks.len() == MOST_BLOCKS {
            // Many short segments: the oldest half goes.
            self.blocks.drain(..MOST_BLOCKS / 2);
        }
        let number = time.div_euclid(self.width);
        self.end = number.saturating_add(1).saturating_mul(self.width);
        self.blocks.push(IdleBlock {
            number,
            segment: self.segment,
            all: 0,
            idle: 0,
            time: 0.0,
            periods: 0.0,
        });
    }

    /// Width of its blocks in nanoseconds: a second, doubled as often as needed.
    pub fn width(&self) -> i64 {
        self.width.max(WIDTH)
    }

    /// Its blocks in order of time.
    pub fn blocks(&self) -> &[IdleBlock] {
        &self.blocks
    }

    /// The share of its frames, 0 to 1, that stood right behind a frame of one of these.
    pub fn behind_any(&self, ids: &[Id]) -> f64 {
        let own = self.before.iter().filter(|(id, _)| ids.contains(id));
        own.map(|(_, count)| *count).sum::<u64>() as f64 / self.frames.max(1) as f64
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Half an hour of 10 ms; every 97th frame waits 6 ms for another. No frame that waits begins
    /// anew, and memory is bounded.
    #[test]
    fn late_frames_are_no_restarts() {
        let idle = Idle { since: 0, gap: 300_000 };
        let waits = |step: i64| step % 97 == 0;
        let times: Vec<Nanoseconds> = (1..180_000)
            .map(|step| step * 10_001_000 + if waits(step) { 6_000_000 } else { 0 })
            .collect();
        let mut clock = IdleClock::default();
        clock.push(&times, idle, |at| {
            let gap = if waits(at as i64 + 1) { 250_000 } else { 1_000_000 };
            Some(Before { time: Some(times[at] - gap), id: None })
        });
        assert_eq!(clock.segment, 0);
        assert!(clock.blocks.len() <= MOST_BLOCKS);
        let (period, _) = clock.best.unwrap();
        assert!((period / 10_001_000.0 - 1.0).abs() < 1e-7, "{period}");
    }

    /// A sender that is silent for a second every twenty frames begins anew each time.
    #[test]
    fn many_segments() {
        let idle = Idle { since: 0, gap: 300_000 };
        let mut clock = IdleClock::default();
        for segment in 0..20_000_i64 {
            let times: Vec<Nanoseconds> =
                (1..21).map(|step| segment * 1_000_000_000 + step * 10_000_000).collect();
            clock.push(&times, idle, |_| Some(Before { time: Some(0), id: None }));
        }
        assert!(clock.segment > 10_000 && clock.blocks.len() <= MOST_BLOCKS);
    }
}
