//! Frames that a fault of the wiring destroys, and what the recorder says of it.
//!
//! A high resistance in the bus wires weakens what crosses it. On this side lies the load of the
//! terminations, 60 Ohm or 120, so a node beyond drives them through the resistance and its
//! dominant bits come too low: the nodes here misread its frame and end it with an error flag,
//! which the recorder here sees. The other way round a node beyond a stub reads well, for nothing
//! loads the stub there. Where a termination lies beyond, that weakens what comes from here
//! too, and nodes beyond misread it; but their flag has to come back through the same place, and
//! seldom does. So frames from beyond are destroyed, and few of the others. A receiver that is bad
//! destroys all but its own; a missing termination or noise strikes whoever sends. Reflections,
//! and in which bit of a frame a level fails, are left out: the place is drawn by chance behind
//! the arbitration. All of it is reasoned from the circuit; the numbers have no source.

use lostnode_parsers::{ErrorFrame, FrameKind};
use rand::{RngExt, SeedableRng};
use rand_chacha::ChaCha8Rng;

use super::scenario::{Scenario, Trouble, TroubleKind};

/// Bits up to the end of arbitration of a standard identifier: start, identifier, remote bit.
const ARBITRATION: u16 = 13;
/// Bits of an error flag, of its delimiter, and of the space behind it.
const FLAG: u16 = 6;
const DELIMITER: u16 = 8;
const SPACE: u16 = 3;
/// How often a flag from beyond comes back through the bad place.
const COMES_BACK: f64 = 0.15;

/// Draws what is destroyed on one channel.
pub(super) struct Strikes<'a> {
    scenario: &'a Scenario,
    /// Troubles that strike frames, with their times.
    troubles: Vec<(&'a Trouble, i64, i64)>,
    random: ChaCha8Rng,
}

/// A frame that was destroyed.
pub(super) struct Struck {
    /// Bits from its start to what the recorder saw …
    pub seen: u16,
    /// … and until the bus was free again.
    pub over: u16,
    pub report: FrameKind,
}

impl<'a> Strikes<'a> {
    pub fn new(scenario: &'a Scenario, channel: usize) -> Strikes<'a> {
        let here = |trouble: &&Trouble| {
            trouble.channel.as_ref().is_none_or(|name| scenario.channel(name) == Some(channel))
        };
        let kinds = [TroubleKind::WeakContact, TroubleKind::BadReceiver, TroubleKind::BusNoise];
        let times = kinds.into_iter().flat_map(|kind| scenario.occurrences(kind));
        let troubles = times.filter(|(trouble, ..)| here(trouble)).collect();
        let seed = scenario.seed ^ 0x5354_524B_0000_0000 ^ channel as u64;
        Strikes { scenario, troubles, random: ChaCha8Rng::seed_from_u64(seed) }
    }

    /// Whether a frame of so many bits that begins now is destroyed. What no node of the scenario
    /// sends comes from beside the recorder.
    pub fn at(&mut self, now: i64, node: Option<usize>, bits: u16) -> Option<Struck> {
        let name = node.map(|at| self.scenario.nodes[at].name.as_str());
        let now = self.troubles.iter().filter(|(_, from, to)| (*from..*to).contains(&now));
        let chance: f64 = now.map(|(trouble, ..)| chance(trouble, name)).sum();
        if chance <= 0.0 || !self.random.random_bool(chance.min(1.0)) {
            return None;
        }
        // Up to the last bit of the checksum: behind it the sender's own bits are recessive.
        let last = bits.saturating_sub(SPACE + 10).max(ARBITRATION + 2);
        let wrong = self.random.random_range(ARBITRATION + 1..last);
        let echo = self.random.random_range(0..=FLAG);
        // Data, or checksum; a stuff error, for a weak bit is missing in its row.
        let location = if wrong + 17 < last { 0x0A } else { 0x08 };
        let data = [0, 0, 0x04, location, 0, 0, 0, 0];
        let report = FrameKind::Error(ErrorFrame::new(0x88, &data)?);
        let seen = wrong + 1;
        Some(Struck { seen, over: seen + FLAG + echo + DELIMITER + SPACE, report })
    }
}

/// How likely a trouble destroys a frame of a node.
fn chance(trouble: &Trouble, name: Option<&str>) -> f64 {
    let share = match trouble.kind {
        TroubleKind::WeakContact => {
            let beyond = name.is_some_and(|name| trouble.beyond.iter().any(|own| own == name));
            match (beyond, trouble.terminated) {
                (true, _) => 1.0,
                (false, true) => COMES_BACK,
                (false, false) => 0.0,
            }
        }
        TroubleKind::BadReceiver if trouble.node.as_deref() == name => 0.0,
        _ => 1.0,
    };
    share * trouble.share
}
