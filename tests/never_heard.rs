//! What a roster expects and nobody sent, and captures that prove nothing: made traffic of a few
//! senders, whole, thinned, cut short, or without one of them.

mod common;

use std::fs;
use std::path::{Path, PathBuf};

use common::{lostnode, report};
use lostnode::roster_file::RosterFile;
use serde_json::Value;
use tempfile::TempDir;

/// Identifiers and their periods in milliseconds: those of the engine, and the others.
const ENGINE: [(u32, f64); 4] = [(0x0C9, 10.0), (0x110, 20.0), (0x1F5, 50.0), (0x3E9, 100.0)];
const OTHERS: [(u32, f64); 6] =
    [(0x0A1, 10.0), (0x12A, 20.0), (0x1E1, 30.0), (0x230, 50.0), (0x34A, 100.0), (0x4C1, 200.0)];

/// What one more sends.
const MORE: [(u32, f64); 4] = [(0x511, 20.0), (0x522, 50.0), (0x533, 100.0), (0x544, 200.0)];

type Frames = Vec<(f64, u32)>;

/// Traffic of these for so many seconds, each a little off its time, by a generator with a seed.
fn traffic(senders: &[(u32, f64)], seconds: f64) -> Frames {
    let mut seed = 7u64;
    let mut scatter = || {
        seed = seed.wrapping_mul(6_364_136_223_846_793_005).wrapping_add(1);
        (seed >> 40) as f64 / (1u64 << 24) as f64 * 0.0006
    };
    let mut frames = Vec::new();
    for (at, (id, period)) in senders.iter().enumerate() {
        let period = period / 1e3 * 1.000_02;
        let count = (seconds / period) as usize;
        let first = 0.0013 * at as f64;
        frames.extend((0..count).map(|n| (first + n as f64 * period + scatter(), *id)));
    }
    frames.sort_by(|a, b| a.0.total_cmp(&b.0));
    frames
}

fn all() -> Vec<(u32, f64)> {
    [ENGINE.as_slice(), OTHERS.as_slice()].concat()
}

/// What a logger keeps that takes the first three frames of every 20.5 ms.
fn thinned(frames: &Frames) -> Frames {
    let mut kept = Frames::new();
    for (time, id) in frames {
        let tick = (time / 0.0205).floor() * 0.0205;
        let so_far = kept.iter().rev().take_while(|(other, _)| *other >= tick).count();
        if so_far < 3 {
            kept.push((tick + so_far as f64 * 0.000_1, *id));
        }
    }
    kept
}

struct Folder(TempDir);

impl Folder {
    fn new() -> Self {
        Folder(tempfile::tempdir().unwrap())
    }

    fn capture(&self, name: &str, frames: &Frames) -> PathBuf {
        let line = |(time, id): &(f64, u32)| format!("({:.6}) can0 {id:03X}#00\n", 1.7e9 + time);
        let path = self.0.path().join(format!("{name}.log"));
        fs::write(&path, frames.iter().map(line).collect::<String>()).unwrap();
        path
    }

    /// Learns from captures; the roster, what it warns of, and the exit code.
    fn learn(&self, captures: &[&Path]) -> (PathBuf, String, i32) {
        let roster = self.0.path().join("roster.toml");
        let output =
            lostnode().arg("learn").args(captures).arg("-o").arg(&roster).output().unwrap();
        let told = String::from_utf8(output.stderr).unwrap();
        (roster, told, output.status.code().unwrap())
    }
}

fn held_against(capture: &Path, roster: &Path) -> (i32, Value) {
    report(capture, &["--roster", roster.to_str().unwrap()])
}

fn never_heard(document: &Value) -> Vec<Vec<&str>> {
    let outages = document["outages"].as_array().unwrap().iter();
    outages
        .filter(|outage| outage["never_heard"] == true)
        .map(|o| o["ids"].as_array().unwrap().iter().map(|id| id.as_str().unwrap()).collect())
        .collect()
}

#[test]
fn what_is_missing_together_is_one_outage_with_a_finding() {
    let folder = Folder::new();
    let sound = [20.0, 15.0, 6.0]
        .map(|seconds| folder.capture(&format!("{seconds}"), &traffic(&all(), seconds)));
    let (roster, told, code) = folder.learn(&[&sound[0], &sound[1], &sound[2]]);
    assert_eq!(code, 0);
    assert!(told.contains("6.0 s of traffic") || told.contains("5.9 s of traffic"), "{told}");
    // A few seconds are enough.
    let without = folder.capture("without", &traffic(&OTHERS, 4.0));
    let (code, document) = held_against(&without, &roster);
    assert_eq!((code, &document["verdict"]), (1, &"something_lost".into()));
    assert_eq!(never_heard(&document), [["0x0C9", "0x110", "0x1F5", "0x3E9"]]);
    let first = &document["findings"][0];
    assert!(first["title"].as_str().unwrap().contains("sends 0x0C9"), "{first}");
    // Nobody knows what it is, so the worst is taken to be true.
    assert!(first["cautions"].to_string().contains("not known"), "{first}");
    let class = first["class"].as_str().unwrap();
    assert!(["module_power", "module_connector", "module_dead"].contains(&class), "{class}");
    assert!(!first["next_tests"].as_array().unwrap().is_empty());
    // Nothing is missing from what it was learned from, and nothing is new.
    for path in &sound {
        let (code, document) = held_against(path, &roster);
        assert_eq!((code, never_heard(&document).len()), (0, 0));
        assert_eq!(document["deviations"], serde_json::json!([]));
    }
}

