//! How a logger hands its frames over: all at once as they come, or a few at a time on a tick. What
//! that tells of frames that it left out: docs/limits.md.

use super::{Gaps, Nanoseconds};

/// Frames closer than this to the one before came in one delivery, in nanoseconds: one tick of USB
/// is a millisecond.
const JOIN: Nanoseconds = 1_000_000;
/// Most senders of a vehicle send on a grid of 10 ms (common practice, no source).
const GRID: Nanoseconds = 10_000_000;
/// No frame follows another one sooner: the shortest of classical CAN has 47 bits with the space
/// behind it (ISO 11898-1:2015, 10.4), 47 µs at 1 Mbit/s. Frames that do were stamped by the
/// computer that took a handful of them.
const SHORTEST_FRAME: Nanoseconds = 40_000;
/// From this share of frames on that follow sooner, stamps are those of deliveries.
const BY_HANDFULS: f64 = 0.5;
/// Deliveries nearer to each other than this leave all timers as they are, in seconds.
const FINE: f64 = 0.003;
/// Parts that the grid is cut into.
const PARTS: usize = 10;
/// Fewest deliveries that show how they lie on the grid.
const FEWEST_DELIVERIES: u64 = 100;

/// The deliveries of one channel. Only the first frames are looked at: a logger does not change its
/// ways.
#[derive(Clone, Debug, Default)]
pub struct Deliveries {
    frames: u32,
    /// Deliveries of one frame, of two, and so on, up to [`Self::LARGEST`].
    sizes: Vec<u32>,
    /// Frames that followed the one before sooner than a bus can carry them.
    too_soon: u32,
    /// From the beginning of one to the beginning of the next.
    spacing: Gaps,
    /// When they began on the grid.
    phase: [u32; PARTS],
    /// The one under way: its first and latest frame, and how many it has.
    open: Option<Open>,
}

#[derive(Clone, Copy, Debug)]
struct Open {
    start: Nanoseconds,
    last: Nanoseconds,
    size: usize,
}

/// Deliveries of always the same size at always the same distance.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Ticks {
    /// Frames in a delivery.
    pub frames: usize,
    /// Seconds from one to the next.
    pub spacing: f64,
}

impl Deliveries {
    /// Frames looked at: minutes of a thinned recording, some seconds of a busy bus.
    const ENOUGH: u32 = 1 << 15;
    /// From this share on, deliveries are alike. Loggers that keep three frames a tick fill 97 % of
    /// them; buffers that lose nothing fill as many as 88 %, so that the size alone tells nothing.
    const ALIKE: f64 = 0.8;
    /// Frames in a delivery that are told apart: a mailbox holds fewer.
    const LARGEST: usize = 256;

    /// Whether further frames change nothing.
    pub fn is_settled(&self) -> bool {
        self.frames >= Self::ENOUGH
    }

    /// Takes the time of the next frame of the channel.
    #[inline]
    pub(super) fn push(&mut self, time: Nanoseconds) {
        if self.is_settled() {
            return;
        }
        self.frames += 1;
        match &mut self.open {
            Some(open) if time - open.last < JOIN => {
                self.too_soon += u32::from(time - open.last < SHORTEST_FRAME);
                open.last = open.last.max(time);
                open.size += 1;
            }
            _ => self.next(time),
        }
    }

    fn next(&mut self, time: Nanoseconds) {
        if let Some(Open { start, size, .. }) = self.open {
            self.count(size);
            self.phase[(start.rem_euclid(GRID) * PARTS as i64 / GRID) as usize] += 1;
            self.spacing.push(Some(start), &[time]);
        }
        self.open = Some(Open { start: time, last: time, size: 1 });
    }

    /// Larger ones are of no one size.
    fn count(&mut self, size: usize) {
        if size <= Self::LARGEST {
            self.sizes.resize(self.sizes.len().max(size), 0);
            self.sizes[size - 1] += 1;
        }
    }

    /// What they have in common, where nearly all are alike.
    pub fn ticks(&self) -> Option<Ticks> {
        let all = self.spacing.count() as f64;
        let (at, most) = self.sizes.iter().enumerate().max_by_key(|(_, count)| **count)?;
        let median = self.spacing.quantile(0.5)?;
        let even = self.spacing.count_between(0.9 * median, 1.1 * median) as f64;
        let (spacing, _) = self.spacing.moments(0.9 * median, 1.1 * median)?;
        (f64::from(*most) >= Self::ALIKE * all && even >= Self::ALIKE * all)
            .then_some(Ticks { frames: at + 1, spacing })
    }

    /// How far apart the deliveries are, in seconds, where stamps are those of deliveries and not
    /// of frames: so coarse is the clock. 0 where it is fine.
    ///
    /// Adapters that pass on what they hold every 10, 16 or 100 ms are common.
    pub fn coarse(&self) -> f64 {
        let by_handfuls = f64::from(self.too_soon) >= BY_HANDFULS * f64::from(self.frames.max(1));
        let apart = self.spacing.quantile(0.5).filter(|apart| by_handfuls && *apart >= FINE);
        apart.unwrap_or(0.0)
    }

    /// Whether their beginnings lie everywhere on the grid of the senders. Else an identifier may
    /// lie always in the dead time of the logger, and its absence tells nothing.
    pub fn slide(&self) -> bool {
        let all = self.spacing.count();
        let even = all as f64 / PARTS as f64;
        all >= FEWEST_DELIVERIES && self.phase.iter().all(|count| f64::from(*count) >= even / 2.0)
    }
}
