//! Frames that a gateway carries from one bus to another.

use std::collections::{BTreeMap, BTreeSet};

use lostnode_parsers::Id;

use super::elsewhere::{self, Floods};
use super::told::{is_gateway, names_gateway};
use super::{Symptom, once, starts};
use crate::analysis::blame::Frames;
use crate::analysis::subject::Subject;
use crate::analysis::symptom::{Fact, Setting, Sign, SymptomKind};
use crate::analysis::{Analysis, Identifier, J1939, Outage, Scope};
use crate::fold::timing::{Nanoseconds, nanoseconds};
use crate::ids::{ChannelIndex, IdIndex, NodeIndex};
use crate::network::common_address;

/// Fewest identifiers that stop on one bus and go on on the other: the same number on two buses may
/// be two messages.
const FEWEST_CARRIED: usize = 2;

/// … and one in so many of what a bus shares with others: where a gateway failed, it was four in
/// ten and more (captures of the simulated world, docs/findings.md).
const PART: usize = 4;

/// Identifiers that two buses carry, and that stop on one of them while they go on on the other:
/// whoever sends them is well, and what carries them over is not. Which bus is which, the traffic
/// need not tell.
pub fn stopped(analysis: &Analysis, shown: &[Symptom], floods: &Floods) -> Stopped {
    let mut times: BTreeMap<IdIndex, usize> = BTreeMap::new();
    // On a flooded bus what is carried over waits like everything else; on a bad line it is lost
    // like everything else.
    let flooded = |outage: &&Outage| {
        outage.channel.is_some_and(|channel| {
            shown.iter().any(|own| {
                matches!(own.kind(), SymptomKind::Flood | SymptomKind::LostInTurn)
                    && own.subject == Subject::Channel(channel)
            })
        })
    };
    // Where all of a bus stops, this one or that which it is carried from, no gateway is behind it.
    let stops: Vec<&Outage> =
        analysis.outages.iter().filter(|outage| outage.scope == Scope::Bus).collect();
    let of_a_stop = |outage: &&Outage| {
        stops.iter().any(|stop| {
            (stop.channel == outage.channel || stop.is_loss())
                && stop.silence().overlap(&outage.silence()) > 0
        })
    };
    let mut losses: Vec<&Outage> = Vec::new();
    for outage in analysis
        .lost()
        .filter(|outage| !flooded(outage) && !of_a_stop(outage) && !floods.took(analysis, outage))
    {
        let ids = outage.ids.iter().filter(|id| goes_on_elsewhere(analysis, **id, outage));
        let ids: Vec<&IdIndex> = ids.collect();
        losses.extend((!ids.is_empty()).then_some(outage));
        ids.into_iter().for_each(|id| *times.entry(*id).or_default() += 1);
    }
    // A gateway that fails stops all that it carries to a bus, or most of it. Few of many are some
    // module that both buses hear.
    let mut stopped: BTreeMap<ChannelIndex, usize> = BTreeMap::new();
    for id in times.keys() {
        *stopped.entry(analysis.identifiers[*id].channel).or_default() += 1;
    }
    let carried = carried(analysis);
    times.retain(|id, _| {
        let channel = analysis.identifiers[*id].channel;
        stopped[&channel] * PART >= carried.get(&channel).copied().unwrap_or(0)
    });
    let most = times.values().copied().max().unwrap_or(0);
    let fact = Fact::NotCarried { ids: times.len(), times: most };
    if times.len() < FEWEST_CARRIED {
        return Stopped::Nothing;
    }
    let begins: Vec<Nanoseconds> = losses.iter().map(|outage| outage.start).collect();
    // The starter pulls gateways down too.
    match starts::may_be_one(analysis, &once::once_each(losses.into_iter())) {
        true => Stopped::ByStarter,
        false => Stopped::Symptom(Box::new(Symptom::new(Subject::Vehicle, fact)), begins),
    }
}

/// What falls silent within so many seconds of what is not carried over, and its own periods, may
/// be the gateway's own.
const AT_ONCE: f64 = 0.1;

