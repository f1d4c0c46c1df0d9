//! How often error frames come, as a sign of what is behind them.

/// How the error frames of a bus came.
#[derive(Clone, Copy, Debug, PartialEq)]
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
