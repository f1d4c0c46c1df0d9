//! Before against after, as one value (docs/repair.md).

use lostnode_parsers::Id;

use crate::analysis::ModuleName;
use crate::analysis::diagnosis::{CodeNumber, Diagnosis};

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
    /// Readiness monitors whose state changed, or that are not complete after.
    pub monitors: Vec<MonitorRow>,
    /// All in all.
    pub verdict: State,
    /// No capture from after the repair belongs to those from before it: nothing was compared.
    pub all_left_out: bool,
    /// The likeliest part of the harness before the repair, where a wiring file tells.
    pub element: Option<SuspectedBefore>,
    /// Limits of this comparison.
    pub notices: Vec<Notice>,
}

/// A part of the harness that explains what was lost before the repair.
#[derive(Clone, Debug, PartialEq)]
pub struct SuspectedBefore {
    /// Its name, as the user gave it.
    pub name: String,
    /// 0 to 1.
    pub probability: f64,
    /// The nodes that hang on it, by name.
    pub feeds: Vec<String>,
    /// What became of those of them that were lost.
    pub since: Since,
    /// Those that were lost again, or for the first time.
    pub again: Vec<String>,
}

/// What became of the nodes that hang on a part of the harness.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub enum Since {
    /// None of them was lost before nor after: it explains a loss of something else.
    #[default]
    NotTold,
    /// All of them held: so does its repair.
    Held,
    /// None was lost again, not for long enough to be sure.
    NotSure,
    /// All that were lost before were lost again.
    Again,
    /// Some were, and others were not: what is left is of these, and not of the part.
    SomeAgain,
    /// What hangs on it held, and something was lost that had not been.
    Newly,
}

impl Comparison {
    /// Seconds to drive on without a loss until all of it is sure at 95 %.
    pub fn needed(&self) -> f64 {
        self.rows.iter().filter_map(|row| row.needed).fold(0.0, f64::max)
    }
}

/// How it stands with a loss.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, PartialOrd, Ord)]
pub enum State {
    /// Nothing was lost before, nor after.
    #[default]
    NothingLost,
    /// Lost before, and not after, for long enough.
    Held,
    /// Silent all along before, and heard throughout after.
    Back,
    /// Lost before, and not after, but not for long enough to be sure.
    NotSure,
    /// Lost after as before, or less.
    StillLost,
    /// Lost after only.
    NewlyLost,
}

/// What was lost.
#[derive(Clone, Debug, PartialEq, Eq)]
pub enum Lost {
    /// A node, with the name that it has in the capture that showed it first.
    Node(String),
    /// An identifier of no known node.
    Identifier(Id),
    /// All of this channel.
    Bus(String),
}

/// One node, identifier or bus.
#[derive(Clone, Debug)]
pub struct Row {
    /// What was lost.
    pub lost: Lost,
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
    /// What keeps it from having held, where no time would help.
    pub open: Option<Open>,
    /// Heard before, and in no capture after.
    pub gone: bool,
    /// Not heard at all before.
    pub never_before: bool,
    /// Those of its identifiers that were not heard at all before, as a roster tells: how many, and
    /// which are not heard after either, ascending.
    pub unheard: (usize, Vec<Id>),
}

/// What keeps a loss from being called held, however long was driven.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord)]
pub enum Open {
    /// Its channel was recorded in no capture after.
    NotRecorded,
    /// It was not heard in some capture after, which may be one in another mode of the vehicle: the
    /// key, the engine, the lights.
    OneMode,
    /// Too little of it was heard in some capture after for a loss of it to show there.
    HardlyHeard,
    /// A message of what was lost before is not sent any more, while its sender is heard.
    PartNever,
    /// A message of what was lost before fell silent until the end, while its sender went on.
    PartToTheEnd,
    /// It fell silent again, for a reason that may be lawful.
    PerhapsAgain,
}

/// One code of one module.
#[derive(Clone, Debug, PartialEq)]
pub struct CodeRow {
    /// The code.
    pub code: CodeNumber,
    /// Who holds it.
    pub reporter: ModuleName,
    /// What became of it.
    pub change: CodeChange,
}

/// What became of a code.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum CodeChange {
    /// Not there any more; whether its test has run since is told where it is known.
    Gone {
        /// The test has run to its end since.
        tested: Option<bool>,
    },
    /// Not active any more; its module keeps what was active in memory, and nobody read that (SAE
    /// J1939-73).
    NotActive,
    /// There as before.
    StillThere,
    /// Back after it was gone.
    Returned,
    /// There after, and not before.
    New,
    /// Nobody asked after.
    NotRead,
}

/// A readiness monitor of a module, before and after; `None` where it was not read.
#[derive(Clone, Debug, PartialEq)]
pub struct MonitorRow {
    /// The module.
    pub module: ModuleName,
    /// What it watches, as SAE J1979 calls it.
    pub monitor: &'static str,
    /// Complete before, and after.
    pub complete: (Option<bool>, Option<bool>),
}

/// A limit of a comparison.
#[derive(Clone, Debug, PartialEq, Eq)]
#[non_exhaustive]
pub enum Notice {
    /// This file has no time stamps.
    NoTimeStamps(String),
    /// This file cannot tell whether anything was lost.
    ProvesNothing(String),
    /// This file has so many lines that were no frames.
    Rejected(String, u64),
    /// A loss after the repair lasts to the end of its capture.
    LossToTheEnd,
    /// Time is counted, and not roads.
    SameRoads,
    /// More has to be driven.
    Driving,
    /// This file is of another vehicle: its VIN, and that of before.
    OtherVehicle(String, String, String),
    /// This file from before is of another vehicle than the others and was kept out: its VIN, and
    /// theirs.
    KeptOut(String, String, String),
    /// This file holds the same as the second, and was counted once.
    SameTwice(String, String),
    /// This file begins before the one from before the repair.
    Older(String),
    /// Identifiers sent on a timer in this file and not heard before at all, ascending.
    HeardOnlySince(String, Vec<Id>),
    /// A channel of this file has another name than before: that, and the one from before.
    ChannelMoved(String, String, String),
    /// This file does not have the channel on which something was lost before.
    NotRecorded(String, String),
    /// In this file so many identifiers of so many that the roster expects were not heard.
    MostNotHeard(String, usize, usize),
    /// Something fell silent in this file, and it does not tell whether that was lawful.
    MayBeLoss(String),
    /// What fell silent before and was taken for a pause by nature.
    Excused(Vec<Lost>),
    /// Losses were seldom before: chance may keep them away for as long again.
    Seldom,
    /// Few of the identifiers of this file, or of the one from before, are in the other: how many
    /// are in both, and how many the smaller of them has.
    LittleInCommon(String, usize, usize),
}

impl Comparison {
    /// Leaves out VINs; that they differ stays.
    pub fn hide_identity(&mut self) {
        for notice in &mut self.notices {
            if let Notice::OtherVehicle(_, is, was) | Notice::KeptOut(_, is, was) = notice {
                Diagnosis::HIDDEN.clone_into(is);
                Diagnosis::HIDDEN.clone_into(was);
            }
        }
    }
}

impl Notice {
    /// Whether the comparison may be one of the wrong captures.
    pub fn is_doubt(&self) -> bool {
        matches!(self, Notice::KeptOut(..) | Notice::NotRecorded(..)) || self.leaves_out()
    }

    /// Whether it keeps a capture from after the repair out of the comparison.
    pub fn leaves_out(&self) -> bool {
        matches!(self, Notice::OtherVehicle(..) | Notice::Older(_) | Notice::LittleInCommon(..))
    }
}