/// Most of what a roster expects is missing and nothing tells of the key: it may be off, and then
/// nobody is to blame; or else something failed, and what may have is told without blame.
#[test]
fn most_of_all_may_be_waiting_for_the_key() {
    let folder = Folder::new();
    let sound = folder.capture("sound", &traffic(&all(), 20.0));
    let (roster, ..) = folder.learn(&[&sound]);
    let few = folder.capture("few", &traffic(&OTHERS[..4], 6.0));
    let (_, document) = held_against(&few, &roster);
    assert_eq!(never_heard(&document)[0].len(), 6);
    let outage = &document["outages"][0];
    assert_eq!((&outage["benign"], &outage["doubt"]), (&true.into(), &"key_or_supply".into()));
    let doubt = document["doubts"][0].as_str().unwrap();
    assert!(doubt.starts_with("6 of 10 identifiers"), "{doubt}");
    let findings = document["findings"].as_array().unwrap();
    let classes: Vec<&str> = findings.iter().map(|own| own["class"].as_str().unwrap()).collect();
    for class in ["module_power", "module_connector", "module_dead"] {
        assert!(classes.contains(&class), "{classes:?}");
    }
    assert!(findings.iter().all(|own| own["probability"].as_f64().unwrap() < 0.2), "{document}");
    let most = folder.capture("most", &traffic(&OTHERS[..5], 6.0));
    let (_, document) = held_against(&most, &roster);
    assert_eq!(document["outages"][0]["benign"], false, "{document}");
}

/// A large part of the bus leaves at one instant, to the end, and it may all be one module: the key
/// may have been turned, or that module is lost, and what may have failed is told without blame.
#[test]
fn what_leaves_together_may_be_one_module() {
    let folder = Folder::new();
    let mut frames = traffic(&all(), 20.0);
    frames.retain(|(time, id)| *time < 8.0 || !ENGINE.iter().any(|(own, _)| own == id));
    let capture = folder.capture("cut", &frames);
    let (code, document) = report(&capture, &[]);
    assert_eq!((code, &document["outages"][0]["doubt"]), (3, &"key_or_supply".into()));
    assert!(document["headline"].as_str().unwrap().contains("a module or shared supply"));
    let findings = document["findings"].as_array().unwrap();
    let classes: Vec<&str> = findings.iter().map(|own| own["class"].as_str().unwrap()).collect();
    for class in ["module_power", "module_connector", "module_dead"] {
        assert!(classes.contains(&class), "{classes:?}");
    }
    assert!(findings.iter().all(|own| own["probability"].as_f64().unwrap() < 0.2), "{document}");
    // The first screen names no numbers of findings that it does not list.
    let brief = lostnode().args(["report", "--brief"]).arg(&capture).output().unwrap();
    let brief = String::from_utf8(brief.stdout).unwrap();
    assert!(!brief.contains("cannot tell which of"), "{brief}");
}

/// Messages on timers that no sound recording has, sent all the time in the cycles of what is
/// missing, are of a module of another vehicle in its place. Where nothing is missing, or in other
/// cycles, or later, they may be of the day; and a roster that knows a part of the bus says nothing
/// of the rest.
#[test]
fn who_sends_what_no_sound_recording_has_is_a_stranger() {
    let folder = Folder::new();
    let sound = folder.capture("sound", &traffic(&all(), 20.0));
    let (roster, ..) = folder.learn(&[&sound]);
    let strange = |kept: usize, new: &[(u32, f64)], from: f64| {
        let mut frames = traffic(&[&all()[..kept], new].concat(), 24.0);
        let is_new = |id: &u32| new.iter().any(|(own, _)| own == id);
        frames.retain(|(time, id)| *time >= from || !is_new(id));
        let document = held_against(&folder.capture("new", &frames), &roster).1;
        let first = document["findings"][0]["class"].as_str().unwrap_or("").to_owned();
        let foreign = probability(&document, "not_configured");
        (first, foreign, probability(&document, "module_power"))
    };
    // 0x4C1, every 200 ms, is gone with the last.
    let new = [(0x3D2, 200.0)];
    let in_its_place = strange(9, &new, 0.0);
    assert!(in_its_place.0 == "not_configured" && in_its_place.2 < 0.2, "{in_its_place:?}");
    let nothing_gone = strange(10, &new, 0.0);
    assert!(nothing_gone.1 == 0.0, "{nothing_gone:?}");
    let other_cycles = strange(9, &[(0x3D2, 20.0)], 0.0);
    assert!(other_cycles.1 == 0.0, "{other_cycles:?}");
    let later = strange(9, &new, 8.0);
    assert!(later.1 == 0.0 && later.2 > 0.1, "{later:?}");
    let half = traffic(&all()[..5], 20.0);
    let (roster, ..) = folder.learn(&[&folder.capture("half", &half)]);
    let (_, document) = held_against(&sound, &roster);
    assert!(probability(&document, "not_configured") == 0.0, "{document}");
}

/// As many new messages as are missing, in the same cycles from the fastest to the slowest, are of
/// a stranger in a short recording too. In other cycles they tell of a roster of older software:
/// what is missing may have moved to them.
#[test]
fn new_messages_for_missing_ones_are_a_stranger_or_an_update() {
    let folder = Folder::new();
    let sound = folder.capture("sound", &traffic(&all(), 20.0));
    let (roster, ..) = folder.learn(&[&sound]);
    // 0x34A and 0x4C1, every 100 and 200 ms, are gone.
    let found = |new: &[(u32, f64)]| {
        let frames = traffic(&[&all()[..8], new].concat(), 6.0);
        held_against(&folder.capture("new", &frames), &roster).1
    };
    let alike = found(&[(0x2B0, 100.0), (0x3D2, 200.0)]);
    assert_eq!(alike["findings"][0]["class"], "not_configured", "{alike:#}");
    let (nothing, other) = (found(&[]), found(&[(0x2B0, 50.0), (0x3D2, 500.0)]));
    let (nothing, other) =
        (probability(&nothing, "module_power"), probability(&other, "module_power"));
    assert!(nothing > 0.15 && other < nothing - 0.05, "{nothing} {other}");
}

