//! What to test next: most probability for its minutes first, today's complaint weighing most, with
//! what has to be opened counted once.
//!
//! Tests behind one cover form a cluster. Its worth is that of its best first part, opening
//! included; once it is open its tests cost only themselves. After: Kadane and Simon 1977
//! (probability over cost), Heckerman, Breese and Rommelse, CACM 1995 (troubleshooting), Ottosen
//! and Jensen, PGM 2010 (bottom-up order over cost clusters). A test that found nothing makes the
//! faults it is for less probable.

use std::collections::BTreeSet;

use super::advice;
use super::knowledge::{Knowledge, Test};
use super::sets::Fault;
use super::symptoms;
use crate::analysis::Analysis;
use crate::analysis::finding::{Caution, Standing};
use crate::analysis::subject::{Level, Subject};

/// A test of something, in the order to do it.
#[derive(Clone, Debug)]
pub struct Step {
    /// Its table.
    pub test: String,
    /// What it is about.
    pub subject: Subject,
    /// Minutes, with the opening where it is the first behind a cover.
    pub minutes: f64,
    /// Whether it is the first behind its cover.
    pub opens: bool,
    /// Probability that it finds the cause.
    pub finds: f64,
    /// Places of the faults it is for.
    pub faults: Vec<usize>,
}

/// A test that may come next.
#[derive(Clone, Copy, Debug)]
pub struct Choice {
    /// Probability that it finds the cause.
    pub finds: f64,
    /// What it finds for its minutes, each fault by its weight in the order of tests; alone, or
    /// with the best of those behind the same cover where that has to be opened.
    pub worth: f64,
    /// How near to today's complaint the first of the faults is that it is for.
    pub standing: Standing,
}

/// What tests are wanted for.
#[derive(Clone, Copy, Debug)]
pub struct Wanted<'a> {
    /// The faults.
    pub faults: &'a [Fault],
    /// How near to today's complaint each of them is; all alike where this is empty.
    pub standings: &'a [Standing],
    /// What to be careful of with each of them; nothing where this is empty.
    pub cautions: &'a [&'a [Caution]],
    /// Tests that are done, and of what.
    pub done: &'a [(String, Subject)],
    /// Tests that a reading calls for, and of what: they go before all others that are worth it.
    pub called_for: &'a [(String, Subject)],
}

/// What a test that a reading calls for is worth beyond all others.
const CALLED_FOR: f64 = 1e6;

/// The place of the test of most worth, those that are only for what is no fault after all others;
/// the first of several alike.
pub fn best(choices: &[Choice]) -> usize {
    let is_fault = |at: &usize| choices[*at].standing != Standing::Benign;
    let faults = |a: &usize, b: &usize| is_fault(a).cmp(&is_fault(b));
    let worth = |a: &usize, b: &usize| choices[*a].worth.total_cmp(&choices[*b].worth);
    (0..choices.len()).max_by(|a, b| faults(a, b).then(worth(a, b)).then(b.cmp(a))).unwrap_or(0)
}

/// Tests that find less than this are left out.
pub const WORTH: f64 = 0.01;

/// What has to be opened, and of what where each has its own.
type Cover = (String, Option<Subject>);

/// No test is taken to be quicker, in minutes.
const LEAST_MINUTES: f64 = 0.1;

/// A test that is still to be done.
struct Open {
    test: String,
    subject: Subject,
    cover: Cover,
    /// Which faults it finds, each with its probability where it is the cause.
    of: Vec<(usize, f64)>,
}

/// The tests for some faults, each chosen among those still to be done; those that find less than
/// `least` by then are left out.
pub fn order(
    analysis: &Analysis,
    knowledge: &Knowledge,
    wanted: Wanted<'_>,
    least: f64,
    choose: &mut dyn FnMut(&[Choice]) -> usize,
) -> Vec<Step> {
    let search = Search { knowledge, wanted };
    let mut open = possible(analysis, knowledge, wanted);
    let mut so_far = SoFar::new(wanted.faults);
    let mut covers: BTreeSet<Cover> = BTreeSet::new();
    let mut steps = Vec::new();
    while !open.is_empty() {
        let choices: Vec<Choice> =
            (0..open.len()).map(|at| search.choice(&open, at, &covers, &so_far)).collect();
        let at = choose(&choices);
        if choices[at].finds < least {
            open.remove(at);
            continue;
        }
        let before = |own: &Open| {
            own.subject == open[at].subject && knowledge.test[&own.test].first_for.is_some()
        };
        let chosen = open.remove(open.iter().position(before).unwrap_or(at));
        let finds = so_far.chance(&chosen.of);
        let opens = covers.insert(chosen.cover.clone());
        let opening = if opens { search.opening(&chosen) } else { 0.0 };
        so_far.found_nothing(&chosen.of);
        steps.push(Step {
            minutes: search.minutes(&chosen) + opening,
            test: chosen.test,
            subject: chosen.subject,
            opens,
            finds,
            faults: chosen.of.into_iter().map(|(fault, _)| fault).collect(),
        });
    }
    steps
}

