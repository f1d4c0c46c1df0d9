//! Writes frames as bus logging of ASAM MDF 4: sorted, one group of records for each bus and kind
//! of frame, not packed. How many records there are stands before them, so they are held in memory
//! until the end, 24 bytes a classical frame.

use std::borrow::Borrow;
use std::collections::BTreeMap;
use std::io::{self, Write};

use lostnode_parsers::frame::raw_id;
use lostnode_parsers::{FdFrame, FrameKind, Id, Timestamp};

/// What stands in the ID block as the program that wrote a file.
pub(super) const PROGRAM: &[u8; 8] = b"lostnode";
/// Bytes of the ID block, and of the header block behind it.
const BEGIN: u64 = 64 + 104;
/// Bytes of a record before the data: time, bus, identifier, flags, length code, length.
const BEFORE_DATA: usize = 16;

/// Kinds of records, each with a layout of its own.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord)]
enum Kind {
    Classic,
    Fd,
    Remote,
    Error,
}

impl Kind {
    fn event(self) -> &'static str {
        match self {
            Kind::Classic | Kind::Fd => "CAN_DataFrame",
            Kind::Remote => "CAN_RemoteFrame",
            Kind::Error => "CAN_ErrorFrame",
        }
    }

    /// Room for data in a record.
    fn room(self) -> usize {
        match self {
            Kind::Classic | Kind::Error => 8,
            Kind::Fd => 64,
            Kind::Remote => 0,
        }
    }
}

/// Frames on their way into a file.
pub struct Writer<W> {
    out: W,
    start: Option<i64>,
    records: BTreeMap<(u8, Kind), Vec<u8>>,
    buses: Vec<(String, u8)>,
}

impl<W: Write> Writer<W> {
    /// Nothing is written before [`Writer::finish`].
    pub fn new(out: W) -> Self {
        Writer { out, start: None, records: BTreeMap::new(), buses: Vec::new() }
    }

    /// Takes a frame. The file knows channels by a number: that at the end of the name, where no
    /// other channel has it.
    ///
    /// # Errors
    /// Of a frame without time stamp, which the format has no place for, and of too many channels.
    pub fn put<F: Borrow<FdFrame>>(
        &mut self,
        time: Option<Timestamp>,
        channel: &str,
        frame: &FrameKind<F>,
    ) -> io::Result<()> {
        let none = || io::Error::new(io::ErrorKind::InvalidInput, "its frames have no time stamps");
        let time = time.ok_or_else(none)?.nanoseconds();
        let start = *self.start.get_or_insert(time);
        let bus = self.bus(channel)?;
        let extended = matches!(frame.id(), Some(Id::Extended(_)));
        let (kind, id, code, mut flags) = match frame {
            FrameKind::Classic(own) if own.is_remote() => {
                (Kind::Remote, raw_id(own.identifier()), own.raw_dlc(), 0)
            }
            FrameKind::Classic(own) => (Kind::Classic, raw_id(own.identifier()), own.raw_dlc(), 0),
            FrameKind::Fd(own) => {
                let own: &FdFrame = own.borrow();
                let flags = own.known_flags();
                let flags = 2 | u8::from(flags.brs) << 2 | u8::from(flags.esi) << 3;
                (Kind::Fd, raw_id(own.identifier()), own.dlc(), flags)
            }
            FrameKind::Error(own) => (Kind::Error, own.class(), own.bytes().len() as u8, 0),
        };
        flags |= u8::from(extended);
        let data = frame.bytes();
        let records = self.records.entry((bus, kind)).or_default();
        records.extend_from_slice(&time.saturating_sub(start).to_le_bytes());
        records.push(bus);
        records.extend_from_slice(&id.to_le_bytes());
        records.extend_from_slice(&[flags, code, data.len() as u8]);
        records.extend_from_slice(data);
        records.resize(records.len() + kind.room() - data.len(), 0);
        Ok(())
    }

