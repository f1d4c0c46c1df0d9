//! Damaged, packed and odd captures: everything readable is used, everything else is counted with
//! its place and reason.

mod common;

use std::collections::BTreeSet;
use std::io::Write;
use std::ops::ControlFlow;

use common::{lostnode, piped, report};
use lostnode::capture::{self, Capture, Options, Source};
use lostnode::fold::bit_rate::BitRate;
use lostnode::fold::timing::Pauses;
use proptest::prelude::*;

fn steady(seconds: usize) -> String {
    (0..seconds * 100)
        .map(|step| format!("({:.6}) can0 1A0#00{:02X}\n", 1.7e9 + step as f64 * 0.01, step % 256))
        .collect()
}

/// One check for all odd inputs: frames, rejected lines, and what the first rejection says.
#[track_caller]
fn check(input: &[u8], frames: u64, rejected: u64, first: &str) {
    for chunk in [7, 100, 1 << 20] {
        let options = Options { chunk, threads: 2, ..Options::default() };
        let source = Source::Bytes { name: "test".into(), bytes: input.to_vec() };
        let capture = capture::read(source, &options, |_| {}).unwrap();
        let reason = capture
            .rejections
            .first()
            .map_or(String::new(), |first| format!("line {}: {}", first.line, first.reason));
        assert_eq!(
            (capture.frames, capture.rejected),
            (frames, rejected),
            "chunk {chunk}: {reason}"
        );
        assert!(reason.contains(first), "chunk {chunk}: {reason}");
        assert_eq!(capture.lines, frames + rejected);
    }
}

#[test]
fn odd_lines() {
    let two = "(1.000000) can0 123#01\n(1.010000) can0 123#02\n";
    check(two.as_bytes(), 2, 0, "");
    check(two.replace('\n', "\r\n").as_bytes(), 2, 0, "");
    check(two.trim_end().as_bytes(), 2, 0, "");
    check(format!("{two}\n\n   \n{two}").as_bytes(), 4, 0, "");
    check(
        format!("{two}(1.02000").as_bytes(),
        2,
        1,
        "line 3: column 9: expected a digit of the fraction of a second",
    );
    check(format!("4) can0 123#01\n{two}").as_bytes(), 2, 1, "line 1: column 1: expected '('");
    check(
        format!("{two}\0\0\0\n{two}").as_bytes(),
        4,
        1,
        "line 3: column 1: expected '(' before the time stamp, found byte 0x00",
    );
    check(
        format!("{two}{}\n{two}", "A".repeat(200_000)).as_bytes(),
        4,
        1,
        "line 3: longer than 65536 bytes",
    );
    check(
        format!("{two}{}", "A".repeat(200_000)).as_bytes(),
        2,
        1,
        "line 3: longer than 65536 bytes",
    );
    let error = b"  can0  20000004   [8]  00 01 00 00 00 00 00 00   ERRORFRAME\n\
        \tcontroller-problem{rx-overflow}\n";
    check(error, 1, 0, "");
}

/// A line of a gigabyte passes in little memory: the chunk never grows beyond its size and the
/// longest line.
#[test]
fn a_line_of_a_gigabyte() {
    struct Endless(u64);
    impl std::io::Read for Endless {
        fn read(&mut self, buffer: &mut [u8]) -> std::io::Result<usize> {
            let length = buffer.len().min(usize::try_from(self.0).unwrap_or(usize::MAX));
            buffer[..length].fill(b'A');
            self.0 -= length as u64;
            Ok(length)
        }
    }
    let folder = tempfile::tempdir().unwrap();
    let path = folder.path().join("long.gz");
    let mut out = flate2::write::GzEncoder::new(
        std::fs::File::create(&path).unwrap(),
        flate2::Compression::fast(),
    );
    out.write_all(b"(1.000000) can0 123#01\n").unwrap();
    std::io::copy(&mut Endless(1 << 30), &mut out).unwrap();
    out.write_all(b"\n(1.010000) can0 123#02\n").unwrap();
    out.finish().unwrap();
    let capture = capture::read(Source::Path(path), &Options::default(), |_| {}).unwrap();
    assert_eq!((capture.frames, capture.rejected), (2, 1));
    assert_eq!(capture.rejections[0].line, 2);
}

