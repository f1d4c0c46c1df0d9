//! What pauses with a mode of the vehicle, at a tester's word or by its user's hand, and what is
//! one module all the same. For each rule the smallest capture that needs it, and its counterpart.
//! All data is invented.

mod common;
#[path = "common/five_nodes.rs"]
mod five_nodes;
#[path = "common/messages.rs"]
mod messages;

use common::{lostnode, report_text};
use five_nodes::{of_class, ranked};
use messages::{Message, cut, log, message, messages, once, slow};
use serde_json::Value;

fn reported(text: &str) -> Value {
    report_text(text).1
}

/// What is said of the identifier: whether nobody is blamed for its first silence.
fn is_benign(found: &Value, id: &str) -> bool {
    let outages = found["outages"].as_array().unwrap().iter();
    let has = |outage: &&Value| outage["ids"].to_string().contains(id);
    outages.into_iter().find(has).unwrap_or_else(|| panic!("{found:#}"))["benign"] == true
}

/// A message that stops two seconds after a module was lost, and comes back later than that, was
/// not lost with it: it may pause by nature. At one instant it is of the loss.
#[test]
fn what_stops_seconds_after_a_loss_is_of_its_own() {
    let judged = |from: f64, to: f64| {
        let own = cut(slow(messages(0x100, 6), 90.0), 30.0, 35.0);
        let other = message("500", 0.1, 0.013).silent(from, to);
        is_benign(&reported(&log(90.0, &[own, messages(0x300, 16), vec![other]].concat())), "0x500")
    };
    assert!(judged(32.0, 45.0));
    assert!(!judged(30.0, 35.0));
}

/// Messages that nothing tells the clock of in forty seconds.
fn clockless(count: u32) -> Vec<Message> {
    slow(messages(0x101, count), 90.0).into_iter().map(|own| own.late(0.003)).collect()
}

/// Two messages that pause once and go on on their grid may be of a mode of the vehicle: no fault
/// of a module is likely. Three are a module, and so are two that pause again.
#[test]
fn two_messages_that_pause_once_may_be_of_a_mode() {
    let connector = |count: u32, times: &[f64]| {
        let own = times.iter().fold(clockless(count), |own, at| cut(own, *at, at + 6.0));
        let found = reported(&log(40.0, &[own, messages(0x300, 16)].concat()));
        of_class(&found, "module_connector")
    };
    let (pair, three, again) =
        (connector(2, &[12.0]), connector(3, &[12.0]), connector(2, &[8.0, 17.3, 29.0]));
    assert!(pair < 0.2 && three > 0.4 && again > 0.4, "{pair} {three} {again}");
}

/// Modules that a tester read before a loss could not know of it: that none of them misses anybody
/// says nothing. Read after it, it speaks against the loss.
#[test]
fn who_was_asked_before_a_loss_says_nothing_of_it() {
    let connector = |at: f64| {
        let ask = once(at, "7E0", |_| "031902FF00000000".to_owned());
        let none = once(at + 0.02, "7E8", |_| "035902FF00000000".to_owned());
        let own = cut(clockless(2), 15.0, 20.0);
        let found = reported(&log(40.0, &[own, messages(0x300, 16), vec![ask, none]].concat()));
        let own = found["findings"].as_array().unwrap().iter();
        let own = own.filter(|finding| finding["class"] == "module_connector");
        own.map(|finding| finding["uncalibrated"].as_f64().unwrap()).fold(0.0, f64::max)
    };
    let (before, after) = (connector(6.0), connector(30.0));
    assert!(before > 1.5 * after, "{before} {after}");
}

