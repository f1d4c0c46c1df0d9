//! SAE J1939: identifier fields, address claim, transport, active codes.
//!
//! References: SAE J1939-21 (identifier, transport), J1939-81 (address claim, NAME), J1939-73
//! (codes), J1939-71 (parameters); the documents are not public: clause numbers and values
//! are from memory where marked.

mod addresses;
mod signals;

use crate::ExtendedId;

pub use addresses::{ADDRESSES, SERVICE_TOOLS, address_name, is_vital};
pub use signals::{SIGNALS, Signal, signal, signals_of};

/// Fields of a 29-bit identifier.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Fields {
    /// 0 to 7, 0 first.
    pub priority: u8,
    /// Parameter group number, with the destination taken out where there is one.
    pub pgn: u32,
    /// Who it is for; `None` for all, also where the address is 255, the global one (J1939-21).
    pub destination: Option<u8>,
    /// Who sent it.
    pub source: u8,
}

impl Fields {
    /// Splits an identifier.
    ///
    /// ```
    /// use lostnode_parsers::{j1939::Fields, ExtendedId};
    /// let fields = Fields::of(ExtendedId::new(0x18FECA0B).unwrap());
    /// assert_eq!((fields.pgn, fields.source, fields.destination), (0xFECA, 0x0B, None));
    /// let fields = Fields::of(ExtendedId::new(0x1CEC0021).unwrap());
    /// assert_eq!((fields.pgn, fields.source, fields.destination), (0xEC00, 0x21, Some(0x00)));
    /// let fields = Fields::of(ExtendedId::new(0x1CECFF21).unwrap());
    /// assert_eq!((fields.pgn, fields.source, fields.destination), (0xEC00, 0x21, None));
    /// ```
    pub fn of(id: ExtendedId) -> Fields {
        let raw = id.as_raw();
        let format = raw >> 16 & 0xFF;
        let page = raw >> 8 & 0x3_0000;
        // Formats below 240 carry a destination in the next byte; the others a group extension.
        let (pgn, destination) = if format < 240 {
            let address = (raw >> 8) as u8;
            (page | format << 8, (address != GLOBAL_ADDRESS).then_some(address))
        } else {
            (raw >> 8 & 0x3_FFFF, None)
        };
        Fields { priority: (raw >> 26) as u8, pgn, destination, source: raw as u8 }
    }
}

/// Address claimed.
pub const ADDRESS_CLAIMED: u32 = 0xEE00;
/// Transport, connection management.
pub const TRANSPORT_CONTROL: u32 = 0xEC00;
/// Request for a group.
pub const REQUEST: u32 = 0xEA00;
/// Acknowledgement.
pub const ACKNOWLEDGEMENT: u32 = 0xE800;
/// Transport, data.
pub const TRANSPORT_DATA: u32 = 0xEB00;
/// Active codes.
pub const DM1: u32 = 0xFECA;
/// Previously active codes.
pub const DM2: u32 = 0xFECB;
/// Asked for, it clears the previously active codes (SAE J1939-73; from memory, as the next ones).
pub const DM3: u32 = 0xFECC;
/// Pending codes that have to do with emissions.
pub const DM6: u32 = 0xFECF;
/// Asked for, it clears the active codes.
pub const DM11: u32 = 0xFED3;
/// Active codes that have to do with emissions.
pub const DM12: u32 = 0xFED4;
/// Previously active codes that have to do with emissions.
pub const DM23: u32 = 0xFDB5;
/// Permanent codes that have to do with emissions.
pub const DM28: u32 = 0xFD80;
/// Stop and start of all messages that are sent by themselves (DM13).
pub const STOP_START_BROADCAST: u32 = 0xDF00;
/// Vehicle identification.
pub const VEHICLE_IDENTIFICATION: u32 = 0xFEEC;
/// Component identification: make, model, serial number, unit number between asterisks.
pub const COMPONENT_IDENTIFICATION: u32 = 0xFEEB;
/// Software identification.
pub const SOFTWARE_IDENTIFICATION: u32 = 0xFEDA;
/// Vehicle electrical power 1: holds the battery potential.
pub const ELECTRICAL_POWER: u32 = 0xFEF7;
/// Destination of what is for all.
pub const GLOBAL_ADDRESS: u8 = 255;
/// Address that a unit uses which could not claim one.
pub const NULL_ADDRESS: u8 = 254;

