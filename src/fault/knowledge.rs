//! What the findings are drawn from: `knowledge.toml`, and what a user's file changes in it.

use std::collections::BTreeMap;
use std::sync::LazyLock;

use serde::{Deserialize, Serialize};

use super::advice;
use super::knowledge_error::{KnowledgeError, Problem};
pub use super::reading_table::{Band, Reading};
pub use super::worded::{TestWorded, Worded};
use crate::analysis::finding::{ClassName, Standing};
use crate::analysis::subject::Level;
use crate::analysis::symptom::{SignName, SignValue, SymptomKind};

/// Numbers by class of fault.
pub type ByClass = BTreeMap<ClassName, f64>;

/// All tables.
#[derive(Clone, Debug, Deserialize, PartialEq)]
#[serde(deny_unknown_fields)]
pub struct Knowledge {
    /// Classes of fault, by their short name.
    pub class: BTreeMap<ClassName, Class>,
    /// Whatever there is no class for.
    pub no_class: NoClass,
    /// Symptoms.
    pub symptom: BTreeMap<SymptomKind, SymptomTable>,
    /// Signs of symptoms.
    pub sign: BTreeMap<SignName, Sign>,
    /// Readings that a user can enter.
    pub reading: BTreeMap<String, Reading>,
    /// What has to be opened for a test.
    pub access: BTreeMap<String, Access>,
    /// Tests.
    pub test: BTreeMap<String, Test>,
    /// What counts in their order beside probability and minutes.
    pub order: TestOrder,
}

/// A class of fault.
#[derive(Clone, Debug, Deserialize, PartialEq)]
#[serde(deny_unknown_fields)]
pub struct Class {
    /// Heading; `{who}` stands for what it is about.
    pub title: String,
    /// The same in few words, where what it is about has been said; the heading where there is
    /// none.
    pub brief: Option<String>,
    /// What it is about.
    pub at: Level,
    /// Probability before anything is seen.
    pub prior: f64,
    /// No fault of the vehicle.
    #[serde(default)]
    pub benign: bool,
    /// A question to the user settles it, which goes before any measurement.
    #[serde(default)]
    pub asked_first: bool,
    /// Its modules are all of one bus.
    #[serde(default)]
    pub one_bus: bool,
    /// The class of one module whose signs it has where its modules are not told apart.
    pub alone: Option<ClassName>,
    /// The symptom without which it is out of the question.
    pub needs: Option<SymptomKind>,
    /// The sign of that symptom without which it is out of the question.
    pub needs_sign: Option<SignName>,
    /// What it nearly always leaves in the capture, any one of these; empty where nothing is sure.
    #[serde(default)]
    pub trace: Vec<Trace>,
    /// How many times as good its odds are with no such trace, 0 to 1.
    #[serde(default = "unchanged")]
    pub untraced: f64,
    /// In sentences.
    pub explanation: String,
    /// Its words where two units are set to one address.
    pub of_address: Option<Worded>,
    /// Where the numbers are from.
    pub source: String,
}

/// A symptom, with a value of one of its signs where that matters.
#[derive(Clone, Debug, Deserialize, PartialEq)]
#[serde(deny_unknown_fields)]
pub struct Trace {
    /// The symptom.
    pub symptom: SymptomKind,
    /// The sign and the value that it must have.
    pub with: Option<(SignName, SignValue)>,
}

fn unchanged() -> f64 {
    1.0
}

/// Something for which there is no class.
#[derive(Clone, Debug, Deserialize, PartialEq)]
#[serde(deny_unknown_fields)]
pub struct NoClass {
    /// Probability before anything is seen.
    pub prior: f64,
    /// Probability that it shows any one symptom.
    pub by: f64,
    /// Where the numbers are from.
    pub source: String,
}

