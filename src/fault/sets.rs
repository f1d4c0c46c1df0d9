//! The smallest sets of faults that explain the symptoms, and how probable each fault is over all
//! of them.
//!
//! A set's weight is the product of its faults' odds before anything is seen and, symptom by
//! symptom, of how likely the best of its faults shows that symptom with those signs, or of the
//! leak where none does; what a fault usually shows and does not show here counts against it.
//! Adding a fault costs its prior, so the smallest set that covers the symptoms wins unless they
//! speak clearly for more. After: Wang, Hu and Lei, Actuators 2024, 13(9):358 (smallest sets of
//! trunk faults), with weights in place of counts.

use std::collections::BTreeSet;

use super::knowledge::{Knowledge, SymptomTable};
use super::readings::Observed;
use super::subject::Subject;
use super::symptoms::Symptom;
use crate::analysis::Analysis;

/// A fault that may be there.
#[derive(Clone, Debug, PartialEq)]
pub struct Fault {
    /// Its class.
    pub class: String,
    /// What it is about.
    pub subject: Subject,
    /// Its probability.
    pub probability: f64,
}

/// Sets kept at each size.
const BEAM: usize = 200;
/// Most faults at once.
const MOST: usize = 24;
/// Probability of a sign under a class that has no number for it.
const RARE: f64 = 0.01;

/// How likely a fault of a class shows a symptom with its signs; `None` where it cannot show it.
pub fn shows(knowledge: &Knowledge, class: &str, symptom: &Symptom) -> Option<f64> {
    let by = *knowledge.symptom.get(symptom.kind)?.by.get(class)?;
    let of_sign = |(table, value, _): &(&str, &str, String)| like(knowledge, table, value, class);
    Some(by * symptom.signs.iter().map(of_sign).product::<f64>())
}

/// How likely a class shows a value of a sign.
pub fn like(knowledge: &Knowledge, table: &str, value: &str, class: &str) -> f64 {
    let by = knowledge.sign.get(table).and_then(|sign| sign.value.get(value));
    by.and_then(|by| by.get(class)).copied().unwrap_or(RARE).max(1e-6)
}

/// How likely the symptom with its signs is without any fault here: any value of a sign alike.
fn leak(knowledge: &Knowledge, symptom: &Symptom) -> f64 {
    let leak = knowledge.symptom.get(symptom.kind).map_or(1.0, |table| table.leak);
    let values = |table: &str| knowledge.sign.get(table).map_or(1, |sign| sign.value.len().max(1));
    leak * symptom.signs.iter().map(|(table, ..)| 1.0 / values(table) as f64).product::<f64>()
}

/// Faults that could show the symptoms, and the set of them that explains all best.
#[derive(Clone, Debug)]
pub struct Explained {
    /// Most probable first.
    pub faults: Vec<Fault>,
    /// For each symptom, the fault of the best set that shows it; `None` where none does.
    pub by: Vec<Option<usize>>,
    /// Places in `faults` of the best set.
    pub best: BTreeSet<usize>,
}

