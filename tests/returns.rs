//! How modules come back, and what that says of who sends what and of the cause: for each wrong
//! finding on vehicles that others invented the smallest capture that brings it about. All data is
//! invented.

mod common;
#[path = "common/five_nodes.rs"]
mod five_nodes;

use std::fmt::Write as _;

use common::report;
use five_nodes::ranked;
use serde_json::Value;

/// Three other modules that are there throughout: identifier, period and phase in milliseconds.
const OTHERS: [(&str, i64, i64); 4] =
    [("100", 20, 1), ("140", 20, 7), ("240", 100, 13), ("280", 100, 29)];

/// Frames in microseconds, with a scatter of 0.1 ms.
struct Bus {
    frames: Vec<(i64, String)>,
    random: u32,
}

impl Bus {
    fn new() -> Self {
        Bus { frames: Vec::new(), random: 1 }
    }

    /// Sends from one time to another, in milliseconds, with a clock that is so many parts in a
    /// million slow.
    fn send(&mut self, id: &str, (period, phase): (i64, i64), ppm: i64, (from, to): (i64, i64)) {
        let due = (0..).map(|step| phase * 1000 + step * (period * 1000 + period * ppm / 1000));
        for at in due.take_while(|at| *at < to * 1000).filter(|at| *at >= from * 1000) {
            self.random = self.random.wrapping_mul(1_664_525).wrapping_add(1_013_904_223);
            self.frames.push((at + i64::from(self.random >> 8) * 100 / (1 << 24), id.to_owned()));
        }
    }

    fn others(&mut self, from: i64, to: i64) {
        for (at, (id, period, phase)) in OTHERS.into_iter().enumerate() {
            self.send(id, (period, phase + from), 40 * at as i64 - 60, (from, to));
        }
    }

    fn document(mut self) -> Value {
        self.frames.sort_unstable();
        let line = |mut text: String, (at, id): &(i64, String)| {
            let (whole, part) = (1000 + at / 1_000_000, at % 1_000_000);
            writeln!(text, "({whole}.{part:06}) can0 {id}#A50000").unwrap();
            text
        };
        let text = self.frames.iter().fold(String::new(), line);
        let folder = tempfile::tempdir().unwrap();
        let path = folder.path().join("capture.log");
        std::fs::write(&path, text).unwrap();
        report(&path, &[]).1
    }
}

/// The nodes that send identifiers, by the JSON document.
fn senders(document: &Value, id: &str) -> Vec<String> {
    let nodes = document["nodes"].as_array().unwrap().iter();
    let own = nodes.filter(|node| node["ids"].as_array().unwrap().contains(&Value::from(id)));
    own.map(|node| node["ids"].to_string()).collect()
}

/// Of a slow identifier the frame that waited in a buffer may come nearer than half a period before
/// the next one that is due. It has no phase, and does not look like a new start.
#[test]
fn a_frame_that_waited_has_no_phase() {
    let mut bus = Bus::new();
    bus.others(0, 90_000);
    for (id, period, phase) in [("18E", 400, 37), ("19C", 500, 111)] {
        for (from, to) in [(0, 30_000), (33_450, 52_000), (56_280, 71_000), (79_480, 90_000)] {
            bus.send(id, (period, phase), 50, (from, to));
            if from > 0 {
                bus.frames.push((from * 1000, id.to_owned()));
            }
        }
    }
    let document = bus.document();
    let found = ranked(&document);
    assert_eq!(found[0].0, "module_connector", "{found:#?}");
}

/// A module that is still unheard when the whole bus stops starts anew with everybody: that does
/// not say that it was its own supply that failed.
#[test]
fn a_start_with_the_whole_bus_tells_nothing() {
    let mut bus = Bus::new();
    let own = [("180", 50, 3), ("187", 100, 11), ("18E", 100, 37)];
    bus.others(0, 75_000);
    bus.others(83_000, 120_000);
    for (id, period, phase) in own {
        for (from, to) in [(0, 30_000), (33_400, 52_000), (54_100, 70_000)] {
            bus.send(id, (period, phase), 50, (from, to));
        }
        bus.send(id, (period, phase + 83_000), 50, (83_000, 120_000));
    }
    let document = bus.document();
    let found = ranked(&document);
    assert!(!found.iter().any(|(class, _, p)| class == "module_power" && *p > 0.3), "{found:#?}");
}

/// Starts of two identifiers, in milliseconds, and the losses before them.
fn started(second: [i64; 4]) -> Value {
    let mut bus = Bus::new();
    bus.others(0, 100_000);
    let starts = [22_317, 41_733, 63_151, 81_372];
    let ends = [20_000, 40_000, 60_000, 80_000, 100_000];
    for (turn, end) in ends.into_iter().enumerate() {
        let begin = if turn == 0 { 0 } else { starts[turn - 1] };
        let after = if turn == 0 { 7 } else { second[turn - 1] };
        bus.send("180", (100, begin), 50, (begin, end));
        // It waits behind another sender's frames, which drift past, and seems to have a clock of
        // its own.
        bus.send("1A0", (100, begin + after), 150, (begin, end));
    }
    bus.document()
}

/// A module sends its first frames at the same distances each time it starts; two modules that one
/// supply brings back do not, and then their clocks tell them apart.
#[test]
fn starts_at_one_distance_are_of_one_module() {
    let one = started([7, 7, 7, 7]);
    assert_eq!(senders(&one, "0x180"), [r#"["0x180","0x1A0"]"#]);
    assert_eq!(ranked(&one)[0].0, "module_power", "{:?}", ranked(&one));
    let two = started([7, 21, 2, 16]);
    assert_eq!(senders(&two, "0x180"), [r#"["0x180"]"#]);
    assert_eq!(ranked(&two)[0].0, "shared_supply", "{:?}", ranked(&two));
}

/// A bad contact lets single frames through, so a short loss of one identifier is none of another.
#[test]
fn single_frames_that_get_through_make_no_second_module() {
    let mut bus = Bus::new();
    bus.others(0, 100_000);
    let losses = [(20_000, 22_700), (40_000, 41_900), (41_990, 42_230), (60_000, 63_100)];
    for (id, phase) in [("180", 3), ("190", 9), ("1A0", 15)] {
        let mut begin = 0;
        for (number, (from, to)) in losses.into_iter().enumerate() {
            bus.send(id, (20, phase), 50, (begin, from));
            // One frame of the first in the midst of the short one.
            if number == 2 && id == "180" {
                bus.send(id, (20, phase), 50, (42_100, 42_120));
            }
            begin = to;
        }
        bus.send(id, (20, phase), 50, (begin, 100_000));
    }
    let document = bus.document();
    assert_eq!(senders(&document, "0x180"), [r#"["0x180","0x190","0x1A0"]"#]);
}
