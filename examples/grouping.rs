//! Scores grouping by clock against the truth: `cargo run --release --example grouping --
//! FACTS/node-clocks.tsv [SEEDS [SECONDS [WANDER]]]`. Prints the table of docs/roster.md. With a
//! capture of 29-bit traffic instead, scores against its source addresses.

use std::collections::BTreeMap;
use std::fmt::Write;
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

fn rates(summary: &Summary) -> Vec<(IdIndex, Rate)> {
    let ids = &summary.timing.ids;
    let periodic: Vec<IdIndex> =
        (0..ids.len()).map(IdIndex).filter(|at| ids[*at].rhythm().is_some()).collect();
    let own: Vec<_> = periodic.iter().map(|at| &ids[*at].clock).collect();
    periodic.iter().zip(timing::rates(&own)).filter_map(|(at, rate)| Some((*at, rate?))).collect()
}

/// Ours, and the published baseline: identifiers whose skew differs by less than 5 ppm are one
/// node.
fn groupings(summary: &Summary) -> [BTreeMap<String, usize>; 2] {
    let ids = &summary.timing.ids;
    let name = |at: IdIndex| DisplayId(ids[at].key.id).to_string();
    let rates = rates(summary);
    let grouping = clocks::group(&rates, |at| &ids[at].clock);
    let mut ours = BTreeMap::new();
    for (number, group) in grouping.groups.iter().enumerate() {
        ours.extend(group.members.iter().map(|at| (name(*at), number)));
    }
    let mut skews: Vec<(IdIndex, f64)> =
        rates.iter().filter_map(|(at, rate)| Some((*at, clocks::skew(rate.period)?))).collect();
    skews.sort_by(|a, b| a.1.total_cmp(&b.1));
    let (mut baseline, mut number, mut last) = (BTreeMap::new(), 0, f64::NEG_INFINITY);
    for (at, skew) in skews {
        number += usize::from(skew - last > 5e-6);
        last = skew;
        baseline.insert(name(at), number);
    }
    [ours, baseline]
}

