//! When each identifier was heard: one accumulator per channel and identifier, fed each frame once.
//! What is drawn from it: docs/outages.md.

mod aftermath;
mod boots;
mod clock;
mod clock_rate;
mod counter;
mod deliveries;
mod histogram;
mod identifier;
mod idle;
mod pairs;
mod pause;
mod rhythm;
mod rush;
mod silence;
mod spacing;
mod through;

use lostnode_parsers::{ErrorFrame, FrameKind, Id, Timestamp};

pub use aftermath::{Aftermath, Follower, Recent, Reported, Tally};
pub use clock::{Clock, MeanBlock};
pub use clock_rate::{Rate, rates};
pub use counter::{AliveCounter, CounterFinder};
pub use deliveries::{Deliveries, Ticks};
pub use histogram::Gaps;
pub use identifier::{IdTiming, Part, Placed};
pub use idle::{IdleBlock, IdleClock};
pub use pairs::{Offsets, Relative, relative};
pub use pause::Pauses;
pub use rhythm::Rhythm;
pub use rush::{RUSH, Rush};
pub use silence::{Longest, Settled, Silence};
pub use through::Through;

use crate::capture::{Batch, ChannelIndex, Frame, TimeSummary};
use crate::ids::{IdIndex, Places};
use identifier::Around;
use spacing::{Sent, Spacing};

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

/// Standard deviation as a share of the mean.
pub(crate) fn scatter(values: &[f64]) -> f64 {
    let count = values.len() as f64;
    let mean = values.iter().sum::<f64>() / count;
    let variance = values.iter().map(|value| (value - mean).powi(2)).sum::<f64>() / count;
    variance.sqrt() / mean
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

/// What is known of the timing of one channel.
#[derive(Clone, Debug, Default)]
pub struct ChannelTiming {
    /// Data and remote frames.
    pub frames: u64,
    /// Error frames of the logging controller.
    pub error_frames: u64,
    /// When the first error frame came.
    first_error: Option<Nanoseconds>,
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
            self.first_error.get_or_insert(time.nanoseconds());
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
    /// When each identifier was heard last, by place.
    recent: Vec<Recent>,
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
    /// The earliest time stamp; without any the lowest number.
    pub fn begin(&self) -> Nanoseconds {
        self.span.map_or(Nanoseconds::MIN, |(begin, _)| begin)
    }

    /// `floor` is the shortest silence that any later step may ask for, in seconds.
    pub fn new(floor: f64) -> Self {
        Timing {
            channels: Vec::new(),
            ids: Vec::new(),
            places: Places::default(),
            recent: Vec::new(),
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

    /// Stops of the whole traffic that are much longer than what it shows anyway.
    pub fn stops(&self) -> Vec<Silence> {
        let coarse = self.channels.iter().map(|own| own.deliveries.coarse());
        self.pauses.stops(coarse.fold(0.0, f64::max))
    }

    /// Ends what is still under way; to be called after the last frame.
    pub fn finish(&mut self) {
        self.channels.iter_mut().for_each(|channel| channel.silences.finish());
        let coarse: Vec<f64> = self.channels.iter().map(|own| own.deliveries.coarse()).collect();
        for id in &mut self.ids {
            id.silences.finish();
            id.coarse = coarse[usize::from(id.key.channel)];
        }
    }

    /// Keeps only what needs no time stamps: which identifiers there are, and their frames.
    pub(super) fn forget_times(&mut self) {
        for channel in &mut self.channels {
            *channel = ChannelTiming {
                frames: channel.frames,
                error_frames: channel.error_frames,
                first_error: channel.first_error,
                silences: Longest::new(self.floor),
                ..ChannelTiming::default()
            };
        }
        for id in &mut self.ids {
            let frames = id.frames;
            *id = IdTiming::new(id.key, self.floor);
            id.frames = frames;
        }
        self.recent.fill(aftermath::UNHEARD);
        (self.pauses, self.span) = (Pauses::default(), None);
    }

    /// Takes the next frames of the capture.
    pub fn push(&mut self, batch: &Batch) {
        let placed = self.place_groups(batch);
        let mut all = Part::new(std::mem::take(&mut self.ids), 0, 1, self.floor);
        all.push(batch, &placed);
        self.ids = all.ids;
    }

    /// Takes of the next frames what has to do with all identifiers, and says where each belongs.
    /// They themselves are left to a [`Part`] for each of them, which [`Timing::divide`] makes.
    pub fn place_groups(&mut self, batch: &Batch) -> Placed {
        self.push_to_channels(batch);
        self.pauses.push(batch);
        let spans = self.channels.iter().filter_map(ChannelTiming::span);
        self.span = spans.reduce(|(begin, end), (other_begin, other_end)| {
            (begin.min(other_begin), end.max(other_end))
        });
        let mut placed = Placed::default();
        for group in batch.grouped().iter() {
            let place = self.places.of(group.channel, group.id, MOST_IDENTIFIERS);
            match place {
                Some(place) => {
                    if place == self.recent.len() {
                        self.recent.push(aftermath::UNHEARD);
                    }
                    aftermath::hear(&mut self.recent[place], &group);
                }
                None => self.folded_frames += group.frames,
            }
            placed.places.push(place.map(|place| place as u32));
        }
        let channels = self.channels.iter();
        placed.around = channels
            .map(|own| Around {
                idle: own.spacing.idle(),
                last_frame: own.last_frame,
                first_error: own.first_error,
            })
            .collect();
        self.keep_last_frames(&batch.frames);
        placed
    }

    /// The identifiers in so many parts, each of which takes all frames by itself from now on, in
    /// the order of the capture; until [`Timing::unite`] there are none here.
    pub fn divide(&mut self, parts: usize) -> Vec<Part> {
        let mut divided: Vec<Part> =
            (0..parts).map(|at| Part::new(Vec::new(), at, parts, self.floor)).collect();
        for (place, id) in std::mem::take(&mut self.ids).into_iter().enumerate() {
            divided[place % parts].ids.push(id);
        }
        divided
    }

    /// Takes all parts back, in their order.
    pub fn unite(&mut self, parts: Vec<Part>) {
        let mut parts: Vec<_> = parts.into_iter().map(|part| part.ids.into_iter()).collect();
        // The first part has the first identifier, and as many as any other or one more.
        while let Some(id) = parts.first_mut().and_then(Iterator::next) {
            self.ids.push(id);
            self.ids.extend(parts.iter_mut().skip(1).map_while(Iterator::next));
        }
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
        let (heard, places) = (&self.recent, &self.places);
        let recent = |id| {
            let known = places.known(frame.channel, id).and_then(|place| heard.get(place));
            let recent = known.copied().unwrap_or(aftermath::UNHEARD);
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
