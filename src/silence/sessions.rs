//! Key-offs that a standard signal proves: the engine stops, or the voltage behind the key switch
//! falls, and modules leave.

use std::collections::BTreeSet;

use lostnode_parsers::Id;

use super::Expectation;
use crate::capture::ChannelIndex;
use crate::fold::engine::Engine;
use crate::fold::timing::{IdTiming, Nanoseconds, Silence, Timing, nanoseconds};

/// A time in which the key was off, from just before the engine stopped to its next start. It holds
/// the modules' after-run, the sleep of the bus and the cranking.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Session {
    /// When the engine stopped.
    pub stopped: Nanoseconds,
    /// When it ran again, or the end of time.
    pub ran: Nanoseconds,
    /// Whether it was the key for sure. An engine that stops as one sender alone falls silent may
    /// have stalled for want of it.
    pub proven: bool,
}

/// Modules that leave with the key do so within this many seconds of the engine (common practice,
/// no source; 0 to 2 s on the open captures of one truck).
const WITH_THE_ENGINE: f64 = 5.0;
/// The teller of the engine speed says so at least so often, in seconds, while it is there.
const TELLS: f64 = 2.0;
/// It was told to stand for so many seconds before it ran, or the start itself was not recorded.
const STOOD: f64 = 0.3;

/// What is interrupted at one instant ends within so many seconds of it.
const INSTANT: f64 = 0.02;

impl Session {
    /// Whether the key was off then, as far as this tells.
    pub fn holds(&self, time: Nanoseconds) -> bool {
        (self.stopped - nanoseconds(WITH_THE_ENGINE)..self.ran).contains(&time)
    }
}

/// Who fell silent around a stop of the engine: addresses of SAE J1939, or identifiers.
#[derive(Default)]
struct Leavers {
    /// Within seconds of it.
    near: BTreeSet<u32>,
    /// Until the next start.
    all: BTreeSet<u32>,
    /// All at one instant, before the engine, which goes on as most do: a feed of theirs that is
    /// interrupted does that, and then stalls it.
    at_one_instant: bool,
}

/// The key-offs of a capture. An engine that stops is not enough: a driver may stand with the key
/// on for minutes, and a loss meanwhile is one. Somebody must leave with it; and where nobody but
/// one sender ever does, it may be the other way round, and the loss stopped the engine.
pub(super) fn find(
    timing: &Timing,
    expected: &[Option<Expectation>],
    engine: &Engine,
) -> Vec<Session> {
    let stops: Vec<((Nanoseconds, Nanoseconds), Leavers)> = engine
        .stops()
        .map(|stop| (stop, leavers(timing, expected, stop)))
        .filter(|(_, leavers)| !leavers.near.is_empty())
        .collect();
    // Who has once left with others is known to leave with the key.
    let several = |leavers: &&Leavers| leavers.all.len() >= 2 && !leavers.at_one_instant;
    let known: BTreeSet<u32> = stops
        .iter()
        .map(|(_, leavers)| leavers)
        .filter(several)
        .flat_map(|leavers| &leavers.near)
        .copied()
        .collect();
    let by_engine = stops.iter().map(|((stopped, ran), leavers)| Session {
        stopped: *stopped,
        ran: *ran,
        proven: several(&leavers) || leavers.near.is_subset(&known),
    });
    // The voltage behind the switch is that of the key itself.
    let by_switch = engine.key_off().map(|(stopped, ran)| Session { stopped, ran, proven: true });
    by_engine.chain(by_switch).collect()
}

fn leavers(
    timing: &Timing,
    expected: &[Option<Expectation>],
    (stopped, ran): (Nanoseconds, Nanoseconds),
) -> Leavers {
    let Some((_, end)) = timing.span else { return Leavers::default() };
    let near = nanoseconds(WITH_THE_ENGINE);
    let mut out = Leavers::default();
    let (mut first_due, mut latest) = (Nanoseconds::MAX, Nanoseconds::MIN);
    let (mut left, mut there) = (0, 0);
    for (id, expected) in timing.ids.iter().zip(expected) {
        let (Some(expected), Some((_, last))) = (expected, id.heard) else { continue };
        let timeout = nanoseconds(expected.timeout);
        let last = Silence { start: last, end };
        let last = Some(last).filter(|last| last.length() > timeout);
        let begins = |from: Nanoseconds, to: Nanoseconds| {
            let mut starts = id.silences.at_least(timeout).chain(last).map(|own| own.start);
            starts.find(|start| (from..=to).contains(start))
        };
        if begins(stopped - near, stopped.saturating_add(near)).is_some() {
            out.near.insert(sender(id));
        }
        there += 1;
        if let Some(start) = begins(stopped - near, ran) {
            out.all.insert(sender(id));
            left += 1;
            latest = latest.max(start);
            first_due = first_due.min(expected.due(start));
        }
    }
    let instant = latest <= first_due.saturating_add(nanoseconds(INSTANT));
    out.at_one_instant = instant && latest < stopped && 2 * left < there;
    out
}

/// An address of SAE J1939, of which engine speed on a bus of 29 bits is one; else the identifier
/// stands for its sender.
fn sender(id: &IdTiming) -> u32 {
    match id.key.id {
        Id::Extended(id) => id.as_raw() & 0xFF,
        Id::Standard(id) => 0x100 | u32::from(id.as_raw()) << 12,
    }
}

/// Times in which the engine surely ran: its speed said so again and again.
pub(super) fn running(timing: &Timing, engine: &Engine) -> Vec<Silence> {
    let mut out = Vec::new();
    for (start, stop, channel, id) in engine.runs() {
        let Some(teller) = teller(timing, channel, id) else { continue };
        let Some((_, last)) = teller.heard else { continue };
        let mut from = start;
        for silent in teller.silences.at_least(nanoseconds(TELLS)) {
            if (from..stop).contains(&silent.start) {
                out.push(Silence { start: from, end: silent.start });
                from = silent.end;
            }
        }
        out.push(Silence { start: from, end: stop.min(last).max(from) });
    }
    out
}

/// Times at which the engine was seen to start: its speed had been told before, and it stood. The
/// starter had turned it just before that.
pub(super) fn starts(timing: &Timing, engine: &Engine) -> Vec<Nanoseconds> {
    let stood = |(start, _, channel, id): &(Nanoseconds, Nanoseconds, ChannelIndex, Id)| {
        let heard = teller(timing, *channel, *id).and_then(|teller| teller.heard);
        heard.is_some_and(|(first, _)| start - first >= nanoseconds(STOOD))
    };
    engine.runs().filter(stood).map(|(start, ..)| start).collect()
}

/// The identifier that tells the engine speed.
fn teller(timing: &Timing, channel: ChannelIndex, id: Id) -> Option<&IdTiming> {
    timing.ids.iter().find(|own| own.key.channel == channel && own.key.id == id)
}
