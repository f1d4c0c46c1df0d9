//! Which losses are one outage, of what, and from when to when: captures made by hand with a roster
//! of their own, so that each time is known to the frame.

mod common;

use std::fmt::Write as _;

use common::lostnode;
use serde_json::Value;

/// Five nodes: the first two of two periodic messages each, the first with one that it sends now
/// and then.
const ROSTER: &str = r#"
# Made by hand, invented.
[[node]]
name = "front"
channel = "can0"
messages = [{ id = "0x100", period = 0.01 }, { id = "0x101", period = 0.05 }]
events = ["0x102"]
[[node]]
name = "rear"
channel = "can0"
messages = [{ id = "0x200", period = 0.02 }, { id = "0x201", period = 0.1 }]
[[node]]
name = "left"
channel = "can0"
messages = [{ id = "0x300", period = 0.02 }]
[[node]]
name = "right"
channel = "can0"
messages = [{ id = "0x400", period = 0.02 }]
[[node]]
name = "top"
channel = "can0"
messages = [{ id = "0x500", period = 0.05 }]
"#;

/// Identifier, period in milliseconds, first frame in milliseconds.
const SENT: [(u32, u64, u64); 8] = [
    (0x100, 10, 1),
    (0x101, 50, 3),
    (0x102, 7700, 500),
    (0x200, 20, 5),
    (0x201, 100, 7),
    (0x300, 20, 9),
    (0x400, 20, 13),
    (0x500, 50, 17),
];

/// The report of 60 s in which identifiers are silent from one millisecond to another.
fn report(silent: &[(u32, u64, u64)], more: &str) -> Value {
    report_of(silent, more, |_, at, step| (at, step))
}

/// The same where a frame of an identifier that is due at one millisecond with one value of its
/// counter is sent at another with another.
fn report_of(
    silent: &[(u32, u64, u64)],
    more: &str,
    sent: impl Fn(u32, u64, u64) -> (u64, u64),
) -> Value {
    let mut frames: Vec<(u64, u32, u64)> = Vec::new();
    for (id, period, first) in SENT {
        let due =
            (0..).map(|step| (first + step * period, step)).take_while(|(at, _)| *at < 60_000);
        let heard = due.filter(|(at, _)| {
            !silent.iter().any(|(silent, from, to)| *silent == id && (*from..*to).contains(at))
        });
        frames
            .extend(heard.map(|(at, step)| sent(id, at, step)).map(|(at, count)| (at, id, count)));
    }
    frames.sort_unstable();
    let mut text = more.to_owned();
    for (at, id, count) in frames {
        writeln!(
            text,
            "({}.{:03}000) can0 {id:03X}#{:02X}{:014X}",
            1000 + at / 1000,
            at % 1000,
            count % 256,
            at / 3
        )
        .unwrap();
    }
    // What is added has its place in time: a log that begins later would be a clock set back.
    let mut lines: Vec<&str> = text.lines().collect();
    lines.sort_by_key(|line| line.split(')').next());
    let text = lines.join("\n") + "\n";
    let folder = tempfile::tempdir().unwrap();
    let (capture, roster) = (folder.path().join("capture.log"), folder.path().join("roster.toml"));
    std::fs::write(&capture, text).unwrap();
    std::fs::write(&roster, ROSTER).unwrap();
    let output = lostnode()
        .arg("report")
        .arg(&capture)
        .arg("--roster")
        .arg(&roster)
        .args(["--format", "json"])
        .output()
        .unwrap();
    serde_json::from_slice(&output.stdout)
        .unwrap_or_else(|_| panic!("{}", String::from_utf8_lossy(&output.stderr)))
}

/// Scope, nodes, identifiers, start and length in milliseconds, and whether it lasts beyond the
/// end.
type Outage<'a> = (&'a str, &'a [&'a str], &'a [&'a str], i64, i64, bool);

