//! Senders of identifiers without an address by the clock that times them.

use super::clocks::{self, Clocks};
use super::{Basis, Node, by_start, name, odds_of_several, unnamed};
use crate::fold::timing::Timing;
use crate::ids::IdIndex;
use crate::silence::Losses;

/// Groups of identifiers without an address by clock, channel by channel, and what cannot be told
/// yet.
pub(super) fn nodes(
    timing: &Timing,
    losses: &Losses,
    clocks: &Clocks,
    placed: &[bool],
) -> (Vec<Node>, Vec<(IdIndex, f64)>) {
    let mut nodes = Vec::new();
    let mut undecided = Vec::new();
    for channel in 0..timing.channels.len() {
        let own = |at: &IdIndex| {
            usize::from(timing.ids[*at].key.channel) == channel
                && !placed[at.0]
                && losses.expected[*at].is_some()
        };
        let rates: Vec<_> = (0..timing.ids.len())
            .map(IdIndex)
            .filter(own)
            .filter_map(|at| Some((at, clocks.rates[at]?)))
            .collect();
        let grouping = clocks::group(&rates, |at| &timing.ids[at]);
        undecided.extend(grouping.undecided);
        for group in grouping.groups {
            nodes.push(unnamed(timing, group.members, Basis::Clock, group.confidence));
        }
    }
    (nodes, undecided)
}

/// Whether two modules send these: their clocks are surely different, and they do not start as one
/// module does.
pub(super) fn two(
    timing: &Timing,
    losses: &Losses,
    clocks: &Clocks,
    a: IdIndex,
    b: IdIndex,
) -> bool {
    differ(timing, clocks, a, b) && !by_start::alike(timing, losses, a, b)
}

/// Whether the clocks of two identifiers are surely different, however uncertain each is.
///
/// How long a frame waits for the bus follows the load, and the load is seldom the same at both
/// ends of a recording: a wait that has become longer by what the gaps scatter looks like a clock
/// that is slower by that much over the whole length, or over each stretch between two losses. The
/// standard error of a rate does not know it, for it is no noise.
fn differ(timing: &Timing, clocks: &Clocks, a: IdIndex, b: IdIndex) -> bool {
    let own = |at: IdIndex| {
        let skew = Skew::of(timing, clocks, at)?;
        (skew.skew.abs() <= OSCILLATOR).then_some(skew)
    };
    let (Some(a), Some(b)) = (own(a), own(b)) else { return false };
    let (apart, window) = a.compared(&b);
    apart > window
}

/// How far apart two clocks are, and what of that may be chance and load; both as a ratio.
fn compared(timing: &Timing, clocks: &Clocks, a: IdIndex, b: IdIndex) -> Option<(f64, f64)> {
    Some(Skew::of(timing, clocks, a)?.compared(&Skew::of(timing, clocks, b)?))
}

/// The skew of one clock and what is uncertain about it, all as ratios.
pub(super) struct Skew {
    /// How far it is off.
    pub skew: f64,
    /// Its standard error.
    pub error: f64,
    /// What a wait that grows with the load may add.
    drift: f64,
}

impl Skew {
    /// Of an identifier with a clock and a period near a nominal one.
    pub(super) fn of(timing: &Timing, clocks: &Clocks, at: IdIndex) -> Option<Skew> {
        let rate = clocks.rates[at]?;
        let jitter = timing.ids[at].rhythm().map_or(0.0, |rhythm| rhythm.jitter);
        Some(Skew {
            skew: clocks::skew(rate.period)?,
            error: rate.error,
            drift: jitter / rate.lever.max(1.0),
        })
    }

    /// How far two are apart, and what of that may be chance and load.
    pub(super) fn compared(&self, other: &Skew) -> (f64, f64) {
        // Wide of the usual 3.5 standard errors: this only parts what is taken for one.
        let noise = APART * self.noise(other);
        ((self.skew - other.skew).abs(), noise + self.drift + other.drift)
    }

    /// The standard error of the difference of two.
    fn noise(&self, other: &Skew) -> f64 {
        self.error.hypot(other.error).max(0.3e-6)
    }

    /// By how many standard errors two differ, whatever the load may have added.
    fn apart(&self, other: &Skew) -> f64 {
        (self.skew - other.skew).abs() / self.noise(other)
    }
}

