//! Stops of a whole channel: did the recording pause, did the bus fail, or did it go to sleep?
//! docs/outages.md, "Stops of a whole channel", has the rules as a table.

use super::gap::Gap;
use super::stop::{Stop, StopKind, StopSign};
use super::wakes::{self, Sleep};
use super::witnesses::Witnesses;
use super::{Expectation, Session};
use crate::capture::ChannelIndex;
use crate::fold::timing::{ChannelTiming, Nanoseconds, Silence, Timing, nanoseconds};
use crate::ids::IdIndex;
use crate::settings::Settings;

/// Buses that one key puts to sleep stop, and wake, within so many seconds of each other (common
/// practice, no source).
const TOGETHER: f64 = 5.0;

/// Finds the stops of all channels.
pub(super) fn find(
    timing: &Timing,
    expected: &[Option<Expectation>],
    sessions: &[Session],
    settings: &Settings,
) -> Vec<Stop> {
    let Some((_, end)) = timing.span else { return Vec::new() };
    let pauses = timing.stops();
    let shortest = nanoseconds(settings.shortest_outage);
    let mut stops: Vec<Stop> = Vec::new();
    for channel in 0..timing.channels.len() {
        let witnesses = Witnesses::of(timing, channel as ChannelIndex, expected);
        let silences = &timing.channels[channel].silences;
        let silences = silences.at_least(shortest).map(|silence| (silence, false));
        let last =
            timing.channels[channel].heard.map(|(_, last)| (Silence { start: last, end }, true));
        for (silence, ongoing) in
            silences.chain(last.filter(|(silence, _)| silence.length() >= shortest))
        {
            let gap = Gap { witnesses: &witnesses, silence, ongoing };
            if let Some(stop) = gap.judge(&pauses, sessions) {
                add(&mut stops, stop);
            }
        }
        join_wakes(&mut stops, channel as ChannelIndex, &timing.channels[channel]);
    }
    join_pauses(&mut stops);
    sleep_together(&mut stops);
    stops.sort_by_key(|stop| stop.silence);
    stops
}

/// A stop that lies in a pause of the recording for so many tenths of its length is that pause.
const PAUSED_IN_TEN: Nanoseconds = 9;

/// Leaves out what a pause of the recording explains. On a bus of few frames the stop is a little
/// longer than the pause: it was quiet before the pause and after it too.
fn join_pauses(stops: &mut Vec<Stop>) {
    let pauses: Vec<Silence> = stops
        .iter()
        .filter(|stop| stop.kind == StopKind::CapturePause)
        .map(|stop| stop.silence)
        .collect();
    let is_of = |stop: &Stop, pause: &Silence| {
        stop.kind == StopKind::Unknown
            && !stop.ongoing
            && stop.silence.overlap(pause) * 10 >= stop.silence.length() * PAUSED_IN_TEN
    };
    stops.retain(|stop| !pauses.iter().any(|pause| is_of(stop, pause)));
}

/// One key puts all buses of a vehicle to sleep: one of few modules may end at once where another
/// one shows how they leave. A line that fails leaves error reports, where they are recorded, and
/// the other buses at work.
fn sleep_together(stops: &mut [Stop]) {
    let asleep = stops.iter().filter(|stop| stop.kind == StopKind::BusSleep && !stop.unclear);
    let asleep: Vec<(Option<ChannelIndex>, bool, Silence)> =
        asleep.map(|stop| (stop.channel, stop.ongoing, stop.silence)).collect();
    let near = |a: Nanoseconds, b: Nanoseconds| (a - b).abs() <= nanoseconds(TOGETHER);
    for stop in stops.iter_mut().filter(|stop| stop.kind == StopKind::Unknown && !stop.unclear) {
        let without_errors =
            stop.signs.iter().any(|sign| matches!(sign, StopSign::BusErrors { count: 0, .. }));
        let with = |(channel, ongoing, silence): &(Option<ChannelIndex>, bool, Silence)| {
            *channel != stop.channel
                && *ongoing == stop.ongoing
                && near(silence.start, stop.silence.start)
                && near(silence.end, stop.silence.end)
        };
        if without_errors && asleep.iter().any(with) {
            stop.kind = StopKind::BusSleep;
            stop.signs.retain(|sign| {
                !matches!(sign, StopSign::OthersWentOn | StopSign::PerhapsRecordedInPart)
            });
            stop.signs.push(StopSign::OtherBusSlept);
        }
    }
}

/// Puts the stops of a sleeping bus that wakes for moments together to one.
fn join_wakes(stops: &mut Vec<Stop>, channel: ChannelIndex, timing: &ChannelTiming) {
    let recorder = |stop: &&Stop| stop.kind == StopKind::CapturePause;
    let pauses: Vec<Silence> = stops.iter().filter(recorder).map(|stop| stop.silence).collect();
    for Sleep { silence, wakes } in wakes::find(timing, &pauses) {
        let inside = |stop: &Stop| {
            stop.channel == Some(channel)
                && !stop.ongoing
                && stop.kind != StopKind::BusFault
                && stop.silence.overlap(&silence) > 0
        };
        let mut ids: Vec<IdIndex> =
            stops.iter().filter(|stop| inside(stop)).flat_map(|stop| stop.ids.clone()).collect();
        ids.sort_unstable();
        ids.dedup();
        stops.retain(|stop| !inside(stop));
        stops.push(Stop {
            channel: Some(channel),
            silence,
            ongoing: false,
            kind: StopKind::BusSleep,
            unclear: false,
            ids,
            signs: vec![StopSign::Woke { times: wakes }],
        });
    }
}

/// A pause of the recording shows on every channel; it is one stop.
fn add(stops: &mut Vec<Stop>, mut stop: Stop) {
    if stop.kind == StopKind::CapturePause {
        let same = |other: &&mut Stop| {
            other.kind == StopKind::CapturePause && other.silence.overlap(&stop.silence) > 0
        };
        if let Some(known) = stops.iter_mut().find(same) {
            // All of it, so that what a bus was quiet longer is no loss of its own.
            known.silence.start = known.silence.start.min(stop.silence.start);
            known.silence.end = known.silence.end.max(stop.silence.end);
            known.ids.append(&mut stop.ids);
            return;
        }
    }
    stops.push(stop);
}
