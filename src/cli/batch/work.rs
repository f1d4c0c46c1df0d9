//! One capture: its results under temporary names, then in their place, its row last.

use std::fs;
use std::io;
use std::path::{Path, PathBuf};
use std::sync::Arc;
use std::sync::atomic::{AtomicUsize, Ordering};

use serde::{Deserialize, Serialize};

use super::Arguments;
use super::contents::{Summed, checksum};
use super::names::{Hidden, of_folder, shown};
use crate::analysis::marks::Mark;
use crate::capture::{self, Source};
use crate::cli::Failure;
use crate::cli::files::{marks_beside, read_knowledge, read_marks, write_file};
use crate::fault::Job;
use crate::render::Renderer;
use crate::render::html::Html;
use crate::render::json::Json;
use crate::render::json::row::{Outcome, Row};
use crate::{Error, Explaining, Options};

/// What is kept of a capture: what it was made from, and its row.
#[derive(Serialize, Deserialize)]
struct Kept {
    made_from: String,
    /// A VIN was read, and left out.
    #[serde(default, skip_serializing_if = "std::ops::Not::not")]
    vin_hidden: bool,
    #[serde(flatten)]
    row: Row,
}

/// File of a capture's row.
pub(super) const ROW: &str = "row.json";
/// The files beside it.
const REPORTS: [&str; 2] = ["report.json", "report.html"];

/// What became of a capture in this run.
pub(super) struct Done {
    /// Its row.
    pub row: Row,
    /// The vehicle it is of.
    pub vehicle: Vehicle,
    /// Stands for the bytes of the file, where all of them were read.
    pub contents: Option<String>,
    /// The folder of its results.
    pub folder: PathBuf,
}

/// Which vehicle a capture is of.
#[derive(Clone, Debug, PartialEq, Eq, PartialOrd, Ord)]
pub(super) enum Vehicle {
    /// That with this VIN.
    Vin(String),
    /// Nobody says: one by itself, as far as anybody knows.
    OfCapture(String),
    /// An earlier run has hidden it.
    Hidden,
}

/// A capture and where its results go.
pub(super) struct Place {
    /// The file.
    pub path: PathBuf,
    /// Its name in the table.
    pub name: String,
    /// The folder of its results.
    pub folder: PathBuf,
}

/// What all captures have in common.
pub(super) struct Work {
    pub folder: PathBuf,
    pub out: PathBuf,
    options: Options,
    /// Stands for all settings in the mark of a row.
    mark: String,
    pub resume: bool,
    /// Captures left out, since their row was there already.
    pub there: AtomicUsize,
    hide_identity: bool,
}

impl Work {
    pub fn new(arguments: &Arguments) -> Result<Work, Failure> {
        fs::create_dir_all(&arguments.out)
            .map_err(|error| Failure::writing(&arguments.out, &error))?;
        let whole = |path: &Path| {
            path.canonicalize().map_err(|error| {
                Failure::message(format!("{}: cannot be read: {error}", path.display()))
            })
        };
        let settings = arguments.limits.settings();
        let reading = arguments.meaning.options();
        let text = |path: &Option<PathBuf>| {
            path.as_ref().map(fs::read_to_string).transpose().ok().flatten()
        };
        let mark = format!(
            "lostnode {} {settings:?} {:?} {:?} {:?} {} {} {:?} {:?}",
            env!("CARGO_PKG_VERSION"),
            text(&arguments.expected.roster),
            text(&arguments.harness.wiring),
            text(&arguments.knowledge),
            arguments.identity.hide_identity,
            arguments.precursors,
            reading.stamps,
            reading.columns
        );
        // A named file may be wrong, which is told at once.
        let knowledge = arguments.knowledge.as_deref().map(read_knowledge).transpose()?;
        Ok(Work {
            folder: whole(&arguments.folder)?,
            out: whole(&arguments.out)?,
            options: Options {
                reading: capture::Options { grouped: true, ..reading },
                settings,
                roster: arguments.expected.read()?,
                findings: Some(Explaining {
                    knowledge: knowledge.map(Arc::new),
                    job: Job::default(),
                    wiring: arguments.harness.read()?,
                    marks: Vec::new(),
                }),
                precursors: arguments.precursors,
            },
            mark: format!("{:016X}", checksum(mark.as_bytes())),
            resume: arguments.resume,
            there: AtomicUsize::new(0),
            hide_identity: arguments.identity.hide_identity,
        })
    }

