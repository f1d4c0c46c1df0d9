//! Modules of several buses that are lost at the same times: a fuse or a ground knows no bus.

use super::{Symptom, elsewhere};
use crate::analysis::symptom::{Return, Sign, SymptomKind};
use crate::analysis::{Analysis, Outage};
use crate::fold::timing::nanoseconds;
use crate::ids::NodeIndex;

/// Losses of one supply begin within so many seconds of each other, besides the periods of the
/// messages that tell them: supplies hold modules up for a while (common practice, no source).
const TOGETHER: f64 = 0.3;

/// Gives nodes of several buses that fall silent at the same times each other for company, unless
/// they ran on, or one sends what the other does: then it is one module on two buses, or a gateway.
pub fn join(analysis: &Analysis, out: &mut [Symptom]) {
    let silent = |symptom: &Symptom| {
        let silent = matches!(symptom.kind(), SymptomKind::NodeSilent | SymptomKind::NodesSilent);
        let anew = symptom.signs.iter().any(|sign| {
            use Return::{Leans, StartedAnew, Untold};
            matches!(
                sign,
                Sign::Return(StartedAnew { .. } | Leans { on: false, .. } | Untold { .. })
                    | Sign::ReturnTogether(StartedAnew { .. } | Leans { on: false, .. })
            )
        });
        silent && anew && !symptom.subject.nodes().is_empty()
    };
    let lost: Vec<(usize, Vec<&Outage>)> = (0..out.len())
        .filter(|at| silent(&out[*at]))
        .map(|at| (at, elsewhere::losses(analysis, &out[at].subject)))
        .filter(|(_, losses)| !losses.is_empty())
        .collect();
    let mut joined: Vec<(usize, Vec<NodeIndex>)> = Vec::new();
    for (at, own) in &lost {
        let with = lost.iter().filter(|(_, other)| {
            own[0].channel != other[0].channel
                && falls_with(analysis, own, other)
                && falls_with(analysis, other, own)
                && !share_messages(analysis, own, other)
        });
        let mut nodes: Vec<NodeIndex> =
            with.flat_map(|(other, _)| out[*other].subject.nodes()).copied().collect();
        if !nodes.is_empty() {
            nodes.extend(out[*at].subject.nodes());
            nodes.sort_unstable();
            nodes.dedup();
            joined.push((*at, nodes));
        }
    }
    for (at, nodes) in joined {
        out[at].company = nodes;
    }
}

/// Whether most losses of one begin and are under way with one of the other.
fn falls_with(analysis: &Analysis, own: &[&Outage], other: &[&Outage]) -> bool {
    let period = |outage: &Outage| analysis.fastest(&outage.ids).unwrap_or(0.0);
    let with = |one: &&&Outage| {
        other.iter().any(|two| {
            let slack = nanoseconds(TOGETHER + period(one) + period(two));
            (one.start - two.start).abs() <= slack && one.silence().overlap(&two.silence()) > 0
        })
    };
    own.iter().filter(with).count() * 3 > own.len() * 2
}

fn share_messages(analysis: &Analysis, own: &[&Outage], other: &[&Outage]) -> bool {
    let ids = |outages: &[&Outage]| {
        let ids = outages.iter().flat_map(|outage| &outage.ids);
        ids.map(|id| analysis.identifiers[*id].id).collect::<Vec<_>>()
    };
    let theirs = ids(other);
    ids(own).iter().any(|id| theirs.contains(id))
}
