//! Which identifiers have one sender, from when their frames were ready to be sent: the differences
//! of their offsets, and the bursts in which one sender's frames leave together (docs/roster.md).
//!
//! Sharper than rates alone, and so only where the capture allows it: the tasks of a loaded node
//! shift against each other by milliseconds as its load changes, which looks like a drift of a few
//! ppm over ten minutes. How far identifiers wander from their nearest neighbours says whether
//! nodes here do that.

mod cluster;
mod compare;
mod series;

use lostnode_parsers::Id;

use crate::fold::timing::{Clock, IdleClock};
use cluster::{Candidate, Cluster, Place, Turn};
use compare::{SLOPE_OF_FLOOR, compare};
use series::{Own, Series};

/// An identifier to be grouped.
pub(super) struct Item<'t> {
    pub id: Id,
    /// Its clock, of all frames and of those that found the bus idle.
    pub clocks: (&'t Clock, &'t IdleClock),
    /// Nominal period in nanoseconds.
    pub nominal: f64,
    /// Seconds between the first and the last stamp used.
    pub span: f64,
}

/// A group as found: which of the list, and how far the next clock is.
pub(super) struct Found {
    pub members: Vec<Place>,
    /// Slope against the nearest other group and its error, in ppm.
    pub nearest: Option<(f64, f64)>,
}

/// Shortest capture in seconds: in less the twelve parts of a difference hold too little to show a
/// wander.
const SHORTEST: f64 = 300.0;
/// Most that the identifiers of one node may wander against each other, in microseconds, and what
/// is allowed for beyond the median. 60 µs look like 0.12 ppm over 600 s, below which rates are not
/// told apart either; where it is more, this is no better than they are.
const MOST_WOBBLE: f64 = 60.0;
const BEYOND_MEDIAN: f64 = 1.5;
/// Fewest identifiers with a neighbour from which that is drawn.
const FEWEST_NEIGHBOURS: usize = 4;
/// Identifiers of which that is drawn are no further apart than this in ppm, and no less certain.
const NEIGHBOUR: (f64, f64) = (5.0, 0.3);
/// What wanders in a series of all frames, in microseconds: what waiting adds (no more than the
/// usual burst of a few frames lets drift).
const FLOOR_OF_ALL: f64 = 60.0;
/// An identifier leaves in the bursts of a cluster where so much of its frames stand right behind
/// that one's, and at most so much behind any other's that its clock allows.
const BURST: (f64, f64) = (0.5, 0.15);
/// Another cluster may fit better by so much even then; nothing where nearly no frame found the bus
/// idle, for then it may be locked into the burst of a twin.
const BURST_MARGIN: f64 = 5.0;
const LOCKED: f64 = 0.05;

/// Most identifiers that are compared with each other; a channel of a vehicle has some two hundred
/// at most.
const MOST_COMPARED: usize = 512;

/// Groups identifiers of one channel, and says which cannot be told; `None` where the capture does
/// not allow it.
pub(super) fn group(items: &[Item]) -> Option<Vec<Found>> {
    let span = items.iter().map(|item| item.span).fold(0.0, f64::max);
    if span < SHORTEST || items.len() > MOST_COMPARED {
        return None;
    }
    let mut own: Vec<Option<Own>> =
        items.iter().map(|item| Own::of(item.clocks.1, item.nominal)).collect();
    let mut widths: Vec<i64> = own.iter().flatten().map(|own| own.series.width).collect();
    widths.sort_unstable();
    let usual = *widths.get(widths.len() / 2)?;
    let mut order: Vec<Place> = (0..items.len()).filter(|at| own[*at].is_some()).collect();
    let rank = |at: Place| {
        own[at].as_ref().map_or((true, f64::INFINITY), |own| {
            let error = own.series.power().recip() + (SLOPE_OF_FLOOR * own.series.floor).powi(2);
            (own.series.width > usual, error)
        })
    };
    let ranks: Vec<(bool, f64)> = (0..items.len()).map(rank).collect();
    order.sort_by(|a, b| {
        ranks[*a].0.cmp(&ranks[*b].0).then(ranks[*a].1.total_cmp(&ranks[*b].1)).then(a.cmp(b))
    });
    let wobble = wobble(&order, &own, usual).filter(|wobble| *wobble < MOST_WOBBLE)?;
    for own in own.iter_mut().flatten() {
        own.series.floor = own.series.floor.hypot(wobble);
    }
    let all: Vec<Option<Series>> = items
        .iter()
        .zip(&own)
        .map(|(item, own)| if own.is_none() { of_all(item) } else { None })
        .collect();
    let candidate = |at: Place| {
        let (series, weak) = match (&own[at], &all[at]) {
            (Some(own), _) => (&own.series, false),
            (None, Some(all)) => (all, true),
            (None, None) => return None,
        };
        Some(Candidate { place: at, series, weak })
    };
    let mut clusters: Vec<Cluster> = Vec::new();
    let mut held: Vec<Candidate> = order.iter().filter_map(|at| candidate(*at)).collect();
    held.retain(|candidate| !cluster::place(candidate, &mut clusters, Turn::First));
    cluster::merge(&mut clusters);
    cluster::place_together(&mut held, &mut clusters);
    held.extend((0..items.len()).filter(|at| own[*at].is_none()).filter_map(candidate));
    for turn in [Turn::Later, Turn::Later, Turn::Last] {
        held.retain(|candidate| !cluster::place(candidate, &mut clusters, turn));
    }
    cluster::merge(&mut clusters);
    join_by_bursts(items, &own, held, &mut clusters);
    Some(finish(clusters))
}

