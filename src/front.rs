//! The front door: from the bytes of a capture to the whole answer.
//!
//! [`analyse`] reads a capture to its end. An [`Analyser`] takes frames as they come, which is how
//! `lostnode record` shows what has gone silent while it records; `analyse` is made of it.

mod second;
mod several;

use std::fmt;
use std::sync::Arc;

use crate::analysis::marks::{self, Mark};
use crate::analysis::{Analysis, build};
use crate::capture::{self, Batch, Capture, Source};
use crate::fault::{self, Job, JobError, JobProblem, Knowledge};
use crate::fold::Summary;
use crate::roster_file::RosterFile;
use crate::settings::Settings;
use crate::wiring;
use crate::wiring_file::{WiringError, WiringFile};

pub use second::confirm;
pub use several::Recordings;

/// How to read a capture, and what is wanted of it.
#[derive(Clone, Debug)]
pub struct Options {
    /// How the capture is read.
    pub reading: capture::Options,
    /// Limits of the analysis.
    pub settings: Settings,
    /// What is expected on the bus, where that is known.
    pub roster: Option<Arc<RosterFile>>,
    /// What findings are drawn from; `None` where none are wanted.
    pub findings: Option<Explaining>,
    /// Whether what happened just before the losses is looked for. Captures that can be read again
    /// are then read twice, where something was lost three times and more.
    pub precursors: bool,
}

impl Default for Options {
    /// All there is to say of a capture of an unknown vehicle.
    fn default() -> Self {
        Options {
            // Frames are grouped by identifier on the threads that parse them.
            reading: capture::Options { grouped: true, ..capture::Options::default() },
            settings: Settings::default(),
            roster: None,
            findings: Some(Explaining::default()),
            precursors: true,
        }
    }
}

/// What findings are drawn from, beside the capture.
#[derive(Clone, Debug, Default)]
pub struct Explaining {
    /// Other numbers than those of [`Knowledge::built_in`].
    pub knowledge: Option<Arc<Knowledge>>,
    /// What was measured, tried and done on the vehicle.
    pub job: Job,
    /// What feeds whom in the harness; that of the roster where this is `None`.
    pub wiring: Option<Arc<WiringFile>>,
    /// What was being done while it was recorded.
    pub marks: Vec<Mark>,
}

impl Explaining {
    fn knowledge(&self) -> &Knowledge {
        self.knowledge.as_deref().unwrap_or_else(|| Knowledge::built_in())
    }
}

/// Why there is no answer.
#[derive(Debug)]
#[non_exhaustive]
pub enum Error {
    /// The capture cannot be read.
    Capture(capture::Error),
    /// The job names what this capture does not have.
    Job(JobError),
    /// The wiring file names what neither this capture nor the roster has.
    Wiring(WiringError),
}

impl fmt::Display for Error {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self {
            Error::Capture(error) => error.fmt(f),
            Error::Job(error) => error.fmt(f),
            Error::Wiring(error) => error.fmt(f),
        }
    }
}

// Each is shown as its own error, so the source is what lies below that.
impl std::error::Error for Error {
    fn source(&self) -> Option<&(dyn std::error::Error + 'static)> {
        match self {
            Error::Capture(error) => error.source(),
            Error::Job(error) => error.source(),
            Error::Wiring(error) => error.source(),
        }
    }
}

impl From<wiring::Error> for Error {
    fn from(error: wiring::Error) -> Self {
        match error {
            wiring::Error::Wiring(error) => Error::Wiring(error),
            wiring::Error::Job(error) => Error::Job(error),
        }
    }
}

impl From<capture::Error> for Error {
    fn from(error: capture::Error) -> Self {
        Error::Capture(error)
    }
}

