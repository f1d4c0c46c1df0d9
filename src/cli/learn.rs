//! `lostnode learn`: a roster file from captures of a sound vehicle.

use std::fs;
use std::path::PathBuf;

use clap::Args;

use super::options::{Limits, Reading};
use super::{Failure, NOTHING_LOST, progress};
use crate::learn::learn;
use crate::words;

/// Write down what a sound vehicle sends, to find later what is missing
#[derive(Args)]
#[command(after_help = "Example: lostnode learn samples/van-after.log.gz -o van-roster.toml")]
pub struct Arguments {
    /// Captures in which nothing was lost; several are merged
    #[arg(required = true)]
    captures: Vec<PathBuf>,
    /// The roster file to write
    #[arg(short, long, value_name = "FILE")]
    out: PathBuf,
    #[command(flatten)]
    limits: Limits,
    #[command(flatten)]
    reading: Reading,
}

/// Runs the command.
///
/// # Errors
/// Where a capture cannot be read or the roster not be written.
pub fn run(arguments: &Arguments) -> Result<u8, Failure> {
    let options = arguments.reading.analysis(&arguments.limits);
    let analyse = |path: &PathBuf| progress::analyse(path, &options);
    let analyses = arguments.captures.iter().map(analyse).collect::<Result<Vec<_>, _>>()?;
    let learned = learn(&analyses);
    for remark in &learned.remarks {
        eprintln!("lostnode: {}", words::network::remark(remark));
    }
    let names: Vec<String> =
        arguments.captures.iter().map(|path| path.display().to_string()).collect();
    let heading = format!("Roster learned by lostnode from {}.", names.join(", "));
    let messages: usize =
        learned.roster.nodes.iter().map(|node| node.messages.len()).sum::<usize>()
            + learned.roster.lone.len();
    fs::write(&arguments.out, learned.roster.write(&heading))
        .map_err(|error| Failure::writing(&arguments.out, &error))?;
    println!(
        "{}: {} nodes, {messages} messages on a timer",
        arguments.out.display(),
        learned.roster.nodes.len()
    );
    Ok(NOTHING_LOST)
}
