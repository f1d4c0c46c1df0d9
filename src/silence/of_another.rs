//! A roster that is of another vehicle, or of another bus, blames whoever is sound. A vehicle that
//! lacks modules has nothing in their place; where hardly anything that is expected was heard, and
//! more of what the roster has never seen, it is no roster of what was recorded.

use crate::fold::diagnostics::Diagnostics;
use crate::fold::timing::{IdTiming, Timing};
use crate::roster_file::{Known, KnownMessage, RosterFile};

/// What was heard of a roster that is of another vehicle.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct OfAnother {
    /// How many of the expected identifiers were heard.
    pub heard: usize,
    /// How many are expected.
    pub expected: usize,
    /// How many were heard that the roster does not know.
    pub new: usize,
}

/// Of another vehicle is a roster of which no more than a third was heard. Of rosters of seven
/// cars and two trucks held against each other's 47 captures 27 % were heard at the most, and of
/// their own, with a controller missing, 39 % at the least (`../shared/cars`).
const SHARE: f64 = 1.0 / 3.0;
/// … or of one that was written by hand, no more than this: whoever writes one knows the vehicle,
/// and an update of its software moves messages (of one invented vehicle 8 of 26 were left).
const SHARE_WRITTEN: f64 = 1.0 / 6.0;
/// Fewer identifiers that a roster lacks are no vehicle.
const FEWEST: usize = 5;
/// What came less often may be a disturbance, or a tester.
const FRAMES: u64 = 10;

/// Whether the roster is of another vehicle; all of its channels that were recorded count together.
///
/// A roster that was written by hand may have a few of many modules, and lack the rest: it is
/// judged only where it expects as much as it lacks. One that was learned has all that was heard.
pub fn of_another(
    timing: &Timing,
    diagnostics: &Diagnostics,
    file: &RosterFile,
    known: &Known,
) -> Option<OfAnother> {
    let expected = known.messages.values().filter_map(KnownMessage::expected).count();
    let (mut heard, mut of_roster, mut new) = (0, 0, 0);
    let spoken_of = |id: &&IdTiming| known.messages.keys().any(|key| key.channel == id.key.channel);
    for id in timing.ids.iter().filter(spoken_of) {
        match known.messages.get(&id.key) {
            Some(own) => {
                of_roster += 1;
                heard += usize::from(own.expected().is_some());
            }
            None if diagnostics.carries(id.key.channel, id.key.id) => {}
            None => new += usize::from(id.frames >= FRAMES),
        }
    }
    let learned = !file.learned.is_empty();
    let complete = learned || expected >= new;
    let share = if learned { SHARE } else { SHARE_WRITTEN };
    let other = expected > 0
        && heard as f64 <= share * expected as f64
        && new >= FEWEST
        && new > of_roster
        && complete;
    other.then_some(OfAnother { heard, expected, new })
}
