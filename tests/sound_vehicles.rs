//! Sound vehicles that were blamed: for each root the smallest capture that brings it about, and
//! beside it a true fault that looks nearly alike. All data is invented.

mod common;

use std::fmt::Write;

use common::{report, simulated};
use serde_json::Value;

/// Probability of the findings of some classes together, at most 1.
fn of(document: &Value, classes: &[&str]) -> f64 {
    let list = document["findings"].as_array().unwrap().iter();
    let own = list.filter(|finding| classes.contains(&finding["class"].as_str().unwrap()));
    own.map(|finding| finding["probability"].as_f64().unwrap()).sum::<f64>().min(1.0)
}

/// Classes with their probabilities, for the eye.
fn told(document: &Value) -> String {
    let list = document["findings"].as_array().unwrap().iter();
    list.map(|finding| format!("{} {}; ", finding["class"], finding["probability"])).collect()
}

/// What is no fault of the vehicle left aside, the most probable finding.
fn worst(document: &Value) -> f64 {
    let benign = |finding: &&Value| finding["benign"].as_bool().unwrap();
    let list = document["findings"].as_array().unwrap().iter();
    let faults = list.filter(|finding| !benign(finding));
    faults.map(|finding| finding["probability"].as_f64().unwrap()).fold(0.0, f64::max)
}

/// A message as one sends it: identifier, period in milliseconds.
type Message = (u32, i64);

/// A capture of `seconds`, of messages that are there when `there` says so at a time in
/// milliseconds, and of `extra` lines, each with its time in seconds.
fn captured(
    messages: &[Message],
    seconds: i64,
    there: impl Fn(u32, i64) -> bool,
    extra: &[(f64, String)],
    arguments: &[&str],
) -> Value {
    let mut lines: Vec<(i64, String)> = Vec::new();
    for &(id, period) in messages {
        for number in 0..seconds * 1000 / period {
            let at = number * period + i64::from(id) % period;
            if there(id, at) {
                // A little scatter, as every task has.
                let scatter = (number * 37 + i64::from(id) * 11) % 90;
                lines.push((at * 1000 + scatter, format!("{id:03X}#A5000000000000FF")));
            }
        }
    }
    lines.extend(extra.iter().map(|(at, line)| ((at * 1e6) as i64, line.clone())));
    lines.sort();
    let mut text = String::new();
    for (time, line) in lines {
        let (whole, part) = (1_790_000_000 + time / 1_000_000, time % 1_000_000);
        let _ = writeln!(text, "({whole}.{part:06}) can0 {line}");
    }
    let folder = tempfile::tempdir().unwrap();
    let path = folder.path().join("capture.log");
    std::fs::write(&path, text).unwrap();
    report(&path, arguments).1
}

/// Twelve messages of four modules.
const MESSAGES: [Message; 12] = [
    (0x101, 10),
    (0x107, 20),
    (0x113, 50),
    (0x205, 10),
    (0x20B, 50),
    (0x217, 100),
    (0x303, 20),
    (0x309, 50),
    (0x30F, 100),
    (0x401, 20),
    (0x40D, 50),
    (0x413, 100),
];

/// So many error frames at a time in seconds, one behind the other.
fn errors(at: f64, many: usize, said: &str) -> Vec<(f64, String)> {
    (0..many).map(|number| (at + 0.0006 * number as f64, said.to_owned())).collect()
}

const NO_ACKNOWLEDGE: &str = "200000A8#0000001900000000";
const STUFFING: &str = "20000088#0000040A00000000";

/// The last module awake finds nobody to acknowledge: its frame fails until its controller is error
/// passive. That is a sleep. Frames that break while all are awake are none.
#[test]
fn the_last_module_awake_is_no_fault_of_the_line() {
    let asleep = |id: u32, at: i64| at < 40_000 + 1000 * i64::from(id >> 8);
    let document = captured(&MESSAGES, 60, asleep, &errors(44.02, 16, NO_ACKNOWLEDGE), &[]);
    assert!(worst(&document) < 0.2, "{}", told(&document));
    let stopped = |_: u32, at: i64| !(40_000..52_000).contains(&at);
    let broken: Vec<_> = [40.01, 40.3, 40.6].map(|at| errors(at, 5, STUFFING)).concat();
    let document = captured(&MESSAGES, 60, stopped, &broken, &[]);
    assert!(of(&document, &["line"]) > 0.5, "{}", told(&document));
}

