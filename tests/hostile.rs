//! Captures that mean harm, or that no vehicle ever sent: the tool ends in good order, counts what
//! it refuses, and passes nothing on to a terminal or a page.

mod common;
#[allow(dead_code, reason = "one of its captures is looked at here")]
#[path = "../benches/made/mod.rs"]
mod made;

use std::collections::BTreeMap;
use std::fmt::Write as _;
use std::fs;
use std::io::Write as _;

use common::{lostnode, piped};
use serde_json::Value;

/// The report of a capture; it must come, whatever is in it.
#[track_caller]
fn report(text: &[u8]) -> Value {
    let output = piped(&["report", "-", "--format", "json"], text);
    assert!(
        // Most of these captures prove nothing, which is said with 3.
        matches!(output.status.code(), Some(0 | 1 | 3)),
        "{:?} {}",
        output.status,
        String::from_utf8_lossy(&output.stderr)
    );
    serde_json::from_slice(&output.stdout).unwrap()
}

#[test]
fn stamps_at_the_ends_of_time() {
    let lines =
        ["0.000000", "1.000000", "2147483648.000000", "4294967296.000000", "9223372036.854775"];
    let good: String = lines.iter().map(|stamp| format!("({stamp}) can0 123#00\n")).collect();
    let bad = [
        "9223372036.854776",
        "99999999999999999999.000000",
        "-1.000000",
        "nan",
        "inf",
        "1e9",
        "1.0000000",
        "",
    ];
    let bad: String = bad.iter().map(|stamp| format!("({stamp}) can0 123#00\n")).collect();
    let document = report((good + &bad).as_bytes());
    assert_eq!(
        (&document["captures"][0]["frames"], &document["captures"][0]["rejected_lines"]),
        (&5.into(), &8.into())
    );
}

#[test]
fn clocks_that_run_backward_or_jump() {
    let backward: String = (0..20_000)
        .rev()
        .map(|at| format!("({}.{:06}) can0 123#00\n", 1000 + at / 100, at % 100 * 10_000))
        .collect();
    assert_eq!(report(backward.as_bytes())["channels"][0]["out_of_order_frames"], 19_999);
    let jumping: String = (0..5000_u64)
        .map(|at| format!("({}.000000) can0 123#00\n", at * 7_919_317 % 9_000_000_000))
        .collect();
    assert_eq!(report(jumping.as_bytes())["channels"][0]["frames"], 5000);
}

#[test]
fn three_hundred_channels() {
    let text: String =
        (0..3000).map(|at| format!("(1.{at:06}) can{} 123#00\n", at % 300)).collect();
    let document = report(text.as_bytes());
    assert_eq!(document["channels"].as_array().unwrap().len(), 256);
    assert_eq!(document["captures"][0]["rejected_lines"], 440);
}

#[test]
fn a_hundred_thousand_error_reports_in_a_second() {
    let text: String = (0..100_000)
        .map(|at| format!("(1.{:06}) can0 20000088#0000080000000000\n", at * 9))
        .collect();
    let document = report((text + "(1.950000) can0 123#00\n").as_bytes());
    assert_eq!(document["channels"][0]["error_frames"], 100_000);
    assert!(document["channels"][0]["error_events"].as_array().unwrap().len() < 5000);
}

/// More identifiers than are told apart: the rest is counted, and the report says so.
#[test]
fn identifiers_without_end() {
    let mut text = String::new();
    for at in 0..120_000_u32 {
        writeln!(
            text,
            "({}.{:06}) can0 {:08X}#00",
            1000 + at / 10_000,
            at % 10_000 * 100,
            at.wrapping_mul(2_654_435_761) & 0x1FFF_FFFF
        )
        .unwrap();
    }
    let document = report(text.as_bytes());
    assert!(
        document["notices"].to_string().contains("100000 frames of further ones were only counted"),
        "{}",
        document["notices"]
    );
}

