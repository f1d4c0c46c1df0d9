//! Marks: what somebody said was being done at the vehicle, held against when losses began.

use statrs::distribution::{Binomial, DiscreteCDF};

use super::{Analysis, Nanoseconds};
use crate::fold::timing::seconds;
use crate::ids::NodeIndex;

/// What was being done, and when.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Mark {
    /// When, by the clock of the capture.
    pub time: Nanoseconds,
    /// In the words of who did it.
    pub text: String,
}

/// All marks of one text, held against the losses.
#[derive(Clone, Debug, PartialEq)]
pub struct Marked {
    /// The text.
    pub text: String,
    /// When, in order of time.
    pub times: Vec<Nanoseconds>,
    /// Losses that began within [`Marked::WITHIN`] after one of them.
    pub near: usize,
    /// Losses in all. Those that begin within as long of the one before count with it: a contact
    /// that rattles is one event.
    pub losses: usize,
    /// Share of the time watched that lies within as long after one of them.
    pub share: f64,
    /// Probability of so many near ones or more by luck: exact, binomial, times the number of
    /// different texts.
    pub p: f64,
    /// The nodes that were lost near it.
    pub nodes: Vec<NodeIndex>,
}

impl Marked {
    /// In nanoseconds. A hand that presses and a person who then says so, or the other way round,
    /// need about a second each (common practice, no source).
    pub const WITHIN: Nanoseconds = 2_000_000_000;
    /// By luck in one of a hundred watches.
    const NOTABLE: f64 = 0.01;

    /// Whether that is hardly luck. One loss alone is never enough.
    pub fn stands_out(&self) -> bool {
        self.near >= 2 && self.p < Self::NOTABLE
    }
}

/// Holds marks against the losses of an analysis.
pub fn held(analysis: &Analysis, marks: &[Mark]) -> Vec<Marked> {
    let Some((begin, end)) = analysis.span else { return Vec::new() };
    let mut texts: Vec<&str> = Vec::new();
    for mark in marks {
        if !texts.contains(&mark.text.as_str()) {
            texts.push(&mark.text);
        }
    }
    let lost: Vec<_> =
        analysis.lost().filter(|outage| outage.start > begin && !outage.ids.is_empty()).collect();
    let mut starts: Vec<Nanoseconds> = Vec::new();
    let mut last = Nanoseconds::MIN;
    // Outages stand in order of time.
    for outage in &lost {
        if outage.start.saturating_sub(last) > Marked::WITHIN {
            starts.push(outage.start);
        }
        last = outage.start;
    }
    let one = |text: &&str| {
        let mut times: Vec<_> =
            marks.iter().filter(|mark| mark.text == *text).map(|mark| mark.time).collect();
        times.sort_unstable();
        let near_to = |start: Nanoseconds| {
            times.iter().any(|time| (0..=Marked::WITHIN).contains(&(start - time)))
        };
        let near = starts.iter().filter(|start| near_to(**start)).count();
        let share = covered(&times, begin, end) / seconds(end - begin).max(1e-9);
        let mut nodes: Vec<NodeIndex> = lost
            .iter()
            .filter(|outage| near_to(outage.start))
            .flat_map(|outage| outage.nodes.iter().copied())
            .collect();
        nodes.sort_unstable();
        nodes.dedup();
        let p = at_least(near, starts.len(), share) * texts.len() as f64;
        let text = (*text).to_owned();
        Marked { text, times, near, losses: starts.len(), share, p: p.min(1.0), nodes }
    };
    texts.iter().map(one).collect()
}

/// Seconds that lie within reach of one of the times, those that overlap counted once.
fn covered(times: &[Nanoseconds], begin: Nanoseconds, end: Nanoseconds) -> f64 {
    let (mut sum, mut until) = (0, begin);
    for time in times {
        let (from, to) = (until.max(*time), end.min(time.saturating_add(Marked::WITHIN)));
        sum += (to - from).max(0);
        until = until.max(to);
    }
    seconds(sum)
}

/// Probability of at least `near` of `all` where each is with this probability.
fn at_least(near: usize, all: usize, share: f64) -> f64 {
    match (near.checked_sub(1), Binomial::new(share.clamp(0.0, 1.0), all as u64)) {
        (Some(below), Ok(binomial)) => binomial.sf(below as u64),
        _ => 1.0,
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Against the sum of the binomial terms, made by hand.
    #[test]
    fn the_test_is_exact() {
        let p: f64 = (5..=6)
            .map(|k| [6.0, 1.0][k - 5] * 0.1_f64.powi(k as i32) * 0.9_f64.powi(6 - k as i32))
            .sum();
        assert!((at_least(5, 6, 0.1) - p).abs() < 1e-12);
        assert_eq!(at_least(0, 6, 0.1), 1.0);
    }

    #[test]
    fn time_that_two_marks_share_counts_once() {
        let second = 1_000_000_000;
        assert_eq!(covered(&[second, 2 * second, 9 * second], 0, 10 * second), 4.0);
    }
}
