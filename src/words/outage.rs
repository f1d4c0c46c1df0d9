//! What an outage rests on, in sentences.

use lostnode_parsers::Id;

use crate::analysis::{Analysis, Evidence, Outage, Scope};
use crate::ids::NodeIndex;
use crate::outage::{ReturnSign, Why};
use crate::silence::StopSign;
use crate::words::terms::{id_label, plural};
use crate::words::{return_signs, who};

/// What an outage rests on, one sentence for each thing that was looked at.
pub fn evidence(analysis: &Analysis, outage: &Outage) -> Vec<String> {
    // How it came back is the answer, and comes first; what each sign of it is stands behind.
    let (signs, others): (Vec<&Evidence>, Vec<&Evidence>) =
        outage.evidence.iter().partition(|own| matches!(own, Evidence::Return(_)));
    let signs: Vec<ReturnSign> = signs
        .into_iter()
        .filter_map(|own| match own {
            Evidence::Return(sign) => Some(*sign),
            _ => None,
        })
        .collect();
    let others = others.into_iter().map(|own| sentence(analysis, outage, own));
    return_signs::sentences(&signs).into_iter().chain(others).collect()
}

fn sentence(analysis: &Analysis, outage: &Outage, evidence: &Evidence) -> String {
    match *evidence {
        Evidence::Missed { identifiers, frames, fastest } => {
            let frames = plural(frames as usize, "frame", "frames");
            let fastest = fastest * 1e3;
            match identifiers {
                1 => format!(
                    "1 periodic identifier missed at least {frames}; it is sent every {fastest:.0} \
                     ms"
                ),
                _ => format!(
                    "{identifiers} periodic identifiers missed at least {frames} each; the fastest \
                     is sent every {fastest:.0} ms"
                ),
            }
        }
        Evidence::HeardForMoments { times } => {
            format!("heard for a moment {times} times meanwhile, at even steps")
        }
        Evidence::OthersSilentToo { identifiers } => match identifiers {
            1 => "its other identifier was not heard in that time either".to_owned(),
            _ => format!("its {identifiers} other identifiers were not heard in that time either"),
        },
        Evidence::NodeWentOn { node, identifiers, example } => format!(
            "{} went on with {}, such as {}",
            who::node(analysis, node),
            plural(identifiers, "other identifier", "other identifiers"),
            id_label(example),
        ),
        Evidence::SenderUnknown => "its sender is not known from this capture".to_owned(),
        Evidence::CameBackOver { seconds } => {
            format!("its identifiers came back over {seconds:.2} s")
        }
        Evidence::BusErrors { count } => {
            let count = plural(count, "error report", "error reports");
            format!("{count} about the bus within 1 s of its start")
        }
        Evidence::OthersWithIt { identifiers } => format!(
            "{} of other or unknown senders fell silent with it",
            plural(identifiers, "identifier", "identifiers"),
        ),
        Evidence::Wave { after, identifiers, example, node, back } => {
            wave(analysis, after, identifiers, example, node, back)
        }
        // It may be one message of a sender that is known all the same.
        Evidence::Why(Why::SenderUnknown) if !outage.nodes.is_empty() => {
            "a single message of that sender: it may pause by nature, or be all that got through"
                .to_owned()
        }
        Evidence::Why(why) => why_so(why),
        Evidence::FellSilentTogether { nodes, seconds, others: 0 } => {
            format!("{nodes} modules fell silent within {seconds:.2} s of each other")
        }
        Evidence::FellSilentTogether { nodes, seconds, others } => format!(
            "{nodes} modules fell silent within {seconds:.2} s of each other while {others} others \
             on the channel went on"
        ),
        Evidence::CameBackTogether { seconds } => {
            format!("they came back within {seconds:.2} s of each other")
        }
        Evidence::SilentAfterWaking { seconds } => {
            format!("it was not heard in the {seconds:.2} s after the channel woke")
        }
        Evidence::AnsweredAfterWaking { seconds } => {
            format!("it was heard {seconds:.2} s after the channel woke")
        }
        Evidence::ChannelSilent { seconds } => {
            format!("not counting {seconds:.2} s in which the whole channel was silent")
        }
        Evidence::NeverHeard { due, awake, .. } => never_heard(&outage.never_heard, due, awake),
        Evidence::HeardInDrive { drive } => {
            let here = analysis.drive_of(outage.start);
            let here = here.map_or("this one".to_owned(), |at| format!("drive {}", at + 1));
            format!("heard in drive {}, never in {here}", drive + 1)
        }
        Evidence::SilentFromTheStart { seconds, due } => format!(
            "the bus was running as the recording began, and for {seconds:.2} s nothing came that \
             the roster expects here: {due:.0} frames of the fastest identifier were due"
        ),
        Evidence::SentSometimes => "only some of the sound recordings that the roster was learned \
                                    from have it: it may be sent only in one mode of the vehicle"
            .to_owned(),
        Evidence::ProbablyOneNode { identifiers: 1, .. } => {
            "its sender is not known; it may be all that a module sends".to_owned()
        }
        Evidence::ProbablyOneNode { identifiers, expected, perhaps_key_off } => format!(
            "{identifiers} of {expected} identifiers that this vehicle normally sends were {}; \
             they are probably one module{}",
            if outage.never_heard.is_empty() { "not heard until then" } else { "never heard" },
            if perhaps_key_off { " (or the key was off)" } else { "" }
        ),
        Evidence::LostAddress { address, from, to, after } => format!(
            "it had to give up address 0x{address:02X}: NAME {:016X} claimed it {:.3} s {} its \
             last periodic frame, and the lower NAME keeps an address (its own is {:016X})",
            to.0,
            after.abs(),
            if after < 0.0 { "after" } else { "before" },
            from.0,
        ),
        Evidence::Stop(sign) => stop(sign),
        Evidence::Return(sign) => return_signs::sentences(&[sign]).concat(),
    }
}

