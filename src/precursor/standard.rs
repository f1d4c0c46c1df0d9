//! Signals that a standard names, so that a lead is told by name and unit.

use lostnode_parsers::j1939::{Fields, signals_of};
use lostnode_parsers::{Id, obd};

use crate::analysis::just_before::{Change, Field, Lead, LeadKind, Part, Place};
use crate::analysis::{Analysis, J1939};

/// What a standard calls a signal by.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Number {
    /// Suspect parameter of SAE J1939.
    Spn(u32),
    /// PID of SAE J1979.
    Pid(u8),
}

/// Signals by what they are about.
const SUPPLY: [Number; 4] =
    [Number::Spn(158), Number::Spn(167), Number::Spn(168), Number::Pid(0x42)];
const WARMTH: [Number; 5] =
    [Number::Spn(110), Number::Spn(171), Number::Pid(0x05), Number::Pid(0x0F), Number::Pid(0x46)];
const MOVEMENT: [Number; 4] =
    [Number::Spn(84), Number::Spn(190), Number::Pid(0x0C), Number::Pid(0x0D)];

/// A signal of a standard: `raw * scale + offset`.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Named {
    /// What it is.
    pub name: &'static str,
    /// Its unit; empty for a plain number.
    pub unit: &'static str,
    /// Unit per step.
    pub scale: f64,
    /// Value of raw zero.
    pub offset: f64,
    /// What the standard calls it by.
    pub number: Number,
}

/// The signals in a part of what an identifier carries, by SAE J1939 or SAE J1979, each with its
/// place.
///
/// ```
/// use lostnode::analysis::just_before::Part;
/// use lostnode::parsers::frame::parse_id;
/// use lostnode::precursor::standard::{Number, fields};
/// let id = parse_id("18FEF10B").unwrap();
/// let (signal, field) = fields(id, Part::Payload(0)).next().unwrap();
/// assert_eq!((signal.number, field.byte, field.width), (Number::Spn(84), 1, 16));
/// let id = parse_id("7E8").unwrap();
/// let (signal, field) = fields(id, Part::Answer(0x0C)).next().unwrap();
/// assert_eq!((signal.name, field.width, field.high_first), ("engine speed", 16, true));
/// ```
pub fn fields(id: Id, part: Part) -> impl Iterator<Item = (Named, Field)> {
    let group = match (id, part) {
        (Id::Extended(id), Part::Payload(0)) => Some(Fields::of(id).pgn),
        _ => None,
    };
    let of_group = group.into_iter().flat_map(signals_of).map(|own| {
        let (number, width) = (Number::Spn(own.spn), own.length as u8 * 8);
        let (scale, offset) = (own.scale, own.offset);
        let named = Named { name: own.name, unit: own.unit, scale, offset, number };
        (named, Field { byte: own.start as u8, bit: None, width, high_first: false })
    });
    let pid = match part {
        Part::Answer(pid) => obd::pid(pid),
        Part::Payload(_) => None,
    };
    let of_pid = pid.into_iter().flat_map(|pid| {
        let plain = pid.signals.iter().filter(|own| !own.signed && own.length <= 2);
        plain.map(|own| {
            let (number, width) = (Number::Pid(pid.number), own.length as u8 * 8);
            let (scale, offset) = (own.scale, own.offset);
            let named = Named { name: own.name, unit: own.unit, scale, offset, number };
            (named, Field { byte: own.start as u8, bit: None, width, high_first: width > 8 })
        })
    });
    of_group.chain(of_pid)
}

/// The signal in which a place lies, and whether it is the whole of it.
pub fn of(analysis: &Analysis, place: &Place) -> Option<(Named, bool)> {
    let speaks = place.pid().is_some() || analysis.channel(place.channel).j1939 == J1939::Yes;
    let end = |field: &Field| usize::from(field.byte) + usize::from(field.width).div_ceil(8);
    let own = place.field;
    fields(place.id, place.part)
        .filter(|_| speaks)
        .find(|(_, field)| field.byte <= own.byte && end(&own) <= end(field))
        .map(|(named, field)| (named, field == own))
}

/// What a lead speaks of: of a signal that nobody names, only that something was switched.
pub fn kind(analysis: &Analysis, lead: &Lead) -> LeadKind {
    let falls = matches!(lead.change, Change::Below(_) | Change::Falls);
    match of(analysis, &lead.place).map(|(own, _)| own.number) {
        Some(own) if SUPPLY.contains(&own) && falls => LeadKind::Supply,
        Some(own) if WARMTH.contains(&own) => LeadKind::Warmth,
        Some(own) if MOVEMENT.contains(&own) => LeadKind::Movement,
        _ => LeadKind::Switch,
    }
}
