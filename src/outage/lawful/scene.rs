//! What is known of a channel when its silences are judged.

use super::super::Observed;
use super::super::facts::{STARTS_WITHIN, fastest, is_cyclic, was_silent};
use crate::capture::ChannelIndex;
use crate::fold::timing::{Nanoseconds, Silence, nanoseconds, seconds};
use crate::ids::{IdIndex, NodeIndex};
use crate::network::Basis;
use crate::silence::{Event, Expectation, LACKING, Loss, QUEUE, Stop, StopKind, covered, merged};

/// A sender that a clock tells counts as known from this confidence on.
const SURE: f64 = 0.9;
/// A stop in which at least so many identifiers were due can only be the recorder's.
const CAUGHT: usize = 10;
/// A recording that paused at least so many times may be chopped into pieces that show nothing.
const PAUSES: usize = 3;
/// A recording is chopped where its pauses take more than this share of the time.
const CHOPPED: f64 = 0.1;
/// In a chopped recording a loss that holds more than so many seconds of one piece shows all the
/// same: that is far more than it takes a recorder to get going again.
const ALONE_FOR: f64 = 5.0;
/// Modules were starting where more than this share of the identifiers watched is first heard late,
/// but within [`STARTS_WITHIN`]: what comes later still is switched on, or was away before.
const STARTING: f64 = 0.15;
/// A channel ended early where the capture goes on for more than so many seconds after it.
const GOES_ON: f64 = 2.0;
/// A channel ended early where the capture goes on for more than one part in so many of the time
/// for which the channel was heard.
const GOES_ON_FRACTION: Nanoseconds = 20;
/// A loss holds a stretch of the recording where it is longer than so many time-outs.
const TIMEOUTS: f64 = 2.0;
/// Modules were starting where the channel slept within so many seconds of its first frame.
const SLEPT_WITHIN: f64 = 2.0;
/// So many periods of an identifier without a frame of it show that it was silent, and not late.
const PERIODS_DUE: f64 = 2.0;
/// An identifier kept its time in the silence of another one where it missed no more than this
/// share of it.
const MISSED: f64 = 0.3;
/// A sender went on where it was heard more than so many seconds after others had fallen silent.
const HEARD_AFTER: f64 = 1.0;

/// A channel, what it carried, and when it was quiet.
pub(super) struct Scene<'a> {
    pub observed: &'a Observed<'a>,
    /// First and last frame of the channel.
    pub heard: (Nanoseconds, Nanoseconds),
    /// The capture goes on for long after the channel has ended.
    pub ends_early: bool,
    /// Identifiers of which something is expected.
    pub watched: Vec<IdIndex>,
    /// Sleeps that are known for it.
    pub sleeps: Vec<Silence>,
    /// All times in which the channel carried nothing, in order.
    pub quiet: Vec<Silence>,
    /// Modules were seen to start.
    pub starting: bool,
    /// The recording pauses again and again.
    pub chopped: bool,
}

