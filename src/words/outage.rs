//! What an outage rests on, in sentences.

use lostnode_parsers::Id;

use crate::analysis::{Analysis, Evidence, Outage};
use crate::outage::ReturnSign;
use crate::silence::StopSign;
use crate::words::terms::{id_label, plural};

/// What an outage rests on, one sentence for each thing that was looked at.
pub fn evidence(analysis: &Analysis, outage: &Outage) -> Vec<String> {
    outage.evidence.iter().map(|evidence| sentence(analysis, outage, evidence)).collect()
}

fn sentence(analysis: &Analysis, outage: &Outage, evidence: &Evidence) -> String {
    match *evidence {
        Evidence::Missed { identifiers, frames, fastest } => format!(
            "{} missed {frames} frames or more each; the fastest of them comes every {:.0} ms",
            plural(identifiers, "periodic identifier", "periodic identifiers"),
            fastest * 1e3,
        ),
        Evidence::OthersSilentToo { identifiers } => {
            format!("its other identifiers ({identifiers}) were not heard in that time either")
        }
        Evidence::NodeWentOn { node, identifiers, example } => format!(
            "{} went on with {}, such as {}",
            analysis.nodes[node].name,
            plural(identifiers, "other identifier", "other identifiers"),
            id_label(example),
        ),
        Evidence::SenderUnknown => "its sender is not known from this capture".to_owned(),
        Evidence::CameBackOver { seconds } => {
            format!("its identifiers came back over {seconds:.2} s")
        }
        Evidence::BusErrors { count } => {
            format!("{count} error reports about the bus within 1 s of its start")
        }
        Evidence::FellSilentTogether { nodes, seconds, others } => format!(
            "{nodes} nodes fell silent within {seconds:.2} s of each other while {others} others \
             on the channel went on"
        ),
        Evidence::CameBackTogether { seconds } => {
            format!("they came back within {seconds:.2} s of each other")
        }
        Evidence::SilentAfterWaking { seconds } => {
            format!("it did not answer in the {seconds:.2} s after the channel woke")
        }
        Evidence::AnsweredAfterWaking { seconds } => {
            format!("it answered {seconds:.2} s after the channel woke")
        }
        Evidence::ChannelSilent { seconds } => {
            format!("for {seconds:.2} s of it the whole channel was silent")
        }
        Evidence::NeverHeard { fastest } => never_heard(&outage.never_heard, fastest),
        Evidence::Stop(sign) => stop(sign),
        Evidence::Return(sign) => return_of_node(sign),
    }
}

fn never_heard(ids: &[Id], fastest: f64) -> String {
    let names: Vec<String> = ids.iter().map(|id| id_label(*id)).collect();
    format!(
        "never heard in this capture: {}; the roster expects the fastest of {} every {:.0} ms",
        names.join(", "),
        if names.len() == 1 { "it" } else { "them" },
        fastest * 1e3
    )
}

/// What tells which kind of stop it was.
fn stop(sign: StopSign) -> String {
    match sign {
        StopSign::AllSentUntil { identifiers } => format!(
            "all {identifiers} periodic identifiers that timed out were sending until the stop, \
             within their own periods"
        ),
        StopSign::SomeStoppedBefore { identifiers, before, first } => format!(
            "of {identifiers} periodic identifiers that timed out, {before} had stopped earlier, \
             the first of them {first:.2} s before the last frame"
        ),
        StopSign::CameBack { at_once, identifiers, last, never } => format!(
            "{at_once} of {identifiers} were back within their own periods of the first frame \
             after it, the last after {last:.2} s{}",
            if never > 0 { format!("; {never} were not heard again") } else { String::new() },
        ),
        StopSign::BusErrors { count: 0, .. } => {
            "no error report about the bus within 1 s of it".to_owned()
        }
        StopSign::BusErrors { count, bus_off: 0 } => {
            format!("{count} error reports about the bus within 1 s of it")
        }
        StopSign::BusErrors { count, bus_off } => format!(
            "{count} error reports about the bus within 1 s of it, {bus_off} of them bus-off"
        ),
        StopSign::Overflows { count } => {
            format!("the logger reported {count} receive overflows: it lost frames itself")
        }
        StopSign::RecordingPaused => {
            "every channel stopped and went on mid-traffic: the recording \
             paused, no node is to blame"
                .to_owned()
        }
        StopSign::PerhapsRecordedInPart => {
            "a recording that took this channel for a while only would look the same".to_owned()
        }
        StopSign::OthersWentOn => "the other channels went on".to_owned(),
    }
}

/// What tells whether a node ran on or started anew.
fn return_of_node(sign: ReturnSign) -> String {
    match sign {
        ReturnSign::PhaseKept { off, tolerance } => format!(
            "its instants kept their phase to {:.1} % of a period (by luck: {:.0} %)",
            off * 100.0,
            tolerance * 200.0
        ),
        ReturnSign::PhaseLost { off, tolerance } => format!(
            "its instants came back {:.0} % of a period out of phase, {:.0} % would be scatter",
            off * 100.0,
            tolerance * 100.0
        ),
        ReturnSign::SupplyDip { volts } => format!("the supply fell to {volts:.1} V just before"),
        ReturnSign::OrderlyEnd { seconds } => {
            format!("its identifiers ended one after another over {seconds:.1} s, as in a shutdown")
        }
        ReturnSign::BootPattern { identifiers, returns, luck } => format!(
            "the first frames of {identifiers} identifiers came in the order and distances of \
             {} (by luck: 1 in {:.0})",
            plural(returns, "other return", "other returns"),
            1.0 / luck.max(1e-9)
        ),
        ReturnSign::CountersWentOn { count, of, luck } => format!(
            "{count} of {of} independent counters had gone on as if it had run \
             (by luck: 1 in {:.0})",
            1.0 / luck
        ),
        ReturnSign::CountersBeganLow { count, of, luck } => format!(
            "{count} of {of} independent counters began at 0 or 1 (by luck: 1 in {:.0})",
            1.0 / luck
        ),
        ReturnSign::TooFew => unclear("two signs that agree are needed"),
        ReturnSign::Contradiction => unclear("the signs contradict each other"),
    }
}

fn unclear(why: &str) -> String {
    format!("whether it ran on or started anew is not clear: {why}")
}
