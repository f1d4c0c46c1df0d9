//! Senders by the source address in a 29-bit identifier, where the channel speaks SAE J1939.

use std::collections::BTreeMap;

use lostnode_parsers::Id;
use lostnode_parsers::j1939::NULL_ADDRESS;

use super::{Basis, Found, Node};
use crate::capture::ChannelIndex;
use crate::fold::j1939::{self, J1939};
use crate::fold::timing::{IdTiming, Timing};
use crate::ids::IdIndex;

/// By identifier, whether its lowest byte is the address of its sender.
pub(super) fn addressed(timing: &Timing) -> Vec<bool> {
    let speaks = j1939::of(timing);
    let addressed = |id: &IdTiming| {
        matches!(id.key.id, Id::Extended(_))
            && speaks.get(usize::from(id.key.channel)) == Some(&J1939::Yes)
    };
    timing.ids.iter().map(addressed).collect()
}

/// Senders of identifiers with an address, by channel and address.
pub(super) fn nodes(timing: &Timing, addressed: &[bool]) -> Vec<Node> {
    let mut groups: BTreeMap<(ChannelIndex, u8), Vec<IdIndex>> = BTreeMap::new();
    for (at, id) in timing.ids.iter().enumerate() {
        // From the null address units say that they have none: nobody is there.
        if let (Id::Extended(extended), true) = (id.key.id, addressed[at])
            && extended.as_raw() as u8 != NULL_ADDRESS
        {
            groups.entry((id.key.channel, extended.as_raw() as u8)).or_default().push(IdIndex(at));
        }
    }
    let node = |((channel, address), ids)| Node {
        name: format!("address 0x{address:02X}"),
        channel,
        ids,
        basis: vec![Basis::Address],
        // The standard says so; two units behind one address, or an address used twice, are
        // possible.
        confidence: 0.95,
        heard: true,
        ..Node::default()
    };
    groups.into_iter().map(node).collect()
}

/// The source address that all of these identifiers have.
pub(crate) fn common_address(ids: impl Iterator<Item = Id>) -> Option<u8> {
    let mut addresses = ids.map(|id| match id {
        Id::Extended(id) => Some(id.as_raw() as u8),
        Id::Standard(_) => None,
    });
    let first = addresses.next()??;
    addresses.all(|address| address == Some(first)).then_some(first)
}

/// The one node of the roster whose identifiers all have the address of this node: the sender of
/// what the roster does not have is the same (SAE J1939-21, 5.2).
pub(super) fn owner(timing: &Timing, of_roster: &[Found], node: &Node) -> Option<usize> {
    if node.basis != [Basis::Address] {
        return None;
    }
    let address = common_address(node.ids.iter().map(|id| timing.ids[*id].key.id))?;
    let has_it = |at: &usize| {
        let found = &of_roster[*at];
        found.address == Some(address) && found.node.channel == node.channel
    };
    let mut owners = (0..of_roster.len()).filter(has_it);
    let owner = owners.next()?;
    owners.next().is_none().then_some(owner)
}

/// The node that sends from the address of one of which the roster expects other identifiers: by
/// the standard the address is the sender, whatever it sends.
pub(super) fn same<'f>(
    timing: &Timing,
    silent: &Found,
    nodes: &'f mut [Found],
) -> Option<&'f mut Found> {
    let address = silent.address?;
    nodes.iter_mut().find(|found| {
        found.expected.is_none()
            && found.node.basis == [Basis::Address]
            && found.node.channel == silent.node.channel
            && common_address(found.node.ids.iter().map(|id| timing.ids[*id].key.id))
                == Some(address)
    })
}