/// Reads a capture and says what it shows.
///
/// ```
/// use lostnode::capture::Source;
/// use lostnode::settings::Settings;
///
/// // Two identifiers every 10 ms; the first is silent for a second in the middle.
/// let mut log = String::new();
/// for step in 0..400 {
///     let time = 1_700_000_000.0 + f64::from(step) * 0.01;
///     if !(150..250).contains(&step) {
///         log += &format!("({time:.6}) can0 1A0#00\n");
///     }
///     log += &format!("({time:.6}) can0 2B0#00\n");
/// }
/// let source = Source::Bytes { name: "example".into(), bytes: log.into_bytes() };
/// let options = lostnode::Options {
///     settings: Settings { bit_rate: Some(500_000.0), ..Settings::default() },
///     ..lostnode::Options::default()
/// };
/// let analysis = lostnode::analyse(source, &options)?;
/// assert_eq!(analysis.outages.len(), 1);
/// assert!((analysis.outages[0].duration() - 1.0).abs() < 0.02);
/// assert!(analysis.findings.is_some());
/// # Ok::<(), lostnode::Error>(())
/// ```
///
/// # Errors
/// Where the capture cannot be read, or the job does not fit it.
pub fn analyse(source: Source, options: &Options) -> Result<Analysis, Error> {
    let again = if options.precursors { source.again() } else { None };
    analyse_twice(source, || again, options)
}

/// As [`analyse`], where the caller knows how the same is read again: `again` is asked once the
/// capture has been read to its end, and where it has to be.
///
/// # Errors
/// Where the capture cannot be read, or the job does not fit it.
pub fn analyse_twice(
    source: Source,
    again: impl FnOnce() -> Option<Source>,
    options: &Options,
) -> Result<Analysis, Error> {
    let mut analyser = Analyser::new(options);
    let capture = capture::read(source, &options.reading, |batch| analyser.push(batch))?;
    let mut analysis = analyser.close_and_draw_aside(vec![capture]);
    let mut again = Some(again);
    second::look(&mut analysis, options, |_| again.take().and_then(|again| again()));
    add_marks(&mut analysis, options, Vec::new());
    explain(analysis, options)
}

/// An analysis under way, of frames that are pushed as they come.
///
/// ```
/// use std::sync::Arc;
/// use lostnode::capture::{self, Capture, Source};
///
/// let bytes = b"(1.000000) can0 123#00\n(1.100000) can0 123#00\n".to_vec();
/// let source = Source::Bytes { name: "example".into(), bytes };
/// let options = lostnode::Options::default();
/// let mut analyser = lostnode::Analyser::new(&options);
/// let capture = capture::read(source, &options.reading, |batch| analyser.push(batch)).unwrap();
/// assert_eq!(analyser.so_far(Capture::default()).identifiers[0].frames, 2);
/// assert_eq!(analyser.finish(capture)?.identifiers[0].frames, 2);
/// # Ok::<(), lostnode::Error>(())
/// ```
#[derive(Debug)]
pub struct Analyser<'o> {
    options: &'o Options,
    summary: Summary,
    /// Marks that were set meanwhile.
    marks: Vec<Mark>,
}

impl<'o> Analyser<'o> {
    /// Before the first frame.
    pub fn new(options: &'o Options) -> Self {
        let summary = Summary::on(&options.settings, options.reading.threads);
        Analyser { options, summary, marks: Vec::new() }
    }

    /// Takes the next frames. Each is folded into the summaries once and is not kept.
    pub fn push(&mut self, batch: &Arc<Batch>) {
        self.summary.push(batch);
    }

    /// Somebody says what is being done now.
    pub fn mark(&mut self, mark: Mark) {
        self.marks.push(mark);
    }

    /// What the frames so far show, if the recording ended now: at the end of the span of
    /// `capture`, where that is later than the last frame. Findings are left for the end.
    pub fn so_far(&mut self, capture: Capture) -> Analysis {
        self.summary.join();
        let span = self.summary.timing.span;
        if let (Some((begin, end)), Some((_, now))) = (span, capture.span) {
            self.summary.timing.span = Some((begin, end.max(now.nanoseconds())));
        }
        let analysis = self.draw(vec![capture]);
        self.summary.timing.span = span;
        analysis
    }

