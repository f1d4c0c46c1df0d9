//! Records of a data group, one after another, as frames.

use std::borrow::Cow;
use std::collections::HashMap;
use std::collections::hash_map::Entry;
use std::io;
use std::rc::Rc;

use lostnode_parsers::frame::{FD_LENGTHS, make_id};
use lostnode_parsers::{ClassicFrame, ErrorFrame, FdFlags, FdFrame, FrameKind, Id};

use super::blocks::{Block, File, number};
use super::layout::{Event, Field, Group, Layout, Payload};

/// A bit of an identifier that says it has 29 bits, where no part of its own does.
const EXTENDED: u64 = 1 << 31;
/// `CAN_ERR_BUSERROR` of `linux/can/error.h`: an error of the bus of which nothing more is said.
const BUS_ERROR: u32 = 0x80;

/// A record that should be a frame.
pub(super) struct Record {
    /// Nanoseconds since the start of the recording.
    pub time: Option<i64>,
    /// Number of the bus.
    pub bus: Option<u64>,
    /// The frame, or why it is none.
    pub frame: Result<FrameKind, String>,
}

/// The records of a data group.
pub(super) struct List<'f> {
    data: Cow<'f, [u8]>,
    at: usize,
    /// Bytes of the number before each record, 0 to 8.
    number: usize,
    groups: Vec<Group>,
    /// Place of a group by the number of its records; of two with one number, the first.
    places: HashMap<u64, usize>,
    /// Of each group: the data that stands elsewhere, which groups may share, and how many records
    /// there were.
    elsewhere: Vec<Rc<Cow<'f, [u8]>>>,
    counts: Vec<u64>,
    fault: Option<String>,
    /// Whether it was written here.
    own: bool,
}

impl<'f> List<'f> {
    /// Of a data group block.
    pub fn new(file: &File<'f>, block: Block<'f>, groups: Vec<Group>) -> io::Result<Self> {
        let number = (number(block.data, 0, 1) as usize).min(8);
        let data = file.data(block.link(2))?;
        let (counts, own) = (vec![0; groups.len()], file.is_own());
        let numbered = groups.iter().enumerate().rev();
        let places = numbered.map(|(at, group)| (group.record, at)).collect();
        let (elsewhere, fault) = (Vec::new(), None);
        let mut list = List { data, at: 0, number, groups, places, elsewhere, counts, fault, own };
        // Read and held once, however many groups point there.
        let mut held: HashMap<u64, Rc<Cow<'f, [u8]>>> =
            list.varying().into_iter().map(|(at, own)| (at, Rc::new(Cow::Owned(own)))).collect();
        for group in &list.groups {
            let address = match group.layout.as_ref().and_then(|layout| layout.payload) {
                Some(Payload::Elsewhere(_, address)) => address,
                _ => 0,
            };
            let data = match held.entry(address) {
                Entry::Occupied(data) => data.into_mut(),
                Entry::Vacant(place) => place.insert(Rc::new(file.data(address)?)),
            };
            list.elsewhere.push(Rc::clone(data));
        }
        Ok(list)
    }

    /// Why it ended before its data did.
    pub fn fault(&self) -> Option<&str> {
        self.fault.as_deref()
    }

    /// By address, the records of groups of any length, each behind its length: as they would stand
    /// in a block of their own.
    fn varying(&mut self) -> HashMap<u64, Vec<u8>> {
        let varying = self.groups.iter().filter(|group| group.varies);
        let mut out: HashMap<u64, Vec<u8>> =
            varying.map(|group| (group.address, Vec::new())).collect();
        if !out.is_empty() {
            while let Some((group, from, to)) = self.step() {
                if self.groups[group].varies {
                    let own = out.entry(self.groups[group].address).or_default();
                    own.extend_from_slice(&((to - from) as u32).to_le_bytes());
                    own.extend_from_slice(&self.data[from..to]);
                }
            }
            (self.at, self.fault) = (0, None);
        }
        out
    }

    /// The next record: its group, and where it begins and ends.
    fn step(&mut self) -> Option<(usize, usize, usize)> {
        let rest = self.data.len() - self.at;
        if rest == 0 || self.fault.is_some() {
            return None;
        }
        let torn = || Some("its data ends in the middle of a record".to_owned());
        let begin = self.at + self.number;
        let record = number(&self.data, self.at, self.number);
        let group = match self.number {
            0 => Some(0),
            _ => self.places.get(&record).copied(),
        };
        let Some(group) = group.filter(|_| self.number <= rest) else {
            self.fault = Some(format!("no group has records of the number {record}"));
            return None;
        };
        let (from, length) = match self.groups[group].varies {
            true => (begin + 4, number(&self.data, begin, 4) as usize),
            false => (begin, self.groups[group].bytes),
        };
        let end = from.checked_add(length).filter(|end| *end <= self.data.len());
        // A record of no bytes would be read for ever.
        match end.filter(|end| *end > self.at) {
            Some(end) => {
                self.at = end;
                Some((group, from, end))
            }
            None => {
                self.fault = torn();
                None
            }
        }
    }
}

