//! What the reader of the report should know about its limits.

use lostnode_parsers::Id;

use crate::capture::ChannelIndex;

/// A limit of what the report can say. `words::notices` makes the sentences.
#[derive(Clone, Debug, PartialEq)]
#[non_exhaustive]
pub enum Notice {
    /// Reading stopped before the end of the file.
    CutShort {
        /// Place in [`super::Analysis::captures`], which has the reason.
        capture: usize,
    },
    /// CAN XL frames were counted and not analysed.
    Xl {
        /// Place in [`super::Analysis::captures`].
        capture: usize,
    },
    /// A file holds the same as another and was counted once.
    SameTwice {
        /// The file that was left out.
        path: String,
        /// The one that was read.
        read: String,
    },
    /// Frames carry no time stamps.
    NoTimeStamps {
        /// Place in [`super::Analysis::captures`].
        capture: usize,
    },
    /// Every frame was logged twice and counted once.
    LoggedTwice {
        /// Place in [`super::Analysis::captures`].
        capture: usize,
    },
    /// Time stamps are none, or lie far from those around them.
    StrayStamps {
        /// Place in [`super::Analysis::captures`].
        capture: usize,
    },
    /// The logger's clock stepped and was mended.
    ClockMended {
        /// Place in [`super::Analysis::captures`].
        capture: usize,
        /// Place in [`crate::capture::Capture::clock`].
        mend: usize,
    },
    /// The logger's clock was set back so often that it is none.
    NoClock {
        /// Place in [`super::Analysis::captures`].
        capture: usize,
        /// How often.
        set_backs: u32,
    },
    /// Time stamps step back.
    OutOfOrder {
        /// Where.
        channel: ChannelIndex,
    },
    /// The logger lost frames.
    Overflows {
        /// Where.
        channel: ChannelIndex,
        /// How often it said so.
        count: usize,
    },
    /// Errors as the recorder was plugged in, which are left out.
    PluggedIn {
        /// Where.
        channel: ChannelIndex,
        /// How many.
        count: usize,
    },
    /// More bits were heard than the bit rate allows.
    MoreThanBitRate {
        /// Where.
        channel: ChannelIndex,
    },
    /// The recording paused.
    Paused {
        /// How many in all.
        seconds: f64,
    },
    /// More identifiers than are told apart.
    TooManyIdentifiers {
        /// Frames of those beyond.
        frames: u64,
    },
    /// More silences than are kept.
    TooManySilences {
        /// Of so many identifiers.
        identifiers: usize,
    },
    /// Time-outs too short to be an outage.
    Momentary(Momentary),
    /// Senders that cannot be told from their clocks yet.
    SendersOpen {
        /// Of so many identifiers.
        identifiers: usize,
        /// Seconds of capture that would likely do for half of them.
        needed: f64,
    },
    /// Too short for slow identifiers to show a period.
    Short,
    /// Something stands twice in the roster.
    TwiceInRoster(crate::roster_file::Twice),
    /// The roster is of another vehicle or bus, and was left aside.
    RosterOfAnother(crate::silence::OfAnother),
    /// A channel of the roster has another name in the capture, as what is sent on it tells.
    ChannelMoved {
        /// Its name in the roster.
        roster: String,
        /// Its name in the capture.
        capture: String,
    },
    /// Channels of the roster that the capture does not have.
    ChannelsMissing {
        /// Their names in the roster.
        names: Vec<String>,
    },
}

/// Time-outs too short to be an outage. Times are in seconds.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Momentary {
    /// How many.
    pub losses: usize,
    /// Of how many identifiers.
    pub identifiers: usize,
    /// The longest of them.
    pub longest: MomentaryLoss,
    /// All were back within this.
    pub within: f64,
}

/// One time-out. Times are in seconds.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct MomentaryLoss {
    /// The identifier.
    pub id: Id,
    /// Since the first frame of the capture.
    pub start: f64,
    /// How long it lasted.
    pub duration: f64,
}
