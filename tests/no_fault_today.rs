//! What looks like a fault of today and is none: a module that its user switched off, codes whose
//! test has passed since, questions of a tester to what is not fitted, and what a module from
//! another vehicle misses. For each rule the smallest capture that needs it, and its counterpart.
//! All data is invented.

mod common;
#[path = "common/five_nodes.rs"]
mod five_nodes;
#[path = "common/messages.rs"]
mod messages;

use common::{report, simulated};
use five_nodes::{answered, ranked, read, trouble, unanswered, vehicle};
use messages::{Message, log, message, messages, read as read_by, slow};
use serde_json::Value;

/// Report of 100 s of these messages.
fn reported(messages: &[Message]) -> Value {
    let folder = tempfile::tempdir().unwrap();
    let path = folder.path().join("capture.log");
    std::fs::write(&path, log(100.0, messages)).unwrap();
    report(&path, &[]).1
}

/// Probability of the findings of a class together, at most 1.
fn of_class(document: &Value, class: &str) -> f64 {
    let own = ranked(document).into_iter().filter(|(own, ..)| own == class);
    own.map(|(_, _, probability)| probability).sum::<f64>().min(1.0)
}

const DOOR: &str = "C1 99 87";
const SWITCHED: &str = "switched_by_user";

/// Others, and a module of three messages, the fastest of which has this period.
fn with(period: f64, change: fn(Message) -> Message) -> Vec<Message> {
    let own = [("3A0", 1.0), ("3A8", 2.0), ("3B0", 5.0)];
    let own = own.map(|(id, times)| change(message(id, times * period, 0.031))).to_vec();
    [slow(messages(0x100, 12), 150.0), own].concat()
}

/// A module that sends nothing fast goes once, for good, and nobody misses it: whether it was
/// switched off is asked before anything is measured. A fault stays before what is none.
#[test]
fn what_its_user_may_have_switched_off_is_asked_for() {
    let gone = |message: Message| message.silent(40.0, 200.0);
    let found = reported(&with(0.1, gone));
    assert!(of_class(&found, SWITCHED) > 0.4, "{:?}", ranked(&found));
    assert!(ranked(&found).iter().all(|own| own.0 == SWITCHED || own.2 <= 0.2), "{found}");
    assert_ne!(ranked(&found)[0].0, SWITCHED, "{:?}", ranked(&found));
    let first = &found["next_tests"][0];
    assert!(first["title"].as_str().unwrap().contains("was switched off"), "{first}");
    assert!(first["how"].as_str().unwrap().contains("Ask the driver"), "{first}");
    assert_eq!(found["verdict"], "something_lost");
    // It comes back as after a start.
    let back = reported(&with(0.1, |message| message.anew(40.0, 55.0, 0.017)));
    assert!(of_class(&back, SWITCHED) > 0.4, "{:?}", ranked(&back));
}

/// Nobody switches off a part of a control loop, nor something for a second, nor so that it runs
/// on unheard; and what goes twice fails.
#[test]
fn what_nobody_switches_off_is_not_asked_for() {
    let none = |found: &Value| {
        assert!(of_class(found, SWITCHED) < 0.01, "{:?}", ranked(found));
        assert!(!ranked(found).is_empty(), "{found}");
    };
    none(&reported(&with(0.02, |message| message.silent(40.0, 200.0))));
    none(&reported(&with(0.1, |message| message.anew(40.0, 42.5, 0.017))));
    none(&reported(&with(0.1, |message| message.silent(40.0, 55.0))));
    let twice = |message: Message| message.anew(40.0, 50.0, 0.017).anew(70.0, 81.0, 0.023);
    none(&reported(&with(0.1, twice)));
}

