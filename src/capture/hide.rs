//! Blanks what identifies a vehicle in its frames, so that a capture can be shared: VIN, part,
//! serial and calibration numbers that modules give to a tester (services 09, 22, 1A, and writes of
//! them with 2E and 3B), and those that SAE J1939 broadcasts, the identity number of address claims
//! among them. Each byte becomes an `X`; lengths, times and all else stay.
//!
//! Nobody says here which identifiers carry diagnosis, so every one is looked at, with and without
//! an address byte. A broadcast that looks like such an answer by chance is blanked too: in a
//! capture that is given away, too much is better than too little. What a maker broadcasts in a
//! form of its own cannot be known and stays.

use std::collections::HashMap;

use lostnode_parsers::isotp::Pdu;
use lostnode_parsers::j1939::{self, Control, Fields};
use lostnode_parsers::{ClassicFrame, FdFrame, FrameKind, Id, wire};

use super::{ChannelIndex, Frame};

/// What stands for a byte that was blanked.
const BLANK: u8 = b'X';
/// Groups of SAE J1939 that identify.
const GROUPS: [u32; 4] = [
    j1939::VEHICLE_IDENTIFICATION,
    j1939::COMPONENT_IDENTIFICATION,
    j1939::SOFTWARE_IDENTIFICATION,
    j1939::ADDRESS_CLAIMED,
];
/// Bits of a NAME that number the unit (SAE J1939-81).
const IDENTITY: [u8; 3] = [0xFF, 0xFF, 0x1F];

/// A message under way that is blanked.
#[derive(Clone, Copy, Debug)]
struct Open {
    /// Bytes still to come.
    left: usize,
    /// Sequence number of the next frame.
    next: u8,
}

/// Follows the messages of a capture and blanks what identifies in them.
#[derive(Debug, Default)]
pub struct Hider {
    /// By sender and bytes of address: messages under way.
    open: HashMap<(ChannelIndex, Id, usize), Open>,
    /// By channel, source and destination of the transport of SAE J1939: bytes still to come.
    groups: HashMap<(ChannelIndex, u8, Option<u8>), usize>,
    /// Channels on which several records were asked for at once, an identifying one among them.
    asked: Vec<ChannelIndex>,
}

impl Hider {
    /// Blanks what identifies in a frame. Frames are to come in the order of the capture.
    ///
    /// ```
    /// use lostnode::capture::{self, Hider, Source};
    /// let bytes = b"(1.000000) can0 7E8#0662F18741424344\n".to_vec();
    /// let source = Source::Bytes { name: "example".into(), bytes };
    /// let (mut hider, mut seen) = (Hider::default(), Vec::new());
    /// capture::read(source, &capture::Options::default(), |batch| {
    ///     let mut frame = batch.frames[0].clone();
    ///     hider.hide(&mut frame);
    ///     seen = frame.kind.bytes().to_vec();
    /// })?;
    /// assert_eq!(seen, *b"\x06\x62\xF1\x87XXXD");
    /// # Ok::<(), capture::Error>(())
    /// ```
    pub fn hide(&mut self, frame: &mut Frame) {
        let Some(id) = frame.kind.id() else { return };
        let mut data = frame.kind.bytes().to_vec();
        for prefix in [0, 1] {
            self.transport((frame.channel, id, prefix), &mut data);
        }
        if let Id::Extended(id) = id {
            self.group(frame.channel, Fields::of(id), &mut data);
        }
        if data != frame.kind.bytes() {
            rewrite(frame, &data);
        }
    }

    /// ISO 15765-2: single frames, and those of longer messages.
    fn transport(&mut self, key: (ChannelIndex, Id, usize), data: &mut [u8]) {
        let prefix = key.2;
        let Some(unit) = data.get(prefix..) else { return };
        let whole = data.len();
        match Pdu::parse(unit, prefix) {
            Ok(Pdu::Single(payload)) => {
                self.asks(key.0, payload);
                let (length, keep) = (payload.len(), self.keeps(key.0, payload));
                let begin = position(unit, payload) + prefix;
                if let Some(keep) = keep {
                    blank(data, begin + keep.min(length)..begin + length);
                }
            }
            Ok(Pdu::First { length, data: payload }) => {
                self.asks(key.0, payload);
                self.open.remove(&key);
                if let Some(keep) = self.keeps(key.0, payload) {
                    let (begin, here) = (position(unit, payload) + prefix, payload.len());
                    let left = (length as usize).saturating_sub(here);
                    self.open.insert(key, Open { left, next: 1 });
                    blank(data, begin + keep.min(here)..begin + here);
                }
            }
            Ok(Pdu::Consecutive { sequence, .. }) => {
                let Some(open) = self.open.get_mut(&key) else { return };
                if open.next != sequence {
                    return;
                }
                let here = open.left.min(whole - prefix - 1);
                (open.left, open.next) = (open.left - here, (sequence + 1) & 0x0F);
                if open.left == 0 {
                    self.open.remove(&key);
                }
                blank(data, prefix + 1..prefix + 1 + here);
            }
            _ => {}
        }
    }

