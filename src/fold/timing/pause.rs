//! Times in which the traffic of all channels stops at once and then goes on as densely as before:
//! the recording paused. How a pause is told from a bus that fell silent: docs/outages.md.

use super::histogram::GapCounts;
use super::{Nanoseconds, Silence};
use crate::capture::{Batch, Frame, TimeSummary};

/// Gaps looked at on each side.
const SIDE: usize = 8;
/// Stamps that have to be kept to judge the next gap.
const NEEDED: usize = 2 * SIDE + 1;
/// Shortest stop that can be told from ordinary unevenness, in nanoseconds.
const SHORTEST: Nanoseconds = 20_000_000;
/// A gap counts as a recording pause only if it exceeds this multiple of the 98th-percentile gap.
const TIMES: f64 = 3.0;
/// Shorter gaps are not counted: [`TIMES`] as much is still below [`SHORTEST`]. A power of two,
/// where a bin of the distribution begins.
const LOOKED_AT: Nanoseconds = 1 << 22;
const _: () = assert!(LOOKED_AT as f64 * TIMES < SHORTEST as f64);

/// Finds stops while frames go by, from the time stamps of the merged traffic of all channels.
#[derive(Clone, Debug, Default)]
pub struct Pauses {
    /// The last stamps, none before the one before it.
    stamps: Vec<Nanoseconds>,
    /// How many there were before these.
    gone: usize,
    /// Which of the stamps end a gap that is still to be judged, when enough of the traffic after
    /// it is there.
    waiting: Vec<usize>,
    gaps: GapCounts,
    candidates: Vec<Silence>,
    /// Candidates beyond [`Pauses::KEPT`].
    pub dropped: u64,
}

impl Pauses {
    /// How many candidates are kept.
    pub const KEPT: usize = 65_536;

    /// Takes the next frames of the capture, of all channels.
    pub fn push(&mut self, batch: &Batch) {
        let frames = batch.frames.as_slice();
        match batch.time_summary() {
            Some(times) if self.can_skip(frames.len(), times) => self.skip(frames),
            // A few at a time, whose stamps stay in the nearest cache.
            _ => frames
                .chunks(512)
                .for_each(|part| self.push_times(part.iter().filter_map(Frame::heard))),
        }
    }

    /// Whether none of the gaps of so many frames is looked at.
    fn can_skip(&self, frames: usize, times: &TimeSummary) -> bool {
        frames >= NEEDED
            && self.waiting.is_empty()
            && self.stamps.last().is_some_and(|last| times.gaps_are_below(LOOKED_AT, *last))
    }

    /// Takes frames, at least [`NEEDED`], none of whose gaps is looked at: the last stamps are all
    /// that is kept.
    fn skip(&mut self, frames: &[Frame]) {
        self.gone += self.stamps.len() + frames.len() - NEEDED;
        self.stamps.clear();
        self.stamps.extend(frames[frames.len() - NEEDED..].iter().filter_map(Frame::heard));
    }

    /// Channels step back against each other by up to 0.1 s in real captures; such a frame adds a
    /// gap of zero.
    fn push_times(&mut self, mut times: impl Iterator<Item = Nanoseconds>) {
        let Some(mut latest) = self
            .stamps
            .last()
            .copied()
            .or_else(|| times.next().inspect(|first| self.stamps.push(*first)))
        else {
            return;
        };
        for time in times {
            if time - latest >= LOOKED_AT {
                self.note(time - latest);
            }
            latest = latest.max(time);
            self.stamps.push(latest);
        }
        self.judge_all();
    }

    /// Judges the gaps around which enough of the traffic is there, and forgets the stamps that are
    /// no longer needed.
    fn judge_all(&mut self) {
        let judged = self.waiting.iter().take_while(|at| **at + SIDE < self.stamps.len()).count();
        for at in self.waiting.drain(..judged).collect::<Vec<_>>() {
            self.judge(at);
        }
        let done = self.stamps.len().saturating_sub(NEEDED);
        self.stamps.drain(..done);
        self.gone += done;
        self.waiting.iter_mut().for_each(|at| *at -= done);
    }

    /// Notes a gap before the next stamp.
    #[inline(never)]
    fn note(&mut self, gap: Nanoseconds) {
        self.gaps.push(gap);
        if gap >= SHORTEST {
            self.waiting.push(self.stamps.len());
        }
    }

    fn judge(&mut self, at: usize) {
        // Too close to the beginning to judge.
        if self.gone + at < 3 {
            return;
        }
        let candidate = Silence { start: self.stamps[at - 1], end: self.stamps[at] };
        let usual = |stamps: &[Nanoseconds]| {
            let mut gaps: Vec<_> = stamps.windows(2).map(|pair| pair[1] - pair[0]).collect();
            gaps.sort_unstable();
            gaps.get(gaps.len() / 2).copied().unwrap_or(Nanoseconds::MAX / 8)
        };
        let around = usual(&self.stamps[at.saturating_sub(SIDE + 1)..at])
            .max(usual(&self.stamps[at..=at + SIDE]));
        if candidate.length() <= 4 * around {
            return;
        }
        if self.candidates.len() < Self::KEPT {
            self.candidates.push(candidate);
        } else {
            self.dropped += 1;
        }
    }

    /// The stops that are also much longer than what the traffic of this capture shows anyway:
    /// three times the gap that 98 % of all gaps stay under, or what lies between two deliveries
    /// (`coarse`, in seconds, of the coarsest channel: [`super::Deliveries::coarse`]).
    pub fn stops(&self, coarse: f64) -> Vec<Silence> {
        let all = (self.gone + self.stamps.len()) as u64;
        let usual = self.gaps.quantile(0.98, all).unwrap_or(0.0).max(coarse);
        let usual = super::nanoseconds(TIMES * usual);
        self.candidates.iter().filter(|stop| stop.length() > usual).copied().collect()
    }
}
