//! The clock behind an identifier, followed by when its frames were ready to be sent.
//!
//! A frame that waited for others says when the bus was free, not when its sender's timer ran out;
//! and as the bursts of two nodes slide over each other at the beat of their clocks, the wait
//! drifts as a clock would. Frames after an idle bus did not wait, but they alone are a biased
//! choice: the late ones where another's burst ends, the early ones where it begins. So a frame
//! that waited counts too, as one that was ready somewhere between two instants (observations
//! censored to an interval; each is what one step of Fisher scoring from where the clock was
//! expected makes of it). What is drawn from them: docs/roster.md.

use lostnode_parsers::Id;

use super::Nanoseconds;
use super::clock::{FirstLook, LEARN, MOST_BLOCKS, WIDTH};
use super::spacing::{Begun, Idle};

/// A silence of more periods than this, besides the steps below, begins a new segment.
const CONTINUES: f64 = 4.5;
/// Furthest, in periods, that a stamp of the same segment may be off.
const OFF: f64 = 0.4;
/// So many stamps may be further off one after another: one late frame is no restart.
const MOST_OFF: u32 = 4;
/// The estimate of the period is drawn anew every so many periods.
const ESTIMATE: i64 = 16;
/// The estimate of the period is not drawn anew before so many periods have passed.
const SURE: i64 = 50;
/// Fast identifiers are looked at every so many frames: up to a period in nanoseconds. A hundred
/// frames a second tell no more than ten, as what is left is no noise. The steps share no factor
/// with the usual ratios of periods, so that every place in a burst has its turn.
const STEPS: [(Nanoseconds, usize); 2] = [(15_000_000, 11), (30_000_000, 5)];
/// The share of a stamp's deviation by which the anchor follows it: in the first periods, and
/// later.
const FOLLOW: [f64; 2] = [0.5, 0.25];
/// So many periods are the first ones, in which the anchor follows faster.
const FIRST: i64 = 8;
/// What the scatter of a sender's instants is taken to be until its own is known, in nanoseconds.
const SCATTER: f64 = 100_000.0;
/// The least that the scatter of a sender's instants is taken to be, in nanoseconds.
const LEAST_SCATTER: f64 = 2_000.0;
/// From how many instants the scatter is drawn: at least the first number, and no more than the
/// latest so many as the second.
const SCATTER_OF: (f64, f64) = (2.0, 64.0);
/// A frame that tells less than this share of what one without a wait would is left out.
const TELLS: f64 = 0.05;
/// Identifiers kept that stood right before it.
const NEIGHBOURS: usize = 8;

/// Accumulates the time stamps of one identifier.
#[derive(Clone, Debug, Default)]
pub struct IdleClock {
    first: Vec<Begun>,
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
    /// How the instants scatter about the grid, in square nanoseconds.
    variance: f64,
    /// How many instants the variance is drawn from; those that waited count for less than one.
    seen: f64,
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
    /// When the segment began, in nanoseconds.
    pub start: Nanoseconds,
    /// All frames in it.
    pub all: u32,
    /// Frames that came after an idle bus.
    pub idle: u32,
    /// How much all of them tell: a frame after an idle bus counts one, one that waited less.
    pub weight: f64,
    /// Weighted sum of the nanoseconds since the segment began.
    pub time: f64,
    /// Weighted sum of the periods since then.
    pub periods: f64,
    /// The two sums of frames after an idle bus alone.
    pub alone: (f64, f64),
}

impl IdleClock {
    /// Takes the next time stamps, none before the one before it, and a way to ask how the frame
    /// of any of them got onto the bus.
    pub(super) fn push(
        &mut self,
        times: &[Nanoseconds],
        idle: Idle,
        begun: impl Fn(usize) -> Option<Begun>,
    ) {
        let mut at = self.skip;
        while let Some(time) = times.get(at) {
            if *time > idle.since
                && let Some(begun) = begun(at)
            {
                self.take(&begun);
            }
            at += self.step.max(1);
        }
        self.skip = at - times.len();
    }

