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
use crate::network::Basis;

/// A module went on in a loss of others that was longer than its time-out by so much: with less it
/// may have been silent too, and nobody could tell.
const TELLS: f64 = 1.4;

/// Nodes that nobody told apart may be parted or joined wrongly, and then two companies cross by
/// that: of these it takes so many.
const SURELY: usize = 3;

/// Nodes of one channel that were lost together.
struct Company {
    channel: ChannelIndex,
    /// Ascending.
    nodes: Vec<NodeIndex>,
    /// The longest time.
    loss: Silence,
}

/// Tells for each bus whose modules are lost in changing company, and marks what is about these.
pub fn mark(analysis: &Analysis, out: &mut Vec<Symptom>) {
    let all = companies(analysis);
    for channel in 0..analysis.channels.len() {
        let channel = channel as ChannelIndex;
        let here = || all.iter().filter(|own| own.channel == channel);
        let crossing: Vec<&Company> =
            here().filter(|one| here().any(|other| cross(analysis, one, other))).collect();
        let mut nodes: Vec<NodeIndex> =
            crossing.iter().flat_map(|own| own.nodes.iter().copied()).collect();
        nodes.sort_unstable();
        nodes.dedup();
        let told = |node: &NodeIndex| Basis::any_is_told(&analysis.nodes[*node].basis);
        if nodes.is_empty() || crossing.len() < SURELY && !nodes.iter().all(told) {
            continue;
        }
        for symptom in &mut *out {
            let own = symptom.subject.nodes();
            if !own.is_empty() && own.iter().all(|node| nodes.contains(node)) {
                symptom.setting = Setting::InTurn;
                // How many are lost each time says nothing then.
                symptom.signs.retain(|sign| !matches!(sign, Sign::Share { .. }));
            }
        }
        let fact = Fact::LostInTurn { nodes: nodes.len(), companies: crossing.len() };
        out.push(Symptom::new(Subject::Channel(channel), fact));
    }
}

/// Those of a capture, each once; not of what started anew, for a supply that falls takes now few
/// and now many.
fn companies(analysis: &Analysis) -> Vec<Company> {
    let told = |outage: &&Outage| {
        matches!(outage.scope, Scope::Node | Scope::Branch)
            && !outage.ids.is_empty()
            && outage.cause != Cause::LostPower
    };
    // One loss may be told in parts, by how each part came back.
    let mut losses: Vec<Company> = Vec::new();
    for outage in analysis.lost().filter(told) {
        let Some(channel) = outage.channel else { continue };
        let loss = outage.silence();
        let same = |other: &&mut Company| {
            let shorter = loss.length().min(other.loss.length());
            other.channel == channel && 2 * loss.overlap(&other.loss) > shorter
        };
        match losses.iter_mut().rev().find(same) {
            Some(known) => known.nodes.extend(&outage.nodes),
            None => losses.push(Company { channel, nodes: outage.nodes.clone(), loss }),
        }
    }
    let mut longest: BTreeMap<(ChannelIndex, Vec<NodeIndex>), Silence> = BTreeMap::new();
    for Company { channel, mut nodes, loss } in losses {
        nodes.sort_unstable();
        nodes.dedup();
        let known = longest.entry((channel, nodes)).or_insert(loss);
        if loss.length() > known.length() {
            *known = loss;
        }
    }
    longest.into_iter().map(|((channel, nodes), loss)| Company { channel, nodes, loss }).collect()
}

/// Whether two share a node, and each lacks one of the other's that went on.
fn cross(analysis: &Analysis, a: &Company, b: &Company) -> bool {
    let lacks = |own: &Company, other: &Company| {
        own.nodes
            .iter()
            .any(|node| !other.nodes.contains(node) && went_on(analysis, *node, &other.loss))
    };
    a.loss.overlap(&b.loss) <= 0
        && a.nodes.iter().any(|node| b.nodes.contains(node))
        && lacks(a, b)
        && lacks(b, a)
}

/// Whether a node that was not lost with others would have been seen to be.
fn went_on(analysis: &Analysis, node: NodeIndex, loss: &Silence) -> bool {
    let ids = analysis.nodes[node].ids.iter();
    let timeout = ids.filter_map(|id| analysis.identifiers[*id].timeout).reduce(f64::min);
    timeout.is_some_and(|timeout| TELLS * timeout < seconds(loss.length()))
}
