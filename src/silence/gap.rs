//! One time without any frame on a channel: what was counted around it, and what it is.

use super::stop::{NEAR, Stop, StopKind, StopSign};
use super::together::Phase;
use super::witnesses::{Periodic, Witnesses};
use super::{Expectation, QUEUE, Session, covered};
use crate::fold::timing::{ChannelTiming, IdTiming, Nanoseconds, Silence, nanoseconds, seconds};
use crate::ids::IdIndex;

/// A time without any frame on a channel.
pub(super) struct Gap<'a> {
    /// What tells of the gaps of its channel.
    pub witnesses: &'a Witnesses<'a>,
    pub silence: Silence,
    /// It lasts to the end of the capture.
    pub ongoing: bool,
}

/// An identifier that timed out across a gap of its channel.
struct Covering<'a> {
    at: IdIndex,
    id: &'a IdTiming,
    silence: Silence,
    expected: Expectation,
}

/// What was counted around a gap.
struct Counts<'a> {
    /// Periodic identifiers that timed out across it.
    covering: Vec<Covering<'a>>,
    /// Those of them that were sending until it began.
    until: Vec<IdIndex>,
    /// How many came back within their own periods of its end.
    resumed: usize,
    edges: Edges,
    /// No other channel carried anything meanwhile.
    all_stopped: bool,
    errors: Errors,
}

/// How many identifiers should have been heard in a gap, and how many of them were in time at both
/// of its edges. A recorder that pauses catches everyone in time; modules that shut down and start
/// come one after another.
#[derive(Clone, Copy, Default)]
struct Edges {
    due: usize,
    in_time: usize,
    /// How many of those in time kept their phase.
    phase: Phase,
    /// How many of all that were due kept their phase, judged not by the first frame after the gap,
    /// which may have waited in a transmit buffer, but by the first that the sender's timer sent.
    behind: Phase,
    /// Whether those that kept their phase came back at once.
    turns: Turns,
}

/// When identifiers that kept their phase across a gap were heard again. While a recorder pauses
/// all run on, and each comes at its first turn after the gap. After a short circuit some let turns
/// pass: their controller is in bus-off and waits for the bus to be quiet, and for its software,
/// while its clock runs on.
#[derive(Clone, Copy, Default)]
struct Turns {
    /// How many came at the first turn after the gap.
    first: usize,
    /// How many let one turn pass or more.
    missed: usize,
}

impl Turns {
    /// Whether some were kept off the bus beyond the gap.
    fn kept_off(self) -> bool {
        let all = self.missed + self.first;
        self.missed >= KEPT_OFF
            && self.first >= AT_FIRST
            && self.missed as f64 >= SHARE * all as f64
    }
}

impl Edges {
    /// Whether all ran on and could not send: then the first frame of each has waited in a transmit
    /// buffer and is off its grid, and the next is on it. After a pause of the recording the first
    /// is on it too, and after a sleep none is.
    fn ran_on_unsent(&self) -> bool {
        self.behind.is_kept() && self.phase.is_lost()
    }
}

#[derive(Default)]
struct Errors {
    about_the_bus: usize,
    /// How many of these came before the gap or in its first half.
    at_first: usize,
    bus_off: usize,
    /// Reports of a controller that has counted many errors of late.
    crowded: usize,
    overflow: usize,
}

impl<'a> Gap<'a> {
    /// The stop that it is; `None` where nothing was due in it.
    pub fn judge(&self, pauses: &[Silence], sessions: &[Session]) -> Option<Stop> {
        let counts = self.count(pauses)?;
        let engine_stood = sessions.iter().any(|session| session.holds(self.silence.start));
        let (kind, unclear) = match self.is_recorded_in_part(&counts) {
            true => (StopKind::RecordedInPart, !self.is_hardly_chance()),
            false => counts.kind(self.ongoing, engine_stood),
        };
        let mut signs = self.signs(&counts, kind);
        signs.extend(engine_stood.then_some(StopSign::EngineStood));
        signs.extend(unclear.then_some(StopSign::PauseOrStop));
        Some(Stop {
            channel: (kind != StopKind::CapturePause).then_some(self.witnesses.channel),
            silence: self.silence,
            ongoing: self.ongoing,
            kind,
            unclear,
            signs,
            ids: counts.until,
        })
    }

    /// A channel that ends all at once, without an error frame, and was heard for less than a tenth
    /// of the time for which another was recorded: somebody took the second channel for a while
    /// only. A bus that fails is as a rule heard for longer before.
    fn is_recorded_in_part(&self, counts: &Counts<'_>) -> bool {
        let short = self.is_longer_than_heard(IN_PART);
        self.ongoing && short && !counts.all_stopped && counts.errors.about_the_bus == 0
    }