/// What was never heard comes from another address, whatever its cycles, or under identifiers that
/// are each as far from it: the module is there, and is of another variant.
#[test]
fn who_is_there_under_another_address_or_other_identifiers() {
    let folder = Folder::new();
    let found = |sound: &[(u32, f64)], sent: &[(u32, f64)]| {
        let (roster, ..) = folder.learn(&[&folder.capture("sound", &traffic(sound, 20.0))]);
        let capture = folder.capture("new", &traffic(sent, 6.0));
        let document = held_against(&capture, &roster).1;
        let _ = fs::remove_file(roster);
        document
    };
    let step = [(0x33A, 100.0), (0x4B1, 200.0)];
    let step = found(&all(), &[&all()[..8], &step].concat());
    assert_eq!(step["findings"][0]["class"], "not_configured", "{step:#}");
    assert!(step.to_string().contains("each 0x10 below one that was never heard"), "{step:#}");
    let truck = |address: u32, period: f64| {
        let others = [
            (0x18F0_0400, 20.0),
            (0x18FE_EE00, 500.0),
            (0x18FE_F700, 500.0),
            (0x18FE_CA00, 1000.0),
            (0x18EE_FF00, 2000.0),
        ];
        let brakes = [(0x18F0_010B, 50.0), (0x18FE_BF0B, 100.0), (0x18FE_F10B, 100.0)];
        let own = [(0x18FE_E600, period), (0x18FE_6C00, period * 2.0)];
        let own = own.map(|(id, period)| (id | address, period));
        [others.as_slice(), &brakes, &own].concat()
    };
    let address = found(&truck(0xEE, 50.0), &truck(0xC1, 100.0));
    assert_eq!(address["findings"][0]["class"], "not_configured", "{address:#}");
    let told = "address 0xC1 sends what address 0xEE should";
    assert!(address.to_string().contains(told), "{address:#}");
}

/// A node that speaks and lacks two of its messages is wrongly coded, or another one. One alone may
/// be of a mode; and what the roster has of nobody is lost by nobody known.
#[test]
fn who_speaks_and_lacks_messages_is_wrongly_coded() {
    let folder = Folder::new();
    let found = |name: &str, sent: &[(u32, f64)]| {
        let roster = by_hand(&folder, name);
        let frames = traffic(&[sent, OTHERS.as_slice()].concat(), 20.0);
        held_against(&folder.capture("few", &frames), &roster).1
    };
    let two = found("engine", &ENGINE[..2]);
    assert_eq!(two["findings"][0]["class"], "not_configured", "{two:#}");
    assert_eq!(two["findings"][0]["nodes"], serde_json::json!(["engine"]));
    assert!(probability(&found("engine", &ENGINE[..3]), "not_configured") == 0.0);
    // The starter takes it for a moment, which is no loss; in mid-drive it is one.
    let away = |from: f64| {
        let mut frames = traffic(&[&ENGINE[..2], OTHERS.as_slice()].concat(), 60.0);
        let own = |id: u32| ENGINE.iter().any(|(other, _)| *other == id);
        frames.retain(|(time, id)| !own(*id) || !(from..from + 0.7).contains(time));
        let capture = folder.capture("away", &frames);
        probability(&held_against(&capture, &by_hand(&folder, "engine")).1, "not_configured")
    };
    assert!(away(4.0) > 0.2 && away(40.0) == 0.0, "{} {}", away(4.0), away(40.0));
}

/// … and where others miss it for that, it is one module with one name.
#[test]
fn who_lacks_messages_and_is_missed_is_one() {
    let folder = Folder::new();
    let sent = [&ENGINE[..2], OTHERS.as_slice()].concat();
    let capture = folder.capture("missed", &traffic(&sent, 20.0));
    // U0100-87, the engine controller is missed, of two modules, failing.
    let asked = [(2u32, 15.0), (3, 15.1)].map(|(number, at)| {
        let (asks, answers) = (0x7E0 + number, 0x7E8 + number);
        format!(
            "({:.6}) can0 {asks:03X}#031902FF00000000\n({:.6}) can0 \
             {answers:03X}#075902FFC100872F\n",
            1.7e9 + at,
            1.7e9 + at + 0.01
        )
    });
    let text = fs::read_to_string(&capture).unwrap() + &asked.concat();
    let mut lines: Vec<&str> = text.lines().collect();
    lines.sort_unstable();
    fs::write(&capture, lines.join("\n")).unwrap();
    let document = held_against(&capture, &by_hand(&folder, "engine")).1;
    let findings = document["findings"].as_array().unwrap();
    assert_eq!(findings[0]["class"], "not_configured", "{document:#}");
    let of_modules = findings.iter().filter(|own| own["class"] != "stale_codes");
    let mut titles = of_modules.map(|own| own["title"].as_str().unwrap());
    assert!(titles.all(|title| title.starts_with("engine: ")), "{document:#}");
}

/// A silent node that somebody called a gateway passes nothing on, whatever ails it.
#[test]
fn a_silent_gateway_passes_nothing_on() {
    let folder = Folder::new();
    let capture = folder.capture("few", &traffic(&OTHERS, 20.0));
    let gateway =
        |name: &str| probability(&held_against(&capture, &by_hand(&folder, name)).1, "gateway");
    let (called, other) = (gateway("central gateway"), gateway("engine"));
    assert!(called > 0.15 && other < 0.05, "{called} {other}");
    let gate = gateway("tailgate");
    assert!(gate < 0.05, "{gate}");
}

/// A gateway that is lost alone is told as the gateway; where another module is lost too, it is not
/// surely that.
#[test]
fn a_gateway_that_is_lost_alone_leads() {
    let folder = Folder::new();
    let roster = by_hand(&folder, "gateway");
    let found =
        |sent: &[(u32, f64)]| held_against(&folder.capture("few", &traffic(sent, 20.0)), &roster).1;
    let (alone, with) = (found(&OTHERS), found(&OTHERS[1..]));
    assert_eq!(alone["findings"][0]["class"], "gateway", "{:#}", alone["findings"]);
    let (own, other) = (probability(&alone, "gateway"), probability(&with, "gateway"));
    assert!(own > 2.0 * other, "{own} {other}");
}

