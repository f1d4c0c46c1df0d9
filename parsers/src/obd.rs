//! Emissions services of SAE J1979 / ISO 15031-5: values, readiness monitors, test results.

use crate::obd_pids::{Coded, PIDS, Pid, Signal};

/// What is known of a PID of services 01 and 02.
///
/// ```
/// use lostnode_parsers::obd;
/// assert_eq!(obd::pid(0x0C).unwrap().name, "engine speed");
/// ```
pub fn pid(number: u8) -> Option<&'static Pid> {
    PIDS.iter().find(|pid| pid.number == number)
}

/// A decoded value.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Value {
    /// What it is.
    pub signal: &'static Signal,
    /// In the signal's unit.
    pub value: f64,
}

/// The numeric values in the data bytes of a PID; one whose support bit is clear is left out.
///
/// ```
/// use lostnode_parsers::obd;
/// let speed = obd::values(0x0C, &[0x1A, 0xF8]).next().unwrap();
/// assert_eq!((speed.value, speed.signal.unit), (1726.0, "rpm"));
/// ```
pub fn values(number: u8, data: &[u8]) -> impl Iterator<Item = Value> + '_ {
    let signals = pid(number).map_or(&[][..], |pid| pid.signals);
    signals.iter().filter_map(move |signal| Some(Value { signal, value: signal.decode(data)? }))
}

/// The coded values in the data bytes of a PID: what is coded, and its meaning, `None` where the
/// code is reserved.
pub fn coded(
    number: u8,
    data: &[u8],
) -> impl Iterator<Item = (&'static Coded, u8, Option<&'static str>)> + '_ {
    let coded = pid(number).map_or(&[][..], |pid| pid.coded);
    coded.iter().filter_map(move |coded| {
        if !supported_by(data, coded.support)? {
            return None;
        }
        let raw = data.get(coded.byte)? & coded.mask;
        let meaning =
            coded.meanings.iter().find(|(value, _)| *value == raw).map(|(_, meaning)| *meaning);
        Some((coded, raw, meaning))
    })
}

/// Whether the support bit of a value is set, or it has none; `None` where its byte is missing.
fn supported_by(data: &[u8], support: Option<(usize, u8)>) -> Option<bool> {
    support.map_or(Some(true), |(byte, bit)| Some(data.get(byte)? >> bit & 1 == 1))
}

impl Signal {
    /// The value in the data bytes of its PID; `None` where they are too few or say that it is not
    /// supported.
    pub fn decode(&self, data: &[u8]) -> Option<f64> {
        if !supported_by(data, self.support)? {
            return None;
        }
        let bytes = data.get(self.start..self.start + self.length)?;
        let raw = bytes.iter().fold(0_u32, |raw, byte| raw << 8 | u32::from(*byte));
        let raw = match (self.signed, self.length) {
            (true, 1) => f64::from(raw as u8 as i8),
            (true, 2) => f64::from(raw as u16 as i16),
            (true, _) => f64::from(raw as i32),
            (false, _) => f64::from(raw),
        };
        Some(raw * self.scale + self.offset)
    }

    /// Least and greatest value that the coding can hold.
    pub fn range(&self) -> (f64, f64) {
        let bits = self.length as u32 * 8;
        let (low, high) = if self.signed {
            (-((1_u64 << (bits - 1)) as f64), ((1_u64 << (bits - 1)) - 1) as f64)
        } else {
            (0.0, ((1_u64 << bits) - 1) as f64)
        };
        (low * self.scale + self.offset, high * self.scale + self.offset)
    }
}

/// PIDs that a support map names: the four bytes of PID 00, 20, 40 … stand for the 32 that follow
/// it.
///
/// ```
/// use lostnode_parsers::obd;
/// let pids = obd::supported(0x00, &[0xBE, 0x00, 0x00, 0x13]);
/// assert!(pids.eq([1, 3, 4, 5, 6, 7, 0x1C, 0x1F, 0x20]));
/// ```
pub fn supported(base: u8, data: &[u8]) -> impl Iterator<Item = u8> + '_ {
    data.iter().take(4).enumerate().flat_map(move |(at, byte)| {
        (0..8)
            .filter(move |bit| byte >> (7 - bit) & 1 == 1)
            .filter_map(move |bit| base.checked_add(at as u8 * 8 + bit + 1))
    })
}

