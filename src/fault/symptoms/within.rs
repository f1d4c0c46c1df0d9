//! Errors that come while frames of one sender are missing, and of nobody else.
//!
//! A bad contact fails in bursts: while it does, its module gets nothing through, and what it tries
//! to send, or destroys of what others send, is an error. What it destroys of others is sent again
//! at once, so that they lack nothing; its own frames stay away (ISO 11898-1, automatic
//! retransmission; from memory). So the errors lie where frames of that one sender are missing,
//! whether or not that is long enough for a loss. Where the main line fails, everybody's frames are
//! missing, or nobody's.

use std::collections::BTreeMap;

use super::sender;
use crate::analysis::subject::Subject;
use crate::analysis::{Analysis, ErrorEvent, Outage, Scope};
use crate::capture::ChannelIndex;
use crate::fold::timing::{Nanoseconds, Silence, nanoseconds, seconds};
use crate::ids::IdIndex;
use crate::silence::merged;

/// Seconds around a gap that belong to it.
const AROUND: f64 = 0.1;
/// So many errors show it where so large a share of them lies in the gaps of a sender …
const MOST_ERRORS_WITHIN: (usize, f64) = (5, 0.6);
/// … or so many, and so large a share.
const PART: (usize, f64) = (10, 0.3);
/// … and they are so many times as dense there as over the whole recording.
const DENSE: f64 = 3.0;
/// … and less than so large a part of them lies in the gaps of anybody else. Of 45 bad contacts and
/// stubs of invented vehicles 34 have such a sender, 33 the right one; of 44 main lines one (first
/// sets of two worlds by others).
const NEXT: f64 = 0.5;
/// … but for so many messages of no known sender.
const ITS_OWN: usize = 3;
/// What lacks frames for a larger share of the time does so by nature.
const OFTEN: f64 = 0.4;

/// A sender in whose gaps the errors of a channel lie, or that skips frames in bursts of them
/// (`skips`).
pub struct Within {
    /// Who.
    pub subject: Subject,
    /// Errors in its gaps.
    pub times: usize,
    /// … of so many.
    pub of: usize,
    /// The share of the recording that these gaps take, 0 to 1.
    pub share: f64,
    /// When errors are its own, in order of time, apart from each other.
    pub gaps: Vec<Silence>,
}

impl Within {
    /// Of these errors of a channel; `None` where they are few, or of no one sender.
    pub fn of<'a>(
        analysis: &Analysis,
        channel: ChannelIndex,
        errors: impl Iterator<Item = &'a ErrorEvent>,
    ) -> Option<Within> {
        let times: Vec<Nanoseconds> = errors.map(|event| event.time).collect();
        if times.len() < MOST_ERRORS_WITHIN.0 {
            return None;
        }
        let stops = stops(analysis);
        let mut of: BTreeMap<Subject, Vec<Silence>> = BTreeMap::new();
        for id in ids(analysis, channel) {
            of.entry(sender(analysis, id)).or_default().extend(gaps(analysis, id, &stops, &times));
        }
        let within = |(subject, gaps)| Within::in_gaps(subject, merged(gaps), &times, analysis);
        let mut all: Vec<Within> = of.into_iter().map(within).collect();
        all.sort_by(|a, b| (b.times, a.share).partial_cmp(&(a.times, b.share)).expect("numbers"));
        let mut all = all.into_iter();
        let first = all.next()?;
        let beside = |own: &Within| own.times as f64 >= NEXT * first.times as f64;
        let with_it: Vec<Within> = all.take_while(beside).collect();
        // Messages whose sender nobody knows may be its own too; a main line has more of them.
        let lone = |own: &Within| matches!(own.subject, Subject::Sender(_));
        let of_one = with_it.len() <= ITS_OWN && with_it.iter().all(lone);
        let whole = with_it.into_iter().fold(first, |own, other| own.with(other, &times, analysis));
        (of_one && whole.stands_out()).then_some(whole)
    }

    /// With the gaps of another message of its own.
    fn with(self, other: Within, errors: &[Nanoseconds], analysis: &Analysis) -> Within {
        let gaps = merged([self.gaps, other.gaps].concat());
        Within::in_gaps(self.subject, gaps, errors, analysis)
    }

    fn in_gaps(
        subject: Subject,
        gaps: Vec<Silence>,
        errors: &[Nanoseconds],
        analysis: &Analysis,
    ) -> Within {
        let times = errors.iter().filter(|time| hold(&gaps, **time)).count();
        let share = took(&gaps) / analysis.length().max(1.0);
        Within { subject, times, of: errors.len(), share, gaps }
    }

    fn stands_out(&self) -> bool {
        let part = self.times as f64 / self.of as f64;
        let enough = |(least, share): (usize, f64)| self.of >= least && part >= share;
        (enough(MOST_ERRORS_WITHIN) || enough(PART)) && part >= DENSE * self.share
    }

    /// Whether so many of the errors lie in its gaps that the others are its own too: what it lacks
    /// for less than the shortest gap that is kept is not seen.
    pub fn has_all(&self) -> bool {
        self.times as f64 >= MOST_ERRORS_WITHIN.1 * self.of as f64
    }

    /// Whether a time lies in its gaps.
    pub fn holds(&self, time: Nanoseconds) -> bool {
        hold(&self.gaps, time)
    }
}

/// When buses stopped: what is missing then is of nobody.
pub(super) fn stops(analysis: &Analysis) -> Vec<Silence> {
    let stops = analysis.outages.iter().filter(|outage| outage.scope >= Scope::Bus);
    stops.map(Outage::silence).collect()
}

/// What may lack frames on a channel. What has nothing long to say sends no parts of it, and lacks
/// nothing.
pub(super) fn ids(analysis: &Analysis, channel: ChannelIndex) -> impl Iterator<Item = IdIndex> {
    let here = move |id: &IdIndex| {
        let own = &analysis.identifiers[*id];
        own.channel == channel && !analysis.is_transport(own)
    };
    (0..analysis.identifiers.len()).map(IdIndex).filter(here)
}

/// Gaps of an identifier, with what is around them, but for those in which the bus stopped; none
/// where errors have nothing to do with them.
fn gaps(
    analysis: &Analysis,
    id: IdIndex,
    stops: &[Silence],
    errors: &[Nanoseconds],
) -> Vec<Silence> {
    let stopped = |own: &Silence| stops.iter().any(|stop| stop.overlap(own) > 0);
    let around = nanoseconds(AROUND);
    let own = analysis.identifiers[id].gaps.iter().filter(|own| !stopped(own));
    let own = own.map(|own| wide(own, around));
    let own = merged(own.collect());
    let share = took(&own) / analysis.length().max(1.0);
    let inside = errors.iter().filter(|time| hold(&own, **time)).count();
    let by_nature = share > OFTEN || (inside as f64) < DENSE * share * errors.len() as f64;
    if by_nature { Vec::new() } else { own }
}

/// A silence with so much around it.
pub(super) fn wide(own: &Silence, around: Nanoseconds) -> Silence {
    Silence { start: own.start - around, end: own.end.saturating_add(around) }
}

/// Seconds that they take.
pub(super) fn took(all: &[Silence]) -> f64 {
    all.iter().map(|own| seconds(own.length())).sum()
}

/// Whether a time lies in one of these silences, which are in order of time and apart.
pub(super) fn hold(silences: &[Silence], time: Nanoseconds) -> bool {
    let from = silences.partition_point(|own| own.end < time);
    silences.get(from).is_some_and(|own| own.start <= time)
}
