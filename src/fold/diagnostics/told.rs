//! What lists say of a code beside that it is in them.

use lostnode_parsers::dtc::Status;
use lostnode_parsers::uds::{StatusOfDtc, Storage};

use super::CodeHistory;

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
pub(super) fn is_present(status: StatusOfDtc) -> bool {
    status.storage() == Storage::Present && status.0 & StatusOfDtc::WARNING_LAMP != 0
}

impl CodeHistory {
    /// Whether a status by ISO 14230-3 says that its fault is there now.
    pub(crate) fn is_present(&self) -> bool {
        self.by_status.is_some_and(is_present)
    }

    /// Whether such a status says that it was detected and is not stored yet.
    pub fn is_maturing(&self) -> bool {
        self.is_kept_as(Storage::Maturing)
    }

    /// Whether such a status says that it is stored and was not present when it was asked. Of which
    /// drive it is that does not tell.
    pub(crate) fn is_stored_only(&self) -> bool {
        self.is_kept_as(Storage::Stored)
    }

    fn is_kept_as(&self, storage: Storage) -> bool {
        self.by_status.is_some_and(|status| status.storage() == storage)
    }

    /// Whether it came in this capture: a list of before came without it, or it was cleared.
    pub(crate) fn came_here(&self) -> bool {
        self.absent_before.is_some() || self.returned
    }
}
