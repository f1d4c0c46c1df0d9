//! How well what happened just before the losses is found: `cargo run --release --example
//! precursor_score [trigger|none|real|time] [COUNT] [FIRST SEED] [show]`. Prints the figures of
//! docs/precursors.md. The seeds below 220,000 were looked at while the rules were made.

#[path = "common/invented_losses.rs"]
mod invented_losses;
#[path = "common/vehicle.rs"]
mod vehicle;

use std::fmt::Write;
use std::path::Path;
use std::time::Instant;

use lostnode::Options;
use lostnode::analysis::Analysis;
use lostnode::analysis::just_before::{Kind, Lead, Outcome};
use lostnode::capture::Source;
use lostnode::simulate::truth::TruthSignal;
use lostnode::simulate::{self, Scenario, Truth};
use rand::SeedableRng;
use rand_chacha::ChaCha8Rng;

fn main() {
    let arguments: Vec<String> = std::env::args().skip(1).collect();
    let number = |at: usize, default: u64| {
        arguments.get(at).and_then(|text| text.parse().ok()).unwrap_or(default)
    };
    let (count, seed) = (number(1, 200), number(2, 220_000));
    let shown = arguments.iter().any(|own| own == "show");
    match arguments.first().map_or("trigger", String::as_str) {
        "none" => without_trigger(count, seed, shown),
        "real" => real(number(1, 100), seed, shown),
        "time" => times(number(1, 10), seed),
        _ => with_trigger(count, seed, shown),
    }
}

fn analyse(text: &[u8], precursors: bool) -> Analysis {
    let source = Source::Bytes { name: "invented".into(), bytes: text.to_vec() };
    let options = Options { precursors, ..Options::default() };
    lostnode::analyse(source, &options).expect("an invented capture can be read")
}

fn simulated(text: &str) -> (Vec<u8>, Truth) {
    let scenario = Scenario::parse(text).unwrap_or_else(|error| panic!("{error}"));
    let mut log = Vec::new();
    let truth = simulate::run(&scenario, &mut log).expect("memory takes it");
    (log, truth)
}

/// Whether a lead is one of the places that carry a signal.
fn is_of(lead: &Lead, signals: &[&TruthSignal]) -> bool {
    let id = lostnode::words::terms::id_label(lead.place.id);
    let byte = lead.place.byte();
    let own = match lead.place.field.bit {
        Some(bit) => format!("{id}:{byte}.{bit}"),
        None => format!("{id}:{byte}."),
    };
    let carries = |at: &String| match lead.place.field.bit {
        Some(_) => *at == own,
        None => at.starts_with(&own),
    };
    signals.iter().any(|signal| signal.carried.iter().any(carries))
}

#[derive(Default)]
struct Share(u32, u32);

impl Share {
    fn note(&mut self, is: bool) {
        self.0 += u32::from(is);
        self.1 += 1;
    }
}

impl std::fmt::Display for Share {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        let percent = 100.0 * f64::from(self.0) / f64::from(self.1.max(1));
        write!(f, "{} of {} ({percent:.1} %)", self.0, self.1)
    }
}

fn with_trigger(count: u64, first: u64, shown: bool) {
    let (mut five, mut four, mut three) = (Share::default(), Share::default(), Share::default());
    let (mut wrong, mut consequences, mut missed_by) = Default::default();
    let (mut others, mut timed) = (Share::default(), Share::default());
    for seed in first..first + count {
        let (log, truth) = simulated(&vehicle::scenario(seed, true));
        let analysis = analyse(&log, true);
        let named = |name: &str| -> Vec<&TruthSignal> {
            truth.signals.iter().filter(|own| own.name == name).collect()
        };
        let trigger = named("trigger");
        let after: Vec<&TruthSignal> = truth.signals.iter().filter(|own| own.consequence).collect();
        let lost: Vec<f64> = truth.events.iter().map(|event| event.start).collect();
        let preceded =
            |at: &&f64| trigger[0].on.iter().any(|(from, _)| (*from..*from + 2.5).contains(*at));
        let preceded = lost.iter().filter(preceded).count();
        let leads: Vec<&Lead> = analysis.precursors().collect();
        let is_first = leads.first().is_some_and(|lead| is_of(lead, &trigger));
        if 10 * preceded >= 7 * lost.len() {
            match preceded {
                0..3 => {}
                3 => three.note(is_first),
                4 => four.note(is_first),
                _ => five.note(is_first),
            }
        }
        let is_wrong = |lead: &&Lead| is_of(lead, &after);
        Share::note(&mut wrong, leads.iter().any(is_wrong));
        timed.note(!analysis.just_before.timed.is_empty());
        others.note(leads.iter().any(|lead| !is_of(lead, &trigger)));
        let told = |lead: &Lead| lead.kind == Kind::Consequence && is_of(lead, &after);
        Share::note(&mut consequences, analysis.just_before.leads.iter().any(told));
        Share::note(&mut missed_by, analysis.consequences().any(|lead| is_of(lead, &trigger)));
        if shown {
            let mut text = format!("{seed}: {preceded} of {} losses, first {is_first}", lost.len());
            if let Outcome::Looked(looks) = &analysis.just_before.outcome {
                looks.iter().for_each(|look| {
                    let _ = write!(text, ", {} episodes, {} tried", look.episodes, look.tried);
                });
            }
            println!("{text}; trigger {:?}", trigger[0].carried);
            for lead in &analysis.just_before.leads {
                println!("    {}", lostnode::words::just_before::sentence(&analysis, lead));
            }
        }
    }
    println!("{count} vehicles with a trigger, seeds from {first}");
    println!("  named first, five losses and more preceded: {five}");
    println!("  named first, four: {four}; three: {three}");
    println!("  a consequence named a precursor: {wrong}");
    println!("  anything else named a precursor: {others}");
    println!("  a time since something: {timed}");
    println!("  a consequence named one: {consequences}; the trigger named one: {missed_by}");
}

