//! Findings and tests as JSON.

use schemars::JsonSchema;
use serde::Serialize;

use super::names;
use crate::analysis::Analysis;
use crate::analysis::finding::{Caution, Evidence, Finding, JobNotes, NextTest, Side};
use crate::words::{fault as words, unnamed, who, wiring};

#[derive(JsonSchema, Serialize)]
pub(super) struct FindingJson {
    rank: usize,
    class: String,
    title: String,
    probability: f64,
    uncalibrated: f64,
    #[schemars(with = "names::FindingScope")]
    scope: &'static str,
    nodes: Vec<String>,
    benign: bool,
    #[schemars(with = "names::Standing")]
    standing: &'static str,
    explanation: String,
    evidence: Vec<String>,
    codes_explained: Vec<String>,
    lamps: usize,
    next_tests: Vec<TestJson>,
    cautions: Vec<String>,
    done: Vec<String>,
    element: Option<ElementJson>,
    elements_alike: Vec<String>,
    harness: Vec<String>,
}

/// A part of the harness that explains something, over all findings.
#[derive(JsonSchema, Serialize)]
pub(super) struct PlaceJson {
    name: String,
    kind: &'static str,
    probability: f64,
    feeds: Vec<String>,
    access: Option<String>,
    minutes: f64,
}

/// The parts of the harness that explain something, most probable first.
pub(super) fn elements(analysis: &Analysis) -> Vec<PlaceJson> {
    let Some(findings) = &analysis.findings else { return Vec::new() };
    let place = |(at, probability): &(usize, f64)| {
        let element = &findings.wiring.elements[*at];
        PlaceJson {
            name: element.name.clone(),
            kind: element.kind.as_str(),
            probability: *probability,
            feeds: element.feeds.iter().map(|own| who::subject(analysis, own)).collect(),
            access: element.access.clone(),
            minutes: element.minutes,
        }
    };
    findings.wiring.ranked.iter().map(place).collect()
}

/// The part of the harness that explains a finding.
#[derive(JsonSchema, Serialize)]
struct ElementJson {
    name: String,
    kind: &'static str,
    /// The second of two that have to have failed.
    with: Option<String>,
    probability: f64,
    access: Option<String>,
    minutes: f64,
    /// Others that would explain it as well, likeliest first.
    others: Vec<String>,
}

fn element(analysis: &Analysis, finding: &Finding) -> Option<ElementJson> {
    let suspected = finding.element.as_ref()?;
    let first = suspected.first()?;
    let own = analysis.findings.as_ref()?.wiring.elements.get(first.element)?;
    let name = |at: usize| wiring::name(analysis, at).to_owned();
    Some(ElementJson {
        name: own.name.clone(),
        kind: own.kind.as_str(),
        with: first.with.map(name),
        probability: finding.probability * first.share,
        access: own.access.clone(),
        minutes: own.minutes,
        others: suspected.fits.iter().skip(1).map(|fit| name(fit.element)).collect(),
    })
}

#[derive(JsonSchema, Serialize)]
pub(super) struct TestJson {
    title: String,
    why: String,
    how: String,
    cautions: Vec<String>,
    minutes: f64,
    access: String,
    reading_expected: String,
    source: String,
    finds: f64,
    findings: Vec<usize>,
    element: Option<String>,
    to_find: Option<String>,
    to_name: Option<String>,
}

pub(super) fn finding(analysis: &Analysis, at: usize, finding: &Finding) -> FindingJson {
    let sentence = |evidence: &Evidence| {
        let side = side(evidence.side());
        format!("{side}: {}", words::observation(analysis, &evidence.what))
    };
    let name = |at: &usize| wiring::name(analysis, *at).to_owned();
    FindingJson {
        rank: at + 1,
        class: finding.class.to_string(),
        title: words::title(analysis, finding),
        probability: finding.probability,
        uncalibrated: finding.uncalibrated,
        scope: names::finding_scope(finding.scope()),
        nodes: who::nodes(analysis, finding),
        benign: finding.benign,
        standing: names::standing(finding.standing),
        explanation: finding.explanation.clone(),
        evidence: words::in_order(words::worth_saying(&finding.evidence))
            .into_iter()
            .map(sentence)
            .collect(),
        codes_explained: words::codes_explained(analysis, finding),
        lamps: finding.lamps,
        next_tests: finding.next_tests.iter().map(|next| test(analysis, next)).collect(),
        cautions: texts(&finding.cautions),
        done: finding.done.iter().map(words::done).collect(),
        element: element(analysis, finding),
        elements_alike: finding.element.iter().flat_map(|own| &own.alike).map(name).collect(),
        harness: wiring::sentences(analysis, finding),
    }
}

/// What the job file says.
#[derive(JsonSchema, Serialize)]
pub(super) struct JobJson {
    title: Option<String>,
    vehicle: Option<String>,
    readings: Vec<String>,
    done: Vec<String>,
}

pub(super) fn job(analysis: &Analysis) -> Option<JobJson> {
    let findings = analysis.findings.as_ref()?;
    let job = &findings.job;
    // What marks made of moving a part is told with the marks.
    let at_elements = || findings.wiring.taken.iter().filter(|taken| !taken.marked);
    let empty = *job == JobNotes::default() && at_elements().next().is_none();
    (!empty).then(|| JobJson {
        title: job.title.clone(),
        vehicle: job.vehicle.clone(),
        readings: job
            .readings
            .iter()
            .map(|taken| words::reading(analysis, taken))
            .chain(at_elements().map(|taken| wiring::taken(analysis, taken)))
            .collect(),
        done: job.done.iter().map(words::done).collect(),
    })
}

/// A caution with all that is known of it; elsewhere its text stands alone.
#[derive(JsonSchema, Serialize)]
pub(super) struct CautionJson {
    id: String,
    brief: String,
    text: String,
    source: String,
}

pub(super) fn caution(caution: &Caution) -> CautionJson {
    let Caution { id, brief, text, source } = caution.clone();
    CautionJson { id, brief, text, source }
}

fn texts(cautions: &[Caution]) -> Vec<String> {
    cautions.iter().map(|caution| caution.text.clone()).collect()
}

fn side(side: Side) -> &'static str {
    match side {
        Side::For => "for",
        Side::Against => "against",
        Side::Neutral => "neutral",
    }
}

pub(super) fn test(analysis: &Analysis, test: &NextTest) -> TestJson {
    let to_find = unnamed::to_find(analysis, &test.subject);
    TestJson {
        title: words::test_title(analysis, test),
        why: test.why.clone(),
        how: test.how.clone(),
        to_find: to_find.clone(),
        to_name: to_find.map(|_| unnamed::to_name(analysis)),
        cautions: texts(&test.cautions),
        minutes: test.minutes,
        access: words::test_access(analysis, test),
        reading_expected: test.reading_expected.clone(),
        source: test.source.clone(),
        finds: test.finds,
        findings: test.findings.clone(),
        element: test.element.map(|at| wiring::name(analysis, at).to_owned()),
    }
}
