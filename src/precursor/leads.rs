//! From candidates that surprise to leads: those that move together are one.

use super::line::{Line, Micros};
use super::recorder::{Recorder, Trace};
use super::search::{Candidate, Sort, Tried, onsets, standing};
use super::target::Target;
use super::trial::nearest;
use crate::analysis::just_before::{Change, Kind, Lead, Place};

/// Chance of a false lead that is taken, over everything that was tried before the losses of all
/// nodes; and the same for what follows them.
pub const RISK: f64 = 0.01;
/// Leads that are told of one node.
const MOST_LEADS: usize = 3;
/// Places that are told to move with a lead.
const MOST_TOGETHER: usize = 12;
/// Onsets that are kept of a lead, for pictures.
const MOST_ONSETS: usize = 512;
/// Bits move together where one turns within a frame of the other; that is no less than the first
/// and no more than the second, in microseconds. A module that misses another needs two frames and
/// more.
const BESIDE: [Micros; 2] = [150_000, 1_200_000];
/// Share of the turns that move together, in both ways.
const MOSTLY: f64 = 0.7;
/// A lead that comes within so many microseconds of the waking of the bus is the key, and not what
/// it points at.
const WITH_START: Micros = 2_000_000;

/// A lead with those that move with it.
struct Found<'t> {
    best: &'t Candidate,
    gap: Micros,
    turns: [Vec<Micros>; 2],
    together: Vec<Place>,
}

/// What leads there are to the losses of a target, and what follows them.
pub fn of(target: &Target, recorder: &Recorder, tried: &Tried, targets: usize) -> Vec<Lead> {
    let (after, before): (Vec<&Candidate>, Vec<&Candidate>) =
        tried.sure(RISK, targets).into_iter().partition(|own| own.sort == Sort::After);
    let before = grouped(&before, recorder, &[]);
    // A switch that goes back after the loss is no consequence of it.
    let after = grouped(&after, recorder, &before);
    let lead = |found: &Found<'_>| lead(target, recorder, tried, targets, found);
    let after = after.iter().map(lead).take(MOST_LEADS);
    before.iter().take(MOST_LEADS).map(lead).chain(after).collect()
}

fn grouped<'t>(
    candidates: &[&'t Candidate],
    recorder: &Recorder,
    others: &[Found<'t>],
) -> Vec<Found<'t>> {
    let mut out: Vec<Found<'t>> = Vec::new();
    for candidate in candidates {
        let trace = &recorder.traces[candidate.trace];
        let (turns, gap) = (both_turns(candidate, trace), trace.gap());
        let with = |found: &Found<'_>| found.moves_with(candidate, gap, &turns);
        if others.iter().any(with) {
            continue;
        }
        match out.iter_mut().find(|found| with(found)) {
            Some(found) => found.add(candidate.place),
            None => out.push(Found { best: candidate, gap, turns, together: Vec::new() }),
        }
    }
    out
}

impl Found<'_> {
    fn add(&mut self, place: Place) {
        let known = place == self.best.place || self.together.contains(&place);
        if !known && self.together.len() < MOST_TOGETHER {
            self.together.push(place);
        }
    }

    fn moves_with(&self, other: &Candidate, gap: Micros, turns: &[Vec<Micros>; 2]) -> bool {
        let step = (self.gap.max(gap) / 10 * 11).clamp(BESIDE[0], BESIDE[1]);
        let (own, place) = (self.best.place, other.place);
        let near_bytes = own.field.byte.abs_diff(place.field.byte) <= 1;
        (own.channel, own.id, own.part) == (place.channel, place.id, place.part) && near_bytes
            || self
                .turns
                .iter()
                .any(|own| turns.iter().any(|other| move_together(own, other, step)))
    }
}

/// When it begins to hold, and when it ends to.
fn both_turns(candidate: &Candidate, trace: &Trace) -> [Vec<Micros>; 2] {
    match candidate.place.field.bit {
        Some(bit) => {
            let bit = usize::from(candidate.place.field.byte) * 8 + usize::from(bit);
            [onsets(trace, bit, true), onsets(trace, bit, false)]
        }
        None => {
            let holds = |payload: u64| holds(candidate, payload);
            let mut out = [Vec::new(), Vec::new()];
            let mut before = None;
            for (at, payload) in trace.kept.iter().enumerate() {
                let now = payload.map(holds);
                if let (Some(before), Some(now)) = (before, now)
                    && before != now
                {
                    out[usize::from(before)].push(at as Micros * trace.step);
                }
                before = now.or(before);
            }
            out
        }
    }
}

