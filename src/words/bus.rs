//! What a controller reports of its bus.

use lostnode_parsers::ErrorFrame;

use super::terms::{plural, short_duration};
use crate::analysis::Analysis;
use crate::analysis::symptom::Fact;

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

/// Errors of a bus, and whose they are; `who` is what the symptom is about. Empty for another fact.
pub(super) fn errors(analysis: &Analysis, fact: &Fact, who: &str) -> String {
    match fact {
        Fact::BusErrors { count, seconds, first } => {
            let (errors, first) = (plural(*count, "error", "errors"), classes(first));
            let seconds = plural(*seconds, "second", "seconds");
            let all = short_duration(analysis.length());
            format!(
                "{errors} on {who} outside its silences, in {seconds} of {all}, such as {first}"
            )
        }
        Fact::ErrorsThroughout { count, seconds, first } => {
            let first = classes(first);
            format!("{count} errors on {who} in {seconds} s, without end, such as {first}")
        }
        Fact::SenderErrors { frames, of, share, chance } => format!(
            "{frames} of {of} frames that errors destroyed are from {who}, which sends {:.0} % of \
             the traffic: suspect its stub, connector or transceiver ({} by chance)",
            share * 100.0,
            odds(*chance)
        ),
        Fact::SenderFollows { times, of, by_chance } => format!(
            "{who} is heard soon after {times} of {of} errors ({:.0} % by chance): what an error \
             destroys is sent again at once, so suspect its stub, connector or transceiver",
            by_chance * 100.0
        ),
        Fact::SenderLacks { times, of, share } => format!(
            "{times} of {of} errors came while frames of {who} were missing ({:.0} % of the time) \
             and no other module's were: suspect its stub, connector or transceiver",
            share * 100.0
        ),
        _ => String::new(),
    }
}

fn odds(chance: f64) -> String {
    let times = (1.0 / chance.max(1e-9)).round() as u64;
    format!("1 in {times}")
}
