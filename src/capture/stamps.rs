//! Whether the stamps of console text are times or the time since the line before, and the times
//! they stand for: docs/formats.md.

use lostnode_parsers::Timestamp;

use super::Stamps;
use super::parsed::{Parsed, span};

/// Makes times of the stamps of console text, chunk after chunk in the order of the file.
pub(super) struct ConsoleTimes {
    /// `None` until enough stamps have been looked at.
    relative: Option<bool>,
    now: i64,
    /// What has to wait for the verdict, and the stamps that it will be drawn from.
    waiting: Vec<Parsed>,
    stamps: Vec<i64>,
    /// Frames looked at since the first of console text.
    looked_at: usize,
}

/// The verdict is drawn from so many stamps of console text, …
const TELLING: usize = 200;
/// … among so many frames: counted in frames and not in chunks, so that it is the same however the
/// file is cut.
const WITHIN: usize = 20_000;

impl ConsoleTimes {
    pub fn new(stamps: Stamps) -> Self {
        let relative = match stamps {
            Stamps::Auto => None,
            Stamps::Absolute => Some(false),
            Stamps::Relative => Some(true),
        };
        ConsoleTimes { relative, now: 0, waiting: Vec::new(), stamps: Vec::new(), looked_at: 0 }
    }

    /// Whether the stamps are taken as relative.
    pub fn are_relative(&self) -> bool {
        self.relative == Some(true)
    }

    /// Takes the next chunk and hands on those whose times are settled, in order.
    pub fn push(&mut self, mut parsed: Parsed) -> Vec<Parsed> {
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
            self.finish()
        } else {
            Vec::new()
        }
    }

    /// Draws the verdict from what there is, and hands on what waited for it.
    pub fn finish(&mut self) -> Vec<Parsed> {
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