#[test]
fn packed_files_are_known_by_content() {
    let folder = tempfile::tempdir().unwrap();
    let text = steady(3);
    let mut gzip = flate2::write::GzEncoder::new(Vec::new(), flate2::Compression::default());
    gzip.write_all(text.as_bytes()).unwrap();
    let gzip = gzip.finish().unwrap();
    let twice = [gzip.clone(), gzip.clone()].concat();
    let zstd = zstd::encode_all(text.as_bytes(), 3).unwrap();
    for (bytes, format, frames) in [
        (text.as_bytes(), "log text", 300),
        (&gzip, "log text, gzip", 300),
        (&twice, "log text, gzip", 600),
        (&zstd, "log text, zstd", 300),
    ] {
        let path = folder.path().join("capture.of-some-kind");
        std::fs::write(&path, bytes).unwrap();
        let (_, document) = report(&path, &[]);
        assert_eq!(
            (&document["captures"][0]["format"], &document["captures"][0]["frames"]),
            (&format.into(), &frames.into())
        );
        let output = piped(&["report", "-", "--format", "json"], bytes);
        let document: serde_json::Value = serde_json::from_slice(&output.stdout).unwrap();
        assert_eq!(document["captures"][0]["frames"], frames, "from standard input");
    }
    // A packed file that ends early: what came before is used, and the report says so.
    let path = folder.path().join("cut.gz");
    std::fs::write(&path, &gzip[..gzip.len() / 2]).unwrap();
    let (_, document) = report(&path, &[]);
    assert!(document["captures"][0]["frames"].as_u64().unwrap() > 50);
    assert!(document["notices"].to_string().contains("reading stopped before the end"));
}

#[track_caller]
fn unreadable(input: &[u8], message: &str) {
    let output = piped(&["report", "-"], input);
    let text = String::from_utf8_lossy(&output.stderr);
    assert_eq!(output.status.code(), Some(2), "{text}");
    assert!(text.contains(message), "{text}");
}

#[test]
fn unreadable_captures_say_why() {
    unreadable(b"", "the file is empty");
    unreadable(b"\n\n", "the file is empty");
    unreadable(b"hello\nworld\n", "none of its 2 lines is a frame (line 1: column 1: expected '('");
    unreadable(
        &[0, 159, 146, 150, 0, 0, 10, 0, 1, 2],
        "it seems to be binary data of a kind not known here",
    );
    let output = lostnode().args(["report", "/nowhere/at-all.log"]).output().unwrap();
    assert_eq!(output.status.code(), Some(2));
    assert!(
        String::from_utf8_lossy(&output.stderr).contains("/nowhere/at-all.log: cannot be read")
    );
    let output = lostnode().args(["report", env!("CARGO_MANIFEST_DIR")]).output().unwrap();
    assert!(String::from_utf8_lossy(&output.stderr).contains("it is a folder"));
}

#[test]
fn relative_stamps_are_added_up() {
    let text: String = (0..200)
        .map(|step| format!(" (000.0{}0000)  can0  1A0   [1]  00\n", 1 + step % 2))
        .collect();
    for arguments in [vec![], vec!["--stamps", "relative"]] {
        let output = piped(
            &[&["report", "-", "--format", "json"], arguments.as_slice()].concat(),
            text.as_bytes(),
        );
        let document: serde_json::Value = serde_json::from_slice(&output.stdout).unwrap();
        assert_eq!(document["captures"][0]["format"], "console text, relative time stamps");
        let period = document["identifiers"][0]["period_s"].as_f64().unwrap();
        assert!((period - 0.015).abs() < 0.0002, "{period}");
    }
    let zero_based: String = (0..200)
        .map(|step| format!(" ({:010.6})  can0  1A0   [1]  00\n", step as f64 * 0.02))
        .collect();
    let output = piped(&["report", "-", "--format", "json"], zero_based.as_bytes());
    let document: serde_json::Value = serde_json::from_slice(&output.stdout).unwrap();
    assert_eq!(document["captures"][0]["format"], "console text");
    assert!((document["identifiers"][0]["period_s"].as_f64().unwrap() - 0.02).abs() < 1e-6);
}

/// Two channels whose clocks step back against each other by 0.09 s: each is in order on its own.
#[test]
fn channels_may_step_back_against_each_other() {
    let mut text = String::new();
    for step in 0..1000 {
        let time = 1.7e9 + f64::from(step) * 0.02;
        text += &format!("({time:.6}) can0 1A0#00\n({:.6}) can1 2B0#00\n", time - 0.09);
    }
    let output = piped(&["report", "-", "--format", "json"], text.as_bytes());
    assert_eq!(output.status.code(), Some(0));
    let document: serde_json::Value = serde_json::from_slice(&output.stdout).unwrap();
    assert_eq!(document["captures"][0]["out_of_order_frames"], 0);
    // A step back within a channel is told and not fatal.
    let back = |stamp: &str| {
        let (before, behind) = (steady(20), steady(1).replace("17000000", "17000001"));
        let text = format!("{before}({stamp}) can0 1A0#00\n{behind}");
        let output = piped(&["report", "-", "--format", "json"], text.as_bytes());
        serde_json::from_slice::<serde_json::Value>(&output.stdout).unwrap()
    };
    let near = back("1700000019.900000");
    assert_eq!(near["captures"][0]["out_of_order_frames"], 1);
    assert!(near["notices"].to_string().contains("are earlier than the frame before them"));
    let stray = back("1699999990.000000");
    assert_eq!(stray["captures"][0]["stray_stamps"], 1);
    assert!(stray["notices"].to_string().contains("far from those around"));
}

