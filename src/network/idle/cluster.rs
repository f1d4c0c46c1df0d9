//! Identifiers of one clock, their common series, and how one more is placed among several.

use super::compare::{Comparison, Difference, compare};
use super::series::Series;

/// Places of identifiers in the list that is grouped.
pub(super) type Place = usize;

/// Identifiers of one clock.
#[derive(Clone, Debug)]
pub(super) struct Cluster {
    pub members: Vec<Place>,
    pub series: Series,
}

/// Differences below both limits, in standard deviations, are none: when identifiers are placed at
/// first, and later.
const STRICT: (f64, f64) = (2.5, 2.3);
const ALIKE: (f64, f64) = (4.0, 4.0);
/// Beyond one of these two clocks are surely different; of several identifiers together less will
/// do.
const APART: (f64, f64) = (7.0, 8.0);
const APART_TOGETHER: (f64, f64) = (5.0, 6.0);
/// How much worse the next clock has to fit, as a sum of squares: odds of fifty to one.
const MARGIN: f64 = 8.0;
/// On the last turn one that fits none is taken by the only one anywhere near: all others fit worse
/// by this factor, and by so much.
const FAR: (f64, f64) = (5.0, 200.0);
/// Standard errors in ppm up to which an identifier is placed, several together are, and clusters
/// are joined.
const COARSE: f64 = 0.4;
const PRECISE: f64 = 0.15;
const MERGE: f64 = 0.06;

impl Comparison {
    fn within(&self, (z, parts): (f64, f64)) -> bool {
        self.z.abs() <= z && self.parts <= parts
    }

    fn beyond(&self, (z, parts): (f64, f64)) -> bool {
        self.z.abs() >= z || self.parts >= parts
    }

    /// No other clock is known to be nearer than so.
    pub fn may_be_one(&self) -> bool {
        !self.beyond(APART)
    }
}

impl Cluster {
    pub fn of(place: Place, series: &Series) -> Cluster {
        let mut series = series.clone();
        let floor = series.floor.powi(2);
        series.cells.iter_mut().for_each(|cell| cell.weight = with_floor(cell.weight, floor));
        Cluster { members: vec![place], series }
    }

    fn add(&mut self, place: Place, series: &Series, scale: f64) {
        self.members.push(place);
        self.average(series, scale);
    }

    /// Takes a series into the common one.
    fn average(&mut self, series: &Series, scale: f64) {
        if series.width != self.series.width {
            return;
        }
        let Some(difference) = Difference::of(series, &self.series) else { return };
        self.series.floor = self.series.floor.min(series.floor);
        for point in &difference.points {
            let own = &series.cells[point.at[0]];
            let cell = &mut self.series.cells[point.at[1]];
            let weight = with_floor(own.weight * scale, series.floor.powi(2));
            let offset = own.offset - difference.means[point.stretch];
            cell.offset = (cell.offset * cell.weight + offset * weight) / (cell.weight + weight);
            cell.weight += weight;
        }
    }
}

fn with_floor(weight: f64, floor: f64) -> f64 {
    (weight.recip() + floor).recip()
}

/// An identifier to be placed.
pub(super) struct Candidate<'s> {
    pub place: Place,
    pub series: &'s Series,
    /// Its series holds all instants, not only idle ones: it founds nothing.
    pub weak: bool,
}

/// How an identifier fits each of the clusters, best first; `None` if one cannot be compared.
pub(super) fn fits(series: &Series, clusters: &[Cluster]) -> Option<Vec<(usize, Comparison)>> {
    let all: Option<Vec<_>> = clusters
        .iter()
        .enumerate()
        .map(|(at, cluster)| Some((at, compare(series, &cluster.series)?)))
        .collect();
    let mut all = all?;
    all.sort_by(|a, b| a.1.sum.total_cmp(&b.1.sum));
    Some(all)
}

/// How strictly an identifier is placed.
#[derive(Clone, Copy, PartialEq, Eq)]
pub(super) enum Turn {
    First,
    Later,
    Last,
}

