//! `lostnode wiring`: a wiring file to fill in.

use std::path::PathBuf;

use clap::Args;

use super::files::{read_roster, write_over};
use super::looking::Looking;
use super::options::Overwriting;
use super::{Failure, NOTHING_LOST};
use crate::analysis::Analysis;
use crate::wiring::{Guess, guesses};
use crate::wiring_file::{Element, Named, WiringFile};
use crate::words;
use crate::words::terms::plural;

/// Begin a wiring file: what feeds which modules, to fill in from the wiring diagram
///
/// If you give a capture, modules that dropped out together are entered as a first guess.
#[derive(Args)]
#[command(after_help = "Example: lostnode wiring samples/van-roster.toml -o van-wiring.toml")]
pub struct Arguments {
    /// The roster, for the names of the modules
    roster: PathBuf,
    /// A capture in which modules were lost together
    capture: Option<PathBuf>,
    /// The wiring file to write
    #[arg(short, long, value_name = "FILE")]
    out: PathBuf,
    #[command(flatten)]
    overwriting: Overwriting,
    #[command(flatten)]
    looking: Looking,
}

/// Runs the command.
///
/// # Errors
/// Where a file cannot be read or the wiring file not be written.
pub fn run(arguments: &Arguments) -> Result<u8, Failure> {
    // What was filled in by hand is not lost for a slip of the finger.
    arguments.overwriting.allow(&arguments.out)?;
    let roster = std::sync::Arc::new(read_roster(&arguments.roster)?);
    let nodes: Vec<String> = roster.nodes.iter().map(|node| node.name.clone()).collect();
    let analysis = match &arguments.capture {
        Some(capture) => Some(arguments.looking.analyse(capture, Some(roster))?),
        None => None,
    };
    let guesses: Vec<(&Analysis, Guess)> = analysis
        .iter()
        .flat_map(|analysis| guesses(analysis).into_iter().map(move |guess| (analysis, guess)))
        .collect();
    let elements: Vec<Element> = guesses
        .iter()
        .enumerate()
        .map(|(at, (analysis, guess))| element(analysis, guess, at + 1))
        .collect();
    let heading = match elements.len() {
        0 => "Wiring file begun by lostnode: nothing is filled in yet.\n# Example:\n\
              # [[element]]\n# name = \"ground point behind the step\"\n# kind = \"ground\"\n\
              # feeds = [\"name of a node\"]\n# access = \"trim of the left step\"\n\
              # minutes = 12"
            .replace("\n# ", "\n"),
        count => format!(
            "Wiring file begun by lostnode: {} that nodes lost together may share.\nNobody has \
             looked at a wiring diagram yet: check kind, feeds and name of each.",
            plural(count, "guess at something", "guesses at something")
        ),
    };
    let text = WiringFile { elements: elements.clone(), described: None }.write(&heading, &nodes);
    write_over(&arguments.out, &text)?;
    println!(
        "{}: {}; fill in the rest from the wiring diagram",
        arguments.out.display(),
        plural(elements.len(), "guess", "guesses")
    );
    Ok(NOTHING_LOST)
}

/// A guess as an element, named after what it rests on.
fn element(analysis: &Analysis, guess: &Guess, number: usize) -> Element {
    let times = match guess.times {
        1 => "once".to_owned(),
        times => format!("{times} times"),
    };
    let feeds = guess.nodes.iter().map(|node| Named {
        name: words::wiring::to_name(analysis, *node),
        line: 0,
        also: Vec::new(),
    });
    Element {
        name: format!("guess {number}: lost together {times}"),
        kind: guess.kind,
        carries: guess.carries,
        feeds: feeds.collect(),
        access: None,
        minutes: None,
    }
}
