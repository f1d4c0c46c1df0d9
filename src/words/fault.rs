//! Sentences about findings: what they are about, what speaks for and against them, and what to
//! test next.

pub use super::headings::{RIVALS, headings, standing};
use super::moved::moved;
use super::signs::sign;
use super::terms::{self, duration, id_label, listed, plural};
use super::who::{self, subject};
use super::{diagnosis, wiring};
use crate::analysis::Analysis;
use crate::analysis::finding::{
    Done, Evidence, Finding, NextTest, Observation, Reading, ReadingValue, Side,
};
use crate::analysis::subject::Subject;
use crate::analysis::symptom::{Fact, Return, Sign, Silences};
use crate::fold::timing::Nanoseconds;

/// Heading of a finding, and where in the harness.
pub fn title(analysis: &Analysis, finding: &Finding) -> String {
    let title = finding.title.replace("{who}", &subject(analysis, &finding.subject));
    // The number beside it is that of the class: where it is has one of its own.
    match wiring::suspected(analysis, finding) {
        Some((element, share)) => {
            let sure = super::terms::sureness(finding.probability * share);
            format!("{title}, {sure} {element}")
        }
        None => title,
    }
}

/// The same in so many columns: a long name is cut, the cause is not.
pub fn title_within(analysis: &Analysis, finding: &Finding, columns: usize) -> String {
    /// A name of fewer letters tells nobody who it is.
    const SHORTEST: usize = 12;
    let length = |text: &str| text.chars().count();
    let whole = title(analysis, finding);
    if length(&whole) <= columns {
        return whole;
    }
    let whole = who::shortened(&whole);
    let who = who::shortened(&subject(analysis, &finding.subject));
    let rest = length(&whole).saturating_sub(length(&who));
    let room = columns.saturating_sub(rest);
    if length(&whole) <= columns || !whole.contains(&who) || room <= SHORTEST {
        return whole;
    }
    whole.replacen(&who, &who::within(&who, room), 1)
}

/// What a finding rests on besides what earlier ones rest on.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Besides {
    /// Nothing.
    Nothing,
    /// The same, which here speaks for the other side.
    Turned,
    /// Something more.
    More,
}

/// That a finding rests on what earlier ones rest on, or on a part of it.
pub fn rests_on(earlier: &[usize], in_part: bool, besides: Besides) -> String {
    let places: Vec<String> = earlier.iter().map(|at| (at + 1).to_string()).collect();
    let places = listed(&places, "and");
    let same = match in_part {
        true => format!("part of the evidence of {places}"),
        false => format!("same evidence as {places}"),
    };
    match besides {
        Besides::Nothing => same,
        Besides::Turned => format!("{same}, but here:"),
        Besides::More => format!("{same}, and:"),
    }
}

/// That a finding explains the codes that an earlier one explains.
pub fn same_codes(earlier: usize) -> String {
    format!("Fixing this should clear the codes of {}.", earlier + 1)
}

/// Evidence without what goes without saying: what was never heard did not come back.
pub fn worth_saying(evidence: &[Evidence]) -> Vec<&Evidence> {
    let mut never_heard = false;
    let says = |own: &&Evidence| match &own.what {
        Observation::Symptom(_, fact) => {
            never_heard = matches!(fact, Fact::NeverHeard { .. });
            true
        }
        Observation::Sign(Sign::Return(back) | Sign::ReturnAlone(back))
        | Observation::Sign(Sign::ReturnTogether(back)) => !(never_heard && *back == Return::No),
        _ => true,
    };
    evidence.iter().filter(says).collect()
}

/// Evidence in order, as it was found, but of readings those that prove go first; without signs
/// that tell nothing.
pub fn in_order<'a>(evidence: impl IntoIterator<Item = &'a Evidence>) -> Vec<&'a Evidence> {
    let mut out: Vec<&Evidence> = evidence.into_iter().filter(|own| !own.tells_nothing()).collect();
    out.sort_by_key(|own| {
        let reading = matches!(own.what, Observation::Reading(_));
        (reading, reading && own.side() != Side::For)
    });
    out
}

