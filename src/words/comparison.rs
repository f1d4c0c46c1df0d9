//! Sentences of a comparison.

pub use super::code_change::change;
use super::headline::some;
use super::terms::{duration, id_label, listed, plural, short_duration};
use crate::compare::comparison::{
    Comparison, Lost, MonitorRow, Notice, Open, Row, Since, State, SuspectedBefore,
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
        State::Back => match comparison.rows.iter().any(|row| row.state == State::Held) {
            true => format!("{BACK} {}", held(comparison)),
            false => format!("{BACK} Only driving will show whether it stays so."),
        },
        State::NotSure => not_sure(comparison),
        State::StillLost => match comparison.rows.as_slice() {
            [row] if is_partly_back(row) => format!("Only a part of it is back: {}.", back_of(row)),
            _ => "It is still lost.".to_owned(),
        },
        State::NewlyLost => "Something is lost that was not lost before.".to_owned(),
    }
}

const BACK: &str = "What was silent all along before is back.";

/// Why nothing is said to have held: what no time would mend goes first.
fn not_sure(comparison: &Comparison) -> String {
    if comparison.all_left_out {
        // The warnings below it say why.
        return "Whether the repair held cannot be said: the captures do not belong together."
            .to_owned();
    }
    let unsure = || comparison.rows.iter().filter(|row| row.state == State::NotSure);
    let timed = || unsure().filter(|row| row.open.is_none());
    // What was not lost before and may be of another mode comes after what has to be driven for.
    let of_a_mode = |row: &&Row| row.open == Some(Open::OneMode) && row.episodes.0 == 0;
    let alone = timed().next().is_none();
    let open = unsure().filter(|row| alone || !of_a_mode(row)).filter_map(|row| row.open).max();
    let lost_before = unsure().any(|row| row.open == Some(Open::OneMode) && row.episodes.0 > 0);
    match open {
        _ if comparison.rows.is_empty() => {
            "No loss shows before or after, but a capture cannot tell.".to_owned()
        }
        Some(Open::PerhapsAgain) => {
            "What was lost before fell silent again, and the captures do not tell whether it was \
             lost."
                .to_owned()
        }
        Some(Open::PartToTheEnd) => {
            "What was lost before is heard again, but a message of it fell silent afterwards and \
             stayed so."
                .to_owned()
        }
        Some(Open::PartNever) => {
            "What was lost before is heard again, but not all that it sent: was a part of it left \
             unplugged?"
                .to_owned()
        }
        Some(Open::OneMode) if !lost_before => {
            let held_too = comparison.rows.iter().any(|row| row.state == State::Held);
            let first = if held_too { format!("{} But", held(comparison)) } else { String::new() };
            let text = "some of what was heard before was not heard afterwards, perhaps because \
                        it is sent only in one mode. Record as before: key, engine and lights the \
                        same.";
            match first.is_empty() {
                true => format!("S{}", &text[1..]),
                false => format!("{first} {text}"),
            }
        }
        Some(Open::OneMode) => {
            "What was lost before was not heard at all afterwards, and the captures do not tell \
             whether it was lost or switched off: record with the key on, as before."
                .to_owned()
        }
        Some(Open::HardlyHeard) => {
            "What was lost before was hardly heard afterwards; no loss would show: record again."
                .to_owned()
        }
        Some(Open::NotRecorded) => {
            "Whether the repair held cannot be said: the bus on which it was lost before was not \
             recorded afterwards."
                .to_owned()
        }
        None if timed().any(is_partly_back) => {
            let back = timed().find(|row| is_partly_back(row)).map(back_of);
            format!("Only a part of it is back: {}.", back.unwrap_or_default())
        }
        None if timed().all(|row| row.watched.1 <= 0.0) => {
            "Whether the repair held cannot be said: no capture from after it can show a loss."
                .to_owned()
        }
        None if comparison.needed() <= 0.0 => {
            "What was lost before was heard throughout afterwards, but too shortly to tell: 10 s \
             are enough."
                .to_owned()
        }
        None => format!(
            "What was lost before was heard throughout afterwards, but not for long enough: at \
             least another {} without a loss, on the same road and in the conditions in which it \
             failed, would make it 95 % sure.",
            duration(comparison.needed())
        ),
    }
}

/// Of what was never heard before, a part is heard.
fn is_partly_back(row: &Row) -> bool {
    !row.unheard.1.is_empty() && row.unheard.1.len() < row.unheard.0
}

fn back_of(row: &Row) -> String {
    let (all, missing) = (row.unheard.0, &row.unheard.1);
    let names = some(missing.iter().map(|id| id_label(*id)));
    format!("{} of {all} identifiers; still not heard: {names}", all - missing.len())
}

fn only_since(comparison: &Comparison) -> bool {
    comparison.notices.iter().any(|notice| matches!(notice, Notice::HeardOnlySince(..)))
}

