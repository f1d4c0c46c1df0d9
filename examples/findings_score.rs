//! Scores the findings against the truth: `cargo run --release --example findings_score [SINGLE
//! [DOUBLE [FIRST_SEED]]]`. Prints the tables of docs/evaluation.md.

mod common;

use std::collections::BTreeMap;
use std::fmt::Write;
use std::sync::Arc;

use common::{Key, Life};

use lostnode::analysis::Analysis;
use lostnode::analysis::finding::Finding;
use lostnode::capture::Source;
use lostnode::fault::{self, Choice, Knowledge};
use lostnode::simulate::{self, Scenario};
use lostnode::words::fault as words;
use lostnode::{Explaining, Options};
use rand::seq::SliceRandom;
use rand::{RngExt, SeedableRng};
use rand_chacha::ChaCha8Rng;

const CLASSES: [&str; 12] = [
    "module_power",
    "module_connector",
    "module_dead",
    "branch",
    "shared_supply",
    "gateway",
    "line",
    "not_configured",
    "stale_codes",
    "overload",
    "sleep",
    "logger",
];
/// Pairs of faults are drawn from these: the others hide each other, or are none.
const PAIRED: [&str; 8] = [
    "module_power",
    "module_connector",
    "module_dead",
    "branch",
    "shared_supply",
    "gateway",
    "not_configured",
    "stale_codes",
];

/// Codes with the module that they miss, by node.
const MISSES: [&str; 8] = ["C100", "C101", "C121", "C131", "C140", "C155", "C199", "C164"];
const NODES: usize = 8;