#[track_caller]
fn check(silent: &[(u32, u64, u64)], expected: &[Outage<'_>]) -> Value {
    let document = report(silent, "");
    let names = |value: &Value| {
        value
            .as_array()
            .unwrap()
            .iter()
            .map(|name| name.as_str().unwrap().to_owned())
            .collect::<Vec<_>>()
    };
    let milliseconds = |value: &Value| (value.as_f64().unwrap() * 1000.0).round() as i64;
    let found: Vec<_> = document["outages"]
        .as_array()
        .unwrap()
        .iter()
        .map(|outage| {
            (
                outage["scope"].as_str().unwrap().to_owned(),
                names(&outage["nodes"]),
                names(&outage["ids"]),
                milliseconds(&outage["start"]) - 1_000_000,
                milliseconds(&outage["duration_s"]),
                outage["ongoing_at_end"].as_bool().unwrap(),
            )
        })
        .collect();
    let own = |list: &[&str]| list.iter().map(|name| (*name).to_owned()).collect::<Vec<_>>();
    let expected: Vec<_> = expected
        .iter()
        .map(|(scope, nodes, ids, start, length, ongoing)| {
            ((*scope).to_owned(), own(nodes), own(ids), *start, *length, *ongoing)
        })
        .collect();
    assert_eq!(found, expected);
    document
}

#[track_caller]
fn says(document: &Value, outage: usize, sentence: &str) {
    let evidence = document["outages"][outage]["evidence"].to_string();
    assert!(evidence.contains(sentence), "{sentence:?} is not in {evidence}");
}

#[track_caller]
fn says_nothing_of(document: &Value, outage: usize, words: &str) {
    let evidence = document["outages"][outage]["evidence"].to_string();
    assert!(!evidence.contains(words), "{words:?} is in {evidence}");
}

const FRONT: [&str; 2] = ["0x100", "0x101"];

/// A node is silent from the last frame of any of its messages to the first.
#[test]
fn a_whole_node() {
    let document = check(
        &[(0x100, 24_000, 28_000), (0x101, 24_000, 28_000)],
        &[("node", &["front"], &FRONT, 23_991, 4010, false)],
    );
    says(
        &document,
        0,
        "2 periodic identifiers missed at least 80 frames each; the fastest is sent every 10 ms",
    );
    says(&document, 0, "its other identifier was not heard in that time either");
    says_nothing_of(&document, 0, "came back over");
    says_nothing_of(&document, 0, "error report");
    // 0x101 stops by itself a little earlier, and comes back a little later: together with the
    // other it is the node.
    check(
        &[(0x100, 24_000, 28_000), (0x101, 23_700, 28_400)],
        &[("node", &["front"], &FRONT, 23_991, 4010, false)],
    );
    // Where some of it comes back much later, that is said.
    let lost = [(0x100, 24_000, 28_000), (0x101, 24_000, 29_000)];
    let document = check(&lost, &[("node", &["front"], &FRONT, 23_991, 4010, false)]);
    says(&document, 0, "its identifiers came back over 1.00 s");
    // What it sends now and then ends the silence too.
    let document = check(
        &[(0x100, 20_000, 26_000), (0x101, 20_000, 26_000), (0x102, 16_000, 30_000)],
        &[("node", &["front"], &FRONT, 19_991, 6010, false)],
    );
    says(&document, 0, "2 periodic identifiers");
    // … and begins it, where it comes just before the others return or just after they stop.
    check(
        &[(0x100, 23_595, 28_000), (0x101, 23_595, 28_000)],
        &[("node", &["front"], &FRONT, 23_600, 4401, false)],
    );
    check(
        &[(0x100, 26_000, 31_310), (0x101, 26_000, 31_310)],
        &[("node", &["front"], &FRONT, 25_991, 5309, false)],
    );
    let lost = [(0x100, 50_000, 60_000), (0x101, 50_000, 60_000), (0x102, 50_000, 60_000)];
    let document = check(&lost, &[("node", &["front"], &FRONT, 49_991, 10_002, true)]);
    says_nothing_of(&document, 0, "anew");
    let document =
        check(&[(0x300, 20_000, 24_000)], &[("node", &["left"], &["0x300"], 19_989, 4020, false)]);
    says_nothing_of(&document, 0, "other identifier");
}

/// Both nodes of a branch ran on or both started anew; where they differ, the cause stays open.
#[test]
fn causes_that_differ() {
    let lost = [(0x300, 20_000, 24_000), (0x400, 20_000, 24_000)];
    let cause = |anew: &[u32]| {
        let restart = |id, at, step| {
            if at > 22_000 && anew.contains(&id) {
                (at + 7, (at - 24_000) / 20)
            } else {
                (at, step)
            }
        };
        let document = report_of(&lost, "", restart);
        assert_eq!(document["outages"].as_array().unwrap().len(), 1, "{}", document["outages"]);
        document["outages"][0]["cause"].as_str().unwrap().to_owned()
    };
    assert_eq!(
        [cause(&[]), cause(&[0x300, 0x400]), cause(&[0x400])],
        ["open_circuit", "lost_power", "unknown"]
    );
}

/// Some messages of a node that goes on.
#[test]
fn a_part_of_a_node() {
    let document = check(
        &[(0x101, 20_000, 24_000)],
        &[("identifier", &["front"], &["0x101"], 19_953, 4050, false)],
    );
    says(&document, 0, "1 periodic identifier missed at least 80 frames");
    says(&document, 0, "front went on with 2 other identifiers, such as 0x100");
    // 0x102 comes in the middle: the node was alive.
    let document = check(
        &[(0x100, 20_000, 26_000), (0x101, 20_000, 26_000)],
        &[("identifier", &["front"], &FRONT, 19_991, 6010, false)],
    );
    says(&document, 0, "front went on with 1 other identifier, such as 0x102");
}

/// Losses of one node that begin seconds apart are two.
#[test]
fn losses_that_do_not_begin_together() {
    check(
        &[(0x100, 20_000, 30_000), (0x101, 26_000, 36_000), (0x102, 16_000, 40_000)],
        &[
            ("identifier", &["front"], &["0x100"], 19_991, 10_010, false),
            ("identifier", &["front"], &["0x101"], 25_953, 10_050, false),
        ],
    );
}

/// Nodes that fall silent and return together are a branch; others are not.
#[test]
fn a_branch() {
    let both = |from, to| [(0x300, from, to), (0x400, from, to)];
    let branch = &["left", "right"];
    let document = check(
        &both(20_000, 24_000),
        &[("branch", branch, &["0x300", "0x400"], 19_993, 4016, false)],
    );
    says(
        &document,
        0,
        "2 modules fell silent within 0.00 s of each other while 3 others on the channel went on",
    );
    says(&document, 0, "they came back within 0.00 s of each other");
    // Control units start up at different speeds, but not by four seconds.
    let document = check(
        &[(0x300, 20_000, 24_000), (0x400, 20_000, 26_000)],
        &[("branch", branch, &["0x300", "0x400"], 19_993, 4016, false)],
    );
    says(&document, 0, "they came back within 2.00 s of each other");
    check(
        &[(0x300, 20_000, 28_000), (0x400, 20_000, 32_000)],
        &[
            ("node", &["left"], &["0x300"], 19_989, 8020, false),
            ("node", &["right"], &["0x400"], 19_993, 12_020, false),
        ],
    );
    // A tenth of a second and their periods may lie between the beginnings.
    check(
        &[(0x300, 20_000, 24_000), (0x400, 20_120, 24_000)],
        &[("branch", branch, &["0x300", "0x400"], 20_113, 3896, false)],
    );
    // Two that begin half a second apart have nothing to do with each other.
    check(
        &[(0x300, 20_000, 24_000), (0x400, 20_500, 24_000)],
        &[
            ("node", &["left"], &["0x300"], 19_989, 4020, false),
            ("node", &["right"], &["0x400"], 20_493, 3520, false),
        ],
    );
    // One that does not return is not of the others.
    check(
        &[(0x300, 56_000, 60_000), (0x400, 56_000, 58_000)],
        &[
            ("node", &["left"], &["0x300"], 55_989, 4004, true),
            ("node", &["right"], &["0x400"], 55_993, 2020, false),
        ],
    );
}

/// Error reports about the bus near the beginning are named, the logger's own are not.
#[test]
fn error_reports_near_it() {
    // Protocol violations 1.5 s and 0.5 s before, 0.5 s and 1.5 s after the loss begins, and an
    // overflow of the logger.
    let errors = "(1018.500000) can0 20000008#0000040000000000\n(1019.500000) can0 20000008#0000040000000000\n(1020.500000) can0 20000008#0000040000000000\n(1021.500000) can0 20000008#0000040000000000\n(1020.100000) can0 20000004#0001000000000000\n";
    let document = report(&[(0x100, 20_000, 24_000), (0x101, 20_000, 24_000)], errors);
    says(&document, 0, "2 error reports about the bus within 1 s of its start");
}

/// A node that a sleep of its channel hides says how long it was asked for, and how long nobody was
/// there.
#[test]
fn a_node_that_does_not_wake() {
    let asleep = || SENT.iter().map(|(id, ..)| (*id, 20_000, 30_000));
    let with = |left_until| {
        asleep()
            .filter(|(id, ..)| *id != 0x300)
            .chain([(0x300, 20_000, left_until)])
            .collect::<Vec<_>>()
    };
    let of_left = |document: &Value| {
        let outages = document["outages"].as_array().unwrap();
        outages
            .iter()
            .position(|outage| outage["nodes"] == serde_json::json!(["left"]))
            .unwrap_or_else(|| panic!("{outages:#?}"))
    };
    let document = report(&with(50_000), "");
    let left = of_left(&document);
    says(&document, left, "it was heard 20.01 s after the channel woke");
    says(&document, left, "not counting 10.01 s in which the whole channel was silent");
    assert_eq!(document["outages"].as_array().unwrap().len(), 2);
    says_nothing_of(&document, 1 - left, "whole channel was silent");
    let document = report(&with(60_000), "");
    says(&document, of_left(&document), "it was not heard in the 29.99 s after the channel woke");
    // One that is lost long after the sleep has nothing to do with it.
    let document = report(&asleep().chain([(0x300, 40_000, 44_000)]).collect::<Vec<_>>(), "");
    let left = of_left(&document);
    says_nothing_of(&document, left, "channel");
}
