//! What is asked of the timing again and again while outages are drawn.

use lostnode_parsers::Id;
use lostnode_parsers::j1939::{self, ADDRESS_CLAIMED, Fields, SERVICE_TOOLS};

use super::{Evidence, Observed};
use crate::capture::ChannelIndex;
use crate::fold::timing::{Nanoseconds, Silence, Timing, nanoseconds};
use crate::ids::IdIndex;
use crate::silence::{LACKING, Losses};

/// A module sends its first frames, and answers for the first time, within so many seconds of its
/// start (common practice, no source).
pub(crate) const STARTS_WITHIN: f64 = 5.0;
/// Drivers start the engine within so many seconds of turning the key on (common practice, no
/// source).
pub(crate) const CRANKED_WITHIN: f64 = 10.0;
/// Modules that one key, one supply or one stage of either brings back are up within so many
/// seconds of each other: control units start up at different speeds (common practice, no source).
pub(super) const BACK_TOGETHER: f64 = 3.0;
/// Modules without an after-run of their own leave within so many seconds of each other as the key
/// is turned off (common practice, no source; 0.04 to 1.1 s on open captures of three cars).
pub(super) const KEY_TAKES: f64 = 5.0;
/// What one cause takes away at one moment falls silent within so many seconds, on all buses: each
/// module has its own limits, clocks of channels differ by up to 0.1 s, and the last frames wait in
/// a gateway (common practice, no source).
pub(super) const AT_ONCE: f64 = 0.3;
/// The messages of one unit come back within so many seconds of each other as it starts (common
/// practice, no source).
const COMES_BACK_OVER: f64 = 0.5;
/// An engine without ignition or fuel stands within so many seconds (common practice, no source).
pub(super) const ENGINE_RUNS_ON: f64 = 4.0;
/// Modules on the battery run on for so many seconds after the key (an engine of an open truck
/// capture: 39 s).
pub(super) const MODULES_RUN_ON: f64 = 40.0;
/// Odds at which an answer is given: 95 %.
pub(crate) const SURE_ODDS: f64 = 19.0;
/// The most that the return of one node weighs, as a natural logarithm: e^4 is 55 to one, which is
/// about what is measured of one node (docs/outages.md).
pub(crate) const MOST_OF_ONE: f64 = 4.0;
/// At least so many identifiers that leave together show that the key was turned off, and not that
/// one module failed (docs/outages.md).
pub(super) const TAKEN_BY_KEY: usize = 10;

/// Whether an identifier, periodic or not, was not heard in `silence`, but for `slack` at its ends.
/// An address claim does not count: a unit that starts sends it before anything else, and another
/// unit that wants the address sends it too (SAE J1939-81, from memory). Nor does what carries
/// diagnosis: a tester makes it speak, and a module whose program stands still may answer all the
/// same. In a long silence this holds too for what J1939 sends when it is asked for it only.
pub(super) fn was_silent(
    observed: &Observed<'_>,
    id: IdIndex,
    silence: Silence,
    slack: Nanoseconds,
) -> bool {
    let Observed { timing, losses, diagnostics, .. } = *observed;
    let key = &timing.ids[id].key;
    if is_claim(key.id) || diagnostics.carries(key.channel, key.id) {
        return true;
    }
    let is_periodic = losses.expected[id].is_some();
    let tester =
        || timing.ids.iter().any(|id| id.key.channel == key.channel && is_tester(id.key.id));
    if silence.length() >= nanoseconds(LONG) && !is_periodic && is_asked_for(key.id) && tester() {
        return true;
    }
    let slack = slack.min(silence.length() / 3);
    let (from, to) = (silence.start.saturating_add(slack), silence.end - slack);
    let own = &timing.ids[id];
    let Some((first, last)) = own.heard else { return true };
    let silent_to = |end| own.silences.containing(Silence { start: from, end }).next();
    // What a unit sends comes back over the time that it takes to start. A slow message that was
    // heard in its turn then did not stop.
    let starting = nanoseconds(COMES_BACK_OVER).min(silence.length() / 10);
    let lacking = |own: Silence| {
        let rhythm = losses.expected[id].map(|expected| expected.rhythm);
        rhythm.is_some_and(|rhythm| own.length() > nanoseconds(LACKING * rhythm.period))
    };
    last <= from
        || first >= to
        || silent_to(to).is_some()
        || silent_to(to.min(silence.end - starting)).is_some_and(lacking)
}

/// Whether an address of SAE J1939 sends this for as long as it runs.
pub(super) fn is_cyclic(id: Id) -> bool {
    matches!(id, Id::Extended(id) if j1939::is_cyclic(Fields::of(id).pgn))
}

/// Seconds from which a silence is so long that what a tester asked for in it is no sign of life of
/// the program that sends by itself.
const LONG: f64 = 10.0;
/// Whether an address sends this only when it is asked, or only to a tester (SAE J1939-21 and -73,
/// from memory).
fn is_asked_for(id: Id) -> bool {
    let Id::Extended(id) = id else { return false };
    let fields = Fields::of(id);
    fields.pgn == j1939::DM2 || fields.destination.is_some_and(|to| SERVICE_TOOLS.contains(&to))
}

/// Whether a service tool sends this.
fn is_tester(id: Id) -> bool {
    matches!(id, Id::Extended(id) if SERVICE_TOOLS.contains(&Fields::of(id).source))
}

fn is_claim(id: Id) -> bool {
    matches!(id, Id::Extended(id) if Fields::of(id).pgn == ADDRESS_CLAIMED)
}

/// Period of the fastest of these, in seconds.
pub(super) fn fastest(losses: &Losses, ids: &[IdIndex]) -> f64 {
    ids.iter()
        .filter_map(|id| losses.expected[*id])
        .map(|expected| expected.rhythm.period)
        .fold(f64::INFINITY, f64::min)
}

/// Error reports about the bus near the start of a silence, where there are any.
pub(super) fn bus_errors(
    timing: &Timing,
    channel: ChannelIndex,
    silence: Silence,
) -> Option<Evidence> {
    let near = nanoseconds(1.0);
    let within = silence.start - near..=silence.start + near;
    let errors = timing.channels[usize::from(channel)].errors.reported.iter();
    let near = errors.filter(|error| within.contains(&error.time));
    let near = near.filter(|error| error.frame.is_about_the_bus());
    let count = near.map(|error| error.times as usize).sum();
    (count > 0).then_some(Evidence::BusErrors { count })
}
