//! What lists say of a code beside that it is in them.

use lostnode_parsers::dtc::Status;
use lostnode_parsers::uds::{StatusOfDtc, Storage};

/// What a list says of a code beside that it is in it.
#[derive(Clone, Copy)]
pub(super) enum Told {
    /// No more.
    Nothing,
    /// The status byte of ISO 14229-1.
    Status(Status),
    /// That of ISO 14230-3.
    ByStatus(StatusOfDtc),
}

impl Told {
    /// Of a record of ISO 14229-1.
    pub(super) fn of(status: Option<Status>) -> Told {
        status.map_or(Told::Nothing, Told::Status)
    }

    /// Whether its module holds a fault under it.
    pub(super) fn is_fault(self) -> bool {
        match self {
            Told::Nothing => true,
            Told::Status(status) => status.is_fault(),
            Told::ByStatus(status) => status.storage() != Storage::NotDetected,
        }
    }
}

/// Whether a status by ISO 14230-3 says that its fault is there now: stored, present, and bit 7.
/// Without bit 7 the standard has it present too; but makers differ, and of two authors of invented
/// vehicles with such modules one has 60 of losses that are over or come and go (64 codes of the
/// first casebook), and both have E0 of what fails. So it is only known to be listed.
pub(crate) fn is_present(status: StatusOfDtc) -> bool {
    status.storage() == Storage::Present && status.0 & StatusOfDtc::WARNING_LAMP != 0
}
