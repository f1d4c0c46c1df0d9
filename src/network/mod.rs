//! Who sends what.
//!
//! On a channel that speaks SAE J1939 the sender is the source address in the lowest byte of a
//! 29-bit identifier (SAE J1939-21, 5.2). Elsewhere a field of theirs may name the sender, where
//! clocks confirm it. Of all others the capture shows a sender only where its identifiers run from
//! one clock, or fall silent and return together.
//! docs/roster.md says how sure that is.

mod by_address;
mod by_clock;
mod by_field;
mod by_roster;
mod by_silence;
mod by_start;
pub mod clocks;
pub mod destroyed;
mod idle;
mod missing;
mod unlisted;

use lostnode_parsers::Id;
use lostnode_parsers::frame::DisplayId;

use crate::capture::ChannelIndex;
use crate::fold::diagnostics::Module;
use crate::fold::timing::Timing;
use crate::ids::{IdIndex, NodeIndex, RosterIndex};
use crate::roster_file::{Known, RosterFile};
use crate::silence::Losses;
pub(crate) use by_address::common_address;
use by_field::Fields;
use clocks::Clocks;
pub(crate) use missing::perhaps_key_off;
pub(crate) use missing::standing_for;
pub use missing::{MissingHere, MissingOf};

/// Modules on a bus of a vehicle, as far as its traffic tells how many identifiers each sends: five
/// to fifteen as a rule (common practice, no source).
const MODULES: f64 = 8.0;

/// Fewest and most identifiers that a module is taken to send on average, whatever its bus holds
/// (25 modules of five networks of the ECUPrint supplement, IEEE TIFS 2022: 1 to 21, mean 7.9).
const IDENTIFIERS: (f64, f64) = (4.0, 8.0);

/// How often what several modules share is shared by two, three and four of them (common practice,
/// no source).
const SHARED_BY: [f64; 3] = [0.5, 0.3, 0.2];

/// Odds below which several modules are not thought of.
const LEAST_ODDS: f64 = 0.15;

/// Most odds by number alone: some modules send far more than most. Each of seven controllers of
/// real cars that were not connected was one module, of 1, 5, 9, 14, 15, 23 and 23 identifiers.
const MOST_ODDS: f64 = 1.5;

/// How many times likelier it is that several modules send so many identifiers than that one does,
/// where the number that a module sends falls off geometrically around its mean, on a bus with
/// `on_bus` identifiers on a timer: the more of them fall silent together, the likelier there are
/// several. `None` where one is likelier: then it is taken to be one.
fn odds_of_several(identifiers: usize, on_bus: usize) -> Option<f64> {
    let (least, most) = IDENTIFIERS;
    let mean = (on_bus as f64 / MODULES).clamp(least, most);
    let mut odds = 0.0;
    let mut ways = 1.0;
    for (at, share) in SHARED_BY.into_iter().enumerate() {
        // One more cut between the identifiers, which are so many less likely to be so few.
        ways *= identifiers.saturating_sub(at + 1) as f64 / (at as f64 + 1.0) / (mean - 1.0);
        odds += share * ways;
    }
    (odds > LEAST_ODDS).then_some(odds.min(MOST_ODDS))
}

/// Why identifiers are said to have one sender.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord)]
pub enum Basis {
    /// A roster file says so.
    Roster,
    /// The source address in the identifier.
    Address,
    /// A field of 29-bit identifiers in which they are alike, and by which clocks differ.
    Field,
    /// They are timed by one clock.
    Clock,
    /// They fall silent and return together.
    SharedSilence,
}

impl Basis {
    /// Whether somebody says it, or the identifiers themselves do: not clocks and silences alone.
    pub fn is_told(self) -> bool {
        matches!(self, Basis::Roster | Basis::Address | Basis::Field)
    }

    /// Whether any of these is.
    pub fn any_is_told(all: &[Basis]) -> bool {
        all.iter().any(|basis| basis.is_told())
    }
}

