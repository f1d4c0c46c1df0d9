//! Silences of one kind, summed up.

use super::Nanoseconds;

/// Silences of one kind, summed up.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Silences {
    /// How many; at least one.
    pub times: usize,
    /// Seconds in all.
    pub seconds: f64,
    /// Beginning of the first.
    pub first: Nanoseconds,
    /// Beginning of the last.
    pub last: Nanoseconds,
    /// There is one, and it lasts to the end of the recording.
    pub ongoing: bool,
}
