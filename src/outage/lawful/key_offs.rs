//! What a key-off explains beyond the modules that leave with it, an after-run and the starter, and
//! what it does not: a module that does not come back with the others.

use std::collections::BTreeMap;

use super::super::facts::{AT_ONCE, BACK_TOGETHER, CRANKED_WITHIN, TAKEN_BY_KEY};
use super::episodes::INSTANT;
use super::passes::Parted;
use super::scene::Scene;
use super::{Doubt, Judged, Verdict, Why, length};
use crate::fold::timing::{Nanoseconds, Silence, nanoseconds, seconds};
use crate::ids::{IdIndex, NodeIndex};
use crate::silence::{Event, Loss};

/// No more than so many of those that a key switched off come back on their grid by luck.
const BY_LUCK: usize = 2;
/// A module that needs so much longer than the last of the others, in seconds, does not start as
/// they do: slow ones take some seconds (common practice, no source).
const LATE: f64 = 10.0;
/// The whole bus woke where this share of what was there before speaks again.
const WOKE: f64 = 0.8;
/// A start differs from another start of the same module by less than this, in seconds.
const SAME_START: f64 = 3.0;
/// What came back within so many seconds of the last that left in steps belongs to the key with
/// them, though nothing proves that it was one: of 20 such losses of invented vehicles none was a
/// fault (three sets of a world by others).
const BACK_AT_ONCE: f64 = 0.6;
/// At least so many identifiers must have left in steps for that.
const SEVERAL: usize = 6;
/// A starter turns for less than so many seconds (common practice, no source).
const CRANKS: f64 = 2.0;
/// The starter begins no more than so many seconds before the engine runs by itself (common
/// practice, no source).
const CRANKED_FOR: f64 = 4.0;
/// What left so many seconds before the next, and stays away for so many after the rest is back,
/// left for itself: of seven invented vehicles in which something did, all had lost it (eight sets
/// of five worlds by others).
const LEADS: f64 = 1.0;
const STAYS: f64 = 6.0;
/// Whoever sends with the key on is back before the engine has run for so many seconds (common
/// practice, no source).
const BACK_BEFORE: f64 = 20.0;
/// Two shutdowns in the same order show software at work only where there are that many steps:
/// three come in the same order by luck in one of six cases, and each was staged already.
const STEPS: usize = 3;

