//! What happened just before the losses, and because of them, in sentences.

use super::marks::grouped;
use super::terms::{id_label, plural, short_duration};
use super::who;
use crate::analysis::Analysis;
use crate::analysis::just_before::{
    Change, Confirmed, Field, Kind, Lead, LeadKind, Look, Outcome, Part, Place, Since, Timed,
};
use crate::analysis::subject::Subject;
use crate::analysis::symptom::Led;
use crate::precursor::standard::{self, Named, Number};

/// What there is to say where no lead was found, or none was looked for; nothing where nobody
/// asked, or nothing was lost.
fn none(analysis: &Analysis) -> Option<String> {
    match &analysis.just_before.outcome {
        Outcome::NotAsked | Outcome::TooFew { episodes: 0 } => None,
        Outcome::TooFew { .. } => Some(
            "not looked for: that takes three losses of one module, more than ten seconds apart"
                .to_owned(),
        ),
        Outcome::NotAgain => Some(
            "not looked for: the input cannot be read twice (for a pipe, `--spool` keeps it in a \
             temporary file)"
                .to_owned(),
        ),
        Outcome::Looked(_) => None,
    }
}

/// Why there is no lead, in sentences.
pub fn nothing_found(analysis: &Analysis) -> Vec<String> {
    none(analysis).into_iter().chain(nothing(analysis)).collect()
}

/// The same for people: that there were too few losses to look is no news.
pub fn worth_saying(analysis: &Analysis) -> Vec<String> {
    match analysis.just_before.outcome {
        Outcome::TooFew { .. } => Vec::new(),
        _ => nothing_found(analysis),
    }
}

/// What each look came to that found nothing before the losses.
fn nothing(analysis: &Analysis) -> Vec<String> {
    let Outcome::Looked(looks) = &analysis.just_before.outcome else { return Vec::new() };
    let timed = &analysis.just_before.timed;
    let without = |look: &&Look| {
        !analysis.precursors().any(|lead| lead.of == look.of)
            && !timed.iter().any(|own| own.of == look.of)
    };
    let sentence = |look: &Look| {
        let more = match look.needed > look.episodes {
            true => format!(
                "a change within a second before every loss, and about once a minute otherwise, \
                 would show only from {} losses on",
                look.needed
            ),
            false => "the trigger is not on this bus, or is there much of the time".to_owned(),
        };
        format!(
            "nothing on the bus regularly precedes the {} of {} ({} changes, states and levels \
             checked); {more}",
            losses(look),
            who::subject(analysis, &look.of),
            grouped(look.tried as u64),
        )
    };
    looks.iter().filter(without).map(sentence).collect()
}

fn losses(look: &Look) -> String {
    match look.losses == look.episodes {
        true => plural(look.episodes, "loss", "losses"),
        false => format!("{} ({} losses)", plural(look.episodes, "burst", "bursts"), look.losses),
    }
}

/// A lead in one sentence, with how to use it.
pub fn sentence(analysis: &Analysis, lead: &Lead) -> String {
    match lead.kind {
        Kind::Precursor => format!("{}; {}", precursor(analysis, lead), to_use(analysis, lead)),
        Kind::Consequence => consequence(analysis, lead),
    }
}

/// What it is and how sure, for evidence and pictures.
pub fn precursor(analysis: &Analysis, lead: &Lead) -> String {
    let elsewhere = match lead.elsewhere {
        0 => "and never when nothing was lost".to_owned(),
        1 => "and once when nothing was lost".to_owned(),
        2 => "and twice when nothing was lost".to_owned(),
        count => format!("and {count} times when nothing was lost"),
    };
    let with = match lead.together.len() {
        0 => String::new(),
        1 => format!(" ({} moves with it)", place(analysis, &lead.together[0])),
        count => {
            let first = place(analysis, &lead.together[0]);
            format!(" ({first} and {} more move with it)", count - 1)
        }
    };
    let start = match lead.with_start {
        true => "; it comes as the bus wakes, so the time since then may be what counts",
        false => "",
    };
    format!(
        "{} {}{} before {} of {} losses of {}{}, {elsewhere}{with}; {}{start}{}",
        place(analysis, &lead.place),
        change(analysis, lead),
        within(lead),
        lead.losses_with,
        lead.losses,
        who::subject(analysis, &lead.of),
        before(lead),
        probability(lead.p),
        confirmed(analysis, lead.confirmed),
    )
}

fn consequence(analysis: &Analysis, lead: &Lead) -> String {
    let sender = analysis
        .place_of(lead.place.channel, lead.place.id)
        .and_then(|at| analysis.identifiers[at].node)
        .map_or("its sender".to_owned(), |node| who::node(analysis, node));
    let misses = match &lead.of {
        Subject::Channel(channel) => format!("the bus {}", analysis.channel(*channel).name),
        of => who::subject(analysis, of),
    };
    let how = match lead.change {
        Change::Falls => "is cleared",
        _ => "is set",
    };
    format!(
        "{} {how} {} after {} of {} losses: {sender} misses {misses}",
        place(analysis, &lead.place),
        short_duration(lead.apart.1),
        lead.losses_with,
        lead.losses,
    )
}

/// Losses that begin much the same time after something, in one sentence.
pub fn timed(analysis: &Analysis, own: &Timed) -> String {
    let (from, to) = own.after;
    let (after, what) = match own.since {
        Since::Wake => (
            "the bus woke or the recording began",
            "so does a part that warms up, or a timer: let it run that long with the meter \
             connected",
        ),
        Since::Return => (
            "the loss before it ended",
            "so does a breaker that resets itself, or anything switched at regular intervals: \
             listen for it, and keep the meter on its supply over that time",
        ),
    };
    format!(
        "{} of {} losses of {} begin {} to {} after {after}; {}; {what}",
        own.losses_with,
        own.losses,
        who::subject(analysis, &own.of),
        short_duration(from),
        short_duration(to),
        probability(own.p),
    )
}

