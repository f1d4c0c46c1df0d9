//! What the vehicle did: standard signals of its own traffic (SAE J1939-71) beside the losses.

use lostnode_parsers::j1939::Signal;

use super::{Analysis, Nanoseconds};
use crate::capture::ChannelIndex;
pub use crate::fold::signals::Bin;
use crate::fold::timing::seconds;

/// A standard signal over time, of one sender.
#[derive(Clone, Debug)]
pub struct SignalTrack {
    /// Which one.
    pub signal: &'static Signal,
    /// Its channel.
    pub channel: ChannelIndex,
    /// Source address of its sender.
    pub address: u8,
    /// Stretches of time in order; those without a value are left out.
    pub bins: Vec<Bin>,
    /// Their width in seconds.
    pub bin: f64,
    /// Least and greatest value.
    pub range: (f64, f64),
}

/// A signal at a moment.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct SignalValue {
    /// Which one.
    pub signal: &'static Signal,
    /// Its last value until then, in its unit.
    pub value: f64,
    /// Seconds since that came.
    pub age: f64,
}

/// A value that is older than this many seconds tells nothing of the moment: temperatures, the
/// slowest of these signals, come every second or two (common practice, no source).
const STALE: f64 = 10.0;

impl SignalTrack {
    /// The last value until a time, where it is not stale.
    ///
    /// ```
    /// use lostnode::analysis::signals::{Bin, SignalTrack};
    /// let signal = lostnode::parsers::j1939::signal(190).unwrap();
    /// let bin = |time, last| Bin { time, last, low: last, high: last };
    /// let bins = vec![bin(1_000_000_000, 700.0), bin(2_000_000_000, 800.0)];
    /// let track = SignalTrack {
    ///     signal, channel: 0, address: 0, bins, bin: 0.1, range: (700.0, 800.0),
    /// };
    /// assert_eq!(track.at(1_500_000_000).unwrap().value, 700.0);
    /// assert_eq!((track.at(900_000_000), track.at(20_000_000_000)), (None, None));
    /// ```
    pub fn at(&self, time: Nanoseconds) -> Option<SignalValue> {
        let bin = self.bins[..self.bins.partition_point(|bin| bin.time <= time)].last()?;
        let age = seconds(time - bin.time);
        (age <= STALE).then_some(SignalValue { signal: self.signal, value: bin.last, age })
    }
}

impl SignalTrack {
    /// Stretches in which it was told without a break: longer than four of its usual spacings
    /// nothing is drawn, for nothing is known.
    pub fn pieces(&self) -> impl Iterator<Item = &[Bin]> {
        let mut spacings: Vec<Nanoseconds> =
            self.bins.windows(2).map(|pair| pair[1].time - pair[0].time).collect();
        spacings.sort_unstable();
        let usual = spacings.get(spacings.len() / 2).copied().unwrap_or(0);
        self.bins.chunk_by(move |a, b| b.time - a.time <= 4 * usual)
    }
}

/// Parameters that are drawn, in order: engine speed, vehicle speed, battery, coolant, ambient air.
const DRAWN: [u32; 5] = [190, 84, 168, 110, 171];

impl Analysis {
    /// Whether the engine surely ran from one time to another of the same drive.
    pub(crate) fn engine_ran_through(&self, from: Nanoseconds, to: Nanoseconds) -> bool {
        let own = self.drive_of(from);
        if own != self.drive_of(to) {
            return false;
        }
        let drive = own.map_or(self, |at| &self.drives[at].analysis);
        let (from, to) = (self.stamp(from), self.stamp(to));
        drive.engine_ran.iter().any(|(start, end)| *start <= from && to <= *end)
    }

    /// Whether the engine was heard to begin to run between two times of one drive.
    pub(crate) fn engine_started_in(&self, from: Nanoseconds, to: Nanoseconds) -> bool {
        let drive = self.drive_of(from).map_or(self, |at| &self.drives[at].analysis);
        let within = self.stamp(from)..=self.stamp(to);
        drive.engine_ran.iter().any(|(start, _)| within.contains(start))
    }

    /// The signals that pictures show: one of each, of the first channel that has it.
    pub fn traces(&self) -> impl Iterator<Item = &SignalTrack> {
        DRAWN.iter().filter_map(|spn| self.signals.iter().find(|own| own.signal.spn == *spn))
    }

    /// The signals when an outage began, or at any time; none where the traffic has none.
    pub fn signals_at(&self, time: Nanoseconds) -> Vec<SignalValue> {
        let drive = self.drive_of(time).map_or(self, |at| &self.drives[at].analysis);
        let stamp = self.stamp(time);
        drive.signals.iter().filter_map(|track| track.at(stamp)).collect()
    }
}
