//! Events that follow each other closely are one episode: a key-off, a sleep, or a loss.

use super::super::facts::{BACK_TOGETHER, KEY_TAKES};
use super::scene::Scene;
use super::{Doubt, Judged, Verdict, Why, length};
use crate::fold::timing::{Nanoseconds, nanoseconds, seconds};
use crate::ids::IdIndex;
use crate::silence::{Event, Loss};

/// Onsets further apart than this many seconds are two instants: modules of one feed die within
/// their hold-up time of some milliseconds (from memory), software shuts down in tasks of 10 ms and
/// more.
pub(super) const INSTANT: f64 = 0.05;
/// The key takes away more than one small module: at least this share of what was there.
const SHARE: f64 = 0.15;
/// In a shutdown in stages the largest wave has at least so many identifiers: single messages pause
/// by nature, and would make any loss look staged.
const LARGEST: usize = 3;
/// In a shutdown in stages the wave after the largest has at least so many identifiers.
const NEXT: usize = 2;
/// A key is not turned off and on again in less than so many seconds.
const OFF: f64 = 1.0;
/// What takes at least this share of what was there is the key of the vehicle.
const MOST_OF_ALL: f64 = 0.5;
/// What left at so many instants, or of so many known senders, did not fail one by one.
pub(super) const SEVERAL: usize = 3;
/// Two identifiers for less than this many seconds may be a small module that the starter pulled
/// down (one open capture of a car: two for 0.97 s as the engine starts). Less than a
/// starter may turn, for here nothing tells of a start: with 2 s, of invented vehicles, more losses
/// were passed over than pauses were told.
const PULLED_DOWN: f64 = 1.5;
/// A supply that is cut holds its modules up for so many seconds at most: what leaves later has
/// another cause (common practice, no source).
const HELD_UP: f64 = 0.5;
/// A module left twice only where it was heard for so many seconds between: errors at a bad contact
/// make one silence look like several.
const HEARD_FOR: f64 = 0.5;
/// What takes at least this share of what was there, time and again, may be a flood of frames that
/// starves the rest.
const NEARLY_ALL: f64 = 0.75;
/// Two steps at least so many seconds apart that take less than half of what was there may be two
/// losses as well as one key.
const APART: f64 = 2.0;
/// What leaves within so many seconds of the end of a channel ends with it.
const CHANNEL_ENDS: f64 = 2.0;
/// A bus may fall asleep so many seconds before the last frames of its modules.
const ASLEEP_BEFORE: f64 = 0.5;

/// Events as episodes: each begins soon after the one before it, while that still lasts.
pub(super) fn of(mut events: Vec<Event>) -> Vec<Vec<Event>> {
    events.sort_by_key(|event| event.onset);
    let mut episodes: Vec<Vec<Event>> = Vec::new();
    for event in events {
        let joins = |episode: &Vec<Event>| {
            let last = episode.last().map_or(Nanoseconds::MIN, |last| last.onset);
            event.onset.saturating_sub(last) <= nanoseconds(KEY_TAKES)
                && episode.iter().any(|other| other.ongoing || returned(other) >= event.onset)
        };
        match episodes.last_mut().filter(|episode| joins(episode)) {
            Some(episode) => episode.push(event),
            None => episodes.push(vec![event]),
        }
    }
    episodes
}

/// Splits events where one returned long after the one before it. Those that did not return are a
/// part by themselves. Each part is in order of onset.
fn split_by_return(events: &[Event]) -> Vec<Vec<Event>> {
    let mut events = events.to_vec();
    events.sort_by_key(|event| (event.ongoing, event.back, event.onset));
    let joins = |before: &Event, next: &Event| {
        before.ongoing == next.ongoing
            && (next.ongoing || next.back - before.back <= nanoseconds(BACK_TOGETHER))
    };
    let parts = events.chunk_by(joins).map(|part| {
        let mut part = part.to_vec();
        part.sort_by_key(|event| event.onset);
        part
    });
    parts.collect()
}

/// When half of the identifiers of an event had returned.
fn returned(event: &Event) -> Nanoseconds {
    event.losses.get(event.losses.len() / 2).map_or(event.back, |loss| loss.silence.end)
}

/// Identifiers that may have fallen silent at one instant: it lies behind the last frame of each,
/// and before the next frame of any was due.
struct Wave {
    start: Nanoseconds,
    last: Nanoseconds,
    due: Nanoseconds,
}

impl Wave {
    fn of(scene: &Scene<'_>, event: &Event) -> Wave {
        let due = |loss: &Loss| Some(scene.expected(loss.id)?.due(loss.silence.start));
        let due = event.losses.iter().filter_map(due).min();
        Wave { start: event.onset, last: event.onset, due: due.unwrap_or(event.onset) }
    }