/// A sender and its identifiers.
#[derive(Clone, Debug, Default)]
pub struct Node {
    /// Name shown.
    pub name: String,
    /// Its channel.
    pub channel: ChannelIndex,
    /// Its identifiers that were heard, ascending.
    pub ids: Vec<IdIndex>,
    /// Identifiers on a timer that the roster expects of it and that were never heard.
    pub never_heard: Vec<Id>,
    /// Why its identifiers are said to belong together.
    pub basis: Vec<Basis>,
    /// 0 to 1: how sure the grouping is.
    pub confidence: f64,
    /// How many times likelier it is that several modules send these than that one does, before
    /// anything is known of faults; `None` where a clock, an address or the roster says that it is
    /// one.
    pub several: Option<f64>,
    /// Whether it was heard at all.
    pub heard: bool,
    /// What it answers a tester by, as the roster says.
    pub answers: Vec<Module>,
    /// What codes of others call it, as the roster says.
    pub missed_as: Vec<String>,
}

/// The senders of a capture.
#[derive(Clone, Debug, Default)]
pub struct Network {
    /// Senders, by channel, addresses first; behind them those of the roster of which nothing was
    /// heard.
    pub nodes: Vec<Node>,
    /// By identifier: its sender, where known.
    pub node_of: Vec<Option<NodeIndex>>,
    /// Nodes of the roster file, in its order.
    pub expected: Vec<ExpectedHere>,
    /// What the roster expects and nobody sent, together as it is likely to have one cause.
    pub missing: Vec<MissingHere>,
    /// Identifiers whose clock cannot be told yet, and the seconds of capture that would likely do.
    pub undecided: Vec<(IdIndex, f64)>,
}

/// A node of the roster file in this capture.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct ExpectedHere {
    /// Which of the file.
    pub expected: RosterIndex,
    /// Which it is here.
    pub node: NodeIndex,
    /// Whether anything that the file expects of it was heard.
    pub heard: bool,
    /// The file has it from clocks or silences only, and nobody named it.
    pub guessed: bool,
}

/// Groups the identifiers of a capture by sender: those of SAE J1939 by address, others by a field
/// that clocks confirm, by clock, and by the silences that they share. Those that a roster file
/// names are as it says.
pub fn build(
    timing: &Timing,
    losses: &Losses,
    clocks: &Clocks,
    known: Option<(&RosterFile, &Known)>,
) -> Network {
    let of_roster = known.map_or(Vec::new(), |(file, known)| by_roster::nodes(timing, file, known));
    let (mut nodes, unheard): (Vec<Found>, Vec<Found>) =
        of_roster.into_iter().partition(|found| !found.node.ids.is_empty());
    let told: Vec<IdIndex> =
        nodes.iter().flat_map(|found| found.node.ids.iter().copied()).collect();
    let fields = Fields::of(timing, losses, clocks);
    let (others, undecided) = without_roster(timing, losses, clocks, &fields);
    for mut node in others {
        let owner =
            by_address::owner(timing, &nodes, &node).or_else(|| guessed_with(&nodes, &node, known));
        node.ids.retain(|id| !told.contains(id));
        if let Some(own) = owner {
            let own = &mut nodes[own].node;
            own.ids.extend(node.ids);
            own.ids.sort_unstable();
        } else if !node.ids.is_empty() {
            if node.basis[0] != Basis::Address {
                node.name = name(timing, &node.ids);
            }
            nodes.push(Found { node, expected: None, address: None });
        }
    }
    if let Some(known) = known {
        unlisted::take_in(&mut nodes, timing, losses, known);
    }
    nodes.sort_by_key(|found| found.node.channel);
    for silent in unheard {
        match by_address::same(timing, &silent, &mut nodes) {
            Some(found) => found.take(silent),
            None => nodes.push(silent),
        }
    }
    let mut network = Network { node_of: vec![None; timing.ids.len()], ..Network::default() };
    for (at, Found { node, expected, .. }) in nodes.into_iter().enumerate() {
        let at = NodeIndex(at);
        node.ids.iter().for_each(|id| network.node_of[*id] = Some(at));
        let here = |(expected, heard): (RosterIndex, bool)| {
            let guessed = known.is_some_and(|(file, _)| file.nodes[expected].guessed);
            ExpectedHere { expected, node: at, heard, guessed }
        };
        network.expected.extend(expected.map(here));
        network.nodes.push(node);
    }
    network.expected.sort_by_key(|here| here.expected);
    let open = |(id, _): &(IdIndex, f64)| network.node_of[*id].is_none();
    network.undecided = undecided.into_iter().filter(open).collect();
    if let Some((file, _)) = known {
        missing::group(&mut network, timing, losses, file, &fields);
    }
    network
}

