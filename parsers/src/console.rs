//! The console variants: `(12.345678)  can0  7E8   [8]  04 41 0C 1A F8 00 00 00`.
//!
//! Blanks may be any number; the time stamp may be missing, in seconds (absolute, counted from
//! zero, or relative to the line before: the reader of the whole capture decides which), or a date
//! and time of day. The bracketed length is `[n]` for the classical format and `[nn]` for CAN FD.
//! `remote request` and `ERRORFRAME` end such lines. Details of an error frame follow on lines
//! that begin with a tab.

use embedded_can::Frame as _;
use nom::bytes::complete::take_while;

use crate::candump::{IdField, Record, id_field};
use crate::error::{ParseError, Step, channel, locate, nibble, seconds, stop};
use crate::{ClassicFrame, ErrorFrame, FdFlags, FdFrame, FrameKind, Timestamp};

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
            let (rest, time) = time(&rest[1..])?;
            match rest.split_first() {
                Some((b')', rest)) => (blanks(rest), Some(time)),
                _ => return stop(rest, "')' after the time stamp"),
            }
        }
        _ => (rest, None),
    };
    let (rest, channel) = channel(rest)?;
    let (rest, field) = id_field(blanks(rest))?;
    let (rest, (length, fd)) = length(blanks(rest))?;
    let (rest, kind) = match field {
        IdField::Error(class) => {
            let (rest, (data, read)) = spaced(blanks(rest), length)?;
            match ErrorFrame::new(class, &data[..read]) {
                Some(error) => (
                    blanks(rest).strip_prefix(b"ERRORFRAME").unwrap_or(rest),
                    FrameKind::Error(error),
                ),
                None => return stop(input, "at most 8 data bytes in an error report"),
            }
        }
        IdField::Id(id) => match blanks(rest).strip_prefix(b"remote request") {
            Some(rest) => match ClassicFrame::new_remote(id, length) {
                Some(frame) => (rest, FrameKind::Classic(frame)),
                None => return stop(rest, "a remote frame of at most 8 bytes"),
            },
            None => {
                let (rest, (data, read)) = spaced(blanks(rest), length)?;
                let data = &data[..read];
                let kind = if fd {
                    FdFrame::new(id, data, FdFlags::default()).map(FrameKind::Fd)
                } else {
                    ClassicFrame::new(id, data).map(FrameKind::Classic)
                };
                match kind {
                    Some(kind) => (rest, kind),
                    None => return stop(rest, "a data length that a frame can have"),
                }
            }
        },
    };
    // A printable rendering of the data in quotes may follow; it repeats what was read.
    let rest = blanks(rest);
    match rest.first() {
        None | Some(b'\'') => Ok((&[], Record { time, channel, kind, direction: None })),
        Some(_) => stop(rest, "the end of the line"),
    }
}

fn blanks(input: &[u8]) -> &[u8] {
    let skipped: Step<'_, &[u8]> = take_while(|byte| byte == b' ')(input);
    skipped.map_or(input, |(rest, _)| rest)
}

/// Seconds with six digits of fraction, or `2022-03-29 18:15:25.900828`.
fn time(input: &[u8]) -> Step<'_, Timestamp> {
    if input.get(4) == Some(&b'-') { date(input) } else { seconds(blanks(input), 6) }
}

fn date(input: &[u8]) -> Step<'_, Timestamp> {
    let number = |at: usize, digits: usize| -> Option<i64> {
        input.get(at..at + digits)?.iter().try_fold(0, |value, digit| match digit {
            b'0'..=b'9' => Some(value * 10 + i64::from(digit - b'0')),
            _ => None,
        })
    };
    let separators = [(4, b'-'), (7, b'-'), (10, b' '), (13, b':'), (16, b':'), (19, b'.')];
    let framed = separators.iter().all(|(at, byte)| input.get(*at) == Some(byte));
    let fields = [(0, 4), (5, 2), (8, 2), (11, 2), (14, 2), (17, 2), (20, 6)]
        .map(|(at, digits)| number(at, digits));
    let [
        Some(year),
        Some(month @ 1..=12),
        Some(day @ 1..=31),
        Some(hour @ 0..=23),
        Some(minute @ 0..=59),
        Some(second @ 0..=60),
        Some(micro),
    ] = fields
    else {
        return stop(input, "a date and time like 2022-03-29 18:15:25.900828");
    };
    if !framed {
        return stop(input, "a date and time like 2022-03-29 18:15:25.900828");
    }
    let total = ((days_from_epoch(year, month, day) * 24 + hour) * 60 + minute) * 60 + second;
    match total.checked_mul(1_000_000).and_then(|total| (total + micro).checked_mul(1000)) {
        Some(nanoseconds) => Ok((&input[26..], Timestamp::from_nanoseconds(nanoseconds))),
        None => stop(input, "a year before 2262"),
    }
}

/// Days from 1970-01-01 in the Gregorian calendar; the crates for calendars need `std` or far more
/// than this.
fn days_from_epoch(year: i64, month: i64, day: i64) -> i64 {
    let year = if month <= 2 { year - 1 } else { year };
    let month_from_march = (month + 9) % 12;
    let leap_days = year.div_euclid(4) - year.div_euclid(100) + year.div_euclid(400);
    year * 365 + leap_days + (month_from_march * 153 + 2) / 5 + day - 1 - 719_468
}

/// `[8]` or `[08]`: the number of data bytes, and whether the two digits say CAN FD.
fn length(input: &[u8]) -> Step<'_, (usize, bool)> {
    match input {
        [b'[', digit @ b'0'..=b'8', b']', rest @ ..] => {
            Ok((rest, (usize::from(digit - b'0'), false)))
        }
        [b'[', tens @ b'0'..=b'6', ones @ b'0'..=b'9', b']', rest @ ..] => {
            Ok((rest, (usize::from((tens - b'0') * 10 + ones - b'0'), true)))
        }
        _ => stop(input, "a length in brackets: [0] to [8], or [00] to [64] for CAN FD"),
    }
}

/// `length` bytes as pairs of digits with blanks between them.
fn spaced(mut input: &[u8], length: usize) -> Step<'_, ([u8; 64], usize)> {
    let mut data = [0; 64];
    if length > 64 {
        return stop(input, "at most 64 data bytes");
    }
    for slot in data.iter_mut().take(length) {
        input = blanks(input);
        match (input.first().copied().and_then(nibble), input.get(1).copied().and_then(nibble)) {
            (Some(high), Some(low)) => *slot = high << 4 | low,
            _ => return stop(input, "as many data bytes as the length in brackets says"),
        }
        input = &input[2..];
    }
    Ok((input, (data, length)))
}
