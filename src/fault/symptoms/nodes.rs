//! Nodes that fell silent, alone or together.

use super::once::once_each;
use super::{Symptom, answers, company, doubtful, ends, own_switch, rhythm, starts, summed};
use crate::analysis::subject::Subject;
use crate::analysis::symptom::{Fact, Led, Return, Setting, Sign};
use crate::analysis::{Analysis, Cause, Division, Doubt, ErrorEvent, Evidence, Outage, Scope, Why};
use crate::fold::diagnostics::supply::levels;
use crate::fold::timing::{Nanoseconds, nanoseconds};
use crate::ids::{IdIndex, NodeIndex};
use crate::network::Basis;
use crate::outage::{MOST_OF_ONE, SURE_ODDS};
use crate::precursor::standard;

/// Seconds around the beginning of an outage within which an error frame is about it.
const NEAR: f64 = 1.0;
/// A supply counts as held at the beginning of a loss where it was read within so many seconds.
const MEASURED: f64 = 2.0;
/// A part of a node that is lost so many seconds at once, or so often for a second or longer, is a
/// module of its own that was taken for a part of another.
const LONG: f64 = 3.5;
const OFTEN: usize = 2;
const EACH: f64 = 1.0;
/// … unless it began within so many seconds of a loss of several with that node.
const OF_A_SET: f64 = 1.0;
/// A return leans to one side where it is so many times likelier there …
const LEANS: f64 = 3.0;
/// Divided returns from which that is no chance: one sign of one node errs now and then.
const DIVIDED: usize = 2;
/// Returns of one kind outweigh so few of the other: one in 20 is judged wrongly (docs/outages.md).
const FEW: usize = 4;

/// A branch or a fuse of a car carries two to four modules as a rule, a bus behind a gateway more
/// (common practice, no source).
const SEVERAL: usize = 5;

/// Whether a node is surely no part of another: a clock parts what one module sends too.
fn is_module(analysis: &Analysis, node: NodeIndex) -> bool {
    let node = &analysis.nodes[node];
    node.ids.len() > 1 || Basis::any_is_told(&node.basis)
}

/// Nodes, lone identifiers and branches that fell silent.
pub fn silent(analysis: &Analysis) -> Vec<Symptom> {
    let mut out = alone(analysis);
    company::in_company(analysis, &mut out);
    let together = together(analysis);
    company::in_part(&mut out, &together);
    out.extend(together);
    out.extend(parts(analysis, &out));
    out.extend(doubtful::silent(analysis, &out));
    out.extend(perhaps_off(analysis));
    out
}

/// What left as with a key-off, or most of a bus that was never heard, where nothing proves that
/// the key was off: what feeds it, or joins it to the bus, may have failed as well. A single node
/// counts where it left for good with two identifiers or more: one alone pauses for many lawful
/// reasons. Where something was surely lost, that is told.
fn perhaps_off(analysis: &Analysis) -> Vec<Symptom> {
    if analysis.lost().next().is_some() {
        return Vec::new();
    }
    let open = |outage: &&Outage| {
        let late = outage.doubt == Some(Doubt::CameLate) && outage.nodes.len() >= 2;
        outage.benign && (outage.doubt == Some(Doubt::KeyOrSupply) || late)
    };
    let open: Vec<&Outage> = analysis.outages.iter().filter(open).collect();
    let alone = |outage: &&&Outage| !outage.never_heard.is_empty() && outage.nodes.len() == 1;
    let never: Vec<&Outage> = open.iter().filter(alone).copied().collect();
    let several = never.len() >= 2;
    let together = several.then(|| {
        let mut nodes: Vec<NodeIndex> = never.iter().map(|outage| outage.nodes[0]).collect();
        nodes.sort_unstable();
        Symptom::new(Subject::Nodes(nodes), Fact::PerhapsOff(summed(&never[..1])))
    });
    let single = open.iter().filter_map(|outage| match outage.nodes[..] {
        [_] if several && !outage.never_heard.is_empty() => None,
        [node] if !outage.never_heard.is_empty() || (outage.ongoing && outage.ids.len() >= 2) => {
            let symptom = one(analysis, Subject::Node(node), &[*outage]);
            let several = company::several(analysis, node, &[*outage]);
            Some(Symptom { several, setting: Setting::PerhapsOff, ..symptom })
        }
        _ => None,
    });
    let all: Vec<&Outage> = open.iter().copied().filter(|own| own.nodes.len() >= 2).collect();
    let mut sets: Vec<Vec<NodeIndex>> = all.iter().map(|outage| ascending(outage)).collect();
    sets.sort_unstable();
    sets.dedup();
    sets.into_iter()
        .map(|set| {
            let own: Vec<&Outage> =
                all.iter().copied().filter(|outage| ascending(outage) == set).collect();
            Symptom::new(Subject::Nodes(set), Fact::PerhapsOff(summed(&own)))
        })
        .chain(single)
        .chain(together)
        .collect()
}

