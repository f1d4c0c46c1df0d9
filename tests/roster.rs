//! Rosters: learning, editing, comparing, AUTOSAR descriptions; grouping by clock and the cause of
//! outages scored against the truth.

mod common;

use std::fs;
use std::path::{Path, PathBuf};
use std::process::Command;

use common::{lostnode, outages, own, report, shared, simulated};
use lostnode::roster_file::{RosterFile, from_arxml};
use serde_json::Value;

fn scenario(nodes: &str, troubles: &str) -> String {
    format!(
        "title = \"test (invented)\"\ninvented = true\nseed = 11\nstart = 1790000000.0\nduration = 150.0\n[[channel]]\nname = \"can0\"\nbit_rate = 500000\n{nodes}\n{troubles}"
    )
}

const DOOR: &str = r#"
[[node]]
name = "door"
channel = "can0"
drift_ppm = 40.0
messages = [ { id = "3B0", period = 0.05, counter = { byte = 5, width = 4 } }, { id = "3B2", period = 0.1, counter = { byte = 1, width = 8 } } ]
"#;
const ENGINE: &str = r#"
[[node]]
name = "engine"
channel = "can0"
drift_ppm = -60.0
messages = [ { id = "0C8", period = 0.02, counter = { byte = 7, width = 4 } }, { id = "1F4", period = 0.1 } ]
"#;

fn write(folder: &Path, name: &str, text: &str) -> PathBuf {
    let path = folder.join(name);
    fs::write(&path, text).unwrap();
    path
}

fn capture(folder: &Path, name: &str, scenario: &str) -> PathBuf {
    let scenario = write(folder, &format!("{name}.toml"), scenario);
    let path = folder.join(format!("{name}.log"));
    assert!(
        lostnode()
            .arg("simulate")
            .arg(scenario)
            .arg("--out")
            .arg(&path)
            .status()
            .unwrap()
            .success()
    );
    path
}

/// Learned from a sound capture, a roster reads back as it was written, and finds what is never
/// heard, too slow, too fast or new.
#[test]
fn what_a_roster_finds() {
    let folder = tempfile::tempdir().unwrap();
    let sound = capture(folder.path(), "sound", &scenario(&format!("{DOOR}{ENGINE}"), ""));
    let roster = folder.path().join("roster.toml");
    assert!(lostnode().arg("learn").arg(&sound).arg("-o").arg(&roster).status().unwrap().success());
    let text = fs::read_to_string(&roster).unwrap();
    let file = RosterFile::parse(&text).unwrap();
    assert_eq!(RosterFile::parse(&file.write("again")).unwrap(), file);
    assert_eq!(file.nodes.len(), 2);
    let named = text.replace("node of 0x3B0", "sliding door").replace("node of 0x0C8", "engine");
    let roster = write(folder.path(), "named.toml", &named);
    let with = |capture: &Path| report(capture, &["--roster", roster.to_str().unwrap()]);

    let (code, document) = with(&sound);
    assert_eq!(
        (code, outages(&document), &document["deviations"]),
        (0, vec![], &serde_json::json!([]))
    );

    // A node that never speaks: nothing in the traffic shows it, the roster does.
    let (code, document) = with(&capture(folder.path(), "absent", &scenario(ENGINE, "")));
    assert_eq!(code, 1);
    let found = &document["outages"][0];
    assert_eq!(
        (found["scope"].as_str(), &found["nodes"], &found["ids"]),
        (
            Some("node"),
            &serde_json::json!(["sliding door"]),
            &serde_json::json!(["0x3B0", "0x3B2"])
        )
    );
    assert!(
        found["ongoing_at_end"] == true
            && found["evidence"][0].as_str().unwrap().contains("never heard")
    );
    assert!(
        document["nodes"]
            .as_array()
            .unwrap()
            .iter()
            .any(|node| node["name"] == "sliding door" && node["heard"] == false)
    );

    // One of its identifiers never heard, the other too slow; the engine too fast; and something
    // new.
    let door = DOOR
        .replace("{ id = \"3B2\", period = 0.1, counter = { byte = 1, width = 8 } }", "")
        .replace("period = 0.05", "period = 0.08");
    let engine = ENGINE.replace("period = 0.1", "period = 0.05").replace("] \n", "");
    let new = "[[node]]\nname = \"tester\"\nchannel = \"can0\"\nmessages = [ { id = \"555\", period = 0.2 } ]";
    let (code, document) =
        with(&capture(folder.path(), "odd", &scenario(&format!("{door}{engine}{new}"), "")));
    assert_eq!(code, 1);
    let kinds: Vec<(&str, &str)> = document["deviations"]
        .as_array()
        .unwrap()
        .iter()
        .map(|d| (d["id"].as_str().unwrap(), d["kind"].as_str().unwrap()))
        .collect();
    assert_eq!(kinds, [("0x1F4", "too_fast"), ("0x3B0", "too_slow"), ("0x555", "new")]);
    assert_eq!(
        outages(&document)
            .iter()
            .map(|outage| (outage.0.as_str(), outage.1.as_str()))
            .collect::<Vec<_>>(),
        [("identifier", "0x3B2")]
    );

    // An outage that frames alone are too few to show: the roster's period tells.
    let trouble = "[[trouble]]\nkind = \"stub_open\"\nnode = \"door\"\nat = [0.3]\nlasts = [200.0]";
    let (code, document) =
        with(&capture(folder.path(), "early", &scenario(&format!("{DOOR}{ENGINE}"), trouble)));
    assert_eq!((code, document["outages"][0]["nodes"][0].as_str()), (1, Some("sliding door")));
}

