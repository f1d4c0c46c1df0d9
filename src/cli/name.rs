//! `lostnode name`: names for the nodes of a roster, from unplugging.

use std::path::PathBuf;

use clap::Args;

use super::files::{read_roster_text, write_over};
use super::looking::Looking;
use super::naming::{BEFORE_YOU_UNPLUG, Renamed, Times};
use super::options::Overwriting;
use super::{CANNOT_TELL, Failure};
use crate::words;

/// Give the modules of a roster their names, from when each was unplugged
///
/// Unplug one module after another while you record, and note when. Whatever fell silent at that
/// time, the address that did not answer a tester and the module named in the codes set at that
/// time are one module: it gets that name in the roster, which serves every later report.
///
/// Exit code 0: all names are given; 2: something could not be read or written, or a time does not
/// fit the capture; 3: at least one module could not be named; the output says why.
#[derive(Args)]
#[command(after_help = format!(
    "{BEFORE_YOU_UNPLUG}\n\nExample: lostnode name van-roster.toml samples/van-unplugged.log.gz \
     --unplugged \"sliding door\"=28..56 -o named.toml"
))]
pub struct Arguments {
    /// The roster, made by `lostnode learn`
    roster: PathBuf,
    /// The recording in which modules were unplugged
    capture: PathBuf,
    #[command(flatten)]
    times: Times,
    /// The roster file to write; the roster itself if not given, which needs --force
    #[arg(short, long, value_name = "FILE")]
    out: Option<PathBuf>,
    #[command(flatten)]
    overwriting: Overwriting,
    #[command(flatten)]
    looking: Looking,
}

/// Runs the command.
///
/// # Errors
/// Where a file cannot be read or written, or a time does not fit the capture.
pub fn run(arguments: &Arguments) -> Result<u8, Failure> {
    let out = arguments.out.as_ref().unwrap_or(&arguments.roster);
    arguments.overwriting.allow(out)?;
    let times = arguments.times.read()?;
    if times.is_empty() {
        return Err(Failure::message(
            "say when which module was unplugged: --unplugged \"NAME\"=FROM..TO, or \
             --unplugged-file FILE",
        ));
    }
    let (text, roster) = read_roster_text(&arguments.roster)?;
    let analysis = arguments.looking.analyse(&arguments.capture, None)?;
    let renamed = Renamed::of(&text, &roster, &analysis, &times)?;
    renamed.say(&analysis)?;
    let (given, all) = renamed.given();
    if given == 0 {
        eprintln!("lostnode: no name could be given; nothing was written");
        return Ok(CANNOT_TELL);
    }
    write_over(out, &renamed.text)?;
    println!("{}", words::naming::written(&out.display().to_string(), given, all));
    Ok(renamed.code())
}
