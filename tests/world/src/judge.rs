//! Holds a report against the truth: which finding is right, in class and in subject.

use std::collections::BTreeSet;

use crate::draw::Draw;
use crate::faults::Planted;
use crate::report::{Finding, Report, Test};
use crate::truth::Truth;

/// How well a finding names a fault's units.
#[derive(Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Debug)]
pub enum Subject {
    /// Others.
    Wrong,
    /// At least half of what both name.
    Partly,
    /// The same units.
    Exact,
}

/// A finding, judged.
#[derive(Clone, Debug)]
pub struct Judged {
    /// Class.
    pub class: String,
    /// Probability.
    pub probability: f64,
    /// Before the tool's last step.
    pub uncalibrated: f64,
    /// No fault of the vehicle.
    pub benign: bool,
    /// Planted faults it names rightly, in class and subject.
    pub right: Vec<usize>,
    /// How well it names the units of the planted fault it fits best.
    pub subject: Subject,
    /// It is true as it stands, with the class that really is, or true besides.
    pub holds: bool,
    /// It is true besides the planted faults.
    pub besides: bool,
    /// It says what to be careful of.
    pub careful: bool,
    /// Units it names, as they are called.
    pub units: Vec<String>,
}

/// A case, judged.
#[derive(Clone, Debug)]
pub struct Verdict {
    /// The truth.
    pub truth: Truth,
    /// Findings by rank, those that are no fault included.
    pub findings: Vec<Judged>,
    /// Whether each test of the whole list addresses a right finding, by rank.
    pub tests: Vec<bool>,
    /// Minutes to the cause: as told, by probability alone, by chance, best possible.
    pub minutes: Option<[f64; 4]>,
    /// Of each error: truth, and what was said.
    pub errors: Vec<(usize, Option<String>)>,
    /// The tool failed.
    pub failed: Option<String>,
}

impl Verdict {
    /// Findings of faults, in order.
    pub fn faults(&self) -> impl Iterator<Item = &Judged> {
        self.findings.iter().filter(|finding| !finding.benign)
    }
}

/// Judges a report.
pub fn judge(truth: &Truth, report: &Result<Report, String>) -> Verdict {
    let mut verdict = Verdict {
        truth: truth.clone(),
        findings: Vec::new(),
        tests: Vec::new(),
        minutes: None,
        errors: Vec::new(),
        failed: None,
    };
    let report = match report {
        Ok(report) => report,
        Err(reason) => {
            verdict.failed = Some(reason.clone());
            return verdict;
        }
    };
    let mut ranked: Vec<&Finding> = report.findings.iter().collect();
    ranked.sort_by_key(|finding| finding.rank);
    verdict.findings = ranked.iter().map(|finding| one(truth, report, finding)).collect();
    let right: BTreeSet<usize> = ranked
        .iter()
        .zip(&verdict.findings)
        .filter(|(_, judged)| !judged.right.is_empty())
        .map(|(finding, _)| finding.rank)
        .collect();
    let hits = |test: &Test| test.findings.iter().any(|rank| right.contains(rank));
    verdict.tests = report.next_tests.iter().map(hits).collect();
    if truth.planted.len() == 1 {
        verdict.minutes = Some(minutes(report, &ranked, &hits));
    }
    verdict.errors = errors(truth, report);
    verdict
}

fn one(truth: &Truth, report: &Report, finding: &Finding) -> Judged {
    let named = units(truth, report, finding);
    let mut judged = Judged {
        class: finding.class.clone(),
        probability: finding.probability,
        uncalibrated: finding.uncalibrated,
        benign: finding.benign,
        right: Vec::new(),
        subject: Subject::Wrong,
        holds: false,
        besides: false,
        careful: !finding.cautions.is_empty(),
        units: named.iter().map(|&place| truth.units[place].name.clone()).collect(),
    };
    for (number, planted) in truth.planted.iter().enumerate() {
        let subject = subject(truth, planted, &finding.class, &named);
        judged.subject = judged.subject.max(subject);
        if subject == Subject::Wrong {
            continue;
        }
        if planted.accept.iter().any(|class| same(class, &finding.class)) {
            judged.right.push(number);
        }
        judged.holds |= same(&planted.really, &finding.class);
    }
    judged.besides = truth.besides.iter().any(|(class, nodes)| {
        same(class, &finding.class)
            && (nodes.is_empty() || named == nodes.iter().copied().collect())
    });
    judged.holds |= judged.besides;
    judged
}

/// The class of a report is the one meant: its name, or one that begins with it.
fn same(meant: &str, said: &str) -> bool {
    said.starts_with(meant)
}

