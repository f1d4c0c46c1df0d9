//! Who sends and what the roster says of it, in words.

use crate::analysis::{Analysis, Deviation, DeviationKind, Lane, Occupant};
use crate::learn::Remark;
use crate::words::terms::{duration, id_label, plural};
use crate::words::who;

/// What a tick in the presence picture stands for …
pub const TICK: &str = "error report: a frame of that sender destroyed";
/// … and the row of those that belong to no lane.
pub const OF_NOBODY: &str = "errors, sender not known";

/// How an identifier differs from the roster.
pub fn deviation(analysis: &Analysis, deviation: &Deviation) -> String {
    let label = id_label(deviation.id);
    let periods = match deviation.kind {
        DeviationKind::New { frames } => {
            return format!(
                "{label} is not in the roster; it was heard {}",
                plural(frames as usize, "time", "times")
            );
        }
        DeviationKind::TooSlow(periods) | DeviationKind::TooFast(periods) => periods,
    };
    let of =
        periods.node.map_or(String::new(), |node| format!(" of {}", who::node(analysis, node)));
    format!(
        "{label}{of} comes every {}, the roster expects {}",
        duration(periods.found),
        duration(periods.expected)
    )
}

/// Whose presence a lane shows.
pub fn lane(analysis: &Analysis, lane: &Lane) -> String {
    match lane.of {
        Occupant::Node(node) => who::node(analysis, node),
        Occupant::Identifier(id) => id_label(analysis.identifiers[id].id),
    }
}

/// How many frames of a lane errors destroyed.
pub fn destroyed(count: usize) -> String {
    format!("errors destroyed {} of it", plural(count, "frame", "frames"))
}

/// What the reader of a learned roster should know.
pub fn remark(remark: &Remark) -> String {
    match remark {
        Remark::Losses { capture, outages } => {
            format!(
                "{capture}: {}; learn from captures in which nothing is lost",
                plural(*outages, "outage", "outages")
            )
        }
        Remark::Short { capture, awake } => format!(
            "{capture}: only {awake:.1} s of traffic: too short to learn messages sent once a \
             second or less often"
        ),
        Remark::Thinned { capture } => format!(
            "{capture}: the logger kept only some frames: they show which identifiers there are, \
             not their periods"
        ),
        Remark::KeyOff { capture, at } => format!(
            "{capture}: the key seems to have been off at {at:.1} s, or most senders were silent; \
             what was silent then was learned from the rest of the capture"
        ),
        Remark::LittleInCommon { capture, both, smaller } => format!(
            "{capture}: only {both} of {smaller} identifiers are in a capture before it: another \
             vehicle, or another bus of it? What is not in all of them is not expected"
        ),
        Remark::ChannelMoved { capture, is, was } => format!(
            "{capture}: its {is} carries what {was} carries in the first capture, and was learned \
             as that"
        ),
        Remark::OneCapture => {
            "only one capture: what is sent in one mode only cannot be told from what is always \
             sent"
                .to_owned()
        }
        Remark::NoPeriods => {
            "no periods: only an identifier with too small a share of the frames will be found \
             missing"
                .to_owned()
        }
        Remark::TwoPeriods { id, kept, other } => format!(
            "{} comes every {other:.3} s in one capture and every {kept:.3} s in another; the \
             longest was kept",
            id_label(*id)
        ),
    }
}
