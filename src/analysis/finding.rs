//! Ranked explanations, with their evidence and what to test next.

/// What explains an analysis.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct Findings {
    /// Most probable first, those that are no fault of the vehicle last.
    pub ranked: Vec<Finding>,
    /// What to test next over all of them, most probability for its minutes first.
    pub next_tests: Vec<NextTest>,
}

/// A ranked explanation.
#[derive(Clone, Debug, PartialEq)]
pub struct Finding {
    /// Class of fault, such as `module_power`.
    pub class: String,
    /// Heading.
    pub title: String,
    /// 0 to 1.
    pub probability: f64,
    /// `node`, `branch`, `bus`, `vehicle` or `capture`.
    pub scope: &'static str,
    /// What it is about: names of nodes or modules; or of the channel.
    pub nodes: Vec<String>,
    /// No fault of the vehicle.
    pub benign: bool,
    /// In sentences.
    pub explanation: String,
    /// What speaks for and against it, with numbers and times.
    pub evidence: Vec<Evidence>,
    /// Codes that it would put out, each with its reporter.
    pub codes_explained: Vec<String>,
    /// Lamps that those codes ask for.
    pub lamps: usize,
    /// What to test next for it, cheapest first.
    pub next_tests: Vec<NextTest>,
    /// What to be careful of.
    pub cautions: Vec<String>,
    /// What the user noted as done about it.
    pub done: Vec<String>,
}

/// A sentence that speaks for or against.
#[derive(Clone, Debug, PartialEq)]
pub struct Evidence {
    /// How many times likelier it is with this fault than with the others that could be behind it.
    pub ratio: f64,
    /// In a sentence.
    pub text: String,
}

impl Evidence {
    /// A sign below twice is said without a side.
    pub const TELLING: f64 = 1.5;

    /// Which side it is on.
    pub fn side(&self) -> &'static str {
        match self.ratio {
            ratio if ratio >= Self::TELLING => "for",
            ratio if ratio <= 1.0 / Self::TELLING => "against",
            _ => "neutral",
        }
    }
}

/// A test.
#[derive(Clone, Debug, PartialEq)]
pub struct NextTest {
    /// Heading.
    pub title: String,
    /// What it tells.
    pub why: String,
    /// How to do it.
    pub how: String,
    /// Minutes with what has to be opened first.
    pub minutes: f64,
    /// What has to be opened; nothing where it is open already from the test before.
    pub access: String,
    /// What to expect where all is well.
    pub reading_expected: String,
    /// Where that is from.
    pub source: String,
    /// Probability that it finds the cause.
    pub finds: f64,
    /// Places of the findings it is for, from 1.
    pub findings: Vec<usize>,
}