/// Sixty messages that fall silent each by itself again and again: as many things to explain at
/// once. Each of their silences is told, and nothing of the others.
#[test]
fn sixty_senders_that_flicker() {
    let text = made::flickering(60);
    let mut last: BTreeMap<&str, f64> = BTreeMap::new();
    let mut silences: BTreeMap<String, usize> = BTreeMap::new();
    for line in text.lines() {
        let (time, id) = (line[1..18].parse::<f64>().unwrap(), &line[25..28]);
        if last.insert(id, time).is_some_and(|last| time - last > 0.5) {
            *silences.entry(format!("0x{id}")).or_default() += 1;
        }
    }
    assert_eq!(silences.len(), 60);
    let document = report(text.as_bytes());
    let mut told: BTreeMap<String, usize> = BTreeMap::new();
    for outage in document["outages"].as_array().unwrap() {
        for id in outage["ids"].as_array().unwrap() {
            *told.entry(id.as_str().unwrap().to_owned()).or_default() += 1;
        }
    }
    assert_eq!(told, silences);
    assert_eq!(document["verdict"], "something_lost");
    assert_ne!(document["findings"], serde_json::json!([]));
}

/// Without the sequences that set a colour or a weight, which are the tool's own.
fn without_colour(text: &str) -> String {
    let mut parts = text.split("\u{1b}[");
    let mut out = parts.next().unwrap_or_default().to_owned();
    for part in parts {
        match part.find(|c: char| !c.is_ascii_digit() && c != ';') {
            Some(at) if part[at..].starts_with('m') => out += &part[at + 1..],
            _ => out += &format!("\u{1b}[{part}"),
        }
    }
    out
}

/// Escape sequences and markup, where a name or a text of a module could carry them.
#[test]
fn nothing_reaches_a_terminal_or_a_page_raw() {
    let mut text = String::new();
    for at in 0..40 {
        writeln!(
            text,
            "(1.{at:06}) can0 123#00\n(1.{at:06}) <b>&'\"x 124#00\n(1.{at:06}) c\u{1b}[2Jx 125#00"
        )
        .unwrap();
    }
    // A module that says its VIN is this, and that its part number is that (ISO 14229-1, 0x22 F190
    // and F187).
    for (at, did, said) in
        [(2, "F190", "\u{1b}]0;x\u{7}<script>a1"), (3, "F187", "\u{1b}[2J<img src=x>\u{9b}1mA")]
    {
        let said: Vec<u8> =
            said.chars().map(|c| c as u32 as u8).chain(*b"################").take(17).collect();
        let all: Vec<u8> = [
            0x62,
            u8::from_str_radix(&did[..2], 16).unwrap(),
            u8::from_str_radix(&did[2..], 16).unwrap(),
        ]
        .into_iter()
        .chain(said)
        .collect();
        writeln!(text, "({at}.000000) can0 7E0#0322{did}00000000").unwrap();
        writeln!(text, "({at}.010000) can0 7E8#1014{}", hex::encode_upper(&all[..6])).unwrap();
        writeln!(text, "({at}.011000) can0 7E0#3000000000000000").unwrap();
        writeln!(text, "({at}.012000) can0 7E8#21{}", hex::encode_upper(&all[6..13])).unwrap();
        writeln!(text, "({at}.013000) can0 7E8#22{}", hex::encode_upper(&all[13..])).unwrap();
    }
    let folder = tempfile::tempdir().unwrap();
    let path = folder.path().join("hostile.log");
    fs::write(&path, &text).unwrap();
    let mut shown = Vec::new();
    for arguments in [
        &["report"][..],
        &["messages"],
        &["codes"],
        &["outages"],
        &["frames"],
        &["messages", "--format", "csv"],
    ] {
        // As to a terminal: elsewhere escape sequences are taken out on the way.
        let output = lostnode()
            .args(&arguments[..1])
            .arg(&path)
            .args(&arguments[1..])
            .env("CLICOLOR_FORCE", "1")
            .output()
            .unwrap();
        shown.extend([output.stdout, output.stderr].concat());
    }
    let shown = without_colour(&String::from_utf8_lossy(&shown));
    assert!(shown.contains("F190") || shown.contains("VIN"), "the messages were read");
    let control = shown.chars().find(|c| c.is_control() && !matches!(c, '\n' | '\r'));
    assert_eq!(
        control,
        None,
        "a control character in: {}",
        shown.lines().find(|line| line.chars().any(char::is_control)).unwrap_or("")
    );
    let out = folder.path().join("out");
    lostnode().arg("report").arg(&path).arg("--out").arg(&out).output().unwrap();
    let page = fs::read_to_string(out.join("report.html")).unwrap();
    for raw in ["<b>&", "<script>a", "<img src=x", "\u{1b}"] {
        assert!(!page.contains(raw), "{raw:?} stands in the page");
    }
}

