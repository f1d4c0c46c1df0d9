//! Who is blamed by whom, and whether the frames confirm it.
//!
//! A module that many others miss points at itself or its branch; a module that misses many others
//! points at itself. The names in codes are those of the standard, the names of nodes those of a
//! roster or an address list: they are compared word by word.

use std::collections::BTreeMap;

/// A "lost communication with …" code as one module holds it.
#[derive(Clone, Debug)]
pub struct Accusation {
    /// Who holds the code.
    pub reporter: String,
    /// Name of the missed module in the code's meaning.
    pub blamed: String,
    /// The code.
    pub code: String,
}

/// A node as the frames show it.
#[derive(Clone, Debug)]
pub struct Witness {
    /// Its name.
    pub name: String,
    /// How often it fell silent, alone or with its branch.
    pub outages: usize,
    /// Seconds of the longest silence.
    pub longest: f64,
}

/// What the frames say to an accusation.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Verdict {
    /// The blamed module fell silent in this capture.
    Confirmed,
    /// It is likely the one node that fell silent.
    Likely,
    /// It was heard throughout.
    Contradicted,
    /// The frames do not say.
    Open,
}

/// One row of the matrix: a blamed module and all who miss it.
#[derive(Clone, Debug)]
pub struct Blame {
    /// Name of the module in the codes.
    pub blamed: String,
    /// Who misses it, sorted.
    pub reporters: Vec<String>,
    /// The codes, sorted.
    pub codes: Vec<String>,
    /// What the frames say.
    pub verdict: Verdict,
    /// Place of the witness that it is, or likely is.
    pub witness: Option<usize>,
    /// In a sentence.
    pub sentence: String,
}

/// The matrix, most blamed first, and the reporters that miss three modules or more.
pub fn matrix(
    accusations: &[Accusation],
    witnesses: &[Witness],
) -> (Vec<Blame>, Vec<(String, usize)>) {
    let mut rows: BTreeMap<&str, Vec<&Accusation>> = BTreeMap::new();
    let mut by_reporter: BTreeMap<&str, Vec<&str>> = BTreeMap::new();
    for accusation in accusations {
        rows.entry(&accusation.blamed).or_default().push(accusation);
        let misses = by_reporter.entry(&accusation.reporter).or_default();
        if !misses.contains(&accusation.blamed.as_str()) {
            misses.push(&accusation.blamed);
        }
    }
    let sorted = |mut list: Vec<String>| {
        list.sort_unstable();
        list.dedup();
        list
    };
    let mut out: Vec<Blame> = rows
        .into_iter()
        .map(|(blamed, list)| {
            let reporters =
                sorted(list.iter().map(|accusation| accusation.reporter.clone()).collect());
            let codes = sorted(list.iter().map(|accusation| accusation.code.clone()).collect());
            let (verdict, witness, what) = judge(blamed, witnesses);
            let sentence = format!(
                "{blamed} is missed by {} module{}: {what}",
                reporters.len(),
                if reporters.len() == 1 {
                    ""
                } else {
                    "s, which points at that module or its branch"
                }
            );
            Blame { blamed: blamed.to_owned(), reporters, codes, verdict, witness, sentence }
        })
        .collect();
    out.sort_by(|a, b| b.reporters.len().cmp(&a.reporters.len()).then(a.blamed.cmp(&b.blamed)));
    let accusers = by_reporter.into_iter().filter(|(_, misses)| misses.len() >= 3);
    (out, accusers.map(|(reporter, misses)| (reporter.to_owned(), misses.len())).collect())
}

fn judge(blamed: &str, witnesses: &[Witness]) -> (Verdict, Option<usize>, String) {
    let named: Vec<(usize, &Witness)> = witnesses
        .iter()
        .enumerate()
        .filter(|(_, witness)| same_thing(blamed, &witness.name))
        .collect();
    if let [(at, witness)] = named.as_slice() {
        return match witness.outages {
            0 => (
                Verdict::Contradicted,
                Some(*at),
                format!(
                    "the frames contradict it, {} was heard throughout this capture: the code remembers something older",
                    witness.name
                ),
            ),
            times => (
                Verdict::Confirmed,
                Some(*at),
                format!(
                    "the frames confirm it, {} fell silent {times} time{} (longest {:.2} s)",
                    witness.name,
                    if times == 1 { "" } else { "s" },
                    witness.longest
                ),
            ),
        };
    }
    let silent: Vec<(usize, &Witness)> =
        witnesses.iter().enumerate().filter(|(_, witness)| witness.outages > 0).collect();
    match silent.as_slice() {
        _ if witnesses.is_empty() => {
            (Verdict::Open, None, "no sender is known from this capture, so the frames do not say".to_owned())
        }
        [] => (
            Verdict::Contradicted,
            None,
            "no node fell silent in this capture: the code remembers something older, or that module is on another bus"
                .to_owned(),
        ),
        [(at, witness)] => (
            Verdict::Likely,
            Some(*at),
            format!(
                "likely {}, the only node that fell silent ({} times, longest {:.2} s); traffic alone does not tell its name",
                witness.name, witness.outages, witness.longest
            ),
        ),
        several => (
            Verdict::Open,
            None,
            format!("{} nodes fell silent, and traffic alone does not tell which of them it is", several.len()),
        ),
    }
}

/// Words that say nothing about which module it is.
const COMMON: [&str; 14] = [
    "control",
    "module",
    "controller",
    "system",
    "unit",
    "node",
    "with",
    "the",
    "and",
    "address",
    "primary",
    "sensor",
    "lost",
    "communication",
];

/// Whether two names share a telling word; one may be the beginning of the other (`brake`,
/// `brakes`).
///
/// ```
/// use lostnode::analysis::blame::same_thing;
/// assert!(same_thing("Door Control Module A", "sliding door"));
/// assert!(!same_thing("Door Control Module A", "node of 0x3B0"));
/// ```
pub fn same_thing(a: &str, b: &str) -> bool {
    let words = |text: &str| -> Vec<String> {
        let parts = text.split(|c: char| !c.is_alphanumeric()).map(str::to_lowercase);
        parts.filter(|word| word.len() >= 3 && !COMMON.contains(&word.as_str())).collect()
    };
    let (a, b) = (words(a), words(b));
    a.iter().any(|a| {
        b.iter().any(|b| {
            a == b || (a.len() >= 4 && b.len() >= 4 && (a.starts_with(b) || b.starts_with(a)))
        })
    })
}
