//! A module that boots again and again, and two that wait off the bus for their errors; what pauses
//! by the clock, and a bus of which hardly anybody is awake. For each rule the smallest capture
//! that needs it, and its counterpart. All data is invented.

mod common;
#[path = "common/five_nodes.rs"]
mod five_nodes;
#[path = "common/messages.rs"]
mod messages;

use common::report_text;
use five_nodes::{of_class, ranked};
use messages::{Message, cut, log, message, messages, slow};
use serde_json::Value;

/// Steps that scatter as those of a fault do, and those of a timer.
const SCATTERED: [f64; 12] = [0.7, 0.9, 0.6, 0.8, 1.0, 0.7, 0.8, 0.9, 0.6, 0.7, 1.0, 0.8];
const BY_THE_CLOCK: [f64; 12] = [0.8; 12];

/// What three messages show that are away for so many seconds at these steps, so much off their
/// grid each time: the verdict, and how probable a dead module is.
fn boots(away: f64, steps: &[f64], shift: f64) -> (String, f64) {
    let own = [("110", 0.02, 0.013), ("118", 0.02, 0.017), ("11A", 0.05, 0.021)];
    let mut own: Vec<Message> =
        own.iter().map(|(id, period, first)| message(id, *period, *first)).collect();
    let mut at = 20.0;
    for step in steps {
        own = own.into_iter().map(|own| own.anew(at, at + away, shift)).collect();
        at += step;
    }
    let found = report_text(&log(40.0, &[own, slow(messages(0x300, 16), 60.0)].concat())).1;
    (found["verdict"].as_str().unwrap().to_owned(), of_class(&found, "module_dead"))
}

/// Each boot is too short to be an outage by itself; so many of one length, at steps that scatter
/// and off the grid each time, are of a module that fails again and again. By the clock they are a
/// message's own way, and on the grid nothing started anew.
#[test]
fn short_boots_of_one_length_are_of_a_module_that_fails() {
    let (verdict, dead) = boots(0.12, &SCATTERED, 0.0073);
    assert!(verdict == "something_lost" && dead > 0.4, "{verdict} {dead}");
    for (steps, shift) in [(BY_THE_CLOCK, 0.0073), (SCATTERED, 0.0)] {
        let (verdict, dead) = boots(0.12, &steps, shift);
        assert!(verdict == "nothing_lost" && dead < 0.1, "{verdict} {dead}");
    }
}

/// So many boots that a tenth of the gaps are long are no events either, nor a start of the engine,
/// which nobody tries once a second.
#[test]
fn many_boots_soon_after_the_begin_are_no_start() {
    let own = [("110", 0.1, 0.013), ("118", 0.1, 0.017)];
    let mut own: Vec<Message> =
        own.iter().map(|(id, period, first)| message(id, *period, *first)).collect();
    let mut at = 1.0;
    for step in SCATTERED {
        own = own.into_iter().map(|own| own.anew(at, at + 0.33, 0.037)).collect();
        at += step;
    }
    let found = report_text(&log(11.0, &[own, slow(messages(0x300, 16), 60.0)].concat())).1;
    assert_eq!(found["verdict"], "something_lost", "{:#}", found["outages"]);
    assert_eq!(ranked(&found)[0].0, "module_dead", "{:?}", ranked(&found));
}

/// Two modules that are each away for a time of their own, as long every time, and run on, wait off
/// the bus for errors that they have in common. One that does so has a bad contact; so have two
/// that are away for now this long and now that.
#[test]
fn two_that_are_away_for_as_long_every_time_are_of_the_line() {
    let line = |first: &[f64], second: &[f64]| {
        let of = |id: u32, ppm: f64, begin: f64, lengths: &[f64]| {
            let own = slow(messages(id, 4), ppm);
            let starts = [0.0, 9.3, 14.1, 26.7, 33.2].map(|start| begin + start);
            let each = starts.into_iter().zip(lengths);
            each.fold(own, |own, (start, length)| cut(own, start, start + length))
        };
        let all = [of(0x100, 90.0, 10.0, first), of(0x200, -120.0, 13.0, second)];
        let found = report_text(&log(60.0, &[all.concat(), messages(0x300, 16)].concat())).1;
        (of_class(&found, "line"), of_class(&found, "module_connector"))
    };
    let (even, uneven) = ([0.5; 5], [0.5, 1.9, 0.8, 3.0, 1.2]);
    let (both, one, none) =
        (line(&even, &[0.8; 5]), line(&even, &[]), line(&uneven, &[1.6, 0.6, 2.3, 0.9, 0.7]));
    assert!(both.0 > 0.5 && both.1 < 0.3, "{both:?}");
    assert!(one.0 < 0.1 && one.1 > 0.5 && none.0 < 0.1 && none.1 > 0.5, "{one:?} {none:?}");
}

/// Two messages that pause by the clock, four times for as long: the slower one rounds to its
/// period, and the faster one tells for both. A pause that comes sooner once is of no clock.
#[test]
fn the_fastest_message_tells_the_clock() {
    let verdict = |last: f64| {
        let pause = |own: Message| {
            let starts = [9.5, 19.0, 28.5, last];
            starts.iter().fold(own, |own, at| own.silent(at + 0.02, at + 1.62))
        };
        let own = [message("1F9", 0.05, 0.0), message("29E", 0.2, 0.0)].map(pause);
        let all = [own.to_vec(), messages(0x300, 16)].concat();
        report_text(&log(50.0, &all)).1["verdict"].as_str().unwrap().to_owned()
    };
    assert_eq!(verdict(38.0), "nothing_lost");
    assert_ne!(verdict(36.6), "nothing_lost");
}

/// While most of a bus is not awake yet, two messages that pause leave it silent; nothing is wrong
/// with its line. Where all of it stops, it is.
#[test]
fn two_messages_that_pause_are_no_silence_of_a_bus() {
    let line = |from: f64| {
        let own = [("510", 0.1, 0.013), ("520", 0.15, 0.021)];
        let own = own.map(|(id, period, first)| message(id, period, first));
        let own = own.map(|own| own.anew(from, from + 1.5, 0.031)).to_vec();
        let others = messages(0x300, 16).into_iter().zip(1..).map(|(own, at)| {
            let own = Message { first: own.first + 20.0, ..own };
            if from > 20.0 { own.anew(from, from + 1.5, 0.0031 * f64::from(at)) } else { own }
        });
        let here = [own, others.collect()].concat();
        let found: Value = report_text(&messages::buses(60.0, &[&here, &messages(0x600, 8)])).1;
        of_class(&found, "line")
    };
    let (two, all) = (line(8.0), line(40.0));
    assert!(two < 0.05 && all > 0.2, "{two} {all}");
}
