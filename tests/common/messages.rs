//! Messages on timers, of which each time is known to the frame.
#![allow(dead_code)] // each test file uses some of them

use std::fmt::Write;

/// An identifier on a timer, as it stands in a log line.
#[derive(Clone)]
pub struct Message {
    /// Hexadecimal.
    pub id: String,
    /// Seconds.
    pub period: f64,
    /// Time of its first frame.
    pub first: f64,
    /// Its payload at a time.
    pub data: fn(f64) -> String,
    /// Silent from one second to another; the time grid begins anew after `shift` seconds more.
    pub silent: Vec<(f64, f64, f64)>,
    /// Each frame is late by up to so many seconds, so that nothing tells its clock.
    pub late: f64,
}

/// One that is never silent.
pub fn message(id: &str, period: f64, first: f64) -> Message {
    Message {
        id: id.to_owned(),
        period,
        first,
        data: |_| "00".to_owned(),
        silent: Vec::new(),
        late: 0.0,
    }
}

/// A frame that is sent once.
pub fn once(at: f64, id: &str, data: fn(f64) -> String) -> Message {
    Message { data, ..message(id, 1000.0, at) }
}

impl Message {
    /// Silent for a while, and back on its grid.
    pub fn silent(mut self, from: f64, to: f64) -> Message {
        self.silent.push((from, to, 0.0));
        self
    }

    /// Silent for a while, and back `shift` seconds off its grid.
    pub fn anew(mut self, from: f64, to: f64, shift: f64) -> Message {
        self.silent.push((from, to, shift));
        self
    }

    /// With frames that are late by up to so many seconds.
    pub fn late(mut self, late: f64) -> Message {
        self.late = late;
        self
    }

    /// When it comes.
    fn times(&self, seconds: f64) -> Vec<f64> {
        // Scattered alike in each run: the golden ratio fills the unit interval evenly.
        let late = |step: i32| self.late * (f64::from(step) * 0.618_034).fract();
        let steps = (0..).map(|step| self.first + f64::from(step) * self.period + late(step));
        steps
            .take_while(|time| *time < seconds)
            .filter(|time| !self.silent.iter().any(|(from, to, _)| (*from..*to).contains(time)))
            .map(|time| {
                let shift = self.silent.iter().filter(|(_, to, _)| time >= *to);
                time + shift.map(|(_, _, shift)| shift).sum::<f64>()
            })
            .collect()
    }
}

/// Those of a clock that is so much too slow, in millionths.
pub fn slow(messages: Vec<Message>, ppm: f64) -> Vec<Message> {
    let slower =
        |message: Message| Message { period: message.period * (1.0 + ppm * 1e-6), ..message };
    messages.into_iter().map(slower).collect()
}

/// `count` messages of 10 to 100 ms from an identifier on, each with its own phase.
pub fn messages(first: u32, count: u32) -> Vec<Message> {
    let one = |at: u32| {
        let period = [0.01, 0.02, 0.05, 0.1][at as usize % 4];
        message(&format!("{:03X}", first + at), period, 0.0007 * f64::from(at + first % 7))
    };
    (0..count).map(one).collect()
}

/// All of these silent at one instant.
pub fn cut(messages: Vec<Message>, from: f64, to: f64) -> Vec<Message> {
    messages.into_iter().map(|message| message.silent(from, to)).collect()
}

/// A log text of `seconds` of these messages.
pub fn log(seconds: f64, messages: &[Message]) -> String {
    let mut frames: Vec<(f64, String)> = Vec::new();
    for message in messages {
        let line = |time: f64| (time, format!("{}#{}", message.id, (message.data)(time)));
        frames.extend(message.times(seconds).into_iter().map(line));
    }
    frames.sort_by(|a, b| a.0.total_cmp(&b.0));
    let mut log = String::new();
    for (time, frame) in frames {
        writeln!(log, "({:.6}) can0 {frame}", 1_000.0 + time).unwrap();
    }
    log
}

/// What several buses carry, in order of time.
pub fn buses(seconds: f64, all: &[&[Message]]) -> String {
    let of_bus = |(at, own): (usize, &&[Message])| -> Vec<String> {
        let name = format!("can{at}");
        log(seconds, own).lines().map(|line| line.replace("can0", &name)).collect()
    };
    let mut lines: Vec<String> = all.iter().enumerate().flat_map(of_bus).collect();
    lines.sort_unstable();
    lines.join("\n")
}

/// A read of the codes of module `number`, and its answer.
pub fn read(at: f64, number: u16, answer: fn(f64) -> String) -> Vec<Message> {
    let (asks, answers) = (format!("{:03X}", 0x7E0 + number), format!("{:03X}", 0x7E8 + number));
    let ask = once(at, &asks, |_| "031902FF00000000".to_owned());
    vec![ask, once(at + 0.01, &answers, answer)]
}
