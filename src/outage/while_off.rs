//! What falls silent and is back while much of its channel is switched off: nothing tells whether
//! it was switched off too, for less long, or failed just then.

use std::collections::{BTreeMap, BTreeSet};

use super::facts::TAKEN_BY_KEY;
use super::lawful::{Doubt, Why};
use super::{Cause, Evidence, Observed, Outage, Scope};
use crate::ids::IdIndex;

/// Doubts losses that lie within a key-off, unless a code of this drive misses a module, the same
/// was lost another time too, or it ran on unheard: who is switched off keeps no phase.
pub(super) fn doubt(observed: &Observed<'_>, lost: &mut [Outage], lawful: &[Outage]) {
    let mut losses: BTreeMap<IdIndex, usize> = BTreeMap::new();
    let ids_of = |own: &Outage| own.ids.iter().copied().collect::<BTreeSet<_>>();
    lost.iter().flat_map(ids_of).for_each(|id| *losses.entry(id).or_default() += 1);
    let once = |own: &Outage| !own.ids.is_empty() && own.ids.iter().all(|id| losses[id] == 1);
    let within = |own: &Outage| {
        let holds = |off: &&Outage| {
            off.cause == Cause::SwitchedOff
                && off.channel == own.channel
                && off.ids.len() >= TAKEN_BY_KEY
                && off.start <= own.start
                && own.end <= off.end
        };
        lawful.iter().find(holds).map(|off| off.ids.len())
    };
    // Whether the engine ran on the key-off around it has told already.
    let may_be = |own: &Outage| {
        own.scope <= Scope::Branch
            && !own.ongoing
            && !matches!(own.cause, Cause::OpenCircuit | Cause::LostAddress)
            && !observed.misses_a_module_since(own.start)
            && once(own)
    };
    let doubtful: Vec<Option<usize>> =
        lost.iter().map(|own| within(own).filter(|_| may_be(own))).collect();
    for (own, identifiers) in lost.iter_mut().zip(doubtful) {
        let Some(identifiers) = identifiers else { continue };
        own.benign = true;
        own.doubt = Some(Doubt::KeyOrSupply);
        own.evidence.retain(|own| !matches!(own, Evidence::Why(_)));
        own.evidence.push(Evidence::Why(Why::WhileOthersOff { identifiers }));
    }
}
