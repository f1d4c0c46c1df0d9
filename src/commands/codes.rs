//! `lostnode codes`: trouble codes of a capture with their history, one a row.

use std::io::Write;
use std::path::PathBuf;

use clap::{Args, ValueEnum};

use super::report::{Analysis, Reading, analyse};
use super::{Failure, NOTHING_LOST};
use crate::report::Report;
use crate::report::diagnosis::CodeEntry;

/// Print the trouble codes of a capture with their history
#[derive(Args)]
#[command(after_help = "Example: lostnode codes samples/van-door.log.gz --format csv")]
pub struct Arguments {
    /// The capture, plain, gzip or zstd; `-` reads standard input
    capture: PathBuf,
    /// How to print them
    #[arg(long, value_enum, default_value_t = Format::Text)]
    format: Format,
    #[command(flatten)]
    analysis: Analysis,
    #[command(flatten)]
    reading: Reading,
}

#[derive(Clone, Copy, PartialEq, ValueEnum)]
enum Format {
    Text,
    Csv,
}

/// Columns of the CSV form; docs/diagnostics.md describes them.
const HEAD: [&str; 12] = [
    "reporter",
    "code",
    "meaning",
    "blames",
    "status",
    "lists",
    "first_seen",
    "last_seen",
    "cleared_at",
    "returned",
    "gone_at",
    "story",
];

/// Runs the command.
///
/// # Errors
/// Where the capture cannot be read or the output not be written.
pub fn run(arguments: &Arguments) -> Result<u8, Failure> {
    let report = analyse(&arguments.capture, &arguments.analysis, &arguments.reading, None)?;
    let mut out = std::io::stdout().lock();
    match arguments.format {
        Format::Csv => {
            let mut table = csv::Writer::from_writer(&mut out);
            let failed = |error: csv::Error| std::io::Error::from(error);
            table.write_record(HEAD).map_err(failed)?;
            for code in &report.diagnosis.codes {
                table.write_record(fields(code, ';')).map_err(failed)?;
            }
            table.flush()?;
        }
        Format::Text => text(&report, &mut out)?,
    }
    Ok(NOTHING_LOST)
}

fn text(report: &Report, out: &mut impl Write) -> std::io::Result<()> {
    if report.diagnosis.codes.is_empty() {
        return writeln!(out, "No trouble codes were read in this capture.");
    }
    for code in &report.diagnosis.codes {
        let meaning = code.meaning.as_deref().unwrap_or("meaning not known");
        writeln!(out, "{}  {}  {meaning}; {}", code.reporter, code.code, code.story)?;
    }
    Ok(())
}

fn fields(code: &CodeEntry, separator: char) -> [String; 12] {
    let time = |time: Option<i64>| time.map_or(String::new(), |time| format!("{:.6}", time as f64 / 1e9));
    let separator = separator.to_string();
    [
        code.reporter.clone(),
        code.code.clone(),
        code.meaning.clone().unwrap_or_default(),
        code.blames.clone().unwrap_or_default(),
        code.status.join(&separator),
        code.lists.join(&separator),
        time(code.seen.map(|(first, _)| first)),
        time(code.seen.map(|(_, last)| last)),
        time(code.cleared),
        code.returned.to_string(),
        time(code.gone),
        code.story.clone(),
    ]
}
