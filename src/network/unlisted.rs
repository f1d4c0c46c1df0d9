//! Messages that a roster written by hand does not list, though it names their sender.
//!
//! Such rosters are made from documents, and lack network management and what newer software sends.

use std::collections::BTreeMap;

use super::{Basis, Found, Node, by_silence};
use crate::fold::timing::{Key, Timing};
use crate::ids::IdIndex;
use crate::roster_file::{Known, RosterFile};
use crate::silence::Losses;

/// Of a module that the roster does not have at all more identifiers would be there: modules send
/// five to eight on average (common practice, no source; see `IDENTIFIERS`).
const FEW: usize = 2;

/// Gives nodes of few identifiers that fall silent each time with one node of the roster, and never
/// with another one, to it. Not to a gateway, which may have carried them from elsewhere, and not
/// what another bus has too.
pub(super) fn take_in(
    nodes: &mut Vec<Found>,
    timing: &Timing,
    losses: &Losses,
    (file, known): (&RosterFile, &Known),
) {
    // What is learned from captures has all that its vehicle sends.
    if !file.learned.is_empty() {
        return;
    }
    let owner = |node: &Node| {
        let few = node.ids.len() <= FEW && !Basis::any_is_told(&node.basis);
        let listed = |id: &IdIndex| known.messages.contains_key(&timing.ids[*id].key);
        let open = few && !node.ids.iter().any(listed) && !is_on_two(timing, &node.ids);
        let lost = node.ids.iter().any(|id| !losses.of(*id).is_empty());
        if !open || !lost {
            return None;
        }
        let stops_with = |at: &usize| {
            let (own, Some((expected, _))) = (&nodes[*at].node, nodes[*at].expected) else {
                return false;
            };
            own.channel == node.channel
                && !file.nodes[expected].guessed
                && node.ids.iter().any(|id| {
                    own.ids.iter().any(|other| by_silence::stops_with(losses, *id, *other))
                })
        };
        let mut owners = (0..nodes.len()).filter(stops_with);
        let (own, None) = (owners.next()?, owners.next()) else { return None };
        let (expected, _) = nodes[own].expected?;
        let all = by_silence::is_silent_as(timing, losses, &node.ids, &nodes[own].node.ids);
        (all && !file.nodes[expected].is_gateway()).then_some(own)
    };
    let homes: BTreeMap<usize, usize> =
        (0..nodes.len()).filter_map(|at| Some((at, owner(&nodes[at].node)?))).collect();
    for (at, own) in &homes {
        let ids = std::mem::take(&mut nodes[*at].node.ids);
        let own = &mut nodes[*own].node;
        own.ids.extend(ids);
        own.ids.sort_unstable();
        if !own.basis.contains(&Basis::SharedSilence) {
            own.basis.push(Basis::SharedSilence);
        }
    }
    nodes.retain(|found| !found.node.ids.is_empty());
}

/// Whether any of these is sent on another channel too: a gateway carries it from there, or to it.
fn is_on_two(timing: &Timing, ids: &[IdIndex]) -> bool {
    let keys = ids.iter().map(|id| timing.ids[*id].key);
    keys.into_iter().any(|own| {
        let twin = |key: &Key| key.id == own.id && key.channel != own.channel;
        timing.ids.iter().any(|id| twin(&id.key))
    })
}
