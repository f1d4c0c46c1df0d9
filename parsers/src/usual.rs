//! The log line that nearly all lines are, read in wide steps straight from the text: ten digits of seconds, a channel name of at most seven bytes, a
//! classical data frame with whole bytes. Whatever differs, faulty lines among them, is left to the grammar in [`crate::candump`]; `tests/candump.rs`
//! holds the two against each other.

use crate::candump::Direction;
use crate::frame::make_id;
use crate::{ClassicFrame, Timestamp};

/// A line of the usual shape.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct UsualLine {
    /// Time stamp.
    pub time: Timestamp,
    /// Channel name, printable ASCII, filled up with zeros.
    pub channel: [u8; 8],
    /// How long the name is, 1 to 7.
    pub channel_length: u8,
    /// The frame, a data frame.
    pub frame: ClassicFrame,
    /// Direction, where written.
    pub direction: Option<Direction>,
    /// Bytes that the line takes with its line end.
    pub used: usize,
}

/// Bytes looked at: more than the longest usual line, so that every read below lies within them.
pub const WINDOW: usize = 80;
/// Where the channel name begins: after `(ssssssssss.uuuuuu) `.
pub(crate) const NAME: usize = 20;

/// Eight bytes that are all the same.
const fn all(byte: u8) -> u64 {
    u64::from_le_bytes([byte; 8])
}

/// The highest bit of each of eight bytes.
const HIGHEST: u64 = all(0x80);

/// The record at the beginning of a text of many lines, where its line has the usual shape: faster than to look for the line end first. `None` says
/// nothing of the line, and is all there is to be had of the last [`WINDOW`] bytes: cut the line out and ask [`crate::candump::parse_line`].
///
/// ```
/// use lostnode_parsers::usual;
/// let text = b"(1700000000.123456) can0 123#AABB\n(1700000000.123789) can0 123##1AABB\n(1700000000.124000) can0 456#\n";
/// let line = usual::first_line(text).unwrap();
/// assert_eq!((line.frame.bytes(), line.used), (&[0xAA, 0xBB][..], 34));
/// assert!(usual::first_line(&text[line.used..]).is_none());
/// ```
#[inline(always)]
pub fn first_line(text: &[u8]) -> Option<UsualLine> {
    read(text.first_chunk()?, text.len())
}

/// A line by itself.
pub(crate) fn only_line(line: &[u8]) -> Option<UsualLine> {
    let mut window = [0; WINDOW];
    window.get_mut(..line.len())?.copy_from_slice(line);
    read(&window, line.len()).filter(|usual| usual.used == line.len() && !line.ends_with(b"\n"))
}

/// The record at the beginning of a window onto a text of `length` bytes.
#[inline(always)]
fn read(window: &[u8; WINDOW], length: usize) -> Option<UsualLine> {
    let time = time(window.first_chunk()?)?;
    let (channel, channel_length) = name(eight(window, NAME))?;
    let at = NAME + channel_length + 1;
    let (id, at) = id(window, at)?;
    let (data, digits) = pairs(eight(window, at), eight(window, at + 8));
    let end = at + digits;
    let (used, direction) = match *window.get(end..)?.first_chunk::<3>()? {
        [b'\n', ..] => (end + 1, None),
        [b'\r', b'\n', _] => (end + 2, None),
        [b' ', b'R', b'\n'] => (end + 3, Some(Direction::Received)),
        [b' ', b'T', b'\n'] => (end + 3, Some(Direction::Sent)),
        [b' ', b'R', _] if end + 2 == length => (end + 2, Some(Direction::Received)),
        [b' ', b'T', _] if end + 2 == length => (end + 2, Some(Direction::Sent)),
        _ if end == length => (end, None),
        _ => return None,
    };
    if digits % 2 != 0 {
        return None;
    }
    let frame = ClassicFrame::of_bytes(id, data, digits as u8 / 2);
    Some(UsualLine { time, channel, channel_length: channel_length as u8, frame, direction, used })
}

/// Eight bytes of the window, the first one lowest. The mask changes nothing, no usual line being so long; it shows the compiler that there are eight.
#[inline]
fn eight(window: &[u8; WINDOW], at: usize) -> u64 {
    let at = at & 63;
    u64::from_le_bytes([
        window[at],
        window[at + 1],
        window[at + 2],
        window[at + 3],
        window[at + 4],
        window[at + 5],
        window[at + 6],
        window[at + 7],
    ])
}