/// A code of this drive that may be about it says that somebody needs it.
#[test]
fn what_others_miss_is_no_switch() {
    let lost = trouble("power_loss", "node = \"radio\"", &[50.0], &[80.0]);
    let without = simulated(&(vehicle() + &lost), &[]).1;
    assert!(of_class(&without, SWITCHED) > 0.4, "{:?}", ranked(&without));
    let code = read(101.0, 1, &["C1 84 87 2F"]);
    let missed = simulated(&(vehicle() + &lost + &code), &[]).1;
    assert!(of_class(&missed, SWITCHED) < 0.01, "{:?}", ranked(&missed));
    assert_eq!(ranked(&missed)[0].1, "node of 0x200", "{:?}", ranked(&missed));
}

/// A code of this drive whose last test passed, while nothing is lost, is of what is over. One that
/// fails is of now, and so is one with a loss beside it.
#[test]
fn a_test_that_passed_speaks_for_what_is_over() {
    let door = |statuses: [&str; 2], rest: &str| {
        let codes = statuses.map(|status| format!("{DOOR} {status}"));
        let text = vehicle() + rest;
        simulated(&(text + &read(101.0, 1, &[&codes[0]]) + &read(102.0, 2, &[&codes[1]])), &[]).1
    };
    let said = |found: &Value| found.to_string().contains("passed its last test");
    let passed = door(["2E", "2E"], "");
    assert_eq!(ranked(&passed)[0].0, "stale_codes", "{:?}", ranked(&passed));
    assert!(said(&passed), "{passed}");
    let fails = door(["2E", "2F"], "");
    assert!(!said(&fails) && ranked(&fails)[0].0 != "stale_codes", "{:?}", ranked(&fails));
    let lost = trouble("power_loss", "node = \"door\"", &[50.0], &[3.0]);
    let lost = door(["2E", "2E"], &lost);
    assert!(!said(&lost) && ranked(&lost)[0].0 != "stale_codes", "{:?}", ranked(&lost));
}

/// A status whose module does not support the bit of the last test says nothing of it, and leaves
/// the word to those that do, of which there have to be two.
#[test]
fn a_status_without_the_last_test_speaks_for_nobody() {
    let said = |supported: &str| {
        let untold = answered(103.0, 3, "19 02 FF", &format!("59 02 FE {DOOR} 28"));
        let second = answered(102.0, 2, "19 02 FF", &format!("59 02 {supported} {DOOR} 28"));
        let text = vehicle() + &read(101.0, 1, &[&format!("{DOOR} 2E")]) + &second + &untold;
        simulated(&text, &[]).1.to_string().contains("passed its last test")
    };
    assert!(said("FF") && !said("FE"));
}

/// What is only stored, with nothing lost, is of what is over; with a loss beside it that is not
/// said.
#[test]
fn what_is_only_stored_is_over_where_nothing_is_lost() {
    let door = |rest: &str| {
        let code = format!("{DOOR} 28");
        let text = vehicle() + rest + &read(101.0, 1, &[&code]) + &read(102.0, 2, &[&code]);
        let found = simulated(&text, &[]).1;
        let own = ranked(&found).into_iter().filter(|own| own.1.contains("Door"));
        (own.map(|own| own.2).sum::<f64>(), found)
    };
    let (over, found) = door("");
    assert!(over < 0.1, "{over} {:?}", ranked(&found));
    assert_eq!(ranked(&found)[0].0, "stale_codes", "{:?}", ranked(&found));
    assert!(found.to_string().contains("nothing is lost here"), "{found}");
    let (_, found) = door(&trouble("power_loss", "node = \"radio\"", &[50.0], &[3.0]));
    assert!(!found.to_string().contains("nothing is lost here"), "{found}");
}

/// A controller that left the bus on another day, and whose test has passed since, left it for what
/// is over; one that left it in this drive did not.
#[test]
fn a_bus_off_of_another_drive_is_over() {
    let left = |status: &str| {
        let text = vehicle() + &read(101.0, 1, &[&format!("C0 73 00 {status}")]);
        simulated(&(text + &read(102.0, 2, &[])), &[]).1
    };
    let over = left("2C");
    let (old, contact) = (of_class(&over, "stale_codes"), of_class(&over, "module_connector"));
    assert!(old > 2.0 * contact, "{:?}", ranked(&over));
    let today = left("2E");
    assert!(of_class(&today, "stale_codes") < 0.2, "{:?}", ranked(&today));
}