/// Codes that a finding would put out, each with its module.
pub fn codes_explained(analysis: &Analysis, finding: &Finding) -> Vec<String> {
    let codes = finding.codes_explained.iter().map(|at| &analysis.diagnosis.codes[*at]);
    let mut codes: Vec<String> = codes
        .map(|code| {
            let module = analysis.module_name(code.module);
            format!("{} in {module}", diagnosis::code_label(code.number))
        })
        .collect();
    codes.sort();
    codes.dedup();
    codes
}

/// What was done, in the user's words.
pub fn done(done: &Done) -> String {
    let parts = [done.node.as_deref(), done.at.as_deref(), done.note.as_deref()];
    let rest: Vec<&str> = parts.into_iter().flatten().collect();
    match rest.as_slice() {
        [] => done.what.clone(),
        rest => format!("{}: {}", done.what, rest.join(", ")),
    }
}

/// Heading of a test.
pub fn test_title(analysis: &Analysis, test: &NextTest) -> String {
    test.title.replace("{who}", &test_place(analysis, test))
}

/// A test as a request, where what it is about has been said.
pub fn test_request(analysis: &Analysis, test: &NextTest) -> String {
    test.brief.replace("{who}", &test_place(analysis, test))
}

/// What a test is done at.
fn test_place(analysis: &Analysis, test: &NextTest) -> String {
    match test.element {
        Some(element) => wiring::name(analysis, element).to_owned(),
        None => subject(analysis, &test.subject),
    }
}

/// The same where anything has to be opened.
pub fn test_access_told(analysis: &Analysis, test: &NextTest) -> Option<String> {
    (test.element.is_some() || test.access != NOTHING_TO_OPEN).then(|| test_access(analysis, test))
}

/// How the tables say that nothing has to be opened.
const NOTHING_TO_OPEN: &str = "nothing to take apart";

/// What has to be opened for a test.
pub fn test_access(analysis: &Analysis, test: &NextTest) -> String {
    let cover = match test.element {
        Some(_) if test.access.is_empty() => "the wiring file does not say what".to_owned(),
        Some(_) => test.access.clone(),
        None => test.access.replace("{who}", &subject(analysis, &test.subject)),
    };
    if test.open_already { format!("{cover} (already accessible)") } else { cover }
}

/// What speaks for or against a finding.
pub fn observation(analysis: &Analysis, what: &Observation) -> String {
    match what {
        Observation::Symptom(about, seen) => fact(analysis, about, seen),
        Observation::Sign(seen) => sign(seen),
        Observation::Reading(taken) => reading(analysis, taken),
    }
}

/// What a symptom is about, where the symptom has been told.
pub fn about(analysis: &Analysis, what: &Observation) -> String {
    match what {
        Observation::Symptom(_, Fact::MissedByOthers(row)) => {
            analysis.diagnosis.blame[*row].missed.0.clone()
        }
        Observation::Symptom(about, _) => subject(analysis, about),
        other => observation(analysis, other),
    }
}

/// What came of a reading.
pub fn reading_value(value: &ReadingValue) -> String {
    match value {
        ReadingValue::Measured { number, unit, band } => format!("{number} {unit} ({band})"),
        ReadingValue::Outcome(outcome) => outcome.clone(),
    }
}

/// What was measured or tried, of what, and what came of it.
pub fn reading(analysis: &Analysis, reading: &Reading) -> String {
    let value = reading_value(&reading.value);
    let who = subject(analysis, &reading.subject);
    let more: String = [reading.at.as_deref(), reading.note.as_deref()]
        .into_iter()
        .flatten()
        .map(|more| format!(", {more}"))
        .collect();
    format!("{} at {who}: {value}{more} ({})", reading.text, reading.source)
}

