//! A frame as bits on the wire: checksum, bit stuffing and exact length.
//!
//! Reference: ISO 11898-1:2015, 10.4.2 (frame fields), 10.4.2.6 (CRC), 10.5 (bit stuffing), 10.4.6
//! (interframe space). CRC-15 from the CRC crate's catalogue; CRC-17 and CRC-21 start from a one in
//! the highest bit in the ISO form of CAN FD, and take in the dynamic stuff bits and the stuff
//! count.

mod bitslice;

use core::borrow::Borrow;

use crc::{CRC_15_CAN, Crc};

pub use bitslice::{Lanes, Shape};

use crate::frame::raw_id;
use crate::{ClassicFrame, FdFlags, FdFrame, FrameKind, Id};

/// Bits after the CRC sequence in every frame: CRC delimiter, ACK slot, ACK delimiter, end of frame
/// (7).
const TAIL: u16 = 10;
/// Interframe space after a frame: three recessive bits (ISO 11898-1:2015, 10.4.6).
pub const INTERMISSION: u16 = 3;

static CRC15: Crc<u16> = Crc::<u16>::new(&CRC_15_CAN);

/// Length of a frame on the wire, from start of frame to the end of the interframe space.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub struct Length {
    /// Bits sent at the nominal bit rate.
    pub nominal: u16,
    /// Bits sent at the data bit rate; 0 unless a CAN FD frame switches.
    pub data_phase: u16,
}

impl Length {
    /// All bits, whatever their rate.
    #[inline]
    pub fn bits(self) -> u16 {
        self.nominal + self.data_phase
    }
}

/// Exact length of a frame; `None` for an error frame of the controller, which was never on the
/// wire as such.
///
/// ```
/// use lostnode_parsers::{candump, wire};
/// let record = candump::parse_line(b"(0.000000) can0 2A5#4C00F3A5").unwrap();
/// let length = wire::length(&record.kind).unwrap();
/// assert_eq!(length.bits(), 83); // an invented frame, worked out apart from this code
/// ```
#[inline]
pub fn length<F: Borrow<FdFrame>>(kind: &FrameKind<F>) -> Option<Length> {
    match kind {
        FrameKind::Classic(frame) => Some(classic_length(frame)),
        FrameKind::Fd(frame) => Some(fd_length(frame.borrow())),
        FrameKind::Error(_) => None,
    }
}

/// Longest classical frame up to its checksum, in bytes: a head of 5 and 8 of data.
const LONGEST: usize = 13;

/// What one byte contributes to CRC-15 with so many bytes after it. The checksum starts from zero
/// and is linear, so the contributions add up, and none waits for the one before it.
static PLACES: [[u16; 256]; LONGEST] = {
    let mut table = [[0; 256]; LONGEST];
    let mut place = 0;
    while place < LONGEST {
        let mut bit = 0;
        while bit < 8 {
            let mut message = [0; LONGEST];
            message[LONGEST - 1 - place] = 1 << bit;
            let own = CRC15.checksum(&message);
            // Every byte with this bit as its highest one.
            let mut below = 0;
            while below < 1 << bit {
                table[place][1 << bit | below] = own ^ table[place][below];
                below += 1;
            }
            bit += 1;
        }
        place += 1;
    }
    table
};

/// Checksum of a classical frame (CRC-15).
pub fn crc15(frame: &ClassicFrame) -> u16 {
    let (message, length, _) = classic_message(frame);
    checksum(message.iter(), length)
}

/// Of the first `length` bytes of a message, at most [`LONGEST`].
#[inline(always)]
fn checksum<'a>(message: impl Iterator<Item = &'a u8>, length: usize) -> u16 {
    let places = PLACES.iter().take(length).rev();
    message.zip(places).fold(0, |sum, (byte, place)| sum ^ place[usize::from(*byte)])
}

/// Start of frame to the last data byte, its length in bytes, and the number of unused leading
/// bits.
#[inline(always)]
fn classic_message(frame: &ClassicFrame) -> ([u8; LONGEST], usize, u32) {
    let (head, head_length, unused) = classic_head(frame);
    let (data, mut message) = (frame.bytes(), [0; LONGEST]);
    message[..head_length].copy_from_slice(&head[..head_length]);
    message[head_length..head_length + data.len()].copy_from_slice(data);
    (message, head_length + data.len(), unused)
}