/// A roster by hand of nodes of two messages each, which begin at these identifiers.
fn of_nodes(folder: &Folder, firsts: &[u32]) -> PathBuf {
    let node = |first: &u32| {
        format!(
            "[[node]]\nname = \"unit {first:X}\"\nchannel = \"can0\"\nmessages = [ {{ id = \
             \"0x{first:03X}\", period = 0.02 }}, {{ id = \"0x{:03X}\", period = 0.1 }} ]\n",
            first + 1
        )
    };
    let roster = folder.0.path().join("nodes.toml");
    fs::write(&roster, firsts.iter().map(node).collect::<String>()).unwrap();
    roster
}

/// What these nodes send.
fn by_nodes(firsts: &[u32]) -> Vec<(u32, f64)> {
    firsts.iter().flat_map(|first| [(*first, 20.0), (first + 1, 100.0)]).collect()
}

/// Of a car that is parked or listened to half the modules sleep: named ones that were never heard
/// may wait for the key, where they are half of the roster or more and nothing else happened.
#[test]
fn half_of_the_named_modules_may_wait_for_the_key() {
    let folder = Folder::new();
    let all = [0x100, 0x110, 0x120, 0x130, 0x140, 0x150];
    let roster = of_nodes(&folder, &all);
    let found = |heard: usize| {
        held_against(&folder.capture("half", &traffic(&by_nodes(&all[..heard]), 20.0)), &roster)
    };
    let shared = |document: &Value| {
        probability(document, "branch").max(probability(document, "shared_supply"))
    };
    let ((code, half), (most_code, most)) = (found(2), found(4));
    assert_eq!((code, most_code), (3, 1), "{half:#}");
    assert!(shared(&half) < 0.2 && shared(&most) > 0.2, "{} {}", shared(&half), shared(&most));
}

/// Where many modules were never heard, one new message stands in place of none of them.
#[test]
fn a_new_message_is_no_stranger_where_many_are_missing() {
    let folder = Folder::new();
    let all = [0x100, 0x110, 0x120, 0x130, 0x140, 0x150, 0x160, 0x170, 0x180, 0x190, 0x1A0];
    let roster = of_nodes(&folder, &all);
    let found = |heard: usize| {
        let sent = [by_nodes(&all[..heard]), vec![(0x3D2, 20.0)]].concat();
        let document = held_against(&folder.capture("new", &traffic(&sent, 20.0)), &roster).1;
        probability(&document, "not_configured")
    };
    let (many, one) = (found(7), found(10));
    assert!(many == 0.0 && one > 0.3, "{many} {one}");
}

/// A roster by hand, in which a node of this name sends what the engine does.
fn by_hand(folder: &Folder, name: &str) -> PathBuf {
    let message =
        |(id, ms): &(u32, f64)| format!("{{ id = \"0x{id:03X}\", period = {} }},", ms / 1e3);
    let list = |ids: &[(u32, f64)]| ids.iter().map(message).collect::<String>();
    let other = |own: &(u32, f64)| {
        let name = format!("unit of {:03X}", own.0);
        let messages = list(&[*own]);
        format!("[[node]]\nname = \"{name}\"\nchannel = \"can0\"\nmessages = [{messages}]\n")
    };
    let text = format!(
        "[[node]]\nname = \"{name}\"\nchannel = \"can0\"\nmessages = [{}]\n{}",
        list(&ENGINE),
        OTHERS.iter().map(other).collect::<String>()
    );
    let roster = folder.0.path().join("by-hand.toml");
    fs::write(&roster, text).unwrap();
    roster
}

/// The highest probability of a finding of a class.
fn probability(document: &Value, class: &str) -> f64 {
    let findings = document["findings"].as_array().unwrap().iter();
    let own = findings.filter(|own| own["class"] == class);
    own.map(|own| own["probability"].as_f64().unwrap()).fold(0.0, f64::max)
}

#[test]
fn an_identifier_counts_as_missing_from_three_frames_due() {
    let folder = Folder::new();
    let slow = [OTHERS.as_slice(), &[(0x700, 1000.0)]].concat();
    let sound = folder.capture("sound", &traffic(&slow, 30.0));
    let (roster, ..) = folder.learn(&[&sound]);
    let without = |seconds| folder.capture("without", &traffic(&OTHERS, seconds));
    let (code, document) = held_against(&without(2.8), &roster);
    assert_eq!((code, never_heard(&document).len()), (0, 0));
    let (code, document) = held_against(&without(4.5), &roster);
    assert_eq!((code, never_heard(&document)), (1, vec![vec!["0x700"]]));
    assert!(document["findings"][0]["title"].as_str().unwrap().contains("0x700"));
    // Who reads that it speaks against a fault reads why.
    let evidence = document["findings"][0]["evidence"].to_string();
    assert!(evidence.contains("one message, which may be sent only in one state"), "{evidence}");
}

/// A node that somebody named is told by its name, and the rest beside it.
#[test]
fn a_named_node_is_told_by_its_name() {
    let folder = Folder::new();
    let message = |id: u32, ms: f64| format!("{{ id = \"0x{id:03X}\", period = {} }},\n", ms / 1e3);
    let list =
        |ids: &[(u32, f64)]| ids.iter().map(|(id, ms)| message(*id, *ms)).collect::<String>();
    let text = format!(
        "[[node]]\nname = \"engine\"\nchannel = \"can0\"\nmessages = [\n{}]\n\
         [[lone]]\nchannel = \"can0\"\nmessages = [\n{}]\n",
        list(&ENGINE),
        list(&OTHERS)
    );
    let roster = folder.0.path().join("by-hand.toml");
    fs::write(&roster, text).unwrap();
    let (code, document) =
        held_against(&folder.capture("few", &traffic(&OTHERS[2..], 5.0)), &roster);
    assert_eq!(code, 1);
    let outages = document["outages"].as_array().unwrap();
    let of_engine = outages.iter().find(|outage| outage["nodes"][0] == "engine").unwrap();
    assert_eq!(of_engine["ids"].as_array().unwrap().len(), ENGINE.len());
    let mut all = never_heard(&document);
    all.sort();
    assert_eq!(all, [vec!["0x0A1", "0x12A"], vec!["0x0C9", "0x110", "0x1F5", "0x3E9"]]);
}

