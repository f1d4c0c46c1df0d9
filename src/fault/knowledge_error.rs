//! What can be wrong with a knowledge file.

use std::fmt;

use crate::analysis::finding::ClassName;

/// What is wrong with a knowledge file.
#[derive(Clone, Debug, PartialEq)]
#[non_exhaustive]
pub enum KnowledgeError {
    /// It is no TOML, or has keys that are not known; as the reader of TOML says it.
    Form(String),
    /// A table is wrong.
    InTable {
        /// Its name, such as `class.gateway`.
        table: String,
        /// What is wrong there.
        problem: Problem,
    },
}

/// What is wrong with a table of a knowledge file.
#[derive(Clone, Debug, PartialEq)]
#[non_exhaustive]
pub enum Problem {
    /// A prior or a leak at its limits or beyond.
    NotBetween {
        /// Its key.
        key: &'static str,
        /// Its value.
        number: f64,
    },
    /// There is no such class of fault.
    NoClass(ClassName),
    /// A number is no probability.
    NoProbability {
        /// The class that it is given for.
        class: ClassName,
        /// Its value.
        number: f64,
    },
    /// The values of a sign do not share out one.
    Sum {
        /// The class under which they do not.
        class: ClassName,
        /// What they add up to.
        sum: f64,
    },
    /// A reading has not as many probabilities as bands or outcomes, or they do not add up to 1.
    Likelihoods {
        /// The class under which that is so.
        class: ClassName,
        /// How many there are to be.
        count: usize,
    },
    /// A class that each reading has is missing.
    Missing(ClassName),
    /// There is no such cover to be opened.
    NoAccess(String),
    /// There is no such reading.
    NoReading(String),
    /// There is no such caution.
    NoCaution(String),
    /// A weight in the order of tests is not above zero.
    NoWeight {
        /// Its key.
        key: &'static str,
        /// Its value.
        number: f64,
    },
}

impl fmt::Display for KnowledgeError {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self {
            KnowledgeError::Form(error) => f.write_str(error),
            KnowledgeError::InTable { table, problem } => write!(f, "{table}: {problem}"),
        }
    }
}

impl fmt::Display for Problem {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self {
            Problem::NotBetween { key, number } => {
                write!(f, "{key} is {number}; it lies between 0 and 1")
            }
            Problem::NoClass(class) => write!(f, "there is no class {class}"),
            Problem::NoProbability { class, number } => {
                write!(f, "{class} is {number}; it is a probability from 0 to 1")
            }
            Problem::Sum { class, sum } => {
                write!(f, "the values of {class} add up to {sum:.3}; they must add up to 1")
            }
            Problem::Likelihoods { class, count } => {
                write!(f, "{class} must have {count} probabilities that add up to 1")
            }
            Problem::Missing(class) => write!(f, "`{class}` is missing"),
            Problem::NoAccess(access) => write!(f, "there is no access {access}"),
            Problem::NoReading(reading) => write!(f, "there is no reading {reading}"),
            Problem::NoCaution(caution) => write!(f, "there is no caution {caution}"),
            Problem::NoWeight { key, number } => write!(f, "{key} is {number}; it is above 0"),
        }
    }
}

impl std::error::Error for KnowledgeError {}
