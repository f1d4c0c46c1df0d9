//! `lostnode schema`: the JSON Schema of an output.

use std::io::Write;

use clap::Args;

use super::{Failure, NOTHING_LOST};
use crate::render::json::schema::{self, Output};
use crate::simulate::Truth;

/// Print the JSON Schema of an output, for programs that read it
#[derive(Args)]
#[command(after_help = "Example: lostnode schema report > report.schema.json")]
pub struct Arguments {
    /// Which output: `report`, `compare` and `explain` are whole documents, `row`, `frames`,
    /// `outages`, `codes`, `messages` and `watch` single lines, `truth` what `simulate` writes
    /// beside a capture
    #[arg(value_parser = clap::builder::PossibleValuesParser::new(names()))]
    output: String,
}

/// The truth of a simulated capture is no answer of the analysis, and known here alone.
const TRUTH: &str = "truth";

fn names() -> Vec<&'static str> {
    Output::ALL.into_iter().map(Output::name).chain([TRUTH]).collect()
}

/// Runs the command.
///
/// # Errors
/// Where the output cannot be written.
pub fn run(arguments: &Arguments) -> Result<u8, Failure> {
    let output = Output::ALL.into_iter().find(|own| own.name() == arguments.output);
    let schema = output.map_or_else(schema::of::<Truth>, Output::schema);
    let mut out = std::io::stdout().lock();
    serde_json::to_writer_pretty(&mut out, &schema).map_err(std::io::Error::from)?;
    writeln!(out)?;
    Ok(NOTHING_LOST)
}
