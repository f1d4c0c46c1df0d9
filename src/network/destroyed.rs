//! Which frame an error on the bus destroyed (docs/outages.md, "Error frames").
//!
//! Whoever sees an error ends the frame for all with an error flag, and its sender repeats it as
//! soon as arbitration lets it (ISO 11898-1, error signalling and automatic retransmission; from
//! memory). So it is among the frames behind the error, and arbitration leaves few of them:
//!
//! - Before the bus falls idle, for nobody keeps back what is pending.
//! - Higher in number than all that were sent since, for it was pending all the while and lost to
//!   them.
//! - Of those, the one that would have begun first, for then it was on the bus: each begins when it
//!   is due by its schedule, but not before the bus is free; of two the lower number goes first.
//!
//! What was not yet due when the error came is thus passed over; where two may have begun first
//! nobody is named.

use lostnode_parsers::Id;

use super::clocks::Clocks;
use crate::capture::ChannelIndex;
use crate::fold::timing::{Aftermath, Follower, Key, Nanoseconds, Reported, Timing};
use crate::ids::IdIndex;
use crate::silence::Losses;

/// Bits from the start of a frame to the end of arbitration: start, 11 of identifier, remote bit.
const ARBITRATION: f64 = 13.0;
/// Bits between frames.
const INTERMISSION: f64 = 3.0;
/// Bits from an error to the next start: flag, delimiter, intermission; at least, and where another
/// node answers the flag with its own and the sender, error passive, waits another 8.
const RECOVERY: (f64, f64) = (17.0, 31.0);
/// Bits of the longest classical frame, stuffed.
const LONGEST: f64 = 160.0;
/// Frames of which some surely follow each other at once.
const MANY: usize = 200;
/// Nanoseconds of a bit at 33.3 kbit/s, the slowest rate in the trade.
const SLOWEST: f64 = 30_000.0;
/// What a time stamp may be late, in nanoseconds: so soon behind another a frame follows at once.
const STAMP: f64 = 100_000.0;
/// A frame is earlier than the earliest of those before by so much of their scatter at most …
const EARLY: f64 = 0.25;
/// … and so many nanoseconds, which is the resolution of most time stamps and some.
const LEAST: f64 = 5_000.0;
/// Periods over which the grid of an identifier is continued.
const GRID: f64 = 16.0;

/// By channel, and by the place of its error frame: the identifier that was destroyed.
pub type Destroyed = Vec<Vec<Option<IdIndex>>>;

/// Names what error frames destroyed, given the bits per second of each channel.
pub fn find(
    timing: &Timing,
    losses: &Losses,
    clocks: &Clocks,
    bit_rate: impl Fn(ChannelIndex) -> Option<f64>,
) -> Destroyed {
    let channels = timing.channels.iter().enumerate();
    channels
        .map(|(at, channel)| {
            let channel_index = at as ChannelIndex;
            let bit = bit_rate(channel_index).map(|rate| 1e9 / rate);
            let bit = bit.or_else(|| shortest(&channel.errors.followers));
            let place = |id: Id| timing.place(Key { channel: channel_index, id });
            let schedule = |id: IdIndex| {
                let period = losses.expected[id].as_ref()?.rhythm.period;
                Some(clocks.rates[id].map_or(period, |rate| rate.period) * 1e9)
            };
            let bus = Bus { errors: &channel.errors, bit, place: &place, schedule: &schedule };
            (0..channel.errors.reported.len()).map(|at| bus.destroyed(at)).collect()
        })
        .collect()
}

/// Nanoseconds of a bit at most, as the closest of many frames show it: no load tells the rate of a
/// bus that is nearly idle, and still two of its frames follow each other at once now and then.
fn shortest(followers: &[Follower]) -> Option<f64> {
    let gaps = followers
        .windows(2)
        .map(|pair| (pair[1].time - pair[0].time).max(0) as f64 / f64::from(pair[1].bits.max(1)));
    let shortest = gaps.fold(f64::INFINITY, f64::min);
    (followers.len() >= MANY && shortest <= SLOWEST).then_some(shortest)
}

/// A channel around its errors. Times in nanoseconds after the error, as far as not said otherwise.
struct Bus<'a> {
    errors: &'a Aftermath,
    /// Nanoseconds of a bit, where the rate is known.
    bit: Option<f64>,
    place: &'a dyn Fn(Id) -> Option<IdIndex>,
    /// Nanoseconds from one frame of an identifier to the next.
    schedule: &'a dyn Fn(IdIndex) -> Option<f64>,
}

/// A frame that may have been destroyed, and when it would have begun: at the earliest and at the
/// latest.
#[derive(Clone, Copy)]
struct Candidate {
    id: IdIndex,
    begins: (f64, f64),
}

