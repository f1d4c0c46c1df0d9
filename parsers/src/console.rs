//! The console variants: `(12.345678)  can0  7E8   [8]  04 41 0C 1A F8 00 00 00`.
//!
//! - Time: none; seconds with six or nine digits of fraction (absolute, from zero, or since the
//!   line before: the reader of the whole capture decides which); a date and time of day.
//! - Channel and identifier (3 or 8 digits): any number of blanks around them.
//! - Direction: none; `RX` or `TX`, then `B` or `-` for the rate switch and `E` or `-` for the
//!   error state.
//! - Length: `[n]` classical, `{n}` classical with the length code as sent, `[nn]` CAN FD.
//! - Data: pairs of digits; eight binary digits a byte; either with the last byte first and a
//!   backtick between bytes.
//! - End: `remote request`, `ERRORFRAME`, a printable copy of the data in quotes.
//!
//! Only the mark between bytes says that they stand in the other order, and that is enough: without
//! it nothing is turned round. Details of an error frame follow on lines that begin with a tab.
//! A line of CAN FD without the direction says nothing of the flags.

use crate::candump::{IdField, Record, id_field};
use crate::error::{ParseError, Step, blanks, channel, locate, nibble, stamp, stop};
use crate::frame::Direction;
use crate::{ClassicFrame, ErrorFrame, FdFlags, FdFrame, FrameKind, Id};

/// Reads one line, without its line end. A date and time of day is taken as UTC: the format does
/// not say its zone.
///
/// # Errors
/// The first place where the line leaves the format.
///
/// ```
/// use lostnode_parsers::console;
/// let record = console::parse_line(b"  can0  5C1   [8]  03 22 01 00 00 00 00 00").unwrap();
/// assert_eq!(record.time, None);
/// assert_eq!(record.kind.bytes(), [3, 0x22, 1, 0, 0, 0, 0, 0]);
/// ```
pub fn parse_line(line: &[u8]) -> Result<Record<'_>, ParseError> {
    locate(line, record(line))
}

/// Whether a line is the explanation below an error frame, which carries no frame.
pub fn is_note(line: &[u8]) -> bool {
    line.first() == Some(&b'\t')
}

fn record(input: &[u8]) -> Step<'_, Record<'_>> {
    let rest = blanks(input);
    let (rest, time) = match rest.first() {
        Some(b'(') => {
            let (rest, time) = stamp(blanks(&rest[1..]))?;
            match rest.split_first() {
                Some((b')', rest)) => (blanks(rest), Some(time)),
                _ => return stop(rest, "')' after the time stamp"),
            }
        }
        _ => (rest, None),
    };
    let (rest, channel) = channel(rest)?;
    let (rest, (direction, flags)) = direction(blanks(rest))?;
    let (rest, field) = id_field(blanks(rest))?;
    let (rest, length) = length(blanks(rest))?;
    let (rest, kind) = match field {
        IdField::Error(class) => {
            let (rest, data) = data(blanks(rest), length.bytes())?;
            match ErrorFrame::new(class, &data[..length.bytes()]) {
                Some(error) => (
                    blanks(rest).strip_prefix(b"ERRORFRAME").unwrap_or(rest),
                    FrameKind::Error(error),
                ),
                None => return stop(input, "at most 8 data bytes in an error report"),
            }
        }
        IdField::Id(id) => frame(blanks(rest), id, length, flags)?,
    };
    // A printable rendering of the data in quotes may follow; it repeats what was read.
    let rest = blanks(rest);
    match rest.first() {
        None | Some(b'\'' | b'`') => Ok((&[], Record { time, channel, kind, direction })),
        Some(_) => stop(rest, "the end of the line"),
    }
}

fn frame(input: &[u8], id: Id, length: Length, flags: Option<FdFlags>) -> Step<'_, FrameKind> {
    if let Some(rest) = input.strip_prefix(b"remote request") {
        let frame = match length {
            Length::Classic(code) => ClassicFrame::remote_with_raw_dlc(id, code),
            Length::Fd(_) => None,
        };
        return match frame {
            Some(frame) => Ok((rest, FrameKind::Classic(frame))),
            None => stop(input, "no remote frame, which CAN FD does not have"),
        };
    }
    let (rest, data) = data(input, length.bytes())?;
    let data = &data[..length.bytes()];
    let kind = match length {
        Length::Fd(_) => FdFrame::new(id, data, flags).map(FrameKind::Fd),
        Length::Classic(code) => ClassicFrame::with_raw_dlc(id, data, code).map(FrameKind::Classic),
    };
    match kind {
        Some(kind) => Ok((rest, kind)),
        None => stop(rest, "a data length that a frame can have"),
    }
}

