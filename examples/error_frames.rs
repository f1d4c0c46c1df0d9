//! Scores the frames that errors are said to have destroyed against the truth: `cargo run --release
//! --example error_frames [SEEDS]`. Prints the table of docs/outages.md, "Error frames".

#[path = "../tests/common/wire.rs"]
mod wire;

use lostnode::capture::Source;
use lostnode_parsers::Id;
use wire::Setup;

/// Errors, of which so many are named, so many rightly.
#[derive(Default)]
struct Count {
    errors: u32,
    named: u32,
    right: u32,
}

/// Errors behind the arbitration and in it.
#[derive(Default)]
struct Score {
    behind: Count,
    within: Count,
}

fn score(setup: &Setup, score: &mut Score) {
    let (log, truth) = wire::run(setup);
    let source = Source::Bytes { name: "wire".into(), bytes: log.into_bytes() };
    let options = lostnode::Options { findings: None, ..lostnode::Options::default() };
    let analysis = lostnode::analyse(source, &options).expect("a capture");
    let errors = &analysis.channels[0].errors;
    assert_eq!(errors.len(), truth.len());
    for (event, truth) in errors.iter().zip(&truth) {
        let named = event.destroyed.map(|id| match analysis.identifiers[id].id {
            Id::Standard(id) => u32::from(id.as_raw()),
            Id::Extended(id) => id.as_raw(),
        });
        let count = if truth.behind_arbitration { &mut score.behind } else { &mut score.within };
        count.errors += 1;
        count.named += u32::from(named.is_some());
        count.right += u32::from(named == Some(truth.id));
    }
}

fn main() {
    let seeds: u64 = std::env::args().nth(1).and_then(|text| text.parse().ok()).unwrap_or(9);
    println!(
        "| load | place of the error | errors behind arbitration | named | of these right | errors \
         in arbitration | named | of these right |"
    );
    println!("|---|---|---|---|---|---|---|---|");
    for located in [true, false] {
        for load in [10, 20, 40, 60] {
            let mut sum = Score::default();
            for seed in 0..seeds {
                let bit_rate = [125e3, 250e3, 500e3][seed as usize % 3];
                let load = f64::from(load) / 100.0;
                let noise = [2e-6, 20e-6, 60e-6][seed as usize / 3 % 3];
                let setup = Setup { seed, seconds: 60.0, bit_rate, load, located, noise };
                score(&setup, &mut sum);
            }
            let place = if located { "told" } else { "not told" };
            println!("| {load} % | {place} | {} | {} |", row(&sum.behind), row(&sum.within));
        }
    }
}

fn row(count: &Count) -> String {
    let share = |part: u32, of: u32| match of {
        0 => "-".to_owned(),
        of => format!("{:.1} %", 100.0 * f64::from(part) / f64::from(of)),
    };
    let (named, right) = (share(count.named, count.errors), share(count.right, count.named));
    format!("{} | {named} | {right}", count.errors)
}
