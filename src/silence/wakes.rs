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

/// A bus that wakes for no longer than so many seconds stays asleep: network management polls a
/// sleeping bus for a few tenths of a second (seen on an open capture of a truck: 0.11 s once a
/// second).
const WAKE: f64 = 0.5;
/// A sleeping bus is silent for at least so many seconds between two wakes.
const QUIET: f64 = 0.2;
/// A sleep lasts for at least so many seconds.
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

/// Wakes are even where their distances differ by no more than this share: they keep the clock of
/// the network management.
const EVEN: f64 = 0.1;
/// So many even wakes are no chance.
const FEWEST_WAKES: usize = 3;

/// The silences of one identifier, each with whether it lasts to the end: those between short wakes
/// at even distances are one. While other modules stay up, a sleeping one is polled all the same;
/// a loose contact does not close for a tenth of a second, once a second. In the `broken` times
/// the recording paused, and what lies between tells nothing.
pub(super) fn joined(
    silences: Vec<(Silence, bool)>,
    (first_heard, last_heard): (Nanoseconds, Nanoseconds),
    broken: &[Silence],
) -> Vec<(Silence, bool)> {
    let heard = (last_heard - first_heard) as f64;
    let mut out = Vec::with_capacity(silences.len());
    let mut rest = silences.as_slice();
    while let Some((first, ongoing)) = rest.first() {
        let is_wake = |pair: &[(Silence, bool)]| {
            let awake = pair[1].0.start - pair[0].0.end;
            awake <= nanoseconds(WAKE) && awake < pair[0].0.length()
        };
        let mut wakes = rest.windows(2).take_while(|pair| is_wake(pair)).count();
        // The last wake of all may be the return.
        let even = |wakes: usize| {
            let ends: Vec<f64> = rest[..wakes].iter().map(|own| seconds(own.0.end)).collect();
            let spacings = || ends.windows(2).map(|pair| pair[1] - pair[0]);
            let least = spacings().fold(f64::INFINITY, f64::min);
            let most = spacings().fold(0.0, f64::max);
            // What is like this nearly all the time is a message in bursts.
            let all = Silence { start: first.start, end: rest[wakes].0.end };
            most - least <= EVEN * most
                && all.length() as f64 <= NEARLY_ALL * heard
                && super::covered(broken, all) == 0
        };
        while wakes >= FEWEST_WAKES && !even(wakes) {
            wakes -= 1;
        }
        if wakes >= FEWEST_WAKES {
            let (last, ongoing) = rest[wakes];
            out.push((Silence { start: first.start, end: last.end }, ongoing));
            rest = &rest[wakes + 1..];
        } else {
            out.push((*first, *ongoing));
            rest = &rest[1..];
        }
    }
    out
}
