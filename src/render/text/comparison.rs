//! A comparison for a terminal.

use std::io::{self, Write};

use super::{BAD, GOOD, HEAD, hanging};
use crate::compare::comparison::{Comparison, State};
use crate::words::terms::duration;

/// Writes the comparison.
///
/// # Errors
/// Those of the writer.
pub fn render(comparison: &Comparison, out: &mut dyn Write) -> io::Result<()> {
    let style = match comparison.verdict {
        State::NothingLost | State::Held => GOOD,
        State::NotSure => HEAD,
        State::StillLost | State::NewlyLost => BAD,
    };
    write!(out, "{style}")?;
    hanging(out, &comparison.sentence, "", "")?;
    write!(out, "{style:#}")?;
    let (before, after) = comparison.watched;
    writeln!(out, "watched before {}, after {}\n", duration(before), duration(after))?;
    for row in &comparison.rows {
        let word = match row.state {
            State::NothingLost => "nothing lost",
            State::Held => "held",
            State::NotSure => "not sure yet",
            State::StillLost => "still lost",
            State::NewlyLost => "newly lost",
        };
        writeln!(out, "{style}{word:<13}{style:#} {}", row.name)?;
        hanging(out, &row.sentence, "              ", "              ")?;
    }
    if !comparison.rows.is_empty() {
        writeln!(out)?;
    }
    if !comparison.codes.is_empty() {
        writeln!(out, "{HEAD}Trouble codes{HEAD:#}")?;
        for row in &comparison.codes {
            let meaning = row.meaning.as_deref().unwrap_or("meaning not known");
            hanging(
                out,
                &format!("{} in {}: {}; {meaning}", row.code, row.reporter, row.change),
                "  ",
                "      ",
            )?;
        }
        writeln!(out)?;
    }
    if !comparison.monitors.is_empty() {
        writeln!(out, "{HEAD}Readiness monitors{HEAD:#}")?;
        let word = |complete: &Option<bool>| match complete {
            Some(true) => "complete",
            Some(false) => "not complete",
            None => "not read",
        };
        for (module, monitor, was, is) in &comparison.monitors {
            writeln!(out, "  {module}: {monitor}: {} before, {} after", word(was), word(is))?;
        }
        writeln!(out)?;
    }
    writeln!(out, "{HEAD}Please note{HEAD:#}")?;
    comparison.notices.iter().try_for_each(|notice| hanging(out, notice, "- ", "  "))
}
