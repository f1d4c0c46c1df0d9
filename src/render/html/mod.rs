//! The report to hand over: one HTML file that needs no network and no script.
//!
//! What stands in it is the JSON document; this folder adds the lanes of presence and the curves of
//! the load as coordinates, and folds what repeats.

mod events;
mod lanes;
mod load;
mod schematic;
mod signals;

use std::io::{self, Write};

use minijinja::value::Serde;
use minijinja::{AutoEscape, Environment, Value};
use serde::Serialize;

use self::events::Event;
use self::lanes::{Entry, Group};
use self::load::LoadView;
use super::Renderer;
use super::plot::Ticks;
use super::style::sheet;
use crate::analysis::finding::{Caution, NextTest};
use crate::analysis::headline::Explained;
use crate::analysis::{Analysis, Nanoseconds};
use crate::fold::timing::seconds;
use crate::words::first_screen::{self as told, ToDo};
use crate::words::steps;
use crate::words::terms::at;

/// Renders one self-contained HTML file.
pub struct Html;

/// The style sheet, but for the palette.
const STYLE: &str = include_str!("page.css");
/// Adds what paper cannot; the page says the same without it.
const SCRIPT: &str = include_str!("page.js");
/// No other script may run in the page: this is the hash of what stands between its tags
/// (`tests/html.rs` computes it).
const SCRIPT_HASH: &str = "sha256-OVpJA/OKm1/bG6UzY2Azy90uqTSG+1KnlcVatU3KVkw=";
/// Marks of time under a picture, at most: more do not fit on a phone.
const TICKS: f64 = 8.0;

/// What the template draws from.
#[derive(Serialize)]
struct Page<R: Serialize> {
    /// The JSON document.
    r: R,
    light: String,
    dark: String,
    style: &'static str,
    script: &'static str,
    script_hash: &'static str,
    headline: String,
    begin: f64,
    /// The capture, its date and its length.
    capture: String,
    /// What stands under the answer where nothing was lost.
    under: Vec<String>,
    first: Option<First>,
    tests: Vec<Step>,
    /// Over each finding, where it begins a group.
    headings: Vec<Option<&'static str>>,
    /// Why nothing is known that went before the losses.
    just_before: Vec<String>,
    /// What the expected values rest on.
    sources: &'static str,
    /// Cautions that stand with no step, each with where it is from.
    cautions: Vec<Full>,
    /// Seconds; of several drives none, for each has its own.
    length: Option<f64>,
    /// Percent of the width between two marks of time.
    step: f64,
    /// The time lines: of the recording, or of each drive.
    parts: Vec<Part>,
    legend: Vec<Entry>,
    /// What a line in a lane stands for, where there are any.
    tick: Option<&'static str>,
    /// What was kept out, a sentence each.
    kept_out: Vec<String>,
    /// When each dip of the supply began, where there are several drives.
    dips: Vec<String>,
    events: Vec<Event>,
    left_out: usize,
    /// The harness, where a wiring file was given.
    schematic: Option<schematic::Schematic>,
}

/// A time line.
#[derive(Serialize)]
struct Part {
    /// Which drive; `None` where there is only one.
    title: Option<String>,
    lanes: Vec<Group>,
    /// Percent of the width between two marks of time.
    step: f64,
    unit: &'static str,
    ticks: Vec<Tick>,
    loads: Vec<LoadView>,
    traces: Vec<signals::Trace>,
}

impl Part {
    fn of(drive: &Analysis, title: Option<String>) -> Part {
        let length = Axis::of(drive).map_or(1.0, |axis| axis.length);
        let marks = Ticks::of(length, TICKS);
        Part {
            title,
            lanes: lanes::lanes(drive),
            step: marks.step / length * 100.0,
            unit: marks.unit,
            ticks: ticks(&marks, length),
            loads: load::loads(drive),
            traces: signals::traces(drive),
        }
    }

    fn all(report: &Analysis) -> Vec<Part> {
        let title = |at| match report.drives.is_empty() {
            true => None,
            false => Some(told::drive(report, at)),
        };
        report.each_drive().enumerate().map(|(at, drive)| Part::of(drive, title(at))).collect()
    }
}

/// What to do first, as on the first screen of the text.
#[derive(Serialize)]
struct First {
    begin: &'static str,
    /// What goes before it.
    before: Option<&'static str>,
    request: String,
    /// What to be careful of with it, in short.
    caution: String,
    how: String,
    expect: String,
}

