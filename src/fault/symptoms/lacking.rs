//! A module that speaks and lacks some of its messages, from the first frame on: it has supply and
//! bus, so it is coded for another vehicle or is another one.

use super::standing::is_failing;
use super::{Symptom, starts};
use crate::analysis::blame::Frames;
use crate::analysis::subject::Subject;
use crate::analysis::symptom::{Fact, SymptomKind};
use crate::analysis::{Analysis, Evidence, Outage, Scope};
use crate::ids::NodeIndex;

/// Fewer are sent in some state of the vehicle only: of 21 such single messages of invented
/// vehicles three were of a wrong module, of five groups of two and more four (sets of five worlds
/// by others).
const FEWEST_LACKING: usize = 2;
/// One is enough where so many modules miss the node now (three of three).
const MISSED_BY: usize = 2;
/// Seconds below which a loss that the starter explains is none of a module that runs (common
/// practice, no source).
const MOMENT: f64 = 1.0;

/// The one node that lacks messages while nothing else is missing, nor is its bus in trouble: a
/// flood or a bad line takes messages of many.
pub fn add(analysis: &Analysis, symptoms: &mut Vec<Symptom>) {
    let trouble = |own: &Symptom| {
        use SymptomKind::{BusErrors, BusSilent, Flood, LostInTurn, OtherIdentity};
        matches!(own.kind(), BusErrors | BusSilent | Flood | LostInTurn | OtherIdentity)
    };
    let mut never = analysis.lost().filter(|outage| !outage.never_heard.is_empty());
    let (Some(outage), None) = (never.next(), never.next()) else { return };
    if symptoms.iter().any(trouble) {
        return;
    }
    if let Some(node) = lacks(analysis, outage) {
        let fact = Fact::LacksMessages(outage.never_heard.clone());
        // Who is heard is missed for what it lacks: that is one module, whatever others call it.
        let missed = |own: &Symptom| match own.fact {
            Fact::MissedByOthers(row) => {
                analysis.diagnosis.blame[row].frames == Frames::Heard { node }
            }
            _ => false,
        };
        for own in symptoms.iter_mut().filter(|own| missed(own)) {
            own.subject = Subject::Node(node);
            own.stranger = own.stranger.take().map(|_| Subject::Node(node));
        }
        symptoms.push(Symptom::new(Subject::Node(node), fact));
    }
}

/// The node that lacks them, where it is known whose they are and it was never lost itself.
fn lacks(analysis: &Analysis, outage: &Outage) -> Option<NodeIndex> {
    let [node] = outage.nodes[..] else { return None };
    let started =
        |other: &Outage| other.duration() < MOMENT && starts::may_be_one(analysis, &[other]);
    let was_lost = analysis.lost().any(|other| {
        !std::ptr::eq(other, outage) && other.nodes.contains(&node) && !started(other)
    });
    let is_missed = analysis.diagnosis.blame.iter().any(|row| {
        row.frames.node() == Some(node)
            && row.reporters.len() >= MISSED_BY
            && is_failing(analysis, row)
    });
    let sure = outage.scope == Scope::Identifier
        && (is_missed || outage.never_heard.len() >= FEWEST_LACKING)
        && !outage.evidence.contains(&Evidence::SentSometimes)
        && analysis.nodes[node].heard
        && analysis.is_known(node)
        && !was_lost;
    sure.then_some(node)
}