    fn bus(&mut self, channel: &str) -> io::Result<u8> {
        if let Some((_, bus)) = self.buses.iter().find(|(name, _)| name == channel) {
            return Ok(*bus);
        }
        let free = |bus: &u8| self.buses.iter().all(|(_, own)| own != bus);
        let digits = channel.trim_start_matches(|c: char| !c.is_ascii_digit());
        let bus = digits.parse().ok().filter(free).or_else(|| (0..=u8::MAX).find(free));
        let many = || io::Error::new(io::ErrorKind::InvalidInput, "more than 256 channels");
        let bus = bus.ok_or_else(many)?;
        self.buses.push((channel.to_owned(), bus));
        Ok(bus)
    }

    /// Writes the file.
    ///
    /// # Errors
    /// Where it cannot be written.
    pub fn finish(mut self) -> io::Result<()> {
        // The data blocks come first, so that their places are known.
        let (mut at, mut places) = (BEGIN, Vec::new());
        for records in self.records.values() {
            places.push(at);
            at += 24 + (records.len() as u64).next_multiple_of(8);
        }
        let mut blocks = Blocks { at, bytes: Vec::new() };
        let mut next = 0;
        for (((bus, kind), records), place) in self.records.iter().zip(places).rev() {
            let name = self.buses.iter().find(|(_, own)| own == bus);
            let name = name.map_or("", |(name, _)| name.as_str());
            let count = records.len() / (BEFORE_DATA + kind.room());
            let group = blocks.group(*kind, name, count as u64);
            next = blocks.put(b"DG", &[next, group, place, 0], &[0; 8]);
        }
        let start = self.start.unwrap_or(0);
        let told = "<FHcomment><TX>frames of a capture</TX><tool_id>lostnode</tool_id>\
                    <tool_vendor>lostnode</tool_vendor></FHcomment>";
        let comment = blocks.text(b"MD", told);
        let stamp = (start as u64).to_le_bytes();
        let history = blocks.put(b"FH", &[0, comment], &[&stamp[..], &[0; 8]].concat());
        self.out.write_all(&identification())?;
        // Start in UTC; nothing known of zone, angle or distance.
        let links = [next, history, 0, 0, 0, 0];
        self.out.write_all(&block(b"HD", &links, &[&stamp[..], &[0; 24]].concat()))?;
        for records in self.records.values() {
            self.out.write_all(&head(b"DT", 0, records.len() as u64))?;
            self.out.write_all(records)?;
            self.out.write_all(&[0; 8][..records.len().next_multiple_of(8) - records.len()])?;
        }
        self.out.write_all(&blocks.bytes)?;
        self.out.flush()
    }
}

/// The ID block: version 4.10.
fn identification() -> [u8; 64] {
    let mut out = [0; 64];
    out[..16].copy_from_slice(b"MDF     4.10    ");
    out[16..24].copy_from_slice(PROGRAM);
    out[28..30].copy_from_slice(&410_u16.to_le_bytes());
    out
}

fn head(id: &[u8; 2], links: usize, data: u64) -> Vec<u8> {
    let mut out = vec![b'#', b'#', id[0], id[1], 0, 0, 0, 0];
    out.extend_from_slice(&(24 + links as u64 * 8 + data).to_le_bytes());
    out.extend_from_slice(&(links as u64).to_le_bytes());
    out
}

fn block(id: &[u8; 2], links: &[u64], data: &[u8]) -> Vec<u8> {
    let mut out = head(id, links.len(), data.len() as u64);
    links.iter().for_each(|link| out.extend_from_slice(&link.to_le_bytes()));
    out.extend_from_slice(data);
    out
}

/// Blocks that describe the data, each behind those that it links to.
struct Blocks {
    /// Where the first of them stands in the file.
    at: u64,
    bytes: Vec<u8>,
}

/// Where a part of a record stands, and what it is.
struct Part {
    name: String,
    /// `cn_type` and `cn_sync_type`.
    kind: [u8; 2],
    /// `cn_data_type`: 0 whole, 2 whole with a sign, 10 bytes.
    value: u8,
    byte: u32,
    bit: u8,
    bits: u32,
    composition: u64,
    conversion: u64,
}