fn holds(candidate: &Candidate, payload: u64) -> bool {
    let value = candidate.place.field.value(payload);
    match candidate.change {
        Change::Above(least) => value >= least,
        Change::Below(most) => value <= most,
        Change::Is(own) => value == own,
        Change::Rises | Change::Falls => false,
    }
}

/// Whether most turns of each have one of the other beside them.
fn move_together(one: &[Micros], other: &[Micros], step: Micros) -> bool {
    let share = |of: &[Micros], among: &[Micros]| {
        let beside = of.iter().filter(|at| {
            nearest(among, step, **at).is_some() || nearest(among, -step, **at).is_some()
        });
        beside.count() as f64 / of.len() as f64
    };
    !one.is_empty()
        && !other.is_empty()
        && share(one, other) >= MOSTLY
        && share(other, one) >= MOSTLY
}

fn lead(
    target: &Target,
    recorder: &Recorder,
    tried: &Tried,
    targets: usize,
    found: &Found<'_>,
) -> Lead {
    let best = found.best;
    let trace = &recorder.traces[best.trace];
    let kind = if best.sort == Sort::After { Kind::Consequence } else { Kind::Precursor };
    let times = begins(best, trace, found);
    let hits = || target.episodes.iter().enumerate().filter(|(at, _)| best.hit >> at & 1 == 1);
    let reach = if best.window == 0 { Micros::MAX } else { best.window };
    let mut apart: Vec<Micros> = hits()
        .filter_map(|(_, episode)| {
            let time = nearest(&times, reach, episode.at.saturating_sub(best.least))?;
            // Told from the last frame of the node on, as the outage is.
            Some(if kind == Kind::Consequence {
                time - episode.lost.from
            } else {
                (episode.due - time).max(0)
            })
        })
        .collect();
    apart.sort_unstable();
    let at = |place: usize| apart.get(place).map_or(0.0, |micros| *micros as f64 / 1e6);
    let with_start = hits().filter(|(_, episode)| {
        let time = nearest(&times, reach, episode.at.saturating_sub(best.least));
        time.is_some_and(|time| nearest(&target.wakes, WITH_START, time).is_some())
    });
    let with_start = 2 * with_start.count() > best.hit.count_ones() as usize;
    Lead {
        of: target.of.clone(),
        kind,
        place: best.place,
        change: best.change,
        within: best.window.abs() as f64 / 1e6,
        least: best.least as f64 / 1e6,
        losses_with: best.hit.count_ones() as usize,
        losses: target.episodes.len(),
        elsewhere: elsewhere(target, best, &times),
        apart: (at(0), at(apart.len() / 2), at(apart.len().saturating_sub(1))),
        p: tried.corrected(best, targets),
        together: found.together.clone(),
        onsets: shown(&times, &recorder.line),
        with_start,
        confirmed: None,
    }
}

/// When what the candidate says began.
fn begins(best: &Candidate, trace: &Trace, found: &Found<'_>) -> Vec<Micros> {
    match (best.change, best.place.field.bit) {
        (Change::Rises, _) => found.turns[0].clone(),
        (Change::Falls, _) => found.turns[1].clone(),
        (Change::Is(value), Some(bit)) => {
            let bit = usize::from(best.place.field.byte) * 8 + usize::from(bit);
            let spans = standing(trace, bit, value == 1);
            spans.iter().map(|span| span.from).filter(|from| *from > Micros::MIN).collect()
        }
        _ => found.turns[0].clone(),
    }
}

/// How often it happened without a loss. While the node is lost it cannot be lost again, so what
/// happens then does not count.
fn elsewhere(target: &Target, best: &Candidate, times: &[Micros]) -> usize {
    let reach = if best.window == 0 { 0 } else { best.window };
    let with_loss = |time: Micros| {
        target.losses.iter().any(|lost| {
            let (from, to) = match reach {
                // A state that holds as a loss begins began at any time before; its last turn is
                // with it.
                0 => return false,
                1.. => (lost.from.saturating_sub(reach), lost.to),
                _ => (lost.from, lost.to.max(lost.from.saturating_sub(reach))),
            };
            (from..=to).contains(&time)
        })
    };
    let mut count = times.iter().filter(|time| !with_loss(**time)).count();
    if reach == 0 {
        let own: std::collections::BTreeSet<Option<Micros>> =
            target.episodes.iter().map(|own| nearest(times, Micros::MAX, own.at)).collect();
        count = count.saturating_sub(own.iter().flatten().count());
    }
    count
}

fn shown(times: &[Micros], line: &Line) -> Vec<i64> {
    times.iter().take(MOST_ONSETS).map(|at| line.time(*at)).collect()
}
