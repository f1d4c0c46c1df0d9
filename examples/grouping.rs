//! Scores grouping by clock against the truth: `cargo run --release --example grouping --
//! FACTS/node-clocks.tsv [SEEDS [SECONDS [WANDER]]]`. Prints the table of docs/roster.md; with
//! `FACTS/node-clocks.tsv drawn FIRST_SEED LAST_SEED` that of clocks drawn anew. With captures of
//! 29-bit traffic instead, scores each channel against its source addresses.

use std::collections::BTreeMap;
use std::fmt::Write;
use std::ops::RangeInclusive;
use std::path::{Path, PathBuf};

use lostnode::capture::{self, Source};
use lostnode::fold::Summary;
use lostnode::fold::timing::{self, Rate};
use lostnode::ids::IdIndex;
use lostnode::network::clocks;
use lostnode::simulate::{self, Scenario};
use lostnode_parsers::Id;
use lostnode_parsers::frame::DisplayId;

/// Pairs put together rightly, wrongly, and missed.
#[derive(Clone, Copy, Default)]
struct Score {
    right: f64,
    wrong: f64,
    missed: f64,
}

impl Score {
    fn of(found: &BTreeMap<String, usize>, truth: &BTreeMap<String, String>) -> Score {
        let names: Vec<&String> = truth.keys().collect();
        let mut score = Score::default();
        for (at, a) in names.iter().enumerate() {
            for b in &names[at + 1..] {
                let same = truth[*a] == truth[*b];
                let put = matches!((found.get(*a), found.get(*b)), (Some(a), Some(b)) if a == b);
                match (same, put) {
                    (true, true) => score.right += 1.0,
                    (false, true) => score.wrong += 1.0,
                    (true, false) => score.missed += 1.0,
                    (false, false) => {}
                }
            }
        }
        score
    }

    fn precision(&self) -> f64 {
        if self.right + self.wrong > 0.0 { self.right / (self.right + self.wrong) } else { 1.0 }
    }

    fn recall(&self) -> f64 {
        self.right / (self.right + self.missed).max(1.0)
    }

    fn f1(&self) -> f64 {
        2.0 * self.right / (2.0 * self.right + self.wrong + self.missed).max(1.0)
    }
}

fn rates(summary: &Summary, channel: usize) -> Vec<(IdIndex, Rate)> {
    let ids = &summary.timing.ids;
    let periodic: Vec<IdIndex> = (0..ids.len())
        .map(IdIndex)
        .filter(|at| usize::from(ids[*at].key.channel) == channel && ids[*at].rhythm().is_some())
        .collect();
    let own: Vec<_> = periodic.iter().map(|at| &ids[*at].clock).collect();
    periodic.iter().zip(timing::rates(&own)).filter_map(|(at, rate)| Some((*at, rate?))).collect()
}

/// Ours, ours by rates alone, and the published baseline: identifiers whose skew differs by less
/// than 5 ppm are one node.
fn groupings(summary: &Summary, channel: usize) -> [BTreeMap<String, usize>; 3] {
    let ids = &summary.timing.ids;
    let name = |at: IdIndex| DisplayId(ids[at].key.id).to_string();
    let rates = rates(summary, channel);
    let numbered = |grouping: clocks::Grouping| {
        let groups = grouping.groups.into_iter().enumerate();
        groups.flat_map(|(number, group)| group.members.into_iter().map(move |at| (at, number)))
    };
    let named = |grouping| numbered(grouping).map(|(at, number)| (name(at), number)).collect();
    let ours = named(clocks::group(&rates, |at| &ids[at]));
    let by_rates = named(clocks::by_rates(&rates, |at| &ids[at].clock));
    let mut skews: Vec<(IdIndex, f64)> =
        rates.iter().filter_map(|(at, rate)| Some((*at, clocks::skew(rate.period)?))).collect();
    skews.sort_by(|a, b| a.1.total_cmp(&b.1));
    let (mut baseline, mut number, mut last) = (BTreeMap::new(), 0, f64::NEG_INFINITY);
    for (at, skew) in skews {
        number += usize::from(skew - last > 5e-6);
        last = skew;
        baseline.insert(name(at), number);
    }
    [ours, by_rates, baseline]
}

/// What is not published of a network.
#[derive(Clone, Copy)]
enum Clocks {
    /// As published, wandering by so many seconds.
    Published(f64),
    /// Every node's skew drawn anew within 100 ppm, two pairs of nodes within 2 ppm.
    Drawn,
}

/// Numbers from 0 to 1, the same for the same seed (SplitMix64).
struct Draw(u64);

