//! Ranked explanations, with their evidence and what to test next (docs/findings.md).

use std::borrow::{Borrow, Cow};
use std::fmt;

use serde::Deserialize;

use super::blame::Verdict;
use super::element::{Suspected, Wiring};
use super::subject::Subject;
use super::symptom::{Fact, Sign};

/// What explains an analysis.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct Findings {
    /// By standing, and within that most probable first.
    pub ranked: Vec<Finding>,
    /// What to do next over all of them: for what is there now before what is remembered, and
    /// within these most probability for its minutes first.
    pub next_tests: Vec<NextTest>,
    /// What the job file says.
    pub job: JobNotes,
    /// Explanations of the same silences among which the evidence does not choose.
    pub undecided: Vec<Undecided>,
    /// What to be careful of with any of it, to be read before the tests.
    pub cautions: Vec<Caution>,
    /// Probability that none of the explanations of what the first finding is about is the cause.
    pub no_class: f64,
    /// What a wiring file adds.
    pub wiring: Wiring,
}

/// Explanations among which the evidence does not choose.
#[derive(Clone, Debug, PartialEq)]
pub struct Undecided {
    /// Places in [`Findings::ranked`], most probable first.
    pub findings: Vec<usize>,
    /// Place in [`Findings::next_tests`] of the test that tells most between them for its minutes.
    pub test: Option<usize>,
}

/// How near to today's complaint a finding is; the first comes first.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord)]
pub enum Standing {
    /// It explains what is missing, disturbed or failing in this capture.
    Present,
    /// A module from elsewhere, or not configured, that explains no loss: so it is now.
    Foreign,
    /// It explains only what modules remember.
    Remembered,
    /// No fault of the vehicle.
    Benign,
}

/// A class of fault, by its table in `knowledge.toml`, such as `module_power`.
#[derive(Clone, Debug, Deserialize, PartialEq, Eq, PartialOrd, Ord)]
#[serde(transparent)]
pub struct ClassName(Cow<'static, str>);

impl ClassName {
    /// Codes that remember what is not there now.
    pub const STALE_CODES: ClassName = ClassName(Cow::Borrowed("stale_codes"));
    /// A module from another vehicle, or a new one as delivered.
    pub const NOT_CONFIGURED: ClassName = ClassName(Cow::Borrowed("not_configured"));
    /// What is heard is missed by another module.
    pub const NOT_RECEIVED: ClassName = ClassName(Cow::Borrowed("not_received"));
    /// A gateway that does not pass on what lies behind it.
    pub const GATEWAY: ClassName = ClassName(Cow::Borrowed("gateway"));
    /// The recording, not the vehicle.
    pub const LOGGER: ClassName = ClassName(Cow::Borrowed("logger"));
    /// No fault at all, in the tables of readings.
    pub const SOUND: ClassName = ClassName(Cow::Borrowed("sound"));

    /// As the table calls it.
    pub fn as_str(&self) -> &str {
        &self.0
    }
}

impl Borrow<str> for ClassName {
    fn borrow(&self) -> &str {
        &self.0
    }
}

impl fmt::Display for ClassName {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str(&self.0)
    }
}

/// How far what a finding is about reaches.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum FindingScope {
    /// One module.
    Node,
    /// Several modules that share something.
    Branch,
    /// A bus.
    Bus,
    /// The vehicle.
    Vehicle,
    /// The recording.
    Capture,
}

/// A ranked explanation.
#[derive(Clone, Debug, PartialEq)]
pub struct Finding {
    /// Class of fault.
    pub class: ClassName,
    /// What it is about.
    pub subject: Subject,
    /// Heading of its class; `{who}` stands for what it is about.
    pub title: String,
    /// The same in few words, where what it is about has been said.
    pub brief: String,
    /// 0 to 1.
    pub probability: f64,
    /// What the tables come to, before it is held against how often that was true.
    pub uncalibrated: f64,
    /// How near to today's complaint it is.
    pub standing: Standing,
    /// No fault of the vehicle.
    pub benign: bool,
    /// What its class is, from the table.
    pub explanation: String,
    /// What speaks for and against it.
    pub evidence: Vec<Evidence>,
    /// Codes that it would put out: indexes into those of the diagnosis.
    pub codes_explained: Vec<usize>,
    /// Lamps that those codes ask for.
    pub lamps: usize,
    /// What to be careful of with what it is about.
    pub cautions: Vec<Caution>,
    /// What to test next for it, cheapest first.
    pub next_tests: Vec<NextTest>,
    /// What the user noted as done about it.
    pub done: Vec<Done>,
    /// What was tried at what it is about made the trouble go away.
    pub gone: bool,
    /// Where in the harness it has its cause; `None` without a wiring file, and where that has
    /// nothing to say of it.
    pub element: Option<Suspected>,
}

