//! What a symptom, a fault, a reading or a test is about.

use lostnode_parsers::j1939;

use super::knowledge::Level;
use crate::analysis::Analysis;

/// What something is about.
#[derive(Clone, Debug, PartialEq, Eq, PartialOrd, Ord)]
pub enum Subject {
    /// Index into [`Analysis::nodes`].
    Node(usize),
    /// A channel and an identifier whose sender is not known.
    Sender(usize, String),
    /// A module by what it answers or is called by, whose frames are not known.
    Module(String),
    /// A module of which others speak, and the nodes that fell silent, of which it may be one.
    Unplaced(String, Vec<usize>),
    /// Indexes into [`Analysis::nodes`], ascending.
    Nodes(Vec<usize>),
    /// Index into [`Analysis::channels`].
    Channel(usize),
    /// The vehicle, or its recording.
    Vehicle,
}

impl Subject {
    /// What a fault of a class at `level` would be about, to show a symptom about this.
    pub fn at(&self, level: Level, report: &Analysis) -> Option<Subject> {
        match (level, self) {
            (Level::Vehicle, _) => Some(Subject::Vehicle),
            (Level::Channel, _) => self.channel(report).map(Subject::Channel),
            (Level::Nodes, Subject::Nodes(_))
            | (Level::Node, Subject::Node(_) | Subject::Sender(..) | Subject::Module(_)) => {
                Some(self.clone())
            }
            (Level::Node, Subject::Unplaced(name, _)) => Some(Subject::Module(name.clone())),
            _ => None,
        }
    }

    fn channel(&self, report: &Analysis) -> Option<usize> {
        match self {
            Subject::Node(node) => Some(report.nodes[*node].channel),
            Subject::Nodes(nodes) => nodes.first().map(|node| report.nodes[*node].channel),
            Subject::Sender(channel, _) | Subject::Channel(channel) => Some(*channel),
            Subject::Module(_) | Subject::Unplaced(..) if report.channels.len() == 1 => Some(0),
            Subject::Module(_) | Subject::Unplaced(..) | Subject::Vehicle => None,
        }
    }

    /// Whether a fault about this can show a symptom about `other`.
    pub fn covers(&self, other: &Subject, report: &Analysis) -> bool {
        match (self, other) {
            (Subject::Vehicle, _) => true,
            (Subject::Channel(channel), _) => other.channel(report) == Some(*channel),
            (Subject::Node(node), Subject::Unplaced(_, among)) => among.contains(node),
            (Subject::Nodes(nodes), Subject::Unplaced(_, among)) => {
                among.iter().any(|node| nodes.contains(node))
            }
            (Subject::Module(name), Subject::Unplaced(other, _)) => name == other,
            (Subject::Nodes(nodes), Subject::Node(node)) => nodes.contains(node),
            (Subject::Nodes(nodes), Subject::Nodes(other)) => {
                other.iter().all(|node| nodes.contains(node))
            }
            _ => self == other,
        }
    }

    /// As people call it.
    pub fn name(&self, report: &Analysis) -> String {
        match self {
            Subject::Node(node) => full(&report.nodes[*node].name),
            Subject::Sender(_, id) => format!("sender of {id}"),
            Subject::Module(name) | Subject::Unplaced(name, _) => name.clone(),
            Subject::Nodes(nodes) => {
                let names: Vec<String> =
                    nodes.iter().map(|node| full(&report.nodes[*node].name)).collect();
                match names.as_slice() {
                    [rest @ .., last] if !rest.is_empty() => {
                        format!("{} and {last}", rest.join(", "))
                    }
                    names => names.join(", "),
                }
            }
            Subject::Channel(channel) => report.channels[*channel].name.clone(),
            Subject::Vehicle => "vehicle".to_owned(),
        }
    }

    /// The names in it.
    pub fn names(&self, report: &Analysis) -> Vec<String> {
        match self {
            Subject::Nodes(nodes) => {
                nodes.iter().map(|node| report.nodes[*node].name.clone()).collect()
            }
            Subject::Node(node) => vec![report.nodes[*node].name.clone()],
            Subject::Vehicle => Vec::new(),
            _ => vec![self.name(report)],
        }
    }
}

/// A node of a truck with the usual name of its address (SAE J1939, preferred addresses), which
/// also tells what to be careful of.
fn full(name: &str) -> String {
    let address =
        name.strip_prefix("address 0x").and_then(|digits| u8::from_str_radix(digits, 16).ok());
    match address.and_then(j1939::address_name) {
        Some(usual) => format!("{name} ({usual})"),
        None => name.to_owned(),
    }
}