/// What falls silent as a tester ends the usual messages of all modules (ISO 14229-1:2020, 10.5),
/// and comes back, is no loss; without the request it is.
#[test]
fn what_a_tester_silenced_is_no_loss() {
    let judged = |request: fn(f64) -> String| {
        let own = cut(slow(messages(0x100, 6), 90.0), 30.02, 35.1);
        let ask = once(30.0, "7DF", request);
        is_benign(&reported(&log(90.0, &[own, messages(0x300, 12), vec![ask]].concat())), "0x100")
    };
    assert!(judged(|_| "0328830100000000".to_owned()));
    assert!(judged(|_| "0211010000000000".to_owned()));
    // Enabled, not disabled; receivers only; network management only; no such request.
    assert!(!judged(|_| "0328800100000000".to_owned()));
    assert!(!judged(|_| "0328820100000000".to_owned()));
    assert!(!judged(|_| "0328830200000000".to_owned()));
    assert!(!judged(|_| "023E800000000000".to_owned()));
}

/// How likely a device that is added to so many messages at 30 s, and sends until then, is a flood.
fn flood(others: u32, period: f64, until: f64) -> f64 {
    let added = message("03E", period, 30.0).silent(until, 999.0);
    let found = reported(&log(60.0, &[messages(0x100, others), vec![added]].concat()));
    of_class(&found, "overload")
}

/// A device that was added sends for two seconds as often as the bus allows: a flood, though it was
/// not there before. What comes now and then in a quick row is none.
#[test]
fn a_device_that_was_not_there_before_may_babble() {
    let (endless, quick) = (flood(12, 0.0004, 32.5), flood(12, 0.005, 32.5));
    assert!(endless > 0.5 && quick < 0.2, "{endless} {quick}");
}

/// One that sends two in five of all frames of the bus in a rush babbles too, though it comes less
/// often than that; not where it comes as often as some message that is built in.
#[test]
fn what_sends_most_frames_of_a_bus_in_a_rush_babbles() {
    let (most, part) = (flood(4, 0.0025, 55.0), flood(4, 0.01, 55.0));
    assert!(most > 0.5 && part < 0.2, "{most} {part}");
}

/// In the bursts of a bad contact now this and now that frame of a module comes through: many
/// silences that two messages share make one module of them, few do not.
#[test]
fn bursts_of_a_contact_leave_a_module_one() {
    let together = |times: u32| {
        let at = |step: u32| 10.0 + 7.3 * f64::from(step);
        let own =
            (0..times).fold(messages(0x100, 2), |own, step| cut(own, at(step), at(step) + 1.0));
        let mut own = own;
        for step in 0..times / 2 {
            own[0] = own[0].clone().silent(at(step) + 3.0, at(step) + 3.7);
        }
        let found = reported(&log(90.0, &[own, messages(0x300, 12)].concat()));
        let nodes = found["nodes"].as_array().unwrap().iter();
        nodes.into_iter().any(|node| node["ids"].as_array().unwrap().len() == 2)
    };
    assert!(together(8) && !together(4));
}

/// A vehicle that lacks one slow module of its roster, which nobody misses, has it switched off as
/// likely as failed: that is asked first. A fast one has no switch.
#[test]
fn what_was_not_heard_may_be_switched_off() {
    let judged = |period: f64| {
        let folder = tempfile::tempdir().unwrap();
        let (roster, capture) = (folder.path().join("r.toml"), folder.path().join("c.log"));
        let node = |name: &str, id: &str, period: f64| {
            format!(
                "[[node]]\nname = \"{name}\"\nchannel = \"can0\"\nmessages = [ {{ id = \"{id}\", \
                 period = {period} }} ]\n"
            )
        };
        let engine = node("engine", "0x100", 0.01);
        std::fs::write(&roster, engine + &node("radio", "0x500", period)).unwrap();
        std::fs::write(&capture, log(60.0, &messages(0x100, 12))).unwrap();
        let output = lostnode()
            .args(["report", "--format", "json", "--roster"])
            .args([&roster, &capture])
            .output()
            .unwrap();
        let found: Value = serde_json::from_slice(&output.stdout).unwrap();
        (of_class(&found, "switched_by_user"), of_class(&found, "module_power"))
    };
    let (slow, fast) = (judged(0.5), judged(0.01));
    assert!(slow.0 > 0.4 && slow.1 <= 0.2, "{slow:?}");
    assert!(fast.0 == 0.0 && fast.1 > 0.2, "{fast:?}");
}

