//! Losses that are one event: the silence of a node, of several, or of some identifiers.

use std::collections::BTreeMap;

use super::facts::{bus_errors, fastest, was_silent};
use super::{Evidence, Observed, Outage, Scope, Why};
use crate::fold::timing::{Nanoseconds, Silence, Timing, nanoseconds, seconds};
use crate::ids::{IdIndex, NodeIndex};
use crate::network::Network;
use crate::silence::{Event, Loss, Losses, QUEUE, unrecorded};

/// Identifiers of one outage came back one after another, and not at once, where the last is more
/// than so many seconds behind the first.
const OVER: f64 = 0.5;

/// The outage of a lost event, as yet without a cause: of a node, of several, or of identifiers
/// whose sender is not known. What falls silent together is one, whatever is known of its senders.
pub(super) fn of_event(observed: &Observed<'_>, event: &Event, why: Why) -> Outage {
    let mut parts: Vec<(Part, Outage)> = clusters(event, observed.network)
        .into_iter()
        .map(|cluster| {
            let part = Part::of(observed, &cluster);
            let outage = part.outage(observed, &cluster);
            (part, outage)
        })
        .collect();
    // Whole nodes first, the larger before the smaller.
    parts.sort_by_key(|(part, outage)| (!part.is_whole(), std::cmp::Reverse(outage.ids.len())));
    let whole = parts.iter().filter(|(part, _)| part.is_whole()).count();
    let mut parts = parts.into_iter().map(|(_, outage)| outage);
    let mut outage = match whole {
        0 | 1 => parts.next().unwrap_or_else(|| unreachable!("an event has a loss")),
        _ => super::branches::branch(observed, &parts.by_ref().take(whole).collect::<Vec<_>>()),
    };
    let others: Vec<Outage> = parts.collect();
    if !others.is_empty() {
        let identifiers = others.iter().map(|other| other.ids.len()).sum();
        outage.ids.extend(others.iter().flat_map(|other| other.ids.iter().copied()));
        outage.ids.sort_unstable();
        outage.evidence.push(Evidence::OthersWithIt { identifiers });
        if whole == 0 {
            // Not all of any known sender: who sends them is open.
            outage.nodes.clear();
        }
    }
    outage.evidence.push(Evidence::Why(why));
    outage
}

/// The losses of each sender; those without a known sender together.
fn clusters(event: &Event, network: &Network) -> Vec<Vec<Loss>> {
    let mut clusters: BTreeMap<Option<NodeIndex>, Vec<Loss>> = BTreeMap::new();
    for loss in &event.losses {
        clusters.entry(network.node_of[loss.id]).or_default().push(*loss);
    }
    let mut clusters: Vec<Vec<Loss>> = clusters.into_values().collect();
    clusters.iter_mut().for_each(|cluster| cluster.sort_by_key(|loss| (loss.silence, loss.id)));
    clusters
}

/// The time in which all of a cluster was silent.
fn common(cluster: &[Loss]) -> Silence {
    let start = cluster.iter().map(|loss| loss.silence.start).max().unwrap_or(0);
    let end = cluster.iter().map(|loss| loss.silence.end).min().unwrap_or(start);
    Silence { start, end: end.max(start) }
}

/// The silence of a whole node: its last frame may have been one of an identifier that did not time
/// out.
fn of_node(timing: &Timing, ids: &[IdIndex], silence: Silence, slack: Nanoseconds) -> Silence {
    let middle = silence.start + silence.length() / 2;
    let mut out = silence;
    for id in ids.iter().map(|id| &timing.ids[*id]) {
        let Some((first, last)) = id.heard else { continue };
        let around = id.silences.around(middle);
        let start = around.map_or(last, |own| own.start);
        let end = around.map_or(first, |own| own.end);
        if start <= silence.start.saturating_add(slack) {
            out.start = out.start.max(start);
        }
        if end >= silence.end - slack {
            out.end = out.end.min(end);
        }
    }
    out
}

/// The sender of a cluster and what else of it was silent.
struct Part {
    node: Option<NodeIndex>,
    /// Identifiers that were lost, ascending.
    ids: Vec<IdIndex>,
    /// Identifiers of the node that went on.
    going_on: Vec<IdIndex>,
    silence: Silence,
    /// Period of the fastest identifier, in seconds.
    fastest: f64,
}

