//! What is told of all captures together: how many are of each kind, and which node is lost in how
//! many captures and vehicles.

use std::collections::{BTreeMap, BTreeSet};
use std::io::{self, Write};

use crate::render::json::row::{Outcome, Row};

/// Names told of files that are no captures.
const SHOWN: usize = 5;

/// How many captures of each kind, and which node is lost in how many captures and vehicles.
pub(super) fn print(rows: &[Row], out: &mut dyn Write) -> io::Result<()> {
    let count = |verdict: Outcome| rows.iter().filter(|row| row.verdict == verdict).count();
    let beside = count(Outcome::NoCapture);
    writeln!(
        out,
        "{} captures: {} with losses, {} without, {} that cannot tell, {} not read",
        rows.len() - beside,
        count(Outcome::Lost),
        count(Outcome::NothingLost),
        count(Outcome::CannotTell),
        count(Outcome::NotRead)
    )?;
    let mut nodes: BTreeMap<&str, (usize, BTreeSet<&str>)> = BTreeMap::new();
    for row in rows {
        for node in row.lost.iter().collect::<BTreeSet<_>>() {
            let entry = nodes.entry(node).or_default();
            entry.0 += 1;
            // Captures without a VIN are one vehicle each, as far as anybody knows.
            entry.1.insert(row.vin.as_deref().unwrap_or(&row.path));
        }
    }
    let mut nodes: Vec<_> = nodes.into_iter().collect();
    nodes.sort_by(|a, b| b.1.0.cmp(&a.1.0).then(a.0.cmp(b.0)));
    if !nodes.is_empty() {
        writeln!(out, "\n{:<40} {:>12} {:>12}", "lost node", "in captures", "of vehicles")?;
    }
    for (node, (captures, vehicles)) in nodes.iter().take(30) {
        writeln!(out, "{node:<40} {captures:>12} {:>12}", vehicles.len())?;
    }
    for row in rows.iter().filter(|row| row.verdict == Outcome::NotRead) {
        writeln!(out, "not read: {}: {}", row.path, row.reason.as_deref().unwrap_or(""))?;
    }
    if beside > 0 {
        let names = rows.iter().filter(|row| row.verdict == Outcome::NoCapture);
        let names: Vec<&str> = names.map(|row| row.path.as_str()).collect();
        let (some, more) = names.split_at(names.len().min(SHOWN));
        let more = match more.len() {
            0 => String::new(),
            more => format!(" and {more} more"),
        };
        writeln!(out, "{beside} beside them, no captures: {}{more}", some.join(", "))?;
    }
    Ok(())
}
