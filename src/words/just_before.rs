//! What happened just before the losses, and because of them, in sentences.

use lostnode_parsers::j1939::Signal;

use super::fault;
use super::terms::{id_label, plural, short_duration};
use crate::analysis::just_before::{
    Change, Confirmed, Field, Kind, Lead, LeadKind, Look, Outcome, Place,
};
use crate::analysis::subject::Subject;
use crate::analysis::{Analysis, J1939};
use crate::precursor::standard;

/// What there is to say where no lead was found, or none was looked for; nothing where nobody
/// asked, or nothing was lost.
fn none(analysis: &Analysis) -> Option<String> {
    match &analysis.just_before.outcome {
        Outcome::NotAsked | Outcome::TooFew { episodes: 0 } => None,
        Outcome::TooFew { .. } => Some(
            "not looked for: that takes three losses of one node, more than ten seconds apart"
                .to_owned(),
        ),
        Outcome::NotAgain => Some(
            "not looked for: what was read cannot be read again (from a pipe, `--spool` keeps it \
             in a temporary file)"
                .to_owned(),
        ),
        Outcome::Looked(_) => None,
    }
}

/// Why there is no lead, in sentences.
pub fn nothing_found(analysis: &Analysis) -> Vec<String> {
    none(analysis).into_iter().chain(nothing(analysis)).collect()
}

/// What each look came to that found nothing before the losses.
fn nothing(analysis: &Analysis) -> Vec<String> {
    let Outcome::Looked(looks) = &analysis.just_before.outcome else { return Vec::new() };
    let without = |look: &&Look| !analysis.precursors().any(|lead| lead.of == look.of);
    let sentence = |look: &Look| {
        let more = match look.needed > look.episodes {
            true => format!(
                "a change that comes within a second before every loss, and once a minute \
                 otherwise, would show from {} losses on",
                look.needed
            ),
            false => "a change that comes within a second before every loss, and once a minute \
                      otherwise, would have shown; what triggers it is not on this bus, or lasts"
                .to_owned(),
        };
        format!(
            "nothing on the bus goes before the {} of {} ({} changes, states and levels were \
             tried); {more}",
            losses(look),
            fault::subject(analysis, &look.of),
            look.tried,
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
        0 => "and never without one".to_owned(),
        count => format!("and {} without one", plural(count, "time", "times")),
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
        true => "; it comes as the bus wakes, so it may be the time since then that counts",
        false => "",
    };
    format!(
        "{} {}{} before {} of {} losses of {}{}, {elsewhere}{with}; {} over all that was \
         tried{start}{}",
        place(analysis, &lead.place),
        change(analysis, lead),
        within(lead),
        lead.losses_with,
        lead.losses,
        fault::subject(analysis, &lead.of),
        before(lead),
        probability(lead.p),
        confirmed(analysis, lead.confirmed),
    )
}

fn consequence(analysis: &Analysis, lead: &Lead) -> String {
    let sender = analysis
        .place_of(lead.place.channel, lead.place.id)
        .and_then(|at| analysis.identifiers[at].node)
        .map_or("who sends it".to_owned(), |node| fault::node(analysis, node));
    let misses = match &lead.of {
        Subject::Channel(channel) => format!("the bus {}", analysis.channel(*channel).name),
        of => fault::subject(analysis, of),
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

/// What to do with it.
pub fn to_use(analysis: &Analysis, lead: &Lead) -> String {
    let Place { id, field, .. } = lead.place;
    let label = id_label(id);
    match (signal(analysis, &lead.place), field.bit) {
        (Some(_), _) => "bring it about on purpose, and see whether it is lost".to_owned(),
        (None, Some(bit)) => format!(
            "watch {label} byte {} bit {bit} with `lostnode watch --show {label}:{}.{bit}`, work \
             the switches one after another, and see which moves it",
            field.byte, field.byte
        ),
        (None, None) => format!(
            "watch {label} byte {} with `lostnode watch`, and see what moves it",
            field.byte
        ),
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
    let Field { byte, bit, .. } = lead.place.field;
    let bit = bit.map_or(String::new(), |bit| format!(".{bit}"));
    match signal(analysis, &lead.place) {
        Some(signal) => format!("before it: {} {sign}", signal.name),
        None => format!("before it: {}:{byte}{bit} {sign}", id_label(lead.place.id)),
    }
}

/// The signal of a standard in which a place lies.
fn signal(analysis: &Analysis, place: &Place) -> Option<&'static Signal> {
    let speaks = analysis.channel(place.channel).j1939 == J1939::Yes;
    standard::of(place.id, place.field).filter(|_| speaks)
}

/// What goes before the losses, as evidence.
pub fn sign(kind: LeadKind, losses_with: usize, losses: usize) -> String {
    let what = match kind {
        LeadKind::Switch => "a change on the bus, as of something switched or moved, goes",
        LeadKind::Supply => "a low supply goes",
        LeadKind::Warmth => "warmth or cold goes",
        LeadKind::Movement => "the speed of the vehicle or its engine goes",
    };
    format!("{what} before {losses_with} of {losses} losses (\"Just before\")")
}

/// Where: `0x1B4 byte 2 bit 5`.
pub fn place(analysis: &Analysis, place: &Place) -> String {
    let channel = match analysis.channels.len() {
        0 | 1 => String::new(),
        _ => format!("{} ", analysis.channel(place.channel).name),
    };
    let Field { byte, bit, width, high_first } = place.field;
    let field = match (bit, width) {
        (Some(bit), _) => format!("byte {byte} bit {bit}"),
        (None, 16) => {
            let order = if high_first { "high byte first" } else { "low byte first" };
            format!("bytes {byte} and {}, {order},", byte + 1)
        }
        _ => format!("byte {byte}"),
    };
    let name = signal(analysis, place)
        .map_or(String::new(), |signal| format!(" ({}, SPN {})", signal.name, signal.spn));
    format!("{channel}{} {field}{name}", id_label(place.id))
}

fn change(analysis: &Analysis, lead: &Lead) -> String {
    let field = lead.place.field;
    let whole = signal(analysis, &lead.place).filter(|_| field.bit.is_none());
    let shown = |raw: u64| match whole {
        Some(signal) => {
            format!("{:.1} {}", (raw as f64 * signal.scale + signal.offset), signal.unit)
        }
        None => raw.to_string(),
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

fn probability(p: f64) -> String {
    match p {
        p if p < 1e-4 => "p below 0.0001".to_owned(),
        p => format!("p = {p:.4}"),
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
