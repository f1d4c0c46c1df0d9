//! Who sends and what the roster says of it, in words.

use crate::analysis::{Analysis, Deviation, DeviationKind, Lane, Occupant};
use crate::learn::Remark;
use crate::words::terms::{duration, id_label};

/// How an identifier differs from the roster.
pub fn deviation(analysis: &Analysis, deviation: &Deviation) -> String {
    let label = id_label(deviation.id);
    let periods = match deviation.kind {
        DeviationKind::New { frames } => {
            return format!("{label} is not in the roster; it was heard {frames} times");
        }
        DeviationKind::TooSlow(periods) | DeviationKind::TooFast(periods) => periods,
    };
    let of =
        periods.node.map_or(String::new(), |node| format!(" of {}", analysis.nodes[node].name));
    format!(
        "{label}{of} comes every {}, the roster expects {}",
        duration(periods.found),
        duration(periods.expected)
    )
}

/// Whose presence a lane shows.
pub fn lane(analysis: &Analysis, lane: &Lane) -> String {
    match lane.of {
        Occupant::Node(node) => analysis.nodes[node].name.clone(),
        Occupant::Identifier(id) => id_label(analysis.identifiers[id].id),
    }
}

/// What was odd while a roster was learned.
pub fn remark(remark: &Remark) -> String {
    match remark {
        Remark::Losses { capture, outages } => format!(
            "{}: {outages} outages; learn from captures in which nothing is lost",
            capture.as_deref().unwrap_or("a capture")
        ),
        Remark::TwoPeriods { id, kept, other } => format!(
            "{} comes every {kept:.3} s in one capture and every {other:.3} s in another; the \
             first was kept",
            id_label(*id)
        ),
    }
}
