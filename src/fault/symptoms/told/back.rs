//! Codes that still fail though the node that they may be of is back.

use crate::analysis::blame::Blame;
use crate::analysis::diagnosis::{CodeAge, CodeEntry};
use crate::analysis::{Analysis, Outage};
use crate::fault::symptoms::standing::codes_of;
use crate::fold::timing::{Nanoseconds, nanoseconds};
use crate::ids::NodeIndex;

/// How long after a node is back the tests of those who missed it pass, in seconds: receivers hear
/// it at once and filter for a while. Of names that were likely those of a node 87 of 111 were;
/// where all that fails of them was read later than so, 8 of 17 (six sets of two worlds by others).
const PASSES_WITHIN: f64 = 3.0;

/// Whether all codes of a row that fail were read when a node had been back for a while.
pub(super) fn fails(analysis: &Analysis, row: &Blame, node: NodeIndex) -> bool {
    let fail = |code: &&CodeEntry| code.age == CodeAge::Failing && code.gone.is_none();
    let codes = codes_of(analysis, row).into_iter().map(|at| &analysis.diagnosis.codes[at]);
    let passed = |outage: &Outage| outage.end.saturating_add(nanoseconds(PASSES_WITHIN));
    let back = |time: Nanoseconds| {
        let losses = || analysis.lost().filter(|outage| outage.nodes.contains(&node));
        let away = |own: &Outage| own.start <= time && (own.ongoing || time <= passed(own));
        losses().any(|own| passed(own) < time) && !losses().any(away)
    };
    let read = codes.filter(fail).map(|code| code.seen.is_some_and(|seen| back(seen.1)));
    let mut read = read.peekable();
    read.peek().is_some() && read.all(|back| back)
}
