//! Parses the lines of one chunk. Runs on any thread and knows nothing of the chunks before it.

use std::borrow::Cow;

use lostnode_parsers::candump::Record;
use lostnode_parsers::{
    ErrorFrame, FrameKind, ParseError, Timestamp, candump, candump_fast, console, log_forms,
};

use super::channels::TOO_MANY;
use super::columns::CsvTable;
use super::lines::{Chunk, LONGEST_LINE};
use super::parsed::{Builder, Parsed, Stamp, widen};
use super::{ChannelIndex, Frame, ROUNDED};

/// Bytes of a line with an identifier of 11 bits and 8 bytes of data, of a channel with a short
/// name.
const USUAL_LINE: usize = 45;
/// Channels of lines on the fast path that are kept at hand.
const CHANNELS_AT_HAND: usize = 8;

/// Log and console text, or the lines of a table; a `head` is no frame and nothing wrong.
pub(super) fn parse(
    chunk: &Chunk<'_>,
    frames: Vec<Frame>,
    table: Option<&CsvTable>,
    mut head: bool,
) -> Parsed {
    let mut lines = Lines { chunk: Builder::in_memory(frames), channels_at_hand: Vec::new() };
    // As many as there are of the lines that most captures have, and for all chunks alike, so that
    // the memory need not grow.
    lines.chunk.frames.reserve((chunk.bytes.len() / USUAL_LINE).next_multiple_of(ROUNDED));
    let mut fast = candump_fast::Reader::default();
    let mut rest = chunk.bytes;
    while !rest.is_empty() {
        if !head && table.is_none() {
            rest = &rest[lines.take_fast(&mut fast, rest)..];
            if rest.is_empty() {
                break;
            }
        }
        let (line, next) = match memchr::memchr(b'\n', rest) {
            Some(end) => (&rest[..end], &rest[end + 1..]),
            None => (rest, &rest[rest.len()..]),
        };
        rest = next;
        lines.chunk.line_ends += 1;
        let line = line.strip_suffix(b"\r").unwrap_or(line);
        if !std::mem::take(&mut head) && !is_blank(line, table) {
            lines.take(line, table);
        }
    }
    if chunk.overlong {
        lines.chunk.line_ends += 1;
        lines.chunk.lines += 1;
        lines.reject(format!("longer than {LONGEST_LINE} bytes"));
    }
    lines.chunk.finish()
}

/// Whether a line is blank, or in console text a note.
fn is_blank(line: &[u8], table: Option<&CsvTable>) -> bool {
    // A bracket begins most lines of log text, and neither of these.
    line.first() != Some(&b'(')
        && (line.iter().all(|byte| *byte == b' ') || table.is_none() && console::is_note(line))
}

/// A frame of log text or console text, and what its stamp may be; the error is that of the form
/// the line resembles more.
fn record(line: &[u8]) -> Result<(Record<'_>, Stamp), ParseError> {
    // Ten digits of seconds are a time, and so is a date; fewer may be the time since the line
    // before, which is written with three at least.
    let stamp = match line.iter().position(|byte| matches!(byte, b'.' | b'-')) {
        Some(4..11) if line.get(5) != Some(&b'-') => Stamp::Short,
        _ => Stamp::Time,
    };
    let log = match candump::parse_line(line) {
        Ok(record) => return Ok((record, stamp)),
        Err(error) => error,
    };
    if let Ok(record) = log_forms::parse_line(line) {
        return Ok((record, stamp));
    }
    match console::parse_line(line) {
        Ok(record) => Ok((record, Stamp::Console)),
        Err(console) => Err(if line.contains(&b'[') { console } else { log }),
    }
}

/// A line without what colours it on a terminal (ECMA-48, 5.4: control sequences).
fn without_colours(line: &[u8]) -> Cow<'_, [u8]> {
    if !line.contains(&0x1B) {
        return Cow::Borrowed(line);
    }
    let (mut plain, mut rest) = (Vec::with_capacity(line.len()), line);
    while let Some(at) = memchr::memchr(0x1B, rest) {
        let (before, escape) = rest.split_at(at);
        plain.extend_from_slice(before);
        let inner = |byte: &&u8| matches!(**byte, 0x20..=0x3F);
        let length = escape.iter().skip(2).take_while(inner).count();
        match (escape.get(1), escape.get(2 + length)) {
            (Some(b'['), Some(b'm')) => rest = &escape[3 + length..],
            // Any other does more than to colour: it stays, and the line is no frame.
            _ => return Cow::Borrowed(line),
        }
    }
    plain.extend_from_slice(rest);
    Cow::Owned(plain)
}

