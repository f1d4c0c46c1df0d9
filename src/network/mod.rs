//! Who sends what.
//!
//! For 29-bit identifiers the sender is the source address in the lowest byte (SAE J1939-21, 5.2;
//! ISO 15765-2:2016, 10.3.3, for normal fixed addresses). For 11-bit identifiers the capture shows
//! a sender only where its identifiers fall silent and return together.

pub mod senders;

use std::collections::BTreeMap;

use lostnode_parsers::Id;

use crate::capture::ChannelIndex;
use crate::fold::timing::{Nanoseconds, Timing, nanoseconds};
use crate::roster_file::{Known, RosterFile};
use crate::silence::Losses;
use senders::Clocks;

/// Why identifiers are said to have one sender.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord)]
pub enum Basis {
    /// A roster file says so.
    Roster,
    /// The source address in the identifier.
    Address,
    /// They are timed by one clock.
    Clock,
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
    /// Identifiers whose clock cannot be told yet, and the seconds of capture that would likely do.
    pub undecided: Vec<(usize, f64)>,
}

/// Groups the identifiers of a capture by sender: 29-bit ones by address, 11-bit ones by clock, and
/// by the silences that they share. Those that a roster file names are as it says.
pub fn build(
    timing: &Timing,
    losses: &Losses,
    clocks: &Clocks,
    known: Option<(&RosterFile, &Known)>,
) -> Roster {
    let mut nodes = known.map_or(Vec::new(), |(file, known)| by_file(timing, file, known));
    let told: Vec<usize> = nodes.iter().flat_map(|node| node.ids.iter().copied()).collect();
    let mut others = by_address(timing);
    let (by_clock, undecided) = by_clock(timing, losses, clocks);
    let silent = by_shared_silence(timing, losses)
        .into_iter()
        .flat_map(|node| apart(timing, clocks, node))
        .collect();
    others.extend(with_silences(by_clock, silent, timing, losses));
    for mut node in others {
        node.ids.retain(|id| !told.contains(id));
        if !node.ids.is_empty() {
            if node.basis[0] != Basis::Address {
                node.name = name(timing, &node.ids);
            }
            nodes.push(node);
        }
    }
    nodes.sort_by_key(|node| node.channel);
    let mut node_of = vec![None; timing.ids.len()];
    for (at, node) in nodes.iter().enumerate() {
        node.ids.iter().for_each(|id| node_of[*id] = Some(at));
    }
    let open = |(id, _): &(usize, f64)| node_of[*id].is_none();
    Roster { undecided: undecided.into_iter().filter(open).collect(), nodes, node_of }
}

fn by_file(timing: &Timing, file: &RosterFile, known: &Known) -> Vec<Node> {
    let ids = |wanted: usize| {
        let own = |at: &usize| {
            known.messages.get(&timing.ids[*at].key).is_some_and(|(node, _)| *node == Some(wanted))
        };
        (0..timing.ids.len()).filter(own).collect::<Vec<_>>()
    };
    let node = |known: &crate::roster_file::KnownNode| Node {
        name: file.nodes[known.node].name.clone(),
        channel: known.channel,
        ids: ids(known.node),
        basis: vec![Basis::Roster],
        confidence: 1.0,
    };
    known.nodes.iter().map(node).filter(|node| !node.ids.is_empty()).collect()
}

/// Groups of 11-bit identifiers by clock, channel by channel, and what cannot be told yet.
fn by_clock(timing: &Timing, losses: &Losses, clocks: &Clocks) -> (Vec<Node>, Vec<(usize, f64)>) {
    let mut nodes = Vec::new();
    let mut undecided = Vec::new();
    for channel in 0..timing.channels.len() {
        let standard = |at: &usize| {
            let key = timing.ids[*at].key;
            usize::from(key.channel) == channel
                && matches!(key.id, Id::Standard(_))
                && losses.expected[*at].is_some()
        };
        let rates: Vec<_> = (0..timing.ids.len())
            .filter(standard)
            .filter_map(|at| Some((at, clocks.rates[at]?)))
            .collect();
        let grouping = senders::group(&rates, |at| &timing.ids[at].clock);
        undecided.extend(grouping.undecided);
        for group in grouping.groups {
            nodes.push(Node {
                name: name(timing, &group.members),
                channel: channel as ChannelIndex,
                ids: group.members,
                basis: vec![Basis::Clock],
                confidence: group.confidence,
            });
        }
    }
    (nodes, undecided)
}

