//! From the report to ranked explanations, and from those to what to test next. Pure: no file, no
//! clock.
//!
//! `symptoms` says what asks for an explanation, `sets` which faults explain it and how probable
//! they are, `next_tests` in which order to look for them. All numbers stand in `knowledge.toml`.

pub mod advice;
mod knowledge;
mod next_tests;
mod readings;
mod sets;
mod subject;
mod symptoms;
mod told;

pub use knowledge::{Knowledge, KnowledgeError};
pub use next_tests::Order;
pub use readings::Job;

use self::readings::Observed;
use self::sets::{Explained, Fault};
use self::subject::Subject;
use self::symptoms::Symptom;
use crate::analysis::Analysis;
use crate::analysis::finding::{Evidence, Finding, Findings, NextTest};

/// Faults less probable than this are not shown.
const SHOWN: f64 = 0.03;
/// Most findings shown.
const MOST: usize = 12;
/// A fault puts out the codes of a symptom that it shows with at least this probability.
const PUTS_OUT: f64 = 0.25;

/// What explains an analysis, and what to test next.
///
/// # Errors
/// Where the job file names what is not known, with its line.
pub fn find(report: &Analysis, knowledge: &Knowledge, job: &Job) -> Result<Findings, String> {
    let observed = job.observed(report, knowledge)?;
    let symptoms = symptoms::of(report);
    let explained = sets::explain(report, knowledge, &symptoms, &observed);
    let mut shown: Vec<usize> = (0..explained.faults.len())
        .filter(|at| explained.faults[*at].probability >= SHOWN)
        .collect();
    // What is no fault of the vehicle comes last; of two about as probable, what is there now
    // before what codes remember.
    shown.sort_by_key(|at| {
        let fault = &explained.faults[*at];
        (
            knowledge.class[&fault.class].benign,
            -(fault.probability * 100.0).round() as i64,
            fault.class == "stale_codes",
        )
    });
    shown.truncate(MOST);
    let faults: Vec<Fault> = shown.iter().map(|at| explained.faults[*at].clone()).collect();
    let case = Case { report, knowledge, symptoms: &symptoms, observed: &observed, job };
    let mut ranked: Vec<Finding> = shown
        .iter()
        .map(|at| case.finding(&explained.faults[*at], &case.covered(&explained, *at)))
        .collect();
    let next_tests = tests(report, knowledge, &faults, &observed, Order::ProbabilityOverCost);
    for (at, finding) in ranked.iter_mut().enumerate() {
        finding.next_tests =
            next_tests.iter().filter(|test| test.findings.contains(&(at + 1))).cloned().collect();
    }
    Ok(Findings { ranked, next_tests })
}

/// Minutes until the fault of a class is found, as expected when tests are done in an order, and
/// the probability that they find it at all. For comparing orders on cases whose fault is known.
pub fn expected_minutes(
    report: &Analysis,
    knowledge: &Knowledge,
    truth: &str,
    order: Order,
) -> (f64, f64) {
    let symptoms = symptoms::of(report);
    let mut faults = sets::explain(report, knowledge, &symptoms, &[]).faults;
    faults.retain(|fault| fault.probability >= SHOWN);
    let (mut missed, mut minutes) = (1.0, 0.0);
    for step in next_tests::order(report, knowledge, &faults, &[], order) {
        minutes += missed * step.minutes;
        if step.faults.iter().any(|fault| faults[*fault].class == truth) {
            missed *= 1.0 - knowledge.test[&step.test].finds.get(truth).copied().unwrap_or(0.0);
        }
    }
    (minutes, 1.0 - missed)
}

fn tests(
    report: &Analysis,
    knowledge: &Knowledge,
    faults: &[Fault],
    observed: &[Observed],
    how: Order,
) -> Vec<NextTest> {
    // A test whose reading has come back is done.
    let done: Vec<(String, Subject)> = observed
        .iter()
        .flat_map(|reading| {
            let gives =
                knowledge.test.iter().filter(|(_, test)| test.readings.contains(&reading.table));
            gives.map(|(name, _)| (name.clone(), reading.subject.clone()))
        })
        .collect();
    let steps = next_tests::order(report, knowledge, faults, &done, how);
    steps
        .into_iter()
        .map(|step| {
            let (test, access) = (
                &knowledge.test[&step.test],
                &knowledge.access[&knowledge.test[&step.test].access],
            );
            let who = step.subject.name(report);
            let cover = access.title.replace("{who}", &who);
            NextTest {
                title: test.title.replace("{who}", &who),
                why: test.why.clone(),
                how: test.how.clone(),
                minutes: step.minutes,
                access: match step.opens {
                    true => cover,
                    false if access.minutes > 0.0 => format!("{cover} (open already)"),
                    false => cover,
                },
                reading_expected: test.reading.clone(),
                source: test.source.clone(),
                finds: step.finds,
                findings: step.faults.iter().map(|fault| fault + 1).collect(),
            }
        })
        .collect()
}

/// What a finding is drawn from.
struct Case<'a> {
    report: &'a Analysis,
    knowledge: &'a Knowledge,
    symptoms: &'a [Symptom],
    observed: &'a [Observed],
    job: &'a Job,
}

