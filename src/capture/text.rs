//! Parses the lines of one chunk. Runs on any thread and knows nothing of the chunks before it.

use lostnode_parsers::candump::Record;
use lostnode_parsers::usual;
use lostnode_parsers::wire::Length;
use lostnode_parsers::{ClassicFrame, FrameKind, ParseError, Timestamp, candump, console};

use super::channels::{Names, TOO_MANY};
use super::columns::Table;
use super::lines::{Chunk, LONGEST_LINE};
use super::measure::Measure;
use super::{Capture, ChannelIndex, Frame, Kind, Rejected};

/// What one chunk of text came to; channel indexes and line numbers count within the chunk.
#[derive(Default)]
pub(super) struct Parsed {
    pub frames: Vec<Frame>,
    pub channels: Names,
    /// Names and indexes of a few channels of lines of the usual shape, that of the line before
    /// first.
    usual_channels: Vec<([u8; 8], ChannelIndex)>,
    pub lines: u64,
    /// Every line end, blank ones too, so that line numbers match an editor's.
    pub line_ends: u64,
    pub rejected: u64,
    pub rejections: Vec<Rejected>,
    /// Positions of the frames that came from console text, whose stamps may be relative; log text
    /// has absolute ones.
    pub console: Vec<u32>,
    pub zero_bytes: bool,
    /// Earliest and latest stamp, before relative ones are added up.
    pub span: Option<(Timestamp, Timestamp)>,
    measure: Measure,
}

/// A span that takes in one more instant.
pub(super) fn widen(
    span: Option<(Timestamp, Timestamp)>,
    time: Timestamp,
) -> (Timestamp, Timestamp) {
    span.map_or((time, time), |(start, end)| (start.min(time), end.max(time)))
}

/// From the earliest to the latest stamp.
pub(super) fn span(frames: &[Frame]) -> Option<(Timestamp, Timestamp)> {
    let (mut earliest, mut latest) = (i64::MAX, i64::MIN);
    for time in frames.iter().filter_map(|frame| frame.time.map(Timestamp::nanoseconds)) {
        earliest = earliest.min(time);
        latest = latest.max(time);
    }
    (earliest <= latest)
        .then(|| (Timestamp::from_nanoseconds(earliest), Timestamp::from_nanoseconds(latest)))
}

/// Bytes of a line with an identifier of 11 bits and 8 bytes of data, of a channel with a short
/// name.
const USUAL_LINE: usize = 45;
/// Channels of usual lines that are kept at hand.
const USUAL_CHANNELS: usize = 8;
/// Memory of lists is taken for so many more.
pub(super) const ROUNDED: usize = 1024;

/// Log and console text, or the lines of a table; a `head` is no frame and nothing wrong.
pub(super) fn parse(
    chunk: &Chunk<'_>,
    frames: Vec<Frame>,
    table: Option<&Table>,
    mut head: bool,
) -> Parsed {
    let mut parsed = Parsed { frames, ..Parsed::default() };
    // As many as there are of the lines that most captures have, and for all chunks alike, so that
    // the memory need not grow.
    parsed.frames.reserve((chunk.bytes.len() / USUAL_LINE).next_multiple_of(ROUNDED));
    let mut usual = usual::Reader::default();
    let mut rest = chunk.bytes;
    while !rest.is_empty() {
        if !head && table.is_none() {
            rest = &rest[parsed.take_usual(&mut usual, rest)..];
            if rest.is_empty() {
                break;
            }
        }
        let (line, next) = match memchr::memchr(b'\n', rest) {
            Some(end) => (&rest[..end], &rest[end + 1..]),
            None => (rest, &rest[rest.len()..]),
        };
        rest = next;
        parsed.line_ends += 1;
        let line = line.strip_suffix(b"\r").unwrap_or(line);
        let begin = line.first();
        // What begins with a bracket is neither blank nor a note.
        let other = begin != Some(&b'(');
        if std::mem::take(&mut head)
            || other
                && (line.iter().all(|byte| *byte == b' ')
                    || table.is_none() && console::is_note(line))
        {
            continue;
        }
        parsed.lines += 1;
        if line.len() > LONGEST_LINE {
            parsed.reject(format!("longer than {LONGEST_LINE} bytes"));
            continue;
        }
        let taken = match table {
            Some(table) => table
                .parse(line)
                .map(|(time, channel, kind)| parsed.take(time, channel.as_bytes(), kind, false)),
            None => record(line)
                .map(|(record, console)| {
                    parsed.take(record.time, record.channel, record.kind, console)
                })
                .map_err(|error| error.to_string()),
        };
        if let Err(reason) = taken {
            parsed.zero_bytes |= line.contains(&0);
            parsed.reject(reason);
        }
    }
    if chunk.overlong {
        parsed.line_ends += 1;
        parsed.lines += 1;
        parsed.reject(format!("longer than {LONGEST_LINE} bytes"));
    }
    parsed.finish();
    parsed
}

