//! Several captures of one vehicle: those that go on from each other are one recording.

use super::{Analyser, Error, Options, explained};
use crate::analysis::{Analysis, Notice};
use crate::capture::several::{Part, goes_on};
use crate::capture::{self, Capture, Source};

/// Captures of one vehicle, read one after another in order of time
/// ([`capture::several::order`]), each once.
#[derive(Debug)]
pub struct Recordings<'o> {
    options: &'o Options,
    under_way: Option<Run<'o>>,
    done: Vec<Analysis>,
    twice: Vec<Notice>,
}

/// A recording under way: files that go on from each other.
#[derive(Debug)]
struct Run<'o> {
    analyser: Analyser<'o>,
    captures: Vec<Capture>,
}

impl<'o> Recordings<'o> {
    /// Before the first file.
    pub fn new(options: &'o Options) -> Self {
        Recordings { options, under_way: None, done: Vec::new(), twice: Vec::new() }
    }

    /// Reads the next file, as `reading` says. Where it goes on from the one before it, its frames
    /// are folded into the same summaries; otherwise another recording begins.
    ///
    /// # Errors
    /// Where it cannot be read.
    pub fn read(
        &mut self,
        source: Source,
        part: &Part,
        reading: &capture::Options,
    ) -> Result<(), Error> {
        let end = self.under_way.as_ref().and_then(Run::end);
        if !part.begin.zip(end).is_some_and(|(begin, end)| goes_on(end, begin)) {
            self.close();
            if !self.done.is_empty() {
                return Err(Error::OtherDrive { path: source.name() });
            }
        }
        let Run { analyser, captures } = self.under_way.get_or_insert_with(|| Run {
            analyser: Analyser::new(self.options),
            captures: Vec::new(),
        });
        let channels = analyser.summary.channels.clone();
        let reading = capture::Options { channels, ..reading.clone() };
        captures.push(capture::read(source, &reading, |batch| analyser.push(batch))?);
        Ok(())
    }

    /// Notes a file that holds the same as another, which is read.
    pub fn leave_out(&mut self, path: String, read: String) {
        self.twice.push(Notice::SameTwice { path, read });
    }

    /// Ends the recording under way: its summaries become an analysis, and nothing else of it is
    /// kept.
    fn close(&mut self) {
        let done = self.under_way.take().map(|run| run.analyser.drawn(run.captures));
        self.done.extend(done);
    }

    /// What all of them show.
    ///
    /// # Errors
    /// Where the job does not fit them.
    pub fn finish(mut self) -> Result<Analysis, Error> {
        self.close();
        let mut analysis = self.done.pop().unwrap_or_default();
        analysis.notices.splice(0..0, self.twice);
        explained(analysis, self.options)
    }
}

impl Run<'_> {
    /// When the recording ends so far.
    fn end(&self) -> Option<lostnode_parsers::Timestamp> {
        Some(self.captures.last()?.span?.1)
    }
}
