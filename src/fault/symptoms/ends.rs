//! How the messages of what was lost ended.
//!
//! A wire that opens ends the messages of all behind it at one instant. Where a supply fails, each
//! module runs on for as long as what it has stored lasts, some milliseconds to some tens of them
//! (common practice, no source), so their last frames come after others were due already.

use crate::analysis::{Analysis, Outage, Silence};
use crate::fold::timing::{Nanoseconds, Rhythm, nanoseconds, seconds};
use crate::ids::IdIndex;

/// What comes more slowly, in seconds, tells too little of when it ended or began.
const FAST: f64 = 0.3;
/// So many seconds later than one was due another was still sent: more than a busy bus holds a
/// frame back.
const LATER: f64 = 0.008;
/// … and sooner than this: no supply holds a module up for so long (common practice, no source).
const HELD_UP: f64 = 0.5;
/// What jitter holds a frame back by, in standard deviations.
const SCATTER: f64 = 3.0;
/// Errors so many seconds from the beginning of a loss hold frames back too.
const NEAR: f64 = 1.0;

/// The most seconds by which one message of a loss outlived another; `None` where one instant
/// explains when all of them ended.
pub(super) fn apart(analysis: &Analysis, outages: &[&Outage]) -> Option<f64> {
    outages.iter().filter_map(|outage| spread(analysis, outage)).reduce(f64::max)
}

/// Whether in more than half of the losses one message outlived another, by so many seconds at the
/// most.
pub(super) fn in_turns(analysis: &Analysis, outages: &[&Outage], most: f64) -> bool {
    let apart = outages.iter().filter_map(|outage| spread(analysis, outage));
    apart.filter(|apart| *apart <= most).count() * 2 > outages.len()
}

/// Seconds by which one message of a loss outlived another.
fn spread(analysis: &Analysis, outage: &Outage) -> Option<f64> {
    let ends: Vec<(Nanoseconds, Nanoseconds)> =
        outage.ids.iter().filter_map(|id| end(analysis, *id, outage)).collect();
    let last = ends.iter().map(|(last, _)| *last).max()?;
    let due = ends.iter().map(|(_, due)| *due).min()?;
    let apart = seconds(last - due);
    ((LATER..HELD_UP).contains(&apart) && !has_errors(analysis, outage)).then_some(apart)
}

/// When an identifier was heard last before a loss, and when it was due then.
fn end(analysis: &Analysis, id: IdIndex, outage: &Outage) -> Option<(Nanoseconds, Nanoseconds)> {
    let (silence, rhythm) = silence(analysis, id, outage)?;
    let due = silence.start.saturating_add(nanoseconds(rhythm.period + SCATTER * rhythm.jitter));
    Some((silence.start, due))
}

/// The silence of a fast identifier that has most of an outage, and its rhythm.
pub(super) fn silence(
    analysis: &Analysis,
    id: IdIndex,
    outage: &Outage,
) -> Option<(Silence, Rhythm)> {
    let own = &analysis.identifiers[id];
    let rhythm = own.rhythm.filter(|rhythm| rhythm.period <= FAST)?;
    let overlap = |own: &Silence| own.overlap(&outage.silence());
    let silences = own.silent.iter().copied().filter(|own| overlap(own) > 0);
    Some((silences.max_by_key(overlap)?, rhythm))
}

fn has_errors(analysis: &Analysis, outage: &Outage) -> bool {
    let near = |time: Nanoseconds| (time - outage.start).abs() <= nanoseconds(NEAR);
    outage.channel.is_some_and(|channel| {
        let mut errors = analysis.channel(channel).errors.iter();
        errors.any(|event| event.frame.is_about_the_bus() && near(event.time))
    })
}