/// Three identifiers on two channels every 10 ms for 20 s, with the stamps that a clock gives them
/// that shows `clock` at a time in seconds.
fn clocked(clock: impl Fn(f64) -> f64) -> String {
    let mut text = String::new();
    for step in 0..2000 {
        let time = f64::from(step) * 0.01;
        text += &format!("({:.6}) can0 1A0#00\n", clock(time));
        // This one is handed on late.
        text += &format!("({:.6}) can1 2B0#00\n", clock(time - 0.005));
        text += &format!("({:.6}) can0 3C0#00\n", clock(time + 0.001));
    }
    text
}

/// A counter of 32 bits in microseconds, 5 s before its end.
fn wraps(time: f64) -> f64 {
    (4290.0 + time) % 4294.967296
}

fn set_back(time: f64) -> f64 {
    if time < 8.0 { 1000.0 + time } else { 962.8 + time }
}

#[test]
fn a_clock_that_wraps_or_is_set_back_is_mended_and_told() {
    let mended: [(String, &str); 2] =
        [(clocked(wraps), "wrapped at 4.97"), (clocked(set_back), "set back by 37.19")];
    for (text, told) in mended {
        let output = piped(&["report", "-", "--format", "json"], text.as_bytes());
        let document: serde_json::Value = serde_json::from_slice(&output.stdout).unwrap();
        assert!(document["notices"].to_string().contains(told), "{}", document["notices"]);
        assert_eq!(document["captures"][0]["out_of_order_frames"], 0, "{told}");
        assert_eq!(document["outages"], serde_json::json!([]), "{told}");
        for identifier in document["identifiers"].as_array().unwrap() {
            let period = identifier["period_s"].as_f64().unwrap();
            assert!((period - 0.01).abs() < 1e-5, "{identifier}");
        }
    }
    // Set back every 4 s: no clock.
    let text = clocked(|time| 1000.0 + time - (time.max(0.0) / 4.0).floor() * 30.0);
    let output = piped(&["report", "-", "--format", "json"], text.as_bytes());
    let document: serde_json::Value = serde_json::from_slice(&output.stdout).unwrap();
    assert!(
        document["notices"].to_string().contains("set back 4 times"),
        "{}",
        document["notices"]
    );
    assert_eq!(document["outages"], serde_json::json!([]));
    assert!(document["identifiers"].as_array().unwrap().iter().all(|id| id["period_s"].is_null()));
    assert_eq!(document["identifiers"][0]["frames"], 2000);
}

/// Stamps of all frames of a text, cut into chunks of so many bytes.
fn stamps(text: &str, chunk: usize) -> Vec<i64> {
    let mut out = Vec::new();
    let source = Source::Bytes { name: "clock".into(), bytes: text.into() };
    let options = Options { chunk, threads: 2, ..Options::default() };
    capture::read(source, &options, |batch| {
        out.extend(batch.frames.iter().filter_map(|frame| Some(frame.time?.nanoseconds())));
    })
    .unwrap();
    out
}

#[test]
fn a_clock_is_mended_alike_however_the_file_is_cut() {
    let straight = stamps(&clocked(|time| 4290.0 + time), 1 << 18);
    assert_eq!(stamps(&clocked(wraps), 1 << 18), straight);
    // A few stray stamps take the time of those before: the clock was not set.
    let stray = |time: f64| if (3.0..3.1).contains(&time) { 7.0 } else { 1000.0 + time };
    let mended = stamps(&clocked(stray), 1 << 18);
    assert!(mended.iter().all(|time| (999_990_000_000..1_021_000_000_000).contains(time)));
    assert_eq!(mended.iter().filter(|time| **time / 1_000_000 == 1_002_991).count(), 21);
    let ahead = |time: f64| if time == 5.0 { 1.9e9 } else { 1.7e9 + time };
    let first = |time: f64| if time < -0.001 { 0.0 } else { 1.7e9 + time };
    let set_ahead = |time: f64| if time < 8.0 { 3.0 + time } else { 1.7e9 + time };
    for text in [
        clocked(wraps),
        clocked(set_back),
        clocked(stray),
        clocked(ahead),
        clocked(first),
        clocked(set_ahead),
        doubled(&clocked(wraps)),
        apart(20.0),
    ] {
        let whole = stamps(&text, 1 << 18);
        for chunk in [64, 1000, 5000] {
            assert_eq!(stamps(&text, chunk), whole, "chunks of {chunk} bytes");
        }
    }
}

