//! What the two families of structure differ in. One is for setting numbers, the other is kept
//! apart: other seeds and other structure. All weights are common practice without a source,
//! and wide on purpose.

use serde::{Deserialize, Serialize};

/// Which family of structure.
#[derive(Clone, Copy, PartialEq, Eq, Debug, Serialize, Deserialize)]
#[serde(rename_all = "lowercase")]
pub enum Family {
    /// For setting numbers.
    Fit,
    /// Kept apart, never looked at while rules are made.
    Held,
}

/// Weights of the structure that is drawn.
pub struct Shape {
    /// Mixed into each seed.
    pub salt: u64,
    /// Passenger car with 11 bits, car with 29 bits, truck with SAE J1939.
    pub kinds: [f64; 3],
    /// Fewest and most nodes.
    pub nodes: (usize, usize),
    /// Two channels with a gateway.
    pub two_channels: f64,
    /// Both channels in the recording, where there are two.
    pub both_recorded: f64,
    /// One mailbox an identifier, a queue, dropped while unheard, a mailbox that expires.
    pub buffers: [f64; 4],
    /// Boot all at once, in bursts by period, staggered.
    pub boots: [f64; 3],
    /// Longest stagger of a boot, in seconds.
    pub stagger: f64,
    /// Nodes without any counter.
    pub counterless: f64,
    /// Share of identifiers with a counter in the others, lowest and highest.
    pub counters: (f64, f64),
    /// Widths of counters in bits: 2, 4, 8, and 4 bits that go from 0 to 14 (AUTOSAR E2E).
    pub widths: [f64; 4],
    /// A counter that begins at 0, at 1, at its last value (kept), anywhere.
    pub starts: [f64; 4],
    /// All messages of a node lie on one grid of ticks.
    pub grid: f64,
    /// Longest standard deviation of the jitter, in seconds.
    pub jitter: f64,
    /// Vehicles with network-management frames.
    pub management: f64,
    /// Units that send something once after each start.
    pub announcing: f64,
    /// A failing supply chatters: several short cuts where one might expect one.
    pub chatter: f64,
    /// A testing session is kept up with "tester present".
    pub present: f64,
    /// Sleep: all at once, one after another, ignition-fed nodes first.
    pub sleeps: [f64; 3],
    /// Key: running throughout, begins at key-on, cranks in view, ends asleep, cycles, begins
    /// asleep.
    pub keys: [f64; 6],
    /// Recorder that writes error frames.
    pub error_frames: f64,
    /// Recorder that hears with acknowledge (not listen-only).
    pub acknowledges: f64,
    /// Tester: none, one scan, two scans, scan and clear and scan.
    pub testers: [f64; 4],
    /// Scans functional requests only, physical only, both.
    pub scans: [f64; 3],
    /// Old codes from earlier times in some modules.
    pub old_codes: f64,
    /// Watchdog resets as a habit of a node.
    pub watchdog: f64,
    /// A node that lost the bus stores bus-off codes only, not a code for each other module.
    pub mute_when_off: f64,
}

const FIT: Shape = Shape {
    salt: 0x51f1_7a3c,
    kinds: [0.62, 0.10, 0.28],
    nodes: (5, 20),
    two_channels: 0.25,
    both_recorded: 0.35,
    buffers: [0.50, 0.30, 0.20, 0.0],
    boots: [0.35, 0.30, 0.35],
    stagger: 2.0,
    counterless: 0.40,
    counters: (0.15, 0.6),
    widths: [0.10, 0.60, 0.20, 0.10],
    starts: [0.70, 0.12, 0.08, 0.10],
    grid: 0.55,
    jitter: 0.0008,
    management: 0.35,
    announcing: 0.05,
    chatter: 0.15,
    present: 0.2,
    sleeps: [0.35, 0.30, 0.35],
    keys: [0.46, 0.14, 0.14, 0.12, 0.08, 0.06],
    error_frames: 0.6,
    acknowledges: 0.5,
    testers: [0.18, 0.22, 0.30, 0.30],
    scans: [0.2, 0.35, 0.45],
    old_codes: 0.3,
    watchdog: 0.006,
    mute_when_off: 0.5,
};

const HELD: Shape = Shape {
    salt: 0xc0de_9d41,
    kinds: [0.50, 0.18, 0.32],
    nodes: (6, 25),
    two_channels: 0.40,
    both_recorded: 0.55,
    buffers: [0.30, 0.35, 0.15, 0.20],
    boots: [0.20, 0.35, 0.45],
    stagger: 1.6,
    counterless: 0.55,
    counters: (0.08, 0.5),
    widths: [0.20, 0.35, 0.20, 0.25],
    starts: [0.50, 0.15, 0.20, 0.15],
    grid: 0.35,
    jitter: 0.0015,
    management: 0.50,
    announcing: 0.2,
    chatter: 0.35,
    present: 0.5,
    sleeps: [0.25, 0.40, 0.35],
    keys: [0.36, 0.16, 0.16, 0.14, 0.11, 0.07],
    error_frames: 0.5,
    acknowledges: 0.35,
    testers: [0.12, 0.25, 0.25, 0.38],
    scans: [0.1, 0.5, 0.4],
    old_codes: 0.4,
    watchdog: 0.01,
    mute_when_off: 0.35,
};

impl Family {
    /// The weights of the family.
    pub fn shape(self) -> &'static Shape {
        match self {
            Self::Fit => &FIT,
            Self::Held => &HELD,
        }
    }

    /// The family of a word.
    pub fn named(word: &str) -> Option<Self> {
        match word {
            "fit" => Some(Self::Fit),
            "held" => Some(Self::Held),
            _ => None,
        }
    }
}
