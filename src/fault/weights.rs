//! What sets of faults weigh: how likely each fault is, and what it shows (docs/findings.md).

use std::collections::BTreeSet;

use super::knowledge::Knowledge;
use super::readings::ReadingTaken;
use super::seen::{OF_ONE, Seen, log_odds};
use super::sets::Fault;
use super::symptoms::Symptom;
use crate::analysis::Analysis;
use crate::analysis::finding::ClassName;
use crate::analysis::subject::Subject;
use crate::analysis::symptom::{Setting, Sign, SymptomKind};

/// Probability of a sign under a class that has no number for it.
const RARE: f64 = 0.01;
/// How likely what strikes several shows at one of them alone, now and then: a short loss shows at
/// the one whose messages come fastest, or that takes longest to start (common practice, no
/// source).
const IN_PART: f64 = 0.3;
/// No number of the tables is taken for less: a zero there means "hardly ever", and one of them
/// must not outweigh everything else.
pub const LEAST: f64 = 1e-6;
/// The same for a symptom that stays away though a class nearly always shows it: a capture is
/// short, and may have missed it.
pub const LEAST_ABSENT: f64 = 1e-3;
/// How much alike the codes are that modules hold about others that are not on this bus: one cause
/// is behind most of them, and eight of them are not eight witnesses (common practice, no source).
const ALIKE: f64 = 0.5;
/// Natural logarithm below which two weights differ by rounding only.
const ROUNDING: f64 = 1e-9;

/// How likely a fault of a class shows a symptom with its signs; `None` where it cannot show it.
pub fn shows(knowledge: &Knowledge, fault: &Fault, symptom: &Symptom) -> Option<f64> {
    let (class, by) = by(knowledge, fault, symptom)?;
    Some(by * symptom.signs.iter().map(|sign| like(knowledge, sign, class)).product::<f64>())
}

/// How likely a fault of a class shows a symptom, whatever its signs, and the class whose signs it
/// has: its own, or where several modules look like one that of one. What may be one module or
/// several is shown by what strikes one, and by what strikes several as far as there are several.
/// What is missing in company is one of several, and so is what is lost as a rule with others.
pub fn by<'k>(
    knowledge: &'k Knowledge,
    fault: &'k Fault,
    symptom: &Symptom,
) -> Option<(&'k ClassName, f64)> {
    let class = &fault.class;
    let table = &knowledge.symptom[&symptom.kind()];
    if symptom.stranger.as_ref() == Some(&fault.subject) {
        match table.of_stranger.get(class) {
            Some(by) => return Some((class, *by)),
            None if symptom.subject != fault.subject => return None,
            None => {}
        }
    }
    let own = table.shown_by(class, symptom.setting);
    if is_seen_as_one(fault) && OF_ONE.contains(&symptom.kind()) {
        let alone = knowledge.class[class].alone.as_ref()?;
        return table.shown_by(alone, symptom.setting).map(|by| (alone, by));
    }
    let together = (!symptom.company.is_empty()).then_some(1.0);
    let in_part = symptom.is_within(&fault.subject).then_some(IN_PART);
    let Some(odds) = together.or(symptom.several) else {
        let alone = knowledge.class[class].alone.as_ref();
        return own.map(|by| (class, by)).or_else(|| Some((alone?, in_part?)));
    };
    let kind = match symptom.setting {
        Setting::PerhapsOff => SymptomKind::PerhapsOff,
        _ => SymptomKind::NodesSilent,
    };
    let of_several = knowledge.symptom[&kind].by.get(class).copied();
    let signs = if own.is_some() { class } else { knowledge.class[class].alone.as_ref()? };
    let of_several = (odds * of_several.unwrap_or(0.0)).max(in_part.unwrap_or(0.0));
    Some((signs, own.unwrap_or(0.0) + of_several))
}

/// Whether it strikes several modules that look like one: their errors are those of one, too.
fn is_seen_as_one(fault: &Fault) -> bool {
    matches!(&fault.subject, Subject::Nodes(nodes) if nodes.len() == 1)
}

