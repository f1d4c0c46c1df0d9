//! The bit rate of a channel, from how closely frames follow each other. The method and what it
//! was measured on: docs/load.md.

use crate::fold::timing::Nanoseconds;

/// Bit rates in use on vehicles, bits per second: ISO 11898-2 and SAE J1939-11/-14, J2284-1/-2/-3,
/// J2411, ISO 11898-3, and common practice.
pub const USUAL_RATES: [f64; 10] =
    [100e3 / 3.0, 50e3, 250e3 / 3.0, 1e9 / 10_500.0, 100e3, 125e3, 250e3, 500e3, 800e3, 1e6];

/// A bit rate and where it is from.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
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
    #[default]
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

/// How exactly the frames of a channel keep the spacing that each usual rate would give them.
///
/// A frame that waited for the one before it ends exactly its own length later. Adapters blur that
/// by 10 to 20 µs and hold some frames back, so the shortest gaps say nothing; but at the true rate
/// the gaps less the frames' own lengths pile up at zero, and at no other rate do they.
#[derive(Clone, Debug, Default)]
pub struct RateEvidence {
    candidates: [Candidate; USUAL_RATES.len()],
    pairs: u64,
    /// Gaps of whole 100 µs: what is left of time stamps in whole milliseconds, or coarser ones.
    coarse: u64,
    /// Gaps shorter than any frame takes at 1 Mbit/s.
    impossible: u64,
    grid: Grid,
}

/// What one rate makes of the gaps: gap less the frame's own length at that rate.
#[derive(Clone, Copy, Debug, Default)]
struct Candidate {
    /// Within [`NEAR`] of zero.
    near: u64,
    /// Beyond, within [`SIDE`].
    side: u64,
    /// Sooner than the frame could have been sent.
    beaten: u64,
}

/// Gaps that a logger makes which delivers on the ticks of USB, one a millisecond.
#[derive(Clone, Copy, Debug, Default)]
struct Grid {
    gaps: u64,
    /// Within 30 µs of a whole millisecond.
    close: u64,
    /// Within 125 µs.
    about: u64,
}

/// Half the width of the peak in nanoseconds: the blur of an adapter's time stamps (measured on
/// open captures of five cars and three trucks).
const NEAR: i64 = 20_000;
/// The flanks that the peak is held against, in nanoseconds.
const SIDE: i64 = 3 * NEAR;
/// Shorter than the shortest frame at 1 Mbit/s, in nanoseconds.
const SHORTEST: Nanoseconds = 45_000;
/// A rate at which some half second would hold more than this share of its bits is impossible: 2 %
/// for the logger's crystal and the frame at the edge.
const FULL: f64 = 1.02;
/// Fewest pairs of frames that show anything.
const FEWEST_PAIRS: u64 = 300;
/// Largest share of frames sooner than possible: adapters hold back a tenth to a quarter of them.
const BEATEN: f64 = 0.27;
/// Least share of frames in the peak beyond what its flanks would put there.
const EXCESS: f64 = 0.015;
/// The peak must be at least so many times as high as its flanks.
const CONTRAST: f64 = 1.4;
/// The peak must stand above its flanks by at least so many standard deviations of the counts.
const DEVIATIONS: f64 = 5.0;

impl RateEvidence {
    /// Pairs of frames after which the evidence stands: the rate of a bus does not change.
    const ENOUGH: u64 = 1 << 17;

    /// Whether further frames change nothing.
    pub fn is_settled(&self) -> bool {
        self.pairs >= Self::ENOUGH
    }

    /// Takes the time since the frame before, and the length of the frame in bits with the
    /// interframe space.
    pub fn push(&mut self, gap: Nanoseconds, bits: u16) {
        self.pairs += 1;
        self.coarse += u64::from(gap % 100_000 == 0);
        self.impossible += u64::from(gap < SHORTEST);
        self.grid.push(gap);
        for (candidate, rate) in self.candidates.iter_mut().zip(USUAL_RATES) {
            candidate.push(gap - (f64::from(bits) * 1e9 / rate) as Nanoseconds);
        }
    }

