//! Network captures: the published vector, captures that scapy writes, both byte orders, cooked
//! packets, and damage.

mod common;

use std::fs;
use std::io::Write as _;
use std::path::Path;
use std::process::{Command, Stdio};

use common::{lostnode, own, shared};

fn frames(path: &Path) -> (i32, String, String) {
    let output = lostnode().arg("frames").arg(path).output().unwrap();
    let text = |bytes: Vec<u8>| String::from_utf8(bytes).unwrap();
    (output.status.code().unwrap(), text(output.stdout), text(output.stderr))
}

/// `socketcan.pcap` of the check vectors: classical, 29 bits, remote, FD and an error report.
#[test]
fn the_published_capture() {
    let Some(path) = shared("facts/vectors/socketcan.pcap") else { return };
    assert_eq!(
        frames(&path).1,
        "(1700000000.000001) can0 7DF#02010C0000000000\n\
         (1700000000.010001) can0 18DAF110#04410C1AF8\n\
         (1700000000.020001) can0 123#R4\n\
         (1700000000.030001) can0 123##1000102030405060708090A0B\n\
         (1700000000.040001) can0 20000088#0000080000000000\n"
    );
}

/// One pcap of link type 227 or 113, given the packets.
fn pcap(link: u32, packets: &[Vec<u8>]) -> Vec<u8> {
    let mut out = Vec::new();
    for word in [0xA1B2_C3D4_u32, 0x0004_0002, 0, 0, 65_535, link] {
        out.extend(word.to_le_bytes());
    }
    for (at, packet) in packets.iter().enumerate() {
        for word in [1_700_000_000 + at as u32, 500, packet.len() as u32, packet.len() as u32] {
            out.extend(word.to_le_bytes());
        }
        out.extend(packet);
    }
    out
}

fn body(id: u32, little: bool, data: &[u8]) -> Vec<u8> {
    let id = if little { id.to_le_bytes() } else { id.to_be_bytes() };
    [&id[..], &[data.len() as u8, 0, 0, 0], data].concat()
}

fn cooked(protocol: u16, frame: &[u8]) -> Vec<u8> {
    let mut out = vec![0, 0, 0x01, 0x18, 0, 0, 0, 0, 0, 0, 0, 0, 0, 0];
    out.extend(protocol.to_be_bytes());
    out.extend(frame);
    out
}

#[track_caller]
fn check(name: &str, bytes: &[u8], expected: &[&str]) {
    let folder = tempfile::tempdir().unwrap();
    let path = folder.path().join(name);
    fs::write(&path, bytes).unwrap();
    let (_, text, error) = frames(&path);
    let found: Vec<&str> = text.lines().map(|line| line.rsplit(' ').next().unwrap()).collect();
    assert_eq!(found, expected, "{error}");
}

/// The order of an identifier's bytes is told from what makes sense of all packets.
#[test]
fn both_byte_orders_and_the_cooked_type() {
    let ids = [0x7E8, 0x8000_0000 | 0x18DA_F110, 0x123];
    let expected = ["7E8#0102", "18DAF110#0102", "123#0102"];
    for little in [false, true] {
        let frames: Vec<Vec<u8>> = ids.iter().map(|id| body(*id, little, &[1, 2])).collect();
        check("frames.pcap", &pcap(227, &frames), &expected);
        let cooked: Vec<Vec<u8>> = frames.iter().map(|frame| cooked(0x000C, frame)).collect();
        check("cooked.pcap", &pcap(113, &cooked), &expected);
    }
    // FD by its protocol number; what is no CAN is counted.
    let mixed = [cooked(0x000D, &body(0x123, false, &[7; 12])), cooked(0x0800, &[0x45; 20])];
    check("mixed.pcap", &pcap(113, &mixed), &["123##0070707070707070707070707"]);
}

/// Damage says where it is, and what came before is used.
#[test]
fn damage_is_said() {
    let folder = tempfile::tempdir().unwrap();
    let path = folder.path().join("cut.pcap");
    let mut bytes = pcap(227, &[body(0x123, false, &[1]), body(0x124, false, &[2]), vec![0, 0]]);
    bytes.truncate(bytes.len() - 10);
    fs::write(&path, &bytes).unwrap();
    let (code, text, error) = frames(&path);
    assert!(
        code == 2 && text.lines().count() == 2 && error.contains("damaged after 2 packets"),
        "{code} {text} {error}"
    );
    fs::write(&path, pcap(227, &[vec![0, 0]])).unwrap();
    let (code, _, error) = frames(&path);
    assert!(
        code == 2
            && error.contains(
                "none of its 1 packets is a CAN frame (packet 1: 8 bytes expected, 2 found)"
            ),
        "{error}"
    );
    fs::write(&path, pcap(1, &[vec![0; 60]])).unwrap();
    assert!(frames(&path).2.contains("link type 1 carries no CAN"));
    fs::write(&path, &pcap(227, &[])[..10]).unwrap();
    assert_eq!(frames(&path).0, 2);
}

