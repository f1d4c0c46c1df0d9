//! Reads and checks a roster file.

use std::collections::HashMap;

use lostnode_parsers::Id;
use lostnode_parsers::frame::parse_id;
use serde::Deserialize;
use toml::Spanned;

use super::{
    Answering, ExpectedMessage, ExpectedNode, LearnedFrom, Problem, RosterError, RosterFile,
};
use crate::fold::diagnostics::{Party, meaning};
use crate::fold::timing::AliveCounter;
use crate::wiring_file::{ElementToml, WiringFile};

#[derive(Deserialize)]
#[serde(deny_unknown_fields)]
struct FileToml {
    #[serde(default)]
    node: Vec<NodeToml>,
    #[serde(default)]
    lone: Vec<LoneToml>,
    #[serde(default)]
    learned: Vec<LearnedToml>,
    #[serde(default)]
    element: Vec<ElementToml>,
}

#[derive(Deserialize)]
#[serde(deny_unknown_fields)]
struct LearnedToml {
    path: String,
    awake: f64,
    #[serde(default)]
    thinned: bool,
    #[serde(default)]
    key_off: bool,
}

#[derive(Deserialize)]
#[serde(deny_unknown_fields)]
struct NodeToml {
    name: Spanned<String>,
    channel: String,
    #[serde(default)]
    guessed: bool,
    #[serde(default)]
    messages: Vec<MessageToml>,
    #[serde(default)]
    events: Vec<Spanned<String>>,
    #[serde(default)]
    answers: Vec<Spanned<String>>,
    #[serde(default)]
    missed_as: Vec<Spanned<String>>,
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
    period: Option<Spanned<f64>>,
    rate: Option<Spanned<f64>>,
    share: Option<Spanned<f64>>,
    seen: Option<usize>,
    of: Option<usize>,
    #[serde(default)]
    key: bool,
    #[serde(default = "yes")]
    expected: bool,
    #[serde(default)]
    sometimes: bool,
    timeout: Option<Spanned<f64>>,
    counter: Option<CounterToml>,
}

fn yes() -> bool {
    true
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
    /// By channel and what was said, the line on which a module was told by it.
    told: HashMap<(String, String), usize>,
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

    /// What a module answers by; no two answer by the same.
    fn answering(
        &mut self,
        channel: &str,
        text: &Spanned<String>,
    ) -> Result<Answering, RosterError> {
        let line = self.line(text.span().start);
        let wrong = |problem| RosterError::AtLine { line, problem };
        let own = answering(text.get_ref())
            .ok_or_else(|| wrong(Problem::NoAnswering { text: text.get_ref().clone() }))?;
        let place = own.channel.clone().unwrap_or_else(|| channel.to_owned());
        self.once(place, own.party.to_string(), line)?;
        Ok(own)
    }

    /// What codes call a module; no two are called the same.
    fn missed_as(&mut self, name: &Spanned<String>) -> Result<String, RosterError> {
        let line = self.line(name.span().start);
        let name = name.get_ref().clone();
        if !meaning::is_missed(&name) {
            return Err(RosterError::AtLine { line, problem: Problem::NobodyMisses { name } });
        }
        self.once(String::new(), name.clone(), line)?;
        Ok(name)
    }

    fn once(&mut self, place: String, what: String, line: usize) -> Result<(), RosterError> {
        match self.told.insert((place, what.clone()), line) {
            Some(first) => {
                Err(RosterError::AtLine { line, problem: Problem::OfTwo { what, first } })
            }
            None => Ok(()),
        }
    }

    fn message(
        &mut self,
        channel: &str,
        message: &MessageToml,
    ) -> Result<ExpectedMessage, RosterError> {
        let above_zero = |key: &'static str, value: &Option<Spanned<f64>>| {
            let Some(value) = value else { return Ok(None) };
            match *value.get_ref() {
                number if number > 0.0 && number.is_finite() => Ok(Some(number)),
                other => Err(RosterError::AtLine {
                    line: self.line(value.span().start),
                    problem: match key {
                        "rate" | "share" => Problem::NotAboveZero { key, value: other },
                        _ => Problem::NoDuration { key, value: other },
                    },
                }),
            }
        };
        let period = above_zero("period", &message.period)?;
        let rate = above_zero("rate", &message.rate)?;
        let share = above_zero("share", &message.share)?;
        let timeout = above_zero("timeout", &message.timeout)?;
        if period.or(rate).or(share).is_none() {
            return Err(RosterError::AtLine {
                line: self.line(message.id.span().start),
                problem: Problem::HowOften { id: message.id.get_ref().clone() },
            });
        }
        let counter = message.counter.map(|CounterToml { byte, bit, width }| AliveCounter {
            byte,
            bit,
            width,
        });
        if counter.is_some_and(|c| c.byte > 7 || c.width < 2 || c.bit + c.width > 8) {
            let line = self.line(message.id.span().start);
            return Err(RosterError::AtLine { line, problem: Problem::CounterDoesNotFit });
        }
        Ok(ExpectedMessage {
            id: self.id(channel, &message.id)?,
            period,
            rate,
            share,
            seen: message.seen.zip(message.of),
            key: message.key,
            expected: message.expected,
            sometimes: message.sometimes,
            timeout,
            counter,
        })
    }
}

/// `0x7EA` or `address 0x28`, perhaps with a channel before it.
fn answering(text: &str) -> Option<Answering> {
    let (rest, digits) = text.trim().rsplit_once("0x")?;
    let id = || parse_id(digits).map(Party::Id);
    let address = || u8::from_str_radix(digits, 16).ok().map(Party::Address);
    let rest = rest.trim();
    let (channel, party) = match rest.strip_suffix("address") {
        Some(channel) => (channel.trim(), address()?),
        None => (rest, id()?),
    };
    Some(Answering { channel: (!channel.is_empty()).then(|| channel.to_owned()), party })
}

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
        let mut check = Check { text, seen: HashMap::new(), told: HashMap::new() };
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
            let answers = node.answers.iter().map(|own| check.answering(&node.channel, own));
            let answers = answers.collect::<Result<_, _>>()?;
            let missed_as = node.missed_as.iter().map(|name| check.missed_as(name));
            let missed_as = missed_as.collect::<Result<_, _>>()?;
            out.nodes.push(ExpectedNode {
                name: node.name.get_ref().clone(),
                channel: node.channel.clone(),
                guessed: node.guessed,
                messages,
                events,
                answers,
                missed_as,
            });
        }
        for lone in &file.lone {
            for message in &lone.messages {
                out.lone.push((lone.channel.clone(), check.message(&lone.channel, message)?));
            }
        }
        out.wiring = WiringFile::checked(text, &file.element).map_err(RosterError::Wiring)?;
        let learned = file.learned.into_iter();
        out.learned = learned
            .map(|LearnedToml { path, awake, thinned, key_off }| LearnedFrom {
                path,
                awake,
                thinned,
                key_off,
            })
            .collect();
        Ok(out)
    }
}