/// `3 times, 4.2 s in all, first at 31.2 s, last at 84.3 s`.
fn summed(analysis: &Analysis, silences: &Silences) -> String {
    let at = |time: Nanoseconds| terms::at(analysis, time);
    let (first, length) = (at(silences.first), duration(silences.seconds));
    match silences.times {
        1 if silences.ongoing => {
            format!("at {first} and stayed silent to the end of the recording")
        }
        1 => format!("once, at {first} for {length}"),
        times => {
            let last = at(silences.last);
            let end = if silences.ongoing { " to the end of the recording" } else { "" };
            format!("{times} times, {length} in all, first at {first}, last at {last}{end}")
        }
    }
}

fn fact(analysis: &Analysis, about: &Subject, fact: &Fact) -> String {
    let who = || subject(analysis, about);
    let name = |module| analysis.module_name(module);
    match fact {
        Fact::NeverHeard { one_message: false } => {
            format!("{} is expected and was never heard", who())
        }
        Fact::NeverHeard { one_message: true } => format!(
            "{} was never heard: one message, which may be sent only in one state of the vehicle, \
             such as with the engine running",
            who()
        ),
        Fact::NodeSilent(silences) => {
            format!("{} fell silent {}", who(), summed(analysis, silences))
        }
        Fact::MessageSilent(silences) => format!(
            "{} fell silent {}: it may pause by nature, or be all that a module sends",
            who(),
            summed(analysis, silences)
        ),
        Fact::PerhapsOff(silences) => format!(
            "{} left together {}: either the key was turned off, or something they share failed",
            who(),
            summed(analysis, silences)
        ),
        Fact::NodesSilent(silences) => {
            format!("{} fell silent together {}", who(), summed(analysis, silences))
        }
        Fact::BusSlept(silences) => {
            format!("{} shut down normally {}", who(), summed(analysis, silences))
        }
        Fact::BusSilent(silences) => {
            format!("all of {} fell silent {}", who(), summed(analysis, silences))
        }
        Fact::BusErrors { .. }
        | Fact::ErrorsThroughout { .. }
        | Fact::SenderErrors { .. }
        | Fact::SenderFollows { .. }
        | Fact::SenderLacks { .. } => super::bus::errors(analysis, fact, &who()),
        Fact::Flood { .. } => flood(analysis, about, fact),
        Fact::Babble { id, per_second } => {
            let id = &analysis.identifiers[*id];
            let named = id.node.filter(|node| super::who::is_named(analysis, *node));
            let of = named.map(|node| format!(" of {}", super::who::node(analysis, node)));
            format!(
                "{}{} comes {per_second:.0} times a second, {} in all: faster than any message of \
                 the vehicle's own",
                id_label(id.id),
                of.unwrap_or_default(),
                plural(id.frames as usize, "frame", "frames")
            )
        }
        Fact::RecordingGap { pauses, overflows } => {
            let pauses =
                pauses.map(|pauses| format!("the recording paused {}", summed(analysis, &pauses)));
            let overflows = (*overflows > 0)
                .then(|| format!("the logger ran over {}", plural(*overflows, "time", "times")));
            parts(pauses, overflows)
        }
        Fact::NoAnswer { module, requests } => {
            format!(
                "{} did not answer {}",
                name(*module),
                plural(*requests as usize, "request", "requests")
            )
        }
        Fact::MissedByOthers(row) => missed(analysis, *row),
        Fact::ManyMissed { missed, mute } => parts(
            (*missed > 0).then(|| {
                format!(
                    "{} reported missing that this bus does not show to be silent",
                    plural(*missed, "module is", "modules are")
                )
            }),
            (*mute > 0).then(|| {
                format!("{} not answer a tester", plural(*mute, "module does", "modules do"))
            }),
        ),
        Fact::LostInTurn { nodes, companies } => format!(
            "{nodes} modules drop out in changing combinations ({companies} different ones so far)"
        ),
        Fact::AwayForAsLong { nodes } => format!(
            "{nodes} modules each stay away for a time of their own, the same every time, and \
             keep running, like a controller that went bus-off for its errors"
        ),
        Fact::NotCarried { ids, times } => format!(
            "{} carried by two buses stopped on one of them and continued on the other, {}",
            plural(*ids, "message", "messages"),
            if *times == 1 { "once".to_owned() } else { format!("up to {times} times") }
        ),
        Fact::MissesMany { module, misses } => {
            format!("{} misses {}", name(*module), plural(*misses, "module", "modules"))
        }
        Fact::MissesMessages { module, messages } => format!(
            "{} says that {} it waits for do not come, and nobody was lost here",
            name(*module),
            plural(*messages, "message", "messages")
        ),
        Fact::SupplyMemory { codes, event } => {
            format!("{}, {}", plural(*codes, "code", "codes"), diagnosis::event(*event))
        }
        Fact::NewMessages(first, count) => {
            let first = id_label(analysis.identifiers[*first].id);
            let more = match count {
                1 => String::new(),
                _ => format!(" and {}", plural(count - 1, "other message", "other messages")),
            };
            format!("{first}{more} on a timer, sent all the time: no sound recording has it")
        }
        Fact::Moved(first, count, how) => {
            moved(&id_label(analysis.identifiers[*first].id), *count, *how)
        }
        Fact::LacksMessages(ids) => {
            let ids: Vec<String> = ids.iter().map(|id| id_label(*id)).collect();
            format!(
                "it sends, but not these messages that the roster has for it: {}",
                ids.join(", ")
            )
        }
        Fact::OtherIdentity(entry) => {
            let entry = &analysis.diagnosis.identity[*entry];
            let problems: Vec<String> = entry.problems.iter().map(diagnosis::problem).collect();
            format!("{}: {}", name(entry.module), problems.join("; "))
        }
        Fact::Unconfigured(module) => {
            format!("{} says that it is not programmed or not configured", name(*module))
        }
        Fact::Misfit(row) => format!(
            "{} does not fit, according to the codes of the modules that miss it",
            analysis.diagnosis.blame[*row].missed.0
        ),
        Fact::BadData(of) => format!("others say now that the data of {} is invalid", of.0),
        Fact::LowSupply(module) => {
            format!("{} alone says that its supply is low", name(*module))
        }
        Fact::InternalCode(module) => format!("{} reports a fault inside itself", name(*module)),
        Fact::OwnBusOff(modules) => bus_off(&diagnosis::names(analysis, modules)),
    }
}

