//! Several captures of one vehicle: those that go on from each other are one recording, the others
//! are drives of their own, and the findings take the evidence of all together.

use super::{Analyser, Error, Options, explain, second};
use crate::analysis::{Analysis, KeptOut, Notice, build};
use crate::capture::several::{Part, goes_on};
use crate::capture::{self, Capture, Source};

/// Captures of one vehicle, read one after another in order of time
/// ([`capture::several::order`]), each once.
#[derive(Debug)]
pub struct Recordings<'o> {
    options: &'o Options,
    under_way: Option<Run<'o>>,
    done: Vec<Done>,
    twice: Vec<Notice>,
}

/// A recording under way: files that go on from each other.
#[derive(Debug)]
struct Run<'o> {
    analyser: Analyser<'o>,
    captures: Vec<Capture>,
    named: usize,
}

/// A recording that has been read.
#[derive(Debug)]
struct Done {
    analysis: Analysis,
    /// Place of the first of its files among those that were named.
    named: usize,
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
        }
        let Run { analyser, captures, named } = self.under_way.get_or_insert_with(|| Run {
            analyser: Analyser::new(self.options),
            captures: Vec::new(),
            named: part.named,
        });
        *named = part.named.min(*named);
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
        let Some(Run { analyser, captures, named }) = self.under_way.take() else { return };
        let analysis = analyser.close_and_draw(captures);
        // The same frames in another packing are the same drive.
        match self.done.iter().find(|known| holds_the_same(&known.analysis, &analysis)) {
            Some(known) => {
                let pairs = analysis.captures.iter().zip(&known.analysis.captures);
                let twice = |(own, read): (&Capture, &Capture)| Notice::SameTwice {
                    path: own.path.clone(),
                    read: read.path.clone(),
                };
                self.twice.extend(pairs.map(twice));
            }
            None => self.done.push(Done { analysis, named }),
        }
    }

    /// What all of them show: one recording, or several drives.
    ///
    /// # Errors
    /// Where the job does not fit them.
    pub fn finish(mut self) -> Result<Analysis, Error> {
        self.close();
        let kept_out = self.keep_out();
        let mut drives: Vec<Analysis> = self.done.into_iter().map(|done| done.analysis).collect();
        let mut analysis = match drives.len() {
            0 | 1 => drives.pop().unwrap_or_default(),
            _ => build::join(drives),
        };
        analysis.notices.splice(0..0, self.twice);
        analysis.kept_out = kept_out;
        let paths: Vec<String> =
            analysis.captures.iter().map(|capture| capture.path.clone()).collect();
        second::look(&mut analysis, self.options, |at| Source::Path(paths.get(at)?.into()).again());
        explain(analysis, self.options)
    }

    /// The drives by themselves, in order of time and without findings, whatever vehicle they are
    /// of.
    pub fn drives(mut self) -> Vec<Analysis> {
        self.close();
        let mut drives: Vec<Analysis> = self.done.into_iter().map(|done| done.analysis).collect();
        if let Some(first) = drives.first_mut() {
            first.notices.splice(0..0, self.twice);
        }
        drives
    }

    /// Takes away the drives of another vehicle than most are of; of two that are as many the one
    /// that was named first. A drive that tells no VIN is taken to be of this one.
    fn keep_out(&mut self) -> Vec<KeptOut> {
        let vin = |done: &Done| done.analysis.diagnosis.vehicle.vin.clone();
        let votes = |vin_of: &str| {
            let own = || self.done.iter().filter(|done| vin(done).as_deref() == Some(vin_of));
            let first = own().map(|done| done.named).min();
            (own().count(), std::cmp::Reverse(first))
        };
        let most = self.done.iter().filter_map(vin).max_by_key(|vin| votes(vin));
        let Some(vehicle) = most else { return Vec::new() };
        let other = |done: &Done| vin(done).is_some_and(|vin| vin != vehicle);
        let (out, kept): (Vec<Done>, Vec<Done>) = self.done.drain(..).partition(other);
        self.done = kept;
        let mut told = Vec::new();
        for done in out {
            let vin = vin(&done).unwrap_or_default();
            told.extend(done.analysis.captures.into_iter().map(|capture| KeptOut {
                path: capture.path,
                vin: vin.clone(),
                vehicle: vehicle.clone(),
            }));
        }
        told
    }
}

impl Run<'_> {
    /// When the recording ends so far.
    fn end(&self) -> Option<lostnode_parsers::Timestamp> {
        Some(self.captures.last()?.span?.1)
    }
}

/// Whether two recordings hold the same frames: as many in each file, of the same identifiers,
/// between the same time stamps, which no two drives have in common to the nanosecond.
fn holds_the_same(one: &Analysis, other: &Analysis) -> bool {
    let files = |analysis: &Analysis| -> Vec<_> {
        analysis.captures.iter().map(|capture| (capture.frames, capture.span)).collect()
    };
    let heard = |analysis: &Analysis| -> Vec<_> {
        analysis
            .identifiers
            .iter()
            .map(|own| (own.channel, own.id, own.frames, own.heard))
            .collect()
    };
    one.span.is_some() && files(one) == files(other) && heard(one) == heard(other)
}
