//! Who is missed by whom, and whether the frames confirm it (docs/diagnostics.md).
//!
//! A module that many others miss points at itself or its branch; a module that misses many others
//! points at itself. The names in codes are those of the standard, the names of nodes those of a
//! roster or an address list: which of them mean the same is judged word by word.

mod row;

use std::collections::BTreeMap;
use std::sync::LazyLock;

use super::cut_off;
use super::diagnosis::CodeAge;
use crate::capture::ChannelIndex;
use crate::fold::diagnostics::meaning::{table, words};
use crate::fold::diagnostics::{CodeNumber, Module, Party};
use crate::fold::timing::{Nanoseconds, Silence, seconds};
use crate::ids::NodeIndex;
use row::Row;

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
    /// Where the module missed would be heard, where the code says it by a source address (SAE
    /// J1939): the channel of the reporter, and the address.
    pub address: Option<(ChannelIndex, u8)>,
    /// How old the fault is, by the code itself.
    pub age: CodeAge,
    /// It failed in this operation cycle, as far as its status tells (bits 0 and 1 of ISO
    /// 14229-1:2020, D.2), or came in this capture.
    pub this_cycle: bool,
    /// It came in this capture: time of the last read without it, and of the first with it.
    pub appeared: Option<(Nanoseconds, Nanoseconds)>,
    /// When it was last read; `None` without time stamps.
    pub read: Option<Nanoseconds>,
    /// It was cleared, and had not come back when it was read so many seconds later.
    pub stayed_away: Option<f64>,
}

/// A node as the frames show it.
#[derive(Clone, Debug)]
pub struct Witness {
    /// Its name.
    pub name: String,
    /// What codes call it, where that is known.
    pub missed_as: Vec<String>,
    /// Its channel and source address, where it has one (SAE J1939).
    pub address: Option<(ChannelIndex, u8)>,
    /// When it was silent, alone or with its branch; the whole capture where it was never heard.
    pub silences: Vec<Silence>,
    /// When it was away with others or for good, be it with the key or because it was lost.
    pub perhaps_off: Vec<Silence>,
    /// Nothing but its silences says that it is one module.
    pub perhaps_several: bool,
    /// It was heard to answer a tester, and sent nothing by itself.
    pub only_answers: bool,
    /// Period of the fastest of its messages in seconds, where one is known.
    pub fastest: Option<f64>,
}

impl Witness {
    /// Whether a code that was not there at one time and was at another can be of a silence.
    fn began(&self, (absent, seen): (Nanoseconds, Nanoseconds), late: Nanoseconds) -> bool {
        self.silences.iter().any(|own| own.start <= seen && own.end >= absent - late)
    }

    /// Whether it had been silent for so long at a time.
    fn was_away(&self, time: Nanoseconds, late: Nanoseconds) -> bool {
        self.silences.iter().any(|own| own.start < time - late && own.end >= time)
    }