/// Of three named modules that are missing from the start one supply or one splice is told before
/// three faults at once; of one that is missing nothing is said of others.
#[test]
fn what_is_missing_together_may_have_one_cause() {
    let folder = Folder::new();
    let node = |name: &str, ids: &[(u32, f64)]| {
        let message =
            |(id, ms): &(u32, f64)| format!("{{ id = \"0x{id:03X}\", period = {} }},\n", ms / 1e3);
        let list = ids.iter().map(message).collect::<String>();
        format!("[[node]]\nname = \"{name}\"\nchannel = \"can0\"\nmessages = [\n{list}]\n")
    };
    let roster = folder.0.path().join("by-hand.toml");
    let text = node("engine", &ENGINE[..2])
        + &node("pump", &ENGINE[2..])
        + &node("door", &OTHERS[..2])
        + &node("cluster", &OTHERS[2..4])
        + &node("radio", &OTHERS[4..])
        + &node("mirror", &MORE);
    fs::write(&roster, text).unwrap();
    let classes = |senders: &[(u32, f64)]| -> Vec<(String, usize)> {
        let senders = [senders, &MORE].concat();
        let capture = folder.capture("few", &traffic(&senders, 5.0));
        let (_, document) = held_against(&capture, &roster);
        let findings = document["findings"].as_array().unwrap().iter();
        let one = |finding: &Value| {
            let class = finding["class"].as_str().unwrap().to_owned();
            (class, finding["nodes"].as_array().unwrap().len())
        };
        findings.map(one).collect()
    };
    let three = classes(&OTHERS[2..]);
    let shared = ["shared_supply", "branch"].map(|class| (class.to_owned(), 3));
    assert!(shared.contains(&three[0]), "{three:?}");
    assert!(shared.iter().all(|own| three[..3].contains(own)), "{three:?}");
    let one = classes(&all()[2..]);
    assert!(
        one.iter().all(|(class, _)| !["shared_supply", "branch"].contains(&&**class)),
        "{one:?}"
    );
}

/// What comes on an occasion is known and never missed.
#[test]
fn identifiers_without_a_timer_are_remembered() {
    let folder = Folder::new();
    let mut events = traffic(&OTHERS, 12.0);
    events.extend([0.4, 0.5, 1.9, 2.0].map(|time| (time, 0x5C1)));
    events.sort_by(|a, b| a.0.total_cmp(&b.0));
    let with = folder.capture("with", &events);
    let without = folder.capture("without", &traffic(&OTHERS, 12.0));
    let (roster, ..) = folder.learn(&[&with, &without]);
    let text = fs::read_to_string(&roster).unwrap();
    let line = text.lines().find(|line| line.contains("0x5C1")).unwrap();
    assert!(line.contains("seen = 1, of = 2") && line.contains("expected = false"), "{line}");
    for path in [&with, &without] {
        let (code, document) = held_against(path, &roster);
        assert_eq!((code, &document["deviations"]), (0, &serde_json::json!([])));
    }
    // It reads back as it was written.
    let file = RosterFile::parse(&text).unwrap();
    assert_eq!(RosterFile::parse(&file.write("again")).unwrap(), file);
}

/// A message without a timer that is repeated within a tenth of a second tells of one event: how
/// often those come is learned, and not how many frames. Two of them teach nothing.
#[test]
fn repeats_on_one_occasion_are_one_observation() {
    let missed = |times: &[f64], seconds: f64| {
        let folder = Folder::new();
        let mut frames = traffic(&OTHERS, 20.0);
        let repeats = |time: &f64| [0.0, 0.03, 0.11].map(|later| (time + later, 0x5C1));
        frames.extend(times.iter().flat_map(repeats));
        frames.sort_by(|a, b| a.0.total_cmp(&b.0));
        let (roster, ..) = folder.learn(&[&folder.capture("with", &frames)]);
        let without = folder.capture("without", &traffic(&OTHERS, seconds));
        never_heard(&held_against(&without, &roster).1).len()
    };
    assert_eq!(missed(&[3.0, 16.0], 30.0), 0);
    // Of one in five seconds two are due in twelve, and six in thirty.
    let four = [1.0, 7.3, 12.0, 18.1];
    assert_eq!([missed(&four, 12.0), missed(&four, 30.0)], [0, 1]);
    // What goes on without a pause is no single occasion.
    let often: Vec<f64> = (0..37).map(|at| 0.5 * f64::from(at)).collect();
    assert_eq!(missed(&often, 5.0), 1);
}

/// What comes unevenly and in nearly every second, as through a gateway, is no burst: its frames
/// count, and a few seconds without it are enough.
#[test]
fn what_comes_unevenly_all_the_time_is_missed_soon() {
    let folder = Folder::new();
    let gaps = [12.0, 100.0, 30.0, 20.0, 70.0, 12.0, 30.0, 100.0, 70.0];
    let mut frames = traffic(&OTHERS, 20.0);
    let times = (0..380_usize).scan(0.0, |time, at| {
        *time += gaps[at * at % 9] / 1e3;
        Some(*time)
    });
    frames.extend(times.take_while(|time| *time < 20.0).map(|time| (time, 0x5C1)));
    frames.sort_by(|a, b| a.0.total_cmp(&b.0));
    let (roster, ..) = folder.learn(&[&folder.capture("with", &frames)]);
    let file = RosterFile::parse(&fs::read_to_string(&roster).unwrap()).unwrap();
    let of_nodes = file.nodes.iter().flat_map(|node| &node.messages);
    let mut messages = of_nodes.chain(file.lone.iter().map(|(_, message)| message));
    assert!(messages.any(|message| message.rate.is_some_and(|rate| rate > 10.0)));
    let without = folder.capture("without", &traffic(&OTHERS, 2.8));
    assert_eq!(never_heard(&held_against(&without, &roster).1), [["0x5C1"]]);
}

