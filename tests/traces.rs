//! What a fault leaves elsewhere, and what it does not: on the line, on another bus, in the codes
//! of the module itself, in the questions of a tester. For each rule the smallest capture that
//! needs it, and its counterpart. All data is invented.

mod common;
#[path = "common/five_nodes.rs"]
mod five_nodes;
#[path = "common/messages.rs"]
mod messages;

use common::{report_text, simulated};
use five_nodes::{of_class, ranked, read, trouble, vehicle};
use messages::{Message, buses, cut, log, message, messages, slow};
use serde_json::Value;

fn reported(text: &str) -> Value {
    report_text(text).1
}

/// Error reports at these seconds, among the frames of five nodes.
fn with_errors(text: &str, times: impl Iterator<Item = f64>) -> Value {
    let mut lines: Vec<String> = text.lines().map(str::to_owned).collect();
    lines.extend(times.map(|at| format!("({:.6}) can0 20000008#0000040000000000", 1000.0 + at)));
    lines.sort_unstable();
    reported(&lines.join("\n"))
}

/// Five modules miss two others and no frame shows anything, nor is there an error frame: a line
/// that was at fault in this capture would have silenced the recorder's bus too. Where three
/// controllers left the bus, it did leave something.
#[test]
fn codes_alone_make_no_main_line() {
    let told = |codes: [&str; 2]| {
        let text = (0..5).fold(vehicle(), |text, number| {
            text + &read(100.0 + f64::from(number), number, &codes)
        });
        of_class(&simulated(&text, &[]).1, "line")
    };
    let missed = told(["C1 40 87 2F", "C1 55 87 2F"]);
    assert!(missed < 0.1, "{missed}");
    let left = told(["C0 73 88 2F", "C1 55 87 2F"]);
    assert!(left > 0.5, "{left}");
}

/// A pair that opens now and then in mid-frame destroys that frame: a few errors beside the losses
/// of a branch need no main line. Errors by the dozen do.
#[test]
fn a_few_errors_beside_a_branch_are_of_the_branch() {
    let gone = |own: Vec<Message>| {
        [(20.0, 23.0), (41.0, 43.0), (70.0, 74.0)]
            .iter()
            .fold(own, |own, (from, to)| cut(own, *from, *to))
    };
    let one = gone(messages(0x100, 4));
    let other = slow(gone(messages(0x180, 4)), 120.0);
    let text = log(120.0, &[one, other, slow(messages(0x300, 12), 60.0)].concat());
    let found = with_errors(&text, [10.0, 33.0, 55.0, 90.0].into_iter());
    assert_eq!(ranked(&found)[0].0, "branch", "{:?}", ranked(&found));
    let few = of_class(&found, "line");
    let found = with_errors(
        &text,
        (0..60).map(|at| 1.9 * f64::from(at) + 2.1 + (f64::from(at) * 0.618).fract()),
    );
    let many = of_class(&found, "line");
    assert!(few < 0.1 && many > 2.0 * few, "{few} {many}");
}

/// Twenty errors within twelve seconds are a burst however long the recording; the same over five
/// minutes are few.
#[test]
fn a_burst_of_errors_is_frequent_in_any_recording() {
    let text = log(300.0, &messages(0x200, 12));
    let burst = with_errors(&text, (0..20).map(|at| 100.0 + 0.61 * f64::from(at)));
    let said = burst["findings"][0]["evidence"].to_string();
    assert!(said.contains("17 within 10 s"), "{said}");
    let few = with_errors(&text, (0..20).map(|at| 5.0 + 14.5 * f64::from(at)));
    let (burst, few) = (of_class(&burst, "line"), of_class(&few, "line"));
    assert!(burst > 2.0 * few, "{burst} {few}");
}

/// A flood on one bus keeps the gateway from what it carries to another: what stops there then is
/// well, and so is what carries it. Stopped at another time it is not carried.
#[test]
fn what_a_flood_keeps_from_the_gateway_is_not_lost() {
    let lost = |from: f64, to: f64| {
        let flood = message("008", 0.0003, 0.0).silent(0.0, 20.0).silent(26.0, 99.0);
        let shared = messages(0x200, 4);
        let first = [messages(0x300, 8), shared.clone(), vec![flood]].concat();
        let second = [slow(messages(0x400, 9), 80.0), cut(shared, from, to)].concat();
        let found = reported(&buses(60.0, &[&first, &second]));
        let own = |(_, nodes, _): &(String, String, f64)| nodes.contains("0x200");
        assert!(of_class(&found, "overload") > 0.5 && !ranked(&found).iter().any(own), "{found}");
        of_class(&found, "gateway")
    };
    let (flooded, later) = (lost(21.0, 25.0), lost(40.0, 44.0));
    assert!(flooded < 0.05 && later > 0.2, "{flooded} {later}");
}

