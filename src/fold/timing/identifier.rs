//! When one identifier was heard. Identifiers know nothing of each other, so that they can be
//! divided among threads; what one needs of its channel is noted with each batch.

use super::rush::{Rush, Seconds};
use super::spacing::{Begun, Idle, Sent};
use super::{Clock, CounterFinder, Gaps, IdleClock, Key, Longest, Nanoseconds, Settled, Silence};
use crate::capture::{Batch, Frame, Group};

/// What is known of the timing of one identifier.
#[derive(Clone, Debug)]
pub struct IdTiming {
    /// Which identifier.
    pub key: Key,
    /// Frames heard, with or without time stamps.
    pub frames: u64,
    /// First and last time heard.
    pub heard: Option<(Nanoseconds, Nanoseconds)>,
    /// Distribution of the gaps between its frames.
    pub gaps: Gaps,
    /// Its longest silences.
    pub silences: Longest,
    /// The clock behind it.
    pub clock: Clock,
    /// The same, from frames before which the bus was idle.
    pub idle_clock: IdleClock,
    /// Rolling counters in its payload.
    pub counters: CounterFinder,
    /// Gaps in which a frame may be missing though they are too short for a silence, where the
    /// channel reports errors: the first 512, in order of time.
    pub skips: Vec<Silence>,
    /// How coarse the stamps of its channel are, in seconds ([`super::Deliveries::coarse`]); known
    /// after the last frame.
    pub coarse: f64,
    /// Its frames by the second.
    pub(super) seconds: Seconds,
    last_payload: [u8; 8],
    /// Running mean of its gaps, while counters are looked for.
    usual_gap: Nanoseconds,
    /// The end of a silence whose settled frame has not come yet, and the frames since.
    settling: Option<(Nanoseconds, u32)>,
}

/// What an identifier needs of its channel, when a batch comes.
#[derive(Clone, Copy, Debug)]
pub(super) struct Around {
    /// Since when it is known whether the bus was idle.
    pub idle: Option<Idle>,
    /// The last frame of the batches before.
    pub last_frame: Option<Sent>,
    /// When it first reported an error, so far.
    pub first_error: Option<Nanoseconds>,
}

/// Where the groups of a batch belong.
#[derive(Clone, Debug, Default)]
pub struct Placed {
    /// The place of each group among all identifiers; `None` for those that are only counted.
    pub(super) places: Vec<Option<u32>>,
    /// Per channel.
    pub(super) around: Vec<Around>,
}

/// A part of the identifiers of a capture: of so many parts, those whose place leaves the
/// remainder `at`.
#[derive(Clone, Debug)]
pub struct Part {
    /// In order of appearance.
    pub(super) ids: Vec<IdTiming>,
    at: usize,
    of: usize,
    /// Silences shorter than this are not kept.
    floor: Nanoseconds,
}

impl Part {
    pub(super) fn new(ids: Vec<IdTiming>, at: usize, of: usize, floor: Nanoseconds) -> Self {
        Part { ids, at, of, floor }
    }

    /// Takes the next frames of its identifiers.
    pub fn push(&mut self, batch: &Batch, placed: &Placed) {
        // Identifiers know nothing of each other, so each takes all its frames at once.
        for (group, place) in batch.grouped().iter().zip(&placed.places) {
            let Some(place) = place.map(|place| place as usize) else { continue };
            if place % self.of != self.at {
                continue;
            }
            // Places are given in order, so that a new one is the next here too.
            let own = place / self.of;
            if own == self.ids.len() {
                let key = Key { channel: group.channel, id: group.id };
                self.ids.push(IdTiming::new(key, self.floor));
            }
            let around = &placed.around[usize::from(group.channel)];
            self.ids[own].push(&batch.frames, group, around);
        }
    }
}

impl IdTiming {
    /// Skips kept.
    const SKIPS: usize = 512;

    /// When it came faster than any message that is built in.
    pub fn rush(&self) -> Option<Rush> {
        self.seconds.rush
    }

    pub(super) fn new(key: Key, floor: Nanoseconds) -> Self {
        IdTiming {
            key,
            frames: 0,
            heard: None,
            gaps: Gaps::default(),
            silences: Longest::new(floor),
            clock: Clock::default(),
            idle_clock: IdleClock::default(),
            counters: CounterFinder::default(),
            skips: Vec::new(),
            coarse: 0.0,
            seconds: Seconds::default(),
            last_payload: [0; 8],
            usual_gap: 0,
            settling: None,
        }
    }

    /// Takes its frames in a batch.
    fn push(&mut self, frames: &[Frame], group: Group<'_>, around: &Around) {
        self.frames += group.frames;
        let before = self.heard.map(|(_, last)| last);
        let back = group.times.first().zip(before).is_some_and(|(first, before)| *first < before);
        if group.gap_bound >= 0 && !back {
            return self.push_in_order(frames, group, before, around);
        }
        // The channel counts a step back; it makes no gap.
        let (mut times, mut positions, mut latest) =
            (Vec::new(), Vec::new(), before.unwrap_or(Nanoseconds::MIN));
        for (time, position) in group.times.iter().zip(group.positions) {
            if *time >= latest {
                times.push(*time);
                positions.push(*position);
                latest = *time;
            }
        }
        let (times, positions) = (times.as_slice(), positions.as_slice());
        let in_order = Group { times, positions, gap_bound: Nanoseconds::MAX, ..group };
        self.push_in_order(frames, in_order, before, around);
    }

