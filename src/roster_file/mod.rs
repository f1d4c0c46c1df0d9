//! The roster file: the nodes that are expected, what each sends, and how often. Written by
//! `lostnode learn`, edited by hand, or read from an AUTOSAR system description.

mod arxml;
pub mod channels;
mod edit;
mod error;
mod parse;
mod twice;
mod write;

use std::collections::{BTreeSet, HashMap};
use std::fmt;

use lostnode_parsers::Id;

use crate::capture::ChannelIndex;
use crate::fold::diagnostics::meaning::has_word;
use crate::fold::diagnostics::{Module, Party};
use crate::fold::timing::{AliveCounter, Key};
use crate::ids::RosterIndex;
use crate::wiring_file::WiringFile;

pub use arxml::from_arxml;
use channels::Sent;
pub use edit::{Edit, edited};
pub use error::{Problem, RosterError};
pub use twice::Twice;

/// What is expected on the buses of a vehicle.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct RosterFile {
    /// The senders.
    pub nodes: Vec<ExpectedNode>,
    /// Messages whose sender is not known, by channel.
    pub lone: Vec<(String, ExpectedMessage)>,
    /// The captures it was learned from.
    pub learned: Vec<LearnedFrom>,
    /// What feeds whom in the harness, where it stands in the same file.
    pub wiring: WiringFile,
    /// What stands twice in it.
    pub twice: Vec<Twice>,
}

/// A capture that a roster was learned from.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct LearnedFrom {
    /// Name of the file, without its folder.
    pub path: String,
    /// Seconds in which it carried traffic.
    pub awake: f64,
    /// The logger kept only some of the frames: it taught no periods.
    pub thinned: bool,
    /// The key was off in a part of it.
    pub key_off: bool,
}

/// A node and what it sends.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct ExpectedNode {
    /// Its name, for people to give.
    pub name: String,
    /// Its channel.
    pub channel: String,
    /// Nobody has said yet that its messages have one sender, and what it is called: that was told
    /// from their clocks.
    pub guessed: bool,
    /// Messages that are expected of it.
    pub messages: Vec<ExpectedMessage>,
    /// Identifiers sent when something happens: they are its own, and never missed.
    pub events: Vec<Id>,
    /// What it answers a tester by.
    pub answers: Vec<Answering>,
    /// What trouble codes of others call it, such as `Door Control Module A`.
    pub missed_as: Vec<String>,
}

impl ExpectedNode {
    /// Whether a person has said what it is called. A name made of an identifier or an address
    /// stands where nobody has.
    pub fn is_called(&self) -> bool {
        let made = ["node of 0x", "sender of 0x", "address 0x"];
        !self.guessed && !made.iter().any(|begin| self.name.starts_with(begin))
    }

    /// Whether it is called a gateway or a bridge, by a person or by codes: it sends what others
    /// gave it, too.
    pub fn is_gateway(&self) -> bool {
        let mut names = std::iter::once(&self.name).chain(&self.missed_as);
        names.any(|name| ["gateway", "bridge"].iter().any(|word| has_word(name, word)))
    }

    /// All identifiers that it sends.
    pub fn ids(&self) -> impl Iterator<Item = Id> + '_ {
        self.messages.iter().map(|message| message.id).chain(self.events.iter().copied())
    }
}

/// What a module answers a tester by.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Answering {
    /// The channel, where it is another than that on which it sends.
    pub channel: Option<String>,
    /// The identifier, or the address.
    pub party: Party,
}

impl fmt::Display for Answering {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match &self.channel {
            Some(channel) => write!(f, "{channel} {}", self.party),
            None => write!(f, "{}", self.party),
        }
    }
}

/// A message and how often it comes, by its period, its rate or its share; one of them at least.
#[derive(Clone, Debug, PartialEq)]
pub struct ExpectedMessage {
    /// Its identifier.
    pub id: Id,
    /// Seconds between frames, where it is sent on a timer.
    pub period: Option<f64>,
    /// Frames for each second in which the channel carries traffic, where it has no timer.
    pub rate: Option<f64>,
    /// Share of the frames of its channel, 0 to 1.
    pub share: Option<f64>,
    /// In how many captures it was seen while learning, and of how many; `None` where it was not
    /// learned.
    pub seen: Option<(usize, usize)>,
    /// It is only sent with the key on.
    pub key: bool,
    /// Whether it is missed where it was never heard, or only remembered.
    pub expected: bool,
    /// A sound vehicle does not send it all the time: it came late in a capture, or ended early.
    pub sometimes: bool,
    /// Seconds of silence after which it is lost; from the period where not given.
    pub timeout: Option<f64>,
    /// The longest, in seconds, that it was silent by nature while it was learned.
    pub pauses: Option<f64>,
    /// A rolling counter in it.
    pub counter: Option<AliveCounter>,
}

impl ExpectedMessage {
    /// A message that is sent on a timer of `period` seconds.
    pub fn periodic(id: Id, period: f64) -> Self {
        ExpectedMessage { period: Some(period), expected: true, ..ExpectedMessage::remembered(id) }
    }

