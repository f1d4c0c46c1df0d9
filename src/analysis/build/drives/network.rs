//! Who sends what, over several drives. A node is known by its identifiers. Where drives disagree
//! which of them belong together, what fell silent together while others went on is right before
//! what one clock seems to time, and of clocks the longest drive shows them best.

use std::collections::BTreeMap;

use lostnode_parsers::Id;

use super::{Heard, is_whole};
use crate::analysis::drives::Drive;
use crate::analysis::{Evidence, Node, Outage, Scope};
use crate::capture::ChannelIndex;
use crate::fold::diagnostics::Module;
use crate::ids::{IdIndex, NodeIndex};

/// Where what stands in each drive stands in the answer over all.
pub(super) struct Places {
    /// Of each drive's identifiers.
    pub ids: Vec<Vec<IdIndex>>,
    /// Of each drive's nodes.
    pub of_nodes: Vec<Vec<NodeIndex>>,
    /// The nodes over all.
    pub nodes: Vec<Node>,
    /// The sender of each identifier, where it is known.
    pub node_of: BTreeMap<IdIndex, NodeIndex>,
    /// Of each node the drive in which it was first lost as a whole, and its place there.
    silent_in: Vec<Option<(usize, NodeIndex)>>,
    /// The place of an identifier on a channel.
    known: BTreeMap<(ChannelIndex, Id), IdIndex>,
}

impl Places {
    /// Joins the nodes of the drives, those of the most trusted first.
    pub fn of(drives: &[Drive], trusted: &[usize], ids: &[Vec<IdIndex>], keys: &[Heard]) -> Places {
        let key = |(at, heard): (usize, &Heard)| {
            let (drive, place) = heard[0];
            let own = &drives[drive].analysis.identifiers[place];
            ((drives[drive].channels[usize::from(own.channel)], own.id), IdIndex(at))
        };
        let empty = drives.iter().map(|drive| vec![NodeIndex(0); drive.analysis.nodes.len()]);
        let mut places = Places {
            ids: ids.to_vec(),
            of_nodes: empty.collect(),
            nodes: Vec::new(),
            node_of: BTreeMap::new(),
            silent_in: Vec::new(),
            known: keys.iter().enumerate().map(key).collect(),
        };
        // What was heard first: what a drive missed is then known from another. Then what fell
        // silent as a whole before what did not, for that tells nodes apart that clocks do not.
        let mut order: Vec<(usize, usize)> = Vec::new();
        for at in trusted {
            order.extend((0..drives[*at].analysis.nodes.len()).map(|place| (*at, place)));
        }
        let node = |at: usize, place: usize| &drives[at].analysis.nodes[place];
        order.sort_by_key(|(at, place)| {
            (node(*at, *place).ids.is_empty(), !was_lost(&drives[*at], NodeIndex(*place)))
        });
        for (at, place) in order {
            let found = places.take(drives, at, NodeIndex(place));
            places.of_nodes[at][place] = found;
        }
        places.never_heard();
        places
    }

    /// The node over all that a node of a drive is; takes its identifiers to it. A new one where
    /// none has any of them.
    fn take(&mut self, drives: &[Drive], at: usize, place: NodeIndex) -> NodeIndex {
        let node = &drives[at].analysis.nodes[place];
        let channel = drives[at].channels[usize::from(node.channel)];
        let heard: Vec<IdIndex> = node.ids.iter().map(|id| self.ids[at][id.0]).collect();
        let missing = node.never_heard.iter().filter_map(|id| self.known.get(&(channel, *id)));
        let known: Vec<IdIndex> = heard.iter().chain(missing).copied().collect();
        let lacking = |known: &Node| {
            known.channel == channel
                && known.never_heard.iter().any(|id| node.never_heard.contains(id))
        };
        let best = self
            .most_of(&known, &|_| true)
            .or_else(|| self.nodes.iter().position(lacking).map(NodeIndex))
            .unwrap_or_else(|| self.add(at, channel, drives, place));
        // What was missing together is of one sender, where no drive that heard it knows better.
        if node.ids.is_empty() {
            for id in &known {
                self.node_of.entry(*id).or_insert(best);
            }
        }
        let open = |id: &&IdIndex| !self.node_of.contains_key(id);
        let (apart, own): (Vec<IdIndex>, Vec<IdIndex>) =
            heard.iter().filter(open).partition(|id| self.went_on_without(drives, **id, best));
        self.node_of.extend(own.into_iter().map(|id| (id, best)));
        if !apart.is_empty() {
            let other = self
                .most_of(&known, &|node| node != best)
                .unwrap_or_else(|| self.add(at, channel, drives, place));
            self.node_of.extend(apart.into_iter().map(|id| (id, other)));
        }
        let place = self.most_of(&heard, &|_| true).unwrap_or(best);
        let known = &mut self.nodes[place];
        known.heard |= node.heard;
        known.never_heard.extend(node.never_heard.iter().copied());
        for basis in &node.basis {
            if !known.basis.contains(basis) {
                known.basis.push(*basis);
            }
        }
        place
    }

    fn add(
        &mut self,
        at: usize,
        channel: ChannelIndex,
        drives: &[Drive],
        place: NodeIndex,
    ) -> NodeIndex {
        let node = &drives[at].analysis.nodes[place];
        let answers = node.answers.iter().map(|module| Module {
            channel: drives[at].channels[usize::from(module.channel)],
            ..*module
        });
        let answers = answers.collect();
        self.nodes.push(Node { channel, ids: Vec::new(), answers, ..node.clone() });
        self.silent_in.push(was_lost(&drives[at], place).then_some((at, place)));
        NodeIndex(self.nodes.len() - 1)
    }

