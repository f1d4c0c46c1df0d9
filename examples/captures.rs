//! What is known of each capture and what the tool says of it: `cargo run --release --example
//! captures [SIMULATED]`. Prints the table of docs/outages.md: false losses per hour on sound
//! traffic, missed and misplaced ones on faulty traffic.

use std::fmt::Write;
use std::path::Path;

use lostnode::analysis::{Analysis, Scope};
use lostnode::capture::Source;
use lostnode::fold::timing::seconds;
use lostnode::simulate::{self, Scenario};
use rand::{RngExt, SeedableRng};
use rand_chacha::ChaCha8Rng;

/// Losses that are known of a real capture: start and length in seconds from its first frame, and a
/// word that names the sender.
type Known = &'static [(f64, f64, &'static str)];

/// Whether an outage is about the right sender.
type IsRight = Box<dyn Fn(&Analysis, usize) -> bool>;

/// From `../shared/data/SOURCE.md`.
const REAL: [(&str, &str, Known); 6] = [
    ("truck-steady", "nothing lost", &[]),
    ("truck-key-on", "nothing lost", &[]),
    ("car-steady", "nothing lost", &[]),
    ("car-key-cycle", "the bus slept, nothing lost", &[]),
    ("car-capture-pause", "the recording paused, nothing lost", &[]),
    (
        "truck-intermittent",
        "0x0B lost five times, 0x00 three times; the whole bus slept four times",
        KNOWN_LOSSES,
    ),
];
/// A length of nought is not told by the source.
const KNOWN_LOSSES: Known = &[
    (38.31, 101.46, "0x0B"),
    (150.27, 5.57, "0x0B"),
    (301.75, 3.47, "0x0B"),
    (488.22, 0.0, "0x0B"),
    (2664.18, 0.0, "0x0B"),
    (77.43, 62.39, "0x00"),
    (527.44, 0.0, "0x00"),
    (2702.76, 0.0, "0x00"),
];

fn analyse(source: Source) -> Option<Analysis> {
    let options = lostnode::Options { findings: None, ..lostnode::Options::default() };
    lostnode::analyse(source, &options).ok()
}

/// A bus of six nodes on two branches; with one to three troubles or none.
fn scenario(seed: u64, faulty: bool) -> String {
    let mut random = ChaCha8Rng::seed_from_u64(seed);
    let mut text = format!(
        "title = \"t\"\ninvented = true\nseed = {seed}\nstart = 1.79e9\nduration = 180.0\n\
         [[channel]]\nname = \"can0\"\nbit_rate = 500000\nstamp_noise = 0.00002\n"
    );
    for node in 0..6 {
        let (drift, jitter): (f64, f64) =
            (random.random_range(-150.0..150.0), random.random_range(0.0001..0.001));
        let _ = write!(
            text,
            "[[node]]\nname = \"n{node}\"\nchannel = \"can0\"\ndrift_ppm = {drift}\njitter = \
             {jitter}\nmessages = [\n"
        );
        for message in 0..random.random_range(2..6_usize) {
            let period = [0.01, 0.02, 0.05, 0.1, 0.2, 0.5][random.random_range(0..6_usize)];
            let id = 0x100 + node * 0x40 + message as u32 * 7;
            let _ = writeln!(text, "{{ id = \"{id:03X}\", period = {period} }},");
        }
        text += "]\n";
    }
    if faulty {
        for part in 0..random.random_range(1..4_u32) {
            let kind = if random.random_bool(0.5) { "power_loss" } else { "stub_open" };
            let at = 20.0 + 50.0 * f64::from(part) + random.random_range(0.0..20.0_f64);
            let (lasts, node): (f64, u32) =
                (random.random_range(2.0..15.0), random.random_range(0..6));
            let _ = write!(
                text,
                "[[trouble]]\nkind = \"{kind}\"\nnode = \"n{node}\"\nat = [{at}]\nlasts = \
                 [{lasts}]\n"
            );
        }
    }
    text
}

/// Losses found, missed, misplaced (wrong identifiers, or off by more than half a second), and
/// false.
#[derive(Default)]
struct Score {
    hours: f64,
    known: usize,
    missed: usize,
    misplaced: usize,
    other: usize,
}

