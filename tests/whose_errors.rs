//! Whose errors they are: of the plug, of one bad contact, of everybody. For each rule the smallest
//! capture that needs it, and its counterpart. All data is invented.

mod common;
#[path = "common/five_nodes.rs"]
mod five_nodes;
#[path = "common/messages.rs"]
mod messages;

use std::fmt::Write;

use common::report_text;
use five_nodes::{of_class, ranked};
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
        found["findings"].to_string().contains("outside its silences")
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
    let heard = found["findings"].to_string().contains("is heard soon after");
    assert!(heard, "{found:#}");
    // The same errors at times that have nothing to do with that message.
    let times: Vec<f64> = (0..60).map(|step| 5.0 + 0.1373 * f64::from(step)).collect();
    let found = reported(&with_errors(&all(bad(0.0)), &times));
    assert!(!found["findings"].to_string().contains("is heard soon after"), "{found:#}");
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

/// How likely errors at these times are of a contact, and of the main line, beside so many bad
/// messages, each of a sender of its own by its clock.
fn blamed(many: u32, errors: &[f64], bad: impl Fn(u32) -> Message) -> (f64, f64) {
    let bad = (0..many).flat_map(|at| slow(vec![bad(at)], -150.0 + 60.0 * f64::from(at)));
    let text = log(60.0, &[slow(messages(0x300, 10), 90.0), bad.collect()].concat());
    let found = reported(&with_errors(&text, errors));
    (of_class(&found, "module_connector"), of_class(&found, "line"))
}

/// A bad contact whose bursts are too short for a loss: frames of one slow message are missing at
/// the errors, of the others none. Where others lack frames then too, it is nobody's contact.
#[test]
fn errors_where_frames_of_one_sender_are_missing_are_its_own() {
    let bursts = [9.0, 21.0, 33.5, 48.0];
    let errors: Vec<f64> =
        bursts.iter().flat_map(|at| [0.03, 0.06, 0.09, 0.13, 0.17].map(|d| at + d)).collect();
    let told = |many: u32| {
        let own =
            |at: u32| message(&format!("{:03X}", 0x4F0 + at), 0.1, 0.0031 + 0.007 * f64::from(at));
        blamed(many, &errors, |at| {
            bursts.iter().fold(own(at), |own, at| own.silent(at - 0.02, at + 0.21))
        })
    };
    let (contact, line) = told(1);
    assert!(contact > 0.3 && line < 0.1, "{contact} {line}");
    let (contact, line) = told(8);
    assert!(contact < 0.2 && line > 0.1, "{contact} {line}");
}

/// A contact that makes and breaks destroys frames of others too: the errors that name nobody,
/// beside those in its own gaps, add no main line to it.
#[test]
fn a_bad_contact_strikes_others_too() {
    let bursts = [9.0, 21.0, 33.5, 48.0];
    let own = bursts.map(|at| [0.03, 0.06, 0.09, 0.13, 0.17].map(|later| at + later)).concat();
    let later = [0.35, 0.41, 0.52, 0.6, 0.9, 1.1, 1.3, 1.5];
    let others = bursts.map(|at| later.map(|later| at + later)).concat();
    let text = |bad: bool| {
        let gaps = if bad { &bursts[..] } else { &[] };
        let own = message("4F0", 0.1, 0.0031);
        let own = gaps.iter().fold(own, |own, at| own.silent(at - 0.02, at + 0.21));
        log(60.0, &[slow(messages(0x300, 10), 90.0), slow(vec![own], -150.0)].concat())
    };
    let told = |bad: bool| {
        let found = reported(&with_nameless_errors(&text(bad), &[&own[..], &others].concat()));
        (of_class(&found, "module_connector"), of_class(&found, "line"))
    };
    let ((contact, line), (_, without)) = (told(true), told(false));
    assert!(contact > 0.4 && line < 0.2 && without > 0.2, "{contact} {line} {without}");
}

/// A module that is lost every two seconds.
fn lost_time_and_again(seconds: f64) -> String {
    let own = |at: u32| {
        let first = 0.0031 + 0.002 * f64::from(at);
        let one = message(&format!("{:03X}", 0x4F0 + at), 0.02, first);
        (2..(seconds / 2.0) as u32).fold(one, |own, step| {
            let from = 2.0 * f64::from(step) + 0.37 * f64::from(step % 3);
            own.silent(from, from + 0.6)
        })
    };
    let lost = (0..3).map(own).collect();
    log(seconds, &[slow(messages(0x300, 10), 90.0), lost].concat())
}

