//! A second world: vehicles and faults drawn from how vehicles behave, by someone who has not
//! read the tool, and a score of the tool on them. See README.md.

mod answers;
mod build;
mod bus;
mod calibrate;
mod case;
#[cfg(test)]
mod checks;
mod codes;
mod diagram;
mod draw;
mod effects;
mod episodes;
mod family;
mod faults;
mod figures;
mod frame;
mod gate;
mod judge;
mod kinds;
mod memories;
mod messages;
mod record;
mod report;
mod score;
mod sim;
mod soil;
mod story;
mod table;
mod tester;
mod truth;
mod unit;
mod vehicle;

use std::path::{Path, PathBuf};
use std::process::ExitCode;

use calibrate::Rows;
use case::Set;
use family::Family;
use figures::Figures;
use judge::Verdict;
use score::Order;

/// The seed of what is scored by default.
const SEED: u64 = 1;

const USAGE: &str = "\
lostnode-world score --family fit|held --binary PATH [--singles N] [--pairs N] [--sound N]
                     [--seed N] [--jobs N] [--dump DIR] [--class NAME] [--case N] [--show]
                     [--diagram FILE.svg] [--rows FILE.csv]
lostnode-world judge --cases DIR --binary PATH [--jobs N] [--show] [--rows FILE.csv]
                     [--diagram FILE.svg]
lostnode-world gate --binary PATH --floor FILE [--jobs N] [--cases DIR --name NAME]
lostnode-world calibrate --rows WORLD=FILE.csv,WORLD=FILE.csv… --date DAY
lostnode-world check --rows WORLD=FILE.csv,… --on WORLD=FILE.csv,…";

fn main() -> ExitCode {
    let words: Vec<String> = std::env::args().skip(1).collect();
    match words.first().map(String::as_str) {
        Some("calibrate") => {
            return print_rows(&words, "--date", |sets, date| Ok(calibrate::table(sets, date)));
        }
        Some("check") => {
            return print_rows(&words, "--on", |sets, on| Ok(calibrate::check(sets, &listed(on)?)));
        }
        _ => (),
    }
    let (Some(command), Some(order)) = (words.first(), order(&words)) else {
        eprintln!("{USAGE}");
        return ExitCode::from(2);
    };
    if command == "score" {
        return print_score(&order, &words);
    }
    if let ("judge", Some(cases)) = (command.as_str(), value(&words, "--cases")) {
        return print_judged(&PathBuf::from(cases), &order, &words);
    }
    if let ("gate", Some(floor)) = (command.as_str(), value(&words, "--floor")) {
        let floor = PathBuf::from(floor);
        let passed = match (value(&words, "--cases"), value(&words, "--name")) {
            (Some(cases), Some(name)) => {
                gate::pass_cases(&PathBuf::from(cases), name, &order.binary, &floor, order.jobs)
            }
            _ => gate::pass(&order.binary, &floor, order.jobs),
        };
        return match passed {
            Ok(true) => ExitCode::SUCCESS,
            Ok(false) => ExitCode::FAILURE,
            Err(reason) => {
                eprintln!("{reason}");
                ExitCode::from(2)
            }
        };
    }
    eprintln!("{USAGE}");
    ExitCode::from(2)
}

/// Prints what is made of the rows of several sets and one more word.
fn print_rows(
    words: &[String],
    other: &str,
    make: impl Fn(&[Rows], &str) -> Result<String, String>,
) -> ExitCode {
    let (Some(list), Some(other)) = (value(words, "--rows"), value(words, other)) else {
        eprintln!("{USAGE}");
        return ExitCode::from(2);
    };
    match listed(list).and_then(|sets| make(&sets, other)) {
        Ok(text) => {
            print!("{text}");
            ExitCode::SUCCESS
        }
        Err(reason) => {
            eprintln!("{reason}");
            ExitCode::from(2)
        }
    }
}

/// Each set of a list with commas.
fn listed(list: &str) -> Result<Vec<Rows>, String> {
    list.split(',').map(Rows::read).collect()
}