/// Every line twice, as logs of two recorders put together.
fn doubled(text: &str) -> String {
    text.lines().map(|line| format!("{line}\n{line}\n")).collect()
}

/// Two channels with clocks that are some seconds apart, line by line.
fn apart(seconds: f64) -> String {
    (0..2000)
        .map(|step| {
            let time = 1.7e9 + f64::from(step) * 0.01;
            format!("({time:.6}) can0 1A0#00\n({:.6}) can1 2B0#00\n", time + seconds)
        })
        .collect()
}

/// The whole report of a text.
fn reported(text: &str) -> serde_json::Value {
    let output = piped(&["report", "-", "--format", "json"], text.as_bytes());
    serde_json::from_slice(&output.stdout).unwrap()
}

/// Whether the recording is 20 s of three identifiers without a gap, or of two.
#[track_caller]
fn is_whole(document: &serde_json::Value) {
    let capture = &document["captures"][0];
    let span = capture["end"].as_f64().unwrap() - capture["start"].as_f64().unwrap();
    assert!((19.9..20.1).contains(&span), "{capture}");
    assert_eq!(document["outages"], serde_json::json!([]));
    for identifier in document["identifiers"].as_array().unwrap() {
        assert!((identifier["period_s"].as_f64().unwrap() - 0.01).abs() < 1e-5, "{identifier}");
    }
}

#[test]
fn a_stray_stamp_costs_nothing() {
    let sound = clocked(|time| 1.7e9 + time);
    let at = |line: usize, stamp: &str| {
        let mut lines: Vec<String> = sound.lines().map(str::to_owned).collect();
        let end = lines[line].find(')').unwrap();
        lines[line].replace_range(..end, &format!("({stamp}"));
        lines.join("\n") + "\n"
    };
    for stamp in ["0.000000", "1699999600.000000", "1700003600.000000", "2000000000.000000"] {
        let document = reported(&at(3000, stamp));
        is_whole(&document);
        assert_eq!(document["captures"][0]["stray_stamps"], 1, "{stamp}");
        assert!(document["notices"].to_string().contains("1 time stamp lies"), "{stamp}");
    }
    // Of the first line that of the second is taken, where no pause can be as long.
    for stamp in ["0.000000", "1800000000.000000"] {
        let document = reported(&at(0, stamp));
        is_whole(&document);
        assert_eq!(document["captures"][0]["stray_stamps"], 1, "{stamp}");
    }
    // Two clocks on one channel: which of them is right cannot be told.
    let lines = sound.lines().enumerate().map(|(at, line)| match at % 2 {
        0 => format!("{line}\n"),
        _ => format!("{}\n", line.replace("(17000000", "(17000050")),
    });
    let document = reported(&lines.collect::<String>());
    assert_eq!(document["verdict"], "cannot_tell");
    assert!(document["notices"].to_string().contains("are no clock"));
    // What is no time that a clock can show.
    for date in ["1700-01-01 00:00:00.000000", "2200-01-01 00:00:00.000000"] {
        let document = reported(&at(3000, date));
        is_whole(&document);
        assert_eq!(document["captures"][0]["stray_stamps"], 1, "{date}");
    }
    let text =
        "(1700-01-01 00:00:00.000000) can0 1A0#00\n(2262-01-01 00:00:00.000000) can0 1A0#00\n";
    let document = reported(text);
    assert_eq!(document["captures"][0]["stray_stamps"], 2);
    assert!(document["captures"][0]["start"].is_null());
}

#[test]
fn a_clock_set_ahead_by_years_is_no_pause() {
    let document = reported(&clocked(|time| if time < 8.0 { 3.0 + time } else { 1.7e9 + time }));
    is_whole(&document);
    assert!(document["notices"].to_string().contains("set ahead by 19676 days at 7.99"));
    // A night is a pause.
    let night = clocked(|time| if time < 8.0 { 1.7e9 + time } else { 1.70004e9 + time });
    let document = reported(&night);
    assert!(!document["notices"].to_string().contains("set ahead"));
    let capture = &document["captures"][0];
    let span = capture["end"].as_f64().unwrap() - capture["start"].as_f64().unwrap();
    assert!((40_019.0..40_021.0).contains(&span), "{capture}");
}

