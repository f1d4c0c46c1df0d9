//! What the user may set about the analysis, with the defaults and their reasons.

use lostnode_parsers::Id;
use lostnode_parsers::frame::parse_id;

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
    /// A time-out shorter than this is a momentary loss: counted, listed, and no outage. Healthy
    /// control units pause for up to 0.16 s when they start an engine (measured on an open capture
    /// of a sound car, see docs/outages.md).
    pub shortest_outage: f64,
    /// Nominal bit rate in bits per second, where the user knows it.
    pub bit_rate: Option<f64>,
    /// Data bit rate of CAN FD in bits per second, where the user knows it.
    pub data_bit_rate: Option<f64>,
    /// Width of a bin of the bus load series.
    pub load_bin: f64,
    /// Request and response identifiers of diagnosis that the user named.
    pub pairs: Vec<Pair>,
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
            pairs: Vec::new(),
        }
    }
}

impl Settings {
    /// Seconds of silence after which an identifier of this period and jitter has timed out.
    pub fn timeout(&self, period: f64, jitter: f64) -> f64 {
        (self.timeout_periods * period + jitter).max(self.timeout_floor)
    }
}

/// How the addresses of a message are carried (ISO 15765-2:2016, 10.3).
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub enum Addressing {
    /// In the identifier alone.
    #[default]
    Normal,
    /// The first data byte is the target's address.
    Extended,
    /// The first data byte extends the address in the identifier.
    Mixed,
}

/// A request and a response identifier that the user named.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Pair {
    /// The tester's.
    pub request: Id,
    /// The module's.
    pub response: Id,
    /// How addresses are carried.
    pub addressing: Addressing,
}

impl std::str::FromStr for Pair {
    type Err = String;

    /// `5C1:5D1:extended`; the addressing may be left out.
    fn from_str(text: &str) -> Result<Pair, String> {
        let parts: Vec<&str> = text.split(':').collect();
        let id = |text: &str| {
            parse_id(text).ok_or_else(|| {
                format!(
                    "`{text}` is no identifier: 3 hexadecimal digits up to 7FF or 8 up to 1FFFFFFF"
                )
            })
        };
        let addressing = match parts.get(2) {
            None | Some(&"normal") => Addressing::Normal,
            Some(&"extended") => Addressing::Extended,
            Some(&"mixed") => Addressing::Mixed,
            Some(other) => {
                return Err(format!("`{other}` is no addressing: normal, extended or mixed"));
            }
        };
        match parts.as_slice() {
            [request, response] | [request, response, _] => {
                Ok(Pair { request: id(request)?, response: id(response)?, addressing })
            }
            _ => Err(
                "write REQUEST:RESPONSE or REQUEST:RESPONSE:ADDRESSING, such as 5C1:5D1:extended"
                    .to_owned(),
            ),
        }
    }
}
