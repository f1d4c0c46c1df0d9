//! Whether a part of what fell silent together ran on while the rest started anew: so it is where a
//! gateway loses its supply, which takes its own frames and all that it carries over.

use std::collections::BTreeMap;

use super::super::facts::SURE_ODDS;
use super::super::{Observed, Outage};
use super::grid::back_on_grid;
use super::{Division, Return};
use crate::fold::timing::seconds;
use crate::ids::{IdIndex, NodeIndex};
use crate::network::Basis;

/// How likely an identifier is on the grid that it had left where its sender ran on: a busy bus
/// moves some. Common practice, no source.
const RAN_ON: f64 = 0.95;
/// How likely an identifier is on the grid that it had left where its sender started anew: that is
/// luck, and a little more than the fifth of a cycle that counts as on the grid.
const ANEW: f64 = 0.25;
/// A clock wanders by up to this share of the time, so that over a long silence it leaves its grid.
const WANDERS: f64 = 20e-6;
/// The phase tells something only where the clock can have wandered by no more than this share of a
/// cycle.
const WANDERED: f64 = 0.05;

/// Identifiers of one sender: how many are on the grid that they had left, and how many are not.
#[derive(Clone, Copy, Default)]
struct Grid {
    on: usize,
    off: usize,
}

impl Grid {
    fn add(&mut self, kept: bool) {
        *if kept { &mut self.on } else { &mut self.off } += 1;
    }

    /// How likely that is where each is on its grid with this chance, as a natural logarithm.
    fn weigh(self, chance: f64) -> f64 {
        self.on as f64 * chance.ln() + self.off as f64 * (1.0 - chance).ln()
    }
}

/// By the phase of each identifier: some senders' are on their grid, and others' are not.
pub(in super::super) fn of(observed: &Observed<'_>, outage: &Outage, shows: Return) -> Division {
    // A module that starts sends all at once, on the grid of what comes seldom or off it: what is
    // known to have started anew is not divided.
    if shows == Return::Restarted {
        return Division::No;
    }
    let told: Vec<(IdIndex, bool)> =
        outage.ids.iter().filter_map(|id| Some((*id, kept(observed, outage, *id)?))).collect();
    let mut by_sender: BTreeMap<Result<NodeIndex, IdIndex>, Grid> = BTreeMap::new();
    for (id, kept) in &told {
        let own = by_sender.entry(observed.network.node_of[*id].ok_or(*id)).or_default();
        own.add(*kept);
    }
    let by_sender: Vec<Grid> = by_sender.into_values().collect();
    let alone: Vec<Grid> = told
        .iter()
        .map(|(_, kept)| Grid { on: usize::from(*kept), off: usize::from(!*kept) })
        .collect();
    // What is taken for one sender may be several, where only clocks and silences tell.
    let told = |id: &IdIndex| {
        observed.network.node_of[*id]
            .is_some_and(|node| Basis::any_is_told(&observed.network.nodes[node].basis))
    };
    let guessed = !outage.ids.iter().any(told);
    match is_clear(&by_sender) || guessed && is_clear(&alone) {
        true => Division::Surely,
        false => Division::No,
    }
}

/// Whether an identifier came back on its grid, where no clock can have wandered off it by then.
fn kept(observed: &Observed<'_>, outage: &Outage, id: IdIndex) -> Option<bool> {
    let middle = outage.start + (outage.end - outage.start) / 2;
    let (own, kept) = back_on_grid(observed, id, middle)?;
    let period = observed.losses.expected[id].as_ref()?.rhythm.period;
    (seconds(own.length()) * WANDERS <= WANDERED * period).then_some(kept)
}

/// Whether some clearly ran on and others clearly started anew: likelier than that all did the one
/// or the other, for all the ways in which they could be divided.
fn is_clear(senders: &[Grid]) -> bool {
    let (mut all_on, mut all_anew, mut each) = (0.0, 0.0, 0.0);
    // What of the weight lies with those that ran on, and with those that started anew.
    let (mut ran_on, mut anew) = (0.0, 0.0);
    let mut divided = 0;
    for sender in senders {
        let own = (sender.weigh(RAN_ON), sender.weigh(ANEW));
        (all_on, all_anew, each) = (all_on + own.0, all_anew + own.1, each + own.0.max(own.1));
        if own.0 > own.1 {
            ran_on += own.0 - own.1;
        } else {
            anew += own.1 - own.0;
            divided += 1;
        }
    }
    let ways: f64 =
        (0..divided).map(|at| ((senders.len() - at) as f64 / (at + 1) as f64).ln()).sum();
    let least = SURE_ODDS.ln();
    each - ways - all_on.max(all_anew) >= least && ran_on >= least && anew >= least
}
