//! Captures with known ground truth: our own bus with nodes, clocks, arbitration, alive counters
//! and troubles.
//!
//! The same scenario and seed give the same capture on every machine.

mod bus;
mod exchange;
pub mod scenario;
pub mod truth;

use std::io::{self, Write};

use lostnode_parsers::{FrameKind, Timestamp, candump};

pub use scenario::Scenario;
pub use truth::Truth;

/// A frame of the simulated capture.
#[derive(Clone, Copy, Debug)]
pub struct Logged {
    /// When the logger stamped it, nanoseconds from the start of the scenario.
    pub time: i64,
    /// Index into [`Scenario::channels`].
    pub channel: usize,
    /// The frame.
    pub kind: FrameKind,
}

/// Runs a scenario and writes its capture as log text.
///
/// # Errors
/// Those of the writer.
pub fn run(scenario: &Scenario, out: &mut dyn Write) -> io::Result<Truth> {
    let start = crate::fold::timing::nanoseconds(scenario.start);
    let (logged, truth) = bus::run(scenario);
    for frame in logged {
        let time = Timestamp::from_nanoseconds(start + frame.time);
        let channel = &scenario.channels[frame.channel].name;
        writeln!(out, "{}", candump::Line { time, channel, kind: &frame.kind })?;
    }
    Ok(truth)
}
