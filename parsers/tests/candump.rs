//! The log line and the console line: what is read, what is refused and where, and that nothing
//! panics.

mod common;

use embedded_can::Frame as _;
use lostnode_parsers::candump::{Line, Record, parse_line, parse_line_by_grammar};
use lostnode_parsers::frame::Direction;
use lostnode_parsers::frame::{FD_LENGTHS, make_id, raw_id};
use lostnode_parsers::{
    ClassicFrame, ErrorFrame, FdFlags, FdFrame, FrameKind, Id, Timestamp, candump_fast, console,
};
use proptest::prelude::*;

/// Every entry of `facts/vectors/candump.json`: the log grammar written down for this project.
#[test]
fn vectors() {
    let Some(vectors) = common::vectors("candump") else { return };
    let entries = vectors["entries"].as_array().unwrap();
    for entry in entries {
        // The file spells bytes above 7F as the characters of the same number.
        let line: Vec<u8> =
            entry["line"].as_str().unwrap().chars().map(|c| c as u32 as u8).collect();
        let expect = &entry["expect"];
        let got = parse_line(&line);
        if expect == "reject" {
            assert!(got.is_err(), "{} must be refused", entry["line"]);
            continue;
        }
        let record = got.unwrap_or_else(|error| panic!("{}: {error}", entry["line"]));
        let flag = |key: &str| expect[key].as_bool().unwrap();
        let time = record.time.unwrap().nanoseconds();
        assert_eq!(
            format!("{}.{:06}", time / 1_000_000_000, time % 1_000_000_000 / 1000),
            expect["ts"].as_str().unwrap()
        );
        assert_eq!(record.channel, expect["ch"].as_str().unwrap().as_bytes());
        let direction =
            record.direction.map(|direction| if direction == Direction::Sent { "T" } else { "R" });
        assert_eq!(direction, expect["dir"].as_str());
        let data: String = record.kind.bytes().iter().map(|byte| format!("{byte:02X}")).collect();
        assert_eq!(data, expect["data"].as_str().unwrap());
        match record.kind {
            FrameKind::Error(error) => {
                assert!(flag("err"));
                assert_eq!(u64::from(error.class()), expect["id"].as_u64().unwrap());
                continue;
            }
            FrameKind::Fd(frame) => {
                assert!(flag("fd"));
                let flags = frame.flags.unwrap();
                assert_eq!((flags.brs, flags.esi), (flag("brs"), flag("esi")));
            }
            FrameKind::Classic(frame) => {
                assert_eq!((flag("fd"), frame.is_remote()), (false, flag("rtr")));
                assert_eq!(frame.dlc() as u64, expect["len"].as_u64().unwrap());
            }
        }
        let id = record.kind.id().unwrap();
        assert_eq!(
            (u64::from(raw_id(id)), matches!(id, Id::Extended(_))),
            (expect["id"].as_u64().unwrap(), flag("ext"))
        );
    }
    assert_eq!(entries.len(), 46);
}

/// One check for all refusals: the place and what was wanted there.
#[track_caller]
fn refused(line: &str, message: &str) {
    assert_eq!(parse_line(line.as_bytes()).unwrap_err().to_string(), message);
}

#[test]
fn refusals_say_where_and_what() {
    refused("", "column 1: expected '(' before the time stamp, found the end of the line");
    refused(
        "(1.000000) can0 12#",
        "column 19: expected an identifier of 3 or 8 hexadecimal digits, found '#'",
    );
    refused(
        "(1.000000) can0 800#",
        "column 17: expected an 11-bit identifier, at most 7FF, found '8'",
    );
    refused(
        "(1.000000) can0 3FFFFFFF1#",
        "column 25: expected an identifier of 3 or 8 digits, found '1'",
    );
    refused(
        "(1.000000) can0 123#0",
        "column 22: expected a hexadecimal digit, found the end of the line",
    );
    refused(
        "(1.000000) can0 123#001122334455667788",
        "column 37: expected at most 8 data bytes, found '8'",
    );
    refused(
        "(99999999999.000000) can0 123#",
        "column 2: expected seconds before the year 2262, found '9'",
    );
    refused(
        "(1.000000) can\u{1b}[2J 123#",
        "column 15: expected one blank after the channel, found byte 0x1B",
    );
}

