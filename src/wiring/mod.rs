//! Where in the harness: which element of a wiring file explains the findings, and what to test at
//! it (docs/wiring.md). Pure: no file, no clock.
//!
//! What failed is told by `fault`: nodes that started anew lost supply or ground, nodes that ran on
//! lost the bus. `losses` says what was lost together and what demonstrably kept sending, `fits`
//! which element carries to all of the former and to none of the latter, `next` in which order to
//! test.

mod beside;
mod errors;
mod fits;
mod guess;
mod losses;
mod names;
mod next;
mod readings;
mod table;

pub use guess::{Guess, guesses};

use self::fits::Harness;
use crate::analysis::Analysis;
use crate::analysis::element::{Element, Wiring};
use crate::analysis::finding::{Finding, Findings, NextTest, Standing};
use crate::fault::{Job, JobError, order};
use crate::roster_file::RosterFile;
use crate::wiring_file::{WiringError, WiringFile};

/// Nodes that were lost together and hang on one element are so likely lost for it where the
/// findings take the loss for no fault: cranking pulls down what is weak, and few elements feed
/// just that.
const BESIDE: f64 = 0.25;

/// Why the wiring cannot be held against an analysis.
#[derive(Clone, Debug, PartialEq)]
#[non_exhaustive]
pub enum Error {
    /// The wiring file names what is not there.
    Wiring(WiringError),
    /// A reading at an element names what is not there.
    Job(JobError),
}

/// Adds to the findings of an analysis where in the harness each has its cause.
///
/// # Errors
/// Where the file names nodes that neither the capture nor the roster has, or a reading an element
/// that the file has not; each with its line.
pub fn place(
    analysis: &Analysis,
    findings: &mut Findings,
    file: &WiringFile,
    roster: Option<&RosterFile>,
    job: &Job,
) -> Result<(), Error> {
    let elements = names::elements(file, analysis, roster).map_err(Error::Wiring)?;
    let mut taken = readings::taken(job, &elements).map_err(Error::Job)?;
    taken.extend(readings::marked(analysis, &elements));
    let losses = losses::all(analysis);
    let errors = errors::Errors::all(analysis, &elements);
    let read = findings.job.readings.clone();
    let harness = Harness {
        analysis,
        losses: &losses,
        elements: &elements,
        taken: &taken,
        read: &read,
        errors: &errors,
    };
    let mut factors = Vec::new();
    for finding in &mut findings.ranked {
        let placed = harness.place(finding);
        finding.element = placed.suspected;
        factors.push(placed.factor);
    }
    weigh(&mut findings.ranked, &factors);
    let was = order::sort(&mut findings.ranked);
    renumber(findings, &was);
    let mut tests = std::mem::take(&mut findings.next_tests);
    let marks: Vec<Option<usize>> = findings.undecided.iter().map(|set| set.test).collect();
    let marked: Vec<Option<NextTest>> =
        marks.iter().map(|at| at.map(|at| tests[at].clone())).collect();
    tests = next::merge(&harness, &findings.ranked, tests);
    for (set, marked) in findings.undecided.iter_mut().zip(marked) {
        let same = |test: &NextTest, own: &NextTest| {
            test.element.is_none() && test.title == own.title && test.subject == own.subject
        };
        set.test = marked.and_then(|own| tests.iter().position(|test| same(test, &own)));
    }
    for (at, finding) in findings.ranked.iter_mut().enumerate() {
        finding.next_tests =
            tests.iter().filter(|test| test.findings.contains(&(at + 1))).cloned().collect();
        if let Some(own) = &mut finding.element
            && let Some(first) = own.fits.first()
        {
            let may = |at: usize| at == first.element || own.alike.contains(&at);
            own.tells = tests.iter().position(|test| test.element.is_some_and(may));
        }
    }
    findings.next_tests = tests;
    let ranked = ranked(&findings.ranked, &elements, &harness.beside(&findings.ranked));
    let described = file.described.clone().map(|own| (own, names::of_no_node(file, analysis)));
    findings.wiring = Wiring { elements, ranked, taken, described };
    Ok(())
}

/// Shifts probability among rival explanations to those that the wiring explains; what they come to
/// together stays.
fn weigh(ranked: &mut [Finding], factors: &[f64]) {
    let mut done = vec![false; ranked.len()];
    for at in 0..ranked.len() {
        if done[at] || ranked[at].benign {
            continue;
        }
        let rival = |other: &usize| {
            ranked[*other].standing == ranked[at].standing
                && (*other == at || order::explain_the_same(&ranked[at], &ranked[*other]))
        };
        let group: Vec<usize> =
            (at..ranked.len()).filter(|other| !done[*other]).filter(rival).collect();
        let before: f64 = group.iter().map(|at| ranked[*at].probability).sum();
        let after: f64 = group.iter().map(|at| ranked[*at].probability * factors[*at]).sum();
        for at in group {
            done[at] = true;
            if after > 0.0 {
                ranked[at].probability *= factors[at] * before / after;
            }
        }
    }
}

/// What named findings by their places names them by their new ones.
fn renumber(findings: &mut Findings, was: &[usize]) {
    let now = |old: usize| was.iter().position(|at| *at == old).unwrap_or(old);
    for test in &mut findings.next_tests {
        test.findings.iter_mut().for_each(|place| *place = now(*place - 1) + 1);
        test.findings.sort_unstable();
    }
    let ranked = &findings.ranked;
    for set in &mut findings.undecided {
        set.findings.iter_mut().for_each(|place| *place = now(*place));
        set.findings.sort_unstable();
    }
    findings.undecided.retain(|set| {
        let of = |at: Option<&usize>| at.map_or(0.0, |at| ranked[*at].probability);
        of(set.findings.first()) <= order::CHOICE * of(set.findings.get(1))
    });
}

/// The elements behind what is there now, most probable first.
fn ranked(
    findings: &[Finding],
    elements: &[Element],
    beside: &[(usize, f64)],
) -> Vec<(usize, f64)> {
    let present = || findings.iter().filter(|own| own.standing == Standing::Present);
    let probability = |at: usize| {
        let of = |finding: &Finding| -> f64 {
            let fits = finding.element.iter().flat_map(|own| &own.fits);
            let own = fits.filter(|fit| fit.element == at || fit.with == Some(at));
            finding.probability * own.map(|fit| fit.share).sum::<f64>()
        };
        let beside = beside.iter().filter(|own| own.0 == at).map(|own| own.1 * BESIDE);
        (present().map(of).sum::<f64>() + beside.sum::<f64>()).min(1.0)
    };
    let mut out: Vec<(usize, f64)> =
        (0..elements.len()).map(|at| (at, probability(at))).filter(|own| own.1 > 0.0).collect();
    out.sort_by(|a, b| b.1.total_cmp(&a.1));
    out
}
