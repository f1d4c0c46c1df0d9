//! How fast the clock behind a periodic identifier runs, from the instants at which it is heard.
//!
//! Each instant is counted from the one before it by time, never by the number of frames, so lost
//! frames do no harm; after a silence or a jump of phase, where the sender may have started anew, a
//! new segment begins. Instants are averaged in blocks, so memory is bounded, and the rate is the
//! common slope of all segments with a standard error that allows for noise which is not
//! independent from block to block. After: Cho and Shin, USENIX Security 2016 (clock skew as
//! accumulated offset), with least squares over blocks in place of the recursive form.

use super::Nanoseconds;
use crate::ids::Map;

/// Instants from which the first estimate of the period is drawn.
const LEARN: usize = 17;
/// Most blocks kept; beyond that neighbours are joined.
const MOST_BLOCKS: usize = 256;
/// A silence of more periods than this begins a new segment.
const CONTINUES: f64 = 5.0;
/// Furthest, in periods, that an instant of the same segment may be off.
const OFF: f64 = 0.35;
/// Periods, a power of two, after which the best estimate of the period is drawn anew.
const ESTIMATE: i64 = 16;
/// First width of a block.
const WIDTH: i64 = 1_000_000_000;

/// The rate of a clock.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Rate {
    /// Period in seconds.
    pub period: f64,
    /// Standard error of the period, relative to it.
    pub error: f64,
    /// Seconds between the first and the last instant used.
    pub span: f64,
}

/// Accumulates the instants of one identifier.
#[derive(Clone, Debug, Default)]
pub struct Clock {
    first: Vec<Nanoseconds>,
    /// Reference period in nanoseconds, once learned.
    reference: Option<f64>,
    segment: Segment,
    segments: u32,
    blocks: Vec<Block>,
    width: i64,
}

#[derive(Clone, Copy, Debug, Default)]
struct Segment {
    start: Nanoseconds,
    last: Nanoseconds,
    /// Periods from `start` to `last`.
    count: i64,
    /// Estimate of the period in nanoseconds.
    period: f64,
    /// Gaps that are one period, in nanoseconds.
    one: (i64, i64),
}

impl Segment {
    fn begin(time: Nanoseconds) -> Self {
        Segment { start: time, last: time, ..Segment::default() }
    }
}

/// Mean of the instants of one segment that fall into one stretch of time.
#[derive(Clone, Copy, Debug)]
struct Block {
    number: i64,
    segment: u32,
    count: f64,
    /// Sums of the time since the segment began, and of what the reference period leaves over, in
    /// nanoseconds.
    time: f64,
    rest: f64,
}

impl Block {
    /// Adds an instant: the time since the segment began, and what the reference period makes of
    /// the periods since then.
    #[inline]
    fn add(&mut self, since: f64, counted: f64) {
        self.count += 1.0;
        self.time += since;
        self.rest += since - counted;
    }
}

impl Clock {
    /// Takes the next time stamps, none before the one before it.
    pub fn push(&mut self, times: &[Nanoseconds]) {
        let mut rest = times;
        while let [time, others @ ..] = rest {
            let regular = self.track_regular(rest);
            if regular > 0 {
                rest = &rest[regular..];
                continue;
            }
            match self.reference {
                Some(_) => self.track(*time),
                None => self.begin(*time),
            }
            rest = others;
        }
    }

    /// Takes instants as long as each comes a period after the one before, up to the end of the
    /// block or the next estimate: nearly all of them do. How many.
    #[inline]
    fn track_regular(&mut self, times: &[Nanoseconds]) -> usize {
        let (Some(reference), Some(block)) = (self.reference, self.blocks.last_mut()) else {
            return 0;
        };
        if block.segment != self.segments {
            return 0;
        }
        let Segment { start, mut last, count: before, one, .. } = self.segment;
        // Of blocks so far away that this overflows, each instant is looked at by itself.
        let Some(end) = block.number.checked_add(1).and_then(|next| next.checked_mul(self.width))
        else {
            return 0;
        };
        let most = (ESTIMATE - before % ESTIMATE) as usize;
        let (mut sums, mut counted) = (*block, before as f64);
        let mut taken = 0;
        for time in &times[..most.min(times.len())] {
            let gap = time - last;
            if gap <= one.0 || gap >= one.1 || *time >= end {
                break;
            }
            last = *time;
            counted += 1.0;
            sums.add((time - start) as f64, counted * reference);
            taken += 1;
        }
        *block = sums;
        self.segment.last = last;
        self.segment.count += taken as i64;
        if taken == most {
            self.estimate();
        }
        taken
    }

