//! Outages that nobody is to blame for: the key, a sleep, a message that pauses by nature.

use std::collections::BTreeMap;

use super::facts::was_silent;
use super::lawful::{Judged, Verdict};
use super::parts;
use super::{Cause, Evidence, Observed, Outage, Scope};
use crate::fold::timing::{Nanoseconds, Silence, nanoseconds, seconds};
use crate::ids::{IdIndex, NodeIndex};
use crate::silence::{Event, QUEUE};

/// One outage for an episode of the key; one for each event that is no story by itself.
pub(super) fn outages(observed: &Observed<'_>, judged: &Judged) -> Vec<Outage> {
    match judged.verdict {
        Verdict::SwitchedOff => vec![switched_off(observed, judged)],
        _ => {
            let one = |event: &Event| Outage {
                benign: true,
                doubt: judged.doubt,
                ..parts::of_event(observed, event, judged.why)
            };
            judged.events.iter().map(one).collect()
        }
    }
}

fn switched_off(observed: &Observed<'_>, judged: &Judged) -> Outage {
    let events = judged.events.as_slice();
    let losses = || events.iter().flat_map(|event| &event.losses);
    let start = events.iter().map(|event| event.onset).min().unwrap_or(0);
    let end = last_return(observed, events).max(start);
    let mut ids: Vec<IdIndex> = losses().map(|loss| loss.id).collect();
    ids.sort_unstable();
    ids.dedup();
    let nodes = whole_nodes(observed, &ids, events);
    let of_one =
        nodes.first().is_some_and(|node| observed.network.nodes[*node].ids.len() >= ids.len());
    let scope = match nodes.len() {
        0 if ids.len() == 1 => Scope::Identifier,
        1 if of_one => Scope::Node,
        _ => Scope::Branch,
    };
    let mut evidence: Vec<Evidence> =
        events.iter().map(|event| wave(observed, event, start)).collect();
    evidence.push(Evidence::Why(judged.why));
    Outage {
        channel: events.first().map(|event| event.channel),
        nodes,
        ids,
        ongoing: events.iter().any(|event| event.ongoing),
        cause: Cause::SwitchedOff,
        benign: true,
        doubt: judged.doubt,
        evidence,
        ..Outage::of(scope, Silence { start, end })
    }
}

/// When the last sender began to return, as the loss of a node ends with its first frame; those
/// whose sender is not known count as one.
fn last_return(observed: &Observed<'_>, events: &[Event]) -> Nanoseconds {
    let mut first: BTreeMap<(usize, Option<NodeIndex>), Nanoseconds> = BTreeMap::new();
    for (at, event) in events.iter().enumerate() {
        for loss in &event.losses {
            let back =
                first.entry((at, observed.network.node_of[loss.id])).or_insert(Nanoseconds::MAX);
            *back = loss.silence.end.min(*back);
        }
    }
    first.into_values().max().unwrap_or(0)
}

/// Nodes of which nothing was heard meanwhile.
fn whole_nodes(observed: &Observed<'_>, ids: &[IdIndex], events: &[Event]) -> Vec<NodeIndex> {
    let network = observed.network;
    let mut nodes: Vec<NodeIndex> = ids.iter().filter_map(|id| network.node_of[*id]).collect();
    nodes.sort_unstable();
    nodes.dedup();
    let slack = nanoseconds(QUEUE);
    nodes.retain(|node| {
        let own = &network.nodes[*node].ids;
        let of_node = |event: &&Event| event.losses.iter().any(|loss| own.contains(&loss.id));
        let events = || events.iter().filter(of_node);
        let onset = events().map(|event| event.onset).max().unwrap_or(0);
        let back: Nanoseconds = events().map(|event| event.back).min().unwrap_or(onset);
        let silence = Silence { start: onset, end: back.max(onset) };
        own.iter().all(|id| was_silent(observed, *id, silence, slack))
    });
    nodes
}

/// One instant at which modules left.
fn wave(observed: &Observed<'_>, event: &Event, start: Nanoseconds) -> Evidence {
    let node_of = |loss: &crate::silence::Loss| observed.network.node_of[loss.id];
    let first = &event.losses[0];
    let node =
        node_of(first).filter(|node| event.losses.iter().all(|loss| node_of(loss) == Some(*node)));
    Evidence::Wave {
        after: seconds(event.onset - start),
        identifiers: event.losses.len(),
        example: observed.timing.ids[first.id].key.id,
        node,
        back: (!event.ongoing).then(|| seconds(event.back - start)),
    }
}
