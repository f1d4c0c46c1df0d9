//! One sender that skips frames while errors come in bursts, and nobody else does.
//!
//! What a bad contact destroys of others is sent again at once, and comes hardly later than it was
//! due. What its own module sends meanwhile fails again and again, until the next of it is due: one
//! frame or a few are skipped, for less time than any silence (ISO 11898-1, automatic
//! retransmission; from memory). Where the main line fails, nobody skips any, or several do.

use std::collections::{BTreeMap, BTreeSet};

use super::company::is_guessed;
use super::senders::sender;
use super::within::{Within, hold, ids, stops, took, wide};
use crate::analysis::subject::Subject;
use crate::analysis::{Analysis, ErrorEvent};
use crate::capture::ChannelIndex;
use crate::fold::timing::{Aftermath, Nanoseconds, Silence, nanoseconds, seconds};
use crate::ids::IdIndex;
use crate::silence::merged;

/// Errors that come within so many seconds of each other are of one burst …
const TOGETHER: f64 = 1.0;
/// … of so many at least.
const BURST: usize = 3;
/// Seconds around a burst that belong to it.
const AROUND: f64 = 0.1;
/// A gap tells of no more frames than this: one long silence is of something else.
const EACH: f64 = 5.0;
/// A gap of more seconds than this is a loss, and told as such.
const LONGEST: f64 = 2.5;
/// So many frames are skipped, at so many places.
const LEAST: f64 = 3.0;
const PLACES: usize = 3;
/// Who skips more than this part of that without errors does so by nature.
const WITHOUT: f64 = 0.5;
/// Nobody else skips more than this part of what the one does.
const NEXT: f64 = 0.2;
/// So many seconds from where it skips frames errors are of that, and so large a part of them is at
/// least …
const NEAR: f64 = 0.02;
const PART: f64 = 1.0 / 3.0;
/// … in bursts that take no more than this part of the recording. Of 49 contacts, stubs and
/// branches of invented vehicles with one such sender, always the right one, it is so in 44, of
/// nine terminations in two, of no short (nine sets of three worlds by others).
const BURSTS: f64 = 0.5;
/// … or, where so large a part of them is that near, than this (of 41 invented vehicles whose first
/// finding was the main line three contacts gained, no main line lost; sets of two worlds by
/// others).
const NEARLY_ALL: f64 = 0.8;
const LONG_BURSTS: f64 = 0.85;

/// What one sender skips.
#[derive(Clone, Default)]
struct Own {
    inside: f64,
    outside: f64,
    places: Vec<Silence>,
}

impl Own {
    fn add(&mut self, other: &Own) {
        self.inside += other.inside;
        self.outside += other.outside;
        self.places.extend(&other.places);
        self.places = merged(std::mem::take(&mut self.places));
    }

    /// Whether half of its places are among those of another.
    fn is_at(&self, other: &Own) -> bool {
        let meets = |own: &&Silence| other.places.iter().any(|place| place.overlap(own) > 0);
        2 * self.places.iter().filter(meets).count() >= self.places.len()
    }
}

/// The sender that skips frames in the bursts of these errors of a channel, which are in order of
/// time. Its gaps are the bursts in which it does.
pub fn of<'a>(
    analysis: &Analysis,
    channel: ChannelIndex,
    errors: impl Iterator<Item = &'a ErrorEvent>,
) -> Option<Within> {
    // Of more only the first are kept with their time.
    if analysis.channel(channel).tally.errors > Aftermath::KEPT as u64 {
        return None;
    }
    let mut times: Vec<Nanoseconds> = errors.map(|event| event.time).collect();
    times.sort_unstable();
    let bursts = bursts(&times);
    let stops = stops(analysis);
    let mut all: BTreeMap<Subject, Own> = BTreeMap::new();
    for id in ids(analysis, channel) {
        let own = skipped(analysis, id, &bursts, &stops);
        all.entry(sender(analysis, id)).or_default().add(&own);
    }
    all.retain(|_, own| own.inside > 0.0 && own.outside < WITHOUT * own.inside);
    let most = |a: &(&Subject, &Own), b: &(&Subject, &Own)| a.1.inside.total_cmp(&b.1.inside);
    let (subject, first) = all.iter().max_by(most)?;
    let (subject, mut one) = (subject.clone(), first.clone());
    // What nobody says to be another's, and is skipped with it, may be its own; most of a bus is
    // not.
    let guessed = |subject: &Subject| match subject {
        Subject::Sender(_) => true,
        Subject::Node(node) => is_guessed(analysis, *node),
        _ => false,
    };
    let (its_own, others): (Vec<_>, Vec<_>) = all
        .iter()
        .filter(|(other, _)| **other != subject)
        .partition(|(other, own)| guessed(&subject) && guessed(other) && own.is_at(first));
    its_own.iter().for_each(|(_, own)| one.add(own));
    let own: BTreeSet<&Subject> = its_own.iter().map(|(own, _)| *own).chain([&subject]).collect();
    let here = || ids(analysis, channel).filter(|id| analysis.identifiers[*id].rhythm.is_some());
    let of_it = here().filter(|id| own.contains(&sender(analysis, *id))).count();
    if !its_own.is_empty() && 2 * of_it > here().count() {
        return None;
    }
    let next = others.iter().map(|(_, own)| own.inside).fold(0.0, f64::max);
    let stands_out = one.inside >= LEAST && one.places.len() >= PLACES && next <= NEXT * one.inside;
    if !stands_out {
        return None;
    }
    let length = analysis.length().max(1.0);
    let near = nanoseconds(NEAR);
    let at_one = merged(one.places.iter().map(|own| wide(own, near)).collect());
    let (own, of) = (times.iter().filter(|time| hold(&at_one, **time)).count(), times.len());
    let most = if own as f64 >= NEARLY_ALL * of as f64 { LONG_BURSTS } else { BURSTS };
    if (own as f64) < PART * of as f64 || took(&bursts) > most * length {
        return None;
    }
    let share = took(&one.places) / length;
    let meets = |burst: &Silence| one.places.iter().any(|place| place.overlap(burst) > 0);
    let gaps = bursts.into_iter().filter(meets).collect();
    Some(Within { subject, times: own, of, share, gaps })
}

/// The bursts of errors at these times, which ascend, each with what is around it.
fn bursts(times: &[Nanoseconds]) -> Vec<Silence> {
    let around = nanoseconds(AROUND);
    let near = |a: &Nanoseconds, b: &Nanoseconds| b - a < nanoseconds(TOGETHER);
    let runs = times.chunk_by(near).filter(|run| run.len() >= BURST);
    let span = |run: &[Nanoseconds]| Silence { start: run[0], end: run[run.len() - 1] };
    runs.map(|run| wide(&span(run), around)).collect()
}

/// What an identifier skips inside of bursts and outside, but for where the bus stopped.
fn skipped(analysis: &Analysis, id: IdIndex, bursts: &[Silence], stops: &[Silence]) -> Own {
    let identifier = &analysis.identifiers[id];
    let mut out = Own::default();
    let Some(rhythm) = identifier.rhythm else { return out };
    for gap in identifier.skips.iter().chain(&identifier.gaps) {
        let length = seconds(gap.length());
        if length > LONGEST || stops.iter().any(|stop| stop.overlap(gap) > 0) {
            continue;
        }
        let frames = (length / rhythm.period).round() - 1.0;
        let frames = frames.clamp(1.0, EACH);
        if bursts.iter().any(|burst| burst.overlap(gap) > 0) {
            out.inside += frames;
            out.places.push(*gap);
        } else {
            out.outside += frames;
        }
    }
    out.places = merged(out.places);
    out
}
