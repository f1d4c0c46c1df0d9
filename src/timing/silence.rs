//! The longest silences, so that a time-out can be set after the whole capture has been read.

use std::cmp::Reverse;
use std::collections::BinaryHeap;

use super::Nanoseconds;

/// From the last frame before a silence to the first after it.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord)]
pub struct Silence {
    /// Last frame before.
    pub start: Nanoseconds,
    /// First frame after.
    pub end: Nanoseconds,
}

impl Silence {
    /// How long nothing was heard.
    pub fn length(&self) -> Nanoseconds {
        self.end - self.start
    }

    /// How much of it lies in `other`.
    pub fn overlap(&self, other: &Silence) -> Nanoseconds {
        (self.end.min(other.end) - self.start.max(other.start)).max(0)
    }
}

/// Length first, then the earlier one; last frame before and first after.
type Entry = (Nanoseconds, Reverse<Silence>, [[u8; 8]; 2]);

/// The longest silences of one identifier or channel, at most [`Longest::KEPT`]; the earlier one stays of two alike.
#[derive(Clone, Debug, Default)]
pub struct Longest {
    heap: BinaryHeap<Reverse<Entry>>,
    floor: Nanoseconds,
    /// Length of the shortest kept one, once there is no room for more.
    shortest: Nanoseconds,
    dropped: u64,
}

impl Longest {
    /// How many are kept.
    pub const KEPT: usize = 512;

    /// Keeps silences of at least `floor`.
    pub fn new(floor: Nanoseconds) -> Self {
        Longest { heap: BinaryHeap::new(), floor, shortest: Nanoseconds::MIN, dropped: 0 }
    }

    /// Takes a silence into account, with the payloads before and after it.
    #[inline]
    pub fn offer(&mut self, silence: Silence, payloads: [[u8; 8]; 2]) {
        if silence.length() >= self.floor {
            // Silences come in order of time, so of two alike the kept one is the earlier.
            if silence.length() > self.shortest {
                self.keep(silence, payloads);
            } else {
                self.dropped += 1;
            }
        }
    }

    fn keep(&mut self, silence: Silence, payloads: [[u8; 8]; 2]) {
        if self.heap.len() == Self::KEPT {
            self.dropped += 1;
            self.heap.pop();
        }
        self.heap.push(Reverse((silence.length(), Reverse(silence), payloads)));
        if self.heap.len() == Self::KEPT
            && let Some(Reverse((shortest, ..))) = self.heap.peek()
        {
            self.shortest = *shortest;
        }
    }

    /// Kept silences of at least `length`, in order of time.
    pub fn at_least(&self, length: Nanoseconds) -> Vec<Silence> {
        let mut kept: Vec<_> = self
            .heap
            .iter()
            .filter(|Reverse((long, ..))| *long >= length)
            .map(|Reverse((_, Reverse(silence), _))| *silence)
            .collect();
        kept.sort_unstable();
        kept
    }

    /// The kept silence around an instant, the earlier one where two meet there.
    pub fn around(&self, time: Nanoseconds) -> Option<Silence> {
        let kept = self.heap.iter().map(|Reverse((_, Reverse(silence), _))| *silence);
        kept.filter(|silence| silence.start <= time && silence.end >= time).min()
    }

    /// Payloads before and after a kept silence.
    pub fn payloads(&self, silence: Silence) -> Option<[[u8; 8]; 2]> {
        self.heap.iter().find(|Reverse((_, Reverse(own), _))| *own == silence).map(|Reverse((.., payloads))| *payloads)
    }

    /// Whether silences of at least `length` may have been dropped: then the kept ones are not all.
    pub fn is_incomplete(&self, length: Nanoseconds) -> bool {
        self.dropped > 0 && self.heap.peek().is_some_and(|Reverse((shortest, ..))| *shortest >= length)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_longest_stay() {
        let mut longest = Longest::new(10);
        for start in 0..2000 {
            longest.offer(Silence { start: start * 10_000, end: start * 10_000 + start }, [[0; 8]; 2]);
        }
        let kept = longest.at_least(0);
        assert_eq!(kept.len(), Longest::KEPT);
        assert!(kept.iter().all(|silence| silence.length() >= 2000 - Longest::KEPT as i64));
        assert!(longest.is_incomplete(100));
        assert!(!longest.is_incomplete(1990));
    }
}