/// Half of a vehicle leaves at two instants and stays away: the key was turned, or something that
/// these share failed. Nobody is blamed, and what they share is named all the same.
#[test]
fn what_may_be_the_key_or_a_supply_is_named() {
    let own = cut(slow(messages(0x100, 8), 90.0), 60.0, 999.0);
    let other = cut(slow(messages(0x200, 4), -60.0), 60.2, 999.0);
    let found = reported(&log(200.0, &[own, other, messages(0x300, 12)].concat()));
    assert_eq!(found["verdict"], "cannot_tell", "{:?}", ranked(&found));
    let shared = of_class(&found, "shared_supply");
    assert!((0.03..=0.2).contains(&shared), "{:?}", ranked(&found));
}

/// A request of a tester: its time, identifier and data.
type Request = (f64, &'static str, fn(f64) -> String);

/// A request to one module excuses no other, and who stays away though all were told to send again
/// is lost. What is silent at the end of the recording may come back: nothing is proved.
#[test]
fn a_tester_excuses_no_module_that_stays_away() {
    let judged = |to: f64, requests: &[Request]| {
        let own = cut(slow(messages(0x100, 6), 90.0), 30.02, to);
        let asks = requests.iter().map(|(at, id, data)| once(*at, id, *data)).collect();
        let found = reported(&log(90.0, &[own, messages(0x300, 12), asks].concat()));
        found["verdict"].as_str().unwrap().to_owned()
    };
    let quiet: Request = (30.0, "7DF", |_| "0328830100000000".to_owned());
    let send: Request = (34.0, "7DF", |_| "0328800100000000".to_owned());
    let one: Request = (30.0, "7E0", |_| "0211010000000000".to_owned());
    let all: Request = (30.0, "7DF", |_| "0211010000000000".to_owned());
    assert_eq!(judged(35.0, &[quiet, send]), "nothing_lost");
    assert_eq!(judged(60.0, &[quiet, send]), "something_lost");
    assert_eq!(judged(999.0, &[quiet]), "cannot_tell");
    assert_eq!(judged(35.0, &[one]), "something_lost");
    // Four that are told one by one are as good as all; two are not.
    let each: [Request; 4] = [(29.7, "7E0"), (29.8, "7E1"), (29.9, "7E2"), (30.0, "7E3")]
        .map(|(at, id)| (at, id, quiet.2));
    let again: Request = (34.0, "7E0", send.2);
    assert_eq!(judged(35.0, &[&each[..], &[again]].concat()), "nothing_lost");
    assert_eq!(judged(35.0, &[&each[..2], &[again]].concat()), "something_lost");
    assert_eq!(judged(60.0, &[all]), "something_lost");
}

/// A module that says that it starts anew as a tester told it is the one that falls silent then,
/// and only that one; without its answer, later, or on its grid it is none.
#[test]
fn a_module_that_a_tester_resets_is_no_loss() {
    let judged = |answer: f64, anew: bool, more: bool| {
        let lost = |first: u32, at: f64| {
            let own = slow(messages(first, 6), 90.0);
            match anew {
                true => own.into_iter().map(|own| own.anew(at, at + 1.4, 0.0037)).collect(),
                false => cut(own, at, at + 1.4),
            }
        };
        let ask = once(30.0, "7E0", |_| "0211010000000000".to_owned());
        let says = once(answer, "7E8", |_| "0251010000000000".to_owned());
        let other = if more { lost(0x200, 30.1) } else { slow(messages(0x200, 6), -60.0) };
        let all = [lost(0x100, 30.03), other, messages(0x300, 12), vec![ask, says]].concat();
        reported(&log(90.0, &all))["verdict"].as_str().unwrap().to_owned()
    };
    assert_eq!(judged(30.02, true, false), "nothing_lost");
    // It ends its messages before it answers.
    assert_eq!(judged(30.2, true, false), "nothing_lost");
    assert_eq!(judged(99.0, true, false), "something_lost");
    assert_eq!(judged(30.02, false, false), "something_lost");
    assert_eq!(judged(30.02, true, true), "something_lost");
}
