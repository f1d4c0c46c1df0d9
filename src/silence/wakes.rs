//! A sleeping bus that wakes for a moment again and again: one sleep, with its wakes counted.

use crate::fold::timing::{ChannelTiming, Nanoseconds, Silence, nanoseconds, seconds};

/// A sleep and how often it was broken by short traffic.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(super) struct Sleep {
    /// From the last frame before it to the first after it.
    pub silence: Silence,
    /// Moments of traffic in it.
    pub wakes: usize,
}

/// Network management keeps a sleeping bus silent but for polls of a few tenths of a second (seen
/// on an open capture of a truck: 0.11 s once a second). All in seconds.
const WAKE: f64 = 0.5;
const QUIET: f64 = 0.2;
const SHORTEST: f64 = 2.0;
/// Least share of a sleep in which the bus is quiet.
const MOSTLY: f64 = 0.6;
/// A channel that is like this for nearly all of the capture is slow, not asleep.
const NEARLY_ALL: f64 = 0.9;

/// The sleeps with two wakes or more. No pause of the recording lies in one.
pub(super) fn find(channel: &ChannelTiming, pauses: &[Silence]) -> Vec<Sleep> {
    let Some((first, last)) = channel.heard else { return Vec::new() };
    let mut chains: Vec<(Sleep, Nanoseconds)> = Vec::new();
    for silence in channel.silences.at_least(nanoseconds(QUIET)) {
        match chains.last_mut() {
            Some((sleep, quiet)) if silence.start - sleep.silence.end <= nanoseconds(WAKE) => {
                sleep.silence.end = silence.end;
                sleep.wakes += 1;
                *quiet += silence.length();
            }
            _ => chains.push((Sleep { silence, wakes: 0 }, silence.length())),
        }
    }
    let is_sleep = |(sleep, quiet): &(Sleep, Nanoseconds)| {
        sleep.wakes >= 2
            && seconds(sleep.silence.length()) >= SHORTEST
            && *quiet as f64 >= MOSTLY * sleep.silence.length() as f64
    };
    chains.retain(is_sleep);
    let all: Nanoseconds = chains.iter().map(|(sleep, _)| sleep.silence.length()).sum();
    if all as f64 > NEARLY_ALL * (last - first) as f64 {
        return Vec::new();
    }
    chains.retain(|(sleep, _)| pauses.iter().all(|pause| pause.overlap(&sleep.silence) == 0));
    chains.into_iter().map(|(sleep, _)| sleep).collect()
}
