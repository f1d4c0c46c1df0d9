//! Whether one module fell silent or several: how their messages come back, and how they end; and
//! what is no sign that a module went on. For each rule the smallest capture that needs it, and its
//! counterpart. All data is invented.

mod common;
#[path = "common/five_nodes.rs"]
mod five_nodes;
#[path = "common/messages.rs"]
mod messages;

use common::report_text;
use five_nodes::of_class;
use messages::{Message, log, message, messages, once, slow};
use serde_json::Value;

fn reported(text: &str) -> Value {
    report_text(text).1
}

/// A counter of one byte that begins at nought after each return of the supply.
fn restarting(time: f64) -> String {
    let since = [18.0, 30.0, 47.0].into_iter().rev().find(|begin| time >= *begin).unwrap_or(0.0);
    format!("{:02X}AA", ((time - since) / 0.02).round() as u32 % 256)
}

/// Six messages that lose their supply three times and begin anew, the last three of them so many
/// seconds after the first.
fn six(later: f64) -> Vec<Message> {
    let one = |at: u32| {
        let first = 0.0021 + 0.0013 * f64::from(at);
        let own =
            Message { data: restarting, ..message(&format!("{:03X}", 0x4A0 + at), 0.02, first) };
        let late = if at < 3 { 0.0 } else { later };
        [(16.0, 18.0, 0.0031), (27.5, 30.0, 0.0067), (45.0, 47.0, 0.0043)]
            .into_iter()
            .fold(own, |own, (from, to, shift)| own.anew(from, to + late, shift))
    };
    (0..6).map(one).collect()
}

/// How many times likelier a common supply is than that of one module.
fn odds(found: &Value) -> f64 {
    of_class(found, "shared_supply") / of_class(found, "module_power")
}

/// A module boots once; several on one feed boot each in its own time.
#[test]
fn what_comes_back_in_turns_is_several_modules() {
    let others = slow(messages(0x300, 14), 90.0);
    let found = |later| reported(&log(60.0, &[others.clone(), six(later)].concat()));
    let (together, in_turns) = (found(0.0), found(0.35));
    let (one, several) = (odds(&together), odds(&in_turns));
    assert!(several > 4.0 * one.max(0.01), "{one} {several}");
    assert!(one < 1.0, "{one}");
}

/// A message of somebody else that falls silent with a module whose address tells what it sends,
/// and returns with it, time and again, is of a second module: they share something.
#[test]
fn what_falls_silent_with_a_known_module_makes_several_likelier() {
    let lost = |own: Message| {
        [(16.0, 18.1), (27.5, 30.2), (45.0, 47.3)]
            .into_iter()
            .fold(own, |own, (from, to)| own.silent(from, to))
    };
    let of = |id: &str, at: f64| message(id, 0.1, 0.0037 * at);
    let told = |with_it: bool| {
        let others = ["18FEF100", "18FEF200", "18FEF10B", "18FEF20B", "18FEF121", "18FEF221"];
        let others = others.iter().zip(1..).map(|(id, at)| of(id, f64::from(at)));
        let own = ["18FEF125", "18FEF225"].iter().zip(9..).map(|(id, at)| lost(of(id, at.into())));
        let second = of("18FEF119", 12.0);
        let second = if with_it { lost(second) } else { second };
        let all = others.chain(own).chain([second, of("18FEF219", 13.0)]).collect::<Vec<_>>();
        let found = reported(&log(60.0, &all));
        let shared = of_class(&found, "branch") + of_class(&found, "shared_supply");
        (shared, found["findings"].to_string())
    };
    let ((alone, _), (together, found)) = (told(false), told(true));
    assert!(together > 2.0 * alone.max(0.03), "{alone} {together} {found}");
}

/// What a tester asks for is no sign that a module went on: its program hangs, and its diagnosis
/// answers. What it sends by itself is one.
#[test]
fn an_answer_to_a_tester_is_no_sign_of_life_of_the_program() {
    let cyclic = |id: &str, first: f64| message(id, 0.1, first);
    let others: Vec<Message> = ["18FEF100", "18FEF200", "18FEF10B", "18FEF20B", "18FEF121"]
        .iter()
        .enumerate()
        .map(|(at, id)| cyclic(id, 0.003 * at as f64))
        .collect();
    let own = cyclic("18FEF125", 0.041).silent(20.0, 60.0);
    let scope = |last: Message| {
        let asks = once(34.9, "18EA25F9", |_| "CBFE00".to_owned());
        let all = [others.clone(), vec![own.clone(), last, asks]].concat();
        let found = reported(&log(60.0, &all));
        let outages = found["outages"].as_array().unwrap();
        let of_it = |outage: &&Value| outage["ids"].to_string().contains("18FEF125");
        outages.iter().find(of_it).map(|outage| outage["scope"].as_str().unwrap().to_owned())
    };
    let codes = once(35.0, "18FECB25", |_| "0000000000000000".to_owned());
    assert_eq!(scope(codes).as_deref(), Some("node"));
    assert_eq!(scope(cyclic("18FEF225", 0.051)).as_deref(), Some("identifier"));
}