    /// A message of which nothing is known but that it exists.
    pub(crate) fn remembered(id: Id) -> Self {
        ExpectedMessage {
            id,
            period: None,
            rate: None,
            share: None,
            seen: None,
            key: false,
            expected: false,
            sometimes: false,
            timeout: None,
            pauses: None,
            counter: None,
        }
    }

    /// Frames for each second in which its channel carries traffic.
    pub fn per_second(&self) -> Option<f64> {
        self.period.map(|period| 1.0 / period).or(self.rate)
    }
}

/// Whether a text is a system description and no roster, by how it begins.
pub fn is_system_description(text: &str) -> bool {
    text.trim_start_matches('\u{feff}').trim_start().starts_with('<')
}

/// Reads a roster file, or an AUTOSAR system description, told apart by how it begins.
///
/// # Errors
/// Those of [`RosterFile::parse`] and [`from_arxml`].
///
/// ```
/// let error = lostnode::roster_file::read("[[node]]").unwrap_err();
/// assert!(error.to_string().contains("line 1"));
/// ```
pub fn read(text: &str) -> Result<RosterFile, RosterError> {
    if is_system_description(text) { from_arxml(text) } else { RosterFile::parse(text) }
}

impl RosterFile {
    /// Makes it ready for a capture with these channels. A roster of one channel fits a capture of
    /// one, whatever they are called.
    pub fn resolve(&self, channels: &[String]) -> Known {
        let sent = |name: &String| Sent { name: name.clone(), ids: BTreeSet::new() };
        self.fit(&channels.iter().map(sent).collect::<Vec<_>>())
    }

    /// The same, with what was heard on each channel: where that clearly belongs to a channel of
    /// the roster it is that one, whatever the two are called.
    pub fn fit(&self, heard: &[Sent]) -> Known {
        let expected = self.sent();
        let channels: Vec<&str> = heard.iter().map(|own| own.name.as_str()).collect();
        let sole = expected.len() == 1 && channels.len() == 1;
        let clear = channels::clear(&expected, heard);
        let index = |name: &str| {
            let at = expected.iter().position(|own| own.name == name)?;
            let named = channels.iter().position(|own| *own == name);
            let free = |place: &usize| clear[*place].is_none();
            match clear.iter().position(|pair| *pair == Some(at)) {
                _ if sole => Some(0),
                Some(place) => Some(place),
                None => named.filter(free),
            }
        };
        let mut known = Known::default();
        for (at, expected) in self.nodes.iter().enumerate() {
            let Some(channel) = index(&expected.channel) else {
                known.absent_channels.push(expected.channel.clone());
                continue;
            };
            let (node, channel) = (RosterIndex(at), channel as ChannelIndex);
            let key = |id: Id| Key { channel, id };
            let answer = |own: &Answering| {
                let channel = match &own.channel {
                    Some(name) => index(name)
                        .or_else(|| channels.iter().position(|own| own == name))?
                        as ChannelIndex,
                    None => channel,
                };
                Some(Module { channel, party: own.party })
            };
            let answers = expected.answers.iter().filter_map(answer).collect();
            known.nodes.push(KnownNode { node, channel, answers });
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
        let moved = expected.iter().filter(|own| !sole && !own.ids.is_empty());
        known.moved = moved
            .filter_map(|own| Some((own.name.clone(), channels[index(&own.name)?].to_owned())))
            .filter(|(was, is)| was != is)
            .collect();
        known
    }

    /// Its channels, and what is expected on each.
    fn sent(&self) -> Vec<Sent> {
        let mut out: Vec<Sent> = Vec::new();
        let of_nodes = self.nodes.iter().map(|node| (&node.channel, node.ids().collect()));
        let lone = self.lone.iter().map(|(channel, own)| (channel, vec![own.id]));
        for (channel, ids) in of_nodes.chain(lone) {
            match out.iter_mut().find(|own| own.name == *channel) {
                Some(own) => own.ids.extend(ids),
                None => out.push(Sent { name: channel.clone(), ids: ids.into_iter().collect() }),
            }
        }
        out
    }
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
    /// Channels of the file that have another name in the capture: both names.
    pub moved: Vec<(String, String)>,
}

/// What the file says of an identifier.
#[derive(Clone, Debug)]
pub struct KnownMessage {
    /// Who sends it; `None` where the file does not know.
    pub node: Option<RosterIndex>,
    /// What is known of it; `None` where it is sent when something happens.
    pub timed: Option<ExpectedMessage>,
}

impl KnownMessage {
    /// What is known of it, where every capture has it.
    pub fn expected(&self) -> Option<&ExpectedMessage> {
        self.timed.as_ref().filter(|message| message.expected)
    }
}

/// A node of the file and its channel in the capture.
#[derive(Clone, Debug)]
pub struct KnownNode {
    /// Its place in [`RosterFile::nodes`].
    pub node: RosterIndex,
    /// Channel in the capture.
    pub channel: ChannelIndex,
    /// What it answers a tester by.
    pub answers: Vec<Module>,
}