fn held(comparison: &Comparison) -> String {
    const SURE: &str = "95 % sure that it is better; no proof that it is cured.";
    let held: Vec<&Row> = comparison.rows.iter().filter(|row| row.state == State::Held).collect();
    match held.as_slice() {
        [Row { episodes: (times, _), watched, .. }] => format!(
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
    let back = || match is_partly_back(row) {
        true => format!("; back are {}", back_of(row)),
        false => String::new(),
    };
    match row.state {
        State::Held => format!(
            "{before}; none in {watched_after} since. The chance of that by luck alone is {luck}, \
             so the result is at least 95 % sure"
        ),
        State::Back => match row.unheard.0 {
            0 => format!("not heard at all before; heard throughout for {watched_after} since"),
            count => format!(
                "not heard at all before; all {count} identifiers of it are back, heard throughout \
                 for {watched_after} since"
            ),
        },
        State::NotSure => match row.open {
            Some(open) => self::open(row, open, &before, &watched_after),
            None if row.watched.1 <= 0.0 => format!("{before}; no capture since can show a loss"),
            None if row.never_before && is_partly_back(row) => {
                format!("not heard at all before{}", back())
            }
            None if row.never_before => format!(
                "not heard at all before; heard throughout for {watched_after} since, too short to \
                 tell: 10 s are enough"
            ),
            None => format!(
                "{before}; none in {watched_after} since. The chance of that by luck alone is \
                 {luck}; at least another {} without a loss would make it 95 % sure",
                duration(row.needed.unwrap_or(0.0))
            ),
        },
        State::StillLost if row.gone => format!("{before}; not heard at all since"),
        State::StillLost if row.never_before && is_partly_back(row) => {
            format!("not heard at all before{}", back())
        }
        State::StillLost if row.never_before && row.watched.1 <= 0.0 => {
            "not heard at all before, nor since".to_owned()
        }
        State::StillLost if row.never_before => {
            format!("not heard at all before; {} in {watched_after} since", episodes(n))
        }
        State::StillLost => {
            format!("{before}; {} in {watched_after} since{}", episodes(n), ratio(row))
        }
        State::NewlyLost if row.gone => "heard before, and not at all since".to_owned(),
        State::NewlyLost if row.watched.0 <= 0.0 => {
            format!("not watched before; {} in {watched_after} since", episodes(n))
        }
        State::NewlyLost => {
            format!("not lost in {watched_before} before; {} in {watched_after} since", episodes(n))
        }
        State::NothingLost => "nothing lost".to_owned(),
    }
}

/// Why nothing is said of a row, where no time would mend that.
fn open(row: &Row, open: Open, before: &str, watched_after: &str) -> String {
    let first = match (row.never_before, row.episodes.0) {
        (true, _) => "not heard at all before".to_owned(),
        (_, 0) => "heard before".to_owned(),
        _ => before.to_owned(),
    };
    match open {
        Open::PerhapsAgain => {
            format!("{first}; silent again in {watched_after} since, which may be a loss or lawful")
        }
        Open::PartToTheEnd => {
            "heard before; since, it fell silent to the end of a capture while its sender went on"
                .to_owned()
        }
        Open::PartNever => {
            "heard before, and not since, though its sender is: sent only in one mode, or a part \
             that was not plugged in again?"
                .to_owned()
        }
        Open::OneMode if row.gone || row.episodes.0 == 0 && row.watched.1 <= 0.0 => {
            format!("{first}, and not since: sent only in one mode, or switched off?")
        }
        Open::OneMode => {
            format!(
                "{first}; not heard in a capture since: sent only in one mode, or switched off?"
            )
        }
        Open::HardlyHeard => format!("{first}; hardly heard since, so that no loss would show"),
        Open::NotRecorded => format!("{first}; its bus was not recorded since"),
    }
}

fn ratio(row: &Row) -> String {
    let Some((ratio, low, high)) = row.ratio else { return String::new() };
    let number = |value: Option<f64>| value.map_or("∞".to_owned(), |value| format!("{value:.2}"));
    let (ratio, high) = (number(ratio), number(high));
    format!("; rate after over before {ratio} (95 %: {low:.2} to {high})")
}

/// A limit of the comparison.
pub fn notice(notice: &Notice) -> String {
    match notice {
        Notice::NoTimeStamps(path) => {
            format!("{path}: without time stamps nothing can be said about losses")
        }
        Notice::ProvesNothing(path) => {
            format!("{path}: it cannot tell whether anything was lost, so it proves no repair")
        }
        Notice::Rejected(path, lines) => format!("{path}: {lines} lines were no frames"),
        Notice::LossToTheEnd => "a loss lasts to the end of a capture after the repair".to_owned(),
        Notice::SameRoads => "The verdict counts minutes only: it is valid only if the drive \
                              repeated the road, temperature, load and wet under which the fault \
                              showed."
            .to_owned(),
        Notice::Driving => advice::driving().text.clone(),
        Notice::OtherVehicle(path, is, was) => {
            format!("{path}: another vehicle: its VIN is {is}, and before it was {was}")
        }
        Notice::KeptOut(path, is, others) => format!(
            "{path}: another vehicle: its VIN is {is}, that of the others from before {others}; \
             it was left out"
        ),
        Notice::SameTwice(path, read) => {
            format!("{path} holds the same as {read}: it was counted once")
        }
        Notice::Older(path) => format!(
            "{path}: it is older than the capture from before the repair: are the two swapped?"
        ),
        Notice::ChannelMoved(path, is, was) => format!(
            "{path}: its {is} carries what {was} carried before, and was compared with that"
        ),
        Notice::NotRecorded(path, channel) => format!(
            "{path}: {channel}, on which it was lost before, was not recorded, so it tells nothing \
             of that"
        ),
        Notice::MostNotHeard(path, missing, expected) => format!(
            "{path}: {missing} of {expected} identifiers of the roster were not heard, which may \
             have been the key: record with the key surely on"
        ),
        Notice::MayBeLoss(path) => format!(
            "{path}: something fell silent in it, and it does not tell whether that was a loss; \
             `lostnode report` says what and what to record"
        ),
        Notice::Excused(lost) => format!(
            "before, silences of {} were taken for pauses by nature and not counted; if that is \
             the fault, a roster learned from sound captures tells the two apart",
            some(lost.iter().map(called))
        ),
        Notice::Seldom => {
            "lost once or twice before: where a fault is seldom, luck alone keeps it \
                           away for long. Give all drives from before, those without a loss too \
                           (BEFORE… --after AFTER…); the time that is asked for is right only then"
                .to_owned()
        }
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
