//! A module that sends other messages than a sound vehicle has, in place of what is missing: it is
//! of another vehicle, or wrongly coded. What is only new may be fitted, hitched on or switched on.

use lostnode_parsers::frame::raw_id;

use super::stranger::subjects;
use super::{Symptom, moved};
use crate::analysis::subject::Subject;
use crate::analysis::symptom::{Fact, Setting, Sign, SymptomKind};
use crate::analysis::{Analysis, DeviationKind, Evidence, Identifier, J1939, Outage, Scope};
use crate::capture::ChannelIndex;
use crate::fold::timing::{Nanoseconds, nanoseconds};
use crate::ids::{IdIndex, NodeIndex};

/// Frames of a message from which it is no event of the day …
const FRAMES: u64 = 100;
/// … and of all that is new, where it is as much as what is gone and in the same cycles, unless two
/// messages or more are.
const FRAMES_ALIKE: u64 = 20;
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
pub(super) const ALIKE: f64 = 0.05;
/// … and each of its messages that of another, where the module that is gone answers a tester.
const ALIKE_ALSO: f64 = 0.06;
/// Where more whole nodes than so many were never heard, what is new stands in place of none of
/// them in particular (of 16 true strangers of invented vehicles three at most were missing
/// beside).
const MISSING: usize = 3;
/// From so large a share of what was never heard on, new messages in other cycles tell of a roster
/// of older software: an update moves signals to other messages, and a dead module brings none. Of
/// five such groups of invented vehicles none was of a fault; of 53 faults of that kind 51 came
/// with nothing new, and two with less (sets of four worlds by others).
const MOVED: f64 = 2.0 / 3.0;

/// Of each channel: messages on timers that the roster does not have, sent all the time in place of
/// what was never heard, which is marked.
pub fn add(analysis: &Analysis, symptoms: &mut Vec<Symptom>) {
    for channel in 0..analysis.channels.len() as ChannelIndex {
        if let Some((new, gone, moved)) = moved::find(analysis, channel) {
            let fact = Fact::Moved(new[0], new.len(), moved);
            replace(analysis, symptoms, (&new, gone), fact);
            continue;
        }
        let (new, known) = timed(analysis, channel);
        if let Some((new, gone)) = where_it_answers(analysis, channel, &new, symptoms) {
            let fact = Fact::NewMessages(new[0], new.len());
            replace(analysis, symptoms, (&new, gone), fact);
            continue;
        }
        if (known.len() as f64) < KNOWN * (known.len() + new.len()) as f64 {
            continue;
        }
        let staying = stay(analysis, &new, &known);
        if let Some((new, gone)) = in_place_of(analysis, channel, &new, &staying) {
            let fact = Fact::NewMessages(new[0], new.len());
            replace(analysis, symptoms, (&new, gone), fact);
        } else {
            leave_open(analysis, channel, &staying, symptoms);
        }
    }
}

/// What is new stands in place of what is gone. Who answers still is there itself.
fn replace(
    analysis: &Analysis,
    symptoms: &mut Vec<Symptom>,
    (new, gone): (&[IdIndex], &Outage),
    fact: Fact,
) {
    let itself = symptoms.iter().find(|own| is_of(analysis, own, gone) && answers(own));
    let itself = itself.map(|own| own.subject.clone());
    let subject = itself.unwrap_or_else(|| subject(analysis, symptoms, new));
    for own in symptoms.iter_mut().filter(|own| is_of(analysis, own, gone)) {
        own.stranger = Some(subject.clone());
    }
    symptoms.push(Symptom::new(subject, fact));
}

/// Whether the roster does not have an identifier.
pub(super) fn is_new(analysis: &Analysis, id: &Identifier) -> bool {
    analysis.deviations.iter().any(|own| {
        own.channel == id.channel
            && own.id == id.id
            && matches!(own.kind, DeviationKind::New { .. })
    })
}

/// What a channel sends on timers: what the roster does not have, the lowest first, and what it
/// has.
fn timed(analysis: &Analysis, channel: ChannelIndex) -> (Vec<IdIndex>, Vec<IdIndex>) {
    let j1939 = analysis.channel(channel).j1939 == J1939::Yes;
    let here = |at: &IdIndex| {
        let id = &analysis.identifiers[*at];
        let codes = j1939 && moved::lists_codes(id.id);
        id.channel == channel && id.rhythm.is_some() && !id.diagnostic && !codes
    };
    let timed: Vec<IdIndex> = (0..analysis.identifiers.len()).map(IdIndex).filter(here).collect();
    let (mut new, known): (Vec<IdIndex>, Vec<IdIndex>) =
        timed.into_iter().partition(|at| is_new(analysis, &analysis.identifiers[*at]));
    new.sort_by_key(|at| raw_id(analysis.identifiers[*at].id));
    (new, known)
}

