//! The text log line: `(1700000000.123456) can0 7E8#04410C1AF8000000`, one frame a line.
//!
//! | payload | frame |
//! |---|---|
//! | `123#0011` | classical, 0 to 8 bytes; `_9` to `_F` after 8 keep a raw length code above 8 |
//! | `123#R`, `123#R5`, `123#R8_E` | remote, with its length code |
//! | `123##1AABB` | CAN FD, one hexadecimal digit of flags: bit 0 BRS, bit 1 ESI |
//! | `20000004#00…` | error frame: 8 digits with bit 29 set |
//!
//! The identifier's width is the number of digits as written (3 or 8), never its value: `00000123#`
//! is a 29-bit one. A letter `R` or `T` may end the line: received or sent by the logging machine.

use core::borrow::Borrow;
use core::fmt;

use nom::bytes::complete::tag;
use nom::character::complete::char;

use crate::error::{ParseError, Step, channel, expect, locate, nibble, seconds, stop};
use crate::frame::{Direction, DisplayId, FD_LENGTHS, make_id};
use crate::{ClassicFrame, ErrorFrame, FdFlags, FdFrame, FrameKind, Id, Timestamp, candump_fast};

/// The flag that marks an error frame in the identifier field (`CAN_ERR_FLAG`, `linux/can.h`).
const ERROR_FLAG: u32 = 0x2000_0000;

/// One line of a capture, borrowing the channel name from it.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Record<'a> {
    /// Time stamp; `None` where the format carries none.
    pub time: Option<Timestamp>,
    /// Channel name as written, printable ASCII.
    pub channel: &'a [u8],
    /// The frame.
    pub kind: FrameKind,
    /// Direction, where written.
    pub direction: Option<Direction>,
}

/// Reads one line, without its line end.
///
/// # Errors
/// The first place where the line leaves the format.
///
/// ```
/// use lostnode_parsers::{candump, FrameKind};
/// let record = candump::parse_line(b"(1700000000.123456) can0 123##1AABB").unwrap();
/// let FrameKind::Fd(frame) = record.kind else { panic!() };
/// assert!(frame.known_flags().brs);
/// assert_eq!(frame.bytes(), [0xAA, 0xBB]);
/// ```
#[inline]
pub fn parse_line(line: &[u8]) -> Result<Record<'_>, ParseError> {
    match candump_fast::only_line(line) {
        Some(fast) => {
            let channel = &line[candump_fast::NAME..][..usize::from(fast.channel_length)];
            let kind = FrameKind::Classic(fast.frame);
            Ok(Record { time: Some(fast.time), channel, kind, direction: fast.direction })
        }
        None => parse_line_by_grammar(line),
    }
}

/// As [`parse_line`], by the grammar alone: slower, and the same on every line.
///
/// # Errors
/// As for [`parse_line`].
pub fn parse_line_by_grammar(line: &[u8]) -> Result<Record<'_>, ParseError> {
    locate(line, record(line))
}

fn record(input: &[u8]) -> Step<'_, Record<'_>> {
    let (rest, _) = expect("'(' before the time stamp", char('('))(input)?;
    let (rest, time) = seconds(rest, 6)?;
    let (rest, _) = expect("') ' after six digits of fraction", tag(&b") "[..]))(rest)?;
    let (rest, channel) = channel(rest)?;
    let (rest, _) = expect("one blank after the channel", char(' '))(rest)?;
    let (rest, kind) = frame(rest)?;
    let (rest, direction) = direction(rest)?;
    Ok((rest, Record { time: Some(time), channel, kind, direction }))
}

/// `ID#…` as it stands in a log line.
pub(crate) fn frame(input: &[u8]) -> Step<'_, FrameKind> {
    let (rest, field) = id_field(input)?;
    let (rest, _) = expect("'#' after the identifier", char('#'))(rest)?;
    match (rest.first(), field) {
        (_, IdField::Error(class)) => {
            let (rest, (data, length)) = bytes::<8>(rest, "at most 8 data bytes")?;
            match ErrorFrame::new(class, &data[..length]) {
                Some(error) => Ok((rest, FrameKind::Error(error))),
                None => stop(input, "an error class of at most 29 bits"),
            }
        }
        (Some(b'R' | b'r'), IdField::Id(id)) => remote(&rest[1..], id),
        (Some(b'#'), IdField::Id(id)) => fd(&rest[1..], id),
        (_, IdField::Id(id)) => classic(rest, id),
    }
}