/// What classes show a symptom.
#[derive(Clone, Debug, Deserialize, PartialEq)]
#[serde(deny_unknown_fields)]
pub struct SymptomTable {
    /// In words.
    pub text: String,
    /// Probability that a fault of a class shows it.
    pub by: ByClass,
    /// The same where it is about a gateway, for classes whose number differs then.
    #[serde(default)]
    pub of_gateway: ByClass,
    /// The same of a silent node that is called so.
    #[serde(default)]
    pub called_gateway: ByClass,
    /// The same where nothing else is lost but what it carries over.
    #[serde(default)]
    pub lone_gateway: ByClass,
    /// The same of a module that another vehicle's may stand in for.
    #[serde(default)]
    pub of_stranger: ByClass,
    /// The same of a module that is lost in changing company.
    #[serde(default)]
    pub in_turn: ByClass,
    /// The same of what may be two messages that paused together.
    #[serde(default)]
    pub may_pause: ByClass,
    /// … and how likely that is without any of them; as `leak` where there is no number.
    pub leak_may_pause: Option<f64>,
    /// … and of what is never heard and only sent sometimes; as `leak_may_pause` without one.
    pub leak_sometimes: Option<f64>,
    /// The same of so much that was never heard that the key may have been off.
    #[serde(default)]
    pub perhaps_off: ByClass,
    /// … and how likely that is without any of them; as `leak` where there is no number.
    pub leak_perhaps_off: Option<f64>,
    /// How likely it is without any of them where another module is as likely to be meant; as
    /// `leak` where there is no number.
    pub leak_tied: Option<f64>,
    /// Only modules tell it: where none was asked, its absence says nothing.
    #[serde(default)]
    pub told: bool,
    /// It needs more than the fault, so that its absence says nothing.
    #[serde(default)]
    pub at_times: bool,
    /// Probability that it appears without any of them.
    pub leak: f64,
}

/// A sign of a symptom: one of several values.
#[derive(Clone, Debug, Deserialize, PartialEq)]
#[serde(deny_unknown_fields)]
pub struct Sign {
    /// Of which symptom.
    pub symptom: SymptomKind,
    /// Where the numbers are from.
    pub source: String,
    /// By value: probability under each class.
    pub value: BTreeMap<SignValue, ByClass>,
}

/// What has to be opened.
#[derive(Clone, Debug, Deserialize, PartialEq)]
#[serde(deny_unknown_fields)]
pub struct Access {
    /// In words.
    pub title: String,
    /// The same at a truck, where that differs.
    pub truck: Option<String>,
    /// Minutes to open and close it.
    pub minutes: f64,
    /// What to be careful of with it: short names of cautions in `advice.toml`.
    #[serde(default)]
    pub cautions: Vec<String>,
    /// It is one for the whole vehicle: opened for one module, it is open for all.
    #[serde(default)]
    pub shared: bool,
}

/// A test.
#[derive(Clone, Debug, Deserialize, PartialEq)]
#[serde(deny_unknown_fields)]
pub struct Test {
    /// Heading; `{who}` stands for what it is about.
    pub title: String,
    /// The same as a request, where what it is about has been said; the heading where there is
    /// none.
    pub brief: Option<String>,
    /// How to do it.
    pub how: String,
    /// How to do it at a truck, where that differs.
    pub truck: Option<String>,
    /// What to be careful of with it: short names of cautions in `advice.toml`.
    #[serde(default)]
    pub cautions: Vec<String>,
    /// What it tells.
    pub why: String,
    /// Minutes once there is access.
    pub minutes: f64,
    /// What has to be opened.
    pub access: String,
    /// What to expect where all is well.
    pub reading: String,
    /// Where that is from.
    pub source: String,
    /// What it is about.
    pub at: Level,
    /// Probability that it shows a fault of a class.
    pub finds: ByClass,
    /// The same of a silence that lasts, for classes whose number differs then.
    #[serde(default)]
    pub finds_lasting: ByClass,
    /// Readings that it gives.
    #[serde(default)]
    pub readings: Vec<String>,
    /// Readings of what it is about that make it needless where they are as they should be: they
    /// measure through what it looks at.
    #[serde(default)]
    pub proved_by: Vec<String>,
    /// Bands or outcomes of readings of what it is about after which it is the next thing to do.
    #[serde(default)]
    pub told_by: BTreeMap<String, Vec<String>>,
    /// The caution that what it is about must carry: then it goes before all other tests of that,
    /// and otherwise it is none.
    pub first_for: Option<String>,
    /// It is only for several nodes: one by itself has a test of its own.
    #[serde(default)]
    pub several: bool,
    /// It goes after all other tests of what it is about, however much it finds.
    #[serde(default)]
    pub last: bool,
    /// Its words where two units are set to one address.
    pub of_address: Option<TestWorded>,
}

