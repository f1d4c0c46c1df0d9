//! What falls silent because a tester said so: it ends the usual messages of modules before it
//! programs one of them, or has a module start anew (ISO 14229-1:2020, 10.2, 10.3 and 10.5).

use std::collections::BTreeSet;

use super::super::Observed;
use super::{Judged, Verdict, Why, length};
use crate::fold::diagnostics::Hush;
use crate::fold::timing::seconds;

/// Modules obey within so many seconds; what waits in their buffers still comes (common practice,
/// no source).
const OBEYS: f64 = 1.5;
/// Who was told to start anew is back within so many seconds, and programming takes minutes; what
/// is silent for longer is no pause.
const LASTS: f64 = 600.0;

/// Takes what fell silent at a tester's word for a pause, unless it does not come back though the
/// recording goes on for long.
pub(super) fn excuse(observed: &Observed<'_>, judged: &mut [Judged]) {
    let hushes = &observed.diagnostics.exchanges.hushes;
    for judged in judged.iter_mut().filter(|judged| judged.verdict == Verdict::Lost) {
        let senders: BTreeSet<_> =
            judged.ids().iter().map(|id| observed.network.node_of[*id]).collect();
        let after = |hush: &Hush| {
            let onset = judged.events.iter().map(|event| event.onset).min()?;
            // The last frame may lie a little before the request that ended them.
            let slow = judged.ids().into_iter().filter_map(|id| observed.losses.expected[id]);
            let slow = slow.map(|expected| expected.rhythm.period).fold(0.0, f64::max);
            let after = seconds(onset - hush.time.nanoseconds());
            ((-slow..=OBEYS).contains(&after)).then_some(after.max(0.0))
        };
        let told = hushes.iter().filter(|hush| hush.of_all || senders.len() == 1).find_map(after);
        if let Some(seconds) = told.filter(|_| length(&judged.events) <= LASTS) {
            (judged.verdict, judged.doubt, judged.why) =
                (Verdict::Pauses, None, Why::ByTester { seconds });
        }
    }
}