/// All that two buses carry stops on one of them: the senders are well, for the other bus hears
/// them, and what carries it over is not. A sender that only that bus has may be lost.
#[test]
fn who_is_heard_on_the_other_bus_is_not_silent() {
    let lost = |elsewhere: bool| {
        let own = messages(0x100, 4);
        let first = [cut(own.clone(), 30.0, 34.0), slow(messages(0x300, 9), 90.0)].concat();
        let other = slow(messages(0x400, 9), -70.0);
        let second = if elsewhere { [own, other].concat() } else { other };
        let found = reported(&buses(60.0, &[&first, &second]));
        let own = |(_, nodes, _): &(String, String, f64)| nodes.contains("0x100");
        (of_class(&found, "gateway"), ranked(&found).iter().any(own))
    };
    let (gateway, own) = lost(true);
    assert!(gateway > 0.3 && !own, "{gateway} {own}");
    let (gateway, own) = lost(false);
    assert!(gateway < 0.1 && own, "{gateway} {own}");
}

/// A module that is not there is asked in two scans like the others, in vain: its questions are no
/// messages of a module that fell silent. What says something of its own is not a tester's.
#[test]
fn what_a_tester_asks_in_vain_is_no_module() {
    let scanned = |asks: fn(f64) -> String| {
        let at = |id: &str, data: fn(f64) -> String, late: f64| {
            let times = Message { data, ..message(id, 0.44, 30.0 + late) };
            times.silent(32.0, 70.0).silent(72.0, 999.0)
        };
        let known = at("741", asked, 0.0);
        let answers = at("749", answer, 0.01);
        let unknown = at("743", asks, 0.1);
        reported(&log(100.0, &[messages(0x200, 12), vec![known, answers, unknown]].concat()))
    };
    fn asked(at: f64) -> String {
        if (at as u64).is_multiple_of(2) { "0322F190AAAAAAAA" } else { "0322F187AAAAAAAA" }
            .to_owned()
    }
    fn answer(at: f64) -> String {
        if (at as u64).is_multiple_of(2) { "0462F19041AAAAAA" } else { "0462F18741AAAAAA" }
            .to_owned()
    }
    let told = |found: &Value| found["outages"].to_string().contains("0x743");
    assert!(!told(&scanned(asked)));
    assert!(told(&scanned(|_| "0312345678AAAAAA".to_owned())));
}

/// U0300 says that the module's own software does not fit, as after a swap, where no failure type
/// says otherwise.
#[test]
fn software_that_does_not_fit_is_not_configured() {
    let told = |code: &str| {
        let text = vehicle() + &read(100.0, 1, &[code]);
        of_class(&simulated(&text, &[]).1, "not_configured")
    };
    assert!(told("C3 00 00 2F") > 0.5);
    assert!(told("C3 00 87 2F") < 0.1);
}

/// A module alone says that its supply is low, and one fell silent: it is the supply of that.
/// Where others say so too it is the battery's.
#[test]
fn one_low_supply_is_that_of_the_module() {
    let told = |readers: u16| {
        let lost = trouble("power_loss", "node = \"radio\"", &[20.0, 50.0], &[4.0, 3.0]);
        let text = (0..readers).fold(vehicle() + &lost, |text, number| {
            text + &read(100.0 + f64::from(number), number, &["F0 03 16 2F"])
        });
        of_class(&simulated(&text, &[]).1, "module_power")
    };
    let (none, one, all) = (told(0), told(1), told(4));
    assert!(one > none && one > all, "{none} {one} {all}");
}

/// One name is missed, and one module alone says that its supply is low: it is that module, which
/// starts anew again and again. Where that misses the other itself, or two are missed, nothing
/// tells.
#[test]
fn who_is_missed_and_has_a_low_supply_is_one_module() {
    let told = |missed: &[&str], readers: [u16; 2]| {
        let text = vehicle() + &read(100.0, readers[0], missed);
        let text = text + &read(104.0, readers[1], &["F0 03 16 2F"]);
        of_class(&simulated(&text, &[]).1, "module_power")
    };
    let old = "C1 40 00 08";
    let (one, two) = (told(&[old], [0, 1]), told(&[old, "C1 55 00 08"], [0, 1]));
    let own = told(&[old], [1, 1]);
    assert!(one > 0.4 && two < 0.2 && own < 0.2, "{one} {two} {own}");
}