fn never_heard(ids: &[Id], due: f64, awake: f64) -> String {
    let names: Vec<String> = ids.iter().map(|id| id_label(*id)).collect();
    format!(
        "never heard in this capture: {}; {} frames or more of {} would have come in {awake:.1} s \
         of traffic",
        names.join(", "),
        due.floor(),
        if names.len() == 1 { "it" } else { "each" },
    )
}

/// `0.00 s: address 0x0B (14 identifiers) stops; back after 101.46 s`.
fn wave(
    analysis: &Analysis,
    after: f64,
    identifiers: usize,
    example: Id,
    node: Option<NodeIndex>,
    back: Option<f64>,
) -> String {
    let count = plural(identifiers, "identifier", "identifiers");
    let who = match node {
        Some(node) => format!("{} ({count})", who::node(analysis, node)),
        None if identifiers == 1 => id_label(example),
        None => format!("{count}, such as {}", id_label(example)),
    };
    let when = if after < 0.005 { "at once".to_owned() } else { format!("after {after:.2} s") };
    match back {
        Some(back) => format!("{who} stopped {when}, back after {back:.2} s"),
        None => format!("{who} stopped {when}, not back before the end"),
    }
}

/// What tells that a silence is lawful, or that it is none.
fn why_so(why: Why) -> String {
    match why {
        Why::PhaseKept { kept, testable } => format!(
            "{kept} of {testable} identifiers came back in step with their earlier timing: it was \
             no key-off"
        ),
        Why::WholeSender => "it is all that this sender sends".to_owned(),
        Why::Restarted => "it came back with the signs of a start".to_owned(),
        Why::Boots { times } => format!(
            "it was silent {times} times for the same length of time, at irregular intervals, \
             like a module that boots, crashes and boots again"
        ),
        Why::OwnErrors { count } => {
            format!("errors destroyed {count} of its own frames where it fell silent or came back")
        }
        Why::OneInstant { identifiers } => format!(
            "{} fell silent at one instant, with no sign of a key-off",
            plural(identifiers, "identifier", "identifiers")
        ),
        Why::HeldUp { identifiers, over } => format!(
            "{} fell silent over {over:.2} s and were soon back, as when a supply fails and each \
             module runs on for a different time",
            plural(identifiers, "identifier", "identifiers")
        ),
        Why::EngineStood => {
            "the engine speed shows the engine stopped, and modules left with it: the key was \
             turned off"
                .to_owned()
        }
        Why::ChannelEnds => "the channel itself ends there".to_owned(),
        Why::BusSlept => "the bus went to sleep".to_owned(),
        Why::Staged { waves, over, identifiers, of } => format!(
            "{identifiers} of {of} identifiers left at {waves} instants over {over:.2} s, as \
             modules do when they are switched off"
        ),
        Why::HalfOfSenders => {
            "half of the known senders or more left at one instant and stayed away".to_owned()
        }
        Why::LargePart { identifiers, of } => format!(
            "{identifiers} of {of} identifiers left at one instant and restarted: the key may \
             switch off as many as a fuse does"
        ),
        Why::BeforeTheEnd { seconds, identifiers } => format!(
            "{identifiers} identifiers left together {} before the recording ended: whoever was \
             recording may have turned the key",
            super::terms::duration(seconds)
        ),
        Why::InAPause { identifiers } => format!(
            "{identifiers} identifiers were no longer there after a pause in the recording: the \
             key may have been turned meanwhile"
        ),
        Why::SentForAWhile => "it was sent for a short while only".to_owned(),
        Why::SameOrderAgain => {
            "modules left in the same order as another time in this capture".to_owned()
        }
        Why::LateReturn { seconds } => format!(
            "it stayed away for {} longer than the last of those that left with it",
            super::terms::duration(seconds)
        ),
        Why::EngineRanAgain { seconds } => format!(
            "the engine ran again for {}, and it was not back",
            super::terms::duration(seconds)
        ),
        Why::BeforeTheOthers { seconds } if seconds < 1.0 => {
            "others were switched off at that moment".to_owned()
        }
        Why::BeforeTheOthers { seconds } => format!(
            "others were switched off {seconds:.0} s later, and it was not back before: modules on \
             the ignition leave first, or their supply failed"
        ),
        Why::AfterOthers { seconds } => format!(
            "another bus was switched off {} before, and it left and came back with it another \
             time too",
            super::terms::duration(seconds)
        ),
        Why::WhileOthersOff { identifiers } => format!(
            "{identifiers} identifiers were switched off all that time: it may have been too, for \
             less long"
        ),
        Why::StarterTurned => {
            "this was soon after key-on, when engines are started and the voltage drops".to_owned()
        }
        Why::GaveUpAddress => "another unit claimed its address".to_owned(),
        Why::ByTester { seconds } => format!(
            "a tester had told it to be silent, or to restart, {} before",
            super::terms::duration(seconds)
        ),
        Why::OtherBusStopped => {
            "another bus stopped just then: these messages are relayed from there".to_owned()
        }
        Why::AfterSleep { seconds } => format!(
            "another bus had gone to sleep {} before, and nothing woke it",
            super::terms::duration(seconds)
        ),
        Why::CarriedOver => {
            "the same message stopped on another bus: it was carried over from there".to_owned()
        }
        Why::WentOnElsewhere { messages, of } => format!(
            "{messages} of its {of} messages went on on another bus, where a key would have \
             stopped them too"
        ),
        Why::Gone { seconds } => format!(
            "it had never paused, and was gone for {} to the end, while nothing else changed: it \
             may be all that a module sends",
            super::terms::duration(seconds)
        ),
        Why::LostBefore => {
            "it was lost another time too, and nothing shows why it pauses".to_owned()
        }
        Why::CodeMisses => "a code reports a module missing, and no other silence can be that \
                            module"
            .to_owned(),
        Why::CodesBegan { modules } => format!(
            "{modules} modules that stayed awake began to report one missing meanwhile, which no \
             module does when it knows that the key is off"
        ),
        Why::StartUp => "modules were still starting".to_owned(),
        Why::PausesAgain { times, regular: true } => {
            format!("it pauses alike each time, {times} times here")
        }
        Why::PausesAgain { times, regular: false } => format!("it pauses {times} times here"),
        Why::PausedWhenLearned { seconds } => {
            format!("by its roster it pauses for up to {seconds:.2} s in a sound vehicle")
        }
        Why::SenderWentOn => "its sender went on with other identifiers".to_owned(),
        Why::SenderUnknown => {
            "a single message, and nothing shows whether its sender went on: it may pause by \
             nature, or be all that a module sends"
                .to_owned()
        }
        Why::NearTheEnd => "too near the end of the capture to tell".to_owned(),
    }
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
        StopSign::BusErrors { count, bus_off } => {
            let count = plural(count, "error report", "error reports");
            let off = match bus_off {
                0 => String::new(),
                bus_off => format!(", {bus_off} of them bus-off"),
            };
            format!("{count} about the bus within 1 s of it{off}")
        }
        StopSign::Overflows { count } => {
            format!("the logger reported receive overflows ({count}): it lost frames itself")
        }
        StopSign::RecordingPaused => {
            "every channel stopped and went on mid-traffic: the recording \
             paused, no module is to blame"
                .to_owned()
        }
        StopSign::PerhapsRecordedInPart => {
            "a recording that took this channel for a while only would look the same".to_owned()
        }
        StopSign::OthersWentOn => "the other channels went on".to_owned(),
        StopSign::AtOneInstant { in_time, due } => format!(
            "{in_time} of {due} identifiers that were due were in time at both edges of the gap"
        ),
        StopSign::OnTheirGrid { kept, testable } => {
            format!("{kept} of {testable} came back in step with their earlier timing")
        }
        StopSign::MissedTurns { missed, of } => format!(
            "{missed} of {of} that came back in step with their earlier timing skipped cycles \
             first: they ran on and could not send, as in bus-off after a short"
        ),
        StopSign::Woke { times } => {
            format!("it woke {} for less than half a second", plural(times, "time", "times"))
        }
        StopSign::OtherBusSlept => "another bus went to sleep with it".to_owned(),
        StopSign::EngineStood => {
            "the engine speed shows the engine stopped, and modules left with it".to_owned()
        }
        StopSign::PauseOrStop => {
            "nothing here shows whether the bus stopped or the recording did".to_owned()
        }
    }
}

