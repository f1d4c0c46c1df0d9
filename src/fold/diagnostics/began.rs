//! Who begins to miss a module while the recording runs.

use std::collections::BTreeSet;

use lostnode_parsers::dtc::Status;

use super::{CodeHistory, Codes, Module, Seen};
use crate::fold::timing::Silence;

impl Codes {
    /// Who told, first at a time within these, that it misses a module, and it failed to hear it
    /// just then: what an earlier list of it did not have.
    pub fn began_to_miss(&self, within: Silence) -> BTreeSet<Module> {
        let began = |own: &CodeHistory| {
            let fails = own.lists.contains(&Seen::Active)
                || own.fault_status.is_some_and(|status| status.0 & Status::TEST_FAILED != 0);
            let first = own.seen.0 > within.start && own.seen.0 <= within.end;
            fails && first && own.absent_before.is_some()
        };
        let own = self.histories.iter();
        own.filter(|((_, number), own)| number.misses_a_module() && began(own))
            .map(|((module, _), _)| *module)
            .collect()
    }
}
