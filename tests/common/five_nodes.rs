//! A small invented vehicle, its troubles and what a tester reads, as a scenario; and what the
//! report finds.
#![allow(dead_code)] // each test file uses some of them

use std::fmt::Write;

use serde_json::Value;

/// Classes and nodes of the findings, with their probabilities.
pub fn ranked(document: &Value) -> Vec<(String, String, f64)> {
    let list = document["findings"].as_array().unwrap();
    list.iter()
        .map(|finding| {
            let nodes: Vec<&str> =
                finding["nodes"].as_array().unwrap().iter().map(|v| v.as_str().unwrap()).collect();
            let class = finding["class"].as_str().unwrap().to_owned();
            (class, nodes.join("+"), finding["probability"].as_f64().unwrap())
        })
        .collect()
}

/// The highest probability of a finding of a class.
pub fn of_class(document: &Value, class: &str) -> f64 {
    let own = ranked(document).into_iter().filter(|(own, ..)| own == class);
    own.map(|(.., probability)| probability).fold(0.0, f64::max)
}

/// Five nodes on a bus for 120 s; only the first two have counters.
pub fn vehicle() -> String {
    let mut text = "title = \"t\"\ninvented = true\nseed = 7\nstart = 1.79e9\nduration = 120.0\n\
                    [[channel]]\nname = \"can0\"\nbit_rate = 500000\nstamp_noise = 0.00002\n"
        .to_owned();
    let names = ["engine", "brakes", "door", "mirror", "radio"];
    for (at, name) in names.iter().enumerate() {
        let counter = if at < 3 { ", counter = { byte = 2, width = 8 }" } else { "" };
        let (first, drift) = (0x100 + at * 0x40, -90.0 + 45.0 * at as f64);
        let _ = write!(
            text,
            "[[node]]\nname = \"{name}\"\nchannel = \"can0\"\nbranch = \"{}\"\ndrift_ppm = \
             {drift}\nboot = 0.{}\nmessages = [\n{{ id = \"{first:03X}\", period = 0.05{counter} \
             }},\n{{ id = \"{:03X}\", period = 0.1 }},\n{{ id = \"{:03X}\", period = 0.2 }} ]\n",
            if at == 2 || at == 3 { "left" } else { "main" },
            at + 2,
            first + 7,
            first + 14,
        );
    }
    text
}

pub fn trouble(kind: &str, what: &str, at: &[f64], lasts: &[f64]) -> String {
    format!("[[trouble]]\nkind = \"{kind}\"\n{what}\nat = {at:?}\nlasts = {lasts:?}\n")
}

/// What a module answers to a request, one frame each.
pub fn answered(at: f64, number: u16, request: &str, answer: &str) -> String {
    let (asks, answers) = (0x7E0 + number, 0x7E8 + number);
    format!(
        "[[exchange]]\nat = {at}\nrequest = {{ id = \"{asks:03X}\", data = \"{request}\" \
         }}\nanswers = [ {{ id = \"{answers:03X}\", data = \"{answer}\" }} ]\n",
    )
}

/// A list of codes with their status, as module `number` gives it at a time.
pub fn read(at: f64, number: u16, codes: &[&str]) -> String {
    answered(at, number, "19 02 FF", &format!("59 02 FF {}", codes.join(" ")))
}

/// A tester asks module `number` for its codes, and nobody answers.
pub fn unanswered(at: f64, number: u16) -> String {
    let asks = 0x7E0 + number;
    format!(
        "[[exchange]]\nat = {at}\nrequest = {{ id = \"{asks:03X}\", data = \"19 02 FF\" \
         }}\nanswers = []\n"
    )
}
