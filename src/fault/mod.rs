//! From the analysis to ranked explanations, and from those to what to test next
//! (docs/findings.md). Pure: no file, no clock.
//!
//! `symptoms` says what asks for an explanation, `sets` which faults explain it and how probable
//! they are, `next_tests` in which order to look for them. All numbers stand in `knowledge.toml`.

pub mod advice;
mod calibration;
pub(crate) mod cautions;
mod job_error;
mod knowledge;
mod knowledge_error;
mod marked;
mod next_tests;
pub mod order;
mod reading_table;
mod readings;
mod seen;
mod sets;
mod setting;
mod symptoms;
mod two_buses;
mod weights;
mod worded;

pub use calibration::Calibration;
pub use job_error::{JobError, Problem as JobProblem};
pub use knowledge::Knowledge;
pub use knowledge_error::{KnowledgeError, Problem as KnowledgeProblem};
pub use next_tests::{Choice, WORTH, best};
pub use readings::{AtElement, Job};
pub(crate) use readings::{known, named};
pub(crate) use symptoms::{sender, struck};

use self::knowledge::{ByClass, Test, TestWorded};
use self::next_tests::Step;
use self::readings::ReadingTaken;
use self::sets::{Explained, Fault};
use self::symptoms::Symptom;
use crate::analysis::Analysis;
use crate::analysis::element::Wiring;
use crate::analysis::finding::{
    Caution, ClassName, Evidence, Finding, Findings, NextTest, Observation, Standing,
};
use crate::analysis::subject::Subject;

/// Faults less probable than this are not shown.
const SHOWN: f64 = 0.03;
/// Most findings shown.
const MOST_SHOWN: usize = 12;
/// A fault is said to explain the codes of a symptom that it shows with at least this probability:
/// they go out with its repair.
const PUTS_OUT: f64 = 0.25;

/// What explains an analysis, and what to test next.
///
/// # Errors
/// Where the job file names what is not known, with its line.
pub fn find(analysis: &Analysis, knowledge: &Knowledge, job: &Job) -> Result<Findings, JobError> {
    let mut observed = job.observed(analysis, knowledge)?;
    observed.extend(marked::observed(analysis, knowledge));
    let symptoms = symptoms::of(analysis);
    let explained = sets::explain(analysis, knowledge, &symptoms, &observed);
    let mut shown: Vec<usize> = (0..explained.faults.len())
        .filter(|at| explained.faults[*at].uncalibrated >= SHOWN)
        .collect();
    // Room for what is no fault of the vehicle is made last.
    shown.sort_by_key(|at| {
        let fault = &explained.faults[*at];
        (knowledge.class[&fault.class].benign, -(fault.uncalibrated * 100.0).round() as i64)
    });
    // What is no fault of the vehicle explains what would otherwise look like one: it stays.
    let benign = |at: &usize| knowledge.class[&explained.faults[*at].class].benign;
    let faults_shown = shown.iter().filter(|at| !benign(at)).count().min(MOST_SHOWN);
    let mut place = 0;
    shown.retain(|at| {
        place += 1;
        place <= faults_shown || benign(at)
    });
    let case = Case { analysis, knowledge, symptoms: &symptoms, observed: &observed, job };
    let ranked: Vec<Finding> = shown
        .iter()
        .map(|at| case.finding(&explained.faults[*at], &case.covered(&explained, *at)))
        .collect();
    let again = two_buses::told_twice(analysis, &ranked);
    let told = shown.into_iter().zip(ranked).zip(again);
    let (shown, mut ranked): (Vec<usize>, Vec<Finding>) =
        told.filter_map(|(own, again)| (!again).then_some(own)).unzip();
    let order = order::sort(&mut ranked);
    let faults: Vec<Fault> = order.iter().map(|at| explained.faults[shown[*at]].clone()).collect();
    let (next_tests, finds) = case.tests(&faults, &ranked);
    for (at, finding) in ranked.iter_mut().enumerate() {
        finding.next_tests =
            next_tests.iter().filter(|test| test.findings.contains(&(at + 1))).cloned().collect();
    }
    let undecided = order::undecided(&ranked, &finds);
    let cautions = cautions::of_report(&ranked, &next_tests);
    let job = job.notes(&observed);
    let no_class = order::none_of_these(&ranked, explained.no_class);
    let wiring = Wiring::default();
    Ok(Findings { ranked, next_tests, undecided, cautions, job, no_class, wiring })
}

