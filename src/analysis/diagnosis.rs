//! The part of the report that comes from diagnostic messages.

use lostnode_parsers::obd::TestResult;

use super::Nanoseconds;
pub use crate::fold::diagnostics::supply::Dip;

/// A trouble code as one module holds it.
#[derive(Clone, Debug)]
pub struct CodeEntry {
    /// `U0100`, or `SPN 639` for a truck.
    pub code: String,
    /// Failure type byte of the three-byte form, or failure mode of a truck.
    pub failure_type: Option<u8>,
    /// What it says, with the failure type; `None` where no table knows it.
    pub meaning: Option<String>,
    /// Who holds it.
    pub reporter: String,
    /// The module it misses.
    pub blames: Option<String>,
    /// Status bits set, by name; empty where the service gives none.
    pub status: Vec<&'static str>,
    /// Lists it was seen in, such as `stored` or `pending`.
    pub lists: Vec<String>,
    /// First and last reported; `None` without time stamps.
    pub seen: Option<(Nanoseconds, Nanoseconds)>,
    /// When it was cleared while it was there.
    pub cleared: Option<Nanoseconds>,
    /// Reported again as a fault after the clear.
    pub returned: bool,
    /// When a list that had it came without it.
    pub gone: Option<Nanoseconds>,
    /// Whether its test has run to the end since the clear, where that can be told.
    pub tested: Option<bool>,
    /// Times it occurred, where the module counts.
    pub count: Option<u8>,
    /// Why it is probably part of one event with others.
    pub event: Option<String>,
    /// It says that the module is not programmed or configured.
    pub unconfigured: bool,
    /// It says that the module has a fault inside.
    pub internal: bool,
    /// It was failing, pending or active when it was last there.
    pub failing: bool,
    /// It asks for a warning lamp.
    pub lamp: bool,
    /// What became of it, in a sentence.
    pub story: String,
}

/// Who a module says it is.
#[derive(Clone, Debug)]
pub struct IdentityEntry {
    /// What it answers by.
    pub module: String,
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
    pub source: String,
    /// What is wrong with it, in sentences: another VIN, none, not configured, address conflict.
    pub problems: Vec<String>,
}

/// What the vehicle says of itself.
#[derive(Clone, Debug, Default)]
pub struct VehicleEntry {
    /// The VIN most modules have.
    pub vin: Option<String>,
    /// Modules with another, and which; empty where blank.
    pub vin_conflicts: Vec<(String, String)>,
    /// Supply voltage, where a module told it.
    pub supply: Option<SupplyEntry>,
    /// Readiness monitors: module, name, complete.
    pub monitors: Vec<(String, &'static str, bool)>,
    /// A module asks for the malfunction lamp.
    pub mil: Option<bool>,
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
}

/// What a module stored with a code (service 02).
#[derive(Clone, Debug)]
pub struct FreezeFrameEntry {
    /// The module.
    pub module: String,
    /// Number of the frame.
    pub frame: u8,
    /// The code it was stored with, where that was read.
    pub code: Option<String>,
    /// Values, such as `0C engine speed = 1726 rpm`.
    pub values: Vec<String>,
}

/// A result of a test on board (service 06).
#[derive(Clone, Debug)]
pub struct TestEntry {
    /// The module.
    pub module: String,
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
    pub module: String,
    /// Positive answers.
    pub positive: u64,
    /// Negative answers: reason, in words, how many.
    pub negative: Vec<(u8, &'static str, u64)>,
    /// Requests to it alone that stayed without answer.
    pub unanswered: u64,
    /// "Answer pending" messages.
    pub pending: u64,
    /// Answers later than the standard allows.
    pub late: u64,
    /// Longest wait in seconds.
    pub slowest: Option<f64>,
}

/// A module that others miss.
#[derive(Clone, Debug)]
pub struct BlameEntry {
    /// Its name in the codes.
    pub blamed: String,
    /// Who misses it.
    pub reporters: Vec<String>,
    /// The codes.
    pub codes: Vec<String>,
    /// `confirmed`, `likely`, `contradicted` or `open`.
    pub verdict: &'static str,
    /// Index into [`super::Analysis::nodes`] of the node it is, where that is told.
    pub node: Option<usize>,
    /// In a sentence.
    pub sentence: String,
}

/// All of it.
#[derive(Clone, Debug, Default)]
pub struct Diagnosis {
    /// Modules whose lists of codes were read.
    pub codes_read: Vec<String>,
    /// Codes, by reporter.
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
    /// Who is missed by whom.
    pub blame: Vec<BlameEntry>,
    /// Reporters that miss three modules or more, and how many.
    pub accusers: Vec<(String, usize)>,
    /// Whole messages; incomplete ones by reason; data units that no receiver would take.
    pub messages: (u64, Vec<(&'static str, u64)>, u64),
}
