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
        Subject::Sender(id) => match analysis.at_address(*id) {
            Some(node) => node_on_bus(analysis, node),
            None => format!("the sender of {}", id_label(analysis.identifiers[*id].id)),
        },
        Subject::Module(module) | Subject::Unplaced(module, _) => unheard(analysis, module),
        Subject::Modules(all) => {
            let names: Vec<String> = all.iter().map(|own| unheard(analysis, own)).collect();
            listed(&names, "and")
        }
        Subject::Nodes(nodes) if nodes.len() == 1 => perhaps_several(analysis, nodes[0]),
        Subject::Nodes(nodes) => listed(&self::names(analysis, nodes), "and"),
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
        Some(id) => format!("{SENDER}{}", id_label(id)),
    }
}

/// A node in a sentence, with its bus where one of another bus is called the same.
pub fn node_on_bus(analysis: &Analysis, node: NodeIndex) -> String {
    self::node(analysis, node) + &on_bus(analysis, node)
}

/// Nodes in a row, those without a name last: `brakes`, `the modules that send 0x104`, `0x11D`.
pub(super) fn names(analysis: &Analysis, nodes: &[NodeIndex]) -> Vec<String> {
    if nodes.iter().any(|node| !on_bus(analysis, *node).is_empty()) {
        return nodes.iter().map(|node| node_on_bus(analysis, *node)).collect();
    }
    let sends = |node: &NodeIndex| match is_named(analysis, *node) {
        true => None,
        false => lowest(&identifiers(analysis, *node)),
    };
    let named = nodes.iter().filter(|node| sends(node).is_none());
    let mut out: Vec<String> = named.map(|node| self::node(analysis, *node)).collect();
    let unnamed: Vec<Id> = nodes.iter().filter_map(sends).collect();
    let who = if unnamed.len() == 1 { SENDER } else { SENDERS };
    let first = unnamed.first().map(|id| format!("{who}{}", id_label(*id)));
    out.extend(first.into_iter().chain(unnamed.iter().skip(1).map(|id| id_label(*id))));
    out
}

const SENDER: &str = "the module that sends ";
const SENDERS: &str = "the modules that send ";

/// The same in fewer letters, where there is no room: `sender of 0x3B0`.
pub fn shortened(text: &str) -> String {
    text.replace(SENDERS, "senders of ").replace(SENDER, "sender of ")
}

/// A name in at most so many columns. An identifier is never cut: half of it is no help.
pub fn within(name: &str, columns: usize) -> String {
    if name.chars().count() <= columns {
        return name.to_owned();
    }
    let cut: String = name.chars().take(columns.saturating_sub(1)).collect();
    let ends = name.chars().nth(columns.saturating_sub(1)).is_none_or(|next| " ,".contains(next));
    let last = cut.rfind(' ').filter(|at| !ends && cut[*at..].starts_with(" 0x"));
    let cut = last
        .map_or(cut.as_str(), |at| cut[..at].trim_end_matches(" address").trim_end_matches(" and"));
    format!("{}…", cut.trim_end_matches([' ', ',']))
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
            let more = plural(more, "more identifier", "more identifiers");
            format!("{SENDERS}{} and {more}", id_label(id))
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
        Unheard::Asked(module) if analysis.is_nobody(*module) => "a unit without an address".into(),
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

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn an_identifier_is_never_cut() {
        let name = "senders of 0x071 and 0x35A";
        assert_eq!(within(name, 26), name);
        assert_eq!(within(name, 25), "senders of 0x071…");
        assert_eq!(within("sliding door module", 13), "sliding door…");
        assert_eq!(shortened("the module that sends 0x3B0: dead"), "sender of 0x3B0: dead");
    }
}