impl Finding {
    /// Whether the user noted a repair of it, or a trial that ended it, which only a drive can
    /// prove.
    pub fn is_repaired(&self) -> bool {
        self.gone || self.repair().is_some()
    }

    /// The last repair of it that the user noted. Who configures a module mends what was not
    /// configured, and no wire.
    pub fn repair(&self) -> Option<&Done> {
        let mends = |done: &&Done| {
            done.is_repair()
                && (done.what != Done::CONFIGURED || self.class == ClassName::NOT_CONFIGURED)
        };
        self.done.iter().rfind(mends)
    }

    /// How far what it is about reaches.
    pub fn scope(&self) -> FindingScope {
        match self.subject {
            Subject::Node(_) | Subject::Sender(_) | Subject::Module(_) | Subject::Unplaced(..) => {
                FindingScope::Node
            }
            Subject::Nodes(_) | Subject::Modules(_) => FindingScope::Branch,
            Subject::Channel(_) => FindingScope::Bus,
            Subject::Vehicle if self.class == ClassName::LOGGER => FindingScope::Capture,
            Subject::Vehicle => FindingScope::Vehicle,
        }
    }
}

/// What speaks for or against an explanation.
#[derive(Clone, Debug, PartialEq)]
pub struct Evidence {
    /// How many times likelier it is with this fault than with the others that could be behind it.
    pub ratio: f64,
    /// What it is.
    pub what: Observation,
}

/// Something that speaks for or against.
#[derive(Clone, Debug, PartialEq)]
pub enum Observation {
    /// A symptom, and what it is about.
    Symptom(Subject, Fact),
    /// A sign of the symptom before it.
    Sign(Sign),
    /// A reading that the user entered.
    Reading(Reading),
}

impl Observation {
    /// Whether it is a silence itself, and nothing about it.
    pub fn is_silence(&self) -> bool {
        use Fact::{MessageSilent, NeverHeard, NodeSilent, NodesSilent, PerhapsOff};
        let Observation::Symptom(_, fact) = self else { return false };
        matches!(
            fact,
            NodeSilent(_)
                | NodesSilent(_)
                | MessageSilent(_)
                | PerhapsOff(_)
                | NeverHeard { one_message: false }
        )
    }
}

/// Which side evidence is on.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Side {
    /// It speaks for the finding.
    For,
    /// It speaks against it.
    Against,
    /// It hardly tells.
    Neutral,
}

impl Evidence {
    /// A sign below this ratio is said without a side.
    pub const TELLING: f64 = 1.5;

    /// Which side it is on.
    pub fn side(&self) -> Side {
        match self.ratio {
            ratio if ratio >= Self::TELLING => Side::For,
            ratio if ratio <= 1.0 / Self::TELLING => Side::Against,
            _ => Side::Neutral,
        }
    }

    /// Whether it says only that the frames say nothing, and weighs nothing.
    pub fn tells_nothing(&self) -> bool {
        self.what == Observation::Sign(Sign::FramesSay(Verdict::Open))
            && self.side() == Side::Neutral
    }
}

/// What a user measured or tried.
#[derive(Clone, Debug, PartialEq)]
pub struct Reading {
    /// What was measured or tried, from its table.
    pub text: String,
    /// Where its limits are from.
    pub source: String,
    /// What it is about.
    pub subject: Subject,
    /// What came of it.
    pub value: ReadingValue,
    /// Where it measures one side of the supply only: which, and what it says of the other.
    pub one_sided: Option<OneSided>,
    /// It says that what it was tried at is behind the trouble of its bus.
    pub culprit: bool,
    /// When and where, in the user's words.
    pub at: Option<String>,
    /// More of the user's words.
    pub note: Option<String>,
}

