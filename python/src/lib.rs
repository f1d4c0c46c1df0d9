//! `lostnode` for Python: the same analysis, tables as Arrow without a copy.
//!
//! All work is done on another thread, without the interpreter's lock, while the caller's thread
//! looks whether somebody pressed Ctrl-C.
#![deny(unsafe_code)]

mod arrow;
mod failure;
mod files;
mod waiting;

use std::fs::File;
use std::path::{Path, PathBuf};
use std::sync::mpsc::sync_channel;

use lostnode::analysis::Analysis;
use lostnode::capture::{self, frame_table};
use lostnode::compare;
use lostnode::fold::diagnostics::{Message, Transport};
use lostnode::render::Renderer;
use lostnode::render::json::{Json, comparison};
use lostnode::render::tables;
use lostnode::simulate::{self, Scenario};
use lostnode::table::{Cell, Column, Gathered, Sink};
use pyo3::prelude::*;

use arrow::{Batch, Batches};
use failure::Failure;
use files::Asked;
use waiting::{Stop, waited};

type Outcome = Result<(), Failure>;

/// Rows of a batch where nobody says how many: a group of rows of the Parquet files.
const ROWS: usize = 1 << 16;

/// One report on one capture or several of one vehicle, as the text of its JSON.
#[pyfunction]
#[pyo3(signature = (paths, roster=None, wiring=None, readings=None, hide_identity=false, threads=None))]
fn report(
    py: Python<'_>,
    paths: Vec<PathBuf>,
    roster: Option<PathBuf>,
    wiring: Option<PathBuf>,
    readings: Option<PathBuf>,
    hide_identity: bool,
    threads: Option<usize>,
) -> PyResult<String> {
    waited(py, move |stop| {
        let asked = Asked { roster, wiring, readings, threads, explained: true };
        let mut analysis = asked.analyse(&paths, stop)?;
        if hide_identity {
            analysis.hide_identity();
        }
        let mut out = Vec::new();
        Json.render(&analysis, &mut out).map_err(Failure::internal)?;
        text(out)
    })
}

/// Whether a repair held, as the text of its JSON.
#[pyfunction]
#[pyo3(signature = (before, after, roster=None, wiring=None, hide_identity=false, threads=None))]
fn compared(
    py: Python<'_>,
    before: Vec<PathBuf>,
    after: Vec<PathBuf>,
    roster: Option<PathBuf>,
    wiring: Option<PathBuf>,
    hide_identity: bool,
    threads: Option<usize>,
) -> PyResult<String> {
    waited(py, move |stop| {
        // Only a wiring file has something to say of the cause here.
        let explained = wiring.is_some();
        let asked = Asked { roster, wiring, readings: None, threads, explained };
        let mut earlier = asked.analyse(&before, stop)?;
        let later = Asked { explained: false, wiring: None, ..asked };
        let mut later = later.drives(&after, stop)?;
        if hide_identity {
            later.iter_mut().chain([&mut earlier]).for_each(Analysis::hide_names);
        }
        let mut told = compare::compare(&earlier, &later);
        if hide_identity {
            told.hide_identity();
        }
        let mut out = Vec::new();
        comparison::render(&told, &mut out).map_err(Failure::internal)?;
        text(out)
    })
}

fn text(bytes: Vec<u8>) -> Result<String, Failure> {
    String::from_utf8(bytes).map_err(Failure::internal)
}

/// The table of silences.
#[pyfunction]
#[pyo3(signature = (path, roster=None, threads=None))]
fn outages(
    py: Python<'_>,
    path: PathBuf,
    roster: Option<PathBuf>,
    threads: Option<usize>,
) -> PyResult<Batch> {
    waited(py, move |stop| {
        let asked = Asked { roster, threads, ..Asked::default() };
        let analysis = asked.analyse(&[path], stop)?;
        let rows = analysis.outages.iter().map(|one| tables::outage(&analysis, one));
        whole(&tables::OUTAGES, rows)
    })
}

/// The table of trouble codes.
#[pyfunction]
#[pyo3(signature = (path, threads=None))]
fn codes(py: Python<'_>, path: PathBuf, threads: Option<usize>) -> PyResult<Batch> {
    waited(py, move |stop| {
        let analysis = Asked { threads, ..Asked::default() }.analyse(&[path], stop)?;
        let rows = analysis.diagnosis.codes.iter().map(|code| tables::code(&analysis, code));
        whole(&tables::CODES, rows)
    })
}

/// A table of all rows at once.
fn whole<'a, const N: usize>(
    columns: &[Column],
    rows: impl Iterator<Item = [Cell<'a>; N]>,
) -> Result<Batch, Failure> {
    let mut table = Gathered::new(columns);
    for row in rows {
        table.row(&row).map_err(Failure::internal)?;
    }
    Ok(Batch::of(&mut table))
}

