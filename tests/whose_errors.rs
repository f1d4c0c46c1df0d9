//! Whose errors they are: of the plug, of one bad contact, of everybody. For each rule the smallest
//! capture that needs it, and its counterpart. All data is invented.

mod common;
#[path = "common/five_nodes.rs"]
mod five_nodes;
#[path = "common/messages.rs"]
mod messages;

use std::fmt::Write;

use common::report_text;
use five_nodes::of_class;
use messages::{Message, log, message, messages, slow};
use serde_json::Value;

/// The log with an error frame of the protocol at each of these times (linux/can/error.h: class
/// 0x08, place not told).
fn with_errors(text: &str, times: &[f64]) -> String {
    let mut lines: Vec<String> = text.lines().map(str::to_owned).collect();
    for time in times {
        let mut line = String::new();
        write!(line, "({:.6}) can0 20000008#0000800000000000", 1_000.0 + time).unwrap();
        lines.push(line);
    }
    lines.sort_unstable();
    lines.join("\n")
}

fn reported(text: &str) -> Value {
    report_text(text).1
}

/// Errors of the first two seconds are those of pushing the plug home; later ones are not.
#[test]
fn the_plug_has_errors_of_its_own() {
    let traffic = log(40.0, &messages(0x300, 16));
    let told = |from: f64| {
        let times: Vec<f64> = (0..6).map(|step| from + 0.21 * f64::from(step)).collect();
        let found = reported(&with_errors(&traffic, &times));
        found["findings"].to_string().contains("beside its silences")
    };
    assert!(!told(0.3));
    assert!(told(20.3));
}

/// Errors that are followed by the same message each time are of its sender; followed by whoever is
/// next they are of nobody.
#[test]
fn who_is_heard_behind_each_error_is_whose_frames_they_destroy() {
    // The frame was due where the error came, and is sent again at once.
    let bad = |late: f64| Message { first: 0.0031 + late, ..message("4F0", 0.1, 0.0) };
    let all = |own: Message| log(60.0, &[slow(messages(0x300, 10), 90.0), vec![own]].concat());
    let times: Vec<f64> = (50..110).map(|step| 0.0031 + 0.1 * f64::from(step)).collect();
    let errors = with_errors(&all(bad(0.000_4)), &times);
    let found = reported(&errors);
    let heard = found["findings"].to_string().contains("is heard soon behind");
    assert!(heard, "{found:#}");
    // The same errors at times that have nothing to do with that message.
    let times: Vec<f64> = (0..60).map(|step| 5.0 + 0.1373 * f64::from(step)).collect();
    let found = reported(&with_errors(&all(bad(0.0)), &times));
    assert!(!found["findings"].to_string().contains("is heard soon behind"), "{found:#}");
}

/// Errors that come while one message is silent, some of its own frames among them, are no fault of
/// the main line. Spread over the recording they are.
#[test]
fn errors_in_the_silences_of_one_message_are_of_its_sender() {
    let own = message("4F0", 0.02, 0.0031).silent(12.0, 16.0).silent(31.0, 36.0);
    let text = log(60.0, &[slow(messages(0x300, 10), 90.0), vec![own]].concat());
    // A try to send now and then in between, and the errors before it.
    let mut tries = String::new();
    let mut inside = Vec::new();
    for step in 0..80 {
        let at = if step < 36 { 12.1 } else { 31.1 } + 0.1 * f64::from(step % 36) + 0.0043;
        inside.extend([at, at + 0.000_3]);
        if step % 3 == 0 {
            writeln!(tries, "({:.6}) can0 4F0#00", 1_000.0 + at + 0.000_6).unwrap();
        }
    }
    let lines: Vec<&str> = text.lines().chain(tries.lines()).collect();
    let mut lines: Vec<String> = lines.into_iter().map(str::to_owned).collect();
    lines.sort_unstable();
    let text = lines.join("\n");
    let line = |times: &[f64]| of_class(&reported(&with_errors(&text, times)), "line");
    let outside: Vec<f64> = (0..160).map(|step| 3.0 + 0.35 * f64::from(step)).collect();
    let (inside, outside) = (line(&inside), line(&outside));
    assert!(inside < 0.1 && outside > 0.3, "{inside} {outside}");
}
