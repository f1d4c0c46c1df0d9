//! What a watch tells of, at the moment it happens.

use lostnode_parsers::Id;

use crate::analysis::{Cause, Nanoseconds};
use crate::capture::ChannelIndex;

/// Whose silence it is.
#[derive(Clone, Debug, PartialEq)]
pub struct Subject {
    /// Where; `None` for all channels.
    pub channel: Option<ChannelIndex>,
    /// The node by its name as shown; `None` for a message of unknown sender and for a channel.
    pub node: Option<String>,
    /// The identifiers that are missed, ascending.
    pub ids: Vec<Id>,
    /// How far it reaches.
    pub reach: Reach,
}

/// How far a silence reaches.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Reach {
    /// Single messages, whose sender went on or is not known.
    Messages,
    /// All that a node sends.
    Node,
    /// A whole channel.
    Channel,
    /// Every channel.
    Recording,
}

/// Something that happened. Times are nanoseconds of the capture's clock.
#[derive(Clone, Debug, PartialEq)]
pub struct Event {
    /// When: of what is called lost the moment in which its time-out had passed.
    pub time: Nanoseconds,
    /// What.
    pub what: What,
}

/// The kinds of events.
#[derive(Clone, Debug, PartialEq)]
pub enum What {
    /// It was not heard for longer than its time-out.
    Silent {
        /// Who.
        who: Subject,
        /// Its last frame.
        since: Nanoseconds,
    },
    /// It is heard again.
    Back {
        /// Who.
        who: Subject,
        /// Its last frame before.
        since: Nanoseconds,
        /// Why it was silent, as far as its return shows.
        cause: Cause,
        /// Too short to be an outage: it does not count as a loss.
        momentary: bool,
    },
    /// It was lawful: the bus went to sleep, or the key was turned off. Takes a `Silent` back.
    Sleep {
        /// Who.
        who: Subject,
        /// Its last frame.
        since: Nanoseconds,
        /// The capture does not rule out that what feeds them failed.
        doubtful: bool,
    },
    /// It is heard again after a sleep.
    Wake {
        /// Who.
        who: Subject,
        /// Its last frame before.
        since: Nanoseconds,
    },
    /// The recording paused, and no node is to blame.
    Pause {
        /// Since when.
        since: Nanoseconds,
    },
    /// The controller reported errors.
    Errors {
        /// Where.
        channel: ChannelIndex,
        /// How many since the last event of this kind.
        count: u64,
        /// The controller went off the bus.
        bus_off: bool,
    },
    /// Somebody said what is being done now.
    Mark {
        /// In their words.
        text: String,
    },
    /// Nothing more is watched.
    End {
        /// Frames in all.
        frames: u64,
        /// Frames that the kernel or the tool had to throw away.
        drops: u64,
    },
}
