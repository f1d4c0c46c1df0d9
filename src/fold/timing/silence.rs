//! The longest silences, so that a time-out can be set after the whole capture has been read.

use std::cmp::{Ordering, Reverse};

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

/// Silences held before the shortest are thrown out: a quarter more than are kept, so that it is
/// seldom done and costs little memory.
const MOST_HELD: usize = Longest::KEPT + Longest::KEPT / 4;

/// Last frame before and first after.
type Payloads = [[u8; 8]; 2];

/// The first frame after a silence that its sender's timer sent, and not a buffer.
///
/// A controller that cannot get a frame out keeps it: one for each identifier, overwritten, or a
/// queue. When the wire heals that comes out at once, with the counters of its time; what comes a
/// gap of its own later is sent as ever.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Settled {
    /// When.
    pub time: Nanoseconds,
    /// Its payload.
    pub payload: [u8; 8],
    /// How many frames came between the end of the silence and it, the first among them.
    pub after: u32,
}

/// A silence with what was sent around it.
#[derive(Clone, Copy, Debug)]
struct Kept {
    silence: Silence,
    payloads: Payloads,
    settled: Option<Settled>,
}

/// The longest silences of one identifier or channel, at most [`Longest::KEPT`]; the earlier one
/// stays of two alike.
#[derive(Clone, Debug, Default)]
pub struct Longest {
    /// In order of time; up to [`MOST_HELD`], until they are thinned out.
    kept: Vec<Kept>,
    floor: Nanoseconds,
    /// Once some have been dropped, those that are kept are at least this long.
    shortest: Nanoseconds,
    dropped: u64,
}

impl Longest {
    /// How many are kept.
    pub const KEPT: usize = 512;

    /// Keeps silences of at least `floor`.
    pub fn new(floor: Nanoseconds) -> Self {
        Longest { kept: Vec::new(), floor, shortest: Nanoseconds::MIN, dropped: 0 }
    }

    /// The shortest silence that is kept.
    pub fn floor(&self) -> Nanoseconds {
        self.floor
    }

    /// Takes a silence into account that is not before the one before it, with the payloads before
    /// and after it.
    #[inline]
    pub fn push(&mut self, silence: Silence, payloads: Payloads) {
        if silence.length() >= self.floor {
            self.keep(silence, payloads);
        }
    }

    fn keep(&mut self, silence: Silence, payloads: Payloads) {
        if silence.length() < self.shortest {
            self.dropped += 1;
            return;
        }
        match self.kept.len() {
            MOST_HELD => self.finish(),
            Self::KEPT => self.kept.reserve_exact(MOST_HELD - Self::KEPT),
            _ => {}
        }
        self.kept.push(Kept { silence, payloads, settled: None });
    }

    /// Leaves no more than are kept; to be called after the last silence.
    pub fn finish(&mut self) {
        if self.kept.len() <= Self::KEPT {
            return;
        }
        let mut lengths: Vec<_> = self.kept.iter().map(|kept| kept.silence.length()).collect();
        let (longer, shortest, _) =
            lengths.select_nth_unstable_by_key(Self::KEPT - 1, |length| Reverse(*length));
        let shortest = *shortest;
        // They are in order of time: of those alike the first stay.
        let mut alike = Self::KEPT - longer.iter().filter(|length| **length > shortest).count();
        self.kept.retain(|kept| match kept.silence.length().cmp(&shortest) {
            Ordering::Greater => true,
            Ordering::Equal => alike.checked_sub(1).inspect(|left| alike = *left).is_some(),
            Ordering::Less => false,
        });
        self.dropped += (lengths.len() - Self::KEPT) as u64;
        self.shortest = shortest;
    }