/// The nodes or identifiers of an outage, and its channel.
pub fn who(analysis: &Analysis, outage: &Outage) -> String {
    let channel = outage.channel.map(|at| analysis.channel(at).name.clone());
    let of_nodes = first_four(who::names(analysis, &outage.nodes).into_iter());
    let of_ids = if outage.ids.is_empty() {
        let never: Vec<String> =
            outage.never_heard.iter().take(4).map(|id| id_label(*id)).collect();
        never.join(", ")
    } else {
        first_four(outage.ids.iter().map(|at| id_label(analysis.identifiers[*at].id)))
    };
    match (outage.scope, channel) {
        (Scope::Capture, _) | (_, None) => "the recording, all channels".to_owned(),
        (Scope::Bus, Some(channel)) => format!("{channel}, whole channel"),
        (Scope::Branch | Scope::Node, Some(channel)) => format!("{channel} {of_nodes}"),
        (Scope::Identifier, Some(channel)) if of_nodes.is_empty() => format!("{channel} {of_ids}"),
        (Scope::Identifier, Some(channel)) => format!("{channel} {of_ids} of {of_nodes}"),
    }
}

/// The first four names, and how many more there are.
fn first_four(names: impl ExactSizeIterator<Item = String>) -> String {
    let more = names.len().saturating_sub(4);
    let mut shown: Vec<String> = names.take(4).collect();
    if more > 0 {
        shown.push(format!("{more} more"));
    }
    shown.join(", ")
}
