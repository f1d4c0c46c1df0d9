//! Drives stand as rosters for each other: what one heard all along, and another never did, was
//! dead in that one from its first frame to its last. No gap shows that, so it is looked for here,
//! before the drives are joined, by the rules of a roster (`silence::roll`), and with more care:
//! nobody says that either drive is of a sound vehicle.

use std::collections::{BTreeMap, BTreeSet};

use lostnode_parsers::Id;

use crate::analysis::drives::Drive;
use crate::analysis::{
    Basis, Cause, DeviationKind, Doubt, Evidence, Identifier, Node, Outage, Scope, Silence,
};
use crate::capture::ChannelIndex;
use crate::fold::j1939;
use crate::fold::timing::seconds;
use crate::ids::NodeIndex;

/// Fewer frames due may fail to come by chance.
const DUE: f64 = 3.0;
/// In less than so many seconds with traffic, and of the key, hardly anything can be missed.
const MOMENT: f64 = 2.0;
/// What was there for less than this share of a drive speaks on an occasion.
const THROUGHOUT: f64 = 0.5;
/// More than this share of a channel may be silent because the key was off; and where it is several
/// modules, less than that (common practice, no source).
const OF_ONE: f64 = 0.5;
const OF_SEVERAL: f64 = 1.0 / 3.0;
/// So many identifiers of no known sender that are silent together are probably a module, and fewer
/// may be of a mode of the vehicle. Of 25 pairs of sound drives of invented vehicles three were
/// missing in one, and two in another, which had paused together before; of seven real cars with a
/// controller unplugged one sent one, and the others five or more.
const OF_A_MODULE: usize = 4;
/// … and so many that fell silent together in a drive that heard them.
const OF_ONE_SILENCE: usize = 3;

/// Adds to each drive the outages of what only others heard.
pub(super) fn note(drives: &mut [Drive]) {
    let found: Vec<Vec<(Option<Node>, Outage)>> =
        (0..drives.len()).map(|at| of_drive(drives, at)).collect();
    for (Drive { analysis: drive, .. }, found) in drives.iter_mut().zip(found) {
        for (node, mut outage) in found {
            if let Some(node) = node {
                outage.nodes = vec![NodeIndex(drive.nodes.len())];
                drive.nodes.push(node);
            }
            drive.outages.push(outage);
        }
        drive.outages.sort_by_key(|outage| (outage.silence(), outage.channel));
    }
}

/// An identifier that another drive heard: that drive, and what it was there.
#[derive(Clone, Copy)]
struct There<'a> {
    drive: usize,
    id: &'a Identifier,
}

impl There<'_> {
    /// Its sender there.
    fn sender(&self) -> Option<(usize, NodeIndex)> {
        Some((self.drive, self.id.node?))
    }
}

fn of_drive(drives: &[Drive], at: usize) -> Vec<(Option<Node>, Outage)> {
    let Some((start, end)) = drives[at].analysis.span else { return Vec::new() };
    let span = Silence { start, end };
    let channels = 0..drives[at].channels.len() as ChannelIndex;
    channels.flat_map(|channel| of_channel(drives, at, channel, span)).collect()
}

