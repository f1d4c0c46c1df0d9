//! A module that starts, fails and starts anew, again and again. Each boot by itself looks like
//! something lawful: a message that pauses alike, a start of the engine, a turn of the key. So many
//! of one length, at steps that no timer sets, are none of these (`fold/timing/boots.rs`).

use super::super::causes::{self, Return};
use super::alone::MOST_PAUSES;
use super::scene::Scene;
use super::{Doubt, Judged, Verdict, Why};
use crate::fold::timing::Silence;
use crate::ids::IdIndex;
use crate::silence::Event;

impl Scene<'_> {
    /// The verdict on a boot, as the fastest message of the event tells it.
    pub(super) fn booted(&self, event: &Event) -> Option<(Verdict, Option<Doubt>, Why)> {
        let fastest = self.fastest(event)?;
        let boots = self.observed.losses.boots.get(&fastest.id)?;
        let of_it = boots.silences.binary_search(&fastest.silence).is_ok();
        if !of_it || self.sender_went_on(fastest) {
            return None;
        }
        // What ran on is on its grid; but a module whose watchdog counts in steps of its fastest
        // message is on that too, and shows by its counters that it started anew.
        let ids: Vec<IdIndex> = event.losses.iter().map(|loss| loss.id).collect();
        let restarted = || {
            let looked = boots.silences.iter().take(MOST_PAUSES);
            let anew = |silence: &&Silence| {
                causes::judge(self.observed, &[&ids], **silence).shows == Return::Restarted
            };
            2 * looked.clone().filter(anew).count() > looked.len()
        };
        let times = boots.silences.len();
        (boots.off_grid || restarted()).then_some((Verdict::Lost, None, Why::Boots { times }))
    }
}

impl Judged {
    /// Whether it is a boot of a module that starts anew again and again.
    pub(super) fn is_boot(&self) -> bool {
        matches!(self.why, Why::Boots { .. })
    }
}
