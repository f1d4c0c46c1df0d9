//! Modules of a bus that are lost in changing company.
//!
//! Where a harness opens, it cuts off what lies behind. Of two such places one lies behind the
//! other, or they have nothing in common: so of two sets of modules that are lost one holds the
//! other, or they share none. Where two sets share a module and each lacks one of the other's, no
//! place of the harness takes both, nor a fuse: what all of them hang on does.
//!
//! And modules that each stay away for a time of their own, always as long, and run on. A
//! controller that has counted too many errors is in bus-off (ISO 11898-1, fault confinement; from
//! memory), and the software of many modules lets it back after a set time (common practice, no
//! source). One that does so may have a bad contact; of two the line has the errors.

use std::collections::BTreeMap;

use super::Symptom;
use super::nodes::returned;
use super::once::once_each;
use crate::analysis::subject::Subject;
use crate::analysis::symptom::{Fact, Return, Setting, Sign};
use crate::analysis::{Analysis, Cause, Outage, Scope};
use crate::fold::timing::{Silence, scatter, seconds};
use crate::ids::{ChannelIndex, NodeIndex};
use crate::network::Basis;

/// A module went on in a loss of others that was longer than its time-out by so much: with less it
/// may have been silent too, and nobody could tell.
const TELLS: f64 = 1.4;

/// Nodes that nobody told apart may be parted or joined wrongly, and then two companies cross by
/// that: of these it takes so many.
const SURELY: usize = 3;

/// Fewest losses that can be called as long.
const AS_LONG_TIMES: usize = 3;
/// So many of them are alike …
const AS_LONG_MOST: f64 = 0.85;
/// … within so many periods of the fastest message and so many seconds.
const AS_LONG_PERIODS: f64 = 1.3;
const AS_LONG_LATE: f64 = 0.015;
/// A message that comes more slowly, in seconds, does not tell.
const FAST: f64 = 0.12;
/// Steps that scatter by less than this share of their mean are those of a timer.
const CLOCKWORK: f64 = 0.05;
/// So many modules of a bus that do so tell of its line (of invented vehicles of five sets all five
/// that had them had a bad one, or a module of another bit rate).
const OF_THE_LINE: usize = 2;

/// Nodes of one channel that were lost together.
struct Company {
    channel: ChannelIndex,
    /// Ascending.
    nodes: Vec<NodeIndex>,
    /// The longest time.
    loss: Silence,
}

/// Tells for each bus whose modules are lost in changing company, or each for as long every time,
/// and marks what is about these.
pub fn mark(analysis: &Analysis, out: &mut Vec<Symptom>) {
    let all = companies(analysis);
    for channel in 0..analysis.channels.len() {
        let channel = channel as ChannelIndex;
        let fact = in_company(analysis, channel, &all).or_else(|| for_as_long(analysis, channel));
        let Some((nodes, fact)) = fact else { continue };
        for symptom in &mut *out {
            let own = symptom.subject.nodes();
            if !own.is_empty() && own.iter().all(|node| nodes.contains(node)) {
                symptom.setting = Setting::InTurn;
                // How many are lost each time says nothing then.
                symptom.signs.retain(|sign| !matches!(sign, Sign::Share { .. }));
            }
        }
        out.push(Symptom::new(Subject::Channel(channel), fact));
    }
}

/// The modules of a bus that are lost in changing company.
fn in_company(
    analysis: &Analysis,
    channel: ChannelIndex,
    all: &[Company],
) -> Option<(Vec<NodeIndex>, Fact)> {
    let here = || all.iter().filter(|own| own.channel == channel);
    let crossing: Vec<&Company> =
        here().filter(|one| here().any(|other| cross(analysis, one, other))).collect();
    let mut nodes: Vec<NodeIndex> =
        crossing.iter().flat_map(|own| own.nodes.iter().copied()).collect();
    nodes.sort_unstable();
    nodes.dedup();
    let told = |node: &NodeIndex| Basis::any_is_told(&analysis.nodes[*node].basis);
    if nodes.is_empty() || crossing.len() < SURELY && !nodes.iter().all(told) {
        return None;
    }
    let fact = Fact::LostInTurn { nodes: nodes.len(), companies: crossing.len() };
    Some((nodes, fact))
}

/// The modules of a bus that each stay away for as long every time, and run on.
fn for_as_long(analysis: &Analysis, channel: ChannelIndex) -> Option<(Vec<NodeIndex>, Fact)> {
    let of = |node: &NodeIndex| {
        let own = |outage: &&Outage| {
            outage.channel == Some(channel)
                && outage.nodes == [*node]
                && !outage.ongoing
                && (outage.scope == Scope::Node
                    || outage.scope == Scope::Identifier && outage.ids.len() >= 2)
        };
        is_away_for_as_long(analysis, &once_each(analysis.lost().filter(own)))
    };
    let nodes: Vec<NodeIndex> = (0..analysis.nodes.len()).map(NodeIndex).filter(of).collect();
    let fact = Fact::AwayForAsLong { nodes: nodes.len() };
    (nodes.len() >= OF_THE_LINE).then_some((nodes, fact))
}

/// Whether losses of one module are of one length, and it ran on.
fn is_away_for_as_long(analysis: &Analysis, outages: &[&Outage]) -> bool {
    let fastest = outages.iter().filter_map(|outage| analysis.fastest(&outage.ids));
    let Some(period) = fastest.reduce(f64::min).filter(|period| *period <= FAST) else {
        return false;
    };
    if outages.len() < AS_LONG_TIMES || !matches!(returned(outages), Return::RanOn { .. }) {
        return false;
    }
    let mut lengths: Vec<f64> = outages.iter().map(|outage| outage.duration()).collect();
    lengths.sort_by(f64::total_cmp);
    let usual = lengths[lengths.len() / 2];
    let slack = AS_LONG_PERIODS * period + AS_LONG_LATE;
    let alike = lengths.iter().filter(|length| (**length - usual).abs() <= slack).count();
    let steps: Vec<f64> =
        outages.windows(2).map(|pair| seconds(pair[1].start - pair[0].start)).collect();
    alike as f64 >= AS_LONG_MOST * lengths.len() as f64 && scatter(&steps) >= CLOCKWORK
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
