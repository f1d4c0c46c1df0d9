//! SocketCAN (Linux, Documentation/networking/can.rst).

use std::borrow::Borrow;
use std::io;
use std::time::{Duration, UNIX_EPOCH};

use lostnode_parsers::embedded_can::{self, Frame as _};
use lostnode_parsers::frame::make_id;
use lostnode_parsers::{ClassicFrame, ErrorFrame, FdFlags, FdFrame, FrameKind, Id, Timestamp};
use neli::consts::nl::NlmF;
use neli::consts::rtnl::{Ifla, IflaInfo, RtAddrFamily, Rtm};
use neli::consts::socket::NlFamily;
use neli::nl::NlPayload;
use neli::router::synchronous::NlRouter;
use neli::rtnl::{Ifinfomsg, IfinfomsgBuilder};
use neli::utils::Groups;
use socketcan::frame::{can_frame_default, canfd_frame_default};
use socketcan::{
    CanAnyFrame, CanCtrlMode, CanFdFrame, CanFdSocket, CanFrame, CanInterface, Socket,
    SocketOptions,
};

use super::{VIRTUAL, Wiring};

/// Bytes the kernel may hold for us while we are busy; it takes no more than its own limit.
const RECEIVE_BUFFER: usize = 8 << 20;
/// Place of the count of dropped packets in `SO_MEMINFO` (Linux, include/uapi/linux/sock_diag.h,
/// `SK_MEMINFO_DROPS`).
const MEMINFO_DROPS: usize = 8;
/// How often a full send queue is tried again, and how long to wait between.
const TRIES: u32 = 2000;
const PATIENCE: Duration = Duration::from_micros(500);

/// An open interface: classical and FD frames, error reports, time stamps of the kernel.
#[derive(Debug)]
pub struct Interface {
    socket: CanFdSocket,
    wiring: Wiring,
}

/// Opens an interface.
///
/// # Errors
/// Where there is no such interface, or it is no CAN interface, or it may not be used.
pub fn open(name: &str) -> io::Result<Interface> {
    let told = |error: io::Error| match error.raw_os_error() {
        Some(libc::ENODEV) => io::Error::new(
            io::ErrorKind::NotFound,
            "there is no such CAN interface; `ip link` lists them",
        ),
        Some(libc::EPROTONOSUPPORT | libc::EAFNOSUPPORT) => io::Error::new(
            io::ErrorKind::Unsupported,
            "this kernel has no CAN; try `modprobe can-raw`",
        ),
        _ => error,
    };
    let socket = CanFdSocket::open(name).map_err(told)?;
    socket.set_error_filter_accept_all()?;
    socket.set_recv_timestamp(true)?;
    // Best effort: beyond the kernel's limit where we may, up to it where not. With a smaller
    // buffer drops are likelier; they are counted.
    if socket
        .set_socket_option_int(
            libc::SOL_SOCKET,
            libc::SO_RCVBUFFORCE,
            RECEIVE_BUFFER as libc::c_int,
        )
        .is_err()
    {
        let _ = socket.as_raw_socket().set_recv_buffer_size(RECEIVE_BUFFER);
    }
    Ok(Interface { socket, wiring: wiring(name) })
}

/// What the kernel says of an interface. What it says nothing of is taken for a real bus.
fn wiring(name: &str) -> Wiring {
    let virtual_kind = kind(name).is_some_and(|kind| VIRTUAL.contains(&kind.as_str()));
    if virtual_kind {
        return Wiring::Virtual;
    }
    let params = CanInterface::open(name)
        .ok()
        .and_then(|interface| interface.can_params().ok())
        .unwrap_or_default();
    Wiring::Physical {
        listen_only: params.ctrl_mode.map(|mode| mode.has_mode(CanCtrlMode::ListenOnly)),
        error_reports: params.ctrl_mode.map(|mode| mode.has_mode(CanCtrlMode::BerrReporting)),
        bit_rate: params
            .bit_timing
            .map(|timing| f64::from(timing.bitrate))
            .filter(|rate| *rate > 0.0),
    }
}

