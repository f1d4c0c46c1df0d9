//! Network captures (pcap and pcapng) that carry CAN: packet after packet, on one thread.

use std::io::{self, Read};
use std::ops::ControlFlow;

use lostnode_parsers::error_frame::CLASSES;
use lostnode_parsers::socketcan::{
    self, IdOrder, LINK_COOKED, LINK_COOKED_2, LINK_SOCKETCAN, PacketFault,
};
use lostnode_parsers::{FrameKind, Timestamp};
use pcap_parser::traits::PcapNGPacketBlock;
use pcap_parser::{Block, PcapBlockOwned, PcapError, create_reader};

use super::channels::TOO_MANY;
use super::fill::fill;
use super::parsed::{Builder, Parsed};

/// First bytes of pcap in both byte orders with micro- and nanoseconds, and of pcapng.
const MAGIC: [[u8; 4]; 5] = [
    [0xD4, 0xC3, 0xB2, 0xA1],
    [0xA1, 0xB2, 0xC3, 0xD4],
    [0x4D, 0x3C, 0xB2, 0xA1],
    [0xA1, 0xB2, 0x3C, 0x4D],
    [0x0A, 0x0D, 0x0D, 0x0A],
];
/// The bits of the word in the head of a pcap file that hold the link type; those above say how
/// long a checksum behind each packet is (draft-ietf-opsawg-pcap, 4).
const LINK: i32 = 0xFFFF;
/// Packets from which the byte order of identifiers is told.
const TELLING: usize = 1000;
/// Packets handed on at a time.
const BATCH: usize = 16_384;

/// Whether these are the first bytes of a network capture.
pub(super) fn is_packets(head: &[u8]) -> bool {
    MAGIC.iter().any(|magic| head.starts_with(magic))
}

/// An interface of the capture.
struct Interface {
    name: String,
    link: i32,
    /// Time stamps a second, and seconds to add; `None` where they are finer than can be counted.
    resolution: Option<u64>,
    offset: i64,
}

struct Packet {
    time: Option<Timestamp>,
    interface: usize,
    data: Vec<u8>,
}

/// Reads packets and hands batches to `take`; what remains unreadable is told as an error, what
/// came before stays.
pub(super) fn read(
    reader: impl Read + Send,
    take: &mut dyn FnMut(Parsed) -> ControlFlow<()>,
) -> io::Result<()> {
    let mut packets = Packets {
        interfaces: Vec::new(),
        waiting: Vec::new(),
        order: None,
        number: 0,
        chunk: Builder::default(),
    };
    let ended = packets.all(reader, take);
    packets.flush();
    let _ = take(std::mem::take(&mut packets.chunk).finish());
    ended
}

/// Fills each buffer as far as the input goes: the reader of packets takes a short read for the
/// end.
struct Whole<R>(R);

impl<R: Read> Read for Whole<R> {
    fn read(&mut self, buffer: &mut [u8]) -> io::Result<usize> {
        match fill(&mut self.0, buffer) {
            (0, Some(error)) => Err(error),
            (length, _) => Ok(length),
        }
    }
}

struct Packets {
    interfaces: Vec<Interface>,
    waiting: Vec<Packet>,
    order: Option<IdOrder>,
    number: u64,
    chunk: Builder,
}