impl Bus<'_> {
    fn destroyed(&self, at: usize) -> Option<IdIndex> {
        let error = &self.errors.reported[at];
        let after_arbitration = error.frame.is_after_arbitration();
        if !error.frame.is_destruction() || after_arbitration == Some(false) {
            return None;
        }
        let free = self.free(at);
        // The echo of an error, or one in the arbitration.
        let latest = -ARBITRATION * self.bits();
        if free > 0.0 || (after_arbitration.is_none() && free > latest) {
            return None;
        }
        let burst = self.burst(at);
        if burst.at_once {
            self.first(error, &burst, (free.min(latest), latest))
        } else {
            self.late(error, latest)
        }
    }

    fn bits(&self) -> f64 {
        self.bit.unwrap_or(0.0)
    }

    /// When the bus had become free before an error.
    fn free(&self, at: usize) -> f64 {
        let error = &self.errors.reported[at];
        let since = |time: Nanoseconds, bits: f64| {
            time.saturating_sub(error.time) as f64 + bits * self.bits()
        };
        let frame = error.before.map(|time| since(time, INTERMISSION));
        let before = self.errors.reported[..at].iter().rev();
        let before = before.take_while(|other| other.next == error.next);
        let other = before.into_iter().find(|other| other.frame.is_destruction());
        let other = other.map(|other| since(other.time, RECOVERY.0));
        frame.into_iter().chain(other).fold(f64::NEG_INFINITY, f64::max)
    }

    /// The frames behind an error before the bus falls idle.
    fn burst(&self, at: usize) -> Burst {
        let error = &self.errors.reported[at];
        let mut burst = Burst { at_once: true, end: error.next, whole: false };
        let (mut last, mut after_error) = (error.time, true);
        let mut later = self.errors.reported[at + 1..].iter().peekable();
        let allowed = |bits: f64| self.bit.map_or(f64::INFINITY, |bit| bits * bit + STAMP);
        let recovery = |after_error| if after_error { RECOVERY.1 } else { 0.0 };
        for (place, follower) in self.following(error) {
            while let Some(other) = later.next_if(|other| other.next <= place) {
                if !other.frame.is_destruction() {
                    continue;
                }
                let idle = (other.time - last) as f64 > allowed(LONGEST + recovery(after_error));
                if idle {
                    return burst.ended(error.next);
                }
                (last, after_error) = (other.time, true);
            }
            let bits = f64::from(follower.bits) + recovery(after_error);
            if (follower.time - last) as f64 > allowed(bits) {
                return burst.ended(error.next);
            }
            (last, after_error) = (follower.time, false);
            burst.end = place + 1;
        }
        burst
    }

    /// Frames behind an error, with their places.
    fn following(&self, error: &Reported) -> impl Iterator<Item = (usize, &Follower)> {
        let all = self.errors.followers.iter().enumerate();
        all.skip(error.next).take(Aftermath::FOLLOWING)
    }

    /// The one that would have begun first, of those that were pending all the while.
    fn first(&self, error: &Reported, burst: &Burst, range: (f64, f64)) -> Option<IdIndex> {
        let mut highest: Option<Id> = None;
        let mut pending = Vec::new();
        for follower in &self.errors.followers[error.next..burst.end] {
            if highest.is_none_or(|highest| highest < follower.id) {
                highest = Some(follower.id);
                pending.push(self.candidate(error, follower, range)?);
            }
        }
        pending.retain(|candidate| candidate.begins.0 <= range.1);
        // Behind what is known others may wait, the destroyed one among them.
        let unknown = if burst.whole { (f64::INFINITY, f64::INFINITY) } else { range };
        while let Some((one, others)) = pending.split_first() {
            let (earliest, latest) = others
                .iter()
                .map(|other| other.begins)
                .fold(unknown, |(earliest, latest), (low, high)| {
                    (earliest.min(low), latest.min(high))
                });
            if one.begins.1 <= earliest {
                return Some(one.id);
            }
            if one.begins.0 <= latest {
                return None;
            }
            pending.remove(0);
        }
        None
    }

    fn candidate(
        &self,
        error: &Reported,
        follower: &Follower,
        (free, latest): (f64, f64),
    ) -> Option<Candidate> {
        let id = (self.place)(follower.id)?;
        let length = f64::from(follower.bits) * self.bits();
        // On the bus it was not yet over.
        let floor = match self.bit {
            Some(_) => free.max(-length - STAMP),
            None => free,
        };
        let begins = match self.due(error, follower, id) {
            // It should have been sent before: its sender is late, nobody knows by how much.
            Some((_, high)) if high < floor && free < floor => (floor, latest),
            Some((low, high)) => (low.max(floor), high.min(latest).max(floor)),
            None => (floor, latest),
        };
        Some(Candidate { id, begins })
    }

    /// When a frame was due to begin, by its schedule: at the earliest and at the latest.
    fn due(&self, error: &Reported, follower: &Follower, id: IdIndex) -> Option<(f64, f64)> {
        let period = (self.schedule)(id)?;
        let heard = follower.recent.iter().filter(|time| **time > Nanoseconds::MIN);
        // How much later than by the grid of each earlier frame it came.
        let mut late: Vec<f64> = heard
            .map(|time| (follower.time - time) as f64 / period)
            .filter(|cycles| *cycles <= GRID)
            .map(|cycles| (cycles - cycles.round()) * period)
            .collect();
        late.sort_by(f64::total_cmp);
        let (most, median) = (*late.last()?, late[late.len() / 2]);
        let length = f64::from(follower.bits) * self.bits();
        let seen = (follower.time - error.time) as f64 - length;
        // Those that waited least show the grid; half of all had hardly to wait.
        let (earliest, latest) = (seen - most.max(0.0), seen - median.max(0.0));
        let early = EARLY * (latest - earliest) + LEAST;
        Some((earliest - early, (latest + LEAST).min(seen)))
    }

    /// Where nothing followed at once: the first that was surely due before the error.
    fn late(&self, error: &Reported, latest: f64) -> Option<IdIndex> {
        for (_, follower) in self.following(error) {
            let Some(id) = (self.place)(follower.id) else { continue };
            match self.due(error, follower, id) {
                Some((_, high)) if high < latest => return Some(id),
                Some((low, _)) if low < latest => return None,
                _ => {}
            }
        }
        None
    }
}

/// Frames behind an error.
struct Burst {
    /// The first of them followed at once.
    at_once: bool,
    /// Place behind the last.
    end: usize,
    /// The bus fell idle behind them.
    whole: bool,
}

impl Burst {
    /// The bus was idle then.
    fn ended(self, begin: usize) -> Burst {
        Burst { at_once: self.end > begin, whole: true, ..self }
    }
}
