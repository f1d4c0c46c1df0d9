//! Who sends what.
//!
//! For 29-bit identifiers the sender is the source address in the lowest byte (SAE J1939-21, 5.2; ISO 15765-2:2016, 10.3.3, for
//! normal fixed addresses). For 11-bit identifiers the capture shows a sender only where its identifiers fall silent and
//! return together.

use std::collections::BTreeMap;

use lostnode_parsers::Id;

use crate::capture::ChannelIndex;
use crate::losses::Losses;
use crate::timing::{Nanoseconds, Timing, nanoseconds};

/// Why identifiers are said to have one sender.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord)]
pub enum Basis {
    /// The source address in the identifier.
    Address,
    /// They fall silent and return together.
    SharedSilence,
}

/// A sender and its identifiers.
#[derive(Clone, Debug)]
pub struct Node {
    /// Name shown.
    pub name: String,
    /// Where it was heard.
    pub channel: ChannelIndex,
    /// Indexes of its identifiers in [`Timing::ids`], ascending.
    pub ids: Vec<usize>,
    /// Why these belong together.
    pub basis: Vec<Basis>,
    /// 0 to 1: how sure the grouping is.
    pub confidence: f64,
}

/// The senders of a capture.
#[derive(Clone, Debug, Default)]
pub struct Roster {
    /// Senders, by channel, addresses first.
    pub nodes: Vec<Node>,
    /// By identifier: its sender, where known.
    pub node_of: Vec<Option<usize>>,
}

/// Groups the identifiers of a capture by sender.
pub fn build(timing: &Timing, losses: &Losses) -> Roster {
    let mut nodes = by_address(timing);
    nodes.extend(by_shared_silence(timing, losses));
    let mut node_of = vec![None; timing.ids.len()];
    for (at, node) in nodes.iter().enumerate() {
        node.ids.iter().for_each(|id| node_of[*id] = Some(at));
    }
    Roster { nodes, node_of }
}

fn by_address(timing: &Timing) -> Vec<Node> {
    let mut groups: BTreeMap<(ChannelIndex, u8), Vec<usize>> = BTreeMap::new();
    for (at, id) in timing.ids.iter().enumerate() {
        if let Id::Extended(extended) = id.key.id {
            groups.entry((id.key.channel, extended.as_raw() as u8)).or_default().push(at);
        }
    }
    let node = |((channel, address), ids)| Node {
        name: format!("address 0x{address:02X}"),
        channel,
        ids,
        basis: vec![Basis::Address],
        // The standard says so; two units behind one address, or an address used twice, are possible.
        confidence: 0.95,
    };
    groups.into_iter().map(node).collect()
}

/// Most time between the stops, and between the returns, of identifiers of one node, besides their own periods.
const TOGETHER: f64 = 0.05;
/// After power comes back a node may send its identifiers one after another for some time (common practice, no source).
const START_UP: f64 = 1.0;

/// Identifiers whose losses all begin and end together, as far as both had the chance to show them.
fn by_shared_silence(timing: &Timing, losses: &Losses) -> Vec<Node> {
    let standard = |id: usize| matches!(timing.ids[id].key.id, Id::Standard(_));
    let mut ids: Vec<usize> = losses.losses.iter().map(|loss| loss.id).filter(|id| standard(*id)).collect();
    ids.dedup();
    // The fastest identifiers show the most: groups form around them.
    ids.sort_by(|a, b| period(losses, *a).total_cmp(&period(losses, *b)).then(a.cmp(b)));
    let mut groups: Vec<Vec<usize>> = Vec::new();
    for id in ids {
        let channel = timing.ids[id].key.channel;
        let home = groups
            .iter_mut()
            .find(|group| timing.ids[group[0]].key.channel == channel && group.iter().all(|member| agree(losses, *member, id)));
        match home {
            Some(group) => group.push(id),
            None => groups.push(vec![id]),
        }
    }
    groups.retain(|group| group.len() > 1);
    groups.sort_by_key(|group| timing.ids[group[0]].key.channel);
    let name = |group: &[usize]| {
        let lowest = group.iter().map(|id| lostnode_parsers::frame::raw_id(timing.ids[*id].key.id)).min().unwrap_or(0);
        format!("node of 0x{lowest:03X}")
    };
    let node = |mut group: Vec<usize>| {
        group.sort_unstable();
        let shared = losses.losses.iter().filter(|loss| loss.id == group[0]).count();
        Node {
            name: name(&group),
            channel: timing.ids[group[0]].key.channel,
            // One common silence may be that of a branch; each further one halves the doubt.
            confidence: (1.0 - 0.5f64.powi(shared.min(5) as i32)).min(0.95),
            basis: vec![Basis::SharedSilence],
            ids: group,
        }
    };
    groups.into_iter().map(node).collect()
}

fn period(losses: &Losses, id: usize) -> f64 {
    losses.expected[id].map_or(f64::INFINITY, |expected| expected.rhythm.period)
}

/// Whether every loss of either that the other must have shown too was shared, and at least one was.
fn agree(losses: &Losses, a: usize, b: usize) -> bool {
    let slack = nanoseconds(period(losses, a) + period(losses, b) + TOGETHER);
    let of = |id: usize| losses.losses.iter().filter(move |loss| loss.id == id);
    let timeout = |id: usize| losses.expected[id].map_or(Nanoseconds::MAX, |expected| nanoseconds(expected.timeout));
    let shared = |one: usize, other: usize| {
        let mut count = 0;
        for loss in of(one) {
            let twin = of(other).any(|twin| {
                (twin.silence.start - loss.silence.start).abs() <= slack
                    && (twin.silence.end - loss.silence.end).abs() <= slack + nanoseconds(START_UP)
            });
            match twin {
                true => count += 1,
                // A slow identifier has no chance to miss a short loss.
                false if loss.silence.length() <= timeout(other) + slack => {}
                false => return None,
            }
        }
        Some(count)
    };
    matches!((shared(a, b), shared(b, a)), (Some(1..), Some(_)))
}
