//! What the findings are drawn from: `knowledge.toml`, and what a user's file changes in it.

use std::collections::BTreeMap;
use std::fmt;

use serde::Deserialize;

/// Numbers by class of fault.
pub type ByClass = BTreeMap<String, f64>;

/// All tables.
#[derive(Clone, Debug, Deserialize, PartialEq)]
#[serde(deny_unknown_fields)]
pub struct Knowledge {
    /// Classes of fault, by their short name.
    pub class: BTreeMap<String, Class>,
    /// Symptoms.
    pub symptom: BTreeMap<String, SymptomTable>,
    /// Signs of symptoms.
    pub sign: BTreeMap<String, Sign>,
    /// Readings that a user can enter.
    pub reading: BTreeMap<String, Reading>,
    /// What has to be opened for a test.
    pub access: BTreeMap<String, Access>,
    /// Tests.
    pub test: BTreeMap<String, Test>,
}

/// What a fault, test or reading is about.
#[derive(Clone, Copy, Debug, Deserialize, PartialEq, Eq, PartialOrd, Ord)]
#[serde(rename_all = "snake_case")]
pub enum Level {
    /// One module.
    Node,
    /// Several modules that share something.
    Nodes,
    /// A bus.
    Channel,
    /// The whole vehicle, or its recording.
    Vehicle,
}

/// A class of fault.
#[derive(Clone, Debug, Deserialize, PartialEq)]
#[serde(deny_unknown_fields)]
pub struct Class {
    /// Heading; `{who}` stands for what it is about.
    pub title: String,
    /// What it is about.
    pub at: Level,
    /// Probability before anything is seen.
    pub prior: f64,
    /// No fault of the vehicle.
    #[serde(default)]
    pub benign: bool,
    /// The symptom without which it is out of the question.
    pub needs: Option<String>,
    /// In sentences.
    pub explanation: String,
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
    /// Only modules tell it: where none was asked, its absence says nothing.
    #[serde(default)]
    pub told: bool,
    /// Probability that it appears without any of them.
    pub leak: f64,
}

/// A sign of a symptom: one of several values.
#[derive(Clone, Debug, Deserialize, PartialEq)]
#[serde(deny_unknown_fields)]
pub struct Sign {
    /// Of which symptom.
    pub symptom: String,
    /// Where the numbers are from.
    pub source: String,
    /// By value: probability under each class.
    pub value: BTreeMap<String, ByClass>,
}

/// A measurement or trial that a user can enter.
#[derive(Clone, Debug, Deserialize, PartialEq)]
#[serde(deny_unknown_fields)]
pub struct Reading {
    /// What it is about.
    pub at: Level,
    /// In words.
    pub text: String,
    /// Unit of its value; empty for a trial.
    #[serde(default)]
    pub unit: String,
    /// Where the limits are from.
    pub source: String,
    /// Bands of a number, ascending.
    #[serde(default)]
    pub bands: Vec<Band>,
    /// Outcomes of a trial.
    #[serde(default)]
    pub outcomes: Vec<String>,
    /// By class, and `sound` for none of them: probability of each band or outcome.
    pub like: BTreeMap<String, Vec<f64>>,
}

/// A band of a number.
#[derive(Clone, Debug, Deserialize, PartialEq)]
#[serde(deny_unknown_fields)]
pub struct Band {
    /// What it is called.
    pub name: String,
    /// Up to this value.
    pub to: f64,
}

/// What has to be opened.
#[derive(Clone, Debug, Deserialize, PartialEq)]
#[serde(deny_unknown_fields)]
pub struct Access {
    /// In words.
    pub title: String,
    /// Minutes to open and close it.
    pub minutes: f64,
}

/// A test.
#[derive(Clone, Debug, Deserialize, PartialEq)]
#[serde(deny_unknown_fields)]
pub struct Test {
    /// Heading; `{who}` stands for what it is about.
    pub title: String,
    /// How to do it.
    pub how: String,
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
    /// Readings that it gives.
    #[serde(default)]
    pub readings: Vec<String>,
}

/// What is wrong with a knowledge file.
#[derive(Debug)]
pub struct KnowledgeError(String);