impl Test {
    /// Probability that it shows a fault of a class, whose silence lasts or comes and goes; `None`
    /// where it does not look for such a fault.
    ///
    /// ```
    /// use lostnode::fault::Knowledge;
    /// let knowledge = Knowledge::built_in();
    /// let (power, _) = knowledge.class.get_key_value("module_power").unwrap();
    /// let fuses = &knowledge.test["fuses"];
    /// assert!(fuses.shows(power, true) > fuses.shows(power, false));
    /// ```
    pub fn shows(&self, class: &ClassName, lasting: bool) -> Option<f64> {
        let own = self.finds.get(class)?;
        let lasting = self.finds_lasting.get(class).filter(|_| lasting);
        Some(*lasting.unwrap_or(own))
    }
}

/// What counts in the order of tests beside probability and minutes: weights, of which only the
/// ratios matter.
#[derive(Clone, Debug, Deserialize, PartialEq)]
#[serde(deny_unknown_fields)]
pub struct TestOrder {
    /// Weight of what is there now.
    pub present: f64,
    /// Weight of a module from elsewhere.
    pub foreign: f64,
    /// Weight of what is only remembered, or hardly likely.
    pub remembered: f64,
    /// Weight of what is no fault.
    pub benign: f64,
    /// Times this where a test for the same fault has found nothing.
    pub further: f64,
    /// Where the numbers are from.
    pub source: String,
}

impl TestOrder {
    /// How much it is worth to find a fault, by how near it is to today's complaint.
    ///
    /// ```
    /// use lostnode::analysis::finding::Standing;
    /// use lostnode::fault::Knowledge;
    /// let order = &Knowledge::built_in().order;
    /// assert!(order.weight(Standing::Present) > order.weight(Standing::Remembered));
    /// ```
    pub fn weight(&self, standing: Standing) -> f64 {
        match standing {
            Standing::Present => self.present,
            Standing::Foreign => self.foreign,
            Standing::Remembered => self.remembered,
            Standing::Benign => self.benign,
        }
    }
}

impl Default for Knowledge {
    fn default() -> Self {
        Knowledge::with("").expect("the table is tested")
    }
}