    /// Where the results of each capture go.
    pub fn places(&self, captures: Vec<PathBuf>) -> Vec<Place> {
        let relative = |path: &PathBuf| path.strip_prefix(&self.folder).map(Path::to_owned);
        let names: Vec<PathBuf> =
            captures.iter().map(|path| relative(path).unwrap_or(path.clone())).collect();
        let hidden = self.hide_identity.then(|| Hidden::of(names.iter().map(PathBuf::as_path)));
        let place = |(path, name): (PathBuf, PathBuf)| {
            let name = shown(&name);
            let name = hidden.as_ref().map_or(name.clone(), |hidden| hidden.in_place(&name));
            Place { path, folder: self.out.join(of_folder(&name)), name }
        };
        captures.into_iter().zip(names).map(place).collect()
    }

    /// The row of one capture, its results being in place; and one of its marks, where those cannot
    /// be read.
    pub fn capture(&self, place: &Place, threads: usize) -> Result<Vec<Done>, Failure> {
        let beside = marks_beside(&place.path);
        let (marks, told) = match beside.is_file().then(|| read_marks(&beside)) {
            None => (Vec::new(), None),
            Some(Ok(marks)) => (marks, None),
            Some(Err(Failure::Message(why))) => (Vec::new(), Some(why)),
            Some(Err(other)) => return Err(other),
        };
        let done = self.one(place, marks, threads)?;
        let of_marks = told.map(|why| {
            // The file that is meant stands before it.
            let why = why.split_once(": ").map_or(why.clone(), |(_, why)| why.to_owned());
            let name = format!("{}.marks", place.name);
            let row = Row::unread(name.clone(), format!("the marks of {}: {why}", place.name));
            let (vehicle, folder) = (Vehicle::OfCapture(name), place.folder.clone());
            Done { row, vehicle, contents: None, folder }
        });
        Ok(std::iter::once(done).chain(of_marks).collect())
    }

    fn one(&self, place: &Place, marks: Vec<Mark>, threads: usize) -> Result<Done, Failure> {
        // A pipe or a device would be waited for without end.
        if fs::metadata(&place.path).is_ok_and(|meta| !meta.is_file()) {
            return self.unread(place, "not a file".to_owned());
        }
        let unread = |error: io::Error| self.unread(place, format!("cannot be read: {error}"));
        // The same bytes with other marks are another report.
        let of_marks = match marks.as_slice() {
            [] => self.mark.clone(),
            marks => format!("{} {:016X}", self.mark, checksum(format!("{marks:?}").as_bytes())),
        };
        if self.resume
            && let Some(kept) = kept(&place.folder)
        {
            match Summed::open(&place.path).and_then(Summed::finish) {
                Ok(contents) if kept.made_from == format!("{contents} {of_marks}") => {
                    self.there.fetch_add(1, Ordering::Relaxed);
                    return Ok(self.again(place, kept, contents));
                }
                Ok(_) => {}
                Err(error) => return unread(error),
            }
        }
        let file = Summed::open(&place.path).and_then(|file| Ok((file.again()?, file)));
        let (file, reader) = match file {
            Ok(both) => both,
            Err(error) => return unread(error),
        };
        let source = Source::Reader { name: place.name.clone(), reader: Box::new(reader) };
        let (row, vehicle, folder) = self.report(place, source, marks, threads)?;
        // The bytes that were read, whatever becomes of the file meanwhile; those that cannot be
        // read to the end are read again by the next run.
        let (made_from, contents) = match file.finish() {
            Ok(contents) => (format!("{contents} {of_marks}"), Some(contents)),
            Err(error) => (error.to_string(), None),
        };
        let vin_hidden = self.hide_identity && matches!(vehicle, Vehicle::Vin(_));
        let row = write_row(&folder, Kept { made_from, vin_hidden, row })?;
        Ok(Done { row, vehicle, contents, folder })
    }

