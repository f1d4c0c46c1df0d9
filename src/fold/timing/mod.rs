//! When each identifier was heard: one accumulator per channel and identifier, fed each frame once.
//! What is drawn from it: docs/outages.md.

mod aftermath;
mod clock;
mod clock_rate;
mod counter;
mod deliveries;
mod histogram;
mod idle;
mod pairs;
mod pause;
mod rhythm;
mod silence;
mod spacing;

use lostnode_parsers::{ErrorFrame, FrameKind, Id, Timestamp};

pub use aftermath::{Aftermath, Follower, Recent, Reported};
pub use clock::{Clock, MeanBlock};
pub use clock_rate::{Rate, rates};
pub use counter::{AliveCounter, CounterFinder};
pub use deliveries::{Deliveries, Ticks};
pub use histogram::Gaps;
pub use idle::{IdleBlock, IdleClock};
pub use pairs::{Offsets, Relative, relative};
pub use pause::Pauses;
pub use rhythm::Rhythm;
pub use silence::{Longest, Settled, Silence};

use crate::capture::{Batch, ChannelIndex, Frame, Group, TimeSummary};
use crate::ids::{IdIndex, Places};
use spacing::{Begun, Sent, Spacing};

/// Nanoseconds, as in [`lostnode_parsers::Timestamp`]; differences too.
pub type Nanoseconds = i64;

/// Seconds of a span of nanoseconds.
pub fn seconds(span: Nanoseconds) -> f64 {
    span as f64 / 1e9
}

/// Nanoseconds of a span of seconds, to the nearest.
pub fn nanoseconds(span: f64) -> Nanoseconds {
    (span * 1e9).round() as Nanoseconds
}

/// An identifier on a channel.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash)]
pub struct Key {
    /// The channel.
    pub channel: ChannelIndex,
    /// Identifier and width.
    pub id: Id,
}

/// Most identifiers told apart in one run; traffic of further ones is counted together. A vehicle
/// has a few hundred.
pub const MOST_IDENTIFIERS: usize = 20_000;

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
    /// When it was heard last.
    recent: Recent,
    last_payload: [u8; 8],
    /// Running mean of its gaps, while counters are looked for.
    usual_gap: Nanoseconds,
    /// The end of a silence whose settled frame has not come yet, and the frames since.
    settling: Option<(Nanoseconds, u32)>,
}

/// What is known of the timing of one channel.
#[derive(Clone, Debug, Default)]
pub struct ChannelTiming {
    /// Data and remote frames.
    pub frames: u64,
    /// Error frames of the logging controller.
    pub error_frames: u64,
    /// First and last time anything was heard.
    pub heard: Option<(Nanoseconds, Nanoseconds)>,
    /// Before the first only where time stamps step back.
    earliest: Nanoseconds,
    /// Frames whose time stamp lay before that of the frame before, on this channel.
    pub out_of_order: u64,
    /// Furthest step back.
    pub largest_step_back: Nanoseconds,
    /// The longest times without any data or remote frame.
    pub silences: Longest,
    /// The first error frames with their time, and what followed them.
    pub errors: Aftermath,
    /// Time in which it carried traffic: of longer gaps between frames only [`Self::BREAK`] counts.
    pub awake: Nanoseconds,
    /// How the logger handed its frames over.
    pub deliveries: Deliveries,
    spacing: Spacing,
    /// The last frame of the batches before.
    last_frame: Option<Sent>,
}

impl ChannelTiming {
    /// Nobody is awake on a channel that is silent for longer, in nanoseconds: a vehicle's bus has
    /// several identifiers of 100 ms and below (common practice, no source), and none of them was
    /// heard for three of their periods.
    pub const BREAK: Nanoseconds = 300_000_000;

    /// Takes frames that are all of this channel and in order, where nothing is to be kept of any
    /// of them but their number.
    fn skip(&mut self, frames: usize, times: &TimeSummary) {
        self.frames += frames as u64;
        if let Some((_, last)) = &mut self.heard {
            self.awake += times.last - *last;
            *last = times.last;
        }
    }

    /// Whether frames with these time stamps bring a silence that is kept, a step back, or a
    /// delivery that is looked at.
    fn has_news(&self, times: &TimeSummary) -> bool {
        let short = self.silences.floor().min(Self::BREAK);
        !self.deliveries.is_settled()
            || self.errors.is_open()
            || !self.spacing.is_settled()
            || self.heard.is_none_or(|(_, last)| !times.gaps_are_below(short, last))
    }

