//! The command line: one file per subcommand, each from its arguments to the core to a renderer.

mod batch;
mod chunks;
mod codes;
mod compare;
mod explain;
mod files;
mod filter;
mod frames;
mod learn;
mod looking;
mod manual;
mod messages;
mod name;
mod naming;
mod options;
mod outages;
mod precursors;
mod progress;
mod record;
mod replay;
mod report;
mod schema;
mod simulate;
mod standard_input;
mod streaming;
mod watch;
mod wiring;

use std::fmt;
use std::io::{self, Write};
use std::process::ExitCode;

use clap::{Parser, Subcommand};

use crate::analysis::verdict::Verdict;
use crate::capture::plain::plain_lines;

/// Says from captures of CAN traffic which module went quiet, when, how far the trouble reaches and
/// why it looks so.
#[derive(Parser)]
#[command(name = "lostnode", version, about, max_term_width = 100)]
struct Arguments {
    #[command(subcommand)]
    command: Command,
}

/// In the order in which they are needed: beside the vehicle, over many captures, with a bus, to
/// try things out.
#[derive(Subcommand)]
enum Command {
    Report(report::Arguments),
    Compare(compare::Arguments),
    Explain(explain::Arguments),
    Codes(codes::Arguments),
    Messages(messages::Arguments),
    Outages(outages::Arguments),
    Frames(frames::Arguments),
    Learn(learn::Arguments),
    Name(name::Arguments),
    Wiring(wiring::Arguments),
    Batch(batch::Arguments),
    Watch(watch::Arguments),
    Record(record::Arguments),
    Replay(replay::Arguments),
    Simulate(simulate::Arguments),
    Schema(schema::Arguments),
    Manual(manual::Manual),
    Completions(manual::Completions),
}

/// Nothing lost, or the work is done.
pub const NOTHING_LOST: u8 = 0;
/// Something was lost.
pub const SOMETHING_LOST: u8 = 1;
/// Could not be read or written.
pub const FAILED: u8 = 2;
/// The captures prove neither; after a repair: not lost again, but not for long enough to be sure.
pub const CANNOT_TELL: u8 = 3;

/// The exit code of an analysis.
fn exit_code(analysis: &crate::analysis::Analysis) -> u8 {
    match analysis.verdict() {
        Verdict::SomethingLost => SOMETHING_LOST,
        Verdict::CannotTell => CANNOT_TELL,
        Verdict::NothingLost => NOTHING_LOST,
    }
}

/// What was worked out holds though nobody reads it to its end, as of `report … | head -1`.
fn printed(code: u8, done: Result<(), Failure>) -> Result<u8, Failure> {
    match done {
        Ok(()) | Err(Failure::BrokenPipe) => Ok(code),
        Err(failure) => Err(failure),
    }
}

/// Columns of a page on standard output: those of the terminal, or as COLUMNS says where there is
/// none.
fn terminal_width() -> usize {
    let terminal = terminal_size::terminal_size_of(io::stdout()).map(|(width, _)| width.0.into());
    let told = || std::env::var("COLUMNS").ok()?.trim().parse().ok();
    terminal.or_else(told).unwrap_or(crate::render::text::WIDTH)
}

/// What ends a command early.
#[derive(Debug)]
pub enum Failure {
    /// The reader of our output has gone; nobody needs a message.
    BrokenPipe,
    /// Shown to the user: what, where, and what to do.
    Message(String),
}

impl Failure {
    fn message(text: impl fmt::Display) -> Self {
        Failure::Message(text.to_string())
    }

    /// What is wrong with a file.
    fn about(path: &std::path::Path, error: impl fmt::Display) -> Self {
        Failure::Message(format!("{}: {error}", path.display()))
    }

    /// An output that cannot be written.
    fn writing(path: &std::path::Path, error: &io::Error) -> Self {
        Failure::Message(format!("{}: cannot be written: {error}", path.display()))
    }
}

impl From<crate::capture::Error> for Failure {
    fn from(error: crate::capture::Error) -> Self {
        Failure::message(error)
    }
}

impl From<crate::Error> for Failure {
    fn from(error: crate::Error) -> Self {
        Failure::message(error)
    }
}

impl From<io::Error> for Failure {
    fn from(error: io::Error) -> Self {
        match error.kind() {
            io::ErrorKind::BrokenPipe => Failure::BrokenPipe,
            // What there is to write does not suit the format.
            io::ErrorKind::InvalidInput => Failure::message(error),
            _ => Failure::Message(format!("standard output cannot be written: {error}")),
        }
    }
}

/// Runs the command line of this process.
pub fn run() -> ExitCode {
    let done = match Arguments::parse().command {
        Command::Report(arguments) => report::run(&arguments),
        Command::Frames(arguments) => frames::run(&arguments),
        Command::Batch(arguments) => batch::run(&arguments),
        Command::Codes(arguments) => codes::run(&arguments),
        Command::Compare(arguments) => compare::run(&arguments),
        Command::Explain(arguments) => explain::run(&arguments),
        Command::Learn(arguments) => learn::run(&arguments),
        Command::Name(arguments) => name::run(&arguments),
        Command::Wiring(arguments) => wiring::run(&arguments),
        Command::Completions(arguments) => manual::completions(&arguments),
        Command::Schema(arguments) => schema::run(&arguments),
        Command::Manual(arguments) => manual::manual(&arguments),
        Command::Messages(arguments) => messages::run(&arguments),
        Command::Outages(arguments) => outages::run(&arguments),
        Command::Watch(arguments) => watch::run(&arguments),
        Command::Record(arguments) => record::run(&arguments),
        Command::Replay(arguments) => replay::run(&arguments),
        Command::Simulate(arguments) => simulate::run(&arguments),
    };
    match done {
        Ok(code) => ExitCode::from(code),
        Err(Failure::BrokenPipe) => ExitCode::SUCCESS,
        Err(Failure::Message(message)) => {
            // Where the terminal has gone nobody reads it, and the exit code stays.
            let _ = writeln!(io::stderr(), "lostnode: {}", plain_lines(&message));
            ExitCode::from(FAILED)
        }
    }
}
