//! What is expected of an identifier: how often it comes, and how exactly.

use crate::fold::timing::{Gaps, IdTiming, Nanoseconds, Rhythm, Silence, nanoseconds, seconds};
use crate::roster_file::Known;
use crate::settings::Settings;

/// A periodic identifier and the silence after which it counts as lost. Times in seconds.
#[derive(Clone, Copy, Debug)]
pub struct Expectation {
    /// Its timer.
    pub rhythm: Rhythm,
    /// Time-out.
    pub timeout: f64,
    /// The longest gap that is still ordinary: of a sender with two beats, the longer of them.
    pub wide: f64,
    /// What a roster says of it, where that expects it in every capture.
    pub roster: Option<ByRoster>,
    /// The grid that its frames keep, where that is known well enough to ask for their phase.
    grid: Option<Grid>,
}

/// What a roster says of an identifier that it expects in every capture.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct ByRoster {
    /// It is only sent with the key on.
    pub key: bool,
    /// The longest that a sound vehicle paused it.
    pub pauses: Option<Nanoseconds>,
}

/// The timer behind an identifier, as far as its gaps show it.
#[derive(Clone, Copy, Debug)]
struct Grid {
    /// Mean of a cycle, over all gaps without a silence in them.
    cycle: f64,
    /// Scatter of a gap.
    scatter: f64,
    /// Relative error of the cycle.
    error: f64,
}

/// Frames below which an identifier shows no phase.
const FEWEST_FRAMES: u64 = 12;
/// Share of a cycle within which a frame is on its grid. Any frame is by luck in a fifth of cases.
const ON_GRID: f64 = 0.1;
/// So many seconds a frame may be late because it waited in its sender or for the bus, and because
/// the clock is coarse.
pub const QUEUE: f64 = 0.02;
/// The scatter that the gaps of a timer usually have, as a share of its period (common practice, no
/// source).
const USUAL_JITTER: f64 = 0.02;
/// A sender fell silent no later than so many of its periods after its last frame.
const REACH_PERIODS: f64 = 1.5;
/// To the reach of a sender so many times the scatter of its gaps is added.
const REACH_JITTERS: f64 = 5.0;
/// To the reach of a sender so many seconds are added, for what the fastest wait for the bus.
const REACH_LEAST: f64 = 0.005;

impl Expectation {
    /// What is expected: by the roster file where there is one, else by its own rhythm.
    pub(super) fn of(
        id: &IdTiming,
        known: Option<&Known>,
        settings: &Settings,
        pauses: &[Silence],
    ) -> Option<Expectation> {
        let known = known.and_then(|known| known.messages.get(&id.key));
        // What comes on an occasion is never missed.
        if known.is_some_and(|known| known.expected().is_none()) {
            return None;
        }
        let message = known.and_then(|known| known.timed.as_ref());
        // Too few frames to show a rhythm: that of the file.
        let from_file = || {
            let period = message?.period?;
            Some(Rhythm { period, jitter: period * USUAL_JITTER, coarse: id.coarse })
        };
        let rhythm = id.rhythm().or_else(from_file)?;
        let timeout = message
            .and_then(|message| message.timeout)
            .unwrap_or_else(|| settings.timeout(rhythm.period, rhythm.jitter + rhythm.coarse));
        // Who wrote a period by hand knows that there are no bursts.
        let by_hand = message.is_some_and(|message| message.seen.is_none());
        if !by_hand && pauses.is_empty() && comes_in_bursts(id, rhythm, timeout) {
            return None;
        }
        let scatter = scatter(&id.gaps, rhythm);
        Some(Expectation {
            rhythm,
            timeout,
            wide: wide(&id.gaps, rhythm).max(rhythm.period + 3.0 * scatter) + QUEUE,
            roster: message.map(|message| ByRoster {
                key: message.key,
                pauses: message.pauses.map(nanoseconds),
            }),
            grid: Grid::of(id, rhythm, scatter),
        })
    }

