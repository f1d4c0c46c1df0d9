//! How what fell silent came back, in words.

use super::terms::plural;
use crate::analysis::symptom::Return;

/// How one or several came back.
pub(super) fn returned(back: Return) -> String {
    match back {
        Return::No => "not heard again".to_owned(),
        Return::LostAddress => {
            "another unit claimed its address, and it had to give it up".to_owned()
        }
        Return::Untold { back } => {
            format!("how it came back shows nothing ({})", plural(back, "return", "returns"))
        }
        Return::Leans { on: true, back } => format!(
            "looks more like having kept running than a restart, not sure ({})",
            plural(back, "return", "returns")
        ),
        Return::Leans { on: false, back } => format!(
            "looks more like a restart than having kept running, not sure ({})",
            plural(back, "return", "returns")
        ),
        Return::Divided { divided, back } => {
            format!("{} some had kept running and others restarted", at(divided, back))
        }
        Return::StartedAnew { anew, back } => {
            format!("rebooted {}: counters or timing started afresh", at(anew, back))
        }
        Return::RanOn { ran_on, back } => {
            format!("it had kept running {}: counters and timing had carried on", at(ran_on, back))
        }
        Return::Mixed { anew, ran_on } => {
            let looks = if anew == 1 { "return looks" } else { "returns look" };
            format!("{anew} {looks} like a restart and {ran_on} like having kept running")
        }
    }
}

/// `at every return (5)`, `at 4 of 5 returns`.
fn at(own: usize, back: usize) -> String {
    match (own, back) {
        (1, 1) => "at its return".to_owned(),
        (own, back) if own == back => format!("at every return ({back})"),
        _ => format!("at {own} of {}", plural(back, "return", "returns")),
    }
}
