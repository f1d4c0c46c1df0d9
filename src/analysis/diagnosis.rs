//! The part of the answer that comes from diagnostic messages; docs/diagnostics.md tells how it is
//! read.

use std::collections::BTreeSet;

use lostnode_parsers::dtc::{Code, Status};
use lostnode_parsers::j1939::Lamps;
use lostnode_parsers::obd::TestResult;

use super::blame::{Blame, Frames, Missed};
use super::{Analysis, Nanoseconds, Outage};
pub use crate::fold::diagnostics::claims::Unplaced;
pub use crate::fold::diagnostics::supply::Dip;
pub use crate::fold::diagnostics::{
    CodeNumber, IdentitySource, MessageCounts, Module, Mute, Party, Seen,
};
use crate::fold::timing::nanoseconds;
use crate::ids::NodeIndex;
use crate::outage::STARTS_WITHIN;

/// A trouble code as one module holds it.
#[derive(Clone, Debug)]
pub struct CodeEntry {
    /// The code.
    pub number: CodeNumber,
    /// Who holds it.
    pub module: Module,
    /// The module that it says is not heard.
    pub missed: Option<Missed>,
    /// The source address that it means by that (SAE J1939).
    pub missed_address: Option<u8>,
    /// Its test had failed in this drive when it was cleared, and nobody has read it since.
    pub failed_before_the_clear: bool,
    /// Its last status byte; `None` where the service gives none.
    pub status: Option<Status>,
    /// Lists it was seen in.
    pub lists: Vec<Seen>,
    /// How it stood when it was last reported.
    pub standing: CodeStanding,
    /// First and last reported; `None` without time stamps.
    pub seen: Option<(Nanoseconds, Nanoseconds)>,
    /// When it was cleared while it was there.
    pub cleared: Option<Nanoseconds>,
    /// Reported again as a fault after the clear.
    pub returned: bool,
    /// When a list that had it came without it.
    pub gone: Option<Nanoseconds>,
    /// Seconds after its clear at which a list that had it last came without it.
    pub stayed_away: Option<f64>,
    /// Whether its test has run to the end since the clear, where that can be told.
    pub tested: Option<bool>,
    /// Times it occurred, where the module counts.
    pub count: Option<u8>,
    /// The event that it is probably a mark of, with others.
    pub event: Option<CodeEvent>,
    /// It says that the module is not programmed or configured.
    pub unconfigured: bool,
    /// It says that software does not fit, and means that of this module, which its own misses.
    pub misfit: Option<Missed>,
    /// The module whose data it calls invalid.
    pub invalid: Option<Missed>,
    /// It says that the module has a fault inside.
    pub internal: bool,
    /// It says that the controller of the module left the bus.
    pub bus_off: bool,
    /// How old the fault behind it is, by what it was when it was last there.
    pub age: CodeAge,
    /// Its test passed when it was last run: the status says so, and its module supports that bit.
    pub passed: bool,
    /// It failed in the drive before and not in this one: its status says so, and its module
    /// supports the bits that do (bits 0 to 2 of ISO 14229-1:2020, D.2).
    pub of_last_drive: bool,
    /// It came in this capture: time of the last read without it, and of the first with it.
    pub appeared: Option<(Nanoseconds, Nanoseconds)>,
    /// It asks for a warning lamp.
    pub lamp: bool,
    /// Fault detection counter, -128 to 127, where the module told it: at 127 its test has failed.
    pub counter: Option<i8>,
    /// Severity byte, where the module told it (ISO 14229-1:2020, D.3).
    pub severity: Option<u8>,
    /// Its number is packed in an older way (SAE J1939-73): it may be another one.
    pub old_conversion: bool,
    /// How often a list of active codes told of it in this capture (SAE J1939); `None` where none
    /// did.
    pub active: Option<Active>,
}

/// How a code of SAE J1939 was active in a capture.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Active {
    /// Times it became active, or was when the recording began; at least one.
    pub times: u32,
    /// When a list of active codes came without it, where it has not come back since: it stays in
    /// memory.
    pub until: Option<Nanoseconds>,
}

/// What the lists of a module that were read and come without a code say of it.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Without {
    /// None that would have it was read.
    Nothing,
    /// It is not active (SAE J1939-73, DM1): it may be in memory still, which nobody read.
    NotActive,
    /// It is not stored.
    NotStored,
}

