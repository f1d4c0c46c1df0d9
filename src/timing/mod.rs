//! When each identifier was heard: one accumulator per channel and identifier, fed once per frame.

mod clock;
mod counter;
mod histogram;
mod pairs;
mod pause;
mod silence;

use lostnode_parsers::Id;

pub use clock::{Clock, Rate, rates};
pub use counter::{AliveCounter, CounterFinder};
pub use histogram::Gaps;
pub use pairs::{Offsets, Relative, relative};
pub use pause::Pauses;
pub use silence::{Longest, Silence};

use crate::capture::{ChannelIndex, Frame};
use crate::ids::Places;

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

/// Most identifiers told apart in one run; traffic of further ones is counted together. A vehicle has a few hundred.
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
    /// Rolling counters in its payload.
    pub counters: CounterFinder,
    last_payload: [u8; 8],
    /// Running mean of its gaps, while counters are looked for.
    usual_gap: Nanoseconds,
}

/// What is known of the timing of one channel.
#[derive(Clone, Debug, Default)]
pub struct ChannelTiming {
    /// Data and remote frames.
    pub frames: u64,
    /// Error reports of the logging controller.
    pub error_frames: u64,
    /// First and last time anything was heard.
    pub heard: Option<(Nanoseconds, Nanoseconds)>,
    /// Frames whose time stamp lay before that of the frame before, on this channel.
    pub out_of_order: u64,
    /// Furthest step back.
    pub largest_step_back: Nanoseconds,
    /// The longest times without any data or remote frame.
    pub silences: Longest,
    /// The first error reports with their time.
    pub errors: Vec<(Nanoseconds, lostnode_parsers::ErrorFrame)>,
}

impl ChannelTiming {
    /// Error reports kept with their time; the rest is counted.
    pub const KEPT_ERRORS: usize = 4096;

    fn push(&mut self, frame: &Frame) {
        let lostnode_parsers::FrameKind::Error(error) = &frame.kind else {
            self.frames += 1;
            let Some(time) = frame.time.map(lostnode_parsers::Timestamp::nanoseconds) else { return };
            match self.heard {
                None => self.heard = Some((time, time)),
                Some((_, last)) if time < last => {
                    self.out_of_order += 1;
                    self.largest_step_back = self.largest_step_back.max(last - time);
                }
                Some((first, last)) => {
                    self.silences.offer(Silence { start: last, end: time }, [[0; 8]; 2]);
                    self.heard = Some((first, time));
                }
            }
            return;
        };
        self.error_frames += 1;
        if let Some(time) = frame.time
            && self.errors.len() < Self::KEPT_ERRORS
        {
            self.errors.push((time.nanoseconds(), *error));
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

    /// Ends what is still under way; to be called after the last frame.
    pub fn finish(&mut self) {
        self.channels.iter_mut().for_each(|channel| channel.silences.settle());
        self.ids.iter_mut().for_each(|id| id.silences.settle());
    }

    /// Takes the next frames of the capture.
    pub fn push_all(&mut self, frames: &[Frame]) {
        frames.iter().for_each(|frame| self.push(frame));
    }

    #[inline]
    fn push(&mut self, frame: &Frame) {
        let channel = usize::from(frame.channel);
        while self.channels.len() <= channel {
            self.channels.push(ChannelTiming { silences: Longest::new(self.floor), ..ChannelTiming::default() });
        }
        self.channels[channel].push(frame);
        let Some(id) = frame.kind.id() else { return };
        let time = frame.time.map(lostnode_parsers::Timestamp::nanoseconds);
        if let Some(time) = time {
            self.span = Some(self.span.map_or((time, time), |(start, end)| (start.min(time), end.max(time))));
            self.pauses.push(time);
        }
        let Some(at) = self.places.of(frame.channel, id, MOST_IDENTIFIERS) else {
            self.folded_frames += 1;
            return;
        };
        if at == self.ids.len() {
            self.ids.push(IdTiming {
                key: Key { channel: frame.channel, id },
                frames: 0,
                heard: None,
                gaps: Gaps::default(),
                silences: Longest::new(self.floor),
                clock: Clock::default(),
                counters: CounterFinder::default(),
                last_payload: [0; 8],
                usual_gap: 0,
            });
        }
        let id = &mut self.ids[at];
        id.frames += 1;
        if let Some(time) = time {
            let (payload, length) = frame.kind.first_eight();
            id.push(time, payload, length);
        }
    }
}

impl IdTiming {
    #[inline]
    fn push(&mut self, time: Nanoseconds, payload: [u8; 8], length: usize) {
        match self.heard {
            None => {
                self.heard = Some((time, time));
                self.clock.push(time);
            }
            // The channel counts the step back; this gap is no gap.
            Some((_, last)) if time < last => return,
            Some((first, last)) => {
                let gap = time - last;
                if !self.counters.is_settled() {
                    self.count(gap, payload, length);
                }
                self.gaps.push(gap);
                self.silences.offer(Silence { start: last, end: time }, [self.last_payload, payload]);
                self.clock.push(time);
                self.heard = Some((first, time));
            }
        }
        self.last_payload = payload;
    }

    /// Looks for counters in two payloads that follow each other.
    fn count(&mut self, gap: Nanoseconds, payload: [u8; 8], length: usize) {
        // A frame may have been lost in a gap much longer than the one before it: that pair tells nothing of counters.
        if gap < self.usual_gap.saturating_mul(3) / 2 {
            self.counters.push(self.last_payload, payload, length);
        }
        self.usual_gap =
            if self.usual_gap == 0 { gap } else { self.usual_gap + (gap.min(4 * self.usual_gap) - self.usual_gap) / 16 };
    }

    /// Period and jitter where the identifier is sent on a timer.
    ///
    /// Periodic means: at least [`Rhythm::FEWEST_GAPS`] gaps, at least 80 % of them within half a period of the median,
    /// and at most 5 % longer than three periods (losses are few events, bursts are many).
    pub fn rhythm(&self) -> Option<Rhythm> {
        let count = self.gaps.count();
        if count < Rhythm::FEWEST_GAPS {
            return None;
        }
        let median = self.gaps.quantile(0.5)?;
        let near = self.gaps.count_between(0.5 * median, 1.5 * median);
        let long = self.gaps.count_between(3.0 * median, f64::INFINITY);
        if (near as f64) < 0.8 * count as f64 || long as f64 > (0.05 * count as f64).max(2.0) {
            return None;
        }
        let (period, jitter) = self.gaps.moments(0.5 * median, 1.5 * median)?;
        (period > 0.0).then_some(Rhythm { period, jitter })
    }
}

/// The timer of a periodic identifier, in seconds.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Rhythm {
    /// Mean of the gaps within half a period of the median: lost frames do not stretch it.
    pub period: f64,
    /// Standard deviation of the same gaps.
    pub jitter: f64,
}

impl Rhythm {
    /// Fewer gaps than this show no period.
    pub const FEWEST_GAPS: u64 = 8;
}
