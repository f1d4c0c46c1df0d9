//! `lostnode batch`: a report for every capture below a folder, and one table over all of them.
//!
//! A capture's results are written under temporary names and moved into place, its row last: a row
//! that is there is whole. So a run that was stopped goes on with `--resume`, and two runs on one
//! folder do each other no harm.

mod contents;
mod totals;

use std::fs;
use std::io::{self, Write};
use std::path::{Path, PathBuf};
use std::sync::atomic::{AtomicUsize, Ordering};
use std::sync::{Arc, Mutex};

use clap::Args;
use indicatif::{ProgressBar, ProgressDrawTarget, ProgressStyle};
use serde::{Deserialize, Serialize};

use self::contents::{Summed, checksum};
use super::files::{read_knowledge, write_file};
use super::options::{Expected, Harness, Identity, Limits, RARELY};
use super::{CANNOT_TELL, FAILED, Failure, NOTHING_LOST, SOMETHING_LOST};
use crate::capture::{self, Source, lock};
use crate::fault::{Job, Knowledge};
use crate::render::Renderer;
use crate::render::html::Html;
use crate::render::json::Json;
use crate::render::json::row::{COLUMNS, Outcome, Row};
use crate::table::{Form, writer};
use crate::{Error, Explaining, Options};

/// Report on every capture below a folder
///
/// Writes a folder with report.json and report.html for each capture, and summary.csv and
/// summary.parquet over all. Exit code 0: nothing lost anywhere; 1: something lost; 2: a capture
/// could not be read, or a result not be written; 3: nothing lost, but a capture cannot tell.
#[derive(Args)]
#[command(after_help = "Example: lostnode batch captures --out batch-report --resume")]
pub struct Arguments {
    /// The folder; what is not a capture in it costs one row, and what plainly lies beside captures
    /// (a roster, a report, a picture) is no failure
    folder: PathBuf,
    /// Where the results go
    #[arg(long, value_name = "DIR")]
    out: PathBuf,
    /// Captures at a time
    #[arg(long, value_name = "N", default_value_t = capture::processors())]
    jobs: usize,
    /// Leave out captures whose row is there already, made from the same bytes with the same
    /// settings
    #[arg(long)]
    resume: bool,
    #[command(flatten)]
    expected: Expected,
    #[command(flatten)]
    harness: Harness,
    /// Changes to the numbers behind the findings
    #[arg(long, value_name = "FILE", help_heading = RARELY)]
    knowledge: Option<PathBuf>,
    /// Also look for what happened just before the losses, which reads captures with losses twice
    #[arg(long)]
    precursors: bool,
    #[command(flatten)]
    identity: Identity,
    #[command(flatten)]
    limits: Limits,
}

/// What is kept of a capture: what it was made from, and its row.
#[derive(Serialize, Deserialize)]
struct Kept {
    made_from: String,
    row: Row,
}

/// File of a capture's row.
const ROW: &str = "row.json";

struct Work {
    folder: PathBuf,
    out: PathBuf,
    options: Options,
    /// Stands for all settings in the mark of a row.
    mark: String,
    resume: bool,
    /// Captures left out, since their row was there already.
    there: AtomicUsize,
    hide_identity: bool,
}

