//! Modules of a bus that are lost in changing company.
//!
//! Where a harness opens, it cuts off what lies behind. Of two such places one lies behind the
//! other, or they have nothing in common: so of two sets of modules that are lost one holds the
//! other, or they share none. Where two sets share a module and each lacks one of the other's, no
//! place of the harness takes both, nor a fuse: what all of them hang on does.

use std::collections::BTreeMap;

use super::Symptom;
use crate::analysis::subject::Subject;
use crate::analysis::symptom::{Fact, Setting, Sign};
use crate::analysis::{Analysis, Cause, Outage, Scope};
use crate::fold::timing::{Silence, seconds};
use crate::ids::{ChannelIndex, NodeIndex};

/// A module went on in a loss of others that was longer than its time-out by so much: with less it
/// may have been silent too, and nobody could tell.
const TELLS: f64 = 1.4;

/// Nodes that nobody told apart may be parted or joined wrongly, and then two companies cross by
/// that: of these it takes so many.
const SURELY: usize = 3;

/// The longest loss of each set of nodes of a channel, ascending; not of those that started anew,
/// for a supply that falls takes now few and now many.
type Lost = BTreeMap<(ChannelIndex, Vec<NodeIndex>), Silence>;

/// Tells for each bus whose modules are lost in changing company, and marks what is about these.
pub fn mark(analysis: &Analysis, out: &mut Vec<Symptom>) {
    let lost = lost(analysis);
    for channel in 0..analysis.channels.len() {
        let channel = channel as ChannelIndex;
        let here: Vec<_> = lost.iter().filter(|((own, _), _)| *own == channel).collect();
        let crosses = |one: &(&(ChannelIndex, Vec<NodeIndex>), &Silence)| {
            here.iter().any(|other| cross(analysis, (&one.0.1, one.1), (&other.0.1, other.1)))
        };
        let sets: Vec<&Vec<NodeIndex>> =
            here.iter().copied().filter(crosses).map(|((_, set), _)| set).collect();
        let told =
            |node: &&NodeIndex| analysis.nodes[**node].basis.iter().any(|basis| basis.is_told());
        let enough = sets.len() >= SURELY || sets.iter().copied().flatten().all(|node| told(&node));
        if sets.is_empty() || !enough {
            continue;
        }
        let mut nodes: Vec<NodeIndex> = sets.iter().flat_map(|set| set.iter().copied()).collect();
        nodes.sort_unstable();
        nodes.dedup();
        for symptom in &mut *out {
            let own = symptom.subject.nodes();
            if !own.is_empty() && own.iter().all(|node| nodes.contains(node)) {
                symptom.setting = Setting::InTurn;
                // How many are lost each time says nothing then.
                symptom.signs.retain(|sign| !matches!(sign, Sign::Share { .. }));
            }
        }
        let fact = Fact::LostInTurn { nodes: nodes.len(), companies: sets.len() };
        out.push(Symptom::new(Subject::Channel(channel), fact));
    }
}

fn lost(analysis: &Analysis) -> Lost {
    let told = |outage: &&Outage| {
        matches!(outage.scope, Scope::Node | Scope::Branch)
            && !outage.ids.is_empty()
            && outage.cause != Cause::LostPower
    };
    // One loss may be told in parts, by how each part came back.
    let mut losses: Vec<(ChannelIndex, Vec<NodeIndex>, Silence)> = Vec::new();
    for outage in analysis.lost().filter(told) {
        let Some(channel) = outage.channel else { continue };
        let own = outage.silence();
        let same = |(other, _, loss): &&mut (ChannelIndex, Vec<NodeIndex>, Silence)| {
            *other == channel && 2 * own.overlap(loss) > own.length().min(loss.length())
        };
        match losses.iter_mut().rev().find(same) {
            Some((_, nodes, _)) => nodes.extend(&outage.nodes),
            None => losses.push((channel, outage.nodes.clone(), own)),
        }
    }
    let mut out = Lost::new();
    for (channel, mut nodes, loss) in losses {
        nodes.sort_unstable();
        nodes.dedup();
        let longest = out.entry((channel, nodes)).or_insert(loss);
        if loss.length() > longest.length() {
            *longest = loss;
        }
    }
    out
}

/// Whether two sets share a node, and each lacks one of the other's that went on.
fn cross(analysis: &Analysis, a: (&[NodeIndex], &Silence), b: (&[NodeIndex], &Silence)) -> bool {
    let lacks = |of: &[NodeIndex], (other, loss): (&[NodeIndex], &Silence)| {
        of.iter().any(|node| !other.contains(node) && went_on(analysis, *node, loss))
    };
    a.1.overlap(b.1) <= 0
        && a.0.iter().any(|node| b.0.contains(node))
        && lacks(a.0, b)
        && lacks(b.0, a)
}

/// Whether a node that was not lost with others would have been seen to be.
fn went_on(analysis: &Analysis, node: NodeIndex, loss: &Silence) -> bool {
    let ids = analysis.nodes[node].ids.iter();
    let timeout = ids.filter_map(|id| analysis.identifiers[*id].timeout).reduce(f64::min);
    timeout.is_some_and(|timeout| TELLS * timeout < seconds(loss.length()))
}
