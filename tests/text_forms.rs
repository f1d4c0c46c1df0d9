//! The forms of log and console text that its writers have beside the plain one, through the whole
//! program: `parsers/tests/log_forms.rs` holds the lines one by one.

mod common;

use common::piped;
use lostnode::capture::{self, Capture, Options, Source};
use lostnode_parsers::FrameKind;
use lostnode_parsers::candump::Payload;
use serde_json::Value;

/// Reads a text cut at several places: what comes out must not depend on it.
#[track_caller]
fn read(text: &str) -> (Capture, Vec<String>) {
    let read = |threads, chunk| {
        let options = Options { threads, chunk, ..Options::default() };
        let source = Source::Bytes { name: "test".into(), bytes: text.as_bytes().to_vec() };
        let mut frames = Vec::new();
        let capture = capture::read(source, &options, |batch| {
            for frame in &batch.frames {
                let time = frame.time.map_or(-1, |time| time.nanoseconds());
                let channel = &batch.channels[usize::from(frame.channel)];
                frames.push(format!("{time} {channel} {}", Payload(&frame.kind)));
            }
        });
        (capture.unwrap(), frames)
    };
    let (capture, frames) = read(1, 1 << 20);
    for chunk in [60, 1000] {
        let (other, again) = read(2, chunk);
        assert_eq!((&again, &other.format, other.span), (&frames, &capture.format, capture.span));
        assert_eq!((other.rejected, other.xl), (capture.rejected, capture.xl));
    }
    (capture, frames)
}

fn report(text: &str, arguments: &[&str]) -> (i32, Value) {
    let arguments = [&["report", "-", "--format", "json"], arguments].concat();
    let output = piped(&arguments, text.as_bytes());
    (output.status.code().unwrap(), serde_json::from_slice(&output.stdout).unwrap())
}

/// Lines of two identifiers over so many seconds, as `line` writes them.
fn drive(seconds: usize, line: impl Fn(usize, f64, u8) -> String) -> String {
    (0..seconds * 100).map(|step| line(step, step as f64 * 0.01, step as u8) + "\n").collect()
}

/// Names of two interfaces, right-aligned: as long as the longer one from its first line on.
#[test]
fn names_of_unequal_length() {
    let text = drive(30, |_, time, count| {
        let time = 1.7e9 + time;
        format!("({time:.6})   can0 123#{count:02X}\n({time:.6}) vcan10 124#{count:02X}")
    });
    let (capture, frames) = read(&text);
    assert_eq!((capture.rejected, capture.lines, capture.frames), (0, 6000, 6000));
    assert_eq!(
        frames[..2],
        ["1700000000000000000 can0 123#00", "1700000000000000000 vcan10 124#00"]
    );
    let (code, document) = report(&text, &[]);
    assert_eq!((code, document["verdict"].as_str()), (0, Some("nothing_lost")));
    // The longer name comes later: the shorter is padded from there on, and is not lost.
    let text = drive(30, |step, time, count| {
        let (time, more) = (1.7e9 + time, step >= 1000);
        let name = if more { "  can0" } else { "can0" };
        let first = format!("({time:.6}) {name} 123#{count:02X}");
        if more { format!("{first}\n({time:.6}) vcan10 124#{count:02X}") } else { first }
    });
    let (code, document) = report(&text, &[]);
    assert_eq!((code, document["outages"].as_array().map(Vec::len)), (0, Some(0)));
}

/// The time since the line before, in log text: told by itself where sure, and as it is told.
#[test]
fn differences_in_log_text() {
    let uneven = |step: usize| if step == 0 { 0.0 } else { 0.008 + 0.004 * (step % 2) as f64 };
    let text = drive(30, |step, _, count| format!("({:010.6}) can0 123#{count:02X}", uneven(step)));
    let (capture, frames) = read(&text);
    assert_eq!(capture.format, "log text, relative time stamps");
    assert_eq!(frames[2], "20000000 can0 123#02");
    let (first, last) = capture.span.unwrap();
    assert_eq!((first.nanoseconds(), last.nanoseconds()), (0, 29_992_000_000));
    // All alike: no line steps back, but no bus carries so many frames at once.
    let even = drive(30, |step, _, count| {
        format!("({}) can0 123#{count:02X}", if step == 0 { "000.000000" } else { "000.010000" })
    });
    let (capture, _) = read(&even);
    assert_eq!(capture.format, "log text, relative time stamps");
    assert_eq!(capture.span.unwrap().1.nanoseconds(), 29_990_000_000);
    // Counted from the start; two interfaces whose clocks are out of step do not change it.
    let from_zero = drive(30, |_, time, count| {
        let late = time + 0.09;
        format!("({late:010.6}) can0 123#{count:02X}\n({time:010.6}) can1 124#{count:02X}")
    });
    let (capture, frames) = read(&from_zero);
    assert_eq!((capture.format.as_str(), frames[1].as_str()), ("log text", "0 can1 124#00"));
    // A clock of whole seconds gives many frames one stamp.
    let coarse =
        drive(30, |_, time, count| format!("({:03}.000000) can0 123#{count:02X}", time as u64));
    assert_eq!(read(&coarse).0.format, "log text");
    // As it is told, whatever it looks like.
    for (stamps, text, length) in
        [("relative", &text, 29.992), ("relative", &even, 29.99), ("absolute", &from_zero, 30.08)]
    {
        let (_, document) = report(text, &["--stamps", stamps]);
        let capture = &document["captures"][0];
        let span = capture["end"].as_f64().unwrap() - capture["start"].as_f64().unwrap();
        assert!((span - length).abs() < 1e-6, "{stamps}: {span}");
    }
    // Ten digits of seconds are a time.
    let (_, document) = report(
        "(1700000000.000000) can0 123#\n(1700000001.000000) can0 123#\n",
        &["--stamps", "relative"],
    );
    assert_eq!(document["captures"][0]["format"], "log text");
}

