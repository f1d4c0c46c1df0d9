//! Scores where in the harness a fault is, against the truth: `cargo run --release --example
//! harness_faults [SINGLE [PAIRS [OWN [FIRST_SEED]]]]`. Prints the tables of docs/wiring.md.

#[path = "common/harness.rs"]
#[allow(dead_code, reason = "the other example uses more of it")]
mod harness;

use std::collections::BTreeMap;

use harness::{Fault, Part, Vehicle};
use lostnode::analysis::Analysis;

/// Kinds that fail, in turn. A gateway cannot be seen from one bus.
const KINDS: [&str; 7] = ["supply", "fuse", "ground", "splice", "connector", "trunk", "terminator"];
/// How likely a test at the right element shows the fault, over all kinds.
const FOUND: f64 = 0.9;

/// Elements in the order in which the findings name them: by probability, over what is there now.
fn named(analysis: &Analysis) -> Vec<usize> {
    let wiring = &analysis.findings.as_ref().expect("findings").wiring;
    // Of a file with a mistake an element may be missing: its name tells its number.
    let number = |at: usize| wiring.elements[at].name[1..].parse().expect("a number");
    wiring.ranked.iter().map(|own| number(own.0)).collect()
}

/// Place of the fault among the elements that are named.
fn place(vehicle: &Vehicle, analysis: &Analysis, fault: &Fault, manner: bool) -> Option<usize> {
    named(analysis).iter().position(|at| vehicle.is_alike(fault, *at, manner))
}

/// Minutes to the element that failed: as told; without the file, tests of the findings until one
/// shows what fails, then by chance what carries it to the nodes that were lost; and by chance over
/// all elements.
fn minutes(vehicle: &Vehicle, with: &Analysis, without: &Analysis, fault: &Fault) -> [f64; 3] {
    let truth = fault.element.expect("an element");
    let cost = |at: usize| vehicle.elements[at].minutes + 5.0;
    let (mut missed, mut told, mut tried) = (1.0, 0.0, Vec::new());
    for test in with.next_tests() {
        told += missed * test.minutes;
        tried.extend(test.element);
        if test.element == Some(truth) {
            missed *= 1.0 - FOUND;
        }
    }
    let all = || 0..vehicle.elements.len();
    let by_chance = |among: &[usize]| -> f64 {
        let others: f64 = among.iter().filter(|at| **at != truth).map(|at| cost(*at)).sum();
        cost(truth) + others / 2.0
    };
    let may: Vec<usize> = all()
        .filter(|at| {
            let element = &vehicle.elements[*at];
            let carries =
                element.carries.iter().any(|what| (*what == "bus") == (fault.part != Part::Power));
            let feeds = element.feeds.iter().any(|node| fault.nodes.contains(node));
            *at == truth || (carries && (feeds || element.kind == "terminator"))
        })
        .collect();
    // What was tried in vain is not tried again; the rest as without the file.
    let untried = |at: &usize| !tried.contains(at) || *at == truth;
    let rest: Vec<usize> = may.iter().copied().filter(untried).collect();
    told += missed * by_chance(&rest);
    let class: &[&str] = match fault.part {
        Part::Power => &["module_power", "shared_supply"],
        Part::Bus => &["module_connector", "branch", "line"],
        Part::Termination => &["line"],
    };
    let (mut hidden, mut alone) = (1.0, 0.0);
    for test in without.next_tests() {
        alone += hidden * test.minutes;
        let own = test.findings.iter().map(|place| &without.ranked()[place - 1]);
        if own.into_iter().any(|finding| class.contains(&finding.class.as_str())) {
            hidden *= 0.2;
        }
    }
    let every: Vec<usize> = all().collect();
    [told, alone + by_chance(&may), by_chance(&every)]
}

fn tell(analysis: &Analysis) {
    for outage in &analysis.outages {
        println!(
            "   lost {:?} {:?} {:.1} s {:?} {:?}",
            outage.scope,
            outage.nodes,
            outage.duration(),
            outage.cause,
            outage.doubt
        );
    }
    for own in analysis.ranked() {
        println!("   {} {:?} {:.2} {:?}", own.class, own.subject, own.probability, own.element);
    }
}

fn percent(part: usize, of: usize) -> f64 {
    100.0 * part as f64 / of.max(1) as f64
}

