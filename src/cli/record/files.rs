//! Where a recording goes: standard output, a file, or one file after another.

use std::fs::File;
use std::io::{self, BufWriter, Write};
use std::path::{Path, PathBuf};
use std::time::{Duration, Instant};

use lostnode_parsers::candump;

use super::Failure;
use crate::capture::Batch;

/// Lines are handed to the system at least this often, so that a pulled plug costs little.
const FLUSH_EVERY: Duration = Duration::from_millis(500);

pub(in crate::cli) struct Files {
    path: Option<PathBuf>,
    most_bytes: Option<u64>,
    longest: Option<Duration>,
    out: Counted,
    begun: Instant,
    flushed: Instant,
    names: Vec<PathBuf>,
}

/// Counts what is written.
struct Counted {
    inner: BufWriter<Box<dyn Write + Send>>,
    bytes: u64,
}

impl Write for Counted {
    fn write(&mut self, buffer: &[u8]) -> io::Result<usize> {
        let written = self.inner.write(buffer)?;
        self.bytes += written as u64;
        Ok(written)
    }

    fn flush(&mut self) -> io::Result<()> {
        self.inner.flush()
    }
}

impl Files {
    pub fn new(
        path: Option<&Path>,
        megabytes: Option<f64>,
        minutes: Option<f64>,
    ) -> Result<Self, Failure> {
        let mut files = Files {
            path: path.map(Path::to_owned),
            most_bytes: megabytes.map(|megabytes| (megabytes * 1e6) as u64),
            longest: minutes.and_then(|minutes| Duration::try_from_secs_f64(minutes * 60.0).ok()),
            out: Counted { inner: BufWriter::new(Box::new(io::stdout())), bytes: 0 },
            begun: Instant::now(),
            flushed: Instant::now(),
            names: Vec::new(),
        };
        if path.is_some() {
            files.next()?;
        }
        Ok(files)
    }

    /// Begins the next file. One that exists is somebody's recording and is left alone.
    fn next(&mut self) -> Result<(), Failure> {
        let Some(path) = &self.path else { return Ok(()) };
        let name = match self.most_bytes.is_some() || self.longest.is_some() {
            true => numbered(path, self.names.len() + 1),
            false => path.clone(),
        };
        let file = File::create_new(&name).map_err(|error| match error.kind() {
            io::ErrorKind::AlreadyExists => {
                Failure::Message(format!("{}: exists already; choose another name", name.display()))
            }
            _ => Failure::writing(&name, &error),
        })?;
        self.flush()?;
        self.out = Counted { inner: BufWriter::with_capacity(1 << 16, Box::new(file)), bytes: 0 };
        self.begun = Instant::now();
        self.names.push(name);
        Ok(())
    }

    /// Writes frames, and begins a new file between two of them where it is time.
    pub fn write(&mut self, batch: &Batch) -> Result<(), Failure> {
        for frame in &batch.frames {
            let full = self.most_bytes.is_some_and(|most| self.out.bytes >= most);
            if full || self.longest.is_some_and(|longest| self.begun.elapsed() >= longest) {
                self.next()?;
            }
            let (time, channel) = (
                frame.time.unwrap_or_default(),
                batch.channels[usize::from(frame.channel)].as_str(),
            );
            let line = candump::Line { time, channel, kind: &frame.kind };
            writeln!(self.out, "{line}").map_err(|error| self.failed(error))?;
        }
        if self.flushed.elapsed() >= FLUSH_EVERY {
            self.flush()?;
        }
        Ok(())
    }

    fn flush(&mut self) -> Result<(), Failure> {
        self.flushed = Instant::now();
        self.out.flush().map_err(|error| self.failed(error))
    }

    fn failed(&self, error: io::Error) -> Failure {
        match self.names.last() {
            Some(name) => Failure::writing(name, &error),
            None => error.into(),
        }
    }

    /// Hands on what is left; the files that were written.
    pub fn finish(mut self) -> Result<Vec<PathBuf>, Failure> {
        self.flush()?;
        Ok(self.names)
    }
}

/// `drive.log` becomes `drive-0001.log`.
fn numbered(path: &Path, number: usize) -> PathBuf {
    let stem = path.file_stem().unwrap_or_default().to_string_lossy();
    let extension = path
        .extension()
        .map_or(String::new(), |extension| format!(".{}", extension.to_string_lossy()));
    path.with_file_name(format!("{stem}-{number:04}{extension}"))
}
