//! The rows of what happened: outages that are alike are one row.

use serde::Serialize;

use crate::analysis::{Analysis, Outage};
use crate::words::outage::{evidence, who};
use crate::words::terms::{at, duration, kind};

/// From so many alike on they are one row.
const ALIKE: usize = 4;
/// Rows in the table, and outages told in one of them; JSON has all.
const MOST_SHOWN: usize = 200;

/// A row.
#[derive(Serialize)]
pub(super) struct Event {
    start: f64,
    at: String,
    seconds: f64,
    lasts: String,
    what: String,
    who: String,
    evidence: String,
    /// Each of several that are alike; empty where there is but one.
    alike: Vec<String>,
}

/// The rows in order of time, and how many outages are in none of them.
pub(super) fn events(report: &Analysis) -> (Vec<Event>, usize) {
    let mut groups: Vec<(&'static str, String, Vec<&Outage>)> = Vec::new();
    for outage in &report.outages {
        let (kind, who) = (kind(outage), who(report, outage));
        match groups.iter_mut().find(|group| group.0 == kind && group.1 == who) {
            Some(group) => group.2.push(outage),
            None => groups.push((kind, who, vec![outage])),
        }
    }
    let mut rows: Vec<Event> = Vec::new();
    for (kind, who, outages) in groups {
        if outages.len() < ALIKE {
            rows.extend(outages.iter().map(|outage| one(report, kind, &who, outage)));
        } else {
            rows.push(many(report, kind, &who, &outages));
        }
    }
    rows.sort_by(|a, b| a.start.total_cmp(&b.start));
    let left_out = rows.split_off(rows.len().min(MOST_SHOWN));
    let count = |row: &Event| row.alike.len().max(1);
    (rows, left_out.iter().map(count).sum())
}

fn one(report: &Analysis, kind: &str, who: &str, outage: &Outage) -> Event {
    Event {
        start: since(report, outage),
        at: at(report, outage.start),
        seconds: outage.duration(),
        lasts: lasts(outage),
        what: kind.to_owned(),
        who: who.to_owned(),
        evidence: evidence(report, outage).join("; "),
        alike: Vec::new(),
    }
}

fn many(report: &Analysis, kind: &str, who: &str, outages: &[&Outage]) -> Event {
    let all: f64 = outages.iter().map(|outage| outage.duration()).sum();
    let longest = outages.iter().max_by(|a, b| a.duration().total_cmp(&b.duration()));
    let told = |outage: &&Outage| format!("at {} for {}", at(report, outage.start), lasts(outage));
    let first = outages.first().map_or(0.0, |outage| since(report, outage));
    let longest = longest.map_or(String::new(), |outage| lasts(outage));
    Event {
        start: first,
        at: from_to(report, outages),
        seconds: all,
        lasts: format!("{} in all", duration(all)),
        what: format!("{kind}, {} times, at most for {longest}", outages.len()),
        who: who.to_owned(),
        evidence: outages.first().map_or(String::new(), |own| evidence(report, own).join("; ")),
        alike: outages.iter().take(MOST_SHOWN).map(told).collect(),
    }
}

fn from_to(report: &Analysis, outages: &[&Outage]) -> String {
    let [first, .., last] = outages else { return String::new() };
    match report.drives.is_empty() {
        true => format!("{:.1} to {}", since(report, first), at(report, last.start)),
        false => format!("{} to {}", at(report, first.start), at(report, last.start)),
    }
}

/// Seconds recorded until then, by which rows are in order.
fn since(report: &Analysis, outage: &Outage) -> f64 {
    report.span.map_or(0.0, |_| report.elapsed(outage.start))
}

fn lasts(outage: &Outage) -> String {
    let end = if outage.ongoing { ", to the end" } else { "" };
    format!("{}{end}", duration(outage.duration()))
}