/// The same in what is not from the bus: names of files, marks, rosters, job files.
#[test]
fn nothing_from_a_file_beside_reaches_a_terminal_raw() {
    let place = tempfile::tempdir().unwrap();
    let raw = "e\u{1b}[2J\u{202e}x";
    let folder = place.path().join("captures");
    fs::create_dir(&folder).unwrap();
    let log = |name: &str| {
        let path = folder.join(name);
        fs::copy(common::own("samples/van-door.log.gz"), &path).unwrap();
        path
    };
    let (plain, odd) = (log("van.log.gz"), log(&format!("{raw}.log.gz")));
    let beside = |name: &str, text: &str| {
        let path = place.path().join(name);
        fs::write(&path, text).unwrap();
        path
    };
    let marks = beside("marks", &format!("1700000000.5 {raw}\n"));
    let roster = beside(
        "roster.toml",
        "[[node]]\nname = \"a\\u001B[2J\"\nchannel = \"can0\"\nmessages = [ { id = \"0C8\" } ]\n",
    );
    let job = beside("job.toml", &format!("vehicle = \"{raw}\"\n"));
    // As to a terminal.
    let run = |arguments: &[&std::ffi::OsStr]| {
        let output = lostnode().args(arguments).env("CLICOLOR_FORCE", "1").output().unwrap();
        let told = String::from_utf8([output.stdout, output.stderr].concat()).unwrap();
        let told = without_colour(&told);
        let bad = |c: char| c == '\u{202e}' || c.is_control() && !matches!(c, '\n' | '\r');
        assert!(!told.contains(bad), "{arguments:?}: {told:?}");
        (output.status.code(), told)
    };
    for (option, path) in [("--marks", &marks), ("--roster", &roster), ("--readings", &job)] {
        let (code, told) =
            run(&["report".as_ref(), plain.as_ref(), option.as_ref(), path.as_ref()]);
        assert_eq!(code, Some(2), "{option}: {told}");
    }
    let out = place.path().join("out");
    let (_, told) = run(&["report".as_ref(), odd.as_ref(), "--out".as_ref(), out.as_ref()]);
    assert!(told.contains("e\\u{1b}[2J\\u{202e}x.log.gz"), "{told}");
    let page = fs::read_to_string(out.join("report.html")).unwrap();
    assert!(!page.contains(['\u{1b}', '\u{202e}']));
    let out = place.path().join("batch");
    run(&["batch".as_ref(), folder.as_ref(), "--out".as_ref(), out.as_ref()]);
    let summary = fs::read_to_string(out.join("summary.csv")).unwrap();
    assert!(!summary.contains(['\u{1b}', '\u{202e}']));
    let gone = folder.join(format!("{raw}.gone"));
    assert_eq!(run(&["report".as_ref(), gone.as_ref()]).0, Some(2));
}