/// A vehicle in the making.
struct Case {
    random: ChaCha8Rng,
    life: Life,
    duration: f64,
    troubles: String,
    extra: String,
    /// Records of 0x19 02 by module: 3 bytes of code, status.
    codes: [Vec<String>; 5],
    vin: [&'static str; 5],
    mute: [bool; 5],
    /// Fault, and identifiers or module that it is about.
    truth: Vec<(&'static str, Vec<String>)>,
    free: Vec<usize>,
}

const VIN: &str = "XXTESTXXA0N000001";

impl Case {
    fn new(seed: u64) -> Case {
        let mut random = ChaCha8Rng::seed_from_u64(seed);
        let mut free: Vec<usize> = (0..6).collect();
        free.shuffle(&mut random);
        let mut life = Life::new(seed, 200.0);
        // Every second vehicle is parked for a moment before the fault comes.
        if seed.is_multiple_of(2) {
            life.turn_key(8.0..20.0);
        }
        Case {
            random,
            life,
            duration: 200.0,
            troubles: String::new(),
            extra: String::new(),
            codes: Default::default(),
            vin: [VIN; 5],
            mute: [false; 5],
            truth: Vec::new(),
            free,
        }
    }

    fn times(&mut self, most: usize) -> (Vec<f64>, Vec<f64>) {
        let count = self.random.random_range(1..=most);
        let mut at: Vec<f64> = (0..count).map(|_| self.random.random_range(60.0..170.0)).collect();
        at.sort_by(f64::total_cmp);
        at.dedup_by(|a, b| *a - *b < 9.0);
        let lasts = at.iter().map(|_| self.random.random_range(0.8..6.0)).collect();
        (at, lasts)
    }

    fn trouble(&mut self, kind: &str, name: &str, at: &[f64], lasts: &[f64]) {
        let _ = writeln!(
            self.troubles,
            "[[trouble]]\nkind = \"{kind}\"\n{name}\nat = {at:?}\nlasts = {lasts:?}"
        );
    }

    /// Intermittent five times of six, otherwise lost until the end.
    fn lose(&mut self, kind: &str, nodes: &[usize]) {
        let (at, lasts) = match self.random.random_bool(5.0 / 6.0) {
            true => self.times(6),
            false => (vec![self.random.random_range(70.0..150.0)], vec![500.0]),
        };
        for node in nodes {
            self.trouble(kind, &format!("node = \"n{node}\""), &at, &lasts);
        }
    }

    /// Two modules store that they miss a node, in seven cases of ten.
    fn missed(&mut self, node: usize) {
        if self.random.random_bool(0.7) {
            let status = ["2F", "2B", "28"][self.random.random_range(0..3)];
            for module in [1, 2] {
                self.codes[module].push(format!("{} 87 {status}", spaced(MISSES[node])));
            }
        }
    }

    fn about(&mut self, class: &'static str, nodes: &[usize]) {
        self.truth.push((
            class,
            nodes.iter().map(|node| format!("0x{:03X}", 0x100 + node * 0x40)).collect(),
        ));
    }

    fn add(&mut self, class: &'static str) {
        match class {
            "module_power" | "module_connector" => {
                let node = self.free.remove(0);
                self.lose(
                    if class == "module_power" { "power_loss" } else { "stub_open" },
                    &[node],
                );
                self.missed(node);
                self.about(class, &[node]);
            }
            "module_dead" => {
                let node = self.free.remove(0);
                match self.random.random_range(0..20) {
                    // A watchdog.
                    0..=9 => {
                        let step: f64 = self.random.random_range(11.0..25.0);
                        let at: Vec<f64> = (0..7)
                            .map(|turn| {
                                58.0 + step
                                    * f64::from(turn)
                                    * self.random.random_range(0.995..1.005)
                            })
                            .collect();
                        let at: Vec<f64> = at.into_iter().filter(|at| *at < 185.0).collect();
                        let lasts = vec![1.3; at.len()];
                        self.trouble("power_loss", &format!("node = \"n{node}\""), &at, &lasts);
                    }
                    // It resets now and then and says why.
                    10..=15 => {
                        let (at, lasts) = self.times(6);
                        self.trouble("power_loss", &format!("node = \"n{node}\""), &at, &lasts);
                        self.codes[3].push("06 06 00 2F".to_owned());
                    }
                    // It dies without a word.
                    _ => {
                        let at = self.random.random_range(70.0..150.0);
                        self.trouble("power_loss", &format!("node = \"n{node}\""), &[at], &[500.0]);
                    }
                }
                self.missed(node);
                self.about(class, &[node]);
            }
            "branch" => {
                // n6 and n7 hang on a branch of their own.
                let (at, lasts) = self.times(6);
                self.trouble("branch_open", "branch = \"left\"", &at, &lasts);
                self.missed(6);
                self.about(class, &[6, 7]);
            }
            "shared_supply" => {
                let nodes = [self.free.remove(0), self.free.remove(0)];
                let (at, lasts) = self.times(5);
                for node in nodes {
                    self.trouble("power_loss", &format!("node = \"n{node}\""), &at, &lasts);
                }
                self.missed(nodes[0]);
                self.about(class, &nodes);
            }
            "gateway" => {
                self.mute = [false, false, true, true, true];
                // Failing codes about modules that are not on this bus.
                for code in ["C1 46", "C1 64", "C1 82", "C1 51"] {
                    self.codes[1].push(format!("{code} 87 2F"));
                }
                self.truth.push((class, Vec::new()));
            }
            "line" => {
                let (at, lasts) = self.times(5);
                let kind = if self.random.random_bool(0.6) { "bus_short" } else { "bus_errors" };
                self.trouble(kind, "channel = \"can0\"", &at, &lasts);
                self.truth.push((class, Vec::new()));
            }
            "not_configured" => {
                let module = self.random.random_range(2..5);
                match self.random.random_range(0..5) {
                    0 => self.codes[module].push("90 01 52 2F".to_owned()),
                    1 => self.vin[module] = "\0\0\0\0\0\0\0\0\0\0\0\0\0\0\0\0\0",
                    _ => self.vin[module] = "XXTESTXXA0D000917",
                }
                self.truth.push((class, vec![format!("0x{:03X}", 0x7E8 + module)]));
            }
            "stale_codes" => {
                if self.random.random_bool(0.7) {
                    for module in 1..5 {
                        self.codes[module].push("F0 03 16 28".to_owned());
                        if self.random.random_bool(0.5) {
                            self.codes[module].push(format!(
                                "{} 00 28",
                                spaced(MISSES[self.random.random_range(0..6)])
                            ));
                        }
                    }
                } else {
                    for module in 1..4 {
                        self.codes[module].push(format!("{} 00 28", spaced(MISSES[7])));
                    }
                }
                self.truth.push((class, Vec::new()));
            }
            "overload" => {
                self.duration = 70.0;
                self.life = Life::new(self.random.random(), self.duration);
                // A buffer of that size would lose most of such a bus.
                self.life.record("");
                let period: f64 = self.random.random_range(0.001_04..0.001_20);
                let ids: Vec<String> = (0x10..0x14)
                    .map(|id| format!("{{ id = \"{id:03X}\", period = {period} }}"))
                    .collect();
                let _ = writeln!(
                    self.extra,
                    "[[node]]\nname = \"added\"\nchannel = \"can0\"\ndrift_ppm = 133.0\njitter = \
                     0.00001\nmessages = [ {} ]",
                    ids.join(", ")
                );
                self.truth.push((class, Vec::new()));
            }
            "sleep" => {
                let off = self.random.random_range(60.0..120.0);
                let on = off + self.random.random_range(20.0..60.0);
                self.life.key = Some(Key { off, on, start: on + 2.0 });
                self.life.sleeps = true;
                self.truth.push((class, Vec::new()));
            }
            _ => {
                let (at, lasts) = self.times(4);
                let kind =
                    if self.random.random_bool(0.5) { "capture_pause" } else { "logger_overflow" };
                self.trouble(kind, "", &at, &lasts);
                self.truth.push((class, Vec::new()));
            }
        }
    }

    fn scenario(&mut self, seed: u64) -> String {
        let duration = self.duration;
        let mut text = format!(
            "title = \"t\"\ninvented = true\nseed = {seed}\nstart = 1.79e9\nduration = {duration}\n\
             [[channel]]\nname = \"can0\"\nbit_rate = 500000\nstamp_noise = 0.00002\n{}",
            self.life.heading()
        );
        let mut drifts: Vec<f64> = (0..NODES)
            .map(|node| -140.0 + 40.0 * node as f64 + self.random.random_range(-12.0..12.0))
            .collect();
        drifts.shuffle(&mut self.random);
        for (node, drift) in drifts.iter().enumerate() {
            let jitter: f64 = self.random.random_range(0.0001..0.0004);
            let boot: f64 = self.random.random_range(0.1..0.8);
            let branch = if node >= 6 { "branch = \"left\"\n" } else { "" };
            let _ = write!(
                text,
                "[[node]]\nname = \"n{node}\"\nchannel = \"can0\"\n{branch}drift_ppm = {drift}\n\
                 jitter = {jitter}\nboot = {boot}\n{}messages = [\n",
                self.life.of_node(node, NODES)
            );
            for message in 0..self.random.random_range(2..5_usize) {
                let period = [0.01, 0.02, 0.05, 0.1, 0.2][self.random.random_range(0..5_usize)];
                let id = 0x100 + node * 0x40 + message * 7;
                let counter = match message == 0 || self.random.random_bool(0.4) {
                    true => format!(
                        ", counter = {{ byte = {}, width = {} }}",
                        self.random.random_range(0..8),
                        self.random.random_range(3..=8)
                    ),
                    false => String::new(),
                };
                let sent = self.life.of_message(id, period, message == 0);
                let _ = writeln!(text, "{{ id = \"{id:03X}\", {sent}{counter} }},");
            }
            text += "]\n";
        }
        for module in 1..5 {
            let (request, answer) = (0x7E0 + module, 0x7E8 + module);
            let codes = self.codes[module].join(" ");
            let vin: String = self.vin[module].bytes().map(|byte| format!("{byte:02X} ")).collect();
            for (turn, (ask, reply)) in [
                ("19 02 FF".to_owned(), format!("59 02 FF {codes}")),
                ("22 F1 90".to_owned(), format!("62 F1 90 {vin}")),
            ]
            .into_iter()
            .enumerate()
            {
                // Codes are read at the end, when everything has happened; once more where nobody
                // answers.
                for again in 0..if self.mute[module] { 2 } else { 1 } {
                    let at = duration - 12.0
                        + module as f64 * 1.5
                        + turn as f64 * 0.4
                        + f64::from(again) * 0.2;
                    let answers = if self.mute[module] {
                        String::new()
                    } else {
                        format!("{{ id = \"{answer:03X}\", data = \"{reply}\" }}")
                    };
                    let _ = writeln!(
                        text,
                        "[[exchange]]\nat = {at}\nrequest = {{ id = \"{request:03X}\", data \
                         = \"{ask}\" }}\nanswers = [ {answers} ]"
                    );
                }
            }
        }
        text + &self.extra + &self.troubles + &self.life.ending()
    }
}

fn spaced(code: &str) -> String {
    format!("{} {}", &code[..2], &code[2..])
}

fn analyse(text: &str, knowledge: &Arc<Knowledge>) -> Analysis {
    if let Some(path) = std::env::var_os("KEEP") {
        std::fs::write(path, text).expect("a file");
    }
    let scenario = Scenario::parse(text).unwrap_or_else(|error| panic!("{error}\n{text}"));
    let mut log = Vec::new();
    simulate::run(&scenario, &mut log).expect("memory");
    let source = Source::Bytes { name: "t".into(), bytes: log };
    let explaining = Explaining { knowledge: Some(Arc::clone(knowledge)), ..Default::default() };
    let options = Options { findings: Some(explaining), ..Options::default() };
    lostnode::analyse(source, &options).expect("a capture")
}

/// How tests are put in order.
#[derive(Clone, Copy)]
enum Order {
    /// As the findings have it: probability over cost, with what is behind one cover together.
    ProbabilityOverCost,
    /// Probability alone.
    Probability,
    /// By chance, with this seed.
    Random(u64),
}

/// Minutes until the fault of a class is found, as expected when tests are done in an order.
fn expected_minutes(analysis: &Analysis, knowledge: &Knowledge, truth: &str, order: Order) -> f64 {
    let mut shuffled: Option<Vec<usize>> = None;
    let mut choose = |choices: &[Choice]| match order {
        Order::ProbabilityOverCost => fault::best(choices),
        Order::Probability => (0..choices.len())
            .max_by(|a, b| choices[*a].finds.total_cmp(&choices[*b].finds).then(b.cmp(a)))
            .unwrap_or(0),
        Order::Random(seed) => {
            // Places among all tests, in the order to do them; the choices are those left.
            let left = shuffled.get_or_insert_with(|| {
                let mut all: Vec<usize> = (0..choices.len()).collect();
                all.shuffle(&mut ChaCha8Rng::seed_from_u64(seed));
                all
            });
            let next = left.remove(0);
            left.iter().filter(|other| **other < next).count()
        }
    };
    let least = if matches!(order, Order::ProbabilityOverCost) { fault::WORTH } else { 0.0 };
    let (mut missed, mut minutes) = (1.0, 0.0);
    for step in fault::tests_in_order(analysis, knowledge, least, &mut choose) {
        minutes += missed * step.minutes;
        if step.classes.iter().any(|class| class.as_str() == truth) {
            missed *= 1.0 - knowledge.test[&step.test].finds.get(truth).copied().unwrap_or(0.0);
        }
    }
    minutes
}

/// Place of the finding that names the fault and what it is about; of a branch all nodes.
fn place(analysis: &Analysis, truth: &(&str, Vec<String>)) -> Option<usize> {
    analysis.ranked().iter().position(|finding| names(analysis, finding, truth))
}

fn names(analysis: &Analysis, finding: &Finding, (class, about): &(&str, Vec<String>)) -> bool {
    let nodes = lostnode::words::who::nodes(analysis, finding);
    finding.class.as_str() == *class
        && about.iter().all(|about| nodes.iter().any(|name| name.contains(about.as_str())))
        && (about.is_empty() || nodes.len() == about.len())
}

/// A line for each finding of a fault, for the table of what is true how often: what the tables
/// come to, and whether it is true. What else is true of these vehicles (a key, a starter) the
/// truth does not list, so that what is no fault is left out.
fn rows(analysis: &Analysis, case: &Case) -> String {
    let faults = analysis.ranked().iter().filter(|finding| !finding.benign);
    let line = |finding: &Finding| {
        let holds = case.truth.iter().any(|truth| names(analysis, finding, truth));
        format!("{:.4},{}\n", finding.uncalibrated, u8::from(holds))
    };
    faults.map(line).collect()
}

fn main() {
    let arguments: Vec<u64> =
        std::env::args().skip(1).filter_map(|text| text.parse().ok()).collect();
    let (single, double) =
        (arguments.first().copied().unwrap_or(300), arguments.get(1).copied().unwrap_or(100));
    let first = arguments.get(2).copied().unwrap_or(10_000);
    let show = std::env::var_os("SHOW").is_some();
    let knowledge = Arc::new(Knowledge::default());
    let mut confusion: BTreeMap<&str, BTreeMap<String, u32>> = BTreeMap::new();
    let (mut top, mut minutes) = ([0_u64; 2], [0.0; 3]);
    let mut charged = 0.0;
    let mut lines = "uncalibrated,holds\n".to_owned();
    for number in 0..single {
        let class = CLASSES[number as usize % CLASSES.len()];
        let mut case = Case::new(first + number);
        case.add(class);
        let text = case.scenario(first + number);
        let analysis = analyse(&text, &knowledge);
        lines += &rows(&analysis, &case);
        let place = place(&analysis, &case.truth[0]);
        let said = match (place, analysis.ranked().first()) {
            (Some(0), _) => class.to_owned(),
            (_, Some(finding)) if finding.class.as_str() == class => format!("{class}, elsewhere"),
            (_, Some(finding)) => finding.class.to_string(),
            (_, None) => "nothing".to_owned(),
        };
        if show && place != Some(0) {
            let list: Vec<_> = analysis
                .ranked()
                .iter()
                .map(|f| format!("{:.2} {}", f.probability, words::title(&analysis, f)))
                .collect();
            println!("seed {} {:?}: {list:#?}", first + number, case.truth);
        }
        *confusion.entry(class).or_default().entry(said).or_default() += 1;
        top[0] += u64::from(place == Some(0));
        top[1] += u64::from(place.is_some_and(|place| place < 3));
        // The cost of looking for it: faults of the vehicle whose finding is there.
        if place.is_some() && !knowledge.class[class].benign {
            charged += 1.0;
            for (at, order) in
                [Order::ProbabilityOverCost, Order::Probability, Order::Random(number)]
                    .into_iter()
                    .enumerate()
            {
                minutes[at] += expected_minutes(&analysis, &knowledge, class, order);
            }
        }
    }
    println!("| truth | cases | first finding |\n|---|---|---|");
    for class in CLASSES {
        let Some(row) = confusion.get(class) else { continue };
        let said: Vec<String> = row.iter().map(|(said, count)| format!("{said} {count}")).collect();
        println!("| {class} | {} | {} |", row.values().sum::<u32>(), said.join(", "));
    }
    let percent = |count: u64, of: u64| 100.0 * count as f64 / of.max(1) as f64;
    println!(
        "single faults: {single}; first {:.1} %; among the first three {:.1} %",
        percent(top[0], single),
        percent(top[1], single)
    );
    println!(
        "expected minutes of tests: probability over cost with shared access {:.1}, probability \
         alone {:.1}, by chance {:.1} ({charged} cases)",
        minutes[0] / charged,
        minutes[1] / charged,
        minutes[2] / charged
    );
    let mut both = 0;
    for number in 0..double {
        let seed = first + 1000 + number;
        let mut case = Case::new(seed);
        let mut classes = PAIRED;
        classes.shuffle(&mut case.random);
        case.add(classes[0]);
        case.add(classes[1]);
        let analysis = analyse(&case.scenario(seed), &knowledge);
        lines += &rows(&analysis, &case);
        let found =
            case.truth.iter().all(|truth| place(&analysis, truth).is_some_and(|place| place < 3));
        both += u64::from(found);
        if show && !found {
            let list: Vec<_> = analysis
                .ranked()
                .iter()
                .map(|f| format!("{:.2} {}", f.probability, words::title(&analysis, f)))
                .collect();
            println!("seed {seed} {:?}: {list:#?}", case.truth);
        }
    }
    println!("double faults: {double}; both among the first three {:.1} %", percent(both, double));
    if let Some(path) = std::env::var_os("ROWS") {
        std::fs::write(path, lines).expect("a file");
    }
}