/// `(ssssssssss.uuuuuu) `: the first eight digits, and the last two with the six of the fraction.
#[inline]
fn time(head: &[u8; NAME]) -> Option<Timestamp> {
    let [b'(', a, b, c, d, e, f, g, h, i, j, b'.', k, l, m, n, o, p, b')', b' '] = *head else { return None };
    let high = eight_digits([a, b, c, d, e, f, g, h])?;
    let low = eight_digits([i, j, k, l, m, n, o, p])?;
    // Ten digits of seconds reach the year 2286, nanoseconds 2262.
    let microseconds = i64::from(high) * 100_000_000 + i64::from(low);
    Some(Timestamp::from_nanoseconds(microseconds.checked_mul(1000)?))
}

/// Eight decimal digits at once, as in D. Lemire's and others' published method: neighbours are joined to numbers of two, four and eight digits.
#[inline]
fn eight_digits(text: [u8; 8]) -> Option<u32> {
    let digits = u64::from_le_bytes(text) ^ all(b'0');
    // A byte above 9 reaches its highest bit when 0x76 is added.
    if (digits.wrapping_add(all(0x76)) | digits) & HIGHEST != 0 {
        return None;
    }
    let pairs = (digits * 10 + (digits >> 8)) & 0x00FF_00FF_00FF_00FF;
    let fours = (pairs * 100 + (pairs >> 16)) & 0x0000_FFFF_0000_FFFF;
    Some((fours * 10_000 + (fours >> 32)) as u32)
}

/// A name of printable characters that a blank ends, 1 to 7 of them, filled up with zeros.
#[inline]
fn name(text: u64) -> Option<([u8; 8], usize)> {
    let blanks = text ^ all(b' ');
    // The lowest mark is the first zero byte; marks above it may be wrong, from borrowing.
    let marks = blanks.wrapping_sub(all(1)) & !blanks & HIGHEST;
    let bits = marks.trailing_zeros() & !7;
    if marks == 0 || bits == 0 {
        return None;
    }
    let name = text & ((1 << bits) - 1);
    let padded = name | all(b'a') << bits;
    // From 0x21 on a byte reaches its highest bit when 0x5F is added, and from 0x7F on when 1 is.
    let printable = padded.wrapping_add(all(0x5F)) & !(padded.wrapping_add(all(1)) | padded) & HIGHEST == HIGHEST;
    printable.then_some((name.to_le_bytes(), bits as usize / 8))
}

/// The identifier at a place, and where the data after its `#` begins.
#[inline]
fn id(window: &[u8; WINDOW], at: usize) -> Option<(crate::Id, usize)> {
    let text = eight(window, at);
    let (digits, length) = match (text >> 24) as u8 {
        b'#' => (text << 40 | all(b'0') >> 24, 3),
        _ if window.get(at + 8) == Some(&b'#') => (text, 8),
        _ => return None,
    };
    let (value, wrong) = hexadecimal(digits);
    if wrong != 0 {
        return None;
    }
    Some((make_id(value.swap_bytes(), length == 8)?, at + length + 1))
}

/// The pairs of hexadecimal digits at the beginning of sixteen characters, filled up with zeros, and how many digits there are.
#[inline]
fn pairs(first: u64, second: u64) -> ([u8; 8], usize) {
    let ((low, wrong_low), (high, wrong_high)) = (hexadecimal(first), hexadecimal(second));
    let digits = (places(wrong_low) | places(wrong_high) << 8 | 1 << 16).trailing_zeros();
    let data = u64::from(low) | u64::from(high) << 32;
    let kept = u64::MAX.checked_shr(64 - 4 * digits).unwrap_or(0);
    ((data & kept).to_le_bytes(), digits as usize)
}

/// Which of eight bytes have their highest bit set, as one bit each.
#[inline]
fn places(marks: u64) -> u32 {
    ((marks >> 7).wrapping_mul(0x0102_0408_1020_4080) >> 56) as u32
}

/// Four bytes from eight hexadecimal digits, the first pair lowest, and the highest bit of each character that is no digit.
#[inline]
fn hexadecimal(text: u64) -> (u32, u64) {
    let low = text & !HIGHEST;
    // A sum reaches the highest bit of its byte from the named character on.
    let from = |text: u64, character: u8| text.wrapping_add(all(0x80 - character));
    let letter = low | all(0x20);
    let digits = from(low, b'0') & !from(low, b'9' + 1);
    let letters = from(letter, b'a') & !from(letter, b'f' + 1);
    let wrong = (!(digits | letters) | text) & HIGHEST;
    // A letter's low half counts from 1 for the digit ten.
    let values = (text & all(0x0F)) + (text >> 6 & all(1)) * 9;
    let bytes = (values << 4 | values >> 8) & 0x00FF_00FF_00FF_00FF;
    let fours = (bytes | bytes >> 8) & 0x0000_FFFF_0000_FFFF;
    ((fours | fours >> 16) as u32, wrong)
}
