//! Sentences about codes, identity and who is missed by whom.

use lostnode_parsers::dtc::System;
use lostnode_parsers::j1939;

pub use super::identity::problem;
use super::messages::severity_text;
use super::terms::{self, plural};
use super::values::pid_value;
use super::who;
use crate::analysis::blame::{Blame, Frames, Verdict};
use crate::analysis::diagnosis::{
    Active, CodeEntry, CodeEvent, CodeNumber, CodeStanding, FreezeFrameEntry, Module, Seen,
};
use crate::analysis::{Analysis, Nanoseconds};
use crate::fold::diagnostics::IdentitySource;
use crate::fold::diagnostics::meaning::{self, Meaning, ParameterAbout};
use crate::ids::NodeIndex;

/// A code of one module, in words.
#[derive(Clone, Debug)]
pub struct CodeWords {
    /// The code: `U0100-87`, or `SPN 639 FMI 2` under SAE J1939.
    pub code: String,
    /// What it says; `None` where no table knows it.
    pub meaning: Option<String>,
    /// Name of the module that holds it.
    pub reporter: String,
    /// Names of its status bits that are set.
    pub status: Vec<String>,
    /// Lists it was seen in.
    pub lists: Vec<String>,
    /// What became of it.
    pub story: String,
    /// Why it is probably part of one event with others.
    pub event: Option<String>,
}

impl CodeWords {
    /// Of a code in an analysis.
    pub fn of(analysis: &Analysis, code: &CodeEntry) -> CodeWords {
        let status = code.status.iter().flat_map(|status| status.names());
        CodeWords {
            code: code_label(code.number),
            meaning: code_meaning(code.number),
            reporter: analysis.module_name(code.module).to_string(),
            status: status.map(str::to_owned).collect(),
            lists: code.lists.iter().map(list).collect(),
            story: [Some(story(analysis, code)), details(code)]
                .into_iter()
                .flatten()
                .collect::<Vec<_>>()
                .join("; "),
            event: code.event.map(event),
        }
    }
}

/// Where the counter of occurrences stops (SAE J1939-73; 127: not available).
const MOST_COUNTED: u8 = 126;

/// How often a code of SAE J1939 occurred.
pub(super) fn occurrences(count: u8) -> String {
    match count {
        MOST_COUNTED => format!("{MOST_COUNTED} or more occurrences"),
        count => plural(usize::from(count), "occurrence", "occurrences"),
    }
}

/// That there are no codes, where lists were read: which lists, and of whom.
pub fn no_codes(analysis: &Analysis) -> Option<String> {
    let diagnosis = &analysis.diagnosis;
    if diagnosis.lists_read.is_empty() || !diagnosis.codes.is_empty() {
        return None;
    }
    let mut read: Vec<(String, Vec<Module>)> = Vec::new();
    for (module, own) in &diagnosis.lists_read {
        let name = list(own);
        match read.iter_mut().find(|(known, _)| *known == name) {
            Some((_, modules)) => modules.push(*module),
            None => read.push((name, vec![*module])),
        }
    }
    let told = read.into_iter().map(|(list, modules)| {
        let of = match modules.len() {
            ..=FEW => names(analysis, &modules).join(", "),
            many => plural(many, "module", "modules"),
        };
        format!("{list} ({of})")
    });
    let told: Vec<String> = told.collect();
    Some(format!("none in the lists that were read: {}", told.join("; ")))
}

/// So many modules are named one by one.
const FEW: usize = 4;

/// Whether a code speaks of the network: of a module or a message that is missed, or of a bus.
pub(super) fn is_about_network(code: &CodeEntry) -> bool {
    match code.number {
        CodeNumber::Code(number) => number.system() == System::Network,
        own if own.misses_a_module() => true,
        CodeNumber::SpnFmi { spn, .. } => matches!(
            meaning::suspect_parameter(spn),
            Some((
                _,
                ParameterAbout::Module(_)
                    | ParameterAbout::Bus
                    | ParameterAbout::OtherBus
                    | ParameterAbout::J1708
            ))
        ),
    }
}

