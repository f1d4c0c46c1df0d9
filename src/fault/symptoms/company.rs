//! With whom a node falls silent, and whether it is one module or several.

use std::collections::BTreeSet;

use super::standing::codes_of;
use super::{Symptom, beside, comes_back, ends};
use crate::analysis::blame::{Blame, Frames, Verdict};
use crate::analysis::diagnosis::{CodeAge, Module};
use crate::analysis::subject::Subject;
use crate::analysis::symptom::{Fact, Silences};
use crate::analysis::{Analysis, Evidence, Outage};
use crate::fold::timing::{Nanoseconds, nanoseconds};
use crate::ids::NodeIndex;
use crate::network::Basis;
use crate::outage::ReturnSign;

/// How often a module is missed by a second name in codes, as one that does the work of two, such
/// as brakes with their yaw sensor: of 97 single modules that invented vehicles lost 2, of 38 sets
/// of several 15 (a set of a world by others; allowed for worse in real ones).
const OF_TWO_NAMES: f64 = 0.12;
/// Most names beyond the first that count.
const MOST_MORE: usize = 2;
/// How often several modules that were lost are missed by one name only, though so many modules
/// miss that one: not each is watched by others. Of those 97 single modules 26, of the 38 sets 2.
const OF_ONE_NAME: f64 = 0.2;
/// … and by another name that fits no other silence, though one fits it better: of 18 cases of one
/// node that fell silent 11 were several modules, 7 one (three worlds by others).
const OF_ANOTHER_NAME: f64 = 0.25;
/// … where so many identifiers fell silent, or as many modules miss the other name: of 14 nodes
/// with fewer and one name that were told as several first none was that, of three with more all
/// were (sets of six worlds by others).
const OF_MORE_THAN_ONE: usize = 7;
const AGREE: usize = 2;
/// How many times likelier several modules are than one where the messages of a node come back in
/// turns. Of 41 nodes of several modules that lost one supply 27 did so, of 151 of one module 1
/// (three worlds by others); allowed for modules that start their tasks late, over two seconds some
/// of them.
const OF_TURNS: f64 = 6.0;
/// How many times likelier several modules are where the messages of a node end in turns: the
/// ratio of `apart` in the tables of `ends_together` and `ends` (knowledge.toml).
const OF_ENDS: f64 = 7.5;
/// Most seconds from the first to the last end that tell several modules from one: over that lie
/// contacts that fail in bursts.
const HELD_UP: f64 = 0.06;
/// How many times likelier several modules are than one where messages of others fall silent with
/// it twice or more, and in most of its losses (common practice, no source).
const OF_OTHERS: f64 = 6.0;
/// How many times likelier several modules are than one where its first messages come in one order
/// and at one distance to each other at every return: of 13 nodes of which that is so, and that
/// were held to be several, 12 were one (three worlds by others); allowed for modules of one supply
/// that take their time alike each time.
const OF_ONE_START: f64 = 0.2;
/// Who misses so many with one silence is itself the one that was cut off.
const MISSES_MANY: usize = 3;

/// Nodes that are gone for good left together where they did within so many seconds: a module's
/// last frame comes up to a period before its loss, and supplies hold it up for a while.
const LEFT_TOGETHER: f64 = 1.0;

/// Nodes of one bus that are missing throughout, or left for good at one time: one cause may be
/// behind them. Who is never heard was never seen falling silent, with others or alone.
pub(super) fn in_company(analysis: &Analysis, symptoms: &mut [Symptom]) {
    let since = |symptom: &Symptom| {
        let Subject::Node(node) = symptom.subject else { return None };
        let start = match symptom.fact {
            Fact::NeverHeard { .. } => None,
            Fact::NodeSilent(Silences { times: 1, ongoing: true, first, .. }) => Some(first),
            _ => return None,
        };
        Some((node, analysis.nodes[node].channel, start))
    };
    let missing: Vec<_> = symptoms.iter().filter_map(since).collect();
    for symptom in symptoms {
        let Some((_, channel, start)) = since(symptom) else { continue };
        let alike = |other: Option<Nanoseconds>| match (start, other) {
            (None, None) => true,
            (Some(own), Some(other)) => (own - other).abs() <= nanoseconds(LEFT_TOGETHER),
            _ => false,
        };
        let with = missing.iter().filter(|(_, bus, other)| *bus == channel && alike(*other));
        let mut company: Vec<NodeIndex> = with.map(|(node, ..)| *node).collect();
        company.sort_unstable();
        if company.len() > 1 {
            symptom.company = company;
        }
    }
}