impl Knowledge {
    /// The built-in tables, read when they are first asked for.
    pub fn built_in() -> &'static Knowledge {
        static BUILT_IN: LazyLock<Knowledge> = LazyLock::new(Knowledge::default);
        &BUILT_IN
    }

    /// The built-in tables with the changes of a user's file.
    ///
    /// # Errors
    /// Where the file is no TOML, has keys that are not known, or numbers that are no
    /// probabilities.
    ///
    /// ```
    /// use lostnode::fault::Knowledge;
    /// let own = Knowledge::with("[class.gateway]\nprior = 0.1").unwrap();
    /// assert_eq!(own.class["gateway"].prior, 0.1);
    /// let wrong = Knowledge::with("[class.gateway]\nprior = 7.0").unwrap_err().to_string();
    /// assert!(wrong.contains("class.gateway: prior"));
    /// ```
    pub fn with(changes: &str) -> Result<Knowledge, KnowledgeError> {
        let parse = |text: &str| {
            text.parse::<toml::Table>().map_err(|error| KnowledgeError::Form(error.to_string()))
        };
        let mut table = parse(include_str!("knowledge.toml"))?;
        merge(&mut table, parse(changes)?);
        let knowledge: Knowledge = table
            .try_into()
            .map_err(|error: toml::de::Error| KnowledgeError::Form(error.to_string()))?;
        knowledge.check()?;
        Ok(knowledge)
    }

    fn check(&self) -> Result<(), KnowledgeError> {
        for (name, class) in &self.class {
            let prior = class.prior;
            if !(prior > 0.0 && prior < 1.0) {
                return wrong(format!("class.{name}"), not_between("prior", prior));
            }
        }
        for (key, number) in [("prior", self.no_class.prior), ("by", self.no_class.by)] {
            if !(number > 0.0 && number < 1.0) {
                return wrong("no_class".to_owned(), not_between(key, number));
            }
        }
        for (kind, symptom) in &self.symptom {
            let name = key(kind);
            self.check_numbers(&format!("symptom.{name}"), &symptom.by)?;
            self.check_numbers(&format!("symptom.{name}.of_gateway"), &symptom.of_gateway)?;
            self.check_numbers(&format!("symptom.{name}.called_gateway"), &symptom.called_gateway)?;
            self.check_numbers(&format!("symptom.{name}.lone_gateway"), &symptom.lone_gateway)?;
            self.check_numbers(&format!("symptom.{name}.of_stranger"), &symptom.of_stranger)?;
            self.check_numbers(&format!("symptom.{name}.in_turn"), &symptom.in_turn)?;
            self.check_numbers(&format!("symptom.{name}.may_pause"), &symptom.may_pause)?;
            self.check_numbers(&format!("symptom.{name}.perhaps_off"), &symptom.perhaps_off)?;
            let pausing = symptom.leak_may_pause.map(|leak| ("leak_may_pause", leak));
            let sometimes = symptom.leak_sometimes.map(|leak| ("leak_sometimes", leak));
            let off = symptom.leak_perhaps_off.map(|leak| ("leak_perhaps_off", leak));
            let tied = symptom.leak_tied.map(|leak| ("leak_tied", leak));
            let settings = [pausing, sometimes, off, tied].into_iter().flatten();
            for (which, leak) in std::iter::once(("leak", symptom.leak)).chain(settings) {
                if !(leak > 0.0 && leak < 1.0) {
                    return wrong(format!("symptom.{name}"), not_between(which, leak));
                }
            }
        }
        self.sign.iter().try_for_each(|(name, sign)| self.check_sign(&key(name), sign))?;
        self.reading.iter().try_for_each(|(name, reading)| self.check_reading(name, reading))?;
        self.access.iter().try_for_each(|(name, access)| {
            check_cautions(&format!("access.{name}"), &access.cautions)
        })?;
        self.test.iter().try_for_each(|(name, test)| self.check_test(name, test))?;
        self.check_order()
    }

    fn check_order(&self) -> Result<(), KnowledgeError> {
        let TestOrder { present, foreign, remembered, benign, further, .. } = self.order;
        let weights = [
            ("present", present),
            ("foreign", foreign),
            ("remembered", remembered),
            ("benign", benign),
            ("further", further),
        ];
        let no_weight = |(_, number): &(&str, f64)| !(*number > 0.0 && number.is_finite());
        match weights.into_iter().find(no_weight) {
            Some((key, number)) => wrong("order".to_owned(), Problem::NoWeight { key, number }),
            None => Ok(()),
        }
    }

    fn check_numbers(&self, table: &str, by: &ByClass) -> Result<(), KnowledgeError> {
        for (class, number) in by {
            if !self.class.contains_key(class) {
                return wrong(table.to_owned(), Problem::NoClass(class.clone()));
            }
            if !is_probability(*number) {
                let (class, number) = (class.clone(), *number);
                return wrong(table.to_owned(), Problem::NoProbability { class, number });
            }
        }
        Ok(())
    }

    fn check_sign(&self, name: &str, sign: &Sign) -> Result<(), KnowledgeError> {
        for class in self.symptom[&sign.symptom].by.keys() {
            let sum: f64 = sign.value.values().filter_map(|by| by.get(class)).sum();
            if !is_one(sum) {
                return wrong(format!("sign.{name}"), Problem::Sum { class: class.clone(), sum });
            }
        }
        sign.value.iter().try_for_each(|(value, by)| {
            self.check_numbers(&format!("sign.{name}.{}", key(value)), by)
        })
    }

    fn check_reading(&self, name: &str, reading: &Reading) -> Result<(), KnowledgeError> {
        let count = reading.bands.len() + reading.outcomes.len();
        let wrong = |problem| wrong(format!("reading.{name}"), problem);
        for (class, like) in reading.like.iter().chain(&reading.like_lasting) {
            let probabilities = like.iter().all(|number| is_probability(*number));
            if like.len() != count || !is_one(like.iter().sum()) || !probabilities {
                return wrong(Problem::Likelihoods { class: class.clone(), count });
            }
            if *class != ClassName::SOUND && !self.class.contains_key(class) {
                return wrong(Problem::NoClass(class.clone()));
            }
        }
        if !reading.like.contains_key(&ClassName::SOUND) {
            return wrong(Problem::Missing(ClassName::SOUND));
        }
        Ok(())
    }

    fn check_test(&self, name: &str, test: &Test) -> Result<(), KnowledgeError> {
        let table = format!("test.{name}");
        check_cautions(&table, test.cautions.iter().chain(&test.first_for))?;
        self.check_numbers(&table, &test.finds)?;
        self.check_numbers(&table, &test.finds_lasting)?;
        if !self.access.contains_key(&test.access) {
            return wrong(table, Problem::NoAccess(test.access.clone()));
        }
        match test
            .readings
            .iter()
            .chain(&test.proved_by)
            .find(|reading| !self.reading.contains_key(*reading))
        {
            Some(reading) => wrong(table, Problem::NoReading(reading.clone())),
            None => Ok(()),
        }
    }
}

