//! `lostnode learn`: a roster file from captures of a sound vehicle.

use std::fs;
use std::path::PathBuf;

use clap::Args;

use super::options::{Identity, Limits, Overwriting, Reading};
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
    overwriting: Overwriting,
    #[command(flatten)]
    identity: Identity,
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
    // Names given by hand are not lost for a slip of the finger.
    arguments.overwriting.allow(&arguments.out)?;
    let options = arguments.reading.analysis(&arguments.limits);
    let analyse = |path: &PathBuf| progress::analyse(path, &options);
    let mut analyses = arguments.captures.iter().map(analyse).collect::<Result<Vec<_>, _>>()?;
    analyses.iter_mut().for_each(|analysis| arguments.identity.hide(analysis));
    let learned = learn(&analyses);
    let remarks: Vec<String> = learned.remarks.iter().map(words::network::remark).collect();
    remarks.iter().for_each(|remark| eprintln!("lostnode: {remark}"));
    let of_nodes = learned.roster.nodes.iter().flat_map(|node| &node.messages);
    let messages = || of_nodes.clone().chain(learned.roster.lone.iter().map(|(_, own)| own));
    if messages().next().is_none() {
        return Err(Failure::message(
            "nothing was heard that a roster could hold; none was written",
        ));
    }
    let captures = analyses.iter().flat_map(|analysis| &analysis.captures);
    let names: Vec<&str> = captures.map(|capture| capture.path.as_str()).collect();
    let mut heading = format!("Roster learned by lostnode from {}.", names.join(", "));
    remarks.iter().for_each(|remark| heading.push_str(&format!("\n- {remark}")));
    fs::write(&arguments.out, learned.roster.write(&heading))
        .map_err(|error| Failure::writing(&arguments.out, &error))?;
    println!(
        "{}: {} nodes, {} identifiers, {} of them expected in every capture",
        arguments.out.display(),
        learned.roster.nodes.len(),
        messages().count(),
        messages().filter(|message| message.expected).count(),
    );
    Ok(NOTHING_LOST)
}
