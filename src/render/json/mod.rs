//! The report as JSON. The names here are the contract of docs/json.md; nothing else in the program
//! knows them.

mod captures;
pub mod comparison;
mod diagnosis;
pub mod explain;
mod findings;
mod just_before;
pub mod live;
pub(super) mod names;
mod outages;
pub mod row;
pub mod schema;

use std::io::{self, Write};

use diagnosis::{BlameJson, CodeJson, ConversationsJson, IdentityJson, VehicleJson};
use lostnode_parsers::Timestamp;
use schemars::JsonSchema;
use serde::Serialize;

use super::Renderer;
use crate::analysis::marks::Marked;
use crate::analysis::{Analysis, BitRate, Identifier, Nanoseconds, Node};
use crate::capture::ChannelIndex;
use crate::words;
use crate::words::terms::id_label;

/// Renders the JSON document.
pub struct Json;

impl Renderer for Json {
    fn render(&self, report: &Analysis, out: &mut dyn Write) -> io::Result<()> {
        serde_json::to_writer_pretty(&mut *out, &build(report))?;
        writeln!(out)
    }
}

/// The whole answer.
#[derive(JsonSchema, Serialize)]
struct Document {
    schema: &'static str,
    #[serde(skip_serializing_if = "Vec::is_empty")]
    kept_out: Vec<captures::KeptOutJson>,
    headline: String,
    #[schemars(with = "names::Verdict")]
    verdict: &'static str,
    doubts: Vec<String>,
    captures: Vec<captures::CaptureJson>,
    #[serde(skip_serializing_if = "Vec::is_empty")]
    drives: Vec<captures::DriveJson>,
    channels: Vec<ChannelJson>,
    identifiers: Vec<IdentifierJson>,
    nodes: Vec<NodeJson>,
    outages: Vec<outages::OutageJson>,
    signals: Vec<outages::SignalJson>,
    codes: Vec<CodeJson>,
    identity: Vec<IdentityJson>,
    vehicle: VehicleJson,
    freeze_frames: Vec<diagnosis::FreezeFrameJson>,
    test_results: Vec<diagnosis::TestResultJson>,
    blame: Vec<BlameJson>,
    conversations: ConversationsJson,
    deviations: Vec<DeviationJson>,
    job: Option<findings::JobJson>,
    findings: Vec<findings::FindingJson>,
    no_class: Option<f64>,
    none_of_these: Option<String>,
    cautions: Vec<findings::CautionJson>,
    next_tests: Vec<findings::TestJson>,
    elements: Vec<findings::PlaceJson>,
    harness_description: Option<String>,
    precursors: Vec<just_before::PrecursorJson>,
    loss_times: Vec<just_before::LossTimeJson>,
    just_before: Vec<String>,
    marks: Vec<MarkJson>,
    notices: Vec<String>,
}

#[derive(JsonSchema, Serialize)]
struct MarkJson {
    time: f64,
    text: String,
    losses_within_2s: usize,
    losses: usize,
    p: f64,
    sentence: String,
}

#[derive(JsonSchema, Serialize)]
struct ChannelJson {
    name: String,
    frames: u64,
    error_frames: u64,
    out_of_order_frames: u64,
    bit_rate: BitRateJson,
    load: Option<LoadJson>,
    error_events: Vec<ErrorEventJson>,
}

#[derive(JsonSchema, Serialize)]
struct BitRateJson {
    bits_per_second: Option<f64>,
    #[schemars(with = "names::RateSource")]
    source: &'static str,
    confidence: Option<f64>,
}

#[derive(JsonSchema, Serialize)]
struct LoadJson {
    mean: f64,
    peak: f64,
    peak_at: f64,
    bin_s: f64,
    start: f64,
    series: Vec<f64>,
}

#[derive(JsonSchema, Serialize)]
struct ErrorEventJson {
    time: f64,
    class: String,
    detail: String,
    destroyed_id: Option<String>,
}

