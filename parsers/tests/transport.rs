//! ISO 15765-2:2016 by hand: which data units a receiver takes, and what becomes of a message.
//! Conversations of a reference library are in the main crate's tests/diagnostics.rs.

use lostnode_parsers::Timestamp;
use lostnode_parsers::isotp::{Event, Fault, Incomplete, Pdu, PduError, Reassembler};

/// Frame of `length` bytes that begins with `begin`, filled with 0xAA.
fn frame(begin: &[u8], length: usize) -> Vec<u8> {
    let mut frame = begin.to_vec();
    frame.resize(length, 0xAA);
    frame
}

/// Length of the single frame's message.
fn single(begin: &[u8], length: usize, prefix: usize) -> Result<usize, PduError> {
    Pdu::parse(&frame(begin, length - prefix), prefix).map(|pdu| match pdu {
        Pdu::Single(data) => data.len(),
        other => panic!("{other:?}"),
    })
}

/// Length of the message, and the bytes of it in the first frame.
fn first(begin: &[u8], length: usize, prefix: usize) -> Result<(u32, usize), PduError> {
    Pdu::parse(&frame(begin, length - prefix), prefix).map(|pdu| match pdu {
        Pdu::First { length, data } => (length, data.len()),
        other => panic!("{other:?}"),
    })
}

/// 9.6.2.1 and table 12: 1 to 7 bytes in up to 8 (one less after an address byte); above that the
/// length has a byte of its own and is at least 8.
#[test]
fn single_frames() {
    let bad = Err(PduError::SingleLength);
    assert_eq!((single(&[1], 8, 0), single(&[7], 8, 0), single(&[6], 8, 1)), (Ok(1), Ok(7), Ok(6)));
    assert_eq!((single(&[0], 8, 0), single(&[8], 8, 0), single(&[7], 8, 1)), (bad, bad, bad));
    // Not more than the frame holds.
    assert_eq!((single(&[3], 4, 0), single(&[4], 4, 0)), (Ok(3), bad));
    assert_eq!(
        (single(&[0, 8], 12, 0), single(&[0, 10], 12, 0), single(&[0, 62], 64, 0)),
        (Ok(8), Ok(10), Ok(62))
    );
    assert_eq!(
        (single(&[0, 7], 12, 0), single(&[0, 11], 12, 0), single(&[1, 10], 12, 0)),
        (bad, bad, bad)
    );
    // After an address byte 7 bytes no longer fit the short form.
    assert_eq!(
        (
            single(&[0, 7], 12, 1),
            single(&[0, 6], 12, 1),
            single(&[0, 9], 12, 1),
            single(&[0, 10], 12, 1)
        ),
        (Ok(7), bad, Ok(9), bad)
    );
}

/// 9.6.3.1 and table 14: 12 bits of length; 32 bits where more than 4095; nothing that a single
/// frame could hold.
#[test]
fn first_frames() {
    let bad = Err(PduError::FirstLength);
    assert_eq!(
        (
            first(&[0x10, 8], 8, 0),
            first(&[0x10, 7], 8, 0),
            first(&[0x10, 7], 8, 1),
            first(&[0x10, 6], 8, 1)
        ),
        (Ok((8, 6)), bad, Ok((7, 5)), bad)
    );
    assert_eq!(
        (first(&[0x1F, 0xFF], 8, 0), first(&[0x12, 0x03], 8, 0)),
        (Ok((4095, 6)), Ok((0x203, 6)))
    );
    assert_eq!(first(&[0x10, 0, 0, 0, 0x10, 0], 8, 0), Ok((4096, 2)));
    assert_eq!(first(&[0x10, 0, 0, 0, 0x0F, 0xFF], 8, 0), bad);
    assert_eq!(first(&[0x10, 0, 0x01, 0x02, 0x03, 0x04], 8, 0), Ok((0x0102_0304, 2)));
    assert_eq!(
        (
            first(&[0x10, 11], 12, 0),
            first(&[0x10, 10], 12, 0),
            first(&[0x10, 10], 12, 1),
            first(&[0x10, 9], 12, 1)
        ),
        (Ok((11, 10)), bad, Ok((10, 9)), bad)
    );
    // A first frame is full.
    assert_eq!(first(&[0x10, 20], 7, 0), bad);
    assert_eq!(first(&[0x10, 20], 8, 1), Ok((20, 5)));
}

