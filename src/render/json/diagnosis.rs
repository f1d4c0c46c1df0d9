//! Codes, identity, blame and conversations as JSON.

use lostnode_parsers::{j1939, uds};
use schemars::JsonSchema;
use serde::Serialize;

use super::{names, time};
use crate::analysis::Analysis;
use crate::analysis::blame::Blame;
use crate::analysis::diagnosis::{
    CodeEntry, DipEntry, FreezeFrameEntry, IdentityEntry, MonitorEntry, TestEntry,
};
use crate::fold::diagnostics::Module;
use crate::words::diagnosis::{self as words, CodeWords};
use crate::words::messages::severity_text;

#[derive(JsonSchema, Serialize)]
pub(super) struct CodeJson {
    code: String,
    failure_type: Option<String>,
    meaning: Option<String>,
    reporter: String,
    blames: Option<String>,
    status: Vec<String>,
    lists: Vec<String>,
    first_seen: Option<f64>,
    last_seen: Option<f64>,
    cleared_at: Option<f64>,
    returned: bool,
    gone_at: Option<f64>,
    active_times: Option<u32>,
    inactive_since: Option<f64>,
    tested_since_clear: Option<bool>,
    occurrences: Option<u8>,
    fault_counter: Option<i8>,
    severity: Option<String>,
    old_conversion: bool,
    event: Option<String>,
    story: String,
}

#[derive(JsonSchema, Serialize)]
pub(super) struct IdentityJson {
    module: String,
    vin: Option<String>,
    part_number: Option<String>,
    calibration_ids: Vec<String>,
    verification_numbers: Vec<String>,
    name: Option<String>,
    others: Vec<OtherJson>,
    source: String,
    problems: Vec<String>,
}

#[derive(JsonSchema, Serialize)]
pub(super) struct OtherJson {
    what: String,
    value: String,
}

#[derive(JsonSchema, Serialize)]
pub(super) struct VehicleJson {
    vin: Option<String>,
    vin_conflicts: Vec<VinConflictJson>,
    supply_voltage: Option<VoltageJson>,
    monitors: Vec<MonitorJson>,
    mil: Option<bool>,
    lamps: Vec<LampsJson>,
}

#[derive(JsonSchema, Serialize)]
pub(super) struct LampsJson {
    module: String,
    malfunction: bool,
    stop: bool,
    warning: bool,
    protect: bool,
}

#[derive(JsonSchema, Serialize)]
pub(super) struct VinConflictJson {
    module: String,
    vin: String,
}

#[derive(JsonSchema, Serialize)]
pub(super) struct VoltageJson {
    min: f64,
    max: f64,
    min_at: Option<f64>,
    dips: Vec<DipJson>,
    series: Vec<[f64; 2]>,
}

#[derive(JsonSchema, Serialize)]
pub(super) struct DipJson {
    below: f64,
    start: f64,
    end: f64,
    least: f64,
    outages: Vec<usize>,
}

#[derive(JsonSchema, Serialize)]
pub(super) struct FreezeFrameJson {
    module: String,
    frame: u8,
    code: Option<String>,
    values: Vec<String>,
}

#[derive(JsonSchema, Serialize)]
pub(super) struct TestResultJson {
    module: String,
    monitor: String,
    test: String,
    value: f64,
    low: f64,
    high: f64,
    unit: Option<&'static str>,
    passed: bool,
}

#[derive(JsonSchema, Serialize)]
pub(super) struct MonitorJson {
    module: String,
    monitor: &'static str,
    complete: bool,
}

#[derive(JsonSchema, Serialize)]
pub(super) struct BlameJson {
    blamed: String,
    reporters: Vec<String>,
    codes: Vec<String>,
    #[schemars(with = "names::BlameVerdict")]
    verdict: &'static str,
    sentence: String,
}

#[derive(JsonSchema, Serialize)]
pub(super) struct ConversationsJson {
    complete_messages: u64,
    incomplete_messages: Vec<CountJson>,
    ignored_data_units: u64,
    modules: Vec<TalkJson>,
}

#[derive(JsonSchema, Serialize)]
pub(super) struct TalkJson {
    module: String,
    positive: u64,
    negative: Vec<CountJson>,
    unanswered: u64,
    pending: u64,
    late: u64,
    slowest_s: Option<f64>,
}

#[derive(JsonSchema, Serialize)]
pub(super) struct CountJson {
    reason: String,
    count: u64,
}

pub(super) fn code(analysis: &Analysis, code: &CodeEntry) -> CodeJson {
    let words = CodeWords::of(analysis, code);
    let time = |at| time(analysis.stamp(at));
    CodeJson {
        code: words.code,
        failure_type: code.number.failure_type().map(|byte| format!("{byte:02X}")),
        meaning: words.meaning,
        reporter: words.reporter,
        blames: code.missed.as_ref().map(|missed| missed.0.clone()),
        status: words.status,
        lists: words.lists,
        first_seen: code.seen.map(|(first, _)| time(first)),
        last_seen: code.seen.map(|(_, last)| time(last)),
        cleared_at: code.cleared.map(time),
        returned: code.returned,
        gone_at: code.gone.map(time),
        active_times: code.active.map(|own| own.times),
        inactive_since: code.active.and_then(|own| own.until).map(time),
        tested_since_clear: code.tested,
        occurrences: code.count,
        fault_counter: code.counter,
        severity: code.severity.map(severity_text),
        old_conversion: code.old_conversion,
        event: words.event,
        story: words.story,
    }
}

