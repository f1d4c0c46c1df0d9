//! Silences of a module that starts, fails and starts anew, again and again.
//!
//! Its software boots for as long each time, so it is away for as long each time. When it fails
//! next depends on what it does, so the steps scatter, where those of a timer do not (common
//! practice, no source). Of invented vehicles of five sets 12 had such an identifier that left its
//! grid, and a module that did so in each; of 300 sound ones none.

use std::ops::RangeInclusive;

use super::{Silence, scatter, seconds};

/// Fewest such silences: a few are alike by chance.
const FEWEST_ALIKE: usize = 8;
/// So many of them are alike: another loss may fall among them.
const ALIKE: f64 = 0.9;
/// Those alike differ by no more than so many periods of the message and so many seconds.
const PERIODS: f64 = 1.3;
const LATE: f64 = 0.008;
/// From one start to the next are no more than so many seconds: what runs for longer has its own
/// reasons to stop.
const STEP: f64 = 3.0;
/// What the steps scatter by, as a share of their mean: with less it is a timer, with more the road
/// or the traffic.
const SCATTER: RangeInclusive<f64> = 0.05..=0.35;

/// Whether the silences of a message with a period in seconds, in order of time, are so.
pub(super) fn again(silences: &[Silence], period: f64) -> bool {
    if silences.len() < FEWEST_ALIKE {
        return false;
    }
    let mut lengths: Vec<f64> = silences.iter().map(|own| seconds(own.length())).collect();
    lengths.sort_by(f64::total_cmp);
    let usual = lengths[lengths.len() / 2];
    let near = |length: &&f64| (**length - usual).abs() <= PERIODS * period + LATE;
    let alike = lengths.iter().filter(near).count() as f64;
    let pairs = silences.windows(2);
    let mut steps: Vec<f64> = pairs.map(|pair| seconds(pair[1].start - pair[0].start)).collect();
    steps.sort_by(f64::total_cmp);
    alike >= ALIKE * lengths.len() as f64
        && steps[steps.len() / 2] <= STEP
        && SCATTER.contains(&scatter(&steps))
}