/// 9.6.4 and 9.6.5.
#[test]
fn other_units() {
    assert_eq!(Pdu::parse(&[0x2E, 1, 2], 0), Ok(Pdu::Consecutive { sequence: 14, data: &[1, 2] }));
    assert_eq!(Pdu::parse(&[0x21], 0), Err(PduError::TooShort));
    for status in 0..=2 {
        assert_eq!(
            Pdu::parse(&[0x30 | status, 8, 20, 0xAA], 0),
            Ok(Pdu::FlowControl { status, block_size: 8, separation: 20 })
        );
    }
    assert_eq!(
        (Pdu::parse(&[0x33, 0, 0], 0), Pdu::parse(&[0x30, 0], 0)),
        (Err(PduError::FlowStatus), Err(PduError::TooShort))
    );
    assert_eq!(
        (Pdu::parse(&[0x40, 0, 0], 0), Pdu::parse(&[0xF1, 0, 0], 0)),
        (Err(PduError::ReservedType), Err(PduError::ReservedType))
    );
    assert_eq!(Pdu::parse(&[], 0), Err(PduError::TooShort));
    let texts = [
        PduError::TooShort,
        PduError::ReservedType,
        PduError::SingleLength,
        PduError::FirstLength,
        PduError::FlowStatus,
    ]
    .map(|error| error.to_string());
    assert!(
        texts[0].contains("too short")
            && texts[1].contains("reserved type")
            && texts[2].contains("single frame")
            && texts[3].contains("first frame")
            && texts[4].contains("reserved status")
    );
}

const SECOND: i64 = 1_000_000_000;

/// A receiver of 16 bytes of memory, told what it hears and when.
#[derive(Default)]
struct Listener(Reassembler<16>);

impl Listener {
    #[track_caller]
    fn hear(
        &mut self,
        milliseconds: i64,
        bytes: &[u8],
        ended: Option<(Fault, u32, u32)>,
        event: Event,
    ) {
        let now = Timestamp::from_nanoseconds(milliseconds * SECOND / 1000);
        let step = self.0.push(Some(now), Pdu::parse(bytes, 0).unwrap(), bytes.len());
        let ended = ended.map(|(fault, received, length)| Incomplete { fault, received, length });
        assert_eq!((step.ended, step.event), (ended, event));
    }
}

#[test]
fn a_message_of_many_frames() {
    let mut listener = Listener::default();
    assert!(!listener.0.is_open());
    listener.hear(1000, &[0x10, 20, 1, 2, 3, 4, 5, 6], None, Event::Progress);
    assert!(
        listener.0.is_open() && listener.0.begun() == Some(Timestamp::from_nanoseconds(SECOND))
    );
    assert_eq!(listener.0.flow_control(Some(Timestamp::from_nanoseconds(SECOND)), 0), None);
    listener.hear(1010, &[0x21, 7, 8, 9, 10, 11, 12, 13], None, Event::Progress);
    // The last frame may be short, or padded.
    listener.hear(1020, &[0x22, 14, 15, 16, 17, 18, 19, 20], None, Event::Message(20));
    assert!(!listener.0.is_open());
    // Sixteen bytes are kept of it.
    assert_eq!(listener.0.message(), [1, 2, 3, 4, 5, 6, 7, 8, 9, 10, 11, 12, 13, 14, 15, 16]);
    listener.hear(1030, &[0x23, 0, 0, 0, 0, 0, 0, 0], None, Event::Ignored);
    listener.hear(1040, &[2, 0x3E, 0], None, Event::Message(2));
    assert_eq!(listener.0.message(), [0x3E, 0]);
}

/// The number goes from 15 to 0 (9.6.4.3).
#[test]
fn the_sequence_number_wraps() {
    let mut listener = Listener::default();
    listener.hear(0, &[0x10, 6 + 7 * 17, 0, 0, 0, 0, 0, 0], None, Event::Progress);
    for number in 1..=16_u8 {
        listener.hear(
            i64::from(number),
            &[0x20 | (number % 16), 0, 0, 0, 0, 0, 0, 0],
            None,
            Event::Progress,
        );
    }
    listener.hear(20, &[0x21, 0, 0, 0, 0, 0, 0, 0], None, Event::Message(125));
}

