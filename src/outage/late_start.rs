//! What a roster expects, and the recording found silent, and that came later. What is heard
//! before a silence shows when it began; here only the roster knows that anything was missing. A
//! vehicle that is being switched on starts its modules at many instants: nothing is said of it.
//! And what begins once may have been started by the key, a mode or the user: it was lost only
//! where it is lost again.

use std::collections::BTreeSet;

use super::{Cause, Doubt, Evidence, Observed, Outage, Scope};
use crate::capture::ChannelIndex;
use crate::fold::timing::{Nanoseconds, Silence, nanoseconds, seconds};
use crate::ids::{IdIndex, NodeIndex};
use crate::network::Basis;
use crate::silence::{KeyState, QUEUE, Roll, Twins, in_packets};

/// What comes so many seconds after its channel was not only late with its first frame.
const LATER: f64 = 1.0;
/// What is late has missed at least so many frames by then.
const DUE: f64 = 3.0;
/// The bus ran as the recording began where this share of what the roster expects of the others was
/// there at once.
const RUNNING: f64 = 0.8;
/// Modules take so many seconds, besides a period, from their first identifier to their last
/// (common practice, no source).
const START_UP: f64 = 2.0;
/// A pause is as long as another one where it is no more than so many times as long.
const LONGER: f64 = 1.5;
/// A pause may be longer than another one by so many periods besides, and still be as long.
const PERIODS: f64 = 2.0;
/// More than this share of a channel is what the key switches on, and not one module.
const MOST_OF_CHANNEL: f64 = 0.5;

/// What came late, beside the `others` that were silent.
pub(super) fn find(observed: &Observed<'_>, others: &[Outage]) -> Vec<Outage> {
    let twins = Twins::of(observed.timing);
    let channels = 0..observed.timing.channels.len();
    let late = channels.filter_map(|at| of_channel(observed, &twins, at as ChannelIndex));
    let mut late: Vec<Outage> = late.collect();
    for own in late.iter_mut().filter(|own| !own.benign && !is_lost_again(own, others)) {
        own.benign = true;
        own.doubt = Some(Doubt::CameLate);
    }
    late
}

/// Whether half or more of what came late was lost another time: of 26 that were not, of invented
/// vehicles, 24 had no fault, whatever codes said (six sets of five worlds by others); both that
/// were are of a fault.
fn is_lost_again(late: &Outage, others: &[Outage]) -> bool {
    let again = |other: &Outage| {
        2 * late.ids.iter().filter(|id| other.ids.contains(id)).count() >= late.ids.len()
    };
    others.iter().any(|other| other.is_loss() && again(other))
}

fn of_channel(observed: &Observed<'_>, twins: &Twins<'_>, channel: ChannelIndex) -> Option<Outage> {
    let at = usize::from(channel);
    let (begin, _) = observed.timing.channels[at].heard?;
    let losses = observed.losses.channels.get(at)?;
    if losses.thinned.is_some() || losses.roll.expected == 0 {
        return None;
    }
    let first = |id: IdIndex| observed.timing.ids[id].heard.map(|(first, _)| first);
    let own: Vec<IdIndex> = (0..observed.timing.ids.len())
        .map(IdIndex)
        .filter(|id| observed.timing.ids[*id].key.channel == channel)
        .collect();
    let late = own.iter().copied().filter(|id| is_late((observed, twins), *id, begin));
    let late: Vec<IdIndex> = late.collect();
    let others = losses.roll.expected.saturating_sub(late.len());
    let of_a_mode = |id: &IdIndex| sender_is_there(observed, *id, begin);
    let late: Vec<IdIndex> = late.into_iter().filter(|id| !of_a_mode(id)).collect();
    let back = late.iter().filter_map(|id| first(*id)).min()?;
    // Modules that come one after the other are being started.
    let together = |id: &IdIndex| {
        let period = observed.losses.expected[*id].map_or(0.0, |expected| expected.rhythm.period);
        first(*id).is_some_and(|first| first - back <= nanoseconds(START_UP + 1.5 * period))
    };
    let at_once = own.iter().filter(|id| is_prompt(observed, **id, begin)).count();
    let stopped = observed.losses.stops.iter().any(|stop| {
        stop.concerns(channel) && stop.silence.start < back && stop.silence.end > begin
    });
    let running = others > 0 && at_once as f64 >= RUNNING * others as f64;
    if !running || stopped || !late.iter().all(together) || is_key_on(observed, &own, &late) {
        return None;
    }
    Some(outage(observed, &losses.roll, (begin, back), late))
}

