//! What an outage rests on, as numbers; `words::outage` makes the sentences.

use lostnode_parsers::Id;
use lostnode_parsers::j1939::Name;

use super::causes::ReturnSign;
use super::lawful::Why;
use crate::ids::NodeIndex;
use crate::silence::StopSign;

/// One thing that an outage rests on. Times are in seconds.
#[derive(Clone, Copy, Debug, PartialEq)]
#[non_exhaustive]
pub enum Evidence {
    /// Periodic identifiers were missing.
    Missed {
        /// How many identifiers.
        identifiers: usize,
        /// Fewest frames that one of them missed.
        frames: i64,
        /// Period of the fastest of them, in seconds.
        fastest: f64,
    },
    /// One of the identifiers was heard for a moment again and again, as what sleeps is polled.
    HeardForMoments {
        /// How often, at the most.
        times: usize,
    },
    /// Nothing else of the node was heard in that time either.
    OthersSilentToo {
        /// How many other identifiers it has.
        identifiers: usize,
    },
    /// The node went on with other identifiers.
    NodeWentOn {
        /// Which node.
        node: NodeIndex,
        /// How many identifiers went on.
        identifiers: usize,
        /// One of them.
        example: Id,
    },
    /// Who sends the identifier is not known.
    SenderUnknown,
    /// The identifiers came back one after another.
    CameBackOver {
        /// From the first to the last.
        seconds: f64,
    },
    /// Error reports about the bus near its start.
    BusErrors {
        /// How many.
        count: usize,
    },
    /// Identifiers of other or unknown senders fell silent with it.
    OthersWithIt {
        /// How many.
        identifiers: usize,
    },
    /// One instant of an episode.
    Wave {
        /// Seconds since the first.
        after: f64,
        /// How many identifiers.
        identifiers: usize,
        /// One of them.
        example: Id,
        /// Their sender, where all have the same.
        node: Option<NodeIndex>,
        /// Seconds from the first onset to the first frame after it; `None` where there is none.
        back: Option<f64>,
    },
    /// Why it is said to be what it is.
    Why(Why),
    /// Several nodes fell silent together.
    FellSilentTogether {
        /// How many.
        nodes: usize,
        /// From the first to the last.
        seconds: f64,
        /// Nodes of the channel that went on.
        others: usize,
    },
    /// They came back together.
    CameBackTogether {
        /// From the first to the last.
        seconds: f64,
    },
    /// The channel woke from a stop, and the node did not until the end.
    SilentAfterWaking {
        /// From the waking to the end.
        seconds: f64,
    },
    /// The channel woke from a stop, and the node later.
    AnsweredAfterWaking {
        /// From one to the other.
        seconds: f64,
    },
    /// The whole channel was silent for a part of it.
    ChannelSilent {
        /// For how long.
        seconds: f64,
    },
    /// Expected by the roster, and not heard once.
    NeverHeard {
        /// Frames that would have come of the identifier with the fewest, above zero.
        due: f64,
        /// Frames that would have come of the identifier with the most, no fewer than `due`.
        most: f64,
        /// Seconds in which the channel carried traffic.
        awake: f64,
    },
    /// Another drive heard it all along, and this one never.
    HeardInDrive {
        /// The first that did: its place among the drives.
        drive: usize,
    },
    /// Not heard as the recording began, though all else was.
    SilentFromTheStart {
        /// For how long.
        seconds: f64,
        /// Frames that would have come of the fastest identifier, above zero.
        due: f64,
    },
    /// The sound recordings that the roster was learned from have none of it all the time.
    SentSometimes,
    /// Nobody knows who sends them, or only by a guess.
    ProbablyOneNode {
        /// How many identifiers.
        identifiers: usize,
        /// How many the roster expects on the channel.
        expected: usize,
        /// The roster does not know what needs the key, and most is missing.
        perhaps_key_off: bool,
    },
    /// Another unit claimed the address that it sent from.
    LostAddress {
        /// The address.
        address: u8,
        /// Who had it.
        from: Name,
        /// Who claimed it.
        to: Name,
        /// Seconds from the claim to the last frame before the loss; negative where that came
        /// first.
        after: f64,
    },
    /// What tells which kind of stop it was.
    Stop(StopSign),
    /// What tells whether a node ran on or started anew.
    Return(ReturnSign),
}