impl Blocks {
    /// Adds a block; its address.
    fn put(&mut self, id: &[u8; 2], links: &[u64], data: &[u8]) -> u64 {
        let address = self.at + self.bytes.len() as u64;
        self.bytes.extend(block(id, links, data));
        self.bytes.resize(self.bytes.len().next_multiple_of(8), 0);
        address
    }

    fn text(&mut self, id: &[u8; 2], text: &str) -> u64 {
        // A zero ends the text.
        self.put(id, &[], &[text.as_bytes(), &[0]].concat())
    }

    fn channel(&mut self, next: u64, part: &Part) -> u64 {
        let name = self.text(b"TX", &part.name);
        let links = [next, part.composition, name, 0, part.conversion, 0, 0, 0];
        let mut data = vec![part.kind[0], part.kind[1], part.value, part.bit];
        data.extend_from_slice(&part.byte.to_le_bytes());
        data.extend_from_slice(&part.bits.to_le_bytes());
        // Flags: of a master none, of the others that they belong to a bus event (bit 10).
        let flags: u32 = if part.kind[0] == 2 { 0 } else { 1 << 10 };
        data.extend_from_slice(&flags.to_le_bytes());
        // No invalidation bit, precision, attachments or ranges.
        data.resize(72, 0);
        self.put(b"CN", &links, &data)
    }

    /// A channel group with its channels.
    fn group(&mut self, kind: Kind, bus: &str, count: u64) -> u64 {
        let event = kind.event();
        let room = kind.room();
        let mut parts = vec![
            ("BusChannel", 0, 8, 0, 8),
            ("ID", 0, 9, 0, 32),
            ("IDE", 0, 13, 0, 1),
            ("DLC", 0, 14, 0, 8),
            ("DataLength", 0, 15, 0, 8),
        ];
        if matches!(kind, Kind::Classic | Kind::Fd) {
            parts.extend([("EDL", 0, 13, 1, 1), ("BRS", 0, 13, 2, 1), ("ESI", 0, 13, 3, 1)]);
        }
        if room > 0 {
            parts.push(("DataBytes", 10, 16, 0, room as u32 * 8));
        }
        let mut next = 0;
        for (name, value, byte, bit, bits) in parts.into_iter().rev() {
            let name = format!("{event}.{name}");
            let (kind, composition, conversion) = ([0, 0], 0, 0);
            let part = Part { name, kind, value, byte, bit, bits, composition, conversion };
            next = self.channel(next, &part);
        }
        let whole = Part {
            name: event.to_owned(),
            kind: [0, 0],
            value: 10,
            byte: 8,
            bit: 0,
            bits: (BEFORE_DATA - 8 + room) as u32 * 8,
            composition: next,
            conversion: 0,
        };
        let next = self.channel(0, &whole);
        // Linear: seconds are 0 + 1e-9 times the value.
        let mut linear = vec![1, 0, 0, 0, 0, 0, 2, 0];
        [0.0, 0.0, 0.0, 1e-9_f64].iter().for_each(|value| linear.extend(value.to_le_bytes()));
        let unit = self.text(b"TX", "s");
        let conversion = self.put(b"CC", &[0, unit, 0, 0], &linear);
        let time = Part {
            name: "Timestamp".to_owned(),
            kind: [2, 1],
            value: 2,
            byte: 0,
            bit: 0,
            bits: 64,
            composition: 0,
            conversion,
        };
        let channels = self.channel(next, &time);
        let name = self.text(b"TX", bus);
        // Source: a bus (2) of the kind CAN (2).
        let source = self.put(b"SI", &[name, name, 0], &[2, 2, 0, 0, 0, 0, 0, 0]);
        let mut data = [0; 8].to_vec();
        data.extend_from_slice(&count.to_le_bytes());
        // Flags: a bus event, of a plain bus (bits 1 and 2); the dot parts names.
        data.extend_from_slice(&[6, 0, b'.', 0, 0, 0, 0, 0]);
        data.extend_from_slice(&((BEFORE_DATA + room) as u32).to_le_bytes());
        data.extend_from_slice(&[0; 4]);
        self.put(b"CG", &[0, channels, name, source, 0, 0], &data)
    }
}