fn of_channel(
    drives: &[Drive],
    at: usize,
    channel: ChannelIndex,
    span: Silence,
) -> Vec<(Option<Node>, Outage)> {
    let drive = &drives[at].analysis;
    let here = drive.channel(channel);
    let line = drives[at].channels[usize::from(channel)];
    let off: f64 = here.key_off.iter().map(|off| seconds(off.length())).sum();
    let known = elsewhere(drives, at, line);
    let own = || drive.identifiers.iter().filter(|id| id.channel == channel);
    let heard: BTreeSet<Id> = own().map(|id| id.id).collect();
    let keyed: Vec<Id> = drives
        .iter()
        .flat_map(|other| on(other, line))
        .filter(|id| id.only_with_key)
        .map(|id| id.id)
        .collect();
    let lasted = |id: &Identifier| id.heard.map_or(0.0, |(first, last)| seconds(last - first));
    let key_on = own().any(|id| keyed.contains(&id.id) && lasted(id) >= MOMENT);
    let awake = if keyed.is_empty() { here.awake - off } else { here.awake };
    if here.thinned.is_some() || awake < MOMENT {
        return Vec::new();
    }
    let due = |id: &Identifier| id.pace.map_or(0.0, |pace| awake / pace);
    let message = |id: Id| j1939::message(here.j1939, id);
    let another_priority =
        |id: Id| message(id).is_some() && heard.iter().any(|other| message(*other) == message(id));
    let told = |id: &Id| drive.outages.iter().any(|outage| outage.never_heard.contains(id));
    let missing: BTreeMap<Id, There<'_>> = known
        .iter()
        .filter(|(id, there)| {
            !heard.contains(id)
                && !told(id)
                && !another_priority(**id)
                && due(there.id) >= DUE
                && (key_on || !keyed.contains(id))
        })
        .map(|(id, there)| (*id, *there))
        .collect();
    if missing.is_empty() {
        return Vec::new();
    }
    let came = |id: &Id| heard.contains(id) || another_priority(*id);
    let parted = Parted::of(drives, &missing, &known, &came);
    let share = match parted.whole.len() + usize::from(!parted.rest.is_empty()) {
        1 => OF_ONE,
        _ => OF_SEVERAL,
    };
    let perhaps_key = !key_on && missing.len() as f64 > share * known.len() as f64;
    let outage = |scope: Scope, ids: &[Id]| {
        let own = || ids.iter().map(|id| due(missing[id].id));
        let first = ids.iter().map(|id| missing[id].drive).min().unwrap_or(0);
        Outage {
            channel: Some(channel),
            never_heard: ids.to_vec(),
            ongoing: true,
            cause: if perhaps_key { Cause::SwitchedOff } else { Cause::Unknown },
            benign: perhaps_key,
            doubt: perhaps_key.then_some(Doubt::KeyOrSupply),
            evidence: vec![
                Evidence::HeardInDrive { drive: first },
                Evidence::NeverHeard {
                    due: own().fold(f64::INFINITY, f64::min),
                    most: own().fold(0.0, f64::max),
                    awake,
                },
            ],
            ..Outage::of(scope, span)
        }
    };
    let mut out: Vec<(Option<Node>, Outage)> = Vec::new();
    for ((other, node), ids) in &parted.whole {
        let was = &drives[*other].analysis.nodes[*node];
        let node = Node {
            name: was.name.clone(),
            channel,
            never_heard: ids.clone(),
            basis: was.basis.clone(),
            confidence: was.confidence,
            several: was.several,
            missed_as: was.missed_as.clone(),
            ..Node::default()
        };
        out.push((Some(node), outage(Scope::Node, ids)));
    }
    if parted.rest.len() >= OF_A_MODULE || perhaps_key && !parted.rest.is_empty() {
        let mut own = outage(Scope::Node, &parted.rest);
        let (identifiers, expected) = (parted.rest.len(), known.len());
        own.evidence.push(Evidence::ProbablyOneNode {
            identifiers,
            expected,
            perhaps_key_off: perhaps_key,
        });
        let node = crate::network::standing_for(channel, parted.rest.clone());
        out.push((Some(Node { basis: vec![Basis::SharedSilence], ..node }), own));
    } else {
        // What a third drive lacks too is of a mode.
        let lacks = |other: &Drive, id: &Id| {
            other.channels.contains(&line) && !on(other, line).any(|own| own.id == *id)
        };
        let others = || (0..drives.len()).filter(|other| *other != at).map(|other| &drives[other]);
        let lone: Vec<Id> = parted
            .rest
            .iter()
            .copied()
            .filter(|id| !others().any(|other| lacks(other, id)))
            .collect();
        if lone.is_empty() {
            return out;
        }
        let own = outage(Scope::Identifier, &lone);
        out.push((None, Outage { benign: true, doubt: Some(Doubt::InAnotherDrive), ..own }));
    }
    out
}

