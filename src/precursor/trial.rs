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
    let [own] = scores(target, |episode| [is_hit(episode)], |span| [covered(span)]);
    own
}

/// The same for several sets of times at once.
pub fn scores<const N: usize>(
    target: &Target,
    is_hit: impl Fn(&Episode) -> [bool; N],
    covered: impl Fn(Span) -> [Micros; N],
) -> [Score; N] {
    let count = target.episodes.len();
    let mut out: [Score; N] =
        std::array::from_fn(|_| Score { hit: 0, chances: Vec::with_capacity(count) });
    let mut last: Option<(usize, [f64; N])> = None;
    for (at, episode) in target.episodes.iter().enumerate() {
        let chances = match last {
            Some((block, chances)) if block == episode.block => chances,
            _ => {
                let block = &target.blocks[episode.block];
                let mut own = [0; N];
                for part in &block.parts {
                    own.iter_mut().zip(covered(*part)).for_each(|(sum, part)| *sum += part);
                }
                let length = block.length.max(LEAST) as f64;
                own.map(|own| (own.max(LEAST) as f64 / length).min(1.0))
            }
        };
        last = Some((episode.block, chances));
        for ((score, hit), chance) in out.iter_mut().zip(is_hit(episode)).zip(chances) {
            score.hit |= u64::from(hit) << at;
            score.chances.push(chance);
        }
    }
    out
}

/// How much of a span lies within each of some windows after one of some times, which are in order.
///
/// ```
/// use lostnode::precursor::line::Span;
/// use lostnode::precursor::trial::after_times;
/// let span = Span { from: 0, to: 100 };
/// assert_eq!(after_times(&[10, 15, 95], [10, 100], span), [20, 90]);
/// assert_eq!(after_times(&[-5, 105], [10, 4], span), [5, 0]);
/// ```
pub fn after_times<const N: usize>(
    times: &[Micros],
    windows: [Micros; N],
    span: Span,
) -> [Micros; N] {
    // Of those before the span the last reaches furthest into it.
    let first = times.partition_point(|time| *time <= span.from).saturating_sub(1);
    let mut sum = [0; N];
    let times = &times[first..];
    for (at, time) in times.iter().enumerate().take_while(|(_, time)| **time < span.to) {
        let next = times.get(at + 1).map_or(span.to, |next| (*next).min(span.to));
        let begin = (*time).max(span.from);
        for (sum, window) in sum.iter_mut().zip(windows) {
            *sum += (next.min(time.saturating_add(window)) - begin).max(0);
        }
    }
    sum
}

/// The same before the times.
///
/// ```
/// use lostnode::precursor::line::Span;
/// use lostnode::precursor::trial::before_times;
/// let span = Span { from: 0, to: 100 };
/// assert_eq!(before_times(&[10, 15, 95], [10, 100], span), [25, 95]);
/// assert_eq!(before_times(&[-5, 105], [10, 4], span), [5, 0]);
/// ```
pub fn before_times<const N: usize>(
    times: &[Micros],
    windows: [Micros; N],
    span: Span,
) -> [Micros; N] {
    let first = times.partition_point(|time| *time <= span.from);
    let (mut sum, mut from) = ([0; N], span.from);
    for time in &times[first..] {
        let end = (*time).min(span.to);
        for (sum, window) in sum.iter_mut().zip(windows) {
            *sum += (end - from.max(time.saturating_sub(window))).max(0);
        }
        from = end;
        if *time >= span.to {
            break;
        }
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
