//! What is known of each capture and what the tool says of it: `cargo run --release --example
//! captures [SIMULATED]`. Prints the table of docs/outages.md: false losses per hour on sound
//! traffic, missed and misplaced ones on faulty traffic.

mod common;

use std::fmt::Write;
use std::path::Path;

use common::Life;
use lostnode::analysis::verdict::Verdict;
use lostnode::analysis::{Analysis, Evidence, Scope};
use lostnode::capture::Source;
use lostnode::fold::timing::seconds;
use lostnode::simulate::{self, Scenario, What};
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
    ("truck-intermittent", "key-offs, as engine speed and voltage show", &[]),
];
fn analyse(source: Source) -> Option<Analysis> {
    let options = lostnode::Options { findings: None, ..lostnode::Options::default() };
    lostnode::analyse(source, &options).ok()
}

/// What a simulated capture holds.
struct Kind {
    name: &'static str,
    what: &'static str,
    seconds: std::ops::Range<f64>,
    key: bool,
    recorder: Option<&'static str>,
    loss: When,
}

/// When a node is lost.
#[derive(Clone, Copy, PartialEq)]
enum When {
    Never,
    /// One to three times, for 2 to 15 s, well away from the key.
    Driving,
    /// Once in a short capture, for 2 to 4 s.
    Once,
    /// Once, up to 5 s before the key is turned off, and back with the others.
    BeforeKeyOff,
}

const LONG: std::ops::Range<f64> = 180.0..181.0;
const SHORT: std::ops::Range<f64> = 5.0..20.0;
const NODES: usize = 6;

/// The simulated rows of the table.
const SIMULATED: [Kind; 10] = [
    kind("sound, driving", "nothing lost, 180 s", LONG, false, None, When::Never),
    kind("sound, key off and on", "parked for 8 to 16 s", LONG, true, None, When::Never),
    kind("sound, short", "5 to 20 s", SHORT, false, None, When::Never),
    kind(
        "sound, the recorder pauses",
        "0.8 s in each 25 s",
        LONG,
        false,
        Some("pauses = { every = 25.0, lasts = 0.8 }"),
        When::Never,
    ),
    kind(
        "sound, thinned by a tick",
        "three frames each 20.5 ms",
        LONG,
        false,
        Some("thin = { keep = 3, tick = 0.0205 }"),
        When::Never,
    ),
    kind(
        "sound, thinned at random",
        "half of the frames",
        LONG,
        false,
        Some("thin = { share = 0.5 }"),
        When::Never,
    ),
    kind("lost while driving", "one to three times, 2 to 15 s", LONG, false, None, When::Driving),
    kind(
        "lost while driving, and a key-off",
        "the loss 10 s or more from the key",
        LONG,
        true,
        None,
        When::Driving,
    ),
    kind("lost, short", "2 to 4 s of 10 to 20 s", 10.0..20.0, false, None, When::Once),
    kind(
        "lost just before the key-off",
        "up to 5 s before it, back with the others",
        LONG,
        true,
        None,
        When::BeforeKeyOff,
    ),
];

const fn kind(
    name: &'static str,
    what: &'static str,
    seconds: std::ops::Range<f64>,
    key: bool,
    recorder: Option<&'static str>,
    loss: When,
) -> Kind {
    Kind { name, what, seconds, key, recorder, loss }
}

/// A bus of six nodes, with the habits of vehicles and the losses of its kind.
fn scenario(seed: u64, kind: &Kind) -> String {
    let mut random = ChaCha8Rng::seed_from_u64(seed);
    let duration = random.random_range(kind.seconds.clone());
    let mut life = Life::new(seed, duration);
    if kind.key {
        life.turn_key(50.0..70.0);
    }
    if let Some(recorder) = kind.recorder {
        life.record(recorder);
    }
    let mut text = format!(
        "title = \"t\"\ninvented = true\nseed = {seed}\nstart = 1.79e9\nduration = \
         {duration}\n[[channel]]\nname = \"can0\"\nbit_rate = 500000\nstamp_noise = 0.00002\n{}",
        life.heading()
    );
    for node in 0..NODES {
        let drift: f64 = random.random_range(-150.0..150.0);
        let (jitter, boot): (f64, f64) =
            (random.random_range(0.0001..0.001), random.random_range(0.1..0.8));
        let _ = write!(
            text,
            "[[node]]\nname = \"n{node}\"\nchannel = \"can0\"\ndrift_ppm = {drift}\njitter = \
             {jitter}\nboot = {boot}\n{}messages = [\n",
            life.of_node(node, NODES)
        );
        for message in 0..random.random_range(2..6_usize) {
            let period = [0.01, 0.02, 0.05, 0.1, 0.2, 0.5][random.random_range(0..6_usize)];
            let id = 0x100 + node * 0x40 + message * 7;
            let sent = life.of_message(id, period, message == 0);
            let _ = writeln!(text, "{{ id = \"{id:03X}\", {sent} }},");
        }
        text += "]\n";
    }
    let off = life.key.map_or(0.0, |key| key.off);
    let times: Vec<(f64, f64)> = match kind.loss {
        When::Never => Vec::new(),
        // With a key the first third of the capture is left to it, and the next to its return.
        When::Driving if kind.key => vec![(random.random_range(10.0..30.0), 8.0), (125.0, 9.0)],
        When::Driving => (0..random.random_range(1..4_u32))
            .map(|part| {
                let at = 20.0 + 50.0 * f64::from(part) + random.random_range(0.0..20.0_f64);
                (at, random.random_range(2.0..15.0))
            })
            .collect(),
        When::Once => {
            let lasts = random.random_range(2.0..4.0);
            vec![(random.random_range(3.0..duration - lasts - 2.0), lasts)]
        }
        When::BeforeKeyOff => vec![(off - random.random_range(0.5..5.0), 3.0)],
    };
    for (at, lasts) in times {
        let kind = if random.random_bool(0.5) { "power_loss" } else { "stub_open" };
        let node = random.random_range(0..NODES);
        let _ = write!(
            text,
            "[[trouble]]\nkind = \"{kind}\"\nnode = \"n{node}\"\nat = [{at:?}]\nlasts = \
             [{lasts:?}]\n"
        );
    }
    text + &life.ending()
}

