//! Senders of identifiers without an address by the silences that they share, and how that fits
//! what their clocks tell.

use std::collections::BTreeMap;

use super::clocks::Clocks;
use super::{Basis, Node, by_clock, name, unnamed};
use crate::fold::timing::{Nanoseconds, Silence, Timing, nanoseconds, seconds};
use crate::ids::IdIndex;
use crate::silence::{LACKING, Loss, Losses};

/// Most time between the stops, and between the returns, of identifiers of one node, besides their
/// own periods.
const TOGETHER: f64 = 0.05;
/// After power comes back a node may send its identifiers one after another for some time (common
/// practice, no source).
const START_UP: f64 = 1.0;

/// A start this long after the channel's first frame, in seconds, is one of its own and not that of
/// the whole bus.
const LATE: f64 = 5.0;

/// A bad contact fails in bursts, in which now this and now that frame comes through: of so many
/// losses that two identifiers have in common one more of either may not be.
const OF_A_BURST: usize = 4;
/// … and of so many as many may be of one alone, where they lie so many seconds from a shared one
/// at most: nobody shares that many beginnings and ends with another by chance.
const MANY: usize = 6;
const BURST: f64 = 5.0;

/// A loss of more than three periods tells whether an identifier went on in it, with a tenth for
/// their scatter …
const TELLS: f64 = 3.1;
/// … which it did where it lacked no more than this share of it.
const MISSED: f64 = 0.3;

/// Identifiers whose losses all begin and end together, as far as both had the chance to show them.
pub(super) fn nodes(timing: &Timing, losses: &Losses, addressed: &[bool]) -> Vec<Node> {
    let late = late_starts(timing, losses);
    let own = |id: &IdIndex| !addressed[id.0];
    let lost = losses.losses.iter().map(|loss| loss.id);
    let mut ids: Vec<IdIndex> = lost.chain(late.keys().copied()).filter(own).collect();
    ids.sort_unstable();
    ids.dedup();
    // The fastest identifiers show the most: groups form around them.
    ids.sort_by(|a, b| period(losses, *a).total_cmp(&period(losses, *b)).then(a.cmp(b)));
    let mut groups: Vec<Vec<IdIndex>> = Vec::new();
    for id in ids {
        let channel = timing.ids[id].key.channel;
        // The largest: an odd one out must not draw others away from their own.
        let homes = groups.iter_mut().filter(|group| {
            timing.ids[group[0]].key.channel == channel
                && group.iter().all(|member| agree(timing, losses, &late, *member, id))
        });
        let home = homes.rev().max_by_key(|group| group.len());
        match home {
            Some(group) => group.push(id),
            None => groups.push(vec![id]),
        }
    }
    groups.retain(|group| group.len() > 1);
    groups.sort_by_key(|group| timing.ids[group[0]].key.channel);
    let node = |mut group: Vec<IdIndex>| {
        group.sort_unstable();
        let shared = losses.of(group[0]).len();
        // One common silence or start may be that of a branch; each further one halves the doubt.
        let confidence = (1.0 - 0.5f64.powi(shared.clamp(1, 5) as i32)).min(0.95);
        unnamed(timing, group, Basis::SharedSilence, confidence)
    };
    groups.into_iter().map(node).collect()
}

/// Identifiers that began while most others of their channel had long been running: a shared start
/// tells as much as a shared return.
fn late_starts(timing: &Timing, losses: &Losses) -> BTreeMap<IdIndex, Nanoseconds> {
    let mut out = BTreeMap::new();
    for channel in 0..timing.channels.len() {
        let periodic = |at: &IdIndex| {
            usize::from(timing.ids[*at].key.channel) == channel && losses.expected[*at].is_some()
        };
        let starts: Vec<(IdIndex, Nanoseconds)> = (0..timing.ids.len())
            .map(IdIndex)
            .filter(periodic)
            .filter_map(|at| Some((at, timing.ids[at].heard?.0)))
            .collect();
        let begin = starts.iter().map(|(_, first)| *first).min().unwrap_or(0);
        let is_late = |(at, first): &&(IdIndex, Nanoseconds)| {
            first - begin > nanoseconds(LATE.max(10.0 * period(losses, *at)))
        };
        let late: Vec<_> = starts.iter().filter(is_late).copied().collect();
        if late.len() * 2 <= starts.len() {
            out.extend(late);
        }
    }
    out
}

fn period(losses: &Losses, id: IdIndex) -> f64 {
    losses.expected[id].map_or(f64::INFINITY, |expected| expected.rhythm.period)
}

