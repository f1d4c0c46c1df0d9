//! Whether a channel speaks SAE J1939. Any maker may use identifiers of 29 bits as he likes, so
//! that a byte of them is an address, and a group is what a standard calls it, only where the
//! traffic shows it.

use std::collections::BTreeSet;

use lostnode_parsers::Id;
use lostnode_parsers::j1939::{ADDRESS_CLAIMED, Fields, is_everyday};

use super::timing::Timing;

/// Whether a channel speaks SAE J1939.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub enum J1939 {
    /// It has its groups: the lowest byte of an identifier is the address of its sender.
    Yes,
    /// Its identifiers are built alike, but it has none of the groups that everybody sends. What a
    /// maker does with identifiers of his own need not be an address.
    FormOnly,
    /// It does not, or has no identifiers of 29 bits.
    #[default]
    No,
}

/// By channel.
pub fn of(timing: &Timing) -> Vec<J1939> {
    let mut ids = vec![Vec::new(); timing.channels.len()];
    for id in &timing.ids {
        if let (Id::Extended(extended), Some(ids)) =
            (id.key.id, ids.get_mut(usize::from(id.key.channel)))
        {
            ids.push(extended.as_raw());
        }
    }
    ids.iter().map(|ids| judge(ids)).collect()
}

/// Bit 25: the extended data page, which SAE J1939 leaves to ISO 15765-3.
const EXTENDED_PAGE: u32 = 1 << 25;

/// Whether an identifier is of diagnosis by address (ISO 15765-2), which cars have too.
pub(crate) fn is_diagnosis(raw: u32) -> bool {
    matches!(raw >> 16 & 0x3FF, 0xDA | 0xDB | 0xCD | 0xCE)
}

/// The message of an identifier, where its channel speaks SAE J1939: its number without the
/// priority, which is no part of the group or of an address (SAE J1939-21, from memory).
pub(crate) fn message(speaks: J1939, id: Id) -> Option<u32> {
    const WITHOUT_PRIORITY: u32 = (1 << 26) - 1;
    let Id::Extended(id) = id else { return None };
    (speaks == J1939::Yes).then(|| id.as_raw() & WITHOUT_PRIORITY)
}

fn judge(ids: &[u32]) -> J1939 {
    let heard: BTreeSet<u8> = ids.iter().map(|raw| *raw as u8).collect();
    let ids = || ids.iter().copied().filter(|raw| !is_diagnosis(*raw));
    let all = ids().count();
    let formed: Vec<Fields> =
        ids().filter(|raw| has_form(*raw, &heard)).filter_map(fields).collect();
    // 29 bits at random have the form in one of twenty cases; on trucks nine of ten have it, for
    // makers use some of the other formats. Where units claim addresses and send from them, the
    // share does not matter: no other standard has that, and two by chance are no such pair.
    let claimed = claimed(&formed);
    if all == 0 || claimed < CLAIMED && formed.len() * 5 < all * 4 {
        return J1939::No;
    }
    let everyday = |fields: &&Fields| is_everyday(fields.pgn);
    let known: BTreeSet<u32> = formed.iter().filter(everyday).map(|fields| fields.pgn).collect();
    let priorities: BTreeSet<u8> = ids().map(|raw| (raw >> 26) as u8).collect();
    // One group of a hundred may be there by chance, three are not; a filtered recording has few.
    let speaks = known.len() >= 3 && priorities.len() >= 2
        || known.contains(&ADDRESS_CLAIMED)
        || known.len() >= 2 && all <= 6
        || formed.iter().filter(everyday).count() == all;
    if speaks { J1939::Yes } else { J1939::FormOnly }
}

/// So many units that claim their addresses and send from them are proof.
const CLAIMED: usize = 2;

/// How many addresses are claimed for all to hear, and have messages of their own.
fn claimed(formed: &[Fields]) -> usize {
    let claims = |own: &&Fields| own.pgn == ADDRESS_CLAIMED && own.destination.is_none();
    let speaks = |address: u8| {
        formed.iter().any(|other| other.source == address && other.pgn != ADDRESS_CLAIMED)
    };
    let addresses: BTreeSet<u8> = formed.iter().filter(claims).map(|own| own.source).collect();
    addresses.into_iter().filter(|address| speaks(*address)).count()
}

fn fields(raw: u32) -> Option<Fields> {
    lostnode_parsers::ExtendedId::new(raw).map(Fields::of)
}

/// Formats of groups for a single unit or for all that are in common use: control (00 torque and
/// speed, 01, 02 transmission, 04, 09 steering and brakes); of ISO 11992-2 02 and 03; of ISO 11783
/// AA and AB file server, AC and AD guidance, C7 and C8 extended transport, CB process data, E6 and
/// E7 virtual terminal (parts 13, 7, 3, 10, 6). From memory.
const TO_ONE: [u8; 15] =
    [0x00, 0x01, 0x02, 0x03, 0x04, 0x09, 0xAA, 0xAB, 0xAC, 0xAD, 0xC7, 0xC8, 0xCB, 0xE6, 0xE7];

/// Whether an identifier is built as SAE J1939-21 builds them: a group for all, or one of those
/// for a single unit that are in common use, to all or to a unit that is there.
fn has_form(raw: u32, heard: &BTreeSet<u8>) -> bool {
    let (format, specific) = ((raw >> 16) as u8, (raw >> 8) as u8);
    raw & EXTENDED_PAGE == 0
        && match format {
            0xF0.. => true,
            // Stop and start of broadcasts, acknowledgement, request, transport, address claim,
            // proprietary.
            0xDF | 0xE8..=0xEC | 0xEE | 0xEF => true,
            _ => TO_ONE.contains(&format) && (specific == 0xFF || heard.contains(&specific)),
        }
}
