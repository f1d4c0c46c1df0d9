//! The key, the starter, the supply and the sleep: when each unit lawfully has power and runs.

use crate::draw::Draw;
use crate::family::Shape;
use crate::vehicle::{Feed, Vehicle};

/// Seconds that are simulated before the recording begins.
pub const WARM: f64 = 6.0;

/// A stretch of time in seconds.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Span {
    /// First moment.
    pub from: f64,
    /// Last moment.
    pub to: f64,
    /// It ends in order: the unit finishes its frame. Else the power is cut.
    pub orderly: bool,
}

/// What the driver does.
#[derive(Clone, Debug, Default)]
pub struct Story {
    /// The recording begins and ends, in seconds of the simulation.
    pub record: (f64, f64),
    /// The key is on, from and to.
    pub on: Vec<(f64, f64)>,
    /// The starter turns: from, to, and the lowest voltage as a share of the nominal one.
    pub cranks: Vec<(f64, f64, f64)>,
    /// Name of the style, for tables.
    pub style: &'static str,
}

const STYLES: [&str; 6] = ["runs", "key-on", "cranks", "ends asleep", "cycles", "begins asleep"];

impl Story {
    /// Draws what the driver does in a recording of so many seconds.
    pub fn new(shape: &Shape, seconds: f64, draw: &mut Draw) -> Self {
        let style = draw.weigh(&shape.keys);
        let end = WARM + seconds;
        let mut story = Self { record: (WARM, end), style: STYLES[style], ..Self::default() };
        match style {
            0 => story.on.push((0.0, end + 99.0)),
            1 => story.begin(WARM + draw.between(0.0, 3.0), end + 99.0, draw),
            2 => {
                let at = WARM + draw.between(4.0, 25.0);
                story.on.push((0.0, end + 99.0));
                story.crank(at, draw);
            }
            3 => story.on.push((0.0, WARM + seconds * draw.between(0.4, 0.85))),
            4 => story.cycles(end, draw),
            _ => story.begin(WARM + draw.between(4.0, 18.0), end + 99.0, draw),
        }
        story
    }

    /// The key is turned on, and as a rule the engine is started.
    fn begin(&mut self, from: f64, to: f64, draw: &mut Draw) {
        self.on.push((from, to));
        if draw.yes(0.7) {
            self.crank(from + draw.log(0.6, 9.0), draw);
        }
    }

    fn crank(&mut self, at: f64, draw: &mut Draw) {
        // 0.5 to 3 s; ISO 7637-2 pulse 4: down to 6 V of 12 V, mostly 8.5 to 10.5 V.
        let least = if draw.yes(0.2) { draw.between(0.45, 0.7) } else { draw.between(0.7, 0.88) };
        self.cranks.push((at, at + draw.log(0.5, 3.0), least));
    }

    fn cycles(&mut self, end: f64, draw: &mut Draw) {
        let mut from = 0.0;
        let mut at = WARM + draw.between(8.0, 40.0);
        while at < end {
            self.on.push((from, at));
            from = at + draw.log(1.0, 45.0);
            at = from + draw.between(12.0, 60.0);
            if draw.yes(0.6) && from < end {
                self.crank(from + draw.log(0.6, 6.0), draw);
            }
        }
        self.on.push((from, end + 99.0));
    }

    /// The key is on.
    pub fn key(&self, at: f64) -> bool {
        self.on.iter().any(|&(from, to)| (from..to).contains(&at))
    }

    /// The key has been on for so many seconds, and the starter at rest.
    pub fn settled(&self, at: f64, seconds: f64) -> bool {
        let fresh =
            self.on.iter().any(|&(from, _)| from > 0.0 && (from..from + seconds).contains(&at));
        let turned = self.cranks.iter().any(|&(from, to, _)| (from..to + seconds).contains(&at));
        self.key(at) && !fresh && !turned
    }

    /// The starter turns.
    pub fn cranking(&self, at: f64) -> bool {
        self.cranks.iter().any(|&(from, to, _)| (from..to).contains(&at))
    }

    /// Supply as a share of the nominal voltage.
    pub fn supply(&self, at: f64) -> f64 {
        for &(from, to, least) in &self.cranks {
            if (from..to).contains(&at) {
                // Lowest at the first turn, then half way up.
                return if at - from < 0.15 { least } else { (least + 0.85) / 2.0 };
            }
        }
        let started = self.cranks.iter().any(|&(_, to, _)| to <= at) || self.cranks.is_empty();
        match self.key(at) {
            true if started => 1.17,
            true => 1.0,
            false => 1.03,
        }
    }

    /// When the key is on within the recording, away from its ends by so many seconds.
    pub fn driving(&self, margin: f64) -> Vec<(f64, f64)> {
        self.on
            .iter()
            .map(|&(from, to)| (from.max(self.record.0) + margin, to.min(self.record.1) - margin))
            .filter(|(from, to)| to - from > 3.0)
            .collect()
    }

    /// When a unit lawfully has power and runs.
    pub fn spans(&self, vehicle: &Vehicle, place: usize, draw: &mut Draw) -> Vec<Span> {
        let node = &vehicle.nodes[place];
        let mut spans: Vec<Span> = Vec::new();
        for &(on, off) in &self.on {
            let wake = if node.feed == Feed::Battery { draw.between(-0.8, 0.02) } else { 0.0 };
            let from = (on + wake + draw.between(0.0, 0.03)).max(0.0);
            let orderly = vehicle.sleep < 2 || node.feed == Feed::Battery;
            let span = Span { from, to: off + node.after_run, orderly };
            match spans.last_mut() {
                Some(last) if last.to >= from => *last = Span { from: last.from, ..span },
                _ => spans.push(span),
            }
        }
        for &(from, to, least) in &self.cranks {
            let cut = if node.feed == Feed::Accessory && vehicle.sleep != 0 {
                Some((from + draw.between(0.0, 0.02), to + draw.between(0.0, 0.05)))
            } else if vehicle.volts.min(12.0) * least < node.least_volts {
                Some((from + 0.01, from + draw.between(0.05, 0.3)))
            } else {
                None
            };
            if let Some((from, to)) = cut {
                spans = without(&spans, from, to);
            }
        }
        spans
    }
}

/// Takes a stretch out of spans: the power is cut there.
pub fn without(spans: &[Span], from: f64, to: f64) -> Vec<Span> {
    let mut left = Vec::new();
    for &span in spans {
        if to <= span.from || from >= span.to {
            left.push(span);
            continue;
        }
        if span.from < from {
            left.push(Span { from: span.from, to: from, orderly: false });
        }
        if to < span.to {
            left.push(Span { from: to, ..span });
        }
    }
    left
}