    fn longest(&self) -> f64 {
        self.silences.iter().map(|silence| seconds(silence.length())).fold(0.0, f64::max)
    }
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
    /// It answered a tester, and sent nothing by itself.
    OnlyAnswers {
        /// The node that it is.
        node: NodeIndex,
    },
    /// It left, with the key or because it was lost: nothing tells which.
    PerhapsOff {
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
    /// Of the nodes that fell silent only this one is left for it.
    OnlyOneSilent {
        /// The node.
        node: NodeIndex,
        /// How often.
        times: usize,
        /// Seconds of the longest silence.
        longest: f64,
    },
    /// Another is likelier the node that fell silent; that node may be several modules, for nothing
    /// but its silences says that it is one.
    AmongSilent {
        /// The node.
        node: NodeIndex,
    },
    /// No node that fell silent is left for it, and nobody says that it is missed now.
    NobodySilent,
    /// No node that fell silent is left for it, and it is missed now: it may have been silent from
    /// the start, or sit on another bus. What was never heard, frames cannot vouch for.
    NotKnown,
    /// So many nodes fell silent; which of them it is, nothing tells.
    SeveralSilent(usize),
    /// Only those tell of it who were cut off themselves.
    FromBeyond,
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
            Frames::OnlyOneSilent { .. } | Frames::AmongSilent { .. } => Verdict::Likely,
            Frames::Heard { .. } | Frames::NobodySilent => Verdict::Contradicted,
            Frames::OnlyAnswers { .. }
            | Frames::PerhapsOff { .. }
            | Frames::NotKnown
            | Frames::SeveralSilent(_)
            | Frames::FromBeyond
            | Frames::NoSender => Verdict::Open,
        }
    }

    /// The node that the module is, or likely is.
    pub fn node(self) -> Option<NodeIndex> {
        match self {
            Frames::Heard { node }
            | Frames::OnlyAnswers { node }
            | Frames::PerhapsOff { node }
            | Frames::FellSilent { node, .. }
            | Frames::OnlyOneSilent { node, .. }
            | Frames::AmongSilent { node } => Some(node),
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
    /// Nodes that fell silent and whose silences its codes fit, though another name may fit better.
    pub may_be: Vec<NodeIndex>,
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
    let mut by_missed: BTreeMap<&Missed, Vec<&Accusation>> = BTreeMap::new();
    for accusation in accusations {
        by_missed.entry(&accusation.missed).or_default().push(accusation);
    }
    let row = |(missed, accusations)| Row { missed, accusations };
    let rows: Vec<Row<'_>> = by_missed.into_iter().map(row).collect();
    let frames = judge(&rows, witnesses);
    let accusers = accusers(&rows, &frames);
    let may_be = |row: &Row<'_>| -> Vec<NodeIndex> {
        let fits = |own: &Witness| !own.silences.is_empty() && row.can_be(own);
        (0..witnesses.len()).filter(|at| fits(&witnesses[*at])).map(NodeIndex).collect()
    };
    let all = rows.iter().zip(frames);
    let mut out: Vec<Blame> = all.map(|(row, frames)| row.blame(frames, may_be(row))).collect();
    out.sort_by(|a, b| b.reporters.len().cmp(&a.reporters.len()).then(a.missed.cmp(&b.missed)));
    (out, accusers)
}

