//! Writes frames as a network capture: pcap with one channel, pcapng with any number, link type 227
//! (LINKTYPE_CAN_SOCKETCAN of tcpdump.org), time stamps in nanoseconds.
//!
//! Layouts: draft-ietf-opsawg-pcap (the file header and that of a packet), draft-ietf-opsawg-pcapng
//! (section 4: section header, interface description, enhanced packet).

use std::borrow::Borrow;
use std::io::{self, Write};

use lostnode_parsers::socketcan::{LINK_SOCKETCAN, Packet};
use lostnode_parsers::{FdFrame, FrameKind, Timestamp};

/// The longest packet: eight bytes before the data, 64 of data.
const LONGEST: u32 = 72;

/// Which of the two forms.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Form {
    /// One channel, whose name it does not hold.
    Pcap,
    /// Channels by name.
    Pcapng,
}

/// Frames on their way into a network capture, as they come.
pub struct Writer<W> {
    out: W,
    form: Form,
    /// Nothing was written yet.
    new: bool,
    channels: Vec<String>,
}

fn invalid(what: &str) -> io::Error {
    io::Error::new(io::ErrorKind::InvalidInput, what)
}

/// The lengths and types of a block of pcapng around what is in it.
fn block(kind: u32, inner: &[u8]) -> Vec<u8> {
    let padded = inner.len().next_multiple_of(4);
    let length = (padded as u32 + 12).to_le_bytes();
    let mut out = [&kind.to_le_bytes()[..], &length, inner].concat();
    out.resize(8 + padded, 0);
    out.extend_from_slice(&length);
    out
}

impl<W: Write> Writer<W> {
    /// Nothing is written before the first frame, or the end.
    pub fn new(form: Form, out: W) -> Self {
        Writer { out, form, new: true, channels: Vec::new() }
    }

    /// Writes a frame.
    ///
    /// # Errors
    /// Where it cannot be written; of a frame without time stamp or from before 1970, and of a
    /// second channel where there is room for one.
    pub fn put<F: Borrow<FdFrame>>(
        &mut self,
        time: Option<Timestamp>,
        channel: &str,
        frame: &FrameKind<F>,
    ) -> io::Result<()> {
        let none = || invalid("its frames have no time stamps, which the format asks for");
        let time = u64::try_from(time.ok_or_else(none)?.nanoseconds());
        let time = time.map_err(|_| invalid("a time stamp from before 1970"))?;
        self.begin()?;
        let packet = Packet::of(frame);
        let packet = packet.bytes();
        let length = (packet.len() as u32).to_le_bytes();
        let at = match self.channels.iter().position(|known| known == channel) {
            Some(at) => at,
            None => self.describe(channel)?,
        };
        match self.form {
            Form::Pcap => {
                let (seconds, rest) = (time / 1_000_000_000, (time % 1_000_000_000) as u32);
                let late = |_| invalid("a time stamp from after 2106, which pcap has no room for");
                let seconds = u32::try_from(seconds).map_err(late)?;
                for part in [seconds.to_le_bytes(), rest.to_le_bytes(), length, length] {
                    self.out.write_all(&part)?;
                }
                self.out.write_all(packet)
            }
            Form::Pcapng => {
                let (high, low) = ((time >> 32) as u32, time as u32);
                let parts = [(at as u32).to_le_bytes(), high.to_le_bytes(), low.to_le_bytes()];
                let inner = [&parts.concat()[..], &length, &length, packet].concat();
                self.out.write_all(&block(6, &inner))
            }
        }
    }

    /// Ends the capture.
    ///
    /// # Errors
    /// Where it cannot be written.
    pub fn finish(mut self) -> io::Result<()> {
        self.begin()?;
        self.out.flush()
    }

    fn begin(&mut self) -> io::Result<()> {
        if !std::mem::take(&mut self.new) {
            return Ok(());
        }
        match self.form {
            Form::Pcap => {
                // Nanoseconds, version 2.4, no zone, no accuracy, longest packet, link type.
                let words = [0xA1B2_3C4D, 0x0004_0002, 0, 0, LONGEST, LINK_SOCKETCAN as u32];
                words.iter().try_for_each(|word: &u32| self.out.write_all(&word.to_le_bytes()))
            }
            Form::Pcapng => {
                // Byte order, version 1.0, a section of unknown length.
                let words = [0x1A2B_3C4D_u32, 0x0000_0001, u32::MAX, u32::MAX];
                let inner: Vec<u8> = words.iter().flat_map(|word| word.to_le_bytes()).collect();
                self.out.write_all(&block(0x0A0D_0D0A, &inner))
            }
        }
    }

    /// Tells of a channel before its first frame; its number.
    fn describe(&mut self, channel: &str) -> io::Result<usize> {
        match self.form {
            Form::Pcap if !self.channels.is_empty() => {
                return Err(invalid(
                    "pcap has room for one channel: choose one with --channel, or write pcapng",
                ));
            }
            Form::Pcap => {}
            Form::Pcapng => {
                let name = channel.as_bytes();
                let mut inner = (LINK_SOCKETCAN as u16).to_le_bytes().to_vec();
                inner.extend_from_slice(&[0, 0]);
                inner.extend_from_slice(&LONGEST.to_le_bytes());
                // Options: the name (2), time stamps of 10^-9 s (9), the end (0).
                inner.extend_from_slice(&[2, 0, name.len() as u8, 0]);
                inner.extend_from_slice(name);
                inner.resize(inner.len().next_multiple_of(4), 0);
                inner.extend_from_slice(&[9, 0, 1, 0, 9, 0, 0, 0, 0, 0, 0, 0]);
                self.out.write_all(&block(1, &inner))?;
            }
        }
        self.channels.push(channel.to_owned());
        Ok(self.channels.len() - 1)
    }
}
