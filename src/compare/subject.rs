//! What can be lost, and when it is the same in two captures: a node is known by its identifiers,
//! whatever it is called.

use std::collections::{BTreeMap, BTreeSet};

use lostnode_parsers::Id;

use super::comparison::{Lost, Notice};
use super::watched;
use crate::analysis::{Analysis, Identifier, KeyState, Outage, Scope};
use crate::capture::ChannelIndex;
use crate::ids::NodeIndex;

/// A channel by its name, and an identifier on it.
pub(super) type Key = (String, Id);

/// A node, an identifier or a bus that was lost in one of the captures.
#[derive(Clone, Debug)]
pub(super) struct Subject {
    /// As the row calls it.
    pub lost: Lost,
    /// Its identifiers; none for a whole bus.
    ids: BTreeSet<Key>,
    /// Name of its channel.
    pub channel: String,
    /// Not heard at all before, in any capture.
    pub never: bool,
    /// Those of its identifiers that were not heard at all before, as a roster tells.
    pub unheard: BTreeSet<Key>,
}

impl Subject {
    fn new(lost: Lost, channel: String, ids: BTreeSet<Key>) -> Self {
        Subject { lost, ids, channel, never: false, unheard: BTreeSet::new() }
    }

    fn lone(key: Key) -> Self {
        Subject::new(Lost::Identifier(key.1), key.0.clone(), BTreeSet::from([key]))
    }

    /// Whether it is a whole bus.
    pub fn is_bus(&self) -> bool {
        self.ids.is_empty()
    }

    fn is_same(&self, other: &Subject) -> bool {
        match self.ids.is_empty() {
            true => other.ids.is_empty() && other.channel == self.channel,
            false => !other.ids.is_disjoint(&self.ids),
        }
    }

    /// Whether an identifier is one of its own; of a whole bus all of them are.
    pub fn has(&self, analysis: &Analysis, identifier: &Identifier) -> bool {
        let channel = &analysis.channel(identifier.channel).name;
        match self.ids.is_empty() {
            true => self.channel == *channel,
            false => self.ids.contains(&(channel.clone(), identifier.id)),
        }
    }

    /// Whether it is lost in an outage.
    pub fn is_in(&self, analysis: &Analysis, outage: &Outage) -> bool {
        of(analysis, outage).iter().any(|own| self.is_same(own))
    }
}

/// All that was lost in any of the captures, or was never heard.
pub(super) fn all(before: &Analysis, after: &[&Analysis]) -> Vec<Subject> {
    let mut subjects: Vec<Subject> = Vec::new();
    for analysis in std::iter::once(before).chain(after.iter().copied()) {
        for subject in analysis.lost().flat_map(|outage| of(analysis, outage)) {
            add(&mut subjects, subject);
        }
    }
    // Much that was not heard may have been the key, and it may be back all the same.
    let perhaps_key = |own: &&Outage| !own.is_loss() && !own.never_heard.is_empty();
    let missed = before.outages.iter().filter(perhaps_key).flat_map(|outage| of(before, outage));
    let heard = |own: &Subject| after.iter().any(|analysis| is_heard(own, analysis));
    missed.filter(heard).for_each(|subject| add(&mut subjects, subject));
    for subject in &mut subjects {
        let drives = || before.each_drive().filter(|drive| listened(drive, &subject.channel));
        let throughout = |drive: &Analysis| {
            watched::lost_throughout(subject, drive)
                || drive.outages.iter().any(|own| perhaps_key(&own) && subject.is_in(drive, own))
        };
        subject.never = drives().next().is_some() && drives().all(throughout);
        subject.unheard = unheard(subject, before);
    }
    for missing in disappeared(before, after) {
        add(&mut subjects, missing);
    }
    subjects
}

/// Identifiers of a subject that a roster expects and that no capture heard.
fn unheard(subject: &Subject, before: &Analysis) -> BTreeSet<Key> {
    let of = before.outages.iter().filter_map(|outage| Some((outage, outage.channel?)));
    let never = of.flat_map(|(outage, at)| {
        let channel = &before.channel(at).name;
        outage.never_heard.iter().map(move |id| (channel.clone(), *id))
    });
    never.filter(|key| subject.ids.contains(key) && !is_key_heard(before, key)).collect()
}

