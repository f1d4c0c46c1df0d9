//! The lanes of the presence picture.

use crate::analysis::presence::{common, with_ends};
use crate::analysis::{Identifier, Lane, Nanoseconds, Node, Occupant, Outage, Scope, Silence};
use crate::fold::timing::nanoseconds;
use crate::ids::{IdIndex, NodeIndex};

/// A lane for each node, and one for each periodic identifier without a known sender;
/// `silences` gives those of an identifier of at least a length.
pub(super) fn lanes(
    identifiers: &[Identifier],
    nodes: &[Node],
    outages: &[Outage],
    silences: &dyn Fn(IdIndex, Nanoseconds) -> Vec<Silence>,
) -> Vec<Lane> {
    let silent = |ids: &[IdIndex]| silent(ids, identifiers, silences);
    let of_nodes = nodes.iter().enumerate().filter_map(|(at, node)| {
        let lane = of_node(NodeIndex(at), node, identifiers, outages)?;
        Some(Lane { silent: silent(&node.ids), ..lane })
    });
    let alone =
        identifiers.iter().enumerate().filter(|(_, id)| id.node.is_none() && id.rhythm.is_some());
    let of_ids = alone.filter_map(|(at, id)| {
        Some(Lane {
            of: Occupant::Identifier(IdIndex(at)),
            channel: id.channel,
            heard: id.heard?,
            silent: silent(&[IdIndex(at)]),
            outages: missed(&[IdIndex(at)], outages),
        })
    });
    let mut lanes: Vec<Lane> = of_nodes.chain(of_ids).collect();
    lanes.sort_by_key(|lane| lane.channel);
    lanes
}

fn of_node(
    at: NodeIndex,
    node: &Node,
    identifiers: &[Identifier],
    outages: &[Outage],
) -> Option<Lane> {
    let (of, channel) = (Occupant::Node(at), node.channel);
    if node.heard {
        let spans = node.ids.iter().filter_map(|id| identifiers[id.0].heard);
        let heard = spans.reduce(|a, b| (a.0.min(b.0), a.1.max(b.1)))?;
        return Some(Lane {
            of,
            channel,
            heard,
            silent: Vec::new(),
            outages: missed(&node.ids, outages),
        });
    }
    // A node that was never heard has a lane too, with nothing in it but its outage.
    let own: Vec<usize> =
        (0..outages.len()).filter(|outage| outages[*outage].nodes == [at]).collect();
    let start: Nanoseconds = outages.get(*own.first()?)?.start;
    Some(Lane { of, channel, heard: (start, start), silent: Vec::new(), outages: own })
}

/// When none of these identifiers was heard for longer than the shortest time-out among them, and
/// some were before and after.
fn silent(
    ids: &[IdIndex],
    identifiers: &[Identifier],
    silences: &dyn Fn(IdIndex, Nanoseconds) -> Vec<Silence>,
) -> Vec<Silence> {
    let timeouts = ids.iter().filter_map(|id| identifiers[id.0].timeout);
    let Some(least) = timeouts.reduce(f64::min).map(nanoseconds) else { return Vec::new() };
    let of_each = ids.iter().filter_map(|id| {
        let heard = identifiers[id.0].heard?;
        Some(with_ends(silences(*id, least), heard))
    });
    let mut silent = of_each.reduce(|a, b| common(&a, &b, least)).unwrap_or_default();
    silent.retain(|own| own.start != Nanoseconds::MIN && own.end != Nanoseconds::MAX);
    silent
}

/// Outages of these identifiers; those of a whole channel are drawn over all its lanes.
fn missed(ids: &[IdIndex], outages: &[Outage]) -> Vec<usize> {
    let narrow = |outage: &Outage| outage.scope < Scope::Bus;
    let hit = |outage: &Outage| outage.ids.iter().any(|id| ids.contains(id));
    (0..outages.len()).filter(|at| narrow(&outages[*at]) && hit(&outages[*at])).collect()
}
