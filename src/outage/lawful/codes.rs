//! Codes that come while modules are away that may have been switched off. Who stays awake knows
//! that the key is off, and does not test then whom it hears (common practice, no source): where
//! several begin to miss a module all the same, it was lost.

use std::collections::BTreeSet;

use super::super::Observed;
use super::{Doubt, Judged, Verdict, Why};
use crate::capture::ChannelIndex;
use crate::fold::diagnostics::Party;
use crate::fold::timing::Silence;

/// So many agree: one alone may be at fault itself.
const AGREE: usize = 2;

/// Takes what may have been switched off for lost where several modules began to miss one
/// meanwhile. On a flooded bus everybody misses those that do not get through.
pub(super) fn blame(observed: &Observed<'_>, judged: &mut [Judged]) {
    let open = |own: &&mut Judged| {
        own.verdict == Verdict::SwitchedOff && own.doubt == Some(Doubt::KeyOrSupply)
    };
    for judged in judged.iter_mut().filter(open) {
        let Some(first) = judged.events.first() else { continue };
        let back = judged.events.iter().map(|event| event.back).min();
        let away = Silence { start: judged.onset(), end: back.unwrap_or(first.back) };
        if is_flooded(observed, first.channel, away) {
            continue;
        }
        let miss = observed.diagnostics.codes.began_to_miss(away);
        // A module may tell the same on two of its buses.
        let parties: BTreeSet<Party> = miss.into_iter().map(|module| module.party).collect();
        if parties.len() >= AGREE {
            let modules = parties.len();
            (judged.verdict, judged.doubt, judged.why) =
                (Verdict::Lost, None, Why::CodesBegan { modules });
        }
    }
}

fn is_flooded(observed: &Observed<'_>, channel: ChannelIndex, away: Silence) -> bool {
    let here = observed.timing.ids.iter().filter(|id| id.key.channel == channel);
    let rushes = here.filter_map(|id| id.rush());
    let mut spans = rushes.map(|rush| Silence { start: rush.span.0, end: rush.span.1 });
    spans.any(|rush| rush.overlap(&away) > 0)
}