/// Start of frame to length code, right-aligned in whole bytes, with the number of unused leading
/// bits. The leading zeros leave a checksum that starts from zero as it is.
fn classic_head(frame: &ClassicFrame) -> ([u8; 5], usize, u32) {
    let remote = u64::from(frame.is_remote());
    let dlc = u64::from(frame.raw_dlc());
    match frame.identifier() {
        Id::Standard(id) => {
            // SOF, identifier (11), RTR, IDE dominant, FDF dominant, length code (4).
            let bits = u64::from(id.as_raw()) << 7 | remote << 6 | dlc;
            let [.., a, b, c] = bits.to_be_bytes();
            ([a, b, c, 0, 0], 3, 5)
        }
        Id::Extended(id) => {
            // SOF, base identifier (11), SRR and IDE recessive, extension (18), RTR, FDF and
            // reserved dominant, code.
            let raw = u64::from(id.as_raw());
            let bits = (raw >> 18) << 27 | 0b11 << 25 | (raw & 0x3FFFF) << 7 | remote << 6 | dlc;
            let [.., a, b, c, d, e] = bits.to_be_bytes();
            ([a, b, c, d, e], 5, 1)
        }
    }
}

fn classic_length(frame: &ClassicFrame) -> Length {
    let (message, length, unused) = classic_message(frame);
    let mut stuffing = Bytewise::after_unused(unused);
    message[..length].iter().for_each(|byte| stuffing.byte(*byte));
    stuffing.end(checksum(message.iter(), length), length, unused)
}

/// Counts dynamic stuff bits byte by byte, from [`STEPS`].
#[derive(Clone, Copy)]
struct Bytewise {
    /// The latest entry of the table: the state in bits 8 to 11.
    last: u16,
    /// Sum of the entries: the count is in its lowest eight bits, since no frame has so many.
    entries: u32,
}

impl Bytewise {
    #[inline(always)]
    fn byte(&mut self, byte: u8) {
        self.last = STEPS[usize::from(self.last & 0x0F00 | u16::from(byte))];
        self.entries += u32::from(self.last);
    }

    /// Before the first byte of a message, of which 5 or 1 leading bits are not sent.
    fn after_unused(bits: u32) -> Self {
        Bytewise {
            last: u16::from(if bits == 5 { FRESH_LOW_3 } else { FRESH_LOW_7 }) << 8,
            entries: 0,
        }
    }

    /// The length of a frame after the last byte of its message of `length` bytes with `unused`
    /// leading bits.
    #[inline(always)]
    fn end(mut self, crc: u16, length: usize, unused: u32) -> Length {
        self.byte((crc >> 7) as u8);
        let state = usize::from(self.last >> 8 & 0x0F);
        let stuff =
            (self.entries & 0xFF) as u16 + u16::from(LAST_7[state][usize::from(crc & 0x7F)]);
        let fields = length as u16 * 8 - unused as u16 + 15;
        Length { nominal: fields + stuff + TAIL + INTERMISSION, data_phase: 0 }
    }
}

/// Counts dynamic stuff bits: after five equal bits one of the other level is put in (ISO
/// 11898-1:2015, 10.5).
#[derive(Default)]
struct Stuffing {
    /// Level of the last bit times five, plus the length of its run less one.
    state: u8,
    count: u16,
}

impl Stuffing {
    /// Before the start of frame: the bus is recessive, and the run before the frame does not
    /// count.
    fn start() -> Self {
        Stuffing { state: FRESH, count: 0 }
    }

    /// The lowest `width` bits of `value`, at most 64, highest first.
    fn wide(&mut self, value: u64, width: u32) {
        self.bits((value >> 32) as u32, width.saturating_sub(32));
        self.bits(value as u32, width.min(32));
    }

    /// The lowest `width` bits of `value`, at most 32, highest first.
    fn bits(&mut self, value: u32, width: u32) {
        for shift in (0..width).rev() {
            let (state, stuffed) = step(self.state, (value >> shift & 1) as u8);
            self.state = state;
            self.count += u16::from(stuffed);
        }
    }
}

/// A state no run has reached: the first bit of whatever level begins a run of one.
const FRESH: u8 = 10;
/// The same before a byte of which only the lowest 3 or 7 bits are sent.
const FRESH_LOW_3: u8 = 11;
const FRESH_LOW_7: u8 = 12;
/// Thirteen of them, rounded up so that four bits cannot name one that is not there.
const STATES: usize = 16;

