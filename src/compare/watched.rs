//! For how long a loss of something could have been heard: sets of stretches of time.

use super::captures::A_DATE;
use super::subject::{self, Subject};
use crate::analysis::{Analysis, Cause, Nanoseconds, Outage, Scope, Silence};
use crate::fold::timing::seconds;
use crate::silence::merged;

/// Stretches that neither overlap nor touch, in order of time.
#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub(super) struct Stretches(Vec<Silence>);

impl Stretches {
    /// All that lies in any of these.
    pub fn of(mut all: Vec<Silence>) -> Stretches {
        all.retain(|own| own.end > own.start);
        Stretches(merged(all))
    }

    /// What lies in both.
    fn and(&self, other: &Stretches) -> Stretches {
        let (mut at, mut place) = (0, 0);
        let mut out = Vec::new();
        while let (Some(one), Some(two)) = (self.0.get(at), other.0.get(place)) {
            let (start, end) = (one.start.max(two.start), one.end.min(two.end));
            if end > start {
                out.push(Silence { start, end });
            }
            if one.end <= two.end { at += 1 } else { place += 1 }
        }
        Stretches(out)
    }

    /// What of a span lies in none of them.
    fn rest(&self, (begin, end): (Nanoseconds, Nanoseconds)) -> Vec<Silence> {
        let mut from = begin;
        let mut out = Vec::new();
        for own in &self.0 {
            out.push(Silence { start: from, end: own.start.min(end) });
            from = from.max(own.end);
        }
        out.push(Silence { start: from, end });
        out.retain(|own| own.end > own.start);
        out
    }

    /// Seconds in all.
    pub fn seconds(&self) -> f64 {
        self.0.iter().map(|own| seconds(own.length())).sum()
    }
}

/// Seconds over several captures. What two recorders heard at the same time counts once; where
/// stamps are no dates nothing tells whether they did.
#[derive(Clone, Debug, Default)]
pub(super) struct Time {
    dated: Vec<Silence>,
    undated: f64,
}

impl Time {
    /// Adds what was watched in a capture.
    pub fn add(&mut self, analysis: &Analysis, watched: Vec<Silence>) {
        match has_dates(analysis) {
            true => self.dated.extend(watched),
            false => self.undated += Stretches::of(watched).seconds(),
        }
    }

    pub fn seconds(self) -> f64 {
        Stretches::of(self.dated).seconds() + self.undated
    }
}

/// Whether the stamps of a capture are dates.
pub(super) fn has_dates(analysis: &Analysis) -> bool {
    analysis.span.is_some_and(|(begin, _)| begin >= A_DATE)
}

/// When nothing could be heard of a channel: sleep and pauses.
fn stops(analysis: &Analysis, channel: &str) -> Vec<Silence> {
    let here = |outage: &&Outage| {
        let of_it = |at| subject::is_on(analysis, at, channel);
        outage.scope >= Scope::Bus && outage.channel.is_none_or(of_it)
    };
    let lawful = analysis.outages.iter().filter(|outage| !outage.is_loss());
    lawful.filter(here).map(Outage::silence).collect()
}

/// When a capture recorded traffic. A channel that was recorded in part takes nothing from the
/// others.
pub(super) fn recorded(analysis: &Analysis) -> Vec<Silence> {
    let Some(span) = analysis.span else { return Vec::new() };
    let stops = analysis.outages.iter().filter(|outage| {
        outage.scope >= Scope::Bus && matches!(outage.cause, Cause::BusSleep | Cause::CaptureGap)
    });
    Stretches::of(stops.map(Outage::silence).collect()).rest(span)
}

/// When all that a subject sends on a timer was silent for a lawful reason.
fn lawful(subject: &Subject, analysis: &Analysis) -> Stretches {
    let lawful = || analysis.outages.iter().filter(|own| !own.is_loss() && own.scope < Scope::Bus);
    let own = analysis
        .identifiers
        .iter()
        .enumerate()
        .filter(|(_, id)| !subject.is_bus() && id.frames > 0 && subject.has(analysis, id));
    let (timed, others): (Vec<_>, Vec<_>) = own.partition(|(_, id)| id.rhythm.is_some());
    let own = if timed.is_empty() { others } else { timed };
    let silent = own.into_iter().map(|(at, _)| {
        let of_it = |outage: &&Outage| {
            // An outage of a whole node names only what had time to be missed.
            let of_node = outage.nodes.iter().any(|node| {
                outage.scope > Scope::Identifier
                    && analysis.nodes[*node].ids.iter().any(|id| id.0 == at)
            });
            of_node || outage.ids.iter().any(|id| id.0 == at)
        };
        Stretches::of(lawful().filter(of_it).map(Outage::silence).collect())
    });
    silent.reduce(|all, own| all.and(&own)).unwrap_or_default()
}

/// When a loss of a subject could be heard in a capture: while the bus was awake, the recording
/// ran, and it was not lost already nor silent for a lawful reason.
pub(super) fn watched(subject: &Subject, analysis: &Analysis) -> Vec<Silence> {
    let Some(span) = analysis.span else { return Vec::new() };
    let mut out = stops(analysis, &subject.channel);
    out.extend(lost(subject, analysis));
    out.extend(lawful(subject, analysis).0);
    Stretches::of(out).rest(span)
}

/// When a subject was lost in a capture, in order of time.
pub(super) fn lost(subject: &Subject, analysis: &Analysis) -> Vec<Silence> {
    let own = analysis.lost().filter(|outage| subject.is_in(analysis, outage));
    let mut out: Vec<Silence> = own.map(Outage::silence).collect();
    out.sort_unstable();
    out
}

/// Whether a subject was lost for all of a capture.
pub(super) fn lost_throughout(subject: &Subject, analysis: &Analysis) -> bool {
    let all = Stretches::of(lost(subject, analysis));
    analysis.span.is_some_and(|span| all.rest(span).is_empty())
}

#[cfg(test)]
mod tests {
    use super::*;

    fn stretches(all: &[(i64, i64)]) -> Stretches {
        Stretches::of(all.iter().map(|(start, end)| Silence { start: *start, end: *end }).collect())
    }

    #[test]
    fn what_overlaps_counts_once() {
        let both = stretches(&[(1, 5), (2, 3), (4, 9), (20, 30), (7, 7)]);
        assert_eq!(both, stretches(&[(1, 9), (20, 30)]));
        assert_eq!(
            both.and(&stretches(&[(0, 2), (8, 22)])),
            stretches(&[(1, 2), (8, 9), (20, 22)])
        );
        assert_eq!(Stretches(both.rest((5, 25))), stretches(&[(9, 20)]));
        assert_eq!(Stretches(both.rest((0, 40))), stretches(&[(0, 1), (9, 20), (30, 40)]));
    }
}
