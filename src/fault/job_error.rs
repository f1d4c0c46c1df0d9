//! What can be wrong with a job file.

use std::fmt;

/// What is wrong with a job file, or with what it says of a capture.
#[derive(Clone, Debug, PartialEq)]
#[non_exhaustive]
pub enum JobError {
    /// It is no TOML, or not of the form of a job; as the reader of TOML says it.
    Form(String),
    /// An entry is wrong.
    AtLine {
        /// Line, from 1.
        line: usize,
        /// What is wrong there.
        problem: Problem,
    },
}

/// What is wrong with an entry of a job file. `what` is the reading that it names.
#[derive(Clone, Debug, PartialEq)]
#[non_exhaustive]
pub enum Problem {
    /// There is no such reading.
    UnknownReading {
        /// As written.
        what: String,
        /// Those that there are.
        known: Vec<String>,
    },
    /// The value is negative or no number.
    NoQuantity {
        /// The reading.
        what: String,
        /// Its value.
        number: f64,
    },
    /// The trial has no such outcome.
    UnknownResult {
        /// As written.
        result: String,
        /// Those that there are.
        known: Vec<String>,
    },
    /// A trial without its outcome.
    NeedsResult {
        /// The reading.
        what: String,
        /// Outcomes that there are.
        known: Vec<String>,
    },
    /// A measurement without its number.
    NeedsValue {
        /// The reading.
        what: String,
    },
    /// The wiring file has no such element.
    UnknownElement {
        /// As written.
        element: String,
        /// Those of the wiring file; none without one.
        known: Vec<String>,
    },
    /// The element does not carry what was measured.
    NotCarried {
        /// The reading.
        what: String,
        /// The element, as written.
        element: String,
    },
    /// The capture has no such channel.
    UnknownChannel {
        /// As written.
        channel: String,
        /// Those of the capture.
        known: Vec<String>,
    },
    /// Which channel was measured is not said, and there are several.
    NeedsChannel {
        /// The reading.
        what: String,
    },
    /// Nothing in the capture is called that.
    UnknownNode {
        /// As written.
        node: String,
        /// What there is.
        known: Vec<String>,
    },
    /// That is nothing that can be done.
    UnknownDone {
        /// As written.
        what: String,
        /// What there is.
        known: Vec<String>,
    },
    /// A supply of neither 12 nor 24 V.
    NoSystem(f64),
    /// Which node was measured is not said.
    NeedsNode {
        /// The reading.
        what: String,
    },
}

impl fmt::Display for JobError {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self {
            JobError::Form(error) => f.write_str(error),
            JobError::AtLine { line, problem } => write!(f, "line {line}: {problem}"),
        }
    }
}

impl fmt::Display for Problem {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self {
            Problem::UnknownReading { what, known } => {
                write!(f, "what `{what}` is no reading; there are {}", known.join(", "))
            }
            Problem::NoQuantity { what, number } => {
                write!(f, "value is {number}; {what} is a number from 0 up")
            }
            Problem::UnknownResult { result, known } => {
                write!(f, "result `{result}` is none of `{}`", known.join("`, `"))
            }
            Problem::NeedsResult { what, known } => {
                write!(f, "{what} needs a `result`: `{}`", known.join("`, `"))
            }
            Problem::NeedsValue { what } => write!(f, "{what} needs a `value`"),
            Problem::UnknownElement { element, known } if known.is_empty() => {
                write!(f, "element `{element}`: there is no wiring file that could have it")
            }
            Problem::UnknownElement { element, known } => {
                write!(
                    f,
                    "element `{element}` is not in the wiring; there are {}",
                    known.join(", ")
                )
            }
            Problem::NotCarried { what, element } => {
                write!(f, "{what} cannot be measured at `{element}`: it does not carry that")
            }
            Problem::UnknownChannel { channel, known } => write!(
                f,
                "there is no channel `{channel}` in the capture; it has {}",
                known.join(", ")
            ),
            Problem::NeedsChannel { what } => write!(f, "{what} needs a `channel`"),
            Problem::UnknownNode { node, known } if known.is_empty() => {
                write!(f, "node `{node}`: the capture shows no node and no module")
            }
            Problem::UnknownNode { node, known } => write!(
                f,
                "node `{node}` is not in the capture and not in the roster; there are `{}`; an \
                 identifier such as 0x3B0 stands for its sender, and names come from --roster",
                known.join("`, `")
            ),
            Problem::UnknownDone { what, known } => {
                write!(f, "what `{what}` is none of `{}`", known.join("`, `"))
            }
            Problem::NoSystem(volts) => {
                write!(f, "system_volts is {volts}; it is 12 or 24")
            }
            Problem::NeedsNode { what } => write!(f, "{what} needs a `node`"),
        }
    }
}

impl std::error::Error for JobError {}