fn alone(analysis: &Analysis) -> Vec<Symptom> {
    // Of a node that was never heard, a single identifier may be all that is expected.
    let all_of = |outage: &Outage, node: NodeIndex| {
        outage.scope == Scope::Node
            || (!outage.never_heard.is_empty() && !analysis.nodes[node].heard)
    };
    let whole = |node: NodeIndex| -> Vec<&Outage> {
        let own = |outage: &&Outage| outage.nodes == [node] && all_of(outage, node);
        once_each(analysis.lost().filter(own))
    };
    let of_nodes =
        (0..analysis.nodes.len()).map(NodeIndex).map(|node| (Subject::Node(node), whole(node)));
    // An identifier whose sender is not known may be all that a module sends.
    let lone = |outage: &&Outage| {
        outage.scope == Scope::Identifier && outage.nodes.is_empty() && !outage.ids.is_empty()
    };
    let mut ids: Vec<&[IdIndex]> =
        analysis.lost().filter(lone).map(|outage| outage.ids.as_slice()).collect();
    ids.sort_unstable();
    ids.dedup();
    let of_ids = ids.into_iter().map(|ids| {
        let outages = once_each(analysis.lost().filter(lone).filter(|outage| outage.ids == ids));
        (Subject::Sender(ids[0]), outages)
    });
    let of_ids = of_ids.filter(|(_, outages)| !is_left_over(outages));
    of_nodes
        .chain(of_ids)
        .filter(|(_, outages)| !outages.is_empty())
        .map(|(subject, outages)| {
            let several = match subject {
                Subject::Node(node) => company::several(analysis, node, &outages),
                _ => None,
            };
            let symptom = Symptom { several, ..one(analysis, subject, &outages) };
            if may_pause(analysis, &symptom.subject, &outages) {
                left_open(symptom)
            } else if is_sent_sometimes(analysis, &symptom.subject, &outages) {
                Symptom { setting: Setting::Sometimes, ..symptom }
            } else {
                symptom
            }
        })
        .collect()
}

/// A single message of an unknown sender that went once, at an instant at which others did: who
/// switches something off, or ends a mode of the vehicle, stops messages of several modules. Of 55
/// such of invented vehicles that were not of a bus 8 were of the module that was lost (sets of
/// three worlds by others, seeds 60 and 61).
pub(super) fn is_left_over(outages: &[&Outage]) -> bool {
    let with_others = |evidence: &Evidence| {
        let Evidence::Why(Why::OneInstant { identifiers }) = evidence else { return false };
        *identifiers > 1
    };
    matches!(outages, [one] if one.ids.len() == 1 && one.evidence.iter().any(with_others))
}

/// Whether it is one message whose sender is not known.
fn is_one_message(outage: &Outage) -> bool {
    let of_one =
        |evidence: &Evidence| matches!(evidence, Evidence::ProbablyOneNode { identifiers: 1, .. });
    outage.evidence.iter().any(of_one)
}

/// Whether what is lost may be sent in one mode of the vehicle only: two messages that paused
/// together once and came back, where nothing else says that one module sends them, nor that it
/// started anew; one of an unknown sender that went for good; and one that a roster has of no
/// sender and that was not heard.
fn may_pause(analysis: &Analysis, subject: &Subject, outages: &[&Outage]) -> bool {
    // What is sent in a mode may be gone again at the end.
    let outage = match outages {
        [one] => one,
        [one, last] if last.ongoing => one,
        _ => return false,
    };
    let gone = |evidence: &Evidence| matches!(evidence, Evidence::Why(Why::Gone { .. }));
    if is_one_message(outage) || outage.evidence.iter().any(gone) {
        return true;
    }
    let ids: &[IdIndex] = match subject {
        Subject::Node(node) if analysis.nodes[*node].basis == [Basis::SharedSilence] => {
            &analysis.nodes[*node].ids
        }
        Subject::Sender(_) => &outage.ids,
        _ => return false,
    };
    let told = |evidence: &Evidence| matches!(evidence, Evidence::Why(Why::CodeMisses));
    match (ids.len(), subject) {
        (1, Subject::Sender(_)) => {
            !outage.ongoing && outage.cause == Cause::LostPower && !outage.evidence.iter().any(told)
        }
        (2, _) => !outage.ongoing && outage.cause != Cause::LostPower,
        _ => false,
    }
}

