//! Rows of an analysis: outages and codes; and messages. docs/tables.md describes them, held to by
//! a test. The row of a capture as a whole is in [`super::json::row`].

use super::json::names;
use crate::analysis::diagnosis::CodeEntry;
use crate::analysis::{Analysis, Outage};
use crate::fold::diagnostics::{Carrier, Message};
use crate::fold::timing::Nanoseconds;
use crate::table::{Cell, Column, Kind, column};
use crate::words;
use crate::words::diagnosis::CodeWords;
use crate::words::messages;
use crate::words::terms::{id_label, kind};
use lostnode_parsers::Timestamp;

/// Columns of a table of silences.
pub const OUTAGES: [Column; 12] = [
    column("scope", Kind::Text, "`identifier`, `node`, `branch`, `bus` or `capture`"),
    column("channel", Kind::Text, "channel; empty where it is all of them"),
    column("nodes", Kind::Texts, "nodes that were silent, by name"),
    column("ids", Kind::Texts, "identifiers that were silent"),
    column("start", Kind::Time, "last sign before the silence"),
    column("end", Kind::Time, "first sign after it, or the end of the capture"),
    column(
        "duration_s",
        Kind::Real,
        "seconds from one to the other, without those in which the recording paused",
    ),
    column(
        "cause",
        Kind::Text,
        "`lost_power`, `open_circuit`, `bus_fault`, `bus_sleep`, `switched_off`, `lost_address`, \
         `capture_gap` or `unknown`",
    ),
    column(
        "loss",
        Kind::Flag,
        "whether something was lost; false in a sleep, a pause of the recording, a key-off, and \
         where a message pauses by nature",
    ),
    column("ongoing_at_end", Kind::Flag, "still silent when the capture ends"),
    column("what", Kind::Text, "the same in words"),
    column("evidence", Kind::Texts, "why it looks so, sentence by sentence"),
];

/// The row of a silence.
pub fn outage<'a>(report: &'a Analysis, outage: &'a Outage) -> [Cell<'a>; 12] {
    let nodes: Vec<String> = outage.nodes.iter().map(|at| report.nodes[*at].name.clone()).collect();
    let heard = outage.ids.iter().map(|at| report.identifiers[*at].id);
    let ids: Vec<String> = heard.chain(outage.never_heard.iter().copied()).map(id_label).collect();
    [
        Cell::text(names::scope(outage.scope)),
        Cell::of(outage.channel, |at| Cell::text(report.channel(at).name.as_str())),
        Cell::Texts(nodes.into()),
        Cell::Texts(ids.into()),
        time(outage.start),
        time(outage.end),
        Cell::Real(outage.duration()),
        Cell::text(names::cause(outage.cause)),
        Cell::Flag(outage.is_loss()),
        Cell::Flag(outage.ongoing),
        Cell::text(kind(outage)),
        Cell::Texts(words::outage::evidence(report, outage).into()),
    ]
}

fn time<'a>(time: Nanoseconds) -> Cell<'a> {
    Cell::Time(Timestamp::from_nanoseconds(time))
}

/// Columns of a table of trouble codes.
pub const CODES: [Column; 12] = [
    column("reporter", Kind::Text, "module that holds the code"),
    column("code", Kind::Text, "the code as it is written"),
    column("meaning", Kind::Text, "what it says, where a table knows it"),
    column("blames", Kind::Text, "module that it misses"),
    column("status", Kind::Texts, "status bits set when it was last seen"),
    column("lists", Kind::Texts, "lists it was in"),
    column("first_seen", Kind::Time, "first report of it"),
    column("last_seen", Kind::Time, "last report of it"),
    column("cleared_at", Kind::Time, "when it was cleared while it was there"),
    column("returned", Kind::Flag, "came back as a fault after that"),
    column("gone_at", Kind::Time, "when a list that had it came without it"),
    column("story", Kind::Text, "what became of it, in a sentence"),
];

/// The row of a code.
pub fn code<'a>(analysis: &Analysis, code: &'a CodeEntry) -> [Cell<'a>; 12] {
    let words = CodeWords::of(analysis, code);
    [
        Cell::text(words.reporter),
        Cell::text(words.code),
        Cell::of(words.meaning, Cell::text),
        Cell::of(code.missed.as_ref(), |missed| Cell::text(missed.0.as_str())),
        Cell::Texts(words.status.into()),
        Cell::Texts(words.lists.into()),
        Cell::of(code.seen, |(first, _)| time(first)),
        Cell::of(code.seen, |(_, last)| time(last)),
        Cell::of(code.cleared, time),
        Cell::Flag(code.returned),
        Cell::of(code.gone, time),
        Cell::text(words.story),
    ]
}

/// Columns of a table of messages.
pub const MESSAGES: [Column; 10] = [
    column("time", Kind::Time, "when its last frame came"),
    column("channel", Kind::Text, "name of the channel"),
    column("id", Kind::Text, "identifier of its frames"),
    column("from", Kind::Text, "who sent it"),
    column("to", Kind::Text, "who it is for"),
    column("carrier", Kind::Text, "`ISO 15765-2` or `SAE J1939`"),
    column("length", Kind::Whole, "bytes it has in all"),
    column("data", Kind::Bytes, "bytes that were kept"),
    column("incomplete", Kind::Text, "why it is not whole, where it is not"),
    column("text", Kind::Text, "what it says"),
];

/// The row of a message.
pub fn message<'a>(message: &Message<'a>, channel: &'a str) -> [Cell<'a>; 10] {
    [
        Cell::of(message.time, Cell::Time),
        Cell::text(channel),
        Cell::text(id_label(message.id)),
        Cell::text(message.from.to_string()),
        Cell::text(message.to.to_string()),
        Cell::text(if message.carrier == Carrier::IsoTp { "ISO 15765-2" } else { "SAE J1939" }),
        Cell::Whole(message.length.into()),
        Cell::Bytes(message.data),
        Cell::of(message.incomplete, |incomplete| Cell::text(incomplete.fault.text())),
        Cell::text(messages::describe(message)),
    ]
}
