//! Answers to readDTCByStatus (service 0x18 of ISO 14230-3), as modules of before ISO 14229-1 give
//! them over ISO-TP too.

use crate::dtc::Code;

/// A positive answer to readDiagnosticTroubleCodesByStatus (ISO 14230-3:1999, from memory): how
/// many codes, then for each its two bytes and its status.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct DtcsByStatus<'a> {
    records: &'a [u8],
}

/// One code of it.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct DtcByStatus {
    /// The code; it has no failure type.
    pub code: Code,
    /// Its status.
    pub status: StatusOfDtc,
}

/// The byte statusOfDTC of ISO 14230-3, which has nothing in common with the status byte of ISO
/// 14229-1. From memory; an open library (ecu_diagnostics) reads the same bits so. Makers use the
/// others as they like.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash)]
pub struct StatusOfDtc(pub u8);

/// What bits 6 and 5 of [`StatusOfDtc`] say.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Storage {
    /// Not detected, and not stored.
    NotDetected,
    /// Not present when it was asked, and stored.
    Stored,
    /// Detected, and not stored yet: maturing, or intermittent.
    Maturing,
    /// Present when it was asked, and stored.
    Present,
}

impl StatusOfDtc {
    /// The module asks for the warning lamp.
    pub const WARNING_LAMP: u8 = 0x80;

    /// Whether the fault is there and whether it is stored.
    ///
    /// ```
    /// use lostnode_parsers::uds::{StatusOfDtc, Storage};
    /// assert_eq!(StatusOfDtc(0x20).storage(), Storage::Stored);
    /// assert_eq!(StatusOfDtc(0xE8).storage(), Storage::Present);
    /// ```
    pub const fn storage(self) -> Storage {
        match self.0 >> 5 & 0b11 {
            0b00 => Storage::NotDetected,
            0b01 => Storage::Stored,
            0b10 => Storage::Maturing,
            _ => Storage::Present,
        }
    }
}

impl<'a> DtcsByStatus<'a> {
    /// Reads what follows the response identifier 0x58; `None` where it has fewer codes than it
    /// says.
    ///
    /// ```
    /// use lostnode_parsers::uds::{DtcsByStatus, Storage};
    /// let list = DtcsByStatus::parse(&[1, 0xC1, 0x00, 0xE0]).unwrap();
    /// let code = list.records().next().unwrap();
    /// assert_eq!(code.code.to_string(), "U0100");
    /// assert_eq!(code.status.storage(), Storage::Present);
    /// ```
    pub fn parse(data: &'a [u8]) -> Option<DtcsByStatus<'a>> {
        let (count, records) = data.split_first()?;
        Some(DtcsByStatus { records: records.get(..3 * usize::from(*count))? })
    }

    /// The codes; all-zero ones are padding.
    pub fn records(&self) -> impl Iterator<Item = DtcByStatus> + use<'a> {
        self.records.chunks_exact(3).filter_map(|bytes| {
            let [high, low, status] = *bytes else { return None };
            let code = Code::new([high, low], None);
            let status = StatusOfDtc(status);
            ([high, low] != [0, 0]).then_some(DtcByStatus { code, status })
        })
    }
}
