//! In which order tests are told: most probability for their minutes, today's complaint weighing
//! most. For each rule the smallest capture that needs it, and its counterpart. All data is
//! invented.

mod common;
#[path = "common/five_nodes.rs"]
mod five_nodes;

use common::simulated;
use five_nodes::{ranked, read, trouble, vehicle};
use serde_json::Value;

/// The report of these troubles, with changes to the tables.
fn changed(troubles: &[String], changes: &str) -> Value {
    let folder = tempfile::tempdir().unwrap();
    let path = folder.path().join("knowledge.toml");
    std::fs::write(&path, changes).unwrap();
    let text = vehicle() + &troubles.concat();
    simulated(&text, &["--knowledge", path.to_str().unwrap()]).1
}

fn reported(troubles: &[String]) -> Value {
    changed(troubles, "")
}

/// The place of the first test whose title begins so.
fn place(document: &Value, title: &str) -> usize {
    let tests = document["next_tests"].as_array().unwrap();
    let begins = |test: &Value| test["title"].as_str().unwrap().starts_with(title);
    tests.iter().position(begins).unwrap_or_else(|| panic!("no {title}: {tests:#?}"))
}

/// Codes that have not failed in this operation cycle.
fn old_codes() -> String {
    read(100.0, 0, &["C1 40 00 28", "C1 56 00 28"])
}

fn radio_lost_for_good(at: f64) -> String {
    trouble("power_loss", "node = \"radio\"", &[at], &[100.0])
}

fn short() -> String {
    trouble("bus_short", "channel = \"can0\"", &[30.0, 70.0], &[2.0, 3.0])
}

const CLEAR: &str = "Clear the codes";
const WIGGLE: &str = "Wiggle";
const SUPPLY: &str = "Supply and ground";
const PINS: &str = "Pins of the connector";
const INTERNAL: &str = "Codes of the module";
const RESISTANCE: &str = "Resistance";
const LEVELS: &str = "Levels";
const WIRES: &str = "Bus wires";
const SWAP: &str = "Fit a known good module";

/// Old codes that are nearly sure are cleared and read in a quarter of an hour, before a half is
/// spent behind the trim for what the wiggle test did not find; but today's complaint has the first
/// test, though clearing finds more for its minutes.
#[test]
fn a_quick_test_of_something_old_comes_before_a_long_one() {
    let lost = trouble("power_loss", "node = \"door\"", &[30.0, 47.0, 80.0], &[3.6, 2.2, 7.0]);
    let found = reported(&[lost.clone(), old_codes()]);
    assert_eq!(ranked(&found)[0].0, "module_power");
    assert_eq!(place(&found, WIGGLE), 0, "{:#}", found["next_tests"]);
    assert!(place(&found, CLEAR) < place(&found, SUPPLY), "{:#}", found["next_tests"]);
    let tests = &found["next_tests"];
    let for_minutes =
        |at: usize| tests[at]["finds"].as_f64().unwrap() / tests[at]["minutes"].as_f64().unwrap();
    assert!(for_minutes(0) < for_minutes(1), "{tests:#}");
    // A table says how much more today's complaint weighs.
    let found = changed(&[lost, old_codes()], "[order]\npresent = 30.0");
    assert!(place(&found, CLEAR) > place(&found, SUPPLY), "{:#}", found["next_tests"]);
}

/// A weight of nothing would hide what it is for.
#[test]
fn weights_are_above_zero() {
    for wrong in ["present = 0.0", "further = -1.0", "benign = inf", "today = 3.0"] {
        let wrong = lostnode::fault::Knowledge::with(&format!("[order]\n{wrong}"));
        assert!(wrong.is_err(), "{wrong:?}");
    }
    assert!(lostnode::fault::Knowledge::with("[order]\nforeign = 3").is_ok());
}

/// This radio has no switch of its own.
const NO_SWITCH: &str = "[class.switched_by_user]\nprior = 0.0001\n";

/// Once a cover is open its tests wait for no company: what another test behind it would find, as
/// of the recording, makes none of them better. What has to be opened is worth all that lies behind
/// it.
#[test]
fn behind_an_open_cover_each_test_stands_for_itself() {
    let pause = trouble("capture_pause", "", &[50.0], &[2.0]);
    let found = changed(
        &[short(), radio_lost_for_good(90.0), pause],
        &format!("[order]\nbenign = 3.0\n{NO_SWITCH}"),
    );
    assert!(ranked(&found).iter().any(|(class, ..)| class == "logger"), "{:?}", ranked(&found));
    assert_eq!(place(&found, RESISTANCE), 0);
    assert!(place(&found, WIGGLE) < place(&found, LEVELS), "{:#}", found["next_tests"]);
    // The connector of the radio is worth opening for its pins, and its supply is measured then.
    let tests = &found["next_tests"];
    assert_eq!(place(&found, SUPPLY), place(&found, PINS) + 1, "{tests:#}");
    let open = tests[place(&found, SUPPLY)]["access"].as_str().unwrap();
    assert!(open.contains("already accessible"), "{tests:#}");
    // A known good module proves something only where supply, ground and bus are.
    let last = place(&found, SWAP);
    assert!([INTERNAL, SUPPLY, PINS, WIRES].iter().all(|own| place(&found, own) < last));
    assert!(tests[last]["finds"].as_f64() > tests[place(&found, WIRES)]["finds"].as_f64());
}