/// The PIDs and their data in an answer of service 01, which may hold up to six (SAE J1979, 5.4.2).
/// Ends at the first that is not known.
pub fn answers(mut data: &[u8]) -> impl Iterator<Item = (u8, &[u8])> {
    core::iter::from_fn(move || {
        let (number, rest) = data.split_first()?;
        let length = pid(*number)?.length;
        // A sole PID may be sent shorter than the standard says; what is there is decoded. Fuel
        // trims have a second byte where there are banks 3 and 4: one byte that is left over can
        // be no further PID with its data.
        let more = usize::from(matches!(*number, 0x06..=0x09) && rest.len() == length + 1);
        let (own, rest) = rest.split_at((length + more).min(rest.len()));
        data = rest;
        Some((*number, own))
    })
}

/// The PIDs and their data in an answer of service 22 to data identifiers F400 to F4FF, which are
/// the PIDs of service 01 by their low byte (ISO 14229-1:2020, table C.1; ISO 27145-2; SAE
/// J1979-2). `data` begins with the first identifier. Ends at the first that is not one of these.
///
/// ```
/// use lostnode_parsers::obd;
/// let data = [0xF4, 0x0C, 0x1A, 0xF8, 0xF4, 0x0D, 0x32];
/// let answers = obd::identified(&data).map(|(pid, data)| (pid, data.len()));
/// assert!(answers.eq([(0x0C, 2), (0x0D, 1)]));
/// ```
pub fn identified(mut data: &[u8]) -> impl Iterator<Item = (u8, &[u8])> {
    core::iter::from_fn(move || {
        let [0xF4, own @ ..] = data else { return None };
        let (number, bytes) = answers(own).next()?;
        data = own.get(1 + bytes.len()..)?;
        Some((number, bytes))
    })
}

/// What an item of vehicle information is (SAE J1979, service 09), worded by us; `None` for those
/// that are not decoded here.
pub fn information_name(kind: u8) -> Option<&'static str> {
    match kind {
        0x02 => Some("VIN"),
        0x04 => Some("calibration identifier"),
        0x06 => Some("calibration verification number"),
        0x0A => Some("module name"),
        _ => None,
    }
}

/// Items of vehicle information with a data identifier: F800 to F8FF are those of service 09 by
/// their low byte (ISO 14229-1:2020, table C.1; ISO 27145-2; SAE J1979-2). `data` begins with the
/// identifier. Some modules send the number of items before them as service 09 does; a VIN shows
/// it by its length, and text by a first byte that is none.
///
/// ```
/// use lostnode_parsers::obd::vehicle_information;
/// let (kind, vin) = vehicle_information(b"\xF8\x02\x01XXTESTXXA0N000042").unwrap();
/// assert_eq!((kind, vin), (0x02, &b"XXTESTXXA0N000042"[..]));
/// ```
pub fn vehicle_information(data: &[u8]) -> Option<(u8, &[u8])> {
    let [0xF8, kind, rest @ ..] = data else { return None };
    // Verification numbers are of four bytes each.
    let counted = match kind {
        0x06 => rest.len() % 4 == 1,
        _ => matches!(rest, [1..=8, next, ..] if *next >= b' '),
    };
    Some((*kind, if counted { &rest[1..] } else { rest }))
}

/// PID 01: lamp, number of codes and readiness since the codes were cleared; PID 41: the same for
/// this drive cycle.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Readiness {
    /// Malfunction indicator lamp commanded on (PID 01 only).
    pub mil: bool,
    /// Number of confirmed emissions codes (PID 01 only).
    pub codes: u8,
    /// Compression ignition rather than spark.
    pub compression: bool,
    bytes: [u8; 3],
}