/// The report of a controller that ran over (`CAN_ERR_CRTL`, `CAN_ERR_CRTL_RX_OVERFLOW` of
/// `linux/can/error.h`): what a writer says that it lost is the same to whoever reads on, frames
/// that were on the bus and are not in the recording.
fn ran_over() -> Option<FrameKind> {
    ErrorFrame::new(0x004, &[0, 0x01, 0, 0, 0, 0, 0, 0]).map(FrameKind::Error)
}

/// The lines of a chunk on their way to frames.
struct Lines {
    chunk: Builder,
    /// Names and indexes of a few channels of the fast path, that of the line before first.
    channels_at_hand: Vec<([u8; 8], ChannelIndex)>,
}

impl Lines {
    /// Takes lines as long as the fast path can read them; how many bytes these are.
    #[inline(never)]
    fn take_fast(&mut self, fast: &mut candump_fast::Reader, text: &[u8]) -> usize {
        let mut rest = text;
        let before = self.chunk.frames.len();
        let mut span = self.chunk.span;
        while let Some(line) = fast.first_line(rest) {
            let number = self.chunk.line_ends + (self.chunk.frames.len() - before) as u64 + 1;
            // `take` rejects a line of one channel too many.
            let Some(channel) =
                self.fast_channel(line.channel, usize::from(line.channel_length), number)
            else {
                break;
            };
            span = Some(widen(span, line.time));
            self.chunk.add_classic(Some(line.time), channel, line.frame);
            rest = &rest[line.used..];
        }
        self.chunk.span = span;
        let lines = (self.chunk.frames.len() - before) as u64;
        self.chunk.line_ends += lines;
        self.chunk.lines += lines;
        text.len() - rest.len()
    }

    /// The channel of a line, by its name filled up with zeros.
    #[inline(always)]
    fn fast_channel(&mut self, name: [u8; 8], length: usize, line: u64) -> Option<ChannelIndex> {
        // Mostly that of the line before.
        match self.channels_at_hand.first() {
            Some((known, channel)) if *known == name => Some(*channel),
            _ => self.other_fast_channel(name, length, line),
        }
    }

    #[inline(never)]
    fn other_fast_channel(
        &mut self,
        name: [u8; 8],
        length: usize,
        line: u64,
    ) -> Option<ChannelIndex> {
        if let Some(at) = self.channels_at_hand.iter().position(|(known, _)| *known == name) {
            self.channels_at_hand.swap(0, at);
        } else {
            let text = std::str::from_utf8(&name[..length]).ok()?;
            let channel = self.chunk.channels.of(text, line)?;
            self.channels_at_hand.insert(0, (name, channel));
            self.channels_at_hand.truncate(CHANNELS_AT_HAND);
        }
        Some(self.channels_at_hand[0].1)
    }

    /// Takes a line of any form.
    fn take(&mut self, line: &[u8], table: Option<&CsvTable>) {
        self.chunk.lines += 1;
        if line.len() > LONGEST_LINE {
            return self.reject(format!("longer than {LONGEST_LINE} bytes"));
        }
        let taken = match table {
            Some(table) => table.parse(line).map(|(time, channel, kind)| {
                self.add(time, channel.as_bytes(), kind, Stamp::Time);
            }),
            None => self.take_text(&without_colours(line)),
        };
        if let Err(reason) = taken {
            self.reject(reason);
        }
    }

    fn take_text(&mut self, line: &[u8]) -> Result<(), String> {
        match record(line) {
            Ok((record, stamp)) => self.add(record.time, record.channel, record.kind, stamp),
            Err(_) if log_forms::is_xl(line) => self.chunk.xl += 1,
            Err(error) => match (log_forms::dropped(line), ran_over()) {
                (Some(dropped), Some(kind)) => self.add(None, dropped.channel, kind, Stamp::Before),
                _ => return Err(error.to_string()),
            },
        }
        Ok(())
    }

    fn add(&mut self, time: Option<Timestamp>, channel: &[u8], kind: FrameKind, stamp: Stamp) {
        let line = self.chunk.line_ends;
        // Printable ASCII is what the parser lets through, so this loses nothing.
        let name = std::str::from_utf8(channel).ok();
        let Some(channel) = name.and_then(|name| self.chunk.channels.of(name, line)) else {
            return self.reject(TOO_MANY.to_owned());
        };
        let position = self.chunk.frames.len() as u32;
        match stamp {
            Stamp::Time => {}
            Stamp::Before => self.chunk.unstamped.push(position),
            Stamp::Short => self.chunk.unsure.push(position),
            Stamp::Console => {
                self.chunk.console = true;
                self.chunk.unsure.push(position);
            }
        }
        self.chunk.add(time, channel, kind.map_fd(Box::new));
    }

    /// Rejects the line that was read last.
    fn reject(&mut self, reason: String) {
        self.chunk.reject(self.chunk.line_ends, reason);
    }
}
