//! What can be lost, and when it is the same in two captures: a node is known by its identifiers,
//! whatever it is called.

use std::collections::{BTreeMap, BTreeSet};

use lostnode_parsers::Id;

use super::comparison::{Lost, Notice};
use crate::analysis::{Analysis, Identifier, Outage, Scope};
use crate::capture::ChannelIndex;
use crate::ids::NodeIndex;

/// A channel by its name, and an identifier on it.
type Key = (String, Id);

/// A node, an identifier or a bus that was lost in one of the captures.
#[derive(Clone, Debug)]
pub(super) struct Subject {
    /// As the row calls it.
    pub lost: Lost,
    /// Its identifiers; none for a whole bus.
    ids: BTreeSet<Key>,
    /// Name of its channel.
    pub channel: String,
    /// Heard before, and in no capture after.
    pub gone: bool,
}

impl Subject {
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

/// All that was lost in any of the captures.
pub(super) fn all(before: &Analysis, after: &[Analysis]) -> Vec<Subject> {
    let mut subjects: Vec<Subject> = Vec::new();
    for analysis in std::iter::once(before).chain(after) {
        for subject in analysis.lost().flat_map(|outage| of(analysis, outage)) {
            add(&mut subjects, subject);
        }
    }
    for missing in disappeared(before, after) {
        add(&mut subjects, missing.clone());
        subjects
            .iter_mut()
            .filter(|known| known.is_same(&missing))
            .for_each(|known| known.gone = true);
    }
    subjects
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
        (Scope::Bus, Some(at)) => vec![Subject {
            lost: Lost::Bus(channel(at)),
            ids: BTreeSet::new(),
            channel: channel(at),
            gone: false,
        }],
        (Scope::Node | Scope::Branch, _) => {
            outage.nodes.iter().map(|node| whole_node(analysis, *node)).collect()
        }
        (Scope::Identifier, Some(at)) => {
            let heard = outage.ids.iter().map(|id| {
                let identifier = &analysis.identifiers[*id];
                (channel(identifier.channel), identifier.id)
            });
            let never = outage.never_heard.iter().map(|id| (channel(at), *id));
            let lone = |key: Key| Subject {
                lost: Lost::Identifier(key.1),
                ids: BTreeSet::from([key]),
                channel: channel(at),
                gone: false,
            };
            heard.chain(never).map(lone).collect()
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
    Subject {
        lost: Lost::Node(node.name.clone()),
        ids,
        channel: analysis.channel(node.channel).name.clone(),
        gone: false,
    }
}

/// Whether a channel was there, and something was heard on it.
fn listened(analysis: &Analysis, channel: &str) -> bool {
    analysis.channels.iter().any(|own| own.name == channel && own.frames > 0)
}

/// Nodes and lone identifiers that were sent on a timer before and of which nothing is heard in any
/// capture after, on a channel that is there.
fn disappeared(before: &Analysis, after: &[Analysis]) -> Vec<Subject> {
    let named =
        |analysis: &Analysis, at: ChannelIndex, channel: &str| analysis.channel(at).name == channel;
    let heard = |channel: &str, id: Id| {
        after.iter().any(|analysis| {
            analysis
                .identifiers
                .iter()
                .any(|own| own.id == id && own.frames > 0 && named(analysis, own.channel, channel))
        })
    };
    // A node has many identifiers, and is one subject.
    let mut missing: BTreeMap<(Option<NodeIndex>, Option<usize>), Subject> = BTreeMap::new();
    let periodic = before.identifiers.iter().enumerate().filter(|(_, id)| id.rhythm.is_some());
    for (at, identifier) in periodic {
        let channel = &before.channel(identifier.channel).name;
        let own: Vec<Id> = match identifier.node {
            Some(node) => {
                before.nodes[node].ids.iter().map(|at| before.identifiers[*at].id).collect()
            }
            None => vec![identifier.id],
        };
        if !after.iter().any(|analysis| listened(analysis, channel))
            || own.iter().any(|id| heard(channel, *id))
        {
            continue;
        }
        let (key, lost) = match identifier.node {
            Some(node) => ((Some(node), None), Lost::Node(before.nodes[node].name.clone())),
            None => ((None, Some(at)), Lost::Identifier(identifier.id)),
        };
        let ids = own.into_iter().map(|id| (channel.clone(), id)).collect();
        missing.insert(key, Subject { lost, ids, channel: channel.clone(), gone: true });
    }
    missing.into_values().collect()
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
