//! The roster file: the nodes that are expected, what each sends, and how often. Written by
//! `lostnode learn`, edited by hand, or read from an AUTOSAR system description.

mod arxml;
mod error;

use std::collections::HashMap;
use std::fmt::Write as _;

use lostnode_parsers::Id;
use lostnode_parsers::frame::{DisplayId, parse_id};
use serde::Deserialize;
use toml::Spanned;

use crate::capture::ChannelIndex;
use crate::fold::timing::{AliveCounter, Key};
use crate::ids::RosterIndex;

pub use arxml::from_arxml;
pub use error::{Problem, RosterError};

/// What is expected on the buses of a vehicle.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct RosterFile {
    /// The senders.
    pub nodes: Vec<ExpectedNode>,
    /// Messages whose sender is not known, by channel.
    pub lone: Vec<(String, ExpectedMessage)>,
}

/// A node and what it sends.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct ExpectedNode {
    /// Its name, for people to give.
    pub name: String,
    /// Its channel.
    pub channel: String,
    /// Messages sent on a timer.
    pub messages: Vec<ExpectedMessage>,
    /// Identifiers sent when something happens: they are its own, and never missed.
    pub events: Vec<Id>,
}

/// A message sent on a timer.
#[derive(Clone, Debug, PartialEq)]
pub struct ExpectedMessage {
    /// Its identifier.
    pub id: Id,
    /// Seconds between frames.
    pub period: f64,
    /// Seconds of silence after which it is lost; from the period where not given.
    pub timeout: Option<f64>,
    /// A rolling counter in it.
    pub counter: Option<AliveCounter>,
}

#[derive(Deserialize)]
#[serde(deny_unknown_fields)]
struct FileToml {
    #[serde(default)]
    node: Vec<NodeToml>,
    #[serde(default)]
    lone: Vec<LoneToml>,
}

#[derive(Deserialize)]
#[serde(deny_unknown_fields)]
struct NodeToml {
    name: Spanned<String>,
    channel: String,
    #[serde(default)]
    messages: Vec<MessageToml>,
    #[serde(default)]
    events: Vec<Spanned<String>>,
}

#[derive(Deserialize)]
#[serde(deny_unknown_fields)]
struct LoneToml {
    channel: String,
    messages: Vec<MessageToml>,
}

#[derive(Deserialize)]
#[serde(deny_unknown_fields)]
struct MessageToml {
    id: Spanned<String>,
    period: Spanned<f64>,
    timeout: Option<Spanned<f64>>,
    counter: Option<CounterToml>,
}

#[derive(Clone, Copy, Deserialize)]
#[serde(deny_unknown_fields)]
struct CounterToml {
    byte: u8,
    bit: u8,
    width: u8,
}

/// Checks with the text at hand, so that errors name lines.
struct Check<'a> {
    text: &'a str,
    seen: HashMap<(String, Id), usize>,
}

impl Check<'_> {
    fn line(&self, at: usize) -> usize {
        self.text[..at.min(self.text.len())].matches('\n').count() + 1
    }

    fn id(&mut self, channel: &str, id: &Spanned<String>) -> Result<Id, RosterError> {
        let line = self.line(id.span().start);
        let wrong = |problem| RosterError::AtLine { line, problem };
        let parsed = id
            .get_ref()
            .strip_prefix("0x")
            .and_then(parse_id)
            .ok_or_else(|| wrong(Problem::NoIdentifier { id: id.get_ref().clone() }))?;
        match self.seen.insert((channel.to_owned(), parsed), line) {
            Some(first) => {
                let (id, channel) = (id.get_ref().clone(), channel.to_owned());
                Err(wrong(Problem::Twice { id, channel, first }))
            }
            None => Ok(parsed),
        }
    }

    fn message(
        &mut self,
        channel: &str,
        message: &MessageToml,
    ) -> Result<ExpectedMessage, RosterError> {
        let seconds = |key: &'static str, value: &Spanned<f64>| match *value.get_ref() {
            seconds if seconds > 0.0 && seconds.is_finite() => Ok(seconds),
            other => Err(RosterError::AtLine {
                line: self.line(value.span().start),
                problem: Problem::NoDuration { key, value: other },
            }),
        };
        let period = seconds("period", &message.period)?;
        let timeout =
            message.timeout.as_ref().map(|timeout| seconds("timeout", timeout)).transpose()?;
        let counter = message.counter.map(|CounterToml { byte, bit, width }| AliveCounter {
            byte,
            bit,
            width,
        });
        if counter.is_some_and(|c| c.byte > 7 || c.width < 2 || c.bit + c.width > 8) {
            let line = self.line(message.id.span().start);
            return Err(RosterError::AtLine { line, problem: Problem::CounterDoesNotFit });
        }
        Ok(ExpectedMessage { id: self.id(channel, &message.id)?, period, timeout, counter })
    }
}

