//! Stops of a whole channel: did the recording pause, did the bus fail, or did it go to sleep?

use super::{Expectation, covered};
use crate::capture::ChannelIndex;
use crate::fold::timing::{IdTiming, Nanoseconds, Silence, Timing, nanoseconds, seconds};
use crate::settings::Settings;

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
    /// Identifiers that timed out in it and were sending until it began.
    pub ids: Vec<usize>,
    /// Why it is called that, with numbers.
    pub evidence: Vec<String>,
}

/// How long before a sleep its senders may stop, and how long after waking they may take, in
/// seconds. Common practice, no source: control units stay awake for a few seconds after key-off
/// and take up to some seconds to start.
const GOING_TO_SLEEP: f64 = 5.0;
const WAKING: f64 = 10.0;
/// How close to a stop an error report belongs to it, in seconds.
const NEAR: f64 = 1.0;

impl Stop {
    /// Whether the stop is one of this channel.
    pub fn concerns(&self, channel: ChannelIndex) -> bool {
        self.channel.is_none_or(|own| own == channel)
    }

    /// Whether an identifier's silence is a part of this stop and no loss of its own.
    pub(super) fn explains(
        &self,
        channel: ChannelIndex,
        silence: Silence,
        ongoing: bool,
        expected: &Expectation,
    ) -> bool {
        let (before, after) = match self.kind {
            StopKind::CapturePause => (0.0, 0.0),
            StopKind::BusSleep => (GOING_TO_SLEEP, WAKING),
            StopKind::BusFault | StopKind::Unknown => (NEAR, WAKING),
        };
        self.concerns(channel)
            && silence.start >= self.silence.start - expected.reach() - nanoseconds(before)
            && (silence.end <= self.silence.end + expected.reach() + nanoseconds(after))
            && ongoing == self.ongoing
    }
}

/// Finds the stops of all channels.
pub(super) fn find(
    timing: &Timing,
    expected: &[Option<Expectation>],
    settings: &Settings,
) -> Vec<Stop> {
    let Some((_, end)) = timing.span else { return Vec::new() };
    let pauses = timing.pauses.stops();
    let shortest = nanoseconds(settings.shortest_outage);
    let mut stops: Vec<Stop> = Vec::new();
    for channel in 0..timing.channels.len() {
        let silences = timing.channels[channel]
            .silences
            .at_least(shortest)
            .into_iter()
            .map(|silence| (silence, false));
        let last =
            timing.channels[channel].heard.map(|(_, last)| (Silence { start: last, end }, true));
        for (silence, ongoing) in
            silences.chain(last.filter(|(silence, _)| silence.length() >= shortest))
        {
            if let Some(stop) =
                judge(timing, expected, &pauses, channel as ChannelIndex, silence, ongoing)
            {
                add(&mut stops, stop);
            }
        }
    }
    stops.sort_by_key(|stop| stop.silence);
    stops
}

/// A pause of the recording shows on every channel; it is one stop.
fn add(stops: &mut Vec<Stop>, mut stop: Stop) {
    if stop.kind == StopKind::CapturePause {
        let same = |other: &&mut Stop| {
            other.kind == StopKind::CapturePause && other.silence.overlap(&stop.silence) > 0
        };
        if let Some(known) = stops.iter_mut().find(same) {
            known.silence.start = known.silence.start.max(stop.silence.start);
            known.silence.end = known.silence.end.min(stop.silence.end);
            known.ids.append(&mut stop.ids);
            return;
        }
    }
    stops.push(stop);
}

/// An identifier that timed out across a silence of its channel.
struct Covering<'a> {
    at: usize,
    id: &'a IdTiming,
    silence: Silence,
    expected: Expectation,
}

fn judge(
    timing: &Timing,
    expected: &[Option<Expectation>],
    pauses: &[Silence],
    channel: ChannelIndex,
    silence: Silence,
    ongoing: bool,
) -> Option<Stop> {
    let covering: Vec<Covering<'_>> = timing
        .ids
        .iter()
        .enumerate()
        .filter(|(_, id)| id.key.channel == channel)
        .filter_map(|(at, id)| covering(at, id, expected[at]?, silence, ongoing))
        .collect();
    // Where the recording pauses again and again, only the time between the pauses counts.
    let live = |from: Nanoseconds, to: Nanoseconds| {
        to - from - covered(pauses, Silence { start: from, end: to })
    };
    let until: Vec<&Covering<'_>> = covering
        .iter()
        .filter(|c| live(c.silence.start, silence.start) <= c.expected.reach())
        .collect();
    if until.is_empty() {
        return None;
    }
    let resumed = covering
        .iter()
        .filter(|c| !ongoing && live(silence.end, c.silence.end) <= c.expected.reach())
        .count();
    let all_stopped = others_stopped(timing, channel, silence);
    let errors = errors_near(timing, channel, silence);
    let overflow = errors.overflow > 0;
    let total = covering.len();
    let abrupt = until.len() * 10 >= total * 9;
    let kind = if errors.about_the_bus > 0 {
        StopKind::BusFault
    } else if all_stopped && abrupt && (overflow || (total >= 3 && resumed * 10 >= total * 9)) {
        StopKind::CapturePause
    } else if !abrupt {
        StopKind::BusSleep
    } else {
        StopKind::Unknown
    };
    let evidence =
        evidence(kind, &covering, &until, resumed, silence, ongoing, all_stopped, &errors);
    let channel = (kind != StopKind::CapturePause).then_some(channel);
    let ids = until.iter().map(|c| c.at).collect();
    Some(Stop { channel, silence, ongoing, kind, ids, evidence })
}

