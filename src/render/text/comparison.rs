//! A comparison for a terminal.

use std::io::{self, Write};

use super::paper::{Paper, wrap};
use super::{BAD, GOOD, HEAD};
use crate::compare::comparison::{Comparison, State};
use crate::words::comparison as words;
use crate::words::diagnosis::{code_label, code_meaning};
use crate::words::terms::duration;

/// Writes the comparison.
///
/// # Errors
/// Those of the writer.
pub fn render(comparison: &Comparison, width: usize, out: &mut dyn Write) -> io::Result<()> {
    let out = &mut Paper::new(out, width);
    let style = match comparison.verdict {
        State::NothingLost | State::Held | State::Back => GOOD,
        State::NotSure => HEAD,
        State::StillLost | State::NewlyLost => BAD,
    };
    for line in wrap(&words::verdict(comparison), textwrap::Options::new(out.width)) {
        writeln!(out, "{style}{line}{style:#}")?;
    }
    // What makes all that follows doubtful comes first.
    for doubt in comparison.notices.iter().filter(|notice| notice.is_doubt()) {
        out.hanging(&words::notice(doubt), &format!("{BAD}WARNING{BAD:#} "), "  ")?;
    }
    let (before, after) = comparison.watched;
    writeln!(out, "watched before {}, after {}\n", duration(before), duration(after))?;
    for row in words::rows(comparison) {
        let state = words::state(row.state);
        writeln!(out, "{style}{state:<13}{style:#} {}", words::called(&row.lost))?;
        out.hanging(&words::row(row), "              ", "              ")?;
    }
    if let Some(element) = &comparison.element {
        out.hanging(&words::element(element), "", "  ")?;
    }
    if !comparison.rows.is_empty() {
        writeln!(out)?;
    }
    if !comparison.codes.is_empty() {
        writeln!(out, "{HEAD}Trouble codes{HEAD:#}")?;
        for row in &comparison.codes {
            let meaning = code_meaning(row.code);
            let text = format!(
                "{} in {}: {}; {}",
                code_label(row.code),
                row.reporter,
                words::change(row.change),
                meaning.as_deref().unwrap_or("meaning not known")
            );
            out.hanging(&text, "  ", "      ")?;
        }
        writeln!(out)?;
    }
    if !comparison.monitors.is_empty() {
        writeln!(out, "{HEAD}Readiness monitors{HEAD:#}")?;
        let word = |complete: Option<bool>| match complete {
            Some(true) => "complete",
            Some(false) => "not complete",
            None => "not read",
        };
        for row in words::monitors(comparison) {
            let (was, is) = (word(row.complete.0), word(row.complete.1));
            writeln!(out, "  {}: {}: {was} before, {is} after", row.module, row.monitor)?;
        }
        writeln!(out)?;
    }
    writeln!(out, "{HEAD}Please note{HEAD:#}")?;
    comparison
        .notices
        .iter()
        .filter(|notice| !notice.is_doubt())
        .try_for_each(|notice| out.hanging(&words::notice(notice), "- ", "  "))
}
