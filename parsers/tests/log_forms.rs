//! Every form that the usual log writer has beside the plain ones: what is read of each, and that
//! nothing panics.

use lostnode_parsers::candump::{self, Payload};
use lostnode_parsers::frame::Direction;
use lostnode_parsers::log_forms::{dropped, is_xl, parse_line};
use lostnode_parsers::{FrameKind, console};
use proptest::prelude::*;

/// Time in nanoseconds, channel, frame and direction of a line, as text.
fn told(record: &candump::Record<'_>) -> String {
    let time = record.time.map_or("none".to_owned(), |time| time.nanoseconds().to_string());
    let direction = match record.direction {
        None => "",
        Some(Direction::Received) => " R",
        Some(Direction::Sent) => " T",
    };
    let channel = std::str::from_utf8(record.channel).unwrap();
    format!("{time} {channel} {}{direction}", Payload(&record.kind))
}

#[track_caller]
fn log(line: &str, expected: &str) {
    let record = parse_line(line.as_bytes()).unwrap_or_else(|error| panic!("{line}: {error}"));
    assert_eq!(told(&record), expected, "{line}");
}

#[track_caller]
fn shown(line: &str, expected: &str) {
    let record =
        console::parse_line(line.as_bytes()).unwrap_or_else(|error| panic!("{line}: {error}"));
    assert_eq!(told(&record), expected, "{line}");
}

#[test]
fn log_lines() {
    for (line, expected) in [
        // Names of unequal length, right-aligned.
        ("(1700000000.000000)   can0 123#11", "1700000000000000000 can0 123#11"),
        ("(1700000000.010000) vcan10 124#11", "1700000000010000000 vcan10 124#11"),
        ("(1700000000.010000)   can0      124#11", "1700000000010000000 can0 124#11"),
        ("(1700000000.010000)   can0 124#11   R", "1700000000010000000 can0 124#11 R"),
        ("(1700000000.010000)   can0 124##311 T", "1700000000010000000 can0 124##311 T"),
        // Differences, or from zero.
        ("(000.010400) can0 123#11", "10400000 can0 123#11"),
        // Date and time of day. GNU date: 2023-11-14 22:13:20 UTC is 1700000000.
        ("(2023-11-14 22:13:20.030900) can0 123#11", "1700000000030900000 can0 123#11"),
        ("(2023-11-14 22:13:20.030900123) can0 123#11", "1700000000030900123 can0 123#11"),
        // Nanoseconds.
        ("(1700000000.030900001) can0 123#11 R", "1700000000030900001 can0 123#11 R"),
        ("(1700000000.030900001)  can0 123#R8_E", "1700000000030900001 can0 123#R8_E"),
    ] {
        log(line, expected);
    }
    for line in [
        "(1700000000.0309) can0 123#11",
        "(1700000000.03090000) can0 123#11",
        "(1700000000.0309000000) can0 123#11",
        "(2023-13-14 22:13:20.030900) can0 123#11",
        "(1700000000.030900)can0 123#11",
        "(1700000000.030900) can0123#11",
        "(1700000000.030900) can0 123#11 Q",
        "(1700000000.030900) can0 123#11R",
        "(1700000000.030900) can0 00123#81:00:12345678#112233",
        "(1700000000.030900) can0 12311",
        "",
    ] {
        assert!(parse_line(line.as_bytes()).is_err(), "{line}");
    }
}

