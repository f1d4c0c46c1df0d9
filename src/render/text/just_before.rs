//! What happened just before the losses, for a terminal.

use std::io::{self, Write};

use super::HEAD;
use super::paper::Paper;
use crate::analysis::Analysis;
use crate::words::just_before as words;

pub(super) fn render(analysis: &Analysis, out: &mut Paper<'_>) -> io::Result<()> {
    let timed = analysis.just_before.timed.iter().map(|own| words::timed(analysis, own));
    let leads: Vec<String> =
        analysis.precursors().map(|lead| words::sentence(analysis, lead)).chain(timed).collect();
    let nothing = words::worth_saying(analysis);
    let after: Vec<String> =
        analysis.consequences().map(|lead| words::sentence(analysis, lead)).collect();
    if !leads.is_empty() || !nothing.is_empty() {
        writeln!(out, "{HEAD}Just before{HEAD:#}")?;
        for text in leads.iter().chain(&nothing) {
            out.hanging(text, "- ", "  ")?;
        }
        writeln!(out)?;
    }
    if !after.is_empty() {
        writeln!(out, "{HEAD}Because of it{HEAD:#}")?;
        for text in &after {
            out.hanging(text, "- ", "  ")?;
        }
        writeln!(out)?;
    }
    Ok(())
}