fn without_trigger(count: u64, first: u64, shown: bool) {
    let (mut any, mut looked, mut timed) = (Share::default(), Share::default(), Share::default());
    for seed in first..first + count {
        let (log, _) = simulated(&vehicle::scenario(seed, false));
        let analysis = analyse(&log, true);
        any.note(tells_any(&analysis));
        timed.note(!analysis.just_before.timed.is_empty());
        looked.note(matches!(analysis.just_before.outcome, Outcome::Looked(_)));
        if shown {
            for lead in analysis.precursors() {
                println!("{seed}: {}", lostnode::words::just_before::sentence(&analysis, lead));
            }
        }
    }
    println!("{count} vehicles without a trigger, seeds from {first}: any precursor or time {any}");
    println!("  looked at: {looked}; a time since something: {timed}");
}

/// Whether anything is said to go before the losses, or a time to lie between.
fn tells_any(analysis: &Analysis) -> bool {
    analysis.precursors().next().is_some() || !analysis.just_before.timed.is_empty()
}

/// Real captures of 300 s and more. The engine's module is what is lost, for it alone sends many
/// identifiers by the clock, and a loss of it is told as one; the brakes' module, which sends ten
/// times a second, shows where the key is on.
const REAL: [&str; 2] = ["truck-steady.log.gz", "truck-intermittent.log.gz"];
const LOST: &str = "can1 00";
const BESIDE: [&str; 1] = ["can1 0B"];

/// Losses that were looked into, of the node that was lost most often.
fn episodes(analysis: &Analysis) -> usize {
    match &analysis.just_before.outcome {
        Outcome::Looked(looks) => looks.iter().map(|look| look.episodes).max().unwrap_or(0),
        _ => 0,
    }
}

fn real(count: u64, first: u64, shown: bool) {
    let folder = Path::new(env!("CARGO_MANIFEST_DIR")).join("../shared/data");
    let mut all = Share::default();
    for name in REAL {
        let Some(lines) = invented_losses::lines(&folder.join(name)) else {
            println!("skipped: {name} is not there");
            continue;
        };
        let (mut any, mut looked, mut losses) = (Share::default(), Share::default(), 0);
        for seed in first..first + count / 2 {
            let mut random = ChaCha8Rng::seed_from_u64(seed);
            let text = invented_losses::with_losses(&lines, LOST, &BESIDE, 6, &mut random);
            let analysis = analyse(&text, true);
            any.note(tells_any(&analysis));
            all.note(tells_any(&analysis));
            looked.note(matches!(analysis.just_before.outcome, Outcome::Looked(_)));
            losses += episodes(&analysis);
            for lead in analysis.precursors().filter(|_| shown) {
                println!("{seed}: {}", lostnode::words::just_before::sentence(&analysis, lead));
            }
        }
        let mean = losses as f64 / f64::from(looked.0.max(1));
        println!(
            "{name}, six invented losses: any precursor or time {any}; looked at {looked}, of \
             {mean:.1} losses each"
        );
    }
    println!("all: {all}");
}

/// How long a report takes with and without, each the fastest of three in turn.
fn times(count: u64, first: u64) {
    let mut ratios: Vec<f64> = Vec::new();
    for seed in first..first + count {
        let (log, _) = simulated(&vehicle::scenario(seed, true));
        let mut best = [f64::MAX; 2];
        for _ in 0..3 {
            for (at, best) in best.iter_mut().enumerate() {
                let begun = Instant::now();
                let analysis = analyse(&log, at == 1);
                assert!(analysis.span.is_some());
                *best = best.min(begun.elapsed().as_secs_f64());
            }
        }
        ratios.push(best[1] / best[0]);
        println!("{seed}: {} bytes, {:.3} s, {:.3} s with", log.len(), best[0], best[1]);
    }
    ratios.sort_by(f64::total_cmp);
    let (median, most) = (ratios[ratios.len() / 2], ratios[ratios.len() - 1]);
    println!("time with over time without: median {median:.2}, most {most:.2}");
}