impl Draw {
    fn next(&mut self) -> f64 {
        self.0 = self.0.wrapping_add(0x9E37_79B9_7F4A_7C15);
        let mut bits = self.0;
        bits = (bits ^ (bits >> 30)).wrapping_mul(0xBF58_476D_1CE4_E5B9);
        bits = (bits ^ (bits >> 27)).wrapping_mul(0x94D0_49BB_1331_11EB);
        ((bits ^ (bits >> 31)) >> 11) as f64 / (1_u64 << 53) as f64
    }

    fn between(&mut self, least: f64, most: f64) -> f64 {
        least + (most - least) * self.next()
    }
}

/// Drift in parts in a million, scatter and wander in seconds, and the period of the latter.
struct NodeClock {
    drift: f64,
    jitter: f64,
    wander: f64,
    wander_period: f64,
}

fn drawn(nodes: usize, seed: u64, vehicle: &str) -> Vec<NodeClock> {
    let mut draw = Draw(seed ^ vehicle.bytes().fold(0, |sum, byte| sum * 131 + u64::from(byte)));
    // The same for all nodes of a network: a car that stands, one that warms up.
    let wander = [0.0, 0.002, 0.0005, 0.0001, 0.001][(seed % 5) as usize];
    let mut clocks: Vec<NodeClock> = (0..nodes)
        .map(|_| NodeClock {
            drift: draw.between(-100.0, 100.0),
            jitter: draw.between(20e-6_f64.ln(), 300e-6_f64.ln()).exp(),
            wander: wander * draw.between(0.5, 1.0),
            wander_period: draw.between(80.0, 300.0),
        })
        .collect();
    for at in [0, if nodes > 3 { 2 } else { 1 }] {
        clocks[at + 1].drift = clocks[at].drift + draw.between(-2.0, 2.0);
    }
    clocks
}

fn published_clock(at: usize, ratio: f64, seed: u64, wander: f64) -> NodeClock {
    NodeClock {
        drift: (ratio - 1.0) * 1e6,
        // Scatter of sending instants differs from node to node, 0.1 to 0.5 ms, as on the open
        // truck captures.
        jitter: 0.0001 + 0.0001 * ((at as u64 + seed) % 5) as f64,
        wander,
        // Each node is warmed at its own pace.
        wander_period: 90.0 + 23.0 * at as f64,
    }
}

type Row = (String, String, f64, f64);

fn scenario(
    vehicle: &str,
    rows: &[Row],
    seed: u64,
    seconds: f64,
    clocks: Clocks,
) -> (String, BTreeMap<String, String>) {
    let mut nodes: BTreeMap<&str, Vec<&Row>> = BTreeMap::new();
    rows.iter().for_each(|row| nodes.entry(&row.0).or_default().push(row));
    let rate = if rows[0].1.len() == 8 { 250_000 } else { 500_000 };
    let mut text = format!(
        "title = \"{vehicle}\"\ninvented = true\nseed = {seed}\nstart = 1.79e9\nduration = \
         {seconds}\n[[channel]]\nname = \"can0\"\nbit_rate = {rate}\nstamp_noise = 0.00002\n"
    );
    let mut truth = BTreeMap::new();
    let drawn = drawn(nodes.len(), seed, vehicle);
    for ((at, (node, list)), drawn) in nodes.iter().enumerate().zip(drawn) {
        // One clock a node: the median of what was published for its identifiers.
        let mut ratios: Vec<f64> = list.iter().map(|row| row.3).collect();
        ratios.sort_by(f64::total_cmp);
        let ratio = ratios[ratios.len() / 2];
        let NodeClock { drift, jitter, wander, wander_period } = match clocks {
            Clocks::Published(wander) => published_clock(at, ratio, seed, wander),
            Clocks::Drawn => drawn,
        };
        let _ = write!(
            text,
            "[[node]]\nname = \"{node}\"\nchannel = \"can0\"\ndrift_ppm = {drift:.3}\njitter = \
             {jitter}\nwander = {wander}\nwander_period = {wander_period}\nmessages = [\n"
        );
        for row in list {
            // A ratio far from its node's is a period that is not the nominal one, on the same
            // clock.
            let own = row.3 / ratio;
            let period = row.2 / 1e3 * if (own - 1.0).abs() > 50e-6 { own } else { 1.0 };
            let _ = writeln!(text, "{{ id = \"{}\", period = {period:.9} }},", row.1);
            truth.insert(row.1.clone(), (*node).to_owned());
        }
        text += "]\n";
    }
    (text, truth)
}