impl Scene<'_> {
    /// Puts to the key-offs what fell silent and came back within them: an after-run.
    pub(super) fn after_runs(&self, parted: &mut Parted) {
        let Parted { key_offs, others } = parted;
        for own in std::mem::take(others) {
            match key_offs.iter_mut().find(|key_off| !own.is_boot() && holds(key_off, &own)) {
                Some(key_off) => {
                    key_off.events.extend(own.events);
                    key_off.events.sort_by_key(|event| event.onset);
                }
                None => others.push(own),
            }
        }
    }

    /// Takes out what never came back though the engine ran again for long: the key was on. Where a
    /// module is missed, or it is one known sender, it is lost; of the rest it is open, for in a
    /// stop a trailer is unhitched and a tester unplugged.
    pub(super) fn blame_the_absent(&self, parted: &mut Parted) {
        let key_offs = &mut parted.key_offs;
        let mut out = Vec::new();
        let switched_off = |judged: &&mut Judged| judged.verdict == Verdict::SwitchedOff;
        for key_off in key_offs.iter_mut().filter(switched_off) {
            let absent =
                |event: &Event| event.ongoing && self.engine_ran_again(event.onset) > BACK_BEFORE;
            let (absent, rest): (Vec<_>, Vec<_>) = key_off.events.drain(..).partition(absent);
            key_off.events = rest;
            out.extend(absent.into_iter().map(|event| {
                // The engine ran again, whatever it did as these left.
                let lost = self.observed.misses_a_module_since(event.onset)
                    || self.sole_sender(&event).is_some();
                let (verdict, doubt) = match lost {
                    true => (Verdict::Lost, None),
                    false => (Verdict::SwitchedOff, Some(Doubt::KeyOrSupply)),
                };
                let why = Why::EngineRanAgain { seconds: self.engine_ran_again(event.onset) };
                Judged { events: vec![event], verdict, doubt, why }
            }));
        }
        key_offs.retain(|judged| !judged.events.is_empty());
        key_offs.extend(out);
    }

    /// For how many seconds the engine surely ran from when it was next started after a time to the
    /// end of the channel. What it ran on at first shows nothing of a later key.
    fn engine_ran_again(&self, from: Nanoseconds) -> f64 {
        let after = Silence { start: from, end: self.heard.1.max(from) };
        let again = self.observed.losses.running.iter().filter(|running| running.start > from);
        seconds(again.map(|running| running.overlap(&after)).sum())
    }

    /// Takes out the one module that did not come back with the others, though nothing of it was
    /// heard: the key hid a loss. Several that come late together have a supply of their own, as
    /// that of the running engine.
    pub(super) fn late_returns(&self, parted: &mut Parted) {
        let Parted { key_offs, others } = parted;
        let lateness: Vec<BTreeMap<NodeIndex, f64>> =
            key_offs.iter().map(|key_off| self.lateness(key_off)).collect();
        for (at, key_off) in key_offs.iter_mut().enumerate() {
            self.doubt_late_group(key_off);
            others.extend(self.left_first(key_off));
            let mut late = lateness[at].iter().filter(|(_, late)| **late > LATE);
            let (Some((sender, late)), None) = (late.next(), late.next()) else { continue };
            let usual = lateness.iter().enumerate().filter(|(other, _)| *other != at);
            let usual = usual.filter_map(|(_, other)| other.get(sender)).copied();
            if usual.fold(0.0, f64::max) + SAME_START > *late {
                continue;
            }
            let own = |event: &Event| self.sole_sender(event) == Some(*sender);
            let (events, rest) = key_off.events.drain(..).partition(own);
            key_off.events = rest;
            let why = Why::LateReturn { seconds: *late };
            others.push(Judged { events, verdict: Verdict::Lost, doubt: None, why });
        }
    }

    /// Takes out what left well before the rest, in steps that may be those of a key, and is not
    /// back though all the rest has been for a while: the key, or another loss, came after it.
    fn left_first(&self, key_off: &mut Judged) -> Option<Judged> {
        let open =
            key_off.doubt == Some(Doubt::KeyOrSupply) && matches!(key_off.why, Why::Staged { .. });
        let first = key_off.onset();
        let led = |event: &&Event| event.onset - first <= nanoseconds(AT_ONCE);
        let (leading, rest): (Vec<&Event>, Vec<&Event>) = key_off.events.iter().partition(led);
        let next = rest.iter().map(|event| event.onset).min()?;
        let back = rest.iter().map(|event| event.back).max()?;
        let until = |event: &&Event| if event.ongoing { self.heard.1 } else { event.back };
        let later = seconds(leading.iter().map(until).min()? - back);
        let ids: usize = leading.iter().map(|event| event.losses.len()).sum();
        let alone = open
            && ids >= 2
            && seconds(next - first) >= LEADS
            && rest.iter().all(|event| !event.ongoing)
            && later >= STAYS;
        if !alone {
            return None;
        }
        let why = Why::LateReturn { seconds: later };
        let (events, rest) = key_off.events.drain(..).partition(|event| led(&event));
        key_off.events = rest;
        Some(Judged { events, verdict: Verdict::Lost, doubt: None, why })
    }

    /// Identifiers of unknown senders that went with the bus at one instant and stayed away for
    /// long after all else had come back: a module, or what is only sent with the engine running.
    /// A code that misses a module decides.
    fn doubt_late_group(&self, key_off: &mut Judged) {
        let [event] = key_off.events.as_slice() else { return };
        let Some(woke) = self.woke(key_off) else { return };
        let back = if event.ongoing { self.heard.1 } else { event.back };
        let late = seconds(self.awake(woke, back));
        let group = event.losses.len() >= 2 && self.sole_sender(event).is_none();
        if key_off.doubt.is_some() || !group || late <= LATE {
            return;
        }
        key_off.why = Why::LateReturn { seconds: late };
        // That the key was off is sure here; the code says whether a module hid behind it.
        match self.observed.misses_a_module_since(event.onset) {
            true => key_off.verdict = Verdict::Lost,
            false => key_off.doubt = Some(Doubt::KeyOrSupply),
        }
    }

    /// Seconds, without those in which the bus was quiet, by which each known sender, of which
    /// nothing was heard meanwhile, came back later than the last of the others; nothing where
    /// another one did not come back at all.
    fn lateness(&self, key_off: &Judged) -> BTreeMap<NodeIndex, f64> {
        let mut back: BTreeMap<Option<NodeIndex>, Nanoseconds> = BTreeMap::new();
        for event in &key_off.events {
            let sender = self.sole_sender(event).filter(|_| self.is_whole_sender(event));
            let own = if event.ongoing { Nanoseconds::MAX } else { event.back };
            let last = back.entry(sender).or_insert(own);
            *last = own.max(*last);
        }
        if let Some(woke) = self.woke(key_off) {
            let others = back.entry(None).or_insert(woke);
            *others = woke.max(*others);
        }
        let of = |sender: NodeIndex, own: Nanoseconds| {
            let others = back.iter().filter(|(other, _)| **other != Some(sender));
            let others = others.map(|(_, back)| *back).max()?;
            let own = own.min(self.heard.1);
            (others < Nanoseconds::MAX).then(|| (sender, seconds(self.awake(others, own))))
        };
        back.iter().filter_map(|(sender, own)| of((*sender)?, *own)).collect()
    }

    /// When the others came back, where the bus slept meanwhile: what stops with all of it shows no
    /// silence of its own. A bus that wakes in part, for a door, leaves most asleep.
    fn woke(&self, key_off: &Judged) -> Option<Nanoseconds> {
        let losses = || key_off.events.iter().flat_map(|event| &event.losses);
        let meets = |sleep: &&Silence| losses().any(|loss| loss.silence.overlap(sleep) > 0);
        let woke = self.sleeps.iter().find(meets)?.end;
        let up = woke.saturating_add(nanoseconds(BACK_TOGETHER));
        let others: Vec<IdIndex> = self
            .there(woke)
            .filter(|id| !losses().any(|loss| loss.id == *id))
            .filter(|id| self.heard(*id).1 > woke)
            .collect();
        let came_back = |id: &&IdIndex| {
            let silent = |loss: &Loss| (loss.silence.start..loss.silence.end).contains(&up);
            !self.losses(**id).any(silent)
        };
        let there = others.iter().filter(came_back).count();
        (there > 0 && there as f64 >= WOKE * others.len() as f64).then_some(up)
    }

    /// Time in which the channel carried traffic.
    fn awake(&self, from: Nanoseconds, to: Nanoseconds) -> Nanoseconds {
        let stretch = Silence { start: from, end: to.max(from) };
        let quiet = self.quiet.iter().map(|quiet| quiet.overlap(&stretch)).sum::<Nanoseconds>();
        (to - from) - quiet
    }

    /// The starter pulls the voltage down soon after the key was turned on: some modules start
    /// anew, some are mute for so long. Where one sender alone fell silent, it may be its own
    /// supply or ground that gives way under the load. Nobody cranks once a second: what boots
    /// again and again is not the starter's.
    pub(super) fn blame_the_starter(&self, parted: &mut Parted) {
        let Parted { key_offs, others } = parted;
        let window = |key_off: &Judged| {
            let events = key_off.events.iter().filter(|event| !event.ongoing);
            let first = events.clone().map(|event| event.back).min()?;
            let last = events.map(|event| event.back).max()?;
            Some((first, last.saturating_add(nanoseconds(CRANKED_WITHIN))))
        };
        let mut windows: Vec<(Nanoseconds, Nanoseconds)> =
            key_offs.iter().filter_map(window).collect();
        let turned = |start: &Nanoseconds| (start - nanoseconds(CRANKED_FOR), *start);
        let turned: Vec<_> = self.observed.losses.starts.iter().map(turned).collect();
        windows.extend(&turned);
        if self.starting {
            let begin = self.heard.0;
            windows.push((begin, begin.saturating_add(nanoseconds(CRANKED_WITHIN))));
        }
        let within = |windows: &[(Nanoseconds, Nanoseconds)], time: Nanoseconds| {
            windows.iter().any(|(from, to)| (*from..=*to).contains(&time))
        };
        let cranked = |judged: &Judged| {
            let onset = judged.onset();
            (judged.verdict == Verdict::Lost || judged.doubt.is_some())
                && !judged.is_boot()
                && judged.events.iter().all(|event| !event.ongoing)
                && match length(&judged.events) {
                    brief if brief <= CRANKS => within(&windows, onset),
                    // Where the engine is heard to turn, it is known how long it did.
                    longer => longer <= CRANKED_FOR && within(&turned, onset),
                }
                && !self.engine_runs(onset)
        };
        let hit: Vec<(Nanoseconds, Vec<Option<NodeIndex>>)> = others
            .iter()
            .filter(|judged| cranked(judged))
            .map(|judged| {
                let losses = judged.events.iter().flat_map(|event| &event.losses);
                let node_of = |id: IdIndex| self.observed.network.node_of[id];
                (judged.onset(), losses.map(|loss| node_of(loss.id)).collect())
            })
            .collect();
        for judged in others.iter_mut().filter(|judged| cranked(judged)) {
            let own = judged.onset();
            let near = hit.iter().filter(|(other, _)| (other - own).abs() <= nanoseconds(AT_ONCE));
            let mut senders: Vec<Option<NodeIndex>> =
                near.flat_map(|(_, senders)| senders.iter().copied()).collect();
            senders.sort_unstable();
            senders.dedup();
            judged.verdict = Verdict::Pauses;
            judged.doubt = (senders.len() < 2).then_some(Doubt::EngineStart);
            judged.why = Why::StarterTurned;
        }
    }

    /// Modules that leave in the same order twice are switched off by software: no supply fails in
    /// steps, and none fails in the same steps again.
    pub(super) fn prove_by_order(&self, parted: &mut Parted) {
        let key_offs = &mut parted.key_offs;
        let orders: Vec<BTreeMap<IdIndex, usize>> =
            key_offs.iter().map(|key_off| steps(&key_off.events).collect()).collect();
        for at in 0..key_offs.len() {
            let doubtful = key_offs[at].doubt == Some(Doubt::KeyOrSupply);
            let again = |other: usize| other != at && is_same_order(&orders[at], &orders[other]);
            if doubtful && (0..orders.len()).any(again) {
                key_offs[at].doubt = None;
                key_offs[at].why = Why::SameOrderAgain;
            }
        }
    }
}

