//! From timing to silences that mean something: stops of a whole channel first, then what single
//! identifiers missed beyond them.

mod boots;
mod channels;
mod companions;
mod expectation;
mod gap;
mod key;
mod occasional;
mod of_another;
mod packets;
mod roll;
mod sessions;
mod stop;
mod stops;
mod thinned;
mod together;
mod twins;
mod wakes;
mod witnesses;

use std::collections::BTreeMap;

use crate::capture::ChannelIndex;
use crate::fold::diagnostics::Diagnostics;
use crate::fold::engine::Engine;
use crate::fold::timing::{IdTiming, Nanoseconds, Silence, Timing, nanoseconds, seconds};
use crate::ids::IdIndex;
use crate::roster_file::Known;
use crate::settings::Settings;

pub use boots::Boots;
pub use channels::ChannelLosses;
pub use expectation::{Expectation, QUEUE};
pub use key::KeyOff;
pub use of_another::{OfAnother, of_another};
pub(crate) use packets::in_packets;
pub use roll::{KeyState, Missing, Roll};
pub use sessions::Session;
pub(crate) use stop::unrecorded;
pub use stop::{Stop, StopKind, StopSign};
pub use thinned::{HowThinned, Thinned};
pub use together::{Event, together};
pub(crate) use twins::Twins;

/// A gap of so many periods lacks a frame.
pub(crate) const LACKING: f64 = 1.6;

/// One identifier silent for longer than its time-out, not explained by a stop of the channel.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Loss {
    /// Which identifier, by its place in [`Timing::ids`].
    pub id: IdIndex,
    /// From its last frame before to its first after, or to the end of the capture.
    pub silence: Silence,
    /// Still silent when the capture ends.
    pub ongoing: bool,
}

/// All silences that mean something.
#[derive(Clone, Debug, Default)]
pub struct Losses {
    /// By identifier: what was expected of it; `None` for event-driven ones.
    pub expected: Vec<Option<Expectation>>,
    /// Stops of whole channels or of the capture, in order of time.
    pub stops: Vec<Stop>,
    /// Times in which the engine stood and modules had left: the key was off.
    pub sessions: Vec<Session>,
    /// Times in which the engine surely ran.
    pub running: Vec<Silence>,
    /// Times at which the engine was seen to start to run.
    pub starts: Vec<Nanoseconds>,
    /// Losses of single identifiers, by identifier, then time.
    pub losses: Vec<Loss>,
    /// By identifier: those of a module that boots again and again.
    pub boots: BTreeMap<IdIndex, Boots>,
    /// Time-outs too short to be an outage.
    pub momentary: Vec<Loss>,
    /// Identifiers with more silences than were kept: the shortest are missing.
    pub incomplete: Vec<IdIndex>,
    /// What is known of each channel as a whole.
    pub channels: Vec<ChannelLosses>,
}

impl Losses {
    /// The losses of an identifier, in order of time.
    pub fn of(&self, id: IdIndex) -> &[Loss] {
        let first = self.losses.partition_point(|loss| loss.id < id);
        let count = self.losses[first..].partition_point(|loss| loss.id == id);
        &self.losses[first..first + count]
    }
}

/// An identifier that was first heard well after the capture began and sent fewer frames than this
/// is not missed when it stops: it may have been a sequence sent once.
const SETTLED_FRAMES: u64 = 30;

