//! `lostnode schema`: the JSON Schema of an output.

use std::io::Write;

use clap::Args;

use super::{Failure, NOTHING_LOST};
use crate::render::json::schema::Output;

/// Print the JSON Schema of an output, for programs that read it
#[derive(Args)]
#[command(after_help = "Example: lostnode schema report > report.schema.json")]
pub struct Arguments {
    /// Which output: `report`, `compare` and `explain` are whole documents, `row`, `frames`,
    /// `outages`, `codes`, `messages` and `watch` single lines, `truth` what `simulate` writes beside a
    /// capture
    #[arg(value_parser = clap::builder::PossibleValuesParser::new(names()))]
    output: String,
}

fn names() -> [&'static str; Output::ALL.len()] {
    Output::ALL.map(Output::name)
}

/// Runs the command.
///
/// # Errors
/// Where the output cannot be written.
pub fn run(arguments: &Arguments) -> Result<u8, Failure> {
    let mut out = std::io::stdout().lock();
    if let Some(output) = Output::ALL.into_iter().find(|own| own.name() == arguments.output) {
        serde_json::to_writer_pretty(&mut out, &output.schema()).map_err(std::io::Error::from)?;
        writeln!(out)?;
    }
    Ok(NOTHING_LOST)
}