fn add(subjects: &mut Vec<Subject>, subject: Subject) {
    match subjects.iter_mut().find(|known| subject.is_same(known)) {
        Some(known) => known.ids.extend(subject.ids),
        None => subjects.push(subject),
    }
}

fn of(analysis: &Analysis, outage: &Outage) -> Vec<Subject> {
    let channel = |at: ChannelIndex| analysis.channel(at).name.clone();
    match (outage.scope, outage.channel) {
        (Scope::Bus, Some(at)) => {
            vec![Subject::new(Lost::Bus(channel(at)), channel(at), BTreeSet::new())]
        }
        (Scope::Node | Scope::Branch, _) => {
            outage.nodes.iter().map(|node| whole_node(analysis, *node)).collect()
        }
        (Scope::Identifier, Some(at)) => {
            let heard = outage.ids.iter().map(|id| {
                let identifier = &analysis.identifiers[*id];
                (channel(identifier.channel), identifier.id)
            });
            let never = outage.never_heard.iter().map(|id| (channel(at), *id));
            heard.chain(never).map(Subject::lone).collect()
        }
        _ => Vec::new(),
    }
}

fn whole_node(analysis: &Analysis, node: NodeIndex) -> Subject {
    let node = &analysis.nodes[node];
    let key = |channel: ChannelIndex, id: Id| (analysis.channel(channel).name.clone(), id);
    let heard = node.ids.iter().map(|at| &analysis.identifiers[*at]);
    let ids = heard
        .map(|identifier| key(identifier.channel, identifier.id))
        .chain(node.never_heard.iter().map(|id| key(node.channel, *id)))
        .collect();
    let channel = analysis.channel(node.channel).name.clone();
    Subject::new(Lost::Node(node.name.clone()), channel, ids)
}

/// Whether anything of a subject was heard.
pub(super) fn is_heard(subject: &Subject, analysis: &Analysis) -> bool {
    analysis.identifiers.iter().any(|id| id.frames > 0 && subject.has(analysis, id))
}

/// Whether a channel of a capture is the one of this name.
pub(super) fn is_on(analysis: &Analysis, at: ChannelIndex, channel: &str) -> bool {
    analysis.channel(at).name == channel
}

/// Whether an identifier is the one of this key.
pub(super) fn is_key(analysis: &Analysis, own: &Identifier, (channel, id): &Key) -> bool {
    own.id == *id && is_on(analysis, own.channel, channel)
}

/// Whether an identifier was heard.
pub(super) fn is_key_heard(analysis: &Analysis, key: &Key) -> bool {
    analysis.identifiers.iter().any(|own| own.frames > 0 && is_key(analysis, own, key))
}

/// Whether a channel was there, and something was heard on it.
pub(super) fn listened(analysis: &Analysis, channel: &str) -> bool {
    analysis.channels.iter().any(|own| own.name == channel && own.frames > 0)
}

/// Whether a subject was there in a capture from after the repair.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(super) enum Presence {
    /// It was heard, or the capture says of its own that it was lost.
    Told,
    /// Its channel was not recorded.
    NotRecorded,
    /// It was not heard, and that need not be a loss: too short a time, the key off, or a lawful
    /// silence as far as the capture tells.
    Excused,
    /// It was heard before, and nothing of it in this capture.
    Absent,
    /// So little of it was heard that a loss would not show: a few frames and no more, or no timer.
    Hardly,
}

/// A capture shorter than so many periods of what is missed says nothing.
const PERIODS: f64 = 3.0;
/// Frames that show a timer ([`crate::fold::timing::Rhythm`]), and some more.
const FRAMES: f64 = 24.0;

