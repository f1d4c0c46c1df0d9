//! From the names of a wiring file to the nodes of a capture.

use crate::analysis::Analysis;
use crate::analysis::element::Element;
use crate::analysis::subject::Subject;
use crate::fault;
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
