//! What asks for an explanation, and its signs, with their numbers (docs/findings.md). Sentences
//! are made of them in `words::fault`.

use lostnode_parsers::ErrorFrame;
use serde::{Deserialize, Serialize};

use super::blame::{Missed, Verdict};
use super::diagnosis::CodeEvent;
use super::just_before::LeadKind;
use crate::fold::diagnostics::Module;

pub use super::error_kind::{ErrorKind, Spread};
pub use super::moved::Moved;
pub use super::now::Now;
pub use super::setting::Setting;
pub use super::silences::Silences;
pub use super::starter::Starter;

/// A kind of symptom, by its table in `knowledge.toml`; in order of the alphabet, in which the
/// tables are read.
#[derive(Clone, Copy, Debug, Deserialize, Serialize, PartialEq, Eq, PartialOrd, Ord)]
#[serde(rename_all = "snake_case")]
#[expect(missing_docs, reason = "the table says what each is")]
pub enum SymptomKind {
    BusErrors,
    BusSilent,
    BusSlept,
    Flood,
    InternalCode,
    LacksMessages,
    LostInTurn,
    LowSupply,
    ManyMissed,
    MessageSilent,
    /// Several modules left as with the key, or their supply failed.
    PerhapsOff,
    MissedByOthers,
    MissesMany,
    MissesMessages,
    NewMessages,
    NoAnswer,
    NodeSilent,
    NodesSilent,
    NotCarried,
    OtherIdentity,
    OwnBusOff,
    RecordingGap,
    SenderErrors,
    SenderGaps,
    SupplyMemory,
}

/// What is seen or told.
#[derive(Clone, Debug, PartialEq)]
#[non_exhaustive]
pub enum Fact {
    /// A node that the roster expects was never heard.
    NeverHeard {
        /// It is one message of no known sender, which may be sent in one state of the vehicle
        /// only.
        one_message: bool,
    },
    /// A node fell silent while others went on.
    NodeSilent(Silences),
    /// A message paused, which may be all that its sender sends.
    MessageSilent(Silences),
    /// Several nodes left as with a key-off, or because something that they share failed.
    PerhapsOff(Silences),
    /// Several nodes fell silent together.
    NodesSilent(Silences),
    /// A bus ended in order.
    BusSlept(Silences),
    /// A bus fell silent.
    BusSilent(Silences),
    /// Error frames about the bus, beside its silences.
    BusErrors {
        /// How many.
        count: usize,
        /// In how many seconds of the recording there were any.
        seconds: usize,
        /// The first of them.
        first: ErrorFrame,
    },
    /// Error frames about the bus without end, so many that no silence accounts for them.
    ErrorsThroughout {
        /// How many, all told.
        count: u64,
        /// Seconds that hold one.
        seconds: u64,
        /// The first of them.
        first: ErrorFrame,
    },
    /// Errors destroy the frames of one sender more than those of others.
    SenderErrors {
        /// Its destroyed frames.
        frames: usize,
        /// All destroyed frames that are known by name.
        of: usize,
        /// Its share of the traffic.
        share: f64,
        /// Probability of so many by chance.
        chance: f64,
    },
    /// One sender is heard behind errors more than by its traffic: they destroy its frames.
    SenderFollows {
        /// Behind so many errors it is heard soon.
        times: usize,
        /// … of so many.
        of: usize,
        /// How often it would be by chance, 0 to 1.
        by_chance: f64,
    },
    /// Errors come where frames of one sender are missing, and nobody else's: they are its own.
    SenderLacks {
        /// So many errors lie where its frames are missing.
        times: usize,
        /// … of so many.
        of: usize,
        /// The share of the recording that this takes, 0 to 1.
        share: f64,
    },
    /// Of the nodes of a bus now these and now those are lost together.
    LostInTurn {
        /// Nodes.
        nodes: usize,
        /// Different companies in which they are lost, that share a node and each lack one.
        companies: usize,
    },
    /// Nodes of a bus are each away for a time of their own, as long every time, and run on.
    AwayForAsLong {
        /// How many.
        nodes: usize,
    },
    /// Identifiers that two buses carry stopped on one and went on on the other.
    NotCarried {
        /// How many.
        ids: usize,
        /// How often, at most, one of them.
        times: usize,
    },
    /// The bus was full.
    Flood {
        /// Share of the time above which a bin counts as full.
        above: f64,
        /// Full bins.
        bins: usize,
        /// Seconds of a bin.
        bin: f64,
        /// Highest share of the time.
        peak: f64,
        /// Index into [`super::Analysis::identifiers`] of the one with most frames.
        busiest: Option<usize>,
    },
    /// One message comes faster than any that is built in.
    Babble {
        /// Index into [`super::Analysis::identifiers`].
        id: usize,
        /// Its frames in a second, while it is sent.
        per_second: f64,
    },
    /// The recording has gaps.
    RecordingGap {
        /// Pauses.
        pauses: Option<Silences>,
        /// Times the logger ran over.
        overflows: usize,
    },
    /// A module did not answer a tester.
    NoAnswer {
        /// The module.
        module: Module,
        /// Requests without answer.
        requests: u64,
    },
    /// A module is missed: index into the rows of blame.
    MissedByOthers(usize),
    /// Several modules are missed that this bus does not show to be silent, or do not answer.
    ManyMissed {
        /// How many are missed; 0 where these are too few to tell anything.
        missed: usize,
        /// How many do not answer; 0 where these are too few to tell anything.
        mute: usize,
    },
    /// One module misses many.
    MissesMany {
        /// The module.
        module: Module,
        /// How many it misses.
        misses: usize,
    },
    /// One module says now that so many messages do not come, and nothing tells whose they are.
    MissesMessages {
        /// The module.
        module: Module,
        /// How many.
        messages: usize,
    },
    /// Codes that are marks of one event.
    SupplyMemory {
        /// How many.
        codes: usize,
        /// The event of the first.
        event: CodeEvent,
    },
    /// A roster does not have messages that are sent all the time, on timers: the place of the
    /// lowest in [`super::Analysis::identifiers`], and how many there are.
    NewMessages(crate::ids::IdIndex, usize),
    /// What was never heard is there under another address, or other identifiers, that the roster
    /// does not have: the place of the lowest, how many there are, and how they differ.
    Moved(crate::ids::IdIndex, usize, Moved),
    /// It speaks, and these messages that the roster has of it were never heard.
    LacksMessages(Vec<lostnode_parsers::Id>),
    /// Identification that does not fit: index into the modules that said who they are.
    OtherIdentity(usize),
    /// A module says that it is not programmed or configured.
    Unconfigured(Module),
    /// Others say that the software of a module does not fit, and miss it: index into the rows of
    /// blame.
    Misfit(usize),
    /// It speaks, and others say that the data of the module that they name so is invalid.
    BadData(Missed),
    /// A module reports a fault inside itself.
    InternalCode(Module),
    /// A module says now that its supply is low, and no other does.
    LowSupply(Module),
    /// The controllers of these modules left the bus, as their own codes say.
    OwnBusOff(Vec<Module>),
}

