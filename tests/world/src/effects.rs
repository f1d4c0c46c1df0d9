//! What a fault does to units and wires, and nothing about its name.

use crate::codes::Code;

/// Frames of some or all senders are destroyed.
#[derive(Clone, Copy, Debug)]
pub struct Noise {
    /// Channel.
    pub channel: usize,
    /// Only frames of this unit; None: of all.
    pub sender: Option<usize>,
    /// From, in seconds.
    pub from: f64,
    /// To, in seconds.
    pub to: f64,
    /// Probability that a frame is destroyed.
    pub chance: f64,
    /// Share destroyed while arbitration lasts.
    pub early: f64,
}

/// The wires of units are open.
#[derive(Clone, Debug)]
pub struct Open {
    /// Units beyond the break.
    pub nodes: Vec<usize>,
    /// Channel of the break.
    pub channel: usize,
    /// From, in seconds.
    pub from: f64,
    /// To, in seconds.
    pub to: f64,
    /// The units beyond still hear one another.
    pub together: bool,
}

/// The whole line carries nothing.
#[derive(Clone, Copy, Debug)]
pub struct Down {
    /// Channel.
    pub channel: usize,
    /// From, in seconds.
    pub from: f64,
    /// To, in seconds.
    pub to: f64,
    /// A recorder sees each failing try as an error; else it sees nothing.
    pub visible: bool,
}

/// A unit sends without end.
#[derive(Clone, Copy, Debug)]
pub struct Flood {
    /// Unit.
    pub node: usize,
    /// Identifier.
    pub id: u32,
    /// Time from one frame to the next, in seconds.
    pub gap: f64,
    /// From, in seconds.
    pub from: f64,
    /// To, in seconds.
    pub to: f64,
}

/// All that faults do in one case.
#[derive(Clone, Debug, Default)]
pub struct Effects {
    /// Unit without power, from and to.
    pub cuts: Vec<(usize, f64, f64)>,
    /// Wires open.
    pub opens: Vec<Open>,
    /// Frames destroyed.
    pub noise: Vec<Noise>,
    /// Line down.
    pub downs: Vec<Down>,
    /// Floods.
    pub floods: Vec<Flood>,
    /// Unit whose program stands still while its diagnosis answers, from and to.
    pub hangs: Vec<(usize, f64, f64)>,
    /// The gateway carries nothing over, from and to.
    pub unrouted: Vec<(f64, f64)>,
    /// Codes that fail now, in a unit, from a time on.
    pub codes: Vec<(usize, Code, f64)>,
    /// Codes of earlier times.
    pub old: Vec<(usize, Code)>,
    /// Unit that carries another vehicle's identification.
    pub foreign: Vec<(usize, String)>,
}

impl Effects {
    /// Probability that a frame of a unit is destroyed now, and the share of early ones.
    pub fn noise_at(&self, channel: usize, sender: usize, at: f64) -> (f64, f64) {
        let mut spared = 1.0;
        let mut early = 0.0;
        for noise in &self.noise {
            let mine = noise.sender.is_none_or(|own| own == sender);
            if noise.channel == channel && mine && (noise.from..noise.to).contains(&at) {
                spared *= 1.0 - noise.chance;
                early = noise.early;
            }
        }
        (1.0 - spared, early)
    }

    /// The line is down now: whether a recorder sees errors.
    pub fn down_at(&self, channel: usize, at: f64) -> Option<bool> {
        self.downs
            .iter()
            .find(|down| down.channel == channel && (down.from..down.to).contains(&at))
            .map(|down| down.visible)
    }

    /// The unit's program stands still.
    pub fn hangs_at(&self, node: usize, at: f64) -> bool {
        self.hangs.iter().any(|&(own, from, to)| own == node && (from..to).contains(&at))
    }

    /// The gateway carries nothing over.
    pub fn unrouted_at(&self, at: f64) -> bool {
        self.unrouted.iter().any(|&(from, to)| (from..to).contains(&at))
    }
}