/// Losses found, missed, misplaced (wrong identifiers, or off by more than a second), and false;
/// and how often a report ended with each exit code.
#[derive(Default)]
struct Score {
    hours: f64,
    codes: [usize; 3],
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
        self.codes[match analysis.verdict() {
            Verdict::NothingLost => 0,
            Verdict::SomethingLost => 1,
            Verdict::CannotTell => 2,
        }] += 1;
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
            "| {name} | {what} | {:.2} | {} | {} | {} | {} | {} / {} / {} |",
            self.hours,
            self.known,
            self.missed,
            self.misplaced,
            self.other,
            self.codes[0],
            self.codes[1],
            self.codes[2]
        );
    }
}

fn main() {
    let count: u64 = std::env::args().nth(1).and_then(|text| text.parse().ok()).unwrap_or(60);
    println!(
        "| capture | what is known | hours | losses | missed | misplaced | others | \
         exit 0 / 1 / 3 |\n\
         |---|---|---|---|---|---|---|---|"
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
    for (at, kind) in SIMULATED.iter().enumerate() {
        let mut score = Score::default();
        for number in 0..count {
            simulated(70_000 + 1_000 * at as u64 + number, kind, &mut score);
        }
        score.row(&format!("{count} simulated: {}", kind.name), kind.what);
    }
}

/// Adds one simulated capture to a score.
fn simulated(seed: u64, kind: &Kind, score: &mut Score) {
    let text = scenario(seed, kind);
    let scenario = Scenario::parse(&text).unwrap_or_else(|error| panic!("{error}\n{text}"));
    let mut log = Vec::new();
    let truth = simulate::run(&scenario, &mut log).expect("memory");
    let Some(analysis) = analyse(Source::Bytes { name: "simulated".into(), bytes: log }) else {
        return;
    };
    let begin = analysis.span.map_or(0.0, |(begin, _)| seconds(begin));
    let losses = truth.silences.iter().filter(|silence| silence.what == What::Loss);
    let known: Vec<_> = losses
        .map(|loss| {
            let ids = loss.ids.clone();
            let right = move |analysis: &Analysis, at: usize| {
                let outage = &analysis.outages[at];
                let found = outage
                    .ids
                    .iter()
                    .map(|id| lostnode::words::terms::id_label(analysis.identifiers[*id].id));
                outage.scope != Scope::Bus
                    && !outage.ids.is_empty()
                    && found.into_iter().all(|id| ids.contains(&id))
            };
            (loss.start - begin, loss.end - begin, Box::new(right) as IsRight)
        })
        .collect();
    let before = (score.missed, score.misplaced, score.other);
    score.add(&analysis, &known);
    if std::env::var_os("SHOW").is_some() && before != (score.missed, score.misplaced, score.other)
    {
        println!("seed {seed}, {}", kind.name);
        for outage in &analysis.outages {
            let ids = outage.ids.iter().map(|id| analysis.identifiers[*id].id);
            let ids: Vec<String> = ids.map(lostnode::words::terms::id_label).collect();
            let why = outage.evidence.iter().find(|own| matches!(own, Evidence::Why(_)));
            println!(
                "  {:8.3} to {:8.3} {:?} {:?} {}{:?} {} {why:?}",
                seconds(outage.start) - 1.79e9,
                seconds(outage.end) - 1.79e9,
                outage.scope,
                outage.cause,
                if outage.is_loss() { "LOSS " } else { "" },
                outage.doubt,
                ids.join(" ")
            );
        }
        std::fs::write(format!("{seed}.toml"), text).expect("a file");
    }
}
