//! Whether a frame waited for the bus, and for how long at the most.
//!
//! A frame that waited says when the bus was free, not when its sender's timer ran out. Which one
//! did is told by its length and by where the frames before it ended. What is drawn from that:
//! docs/roster.md.

use lostnode_parsers::Id;

use super::Nanoseconds;
use crate::capture::Frame;

/// Gaps from which the time of a bit is drawn.
const LEARN_GAPS: usize = 1024;
/// The share of gaps in a hundred that are surely among the shortest: frames that follow at once.
/// One gap alone may be a mistake of the logger.
const SHORTEST: usize = 2;
/// Gaps of up to so many times the shortest ones are gaps between frames that follow at once: time
/// stamps scatter by that much.
const AT_ONCE: f64 = 1.6;
/// A gap that is longer than such gaps by so many of their standard deviations or less is no sign
/// of an idle bus.
const SLACK: f64 = 3.0;
/// A bus is never called idle for less than so many bits: that is the space between frames.
const LEAST_SLACK: f64 = 4.0;
/// A bus that nobody used for more than so many bits, a third of a frame, is always called idle.
const MOST_SLACK: f64 = 40.0;
/// Bits of a frame of eight bytes, without stuff bits.
const BITS: f64 = 111.0;
/// No such frame is that short, in nanoseconds, at any rate up to 1 Mbit/s: stamps are too coarse.
const SHORTER_THAN_A_FRAME: f64 = 40_000.0;
/// The data phase of CAN FD is taken to be four times as fast (500 kbit/s and 2 Mbit/s are common
/// practice, no source).
const FASTER: f64 = 4.0;
/// Most frames looked at that a frame had to let pass.
const PASSED: usize = 16;

/// How far apart the frames of a channel lie that follow at once.
#[derive(Clone, Debug, Default)]
pub(super) struct Spacing {
    /// Nanoseconds a bit of the frame that ends the gap.
    gaps: Vec<f64>,
    settled: Option<Idle>,
}

/// From when on it is known whether the bus was idle before a frame, and what says so.
#[derive(Clone, Copy, Debug)]
pub(super) struct Idle {
    pub since: Nanoseconds,
    /// Nanoseconds a bit.
    pub bit: f64,
    /// The bus was idle where nothing was sent for more nanoseconds.
    pub slack: f64,
}

/// Bits at the nominal rate that last as long as a frame with the space behind it.
fn bits(frame: &Frame) -> f64 {
    f64::from(frame.length.nominal) + f64::from(frame.length.data_phase) / FASTER
}

impl Spacing {
    pub(super) fn is_settled(&self) -> bool {
        self.settled.is_some()
    }

    /// What it found, where time stamps are fine enough.
    pub(super) fn idle(&self) -> Option<Idle> {
        self.settled.filter(|idle| idle.bit * BITS >= SHORTER_THAN_A_FRAME)
    }

    /// Takes the gap that a frame at `time` ends.
    #[inline]
    pub(super) fn push(&mut self, time: Nanoseconds, gap: Nanoseconds, frame: &Frame) {
        if !self.is_settled() {
            self.learn(time, gap as f64 / bits(frame).max(1.0));
        }
    }

    #[cold]
    fn learn(&mut self, time: Nanoseconds, gap: f64) {
        self.gaps.push(gap);
        if self.gaps.len() < LEARN_GAPS {
            return;
        }
        let mut gaps = std::mem::take(&mut self.gaps);
        gaps.sort_by(f64::total_cmp);
        let few = LEARN_GAPS * SHORTEST / 100;
        let near = gaps.partition_point(|gap| *gap <= AT_ONCE * gaps[few]);
        let near = &gaps[..near];
        // A bit is what the gaps crowd around: the narrowest range that holds a quarter of them.
        let many = (near.len() / 4).max(few);
        let width = |own: &[f64]| own[many - 1] - own[0];
        let narrowest = near.windows(many).min_by(|a, b| width(a).total_cmp(&width(b)));
        let bit = narrowest.map_or(gaps[few], |own| own[many / 2]);
        // Above it lie others that had no need to follow at once: the scatter shows below. Two
        // thirds of the deviations to one side are less than the standard deviation.
        let below = near.partition_point(|gap| *gap <= bit);
        let deviation = bit - near[below / 3];
        let slack = (SLACK * deviation * BITS).clamp(LEAST_SLACK * bit, MOST_SLACK * bit);
        self.settled = Some(Idle { since: time, bit, slack });
    }
}

/// A frame on the channel as its followers see it.
#[derive(Clone, Copy, Debug)]
pub(super) struct Sent {
    time: Option<Nanoseconds>,
    id: Option<Id>,
    bits: f64,
}