#[test]
fn frames_logged_twice_count_once() {
    let later = |text: &str| -> String {
        text.lines()
            .flat_map(|line| {
                let (stamp, rest) = line[1..].split_once(')').unwrap();
                let copy = stamp.parse::<f64>().unwrap() + 4e-5;
                [format!("{line}\n"), format!("({copy:.6}){rest}\n")]
            })
            .collect()
    };
    let sound = clocked(|time| 1.7e9 + time);
    for text in [doubled(&sound), later(&sound)] {
        let document = reported(&text);
        is_whole(&document);
        assert_eq!(document["captures"][0]["frames"], 6000);
        assert_eq!(document["captures"][0]["copied_frames"], 6000);
        assert!(document["notices"].to_string().contains("logged twice; 6000 copies"));
    }
    assert_eq!(reported(&sound)["captures"][0]["copied_frames"], 0);
}

#[test]
fn channels_with_clocks_of_their_own_are_set_to_one() {
    for (seconds, told) in [(20.0, "20 s ahead of"), (-20.0, "20 s behind"), (1.5e8, "ahead of")] {
        let document = reported(&apart(seconds));
        is_whole(&document);
        assert!(document["notices"].to_string().contains(told), "{}", document["notices"]);
    }
    // One channel after the other, or in pieces of 2 s, as a recorder with buffers writes them:
    // their stamps are right.
    let lines = |from: usize, to: usize| -> String {
        let text = apart(0.0);
        let all: Vec<&str> = text.lines().collect();
        let of = |channel: usize| all[2 * from..2 * to].iter().skip(channel).step_by(2);
        of(0).chain(of(1)).map(|line| format!("{line}\n")).collect()
    };
    for piece in [2000, 200] {
        let text: String =
            (0..2000 / piece).map(|at| lines(at * piece, (at + 1) * piece)).collect();
        let document = reported(&text);
        is_whole(&document);
        assert!(!document["notices"].to_string().contains("the clock of"));
    }
}

#[test]
fn threads_and_chunks_do_not_change_the_report() {
    let folder = tempfile::tempdir().unwrap();
    let path = folder.path().join("capture.log");
    std::fs::write(&path, steady(30) + "torn\n").unwrap();
    let run = |threads: &str| {
        lostnode()
            .arg("report")
            .arg(&path)
            .args(["--format", "json", "--threads", threads])
            .output()
            .unwrap()
    };
    assert_eq!(run("1").stdout, run("3").stdout);
    let analysis = |chunk| {
        let reading = Options { chunk, threads: 3, ..Options::default() };
        let options = lostnode::Options { reading, findings: None, ..Default::default() };
        format!("{:?}", lostnode::analyse(Source::Path(path.clone()), &options).unwrap())
    };
    assert_eq!(analysis(64), analysis(1 << 20));
}

/// Traffic with some of everything: two channels in turns, both widths, CAN FD, remote frames,
/// error reports, steps back, a counter, silences and a conversation.
fn mixed() -> String {
    let mut out = String::new();
    for step in 0..4000_u32 {
        let time =
            1_700_000_000.0 + f64::from(step) * 0.003 - if step % 97 == 0 { 0.02 } else { 0.0 };
        let mut add =
            |channel: u32, text: String| out += &format!("({time:.6}) can{channel} {text}\n");
        match step % 10 {
            0..=3 if !(1000..1300).contains(&step) => add(
                step % 2,
                format!("{:03X}#{:02X}00FF{:02X}", 0x100 + step % 4, step / 10 % 16, step % 256),
            ),
            4 | 5 => {
                add(0, format!("18FEF1{:02X}#{:016X}", step % 3, u64::from(step) * 0x9E37_79B9))
            }
            6 => add(1, format!("2B0##1{:0>24X}", step)),
            7 if step % 100 == 7 => add(1, "20000004#0004000000000000".to_owned()),
            7 => add(1, format!("3C0#R{}", step % 9)),
            8 if step % 50 == 8 => add(
                0,
                "7E0#0322F19000000000\n(1700000000.000000) can0 7E8#037F223100000000".to_owned(),
            ),
            _ => add(0, format!("4D0#{}", "07".repeat(step as usize / 10 % 9))),
        }
    }
    out
}

