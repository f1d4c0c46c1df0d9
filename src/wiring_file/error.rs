//! What can be wrong with a wiring file.

use std::fmt;

use super::ElementKind;

/// What is wrong with a wiring file.
#[derive(Clone, Debug, PartialEq)]
#[non_exhaustive]
pub enum WiringError {
    /// It is no TOML, or not of the form of a wiring file; as the reader of TOML says it.
    Form(String),
    /// XML that is no harness description.
    NoHarness,
    /// A value is wrong.
    AtLine {
        /// Line, from 1.
        line: usize,
        /// What is wrong there.
        problem: Problem,
    },
}

/// What is wrong with a value of a wiring file.
#[derive(Clone, Debug, PartialEq)]
#[non_exhaustive]
pub enum Problem {
    /// An element without a name.
    NameEmpty,
    /// Two elements are called alike.
    Twice {
        /// The name.
        name: String,
        /// Line of the first.
        first: usize,
    },
    /// There is no such kind of element.
    UnknownKind(String),
    /// An element cannot carry this.
    UnknownCarried(String),
    /// A connector or a splice that does not say what it carries.
    CarriesMissing(ElementKind),
    /// What an element of this kind carries goes without saying.
    CarriesNeedless(ElementKind),
    /// No node hangs on it.
    NoNodes {
        /// The key that should name them.
        key: &'static str,
        /// What it is.
        element: ElementKind,
    },
    /// A key that elements of this kind do not have.
    WrongKey {
        /// The key.
        key: &'static str,
        /// The key to use.
        use_key: &'static str,
        /// What it is.
        element: ElementKind,
    },
    /// Minutes that are none.
    NoMinutes(f64),
    /// Neither the capture nor the roster has such a node.
    UnknownNode {
        /// The name.
        node: String,
        /// The names that are there.
        known: Vec<String>,
    },
}

impl fmt::Display for WiringError {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self {
            WiringError::Form(error) => f.write_str(error.trim_end()),
            WiringError::NoHarness => {
                f.write_str("no harness description: its root is not KBL_container")
            }
            WiringError::AtLine { line, problem } => write!(f, "line {line}: {problem}"),
        }
    }
}

impl fmt::Display for Problem {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self {
            Problem::NameEmpty => f.write_str("name is empty"),
            Problem::Twice { name, first } => {
                write!(f, "name `{name}` stands for a second time; first on line {first}")
            }
            Problem::UnknownKind(kind) => {
                let known = ElementKind::ALL.map(ElementKind::as_str).join(", ");
                write!(f, "kind `{kind}` is not known; there are {known}")
            }
            Problem::UnknownCarried(what) => {
                write!(f, "carries `{what}` is not known; there are supply, ground, bus")
            }
            Problem::CarriesMissing(element) => write!(
                f,
                "carries is missing: a {} says which of supply, ground, bus go through it",
                element.as_str()
            ),
            Problem::CarriesNeedless(element) => write!(
                f,
                "carries is for connectors and splices; what a {} carries goes without saying",
                element.as_str()
            ),
            Problem::NoNodes { key, element } => {
                write!(f, "{key} is missing or empty: a {} names nodes there", element.as_str())
            }
            Problem::WrongKey { key, use_key, element } => {
                write!(f, "{key} is not for a {}; use {use_key}", element.as_str())
            }
            Problem::NoMinutes(minutes) => {
                write!(f, "minutes is {minutes}; it must be nought or more")
            }
            Problem::UnknownNode { node, known } => {
                write!(f, "feeds or beyond: `{node}` is not known; there are {}", known.join(", "))
            }
        }
    }
}

impl std::error::Error for WiringError {}