#[test]
fn several_captures_make_one_roster() {
    let folder = tempfile::tempdir().unwrap();
    let first = capture(folder.path(), "first", &scenario(ENGINE, ""));
    let second = capture(folder.path(), "second", &scenario(&format!("{DOOR}{ENGINE}"), ""));
    let roster = folder.path().join("roster.toml");
    assert!(
        lostnode()
            .arg("learn")
            .arg(&first)
            .arg(&second)
            .arg("-o")
            .arg(&roster)
            .status()
            .unwrap()
            .success()
    );
    let file = RosterFile::parse(&fs::read_to_string(&roster).unwrap()).unwrap();
    assert_eq!(
        file.nodes.iter().map(|node| (node.name.as_str(), node.messages.len())).collect::<Vec<_>>(),
        [("node of 0x0C8", 2), ("node of 0x3B0", 2)]
    );
    // A capture with losses is no good teacher, and that is said.
    let bad = capture(
        folder.path(),
        "bad",
        &scenario(
            &format!("{DOOR}{ENGINE}"),
            "[[trouble]]\nkind = \"power_loss\"\nnode = \"door\"\nat = [20.0]\nlasts = [3.0]",
        ),
    );
    let output =
        lostnode().arg("learn").arg(&bad).arg("--force").arg("-o").arg(&roster).output().unwrap();
    assert!(
        String::from_utf8_lossy(&output.stderr)
            .contains("1 outage; learn from captures in which nothing is lost")
    );
}

#[track_caller]
fn wrong(text: &str, message: &str) {
    let error = RosterFile::parse(text).unwrap_err().to_string();
    assert!(error.contains(message), "{error}");
}

#[test]
fn a_wrong_roster_is_said_with_line_and_key() {
    let good = "[[node]]\nname = \"door\"\nchannel = \"can0\"\nmessages = [\n  { id = \"0x3B0\", period = 0.05, counter = { byte = 5, bit = 0, width = 4 } },\n]\n";
    RosterFile::parse(good).unwrap();
    wrong(&good.replace("0x3B0", "3B0"), "line 5: id `3B0` is no identifier");
    wrong(&good.replace("period = 0.05", "period = -1.0"), "line 5: period is -1");
    wrong(
        &good.replace("width = 4", "width = 7").replace("bit = 0", "bit = 3"),
        "line 5: counter does not fit",
    );
    wrong(&good.replace("name = \"door\"", "name = \" \""), "line 2: name is empty");
    wrong(&good.replace("period", "perid"), "unknown field `perid`");
    wrong(&good.replace("channel = \"can0\"\n", ""), "missing field `channel`");
    let folder = tempfile::tempdir().unwrap();
    let path = write(folder.path(), "wrong.toml", &good.replace("0x3B0", "0x999"));
    let output = lostnode()
        .arg("report")
        .arg(own("samples/van-door.log.gz"))
        .arg("--roster")
        .arg(&path)
        .output()
        .unwrap();
    assert_eq!(output.status.code(), Some(2));
    assert!(
        String::from_utf8_lossy(&output.stderr)
            .contains("wrong.toml: line 5: id `0x999` is no identifier")
    );
}

