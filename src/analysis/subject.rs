//! What a symptom, a fault, a reading or a test is about.

use serde::Deserialize;

use super::Analysis;
use super::blame::Missed;
use crate::capture::ChannelIndex;
use crate::fold::diagnostics::Module;
use crate::ids::{IdIndex, NodeIndex};

/// What something is about.
#[derive(Clone, Debug, PartialEq, Eq, PartialOrd, Ord)]
pub enum Subject {
    /// A node.
    Node(NodeIndex),
    /// The sender of an identifier, who is not known.
    Sender(IdIndex),
    /// A module whose frames are not known.
    Module(Unheard),
    /// Several such modules of one bus, ascending.
    Modules(Vec<Unheard>),
    /// A module of which others speak, and the nodes that fell silent, of which it may be one.
    Unplaced(Unheard, Vec<NodeIndex>),
    /// Several nodes, ascending.
    Nodes(Vec<NodeIndex>),
    /// A channel.
    Channel(ChannelIndex),
    /// The vehicle, or its recording.
    Vehicle,
}

/// A module that no frame of the bus is known to come from.
#[derive(Clone, Debug, PartialEq, Eq, PartialOrd, Ord)]
pub enum Unheard {
    /// It answers a tester, or was asked.
    Asked(Module),
    /// Codes of others name it.
    Missed(Missed),
    /// The user named it, and nothing else does.
    Named(String),
}

/// How much a fault, a test or a reading is about.
#[derive(Clone, Copy, Debug, Deserialize, PartialEq, Eq, PartialOrd, Ord)]
#[serde(rename_all = "snake_case")]
pub enum Level {
    /// One module.
    Node,
    /// Several modules that share something.
    Nodes,
    /// A bus.
    Channel,
    /// The whole vehicle, or its recording.
    Vehicle,
}

impl Subject {
    /// What a fault of a class at `level` would be about, to show a symptom about this.
    pub fn at(&self, level: Level, analysis: &Analysis) -> Option<Subject> {
        match (level, self) {
            (Level::Vehicle, _) => Some(Subject::Vehicle),
            (Level::Channel, _) => self.channel(analysis).map(Subject::Channel),
            (Level::Nodes, Subject::Nodes(_) | Subject::Modules(_))
            | (Level::Node, Subject::Node(_) | Subject::Sender(_) | Subject::Module(_)) => {
                Some(self.clone())
            }
            (Level::Node, Subject::Unplaced(module, _)) => Some(Subject::Module(module.clone())),
            _ => None,
        }
    }

    /// The nodes that it is about, where they are known.
    pub fn nodes(&self) -> &[NodeIndex] {
        match self {
            Subject::Node(node) => std::slice::from_ref(node),
            Subject::Nodes(nodes) => nodes,
            _ => &[],
        }
    }

    pub(crate) fn channel(&self, analysis: &Analysis) -> Option<ChannelIndex> {
        match self {
            Subject::Node(node) => Some(analysis.nodes[*node].channel),
            Subject::Nodes(nodes) => nodes.first().map(|node| analysis.nodes[*node].channel),
            Subject::Sender(id) => Some(analysis.identifiers[*id].channel),
            Subject::Channel(channel) => Some(*channel),
            Subject::Module(_) | Subject::Modules(_) | Subject::Unplaced(..) => {
                (analysis.channels.len() == 1).then_some(0)
            }
            Subject::Vehicle => None,
        }
    }

    /// Whether a fault about this can show a symptom about `other`.
    pub fn covers(&self, other: &Subject, analysis: &Analysis) -> bool {
        match (self, other) {
            (Subject::Vehicle, _) => true,
            (Subject::Channel(channel), _) => other.channel(analysis) == Some(*channel),
            (Subject::Node(node), Subject::Unplaced(_, among)) => among.contains(node),
            (Subject::Nodes(nodes), Subject::Unplaced(_, among)) => {
                among.iter().any(|node| nodes.contains(node))
            }
            (Subject::Module(module), Subject::Unplaced(other, _)) => module == other,
            (Subject::Modules(modules), Subject::Module(module)) => modules.contains(module),
            (Subject::Nodes(nodes), Subject::Node(node)) => nodes.contains(node),
            (Subject::Nodes(nodes), Subject::Nodes(other)) => {
                other.iter().all(|node| nodes.contains(node))
            }
            _ => self == other,
        }
    }
}