    /// Whether the channel was heard for less than a hundredth of the time. A bus that fails does
    /// so at any time of the recording, and only once in a hundred times so early.
    fn is_hardly_chance(&self) -> bool {
        self.is_longer_than_heard(HARDLY_CHANCE)
    }

    /// Whether it is longer than so many times the time for which the channel was heard.
    fn is_longer_than_heard(&self, times: Nanoseconds) -> bool {
        let heard = self.channel().heard;
        heard.is_some_and(|(first, last)| {
            (last - first).saturating_mul(times) < self.silence.length()
        })
    }

    fn channel(&self) -> &ChannelTiming {
        &self.witnesses.timing.channels[usize::from(self.witnesses.channel)]
    }

    /// Counts who was due in the gap, and who of them was in time at both of its edges. `live` says
    /// how long was recorded between two times.
    fn edges(
        &self,
        covering: &[Covering<'_>],
        live: &dyn Fn(Nanoseconds, Nanoseconds) -> Nanoseconds,
    ) -> Edges {
        let slack = nanoseconds(QUEUE);
        let mut edges = Edges::default();
        let (mut prompt, mut behind) = (Vec::new(), Vec::new());
        for Periodic { at, timing: id, expected } in &self.witnesses.periodic {
            let silence = covering
                .binary_search_by_key(at, |covering| covering.at)
                .ok()
                .map(|found| covering[found].silence)
                .or_else(|| id.silences.around(self.silence.start + self.silence.length() / 2));
            let Some(silence) = silence.filter(|silence| silence.end < Nanoseconds::MAX) else {
                continue;
            };
            let period = nanoseconds(expected.rhythm.period);
            let before = live(silence.start, self.silence.start);
            let recent = nanoseconds(expected.timeout.max(RECENT));
            if PERIODS_DUE * period >= self.silence.length() || before > recent {
                continue;
            }
            edges.due += 1;
            let back = live(self.silence.end, silence.end);
            let settled = id.silences.settled(silence).map(|settled| settled.time);
            let on_grid =
                |end| expected.phase_kept(Silence { start: silence.start, end }) == Some(true);
            behind.extend(settled.map(|end| (expected, Silence { start: silence.start, end })));
            if period <= nanoseconds(FAST)
                && 2 * before <= 3 * period + slack
                && on_grid(silence.end)
                && settled.is_some_and(on_grid)
            {
                match back <= period + slack {
                    true => edges.turns.first += 1,
                    false => edges.turns.missed += 1,
                }
            }
            let wide = nanoseconds(expected.wide) + slack;
            if before <= wide && back <= wide {
                edges.in_time += 1;
                prompt.push((expected, silence));
            }
        }
        edges.phase = Phase::of(prompt.into_iter());
        edges.behind = Phase::of(behind.into_iter());
        edges
    }

    /// `None` where no identifier was sending until it began.
    fn count(&self, pauses: &[Silence]) -> Option<Counts<'a>> {
        let covering: Vec<Covering<'_>> =
            self.witnesses.periodic.iter().filter_map(|own| self.covering(own)).collect();
        // Where the recording pauses again and again, only the time between the pauses counts.
        let live = |from: Nanoseconds, to: Nanoseconds| {
            to - from - covered(pauses, Silence { start: from, end: to })
        };
        let until: Vec<IdIndex> = covering
            .iter()
            .filter(|c| live(c.silence.start, self.silence.start) <= c.expected.reach())
            .map(|c| c.at)
            .collect();
        if until.is_empty() {
            return None;
        }
        let resumed = covering
            .iter()
            .filter(|c| {
                !self.ongoing && live(self.silence.end, c.silence.end) <= c.expected.reach()
            })
            .count();
        let (all_stopped, errors) = (self.others_stopped(), self.errors());
        let edges = self.edges(&covering, &live);
        Some(Counts { covering, until, resumed, edges, all_stopped, errors })
    }

