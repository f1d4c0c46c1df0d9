//! Codes, identity and blame for the report.

use std::collections::BTreeMap;

use lostnode_parsers::dtc;
use lostnode_parsers::j1939;
use lostnode_parsers::uds;

use crate::analysis::blame::{self, Accusation, Verdict, Witness};
use crate::analysis::diagnosis::{
    BlameEntry, CodeEntry, Diagnosis, DipEntry, FreezeFrameEntry, IdentityEntry, SupplyEntry,
    TalkEntry, TestEntry, VehicleEntry,
};
use crate::analysis::{Node, Outage, Scope};
use crate::fold::diagnostics::supply::{Dip, Supply};
use crate::fold::diagnostics::{
    CodeHistory, CodeNumber, Diagnostics, Identity, Module, Party, Seen, is_vin, meaning, pid_value,
};
use crate::fold::timing::{Nanoseconds, nanoseconds};

/// Draws the diagnostic part of the report.
pub fn diagnosis(
    diagnostics: &Diagnostics,
    channels: &[String],
    nodes: &[Node],
    outages: &[Outage],
    begin: Option<Nanoseconds>,
) -> Diagnosis {
    let names = Names { diagnostics, channels };
    let events = events(diagnostics);
    let codes: Vec<CodeEntry> = diagnostics
        .codes
        .histories
        .iter()
        .map(|((module, number), history)| code(&names, *module, *number, history, &events, begin))
        .collect();
    let (blame, accusers) = blamed(&codes, nodes, outages);
    Diagnosis {
        codes_read: diagnostics.codes.read().map(|module| names.of(module)).collect(),
        identity: identities(&names, &codes),
        freeze_frames: freeze_frames(&names),
        tests: diagnostics
            .stored
            .tests
            .iter()
            .map(|((module, ..), result)| TestEntry { module: names.of(*module), result: *result })
            .collect(),
        vehicle: vehicle(&names, outages, begin),
        talks: talks(&names),
        blame,
        accusers,
        messages: (
            diagnostics.messages.complete,
            diagnostics
                .messages
                .incomplete
                .iter()
                .map(|(fault, count)| (fault.text(), *count))
                .collect(),
            diagnostics.messages.ignored,
        ),
        codes,
    }
}

struct Names<'a> {
    diagnostics: &'a Diagnostics,
    channels: &'a [String],
}

impl Names<'_> {
    /// What a module answers by, with its own name for itself, or that of its address on a truck.
    fn of(&self, module: Module) -> String {
        let channel = if self.channels.len() > 1 {
            format!("{} ", self.channels[usize::from(module.channel)])
        } else {
            String::new()
        };
        let own = self
            .diagnostics
            .identities
            .modules
            .get(&module)
            .and_then(|identity| identity.name.clone());
        let usual = match module.party {
            Party::Address(address) if own.is_none() => {
                j1939::address_name(address).map(str::to_owned)
            }
            _ => own,
        };
        match usual {
            Some(name) => format!("{channel}{} ({name})", module.party),
            None => format!("{channel}{}", module.party),
        }
    }
}

/// Codes that were history only when they were last reported: confirmed or stored, but neither
/// failing nor pending.
fn is_memory(history: &CodeHistory) -> bool {
    match history.fault_status {
        Some(status) => status.0 & 0x01 == 0 && status.0 & 0x04 == 0,
        None => !history.lists.contains(&Seen::Pending) && !history.lists.contains(&Seen::Active),
    }
}

