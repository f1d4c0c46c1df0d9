//! What the gaps of an identifier tell of its timer.

use super::{IdTiming, Silence, boots, nanoseconds};

/// Seconds within which frames of an identifier without a timer tell of one event: those are
/// repeated a few times within tens or hundreds of milliseconds, lest one be missed (common
/// practice, no source).
const OCCASION: f64 = 1.0;

impl IdTiming {
    /// Period in seconds where even a few frames show one: at least four gaps, 80 % of them within
    /// 30 % of the median. Enough to expect the identifier in another capture, not to miss it here.
    pub fn pace(&self) -> Option<f64> {
        let median = self.gaps.quantile(0.5)?;
        let near = self.gaps.count_between(0.7 * median, 1.3 * median);
        let count = self.gaps.count();
        (count >= 4 && near as f64 >= 0.8 * count as f64)
            .then(|| self.gaps.moments(0.7 * median, 1.3 * median))?
            .map(|(mean, _)| mean)
    }

    /// On how many occasions it was sent: frames that come within a second of each other are one,
    /// and where they go on for longer, each second of them is.
    pub fn occasions(&self) -> u64 {
        if self.frames == 0 {
            return 0;
        }
        let bursts = 1 + self.gaps.count_between(OCCASION, f64::INFINITY);
        let close = self.gaps.count_between(0.0, OCCASION) as f64;
        let spoke = close * self.gaps.moments(0.0, OCCASION).map_or(0.0, |(mean, _)| mean);
        bursts.max((spoke / OCCASION) as u64).min(self.frames)
    }

    /// Whether its gaps spread over more than half of their median, as no timer does; `None` where
    /// it sent too few frames to tell.
    pub fn is_uneven(&self) -> Option<bool> {
        let at = |q| self.gaps.quantile(q);
        let spread = at(0.9)? - at(0.1)?;
        (self.frames >= 10).then_some(spread > 0.5 * at(0.5)?)
    }

    /// Whether frames are missing from its rhythm: its gaps are whole multiples of the shortest,
    /// and not few of them of more than one.
    pub fn is_holed(&self) -> bool {
        // Below 3 ms the jitter is no small part of a period.
        let Some(tenth) = self.gaps.quantile(0.1).filter(|tenth| *tenth >= 0.003) else {
            return false;
        };
        let Some((period, _)) = self.gaps.moments(0.8 * tenth, 1.2 * tenth) else { return false };
        let count = self.gaps.count() as f64;
        let share = |low: f64, high: f64| {
            self.gaps.count_between(low * period, high * period) as f64 / count
        };
        let whole = |times: u32| share(f64::from(times) - 0.2, f64::from(times) + 0.2);
        count >= 20.0 && (1..=10).map(whole).sum::<f64>() >= 0.8 && share(1.5, 10.5) >= 0.15
    }

    /// Period and jitter where the identifier is sent on a timer.
    ///
    /// Periodic means: at least [`Rhythm::FEWEST_GAPS`] gaps, at least 80 % of them within half a
    /// period of the median, and at most 5 % longer than three periods (losses are few events,
    /// bursts are many), or a few more that are like losses of a slow timer, or those of a module
    /// that boots again and again.
    ///
    /// Where stamps are those of deliveries a fast timer shows nothing of that, but no gap of it is
    /// longer than its period and what lies between two deliveries.
    pub fn rhythm(&self) -> Option<Rhythm> {
        let short = |median: f64| median < 2.0 * self.coarse;
        let hidden = self.coarse > 0.0 && self.gaps.quantile(0.5).is_some_and(short);
        if hidden { self.behind_deliveries() } else { self.by_gaps() }
    }

    fn by_gaps(&self) -> Option<Rhythm> {
        let count = self.gaps.count();
        if count < Rhythm::FEWEST_GAPS {
            return None;
        }
        let median = self.gaps.quantile(0.5)?;
        let near = self.gaps.count_between(0.5 * median, 1.5 * median);
        let long = self.gaps.count_between(3.0 * median, f64::INFINITY);
        if (near as f64) < 0.8 * count as f64 {
            return None;
        }
        let (long, count) = (long as f64, count as f64);
        let many = long > (0.05 * count).max(2.0);
        let lost_often = || long <= MOST_LONG * count && self.is_slow_and_lost_often(median);
        if many && !lost_often() && self.boots(median).is_empty() {
            return None;
        }
        let (period, jitter) = self.gaps.moments(0.5 * median, 1.5 * median)?;
        (period > 0.0).then_some(Rhythm { period, jitter, coarse: 0.0 })
    }

