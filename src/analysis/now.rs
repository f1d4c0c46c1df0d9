//! How the codes stand that name a module.

/// How the codes stand that name a module.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Now {
    /// One was failing when last read.
    Failing,
    /// One failed in this operation cycle or the one before, or came in this capture.
    Recent,
    /// One failed in this operation cycle or the one before, and the last test of each passed.
    Passed,
    /// Each failed in the operation cycle before, and none in this one.
    LastDrive,
    /// All cleared, and not back.
    Mended,
    /// Stored, with a status that says it has not failed in this cycle nor the one before.
    Remembered,
    /// Stored, and nothing tells since when.
    Listed,
}
