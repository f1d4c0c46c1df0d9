//! Whether a repair held: what was lost before against what is heard after, how sure that is, and
//! what became of the codes (docs/repair.md). Pure: no file, no clock.

mod captures;
mod codes;
pub mod comparison;
pub use crate::analysis::episodes;
pub mod statistics;
mod subject;

use crate::analysis;
use crate::analysis::verdict::{Obstacle, Verdict};
use crate::analysis::{Analysis, Doubt, Outage, Scope};
use crate::capture::ChannelIndex;
use crate::compare::comparison::{Comparison, Lost, Notice, Row, Since, State, SuspectedBefore};
use crate::compare::subject::Subject;
use crate::ids::IdIndex;

/// Chance of being wrong that a verdict takes.
const RISK: f64 = 0.05;
/// What was silent all along is back where it is heard for so many seconds: several periods of what
/// is sent once a second. Whether it stays is for the road to tell.
const BACK_FOR: f64 = 10.0;

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
    let subjects = subject::all(before, after);
    let rows: Vec<Row> = subjects.iter().map(|subject| row(subject, before, after)).collect();
    let watched = |analysis: &Analysis| analysis.length() - quiet(analysis, None);
    // That nothing was lost takes captures that can show it.
    let unsure = rows.is_empty()
        && std::iter::once(before)
            .chain(after)
            .any(|analysis| analysis.verdict() == Verdict::CannotTell);
    let unsure = unsure.then_some(State::NotSure);
    let paths = |analysis: &Analysis| {
        analysis.captures.iter().map(|capture| capture.path.clone()).collect::<Vec<_>>()
    };
    let drive_on = rows.iter().any(|row| matches!(row.state, State::NotSure | State::Back));
    Comparison {
        captures: (paths(before), after.iter().flat_map(paths).collect()),
        watched: (watched(before), after.iter().map(watched).sum()),
        codes: codes::compare(before, after),
        monitors: codes::monitors(before, after),
        verdict: rows.iter().map(|row| row.state).chain(unsure).max().unwrap_or_default(),
        element: element(before, &rows),
        rows,
        notices: notices(before, after, drive_on),
    }
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

/// Seconds to drive without a loss after a repair until it is sure at 95 % that it held, as this
/// capture from before it shows; `None` where nothing was lost.
///
/// ```
/// assert_eq!(lostnode::compare::drive(&lostnode::analysis::Analysis::default()), None);
/// ```
pub fn drive(before: &Analysis) -> Option<f64> {
    Some(compare(before, &[]).needed()).filter(|time| *time > 0.0)
}

/// Beginnings of the losses of a subject, in seconds recorded until then, ascending; and the
/// seconds lost.
fn losses(subject: &Subject, analysis: &Analysis) -> (Vec<f64>, f64) {
    if analysis.span.is_none() {
        return (Vec::new(), 0.0);
    }
    let own = || analysis.lost().filter(|outage| subject.is_in(analysis, outage));
    let mut times: Vec<f64> = own().map(|outage| analysis.elapsed(outage.start)).collect();
    times.sort_by(f64::total_cmp);
    (times, own().map(|outage| outage.duration()).sum())
}

/// Whether a subject was silent for a reason that may be a loss all the same. The key, or a supply
/// that many share, is no loss of what was lost alone before.
fn may_be_lost(subject: &Subject, with_others: bool, analysis: &Analysis) -> bool {
    let of_its_own = |outage: &&Outage| match outage.doubt {
        None => false,
        Some(Doubt::KeyOrSupply) => with_others,
        Some(_) => !outage.is_loss(),
    };
    let touches = |outage: &Outage| {
        let own = |id: &IdIndex| subject.has(analysis, &analysis.identifiers[*id]);
        subject.is_in(analysis, outage) || outage.scope < Scope::Bus && outage.ids.iter().any(own)
    };
    analysis.outages.iter().filter(of_its_own).any(touches)
}

/// Seconds in which nothing could be heard: sleep and pauses.
fn quiet(analysis: &Analysis, channel: Option<&str>) -> f64 {
    let here = |at: ChannelIndex| channel.is_none_or(|name| analysis.channel(at).name == name);
    let of = analysis
        .outages
        .iter()
        .filter(|outage| !outage.is_loss() && outage.channel.is_none_or(here));
    of.map(|outage| outage.duration()).sum()
}

/// Whether a capture can show a loss of what it is watched for. A doubt about one outage is none
/// about the others.
fn proves(analysis: &Analysis) -> bool {
    analysis
        .obstacles()
        .iter()
        .all(|obstacle| matches!(obstacle, Obstacle::Outage { .. } | Obstacle::MostNotHeard { .. }))
}