fn main() {
    let numbers: Vec<u64> = std::env::args().skip(1).filter_map(|text| text.parse().ok()).collect();
    let number = |at: usize, or: u64| numbers.get(at).copied().unwrap_or(or);
    let (single, pairs, own, first) =
        (number(0, 300), number(1, 100), number(2, 60), number(3, 90_000));
    let show = std::env::var_os("SHOW").is_some();
    // By kind and whether it lasts: first in the same manner, first in any, among three, cases.
    let mut rows: BTreeMap<(String, bool), [usize; 4]> = BTreeMap::new();
    let (mut spent, mut cases) = ([0.0; 3], 0);
    for seed in first..first + single {
        let mut vehicle = Vehicle::new(seed);
        if !vehicle.fail(KINDS[(seed % KINDS.len() as u64) as usize]) {
            assert!(vehicle.fail("ground") || vehicle.fail("fuse"), "seed {seed}");
        }
        let [with, without] = vehicle.analyses();
        let fault = vehicle.faults[0].clone();
        let kind = vehicle.elements[fault.element.expect("an element")].kind;
        let row = rows.entry((kind.to_owned(), fault.lasting)).or_default();
        let strict = place(&vehicle, &with, &fault, true);
        let loose = place(&vehicle, &with, &fault, !fault.lasting);
        row[0] += usize::from(strict == Some(0));
        row[1] += usize::from(loose == Some(0));
        row[2] += usize::from(loose.is_some_and(|place| place < 3));
        row[3] += 1;
        if show && loose != Some(0) {
            println!("seed {seed} {fault:?} {strict:?} {loose:?} named {:?}", named(&with));
            tell(&with);
        }
        let own = minutes(&vehicle, &with, &without, &fault);
        spent.iter_mut().zip(own).for_each(|(sum, own)| *sum += own);
        cases += 1;
    }
    println!("| failed | cases | first | first, or of the same nodes | among the first three |");
    println!("|---|---|---|---|---|");
    let mut total = [0; 4];
    for ((kind, lasting), row) in &rows {
        let how = if *lasting { "lasting" } else { "comes and goes" };
        println!("| {kind}, {how} | {} | {} | {} | {} |", row[3], row[0], row[1], row[2]);
        total.iter_mut().zip(row).for_each(|(sum, own)| *sum += own);
    }
    let share = |at: usize| percent(total[at], total[3]);
    println!("| all | {} | {:.1} % | {:.1} % | {:.1} % |", total[3], share(0), share(1), share(2));
    let mean = spent.map(|sum| sum / f64::from(cases.max(1)));
    println!(
        "minutes: {:.0} with the file, {:.0} without, {:.0} by chance",
        mean[0], mean[1], mean[2]
    );
    mistaken(first, single / 3);
    two(first + 1_000_000, pairs, show);
    alone(first + 2_000_000, own);
}

/// Single faults with a mistake in each wiring file, and the same without.
fn mistaken(first: u64, count: u64) {
    let (mut right, mut three, mut cases) = ([0, 0], [0, 0], 0);
    for seed in first..first + count {
        let mut vehicle = Vehicle::new(seed);
        if !vehicle.fail(KINDS[(seed % KINDS.len() as u64) as usize]) {
            continue;
        }
        let (log, roster) = vehicle.recorded();
        let files = [vehicle.wiring(), vehicle.mistaken()];
        let fault = vehicle.faults[0].clone();
        for (place_of, wiring) in files.iter().enumerate() {
            let analysis = Vehicle::analysed(&log, &roster, Some(wiring));
            let found = place(&vehicle, &analysis, &fault, !fault.lasting);
            right[place_of] += usize::from(found == Some(0));
            three[place_of] += usize::from(found.is_some_and(|place| place < 3));
        }
        cases += 1;
    }
    for (what, at) in [("right files", 0), ("one mistake in each file", 1)] {
        println!(
            "{what}: {cases}, first {:.1} %, among three {:.1} %",
            percent(right[at], cases),
            percent(three[at], cases)
        );
    }
}

/// Two elements that fail in one recording.
fn two(first: u64, count: u64, show: bool) {
    let (mut both, mut cases, mut apart, mut both_apart) = (0, 0, 0, 0);
    for seed in first..first + count {
        let mut vehicle = Vehicle::new(seed);
        let kinds = &KINDS[..6];
        let [one, other] = [seed % 6, (seed / 6) % 6].map(|at| kinds[at as usize]);
        if !(vehicle.fail(one) && vehicle.fail(other)) {
            continue;
        }
        let [with, _] = vehicle.analyses();
        let found = |fault: &Fault| {
            place(&vehicle, &with, fault, !fault.lasting).is_some_and(|place| place < 3)
        };
        let all = vehicle.faults.iter().all(found);
        both += usize::from(all);
        cases += 1;
        if vehicle.faults[0].nodes.is_disjoint(&vehicle.faults[1].nodes) {
            apart += 1;
            both_apart += usize::from(all);
        }
        if show && !all {
            println!("seed {seed} {:?} named {:?}", vehicle.faults, named(&with));
            tell(&with);
        }
    }
    println!("pairs: {cases}, both among the first three {:.1} %", percent(both, cases));
    println!(
        "of these with no node in common: {apart}, both among the first three {:.1} %",
        percent(both_apart, apart)
    );
}

/// Faults of a node by itself, with and without the file: the first finding is the same.
fn alone(first: u64, count: u64) {
    let (mut right, mut cases) = ([0, 0], 0);
    for seed in first..first + count {
        let mut vehicle = Vehicle::new(seed);
        vehicle.fail_alone();
        let analyses = vehicle.analyses();
        let class = match vehicle.faults[0].part {
            Part::Power => "module_power",
            _ => "module_connector",
        };
        for (right, analysis) in right.iter_mut().zip(&analyses) {
            let is_right = |own: &lostnode::analysis::finding::Finding| {
                own.class.as_str() == class
                    && lostnode::words::who::nodes(analysis, own)
                        == [format!("n{}", vehicle.faults[0].nodes.first().expect("a node"))]
            };
            *right += usize::from(analysis.ranked().first().is_some_and(is_right));
        }
        cases += 1;
    }
    println!(
        "own faults of a node: {cases}, first with the file {:.1} %, without {:.1} %",
        percent(right[0], cases),
        percent(right[1], cases)
    );
}
