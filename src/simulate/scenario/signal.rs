//! What payloads say: signals, what they trigger, and what other nodes say because of a loss.

use serde::Deserialize;

use super::trouble::TroubleKind;
use super::{Message, Scenario, above_zero, seconds};

/// A signal of the vehicle, that messages carry. Its course refuses the keys that neither knows.
#[derive(Clone, Debug, Deserialize)]
pub struct Signal {
    /// Its name.
    pub name: String,
    /// What it does.
    #[serde(flatten)]
    pub course: Course,
}

/// How a signal goes over time.
#[derive(Clone, Debug, Deserialize)]
#[serde(tag = "kind", rename_all = "snake_case", deny_unknown_fields)]
pub enum Course {
    /// A switch: 0, and 1 from each beginning on for its length.
    Switch {
        /// Beginnings in seconds from the start.
        #[serde(default)]
        at: Vec<f64>,
        /// Instead of them: mean seconds from one to the next, at random.
        every: Option<f64>,
        /// Shortest and longest of its times at 1, in seconds.
        lasts: [f64; 2],
    },
    /// A value that wanders between two ends.
    Analogue {
        /// Lowest and highest raw value.
        range: [u16; 2],
        /// Seconds in which it goes from about one end to the other.
        moves_in: f64,
    },
    /// A raw value that goes from one to another as a body warms up or cools down.
    Temperature {
        /// At the start, and in the end.
        range: [u16; 2],
        /// Seconds in which it comes two thirds of the way.
        over: f64,
    },
}

/// Where a message carries a signal.
#[derive(Clone, Debug, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Carried {
    /// Name of the signal, or of a consequence.
    pub signal: String,
    /// Byte from 0.
    pub byte: u8,
    /// Lowest bit in the byte, from 0.
    #[serde(default)]
    pub bit: u8,
    /// Bits, 1 to 16.
    #[serde(default = "one")]
    pub width: u8,
    /// Of two bytes, the first is the higher one.
    #[serde(default)]
    pub high_first: bool,
    /// It is carried the other way round: 0 for 1.
    #[serde(default)]
    pub inverted: bool,
}

fn one() -> u8 {
    1
}

/// A switch that brings a trouble about.
#[derive(Clone, Debug, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Trigger {
    /// Name of the switch.
    pub signal: String,
    /// Whether it is its going back to 0 that does it.
    #[serde(default)]
    pub falling: bool,
    /// What happens then: `power_loss` or `stub_open`.
    pub kind: TroubleKind,
    /// To which node.
    pub node: String,
    /// How probable it is each time.
    #[serde(default = "always")]
    pub probability: f64,
    /// Seconds until then, least and most.
    pub delay: [f64; 2],
    /// How long it lasts, least and most.
    pub lasts: [f64; 2],
}

fn always() -> f64 {
    1.0
}

/// A signal that is 1 while a node is missed: a substitute value, a lamp, a fault bit.
#[derive(Clone, Debug, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Consequence {
    /// Its name, for what messages carry.
    pub name: String,
    /// Which node is missed.
    pub node: String,
    /// Seconds from the loss until the monitor has noticed it.
    pub after: f64,
    /// Seconds from the return until it is taken back.
    #[serde(default)]
    pub stays: f64,
}

impl Carried {
    /// Its bits in a payload, the first byte lowest, and the value put there.
    pub fn put(&self, payload: u64, value: u16) -> u64 {
        let value = if self.inverted { !value } else { value };
        let mask = ((1_u64 << self.width) - 1) as u16;
        let swap = |bits: u16| if self.high_first { bits.swap_bytes() } else { bits };
        let at = u32::from(self.byte) * 8 + u32::from(self.bit);
        let (mask, value) = (swap(mask), swap(value & mask));
        payload & !(u64::from(mask) << at) | u64::from(value) << at
    }
}

impl Scenario {
    pub(super) fn check_signals(&self) -> Result<(), String> {
        for signal in &self.signals {
            signal.check()?;
        }
        let node =
            |what: &str, name: &String| match self.nodes.iter().any(|node| node.name == *name) {
                true => Ok(()),
                false => Err(format!("{what}: there is no node {name}")),
            };
        for trigger in &self.triggers {
            let name = format!("trigger {}", trigger.signal);
            node(&name, &trigger.node)?;
            let switch = |own: &&Signal| {
                own.name == trigger.signal && matches!(own.course, Course::Switch { .. })
            };
            self.signals
                .iter()
                .find(switch)
                .ok_or_else(|| format!("{name}: there is no such switch among the signals"))?;
            span(&format!("{name}: delay"), trigger.delay)?;
            span(&format!("{name}: lasts"), trigger.lasts)?;
            let of_node = [TroubleKind::PowerLoss, TroubleKind::StubOpen].contains(&trigger.kind);
            if !of_node || !(0.0..=1.0).contains(&trigger.probability) {
                return Err(format!(
                    "{name}: its kind is power_loss or stub_open, its probability from 0 to 1"
                ));
            }
        }
        for own in &self.consequences {
            let name = format!("consequence {}", own.name);
            node(&name, &own.node)?;
            seconds(&format!("{name}: after"), own.after)?;
            seconds(&format!("{name}: stays"), own.stays)?;
        }
        let messages = self.nodes.iter().flat_map(|node| &node.messages);
        messages
            .flat_map(|message| message.signals.iter().map(move |own| (message, own)))
            .try_for_each(|(message, own)| self.check_carried(message, own))
    }

    fn check_carried(&self, message: &Message, own: &Carried) -> Result<(), String> {
        let known = self.signals.iter().any(|signal| signal.name == own.signal)
            || self.consequences.iter().any(|other| other.name == own.signal);
        let name = &own.signal;
        if !known {
            return Err(format!("signals: there is no signal and no consequence {name}"));
        }
        let end = u16::from(own.byte) * 8 + u16::from(own.bit) + u16::from(own.width);
        let fits = (1..=16).contains(&own.width) && end <= u16::from(message.length) * 8;
        // The higher byte first makes sense of two whole bytes only.
        let whole = !own.high_first || (own.bit, own.width) == (0, 16);
        match fits && whole && own.bit < 8 {
            true => Ok(()),
            false => Err(format!("signals: {name} does not fit into its message")),
        }
    }
}

impl Signal {
    fn check(&self) -> Result<(), String> {
        let name = format!("signal {}", self.name);
        match &self.course {
            Course::Switch { at, every, lasts } => {
                at.iter().try_for_each(|at| seconds(&format!("{name}: at"), *at))?;
                every.map_or(Ok(()), |every| above_zero(&format!("{name}: every"), every))?;
                span(&format!("{name}: lasts"), *lasts)
            }
            Course::Analogue { range, moves_in: over } | Course::Temperature { range, over } => {
                above_zero(&name, *over)?;
                match range[0] < range[1] || matches!(self.course, Course::Temperature { .. }) {
                    true => Ok(()),
                    false => Err(format!("{name}: range goes from the lower to the higher value")),
                }
            }
        }
    }
}

fn span(what: &str, [least, most]: [f64; 2]) -> Result<(), String> {
    seconds(what, least)?;
    match least <= most && most.is_finite() {
        true => Ok(()),
        false => Err(format!("{what} is [least, most], in seconds")),
    }
}