    #[cold]
    fn begin(&mut self, time: Nanoseconds) {
        self.first.push(time);
        if self.first.len() == LEARN {
            self.learn();
        }
    }

    fn learn(&mut self) {
        let first = std::mem::take(&mut self.first);
        let mut gaps: Vec<i64> = first.windows(2).map(|pair| pair[1] - pair[0]).collect();
        gaps.sort_unstable();
        let median = gaps[gaps.len() / 2];
        if median <= 0 {
            // Several frames with one stamp: wait for better ones.
            return;
        }
        // The mean of the gaps near the median is better than the median alone.
        let near: Vec<i64> =
            gaps.into_iter().filter(|gap| *gap > median / 2 && *gap < median * 3 / 2).collect();
        self.reference = Some(near.iter().sum::<i64>() as f64 / near.len() as f64);
        // Widths are doubles of each other, so that blocks of different identifiers fit together.
        self.width = WIDTH;
        while self.width < median.saturating_mul(4) && self.width < i64::MAX / 4 {
            self.width *= 2;
        }
        self.segment = Segment::begin(first[0]);
        self.estimate();
        self.note(first[0]);
        first[1..].iter().for_each(|time| self.track(*time));
    }

    /// Makes the best present estimate of the period; done anew every [`ESTIMATE`] periods.
    fn estimate(&mut self) {
        let Segment { start, last, count, .. } = self.segment;
        let period = if count >= 50 {
            (last - start) as f64 / count as f64
        } else {
            self.reference.unwrap_or(f64::INFINITY)
        };
        self.segment.period = period;
        self.segment.one = ((period * (1.0 - OFF)) as i64, (period * (1.0 + OFF)) as i64);
    }

    /// The next instant of the segment, so many whole periods later.
    #[inline]
    fn step(&mut self, time: Nanoseconds, periods: i64) {
        let before = self.segment.count;
        self.segment.last = time;
        self.segment.count += periods;
        if (before ^ self.segment.count) >= ESTIMATE {
            self.estimate();
        }
    }

    /// Takes an instant as it comes; [`Clock::track_regular`] takes those that come one after
    /// another.
    #[inline(never)]
    fn track(&mut self, time: Nanoseconds) {
        let periods = (time - self.segment.last) as f64 / self.segment.period;
        let whole = periods.round();
        if whole < 1.0 {
            // A second frame of the same period tells nothing of the clock.
            return;
        }
        // After a longer silence the sender may have started anew, in another phase.
        if whole > CONTINUES || (periods - whole).abs() > OFF {
            self.segments += 1;
            self.segment = Segment::begin(time);
            self.estimate();
        } else {
            self.step(time, whole as i64);
        }
        self.note(time);
    }

    #[inline]
    fn note(&mut self, time: Nanoseconds) {
        let Some(reference) = self.reference else { return };
        let since = (time - self.segment.start) as f64;
        let counted = self.segment.count as f64 * reference;
        // Most instants fall into the block of the one before.
        match self.blocks.last_mut() {
            Some(block)
                if (0..self.width)
                    .contains(&time.wrapping_sub(block.number.wrapping_mul(self.width)))
                    && block.segment == self.segments =>
            {
                block.add(since, counted);
            }
            _ => self.open(time, since, since - counted),
        }
    }

    /// Begins a block.
    #[cold]
    fn open(&mut self, time: Nanoseconds, since: f64, rest: f64) {
        if self.blocks.len() == MOST_BLOCKS {
            self.join();
        }
        let number = time.div_euclid(self.width);
        self.blocks.push(Block { number, segment: self.segments, count: 1.0, time: since, rest });
    }