/// Every fault that could show a symptom, with its probability. In a set that counts each fault is
/// the best explanation of something: one that explains nothing is no part of an explanation.
pub fn explain(
    report: &Analysis,
    knowledge: &Knowledge,
    symptoms: &[Symptom],
    readings: &[Observed],
) -> Explained {
    let faults = candidates(report, knowledge, symptoms);
    let table = Table::new(report, knowledge, &faults, symptoms, readings);
    let mut level: Vec<(BTreeSet<usize>, f64)> =
        vec![(BTreeSet::new(), table.weight(&BTreeSet::new()))];
    let mut seen = level.clone();
    for _ in 0..MOST {
        let mut next: Vec<(BTreeSet<usize>, f64)> = Vec::new();
        let mut known = BTreeSet::new();
        for (set, _) in &level {
            for fault in (0..faults.len()).filter(|fault| !set.contains(fault)) {
                let mut wider = set.clone();
                wider.insert(fault);
                if known.insert(wider.clone()) {
                    let weight = table.weight(&wider);
                    next.push((wider, weight));
                }
            }
        }
        next.sort_by(|a, b| b.1.total_cmp(&a.1).then_with(|| a.0.cmp(&b.0)));
        next.truncate(BEAM);
        // Wider sets only lose from here on.
        let best = seen.iter().map(|(_, weight)| *weight).fold(f64::MIN, f64::max);
        let done = next.first().is_none_or(|(_, weight)| *weight < best - 12.0);
        seen.extend(next.iter().cloned());
        level = next;
        if done {
            break;
        }
    }
    seen.extend(narrowed(&table, &seen));
    seen.retain(|(set, _)| table.is_needed(set));
    let best = seen.iter().map(|(_, weight)| *weight).fold(f64::MIN, f64::max);
    let chosen = seen
        .iter()
        .find(|(_, weight)| *weight == best)
        .map_or_else(BTreeSet::new, |(set, _)| set.clone());
    let total: f64 = seen.iter().map(|(_, weight)| (weight - best).exp()).sum();
    let probability = |fault: usize| {
        seen.iter()
            .filter(|(set, _)| set.contains(&fault))
            .map(|(_, weight)| (weight - best).exp())
            .sum::<f64>()
            / total
    };
    let probabilities: Vec<f64> = (0..faults.len()).map(probability).collect();
    let mut order: Vec<usize> = (0..faults.len()).collect();
    order.sort_by(|a, b| probabilities[*b].total_cmp(&probabilities[*a]));
    let place = |fault: usize| order.iter().position(|at| *at == fault).unwrap_or(0);
    Explained {
        by: (0..symptoms.len())
            .map(|symptom| table.explains(&chosen, symptom).map(place))
            .collect(),
        best: chosen.iter().map(|fault| place(*fault)).collect(),
        faults: order
            .iter()
            .map(|at| Fault { probability: probabilities[*at], ..faults[*at].clone() })
            .collect(),
    }
}

/// The best sets without the faults that later ones have made superfluous: growing alone never
/// takes one back.
fn narrowed(table: &Table, seen: &[(BTreeSet<usize>, f64)]) -> Vec<(BTreeSet<usize>, f64)> {
    let known: BTreeSet<&BTreeSet<usize>> = seen.iter().map(|(set, _)| set).collect();
    let mut order: Vec<&(BTreeSet<usize>, f64)> = seen.iter().collect();
    order.sort_by(|a, b| b.1.total_cmp(&a.1));
    let mut out: BTreeSet<BTreeSet<usize>> = BTreeSet::new();
    for (set, weight) in order.into_iter().take(BEAM) {
        let (mut set, mut weight) = (set.clone(), *weight);
        loop {
            let without = |fault: &usize| {
                let rest: BTreeSet<usize> =
                    set.iter().copied().filter(|other| other != fault).collect();
                (table.weight(&rest), rest)
            };
            match set.iter().map(without).max_by(|a, b| a.0.total_cmp(&b.0)) {
                Some((better, rest)) if better > weight => (set, weight) = (rest, better),
                _ => break,
            }
        }
        if !known.contains(&set) {
            out.insert(set);
        }
    }
    out.into_iter().map(|set| (set.clone(), table.weight(&set))).collect()
}

fn candidates(report: &Analysis, knowledge: &Knowledge, symptoms: &[Symptom]) -> Vec<Fault> {
    let mut out: Vec<Fault> = Vec::new();
    let places = symptoms.iter().map(|symptom| (symptom.kind, symptom.subject.clone()));
    for (kind, subject) in places.chain(unions(symptoms)) {
        let Some(table) = knowledge.symptom.get(kind) else { continue };
        for name in table.by.keys() {
            let class = &knowledge.class[name];
            let Some(subject) = subject.at(class.at, report) else { continue };
            let shows_it = |needed: &String| {
                symptoms.iter().any(|symptom| {
                    symptom.kind == needed && subject.covers(&symptom.subject, report)
                })
            };
            if !class.needs.as_ref().is_none_or(shows_it) {
                continue;
            }
            if !out.iter().any(|fault| fault.class == *name && fault.subject == subject) {
                out.push(Fault { class: name.clone(), subject, probability: 0.0 });
            }
        }
    }
    out
}

/// Nodes that fall silent together now in this company and now in that may hang on one branch all
/// the same.
fn unions(symptoms: &[Symptom]) -> Vec<(&'static str, Subject)> {
    let mut sets: Vec<BTreeSet<usize>> = Vec::new();
    for symptom in symptoms {
        let Subject::Nodes(nodes) = &symptom.subject else { continue };
        let mut wide: BTreeSet<usize> = nodes.iter().copied().collect();
        sets.retain(|set| {
            let apart = set.is_disjoint(&wide);
            if !apart {
                wide.extend(set.iter());
            }
            apart
        });
        sets.push(wide);
    }
    sets.into_iter()
        .map(|set| ("nodes_silent", Subject::Nodes(set.into_iter().collect())))
        .collect()
}