/// What a spreadsheet would take for a formula is text in a table, and read back as it was.
#[test]
fn no_formula_stands_in_a_table() {
    let folder = tempfile::tempdir().unwrap();
    let captures = folder.path().join("captures");
    fs::create_dir(&captures).unwrap();
    let log = "(1.000000) =1+1 123#00\n";
    fs::write(captures.join("=1+1.log"), log).unwrap();
    let out = folder.path().join("out");
    lostnode().arg("batch").arg(&captures).arg("--out").arg(&out).output().unwrap();
    let summary = fs::read_to_string(out.join("summary.csv")).unwrap();
    assert!(summary.lines().nth(1).unwrap().starts_with("'=1+1.log,"), "{summary}");
    let table = piped(&["frames", "-", "--format", "csv"], log.as_bytes()).stdout;
    assert!(String::from_utf8_lossy(&table).contains(",'=1+1,"));
    let again = piped(&["frames", "-"], &table).stdout;
    assert_eq!(String::from_utf8(again).unwrap(), "(0000000001.000000) =1+1 123#00\n");
}

/// A file that shrinks or grows while it is read: no signal, a report of what was there or a
/// reason.
#[cfg(target_os = "linux")]
#[test]
fn a_file_that_shrinks_while_it_is_read() {
    let folder = tempfile::tempdir().unwrap();
    let path = folder.path().canonicalize().unwrap().join("shrinking.log");
    let lines: String = (0..400_000)
        .map(|at| format!("({}.{:06}) can0 123#00\n", 1000 + at / 1000, at % 1000 * 1000))
        .collect();
    for turn in 0..6 {
        fs::write(&path, &lines).unwrap();
        let mut child = lostnode()
            .arg("report")
            .arg(&path)
            .stdout(std::process::Stdio::null())
            .stderr(std::process::Stdio::null())
            .spawn()
            .unwrap();
        // Before it is opened, and when so many sixths of it have been read.
        let wanted = lines.len() as u64 * turn / 6;
        while turn > 0
            && common::position(child.id(), &path).is_none_or(|read| read < wanted)
            && child.try_wait().unwrap().is_none()
        {
            std::thread::yield_now();
        }
        let file = fs::OpenOptions::new().write(true).open(&path).unwrap();
        if turn % 2 == 0 { file.set_len(1000) } else { (&file).write_all(&[b'x'; 5000]) }.unwrap();
        assert!(child.wait().unwrap().code().is_some(), "ended by a signal");
    }
}

/// A small file that unpacks to gigabytes of frames is read in bounded memory; the length is the
/// sender's business.
#[test]
fn a_bomb_is_read_in_bounded_memory() {
    let folder = tempfile::tempdir().unwrap();
    let path = folder.path().join("bomb.zst");
    let mut out = zstd::stream::Encoder::new(fs::File::create(&path).unwrap(), 1).unwrap();
    let block = "(1700000000.000000) can0 123#0000000000000000\n".repeat(20_000);
    for _ in 0..50 {
        out.write_all(block.as_bytes()).unwrap();
    }
    out.finish().unwrap();
    // 46 MB from a few kilobytes.
    assert!(fs::metadata(&path).unwrap().len() < 100_000);
    let script = format!(
        "ulimit -v 4000000; exec {} report {} --format json",
        env!("CARGO_BIN_EXE_lostnode"),
        path.display()
    );
    let output = std::process::Command::new("sh").args(["-c", &script]).output().unwrap();
    let document: Value = serde_json::from_slice(&output.stdout).unwrap();
    assert_eq!(document["captures"][0]["frames"], 1_000_000);
}

/// Runs `report` on a file with so much memory at most, in kibibytes; exit code and what it said.
#[cfg(unix)]
fn report_within(kibibytes: u32, path: &std::path::Path) -> (Option<i32>, String) {
    let script = format!(
        "ulimit -v {kibibytes}; exec {} report {} --brief",
        env!("CARGO_BIN_EXE_lostnode"),
        path.display()
    );
    let output = std::process::Command::new("sh").args(["-c", &script]).output().unwrap();
    let told = [output.stdout, output.stderr].concat();
    (output.status.code(), String::from_utf8(told).unwrap())
}