fn bus_off(modules: &[String]) -> String {
    match modules {
        [one] => format!("{one} says that its own controller went bus-off (too many errors)"),
        _ => format!(
            "{} say that their own controllers went bus-off (too many errors)",
            modules.join(", ")
        ),
    }
}

/// `once in 2000 times`.
fn parts(one: Option<String>, other: Option<String>) -> String {
    one.into_iter().chain(other).collect::<Vec<_>>().join("; ")
}

fn missed(analysis: &Analysis, row: usize) -> String {
    let row = &analysis.diagnosis.blame[row];
    let reporters = diagnosis::names(analysis, &row.reporters);
    let codes: Vec<String> = row.codes.iter().map(|code| diagnosis::code_label(*code)).collect();
    format!("{} is missed by {}: {}", row.missed.0, reporters.join(", "), codes.join(", "))
}

fn flood(analysis: &Analysis, about: &Subject, fact: &Fact) -> String {
    let Fact::Flood { above, bins, bin, peak, busiest } = fact else { return String::new() };
    let busiest = busiest.map_or(String::new(), |id| {
        let id = &analysis.identifiers[id];
        let all = analysis.channel(id.channel).frames;
        format!("; most frames: {}, {} of {all}", id_label(id.id), id.frames)
    });
    format!(
        "{} was busy for more than {:.0} % of the time in {bins} stretches of {bin} s, at most \
         {:.0} %{busiest}",
        subject(analysis, about),
        above * 100.0,
        peak * 100.0
    )
}