impl Case<'_> {
    /// The symptoms a fault stands for: in the best set those that it explains there, otherwise all
    /// that it could.
    fn covered(&self, explained: &Explained, at: usize) -> Vec<&Symptom> {
        let fault = &explained.faults[at];
        let could = |symptom: &Symptom| {
            let table = self.knowledge.symptom.get(symptom.kind);
            table.is_some_and(|table| table.by.contains_key(&fault.class))
                && fault.subject.covers(&symptom.subject, self.report)
        };
        let own = |(place, symptom): (usize, &Symptom)| match explained.best.contains(&at) {
            true => explained.by[place] == Some(at),
            false => could(symptom),
        };
        self.symptoms
            .iter()
            .enumerate()
            .filter(|(place, symptom)| own((*place, symptom)))
            .map(|(_, symptom)| symptom)
            .collect()
    }

    fn finding(&self, fault: &Fault, covered: &[&Symptom]) -> Finding {
        let Case { report, knowledge, observed, job, .. } = *self;
        let class = &knowledge.class[&fault.class];
        let put_out =
            |symptom: &&&Symptom| knowledge.symptom[symptom.kind].by[&fault.class] >= PUTS_OUT;
        let mut codes: Vec<String> = covered
            .iter()
            .filter(put_out)
            .flat_map(|symptom| symptom.codes.iter().cloned())
            .collect();
        codes.sort();
        codes.dedup();
        let lamps = covered.iter().filter(put_out).map(|symptom| symptom.lamps).sum();
        let who = fault.subject.name(report);
        let mut nodes = fault.subject.names(report);
        let touched: Vec<&str> = covered.iter().map(|symptom| symptom.text.as_str()).collect();
        let mut cautions: Vec<String> = Vec::new();
        for text in std::iter::once(who.as_str()).chain(touched) {
            for caution in advice::cautions(text) {
                if !cautions.contains(&caution.text) {
                    cautions.push(caution.text.clone());
                }
            }
        }
        if matches!(fault.subject, Subject::Channel(_)) {
            nodes.clear();
        }
        let mut evidence: Vec<Evidence> =
            covered.iter().flat_map(|symptom| weigh(knowledge, fault, symptom)).collect();
        evidence.extend(
            observed.iter().filter_map(|reading| weigh_reading(report, knowledge, fault, reading)),
        );
        let about = |node: &Option<String>| match node {
            Some(name) => readings::named(report, name) == fault.subject,
            None => fault.subject == Subject::Vehicle,
        };
        Finding {
            class: fault.class.clone(),
            title: class.title.replace("{who}", &who),
            probability: fault.probability,
            scope: match fault.subject {
                Subject::Node(_)
                | Subject::Sender(..)
                | Subject::Module(_)
                | Subject::Unplaced(..) => "node",
                Subject::Nodes(_) => "branch",
                Subject::Channel(_) => "bus",
                Subject::Vehicle if fault.class == "logger" => "capture",
                Subject::Vehicle => "vehicle",
            },
            nodes,
            benign: class.benign,
            explanation: class.explanation.clone(),
            evidence,
            codes_explained: codes,
            lamps,
            next_tests: Vec::new(),
            cautions,
            done: job.done().filter(|(done, _)| about(&done.node)).map(|(_, text)| text).collect(),
        }
    }
}

/// A symptom and its signs, each with how many times likelier it is under this fault than under the
/// others that can show it.
fn weigh(knowledge: &Knowledge, fault: &Fault, symptom: &Symptom) -> Vec<Evidence> {
    let table = &knowledge.symptom[symptom.kind];
    let others = || table.by.iter().filter(|(class, _)| **class != fault.class);
    let weight = |class: &str, by: f64| knowledge.class[class].prior * by;
    let total: f64 = others().map(|(class, by)| weight(class, *by)).sum();
    let prior: f64 = others().map(|(class, _)| knowledge.class[class.as_str()].prior).sum();
    let own = table.by[&fault.class];
    let mean = if prior > 0.0 { total / prior } else { table.leak };
    let mut out = vec![Evidence { ratio: own / mean.max(table.leak), text: symptom.text.clone() }];
    for (name, value, text) in &symptom.signs {
        let own = sets::like(knowledge, name, value, &fault.class);
        let other: f64 = others()
            .map(|(class, by)| weight(class, *by) * sets::like(knowledge, name, value, class))
            .sum::<f64>()
            / total.max(1e-12);
        out.push(Evidence {
            ratio: if total > 0.0 { own / other } else { 1.0 },
            text: text.clone(),
        });
    }
    out
}

fn weigh_reading(
    report: &Analysis,
    knowledge: &Knowledge,
    fault: &Fault,
    reading: &Observed,
) -> Option<Evidence> {
    let table = &knowledge.reading[&reading.table];
    let own = table.like.get(&fault.class)?;
    let about = fault.subject.covers(&reading.subject, report)
        || reading.subject.covers(&fault.subject, report);
    about.then(|| Evidence {
        ratio: own[reading.place] / table.like["sound"][reading.place],
        text: reading.text.clone(),
    })
}