impl<'a> Scene<'a> {
    pub fn of(observed: &'a Observed<'a>, channel: usize) -> Option<Scene<'a>> {
        let timing = observed.timing;
        let heard = timing.channels[channel].heard?;
        let (_, end) = timing.span?;
        let watched: Vec<IdIndex> = (0..timing.ids.len())
            .map(IdIndex)
            .filter(|id| usize::from(timing.ids[*id].key.channel) == channel)
            .filter(|id| observed.losses.expected[*id].is_some())
            .collect();
        let channel = channel as ChannelIndex;
        let stops = || observed.losses.stops.iter().filter(|stop| stop.concerns(channel));
        let asleep = |stop: &&Stop| stop.kind == StopKind::BusSleep && !stop.unclear;
        let span = heard.1 - heard.0;
        let pauses = || {
            stops().filter(|stop| {
                stop.ids.len() >= CAUGHT
                    && (stop.kind == StopKind::CapturePause
                        || (stop.unclear && stop.kind == StopKind::Unknown))
            })
        };
        let paused: Nanoseconds = pauses().map(|stop| stop.silence.length()).sum();
        let rest = end - heard.1;
        let late = rest > nanoseconds(GOES_ON) && rest.saturating_mul(GOES_ON_FRACTION) > span;
        let mut scene = Scene {
            observed,
            heard,
            ends_early: timing.channels.len() > 1 && late,
            watched,
            sleeps: stops().filter(asleep).map(|stop| stop.silence).collect(),
            quiet: stops().map(|stop| stop.silence).collect(),
            starting: false,
            chopped: pauses().count() >= PAUSES && paused as f64 > CHOPPED * span as f64,
        };
        scene.starting = scene.is_starting();
        Some(scene)
    }

    /// Whether a loss holds a whole stretch in which the recorder ran and others were heard, long
    /// enough to show it by itself, however chopped the rest of the recording is.
    pub fn lasts_between_pauses(&self, events: &[Event]) -> bool {
        let longest = |silence: Silence| {
            let (mut from, mut longest) = (silence.start, 0);
            for quiet in self.quiet.iter().filter(|quiet| quiet.overlap(&silence) > 0) {
                longest = longest.max(quiet.start - from);
                from = from.max(quiet.end);
            }
            longest.max(silence.end - from)
        };
        let quiet = merged(self.quiet.clone());
        // What does not come back is missed in each stretch anew, and no start of the recorder
        // explains them all.
        let heard = |loss: &Loss| match loss.ongoing {
            true => loss.silence.length() - covered(&quiet, loss.silence),
            false => longest(loss.silence),
        };
        let enough = |loss: &Loss| {
            let timeout = self.expected(loss.id).map_or(f64::INFINITY, |expected| expected.timeout);
            nanoseconds(TIMEOUTS * timeout) < heard(loss)
        };
        let losses = || events.iter().flat_map(|event| &event.losses);
        losses().any(enough)
            && losses()
                .all(|loss| heard(loss) > nanoseconds(ALONE_FOR) && (loss.ongoing || enough(loss)))
    }

    pub fn expected(&self, id: IdIndex) -> Option<&Expectation> {
        self.observed.losses.expected[id].as_ref()
    }

    pub fn period(&self, id: IdIndex) -> f64 {
        self.expected(id).map_or(f64::INFINITY, |expected| expected.rhythm.period)
    }

    /// Whether a loss is one by the time-out of its identifier, and not only beside another one.
    pub fn timed_out(&self, loss: &Loss) -> bool {
        let timeout = self.expected(loss.id).map_or(f64::INFINITY, |expected| expected.timeout);
        loss.silence.length() > nanoseconds(timeout)
    }

    /// First and last time that an identifier was heard.
    pub fn heard(&self, id: IdIndex) -> (Nanoseconds, Nanoseconds) {
        self.observed.timing.ids[id].heard.unwrap_or(self.heard)
    }

    /// The losses of an identifier, in order of time.
    pub fn losses(&self, id: IdIndex) -> impl Iterator<Item = &Loss> {
        self.observed.losses.of(id).iter()
    }

    /// Whether the key was off then, as a standard signal tells, and whether that is proved.
    pub fn key_off(&self, time: Nanoseconds) -> Option<bool> {
        let holding = self.observed.losses.sessions.iter().filter(|session| session.holds(time));
        holding.map(|session| session.proven).max()
    }

    /// Whether the engine surely ran at a time.
    pub fn engine_runs(&self, time: Nanoseconds) -> bool {
        let holds = |running: &Silence| (running.start..=running.end).contains(&time);
        self.observed.losses.running.iter().any(holds)
    }

    /// Whether modules were seen to start: in waves, many of them, or out of a sleep.
    fn is_starting(&self) -> bool {
        let begin = self.heard.0;
        let soon = begin.saturating_add(nanoseconds(STARTS_WITHIN));
        let at_first = begin.saturating_add(nanoseconds(SLEPT_WITHIN));
        let slept = self.sleeps.iter().any(|sleep| sleep.start <= at_first);
        let is_late = |id: &&IdIndex| {
            let timeout = self.expected(**id).map_or(f64::INFINITY, |expected| expected.timeout);
            let first = self.heard(**id).0;
            first <= soon && seconds(first - begin) > timeout
        };
        let mut late: Vec<(Nanoseconds, f64)> = self
            .watched
            .iter()
            .filter(is_late)
            .map(|id| (self.heard(*id).0, self.period(*id)))
            .collect();
        late.sort_by_key(|(first, _)| *first);
        let mut waves: Vec<Nanoseconds> = Vec::new();
        for (first, period) in &late {
            let joins = |wave: &Nanoseconds| first - nanoseconds(period + QUEUE) <= *wave;
            if !waves.last().is_some_and(joins) {
                waves.push(*first);
            }
        }
        slept || waves.len() >= 2 || late.len() as f64 > STARTING * self.watched.len() as f64
    }

    /// The sender of an identifier, where a roster, an address, a field or a sure clock tells it.
    /// What is known from shared silences only does not count: it would prove itself.
    pub fn sender(&self, id: IdIndex) -> Option<NodeIndex> {
        let node = self.observed.network.node_of[id]?;
        let own = self.observed.network.nodes.get(node.0)?;
        let known = Basis::any_is_told(&own.basis)
            || (own.basis.contains(&Basis::Clock) && own.confidence >= SURE);
        known.then_some(node)
    }

    /// Whether the sender of an identifier is known and went on with another one.
    pub fn sender_went_on(&self, loss: &Loss) -> bool {
        let Some(node) = self.sender(loss.id) else { return false };
        let node = &self.observed.network.nodes[node];
        let others = || node.ids.iter().filter(|id| **id != loss.id);
        // By an address whatever it sends is of it, packets and requests too.
        let slack = nanoseconds(HEARD_AFTER);
        let speaks = |id: &IdIndex| !was_silent(self.observed, *id, loss.silence, slack);
        let timed = |id: &&IdIndex| self.expected(**id).is_some();
        others().filter(timed).any(|id| self.kept_on(*id, loss.silence))
            || node.basis.contains(&Basis::Address)
                && loss.silence.length() > 3 * slack
                && others().any(speaks)
    }

    /// Whether an identifier was sent on in the silence of another one.
    fn kept_on(&self, id: IdIndex, silence: Silence) -> bool {
        let period = self.period(id);
        let (first, last) = self.heard(id);
        let Silence { start, end } = silence;
        let due = PERIODS_DUE * period;
        if due >= seconds(silence.length())
            || first > start
            || last < end.min(self.heard.1) - nanoseconds(due + QUEUE)
        {
            return false;
        }
        let silences =
            self.observed.timing.ids[id].silences.at_least(nanoseconds(LACKING * period));
        let missed: Nanoseconds = silences.map(|own| own.overlap(&silence)).sum();
        missed as f64 <= MISSED * silence.length() as f64
    }

    /// The known sender of all identifiers of an event.
    pub fn sole_sender(&self, event: &Event) -> Option<NodeIndex> {
        let sender = self.sender(event.losses.first()?.id)?;
        event.losses.iter().all(|loss| self.sender(loss.id) == Some(sender)).then_some(sender)
    }

    /// Whether the senders of an event are known and nothing at all was heard of them meanwhile.
    pub fn is_whole_sender(&self, event: &Event) -> bool {
        let mut senders: Vec<NodeIndex> =
            event.losses.iter().filter_map(|loss| self.sender(loss.id)).collect();
        senders.sort_unstable();
        senders.dedup();
        event.losses.iter().all(|loss| self.sender(loss.id).is_some())
            && senders.iter().all(|sender| self.is_whole(*sender, event))
    }

    /// Whether nothing of a sender was heard in an event, though more than one frame was due.
    fn is_whole(&self, sender: NodeIndex, event: &Event) -> bool {
        let silence = Silence { start: event.onset, end: event.back.max(event.onset) };
        let node = &self.observed.network.nodes[sender];
        let lost = |id: &&IdIndex| event.losses.iter().any(|loss| loss.id == **id);
        let lost_here = node.ids.iter().filter(lost).count();
        let others = || node.ids.iter().filter(|id| !lost(id));
        // A roster knows what a sender sends; of an address or a clock there may be more.
        let by_roster = node.basis.contains(&Basis::Roster);
        let ids: Vec<IdIndex> = event.losses.iter().map(|loss| loss.id).collect();
        let slack = nanoseconds(fastest(self.observed.losses, &ids) + QUEUE);
        let due = |id: &IdIndex| seconds(silence.length()) / self.period(*id);
        // A message that pauses by nature does so while nothing else of its sender is due.
        if lost_here == 1
            && node.ids.len() > 1
            && others().all(|id| due(id) < LACKING)
            && node.ids.iter().filter(lost).all(|id| self.is_alike(*id))
        {
            return false;
        }
        let at_address = node.basis.contains(&Basis::Address);
        let goes_on = |id: &IdIndex| at_address && is_cyclic(self.observed.timing.ids[*id].key.id);
        let never_pauses = node.ids.iter().filter(lost).any(goes_on);
        others().all(|id| was_silent(self.observed, *id, silence, slack))
            && (by_roster
                || lost_here >= 2
                || never_pauses
                || others().map(due).sum::<f64>() >= 1.0)
    }

    /// Whether two known senders or more were gone altogether, and half of those there were.
    pub fn lost_half_of_senders(&self, events: &[Event]) -> bool {
        let ids: Vec<IdIndex> =
            events.iter().flat_map(|event| &event.losses).map(|loss| loss.id).collect();
        if ids.iter().any(|id| self.sender(*id).is_none()) {
            return false;
        }
        let onset = events.iter().map(|event| event.onset).min().unwrap_or(0);
        let senders = |ids: &mut dyn Iterator<Item = IdIndex>| {
            let mut senders: Vec<NodeIndex> = ids.filter_map(|id| self.sender(id)).collect();
            senders.sort_unstable();
            senders.dedup();
            senders
        };
        let there = senders(&mut self.there(onset));
        let went_on = senders(&mut self.watched.iter().copied().filter(|id| {
            !ids.contains(id) && self.heard(*id).1 > onset.saturating_add(nanoseconds(HEARD_AFTER))
        }));
        let gone = there.iter().filter(|sender| !went_on.contains(sender)).count();
        gone >= 2 && gone * 2 >= there.len()
    }

    /// Identifiers that were heard before a time.
    pub fn there(&self, time: Nanoseconds) -> impl Iterator<Item = IdIndex> {
        self.watched.iter().copied().filter(move |id| self.heard(*id).0 <= time)
    }
}
