//! The scenario file. Everything in it is checked before anything runs.

use std::fmt;

use lostnode_parsers::Id;
use lostnode_parsers::frame::parse_id;
use serde::{Deserialize, Deserializer};

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

/// One identifier of a node: periodic with `period`, or at random with `mean_gap`.
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
    /// First frame after start-up, in seconds; spread over the period where not given.
    pub offset: Option<f64>,
    /// Data bytes, 0 to 8.
    #[serde(default = "default_length")]
    pub length: u8,
    /// A counter that goes up by one with each frame and starts from zero when the node does.
    pub counter: Option<Counter>,
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

/// Something that goes wrong at `at` seconds for `lasts` seconds; several times with lists.
#[derive(Clone, Debug, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Trouble {
    /// What happens.
    pub kind: TroubleKind,
    /// Which node: for `power_loss` and `stub_open`.
    pub node: Option<String>,
    /// Which branch: for `branch_open`.
    pub branch: Option<String>,
    /// Which bus: for `bus_short` and `key_off`; all of them where not given.
    pub channel: Option<String>,
    /// Beginnings, seconds from the start.
    pub at: Vec<f64>,
    /// Lengths in seconds: one for all, or one for each.
    pub lasts: Vec<f64>,
}

/// The kinds of trouble.
#[derive(Clone, Copy, Debug, Deserialize, PartialEq, Eq)]
#[serde(rename_all = "snake_case")]
pub enum TroubleKind {
    /// The node has no supply; it starts anew afterwards.
    PowerLoss,
    /// The node runs on but is not connected.
    StubOpen,
    /// All nodes of a branch run on but are not connected.
    BranchOpen,
    /// Nothing gets through; the logger reports errors.
    BusShort,
    /// Nodes stop one after another and start anew.
    KeyOff,
    /// The logger takes nothing; the bus runs on.
    CapturePause,
    /// The supply dips: nodes that mind it start anew.
    SupplyDip,
    /// Error reports come now and then while frames get through: a bad termination.
    BusErrors,
    /// The logger runs over: frames are missing that were on the bus, and it says so.
    LoggerOverflow,
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
    /// Reads and checks a scenario.
    ///
    /// # Errors
    /// The line and key that are wrong.
    ///
    /// ```
    /// let error = lostnode::simulate::Scenario::parse("title = \"t\"\nstart = 0.0\nduration = -1.0").unwrap_err();
    /// assert!(error.to_string().contains("line 1"));
    /// ```
    pub fn parse(text: &str) -> Result<Scenario, ScenarioError> {
        let scenario: Scenario =
            toml::from_str(text).map_err(|error| ScenarioError(error.to_string()))?;
        scenario.check().map_err(ScenarioError)?;
        Ok(scenario)
    }

    fn check(&self) -> Result<(), String> {
        let seconds = |what: &str, value: f64| match value.is_finite() && value >= 0.0 {
            true => Ok(()),
            false => Err(format!("{what} is {value}; it must be a number of seconds from 0 up")),
        };
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
        for node in &self.nodes {
            self.channel(&node.channel).ok_or_else(|| {
                format!("node {}: there is no channel {}", node.name, node.channel)
            })?;
            seconds(&format!("node {}: jitter", node.name), node.jitter)?;
            seconds(&format!("node {}: boot", node.name), node.boot)?;
            seconds(&format!("node {}: wander", node.name), node.wander)?;
            if !(node.wander_period > 0.0 && node.wander_period.is_finite()) {
                return Err(format!(
                    "node {}: wander_period is {}; it is in seconds, above zero",
                    node.name, node.wander_period
                ));
            }
            node.messages.iter().try_for_each(|message| message.check(&node.name))?;
        }
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
        self.troubles.iter().try_for_each(|trouble| self.check_trouble(trouble))
    }

    fn check_trouble(&self, trouble: &Trouble) -> Result<(), String> {
        let kind = trouble.kind;
        if trouble.at.is_empty()
            || !(trouble.lasts.len() == 1 || trouble.lasts.len() == trouble.at.len())
        {
            return Err(format!(
                "trouble {kind:?}: give `at` and, in `lasts`, one length or as many as beginnings"
            ));
        }
        let named = match kind {
            TroubleKind::PowerLoss | TroubleKind::StubOpen => trouble
                .node
                .as_ref()
                .is_some_and(|name| self.nodes.iter().any(|node| node.name == *name)),
            TroubleKind::BranchOpen => {
                trouble.branch.is_some()
                    && self.nodes.iter().any(|node| node.branch == trouble.branch)
            }
            _ => trouble.channel.as_ref().is_none_or(|name| self.channel(name).is_some()),
        };
        if named {
            Ok(())
        } else {
            Err(format!("trouble {kind:?}: name an existing node, branch or channel"))
        }
    }

    /// Index of a channel by name.
    pub fn channel(&self, name: &str) -> Option<usize> {
        self.channels.iter().position(|channel| channel.name == name)
    }
}

impl Message {
    fn check(&self, node: &str) -> Result<(), String> {
        let name = format!("node {node}, message {}", lostnode_parsers::frame::DisplayId(self.id));
        match (self.period, self.mean_gap) {
            (Some(gap), None) | (None, Some(gap)) if gap >= 0.001 && gap.is_finite() => {}
            _ => {
                return Err(format!(
                    "{name}: give either `period` or `mean_gap`, at least 0.001 s"
                ));
            }
        }
        if self.length > 8 {
            return Err(format!(
                "{name}: length is {}; the classical format has at most 8 bytes",
                self.length
            ));
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
}

impl Trouble {
    /// Beginning and end of each occurrence, in seconds.
    pub fn times(&self) -> impl Iterator<Item = (f64, f64)> + '_ {
        let lasts = |at: usize| self.lasts.get(at).or(self.lasts.first()).copied().unwrap_or(0.0);
        self.at.iter().enumerate().map(move |(at, begin)| (*begin, begin + lasts(at)))
    }
}
