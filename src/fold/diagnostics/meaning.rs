//! What codes mean, from tables with their sources (`data/*.tsv`). What is in no table stays
//! unknown.

use std::collections::HashMap;
use std::sync::LazyLock;

use lostnode_parsers::dtc::{Code, System};
use lostnode_parsers::j1939;

/// What a code says, in the words of the tables.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Meaning {
    /// Communication with this module was lost.
    Lost(&'static str),
    /// This module sent data that is invalid.
    Invalid(&'static str),
    /// This module has software that does not match.
    Software(&'static str),
    /// Anything else.
    Text(&'static str),
}

impl Meaning {
    /// The module that is missed, of "lost communication with …".
    pub fn missed(self) -> Option<&'static str> {
        match self {
            Meaning::Lost(module) => Some(module),
            _ => None,
        }
    }
}

/// The rows of a table with tabs: without its comments and its head.
pub(crate) fn table(text: &'static str) -> impl Iterator<Item = Vec<&'static str>> {
    text.lines()
        .filter(|line| !line.starts_with('#'))
        .skip(1)
        .map(|line| line.split('\t').collect())
}

/// The words of a name.
pub(crate) fn words(name: &str) -> impl Iterator<Item = &str> {
    name.split(|c: char| !c.is_alphanumeric())
}

/// Whether a word stands in a name as it is, in capitals or small letters.
pub(crate) fn has_word(name: &str, word: &str) -> bool {
    words(name).any(|own| own.eq_ignore_ascii_case(word))
}

static NETWORK: LazyLock<HashMap<&str, Meaning>> = LazyLock::new(|| {
    let rows = table(include_str!("data/network-codes.tsv"));
    let meaning = |kind, text| match kind {
        "lost" => Meaning::Lost(text),
        "invalid" => Meaning::Invalid(text),
        "software" => Meaning::Software(text),
        _ => Meaning::Text(text),
    };
    rows.filter_map(|row| Some((*row.first()?, meaning(*row.get(1)?, *row.get(2)?)))).collect()
});

static GENERIC: LazyLock<HashMap<&str, &str>> = LazyLock::new(|| {
    let rows = table(include_str!("data/generic-codes.tsv"))
        .chain(table(include_str!("data/body-chassis-codes.tsv")));
    rows.filter_map(|row| Some((*row.first()?, *row.get(1)?))).collect()
});

static FAILURES: LazyLock<HashMap<&str, &str>> = LazyLock::new(|| {
    let rows = table(include_str!("data/failure-types.tsv"));
    rows.filter_map(|row| Some((*row.first()?, *row.get(1)?))).collect()
});

/// Meaning of a code without its failure type; `None` where no table has it.
///
/// ```
/// use lostnode::fold::diagnostics::meaning::{Meaning, of};
/// use lostnode::parsers::dtc::Code;
/// let meaning = of(Code::parse("U0199").unwrap());
/// assert_eq!(meaning, Some(Meaning::Lost("Door Control Module A")));
/// assert_eq!(of(Code::parse("P1234").unwrap()), None);
/// ```
pub fn of(code: Code) -> Option<Meaning> {
    let base = Code::new(code.base(), None).to_string();
    if code.system() == System::Network {
        NETWORK.get(base.as_str()).copied()
    } else {
        GENERIC.get(base.as_str()).map(|text| Meaning::Text(text))
    }
}

/// Whether a code of the tables says that a module of this name is missed.
///
/// ```
/// use lostnode::fold::diagnostics::meaning::is_missed;
/// assert!(is_missed("Door Control Module A"));
/// assert!(!is_missed("sliding door"));
/// ```
pub fn is_missed(module: &str) -> bool {
    NETWORK.values().any(|meaning| meaning.missed() == Some(module))
}

/// What a suspect parameter of SAE J1939 has to do with.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum ParameterAbout {
    /// The network itself: the first one of SAE J1939, which the diagnostic connector has.
    Bus,
    /// A network that need not be the one that was recorded.
    OtherBus,
    /// The J1708 link, which is no CAN.
    J1708,
    /// The voltage of a supply.
    Supply,
    /// A current of battery or alternator.
    Charge,
    /// How often the control unit was reset.
    Resets,
    /// The module at this source address.
    Module(u8),
    /// What only the module at this source address sends.
    SentBy(u8),
    /// Anything else.
    Other,
}

static PARAMETERS: LazyLock<HashMap<u32, (&str, ParameterAbout)>> = LazyLock::new(|| {
    let about = |word: &str| match word {
        "bus" => ParameterAbout::Bus,
        "other-bus" => ParameterAbout::OtherBus,
        "j1708" => ParameterAbout::J1708,
        "supply" => ParameterAbout::Supply,
        "charge" => ParameterAbout::Charge,
        "resets" => ParameterAbout::Resets,
        _ => word
            .strip_prefix("0x")
            .and_then(|digits| u8::from_str_radix(digits, 16).ok())
            .map_or(ParameterAbout::Other, ParameterAbout::SentBy),
    };
    table(include_str!("data/suspect-parameters.tsv"))
        .filter_map(|row| Some((row.first()?.parse().ok()?, (*row.get(1)?, about(row.get(2)?)))))
        .collect()
});

/// First of the parameters that stand for source addresses 0 to 253 (from memory).
const ADDRESS_0: u32 = 2000;

/// What a suspect parameter is, and what it has to do with; `None` where the table does not know.
///
/// ```
/// use lostnode::fold::diagnostics::meaning::{ParameterAbout, suspect_parameter};
/// assert_eq!(suspect_parameter(639), Some(("J1939 network 1", ParameterAbout::Bus)));
/// assert_eq!(suspect_parameter(2011).unwrap().1, ParameterAbout::Module(0x0B));
/// ```
pub fn suspect_parameter(spn: u32) -> Option<(&'static str, ParameterAbout)> {
    let address = spn.checked_sub(ADDRESS_0).and_then(|rest| u8::try_from(rest).ok());
    match address.filter(|address| *address < 254) {
        Some(address) => {
            let name = j1939::address_name(address).unwrap_or_default();
            Some((name, ParameterAbout::Module(address)))
        }
        None => PARAMETERS.get(&spn).copied(),
    }
}

static PREFERRED: LazyLock<HashMap<&str, u8>> = LazyLock::new(|| {
    let address = |word: &str| u8::from_str_radix(word.strip_prefix("0x")?, 16).ok();
    table(include_str!("data/preferred-addresses.tsv"))
        .filter_map(|row| Some((*row.first()?, address(row.get(1)?)?)))
        .collect()
});

/// The source address that SAE J1939 prefers for a module that a code names so; `None` where none
/// or more than one is its.
///
/// ```
/// use lostnode::fold::diagnostics::meaning::preferred_address;
/// assert_eq!(preferred_address("TCM"), Some(0x03));
/// assert_eq!(preferred_address("Gateway A"), None);
/// ```
pub fn preferred_address(module: &str) -> Option<u8> {
    PREFERRED.get(module).copied()
}

/// Meaning of a failure type byte, in small letters but for names.
pub fn failure_type(byte: u8) -> Option<&'static str> {
    FAILURES.get(format!("{byte:02X}").as_str()).copied()
}

/// Whether a code speaks of the supply: stored when the battery is weak or was disconnected. Common
/// practice, no source.
pub fn is_supply(code: Code) -> bool {
    let base = Code::new(code.base(), None).to_string();
    matches!(
        base.as_str(),
        "P0560" | "P0561" | "P0562" | "P0563" | "P0603" | "U3003" | "U3006" | "U3007"
    ) || matches!(code.failure_type(), Some(0x16 | 0x1C)) && code.system() == System::Network
}

/// Whether a code says that the module has a fault inside: memory, processor, watchdog, its own
/// supply (SAE J2012: P0601 to P0607, P060A to P060F; P0613 and P062F from memory). The failure
/// types 41 to 49 of ISO 15031-6 are of the component that the code names: of the module itself
/// only with U3000.
///
/// ```
/// use lostnode::fold::diagnostics::meaning::is_internal;
/// use lostnode::parsers::dtc::Code;
/// let is = |code| is_internal(Code::parse(code).unwrap());
/// assert!(is("P0606") && is("U3000-49") && !is("P0476-49") && !is("U0121-49"));
/// ```
pub fn is_internal(code: Code) -> bool {
    let base = Code::new(code.base(), None).to_string();
    match base.as_str() {
        "P0600" | "P0602" | "P0603" => false,
        "P0613" | "P062F" => true,
        "U3000" => matches!(code.failure_type(), Some(0x41..=0x49)),
        _ => base.starts_with("P060"),
    }
}

/// Whether a code says that the controller of the module itself left the bus, after too many
/// errors of its own (ISO 11898-1:2015, 12.1.4): U0073 to U0078, "control module communication
/// bus … off" of SAE J2012; failure type 88, "bus off", of a network code; and U0001, the
/// high-speed bus, where no failure type says otherwise (common practice, no source).
///
/// ```
/// use lostnode::fold::diagnostics::meaning::is_bus_off;
/// use lostnode::parsers::dtc::Code;
/// let is = |code| is_bus_off(Code::parse(code).unwrap());
/// assert!(is("U0073") && is("U0001-88") && !is("U0001-87") && !is("U0199"));
/// ```
pub fn is_bus_off(code: Code) -> bool {
    let base = Code::new(code.base(), None).to_string();
    let untold = matches!(code.failure_type(), None | Some(0));
    match base.as_str() {
        "U0073" | "U0074" | "U0075" | "U0076" | "U0077" | "U0078" => true,
        "U0001" if untold => true,
        _ => code.system() == System::Network && code.failure_type() == Some(0x88),
    }
}

/// Whether a code says that software does not fit, its own or another module's: U0300 to U03FF (SAE
/// J2012).
pub fn is_misfit(code: Code) -> bool {
    Code::new(code.base(), None).to_string().starts_with("U03")
}

/// Whether a code of software that does not fit names the module of which that is: U0300 alone is
/// of the module that holds it (SAE J2012).
pub(crate) fn is_of_another(code: Code) -> bool {
    is_misfit(code) && Code::new(code.base(), None).to_string() != "U0300"
}

/// The module whose data a code calls invalid (SAE J2012, U0401 to U04FF).
pub(crate) fn invalid(code: Code) -> Option<&'static str> {
    match of(code)? {
        Meaning::Invalid(module) => Some(module),
        _ => None,
    }
}

/// Whether a code says that the module lacks its programming or configuration, or has one that does
/// not fit: what is stored after a swap. Failure types 4A (wrong part fitted) and 51 to 57 but for
/// 53 (deactivated on purpose); U3002 is about the VIN, U3510 about a missing calibration; U0300,
/// a module's own software that does not fit, where no failure type says otherwise (SAE J2012). 56,
/// 57 and U3002 from memory. A code of invalid data is of who sends that.
pub fn is_unconfigured(code: Code) -> bool {
    let base = Code::new(code.base(), None).to_string();
    let of_type = matches!(code.failure_type(), Some(0x4A | 0x51 | 0x52 | 0x54..=0x57));
    of_type && invalid(code).is_none()
        || matches!(base.as_str(), "P0602" | "P0610" | "P0630" | "U3002" | "U3510")
        || base == "U0300" && matches!(code.failure_type(), None | Some(0))
}

/// The same of a suspect parameter of SAE J1939: program memory, the controller itself, or its
/// calibration memory (628 to 630), out of calibration (failure mode 13). From memory.
pub(crate) fn is_uncalibrated(spn: u32, fmi: u8) -> bool {
    matches!(spn, 628..=630) && fmi == 13
}
