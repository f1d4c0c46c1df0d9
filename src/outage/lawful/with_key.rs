//! What leaves with a key-off that shows elsewhere: on another channel at the same moment, or on
//! its own some time later. Modules fed by the ignition leave at once, as from one fuse; those on
//! the battery run on for up to half a minute and more, and only then does the bus look as if it
//! were switched off. Where such a loss ends no sooner than the key-off does, nothing tells it from
//! a common supply that failed just before, and both are said.

use super::super::Observed;
use super::super::facts::{AT_ONCE, BACK_TOGETHER, KEY_TAKES, MODULES_RUN_ON, TAKEN_BY_KEY};
use super::{Doubt, Judged, Verdict, Why};
use crate::capture::ChannelIndex;
use crate::fold::timing::{Nanoseconds, nanoseconds, seconds};
use crate::ids::{IdIndex, NodeIndex};
use crate::silence::StopKind;

/// The key takes away at least so many modules.
const MODULES: usize = 2;
/// The key takes away at least so many messages.
const MESSAGES: usize = 3;
/// What follows the key follows it at least so often.
const TIMES: usize = 2;

/// Puts to the key what leaves soon after another bus was switched off, and is back with it, each
/// of two times or more: a contact that fails does not wait for the key (of invented vehicles 3 of
/// 3 such had no fault; six sets of five worlds by others).
pub(super) fn excuse_followers(observed: &Observed<'_>, judged: &mut [Judged]) {
    let offs = offs(observed, judged);
    let after = |judged: &Judged| offs.iter().find_map(|off| off.took_after(judged));
    let follow = judged.iter().filter(|judged| after(judged).is_some());
    let follow: Vec<Vec<IdIndex>> = follow.map(Judged::ids).collect();
    for judged in judged.iter_mut().filter(|judged| judged.verdict == Verdict::Lost) {
        let ids = judged.ids();
        let alike = |other: &&Vec<IdIndex>| {
            2 * ids.iter().filter(|id| other.contains(id)).count() > ids.len()
        };
        let open = judged.why.may_be_key()
            && observed.may_be_key(judged.onset())
            && follow.iter().filter(alike).count() >= TIMES;
        if let Some(seconds) = after(judged).filter(|_| open) {
            judged.verdict = Verdict::SwitchedOff;
            judged.doubt = Some(Doubt::KeyOrSupply);
            judged.why = Why::AfterOthers { seconds };
        }
    }
}

/// A time with the key off.
#[derive(Clone, Copy)]
struct Off {
    /// A whole bus went to sleep.
    asleep: bool,
    /// Identifiers that left with it.
    ids: usize,
    channel: Option<ChannelIndex>,
    onset: Nanoseconds,
    /// `None` where the capture ends before.
    back: Option<Nanoseconds>,
}

/// Puts to the key what leaves with it.
pub(super) fn excuse(observed: &Observed<'_>, judged: &mut [Judged]) {
    let offs = offs(observed, judged);
    let lost: Vec<Vec<IdIndex>> = judged
        .iter()
        .map(|judged| if judged.verdict == Verdict::Lost { judged.ids() } else { Vec::new() })
        .collect();
    for (at, judged) in judged.iter_mut().enumerate() {
        // What stops with the key and is sent by a module that runs on keeps its grid.
        let kept = matches!(judged.why, Why::PhaseKept { .. });
        let told = kept || judged.why.may_be_key();
        // What fails again and again does not wait for the key.
        let again = || {
            let others = lost.iter().enumerate().filter(|(other, _)| *other != at);
            others.flat_map(|(_, ids)| ids).any(|id| lost[at].contains(id))
        };
        let open = judged.verdict == Verdict::Lost && told && observed.may_be_key(judged.onset());
        if !open || again() {
            continue;
        }
        let channel = judged.events.first().map(|event| event.channel);
        let clear = |off: &&Off| !kept || off.ids >= TAKEN_BY_KEY && off.channel != channel;
        let mut offs = offs.iter().filter(clear);
        if let Some(why) = offs.find_map(|off| off.explains(observed, judged)) {
            judged.verdict = Verdict::SwitchedOff;
            judged.doubt = Some(Doubt::KeyOrSupply);
            judged.why = why;
        }
    }
}

fn offs(observed: &Observed<'_>, judged: &[Judged]) -> Vec<Off> {
    let by_key = judged.iter().filter(|judged| judged.verdict == Verdict::SwitchedOff);
    let by_key = by_key.filter_map(|judged| {
        let ongoing = judged.events.iter().any(|event| event.ongoing);
        Some(Off {
            asleep: false,
            ids: judged.ids().len(),
            channel: Some(judged.events.first()?.channel),
            onset: judged.onset(),
            back: judged.events.iter().map(|event| event.back).min().filter(|_| !ongoing),
        })
    });
    let asleep = |stop: &&crate::silence::Stop| stop.kind == StopKind::BusSleep && !stop.unclear;
    let asleep = observed.losses.stops.iter().filter(asleep).map(|stop| Off {
        asleep: true,
        ids: stop.ids.len(),
        channel: stop.channel,
        onset: stop.silence.start,
        back: (!stop.ongoing).then_some(stop.silence.end),
    });
    by_key.chain(asleep).collect()
}

impl Off {
    /// Seconds after which something of another bus left that was back with it.
    fn took_after(&self, judged: &Judged) -> Option<f64> {
        let first = judged.events.first()?;
        let after = seconds(judged.onset() - self.onset);
        let took = self.channel.is_some_and(|channel| channel != first.channel)
            && (0.0..=KEY_TAKES).contains(&after)
            && self.ids >= MESSAGES
            && self.back.is_some()
            && self.ends(judged);
        took.then_some(after)
    }

    /// Whether a loss ends as it does.
    fn ends(&self, judged: &Judged) -> bool {
        judged.events.iter().all(|event| match self.back {
            Some(back) => !event.ongoing && (event.back - back).abs() <= nanoseconds(BACK_TOGETHER),
            None => event.ongoing,
        })
    }

    /// What a loss that ends no sooner has to do with it; `None` where that is nothing.
    fn explains(&self, observed: &Observed<'_>, judged: &Judged) -> Option<Why> {
        let first = judged.events.first()?;
        let before = seconds(self.onset - judged.onset());
        let elsewhere = self.channel != Some(first.channel) && before.abs() <= AT_ONCE;
        let earlier = (0.0..=MODULES_RUN_ON).contains(&before) && are_several(observed, judged);
        if !self.ends(judged) {
            return None;
        }
        // The key that put a bus to sleep for good is off: others run on for a while.
        let later = self.asleep && self.back.is_none() && (-MODULES_RUN_ON..0.0).contains(&before);
        match elsewhere || earlier {
            true => Some(Why::BeforeTheOthers { seconds: before }),
            false => later.then_some(Why::AfterSleep { seconds: -before }),
        }
    }
}

fn are_several(observed: &Observed<'_>, judged: &Judged) -> bool {
    let ids = judged.events.iter().flat_map(|event| &event.losses).map(|loss| loss.id);
    let mut nodes: Vec<NodeIndex> =
        ids.clone().filter_map(|id| observed.network.node_of[id]).collect();
    nodes.sort_unstable();
    nodes.dedup();
    nodes.len() >= MODULES && ids.count() >= MESSAGES
}
