//! Measurement files and network captures, both ways: written by libraries and by hand and read
//! here, written here and read by libraries. Damaged ones are read as far as they go.

mod common;

use std::path::Path;
use std::process::{Command, Stdio};

use common::{lostnode, own, piped, shared};
use lostnode::capture::{self, Options, Source};
use lostnode_parsers::candump::Payload;
use proptest::prelude::*;

/// A Python with asammdf and python-can; or a printed line that the test is skipped.
fn python() -> Option<String> {
    common::python("asammdf, can")
}

/// Runs the script with `input`; what it printed.
fn script(python: &str, arguments: &[&str], input: &str) -> String {
    let mut child = Command::new(python)
        .arg(own("tests/oracles/mdf4.py"))
        .args(arguments)
        .stdin(Stdio::piped())
        .stdout(Stdio::piped())
        .spawn()
        .unwrap();
    let mut stdin = child.stdin.take().unwrap();
    let input = input.to_owned();
    let writer =
        std::thread::spawn(move || std::io::Write::write_all(&mut stdin, input.as_bytes()));
    let output = child.wait_with_output().unwrap();
    let _ = writer.join().unwrap();
    assert!(output.status.success(), "{arguments:?}");
    String::from_utf8(output.stdout).unwrap()
}

/// The frames of a capture as the script writes them.
fn frames(bytes: Vec<u8>) -> Vec<String> {
    use lostnode_parsers::frame::raw_id;
    use lostnode_parsers::{FrameKind, Id};
    let mut out = Vec::new();
    let source = Source::Bytes { name: "test".into(), bytes };
    capture::read(source, &Options::default(), |batch| {
        for frame in &batch.frames {
            let time = frame.time.unwrap().nanoseconds();
            let bus = batch.channels[usize::from(frame.channel)].trim_start_matches("can");
            let (kind, id, code, flags) = match &frame.kind {
                FrameKind::Classic(own) if own.is_remote() => {
                    ("remote", raw_id(own.identifier()), own.raw_dlc(), String::new())
                }
                FrameKind::Classic(own) => {
                    ("data", raw_id(own.identifier()), own.raw_dlc(), String::new())
                }
                FrameKind::Fd(own) => {
                    let flags = own.flags.unwrap();
                    let flags = format!(" {}{}", u8::from(flags.brs), u8::from(flags.esi));
                    ("fd", raw_id(own.identifier()), own.dlc(), flags)
                }
                FrameKind::Error(own) => {
                    ("error", own.class(), own.bytes().len() as u8, String::new())
                }
            };
            let extended = matches!(frame.kind.id(), Some(Id::Extended(_)));
            let (whole, part) = (time / 1_000_000_000, time % 1_000_000_000);
            let data = hex::encode_upper(frame.kind.bytes());
            let line = format!(
                "{whole}.{part:09} {bus} {kind} {id:X} {} {code} {data}{flags}",
                u8::from(extended)
            );
            out.push(line.trim_end().to_owned());
        }
    })
    .unwrap();
    out
}

/// Frames of every kind as log text; an error frame of which nothing is known but that it was one.
fn made(count: u32) -> String {
    let mut out = String::new();
    for at in 0..count {
        let data: String =
            (0..at % 9).map(|byte| format!("{:02X}", (byte * 37 + at) as u8)).collect();
        let id = at.wrapping_mul(2_654_435_761);
        let frame = match at % 11 {
            0 => format!(
                "{:03X}##{:X}{}",
                id & 0x7FF,
                at % 4,
                "5A".repeat([12, 64, 8, 0][at as usize % 4])
            ),
            1 => format!("{:08X}##{:X}{}", id & 0x1FFF_FFFF, at % 4, "C3".repeat(20)),
            2 => format!("{:03X}#R{}", id & 0x7FF, at % 9),
            3 => "20000080#".to_owned(),
            4 => format!("{:08X}#1122334455667788_{:X}", id & 0x1FFF_FFFF, 9 + at % 7),
            5..8 => format!("{:08X}#{data}", id & 0x1FFF_FFFF),
            _ => format!("{:03X}#{data}", id & 0x7FF),
        };
        let time = 1_700_000_000_000_000 + u64::from(at) * 1237;
        let (whole, part) = (time / 1_000_000, time % 1_000_000);
        out += &format!("({whole}.{part:06}) can{} {frame}\n", 1 + at % 2);
    }
    out
}

/// Written through `lostnode frames`.
fn written(log: &str, format: &str) -> Vec<u8> {
    let output = piped(&["frames", "-", "--format", format], log.as_bytes());
    assert!(output.status.success(), "{}", String::from_utf8_lossy(&output.stderr));
    output.stdout
}

/// Log text of real captures, as far as some thousand frames.
fn real() -> Vec<(&'static str, String)> {
    let names = ["truck-key-on.log.gz", "car-key-cycle.log.gz"];
    let text = |name: &'static str| {
        let path = shared(&format!("data/{name}"))?;
        let output = lostnode().arg("frames").arg(path).output().unwrap();
        let text = String::from_utf8(output.stdout).unwrap();
        Some((name, text.lines().take(5000).map(|line| format!("{line}\n")).collect()))
    };
    names.into_iter().filter_map(text).collect()
}