    /// The sender of most of some identifiers, among those that are wanted.
    fn most_of(&self, ids: &[IdIndex], wanted: &dyn Fn(NodeIndex) -> bool) -> Option<NodeIndex> {
        let mut votes: BTreeMap<NodeIndex, usize> = BTreeMap::new();
        for sender in ids.iter().filter_map(|id| self.node_of.get(id)) {
            *votes.entry(*sender).or_default() += usize::from(wanted(*sender));
        }
        let most = votes.iter().max_by_key(|(node, count)| (**count, std::cmp::Reverse(**node)));
        most.filter(|(_, count)| **count > 0).map(|(node, _)| *node)
    }

    /// Whether the drive in which a node fell silent as a whole shows that an identifier has
    /// another sender.
    fn went_on_without(&self, drives: &[Drive], id: IdIndex, node: NodeIndex) -> bool {
        self.silent_in[node.0].is_some_and(|(at, own)| {
            let there = self.ids[at].iter().position(|place| *place == id);
            there.is_some_and(|place| match drives[at].analysis.identifiers[place].node {
                Some(sender) => sender != own,
                // Whoever sends it: not the node that was silent meanwhile.
                None => heard_through_a_loss(&drives[at], place, own),
            })
        })
    }

    /// Gives each node its identifiers; never heard is what no drive heard.
    fn never_heard(&mut self) {
        for (id, node) in &self.node_of {
            self.nodes[*node].ids.push(*id);
        }
        for node in &mut self.nodes {
            let channel = node.channel;
            node.never_heard.retain(|id| !self.known.contains_key(&(channel, *id)));
            node.never_heard.sort_unstable();
            node.never_heard.dedup();
        }
    }

    /// An outage of a drive on the time line of all, with the places of all.
    pub fn outage(&self, at: usize, drive: &Drive, outage: &Outage) -> Outage {
        let channel = outage.channel.map(|channel| drive.channels[usize::from(channel)]);
        let node = |node: &NodeIndex| self.of_nodes[at][node.0];
        let mut nodes: Vec<NodeIndex> = Vec::new();
        for own in outage.nodes.iter().map(node) {
            if !nodes.contains(&own) {
                nodes.push(own);
            }
        }
        let mut ids: Vec<IdIndex> = outage.ids.iter().map(|id| self.ids[at][id.0]).collect();
        // What another drive heard is no unknown of the roster.
        let heard = outage.never_heard.iter().filter_map(|id| self.known.get(&(channel?, *id)));
        ids.extend(heard.copied());
        ids.sort_unstable();
        ids.dedup();
        let scope = match outage.scope {
            Scope::Branch if nodes.len() == 1 => Scope::Node,
            scope => scope,
        };
        let own = Outage {
            scope,
            channel,
            nodes,
            ids,
            start: drive.on_line(outage.start),
            end: drive.on_line(outage.end),
            evidence: outage.evidence.iter().map(|own| self.evidence(at, own)).collect(),
            ..outage.clone()
        };
        match is_whole(&own) && self.went_on_in_part(at, drive, outage, &own) {
            true => Outage { scope: Scope::Identifier, ..own },
            false => own,
        }
    }

    /// Whether the drive shows that a node was lost only in part: what is one node over all were
    /// several in this drive, and another of those went on.
    fn went_on_in_part(&self, at: usize, drive: &Drive, was: &Outage, own: &Outage) -> bool {
        let identifiers = drive.analysis.identifiers.iter().enumerate();
        identifiers.filter(|(_, id)| id.rhythm.is_some()).any(|(place, id)| {
            let sender = self.node_of.get(&self.ids[at][place]);
            sender.is_some_and(|sender| own.nodes.contains(sender))
                && id.node.is_some_and(|node| !was.nodes.contains(&node))
        })
    }

    fn evidence(&self, at: usize, evidence: &Evidence) -> Evidence {
        let place = |node: NodeIndex| self.of_nodes[at][node.0];
        match *evidence {
            Evidence::NodeWentOn { node, identifiers, example } => {
                Evidence::NodeWentOn { node: place(node), identifiers, example }
            }
            Evidence::Wave { after, identifiers, example, node, back } => {
                Evidence::Wave { after, identifiers, example, node: node.map(place), back }
            }
            other => other,
        }
    }
}

/// Whether an identifier of a drive was heard in a loss of a node: the loss was longer than its
/// time-out, or than it was ever silent.
fn heard_through_a_loss(drive: &Drive, place: usize, node: NodeIndex) -> bool {
    let id = &drive.analysis.identifiers[place];
    let timed_out = |lost: &Outage| id.silent.iter().any(|own| own.overlap(&lost.silence()) > 0);
    let losses = drive.analysis.lost();
    let mut of_it = losses.filter(|lost| is_whole(lost) && lost.nodes.contains(&node));
    of_it.any(|lost| {
        let longer = |seconds: Option<f64>| seconds.is_some_and(|own| lost.duration() > own);
        longer(id.timeout) && !timed_out(lost) || longer(id.longest_silence)
    })
}

/// Whether a drive lost a node as a whole.
fn was_lost(drive: &Drive, node: NodeIndex) -> bool {
    drive.analysis.lost().any(|outage| is_whole(outage) && outage.nodes.contains(&node))
}
