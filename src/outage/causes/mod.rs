//! Wiring or power: did a silent node run on, or did it start anew?
//!
//! A node whose stub, connector or branch is open runs on: when it is heard again, its counters
//! have gone on and its time stamps keep their phase. A node that lost its supply or was reset
//! begins anew: its counters start from zero, and its phase is another. Each sign is weighed by
//! how likely it is under both; an answer needs two signs that agree, and 95 %. Of several nodes
//! that fell silent together the signs of all count together: what failed is one thing.
//!
//! What a controller could not send while the wire was open comes out first when it heals, at once
//! and with the counters of its time, and looks like a boot. So the first frame decides nothing
//! where a later one does that no buffer held back.
//! docs/outages.md says how often that is right.

mod circumstances;
pub(super) mod division;
mod grid;

use super::facts::{MOST_OF_ONE, SURE_ODDS};
use super::{Observed, claims};
use crate::fold::timing::{AliveCounter, IdTiming, Nanoseconds, Rhythm, Settled, Silence, seconds};
use crate::ids::IdIndex;

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

/// What the return of a node shows, and what that rests on.
#[derive(Clone, Debug)]
pub struct Judgement {
    /// What it shows.
    pub shows: Return,
    /// Natural logarithm of how many times likelier it is for nodes that ran on than for nodes that
    /// started anew.
    pub ran_on: f64,
    /// Whether some of the nodes ran on, and others started anew.
    pub divided: Division,
    /// The signs.
    pub signs: Vec<ReturnSign>,
}

/// Whether a part of what fell silent together ran on while the rest started anew.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, PartialOrd, Ord)]
pub enum Division {
    /// Nothing tells so.
    #[default]
    No,
    /// Nodes look so, which one sign may do by chance.
    Perhaps,
    /// Many identifiers are on the grid that they had left, and all of others are not.
    Surely,
}

/// One sign of how a node returned. Luck is the chance that it shows by accident, 0 to 1.
#[derive(Clone, Copy, Debug, PartialEq)]
#[non_exhaustive]
pub enum ReturnSign {
    /// Its time stamps kept their phase.
    PhaseKept {
        /// How far it is off, in periods.
        off: f64,
        /// Within so many periods it counts as kept.
        tolerance: f64,
    },
    /// All its identifiers came back on the grid that they had left.
    GridKept {
        /// How many.
        kept: usize,
        /// Of how many it can be told.
        of: usize,
    },
    /// Its identifiers came back on other grids than they had left.
    GridLeft {
        /// How many.
        left: usize,
        /// Of how many it can be told.
        of: usize,
    },
    /// Its time stamps came back with another phase.
    PhaseLost {
        /// How far it is off, in periods.
        off: f64,
        /// Within so many periods it would be scatter.
        tolerance: f64,
    },
    /// The supply fell just before.
    SupplyDip {
        /// The lowest reading.
        volts: f64,
    },
    /// The identifiers ended one after another, as in a shutdown.
    OrderlyEnd {
        /// From the first to the last.
        seconds: f64,
    },
    /// The first frames came as after other returns.
    BootPattern {
        /// How many identifiers came so.
        identifiers: usize,
        /// After how many other returns they came so too.
        returns: usize,
        /// Chance of that.
        luck: f64,
    },
    /// It claimed its address as a unit does that starts (SAE J1939-81).
    AddressClaimed {
        /// The address.
        address: u8,
        /// Seconds from its first periodic frame to the claim; negative where that came first.
        after: f64,
    },
    /// Counters had gone on.
    CountersWentOn {
        /// How many.
        count: usize,
        /// How many independent ones there are.
        of: usize,
        /// Chance of that.
        luck: f64,
    },
    /// Counters began at 0 or 1.
    CountersBeganLow {
        /// How many.
        count: usize,
        /// How many independent ones there are.
        of: usize,
        /// Chance of that.
        luck: f64,
    },
    /// Too few signs agree to say anything.
    TooFew,
    /// The signs contradict each other.
    Contradiction,
}

