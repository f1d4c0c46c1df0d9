//! The smallest sets of faults that explain the symptoms, and how probable each fault is over all
//! of them (docs/findings.md).
//!
//! The weight of a set is a product. Each of its faults gives its odds before anything is seen.
//! Each symptom gives how likely the best of the faults shows it with its signs, or the leak where
//! none does. What a fault usually shows and does not show here counts against it.
//!
//! Adding a fault costs its prior, so the smallest set that covers the symptoms wins unless they
//! speak clearly for more. What the tables do not know competes too: something that shows any
//! symptom with any sign alike, so that no class is certain for want of another. After: Wang, Hu
//! and Lei, Actuators 2024, 13(9):358 (smallest sets of trunk faults), with weights in place of
//! counts.

use std::collections::BTreeSet;

use super::calibration::Calibration;
use super::knowledge::Knowledge;
use super::readings::ReadingTaken;
use super::symptoms::Symptom;
use super::weights::Table;
use crate::analysis::Analysis;
use crate::analysis::finding::ClassName;
use crate::analysis::subject::Subject;
use crate::analysis::symptom::{Setting, SymptomKind};
use crate::ids::NodeIndex;

/// A fault that may be there.
#[derive(Clone, Debug, PartialEq)]
pub struct Fault {
    /// Its class.
    pub class: ClassName,
    /// What it is about.
    pub subject: Subject,
    /// Its probability.
    pub probability: f64,
    /// What the tables come to, before the last step.
    pub uncalibrated: f64,
}

/// Sets kept at each size.
const BEAM: usize = 200;
/// Most faults at once.
const MOST_FAULTS: usize = 24;
/// Natural logarithm. Sets of one more fault whose best is this much lighter than the best so far
/// end the search: e^12 is 160,000 to one, and each further fault costs its prior again.
const HOPELESS: f64 = 12.0;

/// More than what the logarithms of two ways to one weight differ by through rounding.
const SLACK: f64 = 1e-6;

/// Faults, by their places in a list of them, in order, and the logarithm of their weight together.
#[derive(Clone, Debug)]
struct Weighed {
    faults: Vec<usize>,
    log_weight: f64,
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
    /// Probability that something is behind it for which there is no class.
    pub no_class: f64,
}

/// Every fault that could show a symptom, with its probability. In a set that counts each fault is
/// the best explanation of something: one that explains nothing is no part of an explanation.
pub fn explain(
    analysis: &Analysis,
    knowledge: &Knowledge,
    symptoms: &[Symptom],
    readings: &[ReadingTaken],
) -> Explained {
    let calibration = Calibration::built_in();
    let faults = candidates(analysis, knowledge, symptoms);
    // What was measured of such findings was measured without readings.
    let unread = (!readings.is_empty()).then(|| explain(analysis, knowledge, symptoms, &[]).faults);
    let measured = |fault: &Fault, own: f64| {
        let same = |other: &&Fault| other.class == fault.class && other.subject == fault.subject;
        match unread.as_ref().and_then(|unread| unread.iter().find(same)) {
            Some(before) => calibration.with_readings(&fault.class, before.uncalibrated, own),
            None => calibration.measured(&fault.class, own),
        }
    };
    let table = Table::new(analysis, knowledge, &faults, symptoms, readings);
    let mut sets = grown(&table);
    sets.extend(narrowed(&table, &sets));
    sets.retain(|set| table.is_needed(&set.faults));
    let best = heaviest(&sets);
    let chosen = sets
        .iter()
        .find(|set| set.log_weight == best)
        .map_or_else(Vec::new, |set| set.faults.clone());
    let weights: Vec<f64> = sets.iter().map(|set| (set.log_weight - best).exp()).collect();
    let total: f64 = weights.iter().sum();
    let mut with = vec![0.0; table.odds.len()];
    for (set, weight) in sets.iter().zip(&weights) {
        set.faults.iter().for_each(|fault| with[*fault] += weight);
    }
    // Behind the faults stands what there is no class for.
    let beyond = |set: &Weighed| set.faults.last().is_some_and(|fault| *fault >= faults.len());
    let without_class = sets.iter().zip(&weights).filter(|(set, _)| beyond(set));
    let of_no_class: f64 = without_class.map(|(_, weight)| *weight).sum();
    let probabilities: Vec<f64> = with[..faults.len()].iter().map(|with| with / total).collect();
    let mut order: Vec<usize> = (0..faults.len()).collect();
    order.sort_by(|a, b| probabilities[*b].total_cmp(&probabilities[*a]));
    let place = |fault: usize| order.iter().position(|at| *at == fault);
    Explained {
        by: table.explains(&chosen).into_iter().map(|fault| fault.and_then(place)).collect(),
        best: chosen.iter().filter_map(|fault| place(*fault)).collect(),
        no_class: of_no_class / total,
        faults: order
            .iter()
            .map(|at| Fault {
                probability: measured(&faults[*at], probabilities[*at]),
                uncalibrated: probabilities[*at],
                ..faults[*at].clone()
            })
            .collect(),
    }
}

