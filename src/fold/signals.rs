//! What the vehicle did, as its own traffic tells it: standard signals of SAE J1939-71 over time,
//! in small bins.

use std::collections::BTreeMap;

use lostnode_parsers::Id;
use lostnode_parsers::j1939::{self, Fields, Signal};

use super::j1939::J1939;
use crate::capture::{Batch, ChannelIndex};
use crate::fold::timing::Nanoseconds;

/// Width of a bin at first, in nanoseconds: about what a person sees of a needle.
const FIRST_WIDTH: Nanoseconds = 100_000_000;
/// Senders of a signal that are followed; a truck has a few of each.
const MOST_SENDERS: usize = 64;

/// A stretch of time of one signal.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Bin {
    /// When the last value in it came.
    pub time: Nanoseconds,
    /// That value, in the unit of the signal.
    pub last: f64,
    /// Least value in it.
    pub low: f64,
    /// Greatest value in it.
    pub high: f64,
}

/// One signal of one sender over time.
#[derive(Clone, Debug)]
pub struct Track {
    /// Bins in order of time; those without a value are left out.
    pub bins: Vec<Bin>,
    /// Values that came.
    pub count: u64,
    /// Width of a bin, in nanoseconds.
    pub width: Nanoseconds,
}

/// Who tells which signal: channel, identifier, parameter number.
type Key = (ChannelIndex, Id, u32);

/// Signals of all senders.
#[derive(Clone, Debug, Default)]
pub struct Signals {
    tracks: BTreeMap<Key, Track>,
}

impl Default for Track {
    fn default() -> Self {
        Track { bins: Vec::new(), count: 0, width: FIRST_WIDTH }
    }
}

impl Track {
    /// Bins kept at most: more than a picture has columns to show them.
    pub const KEPT: usize = 1024;

    fn push(&mut self, time: Nanoseconds, value: f64) {
        let place = time.div_euclid(self.width);
        match self.bins.last_mut() {
            // A stamp that steps back is of no bin.
            Some(bin) if time < bin.time => return,
            Some(bin) if bin.time.div_euclid(self.width) == place => {
                *bin = join(*bin, Bin { time, last: value, low: value, high: value });
            }
            _ => self.bins.push(Bin { time, last: value, low: value, high: value }),
        }
        self.count += 1;
        while self.bins.len() > Self::KEPT {
            self.width *= 2;
            let width = self.width;
            self.bins.dedup_by(|next, kept| {
                let same = next.time.div_euclid(width) == kept.time.div_euclid(width);
                if same {
                    *kept = join(*kept, *next);
                }
                same
            });
        }
    }
}

/// Two bins, the second after the first.
fn join(a: Bin, b: Bin) -> Bin {
    Bin { time: b.time, last: b.last, low: a.low.min(b.low), high: a.high.max(b.high) }
}

impl Signals {
    /// Takes the next frames of the capture.
    pub fn push(&mut self, batch: &Batch) {
        for group in batch.grouped().iter() {
            let Id::Extended(id) = group.id else { continue };
            for signal in j1939::signals_of(Fields::of(id).pgn) {
                let key = (group.channel, group.id, signal.spn);
                if self.tracks.len() >= MOST_SENDERS && !self.tracks.contains_key(&key) {
                    continue;
                }
                let track = self.tracks.entry(key).or_default();
                for (time, position) in group.times.iter().zip(group.positions) {
                    let (payload, length) = batch.frames[*position as usize].kind.first_eight();
                    if let Some(value) = signal.decode(&payload[..length.min(8)]) {
                        track.push(*time, value);
                    }
                }
            }
        }
    }

    /// Ends the fold: on a channel that does not speak SAE J1939 an identifier of 29 bits may have
    /// the number of its groups by chance.
    pub fn finish(&mut self, speaks: &[J1939]) {
        self.tracks.retain(|(channel, ..), track| {
            speaks.get(usize::from(*channel)) == Some(&J1939::Yes) && track.count > 0
        });
    }

    /// What each sender tells, by channel and identifier.
    pub fn all(&self) -> impl Iterator<Item = (ChannelIndex, u8, &'static Signal, &Track)> + '_ {
        self.tracks.iter().filter_map(|((channel, id, spn), track)| {
            let Id::Extended(id) = id else { return None };
            Some((*channel, Fields::of(*id).source, j1939::signal(*spn)?, track))
        })
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_long_track_keeps_its_ends_and_its_peaks() {
        let mut track = Track::default();
        for step in 0..100_000_i64 {
            let value = if step == 77_777 { 99.0 } else { (step % 10) as f64 };
            track.push(step * 50_000_000, value);
        }
        assert!(track.bins.len() <= Track::KEPT && track.bins.len() > Track::KEPT / 2);
        assert_eq!(
            track.bins.last().map(|bin| (bin.time, bin.last)),
            Some((99_999 * 50_000_000, 9.0))
        );
        assert_eq!(track.bins.iter().map(|bin| bin.high).fold(0.0, f64::max), 99.0);
        assert_eq!(track.count, 100_000);
        assert!(track.bins.is_sorted_by(|a, b| a.time < b.time));
        // What steps back is dropped.
        track.push(0, -5.0);
        assert_eq!(track.count, 100_000);
    }
}