/// Furthest that the oscillator of a module is off (560 ppm in open captures of cars). What is
/// further off is a task with a period of its own: one sender of an open truck capture has messages
/// at 37, at -5990 and at 4930 ppm.
const OSCILLATOR: f64 = 1000e-6;
/// Standard errors by which two clocks are apart, unless the load is behind it.
const APART: f64 = 5.0;
/// Standard errors by which two clocks of one module seldom differ, load or not …
const UNLIKE: f64 = 6.5;
/// … and by which they hardly ever do.
const MOST_UNLIKE: f64 = 8.0;
/// … and up to which all of them may be one, however many identifiers there are.
const ALIKE: f64 = 3.0;
/// How many times likelier several modules are then: of 43 nodes of nine identifiers and more that
/// were lost and whose clocks are so much alike 6 were several, of 58 others 43 (invented vehicles,
/// seeds 60, 61 and the first sets of two worlds by others); allowed for worse in real ones.
const ODDS_ALIKE: f64 = 0.3;
/// How many times likelier several modules are than one where two clocks differ by the first, and
/// by the second. Of nodes of invented vehicles that were lost (seeds 60, 61, first sets of two
/// worlds by others) 70 whose clocks are 7 apart were several modules and 3 one; of pairs of
/// identifiers of one module in real cars 5 % are 5 apart, of two 45 % (`../shared/cars`).
/// Allowed for worse in real vehicles.
const ODDS_UNLIKE: [f64; 2] = [6.0, 12.0];

/// How many times likelier it is that several modules send these, of which no two clocks are surely
/// different, than that one does. `ids` begin with the one whose clock is known best. Of several,
/// others would have had to look like that one by chance.
fn several(timing: &Timing, clocks: &Clocks, on_bus: usize, ids: &[IdIndex]) -> Option<f64> {
    let chance = |id: &IdIndex| {
        let window = compared(timing, clocks, ids[0], *id).map_or(f64::INFINITY, |(_, own)| own);
        (window / clocks::FAR).min(1.0)
    };
    let others = ids.get(1..)?;
    let mean = others.iter().map(chance).sum::<f64>() / others.len().max(1) as f64;
    let skews: Vec<Skew> = ids.iter().filter_map(|id| Skew::of(timing, clocks, *id)).collect();
    // A task with a period of its own is no clock.
    let oscillators: Vec<&Skew> =
        skews.iter().filter(|skew| skew.skew.abs() <= OSCILLATOR).collect();
    let pairs = oscillators
        .iter()
        .enumerate()
        .flat_map(|(at, a)| oscillators[..at].iter().map(|b| a.apart(b)));
    let most = pairs.fold(0.0, f64::max);
    let alike = if most < ALIKE && skews.len() > 1 && skews.len() == oscillators.len() {
        ODDS_ALIKE
    } else {
        1.0
    };
    let by_number = odds_of_several(ids.len(), on_bus).map(|odds| odds * mean * alike);
    let by_clock = match most {
        most if most >= MOST_UNLIKE => Some(ODDS_UNLIKE[1]),
        most if most >= UNLIKE => Some(ODDS_UNLIKE[0]),
        _ => None,
    };
    by_number.into_iter().chain(by_clock).reduce(f64::max)
}

/// Parts identifiers that fall silent together but whose clocks are surely different, unless they
/// start as one module does: two nodes on one branch. `on_bus` identifiers of its bus are on a
/// timer.
pub(super) fn apart(
    timing: &Timing,
    losses: &Losses,
    clocks: &Clocks,
    on_bus: usize,
    node: Node,
) -> Vec<Node> {
    let through = clocks.through_silences(&node.ids);
    // Like is compared with like: rates through silences, or those of the stretches between.
    let differ = |a: IdIndex, b: IdIndex| {
        let through = through.as_ref().is_some_and(|own| two(timing, losses, own, a, b));
        through || two(timing, losses, clocks, a, b)
    };
    let mut parts: Vec<Vec<IdIndex>> = Vec::new();
    let mut ids = node.ids.clone();
    let error = |id: IdIndex| clocks.rates[id].map_or(f64::INFINITY, |rate| rate.error);
    ids.sort_by(|a, b| error(*a).total_cmp(&error(*b)).then(a.cmp(b)));
    for id in ids {
        match parts.iter_mut().find(|part| !part.iter().any(|member| differ(*member, id))) {
            Some(part) => part.push(id),
            None => parts.push(vec![id]),
        }
    }
    let made = |mut ids: Vec<IdIndex>| {
        let several = several(timing, through.as_ref().unwrap_or(clocks), on_bus, &ids);
        ids.sort_unstable();
        Node { name: name(timing, &ids), ids, several, ..node.clone() }
    };
    parts.into_iter().map(made).collect()
}
