//! The frames of a batch by identifier: what is kept of one can then be at hand for all its frames.

use lostnode_parsers::Id;

use super::Frame;
use super::text::ROUNDED;
use crate::ids::{ChannelIndex, Places};

/// The frames of a batch, sorted by channel and identifier.
#[derive(Debug, Default)]
pub struct Runs {
    all: Vec<Sorted>,
    /// Of one run after another.
    times: Vec<i64>,
    positions: Vec<u32>,
    places: Places,
    entries: Vec<Entry>,
    /// By run: how many time stamps; later on, where the next one goes.
    counts: Vec<u32>,
    course: Option<Course>,
}

/// How the time stamps of a batch go on, where each of its frames has one and none is an error
/// report.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Course {
    /// The channel of all its frames, where it is one.
    pub channel: Option<ChannelIndex>,
    /// Time stamp of the first frame, in nanoseconds.
    pub first: i64,
    /// Time stamp of the last frame.
    pub last: i64,
    /// As [`Run::steps`], from each frame to the next.
    pub steps: i64,
}

impl Course {
    /// Whether no frame is before the one before it, nor `gap` nanoseconds or more after it, the
    /// first one after a frame at `before`.
    ///
    /// ```
    /// use lostnode::capture::Course;
    /// let course = Course { channel: None, first: 10, last: 14, steps: 3 };
    /// assert!(course.is_close(8, 4) && !course.is_close(8, 3) && !course.is_close(6, 4) && !course.is_close(11, 4));
    /// ```
    pub fn is_close(&self, before: i64, gap: i64) -> bool {
        [self.steps, self.first.saturating_sub(before)].iter().all(|step| (0..gap).contains(step))
    }
}

/// Where in the lists a run is.
#[derive(Clone, Copy, Debug)]
struct Sorted {
    channel: ChannelIndex,
    id: Id,
    /// Frames without time stamp.
    untimed: u32,
    begin: u32,
    end: u32,
    steps: i64,
}

/// A frame, by position.
#[derive(Clone, Copy, Debug)]
struct Entry {
    time: i64,
    /// Which run it is of, or [`NONE`].
    run: u32,
}

/// No run: more than a batch can have.
const NONE: u32 = u32::MAX;

/// The data and remote frames of one identifier in a batch.
#[derive(Clone, Copy, Debug)]
pub struct Run<'r> {
    /// The channel.
    pub channel: ChannelIndex,
    /// The identifier.
    pub id: Id,
    /// How many frames, with or without time stamps.
    pub frames: u64,
    /// The time stamps in the order of the batch, in nanoseconds.
    pub times: &'r [i64],
    /// Positions in the batch of the frames that they are of.
    pub positions: &'r [u32],
    /// No step from one of them to the next is longer than this, and the longest is more than half
    /// of it; below zero where there are steps back.
    pub steps: i64,
}

impl Runs {
    /// Sorts frames, fewer than 2^32 - 1, in memory that may have been used before.
    pub fn of(frames: &[Frame], memory: Runs) -> Self {
        let mut runs = memory;
        runs.places.forget(runs.all.iter().map(|run| (run.channel, run.id)));
        runs.all.clear();
        runs.counts.clear();
        runs.entries.clear();
        // A few frames more than in the batch before would otherwise have the memory doubled.
        runs.entries.reserve(frames.len().next_multiple_of(ROUNDED));
        let mut rest = frames;
        while !rest.is_empty() {
            rest = &rest[runs.take_known(rest)..];
            if let [frame, others @ ..] = rest {
                runs.take_other(frame);
                rest = others;
            }
        }
        runs.course = runs.course_of_all();
        runs.fill();
        runs
    }

