//! What a module is called. A module is known by its place: the channel it was heard on and what
//! it answers by. Its name is made from that and from what it calls itself; nothing is ever looked
//! up by a name.

use std::fmt;

use lostnode_parsers::j1939;

use super::diagnosis::{IdentityEntry, IdentityProblem};
use super::subject::{Subject, Unheard};
use super::{Analysis, Basis, Channel, Identifier, Node};
use crate::capture::ChannelIndex;
use crate::fold::diagnostics::{Module, Party};
use crate::fold::j1939::J1939;
use crate::ids::{IdIndex, NodeIndex};
use crate::network::common_address;

/// The name of a module: `0x7E8 (ECM-EngineControl)`, with the channel before it where there are
/// several.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct ModuleName {
    /// Channel, where the capture has several.
    pub channel: Option<String>,
    /// What it answers by.
    pub party: Party,
    /// What the roster calls the node that answers by it, or else what it calls itself, or else the
    /// usual name of its address (SAE J1939, preferred addresses).
    pub called: Option<String>,
}

impl ModuleName {
    /// Whether two names, of one capture or of two, stand for the same place.
    pub fn is_same_place(&self, other: &ModuleName) -> bool {
        self.channel == other.channel && self.party == other.party
    }
}

impl fmt::Display for ModuleName {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        if let Some(channel) = &self.channel {
            write!(f, "{channel} ")?;
        }
        match &self.called {
            Some(called) => write!(f, "{} ({called})", self.party),
            None => write!(f, "{}", self.party),
        }
    }
}

impl Analysis {
    /// What a module is called.
    ///
    /// ```
    /// use lostnode::analysis::{Analysis, Channel, J1939};
    /// use lostnode::fold::diagnostics::{Module, Party};
    /// let brakes = Module { channel: 0, party: Party::Address(0x0B) };
    /// let name = |j1939| {
    ///     let channels = vec![Channel { j1939, ..Channel::default() }];
    ///     Analysis { channels, ..Analysis::default() }.module_name(brakes).to_string()
    /// };
    /// assert_eq!(name(J1939::Yes), "address 0x0B (brakes, system controller)");
    /// // On a car an address is what its maker says.
    /// assert_eq!(name(J1939::No), "address 0x0B");
    /// ```
    pub fn module_name(&self, module: Module) -> ModuleName {
        let addressed = self.has_addresses(module.channel);
        let own = self.diagnosis.identity.iter().find(|entry| entry.module == module);
        let usual = || match module.party {
            Party::Address(address) if addressed => j1939::address_name(address).map(str::to_owned),
            _ => None,
        };
        ModuleName {
            channel: (self.channels.len() > 1).then(|| self.channel(module.channel).name.clone()),
            party: module.party,
            called: self
                .joined(module)
                .map(|node| self.nodes[node].name.clone())
                .or_else(|| own.and_then(|entry| entry.name.clone()))
                .or_else(usual),
        }
    }
}

impl Analysis {
    /// What a node is called. One that has only an address for a name gets the usual name of that
    /// address beside it, which also tells what to be careful of.
    pub fn node_name(&self, node: NodeIndex) -> String {
        let name = &self.nodes[node].name;
        let usual = self
            .source_address(node)
            .filter(|address| *name == Party::Address(*address).to_string())
            .and_then(j1939::address_name);
        match usual {
            Some(usual) => format!("{name} ({usual})"),
            None => name.clone(),
        }
    }

    /// Whether it is known what a node is: somebody gave it a name, or its address has one. A name
    /// made of an identifier or an address says nothing.
    pub fn is_known(&self, node: NodeIndex) -> bool {
        let Node { name, ids, confidence, .. } = &self.nodes[node];
        // What stands for missing identifiers has none that was heard, and is a guess.
        if ids.is_empty() && *confidence < 1.0 {
            return false;
        }
        let address = || self.source_address(node).and_then(j1939::address_name);
        match name.strip_prefix("address 0x") {
            Some(_) => address().is_some(),
            None => !name.starts_with("node of 0x"),
        }
    }

    fn has_addresses(&self, channel: ChannelIndex) -> bool {
        has_addresses(&self.channels, channel)
    }

    /// The source address that all identifiers of a node carry (SAE J1939-21, 5.2); `None` where
    /// the channel does not speak SAE J1939, or they carry several.
    pub fn source_address(&self, node: NodeIndex) -> Option<u8> {
        source_address(&self.nodes[node], &self.identifiers, &self.channels)
    }

    /// The node that the roster joins with a module.
    fn joined(&self, module: Module) -> Option<NodeIndex> {
        let mut all = (0..self.nodes.len()).map(NodeIndex);
        all.find(|node| self.nodes[*node].answers.contains(&module))
    }

    /// Whether what stands for a module is the address of units that have none (SAE J1939-81).
    pub fn is_nobody(&self, module: Module) -> bool {
        module.party == Party::Address(j1939::NULL_ADDRESS) && self.has_addresses(module.channel)
    }

    /// Whether all that is wrong with the identification of something is that two units are set to
    /// its address, or that it has none because of that.
    pub fn is_address_conflict(&self, subject: &Subject) -> bool {
        let is_of = |module: Module| match subject {
            Subject::Node(node) => self.node_of(module) == Some(*node),
            Subject::Module(Unheard::Asked(own)) => *own == module,
            _ => false,
        };
        let problems = |own: &IdentityEntry| {
            !own.problems.is_empty() && own.problems.iter().all(IdentityProblem::is_of_an_address)
        };
        self.diagnosis.identity.iter().any(|own| problems(own) && is_of(own.module))
    }

    /// The node that sends an identifier, where the source address in it tells.
    pub fn at_address(&self, id: IdIndex) -> Option<NodeIndex> {
        let node = self.identifiers[id].node?;
        self.nodes[node].basis.contains(&Basis::Address).then_some(node)
    }

    /// The node that a module is: the one that the roster says, or that sends from the address it
    /// answers by.
    pub fn node_of(&self, module: Module) -> Option<NodeIndex> {
        if let Some(node) = self.joined(module) {
            return Some(node);
        }
        let Party::Address(address) = module.party else { return None };
        (0..self.nodes.len()).map(NodeIndex).find(|node| {
            self.nodes[*node].channel == module.channel
                && self.source_address(*node) == Some(address)
        })
    }
}

/// Whether the channel speaks SAE J1939, so that its identifiers carry addresses with usual names.
fn has_addresses(channels: &[Channel], channel: ChannelIndex) -> bool {
    let channel = channels.get(usize::from(channel));
    channel.is_some_and(|channel| channel.j1939 == J1939::Yes)
}

/// The source address of each node, where it has one.
pub(super) fn source_addresses(
    nodes: &[Node],
    identifiers: &[Identifier],
    channels: &[Channel],
) -> Vec<Option<u8>> {
    nodes.iter().map(|node| source_address(node, identifiers, channels)).collect()
}

fn source_address(node: &Node, identifiers: &[Identifier], channels: &[Channel]) -> Option<u8> {
    if !has_addresses(channels, node.channel) {
        return None;
    }
    let heard = node.ids.iter().map(|at| identifiers[at.0].id);
    common_address(heard.chain(node.never_heard.iter().copied()))
}
