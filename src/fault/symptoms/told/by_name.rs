//! Modules that codes name, of which nothing was heard (SAE J2012-DA): where several are missed
//! now, one supply or one branch is likelier behind it than a fault in each.

use std::collections::BTreeSet;

use super::{Symptom, codes_of, is_failing, names_gateway};
use crate::analysis::Analysis;
use crate::analysis::blame::{Blame, Frames};
use crate::analysis::diagnosis::Module;
use crate::analysis::subject::{Subject, Unheard};
use crate::analysis::symptom::Fact;
use crate::capture::ChannelIndex;

/// From so many on something that they share is in question.
const SEVERAL: usize = 2;

/// Marks what is missed together: failing now, by names that no node of the capture is left for,
/// and told of on one bus, where no node was lost that may be one of them. Where a gateway is
/// missed too, all that lies behind it is; and a module of another vehicle stands in the place of
/// one of them. Of ten such sets of invented vehicles nine were of one cause, and none of 40
/// gateways left one (four sets of two worlds by others).
pub(super) fn mark(analysis: &Analysis, strangers: &[Module], symptoms: &mut [Symptom]) {
    let row = |symptom: &Symptom| match symptom.fact {
        Fact::MissedByOthers(row) => Some(&analysis.diagnosis.blame[row]),
        _ => None,
    };
    let fails = |row: &&Blame| is_failing(analysis, row);
    let lost = analysis.lost().any(|outage| !outage.nodes.is_empty());
    if lost
        || !strangers.is_empty()
        || symptoms.iter().filter_map(row).filter(fails).any(names_gateway)
    {
        return;
    }
    let named = |symptom: &Symptom| {
        let row = row(symptom).filter(fails)?;
        let unheard = matches!(row.frames, Frames::NotKnown | Frames::NoSender);
        let Subject::Module(module) = &symptom.subject else { return None };
        let own = unheard && symptom.missed_with.is_empty() && !is_by_address(analysis, row);
        own.then(|| (module.clone(), told_on(row)))
    };
    let all: Vec<(Unheard, BTreeSet<ChannelIndex>)> = symptoms.iter().filter_map(named).collect();
    let Some((_, first)) = all.first() else { return };
    let shared = first.iter().any(|bus| all.iter().all(|(_, own)| own.contains(bus)));
    let mut modules: Vec<Unheard> = all.iter().map(|(module, _)| module.clone()).collect();
    modules.sort_unstable();
    modules.dedup();
    if modules.len() < SEVERAL || !shared {
        return;
    }
    for symptom in symptoms.iter_mut().filter(|symptom| named(symptom).is_some()) {
        symptom.missed_with.clone_from(&modules);
    }
}

/// The buses on which modules tell of it.
fn told_on(row: &Blame) -> BTreeSet<ChannelIndex> {
    row.reporters.iter().map(|module| module.channel).collect()
}

/// Whether a code of it says an address: then that is its name (`by_address`).
fn is_by_address(analysis: &Analysis, row: &Blame) -> bool {
    let codes = codes_of(analysis, row);
    codes.into_iter().any(|at| analysis.diagnosis.codes[at].missed_address.is_some())
}