/// A test in an order that is tried out.
#[derive(Clone, Debug)]
pub struct Tried {
    /// Its table in [`Knowledge::test`].
    pub test: String,
    /// Minutes, with the opening where it is the first behind a cover.
    pub minutes: f64,
    /// Classes of the faults that it is for.
    pub classes: Vec<ClassName>,
}

/// The tests for what explains an analysis in an order of somebody else's choosing, to compare
/// orders by; tests that find less than `least` are left out.
pub fn tests_in_order(
    analysis: &Analysis,
    knowledge: &Knowledge,
    least: f64,
    choose: &mut dyn FnMut(&[Choice]) -> usize,
) -> Vec<Tried> {
    let symptoms = symptoms::of(analysis);
    let mut faults = sets::explain(analysis, knowledge, &symptoms, &[]).faults;
    faults.retain(|fault| fault.probability >= SHOWN);
    let wanted = next_tests::Wanted {
        faults: &faults,
        standings: &[],
        cautions: &[],
        done: &[],
        called_for: &[],
    };
    next_tests::order(analysis, knowledge, wanted, least, choose)
        .into_iter()
        .map(|step| Tried {
            test: step.test,
            minutes: step.minutes,
            classes: step.faults.iter().map(|at| faults[*at].class.clone()).collect(),
        })
        .collect()
}

/// What a finding is drawn from.
struct Case<'a> {
    analysis: &'a Analysis,
    knowledge: &'a Knowledge,
    symptoms: &'a [Symptom],
    observed: &'a [ReadingTaken],
    job: &'a Job,
}

/// What a test is about, its minutes where it is the first behind its cover, and how likely it
/// shows a fault of each class.
type Finds = (Subject, f64, ByClass);