/// A scan tool asks for all that the maker builds: what never answers is not in question, unless
/// the roster says that it is fitted.
#[test]
fn what_never_answers_may_not_be_fitted() {
    let mut text = vehicle();
    text += &read(90.0, 1, &[&format!("{DOOR} 2F")]);
    text += &read(91.0, 2, &[]);
    for number in 4..8 {
        for at in [95.0, 97.0] {
            text += &unanswered(at + 0.3 * f64::from(number), number);
        }
    }
    let said = |found: &Value| found["findings"].to_string().contains("did not answer");
    let found = simulated(&text, &[]).1;
    assert!(!said(&found) && of_class(&found, "gateway") < 0.2, "{:?}", ranked(&found));
    let folder = tempfile::tempdir().unwrap();
    let roster = folder.path().join("roster.toml");
    let pump = "[[node]]\nname = \"pump\"\nchannel = \"can0\"\nanswers = [\"0x7EC\"]\n";
    std::fs::write(&roster, pump).unwrap();
    let known = simulated(&text, &["--roster", roster.to_str().unwrap()]).1;
    assert!(known["findings"].to_string().contains("pump"), "{:?}", ranked(&known));
}

/// A module that is not configured misses what its own vehicle had. What others miss too is missed.
#[test]
fn what_a_stranger_misses_was_in_its_own_vehicle() {
    let missed = |others: &[&str]| {
        let text = vehicle() + &read(101.0, 1, &["C1 55 87 2F", "93 00 55 2F"]);
        simulated(&(text + &read(102.0, 2, others)), &[]).1
    };
    let found = missed(&[]);
    assert_eq!(ranked(&found)[0].0, "not_configured", "{:?}", ranked(&found));
    assert!(!ranked(&found).iter().any(|own| own.1.contains("Instrument")), "{:?}", ranked(&found));
    let found = missed(&["C1 55 87 2F"]);
    assert!(ranked(&found).iter().any(|own| own.1.contains("Instrument")), "{:?}", ranked(&found));
}

/// A module that answered and then answers no more is in question, unless the key was turned off in
/// between: others then run on for a while, and it need not.
#[test]
fn with_the_key_off_nobody_need_answer() {
    let mute = |key_off: &[f64]| {
        let mut text = vehicle() + &read(20.0, 1, &[]) + &read(21.0, 3, &[]);
        text += &(unanswered(82.0, 3) + &unanswered(83.0, 3) + &read(84.0, 1, &[]));
        for at in key_off {
            text += &trouble("key_off", "", &[*at], &[25.0]);
        }
        simulated(&text, &[]).1["findings"].to_string().contains("did not answer")
    };
    assert!(mute(&[]) && !mute(&[80.0]));
}

/// What its user likely switched off, and nothing else of today, does not stand before old codes
/// that explain why lamps are on. Where it is no switch, the silence of today stands first.
#[test]
fn what_was_likely_switched_off_waits_behind_old_codes() {
    let first = |change: fn(Message) -> Message| {
        // U0121 and U0140, remembered, of others that are heard.
        let code = read_by(10.0, 1, |_| "075902FFC1210028".to_owned());
        let other = read_by(12.0, 2, |_| "075902FFC1400028".to_owned());
        let found = reported(&[with(0.1, change), code, other].concat());
        (ranked(&found)[0].0.clone(), of_class(&found, SWITCHED))
    };
    let (class, switched) = first(|message| message.anew(40.0, 55.0, 0.017));
    assert!(class == "stale_codes" && switched > 0.5, "{class} {switched}");
    let (class, switched) = first(|message| message.anew(40.0, 42.5, 0.017));
    assert!(class != "stale_codes" && switched < 0.01, "{class} {switched}");
}
