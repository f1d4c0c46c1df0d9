//! The log line that nearly all lines are, read in wide steps: ten digits of seconds, a classical data frame with whole bytes. Whatever differs, faulty
//! lines among them, is left to the grammar in [`crate::candump`]; `tests/candump.rs` holds the two against each other.

use crate::candump::{Direction, Record};
use crate::error::{MAX_CHANNEL_NAME, nibble};
use crate::frame::make_id;
use crate::{ClassicFrame, FrameKind, Timestamp};

/// Value of a hexadecimal digit; [`NONE`] for any other byte.
static NIBBLE: [u8; 256] = {
    let mut table = [NONE; 256];
    let mut byte = 0;
    while byte < table.len() {
        if let Some(value) = nibble(byte as u8) {
            table[byte] = value;
        }
        byte += 1;
    }
    table
};
const NONE: u8 = 0xF0;

/// The record, where the line has the usual shape.
#[inline]
pub(crate) fn line(line: &[u8]) -> Option<Record<'_>> {
    let (line, direction) = match line {
        [line @ .., b' ', b'R'] => (line, Some(Direction::Received)),
        [line @ .., b' ', b'T'] => (line, Some(Direction::Sent)),
        _ => (line, None),
    };
    let (head, rest) = line.split_first_chunk::<20>()?;
    // `(ssssssssss.uuuuuu) `: the first eight digits, and the last two with the six of the fraction.
    let [b'(', a, b, c, d, e, f, g, h, i, j, b'.', k, l, m, n, o, p, b')', b' '] = *head else { return None };
    let high = eight_digits([a, b, c, d, e, f, g, h])?;
    let low = eight_digits([i, j, k, l, m, n, o, p])?;
    let microseconds = i64::from(high) * 100_000_000 + i64::from(low);
    let time = Timestamp::from_nanoseconds(microseconds.checked_mul(1000)?);
    let mut length = 0;
    while rest.get(length)?.is_ascii_graphic() {
        length += 1;
    }
    let (channel, rest) = rest.split_at_checked(length)?;
    if channel.is_empty() || channel.len() > MAX_CHANNEL_NAME {
        return None;
    }
    let (id, rest) = match rest {
        [b' ', a, b, c, b'#', rest @ ..] => (make_id(digits(&[*a, *b, *c])?, false)?, rest),
        [b' ', a, b, c, d, e, f, g, h, b'#', rest @ ..] => (make_id(digits(&[*a, *b, *c, *d, *e, *f, *g, *h])?, true)?, rest),
        _ => return None,
    };
    let (data, length) = bytes(rest)?;
    let frame = ClassicFrame::with_raw_dlc(id, data.get(..length)?, length as u8)?;
    Some(Record { time: Some(time), channel, kind: FrameKind::Classic(frame), direction })
}

/// Eight decimal digits at once, as in D. Lemire's and others' published method: neighbours are joined to numbers of two, four and eight digits.
#[inline]
fn eight_digits(text: [u8; 8]) -> Option<u32> {
    let digits = u64::from_le_bytes(text) ^ 0x3030_3030_3030_3030;
    // A byte above 9 reaches its highest bit when 0x76 is added.
    if (digits.wrapping_add(0x7676_7676_7676_7676) | digits) & 0x8080_8080_8080_8080 != 0 {
        return None;
    }
    let pairs = (digits * 10 + (digits >> 8)) & 0x00FF_00FF_00FF_00FF;
    let fours = (pairs * 100 + (pairs >> 16)) & 0x0000_FFFF_0000_FFFF;
    Some((fours * 10_000 + (fours >> 32)) as u32)
}

/// Hexadecimal digits, at most eight.
#[inline]
fn digits<const N: usize>(text: &[u8; N]) -> Option<u32> {
    let (mut value, mut seen) = (0, 0);
    for byte in text {
        let nibble = NIBBLE[usize::from(*byte)];
        seen |= nibble;
        value = value << 4 | u32::from(nibble);
    }
    (seen < 16).then_some(value)
}

/// At most eight pairs of hexadecimal digits, and nothing else.
#[inline]
fn bytes(text: &[u8]) -> Option<([u8; 8], usize)> {
    let mut data = [0; 8];
    let mut seen = 0;
    if text.len() > 16 || !text.len().is_multiple_of(2) {
        return None;
    }
    let pair = |pair: &[u8; 2], seen: &mut u8| {
        let (high, low) = (NIBBLE[usize::from(pair[0])], NIBBLE[usize::from(pair[1])]);
        *seen |= high | low;
        high << 4 | low
    };
    if let Ok(whole) = <&[u8; 16]>::try_from(text) {
        let (pairs, _) = whole.as_chunks::<2>();
        for (byte, text) in data.iter_mut().zip(pairs) {
            *byte = pair(text, &mut seen);
        }
    } else {
        let (pairs, _) = text.as_chunks::<2>();
        for (byte, text) in data.iter_mut().zip(pairs) {
            *byte = pair(text, &mut seen);
        }
    }
    (seen < 16).then_some((data, text.len() / 2))
}
