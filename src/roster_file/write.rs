//! Writes a roster file with comments.

use std::fmt::Write as _;

use lostnode_parsers::frame::DisplayId;

use super::{Answering, ExpectedMessage, LearnedFrom, RosterFile};
use crate::fold::timing::AliveCounter;

/// Stands under the heading of a roster that is written.
const HOW_TO_EDIT: &str = "#
# Edit freely: names are yours to give; times are in seconds. `timeout` may be left out \
(then 5 periods and the
# jitter). `rate` is in frames for each second of traffic, `share` is a part of the channel's
# frames. `seen` and `of` count captures. What is `expected = false` and what stands in `events` is
# known and never missed. `sometimes = true` is what a sound vehicle does not send all the time.
# `guessed = true` goes where you know the sender and give it a name.
# `answers` is what a node answers a tester by, `missed_as` what codes of others call it.
";

/// Stands above messages of unknown senders.
pub(super) const NOT_KNOWN: &str =
    "# Their senders are not known: move them to a node where you know it.";

impl RosterFile {
    /// Writes it with comments, as [`RosterFile::parse`] reads it.
    pub fn write(&self, heading: &str) -> String {
        let mut out = String::new();
        for line in heading.lines() {
            let _ = writeln!(out, "# {line}");
        }
        out += HOW_TO_EDIT;
        for LearnedFrom { path, awake, thinned, key_off } in &self.learned {
            let path = toml::Value::String(path.clone());
            let awake = round(*awake);
            let _ = write!(
                out,
                "\n[[learned]]\npath = {path}\nawake = {awake}\nthinned = {thinned}\n\
                 key_off = {key_off}\n"
            );
        }
        for node in &self.nodes {
            let name = toml::Value::String(node.name.clone());
            let channel = toml::Value::String(node.channel.clone());
            let _ = write!(out, "\n[[node]]\nname = {name}\nchannel = {channel}\n");
            if node.guessed {
                out += "guessed = true\n";
            }
            out += "messages = [\n";
            node.messages.iter().for_each(|message| message.write(&mut out));
            out += "]\n";
            if !node.events.is_empty() {
                let list: Vec<String> =
                    node.events.iter().map(|id| format!("\"0x{}\"", DisplayId(*id))).collect();
                let _ = writeln!(out, "events = [{}]", list.join(", "));
            }
            let answers: Vec<String> = node.answers.iter().map(Answering::to_string).collect();
            for (key, list) in [("answers", &answers), ("missed_as", &node.missed_as)] {
                if !list.is_empty() {
                    let list = list.iter().map(|text| toml::Value::String(text.clone()));
                    let _ = writeln!(out, "{key} = {}", toml::Value::Array(list.collect()));
                }
            }
        }
        let mut channels: Vec<&String> = self.lone.iter().map(|(channel, _)| channel).collect();
        channels.dedup();
        for channel in channels {
            let name = toml::Value::String(channel.clone());
            let _ = write!(out, "\n{NOT_KNOWN}\n[[lone]]\nchannel = {name}\nmessages = [\n");
            self.lone
                .iter()
                .filter(|(own, _)| own == channel)
                .for_each(|(_, message)| message.write(&mut out));
            out += "]\n";
        }
        self.wiring.write_elements(&mut out);
        out
    }
}

impl ExpectedMessage {
    pub(super) fn write(&self, out: &mut String) {
        let _ = write!(out, "  {{ id = \"0x{}\"", DisplayId(self.id));
        let numbers = [
            ("period", self.period.map(round)),
            ("timeout", self.timeout.map(round)),
            ("pauses", self.pauses.map(round)),
            ("rate", self.rate.map(significant)),
            ("share", self.share.map(significant)),
        ];
        for (key, number) in numbers {
            if let Some(number) = number {
                let _ = write!(out, ", {key} = {number}");
            }
        }
        if let Some((seen, of)) = self.seen {
            let _ = write!(out, ", seen = {seen}, of = {of}");
        }
        if self.key {
            *out += ", key = true";
        }
        if !self.expected {
            *out += ", expected = false";
        }
        if self.sometimes {
            *out += ", sometimes = true";
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

/// To four digits that count, always with a point.
fn significant(number: f64) -> String {
    let rounded: f64 = format!("{number:.3e}").parse().unwrap_or(number);
    format!("{rounded:?}")
}
