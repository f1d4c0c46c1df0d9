//! The smallest sets of faults that explain the symptoms, and how probable each fault is over all
//! of them (docs/findings.md).
//!
//! The weight of a set is a product. Each of its faults gives its odds before anything is seen.
//! Each symptom gives how likely the best of the faults shows it with its signs, or the leak where
//! none does. What a fault usually shows and does not show here counts against it.
//!
//! Adding a fault costs its prior, so the smallest set that covers the symptoms wins unless they
//! speak clearly for more. After: Wang, Hu and Lei, Actuators 2024, 13(9):358 (smallest sets of
//! trunk faults), with weights in place of counts.

use std::collections::BTreeSet;

use super::knowledge::{Knowledge, SymptomTable};
use super::readings::Observed;
use super::symptoms::Symptom;
use crate::analysis::Analysis;
use crate::analysis::finding::ClassName;
use crate::analysis::subject::Subject;
use crate::analysis::symptom::{Sign, SymptomKind};
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
}

/// Sets kept at each size.
const BEAM: usize = 200;
/// Most faults at once.
const MOST: usize = 24;
/// Probability of a sign under a class that has no number for it.
const RARE: f64 = 0.01;
/// No number of the tables is taken for less: a zero there means "hardly ever", and one of them
/// must not outweigh everything else.
const LEAST: f64 = 1e-6;
/// The same for a symptom that stays away though a class nearly always shows it: a capture is
/// short, and may have missed it.
const LEAST_ABSENT: f64 = 1e-3;
/// Natural logarithm. Sets of one more fault whose best is this much lighter than the best so far
/// end the search: e^12 is 160,000 to one, and each further fault costs its prior again.
const HOPELESS: f64 = 12.0;
/// Natural logarithm below which two weights differ by rounding only.
const ROUNDING: f64 = 1e-9;

/// How likely a fault of a class shows a symptom with its signs; `None` where it cannot show it.
pub fn shows(knowledge: &Knowledge, class: &ClassName, symptom: &Symptom) -> Option<f64> {
    let by = *knowledge.symptom[&symptom.kind()].by.get(class)?;
    Some(by * symptom.signs.iter().map(|sign| like(knowledge, sign, class)).product::<f64>())
}

/// How likely a class shows a sign.
pub fn like(knowledge: &Knowledge, sign: &Sign, class: &ClassName) -> f64 {
    let (name, value) = sign.key();
    let by = knowledge.sign[&name].value.get(&value);
    by.and_then(|by| by.get(class)).copied().unwrap_or(RARE).max(LEAST)
}

/// How likely the symptom with its signs is without any fault here: any value of a sign alike.
fn leak(knowledge: &Knowledge, symptom: &Symptom) -> f64 {
    let values = |sign: &Sign| knowledge.sign[&sign.key().0].value.len().max(1);
    let signs: f64 = symptom.signs.iter().map(|sign| 1.0 / values(sign) as f64).product();
    knowledge.symptom[&symptom.kind()].leak * signs
}

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
}

