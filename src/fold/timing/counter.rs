//! Rolling counters in payloads, found by themselves: any position in a byte, 2 to 8 bits wide, one
//! step up with each frame.

use std::num::NonZeroU64;

/// A counter that goes up by one with each frame and wraps.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord)]
pub struct AliveCounter {
    /// Byte from 0.
    pub byte: u8,
    /// Lowest bit in the byte, from 0.
    pub bit: u8,
    /// Bits, 2 to 8.
    pub width: u8,
}

impl AliveCounter {
    /// Its value in a payload.
    pub fn value(&self, data: [u8; 8]) -> u8 {
        (data[usize::from(self.byte)] >> self.bit) & self.mask()
    }

    fn mask(&self) -> u8 {
        ((1u16 << self.width) - 1) as u8
    }

    /// How many values it has.
    pub fn modulus(&self) -> i64 {
        1 << self.width
    }
}

/// Frames that follow each other in which bits must flip each time before a counter is tried at
/// all.
const SCREEN: u32 = 24;
/// Frames in which a counter must have stepped.
const ENOUGH: u32 = 40;
/// Pairs of frames after which the verdict stands: the widest counter has gone round eight times by
/// then.
const SETTLED: u32 = 2048;
/// A counter steps at least so many times as often as it misses.
const MISSES: u32 = 50;
/// Bits tried at once in one identifier.
const MOST_BITS: usize = 6;

/// A bit from which counters of all widths are tried at once.
#[derive(Clone, Copy, Debug)]
struct Trial {
    byte: u8,
    bit: u8,
    /// Pairs by how many bits from this one up were as one step up would have them.
    stepped: [u32; 9],
}

impl Trial {
    /// Takes two payloads, the first byte lowest. False once even a 2-bit counter here has too many
    /// misses.
    #[inline]
    fn push(&mut self, before: u64, after: u64) -> bool {
        // What is carried beyond the byte is not looked at.
        let at = u32::from(self.byte) * 8 + u32::from(self.bit);
        let wrong = (after ^ before.wrapping_add(1 << at)) >> at;
        let right = wrong.trailing_zeros().min(8 - u32::from(self.bit)) as usize;
        self.stepped[right] += 1;
        right >= 2 || self.can_be_found()
    }

    fn can_be_found(&self) -> bool {
        (self.stepped[0] + self.stepped[1]) * MISSES <= SETTLED
    }

    /// The width that missed least, if it stepped often and missed seldom. Too wide a field misses
    /// at each wrap of the true one; where none has wrapped yet, the widest is as good as any.
    fn found(&self) -> Option<AliveCounter> {
        let pairs: u32 = self.stepped.iter().sum();
        let of_width = |width: u8| (width, self.stepped[usize::from(width)..].iter().sum::<u32>());
        let good = |(_, steps): &(u8, u32)| *steps >= ENOUGH && (pairs - steps) * MISSES <= *steps;
        let (width, _) = (2..=8 - self.bit)
            .map(of_width)
            .filter(good)
            .max_by_key(|(width, steps)| (*steps, *width))?;
        Some(AliveCounter { byte: self.byte, bit: self.bit, width })
    }
}

/// Watches the payloads of one identifier.
#[derive(Clone, Debug, Default)]
pub struct CounterFinder {
    /// Bits that flipped with every frame so far; `None` before the first pair or where none is
    /// left.
    flipping: Option<NonZeroU64>,
    screened: u32,
    trials: Vec<Trial>,
    stage: Stage,
    /// Pairs that the trials have seen.
    tried: u32,
}

#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
enum Stage {
    #[default]
    Screening,
    Trying,
    Settled,
}

impl CounterFinder {
    /// Whether the verdict stands: further payloads change nothing.
    #[inline]
    pub fn is_settled(&self) -> bool {
        self.stage == Stage::Settled
    }

    /// Takes two payloads that followed each other without a loss.
    pub fn push(&mut self, before: [u8; 8], after: [u8; 8], length: usize) {
        match self.stage {
            Stage::Screening => self.screen(before, after, length),
            Stage::Trying => self.try_out(before, after),
            Stage::Settled => {}
        }
    }

    fn screen(&mut self, before: [u8; 8], after: [u8; 8], length: usize) {
        let flips = u64::from_le_bytes(before) ^ u64::from_le_bytes(after);
        let flipping = if self.screened == 0 {
            flips
        } else {
            self.flipping.map_or(0, NonZeroU64::get) & flips
        };
        self.flipping = NonZeroU64::new(flipping);
        self.screened += 1;
        if flipping == 0 {
            // A lost frame or a chance: begin again.
            self.screened = 0;
        } else if self.screened == SCREEN {
            self.stage = Stage::Trying;
            let bits = (0..64).filter(|bit| flipping >> bit & 1 == 1 && bit / 8 < length);
            let trial =
                |bit| Trial { byte: (bit / 8) as u8, bit: (bit % 8) as u8, stepped: [0; 9] };
            self.trials = bits.take(MOST_BITS).map(trial).collect();
        }
    }

    fn try_out(&mut self, before: [u8; 8], after: [u8; 8]) {
        let (before, after) = (u64::from_le_bytes(before), u64::from_le_bytes(after));
        let mut ended = false;
        for trial in &mut self.trials {
            ended |= !trial.push(before, after);
        }
        if ended {
            self.trials.retain(Trial::can_be_found);
        }
        self.tried += 1;
        if self.tried == SETTLED || self.trials.is_empty() {
            self.stage = Stage::Settled;
        }
    }

    /// The counters found, at each position the width that missed least.
    pub fn found(&self) -> Vec<AliveCounter> {
        self.trials.iter().filter_map(Trial::found).collect()
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn found(payload: impl Fn(u32) -> [u8; 8]) -> Vec<AliveCounter> {
        let mut finder = CounterFinder::default();
        (0..2000).for_each(|step| finder.push(payload(step), payload(step + 1), 8));
        finder.found()
    }

    #[test]
    fn every_position_and_width_is_found() {
        for width in 2..=8u8 {
            for bit in 0..=8 - width {
                for byte in 0..8u8 {
                    let mask = ((1u16 << width) - 1) as u8;
                    let counters = found(|step| {
                        let mut data = [0x5A; 8];
                        let at = usize::from(byte);
                        data[at] = data[at] & !(mask << bit) | ((step as u8 & mask) << bit);
                        // A signal that moves slowly.
                        data[usize::from((byte + 1) % 8)] = (step / 7) as u8;
                        data
                    });
                    assert_eq!(counters, [AliveCounter { byte, bit, width }]);
                }
            }
        }
    }

    #[test]
    fn toggles_and_noise_are_none() {
        assert_eq!(found(|step| [(step & 1) as u8; 8]), []);
        // The upper half of a product is well mixed (Knuth's multiplicative hashing).
        assert_eq!(
            found(|step| [(u64::from(step).wrapping_mul(0x9E37_79B9_7F4A_7C15) >> 56) as u8; 8]),
            []
        );
        assert_eq!(found(|step| [(step * 3) as u8; 8]), []);
    }
}
