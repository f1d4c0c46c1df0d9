//! CSV whose columns the user has named, or that this tool wrote itself.

use std::str::FromStr;

use csv_core::ReadRecordResult;
use lostnode_parsers::error::is_channel_name;
use lostnode_parsers::{FrameKind, Timestamp};

use super::frame_table::{self, Parts};
use crate::table::without_apostrophe;

/// Which column holds what, as the user writes it: `time=Timestamp:ms,id=ID,data=D0..D7`.
///
/// ```
/// use lostnode::capture::Columns;
/// assert!("time=1:us,id=2,data=3".parse::<Columns>().is_ok());
/// assert!("time=1,data=3".parse::<Columns>().unwrap_err().contains("id="));
/// ```
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Columns(Vec<(Role, Named)>);

/// What a column holds.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
enum Role {
    /// Time stamps, and nanoseconds in their unit.
    Time(i64),
    Channel,
    Kind,
    /// Identifiers, and the base they are written in.
    Id(u32),
    Extended,
    /// Whether it is a remote frame, and an error report whose identifier holds its class bits.
    Remote,
    Error,
    Dlc,
    /// Data bytes, and how they are written.
    Data(Written),
    Brs,
    Esi,
    ErrorBits,
}

/// How data bytes are written.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
enum Written {
    Hexadecimal,
    /// Numbers of the base ten with something between them.
    Decimal,
    /// RFC 4648, 4.
    Base64,
}

/// A column by its name, by its position from 1, or a run of columns with one byte each.
#[derive(Clone, Debug, PartialEq, Eq)]
enum Named {
    One(String),
    Run(String, String),
}

/// Head of the tables that the library python-can writes.
const PYTHON_CAN: &[u8] = b"timestamp,arbitration_id,extended,remote,error,dlc,data";

const FORM: &str = "write ROLE=COLUMN,… with the roles time, channel, kind, id, extended, remote, \
                    error, dlc, data, brs, esi, error_bits, such as \
                    time=Timestamp:ms,id=ID,data=D0..D7";

impl FromStr for Columns {
    type Err = String;

    fn from_str(text: &str) -> Result<Self, String> {
        let mut columns = Vec::new();
        for part in text.split(',') {
            let (role, column) =
                part.split_once('=').ok_or_else(|| format!("`{part}` has no `=`: {FORM}"))?;
            let (column, unit) = match column.rsplit_once(':') {
                Some((column, unit))
                    if matches!(unit, "s" | "ms" | "us" | "ns" | "hex" | "dec" | "base64") =>
                {
                    (column, unit)
                }
                _ => (column, ""),
            };
            let role = Role::named(role.trim(), unit).ok_or_else(|| {
                format!("`{}` with the unit `{unit}` is not known: {FORM}", role.trim())
            })?;
            let named = match column.split_once("..") {
                Some((first, last)) if matches!(role, Role::Data(_)) => {
                    Named::Run(first.trim().to_owned(), last.trim().to_owned())
                }
                _ => Named::One(column.trim().to_owned()),
            };
            columns.push((role, named));
        }
        let has = |role: fn(&Role) -> bool| columns.iter().any(|(own, _)| role(own));
        if !has(|role| matches!(role, Role::Id(_))) || !has(|role| matches!(role, Role::Data(_))) {
            return Err("both id= and data= are needed".to_owned());
        }
        Ok(Columns(columns))
    }
}

impl Role {
    /// The role of a name and a unit; none where either is not known.
    fn named(role: &str, unit: &str) -> Option<Self> {
        Some(match (role, unit) {
            ("time", "" | "s") => Role::Time(1_000_000_000),
            ("time", "ms") => Role::Time(1_000_000),
            ("time", "us") => Role::Time(1_000),
            ("time", "ns") => Role::Time(1),
            ("id", "" | "hex") => Role::Id(16),
            ("id", "dec") => Role::Id(10),
            ("channel", "") => Role::Channel,
            ("kind", "") => Role::Kind,
            ("extended", "") => Role::Extended,
            ("dlc", "") => Role::Dlc,
            ("remote", "") => Role::Remote,
            ("error", "") => Role::Error,
            ("data", "" | "hex") => Role::Data(Written::Hexadecimal),
            ("data", "dec") => Role::Data(Written::Decimal),
            ("data", "base64") => Role::Data(Written::Base64),
            ("brs", "") => Role::Brs,
            ("esi", "") => Role::Esi,
            ("error_bits", "") => Role::ErrorBits,
            _ => return None,
        })
    }
}