fn weighed(table: &Table, faults: Vec<usize>) -> Weighed {
    Weighed { log_weight: table.weight(&faults), faults }
}

fn heaviest(sets: &[Weighed]) -> f64 {
    sets.iter().map(|set| set.log_weight).fold(f64::MIN, f64::max)
}

/// Sets of faults, from none upwards, the best of each size made one fault wider.
fn grown(table: &Table) -> Vec<Weighed> {
    let mut level = vec![weighed(table, Vec::new())];
    let mut seen = level.clone();
    for size in 1..=MOST_FAULTS {
        let next = wider(table, &level, size);
        // Wider sets only lose from here on.
        let best = heaviest(&seen);
        let done = next.first().is_none_or(|set| set.log_weight < best - HOPELESS);
        seen.extend(next.iter().cloned());
        level = next;
        if done {
            break;
        }
    }
    seen
}

/// A set with one more fault.
struct Wider {
    /// What it weighs, but for rounding.
    about: f64,
    /// The set, by its place.
    set: usize,
    fault: usize,
}

/// The best sets of so many faults that are one fault wider than these, best first. What each of
/// the many comes to is told from what the one fault adds, and only those that may be among the
/// best are made and weighed.
fn wider(table: &Table, level: &[Weighed], size: usize) -> Vec<Weighed> {
    let mut all: Vec<Wider> = Vec::new();
    for (at, set) in level.iter().enumerate() {
        let base = table.base(&set.faults);
        let others = (0..table.odds.len()).filter(|fault| set.faults.binary_search(fault).is_err());
        let with = |fault| Wider { about: base.with(fault), set: at, fault };
        let mut own: Vec<Wider> = others.map(with).collect();
        keep_best(&mut own, BEAM);
        all.append(&mut own);
    }
    // Each set may have been widened from as many as it has faults.
    keep_best(&mut all, BEAM * size);
    let made = |wider: Wider| {
        let mut faults = level[wider.set].faults.clone();
        faults.insert(faults.partition_point(|own| *own < wider.fault), wider.fault);
        faults
    };
    let distinct: BTreeSet<Vec<usize>> = all.into_iter().map(made).collect();
    let mut out: Vec<Weighed> = distinct.into_iter().map(|set| weighed(table, set)).collect();
    // Of those that weigh the same the first by their faults stays first.
    out.sort_by(|a, b| b.log_weight.total_cmp(&a.log_weight));
    out.truncate(BEAM);
    out
}

/// Takes out what is surely not among so many best, since rounding changes less.
fn keep_best(all: &mut Vec<Wider>, count: usize) {
    if all.len() > count {
        let (_, last, _) =
            all.select_nth_unstable_by(count - 1, |a, b| b.about.total_cmp(&a.about));
        let limit = last.about - SLACK;
        all.retain(|wider| wider.about >= limit);
    }
}

/// The best sets without the faults that later ones have made superfluous: growing alone never
/// takes one back.
fn narrowed(table: &Table, seen: &[Weighed]) -> Vec<Weighed> {
    let known: BTreeSet<&[usize]> = seen.iter().map(|set| set.faults.as_slice()).collect();
    let mut order: Vec<&Weighed> = seen.iter().collect();
    order.sort_by(|a, b| b.log_weight.total_cmp(&a.log_weight));
    let mut out: BTreeSet<Vec<usize>> = BTreeSet::new();
    for set in order.into_iter().take(BEAM) {
        let mut set = set.clone();
        loop {
            let without = |fault: &usize| {
                weighed(table, set.faults.iter().copied().filter(|other| other != fault).collect())
            };
            let lighter = set.faults.iter().map(without);
            match lighter.max_by(|a, b| a.log_weight.total_cmp(&b.log_weight)) {
                Some(rest) if rest.log_weight > set.log_weight => set = rest,
                _ => break,
            }
        }
        if !known.contains(set.faults.as_slice()) {
            out.insert(set.faults);
        }
    }
    out.into_iter().map(|faults| weighed(table, faults)).collect()
}

