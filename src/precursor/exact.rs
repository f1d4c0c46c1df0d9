//! How probable so many hits are by chance, exactly, and how probable the best of all that was
//! tried.
//!
//! The losses are moved within blocks of the drive, each by itself and evenly (Amarasingham,
//! Harrison, Hatsopoulos and Geman, Journal of Neurophysiology 2012: interval jitter). Whether a
//! moved loss is hit is then a coin of its own, and the number of hits has the distribution of
//! Poisson's binomial: no permutation has to be drawn, and no small probability lies below what so
//! many draws can show.

use statrs::distribution::{ChiSquared, ContinuousCDF};

/// Probability of at least so many hits, for each number of them from 0, where the loss at each
/// place is hit by chance with these probabilities.
///
/// ```
/// use lostnode::precursor::exact::tails;
/// let tails = tails(&[0.5, 0.1]);
/// assert_eq!(tails.len(), 3);
/// assert!((tails[1] - 0.55).abs() < 1e-12 && (tails[2] - 0.05).abs() < 1e-12);
/// ```
pub fn tails(chances: &[f64]) -> Vec<f64> {
    let mut of = vec![0.0; chances.len() + 1];
    of[0] = 1.0;
    for (at, chance) in chances.iter().enumerate() {
        // One read and one write each, from the front: nothing waits for what was just written.
        let mut fewer = 0.0;
        for of in &mut of[..at + 2] {
            let before = *of;
            *of = before * (1.0 - chance) + fewer * chance;
            fewer = before;
        }
    }
    // From the smallest up, so that a small tail is no difference of large numbers.
    for hits in (0..chances.len()).rev() {
        of[hits] += of[hits + 1];
    }
    of
}

/// Probability that ranks, each even between 0 and 1 by chance, are all in all so low (Fisher's
/// method).
///
/// ```
/// use lostnode::precursor::exact::low_ranks;
/// assert!((low_ranks(&[0.03]) - 0.03).abs() < 1e-9);
/// assert!(low_ranks(&[0.01, 0.02, 0.01]) < 1e-3 && low_ranks(&[0.5, 0.6, 0.4]) > 0.3);
/// ```
pub fn low_ranks(ranks: &[f64]) -> f64 {
    let statistic: f64 = ranks.iter().map(|rank| -2.0 * rank.max(1e-9).ln()).sum();
    ChiSquared::new(2.0 * ranks.len() as f64).map_or(1.0, |law| law.sf(statistic))
}

/// What candidates of one family can come to by chance.
#[derive(Clone, Debug, Default)]
pub struct Family {
    /// Tails that are small enough to matter, of each window those of falling size.
    tails: Vec<f64>,
    windows: Vec<Window>,
    /// Where the windows of each candidate end.
    ends: Vec<u32>,
    /// Candidates whose probability can be anything.
    even: usize,
    /// Candidates that were tried, also those that could never show.
    pub tried: usize,
}

/// The tails of one window.
#[derive(Clone, Copy, Debug)]
struct Window {
    /// Hits that the first of its tails stands for.
    hits: u32,
    /// Where they end.
    end: u32,
}

/// Tails above this are no lead of anybody.
const MATTERS: f64 = 1e-3;

impl Family {
    /// Notes a candidate by its tails: one list for each window it was tried with, each window
    /// longer than the one before it. From `least` hits on it could be a lead.
    pub fn add(&mut self, windows: &[Vec<f64>], least: usize) {
        self.tried += windows.len();
        let before = self.windows.len();
        for tails in windows {
            // They fall with the number of hits.
            let hits = tails.partition_point(|tail| *tail > MATTERS).max(least);
            let Some(own) = tails.get(hits..).filter(|own| !own.is_empty()) else { continue };
            self.tails.extend(own);
            self.windows.push(Window { hits: hits as u32, end: self.tails.len() as u32 });
        }
        if self.windows.len() > before {
            self.ends.push(self.windows.len() as u32);
        }
    }