/// Bursts are known by how many come, and each is many frames: those make no recording whole that
/// holds two fifths of what the others should have sent.
#[test]
fn bursts_do_not_make_up_for_frames_that_are_missing() {
    let folder = Folder::new();
    let slow = [OTHERS.as_slice(), &[(0x700, 1000.0)]].concat();
    let timed =
        slow.iter().map(|(id, ms)| format!("{{ id = \"0x{id:03X}\", period = {} }},\n", ms / 1e3));
    let bursts = (0x600..0x603).map(|id| format!("{{ id = \"0x{id:03X}\", rate = 0.33 }},\n"));
    let list: String = timed.chain(bursts).collect();
    let roster = folder.0.path().join("by-hand.toml");
    fs::write(&roster, format!("[[lone]]\nchannel = \"can0\"\nmessages = [\n{list}]\n")).unwrap();
    let fewer = OTHERS.map(|(id, ms)| (id, 2.5 * ms));
    let mut frames = traffic(&fewer, 12.0);
    for (at, id) in (0x600..0x603).enumerate() {
        for frame in 0..160 {
            let (burst, place) = (f64::from(frame / 40), f64::from(frame % 40));
            let time = 0.5 + 3.0 * burst + 0.37 * at as f64;
            frames.push((time + 0.01 * place * (1.0 + 0.5 * (place % 3.0)), id));
        }
    }
    frames.sort_by(|a, b| a.0.total_cmp(&b.0));
    let (code, document) = held_against(&folder.capture("bursts", &frames), &roster);
    assert_eq!((code, never_heard(&document).len()), (3, 0));
}

/// With the key off the engine is silent and blamed for nothing, where the roster knows it.
#[test]
fn what_needs_the_key_is_not_missed_with_the_key_off() {
    let folder = Folder::new();
    let mut off = traffic(&all(), 24.0);
    off.retain(|(time, id)| !(8.0..14.0).contains(time) || !ENGINE.iter().any(|own| own.0 == *id));
    // Six of ten go on; four do not.
    let off = folder.capture("off", &off);
    let on = folder.capture("on", &traffic(&all(), 15.0));
    let (roster, told, _) = folder.learn(&[&off, &on]);
    assert!(told.contains("the key seems to have been off at"), "{told}");
    let file = RosterFile::parse(&fs::read_to_string(&roster).unwrap()).unwrap();
    let of_nodes = file.nodes.iter().flat_map(|node| &node.messages);
    let messages = of_nodes.chain(file.lone.iter().map(|(_, message)| message));
    assert_eq!(messages.filter(|message| message.key).count(), ENGINE.len());
    // Off throughout: nothing is due of it, and nothing can be said.
    let (code, document) = held_against(&folder.capture("asleep", &traffic(&OTHERS, 6.0)), &roster);
    assert_eq!((code, never_heard(&document).len()), (3, 0));
    assert!(document["doubts"][0].as_str().unwrap().contains("the key was off"));
    // One of the others is missed all the same.
    let (code, document) =
        held_against(&folder.capture("one", &traffic(&OTHERS[1..], 6.0)), &roster);
    assert_eq!((code, never_heard(&document)), (1, vec![vec!["0x0A1"]]));
}

#[test]
fn a_thinned_recording_cannot_answer() {
    let folder = Folder::new();
    let capture = folder.capture("thinned", &thinned(&traffic(&all(), 20.0)));
    let (code, document) = report(&capture, &[]);
    assert_eq!((code, &document["verdict"]), (3, &"cannot_tell".into()));
    assert_eq!(document["captures"][0]["thinned"], true);
    assert_eq!(document["outages"], serde_json::json!([]));
    assert_eq!(document["channels"][0]["load"], Value::Null);
    assert!(document["identifiers"].as_array().unwrap().iter().all(|id| id["kind"] == "event"));
    let text = lostnode().arg("report").arg(&capture).output().unwrap();
    let text = String::from_utf8(text.stdout).unwrap().replace('\n', " ");
    assert!(text.starts_with("This recording cannot answer: the logger kept about 146 frames a second, three every 20.5 ms."), "{text}");

    // It teaches which identifiers there are, and no periods.
    let (roster, told, _) = folder.learn(&[&capture]);
    assert!(told.contains("the logger kept only some frames"), "{told}");
    let file = RosterFile::parse(&fs::read_to_string(&roster).unwrap()).unwrap();
    assert!(file.lone.iter().all(|(_, message)| message.period.is_none()));

    // What should have been many frames and is none was never heard, thinned or not.
    let whole = folder.capture("whole", &traffic(&all(), 20.0));
    let (roster, ..) = folder.learn(&[&whole]);
    let without = folder.capture("without", &thinned(&traffic(&OTHERS, 20.0)));
    let (code, document) = held_against(&without, &roster);
    assert_eq!(code, 1);
    assert_eq!(document["captures"][0]["thinned"], true);
    assert!(never_heard(&document)[0].contains(&"0x0C9"));
    let (code, document) = held_against(&capture, &roster);
    assert_eq!((code, never_heard(&document).len()), (3, 0));
}

/// A buffer that hands all frames over every 20 ms spoils their rhythm, and loses nothing.
#[test]
fn a_buffer_that_loses_nothing_is_no_thinning() {
    let folder = Folder::new();
    let many = (0..8).flat_map(|node| all().into_iter().map(move |(id, ms)| (id + node, ms)));
    let mut frames = traffic(&many.collect::<Vec<_>>(), 10.0);
    let mut before = (0.0, 0.0);
    for (time, _) in &mut frames {
        let tick = (*time / 0.02).ceil() * 0.02;
        *time = if tick == before.0 { before.1 + 1e-6 } else { tick };
        before = (tick, *time);
    }
    let (_, document) = report(&folder.capture("buffered", &frames), &[]);
    assert_eq!(document["captures"][0]["thinned"], false);
}

