//! What sets of faults weigh: how likely each fault is, and what it shows (docs/findings.md).

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
    if symptom.setting == Setting::LoneGateway
        && symptom.kind() == SymptomKind::MissedByOthers
        && *class == ClassName::GATEWAY
    {
        // What frames say of a lost gateway they say as of any module.
        let alone = knowledge.class[class].alone.as_ref()?;
        return own.map(|by| (alone, by));
    }
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
    /// Of each symptom: its share in all codes.
    codes: Vec<f64>,
    /// Of each fault, the symptoms that it shows better than none does, and how likely they are: a
    /// few of all, so that one more fault costs no more than these.
    shown: Vec<Vec<(usize, f64)>>,
    /// Of each symptom: how likely it is without any fault.
    leak: Vec<f64>,
    /// Of each reading.
    read: Vec<Read>,
}

/// How likely a reading is.
struct Read {
    /// By fault; `None` where the fault is not about what was measured.
    under: Vec<Option<f64>>,
    /// By fault, and no logarithm: as without any where it is not about what was measured.
    like: Vec<f64>,
    /// Without any fault.
    sound: f64,
    /// It speaks of the codes, and so of each fault as far as codes are its.
    of_codes: bool,
}

/// Of each symptom, how likely the best of a set of faults shows it, and which that is; `None`
/// where none shows it better than none does.
type Best = Vec<(f64, Option<usize>)>;

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
        let leak: Vec<f64> = symptoms
            .iter()
            .zip(&counted)
            .map(|(symptom, counted)| leak(knowledge, symptom).ln() * counted)
            .collect();
        let better = |likely: &dyn Fn(&Symptom) -> Option<f64>| -> Vec<(usize, f64)> {
            let of = |at: usize| Some((at, likely(&symptoms[at])?.ln() * counted[at]));
            (0..symptoms.len()).filter_map(of).filter(|(at, shown)| *shown > leak[*at]).collect()
        };
        let under = |fault: &Fault| better(&|symptom| seen.shown(fault, symptom));
        let anything = |about: &&Subject| {
            better(&|symptom| {
                (symptom.subject == **about).then(|| shown_by_anything(knowledge, symptom))
            })
        };
        let codes: Vec<f64> = symptoms.iter().map(|symptom| symptom.codes.len() as f64).collect();
        let all_codes: f64 = codes.iter().sum();
        let read = |reading: &ReadingTaken| {
            let under = faults.iter().map(|fault| seen.read(fault, reading));
            let under: Vec<Option<f64>> = under.chain(places.iter().map(|_| None)).collect();
            let sound = seen.read_if_sound(reading);
            Read {
                like: under.iter().map(|under| under.unwrap_or(sound).exp()).collect(),
                under,
                sound,
                of_codes: all_codes > 0.0 && knowledge.reading[&reading.table].of_codes,
            }
        };
        let no_class = log_odds(knowledge.no_class.prior);
        let odds = faults.iter().map(|fault| seen.odds(fault));
        Table {
            odds: odds.chain(places.iter().map(|_| no_class)).collect(),
            codes: codes.iter().map(|codes| codes / all_codes).collect(),
            shown: faults.iter().map(under).chain(places.iter().map(anything)).collect(),
            read: readings.iter().map(read).collect(),
            leak,
        }
    }

    fn best(&self, set: &[usize]) -> Best {
        let mut best: Best = self.leak.iter().map(|leak| (*leak, None)).collect();
        for fault in set {
            for (symptom, shown) in &self.shown[*fault] {
                if *shown > best[*symptom].0 {
                    best[*symptom] = (*shown, Some(*fault));
                }
            }
        }
        best
    }

    /// How likely a reading of the codes is: of each fault as far as codes are its.
    fn of_codes(&self, best: &Best, read: &Read) -> f64 {
        let share = |(codes, (_, by)): (&f64, &(f64, Option<usize>))| codes * read.like_by(*by);
        self.codes.iter().zip(best).map(share).sum()
    }

    /// Of each symptom the fault of a set that shows it best, better than none.
    pub fn explains(&self, set: &[usize]) -> Vec<Option<usize>> {
        self.best(set).into_iter().map(|(_, by)| by).collect()
    }

    /// Whether each fault of a set explains something better than the rest of the set does.
    pub fn is_needed(&self, set: &[usize]) -> bool {
        // The best of each symptom, the best without that one, and which it is.
        let mut best: Vec<(f64, f64, Option<usize>)> =
            self.leak.iter().map(|leak| (*leak, *leak, None)).collect();
        for fault in set {
            for (symptom, shown) in &self.shown[*fault] {
                let (first, second, _) = best[*symptom];
                if *shown > first {
                    best[*symptom] = (*shown, first, Some(*fault));
                } else {
                    best[*symptom].1 = second.max(*shown);
                }
            }
        }
        let clear = best.iter().filter(|(first, second, _)| *first > second + ROUNDING);
        let mut needed: Vec<usize> = clear.filter_map(|(.., by)| *by).collect();
        needed.sort_unstable();
        needed.dedup();
        needed.len() == set.len()
    }

    /// The weight of a set of faults, given by their places, in order.
    pub fn weight(&self, set: &[usize]) -> f64 {
        self.weight_of(set, &self.best(set))
    }

    fn weight_of(&self, set: &[usize], best: &Best) -> f64 {
        let odds: f64 = set.iter().map(|fault| self.odds[*fault]).sum();
        let symptoms: f64 = best.iter().map(|(shown, _)| *shown).sum();
        let of = |read: &Read| match read.of_codes {
            true => self.of_codes(best, read).max(LEAST).ln(),
            false => read.best(set).unwrap_or(read.sound),
        };
        let readings: f64 = self.read.iter().map(of).sum();
        odds + symptoms + readings
    }

    /// A set, to try with one more fault.
    pub fn base(&self, set: &[usize]) -> Base<'_> {
        let best = self.best(set);
        let read = |read: &Read| match read.of_codes {
            true => Some(self.of_codes(&best, read)),
            false => read.best(set),
        };
        Base {
            table: self,
            weight: self.weight_of(set, &best),
            read: self.read.iter().map(read).collect(),
            best,
        }
    }
}

