//! Scores error frames as evidence of the place, against the truth: `cargo run --release --example
//! harness_errors [EACH [FIRST_SEED]]`. Prints the confusion tables of docs/wiring.md.

#[path = "common/harness.rs"]
#[allow(dead_code, reason = "the other example uses more of it")]
mod harness;

use harness::{Strike, Vehicle};
use lostnode::analysis::Analysis;
use lostnode::analysis::element::Manner;

const STRIKES: [Strike; 4] = [Strike::Stub, Strike::Point, Strike::Termination, Strike::Receiver];

/// The place that is named first: which of the kinds it is, in the order of `STRIKES`, and where.
fn named(vehicle: &Vehicle, analysis: &Analysis) -> Option<(usize, usize)> {
    let findings = analysis.findings.as_ref()?;
    let at = findings.wiring.ranked.first()?.0;
    let own = findings.ranked.iter().filter_map(|own| own.element.as_ref());
    let first = own.filter(|own| own.fits.first().is_some_and(|fit| fit.element == at));
    let spares = |strikes: &lostnode::analysis::element::Strikes| strikes.manner == Manner::AllBut;
    let spares = first.filter_map(|own| own.strikes.as_ref()).any(spares);
    let kind = match vehicle.elements[at].feeds.len() {
        0 => 2,
        1 if spares => 3,
        1 => 0,
        _ => 1,
    };
    Some((kind, at))
}

/// Without what the controller reports.
fn without_errors(log: &[u8]) -> Vec<u8> {
    let lines = log.split_inclusive(|byte| *byte == b'\n');
    let is_error = |line: &&[u8]| !line.windows(5).any(|part| part == b" 2000");
    lines.filter(is_error).flatten().copied().collect()
}

fn main() {
    let numbers: Vec<u64> = std::env::args().skip(1).filter_map(|text| text.parse().ok()).collect();
    let number = |at: usize, or: u64| numbers.get(at).copied().unwrap_or(or);
    let (each, first) = (number(0, 40), number(1, 400_000));
    let show = std::env::var_os("SHOW").is_some();
    let mut tables = [[[0_usize; 6]; 4]; 2];
    for (row, what) in STRIKES.into_iter().enumerate() {
        for seed in first..first + each {
            let mut vehicle = Vehicle::new(seed * 4 + row as u64);
            if !vehicle.strike(what) {
                continue;
            }
            let (log, roster) = vehicle.recorded();
            let wiring = vehicle.wiring();
            let captures = [log.clone(), without_errors(&log)];
            for (table, log) in tables.iter_mut().zip(&captures) {
                let analysis = Vehicle::analysed(log, &roster, Some(&wiring));
                let named = named(&vehicle, &analysis);
                table[row][named.map_or(4, |own| own.0)] += 1;
                let fault = &vehicle.faults[0];
                let right =
                    |own: (usize, usize)| own.0 == row && vehicle.is_alike(fault, own.1, true);
                table[row][5] += usize::from(named.is_some_and(right));
                if show && !named.is_some_and(right) {
                    let errors = analysis.channels[0].errors.len();
                    println!("seed {seed} {what:?} {fault:?} named {named:?}, {errors} errors");
                    for own in &analysis.outages {
                        println!("   lost {:?} {:?} {:.1} s", own.scope, own.nodes, own.duration());
                    }
                    for own in analysis.ranked() {
                        println!("   {} {:.2} {:?}", own.class, own.probability, own.element);
                    }
                }
            }
        }
    }
    for (table, title) in tables.iter().zip(["with error frames", "without"]) {
        println!("{title}\n");
        let places = ["one node", "a point of several", "termination", "receiver", "nothing"];
        println!("| what failed | {} | the very place |", places.join(" | "));
        println!("|---|---|---|---|---|---|---|");
        for (row, what) in table.iter().zip(STRIKES) {
            let cells: Vec<String> = row.iter().map(ToString::to_string).collect();
            println!("| {what:?} | {} |", cells.join(" | "));
        }
        println!();
    }
}
