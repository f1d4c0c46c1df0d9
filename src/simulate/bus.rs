//! The bus itself: senders with clocks, arbitration frame by frame, and a logger.

use std::cmp::Reverse;
use std::collections::{BTreeMap, BinaryHeap};

use lostnode_parsers::embedded_can::Frame as _;
use lostnode_parsers::frame::DisplayId;
use lostnode_parsers::{ClassicFrame, ErrorFrame, FrameKind, Id, wire};
use rand::{RngExt, SeedableRng};
use rand_chacha::ChaCha8Rng;
use rand_distr::{Distribution, Exp, Normal};

use super::Logged;
use super::exchange;
use super::scenario::{Message, Node, Scenario, Trouble, TroubleKind};
use super::truth::{Truth, TruthEvent, TruthNode};
use crate::fold::timing::{nanoseconds, seconds};

/// A time in which a node cannot be heard.
#[derive(Clone, Copy, Debug)]
struct Away {
    from: i64,
    to: i64,
    /// Its clock and counters start anew afterwards.
    restarts: bool,
}

/// One identifier while it runs.
struct Sender<'a> {
    node: usize,
    message: &'a Message,
    channel: usize,
    /// When its present run began, and how many frames were due since.
    begun: i64,
    sent: u64,
    fill: [u8; 8],
    random: ChaCha8Rng,
}

/// Runs a scenario; frames in the order of the logger's stamps per channel, channels merged by
/// time.
pub(super) fn run(scenario: &Scenario) -> (Vec<Logged>, Truth) {
    let mut random = ChaCha8Rng::seed_from_u64(scenario.seed);
    let end = nanoseconds(scenario.duration);
    let away: Vec<Vec<Away>> = scenario
        .nodes
        .iter()
        .enumerate()
        .map(|(at, node)| away(scenario, at, node, &mut random))
        .collect();
    let mut senders: Vec<Sender<'_>> = Vec::new();
    for (at, node) in scenario.nodes.iter().enumerate() {
        for message in &node.messages {
            let channel = scenario.channel(&node.channel).unwrap_or(0);
            let fill = random.random();
            let own = ChaCha8Rng::seed_from_u64(random.random());
            let mut sender =
                Sender { node: at, message, channel, begun: 0, sent: 0, fill, random: own };
            // The capture begins while the bus runs: each sender is somewhere in its period, each
            // counter somewhere.
            let gap = message.period.or(message.mean_gap).unwrap_or(1.0);
            sender.begun = -nanoseconds(gap * 300.0 * random.random::<f64>());
            sender.sent = (seconds(-sender.begun) / gap) as u64;
            senders.push(sender);
        }
    }
    let mut logged = Vec::new();
    for channel in 0..scenario.channels.len() {
        let mut on_bus = bus(scenario, channel, &mut senders, &away, end);
        on_bus.extend(error_reports(scenario, channel, &mut random));
        on_bus.sort_by_key(|frame| frame.time);
        logged.extend(on_bus);
    }
    logged.sort_by_key(|frame| frame.time);
    let unheard = [TroubleKind::CapturePause, TroubleKind::LoggerOverflow];
    let paused: Vec<(i64, i64)> = unheard
        .into_iter()
        .flat_map(|kind| troubles(scenario, kind))
        .map(|(_, from, to)| (from, to))
        .collect();
    logged.retain(|frame| {
        frame.time < end && !paused.iter().any(|(from, to)| (*from..*to).contains(&frame.time))
    });
    (logged, truth(scenario))
}

fn troubles(scenario: &Scenario, kind: TroubleKind) -> impl Iterator<Item = (&Trouble, i64, i64)> {
    scenario.troubles.iter().filter(move |trouble| trouble.kind == kind).flat_map(|trouble| {
        trouble.times().map(move |(from, to)| (trouble, nanoseconds(from), nanoseconds(to)))
    })
}

/// When a node cannot be heard, in order of time.
fn away(scenario: &Scenario, at: usize, node: &Node, random: &mut ChaCha8Rng) -> Vec<Away> {
    let mut out = Vec::new();
    for trouble in &scenario.troubles {
        for (from, to) in trouble.times() {
            let (mut from, to) = (nanoseconds(from), nanoseconds(to));
            let here = trouble.channel.as_ref().is_none_or(|channel| *channel == node.channel);
            let restarts = match trouble.kind {
                TroubleKind::PowerLoss if trouble.node.as_ref() == Some(&node.name) => true,
                TroubleKind::StubOpen if trouble.node.as_ref() == Some(&node.name) => false,
                TroubleKind::BranchOpen
                    if trouble.branch.is_some() && trouble.branch == node.branch =>
                {
                    false
                }
                TroubleKind::BusShort if here => false,
                TroubleKind::KeyOff if here => {
                    // One node after another, 0.3 s apart and a little by chance.
                    from += nanoseconds(0.3 * at as f64 + 0.1 * random.random::<f64>())
                        .min((to - from) / 2);
                    true
                }
                TroubleKind::SupplyDip if node.resets_on_dip => true,
                _ => continue,
            };
            out.push(Away { from, to, restarts });
        }
    }
    out.sort_by_key(|away| away.from);
    out
}

