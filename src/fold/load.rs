//! Bit rate and bus load from the exact length of each frame. How the bit rate is found, and how
//! sure that is: docs/load.md.

use lostnode_parsers::FrameKind;
use lostnode_parsers::wire::Length;

use crate::capture::{Batch, ChannelIndex, Frame, TimeSummary};
use crate::fold::bit_rate::{BitRate, RateEvidence};
use crate::fold::timing::{Nanoseconds, nanoseconds, seconds};
use crate::settings::Settings;

/// Most bins of a load series; a longer capture gets wider bins.
const MOST_BINS: usize = 1 << 15;
/// Bins are kept this short at least, in seconds: a bit rate is ruled out by a half second that
/// could not have carried its bits.
const HALF_SECOND: f64 = 0.5;
/// Highest load that may be: no bus is busy for more than all of the time, but for the blur of the
/// logger's clock at both ends of a bin (0.05: no source).
const MOST_LOAD: f64 = 1.05;

/// The load of every channel.
#[derive(Clone, Debug, Default)]
pub struct Loads {
    /// By channel index.
    pub channels: Vec<Load>,
    /// Width of a bin in seconds.
    bin: f64,
}

impl Loads {
    /// With bins of `bin` seconds.
    pub fn new(bin: f64) -> Self {
        Loads { channels: Vec::new(), bin }
    }

    /// Takes the next frames of the capture.
    pub fn push(&mut self, batch: &Batch) {
        let frames = batch.frames.as_slice();
        if let Some(times) = batch.time_summary()
            && let Some(channel) = times.channel.map(|channel| self.channel(channel))
            && channel.can_skip_rate(times)
        {
            channel.push_in_order(frames);
        } else {
            frames.iter().for_each(|frame| self.channel(frame.channel).push_frame(frame));
        }
    }

    /// Keeps nothing but which channels there are.
    pub(super) fn forget_times(&mut self) {
        let bin = self.bin;
        self.channels.iter_mut().for_each(|load| *load = Load::new(bin));
    }

    /// The load of a channel, made where there is none yet.
    #[inline]
    fn channel(&mut self, channel: ChannelIndex) -> &mut Load {
        let channel = usize::from(channel);
        if self.channels.len() <= channel {
            self.channels.resize_with(channel + 1, || Load::new(self.bin));
        }
        &mut self.channels[channel]
    }
}

/// Bits on one channel over time.
#[derive(Clone, Debug)]
pub struct Load {
    start: Option<Nanoseconds>,
    bin: Nanoseconds,
    /// How many bins are put together to one of the series.
    together: usize,
    bins: Vec<Bits>,
    /// Most bits per second in a bin of half a second or less, of those that were widened since.
    fullest: f64,
    last: Option<Nanoseconds>,
    /// Bin of the last frame, and when it begins.
    latest: usize,
    begin: Nanoseconds,
    rate: RateEvidence,
}

/// Bits in one bin at each of the two rates.
#[derive(Clone, Copy, Debug, Default)]
struct Bits {
    nominal: u64,
    data_phase: u64,
}

impl Bits {
    #[inline]
    fn add(&mut self, length: Length) {
        self.nominal += u64::from(length.nominal);
        self.data_phase += u64::from(length.data_phase);
    }

    /// For how long they kept the bus busy, in seconds.
    fn seconds(&self, nominal: f64, data: f64) -> f64 {
        self.nominal as f64 / nominal + self.data_phase as f64 / data
    }

    fn sum(bins: &[Bits]) -> Bits {
        Bits {
            nominal: bins.iter().map(|bits| bits.nominal).sum(),
            data_phase: bins.iter().map(|bits| bits.data_phase).sum(),
        }
    }
}

/// Bus load over time.
#[derive(Clone, Debug, PartialEq)]
pub struct Series {
    /// Time of the first bin's start.
    pub start: Nanoseconds,
    /// Width of a bin in seconds.
    pub bin: f64,
    /// Share of the time that the bus was busy, per bin, 0 to 1; more where a recorder delivers in
    /// bursts.
    pub load: Vec<f64>,
}

impl Series {
    /// Mean over the whole channel, 0 to 1; more where the bit rate or the stamps are wrong.
    pub fn mean(&self) -> f64 {
        self.load.iter().sum::<f64>() / self.load.len().max(1) as f64
    }

    /// Highest bin: its load and the time of its start.
    pub fn peak(&self) -> Option<(f64, Nanoseconds)> {
        let (at, load) =
            self.load.iter().enumerate().max_by(|a, b| a.1.total_cmp(b.1).then(b.0.cmp(&a.0)))?;
        Some((*load, self.start + nanoseconds(at as f64 * self.bin)))
    }
}

impl Load {
    /// With bins of `bin` seconds.
    fn new(bin: f64) -> Self {
        let together = (bin / HALF_SECOND).ceil().clamp(1.0, 1000.0) as usize;
        Load {
            start: None,
            bin: (nanoseconds(bin).max(1_000_000) as f64 / together as f64).round() as Nanoseconds,
            together,
            bins: Vec::new(),
            fullest: 0.0,
            last: None,
            latest: 0,
            begin: 0,
            rate: RateEvidence::default(),
        }
    }

    #[inline]
    fn push_frame(&mut self, frame: &Frame) {
        let Some(time) = frame.heard() else { return };
        if let (false, Some(last), FrameKind::Classic(_)) =
            (self.rate.is_settled(), self.last, &frame.kind)
        {
            self.rate.push(time - last, frame.length.nominal);
        }
        self.last = Some(time);
        self.bits(time).add(frame.length);
    }

