//! What a node sends.

use lostnode_parsers::Id;
use lostnode_parsers::frame::DisplayId;
use serde::{Deserialize, Deserializer};

use super::{Node, Pauses, Scenario, above_zero, id};

/// One identifier of a node: periodic with `period` or `beats`, or at random with `mean_gap`.
#[derive(Clone, Debug, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Message {
    /// 3 hexadecimal digits for 11 bits, 8 for 29 bits.
    #[serde(deserialize_with = "id")]
    pub id: Id,
    /// Seconds between frames.
    pub period: Option<f64>,
    /// Mean seconds between frames that come at random.
    pub mean_gap: Option<f64>,
    /// Seconds between frames in turn, again and again: `[0.04, 0.96]` are two frames a second.
    pub beats: Option<Vec<f64>>,
    /// First frame after start-up, in seconds; spread over the period where not given, or at once
    /// where the node has a tick.
    pub offset: Option<f64>,
    /// Data bytes, 0 to 8.
    #[serde(default = "default_length")]
    pub length: u8,
    /// A counter that goes up by one with each frame and starts from zero when the node does.
    pub counter: Option<Counter>,
    /// It is sent only in this mode: `engine_runs`, `engine_stopped`, or the name of a `[[mode]]`.
    pub mode: Option<String>,
    /// Long pauses on a schedule; the grid of its instants runs on.
    pub pauses: Option<Pauses>,
    /// Other identifiers that share its instants.
    pub multiplex: Option<Multiplex>,
    /// Payload that could be taken for frames of the diagnostic transport.
    pub looks_like: Option<LooksLike>,
    /// Signals that it carries.
    #[serde(default)]
    pub signals: Vec<super::Carried>,
}

fn default_length() -> u8 {
    8
}

/// Where a counter lies.
#[derive(Clone, Copy, Debug, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Counter {
    /// Byte from 0.
    pub byte: u8,
    /// Lowest bit in the byte, from 0.
    #[serde(default)]
    pub bit: u8,
    /// Bits, 1 to 8.
    pub width: u8,
}

/// Identifiers that take turns on the instants of one message.
#[derive(Clone, Debug, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Multiplex {
    /// The others, beside the message's own.
    #[serde(deserialize_with = "ids")]
    pub ids: Vec<Id>,
    /// Fewest and most frames of one before it is another's turn.
    pub frames: [u32; 2],
}

/// What a broadcast payload looks like by chance.
#[derive(Clone, Copy, Debug, Deserialize, PartialEq, Eq)]
#[serde(rename_all = "snake_case")]
pub enum LooksLike {
    /// A single frame of ISO 15765-2: a first byte of 2, and a second that changes slowly and is
    /// now and then a service.
    SingleFrame,
    /// Consecutive frames: a first byte of 20 to 2F, hexadecimal.
    ConsecutiveFrame,
}

fn ids<'de, D: Deserializer<'de>>(deserializer: D) -> Result<Vec<Id>, D::Error> {
    #[derive(Deserialize)]
    struct One(#[serde(deserialize_with = "id")] Id);
    Ok(Vec::<One>::deserialize(deserializer)?.into_iter().map(|one| one.0).collect())
}

impl Message {
    /// Mean seconds between its frames.
    pub fn gap(&self) -> f64 {
        let beats = |beats: &Vec<f64>| beats.iter().sum::<f64>() / beats.len() as f64;
        let beats = || self.beats.as_ref().map(beats);
        self.period.or(self.mean_gap).or_else(beats).unwrap_or(1.0)
    }

    /// All identifiers that it may be sent with.
    pub fn ids(&self) -> impl Iterator<Item = Id> + '_ {
        let others = self.multiplex.iter().flat_map(|multiplex| multiplex.ids.iter().copied());
        std::iter::once(self.id).chain(others)
    }

    pub(super) fn check(&self, node: &Node, scenario: &Scenario) -> Result<(), String> {
        let name = format!("node {}, message {}", node.name, DisplayId(self.id));
        self.check_gaps(&name)?;
        if self.length > 8 {
            return Err(format!(
                "{name}: length is {}; the classical format has at most 8 bytes",
                self.length
            ));
        }
        if let Some(mode) = self.mode.as_ref().filter(|mode| !scenario.has_mode(mode)) {
            return Err(format!("{name}: there is no mode {mode}"));
        }
        self.pauses.map_or(Ok(()), |pauses| pauses.check(&name))?;
        if let Some(Multiplex { ids, frames: [least, most] }) = &self.multiplex
            && (ids.is_empty() || *least == 0 || most < least)
        {
            return Err(format!("{name}: multiplex needs `ids`, and `frames` as [least, most]"));
        }
        if self.looks_like.is_some() && self.length < 2 {
            return Err(format!("{name}: looks_like needs a length of 2 or more"));
        }
        match self.counter {
            Some(Counter { byte, bit, width })
                if byte >= self.length || bit > 7 || width == 0 || bit + width > 8 =>
            {
                Err(format!("{name}: the counter does not fit into its byte"))
            }
            _ => Ok(()),
        }
    }

    fn check_gaps(&self, name: &str) -> Result<(), String> {
        match (self.period, self.mean_gap, &self.beats) {
            (Some(gap), None, None) | (None, Some(gap), None)
                if gap >= 0.001 && gap.is_finite() =>
            {
                Ok(())
            }
            (None, None, Some(beats)) if !beats.is_empty() => {
                beats.iter().try_for_each(|beat| above_zero(&format!("{name}: beats"), *beat))
            }
            _ => Err(format!(
                "{name}: give either `period` or `mean_gap`, at least 0.001 s, or `beats`"
            )),
        }
    }
}
