//! What happened, for a terminal: who was missing how often, and each outage in order.

use std::io::{self, Write};

use super::paper::Paper;
use super::{BAD, HEAD};
use crate::analysis::{Analysis, Outage};
use crate::fold::timing::seconds;
use crate::words;
use crate::words::outage::who;
use crate::words::terms::{duration, kind, plural};

/// Outages alike that are told one by one; the others of them in a line.
const ALIKE: usize = 3;
/// Columns of the numbers behind a name.
const NUMBERS: usize = 36;

/// Silences of one who.
struct Missing {
    who: String,
    times: usize,
    total: f64,
    longest: f64,
    ongoing: bool,
}

/// Who was missing how often and how long, worst first.
pub(super) fn worst(report: &Analysis, out: &mut Paper<'_>) -> io::Result<()> {
    let mut rows: Vec<Missing> = Vec::new();
    for outage in report.lost() {
        let (who, length) = (who(report, outage), outage.duration());
        let row = match rows.iter_mut().position(|row| row.who == who) {
            Some(at) => &mut rows[at],
            None => {
                rows.push(Missing { who, times: 0, total: 0.0, longest: 0.0, ongoing: false });
                let last = rows.len() - 1;
                &mut rows[last]
            }
        };
        row.times += 1;
        row.total += length;
        row.longest = row.longest.max(length);
        row.ongoing |= outage.ongoing;
    }
    if rows.is_empty() {
        return Ok(());
    }
    rows.sort_by(|a, b| b.total.total_cmp(&a.total));
    // On a narrow page the numbers go under the name.
    let beside = out.width >= 80;
    let column = if beside { out.width.min(100) - NUMBERS - 2 } else { 4 };
    let head = if beside { "who" } else { "" };
    if !beside {
        writeln!(out, "{HEAD}who{HEAD:#}")?;
    }
    writeln!(
        out,
        "{HEAD}{head:<column$} {:>5} {:>14} {:>14}{HEAD:#}",
        "times", "silent in all", "longest"
    )?;
    for row in rows.iter().take(20) {
        let still = if row.ongoing { " *" } else { "" };
        let fits = row.who.chars().count() <= column;
        let name = if fits { row.who.clone() } else { words::who::shortened(&row.who) };
        let name = if beside { words::who::within(&name, column - 1) } else { String::new() };
        if !beside {
            writeln!(out, "{}", row.who)?;
        }
        writeln!(
            out,
            "{name:<column$} {:>5} {:>14} {:>14}{still}",
            row.times,
            duration(row.total),
            duration(row.longest)
        )?;
    }
    if rows.len() > 20 {
        writeln!(out, "… and {} more", rows.len() - 20)?;
    }
    if rows.iter().any(|row| row.ongoing) {
        writeln!(out, "* still silent when the capture ends")?;
    }
    writeln!(out)
}

/// Outages in order, the first few of those alike in full; at most `most` in all.
pub(super) fn in_order(
    report: &Analysis,
    most: Option<usize>,
    out: &mut Paper<'_>,
) -> io::Result<()> {
    if report.outages.is_empty() {
        return Ok(());
    }
    writeln!(out, "{HEAD}What happened, in order (times from the first frame){HEAD:#}")?;
    let mut alike: Vec<(Like, Vec<&Outage>)> = Vec::new();
    let mut shown = 0;
    for outage in &report.outages {
        let key = Like { kind: kind(outage), who: who(report, outage) };
        let at = alike.iter().position(|(known, _)| *known == key).unwrap_or_else(|| {
            alike.push((key, Vec::new()));
            alike.len() - 1
        });
        alike[at].1.push(outage);
        let room = most.is_none_or(|most| shown < most && alike[at].1.len() <= ALIKE);
        if room {
            one(report, outage, out)?;
            shown += 1;
        }
    }
    if most.is_some() {
        folded(report, &alike, shown, out)?;
    }
    writeln!(out)
}

/// What outages alike have in common.
#[derive(PartialEq)]
struct Like {
    kind: &'static str,
    who: String,
}

fn folded(
    report: &Analysis,
    alike: &[(Like, Vec<&Outage>)],
    shown: usize,
    out: &mut Paper<'_>,
) -> io::Result<()> {
    let begin = report.span.map_or(0, |(start, _)| start);
    for (Like { kind, who }, own) in alike.iter().filter(|(_, own)| own.len() > ALIKE) {
        let lengths = || own.iter().map(|outage| outage.duration());
        let (least, greatest) =
            (lengths().fold(f64::INFINITY, f64::min), lengths().fold(0.0, f64::max));
        let last = own.last().map_or(0.0, |outage| seconds(outage.start - begin));
        let text = format!(
            "{} like these: {kind}, {who}, {} to {}, the last at {last:.1} s",
            plural(own.len(), "outage", "outages"),
            duration(least),
            duration(greatest)
        );
        out.hanging(&text, "  … ", "    ")?;
    }
    if shown < report.outages.len() {
        let text = format!(
            "{} of {} shown one by one; all of them: lostnode outages, or --format json",
            shown,
            report.outages.len()
        );
        out.hanging(&text, "  … ", "    ")?;
    }
    Ok(())
}

fn one(report: &Analysis, outage: &Outage, out: &mut Paper<'_>) -> io::Result<()> {
    let begin = report.span.map_or(0, |(start, _)| start);
    let at = seconds(outage.start - begin);
    let still = if outage.ongoing { ", still silent at the end" } else { "" };
    let style = if outage.is_loss() { BAD } else { HEAD };
    writeln!(
        out,
        "{at:>10.2} s  {style}{}{style:#} for {}{still}",
        kind(outage),
        duration(outage.duration())
    )?;
    indented(out, &who(report, outage))?;
    if let Some(text) = words::signals::at_begin(report, outage).filter(|_| outage.is_loss()) {
        indented(out, &text)?;
    }
    for sentence in words::outage::evidence(report, outage) {
        indented(out, &format!("- {sentence}"))?;
    }
    Ok(())
}

pub(super) fn indented(out: &mut Paper<'_>, text: &str) -> io::Result<()> {
    let indent = " ".repeat((out.width / 6).min(14));
    out.hanging(text, &indent, &format!("{indent}  "))
}
