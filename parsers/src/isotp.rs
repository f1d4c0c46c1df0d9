//! ISO 15765-2:2016 transport: protocol data units, and passive reassembly of one direction of a
//! conversation.
//!
//! The listener sees both directions and sends nothing. It keeps each message that a conforming
//! receiver would have accepted, and says of every other why it is incomplete. Time is an argument,
//! so the same frames give the same result.

use core::fmt;

use crate::Timestamp;

/// Longest pause between the frames of one message, N_Cr (ISO 15765-2:2016, table 21), in
/// nanoseconds.
pub const N_CR: i64 = 1_000_000_000;

/// One protocol data unit (ISO 15765-2:2016, 9.4).
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Pdu<'a> {
    /// A whole message in one frame.
    Single(&'a [u8]),
    /// The beginning of a longer one, with the length of the whole.
    First {
        /// Bytes of the whole message.
        length: u32,
        /// Its first bytes.
        data: &'a [u8],
    },
    /// A further part.
    Consecutive {
        /// Sequence number, 0 to 15.
        sequence: u8,
        /// Its bytes, with padding at the end of the last one.
        data: &'a [u8],
    },
    /// The receiver's answer to a first frame.
    FlowControl {
        /// 0 clear to send, 1 wait, 2 overflow.
        status: u8,
        /// Frames until the next flow control; 0 for all.
        block_size: u8,
        /// Shortest pause between frames, as coded.
        separation: u8,
    },
}

/// Why a frame is no protocol data unit.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum PduError {
    /// No byte for the protocol, or fewer than the type needs.
    TooShort,
    /// Types 4 to F are reserved (ISO 15765-2:2016, table 9).
    ReservedType,
    /// A single frame that says it is empty, longer than its frame, or in the wrong form for its
    /// frame.
    SingleLength,
    /// A first frame whose message would have fitted a single frame, or that is not full.
    FirstLength,
    /// A flow status of 3 to F.
    FlowStatus,
}

impl fmt::Display for PduError {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str(match self {
            PduError::TooShort => "too short for a protocol data unit",
            PduError::ReservedType => "reserved type of protocol data unit",
            PduError::SingleLength => "single frame with an impossible length",
            PduError::FirstLength => "first frame with an impossible length",
            PduError::FlowStatus => "flow control with a reserved status",
        })
    }
}

impl core::error::Error for PduError {}

impl<'a> Pdu<'a> {
    /// Reads the data of a frame after its address byte, if it has one; `prefix` is the number of
    /// address bytes taken off: 0 for normal addressing, 1 for extended and mixed; more is as 1.
    ///
    /// # Errors
    /// What a receiver would ignore, with the reason.
    ///
    /// ```
    /// use lostnode_parsers::isotp::{Pdu, PduError};
    /// assert_eq!(Pdu::parse(&[2, 0x3E, 0, 0xAA], 0), Ok(Pdu::Single(&[0x3E, 0])));
    /// // A length of 7 fits a single frame: such a first frame is to be ignored (9.6.3.1).
    /// assert_eq!(Pdu::parse(&[0x10, 7, 1, 2, 3, 4, 5, 6], 0), Err(PduError::FirstLength));
    /// ```
    pub fn parse(data: &'a [u8], prefix: usize) -> Result<Pdu<'a>, PduError> {
        let (first, rest) = data.split_first().ok_or(PduError::TooShort)?;
        let prefix = prefix.min(1);
        let frame_length = data.len() + prefix;
        match first >> 4 {
            0 => single(*first, rest, frame_length, prefix),
            1 => first_frame(*first, rest, frame_length, prefix),
            2 if rest.is_empty() => Err(PduError::TooShort),
            2 => Ok(Pdu::Consecutive { sequence: first & 0x0F, data: rest }),
            3 => match rest {
                [block_size, separation, ..] if first & 0x0F <= 2 => Ok(Pdu::FlowControl {
                    status: first & 0x0F,
                    block_size: *block_size,
                    separation: *separation,
                }),
                [_, _, ..] => Err(PduError::FlowStatus),
                _ => Err(PduError::TooShort),
            },
            _ => Err(PduError::ReservedType),
        }
    }
}

/// ISO 15765-2:2016, 9.6.2: a length nibble in frames of up to 8 bytes; in longer ones the nibble
/// is zero and a byte follows.
fn single(first: u8, rest: &[u8], frame_length: usize, prefix: usize) -> Result<Pdu<'_>, PduError> {
    let short = usize::from(first & 0x0F);
    if frame_length <= 8 {
        let fits = short >= 1 && short <= 7 - prefix && short <= rest.len();
        return if fits { Ok(Pdu::Single(&rest[..short])) } else { Err(PduError::SingleLength) };
    }
    match rest.split_first() {
        Some((long, rest))
            if short == 0
                && usize::from(*long) >= 8 - prefix
                && usize::from(*long) <= rest.len() =>
        {
            Ok(Pdu::Single(&rest[..usize::from(*long)]))
        }
        _ => Err(PduError::SingleLength),
    }
}