    /// Kept silences of at least `length`, in order of time.
    pub fn at_least(&self, length: Nanoseconds) -> impl Iterator<Item = Silence> + '_ {
        self.silences().filter(move |silence| silence.length() >= length)
    }

    /// The longest of them.
    pub fn longest(&self) -> Option<Nanoseconds> {
        self.silences().map(|silence| silence.length()).max()
    }

    fn silences(&self) -> impl Iterator<Item = Silence> + '_ {
        self.kept.iter().map(|kept| kept.silence)
    }

    /// The kept silence around a time, the earlier one where two meet there.
    pub fn around(&self, time: Nanoseconds) -> Option<Silence> {
        self.containing(Silence { start: time, end: time }).next()
    }

    /// The kept silences that begin no later than another and end no earlier, in order of time:
    /// more than one only where that has no length.
    pub fn containing(&self, other: Silence) -> impl Iterator<Item = Silence> + '_ {
        // In order of time and without overlap, so both their starts and their ends ascend.
        let first = self.kept.partition_point(|kept| kept.silence.end < other.end);
        let behind = self.kept[first..].iter().map(|kept| kept.silence);
        behind.take_while(move |own| own.start <= other.start)
    }

    /// Payloads before and after a kept silence.
    pub fn payloads(&self, silence: Silence) -> Option<Payloads> {
        self.find(silence).map(|kept| kept.payloads)
    }

    /// The first frame after a kept silence that no buffer held back, where one came.
    pub fn settled(&self, silence: Silence) -> Option<Settled> {
        self.find(silence)?.settled
    }

    fn find(&self, silence: Silence) -> Option<&Kept> {
        let at = self.kept.partition_point(|kept| kept.silence < silence);
        self.kept.get(at).filter(|kept| kept.silence == silence)
    }

    /// Notes the settled frame of the silence that ended at `end`, if it is kept.
    pub(super) fn settle(&mut self, end: Nanoseconds, settled: Settled) {
        // In order of time; the few behind it are gaps between frames that a buffer held back.
        let mut latest = self.kept.iter_mut().rev().take_while(|kept| kept.silence.end >= end);
        if let Some(kept) = latest.find(|kept| kept.silence.end == end) {
            kept.settled = Some(settled);
        }
    }

    /// Whether silences of at least `length` may have been dropped: then the kept ones are not all.
    pub fn is_incomplete(&self, length: Nanoseconds) -> bool {
        self.dropped > 0 && self.shortest >= length
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_longest_stay() {
        let mut longest = Longest::new(10);
        for start in 0..2000 {
            let silence = Silence { start: start * 10_000, end: start * 10_000 + start };
            longest.push(silence, [[0; 8]; 2]);
        }
        longest.finish();
        let kept: Vec<Silence> = longest.at_least(0).collect();
        assert_eq!(kept.len(), Longest::KEPT);
        assert!(kept.iter().all(|silence| silence.length() >= 2000 - Longest::KEPT as i64));
        assert!(longest.is_incomplete(100));
        assert!(!longest.is_incomplete(1990));
        assert_eq!(longest.longest(), Some(1999));
    }

    #[test]
    fn of_those_alike_the_first_stay() {
        let mut longest = Longest::new(10);
        let silence = |number: i64| Silence {
            start: number * 1000,
            end: number * 1000 + if number % 7 == 3 { 90 } else { 50 },
        };
        (0..3000).for_each(|number| longest.push(silence(number), [[0; 8]; 2]));
        longest.finish();
        let long = (0..3000).filter(|number| number % 7 == 3).count();
        let alike = (0..3000).filter(|number| number % 7 != 3).take(Longest::KEPT - long);
        let mut expected: Vec<_> =
            alike.chain((0..3000).filter(|number| number % 7 == 3)).map(silence).collect();
        expected.sort_unstable();
        assert!(longest.at_least(0).eq(expected));
    }

    #[test]
    fn a_silence_is_found_by_its_time() {
        let mut longest = Longest::new(10);
        let silence = |number: i64| Silence { start: number * 100, end: number * 100 + 50 };
        for number in (0..9).filter(|number| *number != 4) {
            longest.push(silence(number), [[number as u8; 8]; 2]);
        }
        // One that begins where another ends.
        longest.push(Silence { start: 850, end: 950 }, [[9; 8]; 2]);
        assert_eq!(longest.payloads(silence(5)), Some([[5; 8]; 2]));
        assert_eq!(longest.payloads(silence(4)), None);
        assert_eq!(longest.around(850), Some(silence(8)));
        assert_eq!(longest.around(851), Some(Silence { start: 850, end: 950 }));
        assert_eq!(longest.around(799), None);
        let containing = |start, end| longest.containing(Silence { start, end }).next();
        assert_eq!(containing(310, 350), Some(silence(3)));
        assert_eq!(containing(310, 351), None);
        assert_eq!(containing(299, 310), None);
    }
}