/// Which codes are probably marks of one event, and of which.
fn events(diagnostics: &Diagnostics) -> Vec<((Module, CodeNumber), String)> {
    let histories = &diagnostics.codes.histories;
    let supply =
        |number: &CodeNumber| matches!(number, CodeNumber::Code(code) if meaning::is_supply(*code));
    let lost = |number: &CodeNumber| matches!(number, CodeNumber::Code(code) if meaning::of(*code).blames.is_some());
    let mut weak: Vec<Module> = histories
        .iter()
        .filter(|((_, number), history)| supply(number) && is_memory(history))
        .map(|((module, _), _)| *module)
        .collect();
    weak.dedup();
    let supply_seen = &diagnostics.identities.supply;
    let dipped = supply_seen.range().is_some_and(|((_, least), _)| least < supply_seen.levels()[0]);
    let mut out = Vec::new();
    if weak.len() >= 2 || (dipped && !weak.is_empty()) {
        let why = format!(
            "probably one event of low supply: {} modules remember a supply fault{}",
            weak.len(),
            if dipped { ", and the supply dipped in this capture" } else { "" }
        );
        for ((module, number), history) in histories {
            if is_memory(history) && (supply(number) || (lost(number) && weak.contains(module))) {
                out.push(((*module, *number), why.clone()));
            }
        }
    }
    // Codes that several modules stored between two reads of their lists.
    let fresh: Vec<_> =
        histories.iter().filter(|(_, history)| history.absent_before.is_some()).collect();
    for ((module, number), history) in &fresh {
        let window = |history: &CodeHistory| (history.absent_before.unwrap_or(0), history.seen.0);
        let (from, to) = window(history);
        let mut others: Vec<Module> = fresh
            .iter()
            .filter(|(_, other)| window(other).0 < to && window(other).1 > from)
            .map(|((module, _), _)| *module)
            .collect();
        others.dedup();
        if others.len() >= 3 && !out.iter().any(|(key, _)| key == &(*module, *number)) {
            out.push((
                (*module, *number),
                format!(
                    "probably one event: {} modules stored codes between the same reads",
                    others.len()
                ),
            ));
        }
    }
    out
}

fn code(
    names: &Names<'_>,
    module: Module,
    number: CodeNumber,
    history: &CodeHistory,
    events: &[((Module, CodeNumber), String)],
    begin: Option<Nanoseconds>,
) -> CodeEntry {
    let (text, failure_type, meaning, blames, unconfigured) = match number {
        CodeNumber::Code(code) => {
            let known = meaning::of(code);
            let failure =
                code.failure_type().filter(|byte| *byte != 0).and_then(meaning::failure_type);
            let text = match (known.text, failure) {
                (Some(text), Some(failure)) => Some(format!("{text}: {}", failure.to_lowercase())),
                (Some(text), None) => Some(text),
                (None, Some(failure)) => Some(format!("(maker's code) {}", failure.to_lowercase())),
                (None, None) => None,
            };
            (
                code.to_string(),
                code.failure_type(),
                text,
                known.blames,
                meaning::is_unconfigured(code),
            )
        }
        CodeNumber::SpnFmi { spn, fmi } => (
            format!("SPN {spn} FMI {fmi}"),
            Some(fmi),
            j1939::failure_mode(fmi).map(str::to_owned),
            None,
            false,
        ),
    };
    let event = events.iter().find(|(key, _)| *key == (module, number)).map(|(_, why)| why.clone());
    CodeEntry {
        code: text,
        failure_type,
        meaning,
        reporter: names.of(module),
        blames,
        status: history.status.map_or(Vec::new(), |status| status.names().collect()),
        lists: history.lists.iter().map(list_name).collect(),
        seen: begin.map(|_| history.seen),
        cleared: history.cleared,
        returned: history.returned,
        gone: history.gone,
        tested: history.tested,
        count: history.count,
        event,
        unconfigured,
        internal: matches!(number, CodeNumber::Code(code) if meaning::is_internal(code)),
        failing: !is_memory(history),
        lamp: history.fault_status.is_some_and(|status| status.0 & 0x80 != 0),
        story: story(history, begin),
    }
}

fn list_name(seen: &Seen) -> String {
    match seen {
        Seen::Stored => "stored".to_owned(),
        Seen::Pending => "pending".to_owned(),
        Seen::Permanent => "permanent".to_owned(),
        Seen::Active => "active".to_owned(),
        Seen::PreviouslyActive => "previously active".to_owned(),
        Seen::Analysis(report, None) => format!("report {report:02X}"),
        Seen::Analysis(report, Some(mask)) => format!("report {report:02X} mask {mask:02X}"),
    }
}

