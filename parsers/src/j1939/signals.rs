//! Parameters of SAE J1939-71 that tell what the vehicle does and how it is supplied.

/// One parameter: where it is in its group, and `raw * scale + offset`.
///
/// The numbers, groups and scalings are in many openly published lists of parameters, which agree
/// on all of these; names are worded by us.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Signal {
    /// Suspect parameter number.
    pub spn: u32,
    /// What it is.
    pub name: &'static str,
    /// Its unit.
    pub unit: &'static str,
    /// Parameter group that carries it.
    pub pgn: u32,
    /// First byte.
    pub start: usize,
    /// Bytes, one or two, lowest first.
    pub length: usize,
    /// Unit per step.
    pub scale: f64,
    /// Value of raw zero, in its unit.
    pub offset: f64,
}

const fn row(
    spn: u32,
    name: &'static str,
    unit: &'static str,
    pgn: u32,
    (start, length): (usize, usize),
    (scale, offset): (f64, f64),
) -> Signal {
    Signal { spn, name, unit, pgn, start, length, scale, offset }
}

/// All of them, in the order in which they are shown: what the vehicle does, then its supply, then
/// its temperatures.
pub static SIGNALS: [Signal; 7] = [
    row(190, "engine speed", "rpm", 0xF004, (3, 2), (0.125, 0.0)),
    row(84, "vehicle speed", "km/h", 0xFEF1, (1, 2), (1.0 / 256.0, 0.0)),
    row(168, "battery potential", "V", 0xFEF7, (4, 2), (0.05, 0.0)),
    row(158, "key switch battery potential", "V", 0xFEF7, (6, 2), (0.05, 0.0)),
    row(167, "charging system potential", "V", 0xFEF7, (2, 2), (0.05, 0.0)),
    row(110, "coolant temperature", "°C", 0xFEEE, (0, 1), (1.0, -40.0)),
    row(171, "ambient air temperature", "°C", 0xFEF5, (3, 2), (0.031_25, -273.0)),
];

impl Signal {
    /// The value in the data bytes of its group; `None` where they are too few or say that there
    /// is none: raw values from 0xFB (0xFB00 for two bytes) up stand for an error or for not
    /// available (SAE J1939-71, table of transmitted signal ranges; from memory).
    pub fn decode(&self, data: &[u8]) -> Option<f64> {
        let bytes = data.get(self.start..self.start + self.length)?;
        if *bytes.last()? >= 0xFB {
            return None;
        }
        let raw = bytes.iter().rev().fold(0_u32, |raw, byte| raw << 8 | u32::from(*byte));
        Some(f64::from(raw) * self.scale + self.offset)
    }
}

/// The parameters that a group carries.
///
/// ```
/// use lostnode_parsers::j1939::signals_of;
/// let speed = signals_of(0xF004).next().unwrap();
/// assert_eq!((speed.spn, speed.unit), (190, "rpm"));
/// assert_eq!(speed.decode(&[0xF0, 0xFF, 0x7D, 0xE0, 0x15, 0xFF, 0xFF, 0xFF]), Some(700.0));
/// assert_eq!(speed.decode(&[0xF0, 0xFF, 0x7D, 0xFF, 0xFF, 0xFF, 0xFF, 0xFF]), None);
/// ```
pub fn signals_of(pgn: u32) -> impl Iterator<Item = &'static Signal> {
    SIGNALS.iter().filter(move |signal| signal.pgn == pgn)
}

/// A parameter by its number.
///
/// ```
/// use lostnode_parsers::j1939::signal;
/// assert_eq!(signal(168).unwrap().decode(&[0, 0, 0, 0, 0x18, 0x01, 0, 0]), Some(14.0));
/// ```
pub fn signal(spn: u32) -> Option<&'static Signal> {
    SIGNALS.iter().find(|signal| signal.spn == spn)
}