    /// Takes frames of which none is before the one before it.
    fn push_in_order(
        &mut self,
        frames: &[Frame],
        group: Group<'_>,
        before: Option<Nanoseconds>,
        around: &Around,
    ) {
        let (Some(first), Some(last), Some(latest)) =
            (group.times.first(), group.times.last(), group.positions.last())
        else {
            return;
        };
        self.heard = Some((self.heard.map_or(*first, |(first, _)| first), *last));
        self.clock.push(group.times);
        self.push_to_idle_clock(frames, group, around);
        self.gaps.push(before, group.times);
        self.seconds.push(group.times);
        let longest = group.gap_bound.max(before.map_or(0, |before| first - before));
        self.keep_skips(group.times, before, longest, around.first_error);
        let look = !self.counters.is_settled() || self.settling.is_some();
        if look || longest >= self.silences.floor() {
            self.look_at_payloads(frames, group, before);
        }
        self.last_payload = frames[*latest as usize].kind.first_eight().0;
    }

    /// Keeps gaps in which a frame may be missing, half as long again as the period that the clock
    /// has learned and more, in times that follow one; `longest` is no less than the longest of
    /// them. Which are kept does not depend on where batches are cut.
    fn keep_skips(
        &mut self,
        times: &[Nanoseconds],
        before: Option<Nanoseconds>,
        longest: Nanoseconds,
        first_error: Option<Nanoseconds>,
    ) {
        let (Some(first_error), Some((learned, period))) = (first_error, self.clock.learned())
        else {
            return;
        };
        let short = (period * 1.5) as Nanoseconds..self.silences.floor();
        if self.skips.len() >= Self::SKIPS || longest < short.start || short.is_empty() {
            return;
        }
        let starts = before.iter().chain(times);
        let ends = if before.is_none() { &times[1..] } else { times };
        let skips = starts.zip(ends).map(|(start, end)| Silence { start: *start, end: *end });
        let skips = skips.filter(|own| {
            own.start >= learned && own.end >= first_error && short.contains(&own.length())
        });
        self.skips.extend(skips.take(Self::SKIPS - self.skips.len()));
    }

    /// Follows the clock by the frames that found the bus idle.
    fn push_to_idle_clock(&mut self, frames: &[Frame], group: Group<'_>, around: &Around) {
        let Some(idle) = around.idle else { return };
        self.idle_clock.push(group.times, idle, |at| {
            let position = group.positions[at] as usize;
            let earlier = frames[..position].iter().rev();
            let earlier = earlier.filter(|frame| frame.channel == group.channel).map(Sent::of);
            Begun::of(Sent::of(&frames[position]), earlier.chain(around.last_frame), idle)
        });
    }

    /// Keeps silences with the payloads before and after them, and looks for counters, in the
    /// frames that follow one at `before`.
    fn look_at_payloads(
        &mut self,
        frames: &[Frame],
        group: Group<'_>,
        before: Option<Nanoseconds>,
    ) {
        let mut last = before.map(|time| (time, self.last_payload));
        for (time, position) in group.times.iter().zip(group.positions) {
            let (payload, length) = frames[*position as usize].kind.first_eight();
            if let Some((start, before)) = last {
                self.settle(time - start, *time, payload);
                let silence = Silence { start, end: *time };
                self.silences.push(silence, [before, payload]);
                // Of a slow identifier the time from a frame that a buffer held back to the next
                // due one is as long as a silence of others, and ends none.
                if silence.length() >= self.silences.floor() && self.settling.is_none() {
                    self.settling = Some((*time, 0));
                }
                if !self.counters.is_settled() {
                    self.count(time - start, before, payload, length);
                }
            }
            last = Some((*time, payload));
        }
    }

    /// Looks whether a frame that came so long after the one before it is the first settled one
    /// after a silence: frames of a queue follow each other as fast as the bus lets them. Where one
    /// was lost again, a buffer may have held the next.
    fn settle(&mut self, gap: Nanoseconds, time: Nanoseconds, payload: [u8; 8]) {
        let Some((end, frames)) = self.settling else { return };
        let after = frames + 1;
        self.settling = (gap < self.usual_gap / 2).then_some((end, after));
        if self.settling.is_none() && gap < self.usual_gap.saturating_mul(3) / 2 {
            self.silences.settle(end, Settled { time, payload, after });
        }
    }

    /// Looks for counters in two payloads that follow each other.
    fn count(&mut self, gap: Nanoseconds, before: [u8; 8], after: [u8; 8], length: usize) {
        // A frame may have been lost in a gap much longer than the one before it: that pair tells
        // nothing of counters.
        if gap < self.usual_gap.saturating_mul(3) / 2 {
            self.counters.push(before, after, length);
        }
        self.usual_gap = if self.usual_gap == 0 {
            gap
        } else {
            self.usual_gap + (gap.min(self.usual_gap.saturating_mul(4)) - self.usual_gap) / 16
        };
    }
}
