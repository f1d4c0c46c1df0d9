//! The simulation: one queue of events in nanoseconds, a bus with arbitration for each channel.

use std::cmp::Reverse;
use std::collections::{BinaryHeap, HashMap};

use crate::bus::Heard;
use crate::codes::Memory;
use crate::draw::Draw;
use crate::effects::Effects;
use crate::frame::Frame;
use crate::story::{Span, Story};
use crate::tester::Tester;
use crate::vehicle::{Buffer, Vehicle};

/// Nanoseconds.
pub type Ns = u64;

/// Seconds as nanoseconds.
pub fn ns(seconds: f64) -> Ns {
    (seconds.max(0.0) * 1e9) as Ns
}

/// Nanoseconds as seconds.
pub fn secs(at: Ns) -> f64 {
    at as f64 / 1e9
}

/// What happens at a time.
#[derive(Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Debug)]
pub enum What {
    /// A unit gets power.
    On(usize),
    /// A unit's power goes, in order or cut.
    Off(usize, bool),
    /// A unit's program begins (unit, life).
    Up(usize, u32),
    /// A message is due (unit, message, life).
    Due(usize, usize, u32),
    /// The wires of an open (place in the effects) part or join.
    Wire(usize, bool),
    /// A frame that was made before is handed to its unit.
    Send(usize),
    /// The next frame of a flood.
    Flood(usize),
    /// Units look whom they miss.
    Tick,
    /// The tester looks what to do.
    Tester,
}

/// A frame that waits in a unit.
#[derive(Clone, Copy, Debug)]
pub struct Pending {
    /// The frame.
    pub frame: Frame,
    /// Its channel.
    pub channel: usize,
    /// Since when.
    pub since: Ns,
}

/// State of a unit.
#[derive(Clone, Debug, Default)]
pub struct Unit {
    /// It has power.
    pub on: bool,
    /// Its program runs.
    pub up: bool,
    /// Counts its starts.
    pub life: u32,
    /// When its program began.
    pub started: Ns,
    /// Opens that part it from a channel.
    pub open: [u32; 2],
    /// It hears others beyond the same break.
    pub company: bool,
    /// Waiting frames.
    pub queue: Vec<Pending>,
    /// Transmit error counter (ISO 11898-1).
    pub errors: u32,
    /// Off the bus until.
    pub off_until: Ns,
    /// Counters of its messages.
    pub counts: Vec<u32>,
    /// Ideal time of the next frame of each message, in nanoseconds.
    pub ideal: Vec<f64>,
    /// When each monitored unit was last heard, and whether it is missed.
    pub heard: Vec<(Ns, bool)>,
    /// Codes.
    pub memory: Memory,
    /// Frames of an answer that wait for the tester's leave.
    pub rest: Vec<Frame>,
}

/// The running world.
pub struct Sim<'a> {
    pub(crate) vehicle: &'a Vehicle,
    pub(crate) story: &'a Story,
    pub(crate) effects: &'a Effects,
    pub(crate) units: Vec<Unit>,
    pub(crate) spans: Vec<Vec<Span>>,
    pub(crate) free: Vec<Ns>,
    pub(crate) busy: Vec<Ns>,
    pub(crate) made: Vec<(usize, usize, Frame)>,
    pub(crate) draw: Draw,
    pub(crate) out: Vec<Heard>,
    pub(crate) tester: Tester,
    pub(crate) acknowledges: bool,
    pub(crate) storm: u32,
    /// Owner and message of each identifier.
    pub(crate) owners: HashMap<u32, (usize, usize)>,
    heap: BinaryHeap<Reverse<(Ns, u64, What)>>,
    order: u64,
    key: bool,
}