/// Places an identifier with the cluster that it fits, if no other comes near, or by itself if it
/// fits none; false if that cannot be told.
pub(super) fn place(candidate: &Candidate, clusters: &mut Vec<Cluster>, turn: Turn) -> bool {
    let Some(fits) = fits(candidate.series, clusters) else { return false };
    if let [(at, best), others @ ..] = fits.as_slice() {
        let far = FAR.0 * best.sum + FAR.1;
        let like = match turn {
            Turn::First => best.within(STRICT),
            Turn::Later => best.within(ALIKE),
            Turn::Last => {
                best.within(ALIKE)
                    || best.may_be_one() && others.iter().all(|(_, other)| other.sum > far)
            }
        };
        if like {
            let next = others.first().is_none_or(|(_, next)| next.sum - best.sum >= MARGIN);
            if !next || best.whole_error > COARSE {
                return false;
            }
            let scale = best.scatter.max(1.0).powi(-2);
            clusters[*at].add(candidate.place, candidate.series, scale);
            return true;
        }
    }
    let known = fits.iter().any(|(_, fit)| fit.may_be_one());
    if candidate.weak || known || candidate.series.power().powf(-0.5) > COARSE {
        return false;
    }
    clusters.push(Cluster::of(candidate.place, candidate.series));
    true
}

/// Joins clusters that turn out to be alike, the best first.
pub(super) fn merge(clusters: &mut Vec<Cluster>) {
    loop {
        let mut best: Option<(f64, usize, usize)> = None;
        for later in 0..clusters.len() {
            for before in 0..later {
                let found = compare(&clusters[later].series, &clusters[before].series);
                let Some(fit) = found.filter(|fit| fit.within(ALIKE) && fit.whole_error <= MERGE)
                else {
                    continue;
                };
                if best.is_none_or(|(least, ..)| fit.per_freedom < least) {
                    best = Some((fit.per_freedom, before, later));
                }
            }
        }
        let Some((_, before, later)) = best else { return };
        let mut other = clusters.remove(later);
        let own = &mut clusters[before];
        if own.series.cells.len() < other.series.cells.len() {
            std::mem::swap(own, &mut other);
        }
        other.series.floor = other.series.floor.min(own.series.floor);
        own.average(&other.series, 1.0);
        own.members.extend(other.members);
    }
}

/// Places identifiers that are left with each other first: what pushes them aside from a twin's
/// clock alike shows only in all of them together.
pub(super) fn place_together(held: &mut Vec<Candidate>, clusters: &mut Vec<Cluster>) {
    let mut seeds: Vec<Cluster> = Vec::new();
    for candidate in held.iter() {
        let mut like: Vec<(usize, Comparison)> = (0..seeds.len())
            .filter_map(|at| Some((at, compare(candidate.series, &seeds[at].series)?)))
            .collect();
        like.sort_by(|a, b| a.1.sum.total_cmp(&b.1.sum));
        match like.as_slice() {
            [(at, best), others @ ..]
                if best.within(STRICT)
                    && best.whole_error <= COARSE
                    && others.first().is_none_or(|(_, next)| next.sum - best.sum >= MARGIN) =>
            {
                seeds[*at].add(candidate.place, candidate.series, 1.0);
            }
            _ => seeds.push(Cluster::of(candidate.place, candidate.series)),
        }
    }
    for mut seed in seeds.into_iter().filter(|seed| seed.members.len() > 1) {
        let own = held.iter().filter(|candidate| seed.members.contains(&candidate.place));
        let floors: f64 = own.map(|candidate| candidate.series.floor).sum();
        let count = seed.members.len() as f64;
        seed.series.floor = (floors / count / count.sqrt()).max(super::series::FLOOR);
        let Some(fits) = fits(&seed.series, clusters) else { continue };
        let home = fits.first().filter(|(_, best)| {
            best.within(ALIKE)
                && best.whole_error <= PRECISE
                && fits.get(1).is_none_or(|(_, next)| next.sum - best.sum >= MARGIN)
        });
        if let Some((at, _)) = home {
            clusters[*at].members.extend(&seed.members);
        } else if fits.iter().all(|(_, fit)| fit.beyond(APART_TOGETHER)) {
            clusters.push(seed.clone());
        } else {
            continue;
        }
        held.retain(|candidate| !seed.members.contains(&candidate.place));
    }
}
