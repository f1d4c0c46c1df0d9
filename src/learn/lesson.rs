//! What all captures together teach of one identifier.

use std::collections::{BTreeMap, BTreeSet};

use super::{Class, Key};
use crate::analysis::{
    Analysis, Cause, Channel, Evidence, Identifier, Nanoseconds, Outage, Silence, Why,
};
use crate::capture::ChannelIndex;
use crate::fold::timing::{AliveCounter, seconds};
use crate::ids::IdIndex;
use crate::roster_file::ExpectedMessage;

/// What each capture shows of an identifier.
#[derive(Clone, Debug, Default)]
pub(super) struct Lesson {
    seen: Vec<Seen>,
    timeout: Option<f64>,
    pauses: Option<f64>,
    counter: Option<AliveCounter>,
}

/// An identifier in one capture.
#[derive(Clone, Copy, Debug)]
struct Seen {
    /// Place of the capture.
    capture: usize,
    /// Times that it was sent: frames, or occasions where it keeps no period.
    times: u64,
    /// Seconds between frames, where it keeps a period.
    period: Option<f64>,
    /// Share of the capture in which it was there.
    held: f64,
    /// How often it was sent for each second with traffic: frames, or occasions of what speaks in
    /// bursts.
    rate: f64,
    /// Share of the frames of its channel.
    share: f64,
    thinned: bool,
    /// The key was off in a part of the capture, …
    key_off: bool,
    /// … and it was silent then.
    only_with_key: bool,
    /// Seconds by which it came late, or ended early.
    away: f64,
}

/// Once or twice teaches no rate. What has no timer is often repeated when it is sent, and the
/// repeats tell of one event: three events are wanted, and not three frames.
const FEWEST_TIMES: u64 = 3;
/// What speaks on fewer occasions than this for each second comes in bursts, and those are counted.
/// What speaks in nearly every second is not a single event each, and its frames are.
const BURSTS: f64 = 0.5;
/// What speaks for less than this share of the time that the bus is awake speaks on an occasion: a
/// few frames at key-on, or in one mode.
const HELD: f64 = 0.5;
/// In the captures that lack it, all together, fewer frames than this would have come: a capture
/// too short for a slow identifier is no witness against it.
const LACKED: f64 = 1.0;

/// What is first or last heard further from an edge of the recording than so many seconds, and so
/// many times as long as it takes from one to the next, was not sent there: modules start within
/// that time (common practice, no source).
const AT_AN_EDGE: f64 = 4.0;
const AT_AN_EDGE_GAPS: f64 = 3.0;

/// What all of a capture tells, against which each of its identifiers is held.
pub(super) struct Edges {
    /// Of each channel, when half of what is periodic was there, and when half of it was gone;
    /// `None` where nothing is.
    halves: Vec<Option<Silence>>,
    /// What was lost in it: that was not sent sometimes.
    lost: BTreeSet<IdIndex>,
    /// The longest pause, in seconds, of what may pause by nature.
    pauses: BTreeMap<IdIndex, f64>,
}

impl Edges {
    pub(super) fn of(analysis: &Analysis) -> Edges {
        let channels = 0..analysis.channels.len() as ChannelIndex;
        let lost = analysis.lost().filter(|outage| outage.channel.is_some());
        Edges {
            halves: channels.map(|channel| halves(analysis, channel)).collect(),
            lost: lost.flat_map(|outage| outage.ids.iter().copied()).collect(),
            pauses: pauses(analysis),
        }
    }

    /// Seconds by which an identifier came after half of what is periodic on its channel was there,
    /// or ended before half of it was gone: the longer of both.
    fn away(&self, at: IdIndex, id: &Identifier) -> f64 {
        let halves = self.halves[usize::from(id.channel)].filter(|_| !self.lost.contains(&at));
        let away = |((first, last), half): ((Nanoseconds, Nanoseconds), Silence)| {
            seconds((first - half.start).max(half.end - last))
        };
        id.heard.zip(halves).map_or(0.0, away)
    }
}

fn pauses(analysis: &Analysis) -> BTreeMap<IdIndex, f64> {
    // What a tester or another bus caused is no habit of a message.
    let habit = |evidence: &Evidence| {
        matches!(
            evidence,
            Evidence::Why(
                Why::PausesAgain { .. }
                    | Why::SenderWentOn
                    | Why::SenderUnknown
                    | Why::PausedWhenLearned { .. }
            )
        )
    };
    let by_nature = |outage: &&Outage| {
        outage.benign
            && outage.ids.len() == 1
            && outage.cause == Cause::Unknown
            && !outage.ongoing
            && outage.evidence.iter().any(habit)
    };
    let mut longest = BTreeMap::new();
    for outage in analysis.outages.iter().filter(by_nature) {
        for id in &outage.ids {
            let longest = longest.entry(*id).or_insert(0.0_f64);
            *longest = longest.max(outage.duration());
        }
    }
    longest
}

fn halves(analysis: &Analysis, channel: ChannelIndex) -> Option<Silence> {
    let own = |id: &&Identifier| id.channel == channel && id.rhythm.is_some();
    let (mut begins, mut ends): (Vec<Nanoseconds>, Vec<Nanoseconds>) =
        analysis.identifiers.iter().filter(own).filter_map(|id| id.heard).unzip();
    begins.sort_unstable();
    ends.sort_unstable();
    Some(Silence { start: *begins.get(begins.len() / 2)?, end: *ends.get(ends.len() / 2)? })
}

