//! What a chunk of a capture came to, whatever its format: frames with their lengths, and what was
//! no frame.

use std::ops::{Deref, DerefMut};

use lostnode_parsers::wire::Length;
use lostnode_parsers::{ClassicFrame, FrameKind, Timestamp};

use super::channels::Names;
use super::measure::Measure;
use super::{Capture, ChannelIndex, Frame, Kind, Rejected};

/// Earliest and latest stamp; `None` where there is none.
pub(super) type Span = Option<(Timestamp, Timestamp)>;

/// What the stamp of a line may be.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(super) enum Stamp {
    /// A time.
    Time,
    /// Of log text, with fewer digits than a time has today: counted from the start of the
    /// recording, or since the line before.
    Short,
    /// Of console text: either.
    Console,
    /// None; that of the frame before holds.
    Before,
}

/// The records of one chunk; channel indexes and line numbers count within the chunk.
#[derive(Default)]
pub(super) struct Parsed {
    pub frames: Vec<Frame>,
    pub channels: Names,
    /// Records that were tried: lines, packets or rows.
    pub lines: u64,
    /// Every line end, blank ones too, so that line numbers match an editor's.
    pub line_ends: u64,
    pub rejected: u64,
    pub rejections: Vec<Rejected>,
    /// CAN XL frames, which are counted and not kept.
    pub xl: u64,
    /// Records of something else than CAN by their own word: packets of another protocol. They are
    /// among the rejected.
    pub foreign: u64,
    /// Whether a line was of console text.
    pub console: bool,
    /// Positions of the frames whose stamps may be relative: [`Stamp::Short`], [`Stamp::Console`].
    pub unsure: Vec<u32>,
    /// Positions of those that take the stamp of the frame before: [`Stamp::Before`].
    pub unstamped: Vec<u32>,
    /// Earliest and latest stamp, before relative ones are added up and the clock is mended.
    pub span: Span,
}

/// A chunk under way. Only [`Builder::finish`] makes a [`Parsed`] of it, so no frame is handed on
/// without its length.
#[derive(Default)]
pub(super) struct Builder {
    parsed: Parsed,
    measure: Measure,
}

impl Deref for Builder {
    type Target = Parsed;

    fn deref(&self) -> &Parsed {
        &self.parsed
    }
}

impl DerefMut for Builder {
    fn deref_mut(&mut self) -> &mut Parsed {
        &mut self.parsed
    }
}

impl Builder {
    /// Of no frames yet, in the memory of a list that was used before.
    pub fn in_memory(frames: Vec<Frame>) -> Self {
        Builder { parsed: Parsed { frames, ..Parsed::default() }, ..Builder::default() }
    }

    /// Adds a frame; its length is set later, together with others of its shape.
    #[inline(always)]
    pub fn add(&mut self, time: Option<Timestamp>, channel: ChannelIndex, kind: Kind) {
        self.parsed.span = time.map(|time| widen(self.parsed.span, time)).or(self.parsed.span);
        match kind {
            FrameKind::Classic(frame) => self.add_classic(time, channel, frame),
            kind => {
                self.measure.note_other(self.parsed.frames.len());
                self.parsed.frames.push(Frame { time, channel, kind, length: Length::default() });
            }
        }
    }

    /// As [`Builder::add`], but leaves the span to the caller. The frame is taken by value: written
    /// into memory in parts and read back whole it would cost a fifth of the parsing.
    #[inline(always)]
    pub fn add_classic(
        &mut self,
        time: Option<Timestamp>,
        channel: ChannelIndex,
        frame: ClassicFrame,
    ) {
        self.measure.note(frame, &mut self.parsed.frames);
        self.parsed.frames.push(Frame {
            time,
            channel,
            kind: FrameKind::Classic(frame),
            length: Length::default(),
        });
    }

    /// Counts a record that is no frame, by its line or packet.
    pub fn reject(&mut self, line: u64, reason: String) {
        self.rejected += 1;
        if self.rejections.len() < Capture::KEPT_REJECTIONS {
            self.rejections.push(Rejected { line, reason: shown(&reason) });
        }
    }

    /// The chunk with the length of each frame.
    pub fn finish(mut self) -> Parsed {
        self.measure.finish(&mut self.parsed.frames);
        self.parsed
    }
}

/// A span that takes in one more time.
pub(super) fn widen(
    span: Option<(Timestamp, Timestamp)>,
    time: Timestamp,
) -> (Timestamp, Timestamp) {
    span.map_or((time, time), |(start, end)| (start.min(time), end.max(time)))
}

/// From the earliest to the latest stamp.
pub(super) fn span(frames: &[Frame]) -> Span {
    let (mut earliest, mut latest) = (i64::MAX, i64::MIN);
    for time in frames.iter().filter_map(|frame| frame.time.map(Timestamp::nanoseconds)) {
        earliest = earliest.min(time);
        latest = latest.max(time);
    }
    (earliest <= latest)
        .then(|| (Timestamp::from_nanoseconds(earliest), Timestamp::from_nanoseconds(latest)))
}

/// Escapes control and bidi characters in messages that quote input: they could steer a terminal or
/// turn the direction of writing.
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