/// A slow bus may be built to be nearly full; a flood fills it more than usual.
#[test]
fn a_bus_that_is_always_full_is_not_flooded() {
    let busy: Vec<Message> = (0..17).map(|at| (0x101 + 0x21 * at, 20)).collect();
    let rate = ["--bit-rate", "125000"];
    let document = captured(&busy, 40, |_, _| true, &[], &rate);
    assert!(of(&document, &["overload"]) < 0.2, "{}", told(&document));
    let calm: Vec<Message> = busy.iter().map(|(id, _)| (*id, 50)).chain([(0x001, 2)]).collect();
    let flooded = |id: u32, at: i64| id != 1 || (15_000..25_000).contains(&at);
    let document = captured(&calm, 40, flooded, &[], &rate);
    assert!(of(&document, &["overload"]) > 0.5, "{}", told(&document));
    // A short one fills two seconds to the brim, and those at its ends in part.
    let short = |id: u32, at: i64| id != 1 || (15_300..18_000).contains(&at);
    let brim: Vec<Message> =
        calm.iter().map(|(id, ms)| (*id, if *id == 1 { 1 } else { *ms })).collect();
    let document = captured(&brim, 40, short, &[], &rate);
    assert!(of(&document, &["overload"]) > 0.5, "{}", told(&document));
}

/// Five nodes for 120 s, and when each leaves after key-off, in seconds.
fn vehicle(leaves: [f64; 5]) -> String {
    let mut text = "title = \"t\"\ninvented = true\nseed = 7\nstart = 1.79e9\nduration = 120.0\n\
                    [[channel]]\nname = \"can0\"\nbit_rate = 500000\nstamp_noise = 0.00002\n"
        .to_owned();
    for (at, name) in ["engine", "brakes", "door", "mirror", "radio"].iter().enumerate() {
        let (first, drift) = (0x100 + at * 0x40, -90.0 + 45.0 * at as f64);
        let (boot, leaves) = (0.2 + 0.3 * at as f64, leaves[at]);
        let counter = ", counter = { byte = 2, width = 8 }";
        let _ = write!(
            text,
            "[[node]]\nname = \"{name}\"\nchannel = \"can0\"\ndrift_ppm = {drift}\nboot = \
             {boot}\nleaves = {leaves}\nmessages = [\n{{ id = \"{first:03X}\", period = \
             0.05{counter} }},\n{{ id = \"{:03X}\", period = 0.1{counter} }},\n{{ id = \
             \"{:03X}\", period = 0.2 }} ]\n",
            first + 7,
            first + 14,
        );
    }
    text
}

const STAGED: [f64; 5] = [2.9, 0.3, 1.0, 1.7, 2.3];

fn loses_power(node: &str, at: &[f64], lasts: &[f64]) -> String {
    format!(
        "[[trouble]]\nkind = \"power_loss\"\nnode = \"{node}\"\nat = {at:?}\nlasts = {lasts:?}\n"
    )
}

/// Modules on the ignition leave at once when the key is turned, the others run on for a while.
/// Where the others are there to the end, the same silence is a loss.
#[test]
fn who_leaves_before_the_others_may_be_on_the_ignition() {
    let key = "[[key]]\nat = 60.0\nturn = \"off\"\n";
    let (_, document, _) = simulated(&(vehicle([16.0, 17.0, 0.05, 0.06, 18.5]) + key), &[]);
    assert!(worst(&document) < 0.2, "{}", told(&document));
    let doubts = document["doubts"].to_string();
    assert!(doubts.contains("key"), "{doubts}");
    let gone = ["door", "mirror"].map(|node| loses_power(node, &[60.0], &[500.0])).concat();
    let (_, document, _) = simulated(&(vehicle(STAGED) + &gone), &[]);
    assert!(of(&document, &["branch", "shared_supply"]) > 0.5, "{}", told(&document));
}

