//! What the roster expects and nobody sent.

use super::{Cause, Evidence, Observed, Outage, Scope};
use crate::fold::timing::seconds;
use crate::network::ExpectedHere;
use crate::roster_file::{ExpectedMessage, RosterFile};

/// One outage for each node of the roster of which something was never heard, in its order.
pub(super) fn find(observed: &Observed<'_>, roster: &RosterFile) -> Vec<Outage> {
    let expected = observed.network.expected.iter();
    expected.filter_map(|here| of_node(observed, roster, *here)).collect()
}

fn of_node(observed: &Observed<'_>, roster: &RosterFile, here: ExpectedHere) -> Option<Outage> {
    let node = &observed.network.nodes[here.node];
    let (start, end) = observed.timing.span.unwrap_or((0, 0));
    // Silence that the capture is too short to show is none.
    let due = |message: &&ExpectedMessage| {
        node.never_heard.contains(&message.id)
            && seconds(end - start) > message.timeout.unwrap_or(message.period * 5.0)
    };
    let due: Vec<&ExpectedMessage> =
        roster.nodes[here.expected].messages.iter().filter(due).collect();
    let fastest = due.iter().map(|message| message.period).reduce(f64::min)?;
    Some(Outage {
        scope: if here.heard { Scope::Identifier } else { Scope::Node },
        channel: Some(node.channel),
        nodes: vec![here.node],
        ids: Vec::new(),
        never_heard: due.iter().map(|message| message.id).collect(),
        start,
        end,
        ongoing: true,
        cause: Cause::Unknown,
        benign: false,
        doubt: None,
        evidence: vec![Evidence::NeverHeard { fastest }],
    })
}