    #[inline]
    fn take(&mut self, begun: &Begun) {
        self.frames += 1;
        if !begun.idle
            && let Some(id) = begun.behind
        {
            self.behind(id);
        }
        if self.best.is_some() {
            self.track(begun);
        } else {
            self.first.push(*begun);
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
        let times: Vec<Nanoseconds> = first.iter().map(|begun| begun.start).collect();
        let Some(look) = FirstLook::of(&times) else { return };
        self.period = look.period;
        self.best = Some((self.period, 0));
        let step = STEPS.into_iter().find(|(longest, _)| look.median < *longest);
        self.step = step.map_or(1, |(_, step)| step);
        self.width = look.width;
        self.variance = SCATTER * SCATTER;
        (self.start, self.last) = (times[0], times[0]);
        self.note(times[0], true, Some((0.0, 1.0)));
        first[1..].iter().for_each(|begun| self.track(begun));
    }

    #[inline]
    fn track(&mut self, begun: &Begun) {
        let Begun { start: time, idle, ready, .. } = *begun;
        let silent = (time - self.last) as f64 > (CONTINUES + self.step as f64) * self.period;
        self.last = time;
        if silent {
            return self.restart(time, idle);
        }
        if !idle && ready.is_none() {
            return self.note(time, false, None);
        }
        let since = (time - self.start) as f64;
        let periods = ((since - self.anchor) / self.period).round();
        let off = since - self.anchor - periods * self.period;
        if off.abs() > OFF * self.period {
            self.off += u32::from(idle);
            if self.off == MOST_OFF {
                self.restart(time, idle);
            } else {
                self.note(time, false, None);
            }
            return;
        }
        if periods < 1.0 {
            // A second frame of the same period tells nothing of the clock.
            return self.note(time, false, None);
        }
        self.off = 0;
        let (mean, rest) = match ready.filter(|_| !idle) {
            None => (off, 0.0),
            Some(ready) => between(off - (time - ready) as f64, off, self.variance.sqrt()),
        };
        let weight = 1.0 - rest / self.variance;
        if weight < TELLS {
            return self.note(time, false, None);
        }
        self.seen += weight;
        let (few, many) = SCATTER_OF;
        self.variance += (mean * mean + rest - self.variance) / self.seen.clamp(few, many);
        self.variance = self.variance.max(LEAST_SCATTER * LEAST_SCATTER);
        self.follow(periods as i64, mean);
        self.note(time, idle, Some((since - off + mean / weight, weight)));
    }

    /// Moves the grid on by so many periods, and towards an instant so many nanoseconds off it.
    #[inline]
    fn follow(&mut self, periods: i64, off: f64) {
        self.count += periods;
        let follow = FOLLOW[usize::from(self.count >= FIRST)];
        self.anchor += periods as f64 * self.period + follow * off;
        if self.count >= SURE && self.count - self.estimated >= ESTIMATE {
            self.estimated = self.count;
            self.period = self.anchor / self.count as f64;
            if self.best.is_none_or(|(_, count)| self.count > count) {
                self.best = Some((self.period, self.count));
            }
        }
    }

    #[cold]
    fn restart(&mut self, time: Nanoseconds, idle: bool) {
        self.segment += 1;
        self.start = time;
        (self.anchor, self.count, self.estimated, self.off) = (0.0, 0, 0, 0);
        self.period = self.best.map_or(self.period, |(period, _)| period);
        self.note(time, idle, idle.then_some((0.0, 1.0)));
    }

    /// Counts a frame, and what it tells: nanoseconds since the segment began, and its weight.
    #[inline]
    fn note(&mut self, time: Nanoseconds, idle: bool, told: Option<(f64, f64)>) {
        if time >= self.end || self.blocks.last().is_none_or(|last| last.segment != self.segment) {
            self.open(time);
        }
        let Some(block) = self.blocks.last_mut() else { return };
        block.all += 1;
        block.idle += u32::from(idle);
        if let Some((since, weight)) = told {
            block.weight += weight;
            block.time += weight * since;
            block.periods += weight * self.count as f64;
            if idle {
                block.alone.0 += since;
                block.alone.1 += self.count as f64;
            }
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
                        last.weight += block.weight;
                        last.time += block.time;
                        last.periods += block.periods;
                        last.alone.0 += block.alone.0;
                        last.alone.1 += block.alone.1;
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
            weight: 0.0,
            start: self.start,
            time: 0.0,
            periods: 0.0,
            alone: (0.0, 0.0),
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

/// Mean and variance of a normal deviate about zero that lies between two limits, given what its
/// standard deviation would be without them.
#[inline]
fn between(low: f64, high: f64, deviation: f64) -> (f64, f64) {
    /// Further out the nearer limit is all there is.
    const FAR: f64 = 3.5;
    /// Limits further apart than this to both sides tell next to nothing.
    const WIDE: f64 = 2.75;
    let (a, b) = (low / deviation, high / deviation);
    if a > FAR {
        return (low, 0.0);
    }
    if b < -FAR {
        return (high, 0.0);
    }
    if a < -WIDE && b > WIDE {
        return (0.0, deviation * deviation);
    }
    let (at_a, at_b) = (density(a), density(b));
    let share = below(b, at_b) - below(a, at_a);
    if share < 1e-4 {
        return (if a > 0.0 { low } else { high }, 0.0);
    }
    let mean = (at_a - at_b) / share;
    let variance = 1.0 + (a * at_a - b * at_b) / share - mean * mean;
    (mean * deviation, variance.clamp(0.0, 1.0) * deviation * deviation)
}

/// Density of the standard normal distribution.
fn density(x: f64) -> f64 {
    (-0.5 * x * x).exp() / std::f64::consts::TAU.sqrt()
}

/// Its share below `x`, where it has such a density, to 1e-5 (Abramowitz and Stegun 1964, 26.2.16).
fn below(x: f64, density: f64) -> f64 {
    let t = 1.0 / (1.0 + 0.33267 * x.abs());
    let tail = density * t * (0.436_183_6 + t * (-0.120_167_6 + t * 0.937_298));
    if x > 0.0 { 1.0 - tail } else { tail }
}

#[cfg(test)]
mod tests {
    use super::*;

    const IDLE: Idle = Idle { since: 0, bit: 2000.0, slack: 60_000.0 };

    fn alone(start: Nanoseconds) -> Begun {
        Begun { start, behind: None, idle: true, ready: None }
    }

    /// Half an hour of 10 ms; every 97th frame waits 6 ms for another. No frame that waits begins
    /// anew, and memory is bounded.
    #[test]
    fn late_frames_are_no_restarts() {
        let waits = |step: i64| step % 97 == 0;
        let times: Vec<Nanoseconds> = (1..180_000)
            .map(|step| step * 10_001_000 + if waits(step) { 6_000_000 } else { 0 })
            .collect();
        let mut clock = IdleClock::default();
        clock.push(&times, IDLE, |at| {
            let waited = waits(at as i64 + 1);
            let ready = waited.then_some(times[at] - 6_000_000);
            Some(Begun { start: times[at], behind: None, idle: !waited, ready })
        });
        assert_eq!(clock.segment, 0);
        assert!(clock.blocks.len() <= MOST_BLOCKS);
        let (period, _) = clock.best.unwrap();
        assert!((period / 10_001_000.0 - 1.0).abs() < 1e-7, "{period}");
    }

    /// A sender that is silent for a second every twenty frames begins anew each time.
    #[test]
    fn many_segments() {
        let mut clock = IdleClock::default();
        for segment in 0..20_000_i64 {
            let times: Vec<Nanoseconds> =
                (1..21).map(|step| segment * 1_000_000_000 + step * 10_000_000).collect();
            clock.push(&times, IDLE, |at| Some(alone(times[at])));
        }
        assert!(clock.segment > 10_000 && clock.blocks.len() <= MOST_BLOCKS);
    }

    /// A tenth of a second, scattered by 0.1 ms; another's frame of 0.24 ms slides over its
    /// instants from before to behind them, and what is ready meanwhile waits for its end. Those
    /// that did not wait lie up to 0.08 ms beside the clock.
    #[test]
    fn a_frame_that_slides_over_it_is_no_drift() {
        let mut noise = 1_u32;
        let mut even = || {
            noise = noise.wrapping_mul(1_664_525).wrapping_add(1_013_904_223);
            f64::from(noise >> 8) / f64::from(1 << 24) - 0.5
        };
        let frames: Vec<(Nanoseconds, Begun)> = (1..6000)
            .map(|step| {
                let normal = (0..12).map(|_| even()).sum::<f64>() * 100_000.0;
                let ready = step * 100_000_000 + normal as i64;
                let other = step * 100_000_000 - 600_000 + step * 160;
                let waits = (other..other + 240_000).contains(&ready);
                let start = if waits { other + 240_000 } else { ready };
                let ready = waits.then_some(other);
                (start, Begun { start, behind: None, idle: !waits, ready })
            })
            .collect();
        let times: Vec<Nanoseconds> = frames.iter().map(|(time, _)| *time).collect();
        let mut clock = IdleClock::default();
        clock.push(&times, IDLE, |at| Some(frames[at].1));
        let parts: Vec<f64> = clock
            .blocks()
            .chunks(12)
            .map(|part| {
                let sum = |of: fn(&IdleBlock) -> f64| part.iter().map(of).sum::<f64>();
                (sum(|block| block.time) - sum(|block| block.periods) * 1e8) / sum(|own| own.weight)
            })
            .collect();
        let (least, most) = parts.iter().fold((f64::MAX, f64::MIN), |(least, most), offset| {
            (least.min(*offset), most.max(*offset))
        });
        assert!(most - least < 40_000.0, "{parts:?}");
    }

    /// Against tables of the normal distribution.
    #[test]
    fn a_deviate_between_two_limits() {
        let near = |(mean, variance): (f64, f64), wanted: (f64, f64)| {
            (mean - wanted.0).abs() < 1e-3 && (variance - wanted.1).abs() < 1e-3
        };
        assert!(near(between(0.0, 9.0, 1.0), (0.7979, 0.3634)));
        assert!(near(between(-1.0, 1.0, 1.0), (0.0, 0.2911)));
        assert!(near(between(-9.0, 9.0, 1.0), (0.0, 1.0)));
        assert!(near(between(8.0, 9.0, 2.0), (8.0, 0.0)));
    }
}
