//! Who leaves a tester's questions unanswered, and whether that tells anything.

use lostnode_parsers::Id;
use lostnode_parsers::frame::raw_id;

use super::FIRST_ANSWER;
use crate::analysis::diagnosis::{Module, Mute, Party, TalkEntry};
use crate::analysis::{Analysis, Outage};
use crate::fold::timing::nanoseconds;

/// Seconds after the last request that a module left unanswered in which others must answer, so
/// that the bus is known to be awake and the tester there (common practice, no source).
const ANSWER_STILL: f64 = 10.0;

/// Requests that a module left unanswered beyond those that it answered, at most: what asks so much
/// more often in vain is likelier a message on a timer that looks like a request than a tester
/// (common practice, no source).
const IN_VAIN: u64 = 10;

/// Whether a module answered, then left two requests or more unanswered to the end, and others of
/// its bus still answered after the last of them: then neither the tester left nor the bus fell
/// asleep. With the key off nobody need answer.
pub(super) fn fell_mute(analysis: &Analysis, talk: &TalkEntry) -> bool {
    let Some(mute) = talk.mute.last().filter(|mute| mute.until.is_none()) else { return false };
    let (first, last) = (mute.asked.0.nanoseconds(), mute.asked.1.nanoseconds());
    let meanwhile = last..=last.saturating_add(nanoseconds(ANSWER_STILL));
    let others =
        analysis.diagnosis.talks.iter().filter(|other| {
            other.module != talk.module && other.module.channel == talk.module.channel
        });
    let answers = |other: &TalkEntry| other.answered.iter().any(|time| meanwhile.contains(time));
    let answered = talk.positive + talk.negative.iter().map(|(_, count)| count).sum::<u64>();
    mute.since.is_some()
        && first < last
        && talk.unanswered <= answered + IN_VAIN
        && others.into_iter().any(answers)
        && !is_off(analysis, talk, mute)
}

/// Whether a bus was off, or modules of it, as a module was asked in vain.
pub(super) fn is_off(analysis: &Analysis, talk: &TalkEntry, mute: &Mute) -> bool {
    let (first, last) = (mute.asked.0.nanoseconds(), mute.asked.1.nanoseconds());
    let off = |outage: &Outage| {
        outage.cause.is_orderly()
            && outage.channel == Some(talk.module.channel)
            && outage.start <= last
            && outage.end >= first
    };
    analysis.outages.iter().any(off)
}

/// Whether a module that never answered is known to be in the vehicle: the roster, its address or
/// its own frames name it. Scan tools ask for all that the maker builds. The engine controller of
/// the standard's first answer (ISO 15765-4) counts where nobody else answered.
pub(super) fn is_fitted(analysis: &Analysis, module: Module) -> bool {
    let answers = |talk: &TalkEntry| talk.positive > 0 || !talk.negative.is_empty();
    let first =
        matches!(module.party, Party::Id(id @ Id::Standard(_)) if raw_id(id) == FIRST_ANSWER);
    analysis.node_of(module).is_some()
        || analysis.module_name(module).called.is_some()
        || first && !analysis.diagnosis.talks.iter().any(answers)
}
