//! Trouble codes: SAE J2012 / ISO 15031-6 numbering, failure type byte, and the status bits of ISO
//! 14229-1.

use core::fmt;

use crate::frame::hexadecimal;

/// A code of two bytes, as emissions services report it.
///
/// ```
/// use lostnode_parsers::dtc::Code;
/// assert_eq!(Code::new([0xC1, 0x21], None).to_string(), "U0121");
/// assert_eq!(Code::new([0xC1, 0x00], Some(0x87)).to_string(), "U0100-87");
/// ```
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub struct Code {
    base: u16,
    failure_type: Option<u8>,
}

/// The system a code belongs to: its first letter (ISO 15031-6, 5.2).
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum System {
    /// P
    Powertrain,
    /// C
    Chassis,
    /// B
    Body,
    /// U
    Network,
}

impl Code {
    /// From two bytes, and the failure type byte of the three-byte form.
    pub const fn new(base: [u8; 2], failure_type: Option<u8>) -> Code {
        Code { base: u16::from_be_bytes(base), failure_type }
    }

    /// Letter and digits to a code: `U0100` or `U0100-87`; `None` where the text is no code.
    ///
    /// ```
    /// use lostnode_parsers::dtc::Code;
    /// assert_eq!(Code::parse("P0104"), Some(Code::new([0x01, 0x04], None)));
    /// assert_eq!(Code::parse("P4104"), None);
    /// ```
    pub fn parse(text: &str) -> Option<Code> {
        let (base, failure) =
            text.split_once('-').map_or((text, None), |(base, failure)| (base, Some(failure)));
        let mut characters = base.chars();
        let system = match characters.next()? {
            'P' => 0,
            'C' => 1,
            'B' => 2,
            'U' => 3,
            _ => return None,
        };
        let number = hexadecimal(characters.as_str(), 4).filter(|number| *number < 0x4000)?;
        let failure_type = match failure {
            Some(text) => Some(hexadecimal(text, 2)? as u8),
            None => None,
        };
        Some(Code { base: system << 14 | number as u16, failure_type })
    }

    /// The two bytes without the failure type.
    pub const fn base(self) -> [u8; 2] {
        self.base.to_be_bytes()
    }

    /// The failure type byte, where the code has one.
    pub const fn failure_type(self) -> Option<u8> {
        self.failure_type
    }

    /// Its system.
    pub const fn system(self) -> System {
        match self.base >> 14 {
            0 => System::Powertrain,
            1 => System::Chassis,
            2 => System::Body,
            _ => System::Network,
        }
    }

    /// Whether the number is defined by the standard rather than the maker: second digit 0 (and 2,
    /// and from P3400 on, in the powertrain; 3 for network codes). ISO 15031-6, 5.3.
    pub const fn is_generic(self) -> bool {
        let number = self.base & 0x3FFF;
        match (self.system(), number >> 12) {
            (_, 0) => true,
            (System::Powertrain, 2) | (System::Network, 3) => true,
            (System::Powertrain, 3) => number >= 0x3400,
            _ => false,
        }
    }
}

impl Code {
    /// Whether nobody has given the number a meaning yet: B3xxx and C3xxx (ISO 15031-6, 5.3).
    ///
    /// ```
    /// use lostnode_parsers::dtc::Code;
    /// assert!(Code::parse("C3100").unwrap().is_reserved());
    /// assert!(!Code::parse("U3100").unwrap().is_reserved());
    /// ```
    pub const fn is_reserved(self) -> bool {
        matches!(self.system(), System::Body | System::Chassis) && (self.base & 0x3FFF) >> 12 == 3
    }
}

/// Which codes a request to clear names (groupOfDTC).
///
/// ```
/// use lostnode_parsers::dtc::{Code, Group};
/// let code = |text| Code::parse(text).unwrap();
/// assert_eq!(Group::parse(&[0xFF, 0xFF, 0xFF]), Some(Group::All));
/// let one = Group::parse(&[0xC1, 0x21, 0x87]).unwrap();
/// assert!(one.has(code("U0121-87")) && !one.has(code("U0121-00")));
/// let chassis = Group::parse(&[0x40, 0x00]).unwrap();
/// assert!(chassis.has(code("C0040")) && !chassis.has(code("U0121")));
/// ```
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Group {
    /// All of them.
    All,
    /// Those of one system.
    System(System),
    /// One code; without a failure type, whatever type it has.
    One(Code),
}

