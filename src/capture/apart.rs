//! Channels of one file that have clocks of their own, as two recorders whose logs were merged line
//! by line: the order of the file shows how far these are apart. Told at the first frames of a
//! channel and taken out of its stamps: docs/formats.md.

use lostnode_parsers::Timestamp;

use super::clock::{SLACK, is_time};
use super::parsed::{Span, span};
use super::{Batch, ChannelIndex, ClockMend, ClockStep, Frame};

/// So many times a frame of the one channel follows a frame of the other, or goes before it, …
const TELLING: usize = 20;
/// … within so many frames; counted in frames, so that it is the same however the file is cut …
const WITHIN: usize = 20_000;
/// … and within this time. In nanoseconds, as below.
const LONGEST: i64 = 20_000_000_000;
/// A channel that was heard for so long alone tells nothing of the other.
const ALONE: i64 = 2_000_000_000;

/// The clocks of the channels of one file.
#[derive(Default)]
pub(super) struct Apart {
    /// Channels that were looked at.
    known: usize,
    heard: Vec<bool>,
    /// The latest frame with a stamp, and its channel.
    previous: Option<(i64, ChannelIndex)>,
    /// By channel, what is added to its stamps; empty where there is nothing to add.
    shifts: Vec<i64>,
    look: Option<Look>,
    held: Vec<(Batch, Span)>,
    mends: Vec<ClockMend>,
}

/// A look at channels whose first stamps are far from those around them.
struct Look {
    /// The channel that they are held against, its first stamp and its latest.
    against: ChannelIndex,
    begin: i64,
    latest: i64,
    /// Its frames so far.
    turn: usize,
    frames: usize,
    suspects: Vec<Suspect>,
}

/// How far the stamps of a channel are from those that stand beside them.
struct Suspect {
    channel: ChannelIndex,
    latest: i64,
    /// The frame of the other channel that it was compared with, and its own stamp then.
    turn: usize,
    compared: i64,
    count: usize,
    least: i64,
    most: i64,
    alone: bool,
}

impl Apart {
    /// Takes the next batch and returns those whose stamps are settled, in order.
    pub fn push(&mut self, mut batch: Batch, mut range: Span) -> Vec<(Batch, Span)> {
        if !self.shifts.is_empty() {
            shift(&mut batch.frames, &self.shifts);
            range = span(&batch.frames);
        }
        // A channel that is new in the file is new in the list of names, where the list did not
        // begin with those of another file.
        let known = std::mem::replace(&mut self.known, batch.channels.len());
        if self.look.is_none() && known == batch.channels.len() {
            let latest = batch.frames.iter().rev().find_map(stamp);
            self.previous = latest.or(self.previous);
            return vec![(batch, range)];
        }
        let last = self.held.len();
        self.held.push((batch, range));
        for at in 0..self.held[last].0.frames.len() {
            if let Some((time, channel)) = stamp(&self.held[last].0.frames[at]) {
                self.take(time, channel);
            }
        }
        if self.look.is_some() { Vec::new() } else { std::mem::take(&mut self.held) }
    }

    /// Hands on what has waited to the end.
    pub fn finish(&mut self) -> Vec<(Batch, Span)> {
        self.settle();
        std::mem::take(&mut self.held)
    }

    /// The clocks that were set to that of another channel.
    pub fn told(&self) -> &[ClockMend] {
        &self.mends
    }

    fn take(&mut self, time: i64, channel: ChannelIndex) {
        let at = usize::from(channel);
        if self.heard.len() <= at {
            self.heard.resize(at + 1, false);
        }
        let is_new = !std::mem::replace(&mut self.heard[at], true);
        if let (true, None, Some((before, against))) = (is_new, &self.look, self.previous)
            && before.abs_diff(time) > SLACK as u64
        {
            let suspects = Vec::new();
            let (begin, latest) = (before, before);
            self.look = Some(Look { against, begin, latest, turn: 0, frames: 0, suspects });
        }
        self.previous = Some((time, channel));
        if self.look.as_mut().is_some_and(|look| look.take(time, channel, is_new)) {
            self.settle();
            let shift = self.shifts.get(at).copied().unwrap_or_default();
            self.previous = Some((time.saturating_add(shift), channel));
        }
    }

