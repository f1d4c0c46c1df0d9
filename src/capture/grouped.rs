//! The frames of a batch, grouped by identifier: what is kept of an identifier is then at hand for
//! all its frames. Why this is worth the sorting: docs/performance.md, "What was done".

use lostnode_parsers::Id;

use super::{Frame, ROUNDED};
use crate::ids::{ChannelIndex, Places};

/// The frames of a batch, grouped by channel and identifier.
#[derive(Debug, Default)]
pub struct Grouped {
    groups: Vec<Place>,
    /// The stamps of one group after another.
    times: Vec<i64>,
    /// Positions in the batch, in the same order.
    positions: Vec<u32>,
    places: Places,
    entries: Vec<Entry>,
    /// Time stamps, by group.
    counts: Vec<u32>,
    /// Where the next time stamp goes, by group.
    next: Vec<u32>,
    times_of_all: Option<TimeSummary>,
}

/// The time stamps of a whole batch in short, where each of its frames has one and none is an
/// error frame. A fold that needs nothing else of the batch takes it in one step.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct TimeSummary {
    /// The channel of all its frames, where it is one.
    pub channel: Option<ChannelIndex>,
    /// Time stamp of the first frame, in nanoseconds.
    pub first: i64,
    /// Time stamp of the last frame.
    pub last: i64,
    /// As [`Group::gap_bound`], from each frame to the next.
    pub gap_bound: i64,
}

impl TimeSummary {
    /// Whether no stamp steps back and every gap is surely shorter than `limit` nanoseconds, that
    /// from a frame at `before` to the first one too.
    ///
    /// ```
    /// use lostnode::capture::TimeSummary;
    /// let times = TimeSummary { channel: None, first: 10, last: 14, gap_bound: 3 };
    /// assert!(times.gaps_are_below(4, 8) && !times.gaps_are_below(3, 8));
    /// // Too long after the frame before, and before it.
    /// assert!(!times.gaps_are_below(4, 6) && !times.gaps_are_below(4, 11));
    /// ```
    pub fn gaps_are_below(&self, limit: i64, before: i64) -> bool {
        let gaps = [self.gap_bound, self.first.saturating_sub(before)];
        gaps.iter().all(|gap| (0..limit).contains(gap))
    }
}

/// Where in the lists a group is.
#[derive(Clone, Copy, Debug)]
struct Place {
    channel: ChannelIndex,
    id: Id,
    /// Frames without time stamp.
    untimed: u32,
    begin: u32,
    end: u32,
    gap_bound: i64,
}

/// A frame, by position.
#[derive(Clone, Copy, Debug)]
struct Entry {
    time: i64,
    /// Which group it is of, or [`NO_GROUP`].
    group: u32,
}

/// A frame without identifier or time stamp: beyond any list, so that looking it up finds nothing.
const NO_GROUP: u32 = u32::MAX;

/// The data and remote frames of one identifier in a batch.
#[derive(Clone, Copy, Debug)]
pub struct Group<'g> {
    /// The channel.
    pub channel: ChannelIndex,
    /// The identifier.
    pub id: Id,
    /// How many frames, with or without time stamps.
    pub frames: u64,
    /// The time stamps in the order of the batch, in nanoseconds.
    pub times: &'g [i64],
    /// Positions in the batch of the frames that they are of.
    pub positions: &'g [u32],
    /// Bitwise OR of all gaps: at least the longest, less than twice it; negative if any stamp
    /// steps back.
    pub gap_bound: i64,
}

impl Grouped {
    /// Groups frames, fewer than 2^32 - 1, in memory that may have been used before.
    pub fn of(frames: &[Frame], memory: Grouped) -> Self {
        let mut grouped = memory;
        grouped.places.clear(grouped.groups.iter().map(|group| (group.channel, group.id)));
        grouped.groups.clear();
        grouped.counts.clear();
        grouped.entries.clear();
        // A few frames more than in the batch before would otherwise have the memory doubled.
        grouped.entries.reserve(frames.len().next_multiple_of(ROUNDED));
        let mut rest = frames;
        while !rest.is_empty() {
            rest = &rest[grouped.count_known(rest)..];
            if let [frame, others @ ..] = rest {
                grouped.count_other(frame);
                rest = others;
            }
        }
        grouped.times_of_all = grouped.summarise_times();
        grouped.fill();
        grouped
    }

