//! A frame as the bits that are sent.

use core::borrow::Borrow;

use crc::{Algorithm, CRC_17_CAN_FD, CRC_21_CAN_FD, Crc};

use super::{classic_head, crc15, fd_head};
use crate::{FdFrame, FrameKind};

// Starting values of zero, as in the catalogue; the ISO start is folded into the first bits of the
// message instead.
static CRC17: Crc<u32> = Crc::<u32>::new(&Algorithm { init: 0, ..CRC_17_CAN_FD });
static CRC21: Crc<u32> = Crc::<u32>::new(&Algorithm { init: 0, ..CRC_21_CAN_FD });

/// A frame bit by bit: an independent second reading of the rules above, and what a bit-level
/// display needs.
pub struct Bits {
    bits: [u8; 96],
    length: usize,
    /// The checksum.
    pub crc: u32,
    /// Dynamic stuff bits.
    pub dynamic_stuff: u16,
    /// Fixed stuff bits of CAN FD.
    pub fixed_stuff: u16,
}

impl Bits {
    /// Encodes a frame from start of frame to end of frame, the ACK slot sent dominant; `None` for
    /// an error report.
    ///
    /// ```
    /// use lostnode_parsers::{candump, wire::Bits};
    /// let record = candump::parse_line(b"(0.000000) can0 0C1#4001087500000000").unwrap();
    /// assert_eq!(Bits::encode(&record.kind).unwrap().crc, 0x5B40);
    /// ```
    pub fn encode<F: Borrow<FdFrame>>(kind: &FrameKind<F>) -> Option<Bits> {
        let mut out = Bits { bits: [0; 96], length: 0, crc: 0, dynamic_stuff: 0, fixed_stuff: 0 };
        match kind {
            FrameKind::Classic(frame) => {
                let (head, head_length, unused) = classic_head(frame);
                let mut run = Run::default();
                let data = head[..head_length].iter().chain(frame.bytes());
                for (index, byte) in data.enumerate() {
                    let width = if index == 0 { 8 - unused } else { 8 };
                    out.stuffed(u32::from(*byte), width, &mut run);
                }
                out.crc = u32::from(crc15(frame));
                out.stuffed(out.crc, 15, &mut run);
                // A run of five that ends the checksum is broken too (ISO 11898-1:2015, 10.5).
                out.settle(&mut run);
            }
            FrameKind::Fd(frame) => {
                let frame = frame.borrow();
                let (head, width) = fd_head(frame);
                let mut run = Run::default();
                out.stuffed((head >> 32) as u32, width.saturating_sub(32), &mut run);
                out.stuffed(head as u32, width.min(32), &mut run);
                frame.bytes().iter().for_each(|byte| out.stuffed(u32::from(*byte), 8, &mut run));
                out.fd_crc(frame.bytes().len() > 16);
            }
            FrameKind::Error(_) => return None,
        }
        // CRC delimiter, ACK slot dominant, ACK delimiter and end of frame recessive.
        out.push_bits(0b10_1111_1111, 10);
        Some(out)
    }

    /// Number of bits from start of frame to end of frame.
    pub fn count(&self) -> usize {
        self.length
    }

    /// The bits in the order sent, `true` recessive.
    pub fn iter(&self) -> impl Iterator<Item = bool> + '_ {
        (0..self.length).map(|at| self.bits[at / 8] >> (7 - at % 8) & 1 == 1)
    }

    /// Stuff count, fixed stuff bits and checksum of CAN FD (ISO 11898-1:2015, 10.4.2.6 and 10.5).
    fn fd_crc(&mut self, long: bool) {
        let count = self.dynamic_stuff % 8;
        let gray = u32::from(count ^ count >> 1);
        let stuff_count = gray << 1 | (gray.count_ones() & 1);
        let width = if long { 21 } else { 17 };
        self.crc = self.checksum(stuff_count, width);
        let field = u64::from(stuff_count) << width | u64::from(self.crc);
        for at in 0..width + 4 {
            if at % 4 == 0 {
                let last = self.iter().last().unwrap_or(true);
                self.push_bits(u32::from(!last), 1);
                self.fixed_stuff += 1;
            }
            self.push_bits((field >> (width + 3 - at) & 1) as u32, 1);
        }
    }

    /// Checksum over the bits so far and the stuff count, through the whole-byte library: the
    /// message is right-aligned behind leading zeros, and the start value is added to its first
    /// bits, which is the same thing.
    fn checksum(&self, stuff_count: u32, width: u32) -> u32 {
        let total = self.length + 4;
        let padding = (8 - total % 8) % 8;
        let mut message = [0u8; 96];
        let bits = self.iter().chain((0..4).rev().map(|shift| stuff_count >> shift & 1 == 1));
        for (at, bit) in bits.enumerate() {
            // The start value has a one in its highest bit only.
            let bit = bit ^ (at == 0);
            message[(at + padding) / 8] |= u8::from(bit) << (7 - (at + padding) % 8);
        }
        let message = &message[..(total + padding) / 8];
        if width == 17 { CRC17.checksum(message) } else { CRC21.checksum(message) }
    }

    fn stuffed(&mut self, value: u32, width: u32, run: &mut Run) {
        for shift in (0..width).rev() {
            self.settle(run);
            let bit = value >> shift & 1 == 1;
            self.push_bits(u32::from(bit), 1);
            run.push(bit);
        }
    }

    /// Puts in the stuff bit that a run of five asks for.
    fn settle(&mut self, run: &mut Run) {
        if let (Some(level), 5) = (run.last, run.length) {
            self.push_bits(u32::from(!level), 1);
            self.dynamic_stuff += 1;
            run.push(!level);
        }
    }

    fn push_bits(&mut self, value: u32, width: u32) {
        for shift in (0..width).rev() {
            if self.length < self.bits.len() * 8 {
                self.bits[self.length / 8] |= ((value >> shift & 1) as u8) << (7 - self.length % 8);
                self.length += 1;
            }
        }
    }
}

/// Length of the present run of equal bits.
#[derive(Default)]
struct Run {
    last: Option<bool>,
    length: u8,
}

impl Run {
    fn push(&mut self, bit: bool) {
        self.length = if self.last == Some(bit) { self.length + 1 } else { 1 };
        self.last = Some(bit);
    }
}