/// The series of an identifier of which too few frames found the bus idle.
fn of_all(item: &Item) -> Option<Series> {
    Series::of_all(item.clocks.0, item.nominal, FLOOR_OF_ALL)
}

/// How far identifiers wander from their nearest neighbours here, in microseconds, which mostly are
/// of the same node; `None` with too few to tell.
fn wobble(order: &[Place], own: &[Option<Own>], width: i64) -> Option<f64> {
    let usual = order.iter().filter_map(|at| own[*at].as_ref()).map(|own| &own.series);
    let list: Vec<&Series> = usual.filter(|series| series.width == width).collect();
    let mut least = vec![f64::INFINITY; list.len()];
    for later in 0..list.len() {
        for before in 0..later {
            let Some(found) = compare(list[later], list[before]) else { continue };
            if found.slope.abs() <= NEIGHBOUR.0 && found.error <= NEIGHBOUR.1 {
                least[later] = least[later].min(found.excess);
                least[before] = least[before].min(found.excess);
            }
        }
    }
    least.retain(|excess| excess.is_finite());
    least.sort_by(f64::total_cmp);
    (least.len() >= FEWEST_NEIGHBOURS).then(|| BEYOND_MEDIAN * least[least.len() / 2])
}

/// Places those left over by the bursts in which one sender's identifiers leave together.
fn join_by_bursts(
    items: &[Item],
    own: &[Option<Own>],
    mut held: Vec<Candidate>,
    clusters: &mut [Cluster],
) {
    loop {
        let before = held.len();
        held.retain(|candidate| {
            let own = own[candidate.place].as_ref();
            if own.is_some_and(|own| !own.steady) {
                return true;
            }
            let idle = own.map_or(0.0, |own| own.idle);
            let home = burst(items, candidate, idle, clusters);
            home.inspect(|home| clusters[*home].members.push(candidate.place)).is_none()
        });
        if held.len() == before {
            return;
        }
    }
}

/// The cluster in whose bursts it leaves.
fn burst(items: &[Item], candidate: &Candidate, idle: f64, clusters: &[Cluster]) -> Option<usize> {
    let fits = clusters.iter().map(|cluster| compare(candidate.series, &cluster.series));
    let allowed = fits.enumerate().filter_map(|(at, fit)| {
        let fit = fit.filter(|fit| fit.may_be_one())?;
        let ids: Vec<Id> = clusters[at].members.iter().map(|member| items[*member].id).collect();
        Some((items[candidate.place].clocks.1.behind_any(&ids), at, fit.sum))
    });
    let mut allowed: Vec<(f64, usize, f64)> = allowed.collect();
    allowed.sort_by(|a, b| b.0.total_cmp(&a.0));
    let ((share, home, sum), others) = allowed.split_first()?;
    let margin = if idle >= LOCKED { -BURST_MARGIN } else { 0.0 };
    let alone =
        others.iter().all(|(other, _, other_sum)| *other <= BURST.1 && other_sum - sum >= margin);
    (*share >= BURST.0 && alone).then_some(*home)
}

/// What is known of each cluster in the end.
fn finish(clusters: Vec<Cluster>) -> Vec<Found> {
    let nearest = |at: usize| {
        let others = (0..clusters.len()).filter(|other| *other != at);
        let found = others.filter_map(|other| {
            let found = compare(&clusters[at].series, &clusters[other].series)?;
            Some((found.slope.abs(), found.whole_error))
        });
        found.min_by(|a, b| a.0.total_cmp(&b.0))
    };
    let nearest: Vec<_> = (0..clusters.len()).map(nearest).collect();
    clusters
        .into_iter()
        .zip(nearest)
        .map(|(cluster, nearest)| Found { members: cluster.members, nearest })
        .collect()
}