/// What falls silent with others at least as often as alone is one of them.
pub(super) fn in_part(symptoms: &mut [Symptom], together: &[Symptom]) {
    for symptom in symptoms {
        let (Subject::Node(node), Fact::NodeSilent(own)) = (&symptom.subject, &symptom.fact) else {
            continue;
        };
        let set = |other: &Symptom| match (&other.subject, &other.fact) {
            (Subject::Nodes(nodes), Fact::NodesSilent(times)) => {
                (nodes.contains(node) && times.times >= own.times).then(|| nodes.clone())
            }
            _ => None,
        };
        symptom.within = together.iter().filter_map(set).collect();
    }
}

/// How many times likelier it is that a node is several modules: by how much it sends, by how many
/// are missed with it, or by how its messages end and come back.
pub(super) fn several(analysis: &Analysis, node: NodeIndex, outages: &[&Outage]) -> Option<f64> {
    let missed = missed_with(analysis, node);
    let more = missed.len().saturating_sub(1).min(MOST_MORE) as i32;
    let told = (more > 0).then(|| OF_TWO_NAMES.recip().powi(more));
    let others = others_missed(analysis, node);
    let surest = missed.iter().max().copied().unwrap_or(0);
    let many = analysis.nodes[node].ids.len() >= OF_MORE_THAN_ONE
        || others.iter().any(|reporters| *reporters >= surest);
    let another = !missed.is_empty() && !others.is_empty() && many;
    let told = told.or_else(|| another.then(|| OF_ANOTHER_NAME.recip()));
    // Several that were lost would be missed by several names.
    let by_one_name = others.is_empty() && matches!(missed[..], [reporters] if reporters >= AGREE);
    let unnamed = if by_one_name { OF_ONE_NAME } else { 1.0 };
    let starts = if starts_as_one(outages) { OF_ONE_START } else { 1.0 };
    let by_itself = analysis.nodes[node].several.into_iter();
    let by_itself = by_itself.chain(in_turns(analysis, node, outages));
    let by_others = with_others(analysis, node, outages).into_iter();
    let by_others = by_others.chain(beside::odds(analysis, node));
    let untold = by_itself.map(|odds| odds * starts).chain(by_others).map(|odds| odds * unnamed);
    let odds = untold.chain(told).reduce(f64::max);
    match end_in_turns(analysis, node, outages) {
        true => Some(odds.unwrap_or(1.0) * OF_ENDS),
        false => odds,
    }
}

/// How many times likelier several are where something that is surely another's falls silent with a
/// node and returns with it, time and again.
fn with_others(analysis: &Analysis, node: NodeIndex, outages: &[&Outage]) -> Option<f64> {
    let own = &analysis.nodes[node];
    if is_guessed(analysis, node) {
        return None;
    }
    let with = |outage: &&&Outage| outage.ids.iter().any(|id| !own.ids.contains(id));
    let times = outages.iter().filter(with).count();
    (times >= AGREE && times * 2 > outages.len()).then_some(OF_OTHERS)
}

/// Whether only what was heard of a node says which messages are its own.
pub(super) fn is_guessed(analysis: &Analysis, node: NodeIndex) -> bool {
    !Basis::any_is_told(&analysis.nodes[node].basis)
}