/// What must be held in memory as a whole is not unpacked for gigabytes first.
#[cfg(unix)]
#[test]
fn a_bomb_that_must_be_read_whole() {
    let folder = tempfile::tempdir().unwrap();
    let mut id_block = b"MDF     4.10    test    \0\0\0\0\x9A\x01".to_vec();
    id_block.resize(64, 0);
    let with_header = [&id_block[..], b"##HD"].concat();
    for (name, begin, why) in [
        ("headless.mf4.zst", &id_block[..], "no block at byte 64"),
        ("bomb.mf4.zst", &with_header, "unpack it first"),
        ("bomb.parquet.zst", b"PAR1", "unpack it first"),
    ] {
        let path = folder.path().join(name);
        let mut out = zstd::stream::Encoder::new(fs::File::create(&path).unwrap(), 1).unwrap();
        out.write_all(begin).unwrap();
        let zeros = vec![0; 10_000_000];
        (0..150).for_each(|_| out.write_all(&zeros).unwrap());
        out.finish().unwrap();
        let (code, told) = report_within(1_000_000, &path);
        assert!(code == Some(2) && told.contains(why), "{name}: {code:?} {told}");
    }
}

/// A measurement file, block by block.
struct Measurement(Vec<u8>);

impl Measurement {
    fn put(&mut self, name: &[u8; 2], links: &[u64], data: &[u8]) -> u64 {
        self.0.resize(self.0.len().next_multiple_of(8), 0);
        let (at, length) = (self.0.len() as u64, 24 + 8 * links.len() + data.len());
        self.0.extend([b'#', b'#', name[0], name[1], 0, 0, 0, 0]);
        self.0.extend((length as u64).to_le_bytes());
        let links = [&[links.len() as u64], links].concat();
        self.0.extend(links.iter().flat_map(|link| link.to_le_bytes()));
        self.0.extend(data);
        at
    }

    fn link(&mut self, block: u64, at: u64, to: u64) {
        let place = (block + 24 + 8 * at) as usize;
        self.0[place..place + 8].copy_from_slice(&to.to_le_bytes());
    }

    fn channel(&mut self, next: u64, name: &str, kind: u8, bits: u32, elsewhere: u64) -> u64 {
        let name = self.put(b"TX", &[], &[name.as_bytes(), &[0]].concat());
        let byte: u32 = if kind == 1 { 8 } else { 0 };
        let mut data = vec![kind, 0, if kind == 1 { 10 } else { 0 }, 0];
        data.extend([byte, bits].iter().flat_map(|word| word.to_le_bytes()));
        data.resize(72, 0);
        self.put(b"CN", &[next, 0, name, 0, 0, elsewhere, 0, 0], &data)
    }

    fn group(&mut self, next: u64, channels: u64, record: u64, flags: u16, bytes: u32) -> u64 {
        let mut data = record.to_le_bytes().to_vec();
        data.extend(1_u64.to_le_bytes());
        data.extend([flags, 0].iter().flat_map(|word| word.to_le_bytes()));
        data.extend([0, bytes, 0].iter().flat_map(|word| word.to_le_bytes()));
        self.put(b"CG", &[next, channels, 0, 0, 0, 0], &data)
    }
}

