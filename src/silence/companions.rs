//! Identifiers that missed frames in the silence of another one, too few for a time-out of their
//! own. docs/outages.md, "Silences that belong together".

use std::collections::BTreeMap;

use super::together::RETURN;
use super::{LACKING, Loss, Losses, Twins, covered, in_packets};
use crate::fold::diagnostics::Diagnostics;
use crate::fold::timing::{Nanoseconds, Silence, Timing, nanoseconds, seconds};
use crate::ids::IdIndex;
use crate::settings::Settings;

/// A loss of so many periods has to show at whoever hangs together with it.
const SHOWS: f64 = 2.0 * LACKING;

/// Takes the shorter silences for losses too that began and ended with a loss of another identifier
/// of the channel. A time-out has to be long because single frames go missing now and then; who
/// misses frames just when another one does, and else hardly ever, misses them for the same reason.
pub(super) fn add(
    (timing, twins): (&Timing, &Twins<'_>),
    diagnostics: &Diagnostics,
    losses: &mut Losses,
    quiet: &[Vec<Silence>],
    settings: &Settings,
) {
    let mut found = Vec::new();
    for (channel, quiet) in quiet.iter().enumerate() {
        let here = |id: IdIndex| usize::from(timing.ids[id].key.channel) == channel;
        let leads = |loss: &&Loss| here(loss.id) && !loss.ongoing;
        let mut leaders: Vec<Loss> = losses.losses.iter().filter(leads).copied().collect();
        if leaders.is_empty() {
            continue;
        }
        leaders.sort_by_key(|loss| loss.silence.end);
        let leaders = &leaders;
        let channel = Channel { timing, twins, diagnostics, losses, quiet, settings, leaders };
        let ids = (0..timing.ids.len()).map(IdIndex).filter(|id| here(*id));
        found.extend(ids.flat_map(|id| channel.beside(id)));
    }
    losses.losses.extend(found);
    losses.losses.sort_by_key(|loss| (loss.id, loss.silence));
}

struct Channel<'a> {
    timing: &'a Timing,
    twins: &'a Twins<'a>,
    diagnostics: &'a Diagnostics,
    losses: &'a Losses,
    quiet: &'a [Silence],
    settings: &'a Settings,
    /// Losses by the time-out of their identifiers, in order of their ends.
    leaders: &'a [Loss],
}

impl Channel<'_> {
    /// The silences of an identifier that are too short for its time-out and belong to a loss.
    fn beside(&self, id: IdIndex) -> Vec<Loss> {
        let Some(expected) = self.losses.expected[id].as_ref() else { return Vec::new() };
        let period = expected.rhythm.period;
        let own = self.losses.of(id);
        let timing = &self.timing.ids[id];
        let lacking = timing.silences.at_least(nanoseconds(LACKING * period));
        let short = lacking.filter(|silence| {
            covered(self.quiet, *silence) == 0
                && seconds(silence.length()) >= self.settings.shortest_outage
                && !own.iter().any(|loss| loss.silence.overlap(silence) > 0)
                && !in_packets(self.timing, self.diagnostics, timing.key, *silence)
                && self.twins.is_silent(id, *silence)
        });
        let with: Vec<(Silence, Vec<IdIndex>)> =
            short.map(|silence| (silence, self.leaders_of(id, silence))).collect();
        // What hangs together lacks frames whenever the other does.
        let mut shared: BTreeMap<IdIndex, usize> = BTreeMap::new();
        for leader in with.iter().flat_map(|(_, leaders)| leaders) {
            *shared.entry(*leader).or_default() += 1;
        }
        let hangs_together = |leader: &IdIndex| {
            let must_show = self.losses.of(*leader).iter().filter(|loss| {
                let length = seconds(loss.silence.length());
                length >= SHOWS * period
                    && !own.iter().any(|own| own.silence.overlap(&loss.silence) > 0)
            });
            2 * shared[leader] >= must_show.count()
        };
        let (with, without): (Vec<_>, Vec<_>) =
            with.iter().partition(|(_, leaders)| leaders.iter().any(hangs_together));
        // Who lacks frames at other times as well may lack these by chance.
        if without.len() > with.len() {
            return Vec::new();
        }
        with.into_iter()
            .map(|(silence, _)| Loss { id, silence: *silence, ongoing: false })
            .collect()
    }

    /// Whose losses one instant begins and another ends, together with a silence.
    fn leaders_of(&self, id: IdIndex, silence: Silence) -> Vec<IdIndex> {
        let due = self.due(id, silence);
        let period = self.losses.expected[id].as_ref().map_or(0.0, |own| own.rhythm.period);
        let slack = nanoseconds(RETURN.max(period));
        let from = self.leaders.partition_point(|loss| loss.silence.end < silence.end - slack);
        let mut out: Vec<IdIndex> = self.leaders[from..]
            .iter()
            .take_while(|loss| loss.silence.end <= silence.end.saturating_add(slack))
            .filter(|loss| {
                loss.id != id
                    && loss.silence.start <= due
                    && silence.start <= self.due(loss.id, loss.silence)
            })
            .map(|loss| loss.id)
            .collect();
        out.sort_unstable();
        out.dedup();
        out
    }

    /// When an identifier was missed at the latest in a silence.
    fn due(&self, id: IdIndex, silence: Silence) -> Nanoseconds {
        let expected = self.losses.expected[id].as_ref();
        let due = expected.map_or(silence.end, |expected| expected.due(silence.start));
        due.min(silence.end - 1)
    }
}
