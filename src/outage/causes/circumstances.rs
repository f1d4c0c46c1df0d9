//! Signs beside counters and phase: how the node went, how it came back, and what the supply did
//! meanwhile.

use super::{Kind, ReturnSign, Weighed};
use crate::fold::diagnostics::supply::Supply;
use crate::fold::timing::{Nanoseconds, Silence, Timing, nanoseconds, seconds};
use crate::ids::IdIndex;
use crate::outage::Observed;
use crate::silence::{Stop, StopKind};

/// A dip of the supply just before a loss makes a reset so many times likelier than an open wire
/// (common practice, no source).
const DIP_SPEAKS: f64 = 5.0;
/// Seconds before a loss within which a dip counts: testers ask for the voltage about once a
/// second.
const DIP_NEAR: f64 = 2.0;
/// An orderly end makes a shutdown so many times likelier than an open wire (common practice, no
/// source).
const ORDERLY_SPEAKS: f64 = 5.0;
/// A repeated order of first frames counts at most so much, however small the chance of luck.
const PATTERN_AT_MOST: f64 = 50.0;
/// How near first frames must come to those of another return, in seconds: timers of a start-up are
/// set in steps of 10 ms.
const PATTERN_NEAR: f64 = 0.006;
/// Frames came out one right behind the other where each took no more than so many seconds: a long
/// frame takes 1.1 ms at 125 kbit/s, and others go between.
const BURST: f64 = 0.002;
/// Fewest identifiers that make a pattern.
const PATTERN_IDS: usize = 3;

/// A sign that makes a node that started anew so many times likelier.
pub(super) fn weighed(times: f64, sign: ReturnSign) -> Weighed {
    Weighed { log_ratio: -times.ln(), kind: Kind::Other(sign) }
}

/// The supply fell below the level at which modules get into trouble, just before.
pub(super) fn supply(supply: &Supply, silence: Silence) -> Option<Weighed> {
    let level = supply.levels()[1];
    let near = nanoseconds(DIP_NEAR);
    let before = |(time, volts): &&(Nanoseconds, f64)| {
        *volts < level && (silence.start - near..=silence.start + near / 4).contains(time)
    };
    let (_, volts) = supply.series.iter().filter(before).min_by(|a, b| a.1.total_cmp(&b.1))?;
    Some(weighed(DIP_SPEAKS, ReturnSign::SupplyDip { volts: *volts }))
}

/// The whole bus was silent, or the key was surely off, for a part of a loss.
pub(super) fn all_stopped(observed: &Observed<'_>, nodes: &[&[IdIndex]], silence: Silence) -> bool {
    let Some(id) = nodes.iter().flat_map(|ids| ids.iter()).next() else { return false };
    let channel = observed.timing.ids[*id].key.channel;
    let losses = observed.losses;
    let recorded =
        |stop: &&Stop| !matches!(stop.kind, StopKind::CapturePause | StopKind::RecordedInPart);
    let stopped = losses
        .stops
        .iter()
        .filter(recorded)
        .any(|stop| stop.concerns(channel) && stop.silence.overlap(&silence) > 0);
    let off = losses.sessions.iter().any(|session| {
        let stood = Silence { start: session.stopped, end: session.ran };
        session.proven && stood.overlap(&silence) > 0
    });
    stopped || off
}

/// An open wire silences all identifiers at one moment; a node that shuts down ends them one after
/// another.
pub(super) fn orderly_end(
    observed: &Observed<'_>,
    ids: &[IdIndex],
    silence: Silence,
) -> Option<Weighed> {
    let around = around(observed.timing, ids, silence);
    let last = around.iter().map(|(_, own)| own.start).max()?;
    let early = |(id, own): &&(IdIndex, Silence)| {
        observed.losses.expected[*id].is_some_and(|expected| {
            let due = 3.0 * expected.rhythm.period + 5.0 * expected.rhythm.jitter + 0.2;
            last - own.start > nanoseconds(due)
        })
    };
    let first = around.iter().filter(early).map(|(_, own)| own.start).min()?;
    Some(weighed(ORDERLY_SPEAKS, ReturnSign::OrderlyEnd { seconds: seconds(last - first) }))
}

/// A node that starts sends its first frames in the same order and distances each time; one that
/// was only unheard does not.
pub(super) fn boot_pattern(
    observed: &Observed<'_>,
    ids: &[IdIndex],
    silence: Silence,
) -> Option<Weighed> {
    let own = first_frames(observed, ids, silence);
    // What comes out all at once may have waited in transmit buffers while a wire was open: those
    // empty in the same order each time too.
    let burst = own.last().is_some_and(|(_, at)| *at <= BURST * own.len() as f64);
    if own.len() < PATTERN_IDS || burst {
        return None;
    }
    let others = observed.losses.of(own[0].0).iter();
    let others = others.filter(|loss| !loss.ongoing && loss.silence.overlap(&silence) == 0);
    let matches = |other: Silence| {
        let other = first_frames(observed, ids, other);
        let same = |(id, at): &(IdIndex, f64)| {
            other
                .iter()
                .any(|(other, other_at)| other == id && (at - other_at).abs() <= PATTERN_NEAR)
        };
        own.iter().all(same)
    };
    let returns = others.filter(|loss| matches(loss.silence)).count();
    if returns == 0 {
        return None;
    }
    // The first frame of all is the origin; the others could have been anywhere in their periods.
    let luck: f64 = own[1..]
        .iter()
        .filter_map(|(id, _)| {
            Some(2.0 * PATTERN_NEAR / observed.losses.expected[*id]?.rhythm.period)
        })
        .map(|chance| chance.min(1.0))
        .product();
    let ratio = (1.0 / luck.max(1e-9)).min(PATTERN_AT_MOST);
    Some(weighed(ratio, ReturnSign::BootPattern { identifiers: own.len(), returns, luck }))
}

/// The silence of each periodic identifier around the middle of `silence`.
fn around(timing: &Timing, ids: &[IdIndex], silence: Silence) -> Vec<(IdIndex, Silence)> {
    let middle = silence.start + silence.length() / 2;
    ids.iter().filter_map(|id| Some((*id, timing.ids[*id].silences.around(middle)?))).collect()
}

/// First frame of each identifier after a silence, in seconds since the first of all, that one in
/// front.
fn first_frames(observed: &Observed<'_>, ids: &[IdIndex], silence: Silence) -> Vec<(IdIndex, f64)> {
    let mut first: Vec<(IdIndex, Nanoseconds)> = around(observed.timing, ids, silence)
        .into_iter()
        .filter(|(id, _)| observed.losses.expected[*id].is_some())
        .map(|(id, own)| (id, own.end))
        .collect();
    first.sort_by_key(|(id, end)| (*end, *id));
    let begin = first.first().map_or(0, |(_, end)| *end);
    first.into_iter().map(|(id, end)| (id, seconds(end - begin))).collect()
}
