//! `lostnode compare`: whether a repair held.

use std::io::Write;
use std::path::PathBuf;

use clap::{Args, ValueEnum};

use super::options::{Expected, Identity, Limits, Reading};
use super::{CANNOT_TELL, FAILED, Failure, NOTHING_LOST, SOMETHING_LOST, progress, terminal_width};
use crate::Options;
use crate::analysis::Analysis;
use crate::compare;
use crate::compare::comparison::State;
use crate::render::json::comparison;
use crate::render::text::comparison as text;

/// Say whether a repair held, and how sure that is
///
/// Exit code 0: nothing was lost, or the repair held at 95 %; 1: something is still or newly lost;
/// 2: a capture could not be read; 3: not lost again, but not for long enough to be sure, or in
/// captures that cannot tell.
#[derive(Args)]
#[command(
    after_help = "Example: lostnode compare samples/van-door.log.gz samples/van-after.log.gz"
)]
pub struct Arguments {
    /// The capture from before the repair
    before: PathBuf,
    /// Captures from after it
    #[arg(required = true)]
    after: Vec<PathBuf>,
    /// How to print the comparison
    #[arg(long, value_enum, default_value_t = Format::Text)]
    format: Format,
    #[command(flatten)]
    expected: Expected,
    #[command(flatten)]
    identity: Identity,
    #[command(flatten)]
    limits: Limits,
    #[command(flatten)]
    reading: Reading,
}

#[derive(Clone, Copy, ValueEnum)]
enum Format {
    Text,
    Json,
}

/// Runs the command.
///
/// # Errors
/// Where a capture cannot be read or the output not be written.
pub fn run(arguments: &Arguments) -> Result<u8, Failure> {
    let roster = arguments.expected.read()?;
    let options = Options { roster, ..arguments.reading.analysis(&arguments.limits) };
    let read = |path: &PathBuf| progress::analyse(path, &options);
    let mut before = read(&arguments.before)?;
    let mut after = arguments.after.iter().map(read).collect::<Result<Vec<_>, _>>()?;
    if arguments.identity.hide_identity {
        after.iter_mut().chain([&mut before]).for_each(Analysis::hide_names);
    }
    if before.span.is_none() || after.iter().all(|analysis| analysis.span.is_none()) {
        eprintln!(
            "lostnode: captures without time stamps cannot be compared: record with absolute \
             time stamps"
        );
        return Ok(FAILED);
    }
    let mut comparison_of = compare::compare(&before, &after);
    if arguments.identity.hide_identity {
        comparison_of.hide_identity();
    }
    let mut out = anstream::AutoStream::auto(std::io::stdout().lock());
    match arguments.format {
        Format::Text => text::render(&comparison_of, terminal_width(), &mut out)?,
        Format::Json => comparison::render(&comparison_of, &mut out)?,
    }
    out.flush()?;
    Ok(match comparison_of.verdict {
        State::NothingLost | State::Held => NOTHING_LOST,
        State::NotSure => CANNOT_TELL,
        State::StillLost | State::NewlyLost => SOMETHING_LOST,
    })
}
