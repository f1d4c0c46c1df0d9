//! Whether the starter may be behind a short loss.

/// How likely the starter is behind a short loss, by its time.
#[derive(Clone, Copy, Debug, PartialEq)]
pub enum Starter {
    /// The engine was heard to start then.
    Turned,
    /// It began soon after the key was turned on or the bus woke, or after the recording began.
    Soon,
    /// It began so many seconds after that, when some still start the engine.
    Open(f64),
    /// It began so many seconds after that, when few do.
    Delayed(f64),
    /// It began so many seconds after the key was turned on or the bus woke, or after the recording
    /// began.
    Late(f64),
    /// The battery was charged already, at so many volts.
    Charged(f64),
}
