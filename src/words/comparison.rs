//! Sentences of a comparison.

use super::headline::some;
use super::terms::{duration, id_label, listed, plural, short_duration};
use crate::compare::comparison::{
    CodeChange, Comparison, Lost, MonitorRow, Notice, Row, Since, State, SuspectedBefore,
};
use crate::fault::advice;

/// All in all, with the part of the harness that it speaks of.
pub fn verdict(comparison: &Comparison) -> String {
    let all = of_all(comparison);
    let Some(element) = &comparison.element else { return all };
    match element.since {
        Since::Held => format!("{all} What hangs on {} held.", element.name),
        Since::Again => format!("{all} What hangs on {} was lost again.", element.name),
        _ => all,
    }
}

fn of_all(comparison: &Comparison) -> String {
    match comparison.verdict {
        State::NothingLost if only_since(comparison) => {
            "Nothing that was heard before was lost, before or after; but some of what is heard \
             now was not heard before at all."
                .to_owned()
        }
        State::NothingLost => "Nothing was lost before, and nothing after.".to_owned(),
        State::Held => held(comparison),
        State::Back => "What was silent all along before is back. That it stays so, only the road \
                        can tell."
            .to_owned(),
        State::NotSure if comparison.rows.is_empty() => {
            "No loss shows before or after, but a capture cannot tell.".to_owned()
        }
        State::NotSure if comparison.rows.iter().any(|row| row.perhaps_again) => {
            "What was lost before fell silent again, and the captures do not tell whether it was \
             lost."
                .to_owned()
        }
        State::NotSure if comparison.needed() <= 0.0 => {
            "What was lost before was heard throughout afterwards, but too shortly to tell."
                .to_owned()
        }
        State::NotSure => format!(
            "What was lost before was heard throughout afterwards, but not for long enough: \
             another {} without a loss, at the least, on the road and in the conditions under \
             which it failed, would make it 95 % sure.",
            duration(comparison.needed())
        ),
        State::StillLost => "It is still lost.".to_owned(),
        State::NewlyLost => "Something is lost that was not lost before.".to_owned(),
    }
}

fn only_since(comparison: &Comparison) -> bool {
    comparison.notices.iter().any(|notice| matches!(notice, Notice::HeardOnlySince(..)))
}

fn held(comparison: &Comparison) -> String {
    const SURE: &str = "95 % sure that it is better; no proof that it is cured.";
    match comparison.rows.as_slice() {
        [Row { state: State::Held, episodes: (times, _), watched, .. }] => format!(
            "Not lost in {}; before, {} in {}. {SURE}",
            short_duration(watched.1),
            plural(*times as usize, "time", "times"),
            short_duration(watched.0)
        ),
        _ => format!("What was lost before was heard throughout afterwards. {SURE}"),
    }
}

/// How it stands with a loss, in two words.
pub fn state(state: State) -> &'static str {
    match state {
        State::NothingLost => "nothing lost",
        State::Held => "held",
        State::Back => "back",
        State::NotSure => "not sure yet",
        State::StillLost => "still lost",
        State::NewlyLost => "newly lost",
    }
}

/// The rows, worst first, and of those alike by name.
pub fn rows(comparison: &Comparison) -> Vec<&Row> {
    let mut rows: Vec<&Row> = comparison.rows.iter().collect();
    rows.sort_by_cached_key(|row| (std::cmp::Reverse(row.state), name(&row.lost)));
    rows
}

/// The monitors, by the name of their module.
pub fn monitors(comparison: &Comparison) -> Vec<&MonitorRow> {
    let mut rows: Vec<&MonitorRow> = comparison.monitors.iter().collect();
    rows.sort_by_cached_key(|row| (row.module.to_string(), row.monitor));
    rows
}

/// What was lost, by the name that stands for it.
pub fn name(lost: &Lost) -> String {
    match lost {
        Lost::Node(name) => name.clone(),
        Lost::Identifier(id) => id_label(*id),
        Lost::Bus(channel) => format!("all of {channel}"),
    }
}

/// What was lost, as it is called everywhere: a node that nobody gave a name by what it sends.
pub fn called(lost: &Lost) -> String {
    let name = name(lost);
    match name.strip_prefix("node of 0x") {
        Some(id) => format!("the module that sends 0x{id}"),
        None => name,
    }
}

