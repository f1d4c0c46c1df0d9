//! Bit rate and bus load from the exact length of each frame. How the bit rate is found, and how
//! sure that is: docs/load.md.

use lostnode_parsers::FrameKind;
use lostnode_parsers::wire::Length;

use crate::capture::{Batch, ChannelIndex, Frame, TimeSummary};
use crate::fold::timing::{Nanoseconds, nanoseconds, seconds};
use crate::settings::Settings;

/// Bit rates in use on vehicles, bits per second: ISO 11898-2 and SAE J1939-11/-14, J2284-1/-2/-3,
/// J2411, ISO 11898-3, and common practice.
pub const USUAL_RATES: [f64; 11] =
    [10e3, 20e3, 33_333.0, 50e3, 83_333.0, 95_238.0, 125e3, 250e3, 500e3, 800e3, 1e6];

/// So many times each usual rate, and a limit that no rate reaches.
const fn limits(factor: f64) -> [f64; USUAL_RATES.len() + 1] {
    let mut limits = [f64::INFINITY; USUAL_RATES.len() + 1];
    let mut at = 0;
    while at < USUAL_RATES.len() {
        limits[at] = USUAL_RATES[at] * factor;
        at += 1;
    }
    limits
}

/// Rates above which a frame is more than 6 % faster than each usual rate.
const BEATEN: [f64; USUAL_RATES.len() + 1] = limits(1.06);
/// Rates above which a frame is less than 6 % slower than each usual rate.
const CLOSE: [f64; USUAL_RATES.len() + 1] = limits(0.94);

/// Floating-point numbers are cut into sixteen for each doubling by their first bits (IEEE 754,
/// binary64); no two of [`BEATEN`] are in one part.
const PART: u32 = 48;
/// The part in which the first of [`BEATEN`] is, and how many there are to the last.
const FIRST_PART: u64 = BEATEN[0].to_bits() >> PART;
const PARTS: usize = ((BEATEN[USUAL_RATES.len() - 1].to_bits() >> PART) - FIRST_PART) as usize + 1;

/// How many of [`BEATEN`] lie below each part.
static BELOW: [u8; PARTS] = {
    let mut below = [0; PARTS];
    let mut part = 0;
    while part < PARTS {
        let mut at = 0;
        while (BEATEN[at].to_bits() >> PART) - FIRST_PART < part as u64 {
            at += 1;
        }
        below[part] = at as u8;
        part += 1;
    }
    below
};

/// How many of [`BEATEN`] a rate above zero is above. Rates come in no order that a processor could
/// guess: there is no branch.
#[inline]
fn beaten(rate: f64) -> usize {
    let part = (rate.to_bits() >> PART).saturating_sub(FIRST_PART) as usize;
    let below = usize::from(BELOW[part.min(PARTS - 1)]);
    below + usize::from(rate > BEATEN[below])
}

/// Most bins of a load series; a longer capture gets wider bins.
const MOST_BINS: usize = 1 << 15;

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
    bins: Vec<Bits>,
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
}

/// How often frames followed their predecessor as closely as each usual rate would have them.
#[derive(Clone, Debug, Default)]
struct RateEvidence {
    /// Within 6 % of each usual rate; the last stays nought.
    close: [u64; USUAL_RATES.len() + 1],
    /// By how many of the usual rates they beat by more than 6 %.
    beating: [u64; USUAL_RATES.len() + 1],
    total: u64,
}

/// A bit rate and where it is from.
#[derive(Clone, Copy, Debug, PartialEq)]
pub enum BitRate {
    /// The user said so.
    Given(f64),
    /// From the spacing of frames that follow each other without a pause.
    Inferred {
        /// Bits per second, one of [`USUAL_RATES`].
        rate: f64,
        /// 0 to 1.
        confidence: f64,
    },
    /// The capture does not show it.
    Unknown,
}