#[test]
fn what_ends_a_message() {
    let begin = [0x10, 20, 1, 2, 3, 4, 5, 6];
    let (second, third) = ([0x21, 7, 8, 9, 10, 11, 12, 13], [0x22, 14, 15, 16, 17, 18, 19, 20]);
    // A part left out.
    let mut listener = Listener::default();
    listener.hear(0, &begin, None, Event::Progress);
    listener.hear(1, &third, Some((Fault::WrongSequence, 6, 20)), Event::Ignored);
    // N_Cr (table 21): a second to the next part, not more. Before any answer, it is the flow
    // control that is missing.
    listener.hear(1000, &begin, None, Event::Progress);
    listener.hear(2000, &second, None, Event::Progress);
    listener.hear(3001, &third, Some((Fault::Timeout, 13, 20)), Event::Ignored);
    listener.hear(4000, &begin, None, Event::Progress);
    listener.hear(5001, &[2, 0x3E, 0], Some((Fault::NoFlowControl, 6, 20)), Event::Message(2));
    // A new message of either kind.
    listener.hear(6000, &begin, None, Event::Progress);
    listener.hear(6001, &begin, Some((Fault::Interrupted, 6, 20)), Event::Progress);
    listener.hear(6002, &[2, 0x3E, 0], Some((Fault::Interrupted, 6, 20)), Event::Message(2));
    // Waiting moves the time on, no room ends it; with nothing under way neither means anything.
    let at = |milliseconds: i64| Some(Timestamp::from_nanoseconds(milliseconds * SECOND / 1000));
    assert_eq!((listener.0.flow_control(at(6500), 2), listener.0.expire(at(60_000))), (None, None));
    listener.hear(7000, &begin, None, Event::Progress);
    assert_eq!((listener.0.flow_control(at(7900), 1), listener.0.expire(at(8900))), (None, None));
    let ended = |fault| Some(Incomplete { fault, received: 6, length: 20 });
    assert_eq!(listener.0.expire(at(8901)), ended(Fault::Timeout));
    listener.hear(9000, &begin, None, Event::Progress);
    assert_eq!(listener.0.flow_control(at(9001), 2), ended(Fault::Overflow));
    listener.hear(10_000, &begin, None, Event::Progress);
    assert_eq!(
        (listener.0.end(Fault::EndOfCapture), listener.0.end(Fault::EndOfCapture)),
        (ended(Fault::EndOfCapture), None)
    );
}

/// 9.6.4.1: a part shorter than the first frame is not taken, but for the last one.
#[test]
fn short_parts() {
    let mut listener = Listener::default();
    listener.hear(0, &[0x10, 15, 1, 2, 3, 4, 5, 6], None, Event::Progress);
    listener.hear(1, &[0x21, 7, 8, 9], None, Event::Ignored);
    listener.hear(2, &[0x21, 7, 8, 9, 10, 11, 12, 13], None, Event::Progress);
    listener.hear(3, &[0x22, 14], None, Event::Ignored);
    listener.hear(4, &[0x22, 14, 15], None, Event::Message(15));
}

#[test]
fn reasons_are_told_apart() {
    let all = [
        Fault::WrongSequence,
        Fault::Timeout,
        Fault::NoFlowControl,
        Fault::Interrupted,
        Fault::Overflow,
        Fault::EndOfCapture,
    ];
    let words =
        ["sequence", "within 1 s", "flow control", "new message", "no room", "capture ended"];
    assert!(all.iter().zip(words).all(|(fault, word)| fault.text().contains(word)));
}

/// Units that no frame holds are answered too: a first part longer than its message, an address of
/// more than one byte.
#[test]
fn units_made_by_hand() {
    let mut stream = Reassembler::<8>::new();
    let first = Pdu::First { length: 1, data: &[0; 6] };
    assert_eq!(stream.push(None, first, 8).event, Event::Progress);
    let next = Pdu::Consecutive { sequence: 1, data: &[0; 7] };
    assert_eq!(stream.push(None, next, 8).event, Event::Message(1));
    for prefix in [2, 9, usize::MAX] {
        assert_eq!(Pdu::parse(&[1, 0x3E], prefix), Pdu::parse(&[1, 0x3E], 1));
        assert_eq!(Pdu::parse(&[0x00, 9, 1], prefix), Pdu::parse(&[0x00, 9, 1], 1));
        assert!(Pdu::parse(&frame(&[0x10, 20], 8), prefix).is_ok());
    }
}