/// The frames of a capture, a batch of rows at a time.
#[pyfunction]
#[pyo3(signature = (path, rows=None, threads=None, hide_identity=false))]
fn frames(
    path: PathBuf,
    rows: Option<usize>,
    threads: Option<usize>,
    hide_identity: bool,
) -> PyResult<Batches> {
    let rows = rows.unwrap_or(ROWS).max(1);
    streamed(move |stop, put| {
        let mut table = Gathered::new(&frame_table::COLUMNS);
        let mut hider = hide_identity.then(capture::Hider::default);
        let ended = files::stream(&path, threads, stop, |batch| {
            for frame in &batch.frames {
                let channel = &batch.channels[usize::from(frame.channel)];
                match &mut hider {
                    Some(hider) => {
                        let mut hidden = frame.clone();
                        hider.hide(&mut hidden);
                        table.row(&frame_table::cells(&hidden, channel))
                    }
                    None => table.row(&frame_table::cells(frame, channel)),
                }
                .map_err(Failure::internal)?;
                if table.rows() >= rows {
                    put(Batch::of(&mut table))?;
                }
            }
            Ok(())
        });
        // The last batch may be empty: of it too a reader learns the columns. What could be read of
        // a file that ends early comes before the failure.
        put(Batch::of(&mut table))?;
        ended
    })
}

/// The diagnostic messages of a capture, a batch of rows at a time.
#[pyfunction]
#[pyo3(signature = (path, rows=None, threads=None, hide_identity=false))]
fn messages(
    path: PathBuf,
    rows: Option<usize>,
    threads: Option<usize>,
    hide_identity: bool,
) -> PyResult<Batches> {
    let rows = rows.unwrap_or(ROWS).max(1);
    streamed(move |stop, put| {
        let mut table = Gathered::new(&tables::MESSAGES);
        let mut transport = Transport::new(&[]);
        let mut hider = hide_identity.then(capture::Hider::default);
        let mut channels: Vec<String> = Vec::new();
        let mut failure = Ok(());
        let mut take = |message: &Message<'_>, channels: &[String], failure: &mut Outcome| {
            let channel = &channels[usize::from(message.channel)];
            let mut add = || -> Outcome {
                table.row(&tables::message(message, channel)).map_err(Failure::internal)?;
                if table.rows() >= rows {
                    put(Batch::of(&mut table))?;
                }
                Ok(())
            };
            if failure.is_ok() {
                *failure = add();
            }
        };
        let ended = files::stream(&path, threads, stop, |batch| {
            channels.clone_from(&batch.channels);
            for frame in &batch.frames {
                let mut frame = frame.clone();
                if let Some(hider) = &mut hider {
                    hider.hide(&mut frame);
                }
                transport.push(&frame, &mut |message| take(message, &channels, &mut failure));
            }
            std::mem::replace(&mut failure, Ok(()))
        });
        transport.finish(&mut |message| take(message, &channels, &mut failure));
        failure?;
        put(Batch::of(&mut table))?;
        ended
    })
}

/// Starts work that puts tables out one after the other, and waits for its reader after each.
fn streamed(
    work: impl FnOnce(&Stop, &mut arrow::Put<'_>) -> Result<(), Failure> + Send + 'static,
) -> PyResult<Batches> {
    let (sender, receiver) = sync_channel(1);
    let stop = Stop::default();
    let told = stop.clone();
    let spawn = std::thread::Builder::new().name("lostnode".to_owned()).spawn(move || {
        // A reader that has gone ends the work.
        let mut put = |batch| sender.send(Ok(batch)).map_err(|_| Failure::Stopped);
        if let Err(failure) = work(&told, &mut put) {
            let _ = sender.send(Err(failure));
        }
    });
    spawn?;
    Ok(Batches::new(receiver, stop))
}

/// Makes a capture of an invented bus; what really happened, as the text of its JSON.
#[pyfunction]
#[pyo3(signature = (scenario, out, seed=None, sound=false))]
fn simulated(
    py: Python<'_>,
    scenario: String,
    out: PathBuf,
    seed: Option<u64>,
    sound: bool,
) -> PyResult<String> {
    waited(py, move |stop| {
        let mut scenario =
            Scenario::parse(&scenario).map_err(|error| Failure::about("scenario", error))?;
        scenario.seed = seed.unwrap_or(scenario.seed);
        if sound {
            scenario.make_sound();
        }
        let truth = written(&scenario, &out, stop)
            .map_err(|error| Failure::about(&out.display().to_string(), error))?;
        serde_text(&truth)
    })
}

fn serde_text(truth: &simulate::Truth) -> Result<String, Failure> {
    serde_json::to_string(truth).map_err(Failure::internal)
}

/// Writes the capture, packed where its name ends in .gz or .zst.
fn written(scenario: &Scenario, path: &Path, stop: &Stop) -> std::io::Result<simulate::Truth> {
    let file = waiting::Stoppable { inner: File::create(path)?, stop: stop.clone() };
    simulate::run_packed(scenario, path, file)
}

/// What `lostnode/__init__.py` is made of.
#[pymodule]
fn _lostnode(module: &Bound<'_, PyModule>) -> PyResult<()> {
    let py = module.py();
    module.add("Error", py.get_type::<failure::Error>())?;
    module.add("CaptureError", py.get_type::<failure::CaptureError>())?;
    module.add("InputError", py.get_type::<failure::InputError>())?;
    module.add_class::<Batch>()?;
    module.add_class::<Batches>()?;
    module.add_function(wrap_pyfunction!(report, module)?)?;
    module.add_function(wrap_pyfunction!(compared, module)?)?;
    module.add_function(wrap_pyfunction!(outages, module)?)?;
    module.add_function(wrap_pyfunction!(codes, module)?)?;
    module.add_function(wrap_pyfunction!(frames, module)?)?;
    module.add_function(wrap_pyfunction!(messages, module)?)?;
    module.add_function(wrap_pyfunction!(simulated, module)?)
}
