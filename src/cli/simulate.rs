//! `lostnode simulate`: a capture with known ground truth from a scenario file.

use std::fs::{self, File};
use std::io::{BufWriter, Write};
use std::path::{Path, PathBuf};

use clap::Args;

use super::files::write_over;
use super::options::Overwriting;
use super::{Failure, NOTHING_LOST};
use crate::simulate::{self, Scenario};

/// Make a capture of an invented bus, with a file that says what really happened
#[derive(Args)]
#[command(after_help = "Example: lostnode simulate samples/van-door.toml --out van-door.log.gz")]
pub struct Arguments {
    /// The scenario
    scenario: PathBuf,
    /// The capture to write, compressed if the name ends in .gz or .zst; the truth goes beside it
    /// as .truth.json. `-` writes the capture to standard output, and no truth
    #[arg(long, value_name = "FILE")]
    out: PathBuf,
    #[command(flatten)]
    overwriting: Overwriting,
    /// Leave out the troubles and the tester of the scenario: the same vehicle, sound
    #[arg(long)]
    sound: bool,
    /// Seed of the random numbers, instead of the scenario's
    #[arg(long)]
    seed: Option<u64>,
}

/// Runs the command.
///
/// # Errors
/// Where the scenario is wrong or a file cannot be written.
pub fn run(arguments: &Arguments) -> Result<u8, Failure> {
    let to_output = arguments.out == Path::new("-");
    let beside = truth_path(&arguments.out);
    if !to_output {
        arguments.overwriting.allow(&arguments.out)?;
        arguments.overwriting.allow(&beside)?;
    }
    let path = &arguments.scenario;
    let text = fs::read_to_string(path)
        .map_err(|error| Failure::message(format!("{}: {error}", path.display())))?;
    let mut scenario = Scenario::parse(&text)
        .map_err(|error| Failure::message(format!("{}: {error}", path.display())))?;
    if let Some(seed) = arguments.seed {
        scenario.seed = seed;
    }
    if arguments.sound {
        scenario.make_sound();
    }
    if to_output {
        let mut out = BufWriter::new(std::io::stdout().lock());
        simulate::run(&scenario, &mut out)?;
        out.flush()?;
        return Ok(NOTHING_LOST);
    }
    let out = &arguments.out;
    let truth = File::create(out).and_then(|file| simulate::run_packed(&scenario, out, file));
    let truth = truth.map_err(|error| Failure::writing(out, &error))?;
    let text = serde_json::to_string_pretty(&truth).map_err(Failure::message)?;
    write_over(&beside, &(text + "\n"))?;
    println!("{} and {} written", out.display(), beside.display());
    Ok(NOTHING_LOST)
}

/// `x.log.gz` → `x.truth.json`.
fn truth_path(capture: &Path) -> PathBuf {
    let name = capture.file_name().map_or_else(|| "capture".into(), |name| name.to_string_lossy());
    let stem = name.trim_end_matches(".gz").trim_end_matches(".zst").trim_end_matches(".log");
    capture.with_file_name(format!("{stem}.truth.json"))
}
