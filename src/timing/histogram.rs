//! Gaps between frames, in bins of 3 % width, with the sum in each bin so that means are exact.

/// A distribution of gaps from 1 µs to hours, kept sparse: a periodic identifier fills a few bins.
#[derive(Clone, Debug, Default)]
pub struct Gaps {
    bins: Vec<Bin>,
    last: usize,
    count: u64,
}

#[derive(Clone, Copy, Debug)]
struct Bin {
    number: u16,
    count: u64,
    /// Sum of its gaps in nanoseconds.
    sum: u128,
}

/// Gaps up to 32 µs have bins of 1 µs; above, each doubling is cut into 32 bins.
const FINE: u64 = 32;

fn number(gap: i64) -> u16 {
    let microseconds = gap.max(0) as u64 / 1000;
    if microseconds < FINE {
        return microseconds as u16;
    }
    let doubling = u64::from(microseconds.ilog2()) - 5;
    (FINE + doubling * FINE + (microseconds >> doubling) - FINE) as u16
}

/// Lower edge of a bin in seconds.
fn edge(number: u16) -> f64 {
    let number = u64::from(number);
    if number < FINE {
        return number as f64 * 1e-6;
    }
    let doubling = (number - FINE) / FINE;
    (((number - FINE) % FINE + FINE) << doubling) as f64 * 1e-6
}

impl Gaps {
    /// Adds a gap in nanoseconds.
    pub fn push(&mut self, gap: i64) {
        self.count += 1;
        let number = number(gap);
        let at = match self.bins.get(self.last) {
            Some(bin) if bin.number == number => self.last,
            _ => match self.bins.binary_search_by_key(&number, |bin| bin.number) {
                Ok(at) => at,
                Err(at) => {
                    self.bins.insert(at, Bin { number, count: 0, sum: 0 });
                    at
                }
            },
        };
        self.last = at;
        self.bins[at].count += 1;
        self.bins[at].sum += gap.max(0) as u128;
    }

    /// How many gaps.
    pub fn count(&self) -> u64 {
        self.count
    }

    /// The gap, in seconds, below which the share `q` (0 to 1) of all gaps lies; straight between the edges of a bin.
    pub fn quantile(&self, q: f64) -> Option<f64> {
        let wanted = q.clamp(0.0, 1.0) * self.count as f64;
        let mut below = 0.0;
        for bin in &self.bins {
            let count = bin.count as f64;
            if below + count >= wanted {
                let (low, high) = (edge(bin.number), edge(bin.number + 1));
                return Some(low + (high - low) * ((wanted - below) / count).clamp(0.0, 1.0));
            }
            below += count;
        }
        None
    }

    /// How many gaps lie in bins whose mean is from `low` to `high` seconds.
    pub fn count_between(&self, low: f64, high: f64) -> u64 {
        self.between(low, high).map(|bin| bin.count).sum()
    }

    /// Mean and standard deviation of the gaps from `low` to `high` seconds; the deviation from the means of the bins, so
    /// spread within a bin (under 3 % of the gap) is added as that of an even distribution only where a bin stands alone.
    pub fn moments(&self, low: f64, high: f64) -> Option<(f64, f64)> {
        let count = self.count_between(low, high);
        if count == 0 {
            return None;
        }
        let total: u128 = self.between(low, high).map(|bin| bin.sum).sum();
        let mean = total as f64 / count as f64 / 1e9;
        let spread: f64 =
            self.between(low, high).map(|bin| bin.count as f64 * (bin.sum as f64 / bin.count as f64 / 1e9 - mean).powi(2)).sum();
        Some((mean, (spread / count as f64).sqrt()))
    }

    fn between(&self, low: f64, high: f64) -> impl Iterator<Item = &Bin> {
        self.bins.iter().filter(move |bin| {
            let mean = bin.sum as f64 / bin.count as f64 / 1e9;
            mean >= low && mean <= high
        })
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn bins_are_ordered_and_hold_their_edges() {
        let mut before = None;
        for microseconds in [0, 1, 31, 32, 33, 63, 64, 65, 1000, 19_999, 20_000, 1_000_000, 90_000_000_000] {
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
        for gap in [19_000_000, 20_000_000, 21_000_000, 500_000_000] {
            gaps.push(gap);
        }
        let (mean, deviation) = gaps.moments(0.01, 0.03).unwrap();
        assert!((mean - 0.020).abs() < 1e-12);
        assert!((deviation - (2.0f64 / 3.0).sqrt() * 1e-3).abs() < 1e-9);
        assert_eq!(gaps.count_between(0.1, 1.0), 1);
    }
}
