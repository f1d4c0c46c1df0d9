//! Losses of one bus that another bus explains.

use super::{Symptom, bus, carried};
use crate::analysis::subject::Subject;
use crate::analysis::symptom::SymptomKind;
use crate::analysis::{Analysis, Doubt, Outage, Scope};
use crate::fold::timing::{Nanoseconds, Silence, nanoseconds};
use crate::ids::{ChannelIndex, IdIndex};

/// Seconds around a flood within which a loss is of it: what the gateway could not receive it
/// passes on again when it is there.
const NEAR: f64 = 1.0;

/// Modules store that another is lost some seconds after its last frame, so many at least (common
/// practice, no source).
const STORED_AFTER: f64 = 1.0;

/// When each bus was flooded.
pub struct Floods(Vec<(ChannelIndex, Silence)>);

/// The floods of all buses.
pub fn floods(analysis: &Analysis) -> Floods {
    let channels = (0..analysis.channels.len()).map(|channel| channel as ChannelIndex);
    Floods(
        channels
            .flat_map(|at| bus::floods(analysis, at).into_iter().map(move |time| (at, time)))
            .collect(),
    )
}

impl Floods {
    /// Whether a loss lies within a flood of another bus, and all that stopped is of that bus too:
    /// a gateway cannot pass on what it never received.
    pub fn took(&self, analysis: &Analysis, outage: &Outage) -> bool {
        let Some(own) = outage.channel else { return false };
        let near = nanoseconds(NEAR);
        self.0.iter().any(|(channel, flood)| {
            let is_there = |id: IdIndex| {
                let id = analysis.identifiers[id].id;
                analysis.identifiers.iter().any(|other| other.channel == *channel && other.id == id)
            };
            *channel != own
                && flood.start - near <= outage.start
                && outage.end <= flood.end.saturating_add(near)
                && !outage.ids.is_empty()
                && outage.ids.iter().all(|id| is_there(*id))
        })
    }
}

/// Drops what fell silent for floods of another bus only.
pub fn leave_to_floods(analysis: &Analysis, floods: &Floods, out: &mut Vec<Symptom>) {
    out.retain(|symptom| !all_losses(analysis, symptom, |outage| floods.took(analysis, outage)));
}

/// Drops nodes all of whose messages go on on another bus: they are well, and what carries them
/// over is told. What may be several is what the gateway took along, and speaks for it.
pub fn leave_to_gateway(analysis: &Analysis, out: &mut Vec<Symptom>) {
    let goes_on = |outage: &Outage| {
        let goes_on = |id| carried::goes_on_elsewhere(analysis, id, outage);
        !outage.ids.is_empty() && outage.ids.iter().all(|id| goes_on(*id))
    };
    out.retain(|symptom| {
        let one = symptom.several.is_none_or(|odds| odds <= 1.0) && symptom.company.is_empty();
        let silent = one && symptom.kind() == SymptomKind::NodeSilent;
        !(silent && all_losses(analysis, symptom, goes_on))
    });
}

/// The losses of an identifier, a node, or of several together.
pub(super) fn losses<'a>(analysis: &'a Analysis, subject: &Subject) -> Vec<&'a Outage> {
    outages_of(subject, analysis.lost())
}

fn outages_of<'a>(subject: &Subject, outages: impl Iterator<Item = &'a Outage>) -> Vec<&'a Outage> {
    let of_it = |outage: &&Outage| match subject {
        Subject::Sender(id) => outage.scope == Scope::Identifier && outage.ids.first() == Some(id),
        Subject::Node(node) => outage.nodes == [*node],
        Subject::Nodes(nodes) => {
            outage.nodes.len() == nodes.len()
                && outage.nodes.iter().all(|node| nodes.contains(node))
        }
        _ => false,
    };
    outages.filter(of_it).collect()
}

/// What may be losses of several, though the key may have taken them.
fn perhaps_lost<'a>(analysis: &'a Analysis, subject: &Subject) -> Vec<&'a Outage> {
    let open = |outage: &&Outage| {
        outage.benign && matches!(outage.doubt, Some(Doubt::KeyOrSupply | Doubt::CameLate))
    };
    match subject {
        Subject::Nodes(_) => outages_of(subject, analysis.outages.iter().filter(open)),
        _ => Vec::new(),
    }
}

/// Whether modules told something, codes or an answer, so long after something was first lost that
/// they could know of it; of what was never lost, whether they told anything.
pub fn was_asked_since(analysis: &Analysis, subject: &Subject) -> bool {
    let diagnosis = &analysis.diagnosis;
    let mut outages = losses(analysis, subject);
    if outages.is_empty() {
        outages = perhaps_lost(analysis, subject);
    }
    let Some(lost) = outages.iter().map(|outage| outage.start).min() else {
        return !diagnosis.talks.is_empty() || !diagnosis.codes.is_empty();
    };
    let answered = diagnosis.talks.iter().filter_map(|talk| talk.answered.last().copied());
    let seen = diagnosis.codes.iter().map(|code| code.seen.map_or(Nanoseconds::MAX, |seen| seen.1));
    answered.chain(seen).any(|time| time >= lost.saturating_add(nanoseconds(STORED_AFTER)))
}

/// Whether something was lost, or never heard, and each time for good: a measurement finds what is
/// there, and a hand that moves the harness what comes and goes.
pub fn lasts(analysis: &Analysis, subject: &Subject) -> bool {
    let losses = losses(analysis, subject);
    !losses.is_empty() && losses.iter().all(|outage| outage.ongoing)
}

/// Whether a symptom is of losses, and all of them are so.
fn all_losses(analysis: &Analysis, symptom: &Symptom, are: impl Fn(&Outage) -> bool) -> bool {
    let silent = matches!(symptom.kind(), SymptomKind::NodeSilent | SymptomKind::NodesSilent);
    let losses = losses(analysis, &symptom.subject);
    silent && !losses.is_empty() && losses.into_iter().all(are)
}
