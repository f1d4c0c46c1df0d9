//! What its user may have switched off: a module with a switch of its own that is silent once, for
//! a while, and that nobody misses.

use std::ops::RangeInclusive;

use lostnode_parsers::j1939;

use super::standing::is_present;
use crate::analysis::blame::Frames;
use crate::analysis::subject::Subject;
use crate::analysis::symptom::Sign;
use crate::analysis::{Analysis, Cause, Evidence, Outage};
use crate::fault::advice;
use crate::fold::timing::{Nanoseconds, nanoseconds};
use crate::ids::{IdIndex, NodeIndex};
use crate::network::Basis;

/// Who switches something off leaves it off for so many seconds at least (common practice, no
/// source).
const OFF_FOR: f64 = 4.0;
/// What sends something more often than this, in seconds, is part of a control loop, and no loop
/// that others rely on has a switch for its user (common practice, no source).
const NO_LOOP: f64 = 0.040;
/// … and what sends nothing more often than this surely is not.
const SLOW: f64 = 0.9;
/// Periods differ from their nominal value by so much.
const NOMINAL: f64 = 0.9;
/// Source addresses of SAE J1939 that each industry group gives to units of its own, most of them
/// implements and trailers, which their user unhitches (SAE J1939-81 and table B2 of SAE J1939,
/// from memory; that no loop of the vehicle hangs on them is common practice, no source).
const HITCHED: RangeInclusive<u8> = 128..=247;
/// A loss of another that begins within so many seconds has the same cause.
const AT_ONCE: f64 = 1.0;
/// So many identifiers of which only silences are known may be one unit that is told as two: of 26
/// pairs that were one 19 were switched off, of 21 others 12 (three worlds by others).
const SMALL: usize = 6;
/// A return that is so many times likelier of a wire is none of a switch.
const RAN_ON: f64 = 3.0;

/// The sign of it; `None` where it cannot be.
pub fn sign(analysis: &Analysis, subject: &Subject, outages: &[&Outage]) -> Option<Sign> {
    let [outage] = outages else { return None };
    if let Subject::Node(node) = subject
        && !outage.never_heard.is_empty()
    {
        return throughout(analysis, *node, outage);
    }
    let (ids, node): (&[IdIndex], Option<NodeIndex>) = match subject {
        Subject::Node(node) => (&analysis.nodes[*node].ids, Some(*node)),
        Subject::Sender(_) => (&outage.ids, None),
        _ => return None,
    };
    let lasts = outage.duration() >= OFF_FOR && outage.never_heard.is_empty();
    let fastest = analysis.fastest(ids)?;
    let may_be = lasts
        && !ran_on(outage)
        && outage.cause != Cause::LostAddress
        && may_have_one(analysis, node, fastest)
        && !is_missed(analysis, node)
        && !has_company(analysis, outage)
        && !has_errors(analysis, outage);
    may_be.then_some(Sign::OwnSwitch { fastest, throughout: false })
}

/// The same of what was not heard at all, where nothing else was lost and its name says that it has
/// a switch: a roster that was learned from this vehicle had it switched on.
fn throughout(analysis: &Analysis, node: NodeIndex, outage: &Outage) -> Option<Sign> {
    let pace = |evidence: &Evidence| match evidence {
        Evidence::NeverHeard { most, awake, .. } if *most > 0.0 => Some(awake / most),
        _ => None,
    };
    let fastest = outage.evidence.iter().find_map(pace)?;
    let may_be = analysis.lost().count() == 1
        && !analysis.nodes[node].heard
        && fastest >= NOMINAL * NO_LOOP
        && advice::has_own_switch(&analysis.node_name(node))
        && !is_missed(analysis, Some(node));
    may_be.then_some(Sign::OwnSwitch { fastest, throughout: true })
}