/// What scapy writes, plain and packed, reads as it was; 3,000 frames of both widths.
#[test]
fn scapy_writes_and_we_read() {
    let Some(python) = common::python("scapy") else { return };
    let lines = common::plain_lines(3000);
    let expected: String = lines
        .iter()
        .map(|line| {
            let [time, id, data] = line.split(' ').collect::<Vec<_>>()[..] else { panic!() };
            format!("({time}) can0 {id}#{data}\n")
        })
        .collect();
    let folder = tempfile::tempdir().unwrap();
    for name in ["frames.pcap", "frames.pcapng"] {
        let path = folder.path().join(name);
        let mut child = Command::new(&python)
            .arg(own("tests/oracles/scapy_capture.py"))
            .arg(&path)
            .stdin(Stdio::piped())
            .spawn()
            .unwrap();
        child.stdin.take().unwrap().write_all((lines.join("\n") + "\n").as_bytes()).unwrap();
        assert!(child.wait().unwrap().success(), "{name}");
        assert_eq!(frames(&path).1, expected, "{name}");
        // Packed, and from standard input: what is in it decides.
        let mut packed = flate2::write::GzEncoder::new(Vec::new(), flate2::Compression::fast());
        packed.write_all(&fs::read(&path).unwrap()).unwrap();
        let output = common::piped(&["frames", "-"], &packed.finish().unwrap());
        assert_eq!(String::from_utf8(output.stdout).unwrap(), expected, "{name}, packed");
    }
}

/// One pcapng with an interface that counts time as `resolution` says, and a packet for each stamp.
fn pcapng(resolution: u8, stamps: &[u64]) -> Vec<u8> {
    let head = [&0x1A2B_3C4D_u32.to_le_bytes()[..], &[1, 0, 0, 0], &[0xFF; 8]].concat();
    let option = [9, 0, 1, 0, resolution, 0, 0, 0, 0, 0, 0, 0];
    let interface = [&[227, 0, 0, 0, 0, 0, 0, 0][..], &option].concat();
    let mut out = [block(0x0A0D_0D0A, &head), block(1, &interface)].concat();
    for stamp in stamps {
        let data = body(0x123, false, &[0; 8]);
        let length = data.len() as u32;
        let words = [0, (stamp >> 32) as u32, *stamp as u32, length, length];
        let words: Vec<u8> = words.iter().flat_map(|word| word.to_le_bytes()).collect();
        out.extend(block(6, &[words, data].concat()));
    }
    out
}

/// A block of pcapng of any kind.
fn block(kind: u32, body: &[u8]) -> Vec<u8> {
    let length = (12 + body.len() as u32).to_le_bytes();
    [&kind.to_le_bytes()[..], &length, body, &length].concat()
}

/// A section of pcapng with interfaces of these names; each hears one frame a second, whose
/// identifier is given.
fn section(interfaces: &[(&str, u32)]) -> Vec<u8> {
    let head = [&0x1A2B_3C4D_u32.to_le_bytes()[..], &[1, 0, 0, 0], &[0xFF; 8]].concat();
    let mut out = block(0x0A0D_0D0A, &head);
    for (name, _) in interfaces {
        let option = [&[2, 0, 4, 0][..], name.as_bytes(), &[0; 4]].concat();
        out.extend(block(1, &[&[227, 0, 0, 0, 0, 0, 0, 0][..], &option].concat()));
    }
    for second in 0..3_u64 {
        for (at, (_, id)) in interfaces.iter().enumerate() {
            let (data, stamp) = (body(*id, false, &[0; 8]), second * 1_000_000 + at as u64);
            let words = [at as u32, (stamp >> 32) as u32, stamp as u32, 16, 16];
            let words: Vec<u8> = words.iter().flat_map(|word| word.to_le_bytes()).collect();
            out.extend(block(6, &[words, data].concat()));
        }
    }
    out
}

/// Two files one behind the other are one file of two sections, each with interfaces of its own.
#[test]
fn each_section_has_its_own_interfaces() {
    let folder = tempfile::tempdir().unwrap();
    let path = folder.path().join("both.pcapng");
    let both = [section(&[("can0", 0x100), ("can1", 0x200)]), section(&[("body", 0x300)])];
    fs::write(&path, both.concat()).unwrap();
    let (code, text, told) = frames(&path);
    assert_eq!((code, told.as_str()), (0, ""));
    let mut heard: Vec<&str> =
        text.lines().filter_map(|line| line.split_once(") ")).map(|x| x.1).collect();
    heard.sort_unstable();
    let frame = |bus: &str, id: u32| format!("{bus} {id:03X}#0000000000000000");
    let (one, two, three) = (frame("can0", 0x100), frame("can1", 0x200), frame("body", 0x300));
    assert_eq!(heard, [&three, &three, &three, &one, &one, &one, &two, &two, &two]);
}

#[test]
fn time_stamps_count_powers_of_ten_or_two() {
    let folder = tempfile::tempdir().unwrap();
    let path = folder.path().join("capture.pcapng");
    let second = 1_700_000_000_u64;
    for (resolution, unit) in
        [(6, 1_000_000), (3, 1000), (0x80 | 20, 1 << 20), (0x80 | 30, 1 << 30)]
    {
        fs::write(&path, pcapng(resolution, &[second * unit + unit / 2])).unwrap();
        assert_eq!(frames(&path).1, "(1700000000.500000) can0 123#0000000000000000\n");
    }
    // Finer than can be counted in 64 bits.
    for resolution in [20, 0x80 | 64] {
        fs::write(&path, pcapng(resolution, &[second])).unwrap();
        let (code, _, told) = frames(&path);
        assert!(code == 2 && told.contains("counts time in finer steps"), "{told}");
    }
}

/// The upper half of the link type says how long a checksum behind each packet is.
#[test]
fn the_link_type_is_half_a_word() {
    let folder = tempfile::tempdir().unwrap();
    let path = folder.path().join("capture.pcap");
    fs::write(&path, pcap(0x2400_0000 | 227, &[body(0x123, false, &[1])])).unwrap();
    assert_eq!(frames(&path).1, "(1700000000.000500) can0 123#01\n");
}
