//! The report for a terminal, the answer on the first screen.

pub mod comparison;
mod diagnosis;
mod findings;
mod first_screen;
mod just_before;
mod outages;
mod paper;

use std::io::{self, Write};

use crate::analysis::{Analysis, BitRate};
use crate::fold::timing::seconds;
use crate::render::Renderer;
use crate::render::style::{BAD, GOOD, HEAD};
use crate::words;
use crate::words::terms::{date, duration, plural};
use outages::indented;
use paper::Paper;

/// Renders text with styles; the caller's stream strips them where the output is no terminal.
pub struct Text {
    /// Most outages shown one by one.
    pub most_outages: usize,
    /// Columns of the page, from 40 to 120.
    pub width: usize,
    /// Only the first screen.
    pub brief: bool,
    /// The page to hand over is written too, so that it need not be offered.
    pub page: bool,
}

impl Default for Text {
    fn default() -> Self {
        Text { most_outages: 40, width: WIDTH, brief: false, page: false }
    }
}

/// Columns of a page where nothing tells how many there are.
pub const WIDTH: usize = 80;

impl Renderer for Text {
    fn render(&self, report: &Analysis, out: &mut dyn Write) -> io::Result<()> {
        let mut paper = Paper::new(out, self.width);
        let out = &mut paper;
        first_screen::render(report, self.brief, self.page, out)?;
        if self.brief {
            return Ok(());
        }
        findings::render(report, out)?;
        just_before::render(report, out)?;
        marks(report, out)?;
        outages::worst(report, out)?;
        happened(report, Some(self.most_outages), out)?;
        deviations(report, out)?;
        diagnosis::render(report, out)?;
        channels(report, out)?;
        captures(report, out)?;
        notices(report, out)
    }
}

/// What happened, in order, all of it.
///
/// # Errors
/// Those of the writer.
pub fn outage_lines(report: &Analysis, width: usize, out: &mut dyn Write) -> io::Result<()> {
    let mut out = Paper::new(out, width);
    if report.outages.is_empty() {
        return writeln!(out, "{}", words::headline::headline(report));
    }
    happened(report, None, &mut out)
}

/// The outages in order, drive by drive: each has its own time line.
fn happened(report: &Analysis, most: Option<usize>, out: &mut Paper<'_>) -> io::Result<()> {
    for at in 0..report.drives.len() {
        writeln!(out, "{HEAD}{}{HEAD:#}", words::first_screen::drive(report, at))?;
        let drive = &report.drives[at].analysis;
        if drive.outages.is_empty() {
            writeln!(out, "  nothing was silent that was due\n")?;
        }
        outages::in_order(drive, most, out)?;
    }
    if report.drives.is_empty() { outages::in_order(report, most, out) } else { Ok(()) }
}

fn marks(report: &Analysis, out: &mut Paper<'_>) -> io::Result<()> {
    if report.marks.is_empty() {
        return Ok(());
    }
    writeln!(out, "{HEAD}What was being done{HEAD:#}")?;
    for own in &report.marks {
        out.hanging(&words::marks::sentence(own), "- ", "  ")?;
    }
    writeln!(out)
}

fn deviations(report: &Analysis, out: &mut Paper<'_>) -> io::Result<()> {
    if report.deviations.is_empty() {
        return Ok(());
    }
    writeln!(out, "{HEAD}Differences from the roster{HEAD:#}")?;
    for deviation in report.deviations.iter().take(30) {
        let channel = &report.channel(deviation.channel).name;
        writeln!(out, "- {channel} {}", words::network::deviation(report, deviation))?;
    }
    if report.deviations.len() > 30 {
        writeln!(out, "… and {} more", report.deviations.len() - 30)?;
    }
    writeln!(out)
}

fn channels(report: &Analysis, out: &mut Paper<'_>) -> io::Result<()> {
    let wide = out.width >= 80;
    if wide {
        writeln!(
            out,
            "{HEAD}{:<12} {:>10} {:>7} {:>24} {:>10} {:>11}{HEAD:#}",
            "channel", "frames", "errors", "bit rate", "mean load", "peak load"
        )?;
    }
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
        let mean = load.map_or("-".to_owned(), |load| percent(load.mean()));
        let peak = load.and_then(|load| load.peak());
        let peak = peak.map_or("-".to_owned(), |(peak, _)| percent(peak));
        let (name, frames, errors) = (&channel.name, channel.frames, channel.error_frames);
        if wide {
            let name = cut(name, 12);
            writeln!(out, "{name:<12} {frames:>10} {errors:>7} {rate:>24} {mean:>10} {peak:>11}")?;
        } else {
            let text = format!(
                "{name}: {frames} frames, {errors} error reports, bit rate {rate}, mean load \
                 {mean}, peak load {peak}"
            );
            out.hanging(&text, "", "  ")?;
        }
    }
    writeln!(out)
}

fn captures(report: &Analysis, out: &mut Paper<'_>) -> io::Result<()> {
    writeln!(out, "{HEAD}capture{HEAD:#}")?;
    for capture in &report.captures {
        writeln!(out, "  {}", capture.path)?;
        writeln!(
            out,
            "  {}, {} frames, {} rejected",
            capture.format,
            capture.frames,
            plural(capture.rejected as usize, "line", "lines")
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

fn notices(report: &Analysis, out: &mut Paper<'_>) -> io::Result<()> {
    let doubts = words::verdict::obstacles(report);
    if report.notices.is_empty() && doubts.is_empty() {
        return Ok(());
    }
    writeln!(out, "\n{HEAD}Please note{HEAD:#}")?;
    for notice in doubts.into_iter().chain(words::notices::notices(report)) {
        out.hanging(&notice, "- ", "  ")?;
    }
    Ok(())
}

/// At most `width` columns of `text`.
fn cut(text: &str, width: usize) -> String {
    if text.chars().count() <= width {
        return text.to_owned();
    }
    // Some terminals show the dots in two columns.
    text.chars().take(width.saturating_sub(2)).chain(['…']).collect()
}