/// One readiness monitor.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Monitor {
    /// Its name.
    pub name: &'static str,
    /// The module has it.
    pub supported: bool,
    /// It has run to its end.
    pub complete: bool,
}

/// Continuous monitors, lowest bit first (SAE J1979, table B2).
const CONTINUOUS: [&str; 3] = ["misfire", "fuel system", "comprehensive components"];
/// Others for spark ignition, lowest bit first.
const SPARK: [&str; 8] = [
    "catalyst",
    "heated catalyst",
    "evaporative system",
    "secondary air",
    "air conditioning refrigerant",
    "oxygen sensor",
    "oxygen sensor heater",
    "exhaust gas recirculation or variable valve timing",
];
/// Others for compression ignition; empty where reserved.
const COMPRESSION: [&str; 8] = [
    "non-methane hydrocarbon catalyst",
    "NOx or SCR aftertreatment",
    "",
    "boost pressure",
    "",
    "exhaust gas sensor",
    "particulate filter",
    "exhaust gas recirculation or variable valve timing",
];

impl Readiness {
    /// From the four data bytes.
    ///
    /// ```
    /// use lostnode_parsers::obd::Readiness;
    /// let readiness = Readiness::parse(&[0x83, 0x07, 0xFF, 0x00]).unwrap();
    /// assert!(readiness.mil && readiness.codes == 3);
    /// assert!(readiness.monitors().all(|monitor| monitor.supported && monitor.complete));
    /// ```
    pub fn parse(data: &[u8]) -> Option<Readiness> {
        let [a, b, c, d, ..] = *data else { return None };
        Some(Readiness {
            mil: a & 0x80 != 0,
            codes: a & 0x7F,
            compression: b & 0x08 != 0,
            bytes: [b, c, d],
        })
    }

    /// All monitors of the ignition type. A set bit in the last byte means not complete.
    pub fn monitors(&self) -> impl Iterator<Item = Monitor> {
        let [b, c, d] = self.bytes;
        let others = if self.compression { COMPRESSION } else { SPARK };
        let continuous = CONTINUOUS.into_iter().enumerate().map(move |(bit, name)| Monitor {
            name,
            supported: b >> bit & 1 == 1,
            complete: b >> (bit + 4) & 1 == 0,
        });
        let others = others.into_iter().enumerate().filter(|(_, name)| !name.is_empty()).map(
            move |(bit, name)| Monitor {
                name,
                supported: c >> bit & 1 == 1,
                complete: d >> bit & 1 == 0,
            },
        );
        continuous.chain(others)
    }
}

/// A result of service 06: monitor, test, and the value between its limits.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct TestResult {
    /// Monitor identifier.
    pub monitor: u8,
    /// Test identifier.
    pub test: u8,
    /// Unit, empty for a plain number; `None` where the unit code is not known and the values are
    /// raw.
    pub unit: Option<&'static str>,
    /// Measured, least and greatest allowed.
    pub value: f64,
    /// Least allowed.
    pub low: f64,
    /// Greatest allowed.
    pub high: f64,
}

/// Results in an answer of service 06 (after 0x46): nine bytes each (SAE J1979, 7.6). A support map
/// has none.
pub fn test_results(data: &[u8]) -> impl Iterator<Item = TestResult> + '_ {
    let is_map = data.first().is_some_and(|monitor| monitor % 0x20 == 0);
    data.chunks_exact(if is_map { usize::MAX } else { 9 }).map(|bytes| {
        let unit = UNITS.iter().find(|(code, ..)| *code == bytes[2]);
        let (scale, offset) = unit.map_or((1.0, 0.0), |(_, scale, offset, _)| (*scale, *offset));
        let signed = bytes[2] >= 0x80;
        let number = |at: usize| {
            let raw = u16::from_be_bytes([bytes[at], bytes[at + 1]]);
            (if signed { f64::from(raw as i16) } else { f64::from(raw) }) * scale + offset
        };
        TestResult {
            monitor: bytes[0],
            test: bytes[1],
            unit: unit.map(|(.., unit)| *unit),
            value: number(3),
            low: number(5),
            high: number(7),
        }
    })
}

