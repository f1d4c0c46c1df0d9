//! How error frames come and whom they strike, as signs of what is behind them.

/// How the error frames of a bus came.
#[derive(Clone, Copy, Debug, PartialEq)]
#[non_exhaustive]
pub enum ErrorKind {
    /// The controller left the bus so often.
    BusOff(usize),
    /// So many a minute, which is frequent.
    Frequent(f64),
    /// So many within [`ErrorKind::BURST`] seconds, which is frequent too: a recording of minutes
    /// thins a burst out.
    Burst(usize),
    /// So many a minute, which is not.
    Few(f64),
}

impl ErrorKind {
    /// Seconds of a burst.
    pub const BURST: f64 = 10.0;
}

/// Whose frames errors destroyed.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub enum Spread {
    /// Everybody's alike.
    Everyone {
        /// Destroyed frames that are known by name.
        frames: usize,
        /// Senders of these.
        senders: usize,
    },
    /// Too few are known by name.
    #[default]
    Untold,
}
