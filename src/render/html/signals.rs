//! Standard signals as thin traces under the lanes.

use serde::Serialize;

use super::Axis;
use crate::analysis::Analysis;
use crate::analysis::signals::{Bin, SignalTrack};
use crate::fold::timing::seconds;
use crate::words;

/// Points of a trace at most: more than a screen shows.
const MOST_POINTS: usize = 500;

/// A signal over time.
#[derive(Serialize)]
pub(super) struct Trace {
    label: String,
    /// Who tells it.
    teller: String,
    /// One path, broken where it was not told.
    path: String,
}

/// The traces of a time line.
pub(super) fn traces(report: &Analysis) -> Vec<Trace> {
    let Some(axis) = Axis::of(report) else { return Vec::new() };
    let trace = |track: &SignalTrack| Trace {
        label: words::signals::trace(track),
        teller: words::signals::teller(report, track),
        path: path(track, &axis),
    };
    report.traces().map(trace).collect()
}

/// From the least value at the bottom to the greatest at the top, of 20; what never changes lies in
/// the middle.
fn path(track: &SignalTrack, axis: &Axis) -> String {
    let (low, high) = track.range;
    let y = |value: f64| match high > low {
        true => 18.5 - (value - low) / (high - low) * 17.0,
        false => 10.0,
    };
    let x = |bin: &Bin| seconds(bin.time - axis.begin) / axis.length * 1000.0;
    let stride = track.bins.len().div_ceil(MOST_POINTS).max(1);
    let mut out = String::new();
    for piece in track.pieces() {
        for (at, part) in piece.chunks(stride).enumerate() {
            let Some(last) = part.last() else { continue };
            let least = part.iter().map(|bin| bin.low).fold(f64::INFINITY, f64::min);
            let most = part.iter().map(|bin| bin.high).fold(f64::NEG_INFINITY, f64::max);
            let pen = if at == 0 { 'M' } else { 'L' };
            out += &format!("{pen}{:.1} {:.1}", x(last), y(most));
            if most > least {
                out += &format!("V{:.1}", y(least));
            }
        }
    }
    out
}
