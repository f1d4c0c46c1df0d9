//! `lostnode codes`: trouble codes of a capture with their history, one a row.

use std::io::Write;
use std::path::PathBuf;

use clap::Args;

use super::looking::Looking;
use super::streaming::{Format, rows};
use super::{Failure, NOTHING_LOST};
use crate::analysis::Analysis;
use crate::render::tables::{CODES, code};
use crate::words::diagnosis::{CodeWords, no_codes};

/// Print the trouble codes of a capture with their history
#[derive(Args)]
#[command(after_help = "Example: lostnode codes samples/van-door.log.gz --format csv")]
pub struct Arguments {
    /// The capture, plain, gzip or zstd; `-` reads standard input
    capture: PathBuf,
    /// How to print them: for people or as a table (docs/tables.md)
    #[arg(long, value_enum, default_value_t = Format::Text)]
    format: Format,
    #[command(flatten)]
    looking: Looking,
}

/// Runs the command.
///
/// # Errors
/// Where the capture cannot be read or the output not be written.
pub fn run(arguments: &Arguments) -> Result<u8, Failure> {
    let analysis = arguments.looking.analyse(&arguments.capture, None)?;
    rows(
        arguments.format,
        &CODES,
        analysis.diagnosis.codes.iter(),
        |one| code(&analysis, one).to_vec(),
        |out| text(&analysis, out),
    )?;
    Ok(NOTHING_LOST)
}

fn text(analysis: &Analysis, out: &mut dyn Write) -> std::io::Result<()> {
    if analysis.diagnosis.codes.is_empty() {
        return match no_codes(analysis) {
            Some(none) => writeln!(out, "Trouble codes: {none}."),
            None => writeln!(out, "No trouble codes were read in this capture."),
        };
    }
    for code in &analysis.diagnosis.codes {
        let words = CodeWords::of(analysis, code);
        let meaning = words.meaning.as_deref().unwrap_or("meaning not known");
        writeln!(out, "{}  {}  {meaning}; {}", words.reporter, words.code, words.story)?;
    }
    Ok(())
}