/// ISO 15765-2:2016, 9.6.3: 12 bits of length, or zero and 32 bits for more than 4095 bytes.
fn first_frame(
    first: u8,
    rest: &[u8],
    frame_length: usize,
    prefix: usize,
) -> Result<Pdu<'_>, PduError> {
    if frame_length < 8 {
        return Err(PduError::FirstLength);
    }
    let Some((low, data)) = rest.split_first() else { return Err(PduError::TooShort) };
    let length = u32::from(first & 0x0F) << 8 | u32::from(*low);
    if length == 0 {
        return match data {
            [a, b, c, d, data @ ..] => match u32::from_be_bytes([*a, *b, *c, *d]) {
                length if length > 4095 => Ok(Pdu::First { length, data }),
                _ => Err(PduError::FirstLength),
            },
            _ => Err(PduError::TooShort),
        };
    }
    // The least length is one that a single frame of the same kind could not hold.
    let least = if frame_length <= 8 { 8 - prefix } else { frame_length - 1 - prefix };
    if (length as usize) < least {
        Err(PduError::FirstLength)
    } else {
        Ok(Pdu::First { length, data })
    }
}

/// Why a message was not completed.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord)]
pub enum Fault {
    /// A consecutive frame out of sequence: N_WRONG_SN.
    WrongSequence,
    /// More than a second without the next frame: N_TIMEOUT_Cr.
    Timeout,
    /// As before, and neither flow control nor any consecutive frame was ever seen.
    NoFlowControl,
    /// A new message of the same sender began: N_UNEXP_PDU.
    Interrupted,
    /// The receiver said it has no room: N_BUFFER_OVFLW.
    Overflow,
    /// The capture ended.
    EndOfCapture,
}

impl Fault {
    /// In words.
    pub fn text(self) -> &'static str {
        match self {
            Fault::WrongSequence => "frame out of sequence",
            Fault::Timeout => "next frame did not come within 1 s",
            Fault::NoFlowControl => "no flow control followed the first frame",
            Fault::Interrupted => "a new message began before the end",
            Fault::Overflow => "receiver had no room",
            Fault::EndOfCapture => "capture ended",
        }
    }
}

/// A message that was begun and not completed.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Incomplete {
    /// Why.
    pub fault: Fault,
    /// Bytes received.
    pub received: u32,
    /// Bytes announced.
    pub length: u32,
}

/// What a data unit came to.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Event {
    /// A message is complete: its bytes are [`Reassembler::message`], its whole length is this. The
    /// reassembler keeps as many as it has room for.
    Message(u32),
    /// A message is under way.
    Progress,
    /// A consecutive frame without a first one, or longer than a message that has been given up.
    Ignored,
}

/// What came of one data unit: an older message may have ended, and something new begun.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Step {
    /// The message that this data unit, or the time before it, ended unfinished.
    pub ended: Option<Incomplete>,
    /// What the data unit itself did.
    pub event: Event,
}

/// Puts the messages of one sender together, in fixed memory: a longer message keeps its first `N`
/// bytes.
///
/// ```
/// use lostnode_parsers::isotp::{Event, Pdu, Reassembler};
/// let mut stream = Reassembler::<64>::new();
/// let first = [0x10, 10, 0x49, 2, 1, 0x41, 0x42, 0x43];
/// let second = [0x21, 0x44, 0x45, 0x46, 0x47, 0, 0, 0];
/// for frame in [first, second] {
///     stream.push(None, Pdu::parse(&frame, 0).unwrap(), frame.len());
/// }
/// assert_eq!(stream.message(), [0x49, 2, 1, 0x41, 0x42, 0x43, 0x44, 0x45, 0x46, 0x47]);
/// ```
#[derive(Clone, Debug)]
pub struct Reassembler<const N: usize> {
    data: [u8; N],
    /// Bytes of `data` that are set.
    kept: usize,
    received: u32,
    length: u32,
    next: u8,
    open: bool,
    /// Whether the receiver answered or a part followed.
    answered: bool,
    /// Length of the first frame: each consecutive frame but the last must be as long (ISO
    /// 15765-2:2016, 9.6.4).
    frame_length: usize,
    last: Option<Timestamp>,
    begun: Option<Timestamp>,
}

