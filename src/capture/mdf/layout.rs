//! Where in a record of a bus event its parts stand (ASAM MDF 4, channel group and channel blocks;
//! names of the parts: ASAM MDF Bus Logging, as the files of open libraries have them).

use std::io;

use super::blocks::{Block, File, number};

/// Levels of structures within structures.
const DEEPEST: u32 = 4;
/// Bytes of data that a frame has at most.
const MOST_BYTES: u64 = 64;

/// What kind of event the records of a group are.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(super) enum Event {
    Data,
    Remote,
    Error,
}

/// A number in a record.
#[derive(Clone, Copy, Debug)]
pub(super) struct Field {
    byte: usize,
    bit: u32,
    bits: u32,
    /// `cn_data_type`: 0 to 3 whole numbers, 4 and 5 floating point; odd ones big-endian.
    kind: u8,
}

/// The time of a record since the start of the recording: `offset + factor * value`, in seconds.
#[derive(Clone, Copy, Debug)]
pub(super) struct Master {
    /// `None` where the place of the record stands for the value.
    field: Option<Field>,
    offset: f64,
    factor: f64,
}

/// Where the data bytes are.
#[derive(Clone, Copy, Debug)]
pub(super) enum Payload {
    /// In the record: from a byte on, so many at most.
    Inside(usize, usize),
    /// Elsewhere: an offset in the record, and the address of a group or of blocks.
    Elsewhere(Field, u64),
}

/// The parts of a record.
#[derive(Clone, Debug)]
pub(super) struct Layout {
    pub event: Event,
    pub time: Option<Master>,
    pub bus: Option<Field>,
    pub id: Option<Field>,
    pub ide: Option<Field>,
    pub dlc: Option<Field>,
    pub length: Option<Field>,
    pub edl: Option<Field>,
    pub brs: Option<Field>,
    pub esi: Option<Field>,
    pub payload: Option<Payload>,
}

/// A channel group: the records with one number.
#[derive(Clone, Debug)]
pub(super) struct Group {
    pub address: u64,
    /// The number before each record, where there are several groups.
    pub record: u64,
    /// Bytes of a record behind that; of no meaning where its length varies.
    pub bytes: usize,
    /// Records of any length, each with its length before it.
    pub varies: bool,
    /// Where frames stand in it; `None` where it holds something else.
    pub layout: Option<Layout>,
}

impl Field {
    /// The whole number in a record; `None` where the record is too short.
    pub fn whole(&self, record: &[u8]) -> Option<u64> {
        let bytes = (self.bit + self.bits).div_ceil(8) as usize;
        let field = record.get(self.byte..)?.get(..bytes)?;
        let add = |sum: u128, byte: &u8| sum << 8 | u128::from(*byte);
        let sum = match self.kind % 2 {
            0 => field.iter().rev().fold(0, add),
            _ => field.iter().fold(0, add),
        };
        let mask = u64::MAX.checked_shr(64 - self.bits.min(64)).unwrap_or(0);
        Some((sum >> self.bit) as u64 & mask)
    }

    fn real(&self, record: &[u8]) -> Option<f64> {
        let value = self.whole(record)?;
        Some(match (self.kind, self.bits) {
            (4 | 5, 64) => f64::from_bits(value),
            (4 | 5, 32) => f64::from(f32::from_bits(value as u32)),
            (4 | 5, _) => return None,
            (2 | 3, bits @ 1..=64) => ((value << (64 - bits)) as i64 >> (64 - bits)) as f64,
            _ => value as f64,
        })
    }
}

impl Master {
    /// Nanoseconds since the start of the recording.
    pub fn nanoseconds(&self, record: &[u8], place: u64) -> Option<i64> {
        let value = match &self.field {
            Some(field) => field.real(record)?,
            None => place as f64,
        };
        let time = (self.offset + self.factor * value) * 1e9;
        // A cast of what does not fit saturates, of what is no number is zero.
        time.is_finite().then(|| time.round() as i64)
    }
}

/// The groups of a list that begins at an address.
pub(super) fn groups(file: &File<'_>, mut address: u64) -> io::Result<Vec<Group>> {
    let mut out = Vec::new();
    while address != 0 {
        let block = file.block(address)?;
        // Record number, cycles, flags, separator, reserved, data bytes, invalidation bytes.
        let bytes = number(block.data, 24, 4) + number(block.data, 28, 4);
        let varies = number(block.data, 16, 2) & 1 != 0;
        let layout = match varies {
            true => None,
            false => layout(file, block.link(1))?,
        };
        let record = number(block.data, 0, 8);
        out.push(Group { address, record, bytes: bytes as usize, varies, layout });
        address = block.link(0);
    }
    Ok(out)
}

