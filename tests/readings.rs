//! What a mechanic measures, tries and notes, and what the report makes of it: on the sample, whose
//! door loses its ground, and on vehicles with one fault each. All data is invented.

mod common;

use std::fs;

use common::{own, report, simulated};
use serde_json::Value;

/// The report of the sample van with readings.
fn van(job: &str, wiring: bool) -> Value {
    let folder = tempfile::tempdir().unwrap();
    let path = folder.path().join("job.toml");
    fs::write(&path, job).unwrap();
    let (roster, parts) = (own("samples/van-roster.toml"), own("samples/van-wiring.toml"));
    let mut with = vec!["--roster", roster.to_str().unwrap(), "--readings", path.to_str().unwrap()];
    if wiring {
        with.extend(["--wiring", parts.to_str().unwrap()]);
    }
    report(&own("samples/van-door.log.gz"), &with).1
}

fn door(what: &str, value: &str) -> String {
    format!("[[reading]]\nwhat = \"{what}\"\nnode = \"sliding door\"\n{value}\n")
}

fn volts(what: &str, volts: f64) -> String {
    door(what, &format!("value = {volts:?}"))
}

fn has_test(document: &Value, title: &str) -> bool {
    let tests = document["next_tests"].as_array().unwrap();
    tests.iter().any(|test| test["title"].as_str().unwrap().starts_with(title))
}

/// The share of the ground point in the door's loss of power, 0 where it is not named.
fn of_ground(document: &Value) -> f64 {
    let places = document["elements"].as_array().unwrap();
    let ground = places.iter().find(|own| own["name"] == "ground point behind the step");
    ground.map_or(0.0, |own| own["probability"].as_f64().unwrap())
}

/// A supply that is low against battery minus tells nothing of the ground; a good drop at the
/// ground pin contains the ground point, and a bad one proves the fuse where the supply is there.
#[test]
fn a_reading_of_one_side_of_the_supply_blames_that_side() {
    let before = of_ground(&van("", true));
    let low = van(&(volts("supply_volts", 4.0) + &volts("ground_drop_volts", 0.05)), true);
    assert_eq!(low["findings"][0]["class"], "module_power");
    assert!(before > 0.5 && of_ground(&low) < 0.1, "{before} {}", of_ground(&low));
    assert!(!has_test(&low, "Voltage drop across ground point"), "it was measured through");
    let good = van(&volts("ground_drop_volts", 0.05), true);
    assert!(of_ground(&good) < before / 1.5, "{}", of_ground(&good));
    // The other way round the ground point gains, and is measured next.
    let bad = van(&(volts("supply_volts", 12.2) + &volts("ground_drop_volts", 1.9)), true);
    assert!(of_ground(&bad) > before && has_test(&bad, "Voltage drop across ground point"));
    // Without a wiring file full supply under load has come through the fuse; a low one has not.
    assert!(!has_test(&van(&volts("supply_volts", 12.2), false), "Fuses and relays"));
    assert!(has_test(&van(&volts("supply_volts", 4.0), false), "Fuses and relays"));
}

/// A bad part is a fact, also where it explains nothing; a reading that a part cannot give is
/// refused.
#[test]
fn a_bad_part_is_told_where_it_explains_nothing() {
    let at = |what: &str, element: &str, value: &str| {
        format!("[[reading]]\nwhat = \"{what}\"\nelement = \"{element}\"\n{value}\n")
    };
    let job = at("supply_drop_volts", "fuse F23", "value = 3.0")
        + &at("looked_at", "plug at the B-pillar", "result = \"bad\"");
    let document = van(&job, true);
    let told = document["job"]["readings"].to_string();
    assert!(told.contains("at fuse F23: 3 V (bad)") && told.contains("B-pillar: bad"), "{told}");
    let harness = document["findings"][0]["harness"].to_string();
    assert!(
        harness.contains("fuse F23: 3 V (bad): mend it, though it does not explain"),
        "{harness}"
    );
    let wrong = at("supply_drop_volts", "ground point behind the step", "value = 3.0");
    let folder = tempfile::tempdir().unwrap();
    let path = folder.path().join("job.toml");
    fs::write(&path, wrong).unwrap();
    let output = common::lostnode()
        .arg("report")
        .arg(own("samples/van-door.log.gz"))
        .args(["--roster", own("samples/van-roster.toml").to_str().unwrap()])
        .args(["--wiring", own("samples/van-wiring.toml").to_str().unwrap()])
        .arg("--readings")
        .arg(&path)
        .output()
        .unwrap();
    let error = String::from_utf8_lossy(&output.stderr).into_owned();
    assert!(error.contains("line 3: supply_drop_volts cannot be measured at"), "{error}");
    assert_eq!(output.status.code(), Some(2));
}