/// Whether a subject was there in a capture from after the repair.
pub(super) fn presence(subject: &Subject, before: &Analysis, after: &Analysis) -> Presence {
    let own = |analysis: &Analysis| is_heard(subject, analysis);
    if own(after) {
        return if is_watched(subject, before, after) { Presence::Told } else { Presence::Hardly };
    }
    if !listened(after, &subject.channel) {
        return Presence::NotRecorded;
    }
    let told = after.lost().any(|outage| subject.is_in(after, outage));
    let expected = subject.never || own(before);
    if told || !expected {
        return Presence::Told;
    }
    let periods = before.identifiers.iter().filter(|id| subject.has(before, id));
    let fastest = periods.filter_map(|id| Some(id.rhythm?.period)).reduce(f64::min);
    let short = fastest.is_some_and(|period| after.length() < PERIODS * period);
    let key_off =
        after.channels.iter().any(|own| own.name == subject.channel && own.key == KeyState::Off);
    let lawful = after.outages.iter().any(|outage| subject.is_in(after, outage));
    match subject.never || short || key_off || lawful {
        true => Presence::Excused,
        false => Presence::Absent,
    }
}

/// Whether a loss of what was sent on a timer before would show after: where it lasted for long
/// enough to be heard so, one of its messages keeps a timer there, or an outage is told of it.
fn is_watched(subject: &Subject, before: &Analysis, after: &Analysis) -> bool {
    let timed = timed(subject, before);
    let fastest = timed.iter().filter_map(|id| Some(id.rhythm?.period)).reduce(f64::min);
    let of_it = |outage: &Outage| subject.is_in(after, outage);
    fastest.is_none_or(|period| after.length() < FRAMES * period)
        || !self::timed(subject, after).is_empty()
        || after.outages.iter().any(of_it)
}

/// Nodes and lone identifiers that were sent on a timer before and of which nothing is heard in any
/// capture after, on a channel that is there.
fn disappeared(before: &Analysis, after: &[&Analysis]) -> Vec<Subject> {
    let periodic = before.identifiers.iter().filter(|id| id.rhythm.is_some() && !id.diagnostic);
    let mut candidates: BTreeMap<(Option<NodeIndex>, Option<Key>), Subject> = BTreeMap::new();
    for identifier in periodic {
        let channel = before.channel(identifier.channel).name.clone();
        let key = (channel, identifier.id);
        match identifier.node {
            Some(node) => candidates.entry((Some(node), None)).or_insert_with(|| Subject {
                ids: heard_of(before, node),
                ..whole_node(before, node)
            }),
            None => {
                candidates.entry((None, Some(key.clone()))).or_insert_with(|| Subject::lone(key))
            }
        };
    }
    let is_missing = |subject: &Subject| {
        let of = after.iter().map(|own| presence(subject, before, own));
        let mut told = of.filter(|own| *own != Presence::NotRecorded).peekable();
        told.peek().is_some() && told.all(|own| own == Presence::Absent)
    };
    candidates.into_values().filter(is_missing).collect()
}

/// The identifiers that were heard of a node.
fn heard_of(analysis: &Analysis, node: NodeIndex) -> BTreeSet<Key> {
    let own = analysis.nodes[node].ids.iter().map(|at| &analysis.identifiers[*at]);
    own.map(|id| (analysis.channel(id.channel).name.clone(), id.id)).collect()
}

/// The identifiers that a subject sends on a timer; none of a whole bus.
pub(super) fn timed<'a>(subject: &Subject, analysis: &'a Analysis) -> Vec<&'a Identifier> {
    let own =
        |id: &&Identifier| !subject.is_bus() && id.rhythm.is_some() && subject.has(analysis, id);
    analysis.identifiers.iter().filter(own).collect()
}

/// What is sent on a timer after, and was not heard at all before though its bus was listened to
/// and no roster said that it ought to be there: a module may have been missing all along.
pub(super) fn heard_only_since(path: &str, before: &Analysis, after: &Analysis) -> Option<Notice> {
    let was: BTreeSet<Id> = before.identifiers.iter().map(|id| id.id).collect();
    let new = after.identifiers.iter().filter(|id| {
        !id.diagnostic
            && id.rhythm.is_some()
            && !was.contains(&id.id)
            && listened(before, &after.channel(id.channel).name)
    });
    let new: BTreeSet<Id> = new.map(|id| id.id).collect();
    let told = !before.has_roster && !new.is_empty();
    told.then(|| Notice::HeardOnlySince(path.to_owned(), new.into_iter().collect()))
}