impl CodeEntry {
    /// What lists that do not have it say of it, of those that its module gave.
    pub fn without(&self, lists: impl Iterator<Item = Seen>) -> Without {
        let says = |list: Seen| match self.number {
            CodeNumber::Code(_) => Without::NotStored,
            CodeNumber::SpnFmi { .. } if list.is_active() => match self.active {
                Some(_) => Without::NotActive,
                None => Without::Nothing,
            },
            // What was active is in DM2; of emissions only, where it was in that list before.
            CodeNumber::SpnFmi { .. } => {
                let whole = list == Seen::PreviouslyActive || !list.is_of_j1939();
                let stored = whole || self.lists.contains(&list);
                if stored { Without::NotStored } else { Without::Nothing }
            }
        };
        lists.map(says).fold(Without::Nothing, |all, own| match (all, own) {
            (Without::NotStored, _) | (_, Without::NotStored) => Without::NotStored,
            (Without::NotActive, _) | (_, Without::NotActive) => Without::NotActive,
            _ => Without::Nothing,
        })
    }

    /// Of a fault that is there or was there in this or the last drive, and still stored when it
    /// was last read.
    pub fn is_present(&self) -> bool {
        self.age <= CodeAge::Recent && self.gone.is_none()
    }
}

/// How old the fault behind a code is (status bits of ISO 14229-1:2020, D.2).
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord)]
pub enum CodeAge {
    /// Its test failed when it was last run, or the code is active.
    Failing,
    /// It failed in this operation cycle or the one before; or it came in this capture.
    Recent,
    /// Nothing tells: a list says only that it is stored.
    Untold,
    /// It failed in neither.
    Past,
}

/// How a code stood when it was last reported (status bits of ISO 14229-1:2020, D.2).
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub enum CodeStanding {
    /// Its test failed.
    Failing,
    /// In the list of active codes (SAE J1939-73, DM1).
    Active,
    /// It was active, and is only remembered (DM2).
    PreviouslyActive,
    /// Its test failed, and it is not confirmed yet.
    Pending,
    /// Confirmed, and its test did not fail.
    NotFailing,
    /// In a list of codes, which says no more.
    #[default]
    Stored,
}

/// An event that several modules remember with codes of their own.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
#[non_exhaustive]
pub enum CodeEvent {
    /// The supply was low.
    LowSupply {
        /// Modules that remember it.
        modules: usize,
        /// It dipped in this capture.
        dipped: bool,
    },
}

/// Who a module says it is.
#[derive(Clone, Debug)]
pub struct IdentityEntry {
    /// The module.
    pub module: Module,
    /// VIN; empty where it answered with a blank one.
    pub vin: Option<String>,
    /// Part number.
    pub part_number: Option<String>,
    /// Calibration identifiers.
    pub calibration_ids: Vec<String>,
    /// Calibration verification numbers.
    pub verification_numbers: Vec<String>,
    /// Its name in its own words.
    pub name: Option<String>,
    /// Other identification: what, and value.
    pub others: Vec<(String, String)>,
    /// Where this is from.
    pub sources: Vec<IdentitySource>,
    /// What is wrong with it.
    pub problems: Vec<IdentityProblem>,
}

impl Diagnosis {
    /// What stands where an identification was.
    pub const HIDDEN: &'static str = "hidden";

    /// All VINs, part, serial and calibration numbers that modules gave.
    pub(super) fn numbers(&self) -> Vec<String> {
        let mut out: Vec<String> = self.vehicle.vin.iter().cloned().collect();
        out.extend(self.vehicle.vin_conflicts.iter().map(|(_, vin)| vin.clone()));
        for entry in &self.identity {
            out.extend(entry.vin.iter().chain(&entry.part_number).cloned());
            out.extend(entry.calibration_ids.iter().chain(&entry.verification_numbers).cloned());
            out.extend(entry.others.iter().map(|(_, value)| value.clone()));
        }
        out
    }