/// Groups that nearly every vehicle of SAE J1939 sends: engine, transmission, brakes, retarder,
/// cruise control, temperatures, pressures, electrics, hours, distances, codes, identification,
/// requests, transport, claims (J1939-71, -73, -21, -81; from memory).
const EVERYDAY: [u32; 33] = [
    0xEA00, 0xEB00, 0xEC00, 0xEE00, 0xF000, 0xF001, 0xF002, 0xF003, 0xF004, 0xF005, 0xF009, 0xFD7C,
    0xFDB2, 0xFDB3, 0xFE6C, 0xFEBF, 0xFEC1, 0xFECA, 0xFECB, 0xFEDA, 0xFEDF, 0xFEE0, 0xFEE5, 0xFEE9,
    0xFEEB, 0xFEEC, 0xFEEE, 0xFEEF, 0xFEF1, 0xFEF2, 0xFEF5, 0xFEF6, 0xFEF7,
];

/// Whether a group is one that nearly every vehicle of SAE J1939 sends.
///
/// ```
/// use lostnode_parsers::j1939::is_everyday;
/// // Engine speed is, a group of a maker's own is not.
/// assert!(is_everyday(0xF004) && !is_everyday(0xFF21));
/// ```
pub fn is_everyday(pgn: u32) -> bool {
    EVERYDAY.binary_search(&pgn).is_ok()
}

/// Groups that their sender repeats for as long as it runs, at 10 ms to 1 s: retarder, brakes 1 and
/// 2, transmission 1 and 2, engine 1 to 3, vehicle dynamics 1 and 2, tachograph, air supply,
/// distance, temperatures, levels and pressures, speed, fuel rate, surroundings, inlet, electrics,
/// brake pressures, display, power take-off, transmission fluids, wheel speeds, brakes 5; of the
/// aftertreatment NOx before and behind, temperatures, tank, filter, dosing (J1939-71, transmission
/// repetition rate; from memory. The openly published FMS-Standard, interface description, has the
/// same rates for engine 1 and 2, speed, tachograph, distance, temperatures, fuel rate and
/// surroundings). Active codes are not among them: who has none need not send them.
const CYCLIC: [u32; 34] = [
    0xF000, 0xF001, 0xF002, 0xF003, 0xF004, 0xF005, 0xF009, 0xF00E, 0xF00F, 0xF023, 0xFD7C, 0xFDB2,
    0xFDB3, 0xFDB4, 0xFDC4, 0xFE4F, 0xFE56, 0xFE6C, 0xFE6E, 0xFEAE, 0xFEBF, 0xFEC1, 0xFEDF, 0xFEEE,
    0xFEEF, 0xFEF0, 0xFEF1, 0xFEF2, 0xFEF5, 0xFEF6, 0xFEF7, 0xFEF8, 0xFEFA, 0xFEFC,
];

/// Whether a group is one that its sender repeats for as long as it runs, and never pauses.
///
/// ```
/// use lostnode_parsers::j1939::is_cyclic;
/// // Brakes 1 is; requests come when there is something to ask, and of a maker's own groups
/// // nothing is known.
/// assert!(is_cyclic(0xF001) && !is_cyclic(0xEA00) && !is_cyclic(0xFF0E));
/// ```
pub fn is_cyclic(pgn: u32) -> bool {
    CYCLIC.binary_search(&pgn).is_ok()
}