/// What a drive heard on a channel, which is told by its place among those of all drives.
fn on(drive: &Drive, line: ChannelIndex) -> impl Iterator<Item = &Identifier> {
    let identifiers = drive.analysis.identifiers.iter();
    identifiers.filter(move |id| drive.channels[usize::from(id.channel)] == line)
}

/// What the other drives heard on a timer on a channel, all along; each as the longest has it.
fn elsewhere(drives: &[Drive], at: usize, line: ChannelIndex) -> BTreeMap<Id, There<'_>> {
    let mut order: Vec<usize> = (0..drives.len()).filter(|other| *other != at).collect();
    let length = |at: &usize| drives[*at].analysis.length();
    order.sort_by(|a, b| length(b).total_cmp(&length(a)));
    let mut out = BTreeMap::new();
    for drive in order {
        let own = &drives[drive].analysis;
        // Where there is a roster it says itself what is missing of what it knows.
        let of_roster = |id: &Identifier| {
            let new = own.deviations.iter().any(|new| {
                (new.channel, new.id) == (id.channel, id.id)
                    && matches!(new.kind, DeviationKind::New { .. })
            });
            own.has_roster && !new
        };
        let throughout = |id: &Identifier| {
            let heard = id.heard.map_or(0.0, |(first, last)| seconds(last - first));
            heard >= THROUGHOUT * own.length()
        };
        for id in on(&drives[drive], line) {
            if own.channel(id.channel).thinned.is_none()
                && id.rhythm.is_some()
                && !id.diagnostic
                && !own.is_transport(id)
                && throughout(id)
                && !of_roster(id)
            {
                out.entry(id.id).or_insert(There { drive, id });
            }
        }
    }
    out
}

/// What is missing, by who sends it where it was heard.
#[derive(Default)]
struct Parted {
    /// By drive and node: all that a node sends.
    whole: BTreeMap<(usize, NodeIndex), Vec<Id>>,
    /// Of senders that are not known, or that a clock took for a part of another.
    rest: Vec<Id>,
}

impl Parted {
    fn of(
        drives: &[Drive],
        missing: &BTreeMap<Id, There<'_>>,
        known: &BTreeMap<Id, There<'_>>,
        came: &dyn Fn(&Id) -> bool,
    ) -> Parted {
        let mut out = Parted::default();
        for (id, there) in missing {
            match there.sender() {
                Some(sender) => out.whole.entry(sender).or_default().push(*id),
                None => out.rest.push(*id),
            }
        }
        let told = |(drive, node): &(usize, NodeIndex)| {
            Basis::any_is_told(&drives[*drive].analysis.nodes[*node].basis)
        };
        let is_whole = |sender: &(usize, NodeIndex), ids: &[Id]| {
            let here = |(id, there): (&Id, &There<'_>)| there.sender() == Some(*sender) && came(id);
            let by_silence =
                drives[sender.0].analysis.nodes[sender.1].basis == [Basis::SharedSilence];
            let least = if by_silence { OF_ONE_SILENCE } else { 2 };
            !known.iter().any(here) && (ids.len() >= least || told(sender))
        };
        let (whole, parts) = out.whole.into_iter().partition(|(sender, ids)| is_whole(sender, ids));
        out.whole = whole;
        let parts: BTreeMap<(usize, NodeIndex), Vec<Id>> = parts;
        // A sender that is told, and was heard, is there: it does not send all of it all the time.
        let open = parts.into_iter().filter(|(sender, _)| !told(sender));
        out.rest.extend(open.flat_map(|(_, ids)| ids));
        out.rest.sort_unstable();
        out
    }
}
