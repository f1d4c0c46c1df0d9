//! The report to hand over: one HTML file that needs no network and no script.
//!
//! What stands in it is the JSON document; this file adds the lanes of presence and the curve of
//! the load as coordinates.

use std::io::{self, Write};

use minijinja::value::Serde;
use minijinja::{AutoEscape, Environment, Value};
use serde::Serialize;

use super::Renderer;
use super::style::{Tone, sheet};
use crate::analysis::finding::NextTest;
use crate::analysis::{Analysis, Lane, Nanoseconds, Outage, Silence};
use crate::fold::timing::seconds;
use crate::words;
use crate::words::terms::{date, duration, kind};

/// Renders one self-contained HTML file.
pub struct Html;

/// Outages in the table; the picture has all.
const MOST_OUTAGES: usize = 200;
/// Lanes in the picture; those with losses first.
const MOST_LANES: usize = 80;
/// A bar is at least this wide, of 1000, so that it can be seen and pointed at.
const THINNEST: f64 = 2.5;
/// Marks of time under a picture.
const TICKS: usize = 5;

/// What the template draws from.
#[derive(Serialize)]
struct Page<R: Serialize> {
    /// The JSON document.
    r: R,
    light: String,
    dark: String,
    headline: String,
    begin: f64,
    date: Option<String>,
    span: String,
    kinds: Vec<&'static str>,
    /// For each test, what to be careful of, in short.
    briefs: Vec<String>,
    most: usize,
    lanes: Vec<LaneView>,
    legend: Vec<Entry>,
    ticks: Vec<String>,
    loads: Vec<LoadView>,
}

#[derive(Serialize)]
struct LaneView {
    label: String,
    summary: String,
    bars: Vec<Bar>,
}

#[derive(Serialize)]
struct Bar {
    kind: &'static str,
    x: f64,
    width: f64,
    /// Drawn low: only some identifiers of the lane.
    low: bool,
    text: String,
}

/// One line of the legend.
#[derive(Serialize)]
struct Entry {
    kind: &'static str,
    text: String,
}

#[derive(Serialize)]
struct LoadView {
    label: String,
    points: String,
}

impl Renderer for Html {
    fn render(&self, report: &Analysis, out: &mut dyn Write) -> io::Result<()> {
        let mut environment = Environment::new();
        environment.set_auto_escape_callback(|_| AutoEscape::Html);
        let text = environment
            .template_from_str(include_str!("template.html"))
            .and_then(|template| {
                template.render(Value::from(Serde(Page {
                    r: super::json::document(report),
                    light: sheet(false),
                    dark: sheet(true),
                    headline: crate::words::headline::headline(report),
                    begin: report.span.map_or(0.0, |(begin, _)| begin as f64 / 1e9),
                    date: report.span.and_then(|(begin, _)| date(begin)),
                    span: report
                        .span
                        .map_or(String::new(), |(begin, end)| duration(seconds(end - begin))),
                    kinds: report.outages.iter().map(kind).collect(),
                    briefs: report.next_tests().iter().map(briefs).collect(),
                    most: MOST_OUTAGES,
                    lanes: lanes(report),
                    legend: legend(report),
                    ticks: ticks(report),
                    loads: loads(report),
                })))
            })
            .map_err(io::Error::other)?;
        out.write_all(text.as_bytes())
    }
}

fn briefs(test: &NextTest) -> String {
    let briefs: Vec<&str> = test.cautions.iter().map(|caution| caution.brief.as_str()).collect();
    briefs.join(" ")
}

/// From times to coordinates.
struct Axis {
    begin: Nanoseconds,
    length: f64,
}

impl Axis {
    fn of(report: &Analysis) -> Option<Axis> {
        let (begin, end) = report.span?;
        Some(Axis { begin, length: seconds(end - begin).max(1e-9) })
    }

    fn bar(&self, tone: Tone, part: Silence, text: String) -> Bar {
        let x = seconds(part.start - self.begin) / self.length * 1000.0;
        let width = seconds(part.end - part.start) / self.length * 1000.0;
        // What was heard is no wider than it is: beside a silence it would lie in it.
        let width = if tone == Tone::Heard { width } else { width.max(THINNEST) };
        let round = |value: f64| (value * 100.0).round() / 100.0;
        Bar {
            kind: tone.name(),
            x: round(x.min(1000.0 - THINNEST)),
            width: round(width),
            low: false,
            text,
        }
    }
}

