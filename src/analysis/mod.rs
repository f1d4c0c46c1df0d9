//! The one value that is the whole answer.

pub mod blame;
pub mod build;
pub mod cut_off;
pub mod diagnosis;
pub mod drives;
pub mod element;
pub mod episodes;
mod error_kind;
pub mod finding;
pub mod headline;
pub(crate) mod hide;
pub mod just_before;
pub mod marks;
mod moved;
mod names;
pub mod notice;
mod now;
pub mod presence;
mod setting;
mod sign_key;
pub mod signals;
mod silences;
mod starter;
pub mod subject;
pub mod symptom;
pub mod verdict;

use lostnode_parsers::j1939::{self, Fields};
use lostnode_parsers::{ErrorFrame, Id};

use crate::capture::{Capture, ChannelIndex};
pub use crate::fold::bit_rate::BitRate;
pub use crate::fold::j1939::J1939;
pub use crate::fold::load::Series;
use crate::fold::timing::{Aftermath, Tally};
pub use crate::fold::timing::{Nanoseconds, Silence};
use crate::ids::{IdIndex, NodeIndex};
pub use crate::network::{Basis, Node};
pub use crate::outage::deviations::{Deviation, DeviationKind};
pub use crate::outage::{Cause, Division, Doubt, Evidence, Outage, Scope, Why};
pub use crate::silence::{HowThinned, KeyState, Thinned};
pub use names::ModuleName;
pub use notice::Notice;

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
    /// Whether it was held against a roster.
    pub has_roster: bool,
    /// What differs from the roster file otherwise.
    pub deviations: Vec<Deviation>,
    /// Presence over time, one lane for each node or lone identifier.
    pub lanes: Vec<Lane>,
    /// What testers and modules said to each other.
    pub diagnosis: diagnosis::Diagnosis,
    /// What the vehicle did, where its traffic tells by a standard: of each signal the sender that
    /// tells it most often. Of several drives each has its own.
    pub signals: Vec<signals::SignalTrack>,
    /// From when to when the engine surely ran, as its speed tells (SAE J1939-71, SPN 190, or
    /// answers to a tester, SAE J1979, PID 0C). Of several drives each has its own.
    pub engine_ran: Vec<(Nanoseconds, Nanoseconds)>,
    /// What was being done, held against when losses began.
    pub marks: Vec<marks::Marked>,
    /// What explains it; `None` where that was not asked for.
    pub findings: Option<finding::Findings>,
    /// What happened just before the losses.
    pub just_before: just_before::JustBefore,
    /// What the reader of the report should know about its limits.
    pub notices: Vec<Notice>,
    /// The drives that it is drawn from, where there are several; each has its own time line.
    pub drives: Vec<drives::Drive>,
    /// Captures that are of another vehicle and were kept out.
    pub kept_out: Vec<KeptOut>,
}

impl Analysis {
    /// Whether an identifier carries parts of messages too long for one frame (SAE J1939-21,
    /// transport): as many and as fast as there is something to say.
    pub fn is_transport(&self, id: &Identifier) -> bool {
        let Id::Extended(raw) = id.id else { return false };
        let group = Fields::of(raw).pgn;
        self.channel(id.channel).j1939 == J1939::Yes
            && matches!(group, j1939::TRANSPORT_CONTROL | j1939::TRANSPORT_DATA)
    }

    /// Whether one of its buses speaks SAE J1939, as those of trucks, buses and machines do.
    pub fn is_truck(&self) -> bool {
        self.channels.iter().any(|channel| channel.j1939 == J1939::Yes)
    }

    /// Outages in which a part of the vehicle was missing: all but sleep, pauses of the recording
    /// and what is lawful otherwise.
    pub fn lost(&self) -> impl Iterator<Item = &Outage> {
        self.outages.iter().filter(|outage| outage.is_loss())
    }

    /// The shortest period of these identifiers, in seconds; `None` where none keeps one.
    pub(crate) fn fastest(&self, ids: &[IdIndex]) -> Option<f64> {
        ids.iter().filter_map(|id| self.identifiers[*id].pace).reduce(f64::min)
    }

    /// The ranked findings; none where they were not asked for.
    pub fn ranked(&self) -> &[finding::Finding] {
        self.findings.as_ref().map_or(&[], |findings| &findings.ranked)
    }

    /// What to test next over all findings; nothing where they were not asked for.
    pub fn next_tests(&self) -> &[finding::NextTest] {
        self.findings.as_ref().map_or(&[], |findings| &findings.next_tests)
    }

    /// What to be careful of before any test; nothing where no findings were asked for.
    pub fn cautions(&self) -> &[finding::Caution] {
        self.findings.as_ref().map_or(&[], |findings| &findings.cautions)
    }

