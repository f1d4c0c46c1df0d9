//! The frames of a batch by identifier: what is kept of one can then be at hand for all its frames.

use lostnode_parsers::{FrameKind, Id};

use super::Frame;
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
}

/// Where in the lists a run is.
#[derive(Clone, Copy, Debug)]
struct Sorted {
    channel: ChannelIndex,
    id: Id,
    frames: u32,
    begin: u32,
    end: u32,
    longest: i64,
    forward: bool,
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
    /// The longest gap between two of them, in nanoseconds; zero for fewer.
    pub longest: i64,
    /// Whether none of them is before the one before it.
    pub forward: bool,
}

impl Runs {
    /// Sorts frames, fewer than 2^32 - 1, in memory that may have been used before.
    pub fn of(frames: &[Frame], memory: Runs) -> Self {
        let mut runs = memory;
        runs.places.forget(runs.all.iter().map(|run| (run.channel, run.id)));
        runs.all.clear();
        runs.entries.clear();
        runs.entries.extend(std::iter::repeat_n(Entry { time: 0, run: NONE }, frames.len()));
        for (frame, entry) in frames.iter().zip(&mut runs.entries) {
            let id = match &frame.kind {
                FrameKind::Classic(frame) => frame.identifier(),
                FrameKind::Fd(frame) => frame.identifier(),
                FrameKind::Error(_) => continue,
            };
            let Some(at) = runs.places.of(frame.channel, id, usize::MAX) else { continue };
            if at == runs.all.len() {
                let (frames, begin, end, longest, forward) = (0, 0, 0, 0, true);
                runs.all.push(Sorted { channel: frame.channel, id, frames, begin, end, longest, forward });
            }
            let own = &mut runs.all[at];
            own.frames += 1;
            if let Some(time) = frame.time {
                own.end += 1;
                *entry = Entry { time: time.nanoseconds(), run: at as u32 };
            }
        }
        runs.fill();
        runs
    }

    /// Puts times and positions where they belong: sorting by counting.
    fn fill(&mut self) {
        let mut next = 0;
        for run in &mut self.all {
            run.begin = next;
            next += run.end;
            run.end = run.begin;
        }
        self.times.resize(next as usize, 0);
        self.positions.resize(next as usize, 0);
        for (position, entry) in self.entries.iter().enumerate() {
            if let Some(run) = self.all.get_mut(entry.run as usize) {
                let at = run.end as usize;
                run.end += 1;
                self.times[at] = entry.time;
                self.positions[at] = position as u32;
            }
        }
        for run in &mut self.all {
            for pair in self.times[run.begin as usize..run.end as usize].windows(2) {
                run.longest = run.longest.max(pair[1].wrapping_sub(pair[0]));
                run.forward &= pair[1] >= pair[0];
            }
        }
    }

    /// The runs in the order in which their identifiers appear.
    pub fn iter(&self) -> impl Iterator<Item = Run<'_>> {
        self.all.iter().map(|run| {
            let own = run.begin as usize..run.end as usize;
            let (times, positions) = (&self.times[own.clone()], &self.positions[own]);
            let Sorted { channel, id, frames, longest, forward, .. } = *run;
            Run { channel, id, frames: u64::from(frames), times, positions, longest, forward }
        })
    }
}

