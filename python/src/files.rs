//! What is asked for, and the files that it is read from.

use std::fs::{self, File};
use std::ops::ControlFlow;
use std::path::{Path, PathBuf};
use std::sync::Arc;

use lostnode::analysis::Analysis;
use lostnode::capture::{self, Batch, Source, several};
use lostnode::fault::Job;
use lostnode::roster_file;
use lostnode::wiring_file::WiringFile;
use lostnode::{Explaining, Options, Recordings};

use crate::failure::Failure;
use crate::waiting::{Stop, Stoppable};

/// An analysis that is asked for.
#[derive(Default)]
pub struct Asked {
    pub roster: Option<PathBuf>,
    pub wiring: Option<PathBuf>,
    pub readings: Option<PathBuf>,
    pub threads: Option<usize>,
    /// Whether findings and what happened just before the losses are wanted.
    pub explained: bool,
}

impl Asked {
    fn options(&self) -> Result<Options, Failure> {
        let explaining = Explaining {
            job: read(self.readings.as_deref(), Job::parse)?.unwrap_or_default(),
            wiring: read(self.wiring.as_deref(), WiringFile::parse)?.map(Arc::new),
            ..Explaining::default()
        };
        let mut options = Options {
            roster: read(self.roster.as_deref(), roster_file::read)?.map(Arc::new),
            findings: self.explained.then_some(explaining),
            precursors: self.explained,
            ..Options::default()
        };
        options.reading.threads = self.threads.unwrap_or(options.reading.threads).max(1);
        Ok(options)
    }

    /// One recording, or several drives of one vehicle.
    pub fn analyse(&self, paths: &[PathBuf], stop: &Stop) -> Result<Analysis, Failure> {
        let options = self.options()?;
        match paths {
            [path] => {
                let again = || open(path, stop).ok();
                Ok(lostnode::analyse_twice(open(path, stop)?, again, &options)?)
            }
            _ => Ok(recordings(paths, &options, stop)?.finish()?),
        }
    }

    /// The drives by themselves.
    pub fn drives(&self, paths: &[PathBuf], stop: &Stop) -> Result<Vec<Analysis>, Failure> {
        match paths {
            [_] => Ok(vec![self.analyse(paths, stop)?]),
            _ => Ok(recordings(paths, &self.options()?, stop)?.drives()),
        }
    }
}

fn recordings<'o>(
    paths: &[PathBuf],
    options: &'o Options,
    stop: &Stop,
) -> Result<Recordings<'o>, Failure> {
    let several::Order { parts, twice } = several::order(paths, &options.reading)?;
    let mut recordings = Recordings::new(options);
    for part in &parts {
        recordings.read(open(&part.path, stop)?, part, &options.reading)?;
    }
    let shown = |path: PathBuf| path.display().to_string();
    twice.into_iter().for_each(|(path, read)| recordings.leave_out(shown(path), shown(read)));
    Ok(recordings)
}

/// A capture that is read as long as it is wanted.
fn open(path: &Path, stop: &Stop) -> Result<Source, Failure> {
    let name = path.display().to_string();
    let failed = |error| {
        Failure::Capture(capture::Error { path: name.clone(), kind: capture::ErrorKind::Io(error) })
    };
    let file = File::open(path).map_err(failed)?;
    if file.metadata().is_ok_and(|found| found.is_dir()) {
        let told = "it is a folder; name the captures in it";
        return Err(failed(std::io::Error::new(std::io::ErrorKind::IsADirectory, told)));
    }
    Ok(Source::Reader { name, reader: Box::new(Stoppable { inner: file, stop: stop.clone() }) })
}

/// Reads a capture and hands on its batches, until one is not taken.
pub fn stream(
    path: &Path,
    threads: Option<usize>,
    stop: &Stop,
    mut take: impl FnMut(&Batch) -> Result<(), Failure> + Send,
) -> Result<(), Failure> {
    let default = capture::Options::default();
    let threads = threads.unwrap_or(default.threads).max(1);
    let mut failure = None;
    let options = capture::Options { threads, ..default };
    let read = capture::read_while(open(path, stop)?, &options, |batch| match take(batch) {
        Ok(()) => ControlFlow::Continue(()),
        Err(error) => {
            failure = Some(error);
            ControlFlow::Break(())
        }
    });
    if let Some(error) = failure {
        return Err(error);
    }
    let capture = read?;
    match capture.cut_short {
        Some(reason) => Err(Failure::CutShort { path: capture.path, reason }),
        None => Ok(()),
    }
}

/// A small file of text, as its reader has it.
fn read<T, E: std::fmt::Display>(
    path: Option<&Path>,
    parse: impl FnOnce(&str) -> Result<T, E>,
) -> Result<Option<T>, Failure> {
    let Some(path) = path else { return Ok(None) };
    let name = path.display().to_string();
    let text = fs::read_to_string(path).map_err(|error| Failure::about(&name, error))?;
    parse(&text).map(Some).map_err(|error| Failure::about(&name, error))
}