/// Groups that are sent on an occasion, however regular they are meanwhile: torque and speed
/// control (TSC1), transmission control (TC1) and external brake request (XBR) while there is
/// something to control; stop and start broadcast (DM13), acknowledgement, request, transport,
/// claim; codes on request and their clearing (DM2, DM3, DM11). J1939-71, -73, -21, -81; from
/// memory.
const ON_OCCASION: [u32; 14] = [
    0x0000, 0x0100, 0x0400, 0xC700, 0xC800, 0xDF00, 0xE800, 0xEA00, 0xEB00, 0xEC00, 0xEE00, 0xFECB,
    0xFECC, 0xFED3,
];

/// Whether a group is one that is sent on an occasion only, so that its end is no loss.
///
/// ```
/// use lostnode_parsers::j1939::comes_on_occasion;
/// // Torque and speed control does, engine speed does not.
/// assert!(comes_on_occasion(0x0000) && !comes_on_occasion(0xF004));
/// ```
pub fn comes_on_occasion(pgn: u32) -> bool {
    ON_OCCASION.binary_search(&pgn).is_ok()
}

/// Battery potential in volts from the electrical power group (SPN 168).
pub fn battery_potential(data: &[u8]) -> Option<f64> {
    signal(168)?.decode(data)
}

/// The 64-bit NAME of a unit (J1939-81).
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord)]
pub struct Name(pub u64);

impl Name {
    /// From the data of an address claim.
    pub fn parse(data: &[u8]) -> Option<Name> {
        data.first_chunk().map(|bytes| Name(u64::from_le_bytes(*bytes)))
    }

    /// Identity number, 21 bits, unique within the manufacturer.
    pub fn identity(self) -> u32 {
        (self.0 & 0x1F_FFFF) as u32
    }

    /// The same NAME with the identity number 0: of any unit of its kind.
    pub fn without_identity(self) -> Name {
        Name(self.0 & !0x1F_FFFF)
    }

    /// Manufacturer code, 11 bits.
    pub fn manufacturer(self) -> u16 {
        (self.0 >> 21 & 0x7FF) as u16
    }

    /// Function, 8 bits.
    pub fn function(self) -> u8 {
        (self.0 >> 40) as u8
    }
}

/// The lamps that DM1 or DM2 asks for.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Lamps {
    /// Malfunction indicator.
    pub malfunction: bool,
    /// Red stop lamp.
    pub stop: bool,
    /// Amber warning lamp.
    pub warning: bool,
    /// Protect lamp.
    pub protect: bool,
}

impl Lamps {
    /// Names of those that are asked for.
    pub fn lit(self) -> impl Iterator<Item = &'static str> {
        [
            (self.malfunction, "malfunction indicator"),
            (self.stop, "red stop"),
            (self.warning, "amber warning"),
            (self.protect, "protect"),
        ]
        .into_iter()
        .filter(|(on, _)| *on)
        .map(|(_, name)| name)
    }
}

/// A code of DM1 or DM2: suspect parameter, failure mode, occurrences.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub struct SpnFmi {
    /// Suspect parameter number, 19 bits.
    pub spn: u32,
    /// Failure mode, 0 to 31.
    pub fmi: u8,
    /// Occurrence count, 0 to 126; [`SpnFmi::NO_COUNT`] where it is not available.
    pub count: u8,
    /// By the conversion bit the number is packed as one of the three versions before the present
    /// one, which a listener cannot tell apart: the number read here may be another one.
    pub old_conversion: bool,
}

impl SpnFmi {
    /// Count of a code whose occurrences are not counted.
    pub const NO_COUNT: u8 = 127;
}

