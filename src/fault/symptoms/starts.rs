//! Whether the starter is likely behind a short loss.

use super::rhythm::{self, key_ons};
use crate::analysis::symptom::{Rhythm, Starter};
use crate::analysis::{Analysis, Outage};
use crate::fold::diagnostics::supply::is_double;
use crate::fold::timing::{Nanoseconds, nanoseconds, seconds};

/// Most drivers start the engine within so many seconds of the key, or of the beginning of a
/// recording, some within so many, and few within so many (invented vehicles of four authors, in
/// `knowledge.toml`); some wait, and a recording may begin with the key long on.
const SOON: f64 = 6.0;
const OPEN: f64 = 15.0;
const LATE: f64 = 25.0;
/// An engine that is heard to run so many seconds after a loss for the first time was started for
/// it.
const RUNS_WITHIN: f64 = 5.0;
/// Volts from which a battery of 12 V is being charged; of 24 V twice that (common practice, no
/// source: at rest it has 12.8 V at most).
const CHARGED: f64 = 13.2;

/// How likely a start is by its time, where losses are short enough for one.
pub(super) fn sign(analysis: &Analysis, rhythm: Rhythm, outages: &[&Outage]) -> Option<Starter> {
    let started = |outage: &&Outage| {
        let until = outage.end.saturating_add(nanoseconds(RUNS_WITHIN));
        analysis.engine_started_in(outage.start, until)
    };
    if !matches!(rhythm, Rhythm::Brief | Rhythm::BriefInDrives(_)) {
        return None;
    }
    if outages.iter().any(started) {
        return Some(Starter::Turned);
    }
    let after = |outage: &&Outage| Some(seconds(outage.start - on_since(analysis, outage)?));
    let latest = outages.iter().filter_map(after).fold(0.0, f64::max);
    let late = (latest > LATE).then_some(Starter::Late(latest));
    let charged = |outage: &&Outage| {
        let supply = analysis.diagnosis.vehicle.supply.as_ref()?;
        let since = on_since(analysis, outage)?;
        let last = supply.series.iter().rfind(|(time, _)| *time <= outage.start)?;
        let level = if is_double(supply.max) { 2.0 * CHARGED } else { CHARGED };
        (last.0 >= since && last.1 >= level).then_some(Starter::Charged(last.1))
    };
    let by_time = match latest {
        ..=SOON => Starter::Soon,
        ..=OPEN => Starter::Open(latest),
        _ => Starter::Delayed(latest),
    };
    late.or_else(|| outages.iter().find_map(charged)).or(Some(by_time))
}

/// Whether nothing but the starter need be behind losses: once, short, and at its time.
pub(super) fn may_be_one(analysis: &Analysis, outages: &[&Outage]) -> bool {
    let rhythm = rhythm::of(analysis, outages);
    let against = |starter: &Starter| matches!(starter, Starter::Late(_) | Starter::Charged(_));
    sign(analysis, rhythm, outages).is_some_and(|starter| !against(&starter))
}

/// When the key was last turned on or the channel last woke before a loss; else when the recording
/// of the drive began.
fn on_since(analysis: &Analysis, outage: &Outage) -> Option<Nanoseconds> {
    let begin = match analysis.drive_of(outage.start) {
        Some(at) => analysis.drives[at].span?.0,
        None => analysis.span?.0,
    };
    let key_ons = key_ons(analysis);
    let last = key_ons.into_iter().rfind(|on| *on <= outage.start);
    Some(last.map_or(begin, |on| on.max(begin)))
}