fn fold(source: Source) -> Summary {
    let options = lostnode::Options { findings: None, ..lostnode::Options::default() };
    let mut analyser = lostnode::Analyser::new(&options);
    capture::read(source, &options.reading, |batch| analyser.push(batch)).expect("a capture");
    analyser.into_summary()
}

fn published(path: &Path, seeds: RangeInclusive<u64>, seconds: f64, clocks: Clocks) {
    let text = std::fs::read_to_string(path).expect("the table of clocks");
    let mut vehicles: BTreeMap<String, Vec<Row>> = BTreeMap::new();
    for line in text.lines().filter(|line| !line.starts_with('#')).skip(1) {
        let f: Vec<&str> = line.split('\t').collect();
        let row = (
            f[1].to_owned(),
            f[2].to_owned(),
            f[3].parse().expect("a period"),
            f[4].parse().expect("a ratio"),
        );
        vehicles.entry(f[0].to_owned()).or_default().push(row);
    }
    println!(
        "| network | identifiers | nodes | precision | recall | F1 | by rates alone | skew alone \
         at 5 ppm |\n|---|---|---|---|---|---|---|---|"
    );
    let mut all = Vec::new();
    for (vehicle, rows) in &vehicles {
        let score = |seed| {
            let (text, truth) = scenario(vehicle, rows, seed, seconds, clocks);
            let scenario = Scenario::parse(&text).expect("a scenario");
            let mut log = Vec::new();
            simulate::run(&scenario, &mut log).expect("memory");
            let summary = fold(Source::Bytes { name: vehicle.clone(), bytes: log });
            groupings(&summary, 0).map(|found| Score::of(&found, &truth))
        };
        let scores: Vec<[Score; 3]> = seeds.clone().map(score).collect();
        let nodes: std::collections::BTreeSet<&String> = rows.iter().map(|row| &row.0).collect();
        println!("| {vehicle} | {} | {} | {}", rows.len(), nodes.len(), mean(&scores));
        all.extend(scores);
    }
    println!("| all, seeds {seeds:?}, {seconds} s | | | {}", mean(&all));
}

/// Means of what was found on several captures, as the end of a line of the table.
fn mean(scores: &[[Score; 3]]) -> String {
    let mean =
        |pick: fn(&[Score; 3]) -> f64| scores.iter().map(pick).sum::<f64>() / scores.len() as f64;
    format!(
        "{:.4} | {:.4} | {:.4} | {:.4} {:.4} {:.4} | {:.4} |",
        mean(|s| s[0].precision()),
        mean(|s| s[0].recall()),
        mean(|s| s[0].f1()),
        mean(|s| s[1].precision()),
        mean(|s| s[1].recall()),
        mean(|s| s[1].f1()),
        mean(|s| s[2].f1())
    )
}

fn addresses(path: &Path) -> Vec<[Score; 3]> {
    let summary = fold(Source::Path(path.to_owned()));
    (0..summary.timing.channels.len())
        .filter_map(|channel| {
            let mut truth = BTreeMap::new();
            for id in &summary.timing.ids {
                if usize::from(id.key.channel) == channel
                    && id.rhythm().is_some()
                    && let Id::Extended(extended) = id.key.id
                {
                    truth.insert(
                        DisplayId(id.key.id).to_string(),
                        format!("{:02X}", extended.as_raw() as u8),
                    );
                }
            }
            if truth.len() < 2 {
                return None;
            }
            let found = groupings(&summary, channel);
            let scores = [0, 1, 2].map(|at| Score::of(&found[at], &truth));
            println!(
                "| {}, channel {channel} | {} placed of {} | {}",
                path.display(),
                found[0].len(),
                truth.len(),
                mean(&[scores])
            );
            Some(scores)
        })
        .collect()
}

fn main() {
    let arguments: Vec<String> = std::env::args().skip(1).collect();
    let path = PathBuf::from(arguments.first().expect("a table of clocks, or a capture"));
    let number = |at: usize, default: f64| {
        arguments.get(at).and_then(|text| text.parse().ok()).unwrap_or(default)
    };
    if path.extension().is_none_or(|extension| extension != "tsv") {
        let paths = arguments.iter().map(Path::new);
        let scores: Vec<[Score; 3]> = paths.flat_map(addresses).collect();
        println!("| all | | {}", mean(&scores));
    } else if arguments.get(1).is_some_and(|word| word == "drawn") {
        let (first, last) = (number(2, 1.0) as u64, number(3, 10.0) as u64);
        published(&path, first..=last, 600.0, Clocks::Drawn);
    } else {
        let seeds = 1..=number(1, 10.0) as u64;
        published(&path, seeds, number(2, 600.0), Clocks::Published(number(3, 0.0)));
    }
}
