//! Messages that one module waits for and that do not come, where nothing tells whose they are.

use std::collections::BTreeMap;

use super::Told;
use crate::analysis::diagnosis::{CodeAge, CodeEntry, CodeNumber, Module};
use crate::analysis::symptom::Fact;
use crate::fault::symptoms::Symptom;
use crate::fold::diagnostics::meaning::{ParameterAbout, suspect_parameter};

/// Abnormal update rate (SAE J1939-73, appendix A).
const LATE: u8 = 9;
/// So many: a single one may be of its sender, several have something in common.
const SEVERAL: usize = 3;

impl Told<'_> {
    /// Modules that say so of several messages now. What was lost on this bus would be behind them.
    pub(super) fn miss_messages(&self) -> Vec<Symptom> {
        if self.troubled {
            return Vec::new();
        }
        let mut all: BTreeMap<Module, Vec<usize>> = BTreeMap::new();
        for at in self.codes(is_of_a_message) {
            all.entry(self.analysis.diagnosis.codes[at].module).or_default().push(at);
        }
        let symptom = |(module, codes): (Module, Vec<usize>)| {
            let fact = Fact::MissesMessages { module, messages: codes.len() };
            Symptom::new(self.of_module(module), fact).with_codes(self.analysis, codes)
        };
        // Where as many of its own circuits are open or shorted, its connector or its harness is
        // not there: what it misses beside tells nothing of another bus.
        let circuits = |module: Module| {
            let own = |code: &CodeEntry| code.module == module && is_of_a_circuit(code);
            self.codes(own).len()
        };
        all.into_iter()
            .filter(|(module, codes)| codes.len() >= SEVERAL.max(circuits(*module) + 1))
            .map(symptom)
            .collect()
    }
}

/// Whether a code says now that a message does not come, and nothing tells whose that is.
fn is_of_a_message(code: &CodeEntry) -> bool {
    let CodeNumber::SpnFmi { spn, fmi: LATE } = code.number else { return false };
    let of_a_message = matches!(suspect_parameter(spn), None | Some((_, ParameterAbout::Other)));
    of_a_message && code.age == CodeAge::Failing && code.gone.is_none()
}

/// Whether a code says now that a circuit is open or shorted: failure modes 3 to 6.
fn is_of_a_circuit(code: &CodeEntry) -> bool {
    matches!(code.number, CodeNumber::SpnFmi { fmi: 3..=6, .. })
        && code.age == CodeAge::Failing
        && code.gone.is_none()
}