/// Whether a sound vehicle sends it only sometimes, and nobody misses a module that it may be.
fn is_sent_sometimes(analysis: &Analysis, subject: &Subject, outages: &[&Outage]) -> bool {
    let node = match subject {
        Subject::Node(node) => Some(*node),
        _ => None,
    };
    let sometimes = |outage: &&Outage| outage.evidence.contains(&Evidence::SentSometimes);
    outages.iter().all(sometimes) && !own_switch::is_missed(analysis, node)
}

/// What may pause by nature: that its senders ran on is as it should be then.
fn left_open(mut symptom: Symptom) -> Symptom {
    symptom.setting = Setting::MayPause;
    for sign in &mut symptom.signs {
        if let Sign::Return(Return::RanOn { back, .. }) = sign {
            *sign = Sign::Return(Return::Leans { on: true, back: *back });
        }
    }
    symptom
}

/// Several identifiers of a node that were lost while its others went on, long or time and again:
/// they are of a module that was taken for a part of another, and no fault of the node explains it.
/// Of a node that was lost itself, a part may only have come back later than the rest; and where
/// each frame says who sends it (SAE J1939-81), nobody was taken for another.
fn parts(analysis: &Analysis, shown: &[Symptom]) -> Vec<Symptom> {
    let guessed = |node: NodeIndex| {
        let known = shown.iter().any(|own| own.subject == Subject::Node(node));
        !known && !analysis.nodes[node].basis.contains(&Basis::Address)
    };
    // What is left of a node that was lost with others is of that loss.
    let of_a_set = |outage: &Outage| {
        analysis.lost().any(|other| {
            other.scope == Scope::Branch
                && outage.nodes.iter().all(|node| other.nodes.contains(node))
                && (other.start - outage.start).abs() <= nanoseconds(OF_A_SET)
        })
    };
    let part = |outage: &&Outage| {
        outage.scope == Scope::Identifier
            && outage.ids.len() >= 2
            && matches!(outage.nodes[..], [node] if guessed(node))
            && !of_a_set(outage)
    };
    let mut all: Vec<&[IdIndex]> =
        analysis.lost().filter(part).map(|outage| outage.ids.as_slice()).collect();
    all.sort_unstable();
    all.dedup();
    let lost = |ids: &[IdIndex]| -> Vec<&Outage> {
        once_each(analysis.lost().filter(part).filter(|outage| outage.ids == ids))
    };
    let is_module = |outages: &Vec<&Outage>| {
        outages.iter().any(|outage| outage.duration() >= LONG)
            || outages.iter().filter(|outage| outage.duration() >= EACH).count() >= OFTEN
    };
    all.into_iter()
        .map(lost)
        .filter(is_module)
        .map(|outages| one(analysis, Subject::Sender(outages[0].ids[0]), &outages))
        .collect()
}

fn one(analysis: &Analysis, subject: Subject, outages: &[&Outage]) -> Symptom {
    let back = match (returned(outages), &subject) {
        // One identifier has one phase, which begins anew by chance.
        (Return::Leans { back: back @ 1, .. }, Subject::Sender(_)) => Return::Untold { back },
        (back, _) => back,
    };
    let back = Sign::Return(back);
    let answers = answers::while_silent(analysis, &subject, outages);
    if outages.iter().any(|outage| outage.ids.is_empty()) {
        let switch = own_switch::sign(analysis, &subject, outages);
        let one_message = outages.iter().any(|outage| is_one_message(outage));
        return Symptom::new(subject, Fact::NeverHeard { one_message })
            .with_signs([back])
            .with_signs(answers)
            .with_signs(switch);
    }
    let lead = led(analysis, &subject).map(Sign::Lead);
    let rhythm = rhythm::of(analysis, outages);
    let switch = own_switch::sign(analysis, &subject, outages);
    Symptom::new(subject, Fact::NodeSilent(summed(outages)))
        .with_signs([back, Sign::Rhythm(rhythm)])
        .with_signs(ends::apart(analysis, outages).map(Sign::Ends))
        .with_signs(starts::sign(analysis, rhythm, outages).map(Sign::Start))
        .with_signs(supply(analysis, outages))
        .with_signs(lead)
        .with_signs(answers)
        .with_signs(switch)
        .with_signs(tells_errors(analysis, outages).then(|| errors(analysis, outages)))
}

