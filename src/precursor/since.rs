//! Losses that begin much the same time after the bus woke, or after the loss before them ended:
//! what gets warm, a timer, a breaker that sets itself again.

use super::exact::{Family, tails};
use super::leads::RISK;
use super::line::Micros;
use super::search::{band_score, enough};
use super::target::Target;
use super::trial::{Score, nearest};
use crate::analysis::just_before::{Since, Timed};

/// Share of the risk of a false lead; the rest is shared out among changes, states and levels.
const SHARE: f64 = 0.03;
/// The shortest time that is tried, in microseconds. What comes sooner after the waking is the
/// waking itself, and what comes sooner after a loss is of the same burst.
const SHORTEST: Micros = 5_000_000;
/// The longest.
const LONGEST: Micros = 1_200_000_000;
/// Each stretch begins by this part later than the one before it …
const STEP: f64 = 1.03;
/// … and is so many steps long, narrow for a timer and wide for what gets warm. Whatever lies
/// within one step less lies in one of these stretches.
const WIDTHS: [i32; 3] = [2, 5, 14];

/// The surest time since each.
pub(super) fn of(target: &Target, targets: usize) -> Vec<Timed> {
    let mut family = Family::default();
    let mut best: [Option<(f64, Timed)>; 2] = [None, None];
    let returns: Vec<Micros> = target.episodes.iter().map(|own| own.lost.to).collect();
    let tried = [(Since::Wake, target.wakes.as_slice()), (Since::Return, returns.as_slice())];
    for ((since, times), best) in tried.into_iter().zip(&mut best) {
        for (least, most) in bands() {
            let score = band_score(target, times, least, most);
            let chances = tails(&score.chances);
            let p = chances[score.hits()];
            family.add(&[chances], enough(target.episodes.len()));
            let surer = best.as_ref().is_none_or(|(before, _)| p < *before);
            if surer && score.hits() >= enough(target.episodes.len()) {
                *best = Some((p, timed(target, since, times, &score, (least, most))));
            }
        }
    }
    let sure = best.into_iter().flatten().map(|(p, own)| Timed {
        p: (family.corrected(p) / SHARE * targets as f64).min(1.0),
        ..own
    });
    sure.filter(|own| own.p <= RISK).collect()
}

/// Times from and to, in microseconds.
fn bands() -> impl Iterator<Item = (Micros, Micros)> {
    let edge = |at: i32| (SHORTEST as f64 * STEP.powi(at)) as Micros;
    let band = move |at: i32| WIDTHS.map(|width| (edge(at), edge(at + width)));
    (0..).map(band).take_while(|[(least, _), ..]| *least < LONGEST).flatten()
}

fn timed(
    target: &Target,
    since: Since,
    times: &[Micros],
    score: &Score,
    (least, most): (Micros, Micros),
) -> Timed {
    let hits = target.episodes.iter().enumerate().filter(|(at, _)| score.hit >> at & 1 == 1);
    let apart = hits.filter_map(|(_, own)| {
        let from = nearest(times, most - least, own.at.saturating_sub(least))?;
        Some(own.due - from)
    });
    let apart: Vec<Micros> = apart.collect();
    let seconds = |micros: Option<&Micros>| micros.map_or(0.0, |micros| *micros as f64 / 1e6);
    Timed {
        of: target.of.clone(),
        since,
        after: (seconds(apart.iter().min()), seconds(apart.iter().max())),
        losses_with: score.hits(),
        losses: target.episodes.len(),
        p: 1.0,
    }
}
