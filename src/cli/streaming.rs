//! What the commands share that put out a capture as they read it: the loop, the forms of a table,
//! the account of what was rejected.

use std::io::{self, BufWriter, IsTerminal, Write};
use std::ops::ControlFlow;
use std::path::Path;

use clap::ValueEnum;

use super::options::Reading;
use super::{Failure, progress};
use crate::capture::{self, Batch, Capture};
use crate::table::{self, Column, Form, Sink};

/// How to print: for people, or as a table.
#[derive(Clone, Copy, Debug, PartialEq, Eq, ValueEnum)]
pub enum Format {
    /// For people
    Text,
    /// Comma-separated values
    Csv,
    /// One JSON object a line
    Jsonl,
    /// Apache Parquet, for a file or a pipe
    Parquet,
}

/// Where records go on standard output.
pub enum Output<'c> {
    /// As lines for people.
    Text(BufWriter<io::Stdout>),
    /// As rows of a table.
    Table(Box<dyn Sink + Send + 'c>),
}

impl<'c> Output<'c> {
    /// In the form asked for, a table with these columns.
    ///
    /// # Errors
    /// Where the form does not suit the output, or it cannot be written.
    pub fn new(format: Format, columns: &'c [Column]) -> Result<Self, Failure> {
        let out = BufWriter::with_capacity(64 << 10, io::stdout());
        let form = match format {
            Format::Text => return Ok(Output::Text(out)),
            Format::Csv => Form::Csv,
            Format::Jsonl => Form::JsonLines,
            Format::Parquet if io::stdout().is_terminal() => {
                return Err(Failure::message(
                    "Parquet is not for a terminal; write it into a file: … --format parquet \
                     > frames.parquet",
                ));
            }
            Format::Parquet => Form::Parquet,
        };
        Ok(Output::Table(table::writer(form, columns, out)?))
    }

    /// Puts one record out: its cells, or its line.
    ///
    /// # Errors
    /// Where it cannot be written.
    pub fn put<'r, C: AsRef<[table::Cell<'r>]>>(
        &mut self,
        cells: impl FnOnce() -> C,
        line: impl FnOnce(&mut dyn Write) -> io::Result<()>,
    ) -> io::Result<()> {
        match self {
            Output::Text(out) => line(out),
            Output::Table(table) => table.row(cells().as_ref()),
        }
    }

    /// Ends what was put out.
    ///
    /// # Errors
    /// Where it cannot be written.
    pub fn finish(self) -> io::Result<()> {
        match self {
            Output::Text(mut out) => out.flush(),
            Output::Table(mut table) => table.finish(),
        }
    }
}

/// Whether what is put out goes into a file, so that a bar on the terminal disturbs nobody: a pipe
/// may lead to a program that writes there.
pub fn into_file() -> bool {
    #[cfg(unix)]
    {
        use std::os::fd::AsFd as _;
        let own = io::stdout().as_fd().try_clone_to_owned().map(std::fs::File::from);
        own.and_then(|own| own.metadata()).is_ok_and(|meta| meta.is_file())
    }
    #[cfg(not(unix))]
    false
}

/// Reads a capture and hands on its batches, until one cannot be written; with a bar where `bar`
/// says so.
pub fn stream(
    path: &Path,
    reading: &Reading,
    bar: bool,
    mut take: impl FnMut(&Batch) -> io::Result<()> + Send,
) -> Result<Capture, Failure> {
    let mut failure = None;
    let read = progress::during(path, &reading.options(), bar, |source, options| {
        capture::read_while(source, &options, |batch| match take(batch) {
            Ok(()) => ControlFlow::Continue(()),
            Err(error) => {
                failure = Some(error);
                ControlFlow::Break(())
            }
        })
    });
    match failure {
        Some(error) => Err(error.into()),
        None => read.map_err(Failure::message),
    }
}

/// Tells what was rejected and left out, once all else has been written; a capture that ends early
/// is a failure.
pub fn account(capture: &Capture) -> Result<(), Failure> {
    if capture.rejected > 0 {
        eprintln!("lostnode: {} of {} lines were no frames", capture.rejected, capture.lines);
        for rejected in &capture.rejections {
            eprintln!("  line {}: {}", rejected.line, rejected.reason);
        }
    }
    if capture.copies > 0 {
        eprintln!("lostnode: {} frames that were logged twice were left out", capture.copies);
    }
    if capture.strays > 0 {
        eprintln!("lostnode: {} stray time stamps were left out", capture.strays);
    }
    match &capture.cut_short {
        Some(why) => Err(Failure::Message(format!("{}: {why}", capture.path))),
        None => Ok(()),
    }
}

/// Prints text or rows, whichever was asked for, and ends the table.
pub fn rows<'r, T>(
    format: Format,
    columns: &[Column],
    all: impl Iterator<Item = T>,
    cells: impl Fn(T) -> Vec<table::Cell<'r>>,
    text: impl FnOnce(&mut dyn Write) -> io::Result<()>,
) -> Result<(), Failure> {
    if format == Format::Text {
        let mut out = anstream::AutoStream::auto(io::stdout().lock());
        text(&mut out)?;
        return Ok(out.flush()?);
    }
    let mut out = Output::new(format, columns)?;
    for one in all {
        out.put(|| cells(one), |_| Ok(()))?;
    }
    Ok(out.finish()?)
}