/// How likely a class shows a sign.
pub fn like(knowledge: &Knowledge, sign: &Sign, class: &ClassName) -> f64 {
    let (name, value) = sign.key();
    let by = knowledge.sign[&name].value.get(&value);
    by.and_then(|by| by.get(class)).copied().unwrap_or(RARE).max(LEAST)
}

/// How likely the symptom with its signs is without any fault here: any value of a sign alike.
fn leak(knowledge: &Knowledge, symptom: &Symptom) -> f64 {
    knowledge.symptom[&symptom.kind()].leak(symptom.setting) * any_signs(knowledge, symptom)
}

/// How likely something for which there is no class shows a symptom: any value of its signs alike.
fn shown_by_anything(knowledge: &Knowledge, symptom: &Symptom) -> f64 {
    knowledge.no_class.by * any_signs(knowledge, symptom)
}

/// How likely the signs of a symptom are where any value of each is as likely as any other.
fn any_signs(knowledge: &Knowledge, symptom: &Symptom) -> f64 {
    let values = |sign: &Sign| knowledge.sign[&sign.key().0].value.len().max(1);
    symptom.signs.iter().map(|sign| 1.0 / values(sign) as f64).product()
}

/// How much each symptom counts, as a factor of its logarithm. A symptom counts in full, but for
/// what modules tell of others: one cause is likely behind several codes of one kind, and `n` of
/// them count as much as `n / (1 + (n - 1) * ALIKE)` that nothing connects.
fn counted(symptoms: &[Symptom]) -> Vec<f64> {
    let told = |symptom: &Symptom| {
        use SymptomKind::{MissedByOthers, NoAnswer, OwnBusOff};
        matches!(symptom.kind(), MissedByOthers | NoAnswer | OwnBusOff)
            && matches!(symptom.subject, Subject::Module(_))
    };
    let alike = |symptom: &Symptom| {
        symptoms.iter().filter(|other| told(other) && other.kind() == symptom.kind()).count()
    };
    let of = |symptom: &Symptom| match told(symptom) {
        true => 1.0 / (1.0 + (alike(symptom) as f64 - 1.0) * ALIKE),
        false => 1.0,
    };
    symptoms.iter().map(of).collect()
}

/// What the weights are made of, all as natural logarithms. Behind the faults there is one more for
/// each thing that symptoms are about: something there for which there is no class.
pub struct Table {
    /// Of each fault: its odds before anything is seen, less what it ought to show and does not.
    pub odds: Vec<f64>,
    /// Codes of each symptom.
    codes: Vec<f64>,
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
    /// It speaks of the codes, and so of each fault as far as codes are its.
    of_codes: bool,
}

impl Table {
    /// For these faults, and what is seen and read.
    pub fn new(
        analysis: &Analysis,
        knowledge: &Knowledge,
        faults: &[Fault],
        symptoms: &[Symptom],
        readings: &[ReadingTaken],
    ) -> Self {
        let seen = Seen::new(analysis, knowledge, symptoms, readings);
        let counted = counted(symptoms);
        let mut places: Vec<&Subject> = symptoms.iter().map(|symptom| &symptom.subject).collect();
        places.sort_unstable();
        places.dedup();
        let shown = |(symptom, counted): (&Symptom, &f64)| {
            let anything = |about: &&Subject| {
                let here = symptom.subject == **about;
                here.then(|| shown_by_anything(knowledge, symptom))
            };
            let under = faults.iter().map(|fault| seen.shown(fault, symptom));
            let all = under.chain(places.iter().map(anything));
            all.map(|shown| Some(shown?.ln() * counted)).collect()
        };
        let read = |reading: &ReadingTaken| {
            let under = faults.iter().map(|fault| seen.read(fault, reading));
            Read {
                under: under.chain(places.iter().map(|_| None)).collect(),
                sound: seen.read_if_sound(reading),
                of_codes: knowledge.reading[&reading.table].of_codes,
            }
        };
        let no_class = log_odds(knowledge.no_class.prior);
        let odds = faults.iter().map(|fault| seen.odds(fault));
        let leak = |(symptom, counted): (&Symptom, &f64)| leak(knowledge, symptom).ln() * counted;
        Table {
            odds: odds.chain(places.iter().map(|_| no_class)).collect(),
            codes: symptoms.iter().map(|symptom| symptom.codes.len() as f64).collect(),
            shown: symptoms.iter().zip(&counted).map(shown).collect(),
            leak: symptoms.iter().zip(&counted).map(leak).collect(),
            read: readings.iter().map(read).collect(),
        }
    }

