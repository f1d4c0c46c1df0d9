//! The one value that is the whole answer.

pub mod blame;
pub mod build;
pub mod diagnosis;
pub mod finding;
mod names;
pub mod subject;
pub mod symptom;

use lostnode_parsers::Id;

use crate::capture::Capture;
pub use crate::fold::load::{BitRate, Series};
pub use crate::fold::timing::Nanoseconds;
pub use crate::network::Basis;
pub use crate::outage::{Cause, Scope};
pub use names::ModuleName;

/// The whole answer. Times are nanoseconds since the Unix epoch as in the capture, durations are
/// seconds.
#[derive(Clone, Debug, Default)]
pub struct Analysis {
    /// The captures it is drawn from.
    pub captures: Vec<Capture>,
    /// Earliest and latest time stamp of all; `None` where no frame carries one.
    pub span: Option<(Nanoseconds, Nanoseconds)>,
    /// What was heard, by channel.
    pub channels: Vec<Channel>,
    /// What was heard, by identifier, in order of channel and identifier.
    pub identifiers: Vec<Identifier>,
    /// Who sends.
    pub nodes: Vec<Node>,
    /// What was missing, in order of time.
    pub outages: Vec<Outage>,
    /// What differs from the roster file otherwise.
    pub deviations: Vec<Deviation>,
    /// Presence over time, one lane for each node or lone identifier.
    pub lanes: Vec<Lane>,
    /// What testers and modules said to each other.
    pub diagnosis: diagnosis::Diagnosis,
    /// What explains it; `None` where that was not asked for.
    pub findings: Option<finding::Findings>,
    /// What the reader of the report should know about its limits.
    pub notices: Vec<String>,
}

impl Analysis {
    /// Outages in which a part of the vehicle was missing: all but sleep and pauses of the
    /// recording.
    pub fn lost(&self) -> impl Iterator<Item = &Outage> {
        self.outages.iter().filter(|outage| outage.is_loss())
    }

    /// The ranked findings; none where they were not asked for.
    pub fn ranked(&self) -> &[finding::Finding] {
        self.findings.as_ref().map_or(&[], |findings| &findings.ranked)
    }

    /// What to test next over all findings; nothing where they were not asked for.
    pub fn next_tests(&self) -> &[finding::NextTest] {
        self.findings.as_ref().map_or(&[], |findings| &findings.next_tests)
    }
}

/// A channel.
#[derive(Clone, Debug)]
pub struct Channel {
    /// Its name in the capture.
    pub name: String,
    /// Data and remote frames.
    pub frames: u64,
    /// Error reports of the logging controller.
    pub error_frames: u64,
    /// Frames that lay before their predecessor in time, and the largest such step in seconds.
    pub out_of_order: (u64, f64),
    /// Bits per second and where that is from.
    pub bit_rate: BitRate,
    /// Load over time, where the bit rate is known.
    pub load: Option<Series>,
    /// Error reports with their time.
    pub errors: Vec<ErrorEvent>,
}

/// An error report of the logging controller.
#[derive(Clone, Debug, PartialEq)]
pub struct ErrorEvent {
    /// When.
    pub time: Nanoseconds,
    /// Names of its classes, such as `bus-off`.
    pub class: String,
    /// What it adds.
    pub detail: String,
    /// Whether it is about the bus, or about the logger alone.
    pub about_the_bus: bool,
    /// The controller left the bus.
    pub bus_off: bool,
    /// The logger ran over.
    pub overflow: bool,
}

/// An identifier on a channel.
#[derive(Clone, Debug)]
pub struct Identifier {
    /// Index into [`Analysis::channels`].
    pub channel: usize,
    /// The identifier.
    pub id: Id,
    /// Frames heard.
    pub frames: u64,
    /// Period and jitter in seconds where it is sent on a timer.
    pub rhythm: Option<crate::fold::timing::Rhythm>,
    /// Clock drift against the nominal period and its standard error, in ppm.
    pub drift_ppm: Option<(f64, f64)>,
    /// A rolling counter in its payload.
    pub counter: Option<crate::fold::timing::AliveCounter>,
    /// Silence after which it counts as lost, in seconds.
    pub timeout: Option<f64>,
    /// First and last time heard.
    pub heard: Option<(Nanoseconds, Nanoseconds)>,
    /// Its longest silence in seconds.
    pub longest_silence: Option<f64>,
    /// Index into [`Analysis::nodes`].
    pub node: Option<usize>,
}

/// A sender.
#[derive(Clone, Debug)]
pub struct Node {
    /// Name shown.
    pub name: String,
    /// Index into [`Analysis::channels`].
    pub channel: usize,
    /// Indexes into [`Analysis::identifiers`].
    pub ids: Vec<usize>,
    /// Identifiers that the roster expects of it and that were never heard.
    pub never_heard: Vec<Id>,
    /// Why its identifiers are said to belong together.
    pub basis: Vec<Basis>,
    /// 0 to 1.
    pub confidence: f64,
    /// Whether it was heard at all.
    pub heard: bool,
}

/// An interval in which expected traffic was missing.
#[derive(Clone, Debug)]
pub struct Outage {
    /// How far it reaches.
    pub scope: Scope,
    /// Index into [`Analysis::channels`]; `None` for the whole capture.
    pub channel: Option<usize>,
    /// Indexes into [`Analysis::nodes`].
    pub nodes: Vec<usize>,
    /// Indexes into [`Analysis::identifiers`].
    pub ids: Vec<usize>,
    /// Identifiers that the roster expects and that were never heard.
    pub never_heard: Vec<Id>,
    /// Last frame before it.
    pub start: Nanoseconds,
    /// First frame after it, or the end of the capture.
    pub end: Nanoseconds,
    /// Seconds from one to the other.
    pub duration: f64,
    /// Why it looks so.
    pub cause: Cause,
    /// Still silent when the capture ends.
    pub ongoing: bool,
    /// Sentences with their numbers.
    pub evidence: Vec<String>,
}

impl Outage {
    /// Whether a part of the vehicle was missing in it: not in a sleep of the bus, nor in a pause
    /// of the recording.
    pub fn is_loss(&self) -> bool {
        !matches!(self.cause, Cause::BusSleep | Cause::CaptureGap)
    }
}

/// An identifier that is not as the roster file says.
#[derive(Clone, Debug)]
pub struct Deviation {
    /// Index into [`Analysis::channels`].
    pub channel: usize,
    /// The identifier.
    pub id: Id,
    /// `too_slow`, `too_fast` or `new`.
    pub kind: &'static str,
    /// In a sentence.
    pub text: String,
}

/// One line of the presence picture.
#[derive(Clone, Debug)]
pub struct Lane {
    /// Its name.
    pub label: String,
    /// Index into [`Analysis::channels`].
    pub channel: usize,
    /// First and last time heard.
    pub heard: (Nanoseconds, Nanoseconds),
    /// Indexes into [`Analysis::outages`] of what it missed; stops of its channel are not among
    /// them.
    pub outages: Vec<usize>,
}