/// Log text or console text, line by line; the error is that of the form the line resembles more.
fn record(line: &[u8]) -> Result<(Record<'_>, bool), ParseError> {
    let log = match candump::parse_line(line) {
        Ok(record) => return Ok((record, false)),
        Err(error) => error,
    };
    match console::parse_line(line) {
        Ok(record) => Ok((record, true)),
        Err(console) => Err(if line.contains(&b'[') { console } else { log }),
    }
}

impl Parsed {
    /// Takes lines as long as they have the usual shape; how many bytes these are.
    #[inline(never)]
    fn take_usual(&mut self, usual: &mut usual::Reader, text: &[u8]) -> usize {
        let mut rest = text;
        let before = self.frames.len();
        let mut span = self.span;
        while let Some(line) = usual.first_line(rest) {
            let number = self.line_ends + (self.frames.len() - before) as u64 + 1;
            // One channel too many is told of elsewhere.
            let Some(channel) =
                self.usual_channel(line.channel, usize::from(line.channel_length), number)
            else {
                break;
            };
            span = Some(widen(span, line.time));
            self.add_classic(Some(line.time), channel, line.frame);
            rest = &rest[line.used..];
        }
        self.span = span;
        let lines = (self.frames.len() - before) as u64;
        self.line_ends += lines;
        self.lines += lines;
        text.len() - rest.len()
    }

    /// The channel of a usual line, by its name filled up with zeros.
    #[inline(always)]
    fn usual_channel(&mut self, name: [u8; 8], length: usize, line: u64) -> Option<ChannelIndex> {
        // Mostly that of the line before.
        match self.usual_channels.first() {
            Some((known, channel)) if *known == name => Some(*channel),
            _ => self.other_usual_channel(name, length, line),
        }
    }

    #[inline(never)]
    fn other_usual_channel(
        &mut self,
        name: [u8; 8],
        length: usize,
        line: u64,
    ) -> Option<ChannelIndex> {
        if let Some(at) = self.usual_channels.iter().position(|(known, _)| *known == name) {
            self.usual_channels.swap(0, at);
        } else {
            let channel = self.channels.of(std::str::from_utf8(&name[..length]).ok()?, line)?;
            self.usual_channels.insert(0, (name, channel));
            self.usual_channels.truncate(USUAL_CHANNELS);
        }
        Some(self.usual_channels[0].1)
    }

    fn take(&mut self, time: Option<Timestamp>, channel: &[u8], kind: FrameKind, console: bool) {
        // Printable ASCII is what the parser lets through, so this loses nothing.
        let Some(channel) = std::str::from_utf8(channel)
            .ok()
            .and_then(|name| self.channels.of(name, self.line_ends))
        else {
            self.reject(TOO_MANY.to_owned());
            return;
        };
        if console {
            self.console.push(self.frames.len() as u32);
        }
        self.add(time, channel, kind.map_fd(Box::new));
    }

    /// Adds a frame, whose length is set by [`Parsed::finish`] at the latest.
    #[inline(always)]
    pub(super) fn add(&mut self, time: Option<Timestamp>, channel: ChannelIndex, kind: Kind) {
        self.span = time.map(|time| widen(self.span, time)).or(self.span);
        match kind {
            FrameKind::Classic(frame) => self.add_classic(time, channel, frame),
            kind => {
                self.measure.note_other(self.frames.len());
                self.frames.push(Frame { time, channel, kind, length: Length::default() });
            }
        }
    }

    /// The frame by value: written into memory in parts and read back whole it would cost a fifth
    /// of the parsing.
    #[inline(always)]
    fn add_classic(&mut self, time: Option<Timestamp>, channel: ChannelIndex, frame: ClassicFrame) {
        self.measure.note(frame, &mut self.frames);
        self.frames.push(Frame {
            time,
            channel,
            kind: FrameKind::Classic(frame),
            length: Length::default(),
        });
    }

