//! A first guess at a wiring file: nodes that were lost together may hang on one element.

use std::collections::BTreeMap;

use crate::analysis::{Analysis, Cause, Scope};
use crate::ids::NodeIndex;
use crate::wiring_file::{Carries, ElementKind};

/// What nodes that were lost together may have in common.
#[derive(Clone, Debug, PartialEq)]
pub struct Guess {
    /// What it may be.
    pub kind: ElementKind,
    /// What it would carry.
    pub carries: Carries,
    /// The nodes, ascending.
    pub nodes: Vec<NodeIndex>,
    /// How often they were lost together.
    pub times: usize,
}

/// Guesses from the losses of a capture: nodes that started anew share a supply or a ground, of
/// which a ground is the likelier; nodes that ran on share a splice of the bus; where nothing
/// tells, a plug that carries all.
pub fn guesses(analysis: &Analysis) -> Vec<Guess> {
    let mut sets: BTreeMap<Vec<NodeIndex>, [usize; 3]> = BTreeMap::new();
    for outage in analysis.lost().filter(|outage| outage.scope == Scope::Branch) {
        let mut nodes = outage.nodes.clone();
        nodes.sort_unstable();
        let counts = sets.entry(nodes).or_default();
        counts[0] += 1;
        counts[1] += usize::from(outage.cause == Cause::LostPower);
        counts[2] += usize::from(outage.cause == Cause::OpenCircuit);
    }
    let guess = |(nodes, [times, anew, ran_on]): (Vec<NodeIndex>, [usize; 3])| {
        let (kind, carries) = match () {
            () if anew > ran_on => {
                (ElementKind::Ground, Carries { ground: true, ..Carries::default() })
            }
            () if ran_on > anew => {
                (ElementKind::Splice, Carries { bus: true, ..Carries::default() })
            }
            () => (ElementKind::Connector, Carries { supply: true, ground: true, bus: true }),
        };
        Guess { kind, carries, nodes, times }
    };
    sets.into_iter().map(guess).collect()
}