#[track_caller]
fn console_frame(line: &str) -> (Option<i64>, FrameKind) {
    let record =
        console::parse_line(line.as_bytes()).unwrap_or_else(|error| panic!("{line}: {error}"));
    (record.time.map(Timestamp::nanoseconds), record.kind)
}

#[test]
fn console_forms() {
    let data = FrameKind::Classic(
        ClassicFrame::new(make_id(0x7E8, false).unwrap(), &[4, 0x41, 0x0C, 0x1A]).unwrap(),
    );
    for (line, time) in [
        ("  can0  7E8   [4]  04 41 0C 1A", None),
        ("can0 7E8 [4] 04 41 0C 1A", None),
        (" (1700000000.123456)  can0  7E8   [4]  04 41 0C 1A", Some(1_700_000_000_123_456_000)),
        (" (000.001200)  can0  7E8   [4]  04 41 0C 1A   '.A..'", Some(1_200_000)),
        // GNU date: 2022-03-29 18:15:25 UTC is 1648577725.
        (
            " (2022-03-29 18:15:25.900828)  can0  7E8   [4]  04 41 0C 1A",
            Some(1_648_577_725_900_828_000),
        ),
        // … and 2024-02-29 00:00:00 UTC is 1709164800.
        (
            " (2024-02-29 00:00:00.000000)  can0  7E8   [4]  04 41 0C 1A",
            Some(1_709_164_800_000_000_000),
        ),
    ] {
        assert_eq!(console_frame(line), (time, data), "{line}");
    }
    let (_, remote) = console_frame("  can0  7E8   [2]  remote request");
    assert!(matches!(remote, FrameKind::Classic(frame) if frame.is_remote() && frame.dlc() == 2));
    let (_, fd) = console_frame("  can0  7E8  [12]  00 01 02 03 04 05 06 07 08 09 0A 0B");
    assert!(matches!(fd, FrameKind::Fd(frame) if frame.bytes().len() == 12));
    let (_, error) = console_frame("  can0  20000004   [8]  00 01 00 00 00 00 00 00   ERRORFRAME");
    assert!(matches!(error, FrameKind::Error(error) if error.is_receive_overflow()));
    assert!(console::is_note(b"\tcontroller-problem{rx-overflow}"));
    for line in [
        "can0 7E8 [9] 00",
        "can0 7E8 [2] 00",
        "can0 7E8 04 41",
        "(2022-13-29 18:15:25.900828) can0 7E8 [0]",
        "",
    ] {
        assert!(console::parse_line(line.as_bytes()).is_err(), "{line}");
    }
}

prop_compose! {
    fn any_frame()(
        raw in any::<u32>(),
        extended in any::<bool>(),
        form in 0..4,
        code in 0..16usize,
        dlc in 0..=8usize,
        raw_dlc in 9..=15u8,
        data in any::<[[u8; 32]; 2]>(),
        brs in any::<bool>(),
        esi in any::<bool>(),
    ) -> FrameKind {
        let id = make_id(if extended { raw & 0x1FFF_FFFF } else { raw & 0x7FF }, extended).unwrap();
        let data = data.as_flattened();
        let classic = |data, dlc| ClassicFrame::with_raw_dlc(id, data, dlc).unwrap();
        let length = usize::from(FD_LENGTHS[code]);
        match form {
            0 => FrameKind::Fd(FdFrame::new(id, &data[..length], FdFlags { brs, esi }).unwrap()),
            1 => FrameKind::Classic(ClassicFrame::new_remote(id, dlc).unwrap()),
            2 => FrameKind::Error(ErrorFrame::new(raw & 0x1FFF_FFFF, &data[..dlc]).unwrap()),
            _ if brs => FrameKind::Classic(classic(&data[..8], raw_dlc)),
            _ => FrameKind::Classic(ClassicFrame::new(id, &data[..dlc]).unwrap()),
        }
    }
}