    /// Sets the length of each frame; to be called after the last.
    pub(super) fn finish(&mut self) {
        self.measure.finish(&mut self.frames);
    }

    fn reject(&mut self, reason: String) {
        self.reject_at(self.line_ends, reason);
    }

    /// Counts a record that is no frame, by its line or packet.
    pub(super) fn reject_at(&mut self, line: u64, reason: String) {
        self.rejected += 1;
        if self.rejections.len() < Capture::KEPT_REJECTIONS {
            self.rejections.push(Rejected { line, reason: shown(&reason) });
        }
    }
}

/// Words about the input, which may quote it: what could steer a terminal or turn the direction of
/// writing is written as a number.
pub(super) fn shown(text: &str) -> String {
    let mut out = String::with_capacity(text.len());
    for character in text.chars() {
        match character {
            '\'' | '"' | '\\' => out.push(character),
            other => out.extend(other.escape_debug()),
        }
    }
    out
}

/// Turns relative stamps of console text into times, chunk after chunk.
pub(super) struct Clock {
    /// `None` until enough stamps have been looked at.
    relative: Option<bool>,
    now: i64,
    /// What has to wait for the verdict, and the stamps that it will be drawn from.
    waiting: Vec<Parsed>,
    stamps: Vec<i64>,
    /// Frames looked at since the first of console text.
    looked_at: usize,
}

/// The verdict is drawn from so many stamps of console text …
const TELLING: usize = 200;
/// … among so many frames: counted in frames and not in chunks, so that it is the same however the
/// file is cut.
const WITHIN: usize = 20_000;

impl Clock {
    pub fn new(stamps: super::Stamps) -> Self {
        let relative = match stamps {
            super::Stamps::Auto => None,
            super::Stamps::Absolute => Some(false),
            super::Stamps::Relative => Some(true),
        };
        Clock { relative, now: 0, waiting: Vec::new(), stamps: Vec::new(), looked_at: 0 }
    }

    /// Whether the stamps are taken as relative.
    pub fn is_relative(&self) -> bool {
        self.relative == Some(true)
    }

    /// Takes the next chunk and hands on those whose times are settled, in order.
    pub fn pass(&mut self, mut parsed: Parsed) -> Vec<Parsed> {
        if self.relative.is_some() {
            self.set(&mut parsed);
            return vec![parsed];
        }
        if self.waiting.is_empty() && parsed.console.is_empty() {
            return vec![parsed];
        }
        let first = if self.looked_at == 0 {
            parsed.console.first().map_or(0, |at| *at as usize)
        } else {
            0
        };
        let last = first + (WITHIN - self.looked_at);
        let stamps = parsed
            .console
            .iter()
            .filter(|at| (**at as usize) < last)
            .filter_map(|at| parsed.frames[*at as usize].time);
        self.stamps.extend(stamps.map(Timestamp::nanoseconds).take(TELLING - self.stamps.len()));
        self.looked_at = WITHIN.min(self.looked_at + parsed.frames.len() - first);
        self.waiting.push(parsed);
        if self.stamps.len() == TELLING || self.looked_at == WITHIN {
            self.settle()
        } else {
            Vec::new()
        }
    }

    /// Draws the verdict from what there is, and hands on what waited for it.
    pub fn settle(&mut self) -> Vec<Parsed> {
        if self.relative.is_none() && !self.waiting.is_empty() {
            self.relative = Some(self.stamps.len() >= 2 && looks_relative(&self.stamps));
        }
        let mut waiting = std::mem::take(&mut self.waiting);
        waiting.iter_mut().for_each(|parsed| self.set(parsed));
        waiting
    }

    fn set(&mut self, parsed: &mut Parsed) {
        if self.relative != Some(true) || parsed.console.is_empty() {
            return;
        }
        for at in &parsed.console {
            let frame = &mut parsed.frames[*at as usize];
            if let Some(step) = frame.time {
                self.now = self.now.saturating_add(step.nanoseconds());
                frame.time = Some(Timestamp::from_nanoseconds(self.now));
            }
        }
        parsed.span = span(&parsed.frames);
    }
}

/// Times only fall back by a little between channels; differences fall back at about every second
/// line.
fn looks_relative(stamps: &[i64]) -> bool {
    let falls = stamps.windows(2).filter(|pair| pair[1] < pair[0]).count();
    let small = stamps.iter().all(|stamp| *stamp < 1_000_000 * 1_000_000_000);
    small && falls * 5 > stamps.len()
}