/// Whether every loss of either that the other must have shown too was shared, but for one of a
/// burst, and at least one was; or both have none and began together, late.
fn agree(
    timing: &Timing,
    losses: &Losses,
    late: &BTreeMap<IdIndex, Nanoseconds>,
    a: IdIndex,
    b: IdIndex,
) -> bool {
    let slack = nanoseconds(period(losses, a) + period(losses, b) + TOGETHER);
    let of = |id: IdIndex| losses.of(id).iter();
    let timeout = |id: IdIndex| {
        losses.expected[id].map_or(Nanoseconds::MAX, |expected| nanoseconds(expected.timeout))
    };
    let shared = |one: IdIndex, other: IdIndex| {
        let (mut untold, mut with, mut apart) = (0, Vec::new(), Vec::new());
        for loss in of(one) {
            // In order of time, so that only those near it are looked at.
            let twins = losses.of(other);
            let from = loss.silence.start.saturating_sub(slack);
            let near = &twins[twins.partition_point(|twin| twin.silence.start < from)..];
            let twin = near
                .iter()
                .take_while(|twin| twin.silence.start <= loss.silence.start.saturating_add(slack))
                .any(|twin| {
                    (twin.silence.end - loss.silence.end).abs() <= slack + nanoseconds(START_UP)
                });
            match twin {
                true => with.push(loss.silence),
                // A slow identifier has no chance to miss a short loss.
                false if loss.silence.length() <= timeout(other) + slack => {}
                // Nor is it heard while the whole bus is not.
                false if with_the_bus(timing, losses, loss) => untold += 1,
                false => apart.push(loss.silence),
            }
        }
        let count = with.len();
        let of_a_burst = |own: &&Silence| {
            let from = own.start.saturating_sub(nanoseconds(BURST));
            let to = own.end.saturating_add(nanoseconds(BURST));
            with.iter().any(|shared| shared.start <= to && shared.end >= from)
        };
        let far = || apart.iter().filter(|own| !of_a_burst(own)).count();
        let alike = apart.len() * OF_A_BURST <= count
            || count >= MANY && apart.len() <= count && far() * OF_A_BURST <= count;
        (alike && (untold == 0 || untold < count)).then_some(count)
    };
    let started_together = || match (late.get(&a), late.get(&b)) {
        (Some(a), Some(b)) => (a - b).abs() <= slack,
        _ => false,
    };
    match (shared(a, b), shared(b, a)) {
        (Some(1..), Some(_)) => true,
        (Some(0), Some(0)) => started_together(),
        _ => false,
    }
}

/// Whether a loss of one begins at the instant of one of the other.
pub(super) fn stops_with(losses: &Losses, one: IdIndex, other: IdIndex) -> bool {
    let slack = nanoseconds(period(losses, one) + period(losses, other) + TOGETHER);
    let with = |loss: &Loss| {
        let theirs = losses.of(other).iter();
        theirs.clone().any(|own| (own.silence.start - loss.silence.start).abs() <= slack)
    };
    losses.of(one).iter().any(with)
}

/// Whether identifiers fall silent whenever all of a node do, and only then, as far as each has the
/// chance to show it.
pub(super) fn is_silent_as(
    timing: &Timing,
    losses: &Losses,
    ids: &[IdIndex],
    of_node: &[IdIndex],
) -> bool {
    let lost = |ids: &[IdIndex]| {
        let lost = ids.iter().copied().filter(|id| !losses.of(*id).is_empty());
        lost.min_by(|a, b| period(losses, *a).total_cmp(&period(losses, *b)).then(a.cmp(b)))
    };
    let (Some(fastest), Some(own)) = (lost(of_node), lost(ids)) else { return false };
    let none = BTreeMap::new();
    let shares = |id: &IdIndex| match losses.of(*id).is_empty() {
        true => !went_on(timing, losses, *id, fastest),
        false => agree(timing, losses, &none, fastest, *id),
    };
    ids.iter().all(shares) && !of_node.iter().any(|id| went_on(timing, losses, *id, own))
}

/// Whether the bus stopped in a loss: what else it holds is then not told.
fn with_the_bus(timing: &Timing, losses: &Losses, loss: &Loss) -> bool {
    let channel = timing.ids[loss.id].key.channel;
    let mut here = losses.stops.iter().filter(|stop| stop.concerns(channel));
    here.any(|stop| stop.silence.overlap(&loss.silence) > 0)
}

