//! The one error type of the text formats, and the small lexer pieces they share.

use core::fmt;

use nom::bytes::complete::take_while1;
use nom::{IResult, Parser};

/// Why a line is not a record: where, what was expected, what stood there.
///
/// Columns count bytes from 1, as editors do.
///
/// ```
/// use lostnode_parsers::{console, candump};
/// let error = candump::parse_line(b"(17").unwrap_err();
/// let text = "column 4: expected '.' after the seconds, found the end of the line";
/// assert_eq!(error.to_string(), text);
/// ```
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct ParseError {
    /// Byte position in the line, from 1.
    pub column: usize,
    /// What the format asks for at this place.
    pub expected: &'static str,
    /// The byte that stood there; `None` at the end of the line.
    pub found: Option<u8>,
}

impl fmt::Display for ParseError {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        write!(f, "column {}: expected {}, found ", self.column, self.expected)?;
        match self.found {
            None => f.write_str("the end of the line"),
            Some(byte @ 0x20..=0x7E) => write!(f, "'{}'", byte as char),
            Some(byte) => write!(f, "byte 0x{byte:02X}"),
        }
    }
}

impl core::error::Error for ParseError {}

/// Where a nom parser stopped; turned into a [`ParseError`] once the whole line is at hand.
#[derive(Debug)]
pub(crate) struct Stop<'a> {
    rest: &'a [u8],
    expected: &'static str,
}

impl<'a> nom::error::ParseError<&'a [u8]> for Stop<'a> {
    fn from_error_kind(rest: &'a [u8], _: nom::error::ErrorKind) -> Self {
        Stop { rest, expected: "another character" }
    }

    fn append(_: &'a [u8], _: nom::error::ErrorKind, other: Self) -> Self {
        other
    }
}

pub(crate) type Step<'a, T> = IResult<&'a [u8], T, Stop<'a>>;

/// Fails at `rest`, naming what the format wanted there.
pub(crate) fn stop<'a, T>(rest: &'a [u8], expected: &'static str) -> Step<'a, T> {
    Err(nom::Err::Error(Stop { rest, expected }))
}

/// Runs `parser` and, where it fails, says what was expected at the place where it began.
pub(crate) fn expect<'a, T, P>(
    expected: &'static str,
    mut parser: P,
) -> impl FnMut(&'a [u8]) -> Step<'a, T>
where
    P: Parser<&'a [u8], Output = T, Error = Stop<'a>>,
{
    move |input| parser.parse(input).or_else(|_| stop(input, expected))
}

/// Turns a finished nom step into the crate's error, with the column counted in `line`.
pub(crate) fn locate<'a, T>(line: &'a [u8], step: Step<'a, T>) -> Result<T, ParseError> {
    match step {
        Ok((_, value)) => Ok(value),
        Err(nom::Err::Error(at) | nom::Err::Failure(at)) => Err(ParseError {
            column: line.len() - at.rest.len() + 1,
            expected: at.expected,
            found: at.rest.first().copied(),
        }),
        // The parsers are all `complete`: they never ask for more input.
        Err(nom::Err::Incomplete(_)) => {
            Err(ParseError { column: line.len() + 1, expected: "more of the line", found: None })
        }
    }
}

/// Longest channel name taken; Linux allows 15 bytes (`IFNAMSIZ`), other loggers write somewhat
/// longer ones.
pub const MAX_CHANNEL_NAME: usize = 31;

/// Whether a text is a channel name: 1 to [`MAX_CHANNEL_NAME`] characters of printable ASCII
/// without blanks.
///
/// ```
/// use lostnode_parsers::error::is_channel_name;
/// assert!(is_channel_name(b"can0") && !is_channel_name(b"") && !is_channel_name(b"can 0"));
/// ```
pub fn is_channel_name(name: &[u8]) -> bool {
    (1..=MAX_CHANNEL_NAME).contains(&name.len()) && name.iter().all(u8::is_ascii_graphic)
}

/// A channel name: printable ASCII without blanks, so that it can be shown anywhere as it is.
pub(crate) fn channel(input: &[u8]) -> Step<'_, &[u8]> {
    let (rest, name) = expect(
        "a channel name in printable ASCII",
        take_while1(|byte: u8| byte.is_ascii_graphic()),
    )(input)?;
    if name.len() > MAX_CHANNEL_NAME {
        return stop(&input[MAX_CHANNEL_NAME..], "a channel name of at most 31 characters");
    }
    Ok((rest, name))
}

/// The value of a hexadecimal digit.
pub(crate) const fn nibble(byte: u8) -> Option<u8> {
    match byte {
        b'0'..=b'9' => Some(byte - b'0'),
        b'A'..=b'F' => Some(byte - b'A' + 10),
        b'a'..=b'f' => Some(byte - b'a' + 10),
        _ => None,
    }
}

/// A time stamp as any writer has it: seconds with six or nine digits of fraction, or a date and
/// time of day such as `2022-03-29 18:15:25.900828`, taken as UTC.
pub(crate) fn stamp(input: &[u8]) -> Step<'_, crate::Timestamp> {
    if input.get(4) == Some(&b'-') {
        return crate::date::date(input);
    }
    let point = input.iter().position(|byte| *byte == b'.').unwrap_or(input.len());
    seconds(input, fraction_digits(input.get(point + 1..).unwrap_or_default()))
}

/// Nine where there are so many digits, else six.
pub(crate) fn fraction_digits(fraction: &[u8]) -> usize {
    let nine = fraction.get(..9).is_some_and(|digits| digits.iter().all(u8::is_ascii_digit));
    if nine { 9 } else { 6 }
}

/// As many blanks as there are.
pub(crate) fn blanks(input: &[u8]) -> &[u8] {
    let count = input.iter().take_while(|byte| **byte == b' ').count();
    &input[count..]
}

/// Decimal seconds, `.`, and exactly `digits` digits of fraction, as nanoseconds since the epoch.
pub(crate) fn seconds(input: &[u8], digits: usize) -> Step<'_, crate::Timestamp> {
    let (rest, whole) = decimal(input)?;
    let Some((b'.', rest)) = rest.split_first().map(|(byte, rest)| (*byte, rest)) else {
        return stop(rest, "'.' after the seconds");
    };
    let mut nanoseconds: i64 = 0;
    for index in 0..digits {
        match rest.get(index) {
            Some(digit @ b'0'..=b'9') => nanoseconds = nanoseconds * 10 + i64::from(digit - b'0'),
            _ => {
                return stop(&rest[index.min(rest.len())..], "a digit of the fraction of a second");
            }
        }
    }
    for _ in digits..9 {
        nanoseconds *= 10;
    }
    match whole.checked_mul(1_000_000_000).and_then(|whole| whole.checked_add(nanoseconds)) {
        Some(total) => Ok((&rest[digits..], crate::Timestamp::from_nanoseconds(total))),
        None => stop(input, "seconds before the year 2262"),
    }
}

fn decimal(input: &[u8]) -> Step<'_, i64> {
    let mut value: i64 = 0;
    let mut length = 0;
    while let Some(digit @ b'0'..=b'9') = input.get(length) {
        match value.checked_mul(10).and_then(|value| value.checked_add(i64::from(digit - b'0'))) {
            Some(next) => value = next,
            None => return stop(input, "seconds before the year 2262"),
        }
        length += 1;
    }
    if length == 0 {
        stop(input, "the seconds of a time stamp")
    } else {
        Ok((&input[length..], value))
    }
}
