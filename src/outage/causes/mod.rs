//! Wiring or power: did a silent node run on unheard, or did it start anew?
//!
//! A node whose stub, connector or branch is open runs on: its counters have gone on when it is
//! heard again, and its instants keep their phase. A node that lost its supply or was reset begins
//! anew: counters start from zero, the phase is another. Each sign is weighed by how likely it is
//! under both; an answer needs two signs that agree, and 95 %.

mod circumstances;

use crate::fold::diagnostics::supply::Supply;
use crate::fold::timing::{Silence, Timing, seconds};
use crate::network::senders::Clocks;
use crate::silence::Losses;

/// What the return of a node shows.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Return {
    /// It ran on unheard: something is open between it and the bus.
    CarriedOn,
    /// It started anew: it lost its supply or was reset.
    Restarted,
    /// The signs are too few or disagree.
    Unclear,
}

/// A verdict with its evidence.
#[derive(Clone, Debug)]
pub struct Verdict {
    /// What the return shows.
    pub verdict: Return,
    /// Sentences with their numbers.
    pub evidence: Vec<String>,
}

/// How likely it is that a counter of a running node shows the expected value; the rest is spread
/// over all values. Common practice, no source: the few percent are lost frames and counters that
/// stop while the node finds itself alone.
const COUNTER_GOES_ON: f64 = 0.97;
/// How likely a restarted node begins with 0 or 1; the rest is spread over all values (common
/// practice, no source).
const COUNTER_BEGINS_LOW: f64 = 0.85;
/// How likely a running node keeps its phase within the tolerance.
const PHASE_KEPT: f64 = 0.95;
/// A sign that makes one side at least so many times likelier than the other speaks for it.
const SPEAKS: f64 = 3.0;
/// Odds at which a verdict is given: 95 %.
const SURE: f64 = 19.0;
/// Fewest signs that must agree.
const AGREE: usize = 2;

/// One sign: natural logarithm of how many times likelier it is for a node that ran on than for one
/// that started anew.
struct Sign {
    log_ratio: f64,
    kind: Kind,
}

enum Kind {
    /// Values of the counter: expected, found; and how many it has.
    Counter { goes_on: bool, low: bool, modulus: i64 },
    /// How far the phase is off, in periods, and within what it counts as kept.
    Phase { off: f64, tolerance: f64 },
    /// The supply fell to so many volts just before.
    Dip { volts: f64 },
    /// The identifiers ended one after another over so many seconds.
    OrderlyEnd { over: f64 },
    /// The first frames came as after other returns: of how many identifiers, after how many
    /// returns, and the chance of that by luck.
    BootPattern { ids: usize, returns: usize, luck: f64 },
}

/// Judges the return of the identifiers of one node, or of the nodes of one branch, from a silence.
pub fn judge(
    timing: &Timing,
    losses: &Losses,
    clocks: &Clocks,
    supply: &Supply,
    ids: &[usize],
    silence: Silence,
) -> Verdict {
    let mut signs = signs(timing, losses, clocks, ids, silence);
    signs.extend(circumstances::supply(supply, silence));
    signs.extend(circumstances::orderly_end(timing, losses, ids, silence));
    signs.extend(circumstances::boot_pattern(timing, losses, ids, silence));
    let total: f64 = signs.iter().map(|sign| sign.log_ratio).sum();
    let verdict = if total >= 0.0 { Return::CarriedOn } else { Return::Restarted };
    let toward = |sign: &&Sign| sign.log_ratio * total.signum() >= SPEAKS.ln();
    let agreeing = signs.iter().filter(toward).count();
    // Signs against it are in the total: they must be outweighed.
    let clear = agreeing >= AGREE && total.abs() >= SURE.ln();
    let mut evidence = sentences(&signs);
    if !clear && !signs.is_empty() {
        let why = if agreeing < AGREE {
            "two signs that agree are needed"
        } else {
            "the signs contradict each other"
        };
        evidence.push(format!("whether it ran on or started anew is not clear: {why}"));
    }
    Verdict { verdict: if clear { verdict } else { Return::Unclear }, evidence }
}