/// Whether a silence began while the key was off and ended as it was turned on: an after-run, which
/// ends when its work is done. What came back on its grid was not switched off.
fn holds(key_off: &Judged, own: &Judged) -> bool {
    // A key that surely was turned off explains what came back with the rest, on its grid by luck:
    // a few are, many are not.
    let sure = key_off.doubt.is_none() && key_off.ids().len() >= TAKEN_BY_KEY;
    let luck = if sure { BY_LUCK } else { 0 };
    let kept = matches!(own.why, Why::PhaseKept { testable, .. } if testable > luck);
    // What kept its grid speaks against the supply, and so for the key, where many left in steps.
    let staged = key_off.ids().len() >= SEVERAL && matches!(key_off.why, Why::Staged { .. });
    let within = match (key_off.doubt, staged) {
        (None, _) => Some(BACK_TOGETHER),
        (Some(_), true) => Some(BACK_AT_ONCE),
        (Some(_), false) => None,
    };
    if kept && within.is_some_and(|within| is_of_the_key(key_off, own, within)) {
        return true;
    }
    let open = own.verdict == Verdict::Lost || own.doubt.is_some();
    let onset = key_off.onset();
    let back = || key_off.events.iter().filter(|event| !event.ongoing).map(|event| event.back);
    // Most stay off to the end: one that came back early does not tell when the key was on again.
    let off = |event: &Event| if event.ongoing { event.losses.len() } else { 0 };
    let all: usize = key_off.events.iter().map(|event| event.losses.len()).sum();
    let for_good = key_off.events.iter().map(off).sum::<usize>() * 4 >= all * 3;
    let fits = |event: &Event| match (back().min(), back().max()) {
        _ if event.ongoing && for_good => event.onset > onset,
        (Some(first), Some(last)) => {
            let start = nanoseconds(BACK_TOGETHER);
            (onset..first).contains(&event.onset)
                && !event.ongoing
                && (first.saturating_sub(start)..=last.saturating_add(start)).contains(&event.back)
        }
        _ => event.onset > onset && event.ongoing,
    };
    open && !kept && own.events.iter().all(fits)
}