impl Group {
    /// What follows the service identifier: three bytes (ISO 14229-1:2020, 11.2 and D.1) or two
    /// (ISO 14230-3:1999, 8.4); the numbers from memory. `None` where there are fewer.
    ///
    /// A group of some function (`FFFF00` and above) counts as all: what it holds nobody knows.
    pub const fn parse(data: &[u8]) -> Option<Group> {
        let (base, failure_type) = match *data {
            [0xFF, 0x00] | [0xFF, 0xFF, ..] => return Some(Group::All),
            [high, low] => ([high, low], None),
            [high, low, failure_type, ..] => ([high, low], Some(failure_type)),
            _ => return None,
        };
        let code = Code::new(base, failure_type);
        // The first number of a system, which is no code, names all of it.
        let of_system =
            base[0] & 0x2F == 0 && base[1] == 0 && matches!(failure_type, None | Some(0));
        Some(if of_system { Group::System(code.system()) } else { Group::One(code) })
    }

    /// Whether a code is one of them.
    pub fn has(self, code: Code) -> bool {
        match self {
            Group::All => true,
            Group::System(system) => code.system() == system,
            Group::One(one) => {
                let alike = one.failure_type == code.failure_type;
                one.base == code.base
                    && (alike || one.failure_type.is_none() || code.failure_type.is_none())
            }
        }
    }
}

impl fmt::Display for Code {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        let letter = ['P', 'C', 'B', 'U'][usize::from(self.base >> 14)];
        write!(f, "{letter}{:04X}", self.base & 0x3FFF)?;
        self.failure_type.map_or(Ok(()), |failure| write!(f, "-{failure:02X}"))
    }
}

/// The status byte of a code (ISO 14229-1:2020, D.2).
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash)]
pub struct Status(pub u8);

/// Names of the status bits, lowest first (ISO 14229-1:2020, table D.1).
pub const STATUS_BITS: [&str; 8] = [
    "testFailed",
    "testFailedThisOperationCycle",
    "pendingDTC",
    "confirmedDTC",
    "testNotCompletedSinceLastClear",
    "testFailedSinceLastClear",
    "testNotCompletedThisOperationCycle",
    "warningIndicatorRequested",
];

/// Single bits (ISO 14229-1:2020, D.2).
impl Status {
    /// The test of the code failed when it ran last.
    pub const TEST_FAILED: u8 = 0x01;
    /// It failed in this operation cycle.
    pub const FAILED_THIS_CYCLE: u8 = 0x02;
    /// It failed in this operation cycle or the one before.
    pub const PENDING: u8 = 0x04;
    /// It failed often enough for the code to be stored.
    pub const CONFIRMED: u8 = 0x08;
    /// The module asks for a warning lamp.
    pub const WARNING_LAMP: u8 = 0x80;
}

impl Status {
    /// Names of the bits that are set.
    ///
    /// ```
    /// use lostnode_parsers::dtc::Status;
    /// assert_eq!(Status(0x09).names().collect::<Vec<_>>(), ["testFailed", "confirmedDTC"]);
    /// ```
    pub fn names(self) -> impl Iterator<Item = &'static str> {
        STATUS_BITS
            .iter()
            .enumerate()
            .filter(move |(bit, _)| self.0 >> bit & 1 == 1)
            .map(|(_, name)| *name)
    }

    /// Whether the module holds a fault under this code at all: failed, pending, confirmed, or
    /// failed since the clear. The two "not completed" bits alone are no fault.
    pub const fn is_fault(self) -> bool {
        self.0 & 0b0010_1111 != 0
    }

    /// Whether the test has run to its end since the codes were cleared.
    pub const fn tested_since_clear(self) -> bool {
        self.0 & 0x10 == 0
    }
}

/// The codes of a list of two-byte codes; all-zero ones are padding (ISO 15031-5, 8.3).
pub fn two_byte_codes(data: &[u8]) -> impl Iterator<Item = Code> + '_ {
    data.chunks_exact(2)
        .filter(|bytes| *bytes != [0, 0])
        .map(|bytes| Code::new([bytes[0], bytes[1]], None))
}
