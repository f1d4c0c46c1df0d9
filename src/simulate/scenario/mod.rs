//! The scenario file. Everything in it is checked before anything runs.

mod message;
mod recorder;
mod signal;
mod trouble;
mod vehicle;

use std::fmt;

use lostnode_parsers::Id;
use lostnode_parsers::frame::parse_id;
use serde::{Deserialize, Deserializer};

pub use message::{Counter, LooksLike, Message, Multiplex};
pub(in crate::simulate) use recorder::WRAP;
pub use recorder::{Cut, Delivers, Recorder, SetBack, Thin};
pub use signal::{Carried, Consequence, Course as SignalCourse, Signal, Trigger};
pub use trouble::{Trouble, TroubleKind};
pub(in crate::simulate) use vehicle::outside;
pub use vehicle::{Course, KeyTurn, Mode, Pauses, Starter, Turn, Wakes};

/// A bus, its nodes and their troubles.
#[derive(Clone, Debug, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Scenario {
    /// What it is about.
    pub title: String,
    /// Reminds every reader that no real vehicle is behind it.
    #[serde(default)]
    pub invented: bool,
    /// Start of the random numbers.
    #[serde(default)]
    pub seed: u64,
    /// Time of the beginning, seconds since the Unix epoch.
    pub start: f64,
    /// Length in seconds.
    pub duration: f64,
    /// The buses.
    #[serde(rename = "channel")]
    pub channels: Vec<Channel>,
    /// The nodes.
    #[serde(rename = "node")]
    pub nodes: Vec<Node>,
    /// Requests of a tester and the answers to them.
    #[serde(rename = "exchange", default)]
    pub exchanges: Vec<Exchange>,
    /// What goes wrong.
    #[serde(rename = "trouble", default)]
    pub troubles: Vec<Trouble>,
    /// Turns of the key, in order of time. Without any the engine runs from beginning to end.
    #[serde(rename = "key", default)]
    pub keys: Vec<KeyTurn>,
    /// Times in which something is switched on that makes messages come.
    #[serde(rename = "mode", default)]
    pub modes: Vec<Mode>,
    /// What payloads say of the vehicle.
    #[serde(rename = "signal", default)]
    pub signals: Vec<Signal>,
    /// Switches that bring troubles about.
    #[serde(rename = "trigger", default)]
    pub triggers: Vec<Trigger>,
    /// What other nodes say because of a loss.
    #[serde(rename = "consequence", default)]
    pub consequences: Vec<Consequence>,
    /// What the recorder does to what it heard.
    pub recorder: Option<Recorder>,
}

/// A bus as the logger names it.
#[derive(Clone, Debug, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Channel {
    /// Channel name in the capture.
    pub name: String,
    /// Bits per second.
    pub bit_rate: f64,
    /// Standard deviation of the logger's time stamps in seconds.
    #[serde(default)]
    pub stamp_noise: f64,
}

/// A control unit.
#[derive(Clone, Debug, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Node {
    /// Its name in the truth.
    pub name: String,
    /// The bus it is on.
    pub channel: String,
    /// The branch of the harness it hangs on, where several share one.
    pub branch: Option<String>,
    /// How fast its clock runs: its periods are longer than nominal by this many parts per million.
    #[serde(default)]
    pub drift_ppm: f64,
    /// Standard deviation of its sending instants in seconds.
    #[serde(default = "default_jitter")]
    pub jitter: f64,
    /// How far its clock wanders to and fro besides, in seconds (temperature), once in
    /// [`Node::wander_period`].
    #[serde(default)]
    pub wander: f64,
    /// Seconds from one furthest point of the wander to the next.
    #[serde(default = "default_wander_period")]
    pub wander_period: f64,
    /// From power to its first frame, in seconds.
    #[serde(default = "default_boot")]
    pub boot: f64,
    /// Whether it resets when the supply dips.
    #[serde(default)]
    pub resets_on_dip: bool,
    /// Step of the task that sends, in seconds: what is due in one step leaves together.
    pub tick: Option<f64>,
    /// Whether it goes on when the key is off.
    #[serde(default)]
    pub always_on: bool,
    /// Seconds from key-off to its silence; by chance 0.05 to 5 s where not given. A minute is an
    /// after-run.
    pub leaves: Option<f64>,
    /// Short wakes while the key is off.
    pub wakes: Option<Wakes>,
    /// What the starter does to it; nothing where not given.
    pub starter: Option<Starter>,
    /// What it sends.
    pub messages: Vec<Message>,
}

fn default_jitter() -> f64 {
    0.0002
}

fn default_wander_period() -> f64 {
    120.0
}

fn default_boot() -> f64 {
    0.3
}

/// A request of a tester and what modules answer, carried by ISO 15765-2 with normal addressing.
#[derive(Clone, Debug, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Exchange {
    /// The bus; the first one where not given.
    pub channel: Option<String>,
    /// When the request is sent, seconds from the start.
    pub at: f64,
    /// The request.
    pub request: Payload,
    /// The answers, in order.
    #[serde(default)]
    pub answers: Vec<Payload>,
}

/// A message of the diagnostic transport.
#[derive(Clone, Debug, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Payload {
    /// Identifier it is sent with.
    #[serde(deserialize_with = "id")]
    pub id: Id,
    /// Its bytes in hexadecimal; blanks between them are allowed. Text in quotation marks stands
    /// for its characters.
    #[serde(deserialize_with = "bytes")]
    pub data: Vec<u8>,
}