/// All frames that get onto one bus, stamped when they end.
fn bus(
    scenario: &Scenario,
    channel: usize,
    senders: &mut [Sender<'_>],
    away: &[Vec<Away>],
    end: i64,
) -> Vec<Logged> {
    let settings = &scenario.channels[channel];
    let bit = 1e9 / settings.bit_rate;
    let noise = Normal::new(0.0, settings.stamp_noise * 1e9).ok();
    let mut stamps = ChaCha8Rng::seed_from_u64(scenario.seed ^ 0x5741_4D50 ^ channel as u64);
    // When each sender next wants the bus, and who wants it now, most important first.
    let mut due: BinaryHeap<Reverse<(i64, usize)>> = BinaryHeap::new();
    for (at, sender) in
        senders.iter_mut().enumerate().filter(|(_, sender)| sender.channel == channel)
    {
        due.push(Reverse((sender.next(&scenario.nodes[sender.node], &away[sender.node], 0), at)));
    }
    let mut waiting: BTreeMap<(Id, usize), u64> = BTreeMap::new();
    // Frames of the exchanges wait beside the senders, numbered from the end so that the numbers do
    // not meet.
    let mut wanted = exchange::frames(scenario, channel).into_iter().enumerate().peekable();
    let mut once: BTreeMap<usize, ClassicFrame> = BTreeMap::new();
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
            waiting.insert((sender.message.id, at), sender.sent);
            sender.sent += 1;
            due.push(Reverse((
                sender.next(&scenario.nodes[sender.node], &away[sender.node], time + 1),
                at,
            )));
        }
        while let Some((number, wanted)) = wanted.next_if(|(_, wanted)| wanted.time <= now) {
            waiting.insert((wanted.id, usize::MAX - number), 0);
            once.insert(usize::MAX - number, wanted.frame);
        }
        let Some(((id, at), count)) = waiting.pop_first() else { continue };
        let frame = match once.remove(&at) {
            Some(frame) => Some(frame),
            None => senders[at].try_send(&away[senders[at].node], now, id, count),
        };
        let Some(frame) = frame else { continue };
        let kind = FrameKind::Classic(frame);
        let bits = wire::length(&kind).map_or(0, wire::Length::bits);
        free = now + (f64::from(bits) * bit).round() as i64;
        let idle = (f64::from(wire::INTERMISSION) * bit).round() as i64;
        let blur = noise.map_or(0.0, |noise| noise.sample(&mut stamps));
        last_stamp = last_stamp.max(free - idle + blur as i64);
        out.push(Logged { time: last_stamp, channel, kind });
    }
}

impl Sender<'_> {
    /// The next instant, from `from` on, at which it wants to send; while it has no supply it does
    /// not want to.
    fn next(&mut self, node: &Node, away: &[Away], from: i64) -> i64 {
        let mut time = self.instant(node, from);
        while let Some(off) =
            away.iter().find(|away| away.restarts && away.from <= time && time < away.to)
        {
            let offset = self.message.offset.unwrap_or_else(|| {
                let gap = self.message.period.or(self.message.mean_gap).unwrap_or(0.0);
                gap.min(0.2) * self.random.random::<f64>()
            });
            self.begun = off.to + nanoseconds(node.boot + offset);
            self.sent = 0;
            time = self.begun;
        }
        time
    }

    fn instant(&mut self, node: &Node, from: i64) -> i64 {
        let Some(period) = self.message.period else {
            let gap = Exp::new(1.0 / self.message.mean_gap.unwrap_or(1.0))
                .map_or(1.0, |gap| gap.sample(&mut self.random));
            return from + nanoseconds(gap);
        };
        let jitter =
            Normal::new(0.0, node.jitter).map_or(0.0, |jitter| jitter.sample(&mut self.random));
        let period = period * (1.0 + node.drift_ppm * 1e-6);
        // Each instant counts from the beginning of the run, so that jitter does not add up.
        let mut ideal = self.begun + nanoseconds(self.sent as f64 * period);
        while ideal + nanoseconds(period / 2.0) < from {
            self.sent += 1;
            ideal = self.begun + nanoseconds(self.sent as f64 * period);
        }
        let turns = seconds(ideal) / node.wander_period * std::f64::consts::TAU;
        (ideal + nanoseconds(node.wander * turns.sin() + jitter)).max(from)
    }

    /// The frame, unless the node cannot be heard now.
    fn try_send(&mut self, away: &[Away], now: i64, id: Id, count: u64) -> Option<ClassicFrame> {
        if away.iter().any(|away| away.from <= now && now < away.to) {
            return None;
        }
        self.frame(id, count)
    }

    fn frame(&mut self, id: Id, count: u64) -> Option<ClassicFrame> {
        let length = usize::from(self.message.length);
        // A signal that changes now and then, so that payloads look alive.
        if length > 0 && self.random.random_bool(0.2) {
            let at = self.random.random_range(0..length);
            self.fill[at] = self.fill[at].wrapping_add(self.random.random_range(0..4));
        }
        if let Some(counter) = self.message.counter {
            let mask = ((1u16 << counter.width) - 1) as u8;
            let byte = &mut self.fill[usize::from(counter.byte)];
            *byte = *byte & !(mask << counter.bit) | ((count as u8 & mask) << counter.bit);
        }
        ClassicFrame::new(id, &self.fill[..length])
    }
}