/// What is left of each fault after tests that found nothing.
#[derive(Clone)]
struct SoFar {
    /// Its probability.
    left: Vec<f64>,
    /// Whether a test for it was among them.
    tested: Vec<bool>,
}

impl SoFar {
    fn new(faults: &[Fault]) -> Self {
        let left: Vec<f64> = faults.iter().map(|fault| fault.probability).collect();
        SoFar { tested: vec![false; left.len()], left }
    }

    /// Probability that a test finds the cause, given which fault it finds with which.
    fn chance(&self, of: &[(usize, f64)]) -> f64 {
        of.iter().map(|(fault, share)| self.left[*fault] * share).sum()
    }

    /// A test that found nothing makes the faults it is for less probable.
    fn found_nothing(&mut self, of: &[(usize, f64)]) {
        for (fault, share) in of {
            self.left[*fault] *= 1.0 - share;
            self.tested[*fault] = true;
        }
    }
}

/// What tests cost, and what they are worth.
struct Search<'a> {
    knowledge: &'a Knowledge,
    wanted: Wanted<'a>,
}

impl Search<'_> {
    fn standing(&self, fault: usize) -> Standing {
        self.wanted.standings.get(fault).copied().unwrap_or(Standing::Present)
    }

    fn minutes(&self, open: &Open) -> f64 {
        self.knowledge.test[&open.test].minutes
    }

    fn opening(&self, open: &Open) -> f64 {
        self.knowledge.access[&open.cover.0].minutes
    }

    /// What a test finds, each fault by its weight in the order of tests.
    fn weight(&self, open: &Open, so_far: &SoFar) -> f64 {
        let order = &self.knowledge.order;
        let weight = |&(fault, share): &(usize, f64)| {
            let further = if so_far.tested[fault] { order.further } else { 1.0 };
            so_far.left[fault] * share * further * order.weight(self.standing(fault))
        };
        open.of.iter().map(weight).sum()
    }

    /// The same for each minute, where nothing has to be opened.
    fn alone(&self, open: &Open, so_far: &SoFar) -> f64 {
        self.weight(open, so_far) / self.minutes(open).max(LEAST_MINUTES)
    }

    fn choice(&self, open: &[Open], at: usize, covers: &BTreeSet<Cover>, so_far: &SoFar) -> Choice {
        let is_open = covers.contains(&open[at].cover) || self.opening(&open[at]) <= 0.0;
        // Where nothing has to be opened, nobody waits for company.
        let worth = match is_open {
            true => self.alone(&open[at], so_far),
            false => self.with_companions(open, at, so_far),
        };
        let worth = if self.waits(open, at) { 0.0 } else { worth };
        let own = &open[at];
        let called =
            |(test, subject): &(String, Subject)| *test == own.test && *subject == own.subject;
        let called_for = self.wanted.called_for.iter().any(called);
        let worth = if called_for { worth + CALLED_FOR } else { worth };
        let standing = open[at].of.iter().map(|(fault, _)| self.standing(*fault)).min();
        let standing = standing.unwrap_or(Standing::Present);
        Choice { finds: so_far.chance(&open[at].of), worth, standing }
    }

    /// Whether it goes after another that is still to be done.
    fn waits(&self, open: &[Open], at: usize) -> bool {
        let is_last = |own: &Open| self.knowledge.test[&own.test].last;
        let before = |own: &Open| own.subject == open[at].subject && !is_last(own);
        is_last(&open[at]) && open.iter().any(before)
    }

    /// Worth of a test behind a cover: alone, or with the best of those behind it, in order of
    /// their own worth, each with what those before it leave.
    fn with_companions(&self, open: &[Open], at: usize, so_far: &SoFar) -> f64 {
        let own = |other: &Open| self.alone(other, so_far);
        let mut others: Vec<&Open> = (0..open.len())
            .filter(|other| *other != at && open[*other].cover == open[at].cover)
            .filter(|other| !self.waits(open, *other))
            .map(|other| &open[other])
            .collect();
        others.sort_by(|a, b| own(b).total_cmp(&own(a)));
        // Only a test that is itself the best behind its cover begins the opening.
        if others.first().is_some_and(|other| own(other) > own(&open[at])) {
            others.clear();
        }
        let mut so_far = so_far.clone();
        let (mut sum, mut cost, mut best) = (0.0, self.opening(&open[at]), 0.0_f64);
        for test in std::iter::once(&open[at]).chain(others) {
            sum += self.weight(test, &so_far);
            cost += self.minutes(test);
            best = best.max(sum / cost.max(LEAST_MINUTES));
            so_far.found_nothing(&test.of);
        }
        best
    }
}

