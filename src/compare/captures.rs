//! Whether the captures of a comparison belong together: one vehicle, in order of time, at one
//! place of it.

use std::collections::BTreeSet;

use lostnode_parsers::Id;

use super::comparison::Notice;
use crate::analysis::Analysis;
use crate::fold::timing::Nanoseconds;

/// What a vehicle sends at one connector is laid down by its makers: two captures of it share
/// nearly all, but for what comes on an occasion. Where half of the smaller set is not in the
/// other, they are of different vehicles or of different buses.
const IN_COMMON: f64 = 0.5;
/// Fewer identifiers than this say nothing.
const LEAST: usize = 4;
/// Before September 2001 a stamp is no date: the clock counts from the start, or was never set.
const A_DATE: Nanoseconds = 1_000_000_000 * 1_000_000_000;

/// What makes it doubtful that `after` is `before` at a later time; `path` is that of `after`.
pub fn doubts(path: &str, before: &Analysis, after: &Analysis) -> Vec<Notice> {
    let path = || path.to_owned();
    let vin = |analysis: &Analysis| analysis.diagnosis.vehicle.vin.clone();
    let other = match (vin(before), vin(after)) {
        (Some(was), Some(is)) if was != is => Some(Notice::OtherVehicle(path(), is, was)),
        _ => None,
    };
    let begin = |analysis: &Analysis| analysis.span.map(|(start, _)| start);
    let last = before.each_drive().filter_map(begin).max();
    let older = match (last, begin(after)) {
        (Some(was), Some(is)) if is < was && is >= A_DATE => Some(Notice::Older(path())),
        _ => None,
    };
    let (was, is) = (broadcast(before), broadcast(after));
    let (both, smaller) = (was.intersection(&is).count(), was.len().min(is.len()));
    let apart = smaller >= LEAST && (both as f64) < IN_COMMON * smaller as f64;
    let little = apart.then(|| Notice::LittleInCommon(path(), both, smaller));
    other.into_iter().chain(older).chain(little).collect()
}

/// What is sent unasked.
fn broadcast(analysis: &Analysis) -> BTreeSet<Id> {
    analysis.identifiers.iter().filter(|id| !id.diagnostic).map(|id| id.id).collect()
}