#[test]
fn raw_length_codes() {
    for payload in ["123#R8_E", "123#R8_9", "18DAF110#R8_F", "123#1122334455667788_9", "123#R3"] {
        let line = format!("(1700000000.000000) can0 {payload}");
        let record = candump::parse_line(line.as_bytes()).unwrap();
        assert_eq!(Payload(&record.kind).to_string(), payload);
    }
    for payload in ["123#R8_8", "123#R7_E", "123#R8_", "123#R8_E0", "123#R_E"] {
        let line = format!("(1700000000.000000) can0 {payload}");
        assert!(candump::parse_line(line.as_bytes()).is_err(), "{payload}");
    }
    shown("  can0  123   {E}  11 22 33 44 55 66 77 88", "none can0 123#1122334455667788_E");
    shown("  can0  123   {8}  11 22 33 44 55 66 77 88", "none can0 123#1122334455667788");
    shown("  can0  123   {3}  11 22 33", "none can0 123#112233");
    shown("  can0  123   {E}  remote request", "none can0 123#R8_E");
    for line in ["can0 123 {G} 11", "can0 123 {3} 11 22", "can0 123 [12] remote request"] {
        assert!(console::parse_line(line.as_bytes()).is_err(), "{line}");
    }
}

#[test]
fn console_lines() {
    for (line, expected) in [
        ("    can0       123   [2]  11 22", "none can0 123#1122"),
        ("  can0  18FECA00   [2]  11 22", "none can0 18FECA00#1122"),
        (" (1700000000.030900001)    can0  123   [2]  11 22", "1700000000030900001 can0 123#1122"),
        (" (2023-11-14 22:13:20.030900001)  can0  123   [0]  ", "1700000000030900001 can0 123#"),
        // Direction and flags.
        (" (000.000000)  can0  RX - -  123   [2]  11 22", "0 can0 123#1122 R"),
        (" (000.000000)  can0  TX - -  123   [2]  11 22", "0 can0 123#1122 T"),
        (
            "  can0  RX B -  123  [12]  00 01 02 03 04 05 06 07 08 09 0A 0B",
            "none can0 123##1000102030405060708090A0B R",
        ),
        ("  can0  TX - E  123  [01]  00", "none can0 123##200 T"),
        ("  can0  RX B E  123  [00]  ", "none can0 123##3 R"),
        // The last byte first: the mark between bytes says so.
        ("  can0  123   [8]  88`77`66`55`44`33`22`11", "none can0 123#1122334455667788"),
        ("  can0  123   [2]  22`11                     `.\"`", "none can0 123#1122"),
        (
            "  can0  123  [12]  0C`0B`0A`09`08`07`06`05`04`03`02`01",
            "none can0 123##00102030405060708090A0B0C",
        ),
        // Without it nothing is turned round.
        ("  can0  123   [8]  88 77 66 55 44 33 22 11", "none can0 123#8877665544332211"),
        // Binary.
        ("  can0  123   [2]  00010001 00100010", "none can0 123#1122"),
        ("  can0  123   [1]  00010001", "none can0 123#11"),
        ("  can0  123   [3]  00110011`00100010`00010001", "none can0 123#112233"),
        // As many digits as bytes of two have are no binary digits, though none is above 1.
        ("  can0  123   [4]  00010001", "none can0 123#00010001"),
        ("  can0  123   [4]  00 01 00 01", "none can0 123#00010001"),
        // A printable copy.
        ("  can0  123   [4]  41 42 00 43               'AB.C'", "none can0 123#41420043"),
        ("  can0  123   [2]  01000001 01000010                      'AB'", "none can0 123#4142"),
        (
            "  can0  20000004   [8]  00 01 00 00 00 00 00 00   ERRORFRAME",
            "none can0 20000004#0001000000000000",
        ),
    ] {
        shown(line, expected);
    }
    for line in [
        "can0 123 [3] 11`22 33",
        "can0 123 [3] 11 22`33",
        "can0 123 [3] 11`22`",
        "can0 123 [2] 11`22`33",
        "can0 123 [2] 00010001",
        "can0 123 [1] 0001000",
        "can0 123 [1] 000100010",
        "can0 123 [2] 00010001 0010002",
        "can0 RX 123 [1] 11",
        "can0 RX B 123 [1] 11",
        "can0 RX X - 123 [1] 11",
        "can0 123 [65] 11",
        "can0 123 [0003] (00|81:00:12345678) 11 22 33",
    ] {
        assert!(console::parse_line(line.as_bytes()).is_err(), "{line}");
    }
}

