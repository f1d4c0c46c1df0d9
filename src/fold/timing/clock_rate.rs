//! How fast the clock behind an identifier runs: the common slope of all segments of its blocks,
//! with a standard error that allows for noise which is not independent from block to block.
//!
//! After: Cho and Shin, USENIX Security 2016 (clock skew as accumulated offset), with least squares
//! over blocks in place of the recursive form. What is drawn from it: docs/roster.md.

use super::clock::{Block, Clock};
use crate::ids::Map;

/// The rate of a clock.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Rate {
    /// Period in seconds.
    pub period: f64,
    /// Standard error of the period, relative to it.
    pub error: f64,
    /// Seconds between the first and the last stamp used.
    pub span: f64,
    /// Seconds of one stretch without a break that would tell a slow drift from a rate as well as
    /// the stretches that were used, between losses and restarts.
    pub lever: f64,
}

impl Clock {
    /// The rate on its own; `None` with too few blocks to tell its error.
    pub fn rate(&self) -> Option<Rate> {
        self.fit(&Wander::default()).map(|(rate, _)| rate)
    }

    /// Fits the blocks after taking off what wanders in common; also what the fit leaves over, in
    /// nanoseconds, by block.
    fn fit(&self, common: &Wander) -> Option<(Rate, Vec<f64>)> {
        let reference = self.reference?;
        // Time and rest of each block against the weighted means of its segment; short segments
        // have no weight.
        let mut points: Vec<(f64, f64, f64)> = Vec::with_capacity(self.blocks.len());
        let (mut segments, mut used, mut span) = (0, 0, 0.0);
        let (mut cubes, mut fourths) = (0.0, 0.0);
        for group in self.blocks.chunk_by(|a, b| a.segment == b.segment) {
            let own = points.len();
            let rest =
                |block: &Block| block.rest / block.count - common.at(block.number * self.width());
            points.extend(
                group.iter().map(|block| (block.time / block.count, rest(block), block.count)),
            );
            let own = &mut points[own..];
            let weight: f64 = group.iter().map(|block| block.count).sum();
            let time = group.iter().map(|block| block.time).sum::<f64>() / weight;
            let mean = own.iter().map(|(_, rest, count)| rest * count).sum::<f64>() / weight;
            let counts = group.len() >= 3;
            if counts {
                let length = own[own.len() - 1].0 - own[0].0;
                span += length;
                cubes += length.powi(3);
                fourths += length.powi(4);
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
        // rest = time * (1 - reference / period)
        let period = reference / (1.0 - slope);
        Some((
            Rate {
                period: period / 1e9,
                error: (variance / spread * inflation(&left)).sqrt(),
                span: span / 1e9,
                // A drift by the same wait over each stretch, now this way and now that; the weight
                // of a stretch goes with the cube of its length.
                lever: cubes / fourths.sqrt() / 1e9,
            },
            left,
        ))
    }
}

/// What the time stamps of all identifiers of a channel wander in common, by stretch of time:
/// mostly the logger's own clock.
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

/// The rates of identifiers of one channel. What all their stamps wander in common is the
/// logger's clock, not theirs: it is taken off, which leaves the differences between clocks as they
/// are and makes them far more certain.
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
        .map(|(clock, _)| clock.width())
        .fold(1, i64::max);
    let mut cells: Map<i64, Vec<f64>> = Map::default();
    for (clock, fit) in clocks.iter().zip(&alone) {
        let Some((_, left)) = fit else { continue };
        for (block, left) in clock.blocks.iter().zip(left) {
            cells.entry((block.number * clock.width()).div_euclid(width)).or_default().push(*left);
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

/// How many times the variance of a slope is what its residuals alone make of it, where each is
/// like the one before.
pub(super) fn inflation(left: &[f64]) -> f64 {
    let products = left.windows(2).map(|pair| pair[0] * pair[1]).sum();
    let correlation = correlation(products, left.iter().map(|left| left * left).sum());
    (1.0 + correlation) / (1.0 - correlation)
}

/// Correlation of each residual with the next, from 0 to 0.9, given the sums of their products and
/// of their squares: noise that wanders makes the slope less certain than it looks.
pub(super) fn correlation(products: f64, squares: f64) -> f64 {
    if squares > 0.0 { (products / squares).clamp(0.0, 0.9) } else { 0.0 }
}

#[cfg(test)]
mod tests {
    use super::*;

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
    }
}