#[test]
fn short_captures_and_long_pauses_prove_nothing() {
    let folder = Folder::new();
    let code = |frames: &Frames| report(&folder.capture("case", frames), &[]).0;
    assert_eq!(code(&traffic(&all(), 1.8)), 3);
    assert_eq!(code(&traffic(&all(), 2.5)), 0);
    // The recording pauses: all stop at once and go on at once.
    let paused = |length: f64| {
        let late = |(time, id): (f64, u32)| (if time < 10.0 { time } else { time + length }, id);
        traffic(&all(), 20.0).into_iter().map(late).collect::<Frames>()
    };
    assert_eq!([code(&paused(1.0)), code(&paused(5.0))], [0, 3]);
}

/// A capture that proves nothing proves no repair; a folder with one is not without losses.
#[test]
fn compare_and_batch_say_so_too() {
    let folder = Folder::new();
    let lost: Frames = traffic(&all(), 20.0)
        .into_iter()
        .filter(|(time, id)| *id != 0x0C9 || *time < 9.0 || *time > 11.0)
        .collect();
    let before = folder.capture("before", &lost);
    let after = folder.capture("after", &thinned(&traffic(&all(), 900.0)));
    let output = lostnode().arg("compare").arg(&before).arg(&after).output().unwrap();
    let text = String::from_utf8(output.stdout).unwrap();
    assert_eq!(output.status.code(), Some(3), "{text}");
    assert!(text.contains("proves no repair"), "{text}");
    fs::remove_file(before).unwrap();
    let out = tempfile::tempdir().unwrap();
    let output =
        lostnode().arg("batch").arg(folder.0.path()).arg("--out").arg(out.path()).output().unwrap();
    assert_eq!(output.status.code(), Some(3));
    let table = fs::read_to_string(out.path().join("summary.csv")).unwrap();
    assert!(table.contains("cannot tell"), "{table}");
}

#[test]
fn a_message_that_does_not_say_how_often_is_an_error_with_its_line() {
    let text = "[[lone]]\nchannel = \"can0\"\nmessages = [\n{ id = \"0x3B0\" } ]";
    let error = RosterFile::parse(text).unwrap_err().to_string();
    assert_eq!(error, "line 4: id `0x3B0` has neither period nor rate nor share");
}

/// Those of a list that come only from some second on.
fn from(frames: &Frames, ids: &[(u32, f64)], second: f64) -> Frames {
    let late = |(time, id): &&(f64, u32)| *time < second && ids.iter().any(|(late, _)| late == id);
    frames.iter().filter(|frame| !late(frame)).copied().collect()
}

/// A module that is silent as the recording begins and comes later may have been lost until then:
/// only the roster can know it. What begins once may have been started; what is lost again was
/// lost. Where modules come one after another the vehicle is being switched on.
#[test]
fn what_comes_late_on_a_running_bus_may_have_been_lost() {
    let folder = Folder::new();
    let sound = traffic(&all(), 20.0);
    let paths = [20.0, 15.0]
        .map(|seconds| folder.capture(&format!("{seconds}"), &traffic(&all(), seconds)));
    let (roster, ..) = folder.learn(&[&paths[0], &paths[1]]);
    let told = |frames: &Frames| {
        let (code, document) = held_against(&folder.capture("late", frames), &roster);
        let outages = document["outages"].as_array().unwrap().clone();
        (code, outages, document["headline"].as_str().unwrap().to_owned())
    };
    let late = from(&sound, &ENGINE, 8.0);
    let (code, outages, headline) = told(&late);
    assert_eq!((code, outages.len()), (3, 1), "{outages:?}");
    assert_eq!(outages[0]["ids"], serde_json::json!(["0x0C9", "0x110", "0x1F5", "0x3E9"]));
    assert!((outages[0]["duration_s"].as_f64().unwrap() - 8.0).abs() < 0.02);
    assert_eq!(outages[0]["doubt"], "came_late");
    assert!(headline.contains("and was not lost again"), "{headline}");
    let lost = |(at, id): &&(f64, u32)| {
        (14.0..17.0).contains(at) && ENGINE.iter().any(|(own, _)| own == id)
    };
    let again: Frames = late.iter().filter(|frame| !lost(frame)).copied().collect();
    let (code, outages, _) = told(&again);
    assert_eq!((code, outages.len()), (1, 2), "{outages:?}");
    assert!(outages.iter().all(|outage| outage["benign"] == false), "{outages:?}");
    // Another module at another instant: they are being started.
    let starting = from(&from(&sound, &ENGINE, 8.0), &OTHERS[..2], 5.0);
    assert_eq!(told(&starting).0, 0);
    // Most of all at once may have been waiting for the key.
    let (code, outages, headline) = told(&from(&sound, &all()[..6], 8.0));
    assert_eq!((code, &outages[0]["doubt"]), (3, &"key_or_supply".into()));
    assert!(headline.contains("6 of 10 identifiers"), "{headline}");
    assert!(
        headline.contains("came only after 8.0 s; either the key was turned on then"),
        "{headline}"
    );
    // One message that comes late may belong to a mode.
    assert_eq!(told(&from(&sound, &[(0x12A, 20.0)], 8.0)).0, 3);
    // Late by less than its time-out is no loss.
    assert_eq!(told(&from(&sound, &ENGINE, 0.8)).0, 0);
}

