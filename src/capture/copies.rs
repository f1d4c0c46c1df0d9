//! Leaves out the second of each two frames where a recording holds every frame twice, as merged
//! logs of one bus do: docs/formats.md. Else no identifier would keep a period.

use lostnode_parsers::Timestamp;

use super::parsed::{Span, span};
use super::{Batch, Frame};

/// So many frames with a copy are enough to tell, …
const TELLING: usize = 100;
/// … or so many at the end of a shorter recording.
const FEWEST: usize = 20;
/// So many of them differ from the one before: a sender alone on a bus may send the same for ever.
const FEWEST_OTHERS: usize = 10;
/// Frames without a copy that are no sign yet, beside a tenth of the others: the first of a
/// channel, or what one of two recorders missed.
const SINGLES: usize = 2;

/// The copies of one file.
#[derive(Default)]
pub(super) struct Copies {
    state: State,
    /// By channel, the latest frame that has no copy yet.
    open: Vec<Option<Frame>>,
    /// Frames that were left out.
    dropped: u64,
}

enum State {
    Looking(Looking),
    /// There are none.
    None,
    Dropping,
}

/// What the first frames are; nearly always a few are enough.
#[derive(Default)]
struct Looking {
    held: Vec<(Batch, Span)>,
    pairs: usize,
    singles: usize,
    /// Pairs that differ from the one before.
    others: usize,
    latest: Option<Frame>,
}

impl Default for State {
    fn default() -> Self {
        State::Looking(Looking::default())
    }
}

impl Copies {
    /// Takes the next batch and returns those that are settled, in order.
    pub fn push(&mut self, batch: Batch, span: Span) -> Vec<(Batch, Span)> {
        match &mut self.state {
            State::None => vec![(batch, span)],
            State::Dropping => vec![self.drop_from(batch, span)],
            State::Looking(looking) => {
                let verdict = looking.look(&batch.frames, &mut self.open);
                looking.held.push((batch, span));
                verdict.map_or(Vec::new(), |doubled| self.settle(doubled))
            }
        }
    }

    /// Hands on what has waited to the end.
    pub fn finish(&mut self) -> Vec<(Batch, Span)> {
        let State::Looking(looking) = &self.state else { return Vec::new() };
        let doubled = looking.pairs >= FEWEST && looking.is_varied();
        self.settle(doubled)
    }

    /// How many copies were left out.
    pub fn dropped(&self) -> u64 {
        self.dropped
    }

    fn settle(&mut self, doubled: bool) -> Vec<(Batch, Span)> {
        let next = if doubled { State::Dropping } else { State::None };
        let State::Looking(looking) = std::mem::replace(&mut self.state, next) else {
            return Vec::new();
        };
        self.open.clear();
        let held = looking.held.into_iter();
        match doubled {
            true => held.map(|(batch, span)| self.drop_from(batch, span)).collect(),
            false => held.collect(),
        }
    }

    fn drop_from(&mut self, mut batch: Batch, before: Span) -> (Batch, Span) {
        let frames = batch.frames.len();
        batch.frames.retain(|frame| !closes(&mut self.open, frame));
        let dropped = frames - batch.frames.len();
        self.dropped += dropped as u64;
        let span = if dropped > 0 { span(&batch.frames) } else { before };
        (batch, span)
    }
}

impl Looking {
    /// Whether the recording holds everything twice, as soon as that is told.
    fn look(&mut self, frames: &[Frame], open: &mut Vec<Option<Frame>>) -> Option<bool> {
        for frame in frames {
            let channel = usize::from(frame.channel);
            let waited = open.get(channel).is_some_and(Option::is_some);
            if closes(open, frame) {
                self.pairs += 1;
                let other = self.latest.as_ref().is_some_and(|latest| latest.kind != frame.kind);
                self.others += usize::from(other);
                self.latest = Some(frame.clone());
            } else {
                self.singles += usize::from(waited);
            }
            if self.singles > SINGLES + self.pairs / 10 {
                return Some(false);
            }
            if self.pairs == TELLING {
                return Some(self.is_varied());
            }
        }
        None
    }

    fn is_varied(&self) -> bool {
        self.others >= FEWEST_OTHERS
    }
}

/// Whether a frame is the copy of the one before it on its channel; if not, it waits for its own.
fn closes(open: &mut Vec<Option<Frame>>, frame: &Frame) -> bool {
    let channel = usize::from(frame.channel);
    if open.len() <= channel {
        open.resize(channel + 1, None);
    }
    let waiting = &mut open[channel];
    let is_copy = waiting.as_ref().is_some_and(|before| is_copy(before, frame));
    *waiting = if is_copy { None } else { Some(frame.clone()) };
    is_copy
}

/// Whether two frames of a channel are the same and follow each other sooner than any bus could
/// carry the second: its bits take 1 µs each at 1 Mbit/s, the highest rate outside the data phase
/// (ISO 11898-2).
fn is_copy(before: &Frame, frame: &Frame) -> bool {
    let apart = before.time.zip(frame.time).map(|(before, time)| nanoseconds_between(before, time));
    let least = u64::from(frame.length.nominal) * 1_000;
    apart.is_some_and(|apart| apart <= least) && before.kind == frame.kind
}

fn nanoseconds_between(one: Timestamp, other: Timestamp) -> u64 {
    one.nanoseconds().abs_diff(other.nanoseconds())
}
