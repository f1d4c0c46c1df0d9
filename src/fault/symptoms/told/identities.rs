//! Modules of another vehicle, or not configured: by what they say who they are, or by their codes.

use super::Told;
use crate::analysis::diagnosis::{IdentityProblem, Module};
use crate::analysis::symptom::{Fact, Setting};
use crate::fault::symptoms::Symptom;
use crate::fault::symptoms::standing::still_says;
use crate::fault::symptoms::stranger::is_told_elsewhere;

impl Told<'_> {
    /// Modules whose identification is another's, blank or at odds with what is expected.
    pub(super) fn other_identities(&self) -> Vec<Symptom> {
        let entries = self.analysis.diagnosis.identity.iter().enumerate();
        entries
            .filter(|(_, entry)| {
                !entry.problems.is_empty() && !is_told_elsewhere(self.analysis, entry)
            })
            .map(|(at, entry)| {
                let says_so = self.codes(|code| code.unconfigured && code.module == entry.module);
                let subject = self.of_module(entry.module);
                let tied = |own: &IdentityProblem| matches!(own, IdentityProblem::TiedVin(_));
                let setting = match entry.problems.iter().all(tied) {
                    true => Setting::Tied,
                    false => Setting::Usual,
                };
                Symptom { setting, ..Symptom::new(subject, Fact::OtherIdentity(at)) }
                    .with_codes(self.analysis, says_so)
            })
            .collect()
    }

    /// Codes that say so where the identification itself is in order.
    pub(super) fn unconfigured(&self) -> Vec<Symptom> {
        let identity = &self.analysis.diagnosis.identity;
        let known = |module: Module| {
            identity.iter().any(|entry| entry.module == module && !entry.problems.is_empty())
        };
        self.codes(|code| {
            code.unconfigured && still_says(self.analysis, code) && !known(code.module)
        })
        .into_iter()
        .map(|at| {
            let module = self.analysis.diagnosis.codes[at].module;
            let subject = self.of_module(module);
            Symptom::new(subject, Fact::Unconfigured(module)).with_codes(self.analysis, vec![at])
        })
        .collect()
    }
}