impl Fact {
    /// Its table in `knowledge.toml`.
    pub fn kind(&self) -> SymptomKind {
        use SymptomKind as Kind;
        match self {
            Fact::NeverHeard { .. } | Fact::NodeSilent(_) => Kind::NodeSilent,
            Fact::MessageSilent(_) => Kind::MessageSilent,
            Fact::PerhapsOff(_) => Kind::PerhapsOff,
            Fact::NodesSilent(_) => Kind::NodesSilent,
            Fact::BusSlept(_) => Kind::BusSlept,
            Fact::BusSilent(_) => Kind::BusSilent,
            Fact::BusErrors { .. } | Fact::ErrorsThroughout { .. } => Kind::BusErrors,
            Fact::SenderErrors { .. } | Fact::SenderFollows { .. } => Kind::SenderErrors,
            Fact::SenderLacks { .. } => Kind::SenderGaps,
            Fact::LostInTurn { .. } | Fact::AwayForAsLong { .. } => Kind::LostInTurn,
            Fact::NotCarried { .. } => Kind::NotCarried,
            Fact::Flood { .. } | Fact::Babble { .. } => Kind::Flood,
            Fact::RecordingGap { .. } => Kind::RecordingGap,
            Fact::NoAnswer { .. } => Kind::NoAnswer,
            Fact::MissedByOthers(_) => Kind::MissedByOthers,
            Fact::ManyMissed { .. } => Kind::ManyMissed,
            Fact::MissesMany { .. } => Kind::MissesMany,
            Fact::MissesMessages { .. } => Kind::MissesMessages,
            Fact::SupplyMemory { .. } => Kind::SupplyMemory,
            Fact::NewMessages(..) | Fact::Moved(..) => Kind::NewMessages,
            Fact::LacksMessages(_) => Kind::LacksMessages,
            Fact::OtherIdentity(_) | Fact::Unconfigured(_) | Fact::Misfit(_) | Fact::BadData(_) => {
                Kind::OtherIdentity
            }
            Fact::InternalCode(_) => Kind::InternalCode,
            Fact::LowSupply(_) => Kind::LowSupply,
            Fact::OwnBusOff(_) => Kind::OwnBusOff,
        }
    }
}

