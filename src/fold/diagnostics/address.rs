//! Addresses that a standard assigns to diagnosis, and what they say of who is speaking.

use lostnode_parsers::Id;
use lostnode_parsers::frame::{make_id, raw_id};

use super::Party;

/// Who sends with an identifier that carries the transport.
#[derive(Clone, Copy, Debug)]
pub(super) struct Route {
    pub from: Party,
    pub to: Party,
    pub from_module: bool,
    /// Address bytes before the protocol byte.
    pub prefix: usize,
    /// Identifier whose flow control answers this one's first frames.
    pub peer: Option<Id>,
}

/// A tester asks all modules at once by it (ISO 15765-4:2016, 6.3.2).
pub(crate) const EVERYONE: u32 = 0x7DF;

/// Whether a tester asks all modules at once by an identifier: what it sends so is one frame at a
/// time, and never a download (ISO 15765-4:2016, 6.3.2; SAE J1939-21, requests).
pub(crate) fn asks_everyone(id: Id) -> bool {
    match id {
        Id::Standard(_) => raw_id(id) == EVERYONE,
        Id::Extended(_) => matches!(raw_id(id) >> 8, 0x18_DB33 | 0x18_EAFF),
    }
}

/// Whether modules answer by this identifier of 11 bits when they are asked about emissions (ISO
/// 15765-4:2016, 6.3.2).
pub(crate) fn answers_about_emissions(id: Id) -> bool {
    matches!(id, Id::Standard(id) if (0x7E8..=0x7EF).contains(&id.as_raw()))
}

/// Request identifier that usually belongs to a response identifier: 8 below it (ISO 15765-4 for
/// 7E8 to 7EF; common practice elsewhere).
pub(super) fn usual_request(response: Id) -> Option<Id> {
    match response {
        Id::Standard(id) if id.as_raw() & 8 != 0 => make_id(u32::from(id.as_raw()) - 8, false),
        _ => None,
    }
}

/// F0 to FD are testers as a rule; a maker may have given such an address to a module.
fn is_tester(address: u8) -> bool {
    (0xF0..=0xFD).contains(&address)
}

/// The external test equipment (ISO 15765-4:2016, 6.3.3): whoever answers it is a module.
fn is_the_tester(address: u8) -> bool {
    address == 0xF1
}

/// Addresses that a standard assigns to diagnosis.
pub(super) fn by_address(id: Id, data: &[u8]) -> Option<Route> {
    let raw = raw_id(id);
    let other = |raw: u32, extended: bool| make_id(raw, extended);
    match id {
        // ISO 15765-4:2016, 6.3.2.
        Id::Standard(_) => match raw {
            EVERYONE => Some(Route {
                from: Party::Id(id),
                to: Party::Everyone,
                from_module: false,
                prefix: 0,
                peer: None,
            }),
            0x7E0..=0x7E7 => {
                let module = other(raw + 8, false)?;
                Some(Route {
                    from: Party::Id(id),
                    to: Party::Id(module),
                    from_module: false,
                    prefix: 0,
                    peer: Some(module),
                })
            }
            _ if answers_about_emissions(id) => {
                let tester = other(raw - 8, false)?;
                Some(Route {
                    from: Party::Id(id),
                    to: Party::Id(tester),
                    from_module: true,
                    prefix: 0,
                    peer: Some(tester),
                })
            }
            _ => None,
        },
        // ISO 15765-2:2016, 10.3.3 and 10.3.5: normal fixed and mixed addressing.
        Id::Extended(_) => {
            let (format, target, source) = (raw >> 16 & 0x3FF, (raw >> 8) as u8, raw as u8);
            let (prefix, functional) = match format {
                0xDA => (0, false),
                0xDB => (0, true),
                0xCE => (1, false),
                0xCD => (1, true),
                _ => return None,
            };
            if data.len() <= prefix {
                return None;
            }
            let peer = other(raw & 0x1FFF_0000 | u32::from(source) << 8 | u32::from(target), true);
            Some(Route {
                from: Party::Address(source),
                to: if functional { Party::Everyone } else { Party::Address(target) },
                from_module: !is_tester(source) || is_the_tester(target) && source != target,
                prefix,
                peer: (!functional).then_some(peer).flatten(),
            })
        }
    }
}
