//! `lostnode outages`: what was silent in a capture, one silence a row.

use std::path::PathBuf;

use clap::Args;

use super::looking::Looking;
use super::options::Expected;
use super::streaming::{Format, rows};
use super::{Failure, exit_code, printed, terminal_width};
use crate::render::tables::{OUTAGES, outage};
use crate::render::text::outage_lines;

/// Print what was silent in a capture, as a list or a table
///
/// Exit code 0: nothing lost; 1: something lost; 2: the capture could not be read; 3: the capture
/// cannot tell.
#[derive(Args)]
#[command(after_help = "Example: lostnode outages samples/van-door.log.gz --format csv")]
pub struct Arguments {
    /// The capture, plain, gzip or zstd; `-` reads standard input
    capture: PathBuf,
    /// How to print them: for people or as a table (docs/tables.md)
    #[arg(long, value_enum, default_value_t = Format::Text)]
    format: Format,
    #[command(flatten)]
    expected: Expected,
    #[command(flatten)]
    looking: Looking,
}

/// Runs the command.
///
/// # Errors
/// Where the capture cannot be read or the output not be written.
pub fn run(arguments: &Arguments) -> Result<u8, Failure> {
    let roster = arguments.expected.read()?;
    let analysis = arguments.looking.analyse(&arguments.capture, roster)?;
    let all = analysis.outages.iter();
    let done = rows(
        arguments.format,
        &OUTAGES,
        all,
        |one| outage(&analysis, one).to_vec(),
        |out| outage_lines(&analysis, terminal_width(), out),
    );
    printed(exit_code(&analysis), done)
}
