//! What stops because the bus that it is carried from stopped.

use std::collections::BTreeSet;

use super::super::Observed;
use super::super::facts::AT_ONCE;
use super::{Judged, Verdict, Why};
use crate::capture::ChannelIndex;
use crate::fold::timing::{Silence, nanoseconds, seconds};
use crate::ids::IdIndex;
use crate::network::Basis;
use crate::silence::{self, Event, Loss, Stop, StopKind};

/// A stop elsewhere lasts for this share of what it takes along, as far as anything was recorded.
const COVERED: f64 = 0.85;

/// A gateway has nothing to carry over while the bus that it listens to is dead: what falls silent
/// with that bus and is silent for as long was carried from there. Two faults that know nothing of
/// each other do not begin and end together. What errors spoiled, or what started anew, has a cause
/// of its own.
pub(super) fn excuse(observed: &Observed<'_>, judged: &mut [Judged]) {
    let stops = &observed.losses.stops;
    for judged in judged.iter_mut().filter(|judged| judged.verdict == Verdict::Lost) {
        let with_another = judged.events.iter().all(|event| {
            let silence = Silence { start: event.onset, end: event.back.max(event.onset) };
            !event.ongoing && is_with_another(stops, event.channel, silence)
        });
        let own_cause =
            matches!(judged.why, Why::OwnErrors { .. } | Why::Restarted | Why::Boots { .. });
        if with_another && !own_cause {
            (judged.verdict, judged.doubt, judged.why) =
                (Verdict::Pauses, None, Why::OtherBusStopped);
        }
    }
}

/// A message that nobody is known to send on this bus is carried over from the one where it stopped
/// with all of its module; of two such, from the first. It is one loss.
pub(super) fn leave_echoes(observed: &Observed<'_>, judged: &mut [Judged]) {
    if observed.timing.channels.len() < 2 {
        return;
    }
    let lost = || judged.iter().filter(|judged| judged.verdict == Verdict::Lost);
    let message = |id: IdIndex| observed.timing.ids[id].key.id;
    let unknown = |id: IdIndex| {
        observed.network.node_of[id].is_none_or(|node| {
            let node = &observed.network.nodes[node];
            node.ids.len() == 1 && !Basis::any_is_told(&node.basis)
        })
    };
    let is_source = |own: &Event, judged: &Judged, other: &Event| {
        let same = |loss: &&Loss| message(loss.id) == message(own.losses[0].id);
        let with = |loss: &Loss| {
            let silence = own.losses[0].silence;
            loss.silence.overlap(&silence) * 2 > silence.length()
        };
        other.channel != own.channel
            && (other.channel < own.channel || judged.ids().len() > 1)
            && other.losses.iter().find(same).is_some_and(with)
    };
    let is_echo = |judged: &Judged| match judged.events.as_slice() {
        [event] => {
            matches!(event.losses[..], [ref loss] if unknown(loss.id))
                && lost()
                    .any(|judged| judged.events.iter().any(|other| is_source(event, judged, other)))
        }
        _ => false,
    };
    let echoes: Vec<usize> = (0..judged.len())
        .filter(|at| judged[*at].verdict == Verdict::Lost && is_echo(&judged[*at]))
        .collect();
    for at in echoes {
        let judged = &mut judged[at];
        (judged.verdict, judged.doubt, judged.why) = (Verdict::Pauses, None, Why::CarriedOver);
    }
}

/// So many identifiers, …
const CARRIED: usize = 4;
/// … and this share of all that left, go on on another bus where what carries them over failed.
const MOST_GO_ON: f64 = 0.6;
/// A shorter time in which they go on there, in seconds, is too short to tell.
const GOES_ON: f64 = 2.0;

/// A key stops who sends, and so the same messages on every bus. Where most of what left as with a
/// key goes on on another bus, and none of it stops there, what carries it over failed. Of six such
/// of invented vehicles by two authors five were a gateway's.
pub(super) fn blame_what_carries(observed: &Observed<'_>, judged: &mut [Judged]) {
    if observed.timing.channels.len() < 2 {
        return;
    }
    // What stops with the whole bus, or with an engine that stands, is surely the key's.
    let by_key = |judged: &&mut Judged| {
        judged.verdict == Verdict::SwitchedOff
            && judged.doubt.is_some()
            && !matches!(judged.why, Why::EngineStood)
    };
    for judged in judged.iter_mut().filter(by_key) {
        let losses = || judged.events.iter().flat_map(|event| &event.losses);
        let mut all: Vec<IdIndex> = losses().map(|loss| loss.id).collect();
        all.sort_unstable();
        all.dedup();
        let told = losses()
            .filter(|loss| seconds(loss.silence.length()) >= GOES_ON)
            .filter_map(|loss| Some((loss.id, goes_on(observed, loss)?)));
        let (on, stopped): (Vec<_>, Vec<_>) = told.partition(|(_, on)| *on);
        let on: BTreeSet<IdIndex> = on.into_iter().map(|(id, _)| id).collect();
        let (messages, of) = (on.len(), all.len());
        let most = messages as f64 >= MOST_GO_ON * of as f64;
        if stopped.is_empty() && messages >= CARRIED && most {
            (judged.verdict, judged.doubt, judged.why) =
                (Verdict::Lost, None, Why::WentOnElsewhere { messages, of });
        }
    }
}

/// Whether a message goes on on another bus while it is lost; `None` where no other has it then.
fn goes_on(observed: &Observed<'_>, loss: &Loss) -> Option<bool> {
    let own = observed.timing.ids[loss.id].key;
    let twin = |id: &IdIndex| {
        let timing = &observed.timing.ids[*id];
        timing.key.id == own.id
            && timing.key.channel != own.channel
            && timing.heard.is_some_and(|(first, _)| first < loss.silence.start)
            && observed.losses.expected[*id].is_some()
    };
    let twin = (0..observed.timing.ids.len()).map(IdIndex).find(twin)?;
    let timing = &observed.timing.ids[twin];
    let until = nanoseconds(observed.losses.expected[twin]?.timeout);
    let (_, last) = timing.heard?;
    let mut silent = timing.silences.at_least(nanoseconds(AT_ONCE));
    let stops = silent.any(|own| own.overlap(&loss.silence) * 2 > loss.silence.length());
    let lost = observed.losses.of(twin).iter().any(|own| own.silence.overlap(&loss.silence) > 0);
    Some(!stops && !lost && last.saturating_add(until) >= loss.silence.end)
}

fn is_with_another(stops: &[Stop], channel: ChannelIndex, own: Silence) -> bool {
    let failed = |stop: &&Stop| {
        matches!(stop.kind, StopKind::BusFault | StopKind::Unknown)
            && !stop.unclear
            && stop.channel.is_some_and(|other| other != channel)
    };
    let at_once = |stop: &Stop| {
        (stop.silence.start - own.start).abs() <= nanoseconds(AT_ONCE)
            && stop.silence.end - own.end <= nanoseconds(AT_ONCE)
    };
    if !stops.iter().filter(failed).any(at_once) {
        return false;
    }
    let paused = stops.iter().filter(|stop| stop.channel.is_none());
    let silent = stops.iter().filter(failed).chain(paused).map(|stop| stop.silence).collect();
    let covered = silence::covered(&silence::merged(silent), own);
    covered as f64 >= COVERED * own.length() as f64
}
