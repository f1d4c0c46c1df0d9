//! Findings, the order of tests, readings and cautions through the binary.

mod common;

use std::fs;
use std::process::Command;

use common::{lostnode, own, report, shared, simulated};
use lostnode::fault::Knowledge;
use serde_json::Value;

fn classes(document: &Value) -> Vec<String> {
    document["findings"]
        .as_array()
        .unwrap()
        .iter()
        .map(|finding| finding["class"].as_str().unwrap().to_owned())
        .collect()
}

fn strings(value: &Value) -> Vec<String> {
    value.as_array().unwrap().iter().map(|value| value.as_str().unwrap().to_owned()).collect()
}

/// The van's three troubles, each explained by one finding, and the sleep last.
#[test]
fn the_van() {
    let (_, document) = report(
        &own("samples/van-door.log.gz"),
        &["--roster", own("samples/van-roster.toml").to_str().unwrap()],
    );
    let found = classes(&document);
    assert_eq!(found.last().unwrap(), "sleep");
    for class in ["module_power", "not_configured", "stale_codes"] {
        assert!(found[..3].iter().any(|found| found == class), "{found:?}");
    }
    let of = |class: &str| {
        document["findings"]
            .as_array()
            .unwrap()
            .iter()
            .find(|finding| finding["class"] == class)
            .unwrap()
            .clone()
    };
    let power = of("module_power");
    assert_eq!(
        (strings(&power["nodes"]), power["scope"].as_str()),
        (vec!["sliding door".to_owned()], Some("node"))
    );
    assert_eq!(strings(&power["codes_explained"]), ["U0199-87 in 0x7EA", "U0199-87 in 0x7EB"]);
    assert!(power["cautions"].to_string().contains("keep hands out of the way"));
    assert!(
        strings(&power["evidence"])
            .iter()
            .any(|sentence| sentence.starts_with("for: rebooted at every return (5)"))
    );
    // The codes of the flat battery are nobody's fault today.
    assert_eq!(strings(&of("stale_codes")["codes_explained"]).len(), 8);
    assert_eq!(strings(&of("not_configured")["nodes"]), ["0x7EB"]);
    // Tests behind one trim come one after the other, and it is opened once.
    let access: Vec<String> = document["next_tests"]
        .as_array()
        .unwrap()
        .iter()
        .map(|test| test["access"].as_str().unwrap().to_owned())
        .collect();
    let opened =
        access.iter().filter(|access| *access == "connector of sliding door, behind trim").count();
    assert!(
        opened == 1
            && access
                .iter()
                .any(|access| access
                    == "connector of sliding door, behind trim (already accessible)"),
        "{access:?}"
    );
}

/// Sound captures need no explanation; what is no fault of the vehicle is said to be none.
#[test]
fn sound_vehicles_have_no_fault() {
    for name in ["truck-steady", "truck-key-on", "car-steady", "car-key-cycle", "car-capture-pause"]
    {
        let Some(path) = shared(&format!("data/{name}.log.gz")) else { return };
        let (_, document) = report(&path, &[]);
        let faults = document["findings"]
            .as_array()
            .unwrap()
            .iter()
            .filter(|finding| finding["benign"] == false)
            .count();
        assert_eq!(faults, 0, "{name}: {:?}", classes(&document));
    }
    // The intermittent truck: the two addresses that fell silent, and nobody else.
    let (_, document) = report(&shared("data/truck-intermittent.log.gz").unwrap(), &[]);
    for finding in
        document["findings"].as_array().unwrap().iter().filter(|finding| finding["benign"] == false)
    {
        let nodes = strings(&finding["nodes"]);
        assert!(
            nodes
                .iter()
                .all(|node| node.starts_with("address 0x00") || node.starts_with("address 0x0B")),
            "{finding:#}"
        );
    }
}

const DOOR: &str = r#"
title = "t"
invented = true
seed = 4
start = 1.79e9
duration = 150.0
[[channel]]
name = "can0"
bit_rate = 500000
[[node]]
name = "door"
channel = "can0"
drift_ppm = 40.0
messages = [ { id = "3B0", period = 0.05, counter = { byte = 5, width = 4 } }, { id = "3B2", period = 0.1, counter = { byte = 1, width = 8 } } ]
[[node]]
name = "engine"
channel = "can0"
drift_ppm = -60.0
messages = [ { id = "0C8", period = 0.02 }, { id = "1F4", period = 0.1 } ]
[[node]]
name = "brakes"
channel = "can0"
drift_ppm = 95.0
messages = [ { id = "0B4", period = 0.02 }, { id = "1B8", period = 0.1 } ]
"#;

