//! The lanes of the presence picture.

use crate::analysis::{Identifier, Lane, Nanoseconds, Node, Occupant, Outage, Scope};
use crate::ids::{IdIndex, NodeIndex};

/// A lane for each node, and one for each periodic identifier without a known sender.
pub(super) fn lanes(identifiers: &[Identifier], nodes: &[Node], outages: &[Outage]) -> Vec<Lane> {
    let of_nodes = nodes
        .iter()
        .enumerate()
        .filter_map(|(at, node)| of_node(NodeIndex(at), node, identifiers, outages));
    let alone =
        identifiers.iter().enumerate().filter(|(_, id)| id.node.is_none() && id.rhythm.is_some());
    let of_ids = alone.filter_map(|(at, id)| {
        Some(Lane {
            of: Occupant::Identifier(IdIndex(at)),
            channel: id.channel,
            heard: id.heard?,
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
        return Some(Lane { of, channel, heard, outages: missed(&node.ids, outages) });
    }
    // A node that was never heard has a lane too, with nothing in it but its outage.
    let own: Vec<usize> =
        (0..outages.len()).filter(|outage| outages[*outage].nodes == [at]).collect();
    let start: Nanoseconds = outages.get(*own.first()?)?.start;
    Some(Lane { of, channel, heard: (start, start), outages: own })
}

/// Outages of these identifiers; those of a whole channel are drawn over all its lanes.
fn missed(ids: &[IdIndex], outages: &[Outage]) -> Vec<usize> {
    let narrow = |outage: &Outage| outage.scope < Scope::Bus;
    let hit = |outage: &Outage| outage.ids.iter().any(|id| ids.contains(id));
    (0..outages.len()).filter(|at| narrow(&outages[*at]) && hit(&outages[*at])).collect()
}