fn covering(
    at: usize,
    id: &IdTiming,
    expected: Expectation,
    silence: Silence,
    ongoing: bool,
) -> Option<Covering<'_>> {
    let timeout = nanoseconds(expected.timeout);
    let own = if ongoing {
        Silence { start: id.heard?.1, end: silence.end }
    } else {
        let holds = |own: &Silence| own.start <= silence.start && own.end >= silence.end;
        let last = id.heard.map(|(_, last)| Silence { start: last, end: Nanoseconds::MAX });
        id.silences.at_least(timeout).into_iter().find(holds).or_else(|| last.filter(holds))?
    };
    (own.length() > timeout).then_some(Covering { at, id, silence: own, expected })
}

/// Whether no other channel carried anything in the midst of a silence.
fn others_stopped(timing: &Timing, channel: ChannelIndex, silence: Silence) -> bool {
    // Clocks of channels differ by up to 0.1 s in real captures.
    let slack = nanoseconds(0.1);
    timing.channels.iter().enumerate().filter(|(at, _)| *at != usize::from(channel)).all(
        |(_, other)| {
            let Some((first, last)) = other.heard else { return true };
            let outside = first >= silence.end - slack || last <= silence.start + slack;
            outside
                || other
                    .silences
                    .at_least(silence.length() - 2 * slack)
                    .iter()
                    .any(|own| own.start <= silence.start + slack && own.end >= silence.end - slack)
        },
    )
}

#[derive(Default)]
struct Errors {
    about_the_bus: usize,
    bus_off: usize,
    overflow: usize,
}

fn errors_near(timing: &Timing, channel: ChannelIndex, silence: Silence) -> Errors {
    let near = nanoseconds(NEAR);
    let within = |time: &Nanoseconds| *time >= silence.start - near && *time <= silence.end + near;
    let mut count = Errors::default();
    for (_, error) in
        timing.channels[usize::from(channel)].errors.iter().filter(|(time, _)| within(time))
    {
        count.about_the_bus += usize::from(error.is_about_the_bus());
        count.bus_off += usize::from(error.is_bus_off());
        count.overflow += usize::from(error.is_receive_overflow());
    }
    count
}

#[allow(clippy::too_many_arguments)] // one sentence for each thing that was looked at
fn evidence(
    kind: StopKind,
    covering: &[Covering<'_>],
    until: &[&Covering<'_>],
    resumed: usize,
    silence: Silence,
    ongoing: bool,
    all_stopped: bool,
    errors: &Errors,
) -> Vec<String> {
    let total = covering.len();
    let mut out = Vec::new();
    let first_stop = covering.iter().map(|c| c.silence.start).min().unwrap_or(silence.start);
    if until.len() == total {
        out.push(format!(
            "all {total} periodic identifiers that timed out were sending until the stop, within their own periods"
        ));
    } else {
        out.push(format!(
            "of {total} periodic identifiers that timed out, {} had stopped earlier, the first of them {:.2} s before the last frame",
            total - until.len(),
            seconds(silence.start - first_stop),
        ));
    }
    if !ongoing {
        let latest = covering
            .iter()
            .filter(|c| c.silence.end < Nanoseconds::MAX)
            .map(|c| c.silence.end - silence.end)
            .max();
        let silent_for_good = covering
            .iter()
            .filter(|c| c.id.heard.is_some_and(|(_, last)| last <= silence.start))
            .count();
        out.push(format!(
            "{resumed} of {total} were back within their own periods of the first frame after it, the last after {:.2} s{}",
            seconds(latest.unwrap_or(0)),
            if silent_for_good > 0 { format!("; {silent_for_good} were not heard again") } else { String::new() },
        ));
    }
    match (errors.about_the_bus, errors.bus_off) {
        (0, _) => out.push("no error report about the bus within 1 s of it".to_owned()),
        (count, 0) => out.push(format!("{count} error reports about the bus within 1 s of it")),
        (count, off) => out.push(format!(
            "{count} error reports about the bus within 1 s of it, {off} of them bus-off"
        )),
    }
    if errors.overflow > 0 {
        out.push(format!(
            "the logger reported {} receive overflows: it lost frames itself",
            errors.overflow
        ));
    }
    match kind {
        StopKind::CapturePause => {
            out.push("every channel stopped and went on mid-traffic: the recording paused, no node is to blame".to_owned())
        }
        StopKind::Unknown if ongoing => {
            out.push("a recording that took this channel for a while only would look the same".to_owned());
        }
        StopKind::Unknown if !all_stopped => out.push("the other channels went on".to_owned()),
        _ => {}
    }
    out
}
