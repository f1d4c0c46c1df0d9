//! How often "sure at 95 %" comes out though nothing was repaired: `cargo run --release --example
//! repair_trust [CASES [seldom]]`. Prints the first table of docs/repair.md, "Trust", or the
//! second.

use lostnode::compare::{episodes, statistics};
use rand::{RngExt, SeedableRng};
use rand_chacha::ChaCha8Rng;
use rand_distr::{Distribution, Exp};

/// Losses in `time`: bursts at `rate`, of 1 + geometric losses with a mean of `size`, `gap` apart
/// on average.
fn losses(random: &mut ChaCha8Rng, time: f64, rate: f64, size: f64, gap: f64) -> Vec<f64> {
    let (between, within) = (Exp::new(rate).expect("a rate"), Exp::new(1.0 / gap).expect("a gap"));
    let mut out = Vec::new();
    let mut at = between.sample(random);
    while at < time {
        let mut own = at;
        out.push(own);
        while random.random_bool(1.0 - 1.0 / size) {
            own += within.sample(random);
            out.push(own);
        }
        at += between.sample(random);
    }
    out.retain(|at| *at < time);
    out.sort_by(f64::total_cmp);
    out
}

/// Of one drive of ten minutes that had a loss: how often the time asked for passes without one,
/// though losses come as before.
fn seldom(cases: u64) {
    println!("| a drive of | losses come every | sure though unrepaired |\n|---|---|---|");
    for (every, name) in
        [(600.0, "10 min"), (1800.0, "30 min"), (7200.0, "2 h"), (36_000.0, "10 h")]
    {
        let mut random = ChaCha8Rng::seed_from_u64(77);
        let (mut sure, mut used) = (0_u64, 0_u64);
        let between = Exp::new(1.0 / every).expect("a rate");
        while used < cases {
            let before = losses(&mut random, 600.0, 1.0 / every, 1.0, 1.0);
            if before.is_empty() {
                continue;
            }
            used += 1;
            let (grouped, _) = episodes::group(&before, 600.0);
            let asked = statistics::needed(grouped.len() as u64, 600.0, 0.95);
            sure += u64::from(between.sample(&mut random) > asked.unwrap_or(f64::INFINITY));
        }
        println!("| 10 min | {name} | {:.1} % |", 100.0 * sure as f64 / used as f64);
    }
}

fn main() {
    let cases: u64 = std::env::args().nth(1).and_then(|text| text.parse().ok()).unwrap_or(20_000);
    if std::env::args().nth(2).as_deref() == Some("seldom") {
        return seldom(cases);
    }
    println!(
        "| losses | a burst has | apart | sure though unrepaired | without grouping | longest \
         drive asked, median |\n|---|---|---|---|---|---|"
    );
    for (name, size, gap) in [
        ("steady", 1.0, 1.0),
        ("short bursts", 3.0, 2.0),
        ("bursts", 5.0, 8.0),
        ("long bursts", 15.0, 8.0),
        ("slow bursts", 5.0, 30.0),
        ("bursts as wide as their distance", 4.0, 80.0),
    ] {
        let mut random = ChaCha8Rng::seed_from_u64(77);
        let (mut sure, mut plain, mut used) = (0_u64, 0_u64, 0_u64);
        let mut asked = Vec::new();
        for _ in 0..cases {
            let watched = random.random_range(600.0..5400.0);
            let rate = 1.0 / random.random_range(150.0..900.0);
            let before = losses(&mut random, watched, rate, size, gap);
            if before.is_empty() {
                continue;
            }
            used += 1;
            // Nothing was repaired; driven until the tool says that it is sure, or the loss comes
            // again.
            let silent = |count: usize| {
                statistics::needed(count as u64, watched, 0.95).unwrap_or(f64::INFINITY)
            };
            let (grouped, _) = episodes::group(&before, watched);
            // The drive after begins at any moment, in a burst or between two.
            let settle = 2000.0;
            let after = losses(&mut random, settle + 60_000.0, rate, size, gap);
            let first =
                after.iter().find(|at| **at >= settle).map_or(f64::INFINITY, |at| at - settle);
            sure += u64::from(first > silent(grouped.len()));
            plain += u64::from(first > silent(before.len()));
            asked.push(silent(grouped.len()) / watched);
        }
        asked.sort_by(f64::total_cmp);
        println!(
            "| {name} | {size} | {gap} s | {:.1} % | {:.1} % | {:.2} of the time before |",
            100.0 * sure as f64 / used as f64,
            100.0 * plain as f64 / used as f64,
            asked[asked.len() / 2]
        );
    }
}