/// One channel that is so busy for so long that batches are folded in one step; now and then there
/// is something to be kept all the same: gaps of 5, 30 and 400 ms, a step back, an error report, a
/// frame of CAN FD.
fn busy() -> String {
    let mut out = String::new();
    let begin = 1_700_000_000_000_000_u64;
    let mut time = begin;
    for step in 0..170_000_u64 {
        let noise = step.wrapping_mul(0x9E37_79B9_7F4A_7C15) >> 54;
        // Every other frame follows the one before at once, at 500 kbit/s; in the beginning a few
        // are stamped sooner than can be.
        time += 250 + if noise % 2 == 1 { noise } else { 0 };
        time -= if step < 30_000 && step % 50 == 0 { 80 } else { 0 };
        match step % 9_973 {
            100 => time += 5_000,
            3_000 => time += 30_000,
            5_000 => time += 400_000,
            7_000 => time -= 3_000,
            _ => {}
        }
        // The first frame in a bin of the load is there as it begins.
        let (since, bin) = (time - begin, 250_000);
        time = if step == 0 {
            begin
        } else {
            time + Some(since.next_multiple_of(bin) - since)
                .filter(|ahead| *ahead < 600)
                .unwrap_or(0)
        };
        let frame = match step % 40_009 {
            20_000 => "20000004#0004000000000000".to_owned(),
            30_000 => "1F0##1AABBCC".to_owned(),
            _ => format!(
                "{:03X}#{:02X}00FF{:02X}{noise:08X}",
                0x100 + 0x10 * (step % 5),
                step / 5 % 16,
                step % 256
            ),
        };
        out += &format!("({}.{:06}) can0 {frame}\n", time / 1_000_000, time % 1_000_000);
    }
    out
}

/// The whole report of a text, however it is read, the bits of all its frames, and the stops of all
/// traffic.
fn report_and_more(
    text: &str,
    chunk: usize,
    threads: usize,
    grouped: bool,
) -> (lostnode::analysis::Analysis, u64, Pauses) {
    let options = lostnode::Options {
        reading: Options { chunk, threads, grouped, ..Options::default() },
        settings: lostnode::settings::Settings { load_bin: 0.25, ..Default::default() },
        roster: None,
        findings: None,
        precursors: false,
    };
    let source = Source::Bytes { name: "text".into(), bytes: text.into() };
    let (mut analyser, mut beside) =
        (lostnode::Analyser::new(&options), lostnode::Analyser::new(&options));
    let mut bits = 0;
    let capture = capture::read(source, &options.reading, |batch| {
        bits += batch.frames.iter().map(|frame| u64::from(frame.length.bits())).sum::<u64>();
        analyser.push(batch);
        beside.push(batch);
    });
    let capture = capture.unwrap();
    assert_eq!(capture.rejected, 0, "{:?}", capture.rejections);
    (analyser.finish(capture).unwrap(), bits, beside.into_summary().timing.pauses)
}

fn report_of(text: &str, chunk: usize, threads: usize, grouped: bool) -> String {
    let (report, _, stops) = report_and_more(text, chunk, threads, grouped);
    format!("{report:#?}\n{stops:?}")
}

#[test]
fn grouping_threads_and_chunks_change_nothing() {
    let text = mixed();
    let whole = report_of(&text, 1 << 20, 1, false);
    assert!(whole.contains("out_of_order"));
    for (chunk, threads, grouped) in [
        (1 << 20, 1, true),
        (1, 2, true),
        (50, 1, true),
        (777, 3, true),
        (4096, 2, false),
        (40_000, 4, true),
        // The identifiers are divided among threads.
        (300, 5, true),
        (2000, 8, false),
    ] {
        assert!(report_of(&text, chunk, threads, grouped) == whole, "{chunk} {threads} {grouped}");
    }
}