fn layout(file: &File<'_>, channels: u64) -> io::Result<Option<Layout>> {
    let mut found = Found::default();
    found.channels(file, channels, DEEPEST)?;
    let Some(event) = found.event else { return Ok(None) };
    let part =
        |name: &str| found.parts.iter().find(|(own, _)| own == name).map(|(_, channel)| *channel);
    let field = |name: &str| part(name).and_then(|channel| channel.field());
    let payload = part("DataBytes").and_then(|channel| channel.payload());
    let layout = Layout {
        event,
        time: found.time,
        bus: field("BusChannel"),
        id: field("ID"),
        ide: field("IDE"),
        dlc: field("DLC"),
        length: field("DataLength"),
        edl: field("EDL"),
        brs: field("BRS"),
        esi: field("ESI"),
        payload,
    };
    Ok((layout.id.is_some() || event == Event::Error).then_some(layout))
}

/// What the channels of a group are.
#[derive(Default)]
struct Found<'f> {
    event: Option<Event>,
    time: Option<Master>,
    parts: Vec<(String, Channel<'f>)>,
}

#[derive(Clone, Copy)]
struct Channel<'f>(Block<'f>);

impl Channel<'_> {
    /// `cn_type`: 0 fixed, 1 of any length, 2 master, 3 master without values, 5 up to a length.
    fn kind(&self) -> u64 {
        number(self.0.data, 0, 1)
    }

    fn field(&self) -> Option<Field> {
        let data = self.0.data;
        let field = Field {
            kind: number(data, 2, 1) as u8,
            bit: number(data, 3, 1) as u32,
            byte: number(data, 4, 4) as usize,
            bits: number(data, 8, 4) as u32,
        };
        let whole = field.kind <= 5 && field.bit < 8 && (1..=64).contains(&field.bits);
        whole.then_some(field)
    }

    fn payload(&self) -> Option<Payload> {
        let data = self.0.data;
        let (byte, bits) = (number(data, 4, 4) as usize, number(data, 8, 4));
        match self.kind() {
            0 | 5 => Some(Payload::Inside(byte, (bits / 8).min(MOST_BYTES) as usize)),
            1 => {
                let offset = Field { byte, bit: 0, bits: bits.clamp(8, 64) as u32, kind: 0 };
                Some(Payload::Elsewhere(offset, self.0.link(5)))
            }
            _ => None,
        }
    }
}

impl<'f> Found<'f> {
    fn channels(&mut self, file: &File<'f>, mut address: u64, deep: u32) -> io::Result<()> {
        while address != 0 {
            let block = file.block(address)?;
            if &block.id != b"CN" {
                // An array of channels (CA) holds no parts of an event.
                return Ok(());
            }
            let channel = Channel(block);
            // `cn_sync_type` 1: time.
            match (channel.kind(), number(block.data, 1, 1)) {
                (2 | 3, 0 | 1) => self.time = Some(master(file, &channel)?),
                _ => self.part(&file.text(block.link(2))?, channel),
            }
            if block.link(1) != 0 && deep > 0 {
                self.channels(file, block.link(1), deep - 1)?;
            }
            address = block.link(0);
        }
        Ok(())
    }

    fn part(&mut self, name: &str, channel: Channel<'f>) {
        let (event, part) = name.split_once('.').unwrap_or((name, ""));
        let event = match event {
            "CAN_DataFrame" => Event::Data,
            "CAN_RemoteFrame" => Event::Remote,
            "CAN_ErrorFrame" => Event::Error,
            _ => return,
        };
        self.event = Some(event);
        if !part.is_empty() {
            self.parts.push((part.to_owned(), channel));
        }
    }
}

/// A conversion (CC block) of type 1 is linear; without one the value is in seconds.
fn master(file: &File<'_>, channel: &Channel<'_>) -> io::Result<Master> {
    let (mut offset, mut factor) = (0.0, 1.0);
    if channel.0.link(4) != 0 {
        let conversion = file.block(channel.0.link(4))?;
        if number(conversion.data, 0, 1) == 1 {
            let value = |at: usize| f64::from_bits(number(conversion.data, 24 + at * 8, 8));
            (offset, factor) = (value(0), value(1));
        }
    }
    let field = if channel.kind() == 3 { None } else { channel.field() };
    Ok(Master { field, offset, factor })
}
