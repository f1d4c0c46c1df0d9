//! The report to hand over: one HTML file that needs no network and no script.
//!
//! What stands in it is the JSON document; this file adds the lanes of presence and the curve of
//! the load as coordinates.

use std::io::{self, Write};

use minijinja::value::Serde;
use minijinja::{AutoEscape, Environment, Value};
use serde::Serialize;

use super::Renderer;
use crate::analysis::{Analysis, Lane, Nanoseconds, Outage, Scope};
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
    headline: String,
    begin: f64,
    date: Option<String>,
    span: String,
    kinds: Vec<&'static str>,
    most: usize,
    lanes: Vec<LaneView>,
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
                    headline: crate::words::verdict::headline(report),
                    begin: report.span.map_or(0.0, |(begin, _)| begin as f64 / 1e9),
                    date: report.span.and_then(|(begin, _)| date(begin)),
                    span: report
                        .span
                        .map_or(String::new(), |(begin, end)| duration(seconds(end - begin))),
                    kinds: report.outages.iter().map(kind).collect(),
                    most: MOST_OUTAGES,
                    lanes: lanes(report),
                    ticks: ticks(report),
                    loads: loads(report),
                })))
            })
            .map_err(io::Error::other)?;
        out.write_all(text.as_bytes())
    }
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

    fn bar(&self, kind: &'static str, from: Nanoseconds, to: Nanoseconds, text: String) -> Bar {
        let x = seconds(from - self.begin) / self.length * 1000.0;
        let width = (seconds(to - from) / self.length * 1000.0).max(THINNEST);
        let round = |value: f64| (value * 10.0).round() / 10.0;
        Bar { kind, x: round(x.min(1000.0 - THINNEST)), width: round(width), text }
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
    let mut bars = Vec::new();
    if lane.heard.1 > lane.heard.0 {
        let text =
            format!("{}: heard from {} to {}", label, since(lane.heard.0), since(lane.heard.1));
        bars.push(axis.bar("heard", lane.heard.0, lane.heard.1, text));
    }
    let words = |outage: &Outage| {
        let end = if outage.ongoing { "the end".to_owned() } else { since(outage.end) };
        format!(
            "{}: {} for {}, from {} to {end}",
            label,
            kind(outage),
            duration(outage.duration()),
            since(outage.start)
        )
    };
    let stops = report.outages.iter().filter(|outage| {
        outage.scope >= Scope::Bus && outage.channel.is_none_or(|channel| channel == lane.channel)
    });
    bars.extend(stops.map(|outage| {
        let class = if outage.is_loss() { "lost" } else { "quiet" };
        axis.bar(class, outage.start, outage.end, words(outage))
    }));
    let own = lane.outages.iter().map(|at| &report.outages[*at]);
    bars.extend(own.map(|outage| axis.bar("lost", outage.start, outage.end, words(outage))));
    let summary = match lane.outages.len() {
        0 => format!("{}: not lost", label),
        count => format!("{}: lost {count} times", label),
    };
    LaneView { label, summary, bars }
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
