//! `lostnode report`: the main job.

use std::fs::{self, File};
use std::io::{BufWriter, Write};
use std::path::{Path, PathBuf};

use clap::{Args, ValueEnum};

use super::{Failure, NOTHING_LOST, SOMETHING_LOST, progress};
use crate::analysis::Analysis;
use crate::analysis::build;
use crate::capture::{self, Capture, Columns, Options, Source, Stamps};
use crate::fault::{self, Job, Knowledge};
use crate::fold::Summary;
use crate::render::Renderer;
use crate::render::html::Html;
use crate::render::json::Json;
use crate::render::json::row::Row;
use crate::render::load_plot::LoadPlot;
use crate::render::presence_plot::PresencePlot;
use crate::render::text::Text;
use crate::roster_file::{self, RosterFile};
use crate::settings::Settings;

/// Say which node went quiet, when, and how far the trouble reaches
///
/// Exit code 0: nothing lost; 1: something lost; 2: the capture could not be read.
#[derive(Args)]
#[command(after_help = "Example: lostnode report samples/van-door.log.gz --out van-report")]
pub struct Arguments {
    /// The capture, plain, gzip or zstd; `-` reads standard input
    capture: PathBuf,
    /// How to print the report
    #[arg(long, value_enum, default_value_t = Format::Text)]
    format: Format,
    /// Also write report.html, report.json, presence.png and bus-load.png into this folder
    #[arg(long, value_name = "DIR")]
    out: Option<PathBuf>,
    #[command(flatten)]
    expected: Expected,
    /// What was measured, tried and done on the vehicle, as a job file
    #[arg(long, value_name = "FILE")]
    readings: Option<PathBuf>,
    /// Changes to the numbers behind the findings (docs/findings.md)
    #[arg(long, value_name = "FILE")]
    knowledge: Option<PathBuf>,
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

/// Limits of the analysis, shared by the commands that analyse.
#[derive(Args)]
pub struct Limits {
    /// Bit rate of the bus in bits per second (inferred where not given)
    #[arg(long, value_name = "BITS", value_parser = positive)]
    bit_rate: Option<f64>,
    /// Data bit rate of CAN FD in bits per second
    #[arg(long, value_name = "BITS", value_parser = positive)]
    data_bit_rate: Option<f64>,
    /// Periods of silence after which an identifier has timed out
    #[arg(long, value_name = "N", default_value_t = Settings::default().timeout_periods, value_parser = positive)]
    timeout_periods: f64,
    /// Shortest time-out in seconds
    #[arg(long, value_name = "SECONDS", default_value_t = Settings::default().timeout_floor, value_parser = positive)]
    timeout_floor: f64,
    /// Time-outs shorter than this many seconds are momentary losses, not outages
    #[arg(long, value_name = "SECONDS", default_value_t = Settings::default().shortest_outage, value_parser = positive)]
    shortest_outage: f64,
    /// Width of a bin of the bus load, in seconds
    #[arg(long, value_name = "SECONDS", default_value_t = Settings::default().load_bin, value_parser = positive)]
    load_bin: f64,
    /// Identifiers that carry diagnosis, REQUEST:RESPONSE or REQUEST:RESPONSE:ADDRESSING, such as
    /// 6F1:612:extended
    #[arg(long, value_name = "PAIR")]
    pair: Vec<crate::settings::Pair>,
}

impl Limits {
    /// The settings these arguments stand for.
    pub fn settings(&self) -> Settings {
        Settings {
            timeout_periods: self.timeout_periods,
            timeout_floor: self.timeout_floor,
            shortest_outage: self.shortest_outage,
            bit_rate: self.bit_rate,
            data_bit_rate: self.data_bit_rate,
            load_bin: self.load_bin,
            pairs: self.pair.clone(),
        }
    }
}

/// What is expected on the bus, shared by the commands that tell what is missing.
#[derive(Args)]
pub struct Expected {
    /// What is expected: a roster made by `lostnode learn`, or an AUTOSAR system description
    /// (.arxml)
    #[arg(long, value_name = "FILE")]
    pub roster: Option<PathBuf>,
}

impl Expected {
    /// The roster, where one was named.
    pub fn read(&self) -> Result<Option<RosterFile>, Failure> {
        self.roster.as_deref().map(read_roster).transpose()
    }
}

/// How to read captures, shared by all commands that do.
#[derive(Args)]
pub struct Reading {
    /// Meaning of the time stamps of console text
    #[arg(long, value_enum, default_value_t = Stamps::Auto)]
    stamps: Stamps,
    /// Columns of a CSV capture, by name or by position from 1: time=Timestamp:ms,id=ID,data=D0..D7
    /// (docs/formats.md)
    #[arg(long, value_name = "ROLE=COLUMN,…")]
    columns: Option<Columns>,
    /// Threads that read and parse (the result does not depend on it)
    #[arg(long, value_name = "N")]
    threads: Option<usize>,
}

impl Reading {
    /// The options these arguments stand for, with a progress display.
    pub fn options(&self) -> Options {
        let default = Options::default();
        Options {
            stamps: self.stamps,
            columns: self.columns.clone(),
            threads: self.threads.unwrap_or(default.threads),
            progress: Some(progress::update),
            ..default
        }
    }
}

/// A number above zero, as an argument.
pub fn positive(text: &str) -> Result<f64, String> {
    match text.parse::<f64>() {
        Ok(value) if value > 0.0 && value.is_finite() => Ok(value),
        _ => Err(format!("`{text}` is not a number above zero")),
    }
}

/// Runs the command.
///
/// # Errors
/// Where the capture cannot be read or a result not be written.
pub fn run(arguments: &Arguments) -> Result<u8, Failure> {
    // What is named and may be wrong is told of before a long capture has been read.
    let (roster, job) = (arguments.expected.read()?, read_job(arguments.readings.as_deref())?);
    let named = arguments.knowledge.as_deref().map(read_knowledge).transpose()?;
    let (settings, options) = (arguments.limits.settings(), arguments.reading.options());
    let (capture, summary) =
        match progress::during(&arguments.capture, |source| summarise(source, &settings, &options))
        {
            Ok(summarised) => summarised,
            Err(error) => {
                if matches!(arguments.format, Format::Row) {
                    print_row(&Row::unread(error.path.clone(), error.kind_text()))?;
                }
                return Err(error.into());
            }
        };
    let answer = || build::report(vec![capture], &summary, &settings, roster.as_ref());
    let (mut report, knowledge) = match named {
        Some(knowledge) => (answer(), knowledge),
        None if options.threads == 1 => (answer(), Knowledge::default()),
        // The answer is drawn on one thread, which leaves another for the built-in tables.
        None => std::thread::scope(|scope| {
            let knowledge = scope.spawn(Knowledge::default);
            (answer(), knowledge.join().unwrap_or_else(|panic| std::panic::resume_unwind(panic)))
        }),
    };
    let findings = fault::find(&report, &knowledge, &job);
    report.findings = Some(findings.map_err(|error| match &arguments.readings {
        Some(path) => Failure::message(format!("{}: {error}", path.display())),
        None => Failure::message(error),
    })?);
    if let Some(folder) = &arguments.out {
        fs::create_dir_all(folder).map_err(|error| Failure::writing(folder, &error))?;
        write_file(folder, "report.json", |out| Json.render(&report, out))?;
        write_file(folder, "report.html", |out| Html.render(&report, out))?;
        write_file(folder, "presence.png", |out| PresencePlot.render(&report, out))?;
        write_file(folder, "bus-load.png", |out| LoadPlot.render(&report, out))?;
    }
    let mut out = BufWriter::new(anstream::AutoStream::auto(std::io::stdout()));
    match arguments.format {
        Format::Text => Text::default().render(&report, &mut out)?,
        Format::Json => Json.render(&report, &mut out)?,
        Format::Row => print_row(&Row::of(arguments.capture.display().to_string(), &report))?,
    }
    out.flush()?;
    Ok(if report.lost().next().is_some() { SOMETHING_LOST } else { NOTHING_LOST })
}

fn print_row(row: &Row) -> std::io::Result<()> {
    let mut out = std::io::stdout().lock();
    serde_json::to_writer(&mut out, row)?;
    writeln!(out)
}

fn read_text(path: &Path) -> Result<String, Failure> {
    fs::read_to_string(path)
        .map_err(|error| Failure::message(format!("{}: cannot be read: {error}", path.display())))
}

/// The built-in knowledge with the changes of a file.
pub fn read_knowledge(path: &Path) -> Result<Knowledge, Failure> {
    Knowledge::with(&read_text(path)?)
        .map_err(|error| Failure::message(format!("{}: {error}", path.display())))
}

fn read_job(path: Option<&Path>) -> Result<Job, Failure> {
    let Some(path) = path else { return Ok(Job::default()) };
    Job::parse(&read_text(path)?)
        .map_err(|error| Failure::message(format!("{}: {error}", path.display())))
}

/// Reads a roster file, or an AUTOSAR system description, told apart by what is in it.
fn read_roster(path: &Path) -> Result<RosterFile, Failure> {
    let text = read_text(path)?;
    let xml = text.trim_start_matches('\u{feff}').trim_start().starts_with('<');
    let roster = if xml { roster_file::from_arxml(&text) } else { RosterFile::parse(&text) };
    roster.map_err(|error| Failure::message(format!("{}: {error}", path.display())))
}

/// Reads a capture and draws its report.
///
/// # Errors
/// Where the capture cannot be read.
pub fn analyse(
    path: &Path,
    limits: &Limits,
    reading: &Reading,
    roster: Option<&RosterFile>,
) -> Result<Analysis, capture::Error> {
    progress::during(path, |source| {
        report_of(source, &limits.settings(), &reading.options(), roster)
    })
}

/// From a capture to its report.
///
/// # Errors
/// Where the capture cannot be read.
pub fn report_of(
    source: Source,
    settings: &Settings,
    options: &Options,
    roster: Option<&RosterFile>,
) -> Result<Analysis, capture::Error> {
    let (capture, summary) = summarise(source, settings, options)?;
    Ok(build::report(vec![capture], &summary, settings, roster))
}

/// From a capture to what is kept of its frames.
///
/// # Errors
/// Where the capture cannot be read.
fn summarise(
    source: Source,
    settings: &Settings,
    options: &Options,
) -> Result<(Capture, Summary), capture::Error> {
    let mut summary = Summary::on(settings, options.threads);
    let options = Options { grouped: true, ..options.clone() };
    let capture = capture::read(source, &options, |batch| summary.push(batch))?;
    summary.finish();
    Ok((capture, summary))
}

/// Writes one result under a temporary name and moves it into place, so that a broken run leaves no
/// half file.
pub fn write_file(
    folder: &Path,
    name: &str,
    render: impl FnOnce(&mut (dyn Write + Send)) -> std::io::Result<()>,
) -> Result<(), Failure> {
    let path = folder.join(name);
    // The process is in the name: two runs do not write into one file.
    let unfinished = folder.join(format!(".{name}.{}.unfinished", std::process::id()));
    let written = File::create(&unfinished).and_then(|file| {
        let mut out = BufWriter::new(file);
        render(&mut out)?;
        out.flush()?;
        fs::rename(&unfinished, &path)
    });
    written.map_err(|error| {
        let _ = fs::remove_file(&unfinished);
        Failure::writing(&path, &error)
    })
}
