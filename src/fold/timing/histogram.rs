//! Gaps between frames, in bins of 3 % width, with the sums in each bin so that means and
//! deviations are exact. Why bins are numbered by the bits of a floating-point number:
//! docs/performance.md.

/// A distribution of gaps from 1 ns to centuries. The bins around the usual gap lie side by side,
/// the others are kept sparse.
#[derive(Clone, Debug, Default)]
pub struct Gaps {
    /// Bins from number `begin` on; none before the usual gap is known.
    window: Vec<Bin>,
    begin: u16,
    /// The others with their numbers, in order.
    others: Vec<(u16, Bin)>,
    count: u64,
}

#[derive(Clone, Copy, Debug, Default)]
struct Bin {
    count: u64,
    /// Sum of its gaps in nanoseconds.
    sum: u64,
    /// Sum of their squares.
    squares: f64,
}

impl Bin {
    #[inline]
    fn add(&mut self, gap: i64) {
        self.count += 1;
        // Gaps follow each other, and the time stamps of a capture span fewer than 2^64
        // nanoseconds.
        self.sum = self.sum.wrapping_add(gap as u64);
        self.squares += (gap as f64).powi(2);
    }

    /// In seconds.
    fn mean(&self) -> f64 {
        self.sum as f64 / self.count as f64 / 1e9
    }
}

/// Bins of a window: two doublings, in which a periodic identifier stays.
const WIDTH: usize = 64;
/// Gaps after which the window is placed.
const PLACED_AFTER: u64 = 5;
/// Bins in all: one for no gap at all, and 32 for each doubling up to 2^63 ns.
const ALL: usize = 1 << 11;

/// A floating-point number (IEEE 754, binary64) begins with its exponent, so what comes before the
/// last 47 bits numbers bins that each doubling is cut into 32 of. One nanosecond has number 1.
const REST: u32 = 47;
const BEFORE_FIRST: u64 = (1.0_f64.to_bits() >> REST) - 1;

/// The number of the bin of a gap that is not below zero.
#[inline]
fn number(gap: i64) -> u16 {
    ((gap as f64).to_bits() >> REST).saturating_sub(BEFORE_FIRST) as u16
}

/// Lower edge of a bin in seconds.
fn edge(number: u16) -> f64 {
    if number == 0 { 0.0 } else { f64::from_bits((u64::from(number) + BEFORE_FIRST) << REST) / 1e9 }
}

impl Gaps {
    #[inline]
    fn push_one(&mut self, gap: i64) {
        self.count += 1;
        let gap = gap.max(0);
        let number = number(gap);
        match self.window.get_mut(usize::from(number.wrapping_sub(self.begin))) {
            Some(bin) => bin.add(gap),
            None => self.push_unusual(number, gap),
        }
    }

    /// Adds the gaps between time stamps in nanoseconds that follow each other, none before the one
    /// before it; also from the one before them, where there is one.
    pub fn push(&mut self, before: Option<i64>, times: &[i64]) {
        let mut rest = times.iter();
        let Some(mut before) = before.or_else(|| rest.next().copied()) else { return };
        // The window is placed after a few.
        while self.window.is_empty() {
            let Some(time) = rest.next() else { return };
            self.push_one(time - before);
            before = *time;
        }
        let first = BEFORE_FIRST + u64::from(self.begin);
        let mut rest = rest.as_slice();
        while !rest.is_empty() {
            let window = self.window.as_mut_slice();
            let mut taken = 0;
            for time in rest {
                let gap = time - before;
                // As `number`, counted from the first bin of the window.
                let at = ((gap as f64).to_bits() >> REST).wrapping_sub(first);
                let Some(bin) = window.get_mut(at as usize) else { break };
                bin.add(gap);
                before = *time;
                taken += 1;
            }
            self.count += taken as u64;
            rest = &rest[taken..];
            if let [unusual, others @ ..] = rest {
                self.push_one(unusual - before);
                before = *unusual;
                rest = others;
            }
        }
    }

    #[cold]
    fn push_unusual(&mut self, number: u16, gap: i64) {
        let at = match self.others.binary_search_by_key(&number, |(number, _)| *number) {
            Ok(at) => at,
            Err(at) => {
                self.others.insert(at, (number, Bin::default()));
                at
            }
        };
        self.others[at].1.add(gap);
        if self.window.is_empty() && self.count == PLACED_AFTER {
            self.place();
        }
    }

    /// Places the window around the median of what there is.
    fn place(&mut self) {
        let mut below = 0;
        let median = self.others.iter().find(|(_, bin)| {
            below += bin.count;
            below * 2 > self.count
        });
        self.begin = median.map_or(0, |(number, _)| number.saturating_sub(WIDTH as u16 / 2));
        self.window = vec![Bin::default(); WIDTH];
        let (begin, window) = (self.begin, &mut self.window);
        self.others.retain(|(number, bin)| {
            match number.checked_sub(begin).and_then(|at| window.get_mut(usize::from(at))) {
                Some(place) => {
                    *place = *bin;
                    false
                }
                None => true,
            }
        });
    }

