//! A frame as the bits that are sent, field by field as ISO 11898-1:2015 lists them: a second
//! reading of what `wire` works out by tables and words. For tests and fuzzing.
#![allow(dead_code)] // each user needs some of it

use std::borrow::Borrow;

use lostnode_parsers::frame::raw_id;
use lostnode_parsers::{FdFrame, FrameKind, Id};

/// A frame from its start to its end, with the ACK slot sent dominant; `true` is recessive.
pub struct Bits {
    pub sent: Vec<bool>,
    /// The checksum.
    pub crc: u32,
    /// Stuff bits, dynamic and fixed.
    pub stuff: u16,
}

impl Bits {
    /// `None` for an error frame.
    pub fn of<F: Borrow<FdFrame>>(kind: &FrameKind<F>) -> Option<Bits> {
        let mut bits = match kind {
            FrameKind::Classic(frame) => {
                let remote = u32::from(frame.is_remote());
                let head = match frame.identifier() {
                    // Identifier, RTR, IDE dominant, a reserved bit.
                    Id::Standard(id) => vec![(u32::from(id.as_raw()), 11), (remote, 1), (0, 2)],
                    // Base identifier, SRR and IDE recessive, extension, RTR, two reserved bits.
                    Id::Extended(id) => {
                        let (base, extension) = (id.as_raw() >> 18, id.as_raw() & 0x3_FFFF);
                        vec![(base, 11), (0b11, 2), (extension, 18), (remote, 1), (0, 2)]
                    }
                };
                let code = [(u32::from(frame.raw_dlc()), 4)];
                let mut fields = message(head.into_iter().chain(code), frame.bytes());
                // 10.4.2.6: x^15 + x^14 + x^10 + x^8 + x^7 + x^4 + x^3 + 1, from zero.
                let crc = remainder(&fields, 15, 0x4599, 0);
                push(&mut fields, crc, 15);
                let (sent, stuff) = stuffed(&fields);
                Bits { sent, crc, stuff }
            }
            FrameKind::Fd(frame) => Bits::of_fd(frame.borrow()),
            FrameKind::Error(_) => return None,
        };
        // CRC delimiter, ACK slot dominant, ACK delimiter, end of frame.
        push(&mut bits.sent, 0b10_1111_1111, 10);
        Some(bits)
    }

    fn of_fd(frame: &FdFrame) -> Bits {
        let raw = raw_id(frame.identifier());
        let mut head = match frame.identifier() {
            // Identifier, RRS, IDE dominant.
            Id::Standard(_) => vec![(raw, 11), (0, 2)],
            // Base identifier, SRR and IDE recessive, extension, RRS.
            Id::Extended(_) => vec![(raw >> 18, 11), (0b11, 2), (raw & 0x3_FFFF, 18), (0, 1)],
        };
        let flags = frame.known_flags();
        let (brs, esi) = (u32::from(flags.brs), u32::from(flags.esi));
        // FDF recessive, a reserved bit, BRS, ESI, length code.
        head.extend([(1, 1), (0, 1), (brs, 1), (esi, 1), (u32::from(frame.dlc()), 4)]);
        let mut fields = message(head, frame.bytes());
        // The last data bit is followed by a fixed stuff bit, so no dynamic one comes after it.
        let last = fields.pop().unwrap_or_default();
        let (mut sent, mut stuff) = stuffed(&fields);
        sent.push(last);
        // 10.4.2.6: the checksum covers the dynamic stuff bits and the stuff count, in Gray code
        // with even parity, and starts from a one in its highest bit.
        let (count, long) = (u32::from(stuff % 8), frame.bytes().len() > 16);
        let gray = count ^ count >> 1;
        let count = gray << 1 | gray.count_ones() & 1;
        let (width, polynomial) = if long { (21, 0x10_2899) } else { (17, 0x1_685B) };
        let mut covered = sent.clone();
        push(&mut covered, count, 4);
        let crc = remainder(&covered, width, polynomial, 1 << (width - 1));
        let mut field = Vec::new();
        push(&mut field, count, 4);
        push(&mut field, crc, width);
        // 10.5: a fixed stuff bit before the first of them and after each fourth.
        for four in field.chunks(4) {
            let before = sent.last().copied().unwrap_or(true);
            sent.push(!before);
            sent.extend(four);
            stuff += 1;
        }
        Bits { sent, crc, stuff }
    }
}

/// The lowest bits of a value, as many as said, highest first.
fn push(bits: &mut Vec<bool>, value: u32, width: u32) {
    bits.extend((0..width).rev().map(|bit| value >> bit & 1 == 1));
}

/// Start of frame, fields as value and width, data.
fn message(fields: impl IntoIterator<Item = (u32, u32)>, data: &[u8]) -> Vec<bool> {
    let mut bits = vec![false];
    fields.into_iter().for_each(|(value, width)| push(&mut bits, value, width));
    data.iter().for_each(|byte| push(&mut bits, u32::from(*byte), 8));
    bits
}

/// The checksum as a shift register has it (10.4.2.6).
fn remainder(bits: &[bool], width: u32, polynomial: u32, start: u32) -> u32 {
    bits.iter().fold(start, |register, bit| {
        let next = *bit != (register >> (width - 1) & 1 == 1);
        (register << 1 & ((1 << width) - 1)) ^ if next { polynomial } else { 0 }
    })
}

/// After five equal bits one of the other level (10.5); and how many were put in.
fn stuffed(bits: &[bool]) -> (Vec<bool>, u16) {
    let (mut sent, mut run, mut stuff): (Vec<bool>, _, _) = (Vec::new(), 0, 0);
    for bit in bits {
        run = if sent.last() == Some(bit) { run + 1 } else { 1 };
        sent.push(*bit);
        if run == 5 {
            sent.push(!bit);
            (run, stuff) = (1, stuff + 1);
        }
    }
    (sent, stuff)
}
