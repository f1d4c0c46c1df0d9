//! The tables of what a user can measure or try, in `knowledge.toml`.

use std::collections::BTreeMap;

use serde::Deserialize;

use super::weights::LEAST;
use crate::analysis::finding::{ClassName, OneSided, SupplySide};
use crate::analysis::subject::Level;

/// A measurement or trial that a user can enter.
#[derive(Clone, Debug, Deserialize, PartialEq)]
#[serde(deny_unknown_fields)]
pub struct Reading {
    /// What it is about.
    pub at: Level,
    /// In words.
    pub text: String,
    /// It speaks of the codes, and so of each fault as far as codes are its.
    #[serde(default)]
    pub of_codes: bool,
    /// Unit of its value; empty for a trial.
    #[serde(default)]
    pub unit: String,
    /// Where the limits are from.
    pub source: String,
    /// Its bands are those of a 12 V system; of a 24 V one they are twice as high.
    #[serde(default)]
    pub scales: bool,
    /// It measures one side of the supply only: of a fault of the other side it tells as much as a
    /// sound module does.
    pub side: Option<SupplySide>,
    /// Bands of a number, ascending.
    #[serde(default)]
    pub bands: Vec<Band>,
    /// Outcomes of a trial.
    #[serde(default)]
    pub outcomes: Vec<String>,
    /// By class, and `sound` for none of them: probability of each band or outcome.
    pub like: BTreeMap<ClassName, Vec<f64>>,
    /// The same of what is silent for good, for classes whose numbers differ then.
    #[serde(default)]
    pub like_lasting: BTreeMap<ClassName, Vec<f64>>,
    /// The outcome that says what it was tried at is behind the trouble of its bus.
    pub culprit: Option<String>,
    /// The outcome with which the trouble is gone, so that only a drive can tell more.
    pub gone: Option<String>,
}

impl Reading {
    /// How likely each band or outcome is under a class; `None` where it is not about that.
    pub(crate) fn like(&self, class: &ClassName, lasting: bool) -> Option<&Vec<f64>> {
        let own = self.like.get(class)?;
        Some(self.like_lasting.get(class).filter(|_| lasting).unwrap_or(own))
    }

    /// What a value in a band says of either side. A fault of the supply is of the one as often as
    /// of the other, so the number of its class is the mean of both, and of a fault of the other
    /// side one reads here what one reads at a sound module. Where a class was said to be less
    /// likely than that allows, a third of its number stands for this side.
    pub(crate) fn one_sided(&self, side: SupplySide, place: usize) -> OneSided {
        let sound = self.like[&ClassName::SOUND][place].max(LEAST);
        let faulty = self.like.iter().filter(|(class, _)| **class != ClassName::SOUND);
        let faulty = faulty.map(|(_, like)| like[place]).fold(LEAST, f64::max);
        let good = self.like[&ClassName::SOUND].iter().all(|number| *number <= sound);
        let own = (2.0 * faulty - sound).max(faulty / 3.0);
        OneSided { side, own: own / faulty, other: sound / faulty, good }
    }
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