    /// How likely a reading of the codes is under a set: of each fault as far as codes are its.
    fn of_codes(&self, set: &BTreeSet<usize>, read: &Read) -> f64 {
        let all: f64 = self.codes.iter().sum();
        let like = |symptom: usize| {
            let fault = self.explains(set, symptom);
            fault.and_then(|fault| read.under[fault]).unwrap_or(read.sound).exp()
        };
        let share = |symptom: usize| self.codes[symptom] / all * like(symptom);
        let sum: f64 = (0..self.codes.len()).map(share).sum();
        sum.max(LEAST).ln()
    }

    /// The fault of a set that shows a symptom best, better than none.
    pub fn explains(&self, set: &BTreeSet<usize>, symptom: usize) -> Option<usize> {
        let shown = |fault: &usize| Some((*fault, self.shown[symptom][*fault]?));
        let best = set.iter().filter_map(shown).reduce(|a, b| if b.1 > a.1 { b } else { a });
        best.filter(|(_, weight)| *weight > self.leak[symptom]).map(|(fault, _)| fault)
    }

    /// Whether each fault of a set explains something better than the rest of the set does.
    pub fn is_needed(&self, set: &BTreeSet<usize>) -> bool {
        let shown = |symptom: usize, without: Option<usize>| {
            let rest = set.iter().filter(|fault| Some(**fault) != without);
            rest.filter_map(|fault| self.shown[symptom][*fault]).fold(self.leak[symptom], f64::max)
        };
        set.iter().all(|fault| {
            (0..self.shown.len())
                .any(|symptom| shown(symptom, None) > shown(symptom, Some(*fault)) + ROUNDING)
        })
    }

    /// The weight of a set of faults, given by their places.
    pub fn weight(&self, set: &BTreeSet<usize>) -> f64 {
        let odds: f64 = set.iter().map(|fault| self.odds[*fault]).sum();
        let best =
            |under: &[Option<f64>]| set.iter().filter_map(|fault| under[*fault]).reduce(f64::max);
        let symptoms: f64 = self
            .shown
            .iter()
            .zip(&self.leak)
            .map(|(under, leak)| best(under).map_or(*leak, |shown| shown.max(*leak)))
            .sum();
        let has_codes = self.codes.iter().any(|codes| *codes > 0.0);
        let of = |read: &Read| match read.of_codes && has_codes {
            true => self.of_codes(set, read),
            false => best(&read.under).unwrap_or(read.sound),
        };
        let readings: f64 = self.read.iter().map(of).sum();
        odds + symptoms + readings
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::analysis::symptom::Fact;
    use crate::ids::NodeIndex;

    /// What looks like one module and may be several has the errors of one: its branch shows them
    /// as a stub would, and the branch of two known modules hardly ever.
    #[test]
    fn errors_of_what_may_be_several_are_as_much_their_branch_s() {
        let knowledge = Knowledge::built_in();
        let node = NodeIndex(0);
        let errors = Fact::SenderLacks { times: 20, of: 20, share: 0.01 };
        let symptom = Symptom::new(Subject::Node(node), errors);
        let (branch, stub) = ["branch", "module_connector"]
            .map(|name| knowledge.class.keys().find(|class| class.as_str() == name).unwrap())
            .into();
        let shown = |class: &ClassName, subject: Subject| {
            let fault =
                Fault { class: class.clone(), subject, probability: 0.0, uncalibrated: 0.0 };
            by(knowledge, &fault, &symptom).unwrap().1
        };
        let of_one = shown(branch, Subject::Nodes(vec![node]));
        assert_eq!(of_one, shown(stub, Subject::Node(node)));
        assert!(shown(branch, Subject::Nodes(vec![node, NodeIndex(1)])) < 0.1 * of_one);
    }
}
