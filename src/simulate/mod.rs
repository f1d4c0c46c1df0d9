//! Captures with known ground truth: our own bus with nodes, clocks, arbitration, alive counters
//! and troubles.
//!
//! The same scenario and seed give the same capture on every machine.

mod away;
mod bus;
mod errors;
mod exchange;
mod record;
pub mod scenario;
mod sender;
mod signal;
mod strikes;
pub mod truth;

use std::io::{self, BufWriter, Write};
use std::path::Path;

use lostnode_parsers::{FrameKind, Timestamp, candump};

pub use scenario::Scenario;
pub use truth::{Truth, TruthSilence, What};

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

/// Runs a scenario and writes its capture, packed where the name that it gets ends in .gz or .zst.
///
/// # Errors
/// Those of the writer.
pub fn run_packed(scenario: &Scenario, name: &Path, out: impl Write) -> io::Result<Truth> {
    let mut out = BufWriter::new(out);
    let truth = match name.extension().and_then(|extension| extension.to_str()) {
        Some("gz") => {
            let mut packed = flate2::write::GzEncoder::new(&mut out, flate2::Compression::best());
            let truth = run(scenario, &mut packed)?;
            packed.finish()?;
            truth
        }
        Some("zst") => {
            let mut packed = zstd::stream::write::Encoder::new(&mut out, 19)?;
            let truth = run(scenario, &mut packed)?;
            packed.finish()?;
            truth
        }
        _ => run(scenario, &mut out)?,
    };
    out.flush()?;
    Ok(truth)
}

/// Runs a scenario and writes its capture as log text.
///
/// # Errors
/// Those of the writer.
pub fn run(scenario: &Scenario, out: &mut dyn Write) -> io::Result<Truth> {
    let start = crate::fold::timing::nanoseconds(scenario.start);
    let (mut logged, mut truth) = bus::run(scenario);
    let recorder = scenario.recorder.as_ref();
    if let Some(recorder) = recorder {
        let (kept, recording) = record::apply(scenario, recorder, logged);
        logged = kept;
        truth.recording = Some(recording);
    }
    for frame in logged {
        let time = Timestamp::from_nanoseconds(start + frame.time);
        let channel = &scenario.channels[frame.channel].name;
        let line = candump::Line { time, channel, kind: &frame.kind };
        if recorder.is_some_and(|recorder| recorder.padded) {
            writeln!(out, "{}", padded(&line.to_string()))?;
        } else {
            writeln!(out, "{line}")?;
        }
    }
    Ok(truth)
}

/// A line with its identifier in a column of 8 characters.
fn padded(line: &str) -> String {
    let split = line.rsplit_once(' ').zip(line.rsplit_once('#').map(|(_, data)| data));
    split.map_or(line.to_owned(), |((head, frame), data)| {
        let id = frame.split('#').next().unwrap_or(frame);
        format!("{head} {id:>8}#{data}")
    })
}
