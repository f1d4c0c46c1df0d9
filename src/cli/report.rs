//! `lostnode report`: the main job.

use std::fs;
use std::io::{BufWriter, Write};
use std::path::{Path, PathBuf};

use clap::{Args, ValueEnum};

use super::files::{marks_beside, read_marks, write_file};
use super::options::{Expected, Harness, Identity, Limits, RARELY, Reading, explaining, no_answer};
use super::precursors::Before;
use super::{Failure, exit_code, printed, progress, terminal_width};
use crate::analysis::Analysis;
use crate::analysis::marks::Mark;
use crate::render::Renderer;
use crate::render::html::Html;
use crate::render::json::Json;
use crate::render::json::row::Row;
use crate::render::load_plot::LoadPlot;
use crate::render::presence_plot::PresencePlot;
use crate::render::text::Text;
use crate::words::first_screen as told;
use crate::{Error, Explaining, Options};

/// Say which module went quiet, when, and how far the trouble reaches
///
/// Exit code 0: nothing lost; 1: something lost; 2: the capture could not be read; 3: the capture
/// cannot tell.
#[derive(Args)]
#[command(after_help = "Example: lostnode report samples/van-door.log.gz --out van-report")]
pub struct Arguments {
    /// The capture, plain, gzip or zstd; `-` reads standard input. Several captures of one vehicle
    /// may be given in any order: files that continue one another are joined, the others count as
    /// separate drives
    #[arg(required = true, value_name = "CAPTURE")]
    captures: Vec<PathBuf>,
    /// Also write report.html, report.json, presence.png and bus-load.png into this folder
    #[arg(long, value_name = "DIR")]
    out: Option<PathBuf>,
    /// Only the first screen: the answer, what to do first, what to be careful of
    #[arg(long)]
    brief: bool,
    #[command(flatten)]
    expected: Expected,
    #[command(flatten)]
    harness: Harness,
    /// What was measured, tried and done on the vehicle, as a job file
    #[arg(long, value_name = "FILE")]
    readings: Option<PathBuf>,
    #[command(flatten)]
    identity: Identity,
    /// How to print the report
    #[arg(long, value_enum, default_value_t = Format::Text)]
    format: Format,
    /// A file of marks: what was being done during the recording (docs/watch.md). CAPTURE.marks is
    /// used if it exists
    #[arg(long, value_name = "FILE", help_heading = RARELY)]
    marks: Option<PathBuf>,
    /// Changes to the numbers behind the findings (docs/findings.md)
    #[arg(long, value_name = "FILE", help_heading = RARELY)]
    knowledge: Option<PathBuf>,
    #[command(flatten)]
    before: Before,
    #[command(flatten)]
    limits: Limits,
    #[command(flatten)]
    reading: Reading,
}

#[derive(Clone, Copy, ValueEnum)]
enum Format {
    /// For people
    Text,
    /// The whole report (docs/json.md)
    Json,
    /// The row that `batch` makes of the capture, as JSON; also of one that cannot be read
    Row,
}

/// Runs the command.
///
/// # Errors
/// Where the capture cannot be read or a result not be written.
pub fn run(arguments: &Arguments) -> Result<u8, Failure> {
    // What is named and may be wrong is told of before a long capture has been read.
    let roster = arguments.expected.read()?;
    let (readings, knowledge) = (arguments.readings.as_deref(), arguments.knowledge.as_deref());
    let explaining = explaining(readings, knowledge, &arguments.harness)?;
    let options = Options {
        roster,
        precursors: arguments.before.is_asked(),
        findings: Some(Explaining { marks: marks(arguments)?, ..explaining }),
        ..arguments.reading.analysis(&arguments.limits)
    };
    let spool = arguments.before.spool(&arguments.captures)?;
    let analysed = match &spool {
        Some(spool) => spool.analyse(&options),
        None => progress::analyse_all(&arguments.captures, &options),
    };
    let mut analysis = match analysed.and_then(|own| arguments.before.confirm(own, &options)) {
        Ok(analysis) => analysis,
        Err(error) => return Err(failed(arguments, error)?),
    };
    arguments.identity.hide(&mut analysis);
    if !matches!(arguments.format, Format::Text) {
        told::kept_out(&analysis).iter().for_each(|text| eprintln!("lostnode: {text}"));
    }
    if let Some(folder) = &arguments.out {
        written(folder, &analysis)?;
    }
    printed(exit_code(&analysis), print(arguments, &analysis))
}

