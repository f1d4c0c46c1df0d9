//! Modules that are missed by source address and were never heard (SAE J1939): they are of the bus
//! of those who miss them, not behind a gateway.

use std::collections::BTreeSet;

use lostnode_parsers::Id;
use lostnode_parsers::j1939::Fields;

use super::{Symptom, Told, codes_of, is_failing, is_of_here, names_gateway};
use crate::analysis::Identifier;
use crate::analysis::blame::{Blame, Frames};
use crate::analysis::subject::{Subject, Unheard};
use crate::analysis::symptom::Fact;
use crate::capture::ChannelIndex;

/// From so many on something that they share is in question.
const SEVERAL: usize = 2;

impl Told<'_> {
    /// Rows of blame about such modules, several of one bus, that fail. Those who hear one another
    /// there miss what ought to be heard there; a gateway has a bus behind it, and its own address
    /// is heard or missed too.
    pub(super) fn unheard_here(&self) -> Vec<usize> {
        let unheard = |row: &Blame| {
            matches!(row.frames, Frames::NotKnown | Frames::NoSender)
                && is_of_here(row, &self.strangers)
                && is_failing(self.analysis, row)
                && !self.is_heard_elsewhere(row)
        };
        let blame = self.analysis.diagnosis.blame.iter().enumerate();
        let rows = blame.filter(|(_, row)| unheard(row));
        let rows = rows.map(|(at, row)| (at, names_gateway(row), self.buses_of(row)));
        let rows: Vec<(usize, bool, BTreeSet<ChannelIndex>)> =
            rows.filter(|(.., buses)| !buses.is_empty()).collect();
        let [(_, _, first), ..] = &rows[..] else { return Vec::new() };
        // A module may tell the same on two of its buses.
        let shared = first.iter().any(|bus| rows.iter().all(|(.., own)| own.contains(bus)));
        let gateway = rows.iter().any(|(_, gateway, _)| *gateway);
        if rows.len() < SEVERAL || !shared || gateway {
            return Vec::new();
        }
        rows.into_iter().map(|(at, ..)| at).collect()
    }

    /// Whether another bus carries what this address sends: then it runs, and nobody carries it
    /// over.
    fn is_heard_elsewhere(&self, row: &Blame) -> bool {
        let buses = self.buses_of(row);
        let codes = codes_of(self.analysis, row).into_iter();
        let address =
            codes.filter_map(|at| self.analysis.diagnosis.codes[at].missed_address).next();
        let of_it = |id: &Identifier| match id.id {
            Id::Extended(own) => Some(Fields::of(own).source) == address,
            Id::Standard(_) => false,
        };
        self.analysis.identifiers.iter().any(|id| of_it(id) && !buses.contains(&id.channel))
    }

    /// The buses on which a module is missed by its address.
    fn buses_of(&self, row: &Blame) -> BTreeSet<ChannelIndex> {
        let codes = codes_of(self.analysis, row).into_iter();
        let codes = codes.map(|at| &self.analysis.diagnosis.codes[at]);
        let by_address = codes.filter(|code| code.missed_address.is_some());
        by_address.map(|code| code.module.channel).collect()
    }
}

/// Something that they share may be behind the symptoms of these rows.
pub(super) fn mark(rows: &[usize], symptoms: &mut [Symptom]) {
    let own = |symptom: &Symptom| match (&symptom.fact, &symptom.subject) {
        (Fact::MissedByOthers(row), Subject::Module(module)) if rows.contains(row) => {
            Some(module.clone())
        }
        _ => None,
    };
    let mut all: Vec<Unheard> = symptoms.iter().filter_map(own).collect();
    all.sort_unstable();
    if all.len() < SEVERAL {
        return;
    }
    for symptom in symptoms.iter_mut().filter(|symptom| own(symptom).is_some()) {
        symptom.missed_with.clone_from(&all);
    }
}