impl fmt::Display for KnowledgeError {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str(&self.0)
    }
}

impl Default for Knowledge {
    fn default() -> Self {
        Knowledge::with("").expect("the table is tested")
    }
}

impl Knowledge {
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
    /// assert!(Knowledge::with("[class.gateway]\nprior = 7.0").unwrap_err().to_string().contains("class.gateway: prior"));
    /// ```
    pub fn with(changes: &str) -> Result<Knowledge, KnowledgeError> {
        let parse = |text: &str| {
            text.parse::<toml::Table>().map_err(|error| KnowledgeError(error.to_string()))
        };
        let mut table = parse(include_str!("knowledge.toml"))?;
        merge(&mut table, parse(changes)?);
        let knowledge: Knowledge =
            table.try_into().map_err(|error: toml::de::Error| KnowledgeError(error.to_string()))?;
        knowledge.check()?;
        Ok(knowledge)
    }

    fn check(&self) -> Result<(), KnowledgeError> {
        let wrong = |text: String| Err(KnowledgeError(text));
        let probability = |number: f64| (0.0..=1.0).contains(&number);
        let known = |place: &str, by: &ByClass| -> Result<(), KnowledgeError> {
            for (class, number) in by {
                if !self.class.contains_key(class) {
                    return wrong(format!("{place}: there is no class {class}"));
                }
                if !probability(*number) {
                    return wrong(format!(
                        "{place}: {class} is {number}; it is a probability from 0 to 1"
                    ));
                }
            }
            Ok(())
        };
        for (name, class) in &self.class {
            if !(class.prior > 0.0 && class.prior < 1.0) {
                return wrong(format!(
                    "class.{name}: prior is {}; it lies between 0 and 1",
                    class.prior
                ));
            }
            if let Some(symptom) =
                class.needs.as_ref().filter(|symptom| !self.symptom.contains_key(*symptom))
            {
                return wrong(format!("class.{name}: there is no symptom {symptom}"));
            }
        }
        for (name, symptom) in &self.symptom {
            known(&format!("symptom.{name}"), &symptom.by)?;
            if !(symptom.leak > 0.0 && symptom.leak < 1.0) {
                return wrong(format!(
                    "symptom.{name}: leak is {}; it lies between 0 and 1",
                    symptom.leak
                ));
            }
        }
        for (name, sign) in &self.sign {
            let Some(symptom) = self.symptom.get(&sign.symptom) else {
                return wrong(format!("sign.{name}: there is no symptom {}", sign.symptom));
            };
            for class in symptom.by.keys() {
                let sum: f64 = sign.value.values().filter_map(|by| by.get(class)).sum();
                if (sum - 1.0).abs() > 0.02 {
                    return wrong(format!(
                        "sign.{name}: the values of {class} add up to {sum:.3}; they must add up to 1"
                    ));
                }
            }
            sign.value
                .iter()
                .try_for_each(|(value, by)| known(&format!("sign.{name}.{value}"), by))?;
        }
        for (name, reading) in &self.reading {
            let count = reading.bands.len() + reading.outcomes.len();
            for (class, like) in &reading.like {
                let sum: f64 = like.iter().sum();
                if like.len() != count
                    || (sum - 1.0).abs() > 0.02
                    || !like.iter().all(|number| probability(*number))
                {
                    return wrong(format!(
                        "reading.{name}: {class} must have {count} probabilities that add up to 1"
                    ));
                }
                if class != "sound" && !self.class.contains_key(class) {
                    return wrong(format!("reading.{name}: there is no class {class}"));
                }
            }
            if !reading.like.contains_key("sound") {
                return wrong(format!("reading.{name}: `sound` is missing"));
            }
        }
        for (name, test) in &self.test {
            known(&format!("test.{name}"), &test.finds)?;
            if !self.access.contains_key(&test.access) {
                return wrong(format!("test.{name}: there is no access {}", test.access));
            }
            if let Some(reading) =
                test.readings.iter().find(|reading| !self.reading.contains_key(*reading))
            {
                return wrong(format!("test.{name}: there is no reading {reading}"));
            }
        }
        Ok(())
    }
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
