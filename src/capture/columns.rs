//! CSV whose columns the user has named, or that this tool wrote itself.

use std::str::FromStr;

use csv_core::ReadRecordResult;
use lostnode_parsers::error::is_channel_name;
use lostnode_parsers::{FrameKind, Timestamp};

use super::frame_table::{self, Parts};

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
    Dlc,
    Data,
    Brs,
    Esi,
    ErrorBits,
}

/// A column by its name, by its position from 1, or a run of columns with one byte each.
#[derive(Clone, Debug, PartialEq, Eq)]
enum Named {
    One(String),
    Run(String, String),
}

const FORM: &str = "write ROLE=COLUMN,… with the roles time, channel, kind, id, extended, dlc, \
                    data, brs, esi, error_bits, such as time=Timestamp:ms,id=ID,data=D0..D7";

impl FromStr for Columns {
    type Err = String;

    fn from_str(text: &str) -> Result<Self, String> {
        let mut columns = Vec::new();
        for part in text.split(',') {
            let (role, column) =
                part.split_once('=').ok_or_else(|| format!("`{part}` has no `=`: {FORM}"))?;
            let (column, unit) = match column.rsplit_once(':') {
                Some((column, unit))
                    if matches!(unit, "s" | "ms" | "us" | "ns" | "hex" | "dec") =>
                {
                    (column, unit)
                }
                _ => (column, ""),
            };
            let role = Role::named(role.trim(), unit).ok_or_else(|| {
                format!("`{}` with the unit `{unit}` is not known: {FORM}", role.trim())
            })?;
            let named = match column.split_once("..") {
                Some((first, last)) if role == Role::Data => {
                    Named::Run(first.trim().to_owned(), last.trim().to_owned())
                }
                _ => Named::One(column.trim().to_owned()),
            };
            columns.push((role, named));
        }
        let has = |role: fn(&Role) -> bool| columns.iter().any(|(own, _)| role(own));
        if !has(|role| matches!(role, Role::Id(_))) || !has(|role| matches!(role, Role::Data)) {
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
            ("data", "") => Role::Data,
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
                Named::Run(first, last) => (place(first)?..=place(last)?).collect(),
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
                Role::Channel => channel = value,
                Role::Kind => parts.kind = value,
                Role::Id(base) => {
                    parts.id = Some(
                        number(value, *base)
                            .ok_or_else(|| format!("`{value}` is no identifier"))?,
                    )
                }
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
                Role::Data => {
                    for value in places.iter().filter_map(|place| record.get(*place)) {
                        bytes(value, places.len() > 1, &mut data)?;
                    }
                }
            }
        }
        if !is_channel_name(channel.as_bytes()) {
            return Err("a channel has 1 to 31 printable characters".to_owned());
        }
        parts.data = &data;
        Ok((time, channel.to_owned(), parts.frame()?))
    }
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

/// A number, with or without `0x`, and how many digits it was written with.
pub(super) fn number(text: &str, base: u32) -> Option<(u32, usize)> {
    let hexadecimal = text.strip_prefix("0x").or_else(|| text.strip_prefix("0X"));
    let (digits, base) = hexadecimal.map_or((text, base), |digits| (digits, 16));
    let value = u32::from_str_radix(digits, base).ok().filter(|_| !digits.starts_with('+'))?;
    Some((value, if base == 16 { digits.len() } else { 0 }))
}

fn flag(text: &str) -> Result<bool, String> {
    match text.to_ascii_lowercase().as_str() {
        "true" | "1" | "yes" => Ok(true),
        "false" | "0" | "no" => Ok(false),
        _ => Err(format!("`{text}` is neither true nor false")),
    }
}

/// Hexadecimal bytes, blanks between them or not; of a column with one byte, one digit will do.
fn bytes(text: &str, single: bool, out: &mut Vec<u8>) -> Result<(), String> {
    let text = text.trim();
    let text = text.strip_prefix("0x").unwrap_or(text);
    let plain: String = text.chars().filter(|c| !matches!(c, ' ' | ':' | '-')).collect();
    if single && plain.is_empty() {
        return Ok(());
    }
    let padded = if single && plain.len() == 1 { format!("0{plain}") } else { plain };
    let bytes = hex::decode(&padded).map_err(|_| format!("`{text}` are no hexadecimal bytes"))?;
    if out.len() + bytes.len() > 64 {
        return Err("more than 64 data bytes".to_owned());
    }
    out.extend(bytes);
    Ok(())
}

/// A number in some unit, or a date with a time of day.
fn stamp(text: &str, unit: i64) -> Option<Timestamp> {
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
