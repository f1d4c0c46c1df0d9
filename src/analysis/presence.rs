//! When what a lane shows was heard.

use super::{Analysis, ErrorEvent, Lane, Nanoseconds, Occupant, Outage, Scope, Silence};
use crate::capture::ChannelIndex;

/// The common parts of two lists of silences in order of time, those of at least `least`
/// nanoseconds.
pub(super) fn common(a: &[Silence], b: &[Silence], least: Nanoseconds) -> Vec<Silence> {
    let (mut left, mut right) = (0, 0);
    let mut out = Vec::new();
    while let (Some(one), Some(other)) = (a.get(left), b.get(right)) {
        let both = Silence { start: one.start.max(other.start), end: one.end.min(other.end) };
        // Open ends are as wide as the numbers go, so their length may not fit.
        if both.end.saturating_sub(both.start) >= least.max(1) {
            out.push(both);
        }
        if one.end < other.end { left += 1 } else { right += 1 }
    }
    out
}

/// Silences of a lane with what lies before it was first heard and after it was last.
pub(super) fn with_ends(
    silent: impl IntoIterator<Item = Silence>,
    heard: (Nanoseconds, Nanoseconds),
) -> Vec<Silence> {
    let before = Silence { start: Nanoseconds::MIN, end: heard.0 };
    let after = Silence { start: heard.1, end: Nanoseconds::MAX };
    std::iter::once(before).chain(silent).chain([after]).collect()
}

impl Analysis {
    /// What stopped a whole channel, or all of them: sleep, pauses of the recording, bus faults.
    pub fn stops(&self, channel: ChannelIndex) -> impl Iterator<Item = &Outage> {
        let here = move |outage: &&Outage| {
            outage.scope >= Scope::Bus && outage.channel.is_none_or(|own| own == channel)
        };
        self.outages.iter().filter(here)
    }

    /// When at least one of some lanes of one channel was heard, in order of time. Where the whole
    /// channel stopped nobody was, whatever one of them says: a recording that pauses is no proof
    /// that somebody spoke.
    pub fn heard(&self, lanes: &[&Lane]) -> Vec<Silence> {
        let silences = lanes.iter().map(|lane| with_ends(lane.silent.iter().copied(), lane.heard));
        let Some(silent) = silences.reduce(|a, b| common(&a, &b, 1)) else { return Vec::new() };
        let stops = lanes.first().into_iter().flat_map(|lane| self.stops(lane.channel));
        let mut silent: Vec<Silence> =
            silent.into_iter().chain(stops.map(Outage::silence)).collect();
        silent.sort_unstable();
        let mut out = Vec::new();
        let mut from = Nanoseconds::MIN;
        for silence in silent {
            if silence.start > from && from > Nanoseconds::MIN {
                out.push(Silence { start: from, end: silence.start });
            }
            from = from.max(silence.end);
        }
        out
    }

    /// What a lane missed, by itself: those of which it misses least first, so that the others can
    /// be drawn above them.
    pub fn missed<'a>(&'a self, lane: &Lane) -> Vec<Missed<'a>> {
        let mut out: Vec<Missed<'a>> =
            lane.outages.iter().flat_map(|at| parts(lane, &self.outages[*at])).collect();
        out.sort_by_key(|missed| (missed.whole, missed.outage.scope));
        out
    }

    /// When errors destroyed frames of a lane, in order of time.
    pub fn errors_of(&self, lane: &Lane) -> Vec<Nanoseconds> {
        let errors = self.channel(lane.channel).errors.iter();
        errors.filter(|error| self.sender(error) == Some(lane.of)).map(|own| own.time).collect()
    }

    /// When errors were reported on a channel of which no lane tells: nobody knows whose frame was
    /// destroyed, or none was.
    pub fn errors_of_nobody(&self, channel: ChannelIndex) -> Vec<Nanoseconds> {
        let drawn = |of: Occupant| self.lanes.iter().any(|lane| lane.of == of);
        let errors = self.channel(channel).errors.iter();
        errors.filter(|own| !self.sender(own).is_some_and(drawn)).map(|own| own.time).collect()
    }

    /// Whose frame an error destroyed.
    fn sender(&self, error: &ErrorEvent) -> Option<Occupant> {
        let id = error.destroyed?;
        Some(self.identifiers[id].node.map_or(Occupant::Identifier(id), Occupant::Node))
    }
}

/// A part of an outage that belongs to one lane.
#[derive(Clone, Copy, Debug)]
pub struct Missed<'a> {
    /// The outage.
    pub outage: &'a Outage,
    /// When.
    pub part: Silence,
    /// All of the lane was silent, not only some of its identifiers.
    pub whole: bool,
}

/// Modules leave and return one by one while the key goes off and on, and some only with a part of
/// their messages; the outage is of all of them.
fn parts<'a>(lane: &Lane, outage: &'a Outage) -> Vec<Missed<'a>> {
    let missed = |part, whole| Missed { outage, part, whole };
    let all = outage.silence();
    if !outage.benign || outage.scope == Scope::Identifier {
        return vec![missed(all, outage.scope != Scope::Identifier)];
    }
    let own = common(&with_ends(lane.silent.iter().copied(), lane.heard), &[all], 1);
    if own.is_empty() {
        return vec![missed(all, false)];
    }
    own.into_iter().map(|part| missed(part, true)).collect()
}

#[cfg(test)]
mod tests {
    use super::*;

    fn silences(ends: &[(i64, i64)]) -> Vec<Silence> {
        ends.iter().map(|(start, end)| Silence { start: *start, end: *end }).collect()
    }

    fn lane(heard: (i64, i64), silent: &[(i64, i64)]) -> Lane {
        let of = super::super::Occupant::Identifier(crate::ids::IdIndex(0));
        Lane { of, channel: 0, heard, silent: silences(silent), outages: Vec::new() }
    }

    fn stop(start: i64, end: i64) -> Outage {
        Outage {
            scope: Scope::Bus,
            channel: Some(0),
            nodes: Vec::new(),
            ids: Vec::new(),
            never_heard: Vec::new(),
            start,
            end,
            unrecorded: 0,
            ongoing: false,
            cause: super::super::Cause::BusSleep,
            benign: false,
            doubt: None,
            ran_on: 0.0,
            divided: crate::outage::Division::No,
            evidence: Vec::new(),
        }
    }

    #[test]
    fn common_parts() {
        let (a, b) = (silences(&[(0, 10), (20, 30)]), silences(&[(5, 22), (25, 40)]));
        assert_eq!(common(&a, &b, 1), silences(&[(5, 10), (20, 22), (25, 30)]));
        assert_eq!(common(&a, &b, 3), silences(&[(5, 10), (25, 30)]));
        assert_eq!(common(&a, &[], 1), []);
    }

    #[test]
    fn nobody_is_heard_in_a_stop_or_where_all_are_silent() {
        let mut analysis = Analysis { outages: vec![stop(40, 60)], ..Analysis::default() };
        let (one, other) = (lane((0, 100), &[(10, 20), (41, 59)]), lane((5, 90), &[(15, 30)]));
        let heard = |analysis: &Analysis, lanes: &[&Lane]| analysis.heard(lanes);
        assert_eq!(heard(&analysis, &[&one]), silences(&[(0, 10), (20, 40), (60, 100)]));
        assert_eq!(heard(&analysis, &[&one, &other]), silences(&[(0, 15), (20, 40), (60, 100)]));
        analysis.outages[0].channel = Some(1);
        assert_eq!(heard(&analysis, &[&other]), silences(&[(5, 15), (30, 90)]));
        assert_eq!(heard(&analysis, &[]), []);
    }
}