impl Packets {
    fn all(
        &mut self,
        reader: impl Read + Send,
        take: &mut dyn FnMut(Parsed) -> ControlFlow<()>,
    ) -> io::Result<()> {
        let damaged = |number: u64, what: String| {
            io::Error::new(
                io::ErrorKind::InvalidData,
                format!("damaged after {number} packets: {what}"),
            )
        };
        let mut reader =
            create_reader(1 << 18, Whole(reader)).map_err(|error| damaged(0, error.to_string()))?;
        loop {
            match reader.next() {
                Ok((used, block)) => {
                    self.block(&block);
                    reader.consume(used);
                }
                Err(PcapError::Eof) => return Ok(()),
                Err(PcapError::Incomplete(_)) => {
                    if reader.reader_exhausted() {
                        return Err(damaged(
                            self.number,
                            "it ends in the middle of a packet".to_owned(),
                        ));
                    }
                    reader.refill().map_err(|error| match error {
                        // It asks for more room than the buffer has: no packet of CAN is as long as
                        // that.
                        PcapError::BufferTooSmall => damaged(
                            self.number,
                            "a packet says it is longer than any can be".to_owned(),
                        ),
                        error => damaged(self.number, error.to_string()),
                    })?;
                }
                Err(error) => return Err(damaged(self.number, error.to_string())),
            }
            if self.waiting.len() >= TELLING {
                self.flush();
            }
            if self.chunk.frames.len() >= BATCH {
                // Channels and numbers count within a batch, as those of text do.
                if take(std::mem::take(&mut self.chunk).finish()).is_break() {
                    return Ok(());
                }
            }
        }
    }

    fn block(&mut self, block: &PcapBlockOwned<'_>) {
        match block {
            PcapBlockOwned::LegacyHeader(header) => {
                self.flush();
                let resolution =
                    if header.is_nanosecond_precision() { 1_000_000_000 } else { 1_000_000 };
                self.interfaces = vec![Interface {
                    name: "can0".to_owned(),
                    link: header.network.0 & LINK,
                    resolution: Some(resolution),
                    offset: 0,
                }];
            }
            PcapBlockOwned::Legacy(packet) => {
                let stamp = |interface: &Interface| {
                    u64::from(packet.ts_sec) * interface.resolution.unwrap_or_default()
                        + u64::from(packet.ts_usec)
                };
                let time =
                    self.interfaces.first().and_then(|interface| time(stamp(interface), interface));
                self.packet(0, time, packet.data);
            }
            PcapBlockOwned::NG(Block::SectionHeader(_)) => {
                // Interfaces are those of their section (draft-ietf-opsawg-pcapng, 4.1 and 4.2):
                // what waits is of the one before.
                self.flush();
                self.interfaces.clear();
            }
            PcapBlockOwned::NG(Block::InterfaceDescription(own)) => {
                // Names come from outside: what is not printable is left out.
                let given = own.if_name().and_then(Result::ok).unwrap_or_default();
                let mut name: String =
                    given.chars().filter(char::is_ascii_graphic).take(31).collect();
                if name.is_empty() {
                    name = format!("can{}", self.interfaces.len());
                }
                self.interfaces.push(Interface {
                    name,
                    link: own.linktype.0,
                    resolution: resolution(own.if_tsresol),
                    offset: own.ts_offset(),
                });
            }
            PcapBlockOwned::NG(Block::EnhancedPacket(packet)) => {
                let at = packet.if_id as usize;
                let stamp = u64::from(packet.ts_high) << 32 | u64::from(packet.ts_low);
                let time = self.interfaces.get(at).and_then(|interface| time(stamp, interface));
                self.packet(at, time, packet.packet_data());
            }
            PcapBlockOwned::NG(Block::SimplePacket(packet)) => {
                self.packet(0, None, packet.packet_data())
            }
            PcapBlockOwned::NG(_) => {}
        }
    }

    fn packet(&mut self, interface: usize, time: Option<Timestamp>, data: &[u8]) {
        self.number += 1;
        self.waiting.push(Packet { time, interface, data: data.to_vec() });
    }

