//! A listener for a logger with a Cortex-M4F, without allocation: it writes each frame as a log
//! line, knows who has been silent for longer than ten times its period, and reads the trouble
//! codes that a module tells a tester.
//!
//! The frames are invented and stand where a real board would ask its CAN controller. Its driver
//! gives frames by the trait `embedded_can::Frame`; [`Listener::take`] wants nothing else of them.
#![no_std]
#![no_main]

use core::fmt::{self, Write};

use cortex_m_rt::entry;
use cortex_m_semihosting::{debug, hprintln};
use lostnode_parsers::embedded_can::Frame;
use lostnode_parsers::frame::DisplayId;
use lostnode_parsers::isotp::{Event, Pdu, Reassembler};
use lostnode_parsers::uds::{DtcReport, Message};
use lostnode_parsers::{ClassicFrame, FrameKind, Id, StandardId, Timestamp, candump, wire};
use panic_halt as _;

/// Identifier on which the module answers a tester (ISO 15765-4, table 6).
const ANSWERS: StandardId = StandardId::new(0x7E8).unwrap();
/// As many identifiers are watched; a logger takes what its memory allows.
const WATCHED: usize = 32;
/// Periods without a frame after which a sender is called silent.
const PATIENCE: i64 = 10;
/// Frames from which on a sender is taken for a cyclic one: a few answers to a tester are no cycle.
const ENOUGH: u32 = 10;

/// What is known of one identifier, times in nanoseconds.
#[derive(Clone, Copy)]
struct Heard {
    id: Id,
    last: i64,
    frames: u32,
    /// Shortest gap so far: a cyclic sender comes no faster than its period.
    period: Option<i64>,
}

/// A log line in fixed memory: a classical frame needs 52 bytes at most.
struct Line {
    bytes: [u8; 64],
    length: usize,
}

impl Write for Line {
    fn write_str(&mut self, text: &str) -> fmt::Result {
        let end = self.length + text.len();
        self.bytes.get_mut(self.length..end).ok_or(fmt::Error)?.copy_from_slice(text.as_bytes());
        self.length = end;
        Ok(())
    }
}

/// All that is kept between frames.
struct Listener {
    heard: [Option<Heard>; WATCHED],
    answer: Reassembler<256>,
    codes: u32,
    /// Bits on the wire of all frames.
    bits: u32,
}

impl Listener {
    const fn new() -> Self {
        Listener { heard: [None; WATCHED], answer: Reassembler::new(), codes: 0, bits: 0 }
    }

    /// Takes one frame of the controller; `None` where it is none that the log could hold.
    fn take(&mut self, now: Timestamp, frame: &impl Frame) -> Option<Line> {
        // The trait's frames may be of any make; the log line wants ours.
        let own = ClassicFrame::with_raw_dlc(frame.id(), frame.data(), frame.dlc() as u8)?;
        let kind: FrameKind = FrameKind::Classic(own);
        self.bits += wire::length(&kind).map_or(0, |length| u32::from(length.bits()));
        self.note(own.identifier(), now.nanoseconds());
        if own.identifier() == Id::Standard(ANSWERS) {
            self.answered(now, own.bytes());
        }
        let mut line = Line { bytes: [0; 64], length: 0 };
        write!(line, "{}", candump::Line { time: now, channel: "can0", kind: &kind }).ok()?;
        Some(line)
    }

    fn note(&mut self, id: Id, now: i64) {
        let place = self.heard.iter_mut().find(|place| place.is_none_or(|own| own.id == id));
        let Some(place) = place else { return };
        let before = place.map(|own| now - own.last);
        let period = place.and_then(|own| own.period);
        let period = period.into_iter().chain(before).min();
        let frames = place.map_or(1, |own| own.frames.saturating_add(1));
        *place = Some(Heard { id, last: now, frames, period });
    }

    fn answered(&mut self, now: Timestamp, data: &[u8]) {
        let Ok(pdu) = Pdu::parse(data, 0) else { return };
        if !matches!(self.answer.push(Some(now), pdu, data.len()).event, Event::Message(_)) {
            return;
        }
        let Message::Positive { service, data } = Message::parse(self.answer.message()) else {
            return;
        };
        if let (0x19, Some(report)) = (service.id, DtcReport::parse(data)) {
            for record in report.records() {
                self.codes += 1;
                hprintln!("code {}", record.code);
            }
        }
    }

    /// Who has been silent at `now` for longer than it should.
    fn silent(&self, now: i64) -> impl Iterator<Item = Id> + '_ {
        let cyclic = self.heard.iter().flatten().filter(|own| own.frames >= ENOUGH);
        let late = move |own: &&Heard| own.period.is_some_and(|it| now - own.last > PATIENCE * it);
        cyclic.filter(late).map(|own| own.id)
    }
}

/// The bus of an invented vehicle for two seconds: at each millisecond what is sent then.
fn controller(millisecond: i64) -> Option<ClassicFrame> {
    let frame = |id, data: &[u8]| ClassicFrame::new(StandardId::new(id)?, data);
    match millisecond {
        700 => frame(0x7E8, &[0x10, 11, 0x59, 0x02, 0xFF, 0xC1, 0x21, 0x87]),
        702 => frame(0x7E8, &[0x21, 0x08, 0xC1, 0x40, 0x87, 0x08, 0, 0]),
        // The second sender stops at 1 s.
        at if at % 20 == 0 => frame(0x120, &[0x11, 0x22, at as u8]),
        at if at % 50 == 5 && at < 1_000 => frame(0x3B0, &[0xA5; 8]),
        _ => None,
    }
}

#[entry]
fn main() -> ! {
    let mut listener = Listener::new();
    let mut lines = 0;
    for millisecond in 0..2_000 {
        let Some(frame) = controller(millisecond) else { continue };
        let now = Timestamp::from_nanoseconds(millisecond * 1_000_000);
        let Some(line) = listener.take(now, &frame) else { continue };
        // What was written is read back: here the log would go to a card.
        lines += u32::from(candump::parse_line(&line.bytes[..line.length]).is_ok());
    }
    let mut silent = listener.silent(2_000_000_000);
    let (first, second) = (silent.next(), silent.next());
    hprintln!("{} lines, {} bits on the wire, {} codes", lines, listener.bits, listener.codes);
    if let Some(id) = first {
        hprintln!("silent: {}", DisplayId(id));
    }
    let right = lines == 121
        && listener.codes == 2
        && first == StandardId::new(0x3B0).map(Id::Standard)
        && second.is_none();
    debug::exit(if right { debug::EXIT_SUCCESS } else { debug::EXIT_FAILURE });
    // The emulator has ended by now; a board goes on listening.
    loop {
        cortex_m::asm::wfi();
    }
}