impl<const N: usize> Default for Reassembler<N> {
    fn default() -> Self {
        Self::new()
    }
}

impl<const N: usize> Reassembler<N> {
    /// Nothing under way.
    pub const fn new() -> Self {
        Reassembler {
            data: [0; N],
            kept: 0,
            received: 0,
            length: 0,
            next: 0,
            open: false,
            answered: false,
            frame_length: 0,
            last: None,
            begun: None,
        }
    }

    /// The bytes of the message last completed, or what there is of the one under way.
    pub fn message(&self) -> &[u8] {
        &self.data[..self.kept]
    }

    /// Whether a message is under way.
    pub fn is_open(&self) -> bool {
        self.open
    }

    /// When the message last completed or under way began.
    pub fn begun(&self) -> Option<Timestamp> {
        self.begun
    }

    /// Takes the next data unit of the sender; `frame_length` is that of its whole frame. Flow
    /// control is the other direction's: give it to [`Reassembler::flow_control`] of this one.
    pub fn push(&mut self, now: Option<Timestamp>, pdu: Pdu<'_>, frame_length: usize) -> Step {
        let late = self.expire(now);
        match pdu {
            Pdu::Single(data) => {
                let ended = late.or_else(|| self.end(Fault::Interrupted));
                self.begin(now, data.len() as u32, frame_length);
                self.keep(data);
                self.open = false;
                Step { ended, event: Event::Message(self.length) }
            }
            Pdu::First { length, data } => {
                let ended = late.or_else(|| self.end(Fault::Interrupted));
                self.begin(now, length, frame_length);
                self.keep(data);
                Step { ended, event: Event::Progress }
            }
            Pdu::Consecutive { sequence, data } if self.open => {
                self.consecutive(now, sequence, data, frame_length)
            }
            Pdu::Consecutive { .. } | Pdu::FlowControl { .. } => {
                Step { ended: late, event: Event::Ignored }
            }
        }
    }

    /// Takes the next part of the message under way.
    fn consecutive(
        &mut self,
        now: Option<Timestamp>,
        sequence: u8,
        data: &[u8],
        frame_length: usize,
    ) -> Step {
        let left = self.length.saturating_sub(self.received);
        // A short frame in the middle is ignored (ISO 15765-2:2016, 9.6.4.1); the gap then shows in
        // the sequence.
        if frame_length < self.frame_length && (data.len() as u32) < left {
            return Step { ended: None, event: Event::Ignored };
        }
        if sequence != self.next {
            return Step { ended: self.end(Fault::WrongSequence), event: Event::Ignored };
        }
        let data = &data[..data.len().min(left as usize)];
        self.keep(data);
        self.next = (self.next + 1) & 0x0F;
        self.answered = true;
        self.last = now.or(self.last);
        self.open = self.received < self.length;
        let event = if self.open { Event::Progress } else { Event::Message(self.length) };
        Step { ended: None, event }
    }

    /// Takes the receiver's flow control for the message under way; an overflow ends it.
    pub fn flow_control(&mut self, now: Option<Timestamp>, status: u8) -> Option<Incomplete> {
        if !self.open {
            return None;
        }
        self.answered = true;
        match status {
            2 => self.end(Fault::Overflow),
            // Waiting moves the sender's time on: the next part may come N_Cr after the answer.
            _ => {
                self.last = now.or(self.last);
                None
            }
        }
    }

    /// Ends the message under way where its next part is overdue at `now`.
    pub fn expire(&mut self, now: Option<Timestamp>) -> Option<Incomplete> {
        match (now, self.last) {
            (Some(now), Some(last)) if self.open && now.since(last) > N_CR => {
                self.end(if self.answered { Fault::Timeout } else { Fault::NoFlowControl })
            }
            _ => None,
        }
    }

    /// Ends the message under way, if any.
    pub fn end(&mut self, fault: Fault) -> Option<Incomplete> {
        core::mem::take(&mut self.open).then_some(Incomplete {
            fault,
            received: self.received,
            length: self.length,
        })
    }

    fn begin(&mut self, now: Option<Timestamp>, length: u32, frame_length: usize) {
        self.kept = 0;
        self.received = 0;
        self.length = length;
        self.next = 1;
        self.open = true;
        self.answered = false;
        self.frame_length = frame_length;
        self.last = now;
        self.begun = now;
    }

    fn keep(&mut self, data: &[u8]) {
        let room = data.len().min(N - self.kept);
        self.data[self.kept..self.kept + room].copy_from_slice(&data[..room]);
        self.kept += room;
        self.received += data.len() as u32;
    }
}