impl Read {
    fn best(&self, set: &[usize]) -> Option<f64> {
        set.iter().filter_map(|fault| self.under[*fault]).reduce(f64::max)
    }

    fn like_by(&self, fault: Option<usize>) -> f64 {
        fault.map_or_else(|| self.sound.exp(), |fault| self.like[fault])
    }
}

/// What a set comes to, so that one more fault costs only what it shows itself.
pub struct Base<'t> {
    table: &'t Table,
    weight: f64,
    best: Best,
    /// Of each reading: the sum over the codes, or the best of the faults that it is about.
    read: Vec<Option<f64>>,
}

impl Base<'_> {
    /// What the set weighs with one more fault, but for rounding: see [`Table::weight`].
    pub fn with(&self, fault: usize) -> f64 {
        let shown = &self.table.shown[fault];
        let better = |(symptom, shown): &(usize, f64)| (shown - self.best[*symptom].0).max(0.0);
        let symptoms: f64 = shown.iter().map(better).sum();
        let readings = self.table.read.iter().zip(&self.read).map(|(read, now)| {
            match (read.of_codes, *now, read.under[fault]) {
                (true, Some(now), _) => {
                    let then = now + self.codes_taken(fault, read);
                    then.max(LEAST).ln() - now.max(LEAST).ln()
                }
                (false, Some(now), Some(own)) => (own - now).max(0.0),
                (false, None, Some(own)) => own - read.sound,
                _ => 0.0,
            }
        });
        self.weight + self.table.odds[fault] + symptoms + readings.sum::<f64>()
    }

    /// What the sum over the codes gains where a fault takes them over; of two that show a symptom
    /// alike the first has them.
    fn codes_taken(&self, fault: usize, read: &Read) -> f64 {
        let taken = |(symptom, shown): &(usize, f64)| {
            let (best, by) = self.best[*symptom];
            let takes = *shown > best || *shown == best && by > Some(fault);
            let change = || read.like[fault] - read.like_by(by);
            if takes { self.table.codes[*symptom] * change() } else { 0.0 }
        };
        self.table.shown[fault].iter().map(taken).sum()
    }
}

#[cfg(test)]
impl Table {
    /// Weights of no vehicle: 12 faults, 8 symptoms, a reading of the codes and another one. Many
    /// are alike.
    pub fn invented(seed: u32) -> Self {
        let mut state = seed.wrapping_mul(2_654_435_761) | 1;
        // A linear congruential generator (Numerical Recipes, 2nd ed., ch. 7.1).
        let mut any = |of: u32| {
            state = state.wrapping_mul(1_664_525).wrapping_add(1_013_904_223);
            (state >> 16) % of
        };
        let (faults, symptoms) = (12, 8);
        let leak: Vec<f64> = (0..symptoms).map(|_| -4.0 - f64::from(any(4))).collect();
        let shown = (0..faults)
            .map(|_| {
                let own = (0..symptoms).filter(|_| any(3) == 0).collect::<Vec<_>>();
                own.into_iter().map(|symptom| (symptom, -0.5 * f64::from(any(7) + 1))).collect()
            })
            .collect();
        let read = [true, false].map(|of_codes| {
            let sound = -f64::from(any(3));
            let under: Vec<Option<f64>> =
                (0..faults).map(|_| (any(2) == 0).then_some(-f64::from(any(5)))).collect();
            let like = under.iter().map(|under| under.unwrap_or(sound).exp()).collect();
            Read { under, like, sound, of_codes }
        });
        Table {
            odds: (0..faults).map(|_| -2.0 - f64::from(any(3))).collect(),
            codes: (0..symptoms).map(|_| 1.0 / symptoms as f64).collect(),
            shown,
            leak,
            read: read.into(),
        }
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
