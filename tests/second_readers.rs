//! Other people's readers of the same text: the crate socketcan (live) and the PyPI library
//! python-can (through a script).

mod common;

use std::fmt::Write as _;
use std::io::{Cursor, Read};
use std::process::Command;

use common::{lostnode, own, shared};
use lostnode_parsers::frame::{make_id, raw_id};
use lostnode_parsers::{FrameKind, Id, candump};
use socketcan::{CanAnyFrame, EmbeddedFrame};

const CAPTURES: [&str; 9] = [
    "truck-intermittent",
    "truck-steady",
    "truck-key-on",
    "car-steady",
    "car-key-cycle",
    "car-capture-pause",
    "diagnostic-scan-two-modules",
    "diagnostic-scan-all-modules",
    "canfd-three-frames",
];

fn text(name: &str) -> Option<String> {
    if name == "canfd-three-frames" {
        return Some(std::fs::read_to_string(shared("data/canfd-three-frames.log")?).unwrap());
    }
    let path = shared(&format!("data/{name}.log.gz"))?;
    let mut text = String::new();
    flate2::read::MultiGzDecoder::new(std::fs::File::open(path).unwrap())
        .read_to_string(&mut text)
        .unwrap();
    Some(text)
}

/// The same frame as our parser and as the crate socketcan see it, written alike.
fn ours(line: &str) -> Option<String> {
    let record = candump::parse_line(line.as_bytes()).ok()?;
    let id = record.kind.id()?;
    let kind = match record.kind {
        FrameKind::Classic(frame) if frame.is_remote() => "remote",
        FrameKind::Classic(_) => "data",
        FrameKind::Fd(_) => "fd",
        FrameKind::Error(_) => "error",
    };
    let time = record.time?.nanoseconds() / 1000;
    let channel = std::str::from_utf8(record.channel).ok()?;
    Some(format!(
        "{time} {channel} {kind} {:X} {} {:02X?}",
        raw_id(id),
        matches!(id, Id::Extended(_)),
        record.kind.bytes()
    ))
}

fn theirs(record: &socketcan::dump::CanDumpRecord) -> String {
    let (kind, id, data) = match &record.frame {
        CanAnyFrame::Normal(frame) => ("data", frame.id(), frame.data()),
        CanAnyFrame::Remote(frame) => ("remote", frame.id(), &[][..]),
        CanAnyFrame::Fd(frame) => ("fd", frame.id(), frame.data()),
        CanAnyFrame::Error(_) => return "error".to_owned(),
    };
    let (raw, extended) = match id {
        socketcan::Id::Standard(id) => (u32::from(id.as_raw()), false),
        socketcan::Id::Extended(id) => (id.as_raw(), true),
    };
    format!("{} {} {kind} {raw:X} {extended} {data:02X?}", record.t_us, record.device)
}

fn same_as_socketcan(text: &str) -> usize {
    let mut reader = socketcan::dump::Reader::from_reader(Cursor::new(text.as_bytes()));
    let mut count = 0;
    for line in text.lines() {
        let record =
            reader.next_record().unwrap_or_else(|error| panic!("{line}: {error}")).unwrap();
        assert_eq!(ours(line).as_deref(), Some(theirs(&record).as_str()), "{line}");
        count += 1;
    }
    count
}

#[test]
fn the_crate_socketcan_reads_the_same_frames() {
    for name in CAPTURES {
        let Some(text) = text(name) else { return };
        assert!(same_as_socketcan(&text) > 2, "{name}");
    }
}

/// Lines made by chance, written by us. Raw length codes are left out: the crate's log reader has
/// no place for them.
fn made_lines() -> String {
    let mut state = 0x1234_5678_9ABC_DEF0_u64;
    let mut next = move |below: u64| {
        // An xorshift generator (Marsaglia 2003): the lines need variety, not quality.
        state ^= state << 13;
        state ^= state >> 7;
        state ^= state << 17;
        state % below
    };
    let mut out = String::new();
    for step in 0..4000_u64 {
        let extended = next(2) == 1;
        let id = make_id(next(if extended { 1 << 29 } else { 1 << 11 }) as u32, extended).unwrap();
        let data: Vec<u8> = (0..64).map(|_| next(256) as u8).collect();
        let kind = match next(8) {
            0 => {
                let length = lostnode_parsers::frame::FD_LENGTHS[next(16) as usize];
                let flags = lostnode_parsers::FdFlags { brs: next(2) == 1, esi: next(2) == 1 };
                FrameKind::Fd(
                    lostnode_parsers::FdFrame::new(id, &data[..usize::from(length)], flags)
                        .unwrap(),
                )
            }
            _ => {
                let length = next(9) as u8;
                let data = &data[..usize::from(length)];
                FrameKind::Classic(
                    lostnode_parsers::ClassicFrame::with_raw_dlc(id, data, length).unwrap(),
                )
            }
        };
        let time = lostnode_parsers::Timestamp::from_nanoseconds(
            (1_700_000_000_000_000 + step * 1234) as i64 * 1000,
        );
        writeln!(out, "{}", candump::Line { time, channel: "vcan7", kind: &kind }).unwrap();
    }
    out
}