/// How likely it is that a counter of a running node shows the value that is due by the clock; a
/// little is left for lost frames, spread over all values. Common practice, no source.
const COUNTER_GOES_ON: f64 = 0.85;
/// How likely it is that a counter of a running node goes on where it stopped, because it only
/// counts what could be sent or queued. Common practice, no source.
const COUNTER_STOOD: f64 = 0.12;
/// How likely a restarted node begins with 0 or 1; the rest is spread over all values (common
/// practice, no source).
const COUNTER_BEGINS_LOW: f64 = 0.85;
/// How likely a running node keeps its phase within the tolerance.
const PHASE_KEPT: f64 = 0.95;
/// A sign that makes one side at least so many times likelier than the other speaks for it.
const SPEAKS: f64 = 3.0;
/// Odds from which one node of several is called clear, where others are clear the other way: that
/// is about what one sign gives.
const CLEARLY: f64 = 15.0;
/// All counters of a module that stood meanwhile are one sign, which makes it no more than so many
/// times likelier that it ran on: its software counts what it could send, in all messages alike.
const STANDING: f64 = 6.0;
/// Fewest signs that must agree.
const AGREE: usize = 2;

/// A phase with a tolerance of this share of a period or more says nothing: luck keeps it too.
const LOOSEST: f64 = 0.2;
/// The tolerance of a phase is at least this share of a period.
const TIGHTEST: f64 = 0.02;
/// So many standard deviations are the tolerance of a phase: 95 % of a normal scatter lie within
/// 1.96, and arbitration has a longer tail.
const DEVIATIONS: f64 = 2.2;
/// A counter says nothing where the number of periods that passed is uncertain by more than so
/// many.
const VAGUE: f64 = 0.3;
/// Where no clock tells the period, it is taken to be known to one part in so many of the scatter
/// of a gap: it is the mean of many gaps.
const OF_THE_JITTER: f64 = 30.0;

/// One sign and its weight.
struct Weighed {
    /// Natural logarithm of how many times likelier it is for a node that ran on than for one that
    /// started anew.
    log_ratio: f64,
    kind: Kind,
}

enum Kind {
    /// One counter: whether it shows what it would had it gone on, or had it stood meanwhile,
    /// whether it shows 0 or 1, and how many values it has.
    Counter { goes_on: bool, stood: bool, low: bool, modulus: i64 },
    /// Any other sign.
    Other(ReturnSign),
}

/// Judges the return of nodes, given by their identifiers, from a silence that they share.
pub(super) fn judge(observed: &Observed<'_>, nodes: &[&[IdIndex]], silence: Silence) -> Judgement {
    let of_node = |ids: &&[IdIndex]| {
        let mut signs = counters_and_phase(observed, ids, silence);
        signs.extend(circumstances::orderly_end(observed, ids, silence));
        signs.extend(circumstances::boot_pattern(observed, ids, silence));
        let claim = claims::at_return(observed, nodes, ids, silence);
        signs.extend(claim.map(|sign| circumstances::weighed(claims::CLAIM_SPEAKS, sign)));
        signs
    };
    let mut of_all: Vec<Vec<Weighed>> = nodes.iter().map(of_node).collect();
    // What starts anew is on its grid by luck, one in five; so many never are.
    let grid = grid::kept(observed, nodes, silence);
    let on_grid = grid.as_ref().is_some_and(|sign| sign.log_ratio >= MOST_OF_ONE);
    of_all.push(grid.into_iter().collect());
    // The supply is one for all of them.
    of_all.push(circumstances::supply(observed.supply, silence).into_iter().collect());
    let sum = |signs: &Vec<Weighed>| signs.iter().map(|sign| sign.log_ratio).sum::<f64>();
    let totals: Vec<f64> = of_all.iter().map(sum).collect();
    let most = if nodes.len() > 1 { MOST_OF_ONE } else { f64::INFINITY };
    let total: f64 = totals.iter().map(|total| total.clamp(-most, most)).sum();
    // Whoever is lost when the whole bus stops, as with the key, starts anew with everybody: that
    // says nothing of the loss.
    if total < 0.0 && circumstances::all_stopped(observed, nodes, silence) {
        return Judgement {
            shows: Return::Unclear,
            ran_on: 0.0,
            divided: Division::No,
            signs: Vec::new(),
        };
    }
    let toward = |sign: &&Weighed| sign.log_ratio * total.signum() >= SPEAKS.ln();
    // Who starts claims its address, and nobody else does unasked: that is as good as two.
    let witnesses = |sign: &Weighed| match sign.kind {
        Kind::Other(ReturnSign::AddressClaimed { .. }) => 2,
        _ => 1,
    };
    let agreeing: usize = of_all.iter().flatten().filter(toward).map(witnesses).sum();
    // Signs against it are in the total: they must be outweighed; and no node may be as clear the
    // other way.
    let against = (!on_grid || total < 0.0)
        && totals.iter().any(|own| own * total.signum() <= -SURE_ODDS.ln());
    let clear = agreeing >= AGREE && total.abs() >= SURE_ODDS.ln() && !against;
    let shows = match clear {
        true if total >= 0.0 => Return::CarriedOn,
        true => Return::Restarted,
        false => Return::Unclear,
    };
    let mut told: Vec<ReturnSign> = of_all.iter().flat_map(|signs| summed_up(signs)).collect();
    if !clear && !told.is_empty() {
        let too_few = agreeing < AGREE;
        told.push(if too_few { ReturnSign::TooFew } else { ReturnSign::Contradiction });
    }
    let clearly = |side: f64| totals.iter().any(|own| own * side >= CLEARLY.ln());
    let divided = match clearly(1.0) && clearly(-1.0) {
        true => Division::Perhaps,
        false => Division::No,
    };
    Judgement { shows, ran_on: if against { 0.0 } else { total }, divided, signs: told }
}