impl Case<'_> {
    /// What to test next: nothing again that is done, and nothing of what has been repaired, which
    /// only a drive can prove.
    fn tests(&self, faults: &[Fault], ranked: &[Finding]) -> (Vec<NextTest>, Vec<Finds>) {
        let Case { analysis, knowledge, .. } = *self;
        // A test whose reading has come back is done.
        let read = self.observed.iter().flat_map(|observed| {
            let proves = observed.reading.one_sided.is_some_and(|own| own.good);
            let gives = knowledge.test.iter().filter(move |(_, test)| {
                test.readings.contains(&observed.table)
                    || proves && test.proved_by.contains(&observed.table)
            });
            gives.map(|(name, _)| (name.clone(), observed.reading.subject.clone()))
        });
        let done: Vec<(String, Subject)> =
            read.chain(order::done(knowledge, analysis, self.job)).collect();
        let called_for: Vec<(String, Subject)> =
            self.observed.iter().flat_map(|own| self.called_for(own)).collect();
        let (places, open): (Vec<usize>, Vec<Fault>) = (0..faults.len())
            .filter(|at| !ranked[*at].is_repaired())
            .map(|at| (at, faults[at].clone()))
            .unzip();
        let standings: Vec<Standing> =
            places.iter().map(|at| order::standing_of_tests(ranked, &ranked[*at])).collect();
        let cautions: Vec<&[Caution]> =
            places.iter().map(|at| ranked[*at].cautions.as_slice()).collect();
        let wanted = next_tests::Wanted {
            faults: &open,
            standings: &standings,
            cautions: &cautions,
            done: &done,
            called_for: &called_for,
        };
        let steps = next_tests::order(analysis, knowledge, wanted, WORTH, &mut best);
        let finds = |step: &Step| {
            let table = &knowledge.test[&step.test];
            let opening = knowledge.access[&table.access].minutes;
            let lasting = symptoms::lasts(analysis, &step.subject);
            let own = |class: &ClassName| Some((class.clone(), table.shows(class, lasting)?));
            let shown = table.finds.keys().filter_map(own).collect();
            (step.subject.clone(), table.minutes + opening, shown)
        };
        let finds = steps.iter().map(finds).collect();
        let next = |step: Step| {
            let test = &knowledge.test[&step.test];
            let access = &knowledge.access[&test.access];
            let of: Vec<&Finding> = step.faults.iter().map(|at| &ranked[places[*at]]).collect();
            let cautions = cautions::of_test(analysis, &step.subject, test, access, &of);
            NextTest { cautions, ..next_test(analysis, knowledge, step, &places) }
        };
        (steps.into_iter().map(next).collect(), finds)
    }

    /// The symptoms a fault stands for: in the best set those that it explains there, otherwise all
    /// that it could.
    fn covered(&self, explained: &Explained, at: usize) -> Vec<&Symptom> {
        let fault = &explained.faults[at];
        let could = |symptom: &Symptom| {
            weights::by(self.knowledge, fault, symptom).is_some()
                && symptom.may_be_of(&fault.subject, self.analysis)
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
        let class = &self.knowledge.class[&fault.class];
        let put_out: Vec<&&Symptom> = covered
            .iter()
            .filter(|symptom| {
                let by = weights::by(self.knowledge, fault, symptom);
                by.is_some_and(|(_, by)| by >= PUTS_OUT)
            })
            .collect();
        let mut codes: Vec<usize> =
            put_out.iter().flat_map(|symptom| symptom.codes.iter().copied()).collect();
        codes.sort_unstable();
        codes.dedup();
        let signs = covered.iter().flat_map(|symptom| weigh(self.knowledge, fault, symptom));
        let readings =
            self.observed.iter().filter_map(|reading| self.weigh_reading(fault, reading));
        let done = self.job.done(self.analysis).into_iter();
        let evidence: Vec<Evidence> = signs.chain(readings).collect();
        let cautions =
            cautions::of_finding(self.analysis, &fault.class, &fault.subject, &evidence, &codes);
        let conflict = self.analysis.is_address_conflict(&fault.subject);
        let (title, brief, explanation) = match class.of_address.as_ref().filter(|_| conflict) {
            Some(own) => (&own.title, Some(&own.brief), &own.explanation),
            None => (&class.title, class.brief.as_ref(), &class.explanation),
        };
        let mut finding = Finding {
            cautions,
            class: fault.class.clone(),
            subject: fault.subject.clone(),
            title: title.clone(),
            brief: brief.unwrap_or(title).clone(),
            probability: fault.probability,
            uncalibrated: fault.uncalibrated,
            standing: Standing::Present,
            benign: class.benign,
            explanation: explanation.clone(),
            evidence,
            codes_explained: codes,
            lamps: put_out.iter().map(|symptom| symptom.lamps).sum(),
            next_tests: Vec::new(),
            done: done.filter(|(about, _)| *about == fault.subject).map(|(_, done)| done).collect(),
            gone: self.observed.iter().any(|own| self.is_gone(own, fault)),
            element: None,
        };
        finding.standing = order::standing(self.analysis, &finding);
        finding
    }

    /// The tests that a reading calls for, each with what it is about.
    fn called_for(&self, observed: &ReadingTaken) -> Vec<(String, Subject)> {
        let of = |(name, test): (&String, &knowledge::Test)| {
            let bands = test.told_by.get(&observed.table)?;
            let told = bands.iter().any(|own| observed.reading.value.is(own));
            told.then(|| (name.clone(), observed.reading.subject.clone()))
        };
        self.knowledge.test.iter().filter_map(of).collect()
    }

    /// Whether the trouble went away when something was tried at what a fault is about.
    fn is_gone(&self, observed: &ReadingTaken, fault: &Fault) -> bool {
        let gone = self.knowledge.reading[&observed.table].gone.as_ref();
        gone.is_some_and(|gone| observed.reading.value.is(gone))
            && observed.reading.subject == fault.subject
    }

    fn weigh_reading(&self, fault: &Fault, observed: &ReadingTaken) -> Option<Evidence> {
        let table = &self.knowledge.reading[&observed.table];
        let own = table.like(&fault.class, symptoms::lasts(self.analysis, &fault.subject))?;
        let subject = &observed.reading.subject;
        let about = fault.subject.covers(subject, self.analysis)
            || subject.covers(&fault.subject, self.analysis);
        about.then(|| Evidence {
            ratio: own[observed.place] / table.like[&ClassName::SOUND][observed.place],
            what: Observation::Reading(observed.reading.clone()),
        })
    }
}