#[derive(JsonSchema, Serialize)]
struct IdentifierJson {
    channel: String,
    id: String,
    extended: bool,
    frames: u64,
    #[schemars(with = "names::IdentifierKind")]
    kind: &'static str,
    period_s: Option<f64>,
    jitter_s: Option<f64>,
    drift_ppm: Option<f64>,
    drift_error_ppm: Option<f64>,
    alive_counter: Option<CounterJson>,
    timeout_s: Option<f64>,
    first: Option<f64>,
    last: Option<f64>,
    longest_silence_s: Option<f64>,
    node: Option<String>,
}

#[derive(JsonSchema, Serialize)]
struct CounterJson {
    byte: u8,
    bit: u8,
    width: u8,
}

#[derive(JsonSchema, Serialize)]
struct NodeJson {
    name: String,
    channel: String,
    ids: Vec<String>,
    #[schemars(with = "Vec<names::Basis>")]
    basis: Vec<&'static str>,
    confidence: f64,
    heard: bool,
    answers: Vec<String>,
    missed_as: Vec<String>,
}

#[derive(JsonSchema, Serialize)]
struct DeviationJson {
    channel: String,
    id: String,
    #[schemars(with = "names::Deviation")]
    kind: &'static str,
    text: String,
}

/// Seconds since the epoch; a double holds them to a quarter of a microsecond.
fn time(nanoseconds: Nanoseconds) -> f64 {
    Timestamp::from_nanoseconds(nanoseconds).seconds()
}

/// The document as a value, for the page that is drawn from it.
pub(super) fn document(report: &Analysis) -> impl Serialize {
    build(report)
}

fn build(report: &Analysis) -> Document {
    let channel_name = |at: ChannelIndex| report.channel(at).name.clone();
    Document {
        schema: "lostnode.report/1",
        headline: words::headline::headline(report),
        verdict: names::verdict(report.verdict()),
        doubts: words::verdict::obstacles(report),
        kept_out: captures::kept_out(report),
        captures: captures::all(report),
        drives: captures::drives(report),
        channels: report.channels.iter().map(|own| channel(report, own)).collect(),
        identifiers: report.identifiers.iter().map(|id| identifier(report, id)).collect(),
        nodes: report.nodes.iter().map(|node| node_json(report, node)).collect(),
        outages: each(&report.outages, |outage| outages::outage(report, outage)),
        signals: each(&report.signals, |track| outages::signal(report, track)),
        codes: each(&report.diagnosis.codes, |code| diagnosis::code(report, code)),
        identity: each(&report.diagnosis.identity, |entry| diagnosis::identity(report, entry)),
        vehicle: diagnosis::vehicle(report),
        freeze_frames: each(&report.diagnosis.freeze_frames, |frame| {
            diagnosis::freeze_frame(report, frame)
        }),
        test_results: each(&report.diagnosis.tests, |test| diagnosis::test_result(report, test)),
        blame: each(&report.diagnosis.blame, |row| diagnosis::blame(report, row)),
        conversations: diagnosis::conversations(report),
        deviations: report
            .deviations
            .iter()
            .map(|deviation| DeviationJson {
                channel: channel_name(deviation.channel),
                id: id_label(deviation.id),
                kind: names::deviation(deviation.kind),
                text: words::network::deviation(report, deviation),
            })
            .collect(),
        job: findings::job(report),
        no_class: report.findings.as_ref().map(|findings| findings.no_class),
        none_of_these: words::first_screen::none_of_these(report),
        findings: report
            .ranked()
            .iter()
            .enumerate()
            .map(|(at, finding)| findings::finding(report, at, finding))
            .collect(),
        cautions: report.cautions().iter().map(findings::caution).collect(),
        next_tests: each(report.next_tests(), |test| findings::test(report, test)),
        elements: findings::elements(report),
        harness_description: words::wiring::described(report),
        precursors: just_before::precursors(report),
        loss_times: just_before::loss_times(report),
        just_before: words::just_before::nothing_found(report),
        marks: marks(report),
        notices: words::notices::notices(report),
    }
}

