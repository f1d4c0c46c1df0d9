//! The recorder: what it writes of what it hears, as log text.

use std::fmt::Write as _;

use serde::{Deserialize, Serialize};

use crate::bus::{Heard, Why};
use crate::draw::Draw;
use crate::frame::{Frame, text_id};
use crate::sim::{Ns, ns, secs};

/// A recorder.
#[derive(Clone, Debug)]
pub struct Recorder {
    /// Channels it is on.
    pub channels: Vec<usize>,
    /// It writes error frames.
    pub errors: bool,
    /// Step of its clock, in nanoseconds.
    pub step: Ns,
    /// It pauses, from and to in seconds.
    pub pauses: Vec<(f64, f64)>,
    /// Time of its first moment, seconds since 1970.
    pub epoch: f64,
    /// It tells the place of an error in the frame.
    pub places: bool,
}

/// An error frame that was written, and what it destroyed.
#[derive(Clone, Debug, Serialize, Deserialize)]
pub struct ErrorTruth {
    /// Channel.
    pub channel: usize,
    /// Seconds of the recording.
    pub time: f64,
    /// Destroyed identifier.
    pub id: String,
    /// Arbitration still lasted: nobody can be named.
    pub early: bool,
    /// It is never sent again: its sender went.
    pub torn: bool,
}

/// What is written, and the truth about errors in it.
pub struct Written {
    /// The text.
    pub text: String,
    /// Errors in order.
    pub errors: Vec<ErrorTruth>,
}

impl Recorder {
    /// Draws a recorder.
    pub fn new(channels: Vec<usize>, errors: bool, span: (f64, f64), draw: &mut Draw) -> Self {
        let mut pauses = Vec::new();
        if draw.yes(0.08) {
            for _ in 0..draw.whole(1, 4) {
                let at = draw.between(span.0 + 2.0, span.1 - 2.0);
                pauses.push((at, at + draw.log(0.3, 8.0)));
            }
        }
        Self {
            channels,
            errors,
            step: draw.pick(&[1_000, 1_000, 1_000, 10_000, 100_000]),
            pauses,
            epoch: 1_700_000_000.0 + draw.whole(0, 60_000_000) as f64,
            places: draw.yes(0.6),
        }
    }

    /// Writes what was heard within a span.
    pub fn write(&self, heard: &[Heard], span: (f64, f64), draw: &mut Draw) -> Written {
        let (from, to) = (ns(span.0), ns(span.1));
        let mut lines: Vec<(Ns, usize)> = heard
            .iter()
            .enumerate()
            .map(|(place, what)| (time_of(what), place))
            .filter(|(time, _)| (from..to).contains(time))
            .filter(|(time, _)| !self.pauses(*time))
            .collect();
        lines.sort_unstable();
        let mut written = Written { text: String::new(), errors: Vec::new() };
        for (time, place) in lines {
            let delay = (draw.unit() * draw.unit() * 30_000.0) as Ns;
            let stamp = (time - from + delay) / self.step * self.step;
            self.line(&heard[place], stamp, &mut written, draw);
        }
        written
    }

    fn pauses(&self, time: Ns) -> bool {
        self.pauses.iter().any(|&(from, to)| (from..to).contains(&secs(time)))
    }

    fn line(&self, what: &Heard, stamp: Ns, written: &mut Written, draw: &mut Draw) {
        let seconds = self.epoch as u64 + stamp / 1_000_000_000;
        let micros = stamp % 1_000_000_000 / 1000;
        match what {
            Heard::Frame(_, channel, frame) if self.channels.contains(channel) => {
                let _ = write!(written.text, "({seconds}.{micros:06}) can{channel} ");
                push_frame(&mut written.text, frame);
            }
            Heard::Error(_, channel, id, early, why)
                if self.errors && self.channels.contains(channel) =>
            {
                let (class, data) = report(*early, *why, self.places, draw);
                let _ = write!(written.text, "({seconds}.{micros:06}) can{channel} {class:08X}#");
                for byte in data {
                    let _ = write!(written.text, "{byte:02X}");
                }
                written.text.push('\n');
                written.errors.push(ErrorTruth {
                    channel: *channel,
                    time: secs(stamp),
                    id: text_id(*id, *id > 0x7FF),
                    early: *early,
                    torn: *why == Why::Torn,
                });
            }
            _ => {}
        }
    }
}

fn time_of(what: &Heard) -> Ns {
    match what {
        Heard::Frame(time, ..) | Heard::Error(time, ..) => *time,
    }
}

fn push_frame(text: &mut String, frame: &Frame) {
    let width = if frame.extended { 8 } else { 3 };
    let _ = write!(text, "{:0width$X}#", frame.id);
    for byte in frame.bytes() {
        let _ = write!(text, "{byte:02X}");
    }
    text.push('\n');
}

/// An error report as Linux makes it (linux/can/error.h, from memory): protocol and bus error,
/// kind in byte 2, place in byte 3.
fn report(early: bool, why: Why, places: bool, draw: &mut Draw) -> (u32, [u8; 8]) {
    let mut data = [0; 8];
    if why == Why::Alone {
        data[3] = if places { 0x19 } else { 0 };
        return (0x2000_00A8, data);
    }
    data[2] = if why == Why::Torn { 0x04 } else { draw.pick(&[0x04, 0x02, 0x01, 0x04]) };
    if places {
        data[3] = if early { 0x02 } else { draw.pick(&[0x0A, 0x0A, 0x0B, 0x08]) };
    }
    (0x2000_0088, data)
}
