//! Bits and bytes of messages as they are now: `--show 3B0:2.4`.

use std::str::FromStr;

use lostnode_parsers::Id;
use lostnode_parsers::frame::parse_id;

use crate::capture::Batch;
use crate::words::terms::id_label;

/// A bit or a byte that somebody wants to see.
#[derive(Clone, Debug)]
pub(super) struct Wanted {
    id: Id,
    /// From 0, as in the report.
    byte: usize,
    /// From 0, the lowest; `None` for the whole byte.
    bit: Option<u8>,
    value: Option<u8>,
}

impl FromStr for Wanted {
    type Err = String;

    fn from_str(text: &str) -> Result<Self, String> {
        let wrong = || {
            format!(
                "`{text}` is not of the form 3B0:2.4 (message, byte from 0, bit from 0) or 3B0:2"
            )
        };
        let (id, place) = text.split_once(':').ok_or_else(wrong)?;
        let id = parse_id(id.trim_start_matches("0x")).ok_or_else(wrong)?;
        let (byte, bit) = match place.split_once('.') {
            Some((byte, bit)) => (byte, Some(bit.parse::<u8>().map_err(|_| wrong())?)),
            None => (place, None),
        };
        let byte = byte.parse().map_err(|_| wrong())?;
        let fits = byte < 64 && bit.is_none_or(|bit| bit < 8);
        fits.then_some(Wanted { id, byte, bit, value: None }).ok_or_else(wrong)
    }
}

impl Wanted {
    /// Takes the latest value out of frames; whether it is another than before.
    pub fn push(&mut self, batch: &Batch) -> bool {
        let mut own = batch.frames.iter().rev().filter(|frame| frame.kind.id() == Some(self.id));
        let byte = own.find_map(|frame| frame.kind.bytes().get(self.byte).copied());
        let value = byte.map(|byte| self.bit.map_or(byte, |bit| byte >> bit & 1));
        let changed = value.is_some() && value != self.value;
        self.value = value.or(self.value);
        changed
    }

    /// `0x3B0 byte 2 bit 4: 1`.
    pub fn text(&self) -> String {
        let place = match self.bit {
            Some(bit) => format!("{} byte {} bit {bit}", id_label(self.id), self.byte),
            None => format!("{} byte {}", id_label(self.id), self.byte),
        };
        match (self.value, self.bit) {
            (None, _) => format!("{place}: not heard"),
            (Some(value), Some(_)) => format!("{place}: {value}"),
            (Some(value), None) => format!("{place}: 0x{value:02X} ({value})"),
        }
    }
}
