//! What can be wrong with a roster.

use std::fmt;

use super::Twice;
use crate::wiring_file::WiringError;

/// What is wrong with a roster file, or with a system description.
#[derive(Clone, Debug, PartialEq)]
#[non_exhaustive]
pub enum RosterError {
    /// It is no TOML, or not of the form of a roster; as the reader of TOML says it.
    Form(String),
    /// A value is wrong.
    AtLine {
        /// Line, from 1.
        line: usize,
        /// What is wrong there.
        problem: Problem,
    },
    /// An element of the harness in it is wrong.
    Wiring(WiringError),
    /// It is no AUTOSAR system description; as the reader of ARXML says it.
    NoArxml(String),
    /// An identifier of a system description is too large for its width.
    ArxmlIdentifier {
        /// Path of the element.
        path: String,
        /// The number given.
        raw: f64,
        /// 29 bits, not 11.
        extended: bool,
    },
    /// It would stand twice in a file that is changed.
    Twice(Twice),
    /// It is written in a form that cannot be changed in its place.
    CannotBeChanged,
    /// No ECU of the system description sends a CAN frame.
    NoSender {
        /// Frames without a sender.
        frames: usize,
    },
}

/// What is wrong with a value of a roster file.
#[derive(Clone, Debug, PartialEq)]
#[non_exhaustive]
pub enum Problem {
    /// An identifier cannot be read.
    NoIdentifier {
        /// What stands there.
        id: String,
    },
    /// A time is not above zero.
    NoDuration {
        /// The key.
        key: &'static str,
        /// The value given, in seconds.
        value: f64,
    },
    /// A rate or a share is not above zero.
    NotAboveZero {
        /// The key.
        key: &'static str,
        /// The value given.
        value: f64,
    },
    /// Nothing says how often a message comes.
    HowOften {
        /// The identifier.
        id: String,
    },
    /// A counter is not within a byte.
    CounterDoesNotFit,
    /// A node has an empty name.
    NameEmpty,
    /// What a module answers by cannot be read.
    NoAnswering {
        /// What stands there.
        text: String,
    },
    /// No code says that a module of this name is missed.
    NobodyMisses {
        /// The name.
        name: String,
    },
}

impl fmt::Display for RosterError {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self {
            RosterError::Form(error) => f.write_str(error),
            RosterError::Wiring(error) => error.fmt(f),
            RosterError::AtLine { line, problem } => write!(f, "line {line}: {problem}"),
            RosterError::Twice(twice) => twice.fmt(f),
            RosterError::CannotBeChanged => f.write_str(
                "nodes and messages must be written as `[[node]]` and `messages = [ { … } ]` to \
                 be changed here",
            ),
            RosterError::NoArxml(error) => {
                write!(f, "this is no AUTOSAR system description that can be read: {error}")
            }
            RosterError::ArxmlIdentifier { path, raw, extended } => {
                let width = if *extended { "29-bit" } else { "11-bit" };
                write!(f, "{path}: {raw} is no {width} identifier")
            }
            RosterError::NoSender { frames } => write!(
                f,
                "no CAN frame that an ECU sends is described in it ({frames} frames without a \
                 sender)"
            ),
        }
    }
}

impl fmt::Display for Problem {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self {
            Problem::NoIdentifier { id } => write!(
                f,
                "id `{id}` is no identifier; write 0x and 3 digits up to 7FF or 8 up to 1FFFFFFF"
            ),
            Problem::NoDuration { key, value } => {
                write!(f, "{key} is {value}; it is in seconds, above zero")
            }
            Problem::NotAboveZero { key, value } => {
                write!(f, "{key} is {value}; it must be above zero")
            }
            Problem::HowOften { id } => {
                write!(f, "id `{id}` has neither period nor rate nor share")
            }
            Problem::CounterDoesNotFit => f.write_str(
                "counter does not fit: byte 0 to 7, width 2 to 8, bit and width within the byte",
            ),
            Problem::NameEmpty => f.write_str("name is empty"),
            Problem::NoAnswering { text } => write!(
                f,
                "answers `{text}`: write the identifier that it answers with (`0x7EA`) or its \
                 address (`address 0x28`), and the channel before it where that is another"
            ),
            Problem::NobodyMisses { name } => write!(
                f,
                "missed_as `{name}`: no code says that communication with it was lost; write the \
                 name as `lostnode explain` tells it of the code, such as `Door Control Module A`"
            ),
        }
    }
}

impl std::error::Error for RosterError {}