    #[inline]
    fn push_frame(&mut self, frame: &Frame) {
        if let FrameKind::Error(error) = &frame.kind {
            return self.error(frame.time, error);
        }
        self.frames += 1;
        let Some(time) = frame.time.map(Timestamp::nanoseconds) else { return };
        self.deliveries.push(time);
        let Some((_, last)) = &mut self.heard else { return self.begin(time) };
        let before = *last;
        if time < before {
            return self.step_back(time, before);
        }
        *last = time;
        self.awake += (time - before).min(Self::BREAK);
        self.spacing.push(time, time - before, frame);
        self.silences.push(Silence { start: before, end: time }, [[0; 8]; 2]);
    }

    #[cold]
    fn begin(&mut self, time: Nanoseconds) {
        self.heard = Some((time, time));
        self.earliest = time;
    }

    #[cold]
    fn step_back(&mut self, time: Nanoseconds, before: Nanoseconds) {
        self.out_of_order += 1;
        self.largest_step_back = self.largest_step_back.max(before - time);
        self.earliest = self.earliest.min(time);
    }

    /// Earliest and latest time.
    fn span(&self) -> Option<(Nanoseconds, Nanoseconds)> {
        self.heard.map(|(_, last)| (self.earliest, last))
    }

    #[cold]
    fn error(&mut self, time: Option<Timestamp>, error: &ErrorFrame) {
        self.error_frames += 1;
        if let Some(time) = time {
            let before = self.heard.map_or(Nanoseconds::MIN, |(_, last)| last);
            self.errors.report(time.nanoseconds(), *error, before);
        }
    }
}

/// Timing of everything in a capture.
#[derive(Clone, Debug)]
pub struct Timing {
    /// Per channel, in order of appearance.
    pub channels: Vec<ChannelTiming>,
    /// Per identifier, in order of appearance.
    pub ids: Vec<IdTiming>,
    places: Places,
    /// Stops of the whole traffic.
    pub pauses: Pauses,
    /// Frames of identifiers beyond [`MOST_IDENTIFIERS`].
    pub folded_frames: u64,
    /// Earliest and latest time stamp.
    pub span: Option<(Nanoseconds, Nanoseconds)>,
    /// Silences shorter than this are not kept.
    floor: Nanoseconds,
}

impl Timing {
    /// `floor` is the shortest silence that any later step may ask for, in seconds.
    pub fn new(floor: f64) -> Self {
        Timing {
            channels: Vec::new(),
            ids: Vec::new(),
            places: Places::default(),
            pauses: Pauses::default(),
            folded_frames: 0,
            span: None,
            floor: nanoseconds(floor),
        }
    }

    /// The place of an identifier that was heard.
    pub fn place(&self, key: Key) -> Option<IdIndex> {
        let place = self.places.known(key.channel, key.id)?;
        (place < self.ids.len()).then_some(IdIndex(place))
    }

    /// Ends what is still under way; to be called after the last frame.
    pub fn finish(&mut self) {
        self.channels.iter_mut().for_each(|channel| channel.silences.finish());
        self.ids.iter_mut().for_each(|id| id.silences.finish());
    }

    /// Keeps only what needs no time stamps: which identifiers there are, and their frames.
    pub(super) fn forget_times(&mut self) {
        for channel in &mut self.channels {
            *channel = ChannelTiming {
                frames: channel.frames,
                error_frames: channel.error_frames,
                silences: Longest::new(self.floor),
                ..ChannelTiming::default()
            };
        }
        for id in &mut self.ids {
            *id = IdTiming { frames: id.frames, ..IdTiming::new(id.key, self.floor) };
        }
        (self.pauses, self.span) = (Pauses::default(), None);
    }

    /// Takes the next frames of the capture.
    pub fn push(&mut self, batch: &Batch) {
        self.push_to_channels(batch);
        self.pauses.push(batch);
        let spans = self.channels.iter().filter_map(ChannelTiming::span);
        self.span = spans.reduce(|(begin, end), (other_begin, other_end)| {
            (begin.min(other_begin), end.max(other_end))
        });
        // Identifiers know nothing of each other, so each takes all its frames at once.
        for group in batch.grouped().iter() {
            match self.places.of(group.channel, group.id, MOST_IDENTIFIERS) {
                Some(place) => {
                    if place == self.ids.len() {
                        let key = Key { channel: group.channel, id: group.id };
                        self.ids.push(IdTiming::new(key, self.floor));
                    }
                    let channel = &self.channels[usize::from(group.channel)];
                    self.ids[place].push(&batch.frames, group, channel);
                }
                None => self.folded_frames += group.frames,
            }
        }
        self.keep_last_frames(&batch.frames);
    }

