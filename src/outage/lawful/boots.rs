//! A module that starts, fails and starts anew, again and again. Each boot by itself looks like
//! something lawful: a message that pauses alike, a start of the engine, a turn of the key. So many
//! of one length, at steps that no timer sets, are none of these (`fold/timing/boots.rs`).

use super::super::causes::{self, Return};
use super::scene::Scene;
use super::{Doubt, Judged, Verdict, Why};
use crate::ids::IdIndex;
use crate::silence::Event;

/// No more than so many returns are looked at for signs of a start.
const MOST: usize = 32;

impl Scene<'_> {
    /// The verdict on a boot. The fastest message of an event tells: slower ones round to their
    /// periods.
    pub(super) fn booted(&self, event: &Event) -> Option<(Verdict, Option<Doubt>, Why)> {
        let period = |id: IdIndex| self.period(id);
        let all = event.losses.iter();
        let fastest = all.min_by(|a, b| period(a.id).total_cmp(&period(b.id)))?;
        let boots = self.observed.losses.boots.get(&fastest.id)?;
        let of_it = boots.silences.binary_search(&fastest.silence).is_ok();
        if !of_it || self.sender_went_on(fastest) {
            return None;
        }
        // What ran on is on its grid; but a module whose watchdog counts in steps of its fastest
        // message is on that too, and shows by its counters that it started anew.
        let ids: Vec<IdIndex> = event.losses.iter().map(|loss| loss.id).collect();
        let restarted = || {
            let looked = boots.silences.iter().take(MOST);
            let (of, anew) = looked.fold((0, 0), |(of, anew), silence| {
                let judged = causes::judge(self.observed, &[&ids], *silence);
                (of + 1, anew + usize::from(judged.shows == Return::Restarted))
            });
            2 * anew > of
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
