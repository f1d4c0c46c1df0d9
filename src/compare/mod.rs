//! Whether a repair held: what was lost before against what is heard after, how sure that is, and
//! what became of the codes (docs/repair.md). Pure: no file, no clock.

pub(crate) mod captures;
mod codes;
pub mod comparison;
mod notices;
mod row;
pub use crate::analysis::episodes;
pub mod statistics;
mod subject;
mod watched;

use crate::analysis::Analysis;
use crate::analysis::verdict::{Obstacle, Verdict};
use crate::compare::captures::Fitted;
use crate::compare::comparison::{Comparison, Lost, Notice, Row, Since, State, SuspectedBefore};
use crate::compare::watched::Time;

/// Compares a capture from before a repair with those after it.
///
/// ```
/// use lostnode::compare;
/// use lostnode::analysis::Analysis;
/// use lostnode::compare::comparison::State;
/// let nothing = compare::compare(&Analysis::default(), &[Analysis::default()]);
/// assert_eq!(nothing.verdict, State::NothingLost);
/// ```
pub fn compare(before: &Analysis, after: &[Analysis]) -> Comparison {
    let read: Vec<Read<'_>> = after.iter().map(|own| Read::of(before, own)).collect();
    let drives: Vec<&Analysis> = read
        .iter()
        .filter(|own| !own.is_left_out())
        .flat_map(|own| own.fitted.analysis.each_drive())
        .collect();
    let rows: Vec<Row> = subject::all(before, &drives)
        .iter()
        .flat_map(|subject| row::all(subject, before, &drives))
        .collect();
    let watched = |all: &mut dyn Iterator<Item = &Analysis>| {
        let mut time = Time::default();
        all.for_each(|analysis| time.add(analysis, watched::recorded(analysis)));
        time.seconds()
    };
    let all_left_out = !after.is_empty() && drives.is_empty();
    // That nothing was lost takes captures that can show it.
    let mut all = std::iter::once(before).chain(drives.iter().copied());
    let cannot_tell = rows.is_empty() && all.any(|own| own.verdict() == Verdict::CannotTell);
    let unsure = (cannot_tell || all_left_out).then_some(State::NotSure);
    let paths = |analysis: &Analysis| {
        analysis.captures.iter().map(|capture| capture.path.clone()).collect::<Vec<_>>()
    };
    let codes_of: Vec<&Analysis> =
        read.iter().filter(|own| !own.is_left_out()).map(|own| &*own.fitted.analysis).collect();
    Comparison {
        captures: (paths(before), after.iter().flat_map(paths).collect()),
        watched: (watched(&mut before.each_drive()), watched(&mut drives.iter().copied())),
        codes: codes::compare(before, &codes_of),
        monitors: codes::monitors(before, &codes_of),
        verdict: rows.iter().map(|row| row.state).chain(unsure).max().unwrap_or_default(),
        all_left_out,
        element: element(before, &rows),
        notices: notices::all(before, &read, &rows, cannot_tell),
        rows,
    }
}

/// A capture from after the repair.
struct Read<'a> {
    path: String,
    fitted: Fitted<'a>,
    /// What speaks against its being of this vehicle, at a later time.
    doubts: Vec<Notice>,
}

impl<'a> Read<'a> {
    fn of(before: &Analysis, own: &'a Analysis) -> Self {
        let path = path_of(own);
        let doubts = captures::doubts(&path, before, own);
        Read { fitted: captures::fitted(before, own), doubts, path }
    }

    fn is_left_out(&self) -> bool {
        self.doubts.iter().any(Notice::leaves_out)
    }
}

fn path_of(analysis: &Analysis) -> String {
    analysis.captures.first().map_or(String::new(), |capture| capture.path.clone())
}

/// The likeliest part of the harness, where a wiring file tells, and what became of its nodes.
fn element(before: &Analysis, rows: &[Row]) -> Option<SuspectedBefore> {
    let wiring = &before.findings.as_ref()?.wiring;
    let (at, probability) = *wiring.ranked.first()?;
    let element = &wiring.elements[at];
    let name = |fed: &crate::analysis::subject::Subject| match fed {
        crate::analysis::subject::Subject::Node(node) => Some(before.node_name(*node)),
        _ => None,
    };
    let feeds: Vec<String> = element.feeds.iter().filter_map(name).collect();
    let (since, again) = since(&feeds, rows);
    Some(SuspectedBefore { name: element.name.clone(), probability, feeds, since, again })
}

/// What became of nodes, by the rows of those that were lost; and which were lost after.
fn since(feeds: &[String], rows: &[Row]) -> (Since, Vec<String>) {
    let own: Vec<(&String, State)> = rows
        .iter()
        .filter_map(|row| match &row.lost {
            Lost::Node(name) if feeds.contains(name) => Some((name, row.state)),
            _ => None,
        })
        .collect();
    let of = |state: State| own.iter().filter(move |own| own.1 == state);
    let names = |state: State| of(state).map(|own| own.0.clone()).collect::<Vec<String>>();
    let still = names(State::StillLost);
    let whole = of(State::Held).chain(of(State::Back)).chain(of(State::NotSure)).count();
    match (own.is_empty(), still.is_empty(), whole) {
        (true, ..) => (Since::NotTold, Vec::new()),
        (_, false, 0) => (Since::Again, still),
        (_, false, _) => (Since::SomeAgain, still),
        (_, true, 0) => (Since::Newly, names(State::NewlyLost)),
        _ if of(State::NewlyLost).next().is_some() => (Since::Newly, names(State::NewlyLost)),
        _ if of(State::NotSure).next().is_some() => (Since::NotSure, Vec::new()),
        _ => (Since::Held, Vec::new()),
    }
}

/// Nobody is sent on a shorter drive after a repair, in seconds: a contact must warm up, be bumped
/// and turned.
const SHORTEST_DRIVE: f64 = 300.0;

/// Seconds to drive without a loss after a repair: until it is sure at 95 % that it held, as this
/// capture from before it shows, and never less than five minutes. Losses that come in bursts count
/// there as if they came by chance, and a contact that is cold, or not bumped, holds for minutes
/// (common practice, no source). `None` where nothing was lost.
///
/// ```
/// assert_eq!(lostnode::compare::drive(&lostnode::analysis::Analysis::default()), None);
/// ```
pub fn drive(before: &Analysis) -> Option<f64> {
    let needed = Some(compare(before, &[]).needed()).filter(|time| *time > 0.0)?;
    Some(needed.max(SHORTEST_DRIVE))
}

/// Whether a capture can show a loss of what it is watched for. A doubt about one outage is none
/// about the others.
fn proves(analysis: &Analysis) -> bool {
    analysis
        .obstacles()
        .iter()
        .all(|obstacle| matches!(obstacle, Obstacle::Outage { .. } | Obstacle::MostNotHeard { .. }))
}
