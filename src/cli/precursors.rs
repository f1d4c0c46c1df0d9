//! Arguments about what happened just before the losses, and a pipe that is kept to be read twice.

use std::fs::{self, File, OpenOptions};
use std::io::{self, Read, Write};
use std::path::{Path, PathBuf};

use clap::Args;

use super::options::RARELY;
use super::{Failure, progress};
use crate::analysis::Analysis;
use crate::capture::Source;
use crate::{Error, Options};

/// Whether and how what happened just before the losses is looked for.
#[derive(Args)]
#[command(next_help_heading = RARELY)]
pub struct Before {
    /// Skip the search for what happened just before each loss, which reads every capture twice
    #[arg(long)]
    no_precursors: bool,
    /// A second capture, not used so far: check whether the same thing precedes the losses there
    #[arg(long, value_name = "CAPTURE", conflicts_with = "no_precursors")]
    confirm: Option<PathBuf>,
    /// Keep standard input in a temporary file until the end, so that it can be read twice
    #[arg(long, conflicts_with = "no_precursors")]
    spool: bool,
}

impl Before {
    /// Whether it is to be looked for.
    pub fn is_asked(&self) -> bool {
        !self.no_precursors
    }

    /// A place to keep standard input, where that is asked for and it is what is read.
    ///
    /// # Errors
    /// Where it cannot be made.
    pub fn spool(&self, captures: &[PathBuf]) -> Result<Option<Spool>, Failure> {
        let reads_input = captures.len() == 1 && captures[0] == Path::new("-");
        match self.spool && reads_input {
            true => Ok(Some(Spool::new()?)),
            false => Ok(None),
        }
    }

    /// The analysis, held against the capture that was kept back, where there is one.
    ///
    /// # Errors
    /// Where that cannot be read.
    pub fn confirm(&self, mut analysis: Analysis, options: &Options) -> Result<Analysis, Error> {
        if let Some(path) = &self.confirm {
            crate::confirm(&mut analysis, Source::Path(path.clone()), options)?;
        }
        Ok(analysis)
    }
}

/// A temporary file that is gone when this is dropped.
pub struct Spool {
    path: PathBuf,
    file: File,
}

impl Spool {
    fn new() -> Result<Spool, Failure> {
        let folder = std::env::temp_dir();
        for number in 0..1000 {
            let path = folder.join(format!("lostnode-{}-{number}", std::process::id()));
            let mut how = OpenOptions::new();
            how.write(true).create_new(true);
            // What was on the bus is nobody else's business.
            #[cfg(unix)]
            std::os::unix::fs::OpenOptionsExt::mode(&mut how, 0o600);
            match how.open(&path) {
                Ok(file) => return Ok(Spool { path, file }),
                Err(error) if error.kind() == io::ErrorKind::AlreadyExists => {}
                Err(error) => return Err(Failure::writing(&path, &error)),
            }
        }
        Err(Failure::message("no temporary file can be made for --spool"))
    }

    /// Reads and analyses standard input, keeping it.
    ///
    /// # Errors
    /// Where there is no answer.
    pub fn analyse(&self, options: &Options) -> Result<Analysis, Error> {
        let again = || Some(Source::Path(self.path.clone()));
        progress::during(Path::new("-"), &options.reading, true, |source, reading| {
            let name = source.name();
            let kept = self.file.try_clone().map(|file| {
                let inner: Box<dyn Read + Send> = match source {
                    Source::Reader { reader, .. } => reader,
                    _ => Box::new(io::stdin()),
                };
                Source::Reader { name, reader: Box::new(Kept { inner, file }) }
            });
            let source = kept.unwrap_or(Source::Path("-".into()));
            crate::analyse_twice(source, again, &Options { reading, ..options.clone() })
        })
    }
}

impl Drop for Spool {
    fn drop(&mut self) {
        // What cannot be taken away is left to the system, which clears its folder itself.
        let _ = fs::remove_file(&self.path);
    }
}

/// Writes what passes into a file.
struct Kept {
    inner: Box<dyn Read + Send>,
    file: File,
}

impl Read for Kept {
    fn read(&mut self, buffer: &mut [u8]) -> io::Result<usize> {
        let length = self.inner.read(buffer)?;
        self.file.write_all(&buffer[..length])?;
        Ok(length)
    }
}
