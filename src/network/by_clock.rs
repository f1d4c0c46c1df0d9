//! Senders of identifiers without an address by the clock that times them.

use super::clocks::{self, Clocks};
use super::{Basis, Node, name, unnamed};
use crate::fold::timing::Timing;
use crate::ids::IdIndex;
use crate::silence::Losses;

/// Groups of identifiers without an address by clock, channel by channel, and what cannot be told
/// yet.
pub(super) fn nodes(
    timing: &Timing,
    losses: &Losses,
    clocks: &Clocks,
    addressed: &[bool],
) -> (Vec<Node>, Vec<(IdIndex, f64)>) {
    let mut nodes = Vec::new();
    let mut undecided = Vec::new();
    for channel in 0..timing.channels.len() {
        let own = |at: &IdIndex| {
            usize::from(timing.ids[*at].key.channel) == channel
                && !addressed[at.0]
                && losses.expected[*at].is_some()
        };
        let rates: Vec<_> = (0..timing.ids.len())
            .map(IdIndex)
            .filter(own)
            .filter_map(|at| Some((at, clocks.rates[at]?)))
            .collect();
        let grouping = clocks::group(&rates, |at| &timing.ids[at]);
        undecided.extend(grouping.undecided);
        for group in grouping.groups {
            nodes.push(unnamed(timing, group.members, Basis::Clock, group.confidence));
        }
    }
    (nodes, undecided)
}

/// Whether the clocks of two identifiers are surely different, however uncertain each is.
fn differ(clocks: &Clocks, a: IdIndex, b: IdIndex) -> bool {
    let rate = |at: IdIndex| {
        clocks.rates[at].and_then(|rate| Some((clocks::skew(rate.period)?, rate.error)))
    };
    match (rate(a), rate(b)) {
        // Wide of the usual 3.5 standard errors: this only parts what silences put together.
        (Some((a, error_a)), Some((b, error_b))) => {
            (a - b).abs() > 5.0 * error_a.hypot(error_b).max(0.3e-6)
        }
        _ => false,
    }
}

/// Parts identifiers that fall silent together but whose clocks are surely different: two nodes on
/// one branch.
pub(super) fn apart(timing: &Timing, clocks: &Clocks, node: Node) -> Vec<Node> {
    let mut parts: Vec<Vec<IdIndex>> = Vec::new();
    let mut ids = node.ids.clone();
    let error = |id: IdIndex| clocks.rates[id].map_or(f64::INFINITY, |rate| rate.error);
    ids.sort_by(|a, b| error(*a).total_cmp(&error(*b)).then(a.cmp(b)));
    for id in ids {
        match parts.iter_mut().find(|part| !part.iter().any(|member| differ(clocks, *member, id))) {
            Some(part) => part.push(id),
            None => parts.push(vec![id]),
        }
    }
    let made = |mut ids: Vec<IdIndex>| {
        ids.sort_unstable();
        Node { name: name(timing, &ids), ids, ..node.clone() }
    };
    parts.into_iter().map(made).collect()
}
