//! Other words for a class of fault and a test, where what it is about is wrong in another way.

use serde::Deserialize;

/// Other words for a class.
#[derive(Clone, Debug, Deserialize, PartialEq)]
#[serde(deny_unknown_fields)]
pub struct Worded {
    /// As in a class.
    pub title: String,
    /// As in a class.
    pub brief: String,
    /// As in a class.
    pub explanation: String,
}

/// Other words for a test.
#[derive(Clone, Debug, Deserialize, PartialEq)]
#[serde(deny_unknown_fields)]
pub struct TestWorded {
    /// As in a test.
    pub title: String,
    /// As in a test.
    pub brief: String,
    /// As in a test.
    pub how: String,
    /// As in a test.
    pub why: String,
    /// As in a test.
    pub reading: String,
    /// As in a test.
    pub source: String,
}
