//! A silence of a whole bus that is not of its wires. For each rule the smallest capture that needs
//! it, and its counterpart. All data is invented.

mod common;
#[path = "common/five_nodes.rs"]
mod five_nodes;
#[path = "common/messages.rs"]
mod messages;

use common::report_text;
use five_nodes::of_class;
use messages::{Message, buses, cut, messages};

/// How likely the main line is at fault.
fn line(text: &str) -> f64 {
    of_class(&report_text(text).1, "line")
}

/// Two buses share a battery, a gateway and a recorder, and no wires.
#[test]
fn two_buses_that_stop_at_once_have_no_bad_line() {
    let two = |from: f64, to: f64| {
        let other = cut(messages(0x300, 9), from, to);
        line(&buses(30.0, &[&cut(messages(0x100, 9), 12.0, 15.0), &other]))
    };
    let (at_once, apart) = (two(12.0, 15.0), two(20.0, 21.0));
    assert!(at_once < 0.1 && apart > 0.3, "{at_once} {apart}");
}

/// While the key is off on one bus the other may have nothing to say.
#[test]
fn a_bus_that_stops_within_a_key_off_has_no_bad_line() {
    let other = cut(messages(0x500, 9), 9.5, 14.0);
    let off = |lasts: bool| -> Vec<Message> {
        let staged = [(0x100, 8.0), (0x200, 8.4), (0x300, 9.1)];
        let part = |(first, from): (u32, f64)| match lasts {
            true => messages(first, 6).into_iter().map(|own| own.anew(from, 16.0, 0.013)).collect(),
            false => messages(first, 6),
        };
        staged.into_iter().flat_map::<Vec<Message>, _>(part).collect()
    };
    let found = |lasts: bool| line(&buses(30.0, &[&off(lasts), &other]));
    let (within, without) = (found(true), found(false));
    assert!(within < 0.3 && without > 0.6, "{within} {without}");
}

/// A bus of which most has not spoken yet is not silent for a bad wire.
#[test]
fn a_bus_that_has_hardly_begun_has_no_bad_line() {
    let begun = |late: u32| {
        let first = cut(messages(0x100, 12 - late), 12.0, 15.0);
        let others = messages(0x300, late).into_iter();
        let others = others.map(|own| Message { first: own.first + 20.0, ..own }).collect();
        line(&buses(40.0, &[&[first, others].concat(), &messages(0x500, 9)]))
    };
    let (few, all) = (begun(8), begun(0));
    assert!(few < 0.1 && all > 0.3, "{few} {all}");
}