/// What is new and what is gone instead: of the same cycles.
fn in_place_of<'a>(
    analysis: &'a Analysis,
    channel: ChannelIndex,
    new: &[IdIndex],
    staying: &[IdIndex],
) -> Option<(Vec<IdIndex>, &'a Outage)> {
    let here = |outage: &&Outage| outage.channel == Some(channel);
    let never = analysis.lost().filter(|outage| !outage.never_heard.is_empty());
    if never.filter(|outage| outage.scope == Scope::Node).count() > MISSING {
        return None;
    }
    let alike = |own: f64, other: f64| (own - other).abs() <= ALIKE * own;
    let lasting: Vec<IdIndex> = new.iter().copied().filter(|at| lasts(analysis, *at)).collect();
    let of_its_kind = |outage: &&Outage| {
        let fastest = analysis.fastest(&lasting).zip(periods(outage));
        outage.never_heard.len() >= lasting.len()
            && fastest.is_some_and(|(fastest, (own, _))| alike(own, fastest))
    };
    if let Some(gone) = analysis.outages.iter().filter(here).find(of_its_kind) {
        return Some((lasting, gone));
    }
    let frames: u64 = staying.iter().map(|at| analysis.identifiers[*at].frames).sum();
    let slowest = staying.iter().filter_map(|at| analysis.identifiers[*at].rhythm);
    let slowest = slowest.map(|rhythm| rhythm.period).fold(0.0, f64::max);
    let one_for_one = |outage: &&Outage| {
        let fastest = analysis.fastest(staying).zip(periods(outage));
        (staying.len() >= 2 || frames >= FRAMES_ALIKE)
            && outage.never_heard.len() == staying.len()
            && fastest
                .is_some_and(|(fastest, (own, slow))| alike(own, fastest) && alike(slow, slowest))
    };
    let gone = analysis.outages.iter().filter(here).find(one_for_one)?;
    Some((staying.to_vec(), gone))
}

/// Whether a module that was never heard answers a tester.
fn answers(symptom: &Symptom) -> bool {
    symptom.signs.iter().any(|sign| matches!(sign, Sign::Answers { after: Some(_) }))
}

/// What is new and what is gone instead, where the module that is gone answers a tester: there are
/// as many with periods from its fastest to its slowest, and one of each of these two. So little as
/// the roster may know of the channel: a program that stands still brings nothing new. Of 14 that
/// answered so in six worlds by others six had such messages, all of another vehicle, and of the
/// other eight one was (sets that were read).
fn where_it_answers<'a>(
    analysis: &'a Analysis,
    channel: ChannelIndex,
    new: &[IdIndex],
    symptoms: &[Symptom],
) -> Option<(Vec<IdIndex>, &'a Outage)> {
    let period = |at: &IdIndex| analysis.identifiers[*at].rhythm.map(|rhythm| rhythm.period);
    let stands_for = |outage: &'a Outage| {
        let (fastest, slowest) = periods(outage)?;
        let range = (1.0 - ALIKE_ALSO) * fastest..=(1.0 + ALIKE_ALSO) * slowest;
        let within = |at: &IdIndex| period(at).is_some_and(|own| range.contains(&own));
        let all: Vec<IdIndex> = new.iter().copied().filter(within).collect();
        let has = |other: f64| {
            let alike = |own: f64| (own - other).abs() <= ALIKE_ALSO * other;
            all.iter().filter_map(period).any(alike)
        };
        let many = outage.never_heard.len();
        // One period is anybody's, and of too many messages each may be.
        let enough = slowest > (1.0 + 2.0 * ALIKE_ALSO) * fastest
            && (many..=2 * many).contains(&all.len())
            && has(fastest)
            && has(slowest);
        enough.then_some((all, outage))
    };
    let answers =
        |outage: &&Outage| symptoms.iter().any(|own| is_of(analysis, own, outage) && answers(own));
    let gone = analysis.outages.iter().filter(|outage| outage.channel == Some(channel));
    gone.filter(answers).find_map(stands_for)
}

/// Marks what was never heard of unknown senders, where so many messages are new that the roster is
/// of other software.
fn leave_open(
    analysis: &Analysis,
    channel: ChannelIndex,
    new: &[IdIndex],
    symptoms: &mut [Symptom],
) {
    let of_nobody = |outage: &&Outage| {
        let together = |own: &Evidence| matches!(own, Evidence::ProbablyOneNode { .. });
        outage.channel == Some(channel)
            && !outage.never_heard.is_empty()
            && outage.evidence.iter().any(together)
            && new.len() as f64 >= MOVED * outage.never_heard.len() as f64
    };
    for gone in analysis.outages.iter().filter(of_nobody) {
        for own in symptoms.iter_mut().filter(|own| is_of(analysis, own, gone)) {
            own.setting = Setting::Sometimes;
        }
    }
}

/// The periods of the fastest message of what was never heard and of the slowest, in seconds.
pub(super) fn periods(outage: &Outage) -> Option<(f64, f64)> {
    outage.evidence.iter().find_map(|evidence| match evidence {
        Evidence::NeverHeard { due, most, awake } => Some((awake / most, awake / due)),
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
fn lasts(analysis: &Analysis, at: IdIndex) -> bool {
    let id = &analysis.identifiers[at];
    let edge = nanoseconds(AT_AN_EDGE);
    let Some(((begin, end), (first, last))) = analysis.span.zip(id.heard) else { return false };
    id.frames >= FRAMES && id.rush.is_none() && first - begin <= edge && end - last <= edge
}

/// Those that begin and end with half of what the roster has: the bus may wake later than the
/// recording begins, and sleep before it ends.
fn stay(analysis: &Analysis, new: &[IdIndex], known: &[IdIndex]) -> Vec<IdIndex> {
    let heard = |at: &IdIndex| analysis.identifiers[*at].heard;
    let (mut firsts, mut ends): (Vec<_>, Vec<_>) = known.iter().filter_map(heard).unzip();
    firsts.sort_unstable();
    ends.sort_unstable();
    let middle = firsts.len() / 2;
    let (Some(begin), Some(end)) = (firsts.get(middle), ends.get(middle)) else {
        return Vec::new();
    };
    let stays = |at: &IdIndex| {
        let id = &analysis.identifiers[*at];
        let period = id.rhythm.map_or(0.0, |rhythm| rhythm.period);
        let edge = nanoseconds(AT_AN_EDGE + period);
        let within =
            |(first, last): (Nanoseconds, Nanoseconds)| first - begin <= edge && end - last <= edge;
        id.rush.is_none() && id.heard.is_some_and(within)
    };
    new.iter().copied().filter(stays).collect()
}
