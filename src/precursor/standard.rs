//! Signals that a standard names, so that a lead is told by name and unit.

use lostnode_parsers::Id;
use lostnode_parsers::j1939::Fields;

use crate::analysis::just_before::Field;

/// A signal of SAE J1939-71.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Signal {
    /// Its number (SPN).
    pub number: u32,
    /// What it measures.
    pub what: Quantity,
    group: u32,
    byte: u8,
    bytes: u8,
    /// What one step of the raw value is worth, and what nought is.
    scale: f64,
    offset: f64,
}

/// What is measured, with its unit.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Quantity {
    /// In revolutions a minute.
    EngineSpeed,
    /// In kilometres an hour.
    VehicleSpeed,
    /// In degrees Celsius.
    CoolantTemperature,
    /// In degrees Celsius.
    AmbientTemperature,
    /// In volts.
    SupplyVoltage,
}

const fn signal(
    number: u32,
    what: Quantity,
    group: u32,
    place: (u8, u8),
    (scale, offset): (f64, f64),
) -> Signal {
    let (byte, bytes) = place;
    Signal { number, what, group, byte, bytes, scale, offset }
}

/// Source: SAE J1939-71 (group, bytes from 0, resolution and offset), from memory.
const SIGNALS: [Signal; 6] = [
    signal(190, Quantity::EngineSpeed, 0xF004, (3, 2), (0.125, 0.0)),
    signal(84, Quantity::VehicleSpeed, 0xFEF1, (1, 2), (1.0 / 256.0, 0.0)),
    signal(110, Quantity::CoolantTemperature, 0xFEEE, (0, 1), (1.0, -40.0)),
    signal(171, Quantity::AmbientTemperature, 0xFEF5, (3, 2), (0.03125, -273.0)),
    signal(168, Quantity::SupplyVoltage, 0xFEF7, (4, 2), (0.05, 0.0)),
    signal(158, Quantity::SupplyVoltage, 0xFEF7, (6, 2), (0.05, 0.0)),
];

impl Signal {
    /// Its raw value in its unit.
    ///
    /// ```
    /// use lostnode::parsers::frame::parse_id;
    /// use lostnode::precursor::standard::fields;
    /// let (signal, field) = fields(parse_id("18FEF70B").unwrap()).next().unwrap();
    /// assert_eq!((signal.number, field.byte, field.width), (168, 4, 16));
    /// assert!((signal.value(480) - 24.0).abs() < 1e-9);
    /// ```
    pub fn value(&self, raw: u64) -> f64 {
        raw as f64 * self.scale + self.offset
    }
}

/// The signals that an identifier of SAE J1939 carries, each with its place.
pub fn fields(id: Id) -> impl Iterator<Item = (Signal, Field)> {
    let group = match id {
        Id::Extended(id) => Some(Fields::of(id).pgn),
        Id::Standard(_) => None,
    };
    SIGNALS.into_iter().filter(move |signal| group == Some(signal.group)).map(|signal| {
        let width = signal.bytes * 8;
        (signal, Field { byte: signal.byte, bit: None, width, high_first: false })
    })
}

/// The signal in which a field lies, on a channel that speaks SAE J1939.
pub fn of(id: Id, field: Field) -> Option<Signal> {
    let first = field.byte;
    let last = first + field.width.div_ceil(8) - 1;
    let holds = |own: &Signal| own.byte <= first && last < own.byte + own.bytes;
    fields(id).map(|(signal, _)| signal).find(holds)
}
