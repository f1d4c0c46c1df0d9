//! The clock behind a periodic identifier, followed by the time stamps of its frames; what it says
//! of the period is worked out by `clock_rate`.
//!
//! Each stamp is counted from the one before it by time, never by the number of frames, so lost
//! frames do no harm; after a silence or a jump of phase, where the sender may have started anew, a
//! new segment begins. Stamps are averaged in blocks, so memory is bounded. What is drawn from
//! clocks: docs/roster.md.

use super::Nanoseconds;

/// Time stamps from which the first estimate of the period is drawn.
pub(super) const LEARN: usize = 17;
/// Most blocks kept; beyond that neighbours are joined.
pub(super) const MOST_BLOCKS: usize = 256;
/// A silence of more periods than this begins a new segment.
const CONTINUES: f64 = 5.0;
/// Furthest, in periods, that a stamp of the same segment may be off.
const OFF: f64 = 0.35;
/// Furthest, in nanoseconds, that the first stamp after missed periods may be off: far beyond what
/// waiting for the bus costs. A node that was without power begins in any phase, and for a slow
/// identifier [`OFF`] would take most of them for the old one.
const OFF_AFTER_MISSED: f64 = 5e6;
/// Periods, a power of two, after which the best estimate of the period is drawn anew.
const ESTIMATE: i64 = 16;
/// First width of a block.
pub(super) const WIDTH: i64 = 1_000_000_000;

/// What the first [`LEARN`] time stamps of an identifier tell, in nanoseconds.
pub(super) struct FirstLook {
    /// Gap in the middle.
    pub median: i64,
    /// First estimate of the period.
    pub period: f64,
    /// First width of a block.
    pub width: i64,
}

impl FirstLook {
    /// `None` where several frames have one stamp: wait for better ones.
    pub fn of(times: &[Nanoseconds]) -> Option<Self> {
        let mut gaps: Vec<i64> = times.windows(2).map(|pair| pair[1] - pair[0]).collect();
        gaps.sort_unstable();
        let median = gaps[gaps.len() / 2];
        if median <= 0 {
            return None;
        }
        // The mean of the gaps near the median is better than the median alone.
        let near: Vec<i64> =
            gaps.into_iter().filter(|gap| *gap > median / 2 && *gap < median * 3 / 2).collect();
        let period = near.iter().sum::<i64>() as f64 / near.len() as f64;
        // Widths are doubles of each other, so that blocks of different identifiers fit together.
        let mut width = WIDTH;
        while width < median.saturating_mul(4) && width < i64::MAX / 4 {
            width *= 2;
        }
        Some(FirstLook { median, period, width })
    }
}

/// Accumulates the time stamps of one identifier.
#[derive(Clone, Debug, Default)]
pub struct Clock {
    first: Vec<Nanoseconds>,
    /// Reference period in nanoseconds, once learned.
    pub(super) reference: Option<f64>,
    /// The last of the stamps from which that was learned.
    learned: Nanoseconds,
    segment: Segment,
    segments: u32,
    pub(super) blocks: Vec<Block>,
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
    /// It began after a silence, and not by a jump of phase.
    after_silence: bool,
}

impl Segment {
    fn begin(time: Nanoseconds, after_silence: bool) -> Self {
        Segment { start: time, last: time, after_silence, ..Segment::default() }
    }
}

/// The stamps of one segment that fall into one stretch of time.
#[derive(Clone, Copy, Debug)]
pub(super) struct Block {
    pub number: i64,
    pub segment: u32,
    /// When its segment began, and whether that was after a silence.
    pub start: Nanoseconds,
    pub after_silence: bool,
    /// How many stamps.
    pub count: f64,
    /// Sums of the time since the segment began, and of what the reference period leaves over, in
    /// nanoseconds.
    pub time: f64,
    pub rest: f64,
}

impl Block {
    /// Adds a stamp: the time since the segment began, and what the reference period makes of
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