    /// What all the frames show; `capture` is the account of what was read.
    ///
    /// # Errors
    /// Where the job does not fit the capture.
    pub fn finish(self, capture: Capture) -> Result<Analysis, Error> {
        let options = Options { precursors: false, ..self.options.clone() };
        Analyser { options: &options, ..self }.finish_twice(capture, None)
    }

    /// As [`Analyser::finish`], with what went before the losses, for which the frames are read
    /// `again`: from the file that they were saved in.
    ///
    /// # Errors
    /// Where the job does not fit the capture.
    pub fn finish_twice(
        mut self,
        capture: Capture,
        again: Option<Source>,
    ) -> Result<Analysis, Error> {
        let (options, marks) = (self.options, std::mem::take(&mut self.marks));
        let mut analysis = self.close_and_draw_aside(vec![capture]);
        let mut again = again.filter(|_| options.precursors);
        second::look(&mut analysis, options, |_| again.take());
        add_marks(&mut analysis, options, marks);
        explain(analysis, options)
    }

    /// As [`Analyser::close_and_draw`], while another thread reads the tables that findings are
    /// drawn from, where there is one: the analysis is drawn on one thread.
    fn close_and_draw_aside(self, captures: Vec<Capture>) -> Analysis {
        let options = self.options;
        match (&options.findings, options.reading.threads) {
            (None, _) | (_, 1) => self.close_and_draw(captures),
            (Some(explaining), _) => std::thread::scope(|scope| {
                scope.spawn(|| explaining.knowledge());
                self.close_and_draw(captures)
            }),
        }
    }

    /// Ends the summaries and draws what all the frames show, those of several files that go on
    /// from each other; without marks and findings, which are added behind it.
    fn close_and_draw(mut self, captures: Vec<Capture>) -> Analysis {
        self.summary.finish();
        if captures.iter().any(|capture| capture.no_clock.is_some()) {
            self.summary.forget_times();
        }
        self.draw(captures)
    }

    /// What is kept of the frames, for looking at a stage of the analysis by itself.
    pub fn into_summary(mut self) -> Summary {
        self.summary.finish();
        self.summary
    }

    /// Draws what the summaries show as they are.
    fn draw(&self, captures: Vec<Capture>) -> Analysis {
        let Options { settings, roster, .. } = self.options;
        build::report(captures, &self.summary, settings, roster.as_deref())
    }
}

/// Adds the marks that were set while it was recorded to an analysis.
fn add_marks(analysis: &mut Analysis, options: &Options, own: Vec<Mark>) {
    let named = options.findings.iter().flat_map(|explaining| explaining.marks.iter().cloned());
    let all: Vec<Mark> = named.chain(own).collect();
    analysis.marks = marks::held(analysis, &all);
}

/// The last step: adds what explains an analysis, where that is asked for.
fn explain(mut analysis: Analysis, options: &Options) -> Result<Analysis, Error> {
    if let Some(explaining) = &options.findings {
        let findings = fault::find(&analysis, explaining.knowledge(), &explaining.job);
        let mut findings = findings.map_err(Error::Job)?;
        let roster = options.roster.as_deref();
        let of_roster = || roster.map(|roster| &roster.wiring);
        if let Some(file) = explaining.wiring.as_deref().or_else(of_roster)
            && !file.elements.is_empty()
        {
            let job = &explaining.job;
            wiring::place(&analysis, &mut findings, file, roster, job)?;
        } else if let Some(own) = explaining.job.at_elements().next() {
            let element = own.element.to_owned();
            let problem = JobProblem::UnknownElement { element, known: Vec::new() };
            return Err(Error::Job(JobError::AtLine { line: own.line, problem }));
        }
        analysis.findings = Some(findings);
    }
    Ok(analysis)
}