impl Columns {
    /// The columns that this tool writes: they are called like their roles, and those without one
    /// can be worked out.
    fn own() -> Self {
        let names = frame_table::COLUMNS.iter().map(|column| column.name);
        Columns(
            names
                .filter_map(|name| Some((Role::named(name, "")?, Named::One(name.to_owned()))))
                .collect(),
        )
    }

    /// Those of the tables that the library python-can writes.
    fn of_python_can() -> Self {
        let columns = "time=timestamp,id=arbitration_id,extended=extended,remote=remote,\
                       error=error,dlc=dlc,data=data:base64";
        columns.parse().unwrap_or_else(|_| Columns::own())
    }

    /// Whether all columns are named by their position, so that the first line is no head.
    fn by_position(&self) -> bool {
        let number = |name: &str| name.parse::<usize>().is_ok();
        self.0.iter().all(|(_, named)| match named {
            Named::One(name) => number(name),
            Named::Run(first, last) => number(first) && number(last),
        })
    }
}

/// A CSV capture whose columns have been found.
#[derive(Debug)]
pub(super) struct CsvTable {
    /// The columns of each role, the data perhaps in several.
    roles: Vec<(Role, Vec<usize>)>,
    separator: u8,
    /// Whether the first line is a head.
    pub head: bool,
}

impl CsvTable {
    /// From the first line of a file: with the columns the user named, or where the head is our
    /// own. `None` where it is no CSV.
    pub fn find(first: &[u8], columns: Option<&Columns>) -> Result<Option<Self>, String> {
        let first = first.split(|byte| *byte == b'\n').next().unwrap_or_default();
        let first = first.strip_prefix(b"\xEF\xBB\xBF").unwrap_or(first).trim_ascii_end();
        let own_head = frame_table::COLUMNS.map(|column| column.name).join(",");
        let columns = match columns {
            Some(columns) => columns.clone(),
            None if first == own_head.as_bytes() => Columns::own(),
            None if first == PYTHON_CAN => Columns::of_python_can(),
            None => return Ok(None),
        };
        let count = |separator: &u8| first.iter().filter(|byte| *byte == separator).count();
        let separator = [b',', b';', b'\t'].into_iter().max_by_key(count).unwrap_or(b',');
        let head = !columns.by_position();
        let names: Vec<String> =
            fields(first, separator).iter().map(|field| field.trim().to_owned()).collect();
        let place = |name: &str| match (head, name.parse::<usize>()) {
            (false, Ok(number)) if number > 0 => Ok(number - 1),
            (false, _) => Err("positions count from 1".to_owned()),
            (true, _) => names.iter().position(|known| known == name).ok_or_else(|| {
                format!(
                    "no column is called `{name}`; the first line has: {}",
                    names.join(", ").chars().take(300).collect::<String>()
                )
            }),
        };
        let mut roles = Vec::new();
        for (role, named) in &columns.0 {
            let places = match named {
                Named::One(name) => vec![place(name)?],
                Named::Run(first, last) => run(place(first)?, place(last)?)?,
            };
            roles.push((*role, places));
        }
        Ok(Some(CsvTable { roles, separator, head }))
    }