/// What stands under two modules is neither's, and the rest of the roster serves. It is said, by
/// the command and in the report.
#[test]
fn what_stands_under_two_modules_is_neithers() {
    let node = |name: &str, id: &str, more: &str| {
        format!(
            "[[node]]\nname = \"{name}\"\nchannel = \"can0\"\nmessages = [\n  {{ id = \"0x3B0\", \
             period = 0.05 }},\n  {{ id = \"{id}\", period = 0.1 }},\n{more}]\nanswers = \
             [\"0x7EA\"]\n"
        )
    };
    let text =
        node("door", "0x3B1", "") + &node("roof", "0x3B2", "  { id = \"0x3B2\", period = 1.0 },\n");
    let file = RosterFile::parse(&text).unwrap();
    let ids = |at: usize| file.nodes[at].ids().map(lostnode::parsers::frame::raw_id).collect();
    let (door, roof): (Vec<u32>, Vec<u32>) = (ids(0), ids(1));
    assert_eq!((door, roof, file.lone.len()), (vec![0x3B1], vec![0x3B2], 1));
    assert!(file.nodes.iter().all(|node| node.answers.is_empty()));
    let told: Vec<String> = file.twice.iter().map(ToString::to_string).collect();
    let told: Vec<&str> = told.iter().map(String::as_str).collect();
    assert_eq!(
        told,
        [
            "line 13: `0x3B0` stands under `roof`, and on line 5 under `door`; which of them it is \
             of cannot be told, so it is neither's",
            "line 15: `0x3B2` stands under `roof`, and on line 14 under `roof`; it is taken once",
            "line 17: `0x7EA` stands under `roof`, and on line 8 under `door`; which of them it is \
             of cannot be told, so it is neither's",
        ]
    );
    let folder = tempfile::tempdir().unwrap();
    let path = write(folder.path(), "twice.toml", &text);
    let output = lostnode()
        .args(["report", "--format", "json", "--roster"])
        .arg(&path)
        .arg(own("samples/van-door.log.gz"))
        .output()
        .unwrap();
    let warned = String::from_utf8_lossy(&output.stderr);
    assert!(warned.contains("twice.toml: line 13: `0x3B0` stands under `roof`"), "{warned}");
    let document: Value = serde_json::from_slice(&output.stdout).unwrap();
    assert!(document["notices"].to_string().contains("roster, line 13: `0x3B0`"), "{document}");
}

/// With names from a roster the frames can confirm what codes say.
#[test]
fn names_let_the_frames_confirm_the_codes() {
    let (_, document) = report(
        &own("samples/van-door.log.gz"),
        &["--roster", own("samples/van-roster.toml").to_str().unwrap()],
    );
    assert_eq!(document["blame"][0]["verdict"], "confirmed");
    assert!(
        document["blame"][0]["sentence"]
            .as_str()
            .unwrap()
            .contains("sliding door fell silent 5 times")
    );
    assert!(
        document["outages"]
            .as_array()
            .unwrap()
            .iter()
            .filter(|outage| outage["scope"] == "node")
            .all(|outage| outage["cause"] == "lost_power")
    );
}

