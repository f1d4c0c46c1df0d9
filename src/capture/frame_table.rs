//! Frames as rows of a table: the columns that `lostnode frames` writes, and the way back from such
//! values to a frame.

use lostnode_parsers::frame::{DisplayId, make_id};
use lostnode_parsers::{ClassicFrame, ErrorFrame, FdFlags, FdFrame, FrameKind, Id};

use super::Frame;
use crate::table::{Cell, Column, Kind, column};

/// Columns of a table of frames.
pub const COLUMNS: [Column; 12] = [
    column("time", Kind::Time, "time stamp; empty where the capture has none"),
    column("channel", Kind::Text, "name of the channel"),
    column("kind", Kind::Text, "`data`, `remote`, `fd` or `error`"),
    column(
        "id",
        Kind::Text,
        "identifier, `0x` and 3 or 8 hexadecimal digits; none for an error report",
    ),
    column("extended", Kind::Flag, "whether the identifier has 29 bits"),
    column("dlc", Kind::Whole, "length code as sent, 0 to 15"),
    column("data", Kind::Bytes, "data bytes; of an error report, the controller's notes"),
    column("brs", Kind::Flag, "CAN FD: whether the bit rate switches; empty where not known"),
    column("esi", Kind::Flag, "CAN FD: whether the sender is error passive; empty where not known"),
    column("error_class", Kind::Text, "classes of an error report, in words"),
    column(
        "error_bits",
        Kind::Whole,
        "classes of an error report, as the bits of linux/can/error.h",
    ),
    column(
        "bits",
        Kind::Whole,
        "exact length on the wire in bits, with stuff bits and interframe space",
    ),
];

/// The row of a frame.
pub fn cells<'a>(frame: &'a Frame, channel: &'a str) -> [Cell<'a>; 12] {
    let (kind, dlc, flags, error) = match &frame.kind {
        FrameKind::Classic(classic) if classic.is_remote() => {
            ("remote", Some(classic.raw_dlc()), None, None)
        }
        FrameKind::Classic(classic) => ("data", Some(classic.raw_dlc()), None, None),
        FrameKind::Fd(fd) => ("fd", Some(fd.dlc()), fd.flags, None),
        FrameKind::Error(error) => ("error", None, None, Some(error)),
    };
    let id = frame.kind.id();
    [
        Cell::of(frame.time, Cell::Time),
        Cell::text(channel),
        Cell::text(kind),
        Cell::of(id, |id| Cell::text(format!("0x{}", DisplayId(id)))),
        Cell::of(id, |id| Cell::Flag(matches!(id, Id::Extended(_)))),
        Cell::of(dlc, |dlc| Cell::Whole(dlc.into())),
        Cell::Bytes(frame.kind.bytes()),
        Cell::of(flags, |flags| Cell::Flag(flags.brs)),
        Cell::of(flags, |flags| Cell::Flag(flags.esi)),
        Cell::of(error, |error| Cell::text(error.classes().collect::<Vec<_>>().join(" "))),
        Cell::of(error, |error| Cell::Whole(error.class().into())),
        Cell::Whole(frame.length.bits().into()),
    ]
}

/// What a row says of a frame; what it does not say is guessed from the rest.
#[derive(Debug, Default)]
pub(super) struct Parts<'a> {
    pub kind: &'a str,
    /// Its value, and the digits it was written with.
    pub id: Option<(u32, usize)>,
    pub extended: Option<bool>,
    pub dlc: Option<u64>,
    pub data: &'a [u8],
    pub brs: Option<bool>,
    pub esi: Option<bool>,
    pub error_bits: Option<u64>,
}

impl Parts<'_> {
    /// The frame; or what is wrong with the row.
    pub fn frame(&self) -> Result<FrameKind, String> {
        let long = self.data.len() > 8;
        match self.kind {
            "error" => self.error(),
            "remote" => self.remote(),
            "data" | "" if !long => self.classic(),
            "fd" | "" => self.fd(),
            "data" => Err(format!(
                "a classical frame has at most 8 data bytes, here are {}",
                self.data.len()
            )),
            other => Err(format!("`{other}` is no kind of frame: data, remote, fd and error are")),
        }
    }

    fn id(&self) -> Result<Id, String> {
        let (value, digits) = self.id.ok_or("no identifier")?;
        // Eight digits are how 29 bits are written, whatever the value.
        let extended = self.extended.unwrap_or(value > 0x7FF || digits >= 8);
        make_id(value, extended).ok_or_else(|| {
            format!("0x{value:X} is no identifier of {} bits", if extended { 29 } else { 11 })
        })
    }

    fn classic(&self) -> Result<FrameKind, String> {
        let id = self.id()?;
        let length = self.data.len() as u64;
        let dlc = self.dlc.unwrap_or(length);
        let frame =
            u8::try_from(dlc).ok().and_then(|dlc| ClassicFrame::with_raw_dlc(id, self.data, dlc));
        frame
            .map(FrameKind::Classic)
            .ok_or_else(|| format!("length code {dlc}, but {length} data bytes"))
    }

    fn remote(&self) -> Result<FrameKind, String> {
        let dlc = self.dlc.unwrap_or(0);
        let frame = u8::try_from(dlc)
            .ok()
            .and_then(|dlc| ClassicFrame::remote_with_raw_dlc(self.id().ok()?, dlc));
        frame.map(FrameKind::Classic).ok_or_else(|| {
            self.id().err().unwrap_or(format!("length code {dlc} of a remote frame"))
        })
    }

    fn fd(&self) -> Result<FrameKind, String> {
        // A table that has neither says nothing of them; one that has one of them means it.
        let known = self.brs.is_some() || self.esi.is_some();
        let flag = |flag: Option<bool>| flag.unwrap_or_default();
        let flags = known.then(|| FdFlags { brs: flag(self.brs), esi: flag(self.esi) });
        let frame = FdFrame::new(self.id()?, self.data, flags);
        frame
            .map(FrameKind::Fd)
            .ok_or_else(|| format!("no frame has {} data bytes", self.data.len()))
    }

    fn error(&self) -> Result<FrameKind, String> {
        let bits = self.error_bits.ok_or("an error report without its class bits")?;
        let frame = u32::try_from(bits).ok().and_then(|bits| ErrorFrame::new(bits, self.data));
        frame
            .map(FrameKind::Error)
            .ok_or_else(|| format!("{bits} are no class bits of an error report"))
    }
}
