//! Groups of arguments that several subcommands share, and the options they stand for.

use std::path::{Path, PathBuf};
use std::sync::Arc;

use clap::{Args, ValueEnum};

use super::Failure;
use super::files::{read_job, read_knowledge, read_roster, read_wiring};
use crate::analysis::Analysis;
use crate::capture::{self, Columns, Hider, Stamps};
use crate::roster_file::RosterFile;
use crate::settings::{Pair, Settings};
use crate::wiring_file::{WiringError, WiringFile};
use crate::{Error, Explaining, Options};

/// Over options that hardly anybody needs.
pub const RARELY: &str = "Rarely needed";

/// Limits of the analysis, shared by the commands that analyse.
#[derive(Args)]
#[command(next_help_heading = RARELY)]
pub struct Limits {
    /// Bit rate of the bus in bits per second (inferred if not given)
    #[arg(long, value_name = "BITS", value_parser = nominal_rate)]
    bit_rate: Option<f64>,
    /// Data bit rate of CAN FD in bits per second
    #[arg(long, value_name = "BITS", value_parser = data_rate)]
    data_bit_rate: Option<f64>,
    /// Periods of silence after which an identifier has timed out
    #[arg(
        long,
        value_name = "N",
        default_value_t = Settings::default().timeout_periods,
        value_parser = positive
    )]
    timeout_periods: f64,
    /// Shortest time-out in seconds
    #[arg(
        long,
        value_name = "SECONDS",
        default_value_t = Settings::default().timeout_floor,
        value_parser = positive
    )]
    timeout_floor: f64,
    /// Time-outs shorter than this many seconds are momentary losses, not outages
    #[arg(
        long,
        value_name = "SECONDS",
        default_value_t = Settings::default().shortest_outage,
        value_parser = positive
    )]
    shortest_outage: f64,
    /// Width of a bin of the bus load, in seconds
    #[arg(
        long,
        value_name = "SECONDS",
        default_value_t = Settings::default().load_bin,
        value_parser = positive
    )]
    load_bin: f64,
    /// Identifiers that carry diagnosis, REQUEST:RESPONSE or REQUEST:RESPONSE:ADDRESSING, such as
    /// 5C1:5D1:extended
    #[arg(long, value_name = "PAIR")]
    pair: Vec<Pair>,
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
    pub fn read(&self) -> Result<Option<Arc<RosterFile>>, Failure> {
        Ok(self.roster.as_deref().map(read_roster).transpose()?.map(Arc::new))
    }
}

/// What feeds whom, shared by the commands that say where a fault is.
#[derive(Args)]
pub struct Harness {
    /// What feeds which modules in the harness, as a wiring file (docs/wiring.md); a roster may
    /// hold it too
    #[arg(long, value_name = "FILE")]
    pub wiring: Option<PathBuf>,
}

impl Harness {
    /// The wiring file, where one was named.
    pub fn read(&self) -> Result<Option<Arc<WiringFile>>, Failure> {
        Ok(self.wiring.as_deref().map(read_wiring).transpose()?.map(Arc::new))
    }

    /// What is wrong with the wiring, told of the file that it stands in.
    pub fn about(&self, expected: &Expected, error: WiringError) -> Failure {
        match self.wiring.as_ref().or(expected.roster.as_ref()) {
            Some(path) => Failure::about(path, error),
            None => Failure::message(error),
        }
    }
}

/// What findings are drawn from, as it was named; without marks.
///
/// # Errors
/// Where a file is not as it has to be.
pub fn explaining(
    readings: Option<&Path>,
    knowledge: Option<&Path>,
    harness: &Harness,
) -> Result<Explaining, Failure> {
    Ok(Explaining {
        job: readings.map(read_job).transpose()?.unwrap_or_default(),
        knowledge: knowledge.map(read_knowledge).transpose()?.map(Arc::new),
        wiring: harness.read()?,
        marks: Vec::new(),
    })
}

/// Why there is no answer, told of the file that is wrong.
pub fn no_answer(
    error: Error,
    readings: Option<&Path>,
    harness: &Harness,
    expected: &Expected,
) -> Failure {
    match (error, readings) {
        (Error::Job(error), Some(path)) => Failure::about(path, error),
        (Error::Wiring(error), _) => harness.about(expected, error),
        (error, _) => error.into(),
    }
}

/// [`Stamps`], as an argument.
#[derive(Clone, Copy, ValueEnum)]
enum StampsMean {
    /// Decide from the first lines: stamps that keep falling back are relative ones
    Auto,
    /// Each stamp is a time (of day, or counted from the start)
    Absolute,
    /// Each stamp is the time since the line before
    Relative,
}

