//! CAN frames inside network captures: link type 227 (SocketCAN) and the cooked link type 113 that
//! carries CAN.
//!
//! | bytes | 227 |
//! |---|---|
//! | 0 to 3 | identifier with its flags, most significant byte first |
//! | 4 | data length |
//! | 5 | FD flags: bit 0 BRS, bit 1 ESI, bit 2 FD |
//! | 7 | raw length code above 8 of a classical frame, or 0 |
//! | 8 … | data |
//!
//! Source: LINKTYPE_CAN_SOCKETCAN and LINKTYPE_LINUX_SLL of the tcpdump.org link-layer header
//! types; `linux/can.h`. The cooked type holds the same frame after a header of 16 bytes, with the
//! identifier in the byte order of the machine that captured it; captures of 227 written that way
//! exist too.

use core::fmt;

use embedded_can::Frame as _;

use crate::frame::make_id;
use crate::{ClassicFrame, ErrorFrame, FdFlags, FdFrame, FrameKind};

/// The link type of SocketCAN.
pub const LINK_SOCKETCAN: i32 = 227;
/// The cooked link type, version 1.
pub const LINK_COOKED: i32 = 113;

const EXTENDED: u32 = 0x8000_0000;
const REMOTE: u32 = 0x4000_0000;
const ERROR: u32 = 0x2000_0000;
/// `ARPHRD_CAN`.
const HARDWARE_CAN: u16 = 280;
/// `ETH_P_CAN`, `ETH_P_CANFD`.
const PROTOCOL_CAN: u16 = 0x000C;
const PROTOCOL_FD: u16 = 0x000D;

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

/// The frame in a cooked packet.
///
/// # Errors
/// As for [`parse`], and where it carries something else than CAN.
pub fn parse_cooked(packet: &[u8], order: IdOrder) -> Result<FrameKind, PacketFault> {
    let (Some(hardware), Some(protocol)) = (word(packet, 2), word(packet, 14)) else {
        return Err(PacketFault::Short(16, packet.len()));
    };
    if hardware != HARDWARE_CAN || !matches!(protocol, PROTOCOL_CAN | PROTOCOL_FD) {
        return Err(PacketFault::OtherProtocol(protocol));
    }
    frame(packet.get(16..).unwrap_or(&[]), order, protocol == PROTOCOL_FD)
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
    let fd = fd || flags & 0x04 != 0 || *length > 8;
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
        true => ClassicFrame::new_remote(id, usize::from(*length)),
        false if *code > 8 => ClassicFrame::with_raw_dlc(id, data, *code),
        false => ClassicFrame::new(id, data),
    };
    frame.map(FrameKind::Classic).ok_or(PacketFault::Length(*length))
}
