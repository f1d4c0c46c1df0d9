//! What the logging controller reports of errors on the bus.

use lostnode_parsers::{ErrorFrame, FrameKind};
use rand::RngExt;
use rand_chacha::ChaCha8Rng;

use super::Logged;
use super::scenario::{Scenario, Trouble, TroubleKind};
use crate::fold::timing::nanoseconds;

/// All error reports of a channel: single ones while frames get through; that the logger ran over;
/// and while the bus is shorted errors, then bus-off, then that it is back.
pub(super) fn reports(scenario: &Scenario, channel: usize, random: &mut ChaCha8Rng) -> Vec<Logged> {
    let mut out = Vec::new();
    let here = |trouble: &Trouble| {
        trouble.channel.as_ref().is_none_or(|name| scenario.channel(name) == Some(channel))
    };
    let mut report = |time: i64, class: u32, data: [u8; 8]| {
        if let Some(error) = ErrorFrame::new(class, &data) {
            out.push(Logged { time, channel, kind: FrameKind::Error(error) });
        }
    };
    let times = |kind| scenario.occurrences(kind).filter(|(trouble, ..)| here(trouble));
    for (_, from, to) in times(TroubleKind::BusErrors) {
        let mut time = from;
        while time < to {
            report(time, 0x88, [0, 0, 0x04, 0, 0, 0, 0, 0]);
            time += nanoseconds(0.8 * random.random::<f64>());
        }
    }
    for (_, _, to) in times(TroubleKind::LoggerOverflow) {
        report(to, 0x04, [0, 0x01, 0, 0, 0, 0, 0, 0]);
    }
    for (_, from, to) in times(TroubleKind::BusShort) {
        let mut time = from + 200_000;
        for _ in 0..32 {
            report(time, 0x88, [0, 0, 0x08, 0, 0, 0, 0, 0]);
            time += nanoseconds(0.0004 + 0.0004 * random.random::<f64>());
        }
        report(time.min(to), 0x40, [0; 8]);
        report(to, 0x100, [0; 8]);
    }
    out
}
