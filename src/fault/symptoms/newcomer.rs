//! A module that sends other messages than a sound vehicle has, in place of what is missing: it is
//! of another vehicle, or wrongly coded. What is only new may be fitted, hitched on or switched on.

use lostnode_parsers::frame::raw_id;

use super::Symptom;
use super::stranger::subjects;
use crate::analysis::subject::Subject;
use crate::analysis::symptom::{Fact, SymptomKind};
use crate::analysis::{Analysis, DeviationKind, Evidence, Identifier, Outage};
use crate::capture::ChannelIndex;
use crate::fold::timing::nanoseconds;
use crate::ids::{IdIndex, NodeIndex};

/// Frames of a message from which it is no event of the day.
const FRAMES: u64 = 100;
/// What is built in is there within so many seconds of the beginning of the recording, and until so
/// many before its end: modules start within that time (common practice, no source).
const AT_AN_EDGE: f64 = 2.0;
/// A roster that knows less than this share of what a channel sends by timers was not learned of
/// it, or names a part of it only.
const KNOWN: f64 = 0.8;
/// The fastest message of the one has the period of the fastest of the other within this share: the
/// same kind of module has the same cycles. So it was with all 15 such of invented vehicles of two
/// authors that were of another vehicle, and with none of 6 in which something else was missing
/// beside what is new.
const ALIKE: f64 = 0.05;

/// Of each channel: messages on timers that the roster does not have, sent all the time in place of
/// what was never heard, which is marked.
pub fn add(analysis: &Analysis, symptoms: &mut Vec<Symptom>) {
    for channel in 0..analysis.channels.len() as ChannelIndex {
        if let Some((new, gone)) = on_channel(analysis, channel) {
            let subject = subject(analysis, symptoms, &new);
            for own in symptoms.iter_mut().filter(|own| is_of(analysis, own, gone)) {
                own.stranger = Some(subject.clone());
            }
            let fact = Fact::NewMessages(new[0], new.len());
            symptoms.push(Symptom::new(subject, fact));
        }
    }
}

/// What is new on a channel, the lowest first, and what is gone instead.
fn on_channel(analysis: &Analysis, channel: ChannelIndex) -> Option<(Vec<IdIndex>, &Outage)> {
    let is_new = |id: &Identifier| {
        analysis.deviations.iter().any(|own| {
            own.channel == channel
                && own.id == id.id
                && matches!(own.kind, DeviationKind::New { .. })
        })
    };
    let here = |at: &IdIndex| {
        let id = &analysis.identifiers[*at];
        id.channel == channel && id.rhythm.is_some() && !id.diagnostic
    };
    let timed: Vec<IdIndex> = (0..analysis.identifiers.len()).map(IdIndex).filter(here).collect();
    let (new, known): (Vec<IdIndex>, Vec<IdIndex>) =
        timed.into_iter().partition(|at| is_new(&analysis.identifiers[*at]));
    if (known.len() as f64) < KNOWN * (known.len() + new.len()) as f64 {
        return None;
    }
    let stays = |at: &IdIndex| is_there_throughout(analysis, &analysis.identifiers[*at]);
    let mut new: Vec<IdIndex> = new.into_iter().filter(stays).collect();
    new.sort_by_key(|at| raw_id(analysis.identifiers[*at].id));
    let fastest = analysis.fastest(&new)?;
    let alike = |outage: &&Outage| {
        let period = period(outage);
        outage.channel == Some(channel)
            && outage.never_heard.len() >= new.len()
            && period.is_some_and(|own| (own - fastest).abs() <= ALIKE * own)
    };
    let gone = analysis.outages.iter().find(alike)?;
    Some((new, gone))
}

/// The period of the fastest message of what was never heard, in seconds.
fn period(outage: &Outage) -> Option<f64> {
    outage.evidence.iter().find_map(|evidence| match evidence {
        Evidence::NeverHeard { most, awake, .. } => Some(awake / most),
        _ => None,
    })
}

/// Who sends them. Who carries another vehicle's identification is the same one.
fn subject(analysis: &Analysis, shown: &[Symptom], new: &[IdIndex]) -> Subject {
    let strange = subjects(shown, &[SymptomKind::OtherIdentity]);
    let node = |at: &IdIndex| analysis.identifiers[*at].node;
    let nodes: Vec<Option<NodeIndex>> = new.iter().map(node).collect();
    match (&strange[..], nodes[0]) {
        ([one], _) => one.clone(),
        (_, Some(node)) if nodes.iter().all(|own| *own == Some(node)) => Subject::Node(node),
        _ => Subject::Sender(new[0]),
    }
}

/// Whether a symptom is of what is gone, on this bus or on another that it is carried to.
fn is_of(analysis: &Analysis, symptom: &Symptom, gone: &Outage) -> bool {
    let same = |outage: &Outage, node: NodeIndex| {
        outage.nodes == [node]
            && !outage.never_heard.is_empty()
            && outage.never_heard.iter().all(|id| gone.never_heard.contains(id))
    };
    match (&symptom.fact, &symptom.subject) {
        (Fact::NeverHeard { .. }, Subject::Node(node)) => {
            analysis.outages.iter().any(|outage| same(outage, *node))
        }
        _ => false,
    }
}

/// Whether it is sent from the beginning of the recording to its end.
fn is_there_throughout(analysis: &Analysis, id: &Identifier) -> bool {
    let edge = nanoseconds(AT_AN_EDGE);
    let Some(((begin, end), (first, last))) = analysis.span.zip(id.heard) else { return false };
    id.frames >= FRAMES && id.rush.is_none() && first - begin <= edge && end - last <= edge
}
