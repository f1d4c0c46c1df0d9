//! Whether the stamps of console text, and of log text with few digits, are times or the time since
//! the line before, and the times they stand for: docs/formats.md.

use std::collections::HashMap;

use lostnode_parsers::Timestamp;

use super::Stamps;
use super::parsed::{Parsed, span};

/// Makes times of stamps that may be either, chunk after chunk in the order of the file.
pub(super) struct ConsoleTimes {
    /// `None` until enough stamps have been looked at.
    relative: Option<bool>,
    now: i64,
    /// What has to wait for the verdict, and the stamps that it will be drawn from.
    waiting: Vec<Parsed>,
    stamps: Vec<(String, i64)>,
    /// Whether there were any stamps that may be relative.
    any: bool,
    /// Frames looked at since the first of them.
    looked_at: usize,
}

/// The verdict is drawn from so many stamps, …
const TELLING: usize = 200;
/// … among so many frames: counted in frames and not in chunks, so that it is the same however the
/// file is cut.
const WITHIN: usize = 20_000;
/// Log text counted from the start is far more frequent than differences, so that it takes more
/// than a few stamps to be sure of these. Written down by hand, a few may be anything.
const FEWEST_STAMPS: usize = 20;
/// A frame without data takes at least 47 bits (ISO 11898-1:2015, 10.4), at 1 Mbit/s so many
/// nanoseconds.
const SHORTEST_FRAME: i64 = 47_000;

impl ConsoleTimes {
    pub fn new(stamps: Stamps) -> Self {
        let relative = match stamps {
            Stamps::Auto => None,
            Stamps::Absolute => Some(false),
            Stamps::Relative => Some(true),
        };
        ConsoleTimes {
            relative,
            now: 0,
            waiting: Vec::new(),
            stamps: Vec::new(),
            any: false,
            looked_at: 0,
        }
    }

    /// Whether the stamps are taken as relative.
    pub fn are_relative(&self) -> bool {
        self.any && self.relative == Some(true)
    }

    /// Takes the next chunk and hands on those whose times are settled, in order.
    pub fn push(&mut self, mut parsed: Parsed) -> Vec<Parsed> {
        self.any |= !parsed.unsure.is_empty();
        if self.relative.is_some() {
            self.set(&mut parsed);
            return vec![parsed];
        }
        if self.waiting.is_empty() && parsed.unsure.is_empty() {
            return vec![parsed];
        }
        let first = if self.looked_at == 0 {
            parsed.unsure.first().map_or(0, |at| *at as usize)
        } else {
            0
        };
        let last = first + (WITHIN - self.looked_at);
        let stamps = parsed.unsure.iter().filter(|at| (**at as usize) < last).filter_map(|at| {
            let frame = &parsed.frames[*at as usize];
            Some((parsed.channels.name(frame.channel).to_owned(), frame.time?.nanoseconds()))
        });
        self.stamps.extend(stamps.take(TELLING - self.stamps.len()));
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
            let console = self.waiting.iter().any(|parsed| parsed.console);
            let enough = if console { 2 } else { FEWEST_STAMPS };
            let stamps = std::mem::take(&mut self.stamps);
            self.relative = Some(stamps.len() >= enough && looks_relative(&stamps));
        }
        let mut waiting = std::mem::take(&mut self.waiting);
        waiting.iter_mut().for_each(|parsed| self.set(parsed));
        waiting
    }

    fn set(&mut self, parsed: &mut Parsed) {
        if self.relative != Some(true) || parsed.unsure.is_empty() {
            return;
        }
        for at in &parsed.unsure {
            let frame = &mut parsed.frames[*at as usize];
            if let Some(step) = frame.time {
                self.now = self.now.saturating_add(step.nanoseconds());
                frame.time = Some(Timestamp::from_nanoseconds(self.now));
            }
        }
        parsed.span = span(&parsed.frames);
    }
}

/// Times of one channel fall back now and then, where the recorder puts frames out of order;
/// differences fall back at about every second line. Differences that are all alike do not, but
/// then so many frames stand so near together that no bus could have carried them.
fn looks_relative(stamps: &[(String, i64)]) -> bool {
    let all_below = |most: i64, share: usize| {
        let below = stamps.iter().filter(|(_, stamp)| *stamp < most * 1_000_000_000).count();
        below * share >= stamps.len()
    };
    // Of a bus that is awake hardly two lines are a minute apart: larger stamps that fall back are
    // times of a clock that ran backward.
    let small = all_below(1_000_000, 1) && all_below(60, 2);
    let mut latest: HashMap<&str, i64> = HashMap::new();
    let falls = stamps
        .iter()
        .filter(|(channel, stamp)| {
            latest.insert(channel, *stamp).is_some_and(|before| *stamp < before)
        })
        .count();
    small && (falls * 5 > stamps.len() || too_dense(stamps, latest.len()))
}

/// Whether stamps behind a first one of zero lie nearer together than frames can.
fn too_dense(stamps: &[(String, i64)], channels: usize) -> bool {
    let [(_, 0), others @ ..] = stamps else { return false };
    let times = || others.iter().map(|(_, stamp)| *stamp);
    let (Some(first), Some(last)) = (times().min(), times().max()) else { return false };
    // A coarse clock gives many frames the stamp of its last tick, the first ones zero.
    let room = others.len() as i64 / channels.max(1) as i64 * SHORTEST_FRAME;
    others.len() >= FEWEST_STAMPS && first > 0 && last - first < room
}