    fn covering(&self, periodic: &Periodic<'a>) -> Option<Covering<'a>> {
        let Periodic { at, timing: id, expected } = *periodic;
        let timeout = nanoseconds(expected.timeout);
        let silence = if self.ongoing {
            Silence { start: id.heard?.1, end: self.silence.end }
        } else {
            let holds =
                |own: &Silence| own.start <= self.silence.start && own.end >= self.silence.end;
            let last = id.heard.map(|(_, last)| Silence { start: last, end: Nanoseconds::MAX });
            let mut kept = id.silences.containing(self.silence);
            kept.find(|own| own.length() >= timeout).or_else(|| last.filter(holds))?
        };
        (silence.length() > timeout).then_some(Covering { at, id, silence, expected })
    }

    /// Whether no other channel carried anything in the midst of it.
    fn others_stopped(&self) -> bool {
        // Buses that are switched off or recorded together end with the frame that each happened
        // to carry last.
        let (least, most) = (nanoseconds(EDGE_LEAST), nanoseconds(EDGE_MOST));
        let slack = (self.silence.length() / EDGE_FRACTION).clamp(least, most);
        let (start, end) = (self.silence.start.saturating_add(slack), self.silence.end - slack);
        let stopped = |other: &ChannelTiming| {
            let Some((first, last)) = other.heard else { return true };
            let midst = Silence { start, end };
            first >= end || last <= start || other.silences.containing(midst).next().is_some()
        };
        let Witnesses { timing, channel, .. } = self.witnesses;
        let others = timing.channels.iter().enumerate();
        others.filter(|(at, _)| *at != usize::from(*channel)).all(|(_, other)| stopped(other))
    }

    /// Counts the error reports near the gap.
    fn errors(&self) -> Errors {
        let near = nanoseconds(NEAR);
        let Silence { start, end } = self.silence;
        let within = (start - near, end.saturating_add(near));
        // A plug that is pushed home has traffic behind its errors.
        let stopped = (start - nanoseconds(NO_TRAFFIC), end);
        let halfway = start + self.silence.length() / 2;
        let mut count = Errors::default();
        for error in self.witnesses.errors(within, stopped) {
            let at_first = error.time <= halfway;
            let error = error.frame;
            count.about_the_bus += usize::from(error.is_about_the_bus());
            count.at_first += usize::from(at_first && error.is_about_the_bus());
            count.bus_off += usize::from(error.is_bus_off());
            count.crowded += usize::from(at_first && error.is_crowded());
            count.overflow += usize::from(error.is_receive_overflow());
        }
        count
    }

    /// What speaks for the kind: one sign for each thing that was looked at.
    fn signs(&self, counts: &Counts<'_>, kind: StopKind) -> Vec<StopSign> {
        let mut signs = vec![self.end_of_traffic(counts)];
        if !self.ongoing {
            signs.push(self.return_of_traffic(counts));
        }
        let Errors { about_the_bus, bus_off, overflow, .. } = counts.errors;
        signs.push(StopSign::BusErrors { count: about_the_bus, bus_off });
        if overflow > 0 {
            signs.push(StopSign::Overflows { count: overflow });
        }
        let Edges { due, in_time, phase: Phase { testable, kept }, .. } = counts.edges;
        if due > 0 {
            signs.push(StopSign::AtOneInstant { in_time, due });
        }
        if testable > 0 {
            signs.push(StopSign::OnTheirGrid { kept, testable });
        }
        let turns = counts.edges.turns;
        if turns.kept_off() {
            signs.push(StopSign::MissedTurns {
                missed: turns.missed,
                of: turns.missed + turns.first,
            });
        }
        signs.extend(match kind {
            StopKind::CapturePause => Some(StopSign::RecordingPaused),
            StopKind::Unknown | StopKind::RecordedInPart if self.ongoing => {
                Some(StopSign::PerhapsRecordedInPart)
            }
            StopKind::Unknown if !counts.all_stopped => Some(StopSign::OthersWentOn),
            _ => None,
        });
        signs
    }

    fn end_of_traffic(&self, counts: &Counts<'_>) -> StopSign {
        let identifiers = counts.covering.len();
        if counts.until.len() == identifiers {
            return StopSign::AllSentUntil { identifiers };
        }
        let first = counts.covering.iter().map(|c| c.silence.start).min();
        StopSign::SomeStoppedBefore {
            identifiers,
            before: identifiers - counts.until.len(),
            first: seconds(self.silence.start - first.unwrap_or(self.silence.start)),
        }
    }

    fn return_of_traffic(&self, counts: &Counts<'_>) -> StopSign {
        let latest = counts
            .covering
            .iter()
            .filter(|c| c.silence.end < Nanoseconds::MAX)
            .map(|c| c.silence.end - self.silence.end)
            .max();
        let gone =
            |c: &&Covering<'_>| c.id.heard.is_some_and(|(_, last)| last <= self.silence.start);
        StopSign::CameBack {
            at_once: counts.resumed,
            identifiers: counts.covering.len(),
            last: seconds(latest.unwrap_or(0)),
            never: counts.covering.iter().filter(gone).count(),
        }
    }
}

/// A channel that is silent for more than so many times the time for which it was heard may have
/// been recorded in part.
const IN_PART: Nanoseconds = 10;
/// Where its silence is longer than so many times that, the channel was recorded in part for sure.
const HARDLY_CHANCE: Nanoseconds = 100;
/// An identifier was due in a gap that is longer than so many of its periods.
const PERIODS_DUE: Nanoseconds = 2;
/// An identifier whose last frame came no longer than its time-out before a gap was still being
/// sent when the gap began; so many seconds are enough where the time-out is shorter.
const RECENT: f64 = 1.0;
/// The silences of two channels are one where neither their starts nor their ends are further apart
/// than one part in so many of their length.
const EDGE_FRACTION: Nanoseconds = 10;
/// Starts or ends of the silences of two channels may always be so many seconds apart: their clocks
/// differ by that much in real captures.
const EDGE_LEAST: f64 = 0.1;
/// Starts or ends of the silences of two channels are never further apart than so many seconds.
const EDGE_MOST: f64 = 2.0;
/// Errors no longer than so many seconds before a stop have hardly a frame between them and it.
const NO_TRAFFIC: f64 = 0.05;
/// So many error frames just before a stop and in its first half are those of a line that fails
/// (common practice, no source).
const FAILS: usize = 3;
/// Only identifiers with a period of so many seconds or less are asked whether they came back at
/// their first turn.
const FAST: f64 = 0.5;
/// At least so many identifiers must have missed their first turn to show that the bus itself had
/// stopped: two may have paused for reasons of their own.
const KEPT_OFF: usize = 3;
/// At least so many identifiers must have come back at their first turn beside those that missed
/// theirs.
const AT_FIRST: usize = 5;
/// At least this share of the identifiers must have missed their first turn: a recorder that loses
/// single frames makes a few of them miss it by chance.
const SHARE: f64 = 0.1;
/// A stop is abrupt where at least so many in ten identifiers were sending until it began.
const ABRUPT_IN_TEN: usize = 9;
/// Modules that shut down and start one after another leave less than this share of the identifiers
/// in time at both edges of the gap.
const STAGED: f64 = 0.5;
/// A recorder that stops catches at least this share of the identifiers in time: all of them, but
/// for what a full bus holds back.
const CAUGHT: f64 = 0.9;
/// Where the phase is kept too, this share in time is enough for a recorder that stopped.
const CAUGHT_RUNNING: f64 = 0.8;
/// So many identifiers in time at both edges are no luck.
const MANY: usize = 10;

impl Counts<'_> {
    /// What kind of stop it is, and whether it may be another.
    fn kind(&self, ongoing: bool, engine_stood: bool) -> (StopKind, bool) {
        let total = self.covering.len();
        let abrupt = self.until.len() * 10 >= total * ABRUPT_IN_TEN;
        // Error frames that only come at its end are those of waking: who is awake first finds
        // nobody to acknowledge. On a line that fails each attempt to send does, until controllers
        // give up: one or two errors are chance, as where a module is cut off within a frame.
        let Errors { at_first, bus_off, crowded, .. } = self.errors;
        if at_first >= FAILS || at_first > 0 && bus_off + crowded > 0 {
            return (StopKind::BusFault, false);
        }
        if self.all_stopped && abrupt && self.errors.overflow > 0 {
            return (StopKind::CapturePause, false);
        }
        // Where nearly all ran on, nothing slept.
        if !ongoing && self.edges.turns.kept_off() && self.edges.behind.is_kept() {
            return (StopKind::Unknown, false);
        }
        // What strikes a line strikes it while the modules talk, not when most have left in order.
        let most = self.until.len() * 2 >= total;
        if !ongoing && most && self.edges.ran_on_unsent() {
            return (StopKind::Unknown, false);
        }
        if ongoing {
            let kind = if abrupt && !engine_stood { StopKind::Unknown } else { StopKind::BusSleep };
            return (kind, false);
        }
        let Edges { due, in_time, phase, .. } = self.edges;
        let share = in_time as f64 / due.max(1) as f64;
        if engine_stood || share < STAGED {
            return (StopKind::BusSleep, false);
        }
        if !self.all_stopped {
            return (StopKind::Unknown, false);
        }
        let caught = share >= CAUGHT && due >= MANY;
        if caught || (share >= CAUGHT_RUNNING && phase.is_kept()) {
            (StopKind::CapturePause, false)
        } else if phase.is_lost() {
            (StopKind::BusSleep, true)
        } else {
            (StopKind::Unknown, true)
        }
    }
}
