//! The report for a terminal, 80 columns, the most important thing first.

pub mod comparison;
mod diagnosis;
mod findings;

use std::io::{self, Write};

use crate::analysis::verdict::Verdict;
use crate::analysis::{Analysis, BitRate};
use crate::fold::timing::seconds;
use crate::render::Renderer;
use crate::render::style::{BAD, GOOD, HEAD};
use crate::words;
use crate::words::outage::who;
use crate::words::terms::{date, duration, kind, plural};

/// Renders text with styles; the caller's stream strips them where the output is no terminal.
pub struct Text {
    /// Most outages shown one by one.
    pub most_outages: usize,
}

impl Default for Text {
    fn default() -> Self {
        Text { most_outages: 40 }
    }
}

const WIDTH: usize = 80;

impl Renderer for Text {
    fn render(&self, report: &Analysis, out: &mut dyn Write) -> io::Result<()> {
        headline(report, out)?;
        findings::render(report, out)?;
        worst(report, out)?;
        self.outages(report, out)?;
        deviations(report, out)?;
        diagnosis::render(report, out)?;
        channels(report, out)?;
        captures(report, out)?;
        notices(report, out)
    }
}

/// Wrapped text with its own beginning for the first line.
fn hanging(out: &mut dyn Write, text: &str, first: &str, next: &str) -> io::Result<()> {
    let options = textwrap::Options::new(WIDTH).initial_indent(first).subsequent_indent(next);
    textwrap::wrap(text, options).iter().try_for_each(|line| writeln!(out, "{line}"))
}

fn headline(report: &Analysis, out: &mut dyn Write) -> io::Result<()> {
    let span = duration(report.span.map_or(0.0, |(start, end)| seconds(end - start)));
    let periodic = report.identifiers.iter().filter(|id| id.rhythm.is_some()).count();
    let words = words::headline::headline(report);
    let words = textwrap::fill(&words, WIDTH);
    match (report.verdict(), report.lost().count()) {
        (Verdict::CannotTell, _) => writeln!(out, "{HEAD}{words}{HEAD:#}\n"),
        (_, 0) => writeln!(
            out,
            "{GOOD}{words}{GOOD:#}\n{periodic} periodic identifiers kept their time over {span}.\n"
        ),
        (_, count) => {
            let outages = plural(count, "outage", "outages");
            writeln!(out, "{BAD}{words}{BAD:#}\n{outages} in {span}.\n")
        }
    }
}

/// Who was missing how often and how long, worst first.
fn worst(report: &Analysis, out: &mut dyn Write) -> io::Result<()> {
    let mut rows: Vec<(String, usize, f64, f64, bool)> = Vec::new();
    for outage in report.lost() {
        let who = who(report, outage);
        match rows.iter_mut().find(|row| row.0 == who) {
            Some(row) => {
                row.1 += 1;
                row.2 += outage.duration();
                row.3 = row.3.max(outage.duration());
                row.4 |= outage.ongoing;
            }
            None => rows.push((who, 1, outage.duration(), outage.duration(), outage.ongoing)),
        }
    }
    if rows.is_empty() {
        return Ok(());
    }
    rows.sort_by(|a, b| b.2.total_cmp(&a.2));
    writeln!(
        out,
        "{HEAD}{:<40} {:>5} {:>14} {:>14}{HEAD:#}",
        "who", "times", "silent in all", "longest"
    )?;
    for (who, times, total, longest, ongoing) in rows.iter().take(20) {
        let still = if *ongoing { " *" } else { "" };
        writeln!(
            out,
            "{:<40} {times:>5} {:>14} {:>14}{still}",
            cut(who, 40),
            duration(*total),
            duration(*longest)
        )?;
    }
    if rows.len() > 20 {
        writeln!(out, "… and {} more", rows.len() - 20)?;
    }
    if rows.iter().any(|row| row.4) {
        writeln!(out, "* still silent when the capture ends")?;
    }
    writeln!(out)
}

impl Text {
    fn outages(&self, report: &Analysis, out: &mut dyn Write) -> io::Result<()> {
        if report.outages.is_empty() {
            return Ok(());
        }
        writeln!(out, "{HEAD}What happened, in order (times from the first frame){HEAD:#}")?;
        let begin = report.span.map_or(0, |(start, _)| start);
        for outage in report.outages.iter().take(self.most_outages) {
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
            for sentence in words::outage::evidence(report, outage) {
                indented(out, &format!("- {sentence}"))?;
            }
        }
        if report.outages.len() > self.most_outages {
            writeln!(
                out,
                "… and {} more (all of them: --format json)",
                report.outages.len() - self.most_outages
            )?;
        }
        writeln!(out)
    }
}