/// Groups of records without end, each of which points at the same varying data; so many of them
/// hold frames, of identifier 0x123.
fn measurement(groups: u64, with_frames: u64, varying: usize, records: usize) -> Vec<u8> {
    let mut id_block = b"MDF     4.10    test    \0\0\0\0\x9A\x01".to_vec();
    id_block.resize(64, 0);
    let mut file = Measurement(id_block);
    let header = file.put(b"HD", &[0; 6], &[0; 32]);
    let first = file.group(0, 0, 1, 1, 0);
    let data = file.channel(0, "CAN_DataFrame.DataBytes", 1, 64, first);
    let channels = file.channel(data, "CAN_DataFrame.ID", 0, 32, 0);
    let mut next = 0;
    for group in 0..groups {
        let channels = if group < with_frames { channels } else { 0 };
        next = file.group(next, channels, group + 2, 0, 16);
    }
    file.link(first, 0, next);
    let mut raw = vec![1, 0, 8, 0, 0, 0, 0, 0, 0, 0, 0, 0, 0, 0];
    raw.extend([&[1, 0][..], &(varying as u32).to_le_bytes()].concat());
    raw.resize(raw.len() + varying, 0);
    let record = [2, 0, 0x23, 1, 0, 0, 0, 0, 0, 0, 0, 0, 0, 0, 0, 0, 0, 0];
    (0..records).for_each(|_| raw.extend(record));
    let mut packed = flate2::write::ZlibEncoder::new(Vec::new(), flate2::Compression::fast());
    packed.write_all(&raw).unwrap();
    let packed = packed.finish().unwrap();
    let mut block = b"DT\0\0\0\0\0\0".to_vec();
    block.extend([raw.len() as u64, packed.len() as u64].iter().flat_map(|n| n.to_le_bytes()));
    block.extend(packed);
    let block = file.put(b"DZ", &[], &block);
    let list = file.put(b"DG", &[0, first, block, 0], &[2, 0, 0, 0, 0, 0, 0, 0]);
    file.link(header, 0, list);
    file.0
}

/// Many groups that share their data hold it once, and many groups are found by their number, not
/// by looking at each: the second file would take minutes.
#[cfg(unix)]
#[test]
fn a_measurement_file_of_many_groups() {
    let folder = tempfile::tempdir().unwrap();
    let path = folder.path().join("groups.mf4");
    for (groups, with_frames, varying, records) in
        [(40, 40, 50_000_000, 10), (60_000, 1, 8, 500_000)]
    {
        fs::write(&path, measurement(groups, with_frames, varying, records)).unwrap();
        let (code, told) = report_within(1_000_000, &path);
        assert_eq!(code, Some(3), "{told}");
    }
}

/// A Parquet table whose end tells of more rows than there are is damaged, and not read on for as
/// long as it says.
#[test]
fn a_table_with_fewer_rows_than_it_says() {
    let log: String = (0..100).map(|at| format!("({}.000000) can0 123#{at:02X}\n", at)).collect();
    let whole = piped(&["frames", "-", "--format", "parquet"], log.as_bytes()).stdout;
    let length = whole.len();
    let footer = u32::from_le_bytes(whole[length - 8..length - 4].try_into().unwrap()) as usize;
    // The Thrift compact protocol writes 100 as C8 01; FE 7F is 8191.
    let rows = [0xC8, 0x01];
    let places = (length - 8 - footer..length - 8).filter(|at| whole[*at..].starts_with(&rows));
    let mut told_of = 0;
    for at in places {
        let mut damaged = whole.clone();
        damaged[at..at + 2].copy_from_slice(&[0xFE, 0x7F]);
        let output = piped(&["report", "-", "--format", "json"], &damaged);
        let told = String::from_utf8_lossy(&output.stderr);
        match output.status.code() {
            Some(2) => told_of += usize::from(told.contains("fewer rows than it says")),
            // What the library has no use for.
            code => {
                let document: Value = serde_json::from_slice(&output.stdout).unwrap();
                assert_eq!(document["captures"][0]["frames"], 100, "byte {at}: {code:?} {told}");
            }
        }
    }
    assert!(told_of > 0);
}