    /// Longest plausible time from a frame to the moment its sender fell silent.
    pub(super) fn reach(&self) -> Nanoseconds {
        // A roster may name any period; twice as long still is a time.
        let Rhythm { period, jitter, .. } = self.rhythm;
        let reach = nanoseconds(REACH_PERIODS * period + REACH_JITTERS * jitter + REACH_LEAST);
        reach.min(Nanoseconds::MAX / 8)
    }

    /// When the next frame should have come at the latest, after one at `last`.
    pub fn due(&self, last: Nanoseconds) -> Nanoseconds {
        last.saturating_add(nanoseconds(self.wide))
    }

    /// Whether the first frame after a silence falls on the grid of the frames before it: then its
    /// sender ran on. `None` where the grid is not known well enough for so long a silence.
    pub fn phase_kept(&self, silence: Silence) -> Option<bool> {
        let Grid { cycle, scatter, error } = self.grid?;
        let cycles = seconds(silence.length()) / cycle;
        if cycles * error > ON_GRID {
            return None;
        }
        let off = (cycles - cycles.round()).abs() * cycle;
        Some(off <= ON_GRID * cycle + scatter.min(ON_GRID * cycle))
    }
}

impl Grid {
    fn of(id: &IdTiming, rhythm: Rhythm, scatter: f64) -> Option<Grid> {
        let period = rhythm.period;
        if id.frames < FEWEST_FRAMES || scatter > ON_GRID * period {
            return None;
        }
        // Gaps of one, two and three cycles; what is longer is a silence and begins a new run.
        let (mut cycles, mut total) = (0.0, 0.0);
        for (low, high, whole) in [(0.0, 1.5, 1.0), (1.5, 2.5, 2.0), (2.5, 3.0, 3.0)] {
            let (low, high) = (low * period, high * period);
            if let Some((mean, _)) = id.gaps.moments(low, high) {
                let count = id.gaps.count_between(low, high) as f64;
                cycles += count * whole;
                total += count * mean;
            }
        }
        // What waited while a wire was open comes off the grid, and the short gap behind it is no
        // cycle. A late frame makes a short gap too, but a long one before it.
        let losses = id.gaps.count_between(3.0 * period, f64::INFINITY);
        let early = id.gaps.count_between(0.0, 0.8 * period);
        let late = id.gaps.count_between(1.2 * period, 1.5 * period);
        let waited = early.saturating_sub(late).min(losses) as f64;
        if waited > 0.0
            && let Some((mean, _)) = id.gaps.moments(0.0, 0.8 * period)
        {
            cycles -= waited;
            total -= waited * mean;
        }
        let runs = 1.0 + losses as f64;
        // Each run is as exact as its two ends.
        let error = scatter.max(1e-4) * (2.0 * runs).sqrt() / total;
        (cycles > 0.0).then(|| Grid { cycle: total / cycles, scatter, error })
    }
}

/// Scatter of a gap in seconds, as a normal distribution would have it: the range of the middle
/// half, since single late frames say nothing of the timer.
fn scatter(gaps: &Gaps, rhythm: Rhythm) -> f64 {
    let quartiles = gaps.quantile(0.25).zip(gaps.quantile(0.75));
    quartiles.map_or(rhythm.jitter, |(low, high)| ((high - low) / 1.349).min(rhythm.jitter))
}

/// The longest ordinary gap: 99 in a hundred of the gaps below three periods are no longer.
fn wide(gaps: &Gaps, rhythm: Rhythm) -> f64 {
    let ordinary = gaps.count_between(0.0, 3.0 * rhythm.period) as f64;
    gaps.quantile(0.99 * ordinary / gaps.count().max(1) as f64).unwrap_or(rhythm.period)
}

/// Whether its frames come in bursts: where pauses are no exception, a pause says nothing.
fn comes_in_bursts(id: &IdTiming, rhythm: Rhythm, timeout: f64) -> bool {
    let Some((first, last)) = id.heard else { return true };
    let long = id.silences.at_least(nanoseconds(timeout));
    let (count, silent) =
        long.fold((0, 0), |(count, silent), own| (count + 1, silent + own.length()));
    let gaps = id.frames.saturating_sub(1 + count);
    seconds(last - first - silent) > 2.0 * rhythm.period * gaps as f64
}