/// Adds what shared silences tell to what clocks tell. Identifiers of several clocks that fall
/// silent together hang on one branch and stay apart; identifiers without a known clock join the
/// one clock that falls silent with them. Where a part of one clock's identifiers falls silent
/// together while others of it go on, there are two nodes whose clocks agree by chance.
pub(super) fn join(
    mut by_clock: Vec<Node>,
    by_silence: Vec<Node>,
    timing: &Timing,
    losses: &Losses,
    clocks: &Clocks,
) -> Vec<Node> {
    for silent in by_silence {
        let by_period =
            |a: &&IdIndex, b: &&IdIndex| period(losses, **a).total_cmp(&period(losses, **b));
        let fastest = *silent.ids.iter().min_by(by_period).unwrap_or(&silent.ids[0]);
        take_in_lone(&mut by_clock, &silent, timing, losses, clocks);
        let free: Vec<IdIndex> = silent
            .ids
            .iter()
            .copied()
            .filter(|id| !by_clock.iter().any(|node| node.ids.contains(id)))
            .collect();
        let mut homes: Vec<&mut Node> = by_clock
            .iter_mut()
            .filter(|node| node.ids.iter().any(|id| silent.ids.contains(id)))
            .collect();
        match homes.as_mut_slice() {
            [] => by_clock.push(silent),
            // It fell silent with others than those of its own clock: nothing is told of these.
            [..] if silent.ids.len() == 1 => {}
            [home]
                if home.ids.iter().any(|id| {
                    !silent.ids.contains(id) && went_on(timing, losses, *id, fastest)
                }) =>
            {
                home.ids.retain(|id| !silent.ids.contains(id));
                home.name = name(timing, &home.ids);
                home.confidence = home.confidence.min(0.7);
                by_clock.push(silent);
            }
            [home] => {
                home.basis.push(Basis::SharedSilence);
                // Two independent grounds: the doubts multiply.
                let doubt = (1.0 - home.confidence) * (1.0 - silent.confidence);
                home.confidence = if free.is_empty() {
                    (1.0 - doubt).min(0.99)
                } else {
                    home.confidence.min(silent.confidence)
                };
                home.ids.extend(free);
                home.ids.sort_unstable();
                home.name = name(timing, &home.ids);
            }
            // Which of the clocks the free ones belong to is not known.
            _ => {}
        }
    }
    by_clock.retain(|node| !node.ids.is_empty());
    by_clock
}

/// A module seldom sends one message alone, but one message of a module may be timed by another
/// timer than the rest, or have a period that no clock can be told from. So an identifier that
/// stands alone by its clock, and falls silent each time with one node and no other, is that
/// node's, unless two modules send them by their clocks and starts.
fn take_in_lone(
    by_clock: &mut Vec<Node>,
    silent: &Node,
    timing: &Timing,
    losses: &Losses,
    clocks: &Clocks,
) {
    let is_home = |node: &Node| node.ids.iter().any(|id| silent.ids.contains(id));
    let homes: Vec<usize> = (0..by_clock.len()).filter(|at| is_home(&by_clock[*at])).collect();
    let mut larger = homes.iter().filter(|at| by_clock[**at].ids.len() > 1);
    let home = match (larger.next(), larger.next()) {
        (Some(home), None) => *home,
        (None, _) if homes.len() > 1 => homes[0],
        _ => return,
    };
    let fits = |node: &Node| match node.ids[..] {
        [id] => {
            let others = by_clock[home].ids.iter();
            silent.ids.contains(&id)
                && !others
                    .into_iter()
                    .any(|other| by_clock::two(timing, losses, clocks, *other, id))
        }
        _ => false,
    };
    let others = homes.iter().filter(|at| **at != home).map(|at| &by_clock[*at]);
    let lone: Vec<IdIndex> = others.filter(|node| fits(node)).map(|node| node.ids[0]).collect();
    if lone.is_empty() {
        return;
    }
    by_clock[home].ids.extend(&lone);
    by_clock[home].ids.sort_unstable();
    by_clock[home].name = name(timing, &by_clock[home].ids);
    by_clock[home].confidence = by_clock[home].confidence.min(silent.confidence);
    by_clock.retain(|node| node.ids.len() > 1 || !lone.contains(&node.ids[0]));
}

/// Whether an identifier was heard in most of what another missed: a bad contact lets single frames
/// through.
fn went_on(timing: &Timing, losses: &Losses, id: IdIndex, lost: IdIndex) -> bool {
    let period = period(losses, id);
    let lacking: Vec<Silence> =
        timing.ids[id].silences.at_least(nanoseconds(LACKING * period)).collect();
    // A slower one has no chance to be heard in a short loss.
    let tells = |loss: &&Loss| seconds(loss.silence.length()) > TELLS * period;
    let kept_on = |loss: &&&Loss| {
        let missed: Nanoseconds = lacking.iter().map(|own| own.overlap(&loss.silence)).sum();
        missed as f64 <= MISSED * loss.silence.length() as f64
    };
    let all: Vec<&Loss> = losses.of(lost).iter().filter(tells).collect();
    let heard = timing.ids[id].heard;
    let there = |loss: &&&Loss| {
        heard.is_some_and(|(first, last)| first < loss.silence.end && last > loss.silence.start)
    };
    2 * all.iter().filter(there).filter(kept_on).count() > all.len()
}