pub(super) fn identity(analysis: &Analysis, entry: &IdentityEntry) -> IdentityJson {
    IdentityJson {
        module: name(analysis, entry.module),
        vin: entry.vin.clone(),
        part_number: entry.part_number.clone(),
        calibration_ids: entry.calibration_ids.clone(),
        verification_numbers: entry.verification_numbers.clone(),
        name: entry.name.clone(),
        others: entry
            .others
            .iter()
            .map(|(what, value)| OtherJson { what: what.clone(), value: value.clone() })
            .collect(),
        source: words::identity_sources(&entry.sources),
        problems: entry.problems.iter().map(words::problem).collect(),
    }
}

fn name(analysis: &Analysis, module: Module) -> String {
    analysis.module_name(module).to_string()
}

pub(super) fn vehicle(analysis: &Analysis) -> VehicleJson {
    let vehicle = &analysis.diagnosis.vehicle;
    let time = |at| time(analysis.stamp(at));
    let conflict = |(module, vin): &(Module, String)| VinConflictJson {
        module: name(analysis, *module),
        vin: vin.clone(),
    };
    let monitor = |entry: &MonitorEntry| MonitorJson {
        module: name(analysis, entry.module),
        monitor: entry.monitor,
        complete: entry.complete,
    };
    VehicleJson {
        vin: vehicle.vin.clone(),
        vin_conflicts: vehicle.vin_conflicts.iter().map(conflict).collect(),
        supply_voltage: vehicle.supply.as_ref().map(|supply| VoltageJson {
            min: supply.min,
            max: supply.max,
            min_at: supply.min_at.map(time),
            dips: supply.dips.iter().map(|entry| dip(analysis, entry)).collect(),
            series: supply.series.iter().map(|(at, volts)| [time(*at), *volts]).collect(),
        }),
        monitors: vehicle.monitors.iter().map(monitor).collect(),
        mil: vehicle.mil,
        lamps: vehicle.lamps.iter().map(|(module, own)| lamps(analysis, *module, own)).collect(),
    }
}

fn lamps(analysis: &Analysis, module: Module, own: &j1939::Lamps) -> LampsJson {
    LampsJson {
        module: name(analysis, module),
        malfunction: own.malfunction,
        stop: own.stop,
        warning: own.warning,
        protect: own.protect,
    }
}

fn dip(analysis: &Analysis, entry: &DipEntry) -> DipJson {
    let time = |at| time(analysis.stamp(at));
    DipJson {
        below: entry.dip.below,
        start: time(entry.dip.span.0),
        end: time(entry.dip.span.1),
        least: entry.dip.least,
        outages: entry.outages.clone(),
    }
}

pub(super) fn freeze_frame(analysis: &Analysis, entry: &FreezeFrameEntry) -> FreezeFrameJson {
    FreezeFrameJson {
        module: name(analysis, entry.module),
        frame: entry.frame,
        code: entry.code.map(|code| code.to_string()),
        values: words::freeze_values(entry),
    }
}

pub(super) fn test_result(analysis: &Analysis, entry: &TestEntry) -> TestResultJson {
    TestResultJson {
        module: name(analysis, entry.module),
        monitor: format!("{:02X}", entry.result.monitor),
        test: format!("{:02X}", entry.result.test),
        value: entry.result.value,
        low: entry.result.low,
        high: entry.result.high,
        unit: entry.result.unit,
        passed: entry.passed(),
    }
}

pub(super) fn blame(analysis: &Analysis, row: &Blame) -> BlameJson {
    BlameJson {
        blamed: row.missed.0.clone(),
        reporters: words::names(analysis, &row.reporters),
        codes: row.codes.iter().map(|code| words::code_label(*code)).collect(),
        verdict: names::blame(row.verdict()),
        sentence: words::blame(analysis, row),
    }
}

pub(super) fn conversations(analysis: &Analysis) -> ConversationsJson {
    let diagnosis = &analysis.diagnosis;
    let count = |reason: &str, count: u64| CountJson { reason: reason.to_owned(), count };
    ConversationsJson {
        complete_messages: diagnosis.messages.complete,
        incomplete_messages: diagnosis
            .messages
            .incomplete
            .iter()
            .map(|(fault, number)| count(fault.text(), *number))
            .collect(),
        ignored_data_units: diagnosis.messages.ignored,
        modules: diagnosis
            .talks
            .iter()
            .map(|talk| TalkJson {
                module: name(analysis, talk.module),
                positive: talk.positive,
                negative: talk
                    .negative
                    .iter()
                    .map(|(byte, number)| {
                        count(&format!("0x{byte:02X} {}", uds::negative_text(*byte)), *number)
                    })
                    .collect(),
                unanswered: talk.unanswered,
                pending: talk.pending,
                late: talk.late,
                slowest_s: talk.slowest,
            })
            .collect(),
    }
}
