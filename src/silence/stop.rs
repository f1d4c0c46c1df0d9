//! A stop of a whole channel as a value: when, of what kind, and what that rests on.

use super::Expectation;
use crate::capture::ChannelIndex;
use crate::fold::timing::{Nanoseconds, Silence, nanoseconds};
use crate::ids::IdIndex;

/// What kind of stop it was.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum StopKind {
    /// Everything stopped mid-traffic and went on mid-traffic: the recording paused.
    CapturePause,
    /// Error reports about the bus around it.
    BusFault,
    /// The senders stopped one after another.
    BusSleep,
    /// Abrupt, and nothing says why.
    Unknown,
    /// The channel was recorded for a while only, and another one to the end.
    RecordedInPart,
}

/// A time in which a channel, or every channel, carried nothing although frames were due.
#[derive(Clone, Debug)]
pub struct Stop {
    /// The channel; `None` where the recording of all channels paused.
    pub channel: Option<ChannelIndex>,
    /// Last frame before and first after, or the end of the capture.
    pub silence: Silence,
    /// Nothing came after it.
    pub ongoing: bool,
    /// What kind of stop.
    pub kind: StopKind,
    /// It may be of another kind: neither how the traffic ended nor how it came back decides.
    pub unclear: bool,
    /// Identifiers that timed out in it and were sending until it began.
    pub ids: Vec<IdIndex>,
    /// Why it is called that.
    pub signs: Vec<StopSign>,
}

/// For how long of a silence the recording paused.
pub(crate) fn unrecorded(stops: &[Stop], silence: Silence) -> Nanoseconds {
    let pauses = stops.iter().filter(|stop| stop.kind == StopKind::CapturePause);
    pauses.map(|pause| pause.silence.overlap(&silence)).sum()
}

/// One thing that was looked at to tell what kind of stop it was.
#[derive(Clone, Copy, Debug, PartialEq)]
pub enum StopSign {
    /// All periodic identifiers that timed out were sending until it began.
    AllSentUntil {
        /// How many.
        identifiers: usize,
    },
    /// Some of them had stopped before.
    SomeStoppedBefore {
        /// How many timed out.
        identifiers: usize,
        /// How many of them had stopped before.
        before: usize,
        /// The first of them so many seconds before the last frame of the channel.
        first: f64,
    },
    /// How they came back.
    CameBack {
        /// How many came within their own periods of the first frame after it.
        at_once: usize,
        /// How many timed out.
        identifiers: usize,
        /// After how many seconds the last came.
        last: f64,
        /// How many were not heard again.
        never: usize,
    },
    /// Error reports about the bus around it, which may be none.
    BusErrors {
        /// How many.
        count: usize,
        /// How many of them were bus-off.
        bus_off: usize,
    },
    /// The logger ran over and lost frames itself.
    Overflows {
        /// How many times it said so.
        count: usize,
    },
    /// Every channel stopped and went on mid-traffic.
    RecordingPaused,
    /// It lasts to the end: a recording that took the channel for a while only looks the same.
    PerhapsRecordedInPart,
    /// Other channels went on.
    OthersWentOn,
    /// Traffic ended and began again at one instant.
    AtOneInstant {
        /// How many identifiers did so.
        in_time: usize,
        /// How many were due.
        due: usize,
    },
    /// Identifiers came back on the grid that they had left, or not.
    OnTheirGrid {
        /// How many.
        kept: usize,
        /// Of how many it can be told.
        testable: usize,
    },
    /// Some identifiers came back on their grid and had let turns pass: they were kept off the bus.
    MissedTurns {
        /// How many let turns pass.
        missed: usize,
        /// How many came back on their grid.
        of: usize,
    },
    /// The bus woke for moments.
    Woke {
        /// How often.
        times: usize,
    },
    /// The engine stood.
    EngineStood,
    /// Another bus went to sleep with it.
    OtherBusSlept,
    /// Neither the bus nor the recording can be ruled out.
    PauseOrStop,
}

/// Senders may stop so many seconds before the whole bus sleeps: control units stay awake for a few
/// seconds after key-off, each for its own time (common practice, no source).
const GOING_TO_SLEEP: f64 = 5.0;
/// Senders may take so many seconds after waking until they send: control units take up to some
/// seconds to start (common practice, no source).
const WAKING: f64 = 10.0;
/// An error frame belongs to a stop where it lies no further from it than so many seconds.
pub(super) const NEAR: f64 = 1.0;

impl Stop {
    /// Whether the stop is one of this channel.
    pub fn concerns(&self, channel: ChannelIndex) -> bool {
        self.channel.is_none_or(|own| own == channel)
    }

    /// Whether an identifier's silence is a part of this stop and no loss of its own. Into a sleep
    /// it has to reach: a unit that was heard on the awake bus has started, and what falls silent
    /// then, or was back before the sleep, was lost. A bad bus fails again, and keeps some off for
    /// longer.
    pub(super) fn explains(
        &self,
        channel: ChannelIndex,
        silence: Silence,
        ongoing: bool,
        expected: &Expectation,
    ) -> bool {
        let (before, after) = match self.kind {
            StopKind::CapturePause => (0.0, 0.0),
            StopKind::RecordedInPart => (NEAR, 0.0),
            StopKind::BusSleep => (GOING_TO_SLEEP, WAKING),
            StopKind::BusFault | StopKind::Unknown => (NEAR, WAKING),
        };
        let reach = expected.reach();
        let edge = reach + nanoseconds(NEAR);
        let reaches = silence.start <= self.silence.end.saturating_add(edge)
            && silence.end >= self.silence.start.saturating_sub(edge);
        self.concerns(channel)
            && silence.start >= self.silence.start.saturating_sub(reach + nanoseconds(before))
            && silence.end <= self.silence.end.saturating_add(reach + nanoseconds(after))
            && (reaches || self.kind != StopKind::BusSleep)
            && ongoing == self.ongoing
    }
}