    /// A channel.
    pub fn channel(&self, at: ChannelIndex) -> &Channel {
        &self.channels[usize::from(at)]
    }
}

/// A capture of another vehicle, that was kept out.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct KeptOut {
    /// The file.
    pub path: String,
    /// The VIN in it.
    pub vin: String,
    /// The VIN of the vehicle that the others are of.
    pub vehicle: String,
}

/// A channel.
#[derive(Clone, Debug, Default)]
pub struct Channel {
    /// Its name in the capture.
    pub name: String,
    /// Whether it speaks SAE J1939, so that addresses have their usual names.
    pub j1939: J1939,
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
    /// The error reports with their time; of very many only some ([`ErrorEvent::times`]).
    pub errors: Vec<ErrorEvent>,
    /// How many there are about the bus, and in how many seconds.
    pub tally: Tally,
    /// Seconds in which it carried traffic.
    pub awake: f64,
    /// Set where the logger kept only some of its frames.
    pub thinned: Option<Thinned>,
    /// When the key was off, as far as the channel shows it.
    pub key_off: Vec<Silence>,
    /// Whether the key was on, as far as the roster tells.
    pub key: KeyState,
    /// Identifiers of the roster that were not heard, of which that proves nothing: too many frames
    /// are missing from the recording.
    pub unproven: usize,
}

/// An error report of the logging controller.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct ErrorEvent {
    /// When.
    pub time: Nanoseconds,
    /// For how many reports it stands: all of a tenth of a second where there are thousands.
    pub times: u32,
    /// What the controller said.
    pub frame: ErrorFrame,
    /// Place in [`Analysis::identifiers`] of the frame that it destroyed, where that can be told.
    pub destroyed: Option<IdIndex>,
    /// Places of the identifiers that came behind it, the next first, as far as they came soon:
    /// what it destroyed is sent again as soon as arbitration lets it.
    pub behind: [Option<IdIndex>; Aftermath::BEHIND],
    /// A module was awake alone and nobody acknowledged its frame: no fault of the bus.
    pub alone: bool,
    /// It is one of plugging in the recorder, as far as its time and their number tell.
    pub plugging_in: bool,
}

/// An identifier on a channel.
#[derive(Clone, Debug)]
pub struct Identifier {
    /// Its channel.
    pub channel: ChannelIndex,
    /// The identifier.
    pub id: Id,
    /// Frames heard.
    pub frames: u64,
    /// Period and jitter in seconds where it is sent on a timer.
    pub rhythm: Option<crate::fold::timing::Rhythm>,
    /// Skew of its clock against the nominal period and the standard error of that, in ppm.
    pub skew_ppm: Option<(f64, f64)>,
    /// A rolling counter in its payload.
    pub counter: Option<crate::fold::timing::AliveCounter>,
    /// Silence after which it counts as lost, in seconds.
    pub timeout: Option<f64>,
    /// First and last time heard.
    pub heard: Option<(Nanoseconds, Nanoseconds)>,
    /// Its longest silence in seconds.
    pub longest_silence: Option<f64>,
    /// Its sender, where known.
    pub node: Option<NodeIndex>,
    /// Its period in seconds, of however few frames; what a roster learns.
    pub pace: Option<f64>,
    /// On how many occasions it was sent: frames within a second are of one.
    pub occasions: u64,
    /// When it came faster than any message that is built in.
    pub rush: Option<crate::fold::timing::Rush>,
    /// It was silent while the key was off, and others spoke on.
    pub only_with_key: bool,
    /// It carries diagnosis: it speaks when spoken to.
    pub diagnostic: bool,
    /// When it was silent for longer than its time-out while its channel went on, in order of
    /// time, whatever was made of that.
    pub silent: Vec<Silence>,
    /// When a frame of it or more was missing, in order of time; only where it keeps a period, and
    /// its channel reports errors or there are several. Silences of less than 0.1 s are not among
    /// them.
    pub gaps: Vec<Silence>,
    /// The same of less than 0.1 s, the first since its channel reports errors.
    pub skips: Vec<Silence>,
}

/// Whose presence a lane of the picture shows.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Occupant {
    /// A node.
    Node(NodeIndex),
    /// An identifier of which the sender is not known.
    Identifier(IdIndex),
}

/// One lane of the presence picture.
#[derive(Clone, Debug)]
pub struct Lane {
    /// Whose it is.
    pub of: Occupant,
    /// Its channel.
    pub channel: ChannelIndex,
    /// First and last time heard.
    pub heard: (Nanoseconds, Nanoseconds),
    /// When nothing of it was heard for longer than its time-out, in order of time, between those.
    pub silent: Vec<Silence>,
    /// Places in [`Analysis::outages`] of what it missed; stops of its channel are not among
    /// them.
    pub outages: Vec<usize>,
}