impl BitRate {
    /// Bits per second, where known.
    pub fn bits_per_second(self) -> Option<f64> {
        match self {
            BitRate::Given(rate) | BitRate::Inferred { rate, .. } => Some(rate),
            BitRate::Unknown => None,
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
    /// Share of the time that the bus was busy, per bin, 0 to 1.
    pub load: Vec<f64>,
}

impl Series {
    /// Mean over the whole channel.
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
        Load {
            start: None,
            bin: nanoseconds(bin).max(1_000_000),
            bins: Vec::new(),
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
            self.rate.push(time - last, f64::from(frame.length.nominal));
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
        while since / self.bin >= MOST_BINS as i64 {
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
        self.bin *= 2;
        let add = |pair: &[Bits]| Bits {
            nominal: pair.iter().map(|bits| bits.nominal).sum(),
            data_phase: pair.iter().map(|bits| bits.data_phase).sum(),
        };
        self.bins = self.bins.chunks(2).map(add).collect();
    }

    /// The bit rate given, or inferred, or unknown.
    pub fn bit_rate(&self, settings: &Settings) -> BitRate {
        settings.bit_rate.map_or_else(|| self.rate.infer(), BitRate::Given)
    }

    /// Load over time at a bit rate; the data phase of CAN FD at its own rate, or at the nominal
    /// one where not given. `None` where the rate is unknown or nothing carried a time stamp.
    pub fn series(&self, settings: &Settings) -> Option<Series> {
        let nominal = self.bit_rate(settings).bits_per_second()?;
        let data = settings.data_bit_rate.unwrap_or(nominal);
        let start = self.start?;
        let bin = seconds(self.bin);
        let last = self.bins.len() - 1;
        let tail = self.last.map_or(bin, |time| seconds(time - start) - last as f64 * bin);
        let load = self.bins.iter().enumerate().map(|(at, bits)| {
            // The capture ends inside the last bin; a sliver of one would show chance, not load.
            let width = if at == last { tail.clamp(bin / 10.0, bin) } else { bin };
            (bits.nominal as f64 / nominal + bits.data_phase as f64 / data) / width
        });
        Some(Series { start, bin, load: load.collect() })
    }

    /// Whether some bin holds more bits than the rate allows, beyond the blur of the logger's
    /// clock.
    pub fn exceeds(&self, settings: &Settings) -> bool {
        self.series(settings)
            .is_some_and(|series| series.peak().is_some_and(|(peak, _)| peak > 1.05))
    }
}

impl RateEvidence {
    /// Pairs of frames after which the evidence stands: the rate of a bus does not change.
    const ENOUGH: u64 = 1 << 17;

    fn is_settled(&self) -> bool {
        self.total >= Self::ENOUGH
    }

    fn push(&mut self, gap: Nanoseconds, bits: f64) {
        if gap <= 0 {
            self.total += 1;
            self.beating[USUAL_RATES.len()] += 1;
            return;
        }
        // Longer than the slowest rate needs: the bus was idle in between.
        if gap > 20_000_000 {
            return;
        }
        self.total += 1;
        // The rates ascend and their neighbourhoods are apart: this frame beats the first few, and
        // is close to the next one or to none.
        let rate = bits * 1e9 / gap as f64;
        let beaten = beaten(rate);
        self.beating[beaten] += 1;
        self.close[beaten] += u64::from(rate > CLOSE[beaten]);
    }

    /// How many frames were more than 6 % faster than each usual rate: impossible at that rate, but
    /// for the logger's clock.
    fn faster(&self) -> [u64; USUAL_RATES.len()] {
        let mut beyond: u64 = self.beating.iter().sum();
        std::array::from_fn(|at| {
            beyond -= self.beating[at];
            beyond
        })
    }

    /// A frame cannot follow its predecessor sooner than its own length takes, so the true rate is
    /// the one that many frames keep exactly and nearly none beats. Loggers that stamp in bursts
    /// blur this: then only a clear winner counts.
    fn infer(&self) -> BitRate {
        let share = |count: u64| count as f64 / self.total.max(1) as f64;
        let faster = self.faster();
        let possible = (0..USUAL_RATES.len()).filter(|at| share(faster[*at]) <= 0.03);
        let best = possible.max_by_key(|at| self.close[*at]);
        if let Some(at) = best
            && self.close[at] >= 50
            && share(self.close[at]) >= 0.02
        {
            let confidence = (1.0 - share(faster[at]) * 10.0).clamp(0.5, 0.99);
            return BitRate::Inferred { rate: USUAL_RATES[at], confidence };
        }
        let mut order: Vec<_> = (0..USUAL_RATES.len()).collect();
        order.sort_by_key(|at| std::cmp::Reverse(self.close[*at]));
        let (first, second) = (order[0], order[1]);
        if self.close[first] >= 200
            && share(self.close[first]) >= 0.1
            && self.close[first] >= 4 * self.close[second]
        {
            return BitRate::Inferred { rate: USUAL_RATES[first], confidence: 0.6 };
        }
        BitRate::Unknown
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn rates_beaten_are_those_below() {
        let around = BEATEN.into_iter().chain(USUAL_RATES).flat_map(|limit| {
            [limit.next_down(), limit, limit.next_up(), limit * 0.5, limit * 1.1]
        });
        for rate in around.chain([f64::MIN_POSITIVE, 1.0, 9_999.0, 1e7, 1e300, f64::INFINITY]) {
            assert_eq!(
                beaten(rate),
                BEATEN.iter().filter(|limit| rate > **limit).count(),
                "{rate}"
            );
        }
    }
}