/// What became of a code, in a sentence.
fn story(history: &CodeHistory, begin: Option<Nanoseconds>) -> String {
    let at = |time: Nanoseconds| {
        begin.map_or(String::new(), |begin| format!(" at {:.1} s", (time - begin) as f64 / 1e9))
    };
    let now = match history.status {
        Some(status) if status.0 & 0x01 != 0 => "failing now",
        Some(status) if status.0 & 0x04 != 0 && status.0 & 0x08 == 0 => {
            "pending: it failed, and is not confirmed yet"
        }
        Some(status) if status.0 & 0x08 != 0 => "stored, not failing when last read",
        _ if history.lists_since_clear == [Seen::Pending] => {
            "pending: it failed, and is not confirmed yet"
        }
        _ => "stored",
    };
    let untested = "its test has not run to the end since, so that does not mean it is fixed";
    match (history.cleared, history.gone, history.returned) {
        (Some(cleared), None, true) => format!("cleared{}, and returned: {now}", at(cleared)),
        (Some(cleared), Some(gone), true) => {
            format!("cleared{}, returned, and gone again{}", at(cleared), at(gone))
        }
        (Some(cleared), _, false) => match history.tested {
            Some(true) => {
                format!("cleared{}, did not return, and its test has run since", at(cleared))
            }
            Some(false) => format!("cleared{}, not back yet; {untested}", at(cleared)),
            None => format!(
                "cleared{}, not seen since; whether its test has run is not known",
                at(cleared)
            ),
        },
        (None, Some(gone), _) => match history.tested {
            Some(false) => format!("gone{} without a clear in this capture; {untested}", at(gone)),
            _ => format!("gone{} without a clear in this capture", at(gone)),
        },
        (None, None, _) => now.to_owned(),
    }
}

fn identities(names: &Names<'_>, codes: &[CodeEntry]) -> Vec<IdentityEntry> {
    let vehicle = names.diagnostics.identities.vehicle();
    let modules = &names.diagnostics.identities.modules;
    let entry = |(module, identity): (&Module, &Identity)| {
        let name = names.of(*module);
        IdentityEntry {
            vin: identity.vin.clone(),
            part_number: identity.part_number.clone(),
            calibration_ids: identity.calibration_ids.clone(),
            verification_numbers: identity.verification_numbers.clone(),
            name: identity.name.clone(),
            others: identity
                .others
                .iter()
                .map(|(what, value)| (what.clone(), value.clone()))
                .collect(),
            source: identity.sources.join(", "),
            problems: problems(
                identity,
                vehicle.vin.as_deref(),
                codes
                    .iter()
                    .any(|code| code.reporter == name && code.unconfigured && code.gone.is_none()),
            ),
            module: name,
        }
    };
    modules.iter().map(entry).collect()
}

fn problems(identity: &Identity, vin: Option<&str>, unconfigured: bool) -> Vec<String> {
    let mut out = Vec::new();
    match (identity.vin.as_deref(), vin) {
        (Some(""), _) => {
            out.push("its VIN is blank: new, or not configured to this vehicle".to_owned())
        }
        (Some(own), Some(vehicle)) if own != vehicle && is_vin(own) => {
            out.push(format!(
                "it carries another vehicle's VIN, {own}: probably a used module that was not configured to this vehicle"
            ));
        }
        (Some(own), Some(vehicle)) if own != vehicle => {
            out.push(format!("what it gives as VIN has not the form of one: {own}"))
        }
        _ => {}
    }
    if unconfigured {
        out.push("it holds a code that says it is not programmed or not configured".to_owned());
    }
    if identity.claims.len() > 1 {
        out.push(format!(
            "{} units claimed this address: only one can keep it",
            identity.claims.len()
        ));
    }
    if identity.cannot_claim {
        out.push("a unit reported that it could not claim an address".to_owned());
    }
    out
}

fn supply(supply: &Supply, outages: &[Outage], begin: Option<Nanoseconds>) -> Option<SupplyEntry> {
    let ((min_at, min), max) = supply.range()?;
    let near = nanoseconds(DipEntry::NEAR);
    let within =
        |dip: &Dip, time: Nanoseconds| (dip.span.0 - near..=dip.span.1 + near).contains(&time);
    let touched = |dip: &Dip| {
        let hit = |outage: &Outage| {
            outage.is_loss() && (within(dip, outage.start) || within(dip, outage.end))
        };
        outages.iter().enumerate().filter(|(_, outage)| hit(outage)).map(|(at, _)| at).collect()
    };
    let dips = supply.dips().into_iter().map(|dip| DipEntry { outages: touched(&dip), dip });
    let timed = begin.is_some();
    Some(SupplyEntry {
        min,
        max,
        min_at: begin.map(|_| min_at),
        series: if timed { supply.series.clone() } else { Vec::new() },
        dips: if timed { dips.collect() } else { Vec::new() },
    })
}