fn classic(input: &[u8], id: Id) -> Step<'_, FrameKind> {
    let (rest, (data, length)) = bytes::<8>(input, "at most 8 data bytes")?;
    let (rest, dlc) = match rest {
        [b'_', digit, rest @ ..] if length == 8 => match nibble(*digit) {
            Some(code @ 9..=15) => (rest, code),
            _ => {
                return stop(
                    &input[input.len() - rest.len() - 1..],
                    "a raw length code from 9 to F",
                );
            }
        },
        _ => (rest, length as u8),
    };
    match ClassicFrame::with_raw_dlc(id, &data[..length], dlc) {
        Some(frame) => Ok((rest, FrameKind::Classic(frame))),
        None => stop(input, "at most 8 data bytes"),
    }
}

fn remote(input: &[u8], id: Id) -> Step<'_, FrameKind> {
    let (rest, length) = match input {
        [b'8', b'_', digit, rest @ ..] => match nibble(*digit) {
            Some(code @ 9..=15) => (rest, code),
            _ => return stop(&input[2..], "a raw length code from 9 to F"),
        },
        [digit @ b'0'..=b'8', rest @ ..] => (rest, digit - b'0'),
        _ => (input, 0),
    };
    match ClassicFrame::remote_with_raw_dlc(id, length) {
        Some(frame) => Ok((rest, FrameKind::Classic(frame))),
        None => stop(input, "a length code from 0 to 8"),
    }
}

fn fd(input: &[u8], id: Id) -> Step<'_, FrameKind> {
    let Some(flags) = input.first().copied().and_then(nibble) else {
        return stop(input, "one hexadecimal digit of FD flags");
    };
    let (rest, (data, length)) = bytes::<64>(&input[1..], "at most 64 data bytes")?;
    if !FD_LENGTHS.contains(&(length as u8)) {
        return stop(rest, "a CAN FD length: 0 to 8, 12, 16, 20, 24, 32, 48 or 64 bytes");
    }
    let flags = FdFlags { brs: flags & 1 != 0, esi: flags & 2 != 0 };
    match FdFrame::new(id, &data[..length], flags) {
        Some(frame) => Ok((rest, FrameKind::Fd(frame))),
        None => stop(rest, "a CAN FD length"),
    }
}

pub(crate) fn direction(input: &[u8]) -> Step<'_, Option<Direction>> {
    let rest = input.strip_prefix(b" ").unwrap_or(input);
    match rest {
        [] => Ok((rest, None)),
        [b'R'] if rest.len() < input.len() => Ok((&[], Some(Direction::Received))),
        [b'T'] if rest.len() < input.len() => Ok((&[], Some(Direction::Sent))),
        _ => stop(rest, "the end of the line, or ' R' or ' T'"),
    }
}

/// What the digits before `#` or `[` name.
pub(crate) enum IdField {
    Id(Id),
    Error(u32),
}

/// Three digits: 11 bits. Eight digits: 29 bits, or an error class where bit 29 is set.
pub(crate) fn id_field(input: &[u8]) -> Step<'_, IdField> {
    let mut value: u32 = 0;
    let mut digits = 0;
    while let Some(nibble) = input.get(digits).copied().and_then(nibble) {
        if digits == 8 {
            return stop(&input[digits..], "an identifier of 3 or 8 digits");
        }
        value = value << 4 | u32::from(nibble);
        digits += 1;
    }
    let rest = &input[digits..];
    match digits {
        3 => match make_id(value, false) {
            Some(id) => Ok((rest, IdField::Id(id))),
            None => stop(input, "an 11-bit identifier, at most 7FF"),
        },
        8 if value & ERROR_FLAG != 0 => {
            Ok((rest, IdField::Error(value & !ERROR_FLAG & 0x1FFF_FFFF)))
        }
        8 => match make_id(value, true) {
            Some(id) => Ok((rest, IdField::Id(id))),
            None => stop(input, "a 29-bit identifier, at most 1FFFFFFF"),
        },
        _ => stop(
            if digits == 0 { input } else { rest },
            "an identifier of 3 or 8 hexadecimal digits",
        ),
    }
}