fn signs(
    timing: &Timing,
    losses: &Losses,
    clocks: &Clocks,
    ids: &[usize],
    silence: Silence,
) -> Vec<Sign> {
    let middle = silence.start + silence.length() / 2;
    let mut counters: Vec<((i64, u8), Sign)> = Vec::new();
    let mut phase: Option<(f64, Sign)> = None;
    for at in ids {
        let (id, Some(expected)) = (&timing.ids[*at], losses.expected[*at]) else { continue };
        let Some(own) = id.silences.around(middle) else { continue };
        let period = clocks.rates[*at].map_or(expected.rhythm.period, |rate| rate.period);
        let periods = seconds(own.length()) / period;
        let whole = periods.round();
        let off = (periods - whole).abs();
        // Two instants, each with the scatter of sending and arbitration; and what the period
        // itself is uncertain by.
        let uncertain = clocks.rates[*at]
            .map_or(expected.rhythm.jitter / period / 30.0, |rate| rate.error)
            * periods;
        let scatter = (expected.rhythm.jitter * std::f64::consts::SQRT_2 / period).hypot(uncertain);
        // 95 % of a normal scatter lie within 1.96 standard deviations; a little more, since
        // arbitration has a longer tail.
        let tolerance = (2.2 * scatter).max(0.02);
        if tolerance < 0.2 && phase.as_ref().is_none_or(|(best, _)| tolerance < *best) {
            let ratio = if off <= tolerance {
                PHASE_KEPT / (2.0 * tolerance)
            } else {
                (1.0 - PHASE_KEPT) / (1.0 - 2.0 * tolerance)
            };
            phase = Some((
                tolerance,
                Sign { log_ratio: ratio.ln(), kind: Kind::Phase { off, tolerance } },
            ));
        }
        let Some([before, after]) = id.silences.payloads(own) else { continue };
        for counter in &clocks.counters[*at] {
            // Identifiers of one timer count in step: they are one sign.
            let step = ((period * 1e3).round() as i64, counter.width);
            if counters.iter().any(|(known, _)| *known == step) || uncertain > 0.3 {
                continue;
            }
            let modulus = counter.modulus();
            let due = (i64::from(counter.value(before)) + whole as i64).rem_euclid(modulus);
            let found = i64::from(counter.value(after));
            let spread = 1.0 / modulus as f64;
            let (goes_on, low) = (found == due, found <= 1);
            let carried =
                COUNTER_GOES_ON * f64::from(u8::from(goes_on)) + (1.0 - COUNTER_GOES_ON) * spread;
            let anew = COUNTER_BEGINS_LOW / 2.0 * f64::from(u8::from(low))
                + (1.0 - COUNTER_BEGINS_LOW) * spread;
            counters.push((
                step,
                Sign {
                    log_ratio: (carried / anew).ln(),
                    kind: Kind::Counter { goes_on, low, modulus },
                },
            ));
        }
    }
    counters.into_iter().map(|(_, sign)| sign).chain(phase.map(|(_, sign)| sign)).collect()
}

fn sentences(signs: &[Sign]) -> Vec<String> {
    let mut out = Vec::new();
    let (mut total, mut on, mut low, mut luck_on, mut luck_low) = (0, 0, 0, 1.0, 1.0);
    for sign in signs {
        match sign.kind {
            Kind::Counter { goes_on, low: is_low, modulus } => {
                total += 1;
                if goes_on {
                    on += 1;
                    luck_on /= modulus as f64;
                }
                if is_low {
                    low += 1;
                    luck_low *= 2.0 / modulus as f64;
                }
            }
            Kind::Phase { off, tolerance } if off <= tolerance => {
                out.push(format!(
                    "its instants kept their phase to {:.1} % of a period (by luck: {:.0} %)",
                    off * 100.0,
                    tolerance * 200.0
                ));
            }
            Kind::Dip { volts } => out.push(format!("the supply fell to {volts:.1} V just before")),
            Kind::OrderlyEnd { over } => {
                out.push(format!("its identifiers ended one after another over {over:.1} s, as in a shutdown"));
            }
            Kind::BootPattern { ids, returns, luck } => out.push(format!(
                "the first frames of {ids} identifiers came in the order and distances of {returns} other return{} (by luck: 1 in {:.0})",
                if returns == 1 { "" } else { "s" },
                1.0 / luck.max(1e-9)
            )),
            Kind::Phase { off, tolerance } => {
                out.push(format!(
                    "its instants came back {:.0} % of a period out of phase, {:.0} % would be scatter",
                    off * 100.0,
                    tolerance * 100.0
                ));
            }
        }
    }
    if on > 0 {
        out.push(format!(
            "{on} of {total} independent counters had gone on as if it had run (by luck: 1 in {:.0})",
            1.0 / luck_on
        ));
    }
    if low > 0 {
        out.push(format!(
            "{low} of {total} independent counters began at 0 or 1 (by luck: 1 in {:.0})",
            1.0 / luck_low
        ));
    }
    out
}
