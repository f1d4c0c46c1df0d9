//! The lanes of presence as coordinates.

use serde::Serialize;

use super::Axis;
use crate::analysis::just_before::Lead;
use crate::analysis::{Analysis, Lane, Outage, Silence};
use crate::capture::ChannelIndex;
use crate::fold::timing::seconds;
use crate::render::style::{Tone, legend as tones};
use crate::words;
use crate::words::terms::{duration, kind};

/// With more lanes than this, those without loss are drawn as one, with all of them folded away.
const MOST_LANES: usize = 24;
/// Lanes with losses beyond the first, and lanes without, that are drawn in the folds.
const MOST_FOLDED: usize = 200;
/// A bar is at least this wide, of 1000, so that it can be seen and pointed at.
const THINNEST: f64 = 2.5;

/// Lanes that stand together.
#[derive(Serialize)]
pub(super) struct Group {
    /// What the fold says; `None` where they are not folded.
    folded: Option<String>,
    lanes: Vec<LaneView>,
}

#[derive(Serialize)]
struct LaneView {
    /// It is drawn low.
    thin: bool,
    label: String,
    summary: String,
    bars: Vec<Bar>,
    /// Where errors destroyed frames of it, as one path; empty where none did.
    ticks: String,
}

#[derive(Serialize)]
struct Bar {
    kind: &'static str,
    x: f64,
    width: f64,
    /// How wide it were if it could be seen then.
    real: Option<f64>,
    /// Drawn low: only some identifiers of the lane.
    low: bool,
    text: String,
}

/// One line of the legend.
#[derive(Serialize)]
pub(super) struct Entry {
    kind: &'static str,
    text: String,
}

/// One entry for each tone, with all that it stands for.
pub(super) fn legend(report: &Analysis) -> Vec<Entry> {
    let entry = |(tone, kinds): (Tone, Vec<&'static str>)| Entry {
        kind: tone.name(),
        text: kinds.join(", "),
    };
    tones(report).into_iter().map(entry).collect()
}

/// Lanes with losses, those of silences that are nobody's fault, and the rest.
pub(super) fn lanes(report: &Analysis) -> Vec<Group> {
    let Some(axis) = Axis::of(report) else { return Vec::new() };
    let losses = |lane: &&Lane| lane.outages.iter().any(|at| report.outages[*at].is_loss());
    let views = |lanes: &[&Lane]| -> Vec<LaneView> {
        let with_leads = |lane: &&Lane| {
            let leads = report.leads_of(lane).map(|lead| of_lead(report, &axis, lead));
            std::iter::once(view(report, &axis, lane)).chain(leads).collect::<Vec<_>>()
        };
        lanes.iter().flat_map(with_leads).collect()
    };
    let mut order: Vec<&Lane> = report.lanes.iter().collect();
    order.sort_by_key(|lane| (!losses(lane), lane.outages.is_empty()));
    let nobody: Vec<LaneView> = (0..report.channels.len())
        .filter_map(|channel| of_nobody(report, &axis, channel as ChannelIndex))
        .collect();
    if order.len() <= MOST_LANES {
        let lanes: Vec<LaneView> = views(&order).into_iter().chain(nobody).collect();
        return if lanes.is_empty() { Vec::new() } else { vec![Group { folded: None, lanes }] };
    }
    let (own, whole): (Vec<&Lane>, Vec<&Lane>) =
        order.into_iter().partition(|lane| !lane.outages.is_empty());
    let (shown, more) = own.split_at(own.len().min(MOST_LANES));
    let mut groups = vec![Group { folded: None, lanes: views(shown) }];
    groups.extend(fold(more, "more lanes with silences of their own", &views));
    for channel in 0..report.channels.len() {
        let here = |lane: &&&Lane| usize::from(lane.channel) == channel;
        let lanes: Vec<&Lane> = whole.iter().filter(here).copied().collect();
        if !lanes.is_empty() {
            let together = together(report, &axis, channel as ChannelIndex, &lanes);
            groups.push(Group { folded: None, lanes: vec![together] });
            groups.extend(fold(&lanes, "lanes in which nothing is missing", &views));
        }
    }
    groups.push(Group { folded: None, lanes: nobody });
    groups
}

fn fold(lanes: &[&Lane], what: &str, views: &dyn Fn(&[&Lane]) -> Vec<LaneView>) -> Option<Group> {
    let shown = &lanes[..lanes.len().min(MOST_FOLDED)];
    let cut = match lanes.len() - shown.len() {
        0 => String::new(),
        count => format!(", the first {MOST_FOLDED}; {count} are in report.json"),
    };
    let folded = Some(format!("{} {what}{cut}", lanes.len()));
    (!lanes.is_empty()).then(|| Group { folded, lanes: views(shown) })
}

