//! A module from another vehicle and one that is missing are one fault; messages that go for good,
//! and on two buses, are one module. For each rule the smallest capture that needs it, and its
//! counterpart. All data is invented.

mod common;
#[path = "common/five_nodes.rs"]
mod five_nodes;
#[path = "common/messages.rs"]
mod messages;

use common::{report_text, simulated};
use five_nodes::{of_class, ranked, read, trouble, vehicle};
use messages::{Message, buses, log, message, messages, slow};
use serde_json::Value;

/// B1300-55: not configured.
const NOT_CONFIGURED: &str = "93 00 55 2F";
/// U0155-87 and U0140-87: the cluster and the body controller are missed, and that is failing.
const MISSES_CLUSTER: &str = "C1 55 87 2F";
const MISSES_BODY: &str = "C1 40 87 2F";

/// The highest probability that something is wrong with the supply of one module.
fn unpowered(found: &Value) -> f64 {
    of_class(found, "module_power")
}

/// One module is missed and another says that it is not configured: it was fitted in the place of
/// the first. Without it, and where two are missed, of which it can be one only, the missed one is
/// looked for by itself.
#[test]
fn a_stranger_stands_in_the_place_of_the_one_that_is_missed() {
    let found = |strange: &[&str], missed: &[&str]| {
        let text = vehicle() + &read(101.0, 3, strange) + &read(102.0, 2, missed);
        simulated(&text, &[]).1
    };
    let one = found(&[NOT_CONFIGURED], &[MISSES_CLUSTER]);
    assert_eq!(ranked(&one)[0].0, "not_configured", "{:?}", ranked(&one));
    assert!(unpowered(&one) < 0.1, "{:?}", ranked(&one));
    let alone = found(&[], &[MISSES_CLUSTER]);
    assert!(unpowered(&alone) > 0.2, "{:?}", ranked(&alone));
    let two = found(&[NOT_CONFIGURED], &[MISSES_CLUSTER, MISSES_BODY]);
    assert!(unpowered(&two) > 0.2, "{:?}", ranked(&two));
}

/// The engine controller answers by 0x7E8 and nobody else does: a stranger at another address is
/// not the one that is missed there (ISO 15765-4; U0100 of SAE J2012-DA).
#[test]
fn a_stranger_at_another_address_is_not_the_engine() {
    let found = |number: u16| {
        let misses = read(102.0, 2, &["C1 00 87 2F"]);
        let text = vehicle() + &read(101.0, number, &[NOT_CONFIGURED]) + &misses;
        unpowered(&simulated(&text, &[]).1)
    };
    assert!(found(0) < 0.1 && found(3) > 0.2, "{} {}", found(0), found(3));
}

/// What was heard and falls silent now and then is no stranger: both are told.
#[test]
fn a_stranger_does_not_come_and_go() {
    let text = vehicle()
        + &trouble("power_loss", "node = \"brakes\"", &[20.0, 41.0, 63.0], &[2.0, 1.5, 2.5])
        + &read(101.0, 3, &[NOT_CONFIGURED]);
    let found = simulated(&text, &[]).1;
    assert!(unpowered(&found) > 0.6, "{:?}", ranked(&found));
    assert!(of_class(&found, "not_configured") > 0.7, "{:?}", ranked(&found));
}

fn first_outage(text: &str) -> (bool, String) {
    let found = report_text(text).1;
    let outage = &found["outages"][0];
    (outage["benign"] == true, outage["evidence"].to_string())
}

/// A message that had never paused and is gone for half a minute to the end is all that a module
/// sent. Gone for less, or as another message takes its place, it may be sent in a mode only.
#[test]
fn a_message_that_goes_for_good_was_a_module() {
    let judged = |gone: f64, begins: f64| {
        let others = [messages(0x300, 12), vec![message("666", 0.1, begins)]].concat();
        let mut all = slow(others, 40.0);
        all.push(message("555", 0.1, 0.013).silent(gone, 999.0));
        first_outage(&log(90.0, &all))
    };
    let (benign, why) = judged(40.0, 0.02);
    assert!(!benign && why.contains("never paused"), "{why}");
    assert!(judged(75.0, 0.02).0);
    assert!(judged(40.0, 41.0).0);
}