/// `RX B -`: the direction and the flags of CAN FD, both or neither.
fn direction(input: &[u8]) -> Step<'_, (Option<Direction>, Option<FdFlags>)> {
    let (direction, rest) = match input {
        [b'R', b'X', b' ', rest @ ..] => (Direction::Received, rest),
        [b'T', b'X', b' ', rest @ ..] => (Direction::Sent, rest),
        _ => return Ok((input, (None, None))),
    };
    match blanks(rest) {
        [brs @ (b'B' | b'-'), b' ', esi @ (b'E' | b'-'), b' ', rest @ ..] => {
            let flags = FdFlags { brs: *brs == b'B', esi: *esi == b'E' };
            Ok((rest, (Some(direction), Some(flags))))
        }
        rest => stop(rest, "the flags after the direction, such as `B -`"),
    }
}

/// What stands in brackets.
#[derive(Clone, Copy)]
enum Length {
    /// The length code, 0 to 15.
    Classic(u8),
    /// Bytes of a CAN FD frame, at most 64.
    Fd(u8),
}

impl Length {
    fn bytes(self) -> usize {
        match self {
            Length::Classic(code) => usize::from(code.min(8)),
            Length::Fd(bytes) => usize::from(bytes.min(64)),
        }
    }
}

fn length(input: &[u8]) -> Step<'_, Length> {
    match input {
        [b'[', digit @ b'0'..=b'8', b']', rest @ ..] => Ok((rest, Length::Classic(digit - b'0'))),
        [b'[', tens @ b'0'..=b'6', ones @ b'0'..=b'9', b']', rest @ ..]
            if (*tens, *ones) <= (b'6', b'4') =>
        {
            Ok((rest, Length::Fd((tens - b'0') * 10 + ones - b'0')))
        }
        [b'{', code, b'}', rest @ ..] => match nibble(*code) {
            Some(code) => Ok((rest, Length::Classic(code))),
            None => stop(&input[1..], "a length code from 0 to F"),
        },
        _ => stop(input, "a length in brackets: [0] to [8], or [00] to [64] for CAN FD"),
    }
}

/// So many data bytes, at most 64, in whichever way they are written: the one that ends where the
/// data ends. Eight binary digits a byte are four times as many as two, so only one does.
fn data(input: &[u8], length: usize) -> Step<'_, [u8; 64]> {
    let pairs = written(input, length, 2);
    let ends = |step: &Step<'_, [u8; 64]>| matches!(step, Ok((rest, _)) if is_end(rest));
    if ends(&pairs) {
        return pairs;
    }
    let binary = written(input, length, 8);
    match (ends(&binary), pairs) {
        (true, _) => binary,
        (false, Ok((rest, _))) => stop(rest, "the end of the line"),
        (false, pairs) => pairs,
    }
}

/// Whether what stands behind the data is none: nothing, or apart from it a word or a copy of it.
fn is_end(rest: &[u8]) -> bool {
    let behind = blanks(rest);
    behind.is_empty()
        || behind.len() < rest.len()
            && (matches!(behind[0], b'\'' | b'`') || behind.starts_with(b"ERRORFRAME"))
}

/// So many bytes of two hexadecimal or eight binary digits, with blanks or `` ` `` between them.
fn written(mut input: &[u8], length: usize, digits: usize) -> Step<'_, [u8; 64]> {
    let mut data = [0; 64];
    let mut swapped = false;
    for (at, slot) in data.iter_mut().take(length).enumerate() {
        input = match (at, input) {
            (1, [b'`', rest @ ..]) => {
                swapped = true;
                rest
            }
            (2.., [b'`', rest @ ..]) if swapped => rest,
            (2.., _) if swapped => return stop(input, "'`' between bytes, as before"),
            _ => blanks(input),
        };
        match byte(input, digits) {
            Some(byte) => *slot = byte,
            None => return stop(input, "as many data bytes as the length in brackets says"),
        }
        input = &input[digits..];
    }
    if swapped {
        data[..length].reverse();
    }
    Ok((input, data))
}

fn byte(input: &[u8], digits: usize) -> Option<u8> {
    let base = if digits == 8 { 2 } else { 16 };
    input.get(..digits)?.iter().try_fold(0_u8, |sum, digit| {
        let digit = nibble(*digit).filter(|digit| *digit < base)?;
        Some(if base == 2 { sum << 1 | digit } else { sum << 4 | digit })
    })
}