/// Runs the command.
///
/// # Errors
/// Where the folder cannot be read or a result not be written.
pub fn run(arguments: &Arguments) -> Result<u8, Failure> {
    let work = Work::new(arguments)?;
    let captures = captures(&work.folder, &work.out)?;
    if captures.is_empty() {
        return Err(Failure::message(format!("{}: there is no file in it", work.folder.display())));
    }
    let bar = ProgressBar::with_draw_target(
        Some(captures.len() as u64),
        ProgressDrawTarget::stderr_with_hz(4),
    );
    if let Ok(style) =
        ProgressStyle::with_template("{bar:40} {pos}/{len} captures, {per_sec}, {eta} left")
    {
        bar.set_style(style);
    }
    let (next, rows, failure) = (AtomicUsize::new(0), Mutex::new(Vec::new()), Mutex::new(None));
    std::thread::scope(|scope| {
        for _ in 0..arguments.jobs.max(1) {
            scope.spawn(|| {
                loop {
                    let at = next.fetch_add(1, Ordering::Relaxed);
                    let Some(path) = captures.get(at) else { break };
                    // One thread each, but the last ones get those of the jobs that find none any
                    // more.
                    let threads = arguments.jobs / (captures.len() - at);
                    let threads = threads.clamp(1, capture::MOST_THREADS);
                    match work.capture(path, threads) {
                        Ok(row) => lock(&rows).push(row),
                        Err(error) => {
                            // A result that cannot be written ends the run: the disk is full, or
                            // the folder not ours.
                            lock(&failure).get_or_insert(error);
                            next.store(captures.len(), Ordering::Relaxed);
                        }
                    }
                    bar.inc(1);
                }
            });
        }
        // The built-in tables are needed when the first captures have been read, and not before.
        if arguments.knowledge.is_none() {
            Knowledge::built_in();
        }
    });
    bar.finish_and_clear();
    if let Some(failure) = lock(&failure).take() {
        return Err(failure);
    }
    let mut rows = std::mem::take(&mut *lock(&rows));
    rows.sort_by(|a, b| a.path.cmp(&b.path));
    write_file(&work.out, "summary.csv", |out| table(Form::Csv, &rows, out))?;
    write_file(&work.out, "summary.parquet", |out| table(Form::Parquet, &rows, out))?;
    if work.resume {
        let (there, all) = (work.there.into_inner(), rows.len());
        eprintln!(
            "lostnode: --resume: {there} of {all} were there already and not read again; {} were \
             read",
            all - there
        );
    }
    let mut out = std::io::stdout().lock();
    totals::print(&rows, &mut out)?;
    Ok(match () {
        () if rows.iter().any(|row| row.verdict == Outcome::NotRead) => FAILED,
        () if rows.iter().any(|row| row.verdict == Outcome::Lost) => SOMETHING_LOST,
        () if rows.iter().any(|row| row.verdict == Outcome::CannotTell) => CANNOT_TELL,
        () => NOTHING_LOST,
    })
}

impl Work {
    fn new(arguments: &Arguments) -> Result<Work, Failure> {
        fs::create_dir_all(&arguments.out)
            .map_err(|error| Failure::writing(&arguments.out, &error))?;
        let whole = |path: &Path| {
            path.canonicalize().map_err(|error| {
                Failure::message(format!("{}: cannot be read: {error}", path.display()))
            })
        };
        let settings = arguments.limits.settings();
        let text = |path: &Option<PathBuf>| {
            path.as_ref().map(fs::read_to_string).transpose().ok().flatten()
        };
        let mark = format!(
            "lostnode {} {settings:?} {:?} {:?} {:?} {} {}",
            env!("CARGO_PKG_VERSION"),
            text(&arguments.expected.roster),
            text(&arguments.harness.wiring),
            text(&arguments.knowledge),
            arguments.identity.hide_identity,
            arguments.precursors
        );
        // A named file may be wrong, which is told at once.
        let knowledge = arguments.knowledge.as_deref().map(read_knowledge).transpose()?;
        Ok(Work {
            folder: whole(&arguments.folder)?,
            out: whole(&arguments.out)?,
            options: Options {
                settings,
                roster: arguments.expected.read()?,
                findings: Some(Explaining {
                    knowledge: knowledge.map(Arc::new),
                    job: Job::default(),
                    wiring: arguments.harness.read()?,
                    marks: Vec::new(),
                }),
                precursors: arguments.precursors,
                ..Options::default()
            },
            mark: format!("{:016X}", checksum(mark.as_bytes())),
            resume: arguments.resume,
            there: AtomicUsize::new(0),
            hide_identity: arguments.identity.hide_identity,
        })
    }

    /// The row of one capture; its results are in place when it returns.
    fn capture(&self, path: &Path, threads: usize) -> Result<Row, Failure> {
        let relative = path.strip_prefix(&self.folder).unwrap_or(path);
        let name = relative.to_string_lossy().into_owned();
        let place = self.out.join(folder_name(relative));
        // A pipe or a device would be waited for without end.
        if fs::metadata(path).is_ok_and(|meta| !meta.is_file()) {
            return Ok(Row::unread(name, "not a file".to_owned()));
        }
        let unread =
            |error: io::Error| Ok(Row::unread(name.clone(), format!("cannot be read: {error}")));
        if self.resume
            && let Some(kept) = kept(&place)
        {
            match Summed::open(path).and_then(Summed::finish) {
                Ok(contents) if kept.made_from == format!("{contents} {}", self.mark) => {
                    self.there.fetch_add(1, Ordering::Relaxed);
                    return Ok(Row { path: name, ..kept.row });
                }
                Ok(_) => {}
                Err(error) => return unread(error),
            }
        }
        let (file, reader) = match Summed::open(path).and_then(|file| Ok((file.again()?, file))) {
            Ok(both) => both,
            Err(error) => return unread(error),
        };
        let row = self.report(
            path,
            Source::Reader { name: path.display().to_string(), reader: Box::new(reader) },
            threads,
            &name,
            &place,
        )?;
        // The bytes that were read, whatever becomes of the file meanwhile; those that cannot be
        // read to the end are read again by the next run.
        let made_from = match file.finish() {
            Ok(contents) => format!("{contents} {}", self.mark),
            Err(error) => error.to_string(),
        };
        let kept = Kept { made_from, row };
        fs::create_dir_all(&place).map_err(|error| Failure::writing(&place, &error))?;
        write_file(&place, ROW, |out| {
            serde_json::to_writer_pretty(out, &kept).map_err(io::Error::from)
        })?;
        Ok(kept.row)
    }