/// The sample's own nodes, from traffic alone.
#[test]
fn clocks_find_the_senders_of_the_van() {
    let (_, document) = report(&own("samples/van-door.log.gz"), &[]);
    let mut found: Vec<String> =
        document["nodes"].as_array().unwrap().iter().map(|node| node["ids"].to_string()).collect();
    found.sort();
    // 0x4C0 and 0x5D1 come once a second: too few in 210 s to place them, and the report says so
    // instead of guessing.
    assert_eq!(
        found,
        [
            "[\"0x0B4\",\"0x1B8\",\"0x325\"]",
            "[\"0x0C8\",\"0x0D2\",\"0x1F4\",\"0x41E\"]",
            "[\"0x2A0\",\"0x2A8\",\"0x352\"]",
            "[\"0x3A5\",\"0x3AC\",\"0x5A0\"]",
            "[\"0x3B0\",\"0x3B2\",\"0x5B0\"]",
            "[\"0x3D1\"]",
        ]
    );
    assert!(document["notices"].to_string().contains("could not be matched to a module"));
    let counter = |id: &str| {
        document["identifiers"].as_array().unwrap().iter().find(|own| own["id"] == id).unwrap()["alive_counter"].clone()
    };
    assert_eq!(counter("0x0B4"), serde_json::json!({"byte": 6, "bit": 4, "width": 4}));
    assert_eq!(counter("0x3D1"), serde_json::json!({"byte": 4, "bit": 0, "width": 8}));
    assert_eq!(counter("0x1B8"), Value::Null);
}

/// A branch of 11-bit nodes shows as a branch once clocks tell its nodes apart; both ran on
/// unheard.
#[test]
fn an_open_branch_of_eleven_bit_nodes() {
    let text = scenario(
        &format!(
            "{}{}{}",
            DOOR.replace("channel =", "branch = \"left\"\nchannel ="),
            ENGINE,
            DOOR.replace("door", "mirror")
                .replace("3B", "3D")
                .replace("40.0", "95.0")
                .replace("channel =", "branch = \"left\"\nchannel =")
        ),
        "[[trouble]]\nkind = \"branch_open\"\nbranch = \"left\"\nat = [30.0]\nlasts = [4.3]",
    );
    let (code, document, _) = simulated(&text, &[]);
    assert_eq!(code, 1);
    assert_eq!(
        outages(&document).iter().map(|outage| outage.0.as_str()).collect::<Vec<_>>(),
        ["branch"],
        "{:#}",
        document["outages"]
    );
    assert_eq!(document["outages"][0]["cause"], "open_circuit");
}

/// Nodes of a report with several identifiers, as `ids, basis`.
fn groups(document: &Value) -> Vec<(String, String)> {
    let several = |node: &&Value| node["ids"].as_array().unwrap().len() > 1;
    document["nodes"]
        .as_array()
        .unwrap()
        .iter()
        .filter(several)
        .map(|n| (n["ids"].to_string(), n["basis"].to_string()))
        .collect()
}

/// A clock that wanders by 4 ms is too uncertain by itself; the offset between two of its
/// identifiers is not.
#[test]
fn wandering_clocks_keep_together() {
    let wander = |node: &str, period: f64| {
        node.replace("channel =", &format!("wander = 0.004\nwander_period = {period}\nchannel ="))
    };
    let (_, document, _) = simulated(
        &scenario(&format!("{}{}", wander(DOOR, 71.0), wander(ENGINE, 97.0)), "")
            .replace("duration = 150.0", "duration = 400.0"),
        &[],
    );
    let clock = "[\"clock\"]".to_owned();
    assert_eq!(
        groups(&document),
        [
            ("[\"0x0C8\",\"0x1F4\"]".to_owned(), clock.clone()),
            ("[\"0x3B0\",\"0x3B2\"]".to_owned(), clock)
        ]
    );
}

/// In a capture too short for clocks, identifiers that begin together long after the others have
/// one sender.
#[test]
fn a_shared_late_start() {
    let text = scenario(
        &format!(
            "{DOOR}{ENGINE}{}",
            ENGINE.replace("engine", "brakes").replace("0C8", "0B4").replace("1F4", "1B8")
        ),
        "[[trouble]]\nkind = \"power_loss\"\nnode = \"door\"\nat = [0.0]\nlasts = [12.0]",
    );
    let (_, document, _) = simulated(&text.replace("duration = 150.0", "duration = 25.0"), &[]);
    assert_eq!(
        groups(&document),
        [("[\"0x3B0\",\"0x3B2\"]".to_owned(), "[\"shared_silence\"]".to_owned())]
    );
}