fn check_cautions<'a>(
    table: &str,
    cautions: impl IntoIterator<Item = &'a String>,
) -> Result<(), KnowledgeError> {
    match cautions.into_iter().find(|caution| advice::named(caution).is_none()) {
        Some(caution) => wrong(table.to_owned(), Problem::NoCaution(caution.clone())),
        None => Ok(()),
    }
}

fn wrong(table: String, problem: Problem) -> Result<(), KnowledgeError> {
    Err(KnowledgeError::InTable { table, problem })
}

fn not_between(key: &'static str, number: f64) -> Problem {
    Problem::NotBetween { key, number }
}

fn is_probability(number: f64) -> bool {
    (0.0..=1.0).contains(&number)
}

/// Whether probabilities that are written with two digits add up to 1.
fn is_one(sum: f64) -> bool {
    (sum - 1.0).abs() <= 0.02
}

/// A key as the file writes it.
fn key(key: &impl Serialize) -> String {
    toml::Value::try_from(key)
        .ok()
        .and_then(|value| value.as_str().map(str::to_owned))
        .unwrap_or_default()
}

fn merge(into: &mut toml::Table, from: toml::Table) {
    for (key, value) in from {
        match (into.get_mut(&key), value) {
            (Some(toml::Value::Table(known)), toml::Value::Table(new)) => merge(known, new),
            (_, value) => {
                into.insert(key, value);
            }
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::analysis::blame::Verdict;
    use crate::analysis::just_before::LeadKind;
    use crate::analysis::symptom::{ErrorKind, Led, Now, Return, Rhythm, Sign as Seen, Spread};

    /// Every sign that can be seen has its numbers, and a name that is none is refused.
    #[test]
    fn signs_have_numbers() {
        let knowledge = Knowledge::default();
        let returns = [
            Return::No,
            Return::LostAddress,
            Return::Untold { back: 1 },
            Return::StartedAnew { anew: 1, back: 1 },
            Return::RanOn { ran_on: 1, back: 1 },
            Return::Mixed { anew: 1, ran_on: 1 },
            Return::Leans { on: true, back: 1 },
            Return::Leans { on: false, back: 1 },
            Return::Divided { divided: 2, back: 2 },
        ];
        let lead = |kind| Seen::Lead(Led { kind, losses_with: 3, losses: 4 });
        let mut signs = vec![
            Seen::Rhythm(Rhythm::Single),
            Seen::Rhythm(Rhythm::Brief),
            Seen::RhythmTogether(Rhythm::Single),
            Seen::RhythmTogether(Rhythm::Brief),
            Seen::RhythmTogether(Rhythm::Uneven(3)),
            Seen::Rhythm(Rhythm::Even { step: 1.0, spread: 0.0 }),
            Seen::Rhythm(Rhythm::Uneven(3)),
            Seen::SupplyDipped(7.0),
            Seen::SupplySteady(12.0, 13.0),
            Seen::Share { nodes: 1, all: 3, ids: 4, all_ids: 12 },
            Seen::Share { nodes: 2, all: 3, ids: 8, all_ids: 12 },
            Seen::HeardElsewhere(2),
            Seen::BusEnd { with_errors: 0, times: 1 },
            Seen::BusEnd { with_errors: 1, times: 1 },
            Seen::ErrorKind(ErrorKind::BusOff(1)),
            Seen::ErrorKind(ErrorKind::Frequent(20.0)),
            Seen::ErrorKind(ErrorKind::Few(1.0)),
            Seen::OwnErrors(1),
            Seen::ErrorSpread(Spread::Everyone { frames: 12, senders: 4 }),
            Seen::ErrorSpread(Spread::Untold),
            Seen::Answers { after: Some(20.0) },
            Seen::Answers { after: None },
            Seen::BusOffs { modules: 1, asked: 4, many: false },
            Seen::BusOffs { modules: 2, asked: 4, many: false },
            Seen::BusOffs { modules: 4, asked: 4, many: true },
            Seen::AllAnswer { modules: 5 },
            lead(LeadKind::Switch),
            lead(LeadKind::Supply),
            lead(LeadKind::Warmth),
            lead(LeadKind::Movement),
            Seen::LeadTogether(Led { kind: LeadKind::Switch, losses_with: 3, losses: 4 }),
            Seen::LengthAlone(4.0),
            Seen::StoredByOne,
            Seen::HeardMeanwhile(1),
            Seen::HeardMeanwhile(2),
            Seen::Now(Now::Failing),
            Seen::Now(Now::Mended),
            Seen::Now(Now::Remembered),
            Seen::OnlyAnswers,
            Seen::DriveTrain { modules: 2, of: 4 },
            Seen::NothingLost,
            Seen::StoredByMany(2),
            Seen::Now(Now::Recent),
            Seen::Now(Now::Listed),
        ];
        signs.extend([0, 1].map(Seen::Errors));
        signs.extend([0, 1].map(Seen::ErrorsTogether));
        signs.extend(returns.map(Seen::Return));
        signs.extend(returns.map(Seen::ReturnAlone));
        signs.extend(returns.map(Seen::ReturnTogether));
        let verdicts = [Verdict::Confirmed, Verdict::Likely, Verdict::Contradicted, Verdict::Open];
        signs.extend(verdicts.map(Seen::FramesSay));
        for sign in signs {
            let (name, value) = sign.key();
            let table = &knowledge.sign[&name];
            let of_all = |class: &ClassName| table.value[&value].contains_key(class);
            let classes = &knowledge.symptom[&table.symptom].by;
            assert!(classes.keys().all(of_all), "{sign:?}: {name:?} {value:?}");
        }
        for wrong in ["[sign.retrun]\nsymptom = \"flood\"", "[sign.now.value.mendet]\nline = 0.5"] {
            assert!(Knowledge::with(wrong).is_err(), "{wrong}");
        }
    }
}
