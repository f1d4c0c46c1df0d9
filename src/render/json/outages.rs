//! What was missing, and what the vehicle did beside it, as JSON.

use schemars::JsonSchema;
use serde::Serialize;

use super::{names, time};
use crate::analysis::signals::{Bin, SignalTrack, SignalValue};
use crate::analysis::{Analysis, Outage};
use crate::words;
use crate::words::terms::id_label;

#[derive(JsonSchema, Serialize)]
pub(super) struct OutageJson {
    #[serde(skip_serializing_if = "Option::is_none")]
    capture: Option<usize>,
    #[serde(skip_serializing_if = "Option::is_none")]
    drive: Option<usize>,
    #[schemars(with = "names::Scope")]
    scope: &'static str,
    channel: Option<String>,
    nodes: Vec<String>,
    ids: Vec<String>,
    start: f64,
    end: f64,
    duration_s: f64,
    #[schemars(with = "names::Cause")]
    cause: &'static str,
    benign: bool,
    #[schemars(with = "Option<names::Doubt>")]
    doubt: Option<&'static str>,
    ongoing_at_end: bool,
    never_heard: bool,
    evidence: Vec<String>,
    #[serde(skip_serializing_if = "Vec::is_empty")]
    values: Vec<ValueJson>,
}

/// A signal when an outage began.
#[derive(JsonSchema, Serialize)]
struct ValueJson {
    spn: u32,
    name: &'static str,
    value: f64,
    unit: &'static str,
    age_s: f64,
}

/// A signal over time.
#[derive(JsonSchema, Serialize)]
pub(super) struct SignalJson {
    spn: u32,
    name: &'static str,
    unit: &'static str,
    channel: String,
    module: String,
    min: f64,
    max: f64,
    bin_s: f64,
    series: Vec<[f64; 3]>,
}

pub(super) fn outage(report: &Analysis, outage: &Outage) -> OutageJson {
    let heard = outage.ids.iter().map(|at| report.identifiers[*at].id);
    let values = match outage.never_heard.is_empty() {
        true => report.signals_at(outage.start),
        false => Vec::new(),
    };
    OutageJson {
        capture: report.capture_of(outage.start),
        drive: report.drive_of(outage.start),
        scope: names::scope(outage.scope),
        channel: outage.channel.map(|at| report.channel(at).name.clone()),
        nodes: outage.nodes.iter().map(|at| report.nodes[*at].name.clone()).collect(),
        ids: distinct(heard.chain(outage.never_heard.iter().copied()).map(id_label)),
        start: time(report.stamp(outage.start)),
        end: time(report.stamp(outage.end)),
        duration_s: outage.duration(),
        cause: names::cause(outage.cause),
        benign: outage.benign,
        doubt: outage.doubt.map(names::doubt),
        ongoing_at_end: outage.ongoing,
        never_heard: !outage.never_heard.is_empty(),
        evidence: words::outage::evidence(report, outage),
        values: values.iter().map(value).collect(),
    }
}

/// What another drive heard stands in both lists.
fn distinct(names: impl Iterator<Item = String>) -> Vec<String> {
    names.fold(Vec::new(), |mut known, name| {
        if !known.contains(&name) {
            known.push(name);
        }
        known
    })
}

fn value(own: &SignalValue) -> ValueJson {
    ValueJson {
        spn: own.signal.spn,
        name: own.signal.name,
        value: rounded(own.value),
        unit: own.signal.unit,
        age_s: own.age,
    }
}

pub(super) fn signal(report: &Analysis, track: &SignalTrack) -> SignalJson {
    let point = |bin: &Bin| [time(bin.time), rounded(bin.low), rounded(bin.high)];
    SignalJson {
        spn: track.signal.spn,
        name: track.signal.name,
        unit: track.signal.unit,
        channel: report.channel(track.channel).name.clone(),
        module: words::signals::teller(report, track),
        min: rounded(track.range.0),
        max: rounded(track.range.1),
        bin_s: track.bin,
        series: track.bins.iter().map(point).collect(),
    }
}

/// To the thousandth: the finest step of these signals is coarser.
fn rounded(value: f64) -> f64 {
    (value * 1e3).round() / 1e3
}
