//! One candidate: the times at which a loss would be a hit, how many of the losses are, and how
//! many would be by chance.

use super::line::{Micros, Span};
use super::target::{Episode, Target};

/// What the hits of a candidate come to.
#[derive(Clone, Debug)]
pub struct Score {
    /// Losses that are hits, one bit each in order of time.
    pub hit: u64,
    /// For each loss, the share of its block in which it would be one too.
    pub chances: Vec<f64>,
}

impl Score {
    /// How many losses are hits.
    pub fn hits(&self) -> usize {
        self.hit.count_ones() as usize
    }
}

/// Share of a block below which no chance is taken to lie: about a frame.
const LEAST: Micros = 10_000;

/// Holds the losses against a set of times, which `covered` measures in a span.
pub fn score(
    target: &Target,
    is_hit: impl Fn(&Episode) -> bool,
    covered: impl Fn(Span) -> Micros,
) -> Score {
    let (mut hit, mut chances) = (0, Vec::with_capacity(target.episodes.len()));
    let mut last: Option<(usize, f64)> = None;
    for (at, episode) in target.episodes.iter().enumerate() {
        hit |= u64::from(is_hit(episode)) << at;
        let chance = match last {
            Some((block, chance)) if block == episode.block => chance,
            _ => {
                let block = &target.blocks[episode.block];
                let own: Micros = block.parts.iter().map(|part| covered(*part)).sum();
                let length = block.length.max(LEAST) as f64;
                (own.max(LEAST) as f64 / length).min(1.0)
            }
        };
        last = Some((episode.block, chance));
        chances.push(chance);
    }
    Score { hit, chances }
}

/// How much of a span lies within `window` after one of some times, which are in order; before one
/// of them where the window is negative.
///
/// ```
/// use lostnode::precursor::line::Span;
/// use lostnode::precursor::trial::near;
/// let span = Span { from: 0, to: 100 };
/// assert_eq!(near(&[10, 15, 95], 10, span), 20);
/// assert_eq!(near(&[10, 15, 95], -10, span), 25);
/// assert_eq!(near(&[-5, 105], 10, span), 5);
/// ```
pub fn near(times: &[Micros], window: Micros, span: Span) -> Micros {
    let reach = |time: Micros| Span {
        from: time.saturating_add(window.min(0)),
        to: time.saturating_add(window.max(0)),
    };
    let first = times.partition_point(|time| reach(*time).to <= span.from);
    let (mut sum, mut from) = (0, span.from);
    for time in &times[first..] {
        let own = reach(*time);
        if own.from >= span.to {
            break;
        }
        sum += (own.to.min(span.to) - own.from.max(from)).max(0);
        from = from.max(own.to);
    }
    sum
}

/// The last of some times within `window` before a moment, or the first within it after; in order.
pub fn nearest(times: &[Micros], window: Micros, at: Micros) -> Option<Micros> {
    // What happens at the moment itself came before it.
    let next = times.partition_point(|time| *time <= at);
    if window > 0 {
        next.checked_sub(1).map(|place| times[place]).filter(|time| at - time < window)
    } else {
        times.get(next).copied().filter(|time| time - at < -window)
    }
}
