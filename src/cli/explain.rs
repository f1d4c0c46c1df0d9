//! `lostnode explain`: what a trouble code means, what it points at, and the cautions.

use std::io::Write;

use clap::{Args, ValueEnum};
use lostnode_parsers::dtc::Code;

use super::{Failure, NOTHING_LOST};
use crate::fold::diagnostics::CodeNumber;
use crate::render::json::explain as json;
use crate::words::explain::{Asked, Explanation};

/// Say what trouble codes mean, what they point at, and what to be careful of
#[derive(Args)]
#[command(after_help = "Example: lostnode explain U0199 U0151-87 P0562 'SPN 639 FMI 9'")]
pub struct Arguments {
    /// Codes such as U0100, with a failure type U0100-87, or those of a truck: 'SPN 639 FMI 9' or
    /// 639/9, or 'SPN 639' alone
    #[arg(required = true, value_parser = code)]
    codes: Vec<Asked>,
    /// How to print it
    #[arg(long, value_enum, default_value_t = Format::Text)]
    format: Format,
}

#[derive(Clone, Copy, ValueEnum)]
enum Format {
    /// For people
    Text,
    /// For programs (docs/json.md)
    Json,
}

/// Suspect parameters have 19 bits, failure modes 5 (SAE J1939-73).
const MOST_SPN: u32 = 0x7_FFFF;
const MOST_FMI: u8 = 31;

fn code(text: &str) -> Result<Asked, String> {
    let upper = text.trim().to_uppercase();
    if let Some(code) = Code::parse(&hyphened(&upper)) {
        return Ok(Asked::Whole(CodeNumber::Code(code)));
    }
    parameter(&upper).ok_or_else(|| {
        format!(
            "`{text}` has not the form of a code: a letter P, C, B or U, a digit 0 to 3, three \
             hexadecimal digits, such as U0100 or U0100-87; or of a truck: 'SPN 639 FMI 9' or 639/9"
        )
    })
}

/// Testers print the failure type behind a hyphen, a colon or a space, or with nothing between:
/// `U0100-87`, `U0100:87`, `U0100 87`, `U010087`.
fn hyphened(upper: &str) -> String {
    /// Letters and digits of a code without its failure type.
    const BASE: usize = 5;
    let (base, failure) = match upper.split_at_checked(BASE) {
        Some((base, rest)) => (base, rest.trim_start_matches([':', ' ', '-'])),
        None => (upper, ""),
    };
    if failure.is_empty() { upper.to_owned() } else { format!("{base}-{failure}") }
}

/// `SPN 639`, `SPN 639 FMI 9`, `639/9`.
fn parameter(upper: &str) -> Option<Asked> {
    let rest = upper.strip_prefix("SPN");
    let numbers = rest.unwrap_or(upper).replace("FMI", "/");
    let mut parts = numbers.split('/').map(str::trim);
    let spn = parts.next()?.parse().ok().filter(|spn| *spn <= MOST_SPN)?;
    match (parts.next(), parts.next()) {
        (Some(fmi), None) => {
            let fmi = fmi.parse().ok().filter(|fmi| *fmi <= MOST_FMI)?;
            Some(Asked::Whole(CodeNumber::SpnFmi { spn, fmi }))
        }
        (None, _) => rest.map(|_| Asked::Parameter(spn)),
        _ => None,
    }
}

/// Runs the command.
///
/// # Errors
/// Where the output cannot be written.
pub fn run(arguments: &Arguments) -> Result<u8, Failure> {
    let explained: Vec<Explanation> =
        arguments.codes.iter().map(|code| Explanation::of(*code)).collect();
    let mut out = std::io::stdout().lock();
    if matches!(arguments.format, Format::Json) {
        json::render(&explained, &mut out)?;
        return Ok(NOTHING_LOST);
    }
    for (at, explanation) in explained.iter().enumerate() {
        if at > 0 {
            writeln!(out)?;
        }
        text(explanation, &mut out)?;
    }
    Ok(NOTHING_LOST)
}

fn text(explained: &Explanation, out: &mut impl Write) -> std::io::Result<()> {
    writeln!(out, "{}  {}", explained.code, explained.kind)?;
    let mut paragraph = |label: &str, text: &str| -> std::io::Result<()> {
        let options =
            textwrap::Options::new(80).initial_indent(label).subsequent_indent("               ");
        textwrap::wrap(text, options).iter().try_for_each(|line| writeln!(out, "{line}"))
    };
    let unknown = "not known to the tables here; the maker's documents have it";
    paragraph("  meaning      ", explained.meaning.as_deref().unwrap_or(unknown))?;
    if let Some((number, meaning)) = &explained.failure {
        let meaning = meaning.unwrap_or("not known to the tables here");
        paragraph("  failure type ", &format!("{number}: {meaning}"))?;
    }
    paragraph("  points at    ", &explained.pointer.text)?;
    paragraph("  source       ", &explained.pointer.source)?;
    for caution in &explained.cautions {
        paragraph("  CAUTION      ", &format!("{} ({})", caution.text, caution.source))?;
    }
    Ok(())
}
