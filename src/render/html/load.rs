//! The curves of the load: from 0 to 100 %, and enlarged.

use serde::Serialize;

use super::Axis;
use crate::analysis::{Analysis, Channel, Series};
use crate::fold::timing::seconds;

/// The load of a channel.
#[derive(Serialize)]
pub(super) struct LoadView {
    label: String,
    views: Vec<Curve>,
}

/// A curve up to a percentage.
#[derive(Serialize)]
struct Curve {
    label: String,
    top: u32,
    points: String,
}

/// The loads of all channels of which the bit rate is known.
pub(super) fn loads(report: &Analysis) -> Vec<LoadView> {
    let Some(axis) = Axis::of(report) else { return Vec::new() };
    report.channels.iter().filter_map(|channel| of(&axis, channel)).collect()
}

fn of(axis: &Axis, channel: &Channel) -> Option<LoadView> {
    let load = channel.load.as_ref()?;
    let (peak, _) = load.peak()?;
    let curve = |top: u32, most: usize| Curve {
        label: if top == 100 { "0 to 100 %".to_owned() } else { format!("enlarged: 0 to {top} %") },
        top,
        points: points(axis, load, most),
    };
    let mut views = vec![curve(100, 300)];
    let round = [2, 5, 10, 20, 50].into_iter().find(|top| peak * 100.0 <= f64::from(*top));
    views.extend(round.map(|top| curve(top, 1000)));
    let (mean, peak) = (load.mean() * 100.0, peak * 100.0);
    let label = format!("{}: {mean:.1} % on average, {peak:.1} % at most", channel.name);
    Some(LoadView { label, views })
}

/// At most so many points, in percent from above: the highest of each stretch.
fn points(axis: &Axis, load: &Series, most: usize) -> String {
    let begin = seconds(load.start - axis.begin);
    let stride = load.load.len().div_ceil(most).max(1);
    let point = |(at, part): (usize, &[f64])| {
        // In the middle of its stretch.
        let bins = (at * stride) as f64 + part.len() as f64 / 2.0;
        let x = (begin + bins * load.bin) / axis.length * 1000.0;
        let y = 100.0 - part.iter().copied().fold(0.0, f64::max) * 100.0;
        format!("{:.1},{:.2}", x.clamp(0.0, 1000.0), y)
    };
    load.load.chunks(stride).enumerate().map(point).collect::<Vec<_>>().join(" ")
}