    /// Notes all that another noted, after its own.
    pub fn append(&mut self, other: Family) {
        let (tails, windows) = (self.tails.len() as u32, self.windows.len() as u32);
        self.tails.extend(other.tails);
        let moved = other.windows.iter().map(|own| Window { end: own.end + tails, ..*own });
        self.windows.extend(moved);
        self.ends.extend(other.ends.iter().map(|end| end + windows));
        self.even += other.even;
        self.tried += other.tried;
    }

    /// Notes a candidate whose probability is even between 0 and 1 by chance.
    pub fn add_even(&mut self, count: usize) {
        self.tried += count;
        self.even += count;
    }

    /// Probability that any candidate of the family comes to `p` or less by chance: the sum of what
    /// each can come to (Tarone, Biometrics 1990; Westfall and Wolfinger, American Statistician
    /// 1997). What is too frequent to ever show costs nothing. A hit within a window is one within
    /// each longer window too, so of those that need the same number of hits only the longest
    /// counts: the others can hit no oftener than that.
    pub fn corrected(&self, p: f64) -> f64 {
        let (mut window, mut tail, mut sum) = (0, 0, self.even as f64 * p);
        let bar = p * (1.0 + 1e-9);
        for end in &self.ends {
            let mut of_hits: Option<(usize, f64)> = None;
            for own in &self.windows[window..*end as usize] {
                let tails = &self.tails[tail..own.end as usize];
                tail = own.end as usize;
                let Some(at) = tails.iter().position(|tail| *tail <= bar) else { continue };
                let hits = own.hits as usize + at;
                of_hits = match of_hits {
                    Some((same, before)) if same == hits => Some((hits, before.max(tails[at]))),
                    before => {
                        sum += before.map_or(0.0, |(_, before)| before);
                        Some((hits, tails[at]))
                    }
                };
            }
            sum += of_hits.map_or(0.0, |(_, own)| own);
            window = *end as usize;
        }
        sum.min(1.0)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn what_cannot_show_costs_nothing() {
        let mut family = Family::default();
        let rare = tails(&[0.01; 4]);
        (0..10).for_each(|_| family.add(std::slice::from_ref(&rare), 3));
        let alone = family.corrected(rare[4]);
        (0..10_000).for_each(|_| family.add(&[tails(&[0.9; 4])], 3));
        assert!((alone - 10.0 * rare[4]).abs() < 1e-15);
        assert_eq!(family.corrected(rare[4]), alone);
        assert_eq!(family.tried, 10_010);
    }

    #[test]
    fn a_candidate_costs_what_it_can_come_to() {
        let mut family = Family::default();
        family.add(&[tails(&[0.1, 0.1, 0.1, 0.1])], 3);
        let three = tails(&[0.1; 4])[4];
        assert!((family.corrected(5e-4) - three).abs() < 1e-12);
        assert_eq!(family.corrected(1e-6), 0.0);
    }

    #[test]
    fn windows_that_need_as_many_hits_count_once() {
        let of = |chance: f64| tails(&[chance; 5]);
        let mut family = Family::default();
        family.add(&[of(0.01), of(0.02), of(0.03), of(0.05)], 3);
        // Up to 0.03 five hits would surprise as much; the shorter the window the fewer it takes.
        let p = of(0.03)[5];
        let four = [of(0.01), of(0.02)].iter().map(|own| own[4]).find(|own| *own <= p);
        assert_eq!(four, Some(of(0.01)[4]).filter(|own| *own <= p));
        let sum = p + four.unwrap_or(0.0);
        assert!((family.corrected(p) - sum).abs() < 1e-15, "{} {sum}", family.corrected(p));
        assert_eq!(family.tried, 4);
    }

    #[test]
    fn too_few_hits_to_be_a_lead_cost_nothing() {
        let mut family = Family::default();
        let own = tails(&[1e-4; 8]);
        family.add(std::slice::from_ref(&own), 4);
        assert_eq!(family.corrected(own[3]), own[4]);
    }
}