/// Many lanes as one.
fn together(report: &Analysis, axis: &Axis, channel: ChannelIndex, lanes: &[&Lane]) -> LaneView {
    let label = format!("{}{} more, nothing lost", prefix(report, channel), lanes.len());
    let mut bars: Vec<Bar> =
        report.heard(lanes).into_iter().map(|part| heard(axis, &label, part)).collect();
    bars.extend(stops(report, axis, channel, &label));
    let errors = lanes.iter().flat_map(|lane| report.errors_of(lane)).collect();
    LaneView { summary: label.clone(), label, bars, ticks: ticks(axis, errors), thin: false }
}

/// A thin lane: a tick wherever what goes before the losses began.
fn of_lead(report: &Analysis, axis: &Axis, lead: &Lead) -> LaneView {
    let label = words::just_before::label(report, lead);
    let summary = words::just_before::precursor(report, lead);
    let ticks = ticks(axis, lead.onsets.clone());
    LaneView { label, summary, bars: Vec::new(), ticks, thin: true }
}

/// The error reports of a channel of which no lane tells.
fn of_nobody(report: &Analysis, axis: &Axis, channel: ChannelIndex) -> Option<LaneView> {
    let errors = report.errors_of_nobody(channel);
    let label = format!("{}{}", prefix(report, channel), words::network::OF_NOBODY);
    let summary = format!("{label}: {}", errors.len());
    let ticks = ticks(axis, errors);
    (!ticks.is_empty()).then_some(LaneView { label, summary, bars: Vec::new(), ticks, thin: false })
}

/// A line for each error, as one path; those that would lie on each other once.
fn ticks(axis: &Axis, mut times: Vec<i64>) -> String {
    times.sort_unstable();
    let place = |time: &i64| (seconds(time - axis.begin) / axis.length * 2000.0).round() as i64;
    let mut places: Vec<i64> = times.iter().map(place).collect();
    places.dedup();
    places.iter().map(|at| format!("M{} 1V19", *at as f64 / 2.0)).collect()
}

fn view(report: &Analysis, axis: &Axis, lane: &Lane) -> LaneView {
    let label = format!("{}{}", prefix(report, lane.channel), words::network::lane(report, lane));
    let mut bars: Vec<Bar> =
        report.heard(&[lane]).into_iter().map(|part| heard(axis, &label, part)).collect();
    bars.extend(stops(report, axis, lane.channel, &label));
    bars.extend(report.missed(lane).into_iter().map(|own| {
        let bar = missed(axis, &label, own.outage, own.part);
        Bar { low: !own.whole, ..bar }
    }));
    let errors = report.errors_of(lane);
    let lost = lane.outages.iter().filter(|at| report.outages[**at].is_loss()).count();
    let summary = match lost {
        0 => format!("{label}: not lost"),
        1 => format!("{label}: lost once"),
        count => format!("{label}: lost {count} times"),
    };
    let summary = match errors.len() {
        0 => summary,
        count => format!("{summary}; {}", words::network::destroyed(count)),
    };
    LaneView { label, summary, bars, ticks: ticks(axis, errors), thin: false }
}

/// The channel, where there are several.
fn prefix(report: &Analysis, channel: ChannelIndex) -> String {
    match report.channels.len() {
        1 => String::new(),
        _ => format!("{} ", report.channel(channel).name),
    }
}

fn heard(axis: &Axis, label: &str, part: Silence) -> Bar {
    let (from, to) = (since(axis, part.start), since(axis, part.end));
    bar(axis, Tone::Heard, part, format!("{label}: heard from {from} to {to}"))
}

fn stops<'a>(
    report: &'a Analysis,
    axis: &'a Axis,
    channel: ChannelIndex,
    label: &'a str,
) -> impl Iterator<Item = Bar> + 'a {
    report.stops(channel).map(move |outage| missed(axis, label, outage, outage.silence()))
}

fn missed(axis: &Axis, label: &str, outage: &Outage, part: Silence) -> Bar {
    let last = outage.ongoing && part.end == outage.end;
    let end = if last { "the end".to_owned() } else { since(axis, part.end) };
    let text = format!(
        "{label}: {} for {}, from {} to {end}",
        kind(outage),
        duration(seconds(part.length())),
        since(axis, part.start)
    );
    bar(axis, Tone::of(outage), part, text)
}

fn since(axis: &Axis, time: i64) -> String {
    format!("{:.1} s", seconds(time - axis.begin))
}

fn bar(axis: &Axis, tone: Tone, part: Silence, text: String) -> Bar {
    let round = |value: f64| (value * 100.0).round() / 100.0;
    let x = seconds(part.start - axis.begin) / axis.length * 1000.0;
    let own = seconds(part.end - part.start) / axis.length * 1000.0;
    // What was heard is no wider than it is: beside a silence it would lie in it.
    let width = if tone == Tone::Heard { own } else { own.max(THINNEST) };
    let x = if width > own { x.min(1000.0 - THINNEST) } else { x };
    let real = (width > own).then(|| (own * 1e4).round() / 1e4);
    Bar { kind: tone.name(), x: round(x), width: round(width), real, low: false, text }
}