const fn step(state: u8, bit: u8) -> (u8, u8) {
    if state == FRESH || state / 5 != bit {
        return (bit * 5, 0);
    }
    let run = state % 5 + 2;
    // The stuff bit is of the other level and begins a run of its own.
    if run == 5 { ((1 - bit) * 5, 1) } else { (bit * 5 + run - 1, 0) }
}

/// What the lowest `width` bits of `byte` do to a state: the state after them and the stuff bits
/// put in.
const fn steps(state: u8, byte: u8, width: u32) -> (u8, u8) {
    let (mut now, mut count, mut shift) = (state, 0, width);
    while shift > 0 {
        shift -= 1;
        let (next, stuffed) = step(now, byte >> shift & 1);
        now = next;
        count += stuffed;
    }
    (now, count)
}

/// What a byte does to each state, by state and byte: the state after it from bit 8 on, the stuff
/// bits put in below.
static STEPS: [u16; STATES * 256] = {
    let mut table = [0; STATES * 256];
    let mut state = 0;
    while state <= FRESH_LOW_7 as usize {
        let (from, width) = match state as u8 {
            FRESH_LOW_3 => (FRESH, 3),
            FRESH_LOW_7 => (FRESH, 7),
            state => (state, 8),
        };
        let mut byte = 0;
        while byte < 256 {
            let (next, count) = steps(from, byte as u8, width);
            table[state * 256 + byte] = (next as u16) << 8 | count as u16;
            byte += 1;
        }
        state += 1;
    }
    table
};

/// Stuff bits that the last seven bits of a checksum bring.
static LAST_7: [[u8; 128]; STATES] = {
    let mut table = [[0; 128]; STATES];
    let mut state = 0;
    while state <= FRESH {
        let mut bits = 0;
        while bits < 128 {
            table[state as usize][bits as usize] = steps(state, bits, 7).1;
            bits += 1;
        }
        state += 1;
    }
    table
};

fn fd_length(frame: &FdFrame) -> Length {
    let mut stuffing = Stuffing::start();
    let (head, width) = fd_head(frame);
    stuffing.wide(head >> 1, width - 1);
    let mut last = head as u8;
    for byte in frame.bytes() {
        stuffing.bits(u32::from(last & 1), 1);
        stuffing.bits(u32::from(byte >> 1), 7);
        last = *byte;
    }
    // The last bit before the CRC field is left out: after it the fixed stuff bit breaks the run,
    // and no dynamic one comes.
    let (fixed, crc) = if frame.bytes().len() <= 16 { (6, 17) } else { (7, 21) };
    let fields = width as u16 + frame.bytes().len() as u16 * 8 + stuffing.count + 4 + crc + fixed;
    let total = fields + TAIL + INTERMISSION;
    // From ESI to the last CRC bit, and of BRS and the CRC delimiter, which change rate at their
    // sample points, about one bit between them. ESI is the 5th-last bit of the head.
    let data_phase =
        if frame.known_flags().brs { fields - bits_through_brs(head, width) + 1 } else { 0 };
    Length { nominal: total - data_phase, data_phase }
}

/// Start of frame to length code of a CAN FD frame and its width in bits.
fn fd_head(frame: &FdFrame) -> (u64, u32) {
    let raw = u64::from(raw_id(frame.identifier()));
    let FdFlags { brs, esi } = frame.known_flags();
    let flags = u64::from(brs) << 5 | u64::from(esi) << 4;
    let tail = flags | u64::from(frame.dlc());
    match frame.identifier() {
        // SOF, identifier (11), RRS, IDE dominant, FDF recessive, reserved dominant, BRS, ESI,
        // length code (4).
        Id::Standard(_) => (raw << 10 | 1 << 7 | tail, 22),
        // SOF, base (11), SRR, IDE recessive, extension (18), RRS, FDF recessive, reserved
        // dominant, BRS, ESI, code.
        Id::Extended(_) => {
            ((raw >> 18) << 29 | 0b11 << 27 | (raw & 0x3FFFF) << 9 | 1 << 7 | tail, 41)
        }
    }
}

/// Bits from the start of frame through BRS, with the stuff bits among them.
fn bits_through_brs(head: u64, width: u32) -> u16 {
    let mut stuffing = Stuffing::start();
    stuffing.wide(head >> 5, width - 5);
    (width - 5) as u16 + stuffing.count
}