    fn join(&mut self) {
        // Where nearly every block is a segment of its own, wider ones would not be fewer: the
        // oldest half goes instead.
        let mergeable =
            self.blocks.windows(2).filter(|pair| pair[0].segment == pair[1].segment).count();
        if mergeable < MOST_BLOCKS / 4 || self.width > i64::MAX / 4 {
            self.blocks.drain(..MOST_BLOCKS / 2);
            return;
        }
        self.width *= 2;
        let mut joined: Vec<Block> = Vec::with_capacity(MOST_BLOCKS);
        for mut block in self.blocks.drain(..) {
            block.number = block.number.div_euclid(2);
            match joined.last_mut() {
                Some(last) if last.number == block.number && last.segment == block.segment => {
                    last.count += block.count;
                    last.time += block.time;
                    last.rest += block.rest;
                }
                _ => joined.push(block),
            }
        }
        // Many short segments: the oldest half goes, so that there is room.
        if joined.len() > MOST_BLOCKS / 2 {
            joined.drain(..joined.len() - MOST_BLOCKS / 2);
        }
        self.blocks = joined;
    }

    /// The rate on its own; `None` with too few blocks to tell its error.
    pub fn rate(&self) -> Option<Rate> {
        self.fit(&Wander::default()).map(|(rate, _)| rate)
    }

    /// Width of its blocks in nanoseconds: a second, doubled as often as needed.
    pub(super) fn width(&self) -> i64 {
        self.width.max(WIDTH)
    }

    /// Its blocks with their mean offset against a nominal period in nanoseconds.
    pub(super) fn mean_blocks(&self, nominal: f64) -> impl Iterator<Item = MeanBlock> + '_ {
        let reference = self.reference.unwrap_or(nominal);
        self.blocks.iter().map(move |block| {
            let (time, rest) = (block.time / block.count, block.rest / block.count);
            // Periods counted since the segment began, at the nominal period instead of the
            // reference.
            let offset = rest + (time - rest) / reference * (reference - nominal);
            MeanBlock {
                start: block.number * self.width,
                segment: block.segment,
                count: block.count,
                offset,
            }
        })
    }

    /// Fits the blocks after taking off what wanders in common; also what the fit leaves over, in
    /// nanoseconds, by block.
    fn fit(&self, common: &Wander) -> Option<(Rate, Vec<f64>)> {
        let reference = self.reference?;
        // Time and rest of each block against the weighted means of its segment; short segments
        // have no weight.
        let mut points: Vec<(f64, f64, f64)> = Vec::with_capacity(self.blocks.len());
        let (mut segments, mut used, mut span) = (0, 0, 0.0);
        for group in self.blocks.chunk_by(|a, b| a.segment == b.segment) {
            let own = points.len();
            let rest =
                |block: &Block| block.rest / block.count - common.at(block.number * self.width);
            points.extend(
                group.iter().map(|block| (block.time / block.count, rest(block), block.count)),
            );
            let own = &mut points[own..];
            let weight: f64 = group.iter().map(|block| block.count).sum();
            let time = group.iter().map(|block| block.time).sum::<f64>() / weight;
            let mean = own.iter().map(|(_, rest, count)| rest * count).sum::<f64>() / weight;
            let counts = group.len() >= 3;
            if counts {
                span += own[own.len() - 1].0 - own[0].0;
                segments += 1;
                used += group.len();
            }
            for (own_time, rest, weight) in own {
                *own_time -= time;
                *rest -= mean;
                *weight = if counts { *weight } else { 0.0 };
            }
        }
        let freedom = used as f64 - f64::from(segments) - 1.0;
        if freedom < 4.0 {
            return None;
        }
        let spread: f64 = points.iter().map(|(time, _, weight)| weight * time * time).sum();
        let slope =
            points.iter().map(|(time, rest, weight)| weight * time * rest).sum::<f64>() / spread;
        let left: Vec<f64> = points
            .iter()
            .map(|(time, rest, weight)| if *weight > 0.0 { rest - slope * time } else { 0.0 })
            .collect();
        let variance =
            left.iter().zip(&points).map(|(left, (.., weight))| weight * left * left).sum::<f64>()
                / freedom;
        let products = left.windows(2).map(|pair| pair[0] * pair[1]).sum();
        let correlation = correlation(products, left.iter().map(|left| left * left).sum());
        let inflation = (1.0 + correlation) / (1.0 - correlation);
        // rest = time * (1 - reference / period)
        let period = reference / (1.0 - slope);
        Some((
            Rate {
                period: period / 1e9,
                error: (variance / spread * inflation).sqrt(),
                span: span / 1e9,
            },
            left,
        ))
    }
}

