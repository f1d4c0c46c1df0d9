//! Lone messages that leave with a node, time and again: of what both hang on.

use super::company::is_guessed;
use crate::analysis::subject::Subject;
use crate::analysis::{Analysis, Doubt, Outage, Scope};
use crate::fold::timing::nanoseconds;
use crate::ids::{IdIndex, NodeIndex};

/// A pause begins with a loss within so many seconds and a period of its message: supplies hold
/// each module up for a time of its own (common practice, no source).
const WITH: f64 = 0.3;
/// So often that is no chance.
const TWICE: usize = 2;
/// How many times likelier several modules are than one where a message that is none of the node
/// leaves with it: where it is known what the node sends, and where only clocks and silences tell.
/// Of 27 such of invented vehicles that had a fault of the node 17 were of a shared supply and 10
/// of a part of the same module.
const OF_ANOTHER: f64 = 6.0;
const OF_PERHAPS_ANOTHER: f64 = 2.0;

/// How many times likelier a node is several modules by what leaves with it.
pub(super) fn odds(analysis: &Analysis, node: NodeIndex) -> Option<f64> {
    let mut ids: Vec<IdIndex> = open(analysis).map(|outage| outage.ids[0]).collect();
    ids.sort_unstable();
    ids.dedup();
    let any = ids.into_iter().any(|id| leaves_with(analysis, &pauses(analysis, id), id, node));
    let odds = if is_guessed(analysis, node) { OF_PERHAPS_ANOTHER } else { OF_ANOTHER };
    any.then_some(odds)
}

/// Whether what something is about leaves with a node that was lost.
pub(super) fn is_with_a_node(analysis: &Analysis, subject: &Subject) -> bool {
    let Subject::Sender(id) = subject else { return false };
    let own = pauses(analysis, *id);
    (0..analysis.nodes.len()).map(NodeIndex).any(|node| leaves_with(analysis, &own, *id, node))
}

/// Pauses of what may be all that a module sends.
fn open(analysis: &Analysis) -> impl Iterator<Item = &Outage> {
    analysis.outages.iter().filter(|outage| {
        outage.benign && outage.doubt == Some(Doubt::SenderUnknown) && outage.ids.len() == 1
    })
}

/// Those of one message.
fn pauses(analysis: &Analysis, id: IdIndex) -> Vec<&Outage> {
    open(analysis).filter(|outage| outage.ids == [id]).collect()
}

/// Whether two or more pauses of a message begin with losses of a node, and these are half or more
/// of both.
fn leaves_with(analysis: &Analysis, own: &[&Outage], id: IdIndex, node: NodeIndex) -> bool {
    if own.len() < TWICE {
        return false;
    }
    let channel = analysis.identifiers[id].channel;
    let losses = analysis.lost().filter(|outage| {
        matches!(outage.scope, Scope::Node | Scope::Branch)
            && outage.nodes.contains(&node)
            && outage.channel == Some(channel)
            && !outage.ids.is_empty()
            && !outage.ids.contains(&id)
    });
    let losses: Vec<&Outage> = losses.collect();
    let period = analysis.identifiers[id].rhythm.map_or(0.0, |rhythm| rhythm.period);
    let near = nanoseconds(WITH + period);
    let with = |own: &&&Outage| losses.iter().any(|other| (other.start - own.start).abs() <= near);
    let times = own.iter().filter(with).count();
    times >= TWICE && 2 * times >= own.len() && 2 * times >= losses.len()
}