/// How an identifier came back from a silence, counted in its own periods.
struct CameBack<'a> {
    id: &'a IdTiming,
    silence: Silence,
    rhythm: Rhythm,
    /// The first frame after it that no buffer held back.
    settled: Option<Settled>,
    /// Its period in seconds, by its clock where that is known.
    period: f64,
    /// Periods from the last frame before to that frame, or to the first after where none came.
    periods: f64,
    /// What that number is uncertain by.
    uncertain: f64,
}

/// Signs of the counters, and of the phase of the identifier that keeps it best.
fn counters_and_phase(observed: &Observed<'_>, ids: &[IdIndex], silence: Silence) -> Vec<Weighed> {
    let middle = silence.start + silence.length() / 2;
    let mut steps: Vec<(i64, u8)> = Vec::new();
    let mut signs = Vec::new();
    let mut best: Option<(f64, Weighed)> = None;
    for at in ids {
        let Some(back) = came_back(observed, *at, middle) else { continue };
        let phase = back.phase().filter(|(tolerance, _)| *tolerance < LOOSEST);
        if let Some((tolerance, sign)) = phase
            && best.as_ref().is_none_or(|(best, _)| tolerance < *best)
        {
            best = Some((tolerance, sign));
        }
        let Some([before, after]) = back.id.silences.payloads(back.silence) else { continue };
        for counter in &observed.clocks.counters[*at] {
            // Identifiers of one timer count in step: they are one sign.
            let step = ((back.period * 1e3).round() as i64, counter.width);
            if steps.contains(&step) || back.uncertain > VAGUE {
                continue;
            }
            steps.push(step);
            signs.push(back.counter(counter, before, after));
        }
    }
    let stood = |sign: &Weighed| matches!(sign.kind, Kind::Counter { stood: true, .. });
    let all = signs.iter().filter(|sign| stood(sign)).count();
    for sign in signs.iter_mut().filter(|sign| stood(sign)) {
        sign.log_ratio = sign.log_ratio.min(STANDING.ln() / all as f64);
    }
    signs.extend(best.map(|(_, sign)| sign));
    signs
}

