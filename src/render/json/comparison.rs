//! A comparison as JSON.

use std::io::{self, Write};

use schemars::JsonSchema;
use serde::Serialize;

use super::names;
use crate::compare::comparison::{CodeChange, Comparison, Notice, Row};
use crate::words::comparison as words;
use crate::words::diagnosis::{code_label, code_meaning};
use crate::words::terms::id_label;

#[derive(JsonSchema, Serialize)]
pub(super) struct ComparisonJson {
    schema: &'static str,
    before: Vec<String>,
    after: Vec<String>,
    watched_before_s: f64,
    watched_after_s: f64,
    #[schemars(with = "names::State")]
    verdict: &'static str,
    sentence: String,
    losses: Vec<RowJson>,
    codes: Vec<CodeChangeJson>,
    monitors: Vec<MonitorChangeJson>,
    element: Option<ElementJson>,
    doubts: Vec<DoubtJson>,
    notices: Vec<String>,
}

/// What makes it doubtful that the captures belong together.
#[derive(JsonSchema, Serialize)]
struct DoubtJson {
    kind: &'static str,
    leaves_out: bool,
    sentence: String,
}

#[derive(JsonSchema, Serialize)]
struct ElementJson {
    name: String,
    probability: f64,
    feeds: Vec<String>,
    #[schemars(with = "names::Since")]
    since: &'static str,
    lost_again: Vec<String>,
}

#[derive(JsonSchema, Serialize)]
struct RowJson {
    name: String,
    #[schemars(with = "names::State")]
    state: &'static str,
    losses_before: u64,
    losses_after: u64,
    episodes_before: u64,
    episodes_after: u64,
    joined_within_s: f64,
    watched_before_s: f64,
    watched_after_s: f64,
    p: Option<f64>,
    p_e_test: Option<f64>,
    rate_ratio: Option<f64>,
    rate_ratio_low: Option<f64>,
    rate_ratio_high: Option<f64>,
    needed_s: Option<f64>,
    #[schemars(with = "Option<names::Open>")]
    open: Option<&'static str>,
    never_heard_before: bool,
    unheard_before: usize,
    unheard_after: Vec<String>,
    sentence: String,
}

#[derive(JsonSchema, Serialize)]
struct CodeChangeJson {
    code: String,
    reporter: String,
    change: &'static str,
    meaning: Option<String>,
}

#[derive(JsonSchema, Serialize)]
struct MonitorChangeJson {
    module: String,
    monitor: &'static str,
    complete_before: Option<bool>,
    complete_after: Option<bool>,
}

fn row(row: &Row) -> RowJson {
    RowJson {
        name: words::name(&row.lost),
        state: names::state(row.state),
        losses_before: row.losses.0,
        losses_after: row.losses.1,
        episodes_before: row.episodes.0,
        episodes_after: row.episodes.1,
        joined_within_s: row.joined,
        watched_before_s: row.watched.0,
        watched_after_s: row.watched.1,
        p: row.p,
        p_e_test: row.e_test,
        rate_ratio: row.ratio.and_then(|(ratio, ..)| ratio),
        rate_ratio_low: row.ratio.map(|(_, low, _)| low),
        rate_ratio_high: row.ratio.and_then(|(.., high)| high),
        needed_s: row.needed,
        open: row.open.map(names::open),
        never_heard_before: row.never_before,
        unheard_before: row.unheard.0,
        unheard_after: row.unheard.1.iter().map(|id| id_label(*id)).collect(),
        sentence: words::row(row),
    }
}

/// The kind of a notice that makes it doubtful that the captures belong together.
fn doubt(notice: &Notice) -> Option<&'static str> {
    Some(match notice {
        Notice::OtherVehicle(..) => "other_vehicle",
        Notice::KeptOut(..) => "kept_out",
        Notice::Older(_) => "older",
        Notice::LittleInCommon(..) => "little_in_common",
        Notice::NotRecorded(..) => "not_recorded",
        _ => return None,
    })
}

/// Writes the comparison.
///
/// # Errors
/// Those of the writer.
pub fn render(comparison: &Comparison, out: &mut dyn Write) -> io::Result<()> {
    let document = ComparisonJson {
        schema: "lostnode.compare/1",
        before: comparison.captures.0.clone(),
        after: comparison.captures.1.clone(),
        watched_before_s: comparison.watched.0,
        watched_after_s: comparison.watched.1,
        verdict: names::state(comparison.verdict),
        sentence: words::verdict(comparison),
        losses: words::rows(comparison).into_iter().map(row).collect(),
        element: comparison.element.as_ref().map(|own| ElementJson {
            name: own.name.clone(),
            probability: own.probability,
            feeds: own.feeds.clone(),
            since: names::since(own.since),
            lost_again: own.again.clone(),
        }),
        codes: comparison
            .codes
            .iter()
            .map(|row| CodeChangeJson {
                code: code_label(row.code),
                reporter: row.reporter.to_string(),
                change: change(row.change),
                meaning: code_meaning(row.code),
            })
            .collect(),
        monitors: words::monitors(comparison)
            .into_iter()
            .map(|row| MonitorChangeJson {
                module: row.module.to_string(),
                monitor: row.monitor,
                complete_before: row.complete.0,
                complete_after: row.complete.1,
            })
            .collect(),
        doubts: comparison
            .notices
            .iter()
            .filter_map(|own| {
                Some(DoubtJson {
                    kind: doubt(own)?,
                    leaves_out: own.leaves_out(),
                    sentence: words::notice(own),
                })
            })
            .collect(),
        notices: comparison.notices.iter().map(words::notice).collect(),
    };
    serde_json::to_writer_pretty(&mut *out, &document)?;
    writeln!(out)
}

/// What became of a code, by a name that stays as it is.
fn change(change: CodeChange) -> &'static str {
    match change {
        CodeChange::Gone { tested: None } => "gone, whether tested not known",
        other => words::change(other),
    }
}
