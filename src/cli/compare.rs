//! `lostnode compare`: whether a repair held.

use std::io::Write;
use std::path::PathBuf;

use clap::{Args, ValueEnum};

use super::options::{Expected, Harness, Identity, Limits, Reading};
use super::{
    CANNOT_TELL, FAILED, Failure, NOTHING_LOST, SOMETHING_LOST, printed, progress, terminal_width,
};
use crate::analysis::Analysis;
use crate::compare;
use crate::compare::comparison::State;
use crate::render::json::comparison;
use crate::render::text::comparison as text;
use crate::{Error, Explaining, Options};

/// Say whether a repair held, and how sure that is
///
/// Exit code 0: nothing was lost, or the repair held at 95 %; 1: something is still or newly lost;
/// 2: a capture could not be read; 3: not lost again so far, but the drive was too short to be sure
/// or a capture cannot tell.
#[derive(Args)]
#[command(
    override_usage = "lostnode compare [OPTIONS] BEFORE AFTER…\n       \
                      lostnode compare [OPTIONS] BEFORE… --after AFTER…",
    after_help = "Example: lostnode compare samples/van-door.log.gz samples/van-after.log.gz"
)]
pub struct Arguments {
    /// The capture from before the repair, then those from after it. With --after, every capture
    /// named here is from before it
    #[arg(required = true, value_name = "CAPTURE")]
    captures: Vec<PathBuf>,
    /// Captures from after the repair, if there are several from before it
    #[arg(long, num_args = 1.., value_name = "CAPTURE")]
    after: Vec<PathBuf>,
    /// How to print the comparison
    #[arg(long, value_enum, default_value_t = Format::Text)]
    format: Format,
    #[command(flatten)]
    expected: Expected,
    #[command(flatten)]
    harness: Harness,
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

impl Arguments {
    /// The captures from before the repair, and those from after it.
    fn sides(&self) -> Result<(&[PathBuf], &[PathBuf]), Failure> {
        match (self.after.as_slice(), self.captures.split_at(1)) {
            ([], (_, [])) => Err(Failure::message(
                "there is nothing to compare with; name a capture from after the repair too: \
                 lostnode compare BEFORE AFTER",
            )),
            ([], sides) => Ok(sides),
            (after, _) => Ok((&self.captures, after)),
        }
    }
}

/// Runs the command.
///
/// # Errors
/// Where a capture cannot be read or the output not be written.
pub fn run(arguments: &Arguments) -> Result<u8, Failure> {
    let roster = arguments.expected.read()?;
    let wiring = arguments.harness.read()?;
    let options = Options { roster, ..arguments.reading.analysis(&arguments.limits) };
    // Only a wiring file has something to say of the cause here.
    let told = options.roster.as_ref().is_some_and(|own| !own.wiring.elements.is_empty());
    let explaining = || Explaining { wiring: wiring.clone(), ..Explaining::default() };
    let findings = (told || wiring.is_some()).then(explaining);
    let explained = Options { findings, ..options.clone() };
    let (before, after) = arguments.sides()?;
    let mut before = progress::analyse_all(before, &explained).map_err(|error| match error {
        Error::Wiring(error) => arguments.harness.about(&arguments.expected, error),
        other => other.into(),
    })?;
    let mut after = progress::drives(after, &options)?;
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
    let code = match comparison_of.verdict {
        State::NothingLost | State::Held | State::Back => NOTHING_LOST,
        State::NotSure => CANNOT_TELL,
        State::StillLost | State::NewlyLost => SOMETHING_LOST,
    };
    let mut out = anstream::AutoStream::auto(std::io::stdout().lock());
    let done = match arguments.format {
        Format::Text => text::render(&comparison_of, terminal_width(), &mut out),
        Format::Json => comparison::render(&comparison_of, &mut out),
    };
    printed(code, done.and_then(|()| out.flush()).map_err(Failure::from))
}