/// Marks modules each of whose losses begins as something is not carried over any more.
pub fn mark(analysis: &Analysis, begins: &[Nanoseconds], out: &mut [Symptom]) {
    for symptom in out.iter_mut().filter(|own| own.kind() == SymptomKind::NodeSilent) {
        let losses = elsewhere::losses(analysis, &symptom.subject);
        let begins_then = |outage: &&Outage| {
            let period = analysis.fastest(&outage.ids).unwrap_or(0.0);
            let near = nanoseconds(AT_ONCE + period);
            begins.iter().any(|begin| (begin - outage.start).abs() <= near)
        };
        if !losses.is_empty() && losses.iter().all(begins_then) && symptom.setting == Setting::Usual
        {
            symptom.setting = Setting::Gateway;
        }
    }
}

/// Marks silent nodes that are called a gateway, by whoever named them or by the codes of others.
pub fn mark_called(analysis: &Analysis, out: &mut [Symptom]) {
    let missed = |own: NodeIndex| {
        analysis.diagnosis.blame.iter().any(|row| {
            use Frames::{FellSilent, OnlyOneSilent};
            matches!(row.frames, FellSilent { .. } | OnlyOneSilent { .. })
                && row.frames.node() == Some(own)
                && names_gateway(row)
        })
    };
    for symptom in out.iter_mut().filter(|own| own.kind() == SymptomKind::NodeSilent) {
        if let Subject::Node(node) = symptom.subject
            && symptom.setting == Setting::Usual
            && (is_gateway(&analysis.nodes[node].name) || missed(node))
        {
            symptom.setting = Setting::CalledGateway;
        }
    }
}

/// Marks the one called gateway where nothing else is lost but what it carries to another bus,
/// which stops as it does: then it passes nothing on, and what it took along speaks for it.
pub fn mark_lone(analysis: &Analysis, out: &mut [Symptom]) {
    let mut called = out.iter().filter(|own| own.setting == Setting::CalledGateway);
    let (Some(gateway), None) = (called.next(), called.next()) else { return };
    let subject = gateway.subject.clone();
    let own = elsewhere::losses(analysis, &subject);
    let of_it = |outage: &Outage| outage.nodes == subject.nodes();
    let copies = |outage: &Outage| !of_it(outage) && stops_with(analysis, outage, &own);
    if own.is_empty() || !analysis.lost().all(|outage| of_it(outage) || copies(outage)) {
        return;
    }
    for symptom in out.iter_mut().filter(|own| own.kind() == SymptomKind::NodeSilent) {
        if symptom.subject == subject {
            symptom.setting = Setting::LoneGateway;
            symptom.company.clear();
        } else if symptom.setting == Setting::Usual
            && elsewhere::losses(analysis, &symptom.subject).into_iter().any(copies)
        {
            symptom.setting = Setting::Gateway;
            symptom.company.clear();
        }
    }
}

/// Whether all that stops is on another bus too, and it stops as one of these does.
fn stops_with(analysis: &Analysis, outage: &Outage, others: &[&Outage]) -> bool {
    let period = |outage: &Outage| analysis.fastest(&outage.ids).unwrap_or(0.0);
    let with = |other: &&Outage| {
        let near = nanoseconds(AT_ONCE + period(outage) + period(other));
        (outage.start - other.start).abs() <= near
    };
    let twice = |id: &IdIndex| {
        let own = &analysis.identifiers[*id];
        analysis.identifiers.iter().any(|other| other.id == own.id && other.channel != own.channel)
    };
    !outage.ids.is_empty() && outage.ids.iter().all(twice) && others.iter().any(with)
}

/// Marks what others miss where that is the gateway that fell silent alone.
pub fn mark_missed(out: &mut [Symptom]) {
    let lone = out.iter().find(|own| own.setting == Setting::LoneGateway);
    let Some(gateway) = lone.map(|own| own.subject.clone()) else { return };
    let missed = |own: &&mut Symptom| own.kind() == SymptomKind::MissedByOthers;
    for symptom in out.iter_mut().filter(missed).filter(|own| own.subject == gateway) {
        symptom.setting = Setting::LoneGateway;
    }
}

/// Whether what two buses carry stopped on one of them.
pub enum Stopped {
    /// It did not.
    Nothing,
    /// It did, and nothing but the starter need be behind it.
    ByStarter,
    /// It did, and began to at these times.
    Symptom(Box<Symptom>, Vec<Nanoseconds>),
}

