//! Findings and tests as JSON.

use serde::Serialize;

use crate::analysis::finding::{Finding, NextTest};

#[derive(Serialize)]
pub(super) struct FindingJson {
    rank: usize,
    class: String,
    title: String,
    probability: f64,
    scope: &'static str,
    nodes: Vec<String>,
    benign: bool,
    explanation: String,
    evidence: Vec<String>,
    codes_explained: Vec<String>,
    lamps: usize,
    next_tests: Vec<TestJson>,
    cautions: Vec<String>,
    done: Vec<String>,
}

#[derive(Serialize)]
pub(super) struct TestJson {
    title: String,
    why: String,
    how: String,
    minutes: f64,
    access: String,
    reading_expected: String,
    source: String,
    finds: f64,
    findings: Vec<usize>,
}

pub(super) fn finding((at, finding): (usize, &Finding)) -> FindingJson {
    FindingJson {
        rank: at + 1,
        class: finding.class.clone(),
        title: finding.title.clone(),
        probability: finding.probability,
        scope: finding.scope,
        nodes: finding.nodes.clone(),
        benign: finding.benign,
        explanation: finding.explanation.clone(),
        evidence: finding
            .evidence
            .iter()
            .map(|evidence| format!("{}: {}", evidence.side(), evidence.text))
            .collect(),
        codes_explained: finding.codes_explained.clone(),
        lamps: finding.lamps,
        next_tests: finding.next_tests.iter().map(test).collect(),
        cautions: finding.cautions.clone(),
        done: finding.done.clone(),
    }
}

pub(super) fn test(test: &NextTest) -> TestJson {
    TestJson {
        title: test.title.clone(),
        why: test.why.clone(),
        how: test.how.clone(),
        minutes: test.minutes,
        access: test.access.clone(),
        reading_expected: test.reading_expected.clone(),
        source: test.source.clone(),
        finds: test.finds,
        findings: test.findings.clone(),
    }
}
