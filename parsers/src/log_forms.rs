//! The log line as options of its writers change it: `(2023-11-14 22:13:20.030900)   can0 123#11`.
//!
//! | part | beside what [`crate::candump`] reads |
//! |---|---|
//! | time | nine digits of fraction; a date and time of day |
//! | channel, identifier | any number of blanks before them: names of unequal length are aligned |
//! | end | any number of blanks before `R` or `T` |
//!
//! Beside frames there are lines that tell of some: CAN XL, which has an encoding of its own
//! (ISO 11898-1:2024), and what the writer says that it lost.

use crate::ParseError;
use crate::candump::{Record, direction, frame};
use crate::error::{Step, blanks, channel, is_channel_name, locate, stamp, stop};

/// Reads one log line, without its line end.
///
/// # Errors
/// The first place where the line leaves the format.
///
/// ```
/// use lostnode_parsers::log_forms;
/// let record = log_forms::parse_line(b"(1700000000.000000123)   can0 123#11").unwrap();
/// assert_eq!(record.time.unwrap().nanoseconds(), 1_700_000_000_000_000_123);
/// assert_eq!(record.channel, b"can0");
/// ```
pub fn parse_line(line: &[u8]) -> Result<Record<'_>, ParseError> {
    locate(line, record(line))
}

fn record(input: &[u8]) -> Step<'_, Record<'_>> {
    let [b'(', rest @ ..] = input else { return stop(input, "'(' before the time stamp") };
    let (rest, time) = stamp(rest)?;
    let [b')', b' ', rest @ ..] = rest else {
        return stop(rest, "') ' after six or nine digits of fraction");
    };
    let (rest, channel) = channel(blanks(rest))?;
    if rest.first() != Some(&b' ') {
        return stop(rest, "a blank after the channel");
    }
    let (rest, kind) = frame(blanks(rest))?;
    // One blank is left before the letter.
    let blank = rest.len() - blanks(rest).len();
    let (rest, direction) = direction(&rest[blank.saturating_sub(1)..])?;
    Ok((rest, Record { time: Some(time), channel, kind, direction }))
}

/// Whether a line of log or console text holds a frame of CAN XL: its flags, service data unit
/// type and acceptance field stand before the data, `#81:00:12345678#` or `(00|81:00:12345678)`.
///
/// ```
/// use lostnode_parsers::log_forms::is_xl;
/// assert!(is_xl(b"(1700000000.000000) can0 00123#81:00:12345678#112233"));
/// assert!(is_xl(b"  can0  123 [0003] (00|81:00:12345678) 11 22 33"));
/// assert!(!is_xl(b"(1700000000.000000) can0 123#112233"));
/// ```
pub fn is_xl(line: &[u8]) -> bool {
    let hex = |bytes: &[u8]| bytes.iter().all(u8::is_ascii_hexdigit);
    let field = |at: &[u8]| match at {
        [a, b, b':', c, d, b':', rest @ ..] => {
            hex(&[*a, *b, *c, *d]) && rest.get(..8).is_some_and(hex)
        }
        _ => false,
    };
    let starts = line.windows(4).enumerate().filter_map(|(at, four)| match four {
        [b'#', ..] => Some((at + 1, b'#')),
        [b'(', a, b, b'|'] if hex(&[*a, *b]) => Some((at + 4, b')')),
        _ => None,
    });
    let mut fields = starts.filter_map(|(at, end)| Some((line.get(at..)?, end)));
    // The field has fourteen characters.
    fields.any(|(rest, end)| field(rest) && rest.get(14) == Some(&end))
}

/// What a writer says that it lost: frames that its socket had no room for.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Dropped<'a> {
    /// The channel.
    pub channel: &'a [u8],
    /// Frames lost since the last such line.
    pub frames: u32,
}

/// Reads a line such as `DROPCOUNT: dropped 5 CAN frames on 'can0' socket (total drops 5)`; `None`
/// of any other.
///
/// ```
/// use lostnode_parsers::log_forms::dropped;
/// let line = b"DROPCOUNT: dropped 5 CAN frames on 'can0' socket (total drops 5)";
/// assert_eq!((dropped(line).unwrap().frames, dropped(line).unwrap().channel), (5, &b"can0"[..]));
/// ```
pub fn dropped(line: &[u8]) -> Option<Dropped<'_>> {
    let rest = line.strip_prefix(b"DROPCOUNT: dropped ")?;
    let digits = rest.iter().take_while(|byte| byte.is_ascii_digit()).count();
    let add = |sum: u32, digit: &u8| sum.saturating_mul(10).saturating_add(u32::from(digit - b'0'));
    let frames = rest.get(..digits).filter(|digits| !digits.is_empty())?.iter().fold(0, add);
    let rest = rest[digits..].strip_prefix(b" CAN frame")?;
    let rest = rest.strip_prefix(b"s").unwrap_or(rest).strip_prefix(b" on '")?;
    let end = rest.iter().position(|byte| *byte == b'\'')?;
    is_channel_name(&rest[..end]).then_some(Dropped { channel: &rest[..end], frames })
}
