//! What to test next: most probability for its minutes first, with what has to be opened counted
//! once.
//!
//! Tests behind one cover form a cluster. Its worth is that of its best first part, opening
//! included; once it is open its tests cost only themselves. After: Kadane and Simon 1977
//! (probability over cost), Heckerman, Breese and Rommelse, CACM 1995 (troubleshooting), Ottosen
//! and Jensen, PGM 2010 (bottom-up order over cost clusters). A test that found nothing makes the
//! faults it is for less probable.

use std::collections::BTreeSet;

use rand::SeedableRng;
use rand::seq::SliceRandom;
use rand_chacha::ChaCha8Rng;

use super::knowledge::{Knowledge, Test};
use super::sets::Fault;
use crate::analysis::Analysis;
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

/// How tests are put in order; the last two to compare with.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Order {
    /// Probability over cost with clusters.
    ProbabilityOverCost,
    /// Probability alone.
    Probability,
    /// By chance, with this seed.
    Random(u64),
}

/// Tests that find less than this are left out.
const WORTH: f64 = 0.01;

struct Open {
    test: String,
    subject: Subject,
    cover: (String, Option<Subject>),
}

/// The tests for some faults, in order.
pub fn order(
    analysis: &Analysis,
    knowledge: &Knowledge,
    faults: &[Fault],
    done: &[(String, Subject)],
    how: Order,
) -> Vec<Step> {
    let mut open = possible(analysis, knowledge, faults, done);
    if let Order::Random(seed) = how {
        open.shuffle(&mut ChaCha8Rng::seed_from_u64(seed));
    }
    let mut left: Vec<f64> = faults.iter().map(|fault| fault.probability).collect();
    let mut covers: BTreeSet<(String, Option<Subject>)> = BTreeSet::new();
    let mut steps = Vec::new();
    while !open.is_empty() {
        let finds: Vec<f64> = open
            .iter()
            .map(|open| {
                found(analysis, &knowledge.test[&open.test], &open.subject, faults, &left).0
            })
            .collect();
        let minutes = |open: &Open| knowledge.test[&open.test].minutes;
        let worth: Vec<f64> = match how {
            Order::Random(_) => vec![0.0; open.len()],
            Order::Probability => finds.clone(),
            Order::ProbabilityOverCost => (0..open.len())
                .map(|at| {
                    let opening = if covers.contains(&open[at].cover) {
                        0.0
                    } else {
                        knowledge.access[&open[at].cover.0].minutes
                    };
                    with_companions(&open, &finds, at, opening, minutes)
                })
                .collect(),
        };
        let best = (0..open.len())
            .max_by(|a, b| worth[*a].total_cmp(&worth[*b]).then(b.cmp(a)))
            .unwrap_or(0);
        let chosen = open.remove(best);
        let table = &knowledge.test[&chosen.test];
        let (finds, of) = found(analysis, table, &chosen.subject, faults, &left);
        if finds < WORTH && how == Order::ProbabilityOverCost {
            continue;
        }
        let opens = covers.insert(chosen.cover.clone());
        let opening = if opens { knowledge.access[&chosen.cover.0].minutes } else { 0.0 };
        for (fault, share) in &of {
            left[*fault] *= 1.0 - share;
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

/// Worth of a test: alone, or with the best of those behind the same cover, in order of their own
/// worth.
fn with_companions(
    open: &[Open],
    finds: &[f64],
    at: usize,
    opening: f64,
    minutes: impl Fn(&Open) -> f64,
) -> f64 {
    let own = |other: usize| finds[other] / minutes(&open[other]).max(0.1);
    let mut others: Vec<usize> = (0..open.len())
        .filter(|other| *other != at && open[*other].cover == open[at].cover)
        .collect();
    others.sort_by(|a, b| own(*b).total_cmp(&own(*a)));
    // Only a test that is itself the best behind its cover begins the opening.
    if opening > 0.0 && others.first().is_some_and(|other| own(*other) > own(at)) {
        return finds[at] / (opening + minutes(&open[at])).max(0.1);
    }
    let (mut sum, mut cost) = (finds[at], opening + minutes(&open[at]));
    let mut best = sum / cost.max(0.1);
    for other in others {
        sum += finds[other];
        cost += minutes(&open[other]);
        best = best.max(sum / cost.max(0.1));
    }
    best
}

fn possible(
    analysis: &Analysis,
    knowledge: &Knowledge,
    faults: &[Fault],
    done: &[(String, Subject)],
) -> Vec<Open> {
    let mut out: Vec<Open> = Vec::new();
    for fault in faults {
        for (name, test) in
            knowledge.test.iter().filter(|(_, test)| test.finds.contains_key(&fault.class))
        {
            let Some(subject) = place(&fault.subject, test.at, analysis) else { continue };
            let same = |open: &Open| open.test == *name && open.subject == subject;
            if out.iter().any(same) || done.contains(&(name.clone(), subject.clone())) {
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