/// `None` for an identifier that is not periodic or was not silent then.
fn came_back<'a>(observed: &Observed<'a>, at: IdIndex, time: Nanoseconds) -> Option<CameBack<'a>> {
    let id = &observed.timing.ids[at];
    let rhythm = observed.losses.expected[at]?.rhythm;
    let silence = id.silences.around(time)?;
    let rate = observed.clocks.rates[at];
    let period = rate.map_or(rhythm.period, |rate| rate.period);
    let settled = id.silences.settled(silence);
    let end = settled.map_or(silence.end, |settled| settled.time);
    let periods = seconds(end - silence.start) / period;
    let uncertain =
        rate.map_or(rhythm.jitter / period / OF_THE_JITTER, |rate| rate.error) * periods;
    Some(CameBack { id, silence, rhythm, settled, period, periods, uncertain })
}

impl CameBack<'_> {
    /// How far its phase may be off to count as kept, in periods, and what it is; `None` where the
    /// only frame since may be one that a buffer held back, which comes at any phase.
    fn phase(&self) -> Option<(f64, Weighed)> {
        let off = (self.periods - self.periods.round()).abs();
        // Two time stamps, each with the scatter of sending and arbitration; and what the period
        // itself is uncertain by.
        let scatter =
            (self.rhythm.jitter * std::f64::consts::SQRT_2 / self.period).hypot(self.uncertain);
        let tolerance = (DEVIATIONS * scatter).max(TIGHTEST);
        let (ratio, sign) = if off <= tolerance {
            (PHASE_KEPT / (2.0 * tolerance), ReturnSign::PhaseKept { off, tolerance })
        } else if self.settled.is_none() {
            return None;
        } else {
            let ratio = (1.0 - PHASE_KEPT) / (1.0 - 2.0 * tolerance);
            (ratio, ReturnSign::PhaseLost { off, tolerance })
        };
        Some((tolerance, Weighed { log_ratio: ratio.ln(), kind: Kind::Other(sign) }))
    }

    /// What a counter shows, from the payloads before and after.
    fn counter(&self, counter: &AliveCounter, before: [u8; 8], after: [u8; 8]) -> Weighed {
        let modulus = counter.modulus();
        let whole = self.periods.round() as i64;
        // Frames since the first one after the silence.
        let since = self.settled.map_or(0, |settled| i64::from(settled.after));
        let after = self.settled.map_or(after, |settled| settled.payload);
        let from = i64::from(counter.value(before));
        let due = (from + whole).rem_euclid(modulus);
        let stood = (from + 1 + since).rem_euclid(modulus);
        let found = i64::from(counter.value(after));
        let spread = 1.0 / modulus as f64;
        let (goes_on, low) = (found == due, (found - since).rem_euclid(modulus) <= 1);
        let share = |yes: bool, share: f64| if yes { share } else { 0.0 };
        let carried = share(goes_on, COUNTER_GOES_ON)
            + share(found == stood, COUNTER_STOOD)
            + (1.0 - COUNTER_GOES_ON - COUNTER_STOOD) * spread;
        let anew = COUNTER_BEGINS_LOW / 2.0 * f64::from(u8::from(low))
            + (1.0 - COUNTER_BEGINS_LOW) * spread;
        let stood = found == stood && !goes_on;
        let kind = Kind::Counter { goes_on: goes_on || stood, stood, low, modulus };
        Weighed { log_ratio: (carried / anew).ln(), kind }
    }
}

/// The signs as they are told: counters together, behind the others.
fn summed_up(signs: &[Weighed]) -> Vec<ReturnSign> {
    let mut out = Vec::new();
    let (mut of, mut on, mut low, mut luck_on, mut luck_low) = (0, 0, 0, 1.0, 1.0);
    for sign in signs {
        match sign.kind {
            Kind::Counter { goes_on, low: is_low, modulus, .. } => {
                of += 1;
                if goes_on {
                    on += 1;
                    luck_on /= modulus as f64;
                }
                if is_low {
                    low += 1;
                    luck_low *= 2.0 / modulus as f64;
                }
            }
            Kind::Other(sign) => out.push(sign),
        }
    }
    if on > 0 {
        out.push(ReturnSign::CountersWentOn { count: on, of, luck: luck_on });
    }
    if low > 0 {
        out.push(ReturnSign::CountersBeganLow { count: low, of, luck: luck_low });
    }
    out
}
