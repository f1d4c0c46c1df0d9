//! Scores the cause of outages against the truth: `cargo run --release --example wiring_or_power
//! [OUTAGES]`. Prints the table of docs/roster.md.

use std::fmt::Write;

use lostnode::analysis::{Cause, Scope};
use lostnode::capture::Source;
use lostnode::simulate::{self, Scenario};
use rand::{RngExt, SeedableRng};
use rand_chacha::ChaCha8Rng;

/// A bus of five nodes, one of which is lost once, by power or by wiring.
fn scenario(seed: u64, power: bool) -> String {
    let mut random = ChaCha8Rng::seed_from_u64(seed);
    let mut text = format!(
        "title = \"t\"\ninvented = true\nseed = {seed}\nstart = 1.79e9\nduration = 60.0\n\
         [[channel]]\nname = \"can0\"\nbit_rate = 500000\nstamp_noise = 0.00002\n"
    );
    for node in 0..5 {
        let (drift, jitter): (f64, f64) =
            (random.random_range(-150.0..150.0), random.random_range(0.0001..0.0005));
        let boot: f64 = random.random_range(0.1..0.8);
        let _ = write!(
            text,
            "[[node]]\nname = \"n{node}\"\nchannel = \"can0\"\ndrift_ppm = {drift}\njitter = \
             {jitter}\nboot = {boot}\nmessages = [\n"
        );
        for message in 0..random.random_range(2..5_usize) {
            let period = [0.01, 0.02, 0.05, 0.1, 0.2][random.random_range(0..5_usize)];
            let id = 0x100 + node * 0x40 + message as u32 * 7;
            // The first message of a node always counts, each further one by chance; widths of 2 to
            // 8 bits.
            let counter = match message == 0 || random.random_bool(0.4) {
                true => format!(
                    ", counter = {{ byte = {}, width = {} }}",
                    random.random_range(0..8),
                    random.random_range(2..=8)
                ),
                false => String::new(),
            };
            let _ = writeln!(text, "{{ id = \"{id:03X}\", period = {period}{counter} }},");
        }
        text += "]\n";
    }
    let kind = if power { "power_loss" } else { "stub_open" };
    let (at, lasts): (f64, f64) = (random.random_range(25.0..35.0), random.random_range(1.2..12.0));
    let node = random.random_range(0..5);
    let _ = write!(
        text,
        "[[trouble]]\nkind = \"{kind}\"\nnode = \"n{node}\"\nat = [{at}]\nlasts = [{lasts}]\n"
    );
    text
}

fn main() {
    let outages: u64 = std::env::args().nth(1).and_then(|text| text.parse().ok()).unwrap_or(200);
    let options = lostnode::Options { findings: None, ..lostnode::Options::default() };
    // Rows: power, wiring. Columns: said power, said wiring, unclear, not found as one node.
    let mut table = [[0_u32; 4]; 2];
    for seed in 0..outages {
        let power = seed % 2 == 0;
        let scenario = Scenario::parse(&scenario(1000 + seed, power)).expect("a scenario");
        let mut log = Vec::new();
        simulate::run(&scenario, &mut log).expect("memory");
        let source = Source::Bytes { name: "t".into(), bytes: log };
        let analysis = lostnode::analyse(source, &options).expect("a capture");
        let found = analysis
            .outages
            .iter()
            .find(|outage| matches!(outage.scope, Scope::Node | Scope::Branch));
        let column = match found.map(|outage| outage.cause) {
            Some(Cause::LostPower) => 0,
            Some(Cause::OpenCircuit) => 1,
            Some(_) => 2,
            None => 3,
        };
        if std::env::var_os("SHOW").is_some() && column != usize::from(!power) {
            println!("seed {seed} power {power}: {:#?}", analysis.outages);
        }
        table[usize::from(!power)][column] += 1;
    }
    println!(
        "| truth | said power | said wiring | not clear | not found as a node |\n\
         |---|---|---|---|---|"
    );
    for (row, name) in table.iter().zip(["power", "wiring"]) {
        println!("| {name} | {} | {} | {} | {} |", row[0], row[1], row[2], row[3]);
    }
    let right = f64::from(table[0][0] + table[1][1]);
    let answered = f64::from(table[0][0] + table[0][1] + table[1][0] + table[1][1]);
    println!(
        "right where answered: {:.1} %; unanswered: {:.1} %",
        100.0 * right / answered,
        100.0 * (1.0 - answered / outages as f64)
    );
}
