//! Answers to a tester while the messages of a module are silent: who answers has supply, ground
//! and bus.

use std::cmp::Reverse;
use std::collections::{BTreeMap, BTreeSet};

use lostnode_parsers::Id;
use lostnode_parsers::frame::raw_id;
use lostnode_parsers::j1939::{self, Fields};

use super::company;
use crate::analysis::diagnosis::{Module, Mute, Party, TalkEntry};
use crate::analysis::subject::Subject;
use crate::analysis::symptom::Sign;
use crate::analysis::{Analysis, Identifier, J1939, Node, Outage, Scope};
use crate::capture::ChannelIndex;
use crate::fold::diagnostics::{EVERYONE, answers_about_emissions};
use crate::fold::timing::{Nanoseconds, nanoseconds, seconds};
use crate::ids::NodeIndex;

/// Seconds of a silence, or until the end, from which its messages have ended and do not only pause
/// (common practice, no source).
const LONG: f64 = 10.0;
/// An answer counts so many seconds after the last of the messages and before the first that is
/// back: a module that starts answers before it sends, and one whose supply goes sends for a while
/// (common practice, no source).
const AFTER: f64 = 1.0;
const BEFORE: f64 = 0.3;
/// Where nothing tells which module a node is, what is asked counts so many seconds after the loss:
/// one that has lost its supply may answer a last time (common practice, no source).
const LATER: f64 = 6.0;
/// Modules that answer, from which a tester is taken to ask all that are fitted (common practice,
/// no source).
const ASKED: usize = 5;

/// What answers tell of what fell silent; nothing where a tester itself ended its messages.
pub fn while_silent(analysis: &Analysis, subject: &Subject, outages: &[&Outage]) -> Option<Sign> {
    if analysis.diagnosis.switched_off {
        return None;
    }
    let node = match *subject {
        Subject::Node(node) => node,
        Subject::Sender(_) => return all_answer(analysis, outages),
        _ => return None,
    };
    let talks = analysis.diagnosis.talks.iter();
    let own: Vec<&TalkEntry> =
        talks.filter(|talk| analysis.node_of(talk.module) == Some(node)).collect();
    // What may be several modules, of which some are not asked, is no one of them.
    let is_one = company::several(analysis, node, outages).is_none_or(|odds| odds <= 1.0);
    let asked = asked_for(analysis, node);
    match own.is_empty() && asked.is_empty() {
        true if is_one => all_answer(analysis, outages),
        true => None,
        false => of_its_own(&own, &asked, outages),
    }
}

/// When an address of SAE J1939 sent codes of before, which nobody sends unasked (SAE J1939-73,
/// DM2): the first and the last time.
fn asked_for(analysis: &Analysis, node: NodeIndex) -> Vec<Nanoseconds> {
    let Some(address) = analysis.source_address(node) else { return Vec::new() };
    let channel = analysis.nodes[node].channel;
    let of_it = |id: &&Identifier| match id.id {
        Id::Extended(raw) => {
            let fields = Fields::of(raw);
            (id.channel, fields.pgn, fields.source) == (channel, j1939::DM2, address)
        }
        Id::Standard(_) => false,
    };
    // Some send it on a timer all the same.
    let asked = |id: &&Identifier| id.rhythm.is_none();
    let asked = analysis.identifiers.iter().filter(of_it).filter(asked);
    asked.filter_map(|id| id.heard).flat_map(|(first, last)| [first, last]).collect()
}

/// What it answered, or did not, in its silences; `asked` is when it sent what it was asked for.
fn of_its_own(own: &[&TalkEntry], asked: &[Nanoseconds], outages: &[&Outage]) -> Option<Sign> {
    let long: Vec<(Nanoseconds, Nanoseconds)> = outages
        .iter()
        .filter(|outage| outage.ongoing || outage.duration() >= LONG)
        .map(|outage| (outage.start + nanoseconds(AFTER), outage.end - nanoseconds(BEFORE)))
        .collect();
    let within = |time: Nanoseconds| long.iter().find(|(from, to)| (*from..=*to).contains(&time));
    let answer = |time: &Nanoseconds| within(*time).map(|(from, _)| AFTER + seconds(*time - from));
    let after = own.iter().flat_map(|talk| &talk.answered).chain(asked).find_map(answer);
    let unanswered = |mute: &Mute| {
        let (first, last) = (mute.asked.0.nanoseconds(), mute.asked.1.nanoseconds());
        within(first).is_some() || within(last).is_some()
    };
    let mute = own.iter().flat_map(|talk| &talk.mute).any(unanswered);
    (after.is_some() || mute).then_some(Sign::Answers { after })
}