proptest! {
    #![proptest_config(ProptestConfig::with_cases(4000))]

    #[test]
    fn any_bytes_are_read_or_refused(line in proptest::collection::vec(any::<u8>(), 0..200)) {
        let _ = parse_line(&line);
        let _ = console::parse_line(&line);
    }

    /// Bytes that look like lines reach deeper.
    #[test]
    fn likely_lines_are_read_or_refused(
        stamp in r"[ (]{0,2}[0-9]{0,12}[.]?[0-9]{0,7}[) ]{0,3}",
        frame in r"[a-z0-9]{0,6} {0,3}[0-9A-Fa-f]{0,9}[#\[]{0,2}[0-9A-Fa-f R_\]]{0,40}",
    ) {
        let line = stamp + &frame;
        for result in [parse_line(line.as_bytes()), console::parse_line(line.as_bytes())] {
            if let Err(error) = result {
                prop_assert!(error.column >= 1 && error.column <= line.len() + 1, "{}", error);
            }
        }
    }

    #[test]
    fn what_is_written_is_read_back(
        kind in any_frame(),
        microseconds in 0..9_000_000_000_000_000_i64,
        channel in "[!-~]{1,31}",
    ) {
        let time = Timestamp::from_nanoseconds(microseconds * 1000);
        let line = Line { time, channel: &channel, kind: &kind }.to_string();
        let record = parse_line(line.as_bytes()).unwrap();
        prop_assert_eq!((record.time, record.kind), (Some(time), kind));
        prop_assert_eq!(record.channel, channel.as_bytes());
    }
}

proptest! {
    /// The wide steps and the grammar say the same of every line: sound ones, and sound ones with a
    /// few bytes changed, put in or taken out.
    #[test]
    fn the_fast_path_and_the_grammar_agree(
        seconds in 0_u64..20_000_000_000,
        fraction in 0_u32..1_000_000,
        channel in "[!-~]{1,33}",
        id in "[0-9A-Fa-f]{2,9}",
        data in "[0-9A-Fa-f]{0,18}",
        end in prop::sample::select(vec!["", "", "", " R", " T", "R", "_9", "#"]),
        damage in prop::collection::vec((0_usize..60, any::<u8>(), 0_u8..3), 0..3),
    ) {
        let line = format!("({seconds:010}.{fraction:06}) {channel} {id}#{data}{end}");
        let mut line = line.into_bytes();
        for (at, byte, way) in damage {
            match way {
                0 if at < line.len() => line[at] = byte,
                1 if at < line.len() => { line.remove(at); }
                _ => line.insert(at.min(line.len()), byte),
            }
        }
        prop_assert_eq!(parse_line(&line), parse_line_by_grammar(&line));
    }
}

/// A line of a text as the reader in wide steps has it, held against the grammar; where it leaves
/// the line to the grammar, `None`.
fn held_against_the_grammar(reader: &mut candump_fast::Reader, text: &[u8]) -> Option<()> {
    let fast = reader.first_line(text)?;
    assert_eq!(text[fast.used - 1], b'\n');
    let line = &text[..fast.used - 1];
    assert!(!line.contains(&b'\n'));
    let record = parse_line_by_grammar(line.strip_suffix(b"\r").unwrap_or(line)).unwrap();
    let name = &fast.channel[..usize::from(fast.channel_length)];
    assert!(fast.channel[name.len()..].iter().all(|byte| *byte == 0));
    let kind = FrameKind::Classic(fast.frame);
    assert_eq!(
        Record { time: Some(fast.time), channel: name, kind, direction: fast.direction },
        record
    );
    Some(())
}