/// Lamps and codes of a DM1 or DM2 message, whole after transport; `None` where it is too short.
///
/// ```
/// use lostnode_parsers::j1939::codes;
/// let (lamps, mut list) = codes(&[0x04, 0xFF, 0x7F, 0x02, 0x09, 0x05, 0xFF, 0xFF]).unwrap();
/// assert!(lamps.warning && !lamps.malfunction);
/// let code = list.next().unwrap();
/// assert_eq!((code.spn, code.fmi, code.count), (639, 9, 5));
/// ```
pub fn codes(data: &[u8]) -> Option<(Lamps, impl Iterator<Item = SpnFmi> + '_)> {
    let [lamps, _, list @ ..] = data else { return None };
    // Two bits a lamp: 01 is on.
    let on = |shift: u8| lamps >> shift & 3 == 1;
    let lamps = Lamps { malfunction: on(6), stop: on(4), warning: on(2), protect: on(0) };
    let codes = list.chunks_exact(4).filter_map(|bytes| {
        let (spn, fmi) = spn_fmi([bytes[0], bytes[1], bytes[2]])?;
        let (count, old_conversion) = (bytes[3] & 0x7F, bytes[3] & 0x80 != 0);
        Some(SpnFmi { spn, fmi, count, old_conversion })
    });
    Some((lamps, codes))
}

/// Suspect parameter and failure mode from the first three bytes of a code (SAE J1939-73, 5.7.1,
/// fourth version; from memory); `None` for zero and all ones, which stand for no code.
///
/// ```
/// use lostnode_parsers::j1939::spn_fmi;
/// assert_eq!(spn_fmi([0x7F, 0x02, 0x09]), Some((639, 9)));
/// assert_eq!(spn_fmi([0xFF, 0xFF, 0xFF]), None);
/// ```
pub fn spn_fmi([low, middle, high]: [u8; 3]) -> Option<(u32, u8)> {
    let spn = u32::from(low) | u32::from(middle) << 8 | u32::from(high >> 5) << 16;
    (spn != 0 && spn != 0x7_FFFF).then_some((spn, high & 0x1F))
}

/// Meaning of a failure mode (J1939-73, appendix A; from memory, worded by us).
pub const FAILURE_MODES: [&str; 22] = [
    "data valid but above normal range, most severe",
    "data valid but below normal range, most severe",
    "data erratic, intermittent or incorrect",
    "voltage above normal or shorted high",
    "voltage below normal or shorted low",
    "current below normal or open circuit",
    "current above normal or grounded circuit",
    "mechanical system not responding or out of adjustment",
    "abnormal frequency, pulse width or period",
    "abnormal update rate",
    "abnormal rate of change",
    "root cause not known",
    "bad intelligent device or component",
    "out of calibration",
    "special instructions",
    "data valid but above normal range, least severe",
    "data valid but above normal range, moderately severe",
    "data valid but below normal range, least severe",
    "data valid but below normal range, moderately severe",
    "received network data in error",
    "data drifted high",
    "data drifted low",
];

/// Meaning of a failure mode; `None` where reserved.
pub fn failure_mode(fmi: u8) -> Option<&'static str> {
    match fmi {
        31 => Some("condition exists"),
        _ => FAILURE_MODES.get(usize::from(fmi)).copied(),
    }
}

/// What DM13 has units do with the messages that they send by themselves (SAE J1939-73, from
/// memory).
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Broadcast {
    /// Send none.
    Stop,
    /// Send them again.
    Start,
    /// Remain as they are for another while.
    Hold,
}

impl Broadcast {
    /// From the data; `None` where it says nothing of the network it comes on, nor of network 1,
    /// which the connector has. Two bits a network: 00 stops, 01 starts; of byte 1 the highest are
    /// the network it comes on and the lowest network 1. The upper half of byte 4 holds.
    ///
    /// ```
    /// use lostnode_parsers::j1939::Broadcast;
    /// let stop = [0xFC, 0xFF, 0xFF, 0xFF, 0xFF, 0xFF, 0xFF, 0xFF];
    /// assert_eq!(Broadcast::parse(&stop), Some(Broadcast::Stop));
    /// let of_another = [0xFF, 0x3F, 0xFF, 0xFF, 0xFF, 0xFF, 0xFF, 0xFF];
    /// assert_eq!(Broadcast::parse(&of_another), None);
    /// let hold = [0xFF, 0xFF, 0xFF, 0x0F, 0xFF, 0xFF, 0xFF, 0xFF];
    /// assert_eq!(Broadcast::parse(&hold), Some(Broadcast::Hold));
    /// ```
    pub fn parse(data: &[u8]) -> Option<Broadcast> {
        let [first, _, _, hold, ..] = *data else { return None };
        let networks = [first >> 6, first & 3];
        match hold >> 4 {
            _ if networks.contains(&0) => Some(Broadcast::Stop),
            _ if networks.contains(&1) => Some(Broadcast::Start),
            // To all units, or to those that were stopped.
            0 | 1 => Some(Broadcast::Hold),
            _ => None,
        }
    }
}

