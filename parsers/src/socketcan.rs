//! CAN frames inside network captures: link type 227 (SocketCAN) and the cooked link types 113 and
//! 276 that carry CAN.
//!
//! | bytes | 227 |
//! |---|---|
//! | 0 to 3 | identifier with its flags, most significant byte first |
//! | 4 | data length |
//! | 5 | FD flags: bit 0 BRS, bit 1 ESI, bit 2 FD |
//! | 7 | raw length code above 8 of a classical frame, or 0 |
//! | 8 … | data |
//!
//! Source: LINKTYPE_CAN_SOCKETCAN, LINKTYPE_LINUX_SLL and LINKTYPE_LINUX_SLL2 of the tcpdump.org
//! link-layer header types; `linux/can.h`. The cooked types hold the same frame after a header of
//! 16 or 20 bytes, with the identifier in the byte order of the machine that captured it; captures
//! of 227 written that way exist too. A packet of 72 bytes is a `struct canfd_frame` (`CANFD_MTU`),
//! whether its flag for the format is set or not: older kernels left it out.

use core::borrow::Borrow;
use core::fmt;

use embedded_can::Frame as _;

use crate::frame::{make_id, raw_id};
use crate::{ClassicFrame, ErrorFrame, FdFlags, FdFrame, FrameKind, Id};

/// The link type of SocketCAN.
pub const LINK_SOCKETCAN: i32 = 227;
/// The cooked link type, version 1.
pub const LINK_COOKED: i32 = 113;
/// The cooked link type, version 2, which names the interface of each packet.
pub const LINK_COOKED_2: i32 = 276;

const EXTENDED: u32 = 0x8000_0000;
const REMOTE: u32 = 0x4000_0000;
const ERROR: u32 = 0x2000_0000;
/// `ARPHRD_CAN`.
const HARDWARE_CAN: u16 = 280;
/// `ETH_P_CAN`, `ETH_P_CANFD`.
const PROTOCOL_CAN: u16 = 0x000C;
const PROTOCOL_FD: u16 = 0x000D;
/// `ETH_P_CANXL`.
const PROTOCOL_XL: u16 = 0x000E;
/// `CANXL_XLF`, where other frames have their length, of which this bit is no part.
const XL: u8 = 0x80;
/// `CANFD_MTU`.
const FD_PACKET: usize = 72;

/// How the identifier lies in the packet.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum IdOrder {
    /// Most significant byte first, as the link type 227 says.
    Big,
    /// Least significant byte first.
    Little,
}

/// Why a packet is no frame.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum PacketFault {
    /// Fewer bytes than its header needs: wanted, and there.
    Short(usize, usize),
    /// A cooked packet that carries something else than CAN.
    OtherProtocol(u16),
    /// A frame of CAN XL, which is not read.
    Xl,
    /// A standard identifier above 7FF, or flags that contradict each other.
    Identifier(u32),
    /// A data length that no frame has.
    Length(u8),
}

impl fmt::Display for PacketFault {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self {
            PacketFault::Short(wanted, there) => {
                write!(f, "{wanted} bytes expected, {there} found")
            }
            PacketFault::OtherProtocol(protocol) => {
                write!(f, "protocol 0x{protocol:04X} is not CAN")
            }
            PacketFault::Xl => f.write_str("a frame of CAN XL"),
            PacketFault::Identifier(id) => {
                write!(f, "0x{id:08X} is no identifier; are its bytes in the other order?")
            }
            PacketFault::Length(length) => write!(f, "no frame has {length} data bytes"),
        }
    }
}

/// The frame in a packet of link type 227.
///
/// # Errors
/// Where the packet is too short or is no frame.
///
/// ```
/// use lostnode_parsers::FrameKind;
/// use lostnode_parsers::socketcan::{IdOrder, parse};
/// let packet = [0, 0, 0x07, 0x10, 3, 0, 0, 0, 2, 1, 12];
/// let FrameKind::Classic(frame) = parse(&packet, IdOrder::Big).unwrap() else { panic!() };
/// assert_eq!(frame.bytes(), [2, 1, 12]);
/// assert!(parse(&packet, IdOrder::Little).is_err());
/// ```
pub fn parse(packet: &[u8], order: IdOrder) -> Result<FrameKind, PacketFault> {
    frame(packet, order, false)
}

/// The frame in a cooked packet, version 1.
///
/// # Errors
/// As for [`parse`], and where it carries something else than CAN.
pub fn parse_cooked(packet: &[u8], order: IdOrder) -> Result<FrameKind, PacketFault> {
    cooked(packet, order, 16, 2, 14)
}

/// The frame in a cooked packet, version 2, and the number of its interface.
///
/// # Errors
/// As for [`parse_cooked`].
///
/// ```
/// use lostnode_parsers::socketcan::{IdOrder, parse_cooked_2};
/// let header = [0, 0x0C, 0, 0, 0, 0, 0, 3, 1, 0x18, 0, 0, 0, 0, 0, 0, 0, 0, 0, 0];
/// let packet = [&header[..], &[0x10, 0x07, 0, 0, 1, 0, 0, 0, 0xAA]].concat();
/// let (frame, interface) = parse_cooked_2(&packet, IdOrder::Little).unwrap();
/// assert_eq!((frame.bytes(), interface), (&[0xAA][..], 3));
/// ```
pub fn parse_cooked_2(packet: &[u8], order: IdOrder) -> Result<(FrameKind, u32), PacketFault> {
    let frame = cooked(packet, order, 20, 8, 0)?;
    let interface = packet.get(4..8).and_then(|bytes| bytes.try_into().ok());
    Ok((frame, interface.map_or(0, u32::from_be_bytes)))
}

