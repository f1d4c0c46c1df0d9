//! Modules that are missed by source address and were never heard (SAE J1939): they are of the bus
//! of those who miss them, not behind a gateway.

use std::collections::BTreeSet;

use super::missed_together::{SEVERAL, mark_together, share_a_bus};
use super::{Symptom, codes_of, is_failing, is_of_here, names_gateway};
use crate::analysis::blame::{Blame, Frames};
use crate::analysis::diagnosis::Module;
use crate::analysis::subject::Subject;
use crate::analysis::symptom::Fact;
use crate::analysis::{Analysis, Identifier};
use crate::capture::ChannelIndex;
use crate::network::common_address;

/// Rows of blame about such modules, several of one bus, that fail. Those who hear one another
/// there miss what ought to be heard there; a gateway has a bus behind it, and its own address is
/// heard or missed too.
pub(super) fn unheard(analysis: &Analysis, strangers: &[Module]) -> Vec<usize> {
    let all = analysis.diagnosis.blame.iter().enumerate();
    let rows: Vec<(usize, &Blame, BTreeSet<ChannelIndex>)> = all
        .filter(|(_, row)| {
            matches!(row.frames, Frames::NotKnown | Frames::NoSender)
                && is_of_here(row, strangers)
                && is_failing(analysis, row)
        })
        .filter_map(|(at, row)| {
            let (address, buses) = missed_address(analysis, row)?;
            (!is_heard_elsewhere(analysis, address, &buses)).then_some((at, row, buses))
        })
        .collect();
    let shared = share_a_bus(rows.iter().map(|(.., buses)| buses));
    let gateway = rows.iter().any(|(_, row, _)| names_gateway(row));
    if rows.len() < SEVERAL || !shared || gateway {
        return Vec::new();
    }
    rows.into_iter().map(|(at, ..)| at).collect()
}

/// The address by which a module is missed, and the buses on which it is.
pub(super) fn missed_address(
    analysis: &Analysis,
    row: &Blame,
) -> Option<(u8, BTreeSet<ChannelIndex>)> {
    let codes = codes_of(analysis, row).into_iter().map(|at| &analysis.diagnosis.codes[at]);
    let missed: Vec<(u8, ChannelIndex)> =
        codes.filter_map(|code| Some((code.missed_address?, code.module.channel))).collect();
    let (address, _) = *missed.first()?;
    Some((address, missed.into_iter().map(|(_, bus)| bus).collect()))
}

/// Whether another bus carries what this address sends: then it runs, and nobody carries it over.
fn is_heard_elsewhere(analysis: &Analysis, address: u8, buses: &BTreeSet<ChannelIndex>) -> bool {
    let of_it = |id: &Identifier| common_address(std::iter::once(id.id)) == Some(address);
    analysis.identifiers.iter().any(|id| of_it(id) && !buses.contains(&id.channel))
}

/// Something that they share may be behind the symptoms of these rows.
pub(super) fn mark(rows: &[usize], symptoms: &mut [Symptom]) {
    let own = |symptom: &Symptom| match (&symptom.fact, &symptom.subject) {
        (Fact::MissedByOthers(row), Subject::Module(module)) if rows.contains(row) => {
            Some(module.clone())
        }
        _ => None,
    };
    mark_together(symptoms, own);
}
