//! Answers to ReadDTCInformation (service 0x19).

use crate::dtc::{Code, Status};

/// A positive answer to ReadDTCInformation (ISO 14229-1:2020, 12.3), decoded to its records.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct DtcReport<'a> {
    /// Which report.
    pub sub_function: u8,
    /// Status bits that the module supports.
    pub availability: Option<u8>,
    /// Format of the codes: 0 SAE J2012-DA 00, 1 ISO 14229-1, 2 SAE J1939-73, 3 ISO 11992-4, 4 SAE
    /// J2012-DA 04.
    pub format: Option<u8>,
    /// Number of codes, where only that was asked.
    pub count: Option<u16>,
    /// Memory that was read, where one was selected.
    pub memory: Option<u8>,
    /// Functional group whose codes were read (reports 42, 55, 56): 33 emissions, D0 safety, FE
    /// legislated vehicle on-board diagnosis.
    pub group: Option<u8>,
    layout: Layout,
    records: &'a [u8],
}

/// How records follow each other.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
enum Layout {
    None,
    /// Code, status.
    Status,
    /// Code, one byte that is no status: record number or signed counter.
    Other {
        counter: bool,
    },
    /// Severity, functional unit, code, status.
    Severity,
    /// Severity, code, status.
    ShortSeverity,
    /// One code with its status, then data of unknown inner lengths.
    Single,
}

/// One code of a report.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct DtcRecord<'a> {
    /// The code with its failure type.
    pub code: Code,
    /// Its status, where the report gives one.
    pub status: Option<Status>,
    /// Snapshot record number (report 03).
    pub snapshot: Option<u8>,
    /// Fault detection counter, -128 to 127 (report 14).
    pub counter: Option<i8>,
    /// Severity and functional unit (reports 08, 09, 42).
    pub severity: Option<(u8, Option<u8>)>,
    /// Snapshot or extended data that follows the code.
    pub data: &'a [u8],
}

impl<'a> DtcReport<'a> {
    /// Reads what follows the response identifier 0x59; `None` where it is too short for its
    /// report.
    ///
    /// ```
    /// use lostnode_parsers::uds::DtcReport;
    /// let report = DtcReport::parse(&[0x02, 0xFF, 0xC1, 0x00, 0x87, 0x08]).unwrap();
    /// assert_eq!(report.records().next().unwrap().code.to_string(), "U0100-87");
    /// ```
    pub fn parse(data: &'a [u8]) -> Option<DtcReport<'a>> {
        let (sub_function, rest) = data.split_first()?;
        let mut report = DtcReport {
            sub_function: *sub_function,
            availability: None,
            format: None,
            count: None,
            memory: None,
            group: None,
            layout: Layout::None,
            records: &[],
        };
        match (sub_function, rest) {
            (0x01 | 0x07 | 0x11 | 0x12, [availability, format, high, low, ..]) => {
                report.availability = Some(*availability);
                report.format = Some(*format);
                report.count = Some(u16::from_be_bytes([*high, *low]));
            }
            (0x02 | 0x0A..=0x0F | 0x13 | 0x15, [availability, records @ ..]) => {
                report.availability = Some(*availability);
                (report.layout, report.records) = (Layout::Status, records);
            }
            (0x03, records) => {
                (report.layout, report.records) = (Layout::Other { counter: false }, records)
            }
            (0x14, records) => {
                (report.layout, report.records) = (Layout::Other { counter: true }, records)
            }
            (0x04 | 0x06 | 0x10, records) => {
                (report.layout, report.records) = (Layout::Single, records)
            }
            // The number of the data record stands before the code.
            (0x05 | 0x16, [_, records @ ..]) => {
                (report.layout, report.records) = (Layout::Single, records)
            }
            (0x08 | 0x09, [availability, records @ ..]) => {
                report.availability = Some(*availability);
                (report.layout, report.records) = (Layout::Severity, records);
            }
            (0x17, [memory, availability, records @ ..]) => {
                (report.memory, report.availability) = (Some(*memory), Some(*availability));
                (report.layout, report.records) = (Layout::Status, records);
            }
            (0x18 | 0x19, [memory, records @ ..]) => {
                report.memory = Some(*memory);
                (report.layout, report.records) = (Layout::Single, records);
            }
            // Functional group, status and severity availability, format.
            (0x42, [group, availability, _, format, records @ ..]) => {
                report.group = Some(*group);
                (report.availability, report.format) = (Some(*availability), Some(*format));
                (report.layout, report.records) = (Layout::ShortSeverity, records);
            }
            (0x55, [group, availability, format, records @ ..])
            | (0x56, [group, availability, format, _, records @ ..]) => {
                report.group = Some(*group);
                (report.availability, report.format) = (Some(*availability), Some(*format));
                (report.layout, report.records) = (Layout::Status, records);
            }
            _ => return None,
        }
        Some(report)
    }

    /// The codes of the report; all-zero records are padding. What is left over at the end is no
    /// whole record.
    pub fn records(&self) -> impl Iterator<Item = DtcRecord<'a>> + use<'a> {
        let layout = self.layout;
        let size = match layout {
            Layout::None => usize::MAX,
            Layout::Status | Layout::Other { .. } => 4,
            Layout::Severity => 6,
            Layout::ShortSeverity => 5,
            Layout::Single => self.records.len().max(4),
        };
        self.records.chunks_exact(size).filter_map(move |bytes| record(layout, bytes))
    }
}

fn record(layout: Layout, bytes: &[u8]) -> Option<DtcRecord<'_>> {
    let (before, code) = match layout {
        Layout::Severity => bytes.split_at_checked(2)?,
        Layout::ShortSeverity => bytes.split_at_checked(1)?,
        _ => (&[][..], bytes),
    };
    let [a, b, c, last, data @ ..] = code else { return None };
    if [*a, *b, *c] == [0, 0, 0] {
        return None;
    }
    let other = matches!(layout, Layout::Other { .. });
    Some(DtcRecord {
        code: Code::new([*a, *b], Some(*c)),
        status: (!other).then_some(Status(*last)),
        snapshot: (layout == Layout::Other { counter: false }).then_some(*last),
        counter: (layout == Layout::Other { counter: true }).then_some(*last as i8),
        severity: before.first().map(|severity| (*severity, before.get(1).copied())),
        data,
    })
}

/// What the format byte of a report says the codes are (ISO 14229-1:2020, table 320).
pub fn format_name(format: u8) -> Option<&'static str> {
    Some(match format {
        0 => "SAE J2012-DA, format 00",
        1 => "ISO 14229-1",
        2 => "SAE J1939-73",
        3 => "ISO 11992-4",
        4 => "SAE J2012-DA, format 04",
        _ => return None,
    })
}

/// What the severity byte of a code asks for (ISO 14229-1:2020, D.3), then its class of the global
/// technical regulation on on-board diagnosis.
///
/// ```
/// use lostnode_parsers::uds::severity;
/// assert!(severity(0x82).eq(["check immediately", "class A"]));
/// ```
pub fn severity(byte: u8) -> impl Iterator<Item = &'static str> {
    const BITS: [(u8, &str); 8] = [
        (0x80, "check immediately"),
        (0x40, "check at next halt"),
        (0x20, "maintenance only"),
        (0x01, "class 0"),
        (0x02, "class A"),
        (0x04, "class B1"),
        (0x08, "class B2"),
        (0x10, "class C"),
    ];
    BITS.into_iter().filter(move |(bit, _)| byte & bit != 0).map(|(_, name)| name)
}