/// The one node of the roster that is wholly among the identifiers of a node, where nobody has
/// named it: what the roster has of it was learned, and the rest is of it too.
fn guessed_with(
    of_roster: &[Found],
    node: &Node,
    known: Option<(&RosterFile, &Known)>,
) -> Option<usize> {
    let shared = |at: &usize| {
        let own = &of_roster[*at];
        own.expected.is_some() && own.node.ids.iter().any(|id| node.ids.contains(id))
    };
    let mut owners = (0..of_roster.len()).filter(shared);
    let (own, None) = (owners.next()?, owners.next()) else { return None };
    let (expected, _) = of_roster[own].expected?;
    let (file, _) = known?;
    let all = of_roster[own].node.ids.iter().all(|id| node.ids.contains(id));
    let learned = file.nodes[expected].guessed && node.basis[0] != Basis::Address;
    (all && learned).then_some(own)
}

/// A node, and which of the roster file it is.
struct Found {
    node: Node,
    /// Which of the file, and whether anything that the file expects of it was heard.
    expected: Option<(RosterIndex, bool)>,
    /// The source address of all that the file expects of it, where that is one.
    address: Option<u8>,
}

impl Found {
    /// This is what the roster means by a node of which it expects other identifiers.
    fn take(&mut self, silent: Found) {
        self.expected = silent.expected;
        self.node.never_heard = silent.node.never_heard;
        self.node.name = silent.node.name;
        self.node.answers = silent.node.answers;
        self.node.missed_as = silent.node.missed_as;
    }
}

/// The address that all of these identifiers are sent from, on a channel that speaks SAE J1939.
pub fn source_address(timing: &Timing, ids: &[IdIndex]) -> Option<u8> {
    common_address(ids.iter().map(|id| timing.ids[*id].key.id))
}

/// What the capture alone tells of its senders, and identifiers whose clock cannot be told yet.
fn without_roster(
    timing: &Timing,
    losses: &Losses,
    clocks: &Clocks,
    fields: &Fields,
) -> (Vec<Node>, Vec<(IdIndex, f64)>) {
    let addressed = by_address::addressed(timing);
    let mut nodes = by_address::nodes(timing, &addressed);
    let by_field = fields.nodes(timing);
    let mut placed = addressed.clone();
    by_field.iter().flat_map(|node| &node.ids).for_each(|id| placed[id.0] = true);
    nodes.extend(by_field);
    let (by_clock, undecided) = by_clock::nodes(timing, losses, clocks, &placed);
    // With those that are placed, so that who falls silent with them is held against them.
    let silent = by_silence::nodes(timing, losses, &addressed);
    let mut on_bus = vec![0; timing.channels.len()];
    let on_timer = (0..timing.ids.len()).map(IdIndex).filter(|id| losses.expected[*id].is_some());
    on_timer.for_each(|id| on_bus[usize::from(timing.ids[id].key.channel)] += 1);
    let silent = silent.into_iter().flat_map(|node| {
        by_clock::apart(timing, losses, clocks, on_bus[usize::from(node.channel)], node)
    });
    let silent = silent.filter_map(|node| open_part(timing, node, &placed));
    nodes.extend(by_silence::join(by_clock, silent.collect(), timing, losses, clocks));
    (nodes, undecided)
}

/// What is left of a node whose other identifiers have their sender. One that is left alone may be
/// of theirs, or not.
fn open_part(timing: &Timing, mut node: Node, placed: &[bool]) -> Option<Node> {
    let all = node.ids.len();
    node.ids.retain(|id| !placed[id.0]);
    if node.ids.len() == all {
        return Some(node);
    }
    node.name = name(timing, &node.ids);
    (node.ids.len() > 1).then_some(node)
}

/// A node of these identifiers, named after the lowest, which nothing else about the sender tells.
fn unnamed(timing: &Timing, ids: Vec<IdIndex>, basis: Basis, confidence: f64) -> Node {
    Node {
        name: name(timing, &ids),
        channel: ids.first().map_or(0, |id| timing.ids[*id].key.channel),
        ids,
        basis: vec![basis],
        confidence,
        heard: true,
        ..Node::default()
    }
}

/// The name of a node of which nothing is known but its identifiers.
fn name(timing: &Timing, ids: &[IdIndex]) -> String {
    let ids = ids.iter().map(|id| timing.ids[*id].key.id);
    let lowest = ids.min_by_key(|id| lostnode_parsers::frame::raw_id(*id));
    lowest.map_or_else(String::new, |id| format!("node of 0x{}", DisplayId(id)))
}