/// The kind of link, such as `vcan`, by rtnetlink.
fn kind(name: &str) -> Option<String> {
    let (router, _) = NlRouter::connect(NlFamily::Route, None, Groups::empty()).ok()?;
    let all = IfinfomsgBuilder::default().ifi_family(RtAddrFamily::Unspecified).build().ok()?;
    let answers = router
        .send::<_, _, Rtm, Ifinfomsg>(Rtm::Getlink, NlmF::DUMP | NlmF::ACK, NlPayload::Payload(all))
        .ok()?;
    let mut found = None;
    for answer in answers {
        let answer = answer.ok()?;
        let Some(link) = answer.get_payload() else { continue };
        let attributes = link.rtattrs().get_attr_handle();
        let Ok(own) = attributes.get_attr_payload_as_with_len::<String>(Ifla::Ifname) else {
            continue;
        };
        if own.trim_end_matches('\0') != name {
            continue;
        }
        let Ok(info) = attributes.get_nested_attributes::<IflaInfo>(Ifla::Linkinfo) else {
            continue;
        };
        found = info.get_attr_payload_as_with_len::<String>(IflaInfo::Kind).ok();
    }
    found.map(|kind| kind.trim_end_matches('\0').to_owned())
}

impl Interface {
    /// What stands behind it.
    pub fn wiring(&self) -> &Wiring {
        &self.wiring
    }

    /// Sends a frame; waits while the queue is full, for about a second.
    ///
    /// # Errors
    /// Those of the socket, and where the queue stays full.
    pub fn send<F: Borrow<FdFrame>>(&self, kind: &FrameKind<F>) -> io::Result<()> {
        let frame = to_socket(kind)?;
        for _ in 0..TRIES {
            match self.socket.write_frame(&frame) {
                Err(error)
                    if matches!(error.raw_os_error(), Some(libc::ENOBUFS | libc::EAGAIN)) =>
                {
                    std::thread::sleep(PATIENCE);
                }
                done => return done,
            }
        }
        Err(io::Error::new(
            io::ErrorKind::TimedOut,
            "the send queue stays full; does anybody on this bus acknowledge frames?",
        ))
    }

    /// Waits for a frame, at most for `patience`; `None` where none came.
    ///
    /// # Errors
    /// Those of the socket.
    pub fn receive(&self, patience: Duration) -> io::Result<Option<(Timestamp, FrameKind)>> {
        if self.socket.read_timeout()? != Some(patience) {
            self.socket.set_read_timeout(patience)?;
        }
        let (frame, time) = match self.socket.read_frame_with_timestamp() {
            Ok(read) => read,
            Err(error)
                if matches!(
                    error.kind(),
                    io::ErrorKind::WouldBlock
                        | io::ErrorKind::TimedOut
                        | io::ErrorKind::Interrupted
                ) =>
            {
                return Ok(None);
            }
            Err(error) => return Err(error),
        };
        let since = time.duration_since(UNIX_EPOCH).map_or(0, |since| since.as_nanos());
        let time = Timestamp::from_nanoseconds(i64::try_from(since).unwrap_or(i64::MAX));
        match from_socket(&frame) {
            Some(kind) => Ok(Some((time, kind))),
            None => Err(io::Error::new(
                io::ErrorKind::InvalidData,
                "the kernel handed over what is no frame",
            )),
        }
    }

    /// Frames the kernel threw away because we did not fetch them in time, since the interface was
    /// opened.
    ///
    /// # Errors
    /// Where the kernel does not tell.
    pub fn dropped(&self) -> io::Result<u64> {
        let mut info = [0; 4 * (MEMINFO_DROPS + 1)];
        let length =
            self.socket.get_socket_option_bytes(libc::SOL_SOCKET, libc::SO_MEMINFO, &mut info)?;
        let field = info[..length]
            .chunks_exact(4)
            .nth(MEMINFO_DROPS)
            .and_then(|field| field.try_into().ok());
        field
            .map(|field| u32::from_ne_bytes(field).into())
            .ok_or_else(|| io::ErrorKind::Unsupported.into())
    }
}