    fn behind_deliveries(&self) -> Option<Rhythm> {
        let (coarse, count) = (self.coarse, self.gaps.count());
        if count < FEWEST_BEHIND {
            return None;
        }
        let losses_from = 3.0 * (self.gaps.quantile(0.5)? + coarse);
        let (period, jitter) = self.gaps.moments(0.0, losses_from)?;
        let longest = 1.5 * period + coarse;
        let own = self.gaps.count_between(0.0, longest) as f64;
        let long = self.gaps.count_between(3.0 * period + coarse, f64::INFINITY) as f64;
        let few = long <= (LOST * count as f64).max(2.0);
        (period > 0.0 && few && own + long >= BEHIND * count as f64).then_some(Rhythm {
            period,
            jitter,
            coarse,
        })
    }

    /// Whether its gaps of more than three periods are like losses of a slow timer: of a module
    /// that is lost time and again they are many. Then all others are of one length, to a tenth,
    /// there are none between, and no two of the long ones need be alike, as those of an event that
    /// is repeated a set number of times in a set rhythm are.
    fn is_slow_and_lost_often(&self, median: f64) -> bool {
        let unlike = self
            .gaps
            .moments(3.0 * median, f64::INFINITY)
            .is_some_and(|(mean, spread)| spread > ALIKE * mean);
        let brief = self.gaps.count_between(3.0 * median, LOSS.max(3.0 * median));
        self.is_steady(median) && unlike && brief == 0
    }

    /// Whether, but for gaps of more than three periods, all are of one length, to a tenth.
    fn is_steady(&self, period: f64) -> bool {
        let between = |low: f64, high: f64| self.gaps.count_between(low * period, high * period);
        let near = between(0.9, 1.1) as f64;
        let short = between(0.0, 3.0) as f64;
        near >= STEADY * short && between(1.5, 3.0) as f64 <= BETWEEN * short
    }

    /// Its silences of more than three periods, where they are those of a module that boots again
    /// and again; none for most.
    pub(crate) fn boots(&self, period: f64) -> Vec<Silence> {
        let own: Vec<Silence> = self.silences.at_least(nanoseconds(3.0 * period)).collect();
        let between = |low: f64, high: f64| self.gaps.count_between(low * period, high * period);
        // A coarse clock scatters a fast timer by more than a tenth.
        let is_timer = || between(0.5, 1.5) as f64 >= WHOLE * between(0.0, 3.0) as f64;
        match boots::again(&own, period) && is_timer() {
            true => own,
            false => Vec::new(),
        }
    }
}

/// Gaps that show a timer behind deliveries at the least: chance makes a few alike.
const FEWEST_BEHIND: u64 = 24;
/// Share of the gaps of such a timer that are none too long for it, or losses. Of what comes at
/// random one in seven gaps is twice its mean, and longer.
const BEHIND: f64 = 0.97;
/// Share of its gaps that losses may be: one that is sent in blocks has 3 % of long gaps (a message
/// of a real truck).
const LOST: f64 = 0.01;
/// Share of the gaps of a timer that are within a tenth of the median where losses are many.
const STEADY: f64 = 0.9;
/// … and of those between one and a half and three periods.
const BETWEEN: f64 = 0.02;
/// Share of the gaps of a timer that are of one period, to a half, where a module boots again and
/// again.
const WHOLE: f64 = 0.97;
/// Share of all gaps that losses of a slow timer may be. Of 40 such messages of 1284 invented
/// vehicles (two worlds by others) one was of a sound one.
const MOST_LONG: f64 = 0.15;
/// No such loss is shorter, in seconds: shorter ones are pauses between bursts.
const LOSS: f64 = 0.3;
/// Pauses whose spread is less than this share of their mean are alike, as those of a second timer.
const ALIKE: f64 = 0.12;

/// The timer of a periodic identifier, in seconds.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Rhythm {
    /// Mean of the gaps within half a period of the median: lost frames do not stretch it.
    pub period: f64,
    /// Standard deviation of the same gaps.
    pub jitter: f64,
    /// How far apart the deliveries are behind which the timer was found; 0 for most.
    pub coarse: f64,
}

impl Rhythm {
    /// Fewer gaps than this show no period.
    pub const FEWEST_GAPS: u64 = 8;
}