fn possible(analysis: &Analysis, knowledge: &Knowledge, wanted: Wanted<'_>) -> Vec<Open> {
    let mut out: Vec<Open> = Vec::new();
    let lasts = |fault: &Fault| symptoms::lasts(analysis, &fault.subject);
    let lasting: Vec<bool> = wanted.faults.iter().map(lasts).collect();
    let found = |test: &Test, subject: &Subject| {
        let here = |fault: &Fault| place(&fault.subject, test, analysis).as_ref() == Some(subject);
        let share = |at: usize, fault: &Fault| test.shows(&fault.class, lasting[at]);
        let faults = wanted.faults.iter().enumerate().filter(|(_, fault)| here(fault));
        faults.filter_map(|(at, fault)| Some((at, share(at, fault)?))).collect()
    };
    for (at, fault) in wanted.faults.iter().enumerate() {
        let cautions = wanted.cautions.get(at).copied().unwrap_or_default();
        let careful = |id: &String| cautions.iter().any(|caution| caution.id == *id);
        let barred = |name: &str, test: &Test| {
            cautions.iter().any(|own| advice::bars(&own.id, name, &test.cautions))
        };
        for (name, test) in knowledge.test.iter().filter(|(name, test)| {
            test.finds.contains_key(&fault.class)
                && test.first_for.as_ref().is_none_or(careful)
                && !barred(name, test)
        }) {
            let Some(subject) = place(&fault.subject, test, analysis) else { continue };
            let same = |open: &Open| open.test == *name && open.subject == subject;
            if out.iter().any(same) || wanted.done.contains(&(name.clone(), subject.clone())) {
                continue;
            }
            let shared = matches!(subject, Subject::Channel(_) | Subject::Vehicle)
                || knowledge.access[&test.access].shared;
            let cover = (test.access.clone(), (!shared).then(|| subject.clone()));
            let of = found(test, &subject);
            out.push(Open { test: name.clone(), subject, cover, of });
        }
    }
    out
}

/// What a test for a fault is about; `None` where it is not for such a fault.
fn place(subject: &Subject, test: &Test, analysis: &Analysis) -> Option<Subject> {
    match (test.at, subject) {
        // What a branch or the vehicle has in common is tested as a whole.
        (Level::Node | Level::Nodes, Subject::Channel(_) | Subject::Vehicle) => None,
        // Several modules that nothing tells apart are in one place as far as anybody knows.
        (Level::Node, Subject::Nodes(nodes)) => match nodes[..] {
            [node] => Some(Subject::Node(node)),
            _ => None,
        },
        (Level::Nodes, Subject::Nodes(nodes)) if nodes.len() == 1 && test.several => None,
        (Level::Node, Subject::Modules(_)) => None,
        (Level::Nodes, Subject::Node(_) | Subject::Sender(_) | Subject::Module(_)) => None,
        (level, _) => subject.at(level, analysis),
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::ids::NodeIndex;

    /// Where nothing tells one module from several, one walk along the harness is for either;
    /// several that are known have one of their own.
    #[test]
    fn one_walk_serves_one_module_or_several() {
        let knowledge = Knowledge::built_in();
        let nodes = |count: usize| Subject::Nodes((0..count).map(NodeIndex).collect());
        let about = |name: &str, count: usize| {
            place(&nodes(count), &knowledge.test[name], &Analysis::default())
        };
        assert_eq!(about("wiggle", 1), Some(Subject::Node(NodeIndex(0))));
        assert_eq!(about("wiggle_branch", 1), None);
        assert_eq!(about("wiggle", 2), None);
        assert_eq!(about("wiggle_branch", 2), Some(nodes(2)));
    }
}
