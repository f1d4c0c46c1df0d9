//! Lengths of 128 frames at once, by bit slicing: one word holds the same bit of all of them, so
//! that one operation on words does for 128 frames what the rules say of one bit. What it gains:
//! docs/performance.md.

use wide::u64x2 as Word;

use super::{INTERMISSION, Length, TAIL};
use crate::frame::raw_id;
use crate::{ClassicFrame, Id};

/// What decides where each bit of a data frame lies.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Shape {
    extended: bool,
    /// The length code, 0 to 15.
    dlc: u8,
}

impl Shape {
    /// How many shapes there are.
    pub const COUNT: usize = 32;

    /// Of a data frame; remote frames have none.
    #[inline]
    pub fn of(frame: ClassicFrame) -> Option<Shape> {
        (!frame.is_remote()).then_some(Shape {
            extended: matches!(frame.identifier(), Id::Extended(_)),
            dlc: frame.raw_dlc(),
        })
    }

    /// From 0, below [`Shape::COUNT`].
    #[inline]
    pub fn number(self) -> usize {
        usize::from(self.extended) << 4 | usize::from(self.dlc & 0x0F)
    }
}

/// Frames in one word, and in half of one.
const LANES: usize = 128;
const HALF: usize = LANES / 2;
/// Bits of the longest message: a head of 39 and 64 of data.
const MOST_BITS: usize = 103;
/// Bits of a checksum.
const CRC: usize = 15;
/// Binary digits, lanes and bytes of half a word that change places together.
const EIGHT: usize = 8;

/// Data frames of one shape, each in a lane of its own.
///
/// ```
/// use lostnode_parsers::wire::{Lanes, Shape};
/// use lostnode_parsers::{ClassicFrame, frame::parse_id};
/// let data = [0x40, 0x01, 0x08, 0x75, 0, 0, 0, 0];
/// let frame = ClassicFrame::with_raw_dlc(parse_id("0C1").unwrap(), &data, 8).unwrap();
/// let mut lanes = Lanes::default();
/// lanes.put(5, frame);
/// assert_eq!(lanes.lengths(Shape::of(frame).unwrap())[5].bits(), 121);
/// ```
#[derive(Clone)]
pub struct Lanes {
    ids: [u32; LANES],
    /// The first byte sent is the lowest.
    data: [u64; LANES],
}

impl Default for Lanes {
    fn default() -> Self {
        Lanes { ids: [0; LANES], data: [0; LANES] }
    }
}

impl Lanes {
    /// How many lanes there are.
    pub const COUNT: usize = LANES;

    /// Puts a frame into a lane, below [`Lanes::COUNT`]; whoever asks for lengths says the shape of
    /// all.
    #[inline]
    pub fn put(&mut self, lane: usize, frame: ClassicFrame) {
        let lane = lane % LANES;
        self.ids[lane] = raw_id(frame.identifier());
        self.data[lane] = u64::from_le_bytes(frame.places());
    }

    /// The exact length of the frame in each lane, if it is of this shape.
    pub fn lengths(&self, shape: Shape) -> [Length; LANES] {
        let mut message = Message { bits: [Word::ZERO; MOST_BITS + CRC], count: 0 };
        self.fill(shape, &mut message);
        let crc = remainder(message.bits());
        message.add(crc);
        let mut stuffing = Stuffing::default();
        message.bits().chunks(Stuffing::TOGETHER).for_each(|bits| stuffing.take(bits));
        let fields = message.count as u16 + TAIL + INTERMISSION;
        let length = |stuff| Length { nominal: fields + u16::from(stuff), data_phase: 0 };
        stuffing.counts().map(length)
    }

    /// Start of frame to the last data bit (ISO 11898-1:2015, 10.4.2).
    fn fill(&self, Shape { extended, dlc }: Shape, message: &mut Message) {
        let [dominant, recessive] = [Word::ZERO, Word::MAX];
        // Start of frame.
        message.add([dominant]);
        if extended {
            let id = self.ids::<32>();
            message.add_highest_first(&id[18..29]);
            // SRR and IDE.
            message.add([recessive; 2]);
            message.add_highest_first(&id[..18]);
        } else {
            message.add_highest_first(&self.ids::<16>()[..11]);
        }
        // RTR, then IDE and FDF or FDF and the reserved bit.
        message.add([dominant; 3]);
        message.add([3, 2, 1, 0].map(|bit| if dlc >> bit & 1 == 1 { recessive } else { dominant }));
        let mut data: [Word; 64] =
            core::array::from_fn(|at| Word::new([self.data[at], self.data[at + HALF]]));
        transpose(&mut data);
        data.chunks_exact(8)
            .take(usize::from(dlc))
            .for_each(|byte| message.add_highest_first(byte));
    }

    /// The bits of the identifiers, as many as asked for, lowest first.
    #[inline(always)]
    fn ids<const BITS: usize>(&self) -> [Word; BITS] {
        let half = |at: usize| {
            (0..HALF / BITS).fold(0, |word, field| {
                word | u64::from(self.ids[at + BITS * field]) << (BITS * field)
            })
        };
        let mut bits = core::array::from_fn(|at| Word::new([half(at), half(at + HALF)]));
        transpose(&mut bits);
        bits
    }
}

