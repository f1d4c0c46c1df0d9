//! The capture's clock and that of the receiver: how late it is in the capture when nothing comes.

use crate::analysis::Nanoseconds;

/// Tells the time of the capture between two deliveries, where they come as fast as they were
/// recorded. All times in nanoseconds; those of the receiver count from any beginning.
#[derive(Clone, Copy, Debug, Default)]
pub struct Pace {
    /// Receiver's and capture's time of a delivery a second ago or more.
    anchor: Option<(Nanoseconds, Nanoseconds)>,
    latest: Option<(Nanoseconds, Nanoseconds)>,
    paced: bool,
    /// The longest ordinary wait for a delivery of late.
    wait: Nanoseconds,
    /// Of a bus or a replay, how fast its time passes: there is no doubt that it is paced.
    certain: Option<f64>,
}

/// Deliveries are compared over so long.
const OVER: Nanoseconds = 1_000_000_000;
/// A stream that runs faster than this is not paced: it is read from a file or from a pipe that was
/// filled before.
const FASTEST: f64 = 1.2;
/// A longer wait is no habit of a program that collects lines before it hands them on: then the bus
/// is quiet.
const LONGEST_WAIT: Nanoseconds = 2_000_000_000;

impl Pace {
    /// Of a source that delivers frames as they are heard, or so many times faster.
    pub fn certain(speed: f64) -> Self {
        Pace { paced: true, certain: Some(speed), ..Pace::default() }
    }

    /// Frames came at `now` by the receiver's clock, the latest of them with this stamp.
    pub fn push(&mut self, now: Nanoseconds, stamp: Nanoseconds) {
        if let Some((before, _)) = self.latest {
            // What waits longer than usual raises the mark at once; it falls by a hundredth each.
            let wait = (now - before).min(LONGEST_WAIT);
            self.wait = wait.max(self.wait - self.wait / 100);
        }
        let stamp = self.latest.map_or(stamp, |(_, latest)| latest.max(stamp));
        self.latest = Some((now, stamp));
        let Some((then, before)) = self.anchor else {
            self.anchor = Some((now, stamp));
            return;
        };
        if now - then >= OVER {
            let passed = (stamp - before) as f64;
            self.paced = self.certain.is_some() || passed <= FASTEST * (now - then) as f64;
            self.anchor = Some((now, stamp));
        }
    }

    /// Whether frames come about as fast as they were recorded.
    pub fn is_paced(&self) -> bool {
        self.paced
    }

    /// The time of the capture at `now`, at the earliest: what may still be on its way is waited
    /// for. `None` where the stream has no pace of its own, so that waiting tells nothing.
    ///
    /// ```
    /// use lostnode::live::Pace;
    /// let mut pace = Pace::certain(1.0);
    /// pace.push(1_000_000_000, 50_000_000_000);
    /// pace.push(1_010_000_000, 50_010_000_000);
    /// assert_eq!(pace.time(1_110_000_000), Some(50_110_000_000));
    /// ```
    pub fn time(&self, now: Nanoseconds) -> Option<Nanoseconds> {
        let (arrived, stamp) = self.latest.filter(|_| self.paced)?;
        match self.certain {
            Some(speed) => Some(stamp + ((now - arrived).max(0) as f64 * speed) as Nanoseconds),
            None => Some(stamp + (now - arrived - self.wait).max(0)),
        }
    }
}