fn next_test(analysis: &Analysis, knowledge: &Knowledge, step: Step, places: &[usize]) -> NextTest {
    let test = &knowledge.test[&step.test];
    let truck = analysis.is_truck();
    let conflict = analysis.is_address_conflict(&step.subject);
    if let Some(own) = test.of_address.as_ref().filter(|_| conflict) {
        let TestWorded { title, brief, how, why, reading, source } = own.clone();
        let test = Test { title, brief: Some(brief), how, why, reading, source, ..test.clone() };
        return asked_for(knowledge, &test, step, places, truck);
    }
    asked_for(knowledge, test, step, places, truck)
}

fn asked_for(
    knowledge: &Knowledge,
    test: &Test,
    step: Step,
    places: &[usize],
    truck: bool,
) -> NextTest {
    let access = &knowledge.access[&test.access];
    let of_truck = |own: &Option<String>| own.clone().filter(|_| truck);
    NextTest {
        subject: step.subject,
        element: None,
        cautions: Vec::new(),
        title: test.title.clone(),
        brief: test.brief.clone().unwrap_or_else(|| test.title.clone()),
        why: test.why.clone(),
        how: of_truck(&test.truck).unwrap_or_else(|| test.how.clone()),
        minutes: step.minutes,
        access: of_truck(&access.truck).unwrap_or_else(|| access.title.clone()),
        goes_first: test.first_for.is_some(),
        open_already: !step.opens && access.minutes > 0.0,
        reading_expected: test.reading.clone(),
        source: test.source.clone(),
        finds: step.finds,
        findings: step.faults.iter().map(|fault| places[*fault] + 1).collect(),
    }
}

/// Probabilities are not divided by less than this.
const LEAST_TOTAL: f64 = 1e-12;

/// A symptom and its signs, each with how many times likelier it is under this fault than under the
/// others that can show it.
fn weigh(knowledge: &Knowledge, fault: &Fault, symptom: &Symptom) -> Vec<Evidence> {
    let table = &knowledge.symptom[&symptom.kind()];
    let others = || table.by.iter().filter(|(class, _)| **class != fault.class);
    let weight = |class: &ClassName, by: f64| knowledge.class[class].prior * by;
    let total: f64 = others().map(|(class, by)| weight(class, *by)).sum();
    let prior: f64 = others().map(|(class, _)| knowledge.class[class].prior).sum();
    let (class, own) = weights::by(knowledge, fault, symptom).unwrap_or((&fault.class, table.leak));
    let mean = if prior > 0.0 { total / prior } else { table.leak };
    let what = Observation::Symptom(symptom.subject.clone(), symptom.fact.clone());
    let mut out = vec![Evidence { ratio: own / mean.max(table.leak), what }];
    for sign in &symptom.signs {
        let own = weights::like(knowledge, sign, class);
        let other: f64 = others()
            .map(|(class, by)| weight(class, *by) * weights::like(knowledge, sign, class))
            .sum::<f64>()
            / total.max(LEAST_TOTAL);
        let ratio = if total > 0.0 { own / other } else { 1.0 };
        out.push(Evidence { ratio, what: Observation::Sign(*sign) });
    }
    // What the signs more than make up for does not speak against it.
    let all: f64 = out.iter().map(|evidence| evidence.ratio).product();
    out[0].ratio = out[0].ratio.max(all.min(1.0));
    out
}