/// Puts it on standard output.
fn print(arguments: &Arguments, analysis: &Analysis) -> Result<(), Failure> {
    let mut out = BufWriter::new(anstream::AutoStream::auto(std::io::stdout()));
    match arguments.format {
        Format::Text => {
            let (width, brief) = (terminal_width(), arguments.brief);
            Text { width, brief, page: arguments.out.is_some(), ..Text::default() }
                .render(analysis, &mut out)?;
        }
        Format::Json => Json.render(analysis, &mut out)?,
        Format::Row => print_row(&Row::of(paths(arguments, analysis), analysis))?,
    }
    Ok(out.flush()?)
}

/// The marks of a capture: those that were named, or those that lie beside it.
fn marks(arguments: &Arguments) -> Result<Vec<Mark>, Failure> {
    match (arguments.captures.as_slice(), &arguments.marks) {
        ([_], Some(path)) => read_marks(path),
        ([capture], None) => {
            let path = marks_beside(capture);
            if path.is_file() { read_marks(&path) } else { Ok(Vec::new()) }
        }
        // Captures of several drives have no common clock.
        (_, Some(_)) => Err(Failure::message("--marks is for one capture")),
        (_, None) => Ok(Vec::new()),
    }
}

/// Writes the page, the document and the pictures of an analysis into a folder.
pub(super) fn written(folder: &Path, analysis: &Analysis) -> Result<(), Failure> {
    fs::create_dir_all(folder).map_err(|error| Failure::writing(folder, &error))?;
    write_file(folder, "report.json", |out| Json.render(analysis, out))?;
    write_file(folder, "report.html", |out| Html.render(analysis, out))?;
    let mut pictures: Vec<String> = Vec::new();
    for (at, drive) in analysis.each_drive().enumerate() {
        // Each drive has its own time line, and so its own pictures.
        let number = match analysis.drives.is_empty() {
            true => String::new(),
            false => format!("-{}", at + 1),
        };
        let (presence, load) = (format!("presence{number}.png"), format!("bus-load{number}.png"));
        write_file(folder, &presence, |out| PresencePlot.render(drive, out))?;
        write_file(folder, &load, |out| LoadPlot.render(drive, out))?;
        pictures.extend([presence, load]);
    }
    eprintln!(
        "lostnode: written into {}: report.html (to hand over), report.json, {}",
        folder.display(),
        pictures.join(", ")
    );
    Ok(())
}

/// What to say where there is no answer; a table has its row all the same.
fn failed(arguments: &Arguments, error: Error) -> Result<Failure, Failure> {
    if let (Error::Capture(error), Format::Row) = (&error, arguments.format) {
        print_row(&Row::refused(error.path.clone(), error))?;
    }
    let readings = arguments.readings.as_deref();
    Ok(no_answer(error, readings, &arguments.harness, &arguments.expected))
}

/// The captures as they were named, or without the numbers in their names.
fn paths(arguments: &Arguments, analysis: &Analysis) -> String {
    let named = || arguments.captures.iter().map(|path| path.display().to_string());
    let hidden = || analysis.captures.iter().map(|capture| capture.path.clone());
    let paths: Vec<String> = match arguments.identity.hide_identity {
        true => hidden().collect(),
        false => named().collect(),
    };
    paths.join(", ")
}

fn print_row(row: &Row) -> std::io::Result<()> {
    let mut out = std::io::stdout().lock();
    serde_json::to_writer(&mut out, row)?;
    writeln!(out)
}