fn lanes(report: &Analysis) -> Vec<LaneView> {
    let Some(axis) = Axis::of(report) else { return Vec::new() };
    let mut order: Vec<&Lane> = report.lanes.iter().collect();
    order.sort_by_key(|lane| lane.outages.is_empty());
    order.truncate(MOST_LANES);
    order.into_iter().map(|lane| view(report, &axis, lane)).collect()
}

fn view(report: &Analysis, axis: &Axis, lane: &Lane) -> LaneView {
    let label = match report.channels.len() {
        1 => words::network::lane(report, lane),
        _ => {
            let channel = &report.channel(lane.channel).name;
            format!("{channel} {}", words::network::lane(report, lane))
        }
    };
    let since = |time: Nanoseconds| format!("{:.1} s", seconds(time - axis.begin));
    let heard = report.heard(&[lane]).into_iter().map(|part| {
        let text = format!("{label}: heard from {} to {}", since(part.start), since(part.end));
        axis.bar(Tone::Heard, part, text)
    });
    let words = |outage: &Outage, part: Silence| {
        let last = outage.ongoing && part.end == outage.end;
        let end = if last { "the end".to_owned() } else { since(part.end) };
        format!(
            "{label}: {} for {}, from {} to {end}",
            kind(outage),
            duration(seconds(part.length())),
            since(part.start)
        )
    };
    let stops = report.stops(lane.channel).map(|outage| (outage, outage.silence(), true));
    let own = report.missed(lane).into_iter().map(|own| (own.outage, own.part, own.whole));
    let missed = stops.chain(own).map(|(outage, part, whole)| {
        let bar = axis.bar(Tone::of(outage), part, words(outage, part));
        Bar { low: !whole, ..bar }
    });
    let bars = heard.chain(missed).collect();
    let lost = lane.outages.iter().filter(|at| report.outages[**at].is_loss()).count();
    let summary = match lost {
        0 => format!("{label}: not lost"),
        1 => format!("{label}: lost once"),
        count => format!("{label}: lost {count} times"),
    };
    LaneView { label, summary, bars }
}

/// One entry for each tone, with all that it stands for.
fn legend(report: &Analysis) -> Vec<Entry> {
    let entry = |(tone, kinds): (Tone, Vec<&'static str>)| Entry {
        kind: tone.name(),
        text: kinds.join(", "),
    };
    super::style::legend(report).into_iter().map(entry).collect()
}

fn ticks(report: &Analysis) -> Vec<String> {
    let length = Axis::of(report).map_or(0.0, |axis| axis.length);
    (0..TICKS).map(|tick| format!("{:.0} s", length * tick as f64 / (TICKS - 1) as f64)).collect()
}

fn loads(report: &Analysis) -> Vec<LoadView> {
    let Some(axis) = Axis::of(report) else { return Vec::new() };
    let of = |channel: &crate::analysis::Channel| {
        let load = channel.load.as_ref()?;
        let (peak, _) = load.peak()?;
        let begin = seconds(load.start - axis.begin);
        // At most a thousand points: the highest of each stretch.
        let stride = load.load.len().div_ceil(1000).max(1);
        let top = peak.max(0.05);
        let points: Vec<String> = load
            .load
            .chunks(stride)
            .enumerate()
            .map(|(at, part)| {
                let x = (begin + (at * stride) as f64 * load.bin) / axis.length * 1000.0;
                let y = 100.0 - part.iter().copied().fold(0.0, f64::max) / top * 95.0;
                format!("{:.1},{:.1}", x.clamp(0.0, 1000.0), y)
            })
            .collect();
        let label = format!(
            "{}: mean {:.1} %, highest {:.1} % (top of the picture)",
            channel.name,
            load.mean() * 100.0,
            peak * 100.0
        );
        Some(LoadView { label, points: points.join(" ") })
    };
    report.channels.iter().filter_map(of).collect()
}
