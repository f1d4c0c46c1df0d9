//! SAE J1939: the groups that matter to a diagnostician, and its transport (BAM and connection
//! mode).

use std::collections::HashMap;

use lostnode_parsers::isotp::{Fault, Incomplete};
use lostnode_parsers::j1939::{self, Control, Fields};
use lostnode_parsers::{ExtendedId, Id, Timestamp};

use super::{Carrier, Message, Party};
use crate::capture::{ChannelIndex, Frame};

/// Messages under way at once; beyond that new ones are not followed.
const MOST_OPEN: usize = 256;
/// Longest pause between packets, T1 (SAE J1939-21, 5.10.2.4; from memory), in nanoseconds.
const T1: i64 = 750_000_000;

type Key = (ChannelIndex, u8, Option<u8>);

#[derive(Debug)]
struct Session {
    pgn: u32,
    length: u16,
    packets: u8,
    next: u8,
    data: Vec<u8>,
    begun: Option<Timestamp>,
    last: Option<Timestamp>,
    id: Id,
}

/// Follows the transport of each sender and destination.
#[derive(Debug, Default)]
pub(super) struct TruckTransport {
    open: HashMap<Key, Session>,
}

/// Groups that are handed on when they come in one frame.
const SINGLE: [u32; 6] = [
    j1939::DM1,
    j1939::DM2,
    j1939::ADDRESS_CLAIMED,
    j1939::ELECTRICAL_POWER,
    j1939::VEHICLE_IDENTIFICATION,
    j1939::SOFTWARE_IDENTIFICATION,
];

impl TruckTransport {
    /// Takes a frame with a 29-bit identifier; `true` where it was one of these.
    pub fn push(
        &mut self,
        frame: &Frame,
        id: ExtendedId,
        deliver: &mut dyn FnMut(&Message<'_>),
    ) -> bool {
        let fields = Fields::of(id);
        let data = frame.kind.bytes();
        let key =
            (frame.channel, fields.source, fields.destination.filter(|address| *address != 0xFF));
        match fields.pgn {
            j1939::TRANSPORT_CONTROL => self.control(frame, Id::Extended(id), key, data, deliver),
            j1939::TRANSPORT_DATA => self.data(frame, key, data, deliver),
            pgn if SINGLE.contains(&pgn) => {
                let message = message(
                    frame.channel,
                    Id::Extended(id),
                    key,
                    pgn,
                    frame.time,
                    frame.time,
                    data,
                    data.len() as u32,
                    None,
                );
                deliver(&message);
            }
            _ => return false,
        }
        true
    }

    fn control(
        &mut self,
        frame: &Frame,
        id: Id,
        key: Key,
        data: &[u8],
        deliver: &mut dyn FnMut(&Message<'_>),
    ) {
        match Control::parse(data) {
            Some(
                Control::Announce { length, packets, pgn }
                | Control::Request { length, packets, pgn },
            ) => {
                if let Some(session) = self.open.remove(&key) {
                    give_up(key, &session, frame.time, Fault::Interrupted, deliver);
                }
                if self.open.len() < MOST_OPEN {
                    let (begun, data) = (frame.time, Vec::with_capacity(usize::from(length)));
                    self.open.insert(
                        key,
                        Session { pgn, length, packets, next: 1, data, begun, last: begun, id },
                    );
                }
            }
            Some(Control::Abort) => {
                // Either side may give up: the sender of the session, or its receiver.
                let reverse = (key.0, key.2.unwrap_or(key.1), Some(key.1));
                for key in [key, reverse] {
                    if let Some(session) = self.open.remove(&key) {
                        give_up(key, &session, frame.time, Fault::Overflow, deliver);
                    }
                }
            }
            Some(Control::Clear) => {
                let reverse = (key.0, key.2.unwrap_or(key.1), Some(key.1));
                if let Some(session) = self.open.get_mut(&reverse) {
                    session.last = frame.time.or(session.last);
                }
            }
            Some(Control::End) | None => {}
        }
    }

    fn data(
        &mut self,
        frame: &Frame,
        key: Key,
        data: &[u8],
        deliver: &mut dyn FnMut(&Message<'_>),
    ) {
        let (Some(session), Some((number, bytes))) = (self.open.get_mut(&key), data.split_first())
        else {
            return;
        };
        let late =
            matches!((frame.time, session.last), (Some(now), Some(last)) if now.since(last) > T1);
        let fault = if late {
            Some(Fault::Timeout)
        } else if *number != session.next {
            // A packet may be sent again; one out of order breaks the message.
            if *number < session.next { return } else { Some(Fault::WrongSequence) }
        } else {
            None
        };
        if let Some(fault) = fault {
            if let Some(session) = self.open.remove(&key) {
                give_up(key, &session, frame.time, fault, deliver);
            }
            return;
        }
        let room = usize::from(session.length) - session.data.len();
        session.data.extend_from_slice(&bytes[..bytes.len().min(room)]);
        session.last = frame.time.or(session.last);
        session.next = session.next.saturating_add(1);
        if *number == session.packets
            && let Some(session) = self.open.remove(&key)
        {
            let whole = session.data.len() == usize::from(session.length);
            let incomplete = (!whole).then_some(Incomplete {
                fault: Fault::WrongSequence,
                received: session.data.len() as u32,
                length: u32::from(session.length),
            });
            let length = u32::from(session.length);
            deliver(&message(
                key.0,
                session.id,
                key,
                session.pgn,
                session.begun,
                frame.time,
                &session.data,
                length,
                incomplete,
            ));
        }
    }

    pub fn finish(&mut self, deliver: &mut dyn FnMut(&Message<'_>)) {
        let mut rest: Vec<(Key, Session)> = self.open.drain().collect();
        rest.sort_by_key(|(key, _)| *key);
        for (key, session) in rest {
            give_up(key, &session, session.last, Fault::EndOfCapture, deliver);
        }
    }
}

fn give_up(
    key: Key,
    session: &Session,
    time: Option<Timestamp>,
    fault: Fault,
    deliver: &mut dyn FnMut(&Message<'_>),
) {
    let incomplete = Incomplete {
        fault,
        received: session.data.len() as u32,
        length: u32::from(session.length),
    };
    deliver(&message(
        key.0,
        session.id,
        key,
        session.pgn,
        session.begun,
        time,
        &session.data,
        incomplete.length,
        Some(incomplete),
    ));
}

#[allow(clippy::too_many_arguments)] // the fields of a message, in their order
fn message<'a>(
    channel: ChannelIndex,
    id: Id,
    key: Key,
    pgn: u32,
    begun: Option<Timestamp>,
    time: Option<Timestamp>,
    data: &'a [u8],
    length: u32,
    incomplete: Option<Incomplete>,
) -> Message<'a> {
    Message {
        time,
        begun,
        channel,
        id,
        from: Party::Address(key.1),
        to: key.2.map_or(Party::Everyone, Party::Address),
        from_module: true,
        carrier: Carrier::J1939 { pgn },
        data,
        length,
        incomplete,
    }
}
