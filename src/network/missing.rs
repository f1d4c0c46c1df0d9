//! Which of the identifiers that a roster expects and nobody sent belong together.

use std::collections::BTreeMap;

use lostnode_parsers::Id;

use super::by_field::Fields;
use super::{Basis, ExpectedHere, Network, Node, odds_of_several};
use crate::capture::ChannelIndex;
use crate::fold::timing::{IdTiming, Timing};
use crate::ids::{IdIndex, NodeIndex};
use crate::roster_file::RosterFile;
use crate::silence::{KeyState, Losses, Missing, Roll};

/// Identifiers that are expected and were never heard, of one cause as far as can be told.
#[derive(Clone, Debug, PartialEq)]
pub struct MissingHere {
    /// Their channel.
    pub channel: ChannelIndex,
    /// The node that they are of, or that stands for them.
    pub node: NodeIndex,
    /// The identifiers, ascending.
    pub ids: Vec<Id>,
    /// What they have in common.
    pub of: MissingOf,
    /// Frames that would have come of the one with the fewest.
    pub due: f64,
    /// … and of the one with the most.
    pub most: f64,
    /// A sound vehicle does not send them all the time: of what only stays away together one is
    /// enough, for what one mode sends begins with it, slow messages later than one can tell.
    pub sometimes: bool,
}

/// What missing identifiers have in common.
#[derive(Clone, Copy, Debug, PartialEq)]
pub enum MissingOf {
    /// They are all that is expected of a node.
    Whole,
    /// They are some of what is expected of a node.
    Part,
    /// Nothing but that they are missing. Identifiers silent from the first frame on have one cause
    /// far more often than several at once, and clocks cannot speak, for nothing was heard.
    Together {
        /// How many identifiers the roster expects on the channel.
        expected: usize,
        /// As far as the roster tells, all may be silent because the key was off.
        perhaps_key_off: bool,
    },
}

/// Groups what is missing on each channel: by the nodes that somebody named, then by the field that
/// names senders, where there is one, and all the rest as one.
pub(super) fn group(
    network: &mut Network,
    timing: &Timing,
    losses: &Losses,
    file: &RosterFile,
    fields: &Fields,
) {
    for (at, channel) in losses.channels.iter().enumerate() {
        let (at, roll) = (at as ChannelIndex, &channel.roll);
        let mut rest = named(network, at, roll, file);
        // The key would be one cause of all.
        if !perhaps_key_off(roll) {
            rest = by_field(network, timing, at, fields, rest);
        }
        together(network, at, roll, &rest);
    }
}

/// By the nodes that somebody named; what is missing besides.
fn named(
    network: &mut Network,
    channel: ChannelIndex,
    roll: &Roll,
    file: &RosterFile,
) -> Vec<Missing> {
    let mut rest = roll.missing.clone();
    let whole = |here: &ExpectedHere| if here.heard { MissingOf::Part } else { MissingOf::Whole };
    for here in network.expected.clone() {
        let own: Vec<Missing> = of_node(&roll.missing, here);
        // A guess may have put identifiers of two nodes together, or parted those of one; but where
        // it holds all that is missing, it agrees with the traffic.
        let all_of_one = own.len() == roll.missing.len() && !here.heard;
        let known = !file.nodes[here.expected].guessed || all_of_one;
        if known && !own.is_empty() {
            rest.retain(|missing| !own.contains(missing));
            network.missing.push(here_missing(channel, here.node, &own, whole(&here)));
        }
    }
    rest
}

