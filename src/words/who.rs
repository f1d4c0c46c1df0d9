//! What things are called: what a finding is about, as people say it, and a node that nobody named.

use lostnode_parsers::Id;

use super::terms::{id_label, listed, plural};
use crate::analysis::finding::Finding;
use crate::analysis::subject::{Subject, Unheard};
use crate::analysis::{Analysis, Basis};
use crate::ids::NodeIndex;

/// What something is about, as people call it.
pub fn subject(analysis: &Analysis, subject: &Subject) -> String {
    match subject {
        Subject::Node(node) => node_on_bus(analysis, *node),
        Subject::Sender(id) => format!("the sender of {}", id_label(analysis.identifiers[*id].id)),
        Subject::Module(module) | Subject::Unplaced(module, _) => unheard(analysis, module),
        Subject::Modules(all) => {
            let names: Vec<String> = all.iter().map(|own| unheard(analysis, own)).collect();
            listed(&names, "and")
        }
        Subject::Nodes(nodes) if nodes.len() == 1 => perhaps_several(analysis, nodes[0]),
        Subject::Nodes(nodes) => {
            let names: Vec<String> = nodes.iter().map(|node| self::node(analysis, *node)).collect();
            listed(&names, "and")
        }
        Subject::Channel(channel) => analysis.channel(*channel).name.clone(),
        Subject::Vehicle => "vehicle".to_owned(),
    }
}

/// Whether a node has a name that somebody gave it, or an address that stands for one.
pub fn is_named(analysis: &Analysis, node: NodeIndex) -> bool {
    let node = &analysis.nodes[node];
    // What stands for missing identifiers has none that was heard, and is a guess.
    let stands_in = node.ids.is_empty() && node.confidence < 1.0;
    let told = |basis: &Basis| matches!(basis, Basis::Roster | Basis::Address);
    // A roster may have been learned and never edited.
    node.basis.iter().any(told) && !stands_in && !node.name.starts_with("node of 0x")
}

/// A node in a sentence. One without a name is told by what it sends.
pub fn node(analysis: &Analysis, node: NodeIndex) -> String {
    if is_named(analysis, node) {
        return analysis.node_name(node);
    }
    match lowest(&identifiers(analysis, node)) {
        None => analysis.node_name(node),
        Some(id) => format!("the module that sends {}", id_label(id)),
    }
}

/// A node in a sentence, with its bus where one of another bus is called the same.
pub fn node_on_bus(analysis: &Analysis, node: NodeIndex) -> String {
    self::node(analysis, node) + &on_bus(analysis, node)
}

/// On which bus, where an unnamed node of another bus begins with the same identifier.
fn on_bus(analysis: &Analysis, node: NodeIndex) -> String {
    let channel = analysis.nodes[node].channel;
    if analysis.channels.len() < 2 || is_named(analysis, node) {
        return String::new();
    }
    let own = lowest(&identifiers(analysis, node));
    let alike = |other: NodeIndex| {
        analysis.nodes[other].channel != channel
            && !is_named(analysis, other)
            && lowest(&identifiers(analysis, other)) == own
    };
    match (0..analysis.nodes.len()).map(NodeIndex).any(alike) {
        true => format!(" on {}", analysis.channel(channel).name),
        false => String::new(),
    }
}

/// What is known as one node and may be several.
fn perhaps_several(analysis: &Analysis, node: NodeIndex) -> String {
    let ids = identifiers(analysis, node);
    match (lowest(&ids), ids.len().saturating_sub(1)) {
        (Some(id), more @ 1..) => {
            format!(
                "the modules that send {} and {}",
                id_label(id),
                plural(more, "more identifier", "more identifiers")
            )
        }
        _ => self::node(analysis, node),
    }
}

/// All that a node sends or ought to.
pub(super) fn identifiers(analysis: &Analysis, node: NodeIndex) -> Vec<Id> {
    let own = &analysis.nodes[node];
    let heard = own.ids.iter().map(|at| analysis.identifiers[*at].id);
    heard.chain(own.never_heard.iter().copied()).collect()
}

fn lowest(ids: &[Id]) -> Option<Id> {
    ids.iter().copied().min_by_key(|id| lostnode_parsers::frame::raw_id(*id))
}

fn unheard(analysis: &Analysis, module: &Unheard) -> String {
    match module {
        Unheard::Asked(module) => analysis.module_name(*module).to_string(),
        Unheard::Missed(missed) => missed.0.clone(),
        Unheard::Named(name) => name.clone(),
    }
}

/// The nodes or modules that a finding is about, by name; none for a bus or the vehicle.
pub fn nodes(analysis: &Analysis, finding: &Finding) -> Vec<String> {
    let name = |node: &NodeIndex| analysis.nodes[*node].name.clone();
    match &finding.subject {
        Subject::Node(node) => vec![name(node)],
        Subject::Nodes(nodes) => nodes.iter().map(name).collect(),
        Subject::Modules(all) => all.iter().map(|own| unheard(analysis, own)).collect(),
        Subject::Channel(_) | Subject::Vehicle => Vec::new(),
        other => vec![subject(analysis, other)],
    }
}
