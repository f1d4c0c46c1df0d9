//! Answers of modules to a tester that asks for PIDs, each of which is a signal of its own.

use lostnode_parsers::frame::raw_id;
use lostnode_parsers::isotp::Pdu;
use lostnode_parsers::{Id, obd};

use crate::fold::diagnostics::answers_about_emissions;

/// Whether the identifier is one that modules answer a tester with: 7E8 to 7EF, or 18DAF1xx (ISO
/// 15765-4, tables of the legislated identifiers).
pub(super) fn are_of(id: Id) -> bool {
    match id {
        Id::Standard(_) => answers_about_emissions(id),
        Id::Extended(_) => raw_id(id) & 0x1FFF_FF00 == 0x18DA_F100,
    }
}

/// Hands on each PID with its data, where the payload is a whole answer of service 01, or of
/// service 22 to F4xx, in a single frame (ISO 15765-2, 9.6.2); whether it is one. An answer of
/// several frames is not put together here.
pub(super) fn each(payload: &[u8], mut with: impl FnMut(u8, &[u8])) -> bool {
    let Ok(Pdu::Single([service, data @ ..])) = Pdu::parse(payload, 0) else { return false };
    match (service, data) {
        (0x41, [_, _, ..]) => obd::answers(data).for_each(|(pid, data)| with(pid, data)),
        (0x62, [0xF4, _, ..]) => obd::identified(data).for_each(|(pid, data)| with(pid, data)),
        _ => return false,
    }
    true
}
