//! Whether two identifiers are of one module, by how it starts.
//!
//! Most modules send their first frames at the same distances each time, while of two modules that
//! a supply brings back together each takes a little longer or shorter to start from one time to
//! the next (common practice, no source). Distances that vary say nothing: a module may start its
//! tasks as it gets ready.

use crate::fold::timing::{Nanoseconds, Settled, Silence, Timing, seconds};
use crate::ids::IdIndex;
use crate::silence::Losses;

/// Starts from which their distances tell something.
const STARTS: usize = 3;
/// Share of a period by which a phase has to be off for a new start: what ran on keeps it.
const OFF: f64 = 0.1;
/// Seconds, besides what the frames of either scatter by, within which distances are the same: the
/// task that sends runs on a tick of so much.
const SAME: f64 = 1e-3;
/// So many times the scatter is too short a period to show anything.
const SHORT: f64 = 10.0;
/// Times the usual scatter of a frame that one of a few reaches.
const SCATTER: f64 = 3.0;

/// Whether both came at the same distance from each other at each of several starts.
pub(super) fn alike(timing: &Timing, losses: &Losses, a: IdIndex, b: IdIndex) -> bool {
    let rhythm = |id: IdIndex| losses.expected[id].map(|expected| expected.rhythm);
    let (Some(one), Some(other)) = (rhythm(a), rhythm(b)) else { return false };
    let period = one.period.min(other.period);
    let starts = losses.of(a).iter().filter(|loss| !loss.ongoing).filter_map(|loss| {
        let first = start(timing, a, one.period, loss.silence)?;
        let near = losses.of(b).iter().find(|twin| {
            !twin.ongoing && twin.silence.overlap(&loss.silence) * 2 > loss.silence.length()
        })?;
        Some(seconds(start(timing, b, other.period, near.silence)? - first))
    });
    let distances: Vec<f64> = starts.collect();
    // The settled frame may be one or two later than the first: distances are those in a period.
    let wrapped = |from: f64, to: f64| {
        let away = (to - from) / period;
        (away - away.round()).abs() * period
    };
    let scatter = SAME + SCATTER * one.jitter.hypot(other.jitter);
    // In a short period all distances are alike.
    distances.len() >= STARTS
        && period >= SHORT * scatter
        && distances.iter().all(|other| wrapped(distances[0], *other) <= scatter)
}

/// The first frame after a silence that no buffer held back, where it shows a new start.
fn start(timing: &Timing, id: IdIndex, period: f64, silence: Silence) -> Option<Nanoseconds> {
    let Settled { time, .. } = timing.ids[id].silences.settled(silence)?;
    let periods = seconds(time - silence.start) / period;
    ((periods - periods.round()).abs() > OFF).then_some(time)
}
