//! Names from unplugging, as `name` and `learn` share them: the arguments, and what is said.

use std::io::{self, Write};
use std::path::PathBuf;

use clap::Args;

use super::files::read_unplugged;
use super::{CANNOT_TELL, Failure, NOTHING_LOST, terminal_width};
use crate::analysis::Analysis;
use crate::fault::advice;
use crate::learn::unplugged::{Naming, Unplugging, name};
use crate::roster_file::{Edit, RosterFile, edited};
use crate::words;

/// Stands in the help of the commands that take the times of an unplugging.
pub const BEFORE_YOU_UNPLUG: &str = "Before you unplug: the maker's procedure comes first. No \
airbag, belt, brake, steering or high-voltage module, and nothing you cannot identify from the \
wiring diagram. Ignition off before a plug or a fuse is pulled and before it goes back in; 15 s or \
more with the ignition on in between. Unplugging stores codes: save all codes first; afterwards, \
clear the ones this set, as the maker says.";

/// When modules were unplugged.
#[derive(Args)]
pub struct Times {
    /// Name of a module and when it was unplugged, or its fuse pulled, in seconds from the first
    /// frame, such as "sliding door"=31..45; may be given several times
    #[arg(long, value_name = "NAME=FROM..TO")]
    unplugged: Vec<String>,
    /// The same from a file, with name, from and to under each [[unplugged]]
    #[arg(long, value_name = "FILE")]
    unplugged_file: Option<PathBuf>,
}

impl Times {
    /// All of them, those of the file last.
    ///
    /// # Errors
    /// What is wrong, and where.
    pub fn read(&self) -> Result<Vec<Unplugging>, Failure> {
        let own = self.unplugged.iter().map(|text| text.parse().map_err(Failure::message));
        let mut all = own.collect::<Result<Vec<Unplugging>, _>>()?;
        if let Some(path) = &self.unplugged_file {
            all.extend(read_unplugged(path)?);
        }
        Ok(all)
    }
}

/// A roster with names, and what came of each.
pub struct Renamed {
    /// The text of the roster file.
    pub text: String,
    names: Vec<Naming>,
}

impl Renamed {
    /// Gives names to nodes of the roster that stands in `text`.
    ///
    /// # Errors
    /// Where a time does not fit the capture, or the file cannot be changed.
    pub fn of(
        text: &str,
        roster: &RosterFile,
        analysis: &Analysis,
        times: &[Unplugging],
    ) -> Result<Renamed, Failure> {
        if analysis.span.is_none() {
            return Err(Failure::message(
                "a capture without time stamps does not show when a module was unplugged: record \
                 with absolute time stamps",
            ));
        }
        let names = name(roster, analysis, times).map_err(Failure::message)?;
        let edits: Vec<Edit> = names
            .iter()
            .filter_map(|naming| naming.outcome.as_ref().ok())
            .map(|named| named.edit.clone())
            .collect();
        let text = edited(text, &edits).map_err(Failure::message)?;
        Ok(Renamed { text, names })
    }

    /// How many of the names were given, and of how many.
    pub fn given(&self) -> (usize, usize) {
        let given = self.names.iter().filter(|naming| naming.outcome.is_ok());
        (given.count(), self.names.len())
    }

    /// The exit code: whether all names could be given.
    pub fn code(&self) -> u8 {
        let (given, all) = self.given();
        if given == all { NOTHING_LOST } else { CANNOT_TELL }
    }

    /// Says what came of each name, and what to be careful of.
    ///
    /// # Errors
    /// Where standard output cannot be written.
    pub fn say(&self, analysis: &Analysis) -> io::Result<()> {
        let mut out = io::stdout().lock();
        let width = terminal_width();
        let mut line = |text: &str, first: &'static str, next: &'static str| {
            let options =
                textwrap::Options::new(width).initial_indent(first).subsequent_indent(next);
            writeln!(out, "{}", textwrap::fill(text, options))
        };
        for naming in &self.names {
            let told = words::naming::naming(analysis, naming);
            line(&told.heading, "", "  ")?;
            for text in &told.lines {
                line(text, "  ", "    ")?;
            }
        }
        line(&advice::unplugging().text, "CAUTION ", "  ")
    }
}