    /// Parses what waits, in the byte order that makes more of it frames; decided once.
    fn flush(&mut self) {
        let waiting = std::mem::take(&mut self.waiting);
        if waiting.is_empty() {
            // Nothing to tell the byte order by.
            return;
        }
        let order = self.order.unwrap_or_else(|| {
            // What is an error report of no class that there is would be one of anything.
            let sense = |packet: &&Packet, order: IdOrder| match self.frame(packet, order) {
                Ok((FrameKind::Error(error), _)) => error.class() < 1 << CLASSES.len(),
                other => other.is_ok(),
            };
            let sound =
                |order: IdOrder| waiting.iter().filter(|packet| sense(packet, order)).count();
            if sound(IdOrder::Little) > sound(IdOrder::Big) {
                IdOrder::Little
            } else {
                IdOrder::Big
            }
        });
        self.order = Some(order);
        let first = self.number - waiting.len() as u64;
        for (at, packet) in waiting.iter().enumerate() {
            let number = first + at as u64 + 1;
            self.chunk.lines += 1;
            match self.frame(packet, order) {
                Ok((kind, index)) => {
                    // A cooked capture of all interfaces numbers them and has no names.
                    let own = &self.interfaces[packet.interface].name;
                    let name = index.map_or_else(|| own.clone(), |index| format!("if{index}"));
                    match self.chunk.channels.of(&name, number) {
                        Some(channel) => {
                            self.chunk.add(packet.time, channel, kind.map_fd(Box::new))
                        }
                        None => self.chunk.reject(number, TOO_MANY.to_owned()),
                    }
                }
                Err(Refused { fault: Some(PacketFault::Xl), .. }) => self.chunk.xl += 1,
                Err(Refused { foreign, reason, .. }) => {
                    self.chunk.foreign += u64::from(foreign);
                    self.chunk.reject(number, reason);
                }
            }
        }
    }

    /// The frame of a packet, and the number of its interface where the packet has one.
    fn frame(&self, packet: &Packet, order: IdOrder) -> Result<(FrameKind, Option<u32>), Refused> {
        let other = |foreign: bool, reason: String| Refused { foreign, reason, fault: None };
        let Some(interface) = self.interfaces.get(packet.interface) else {
            let reason = format!("interface {} is not described", packet.interface);
            return Err(other(false, reason));
        };
        if interface.resolution.is_none() {
            let reason = format!(
                "interface {} counts time in finer steps than can be read",
                packet.interface
            );
            return Err(other(false, reason));
        }
        let alone = |frame: FrameKind| (frame, None);
        let parsed = match interface.link {
            LINK_SOCKETCAN => socketcan::parse(&packet.data, order).map(alone),
            LINK_COOKED => socketcan::parse_cooked(&packet.data, order).map(alone),
            LINK_COOKED_2 => socketcan::parse_cooked_2(&packet.data, order)
                .map(|(frame, index)| (frame, Some(index))),
            other_link => {
                let reason = format!(
                    "link type {other_link} carries no CAN; {LINK_SOCKETCAN}, {LINK_COOKED} and \
                     {LINK_COOKED_2} do"
                );
                return Err(other(true, reason));
            }
        };
        parsed.map_err(|fault| Refused {
            foreign: matches!(fault, PacketFault::OtherProtocol(_)),
            reason: fault.to_string(),
            fault: Some(fault),
        })
    }
}

/// Why a packet is no frame.
struct Refused {
    /// It carries something else, and says so.
    foreign: bool,
    reason: String,
    fault: Option<PacketFault>,
}

/// Time stamps a second by the option `if_tsresol`: a power of 2 where its highest bit is set, else
/// one of 10 (draft-ietf-opsawg-pcapng, 4.2).
fn resolution(option: u8) -> Option<u64> {
    let power = u32::from(option & 0x7F);
    if option & 0x80 == 0 { 10_u64.checked_pow(power) } else { 2_u64.checked_pow(power) }
}

fn time(stamp: u64, interface: &Interface) -> Option<Timestamp> {
    let resolution = interface.resolution?;
    let (whole, rest) = (stamp / resolution, stamp % resolution);
    let part = u128::from(rest) * 1_000_000_000 / u128::from(resolution);
    let seconds = i64::try_from(whole).ok()?.checked_add(interface.offset)?;
    Some(Timestamp::from_nanoseconds(seconds.checked_mul(1_000_000_000)?.checked_add(part as i64)?))
}