fn freeze_frames(names: &Names<'_>) -> Vec<FreezeFrameEntry> {
    let frames = names.diagnostics.stored.freeze_frames.iter();
    let entry =
        |((module, frame), values): (&(Module, u8), &BTreeMap<u8, Vec<u8>>)| FreezeFrameEntry {
            module: names.of(*module),
            frame: *frame,
            code: values
                .get(&2)
                .and_then(|bytes| Some(dtc::two_byte_codes(bytes).next()?.to_string())),
            values: values
                .iter()
                .filter(|(pid, _)| **pid != 2)
                .filter_map(|(pid, bytes)| pid_value(*pid, bytes))
                .collect(),
        };
    frames.map(entry).collect()
}

fn vehicle(names: &Names<'_>, outages: &[Outage], begin: Option<Nanoseconds>) -> VehicleEntry {
    let diagnostics = names.diagnostics;
    let vehicle = diagnostics.identities.vehicle();
    let readiness = &diagnostics.codes.readiness;
    let monitors = readiness.iter().flat_map(|(module, (_, readiness))| {
        let name = names.of(*module);
        readiness
            .monitors()
            .filter(|monitor| monitor.supported)
            .map(move |monitor| (name.clone(), monitor.name, monitor.complete))
    });
    let lamps = readiness
        .values()
        .map(|(_, readiness)| readiness.mil)
        .chain(diagnostics.codes.lamps.values().map(|lamps| lamps.malfunction))
        .reduce(|a, b| a || b);
    VehicleEntry {
        vin: vehicle.vin,
        vin_conflicts: vehicle
            .conflicts
            .iter()
            .map(|(module, vin)| (names.of(*module), vin.clone()))
            .collect(),
        supply: supply(&diagnostics.identities.supply, outages, begin),
        monitors: monitors.collect(),
        mil: lamps,
    }
}

fn talks(names: &Names<'_>) -> Vec<TalkEntry> {
    let talks = names.diagnostics.exchanges.talks.iter();
    talks
        .map(|(module, talk)| TalkEntry {
            module: names.of(*module),
            positive: talk.positive,
            negative: talk
                .negative
                .iter()
                .map(|(reason, count)| (*reason, uds::negative_text(*reason), *count))
                .collect(),
            unanswered: talk.unanswered,
            pending: talk.pending,
            late: talk.late,
            slowest: talk.slowest,
        })
        .collect()
}

fn blamed(
    codes: &[CodeEntry],
    nodes: &[Node],
    outages: &[Outage],
) -> (Vec<BlameEntry>, Vec<(String, usize)>) {
    let accusations: Vec<Accusation> = codes
        .iter()
        // What an event of low supply left behind accuses nobody.
        .filter(|code| code.event.is_none())
        .filter_map(|code| {
            Some(Accusation {
                reporter: code.reporter.clone(),
                blamed: code.blames.clone()?,
                code: code.code.clone(),
            })
        })
        .collect();
    let witness = |(at, node): (usize, &Node)| {
        let hit = outages.iter().filter(|outage| {
            matches!(outage.scope, Scope::Node | Scope::Branch) && outage.nodes.contains(&at)
        });
        let longest = hit.clone().map(|outage| outage.duration).fold(0.0, f64::max);
        Witness { name: node.name.clone(), outages: hit.count(), longest }
    };
    let witnesses: Vec<Witness> = nodes.iter().enumerate().map(witness).collect();
    let (rows, accusers) = blame::matrix(&accusations, &witnesses);
    let verdict = |verdict| match verdict {
        Verdict::Confirmed => "confirmed",
        Verdict::Likely => "likely",
        Verdict::Contradicted => "contradicted",
        Verdict::Open => "open",
    };
    let entry = |row: blame::Blame| BlameEntry {
        blamed: row.blamed,
        reporters: row.reporters,
        codes: row.codes,
        verdict: verdict(row.verdict),
        node: row.witness,
        sentence: row.sentence,
    };
    (rows.into_iter().map(entry).collect(), accusers)
}
