//! Identifier, frame and time stamp.

use core::borrow::Borrow;
use core::fmt;

use embedded_can::{ExtendedId, Id, StandardId};
use wide::bytemuck::bytes_of;

/// A point in time, in nanoseconds since the Unix epoch (or since the capture's own zero). Range:
/// 1677 to 2262.
///
/// ```
/// use lostnode_parsers::Timestamp;
/// let time = Timestamp::from_nanoseconds(1_500_000_000);
/// assert_eq!(time.seconds(), 1.5);
/// ```
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub struct Timestamp(i64);

impl Timestamp {
    /// From nanoseconds since the epoch.
    #[inline]
    pub const fn from_nanoseconds(nanoseconds: i64) -> Self {
        Timestamp(nanoseconds)
    }

    /// Nanoseconds since the epoch.
    #[inline]
    pub const fn nanoseconds(self) -> i64 {
        self.0
    }

    /// Seconds since the epoch: the nearest double, which keeps microseconds of today's dates.
    ///
    /// ```
    /// use lostnode_parsers::Timestamp;
    /// let time = Timestamp::from_nanoseconds(1_700_000_000_005_000_000);
    /// assert_eq!(time.seconds(), 1_700_000_000.005);
    /// ```
    pub fn seconds(self) -> f64 {
        // A division rounds to the nearest where both numbers are exact doubles: up to 2^53.
        // Nanoseconds of today are larger, microseconds are not.
        const EXACT: u64 = 1 << 53;
        let near = if self.0.unsigned_abs() > EXACT && self.0 % 1_000 == 0 {
            (self.0 / 1_000) as f64 / 1e6
        } else {
            self.0 as f64 / 1e9
        };
        if self.0.unsigned_abs() <= EXACT || self.0 % 1_000 == 0 {
            return near;
        }
        // Both steps above rounded: the neighbours may be nearer. Of a double the distance is
        // exact in 2^-52 of a nanosecond or coarser, so whole numbers tell.
        let distance = |seconds: f64| (scaled(seconds) - (i128::from(self.0) << 52)).unsigned_abs();
        [near.next_down(), near.next_up()]
            .into_iter()
            .fold(near, |best, other| if distance(other) < distance(best) { other } else { best })
    }

    /// Nanoseconds from `earlier` to `self`, negative where the clock stepped back.
    #[inline]
    pub const fn since(self, earlier: Timestamp) -> i64 {
        self.0.saturating_sub(earlier.0)
    }
}

/// Seconds, of more than 2^23, as nanoseconds times 2^52, exactly: such a double is a multiple of
/// 2^-29, and has at most 34 bits before the point.
fn scaled(seconds: f64) -> i128 {
    let (whole, fraction) = (seconds as i64, seconds % 1.0);
    let fraction = (fraction * (1_u64 << 52) as f64) as i128;
    ((i128::from(whole) << 52) + fraction) * 1_000_000_000
}

/// A CAN frame of the classical format, data or remote (ISO 11898-1:2015, 10.4).
///
/// Implements [`embedded_can::Frame`], so code written against that trait reads captures too.
///
/// ```
/// use embedded_can::{Frame, StandardId};
/// use lostnode_parsers::ClassicFrame;
/// let frame = ClassicFrame::new(StandardId::new(0x7DF).unwrap(), &[2, 1, 0x0C]).unwrap();
/// assert_eq!(frame.data(), [2, 1, 0x0C]);
/// assert!(ClassicFrame::new(StandardId::ZERO, &[0; 9]).is_none());
/// ```
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct ClassicFrame {
    id: Id,
    remote: bool,
    /// The length code as sent: 0 to 15, where 9 to 15 still mean 8 data bytes.
    dlc: u8,
    /// The eight places for data as they lie in memory; what lies beyond the length is zero. One
    /// number, so that it is moved in one piece.
    data: u64,
}

impl ClassicFrame {
    /// A data frame whose length code is `raw_dlc`; `None` where the code (at most 15) and the data
    /// disagree.
    ///
    /// ISO 11898-1:2015, 8.4.2.4: codes 9 to 15 mean 8 bytes in the classical format.
    #[inline]
    pub fn with_raw_dlc(id: Id, data: &[u8], raw_dlc: u8) -> Option<Self> {
        if raw_dlc > 15 || data.len() != usize::from(raw_dlc.min(8)) {
            return None;
        }
        let mut bytes = [0; 8];
        bytes[..data.len()].copy_from_slice(data);
        Some(ClassicFrame { id, remote: false, dlc: raw_dlc, data: u64::from_ne_bytes(bytes) })
    }

    /// A data frame of `length` bytes, at most 8; those beyond are zero.
    #[inline]
    pub(crate) fn of_bytes(id: Id, data: [u8; 8], length: u8) -> Self {
        ClassicFrame { id, remote: false, dlc: length, data: u64::from_ne_bytes(data) }
    }

