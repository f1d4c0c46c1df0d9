//! When a node or one of its identifiers cannot be heard, and why.

use rand::{RngExt, SeedableRng};
use rand_chacha::ChaCha8Rng;

use super::scenario::{Message, Node, Scenario, Starter, Trouble, TroubleKind, outside};
use crate::fold::timing::{nanoseconds, seconds};

/// A time in which something cannot be heard.
#[derive(Clone, Copy, Debug)]
pub(super) struct Away {
    pub from: i64,
    pub to: i64,
    pub back: Back,
    pub why: Why,
}

/// How it comes back.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(super) enum Back {
    /// It ran on unheard.
    RanOn,
    /// It boots; clock and counters start anew.
    Boots,
    /// It sends at once, within so many nanoseconds; its counters go on.
    Wakes { within: i64 },
}

/// Why it cannot be heard.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(super) enum Why {
    Trouble(TroubleKind),
    KeyOff,
    Starter,
    Mode,
    Pause,
}

impl Away {
    pub fn holds(&self, time: i64) -> bool {
        self.from <= time && time < self.to
    }
}

/// What troubles do to a node, in order of time.
pub(super) fn by_trouble(
    scenario: &Scenario,
    at: usize,
    node: &Node,
    random: &mut ChaCha8Rng,
) -> Vec<Away> {
    let mut out = Vec::new();
    for trouble in &scenario.troubles {
        for (from, to) in trouble.times() {
            let (mut from, to) = (nanoseconds(from), nanoseconds(to));
            let Some(back) = hit(trouble, node) else { continue };
            if trouble.kind == TroubleKind::KeyOff {
                // One node after another, 0.3 s apart and a little by chance.
                from += nanoseconds(0.3 * at as f64 + 0.1 * random.random::<f64>())
                    .min((to - from) / 2);
            }
            out.push(Away { from, to, back, why: Why::Trouble(trouble.kind) });
        }
    }
    out.sort_by_key(|away| away.from);
    out
}

/// Whether a trouble silences a node, and how it comes back.
fn hit(trouble: &Trouble, node: &Node) -> Option<Back> {
    let here = trouble.channel.as_ref().is_none_or(|channel| *channel == node.channel);
    let (hit, back) = match trouble.kind {
        TroubleKind::PowerLoss => (trouble.node.as_ref() == Some(&node.name), Back::Boots),
        TroubleKind::StubOpen => (trouble.node.as_ref() == Some(&node.name), Back::RanOn),
        TroubleKind::BranchOpen => {
            (trouble.branch.is_some() && trouble.branch == node.branch, Back::RanOn)
        }
        TroubleKind::BusShort => (here, Back::RanOn),
        TroubleKind::KeyOff => (here, Back::Boots),
        TroubleKind::SupplyDip => (node.resets_on_dip, Back::Boots),
        TroubleKind::CapturePause
        | TroubleKind::BusErrors
        | TroubleKind::WeakContact
        | TroubleKind::BadReceiver
        | TroubleKind::BusNoise
        | TroubleKind::LoggerOverflow => (false, Back::RanOn),
    };
    hit.then_some(back)
}

/// What the key and the starter do to a node, in order of time.
pub(super) fn by_key(scenario: &Scenario, at: usize, node: &Node) -> Vec<Away> {
    // Drawn beside the others, so that a key changes nothing else of a scenario.
    let mut random = ChaCha8Rng::seed_from_u64(scenario.seed ^ 0x4B45_5953_0000_0000 ^ at as u64);
    // Software ends at once, after some tasks, or after seconds: spread evenly over the decades.
    let drawn = 0.05 * 100_f64.powf(random.random::<f64>());
    let leaves = node.leaves.unwrap_or(drawn);
    let course = scenario.course();
    let mut out = Vec::new();
    for (off, on) in course.off.iter().filter(|_| !node.always_on) {
        // A shutdown is a chain of tasks: never twice the same to the millisecond.
        let late = leaves * (1.0 + 0.01 * random.random::<f64>()) + 0.01 * random.random::<f64>();
        let boots = on + 0.01 * random.random::<f64>();
        let from = if *off > 0.0 { off + late } else { 0.0 };
        let (from, to) = (nanoseconds(from), nanoseconds(boots));
        // Who still runs when the key comes back goes on as if nothing had been.
        if from < to {
            out.push(Away { from, to, back: Back::Boots, why: Why::KeyOff });
        }
    }
    for (from, to) in course.cranks {
        let back = match node.starter {
            Some(Starter::Resets) => Back::Boots,
            Some(Starter::Mutes) => Back::RanOn,
            None => continue,
        };
        // The voltage falls with the first turn of the starter; each module has its own limit.
        let from = from + 0.05 * random.random::<f64>();
        out.push(Away { from: nanoseconds(from), to: nanoseconds(to), back, why: Why::Starter });
    }
    out
}

/// The same with the short wakes cut out of the times with the key off.
pub(super) fn with_wakes(node: &Node, silences: &[Away]) -> Vec<Away> {
    let mut out = Vec::new();
    for away in silences {
        let mut from = away.from;
        for (begin, end) in wakes(node, away) {
            // All of a wake is said in its first four fifths: then the bus falls silent again.
            let within = (end - begin) * 4 / 5;
            out.push(Away { from, to: begin, back: Back::Wakes { within }, ..*away });
            from = end;
        }
        out.push(Away { from, ..*away });
    }
    out.sort_by_key(|away| away.from);
    out
}

/// The wakes of a node within a silence, in nanoseconds.
pub(super) fn wakes(node: &Node, away: &Away) -> impl Iterator<Item = (i64, i64)> + use<> {
    let (from, to) = (away.from, away.to);
    let wakes = node.wakes.filter(|_| away.why == Why::KeyOff);
    wakes.into_iter().flat_map(move |wakes| {
        // One network management message wakes all: the grid counts from the start.
        let first = (seconds(from) / wakes.every).ceil() as u32;
        let last = (seconds(to) / wakes.every).floor() as u32;
        (first..=last)
            .map(move |turn| {
                let begin = f64::from(turn) * wakes.every;
                (nanoseconds(begin), nanoseconds(begin + wakes.lasts))
            })
            .filter(move |(begin, end)| *begin > from && *end < to)
    })
}

/// When one identifier is silent while its node goes on.
pub(super) fn by_nature(scenario: &Scenario, message: &Message) -> Vec<Away> {
    let mut out = Vec::new();
    let times = message.mode.as_ref().and_then(|mode| scenario.mode(mode));
    // A mode begins with a frame: what it is about has just changed.
    let back = Back::Wakes { within: nanoseconds(message.gap().min(0.02)) };
    for (from, to) in times.iter().flat_map(|times| outside(times, scenario.duration)) {
        let (from, to) = (nanoseconds(from), nanoseconds(to));
        out.push(Away { from, to, back, why: Why::Mode });
    }
    for (from, to) in message.pauses.iter().flat_map(|pauses| pauses.times(scenario.duration)) {
        let (from, to) = (nanoseconds(from), nanoseconds(to));
        out.push(Away { from, to, back: Back::RanOn, why: Why::Pause });
    }
    out
}