    /// Leaves out VINs, part, serial and calibration numbers; that there were some, and what is
    /// wrong with them, stays.
    pub(super) fn hide_identity(&mut self) {
        let hide = |value: &mut String| {
            if !value.is_empty() {
                Self::HIDDEN.clone_into(value);
            }
        };
        self.vehicle.vin = None;
        self.vehicle.vin_conflicts.iter_mut().for_each(|(_, vin)| hide(vin));
        for entry in &mut self.identity {
            let texts = entry.vin.iter_mut().chain(&mut entry.part_number);
            texts
                .chain(&mut entry.calibration_ids)
                .chain(&mut entry.verification_numbers)
                .chain(entry.others.iter_mut().map(|(_, value)| value))
                .for_each(hide);
            for problem in &mut entry.problems {
                if let IdentityProblem::OtherVin(text)
                | IdentityProblem::TiedVin(text)
                | IdentityProblem::NoVin(text) = problem
                {
                    hide(text);
                }
                if let IdentityProblem::CannotClaim(units) = problem {
                    units.iter_mut().for_each(|unit| unit.name = unit.name.without_identity());
                }
            }
        }
    }
}

/// What is wrong with a module's identification.
#[derive(Clone, Debug, PartialEq, Eq)]
#[non_exhaustive]
pub enum IdentityProblem {
    /// Its VIN is blank.
    BlankVin,
    /// It carries this VIN, and most others another.
    OtherVin(String),
    /// It carries this VIN, and as many carry another.
    TiedVin(String),
    /// What it gives as VIN, which has not the form of one.
    NoVin(String),
    /// It holds a code that says it is not programmed or not configured.
    Unconfigured,
    /// So many units claimed its address, which only one can keep.
    AddressClaims(usize),
    /// Its unit had to give this address up to another one.
    GaveUpAddress {
        /// The address from which it goes on; `None` where it has none.
        to: Option<u8>,
    },
    /// Units that could not claim an address.
    CannotClaim(Vec<Unplaced>),
}

impl IdentityProblem {
    /// Whether it is that two units are set to one address, and not that one is of another vehicle.
    pub fn is_of_an_address(&self) -> bool {
        use IdentityProblem::{AddressClaims, CannotClaim, GaveUpAddress};
        matches!(self, AddressClaims(_) | GaveUpAddress { .. } | CannotClaim(_))
    }
}

/// What the vehicle says of itself.
#[derive(Clone, Debug, Default)]
pub struct VehicleEntry {
    /// The VIN most modules have.
    pub vin: Option<String>,
    /// Modules with another, and which; empty where blank.
    pub vin_conflicts: Vec<(Module, String)>,
    /// Supply voltage, where a module told it.
    pub supply: Option<SupplyEntry>,
    /// Readiness monitors that modules have.
    pub monitors: Vec<MonitorEntry>,
    /// A module asks for the malfunction lamp.
    pub mil: Option<bool>,
    /// The lamps that modules of SAE J1939 ask for, as last told.
    pub lamps: Vec<(Module, Lamps)>,
}

/// A readiness monitor of a module (service 01, PID 01).
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct MonitorEntry {
    /// The module.
    pub module: Module,
    /// What it watches, as SAE J1979 calls it.
    pub monitor: &'static str,
    /// It has run since the codes were cleared.
    pub complete: bool,
}

/// Supply voltage as modules measured it, in volts.
#[derive(Clone, Debug)]
pub struct SupplyEntry {
    /// Least.
    pub min: f64,
    /// Greatest.
    pub max: f64,
    /// When it was least; `None` without time stamps.
    pub min_at: Option<Nanoseconds>,
    /// Readings; empty without time stamps.
    pub series: Vec<(Nanoseconds, f64)>,
    /// Times below a level.
    pub dips: Vec<DipEntry>,
}

/// A time below a level of supply.
#[derive(Clone, Debug)]
pub struct DipEntry {
    /// The dip.
    pub dip: Dip,
    /// Indexes into [`super::Analysis::outages`] of losses that began or ended in it, or within
    /// [`DipEntry::NEAR`] of it.
    pub outages: Vec<usize>,
}

impl DipEntry {
    /// Seconds around a dip within which an outage is told beside it: readings of the supply come
    /// that far apart.
    pub const NEAR: f64 = 2.0;

    /// Whether a moment lies in it, or within [`DipEntry::NEAR`] of it.
    pub fn is_near(&self, time: Nanoseconds) -> bool {
        let near = nanoseconds(Self::NEAR);
        (self.dip.span.0 - near..=self.dip.span.1 + near).contains(&time)
    }
}

/// What a module stored with a code (service 02).
#[derive(Clone, Debug)]
pub struct FreezeFrameEntry {
    /// The module.
    pub module: Module,
    /// Number of the frame.
    pub frame: u8,
    /// The code it was stored with, where that was read.
    pub code: Option<Code>,
    /// Values: the PID, and its bytes as sent.
    pub values: Vec<(u8, Vec<u8>)>,
}