/// Unit and scaling codes of service 06: code, scale, offset, unit. SAE J1979, appendix E, from
/// memory; codes from 0x80 are signed.
const UNITS: [(u8, f64, f64, &str); 60] = [
    (0x01, 1.0, 0.0, ""),
    (0x02, 0.1, 0.0, ""),
    (0x03, 0.01, 0.0, ""),
    (0x04, 0.001, 0.0, ""),
    (0x05, 2.0 / 65_536.0, 0.0, ""),
    (0x06, 20.0 / 65_536.0, 0.0, ""),
    (0x07, 0.25, 0.0, "rpm"),
    (0x08, 0.01, 0.0, "km/h"),
    (0x09, 1.0, 0.0, "km/h"),
    (0x0A, 0.122e-3, 0.0, "V"),
    (0x0B, 0.001, 0.0, "V"),
    (0x0C, 0.01, 0.0, "V"),
    (0x0D, 0.003_906_25, 0.0, "mA"),
    (0x0E, 0.001, 0.0, "A"),
    (0x0F, 0.01, 0.0, "A"),
    (0x10, 0.001, 0.0, "s"),
    (0x11, 0.1, 0.0, "s"),
    (0x12, 1.0, 0.0, "s"),
    (0x13, 0.001, 0.0, "Ohm"),
    (0x14, 1.0, 0.0, "Ohm"),
    (0x15, 1000.0, 0.0, "Ohm"),
    (0x16, 0.1, -40.0, "°C"),
    (0x17, 0.01, 0.0, "kPa"),
    (0x18, 0.0117, 0.0, "kPa"),
    (0x19, 0.079, 0.0, "kPa"),
    (0x1A, 1.0, 0.0, "kPa"),
    (0x1B, 10.0, 0.0, "kPa"),
    (0x1C, 0.01, 0.0, "°"),
    (0x1D, 0.5, 0.0, "°"),
    (0x1E, 2.0 / 65_536.0, 0.0, "lambda"),
    (0x1F, 0.05, 0.0, "air to fuel"),
    (0x20, 0.003_906_25, 0.0, "ratio"),
    (0x21, 0.001, 0.0, "Hz"),
    (0x22, 1.0, 0.0, "Hz"),
    (0x23, 1000.0, 0.0, "Hz"),
    (0x24, 1.0, 0.0, "counts"),
    (0x25, 1.0, 0.0, "km"),
    (0x26, 0.1, 0.0, "V/s"),
    (0x27, 0.01, 0.0, "g/s"),
    (0x28, 1.0, 0.0, "g/s"),
    (0x29, 0.25, 0.0, "Pa/s"),
    (0x2A, 0.001, 0.0, "kg/h"),
    (0x2B, 1.0, 0.0, "switches"),
    (0x2C, 0.01, 0.0, "g/cylinder"),
    (0x2D, 0.01, 0.0, "mg/stroke"),
    (0x2E, 1.0, 0.0, "true or false"),
    (0x2F, 0.01, 0.0, "%"),
    (0x30, 0.001_526, 0.0, "%"),
    (0x34, 1.0, 0.0, "min"),
    (0x35, 0.01, 0.0, "s"),
    (0x36, 0.01, 0.0, "g"),
    (0x37, 0.1, 0.0, "g"),
    (0x81, 1.0, 0.0, ""),
    (0x82, 0.1, 0.0, ""),
    (0x83, 0.01, 0.0, ""),
    (0x84, 0.001, 0.0, ""),
    (0x8B, 0.001, 0.0, "V"),
    (0x8C, 0.01, 0.0, "V"),
    (0x96, 0.1, 0.0, "°C"),
    (0xFE, 0.25, 0.0, "Pa"),
];