/// What a reading at one side of a module's supply says of the other.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct OneSided {
    /// The side that was measured.
    pub side: SupplySide,
    /// How many times likelier the reading is where this side has the fault than where one does
    /// not know which has it.
    pub own: f64,
    /// The same where the other side has it.
    pub other: f64,
    /// It is as it should be.
    pub good: bool,
}

/// A side of a module's supply.
#[derive(Clone, Copy, Debug, Deserialize, PartialEq, Eq)]
#[serde(rename_all = "snake_case")]
pub enum SupplySide {
    /// From battery plus to its supply pin: feeds, fuses, relays.
    Supply,
    /// From its ground pin to battery minus.
    Ground,
}

/// What came of a reading.
#[derive(Clone, Debug, PartialEq)]
pub enum ReadingValue {
    /// A number with its unit, and what the table calls its band.
    Measured {
        /// The number.
        number: f64,
        /// Its unit.
        unit: String,
        /// Its band.
        band: String,
    },
    /// An outcome of a trial, as the table calls it.
    Outcome(String),
}

impl ReadingValue {
    /// Whether it lies in that band, or is that outcome.
    pub fn is(&self, name: &str) -> bool {
        match self {
            ReadingValue::Measured { band, .. } => band == name,
            ReadingValue::Outcome(outcome) => outcome == name,
        }
    }
}

/// What a job file says, to head the report.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct JobNotes {
    /// What the job is, in the user's words.
    pub title: Option<String>,
    /// Which vehicle, in the user's words.
    pub vehicle: Option<String>,
    /// What was measured and tried.
    pub readings: Vec<Reading>,
    /// What was done.
    pub done: Vec<Done>,
}

/// Something done on the vehicle, in the user's words.
#[derive(Clone, Debug, PartialEq)]
pub struct Done {
    /// One of [`Done::KNOWN`].
    pub what: String,
    /// On which node or module.
    pub node: Option<String>,
    /// When.
    pub at: Option<String>,
    /// More words.
    pub note: Option<String>,
}

impl Done {
    /// What can be done, as a job file calls it.
    pub const KNOWN: [&'static str; 6] =
        ["cleaned", "repaired", "replaced", "configured", "cleared", "other"];
    /// What the words of a job file call a repair.
    const CONFIGURED: &'static str = "configured";
    const REPAIRS: [&'static str; 4] = ["cleaned", "repaired", "replaced", "configured"];

    /// Whether something was done that may have ended the fault.
    pub fn is_repair(&self) -> bool {
        Self::REPAIRS.contains(&self.what.as_str())
    }
}

/// What can hurt, and how not to be hurt; in the words of a table.
#[derive(Clone, Debug, Deserialize, PartialEq, Eq)]
pub struct Caution {
    /// Its short name.
    pub id: String,
    /// One sentence, to stand beside a test.
    pub brief: String,
    /// The whole.
    pub text: String,
    /// Where it is from.
    pub source: String,
}

/// A test.
#[derive(Clone, Debug, PartialEq)]
pub struct NextTest {
    /// What it is about.
    pub subject: Subject,
    /// Place in [`Wiring::elements`] of the part of the harness that it is done at.
    pub element: Option<usize>,
    /// Heading; `{who}` stands for what it is about.
    pub title: String,
    /// The same as a request, where what it is about has been said.
    pub brief: String,
    /// What it tells.
    pub why: String,
    /// How to do it.
    pub how: String,
    /// What to be careful of: with the test, with what has to be opened, and with what it is about.
    pub cautions: Vec<Caution>,
    /// Minutes with what has to be opened first.
    pub minutes: f64,
    /// What has to be opened; `{who}` stands for what it is about.
    pub access: String,
    /// It goes before all other tests of what it is about, whatever they would tell.
    pub goes_first: bool,
    /// It is open already from a test before.
    pub open_already: bool,
    /// What to expect where all is well.
    pub reading_expected: String,
    /// Where that is from.
    pub source: String,
    /// Probability that it finds the cause.
    pub finds: f64,
    /// Places of the findings it is for, from 1.
    pub findings: Vec<usize>,
}