/// Lost until the end: traffic cannot tell power from wiring from a dead module; readings can.
#[test]
fn readings_tell_what_traffic_cannot() {
    let folder = tempfile::tempdir().unwrap();
    let text = format!(
        "{DOOR}[[trouble]]\nkind = \"stub_open\"\nnode = \"door\"\nat = [100.0]\nlasts = [500.0]"
    );
    let (_, document, _) = simulated(&text, &[]);
    let first = document["findings"][0]["probability"].as_f64().unwrap();
    // Besides, its user may have switched it off.
    let is_fault = |finding: &&Value| finding["benign"] == false;
    let faults = document["findings"].as_array().unwrap().iter().filter(is_fault).count();
    assert!(first < 0.6 && faults == 3, "{:#}", document["findings"]);
    let job = folder.path().join("job.toml");
    let readings = r#"
[[reading]]
what = "supply_volts"
node = "node of 0x3B0"
value = 12.3
[[reading]]
what = "ground_drop_volts"
node = "node of 0x3B0"
value = 0.05
[[reading]]
what = "contact_ohms"
node = "node of 0x3B0"
value = 3000000.0
"#;
    fs::write(&job, readings).unwrap();
    let (_, document, _) = simulated(&text, &["--readings", job.to_str().unwrap()]);
    let finding = &document["findings"][0];
    assert_eq!(finding["class"], "module_connector");
    assert!(finding["probability"].as_f64().unwrap() > 0.9, "{finding:#}");
    assert!(finding["evidence"].to_string().contains("3000000 Ohm (open)"));
    // A test whose reading has come back is not asked for again.
    assert!(!document["next_tests"].to_string().contains("Bus wires from"));
}

#[track_caller]
fn refused(option: &str, text: &str, message: &str) {
    let folder = tempfile::tempdir().unwrap();
    let path = folder.path().join("wrong.toml");
    fs::write(&path, text).unwrap();
    let output = lostnode()
        .arg("report")
        .arg(own("samples/van-door.log.gz"))
        .arg(option)
        .arg(&path)
        .output()
        .unwrap();
    let error = String::from_utf8_lossy(&output.stderr).into_owned();
    assert!(
        output.status.code() == Some(2) && error.contains(message) && error.contains("wrong.toml"),
        "{error}"
    );
}

#[test]
fn a_wrong_file_is_said_with_its_line() {
    refused(
        "--readings",
        "[[reading]]\nwhat = \"ohms\"\nvalue = 60",
        "line 2: what `ohms` is no reading; there are",
    );
    refused(
        "--readings",
        "[[reading]]\nwhat = \"termination_ohms\"\nvalue = -1.0",
        "line 3: value is -1",
    );
    refused(
        "--readings",
        "[[reading]]\nwhat = \"termination_ohms\"\nvalue = 60.0\nchannel = \"can7\"",
        "line 4: there is no channel `can7`",
    );
    refused(
        "--readings",
        "[[reading]]\nwhat = \"wiggle\"\nnode = \"x\"",
        "wiggle needs a `result`",
    );
    refused(
        "--readings",
        "[[reading]]\nwhat = \"supply_volts\"\nvalue = 12.0",
        "line 2: supply_volts needs a `node`",
    );
    refused("--readings", "[[reding]]\n", "reding");
    refused("--knowledge", "[class.line]\nprior = 2.0", "class.line: prior is 2");
    refused(
        "--knowledge",
        "[sign.return.value.ran_on]\nmodule_power = 0.9",
        "sign.return: the values of module_power add up to",
    );
    refused("--knowledge", "[test.swap]\nminuts = 3", "minuts");
}

/// A user's file changes what follows: with a trade that sees no bad grounds, the same traffic
/// points elsewhere.
#[test]
fn knowledge_can_be_overridden() {
    let folder = tempfile::tempdir().unwrap();
    let path = folder.path().join("own.toml");
    fs::write(&path, "[class.module_power]\nprior = 0.000001\n[class.module_dead]\nprior = 0.3\n")
        .unwrap();
    let (_, document) =
        report(&own("samples/van-door.log.gz"), &["--knowledge", path.to_str().unwrap()]);
    assert!(
        classes(&document).contains(&"module_dead".to_owned())
            && !classes(&document).contains(&"module_power".to_owned())
    );
}

