//! Whether a repair held: what was lost before against what is heard after, how sure that is, and
//! what became of the codes. Pure: no file, no clock.

mod codes;
pub mod comparison;
pub mod episodes;
pub mod statistics;

use std::collections::{BTreeMap, BTreeSet};

use lostnode_parsers::Id;

use crate::analysis::{Analysis, Outage, Scope};
use crate::compare::comparison::{Comparison, Row, State};
use crate::fold::timing::seconds;
use crate::words::terms::{duration, id_label};

/// Chance of being wrong that a verdict takes.
const RISK: f64 = 0.05;

/// What can be lost: a node, an identifier, a bus. Nodes of different captures are the same where
/// they share an identifier.
#[derive(Clone, Debug)]
struct Subject {
    name: String,
    /// Channel and identifiers; none for a whole bus.
    ids: BTreeSet<(String, Id)>,
    channel: String,
}

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
    let mut subjects: Vec<Subject> = Vec::new();
    for report in std::iter::once(before).chain(after) {
        for outage in report.lost() {
            subjects_of(report, outage).into_iter().for_each(|subject| add(&mut subjects, subject));
        }
    }
    let gone = disappeared(before, after, &mut subjects);
    let mut rows: Vec<Row> = subjects
        .iter()
        .map(|subject| row(subject, before, after, gone.contains(&subject.name)))
        .collect();
    rows.sort_by(|a, b| b.state.cmp(&a.state).then(a.name.cmp(&b.name)));
    let verdict = rows.iter().map(|row| row.state).max().unwrap_or_default();
    let watched = |report: &Analysis| {
        report.span.map_or(0.0, |(start, end)| seconds(end - start)) - quiet(report, None)
    };
    let paths = |report: &Analysis| {
        report.captures.iter().map(|capture| capture.path.clone()).collect::<Vec<_>>()
    };
    Comparison {
        captures: (paths(before), after.iter().flat_map(paths).collect()),
        watched: (watched(before), after.iter().map(watched).sum()),
        sentence: sentence(verdict, &rows),
        codes: codes::compare(before, after),
        monitors: codes::monitors(before, after),
        verdict,
        rows,
        notices: notices(before, after),
    }
}

fn sentence(verdict: State, rows: &[Row]) -> String {
    let more = rows.iter().filter_map(|row| row.needed).fold(0.0, f64::max);
    match verdict {
        State::NothingLost => "Nothing was lost before, and nothing after.".to_owned(),
        State::Held => {
            "What was lost before was heard throughout afterwards, long enough to be 95 % sure that it is less.".to_owned()
        }
        State::NotSure => format!(
            "What was lost before was heard throughout afterwards, but not for long enough: drive {} more without a loss to be 95 % sure.",
            duration(more)
        ),
        State::StillLost => "It is still lost.".to_owned(),
        State::NewlyLost => "Something is lost that was not lost before.".to_owned(),
    }
}

fn subjects_of(report: &Analysis, outage: &Outage) -> Vec<Subject> {
    let channel = |at: usize| report.channels[at].name.clone();
    let key = |at: &usize| (channel(report.identifiers[*at].channel), report.identifiers[*at].id);
    match (outage.scope, outage.channel) {
        (Scope::Bus, Some(at)) => {
            vec![Subject {
                name: format!("all of {}", channel(at)),
                ids: BTreeSet::new(),
                channel: channel(at),
            }]
        }
        (Scope::Node | Scope::Branch, _) => outage
            .nodes
            .iter()
            .map(|node| {
                let node = &report.nodes[*node];
                let never = node.never_heard.iter().map(|id| (channel(node.channel), *id));
                let ids = node.ids.iter().map(key).chain(never).collect();
                Subject { name: node.name.clone(), ids, channel: channel(node.channel) }
            })
            .collect(),
        (Scope::Identifier, Some(at)) => {
            let heard = outage
                .ids
                .iter()
                .map(key)
                .chain(outage.never_heard.iter().map(|id| (channel(at), *id)));
            heard
                .map(|id| Subject {
                    name: id_label(id.1),
                    ids: BTreeSet::from([id]),
                    channel: channel(at),
                })
                .collect()
        }
        _ => Vec::new(),
    }
}