    /// The frame of a line, with its time and channel; or what is wrong with it.
    pub fn parse(&self, line: &[u8]) -> Result<(Option<Timestamp>, String, FrameKind), String> {
        let record = fields(line, self.separator);
        let (mut parts, mut data, mut time, mut channel) =
            (Parts::default(), Vec::new(), None, "can0");
        let mut report = false;
        for (role, places) in &self.roles {
            let Some(value) =
                places.first().and_then(|place| record.get(*place)).map(|value| value.trim())
            else {
                continue;
            };
            if value.is_empty() {
                continue;
            }
            match role {
                Role::Time(unit) => {
                    time = Some(stamp(value, *unit).ok_or_else(|| format!("`{value}` is no time"))?)
                }
                Role::Channel => channel = without_apostrophe(value),
                Role::Kind => parts.kind = value,
                Role::Id(base) => {
                    parts.id = Some(
                        number(value, *base)
                            .ok_or_else(|| format!("`{value}` is no identifier"))?,
                    )
                }
                Role::Remote if flag(value)? => parts.kind = "remote",
                Role::Error => report = flag(value)?,
                Role::Remote => {}
                Role::Extended => parts.extended = Some(flag(value)?),
                Role::Dlc => {
                    parts.dlc =
                        Some(value.parse().map_err(|_| format!("`{value}` is no length code"))?)
                }
                Role::Brs => parts.brs = Some(flag(value)?),
                Role::Esi => parts.esi = Some(flag(value)?),
                Role::ErrorBits => {
                    parts.error_bits =
                        Some(value.parse().map_err(|_| format!("`{value}` are no class bits"))?)
                }
                Role::Data(written) => {
                    for value in places.iter().filter_map(|place| record.get(*place)) {
                        bytes(value, *written, places.len() > 1, &mut data)?;
                    }
                }
            }
        }
        if !is_channel_name(channel.as_bytes()) {
            return Err("a channel has 1 to 31 printable characters".to_owned());
        }
        if report {
            parts.kind = "error";
            parts.error_bits = parts.id.take().map(|(bits, _)| u64::from(bits & !ERROR_FLAG));
        }
        parts.data = &data;
        Ok((time, channel.to_owned(), parts.frame()?))
    }
}

/// Data bytes that a frame has at most (ISO 11898-1:2015, 10.4.2.4).
const MOST_DATA: usize = 64;

/// Columns from one to another in the order in which they were named, for there are tables whose
/// first data byte stands on the right.
fn run(first: usize, last: usize) -> Result<Vec<usize>, String> {
    // A frame has no more data bytes, and a position may be any number.
    if first.abs_diff(last) >= MOST_DATA {
        return Err(format!("the data of a frame stand in {MOST_DATA} columns at most"));
    }
    let forward = first.min(last)..=first.max(last);
    Ok(if first <= last { forward.collect() } else { forward.rev().collect() })
}

/// The fields of one line. Quotes do not reach beyond it, so that one that is never closed costs
/// one line.
fn fields(line: &[u8], separator: u8) -> Vec<String> {
    let mut reader = csv_core::ReaderBuilder::new().delimiter(separator).build();
    let (mut out, mut ends) = (vec![0; line.len() + 1], vec![0; line.len() + 2]);
    let (result, read, written, ended) = reader.read_record(line, &mut out, &mut ends);
    let mut count = ended;
    if result == ReadRecordResult::InputEmpty {
        // The end of the input ends the last field.
        let (_, _, _, more) =
            reader.read_record(&line[read..], &mut out[written..], &mut ends[ended..]);
        count += more;
    }
    let mut from = 0;
    ends[..count]
        .iter()
        .map(|end| {
            let text =
                String::from_utf8_lossy(out.get(from..*end).unwrap_or_default()).into_owned();
            from = *end;
            text
        })
        .collect()
}

/// The flag that marks an error report in an identifier (`CAN_ERR_FLAG`, `linux/can.h`).
const ERROR_FLAG: u32 = 0x2000_0000;

/// A number, with or without `0x` before it or `h` behind, and how many digits it was written with;
/// an `x` behind is how 29 bits are marked, which eight digits are too.
pub(super) fn number(text: &str, base: u32) -> Option<(u32, usize)> {
    let hexadecimal = text.strip_prefix("0x").or_else(|| text.strip_prefix("0X"));
    let (wide, plain) = match text.strip_suffix(['x', 'X']) {
        Some(digits) if hexadecimal.is_none() => (true, digits),
        _ => (false, text),
    };
    let hexadecimal = hexadecimal.or_else(|| text.strip_suffix(['h', 'H']));
    let (digits, base) = hexadecimal.map_or((plain, base), |digits| (digits, 16));
    let value = u32::from_str_radix(digits, base).ok().filter(|_| !digits.starts_with('+'))?;
    let count = if base == 16 { digits.len() } else { 0 };
    Some((value, if wide { 8 } else { count }))
}

fn flag(text: &str) -> Result<bool, String> {
    match text.to_ascii_lowercase().as_str() {
        "true" | "1" | "yes" => Ok(true),
        "false" | "0" | "no" => Ok(false),
        _ => Err(format!("`{text}` is neither true nor false")),
    }
}

