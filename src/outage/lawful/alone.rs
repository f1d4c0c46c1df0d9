//! What an event shows by itself.

use super::super::causes::{self, Return};
use super::scene::Scene;
use super::{Doubt, Verdict, Why};
use crate::fold::timing::{Nanoseconds, nanoseconds, scatter, seconds};
use crate::ids::{IdIndex, NodeIndex};
use crate::network::Basis;
use crate::silence::{Event, Loss};

/// A message sent for less than this share of the capture, and then no more, belongs to a start.
const SHORT: f64 = 0.1;
/// A silence at the end of a channel is none yet while it is shorter than so many seconds.
const NEAR_END: f64 = 0.5;
/// A silence at the end of a channel is none yet while it is shorter than so many periods.
const NEAR_END_PERIODS: f64 = 10.0;
/// A module may fall silent again for so many seconds within so many seconds of its start.
const START_UP: f64 = 2.0;
/// What belongs to a start is sent for so many seconds at most (common practice, no source).
const STARTS: f64 = 5.0;
/// Errors within so many seconds of where a silence begins or ends have to do with it.
const AT_ITS_EDGE: f64 = 1.0;
/// At least so many such errors speak for a bad contact: one may be chance.
const SPOILED: usize = 2;
/// Pauses whose lengths or spacings scatter by less than this share are regular.
const REGULAR: f64 = 0.15;
/// Fewest pauses that can be called regular.
const FEWEST_REGULAR: usize = 3;
/// No more than so many pauses are looked at for signs of a start.
pub(super) const MOST_PAUSES: usize = 32;
/// Pauses that keep a clock differ by no more than two periods of their message and so many
/// seconds.
const EXACT: f64 = 0.02;
/// Pauses are exact only where what they may differ by is less than this share of their length.
const CLOCK: f64 = 0.5;
/// Pauses are exact where at least this share of them is alike: another silence, that of a key-off
/// for one, may fall on one of them.
const ALIKE: f64 = 0.75;
/// So many pauses that keep a clock are no chance.
const OFTEN: usize = 5;
/// Pauses whose lengths and spacings differ by no more than so many seconds are of a clock.
const CLOCKWORK: f64 = 0.01;
/// So many pauses of one length are no chance (of 8 messages of invented sound vehicles by three
/// authors 6 paused so often or more).
const AGAIN: usize = 4;
/// So many pauses on the grid of a message are no chance (in one real truck there were 24 in ten
/// minutes; of a bad contact of an invented vehicle 15).
const ALWAYS: usize = 20;
/// What is first heard more than so many seconds after its channel was not there when it began.
const LATER: f64 = 5.0;
/// A pause may be so much longer than the longest that was learned: one car paused a message for
/// 1.53 s in one recording and for 1.63 s in another (open captures).
const VARIES: f64 = 1.5;
/// A message that is sent in turns with others keeps its grid in at least this share of its pauses.
const ON_GRID: f64 = 0.8;

/// So many messages may be of a function that runs for a while …
const FEW: std::ops::RangeInclusive<usize> = 2..=4;
/// … that began so many seconds after its channel, …
const AFTER: f64 = 2.0;
/// … and ran for so many.
const RAN: f64 = 5.0;

/// A message that is gone for at least so many seconds to the end, and that was sent without a
/// pause for half as long before, is all that a module sent (of 37 such of invented vehicles of
/// five authors 33 were).
const GONE: f64 = 30.0;
/// A slow message must be gone for at least so many of its periods for that.
const GONE_PERIODS: f64 = 50.0;
/// The vehicle changed its mode where another message appeared, or the engine started, within so
/// many seconds of a message's end: then it is no loss.
const CHANGES: f64 = 3.0;

