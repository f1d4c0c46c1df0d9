//! What fails how often in a harness, and how to test it: `elements.toml`.

use std::collections::BTreeMap;
use std::sync::LazyLock;

use serde::Deserialize;

use crate::analysis::finding::SupplySide;
use crate::wiring_file::ElementKind;

/// The whole table.
#[derive(Debug, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Elements {
    /// What the file leaves out.
    pub left_out: LeftOut,
    /// What destroyed frames say.
    pub errors: OfErrors,
    kind: BTreeMap<String, Kind>,
    /// Readings at elements.
    pub reading: BTreeMap<String, Reading>,
}

/// What is measured at elements, and how likely each outcome is.
#[derive(Debug, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Reading {
    /// Unit of a measurement.
    #[serde(default)]
    pub unit: String,
    /// What is measured.
    pub text: String,
    /// The side of the supply that it measures; none where it is for any element.
    pub side: Option<SupplySide>,
    /// Bands of a measurement, ascending.
    #[serde(default)]
    pub bands: Vec<Band>,
    /// Outcomes of a trial.
    #[serde(default)]
    pub outcomes: Vec<String>,
    /// Probability of each where the element has the fault.
    pub faulty: Vec<f64>,
    /// Probability of each where the element is sound.
    pub sound: Vec<f64>,
}

/// A band of a measurement.
#[derive(Debug, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Band {
    /// What it is called.
    pub name: String,
    /// Its upper end.
    pub to: f64,
}

/// How destroyed frames move the probability of an element.
#[derive(Debug, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct OfErrors {
    /// How often a frame is destroyed that does not cross the bad place, against one that does.
    pub stray: f64,
    /// How often a receiver destroys what others send, against a bad contact of its node.
    pub receiver: f64,
    /// Against what is beyond a point and sends little, where the recorder's counter climbed.
    pub crowded: f64,
    /// A point of the bus is only considered where so many destroyed frames beyond it would come by
    /// chance this seldom.
    pub by_chance: f64,
    /// The same for a node that strikes all but itself.
    pub spared_by_chance: f64,
    /// All of it counts for so much at most.
    pub most: f64,
    /// An element that fits so much worse than the best is cleared.
    pub cleared: f64,
}

/// Weight of what a wiring file leaves out, against the elements in it.
#[derive(Debug, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct LeftOut {
    /// Where a single node is lost.
    pub of_one: f64,
    /// Where several are lost together.
    pub of_several: f64,
}

/// Elements of a kind.
#[derive(Debug, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Kind {
    /// How often they fail, against others.
    pub fails: Fails,
    /// Heading of the test; `{who}` stands for the element.
    pub title: String,
    /// The same as a request.
    pub brief: String,
    /// How to do it.
    pub how: String,
    /// What it tells.
    pub why: String,
    /// What to expect where all is well.
    pub reading: String,
    /// Where that is from.
    pub source: String,
    /// Minutes, once it is reached.
    pub minutes: f64,
    /// How likely the test shows the fault where it is, 0 to 1.
    pub found: f64,
    /// Cautions of the test, by their short names.
    pub cautions: Vec<String>,
}

/// How often an element fails, against others.
#[derive(Clone, Copy, Debug, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Fails {
    /// Where what it feeds stays away.
    pub lasting: f64,
    /// Where it comes back.
    pub passing: f64,
}

impl Elements {
    /// The table that is built in.
    pub fn built_in() -> &'static Elements {
        static TABLE: LazyLock<Elements> = LazyLock::new(|| {
            toml::from_str(include_str!("elements.toml")).expect("the table is part of the program")
        });
        &TABLE
    }

    /// Elements of a kind.
    pub fn of(&self, kind: ElementKind) -> &Kind {
        &self.kind[kind.as_str()]
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::fault::advice;

    #[test]
    fn every_kind_has_its_row_and_every_caution_is_one() {
        for kind in ElementKind::ALL {
            let row = Elements::built_in().of(kind);
            assert!(row.title.contains("{who}") && row.brief.contains("{who}"), "{kind:?}");
            assert!(row.found > 0.0 && row.found <= 1.0 && row.minutes > 0.0, "{kind:?}");
            assert!(row.cautions.iter().all(|id| advice::named(id).is_some()), "{kind:?}");
        }
    }

    #[test]
    fn the_outcomes_of_every_reading_are_all_there_are() {
        for (name, table) in &Elements::built_in().reading {
            let count = table.bands.len() + table.outcomes.len();
            for likely in [&table.faulty, &table.sound] {
                assert_eq!(likely.len(), count, "{name}");
                assert!((likely.iter().sum::<f64>() - 1.0).abs() < 1e-9, "{name}");
            }
        }
    }
}