/// A result of a test on board (service 06).
#[derive(Clone, Debug)]
pub struct TestEntry {
    /// The module.
    pub module: Module,
    /// The result with its limits.
    pub result: TestResult,
}

impl TestEntry {
    /// Whether the value lies within its limits.
    pub fn passed(&self) -> bool {
        (self.result.low..=self.result.high).contains(&self.result.value)
    }
}

/// How one module answered.
#[derive(Clone, Debug)]
pub struct TalkEntry {
    /// The module.
    pub module: Module,
    /// Positive answers.
    pub positive: u64,
    /// Negative answers: response code (ISO 14229-1:2020, annex A), how many.
    pub negative: Vec<(u8, u64)>,
    /// Requests to it alone that stayed without answer.
    pub unanswered: u64,
    /// "Answer pending" messages.
    pub pending: u64,
    /// Answers later than the standard allows.
    pub late: u64,
    /// Longest wait in seconds.
    pub slowest: Option<f64>,
    /// When it was asked and did not answer, in order of time; the first 64 of such times.
    pub mute: Vec<Mute>,
    /// When it answered, in order of time; thinned out where it answered often.
    pub answered: Vec<Nanoseconds>,
}

impl TalkEntry {
    /// It was asked more than once and never answered, not even with a refusal.
    pub fn is_mute(&self) -> bool {
        self.unanswered >= 2 && self.positive == 0 && self.negative.is_empty()
    }
}

impl Analysis {
    /// Whether a module that is missed was heard throughout, also while a code that misses it by
    /// its source address was active (SAE J1939): the address says for sure who that is.
    pub(crate) fn is_heard_meanwhile(&self, row: &Blame) -> bool {
        !self.who_misses_meanwhile(row).is_empty()
    }

    /// The modules by whose active codes a module is missed, by its address, that is heard.
    pub(crate) fn who_misses_meanwhile(&self, row: &Blame) -> BTreeSet<Module> {
        if !matches!(row.frames, Frames::Heard { .. }) {
            return BTreeSet::new();
        }
        let active = |code: &&CodeEntry| {
            code.missed.as_ref() == Some(&row.missed)
                && code.missed_address.is_some()
                && code.active.is_some()
                && code.gone.is_none()
        };
        self.diagnosis.codes.iter().filter(active).map(|code| code.module).collect()
    }

    /// Whether a module did not answer while a node was silent, and at no other time; or was never
    /// heard, and the node was lost to the end.
    pub(crate) fn is_mute_with(&self, talk: &TalkEntry, node: NodeIndex) -> bool {
        let lost: Vec<_> = self.lost().filter(|outage| outage.nodes.contains(&node)).collect();
        let during = |mute: &Mute| {
            let (first, last) = (mute.asked.0.nanoseconds(), mute.asked.1.nanoseconds());
            let holds = |outage: &&Outage| {
                first >= outage.start && last <= outage.end + nanoseconds(STARTS_WITHIN)
            };
            lost.iter().any(holds)
        };
        !talk.mute.is_empty() && talk.mute.iter().all(during)
    }
}

/// All of it.
#[derive(Clone, Debug, Default)]
pub struct Diagnosis {
    /// Modules whose lists of codes were read.
    pub codes_read: Vec<Module>,
    /// Which lists of them, each with its module.
    pub lists_read: Vec<(Module, Seen)>,
    /// Codes, by module.
    pub codes: Vec<CodeEntry>,
    /// Modules that said who they are.
    pub identity: Vec<IdentityEntry>,
    /// The vehicle.
    pub vehicle: VehicleEntry,
    /// Freeze frames.
    pub freeze_frames: Vec<FreezeFrameEntry>,
    /// Results of tests on board.
    pub tests: Vec<TestEntry>,
    /// How modules answered.
    pub talks: Vec<TalkEntry>,
    /// A tester asked for something that ends the usual messages of modules: CommunicationControl
    /// or a programming session (ISO 14229-1:2020, 10.5 and 10.2).
    pub switched_off: bool,
    /// Modules that others miss, most missed first.
    pub blame: Vec<Blame>,
    /// Modules that miss three others or more, and how many.
    pub accusers: Vec<(Module, usize)>,
    /// How many messages came through whole.
    pub messages: MessageCounts,
}