/// What is folded in one step comes to the same as frame by frame: in the largest batch there is
/// something of everything, in the smallest hardly ever.
#[test]
fn batches_of_any_size_come_to_the_same() {
    let text = busy();
    let (whole, bits, stops) = report_and_more(&text, 100_000, 1, true);
    let (channel, load) = (&whole.channels[0], whole.channels[0].load.as_ref().unwrap());
    let mut latest = 0;
    let late = text.lines().filter(|line| !line.contains("20000004#")).filter(|line| {
        let time: u64 = line[1..18].replace('.', "").parse().unwrap();
        latest = latest.max(time);
        time < latest
    });
    assert_eq!(
        (channel.frames, channel.error_frames, channel.out_of_order.0),
        (170_000 - 4, 4, late.count() as u64)
    );
    // All bins are as wide as the first but the last one, which ends with the capture.
    let (begin, end) = whole.span.unwrap();
    let (last, before) = load.load.split_last().unwrap();
    let width = lostnode::fold::timing::seconds(end - begin) - before.len() as f64 * load.bin;
    let BitRate::Inferred { rate, confidence } = channel.bit_rate else {
        panic!("{:?}", channel.bit_rate)
    };
    // Most frames follow the one before them at once: the peak of that rate stands out as clearly
    // as one can.
    assert_eq!((rate, confidence), (500e3, 0.99));
    let counted = (before.iter().sum::<f64>() * load.bin + last * width) * rate;
    assert!((counted - bits as f64).abs() < 1.0, "{counted} bits in bins, {bits} in frames");
    // Those of 30 and of 400 ms.
    assert_eq!(stops.stops(0.0).len(), 34);
    assert_eq!(whole.outages.len(), 17, "{:#?}", whole.outages);
    let whole = report_of(&text, text.len(), 1, false);
    for (chunk, threads) in [(40, 1), (1500, 1), (20_000, 2), (1 << 18, 3), (9000, 8)] {
        let cut = report_of(&text, chunk, threads, true);
        let differing = whole.lines().zip(cut.lines()).find(|(whole, cut)| whole != cut);
        assert!(cut == whole, "{chunk} {threads}: {differing:?}");
    }
}

/// The first 256 channels are told apart wherever the file is cut, each further one is told of
/// once, and all its frames count.
#[test]
fn one_channel_too_many() {
    let lines: Vec<String> = (0..3000)
        .map(|at| format!("({}.500000) can{} 123#00", 1_700_000_000 + at, at * 7 % 300))
        .collect();
    let text = lines.join("\n").replace("can33 ", "with-a-long-name ");
    let read = |chunk, threads| {
        let (source, mut of_channel) =
            (Source::Bytes { name: "many".into(), bytes: text.clone().into() }, vec![0; 256]);
        let capture =
            capture::read(source, &Options { chunk, threads, ..Options::default() }, |batch| {
                batch.frames.iter().for_each(|frame| of_channel[usize::from(frame.channel)] += 1);
            });
        let mut capture = capture.unwrap();
        capture.path.clear();
        (format!("{capture:?}"), capture, of_channel)
    };
    let (whole, capture, of_channel) = read(1 << 20, 1);
    assert_eq!((capture.frames, capture.rejected, capture.lines), (2560, 440, 3000));
    assert_eq!(of_channel, [10; 256]);
    let told: Vec<u64> = capture.rejections.iter().map(|rejected| rejected.line).collect();
    assert_eq!(told, (257..257 + Capture::KEPT_REJECTIONS as u64).collect::<Vec<_>>());
    for (chunk, threads) in [(1, 1), (100, 2), (4000, 1), (9000, 3)] {
        let cut = read(chunk, threads);
        assert_eq!((&cut.0, &cut.2), (&whole, &of_channel), "{chunk} {threads}");
    }
}

/// A thread that finds no text left is not started, and whatever takes long to start does no harm.
#[test]
fn a_short_capture_is_read_on_one_thread() {
    let readers = |text: &str, chunk| {
        let source = Source::Bytes { name: "text".into(), bytes: text.into() };
        let options = Options { chunk, threads: 8, ..Options::default() };
        let mut readers = BTreeSet::new();
        capture::read(source, &options, |_| {
            readers.insert(format!("{:?}", std::thread::current().id()));
            // Long enough for another thread to take the next chunk.
            std::thread::sleep(std::time::Duration::from_millis(2));
        })
        .unwrap();
        readers
    };
    let text = mixed();
    let own = BTreeSet::from([format!("{:?}", std::thread::current().id())]);
    assert_eq!(readers(&text, text.len() * 8), own);
    let many = readers(&text, text.len() / 40).len();
    assert!((2..=8).contains(&many), "{many}");
}

/// Whoever breaks off gets nothing more, though the other threads wait with what they have.
#[test]
fn nothing_comes_after_breaking_off() {
    let text = mixed().into_bytes();
    for at in 0..200 {
        let (mut batches, options) = (0, Options { chunk: 500, threads: 4, ..Options::default() });
        capture::read_while(
            Source::Bytes { name: "mixed".into(), bytes: text.clone() },
            &options,
            |_| {
                batches += 1;
                if batches > at % 5 { ControlFlow::Break(()) } else { ControlFlow::Continue(()) }
            },
        )
        .unwrap();
        assert_eq!(batches, at % 5 + 1);
    }
}

/// Grouped by identifier, each data and remote frame is there once, in order; time stamps are
/// summed up of batches that have nothing else.
#[test]
fn groups_are_the_frames_by_identifier() {
    for chunk in [60, 130, 300, 5000] {
        groups_of_chunks(chunk);
    }
}