#[test]
fn measurement_files_of_others() {
    let Some(python) = python() else { return };
    let folder = tempfile::tempdir().unwrap();
    let path = folder.path().join("theirs.mf4");
    let mut logs = vec![("made", made(3000))];
    logs.extend(real());
    for (name, log) in logs {
        let lines = frames(log.into_bytes());
        let input = lines.join("\n") + "\n";
        for form in [
            "sorted",
            "deflate",
            "transposed",
            "lists",
            "unsorted",
            "varying",
            "outside",
            "outside-packed",
        ] {
            script(&python, &["write", path.to_str().unwrap(), form], &input);
            let ours = frames(std::fs::read(&path).unwrap());
            let mut sorted = lines.clone();
            // Frames of one time come in the order of their groups.
            let (mut ours, time) = (ours, |line: &String| line[..20].to_owned());
            if name != "made" {
                let rest = |line: &String| (time(line), line.clone());
                ours.sort_by_key(rest);
                sorted.sort_by_key(rest);
            }
            assert_eq!(ours.len(), sorted.len(), "{name}, {form}");
            for (ours, theirs) in ours.iter().zip(&sorted) {
                assert_eq!(ours, theirs, "{name}, {form}");
            }
            if name == "made" {
                let theirs = script(&python, &["read", path.to_str().unwrap()], "");
                assert!(theirs.lines().eq(lines.iter().map(String::as_str)), "{form}");
            }
        }
    }
}

#[test]
fn measurement_files_of_ours() {
    let folder = tempfile::tempdir().unwrap();
    let path = folder.path().join("ours.mf4");
    let notes = "(1700000009.000000) can2 20000004#0001000000000000\n";
    let log = made(3000) + notes;
    let lines = frames(log.clone().into_bytes());
    std::fs::write(&path, written(&log, "mdf4")).unwrap();
    // Our own reader, which keeps what the controller noted of an error.
    assert_eq!(frames(std::fs::read(&path).unwrap()), lines);
    let Some(python) = python() else { return };
    let theirs = script(&python, &["read", path.to_str().unwrap()], "");
    assert!(theirs.lines().eq(lines.iter().map(String::as_str)));
    for (name, log) in real() {
        std::fs::write(&path, written(&log, "mdf4")).unwrap();
        let (mut ours, theirs) =
            (frames(log.into_bytes()), script(&python, &["read", path.to_str().unwrap()], ""));
        let mut theirs: Vec<String> = theirs.lines().map(str::to_owned).collect();
        ours.sort();
        theirs.sort();
        assert!(ours == theirs, "{name}");
    }
}

/// python-can reads the log text and the measurement file that are written here, alike.
#[test]
fn python_can_reads_both() {
    let Some(python) = python() else { return };
    let folder = tempfile::tempdir().unwrap();
    let log: String = made(3000)
        .lines()
        .filter(|line| !line.contains(" 20000080#"))
        .map(|line| {
            // It has no place for a raw length code.
            let line = line.split_once('_').map_or(line, |(line, _)| line);
            format!("{}\n", line.replace(" can", " "))
        })
        .collect();
    let (text, measured) = (folder.path().join("ours.log"), folder.path().join("ours.mf4"));
    std::fs::write(&text, written(&log, "text")).unwrap();
    std::fs::write(&measured, written(&log, "mdf4")).unwrap();
    let read = |path: &Path| script(&python, &["read-can", path.to_str().unwrap()], "");
    let (text, measured) = (read(&text), read(&measured));
    assert_eq!(text.lines().count(), log.lines().count());
    for (text, measured) in text.lines().zip(measured.lines()) {
        assert_eq!(text, measured);
    }
}

/// Every form that is written comes back as the same frames; in pcap of one channel.
#[test]
fn both_ways_here() {
    let log = made(2000) + "(1700000009.000000) can2 20000004#0001000000000000\n";
    for format in ["pcapng", "mdf4", "text", "csv", "parquet"] {
        let again = piped(&["frames", "-"], &written(&log, format));
        assert!(String::from_utf8(again.stdout).unwrap() == log, "{format}");
    }
    let one: String = log
        .lines()
        .filter(|line| line.contains(" can1 "))
        .fold(String::new(), |all, line| all + &line.replace(" can1 ", " can0 ") + "\n");
    let again = piped(&["frames", "-"], &written(&one, "pcap"));
    assert!(String::from_utf8(again.stdout).unwrap() == one);
    let output = piped(&["frames", "-", "--format", "pcap"], log.as_bytes());
    let told = String::from_utf8_lossy(&output.stderr).into_owned();
    assert_eq!(output.status.code(), Some(2));
    assert!(told.contains("choose one with --channel"), "{told}");
    for format in ["pcap", "pcapng", "mdf4"] {
        let output = piped(&["frames", "-", "--format", format], b"  can0  123   [1]  00\n");
        let told = String::from_utf8_lossy(&output.stderr).into_owned();
        assert!(output.status.code() == Some(2) && told.contains("no time stamps"), "{told}");
    }
}