/// Whether it may be unhitched; or no loop can hang on it, and nothing says what it is or its name
/// is of what its user switches. An address alone is no proof of what a unit does (SAE J1939-81:
/// preferred, not fixed), whoever else says who sends, and who sends nothing within a second is in
/// nobody's loop; but no user switches off what engines, brakes or restraints are known by.
fn may_have_one(analysis: &Analysis, node: Option<NodeIndex>, fastest: f64) -> bool {
    let address = node.and_then(|node| analysis.source_address(node));
    if address.is_some_and(|address| HITCHED.contains(&address)) {
        return true;
    }
    let accessory = |node: NodeIndex| {
        !analysis.is_known(node)
            || advice::has_own_switch(&analysis.node_name(node))
            || fastest >= SLOW && address.is_some_and(|address| !j1939::is_vital(address))
    };
    fastest >= NOMINAL * NO_LOOP && node.is_none_or(accessory)
}

/// Whether a code of this drive misses it, or somebody of whom nothing tells that it is another.
pub(super) fn is_missed(analysis: &Analysis, node: Option<NodeIndex>) -> bool {
    let blame = analysis.diagnosis.blame.iter();
    // Where something else is lost still, a code that names no node is of that rather.
    let of_node = |outage: &&Outage| node.is_some_and(|own| outage.nodes.contains(&own));
    let another =
        node.is_some() && analysis.lost().any(|outage| outage.ongoing && !of_node(&outage));
    let mut may_be_it = blame.filter(|row| match row.frames {
        Frames::Heard { .. } | Frames::OnlyAnswers { .. } | Frames::FromBeyond => false,
        other => other.node().map_or(!another, |own| Some(own) == node),
    });
    may_be_it.any(|row| is_present(analysis, row))
}

/// Whether another loss began at that instant, or it was lost with others besides. One other that
/// may be the rest of a small unit is none.
fn has_company(analysis: &Analysis, outage: &Outage) -> bool {
    let part = |other: &Outage| !outage.nodes.is_empty() && other.nodes == outage.nodes;
    let others = analysis.lost().filter(|other| !part(other) && other.ids != outage.ids);
    let with = others.filter(|other| {
        (other.start - outage.start).abs() <= nanoseconds(AT_ONCE)
            || other.nodes.iter().any(|node| outage.nodes.contains(node))
    });
    match with.collect::<Vec<_>>()[..] {
        [] => false,
        [other] => !may_be_one_unit(analysis, outage, other),
        _ => true,
    }
}

/// Whether two losses may be one, of a small unit of which nothing but its silence is known: what
/// of it is slow shows none at that instant. It was lost once and for long, and no wire tells.
fn may_be_one_unit(analysis: &Analysis, outage: &Outage, other: &Outage) -> bool {
    let size = |own: &Outage| match own.nodes[..] {
        [] => own.ids.len(),
        _ => own.nodes.iter().map(|node| analysis.nodes[*node].ids.len()).sum(),
    };
    let both = [outage, other];
    let by_silence = |node: &NodeIndex| {
        analysis.nodes[*node].basis.iter().all(|own| *own == Basis::SharedSilence)
    };
    let again = analysis.lost().filter(|own| own.ids.iter().any(|id| other.ids.contains(id)));
    outage.channel == other.channel
        && both.map(size).into_iter().sum::<usize>() <= SMALL
        && both.iter().flat_map(|own| &own.nodes).all(by_silence)
        && outage.ongoing == other.ongoing
        && (outage.end - other.end).abs() <= nanoseconds(AT_ONCE)
        && other.duration() >= OFF_FOR
        && !ran_on(other)
        && again.count() == 1
}

/// Whether its return is that of a wire.
fn ran_on(outage: &Outage) -> bool {
    outage.cause == Cause::OpenCircuit || outage.ran_on >= RAN_ON.ln()
}

/// Whether errors destroyed frames of its own where it fell silent or came back.
fn has_errors(analysis: &Analysis, outage: &Outage) -> bool {
    let Some(channel) = outage.channel else { return false };
    let at_edge = |time: Nanoseconds| {
        [outage.start, outage.end].iter().any(|edge| (time - edge).abs() <= nanoseconds(AT_ONCE))
    };
    analysis.channel(channel).errors.iter().any(|event| {
        event.destroyed.is_some_and(|id| outage.ids.contains(&id)) && at_edge(event.time)
    })
}