/// A message that a gateway carries to a second bus is lost once; what stops on both with all of
/// its module is of that module.
#[test]
fn a_message_that_two_buses_carry_is_lost_once() {
    let gone = |shift: f64| message("555", 0.1, 0.013 + shift).silent(40.0, 999.0);
    let lost = |here: Vec<Message>, there: Vec<Message>| {
        let here = [slow(messages(0x300, 12), 40.0), here].concat();
        let there = [slow(messages(0x400, 12), -60.0), there].concat();
        let found = report_text(&buses(90.0, &[&here, &there])).1;
        let all = found["outages"].as_array().unwrap().iter();
        let lost = all.filter(|outage| outage["benign"] == false);
        lost.map(|outage| outage["channel"].as_str().unwrap().to_owned()).collect::<Vec<_>>()
    };
    assert_eq!(lost(vec![gone(0.0)], vec![gone(0.002)]).len(), 1);
    assert_eq!(lost(vec![gone(0.0)], Vec::new()), ["can0"]);
    let module: Vec<Message> =
        messages(0x550, 6).into_iter().map(|own| own.silent(40.0, 999.0)).collect();
    let carried = Message { first: module[5].first + 0.002, ..module[5].clone() };
    assert_eq!(lost(vec![carried], module), ["can1"]);
}

/// U0300-55 of two modules that miss the cluster speaks of the cluster. Who misses nobody says it
/// of itself, and so does one that alone misses another: in its own vehicle there was one.
#[test]
fn who_says_that_software_does_not_fit_means_whom_it_misses() {
    const MISFIT: &str = "C3 00 55 2F";
    let told = |all: &[(u16, &[&str])]| {
        let codes =
            all.iter().map(|(number, codes)| read(101.0 + f64::from(*number), *number, codes));
        let found = simulated(&(vehicle() + &codes.collect::<String>()), &[]).1;
        let own = found["findings"].as_array().unwrap().iter();
        let own = own.filter(|own| own["class"] == "not_configured");
        own.map(|own| own["title"].as_str().unwrap().to_owned()).collect::<Vec<String>>()
    };
    let both: &[&str] = &[MISFIT, MISSES_CLUSTER];
    let of_the_missed = told(&[(2, both), (3, both)]);
    assert_eq!(of_the_missed.len(), 1, "{of_the_missed:?}");
    assert!(of_the_missed[0].starts_with("Instrument Panel"), "{of_the_missed:?}");
    assert!(told(&[(2, &[MISFIT])])[0].starts_with("0x7EA"));
    assert!(told(&[(2, both)])[0].starts_with("0x7EA"));
    // Where two of them miss it, a third who misses nobody means it too.
    let third = told(&[(1, &[MISFIT]), (2, both), (3, both)]);
    assert!(third.len() == 1 && third[0].starts_with("Instrument Panel"), "{third:?}");
    // So it is where they only remember it, and one of two that they miss fails elsewhere.
    let stored: &[&str] = &["C3 00 55 28", "C1 55 87 28", "C1 40 87 28"];
    let stored = told(&[(1, &[MISSES_CLUSTER]), (2, stored), (3, stored)]);
    assert!(stored.len() == 1 && stored[0].starts_with("Instrument Panel"), "{stored:?}");
}

/// Several miss the engine controller, and it answers all that it is asked: it runs, and does not
/// send what they wait for. Not where it does not answer, nor where something else was lost.
#[test]
fn who_is_missed_and_answers_does_not_fit() {
    let found = |beside: &str| {
        let misses: String =
            [2, 3].map(|at| read(100.0 + f64::from(at), at, &["C1 00 87 2F"])).concat();
        simulated(&(vehicle() + &misses + beside), &[]).1
    };
    let answers = read(110.0, 0, &[]);
    let fits = found(&answers);
    assert_eq!(ranked(&fits)[0].0, "not_configured", "{:?}", ranked(&fits));
    let mute = found("");
    assert!(of_class(&mute, "not_configured") < 0.2, "{:?}", ranked(&mute));
    assert!(unpowered(&mute) > 0.2, "{:?}", ranked(&mute));
    let lost = found(&(answers + &trouble("power_loss", "node = \"brakes\"", &[20.0], &[2.0])));
    assert!(of_class(&lost, "not_configured") < 0.2, "{:?}", ranked(&lost));
}

/// A module of a truck whose memory lacks its calibration says so in DM1 (SPN 628 to 630, FMI 13):
/// it is not configured. Another failure mode of them is none of that.
#[test]
fn a_controller_out_of_calibration_is_not_configured() {
    let groups = ["0CF00400", "18FEF100", "18FEEE03", "18FEF70B"];
    let bus: Vec<Message> = groups.iter().map(|id| message(id, 0.1, 0.011)).collect();
    let told = |code: fn(f64) -> String| {
        let dm1 = Message { data: code, ..message("18FECA0B", 1.0, 0.3) };
        let found = report_text(&log(20.0, &[bus.clone(), vec![dm1]].concat())).1;
        of_class(&found, "not_configured")
    };
    let (lacks, other) =
        (told(|_| "04FF75020D01FFFF".to_owned()), told(|_| "04FF75020201FFFF".to_owned()));
    assert!(lacks > 0.5 && other == 0.0, "{lacks} {other}");
}