fn each<T, J>(list: &[T], json: impl Fn(&T) -> J) -> Vec<J> {
    list.iter().map(json).collect()
}

fn channel(report: &Analysis, channel: &crate::analysis::Channel) -> ChannelJson {
    let confidence = match channel.bit_rate {
        BitRate::Inferred { confidence, .. } => Some(confidence),
        BitRate::Given(_) | BitRate::Unknown => None,
    };
    let event = |event: &crate::analysis::ErrorEvent| ErrorEventJson {
        time: time(report.stamp(event.time)),
        class: words::bus::classes(&event.frame),
        detail: words::bus::detail(&event.frame),
        destroyed_id: event.destroyed.map(|id| id_label(report.identifiers[id].id)),
    };
    ChannelJson {
        name: channel.name.clone(),
        frames: channel.frames,
        error_frames: channel.error_frames,
        out_of_order_frames: channel.out_of_order.0,
        bit_rate: BitRateJson {
            bits_per_second: channel.bit_rate.bits_per_second(),
            source: names::rate_source(channel.bit_rate),
            confidence,
        },
        // Of several drives each has its own.
        load: channel.load.as_ref().filter(|_| report.drives.is_empty()).and_then(|load| {
            let (peak, peak_at) = load.peak()?;
            Some(LoadJson {
                mean: load.mean(),
                peak,
                peak_at: time(peak_at),
                bin_s: load.bin,
                start: time(load.start),
                series: load.load.clone(),
            })
        }),
        error_events: channel.errors.iter().map(event).collect(),
    }
}

fn identifier(report: &Analysis, id: &Identifier) -> IdentifierJson {
    IdentifierJson {
        channel: report.channel(id.channel).name.clone(),
        id: id_label(id.id),
        extended: matches!(id.id, lostnode_parsers::Id::Extended(_)),
        frames: id.frames,
        kind: names::identifier_kind(id.rhythm.is_some()),
        period_s: id.rhythm.map(|rhythm| rhythm.period),
        jitter_s: id.rhythm.map(|rhythm| rhythm.jitter),
        drift_ppm: id.skew_ppm.map(|(skew, _)| skew),
        drift_error_ppm: id.skew_ppm.map(|(_, error)| error),
        alive_counter: id.counter.map(|counter| CounterJson {
            byte: counter.byte,
            bit: counter.bit,
            width: counter.width,
        }),
        timeout_s: id.timeout,
        first: id.heard.map(|(first, _)| time(report.stamp(first))),
        last: id.heard.map(|(_, last)| time(report.stamp(last))),
        longest_silence_s: id.longest_silence,
        node: id.node.map(|node| report.nodes[node].name.clone()),
    }
}

fn node_json(report: &Analysis, node: &Node) -> NodeJson {
    let heard = node.ids.iter().map(|at| report.identifiers[*at].id);
    NodeJson {
        name: node.name.clone(),
        channel: report.channel(node.channel).name.clone(),
        ids: heard.chain(node.never_heard.iter().copied()).map(id_label).collect(),
        basis: node.basis.iter().map(|basis| names::basis(*basis)).collect(),
        confidence: node.confidence,
        heard: node.heard,
        answers: node.answers.iter().map(|module| module.party.to_string()).collect(),
        missed_as: node.missed_as.clone(),
    }
}

fn marks(report: &Analysis) -> Vec<MarkJson> {
    let of = |own: &Marked| {
        let own = own.clone();
        own.times.clone().into_iter().map(move |at| MarkJson {
            time: time(at),
            text: own.text.clone(),
            losses_within_2s: own.near,
            losses: own.losses,
            p: own.p,
            sentence: words::marks::sentence(&own),
        })
    };
    let mut out: Vec<MarkJson> = report.marks.iter().flat_map(of).collect();
    out.sort_by(|a, b| a.time.total_cmp(&b.time));
    out
}