/// Every other form of one frame, in a file of its own.
#[test]
fn one_frame_in_every_form() {
    let plain = "1700000000030900000 can0 123#1122";
    for line in [
        "(1700000000.030900) can0 123#1122",
        "(1700000000.030900)   can0 123#1122",
        "(1700000000.030900) can0      123#1122",
        "(1700000000.030900000) can0 123#1122",
        "(2023-11-14 22:13:20.030900) can0 123#1122",
        "(1700000000.030900) can0 123#1122 R",
        " (1700000000.030900)  can0  123   [2]  11 22",
        " (1700000000.030900000)    can0       123   [2]  11 22",
        " (2023-11-14 22:13:20.030900)  can0  123   [2]  11 22",
        " (1700000000.030900)  can0  RX - -  123   [2]  11 22",
        " (1700000000.030900)  can0  123   [2]  22`11",
        " (1700000000.030900)  can0  123   [2]  00010001 00100010",
        " (1700000000.030900)  can0  123   {2}  11 22",
        " (1700000000.030900)  can0  123   [2]  11 22                     '.\"'",
        " (1700000000.030900)  \x1b[31mcan0\x1b[0m  123   [2]  11 22",
        " \x1b[1;32m(1700000000.030900)  can0  123   [2]  11 22\x1b[0m",
        "(1700000000.030900) \x1b[31mcan0\x1b[0m 123#1122",
    ] {
        let (capture, frames) = read(&format!("{line}\n"));
        assert_eq!((capture.rejected, frames), (0, vec![plain.to_owned()]), "{line}");
    }
    // What does more to a terminal than to colour is no frame.
    let (capture, _) = read("(1.000000) can0 123#11\n(1.000000) \x1b[2Jcan0 123#11\n");
    assert_eq!(capture.rejected, 1);
}

/// CAN XL is counted and named, and is no rejected line.
#[test]
fn xl_frames_are_counted() {
    let text = drive(30, |_, time, count| {
        let time = 1.7e9 + time;
        format!("({time:.6}) can0 123#{count:02X}\n({time:.6}) can0 00123#81:00:12345678#112233")
    }) + " (1700000040.000000)  can0  123 [0003] (00|81:00:12345678) 11 22 33\n";
    let (capture, frames) = read(&text);
    assert_eq!((capture.xl, capture.rejected, frames.len()), (3001, 0, 3000));
    assert_eq!(capture.lines, 6001);
    let (_, document) = report(&text, &[]);
    assert_eq!(document["captures"][0]["xl_frames"], 3001);
    let notices = document["notices"].to_string();
    assert!(notices.contains("3001 frames of CAN XL were counted and not analysed"), "{notices}");
}

/// What the writer says that it lost is a report of frames that are missing, at the time of the
/// frame before, wherever the text is cut.
#[test]
fn dropped_frames_are_a_gap_of_the_recording() {
    let dropped = "DROPCOUNT: dropped 5 CAN frames on 'can0' socket (total drops 5)\n";
    let text = drive(30, |step, time, count| {
        let time = 1.7e9 + if step >= 1000 { time + 2.0 } else { time };
        let before = if step == 1000 { dropped } else { "" };
        format!("{before}({time:.6}) can0 123#{count:02X}\n({time:.6}) can0 124#{count:02X}")
    });
    let (capture, frames) = read(&text);
    assert_eq!((capture.rejected, frames.len()), (0, 6001));
    assert_eq!(frames[2000], "1700000009990000000 can0 20000004#0001000000000000");
    let (code, document) = report(&text, &[]);
    let outage = &document["outages"][0];
    assert_eq!((code, outage["cause"].as_str()), (0, Some("capture_gap")), "{document:#}");
    let notices = document["notices"].to_string();
    assert!(notices.contains("the logger reported 1 receive overflow"), "{notices}");
    // Before all frames it has no time.
    let (_, frames) = read(&format!("{dropped}(1700000000.000000) can0 123#\n"));
    assert_eq!(frames[0], "-1 can0 20000004#0001000000000000");
}