/// What a module tells of a code beside its status.
fn details(code: &CodeEntry) -> Option<String> {
    let spn = matches!(code.number, CodeNumber::SpnFmi { .. });
    let count = code.count.filter(|_| spn).map(occurrences);
    let counter = code.counter.map(|counter| format!("fault counter {counter}"));
    let severity = code.severity.map(severity_text);
    let old = code
        .old_conversion
        .then(|| "packed by an older conversion method, so that the SPN is not certain".to_owned());
    let all: Vec<String> = [count, counter, severity, old].into_iter().flatten().collect();
    (!all.is_empty()).then(|| all.join("; "))
}

/// A code as it is written.
pub fn code_label(number: CodeNumber) -> String {
    match number {
        CodeNumber::Code(code) => code.to_string(),
        CodeNumber::SpnFmi { spn, fmi } => format!("SPN {spn} FMI {fmi}"),
    }
}

/// Where an identification is from.
pub fn identity_sources(sources: &[IdentitySource]) -> String {
    let source = |source: &IdentitySource| match source {
        IdentitySource::VehicleInformation => "service 09".to_owned(),
        IdentitySource::Record(number) => format!("0x{number:04X}"),
        IdentitySource::AddressClaim => "address claim".to_owned(),
        IdentitySource::VehicleIdentification => "vehicle identification".to_owned(),
        IdentitySource::Component => "component identification".to_owned(),
        IdentitySource::Software => "software identification".to_owned(),
    };
    sources.iter().map(source).collect::<Vec<_>>().join(", ")
}

/// What a code says, without its failure type.
pub fn meaning_text(meaning: Meaning) -> String {
    match meaning {
        Meaning::Lost(module) => format!("lost communication with {module}"),
        Meaning::Invalid(module) => format!("invalid data received from {module}"),
        Meaning::Software(module) => format!("software incompatibility with {module}"),
        Meaning::Text(text) => text.to_owned(),
    }
}

/// What a code says, with its failure type; `None` where no table knows it.
pub fn code_meaning(number: CodeNumber) -> Option<String> {
    let code = match number {
        CodeNumber::Code(code) => code,
        CodeNumber::SpnFmi { spn, fmi } => return spn_meaning(spn, fmi),
    };
    let failure = code.failure_type().filter(|byte| *byte != 0).and_then(meaning::failure_type);
    match (meaning::of(code).map(meaning_text), failure) {
        (Some(text), Some(failure)) => Some(format!("{text}: {}", failure.to_lowercase())),
        (Some(text), None) => Some(text),
        (None, Some(failure)) => Some(format!("(maker's code) {}", failure.to_lowercase())),
        (None, None) => None,
    }
}

/// What a parameter is, and how it failed.
fn spn_meaning(spn: u32, fmi: u8) -> Option<String> {
    let mode = j1939::failure_mode(fmi);
    let Some((name, about)) = meaning::suspect_parameter(spn) else {
        return mode.map(str::to_owned);
    };
    let name = match about {
        ParameterAbout::Module(address) => {
            let usual = if name.is_empty() { String::new() } else { format!(" ({name})") };
            format!("source address 0x{address:02X}{usual}")
        }
        _ => name.to_owned(),
    };
    Some(format!("{name}: {}", mode.unwrap_or("failure mode not known")))
}