/// What is wrong with a scenario file.
#[derive(Debug)]
pub struct ScenarioError(String);

impl fmt::Display for ScenarioError {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str(&self.0)
    }
}

impl std::error::Error for ScenarioError {}

fn id<'de, D: Deserializer<'de>>(deserializer: D) -> Result<Id, D::Error> {
    let text = String::deserialize(deserializer)?;
    parse_id(&text).ok_or_else(|| {
        serde::de::Error::custom(format!(
            "`{text}` is no identifier: 3 digits up to 7FF or 8 up to 1FFFFFFF"
        ))
    })
}

fn bytes<'de, D: Deserializer<'de>>(deserializer: D) -> Result<Vec<u8>, D::Error> {
    let text = String::deserialize(deserializer)?;
    let mut out = Vec::new();
    // Every second part stands between quotation marks.
    for (at, part) in text.split('\'').enumerate() {
        if at % 2 == 1 {
            out.extend_from_slice(part.as_bytes());
            continue;
        }
        let digits: String = part.chars().filter(|c| *c != ' ').collect();
        out.extend(
            hex::decode(&digits)
                .map_err(|error| serde::de::Error::custom(format!("`{part}`: {error}")))?,
        );
    }
    if out.is_empty() || out.len() > 4095 {
        return Err(serde::de::Error::custom("a message has 1 to 4095 bytes"));
    }
    Ok(out)
}

impl Scenario {
    /// Leaves out the troubles, what triggers them, and the tester: the same vehicle, sound.
    pub fn make_sound(&mut self) {
        self.troubles.clear();
        self.triggers.clear();
        self.exchanges.clear();
    }

    /// Reads and checks a scenario.
    ///
    /// # Errors
    /// The line and key that are wrong.
    ///
    /// ```
    /// use lostnode::simulate::Scenario;
    /// let text = "title = \"t\"\nstart = 0.0\nduration = -1.0";
    /// let error = Scenario::parse(text).unwrap_err();
    /// assert!(error.to_string().contains("line 1"));
    /// ```
    pub fn parse(text: &str) -> Result<Scenario, ScenarioError> {
        let scenario: Scenario =
            toml::from_str(text).map_err(|error| ScenarioError(error.to_string()))?;
        scenario.check().map_err(ScenarioError)?;
        Ok(scenario)
    }

    fn check(&self) -> Result<(), String> {
        seconds("start", self.start)?;
        seconds("duration", self.duration)?;
        for channel in &self.channels {
            if !(1e3..=1e7).contains(&channel.bit_rate) {
                return Err(format!(
                    "channel {}: bit_rate is {}; it is in bits per second",
                    channel.name, channel.bit_rate
                ));
            }
        }
        self.nodes.iter().try_for_each(|node| self.check_node(node))?;
        for exchange in &self.exchanges {
            seconds("exchange: at", exchange.at)?;
            if let Some(channel) =
                exchange.channel.as_ref().filter(|channel| self.channel(channel).is_none())
            {
                return Err(format!(
                    "exchange at {} s: there is no channel {channel}",
                    exchange.at
                ));
            }
        }
        self.troubles.iter().try_for_each(|trouble| self.check_trouble(trouble))?;
        self.check_vehicle()?;
        self.check_signals()?;
        self.recorder.as_ref().map_or(Ok(()), |recorder| recorder.check(self.start))
    }

    fn check_node(&self, node: &Node) -> Result<(), String> {
        let name = format!("node {}", node.name);
        self.channel(&node.channel)
            .ok_or_else(|| format!("{name}: there is no channel {}", node.channel))?;
        seconds(&format!("{name}: jitter"), node.jitter)?;
        seconds(&format!("{name}: boot"), node.boot)?;
        seconds(&format!("{name}: wander"), node.wander)?;
        if !(node.wander_period > 0.0 && node.wander_period.is_finite()) {
            return Err(format!(
                "{name}: wander_period is {}; it is in seconds, above zero",
                node.wander_period
            ));
        }
        node.tick.map_or(Ok(()), |tick| above_zero(&format!("{name}: tick"), tick))?;
        node.leaves.map_or(Ok(()), |leaves| seconds(&format!("{name}: leaves"), leaves))?;
        node.wakes.map_or(Ok(()), |wakes| wakes.check(&name))?;
        if node.always_on && (node.leaves.is_some() || node.wakes.is_some()) {
            return Err(format!("{name}: what is always_on neither leaves nor wakes"));
        }
        node.messages.iter().try_for_each(|message| message.check(node, self))
    }

    /// Index of a channel by name.
    pub fn channel(&self, name: &str) -> Option<usize> {
        self.channels.iter().position(|channel| channel.name == name)
    }
}

fn seconds(what: &str, value: f64) -> Result<(), String> {
    match value.is_finite() && value >= 0.0 {
        true => Ok(()),
        false => Err(format!("{what} is {value}; it must be a number of seconds from 0 up")),
    }
}

fn above_zero(what: &str, value: f64) -> Result<(), String> {
    match value.is_finite() && value >= 1e-4 {
        true => Ok(()),
        false => Err(format!("{what} is {value}; it must be a number of seconds from 0.0001 up")),
    }
}