impl<'a> Sim<'a> {
    /// A world before its first moment.
    pub fn new(
        vehicle: &'a Vehicle,
        story: &'a Story,
        effects: &'a Effects,
        tester: Tester,
        acknowledges: bool,
        mut draw: Draw,
    ) -> Self {
        let mut spans: Vec<Vec<Span>> =
            (0..vehicle.nodes.len()).map(|place| story.spans(vehicle, place, &mut draw)).collect();
        for &(place, from, to) in &effects.cuts {
            let hold = vehicle.nodes[place].holdup;
            spans[place] = crate::story::without(&spans[place], from + hold, to.max(from + hold));
        }
        let mut owners = HashMap::new();
        for (place, node) in vehicle.nodes.iter().enumerate() {
            for (number, message) in node.messages.iter().enumerate() {
                owners.insert(message.id, (place, number));
            }
        }
        let units = vehicle.nodes.iter().map(fresh).chain([Unit::default()]).collect();
        let channels = vehicle.rates.len();
        let mut sim = Self {
            vehicle,
            story,
            effects,
            units,
            spans,
            free: vec![0; channels],
            busy: vec![0; channels],
            made: Vec::new(),
            draw,
            out: Vec::new(),
            tester,
            acknowledges,
            storm: 0,
            owners,
            heap: BinaryHeap::new(),
            order: 0,
            key: false,
        };
        sim.prepare();
        sim
    }

    fn prepare(&mut self) {
        let tester = self.units.len() - 1;
        (self.units[tester].on, self.units[tester].up) = (true, true);
        for place in 0..self.spans.len() {
            for span in self.spans[place].clone() {
                self.at(ns(span.from), What::On(place));
                self.at(ns(span.to), What::Off(place, span.orderly));
            }
        }
        for (number, open) in self.effects.opens.iter().enumerate() {
            self.at(ns(open.from), What::Wire(number, false));
            self.at(ns(open.to), What::Wire(number, true));
        }
        for (number, flood) in self.effects.floods.iter().enumerate() {
            self.at(ns(flood.from), What::Flood(number));
        }
        for &(place, code) in &self.effects.old {
            self.units[place].memory.codes.push(code);
        }
        self.at(0, What::Tick);
        if let Some(first) = self.tester.first() {
            self.at(first, What::Tester);
        }
    }

    /// Something is to happen.
    pub fn at(&mut self, time: Ns, what: What) {
        self.order += 1;
        self.heap.push(Reverse((time, self.order, what)));
    }

    /// A frame is to be handed to a unit at a time.
    pub fn send(&mut self, time: Ns, place: usize, channel: usize, frame: Frame) {
        self.made.push((place, channel, frame));
        self.at(time, What::Send(self.made.len() - 1));
    }

    /// Runs to the end of the recording.
    pub fn run(&mut self) {
        let end = ns(self.story.record.1);
        loop {
            let (start, channel) = self.next_start();
            let event = self.heap.peek().map_or(Ns::MAX, |Reverse((time, ..))| *time);
            if event.min(start) > end {
                return;
            }
            if event <= start {
                if let Some(Reverse((time, _, what))) = self.heap.pop() {
                    self.happen(time, what);
                }
            } else {
                self.transmit(channel, start);
            }
        }
    }

    fn happen(&mut self, now: Ns, what: What) {
        match what {
            What::On(place) => self.power_on(now, place),
            What::Off(place, _) => self.power_off(place),
            What::Up(place, life) => self.up(now, place, life),
            What::Due(place, message, life) => self.due(now, place, message, life),
            What::Wire(number, joined) => self.wire(now, number, joined),
            What::Send(number) => {
                let (place, channel, frame) = self.made[number];
                self.enqueue(now, place, channel, frame);
            }
            What::Flood(number) => self.flood(now, number),
            What::Tick => self.tick(now),
            What::Tester => self.tester_turn(now),
        }
    }

    fn power_on(&mut self, now: Ns, place: usize) {
        let unit = &mut self.units[place];
        unit.on = true;
        unit.life += 1;
        let life = unit.life;
        let spread = self.draw.between(0.97, 1.03);
        let wait = ns(self.vehicle.nodes[place].boot_time * spread);
        self.at(now + wait, What::Up(place, life));
    }