/// Flags that a console line does not show are empty, not false.
#[test]
fn flags_that_are_not_known() {
    let text = "  can0  123  [01]  00\n  can0  RX B -  123  [01]  00\n";
    let output = piped(&["frames", "-", "--format", "jsonl"], text.as_bytes());
    let lines = String::from_utf8(output.stdout).unwrap();
    let flags: Vec<(Value, Value)> = lines
        .lines()
        .map(|line| {
            let line: Value = serde_json::from_str(line).unwrap();
            (line["brs"].clone(), line["esi"].clone())
        })
        .collect();
    assert_eq!(flags, [(Value::Null, Value::Null), (true.into(), false.into())]);
    let output = piped(&["frames", "-", "--format", "csv"], text.as_bytes());
    let csv = String::from_utf8(output.stdout).unwrap();
    let again = piped(&["frames", "-", "--format", "csv"], csv.as_bytes());
    assert_eq!(String::from_utf8(again.stdout).unwrap(), csv);
    let (_, frames) = read(text);
    assert!(frames[0].ends_with("123##000") && frames[1].ends_with("123##100"));
    assert!(matches!(
        lostnode_parsers::console::parse_line(b"can0 123 [01] 00").unwrap().kind,
        FrameKind::Fd(frame) if frame.flags.is_none()
    ));
}

/// Half of the lines in a form that nobody reads: that comes first, and the answer is that it
/// cannot tell. One torn line is how a recording ends.
#[test]
fn refused_lines_come_first() {
    let text = drive(30, |_, time, count| {
        let time = 1.7e9 + time;
        format!("({time:.6}) can0 123#{count:02X}\n<{time:.6}> can1 124 {count:02X}")
    });
    let (code, document) = report(&text, &[]);
    assert_eq!((code, document["verdict"].as_str()), (3, Some("cannot_tell")));
    let headline = document["headline"].as_str().unwrap();
    let told = "This recording cannot answer: 3000 of its 6000 lines could not be read";
    assert!(headline.starts_with(told), "{headline}");
    assert!(document["doubts"][0].as_str().unwrap().starts_with("3000 of its 6000 lines"));
    // What is lost in the rest is said, after it.
    let text = drive(60, |step, time, count| {
        let time = 1.7e9 + time;
        let frame = |id: &str, when: bool| match when {
            true => format!("({time:.6}) can0 {id}#{count:02X}\n"),
            false => String::new(),
        };
        let other = step % 2 == 0 && !(2000..2500).contains(&step);
        let frames = frame("123", true) + &frame("126", step % 10 == 0);
        let frames = frames + &frame("125", other) + &frame("127", other);
        format!("{frames}<{time:.6}> can1 124 {count:02X}")
    });
    let (code, document) = report(&text, &[]);
    let headline = document["headline"].as_str().unwrap();
    assert_eq!(code, 1, "{headline}");
    let told = "6000 of its 18100 lines could not be read; of the rest, ";
    assert!(headline.starts_with(told), "{headline}");
    let torn = drive(30, |_, time, count| format!("({:.6}) can0 123#{count:02X}", 1.7e9 + time));
    assert_eq!(report(&format!("{torn}(17000000"), &[]).0, 0);
}

/// Times in JSON are the doubles nearest to the stamps.
#[test]
fn times_are_the_nearest_double() {
    let stamp = |step: u32| {
        let micros = 1_700_000_000_000_000 + u64::from(step) * 79_193;
        format!("{}.{:06}", micros / 1_000_000, micros % 1_000_000)
    };
    let text: String = (0..2000).map(|step| format!("({}) can0 123#\n", stamp(step))).collect();
    let output = piped(&["frames", "-", "--format", "jsonl"], text.as_bytes());
    let lines = String::from_utf8(output.stdout).unwrap();
    for (at, line) in lines.lines().enumerate() {
        let line: Value = serde_json::from_str(line).unwrap();
        let nearest: f64 = stamp(at as u32).parse().unwrap();
        assert_eq!(line["time"].as_f64(), Some(nearest), "{at}");
    }
    // Nanoseconds too, where two roundings come together.
    for step in 0..20_000_i64 {
        let nanoseconds = 1_700_000_000_000_000_000 + step * 7_919_123_457;
        let text = format!("{}.{:09}", nanoseconds / 1_000_000_000, nanoseconds % 1_000_000_000);
        let time = lostnode_parsers::Timestamp::from_nanoseconds(nanoseconds);
        assert_eq!(time.seconds(), text.parse::<f64>().unwrap(), "{text}");
    }
}

/// An editor may put a byte order mark before the text.
#[test]
fn a_byte_order_mark_costs_no_frame() {
    let (capture, frames) = read("\u{feff}(1700000000.000000) can0 123#11\n");
    assert_eq!((capture.frames, capture.rejected), (1, 0));
    assert_eq!(frames, ["1700000000000000000 can0 123#11"]);
}