/// Which units a finding names, by identifiers, addresses or words.
fn units(truth: &Truth, report: &Report, finding: &Finding) -> BTreeSet<usize> {
    let owners = truth.owners();
    let mut named = BTreeSet::new();
    for name in &finding.nodes {
        let mut counts = vec![0usize; truth.units.len()];
        for id in report.nodes.iter().filter(|sender| sender.name == *name).flat_map(|s| &s.ids) {
            if let Some(&owner) = owners.get(id.as_str()) {
                counts[owner] += 1;
            }
        }
        if counts.iter().all(|count| *count == 0) {
            let ids = name.split(|c: char| !c.is_ascii_alphanumeric());
            for id in ids.filter(|word| word.starts_with("0x")) {
                if let Some(&owner) = owners.get(id) {
                    counts[owner] += 1;
                }
            }
        }
        if let Some(place) = truth.at_address(name) {
            counts[place] += 1;
        }
        let most = counts.iter().copied().max().unwrap_or(0);
        if most == 0 {
            named.extend(truth.meant(name));
            continue;
        }
        for (place, &count) in counts.iter().enumerate() {
            if count > 0 && (count == most || 2 * count >= truth.units[place].ids.len()) {
                named.insert(place);
            }
        }
    }
    named
}

fn subject(truth: &Truth, planted: &Planted, class: &str, named: &BTreeSet<usize>) -> Subject {
    let meant: BTreeSet<usize> = planted.nodes.iter().copied().collect();
    let beyond = class == "gateway" || (class == "branch" && !named.is_empty());
    if planted.fault == "gateway" && beyond {
        return gateway(truth, &meant, named);
    }
    let whole = ["stale", "mended"].contains(&planted.fault.as_str());
    let free = planted.fault == "flood" && named.is_empty();
    if meant.is_empty() || whole || free || meant == *named {
        return Subject::Exact;
    }
    let both = meant.intersection(named).count();
    let all = meant.union(named).count();
    if meant.len() > 1 && 2 * both >= all { Subject::Partly } else { Subject::Wrong }
}

/// A gateway is named by itself, or by what lies behind it.
fn gateway(truth: &Truth, meant: &BTreeSet<usize>, named: &BTreeSet<usize>) -> Subject {
    let behind = |place: &usize| meant.contains(place) || truth.units[*place].channel == 1;
    if named == meant {
        Subject::Exact
    } else if named.iter().all(behind) {
        Subject::Partly
    } else {
        Subject::Wrong
    }
}

/// Minutes until a test that addresses the cause is done: in the order told, in that of the
/// findings' probabilities alone, by chance, and best for these probabilities. Where none does,
/// all tests and an hour.
fn minutes(report: &Report, ranked: &[&Finding], hits: &dyn Fn(&Test) -> bool) -> [f64; 4] {
    let told: Vec<Test> = report.next_tests.clone();
    let mut by_rank: Vec<Test> = Vec::new();
    for finding in ranked.iter().filter(|finding| !finding.benign) {
        for test in &finding.next_tests {
            if !by_rank.iter().any(|known| known.title == test.title) {
                by_rank.push(test.clone());
            }
        }
    }
    let mut draw = Draw::new(5);
    let mut chance = 0.0;
    let mut any = told.clone();
    for _ in 0..100 {
        draw.shuffle(&mut any);
        chance += until(&any, hits) / 100.0;
    }
    [until(&told, hits), until(&by_rank, hits), chance, until(&best(&told, ranked), hits)]
}

fn until(tests: &[Test], hits: &dyn Fn(&Test) -> bool) -> f64 {
    let mut sum = 0.0;
    for test in tests {
        sum += test.minutes;
        if hits(test) {
            return sum;
        }
    }
    sum + 60.0
}

/// Most probability for each minute first, each finding counted once: for tests that find what
/// they look for this order has the least expected time (as of jobs by weight over length).
fn best(tests: &[Test], ranked: &[&Finding]) -> Vec<Test> {
    let mut left: Vec<Test> = tests.to_vec();
    let mut done: BTreeSet<usize> = BTreeSet::new();
    let mut order = Vec::new();
    while !left.is_empty() {
        let worth = |test: &Test| -> f64 {
            let fresh = test.findings.iter().filter(|rank| !done.contains(rank));
            let sum: f64 = fresh
                .filter_map(|rank| ranked.iter().find(|finding| finding.rank == *rank))
                .map(|finding| finding.probability)
                .sum();
            sum / test.minutes.max(0.5)
        };
        let place = (0..left.len())
            .max_by(|&a, &b| worth(&left[a]).total_cmp(&worth(&left[b])))
            .expect("some are left");
        let test = left.remove(place);
        done.extend(&test.findings);
        order.push(test);
    }
    order
}

fn errors(truth: &Truth, report: &Report) -> Vec<(usize, Option<String>)> {
    let mut list = Vec::new();
    for channel in 0..truth.loads.len() {
        let name = format!("can{channel}");
        let Some(said) = report.channels.iter().find(|c| c.name == name) else { continue };
        let really = truth.errors.iter().enumerate().filter(|(_, e)| e.channel == channel);
        for ((place, _), said) in really.zip(&said.error_events) {
            list.push((place, said.destroyed_id.clone()));
        }
    }
    list
}
