//! Modules that codes name, of which nothing was heard (SAE J2012-DA): where several are missed
//! now, one supply or one branch is likelier behind it than a fault in each.

use std::collections::BTreeSet;

use super::by_address::missed_address;
use super::missed_together::{mark_together, share_a_bus};
use super::{Symptom, is_failing, names_gateway};
use crate::analysis::Analysis;
use crate::analysis::blame::{Blame, Frames};
use crate::analysis::diagnosis::Module;
use crate::analysis::subject::{Subject, Unheard};
use crate::analysis::symptom::Fact;
use crate::capture::ChannelIndex;

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
        // What has an address is known by it (`by_address`).
        let by_name = symptom.missed_with.is_empty() && missed_address(analysis, row).is_none();
        (unheard && by_name).then(|| (row, module.clone()))
    };
    let told_on = |(row, _): (&Blame, Unheard)| -> BTreeSet<ChannelIndex> {
        row.reporters.iter().map(|module| module.channel).collect()
    };
    let buses: Vec<_> = symptoms.iter().filter_map(named).map(told_on).collect();
    if share_a_bus(buses.iter()) {
        mark_together(symptoms, |symptom| Some(named(symptom)?.1));
    }
}