/// A measurement file without bus logging, an older one, and one that is cut: each is told as such.
#[test]
fn measurement_files_without_frames() {
    let whole = written(&made(400), "mdf4");
    let read = |bytes: &[u8]| {
        let output = piped(&["frames", "-"], bytes);
        let told = String::from_utf8_lossy(&output.stderr).into_owned();
        (output.status.code(), String::from_utf8(output.stdout).unwrap().lines().count(), told)
    };
    let mut empty = Vec::new();
    capture::mdf::write::Writer::new(&mut empty).finish().unwrap();
    let (code, _, told) = read(&empty);
    assert!(code == Some(2) && told.contains("no frames of CAN are in it"), "{told}");
    let mut old = whole.clone();
    old[28..30].copy_from_slice(&330_u16.to_le_bytes());
    let (code, _, told) = read(&old);
    assert!(code == Some(2) && told.contains("older than version 4"), "{told}");
    // The blocks that describe the data stand behind it.
    let (code, _, told) = read(&whole[..whole.len() / 2]);
    assert!(code == Some(2) && told.contains("no block at byte"), "{told}");
    // Not closed: its last block does not say how long it is.
    let mut open = whole.clone();
    open[..8].copy_from_slice(b"UnFinMF ");
    assert_eq!(read(&open).1, 400);
}

/// Cooked packets, version 2, of two interfaces beside one of another protocol, and a frame of
/// CAN FD whose flag for the format was left out.
#[test]
fn packets_of_any_interface() {
    let mut file: Vec<u8> = Vec::new();
    let word = |file: &mut Vec<u8>, word: u32| file.extend_from_slice(&word.to_le_bytes());
    for own in [0xA1B2_C3D4, 0x0004_0002, 0, 0, 262_144, 276] {
        word(&mut file, own);
    }
    let mut packet = |protocol: u16, hardware: u16, interface: u8, payload: &[u8]| {
        let mut header = [0; 20];
        header[..2].copy_from_slice(&protocol.to_be_bytes());
        header[7] = interface;
        header[8..10].copy_from_slice(&hardware.to_be_bytes());
        let length = (20 + payload.len()) as u32;
        for own in [1_700_000_000, 5, length, length] {
            word(&mut file, own);
        }
        file.extend_from_slice(&header);
        file.extend_from_slice(payload);
    };
    let classic = [0x23, 0x01, 0, 0, 1, 0, 0, 0, 0xAA, 0, 0, 0, 0, 0, 0, 0];
    let mut fd = [0; 72];
    fd[..9].copy_from_slice(&[0x24, 0x01, 0, 0, 1, 0, 0, 0, 0xBB]);
    packet(0x000C, 280, 3, &classic);
    packet(0x000D, 280, 4, &fd);
    packet(0x0800, 1, 2, &[0x45; 40]);
    packet(0x000E, 280, 4, &[0; 20]);
    let output = piped(&["frames", "-"], &file);
    assert_eq!(
        String::from_utf8(output.stdout).unwrap(),
        "(1700000000.000005) if3 123#AA\n(1700000000.000005) if4 124##0BB\n"
    );
    let source = Source::Bytes { name: "test".into(), bytes: file };
    let capture = capture::read(source, &Options::default(), |_| {}).unwrap();
    assert_eq!((capture.rejected, capture.foreign, capture.xl), (1, 1, 1));
    // The plain type, the same frame: its length tells.
    fd[..4].copy_from_slice(&[0, 0, 1, 0x24]);
    let kind = lostnode_parsers::socketcan::parse(&fd, lostnode_parsers::socketcan::IdOrder::Big);
    assert_eq!(Payload(&kind.unwrap()).to_string(), "124##0BB");
}

proptest! {
    #![proptest_config(ProptestConfig::with_cases(300))]

    /// A damaged measurement file is read as far as it goes, or refused.
    #[test]
    fn damaged_measurement_files(
        damage in proptest::collection::vec((any::<prop::sample::Index>(), any::<u8>()), 1..6),
        cut in any::<prop::sample::Index>(),
    ) {
        let mut file = Vec::new();
        let mut writer = capture::mdf::write::Writer::new(&mut file);
        for line in made(60).lines() {
            let record = lostnode_parsers::candump::parse_line(line.as_bytes()).unwrap();
            let channel = std::str::from_utf8(record.channel).unwrap();
            writer.put(record.time, channel, &record.kind).unwrap();
        }
        writer.finish().unwrap();
        for (at, byte) in damage {
            let at = 8 + at.index(file.len() - 8);
            file[at] = byte;
        }
        if cut.index(4) == 0 {
            file.truncate(8 + cut.index(file.len() - 8));
        }
        let source = Source::Bytes { name: "test".into(), bytes: file };
        let _ = capture::read(source, &Options::default(), |_| {});
    }
}
