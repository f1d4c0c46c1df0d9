//! The bus itself: arbitration frame by frame, and a logger.

use std::cmp::Reverse;
use std::collections::{BTreeMap, BinaryHeap};

use lostnode_parsers::{ClassicFrame, FrameKind, Id, wire};
use rand::SeedableRng;
use rand_chacha::ChaCha8Rng;
use rand_distr::{Distribution, Normal};

use super::scenario::{Scenario, TroubleKind};
use super::sender::Sender;
use super::strikes::Strikes;
use super::truth::Truth;
use super::{Logged, away, errors, exchange, signal, truth};
use crate::fold::timing::nanoseconds;

/// Runs a scenario; frames in the order of the logger's stamps per channel, channels merged by
/// time.
pub(super) fn run(scenario: &Scenario) -> (Vec<Logged>, Truth) {
    let (scenario, signals) = &signal::play(scenario);
    let mut random = ChaCha8Rng::seed_from_u64(scenario.seed);
    let end = nanoseconds(scenario.duration);
    let mut silences = Vec::new();
    for (at, node) in scenario.nodes.iter().enumerate() {
        let mut own = away::by_trouble(scenario, at, node, &mut random);
        own.extend(away::by_key(scenario, at, node));
        silences.push(own);
    }
    let mut senders: Vec<Sender<'_>> = Vec::new();
    for (at, node) in scenario.nodes.iter().enumerate() {
        let own = away::with_wakes(node, &silences[at]);
        for message in &node.messages {
            senders.push(Sender::new(scenario, at, message, &own, signals, &mut random));
        }
    }
    let mut logged = Vec::new();
    for channel in 0..scenario.channels.len() {
        let mut on_bus = bus(scenario, channel, &mut senders, end);
        on_bus.extend(errors::reports(scenario, channel, &mut random));
        on_bus.sort_by_key(|frame| frame.time);
        logged.extend(on_bus);
    }
    logged.sort_by_key(|frame| frame.time);
    let unheard = [TroubleKind::CapturePause, TroubleKind::LoggerOverflow];
    let paused: Vec<(i64, i64)> = unheard
        .into_iter()
        .flat_map(|kind| scenario.occurrences(kind))
        .map(|(_, from, to)| (from, to))
        .collect();
    logged.retain(|frame| {
        frame.time < end && !paused.iter().any(|(from, to)| (*from..*to).contains(&frame.time))
    });
    (logged, truth::of(scenario, &silences, &senders, signals))
}

/// All frames that get onto one bus, stamped when they end.
fn bus(scenario: &Scenario, channel: usize, senders: &mut [Sender<'_>], end: i64) -> Vec<Logged> {
    let settings = &scenario.channels[channel];
    let bit = 1e9 / settings.bit_rate;
    let noise = Normal::new(0.0, settings.stamp_noise * 1e9).ok();
    let mut stamps = ChaCha8Rng::seed_from_u64(scenario.seed ^ 0x5741_4D50 ^ channel as u64);
    // When each sender next wants the bus, and who wants it now, most important first.
    let mut due: BinaryHeap<Reverse<(i64, usize)>> = BinaryHeap::new();
    for (at, sender) in
        senders.iter_mut().enumerate().filter(|(_, sender)| sender.channel == channel)
    {
        due.push(Reverse((sender.next(0), at)));
    }
    let mut waiting: BTreeMap<(Id, usize), u64> = BTreeMap::new();
    // Frames of the exchanges wait beside the senders, numbered from the end so that the numbers do
    // not meet.
    let mut wanted = exchange::frames(scenario, channel).into_iter().enumerate().peekable();
    let mut once: BTreeMap<usize, ClassicFrame> = BTreeMap::new();
    let mut strikes = Strikes::new(scenario, channel);
    let mut free = 0_i64;
    let mut out: Vec<Logged> = Vec::new();
    let mut last_stamp = 0;
    loop {
        let next = due.peek().map_or(i64::MAX, |Reverse((time, _))| *time);
        let next = next.min(wanted.peek().map_or(i64::MAX, |(_, wanted)| wanted.time));
        let now = if waiting.is_empty() { next.max(free) } else { free };
        if now >= end {
            return out;
        }
        while let Some(Reverse((time, at))) =
            due.peek().copied().filter(|Reverse((time, _))| *time <= now)
        {
            due.pop();
            let sender = &mut senders[at];
            // A newer value replaces one that still waits.
            let (id, count) = sender.take(time);
            once.remove(&at);
            waiting.insert((id, at), count);
            due.push(Reverse((sender.next(time + 1), at)));
        }
        while let Some((number, wanted)) = wanted.next_if(|(_, wanted)| wanted.time <= now) {
            waiting.insert((wanted.id, usize::MAX - number), 0);
            once.insert(usize::MAX - number, wanted.frame);
        }
        let Some(((id, at), count)) = waiting.pop_first() else { continue };
        let sender = senders.get_mut(at);
        let node = sender.as_ref().map(|sender| sender.node);
        let frame = match (once.remove(&at), sender) {
            (Some(_), Some(sender)) if sender.is_away(now) => None,
            (Some(frame), _) => Some(frame),
            (None, Some(sender)) => sender.try_send(now, id, count),
            (None, None) => None,
        };
        let Some(frame) = frame else { continue };
        let kind = FrameKind::Classic(frame);
        let bits = wire::length(&kind).map_or(0, wire::Length::bits);
        if let Some(struck) = strikes.at(now, node, bits) {
            // Its sender repeats the same frame as soon as arbitration lets it.
            once.insert(at, frame);
            waiting.insert((id, at), count);
            free = now + (f64::from(struck.over) * bit).round() as i64;
            let seen = now + (f64::from(struck.seen) * bit).round() as i64;
            let blur = noise.map_or(0.0, |noise| noise.sample(&mut stamps));
            last_stamp = last_stamp.max(seen + blur as i64);
            out.push(Logged { time: last_stamp, channel, kind: struck.report });
            continue;
        }
        free = now + (f64::from(bits) * bit).round() as i64;
        let idle = (f64::from(wire::INTERMISSION) * bit).round() as i64;
        let blur = noise.map_or(0.0, |noise| noise.sample(&mut stamps));
        last_stamp = last_stamp.max(free - idle + blur as i64);
        out.push(Logged { time: last_stamp, channel, kind });
    }
}
