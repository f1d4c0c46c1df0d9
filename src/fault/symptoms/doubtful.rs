//! What paused, and may be all that a module sends.

use super::nodes::{is_left_over, returned};
use super::once::once_each;
use super::{Symptom, beside, summed};
use crate::analysis::subject::Subject;
use crate::analysis::symptom::{Fact, Return, Sign};
use crate::analysis::{Analysis, Doubt, Evidence, Outage, Scope, Why};

/// Seconds of a mean silence of a lone message from which it tells something.
const LONG_ALONE: f64 = 2.5;

/// What paused and may be all that a module sends: nobody is blamed for it, and yet it is what a
/// module that sends little looks like when it is lost.
pub(super) fn silent(analysis: &Analysis, shown: &[Symptom]) -> Vec<Symptom> {
    let is_open = |outage: &&Outage| {
        let open = matches!(outage.doubt, Some(Doubt::SenderUnknown | Doubt::CameLate));
        let pauses = outage.benign && (open || is_while_off(outage));
        let lone = !outage.benign && outage.nodes.is_empty() && is_left_over(&[*outage]);
        (pauses || lone)
            && matches!(outage.scope, Scope::Identifier | Scope::Node)
            && !outage.ids.is_empty()
    };
    let open: Vec<&Outage> = analysis.outages.iter().filter(is_open).collect();
    let place = |outage: &Outage| match outage.nodes[..] {
        [node] if outage.scope == Scope::Node => Subject::Node(node),
        _ => Subject::Sender(outage.ids[0]),
    };
    let mut places: Vec<Subject> = open.iter().map(|outage| place(outage)).collect();
    places.sort_unstable();
    places.dedup();
    let known = |place: &Subject| shown.iter().any(|own| own.subject.covers(place, analysis));
    places
        .into_iter()
        .filter(|place| !known(place) && !beside::is_with_a_node(analysis, place))
        .map(|subject| {
            let own = open.iter().copied().filter(|outage| place(outage) == subject);
            let outages = once_each(own);
            let back = returned(&outages);
            let lasted = lasted(&subject, &outages, back);
            // What was switched off starts anew as what failed does, and what came late for as long
            // as it was off.
            let came_late = |outage: &&Outage| outage.doubt == Some(Doubt::CameLate);
            let tells = !outages.iter().any(|own| is_while_off(own) || came_late(own));
            Symptom::new(subject, Fact::MessageSilent(summed(&outages)))
                .with_signs(tells.then_some(Sign::ReturnAlone(back)))
                .with_signs(lasted.filter(|_| tells))
        })
        .collect()
}

/// Whether much of its channel was switched off all that time.
fn is_while_off(outage: &Outage) -> bool {
    let tells = |own: &Evidence| matches!(own, Evidence::Why(Why::WhileOthersOff { .. }));
    outage.evidence.iter().any(tells)
}

/// How long a lone message was silent, where its return tells nothing: a module whose supply failed
/// must boot.
fn lasted(subject: &Subject, outages: &[&Outage], back: Return) -> Option<Sign> {
    let lone = matches!(subject, Subject::Sender(_)) && matches!(back, Return::Untold { .. });
    let total: f64 = outages.iter().map(|outage| outage.duration()).sum();
    let mean = total / outages.len() as f64;
    (lone && mean >= LONG_ALONE).then_some(Sign::LengthAlone(mean))
}
