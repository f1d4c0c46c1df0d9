//! What became of codes and readiness monitors.

use crate::analysis::diagnosis::{CodeEntry, Module, MonitorEntry, Seen, Without};
use crate::analysis::{Analysis, ModuleName};
use crate::compare::comparison::{CodeChange, CodeRow, MonitorRow};

/// Codes that are in any of the captures, and what became of them.
pub fn compare(before: &Analysis, after: &[&Analysis]) -> Vec<CodeRow> {
    let mut out: Vec<CodeRow> = Vec::new();
    let row = |analysis: &Analysis, code: &CodeEntry, change| CodeRow {
        code: code.number,
        reporter: analysis.module_name(code.module),
        change,
    };
    for code in &before.diagnosis.codes {
        let reporter = before.module_name(code.module);
        // The last capture in which the module spoke decides.
        let later = after.iter().rev().find(|analysis| speaks(analysis, &reporter));
        let change = match later {
            Some(later) => change(code, &reporter, later),
            None => unread(code),
        };
        out.push(row(before, code, change));
    }
    for analysis in after {
        for code in analysis.diagnosis.codes.iter().filter(|code| code.gone.is_none()) {
            let new = row(analysis, code, CodeChange::New);
            let same = |known: &CodeRow| {
                known.code == new.code && known.reporter.is_same_place(&new.reporter)
            };
            if !out.iter().any(same) {
                out.push(new);
            }
        }
    }
    out
}

/// What became of a code of a module that spoke in a later capture.
fn change(code: &CodeEntry, reporter: &ModuleName, later: &Analysis) -> CodeChange {
    let now = later
        .diagnosis
        .codes
        .iter()
        .find(|own| own.number == code.number && is(later, own.module, reporter));
    let read = || later.diagnosis.codes_read.iter().any(|module| is(later, *module, reporter));
    // What stayed away with its test run before needs no second proof.
    let proved = code.tested.filter(|tested| *tested && code.gone.is_some());
    match now {
        Some(now) if now.gone.is_some() => CodeChange::Gone { tested: proved.or(now.tested) },
        Some(now) if code.gone.is_some() || now.returned => CodeChange::Returned,
        Some(_) => CodeChange::StillThere,
        None if read() && !code.number.is_car() => match code.without(lists(later, reporter)) {
            Without::NotStored => {
                CodeChange::Gone { tested: proved.or_else(|| tested(later, reporter)) }
            }
            Without::NotActive if code.gone.is_none() => CodeChange::NotActive,
            Without::NotActive | Without::Nothing => unread(code),
        },
        None if read() => CodeChange::Gone { tested: proved.or_else(|| tested(later, reporter)) },
        None => unread(code),
    }
}

/// A code of a module that nobody asked later: what was known before stands.
fn unread(code: &CodeEntry) -> CodeChange {
    match code.gone {
        Some(_) => CodeChange::Gone { tested: code.tested },
        None => CodeChange::NotRead,
    }
}

/// The lists of codes of a module that were read.
fn lists<'a>(analysis: &'a Analysis, reporter: &'a ModuleName) -> impl Iterator<Item = Seen> + 'a {
    let read = analysis.diagnosis.lists_read.iter();
    read.filter(|(module, _)| is(analysis, *module, reporter)).map(|(_, list)| *list)
}

fn is(analysis: &Analysis, module: Module, name: &ModuleName) -> bool {
    analysis.module_name(module).is_same_place(name)
}

/// Whether all monitors of the module are complete; `None` where it has none.
fn tested(analysis: &Analysis, reporter: &ModuleName) -> Option<bool> {
    let monitors = analysis.diagnosis.vehicle.monitors.iter();
    let own = monitors.filter(|entry| is(analysis, entry.module, reporter));
    own.map(|entry| entry.complete).reduce(|a, b| a && b)
}

fn speaks(analysis: &Analysis, reporter: &ModuleName) -> bool {
    let diagnosis = &analysis.diagnosis;
    let answers = diagnosis.talks.iter().filter(|talk| talk.positive > 0).map(|talk| talk.module);
    // Units of SAE J1939 tell their active codes unasked, also that there are none.
    let told = diagnosis.codes.iter().map(|code| code.module);
    let unasked = diagnosis.lists_read.iter().filter(|(_, list)| list.is_of_j1939());
    let mut heard = answers.chain(told).chain(unasked.map(|(module, _)| *module));
    heard.any(|module| is(analysis, module, reporter))
}

/// Monitors whose state changed or that are not complete after.
pub fn monitors(before: &Analysis, after: &[&Analysis]) -> Vec<MonitorRow> {
    let has = |analysis: &&Analysis| !analysis.diagnosis.vehicle.monitors.is_empty();
    let last = after.iter().rev().copied().find(has);
    let mut out: Vec<MonitorRow> = Vec::new();
    let row = |analysis: &Analysis, entry: &MonitorEntry| MonitorRow {
        module: analysis.module_name(entry.module),
        monitor: entry.monitor,
        complete: (None, None),
    };
    for entry in &before.diagnosis.vehicle.monitors {
        out.push(MonitorRow { complete: (Some(entry.complete), None), ..row(before, entry) });
    }
    for (analysis, entry) in last.into_iter().flat_map(|analysis| {
        analysis.diagnosis.vehicle.monitors.iter().map(move |entry| (analysis, entry))
    }) {
        let new = row(analysis, entry);
        let same = |known: &&mut MonitorRow| {
            known.monitor == new.monitor && known.module.is_same_place(&new.module)
        };
        match out.iter_mut().find(same) {
            Some(known) => known.complete.1 = Some(entry.complete),
            None => out.push(MonitorRow { complete: (None, Some(entry.complete)), ..new }),
        }
    }
    out.retain(|row| row.complete.0 != row.complete.1 || row.complete.1 == Some(false));
    out
}
