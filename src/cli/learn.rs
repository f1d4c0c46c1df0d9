//! `lostnode learn`: a roster file from captures of a sound vehicle.

use std::path::PathBuf;

use clap::Args;

use super::files::write_over;
use super::looking::Looking;
use super::naming::{BEFORE_YOU_UNPLUG, Renamed, Times};
use super::options::Overwriting;
use super::{Failure, NOTHING_LOST};
use crate::learn::unplugged::explains;
use crate::learn::{Remark, learn};
use crate::words;

/// Write down what a sound vehicle sends, to find later what is missing
#[derive(Args)]
#[command(after_help = format!(
    "{BEFORE_YOU_UNPLUG}\n\nExample: lostnode learn samples/van-after.log.gz -o van-roster.toml"
))]
pub struct Arguments {
    /// Captures in which nothing was lost; several are merged
    #[arg(required = true)]
    captures: Vec<PathBuf>,
    /// The roster file to write
    #[arg(short, long, value_name = "FILE")]
    out: PathBuf,
    #[command(flatten)]
    times: Times,
    /// The capture in which modules were unplugged, if there are several; it need not be one of
    /// those learned from
    #[arg(long, value_name = "CAPTURE")]
    unplugged_in: Option<PathBuf>,
    #[command(flatten)]
    overwriting: Overwriting,
    #[command(flatten)]
    looking: Looking,
}

/// Runs the command.
///
/// # Errors
/// Where a capture cannot be read or the roster not be written.
pub fn run(arguments: &Arguments) -> Result<u8, Failure> {
    // Names given by hand are not lost for a slip of the finger.
    arguments.overwriting.allow(&arguments.out)?;
    let times = arguments.times.read()?;
    let shown = unplugged_in(arguments, !times.is_empty())?;
    let analyse = |path: &PathBuf| arguments.looking.analyse(path, None);
    let analyses = arguments.captures.iter().map(analyse).collect::<Result<Vec<_>, _>>()?;
    let mut learned = learn(&analyses);
    let place = shown.and_then(|path| arguments.captures.iter().position(|own| own == path));
    // What was unplugged was lost, and nobody need wonder.
    if let Some(own) = place.map(|at| &analyses[at]).filter(|own| explains(own, &times)) {
        let of_it = |path: &str| own.captures.iter().any(|capture| capture.path == path);
        learned
            .remarks
            .retain(|remark| !matches!(remark, Remark::Losses { capture, .. } if of_it(capture)));
    }
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
    let text = learned.roster.write(&heading);
    let counts = format!(
        "{} nodes, {} identifiers, {} of them expected in every capture",
        learned.roster.nodes.len(),
        messages().count(),
        messages().filter(|message| message.expected).count(),
    );
    let out = arguments.out.display();
    let Some(path) = shown else {
        write(arguments, &text)?;
        println!("{out}: {counts}");
        return Ok(NOTHING_LOST);
    };
    let apart = place.is_none().then(|| analyse(path)).transpose()?;
    let analysis = apart.as_ref().or(place.map(|at| &analyses[at]));
    let analysis = analysis.expect("it is one of those learned from, or was read apart");
    let renamed = Renamed::of(&text, &learned.roster, analysis, &times)?;
    renamed.say(analysis)?;
    write(arguments, &renamed.text)?;
    let (given, all) = renamed.given();
    println!("{out}: {counts}; {given} of {all} names given");
    Ok(renamed.code())
}

fn write(arguments: &Arguments, text: &str) -> Result<(), Failure> {
    write_over(&arguments.out, text)
}

/// The capture that the times of an unplugging are of, where there are any.
fn unplugged_in(arguments: &Arguments, any: bool) -> Result<Option<&PathBuf>, Failure> {
    match (&arguments.unplugged_in, arguments.captures.as_slice()) {
        (Some(_), _) if !any => {
            Err(Failure::message("--unplugged-in needs --unplugged or --unplugged-file"))
        }
        (Some(path), _) => Ok(Some(path)),
        (None, _) if !any => Ok(None),
        (None, [only]) => Ok(Some(only)),
        (None, _) => Err(Failure::message(
            "of several captures, say with --unplugged-in in which one the modules were unplugged",
        )),
    }
}
