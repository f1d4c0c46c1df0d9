//! Modules that were never heard and are missed together: something that they share may be behind
//! it.

use std::collections::BTreeSet;

use super::Symptom;
use crate::analysis::subject::Unheard;
use crate::capture::ChannelIndex;

/// From so many on something that they share is in question.
pub(super) const SEVERAL: usize = 2;

/// Whether each is told of on one bus: a module may tell the same on two of its buses.
pub(super) fn share_a_bus<'a>(
    all: impl Iterator<Item = &'a BTreeSet<ChannelIndex>> + Clone,
) -> bool {
    let first = all.clone().next();
    first.is_some_and(|first| first.iter().any(|bus| all.clone().all(|own| own.contains(bus))))
}

/// Tells each symptom of these modules of the others, where they are several.
pub(super) fn mark_together(
    symptoms: &mut [Symptom],
    module: impl Fn(&Symptom) -> Option<Unheard>,
) {
    let mut all: Vec<Unheard> = symptoms.iter().filter_map(&module).collect();
    all.sort_unstable();
    if all.len() < SEVERAL {
        return;
    }
    for symptom in symptoms.iter_mut().filter(|symptom| module(symptom).is_some()) {
        symptom.missed_with.clone_from(&all);
    }
}