/// A sign of a symptom: one of several values, by its table in `knowledge.toml`.
#[derive(Clone, Copy, Debug, Deserialize, Serialize, PartialEq, Eq, PartialOrd, Ord)]
#[serde(rename_all = "snake_case")]
#[expect(missing_docs, reason = "the table says what each is")]
pub enum SignName {
    AllAnswer,
    Answers,
    BusEnd,
    BusOffs,
    DriveTrain,
    Ends,
    EndsTogether,
    ErrorKind,
    ErrorSpread,
    Errors,
    ErrorsTogether,
    FramesSay,
    HeardElsewhere,
    HeardMeanwhile,
    Lead,
    LeadTogether,
    LengthAlone,
    NothingLost,
    Now,
    Number,
    OnlyAnswers,
    OwnSwitch,
    Return,
    ReturnAlone,
    ReturnTogether,
    Rhythm,
    RhythmTogether,
    Share,
    Start,
    StartTogether,
    StoredByMany,
    StoredByOne,
    Supply,
}

/// The values of all signs, as `knowledge.toml` calls them.
#[derive(Clone, Copy, Debug, Deserialize, Serialize, PartialEq, Eq, PartialOrd, Ord)]
#[serde(rename_all = "snake_case")]
#[expect(missing_docs, reason = "the table says what each is")]
pub enum SignValue {
    Abrupt,
    Apart,
    Brief,
    BusOff,
    Charged,
    Confirmed,
    Contradicted,
    Delayed,
    Dipped,
    Divided,
    Errors,
    Even,
    Everyone,
    Failing,
    Few,
    Frequent,
    HalfOrMore,
    Late,
    LeansAnew,
    LeansOn,
    Likely,
    Listed,
    Long,
    LostAddress,
    Many,
    Mended,
    Movement,
    Near,
    NoReturn,
    None,
    Open,
    Orderly,
    Over,
    Own,
    Passed,
    LastDrive,
    Perhaps,
    RanOn,
    Recent,
    Remembered,
    Several,
    Single,
    Soon,
    StartedAnew,
    Starts,
    Steady,
    Supply,
    Switch,
    Throughout,
    Unclear,
    Uneven,
    Untold,
    Warmth,
}

