//! `lostnode batch`: a report for every capture below a folder, and one table over all of them.
//!
//! A capture's results are written under temporary names and moved into place, its row last: a row
//! that is there is whole. So a run that was stopped goes on with `--resume`, and two runs on one
//! folder do each other no harm.

mod contents;
mod folder;
mod names;
mod totals;
mod work;

use std::collections::BTreeSet;
use std::io::{self, Write};
use std::path::PathBuf;
use std::sync::Mutex;
use std::sync::atomic::{AtomicUsize, Ordering};

use clap::Args;
use indicatif::{ProgressBar, ProgressDrawTarget, ProgressStyle};

use self::work::{Done, Place, Work};
use super::files::write_file;
use super::options::{Expected, Harness, Identity, Limits, Meaning, RARELY};
use super::{CANNOT_TELL, FAILED, Failure, NOTHING_LOST, SOMETHING_LOST, printed};
use crate::capture::{self, lock};
use crate::fault::Knowledge;
use crate::render::json::row::{COLUMNS, Outcome};
use crate::table::{Form, writer};

/// Report on every capture in a folder tree
///
/// Writes a folder with report.json and report.html for each capture, and summary.csv and
/// summary.parquet over all. Exit code 0: nothing lost anywhere; 1: something lost; 2: a capture
/// could not be read, or a result not be written; 3: nothing lost, but a capture cannot tell.
#[derive(Args)]
#[command(after_help = "Example: lostnode batch captures --out batch-report --resume")]
pub struct Arguments {
    /// The folder. A file in it that is not a capture gets one row in the table; files that
    /// obviously belong beside captures (rosters, reports, pictures) are not counted as failures
    folder: PathBuf,
    /// Where the results go
    #[arg(long, value_name = "DIR")]
    out: PathBuf,
    /// How many captures to work on at once
    #[arg(long, value_name = "N", default_value_t = capture::processors())]
    jobs: usize,
    /// Skip captures that were already done with the same contents and settings
    #[arg(long)]
    resume: bool,
    #[command(flatten)]
    expected: Expected,
    #[command(flatten)]
    harness: Harness,
    /// Changes to the numbers behind the findings
    #[arg(long, value_name = "FILE", help_heading = RARELY)]
    knowledge: Option<PathBuf>,
    /// Also search for what happened just before each loss; captures with losses are then read
    /// twice
    #[arg(long)]
    precursors: bool,
    #[command(flatten)]
    identity: Identity,
    #[command(flatten)]
    limits: Limits,
    #[command(flatten)]
    meaning: Meaning,
}

/// Runs the command.
///
/// # Errors
/// Where the folder cannot be read or a result not be written.
pub fn run(arguments: &Arguments) -> Result<u8, Failure> {
    let work = Work::new(arguments)?;
    let captures = work.places(folder::captures(&work.folder, &work.out)?);
    if captures.is_empty() {
        return Err(Failure::message(format!("{}: there is no file in it", work.folder.display())));
    }
    let mut all = work_through(&work, &captures, arguments)?;
    all.sort_by(|a, b| a.row.path.cmp(&b.row.path));
    let [csv, parquet] = names::TABLES;
    write_file(&work.out, csv, |out| table(Form::Csv, &all, out))?;
    write_file(&work.out, parquet, |out| table(Form::Parquet, &all, out))?;
    if work.resume {
        let there = work.there.load(Ordering::Relaxed);
        eprintln!(
            "lostnode: --resume: {there} of {} were there already and not read again; {} were \
             read",
            all.len(),
            all.len() - there
        );
    }
    let places: BTreeSet<PathBuf> = all.iter().map(|done| done.folder.clone()).collect();
    let old = folder::left_over(&work.out, &places);
    if !old.is_empty() {
        eprintln!(
            "lostnode: {} holds results that this run did not make: {}; delete what is not wanted",
            arguments.out.display(),
            totals::some(&old)
        );
    }
    let has = |verdict: Outcome| all.iter().any(|done| done.row.verdict == verdict);
    let code = match () {
        () if has(Outcome::NotRead) => FAILED,
        () if has(Outcome::Lost) => SOMETHING_LOST,
        () if has(Outcome::CannotTell) => CANNOT_TELL,
        () => NOTHING_LOST,
    };
    let mut out = std::io::stdout().lock();
    let done = totals::print(&all, &mut out).and_then(|()| out.flush());
    printed(code, done.map_err(Failure::from))
}

/// Reports on all captures, several at a time.
fn work_through(
    work: &Work,
    captures: &[Place],
    arguments: &Arguments,
) -> Result<Vec<Done>, Failure> {
    let bar = ProgressBar::with_draw_target(
        Some(captures.len() as u64),
        ProgressDrawTarget::stderr_with_hz(4),
    );
    if let Ok(style) =
        ProgressStyle::with_template("{bar:40} {pos}/{len} captures, {per_sec}, {eta} left")
    {
        bar.set_style(style);
    }
    let (next, all, failure) = (AtomicUsize::new(0), Mutex::new(Vec::new()), Mutex::new(None));
    std::thread::scope(|scope| {
        for _ in 0..arguments.jobs.max(1) {
            scope.spawn(|| {
                loop {
                    let at = next.fetch_add(1, Ordering::Relaxed);
                    let Some(place) = captures.get(at) else { break };
                    // One thread each, but the last ones get those of the jobs that find none any
                    // more.
                    let threads = arguments.jobs / (captures.len() - at);
                    let threads = threads.clamp(1, capture::MOST_THREADS);
                    match work.capture(place, threads) {
                        Ok(done) => lock(&all).extend(done),
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
    Ok(std::mem::take(&mut *lock(&all)))
}

fn table(form: Form, all: &[Done], out: &mut (dyn Write + Send)) -> io::Result<()> {
    let mut table = writer(form, &COLUMNS, out)?;
    all.iter().try_for_each(|done| table.row(&done.row.cells()))?;
    table.finish()
}
