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
const MOST: usize = 24;
/// Natural logarithm. Sets of one more fault whose best is this much lighter than the best so far
/// end the search: e^12 is 160,000 to one, and each further fault costs its prior again.
const HOPELESS: f64 = 12.0;

/// Faults, by their places in a list of them, and the logarithm of their weight together.
#[derive(Clone, Debug)]
struct Weighed {
    faults: BTreeSet<usize>,
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
        .map_or_else(BTreeSet::new, |set| set.faults.clone());
    let total: f64 = sets.iter().map(|set| (set.log_weight - best).exp()).sum();
    let share = |wanted: &dyn Fn(&Weighed) -> bool| {
        let with = sets.iter().filter(|set| wanted(set));
        with.map(|set| (set.log_weight - best).exp()).sum::<f64>() / total
    };
    let probability = |fault: usize| share(&|set: &Weighed| set.faults.contains(&fault));
    let probabilities: Vec<f64> = (0..faults.len()).map(probability).collect();
    let mut order: Vec<usize> = (0..faults.len()).collect();
    order.sort_by(|a, b| probabilities[*b].total_cmp(&probabilities[*a]));
    let place = |fault: usize| order.iter().position(|at| *at == fault);
    Explained {
        by: (0..symptoms.len())
            .map(|symptom| table.explains(&chosen, symptom).and_then(place))
            .collect(),
        best: chosen.iter().filter_map(|fault| place(*fault)).collect(),
        no_class: share(&|set: &Weighed| set.faults.iter().any(|fault| *fault >= faults.len())),
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

fn weighed(table: &Table, faults: BTreeSet<usize>) -> Weighed {
    Weighed { log_weight: table.weight(&faults), faults }
}

fn heaviest(sets: &[Weighed]) -> f64 {
    sets.iter().map(|set| set.log_weight).fold(f64::MIN, f64::max)
}

/// Sets of faults, from none upwards, the best of each size made one fault wider.
fn grown(table: &Table) -> Vec<Weighed> {
    let mut level = vec![weighed(table, BTreeSet::new())];
    let mut seen = level.clone();
    for _ in 0..MOST {
        let mut next: Vec<Weighed> = Vec::new();
        let mut known = BTreeSet::new();
        for set in &level {
            for fault in (0..table.odds.len()).filter(|fault| !set.faults.contains(fault)) {
                let mut wider = set.faults.clone();
                wider.insert(fault);
                if known.insert(wider.clone()) {
                    next.push(weighed(table, wider));
                }
            }
        }
        next.sort_by(|a, b| {
            b.log_weight.total_cmp(&a.log_weight).then_with(|| a.faults.cmp(&b.faults))
        });
        next.truncate(BEAM);
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

/// The best sets without the faults that later ones have made superfluous: growing alone never
/// takes one back.
fn narrowed(table: &Table, seen: &[Weighed]) -> Vec<Weighed> {
    let known: BTreeSet<&BTreeSet<usize>> = seen.iter().map(|set| &set.faults).collect();
    let mut order: Vec<&Weighed> = seen.iter().collect();
    order.sort_by(|a, b| b.log_weight.total_cmp(&a.log_weight));
    let mut out: BTreeSet<BTreeSet<usize>> = BTreeSet::new();
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
        if !known.contains(&set.faults) {
            out.insert(set.faults);
        }
    }
    out.into_iter().map(|faults| weighed(table, faults)).collect()
}

fn candidates(analysis: &Analysis, knowledge: &Knowledge, symptoms: &[Symptom]) -> Vec<Fault> {
    let mut out: Vec<Fault> = Vec::new();
    let places = symptoms.iter().map(|symptom| (symptom.kind(), symptom.subject.clone()));
    // A silent node that is called a gateway carries nothing over.
    let gateway = symptoms.iter().find(|symptom| symptom.setting == Setting::CalledGateway);
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