fn outage(
    observed: &Observed<'_>,
    roll: &Roll,
    (begin, back): (Nanoseconds, Nanoseconds),
    ids: Vec<IdIndex>,
) -> Outage {
    let nodes = whole_nodes(observed, &ids);
    let of_nodes: usize = nodes.iter().map(|node| watched(observed, *node).count()).sum();
    let known = of_nodes == ids.len();
    let scope = match nodes.len() {
        1 if known => Scope::Node,
        2.. if known => Scope::Branch,
        _ => Scope::Identifier,
    };
    // So much at once may have been waiting for the key.
    let perhaps_key_off =
        roll.key == KeyState::NotKnown && ids.len() as f64 > MOST_OF_CHANNEL * roll.expected as f64;
    let due = ids.iter().map(|id| due(observed, *id, back - begin)).fold(f64::INFINITY, f64::min);
    let mut evidence = vec![Evidence::SilentFromTheStart { seconds: seconds(back - begin), due }];
    if !known {
        let (identifiers, expected) = (ids.len(), roll.expected);
        evidence.push(Evidence::ProbablyOneNode { identifiers, expected, perhaps_key_off });
    }
    let lone = !known && ids.len() == 1;
    Outage {
        channel: Some(observed.timing.ids[ids[0]].key.channel),
        nodes: if known { nodes } else { Vec::new() },
        ids,
        cause: if perhaps_key_off { Cause::SwitchedOff } else { Cause::Unknown },
        benign: perhaps_key_off || lone,
        doubt: match (perhaps_key_off, lone) {
            (true, _) => Some(Doubt::KeyOrSupply),
            (false, true) => Some(Doubt::SenderUnknown),
            (false, false) => None,
        },
        evidence,
        ..Outage::of(scope, Silence { start: begin, end: back })
    }
}

/// Whether most of what needs the key, as the roster knows, came only then: it was turned on.
fn is_key_on(observed: &Observed<'_>, own: &[IdIndex], late: &[IdIndex]) -> bool {
    let needs_key = |id: &&IdIndex| {
        observed.losses.expected[**id].and_then(|own| own.roster).is_some_and(|own| own.key)
    };
    let (all, late) = (own.iter().filter(needs_key).count(), late.iter().filter(needs_key).count());
    late > 0 && late as f64 >= MOST_OF_CHANNEL * all as f64
}

/// Nodes that somebody named, all of whose identifiers are among these.
fn whole_nodes(observed: &Observed<'_>, ids: &[IdIndex]) -> Vec<NodeIndex> {
    let nodes: BTreeSet<NodeIndex> =
        ids.iter().filter_map(|id| observed.network.node_of[*id]).collect();
    let whole = |node: &NodeIndex| watched(observed, *node).all(|id| ids.contains(&id));
    // A guess that holds all that was late agrees with the traffic.
    let alone = nodes.len() == 1;
    nodes.into_iter().filter(|node| (alone || is_named(observed, *node)) && whole(node)).collect()
}

/// Whether somebody named a node in the roster.
fn is_named(observed: &Observed<'_>, node: NodeIndex) -> bool {
    observed.network.expected.iter().any(|here| here.node == node && !here.guessed)
}

fn watched(observed: &Observed<'_>, node: NodeIndex) -> impl Iterator<Item = IdIndex> {
    let ids = observed.network.nodes[node].ids.iter().copied();
    ids.filter(|id| observed.losses.expected[*id].is_some())
}

/// Frames of an identifier that would have come in a time.
fn due(observed: &Observed<'_>, id: IdIndex, time: Nanoseconds) -> f64 {
    let period = |expected: crate::silence::Expectation| expected.rhythm.period;
    seconds(time) / observed.losses.expected[id].map_or(f64::INFINITY, period)
}

/// Whether the roster expects an identifier always, and it came long after it was due.
fn is_late(
    (observed, twins): (&Observed<'_>, &Twins<'_>),
    id: IdIndex,
    begin: Nanoseconds,
) -> bool {
    let Some(expected) = observed.losses.expected[id].filter(|expected| expected.roster.is_some())
    else {
        return false;
    };
    let Some((first, _)) = observed.timing.ids[id].heard else { return false };
    let key = observed.timing.ids[id].key;
    let away = Silence { start: begin, end: first };
    due(observed, id, first - begin) >= DUE
        && !is_in_a_pause(observed, id, first - begin)
        && !in_packets(observed.timing, observed.diagnostics, key, away)
        && twins.is_silent(id, away)
        && first - begin >= nanoseconds(LATER.max(expected.timeout + QUEUE))
}

/// Whether an identifier pauses again and again, each time for as long as it was away at first: the
/// recording began within a pause.
fn is_in_a_pause(observed: &Observed<'_>, id: IdIndex, away: Nanoseconds) -> bool {
    let period = observed.losses.expected[id].map_or(0.0, |expected| expected.rhythm.period);
    let least = (seconds(away) - PERIODS * period) / LONGER;
    let pauses = observed.losses.of(id).iter().filter(|loss| !loss.ongoing);
    let mut lengths = pauses.map(|loss| seconds(loss.silence.length())).peekable();
    lengths.peek().is_some() && lengths.all(|length| length >= least)
}

/// Whether the known sender of an identifier was there all the time: what it sends only later it
/// sends in some mode of the vehicle. Of twelve first findings of invented vehicles that rested on
/// what came later in a recording none was right (nine sets of two worlds by others).
fn sender_is_there(observed: &Observed<'_>, id: IdIndex, begin: Nanoseconds) -> bool {
    let Some(node) = observed.network.node_of[id] else { return false };
    let basis = &observed.network.nodes[node].basis;
    let told = basis.iter().any(|own| matches!(own, Basis::Address | Basis::Field));
    (told || is_named(observed, node))
        && watched(observed, node).any(|other| is_prompt(observed, other, begin))
}

/// Whether an identifier was there as soon as its period let it.
fn is_prompt(observed: &Observed<'_>, id: IdIndex, begin: Nanoseconds) -> bool {
    let expected = observed.losses.expected[id].filter(|expected| expected.roster.is_some());
    let first = observed.timing.ids[id].heard.map(|(first, _)| first);
    expected.zip(first).is_some_and(|(expected, first)| first <= expected.due(begin))
}
