//! Counts of rare events in two stretches of time, compared.
//!
//! Exact where an exact way is known: given the sum of two Poisson counts, the second is binomial
//! (Przyborowski and Wilenski, Biometrika 1940).

use statrs::distribution::{Binomial, Discrete, DiscreteCDF, Poisson};
use statrs::function::beta::inv_beta_reg;

/// An interval, least and greatest; the greatest is `None` where nothing bounds it.
pub type Interval = (f64, Option<f64>);

fn poisson(mean: f64) -> Option<Poisson> {
    Poisson::new(mean).ok()
}

/// Time without an event after `before` events in `time_before`, at which it is sure by
/// `confidence` that something has changed; `None` without events before.
///
/// ```
/// use lostnode::compare::statistics::needed;
/// let time = needed(4, 600.0, 0.95).unwrap();
/// // If nothing had changed, each of four events had come before by so much chance.
/// let before = 600.0_f64 / (600.0 + time);
/// assert!((before.powi(4) - 0.05).abs() < 1e-12);
/// ```
pub fn needed(before: u64, time_before: f64, confidence: f64) -> Option<f64> {
    (before > 0).then(|| time_before * ((1.0 - confidence).powf(-1.0 / before as f64) - 1.0))
}

/// Probability of at most `after` of all events in the second time if the rate is the same: exact
/// conditional test, one side.
pub fn fewer_after(before: u64, time_before: f64, after: u64, time_after: f64) -> f64 {
    binomial(before + after, time_before, time_after).map_or(1.0, |binomial| binomial.cdf(after))
}

fn binomial(total: u64, time_before: f64, time_after: f64) -> Option<Binomial> {
    Binomial::new(time_after / (time_before + time_after), total).ok().filter(|_| total > 0)
}

/// Rate after over rate before, and its exact interval (Clopper and Pearson on the share); `None`
/// without any event.
pub fn rate_ratio(
    before: u64,
    time_before: f64,
    after: u64,
    time_after: f64,
    confidence: f64,
) -> Option<(Option<f64>, Interval)> {
    let total = before + after;
    if total == 0 {
        return None;
    }
    let tail = (1.0 - confidence) / 2.0;
    let odds = |share: f64| share / (1.0 - share) * time_before / time_after;
    let low =
        if after == 0 { 0.0 } else { odds(inv_beta_reg(after as f64, before as f64 + 1.0, tail)) };
    let high =
        (before > 0).then(|| odds(inv_beta_reg(after as f64 + 1.0, before as f64, 1.0 - tail)));
    let ratio = (before > 0).then(|| after as f64 / time_after / (before as f64 / time_before));
    Some((ratio, (low, high)))
}

/// Test of equal rates on estimated variances, both sides (Krishnamoorthy and Thomson, Journal of
/// Statistical Planning and Inference 2004): more powerful than the conditional test, nearly exact.
/// Statistic and probability.
///
/// ```
/// use lostnode::compare::statistics::e_test;
/// let (statistic, p) = e_test(0, 100.0, 3, 100.0);
/// assert!((statistic + 1.7320508).abs() < 1e-7 && (p - 0.0883790).abs() < 1e-6);
/// ```
pub fn e_test(first: u64, time_first: f64, second: u64, time_second: f64) -> (f64, f64) {
    let (statistic, _, at_least) = e_test_bounds(first, time_first, second, time_second);
    (statistic, at_least)
}

/// Statistic of [`e_test`], the probability of splits further apart than the one seen, and of those
/// at least as far. The test is the second; other programs let rounding decide for each split that
/// is exactly as far, and lie between the two.
pub fn e_test_bounds(
    first: u64,
    time_first: f64,
    second: u64,
    time_second: f64,
) -> (f64, f64, f64) {
    let statistic = |first: f64, second: f64| {
        let variance = first / time_first.powi(2) + second / time_second.powi(2);
        if variance > 0.0 {
            (first / time_first - second / time_second) / variance.sqrt()
        } else {
            0.0
        }
    };
    let seen = statistic(first as f64, second as f64);
    let rate = (first + second) as f64 / (time_first + time_second);
    let (Some(one), Some(two)) = (poisson(rate * time_first), poisson(rate * time_second)) else {
        return (seen, 1.0, 1.0);
    };
    let reach = |mean: f64| {
        let spread = 12.0 * mean.sqrt() + 40.0;
        ((mean - spread).max(0.0) as u64, (mean + spread) as u64)
    };
    let ((from_one, to_one), (from_two, to_two)) =
        (reach(rate * time_first), reach(rate * time_second));
    // Far beyond rounding, far below the distance of two statistics that differ.
    let slack = 1e-9 * seen.abs().max(1.0);
    let (mut beyond, mut at_least) = (0.0, 0.0);
    for count in from_one..=to_one {
        let chance = one.pmf(count);
        if chance < 1e-18 {
            continue;
        }
        for other in from_two..=to_two {
            let apart = statistic(count as f64, other as f64).abs() - seen.abs();
            if apart >= -slack {
                let both = chance * two.pmf(other);
                at_least += both;
                beyond += if apart > slack { both } else { 0.0 };
            }
        }
    }
    (seen, f64::min(beyond, 1.0), f64::min(at_least, 1.0))
}
