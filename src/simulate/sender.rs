//! One identifier of a node while it runs: its instants and its payload.

use lostnode_parsers::embedded_can::Frame as _;
use lostnode_parsers::{ClassicFrame, Id};
use rand::{RngExt, SeedableRng};
use rand_chacha::ChaCha8Rng;
use rand_distr::{Distribution, Exp, Normal};

use super::away::{Away, Back, by_nature};
use super::scenario::{LooksLike, Message, Node, Scenario};
use super::signal::Signals;
use crate::fold::timing::{nanoseconds, seconds};

/// One identifier while it runs.
pub(super) struct Sender<'a> {
    pub node: usize,
    pub channel: usize,
    settings: &'a Node,
    pub message: &'a Message,
    /// When it cannot be heard.
    away: Vec<Away>,
    /// When its present run began, and how many frames were due since.
    begun: i64,
    sent: u64,
    /// Frames of the runs before, for a counter that goes on.
    carried: u64,
    fill: [u8; 8],
    random: ChaCha8Rng,
    /// Where in a short wake it sends, 0 to 1.
    place: f64,
    /// Start of the random numbers that all identifiers of the node share.
    shared: u64,
    turn: Turn,
    signals: &'a Signals,
    /// Place of each signal that the message carries.
    carries: Vec<usize>,
}

/// Whose turn it is on a shared grid.
struct Turn {
    random: ChaCha8Rng,
    at: usize,
    left: u32,
    turns: u64,
    /// When each identifier had its last turn, and which one that was.
    last: Vec<(i64, u64)>,
    /// Long absences: index, last turn, next turn.
    gone: Vec<(usize, i64, i64)>,
}