fn scenario(
    vehicle: &str,
    rows: &[(String, String, f64, f64)],
    seed: u64,
    seconds: f64,
    wander: f64,
) -> (String, BTreeMap<String, String>) {
    let mut nodes: BTreeMap<&str, Vec<&(String, String, f64, f64)>> = BTreeMap::new();
    rows.iter().for_each(|row| nodes.entry(&row.0).or_default().push(row));
    let rate = if rows[0].1.len() == 8 { 250_000 } else { 500_000 };
    let mut text = format!(
        "title = \"{vehicle}\"\ninvented = true\nseed = {seed}\nstart = 1.79e9\nduration = \
         {seconds}\n[[channel]]\nname = \"can0\"\nbit_rate = {rate}\nstamp_noise = 0.00002\n"
    );
    let mut truth = BTreeMap::new();
    for (at, (node, list)) in nodes.iter().enumerate() {
        // One clock a node: the median of what was published for its identifiers.
        let mut ratios: Vec<f64> = list.iter().map(|row| row.3).collect();
        ratios.sort_by(f64::total_cmp);
        let clock = ratios[ratios.len() / 2];
        // Scatter of sending instants differs from node to node, 0.1 to 0.5 ms, as on the open
        // truck captures.
        let jitter = 0.0001 + 0.0001 * ((at as u64 + seed) % 5) as f64;
        let _ = write!(
            text,
            "[[node]]\nname = \"{node}\"\nchannel = \"can0\"\ndrift_ppm = {:.3}\njitter = \
             {jitter}\nwander = {wander}\nwander_period = {}\nmessages = [\n",
            (clock - 1.0) * 1e6,
            // Each node is warmed at its own pace.
            90.0 + 23.0 * at as f64
        );
        for row in list {
            // A ratio far from its node's is a period that is not the nominal one, on the same
            // clock.
            let own = row.3 / clock;
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

fn published(path: &Path, seeds: u64, seconds: f64, wander: f64) {
    let text = std::fs::read_to_string(path).expect("the table of clocks");
    let mut vehicles: BTreeMap<String, Vec<(String, String, f64, f64)>> = BTreeMap::new();
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
        "| network | identifiers | nodes | precision | recall | F1 | F1, skew alone at 5 ppm |\n\
         |---|---|---|---|---|---|---|"
    );
    let mut all = Vec::new();
    for (vehicle, rows) in &vehicles {
        let mut scores = Vec::new();
        for seed in 1..=seeds {
            let (text, truth) = scenario(vehicle, rows, seed, seconds, wander);
            let scenario = Scenario::parse(&text).expect("a scenario");
            let mut log = Vec::new();
            simulate::run(&scenario, &mut log).expect("memory");
            let summary = fold(Source::Bytes { name: vehicle.clone(), bytes: log });
            let [ours, baseline] = groupings(&summary);
            scores.push((Score::of(&ours, &truth), Score::of(&baseline, &truth)));
        }
        let mean = |pick: &dyn Fn(&(Score, Score)) -> f64| {
            scores.iter().map(pick).sum::<f64>() / scores.len() as f64
        };
        let nodes: std::collections::BTreeSet<&String> = rows.iter().map(|row| &row.0).collect();
        println!(
            "| {vehicle} | {} | {} | {:.4} | {:.4} | {:.4} | {:.4} |",
            rows.len(),
            nodes.len(),
            mean(&|s| s.0.precision()),
            mean(&|s| s.0.recall()),
            mean(&|s| s.0.f1()),
            mean(&|s| s.1.f1())
        );
        all.extend(scores);
    }
    let mean = |pick: &dyn Fn(&(Score, Score)) -> f64| {
        all.iter().map(pick).sum::<f64>() / all.len() as f64
    };
    println!(
        "| all, {seeds} seeds of {seconds} s | | | {:.4} | {:.4} | {:.4} | {:.4} |",
        mean(&|s| s.0.precision()),
        mean(&|s| s.0.recall()),
        mean(&|s| s.0.f1()),
        mean(&|s| s.1.f1())
    );
}

fn addresses(path: PathBuf) {
    let summary = fold(Source::Path(path.clone()));
    let mut truth = BTreeMap::new();
    for id in summary.timing.ids.iter().filter(|id| id.rhythm().is_some()) {
        if let Id::Extended(extended) = id.key.id {
            truth.insert(
                DisplayId(id.key.id).to_string(),
                format!("{:02X}", extended.as_raw() as u8),
            );
        }
    }
    let [ours, baseline] = groupings(&summary);
    let (own, base) = (Score::of(&ours, &truth), Score::of(&baseline, &truth));
    println!(
        "| {} | {} placed of {} | {:.3} | {:.3} | {:.3} | {:.3} |",
        path.display(),
        ours.len(),
        truth.len(),
        own.precision(),
        own.recall(),
        own.f1(),
        base.f1()
    );
    if std::env::var_os("SHOW").is_some() {
        for (at, rate) in rates(&summary) {
            {
                let skew = clocks::skew(rate.period).unwrap_or(f64::NAN) * 1e6;
                println!(
                    "{} {:.6} {skew:+.2} ± {:.2} ppm {:?}",
                    DisplayId(summary.timing.ids[at].key.id),
                    rate.period,
                    rate.error * 1e6,
                    ours.get(&DisplayId(summary.timing.ids[at].key.id).to_string())
                );
            }
        }
    }
}

fn main() {
    let arguments: Vec<String> = std::env::args().skip(1).collect();
    let path = PathBuf::from(arguments.first().expect("a table of clocks, or a capture"));
    if path.extension().is_some_and(|extension| extension == "tsv") {
        let number = |at: usize, default: f64| {
            arguments.get(at).and_then(|text| text.parse().ok()).unwrap_or(default)
        };
        published(&path, number(1, 10.0) as u64, number(2, 600.0), number(3, 0.0));
    } else {
        addresses(path);
    }
}