/// A message of the transport's connection management.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Control {
    /// A message to all follows (BAM).
    Announce {
        /// Bytes.
        length: u16,
        /// Packets.
        packets: u8,
        /// Group of the message.
        pgn: u32,
    },
    /// A message to one unit is offered (RTS).
    Request {
        /// Bytes.
        length: u16,
        /// Packets.
        packets: u8,
        /// Group of the message.
        pgn: u32,
    },
    /// The receiver asks for packets (CTS).
    Clear,
    /// The receiver has it all.
    End,
    /// Either side gave up.
    Abort,
}

impl Control {
    /// From the eight data bytes; `None` where reserved or impossible (a message has 9 to 1785
    /// bytes).
    pub fn parse(data: &[u8]) -> Option<Control> {
        let [kind, low, high, packets, _, a, b, c] = *data.first_chunk::<8>()?;
        let length = u16::from_le_bytes([low, high]);
        let pgn = u32::from_le_bytes([a, b, c, 0]) & 0x3_FFFF;
        let fits = (9..=1785).contains(&length) && u16::from(packets) == length.div_ceil(7);
        match kind {
            32 if fits => Some(Control::Announce { length, packets, pgn }),
            16 if fits => Some(Control::Request { length, packets, pgn }),
            17 => Some(Control::Clear),
            19 => Some(Control::End),
            255 => Some(Control::Abort),
            _ => None,
        }
    }
}

/// The group that a request asks for (SAE J1939-21, 5.4.2; from memory), which some pad to a whole
/// frame; `None` where it has no three bytes.
///
/// ```
/// use lostnode_parsers::j1939::{DM11, requested};
/// assert_eq!(requested(&[0xD3, 0xFE, 0x00]), Some(DM11));
/// assert_eq!(requested(&[0xD3, 0xFE, 0x00, 0xFF, 0xFF, 0xFF, 0xFF, 0xFF]), Some(DM11));
/// assert_eq!(requested(&[0xD3, 0xFE]), None);
/// ```
pub fn requested(data: &[u8]) -> Option<u32> {
    match *data {
        [a, b, c, ..] => Some(u32::from_le_bytes([a, b, c, 0]) & 0x3_FFFF),
        _ => None,
    }
}

/// The group that a positive acknowledgement is about (SAE J1939-21, 5.4.4; from memory); `None`
/// for a refusal and what is no acknowledgement.
///
/// ```
/// use lostnode_parsers::j1939::{DM11, acknowledged};
/// assert_eq!(acknowledged(&[0, 0xFF, 0xFF, 0xFF, 0xF9, 0xD3, 0xFE, 0x00]), Some(DM11));
/// assert_eq!(acknowledged(&[1, 0xFF, 0xFF, 0xFF, 0xF9, 0xD3, 0xFE, 0x00]), None);
/// ```
pub fn acknowledged(data: &[u8]) -> Option<u32> {
    match *data {
        [0, _, _, _, _, a, b, c] => Some(u32::from_le_bytes([a, b, c, 0]) & 0x3_FFFF),
        _ => None,
    }
}

/// Whether a group tells or clears codes and is sent to a request as a rule: what a tester asks for
/// (SAE J1939-73, from memory).
pub fn is_of_codes(pgn: u32) -> bool {
    matches!(pgn, DM1 | DM2 | DM3 | DM6 | DM11 | DM12 | DM23 | DM28)
}

/// Longest message of the transport.
pub const LONGEST: usize = 1785;