fn value<'a>(words: &'a [String], name: &str) -> Option<&'a str> {
    let place = words.iter().position(|word| word == name)?;
    words.get(place + 1).map(String::as_str)
}

fn order(words: &[String]) -> Option<Order> {
    let number =
        |name: &str, usual: usize| value(words, name).map_or(Some(usual), |word| word.parse().ok());
    Some(Order {
        family: Family::named(value(words, "--family").unwrap_or("fit"))?,
        seed: number("--seed", SEED as usize)? as u64,
        many: [number("--singles", 201)?, number("--pairs", 66)?, number("--sound", 76)?],
        binary: PathBuf::from(value(words, "--binary")?),
        longest: 240.0,
        jobs: number("--jobs", 2)?,
        dump: value(words, "--dump").map(PathBuf::from),
        class: value(words, "--class").map(str::to_owned),
        case: match value(words, "--case") {
            Some(word) => Some(word.parse().ok()?),
            None => None,
        },
    })
}

fn print_score(order: &Order, words: &[String]) -> ExitCode {
    let show = words.iter().any(|word| word == "--show");
    let (figures, verdicts) = score::score(order);
    println!(
        "family {:?}, seed {}, {} cases; all vehicles are invented\n",
        order.family,
        order.seed,
        verdicts.len()
    );
    let name = format!("family {:?}", order.family);
    print_figures(&figures, &verdicts, &name, order.family == Family::Fit || show, words)
}

fn print_judged(cases: &Path, order: &Order, words: &[String]) -> ExitCode {
    match score::judged(cases, &order.binary, order.jobs) {
        Ok((figures, verdicts)) => {
            println!("{}, {} cases\n", cases.display(), verdicts.len());
            print_figures(&figures, &verdicts, &cases.display().to_string(), true, words)
        }
        Err(reason) => {
            eprintln!("{reason}");
            ExitCode::from(2)
        }
    }
}

/// Totals, and the parts unless the family is kept apart and nobody asks to see it.
fn print_figures(
    figures: &Figures,
    verdicts: &[(Set, Verdict)],
    name: &str,
    parts: bool,
    words: &[String],
) -> ExitCode {
    table::totals(figures);
    if parts {
        table::by_fault(figures);
        table::reliability(figures);
        table::classes(figures);
    }
    let diagram = diagram::svg(figures, &format!("{name}, stated and true"));
    let rows = if parts { diagram::rows(verdicts) } else { String::new() };
    for (name, text) in [("--diagram", diagram), ("--rows", rows)] {
        if let Some(path) = value(words, name)
            && let Err(error) = std::fs::write(path, text)
        {
            eprintln!("{path}: {error}");
            return ExitCode::from(2);
        }
    }
    if words.iter().any(|word| word == "--show") {
        println!();
        for (set, verdict) in verdicts {
            print_case(*set, verdict);
        }
    }
    ExitCode::SUCCESS
}

fn print_case(set: Set, verdict: &Verdict) {
    let truth = &verdict.truth;
    let names = |places: &[usize]| -> String {
        let names: Vec<&str> = places.iter().map(|&p| truth.units[p].name.as_str()).collect();
        names.join(", ")
    };
    let planted: Vec<String> = truth
        .planted
        .iter()
        .map(|planted| format!("{} [{}] ({})", planted.fault, names(&planted.nodes), planted.how))
        .collect();
    println!(
        "{} {}: {} | {}, key {}, roster {}, {} error frames, {} scans, {} clears",
        set.name(),
        truth.case,
        planted.join(" + "),
        truth.vehicle,
        truth.key,
        truth.roster,
        truth.errors.len(),
        truth.scans.len(),
        truth.clears.len(),
    );
    if let Some(reason) = &verdict.failed {
        println!("    FAILED {reason}");
    }
    for finding in verdict.findings.iter().take(6) {
        let mark = match (finding.right.is_empty(), finding.holds) {
            (false, _) => "right",
            (true, true) => "true besides",
            _ => "",
        };
        let units = finding.units.join(", ");
        println!("    {:.2} {} [{units}] {mark}", finding.probability, finding.class);
    }
}
