//! Who is missed by whom, and whether the frames confirm it (docs/diagnostics.md).
//!
//! A module that many others miss points at itself or its branch; a module that misses many others
//! points at itself. The names in codes are those of the standard, the names of nodes those of a
//! roster or an address list: which of them mean the same is judged word by word.

use std::collections::BTreeMap;

use crate::fold::diagnostics::{CodeNumber, Module};
use crate::ids::NodeIndex;

/// A module by its name in the table of codes, such as `Door Control Module A`. Traffic does not
/// tell which module of the bus that is.
#[derive(Clone, Debug, PartialEq, Eq, PartialOrd, Ord)]
pub struct Missed(pub String);

/// A "lost communication with …" code as one module holds it.
#[derive(Clone, Debug)]
pub struct Accusation {
    /// Who holds the code.
    pub reporter: Module,
    /// The module missed.
    pub missed: Missed,
    /// The code.
    pub code: CodeNumber,
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

/// What the frames say of a module that others miss. Nodes are places in the list of witnesses,
/// which are those of [`super::Analysis::nodes`].
#[derive(Clone, Copy, Debug, PartialEq)]
pub enum Frames {
    /// It was heard throughout.
    Heard {
        /// The node that it is.
        node: NodeIndex,
    },
    /// It fell silent.
    FellSilent {
        /// The node that it is.
        node: NodeIndex,
        /// How often.
        times: usize,
        /// Seconds of the longest silence.
        longest: f64,
    },
    /// Only one node fell silent: likely this one.
    OnlyOneSilent {
        /// The node.
        node: NodeIndex,
        /// How often.
        times: usize,
        /// Seconds of the longest silence.
        longest: f64,
    },
    /// No node fell silent.
    NobodySilent,
    /// So many nodes fell silent; which of them it is, nothing tells.
    SeveralSilent(usize),
    /// No sender is known.
    NoSender,
}

/// What the frames say to an accusation.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Verdict {
    /// The module missed fell silent in this capture.
    Confirmed,
    /// It is likely the one node that fell silent.
    Likely,
    /// It was heard throughout.
    Contradicted,
    /// The frames do not say.
    Open,
}

impl Frames {
    /// The same without its numbers.
    pub fn verdict(self) -> Verdict {
        match self {
            Frames::FellSilent { .. } => Verdict::Confirmed,
            Frames::OnlyOneSilent { .. } => Verdict::Likely,
            Frames::Heard { .. } | Frames::NobodySilent => Verdict::Contradicted,
            Frames::SeveralSilent(_) | Frames::NoSender => Verdict::Open,
        }
    }

    /// The node that the module is, or likely is.
    pub fn node(self) -> Option<NodeIndex> {
        match self {
            Frames::Heard { node }
            | Frames::FellSilent { node, .. }
            | Frames::OnlyOneSilent { node, .. } => Some(node),
            _ => None,
        }
    }
}

/// One row of the matrix: a module, and all who miss it.
#[derive(Clone, Debug, PartialEq)]
pub struct Blame {
    /// The module missed.
    pub missed: Missed,
    /// Who misses it, ascending.
    pub reporters: Vec<Module>,
    /// The codes, ascending.
    pub codes: Vec<CodeNumber>,
    /// What the frames say.
    pub frames: Frames,
}

impl Blame {
    /// What the frames say, without its numbers.
    pub fn verdict(&self) -> Verdict {
        self.frames.verdict()
    }
}

/// Modules missed from which the one that misses them is itself in question.
const MANY: usize = 3;

/// The matrix, most missed first, and the modules that miss three others or more.
pub fn matrix(
    accusations: &[Accusation],
    witnesses: &[Witness],
) -> (Vec<Blame>, Vec<(Module, usize)>) {
    let mut rows: BTreeMap<&Missed, Vec<&Accusation>> = BTreeMap::new();
    let mut by_reporter: BTreeMap<Module, Vec<&Missed>> = BTreeMap::new();
    for accusation in accusations {
        rows.entry(&accusation.missed).or_default().push(accusation);
        let misses = by_reporter.entry(accusation.reporter).or_default();
        if !misses.contains(&&accusation.missed) {
            misses.push(&accusation.missed);
        }
    }
    let mut out: Vec<Blame> = rows
        .into_iter()
        .map(|(missed, list)| Blame {
            missed: missed.clone(),
            reporters: sorted(list.iter().map(|accusation| accusation.reporter)),
            codes: sorted(list.iter().map(|accusation| accusation.code)),
            frames: judge(missed, witnesses),
        })
        .collect();
    out.sort_by(|a, b| b.reporters.len().cmp(&a.reporters.len()).then(a.missed.cmp(&b.missed)));
    let accusers = by_reporter.into_iter().filter(|(_, misses)| misses.len() >= MANY);
    (out, accusers.map(|(reporter, misses)| (reporter, misses.len())).collect())
}

fn sorted<T: Ord>(list: impl Iterator<Item = T>) -> Vec<T> {
    let mut list: Vec<T> = list.collect();
    list.sort_unstable();
    list.dedup();
    list
}

fn judge(missed: &Missed, witnesses: &[Witness]) -> Frames {
    let places = |wanted: &dyn Fn(&Witness) -> bool| -> Vec<NodeIndex> {
        (0..witnesses.len()).map(NodeIndex).filter(|at| wanted(&witnesses[*at])).collect()
    };
    let silences = |node: NodeIndex| (witnesses[node].outages, witnesses[node].longest);
    if let [node] = places(&|witness| same_thing(&missed.0, &witness.name))[..] {
        return match silences(node) {
            (0, _) => Frames::Heard { node },
            (times, longest) => Frames::FellSilent { node, times, longest },
        };
    }
    match places(&|witness| witness.outages > 0)[..] {
        _ if witnesses.is_empty() => Frames::NoSender,
        [] => Frames::NobodySilent,
        [node] => {
            let (times, longest) = silences(node);
            Frames::OnlyOneSilent { node, times, longest }
        }
        ref several => Frames::SeveralSilent(several.len()),
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

/// Whether two names can mean the same: all telling words of one are in the other. One shared word
/// is not enough where each has another besides.
///
/// ```
/// use lostnode::analysis::blame::same_thing;
/// assert!(same_thing("Door Control Module A", "sliding door"));
/// assert!(!same_thing("passenger door", "sliding door"));
/// assert!(!same_thing("Door Control Module A", "node of 0x3B0"));
/// ```
pub fn same_thing(a: &str, b: &str) -> bool {
    has_words_of(a, b) || has_words_of(b, a)
}

/// Whether all telling words of `part`, of which there is one at least, are in `name`. One may be
/// the beginning of the other (`brake`, `brakes`).
///
/// ```
/// use lostnode::analysis::blame::has_words_of;
/// assert!(has_words_of("sliding door", "door module"));
/// assert!(!has_words_of("door", "sliding door"));
/// ```
pub fn has_words_of(name: &str, part: &str) -> bool {
    let (name, part) = (telling_words(name), telling_words(part));
    let begins = |a: &str, b: &str| a.len() >= 4 && b.len() >= 4 && a.starts_with(b);
    let same = |a: &String, b: &String| a == b || begins(a, b) || begins(b, a);
    !part.is_empty() && part.iter().all(|word| name.iter().any(|own| same(own, word)))
}

fn telling_words(name: &str) -> Vec<String> {
    let parts = name.split(|c: char| !c.is_alphanumeric()).map(str::to_lowercase);
    parts.filter(|word| word.len() >= 3 && !COMMON.contains(&word.as_str())).collect()
}