impl Lesson {
    /// Takes what a capture shows of it.
    pub(super) fn attend(
        &mut self,
        capture: usize,
        analysis: &Analysis,
        edges: &Edges,
        at: IdIndex,
    ) {
        let id = &analysis.identifiers[at];
        let channel = analysis.channel(id.channel);
        let awake = channel.awake.max(1e-3);
        let span = analysis.span.map_or(0.0, |(begin, end)| seconds(end - begin)).max(1e-3);
        let times = if id.pace.is_some() { id.frames } else { id.occasions };
        let bursts = id.pace.is_none() && (id.occasions as f64) < BURSTS * awake;
        let counted = if bursts { id.occasions } else { id.frames };
        let heard = id.heard.map_or(0.0, |(first, last)| seconds(last - first));
        self.seen.push(Seen {
            capture,
            times,
            period: id.pace.filter(|_| channel.thinned.is_none()),
            held: id.pace.map_or(heard / span, |period| id.frames as f64 * period / awake),
            rate: counted as f64 / awake,
            share: id.frames as f64 / channel.frames.max(1) as f64,
            thinned: channel.thinned.is_some(),
            key_off: !channel.key_off.is_empty(),
            only_with_key: id.only_with_key,
            away: edges.away(at, id),
        });
        self.timeout = [self.timeout, id.timeout].into_iter().flatten().reduce(f64::max);
        let paused = edges.pauses.get(&at).copied();
        self.pauses = [self.pauses, paused].into_iter().flatten().reduce(f64::max);
        self.counter = self.counter.or(id.counter);
    }

    /// Whether some capture shows it silent while the key was off.
    pub(super) fn was_keyed(&self) -> bool {
        self.seen.iter().any(|seen| seen.only_with_key)
    }

    /// Whether it was silent while the key was off in each of these captures that has it.
    pub(super) fn is_keyed_in(&self, key_off: &[usize]) -> bool {
        let contradicts = |seen: &Seen| key_off.contains(&seen.capture) && !seen.only_with_key;
        !self.seen.iter().any(contradicts)
    }

    /// The shortest and the longest of its periods.
    pub(super) fn periods(&self) -> Option<(f64, f64)> {
        let all = || self.seen.iter().filter_map(|seen| seen.period);
        Some((all().reduce(f64::min)?, all().reduce(f64::max)?))
    }

    /// What the roster says of it; `keyed` are all identifiers that need the key, where it is one.
    pub(super) fn message(
        &self,
        class: &Class<'_>,
        key: &Key,
        keyed: Option<&BTreeSet<Key>>,
    ) -> ExpectedMessage {
        let whole: Vec<Seen> = self.seen.iter().filter(|seen| !seen.thinned).copied().collect();
        let open: Vec<Seen> = whole.iter().filter(|seen| !seen.key_off).copied().collect();
        let least = |seen: &[Seen], of: fn(&Seen) -> f64| seen.iter().map(of).reduce(f64::min);
        // The longest period demands least, as do the least rate and share.
        let period = self.periods().map(|(_, longest)| longest);
        // A capture with the key off is no measure of a rate, where there is another.
        let rates = if open.is_empty() { &whole } else { &open };
        let rate = least(rates, |seen| seen.rate);
        let share = least(if whole.is_empty() { &self.seen } else { &whole }, |seen| seen.share);
        let message = ExpectedMessage {
            period,
            rate: rate.filter(|_| period.is_none()),
            share,
            seen: Some((self.seen.len(), class.with(&key.0).count())),
            key: keyed.is_some(),
            timeout: self.timeout.filter(|_| period.is_some()),
            pauses: self.pauses.filter(|_| period.is_some()),
            counter: self.counter,
            ..ExpectedMessage::remembered(key.1)
        };
        let expected = self.seen.iter().any(|seen| seen.times >= FEWEST_TIMES)
            && self.seen.iter().any(|seen| seen.held >= HELD)
            && self.lacked(class, key, &message, keyed) < LACKED;
        let gap = message.per_second().map_or(f64::INFINITY, |rate| 1.0 / rate);
        let edge = AT_AN_EDGE + AT_AN_EDGE_GAPS * gap;
        // What needs the key, or was off with it, is no message of a mode.
        let away = open.iter().filter(|seen| seen.away > edge).count();
        let sometimes = keyed.is_none() && away > 0 && away * 2 >= open.len();
        ExpectedMessage { expected, sometimes, ..message }
    }

    /// Frames of it that would have come in the captures that lack it.
    fn lacked(
        &self,
        class: &Class<'_>,
        key: &Key,
        message: &ExpectedMessage,
        keyed: Option<&BTreeSet<Key>>,
    ) -> f64 {
        let lacks = |at: usize, analysis: &Analysis| {
            !self.seen.iter().any(|seen| seen.capture == at)
                && !analysis.identifiers.iter().any(|id| id.id == key.1 && id.diagnostic)
        };
        let due = |analysis: &Analysis, channel: &Channel| {
            let by_share = || message.share.unwrap_or(0.0) * channel.frames as f64;
            let Some(per_second) = message.per_second().filter(|_| channel.thinned.is_none())
            else {
                return by_share();
            };
            let awake = match keyed {
                Some(keyed) => key_on(class, analysis, channel, keyed),
                None => channel.awake,
            };
            awake * per_second
        };
        class
            .with(&key.0)
            .filter(|(at, analysis, _)| lacks(*at, analysis))
            .map(|(_, analysis, channel)| due(analysis, channel))
            .sum()
    }
}

/// Seconds in which the key was on in a capture: none where nothing was heard that needs it.
fn key_on(class: &Class<'_>, analysis: &Analysis, channel: &Channel, keyed: &BTreeSet<Key>) -> f64 {
    let name = class.name(channel);
    let needs_key = |id: &Identifier| keyed.contains(&(name.clone(), id.id));
    if !analysis.identifiers.iter().any(needs_key) {
        return 0.0;
    }
    let off: f64 = channel.key_off.iter().map(|stretch| seconds(stretch.length())).sum();
    (channel.awake - off).max(0.0)
}