    fn power_off(&mut self, place: usize) {
        let unit = &mut self.units[place];
        (unit.on, unit.up) = (false, false);
        unit.life += 1;
        unit.queue.clear();
        unit.rest.clear();
        (unit.errors, unit.off_until) = (0, 0);
    }

    fn wire(&mut self, now: Ns, number: usize, joined: bool) {
        let open = &self.effects.opens[number];
        if joined {
            self.expire(now, &open.nodes);
        }
        for &place in &open.nodes {
            let unit = &mut self.units[place];
            let count = &mut unit.open[open.channel];
            *count = if joined { count.saturating_sub(1) } else { *count + 1 };
            unit.company = open.together && !joined;
        }
    }

    /// What waited too long is thrown away.
    fn expire(&mut self, now: Ns, places: &[usize]) {
        for &place in places {
            if let Buffer::Expiring(age) = self.vehicle.nodes[place].buffer {
                let oldest = now.saturating_sub(Ns::from(age) * 1_000_000);
                self.units[place].queue.retain(|pending| pending.since >= oldest);
            }
        }
    }

    /// Whether a unit is on a channel at all.
    pub fn belongs(&self, place: usize, channel: usize) -> bool {
        match self.vehicle.nodes.get(place) {
            Some(node) => node.channel == channel || Some(place) == self.vehicle.gateway,
            None => channel == 0,
        }
    }

    /// Whether a unit hears a channel.
    pub fn hears(&self, place: usize, channel: usize) -> bool {
        let unit = &self.units[place];
        unit.on && unit.open[channel] == 0 && self.belongs(place, channel)
    }

    /// Puts a frame into a unit's buffer, by its manner.
    pub fn enqueue(&mut self, now: Ns, place: usize, channel: usize, frame: Frame) {
        let parted = self.units[place].open[channel] > 0;
        if parted && self.units[place].company {
            return self.company_hears(now, place);
        }
        let unit = &mut self.units[place];
        if !unit.up || unit.off_until > now {
            return;
        }
        let pending = Pending { frame, channel, since: now };
        let buffer = self.vehicle.nodes.get(place).map_or(Buffer::Queue(64), |node| node.buffer);
        match buffer {
            Buffer::Queue(depth) => {
                if unit.queue.len() < depth {
                    unit.queue.push(pending);
                }
            }
            Buffer::Dropped if parted => unit.queue.clear(),
            Buffer::Mailbox | Buffer::Dropped | Buffer::Expiring(_) => {
                let same = |old: &&mut Pending| old.frame.id == frame.id && old.channel == channel;
                // Transport uses one identifier for many frames: these wait in a queue.
                let broadcast = self.owners.contains_key(&frame.id);
                match unit.queue.iter_mut().find(same) {
                    Some(old) if broadcast => *old = pending,
                    _ => unit.queue.push(pending),
                }
            }
        }
    }

    /// Beyond a break the units go on among themselves.
    fn company_hears(&mut self, now: Ns, place: usize) {
        for (listener, node) in self.vehicle.nodes.iter().enumerate() {
            let unit = &mut self.units[listener];
            for (number, monitor) in node.monitors.iter().enumerate() {
                if unit.company && monitor.of == place {
                    unit.heard[number].0 = now;
                }
            }
        }
    }

    fn tick(&mut self, now: Ns) {
        let key = self.story.key(secs(now));
        if key && !self.key {
            for unit in &mut self.units {
                unit.memory.new_cycle();
            }
        }
        self.key = key;
        for place in 0..self.vehicle.nodes.len() {
            self.watch(now, place);
        }
        self.at(now + 100_000_000, What::Tick);
    }
}

fn fresh(node: &crate::vehicle::Node) -> Unit {
    Unit {
        counts: node.messages.iter().map(|message| message.fixed[0].into()).collect(),
        ideal: vec![0.0; node.messages.len()],
        heard: vec![(0, false); node.monitors.len()],
        ..Unit::default()
    }
}
