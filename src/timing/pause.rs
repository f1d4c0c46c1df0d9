//! Moments at which the traffic of all channels stops at once and goes on as densely as before: the recording paused.

use super::histogram::GapCounts;
use super::{Nanoseconds, Silence};

/// Gaps looked at on each side.
const SIDE: usize = 8;
/// Stamps looked at together.
const TOGETHER: usize = 2 * SIDE + 2;
/// Stamps kept: a power of two, so that the place of a stamp is the end of its number.
const KEPT_STAMPS: usize = 32;
/// Shortest stop that can be told from ordinary unevenness, in nanoseconds.
const SHORTEST: Nanoseconds = 20_000_000;

/// Finds stops while frames go by, from the last few time stamps of the merged traffic of all channels.
#[derive(Clone, Debug, Default)]
pub struct Pauses {
    /// The last stamps, each at its number modulo their count.
    recent: [Nanoseconds; KEPT_STAMPS],
    /// Stamps so far.
    filled: usize,
    latest: Nanoseconds,
    gaps: GapCounts,
    candidates: Vec<Silence>,
    /// Candidates beyond [`Pauses::KEPT`].
    pub dropped: u64,
}

impl Pauses {
    /// How many candidates are kept.
    pub const KEPT: usize = 65_536;

    /// Takes the time of the next frame of any channel. Channels step back against each other by up to 0.1 s in real captures;
    /// such a frame adds a gap of zero.
    #[inline]
    pub fn push(&mut self, time: Nanoseconds) {
        if self.filled == 0 {
            self.latest = time;
        }
        self.gaps.push(time - self.latest);
        self.latest = self.latest.max(time);
        self.recent[self.filled % KEPT_STAMPS] = self.latest;
        self.filled += 1;
        let candidate = Silence { start: self.recent(SIDE), end: self.recent(SIDE + 1) };
        if candidate.length() >= SHORTEST {
            self.consider(candidate);
        }
    }

    /// One of the stamps looked at together, from 0, the earliest; zero before the first of the capture.
    #[inline]
    fn recent(&self, at: usize) -> Nanoseconds {
        self.recent[(self.filled + at).wrapping_sub(TOGETHER) % KEPT_STAMPS]
    }

    #[cold]
    fn consider(&mut self, candidate: Silence) {
        // Enough frames on both sides, or the stop is too close to the beginning to judge.
        if self.filled < SIDE + 4 {
            return;
        }
        let recent: [Nanoseconds; TOGETHER] = std::array::from_fn(|at| self.recent(at));
        let before = TOGETHER.saturating_sub(self.filled);
        let usual = |stamps: &[Nanoseconds]| {
            let mut gaps: Vec<_> = stamps.windows(2).map(|pair| pair[1] - pair[0]).collect();
            gaps.sort_unstable();
            gaps.get(gaps.len() / 2).copied().unwrap_or(Nanoseconds::MAX / 8)
        };
        let around = usual(&recent[before.min(SIDE)..=SIDE]).max(usual(&recent[SIDE + 1..]));
        if candidate.length() <= 4 * around {
            return;
        }
        if self.candidates.len() < Self::KEPT {
            self.candidates.push(candidate);
        } else {
            self.dropped += 1;
        }
    }

    /// The stops that are also much longer than what the traffic of this capture shows anyway: three times the gap that 98 %
    /// of all gaps stay under.
    pub fn stops(&self) -> Vec<Silence> {
        let usual = self.gaps.quantile(0.98).map_or(0, |gap| super::nanoseconds(3.0 * gap));
        self.candidates.iter().filter(|stop| stop.length() > usual).copied().collect()
    }
}