/// Without any counter: the first frames come as after the other returns, or the supply dipped just
/// before.
#[test]
fn how_it_came_back_and_what_the_supply_did() {
    let plain = r#"
[[node]]
name = "door"
channel = "can0"
drift_ppm = 40.0
resets_on_dip = true
messages = [ { id = "3B0", period = 0.05, offset = 0.0 }, { id = "3B2", period = 0.1, offset = 0.013 }, { id = "5B0", period = 0.2, offset = 0.051 } ]
"#;
    let check = |trouble: &str, sentence: &str| {
        let (_, document, _) = simulated(&scenario(&format!("{plain}{ENGINE}"), trouble), &[]);
        let outages = document["outages"].as_array().unwrap();
        let told = |outage: &&Value| outage["scope"] == "node" && outage["cause"] == "lost_power";
        assert_eq!(
            outages.iter().filter(told).count(),
            outages.len(),
            "{trouble}: {:#}",
            document["outages"]
        );
        assert!(outages[0]["evidence"].to_string().contains(sentence), "{:#}", outages[0]);
    };
    check(
        // Not a whole number of periods after each other: the phase would be kept by accident.
        "[[trouble]]\nkind = \"power_loss\"\nnode = \"door\"\nat = [60.0, 90.021, 120.034]\nlasts = [2.0]",
        "the first frames of 3 identifiers came in the same order and spacing as after 2 other returns",
    );
    let asked = |at: f64, millivolts: u32| {
        format!(
            "[[exchange]]\nat = {at}\nrequest = {{ id = \"7DF\", data = \"01 42\" }}\nanswers = [ {{ id = \"7E8\", data = \"41 42 {:02X} {:02X}\" }} ]\n",
            millivolts >> 8,
            millivolts & 0xFF
        )
    };
    check(
        &format!(
            "{}{}[[trouble]]\nkind = \"supply_dip\"\nat = [60.0]\nlasts = [2.0]",
            asked(50.0, 12600),
            asked(59.5, 9100)
        ),
        "the supply fell to 9.1 V just before",
    );
    // The same returns of a node that was only unheard have no such pattern.
    let open = "[[trouble]]\nkind = \"stub_open\"\nnode = \"door\"\nat = [60.01, 90.03, 120.07]\nlasts = [2.0, 2.13, 2.29]";
    let (_, document, _) = simulated(&scenario(&format!("{plain}{ENGINE}"), open), &[]);
    assert!(!document["outages"].to_string().contains("lost_power"), "{:#}", document["outages"]);
}

/// A node that ends its identifiers one after another shut down.
#[test]
fn an_orderly_end() {
    let frame = |second: f64, id: &str| (second, format!("{id}#0000"));
    let mut lines: Vec<(f64, String)> = Vec::new();
    for step in 0..3000 {
        let at = f64::from(step) * 0.02;
        lines.push(frame(1000.0 + at, "0C8"));
        for (id, offset, until) in
            [("18FEF121", 0.003, 20.0), ("18FEF221", 0.007, 20.9), ("18FEE921", 0.011, 22.0)]
        {
            if at < until || at > 31.234 {
                lines.push(frame(1000.0 + at + offset, id));
            }
        }
    }
    let lines: Vec<(f64, &str)> = lines.iter().map(|(at, line)| (*at, line.as_str())).collect();
    let folder = tempfile::tempdir().unwrap();
    let path = write(folder.path(), "capture.log", &common::log(&lines));
    let (_, document) = report(&path, &[]);
    let node =
        document["outages"].as_array().unwrap().iter().find(|outage| outage["scope"] == "node");
    assert!(
        node.is_some_and(|node| node["evidence"]
            .to_string()
            .contains("ended one after another over 2.0 s")),
        "{document:#}"
    );
}

/// Made for this test; names and numbers invented. Element names from the AUTOSAR schema.
const ARXML: &str = include_str!("data/invented-system.arxml");

