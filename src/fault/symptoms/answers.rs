//! Answers to a tester while the messages of a module are silent: who answers has supply, ground
//! and bus.

use super::company;
use crate::analysis::diagnosis::{Mute, TalkEntry};
use crate::analysis::subject::Subject;
use crate::analysis::symptom::Sign;
use crate::analysis::{Analysis, Identifier, J1939, Outage, Scope};
use crate::fold::timing::{Nanoseconds, nanoseconds, seconds};

/// Seconds of a silence, or until the end, from which its messages have ended and do not only pause
/// (common practice, no source).
const LONG: f64 = 10.0;
/// An answer counts so many seconds after the last of the messages and before the first that is
/// back: a module that starts answers before it sends, and one whose supply goes sends for a while
/// (common practice, no source).
const AFTER: f64 = 1.0;
const BEFORE: f64 = 0.3;
/// Where nothing tells which module a node is, what is asked counts so many seconds after the loss:
/// one that has lost its supply may answer a last time (common practice, no source).
const LATER: f64 = 6.0;

/// What answers tell of a node that fell silent; nothing where a tester itself ended its messages.
pub fn while_silent(analysis: &Analysis, subject: &Subject, outages: &[&Outage]) -> Option<Sign> {
    if analysis.diagnosis.switched_off {
        return None;
    }
    let Subject::Node(node) = *subject else { return None };
    let talks = analysis.diagnosis.talks.iter();
    let own: Vec<&TalkEntry> =
        talks.filter(|talk| analysis.node_of(talk.module) == Some(node)).collect();
    // What may be several modules, of which some are not asked, is no one of them.
    let is_one = company::several(analysis, node).is_none();
    match own.is_empty() {
        true if is_one => all_answer(analysis, outages),
        true => None,
        false => of_its_own(&own, outages),
    }
}

fn of_its_own(own: &[&TalkEntry], outages: &[&Outage]) -> Option<Sign> {
    let long: Vec<(Nanoseconds, Nanoseconds)> = outages
        .iter()
        .filter(|outage| outage.ongoing || outage.duration() >= LONG)
        .map(|outage| (outage.start + nanoseconds(AFTER), outage.end - nanoseconds(BEFORE)))
        .collect();
    let within = |time: Nanoseconds| long.iter().find(|(from, to)| (*from..=*to).contains(&time));
    let answer = |time: &Nanoseconds| within(*time).map(|(from, _)| AFTER + seconds(*time - from));
    let after = own.iter().flat_map(|talk| &talk.answered).find_map(answer);
    let unanswered = |mute: &Mute| {
        let (first, last) = (mute.asked.0.nanoseconds(), mute.asked.1.nanoseconds());
        within(first).is_some() || within(last).is_some()
    };
    let asked = own.iter().flat_map(|talk| &talk.mute).any(unanswered);
    (after.is_some() || asked).then_some(Sign::Answers { after })
}

/// One node of a bus is lost for good, and each module that is asked afterwards answers: where
/// these are as many as the nodes, the lost one is among them. By the addresses of SAE J1939 it
/// would be known which.
fn all_answer(analysis: &Analysis, outages: &[&Outage]) -> Option<Sign> {
    let [outage] = outages else { return None };
    let channel = outage.channel.filter(|_| outage.ongoing && outage.scope < Scope::Branch)?;
    let others = |other: &&Outage| {
        other.channel == Some(channel) && other.scope < Scope::Bus && other.ids != outage.ids
    };
    if analysis.channel(channel).j1939 == J1939::Yes || analysis.lost().any(|own| others(&own)) {
        return None;
    }
    // More modules may answer than are known.
    let unknown =
        |id: &Identifier| id.channel == channel && id.rhythm.is_some() && id.node.is_none();
    if analysis.identifiers.iter().any(unknown) {
        return None;
    }
    let since = outage.start + nanoseconds(LATER);
    let talks = analysis.diagnosis.talks.iter().filter(|talk| talk.module.channel == channel);
    let answered = |talk: &TalkEntry| talk.answered.iter().any(|time| *time >= since);
    let asked = |talk: &TalkEntry| talk.mute.iter().any(|mute| mute.asked.1.nanoseconds() >= since);
    let asked: Vec<&TalkEntry> = talks.filter(|talk| answered(talk) || asked(talk)).collect();
    let heard = |node: &&crate::analysis::Node| node.channel == channel && node.heard;
    let nodes = analysis.nodes.iter().filter(heard).count();
    let all = asked.len() >= nodes && asked.iter().all(|talk| answered(talk));
    all.then_some(Sign::AllAnswer { modules: asked.len(), nodes })
}