/// Whether its first messages come in one order and at one distance at all its returns but one.
fn starts_as_one(outages: &[&Outage]) -> bool {
    let alike = |outage: &&&Outage| {
        let of = |own: &Evidence| matches!(own, Evidence::Return(ReturnSign::BootPattern { .. }));
        outage.evidence.iter().any(of)
    };
    let returns = outages.iter().filter(|outage| !outage.ongoing).count();
    returns >= AGREE && outages.iter().filter(alike).count() + 1 >= returns.max(AGREE + 1)
}

/// How many times likelier a node is several modules by how its messages come back.
fn in_turns(analysis: &Analysis, node: NodeIndex, outages: &[&Outage]) -> Option<f64> {
    let back = is_guessed(analysis, node) && comes_back::in_turns(analysis, outages);
    back.then_some(OF_TURNS)
}

/// Whether its messages end one after another, as where a supply holds each module up for a time of
/// its own.
fn end_in_turns(analysis: &Analysis, node: NodeIndex, outages: &[&Outage]) -> bool {
    is_guessed(analysis, node) && ends::in_turns(analysis, outages, HELD_UP)
}

/// Names beside its own that are missed now and may be of a node, where no other fell silent, by
/// others than those who miss many: each by how many modules.
fn others_missed(analysis: &Analysis, node: NodeIndex) -> Vec<usize> {
    if !is_guessed(analysis, node) {
        return Vec::new();
    }
    let all: Vec<(&Blame, BTreeSet<Module>)> =
        analysis.diagnosis.blame.iter().map(|row| (row, missed_now_by(analysis, row))).collect();
    let misses_many =
        |own: &&Module| all.iter().filter(|(_, by)| by.contains(own)).count() >= MISSES_MANY;
    let extra = all.iter().filter(|(row, by)| {
        row.frames == Frames::NotKnown
            && row.may_be[..] == [node]
            && by.iter().any(|own| !misses_many(&own))
    });
    extra.map(|(_, by)| by.len()).collect()
}

/// Those that are missed now with the silence of a node, each by how many modules. Who is cut off
/// itself misses everybody, and what it says is no sign of several.
fn missed_with(analysis: &Analysis, node: NodeIndex) -> Vec<usize> {
    let rows = analysis.diagnosis.blame.iter();
    let rows: Vec<&Blame> = rows
        .filter(|row| row.verdict() == Verdict::Likely && row.frames.node() == Some(node))
        .collect();
    let reporters: Vec<BTreeSet<Module>> =
        rows.into_iter().map(|row| missed_now_by(analysis, row)).collect();
    let misses_many = |module: &Module| {
        !answers_in_loss(analysis, *module, node)
            && reporters.iter().filter(|row| row.contains(module)).count() >= MISSES_MANY
    };
    let others = |row: &BTreeSet<Module>| row.iter().filter(|own| !misses_many(own)).count();
    reporters.iter().map(others).filter(|count| *count > 0).collect()
}

/// Who says that a module is missed now. What is stored with nothing that tells since when is as
/// often of another time.
fn missed_now_by(analysis: &Analysis, row: &Blame) -> BTreeSet<Module> {
    let codes = codes_of(analysis, row).into_iter().map(|at| &analysis.diagnosis.codes[at]);
    let now = codes.filter(|code| code.age <= CodeAge::Recent && code.gone.is_none());
    now.map(|code| code.module).collect()
}

/// Whether a module answered a tester while a node was lost for good: then it is on the bus.
fn answers_in_loss(analysis: &Analysis, module: Module, node: NodeIndex) -> bool {
    let lost = analysis.lost().find(|own| own.ongoing && own.nodes.contains(&node));
    let Some(lost) = lost.filter(|own| !own.ids.is_empty()) else { return false };
    let since = lost.start.saturating_add(nanoseconds(LEFT_TOGETHER));
    let talks = analysis.diagnosis.talks.iter().filter(|talk| talk.module == module);
    talks.into_iter().any(|talk| talk.answered.iter().any(|time| *time > since))
}
