//! One module that two buses hear is told once.
//!
//! A gateway copies frames from bus to bus, and some modules send on two. Lost, such a module is
//! missing on both, and each bus has nodes of its own for it.

use lostnode_parsers::Id;

use crate::analysis::finding::Finding;
use crate::analysis::{Analysis, Outage, Scope};
use crate::ids::{ChannelIndex, NodeIndex};

/// Of the losses of either, so many in a hundred are those of the other too.
const TOGETHER: usize = 75;
/// A set of nodes that is less probable than this explains nothing in place of a single node.
const LIKELY: f64 = 0.2;

/// For each finding, most probable first, whether it says again of one bus what another one says of
/// the other. A set of nodes stays before a single one: the bus that parts them tells more. Of two
/// alike, the first stays.
pub(super) fn told_twice(analysis: &Analysis, findings: &[Finding]) -> Vec<bool> {
    let missing: Vec<Option<Missing>> =
        findings.iter().map(|own| Missing::of(analysis, own.subject.nodes())).collect();
    let again = |at: usize| {
        let own = &findings[at];
        let Some(lost) = missing[at].as_ref().filter(|_| !own.benign) else { return false };
        (0..findings.len()).filter(|other| *other != at && !findings[*other].benign).any(|place| {
            let other = &findings[place];
            let single = |finding: &Finding| finding.subject.nodes().len() == 1;
            let stays = match (single(own), single(other)) {
                (true, false) => other.uncalibrated >= LIKELY,
                (false, true) => false,
                _ => place < at && own.class == other.class,
            };
            stays && missing[place].as_ref().is_some_and(|other| lost.is_same(other, analysis))
        })
    };
    (0..findings.len()).map(again).collect()
}

/// The losses of a node or of a set of them.
struct Missing<'a> {
    channel: ChannelIndex,
    outages: Vec<&'a Outage>,
}

impl<'a> Missing<'a> {
    fn of(analysis: &'a Analysis, nodes: &[NodeIndex]) -> Option<Missing<'a>> {
        let channel = analysis.nodes[*nodes.first()?].channel;
        let same = |outage: &&Outage| {
            matches!(outage.scope, Scope::Node | Scope::Branch)
                && !outage.ids.is_empty()
                && outage.nodes.len() == nodes.len()
                && outage.nodes.iter().all(|node| nodes.contains(node))
        };
        let outages: Vec<&Outage> = analysis.lost().filter(same).collect();
        (!outages.is_empty()).then_some(Missing { channel, outages })
    }

    /// Whether they are those of the other on another bus: most of either at the same times, and
    /// half of the messages or more the same.
    fn is_same(&self, other: &Missing<'_>, analysis: &Analysis) -> bool {
        self.channel != other.channel
            && self.falls_with(other)
            && other.falls_with(self)
            && self.shares_messages(other, analysis)
    }

    fn falls_with(&self, other: &Missing<'_>) -> bool {
        let at_once = |own: &&&Outage| {
            other.outages.iter().any(|outage| {
                let longer = own.silence().length().max(outage.silence().length());
                2 * own.silence().overlap(&outage.silence()) > longer
            })
        };
        100 * self.outages.iter().filter(at_once).count() >= TOGETHER * self.outages.len()
    }

    fn shares_messages(&self, other: &Missing<'_>, analysis: &Analysis) -> bool {
        let (own, other) = (self.messages(analysis), other.messages(analysis));
        let shared = own.iter().filter(|id| other.contains(id)).count();
        shared > 0 && 2 * shared >= own.len().min(other.len())
    }

    fn messages(&self, analysis: &Analysis) -> Vec<Id> {
        let ids = self.outages.iter().flat_map(|outage| &outage.ids);
        let mut out: Vec<_> = ids.map(|id| analysis.identifiers[*id].id).collect();
        out.sort_unstable();
        out.dedup();
        out
    }
}