/// Lengths that promise more than comes: a diagnostic message of 4 GB, a transport session cut off,
/// a packet longer than its file.
#[test]
fn lengths_that_lie() {
    let mut text = String::new();
    for at in 0..40_000_u32 {
        // Each identifier begins a message of 2^32 - 1 bytes and goes on with it for a while.
        let (id, step) = (0x700 + at % 256, at / 256);
        let data = if step == 0 {
            "1000FFFFFFFFAABB".to_owned()
        } else {
            format!("{:02X}AABBCCDDEEFF00", 0x20 | (step % 16))
        };
        writeln!(text, "(100.{:06}) can0 {id:03X}#{data}", at * 20).unwrap();
        // A truck's announcement of 1785 bytes that never come.
        writeln!(text, "(100.{:06}) can1 1CECFF{:02X}#20F906FFFFCAFE00", at * 20, at % 256)
            .unwrap();
    }
    let folder = tempfile::tempdir().unwrap();
    let path = folder.path().join("lies.log");
    fs::write(&path, &text).unwrap();
    let script = format!(
        "ulimit -v 1000000; exec {} report {} --format json",
        env!("CARGO_BIN_EXE_lostnode"),
        path.display()
    );
    let output = std::process::Command::new("sh").args(["-c", &script]).output().unwrap();
    let document: Value = serde_json::from_slice(&output.stdout).unwrap();
    assert_eq!(document["captures"][0]["frames"], 80_000);
    assert_ne!(document["conversations"]["incomplete_messages"], serde_json::json!([]));
    // The classic network capture of link type 227, and one packet that says it has 2^32 - 1 bytes,
    // and one of 2^16 - 1 of which 20 are there.
    for length in [u32::MAX, 0xFFFF] {
        let mut packets = vec![
            0xD4, 0xC3, 0xB2, 0xA1, 2, 0, 4, 0, 0, 0, 0, 0, 0, 0, 0, 0, 0xFF, 0xFF, 0, 0, 227, 0,
            0, 0,
        ];
        let frame = [0, 0, 1, 0x23, 2, 0, 0, 0, 1, 2];
        packets.extend([1, 0, 0, 0, 0, 0, 0, 0, 10, 0, 0, 0, 10, 0, 0, 0]);
        packets.extend(frame);
        packets.extend(
            [2, 0, 0, 0, 0, 0, 0, 0]
                .into_iter()
                .chain(length.to_le_bytes())
                .chain(length.to_le_bytes()),
        );
        packets.extend(frame.repeat(2));
        let document = report(&packets);
        let capture = &document["captures"][0];
        assert_eq!(capture["frames"], 1, "{capture}");
        let told = document["notices"].to_string();
        assert!(
            told.contains("reading stopped before the end") || capture["rejected_lines"] == 1,
            "{capture} {told}"
        );
    }
}

/// Folders and files that are not ours, as another user where the tests run as one who may do
/// anything.
#[cfg(unix)]
#[test]
fn places_without_permission() {
    use std::os::unix::fs::PermissionsExt as _;
    use std::os::unix::process::CommandExt as _;
    let folder = tempfile::tempdir().unwrap();
    let set = |path: &std::path::Path, mode| {
        fs::set_permissions(path, fs::Permissions::from_mode(mode)).unwrap()
    };
    set(folder.path(), 0o755);
    // The program and its samples may lie where others cannot reach.
    let program = folder.path().join("lostnode");
    let (sample, scenario) = (folder.path().join("van.log.gz"), folder.path().join("van.toml"));
    fs::copy(env!("CARGO_BIN_EXE_lostnode"), &program).unwrap();
    fs::copy(common::own("samples/van-door.log.gz"), &sample).unwrap();
    fs::copy(common::own("samples/van-door.toml"), &scenario).unwrap();
    let (locked, secret) = (folder.path().join("locked"), folder.path().join("secret.log"));
    fs::create_dir(&locked).unwrap();
    fs::write(&secret, "(1.000000) can0 123#00\n").unwrap();
    [&sample, &scenario].into_iter().for_each(|path| set(path, 0o644));
    set(&locked, 0o555);
    set(&secret, 0o000);
    let is_root = fs::read(&secret).is_ok();
    let run = |arguments: &[&std::ffi::OsStr]| {
        let mut command = std::process::Command::new(&program);
        command.args(arguments).current_dir(folder.path());
        if is_root {
            // 65534 is nobody, by common practice.
            command.uid(65_534).gid(65_534);
        }
        let output = command.output().unwrap();
        (output.status.code(), String::from_utf8_lossy(&output.stderr).into_owned())
    };
    let (out, file) = (locked.join("out"), locked.join("van.log"));
    for (arguments, place) in [
        (&["report".as_ref(), sample.as_os_str(), "--out".as_ref(), out.as_os_str()][..], &out),
        (&["report".as_ref(), sample.as_os_str(), "--out".as_ref(), locked.as_os_str()], &locked),
        (&["batch".as_ref(), folder.path().as_os_str(), "--out".as_ref(), out.as_os_str()], &out),
        (&["simulate".as_ref(), scenario.as_os_str(), "--out".as_ref(), file.as_os_str()], &file),
        (&["report".as_ref(), secret.as_os_str()], &secret),
        (
            &["learn".as_ref(), secret.as_os_str(), "--out".as_ref(), "roster.toml".as_ref()],
            &secret,
        ),
    ] {
        let (code, told) = run(arguments);
        assert_eq!(code, Some(2), "{arguments:?}: {told}");
        assert!(
            told.contains(&place.display().to_string()) && told.contains("ermission denied"),
            "{arguments:?}: {told}"
        );
    }
    assert_eq!(fs::read_dir(&locked).unwrap().count(), 0);
}