/// What the numbers of a row say.
pub fn row(row: &Row) -> String {
    let (k, n) = row.episodes;
    let joined = match row.losses.0 > k {
        true => {
            format!(" (from {} losses, those within {} joined)", row.losses.0, duration(row.joined))
        }
        false => String::new(),
    };
    let episodes =
        |count: u64| format!("{count} {}", if count == 1 { "episode" } else { "episodes" });
    let (watched_before, watched_after) = (duration(row.watched.0), duration(row.watched.1));
    let before = format!("{}{joined} in {watched_before}", episodes(k));
    let luck = row.p.map_or("–".to_owned(), |p| format!("{:.1} %", p * 100.0));
    match row.state {
        State::Held => format!(
            "{before}; none in {watched_after} since: by luck alone {luck}, so 95 % sure that it \
             is better"
        ),
        State::Back => {
            format!("not heard at all before; heard throughout for {watched_after} since")
        }
        State::NotSure if row.perhaps_again => format!(
            "{before}; silent again in {watched_after} since, which may be a loss or lawful"
        ),
        State::NotSure if row.p.is_none() => format!(
            "not heard at all before; heard throughout for {watched_after} since, too short to \
             tell"
        ),
        State::NotSure => format!(
            "{before}; none in {watched_after} since: by luck alone {luck}; another {} at the \
             least without a loss would make it 95 % sure",
            duration(row.needed.unwrap_or(0.0))
        ),
        State::StillLost if row.gone => format!("{before}; not heard at all since"),
        State::StillLost => {
            format!("{before}; {} in {watched_after} since{}", episodes(n), ratio(row))
        }
        State::NewlyLost if row.gone => "heard before, and not at all since".to_owned(),
        State::NewlyLost => {
            format!("not lost in {watched_before} before; {} in {watched_after} since", episodes(n))
        }
        State::NothingLost => "nothing lost".to_owned(),
    }
}

fn ratio(row: &Row) -> String {
    let Some((ratio, low, high)) = row.ratio else { return String::new() };
    let number = |value: Option<f64>| value.map_or("∞".to_owned(), |value| format!("{value:.2}"));
    let (ratio, high) = (number(ratio), number(high));
    format!("; rate after over before {ratio} (95 %: {low:.2} to {high})")
}

/// What became of a code.
pub fn change(change: CodeChange) -> &'static str {
    match change {
        CodeChange::Gone { tested: Some(true) } => "gone",
        CodeChange::Gone { tested: Some(false) } => "gone, not tested yet",
        CodeChange::Gone { tested: None } => "gone, whether tested not known",
        CodeChange::StillThere => "still there",
        CodeChange::Returned => "returned",
        CodeChange::New => "new",
        CodeChange::NotRead => "not read after",
    }
}

/// A limit of the comparison.
pub fn notice(notice: &Notice) -> String {
    match notice {
        Notice::NoTimeStamps(path) => {
            format!("{path}: without time stamps nothing can be said of losses")
        }
        Notice::ProvesNothing(path) => {
            format!("{path}: it cannot tell whether anything was lost, so it proves no repair")
        }
        Notice::Rejected(path, lines) => format!("{path}: {lines} lines were no frames"),
        Notice::LossToTheEnd => "a loss lasts to the end of a capture after the repair".to_owned(),
        Notice::SameRoads => "The verdict counts time, not roads: it holds only as far as the \
                              drive was like the one on which it was lost, in road, heat, load and \
                              wet."
            .to_owned(),
        Notice::Driving => advice::driving().text.clone(),
        Notice::OtherVehicle(path, is, was) => {
            format!("{path}: another vehicle: its VIN is {is}, and before it was {was}")
        }
        Notice::KeptOut(path, is, others) => format!(
            "{path}: another vehicle: its VIN is {is}, that of the others from before {others}; it \
             was kept out"
        ),
        Notice::SameTwice(path, read) => {
            format!("{path} holds the same as {read}: it was counted once")
        }
        Notice::Older(path) => format!(
            "{path}: it is older than the capture from before the repair: are the two swapped?"
        ),
        Notice::HeardOnlySince(path, ids) => format!(
            "{path}: not heard before at all: {}. If their module was missing then, a roster of \
             the vehicle (`lostnode learn`) lets compare say so",
            some(ids.iter().map(|id| id_label(*id)))
        ),
        Notice::LittleInCommon(path, both, smaller) => format!(
            "{path}: only {both} of {smaller} identifiers are in both captures: another vehicle, \
             or another bus of it?"
        ),
    }
}

/// The likeliest part of the harness before the repair.
pub fn element(element: &SuspectedBefore) -> String {
    let hang = match element.feeds.as_slice() {
        [] => String::new(),
        [one] => format!("; {one} hangs on it"),
        several => format!("; {} hang on it", listed(several, "and")),
    };
    let percent = element.probability * 100.0;
    let name = &element.name;
    let since = match (element.since, listed(&element.again, "and")) {
        (Since::NotTold, _) => String::new(),
        (Since::Held, _) => ". What was lost of it held: so did its repair".to_owned(),
        (Since::NotSure, _) => {
            ". What was lost of it was not lost again, but not for long enough to be sure"
                .to_owned()
        }
        (Since::Again, again) => {
            format!(". Lost again: {again}; {name} is not repaired, or it was not the cause")
        }
        (Since::SomeAgain, again) => format!(
            ". Of what was lost of it only {again} was lost again: look at what is left there, \
             and not at {name}"
        ),
        (Since::Newly, again) => {
            format!(". Not lost before, and lost since: {again}; was it unplugged for the repair?")
        }
    };
    format!("Before, the likeliest part of the harness: {name} ({percent:.0} %){hang}{since}")
}