    /// Counts frames as long as they have a time stamp and a known identifier, as nearly all have;
    /// how many.
    fn count_known(&mut self, frames: &[Frame]) -> usize {
        let (places, counts, before) =
            (&self.places, self.counts.as_mut_slice(), self.entries.len());
        let known = frames.iter().map_while(|frame| {
            let (group, time) = (places.known(frame.channel, frame.kind.id()?)?, frame.time?);
            *counts.get_mut(group)? += 1;
            Some(Entry { time: time.nanoseconds(), group: group as u32 })
        });
        self.entries.extend(known);
        self.entries.len() - before
    }

    fn count_other(&mut self, frame: &Frame) {
        let mut entry = Entry { time: 0, group: NO_GROUP };
        if let Some(id) = frame.kind.id() {
            let group = self.places.of(frame.channel, id, usize::MAX).unwrap_or_default();
            if group == self.counts.len() {
                self.counts.push(0);
                self.groups.push(Place {
                    channel: frame.channel,
                    id,
                    untimed: 0,
                    begin: 0,
                    end: 0,
                    gap_bound: 0,
                });
            }
            match frame.time {
                Some(time) => {
                    self.counts[group] += 1;
                    entry = Entry { time: time.nanoseconds(), group: group as u32 };
                }
                None => self.groups[group].untimed += 1,
            }
        }
        self.entries.push(entry);
    }

    fn summarise_times(&self) -> Option<TimeSummary> {
        let (first, last) = (self.entries.first()?, self.entries.last()?);
        let (mut before, mut gap_bound, mut all) = (first.time, 0, true);
        for entry in &self.entries {
            gap_bound |= entry.time.saturating_sub(before);
            before = entry.time;
            all &= entry.group != NO_GROUP;
        }
        let channel = self.groups.first().map(|group| group.channel);
        let channel =
            channel.filter(|channel| self.groups.iter().all(|group| group.channel == *channel));
        all.then_some(TimeSummary { channel, first: first.time, last: last.time, gap_bound })
    }

    /// Puts times and positions where they belong: sorting by counting.
    fn fill(&mut self) {
        self.next.clear();
        let mut end = 0;
        for (group, count) in self.groups.iter_mut().zip(&self.counts) {
            self.next.push(end);
            group.begin = end;
            end += *count;
            group.end = end;
        }
        let rounded = (end as usize).next_multiple_of(ROUNDED);
        if self.times.len() < rounded {
            self.times.resize(rounded, 0);
            self.positions.resize(rounded, 0);
        }
        for (position, entry) in self.entries.iter().enumerate() {
            if let Some(next) = self.next.get_mut(entry.group as usize) {
                let at = *next as usize;
                *next += 1;
                self.times[at] = entry.time;
                self.positions[at] = position as u32;
            }
        }
        for group in &mut self.groups {
            let times = &self.times[group.begin as usize..group.end as usize];
            // One OR a gap instead of a comparison: what has all the bits of each gap is as long
            // as any, and has the sign of those below zero.
            group.gap_bound = times
                .iter()
                .zip(times.iter().skip(1))
                .fold(0, |bound, (before, after)| bound | after.saturating_sub(*before));
        }
    }

    /// As [`super::Batch::time_summary`].
    pub fn time_summary(&self) -> Option<&TimeSummary> {
        self.times_of_all.as_ref()
    }

    /// The groups in the order in which their identifiers appear.
    pub fn iter(&self) -> impl Iterator<Item = Group<'_>> {
        self.groups.iter().map(|group| {
            let own = group.begin as usize..group.end as usize;
            let (times, positions) = (&self.times[own.clone()], &self.positions[own]);
            Group {
                channel: group.channel,
                id: group.id,
                frames: u64::from(group.untimed) + times.len() as u64,
                times,
                positions,
                gap_bound: group.gap_bound,
            }
        })
    }
}
