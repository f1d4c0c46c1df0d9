//! Whether the instants of two identifiers keep together: their offsets at common instants.
//!
//! Two identifiers of one node keep their phase relation whatever their common clock does (temperature, the logger's clock); those of
//! different clocks walk apart. After: Kulandaivel et al., USENIX Security 2019 (pairwise offsets), by averages over common blocks
//! instead of single instants, with a standard error in place of a fixed limit.

use std::collections::BTreeMap;

use super::clock::Clock;

/// How two clocks run against each other.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Relative {
    /// Difference of their drifts, as a ratio.
    pub drift: f64,
    /// Its standard error.
    pub error: f64,
    /// Seconds of the blocks that both have.
    pub span: f64,
    /// Standard deviation in seconds of what their offset wanders besides, beyond its scatter from block to block.
    pub wander: f64,
}

/// Time, offset and weight of a block that both have.
type Point = (f64, f64, f64);

/// Fewest common blocks of one stretch in which both ran through.
const FEWEST: usize = 4;

/// The drift of `a` less that of `b`, given their nominal periods in nanoseconds; `None` with too few blocks in common.
pub fn relative(a: &Clock, b: &Clock, nominal: (f64, f64)) -> Option<Relative> {
    let width = a.width().max(b.width());
    let (a, b) = (offsets(a, nominal.0, width), offsets(b, nominal.1, width));
    // Both ran through: one segment of each.
    let mut stretches: BTreeMap<(u32, u32), Vec<Point>> = BTreeMap::new();
    let mut others = b.iter().peekable();
    for (cell, a) in &a {
        while others.next_if(|(other, _)| other < cell).is_some() {}
        let Some((_, b)) = others.next_if(|(other, _)| other == cell) else { continue };
        let weight = (1.0 / a.weight + 1.0 / b.weight).recip();
        stretches.entry((a.segment, b.segment)).or_default().push((*cell as f64 * width as f64, a.offset - b.offset, weight));
    }
    stretches.retain(|_, points| points.len() >= FEWEST);
    let mut points: Vec<Point> = Vec::new();
    let mut span = 0.0;
    for stretch in stretches.values() {
        let weight: f64 = stretch.iter().map(|(.., weight)| weight).sum();
        let mean = |pick: fn(&Point) -> f64| stretch.iter().map(|point| pick(point) * point.2).sum::<f64>() / weight;
        let (time, offset) = (mean(|point| point.0), mean(|point| point.1));
        points.extend(stretch.iter().map(|point| (point.0 - time, point.1 - offset, point.2)));
        span += stretch[stretch.len() - 1].0 - stretch[0].0;
    }
    let freedom = points.len() as f64 - stretches.len() as f64 - 1.0;
    if freedom < 6.0 {
        return None;
    }
    let spread: f64 = points.iter().map(|(time, _, weight)| weight * time * time).sum();
    let slope = points.iter().map(|(time, offset, weight)| weight * time * offset).sum::<f64>() / spread;
    let left: Vec<f64> = points.iter().map(|(time, offset, _)| offset - slope * time).collect();
    let variance = left.iter().zip(&points).map(|(left, (.., weight))| weight * left * left).sum::<f64>() / freedom;
    let correlation = super::clock::correlation(&left);
    let plain = left.iter().map(|left| left * left).sum::<f64>() / freedom;
    // Half the mean square of successive differences is the scatter alone (von Neumann 1941); the rest of the variance is wander.
    let scatter = left.windows(2).map(|pair| (pair[1] - pair[0]).powi(2)).sum::<f64>() / (2.0 * (left.len() as f64 - 1.0));
    Some(Relative {
        drift: slope,
        error: (variance / spread * (1.0 + correlation) / (1.0 - correlation)).sqrt(),
        span: span / 1e9,
        wander: (plain - scatter).max(0.0).sqrt() / 1e9,
    })
}

struct Offset {
    segment: u32,
    offset: f64,
    weight: f64,
}

/// Accumulated offset against the nominal period, in nanoseconds, by cell of `width`; a cell with two segments has none.
/// In order of time, as the blocks are.
fn offsets(clock: &Clock, nominal: f64, width: i64) -> Vec<(i64, Offset)> {
    let mut out: Vec<(i64, Option<Offset>)> = Vec::new();
    for block in clock.mean_blocks(nominal) {
        let cell = block.start.div_euclid(width);
        match out.last_mut() {
            Some((known, slot)) if *known == cell => {
                let joined = slot.take().filter(|known| known.segment == block.segment);
                *slot = joined.map(|known| {
                    let weight = known.weight + block.count;
                    let offset = (known.offset * known.weight + block.offset * block.count) / weight;
                    Offset { segment: block.segment, offset, weight }
                });
            }
            _ => out.push((cell, Some(Offset { segment: block.segment, offset: block.offset, weight: block.count }))),
        }
    }
    out.into_iter().filter_map(|(cell, offset)| Some((cell, offset?))).collect()
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Two identifiers whose clock wanders by 3 ms in common keep together; one of a clock that wanders otherwise does not.
    #[test]
    fn a_common_wander_does_not_part_them() {
        let clock = |period: i64, wander: fn(f64) -> f64| {
            let mut clock = Clock::default();
            let mut noise = 7u32;
            for step in 0..300_000_000_000 / period {
                noise = noise.wrapping_mul(1_664_525).wrapping_add(1_013_904_223);
                let at = step * period;
                let jitter = i64::from(noise >> 12) * 400_000 / (1 << 20) - 200_000;
                clock.push(1_700_000_000_000_000_000 + at + (wander(at as f64 / 1e9) * 1e6) as i64 + jitter);
            }
            clock
        };
        let slow = |second: f64| 3.0 * (second / 30.0).sin();
        let other = |second: f64| 3.0 * (second / 21.0).cos();
        let (a, b, c) = (clock(10_000_000, slow), clock(20_000_000, slow), clock(20_000_000, other));
        let same = relative(&a, &b, (1e7, 2e7)).unwrap();
        assert!(same.error < 0.4e-6 && same.drift.abs() < 3.5 * same.error && same.wander < 1e-4, "{same:?}");
        assert!(relative(&a, &c, (1e7, 2e7)).unwrap().wander > 1e-3);
        assert!(a.rate().unwrap().error > 1e-6);
    }
}
