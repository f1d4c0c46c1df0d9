//! Whom a code misses: by its name in the tables, or on a bus of SAE J1939 by the source address.

use std::collections::BTreeSet;

use lostnode_parsers::j1939;

use crate::analysis::Node;
use crate::analysis::blame::Missed;
use crate::capture::ChannelIndex;
use crate::fold::diagnostics::meaning::{self, ParameterAbout};
use crate::fold::diagnostics::{CodeNumber, Module, Party};

/// Failure modes: abnormal update rate, received network data in error (SAE J1939-73, appendix A).
const LATE: u8 = 9;
pub(super) const IN_ERROR: u8 = 19;

/// An address that not every vehicle uses for what it is preferred for, as many restraints have one
/// of their own: where nobody sends from it, the name alone does not tell.
const PERHAPS: u8 = 0x53;

/// What is known of the senders when codes are read.
pub(super) struct Names {
    /// Source addresses that were heard or that the roster expects.
    senders: BTreeSet<(ChannelIndex, u8)>,
    /// Names in codes that the roster gives to a node.
    told: BTreeSet<String>,
}

impl Names {
    /// Of the nodes, whose source addresses are given, where they have one (SAE J1939).
    pub(super) fn new(nodes: &[Node], addresses: &[Option<u8>]) -> Self {
        let sender = |(node, address): (&Node, &Option<u8>)| Some((node.channel, (*address)?));
        Names {
            senders: nodes.iter().zip(addresses).filter_map(sender).collect(),
            told: nodes.iter().flat_map(|node| node.missed_as.iter().cloned()).collect(),
        }
    }

    /// Who is missed by a code, where it says so.
    pub(super) fn missed(&self, module: Module, number: CodeNumber) -> Option<Missed> {
        let Some(address) = self.address(module, number) else {
            return named(number).map(|name| Missed(name.to_owned()));
        };
        let usual = j1939::address_name(address).unwrap_or_default();
        let usual = if usual.is_empty() { String::new() } else { format!(" ({usual})") };
        Some(Missed(format!("{}{usual}", Party::Address(address))))
    }

    /// The source address that a code says is not heard: that of its parameter with an abnormal
    /// update rate or received data in error (failure modes 9 and 19; SAE J1939-73), or with the
    /// former that of the only module that sends it; or the one that SAE J1939 prefers for the
    /// module that it names, unless a roster says who that is.
    pub(super) fn address(&self, module: Module, number: CodeNumber) -> Option<u8> {
        match number {
            CodeNumber::SpnFmi { spn, fmi: fmi @ (LATE | IN_ERROR) } => {
                match meaning::suspect_parameter(spn)?.1 {
                    ParameterAbout::Module(at) => Some(at),
                    // What comes and says that it is in error was sent.
                    ParameterAbout::SentBy(at) => (fmi == LATE).then_some(at),
                    _ => None,
                }
            }
            CodeNumber::SpnFmi { .. } => None,
            CodeNumber::Code(_) => {
                let name = named(number).filter(|name| !self.told.contains(*name))?;
                let address = meaning::preferred_address(name)?;
                let by_address = matches!(module.party, Party::Address(_))
                    && self.senders.iter().any(|(channel, _)| *channel == module.channel);
                let sure = address != PERHAPS || self.senders.contains(&(module.channel, address));
                (by_address && sure).then_some(address)
            }
        }
    }
}

/// The name in the tables of the module that a code misses.
fn named(number: CodeNumber) -> Option<&'static str> {
    match number {
        CodeNumber::Code(code) => meaning::of(code)?.missed(),
        CodeNumber::SpnFmi { .. } => None,
    }
}