/// One word for each bit of the frames, in the order sent.
struct Message {
    bits: [Word; MOST_BITS + CRC],
    count: usize,
}

impl Message {
    fn bits(&self) -> &[Word] {
        &self.bits[..self.count]
    }

    #[inline(always)]
    fn add<const N: usize>(&mut self, bits: [Word; N]) {
        self.bits[self.count..self.count + N].copy_from_slice(&bits);
        self.count += N;
    }

    #[inline(always)]
    fn add_highest_first(&mut self, bits: &[Word]) {
        let places = &mut self.bits[self.count..self.count + bits.len()];
        places.iter_mut().zip(bits.iter().rev()).for_each(|(place, bit)| *place = *bit);
        self.count += bits.len();
    }
}

/// Swaps lanes and bits: of `N` words, each of fields of `N` bits, bit `b` of word `l` of a field
/// becomes bit `l` of word `b` (Warren, Hacker's Delight, 7-3).
#[inline(always)]
fn transpose<const N: usize>(words: &mut [Word; N]) {
    let mut half = N / 2;
    while half > 0 {
        // The lower half of each field of twice as many bits.
        let mask = Word::splat(u64::MAX / ((1 << half) + 1));
        for pairs in words.chunks_exact_mut(2 * half) {
            let (low, high) = pairs.split_at_mut(half);
            for (low, high) in low.iter_mut().zip(high) {
                let swapped = (*low >> half as u32 ^ *high) & mask;
                *high ^= swapped;
                *low ^= swapped << half as u32;
            }
        }
        half /= 2;
    }
}

/// Checksums (CRC-15) of a message: what long division leaves over (ISO 11898-1:2015, 10.4.2.6).
fn remainder(message: &[Word]) -> [Word; CRC] {
    /// x^15 + x^14 + x^10 + x^8 + x^7 + x^4 + x^3 + 1: so many bits before the one that it is taken
    /// from.
    const TERMS: [usize; 7] = [15, 12, 11, 8, 7, 5, 1];
    // What was taken off at each bit, after as many at which nothing was.
    let mut taken = [Word::ZERO; CRC + MOST_BITS];
    // That of the bit before stays at hand: everything waits for it.
    let mut last = Word::ZERO;
    for (at, bit) in message.iter().enumerate() {
        let Some((before, [own, ..])) = taken[at..].split_first_chunk_mut::<CRC>() else { break };
        let earlier = TERMS
            .into_iter()
            .filter(|term| *term > 1)
            .fold(*bit, |sum, term| sum ^ before[CRC - term]);
        last ^= earlier;
        *own = last;
    }
    core::array::from_fn(|at| {
        let before = TERMS
            .into_iter()
            .filter(|term| *term > at)
            .map(|term| taken[message.len() + CRC + at - term]);
        before.fold(Word::ZERO, |sum, taken| sum ^ taken)
    })
}

/// Counts stuff bits: after five equal bits one of the other level is put in, and is the first of
/// the next run (ISO 11898-1:2015, 10.5).
struct Stuffing {
    /// Level of the last bit, stuff bits among them.
    level: Word,
    /// Whether the run that it ends has at least 2, 3, 4 bits.
    runs: [Word; 3],
    /// Binary digits of the counts, lowest first.
    counts: [Word; 5],
}

impl Default for Stuffing {
    /// The bus is recessive before a frame, but what was there before its first bit, a dominant
    /// one, is of no run.
    fn default() -> Self {
        Stuffing { level: Word::MAX, runs: [Word::ZERO; 3], counts: [Word::ZERO; 5] }
    }
}

impl Stuffing {
    /// Bits among which there is no more than one stuff bit: it needs four after the one before.
    const TOGETHER: usize = 4;

    /// Takes the next bits, at most [`Stuffing::TOGETHER`].
    #[inline(always)]
    fn take(&mut self, bits: &[Word]) {
        let mut stuffed = Word::ZERO;
        for bit in bits {
            let changed = *bit ^ self.level;
            let fifth = self.runs[2] & !changed;
            stuffed |= fifth;
            let longer = !(changed | fifth);
            self.runs = [longer, longer & self.runs[0], longer & self.runs[1]];
            self.level = *bit ^ fifth;
        }
        for digit in &mut self.counts {
            let carry = *digit & stuffed;
            *digit ^= stuffed;
            stuffed = carry;
        }
    }

    /// By lane.
    fn counts(&self) -> [u8; LANES] {
        let [a, b, c, d, e] = self.counts;
        let mut words = [a, b, c, d, e, Word::ZERO, Word::ZERO, Word::ZERO];
        transpose::<EIGHT>(&mut words);
        let bytes = words.map(|word| word.to_array().map(u64::to_le_bytes));
        core::array::from_fn(|lane| bytes[lane % EIGHT][lane / HALF][lane % HALF / EIGHT])
    }
}