#[test]
fn made_lines_read_the_same_in_the_crate_socketcan() {
    assert_eq!(same_as_socketcan(&made_lines()), 4000);
}

/// `tests/oracles/python_can.py` reads the capture with python-can and prints one line a frame, as
/// `lostnode frames --format csv` does. Known differences, argued in docs/formats.md: python-can
/// stops at a line it cannot read and turns error reports into data.
#[test]
fn python_can_reads_the_same_frames() {
    let Some(python) = common::python("can") else { return };
    let folder = tempfile::tempdir().unwrap();
    let mut inputs = vec![("made".to_owned(), made_lines())];
    inputs.extend(CAPTURES.iter().filter_map(|name| Some(((*name).to_owned(), text(name)?))));
    for (name, text) in inputs {
        let path = folder.path().join(format!("{name}.log"));
        std::fs::write(&path, &text).unwrap();
        let theirs = Command::new(&python)
            .arg(own("tests/oracles/python_can.py"))
            .arg(&path)
            .output()
            .unwrap();
        assert!(theirs.status.success(), "{name}: {}", String::from_utf8_lossy(&theirs.stderr));
        let ours = lostnode().arg("frames").arg(&path).args(["--format", "csv"]).output().unwrap();
        let ours = String::from_utf8(ours.stdout).unwrap();
        // Without the length code and the number of bits, which python-can does not give.
        let pick = |line: &str| {
            let fields: Vec<&str> = line.split(',').collect();
            [fields[0], fields[1], fields[2], fields[3], fields[4], fields[6], fields[7], fields[8]]
                .join(",")
        };
        let ours: Vec<String> = ours.lines().skip(1).map(pick).collect();
        let theirs = String::from_utf8(theirs.stdout).unwrap();
        let theirs: Vec<&str> = theirs.lines().collect();
        assert_eq!(ours.len(), theirs.len(), "{name}");
        for (ours, theirs) in ours.iter().zip(theirs) {
            assert_eq!(ours, theirs, "{name}");
        }
    }
}

/// scapy reads the log text that we write, and we read the log text that python-can writes.
#[test]
fn log_text_both_ways() {
    let Some(python) = common::python("scapy, can") else { return };
    let lines = common::plain_lines(2000);
    let folder = tempfile::tempdir().unwrap();
    let (theirs, ours) = (folder.path().join("theirs.log"), folder.path().join("ours.log"));
    let script = own("tests/oracles/candump_both_ways.py");
    let mut child = Command::new(&python)
        .arg(&script)
        .arg("write")
        .arg(&theirs)
        .stdin(std::process::Stdio::piped())
        .spawn()
        .unwrap();
    std::io::Write::write_all(
        &mut child.stdin.take().unwrap(),
        (lines.join("\n") + "\n").as_bytes(),
    )
    .unwrap();
    assert!(child.wait().unwrap().success());
    let output = lostnode().arg("frames").arg(&theirs).output().unwrap();
    std::fs::write(&ours, &output.stdout).unwrap();
    let plain: Vec<String> = String::from_utf8(output.stdout)
        .unwrap()
        .lines()
        .map(|line| line.trim_start_matches('(').replace(") can0 ", " ").replace('#', " "))
        .collect();
    assert!(plain == lines, "what python-can wrote");
    let output = Command::new(&python).arg(&script).arg("read").arg(&ours).output().unwrap();
    assert!(output.status.success(), "{}", String::from_utf8_lossy(&output.stderr));
    assert!(
        String::from_utf8(output.stdout).unwrap().lines().eq(lines.iter().map(String::as_str)),
        "what scapy read"
    );
}