/// A console line of CAN FD without the direction does not say whether the rate switched.
#[test]
fn flags_that_are_not_known() {
    let flags = |line: &str| match console::parse_line(line.as_bytes()).unwrap().kind {
        FrameKind::Fd(frame) => frame.flags.map(|flags| (flags.brs, flags.esi)),
        other => panic!("{other:?}"),
    };
    assert_eq!(flags("  can0  123  [01]  00"), None);
    assert_eq!(flags("  can0  RX - -  123  [01]  00"), Some((false, false)));
}

#[test]
fn lines_that_are_no_frames_and_tell_of_some() {
    for line in [
        "(1700000000.000000) can0 00123#81:00:12345678#112233",
        "(1700000000.000000) can0 00123#81:00:12345678#112233 R",
        "  can0  123 [0003] (00|81:00:12345678) 11 22 33",
        " (1700000000.000000)  can0  RX - -  123 [2048] (01|81:00:12345678) 11 22 33 ...",
    ] {
        assert!(is_xl(line.as_bytes()), "{line}");
    }
    for line in [
        "(1700000000.000000) can0 123##1112233",
        "(1700000000.000000) can0 00123#81:00:1234567#112233",
        "#81:00:12345678",
        "",
    ] {
        assert!(!is_xl(line.as_bytes()), "{line}");
    }
    let line =
        |text: &'static str| dropped(text.as_bytes()).map(|told| (told.channel, told.frames));
    assert_eq!(
        line("DROPCOUNT: dropped 1 CAN frame on 'vcan10' socket (total drops 7)"),
        Some((&b"vcan10"[..], 1))
    );
    for other in [
        "DROPCOUNT: dropped  CAN frames on 'can0' socket (total drops 5)",
        "DROPCOUNT: dropped 5 CAN frames on 'can 0' socket (total drops 5)",
        "DROPCOUNT: dropped 5 CAN frames on 'can0",
        "dropped 5 CAN frames on 'can0' socket (total drops 5)",
    ] {
        assert_eq!(line(other), None, "{other}");
    }
}

proptest! {
    #![proptest_config(ProptestConfig::with_cases(4000))]

    #[test]
    fn any_bytes(line in proptest::collection::vec(any::<u8>(), 0..200)) {
        let _ = (parse_line(&line), is_xl(&line), dropped(&line));
    }

    /// What [`candump::parse_line`] reads is read alike here.
    #[test]
    fn plain_lines(
        stamp in r"\([0-9]{1,12}\.[0-9]{6}\)",
        frame in r"[a-z0-9]{1,6} [0-7][0-9A-F]{2}[#]{1,2}([0-9A-F]{2}){0,9}( R| T|)",
    ) {
        let line = format!("{stamp} {frame}").into_bytes();
        if let Ok(record) = candump::parse_line(&line) {
            prop_assert_eq!(parse_line(&line), Ok(record));
        }
    }

    /// Bytes written in any way come back the same.
    #[test]
    fn ways_to_write_bytes(data in proptest::collection::vec(any::<u8>(), 0..=8), way in 0..4) {
        let (digits, mark, turned) = [
            (2, " ", false), (8, " ", false), (2, "`", true), (8, "`", true),
        ][way as usize];
        let mut bytes = data.clone();
        if turned {
            bytes.reverse();
        }
        let text: Vec<String> = bytes
            .iter()
            .map(|byte| if digits == 2 { format!("{byte:02X}") } else { format!("{byte:08b}") })
            .collect();
        let line = format!("  can0  123   [{}]  {}", data.len(), text.join(mark));
        let record = console::parse_line(line.as_bytes()).unwrap();
        prop_assert_eq!(record.kind.bytes(), &data[..]);
    }
}