/// Logarithms: of each fault's odds, of each symptom under each fault and under none, and of each
/// reading.
struct Table {
    odds: Vec<f64>,
    shown: Vec<Vec<Option<f64>>>,
    leak: Vec<f64>,
    read: Vec<(Vec<Option<f64>>, f64)>,
}

impl Table {
    fn new(
        report: &Analysis,
        knowledge: &Knowledge,
        faults: &[Fault],
        symptoms: &[Symptom],
        readings: &[Observed],
    ) -> Self {
        // What a fault usually shows and does not show here speaks against it.
        let asked = !report.diagnosis.talks.is_empty() || !report.diagnosis.codes.is_empty();
        let absent = |fault: &Fault| {
            let missing = |kind: &str| {
                !symptoms.iter().any(|symptom| {
                    symptom.kind == kind && fault.subject.covers(&symptom.subject, report)
                })
            };
            let of = |(kind, table): (&String, &SymptomTable)| {
                table
                    .by
                    .get(&fault.class)
                    .filter(|_| (asked || !table.told) && missing(kind))
                    .map_or(0.0, |by| (1.0 - by).max(1e-3).ln())
            };
            knowledge.symptom.iter().map(of).sum::<f64>()
        };
        let odds = |fault: &Fault| {
            let prior = knowledge.class[&fault.class].prior;
            (prior / (1.0 - prior)).ln() + absent(fault)
        };
        let shown = |symptom: &Symptom| {
            let under = |fault: &Fault| {
                let covered = fault.subject.covers(&symptom.subject, report);
                shows(knowledge, &fault.class, symptom).filter(|_| covered).map(f64::ln)
            };
            faults.iter().map(under).collect()
        };
        let read = |reading: &Observed| {
            let under = |fault: &Fault| {
                let about = fault.subject.covers(&reading.subject, report)
                    || reading.subject.covers(&fault.subject, report);
                knowledge.reading[&reading.table]
                    .like
                    .get(&fault.class)
                    .filter(|_| about)
                    .map(|like| like[reading.place].max(1e-6).ln())
            };
            let sound =
                knowledge.reading[&reading.table].like["sound"][reading.place].max(1e-6).ln();
            (faults.iter().map(under).collect(), sound)
        };
        Table {
            odds: faults.iter().map(odds).collect(),
            shown: symptoms.iter().map(shown).collect(),
            leak: symptoms.iter().map(|symptom| leak(knowledge, symptom).ln()).collect(),
            read: readings.iter().map(read).collect(),
        }
    }

    /// The fault of a set that shows a symptom best, better than none.
    fn explains(&self, set: &BTreeSet<usize>, symptom: usize) -> Option<usize> {
        let shown = |fault: &usize| Some((*fault, self.shown[symptom][*fault]?));
        let best = set.iter().filter_map(shown).reduce(|a, b| if b.1 > a.1 { b } else { a });
        best.filter(|(_, weight)| *weight > self.leak[symptom]).map(|(fault, _)| fault)
    }

    /// Whether each fault of a set explains something better than the rest of the set does.
    fn is_needed(&self, set: &BTreeSet<usize>) -> bool {
        let shown = |symptom: usize, without: Option<usize>| {
            let rest = set.iter().filter(|fault| Some(**fault) != without);
            rest.filter_map(|fault| self.shown[symptom][*fault]).fold(self.leak[symptom], f64::max)
        };
        set.iter().all(|fault| {
            (0..self.shown.len())
                .any(|symptom| shown(symptom, None) > shown(symptom, Some(*fault)) + 1e-9)
        })
    }

    fn weight(&self, set: &BTreeSet<usize>) -> f64 {
        let odds: f64 = set.iter().map(|fault| self.odds[*fault]).sum();
        let best =
            |under: &[Option<f64>]| set.iter().filter_map(|fault| under[*fault]).reduce(f64::max);
        let symptoms: f64 = self
            .shown
            .iter()
            .zip(&self.leak)
            .map(|(under, leak)| best(under).map_or(*leak, |shown| shown.max(*leak)))
            .sum();
        let readings: f64 =
            self.read.iter().map(|(under, sound)| best(under).unwrap_or(*sound)).sum();
        odds + symptoms + readings
    }
}
