//! What its user may have switched off or unhitched, by what it is: its address, its name, its
//! size. For each rule the smallest capture that needs it, and its counterpart. All data is
//! invented.

mod common;
#[path = "common/five_nodes.rs"]
mod five_nodes;
#[path = "common/messages.rs"]
mod messages;

use common::report;
use five_nodes::{of_class, ranked};
use messages::{Message, log, message, messages};
use serde_json::Value;

const SWITCHED: &str = "switched_by_user";

/// A truck for 60 s, one unit of which, at this address, falls silent for good at 20 s. Its fastest
/// message has this period.
fn truck(address: &str, period: f64) -> Vec<Message> {
    let groups = [("0CF00300", 0.05), ("0CF00400", 0.02), ("18FEEE00", 1.0), ("18FEF200", 0.1)];
    let engine = groups.map(|(id, period)| message(id, period, 0.003)).to_vec();
    let own = |(group, times): (&str, f64)| {
        message(&format!("{group}{address}"), times * period, 0.011).silent(20.0, 99.0)
    };
    [engine, [("18FF10", 1.0), ("18FF11", 2.0)].map(own).to_vec()].concat()
}

/// The report of these messages, with a roster where there is one.
fn reported(seconds: f64, messages: &[Message], roster: &str) -> Value {
    let folder = tempfile::tempdir().unwrap();
    let [capture, file] = ["capture.log", "roster.toml"].map(|name| folder.path().join(name));
    std::fs::write(&capture, log(seconds, messages)).unwrap();
    std::fs::write(&file, roster).unwrap();
    let roster: &[&str] = match roster {
        "" => &[],
        _ => &["--roster", file.to_str().unwrap()],
    };
    report(&capture, roster).1
}

/// How likely its user switched it off.
fn switched(found: &Value) -> f64 {
    assert!(!ranked(found).is_empty(), "{found}");
    of_class(found, SWITCHED)
}

/// A node of a roster, whose messages have these periods.
fn node(name: &str, messages: &[(&str, f64)]) -> String {
    let messages = messages
        .iter()
        .map(|(id, period)| format!("{{ id = \"0x{id}\", period = {period} }}"))
        .collect::<Vec<_>>();
    format!(
        "[[node]]\nname = \"{name}\"\nchannel = \"can0\"\nmessages = [{}]\n",
        messages.join(", ")
    )
}

/// An address has a usual name, which is no proof of what a unit does, and who sends nothing within
/// a second is in nobody's loop: so too where a roster was learned that calls it by its address.
#[test]
fn a_learned_roster_makes_no_slow_unit_needed() {
    let of = |period: f64, roster: &str| switched(&reported(60.0, &truck("47", period), roster));
    let roster =
        |period: f64| node("address 0x47", &[("18FF1047", period), ("18FF1147", 2.0 * period)]);
    assert!(of(1.0, "") > 0.4 && of(1.0, &roster(1.0)) > 0.4);
    assert!(of(0.1, "") < 0.01 && of(0.1, &roster(0.1)) < 0.01);
}

/// Implements and trailers have addresses that each industry group gives, and are unhitched however
/// fast they send. What it is called does not count, and the vehicle's own are needed.
#[test]
fn what_is_hitched_on_may_be_unhitched() {
    let of = |address: &str, period: f64| switched(&reported(60.0, &truck(address, period), ""));
    assert!(of("80", 0.1) > 0.4 && of("F7", 0.02) > 0.4);
    assert!(of("7F", 0.02) < 0.01 && of("F8", 0.02) < 0.01);
    let named = node("spreader", &[("18FF1085", 0.1), ("18FF1185", 0.2)]);
    assert!(switched(&reported(60.0, &truck("85", 0.1), &named)) > 0.4);
}

/// A name tells whether its user has a switch for it.
#[test]
fn a_name_tells_of_a_switch() {
    let gone = ["3A0", "3A8"].map(|id| message(id, 0.1, 0.031).silent(40.0, 999.0));
    let all = [messages(0x100, 12), gone.to_vec()].concat();
    let of =
        |name: &str| switched(&reported(100.0, &all, &node(name, &[("3A0", 0.1), ("3A8", 0.1)])));
    for name in ["parking aid", "Park Assist module", "sunroof"] {
        assert!(of(name) > 0.4, "{name}");
    }
    for name in ["tailgate", "driver seat", "climate"] {
        assert!(of(name) < 0.01, "{name}");
    }
}

/// A small unit of which nothing but its silence is known may be told as two, where a part of it
/// sends for a moment longer: the other part is no company. What comes back later is.
#[test]
fn the_rest_of_a_small_unit_is_no_company() {
    let own = |at: u8, to: f64| {
        let id = format!("{:03X}", 0x3A0 + 8 * u32::from(at));
        let from = if at < 2 { 40.0 } else { 40.4 };
        let shift = 0.0131 * f64::from(at + 1);
        message(&id, 0.1, 0.031 * f64::from(at + 1)).anew(from, to, shift)
    };
    let of = |back: f64| {
        let unit = [own(0, 55.0), own(1, 55.0), own(2, back), own(3, back)];
        let found = reported(100.0, &[messages(0x100, 12), unit.to_vec()].concat(), "");
        assert_eq!(found["nodes"].as_array().unwrap().len(), 3, "{found}");
        switched(&found)
    };
    assert!(of(55.0) > 0.3 && of(58.0) < 0.01);
}
