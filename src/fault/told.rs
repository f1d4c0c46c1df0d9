//! Symptoms that modules tell: codes, identity, answers that stay away. Which node of the bus a
//! module that answers is, the traffic does not say; where one of each is in question, they are
//! taken to be the same.

use super::subject::Subject;
use super::symptoms::{Symptom, codes_of, told as symptom};
use crate::analysis::Analysis;
use crate::analysis::blame::{Blame, Verdict};
use crate::analysis::diagnosis::{CodeEntry, Module, TalkEntry};

/// Modules that do not answer, or are missed without being on this bus, from which a gateway is in
/// question.
const SEVERAL: usize = 3;

/// Adds what modules tell to what the frames show.
pub fn told(report: &Analysis, out: &mut Vec<Symptom>) {
    let of_kind = |kind: &'static str| {
        out.iter().filter(move |symptom| symptom.kind == kind).map(|symptom| &symptom.subject)
    };
    let silent: Vec<Subject> = of_kind("node_silent").cloned().collect();
    let mut among: Vec<usize> = of_kind("node_silent")
        .chain(of_kind("nodes_silent"))
        .flat_map(|subject| match subject {
            Subject::Node(node) => vec![*node],
            Subject::Nodes(nodes) => nodes.clone(),
            _ => Vec::new(),
        })
        .collect();
    among.sort_unstable();
    among.dedup();
    let mut mute: Vec<&TalkEntry> =
        report.diagnosis.talks.iter().filter(|talk| talk.is_mute()).collect();
    let name = |module: Module| report.module_name(module).to_string();
    let subject_of = |module: Module, alone: bool| match silent.as_slice() {
        _ if by_name(report, module).is_some() => {
            by_name(report, module).unwrap_or(Subject::Vehicle)
        }
        [one] if alone => one.clone(),
        _ if among.is_empty() => Subject::Module(name(module)),
        _ => Subject::Unplaced(name(module), among.clone()),
    };
    // A tester asks many that a vehicle may not have: silence tells something only where somebody
    // misses them.
    let anybody =
        |row: &Blame| codes_of(report, row).any(|code| code.failing && code.gone.is_none());
    if silent.is_empty() && !report.diagnosis.blame.iter().any(anybody) {
        mute.clear();
    }
    for talk in &mute {
        let text = format!("{} did not answer {} requests", name(talk.module), talk.unanswered);
        out.push(symptom(
            report,
            "no_answer",
            subject_of(talk.module, mute.len() == 1),
            text,
            Vec::new(),
            [].into_iter(),
        ));
    }
    let unplaced: Vec<&Blame> =
        report.diagnosis.blame.iter().filter(|row| row.frames.node().is_none()).collect();
    for row in &report.diagnosis.blame {
        let mute_one = || match mute.as_slice() {
            [one] if unplaced.len() == 1 => Some(subject_of(one.module, true)),
            _ => None,
        };
        let subject = row
            .frames
            .node()
            .filter(|_| match row.verdict() {
                Verdict::Confirmed => true,
                Verdict::Likely => is_likeliest(report, row),
                _ => false,
            })
            .map(Subject::Node)
            .or_else(mute_one)
            .unwrap_or_else(|| match row.verdict() {
                Verdict::Open if !among.is_empty() => {
                    Subject::Unplaced(row.missed.0.clone(), among.clone())
                }
                _ => Subject::Module(row.missed.0.clone()),
            });
        out.push(missed(report, row, subject));
    }
    gateway(report, &mute, out);
    for (reporter, count) in &report.diagnosis.accusers {
        let reporter = name(*reporter);
        let text = format!("{reporter} misses {count} modules");
        out.push(symptom(
            report,
            "misses_many",
            Subject::Module(reporter.clone()),
            text,
            Vec::new(),
            [].into_iter(),
        ));
    }
    memory(report, out);
    identity(report, out);
    let internal: Vec<&CodeEntry> =
        report.diagnosis.codes.iter().filter(|code| code.internal && code.gone.is_none()).collect();
    let mut reporters: Vec<Module> = internal.iter().map(|code| code.module).collect();
    reporters.dedup();
    for &reporter in &reporters {
        let own = internal.iter().copied().filter(|code| code.module == reporter);
        let text = format!("{} reports a fault inside itself", name(reporter));
        out.push(symptom(
            report,
            "internal_code",
            subject_of(reporter, reporters.len() == 1),
            text,
            Vec::new(),
            own,
        ));
    }
}

/// One node is not two modules: of several that are likely the same silent node, the ones that fail
/// now are meant, if they are fewer.
fn is_likeliest(report: &Analysis, row: &Blame) -> bool {
    let rivals = || {
        report.diagnosis.blame.iter().filter(|other| {
            other.verdict() == Verdict::Likely && other.frames.node() == row.frames.node()
        })
    };
    let failing =
        |row: &Blame| codes_of(report, row).any(|code| code.failing && code.gone.is_none());
    let now = rivals().filter(|row| failing(row)).count();
    now == 0 || now == rivals().count() || failing(row)
}

