//! Vehicles with a harness, drawn by chance: nodes, what they hang on, and an element that fails.
//! Shared by `examples/harness_faults.rs` and a test.

use std::collections::BTreeSet;
use std::fmt::Write;
use std::sync::Arc;

use lostnode::analysis::Analysis;
use lostnode::capture::Source;
use lostnode::roster_file::RosterFile;
use lostnode::simulate::{self, Scenario};
use lostnode::wiring_file::WiringFile;
use lostnode::{Explaining, Options};
use rand::seq::SliceRandom;
use rand::{RngExt, SeedableRng};
use rand_chacha::ChaCha8Rng;

/// Seconds of a recording.
const DURATION: f64 = 160.0;

/// What fails of an element.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Part {
    Power,
    Bus,
    Termination,
}

/// An element of a harness.
#[derive(Clone, Debug)]
pub struct Drawn {
    pub kind: &'static str,
    pub carries: &'static [&'static str],
    pub feeds: BTreeSet<usize>,
    pub cover: usize,
    pub minutes: f64,
}

/// A fault: an element, or a node by itself.
#[derive(Clone, Debug)]
pub struct Fault {
    pub element: Option<usize>,
    pub part: Part,
    pub nodes: BTreeSet<usize>,
    pub lasting: bool,
}

/// A vehicle.
pub struct Vehicle {
    random: ChaCha8Rng,
    seed: u64,
    nodes: usize,
    pub elements: Vec<Drawn>,
    troubles: String,
    /// When faults of before took place: those of a second begin at other times.
    taken: Vec<f64>,
    pub faults: Vec<Fault>,
}

/// What destroys frames.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Strike {
    /// A bad contact of one node.
    Stub,
    /// A bad contact that several nodes lie beyond.
    Point,
    /// A termination, or whatever strikes everybody.
    Termination,
    /// A node that misreads what others send.
    Receiver,
}

const ALL: &[&str] = &["supply", "ground", "bus"];

impl Vehicle {
    pub fn new(seed: u64) -> Vehicle {
        let mut random = ChaCha8Rng::seed_from_u64(seed);
        let nodes = random.random_range(6..=14);
        let mut vehicle = Vehicle {
            random,
            seed,
            nodes,
            elements: Vec::new(),
            troubles: String::new(),
            taken: Vec::new(),
            faults: Vec::new(),
        };
        vehicle.draw_bus();
        vehicle.draw_power();
        vehicle
    }

