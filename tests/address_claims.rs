//! Address claims of SAE J1939 and the losses that they explain, on captures made by hand
//! (invented). Who keeps an address, and that a unit claims before it sends: SAE J1939-81, from
//! memory.

mod common;
#[path = "common/truck.rs"]
mod truck;

use serde_json::Value;
use truck::truck;

/// NAMEs of two units, lowest byte first, and their values: the second wins.
const OWN: &str = "0500000000000080";
const STRONGER: &str = "0400000000000080";

fn claim(time: f64, address: u8, name: &str) -> (f64, String) {
    (time, format!("18EEFF{address:02X}#{name}"))
}

fn report(log: &str) -> (i32, Value) {
    let folder = tempfile::tempdir().unwrap();
    let path = folder.path().join("truck.log");
    std::fs::write(&path, log).unwrap();
    common::report(&path, &["--bit-rate", "250000"])
}

fn loss(report: &Value) -> &Value {
    let outages = report["outages"].as_array().unwrap();
    outages.iter().find(|outage| outage["benign"] == false).unwrap()
}

fn evidence(outage: &Value) -> String {
    let lines = outage["evidence"].as_array().unwrap().iter();
    lines.map(|line| line.as_str().unwrap()).collect::<Vec<_>>().join("; ")
}

/// Another unit claims the address, the one that had it says that it has none and is silent: one
/// story, and neither its supply nor its wires.
#[test]
fn a_unit_that_lost_its_address_is_told_with_its_silence() {
    let more = [claim(20.002, 0x0B, STRONGER), claim(20.017, 0xFE, OWN)];
    let (code, report) = report(&truck(40.0, (20.005, 40.0), &more));
    assert_eq!(code, 1);
    let outage = loss(&report);
    assert_eq!(outage["cause"], "lost_address");
    assert!(evidence(outage).contains("NAME 8000000000000004"), "{outage}");
    let first = &report["findings"][0];
    assert_eq!(first["class"], "not_configured", "{first}");
    assert!(first["title"].as_str().unwrap().contains("0x0B"), "{first}");
    // Nothing else is blamed, and least of all an address that nobody has.
    let others = report["findings"].as_array().unwrap().iter().skip(1);
    for other in others.filter(|other| other["benign"] == false) {
        assert!(other["probability"].as_f64().unwrap() < 0.2, "{other}");
    }
    assert!(!report["findings"].to_string().contains("0xFE"));
}

/// A claim alone, with nobody silent, is no loss; the double address is still said.
#[test]
fn a_double_address_without_a_silence_is_no_loss() {
    let more = [claim(20.002, 0x0B, STRONGER), claim(20.017, 0xFE, OWN)];
    let (_, report) = report(&truck(40.0, (50.0, 50.0), &more));
    assert!(report["outages"].as_array().unwrap().is_empty(), "{}", report["outages"]);
    assert_eq!(report["findings"][0]["class"], "not_configured");
}

/// Who is stronger keeps its address: the unit that claimed in vain goes, and nobody lost anything.
#[test]
fn a_weaker_claim_takes_nothing_away() {
    let more = [
        claim(19.0, 0x0B, STRONGER),
        claim(20.002, 0x0B, OWN),
        claim(20.006, 0x0B, STRONGER),
        claim(20.020, 0xFE, OWN),
    ];
    let (_, report) = report(&truck(40.0, (20.005, 30.0), &more));
    assert_ne!(loss(&report)["cause"], "lost_address");
}

/// A unit that claims its address as it comes back has started anew; where all claim, somebody
/// asked.
#[test]
fn a_claim_at_the_return_tells_a_start() {
    let tells = |more: &[(f64, String)]| {
        // Back on its grid, so that nothing else tells a start.
        let (_, report) = report(&truck(40.0, (20.0, 23.0), more));
        evidence(loss(&report)).contains("address 0x0B was claimed")
    };
    assert!(!tells(&[]));
    assert!(tells(&[claim(22.8, 0x0B, OWN)]), "a claim is no sign of having gone on");
    let asked: Vec<(f64, String)> = [0x00, 0x03, 0x0B, 0x17]
        .into_iter()
        .enumerate()
        .map(|(at, address)| {
            claim(22.9 + 0.01 * at as f64, address, &format!("0{at}00000000000080"))
        })
        .collect();
    assert!(!tells(&asked));
}

/// What is wrong with the identifications, and the titles of the findings.
fn told(report: &Value) -> (String, String) {
    let problems = report["identity"].as_array().unwrap().iter();
    let problems: Vec<String> = problems.map(|own| own["problems"].to_string()).collect();
    let titles = report["findings"].as_array().unwrap().iter();
    let titles: Vec<&str> = titles.map(|own| own["title"].as_str().unwrap()).collect();
    (problems.join("; "), titles.join("; "))
}

/// Who answers the claim of a newcomer with a lower NAME keeps its address: the newcomer has none,
/// and it is the one that is wrong. Its NAME is all that is known of it.
#[test]
fn a_newcomer_without_an_address_is_told_by_its_name() {
    let more = [
        claim(0.1, 0x0B, STRONGER),
        claim(20.002, 0x0B, OWN),
        claim(20.006, 0x0B, STRONGER),
        claim(20.020, 0xFE, OWN),
    ];
    let (_, report) = report(&truck(40.0, (50.0, 50.0), &more));
    let (problems, titles) = told(&report);
    assert!(problems.contains("identity number 5"), "{problems}");
    assert!(problems.contains("wanted 0x0B"), "{problems}");
    assert!(titles.starts_with("a unit without an address: in conflict with another"), "{titles}");
    assert!(!titles.contains("0x0B") && !titles.contains("0xFE"), "{titles}");
    let tests = report["next_tests"].to_string();
    assert!(tests.contains("request all address claims") && !tests.contains("Read VIN"), "{tests}");
}

/// Two that both stay are a conflict.
#[test]
fn two_that_keep_claiming_are_told() {
    let pair = |time: f64| [claim(time, 0x0B, OWN), claim(time + 0.05, 0x0B, STRONGER)];
    let (_, report) = report(&truck(40.0, (50.0, 50.0), &[pair(5.0), pair(20.0)].concat()));
    let (problems, titles) = told(&report);
    assert!(problems.contains("2 units claim this address"), "{problems}");
    assert!(titles.contains("0x0B") && titles.contains("in conflict"), "{titles}");
}

/// Who claims an address when nobody answers took the place of a unit that was gone.
#[test]
fn a_unit_in_place_of_another_is_no_conflict() {
    let more = [claim(0.1, 0x0B, OWN), claim(29.9, 0x0B, STRONGER)];
    let (_, report) = report(&truck(40.0, (20.0, 30.0), &more));
    let (problems, titles) = told(&report);
    assert!(!problems.contains("claim"), "{problems}");
    assert!(!titles.contains("in conflict"), "{titles}");
}

/// A unit that gives way may go on from another address.
#[test]
fn a_unit_that_moved_is_told_with_its_new_address() {
    let more = [claim(0.1, 0x0B, OWN), claim(20.002, 0x0B, STRONGER), claim(20.260, 0x81, OWN)];
    let (_, report) = report(&truck(40.0, (20.005, 40.0), &more));
    let (problems, titles) = told(&report);
    assert!(problems.contains("goes on as address 0x81"), "{problems}");
    assert!(titles.contains("in conflict with another unit"), "{titles}");
}
