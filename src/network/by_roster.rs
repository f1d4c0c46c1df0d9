//! Senders that a roster file names.

use std::collections::HashSet;

use lostnode_parsers::Id;

use super::{Basis, Found, Node, by_address};
use crate::fold::timing::{Key, Timing};
use crate::ids::IdIndex;
use crate::roster_file::{Known, KnownNode, RosterFile};

/// Every node of the file whose channel is in the capture, heard or not.
pub(super) fn nodes(timing: &Timing, file: &RosterFile, known: &Known) -> Vec<Found> {
    let heard: HashSet<Key> = timing.ids.iter().map(|id| id.key).collect();
    let sender = |key: &Key| known.messages.get(key).and_then(|message| message.node);
    let node = |KnownNode { node, channel, answers }: &KnownNode| {
        let expected = &file.nodes[*node];
        let is_heard = |id| heard.contains(&Key { channel: *channel, id });
        let messages = expected.messages.iter();
        let all = || {
            let of_messages = messages.clone().map(|message| message.id);
            of_messages.chain(expected.events.iter().copied())
        };
        let missing = |id: &Id| !is_heard(*id);
        let own = |at: &IdIndex| sender(&timing.ids[*at].key) == Some(*node);
        let is_heard_at_all = all().any(is_heard);
        let made = Node {
            name: expected.name.clone(),
            channel: *channel,
            ids: (0..timing.ids.len()).map(IdIndex).filter(own).collect(),
            never_heard: messages
                .clone()
                .filter(|message| message.expected)
                .map(|message| message.id)
                .filter(missing)
                .collect(),
            basis: vec![Basis::Roster],
            confidence: 1.0,
            several: None,
            heard: is_heard_at_all,
            answers: answers.clone(),
            missed_as: expected.missed_as.clone(),
        };
        let address = by_address::common_address(all());
        Found { node: made, expected: Some((*node, is_heard_at_all)), address }
    };
    known.nodes.iter().map(node).collect()
}