    fn add(&mut self, kind: &'static str, carries: &'static [&'static str], feeds: &[usize]) {
        let feeds: BTreeSet<usize> = feeds.iter().copied().collect();
        // What all hang on silences the whole bus; that is no matter of this score.
        if feeds.len() == self.nodes {
            return;
        }
        let (cover, minutes) =
            (self.random.random_range(0..6), self.random.random_range(2.0..25.0));
        self.elements.push(Drawn { kind, carries, feeds, cover, minutes });
    }

    /// Nodes at the recorder's end, and one to three branches one behind the other.
    fn draw_bus(&mut self) {
        let mut at = (self.nodes / 3).max(2);
        let mut branches = Vec::new();
        while at < self.nodes && branches.len() < 3 {
            let most = (self.nodes - at).min(4);
            let size = if branches.len() == 2 {
                self.nodes - at
            } else {
                self.random.random_range(1..=most)
            };
            branches.push((at..at + size).collect::<Vec<usize>>());
            at += size;
        }
        for (place, branch) in branches.iter().enumerate() {
            let beyond: Vec<usize> = branches[place..].iter().flatten().copied().collect();
            self.add("trunk", &["bus"], &beyond);
            if branch.len() > 1 {
                self.add("splice", &["bus"], branch);
            }
            let carries = [ALL, &["supply", "bus"], &["bus"]][self.random.random_range(0..3)];
            self.add("connector", carries, branch);
            let one = branch[self.random.random_range(0..branch.len())];
            self.add("connector", ALL, &[one]);
        }
        self.add("terminator", &["bus"], &[]);
    }

    /// Relays with fuses behind them, ground points, and splices of some.
    fn draw_power(&mut self) {
        let fuses = self.chunks(4);
        for pair in fuses.chunks(2) {
            self.add("supply", &["supply"], &pair.concat());
        }
        let double = self.random.random_bool(0.3).then(|| self.random.random_range(0..self.nodes));
        let first = self.random.random_range(0..fuses.len());
        for (at, fuse) in fuses.iter().enumerate() {
            let second = double.filter(|node| at == first && !fuse.contains(node));
            let feeds: Vec<usize> = fuse.iter().copied().chain(second).collect();
            self.add("fuse", &["supply"], &feeds);
        }
        for ground in self.chunks(3) {
            self.add("ground", &["ground"], &ground);
            if ground.len() > 2 {
                self.add("splice", &["ground"], &ground[..2]);
            }
        }
    }

    /// The nodes in parts of at most so many.
    fn chunks(&mut self, most: usize) -> Vec<Vec<usize>> {
        let mut all: Vec<usize> = (0..self.nodes).collect();
        all.shuffle(&mut self.random);
        let mut out = Vec::new();
        while !all.is_empty() {
            let size = self.random.random_range(1..=most).min(all.len());
            out.push(all.drain(..size).collect());
        }
        out
    }

    /// The nodes that stop without an element: those without another of its kind.
    pub fn alone(&self, at: usize) -> BTreeSet<usize> {
        let own = &self.elements[at];
        let beside = ["supply", "fuse", "ground"].contains(&own.kind);
        let other = |node: &usize| {
            let mut others = self.elements.iter().enumerate();
            others.any(|(other, element)| {
                other != at && element.kind == own.kind && element.feeds.contains(node)
            })
        };
        own.feeds.iter().copied().filter(|node| !beside || !other(node)).collect()
    }

    /// Lets an element of a kind fail; `false` where there is none that has not failed, or it takes
    /// nobody with it.
    pub fn fail(&mut self, kind: &str) -> bool {
        let mut of_kind: Vec<usize> = (0..self.elements.len())
            .filter(|at| self.elements[*at].kind == kind)
            .filter(|at| self.faults.iter().all(|fault| fault.element != Some(*at)))
            .filter(|at| kind == "terminator" || !self.alone(*at).is_empty())
            .collect();
        of_kind.shuffle(&mut self.random);
        let Some(at) = of_kind.first().copied() else { return false };
        let carries = self.elements[at].carries;
        let power = carries.iter().any(|what| *what != "bus");
        let bus = carries.contains(&"bus");
        let part = match (kind, power, bus) {
            ("terminator", ..) => Part::Termination,
            (_, true, true) if self.random.random_bool(0.5) => Part::Bus,
            (_, true, _) => Part::Power,
            _ => Part::Bus,
        };
        // A blown fuse stays blown.
        let lasting = kind == "fuse" || self.random.random_bool(0.2);
        self.lose(Fault { element: Some(at), part, nodes: self.alone(at), lasting });
        true
    }

    /// A fault of a node by itself: its supply or its stub.
    pub fn fail_alone(&mut self) {
        let node = self.random.random_range(0..self.nodes);
        let part = if self.random.random_bool(0.5) { Part::Power } else { Part::Bus };
        let lasting = self.random.random_bool(0.2);
        self.lose(Fault { element: None, part, nodes: [node].into(), lasting });
    }

    /// Lets a place destroy frames now and then, and half of the time fall open for a while: a bad
    /// contact of one node or of all beyond a point, a termination, a receiver. `false` where there
    /// is no such place.
    pub fn strike(&mut self, what: Strike) -> bool {
        let fits = |own: &Drawn| {
            let bus = own.carries.contains(&"bus");
            bus && match what {
                Strike::Stub | Strike::Receiver => own.feeds.len() == 1,
                Strike::Point => own.feeds.len() > 1,
                Strike::Termination => own.kind == "terminator",
            }
        };
        let mut places: Vec<usize> =
            (0..self.elements.len()).filter(|at| fits(&self.elements[*at])).collect();
        places.shuffle(&mut self.random);
        let Some(at) = places.first().copied() else { return false };
        let feeds = self.elements[at].feeds.clone();
        let count = self.random.random_range(3..=6);
        // From some errors in a minute to hundreds.
        let share = 0.1 * 0.02_f64.powf(self.random.random::<f64>());
        let starts: Vec<f64> = (0..count)
            .map(|turn| 10.0 + 24.0 * f64::from(turn) + self.random.random_range(0.0..8.0))
            .collect();
        let lasts: Vec<f64> = starts.iter().map(|_| self.random.random_range(2.0..9.0)).collect();
        let names: Vec<String> = feeds.iter().map(|node| format!("n{node}")).collect();
        let terminated = self.elements[at].kind == "trunk";
        let own = match what {
            Strike::Stub | Strike::Point => {
                format!("kind = \"weak_contact\"\nbeyond = {names:?}\nterminated = {terminated}")
            }
            Strike::Termination => "kind = \"bus_noise\"".to_owned(),
            Strike::Receiver => format!("kind = \"bad_receiver\"\nnode = {:?}", names[0]),
        };
        let _ = writeln!(
            self.troubles,
            "[[trouble]]\n{own}\nshare = {share:.4}\nat = {starts:?}\nlasts = {lasts:?}"
        );
        if matches!(what, Strike::Stub | Strike::Point) && self.random.random_bool(0.5) {
            let (open, for_) = (starts[1] + 1.0, self.random.random_range(1.0..3.0));
            for name in &names {
                let _ = writeln!(
                    self.troubles,
                    "[[trouble]]\nkind = \"stub_open\"\nnode = {name:?}\nat = [{open:.3}]\nlasts = \
                     [{for_:.3}]"
                );
            }
        }
        let part = if what == Strike::Termination { Part::Termination } else { Part::Bus };
        self.faults.push(Fault { element: Some(at), part, nodes: feeds, lasting: false });
        true
    }

    fn lose(&mut self, fault: Fault) {
        let (at, lasts) = self.times(fault.lasting);
        // Under a poor feed some modules hold out where others stop.
        let uneven = fault.part == Part::Power && !fault.lasting && self.random.random_bool(0.25);
        if fault.part == Part::Termination {
            let _ = writeln!(
                self.troubles,
                "[[trouble]]\nkind = \"bus_errors\"\nat = {at:?}\nlasts = {lasts:?}"
            );
        }
        for node in &fault.nodes {
            let kind = if fault.part == Part::Power { "power_loss" } else { "stub_open" };
            let held = |random: &mut ChaCha8Rng| uneven && random.random_bool(0.15);
            let own: Vec<(f64, f64)> = at
                .iter()
                .copied()
                .zip(lasts.iter().copied())
                .filter(|_| !held(&mut self.random))
                .collect();
            let (at, lasts): (Vec<f64>, Vec<f64>) = own.into_iter().unzip();
            if !at.is_empty() {
                let _ = writeln!(
                    self.troubles,
                    "[[trouble]]\nkind = \"{kind}\"\nnode = \"n{node}\"\nat = {at:?}\nlasts = \
                     {lasts:?}"
                );
            }
        }
        self.faults.push(fault);
    }

    fn times(&mut self, lasting: bool) -> (Vec<f64>, Vec<f64>) {
        if lasting {
            let at = self.random.random_range(90.0..130.0);
            self.taken.push(at);
            return (vec![at], vec![500.0]);
        }
        let count = self.random.random_range(2..=6);
        let mut at: Vec<f64> = (0..count).map(|_| self.random.random_range(40.0..150.0)).collect();
        at.sort_by(f64::total_cmp);
        at.dedup_by(|a, b| *a - *b < 9.0);
        at.retain(|at| self.taken.iter().all(|taken| (taken - at).abs() > 8.0));
        if at.is_empty() {
            at.push(35.0);
        }
        self.taken.extend(&at);
        let lasts = at.iter().map(|_| self.random.random_range(1.2..6.0)).collect();
        (at, lasts)
    }

    /// The elements as a wiring file.
    pub fn wiring(&self) -> String {
        Vehicle::written(self.elements.iter().enumerate())
    }

    /// The same with one mistake, as people make them: an element that was forgotten, or a node
    /// that stands under another element of its kind.
    pub fn mistaken(&self) -> String {
        let mut random = ChaCha8Rng::seed_from_u64(self.seed ^ 0x4D49_5354);
        let mut elements: Vec<(usize, Drawn)> = self.elements.iter().cloned().enumerate().collect();
        if random.random_bool(0.5) {
            elements.remove(random.random_range(0..elements.len()));
        } else {
            let from = random.random_range(0..elements.len());
            let kind = elements[from].1.kind;
            let others: Vec<usize> = (0..elements.len())
                .filter(|at| *at != from && elements[*at].1.kind == kind)
                .collect();
            let moved = elements[from].1.feeds.iter().next().copied();
            if let (Some(node), Some(to)) = (moved, others.first()) {
                elements[from].1.feeds.remove(&node);
                elements[*to].1.feeds.insert(node);
            }
            elements.retain(|own| own.1.kind == "terminator" || !own.1.feeds.is_empty());
        }
        Vehicle::written(elements.iter().map(|own| (own.0, &own.1)))
    }

    fn written<'a>(elements: impl Iterator<Item = (usize, &'a Drawn)>) -> String {
        let mut text = String::new();
        for (at, element) in elements {
            let key = if element.kind == "trunk" { "beyond" } else { "feeds" };
            let nodes: Vec<String> = element.feeds.iter().map(|node| format!("n{node}")).collect();
            let _ = writeln!(
                text,
                "[[element]]\nname = \"e{at}\"\nkind = \"{}\"\n{key} = {nodes:?}\naccess = \"cover \
                 {}\"\nminutes = {:.1}",
                element.kind, element.cover, element.minutes
            );
            if ["connector", "splice"].contains(&element.kind) {
                let _ = writeln!(text, "carries = {:?}", element.carries);
            }
        }
        text
    }

    /// What is to be simulated, and the roster of it.
    fn scenario(&mut self) -> (String, String) {
        let mut text = format!(
            "title = \"t\"\ninvented = true\nseed = {}\nstart = 1.79e9\nduration = {DURATION}\n\
             [[channel]]\nname = \"can0\"\nbit_rate = 500000\nstamp_noise = 0.00002\n",
            self.seed
        );
        let mut roster = String::new();
        for node in 0..self.nodes {
            let drift = -140.0 + 20.0 * node as f64 + self.random.random_range(-6.0..6.0);
            let boot: f64 = self.random.random_range(0.1..0.8);
            let _ = write!(
                text,
                "[[node]]\nname = \"n{node}\"\nchannel = \"can0\"\ndrift_ppm = {drift}\njitter = \
                 0.0002\nboot = {boot}\nmessages = [\n"
            );
            let _ =
                write!(roster, "[[node]]\nname = \"n{node}\"\nchannel = \"can0\"\nmessages = [\n");
            for message in 0..self.random.random_range(1..4_usize) {
                let period = [0.02, 0.05, 0.1, 0.2][self.random.random_range(0..4_usize)];
                let id = 0x100 + node * 0x20 + message * 7;
                let counter = match message == 0 || self.random.random_bool(0.4) {
                    true => ", counter = { byte = 1, width = 4 }",
                    false => "",
                };
                let _ = writeln!(text, "{{ id = \"{id:03X}\", period = {period}{counter} }},");
                let _ = writeln!(roster, "{{ id = \"0x{id:03X}\", period = {period} }},");
            }
            text += "]\n";
            roster += "]\n";
        }
        (text + &self.troubles, roster)
    }

    /// The capture, and the roster to read it with.
    pub fn recorded(&mut self) -> (Vec<u8>, Arc<RosterFile>) {
        let (scenario, roster) = self.scenario();
        let scenario = Scenario::parse(&scenario).unwrap_or_else(|e| panic!("{e}\n{scenario}"));
        let mut log = Vec::new();
        simulate::run(&scenario, &mut log).expect("memory");
        (log, Arc::new(RosterFile::parse(&roster).expect("a roster")))
    }

    /// What is found in a capture, with a wiring file or without.
    pub fn analysed(log: &[u8], roster: &Arc<RosterFile>, wiring: Option<&str>) -> Analysis {
        let wiring = wiring.map(|text| Arc::new(WiringFile::parse(text).expect("a wiring file")));
        let options = Options {
            roster: Some(Arc::clone(roster)),
            findings: Some(Explaining { wiring, ..Explaining::default() }),
            ..Options::default()
        };
        let source = Source::Bytes { name: "t".into(), bytes: log.to_vec() };
        lostnode::analyse(source, &options).expect("a capture")
    }

    /// What is found with the wiring file, and without it.
    pub fn analyses(&mut self) -> [Analysis; 2] {
        let (log, roster) = self.recorded();
        let wiring = self.wiring();
        [Some(wiring.as_str()), None].map(|wiring| Vehicle::analysed(&log, &roster, wiring))
    }

    /// Whether an element cannot be told from the one that failed: without it the same nodes stop,
    /// in the same manner. With `manner` left out, of a node that never came back, in any manner.
    pub fn is_alike(&self, fault: &Fault, at: usize, manner: bool) -> bool {
        let element = &self.elements[at];
        if fault.part == Part::Termination {
            return element.kind == "terminator";
        }
        let carries = |bus: bool| element.carries.iter().any(|what| (*what == "bus") == bus);
        let same = !manner || carries(fault.part == Part::Bus);
        element.kind != "terminator" && same && self.alone(at) == fault.nodes
    }
}
