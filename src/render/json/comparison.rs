//! A comparison as JSON.

use std::io::{self, Write};

use serde::Serialize;

use crate::compare::comparison::{Comparison, Row, State};

#[derive(Serialize)]
struct ComparisonJson {
    schema: &'static str,
    before: Vec<String>,
    after: Vec<String>,
    watched_before_s: f64,
    watched_after_s: f64,
    verdict: &'static str,
    sentence: String,
    losses: Vec<RowJson>,
    codes: Vec<CodeChangeJson>,
    monitors: Vec<MonitorChangeJson>,
    notices: Vec<String>,
}

#[derive(Serialize)]
struct RowJson {
    name: String,
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
    sentence: String,
}

#[derive(Serialize)]
struct CodeChangeJson {
    code: String,
    reporter: String,
    change: &'static str,
    meaning: Option<String>,
}

#[derive(Serialize)]
struct MonitorChangeJson {
    module: String,
    monitor: String,
    complete_before: Option<bool>,
    complete_after: Option<bool>,
}

fn state(state: State) -> &'static str {
    match state {
        State::NothingLost => "nothing_lost",
        State::Held => "held",
        State::NotSure => "not_sure",
        State::StillLost => "still_lost",
        State::NewlyLost => "newly_lost",
    }
}

fn row(row: &Row) -> RowJson {
    RowJson {
        name: row.name.clone(),
        state: state(row.state),
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
        sentence: row.sentence.clone(),
    }
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
        verdict: state(comparison.verdict),
        sentence: comparison.sentence.clone(),
        losses: comparison.rows.iter().map(row).collect(),
        codes: comparison
            .codes
            .iter()
            .map(|row| CodeChangeJson {
                code: row.code.clone(),
                reporter: row.reporter.clone(),
                change: row.change,
                meaning: row.meaning.clone(),
            })
            .collect(),
        monitors: comparison
            .monitors
            .iter()
            .map(|(module, monitor, before, after)| MonitorChangeJson {
                module: module.clone(),
                monitor: monitor.clone(),
                complete_before: *before,
                complete_after: *after,
            })
            .collect(),
        notices: comparison.notices.clone(),
    };
    serde_json::to_writer_pretty(&mut *out, &document)?;
    writeln!(out)
}
