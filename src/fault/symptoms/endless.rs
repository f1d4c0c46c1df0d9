//! Errors that have no end.
//!
//! A main line that is badly terminated spoils frames all the time, and with them its modules are
//! lost time and again: so near each error lies some loss, and the losses are of the errors.

use super::Symptom;
use super::senders::Named;
use crate::analysis::Analysis;
use crate::analysis::subject::Subject;
use crate::analysis::symptom::{ErrorKind, Fact, Setting, Sign};
use crate::capture::ChannelIndex;
use crate::fold::timing::Aftermath;

/// Errors in such a part of the seconds, and so many a minute, are of no loss: of the channels of
/// three worlds by others (three sets each) 28 of terminations reach that, two of branches, and no
/// other.
const SECONDS: f64 = 0.7;
const PER_MINUTE: f64 = 400.0;
/// … or more than are kept with their time, at that rate, however few the seconds: of the same
/// channels those of terminations only. One bad contact had 3524.
const MANY: u64 = Aftermath::KEPT as u64;
/// A module that leaves a bus for its errors is back after a second or so, and leaves again. What
/// is lost for longer on average, or is not back, has a cause of its own; so have a few losses in
/// all.
const BRIEF: f64 = 1.5;
const OFTEN: usize = 5;

/// The symptom of a channel whose errors have no end, and are no one sender's.
pub fn symptom(analysis: &Analysis, channel: ChannelIndex, named: &Named) -> Option<Symptom> {
    let own = analysis.channel(channel);
    let (errors, seconds) = (own.tally.errors as f64, own.tally.seconds as f64);
    let length = analysis.length().max(1.0);
    let rate = errors / length * 60.0;
    let throughout = seconds >= SECONDS * length || own.tally.errors > MANY;
    let first = own.errors.iter().find(|event| event.frame.is_about_the_bus())?.frame;
    if !throughout || rate < PER_MINUTE || !named.are_of_the_bus() {
        return None;
    }
    let (count, seconds) = (own.tally.errors, own.tally.seconds);
    let fact = Fact::ErrorsThroughout { count, seconds, first };
    let signs = [Sign::ErrorKind(ErrorKind::Frequent(rate)), named.sign_of_all()];
    Some(Symptom::new(Subject::Channel(channel), fact).with_signs(signs))
}

/// Marks what is lost briefly, time and again, on a bus whose errors have no end: how many are lost
/// each time says nothing then.
pub fn mark(analysis: &Analysis, out: &mut [Symptom]) {
    let throughout = |own: &&Symptom| matches!(own.fact, Fact::ErrorsThroughout { .. });
    let buses: Vec<Subject> =
        out.iter().filter(throughout).map(|own| own.subject.clone()).collect();
    for bus in buses {
        let brief = |own: &Symptom| match own.fact {
            Fact::NodeSilent(lost) | Fact::NodesSilent(lost) => {
                let is_brief = !lost.ongoing && lost.seconds <= BRIEF * lost.times as f64;
                (is_brief && bus.covers(&own.subject, analysis)).then_some(lost.times)
            }
            _ => None,
        };
        if out.iter().filter_map(brief).sum::<usize>() < OFTEN {
            continue;
        }
        for symptom in out.iter_mut().filter(|own| brief(own).is_some()) {
            symptom.setting = Setting::InTurn;
            symptom.signs.retain(|sign| !matches!(sign, Sign::Share { .. }));
        }
    }
}