#[test]
fn autosar_descriptions_are_rosters() {
    let file = from_arxml(ARXML).unwrap();
    let seen: Vec<(&str, &str, usize, usize)> = file
        .nodes
        .iter()
        .map(|node| {
            (node.channel.as_str(), node.name.as_str(), node.messages.len(), node.events.len())
        })
        .collect();
    assert_eq!(seen, [("BodyCan", "SlidingDoor", 1, 1)]);
    assert_eq!(file.nodes[0].messages[0].period, Some(0.05));
    assert_eq!(lostnode_parsers::frame::raw_id(file.nodes[0].messages[0].id), 0x3B0);
    for (text, message) in
        [("<html/>", "no AUTOSAR system description"), ("<?xml", "no AUTOSAR system description")]
    {
        assert!(from_arxml(text).unwrap_err().to_string().contains(message));
    }
    let folder = tempfile::tempdir().unwrap();
    let path = write(folder.path(), "system.arxml", ARXML);
    let (_, document) =
        report(&own("samples/van-door.log.gz"), &["--roster", path.to_str().unwrap()]);
    assert!(
        document["nodes"]
            .as_array()
            .unwrap()
            .iter()
            .any(|node| node["name"] == "SlidingDoor" && node["basis"][0] == "roster")
    );
}

#[test]
fn learned_from_the_sound_truck_the_lost_one_is_named() {
    let (Some(sound), Some(lost)) =
        (shared("data/truck-steady.log.gz"), shared("data/truck-intermittent.log.gz"))
    else {
        return;
    };
    let folder = tempfile::tempdir().unwrap();
    let roster = folder.path().join("roster.toml");
    assert!(lostnode().arg("learn").arg(&sound).arg("-o").arg(&roster).status().unwrap().success());
    let (code, document) = report(&sound, &["--roster", roster.to_str().unwrap()]);
    assert_eq!(
        (code, outages(&document), &document["deviations"]),
        (0, vec![], &serde_json::json!([]))
    );
    let (code, document) = report(&lost, &["--roster", roster.to_str().unwrap()]);
    // Key-offs, as the engine speed shows.
    assert_eq!(code, 0);
    let nodes: Vec<String> = outages(&document)
        .into_iter()
        .filter(|outage| outage.0 == "node" || outage.0 == "branch")
        .map(|outage| outage.1)
        .collect();
    // Whoever left with it is told with it.
    let named = |wanted: &str| nodes.iter().filter(|names| names.contains(wanted)).count();
    assert_eq!(named("address 0x0B"), 6);
    assert_eq!(named("address 0x00"), 3);
}

/// An example of this workspace, which `cargo test` builds beside the tests.
fn example(name: &str) -> Command {
    let tests = std::env::current_exe().unwrap();
    Command::new(tests.parent().unwrap().parent().unwrap().join("examples").join(name))
}

/// The published networks (ECUPrint supplement), with the clocks as published and drawn anew with
/// two pairs of nodes within 2 ppm: both as well as issue 18 asks (docs/roster.md has ten seeds).
#[test]
fn grouping_by_clock() {
    let Some(table) = shared("facts/node-clocks.tsv") else { return };
    let score = |arguments: &[&str]| -> (f64, f64) {
        let output = example("grouping").arg(&table).args(arguments).output().unwrap();
        let text = String::from_utf8(output.stdout).unwrap();
        let last = text.lines().last().unwrap();
        let numbers: Vec<f64> =
            last.split('|').filter_map(|cell| cell.trim().parse().ok()).collect();
        let [precision, _, f1, _] = numbers.as_slice() else { panic!("{text}") };
        (*precision, *f1)
    };
    for arguments in [&["1", "600"][..], &["drawn", "1", "1"]] {
        let (precision, f1) = score(arguments);
        assert!(precision >= 0.99 && f1 >= 0.97, "{arguments:?}: {precision} {f1}");
    }
}

/// Power or wiring on 60 seeded outages: at least 95 % right where answered, at most one in eight
/// unanswered (docs/roster.md has 200).
#[test]
fn wiring_or_power() {
    let output = example("wiring_or_power").arg("60").output().unwrap();
    let text = String::from_utf8(output.stdout).unwrap();
    let numbers: Vec<f64> = text
        .lines()
        .last()
        .unwrap()
        .split_whitespace()
        .filter_map(|word| word.parse().ok())
        .collect();
    assert!(numbers[0] >= 95.0 && numbers[1] <= 12.5, "{text}");
}
