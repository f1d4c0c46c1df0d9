//! Before against after, as one value.

/// The whole comparison.
#[derive(Clone, Debug, Default)]
pub struct Comparison {
    /// Files before, and after.
    pub captures: (Vec<String>, Vec<String>),
    /// Seconds watched before, and after: without sleep of the bus and pauses of the recording.
    pub watched: (f64, f64),
    /// One row for each node, identifier or bus that was lost in any of them.
    pub rows: Vec<Row>,
    /// Codes that are in any of them.
    pub codes: Vec<CodeRow>,
    /// Readiness monitors whose state changed, or that are not complete after: module, monitor,
    /// before, after.
    pub monitors: Vec<(String, String, Option<bool>, Option<bool>)>,
    /// All in all.
    pub verdict: State,
    /// In a sentence.
    pub sentence: String,
    /// Limits of this comparison.
    pub notices: Vec<String>,
}

/// How it stands with a loss.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, PartialOrd, Ord)]
pub enum State {
    /// Nothing was lost before, nor after.
    #[default]
    NothingLost,
    /// Lost before, and not after, for long enough.
    Held,
    /// Lost before, and not after, but not for long enough to be sure.
    NotSure,
    /// Lost after as before, or less.
    StillLost,
    /// Lost after only.
    NewlyLost,
}

/// One node, identifier or bus.
#[derive(Clone, Debug)]
pub struct Row {
    /// Its name.
    pub name: String,
    /// Losses before and after.
    pub losses: (u64, u64),
    /// Episodes before and after: losses near to each other are one.
    pub episodes: (u64, u64),
    /// Gap in seconds up to which losses were joined to episodes.
    pub joined: f64,
    /// Seconds it was watched before and after.
    pub watched: (f64, f64),
    /// Probability of so few episodes after if nothing had changed.
    pub p: Option<f64>,
    /// Two-sided probability of equal rates by the test on estimated variances.
    pub e_test: Option<f64>,
    /// Rate after over rate before, with its 95 % interval.
    pub ratio: Option<(Option<f64>, f64, Option<f64>)>,
    /// Seconds to drive on without a loss until it is sure at 95 %.
    pub needed: Option<f64>,
    /// How it stands.
    pub state: State,
    /// In a sentence.
    pub sentence: String,
}

/// One code of one module.
#[derive(Clone, Debug, PartialEq)]
pub struct CodeRow {
    /// The code.
    pub code: String,
    /// Its reporter.
    pub reporter: String,
    /// `gone`, `gone, not tested yet`, `gone, whether tested not known`, `still there`, `returned`,
    /// `new`, `not read after`.
    pub change: &'static str,
    /// Its meaning.
    pub meaning: Option<String>,
}
