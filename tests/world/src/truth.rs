//! What really is so in a case.

use std::collections::BTreeMap;

use serde::{Deserialize, Serialize};

use crate::faults::Planted;
use crate::record::ErrorTruth;

/// A unit as a report may name it.
#[derive(Clone, Debug, Serialize, Deserialize)]
pub struct Unit {
    /// What people call it.
    pub name: String,
    /// Words of its "lost communication" code.
    pub called: String,
    /// Channel.
    pub channel: usize,
    /// Identifiers it sends.
    pub ids: Vec<String>,
    /// Identifier of its diagnostic answers.
    pub answer: Option<String>,
    /// Request identifier.
    pub request: Option<String>,
    /// Source address on a truck.
    pub address: Option<u8>,
}

/// The truth of a case.
#[derive(Clone, Debug, Serialize, Deserialize)]
pub struct Truth {
    /// Family, number, seed.
    pub family: String,
    /// Number of the case.
    pub case: usize,
    /// Set: singles, pairs, sound.
    pub set: String,
    /// Passenger car, car with 29 bits, truck.
    pub vehicle: String,
    /// What the driver does.
    pub key: String,
    /// Faults.
    pub planted: Vec<Planted>,
    /// What may be said besides and is true: class, and places of units (empty: any).
    pub besides: Vec<(String, Vec<usize>)>,
    /// Units.
    pub units: Vec<Unit>,
    /// Place of the gateway.
    pub gateway: Option<usize>,
    /// Error frames in the recording.
    pub errors: Vec<ErrorTruth>,
    /// Load of each channel, 0 to 1.
    pub loads: Vec<f64>,
    /// Frames in the recording.
    pub frames: usize,
    /// Roster: none, learned, written.
    pub roster: String,
    /// Tester: times of scans and clears, seconds of the recording.
    pub scans: Vec<f64>,
    /// Times of clears.
    pub clears: Vec<f64>,
}

impl Truth {
    /// Which unit an identifier belongs to.
    pub fn owners(&self) -> BTreeMap<&str, usize> {
        let mut owners = BTreeMap::new();
        for (place, unit) in self.units.iter().enumerate() {
            let own = unit.ids.iter().chain(&unit.answer).chain(&unit.request);
            owners.extend(own.map(|id| (id.as_str(), place)));
        }
        owners
    }

    /// Which unit words like "address 0x17 (…)" mean: of a truck its source address; of a car with
    /// 29 bits the one it answers from, the last byte of that identifier (ISO 15765-2, normal fixed
    /// addressing).
    pub fn at_address(&self, words: &str) -> Option<usize> {
        let hex = words.split("address 0x").nth(1)?.get(..2)?;
        let address = u8::from_str_radix(hex, 16).ok()?;
        let answers = |unit: &Unit| {
            let fixed = unit.answer.as_deref().and_then(|id| id.strip_prefix("0x18DA"));
            fixed.is_some_and(|parties| parties.ends_with(hex))
        };
        let own = self.units.iter().position(|unit| unit.address == Some(address));
        own.or_else(|| self.units.iter().position(answers))
    }

    /// Which unit words mean: its name, the words of its code, or its answer identifier.
    pub fn meant(&self, words: &str) -> Option<usize> {
        let low = words.to_lowercase();
        self.units.iter().position(|unit| {
            unit.name == low
                || unit.called == low
                || unit.answer.as_deref() == Some(words)
                || unit
                    .address
                    .is_some_and(|own| words.ends_with(&format!("{own:02X}")) && words.len() <= 4)
        })
    }
}