/// Behind a header of so many bytes, with the kind of hardware and the protocol at these places.
fn cooked(
    packet: &[u8],
    order: IdOrder,
    header: usize,
    hardware: usize,
    protocol: usize,
) -> Result<FrameKind, PacketFault> {
    let (Some(hardware), Some(protocol)) = (word(packet, hardware), word(packet, protocol)) else {
        return Err(PacketFault::Short(header, packet.len()));
    };
    match (hardware, protocol) {
        (HARDWARE_CAN, PROTOCOL_XL) => Err(PacketFault::Xl),
        (HARDWARE_CAN, PROTOCOL_CAN | PROTOCOL_FD) => {
            frame(packet.get(header..).unwrap_or(&[]), order, protocol == PROTOCOL_FD)
        }
        _ => Err(PacketFault::OtherProtocol(protocol)),
    }
}

fn word(packet: &[u8], at: usize) -> Option<u16> {
    Some(u16::from_be_bytes([*packet.get(at)?, *packet.get(at + 1)?]))
}

fn frame(packet: &[u8], order: IdOrder, fd: bool) -> Result<FrameKind, PacketFault> {
    let [a, b, c, d, length, flags, _, code, data @ ..] = packet else {
        return Err(PacketFault::Short(8, packet.len()));
    };
    let raw = match order {
        IdOrder::Big => u32::from_be_bytes([*a, *b, *c, *d]),
        IdOrder::Little => u32::from_le_bytes([*a, *b, *c, *d]),
    };
    let fault = PacketFault::Identifier(raw);
    if *length & XL != 0 {
        return Err(PacketFault::Xl);
    }
    let fd = fd || flags & 0x04 != 0 || *length > 8 || packet.len() == FD_PACKET;
    let wanted = if raw & REMOTE != 0 { 0 } else { usize::from(*length) };
    let data = data.get(..wanted).ok_or(PacketFault::Short(8 + wanted, packet.len()))?;
    if raw & ERROR != 0 {
        if raw & (EXTENDED | REMOTE) != 0 {
            return Err(fault);
        }
        return ErrorFrame::new(raw & !ERROR, data)
            .map(FrameKind::Error)
            .ok_or(PacketFault::Length(*length));
    }
    let id = make_id(raw & 0x1FFF_FFFF, raw & EXTENDED != 0).ok_or(fault)?;
    if fd {
        if raw & REMOTE != 0 {
            return Err(fault);
        }
        let flags = FdFlags { brs: flags & 0x01 != 0, esi: flags & 0x02 != 0 };
        return FdFrame::new(id, data, flags)
            .map(FrameKind::Fd)
            .ok_or(PacketFault::Length(*length));
    }
    let frame = match raw & REMOTE != 0 {
        true if *code > 8 && *length == 8 => ClassicFrame::remote_with_raw_dlc(id, *code),
        true => ClassicFrame::new_remote(id, usize::from(*length)),
        false if *code > 8 => ClassicFrame::with_raw_dlc(id, data, *code),
        false => ClassicFrame::new(id, data),
    };
    frame.map(FrameKind::Classic).ok_or(PacketFault::Length(*length))
}

/// A frame as a packet of link type 227.
///
/// ```
/// use lostnode_parsers::candump;
/// use lostnode_parsers::socketcan::{IdOrder, Packet, parse};
/// let kind = candump::parse_line(b"(1.000000) can0 18DAF110##3AABB").unwrap().kind;
/// assert_eq!(parse(Packet::of(&kind).bytes(), IdOrder::Big), Ok(kind));
/// ```
#[derive(Clone, Copy, Debug)]
pub struct Packet {
    bytes: [u8; FD_PACKET],
    length: usize,
}

impl Packet {
    /// Of a frame; flags of CAN FD that are not known are written as not set.
    pub fn of<F: Borrow<FdFrame>>(kind: &FrameKind<F>) -> Self {
        let (raw, length, flags, code) = match kind {
            FrameKind::Classic(frame) => {
                let remote = if frame.is_remote() { REMOTE } else { 0 };
                let code = frame.raw_dlc();
                (remote, code.min(8), 0, if code > 8 { code } else { 0 })
            }
            FrameKind::Fd(frame) => {
                let frame: &FdFrame = frame.borrow();
                let FdFlags { brs, esi } = frame.known_flags();
                let flags = 0x04 | u8::from(brs) | u8::from(esi) << 1;
                (0, frame.bytes().len() as u8, flags, 0)
            }
            FrameKind::Error(error) => (ERROR | error.class(), error.bytes().len() as u8, 0, 0),
        };
        let raw = match kind.id() {
            Some(id @ Id::Extended(_)) => raw | EXTENDED | raw_id(id),
            Some(id) => raw | raw_id(id),
            None => raw,
        };
        let mut bytes = [0; FD_PACKET];
        bytes[..4].copy_from_slice(&raw.to_be_bytes());
        (bytes[4], bytes[5], bytes[7]) = (length, flags, code);
        let data = kind.bytes();
        bytes[8..8 + data.len()].copy_from_slice(data);
        Packet { bytes, length: 8 + data.len() }
    }

    /// The bytes of the packet.
    pub fn bytes(&self) -> &[u8] {
        &self.bytes[..self.length]
    }
}