/// What to do with it.
pub fn to_use(analysis: &Analysis, lead: &Lead) -> String {
    let label = id_label(lead.place.id);
    let byte = lead.place.byte();
    match (standard::of(analysis, &lead.place), lead.place.part, lead.place.field.bit) {
        (Some(_), ..) | (None, Part::Answer(_), _) => {
            "bring it about on purpose, where that is safe and lawful, and see whether the loss \
             follows"
                .to_owned()
        }
        (None, _, Some(bit)) => format!(
            "watch {label} byte {byte} bit {bit} with `lostnode watch can0 --show \
             {label}:{byte}.{bit}`, work the switches one after another, and see which moves it"
        ),
        (None, _, None) => {
            format!(
                "watch {label} byte {byte} with `lostnode watch can0 --show {label}:{byte}`, and \
                 see what moves it"
            )
        }
    }
}

/// A short name for a lane of a picture.
pub fn label(analysis: &Analysis, lead: &Lead) -> String {
    let sign = match lead.change {
        Change::Rises => "rises".to_owned(),
        Change::Falls => "falls".to_owned(),
        Change::Is(value) => format!("is {value}"),
        Change::Above(_) => "high".to_owned(),
        Change::Below(_) => "low".to_owned(),
    };
    let byte = lead.place.byte();
    let bit = lead.place.field.bit.map_or(String::new(), |bit| format!(".{bit}"));
    match (standard::of(analysis, &lead.place), lead.place.pid()) {
        (Some((signal, _)), _) => format!("before it: {} {sign}", signal.name),
        (None, Some(pid)) => format!("before it: PID {pid:02X}:{byte}{bit} {sign}"),
        (None, None) => format!("before it: {}:{byte}{bit} {sign}", id_label(lead.place.id)),
    }
}

/// What goes before the losses, as evidence.
pub fn sign(Led { kind, losses_with, losses }: Led) -> String {
    let what = match kind {
        LeadKind::Switch => "a change on the bus, as of something switched or moved, precedes",
        LeadKind::Supply => "a low supply precedes",
        LeadKind::Warmth => "heat or cold precedes",
        LeadKind::Movement => "a certain speed of the vehicle or its engine precedes",
    };
    format!("{what} {losses_with} of {losses} losses (see \"Just before\")")
}

/// Where: `0x1B4 byte 2 bit 5`.
pub fn place(analysis: &Analysis, place: &Place) -> String {
    let channel = match analysis.channels.len() {
        0 | 1 => String::new(),
        _ => format!("{} ", analysis.channel(place.channel).name),
    };
    let Field { bit, width, high_first, .. } = place.field;
    let byte = place.byte();
    let field = match (bit, width) {
        (Some(bit), _) => format!("byte {byte} bit {bit}"),
        (None, 16) => {
            let order = if high_first { "high byte first" } else { "low byte first" };
            format!("bytes {byte} and {}, {order},", byte + 1)
        }
        _ => format!("byte {byte}"),
    };
    let label = id_label(place.id);
    match (standard::of(analysis, place), place.pid()) {
        (Some((Named { name, number: Number::Spn(spn), .. }, _)), _) => {
            format!("{channel}{label} {field} ({name}, SPN {spn})")
        }
        (Some((Named { name, number: Number::Pid(pid), .. }, _)), _) => {
            format!("{channel}{name} (PID {pid:02X}, answered by {label})")
        }
        (None, Some(pid)) => {
            format!("{channel}{field} of the answers of {label} to PID {pid:02X}")
        }
        (None, None) => format!("{channel}{label} {field}"),
    }
}

fn change(analysis: &Analysis, lead: &Lead) -> String {
    let shown = |raw: u64| match standard::of(analysis, &lead.place) {
        Some((signal, true)) => {
            format!("{:.1} {}", (raw as f64 * signal.scale + signal.offset), signal.unit)
        }
        _ => raw.to_string(),
    };
    match lead.change {
        Change::Rises => "rises".to_owned(),
        Change::Falls => "falls".to_owned(),
        Change::Is(value) => format!("is {}", shown(value)),
        Change::Above(value) => format!("is {} or more, high for its time,", shown(value)),
        Change::Below(value) => format!("is {} or less, low for its time,", shown(value)),
    }
}

fn within(lead: &Lead) -> String {
    match lead.within {
        within if within > 0.0 => format!(" within {within} s"),
        _ => " just".to_owned(),
    }
}

/// How long before.
fn before(lead: &Lead) -> String {
    let (least, _, most) = lead.apart;
    match lead.within > 0.0 {
        true => format!(" ({least:.2} to {most:.2} s before)"),
        false => String::new(),
    }
}

/// How likely it is that anything of all that was tried looks like that by chance.
fn probability(p: f64) -> String {
    match p {
        p if p < 1e-4 => "no coincidence (less than 1 in 10,000 by chance)".to_owned(),
        p if p < 0.01 => format!("hardly a coincidence (1 in {:.0} by chance)", 1.0 / p),
        p => format!("1 in {:.0} by chance", 1.0 / p),
    }
}

fn confirmed(analysis: &Analysis, confirmed: Option<Confirmed>) -> String {
    let Some(path) = &analysis.just_before.confirmed_with else { return String::new() };
    match confirmed {
        None => format!("; {path} cannot confirm it: too few such losses there"),
        Some(own) => format!(
            "; {} by {path}: before {} of {} losses there ({})",
            if own.holds() { "confirmed" } else { "not confirmed" },
            own.losses_with,
            own.losses,
            probability(own.p)
        ),
    }
}