/// A sign with its numbers.
#[derive(Clone, Copy, Debug, PartialEq)]
#[non_exhaustive]
pub enum Sign {
    /// How a node came back.
    Return(Return),
    /// How a message came back that may be all that a module sends.
    ReturnAlone(Return),
    /// Such a message was silent for so many seconds each time, on average: as long as a module
    /// takes to boot.
    LengthAlone(f64),
    /// How several nodes came back.
    ReturnTogether(Return),
    /// The steps in which a node fell silent.
    Rhythm(Rhythm),
    /// The steps in which several nodes fell silent.
    RhythmTogether(Rhythm),
    /// How likely the starter is behind a short loss of a node.
    Start(Starter),
    /// The same of several.
    StartTogether(Starter),
    /// The supply dipped, to so many volts.
    SupplyDipped(f64),
    /// The supply stayed between so many volts.
    SupplySteady(f64, f64),
    /// Error frames about the bus near the silences of a node.
    Errors(usize),
    /// Error frames near the silences of a node that destroyed frames of its own.
    OwnErrors(usize),
    /// Whose frames the errors of a bus destroyed.
    ErrorSpread(Spread),
    /// Error frames about the bus near the silences of several.
    ErrorsTogether(usize),
    /// How many nodes of those of the bus.
    Share {
        /// Nodes that fell silent.
        nodes: usize,
        /// All of the bus that are known.
        all: usize,
        /// Identifiers with a time-out that fell silent with them.
        ids: usize,
        /// All of the bus, also those whose sender is not known.
        all_ids: usize,
    },
    /// So many of the modules that fell silent together were heard on another bus meanwhile.
    HeardElsewhere(usize),
    /// So many modules fell silent together: more than a branch or a fuse carries as a rule.
    Number(usize),
    /// One of its messages outlived another by so many seconds.
    Ends(f64),
    /// A message of several nodes outlived another by so many seconds.
    EndsTogether(f64),
    /// How a bus ended.
    BusEnd {
        /// Times with error frames.
        with_errors: usize,
        /// All times.
        times: usize,
    },
    /// Error frames of a bus.
    ErrorKind(ErrorKind),
    /// What the frames say of a module that others miss.
    FramesSay(Verdict),
    /// It was heard here all the while, also as codes of so many modules that miss it were active.
    HeardMeanwhile(usize),
    /// How the codes stand that name it.
    Now(Now),
    /// So many modules say that a code of it does not fail, none since when, and nothing is lost.
    StoredByMany(usize),
    /// One module alone stored it, nothing tells since when, and frames do not say.
    StoredByOne,
    /// So many of the modules that are missed are of the drive train, brakes or steering.
    DriveTrain {
        /// Modules.
        modules: usize,
        /// All that are missed.
        of: usize,
    },
    /// It answers a tester and sends nothing by itself, while others miss it.
    OnlyAnswers,
    /// Its codes are only stored, or the last test of each passed, and nothing is lost.
    NothingLost,
    /// What goes before its losses (docs/precursors.md).
    Lead(Led),
    /// What goes before the losses of several.
    LeadTogether(Led),
    /// How many modules say that their own controllers left the bus.
    BusOffs {
        /// Modules.
        modules: usize,
        /// Modules of the bus whose codes were read.
        asked: usize,
        /// Enough of them to put the line that they share in question.
        many: bool,
    },
    /// Each of those modules says that it has not left the bus in this drive and that its last test
    /// passed, and nothing is lost.
    BusOffsPassed,
    /// The module was asked while all of its messages were silent.
    Answers {
        /// It answered, so many seconds after they had ended; `None` where it did not.
        after: Option<f64>,
    },
    /// It may have a switch of its own: it was lost once and alone, nobody misses it, and it sends
    /// nothing more often than this, in seconds.
    OwnSwitch {
        /// Seconds of its fastest period.
        fastest: f64,
        /// It was not heard at all.
        throughout: bool,
    },
    /// Of the modules of the bus, one of which is lost, all that were asked after the loss
    /// answered, and they are several.
    AllAnswer {
        /// Modules that answered.
        modules: usize,
    },
}

/// What goes before losses.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Led {
    /// What that speaks of.
    pub kind: LeadKind,
    /// Losses that it preceded.
    pub losses_with: usize,
    /// Of how many.
    pub losses: usize,
}

/// How what fell silent came back.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Return {
    /// Not at all.
    No,
    /// It had to give its address up to another unit.
    LostAddress,
    /// Nothing tells, over so many returns.
    Untold {
        /// Returns.
        back: usize,
    },
    /// Too little for an answer, but more for one side.
    Leans {
        /// Towards having run on; or else towards a new start.
        on: bool,
        /// Returns.
        back: usize,
    },
    /// Some of the nodes had run on, and others started anew.
    Divided {
        /// Returns that look so.
        divided: usize,
        /// All returns.
        back: usize,
    },
    /// With counters and phase begun afresh.
    StartedAnew {
        /// Returns that look so.
        anew: usize,
        /// All returns.
        back: usize,
    },
    /// With counters and phase carried on.
    RanOn {
        /// Returns that look so.
        ran_on: usize,
        /// All returns.
        back: usize,
    },
    /// Now so and now so.
    Mixed {
        /// Returns that look like a new start.
        anew: usize,
        /// Returns that look like having run on.
        ran_on: usize,
    },
}

/// The steps from one silence to the next.
#[derive(Clone, Copy, Debug, PartialEq)]
pub enum Rhythm {
    /// There was one silence.
    Single,
    /// There was one silence, and it was short.
    Brief,
    /// There were so many, all short, and no two in one drive.
    BriefInDrives(usize),
    /// There were so many, all short, and each soon after a key was turned on of its own.
    Starts(usize),
    /// Steps of equal length, in seconds, with their standard deviation.
    Even {
        /// Seconds of a step.
        step: f64,
        /// Standard deviation, in seconds.
        spread: f64,
    },
    /// So many silences without such steps.
    Uneven(usize),
}