/// Whether the clocks of two identifiers are surely different, however uncertain each is.
fn differ(clocks: &Clocks, a: usize, b: usize) -> bool {
    let rate = |at: usize| {
        clocks.rates[at].and_then(|rate| Some((senders::drift(rate.period)?, rate.error)))
    };
    match (rate(a), rate(b)) {
        // Wide of the usual 3.5 standard errors: this only parts what silences put together.
        (Some((a, error_a)), Some((b, error_b))) => {
            (a - b).abs() > 5.0 * error_a.hypot(error_b).max(0.3e-6)
        }
        _ => false,
    }
}

/// Parts identifiers that fall silent together but whose clocks are surely different: two nodes on
/// one branch.
fn apart(timing: &Timing, clocks: &Clocks, node: Node) -> Vec<Node> {
    let mut parts: Vec<Vec<usize>> = Vec::new();
    let mut ids = node.ids.clone();
    let error = |id: usize| clocks.rates[id].map_or(f64::INFINITY, |rate| rate.error);
    ids.sort_by(|a, b| error(*a).total_cmp(&error(*b)).then(a.cmp(b)));
    for id in ids {
        match parts.iter_mut().find(|part| !part.iter().any(|member| differ(clocks, *member, id))) {
            Some(part) => part.push(id),
            None => parts.push(vec![id]),
        }
    }
    let made = |mut ids: Vec<usize>| {
        ids.sort_unstable();
        Node { name: name(timing, &ids), ids, ..node.clone() }
    };
    parts.into_iter().map(made).collect()
}

/// Adds what shared silences tell to what clocks tell. Identifiers of several clocks that fall
/// silent together hang on one branch and stay apart; identifiers without a known clock join the
/// one clock that falls silent with them. Where a part of one clock's identifiers falls silent
/// together while others of it go on, there are two nodes whose clocks agree by chance.
fn with_silences(
    mut by_clock: Vec<Node>,
    by_silence: Vec<Node>,
    timing: &Timing,
    losses: &Losses,
) -> Vec<Node> {
    for silent in by_silence {
        let free: Vec<usize> = silent
            .ids
            .iter()
            .copied()
            .filter(|id| !by_clock.iter().any(|node| node.ids.contains(id)))
            .collect();
        let mut homes: Vec<&mut Node> = by_clock
            .iter_mut()
            .filter(|node| node.ids.iter().any(|id| silent.ids.contains(id)))
            .collect();
        match homes.as_mut_slice() {
            [] => by_clock.push(silent),
            // It fell silent with others than those of its own clock: nothing is told of these.
            [..] if silent.ids.len() == 1 => {}
            [home]
                if home
                    .ids
                    .iter()
                    .any(|id| !silent.ids.contains(id) && went_on(losses, *id, silent.ids[0])) =>
            {
                home.ids.retain(|id| !silent.ids.contains(id));
                home.name = name(timing, &home.ids);
                home.confidence = home.confidence.min(0.7);
                by_clock.push(silent);
            }
            [home] => {
                home.basis.push(Basis::SharedSilence);
                // Two independent grounds: the doubts multiply.
                let doubt = (1.0 - home.confidence) * (1.0 - silent.confidence);
                home.confidence = if free.is_empty() {
                    (1.0 - doubt).min(0.99)
                } else {
                    home.confidence.min(silent.confidence)
                };
                home.ids.extend(free);
                home.ids.sort_unstable();
                home.name = name(timing, &home.ids);
            }
            // Which of the clocks the free ones belong to is not known.
            _ => {}
        }
    }
    by_clock.retain(|node| !node.ids.is_empty());
    by_clock
}

/// Whether an identifier had the chance to miss what another missed, and did not.
fn went_on(losses: &Losses, id: usize, lost: usize) -> bool {
    let timeout =
        losses.expected[id].map_or(Nanoseconds::MAX, |expected| nanoseconds(expected.timeout));
    let own: Vec<_> =
        losses.losses.iter().filter(|loss| loss.id == id).map(|loss| loss.silence).collect();
    let others = losses
        .losses
        .iter()
        .filter(|loss| loss.id == lost && loss.silence.length() > timeout.saturating_mul(2));
    others.map(|loss| loss.silence).any(|silence| own.iter().all(|own| own.overlap(&silence) == 0))
}

/// By the lowest identifier, which nothing else about the sender tells.
fn name(timing: &Timing, ids: &[usize]) -> String {
    let lowest = ids
        .iter()
        .map(|id| lostnode_parsers::frame::raw_id(timing.ids[*id].key.id))
        .min()
        .unwrap_or(0);
    format!("node of 0x{lowest:03X}")
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
        // The standard says so; two units behind one address, or an address used twice, are
        // possible.
        confidence: 0.95,
    };
    groups.into_iter().map(node).collect()
}

