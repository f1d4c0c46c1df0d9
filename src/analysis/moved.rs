//! A module that is there, and not where the roster has it.

/// How what a module sends differs from what the roster has of it.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Moved {
    /// It comes from another source address (SAE J1939-21, 5.2).
    Address {
        /// That of the roster.
        from: u8,
        /// That which sends.
        to: u8,
    },
    /// Each identifier is higher by this, or lower.
    Step(i64),
}