/// Finds the silences of a capture. Nothing is expected of identifiers that carry diagnosis: they
/// speak when spoken to. Nor of what comes on an occasion, and of a service tool.
pub fn find(
    timing: &Timing,
    diagnostics: &Diagnostics,
    engine: &Engine,
    known: Option<&Known>,
    settings: &Settings,
) -> Losses {
    let pauses = timing.stops();
    let occasional = occasional::Occasional::of(timing);
    let twins = Twins::of(timing);
    let channels = channels::all(timing, diagnostics, (&occasional, &twins), known);
    let regular = |id: &&IdTiming| {
        !diagnostics.carries(id.key.channel, id.key.id)
            && !occasional.has(id.key.channel, id.key.id)
            && !occasional::is_answer(timing, diagnostics, id, None)
            && channels[usize::from(id.key.channel)].thinned.is_none()
    };
    let expect = |id| Expectation::of(id, known, settings, &pauses);
    let expected: Vec<_> =
        timing.ids.iter().map(|id| Some(id).filter(regular).and_then(expect)).collect();
    let sessions = sessions::find(timing, &expected, engine);
    let stops = stops::find(timing, &expected, &sessions, settings);
    let running = sessions::running(timing, engine);
    let starts = sessions::starts(timing, engine);
    let mut losses = Losses { expected, sessions, running, starts, channels, ..Losses::default() };
    let Some((begin, end)) = timing.span else { return losses };
    let quiet: Vec<Vec<Silence>> = (0..timing.channels.len())
        .map(|channel| quiet_times(&pauses, stops.iter(), channel as ChannelIndex))
        .collect();
    // Times in which the recording or the bus, and not its modules, made it quiet.
    let awake = || stops.iter().filter(|stop| stop.kind != StopKind::BusSleep);
    let broken: Vec<Vec<Silence>> = (0..timing.channels.len())
        .map(|channel| quiet_times(&pauses, awake(), channel as ChannelIndex))
        .collect();
    for (at, id) in timing.ids.iter().enumerate() {
        let (Some(expectation), Some(heard)) = (losses.expected[at], id.heard) else { continue };
        let quiet = &quiet[usize::from(id.key.channel)];
        let timeout = nanoseconds(expectation.timeout);
        if id.silences.is_incomplete(timeout) {
            losses.incomplete.push(IdIndex(at));
        }
        let boots = Boots::of(id, &expectation, quiet);
        // One boot is too short for a time-out, or to be an outage; so many are no chance.
        let boot = |silence: &Silence| boots.as_ref().is_some_and(|boots| boots.show_anew(silence));
        let kept = id.silences.at_least(0);
        let kept = kept.filter(|silence| silence.length() >= timeout || boot(silence));
        let mut silences: Vec<_> = kept.map(|silence| (silence, false)).collect();
        let settled = known.is_some_and(|known| known.messages.contains_key(&id.key))
            || id.frames >= SETTLED_FRAMES
            || heard.0 - begin <= 2 * expectation.reach();
        let last = Silence { start: heard.1, end };
        if settled && last.length() > timeout {
            silences.push((last, true));
        }
        let joined = wakes::joined(silences, heard, &broken[usize::from(id.key.channel)]);
        let of_message = joined.into_iter().flat_map(|(silence, ongoing)| {
            let parts = twins.silent(IdIndex(at), silence).into_iter();
            parts.map(move |part| (part, ongoing && part.end == silence.end))
        });
        for (silence, ongoing) in of_message {
            let live = silence.length() - covered(quiet, silence);
            let joined = stops
                .iter()
                .any(|stop| stop.explains(id.key.channel, silence, ongoing, &expectation));
            let too_short = live <= timeout && !boot(&silence);
            let unasked = || occasional::is_answer(timing, diagnostics, id, Some(silence));
            if too_short || joined || in_packets(timing, diagnostics, id.key, silence) || unasked()
            {
                continue;
            }
            let loss = Loss { id: IdIndex(at), silence, ongoing };
            if seconds(silence.length()) < settings.shortest_outage && !boot(&silence) {
                losses.momentary.push(loss);
            } else {
                losses.losses.push(loss);
            }
        }
        losses.boots.extend(boots.map(|boots| (IdIndex(at), boots)));
    }
    losses.stops = stops;
    companions::add((timing, &twins), diagnostics, &mut losses, &quiet, settings);
    losses
}

/// Times in which nothing could be heard on a channel, sorted and without overlap.
fn quiet_times<'a>(
    pauses: &[Silence],
    stops: impl Iterator<Item = &'a Stop>,
    channel: ChannelIndex,
) -> Vec<Silence> {
    let of_channel = stops.filter(|stop| stop.concerns(channel)).map(|stop| stop.silence);
    merged(pauses.iter().copied().chain(of_channel).collect())
}

/// Times sorted, and put together where they overlap.
pub(crate) fn merged(mut all: Vec<Silence>) -> Vec<Silence> {
    all.sort_unstable();
    let mut merged: Vec<Silence> = Vec::with_capacity(all.len());
    for silence in all {
        match merged.last_mut() {
            Some(last) if silence.start <= last.end => last.end = last.end.max(silence.end),
            _ => merged.push(silence),
        }
    }
    merged
}

/// How much of `silence` lies in `quiet` times, which are sorted and do not overlap.
pub(crate) fn covered(quiet: &[Silence], silence: Silence) -> Nanoseconds {
    let first = quiet.partition_point(|quiet| quiet.end <= silence.start);
    quiet[first..]
        .iter()
        .take_while(|quiet| quiet.start < silence.end)
        .map(|quiet| quiet.overlap(&silence))
        .sum()
}