    /// All bins that hold something, with their numbers, in order.
    fn bins(&self) -> impl Iterator<Item = (u16, Bin)> + '_ {
        let (below, above) =
            self.others.split_at(self.others.partition_point(|(number, _)| *number < self.begin));
        let window = self.window.iter().enumerate().map(|(at, bin)| (self.begin + at as u16, *bin));
        below
            .iter()
            .copied()
            .chain(window.filter(|(_, bin)| bin.count > 0))
            .chain(above.iter().copied())
    }

    /// How many gaps.
    pub fn count(&self) -> u64 {
        self.count
    }

    /// The gap, in seconds, below which the share `q` (0 to 1) of all gaps lies; straight between
    /// the edges of a bin.
    pub fn quantile(&self, q: f64) -> Option<f64> {
        quantile(self.bins().map(|(number, bin)| (number, bin.count)), self.count, q, 0)
    }

    /// How many gaps lie in bins whose mean is from `low` to `high` seconds.
    pub fn count_between(&self, low: f64, high: f64) -> u64 {
        self.between(low, high).map(|bin| bin.count).sum()
    }

    /// Mean and standard deviation of the gaps in bins whose mean is from `low` to `high` seconds.
    pub fn moments(&self, low: f64, high: f64) -> Option<(f64, f64)> {
        let count = self.count_between(low, high);
        if count == 0 {
            return None;
        }
        let total: u64 = self.between(low, high).map(|bin| bin.sum).sum();
        let mean = total as f64 / count as f64;
        let squares: f64 = self.between(low, high).map(|bin| bin.squares).sum();
        let variance = squares / count as f64 - mean * mean;
        // What lies below the precision of the squares is no jitter.
        let variance = if variance > mean * mean * 1e-12 { variance } else { 0.0 };
        Some((mean / 1e9, variance.sqrt() / 1e9))
    }

    fn between(&self, low: f64, high: f64) -> impl Iterator<Item = Bin> + '_ {
        self.bins().map(|(_, bin)| bin).filter(move |bin| bin.mean() >= low && bin.mean() <= high)
    }
}

/// A distribution of the longer of many gaps, of which only their number is kept.
#[derive(Clone, Debug)]
pub struct GapCounts {
    bins: Vec<u64>,
}

impl Default for GapCounts {
    fn default() -> Self {
        GapCounts { bins: vec![0; ALL] }
    }
}

impl GapCounts {
    /// Adds a gap in nanoseconds.
    pub fn push(&mut self, gap: i64) {
        if let Some(count) = self.bins.get_mut(usize::from(number(gap.max(0)))) {
            *count += 1;
        }
    }

    /// As [`Gaps::quantile`], of `all` gaps, of which those that were not added are shorter than
    /// those that were, and count as nothing.
    pub fn quantile(&self, q: f64, all: u64) -> Option<f64> {
        let shorter = all - self.bins.iter().sum::<u64>();
        let bins = self.bins.iter().enumerate().map(|(number, count)| (number as u16, *count));
        quantile(bins.filter(|(_, count)| *count > 0), all, q, shorter)
    }
}

/// The quantile `q` of the gaps in these bins, which are given in order with their numbers and how
/// many gaps each holds. `all` counts the `shorter` ones too, which lie below all bins and count as
/// gaps of no length.
fn quantile(bins: impl Iterator<Item = (u16, u64)>, all: u64, q: f64, shorter: u64) -> Option<f64> {
    let wanted = q.clamp(0.0, 1.0) * all as f64;
    let mut below = shorter as f64;
    if shorter > 0 && below >= wanted {
        return Some(0.0);
    }
    for (number, count) in bins {
        let count = count as f64;
        if below + count >= wanted {
            let (low, high) = (edge(number), edge(number + 1));
            return Some(low + (high - low) * ((wanted - below) / count).clamp(0.0, 1.0));
        }
        below += count;
    }
    None
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn bins_are_ordered_and_hold_their_edges() {
        let mut before = None;
        for microseconds in
            [0, 1, 31, 32, 33, 63, 64, 65, 1000, 19_999, 20_000, 1_000_000, 90_000_000_000]
        {
            let bin = number(microseconds * 1000);
            assert!(before <= Some(bin));
            before = Some(bin);
            let gap = microseconds as f64 * 1e-6;
            assert!(edge(bin) <= gap + 1e-12 && gap < edge(bin + 1), "{gap} not in bin {bin}");
            assert!(edge(bin + 1) - edge(bin) <= (gap / 32.0).max(1e-6) * 1.0001);
        }
    }

    #[test]
    fn means_are_exact_whatever_the_bins() {
        let mut gaps = Gaps::default();
        gaps.push(Some(0), &[19_000_000, 39_000_000, 60_000_000, 560_000_000]);
        let (mean, deviation) = gaps.moments(0.01, 0.03).unwrap();
        assert!((mean - 0.020).abs() < 1e-12);
        assert!((deviation - (2.0f64 / 3.0).sqrt() * 1e-3).abs() < 1e-12);
        assert_eq!(gaps.count_between(0.1, 1.0), 1);
        // Within one bin too, and none where there is none.
        let deviation = |gaps_of: [i64; 4]| {
            let mut gaps = Gaps::default();
            gaps_of.into_iter().cycle().take(10_000).for_each(|gap| gaps.push(Some(0), &[gap]));
            gaps.moments(0.01, 0.03).unwrap().1
        };
        assert!((deviation([20_000_000, 20_002_000, 20_000_000, 20_002_000]) - 1e-6).abs() < 1e-9);
        assert_eq!(deviation([20_000_000; 4]), 0.0);
    }
}