fn list(seen: &Seen) -> String {
    match seen {
        Seen::Stored => "stored".to_owned(),
        Seen::Pending => "pending".to_owned(),
        Seen::Permanent => "permanent".to_owned(),
        Seen::Active => "active".to_owned(),
        Seen::PreviouslyActive => "previously active".to_owned(),
        Seen::EmissionActive => "active, emissions".to_owned(),
        Seen::EmissionPending => "pending, emissions".to_owned(),
        Seen::EmissionPreviouslyActive => "previously active, emissions".to_owned(),
        Seen::EmissionPermanent => "permanent, emissions".to_owned(),
        Seen::ByStatus(None) => "by status".to_owned(),
        Seen::ByStatus(Some((kind, group))) => format!("by status {kind:02X} group {group:04X}"),
        Seen::Report(report, None) => format!("report {report:02X}"),
        Seen::Report(report, Some(mask)) => format!("report {report:02X} mask {mask:02X}"),
    }
}

/// What became of a code; times are told where there is a first time stamp to count from.
fn story(analysis: &Analysis, code: &CodeEntry) -> String {
    const UNTESTED: &str = "its test has not run to the end since, so this does not mean that it \
                            is fixed";
    let at = |time: Nanoseconds| {
        // A drive without time stamps has no time among those of the others either.
        let told = match analysis.drives.is_empty() {
            true => analysis.span.is_some(),
            false => analysis.drive_of(time).is_some(),
        };
        if told { format!(" at {}", terms::at(analysis, time)) } else { String::new() }
    };
    let now = match code.active {
        Some(Active { times, until: Some(until) }) => format!(
            "not active since{}: it was active {} in this capture",
            at(until).trim_start_matches(" at"),
            if times == 1 { "once".to_owned() } else { format!("{times} times") }
        ),
        Some(Active { times: times @ 2.., until: None }) => {
            format!("active now, {times} times in this capture")
        }
        _ => standing(code.standing).to_owned(),
    };
    match (code.cleared, code.gone, code.returned) {
        (Some(cleared), None, true) => format!("cleared{}, and returned: {now}", at(cleared)),
        (Some(cleared), Some(gone), true) => {
            format!("cleared{}, returned, and gone again{}", at(cleared), at(gone))
        }
        (Some(cleared), _, false) => match code.tested {
            Some(true) => {
                format!("cleared{}, did not return, and its test has run since", at(cleared))
            }
            Some(false) => format!("cleared{}, not back yet; {UNTESTED}", at(cleared)),
            None => format!(
                "cleared{}, not seen since; not known whether its test has run",
                at(cleared)
            ),
        },
        (None, Some(gone), _) => match code.tested {
            Some(false) => format!("gone{} without a clear in this capture; {UNTESTED}", at(gone)),
            _ => format!("gone{} without a clear in this capture", at(gone)),
        },
        (None, None, _) => now,
    }
}

fn standing(standing: CodeStanding) -> &'static str {
    match standing {
        CodeStanding::Failing => "failing now",
        CodeStanding::Active => "active now",
        CodeStanding::PreviouslyActive => "previously active",
        CodeStanding::Pending => "pending: it failed, but is not confirmed yet",
        CodeStanding::NotFailing => "stored, not failing when last read",
        CodeStanding::Stored => "stored",
    }
}

/// Why codes are probably marks of one event.
pub fn event(event: CodeEvent) -> String {
    match event {
        CodeEvent::LowSupply { modules, dipped } => format!(
            "probably from one event of low supply: {modules} modules stored a supply fault{}",
            if dipped { ", and the supply dipped in this capture" } else { "" }
        ),
    }
}

/// Values of a freeze frame, such as `0C engine speed = 1726 rpm`.
pub fn freeze_values(frame: &FreezeFrameEntry) -> Vec<String> {
    frame.values.iter().filter_map(|(pid, bytes)| pid_value(*pid, bytes)).collect()
}

/// Names of modules, in order of the alphabet.
pub fn names(analysis: &Analysis, modules: &[Module]) -> Vec<String> {
    let mut names: Vec<String> =
        modules.iter().map(|module| analysis.module_name(*module).to_string()).collect();
    names.sort_unstable();
    names
}