/// Stands under the heading of a roster that is written.
const HOW_TO_EDIT: &str = "#
# Edit freely: names are yours to give; times are in seconds. `timeout` may be left out \
(then 5 periods and the
# jitter). `events` are identifiers that a node sends when something happens: they are never \
missed.
";

impl RosterFile {
    /// Reads and checks a roster file.
    ///
    /// # Errors
    /// The line and key that are wrong.
    ///
    /// ```
    /// use lostnode::roster_file::RosterFile;
    /// let node = "[[node]]\nname = \"door\"\nchannel = \"can0\"\n";
    /// let text = format!("{node}messages = [\n{{ id = \"0x3B0\", period = 0.0 }} ]");
    /// let error = RosterFile::parse(&text).unwrap_err();
    /// assert_eq!(error.to_string(), "line 5: period is 0; it is in seconds, above zero");
    /// ```
    pub fn parse(text: &str) -> Result<RosterFile, RosterError> {
        let file: FileToml =
            toml::from_str(text).map_err(|error| RosterError::Form(error.to_string()))?;
        let mut check = Check { text, seen: HashMap::new() };
        let mut out = RosterFile::default();
        for node in &file.node {
            if node.name.get_ref().trim().is_empty() {
                let line = check.line(node.name.span().start);
                return Err(RosterError::AtLine { line, problem: Problem::NameEmpty });
            }
            let messages = node
                .messages
                .iter()
                .map(|message| check.message(&node.channel, message))
                .collect::<Result<_, _>>()?;
            let events = node
                .events
                .iter()
                .map(|id| check.id(&node.channel, id))
                .collect::<Result<_, _>>()?;
            out.nodes.push(ExpectedNode {
                name: node.name.get_ref().clone(),
                channel: node.channel.clone(),
                messages,
                events,
            });
        }
        for lone in &file.lone {
            for message in &lone.messages {
                out.lone.push((lone.channel.clone(), check.message(&lone.channel, message)?));
            }
        }
        Ok(out)
    }

    /// Writes it with comments, as [`RosterFile::parse`] reads it.
    pub fn write(&self, heading: &str) -> String {
        let mut out = String::new();
        for line in heading.lines() {
            let _ = writeln!(out, "# {line}");
        }
        out += HOW_TO_EDIT;
        for node in &self.nodes {
            let name = toml::Value::String(node.name.clone());
            let channel = toml::Value::String(node.channel.clone());
            let _ = write!(out, "\n[[node]]\nname = {name}\nchannel = {channel}\nmessages = [\n");
            node.messages.iter().for_each(|message| message.write(&mut out));
            out += "]\n";
            if !node.events.is_empty() {
                let list: Vec<String> =
                    node.events.iter().map(|id| format!("\"0x{}\"", DisplayId(*id))).collect();
                let _ = writeln!(out, "events = [{}]", list.join(", "));
            }
        }
        let mut channels: Vec<&String> = self.lone.iter().map(|(channel, _)| channel).collect();
        channels.dedup();
        for channel in channels {
            let name = toml::Value::String(channel.clone());
            let _ = write!(
                out,
                "\n# Their senders are not known: move them to a node where you know it.\n\
                 [[lone]]\nchannel = {name}\nmessages = [\n"
            );
            self.lone
                .iter()
                .filter(|(own, _)| own == channel)
                .for_each(|(_, message)| message.write(&mut out));
            out += "]\n";
        }
        out
    }

    /// Makes it ready for a capture with these channels. A roster of one channel fits a capture of
    /// one, whatever they are called.
    pub fn resolve(&self, channels: &[String]) -> Known {
        let mut names: Vec<&str> = self.nodes.iter().map(|node| node.channel.as_str()).collect();
        names.extend(self.lone.iter().map(|(channel, _)| channel.as_str()));
        names.sort_unstable();
        names.dedup();
        let sole = names.len() == 1 && channels.len() == 1;
        let index =
            |name: &str| if sole { Some(0) } else { channels.iter().position(|own| own == name) };
        let mut known = Known::default();
        for (at, expected) in self.nodes.iter().enumerate() {
            let Some(channel) = index(&expected.channel) else {
                known.absent_channels.push(expected.channel.clone());
                continue;
            };
            let (node, channel) = (RosterIndex(at), channel as ChannelIndex);
            let key = |id: Id| Key { channel, id };
            known.nodes.push(KnownNode { node, channel });
            let of = |timed| KnownMessage { node: Some(node), timed };
            let timed = expected.messages.iter();
            known.messages.extend(timed.map(|own| (key(own.id), of(Some(own.clone())))));
            known.messages.extend(expected.events.iter().map(|id| (key(*id), of(None))));
        }
        for (name, message) in &self.lone {
            if let Some(channel) = index(name) {
                known.messages.insert(
                    Key { channel: channel as ChannelIndex, id: message.id },
                    KnownMessage { node: None, timed: Some(message.clone()) },
                );
            }
        }
        known.absent_channels.sort_unstable();
        known.absent_channels.dedup();
        known
    }
}

impl ExpectedMessage {
    fn write(&self, out: &mut String) {
        let _ =
            write!(out, "  {{ id = \"0x{}\", period = {}", DisplayId(self.id), round(self.period));
        if let Some(timeout) = self.timeout {
            let _ = write!(out, ", timeout = {}", round(timeout));
        }
        if let Some(AliveCounter { byte, bit, width }) = self.counter {
            let _ = write!(out, ", counter = {{ byte = {byte}, bit = {bit}, width = {width} }}");
        }
        *out += " },\n";
    }
}

/// To a microsecond, always with a point.
fn round(seconds: f64) -> String {
    let text = format!("{seconds:.6}");
    let text = text.trim_end_matches('0');
    if text.ends_with('.') { format!("{text}0") } else { text.to_owned() }
}

/// A roster file fitted to the channels of a capture.
#[derive(Clone, Debug, Default)]
pub struct Known {
    /// By channel and identifier: what is expected.
    pub messages: HashMap<Key, KnownMessage>,
    /// Nodes whose channel is in the capture.
    pub nodes: Vec<KnownNode>,
    /// Channels of the file that the capture does not have.
    pub absent_channels: Vec<String>,
}

/// What the file says of an identifier.
#[derive(Clone, Debug)]
pub struct KnownMessage {
    /// Who sends it; `None` where the file does not know.
    pub node: Option<RosterIndex>,
    /// The message where it is on a timer; `None` where it is sent when something happens.
    pub timed: Option<ExpectedMessage>,
}

/// A node of the file and its channel in the capture.
#[derive(Clone, Copy, Debug)]
pub struct KnownNode {
    /// Its place in [`RosterFile::nodes`].
    pub node: RosterIndex,
    /// Channel in the capture.
    pub channel: ChannelIndex,
}
