//! What to test next: most probability for its minutes first, today's complaint weighing most, with
//! what has to be opened counted once.
//!
//! Tests behind one cover form a cluster. Its worth is that of its best first part, opening
//! included; once it is open its tests cost only themselves. After: Kadane and Simon 1977
//! (probability over cost), Heckerman, Breese and Rommelse, CACM 1995 (troubleshooting), Ottosen
//! and Jensen, PGM 2010 (bottom-up order over cost clusters). A test that found nothing makes the
//! faults it is for less probable.

use std::collections::BTreeSet;

use super::knowledge::{Knowledge, Test};
use super::sets::Fault;
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
}

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

struct Open {
    test: String,
    subject: Subject,
    cover: (String, Option<Subject>),
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
    let Wanted { faults, standings, .. } = wanted;
    let standing_of = |fault: usize| standings.get(fault).copied().unwrap_or(Standing::Present);
    let mut open = possible(analysis, knowledge, wanted);
    let mut left: Vec<f64> = faults.iter().map(|fault| fault.probability).collect();
    let mut tested = vec![false; faults.len()];
    let mut covers: BTreeSet<(String, Option<Subject>)> = BTreeSet::new();
    let mut steps = Vec::new();
    while !open.is_empty() {
        let finds: Vec<(f64, Vec<(usize, f64)>)> = open
            .iter()
            .map(|open| found(analysis, &knowledge.test[&open.test], &open.subject, faults, &left))
            .collect();
        let nearest = |at: usize| finds[at].1.iter().map(|(fault, _)| standing_of(*fault)).min();
        let weighed = |(fault, share): &(usize, f64)| {
            let further = if tested[*fault] { knowledge.order.further } else { 1.0 };
            left[*fault] * share * further * knowledge.order.weight(standing_of(*fault))
        };
        let weighed: Vec<f64> = finds.iter().map(|(_, of)| of.iter().map(weighed).sum()).collect();
        let minutes = |open: &Open| knowledge.test[&open.test].minutes;
        let choices: Vec<Choice> = (0..open.len())
            .map(|at| {
                let cover = &open[at].cover;
                let opening = match covers.contains(cover) {
                    true => 0.0,
                    false => knowledge.access[&cover.0].minutes,
                };
                let worth = with_companions(&open, &weighed, at, opening, minutes);
                let standing = nearest(at).unwrap_or(Standing::Present);
                Choice { finds: finds[at].0, worth, standing }
            })
            .collect();
        let at = choose(&choices);
        if choices[at].finds < least {
            open.remove(at);
            continue;
        }
        let before = |own: &Open| {
            own.subject == open[at].subject && knowledge.test[&own.test].first_for.is_some()
        };
        let chosen = open.remove(open.iter().position(before).unwrap_or(at));
        let table = &knowledge.test[&chosen.test];
        let (finds, of) = found(analysis, table, &chosen.subject, faults, &left);
        let opens = covers.insert(chosen.cover.clone());
        let opening = if opens { knowledge.access[&chosen.cover.0].minutes } else { 0.0 };
        for (fault, share) in &of {
            left[*fault] *= 1.0 - share;
            tested[*fault] = true;
        }
        let faults = of.into_iter().map(|(fault, _)| fault).collect();
        steps.push(Step {
            test: chosen.test,
            subject: chosen.subject,
            minutes: table.minutes + opening,
            opens,
            finds,
            faults,
        });
    }
    steps
}

/// Worth of a test: alone, or with the best of those behind the cover that it has to open, in order
/// of their own worth.
fn with_companions(
    open: &[Open],
    weighed: &[f64],
    at: usize,
    opening: f64,
    minutes: impl Fn(&Open) -> f64,
) -> f64 {
    let own = |other: usize| weighed[other] / minutes(&open[other]).max(0.1);
    // Where nothing has to be opened, nobody waits for company.
    if opening <= 0.0 {
        return own(at);
    }
    let mut others: Vec<usize> = (0..open.len())
        .filter(|other| *other != at && open[*other].cover == open[at].cover)
        .collect();
    others.sort_by(|a, b| own(*b).total_cmp(&own(*a)));
    // Only a test that is itself the best behind its cover begins the opening.
    if others.first().is_some_and(|other| own(*other) > own(at)) {
        return weighed[at] / (opening + minutes(&open[at])).max(0.1);
    }
    let (mut sum, mut cost) = (weighed[at], opening + minutes(&open[at]));
    let mut best = sum / cost.max(0.1);
    for other in others {
        sum += weighed[other];
        cost += minutes(&open[other]);
        best = best.max(sum / cost.max(0.1));
    }
    best
}

fn possible(analysis: &Analysis, knowledge: &Knowledge, wanted: Wanted<'_>) -> Vec<Open> {
    let mut out: Vec<Open> = Vec::new();
    for (at, fault) in wanted.faults.iter().enumerate() {
        let cautions = wanted.cautions.get(at).copied().unwrap_or_default();
        let careful = |id: &String| cautions.iter().any(|caution| caution.id == *id);
        for (name, test) in knowledge.test.iter().filter(|(_, test)| {
            test.finds.contains_key(&fault.class) && test.first_for.as_ref().is_none_or(careful)
        }) {
            let Some(subject) = place(&fault.subject, test.at, analysis) else { continue };
            let same = |open: &Open| open.test == *name && open.subject == subject;
            if out.iter().any(same) || wanted.done.contains(&(name.clone(), subject.clone())) {
                continue;
            }
            let shared = matches!(subject, Subject::Channel(_) | Subject::Vehicle)
                || knowledge.access[&test.access].shared;
            let cover = (test.access.clone(), (!shared).then(|| subject.clone()));
            out.push(Open { test: name.clone(), subject, cover });
        }
    }
    out
}

/// What a test at `level` for a fault is about.
fn place(subject: &Subject, level: Level, analysis: &Analysis) -> Option<Subject> {
    match (level, subject) {
        // What a branch or the vehicle has in common is tested as a whole.
        (Level::Node | Level::Nodes, Subject::Channel(_) | Subject::Vehicle) => None,
        (Level::Node, Subject::Nodes(_)) => None,
        (Level::Nodes, Subject::Node(_) | Subject::Sender(_) | Subject::Module(_)) => None,
        _ => subject.at(level, analysis),
    }
}

/// Probability that a test finds the cause, and of which fault which share.
fn found(
    analysis: &Analysis,
    test: &Test,
    subject: &Subject,
    faults: &[Fault],
    left: &[f64],
) -> (f64, Vec<(usize, f64)>) {
    let mut of = Vec::new();
    let mut sum = 0.0;
    for (at, fault) in faults.iter().enumerate() {
        let Some(share) = test.finds.get(&fault.class) else { continue };
        if place(&fault.subject, test.at, analysis).as_ref() == Some(subject) {
            of.push((at, *share));
            sum += left[at] * share;
        }
    }
    (sum, of)
}
