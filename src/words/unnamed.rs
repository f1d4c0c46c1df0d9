//! What helps to find a module that nobody has named, and how to give it its name.

use lostnode_parsers::Id;

use super::headline::some;
use super::terms::{id_label, plural};
use super::who::{self, is_named};
use crate::analysis::Analysis;
use crate::analysis::subject::Subject;
use crate::ids::NodeIndex;

/// What helps to find what a finding or a test is about; `None` where all of it has a name, or is
/// no module.
pub fn to_find(analysis: &Analysis, subject: &Subject) -> Option<String> {
    match subject {
        Subject::Node(node) => of_node(analysis, *node),
        Subject::Nodes(nodes) => {
            let told: Vec<String> =
                nodes.iter().filter_map(|node| of_node(analysis, *node)).collect();
            (!told.is_empty()).then(|| told.join("; another: "))
        }
        Subject::Sender(id) if analysis.at_address(*id).is_some() => None,
        Subject::Sender(id) => {
            Some(identifiers(&[analysis.identifiers[*id].id]) + ", as far as can be told")
        }
        _ => None,
    }
}

/// What helps to find a node: how many identifiers it sends, which modules did not answer while it
/// was silent, who misses it.
fn of_node(analysis: &Analysis, node: NodeIndex) -> Option<String> {
    if is_named(analysis, node) {
        return None;
    }
    let mut parts = vec![identifiers(&who::identifiers(analysis, node))];
    let mute = analysis.diagnosis.talks.iter().filter(|talk| analysis.is_mute_with(talk, node));
    let mute: Vec<String> =
        mute.map(|talk| analysis.module_name(talk.module).to_string()).collect();
    if !mute.is_empty() {
        let names = some(mute.into_iter());
        parts.push(format!("{names} did not answer the tester while it was silent"));
    }
    let rows = analysis.diagnosis.blame.iter().filter(|row| row.frames.node() == Some(node));
    for row in rows {
        let who = super::diagnosis::names(analysis, &row.reporters);
        let miss = if who.len() == 1 { "misses" } else { "miss" };
        parts.push(format!("{} {miss} {}", some(who.into_iter()), row.missed.0));
    }
    Some(parts.join("; "))
}

fn identifiers(ids: &[Id]) -> String {
    let count = plural(ids.len(), "identifier", "identifiers");
    format!("it sends {count}: {}", some(ids.iter().map(|id| id_label(*id))))
}

/// How to give modules their names: in short, the command.
pub fn command(analysis: &Analysis) -> String {
    match analysis.has_roster {
        true => "lostnode name ROSTER CAPTURE --unplugged \"NAME\"=FROM..TO -o NEW".to_owned(),
        false => "lostnode learn CAPTURE --unplugged \"NAME\"=FROM..TO -o ROSTER".to_owned(),
    }
}

/// How to give modules their names, in full.
pub fn to_name(analysis: &Analysis) -> String {
    format!(
        "record while you unplug, one after another, modules that you can identify (ignition off \
         at each plug; no airbag, brake or high-voltage module: see `lostnode help name`); then \
         run `{}`, FROM and TO in seconds from the first frame",
        command(analysis)
    )
}