fn groups_of_chunks(chunk: usize) {
    // From 0 s on, where what has no stamp could be taken for having one.
    let text = mixed().replace("(1700000", "(0000000");
    let source = Source::Bytes { name: "mixed".into(), bytes: text.into_bytes() };
    capture::read(
        source,
        &Options { chunk, threads: 2, grouped: true, ..Options::default() },
        |batch| {
            let mut seen = Vec::new();
            for group in batch.grouped().iter() {
                let own: Vec<_> = (0..batch.frames.len())
                    .filter(|at| {
                        (batch.frames[*at].channel, batch.frames[*at].kind.id())
                            == (group.channel, Some(group.id))
                    })
                    .collect();
                assert_eq!(group.frames, own.len() as u64);
                assert_eq!(group.positions.iter().map(|at| *at as usize).collect::<Vec<_>>(), own);
                assert_eq!(
                    group.times,
                    own.iter()
                        .map(|at| batch.frames[*at].time.unwrap().nanoseconds())
                        .collect::<Vec<_>>()
                );
                let gaps: Vec<i64> = group.times.windows(2).map(|pair| pair[1] - pair[0]).collect();
                assert_eq!(group.gap_bound < 0, gaps.iter().any(|gap| *gap < 0));
                assert!(group.gap_bound < 0 || gaps.iter().all(|gap| *gap <= group.gap_bound));
                seen.push((group.channel, group.id));
            }
            let times: Option<Vec<i64>> = batch.frames.iter().map(|frame| frame.heard()).collect();
            let channel = batch.frames.first().map(|first| first.channel);
            let channel = channel
                .filter(|channel| batch.frames.iter().all(|frame| frame.channel == *channel));
            let summary = batch.time_summary();
            let ends = times
                .as_ref()
                .filter(|times| !times.is_empty())
                .map(|times| (channel, times[0], times[times.len() - 1]));
            assert_eq!(summary.map(|summary| (summary.channel, summary.first, summary.last)), ends);
            if let (Some(summary), Some(times)) = (summary, times) {
                let gaps: Vec<i64> = times.windows(2).map(|pair| pair[1] - pair[0]).collect();
                assert_eq!(summary.gap_bound < 0, gaps.iter().any(|gap| *gap < 0));
                assert!(summary.gap_bound < 0 || gaps.iter().all(|gap| *gap <= summary.gap_bound));
            }
            let mut expected: Vec<_> = Vec::new();
            for frame in &batch.frames {
                if let Some(key) = frame
                    .kind
                    .id()
                    .map(|id| (frame.channel, id))
                    .filter(|key| !expected.contains(key))
                {
                    expected.push(key);
                }
            }
            assert_eq!(seen, expected);
        },
    )
    .unwrap();
}

proptest! {
    #![proptest_config(ProptestConfig::with_cases(300))]

    /// Whatever the bytes, nothing panics and no line is lost.
    #[test]
    fn frames_and_rejected_lines_are_all_lines(
        lines in proptest::collection::vec(prop_oneof![
            3 => r"\([0-9]{1,10}\.[0-9]{6}\) can[01] [0-7][0-9A-F]{2}#([0-9A-F]{2}){0,8}"
                .prop_map(String::into_bytes),
            1 => proptest::collection::vec(
                any::<u8>().prop_filter("a line end", |byte| *byte != b'\n'),
                0..80,
            ),
        ], 0..60),
        chunk in 1..400usize,
    ) {
        let expected = lines.iter().filter(|line| {
            let line = line.strip_suffix(b"\r").unwrap_or(line);
            !line.iter().all(|byte| *byte == b' ') && line.first() != Some(&b'\t')
        }).count() as u64;
        let source = Source::Bytes { name: "test".into(), bytes: lines.join(&b'\n') };
        let mut frames = 0;
        let packed = matches!(lines.join(&b'\n').get(..2), Some([0x1F, 0x8B] | [0x28, 0xB5]));
        let options = Options { chunk, threads: 2, ..Options::default() };
        match capture::read(source, &options, |batch| frames += batch.frames.len() as u64) {
            Ok(capture) => {
                prop_assert_eq!(capture.frames, frames);
                prop_assert_eq!(capture.frames + capture.rejected, expected);
            }
            Err(error) => prop_assert!(frames == 0 || packed, "{}", error),
        }
    }
}

/// Frames are moved between threads in millions: those that are nearly all of them must stay small
/// (docs/performance.md).
#[test]
fn a_frame_is_small() {
    assert!(size_of::<lostnode::capture::Frame>() <= 48);
}
