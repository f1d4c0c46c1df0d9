//! What became of codes and readiness monitors.

use crate::analysis::Analysis;
use crate::analysis::diagnosis::CodeEntry;
use crate::compare::comparison::CodeRow;

/// Codes that are in any of the captures, and what became of them.
pub fn compare(before: &Analysis, after: &[Analysis]) -> Vec<CodeRow> {
    let mut out: Vec<CodeRow> = Vec::new();
    let later = |reporter: &str| {
        // The last capture in which the module spoke decides.
        after.iter().rev().find(|report| speaks(report, reporter))
    };
    let row = |code: &CodeEntry, change| CodeRow {
        code: code.code.clone(),
        reporter: code.reporter.clone(),
        change,
        meaning: code.meaning.clone(),
    };
    for code in &before.diagnosis.codes {
        let change = match later(&code.reporter) {
            None if code.gone.is_some() => gone(code),
            None => "not read after",
            Some(report) => match same(report, code) {
                Some(now) if now.gone.is_none() && (code.gone.is_some() || now.returned) => {
                    "returned"
                }
                Some(now) if now.gone.is_none() => "still there",
                Some(now) => gone(now),
                None if has_codes(report, &code.reporter) => match untested(report, &code.reporter)
                {
                    Some(true) => "gone, not tested yet",
                    Some(false) => "gone",
                    None => "gone, whether tested not known",
                },
                None if code.gone.is_some() => gone(code),
                None => "not read after",
            },
        };
        out.push(row(code, change));
    }
    for code in after.iter().flat_map(|report| &report.diagnosis.codes) {
        let known = out.iter().any(|row| row.code == code.code && row.reporter == code.reporter);
        if !known && code.gone.is_none() {
            out.push(row(code, "new"));
        }
    }
    out
}

fn gone(code: &CodeEntry) -> &'static str {
    match code.tested {
        Some(true) => "gone",
        Some(false) => "gone, not tested yet",
        None => "gone, whether tested not known",
    }
}

/// Whether a monitor of the module is not complete; `None` where it has none.
fn untested(report: &Analysis, module: &str) -> Option<bool> {
    let own = report.diagnosis.vehicle.monitors.iter().filter(|(owner, ..)| owner == module);
    own.map(|(.., complete)| !complete).reduce(|a, b| a || b)
}

fn same<'a>(report: &'a Analysis, code: &CodeEntry) -> Option<&'a CodeEntry> {
    report.diagnosis.codes.iter().find(|own| own.code == code.code && own.reporter == code.reporter)
}

fn speaks(report: &Analysis, reporter: &str) -> bool {
    report.diagnosis.talks.iter().any(|talk| talk.module == reporter && talk.positive > 0)
        || report.diagnosis.codes.iter().any(|code| code.reporter == reporter)
}

/// Whether a list of codes of the module was read.
fn has_codes(report: &Analysis, reporter: &str) -> bool {
    report.diagnosis.codes_read.iter().any(|module| module == reporter)
}

/// Monitors whose state changed or that are not complete after: module, monitor, complete before,
/// complete after.
pub fn monitors(
    before: &Analysis,
    after: &[Analysis],
) -> Vec<(String, String, Option<bool>, Option<bool>)> {
    let last = after.iter().rev().find(|report| !report.diagnosis.vehicle.monitors.is_empty());
    let list = |report: &Analysis| report.diagnosis.vehicle.monitors.clone();
    let (old, new) = (list(before), last.map_or(Vec::new(), list));
    let of = |list: &[(String, &'static str, bool)], module: &str, name: &str| {
        list.iter()
            .find(|(own, monitor, _)| own == module && *monitor == name)
            .map(|(.., complete)| *complete)
    };
    let mut keys: Vec<(String, &str)> =
        old.iter().chain(&new).map(|(module, name, _)| (module.clone(), *name)).collect();
    keys.sort();
    keys.dedup();
    keys.into_iter()
        .map(|(module, name)| {
            let (was, is) = (of(&old, &module, name), of(&new, &module, name));
            (module, name.to_owned(), was, is)
        })
        .filter(|(_, _, was, is)| was != is || *is == Some(false))
        .collect()
}