/// Errors at these times that name nobody.
fn with_nameless_errors(text: &str, times: &[f64]) -> String {
    // A stuff error in the identifier.
    with_errors(text, times).replace("20000008#0000800000000000", "20000088#0000040200000000")
}

/// Errors in nearly every second strike whoever sends: that a module is lost near each of them is
/// of the errors. So are more than are kept with their time. In every other second, or seldom, they
/// may be of the losses.
#[test]
fn errors_without_end_are_of_the_line() {
    let text = lost_time_and_again(60.0);
    let found = |a_second: f64, every: u32| {
        let all = (0..(60.0 * a_second) as u32).map(|step| 0.013 + f64::from(step) / a_second);
        let times: Vec<f64> = all.filter(|time| (*time as u32).is_multiple_of(every)).collect();
        let found = reported(&with_nameless_errors(&text, &times));
        let endless = found["findings"].to_string().contains("without end");
        (ranked(&found)[0].0.clone(), endless)
    };
    for (a_second, every) in [(10.0, 1), (100.0, 1), (150.0, 2)] {
        assert_eq!(found(a_second, every), ("line".to_owned(), true), "{a_second} {every}");
    }
    assert_eq!(found(5.0, 1), ("module_connector".to_owned(), false));
    assert!(!found(100.0, 2).1);
}

/// A few errors beside a loss of several modules are of the pair that opened; where the modules
/// left as with the key nothing opened.
#[test]
fn errors_beside_a_key_off_make_no_branch() {
    let branch = |to: f64| {
        let unit = |at: u32| {
            let (unit, own) = (at / 3, at % 3);
            let period = [0.02, 0.05, 0.1][own as usize] * (1.0 + 70e-6 * (f64::from(unit) - 1.0));
            let id = format!("{:03X}", 0x100 + 16 * unit + own);
            message(&id, period, 0.0031 + 0.0017 * f64::from(at)).silent(30.0, to)
        };
        let units = (0..9).map(unit).collect();
        let text = log(60.0, &[slow(messages(0x300, 10), 90.0), units].concat());
        let times: Vec<f64> = (0..6).map(|step| 5.013 + 3.1 * f64::from(step)).collect();
        of_class(&reported(&with_errors(&text, &times)), "branch")
    };
    let (off, lost) = (branch(60.0), branch(33.0));
    assert!(off < 0.1 && lost > 0.5, "{off} {lost}");
}

/// A bad contact that fails for a tenth of a second at a time: at each burst of errors its fast
/// messages skip a frame or a few, for less than any silence, and nobody else skips any. Where
/// several senders do, it is no one's contact.
#[test]
fn errors_where_one_sender_skips_frames_are_its_own() {
    let bursts = [9.0, 15.3, 21.0, 27.7, 33.5, 41.2, 48.0];
    let errors: Vec<f64> =
        bursts.iter().flat_map(|at| [0.011, 0.023, 0.031].map(|d| at + d)).collect();
    let told = |many: u32| {
        let own = |at: u32| {
            message(&format!("{:03X}", 0x1F0 + at), 0.02, 0.0031 + 0.0017 * f64::from(at))
        };
        blamed(many, &errors, |at| {
            bursts.iter().fold(own(at), |own, at| own.silent(*at, at + 0.05))
        })
    };
    let (contact, line) = told(1);
    assert!(contact > 0.3 && line < 0.1, "{contact} {line}");
    let (contact, line) = told(6);
    assert!(contact < 0.2 && line > 0.1, "{contact} {line}");
}

/// A handful of errors in a short recording, however many a minute that makes, are no fault of the
/// main line; more of them may be.
#[test]
fn a_handful_of_errors_is_no_main_line() {
    let traffic = log(20.0, &slow(messages(0x300, 10), 90.0));
    let line = |times: &[f64]| of_class(&reported(&with_errors(&traffic, times)), "line");
    let few: Vec<f64> = (0..5).map(|step| 4.0 + 2.7 * f64::from(step)).collect();
    let many: Vec<f64> = (0..24).map(|step| 4.0 + 0.61 * f64::from(step)).collect();
    assert!(line(&few) < 0.1 && line(&many) > 0.2, "{} {}", line(&few), line(&many));
}
