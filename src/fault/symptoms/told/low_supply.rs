//! The one module that says that its supply is low, and who it is.

use super::{Symptom, Told};
use crate::analysis::blame::Blame;
use crate::analysis::diagnosis::{CodeAge, Module};
use crate::analysis::symptom::Fact;
use crate::fold::diagnostics::{CodeNumber, meaning};

impl Told<'_> {
    /// The one module that says now that its supply is low, and its codes: of a weak battery others
    /// would tell too.
    fn weak(&self) -> Option<(Module, Vec<usize>)> {
        let own = self.codes(|code| {
            matches!(code.number, CodeNumber::Code(number) if meaning::is_supply(number))
                && code.age <= CodeAge::Recent
                && code.gone.is_none()
                && code.event.is_none()
        });
        let module_of = |at: &usize| self.analysis.diagnosis.codes[*at].module;
        let module = module_of(own.first()?);
        own.iter().all(|at| module_of(at) == module).then_some((module, own))
    }

    pub(super) fn low_supply(&self) -> Option<Symptom> {
        let (module, own) = self.weak()?;
        let symptom = Symptom::new(self.place(module, true), Fact::LowSupply(module));
        Some(symptom.with_codes(self.analysis, own))
    }

    /// The module that is missed by the only name that anybody misses, where one alone says that
    /// its supply is low, and misses nobody itself: it starts anew, and is missed meanwhile (of
    /// invented vehicles 10 of 10; six sets of five worlds by others).
    pub(super) fn restarts(&self, row: &Blame) -> Option<Module> {
        let [_] = self.analysis.diagnosis.blame[..] else { return None };
        let (module, _) = self.weak()?;
        let misses = row.reporters.iter().any(|own| own.party == module.party);
        (!misses).then_some(module)
    }
}
