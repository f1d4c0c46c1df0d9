//! A large part of a bus that leaves at one instant: for the key, or with what feeds it.

use super::episodes::Figures;
use super::scene::Scene;
use super::{Doubt, Verdict, Why, length};
use crate::fold::timing::{Nanoseconds, nanoseconds, seconds};
use crate::ids::IdIndex;
use crate::silence::{Event, Loss, StopKind};

/// Who records turns the key and then stops recording: at least this share of a vehicle that leaves
/// shortly before the end hardly failed just then (common practice, no source).
pub(super) const LARGE: f64 = 0.35;
/// What leaves with the key shortly before the end leaves within so many seconds of each other.
const WITHIN: f64 = 1.0;
/// So many seconds before the end are shortly before it.
const SHORTLY: f64 = 15.0;
/// From so many seconds on a large part that leaves at once and comes back may be the key's (of 12
/// such of invented vehicles ten were, sets of four worlds by others).
const KEY_CYCLE: f64 = 3.0;
/// What is lost for less than so many seconds is not lost with the key (common practice, no
/// source).
const BRIEF: f64 = 2.0;
/// Other times at which it is looked who left with it.
const MOST_TIMES: usize = 8;

impl Scene<'_> {
    /// A large part of what was there left at one instant, for as long as a key is off and on, and
    /// came back anew: a relay behind the key takes as many as a fuse does. No code of this time
    /// misses a module, the engine is not known to have run, and nothing of it was lost for a
    /// moment another time, as on a bad supply.
    pub(super) fn of_a_large_part(
        &self,
        events: &[Event],
        figures: &Figures,
    ) -> Option<(Verdict, Option<Doubt>, Why)> {
        let brief = |id: &IdIndex| {
            let brief = |loss: &Loss| loss.silence.length() < nanoseconds(BRIEF);
            self.losses(*id).any(|loss| !loss.ongoing && brief(loss))
        };
        // Behind a gateway that starts anew some run on: no key does that.
        let ran_on = |event: &Event| event.phase.kept > 0 && !event.phase.is_lost();
        let open = !figures.ongoing
            && figures.share() >= LARGE
            && length(events) >= KEY_CYCLE
            && self.are_several(events, figures)
            && figures.waves.len() == 1
            && !events.iter().any(ran_on)
            && self.observed.may_be_key(figures.onset)
            && !figures.ids.iter().any(brief)
            && !self.left_with_more(events, &figures.ids);
        let (identifiers, of) = (figures.ids.len(), figures.there);
        let why = Why::LargePart { identifiers, of };
        open.then_some((Verdict::SwitchedOff, Some(Doubt::KeyOrSupply), why))
    }

    /// Whether others left with the first of these another time, for as long, and stay this time: a
    /// key takes the same modules each time.
    fn left_with_more(&self, events: &[Event], ids: &[IdIndex]) -> bool {
        let Some(loss) = events.first().and_then(|event| event.losses.first()) else {
            return false;
        };
        let long = |own: &&Loss| seconds(own.silence.length()) >= KEY_CYCLE;
        let now = |own: &Loss| own.silence.overlap(&loss.silence) > 0;
        let at_another_time = self.losses(loss.id).filter(long).filter(|own| !now(own));
        let others = || self.watched.iter().filter(|id| !ids.contains(id));
        at_another_time.take(MOST_TIMES).any(|own| {
            let with =
                |other: &Loss| other.silence.overlap(&own.silence) * 2 > own.silence.length();
            others().any(|id| self.losses(*id).any(with) && !self.losses(*id).any(now))
        })
    }

    /// A large part of what was there left shortly before the end, or was gone after a pause of the
    /// recording, and nobody misses a module.
    pub(super) fn before_the_end(&self, events: &[Event], figures: &Figures) -> Option<Why> {
        let sender = events.first().and_then(|event| self.sole_sender(event));
        let of_one =
            sender.is_some() && events.iter().all(|event| self.sole_sender(event) == sender);
        let left = seconds(self.heard.1 - figures.onset);
        if figures.share() < LARGE || figures.over > WITHIN || of_one {
            return None;
        }
        let identifiers = figures.ids.len();
        match self.in_a_pause(figures.onset) {
            true => Some(Why::InAPause { identifiers }),
            false => (left <= SHORTLY).then_some(Why::BeforeTheEnd { seconds: left, identifiers }),
        }
    }

    /// Whether the recording paused from then on: how they left was not recorded.
    fn in_a_pause(&self, onset: Nanoseconds) -> bool {
        let near = nanoseconds(WITHIN);
        self.observed.losses.stops.iter().any(|stop| {
            let from = stop.silence.start - near;
            stop.kind == StopKind::CapturePause && (from..stop.silence.end).contains(&onset)
        })
    }
}
