//! `lostnode explain`: what a trouble code means, what it points at, and the cautions.

use std::io::Write;

use clap::Args;
use lostnode_parsers::dtc::{Code, System};

use super::{Failure, NOTHING_LOST};
use crate::fault::advice;
use crate::fold::diagnostics::meaning;
use crate::words::diagnosis::meaning_text;

/// Say what trouble codes mean, what they point at, and what to be careful of
#[derive(Args)]
#[command(after_help = "Example: lostnode explain U0199 U0151-87 P0562")]
pub struct Arguments {
    /// Codes such as U0100, or with a failure type U0100-87
    #[arg(required = true, value_parser = code)]
    codes: Vec<Code>,
}

fn code(text: &str) -> Result<Code, String> {
    let upper = text.to_uppercase();
    Code::parse(&upper).ok_or_else(|| {
        format!(
            "`{text}` has not the form of a code: a letter P, C, B or U, a digit 0 to 3, three \
             hexadecimal digits, such as U0100 or U0100-87"
        )
    })
}

/// Runs the command.
///
/// # Errors
/// Where the output cannot be written.
pub fn run(arguments: &Arguments) -> Result<u8, Failure> {
    let mut out = std::io::stdout().lock();
    for (at, code) in arguments.codes.iter().enumerate() {
        if at > 0 {
            writeln!(out)?;
        }
        explain(*code, &mut out)?;
    }
    Ok(NOTHING_LOST)
}

fn explain(code: Code, out: &mut impl Write) -> std::io::Result<()> {
    let system = match code.system() {
        System::Powertrain => "powertrain",
        System::Chassis => "chassis",
        System::Body => "body",
        System::Network => "network",
    };
    let owner = if code.is_generic() { "generic" } else { "of the maker" };
    let meaning = meaning::of(code).map(meaning_text);
    let pointer = advice::points_at(code);
    writeln!(out, "{code}  {system} code, {owner}")?;
    let text =
        meaning.as_deref().unwrap_or("not known to the tables here; the maker's documents have it");
    let mut paragraph = |label: &str, text: &str| -> std::io::Result<()> {
        let options =
            textwrap::Options::new(80).initial_indent(label).subsequent_indent("               ");
        textwrap::wrap(text, options).iter().try_for_each(|line| writeln!(out, "{line}"))
    };
    paragraph("  meaning      ", text)?;
    if let Some(byte) = code.failure_type() {
        let failure = meaning::failure_type(byte).unwrap_or("not known to the tables here");
        paragraph("  failure type ", &format!("{byte:02X}: {failure}"))?;
    }
    paragraph("  points at    ", &pointer.text)?;
    paragraph("  source       ", &pointer.source)?;
    for caution in advice::cautions_of(code) {
        paragraph("  CAUTION      ", &format!("{} ({})", caution.text, caution.source))?;
    }
    Ok(())
}