/// One sender of a bus is lost for good, and each module that is asked afterwards answers. A tester
/// asks what is fitted, so of that many the lost one is likely among them; by the addresses of SAE
/// J1939 it would be known which.
fn all_answer(analysis: &Analysis, outages: &[&Outage]) -> Option<Sign> {
    let [outage] = outages else { return None };
    let channel = outage.channel.filter(|_| outage.ongoing && outage.scope < Scope::Branch)?;
    if analysis.channel(channel).j1939 == J1939::Yes {
        return None;
    }
    let since = outage.start + nanoseconds(LATER);
    let talks = analysis.diagnosis.talks.iter().filter(|talk| talk.module.channel == channel);
    let first = |talk: &TalkEntry| talk.answered.iter().copied().filter(|at| *at >= since).min();
    let asked = |talk: &TalkEntry| talk.mute.iter().any(|mute| mute.asked.1.nanoseconds() >= since);
    let asked = talks.filter(|talk| first(talk).is_some() || asked(talk));
    let asked: Vec<&TalkEntry> = asked.collect();
    // A tester may ask about emissions only, and then not all of the bus.
    let emissions = |talk: &&TalkEntry| match talk.module.party {
        Party::Id(id) => answers_about_emissions(id),
        _ => false,
    };
    let asked_beyond_emissions = !asked.iter().all(emissions);
    let answers: Vec<Nanoseconds> = asked.into_iter().map(first).collect::<Option<_>>()?;
    let (begin, last) = (*answers.iter().min()?, *answers.iter().max()?);
    // What a loss is told in parts of is no other sender's.
    let of_it = |other: &Outage| {
        !other.nodes.is_empty() && other.nodes.iter().all(|node| outage.nodes.contains(node))
    };
    // Who else is silent while they answer may be the one that does.
    let meanwhile = |other: &Outage| {
        other.scope < Scope::Bus
            && (other.channel, &other.ids) != (outage.channel, &outage.ids)
            && !of_it(other)
            && other.start <= last
            && (other.ongoing || other.end >= begin)
    };
    let heard = |node: &&Node| node.channel == channel && node.heard;
    let nodes = analysis.nodes.iter().filter(heard).count();
    let all = answers.len() >= ASKED.max(nodes.div_ceil(2))
        && (asked_beyond_emissions || answers.len() >= nodes)
        && !analysis.lost().any(meanwhile)
        && !asks_in_vain(analysis, channel, since);
    all.then_some(Sign::AllAnswer { modules: answers.len() })
}

/// Whether a tester has asked somebody since then whose answer never came. Which identifiers belong
/// together only answers show; but a maker mostly sets all of them the same distance apart, as ISO
/// 15765-4 does with 8, so that one without an answer is known by the others.
fn asks_in_vain(analysis: &Analysis, channel: ChannelIndex, since: Nanoseconds) -> bool {
    let answer = |talk: &TalkEntry| match talk.module {
        Module { channel: own, party: Party::Id(id @ Id::Standard(_)) } if own == channel => {
            Some(raw_id(id))
        }
        _ => None,
    };
    let answers: BTreeSet<u32> = analysis.diagnosis.talks.iter().filter_map(answer).collect();
    let here = |id: &&Identifier| id.channel == channel && matches!(id.id, Id::Standard(_));
    let heard: BTreeSet<u32> =
        analysis.identifiers.iter().filter(here).map(|id| raw_id(id.id)).collect();
    let lately = |id: &&Identifier| id.heard.is_some_and(|(_, last)| last >= since);
    let seldom = analysis.identifiers.iter().filter(here).filter(|id| id.rhythm.is_none());
    let asked: Vec<u32> = seldom
        .filter(lately)
        .map(|id| raw_id(id.id))
        .filter(|id| *id != EVERYONE && !answers.contains(id))
        .collect();
    let mut apart: BTreeMap<u32, Vec<u32>> = BTreeMap::new();
    for id in &asked {
        for answer in answers.range(id + 1..) {
            apart.entry(answer - id).or_default().push(*id);
        }
    }
    let most = apart.iter().max_by_key(|(step, ids)| (ids.len(), Reverse(**step)));
    let Some((step, of_them)) = most else { return false };
    let (Some(first), Some(last)) = (of_them.first(), of_them.last()) else { return false };
    // The one without an answer may be the first of them, or the last.
    let among = first.saturating_sub(*step)..=last + step;
    2 * of_them.len() > answers.len()
        && asked.iter().any(|id| among.contains(id) && !heard.contains(&(id + step)))
}