/// Every fault that could show a symptom, with its probability. In a set that counts each fault is
/// the best explanation of something: one that explains nothing is no part of an explanation.
pub fn explain(
    analysis: &Analysis,
    knowledge: &Knowledge,
    symptoms: &[Symptom],
    readings: &[Observed],
) -> Explained {
    let faults = candidates(analysis, knowledge, symptoms);
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
    let probability = |fault: usize| {
        let with = sets.iter().filter(|set| set.faults.contains(&fault));
        with.map(|set| (set.log_weight - best).exp()).sum::<f64>() / total
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

fn heaviest(sets: &[Weighed]) -> f64 {
    sets.iter().map(|set| set.log_weight).fold(f64::MIN, f64::max)
}

/// Sets of faults, from none upwards, the best of each size made one fault wider.
fn grown(table: &Table) -> Vec<Weighed> {
    let mut level = vec![table.weighed(BTreeSet::new())];
    let mut seen = level.clone();
    for _ in 0..MOST {
        let mut next: Vec<Weighed> = Vec::new();
        let mut known = BTreeSet::new();
        for set in &level {
            for fault in (0..table.odds.len()).filter(|fault| !set.faults.contains(fault)) {
                let mut wider = set.faults.clone();
                wider.insert(fault);
                if known.insert(wider.clone()) {
                    next.push(table.weighed(wider));
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
                table.weighed(set.faults.iter().copied().filter(|other| other != fault).collect())
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
    out.into_iter().map(|faults| table.weighed(faults)).collect()
}

fn candidates(analysis: &Analysis, knowledge: &Knowledge, symptoms: &[Symptom]) -> Vec<Fault> {
    let mut out: Vec<Fault> = Vec::new();
    let places = symptoms.iter().map(|symptom| (symptom.kind(), symptom.subject.clone()));
    for (kind, subject) in places.chain(unions(symptoms)) {
        for name in knowledge.symptom[&kind].by.keys() {
            let class = &knowledge.class[name];
            let Some(subject) = subject.at(class.at, analysis) else { continue };
            let shows_it = |needed: SymptomKind| {
                symptoms.iter().any(|symptom| {
                    symptom.kind() == needed && subject.covers(&symptom.subject, analysis)
                })
            };
            if !class.needs.is_none_or(shows_it) {
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

/// What the weights are made of, all as natural logarithms.
struct Table {
    /// Of each fault: its odds before anything is seen, less what it ought to show and does not.
    odds: Vec<f64>,
    /// Of each symptom, by fault: how likely it is; `None` where the fault cannot show it.
    shown: Vec<Vec<Option<f64>>>,
    /// Of each symptom: how likely it is without any fault.
    leak: Vec<f64>,
    /// Of each reading.
    read: Vec<Read>,
}

/// How likely a reading is.
struct Read {
    /// By fault; `None` where the fault is not about what was measured.
    under: Vec<Option<f64>>,
    /// Without any fault.
    sound: f64,
}

impl Table {
    fn new(
        analysis: &Analysis,
        knowledge: &Knowledge,
        faults: &[Fault],
        symptoms: &[Symptom],
        readings: &[Observed],
    ) -> Self {
        // What a fault usually shows and does not show here speaks against it.
        let asked = !analysis.diagnosis.talks.is_empty() || !analysis.diagnosis.codes.is_empty();
        let absent = |fault: &Fault| {
            let missing = |kind: SymptomKind| {
                !symptoms.iter().any(|symptom| {
                    symptom.kind() == kind && fault.subject.covers(&symptom.subject, analysis)
                })
            };
            let of = |(kind, table): (&SymptomKind, &SymptomTable)| {
                table
                    .by
                    .get(&fault.class)
                    .filter(|_| (asked || !table.told) && missing(*kind))
                    .map_or(0.0, |by| (1.0 - by).max(LEAST_ABSENT).ln())
            };
            knowledge.symptom.iter().map(of).sum::<f64>()
        };
        let odds = |fault: &Fault| {
            let prior = knowledge.class[&fault.class].prior;
            (prior / (1.0 - prior)).ln() + absent(fault)
        };
        let shown = |symptom: &Symptom| {
            let under = |fault: &Fault| {
                let covered = fault.subject.covers(&symptom.subject, analysis);
                shows(knowledge, &fault.class, symptom).filter(|_| covered).map(f64::ln)
            };
            faults.iter().map(under).collect()
        };
        let read = |reading: &Observed| {
            let under = |fault: &Fault| {
                let about = fault.subject.covers(&reading.reading.subject, analysis)
                    || reading.reading.subject.covers(&fault.subject, analysis);
                knowledge.reading[&reading.table]
                    .like
                    .get(&fault.class)
                    .filter(|_| about)
                    .map(|like| like[reading.place].max(LEAST).ln())
            };
            let sound = knowledge.reading[&reading.table].like[&ClassName::SOUND][reading.place]
                .max(LEAST)
                .ln();
            Read { under: faults.iter().map(under).collect(), sound }
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
                .any(|symptom| shown(symptom, None) > shown(symptom, Some(*fault)) + ROUNDING)
        })
    }

    fn weighed(&self, faults: BTreeSet<usize>) -> Weighed {
        Weighed { log_weight: self.weight(&faults), faults }
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
            self.read.iter().map(|read| best(&read.under).unwrap_or(read.sound)).sum();
        odds + symptoms + readings
    }
}