/// A module that answers by the address that a node is named after.
fn by_name(report: &Analysis, module: Module) -> Option<Subject> {
    let module = report.module_name(module).to_string();
    let at = report
        .nodes
        .iter()
        .position(|node| module == node.name || module.starts_with(&format!("{} (", node.name)))?;
    Some(Subject::Node(at))
}

fn missed(report: &Analysis, row: &Blame, subject: Subject) -> Symptom {
    let codes: Vec<&CodeEntry> = codes_of(report, row).collect();
    let present = codes.iter().filter(|code| code.gone.is_none());
    let (now, sentence) = match () {
        () if present.clone().any(|code| code.failing || code.returned) => {
            ("failing", "failing when last read".to_owned())
        }
        () if codes.iter().all(|code| code.gone.is_some() && code.tested != Some(false)) => {
            ("mended", "cleared, and not back when last read".to_owned())
        }
        () => ("remembered", "stored, not failing when last read".to_owned()),
    };
    let says = crate::words::diagnosis::verdict(row.verdict());
    let value = match row.verdict() {
        Verdict::Confirmed => "confirmed",
        Verdict::Likely => "likely",
        Verdict::Contradicted => "contradicted",
        Verdict::Open => "open",
    };
    let text = format!(
        "{} is missed by {}: {}",
        row.missed.0,
        crate::words::diagnosis::names(report, &row.reporters).join(", "),
        row.codes
            .iter()
            .map(|code| crate::words::diagnosis::code_label(*code))
            .collect::<Vec<_>>()
            .join(", ")
    );
    let signs = vec![("frames_say", value, says.to_owned()), ("now", now, sentence)];
    symptom(report, "missed_by_others", subject, text, signs, codes.into_iter())
}

fn gateway(report: &Analysis, mute: &[&TalkEntry], out: &mut Vec<Symptom>) {
    let failing = |row: &&Blame| {
        !matches!(row.verdict(), Verdict::Confirmed | Verdict::Likely)
            && codes_of(report, row).any(|code| code.failing && code.gone.is_none())
    };
    let missed: Vec<&Blame> = report.diagnosis.blame.iter().filter(failing).collect();
    let mut parts = Vec::new();
    if missed.len() >= SEVERAL {
        parts.push(format!(
            "{} modules are missed that this bus does not show to be silent",
            missed.len()
        ));
    }
    if mute.len() >= SEVERAL {
        parts.push(format!("{} modules do not answer a tester", mute.len()));
    }
    if !parts.is_empty() {
        let codes = missed.iter().flat_map(|row| codes_of(report, row));
        out.push(symptom(
            report,
            "many_missed",
            Subject::Vehicle,
            parts.join("; "),
            Vec::new(),
            codes,
        ));
    }
}

fn memory(report: &Analysis, out: &mut Vec<Symptom>) {
    let marked: Vec<&CodeEntry> =
        report.diagnosis.codes.iter().filter(|code| code.event.is_some()).collect();
    if let Some(first) = marked.first() {
        let text = format!(
            "{} codes are marks of one event: {}",
            marked.len(),
            first.event.map(crate::words::diagnosis::event).unwrap_or_default()
        );
        out.push(symptom(
            report,
            "supply_memory",
            Subject::Vehicle,
            text,
            Vec::new(),
            marked.into_iter(),
        ));
    }
}

fn identity(report: &Analysis, out: &mut Vec<Symptom>) {
    for entry in report.diagnosis.identity.iter().filter(|entry| !entry.problems.is_empty()) {
        let codes = report
            .diagnosis
            .codes
            .iter()
            .filter(|code| code.unconfigured && code.module == entry.module);
        let module = report.module_name(entry.module).to_string();
        let problems: Vec<String> =
            entry.problems.iter().map(crate::words::diagnosis::problem).collect();
        let text = format!("{module}: {}", problems.join("; "));
        out.push(symptom(
            report,
            "other_identity",
            Subject::Module(module),
            text,
            Vec::new(),
            codes,
        ));
    }
    let unnamed = |code: &&CodeEntry| {
        code.unconfigured
            && code.gone.is_none()
            && !report
                .diagnosis
                .identity
                .iter()
                .any(|entry| entry.module == code.module && !entry.problems.is_empty())
    };
    for code in report.diagnosis.codes.iter().filter(unnamed) {
        let module = report.module_name(code.module).to_string();
        let text = format!("{module} says that it is not programmed or not configured");
        out.push(symptom(
            report,
            "other_identity",
            Subject::Module(module),
            text,
            Vec::new(),
            [code].into_iter(),
        ));
    }
}