/// By the field that names senders, where the channel has one; what is missing besides.
fn by_field(
    network: &mut Network,
    timing: &Timing,
    channel: ChannelIndex,
    fields: &Fields,
    mut rest: Vec<Missing>,
) -> Vec<Missing> {
    let mut by_value: BTreeMap<u32, Vec<Missing>> = BTreeMap::new();
    for missing in &rest {
        if let Some(value) = fields.value(channel, missing.id) {
            by_value.entry(value).or_default().push(*missing);
        }
    }
    by_value.retain(|value, own| {
        let heard = heard(timing, channel, fields, *value);
        let Some(node) = sender_of(network, &heard) else {
            // What has a value to itself may be numbered otherwise, as network management is; and
            // where anything of it was heard the sender is there, whoever it is.
            return own.len() > 1 && heard.is_empty();
        };
        rest.retain(|missing| !own.contains(missing));
        let never_heard = &mut network.nodes[node].never_heard;
        never_heard.extend(own.iter().map(|missing| missing.id));
        never_heard.sort_unstable();
        never_heard.dedup();
        network.missing.push(here_missing(channel, node, own, MissingOf::Part));
        false
    });
    // Beside the only sender the rest is of it, or has the same cause.
    if by_value.len() < 2 {
        return rest;
    }
    for own in by_value.into_values() {
        rest.retain(|missing| !own.contains(missing));
        let basis = vec![Basis::Roster, Basis::Field];
        let sender = standing_for(channel, own.iter().map(|missing| missing.id).collect());
        network.nodes.push(Node { basis, confidence: 0.9, ..sender });
        let node = NodeIndex(network.nodes.len() - 1);
        network.missing.push(here_missing(channel, node, &own, MissingOf::Whole));
    }
    rest
}

/// What was heard with a value.
fn heard(timing: &Timing, channel: ChannelIndex, fields: &Fields, value: u32) -> Vec<IdIndex> {
    let has = |id: &IdTiming| {
        id.key.channel == channel && fields.value(channel, id.key.id) == Some(value)
    };
    (0..timing.ids.len()).map(IdIndex).filter(|id| has(&timing.ids[*id])).collect()
}

/// The sender of these, where they are more than one identifier.
fn sender_of(network: &Network, ids: &[IdIndex]) -> Option<NodeIndex> {
    let [first, others @ ..] = ids else { return None };
    let sender = network.node_of[*first]?;
    let alike = others.iter().all(|id| network.node_of[*id] == Some(sender));
    (alike && !others.is_empty()).then_some(sender)
}

/// As far as the roster tells, the key may have been off.
pub(crate) fn perhaps_key_off(roll: &Roll) -> bool {
    roll.key == KeyState::NotKnown && roll.heard * 2 < roll.expected
}

/// Nothing more is known of these than that they are missing.
fn together(network: &mut Network, channel: ChannelIndex, roll: &Roll, rest: &[Missing]) {
    if rest.is_empty() {
        return;
    }
    let several = odds_of_several(rest.len(), roll.expected);
    let ids = rest.iter().map(|missing| missing.id).collect();
    network.nodes.push(Node { several, ..standing_for(channel, ids) });
    let node = NodeIndex(network.nodes.len() - 1);
    let of =
        MissingOf::Together { expected: roll.expected, perhaps_key_off: perhaps_key_off(roll) };
    network.missing.push(here_missing(channel, node, rest, of));
}

fn of_node(missing: &[Missing], here: ExpectedHere) -> Vec<Missing> {
    missing.iter().filter(|missing| missing.node == Some(here.expected)).copied().collect()
}

fn here_missing(
    channel: ChannelIndex,
    node: NodeIndex,
    missing: &[Missing],
    of: MissingOf,
) -> MissingHere {
    let mut each = missing.iter().map(|missing| missing.sometimes);
    let sometimes = match of {
        MissingOf::Together { .. } => each.any(|own| own),
        _ => each.all(|own| own),
    };
    MissingHere {
        channel,
        node,
        ids: missing.iter().map(|missing| missing.id).collect(),
        of,
        due: missing.iter().map(|missing| missing.due).fold(f64::INFINITY, f64::min),
        most: missing.iter().map(|missing| missing.due).fold(0.0, f64::max),
        sometimes,
    }
}

/// The node that probably sends them.
pub(crate) fn standing_for(channel: ChannelIndex, never_heard: Vec<Id>) -> Node {
    let lowest = never_heard.iter().map(|id| lostnode_parsers::frame::raw_id(*id)).min();
    let lowest = lowest.unwrap_or(0);
    Node {
        name: format!("sender of 0x{lowest:03X}"),
        channel,
        never_heard,
        basis: vec![Basis::Roster],
        // One cause is likelier than several; that the cause is one node, a little less so.
        confidence: 0.7,
        ..Node::default()
    }
}