    /// A remote frame whose length code is `raw_dlc`, at most 15.
    ///
    /// ```
    /// use lostnode_parsers::{ClassicFrame, StandardId};
    /// let frame = ClassicFrame::remote_with_raw_dlc(StandardId::ZERO.into(), 14).unwrap();
    /// assert_eq!((frame.is_remote(), frame.raw_dlc(), frame.bytes()), (true, 14, &[][..]));
    /// ```
    #[inline]
    pub fn remote_with_raw_dlc(id: Id, raw_dlc: u8) -> Option<Self> {
        (raw_dlc <= 15).then_some(ClassicFrame { id, remote: true, dlc: raw_dlc, data: 0 })
    }

    /// The eight places for data; what lies beyond the length is zero.
    #[inline]
    pub(crate) fn places(self) -> [u8; 8] {
        self.data.to_ne_bytes()
    }

    /// The length code as sent, 0 to 15.
    #[inline]
    pub fn raw_dlc(&self) -> u8 {
        self.dlc
    }

    /// The identifier with its width.
    #[inline]
    pub fn identifier(&self) -> Id {
        self.id
    }

    /// Whether this is a remote frame: it has a length code and no data.
    #[inline]
    pub fn is_remote(&self) -> bool {
        self.remote
    }

    /// The data bytes; none in a remote frame.
    #[inline]
    pub fn bytes(&self) -> &[u8] {
        if self.remote { &[] } else { &bytes_of(&self.data)[..usize::from(self.dlc.min(8))] }
    }
}

impl embedded_can::Frame for ClassicFrame {
    fn new(id: impl Into<Id>, data: &[u8]) -> Option<Self> {
        ClassicFrame::with_raw_dlc(id.into(), data, u8::try_from(data.len()).ok()?)
    }

    fn new_remote(id: impl Into<Id>, dlc: usize) -> Option<Self> {
        let dlc = u8::try_from(dlc).ok().filter(|dlc| *dlc <= 8)?;
        Some(ClassicFrame { id: id.into(), remote: true, dlc, data: 0 })
    }

    fn is_extended(&self) -> bool {
        matches!(self.id, Id::Extended(_))
    }

    fn is_remote_frame(&self) -> bool {
        self.remote
    }

    fn id(&self) -> Id {
        self.id
    }

    fn dlc(&self) -> usize {
        usize::from(self.dlc.min(8))
    }

    fn data(&self) -> &[u8] {
        self.bytes()
    }
}

/// The flags of a CAN FD frame.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub struct FdFlags {
    /// Bit rate switch: the data phase is sent at the second, faster rate.
    pub brs: bool,
    /// Error state indicator: the sender is error passive.
    pub esi: bool,
}

/// A CAN FD frame (ISO 11898-1:2015, 10.4).
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct FdFrame {
    id: Id,
    /// BRS and ESI; `None` where the record does not say.
    pub flags: Option<FdFlags>,
    length: u8,
    data: [u8; 64],
}

/// Data lengths that CAN FD can carry, by length code (ISO 11898-1:2015, table 5).
pub const FD_LENGTHS: [u8; 16] = [0, 1, 2, 3, 4, 5, 6, 7, 8, 12, 16, 20, 24, 32, 48, 64];

impl FdFrame {
    /// A frame with `data`; `None` where no length code stands for that many bytes. Its flags may
    /// be `None` too, where they are not known.
    ///
    /// ```
    /// use lostnode_parsers::{FdFlags, FdFrame, StandardId};
    /// let id = StandardId::new(0x123).unwrap().into();
    /// assert_eq!(FdFrame::new(id, &[0; 12], FdFlags::default()).unwrap().dlc(), 9);
    /// assert!(FdFrame::new(id, &[0; 13], FdFlags::default()).is_none());
    /// ```
    pub fn new(id: Id, data: &[u8], flags: impl Into<Option<FdFlags>>) -> Option<Self> {
        let length = u8::try_from(data.len()).ok().filter(|length| FD_LENGTHS.contains(length))?;
        let mut bytes = [0; 64];
        bytes[..data.len()].copy_from_slice(data);
        Some(FdFrame { id, flags: flags.into(), length, data: bytes })
    }

    /// The identifier with its width.
    #[inline]
    pub fn identifier(&self) -> Id {
        self.id
    }

    /// BRS and ESI, taken as not set where they are not known.
    #[inline]
    pub fn known_flags(&self) -> FdFlags {
        self.flags.unwrap_or_default()
    }

    /// The data bytes.
    #[inline]
    pub fn bytes(&self) -> &[u8] {
        &self.data[..usize::from(self.length)]
    }

    /// The length code, 0 to 15.
    #[inline]
    pub fn dlc(&self) -> u8 {
        FD_LENGTHS.iter().position(|length| *length == self.length).unwrap_or(0) as u8
    }
}