/// Most time between the stops, and between the returns, of identifiers of one node, besides their
/// own periods.
const TOGETHER: f64 = 0.05;
/// After power comes back a node may send its identifiers one after another for some time (common
/// practice, no source).
const START_UP: f64 = 1.0;

/// Identifiers whose losses all begin and end together, as far as both had the chance to show them.
fn by_shared_silence(timing: &Timing, losses: &Losses) -> Vec<Node> {
    let late = late_starts(timing, losses);
    let standard = |id: &usize| matches!(timing.ids[*id].key.id, Id::Standard(_));
    let lost = losses.losses.iter().map(|loss| loss.id);
    let mut ids: Vec<usize> = lost.chain(late.keys().copied()).filter(standard).collect();
    ids.sort_unstable();
    ids.dedup();
    // The fastest identifiers show the most: groups form around them.
    ids.sort_by(|a, b| period(losses, *a).total_cmp(&period(losses, *b)).then(a.cmp(b)));
    let mut groups: Vec<Vec<usize>> = Vec::new();
    for id in ids {
        let channel = timing.ids[id].key.channel;
        let home = groups.iter_mut().find(|group| {
            timing.ids[group[0]].key.channel == channel
                && group.iter().all(|member| agree(losses, &late, *member, id))
        });
        match home {
            Some(group) => group.push(id),
            None => groups.push(vec![id]),
        }
    }
    groups.retain(|group| group.len() > 1);
    groups.sort_by_key(|group| timing.ids[group[0]].key.channel);
    let node = |mut group: Vec<usize>| {
        group.sort_unstable();
        let shared = losses.losses.iter().filter(|loss| loss.id == group[0]).count();
        Node {
            name: name(timing, &group),
            channel: timing.ids[group[0]].key.channel,
            // One common silence or start may be that of a branch; each further one halves the
            // doubt.
            confidence: (1.0 - 0.5f64.powi(shared.clamp(1, 5) as i32)).min(0.95),
            basis: vec![Basis::SharedSilence],
            ids: group,
        }
    };
    groups.into_iter().map(node).collect()
}

/// A start this long after the channel's first frame, in seconds, is one of its own and not that of
/// the whole bus.
const LATE: f64 = 5.0;

/// Identifiers that began while most others of their channel had long been running: a shared start
/// tells as much as a shared return.
fn late_starts(timing: &Timing, losses: &Losses) -> BTreeMap<usize, Nanoseconds> {
    let mut out = BTreeMap::new();
    for channel in 0..timing.channels.len() {
        let periodic = |at: &usize| {
            usize::from(timing.ids[*at].key.channel) == channel && losses.expected[*at].is_some()
        };
        let starts: Vec<(usize, Nanoseconds)> = (0..timing.ids.len())
            .filter(periodic)
            .filter_map(|at| Some((at, timing.ids[at].heard?.0)))
            .collect();
        let begin = starts.iter().map(|(_, first)| *first).min().unwrap_or(0);
        let is_late = |(at, first): &&(usize, Nanoseconds)| {
            first - begin > nanoseconds(LATE.max(10.0 * period(losses, *at)))
        };
        let late: Vec<_> = starts.iter().filter(is_late).copied().collect();
        if late.len() * 2 <= starts.len() {
            out.extend(late);
        }
    }
    out
}

fn period(losses: &Losses, id: usize) -> f64 {
    losses.expected[id].map_or(f64::INFINITY, |expected| expected.rhythm.period)
}

/// Whether every loss of either that the other must have shown too was shared, and at least one
/// was; or both have none and began together, late.
fn agree(losses: &Losses, late: &BTreeMap<usize, Nanoseconds>, a: usize, b: usize) -> bool {
    let slack = nanoseconds(period(losses, a) + period(losses, b) + TOGETHER);
    let of = |id: usize| losses.losses.iter().filter(move |loss| loss.id == id);
    let timeout = |id: usize| {
        losses.expected[id].map_or(Nanoseconds::MAX, |expected| nanoseconds(expected.timeout))
    };
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
    let started_together = || match (late.get(&a), late.get(&b)) {
        (Some(a), Some(b)) => (a - b).abs() <= slack,
        _ => false,
    };
    match (shared(a, b), shared(b, a)) {
        (Some(1..), Some(_)) => true,
        (Some(0), Some(0)) => started_together(),
        _ => false,
    }
}
