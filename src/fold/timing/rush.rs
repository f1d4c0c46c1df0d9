//! The busiest second of an identifier.

use super::{Nanoseconds, nanoseconds};

/// Frames in a second that are a rush: no message that is built in comes so fast. Those come every
/// 5 ms at most (open captures of ten cars and four trucks: 10 ms, a few 5 ms).
pub const RUSH: u32 = 300;
/// Seconds in which they are counted.
const SECOND: f64 = 1.0;

/// When an identifier came faster than any message that is built in, be it for a second of an hour.
///
/// ```
/// use lostnode::fold::timing::Rush;
/// let (one, other) = (Rush { most: 900, span: (1, 2) }, Rush { most: 400, span: (5, 6) });
/// assert_eq!(one.joined(other), Rush { most: 900, span: (1, 6) });
/// ```
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Rush {
    /// Most frames in a second.
    pub most: u32,
    /// From the first such second to the last frame of the last.
    pub span: (Nanoseconds, Nanoseconds),
}

impl Rush {
    /// The same at other times.
    pub fn moved(self, place: impl Fn(Nanoseconds) -> Nanoseconds) -> Rush {
        Rush { span: (place(self.span.0), place(self.span.1)), ..self }
    }

    /// Two of one identifier as one.
    pub fn joined(self, other: Rush) -> Rush {
        Rush {
            most: self.most.max(other.most),
            span: (self.span.0.min(other.span.0), self.span.1.max(other.span.1)),
        }
    }
}

/// Counts the frames of one second after the other.
#[derive(Clone, Debug, Default)]
pub(super) struct Seconds {
    begin: Nanoseconds,
    count: u32,
    /// The rush, where there was one.
    pub rush: Option<Rush>,
}

impl Seconds {
    /// Takes times in order.
    pub fn push(&mut self, times: &[Nanoseconds]) {
        let second = nanoseconds(SECOND);
        for time in times {
            if self.count == 0 || time - self.begin >= second {
                (self.begin, self.count) = (*time, 0);
            }
            self.count += 1;
            if self.count >= RUSH {
                let most = self.rush.map_or(0, |rush| rush.most).max(self.count);
                let from = self.rush.map_or(self.begin, |rush| rush.span.0);
                self.rush = Some(Rush { most, span: (from, *time) });
            }
        }
    }
}
