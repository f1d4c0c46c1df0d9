//! What is told of all captures together: how many are of each kind, and which node is lost in how
//! many captures and vehicles.

use std::collections::{BTreeMap, BTreeSet};
use std::io::{self, Write};

use super::work::{Done, Vehicle};
use crate::render::json::row::{Outcome, Row};

/// Names told of files that are no captures.
const SHOWN: usize = 5;
/// Nodes told.
const NODES: usize = 30;
/// What stands in the place of a node where the loss is of none.
const WHOLE_BUS: &str = "(a whole bus)";
const NO_SENDER: &str = "(messages of no known sender)";

/// How many captures of each kind, and which node is lost in how many captures and vehicles.
pub(super) fn print(all: &[Done], out: &mut dyn Write) -> io::Result<()> {
    let rows = || all.iter().map(|done| &done.row);
    let count = |verdict: Outcome| rows().filter(|row| row.verdict == verdict).count();
    let beside = count(Outcome::NoCapture);
    writeln!(
        out,
        "{} captures: {} with losses, {} without, {} that cannot tell, {} not read",
        all.len() - beside,
        count(Outcome::Lost),
        count(Outcome::NothingLost),
        count(Outcome::CannotTell),
        count(Outcome::NotRead)
    )?;
    let copies = copies(all);
    nodes(all, &copies, out)?;
    if !copies.is_empty() {
        let names: Vec<String> = copies
            .iter()
            .map(|(at, of)| format!("{} (as {})", all[*at].row.path, all[*of].row.path))
            .collect();
        writeln!(out, "the same bytes twice, counted once: {}", some(&names))?;
    }
    for row in rows().filter(|row| row.cut_short) {
        let why = row.reason.as_deref().unwrap_or("");
        writeln!(out, "cut off, its end is not known: {}: {why}", row.path)?;
    }
    for row in rows().filter(|row| row.verdict == Outcome::NotRead) {
        writeln!(out, "not read: {}: {}", row.path, row.reason.as_deref().unwrap_or(""))?;
    }
    if beside > 0 {
        let names = rows().filter(|row| row.verdict == Outcome::NoCapture);
        let names: Vec<String> = names.map(|row| row.path.clone()).collect();
        writeln!(out, "{beside} beside them, no captures: {}", some(&names))?;
    }
    Ok(())
}

/// Captures that hold the same bytes as one before them: their places, and of which.
fn copies(all: &[Done]) -> BTreeMap<usize, usize> {
    let mut first: BTreeMap<&str, usize> = BTreeMap::new();
    let mut out = BTreeMap::new();
    for (at, done) in all.iter().enumerate() {
        let read = !matches!(done.row.verdict, Outcome::NotRead | Outcome::NoCapture);
        if let Some(contents) = done.contents.as_deref().filter(|_| read) {
            match first.get(contents) {
                Some(of) => drop(out.insert(at, *of)),
                None => drop(first.insert(contents, at)),
            }
        }
    }
    out
}

/// What was lost in a capture, by name.
fn lost(row: &Row) -> BTreeSet<&str> {
    let mut out: BTreeSet<&str> = row.lost.iter().map(String::as_str).collect();
    out.extend((row.lost_buses > 0).then_some(WHOLE_BUS));
    if out.is_empty() && row.verdict == Outcome::Lost {
        out.insert(NO_SENDER);
    }
    out
}

fn nodes(all: &[Done], copies: &BTreeMap<usize, usize>, out: &mut dyn Write) -> io::Result<()> {
    let mut nodes: BTreeMap<&str, (usize, BTreeSet<&Vehicle>)> = BTreeMap::new();
    for (_, done) in all.iter().enumerate().filter(|(at, _)| !copies.contains_key(at)) {
        for node in lost(&done.row) {
            let entry = nodes.entry(node).or_default();
            entry.0 += 1;
            entry.1.insert(&done.vehicle);
        }
    }
    let mut nodes: Vec<_> = nodes.into_iter().collect();
    nodes.sort_by(|a, b| b.1.0.cmp(&a.1.0).then(a.0.cmp(b.0)));
    if !nodes.is_empty() {
        writeln!(out, "\n{:<40} {:>12} {:>12}", "lost node", "in captures", "of vehicles")?;
    }
    let hidden = |vehicles: &BTreeSet<&Vehicle>| vehicles.contains(&Vehicle::Hidden);
    for (node, (captures, vehicles)) in nodes.iter().take(NODES) {
        let vehicles = match hidden(vehicles) {
            true => "?".to_owned(),
            false => vehicles.len().to_string(),
        };
        writeln!(out, "{node:<40} {captures:>12} {vehicles:>12}")?;
    }
    if nodes.len() > NODES {
        writeln!(out, "and {} more: column `lost` of summary.csv", nodes.len() - NODES)?;
    }
    if nodes.iter().any(|(_, (_, vehicles))| hidden(vehicles)) {
        writeln!(out, "?: --hide-identity, VINs of what --resume left out are not known")?;
    }
    Ok(())
}

/// The first few names, and how many more there are.
pub(super) fn some(names: &[String]) -> String {
    let (some, more) = names.split_at(names.len().min(SHOWN));
    match more.len() {
        0 => some.join(", "),
        more => format!("{} and {more} more", some.join(", ")),
    }
}