/// What a record of a capture holds. Whoever keeps many of them can keep FD frames elsewhere,
/// behind any `F` that gives one: they are four times as large as the others together, and rare.
///
/// ```
/// use lostnode_parsers::{FdFrame, FrameKind, candump};
/// let kind = candump::parse_line(b"(0.000000) can0 123##0AABB").unwrap().kind;
/// let small: FrameKind<Box<FdFrame>> = kind.map_fd(Box::new);
/// assert_eq!(small.bytes(), kind.bytes());
/// assert!(size_of_val(&small) * 3 < size_of_val(&kind));
/// ```
// This crate does without an allocator, so the variant stays as large as it is here.
#[allow(clippy::large_enum_variant)]
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum FrameKind<F = FdFrame> {
    /// Classical data or remote frame.
    Classic(ClassicFrame),
    /// CAN FD frame.
    Fd(F),
    /// What the logging controller said about the bus; it has no identifier.
    Error(crate::ErrorFrame),
}

impl<F> FrameKind<F> {
    /// The same with the FD frame kept in another way.
    #[inline]
    pub fn map_fd<G>(self, keep: impl FnOnce(F) -> G) -> FrameKind<G> {
        match self {
            FrameKind::Classic(frame) => FrameKind::Classic(frame),
            FrameKind::Fd(frame) => FrameKind::Fd(keep(frame)),
            FrameKind::Error(frame) => FrameKind::Error(frame),
        }
    }
}

impl<F: Borrow<FdFrame>> FrameKind<F> {
    /// The identifier, which an error frame does not have.
    #[inline]
    pub fn id(&self) -> Option<Id> {
        match self {
            FrameKind::Classic(frame) => Some(frame.id),
            FrameKind::Fd(frame) => Some(frame.borrow().id),
            FrameKind::Error(_) => None,
        }
    }

    /// The data bytes; an error frame's are the controller's own notes.
    #[inline]
    pub fn bytes(&self) -> &[u8] {
        match self {
            FrameKind::Classic(frame) => frame.bytes(),
            FrameKind::Fd(frame) => frame.borrow().bytes(),
            FrameKind::Error(frame) => frame.bytes(),
        }
    }

    /// The first eight data bytes, filled up with zeros, and how many of them there are.
    #[inline]
    pub fn first_eight(&self) -> ([u8; 8], usize) {
        match self {
            // What lies beyond the length is zero.
            FrameKind::Classic(frame) => (frame.places(), frame.bytes().len()),
            other => {
                let (bytes, mut data) = (other.bytes(), [0; 8]);
                let length = bytes.len().min(8);
                data[..length].copy_from_slice(&bytes[..length]);
                (data, length)
            }
        }
    }
}

/// Who put the frame on the bus, where the logger says so.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Direction {
    /// `R`: received.
    Received,
    /// `T`: sent by the logging machine itself.
    Sent,
}

/// An identifier's number without its width.
#[inline]
pub fn raw_id(id: Id) -> u32 {
    match id {
        Id::Standard(id) => u32::from(id.as_raw()),
        Id::Extended(id) => id.as_raw(),
    }
}

/// An identifier from its number and width; `None` where the number does not fit the width.
#[inline]
pub fn make_id(raw: u32, extended: bool) -> Option<Id> {
    if extended {
        ExtendedId::new(raw).map(Id::Extended)
    } else {
        u16::try_from(raw).ok().and_then(StandardId::new).map(Id::Standard)
    }
}

/// An identifier from its hexadecimal digits as logs write them: 3 for 11 bits, 8 for 29 bits;
/// `None` for anything else.
///
/// ```
/// use lostnode_parsers::frame::{make_id, parse_id};
/// assert_eq!(parse_id("00000123"), make_id(0x123, true));
/// assert_eq!(parse_id("7fF"), make_id(0x7FF, false));
/// for wrong in ["800", "+12", "12", "0000123", "20000000", "+1234567"] {
///     assert_eq!(parse_id(wrong), None);
/// }
/// ```
pub fn parse_id(digits: &str) -> Option<Id> {
    hexadecimal(digits, 3)
        .and_then(|raw| make_id(raw, false))
        .or_else(|| make_id(hexadecimal(digits, 8)?, true))
}

/// A number of so many hexadecimal digits, at most 8, and nothing else: the standard library would
/// take a sign too.
pub(crate) fn hexadecimal(digits: &str, count: usize) -> Option<u32> {
    let whole = digits.len() == count && digits.bytes().all(|byte| byte.is_ascii_hexdigit());
    u32::from_str_radix(digits, 16).ok().filter(|_| whole)
}

/// Shows an identifier the way logs write it: 3 digits for 11 bits, 8 digits for 29 bits.
pub struct DisplayId(pub Id);

impl fmt::Display for DisplayId {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self.0 {
            Id::Standard(id) => write!(f, "{:03X}", id.as_raw()),
            Id::Extended(id) => write!(f, "{:08X}", id.as_raw()),
        }
    }
}