impl From<StampsMean> for Stamps {
    fn from(stamps: StampsMean) -> Stamps {
        match stamps {
            StampsMean::Auto => Stamps::Auto,
            StampsMean::Absolute => Stamps::Absolute,
            StampsMean::Relative => Stamps::Relative,
        }
    }
}

/// What captures mean whose form does not say it.
#[derive(Args)]
#[command(next_help_heading = RARELY)]
pub struct Meaning {
    /// Meaning of the time stamps of console text, and of log text with fewer than ten digits of
    /// seconds
    #[arg(long, value_enum, default_value_t = StampsMean::Auto)]
    stamps: StampsMean,
    /// Columns of a CSV capture, by name or by position from 1: time=Timestamp:ms,id=ID,data=D0..D7
    /// (docs/formats.md)
    #[arg(long, value_name = "ROLE=COLUMN,…")]
    columns: Option<Columns>,
}

impl Meaning {
    /// The options these arguments stand for.
    pub fn options(&self) -> capture::Options {
        let (stamps, columns) = (self.stamps.into(), self.columns.clone());
        capture::Options { stamps, columns, ..capture::Options::default() }
    }
}

/// How to read captures, shared by all commands that read one at a time.
#[derive(Args)]
#[command(next_help_heading = RARELY)]
pub struct Reading {
    #[command(flatten)]
    meaning: Meaning,
    /// Maximum number of reading threads (default: one per core, at most 8). The result is the same
    /// whatever you choose
    #[arg(long, value_name = "N")]
    threads: Option<usize>,
}

impl Reading {
    /// The options these arguments stand for.
    pub fn options(&self) -> capture::Options {
        let default = self.meaning.options();
        capture::Options { threads: self.threads.unwrap_or(default.threads), ..default }
    }

    /// The same for an analysis within these limits, without a roster and without findings.
    pub fn analysis(&self, limits: &Limits) -> Options {
        Options {
            reading: capture::Options { grouped: true, ..self.options() },
            settings: limits.settings(),
            roster: None,
            findings: None,
            precursors: false,
        }
    }
}

/// Whether what identifies the vehicle is left out.
#[derive(Args)]
pub struct Identity {
    /// Leave out VINs and part, serial and calibration numbers, so that the output can be shared
    #[arg(long)]
    pub hide_identity: bool,
}

impl Identity {
    /// What blanks frames, where that was asked for.
    pub fn hider(&self) -> Option<Hider> {
        self.hide_identity.then(Hider::default)
    }

    /// Leaves them out of an analysis, where that was asked for.
    pub fn hide(&self, analysis: &mut Analysis) {
        if self.hide_identity {
            analysis.hide_identity();
        }
    }
}

/// Whether a file that exists may be written over.
#[derive(Args)]
pub struct Overwriting {
    /// Overwrite files that exist
    #[arg(long)]
    force: bool,
}

impl Overwriting {
    /// Refuses a file that exists, unless it was asked for. What is no file (a pipe, a device)
    /// holds nothing that could be lost.
    ///
    /// # Errors
    /// Where the file exists.
    pub fn allow(&self, path: &Path) -> Result<(), Failure> {
        match std::fs::symlink_metadata(path) {
            Ok(found) if !self.force && (found.is_file() || found.is_symlink()) => Err(
                Failure::about(path, "exists already; another name, or --force to write over it"),
            ),
            _ => Ok(()),
        }
    }
}

/// Bit rates of CAN in bits per second: the highest of the arbitration phase, and of the data phase
/// with transceivers of signal improvement, are 1 and 8 Mbit/s (ISO 11898-2:2016, CiA 601-4; from
/// memory). Below 5 kbit/s no bus runs (common practice, no source).
const RATES: [f64; 3] = [5e3, 1e6, 8e6];

fn nominal_rate(text: &str) -> Result<f64, String> {
    rate(text, RATES[1])
}

fn data_rate(text: &str) -> Result<f64, String> {
    rate(text, RATES[2])
}

/// A bit rate. Most are called by their kilobits, which is a usual slip.
fn rate(text: &str, most: f64) -> Result<f64, String> {
    let value = positive(text)?;
    let meant = value * 1000.0;
    match value {
        _ if (RATES[0]..=most).contains(&value) => Ok(value),
        _ if (RATES[0]..=most).contains(&meant) => Err(format!("in bits per second: {meant}?")),
        _ => Err(format!("it lies between {} and {most} bits per second", RATES[0])),
    }
}

/// A number above zero, as an argument.
pub fn positive(text: &str) -> Result<f64, String> {
    match text.parse::<f64>() {
        Ok(value) if value > 0.0 && value.is_finite() => Ok(value),
        _ => Err(format!("`{text}` is not a number above zero")),
    }
}
