//! Who sends what, as far as the captures that are learned from tell.
//!
//! A shared silence is no reason to join here: a sound vehicle shows none but those of the key and
//! of the logger, which take the engine's identifiers and the body's alike.

use std::collections::BTreeMap;

use super::{Class, Key};
use crate::analysis::{Analysis, Basis, Node};
use crate::roster_file::{ExpectedMessage, ExpectedNode, RosterFile};

/// Groups of identifiers that have one sender, in order of appearance.
#[derive(Clone, Debug, Default)]
pub(super) struct Senders {
    groups: Vec<Group>,
}

#[derive(Clone, Debug)]
struct Group {
    name: String,
    channel: String,
    guessed: bool,
    ids: Vec<Key>,
}

impl Senders {
    /// Takes what a capture tells. Later captures add to the groups of earlier ones.
    pub(super) fn attend(&mut self, analysis: &Analysis, class: &Class<'_>) {
        for node in analysis.nodes.iter().filter(|node| is_told(node)) {
            let channel = class.name(analysis.channel(node.channel));
            let own = node.ids.iter().map(|at| &analysis.identifiers[*at]);
            let ids: Vec<Key> =
                own.filter(|id| !id.diagnostic).map(|id| (channel.clone(), id.id)).collect();
            let fresh: Vec<Key> = ids
                .iter()
                .filter(|id| !self.groups.iter().any(|g| g.ids.contains(id)))
                .cloned()
                .collect();
            match self.groups.iter_mut().find(|g| ids.iter().any(|id| g.ids.contains(id))) {
                Some(group) => group.ids.extend(fresh),
                None if fresh.is_empty() => {}
                None => self.groups.push(Group {
                    name: node.name.clone(),
                    channel,
                    // An address is given by whoever built the vehicle, a clock is read by us.
                    guessed: !node.basis.contains(&Basis::Address),
                    ids: fresh,
                }),
            }
        }
    }

    /// The roster of these messages.
    pub(super) fn roster(self, mut messages: BTreeMap<Key, ExpectedMessage>) -> RosterFile {
        let mut roster = RosterFile::default();
        for Group { name, channel, guessed, ids } in self.groups {
            let messages = ids.iter().filter_map(|id| messages.remove(id)).collect();
            let node = ExpectedNode { name, channel, guessed, messages, ..ExpectedNode::default() };
            roster.nodes.push(node);
        }
        roster.lone =
            messages.into_iter().map(|((channel, _), message)| (channel, message)).collect();
        roster
    }
}

fn is_told(node: &Node) -> bool {
    node.heard
        && (node.basis.contains(&Basis::Address) || !node.basis.contains(&Basis::SharedSilence))
}