impl<'a> Sender<'a> {
    /// A sender somewhere in its period, with its counter somewhere: the capture begins while the
    /// bus runs.
    pub fn new(
        scenario: &'a Scenario,
        node: usize,
        message: &'a Message,
        node_away: &[Away],
        signals: &'a Signals,
        random: &mut ChaCha8Rng,
    ) -> Sender<'a> {
        let settings = &scenario.nodes[node];
        let mut away = node_away.to_vec();
        away.extend(by_nature(scenario, message));
        away.sort_by_key(|away| away.from);
        let fill = random.random();
        let own = ChaCha8Rng::seed_from_u64(random.random());
        let age = random.random::<f64>();
        // Drawn beside the others, so that new keys change nothing of older scenarios.
        let mut beside = own.clone();
        beside.set_stream(1);
        let ids = message.ids().count();
        let mut sender = Sender {
            node,
            channel: scenario.channel(&settings.channel).unwrap_or(0),
            settings,
            message,
            away,
            begun: 0,
            sent: 0,
            carried: 0,
            fill,
            random: own,
            place: beside.random(),
            shared: scenario.seed ^ 0x5449_434B_0000_0000 ^ ((node as u64) << 48),
            turn: Turn {
                random: beside,
                at: 0,
                left: 0,
                turns: 0,
                last: vec![(0, 0); ids],
                gone: Vec::new(),
            },
            carries: signals.places(&message.signals),
            signals,
        };
        let gap = message.gap();
        if settings.tick.is_some() {
            // All identifiers of one tick began together.
            let age = 100.0 + 300.0 * ChaCha8Rng::seed_from_u64(sender.shared).random::<f64>();
            sender.begun = nanoseconds(message.offset.unwrap_or(0.0) - age);
        } else {
            sender.begun = -nanoseconds(gap * 300.0 * age);
        }
        sender.sent = (seconds(-sender.begun) / gap) as u64;
        if sender.message.looks_like.is_some() {
            sender.fill[1] = sender.turn.random.random_range(0x0D..0x40);
        }
        sender
    }

    /// The next instant, from `from` on, at which it wants to send; while it has no supply it does
    /// not want to.
    pub fn next(&mut self, from: i64) -> i64 {
        let mut time = self.instant(from);
        while let Some(off) =
            self.away.iter().find(|away| away.back != Back::RanOn && away.holds(time)).copied()
        {
            time = self.restart(&off);
        }
        time
    }

    /// Its first instant after a time in which it did not want to send.
    fn restart(&mut self, off: &Away) -> i64 {
        match off.back {
            Back::Wakes { within } => {
                let within = within.min(nanoseconds(self.message.gap()));
                let offset = nanoseconds(self.place * seconds(within));
                self.begun = off.to + if self.settings.tick.is_some() { 0 } else { offset };
                self.carried = self.carried.wrapping_add(self.sent);
            }
            Back::Boots | Back::RanOn => {
                let offset = self.message.offset.unwrap_or_else(|| match self.settings.tick {
                    Some(_) => 0.0,
                    None => self.message.gap().min(0.2) * self.random.random::<f64>(),
                });
                self.begun = off.to + nanoseconds(self.settings.boot + offset);
                self.carried = 0;
            }
        }
        self.sent = 0;
        self.begun
    }

    fn instant(&mut self, from: i64) -> i64 {
        if let Some(mean) = self.message.mean_gap {
            let gap = Exp::new(1.0 / mean).map_or(1.0, |gap| gap.sample(&mut self.random));
            return from + nanoseconds(gap);
        }
        let node = self.settings;
        let jitter = Normal::new(0.0, node.jitter);
        let own = jitter.map_or(0.0, |jitter| jitter.sample(&mut self.random));
        // Each instant counts from the beginning of the run, so that jitter does not add up.
        let half = nanoseconds(self.step() / 2.0);
        let mut ideal = self.ideal();
        while ideal + half < from {
            self.sent += 1;
            ideal = self.ideal();
        }
        let late = match node.tick {
            None => own,
            Some(tick) => {
                // One task sends all that is due: what delays it delays them all.
                let number = (seconds(ideal - self.begun) / tick).round() as u64;
                let began = (seconds(self.begun) / tick).round() as i64 as u64;
                let seed = self.shared ^ number.wrapping_add(began);
                let mut of_tick = ChaCha8Rng::seed_from_u64(seed);
                jitter.map_or(0.0, |jitter| jitter.sample(&mut of_tick))
            }
        };
        let turns = seconds(ideal) / node.wander_period * std::f64::consts::TAU;
        (ideal + nanoseconds(node.wander * turns.sin() + late)).max(from)
    }

    /// The shortest of its gaps, as its clock counts, in seconds.
    fn step(&self) -> f64 {
        let beats = self.message.beats.iter().flatten().copied().reduce(f64::min);
        self.message.period.or(beats).unwrap_or(1.0) * self.rate()
    }

    fn rate(&self) -> f64 {
        1.0 + self.settings.drift_ppm * 1e-6
    }

    /// When the next frame of the run is due by its clock.
    fn ideal(&self) -> i64 {
        let Some(beats) = &self.message.beats else {
            return self.begun + nanoseconds(self.sent as f64 * self.step());
        };
        let (rounds, within) =
            (self.sent / beats.len() as u64, (self.sent % beats.len() as u64) as usize);
        let all: f64 = beats.iter().sum();
        let part: f64 = beats[..within].iter().sum();
        self.begun + nanoseconds((rounds as f64 * all + part) * self.rate())
    }

    /// The frame that is due: with which identifier, and which number in the run.
    pub fn take(&mut self, time: i64) -> (Id, u64) {
        let count = self.carried.wrapping_add(self.sent);
        self.sent += 1;
        (self.turn.next(self.message, time), count)
    }

    /// The frame, unless the node cannot be heard now.
    pub fn try_send(&mut self, now: i64, id: Id, count: u64) -> Option<ClassicFrame> {
        if self.is_away(now) {
            return None;
        }
        self.frame(now, id, count)
    }

    /// Whether the node cannot be heard now.
    pub fn is_away(&self, now: i64) -> bool {
        self.away.iter().any(|away| away.holds(now))
    }

    fn frame(&mut self, now: i64, id: Id, count: u64) -> Option<ClassicFrame> {
        let length = usize::from(self.message.length);
        // A signal that changes now and then, so that payloads look alive.
        if length > 0 && self.random.random_bool(0.2) {
            let at = self.random.random_range(0..length);
            self.fill[at] = self.fill[at].wrapping_add(self.random.random_range(0..4));
        }
        match self.message.looks_like {
            Some(LooksLike::SingleFrame) => self.fill[0] = 2,
            Some(LooksLike::ConsecutiveFrame) => self.fill[0] = 0x20 | (count as u8 & 0x0F),
            None => {}
        }
        if let Some(counter) = self.message.counter {
            let mask = ((1u16 << counter.width) - 1) as u8;
            let byte = &mut self.fill[usize::from(counter.byte)];
            *byte = *byte & !(mask << counter.bit) | ((count as u8 & mask) << counter.bit);
        }
        let mut payload = u64::from_le_bytes(self.fill);
        for (carried, at) in self.message.signals.iter().zip(&self.carries) {
            payload = carried.put(payload, self.signals.value(*at, now));
        }
        ClassicFrame::new(id, &payload.to_le_bytes()[..length])
    }

    /// The long absences of identifiers that take turns, the last ones up to `end`: identifier,
    /// from, to, in nanoseconds.
    pub fn gone(&self, end: i64) -> impl Iterator<Item = (Id, i64, i64)> + '_ {
        let ids: Vec<Id> = self.message.ids().collect();
        let turn = &self.turn;
        let at_end = turn.last.iter().enumerate();
        let at_end = at_end.filter(|(_, (_, last))| turn.turns - last > SHORT);
        let at_end = at_end.map(move |(at, (last, _))| (at, *last, end));
        let times = turn.gone.iter().copied().chain(at_end);
        times.map(move |(at, from, to)| (ids[at], from, to))
    }
}

/// An identifier that misses so many turns or fewer is not silent.
const SHORT: u64 = 5;

impl Turn {
    fn next(&mut self, message: &Message, time: i64) -> Id {
        let Some(multiplex) = &message.multiplex else { return message.id };
        if self.left == 0 {
            let [least, most] = multiplex.frames;
            self.left = self.random.random_range(least..=most);
            // Another one each time, not always in the same order.
            let ids = self.last.len();
            self.at = (self.at + self.random.random_range(1..ids)) % ids;
        }
        self.left -= 1;
        self.turns += 1;
        let (last, turn) = std::mem::replace(&mut self.last[self.at], (time, self.turns));
        if self.turns - turn - 1 > SHORT {
            self.gone.push((self.at, last, time));
        }
        message.ids().nth(self.at).unwrap_or(message.id)
    }
}
