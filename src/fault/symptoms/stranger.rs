//! A module from another vehicle, or not configured for this one, and one that is missing: where
//! there is one of each, the first stands in the place of the second as a rule. It sends what its
//! own vehicle had it send, or nothing before it is configured.

use lostnode_parsers::Id;
use lostnode_parsers::frame::raw_id;

use super::Symptom;
use super::standing::is_now;
use super::told::FIRST_ANSWER;
use crate::analysis::Analysis;
use crate::analysis::blame::{Blame, Frames, Verdict, same_words};
use crate::analysis::diagnosis::{IdentityEntry, IdentityProblem, Module, Party};
use crate::analysis::subject::{Subject, Unheard};
use crate::analysis::symptom::{Fact, Return, Sign, SymptomKind};
use crate::fold::diagnostics::answers_about_emissions;

/// What codes call the engine controller (SAE J2012-DA, U0100).
pub(super) const ENGINE: &str = "ecm/pcm";
/// … and the one of the transmission (U0101).
pub(super) const TRANSMISSION: &str = "tcm";

/// Tells each symptom of the one module that is missing who may stand in its place.
pub fn mark(analysis: &Analysis, symptoms: &mut [Symptom]) {
    let strangers = subjects(symptoms, &[SymptomKind::OtherIdentity, SymptomKind::NewMessages]);
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
        expects_no_return(&mut symptoms[at].signs);
    }
}

/// What is there in the place of what was never heard will not send it again, and that it was never
/// heard bears nothing out that others miss.
fn expects_no_return(signs: &mut Vec<Sign>) {
    signs.retain(|sign| !matches!(sign, Sign::Return(Return::No)));
    for sign in signs {
        if *sign == Sign::FramesSay(Verdict::Confirmed) {
            *sign = Sign::FramesSay(Verdict::Open);
        }
    }
}

/// What symptoms of these kinds are about, each once.
pub(super) fn subjects(symptoms: &[Symptom], kinds: &[SymptomKind]) -> Vec<Subject> {
    let own = symptoms.iter().filter(|own| kinds.contains(&own.kind()));
    let mut subjects: Vec<Subject> = own.map(|own| own.subject.clone()).collect();
    subjects.sort_unstable();
    subjects.dedup();
    subjects
}

/// Whether the stranger itself is missed, or was expected: who is heard may be missed for what it
/// sends no more.
fn is_of(analysis: &Analysis, symptom: &Symptom, stranger: &Subject) -> bool {
    let heard = match symptom.fact {
        Fact::MissedByOthers(row) => match analysis.diagnosis.blame[row].frames {
            Frames::Heard { node } | Frames::OnlyAnswers { node } => Some(Subject::Node(node)),
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
        Fact::NeverHeard { .. } => {
            is_of(analysis, symptom, stranger) || may_answer_as(analysis, symptom, stranger)
        }
        Fact::MissedByOthers(row) => {
            let row = &analysis.diagnosis.blame[row];
            let place = match &symptom.subject {
                Subject::Node(node) => !analysis.nodes[*node].heard,
                _ => matches!(row.frames, Frames::NotKnown | Frames::NoSender),
            } || matches!(row.frames, Frames::OnlyAnswers { .. });
            is_now(analysis, row)
                && (is_of(analysis, symptom, stranger) || place && fits(row, stranger))
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

/// Whether a module that is missed may be the stranger. Who misses it is another; and engine and
/// transmission answer by identifiers that are kept for what has to do with emissions, the engine
/// by the first of them, and no other module does (ISO 15765-4).
fn fits(row: &Blame, stranger: &Subject) -> bool {
    let module = match stranger {
        Subject::Module(Unheard::Asked(module)) => module,
        // It is known by another name.
        Subject::Module(_) => return false,
        _ => return true,
    };
    if row.reporters.contains(module) {
        return false;
    }
    let Module { party: Party::Id(id @ Id::Standard(_)), .. } = module else { return true };
    let is_first = raw_id(*id) == FIRST_ANSWER;
    if same_words(&row.missed.0, ENGINE) {
        return is_first;
    }
    !is_first && (answers_about_emissions(*id) || !same_words(&row.missed.0, TRANSMISSION))
}

/// Modules that carry another vehicle's identification or none, or say that they are not
/// configured: what they miss is what that vehicle had.
pub(super) fn strangers(analysis: &Analysis) -> Vec<Module> {
    let foreign = |entry: &&IdentityEntry| {
        let other = |problem: &IdentityProblem| {
            matches!(problem, IdentityProblem::BlankVin | IdentityProblem::OtherVin(_))
        };
        entry.problems.iter().any(other)
    };
    let says_so =
        analysis.diagnosis.codes.iter().filter(|code| code.unconfigured && code.gone.is_none());
    let identity = analysis.diagnosis.identity.iter().filter(foreign);
    identity.map(|entry| entry.module).chain(says_so.map(|code| code.module)).collect()
}

/// Whether a module that is asked on two buses is told as of the other one: of that on which it is
/// known, else of the first.
pub(super) fn is_told_elsewhere(analysis: &Analysis, own: &IdentityEntry) -> bool {
    let rank =
        |entry: &IdentityEntry| (analysis.node_of(entry.module).is_none(), entry.module.channel);
    analysis.diagnosis.identity.iter().any(|other| {
        other.module.party == own.module.party
            && other.problems == own.problems
            && rank(other) < rank(own)
    })
}
