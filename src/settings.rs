//! What the user may set about the analysis, with the defaults and their reasons.

/// Limits of the analysis. All times in seconds.
///
/// ```
/// let settings = lostnode::settings::Settings::default();
/// assert_eq!(settings.timeout(0.020, 0.001), 0.101);
/// ```
#[derive(Clone, Debug, PartialEq)]
pub struct Settings {
    /// An identifier has timed out after this many periods of silence, plus its jitter.
    pub timeout_periods: f64,
    /// … and not before this many seconds.
    pub timeout_floor: f64,
    /// A time-out shorter than this is a momentary loss: counted, listed, and no outage. Healthy control units pause for up to
    /// 0.16 s when they start an engine (measured on an open capture of a sound car, see docs/outages.md).
    pub shortest_outage: f64,
    /// Nominal bit rate in bits per second, where the user knows it.
    pub bit_rate: Option<f64>,
    /// Data bit rate of CAN FD in bits per second, where the user knows it.
    pub data_bit_rate: Option<f64>,
    /// Width of a bin of the bus load series.
    pub load_bin: f64,
}

impl Default for Settings {
    fn default() -> Self {
        Settings {
            timeout_periods: 5.0,
            timeout_floor: 0.1,
            shortest_outage: 0.2,
            bit_rate: None,
            data_bit_rate: None,
            load_bin: 1.0,
        }
    }
}

impl Settings {
    /// Seconds of silence after which an identifier of this period and jitter has timed out.
    pub fn timeout(&self, period: f64, jitter: f64) -> f64 {
        (self.timeout_periods * period + jitter).max(self.timeout_floor)
    }
}