const DOOR: &str = r#"
title = "a door (invented)"
invented = true
seed = 4
start = 1.79e9
duration = 200.0
[[channel]]
name = "can0"
bit_rate = 500000
[[node]]
name = "door"
channel = "can0"
drift_ppm = 40.0
messages = [
  { id = "3B0", period = 0.05, counter = { byte = 5, width = 4 } },
  { id = "3B1", period = 0.1 },
]
[[node]]
name = "engine"
channel = "can0"
drift_ppm = -60.0
messages = [{ id = "0A0", period = 0.02 }, { id = "0A1", period = 0.05 }]
[[node]]
name = "brakes"
channel = "can0"
drift_ppm = 95.0
messages = [{ id = "0B0", period = 0.02 }, { id = "0B1", period = 0.05 }]
"#;

/// Who is silent for good does not come back by moving its harness, whatever ails it: a blown fuse
/// is no fault inside. One that comes and goes and holds while it is moved is another matter.
#[test]
fn wiggling_what_is_silent_for_good_tells_little() {
    let folder = tempfile::tempdir().unwrap();
    let path = folder.path().join("job.toml");
    let job = "[[reading]]\nwhat = \"wiggle\"\nnode = \"node of 0x3B0\"\nresult = \"held\"\n";
    fs::write(&path, job).unwrap();
    let of = |document: &Value, class: &str| {
        let all = document["findings"].as_array().unwrap();
        let own = all.iter().find(|own| own["class"] == class);
        own.map_or(0.0, |own| own["probability"].as_f64().unwrap())
    };
    let ratio = |at: &str, lasts: &str| {
        let text = format!(
            "{DOOR}[[trouble]]\nkind = \"power_loss\"\nnode = \"door\"\nat = {at}\nlasts = {lasts}"
        );
        let power = |document: &Value| of(document, "module_power") / of(document, "module_dead");
        let before = simulated(&text, &[]).1;
        let after = simulated(&text, &["--readings", path.to_str().unwrap()]).1;
        power(&after) / power(&before)
    };
    let (lasting, passing) = (ratio("[100.0]", "[500.0]"), ratio("[60.0, 130.0]", "[2.0, 3.0]"));
    assert!(lasting > 0.75 && passing < 0.6, "{lasting} {passing}");
}

/// A known good module was fitted and the trouble is gone: a drive is next, and no tester; and the
/// old one may be sound, for plugging in wipes contacts.
#[test]
fn after_a_good_module_helped_a_drive_is_next() {
    let good = volts("supply_volts", 12.2) + &volts("ground_drop_volts", 0.05);
    let gone = van(&(good.clone() + &door("swap", "result = \"fault gone\"")), false);
    let told = gone["headline"].as_str().unwrap();
    assert!(told.contains("gone since a known good one was plugged in"), "{told}");
    assert!(told.contains("now drive as when it failed, for at least 5 min"), "{told}");
    let stays = van(&(good + &door("swap", "result = \"no change\"")), false);
    assert!(!stays["headline"].as_str().unwrap().contains("now drive"));
}

/// What was done is told as it was noted; who configures a module mends no wire.
#[test]
fn what_was_done_is_told_as_noted() {
    let done = |what: &str| {
        let job = format!("[[done]]\nwhat = \"{what}\"\nnode = \"sliding door\"\n");
        van(&job, false)["headline"].as_str().unwrap().to_owned()
    };
    assert!(done("replaced").contains("noted as replaced; now drive as when it failed"));
    assert!(!done("configured").contains("noted as"));
}

const BUS: &str = r#"
title = "a bus that stops (invented)"
invented = true
seed = 4
start = 1.79e9
duration = 120.0
[[channel]]
name = "can0"
bit_rate = 500000
[[node]]
name = "body"
channel = "can0"
drift_ppm = 40.0
messages = [
  { id = "3B0", period = 0.05, counter = { byte = 5, width = 4 } },
  { id = "3B1", period = 0.1 },
]
[[node]]
name = "engine"
channel = "can0"
drift_ppm = -60.0
messages = [{ id = "0A0", period = 0.02 }, { id = "0A1", period = 0.05 }]
[[node]]
name = "brakes"
channel = "can0"
drift_ppm = 95.0
messages = [{ id = "0B0", period = 0.02 }, { id = "0B1", period = 0.05 }]
[[trouble]]
kind = "bus_short"
channel = "can0"
at = [30.0, 70.0]
lasts = [1.0, 1.5]
"#;

