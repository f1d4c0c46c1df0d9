//! A module from another vehicle, or not configured for this one, and one that is missing: where
//! there is one of each, the first stands in the place of the second as a rule. It sends what its
//! own vehicle had it send, or nothing before it is configured.

use lostnode_parsers::Id;
use lostnode_parsers::frame::raw_id;

use super::Symptom;
use super::told::FIRST_ANSWER;
use crate::analysis::Analysis;
use crate::analysis::blame::{Blame, Frames};
use crate::analysis::diagnosis::{Module, Party};
use crate::analysis::subject::{Subject, Unheard};
use crate::analysis::symptom::{Fact, Now, Sign, SymptomKind};

/// What codes call the engine controller (SAE J2012-DA, U0100).
const ENGINE: &str = "ecm/pcm";
/// … and the one of the transmission (U0101).
const TRANSMISSION: &str = "tcm";
/// The last identifier that what has to do with emissions answers by (ISO 15765-4).
const LAST_ANSWER: u32 = 0x7EF;

/// Tells each symptom of the one module that is missing who may stand in its place.
pub fn mark(analysis: &Analysis, symptoms: &mut [Symptom]) {
    let strange = |symptom: &&Symptom| symptom.kind() == SymptomKind::OtherIdentity;
    let mut strangers: Vec<Subject> =
        symptoms.iter().filter(strange).map(|own| own.subject.clone()).collect();
    strangers.sort_unstable();
    strangers.dedup();
    let [stranger] = strangers.as_slice() else { return };
    let (itself, others): (Vec<usize>, Vec<usize>) = (0..symptoms.len())
        .filter(|at| is_missing(analysis, &symptoms[*at], stranger))
        .partition(|at| is_of(analysis, &symptoms[*at], stranger));
    let mut places: Vec<&Subject> = others.iter().map(|at| &symptoms[*at].subject).collect();
    places.sort_unstable();
    places.dedup();
    // A node that was never heard and a name that codes give may be the same module.
    let most_one = |node: bool| {
        places.iter().filter(|place| matches!(place, Subject::Node(_)) == node).count() <= 1
    };
    let others = if most_one(true) && most_one(false) { others } else { Vec::new() };
    for at in itself.into_iter().chain(others) {
        symptoms[at].stranger = Some(stranger.clone());
    }
}

/// Whether the stranger itself is missed, or was expected: who is heard may be missed for what it
/// sends no more.
fn is_of(analysis: &Analysis, symptom: &Symptom, stranger: &Subject) -> bool {
    let heard = match symptom.fact {
        Fact::MissedByOthers(row) => match analysis.diagnosis.blame[row].frames {
            Frames::Heard { node } => Some(Subject::Node(node)),
            _ => None,
        },
        _ => None,
    };
    symptom.subject == *stranger || heard.as_ref() == Some(stranger)
}

/// Whether a symptom is of a module that is not there, in whose place the stranger may be. Who was
/// heard and fell silent is none: a stranger does not come and go.
fn is_missing(analysis: &Analysis, symptom: &Symptom, stranger: &Subject) -> bool {
    match symptom.fact {
        Fact::NeverHeard => {
            is_of(analysis, symptom, stranger) || may_answer_as(analysis, symptom, stranger)
        }
        Fact::MissedByOthers(row) => {
            let row = &analysis.diagnosis.blame[row];
            let fails = symptom
                .signs
                .iter()
                .any(|sign| matches!(sign, Sign::Now(Now::Failing | Now::Recent)));
            let place = match &symptom.subject {
                Subject::Node(node) => !analysis.nodes[*node].heard,
                _ => matches!(row.frames, Frames::NotKnown | Frames::NoSender),
            };
            fails && (is_of(analysis, symptom, stranger) || place && fits(row, stranger))
        }
        _ => false,
    }
}

/// Whether nothing is known of where a node that was never heard answers, or it is there.
fn may_answer_as(analysis: &Analysis, symptom: &Symptom, stranger: &Subject) -> bool {
    let (Subject::Node(node), Subject::Module(Unheard::Asked(module))) =
        (&symptom.subject, stranger)
    else {
        return false;
    };
    let answers = &analysis.nodes[*node].answers;
    answers.is_empty() || answers.contains(module)
}

/// Engine and transmission answer by identifiers that are kept for what has to do with emissions,
/// the engine by the first of them, and no other module does (ISO 15765-4).
fn fits(row: &Blame, stranger: &Subject) -> bool {
    let Subject::Module(Unheard::Asked(Module { party: Party::Id(id @ Id::Standard(_)), .. })) =
        stranger
    else {
        return true;
    };
    let missed = row.missed.0.to_lowercase();
    let answer = raw_id(*id);
    match missed {
        name if name.contains(ENGINE) => answer == FIRST_ANSWER,
        name if name.contains(TRANSMISSION) => {
            answer != FIRST_ANSWER && (FIRST_ANSWER..=LAST_ANSWER).contains(&answer)
        }
        _ => answer != FIRST_ANSWER,
    }
}