    fn report(
        &self,
        path: &Path,
        source: Source,
        threads: usize,
        name: &str,
        place: &Path,
    ) -> Result<Row, Failure> {
        let reading = capture::Options { threads, ..self.options.reading.clone() };
        let options = Options { reading, ..self.options.clone() };
        let again = || Source::Path(path.to_owned()).again();
        let mut analysis = match crate::analyse_twice(source, again, &options) {
            Ok(analysis) => analysis,
            Err(Error::Capture(error)) => {
                return Ok(Row::refused(name.to_owned(), &error));
            }
            Err(error) => return Err(error.into()),
        };
        if self.hide_identity {
            analysis.hide_identity();
        }
        fs::create_dir_all(place).map_err(|error| Failure::writing(place, &error))?;
        write_file(place, "report.json", |out| Json.render(&analysis, out))?;
        write_file(place, "report.html", |out| Html.render(&analysis, out))?;
        Ok(Row::of(name.to_owned(), &analysis))
    }
}

fn kept(place: &Path) -> Option<Kept> {
    serde_json::from_str(&fs::read_to_string(place.join(ROW)).ok()?).ok()
}

/// A name for the results of a capture: the parts of its path joined, what is not plain written as
/// a number, so that no name leads out of the folder and no two captures share one.
fn folder_name(relative: &Path) -> String {
    let mut out = String::new();
    for byte in relative.to_string_lossy().bytes() {
        match byte {
            b'/' => out.push_str("--"),
            b'.' if out.is_empty() => out.push_str("%2E"),
            b'a'..=b'z' | b'A'..=b'Z' | b'0'..=b'9' | b'.' | b'_' | b' ' => {
                out.push(char::from(byte))
            }
            b'-' if !out.ends_with('-') => out.push('-'),
            other => out.push_str(&format!("%{other:02X}")),
        }
    }
    out
}

/// All files below a folder, sorted; links to folders are not followed, and the results are left
/// out.
fn captures(folder: &Path, out: &Path) -> Result<Vec<PathBuf>, Failure> {
    let mut found = Vec::new();
    let mut folders = vec![folder.to_owned()];
    while let Some(folder) = folders.pop() {
        let entries = match fs::read_dir(&folder) {
            Ok(entries) => entries,
            // One folder that is not ours to read costs one row, not the run.
            Err(_) if !found.is_empty() || !folders.is_empty() => {
                found.push(folder);
                continue;
            }
            Err(error) => {
                return Err(Failure::message(format!(
                    "{}: cannot be read: {error}",
                    folder.display()
                )));
            }
        };
        for entry in entries.flatten() {
            let path = entry.path();
            match entry.file_type() {
                Ok(kind) if kind.is_dir() && path != out => folders.push(path),
                Ok(kind) if kind.is_dir() => {}
                Ok(kind) if kind.is_symlink() && path.is_dir() => {}
                _ => found.push(path),
            }
        }
    }
    found.sort();
    Ok(found)
}

fn table(form: Form, rows: &[Row], out: &mut (dyn Write + Send)) -> io::Result<()> {
    let mut table = writer(form, &COLUMNS, out)?;
    rows.iter().try_for_each(|row| table.row(&row.cells()))?;
    table.finish()
}

#[cfg(test)]
mod tests {
    use std::collections::BTreeSet;

    use super::*;

    #[test]
    fn names_of_results_stay_inside_and_apart() {
        let names: Vec<String> = ["a/b.log", "a--b.log", "../b", ".b", "a-/b", "a/-b", "ü"]
            .iter()
            .map(|path| folder_name(Path::new(path)))
            .collect();
        assert!(
            names.iter().all(|name| !name.contains('/') && !name.starts_with('.')),
            "{names:?}"
        );
        assert_eq!(names.iter().collect::<BTreeSet<_>>().len(), names.len(), "{names:?}");
    }
}
