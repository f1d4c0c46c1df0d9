//! Reads and checks a roster file.

use std::collections::HashMap;
use std::collections::hash_map::Entry;

use lostnode_parsers::Id;
use lostnode_parsers::frame::parse_id;
use serde::Deserialize;
use toml::Spanned;

use super::twice::{self, Place};
use super::{
    Answering, ExpectedMessage, ExpectedNode, LearnedFrom, Problem, RosterError, RosterFile, Twice,
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
    pauses: Option<Spanned<f64>>,
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
    /// Whose lines are read: the place of the node, and its name.
    place: (Place, Option<String>),
    /// By channel and what was said, on which line and under which node it stands first.
    said: HashMap<(String, Said), (usize, Place, Option<String>)>,
    /// What was said again.
    twice: Vec<(String, Said, Twice)>,
}

/// What only one module is told by.
#[derive(Clone, PartialEq, Eq, Hash)]
enum Said {
    Id(Id),
    Answers(Party),
    MissedAs(String),
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
        self.once(channel.to_owned(), Said::Id(parsed), id.get_ref().clone(), line);
        Ok(parsed)
    }

    /// What a module answers by.
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
        self.once(place, Said::Answers(own.party), own.party.to_string(), line);
        Ok(own)
    }

    /// What codes call a module.
    fn missed_as(&mut self, name: &Spanned<String>) -> Result<String, RosterError> {
        let line = self.line(name.span().start);
        let name = name.get_ref().clone();
        if !meaning::is_missed(&name) {
            return Err(RosterError::AtLine { line, problem: Problem::NobodyMisses { name } });
        }
        self.once(String::new(), Said::MissedAs(name.clone()), name.clone(), line);
        Ok(name)
    }

    /// Notes what stands for a second time, which leaves the rest of the roster as it is.
    fn once(&mut self, channel: String, said: Said, what: String, line: usize) {
        let (place, name) = self.place.clone();
        match self.said.entry((channel.clone(), said.clone())) {
            Entry::Vacant(free) => {
                free.insert((line, place, name));
            }
            Entry::Occupied(own) => {
                let (before, first, called) = own.get().clone();
                let kept = !twice::leaves_open(first, place);
                let twice = Twice { what, of: (called, name), lines: (before, line), kept };
                self.twice.push((channel, said, twice));
            }
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
        let pauses = above_zero("pauses", &message.pauses)?;
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
            pauses,
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
        let place = (None, None);
        let mut check = Check { text, place, said: HashMap::new(), twice: Vec::new() };
        let mut out = RosterFile::default();
        for (at, node) in file.node.iter().enumerate() {
            check.place = (Some(at), Some(node.name.get_ref().clone()));
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
        check.place = (None, None);
        for lone in &file.lone {
            for message in &lone.messages {
                out.lone.push((lone.channel.clone(), check.message(&lone.channel, message)?));
            }
        }
        for (channel, said, twice) in check.twice {
            match said {
                Said::Id(id) => out.settle_id(&channel, id),
                Said::Answers(party) => out.settle_answer(&channel, party),
                Said::MissedAs(name) => out.settle_name(&name),
            }
            out.twice.push(twice);
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