/// The surest of what goes before its losses.
fn led(analysis: &Analysis, subject: &Subject) -> Option<Led> {
    let lead = analysis.precursors().find(|lead| lead.of == *subject)?;
    let (losses_with, losses) = (lead.losses_with, lead.losses);
    Some(Led { kind: standard::kind(analysis, lead), losses_with, losses })
}

/// Its nodes, whatever their order in it.
fn ascending(outage: &Outage) -> Vec<NodeIndex> {
    let mut nodes = outage.nodes.clone();
    nodes.sort_unstable();
    nodes
}

/// Fewest identifiers without a known sender that are at least one node more.
const OF_SOMEBODY: usize = 3;

fn together(analysis: &Analysis) -> Vec<Symptom> {
    let of_branch = |outage: &&Outage| outage.scope == Scope::Branch;
    let mut sets: Vec<Vec<NodeIndex>> = analysis.lost().filter(of_branch).map(ascending).collect();
    sets.sort_unstable();
    sets.dedup();
    let symptom = |set: Vec<NodeIndex>| {
        let of_set = |outage: &&Outage| ascending(outage) == set;
        let outages = once_each(analysis.lost().filter(of_branch).filter(of_set));
        let here =
            |node: &&crate::analysis::Node| Some(node.channel) == outages[0].channel && node.heard;
        let all = analysis.nodes.iter().filter(here).count();
        let watched = analysis.identifiers.iter().filter(|id| id.timeout.is_some());
        let here = watched.filter(|id| Some(id.channel) == outages[0].channel);
        let senders: Vec<Option<NodeIndex>> = here.map(|id| id.node).collect();
        let own = senders.iter().flatten().filter(|node| set.contains(node));
        let (ids, all_ids) = (own.count(), senders.len());
        // What goes on and has no known sender is of somebody all the same.
        let unknown = senders.iter().filter(|node| node.is_none()).count();
        let all = all + usize::from(unknown >= OF_SOMEBODY);
        let rhythm = rhythm::of(analysis, &outages);
        let signs = [
            Sign::ReturnTogether(returned(&outages)),
            Sign::RhythmTogether(rhythm),
            Sign::Share { nodes: set.len(), all, ids, all_ids },
        ];
        let modules = set.iter().filter(|node| is_module(analysis, **node)).count();
        let errors = tells_errors(analysis, &outages)
            .then(|| Sign::ErrorsTogether(errors_near(analysis, &outages)));
        let subject = Subject::Nodes(set);
        let lead = led(analysis, &subject).map(Sign::LeadTogether);
        Symptom::new(subject, Fact::NodesSilent(summed(&outages)))
            .with_signs(signs)
            .with_signs(starts::sign(analysis, rhythm, &outages).map(Sign::StartTogether))
            .with_signs((modules >= SEVERAL).then_some(Sign::Number(modules)))
            .with_signs(ends::apart(analysis, &outages).map(Sign::EndsTogether))
            .with_signs(lead)
            .with_signs(errors)
    };
    sets.into_iter().map(symptom).collect()
}

