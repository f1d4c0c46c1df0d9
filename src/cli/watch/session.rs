//! The side of the bus: frames into the analysis and under watch, and what happened out of it.

use std::path::PathBuf;
use std::sync::Arc;
use std::time::{Duration, Instant};

use lostnode_parsers::Timestamp;

use crate::analysis::marks::Mark;
use crate::analysis::{Analysis, Nanoseconds};
use crate::capture::{Batch, Capture, Source};
use crate::live::{Event, Pace, Watch};
use crate::{Analyser, Error, Options};

/// The analysis so far may take this share of the time while frames come in their own time.
const SHARE: u32 = 20;
/// It is asked who sends what this soon after the first frame, then after twice as long each, and
/// not more seldom than the last.
const FIRST_LESSON: Nanoseconds = 500_000_000;
const LAST_LESSON: Nanoseconds = 60_000_000_000;

/// A watch under way.
pub(super) struct Session<'o> {
    analyser: Analyser<'o>,
    pub watch: Watch,
    pace: Pace,
    capture: Capture,
    begun: Instant,
    /// When it learns next, by the capture's clock, and how long it waits then.
    lesson: Option<(Nanoseconds, Nanoseconds)>,
    /// The analysis is not asked before.
    rested: Instant,
}

impl<'o> Session<'o> {
    pub fn new(options: &'o Options, speed: Option<f64>) -> Self {
        let now = Instant::now();
        Session {
            analyser: Analyser::new(options),
            watch: Watch::new(options.settings.shortest_outage),
            pace: speed.map_or(Pace::default(), Pace::certain),
            capture: Capture::default(),
            begun: now,
            lesson: None,
            rested: now,
        }
    }

    fn since(&self, instant: Instant) -> Nanoseconds {
        let passed = instant.saturating_duration_since(self.begun);
        Nanoseconds::try_from(passed.as_nanos()).unwrap_or(Nanoseconds::MAX)
    }

    /// Takes frames that came at `arrived`.
    pub fn take(&mut self, batch: &Arc<Batch>, arrived: Instant) {
        self.capture.frames += batch.frames.len() as u64;
        let mut latest = None;
        for time in batch.frames.iter().filter_map(|frame| frame.time) {
            let (start, end) = self.capture.span.unwrap_or((time, time));
            self.capture.span = Some((start.min(time), end.max(time)));
            latest = latest.max(Some(time));
        }
        self.analyser.push(batch);
        self.watch.push(batch);
        if let Some(latest) = latest {
            self.pace.push(self.since(arrived), latest.nanoseconds());
        }
    }

    /// The source has looked, and there was nothing: so late it is at least.
    pub fn idle(&mut self, at: Instant) {
        if let Some(now) = self.pace.time(self.since(at)) {
            self.watch.tick(now);
        }
    }

    /// Looks what has happened.
    pub fn look(&mut self) -> Vec<Event> {
        let Some(clock) = self.watch.clock() else { return self.watch.events() };
        let (at, _) = *self.lesson.get_or_insert((clock + FIRST_LESSON, FIRST_LESSON));
        let (learns, judges) = (clock >= at, self.watch.wants_judging());
        if (learns || judges) && Instant::now() >= self.rested {
            let begun = Instant::now();
            let analysis = self.so_far(clock);
            let cost = begun.elapsed();
            if self.pace.is_paced() {
                self.rested = Instant::now() + cost.min(Duration::from_secs(3)) * SHARE;
            }
            if learns {
                let wait = self.lesson.map_or(FIRST_LESSON, |(_, wait)| wait * 2).min(LAST_LESSON);
                self.lesson = Some((clock + wait, wait));
                self.watch.learn(&analysis);
            }
            self.watch.judge(&analysis);
        }
        self.watch.events()
    }

    /// What the report would say if the recording ended now.
    fn so_far(&mut self, clock: Nanoseconds) -> Analysis {
        let clock = Timestamp::from_nanoseconds(clock);
        let span = self.capture.span.map(|(start, end)| (start, end.max(clock)));
        self.analyser.so_far(Capture { span, ..self.capture.clone() })
    }

    /// Nothing more comes: who is back of late is explained, where that waited for the analysis.
    pub fn end(&mut self) {
        let unexplained = self.watch.clock().filter(|_| self.watch.is_unexplained());
        let analysis = unexplained.map(|clock| self.so_far(clock));
        self.watch.end(analysis.as_ref());
    }

    /// The whole answer; `capture` is the account of what was read, and `saved` where it can be
    /// read again.
    ///
    /// # Errors
    /// Where the job does not fit the capture.
    pub fn finish(
        mut self,
        capture: Capture,
        marks: Vec<Mark>,
        saved: Option<PathBuf>,
    ) -> Result<Analysis, Error> {
        marks.into_iter().for_each(|mark| self.analyser.mark(mark));
        let again = saved.map(Source::Path).and_then(|saved| saved.again());
        self.analyser.finish_twice(capture, again)
    }
}