    /// Remembers whether the latest request for records names an identifying one beside others.
    fn asks(&mut self, channel: ChannelIndex, payload: &[u8]) {
        if let [0x22, records @ ..] = payload {
            self.asked.retain(|known| *known != channel);
            if records.len() > 2 && records.chunks_exact(2).any(|record| identifies(record[0])) {
                self.asked.push(channel);
            }
        }
    }

    /// How many bytes of a message stay, where it identifies.
    fn keeps(&self, channel: ChannelIndex, payload: &[u8]) -> Option<usize> {
        match payload {
            // Vehicle information (SAE J1979): type and number of items stay, and the lists of
            // what is supported.
            [0x49, kind, ..] if !kind.is_multiple_of(0x20) => Some(3),
            [0x62, high, ..] if identifies(*high) || self.asked.contains(&channel) => Some(3),
            // ISO 14230-3: identification by one byte; writing it.
            [0x5A, 0x80..=0x9F, ..] | [0x3B, 0x80..=0x9F, ..] => Some(2),
            [0x2E, high, ..] if identifies(*high) => Some(3),
            _ => None,
        }
    }

    /// SAE J1939: groups of one frame, and those of the transport.
    fn group(&mut self, channel: ChannelIndex, fields: Fields, data: &mut [u8]) {
        let key = (channel, fields.source, fields.destination);
        match fields.pgn {
            j1939::ADDRESS_CLAIMED => {
                for (byte, mask) in data.iter_mut().zip(IDENTITY) {
                    *byte &= !mask;
                }
            }
            j1939::TRANSPORT_CONTROL => match Control::parse(data) {
                Some(
                    Control::Announce { length, pgn, .. } | Control::Request { length, pgn, .. },
                ) => {
                    self.groups.remove(&key);
                    if GROUPS.contains(&pgn) {
                        self.groups.insert(key, usize::from(length));
                    }
                }
                Some(Control::Abort) => drop(self.groups.remove(&key)),
                _ => {}
            },
            j1939::TRANSPORT_DATA => {
                let Some(left) = self.groups.get_mut(&key) else { return };
                let here = (*left).min(data.len().saturating_sub(1));
                *left -= here;
                if *left == 0 {
                    self.groups.remove(&key);
                }
                blank(data, 1..1 + here);
            }
            pgn if GROUPS.contains(&pgn) => blank(data, 0..data.len()),
            _ => {}
        }
    }
}

/// Records F100 to F1FF are about the module and the vehicle (ISO 14229-1:2020, table C.1).
fn identifies(high: u8) -> bool {
    high == 0xF1
}

/// Where a part of a slice begins in it.
fn position(whole: &[u8], part: &[u8]) -> usize {
    part.as_ptr().addr().saturating_sub(whole.as_ptr().addr())
}

/// Asterisks part the fields of SAE J1939 and stay, and so does what stands where there is nothing:
/// a blank VIN is a finding.
fn blank(data: &mut [u8], range: std::ops::Range<usize>) {
    for byte in data.get_mut(range).unwrap_or_default() {
        if !matches!(*byte, b'*' | 0x00 | 0xFF) {
            *byte = BLANK;
        }
    }
}

/// Puts other data into a frame.
fn rewrite(frame: &mut Frame, data: &[u8]) {
    let kind = match &frame.kind {
        FrameKind::Classic(own) if own.is_remote() => return,
        FrameKind::Classic(own) => {
            ClassicFrame::with_raw_dlc(own.identifier(), data, own.raw_dlc())
                .map(FrameKind::Classic)
        }
        FrameKind::Fd(own) => {
            FdFrame::new(own.identifier(), data, own.flags).map(|own| FrameKind::Fd(Box::new(own)))
        }
        FrameKind::Error(_) => return,
    };
    if let Some(kind) = kind {
        frame.kind = kind;
        // Other bits are stuffed otherwise.
        frame.length = wire::length(&frame.kind).unwrap_or_default();
    }
}