    /// The rate, where one stands out. `fullest` is the most bits per second that any half second
    /// carried. Unknown is better than wrong: the load, and what is made of it, hang on this.
    pub fn infer(&self, fullest: f64) -> BitRate {
        let possible = || (0..USUAL_RATES.len()).filter(|at| fullest <= FULL * USUAL_RATES[*at]);
        if let (Some(only), None) = (possible().next(), possible().nth(1)) {
            return BitRate::Inferred { rate: USUAL_RATES[only], confidence: 0.9 };
        }
        if self.pairs < FEWEST_PAIRS || self.is_coarse() || self.is_delivered_by_the_millisecond() {
            return BitRate::Unknown;
        }
        let share = |count: f64| count / self.pairs as f64;
        let mut peaks: Vec<(usize, f64)> = possible()
            .filter(|at| share(self.candidates[*at].beaten as f64) <= BEATEN)
            .filter(|at| self.candidates[*at].is_clear())
            .map(|at| (at, share(self.candidates[at].excess())))
            .filter(|(_, excess)| *excess >= EXCESS)
            .collect();
        peaks.sort_by(|a, b| b.1.total_cmp(&a.1));
        match *peaks.as_slice() {
            [(best, most), (_, second), ..] if second * 1.5 <= most => self.inferred(best),
            [(best, _)] => self.inferred(best),
            _ => BitRate::Unknown,
        }
    }

    /// The higher the peak stands above its flanks, the surer.
    fn inferred(&self, at: usize) -> BitRate {
        let contrast = self.candidates[at].contrast();
        let confidence = (1.0 - 1.0 / (contrast * contrast)).clamp(0.5, 0.99);
        BitRate::Inferred { rate: USUAL_RATES[at], confidence }
    }

    fn is_coarse(&self) -> bool {
        self.coarse as f64 >= 0.9 * self.pairs as f64
    }

    /// Whether the logger handed frames over once a millisecond: then stamps show its ticks and not
    /// the bus. Senders that share a grid of whole milliseconds look alike, but frames of theirs
    /// never come closer than a frame is long.
    fn is_delivered_by_the_millisecond(&self) -> bool {
        let of_grid = |count: u64| count as f64 / self.grid.gaps.max(1) as f64;
        of_grid(self.grid.close) >= 0.8
            || (of_grid(self.grid.about) >= 0.6
                && self.impossible as f64 >= 0.05 * self.pairs as f64)
    }
}

impl Candidate {
    #[inline]
    fn push(&mut self, off: Nanoseconds) {
        self.beaten += u64::from(off < -SIDE);
        let near = (-NEAR..=NEAR).contains(&off);
        self.near += u64::from(near);
        self.side += u64::from(!near && (-SIDE..=SIDE).contains(&off));
    }

    /// What the peak would hold if it were like its flanks, which are twice as wide.
    fn background(&self) -> f64 {
        self.side as f64 / 2.0
    }

    fn excess(&self) -> f64 {
        self.near as f64 - self.background()
    }

    fn contrast(&self) -> f64 {
        self.near as f64 / self.background().max(1.0)
    }

    fn is_clear(&self) -> bool {
        let deviation = (self.near as f64 + self.side as f64 / 4.0).sqrt();
        self.near >= 50 && self.contrast() >= CONTRAST && self.excess() >= DEVIATIONS * deviation
    }
}

impl Grid {
    #[inline]
    fn push(&mut self, gap: Nanoseconds) {
        if (500_000..20_500_000).contains(&gap) {
            let off = ((gap + 500_000) % 1_000_000 - 500_000).abs();
            self.gaps += 1;
            self.close += u64::from(off <= 30_000);
            self.about += u64::from(off <= 125_000);
        }
    }
}
