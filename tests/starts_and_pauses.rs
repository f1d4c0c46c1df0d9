//! What a start, a pause of the recording and two buses that sleep explain, and what they do not.
//! For each rule the smallest capture that needs it, and its counterpart. All data is invented.

mod common;
#[path = "common/five_nodes.rs"]
mod five_nodes;
#[path = "common/messages.rs"]
mod messages;

use common::report;
use five_nodes::ranked;
use messages::{Message, cut, log, messages, slow};
use serde_json::Value;

fn reported(text: &str) -> Value {
    let folder = tempfile::tempdir().unwrap();
    let path = folder.path().join("capture.log");
    std::fs::write(&path, text).unwrap();
    report(&path, &[]).1
}

/// The highest probability of a finding of a class.
fn of_class(document: &Value, class: &str) -> f64 {
    let own = ranked(document).into_iter().filter(|(own, ..)| own == class);
    own.map(|(.., probability)| probability).fold(0.0, f64::max)
}

/// Two buses of the same seconds.
fn two_buses(seconds: f64, here: &[Message], there: &[Message]) -> String {
    let mut lines: Vec<String> = log(seconds, here).lines().map(str::to_owned).collect();
    let there = log(seconds, there);
    lines.extend(there.lines().map(|line| line.replace("can0", "can1")));
    lines.sort_unstable();
    lines.join("\n")
}

/// A module that is silent for a second soon after the recording began, and ran on, may have kept
/// still while the engine was cranked; in mid-drive it hardly did, and one that is lost again is
/// not the starter's at all.
#[test]
fn a_module_that_runs_on_through_a_start_has_a_rival() {
    let lost = |times: &[f64]| {
        let own = slow(messages(0x100, 4), 90.0);
        let own = times.iter().fold(own, |own, at| cut(own, *at, at + 1.2));
        let all = [own, messages(0x300, 12)].concat();
        let found = reported(&log(90.0, &all));
        (of_class(&found, "cranking"), of_class(&found, "module_connector"))
    };
    let (soon, late, again) = (lost(&[4.0]), lost(&[60.0]), lost(&[4.0, 60.0]));
    assert!(soon.0 > late.0 + 0.05 && soon.1 < late.1, "{soon:?} {late:?}");
    assert!(again.0 < late.0 + 0.01 && again.1 > 0.8, "{again:?}");
}

/// A recorder that pauses stops every bus; one of few frames was quiet a little longer at either
/// end, and that is no bus that failed.
#[test]
fn a_pause_of_the_recording_is_none_of_a_bus_of_few_frames() {
    let few = vec![messages::message("500", 0.25, 0.1), messages::message("510", 0.25, 0.17)];
    let all = two_buses(60.0, &cut(messages(0x100, 16), 30.0, 33.0), &cut(few, 29.95, 33.05));
    let found = reported(&all);
    assert!(of_class(&found, "line") < 0.05, "{:?}", ranked(&found));
}

/// Buses that are switched off together end up to two seconds apart and wake together: nothing is
/// wrong with either line. Where one goes on, the other failed.
#[test]
fn buses_that_sleep_together_have_no_bad_line() {
    let here = || cut(messages(0x100, 16), 20.0, 40.0);
    let found = reported(&two_buses(60.0, &here(), &cut(messages(0x400, 8), 21.5, 40.0)));
    assert!(of_class(&found, "line") < 0.2, "{:?}", ranked(&found));
    let found = reported(&two_buses(60.0, &here(), &messages(0x400, 8)));
    assert!(of_class(&found, "line") > 0.5, "{:?}", ranked(&found));
}

/// What is not there any more after a pause of the recording may have been switched off in it,
/// where it is a large part; a single module of many was lost.
#[test]
fn a_part_that_is_gone_after_a_pause_may_be_switched_off() {
    let gone = |part: Vec<Message>, rest: Vec<Message>| {
        let all = [cut(part, 30.0, 99.0), cut(rest, 30.0, 36.0)].concat();
        reported(&log(70.0, &all))
    };
    let half = [slow(messages(0x100, 6), 60.0), slow(messages(0x200, 6), -80.0)].concat();
    let found = gone(half, messages(0x300, 14));
    let faults = ["branch", "shared_supply", "line", "gateway", "module_power"];
    assert!(faults.iter().all(|class| of_class(&found, class) < 0.2), "{:?}", ranked(&found));
    let found = gone(slow(messages(0x100, 4), 60.0), messages(0x300, 20));
    let lost = of_class(&found, "module_power") + of_class(&found, "module_connector");
    assert!(lost > 0.2, "{:?}", ranked(&found));
}