/// What happened, in order, all of it.
///
/// # Errors
/// Those of the writer.
pub fn outage_lines(report: &Analysis, out: &mut dyn Write) -> io::Result<()> {
    if report.outages.is_empty() {
        return writeln!(out, "{}", words::headline::headline(report));
    }
    Text { most_outages: usize::MAX }.outages(report, out)
}

fn deviations(report: &Analysis, out: &mut dyn Write) -> io::Result<()> {
    if report.deviations.is_empty() {
        return Ok(());
    }
    writeln!(out, "{HEAD}Not as the roster says{HEAD:#}")?;
    for deviation in report.deviations.iter().take(30) {
        let channel = &report.channel(deviation.channel).name;
        writeln!(out, "- {channel} {}", words::network::deviation(report, deviation))?;
    }
    if report.deviations.len() > 30 {
        writeln!(out, "… and {} more", report.deviations.len() - 30)?;
    }
    writeln!(out)
}

fn indented(out: &mut dyn Write, text: &str) -> io::Result<()> {
    let options = textwrap::Options::new(WIDTH)
        .initial_indent("              ")
        .subsequent_indent("                ");
    textwrap::wrap(text, options).iter().try_for_each(|line| writeln!(out, "{line}"))
}

fn channels(report: &Analysis, out: &mut dyn Write) -> io::Result<()> {
    writeln!(
        out,
        "{HEAD}{:<12} {:>10} {:>7} {:>24} {:>10} {:>11}{HEAD:#}",
        "channel", "frames", "errors", "bit rate", "mean load", "peak load"
    )?;
    for channel in &report.channels {
        let rate = match channel.bit_rate {
            BitRate::Given(rate) => format!("{:.0} kbit/s, given", rate / 1e3),
            BitRate::Inferred { rate, confidence } => {
                format!("{:.0} kbit/s, {:.0} % sure", rate / 1e3, confidence * 100.0)
            }
            BitRate::Unknown => "unknown (--bit-rate)".to_owned(),
        };
        let percent = |load: f64| format!("{:.1} %", load * 100.0);
        let load = channel.load.as_ref();
        writeln!(
            out,
            "{:<12} {:>10} {:>7} {rate:>24} {:>10} {:>11}",
            cut(&channel.name, 12),
            channel.frames,
            channel.error_frames,
            load.map_or("–".to_owned(), |load| percent(load.mean())),
            load.and_then(|load| load.peak()).map_or("–".to_owned(), |(peak, _)| percent(peak)),
        )?;
    }
    writeln!(out)
}

fn captures(report: &Analysis, out: &mut dyn Write) -> io::Result<()> {
    writeln!(out, "{HEAD}capture{HEAD:#}")?;
    for capture in &report.captures {
        writeln!(out, "  {}", capture.path)?;
        writeln!(
            out,
            "  {}, {} frames, {} lines rejected",
            capture.format, capture.frames, capture.rejected
        )?;
        for rejected in capture.rejections.iter().take(3) {
            indented(out, &format!("line {}: {}", rejected.line, rejected.reason))?;
        }
        if capture.rejected > 3 {
            indented(out, &format!("… and {} more", capture.rejected - 3))?;
        }
        if let Some((start, end)) = capture.span {
            let length = seconds(end.since(start));
            match date(start.nanoseconds()) {
                Some(date) => writeln!(out, "  from {date} for {}", duration(length))?,
                None => writeln!(out, "  {} long", duration(length))?,
            }
        }
    }
    Ok(())
}

fn notices(report: &Analysis, out: &mut dyn Write) -> io::Result<()> {
    let doubts = words::verdict::obstacles(report);
    if report.notices.is_empty() && doubts.is_empty() {
        return Ok(());
    }
    writeln!(out, "\n{HEAD}Please note{HEAD:#}")?;
    for notice in doubts.into_iter().chain(words::notices::notices(report)) {
        let options = textwrap::Options::new(WIDTH).initial_indent("- ").subsequent_indent("  ");
        for line in textwrap::wrap(&notice, options) {
            writeln!(out, "{line}")?;
        }
    }
    Ok(())
}

/// At most `width` characters of `text`.
fn cut(text: &str, width: usize) -> String {
    if text.chars().count() <= width {
        return text.to_owned();
    }
    text.chars().take(width - 1).chain(['…']).collect()
}
