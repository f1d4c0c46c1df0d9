//! A clock followed through its silences.
//!
//! A sender that runs on while it cannot be heard is back on its old grid: the stretches before and
//! after are of one line, and its slope is far more certain than that of each stretch. One that
//! started anew begins in any phase, and is seldom on the line.

use super::clock::{Block, Clock};
use super::clock_rate::{Rate, inflation};

/// How far oscillators are off the nominal period, as a ratio: what is expected of a clock as long
/// as its own stretches tell nothing (common practice, no source; 560e-6 is the furthest in open
/// captures of cars).
const USUAL: f64 = 200e-6;
/// Part of a period to which the line has to be known for the next stretch to be placed on it.
const PLACED: f64 = 0.2;
/// Nanoseconds that the frames of a stretch may lie beside the line, on average: the load of the
/// bus, and so the wait for it, is not the same everywhere.
const BESIDE: f64 = 0.4e6;
/// … or so many times the scatter of its gaps.
const SCATTER: f64 = 0.5;
/// Standard errors that the mean of a few frames may be off.
const FEW: f64 = 3.0;

/// Standard errors of where a line leads to, within which the next stretch bends it to itself.
const UNSURE: f64 = 2.0;

/// Weighted sums of times and offsets, from which a line is drawn.
#[derive(Clone, Copy, Default)]
struct Line {
    weight: f64,
    time: f64,
    times: f64,
    rest: f64,
    product: f64,
}

impl Line {
    /// With what is expected of its slope.
    fn expecting(slope: f64) -> Line {
        let certainty = USUAL.powi(-2);
        Line { times: certainty, product: certainty * slope, ..Line::default() }
    }

    fn add(&mut self, time: f64, rest: f64, weight: f64) {
        self.weight += weight;
        self.time += weight * time;
        self.times += weight * time * time;
        self.rest += weight * rest;
        self.product += weight * time * rest;
    }

    fn spread(&self) -> f64 {
        self.times - self.time * self.time / self.weight
    }

    fn slope(&self) -> f64 {
        (self.product - self.time * self.rest / self.weight) / self.spread()
    }

    /// What it says of a time, and its variance.
    fn at(&self, time: f64) -> (f64, f64) {
        let away = time - self.time / self.weight;
        let value = self.rest / self.weight + self.slope() * away;
        (value, 1.0 / self.weight + away * away / self.spread())
    }
}

/// A block on the line: nanoseconds since the first segment began, and behind its grid.
struct Point {
    segment: u32,
    time: f64,
    rest: f64,
    count: f64,
    /// Standard error of where the line led to after a silence; `None` where there was none.
    unsure: Option<f64>,
}

/// What a clock shows through its silences.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Through {
    /// Its rate over all segments.
    pub rate: Rate,
    /// The chance that one that started anew after each silence would have met the line, 0 to 1.
    pub chance: f64,
}

impl Clock {
    /// The rate over all its segments, where each continues the grid of those before it; `None`
    /// where it has one segment only, or where one of them begins in another phase. `nominal` in
    /// nanoseconds; `jitter`, what its gaps scatter by, in seconds.
    pub fn through(&self, nominal: f64, jitter: f64) -> Option<Through> {
        let reference = self.reference?;
        let jitter = (jitter * 1e9).max(1e4);
        let points = self.points(reference, nominal, jitter)?;
        let mut line = Line::default();
        for point in &points {
            line.add(point.time, point.rest, point.count);
        }
        let slope = line.slope();
        let left = |point: &Point| point.rest - line.at(point.time).0;
        let mut chance = 1.0;
        for segment in points.chunk_by(|a, b| a.segment == b.segment) {
            let count: f64 = segment.iter().map(|point| point.count).sum();
            let mean = segment.iter().map(|point| point.count * left(point)).sum::<f64>() / count;
            let beside = BESIDE.max(SCATTER * jitter).max(FEW * jitter / count.sqrt());
            if mean.abs() > beside {
                return None;
            }
            if let Some(unsure) = segment[0].unsure {
                let window = beside + UNSURE * unsure;
                chance *= (2.0 * window / reference).min(1.0);
            }
        }
        let freedom = points.len() as f64 - 2.0;
        if freedom < 4.0 {
            return None;
        }
        let all: Vec<f64> = points.iter().map(left).collect();
        let weighed: f64 =
            all.iter().zip(&points).map(|(left, point)| point.count * left * left).sum();
        let span = (points.last()?.time - points[0].time) / 1e9;
        let rate = Rate {
            // rest = time * (1 - reference / period)
            period: reference / (1.0 - slope) / 1e9,
            error: (weighed / freedom / line.spread() * inflation(&all)).sqrt(),
            span,
            lever: span,
        };
        Some(Through { rate, chance })
    }

    /// Its blocks on one line; `None` where there is one segment only, or where the line is not
    /// known well enough to place a segment on it.
    fn points(&self, reference: f64, nominal: f64, jitter: f64) -> Option<Vec<Point>> {
        let first = self.blocks.first()?.start;
        let mut line = Line::expecting(1.0 - reference / nominal);
        let mut points: Vec<Point> = Vec::with_capacity(self.blocks.len());
        let mut segments = 0;
        for group in self.blocks.chunk_by(|a, b| a.segment == b.segment) {
            let since = (group[0].start - first) as f64;
            let time = |block: &Block| since + block.time / block.count;
            let behind = |block: &Block| block.rest / block.count;
            let (grid, unsure) = if points.is_empty() {
                (0.0, None)
            } else {
                let (expected, variance) = line.at(time(&group[0]));
                if variance.sqrt() > PLACED * reference {
                    return None;
                }
                let away = since + behind(&group[0]) - expected;
                let unsure = group[0].after_silence.then(|| variance.sqrt());
                ((away / reference).round() * reference, unsure)
            };
            for block in group {
                let point = Point {
                    segment: block.segment,
                    time: time(block),
                    rest: since - grid + behind(block),
                    count: block.count,
                    unsure,
                };
                line.add(point.time, point.rest, point.count / (jitter * jitter));
                points.push(point);
            }
            segments += 1;
        }
        (segments > 1).then_some(points)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// A clock of 20 ms that runs 50 ppm slow, unheard for two seconds in every eight.
    fn heard(restarts: bool) -> Clock {
        let mut clock = Clock::default();
        let mut noise = 1u32;
        for step in 0..2000_i64 {
            noise = noise.wrapping_mul(1_664_525).wrapping_add(1_013_904_223);
            let jitter = i64::from(noise >> 12) * 400_000 / (1 << 20);
            let places = [0, 7_300_000, 2_100_000, 16_900_000, 5_200_000];
            let anew = if restarts { places[step as usize / 400] } else { 0 };
            if step % 400 < 300 {
                clock.push(&[1_700_000_000_000_000_000 + step * 20_001_000 + jitter + anew]);
            }
        }
        clock
    }

    #[test]
    fn who_ran_on_has_one_clock_through_all_silences() {
        let Through { rate, chance } = heard(false).through(20e6, 0.1e-3).unwrap();
        let ppm = (rate.period / 0.02 - 1.0) * 1e6;
        assert!((ppm - 50.0).abs() < 4.0 * rate.error * 1e6 && rate.error < 1e-6, "{ppm} {rate:?}");
        assert!(chance < 0.01, "{chance}");
        let apart = heard(false).rate().unwrap();
        assert!(rate.error < 0.5 * apart.error, "{rate:?} {apart:?}");
    }

    #[test]
    fn who_started_anew_has_none() {
        assert_eq!(heard(true).through(20e6, 0.1e-3), None);
    }
}