/// What the logging controller reports while the bus is shorted: errors, then bus-off, then that it
/// is back.
fn error_reports(scenario: &Scenario, channel: usize, random: &mut ChaCha8Rng) -> Vec<Logged> {
    let mut out = Vec::new();
    let here = |trouble: &Trouble| {
        trouble.channel.as_ref().is_none_or(|name| scenario.channel(name) == Some(channel))
    };
    let mut other = |time: i64, class: u32, data: [u8; 8]| {
        if let Some(error) = ErrorFrame::new(class, &data) {
            out.push(Logged { time, channel, kind: FrameKind::Error(error) });
        }
    };
    for (_, from, to) in
        troubles(scenario, TroubleKind::BusErrors).filter(|(trouble, ..)| here(trouble))
    {
        let mut time = from;
        while time < to {
            other(time, 0x88, [0, 0, 0x04, 0, 0, 0, 0, 0]);
            time += nanoseconds(0.8 * random.random::<f64>());
        }
    }
    for (_, _, to) in
        troubles(scenario, TroubleKind::LoggerOverflow).filter(|(trouble, ..)| here(trouble))
    {
        other(to, 0x04, [0, 0x01, 0, 0, 0, 0, 0, 0]);
    }
    for (_, from, to) in
        troubles(scenario, TroubleKind::BusShort).filter(|(trouble, ..)| here(trouble))
    {
        let mut report = |time: i64, class: u32, data: [u8; 8]| {
            if let Some(error) = ErrorFrame::new(class, &data) {
                out.push(Logged { time, channel, kind: FrameKind::Error(error) });
            }
        };
        let mut time = from + 200_000;
        for _ in 0..32 {
            report(time, 0x88, [0, 0, 0x08, 0, 0, 0, 0, 0]);
            time += nanoseconds(0.0004 + 0.0004 * random.random::<f64>());
        }
        report(time.min(to), 0x40, [0; 8]);
        report(to, 0x100, [0; 8]);
    }
    out
}

fn truth(scenario: &Scenario) -> Truth {
    let nodes = scenario.nodes.iter().map(|node| TruthNode {
        name: node.name.clone(),
        channel: node.channel.clone(),
        ids: node.messages.iter().map(|message| format!("0x{}", DisplayId(message.id))).collect(),
        drift_ppm: node.drift_ppm,
    });
    let events = scenario.troubles.iter().flat_map(|trouble| {
        let hit = |node: &&Node| match trouble.kind {
            TroubleKind::PowerLoss | TroubleKind::StubOpen => {
                trouble.node.as_ref() == Some(&node.name)
            }
            TroubleKind::BranchOpen => trouble.branch == node.branch,
            TroubleKind::SupplyDip => node.resets_on_dip,
            TroubleKind::BusShort | TroubleKind::KeyOff => {
                trouble.channel.as_ref().is_none_or(|name| *name == node.channel)
            }
            TroubleKind::CapturePause | TroubleKind::BusErrors | TroubleKind::LoggerOverflow => {
                false
            }
        };
        let nodes: Vec<String> =
            scenario.nodes.iter().filter(hit).map(|node| node.name.clone()).collect();
        trouble.times().map(move |(from, to)| TruthEvent {
            kind: name(trouble.kind).to_owned(),
            nodes: nodes.clone(),
            channel: trouble.channel.clone(),
            start: scenario.start + from,
            end: scenario.start + to,
        })
    });
    Truth {
        title: scenario.title.clone(),
        invented: scenario.invented,
        nodes: nodes.collect(),
        events: events.collect(),
    }
}

fn name(kind: TroubleKind) -> &'static str {
    match kind {
        TroubleKind::PowerLoss => "power_loss",
        TroubleKind::StubOpen => "stub_open",
        TroubleKind::BranchOpen => "branch_open",
        TroubleKind::BusShort => "bus_short",
        TroubleKind::KeyOff => "key_off",
        TroubleKind::CapturePause => "capture_pause",
        TroubleKind::SupplyDip => "supply_dip",
        TroubleKind::BusErrors => "bus_errors",
        TroubleKind::LoggerOverflow => "logger_overflow",
    }
}
