//! Who sends what, where several grounds meet: clocks that agree by chance, branches, shared
//! silences, a roster file. Captures made by hand, each clock exact.

mod common;

use std::fmt::Write as _;

use common::report;
use serde_json::Value;

/// An identifier as logs write it, its period and first frame in microseconds, and how many parts
/// in a million its clock is slow.
type Sent = (&'static str, u64, u64, f64);

/// Two nodes of two messages each, whose clocks differ by 90 ppm, and a third one that is slower
/// still.
const A: [Sent; 2] = [("100", 20_000, 1_000, 50.0), ("110", 100_000, 3_100, 50.0)];
const B: [Sent; 2] = [("200", 20_000, 5_200, -40.0), ("210", 50_000, 7_300, -40.0)];
const C: [Sent; 2] = [("300", 20_000, 9_400, 120.0), ("310", 100_000, 11_500, 120.0)];

/// A capture of so many seconds in which identifiers are silent from one second to another, and
/// some are sent with 3 ms of scatter to either side, too much for their clocks to show.
fn made(sent: &[Sent], seconds: f64, silent: &[(&str, f64, f64)], rough: &[&str]) -> String {
    let mut frames: Vec<(u64, &str)> = Vec::new();
    let mut noise = 1_u32;
    for (id, period, first, ppm) in sent {
        let at =
            |step: u64| first + (step as f64 * *period as f64 * (1.0 + ppm / 1e6)).round() as u64;
        let due = (0..).map(at).take_while(|at| *at < (seconds * 1e6) as u64);
        let lost = |at: &u64| {
            silent
                .iter()
                .any(|(own, from, to)| own == id && (*from..*to).contains(&(*at as f64 / 1e6)))
        };
        for at in due.filter(|at| !lost(at)) {
            noise = noise.wrapping_mul(1_664_525).wrapping_add(1_013_904_223);
            let late = if rough.contains(id) { (u64::from(noise >> 8) * 6_000) >> 24 } else { 0 };
            frames.push((at + late, id));
        }
    }
    frames.sort_unstable();
    frames.iter().fold(String::new(), |mut text, (at, id)| {
        writeln!(text, "({}.{:06}) can0 {id}#AA", 1000 + at / 1_000_000, at % 1_000_000).unwrap();
        text
    })
}

/// The same silence of several.
fn lost(ids: &[&'static str], from: f64, to: f64) -> Vec<(&'static str, f64, f64)> {
    ids.iter().map(|id| (*id, from, to)).collect()
}

/// Nodes as `name: identifiers by grounds, confidence in hundredths`.
#[track_caller]
fn nodes(capture: &str, roster: Option<&str>) -> Vec<String> {
    let folder = tempfile::tempdir().unwrap();
    let (path, file) = (folder.path().join("capture.log"), folder.path().join("roster.toml"));
    std::fs::write(&path, capture).unwrap();
    let mut arguments = Vec::new();
    if let Some(roster) = roster {
        std::fs::write(&file, roster).unwrap();
        arguments = vec!["--roster", file.to_str().unwrap()];
    }
    let list = |value: &Value| {
        value
            .as_array()
            .unwrap()
            .iter()
            .map(|name| name.as_str().unwrap())
            .collect::<Vec<_>>()
            .join(" ")
    };
    let (_, document) = report(&path, &arguments);
    let node = |node: &Value| {
        format!(
            "{}: {} by {}, {:.0}",
            node["name"].as_str().unwrap(),
            list(&node["ids"]),
            list(&node["basis"]),
            node["confidence"].as_f64().unwrap() * 100.0
        )
    };
    document["nodes"].as_array().unwrap().iter().map(node).collect()
}

/// The nodes of a minute of all three.
#[track_caller]
fn nodes_of_all(silent: &[(&str, f64, f64)]) -> Vec<String> {
    nodes(&made(&[A, B, C].concat(), 60.0, silent, &[]), None)
}

const BY_CLOCK: [&str; 3] = [
    "node of 0x200: 0x200 0x210 by clock, 99",
    "node of 0x100: 0x100 0x110 by clock, 99",
    "node of 0x300: 0x300 0x310 by clock, 99",
];

/// What falls silent together confirms what the clocks say; of nodes on one branch it confirms each
/// by itself.
#[test]
fn clocks_and_silences() {
    assert_eq!(nodes_of_all(&[]), BY_CLOCK);
    let confirmed = "node of 0x100: 0x100 0x110 by clock shared_silence, 99";
    assert_eq!(
        nodes_of_all(&lost(&A.map(|sent| sent.0), 20.0, 24.0)),
        [BY_CLOCK[0], confirmed, BY_CLOCK[2]]
    );
    let branch = nodes_of_all(&lost(&["100", "110", "200", "210"], 20.0, 24.0));
    assert_eq!(
        branch,
        ["node of 0x200: 0x200 0x210 by clock shared_silence, 99", confirmed, BY_CLOCK[2]]
    );
    // One that falls silent with another node, while the rest of its own goes on, tells nothing of
    // its own.
    assert_eq!(
        nodes_of_all(&lost(&["100", "110", "200"], 20.0, 24.0)),
        [BY_CLOCK[0], confirmed, BY_CLOCK[2]]
    );
    assert_eq!(nodes_of_all(&lost(&["100", "200"], 20.0, 24.0)), BY_CLOCK);
}

/// Clocks 2 ppm apart are told apart less surely; a silence in common halves the doubt.
#[test]
fn doubt() {
    let near = B.map(|(id, period, first, _)| (id, period, first, 52.0));
    let both = [A, near].concat();
    let doubted =
        ["node of 0x100: 0x100 0x110 by clock, 79", "node of 0x200: 0x200 0x210 by clock, 79"];
    assert_eq!(nodes(&made(&both, 60.0, &[], &[]), None), doubted);
    let less = nodes(&made(&both, 60.0, &lost(&["100", "110"], 20.0, 24.0), &[]), None);
    assert_eq!(less, ["node of 0x100: 0x100 0x110 by clock shared_silence, 89", doubted[1]]);
}

/// From five minutes on, clocks 0.5 ppm apart are told apart by the differences of their offsets,
/// and one whose frames always wait for others of its node is placed with it; in four they are not.
#[test]
fn twins() {
    let twin = B.map(|(id, period, first, _)| (id, period, first, 50.5));
    let burst = [("400", 10_000, 9_000, 120.0), ("401", 10_000, 9_250, 120.0)];
    let of = |seconds| nodes(&made(&[A, twin, burst].concat(), seconds, &[], &[]), None);
    let ids = |names: &[String]| -> Vec<String> {
        names.iter().map(|name| name.split(" by ").next().unwrap().to_owned()).collect()
    };
    assert_eq!(
        ids(&of(330.0)),
        ["node of 0x100: 0x100 0x110", "node of 0x200: 0x200 0x210", "node of 0x400: 0x400 0x401"]
    );
    assert_eq!(
        ids(&of(240.0)),
        ["node of 0x100: 0x100 0x110 0x200 0x210", "node of 0x400: 0x400 0x401"]
    );
}

/// Two nodes whose clocks agree by chance are one until a part of them falls silent and the rest
/// goes on.
#[test]
fn clocks_that_agree_by_chance() {
    let alike = B.map(|(id, period, first, _)| (id, period, first, 50.0));
    let both = [A, alike, C].concat();
    let found = |silent: &[(&str, f64, f64)]| nodes(&made(&both, 60.0, silent, &[]), None);
    assert_eq!(found(&[]), ["node of 0x100: 0x100 0x110 0x200 0x210 by clock, 99", BY_CLOCK[2]]);
    let parted = found(&lost(&["100", "110"], 20.0, 24.0));
    let rest = "node of 0x200: 0x200 0x210 by clock, 70";
    assert_eq!(parted, [rest, BY_CLOCK[2], "node of 0x100: 0x100 0x110 by shared_silence, 50"]);
    let twice = [lost(&["100", "110"], 20.0, 24.0), lost(&["100", "110"], 40.0, 43.0)].concat();
    assert_eq!(
        found(&twice),
        [rest, BY_CLOCK[2], "node of 0x100: 0x100 0x110 by shared_silence, 75"]
    );
    // B's own loss at another time changes nothing of that.
    let each = [lost(&["100", "110"], 20.0, 24.0), lost(&["200", "210"], 40.0, 44.0)].concat();
    let b = "node of 0x200: 0x200 0x210 by clock shared_silence, 85";
    assert_eq!(found(&each), [b, BY_CLOCK[2], "node of 0x100: 0x100 0x110 by shared_silence, 50"]);
    // Where both slow ones come every 0.1 s they have no chance to miss a quarter of a second.
    let seldom = [A, [alike[0], ("210", 100_000, 7_300, 50.0)], C].concat();
    let short = lost(&["100", "200"], 20.0, 20.25);
    let together = "node of 0x100: 0x100 0x110 0x200 0x210 by clock shared_silence, 99";
    let slow = |silent: &[(&str, f64, f64)]| nodes(&made(&seldom, 60.0, silent, &[]), None);
    assert_eq!(slow(&short), [together, BY_CLOCK[2]]);
    // Nor had they in what another node lost.
    let more = [short.clone(), lost(&["300", "310"], 40.0, 44.0)].concat();
    assert_eq!(slow(&more), [together, "node of 0x300: 0x300 0x310 by clock shared_silence, 99"]);
    // One that is heard five times in it went on.
    let rest = "node of 0x110: 0x110 0x210 by clock, 70";
    let parted = "node of 0x100: 0x100 0x200 by shared_silence, 50";
    assert_eq!(found(&short), [rest, BY_CLOCK[2], parted]);
}

/// Clocks too rough to place may still be surely different: two nodes of one branch.
#[test]
fn a_branch_of_rough_clocks() {
    let slow = [("500", 20_000, 6_000, 900.0), ("510", 100_000, 8_000, 900.0)];
    let ids = ["100", "110", "500", "510"];
    let found = nodes(&made(&[A, slow, C].concat(), 60.0, &lost(&ids, 20.0, 24.0), &ids), None);
    let by_silence = [
        "node of 0x500: 0x500 0x510 by shared_silence, 50",
        "node of 0x100: 0x100 0x110 by shared_silence, 50",
    ];
    assert_eq!(found[1..], by_silence);
    // What is further off than any oscillator is a task with a period of its own, of either.
    let task = slow.map(|(id, period, first, _)| (id, period, first, 1900.0));
    let found = nodes(&made(&[A, task, C].concat(), 60.0, &lost(&ids, 20.0, 24.0), &ids), None);
    assert_eq!(found[1..], ["node of 0x100: 0x100 0x110 0x500 0x510 by shared_silence, 50"]);
}

/// How long a frame waits follows the load: an identifier that waits 2 ms longer at the end of a
/// minute than at its beginning has no other clock for that.
#[test]
fn a_wait_that_grows_is_no_other_clock() {
    let grows = [A[0], ("110", 100_000, 3_100, 50.0 + 2_000.0 / 60.0)];
    let ids = ["100", "110"];
    let found = nodes(&made(&[&grows[..], &C].concat(), 60.0, &lost(&ids, 20.0, 24.0), &ids), None);
    assert_eq!(found, [BY_CLOCK[2], "node of 0x100: 0x100 0x110 by shared_silence, 50"]);
}

/// Who runs on unheard, as behind a branch that opens and closes, has one clock through all its
/// silences: two modules are told apart that no stretch between two silences could part.
#[test]
fn who_ran_on_has_one_clock_through_its_silences() {
    let ids = ["100", "110", "200", "210"];
    let lost: Vec<_> = (0..9)
        .flat_map(|at| lost(&ids, 4.0 + 6.0 * f64::from(at), 6.0 + 6.0 * f64::from(at)))
        .collect();
    let found = |ppm: f64| {
        let other = B.map(|(id, period, first, _)| (id, period, first, ppm));
        nodes(&made(&[A, other, C].concat(), 60.0, &lost, &ids), None)
    };
    let parted = [
        "node of 0x100: 0x100 0x110 by shared_silence, 95",
        "node of 0x200: 0x200 0x210 by shared_silence, 95",
    ];
    let mut apart = found(-250.0)[1..].to_vec();
    apart.sort();
    assert_eq!(apart, parted);
    let together = "node of 0x100: 0x100 0x110 0x200 0x210 by shared_silence, 95";
    assert_eq!(found(50.0)[1..], [together]);
}

/// A message whose period no clock can be told from is of the node that it falls silent with, and
/// no second one; one whose clock is surely different stays apart.
#[test]
fn a_lone_identifier_is_of_the_node_that_it_leaves_with() {
    let lone = |period, ppm| {
        let all = [&A[..], &C, &[("120", period, 6_300, ppm)]].concat();
        nodes(&made(&all, 60.0, &lost(&["100", "110", "120"], 20.0, 24.0), &[]), None)
    };
    let own = "node of 0x100: 0x100 0x110 0x120 by clock shared_silence, 75";
    assert_eq!(lone(48_300, 50.0), [own, BY_CLOCK[2]]);
    assert_eq!(lone(50_000, -40.0).len(), 3, "{:?}", lone(50_000, -40.0));
}

/// One whose clock is too rough joins the clock that falls silent with it.
#[test]
fn a_rough_clock_joins() {
    let found =
        |silent: &[(&str, f64, f64)]| nodes(&made(&[A, C].concat(), 60.0, silent, &["110"]), None);
    assert_eq!(found(&[]), ["node of 0x100: 0x100 by clock, 70", BY_CLOCK[2]]);
    let joined = found(&lost(&["100", "110"], 20.0, 24.0));
    assert_eq!(joined, ["node of 0x100: 0x100 0x110 by clock shared_silence, 50", BY_CLOCK[2]]);
}

/// The nodes of so many seconds of all three and some more, where no clock shows.
#[track_caller]
fn rough_nodes(more: &[Sent], seconds: f64, silent: &[(&str, f64, f64)]) -> Vec<String> {
    let all = [&A[..], &B, &C, more].concat();
    let ids: Vec<&str> = all.iter().map(|sent| sent.0).collect();
    nodes(&made(&all, seconds, silent, &ids), None)
}

/// Where no clock shows, silences tell alone.
#[test]
fn silences_alone() {
    let found = |silent: &[(&str, f64, f64)]| rough_nodes(&[], 40.0, silent);
    let none: [&str; 0] = [];
    let a =
        |hundredths: u32| [format!("node of 0x100: 0x100 0x110 by shared_silence, {hundredths}")];
    assert_eq!(found(&[]), none);
    let once = lost(&["100", "110"], 20.0, 24.0);
    assert_eq!(found(&once), a(50));
    assert_eq!(found(&[once.clone(), lost(&["100", "110"], 30.0, 34.0)].concat()), a(75));
    // Each silence must be of both, unless one of them had no chance to miss it.
    assert_eq!(found(&[lost(&["100"], 20.0, 24.0), lost(&["110"], 30.0, 34.0)].concat()), none);
    assert_eq!(found(&[once.clone(), lost(&["110"], 30.0, 34.0)].concat()), none);
    assert_eq!(found(&[once.clone(), lost(&["100"], 30.0, 34.0)].concat()), none);
    assert_eq!(found(&[once, lost(&["100"], 30.0, 30.3)].concat()), a(75));
    // They begin together; while the node starts up, up to a second may lie between their returns.
    assert_eq!(found(&[lost(&["100"], 20.0, 24.0), lost(&["110"], 20.0, 25.0)].concat()), a(50));
    assert_eq!(found(&[lost(&["100"], 20.0, 24.0), lost(&["110"], 20.0, 25.6)].concat()), none);
    assert_eq!(found(&[lost(&["100"], 20.0, 24.0), lost(&["110"], 20.5, 24.0)].concat()), none);
    let b = "node of 0x200: 0x200 0x210 by shared_silence, 50".to_owned();
    let both = [lost(&["100", "110"], 20.0, 24.0), lost(&["200", "210"], 30.0, 34.0)].concat();
    assert_eq!(found(&both), [b, a(50)[0].clone()]);
}

/// So do starts, where they are late and shared, and most others had long been there.
#[test]
fn late_starts() {
    let found = |silent: &[(&str, f64, f64)]| rough_nodes(&[], 40.0, silent);
    let none: [&str; 0] = [];
    assert_eq!(
        found(&lost(&["100", "110"], 0.0, 12.0)),
        ["node of 0x100: 0x100 0x110 by shared_silence, 50"]
    );
    assert_eq!(found(&[lost(&["100"], 0.0, 12.0), lost(&["110"], 0.0, 12.5)].concat()), none);
    assert_eq!(found(&lost(&["100", "110"], 0.0, 4.0)), none);
    assert_eq!(found(&lost(&["100", "110", "200", "210"], 0.0, 12.0)), none);
    // What comes once a second is late after ten of its periods.
    let slow = [("500", 1_000_000, 6_000, 0.0), ("510", 1_000_000, 8_000, 0.0)];
    let found = |from| rough_nodes(&slow, 60.0, &lost(&["500", "510"], 0.0, from));
    assert_eq!(found(8.5), none);
    assert_eq!(found(9.5), ["node of 0x500: 0x500 0x510 by shared_silence, 50"]);
}

/// Addresses come first, whatever was heard first.
#[test]
fn addresses() {
    let wide: [Sent; 2] = [("18FEF101", 100_000, 13_000, 0.0), ("0CF00401", 20_000, 17_000, 0.0)];
    let found = nodes(&made(&[A, wide].concat(), 60.0, &[], &[]), None);
    assert_eq!(found, ["address 0x01: 0x0CF00401 0x18FEF101 by address, 95", BY_CLOCK[1]]);
}

/// On a bus that speaks SAE J1939 a roster that names a part of what an address sends names its
/// sender; where two of its nodes send from one address, nothing tells whose the rest is.
#[test]
fn a_roster_of_a_part_of_an_address() {
    let wide: [Sent; 3] = [
        ("18FEF101", 100_000, 13_000, 0.0),
        ("0CF00401", 20_000, 17_000, 0.0),
        ("18FEEE01", 1_000_000, 19_000, 0.0),
    ];
    let named = |name: &str, id: &str| {
        format!(
            "[[node]]\nname = \"{name}\"\nchannel = \"can0\"\nmessages = [{{ id = \"{id}\", period = 0.1 }}]\n"
        )
    };
    let found =
        |roster: &str| nodes(&made(&[A.as_slice(), &wide].concat(), 60.0, &[], &[]), Some(roster));
    let one = found(&named("engine", "0x0CF00401"));
    assert!(one[0].starts_with("engine: 0x0CF00401 0x18FEEE01 0x18FEF101 by roster"), "{one:?}");
    let two = found(&(named("engine", "0x0CF00401") + &named("retarder", "0x18FEF101")));
    assert!(two.iter().any(|node| node.starts_with("address 0x01: 0x18FEEE01")), "{two:?}");
}

/// A roster by hand lists no network management. What falls silent with one module of it is that
/// module's; with two, or with a gateway, it is nobody's.
#[test]
fn what_a_roster_by_hand_does_not_list() {
    let node = |name: &str, ids: [&str; 2]| {
        format!(
            "[[node]]\nname = \"{name}\"\nchannel = \"can0\"\nmessages = [{{ id = \"0x{}\", \
             period = 0.02 }}, {{ id = \"0x{}\", period = 0.1 }}]\n",
            ids[0], ids[1]
        )
    };
    let found = |name: &str, gone: &[&'static str]| {
        let roster = node(name, ["100", "110"]) + &node("roof", ["200", "210"]);
        let more = [("500", 50_000, 2_000, -150.0)];
        let sent = [A.as_slice(), &B, &C, &more].concat();
        let found = nodes(&made(&sent, 60.0, &lost(gone, 20.0, 24.0), &[]), Some(&roster));
        found.into_iter().find(|node| node.starts_with(name)).unwrap()
    };
    let with = found("door", &["100", "110", "500"]);
    assert_eq!(with, "door: 0x100 0x110 0x500 by roster shared_silence, 100");
    let apart = found("door", &["100", "110", "200", "210", "500"]);
    assert_eq!(apart, "door: 0x100 0x110 by roster, 100");
    let gateway = found("central gateway", &["100", "110", "500"]);
    assert_eq!(gateway, "central gateway: 0x100 0x110 by roster, 100");
}

/// A roster that names a part of a node: the rest is named after what is left.
#[test]
fn a_roster_of_a_part() {
    let roster = "[[node]]\nname = \"door\"\nchannel = \"can0\"\nmessages = [{ id = \"0x100\", period = 0.02 }]\n";
    let found = nodes(&made(&[A, B, C].concat(), 60.0, &[], &[]), Some(roster));
    assert_eq!(
        found,
        [
            "door: 0x100 by roster, 100",
            BY_CLOCK[0],
            "node of 0x110: 0x110 by clock, 99",
            BY_CLOCK[2]
        ]
    );
}

/// Class and title of the findings of twenty identifiers, all too rough for their clocks to
/// show, of which the first so many fall silent together.
fn found_of(silent: usize) -> Vec<(String, String)> {
    const IDS: [&str; 20] = [
        "100", "104", "108", "10C", "110", "114", "118", "11C", "120", "124", "128", "12C", "130",
        "134", "138", "13C", "140", "144", "148", "14C",
    ];
    let sent: Vec<Sent> = IDS
        .iter()
        .enumerate()
        .map(|(at, id)| (*id, 50_000, 1_000 + 2_100 * at as u64, 0.0))
        .collect();
    let all = [&sent[..], &C, &B].concat();
    let capture = made(&all, 60.0, &lost(&IDS[..silent], 20.0, 24.0), &IDS);
    let folder = tempfile::tempdir().unwrap();
    let path = folder.path().join("capture.log");
    std::fs::write(&path, capture).unwrap();
    let (_, document) = report(&path, &[]);
    let told = |finding: &Value| {
        (
            finding["class"].as_str().unwrap().to_owned(),
            finding["title"].as_str().unwrap().to_owned(),
        )
    };
    document["findings"].as_array().unwrap().iter().map(told).collect()
}

/// What falls silent together, and no clock tells apart, may be several modules on one branch: the
/// likelier the more identifiers there are. Clocks that agree speak for one, so it stays first.
#[test]
fn many_that_leave_together_may_be_several() {
    let place = |found: &[(String, String)], classes: [&str; 2]| {
        found.iter().position(|(class, _)| classes.contains(&class.as_str()))
    };
    let (few, many) = (found_of(2), found_of(20));
    let of_one = |found| place(found, ["module_connector", "module_power"]).unwrap();
    let of_several = |found| place(found, ["branch", "shared_supply"]);
    assert_eq!(of_one(&few), 0, "{few:?}");
    assert_eq!(of_several(&few), None, "{few:?}");
    assert_eq!(of_one(&many), 0, "{many:?}");
    let title = "branch or splice of the modules that send 0x100 and 19 more identifiers";
    let branch = of_several(&many).filter(|place| *place <= 2);
    assert_eq!(branch.map(|place| many[place].1.as_str()), Some(title), "{many:?}");
}
