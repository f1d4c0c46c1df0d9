//! How the messages of what lost its supply come back.
//!
//! A module boots once, and then its messages begin within a period of each other. Several modules
//! on one feed boot each in its own time, some tenths of a second apart (common practice, no
//! source).

use super::ends;
use crate::analysis::{Analysis, Cause, Outage};
use crate::fold::timing::{Nanoseconds, nanoseconds, seconds};
use crate::ids::IdIndex;

/// Seconds by which a message of a module that has booted is late at most, beyond its period.
const LATE: f64 = 0.08;
/// Share of an outage that a silence lasts at least to be of it.
const OF_IT: f64 = 0.5;
/// Fewest messages that begin first, and that begin late: a module may have one that manages the
/// network and comes before all others, or one slow task.
const OF_EACH: usize = 2;

/// Whether in more than half of the returns from a lost supply some messages began so much later
/// than others that no one module sends both.
pub(super) fn in_turns(analysis: &Analysis, outages: &[&Outage]) -> bool {
    let anew = |outage: &&&Outage| outage.cause == Cause::LostPower && !outage.ongoing;
    let returns: Vec<bool> =
        outages.iter().filter(anew).filter_map(|outage| is_in_turns(analysis, outage)).collect();
    let in_turns = returns.iter().filter(|own| **own).count();
    in_turns * 2 > returns.len()
}

/// Whether some of its messages began late after an outage, their periods allowed for; `None` of
/// too few.
fn is_in_turns(analysis: &Analysis, outage: &Outage) -> Option<bool> {
    let begins: Vec<(Nanoseconds, f64)> =
        outage.ids.iter().filter_map(|id| begin(analysis, *id, outage)).collect();
    if begins.len() < 2 {
        return None;
    }
    let first = begins.iter().map(|(first, _)| *first).min()?;
    let late = begins.iter().filter(|(own, period)| seconds(own - first) - period >= LATE).count();
    Some(late.min(begins.len() - late) >= OF_EACH)
}

/// When an identifier was heard first after an outage, and its period in seconds.
fn begin(analysis: &Analysis, id: IdIndex, outage: &Outage) -> Option<(Nanoseconds, f64)> {
    let (silence, rhythm) = ends::silence(analysis, id, outage)?;
    let long = silence.overlap(&outage.silence()) > nanoseconds(outage.duration() * OF_IT);
    long.then_some((silence.end, rhythm.period))
}
