//! Whether identifiers came back on the grid of times that they had left.

use super::super::Observed;
use super::super::facts::MOST_OF_ONE;
use super::{Kind, ReturnSign, Weighed};
use crate::fold::timing::{Nanoseconds, Silence};
use crate::ids::IdIndex;

/// Where at least so many identifiers can be told, and nearly all are on their grid, that is no
/// luck and decides by itself.
const MANY: usize = 5;
/// Nearly all are on their grid where at least this share is: a busy bus may have moved the rest.
const NEARLY_ALL: f64 = 0.9;
/// Where at least so many identifiers can be told, their grid is a sign.
const SOME: usize = 3;
/// Hardly any are on their grid where no more than this share is: any is by luck in a fifth of
/// cases.
const HARDLY_ANY: f64 = 0.2;
/// A sign of the grid that does not decide by itself makes its side so many times likelier (common
/// practice, no source; on worlds of two other authors three or more off their grid had started
/// anew in 136 of 146 returns).
const GRID_SPEAKS: f64 = 10.0;

/// The silence of an identifier around a time, and whether it came back on its grid: by the first
/// frame that no buffer held back.
pub(super) fn back_on_grid(
    observed: &Observed<'_>,
    id: IdIndex,
    time: Nanoseconds,
) -> Option<(Silence, bool)> {
    let silences = &observed.timing.ids[id].silences;
    let own = silences.around(time)?;
    let end = silences.settled(own).map_or(own.end, |settled| settled.time);
    let kept = observed.losses.expected[id].as_ref()?.phase_kept(Silence { end, ..own })?;
    Some((own, kept))
}

/// That nearly all identifiers came back on the grid that they had left, or hardly any, where it
/// can be told of several.
pub(super) fn kept(
    observed: &Observed<'_>,
    nodes: &[&[IdIndex]],
    silence: Silence,
) -> Option<Weighed> {
    let middle = silence.start + silence.length() / 2;
    let on_grid = |id: &IdIndex| Some(back_on_grid(observed, *id, middle)?.1);
    let told: Vec<bool> = nodes.iter().copied().flatten().filter_map(on_grid).collect();
    let (kept, of) = (told.iter().filter(|kept| **kept).count(), told.len());
    let log_ratio = if kept as f64 >= NEARLY_ALL * of as f64 {
        if of >= MANY { MOST_OF_ONE } else { GRID_SPEAKS.ln() }
    } else if kept as f64 <= HARDLY_ANY * of as f64 {
        -GRID_SPEAKS.ln()
    } else {
        return None;
    };
    let sign = match log_ratio > 0.0 {
        true => ReturnSign::GridKept { kept, of },
        false => ReturnSign::GridLeft { left: of - kept, of },
    };
    (of >= SOME).then_some(Weighed { log_ratio, kind: Kind::Other(sign) })
}
