//! From the names of a wiring file to the nodes of a capture.

use std::collections::BTreeSet;

use crate::analysis::Analysis;
use crate::analysis::element::Element;
use crate::analysis::subject::Subject;
use crate::fault;
use crate::ids::NodeIndex;
use crate::roster_file::RosterFile;
use crate::wiring_file::{self, Named, Problem, WiringError, WiringFile};

/// Minutes to reach an element of which the file does not say it (common practice, no source).
const MINUTES: f64 = 10.0;

/// The elements, each with the nodes of this capture that hang on it.
///
/// # Errors
/// Where the file names what neither the capture nor the roster has, with its line.
pub fn elements(
    file: &WiringFile,
    analysis: &Analysis,
    roster: Option<&RosterFile>,
) -> Result<Vec<Element>, WiringError> {
    if file.described.is_some() {
        return Ok(described(file, analysis));
    }
    let fitted = |element: &wiring_file::Element| {
        let mut feeds = Vec::new();
        for named in &element.feeds {
            feeds.extend(subject(named, analysis, roster)?);
        }
        feeds.sort();
        feeds.dedup();
        Ok(Element {
            name: element.name.clone(),
            kind: element.kind,
            carries: element.carries,
            feeds,
            access: element.access.clone(),
            minutes: element.minutes.unwrap_or(MINUTES),
        })
    };
    file.elements.iter().map(fitted).collect()
}

/// The elements of a harness description: what no node is called by is passed over, and so is what
/// carries to none.
fn described(file: &WiringFile, analysis: &Analysis) -> Vec<Element> {
    let fitted = |element: &wiring_file::Element| {
        let feeds = element.feeds.iter().filter_map(|named| called(named, analysis));
        let feeds: BTreeSet<Subject> = feeds.collect();
        (!feeds.is_empty()).then(|| Element {
            name: element.name.clone(),
            kind: element.kind,
            carries: element.carries,
            feeds: feeds.into_iter().collect(),
            access: element.access.clone(),
            minutes: element.minutes.unwrap_or(MINUTES),
        })
    };
    file.elements.iter().filter_map(fitted).collect()
}

/// How many plugs of a harness description are of no node.
pub fn of_no_node(file: &WiringFile, analysis: &Analysis) -> usize {
    let plugs: BTreeSet<(&str, usize)> = file
        .elements
        .iter()
        .flat_map(|own| &own.feeds)
        .filter(|named| called(named, analysis).is_none())
        .map(|named| (named.name.as_str(), named.line))
        .collect();
    plugs.len()
}

/// The node that a plug is called after: it has the name of the node, or that name stands in
/// its own, word for word. Where several do it is the longest name, and where two are as long none.
fn called(plug: &Named, analysis: &Analysis) -> Option<Subject> {
    let words = |text: &str| -> Vec<String> {
        let words = text.split(|c: char| !c.is_alphanumeric()).filter(|word| !word.is_empty());
        words.map(str::to_lowercase).collect()
    };
    let names: Vec<Vec<String>> =
        std::iter::once(&plug.name).chain(&plug.also).map(|name| words(name)).collect();
    let within = |own: &[String]| {
        let holds = |name: &Vec<String>| name.windows(own.len()).any(|part| part == own);
        !own.is_empty() && names.iter().any(holds)
    };
    let length = |own: &[String]| own.iter().map(String::len).sum::<usize>();
    let mut found: Vec<(usize, NodeIndex)> = (0..analysis.nodes.len())
        .map(NodeIndex)
        .map(|at| (words(&analysis.nodes[at].name), at))
        .filter(|(own, _)| within(own))
        .map(|(own, at)| (length(&own), at))
        .collect();
    found.sort_unstable();
    match found[..] {
        [.., one, other] if one.0 == other.0 => None,
        [.., (_, at)] => Some(Subject::Node(at)),
        [] => None,
    }
}

/// What a name stands for; `None` of a module that the capture does not show to send.
fn subject(
    named: &Named,
    analysis: &Analysis,
    roster: Option<&RosterFile>,
) -> Result<Option<Subject>, WiringError> {
    match fault::named(analysis, &named.name) {
        Some(found @ (Subject::Node(_) | Subject::Sender(_))) => return Ok(Some(found)),
        Some(_) => return Ok(None),
        None => {}
    }
    let expected = || roster.iter().flat_map(|roster| &roster.nodes);
    // A node of another bus than those recorded is in the roster all the same.
    if expected().any(|node| node.name == named.name) {
        return Ok(None);
    }
    let mut known = fault::known(analysis);
    for node in expected().filter(|node| !known.contains(&node.name)).collect::<Vec<_>>() {
        known.push(node.name.clone());
    }
    let problem = Problem::UnknownNode { node: named.name.clone(), known };
    Err(WiringError::AtLine { line: named.line, problem })
}