impl Sent {
    pub(super) fn of(frame: &Frame) -> Sent {
        Sent { time: frame.heard(), id: frame.kind.id(), bits: bits(frame) }
    }

    /// When it began: its stamp is of its end.
    fn start(&self, idle: Idle) -> Option<Nanoseconds> {
        Some(self.time? - (self.bits * idle.bit) as Nanoseconds)
    }
}

/// How a frame got onto the bus.
#[derive(Clone, Copy, Debug)]
pub(super) struct Begun {
    /// When it began, in nanoseconds.
    pub start: Nanoseconds,
    /// What stood before it.
    pub behind: Option<Id>,
    /// Whether the bus was idle: it did not wait.
    pub idle: bool,
    /// Since when at the earliest it may have waited.
    pub ready: Option<Nanoseconds>,
}

impl Begun {
    /// When a frame was ready, given those before it on the channel, the last one first.
    ///
    /// It may have waited for frames of more importance, and for one of less that had begun: before
    /// the beginning of that one it was not ready, or it would have gone first.
    pub(super) fn of(
        own: Sent,
        earlier: impl IntoIterator<Item = Sent>,
        idle: Idle,
    ) -> Option<Begun> {
        let waits = |start: Nanoseconds, end: Nanoseconds| (start - end) as f64 <= idle.slack;
        let start = own.start(idle)?;
        let mut earlier = earlier.into_iter();
        let mut last = earlier.next()?;
        let begun = Begun { start, behind: last.id, idle: true, ready: None };
        if !waits(start, last.time?) {
            return Some(begun);
        }
        let lets_pass = |other: Sent| own.id.zip(other.id).is_some_and(|(own, id)| id < own);
        let mut ready = None;
        for before in earlier.take(PASSED) {
            let start = last.start(idle)?;
            if !lets_pass(last) || !waits(start, before.time?) {
                ready = Some(start);
                break;
            }
            last = before;
        }
        Some(Begun { idle: false, ready, ..begun })
    }
}

#[cfg(test)]
mod tests {
    use lostnode_parsers::embedded_can::StandardId;

    use super::*;

    const IDLE: Idle = Idle { since: 0, bit: 2000.0, slack: 20_000.0 };

    fn sent(id: u16, time: Nanoseconds) -> Sent {
        Sent { time: Some(time), id: StandardId::new(id).map(Id::Standard), bits: 100.0 }
    }

    fn ready(id: u16, time: Nanoseconds, earlier: &[(u16, Nanoseconds)]) -> Begun {
        let earlier = earlier.iter().map(|(id, time)| sent(*id, *time));
        Begun::of(sent(id, time), earlier, IDLE).unwrap()
    }

    /// Frames of 0.2 ms; the bus was idle before the first of those that follow each other.
    #[test]
    fn a_frame_waits_for_what_began_before_it() {
        assert!(ready(0x300, 1_600_000, &[(0x200, 1_000_000)]).idle);
        // Behind one of less importance: it was not ready before that one began.
        let before = [(0x400, 1_400_000), (0x200, 1_200_000), (0x100, 1_000_000)];
        let waited = ready(0x300, 1_600_000, &before);
        assert_eq!((waited.idle, waited.start, waited.ready), (false, 1_400_000, Some(1_200_000)));
        // Behind two of more importance, before which the bus was idle.
        let before = [(0x200, 1_400_000), (0x100, 1_200_000), (0x500, 500_000)];
        assert_eq!(ready(0x300, 1_600_000, &before).ready, Some(1_000_000));
        // Where what came before is not known, neither is that.
        assert_eq!(ready(0x300, 1_600_000, &before[..2]).ready, None);
    }

    /// Gaps of frames that follow at once, blurred by 10 µs, among others that do not.
    #[test]
    fn the_time_of_a_bit() {
        let mut spacing = Spacing::default();
        let mut noise = 1_u32;
        for step in 0..LEARN_GAPS {
            noise = noise.wrapping_mul(1_664_525).wrapping_add(1_013_904_223);
            let even = f64::from(noise >> 8) / f64::from(1 << 24);
            let gap = if step % 3 == 0 { 1900.0 + 200.0 * even } else { 2600.0 + 9000.0 * even };
            spacing.learn(step as i64, gap);
        }
        let idle = spacing.idle().unwrap();
        assert!((idle.bit - 2000.0).abs() < 60.0, "{idle:?}");
        assert!((8_000.0..60_000.0).contains(&idle.slack), "{idle:?}");
    }
}
