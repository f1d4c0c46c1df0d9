//! What vehicles do that is no fault, drawn by chance for the simulated buses of the examples: the
//! key, the starter, modes, bursts, pauses on a schedule, payloads that look like the diagnostic
//! transport, and recorders with habits of their own. docs/simulate.md has the keys.

use std::fmt::Write;

use rand::{RngExt, SeedableRng};
use rand_chacha::ChaCha8Rng;

/// When the key is turned, in seconds from the start.
#[derive(Clone, Copy)]
pub struct Key {
    pub off: f64,
    pub on: f64,
    /// When the starter turns.
    pub start: f64,
}

/// The habits of one vehicle and of who records it.
pub struct Life {
    random: ChaCha8Rng,
    pub key: Option<Key>,
    /// Times in which something is switched on.
    reverse: Vec<(f64, f64)>,
    /// With the key off all of its modules sleep, and wake now and then or never.
    pub sleeps: bool,
    wakes: bool,
    recorder: String,
}

impl Life {
    /// A vehicle whose habits follow from the seed, recorded for so many seconds.
    pub fn new(seed: u64, duration: f64) -> Life {
        // Drawn beside the faults, so that they stay the same whatever the habits are.
        let mut random = ChaCha8Rng::seed_from_u64(seed ^ 0x4C49_4645);
        let mut reverse = Vec::new();
        let mut at = random.random_range(0.1..0.3) * duration;
        while at < duration - 8.0 && reverse.len() < 4 {
            let lasts = random.random_range(2.0..7.0);
            reverse.push((at, lasts));
            at += lasts + random.random_range(0.1..0.4) * duration;
        }
        // Half of the adapters stamp each frame by itself; the others by whole milliseconds, by the
        // frame of the USB, or by a buffer that is emptied at each tick.
        let recorder = match random.random_range(0..6) {
            0 => "stamp_step = 0.001",
            1 => "delivers = { every = 0.001 }",
            2 => "delivers = { every = 0.00195, frames = 3 }",
            _ => "",
        };
        Life {
            key: None,
            reverse,
            sleeps: random.random_bool(0.5),
            wakes: random.random_bool(0.3),
            recorder: recorder.to_owned(),
            random,
        }
    }

    /// The key is turned off somewhere in these seconds, and on again.
    pub fn turn_key(&mut self, between: std::ops::Range<f64>) {
        let off = self.random.random_range(between);
        let on = off + self.random.random_range(8.0..16.0);
        self.key = Some(Key { off, on, start: on + self.random.random_range(1.5..4.0) });
    }

    /// A recorder of another kind, as `[recorder]` has it.
    pub fn record(&mut self, recorder: &str) {
        recorder.clone_into(&mut self.recorder);
    }

    /// The tables before the nodes.
    pub fn heading(&self) -> String {
        let mut text = String::new();
        if let Some(Key { off, on, start }) = self.key {
            for (at, turn) in [(off, "off"), (on, "on"), (start, "start")] {
                let _ = writeln!(text, "[[key]]\nat = {at:?}\nturn = \"{turn}\"");
            }
        }
        if !self.reverse.is_empty() {
            let (at, lasts): (Vec<f64>, Vec<f64>) = self.reverse.iter().copied().unzip();
            let _ = writeln!(text, "[[mode]]\nname = \"reverse\"\nat = {at:?}\nlasts = {lasts:?}");
        }
        text
    }

    /// The table after them.
    pub fn ending(&self) -> String {
        format!("[recorder]\n{}\n", self.recorder)
    }

    /// What a node does beside sending. The first one has an after-run, the last one stays awake
    /// with the key off unless the bus sleeps.
    pub fn of_node(&mut self, node: usize, count: usize) -> String {
        let mut text = String::new();
        if self.random.random_bool(0.5) {
            text += "tick = 0.01\n";
        }
        match node {
            0 => text += "leaves = 7.0\n",
            _ if node + 1 == count && !self.sleeps => return text + "always_on = true\n",
            _ => {}
        }
        if self.wakes {
            text += "wakes = { every = 1.0, lasts = 0.1 }\n";
        }
        match self.random.random_range(0..6) {
            0 => text += "starter = \"resets\"\n",
            1 => text += "starter = \"mutes\"\n",
            _ => {}
        }
        text
    }

    /// How a message is sent, beside its identifier: mostly on a plain timer. The first one of a
    /// node always is, and of the others one at most is sent in a mode or with pauses.
    pub fn of_message(&mut self, id: usize, period: f64, first: bool) -> String {
        let plain = format!("period = {period}");
        let kind = self.random.random_range(0..24);
        if first {
            return plain;
        }
        match kind {
            0 => format!("beats = [{}, {}]", 0.71 * period, 1.29 * period),
            1 => plain + ", mode = \"engine_runs\"",
            2 if !self.reverse.is_empty() => plain + ", mode = \"reverse\"",
            3 => plain + ", pauses = { every = 9.5, lasts = 1.5, first = 4.0 }",
            4 => {
                let other = id + 3;
                format!("{plain}, multiplex = {{ ids = [\"{other:03X}\"], frames = [1, 40] }}")
            }
            5 | 6 => plain + ", looks_like = \"single_frame\"",
            7 => plain + ", looks_like = \"consecutive_frame\"",
            _ => plain,
        }
    }
}