/// Pairs of digits up to the first byte that is not one; more than `N` pairs fail with `limit`.
fn bytes<'a, const N: usize>(input: &'a [u8], limit: &'static str) -> Step<'a, ([u8; N], usize)> {
    let mut data = [0; N];
    let mut length = 0;
    loop {
        let at = length * 2;
        let Some(high) = input.get(at).copied().and_then(nibble) else {
            return match input.get(at) {
                None | Some(b' ' | b'_') => Ok((&input[at..], (data, length))),
                Some(_) => stop(&input[at..], "a hexadecimal digit"),
            };
        };
        let Some(low) = input.get(at + 1).copied().and_then(nibble) else {
            return stop(&input[at + 1..], "a hexadecimal digit");
        };
        if length == N {
            return stop(&input[at..], limit);
        }
        data[length] = high << 4 | low;
        length += 1;
    }
}

/// Writes a frame as a log line writes it (`ID#…`), without time and channel.
///
/// ```
/// use lostnode_parsers::candump::{self, Payload};
/// let line = "(1700000000.123456) can0 123#1122334455667788_E";
/// let record = candump::parse_line(line.as_bytes()).unwrap();
/// assert_eq!(Payload(&record.kind).to_string(), "123#1122334455667788_E");
/// ```
pub struct Payload<'a, F = FdFrame>(pub &'a FrameKind<F>);

impl<F: Borrow<FdFrame>> fmt::Display for Payload<'_, F> {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self.0 {
            FrameKind::Classic(frame) if frame.is_remote() => {
                write!(f, "{}#R{}", DisplayId(frame.identifier()), frame.raw_dlc().min(8))?;
                if frame.raw_dlc() > 8 { write!(f, "_{:X}", frame.raw_dlc()) } else { Ok(()) }
            }
            FrameKind::Classic(frame) => {
                write!(f, "{}#", DisplayId(frame.identifier()))?;
                hex(f, frame.bytes())?;
                if frame.raw_dlc() > 8 { write!(f, "_{:X}", frame.raw_dlc()) } else { Ok(()) }
            }
            FrameKind::Fd(frame) => {
                let frame = frame.borrow();
                let FdFlags { brs, esi } = frame.known_flags();
                let flags = u8::from(brs) | u8::from(esi) << 1;
                write!(f, "{}##{flags:X}", DisplayId(frame.identifier()))?;
                hex(f, frame.bytes())
            }
            FrameKind::Error(error) => {
                write!(f, "{:08X}#", error.class() | ERROR_FLAG)?;
                hex(f, error.bytes())
            }
        }
    }
}

fn hex(f: &mut fmt::Formatter<'_>, bytes: &[u8]) -> fmt::Result {
    bytes.iter().try_for_each(|byte| write!(f, "{byte:02X}"))
}

/// Writes a whole log line, without its line end: time (microseconds, rounded down), channel,
/// frame.
pub struct Line<'a, F = FdFrame> {
    /// Time stamp, not before 1970.
    pub time: Timestamp,
    /// Channel name.
    pub channel: &'a str,
    /// The frame.
    pub kind: &'a FrameKind<F>,
}

impl<F: Borrow<FdFrame>> fmt::Display for Line<'_, F> {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        let microseconds = self.time.nanoseconds() / 1000;
        let (whole, fraction) = (microseconds / 1_000_000, microseconds % 1_000_000);
        write!(f, "({whole:010}.{fraction:06}) {} {}", self.channel, Payload(self.kind))
    }
}
