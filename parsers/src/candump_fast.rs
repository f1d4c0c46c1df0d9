//! The fast path of [`crate::candump`]: the log line that nearly all lines are, read in wide steps
//! straight from the text.
//!
//! It takes ten digits of seconds, a channel name of at most seven bytes, a classical data frame
//! with whole bytes. Whatever differs, faulty lines among them, is left to the grammar;
//! `tests/candump.rs` holds the two against each other. What it gains: docs/performance.md.

use wide::bytemuck::cast;
use wide::{i16x8, u8x16, u16x8};

use crate::frame::{Direction, make_id};
use crate::{ClassicFrame, Timestamp};

/// A line of the shape that the fast path takes.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct FastLine {
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

/// Bytes looked at: more than the longest line of this shape, so that every read below lies within
/// them.
pub const WINDOW: usize = 80;
/// How long the beginning `(ssssssssss.` is.
const SECOND: usize = 12;
/// Where the channel name begins: after `(ssssssssss.uuuuuu) `.
pub(crate) const NAME: usize = 20;

/// Eight bytes that are all the same.
const fn all(byte: u8) -> u64 {
    u64::from_le_bytes([byte; 8])
}

/// The highest bit of each of eight bytes.
const HIGHEST: u64 = all(0x80);

/// Reads one line of this shape after another, and keeps what neighbours have in common: the second
/// and a few channels.
#[derive(Clone, Debug)]
pub struct Reader {
    /// `(ssssssssss.`
    second: [u8; SECOND],
    /// The same in nanoseconds.
    start: i64,
    /// That of the line before comes first.
    names: [Name; 4],
}

/// A channel name.
#[derive(Clone, Copy, Debug)]
struct Name {
    /// With the blank after it, and which bits of eight bytes these are.
    text: u64,
    mask: u64,
    /// Without it, filled up with zeros.
    channel: [u8; 8],
    length: u8,
}

impl Default for Reader {
    /// As after a line of second 0 on `can0`.
    fn default() -> Self {
        Reader {
            second: *b"(0000000000.",
            start: 0,
            names: [Name::new(u64::from_le_bytes(*b"can0    "), 4); 4],
        }
    }
}

impl Name {
    /// So many bytes, 1 to 7, of what stands there, and a blank.
    fn new(text: u64, length: usize) -> Self {
        let mask = u64::MAX >> (56 - 8 * length);
        Name {
            text: text & mask,
            mask,
            channel: (text & mask >> 8).to_le_bytes(),
            length: length as u8,
        }
    }

    #[inline]
    fn begins(&self, text: u64) -> bool {
        (text ^ self.text) & self.mask == 0
    }

    /// A name of printable characters that a blank ends, 1 to 7 of them.
    fn read(text: u64) -> Option<Self> {
        let bytes = text.to_le_bytes();
        let length = bytes.iter().position(|byte| *byte == b' ')?;
        (length > 0 && bytes[..length].iter().all(u8::is_ascii_graphic))
            .then(|| Name::new(text, length))
    }
}

impl Reader {
    /// The record at the beginning of a text of many lines, where its line has this shape: faster
    /// than to look for the line end first. `None` says nothing of the line, and is all
    /// there is to be had of the last [`WINDOW`] bytes: cut the line out and ask
    /// [`crate::candump::parse_line`].
    ///
    /// ```
    /// use lostnode_parsers::candump_fast::Reader;
    /// let text = b"(1700000000.123456) can0 123#AABB\n\
    ///     (1700000000.123789) can0 123##1AABB\n\
    ///     (1700000000.124000) can0 456#\n";
    /// let mut reader = Reader::default();
    /// let line = reader.first_line(text).unwrap();
    /// assert_eq!((line.frame.bytes(), line.used), (&[0xAA, 0xBB][..], 34));
    /// assert!(reader.first_line(&text[line.used..]).is_none());
    /// ```
    #[inline(always)]
    pub fn first_line(&mut self, text: &[u8]) -> Option<FastLine> {
        self.read(text.first_chunk()?, text.len())
    }

    /// The record at the beginning of a window onto a text of `length` bytes.
    #[inline(always)]
    fn read(&mut self, window: &[u8; WINDOW], length: usize) -> Option<FastLine> {
        if window[..SECOND] != self.second {
            self.new_second(window)?;
        }
        let time = Timestamp::from_nanoseconds(
            self.start + i64::from(fraction(eight(window, SECOND))?) * 1000,
        );
        let name = eight(window, NAME);
        if !self.names[0].begins(name) {
            self.other_name(name)?;
        }
        let Name { channel, length: channel_length, .. } = self.names[0];
        let at = NAME + usize::from(channel_length) + 1;
        let (id, at) = id(window, at)?;
        let (data, digits) = pairs(sixteen(window, at));
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
        Some(FastLine { time, channel, channel_length, frame, direction, used })
    }

