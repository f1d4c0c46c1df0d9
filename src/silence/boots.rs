//! A module that boots again and again, as a message of it shows.

use super::{Expectation, covered};
use crate::fold::timing::{IdTiming, Silence};

/// What ran on is on its grid in more than this share of its returns; of what boots many a first
/// frame is by luck, or because its watchdog counts in the same steps.
const RAN_ON: f64 = 0.7;
/// Fewest returns that tell.
const FEWEST_RETURNS: usize = 8;

/// The boots of the module of one message.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Boots {
    /// Its silences, in order of time.
    pub silences: Vec<Silence>,
    /// It came back off its grid as a rule, so that it surely had not run on.
    pub off_grid: bool,
}

impl Boots {
    /// Those of an identifier, outside of the times in which its channel is quiet; `None` for most.
    pub(super) fn of(id: &IdTiming, expected: &Expectation, quiet: &[Silence]) -> Option<Boots> {
        let mut silences = id.boots(expected.rhythm.period);
        silences.retain(|silence| covered(quiet, *silence) == 0);
        let told: Vec<bool> =
            silences.iter().filter_map(|silence| expected.phase_kept(*silence)).collect();
        let kept = told.iter().filter(|kept| **kept).count() as f64;
        let off_grid = told.len() >= FEWEST_RETURNS && kept <= RAN_ON * told.len() as f64;
        (silences.len() >= FEWEST_RETURNS).then_some(Boots { silences, off_grid })
    }

    /// Whether a silence is one of them, and they show by themselves that it started anew.
    pub(super) fn show_anew(&self, silence: &Silence) -> bool {
        self.off_grid && self.silences.binary_search(silence).is_ok()
    }
}