fn candidates(analysis: &Analysis, knowledge: &Knowledge, symptoms: &[Symptom]) -> Vec<Fault> {
    let mut out: Vec<Fault> = Vec::new();
    let places = symptoms.iter().map(|symptom| (symptom.kind(), symptom.subject.clone()));
    // A silent node that is called a gateway carries nothing over.
    let called = [Setting::CalledGateway, Setting::LoneGateway];
    let gateway = symptoms.iter().find(|symptom| called.contains(&symptom.setting));
    let gateway = gateway.map(|_| (SymptomKind::NotCarried, Subject::Vehicle));
    let more = unions(symptoms).into_iter().chain(perhaps_several(symptoms)).chain(gateway);
    for (kind, subject) in places.chain(more) {
        for name in knowledge.symptom[&kind].by.keys() {
            let class = &knowledge.class[name];
            let Some(subject) = subject.at(class.at, analysis) else { continue };
            if class.one_bus && !is_of_one_bus(analysis, &subject) {
                continue;
            }
            let shows_it = |needed: SymptomKind| {
                symptoms.iter().any(|symptom| {
                    let signed = class
                        .needs_sign
                        .is_none_or(|needed| symptom.signs.iter().any(|own| own.key().0 == needed));
                    symptom.kind() == needed && signed && subject.covers(&symptom.subject, analysis)
                })
            };
            if !class.needs.is_none_or(shows_it) {
                continue;
            }
            if !out.iter().any(|fault| fault.class == *name && fault.subject == subject) {
                out.push(Fault {
                    class: name.clone(),
                    subject,
                    probability: 0.0,
                    uncalibrated: 0.0,
                });
            }
        }
    }
    out
}

fn is_of_one_bus(analysis: &Analysis, subject: &Subject) -> bool {
    let nodes = subject.nodes();
    let channel = |node: &NodeIndex| analysis.nodes[*node].channel;
    nodes.iter().all(|node| channel(node) == channel(&nodes[0]))
}

/// What looks like one module and may be several, and what is missing in company: faults that
/// several share are possible too.
fn perhaps_several(symptoms: &[Symptom]) -> impl Iterator<Item = (SymptomKind, Subject)> {
    let several = symptoms.iter().filter(|symptom| symptom.several.is_some());
    let alone = several.map(|symptom| symptom.subject.nodes());
    let company = symptoms.iter().map(|symptom| symptom.company.as_slice());
    let unheard = symptoms.iter().filter(|symptom| !symptom.missed_with.is_empty());
    let unheard =
        unheard.map(|symptom| (symptom.kind(), Subject::Modules(symptom.missed_with.clone())));
    alone
        .chain(company.filter(|nodes| !nodes.is_empty()))
        .map(|nodes| (SymptomKind::NodesSilent, Subject::Nodes(nodes.to_vec())))
        .chain(unheard)
}

/// Nodes that fall silent together now in this company and now in that may hang on one branch all
/// the same.
fn unions(symptoms: &[Symptom]) -> Vec<(SymptomKind, Subject)> {
    let mut sets: Vec<BTreeSet<NodeIndex>> = Vec::new();
    for symptom in symptoms {
        let Subject::Nodes(nodes) = &symptom.subject else { continue };
        let mut wide: BTreeSet<NodeIndex> = nodes.iter().copied().collect();
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
        .map(|set| (SymptomKind::NodesSilent, Subject::Nodes(set.into_iter().collect())))
        .collect()
}

#[cfg(test)]
mod tests {
    use super::*;

    /// What one more fault adds is told without weighing the whole, and what is left out by it is
    /// none of the best: held against all wider sets, each weighed by itself.
    #[test]
    fn the_best_wider_sets_are_those_of_all() {
        let mut compared = 0;
        for table in (0..50).map(Table::invented) {
            let mut level = vec![weighed(&table, Vec::new())];
            for size in 1..=6 {
                let mut all: BTreeSet<Vec<usize>> = BTreeSet::new();
                for set in &level {
                    let base = table.base(&set.faults);
                    for fault in 0..table.odds.len() {
                        if set.faults.contains(&fault) {
                            continue;
                        }
                        let mut wide = set.faults.clone();
                        wide.push(fault);
                        wide.sort_unstable();
                        let apart = base.with(fault) - table.weight(&wide);
                        assert!(apart.abs() < SLACK / 2.0, "{apart} {wide:?}");
                        all.insert(wide);
                    }
                }
                let mut all: Vec<Weighed> =
                    all.into_iter().map(|set| weighed(&table, set)).collect();
                all.sort_by(|a, b| b.log_weight.total_cmp(&a.log_weight));
                all.truncate(BEAM);
                compared += usize::from(all.len() == BEAM);
                level = wider(&table, &level, size);
                let faults = |sets: &[Weighed]| -> Vec<Vec<usize>> {
                    sets.iter().map(|set| set.faults.clone()).collect()
                };
                assert_eq!(faults(&level), faults(&all));
            }
        }
        assert!(compared > 0, "no set was ever left out");
    }

    /// A fault is needed where without it the best of a symptom would be worse.
    #[test]
    fn what_is_needed_makes_a_difference() {
        for table in (0..50).map(Table::invented) {
            for set in grown(&table) {
                let without = |fault: &usize| {
                    let rest: Vec<usize> =
                        set.faults.iter().copied().filter(|other| other != fault).collect();
                    table.explains(&rest)
                };
                let all = table.explains(&set.faults);
                // Faults that show a symptom alike are told apart by their places only.
                if table.is_needed(&set.faults) {
                    assert!(set.faults.iter().all(|fault| without(fault) != all));
                }
            }
        }
    }
}
