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
        for hits in (0..=at).rev() {
            of[hits + 1] += of[hits] * chance;
            of[hits] *= 1.0 - chance;
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
    /// Tails of each candidate that are small enough to matter, and where each candidate's end.
    tails: Vec<f64>,
    ends: Vec<u32>,
    /// Candidates whose probability can be anything.
    even: usize,
    /// Candidates that were tried, also those that could never show.
    pub tried: usize,
}

/// Tails above this are no lead of anybody.
const MATTERS: f64 = 1e-3;

impl Family {
    /// Notes a candidate by its tails.
    pub fn add(&mut self, tails: &[f64]) {
        self.tried += 1;
        let own = tails.iter().copied().filter(|tail| *tail <= MATTERS);
        let before = self.tails.len();
        self.tails.extend(own);
        if self.tails.len() > before {
            self.ends.push(self.tails.len() as u32);
        }
    }

    /// Notes a candidate whose probability is even between 0 and 1 by chance.
    pub fn add_even(&mut self, count: usize) {
        self.tried += count;
        self.even += count;
    }

    /// Probability that any candidate of the family comes to `p` or less by chance: the sum of what
    /// each can come to (Tarone, Biometrics 1990; Westfall and Wolfinger, American Statistician
    /// 1997). What is too frequent to ever show costs nothing.
    pub fn corrected(&self, p: f64) -> f64 {
        let (mut begin, mut sum) = (0, self.even as f64 * p);
        let bar = p * (1.0 + 1e-9);
        for end in &self.ends {
            let own = &self.tails[begin..*end as usize];
            // They fall with the number of hits.
            sum += own.iter().copied().find(|tail| *tail <= bar).unwrap_or(0.0);
            begin = *end as usize;
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
        (0..10).for_each(|_| family.add(&rare));
        let alone = family.corrected(rare[4]);
        (0..10_000).for_each(|_| family.add(&tails(&[0.9; 4])));
        assert!((alone - 10.0 * rare[4]).abs() < 1e-15);
        assert_eq!(family.corrected(rare[4]), alone);
        assert_eq!(family.tried, 10_010);
    }

    #[test]
    fn a_candidate_costs_what_it_can_come_to() {
        let mut family = Family::default();
        family.add(&tails(&[0.1, 0.1, 0.1, 0.1]));
        let three = tails(&[0.1; 4])[4];
        assert!((family.corrected(5e-4) - three).abs() < 1e-12);
        assert_eq!(family.corrected(1e-6), 0.0);
    }
}