/// What the returns show together: one that is clear speaks for those that are not, and several
/// that only lean towards a wire that healed can be clear together. Leaning towards a new start
/// they are not: a phase that wanders leans that way each time.
pub(super) fn returned(outages: &[&Outage]) -> Return {
    let count = |cause: Cause| outages.iter().filter(|outage| outage.cause == cause).count();
    let (anew, ran_on) = (count(Cause::LostPower), count(Cause::OpenCircuit));
    let back: Vec<&&Outage> = outages.iter().filter(|outage| !outage.ongoing).collect();
    let is_divided = |outage: &&&&Outage| outage.divided != Division::No;
    let divided = back.iter().filter(is_divided).count();
    let surely = back.iter().any(|outage| outage.divided == Division::Surely);
    let leaning = || back.iter().filter(|outage| outage.ran_on >= LEANS.ln());
    let total: f64 = back.iter().map(|outage| outage.ran_on.clamp(-MOST_OF_ONE, MOST_OF_ONE)).sum();
    match (anew, ran_on) {
        _ if count(Cause::LostAddress) > 0 => Return::LostAddress,
        _ if back.is_empty() => Return::No,
        _ if (surely || divided >= DIVIDED) && 2 * divided >= back.len() => {
            Return::Divided { divided, back: back.len() }
        }
        (0, 0) if leaning().count() >= 2 && total >= SURE_ODDS.ln() => {
            Return::RanOn { ran_on: leaning().count(), back: back.len() }
        }
        (0, 0) if total.abs() >= LEANS.ln() => Return::Leans { on: total > 0.0, back: back.len() },
        (0, 0) => Return::Untold { back: back.len() },
        _ if anew > FEW * ran_on => Return::StartedAnew { anew, back: back.len() },
        _ if ran_on > FEW * anew => Return::RanOn { ran_on, back: back.len() },
        _ => Return::Mixed { anew, ran_on },
    }
}

fn supply(analysis: &Analysis, outages: &[&Outage]) -> Option<Sign> {
    let supply = analysis.diagnosis.vehicle.supply.as_ref()?;
    // Below 12 V the battery is only not charged: that resets nobody.
    let level = levels(supply.max)[1];
    // A dip explains what fell silent with it, not what came back in it.
    let mut deep = supply.dips.iter().filter(|dip| dip.dip.below <= level);
    let dip = deep.find(|dip| outages.iter().any(|outage| dip.is_near(outage.start)));
    if let Some(dip) = dip {
        return Some(Sign::SupplyDipped(dip.dip.least));
    }
    // What was read minutes later, by a tester for one, says nothing of the moment.
    let near =
        |outage: &Outage, time: Nanoseconds| (time - outage.start).abs() <= nanoseconds(MEASURED);
    let read = |outage: &&&Outage| supply.series.iter().any(|(time, _)| near(outage, *time));
    let covered = 2 * outages.iter().filter(read).count() > outages.len();
    let then = supply.series.iter();
    let then = then.filter(|(time, _)| outages.iter().any(|outage| near(outage, *time)));
    let volts = || then.clone().map(|(_, volts)| *volts);
    let (min, max) = (volts().reduce(f64::min)?, volts().reduce(f64::max)?);
    (covered && min >= level).then_some(Sign::SupplySteady(min, max))
}

/// Whether the recording tells of error frames at all: many recorders write none, and then that
/// there is none near a loss says nothing of wires.
fn tells_errors(analysis: &Analysis, outages: &[&Outage]) -> bool {
    let channel = outages.iter().find_map(|outage| outage.channel);
    channel.is_some_and(|channel| !analysis.channel(channel).errors.is_empty())
}

/// Error frames near the silences of a node: mostly its own frames, or anybody's.
fn errors(analysis: &Analysis, outages: &[&Outage]) -> Sign {
    let all = errors_near(analysis, outages);
    let of_it = |id: &IdIndex| outages.iter().any(|outage| outage.ids.contains(id));
    let named: Vec<IdIndex> =
        near(analysis, outages).into_iter().filter_map(|event| event.destroyed).collect();
    let own = named.iter().filter(|id| of_it(id)).count();
    if own > 0 && 2 * own > named.len() { Sign::OwnErrors(own) } else { Sign::Errors(all) }
}

fn errors_near(analysis: &Analysis, outages: &[&Outage]) -> usize {
    near(analysis, outages).iter().map(|event| event.times as usize).sum()
}

fn near<'a>(analysis: &'a Analysis, outages: &[&Outage]) -> Vec<&'a ErrorEvent> {
    let near = |time: Nanoseconds| {
        outages.iter().any(|outage| (time - outage.start).abs() <= nanoseconds(NEAR))
    };
    let channel = outages.iter().find_map(|outage| outage.channel);
    channel.map_or(Vec::new(), |channel| {
        let errors = analysis.channel(channel).errors.iter();
        let told = errors.filter(|event| event.frame.is_about_the_bus() && !event.alone);
        told.filter(|event| near(event.time)).collect()
    })
}