    /// Takes stamps as long as each comes a period after the one before, up to the end of the
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
        // Of blocks so far away that this overflows, each stamp is looked at by itself.
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

    /// Since when it has a first estimate of the period, and that, in nanoseconds.
    pub(super) fn learned(&self) -> Option<(Nanoseconds, f64)> {
        Some((self.learned, self.reference?))
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
        let Some(look) = FirstLook::of(&first) else { return };
        self.reference = Some(look.period);
        self.learned = first[LEARN - 1];
        self.width = look.width;
        self.segment = Segment::begin(first[0], false);
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

    /// The next stamp of the segment, so many whole periods later.
    #[inline]
    fn step(&mut self, time: Nanoseconds, periods: i64) {
        let before = self.segment.count;
        self.segment.last = time;
        self.segment.count += periods;
        if (before ^ self.segment.count) >= ESTIMATE {
            self.estimate();
        }
    }

    /// Takes a stamp as it comes; [`Clock::track_regular`] takes those that come one after another.
    #[inline(never)]
    fn track(&mut self, time: Nanoseconds) {
        let periods = (time - self.segment.last) as f64 / self.segment.period;
        let whole = periods.round();
        if whole < 1.0 {
            // A second frame of the same period tells nothing of the clock.
            return;
        }
        let off = (periods - whole).abs();
        let jumped = whole > 1.0 && off * self.segment.period > OFF_AFTER_MISSED;
        // After a longer silence the sender may have started anew, in another phase.
        if whole > CONTINUES || off > OFF || jumped {
            self.segments += 1;
            self.segment = Segment::begin(time, whole > CONTINUES);
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
        // Most stamps fall into the block of the one before.
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
        let Segment { start, after_silence, .. } = self.segment;
        self.blocks.push(Block {
            number,
            segment: self.segments,
            start,
            after_silence,
            count: 1.0,
            time: since,
            rest,
        });
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

    /// Width of its blocks in nanoseconds: a second, doubled as often as needed.
    pub fn width(&self) -> i64 {
        self.width.max(WIDTH)
    }

    /// Its blocks with their mean offset against a nominal period in nanoseconds.
    pub fn mean_blocks(&self, nominal: f64) -> impl Iterator<Item = MeanBlock> + '_ {
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
}

/// A block as others see it.
#[derive(Clone, Copy, Debug)]
pub struct MeanBlock {
    /// When its stretch of time begins.
    pub start: Nanoseconds,
    /// Number of the segment.
    pub segment: u32,
    /// Stamps in it.
    pub count: f64,
    /// Nanoseconds that its stamps lie behind the nominal period since the segment began.
    pub offset: f64,
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Half an hour of seconds, each with a block of its own, does not stay so.
    #[test]
    fn many_blocks() {
        let mut clock = Clock::default();
        (0..180_000_i64).for_each(|step| clock.push(&[step * 10_000_000]));
        assert!(clock.blocks.len() <= MOST_BLOCKS);
    }

    /// A slow sender loses power for three of its periods and begins in another phase, near enough
    /// to the old one to be taken for it.
    #[test]
    fn a_new_phase_after_missed_periods_is_a_new_segment() {
        let mut clock = Clock::default();
        for step in 0..200_i64 {
            let restart = if step < 100 { 0 } else { 1_620_000_000 };
            clock.push(&[step * 500_000_000 + restart]);
        }
        let rate = clock.rate().unwrap();
        assert!((rate.period / 0.5 - 1.0).abs() < 1e-9, "{rate:?}");
    }

    /// A sender that is cut off again and again makes thousands of segments; the width of blocks
    /// must not run away with them.
    #[test]
    fn many_segments() {
        let mut clock = Clock::default();
        for segment in 0..20_000_i64 {
            (0..20).for_each(|step| clock.push(&[segment * 1_000_000_000 + step * 10_000_000]));
        }
        assert!(clock.blocks.len() <= MOST_BLOCKS && clock.width() < 1_000 * WIDTH);
    }
}