impl Iterator for List<'_> {
    type Item = Record;

    fn next(&mut self) -> Option<Record> {
        loop {
            let (group, from, to) = self.step()?;
            let place = self.counts[group];
            self.counts[group] += 1;
            if let Some(layout) = &self.groups[group].layout {
                let record = &self.data[from..to];
                return Some(Record {
                    time: layout.time.and_then(|time| time.nanoseconds(record, place)),
                    bus: layout.bus.and_then(|bus| bus.whole(record)),
                    frame: frame(layout, record, &self.elsewhere[group], self.own),
                });
            }
        }
    }
}

fn frame(layout: &Layout, record: &[u8], elsewhere: &[u8], own: bool) -> Result<FrameKind, String> {
    let part = |field: &Option<Field>| field.as_ref().and_then(|field| field.whole(record));
    if layout.event == Event::Error {
        let notes = bytes(layout, record, elsewhere).unwrap_or_default();
        return error(part(&layout.id), notes, own);
    }
    let id = identifier(part(&layout.id), part(&layout.ide))?;
    let code = part(&layout.dlc);
    if layout.event == Event::Remote {
        let code = code.and_then(|code| u8::try_from(code).ok()).unwrap_or(0);
        let frame = ClassicFrame::remote_with_raw_dlc(id, code);
        return frame.map(FrameKind::Classic).ok_or_else(|| format!("length code {code}"));
    }
    let data = bytes(layout, record, elsewhere)?;
    if part(&layout.edl) == Some(1) || data.len() > 8 {
        let (brs, esi) = (part(&layout.brs), part(&layout.esi));
        let known = brs.is_some() || esi.is_some();
        let flags = known.then_some(FdFlags { brs: brs == Some(1), esi: esi == Some(1) });
        let frame = FdFrame::new(id, data, flags).map(FrameKind::Fd);
        return frame.ok_or_else(|| format!("no frame has {} data bytes", data.len()));
    }
    let code = code.unwrap_or(data.len() as u64);
    let frame = u8::try_from(code).ok();
    let frame = frame.and_then(|code| ClassicFrame::with_raw_dlc(id, data, code));
    let told = || format!("length code {code}, but {} data bytes", data.len());
    frame.map(FrameKind::Classic).ok_or_else(told)
}

fn identifier(raw: Option<u64>, wide: Option<u64>) -> Result<Id, String> {
    let raw = raw.ok_or("a record without an identifier")?;
    let id = (raw & !EXTENDED) as u32;
    let extended = match wide {
        Some(wide) => wide == 1,
        None => raw & EXTENDED != 0 || id > 0x7FF,
    };
    let told = || format!("0x{id:X} is no identifier of {} bits", if extended { 29 } else { 11 });
    make_id(id, extended).ok_or_else(told)
}

/// The data bytes of a record.
fn bytes<'r>(layout: &Layout, record: &'r [u8], elsewhere: &'r [u8]) -> Result<&'r [u8], String> {
    let part = |field: &Option<Field>| field.as_ref().and_then(|field| field.whole(record));
    let of_code = |code: u64| FD_LENGTHS.get(code as usize).map(|length| u64::from(*length));
    let told = part(&layout.length).or_else(|| {
        let fd = part(&layout.edl) == Some(1);
        part(&layout.dlc).and_then(|code| if fd { of_code(code) } else { Some(code.min(8)) })
    });
    let all = match layout.payload {
        None => &[][..],
        Some(Payload::Inside(byte, most)) => {
            let all = record.get(byte..).unwrap_or_default();
            &all[..all.len().min(most)]
        }
        Some(Payload::Elsewhere(offset, _)) => {
            let from = offset.whole(record).and_then(|from| usize::try_from(from).ok());
            let rest = from.and_then(|from| elsewhere.get(from..)).unwrap_or_default();
            let length = number(rest, 0, 4) as usize;
            rest.get(4..)
                .and_then(|rest| rest.get(..length))
                .ok_or("its data bytes are not there")?
        }
    };
    let length = told.unwrap_or(all.len() as u64);
    let cut = usize::try_from(length).ok().and_then(|length| all.get(..length));
    cut.ok_or_else(|| format!("{length} data bytes, but room for {}", all.len()))
}

/// An error frame. What kind of error it was is said in ways that differ from writer to writer, and
/// a number beside it may be that of the frame which was destroyed; so the class bits of
/// `linux/can/error.h` are taken of files that were written here alone.
fn error(class: Option<u64>, notes: &[u8], own: bool) -> Result<FrameKind, String> {
    let told = class.filter(|_| own).and_then(|class| u32::try_from(class).ok());
    let frame = match told {
        Some(class) => ErrorFrame::new(class, notes),
        None => ErrorFrame::new(BUS_ERROR, &[]),
    };
    frame.map(FrameKind::Error).ok_or_else(|| "no error frame".to_owned())
}