/// Who is asked for its supply and answers 14.0 V.
fn measured(at: f64) -> String {
    format!(
        "[[exchange]]\nat = {at}\nrequest = {{ id = \"7DF\", data = \"01 42\" }}\nanswers = [ {{ \
         id = \"7E8\", data = \"41 42 36 B0\" }} ]\n"
    )
}

/// A supply that is read a minute later says nothing of the moment of a loss.
#[test]
fn a_supply_read_later_was_not_seen_to_hold() {
    let lost = loses_power("door", &[40.0], &[1.6]);
    let held = |at: f64| {
        let text = vehicle(STAGED) + &lost + &measured(at);
        simulated(&text, &[]).1["findings"].to_string().contains("the supply held")
    };
    assert!(held(40.5) && !held(100.0));
    // A dip at another time is no supply that held at this one, nor speaks against it.
    let dip = measured(80.0).replace("36 B0", "1F 40");
    let text = vehicle(STAGED) + &lost + &measured(40.5) + &dip;
    let told = simulated(&text, &[]).1["findings"].to_string();
    assert!(told.contains("the supply held at 14.0 V then"), "{told}");
}

/// The engine is cranked each time the key is turned: a module that starts anew then, and at no
/// other time, is one that the starter pulls down, however often. At any other time it is not.
#[test]
fn who_starts_anew_after_each_key_on_is_pulled_down_by_the_starter() {
    let mut keys = String::new();
    for off in [20.0, 80.0] {
        let _ = write!(
            keys,
            "[[key]]\nat = {off}\nturn = \"off\"\n[[key]]\nat = {}\nturn = \"on\"\n",
            off + 8.0
        );
    }
    let lost = |at: [f64; 2]| {
        let trouble = loses_power("door", &at, &[2.6, 2.9]);
        // The engine runs on, so that the bus stays awake.
        simulated(&(vehicle([30.0, 0.3, 1.0, 1.7, 2.3]) + &keys + &trouble), &[]).1
    };
    let started = lost([30.0, 90.1]);
    let power = |document: &Value| of(document, &["module_power"]);
    assert!(of(&started, &["cranking"]) > power(&started), "{}", told(&started));
    let driving = lost([12.0, 51.0]);
    assert!(of(&driving, &["cranking"]) < power(&driving), "{}", told(&driving));
}

/// F1 is the external tester: whoever answers it is a module, whatever its address.
#[test]
fn a_module_with_the_address_of_a_tester_answers() {
    let talk = [
        (10.0, "18DAF3F1#0322F190CCCCCCCC".to_owned()),
        (10.01, "18DAF1F3#037F2231AAAAAAAA".to_owned()),
        (11.0, "18DAF3F1#0322F18CCCCCCCCC".to_owned()),
        (11.01, "18DAF1F3#037F2231AAAAAAAA".to_owned()),
    ];
    let messages: Vec<Message> = vec![(0x101, 20), (0x107, 50)];
    let document = captured(&messages, 30, |_, _| true, &talk, &[]);
    let talks = document["conversations"]["modules"].as_array().unwrap();
    assert_eq!(talks.len(), 1, "{talks:?}");
    assert_eq!(talks[0]["unanswered"], 0, "{talks:?}");
}

/// How likely none of the explanations is the cause stands beside them, and is said where that is
/// notable: it is what the first finding leaves, and no more is stated than was ever measured.
#[test]
fn what_none_of_the_explanations_is_has_its_share() {
    let losses = loses_power("door", &[30.0, 52.0, 81.0], &[2.6, 1.9, 3.1]);
    let (_, document, _) = simulated(&(vehicle(STAGED) + &losses), &[]);
    let first = &document["findings"][0];
    let stated = first["probability"].as_f64().unwrap();
    let share = document["no_class"].as_f64().unwrap();
    assert!((0.0..=1.0 - stated).contains(&share) && share < 0.4, "{share} {}", told(&document));
    let words = document["none_of_these"].as_str().unwrap();
    assert!(words.starts_with(&format!("{:.0} %: ", share * 100.0)), "{words}");
    assert!(stated <= first["uncalibrated"].as_f64().unwrap() + 0.1, "{first}");
}