impl Part {
    fn of(observed: &Observed<'_>, cluster: &[Loss]) -> Part {
        let Observed { timing, losses, network, .. } = *observed;
        let mut silence = common(cluster);
        let node = network.node_of[cluster[0].id];
        let mut ids: Vec<IdIndex> = cluster.iter().map(|loss| loss.id).collect();
        ids.sort_unstable();
        // Of two silences close together both may be in it.
        ids.dedup();
        let fastest = fastest(losses, &ids);
        // The node stopped and returned within a period of its fastest identifier.
        let slack = nanoseconds(fastest + QUEUE);
        let mut going_on = Vec::new();
        if let Some(node) = node {
            let own = &network.nodes[node].ids;
            let heard = |id: &IdIndex| !was_silent(observed, *id, silence, slack);
            going_on = own.iter().copied().filter(heard).collect();
            if going_on.is_empty() {
                silence = of_node(timing, own, silence, slack);
            }
        }
        Part { node, ids, going_on, silence, fastest }
    }

    /// Whether it is the whole node.
    fn is_whole(&self) -> bool {
        self.node.is_some() && self.going_on.is_empty()
    }

    fn outage(&self, observed: &Observed<'_>, cluster: &[Loss]) -> Outage {
        let scope = if self.is_whole() { Scope::Node } else { Scope::Identifier };
        Outage {
            channel: Some(observed.timing.ids[cluster[0].id].key.channel),
            nodes: self.node.into_iter().collect(),
            ids: self.ids.clone(),
            ongoing: cluster.iter().all(|loss| loss.ongoing),
            evidence: self.evidence(observed, cluster),
            ..Outage::of(scope, self.silence)
        }
    }

    fn evidence(&self, observed: &Observed<'_>, cluster: &[Loss]) -> Vec<Evidence> {
        let Observed { timing, losses, network, .. } = *observed;
        let mut out = vec![Evidence::Missed {
            identifiers: self.ids.len(),
            frames: missed(timing, losses, cluster),
            fastest: self.fastest,
        }];
        let pieces = cluster.iter().map(|loss| silent_within(timing, losses, loss).1).max();
        if let Some(pieces @ 2..) = pieces {
            out.push(Evidence::HeardForMoments { times: pieces as usize - 1 });
        }
        match self.node {
            Some(node) if self.is_whole() => {
                let rest = network.nodes[node].ids.len() - self.ids.len();
                if rest > 0 {
                    out.push(Evidence::OthersSilentToo { identifiers: rest });
                }
            }
            Some(node) => out.push(Evidence::NodeWentOn {
                node,
                identifiers: self.going_on.len(),
                example: timing.ids[self.going_on[0]].key.id,
            }),
            None => out.push(Evidence::SenderUnknown),
        }
        let last = cluster.iter().map(|loss| loss.silence.end).max();
        let back = last.unwrap_or(self.silence.end) - self.silence.end;
        if back > nanoseconds(OVER) && !cluster[0].ongoing {
            out.push(Evidence::CameBackOver { seconds: seconds(back) });
        }
        let channel = timing.ids[cluster[0].id].key.channel;
        out.extend(bus_errors(timing, channel, self.silence));
        out
    }
}

/// For how long an identifier was silent in its loss, in how many pieces: what is polled asleep was
/// heard in between.
fn silent_within(timing: &Timing, losses: &Losses, loss: &Loss) -> (Nanoseconds, i64) {
    let whole = (loss.silence.length(), 1);
    let Some(expected) = losses.expected[loss.id] else { return whole };
    let own = timing.ids[loss.id].silences.at_least(nanoseconds(expected.timeout));
    let within = |own: &Silence| own.start >= loss.silence.start && own.end <= loss.silence.end;
    let (silent, pieces) =
        own.filter(within).fold((0, 0), |(sum, pieces), own| (sum + own.length(), pieces + 1));
    if pieces > 1 { (silent, pieces) } else { whole }
}

/// Fewest frames that any of the cluster missed.
fn missed(timing: &Timing, losses: &Losses, cluster: &[Loss]) -> i64 {
    let of = |loss: &Loss| {
        let period =
            losses.expected[loss.id].map_or(f64::INFINITY, |expected| expected.rhythm.period);
        let (silent, pieces) = silent_within(timing, losses, loss);
        let recorded = silent - unrecorded(&losses.stops, loss.silence);
        (seconds(recorded) / period).round() as i64 - pieces + i64::from(loss.ongoing)
    };
    cluster.iter().map(of).min().unwrap_or(0)
}