    /// The next batch asks what was before its first frames.
    fn keep_last_frames(&mut self, frames: &[Frame]) {
        let mut open: Vec<usize> = (0..self.channels.len()).collect();
        for frame in frames.iter().rev() {
            if let Some(at) = open.iter().position(|own| *own == usize::from(frame.channel)) {
                self.channels[open.swap_remove(at)].last_frame = Some(Sent::of(frame));
                if open.is_empty() {
                    break;
                }
            }
        }
    }

    /// In one step where that comes to the same, as on a busy channel it nearly always does; else
    /// frame by frame.
    fn push_to_channels(&mut self, batch: &Batch) {
        if let Some(times) = batch.time_summary()
            && let Some(channel) = times.channel.map(|channel| self.channel(channel))
            && !channel.has_news(times)
        {
            channel.skip(batch.frames.len(), times);
        } else {
            for (position, frame) in batch.frames.iter().enumerate() {
                let channel = self.channel(frame.channel);
                let open = channel.errors.is_open();
                channel.push_frame(frame);
                if open {
                    self.follow(batch, position);
                }
            }
        }
    }

    /// Keeps a frame that came soon after an error. Of its identifier, the batch is not yet taken.
    #[cold]
    fn follow(&mut self, batch: &Batch, position: usize) {
        let frame = &batch.frames[position];
        let (ids, places) = (&self.ids, &self.places);
        let recent = |id| {
            let known = places.known(frame.channel, id).and_then(|place| ids.get(place));
            let recent = known.map_or(aftermath::UNHEARD, |id| id.recent);
            aftermath::before(batch, position, id, recent)
        };
        self.channels[usize::from(frame.channel)].errors.follow(frame, recent);
    }

    #[inline]
    fn channel(&mut self, channel: ChannelIndex) -> &mut ChannelTiming {
        let channel = usize::from(channel);
        if self.channels.len() <= channel {
            self.channels.resize_with(channel + 1, || ChannelTiming {
                silences: Longest::new(self.floor),
                ..ChannelTiming::default()
            });
        }
        &mut self.channels[channel]
    }
}

impl IdTiming {
    fn new(key: Key, floor: Nanoseconds) -> Self {
        IdTiming {
            key,
            frames: 0,
            heard: None,
            gaps: Gaps::default(),
            silences: Longest::new(floor),
            clock: Clock::default(),
            idle_clock: IdleClock::default(),
            counters: CounterFinder::default(),
            recent: aftermath::UNHEARD,
            last_payload: [0; 8],
            usual_gap: 0,
            settling: None,
        }
    }

    /// Takes its frames in a batch.
    fn push(&mut self, frames: &[Frame], group: Group<'_>, channel: &ChannelTiming) {
        self.frames += group.frames;
        let before = self.heard.map(|(_, last)| last);
        let back = group.times.first().zip(before).is_some_and(|(first, before)| *first < before);
        if group.gap_bound >= 0 && !back {
            return self.push_in_order(frames, group, before, channel);
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
        self.push_in_order(frames, in_order, before, channel);
    }

    /// Takes frames of which none is before the one before it.
    fn push_in_order(
        &mut self,
        frames: &[Frame],
        group: Group<'_>,
        before: Option<Nanoseconds>,
        channel: &ChannelTiming,
    ) {
        let (Some(first), Some(last), Some(latest)) =
            (group.times.first(), group.times.last(), group.positions.last())
        else {
            return;
        };
        self.heard = Some((self.heard.map_or(*first, |(first, _)| first), *last));
        self.clock.push(group.times);
        aftermath::append(&mut self.recent, group.times);
        self.push_to_idle_clock(frames, group, channel);
        self.gaps.push(before, group.times);
        let longest = group.gap_bound.max(before.map_or(0, |before| first - before));
        let look = !self.counters.is_settled() || self.settling.is_some();
        if look || longest >= self.silences.floor() {
            self.look_at_payloads(frames, group, before);
        }
        self.last_payload = frames[*latest as usize].kind.first_eight().0;
    }

    /// Follows the clock by the frames that found the bus idle.
    fn push_to_idle_clock(&mut self, frames: &[Frame], group: Group<'_>, channel: &ChannelTiming) {
        let Some(idle) = channel.spacing.idle() else { return };
        self.idle_clock.push(group.times, idle, |at| {
            let position = group.positions[at] as usize;
            let earlier = frames[..position].iter().rev();
            let earlier = earlier.filter(|frame| frame.channel == group.channel).map(Sent::of);
            Begun::of(Sent::of(&frames[position]), earlier.chain(channel.last_frame), idle)
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
