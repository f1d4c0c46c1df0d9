//! Modules of which others say that they do not fit.

use std::collections::BTreeSet;

use super::{Symptom, Told};
use crate::analysis::blame::Missed;
use crate::analysis::symptom::Fact;

impl Told<'_> {
    /// Modules of which others say, who miss them, that their software does not fit.
    pub(super) fn misfits(&self) -> Vec<Symptom> {
        let codes = &self.analysis.diagnosis.codes;
        let all: BTreeSet<&Missed> = codes.iter().filter_map(|code| code.misfit.as_ref()).collect();
        let symptom = |missed: &Missed| {
            let blame = &self.analysis.diagnosis.blame;
            let row = blame.iter().position(|row| row.missed == *missed)?;
            let own = self.codes(|code| code.misfit.as_ref() == Some(missed));
            let subject = self.place_of_missed(&blame[row]);
            Some(Symptom::new(subject, Fact::Misfit(row)).with_codes(self.analysis, own))
        };
        all.into_iter().filter_map(symptom).collect()
    }
}