/// A radio that is gone for good may be faulty inside, at less than 20 %: a tester reads its codes
/// in minutes, before its connector is looked for behind the trim.
#[test]
fn the_rival_of_what_is_likely_is_tested_with_it() {
    let found = changed(&[radio_lost_for_good(60.0), old_codes()], NO_SWITCH);
    let all = found["findings"].as_array().unwrap();
    let dead = all.iter().find(|finding| finding["class"] == "module_dead").unwrap();
    let tables = dead["uncalibrated"].as_f64().unwrap();
    assert!((0.1..0.2).contains(&tables), "{dead}");
    assert!(place(&found, INTERNAL) < place(&found, PINS), "{:#}", found["next_tests"]);
    // What the starter likely pulled down is no rival of anything likely, however much today's
    // complaint weighs.
    let once = trouble("power_loss", "node = \"door\"", &[15.0], &[3.6]);
    let weights = "[order]\npresent = 30.0\n[class.module_power]\nprior = 0.14";
    let found = changed(&[once, old_codes()], weights);
    let all = found["findings"].as_array().unwrap();
    let power = all.iter().find(|finding| finding["class"] == "module_power").unwrap();
    assert!((0.1..0.2).contains(&power["uncalibrated"].as_f64().unwrap()), "{power}");
    assert_eq!(place(&found, CLEAR), 0, "{:#}", found["next_tests"]);
}

/// What hid from one measurement hides from the next as well: after the resistance of the line its
/// levels wait for the first test of another fault that is nearly as good, and for no long one.
#[test]
fn a_further_test_of_a_fault_waits_for_the_first_of_another() {
    let troubles = [short(), radio_lost_for_good(90.0)];
    let found = changed(&troubles, "[order]\nfurther = 0.4");
    assert_eq!(place(&found, RESISTANCE), 0, "{:#}", found["next_tests"]);
    assert!(place(&found, INTERNAL) < place(&found, LEVELS), "{:#}", found["next_tests"]);
    let found = changed(&troubles, "[order]\nfurther = 1.0");
    assert!(place(&found, INTERNAL) > place(&found, LEVELS), "{:#}", found["next_tests"]);
    let often = trouble("power_loss", "node = \"radio\"", &[50.0, 90.0], &[5.0, 6.0]);
    let found = reported(&[trouble("bus_short", "channel = \"can0\"", &[30.0], &[2.0]), often]);
    assert!(place(&found, LEVELS) < place(&found, SUPPLY), "{:#}", found["next_tests"]);
}

/// A fuse does not come and go, and what is silent for good does not come back for a hand on its
/// harness: the one begins with its fuses, the other with the wiggle test, before any trim is off.
#[test]
fn what_lasts_is_measured_and_what_comes_and_goes_is_moved() {
    let lasting = reported(&[radio_lost_for_good(60.0)]);
    let fuses = place(&lasting, "Fuses and relays");
    assert!(fuses < place(&lasting, PINS));
    let moved = lasting["next_tests"].as_array().unwrap();
    let moved = moved.iter().position(|test| test["title"].as_str().unwrap().starts_with(WIGGLE));
    assert!(moved.is_none_or(|moved| fuses < moved));
    let at_times = trouble("power_loss", "node = \"radio\"", &[30.0, 47.0, 80.0], &[3.6, 2.2, 7.0]);
    assert_eq!(place(&reported(&[at_times]), WIGGLE), 0);
}

/// The first sentence and the list name the same test first, also where it cannot be told which of
/// several is behind a silence.
#[test]
fn there_is_one_first_test() {
    let found = reported(&[trouble("power_loss", "node = \"brakes\"", &[60.0], &[100.0])]);
    let ask = found["next_tests"][0]["title"].as_str().unwrap();
    assert!(ask.starts_with("Ask whether ") && ask.ends_with(" was switched off"), "{ask}");
    let said = found["headline"].as_str().unwrap();
    assert!(said.contains("cannot tell yet between"), "{said}");
    assert!(said.ends_with("first ask whether it was switched off."), "{said}");
}
