//! Signals that a standard names, so that a lead is told by name and unit.

use lostnode_parsers::Id;
use lostnode_parsers::j1939::{Fields, Signal, signals_of};

use crate::analysis::just_before::{Change, Field, Lead, LeadKind};
use crate::analysis::{Analysis, J1939};

/// Suspect parameters by what they are about.
const SUPPLY: [u32; 3] = [158, 167, 168];
const WARMTH: [u32; 2] = [110, 171];
const MOVEMENT: [u32; 2] = [84, 190];

/// The signals that an identifier of SAE J1939 carries, each with its place.
///
/// ```
/// use lostnode::parsers::frame::parse_id;
/// use lostnode::precursor::standard::fields;
/// let (signal, field) = fields(parse_id("18FEF10B").unwrap()).next().unwrap();
/// assert_eq!((signal.spn, field.byte, field.width), (84, 1, 16));
/// ```
pub fn fields(id: Id) -> impl Iterator<Item = (&'static Signal, Field)> {
    let group = match id {
        Id::Extended(id) => Some(Fields::of(id).pgn),
        Id::Standard(_) => None,
    };
    group.into_iter().flat_map(signals_of).map(|signal| {
        let width = signal.length as u8 * 8;
        (signal, Field { byte: signal.start as u8, bit: None, width, high_first: false })
    })
}

/// The signal in which a field lies.
pub fn of(id: Id, field: Field) -> Option<&'static Signal> {
    let first = usize::from(field.byte);
    let last = first + usize::from(field.width).div_ceil(8) - 1;
    let holds = |own: &&Signal| own.start <= first && last < own.start + own.length;
    fields(id).map(|(signal, _)| signal).find(holds)
}

/// What a lead speaks of: of a signal that nobody names, only that something was switched.
pub fn kind(analysis: &Analysis, lead: &Lead) -> LeadKind {
    let speaks = analysis.channel(lead.place.channel).j1939 == J1939::Yes;
    let number = of(lead.place.id, lead.place.field).filter(|_| speaks).map(|own| own.spn);
    let falls = matches!(lead.change, Change::Below(_) | Change::Falls);
    match number {
        Some(own) if SUPPLY.contains(&own) && falls => LeadKind::Supply,
        Some(own) if WARMTH.contains(&own) => LeadKind::Warmth,
        Some(own) if MOVEMENT.contains(&own) => LeadKind::Movement,
        _ => LeadKind::Switch,
    }
}