/// A block as others see it.
pub(super) struct MeanBlock {
    /// When its stretch of time begins.
    pub start: Nanoseconds,
    /// Number of the segment.
    pub segment: u32,
    /// Instants in it.
    pub count: f64,
    /// Nanoseconds that its instants lie behind the nominal period since the segment began.
    pub offset: f64,
}

/// What the instants of all identifiers of a channel wander in common, by stretch of time: mostly
/// the logger's own clock.
#[derive(Debug, Default)]
struct Wander {
    width: i64,
    cells: Map<i64, f64>,
}

impl Wander {
    fn at(&self, time: i64) -> f64 {
        if self.width == 0 {
            0.0
        } else {
            self.cells.get(&time.div_euclid(self.width)).copied().unwrap_or(0.0)
        }
    }
}

/// Fewest identifiers from which a common wander is drawn.
const COMMON: usize = 6;

/// The rates of identifiers of one channel. What all instants wander in common is the logger's
/// clock, not theirs: it is taken off, which leaves the differences between clocks as they are and
/// makes them far more certain.
pub fn rates(clocks: &[&Clock]) -> Vec<Option<Rate>> {
    let alone: Vec<_> = clocks.iter().map(|clock| clock.fit(&Wander::default())).collect();
    let usable = alone.iter().flatten().count();
    if usable < COMMON {
        return alone.into_iter().map(|fit| fit.map(|(rate, _)| rate)).collect();
    }
    let width = clocks
        .iter()
        .zip(&alone)
        .filter(|(_, fit)| fit.is_some())
        .map(|(clock, _)| clock.width)
        .max()
        .unwrap_or(WIDTH);
    let mut cells: Map<i64, Vec<f64>> = Map::default();
    for (clock, fit) in clocks.iter().zip(&alone) {
        let Some((_, left)) = fit else { continue };
        for (block, left) in clock.blocks.iter().zip(left) {
            cells.entry((block.number * clock.width).div_euclid(width)).or_default().push(*left);
        }
    }
    // The median: one node's own wander must not pull the rest.
    let median = |mut list: Vec<f64>| {
        let middle = list.len() / 2;
        if list.len() < COMMON {
            0.0
        } else {
            *list.select_nth_unstable_by(middle, f64::total_cmp).1
        }
    };
    let common = Wander {
        width,
        cells: cells.into_iter().map(|(cell, list)| (cell, median(list))).collect(),
    };
    clocks.iter().map(|clock| clock.fit(&common).map(|(rate, _)| rate)).collect()
}

/// Correlation of each residual with the next, from 0 to 0.9, given the sums of their products and
/// of their squares: noise that wanders makes the slope less certain than it looks.
pub(super) fn correlation(products: f64, squares: f64) -> f64 {
    if squares > 0.0 { (products / squares).clamp(0.0, 0.9) } else { 0.0 }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// A sender that is cut off again and again makes thousands of segments; the width of blocks
    /// must not run away with them.
    #[test]
    fn many_segments() {
        let mut clock = Clock::default();
        for segment in 0..20_000_i64 {
            (0..20).for_each(|step| clock.push(&[segment * 1_000_000_000 + step * 10_000_000]));
        }
        assert!(clock.blocks.len() <= MOST_BLOCKS && clock.width < 1_000 * WIDTH);
    }

    /// A clock of 10 ms that runs 100 ppm slow, with 0.2 ms of jitter, losses and a restart.
    #[test]
    fn the_rate_survives_losses_and_restarts() {
        let mut clock = Clock::default();
        let mut noise = 1u32;
        for step in 0..30_000i64 {
            noise = noise.wrapping_mul(1_664_525).wrapping_add(1_013_904_223);
            let jitter = i64::from(noise >> 12) * 400_000 / (1 << 20) - 200_000;
            let lost = noise.is_multiple_of(7) || (5000..5100).contains(&step);
            let restart = if step > 15_000 { 3_721_000_000 } else { 0 };
            if !lost {
                clock.push(&[1_700_000_000_000_000_000 + step * 10_001_000 + jitter + restart]);
            }
        }
        let rate = clock.rate().unwrap();
        let ppm = (rate.period / 0.01 - 1.0) * 1e6;
        assert!(
            (ppm - 100.0).abs() < 4.0 * rate.error * 1e6 && rate.error < 0.1e-6,
            "{ppm} ± {}",
            rate.error * 1e6
        );
        assert!(clock.blocks.len() <= MOST_BLOCKS);
    }
}
