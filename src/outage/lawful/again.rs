//! The key once more. Software takes modules down in the same steps each time, so what leaves as
//! the beginning of a known key-off did is a key-off too, however few of the steps it lasts for: a
//! key that is turned off for three seconds takes away only those that leave within three seconds.

use super::key_offs::steps;
use super::passes::Parted;
use super::scene::Scene;
use super::{Doubt, Judged, Verdict, Why};
use crate::fold::timing::{Nanoseconds, nanoseconds};
use crate::ids::{IdIndex, NodeIndex};
use crate::silence::Loss;

/// A step comes as long after the first as another time, within so many seconds and a period: the
/// tasks that take a module down run every 10 to 100 ms (common practice, no source).
const ALIKE: f64 = 0.15;
/// Share of the identifiers that must fit: one that pauses by nature need not.
const FITS: f64 = 0.8;
/// Fewest identifiers that show it.
const FEWEST_FITTING: usize = 3;
/// Fewest steps that show it: a single module that fails is also the first step of a key-off with
/// which it leaves first.
const STEPS: usize = 2;

impl Scene<'_> {
    /// Takes losses for the key where one of the known key-offs began in the same way. A module
    /// that is missed says that something was lost, and of what the key may have taken it is then
    /// not known whether.
    pub(super) fn same_again(&self, parted: &mut Parted) {
        let Parted { key_offs, others } = parted;
        let known = key_offs.len();
        for mut own in std::mem::take(others) {
            let onset = own.onset();
            let open = own.verdict == Verdict::Lost
                && own.why.may_be_key()
                && self.observed.may_be_key(onset);
            let like = key_offs[..known]
                .iter()
                .filter(|key_off| open && self.begins_like(key_off, &own))
                .map(|key_off| key_off.doubt);
            // Where one is sure, so is this.
            let Some(doubt) = like.min_by_key(Option::is_some) else {
                others.push(own);
                continue;
            };
            own.verdict = Verdict::SwitchedOff;
            own.doubt = (steps_of(&own) < STEPS).then_some(Doubt::KeyOrSupply).or(doubt);
            own.why = Why::SameOrderAgain;
            key_offs.push(own);
        }
    }

    /// Whether what left did so in the steps with which a key-off began, and nothing is there that
    /// the key had taken by then.
    fn begins_like(&self, key_off: &Judged, own: &Judged) -> bool {
        let (theirs, ours) = (starts(key_off), starts(own));
        let of = |id: IdIndex| theirs.iter().find(|(other, _)| *other == id).map(|(_, at)| *at);
        let mut shifts: Vec<Nanoseconds> =
            ours.iter().filter_map(|(id, at)| Some(at - of(*id)?)).collect();
        shifts.sort_unstable();
        let Some(shift) = shifts.get(shifts.len() / 2).copied() else { return false };
        let slack = |id: IdIndex| nanoseconds(ALIKE + self.period(id));
        let fits = |(id, at): &&(IdIndex, Nanoseconds)| {
            of(*id).is_some_and(|other| (at - other - shift).abs() <= slack(*id))
        };
        let fitting = ours.iter().filter(fits).count();
        let back = own.events.iter().map(|event| event.back).min().unwrap_or(0);
        let gone_by_then = |(id, at): &&(IdIndex, Nanoseconds)| {
            let timeout = self.expected(*id).map_or(f64::INFINITY, |expected| expected.timeout);
            (at + shift).saturating_add(nanoseconds(timeout) + slack(*id)) <= back
        };
        let due: Vec<IdIndex> = theirs.iter().filter(gone_by_then).map(|(id, _)| *id).collect();
        let there = |id: &&IdIndex| !self.losses(**id).any(|loss| self.meets(loss, own));
        let still_there = due.iter().filter(there).count();
        fitting >= FEWEST_FITTING
            && fitting as f64 >= FITS * ours.len() as f64
            && still_there as f64 <= (1.0 - FITS) * due.len() as f64
            && (steps_of(own) >= STEPS || self.is_all_of(&due, own))
    }

    fn meets(&self, loss: &Loss, own: &Judged) -> bool {
        own.events
            .iter()
            .any(|event| loss.silence.start < event.back && event.onset < loss.silence.end)
    }

    /// Whether it is several modules, and no more and no less than the key had taken by then: what
    /// feeds them all is the ignition.
    fn is_all_of(&self, due: &[IdIndex], own: &Judged) -> bool {
        let ours = starts(own);
        let mut nodes: Vec<NodeIndex> =
            ours.iter().filter_map(|(id, _)| self.observed.network.node_of[*id]).collect();
        nodes.sort_unstable();
        nodes.dedup();
        let half = 2 * ours.len() >= self.there(ours.first().map_or(0, |(_, at)| *at)).count();
        nodes.len() >= STEPS && half && due.len() as f64 >= FITS * ours.len() as f64
    }
}

/// How often modules left: a message that pauses by nature does so alone.
fn steps_of(own: &Judged) -> usize {
    let several = own.events.iter().filter(|event| event.losses.len() > 1);
    steps(several).last().map_or(0, |(_, step)| step)
}

/// When each of its identifiers was last heard.
fn starts(judged: &Judged) -> Vec<(IdIndex, Nanoseconds)> {
    let losses = judged.events.iter().flat_map(|event| &event.losses);
    losses.map(|loss| (loss.id, loss.silence.start)).collect()
}