impl Score {
    /// Each known loss as start, end and whether a loss of the analysis is about the right sender.
    fn add(&mut self, analysis: &Analysis, known: &[(f64, f64, IsRight)]) {
        let (begin, end) = analysis.span.unwrap_or_default();
        self.hours += seconds(end - begin) / 3600.0;
        self.known += known.len();
        let mut used = vec![false; analysis.outages.len()];
        for (start, stop, right) in known {
            let overlaps = |at: usize| {
                let outage = &analysis.outages[at];
                let (from, to) = (seconds(outage.start - begin), seconds(outage.end - begin));
                let off = if stop == start {
                    (from - start).abs()
                } else {
                    (from - start).abs().max((to - stop).abs())
                };
                (outage.is_loss() && from < *stop + 0.1 && to > *start).then_some(off)
            };
            let near: Vec<(usize, f64)> =
                (0..analysis.outages.len()).filter_map(|at| Some((at, overlaps(at)?))).collect();
            near.iter().for_each(|(at, _)| used[*at] = true);
            let good = near.iter().any(|(at, off)| *off < 1.0 && right(analysis, *at));
            self.missed += usize::from(near.is_empty());
            self.misplaced += usize::from(!near.is_empty() && !good);
        }
        self.other += analysis
            .outages
            .iter()
            .zip(used)
            .filter(|(outage, used)| outage.is_loss() && !used)
            .count();
    }

    fn row(&self, name: &str, what: &str) {
        println!(
            "| {name} | {what} | {:.2} | {} | {} | {} | {} |",
            self.hours, self.known, self.missed, self.misplaced, self.other
        );
    }
}

fn main() {
    let count: u64 = std::env::args().nth(1).and_then(|text| text.parse().ok()).unwrap_or(60);
    println!(
        "| capture | what is known | hours | losses | missed | misplaced | others |\n\
         |---|---|---|---|---|---|---|"
    );
    for (name, what, losses) in REAL {
        let path = Path::new("../shared/data").join(format!("{name}.log.gz"));
        let Some(analysis) = analyse(Source::Path(path)) else {
            println!("skipped: {name} is not there");
            continue;
        };
        let mut score = Score::default();
        let known: Vec<_> = losses
            .iter()
            .map(|(start, length, sender)| {
                let right = move |analysis: &Analysis, at: usize| {
                    analysis.outages[at]
                        .nodes
                        .iter()
                        .any(|node| analysis.nodes[*node].name.contains(sender))
                };
                (*start, start + length, Box::new(right) as IsRight)
            })
            .collect();
        score.add(&analysis, &known);
        score.row(name, what);
    }
    let (mut sound, mut faulty) = (Score::default(), Score::default());
    for seed in 0..count {
        for (bad, score) in [(false, &mut sound), (true, &mut faulty)] {
            let scenario = Scenario::parse(&scenario(70_000 + seed, bad)).expect("a scenario");
            let mut log = Vec::new();
            let truth = simulate::run(&scenario, &mut log).expect("memory");
            let Some(analysis) = analyse(Source::Bytes { name: "simulated".into(), bytes: log })
            else {
                continue;
            };
            let begin = analysis.span.map_or(0.0, |(begin, _)| seconds(begin));
            let known: Vec<_> = truth
                .events
                .iter()
                .map(|event| {
                    let ids: Vec<String> = truth
                        .nodes
                        .iter()
                        .filter(|node| event.nodes.contains(&node.name))
                        .flat_map(|node| node.ids.clone())
                        .collect();
                    let right = move |analysis: &Analysis, at: usize| {
                        let outage = &analysis.outages[at];
                        let found = outage.ids.iter().map(|id| {
                            lostnode::words::terms::id_label(analysis.identifiers[*id].id)
                        });
                        outage.scope != Scope::Bus
                            && !outage.ids.is_empty()
                            && found.into_iter().all(|id| ids.contains(&id))
                    };
                    (event.start - begin, event.end - begin, Box::new(right) as IsRight)
                })
                .collect();
            score.add(&analysis, &known);
        }
    }
    sound.row(&format!("{count} simulated, sound"), "six nodes, 180 s each, nothing lost");
    faulty.row(
        &format!("{count} simulated, faulty"),
        "one to three losses of one node, 2 to 15 s, by power or wiring",
    );
}
