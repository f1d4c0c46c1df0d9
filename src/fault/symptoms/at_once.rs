//! Modules of one bus that fall silent at one instant and come back apart. One opening of a pair
//! cuts all behind it; then one of them waits out a bus-off of its own, or the key goes first.

use std::collections::{BTreeMap, BTreeSet};

use super::{Symptom, elsewhere};
use crate::analysis::symptom::{Fact, Return, Setting, Sign, Starter};
use crate::analysis::{Analysis, Outage};
use crate::capture::ChannelIndex;
use crate::fold::timing::nanoseconds;
use crate::ids::NodeIndex;

/// What one opening cuts stops within so many seconds …
const AT_ONCE: f64 = 0.03;
/// … and a period of the slower of the two, of which no more than this counts: a last frame comes
/// up to a period before the cut.
const OF_A_PERIOD: f64 = 0.3;
/// Supplies hold modules up for so long (common practice, no source).
const HELD_UP: f64 = 0.3;
/// All losses of one lie with those of the other, so many at least, and a third of the other's with
/// them: of one that is lost all the time any would.
const TWICE: usize = 2;

/// Gives who falls silent at one instant with others of its bus these for company.
pub fn join(analysis: &Analysis, out: &mut [Symptom]) {
    let groups = groups(analysis, out);
    let mut joined: BTreeMap<usize, BTreeSet<NodeIndex>> = BTreeMap::new();
    for (at, own) in groups.iter().enumerate() {
        for other in groups[at + 1..].iter().filter(|other| own.falls_with(other)) {
            for at in own.symptoms.iter().chain(&other.symptoms) {
                joined.entry(*at).or_default().extend(own.nodes.union(&other.nodes));
            }
        }
    }
    for (at, mut nodes) in joined {
        nodes.extend(&out[at].company);
        out[at].company = nodes.into_iter().collect();
    }
}

/// A node that falls silent, or several of which sets that share some do.
struct Group<'a> {
    channel: ChannelIndex,
    nodes: BTreeSet<NodeIndex>,
    symptoms: Vec<usize>,
    /// Each with the period of its fastest message, in seconds.
    losses: Vec<(&'a Outage, f64)>,
    /// One of them started anew.
    anew: bool,
}

fn groups<'a>(analysis: &'a Analysis, symptoms: &[Symptom]) -> Vec<Group<'a>> {
    let mut out: Vec<Group> = Vec::new();
    for (at, symptom) in symptoms.iter().enumerate() {
        let Some(anew) = started_anew(symptom) else { continue };
        let period = |outage: &'a Outage| analysis.fastest(&outage.ids).unwrap_or(0.0);
        let losses = elsewhere::losses(analysis, &symptom.subject).into_iter();
        let losses: Vec<_> = losses.map(|outage| (outage, period(outage))).collect();
        let Some(channel) = losses.first().and_then(|(own, _)| own.channel) else { continue };
        let nodes: BTreeSet<NodeIndex> = symptom.subject.nodes().iter().copied().collect();
        let mut group = Group { channel, nodes, symptoms: vec![at], losses, anew };
        let (same, rest): (Vec<Group>, Vec<Group>) =
            out.into_iter().partition(|other| !other.nodes.is_disjoint(&group.nodes));
        for other in same {
            group.nodes.extend(other.nodes);
            group.symptoms.extend(other.symptoms);
            group.losses.extend(other.losses);
            group.anew |= other.anew;
        }
        out = rest;
        out.push(group);
    }
    out
}

/// Whether what fell silent started anew at its return; nothing where it says something else than
/// that it ran on, or may be what the starter takes.
fn started_anew(symptom: &Symptom) -> Option<bool> {
    use Return::{Leans, No, RanOn, StartedAnew, Untold};
    let lost = matches!(symptom.fact, Fact::NodeSilent(_) | Fact::NodesSilent(_));
    if !lost || symptom.setting != Setting::Usual {
        return None;
    }
    let starter = |sign: &Sign| {
        let (Sign::Start(starter) | Sign::StartTogether(starter)) = sign else { return false };
        !matches!(starter, Starter::Late(_) | Starter::Charged(_))
    };
    symptom.signs.iter().find_map(|sign| {
        let (Sign::Return(back) | Sign::ReturnTogether(back)) = sign else { return None };
        match back {
            StartedAnew { .. } => Some(true),
            RanOn { .. } | Leans { on: true, .. } | No => Some(false),
            Untold { .. } => (!symptom.signs.iter().any(starter)).then_some(false),
            _ => None,
        }
    })
}

impl Group<'_> {
    /// Whether two thirds of the losses of each begin at one instant with one of the other. A
    /// supply takes all at once too, but lets go of each as long after as that holds out, and each
    /// starts anew: there all losses of one have to be with one of the other.
    fn falls_with(&self, other: &Group) -> bool {
        if self.channel != other.channel || !self.nodes.is_disjoint(&other.nodes) {
            return false;
        }
        let anew = self.anew || other.anew;
        let held_up = if anew { HELD_UP } else { 0.0 };
        let shares = [self.with(other, held_up), other.with(self, held_up)];
        let most = |(with, all): (usize, usize)| 3 * with >= 2 * all;
        let all = |(with, all): (usize, usize)| with == all && all >= TWICE;
        let third = |(with, all): (usize, usize)| 3 * with >= all;
        (!anew && shares.into_iter().all(most))
            || (shares.into_iter().any(all) && shares.into_iter().all(third))
    }

    /// How many losses begin and are under way with one of another, and how many there are.
    fn with(&self, other: &Group, held_up: f64) -> (usize, usize) {
        let with = |(one, own): &&(&Outage, f64)| {
            other.losses.iter().any(|(two, period)| {
                let slack = AT_ONCE + held_up + own.max(*period).min(OF_A_PERIOD);
                (one.start - two.start).abs() <= nanoseconds(slack)
                    && one.silence().overlap(&two.silence()) > 0
            })
        };
        (self.losses.iter().filter(with).count(), self.losses.len())
    }
}