/// Every number of the tables has its source, and every class a test that can find it.
#[test]
fn the_tables_are_whole() {
    let knowledge = Knowledge::default();
    for (name, class) in &knowledge.class {
        assert!(!class.source.is_empty() && !class.explanation.is_empty(), "{name}");
        let tested = class.benign
            || knowledge
                .test
                .values()
                .any(|test| test.finds.get(name).is_some_and(|finds| *finds >= 0.3));
        assert!(tested, "no test finds {name}");
        assert!(
            knowledge.symptom.values().any(|symptom| symptom.by.contains_key(name)),
            "nothing shows {name}"
        );
    }
    for (name, test) in &knowledge.test {
        assert!(
            !test.source.is_empty() && !test.reading.is_empty() && test.minutes > 0.0,
            "{name}"
        );
    }
    assert!(knowledge.sign.values().all(|sign| !sign.source.is_empty()));
}

/// Safety: a finding about a restraint module carries its caution.
#[test]
fn restraints_carry_their_caution() {
    let text = format!(
        "{DOOR}{}{}",
        "[[exchange]]\nat = 80.0\nrequest = { id = \"7E1\", data = \"19 02 FF\" }\nanswers = [ { id = \"7E9\", data = \"59 02 FF C1 51 00 2F\" } ]\n",
        "[[trouble]]\nkind = \"stub_open\"\nnode = \"door\"\nat = [60.0]\nlasts = [2.0]"
    );
    let (_, document, _) = simulated(&text, &[]);
    assert!(
        document["findings"][0]["cautions"]
            .to_string()
            .contains("never put an ordinary meter, a test lamp or a probe on an igniter"),
        "{document:#}"
    );
}

/// 48 single faults of all classes and 24 pairs, on seeds not used otherwise; docs/evaluation.md
/// has 300 and 100.
#[test]
fn scored_against_the_truth() {
    let tests = std::env::current_exe().unwrap();
    let example = tests.parent().unwrap().parent().unwrap().join("examples/findings_score");
    let output = Command::new(example).args(["48", "24", "70000"]).output().unwrap();
    let text = String::from_utf8(output.stdout).unwrap();
    let numbers = |begin: &str| -> Vec<f64> {
        let line =
            text.lines().find(|line| line.starts_with(begin)).unwrap_or_else(|| panic!("{text}"));
        line.split_whitespace()
            .filter_map(|word| word.trim_end_matches([',', ';', '%']).parse().ok())
            .collect()
    };
    // One case in 48 is 2 %. On these vehicles with keys, starters, modes and pauses 79.2, 91.7 and
    // 66.7 % are measured; the rules that had 95 % on plain buses have 60.4, 77.1 and 66.7 % here.
    let single = numbers("single faults:");
    let cost = numbers("expected minutes of tests:");
    let double = numbers("double faults:");
    assert!(single[single.len() - 2] >= 77.0 && single[single.len() - 1] >= 89.0, "{text}");
    assert!(cost[0] < cost[1] && cost[0] < cost[2], "{text}");
    assert!(*double.last().unwrap() >= 62.0, "{text}");
}

/// Many separate losses have many causes: no flood on an idle bus, no gateway that nobody misses,
/// no main line.
#[test]
fn separate_losses_are_explained_one_by_one() {
    let mut text = "title = \"t\"\ninvented = true\nseed = 3\nstart = 1.79e9\nduration = 300.0\n[[channel]]\nname = \"can0\"\nbit_rate = 500000\n".to_owned();
    for node in 0..20 {
        text += &format!(
            "[[node]]\nname = \"n{node}\"\nchannel = \"can0\"\ndrift_ppm = {}\nmessages = [ {{ id = \"{:03X}\", period = 0.05, counter = {{ byte = 0, width = 4 }} }}, {{ id = \"{:03X}\", period = 0.1, counter = {{ byte = 1, width = 8 }} }} ]\n",
            -200 + 20 * node,
            0x100 + node * 16,
            0x101 + node * 16
        );
    }
    for node in 0..12 {
        text += &format!(
            "[[trouble]]\nkind = \"stub_open\"\nnode = \"n{node}\"\nat = [{}.3]\nlasts = [2.0]\n",
            60 + node * 17
        );
    }
    let (_, document, _) = simulated(&text, &[]);
    let found = classes(&document);
    assert!(
        found.len() == 12 && found.iter().all(|class| class == "module_connector"),
        "{found:?}"
    );
}