impl First {
    fn of(report: &Analysis) -> Option<First> {
        let headline = report.headline();
        let ToDo { before, request, how, expect } = told::to_do(report, &headline)?;
        let repaired = matches!(headline.explained, Some(Explained::Repaired(_)));
        let begin = if repaired { "Next" } else { "First" };
        let caution = told::caution(report, &headline);
        Some(First { begin, before, request, caution, how, expect })
    }
}

/// A mark of time.
#[derive(Serialize)]
struct Tick {
    /// Percent of the width.
    x: f64,
    /// Percent of its own width that it stands further left.
    shift: u32,
    text: String,
}

impl Renderer for Html {
    fn render(&self, report: &Analysis, out: &mut dyn Write) -> io::Result<()> {
        let mut environment = Environment::new();
        environment.set_auto_escape_callback(|_| AutoEscape::Html);
        environment.add_filter("code", code);
        let parts = Part::all(report);
        let length = Axis::of(report).map_or(1.0, |axis| axis.length);
        let (events, left_out) = events::events(report);
        let text = environment
            .template_from_str(include_str!("template.html"))
            .and_then(|template| {
                template.render(Value::from(Serde(Page {
                    r: super::json::document(report),
                    light: sheet(false),
                    dark: sheet(true),
                    style: STYLE,
                    script: SCRIPT,
                    script_hash: SCRIPT_HASH,
                    headline: crate::words::headline::headline(report),
                    begin: report.span.map_or(0.0, |(begin, _)| begin as f64 / 1e9),
                    capture: told::capture(report),
                    under: told::under(report),
                    first: First::of(report),
                    tests: report.next_tests().iter().map(|own| Step::of(report, own)).collect(),
                    headings: crate::words::fault::headings(report),
                    just_before: crate::words::just_before::worth_saying(report),
                    sources: steps::SOURCES,
                    cautions: report.cautions().iter().map(Full::of).collect(),
                    length: report.drives.is_empty().then_some(length),
                    step: parts.first().map_or(100.0, |part| part.step),
                    parts,
                    legend: lanes::legend(report),
                    tick: report
                        .channels
                        .iter()
                        .any(|channel| !channel.errors.is_empty())
                        .then_some(crate::words::network::TICK),
                    kept_out: told::kept_out(report),
                    dips: dips(report),
                    events,
                    left_out,
                    schematic: schematic::schematic(report),
                })))
            })
            .map_err(io::Error::other)?;
        out.write_all(text.as_bytes())
    }
}

/// Text with what stands between backticks set as code.
fn code(text: String) -> Value {
    let mut out = String::new();
    for (at, part) in text.split('`').enumerate() {
        let tag = match at {
            0 => "",
            own if own % 2 == 1 => "<code>",
            _ => "</code>",
        };
        out += tag;
        out += &minijinja::HtmlEscape(part).to_string();
    }
    // Without its second backtick the last one is no pair.
    if text.matches('`').count() % 2 == 1 {
        out += "</code>";
    }
    Value::from_safe_string(out)
}

fn dips(report: &Analysis) -> Vec<String> {
    let supply = report.diagnosis.vehicle.supply.as_ref().filter(|_| !report.drives.is_empty());
    let dips = supply.map_or(&[][..], |supply| &supply.dips);
    dips.iter().map(|entry| at(report, entry.dip.span.0)).collect()
}

/// What stands with a test besides what the document has.
#[derive(Serialize)]
struct Step {
    /// What to be careful of, in short.
    briefs: String,
    /// What it costs, and what for.
    worth: String,
    /// What goes before it.
    before: Option<&'static str>,
    /// Where its values are from.
    source: String,
    /// What has to be opened, where anything has.
    access: Option<String>,
}

impl Step {
    fn of(report: &Analysis, test: &NextTest) -> Step {
        Step {
            briefs: steps::cautions(&test.cautions, &mut Vec::new()),
            worth: steps::worth(test),
            before: steps::found_first(report, test),
            source: steps::source(&test.source),
            access: crate::words::fault::test_access_told(report, test),
        }
    }
}

/// A caution in full.
#[derive(Serialize)]
struct Full {
    text: String,
    source: String,
}

impl Full {
    fn of(caution: &Caution) -> Full {
        Full { text: caution.text.clone(), source: steps::source(&caution.source) }
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
}

fn ticks(marks: &Ticks, length: f64) -> Vec<Tick> {
    let tick = |(elapsed, text): &(f64, String)| {
        let x = elapsed / length * 100.0;
        // Those at the ends stay within.
        let shift = if x < 3.0 {
            0
        } else if x > 97.0 {
            100
        } else {
            50
        };
        Tick { x: (x * 100.0).round() / 100.0, shift, text: text.clone() }
    };
    marks.marks.iter().map(tick).collect()
}