/// By channel: how many identifiers it has on timers that another one has too.
fn carried(analysis: &Analysis) -> BTreeMap<ChannelIndex, usize> {
    let mut channels: BTreeMap<Id, BTreeSet<ChannelIndex>> = BTreeMap::new();
    for id in analysis.identifiers.iter().filter(|id| id.rhythm.is_some()) {
        channels.entry(id.id).or_default().insert(id.channel);
    }
    let mut out = BTreeMap::new();
    for channel in channels.values().filter(|channels| channels.len() >= 2).flatten() {
        *out.entry(*channel).or_default() += 1;
    }
    out
}

/// Whether an identifier goes on on another bus while it is lost on its own.
pub(super) fn goes_on_elsewhere(analysis: &Analysis, id: IdIndex, outage: &Outage) -> bool {
    let own = &analysis.identifiers[id];
    // Told first, since it leaves next to none.
    let twin =
        |(_, other): &(usize, &Identifier)| other.channel != own.channel && other.id == own.id;
    let mut twins = analysis.identifiers.iter().enumerate().filter(twin);
    twins.any(|(at, _)| goes_on(analysis, IdIndex(at), outage))
}

/// Whether an identifier of another bus is sent throughout an outage.
fn goes_on(analysis: &Analysis, at: IdIndex, outage: &Outage) -> bool {
    let other = &analysis.identifiers[at];
    let missing = |loss: &Outage| {
        let there = loss.ids.contains(&at)
            || loss.channel == Some(other.channel) && loss.scope >= Scope::Bus;
        there && loss.silence().overlap(&outage.silence()) > 0
    };
    // What is silent there for half of the time, be it too short for its time-out, stopped there
    // too.
    let own_time = outage.silence();
    let stops = other.gaps.iter().chain(&other.silent);
    let stopped = stops.into_iter().any(|gap| gap.overlap(&own_time) * 2 > own_time.length());
    let late = nanoseconds(other.timeout.unwrap_or(0.0));
    let lasts = |(first, last): (Nanoseconds, Nanoseconds)| {
        first <= outage.start && last + late >= outage.end
    };
    other.rhythm.is_some()
        && other.heard.is_some_and(lasts)
        && !stopped
        && !analysis.outages.iter().any(missing)
}

/// Several of a set of modules that are heard elsewhere while the set is lost. One may be a module
/// of two buses.
const HEARD: usize = 2;

/// Notes of modules that are lost together how many of them are heard on another bus meanwhile: by
/// their messages, or by their address (SAE J1939-21, 5.2). What was lost, a gateway carried here.
pub fn note_heard(analysis: &Analysis, out: &mut [Symptom]) {
    for symptom in out.iter_mut().filter(|own| own.kind() == SymptomKind::NodesSilent) {
        let losses = elsewhere::losses(analysis, &symptom.subject);
        let heard = |outage: &&Outage| {
            let nodes = outage.nodes.iter();
            nodes.filter(|node| is_heard_elsewhere(analysis, **node, outage)).count()
        };
        let mut counts: Vec<usize> = losses.iter().map(heard).collect();
        counts.sort_unstable();
        let modules = counts.get(counts.len() / 2).copied().unwrap_or(0);
        if modules >= HEARD {
            symptom.signs.push(Sign::HeardElsewhere(modules));
        }
    }
}

/// Whether a node that is lost is heard on another bus throughout.
fn is_heard_elsewhere(analysis: &Analysis, node: NodeIndex, outage: &Outage) -> bool {
    let lost = outage.ids.iter().filter(|id| analysis.identifiers[**id].node == Some(node));
    let lost: Vec<IdIndex> = lost.copied().collect();
    let speaks = |channel| analysis.channel(channel).j1939 == J1939::Yes;
    let address = common_address(lost.iter().map(|id| analysis.identifiers[*id].id))
        .filter(|_| outage.channel.is_some_and(speaks));
    let at_address = |other: &Identifier| {
        Some(other.channel) != outage.channel
            && speaks(other.channel)
            && common_address(std::iter::once(other.id)) == address
    };
    let by_address = || {
        (0..analysis.identifiers.len())
            .map(IdIndex)
            .any(|at| at_address(&analysis.identifiers[at]) && goes_on(analysis, at, outage))
    };
    lost.iter().any(|id| goes_on_elsewhere(analysis, *id, outage))
        || address.is_some() && by_address()
}