    /// Whether frames with these time stamps are in order and change nothing of the bit rate.
    fn can_skip_rate(&self, times: &TimeSummary) -> bool {
        self.rate.is_settled() && times.gap_bound >= 0
    }

    /// Takes frames that are all of this channel, with time stamps in order, and looks for the end
    /// of each bin instead of for the bin of each frame.
    fn push_in_order(&mut self, frames: &[Frame]) {
        let mut rest = frames;
        while let Some(time) = rest.first().and_then(Frame::heard) {
            self.bits(time);
            let (begin, bin) = (self.begin, self.bin);
            let inside =
                |frame: &Frame| frame.heard().is_some_and(|time| time.saturating_sub(begin) < bin);
            let (own, others) = rest.split_at(rest.partition_point(inside).max(1));
            let bits = self.bits(time);
            own.iter().for_each(|frame| bits.add(frame.length));
            rest = others;
        }
        self.last = frames.last().and_then(Frame::heard).or(self.last);
    }

    /// The bin of a time stamp: most often that of the frame before.
    #[inline]
    fn bits(&mut self, time: Nanoseconds) -> &mut Bits {
        let same =
            (0..self.bin).contains(&time.wrapping_sub(self.begin)) && self.latest < self.bins.len();
        if same { &mut self.bins[self.latest] } else { self.locate(time) }
    }

    /// The bin of a time stamp, made where there is none yet.
    #[cold]
    fn locate(&mut self, time: Nanoseconds) -> &mut Bits {
        let start = *self.start.get_or_insert(time);
        // A frame before the first one, after a step of the clock, counts in the first bin.
        let since = time.saturating_sub(start).max(0);
        while since / self.bin >= (MOST_BINS * self.together) as i64 {
            self.widen();
        }
        self.latest = (since / self.bin) as usize;
        self.begin = start.saturating_add(self.latest as i64 * self.bin);
        if self.bins.len() <= self.latest {
            self.bins.resize(self.latest + 1, Bits::default());
        }
        &mut self.bins[self.latest]
    }

    fn widen(&mut self) {
        self.fullest = self.fullest();
        self.bin *= 2;
        self.bins = self.bins.chunks(2).map(Bits::sum).collect();
    }

    /// Most bits per second that a bin of half a second or less carried.
    fn fullest(&self) -> f64 {
        let bin = seconds(self.bin);
        if bin > HALF_SECOND {
            return self.fullest;
        }
        let most = self.bins.iter().map(|bits| bits.nominal).max().unwrap_or(0);
        self.fullest.max(most as f64 / bin)
    }

    /// The bit rate given, or inferred, or unknown: as it is where one was given at which the bus
    /// would have been busy for longer than there was time.
    pub fn bit_rate(&self, settings: &Settings) -> BitRate {
        match settings.bit_rate {
            None => self.rate.infer(self.fullest()),
            Some(given) if self.cannot_carry(given, settings) => BitRate::Unknown,
            Some(given) => BitRate::Given(given),
        }
    }

    /// Whether some second held more bits than a bit rate allows. In a shorter bin there may be
    /// more, where a recorder delivers in bursts; and what a data phase took is known only where
    /// its rate is.
    fn cannot_carry(&self, nominal: f64, settings: &Settings) -> bool {
        let data = settings.data_bit_rate.unwrap_or(f64::INFINITY);
        let together = (1.0 / seconds(self.bin)).ceil().max(1.0) as usize;
        let width = seconds(self.bin) * together as f64;
        let mut busy =
            self.bins.chunks(together).map(|bins| Bits::sum(bins).seconds(nominal, data));
        busy.any(|busy| busy > MOST_LOAD * width)
    }

    /// Load over time at a bit rate; the data phase of CAN FD at its own rate, or at the nominal
    /// one where not given. `None` where the rate is unknown or nothing carried a time stamp.
    pub fn series(&self, settings: &Settings) -> Option<Series> {
        self.series_at(self.bit_rate(settings).bits_per_second()?, settings)
    }

    fn series_at(&self, nominal: f64, settings: &Settings) -> Option<Series> {
        let data = settings.data_bit_rate.unwrap_or(nominal);
        let start = self.start?;
        let bin = seconds(self.bin.saturating_mul(self.together as i64));
        let bins: Vec<Bits> = self.bins.chunks(self.together).map(Bits::sum).collect();
        let last = bins.len() - 1;
        let tail = self.last.map_or(bin, |time| seconds(time - start) - last as f64 * bin);
        let load = bins.iter().enumerate().map(|(at, bits)| {
            // The capture ends inside the last bin; a sliver of one would show chance, not load.
            let width = if at == last { tail.clamp(bin / 10.0, bin) } else { bin };
            bits.seconds(nominal, data) / width
        });
        Some(Series { start, bin, load: load.collect() })
    }

    /// Whether some bin holds more bits than the rate allows, beyond the blur of the logger's
    /// clock.
    pub fn exceeds(&self, settings: &Settings) -> bool {
        let nominal = settings.bit_rate.or_else(|| self.bit_rate(settings).bits_per_second());
        nominal
            .and_then(|nominal| self.series_at(nominal, settings)?.peak())
            .is_some_and(|(peak, _)| peak > MOST_LOAD)
    }
}