/// Modules that miss many others, and how many, in order of the alphabet.
pub fn accusers(analysis: &Analysis) -> Vec<(String, usize)> {
    let accusers = analysis.diagnosis.accusers.iter();
    let mut named: Vec<(String, usize)> = accusers
        .map(|(module, misses)| (analysis.module_name(*module).to_string(), *misses))
        .collect();
    named.sort_unstable();
    named
}

/// Who misses a module, and what the frames say to it.
pub fn blame(analysis: &Analysis, row: &Blame) -> String {
    let many = match row.reporters.len() {
        1 => "",
        _ => "s, so suspect that module or its branch",
    };
    let says = match row.frames {
        Frames::Heard { node } if analysis.is_heard_meanwhile(row) => format!(
            "{} was heard here throughout, also while the code was active: who misses it does not \
             receive it (its own stub or segment, a gateway between), or waits for a message that \
             it does not send",
            who::node(analysis, node)
        ),
        other => frames(analysis, other),
    };
    format!("{} is missed by {} module{many}: {says}", row.missed.0, row.reporters.len())
}

fn frames(analysis: &Analysis, frames: Frames) -> String {
    let name = |node: NodeIndex| who::node(analysis, node);
    match frames {
        Frames::Heard { node } => format!(
            "the frames contradict it: {} was heard throughout this capture, so the code is of \
             something older",
            name(node)
        ),
        Frames::OnlyAnswers { node } => format!(
            "{} answered a tester and sent nothing by itself, which others wait for",
            name(node)
        ),
        Frames::PerhapsOff { node } => format!(
            "{} left, either with the key or because something failed: the frames do not say which",
            name(node)
        ),
        Frames::FellSilent { node, times, longest } => format!(
            "the frames confirm it: {} fell silent {} (longest {longest:.2} s)",
            name(node),
            plural(times, "time", "times")
        ),
        Frames::OnlyOneSilent { node, times, longest } => format!(
            "probably {}, the only silent module not otherwise accounted for ({}, longest \
             {longest:.2} s); traffic alone does not show its name",
            name(node),
            plural(times, "time", "times")
        ),
        Frames::AmongSilent { node } => format!(
            "probably among what fell silent with {}, which may be several modules",
            name(node)
        ),
        Frames::NobodySilent => "no module fell silent in this capture: the code is of something \
                                 older, or that module is on another bus"
            .to_owned(),
        Frames::NotKnown => {
            "every module that fell silent is accounted for otherwise, so this one may have been \
             silent from the start, or be on another bus"
                .to_owned()
        }
        Frames::SeveralSilent(1) => {
            "one module fell silent, and traffic alone does not show whether it is this one"
                .to_owned()
        }
        Frames::SeveralSilent(nodes) => format!(
            "{nodes} modules fell silent, and traffic alone does not show which of them it is"
        ),
        Frames::FromBeyond => "only modules that were cut off themselves report it: they miss \
                               every module beyond the break"
            .to_owned(),
        Frames::NoSender => {
            "no sender is known from this capture, so the frames do not say".to_owned()
        }
    }
}

/// What the frames say to an accusation, in few words.
pub fn verdict(verdict: Verdict) -> &'static str {
    match verdict {
        Verdict::Confirmed => "the frames confirm it",
        Verdict::Likely => "this is probably the module that they miss",
        Verdict::Contradicted => "the frames contradict it",
        Verdict::Open => "the frames neither confirm nor contradict it",
    }
}

/// The lamps that each module asks for, a line each; modules that ask for none are not among them.
pub fn lamps(analysis: &Analysis) -> Vec<String> {
    let line = |(module, lamps): &(Module, j1939::Lamps)| {
        let lit: Vec<&str> = lamps.lit().collect();
        let name = analysis.module_name(*module);
        (!lit.is_empty()).then(|| format!("{name} requests lamps: {}", lit.join(", ")))
    };
    analysis.diagnosis.vehicle.lamps.iter().filter_map(line).collect()
}