fn to_socket<F: Borrow<FdFrame>>(kind: &FrameKind<F>) -> io::Result<CanAnyFrame> {
    let raw = |id: Id| match id {
        Id::Standard(id) => u32::from(id.as_raw()),
        Id::Extended(id) => id.as_raw() | libc::CAN_EFF_FLAG,
    };
    match kind {
        FrameKind::Classic(classic) => {
            let mut frame = can_frame_default();
            frame.can_id = raw(classic.identifier())
                | if classic.is_remote() { libc::CAN_RTR_FLAG } else { 0 };
            frame.can_dlc = embedded_can::Frame::dlc(classic) as u8;
            frame.len8_dlc = if classic.raw_dlc() > 8 { classic.raw_dlc() } else { 0 };
            frame.data[..classic.bytes().len()].copy_from_slice(classic.bytes());
            Ok(CanFrame::from(frame).into())
        }
        FrameKind::Fd(fd) => {
            let fd = fd.borrow();
            let mut frame = canfd_frame_default();
            frame.can_id = raw(fd.identifier());
            frame.len = fd.bytes().len() as u8;
            let (brs, esi) = (libc::CANFD_BRS as u8, libc::CANFD_ESI as u8);
            let flags = fd.known_flags();
            frame.flags = if flags.brs { brs } else { 0 } | if flags.esi { esi } else { 0 };
            frame.data[..fd.bytes().len()].copy_from_slice(fd.bytes());
            Ok(CanFdFrame::from(frame).into())
        }
        FrameKind::Error(error) => {
            let mut frame = can_frame_default();
            frame.can_id = error.class() | libc::CAN_ERR_FLAG;
            frame.can_dlc = 8;
            frame.data[..error.bytes().len()].copy_from_slice(error.bytes());
            Ok(CanFrame::from(frame).into())
        }
    }
}

fn from_socket(frame: &CanAnyFrame) -> Option<FrameKind> {
    let id = |raw: u32| {
        let extended = raw & libc::CAN_EFF_FLAG != 0;
        make_id(raw & if extended { libc::CAN_EFF_MASK } else { libc::CAN_SFF_MASK }, extended)
    };
    match frame {
        CanAnyFrame::Normal(data) => {
            let frame: &libc::can_frame = data.as_ref();
            let length = frame.can_dlc.min(8);
            let code = if length == 8 && (9..=15).contains(&frame.len8_dlc) {
                frame.len8_dlc
            } else {
                length
            };
            let data = &frame.data[..usize::from(length)];
            ClassicFrame::with_raw_dlc(id(frame.can_id)?, data, code).map(FrameKind::Classic)
        }
        CanAnyFrame::Remote(remote) => {
            let frame: &libc::can_frame = remote.as_ref();
            ClassicFrame::new_remote(id(frame.can_id)?, usize::from(frame.can_dlc.min(8)))
                .map(FrameKind::Classic)
        }
        CanAnyFrame::Error(error) => {
            let frame: &libc::can_frame = error.as_ref();
            ErrorFrame::new(frame.can_id & libc::CAN_ERR_MASK, &frame.data).map(FrameKind::Error)
        }
        CanAnyFrame::Fd(fd) => {
            let frame: &libc::canfd_frame = fd.as_ref();
            let flags = FdFlags {
                brs: frame.flags & libc::CANFD_BRS as u8 != 0,
                esi: frame.flags & libc::CANFD_ESI as u8 != 0,
            };
            FdFrame::new(id(frame.can_id)?, frame.data.get(..usize::from(frame.len))?, flags)
                .map(FrameKind::Fd)
        }
    }
}