/// What a sender that was there from the first frame on sends only later is of a mode of the
/// vehicle, as what an engine sends once it runs; where nothing else of it was there it may have
/// been lost.
#[test]
fn what_a_sender_that_is_there_sends_later_is_of_a_mode() {
    let folder = Folder::new();
    let engine = [(0x18F0_0400, 20.0), (0x18FE_EE00, 100.0), (0x18FE_DF00, 100.0)];
    let brakes = [(0x18F0_010B, 100.0), (0x18FE_BF0B, 100.0)];
    let others = [(0x18F0_0203, 50.0), (0x18F0_0503, 100.0), (0x18FE_F131, 100.0)];
    let all = [&engine[..], &brakes, &others].concat();
    let paths =
        [20.0, 15.0].map(|seconds| folder.capture(&format!("{seconds}"), &traffic(&all, seconds)));
    let (roster, ..) = folder.learn(&[&paths[0], &paths[1]]);
    let code = |late: &[(u32, f64)]| {
        let frames = from(&traffic(&all, 20.0), late, 8.0);
        held_against(&folder.capture("late", &frames), &roster).0
    };
    assert_eq!(code(&engine[1..]), 0);
    assert_eq!(code(&brakes), 3);
}

/// A message that pauses for as long again and again was in a pause as the recording began; one
/// that pauses for far less was not there.
#[test]
fn what_begins_within_a_pause_is_not_late() {
    let folder = Folder::new();
    let paths = [20.0, 15.0]
        .map(|seconds| folder.capture(&format!("{seconds}"), &traffic(&all(), seconds)));
    let (roster, ..) = folder.learn(&[&paths[0], &paths[1]]);
    let late = |until: f64| {
        let pauses = |time: f64| time < 4.0 || (10.0..until).contains(&time);
        let frames = traffic(&all(), 20.0).into_iter();
        let frames: Frames = frames.filter(|(time, id)| *id != 0x12A || !pauses(*time)).collect();
        let (_, document) = held_against(&folder.capture("late", &frames), &roster);
        let outages = document["outages"].as_array().unwrap().iter();
        outages.filter(|outage| outage["start"].as_f64().unwrap() < 1.7e9 + 1.0).count()
    };
    assert_eq!(late(14.0), 0);
    assert_eq!(late(11.0), 1);
}

/// What a sound recording has in part only is sent in some mode, and that it is not heard is hardly
/// a fault; unless a code misses a module that it may be.
#[test]
fn what_a_sound_recording_has_in_part_may_be_of_a_mode() {
    let folder = Folder::new();
    let sound = traffic(&all(), 30.0);
    let (there, mode) = ENGINE.split_at(2);
    let engine: Vec<u32> = mode.iter().map(|own| own.0).collect();
    let late: Frames =
        sound.iter().filter(|(at, id)| *at > 6.0 || !engine.contains(id)).copied().collect();
    let without = traffic(&[there, OTHERS.as_slice()].concat(), 20.0);
    // U0100, failing when last read.
    let mut missed = without.clone();
    missed.extend([(15.0, 0x7E1), (15.02, 0x7E9)]);
    missed.sort_by(|a, b| a.0.total_cmp(&b.0));
    let without = folder.capture("without", &without);
    let missed = folder.capture("missed", &missed);
    let said = fs::read_to_string(&missed).unwrap();
    let said = said.replace("7E1#00", "7E1#031902FF00000000");
    fs::write(&missed, said.replace("7E9#00", "7E9#075902FFC100002F")).unwrap();
    let blamed = |lesson: &Frames, capture: &Path| {
        let (roster, ..) = folder.learn(&[&folder.capture("sound", lesson)]);
        let text = fs::read_to_string(&roster).unwrap();
        let marks = text.matches("sometimes = true }").count();
        let document = held_against(capture, &roster).1;
        assert_eq!(never_heard(&document), [["0x1F5", "0x3E9"]]);
        fs::remove_file(roster).unwrap();
        let finding = &document["findings"][0];
        (marks, finding["probability"].as_f64().unwrap())
    };
    let (whole, part) = (blamed(&sound, &without), blamed(&late, &without));
    assert_eq!([whole.0, part.0], [0, 2]);
    assert!(part.1 < 0.7 * whole.1, "{whole:?} {part:?}");
    let missed = blamed(&late, &missed);
    assert!(missed.1 > part.1, "{missed:?} {part:?}");
}

/// A roster of another vehicle blames nobody; one that somebody wrote of a few nodes does.
#[test]
fn a_roster_of_another_vehicle_is_left_aside() {
    let folder = Folder::new();
    let sound = [20.0, 15.0].map(|s| folder.capture(&format!("{s}"), &traffic(&all(), s)));
    let (roster, ..) = folder.learn(&[&sound[0], &sound[1]]);
    // Of the ten one is here too, as happens with identifiers of 11 bits.
    let other: Vec<(u32, f64)> =
        all().into_iter().map(|(id, ms)| (if id == 0x110 { id } else { id + 7 }, ms)).collect();
    let other = folder.capture("other", &traffic(&other, 20.0));
    let (code, document) = held_against(&other, &roster);
    assert_eq!(code, 3, "{}", document["headline"]);
    let told = document["headline"].as_str().unwrap();
    let expected =
        "roster is of another vehicle or bus: of its 10 identifiers 1 is here, and 9 here";
    assert!(told.contains(expected), "{told}");
    assert!(never_heard(&document).is_empty() && document["deviations"] == serde_json::json!([]));
    // What is lost by itself is lost all the same.
    let mut frames = traffic(&[(0x301, 10.0), (0x302, 20.0)], 20.0);
    frames.retain(|(time, _)| !(8.0..10.0).contains(time));
    let sound: Vec<(u32, f64)> = all().into_iter().map(|(id, ms)| (id + 7, ms)).collect();
    frames.extend(traffic(&sound, 20.0));
    frames.sort_by(|a, b| a.0.total_cmp(&b.0));
    let lost = folder.capture("lost", &frames);
    assert_eq!(held_against(&lost, &roster).0, 1);
    // A few nodes that somebody wrote down are no roster of all there is.
    let few = folder.0.path().join("few.toml");
    fs::write(
        &few,
        "[[node]]\nname = \"door\"\nchannel = \"can0\"\nmessages = [\n  { id = \"0x511\", period = 0.02 },\n]\n",
    )
    .unwrap();
    let (code, document) = held_against(&other, &few);
    assert_eq!((code, never_heard(&document)), (1, vec![vec!["0x511"]]));
}