/// Killed at any point: what stands under its own name is whole. How far the program has come is
/// told by what it has read and by what stands in its folder, not by the clock.
#[cfg(unix)]
#[test]
fn interrupted_at_any_point() {
    use std::io::Write;
    let folder = tempfile::tempdir().unwrap();
    let line = |at: u64| {
        format!(
            "({}.{:06}) can0 {:03X}#{:016X}\n",
            1000 + at / 2000,
            at % 2000 * 500,
            0x100 + at % 20,
            at
        )
    };
    let log: String = (0..100_000).map(line).collect();
    let results = ["report.json", "report.html", "presence.png", "bus-load.png"];
    let (mut stopped, mut finished) = (0, 0);
    // While it reads, and after each of its results has been begun or moved into place.
    for turn in 0..=results.len() {
        let out = folder.path().join(format!("out{turn}"));
        let mut command = lostnode();
        // SIGTERM, for a background job of a shell inherits that SIGINT is ignored; and on standard
        // input a Ctrl-C asks for the report of what was read (tests/guards.rs).
        command.arg("report").arg("-").arg("--out").arg(&out).stdin(std::process::Stdio::piped());
        command.stdout(std::process::Stdio::null()).stderr(std::process::Stdio::null());
        let mut child = command.spawn().unwrap();
        let mut input = child.stdin.take().unwrap();
        let part = if turn == 0 { log.len() / 2 } else { log.len() };
        input.write_all(&log.as_bytes()[..part]).unwrap();
        if turn > 0 {
            drop(input);
            let begun = out.join(results[turn - 1]);
            while !begun.exists() && child.try_wait().unwrap().is_none() {
                std::thread::yield_now();
            }
        }
        let id = child.id().to_string();
        std::process::Command::new("kill").args(["-TERM", &id]).output().unwrap();
        match child.wait().unwrap().code() {
            None => stopped += 1,
            Some(0 | 1 | 3) => finished += 1,
            Some(code) => panic!("code {code}"),
        }
        let Ok(entries) = fs::read_dir(&out) else { continue };
        for entry in entries.map(Result::unwrap) {
            let (name, bytes) =
                (entry.file_name().into_string().unwrap(), fs::read(entry.path()).unwrap());
            match name.rsplit_once('.').unwrap().1 {
                "unfinished" => {}
                "json" => drop(serde_json::from_slice::<Value>(&bytes).unwrap()),
                "html" => assert!(bytes.trim_ascii_end().ends_with(b"</html>")),
                "png" => assert!(
                    bytes.windows(4).rev().take(12).any(|chunk| chunk == b"IEND"),
                    "{name} has no end"
                ),
                other => panic!("{other}"),
            }
        }
    }
    println!("{stopped} were stopped, {finished} were done before");
    assert!(stopped > 0);
}
