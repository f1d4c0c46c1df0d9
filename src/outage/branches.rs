//! Whole nodes that fall silent together: a branch.

use super::causes::{self, Return};
use super::facts::{BACK_TOGETHER, bus_errors, fastest};
use super::{Evidence, Observed, Outage, Scope};
use crate::fold::timing::{Nanoseconds, nanoseconds, seconds};
use crate::ids::{IdIndex, NodeIndex};
use crate::network::Node;

/// Nodes whose losses begin within this many seconds of each other, besides their fastest periods,
/// may share a branch.
const BRANCH_START: f64 = 0.1;
/// No module is up again sooner than so many seconds after its supply failed (common practice, no
/// source).
const BOOTS: f64 = 0.3;

/// Whole nodes of one channel that fall silent and return together are one outage of a branch.
pub(super) fn join(observed: &Observed<'_>, parts: Vec<Outage>) -> Vec<Outage> {
    let (branches, parts): (Vec<Outage>, Vec<Outage>) =
        parts.into_iter().partition(|part| part.scope == Scope::Branch);
    let mut out = Vec::new();
    let mut groups: Vec<Vec<Outage>> = Vec::new();
    for part in branches.into_iter().chain(parts) {
        if !matches!(part.scope, Scope::Node | Scope::Branch) {
            out.push(part);
            continue;
        }
        // What is slower times out later, in an event of its own; the module is the one that the
        // branch has already.
        let holds = |branch: &&mut Outage| {
            branch.scope == Scope::Branch
                && part.nodes.iter().all(|node| branch.nodes.contains(node))
                && at_once(observed, branch, &part)
        };
        if let Some(branch) = groups.iter_mut().flatten().find(holds) {
            branch.ids.extend(&part.ids);
            branch.ids.sort_unstable();
            branch.ids.dedup();
            continue;
        }
        let together = |other: &Outage| {
            let own = |node: &NodeIndex| part.nodes.contains(node);
            !other.nodes.iter().any(own) && at_once(observed, other, &part)
        };
        match groups.iter_mut().find(|group| group.iter().all(together)) {
            Some(group) => group.push(part),
            None => groups.push(vec![part]),
        }
    }
    for mut group in groups {
        if group.len() == 1 {
            out.append(&mut group);
        } else {
            out.push(branch(observed, &group));
        }
    }
    out
}

/// Whether a part begins and ends with another one. What lost one supply begins alike, and ends as
/// each of its modules is up again.
fn at_once(observed: &Observed<'_>, other: &Outage, part: &Outage) -> bool {
    let losses = observed.losses;
    let slack = fastest(losses, &part.ids) + fastest(losses, &other.ids) + BRANCH_START;
    let ends = (other.end - part.end).abs() <= nanoseconds(BACK_TOGETHER)
        // Two short losses a moment apart are not one.
        && other.silence().overlap(&part.silence()) * 2 > part.end - part.start;
    other.channel == part.channel
        && other.ongoing == part.ongoing
        && (other.start - part.start).abs() <= nanoseconds(slack)
        && (ends || !part.ongoing && boots(observed, part) && boots(observed, other))
}

/// Whether it was silent for as long as a module takes to boot, and may have started anew.
fn boots(observed: &Observed<'_>, part: &Outage) -> bool {
    let ids = part.nodes.iter().map(|node| observed.network.nodes[*node].ids.as_slice());
    let ids: Vec<&[IdIndex]> = ids.collect();
    part.duration() >= BOOTS
        && causes::judge(observed, &ids, part.silence()).shows != Return::CarriedOn
}

pub(super) fn branch(observed: &Observed<'_>, group: &[Outage]) -> Outage {
    let first = &group[0];
    let starts = group.iter().map(|part| part.start);
    let ends = group.iter().map(|part| part.end);
    let start = starts.clone().max().unwrap_or(first.start);
    let end = ends.clone().min().unwrap_or(first.end).max(start);
    let mut ids: Vec<IdIndex> = group.iter().flat_map(|part| part.ids.iter().copied()).collect();
    ids.sort_unstable();
    let nodes: Vec<NodeIndex> = group.iter().flat_map(|part| part.nodes.iter().copied()).collect();
    // One that was never heard did not go on.
    let on_channel = |node: &&Node| Some(node.channel) == first.channel && !node.ids.is_empty();
    let others = observed.network.nodes.iter().filter(on_channel).count() - nodes.len();
    let mut evidence =
        vec![Evidence::FellSilentTogether { nodes: nodes.len(), seconds: spread(starts), others }];
    if !first.ongoing && spread(ends.clone()) <= BACK_TOGETHER {
        evidence.push(Evidence::CameBackTogether { seconds: spread(ends) });
    }
    let joined = Outage { scope: Scope::Branch, nodes, ids, start, end, evidence, ..first.clone() };
    let errors =
        joined.channel.and_then(|channel| bus_errors(observed.timing, channel, joined.silence()));
    Outage { evidence: joined.evidence.iter().copied().chain(errors).collect(), ..joined }
}

/// Seconds from the first to the last.
fn spread(times: impl Iterator<Item = Nanoseconds> + Clone) -> f64 {
    seconds(times.clone().max().unwrap_or(0) - times.min().unwrap_or(0))
}