/// The report of a simulated vehicle with readings.
fn with_job(text: &str, job: &str) -> Value {
    let folder = tempfile::tempdir().unwrap();
    let path = folder.path().join("job.toml");
    fs::write(&path, job).unwrap();
    simulated(text, &["--readings", path.to_str().unwrap()]).1
}

fn first_test(document: &Value) -> &str {
    document["next_tests"][0]["title"].as_str().unwrap()
}

/// What the meter says of the bus says what to do next; a bus that drops out for a second has a
/// test of the hand.
#[test]
fn the_meter_says_what_is_next_on_a_bus() {
    let ohms = |value: &str| {
        with_job(BUS, &format!("[[reading]]\nwhat = \"termination_ohms\"\nvalue = {value}\n"))
    };
    assert_eq!(first_test(&ohms("120.0")), "The two terminations of can0");
    assert_eq!(first_test(&ohms("2.0")), "Split the main line in halves");
    let good = ohms("60.0");
    assert!(!["The two", "Split"].iter().any(|own| first_test(&good).starts_with(own)), "{good:#}");
    assert!(has_test(&good, "Move the harness of can0 while recording"));
}

/// Without one module the bus recovers: it is looked at next, and not the line.
#[test]
fn the_module_without_which_the_bus_recovers_is_next() {
    let unplugged = |result: &str| {
        let job = format!(
            "[[reading]]\nwhat = \"unplug\"\nnode = \"node of 0x3B0\"\nresult = \"{result}\"\n"
        );
        with_job(BUS, &job)["headline"].as_str().unwrap().to_owned()
    };
    let recovered = unplugged("bus recovered");
    assert!(recovered.contains("without") && recovered.contains("the bus recovers"), "{recovered}");
    assert!(!unplugged("no change").contains("recovers"));
}

/// Each question and look that the list asks for can be answered.
#[test]
fn answers_to_what_is_asked_first_count() {
    let lost = "[[trouble]]\nkind = \"power_loss\"\nnode = \"door\"\nat = [100.0]\nlasts = [500.0]";
    let text = format!("{DOOR}{lost}");
    let of = |document: &Value, class: &str| {
        let all = document["findings"].as_array().unwrap();
        let own = all.iter().find(|own| own["class"] == class);
        own.map_or(0.0, |own| own["probability"].as_f64().unwrap())
    };
    let read = |what: &str, result: &str| {
        let node = "node = \"node of 0x3B0\"";
        with_job(&text, &format!("[[reading]]\nwhat = \"{what}\"\n{node}\nresult = \"{result}\"\n"))
    };
    let before = simulated(&text, &[]).1;
    // Who has looked at a module has asked its user: that lifts all others alike.
    for (what, yes, no, class, rival) in [
        ("switched_off", "yes", "no", "switched_by_user", "module_power"),
        ("fuse", "blown", "good", "module_power", "module_connector"),
        ("answers", "yes", "no", "module_dead", "module_power"),
        ("pins", "bad", "good", "module_connector", "module_dead"),
    ] {
        let odds = |document: &Value| of(document, class) / of(document, rival).max(0.01);
        let (for_it, against) = (odds(&read(what, yes)), odds(&read(what, no)));
        let was = odds(&before);
        assert!(for_it > 1.3 * was && against < was, "{what}: {against} {was} {for_it}");
    }
    assert!(has_test(&before, "Fuses and relays"));
    assert!(!has_test(&read("fuse", "good"), "Fuses and relays"));
}

/// What is gone for a second is not found by a scan, what is silent for half a minute is.
#[test]
fn what_is_back_at_once_is_not_scanned_for() {
    let before = |at: &str, lasts: &str| {
        let text = format!(
            "{DOOR}[[trouble]]\nkind = \"power_loss\"\nnode = \"door\"\nat = {at}\nlasts = {lasts}"
        );
        let folder = tempfile::tempdir().unwrap();
        let path = folder.path().join("capture.log");
        let mut out = Vec::new();
        let scenario = lostnode::simulate::Scenario::parse(&text).unwrap();
        lostnode::simulate::run(&scenario, &mut out).unwrap();
        fs::write(&path, out).unwrap();
        let output = common::lostnode().arg("report").arg(&path).output().unwrap();
        let text = String::from_utf8(output.stdout).unwrap();
        text.split_whitespace().collect::<Vec<_>>().join(" ")
    };
    assert!(before("[60.0, 130.0]", "[2.0, 3.0]").contains("of all modules: whom do they"));
    assert!(before("[60.0, 130.0]", "[30.0, 40.0]").contains("scan while it is silent"));
}