    #[inline(never)]
    fn new_second(&mut self, window: &[u8; WINDOW]) -> Option<()> {
        let second: [u8; SECOND] = *window.first_chunk()?;
        let [b'(', digits @ .., b'.'] = second else { return None };
        let add = |sum: i64, digit: &u8| {
            digit.is_ascii_digit().then(|| sum * 10 + i64::from(digit - b'0'))
        };
        let start = digits.iter().try_fold(0, add)?.checked_mul(1_000_000_000)?;
        // Ten digits of seconds reach the year 2286, nanoseconds 2262; a second must have room to
        // its end.
        start.checked_add(999_999_999)?;
        (self.second, self.start) = (second, start);
        Some(())
    }

    #[inline(never)]
    fn other_name(&mut self, text: u64) -> Option<()> {
        match self.names.iter().position(|name| name.begins(text)) {
            Some(at) => self.names.swap(0, at),
            None => {
                let new = Name::read(text)?;
                self.names.rotate_right(1);
                self.names[0] = new;
            }
        }
        Some(())
    }
}

/// A line by itself.
pub(crate) fn only_line(line: &[u8]) -> Option<FastLine> {
    let mut window = [0; WINDOW];
    window.get_mut(..line.len())?.copy_from_slice(line);
    Reader::default()
        .read(&window, line.len())
        .filter(|fast| fast.used == line.len() && !line.ends_with(b"\n"))
}

/// Sixteen bytes of the window. No line of this shape is so long that the mask changes anything; it
/// shows the compiler that the bytes are there, which saves a check of the bounds.
#[inline]
fn sixteen(window: &[u8; WINDOW], at: usize) -> [u8; 16] {
    let at = at & 63;
    let mut bytes = [0; 16];
    bytes.copy_from_slice(&window[at..at + 16]);
    bytes
}

/// Eight bytes of the window, the first one lowest.
#[inline]
fn eight(window: &[u8; WINDOW], at: usize) -> u64 {
    let at = at & 63;
    let mut bytes = [0; 8];
    bytes.copy_from_slice(&window[at..at + 8]);
    u64::from_le_bytes(bytes)
}

/// Microseconds from `uuuuuu) `: neighbours are joined to numbers of two, four and eight digits, as
/// in D. Lemire's and others' published method.
#[inline]
fn fraction(text: u64) -> Option<u32> {
    let digits = text ^ u64::from_le_bytes(*b"000000) ");
    // A byte above 9 reaches its highest bit when 0x76 is added; the bracket and the blank leave
    // nothing.
    if (digits.wrapping_add(all(0x76)) | digits) & HIGHEST | digits >> 48 != 0 {
        return None;
    }
    let digits = digits << 16;
    let pairs = (digits * 10 + (digits >> 8)) & 0x00FF_00FF_00FF_00FF;
    let fours = (pairs * 100 + (pairs >> 16)) & 0x0000_FFFF_0000_FFFF;
    Some((fours * 10_000 + (fours >> 32)) as u32)
}

/// The identifier at a place, and where the data after its `#` begins.
#[inline]
fn id(window: &[u8; WINDOW], at: usize) -> Option<(crate::Id, usize)> {
    let [a, b, c, b'#', ..] = eight(window, at).to_le_bytes() else {
        let ([a, b, c, d, ..], 8) = pairs(sixteen(window, at)) else { return None };
        let end = window.get(at + 8) == Some(&b'#');
        return if end {
            Some((make_id(u32::from_be_bytes([a, b, c, d]), true)?, at + 9))
        } else {
            None
        };
    };
    let digit = |character: u8| u32::from(DIGITS[usize::from(character)]);
    Some((make_id(digit(a) << 8 | digit(b) << 4 | digit(c), false)?, at + 4))
}

/// Hexadecimal digits; what is none is more than 11 bits can hold, wherever in an identifier it
/// stands.
static DIGITS: [u16; 256] = {
    let mut table = [0x1000; 256];
    let mut digit = 0;
    while digit < 16 {
        table[b"0123456789ABCDEF"[digit] as usize] = digit as u16;
        table[b"0123456789abcdef"[digit] as usize] = digit as u16;
        digit += 1;
    }
    table
};

/// The pairs of hexadecimal digits at the beginning of sixteen characters, filled up with zeros,
/// and how many digits there are.
#[inline]
fn pairs(characters: [u8; 16]) -> ([u8; 8], usize) {
    let all = u8x16::splat;
    let text = u8x16::new(characters);
    // What is below its range wraps round to far above it.
    let (digit, letter) = (text - all(b'0'), (text | all(0x20)) - all(b'a'));
    let (is_digit, is_letter) =
        (digit.simd_eq(digit.min(all(9))), letter.simd_eq(letter.min(all(5))));
    let values = digit & is_digit | (letter + all(10)) & is_letter;
    let digits = (!(is_digit | is_letter).to_bitmask()).trailing_zeros();
    let pairs: u16x8 = cast(values);
    let bytes = if cfg!(target_endian = "little") {
        pairs << 4_u32 | pairs >> 8_u32
    } else {
        pairs >> 4_u32 | pairs
    };
    let bytes: i16x8 = cast(bytes & u16x8::splat(0xFF));
    let [data, _]: [u64; 2] = cast(u8x16::narrow_i16x8(bytes, bytes));
    let kept = u64::MAX.checked_shr(64 - 4 * digits).unwrap_or(0);
    ((u64::from_le(data) & kept).to_le_bytes(), digits as usize)
}
