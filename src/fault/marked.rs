//! Marks that stand out are a wiggle test that went well: the node dropped out where a hand was.

use super::knowledge::Knowledge;
use super::readings::ReadingTaken;
use crate::analysis::Analysis;
use crate::analysis::finding::{Reading, ReadingValue};
use crate::analysis::subject::Subject;

/// The table of the reading, and its outcome.
const TABLE: &str = "wiggle";
const OUTCOME: &str = "dropped";

/// A reading for each node that was lost near a mark that stands out, with the words of the mark.
pub fn observed(analysis: &Analysis, knowledge: &Knowledge) -> Vec<ReadingTaken> {
    let Some(table) = knowledge.reading.get(TABLE) else { return Vec::new() };
    let Some(place) = table.outcomes.iter().position(|outcome| outcome == OUTCOME) else {
        return Vec::new();
    };
    let mut out: Vec<ReadingTaken> = Vec::new();
    for mark in analysis.marks.iter().filter(|mark| mark.stands_out()) {
        for node in &mark.nodes {
            let subject = Subject::Node(*node);
            // Two marks for one node are one test of it.
            if out.iter().any(|own| own.reading.subject == subject) {
                continue;
            }
            let reading = Reading {
                text: table.text.clone(),
                source: table.source.clone(),
                subject,
                value: ReadingValue::Outcome(OUTCOME.to_owned()),
                one_sided: None,
                culprit: false,
                at: Some(mark.text.clone()),
                note: None,
            };
            out.push(ReadingTaken { table: TABLE.to_owned(), place, reading });
        }
    }
    out
}