/// Data bytes of a column; `single` where each byte has a column of its own.
fn bytes(text: &str, written: Written, single: bool, out: &mut Vec<u8>) -> Result<(), String> {
    let text = text.trim();
    let parts: Vec<&str> =
        text.split([' ', ':', '-', ',', ';']).filter(|part| !part.is_empty()).collect();
    let (read, what) = match written {
        Written::Hexadecimal => (hexadecimal(&parts, single), "hexadecimal bytes"),
        Written::Decimal => {
            (parts.iter().map(|part| part.parse().ok()).collect(), "bytes of the base ten")
        }
        Written::Base64 => (base64(text.as_bytes()), "bytes in Base64"),
    };
    let bytes = read.ok_or_else(|| format!("`{text}` are no {what}"))?;
    if out.len() + bytes.len() > 64 {
        return Err("more than 64 data bytes".to_owned());
    }
    out.extend(bytes);
    Ok(())
}

/// Bytes of two digits each, with something between them or not. One digit is a byte where all
/// parts are bytes: run together with others it would become half of another one.
fn hexadecimal(parts: &[&str], single: bool) -> Option<Vec<u8>> {
    let plain = |part: &&str| {
        part.strip_prefix("0x").or_else(|| part.strip_prefix("0X")).unwrap_or(part).to_owned()
    };
    let parts: Vec<String> = parts.iter().map(plain).collect();
    let apart = single || parts.len() > 1 && parts.iter().all(|part| part.len() <= 2);
    let padded = |part: &String| match part.len() {
        1 if apart => format!("0{part}"),
        _ => part.clone(),
    };
    hex::decode(parts.iter().map(padded).collect::<String>())
        .ok()
        .filter(|_| apart || parts.iter().all(|part| part.len() % 2 == 0))
}

/// RFC 4648, 4: four characters are three bytes; the last group may be filled up with `=`.
fn base64(text: &[u8]) -> Option<Vec<u8>> {
    let digit = |byte: &u8| match byte {
        b'A'..=b'Z' => Some(u32::from(byte - b'A')),
        b'a'..=b'z' => Some(u32::from(byte - b'a') + 26),
        b'0'..=b'9' => Some(u32::from(byte - b'0') + 52),
        b'+' => Some(62),
        b'/' => Some(63),
        _ => None,
    };
    let end = text.iter().rposition(|byte| *byte != b'=').map_or(0, |last| last + 1);
    if !text.len().is_multiple_of(4) || text.len() - end > 2 {
        return None;
    }
    let mut out = Vec::new();
    for group in text[..end].chunks(4) {
        let add = |sum: u32, byte: &u8| Some(sum << 6 | digit(byte)?);
        let bits = group.iter().try_fold(0, add)? << (6 * (4 - group.len()));
        out.extend_from_slice(&bits.to_be_bytes()[1..group.len()]);
    }
    Some(out)
}

/// A number in some unit, or a date with a time of day. A comma may stand for the point.
fn stamp(text: &str, unit: i64) -> Option<Timestamp> {
    let text = text.replacen(',', ".", 1);
    let text = text.as_str();
    if text.contains(':') {
        let nanoseconds = match text.parse::<jiff::Timestamp>() {
            Ok(time) => time.as_nanosecond(),
            Err(_) => {
                let civil: jiff::civil::DateTime = text.parse().ok()?;
                jiff::tz::Offset::UTC.to_timestamp(civil).ok()?.as_nanosecond()
            }
        };
        return i64::try_from(nanoseconds).ok().map(Timestamp::from_nanoseconds);
    }
    let (negative, digits) = text.strip_prefix('-').map_or((false, text), |digits| (true, digits));
    let (whole, fraction) = digits.split_once('.').unwrap_or((digits, ""));
    if !digits.bytes().all(|byte| byte.is_ascii_digit() || byte == b'.') || whole.is_empty() {
        // A sheet may have written it with an exponent; a double is what it went through then.
        let value = text.parse::<f64>().ok().filter(|value| value.is_finite())? * unit as f64;
        return (value.abs() < i64::MAX as f64).then(|| Timestamp::from_nanoseconds(value as i64));
    }
    let whole = whole.parse::<i64>().ok()?.checked_mul(unit)?;
    let mut part = 0;
    let mut weight = unit;
    for digit in fraction.bytes() {
        weight /= 10;
        part += i64::from(digit.checked_sub(b'0')?) * weight;
    }
    let value = whole.checked_add(part)?;
    Some(Timestamp::from_nanoseconds(if negative { -value } else { value }))
}