    fn holds(&self, other: &Wave) -> bool {
        let instant = nanoseconds(INSTANT);
        let together = self.last.max(other.last) <= self.due.min(other.due).saturating_add(instant);
        together || other.start - self.start <= instant
    }

    /// Whether a supply that was cut for one may have held the other up until it left.
    fn leads_to(&self, other: &Wave) -> bool {
        other.last <= self.due.saturating_add(nanoseconds(HELD_UP))
    }

    fn join(&mut self, other: &Wave) {
        self.last = self.last.max(other.last);
        self.due = self.due.min(other.due);
    }
}

/// The steps in which events left that are in order of their onset, each with its events: one
/// instant may explain all of a step.
pub(super) fn steps<'e>(
    scene: &Scene<'_>,
    events: impl IntoIterator<Item = &'e Event>,
) -> Vec<Vec<&'e Event>> {
    let mut steps: Vec<(Wave, Vec<&Event>)> = Vec::new();
    for event in events {
        let own = Wave::of(scene, event);
        match steps.last_mut().filter(|(wave, _)| wave.holds(&own)) {
            Some((wave, step)) => {
                wave.join(&own);
                step.push(event);
            }
            None => steps.push((own, vec![event])),
        }
    }
    steps.into_iter().map(|(_, step)| step).collect()
}

/// An episode in figures.
pub(super) struct Figures {
    pub(super) ids: Vec<IdIndex>,
    /// Identifiers at each instant, the largest first.
    pub(super) waves: Vec<usize>,
    /// Seconds from the first onset to the last.
    pub(super) over: f64,
    pub(super) onset: Nanoseconds,
    /// Identifiers that were there before.
    pub(super) there: usize,
    pub(super) ongoing: bool,
}

impl Figures {
    fn of(scene: &Scene<'_>, events: &[Event]) -> Figures {
        let onset = events.first().map_or(0, |event| event.onset);
        let last = events.last().map_or(onset, |event| event.onset);
        let mut ids: Vec<IdIndex> =
            events.iter().flat_map(|event| &event.losses).map(|loss| loss.id).collect();
        ids.sort_unstable();
        ids.dedup();
        let count = |step: Vec<&Event>| step.iter().map(|event| event.losses.len()).sum();
        let mut waves: Vec<usize> = steps(scene, events).into_iter().map(count).collect();
        waves.sort_unstable_by_key(|count| std::cmp::Reverse(*count));
        Figures {
            ids,
            waves,
            over: seconds(last - onset),
            onset,
            there: scene.there(onset).count(),
            ongoing: events.iter().any(|event| event.ongoing),
        }
    }

    pub(super) fn share(&self) -> f64 {
        self.ids.len() as f64 / self.there.max(1) as f64
    }

    /// Whether modules left one after another.
    fn is_staged(&self) -> bool {
        let at = |place: usize| self.waves.get(place).copied().unwrap_or(0);
        // Three small modules are no chance either, nor are three instants that take most of all.
        (at(0) >= LARGEST && at(1) >= NEXT || at(SEVERAL - 1) >= NEXT) && self.share() >= SHARE
            || at(0) >= NEXT && at(SEVERAL - 1) > 0 && self.share() >= MOST_OF_ALL
    }
}

