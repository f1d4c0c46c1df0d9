//! What a controller reports of its bus.

use lostnode_parsers::ErrorFrame;

/// Names of its classes, such as `bus-off`.
pub fn classes(error: &ErrorFrame) -> String {
    error.classes().collect::<Vec<_>>().join(" ")
}

/// What it adds to its classes; empty where that is nothing.
pub fn detail(error: &ErrorFrame) -> String {
    let mut parts: Vec<String> = error.details().map(str::to_owned).collect();
    if let Some((transmit, receive)) = error.counters() {
        parts.push(format!("error counters: transmit {transmit}, receive {receive}"));
    }
    parts.join("; ")
}