fn add(subjects: &mut Vec<Subject>, subject: Subject) {
    let same = |known: &Subject| match subject.ids.is_empty() {
        true => known.ids.is_empty() && known.channel == subject.channel,
        false => !known.ids.is_disjoint(&subject.ids),
    };
    match subjects.iter_mut().find(|known| same(known)) {
        Some(known) => known.ids.extend(subject.ids),
        None => subjects.push(subject),
    }
}

/// Nodes that were heard before and of which nothing is heard in any capture after, on a channel
/// that is there.
fn disappeared(before: &Analysis, after: &[Analysis], subjects: &mut Vec<Subject>) -> Vec<String> {
    let mut out = Vec::new();
    let heard = |report: &Analysis, channel: &str, id: Id| {
        report.identifiers.iter().any(|own| {
            own.id == id && own.frames > 0 && report.channels[own.channel].name == channel
        })
    };
    let mut missing: BTreeMap<String, Subject> = BTreeMap::new();
    for identifier in before.identifiers.iter().filter(|id| id.rhythm.is_some()) {
        let channel = &before.channels[identifier.channel].name;
        let listened = after
            .iter()
            .any(|report| report.channels.iter().any(|own| own.name == *channel && own.frames > 0));
        let node = identifier.node.map(|node| &before.nodes[node]);
        let own: Vec<Id> = node.map_or(vec![identifier.id], |node| {
            node.ids.iter().map(|at| before.identifiers[*at].id).collect()
        });
        if listened && !own.iter().any(|id| after.iter().any(|report| heard(report, channel, *id)))
        {
            let name = node.map_or_else(|| id_label(identifier.id), |node| node.name.clone());
            let ids = own.into_iter().map(|id| (channel.clone(), id)).collect();
            missing.insert(name.clone(), Subject { name, ids, channel: channel.clone() });
        }
    }
    for (_, subject) in missing {
        let ids = subject.ids.clone();
        add(subjects, subject);
        out.extend(
            subjects
                .iter()
                .filter(|known| !known.ids.is_disjoint(&ids))
                .map(|known| known.name.clone()),
        );
    }
    out
}

/// Beginnings of the losses of a subject, in seconds since the beginning of the capture without its
/// quiet times, and the seconds lost.
fn losses(subject: &Subject, report: &Analysis) -> (Vec<f64>, f64) {
    let Some((begin, _)) = report.span else { return (Vec::new(), 0.0) };
    let hit = |outage: &&Outage| {
        subjects_of(report, outage).iter().any(|own| match subject.ids.is_empty() {
            true => own.ids.is_empty() && own.channel == subject.channel,
            false => !own.ids.is_disjoint(&subject.ids),
        })
    };
    let mut times: Vec<f64> =
        report.lost().filter(hit).map(|outage| seconds(outage.start - begin)).collect();
    times.sort_by(f64::total_cmp);
    (times, report.lost().filter(hit).map(|outage| outage.duration).sum())
}

/// Seconds in which nothing could be heard: sleep and pauses.
fn quiet(report: &Analysis, channel: Option<&str>) -> f64 {
    let of = |outage: &&Outage| {
        let here = outage
            .channel
            .is_none_or(|at| channel.is_none_or(|name| report.channels[at].name == name));
        !outage.is_loss() && here
    };
    report.outages.iter().filter(of).map(|outage| outage.duration).sum()
}

fn watched(subject: &Subject, report: &Analysis, lost: f64) -> f64 {
    let span = report.span.map_or(0.0, |(start, end)| seconds(end - start));
    (span - quiet(report, Some(&subject.channel)) - lost).max(0.0)
}

