//! Packets of SAE J1939: what does not fit into one frame goes by the transport, and its own
//! identifier falls silent meanwhile though its sender is well (SAE J1939-21, 5.10).

use lostnode_parsers::Id;
use lostnode_parsers::j1939::Fields;

use crate::capture::ChannelIndex;
use crate::fold::diagnostics::Diagnostics;
use crate::fold::timing::{Key, Silence, Timing};

/// Whether what an identifier carries came in packets all through a silence.
pub(crate) fn in_packets(
    timing: &Timing,
    diagnostics: &Diagnostics,
    key: Key,
    silence: Silence,
) -> bool {
    group(key.id).is_some_and(|own| {
        diagnostics.in_parts.fills(own, silence, |channel| is_of_one_unit(timing, key, channel))
    })
}

/// Whether what an identifier carries ever came in packets: then its sender was heard.
pub(super) fn came_in_packets(timing: &Timing, diagnostics: &Diagnostics, key: Key) -> bool {
    group(key.id).is_some_and(|own| {
        diagnostics.in_parts.came(own, |channel| is_of_one_unit(timing, key, channel))
    })
}

/// Whether packets on a channel may be of the unit that sends an identifier. A gateway may carry
/// the identifier over from there and the packets not; without the identifier, another unit has the
/// same address there.
fn is_of_one_unit(timing: &Timing, key: Key, channel: ChannelIndex) -> bool {
    let there = Key { channel, ..key };
    channel == key.channel || timing.ids.iter().any(|own| own.key == there && own.frames > 0)
}

/// Source address and number of the group.
fn group(id: Id) -> Option<(u8, u32)> {
    let Id::Extended(id) = id else { return None };
    let Fields { source, pgn, .. } = Fields::of(id);
    Some((source, pgn))
}