    /// Takes frames as long as they have a time stamp and are of identifiers that are known
    /// already; how many.
    fn take_known(&mut self, frames: &[Frame]) -> usize {
        let (places, counts, before) =
            (&self.places, self.counts.as_mut_slice(), self.entries.len());
        let known = frames.iter().map_while(|frame| {
            let (run, time) = (places.known(frame.channel, frame.kind.id()?)?, frame.time?);
            *counts.get_mut(run)? += 1;
            Some(Entry { time: time.nanoseconds(), run: run as u32 })
        });
        self.entries.extend(known);
        self.entries.len() - before
    }

    fn take_other(&mut self, frame: &Frame) {
        let mut entry = Entry { time: 0, run: NONE };
        if let Some(id) = frame.kind.id() {
            let run = self.places.of(frame.channel, id, usize::MAX).unwrap_or_default();
            if run == self.counts.len() {
                self.counts.push(0);
                self.all.push(Sorted {
                    channel: frame.channel,
                    id,
                    untimed: 0,
                    begin: 0,
                    end: 0,
                    steps: 0,
                });
            }
            match frame.time {
                Some(time) => {
                    self.counts[run] += 1;
                    entry = Entry { time: time.nanoseconds(), run: run as u32 };
                }
                None => self.all[run].untimed += 1,
            }
        }
        self.entries.push(entry);
    }

    fn course_of_all(&self) -> Option<Course> {
        let (first, last) = (self.entries.first()?, self.entries.last()?);
        let (mut before, mut steps, mut all) = (first.time, 0, true);
        for entry in &self.entries {
            steps |= entry.time.saturating_sub(before);
            before = entry.time;
            all &= entry.run != NONE;
        }
        let channel = self.all.first().map(|run| run.channel);
        let channel = channel.filter(|channel| self.all.iter().all(|run| run.channel == *channel));
        all.then_some(Course { channel, first: first.time, last: last.time, steps })
    }

    /// Puts times and positions where they belong: sorting by counting.
    fn fill(&mut self) {
        let mut next = 0;
        for (run, count) in self.all.iter_mut().zip(&mut self.counts) {
            run.begin = next;
            next += *count;
            run.end = next;
            *count = run.begin;
        }
        let rounded = (next as usize).next_multiple_of(ROUNDED);
        if self.times.len() < rounded {
            self.times.resize(rounded, 0);
            self.positions.resize(rounded, 0);
        }
        for (position, entry) in self.entries.iter().enumerate() {
            if let Some(next) = self.counts.get_mut(entry.run as usize) {
                let at = *next as usize;
                *next += 1;
                self.times[at] = entry.time;
                self.positions[at] = position as u32;
            }
        }
        for run in &mut self.all {
            let times = &self.times[run.begin as usize..run.end as usize];
            // What has all the bits of each is as long as any, and has the sign of those below
            // zero.
            run.steps = times
                .iter()
                .zip(times.iter().skip(1))
                .fold(0, |steps, (before, after)| steps | after.wrapping_sub(*before));
        }
    }

    /// How the time stamps go on; `None` where a frame has none or is an error report, and of no
    /// frames.
    ///
    /// ```
    /// use lostnode::capture::{self, Options, Source};
    /// let bytes = b"(1.000000) can0 123#\n(1.000003) can0 456#\n(1.000007) can0 123#\n".to_vec();
    /// capture::read(Source::Bytes { name: "example".into(), bytes }, &Options::default(), |batch| {
    ///     let course = batch.runs().course().unwrap();
    ///     assert_eq!((course.channel, course.last - course.first), (Some(0), 7000));
    ///     assert!((4000..8000).contains(&course.steps));
    /// })
    /// .unwrap();
    /// ```
    pub fn course(&self) -> Option<Course> {
        self.course
    }

    /// The runs in the order in which their identifiers appear.
    pub fn iter(&self) -> impl Iterator<Item = Run<'_>> {
        self.all.iter().map(|run| {
            let own = run.begin as usize..run.end as usize;
            let (times, positions) = (&self.times[own.clone()], &self.positions[own]);
            let frames = u64::from(run.untimed) + times.len() as u64;
            Run { channel: run.channel, id: run.id, frames, times, positions, steps: run.steps }
        })
    }
}