    /// Ends the look under way, and sets the clocks that it showed to be apart.
    fn settle(&mut self) {
        let Some(look) = self.look.take() else { return };
        let mut shifts = vec![0; self.heard.len()];
        for suspect in look.suspects.iter().filter(|suspect| suspect.is_told()) {
            let ahead = suspect.least / 2 + suspect.most / 2;
            shifts[usize::from(suspect.channel)] = -ahead;
            let at = Timestamp::from_nanoseconds(suspect.latest.saturating_sub(ahead));
            let (channel, against) = (suspect.channel, look.against);
            self.mends.push(ClockMend { step: ClockStep::Apart { channel, against, ahead }, at });
        }
        if shifts.iter().any(|shift| *shift != 0) {
            for (batch, range) in &mut self.held {
                shift(&mut batch.frames, &shifts);
                *range = span(&batch.frames);
            }
            self.shifts.resize(shifts.len(), 0);
            // Each channel is new only once.
            self.shifts.iter_mut().zip(shifts).for_each(|(all, own)| *all += own);
        }
    }
}

impl Look {
    /// Takes a frame; whether enough were seen.
    fn take(&mut self, time: i64, channel: ChannelIndex, is_new: bool) -> bool {
        self.frames += 1;
        if channel == self.against {
            for suspect in &mut self.suspects {
                // From its side too: where channels are written in turns, a piece of each, the
                // steps one way and the other differ by the length of a piece.
                if suspect.turn == self.turn {
                    suspect.compare(suspect.latest.saturating_sub(time));
                }
            }
            self.turn += 1;
            self.latest = time;
        } else if is_new && self.latest.abs_diff(time) > SLACK as u64 {
            let turn = usize::MAX;
            let (compared, least, most) = (time, i64::MAX, i64::MIN);
            let (latest, count, alone) = (time, 0, false);
            let new = Suspect { channel, latest, turn, compared, count, least, most, alone };
            self.suspects.push(new);
        }
        if let Some(own) = self.suspects.iter_mut().find(|own| own.channel == channel) {
            own.latest = time;
            if own.turn != self.turn {
                (own.turn, own.compared) = (self.turn, time);
                own.compare(time.saturating_sub(self.latest));
            }
            own.alone |= time.saturating_sub(own.compared) > ALONE;
        }
        self.frames >= WITHIN
            || self.latest.saturating_sub(self.begin) > LONGEST
            || self.suspects.iter().all(|suspect| suspect.is_told() || suspect.is_refuted())
    }
}

impl Suspect {
    fn compare(&mut self, ahead: i64) {
        self.count += 1;
        self.least = self.least.min(ahead);
        self.most = self.most.max(ahead);
    }

    /// It is not apart, or not by one and the same time.
    fn is_refuted(&self) -> bool {
        let near = self.least <= SLACK && self.most >= -SLACK;
        self.alone || near || self.most.saturating_sub(self.least) > SLACK
    }

    fn is_told(&self) -> bool {
        self.count >= TELLING && !self.is_refuted()
    }
}

/// The stamp of a frame, if it is a time, and its channel.
fn stamp(frame: &Frame) -> Option<(i64, ChannelIndex)> {
    let time = frame.time.map(Timestamp::nanoseconds).filter(|time| is_time(*time))?;
    Some((time, frame.channel))
}

fn shift(frames: &mut [Frame], shifts: &[i64]) {
    for frame in frames {
        let by = shifts.get(usize::from(frame.channel)).copied().unwrap_or_default();
        if let (Some((time, _)), true) = (stamp(frame), by != 0) {
            // Half the distance of two lines before the first there may be a time before 1970.
            let time = time.saturating_add(by).max(0);
            frame.time = Some(Timestamp::from_nanoseconds(time));
        }
    }
}