/// A module misses others by a fault of its own where nobody else misses them, and no silence is
/// behind it: what a node that fell silent leaves with all others is no sign of any of these.
fn accusers(rows: &[Row<'_>], frames: &[Frames]) -> Vec<(Module, usize)> {
    let mut alone: BTreeMap<Module, usize> = BTreeMap::new();
    for (row, frames) in rows.iter().zip(frames) {
        let silent = matches!(
            frames,
            Frames::FellSilent { .. }
                | Frames::OnlyOneSilent { .. }
                | Frames::AmongSilent { .. }
                | Frames::SeveralSilent(_)
        );
        if let ([reporter], false) = (row.reporters().as_slice(), silent) {
            *alone.entry(*reporter).or_default() += 1;
        }
    }
    alone.into_iter().filter(|(_, misses)| *misses >= MANY).collect()
}

fn sorted<T: Ord>(list: impl Iterator<Item = T>) -> Vec<T> {
    let mut list: Vec<T> = list.collect();
    list.sort_unstable();
    list.dedup();
    list
}

/// What the frames say to each row. A node is one module: those named by a row are that row's, and
/// of the others each is given away once, to the row that fits it best.
fn judge(rows: &[Row<'_>], witnesses: &[Witness]) -> Vec<Frames> {
    let all = || (0..witnesses.len()).map(NodeIndex);
    let named = |row: &Row<'_>| {
        if row.address().is_some() {
            return all().find(|at| witnesses[*at].address == row.address());
        }
        let told = |at: &NodeIndex| witnesses[*at].missed_as.contains(&row.missed.0);
        if let Some(node) = all().find(told) {
            return Some(node);
        }
        // Whose name in codes is known is none of another name.
        let same: Vec<NodeIndex> = all()
            .filter(|at| witnesses[*at].missed_as.is_empty())
            .filter(|at| same_thing(&row.missed.0, &witnesses[*at].name))
            .collect();
        // Of "park brake" and "brakes" the code of the park brake means the first.
        let exactly = |at: &NodeIndex| same_words(&row.missed.0, &witnesses[*at].name);
        let exact: Vec<NodeIndex> = same.iter().copied().filter(exactly).collect();
        match (&same[..], &exact[..]) {
            ([node], _) | (_, [node]) => Some(*node),
            _ => None,
        }
    };
    let named: Vec<Option<NodeIndex>> = rows.iter().map(named).collect();
    let beyond = from_beyond(rows, &named, witnesses);
    let earlier = earlier(rows, &named, witnesses);
    let mut free: Vec<NodeIndex> = all()
        .filter(|at| !witnesses[*at].silences.is_empty() && !named.contains(&Some(*at)))
        .collect();
    let mut open: Vec<usize> = (0..rows.len())
        .filter(|at| named[*at].is_none() && !beyond[*at] && !rows[*at].is_of_the_past())
        .collect();
    // The best of them first; of those alike, in order of the alphabet.
    open.sort_by_key(|at| rows[*at].rank());
    let mut out: Vec<Frames> = rows
        .iter()
        .zip(named.iter().zip(&beyond))
        .enumerate()
        .map(|(at, (row, (named, beyond)))| match named.map(|node| (node, &witnesses[node])) {
            Some((node, own)) if own.silences.is_empty() && own.only_answers => {
                Frames::OnlyAnswers { node }
            }
            // What was read before it left is of something older.
            Some((node, own))
                if own.silences.is_empty()
                    && own.perhaps_off.iter().any(|off| !row.was_read_before(off.start)) =>
            {
                Frames::PerhapsOff { node }
            }
            Some((node, own)) if own.silences.is_empty() => Frames::Heard { node },
            Some((node, own)) => {
                Frames::FellSilent { node, times: own.silences.len(), longest: own.longest() }
            }
            None if *beyond => Frames::FromBeyond,
            None if row.is_heard_again() => Frames::NobodySilent,
            None if witnesses.is_empty() => Frames::NoSender,
            None if row.age() == CodeAge::Past && !earlier.contains(&at) => Frames::NobodySilent,
            None => Frames::NotKnown,
        })
        .collect();
    // Whoever can be one node only, and is the only one that can be that node.
    let fits = |row: usize, free: &[NodeIndex]| -> Vec<NodeIndex> {
        free.iter().copied().filter(|node| rows[row].can_be(&witnesses[*node])).collect()
    };
    open.retain(|row| !fits(*row, &free).is_empty());
    while let Some((row, node)) = sure(&open, &free, &|row| rows[row].rank(), &fits) {
        let own = &witnesses[node];
        out[row] =
            Frames::OnlyOneSilent { node, times: own.silences.len(), longest: own.longest() };
        open.retain(|other| *other != row);
        free.retain(|other| *other != node);
        open.retain(|row| !fits(*row, &free).is_empty());
    }
    // Of those that are left no more than there are nodes, the best first.
    let left = free.len();
    for row in open.into_iter().take(left) {
        out[row] = Frames::SeveralSilent(left);
    }
    let silent: Vec<NodeIndex> = all().filter(|at| !witnesses[*at].silences.is_empty()).collect();
    for (row, frames) in out.iter_mut().enumerate() {
        // The only one that it can be, whatever that is known by.
        if let Frames::NotKnown | Frames::SeveralSilent(_) = *frames
            && let [node] = fits(row, &silent)[..]
            && witnesses[node].perhaps_several
            && rows[row].is_of(&witnesses[node])
        {
            *frames = Frames::AmongSilent { node };
        }
    }
    out
}

/// Rows that remember something, all of them read before several nodes were lost together: a branch
/// that comes and goes leaves such codes when it goes for the first time. Old codes of other things
/// are missed by one module here and one there.
fn earlier(rows: &[Row<'_>], named: &[Option<NodeIndex>], witnesses: &[Witness]) -> Vec<usize> {
    let all = || witnesses.iter().flat_map(|own| &own.silences);
    let shared = |own: &&Silence| all().filter(|other| *other == *own).count() >= 2;
    let Some(first) = all().filter(shared).map(|own| own.start).min() else { return Vec::new() };
    let open = |at: &usize| {
        let row = &rows[*at];
        named[*at].is_none() && row.age() == CodeAge::Past && row.was_read_before(first)
    };
    let out: Vec<usize> = (0..rows.len()).filter(open).collect();
    let agree = out.iter().any(|at| rows[*at].reporters().len() >= 2);
    if out.len() >= 2 && agree { out } else { Vec::new() }
}

/// Which rows are told only by modules that were cut off themselves, where a node was. What is long
/// past, or of a node that did fall silent, is not.
fn from_beyond(rows: &[Row<'_>], named: &[Option<NodeIndex>], witnesses: &[Witness]) -> Vec<bool> {
    if witnesses.iter().all(|witness| witness.silences.is_empty()) {
        return vec![false; rows.len()];
    }
    let reporters = |row: &Row<'_>| match row.age() {
        CodeAge::Past => Vec::new(),
        _ if row.is_heard_again() => Vec::new(),
        // A module may tell the same on two of its buses.
        _ => row.reporters().into_iter().map(|module| module.party).collect(),
    };
    let reporters: Vec<Vec<Party>> = rows.iter().map(reporters).collect();
    let lost = |row: usize| named[row].is_some_and(|node| !witnesses[node].silences.is_empty());
    cut_off::from_beyond(&reporters, lost)
}

/// A row that must be a node, or fits it better than any other row: each of the others is worse by
/// the age of its codes or by how many tell of it, and this row fits no other node.
fn sure<K: Ord>(
    open: &[usize],
    free: &[NodeIndex],
    rank: &dyn Fn(usize) -> K,
    fits: &dyn Fn(usize, &[NodeIndex]) -> Vec<NodeIndex>,
) -> Option<(usize, NodeIndex)> {
    open.iter().find_map(|&row| {
        let [node] = fits(row, free)[..] else { return None };
        let rivals =
            open.iter().filter(|other| **other != row && fits(**other, free).contains(&node));
        rivals.clone().all(|rival| rank(row) < rank(*rival)).then_some((row, node))
    })
}

/// Words that say nothing about which module it is.
const COMMON: [&str; 15] = [
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
    "processing",
];

/// Whether two names can mean the same: all telling words of one are in the other. One shared word
/// is not enough where each has another besides.
///
/// ```
/// use lostnode::analysis::blame::same_thing;
/// assert!(same_thing("Door Control Module A", "sliding door"));
/// assert!(!same_thing("passenger door", "sliding door"));
/// assert!(!same_thing("Door Control Module A", "node of 0x3B0"));
/// assert!(same_thing("Restraints Control Module", "airbags") && same_thing("TCM", "gearbox"));
/// ```
pub fn same_thing(a: &str, b: &str) -> bool {
    has_words_of(a, b) || has_words_of(b, a)
}

/// Whether each has all telling words of the other.
pub(crate) fn same_words(a: &str, b: &str) -> bool {
    has_words_of(a, b) && has_words_of(b, a)
}

/// Whether all telling words of `part`, of which there is one at least, are in `name`. One may be
/// the beginning of the other (`brake`, `brakes`).
///
/// ```
/// use lostnode::analysis::blame::has_words_of;
/// assert!(has_words_of("sliding door", "door module"));
/// assert!(!has_words_of("door", "sliding door"));
/// assert!(!has_words_of("Engine Coolant Pump Control Module", "engine"));
/// assert!(has_words_of("Fuel Pump Control Module", "fuel"));
/// ```
pub fn has_words_of(name: &str, part: &str) -> bool {
    let (name, part) = (telling_words(name), telling_words(part));
    let begins = |a: &str, b: &str| a.len() >= 4 && b.len() >= 4 && a.starts_with(b);
    let same = |a: &String, b: &String| a == b || begins(a, b) || begins(b, a);
    let has = |own: &String| part.iter().any(|word| same(own, word));
    // Of a pump its own words count: that of the engine is not the engine.
    let is_of_another = |at: usize| {
        let named = has(&name[at]) || at > 0 && has(&name[at - 1]);
        PARTS.contains(&name[at].as_str()) && !named
    };
    !part.is_empty()
        && part.iter().all(|word| name.iter().any(|own| same(own, word)))
        && !(0..name.len()).any(is_of_another)
}

/// What serves a module whose name stands further before (common practice, no source).
const PARTS: [&str; 3] = ["pump", "valve", "actuator"];

fn telling_words(name: &str) -> Vec<String> {
    let words = words(name)
        .map(str::to_lowercase)
        .filter(|word| word.len() >= 3 && !COMMON.contains(&word.as_str()));
    words.flat_map(as_in_codes).collect()
}

/// What people write for a word that codes have, by word.
static LIKE: LazyLock<BTreeMap<&str, Vec<&str>>> = LazyLock::new(|| {
    let rows = table(include_str!("data/like-words.tsv"));
    rows.filter_map(|row| Some((*row.first()?, row.get(1)?.split(' ').collect()))).collect()
});

/// A word in the words that codes have for it.
fn as_in_codes(word: String) -> Vec<String> {
    let one = word.strip_suffix('s').unwrap_or(&word);
    match LIKE.get(word.as_str()).or_else(|| LIKE.get(one)) {
        Some(words) => words.iter().map(|own| (*own).to_owned()).collect(),
        None => vec![word],
    }
}