proptest! {
    /// In a text of many lines too, with either line end, whatever the line before was; and a sound
    /// line is taken.
    #[test]
    fn lines_of_a_text(
        lines in prop::collection::vec((
            prop::sample::select(vec![
                0_u64, 1_700_000_000, 1_700_000_001, 7_000_000_000, 9_223_372_035,
            ]),
            0_u32..1_000_000,
            prop::sample::select(vec!["can0", "can", "can01", "v", "slcan12", "can1"]),
            "[0-7][0-9A-Fa-f]{2}|[01][0-9A-Fa-f]{7}",
            "([0-9A-Fa-f]{2}){0,8}",
            prop::sample::select(vec!["\n", "\r\n", " R\n", " T\n"]),
        ), 1..6),
        damage in prop::collection::vec((0_usize..200, any::<u8>()), 0..3),
    ) {
        let mut text = String::new();
        for (second, fraction, channel, id, data, end) in &lines {
            text += &format!("({second:010}.{fraction:06}) {channel} {id}#{data}{end}");
        }
        let mut text = text.into_bytes();
        let sound = damage.is_empty();
        for (at, byte) in damage {
            if let Some(place) = text.get_mut(at) {
                *place = byte;
            }
        }
        let ends = text.len();
        text.extend(b"(1700000000.000001) can0 123#0011223344556677\n".repeat(2));
        let (mut at, mut reader) = (0, candump_fast::Reader::default());
        while at < ends {
            let taken = held_against_the_grammar(&mut reader, &text[at..]);
            prop_assert!(taken.is_some() || !sound, "{}", String::from_utf8_lossy(&text[at..]));
            at += text[at..].iter().position(|byte| *byte == b'\n').unwrap() + 1;
        }
    }

    /// Any name and any second.
    #[test]
    fn the_first_line_of_a_text(
        seconds in 0_u64..9_223_372_036,
        channel in "[!-~]{1,7}",
        data in "([0-9A-Fa-f]{2}){0,8}",
    ) {
        let text = format!("({seconds:010}.999999) {channel} 123#{data}\n").repeat(4);
        let mut reader = candump_fast::Reader::default();
        prop_assert!(held_against_the_grammar(&mut reader, text.as_bytes()).is_some());
    }
}

/// What is kept of the line before is a second and a name, and nothing that only looks like them:
/// digits, brackets and blanks each in their place.
#[test]
fn what_neighbours_have_in_common() {
    let next = "(1700000000.000001) can0 123#0011223344556677\n".repeat(2);
    let second = |line: &str| {
        let text = format!("(1700000000.000001) can1 7FF#AA\n{line}\n{next}").into_bytes();
        let mut reader = candump_fast::Reader::default();
        let used = reader.first_line(&text).unwrap().used;
        held_against_the_grammar(&mut reader, &text[used..])
    };
    for line in [
        "(1700000000.000002) can1 7FF#AA",
        "(1700000000.000002) can12 7FF#AA",
        "(1700000000.000002) can 7FF#AA",
        "(1700000001.000002) can1 000#AA",
        "(9223372035.999999) can1 1FFFFFFF#",
        "(1700000000.000002) can1 7ff#aAbBcC",
    ] {
        assert!(second(line).is_some(), "{line}");
    }
    for other in [
        "1700000000.000002) can1 7FF#AA",
        "[1700000000.000002) can1 7FF#AA",
        "(170000000:.000002) can1 7FF#AA",
        "(1700000000,000002) can1 7FF#AA",
        "(1700000000.00000:) can1 7FF#AA",
        "(1700000000.00000/) can1 7FF#AA",
        "(1700000000.000002* can1 7FF#AA",
        "(1700000000.000002( can1 7FF#AA",
        "(1700000000.000002)!can1 7FF#AA",
        "(1700000000.000002)  can1 7FF#AA",
        "(1700000000.000002) can1_7FF#AA",
        "(1700000000.000002) can\x7f 7FF#AA",
        "(1700000000.000002) can\x01 7FF#AA",
        "(1700000000.000002) can1can1 7FF#AA",
        "(1700000000.000002) can1 800#AA",
        "(1700000000.000002) can1 G00#AA",
        "(1700000000.000002) can1 0G0#AA",
        "(1700000000.000002) can1 00G#AA",
        "(1700000000.000002) can1 00@#AA",
        "(1700000000.000002) can1 00`#AA",
        "(1700000000.000002) can1 20000000#AA",
        "(1700000000.000002) can1 1FFFFFFG#AA",
        "(1700000000.000002) can1 7FF#A",
        "(1700000000.000002) can1 7FF#AAA",
        "(1700000000.000002) can1 7FF#AA RX",
        "(1700000000.000002) can1 7FF#AA TX",
        "(1700000000.000002) can1 7FF#AA R ",
        "(1700000000.000002) can1 7FF#AA X",
        "(1700000000.000002) can1 7FF#0011223344556677AA",
        "(9223372037.000002) can1 7FF#AA",
        "(9223372036.900000) can1 7FF#AA",
    ] {
        assert_eq!(second(other), None, "{other}");
    }
}