impl Scene<'_> {
    /// What an episode is, or its parts by themselves: steps that may be two losses that followed
    /// each other by chance, and came back apart. A key has more than one stage, and the driver may
    /// take his time between them; so they are parted only where a code says that something was
    /// lost.
    pub(super) fn episode(&self, events: Vec<Event>) -> Vec<Judged> {
        let judged = |events: Vec<Event>| {
            let (verdict, doubt, why) = self.told(&events);
            Judged { events, verdict, doubt, why }
        };
        let whole = judged(events);
        // What stopped at two instants is not one sender of few messages.
        let apart = || Figures::of(self, &whole.events).waves.len() > 1;
        if matches!(whole.why, Why::SenderUnknown) && apart() {
            return whole.events.into_iter().map(|event| judged(vec![event])).collect();
        }
        if let Why::HeldUp { .. } = whole.why {
            let joined = whole.events.into_iter().reduce(|mut first, event| {
                first.join(event, self.observed.losses);
                first
            });
            return vec![Judged { events: joined.into_iter().collect(), ..whole }];
        }
        if whole.verdict == Verdict::Lost {
            let parts = self.split_by_onset(&whole.events);
            return match parts.len() < 2 {
                true => vec![whole],
                false => parts.into_iter().map(judged).collect(),
            };
        }
        let open = whole.doubt.is_some() && matches!(whole.why, Why::Staged { .. });
        if open && (self.takes_one_twice(&whole.events) || self.is_of_two(&whole.events)) {
            return whole.events.into_iter().map(|event| judged(vec![event])).collect();
        }
        if !open || !self.observed.misses_a_module_since(whole.onset()) {
            return vec![whole];
        }
        let parts = split_by_return(&whole.events);
        match parts.len() < 2 || parts.iter().any(|part| Figures::of(self, part).is_staged()) {
            true => vec![whole],
            false => parts.into_iter().map(judged).collect(),
        }
    }

    /// Whether identifiers that belong together left twice, and were heard between: a key that is
    /// turned off takes each module once. A starter that turns takes one again, and a flood nearly
    /// all that is there.
    fn takes_one_twice(&self, events: &[Event]) -> bool {
        let started = |event: &Event| {
            let starts = self.observed.losses.starts.iter();
            starts.copied().any(|start| (event.onset..=event.back).contains(&start))
        };
        let again = |before: &[Event], event: &Event| {
            let was_back = |other: &Loss, own: &Loss| {
                other.id == own.id
                    && own.silence.start - other.silence.end >= nanoseconds(HEARD_FOR)
            };
            let of_both = |other: &&Event| {
                let twice = |own: &&Loss| other.losses.iter().any(|loss| was_back(loss, own));
                event.losses.iter().filter(twice).count() >= NEXT
            };
            !started(event) && before.iter().any(|other| of_both(&other))
        };
        Figures::of(self, events).share() < NEARLY_ALL
            && events.iter().enumerate().any(|(at, event)| again(&events[..at], event))
    }

    /// Whether few left at two instants so far apart that they are two losses as well: software
    /// takes more than two steps, or takes most of what is there.
    fn is_of_two(&self, events: &[Event]) -> bool {
        let figures = Figures::of(self, events);
        figures.waves.len() == 2 && figures.over >= APART && figures.share() < MOST_OF_ALL
    }

    /// Splits events where one cause cannot explain both: what follows a loss by seconds, and does
    /// not come back with it, hangs neither on its supply nor on its wire.
    fn split_by_onset(&self, events: &[Event]) -> Vec<Vec<Event>> {
        let mut parts: Vec<(Wave, Vec<Event>)> = Vec::new();
        for event in events {
            let own = Wave::of(self, event);
            let back_with = |part: &[Event]| {
                part.iter().any(|other| {
                    !event.ongoing
                        && !other.ongoing
                        && (event.back - other.back).abs() <= nanoseconds(BACK_TOGETHER)
                })
            };
            let joins =
                |(wave, part): &&mut (Wave, Vec<Event>)| wave.leads_to(&own) || back_with(part);
            match parts.last_mut().filter(joins) {
                Some((wave, part)) => {
                    wave.join(&own);
                    part.push(event.clone());
                }
                None => parts.push((own, vec![event.clone()])),
            }
        }
        parts.into_iter().map(|(_, part)| part).collect()
    }

    fn told(&self, events: &[Event]) -> (Verdict, Option<Doubt>, Why) {
        let figures = Figures::of(self, events);
        self.switched_off(events, &figures)
            .or_else(|| self.of_few(events, &figures))
            .or_else(|| self.of_running_senders(events))
            .or_else(|| self.for_good(events, &figures))
            .or_else(|| self.of_a_large_part(events, &figures))
            .unwrap_or_else(|| (Verdict::Lost, None, self.lost(events, &figures)))
    }

    /// Why what left is lost.
    fn lost(&self, events: &[Event], figures: &Figures) -> Why {
        let identifiers = figures.ids.len();
        match figures.is_staged() && self.is_held_up(events, figures) {
            true => Why::HeldUp { identifiers, over: figures.over },
            false => Why::OneInstant { identifiers },
        }
    }

    /// What shows that modules were switched off.
    fn switched_off(
        &self,
        events: &[Event],
        figures: &Figures,
    ) -> Option<(Verdict, Option<Doubt>, Why)> {
        let lawful = |why| Some((Verdict::SwitchedOff, None, why));
        if let Some(proven) = events.iter().filter_map(|event| self.key_off(event.onset)).max() {
            let doubt = (!proven).then_some(Doubt::KeyOrSupply);
            return Some((Verdict::SwitchedOff, doubt, Why::EngineStood));
        }
        if self.ends_early && figures.onset > self.heard.1 - nanoseconds(CHANNEL_ENDS) {
            return lawful(Why::ChannelEnds);
        }
        if self.slept(events, figures) {
            return lawful(Why::BusSlept);
        }
        // Here the engine only: a code that misses a module does not make one loss of what left in
        // steps, but parts it (`episode`).
        if !figures.is_staged()
            || self.observed.engine_ran_on(figures.onset)
            || self.is_held_up(events, figures)
        {
            return None;
        }
        let soon = figures.onset..figures.onset.saturating_add(nanoseconds(KEY_TAKES + OFF));
        let stopped = self.quiet.iter().any(|quiet| soon.contains(&quiet.start));
        let proven = !figures.ongoing
            && length(events) >= OFF
            && self.are_several(events, figures)
            && (figures.share() >= MOST_OF_ALL || stopped);
        let why = Why::Staged {
            waves: figures.waves.len(),
            over: figures.over,
            identifiers: figures.ids.len(),
            of: figures.there,
        };
        Some((Verdict::SwitchedOff, (!proven).then_some(Doubt::KeyOrSupply), why))
    }

    /// Whether too many left for each to have failed by itself: two modules may fail within
    /// seconds by chance, three hardly.
    pub(super) fn are_several(&self, events: &[Event], figures: &Figures) -> bool {
        let losses = events.iter().flat_map(|event| &event.losses);
        let mut senders: Vec<_> = losses.filter_map(|loss| self.sender(loss.id)).collect();
        senders.sort_unstable();
        senders.dedup();
        figures.waves.len() >= SEVERAL || senders.len() >= SEVERAL
    }

    /// Whether the bus went to sleep soon after, or slept already.
    fn slept(&self, events: &[Event], figures: &Figures) -> bool {
        let onset = figures.onset;
        let soon = onset - nanoseconds(ASLEEP_BEFORE)..onset.saturating_add(nanoseconds(KEY_TAKES));
        self.sleeps.iter().any(|sleep| {
            let meets = events.iter().flat_map(|event| &event.losses);
            let meets = meets.map(|loss| loss.silence.overlap(sleep)).any(|overlap| overlap > 0);
            meets && (soon.contains(&sleep.start) || (sleep.start..=sleep.end).contains(&onset))
        })
    }

    /// One or two identifiers: all of a sender, or messages that pause.
    fn of_few(&self, events: &[Event], figures: &Figures) -> Option<(Verdict, Option<Doubt>, Why)> {
        // What only lacked frames with these adds nothing to them.
        let mut own: Vec<IdIndex> = events
            .iter()
            .flat_map(|event| &event.losses)
            .filter(|loss| self.timed_out(loss))
            .map(|loss| loss.id)
            .collect();
        own.sort_unstable();
        own.dedup();
        let (few, instants) = (own.len(), figures.waves.len());
        if few > 2 {
            return None;
        }
        if events.iter().all(|event| self.is_whole_sender(event)) {
            return Some((Verdict::Lost, None, Why::WholeSender));
        }
        let mut losses = events.iter().flat_map(|event| &event.losses);
        let again = |id: &IdIndex| self.losses(*id).count() >= 2;
        let pair = figures.ids.len() >= 2 && instants == 1 && self.pauser(losses.clone()).is_none();
        if pair && (length(events) >= PULLED_DOWN || figures.ids.iter().all(again)) {
            return None;
        }
        if losses.clone().all(|loss| self.sender_went_on(loss)) {
            return Some((Verdict::Pauses, None, Why::SenderWentOn));
        }
        if losses.all(|loss| self.sender(loss.id).is_none() && self.restarts(loss)) {
            return Some((Verdict::Lost, None, Why::Restarted));
        }
        if let ([event], [id]) = (events, own.as_slice())
            && self.is_gone(event, *id)
        {
            let seconds = seconds(self.heard.1 - event.onset);
            return Some((Verdict::Lost, None, Why::Gone { seconds }));
        }
        Some((Verdict::Pauses, Some(Doubt::SenderUnknown), Why::SenderUnknown))
    }

    /// What does not come back before the end.
    fn for_good(
        &self,
        events: &[Event],
        figures: &Figures,
    ) -> Option<(Verdict, Option<Doubt>, Why)> {
        if !events.iter().all(|event| event.ongoing) {
            return None;
        }
        let first = events.first()?.losses.iter().map(|loss| self.near_end(loss.id)).min()?;
        if self.heard.1 - figures.onset < first {
            return Some((Verdict::Pauses, Some(Doubt::NearTheEnd), Why::NearTheEnd));
        }
        if !self.observed.may_be_key(figures.onset) {
            return None;
        }
        let half = figures.waves.len() == 1 && self.lost_half_of_senders(events);
        let why =
            half.then_some(Why::HalfOfSenders).or_else(|| self.before_the_end(events, figures));
        Some((Verdict::SwitchedOff, Some(Doubt::KeyOrSupply), why?))
    }
}