impl Scene<'_> {
    /// Whether a message that had never paused went for good, and nothing else changed then: who
    /// sends it for a mode of the vehicle only does so again, or another message takes its place.
    pub(super) fn is_gone(&self, event: &Event, id: IdIndex) -> bool {
        let long = nanoseconds(GONE.max(GONE_PERIODS * self.period(id)));
        let (first, _) = self.heard(id);
        let changed = |time: Nanoseconds| (time - event.onset).abs() <= nanoseconds(CHANGES);
        let appears = |other: &IdIndex| changed(self.heard(*other).0);
        event.ongoing
            && self.heard.1 - event.onset >= long
            && event.onset - first >= nanoseconds(GONE / 2.0)
            && self.losses(id).count() == 1
            && !self.watched.iter().any(appears)
            && !self.observed.losses.starts.iter().any(|start| changed(*start))
    }

    /// The verdict where one event by itself decides.
    pub(super) fn alone(&self, event: &Event) -> Option<(Verdict, Option<Doubt>, Why)> {
        if self.key_off(event.onset).is_some() {
            return None;
        }
        if let Some(known) = self.as_learned(event) {
            return Some(known);
        }
        let single = match event.losses.as_slice() {
            [loss] => self.single(event, loss),
            [a, b] if !self.always_together(a.id, b.id) => self.pauses(event, &[a, b]),
            _ => self.of_a_pauser(event),
        };
        let by_nature = single.or_else(|| self.on_schedule(event));
        let by_nature = by_nature.or_else(|| self.on_occasion(event));
        let by_nature = by_nature.or_else(|| self.for_a_while(event));
        by_nature.or_else(|| self.of_running_senders(std::slice::from_ref(event))).or_else(|| {
            let phase = event.phase;
            phase.is_kept().then_some((
                Verdict::Lost,
                None,
                Why::PhaseKept { kept: phase.kept, testable: phase.testable },
            ))
        })
    }

    /// Messages of two senders or more that stop together and come back while every sender goes on
    /// with others: a wire or a supply takes all that a module sends, and a state of the vehicle
    /// some of what several do. Only where a roster or an address tells the senders: clocks may
    /// take two modules for one. Of 27 such events of invented vehicles 17 were no fault, and no
    /// finding that was right rested on one of the ten others (sets of four worlds by others).
    pub(super) fn of_running_senders(
        &self,
        events: &[Event],
    ) -> Option<(Verdict, Option<Doubt>, Why)> {
        let told = |loss: &&Loss| {
            let node = self.sender(loss.id)?;
            Basis::any_is_told(&self.observed.network.nodes[node].basis).then_some(node)
        };
        let losses: Vec<&Loss> = events.iter().flat_map(|event| &event.losses).collect();
        let mut senders: Vec<NodeIndex> = losses.iter().map(told).collect::<Option<_>>()?;
        senders.sort_unstable();
        senders.dedup();
        let ran = senders.len() >= 2
            && !events.iter().any(|event| event.ongoing)
            && losses.iter().all(|loss| self.sender_went_on(loss) && self.spoiled(loss).is_none());
        ran.then_some((Verdict::Pauses, None, Why::SenderWentOn))
    }

    /// A message that pauses by itself again and again, and others that only lacked frames with it
    /// once: those add nothing to it.
    fn of_a_pauser(&self, event: &Event) -> Option<(Verdict, Option<Doubt>, Why)> {
        let loss = self.pauser(event.losses.iter())?;
        self.pauses(event, &[loss])
    }

    /// The only one of these that timed out, where it pauses alike, and not only with others. On
    /// its grid a wire that heals brings it back too.
    pub(super) fn pauser<'e>(&self, losses: impl Iterator<Item = &'e Loss>) -> Option<&'e Loss> {
        let mut timed_out = losses.filter(|loss| self.timed_out(loss));
        let (Some(loss), None) = (timed_out.next(), timed_out.next()) else { return None };
        if self.losses(loss.id).count() < FEWEST_REGULAR || !self.is_alike(loss.id) {
            return None;
        }
        let channel = self.observed.timing.ids[loss.id].key.channel;
        let others = |own: &&Loss| {
            let all = self.observed.losses.losses.iter().filter(|other| other.id != loss.id);
            let here = |id: IdIndex| self.observed.timing.ids[id].key.channel == channel;
            all.filter(|other| here(other.id))
                .any(|other| other.silence.overlap(&own.silence) * 2 > own.silence.length())
        };
        let alone = self.losses(loss.id).take(MOST_PAUSES).filter(|own| !others(own));
        (alone.take(FEWEST_REGULAR - 1).count() + 1 >= FEWEST_REGULAR).then_some(loss)
    }

    fn single(&self, event: &Event, loss: &Loss) -> Option<(Verdict, Option<Doubt>, Why)> {
        let (first, last) = self.heard(loss.id);
        let (begin, end) = self.heard;
        let lawful = |why| Some((Verdict::Pauses, None, why));
        if event.ongoing {
            let short = ((last - first) as f64) < SHORT * (end - begin) as f64;
            if short && !self.is_whole_sender(event) {
                // What was there from the beginning, and for longer than a start takes, may be all
                // of a module that failed early.
                let later =
                    seconds(first - begin) > LATER.max(NEAR_END_PERIODS * self.period(loss.id));
                let of_a_start = seconds(last - begin) <= STARTS;
                let doubt = (!later && !of_a_start).then_some(Doubt::SenderUnknown);
                return Some((Verdict::Pauses, doubt, Why::SentForAWhile));
            }
            if end - event.onset < self.near_end(loss.id) {
                // Many a recording is stopped while the key goes off. A slow message that is silent
                // for longer than that may be all of a module.
                let long = seconds(end - event.onset) > NEAR_END && !self.sender_went_on(loss);
                let doubt = long.then_some(Doubt::NearTheEnd);
                return Some((Verdict::Pauses, doubt, Why::NearTheEnd));
            }
        } else if self.starting
            && seconds(loss.silence.length()) <= START_UP
            && seconds(event.onset - first) <= START_UP
        {
            return lawful(Why::StartUp);
        }
        self.spoiled(loss).or_else(|| self.pauses(event, &[loss]))
    }

    /// Nothing spoils the frames of a message that only pauses: errors at its own frames, where it
    /// fell silent or came back, speak for a bad contact.
    fn spoiled(&self, loss: &Loss) -> Option<(Verdict, Option<Doubt>, Why)> {
        let at = usize::from(self.observed.timing.ids[loss.id].key.channel);
        let errors = self.observed.timing.channels[at].errors.reported.iter();
        let margin = nanoseconds(AT_ITS_EDGE);
        let near = |time: Nanoseconds| {
            let edges = [loss.silence.start, loss.silence.end];
            edges.iter().any(|edge| (time - edge).abs() <= margin)
        };
        let own = errors
            .zip(self.observed.destroyed.get(at)?)
            .filter(|(error, id)| **id == Some(loss.id) && near(error.time));
        let count = own.count();
        (count >= SPOILED).then_some((Verdict::Lost, None, Why::OwnErrors { count }))
    }

    /// So near the end of the channel that a silence is none yet.
    pub(super) fn near_end(&self, id: IdIndex) -> Nanoseconds {
        nanoseconds(NEAR_END.max(NEAR_END_PERIODS * self.period(id)))
    }

    /// Messages that pause again and again, while not all of their sender does.
    fn pauses(&self, event: &Event, losses: &[&Loss]) -> Option<(Verdict, Option<Doubt>, Why)> {
        let times = |loss: &&Loss| self.losses(loss.id).count();
        let again = losses.iter().all(|loss| times(loss) >= 2);
        if !again || self.is_whole_sender(event) {
            return None;
        }
        let restarted =
            losses.iter().all(|loss| self.restarts(loss) && self.sender(loss.id).is_none());
        // A watchdog that resets its module keeps a clock too, but what begins anew on one is more
        // often a message that is sent so.
        let designed = losses.iter().all(|loss| {
            self.keeps_the_clock(loss.id, FEWEST_REGULAR) || self.pauses_twice_alike(loss.id)
        });
        if restarted && !designed {
            return Some((Verdict::Lost, None, Why::Restarted));
        }
        let regular = losses.iter().all(|loss| self.is_regular(loss.id));
        let by_design = || losses.iter().all(|loss| self.is_by_design(loss.id));
        let explained = !restarted && regular && by_design()
            || losses.iter().all(|loss| self.sender_went_on(loss));
        let times = losses.iter().map(times).max().unwrap_or(0);
        let twice = || losses.iter().all(|loss| self.pauses_twice_alike(loss.id));
        let regular = regular || twice();
        let doubt = (!explained).then_some(Doubt::SenderUnknown);
        Some((Verdict::Pauses, doubt, Why::PausesAgain { times, regular }))
    }

    /// Messages of any number that pause on the clock, alike each time, and go on on their grid. A
    /// contact keeps no clock, and a watchdog that resets a module gives it a new grid.
    fn on_schedule(&self, event: &Event) -> Option<(Verdict, Option<Doubt>, Why)> {
        let phase = event.phase;
        let kept = phase.testable == event.losses.len() && phase.is_kept()
            || phase.testable > 0 && phase.testable == phase.kept;
        let kept = kept && event.losses.iter().all(|loss| self.keeps_the_clock(loss.id, OFTEN));
        let clockwork = |loss: &Loss, often| self.is_clockwork(loss.id, often);
        // The fastest tells, if it does so more often.
        let by_fastest = || {
            self.fastest(event).is_some_and(|fastest| {
                let mut others = event.losses.iter().filter(|loss| loss.id != fastest.id);
                clockwork(fastest, AGAIN)
                    && others.all(|loss| self.always_together(fastest.id, loss.id))
            })
        };
        let exact = || {
            !self.is_whole_sender(event)
                && (event.losses.iter().all(|loss| clockwork(loss, FEWEST_REGULAR)) || by_fastest())
        };
        if !kept && !exact() {
            return None;
        }
        let times = event.losses.iter().map(|loss| self.losses(loss.id).count()).max()?;
        Some((Verdict::Pauses, None, Why::PausesAgain { times, regular: true }))
    }

    /// Messages that the roster knows to pause, for no longer than that and a little more. Where no
    /// sender goes on meanwhile they may be all of a module that is lost, as before.
    fn as_learned(&self, event: &Event) -> Option<(Verdict, Option<Doubt>, Why)> {
        let paused = |loss: &Loss| self.expected(loss.id)?.roster?.pauses;
        let by_nature = |loss: &&Loss| {
            paused(loss).is_some_and(|own| loss.silence.length() as f64 <= VARIES * own as f64)
        };
        let timed_out: Vec<&Loss> =
            event.losses.iter().filter(|loss| self.timed_out(loss)).collect();
        let longest = timed_out.iter().filter_map(|loss| paused(loss)).max()?;
        let seconds = seconds(longest);
        let sound = !event.ongoing
            && timed_out.iter().all(by_nature)
            && event.losses.iter().all(|loss| self.spoiled(loss).is_none());
        let went_on = timed_out.iter().all(|loss| self.sender_went_on(loss));
        let doubt = (!went_on).then_some(Doubt::SenderUnknown);
        sound.then_some((Verdict::Pauses, doubt, Why::PausedWhenLearned { seconds }))
    }

    /// The fastest message of an event: slower ones round to their periods.
    pub(super) fn fastest<'e>(&self, event: &'e Event) -> Option<&'e Loss> {
        let period = |loss: &Loss| self.period(loss.id);
        event.losses.iter().min_by(|a, b| period(a).total_cmp(&period(b)))
    }

    /// Messages of any number that were not there at first, come and go, and are silent for longer
    /// than they are there: they belong to something that is switched on now and then. A module
    /// that fails was there before. They may still be one that had failed before the recording.
    fn on_occasion(&self, event: &Event) -> Option<(Verdict, Option<Doubt>, Why)> {
        let rare = |loss: &Loss| {
            let (first, _) = self.heard(loss.id);
            let own = self.losses(loss.id);
            let silent: Nanoseconds = own.map(|own| own.silence.length()).sum();
            seconds(first - self.heard.0) > LATER.max(NEAR_END_PERIODS * self.period(loss.id))
                && self.losses(loss.id).count() >= 2
                && 2 * silent > self.heard.1 - first
        };
        if self.is_whole_sender(event) || !event.losses.iter().all(rare) {
            return None;
        }
        let times = event.losses.iter().map(|loss| self.losses(loss.id).count()).max()?;
        let why = Why::PausesAgain { times, regular: false };
        Some((Verdict::Pauses, Some(Doubt::SenderUnknown), why))
    }

    /// A few messages of unknown senders that began together after the recording did, while next to
    /// nothing else started, and ended together to the end: a function that ran for a while. Of
    /// invented vehicles 15 of 15 such had no fault; three that had one ran for less than 2.5 s
    /// (six sets of five worlds by others). They may still be all of a module.
    fn for_a_while(&self, event: &Event) -> Option<(Verdict, Option<Doubt>, Why)> {
        let ids: Vec<IdIndex> = event.losses.iter().map(|loss| loss.id).collect();
        if !event.ongoing || !FEW.contains(&ids.len()) {
            return None;
        }
        let unknown = |id: &IdIndex| self.sender(*id).is_none() && self.losses(*id).count() == 1;
        let first = |id: &IdIndex| self.heard(*id).0;
        let began = ids.iter().map(first).min()?;
        let last = ids.iter().map(first).max()?;
        let near = |id: &&IdIndex| {
            !ids.contains(id) && (first(id) - began).abs() <= nanoseconds(AT_ITS_EDGE)
        };
        let others = self.watched.iter().filter(near).count();
        let ran = ids.iter().all(unknown)
            && seconds(began - self.heard.0) >= AFTER
            && seconds(event.onset - last) >= RAN
            && others <= 1;
        ran.then_some((Verdict::Pauses, Some(Doubt::SenderUnknown), Why::SentForAWhile))
    }

    /// Whether an identifier pauses for the same time at the same distance again and again, exact
    /// to what its own period leaves open, so often or more.
    fn keeps_the_clock(&self, id: IdIndex, often: usize) -> bool {
        let own: Vec<&Loss> = self.losses(id).filter(|loss| !loss.ongoing).collect();
        let spacings =
            own.windows(2).map(|pair| seconds(pair[1].silence.start - pair[0].silence.start));
        self.are_exact(id, spacings.collect()) && self.lasts_exactly(id, often)
    }

    /// Whether it pauses so often or more, all for the same time at the same distance, to the
    /// hundredth of a second: no module that resets boots so evenly.
    fn is_clockwork(&self, id: IdIndex, often: usize) -> bool {
        let own: Vec<&Loss> = self.losses(id).collect();
        let lengths: Vec<Nanoseconds> = own.iter().map(|loss| loss.silence.length()).collect();
        let starts = own.windows(2).map(|pair| pair[1].silence.start - pair[0].silence.start);
        let spread = |values: &[Nanoseconds]| {
            values.iter().max().unwrap_or(&0) - values.iter().min().unwrap_or(&0)
        };
        let exact = nanoseconds(CLOCKWORK);
        own.len() >= often
            && !own.iter().any(|loss| loss.ongoing)
            && spread(&lengths) <= exact
            && spread(&starts.collect::<Vec<_>>()) <= exact
    }

    /// Whether it pauses for the same time again and again, exact to what its own period leaves
    /// open, so often or more.
    fn lasts_exactly(&self, id: IdIndex, often: usize) -> bool {
        let own = self.losses(id).filter(|loss| !loss.ongoing);
        let lengths: Vec<f64> = own.map(|loss| seconds(loss.silence.length())).collect();
        lengths.len() >= often && self.are_exact(id, lengths)
    }

    /// Whether seconds between frames of an identifier are alike. Another silence may fall on one
    /// of them, the key for one.
    fn are_exact(&self, id: IdIndex, mut values: Vec<f64>) -> bool {
        let open = 2.0 * self.period(id) + EXACT;
        values.sort_by(f64::total_cmp);
        let middle = values.get(values.len() / 2).copied().unwrap_or(0.0);
        let near = values.iter().filter(|value| (*value - middle).abs() <= open).count();
        open < CLOCK * middle && near as f64 >= ALIKE * values.len() as f64
    }

    /// Whether an identifier pauses twice, for the same time: a module that fails seldom takes as
    /// long each time (of invented vehicles by one author 4 such, and none a fault).
    fn pauses_twice_alike(&self, id: IdIndex) -> bool {
        let own: Vec<&Loss> = self.losses(id).collect();
        let [one, other] = own[..] else { return false };
        let lengths = [one, other].map(|loss| seconds(loss.silence.length()));
        let open = 2.0 * self.period(id) + EXACT;
        let back = !one.ongoing && !other.ongoing;
        back && (lengths[0] - lengths[1]).abs() <= open && open < CLOCK * lengths[0]
    }

    /// Whether two identifiers have their losses in common, as those of a sender have: all of the
    /// slower one, which does not show the short ones.
    fn always_together(&self, a: IdIndex, b: IdIndex) -> bool {
        let times = |id| self.losses(id).count();
        let (few, many) = if times(a) <= times(b) { (a, b) } else { (b, a) };
        let shared = self
            .losses(few)
            .filter(|own| self.losses(many).any(|other| other.silence.overlap(&own.silence) > 0))
            .count();
        shared == times(few) && 2 * times(few) >= times(many)
    }

    /// Whether it came back with the signs of a start, and does so as a rule: a module that resets
    /// starts anew each time, and of many pauses some end like that by chance.
    pub(super) fn restarts(&self, loss: &Loss) -> bool {
        let own: Vec<&Loss> =
            self.losses(loss.id).filter(|own| !own.ongoing).take(MOST_PAUSES).collect();
        let anew = || own.iter().filter(|own| self.restarted(own)).count();
        self.restarted(loss) && (own.len() < FEWEST_REGULAR || 2 * anew() > own.len())
    }

    /// Whether it came back with the signs of a start: its counters from the beginning, its phase
    /// another.
    fn restarted(&self, loss: &Loss) -> bool {
        let judged = causes::judge(self.observed, &[&[loss.id]], loss.silence);
        !loss.ongoing && judged.shows == Return::Restarted
    }

    /// Whether an identifier pauses alike each time, on a schedule, or on its own grid.
    fn is_regular(&self, id: IdIndex) -> bool {
        self.is_alike(id) || self.is_on_grid(id)
    }

    /// Whether it keeps its grid over its pauses.
    fn is_on_grid(&self, id: IdIndex) -> bool {
        let kept = self.losses(id).filter_map(|own| self.expected(id)?.phase_kept(own.silence));
        let kept: Vec<bool> = kept.collect();
        let on_grid = kept.iter().filter(|kept| **kept).count() as f64;
        kept.len() >= FEWEST_REGULAR && on_grid >= ON_GRID * kept.len() as f64
    }

    /// Whether it pauses as no fault does. A wire that heals brings it back on its grid too, but
    /// not so often; and what is by design lasts as long each time. A module that resets does so
    /// too, but counts anew.
    fn is_by_design(&self, id: IdIndex) -> bool {
        let often = self.losses(id).count() >= ALWAYS;
        self.lasts_exactly(id, AGAIN) || often && self.is_on_grid(id)
    }

    /// Whether it pauses alike each time, or on a schedule.
    pub(super) fn is_alike(&self, id: IdIndex) -> bool {
        let own: Vec<&Loss> = self.losses(id).collect();
        let lengths: Vec<f64> = own.iter().map(|loss| seconds(loss.silence.length())).collect();
        let spacings: Vec<f64> = own
            .windows(2)
            .map(|pair| seconds(pair[1].silence.start - pair[0].silence.start))
            .collect();
        (lengths.len() >= FEWEST_REGULAR && scatter(&lengths) < REGULAR)
            || (spacings.len() + 1 >= FEWEST_REGULAR && scatter(&spacings) < REGULAR)
    }
}