/// Seconds in which a loss of a subject could be heard, `lost` of them being lost.
fn watched(subject: &Subject, analysis: &Analysis, lost: f64) -> f64 {
    (analysis.length() - quiet(analysis, Some(&subject.channel)) - lost).max(0.0)
}

fn row(subject: &Subject, before: &Analysis, after: &[Analysis]) -> Row {
    let (times, lost) = losses(subject, before);
    let time_before = watched(subject, before, lost);
    let (grouped, joined) = episodes::group(&times, time_before);
    let (mut count_after, mut episodes_after, mut time_after) = (0, 0, 0.0);
    for analysis in after {
        let (times, lost) = losses(subject, analysis);
        // Joined by the same gap as before, so that both sides count the same way.
        let apart = times.windows(2).filter(|pair| pair[1] - pair[0] > joined).count() as u64;
        episodes_after += apart + u64::from(!times.is_empty());
        count_after += times.len() as u64;
        // What proves nothing proves no repair.
        time_after += if proves(analysis) { watched(subject, analysis, lost) } else { 0.0 };
    }
    if subject.gone && count_after == 0 {
        (count_after, episodes_after) = (1, 1);
    }
    let (k, n) = (grouped.len() as u64, episodes_after);
    let comparable = k + n > 0 && time_before > 0.0 && time_after > 0.0;
    let p = comparable.then(|| statistics::fewer_after(k, time_before, n, time_after));
    let needed = match n {
        0 => statistics::needed(k, time_before, 1.0 - RISK)
            .map(|time| time - time_after)
            .filter(|time| *time > 0.0),
        _ => None,
    };
    // It may have been lost again: nobody is blamed for that silence, and no repair is proved.
    let with_others =
        before.lost().any(|outage| outage.nodes.len() > 1 && subject.is_in(before, outage));
    let perhaps_again = after.iter().any(|analysis| may_be_lost(subject, with_others, analysis));
    // Of what was never heard no rate is known, and none is needed: it is there.
    let throughout = k > 0 && time_before <= 0.0 && time_after >= BACK_FOR;
    let state = match (k, n) {
        (_, 1..) if times.is_empty() => State::NewlyLost,
        (_, 1..) => State::StillLost,
        (1.., 0) if p.is_some_and(|p| p <= RISK) && !perhaps_again => State::Held,
        (1.., 0) if throughout && !perhaps_again => State::Back,
        (1.., 0) => State::NotSure,
        (0, 0) => State::NothingLost,
    };
    let ratio = comparable
        .then(|| statistics::rate_ratio(k, time_before, n, time_after, 1.0 - RISK))
        .flatten();
    Row {
        lost: subject.lost.clone(),
        losses: (times.len() as u64, count_after),
        episodes: (k, n),
        joined,
        watched: (time_before, time_after),
        p,
        e_test: comparable.then(|| statistics::e_test(k, time_before, n, time_after).1),
        ratio: ratio.map(|(ratio, (low, high))| (ratio, low, high)),
        needed,
        state,
        perhaps_again,
        gone: subject.gone,
    }
}

fn notices(before: &Analysis, after: &[Analysis], drive_on: bool) -> Vec<Notice> {
    let path_of = |analysis: &Analysis| {
        analysis.captures.first().map_or(String::new(), |capture| capture.path.clone())
    };
    let doubts =
        after.iter().flat_map(|analysis| captures::doubts(&path_of(analysis), before, analysis));
    let only_since = after
        .iter()
        .filter_map(|analysis| subject::heard_only_since(&path_of(analysis), before, analysis));
    let kept_out = before.kept_out.iter().cloned();
    let kept_out = kept_out.map(|own| Notice::KeptOut(own.path, own.vin, own.vehicle));
    let mut out: Vec<Notice> = kept_out.chain(doubts).chain(only_since).collect();
    let twice = std::iter::once(before).chain(after).flat_map(|analysis| &analysis.notices);
    out.extend(twice.filter_map(|notice| match notice {
        analysis::Notice::SameTwice { path, read } => {
            Some(Notice::SameTwice(path.clone(), read.clone()))
        }
        _ => None,
    }));
    for analysis in before.each_drive().chain(after) {
        let path = || path_of(analysis);
        if analysis.span.is_none() {
            out.push(Notice::NoTimeStamps(path()));
        }
        if analysis.span.is_some() && !proves(analysis) {
            out.push(Notice::ProvesNothing(path()));
        }
        let rejected: u64 = analysis.captures.iter().map(|capture| capture.rejected).sum();
        if rejected > 0 {
            out.push(Notice::Rejected(path(), rejected));
        }
    }
    if after.iter().any(|analysis| analysis.lost().any(|outage| outage.ongoing)) {
        out.push(Notice::LossToTheEnd);
    }
    out.push(Notice::SameRoads);
    if drive_on {
        out.push(Notice::Driving);
    }
    out
}