/// A line does not hold its own end.
#[test]
fn a_line_with_its_end() {
    for line in [
        "(1700000000.000001) can0 123#AA\n",
        "(1700000000.000001) can0 123#AA R\n",
        "(1700000000.000001) can0 123#AA\r\n",
    ] {
        assert!(parse_line(line.as_bytes()).is_err(), "{line:?}");
        assert!(parse_line(line.trim_end().as_bytes()).is_ok(), "{line:?}");
    }
}

/// Code written against the embedded-can trait reads captures too; what is asked for by eight bytes
/// is filled up with zeros.
#[test]
fn frames_as_others_see_them() {
    let kind = |line: &str| parse_line(line.as_bytes()).unwrap().kind;
    let classic = |line: &str| match kind(line) {
        FrameKind::Classic(frame) => frame,
        other => panic!("{other:?}"),
    };
    let (short, long) =
        (classic("(1.000000) can0 123#AABB"), classic("(1.000000) can0 00000123#R3"));
    assert_eq!(
        (short.is_extended(), short.is_remote_frame(), short.dlc(), short.data()),
        (false, false, 2, &[0xAA, 0xBB][..])
    );
    assert_eq!(
        (long.is_extended(), long.is_remote_frame(), long.dlc(), long.data()),
        (true, true, 3, &[][..])
    );
    assert_eq!(
        (embedded_can::Frame::id(&short), embedded_can::Frame::id(&long)),
        (make_id(0x123, false).unwrap(), make_id(0x123, true).unwrap())
    );
    assert_eq!(kind("(1.000000) can0 123#AABB").first_eight(), ([0xAA, 0xBB, 0, 0, 0, 0, 0, 0], 2));
    assert_eq!(kind("(1.000000) can0 123#R3").first_eight(), ([0; 8], 0));
    assert_eq!(
        kind("(1.000000) can0 123##0112233445566778899AABBCC").first_eight(),
        ([0x11, 0x22, 0x33, 0x44, 0x55, 0x66, 0x77, 0x88], 8)
    );
    assert_eq!(kind("(1.000000) can0 123##011").first_eight(), ([0x11, 0, 0, 0, 0, 0, 0, 0], 1));
    // Column numbers of the codes above eight count from the place that is wrong.
    refused(
        "(1.000000) can0 123#0011223344556677_8",
        "column 38: expected a raw length code from 9 to F, found '8'",
    );
    refused(
        "(1.000000) can0 123#00 X",
        "column 24: expected the end of the line, or ' R' or ' T', found 'X'",
    );
}
