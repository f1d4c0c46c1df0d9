//! Identifiers that are not as the roster file says: new, too slow, too fast.

use lostnode_parsers::Id;

use crate::capture::ChannelIndex;
use crate::fold::diagnostics::Diagnostics;
use crate::fold::timing::{IdTiming, Timing};
use crate::ids::{IdIndex, NodeIndex};
use crate::network::Network;
use crate::roster_file::Known;
use crate::silence::Losses;

/// An identifier that is not as the roster file says.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Deviation {
    /// Its channel.
    pub channel: ChannelIndex,
    /// The identifier.
    pub id: Id,
    /// In what way.
    pub kind: DeviationKind,
}

/// How an identifier differs from what the roster file says of it.
#[derive(Clone, Copy, Debug, PartialEq)]
#[non_exhaustive]
pub enum DeviationKind {
    /// The file does not know it.
    New {
        /// How often it was heard.
        frames: u64,
    },
    /// It comes too seldom.
    TooSlow(Periods),
    /// It comes too often.
    TooFast(Periods),
}

/// A period and the one that it should have.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Periods {
    /// Its sender, where the file knows it.
    pub node: Option<NodeIndex>,
    /// Seconds between frames in the capture.
    pub found: f64,
    /// Seconds between frames in the file.
    pub expected: f64,
}

/// An identifier is too slow or too fast where its period is off by more than this share of the
/// expected one: far beyond any clock, within what operating modes change.
const OFF: f64 = 0.2;

/// With less than this share of what should have come, a recording shows no periods.
const WHOLE: f64 = 0.5;

/// Compares what was heard with the file, by channel and identifier.
pub fn find(
    timing: &Timing,
    losses: &Losses,
    network: &Network,
    known: &Known,
    diagnostics: &Diagnostics,
) -> Vec<Deviation> {
    let deviation = |(at, id): (usize, &IdTiming)| {
        let kind = match known.messages.get(&id.key) {
            Some(message) => {
                let expected = message.expected()?.period?;
                let whole = |kept: f64| kept >= WHOLE;
                let channel = &losses.channels[usize::from(id.key.channel)];
                // Where frames are missing from the recording, all come too seldom.
                if channel.thinned.is_some() || !channel.roll.kept.is_none_or(whole) {
                    return None;
                }
                let found = id.rhythm()?.period;
                let node = message.node.and(network.node_of[IdIndex(at)]);
                let periods = Periods { node, found, expected };
                if found > expected * (1.0 + OFF) {
                    DeviationKind::TooSlow(periods)
                } else if found < expected * (1.0 - OFF) {
                    DeviationKind::TooFast(periods)
                } else {
                    return None;
                }
            }
            None if diagnostics.carries(id.key.channel, id.key.id) => return None,
            // A channel that the roster does not speak of is not judged by it.
            None if !known.messages.keys().any(|key| key.channel == id.key.channel) => return None,
            None => DeviationKind::New { frames: id.frames },
        };
        Some(Deviation { channel: id.key.channel, id: id.key.id, kind })
    };
    let mut out: Vec<Deviation> = timing.ids.iter().enumerate().filter_map(deviation).collect();
    out.sort_by_key(|deviation| (deviation.channel, deviation.id));
    out
}
