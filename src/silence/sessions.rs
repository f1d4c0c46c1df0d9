//! Key-offs that a standard signal proves: the engine stops, and modules leave.

use super::Expectation;
use crate::fold::engine::Engine;
use crate::fold::timing::{Nanoseconds, Silence, Timing, nanoseconds};

/// A time in which the key was off, from just before the engine stopped to its next start. It holds
/// the modules' after-run, the sleep of the bus and the cranking.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Session {
    /// When the engine stopped.
    pub stopped: Nanoseconds,
    /// When it ran again, or the end of time.
    pub ran: Nanoseconds,
}

/// Modules that leave with the key do so within this many seconds of the engine (common practice,
/// no source; 0 to 2 s on the open captures of one truck).
const WITH_THE_ENGINE: f64 = 5.0;

impl Session {
    /// Whether the key was off then, as far as this tells.
    pub fn holds(&self, time: Nanoseconds) -> bool {
        (self.stopped - nanoseconds(WITH_THE_ENGINE)..self.ran).contains(&time)
    }
}

/// The key-offs of a capture. An engine that stops is not enough: a driver may stand with the key
/// on for minutes, and a loss meanwhile is one. Somebody must leave with it.
pub(super) fn find(
    timing: &Timing,
    expected: &[Option<Expectation>],
    engine: &Engine,
) -> Vec<Session> {
    let Some((_, end)) = timing.span else { return Vec::new() };
    let near = nanoseconds(WITH_THE_ENGINE);
    let left = |stopped: Nanoseconds| {
        timing.ids.iter().zip(expected).any(|(id, expected)| {
            let (Some(expected), Some((_, last))) = (expected, id.heard) else { return false };
            let timeout = nanoseconds(expected.timeout);
            let last = Silence { start: last, end };
            let mut silences = id.silences.at_least(timeout);
            silences.extend(Some(last).filter(|last| last.length() > timeout));
            silences.iter().any(|silence| (silence.start - stopped).abs() <= near)
        })
    };
    engine
        .stops()
        .filter(|(stopped, _)| left(*stopped))
        .map(|(stopped, ran)| Session { stopped, ran })
        .collect()
}