/// What left and came back with all others: a module on the battery that runs on, and stops only
/// what it sends with the key on, keeps its grid.
fn is_of_the_key(key_off: &Judged, own: &Judged, within: f64) -> bool {
    let returned = key_off.events.iter().filter(|event| !event.ongoing);
    let Some(on) = returned.map(|event| event.back).max() else { return false };
    own.events.iter().all(|event| {
        let with = |other: &Event| (other.onset - event.onset).abs() <= nanoseconds(AT_ONCE);
        !event.ongoing
            && key_off.events.iter().any(with)
            && (event.back - on).abs() <= nanoseconds(within)
    })
}

/// At which of the instants each identifier left, counted from one. Instants as they were heard:
/// who is slow is so each time, and may belong to another step than it seems to. To tell a key from
/// a supply, by one shutdown alone, `episodes::Wave` asks instead whether one instant may explain
/// what slow messages leave open.
pub(super) fn steps<'e>(
    events: impl IntoIterator<Item = &'e Event>,
) -> impl Iterator<Item = (IdIndex, usize)> {
    let (mut step, mut before) = (0, Nanoseconds::MIN);
    events.into_iter().flat_map(move |event| {
        step += usize::from(event.onset.saturating_sub(before) > nanoseconds(INSTANT));
        before = event.onset;
        let step = step;
        event.losses.iter().map(move |loss| (loss.id, step))
    })
}

fn is_same_order(a: &BTreeMap<IdIndex, usize>, b: &BTreeMap<IdIndex, usize>) -> bool {
    let mut both: Vec<(usize, usize)> =
        a.iter().filter_map(|(id, step)| Some((*step, *b.get(id)?))).collect();
    both.sort_unstable();
    let count = |side: fn(&(usize, usize)) -> usize| {
        let mut steps: Vec<usize> = both.iter().map(side).collect();
        steps.sort_unstable();
        steps.dedup();
        steps.len()
    };
    // Nothing but a few may have left in one of them.
    both.len() * 2 >= a.len().max(b.len())
        && count(|pair| pair.0).min(count(|pair| pair.1)) >= STEPS
        && both.is_sorted_by_key(|pair| pair.1)
}
