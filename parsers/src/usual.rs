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

/// Reads one usual line after another, and keeps of the lines before what neighbours have in common: the second and a few channels.
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
        Reader { second: *b"(0000000000.", start: 0, names: [Name::new(u64::from_le_bytes(*b"can0    "), 4); 4] }
    }
}

impl Name {
    /// So many bytes, 1 to 7, of what stands there, and a blank.
    fn new(text: u64, length: usize) -> Self {
        let mask = u64::MAX >> (56 - 8 * length);
        Name { text: text & mask, mask, channel: (text & mask >> 8).to_le_bytes(), length: length as u8 }
    }

    #[inline]
    fn begins(&self, text: u64) -> bool {
        (text ^ self.text) & self.mask == 0
    }

    /// A name of printable characters that a blank ends, 1 to 7 of them.
    fn read(text: u64) -> Option<Self> {
        let bytes = text.to_le_bytes();
        let length = bytes.iter().position(|byte| *byte == b' ')?;
        (length > 0 && bytes[..length].iter().all(u8::is_ascii_graphic)).then(|| Name::new(text, length))
    }
}

impl Reader {
    /// The record at the beginning of a text of many lines, where its line has the usual shape: faster than to look for the line end first. `None` says
    /// nothing of the line, and is all there is to be had of the last [`WINDOW`] bytes: cut the line out and ask [`crate::candump::parse_line`].
    ///
    /// ```
    /// use lostnode_parsers::usual::Reader;
    /// let text = b"(1700000000.123456) can0 123#AABB\n(1700000000.123789) can0 123##1AABB\n(1700000000.124000) can0 456#\n";
    /// let mut reader = Reader::default();
    /// let line = reader.first_line(text).unwrap();
    /// assert_eq!((line.frame.bytes(), line.used), (&[0xAA, 0xBB][..], 34));
    /// assert!(reader.first_line(&text[line.used..]).is_none());
    /// ```
    #[inline(always)]
    pub fn first_line(&mut self, text: &[u8]) -> Option<UsualLine> {
        self.read(text.first_chunk()?, text.len())
    }

    /// The record at the beginning of a window onto a text of `length` bytes.
    #[inline(always)]
    fn read(&mut self, window: &[u8; WINDOW], length: usize) -> Option<UsualLine> {
        if window[..SECOND] != self.second {
            self.new_second(window)?;
        }
        let time = Timestamp::from_nanoseconds(self.start + i64::from(fraction(eight(window, SECOND))?) * 1000);
        let name = eight(window, NAME);
        if !self.names[0].begins(name) {
            self.other_name(name)?;
        }
        let Name { channel, length: channel_length, .. } = self.names[0];
        let at = NAME + usize::from(channel_length) + 1;
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
        Some(UsualLine { time, channel, channel_length, frame, direction, used })
    }

    #[inline(never)]
    fn new_second(&mut self, window: &[u8; WINDOW]) -> Option<()> {
        let second: [u8; SECOND] = *window.first_chunk()?;
        let [b'(', digits @ .., b'.'] = second else { return None };
        let add = |sum: i64, digit: &u8| digit.is_ascii_digit().then(|| sum * 10 + i64::from(digit - b'0'));
        let start = digits.iter().try_fold(0, add)?.checked_mul(1_000_000_000)?;
        // Ten digits of seconds reach the year 2286, nanoseconds 2262; a second must have room to its end.
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
pub(crate) fn only_line(line: &[u8]) -> Option<UsualLine> {
    let mut window = [0; WINDOW];
    window.get_mut(..line.len())?.copy_from_slice(line);
    Reader::default().read(&window, line.len()).filter(|usual| usual.used == line.len() && !line.ends_with(b"\n"))
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

/// Microseconds from `uuuuuu) `: neighbours are joined to numbers of two, four and eight digits, as in D. Lemire's and others' published method.
#[inline]
fn fraction(text: u64) -> Option<u32> {
    let digits = text ^ u64::from_le_bytes(*b"000000) ");
    // A byte above 9 reaches its highest bit when 0x76 is added; the bracket and the blank leave nothing.
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
    let text = eight(window, at);
    let [a, b, c, b'#', ..] = text.to_le_bytes() else {
        if window.get(at + 8) != Some(&b'#') {
            return None;
        }
        let (value, wrong) = hexadecimal(text);
        return if wrong == 0 { Some((make_id(value.swap_bytes(), true)?, at + 9)) } else { None };
    };
    let digit = |character: u8| u32::from(DIGITS[usize::from(character)]);
    Some((make_id(digit(a) << 8 | digit(b) << 4 | digit(c), false)?, at + 4))
}

/// Hexadecimal digits; what is none is more than 11 bits can hold, wherever in an identifier it stands.
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
