//! Senders by a field of 29-bit identifiers, which clocks confirm, and where it must not be
//! believed. Captures made by hand, each clock exact; all data is invented.

mod common;
#[path = "common/messages.rs"]
mod messages;

use std::path::Path;

use common::{lostnode, report};
use messages::{Message, cut, log, message};
use serde_json::{Value, json};

/// Three messages of a sender, its clock so many millionths slow. Their identifiers hold a
/// parameter above 13 bits of sender.
fn module(sender: u32, ppm: f64) -> Vec<Message> {
    let one = |at: u32| {
        let id = format!("{:08X}", (0x1000 + 37 * sender + 11 * at) << 13 | sender << 5);
        let period = [0.02, 0.05, 0.1][at as usize] * (1.0 + ppm * 1e-6);
        message(&id, period, 0.0011 * f64::from(3 * sender + at))
    };
    (0..3).map(one).collect()
}

/// Five senders.
const CLOCKS: [f64; 5] = [-60.0, 35.0, 80.0, -15.0, 10.0];

fn modules(clocks: [f64; 5]) -> Vec<Vec<Message>> {
    (0..).zip(clocks).map(|(sender, ppm)| module(sender, ppm)).collect()
}

fn written(folder: &Path, name: &str, messages: &[Message]) -> std::path::PathBuf {
    let path = folder.join(name);
    std::fs::write(&path, log(60.0, messages)).unwrap();
    path
}

fn reported(messages: &[Message]) -> Value {
    let folder = tempfile::tempdir().unwrap();
    report(&written(folder.path(), "capture.log", messages), &[]).1
}

/// How many identifiers each node of the field has.
fn by_field(document: &Value) -> Vec<usize> {
    let nodes = document["nodes"].as_array().unwrap().iter();
    let nodes = nodes.filter(|node| node["basis"][0] == "sender_field");
    nodes.map(|node| node["ids"].as_array().unwrap().len()).collect()
}

#[test]
fn clocks_confirm_the_field() {
    let found = reported(&modules(CLOCKS).concat());
    assert_eq!(by_field(&found), [3; 5]);
    let first = &found["nodes"][0];
    assert_eq!(
        (&first["ids"], &first["name"]),
        (&json!(["0x02000000", "0x02016000", "0x0202C000"]), &json!("node of 0x02000000"))
    );
    // A value that one identifier has to itself is no sender by that, as in network management.
    let more = message("1B00000A", 0.2, 0.013);
    assert_eq!(by_field(&reported(&[modules(CLOCKS).concat(), vec![more]].concat())), [3; 5]);
}

/// One sender may number what it sends in those bits.
#[test]
fn values_of_one_clock_are_no_senders() {
    assert!(by_field(&reported(&modules([20.0; 5]).concat())).is_empty());
    // One more sender, of a clock of its own, does not make senders of the others.
    let mixed = modules([20.0, 20.0, 20.0, 20.0, 90.0]);
    assert!(by_field(&reported(&mixed.concat())).is_empty());
    // Nor does what a task is late each time: no quartz is so far off.
    let late = modules([20.0, 20.0, 20.0, 20.0, 900.0]);
    assert!(by_field(&reported(&late.concat())).is_empty());
}

#[test]
fn values_of_several_clocks_are_no_senders() {
    let mut modules = modules(CLOCKS);
    for (at, module) in modules.iter_mut().enumerate() {
        for (own, message) in module.iter_mut().enumerate() {
            message.period *= 1.0 + CLOCKS[(at + own) % 5] * 1e-6;
        }
    }
    assert!(by_field(&reported(&modules.concat())).is_empty());
    // Identifiers of 11 bits have no such field.
    let mut short = self::modules(CLOCKS).concat();
    for message in &mut short {
        let raw = u32::from_str_radix(&message.id, 16).unwrap();
        message.id = format!("{:03X}", (raw >> 13 & 0x7F) << 3 | raw >> 5 & 7);
    }
    assert!(by_field(&reported(&short)).is_empty());
}

/// Report of a capture without some senders, against a roster learned with all.
fn without(clocks: [f64; 5], gone: &[usize]) -> Value {
    let folder = tempfile::tempdir().unwrap();
    let all = modules(clocks);
    let sound = written(folder.path(), "sound.log", &all.concat());
    let roster = folder.path().join("roster.toml");
    assert!(lostnode().arg("learn").arg(&sound).arg("-o").arg(&roster).status().unwrap().success());
    let left = all.into_iter().enumerate().filter(|(at, _)| !gone.contains(at));
    let left: Vec<Message> = left.flat_map(|(_, module)| module).collect();
    let capture = written(folder.path(), "capture.log", &left);
    // As a user keeps it who has named none.
    report(&capture, &["--roster", roster.to_str().unwrap()]).1
}

/// How many identifiers each outage has that was never heard.
fn never_heard(document: &Value) -> Vec<usize> {
    let outages = document["outages"].as_array().unwrap().iter();
    let outages = outages.filter(|own| own["never_heard"] == true);
    outages.map(|own| own["ids"].as_array().unwrap().len()).collect()
}

#[test]
fn missing_senders_are_told_apart() {
    assert_eq!(never_heard(&without(CLOCKS, &[1])), [3]);
    assert_eq!(never_heard(&without(CLOCKS, &[1, 3])), [3, 3]);
    // Where no clock says that there is a field, what is missing is one.
    assert_eq!(never_heard(&without([20.0; 5], &[1, 3])), [6]);
}

/// Two that fall silent at once are two, though their clocks are near each other.
#[test]
fn two_senders_that_fall_silent_are_a_branch() {
    let of = |clocks: [f64; 5]| {
        let mut modules = modules(clocks);
        for gone in [1, 2] {
            modules[gone] = cut(modules[gone].clone(), 20.0, 24.0);
        }
        let found = reported(&modules.concat());
        let lost = found["outages"][0].clone();
        (lost["scope"].clone(), lost["nodes"].as_array().unwrap().len())
    };
    let near = [-60.0, 35.0, 35.05, -15.0, 80.0];
    assert_eq!(of(near), (json!("branch"), 2));
    assert_eq!(of([20.0; 5]), (json!("node"), 1));
}