fn row(subject: &Subject, before: &Analysis, after: &[Analysis], gone: bool) -> Row {
    let (times, lost) = losses(subject, before);
    let time_before = watched(subject, before, lost);
    let (grouped, joined) = episodes::group(&times, time_before);
    let (mut count_after, mut episodes_after, mut time_after) = (0, 0, 0.0);
    for report in after {
        let (times, lost) = losses(subject, report);
        let own = watched(subject, report, lost);
        // Joined by the same gap as before, so that both sides count the same way.
        let apart = times.windows(2).filter(|pair| pair[1] - pair[0] > joined).count() as u64;
        episodes_after += apart + u64::from(!times.is_empty());
        count_after += times.len() as u64;
        time_after += own;
    }
    if gone && count_after == 0 {
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
    let state = match (k, n) {
        (_, 1..) if times.is_empty() => State::NewlyLost,
        (_, 1..) => State::StillLost,
        (1.., 0) if p.is_some_and(|p| p <= RISK) => State::Held,
        (1.., 0) => State::NotSure,
        (0, 0) => State::NothingLost,
    };
    let ratio = comparable
        .then(|| statistics::rate_ratio(k, time_before, n, time_after, 1.0 - RISK))
        .flatten();
    let mut row = Row {
        name: subject.name.clone(),
        losses: (times.len() as u64, count_after),
        episodes: (k, n),
        joined,
        watched: (time_before, time_after),
        p,
        e_test: comparable.then(|| statistics::e_test(k, time_before, n, time_after).1),
        ratio: ratio.map(|(ratio, (low, high))| (ratio, low, high)),
        needed,
        state,
        sentence: String::new(),
    };
    row.sentence = describe(&row, gone);
    row
}

fn describe(row: &Row, gone: bool) -> String {
    let (k, n) = row.episodes;
    let joined = match row.losses.0 > k {
        true => {
            format!(" (from {} losses, those within {} joined)", row.losses.0, duration(row.joined))
        }
        false => String::new(),
    };
    let plural = |count: u64| if count == 1 { "episode" } else { "episodes" };
    let before = format!("{k} {}{joined} in {}", plural(k), duration(row.watched.0));
    let percent = |p: Option<f64>| p.map_or("–".to_owned(), |p| format!("{:.1} %", p * 100.0));
    match row.state {
        State::Held => format!(
            "{before}; none in {} since: by luck alone {}, so 95 % sure that it is less",
            duration(row.watched.1),
            percent(row.p)
        ),
        State::NotSure => format!(
            "{before}; none in {} since: by luck alone {}; drive {} more without a loss to be 95 % sure",
            duration(row.watched.1),
            percent(row.p),
            duration(row.needed.unwrap_or(0.0))
        ),
        State::StillLost if gone => format!("{before}; not heard at all since"),
        State::StillLost => {
            let ratio = row.ratio.map_or(String::new(), |(ratio, low, high)| {
                let number = |value: Option<f64>| {
                    value.map_or("∞".to_owned(), |value| format!("{value:.2}"))
                };
                format!(
                    "; rate after over before {} (95 %: {low:.2} to {})",
                    number(ratio),
                    number(high)
                )
            });
            format!("{before}; {n} {} in {} since{ratio}", plural(n), duration(row.watched.1))
        }
        State::NewlyLost if gone => "heard before, and not at all since".to_owned(),
        State::NewlyLost => {
            format!(
                "not lost in {} before; {n} {} in {} since",
                duration(row.watched.0),
                plural(n),
                duration(row.watched.1)
            )
        }
        State::NothingLost => "nothing lost".to_owned(),
    }
}

fn notices(before: &Analysis, after: &[Analysis]) -> Vec<String> {
    let mut out = Vec::new();
    for report in std::iter::once(before).chain(after) {
        let path = report.captures.first().map_or("", |capture| capture.path.as_str());
        if report.span.is_none() {
            out.push(format!("{path}: without time stamps nothing can be said of losses"));
        }
        let rejected: u64 = report.captures.iter().map(|capture| capture.rejected).sum();
        if rejected > 0 {
            out.push(format!("{path}: {rejected} lines were no frames"));
        }
    }
    if after.iter().any(|report| report.lost().any(|outage| outage.ongoing)) {
        out.push("a loss lasts to the end of a capture after the repair".to_owned());
    }
    out.push(
        "The verdict counts time, not roads: drive as it was driven when it was lost – the same road, heat, load and wet."
            .to_owned(),
    );
    out
}