    /// A capture whose results are there.
    fn again(&self, place: &Place, kept: Kept, contents: String) -> Done {
        let Kept { vin_hidden, row, .. } = kept;
        let vehicle = match &row.vin {
            Some(vin) => Vehicle::Vin(vin.clone()),
            None if vin_hidden => Vehicle::Hidden,
            None => Vehicle::OfCapture(place.name.clone()),
        };
        let (row, folder) = (Row { path: place.name.clone(), ..row }, place.folder.clone());
        Done { row, vehicle, contents: Some(contents), folder }
    }

    /// A capture that could not be read. Of one that once could, no report stays beside its row.
    fn unread(&self, place: &Place, reason: String) -> Result<Done, Failure> {
        let mut row = Row::unread(place.name.clone(), reason);
        if place.folder.join(ROW).exists() {
            remove_reports(&place.folder)?;
            let (made_from, vin_hidden) = (String::new(), false);
            row = write_row(&place.folder, Kept { made_from, vin_hidden, row })?;
        }
        let (vehicle, folder) = (Vehicle::OfCapture(place.name.clone()), place.folder.clone());
        Ok(Done { row, vehicle, contents: None, folder })
    }

    /// Its row, its vehicle, and the folder of its report.
    fn report(
        &self,
        place: &Place,
        source: Source,
        marks: Vec<Mark>,
        threads: usize,
    ) -> Result<(Row, Vehicle, PathBuf), Failure> {
        let reading = capture::Options { threads, ..self.options.reading.clone() };
        let findings = self.options.findings.clone().map(|own| Explaining { marks, ..own });
        let options = Options { reading, findings, ..self.options.clone() };
        let again = || Source::Path(place.path.clone()).again();
        let of_capture = Vehicle::OfCapture(place.name.clone());
        let mut analysis = match crate::analyse_twice(source, again, &options) {
            Ok(analysis) => analysis,
            Err(Error::Capture(error)) => {
                remove_reports(&place.folder)?;
                let row = Row::refused(place.name.clone(), &error);
                return Ok((row, of_capture, place.folder.clone()));
            }
            Err(error) => return Err(error.into()),
        };
        let vehicle = analysis.diagnosis.vehicle.vin.clone().map_or(of_capture, Vehicle::Vin);
        let (mut name, mut folder) = (place.name.clone(), place.folder.clone());
        if self.hide_identity {
            analysis.hide_identity();
            // A number that its modules gave may stand in its name too.
            let hidden = analysis.captures.first().map(|capture| capture.path.clone());
            if let Some(hidden) = hidden.filter(|hidden| *hidden != name) {
                let sum = checksum(place.name.as_bytes());
                folder = self.out.join(format!("{}~{:04X}", of_folder(&hidden), sum & 0xFFFF));
                name = hidden;
            }
        }
        fs::create_dir_all(&folder).map_err(|error| Failure::writing(&folder, &error))?;
        write_file(&folder, "report.json", |out| Json.render(&analysis, out))?;
        write_file(&folder, "report.html", |out| Html.render(&analysis, out))?;
        Ok((Row::of(name, &analysis), vehicle, folder))
    }
}

/// What is kept of a capture, where its reports are there too.
fn kept(folder: &Path) -> Option<Kept> {
    let kept: Kept = serde_json::from_str(&fs::read_to_string(folder.join(ROW)).ok()?).ok()?;
    let has_none = matches!(kept.row.verdict, Outcome::NotRead | Outcome::NoCapture);
    (has_none || REPORTS.iter().all(|name| folder.join(name).is_file())).then_some(kept)
}

fn write_row(folder: &Path, kept: Kept) -> Result<Row, Failure> {
    fs::create_dir_all(folder).map_err(|error| Failure::writing(folder, &error))?;
    write_file(folder, ROW, |out| {
        serde_json::to_writer_pretty(out, &kept).map_err(io::Error::from)
    })?;
    Ok(kept.row)
}

/// Reports of what the file was before: what it is now has none.
fn remove_reports(folder: &Path) -> Result<(), Failure> {
    for path in REPORTS.iter().map(|name| folder.join(name)) {
        match fs::remove_file(&path) {
            Err(error) if error.kind() != io::ErrorKind::NotFound => {
                return Err(Failure::writing(&path, &error));
            }
            _ => {}
        }
    }
    Ok(())
}
