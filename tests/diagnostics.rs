//! Diagnostic traffic against vectors of reference libraries, real answers, real scans, and the libraries themselves.

mod common;

use std::collections::BTreeMap;
use std::io::Write as _;
use std::process::{Command, Stdio};

use common::{own, report, shared};
use lostnode::capture::{self, Options, Source};
use lostnode::diagnostics::{Carrier, Diagnostics, Message, Party, Transport};
use lostnode::settings::Pair;
use lostnode_parsers::dtc::{Code, STATUS_BITS, Status};
use lostnode_parsers::uds::DtcReport;
use lostnode_parsers::{Id, obd};
use proptest::prelude::*;
use serde_json::Value;

fn vectors(name: &str) -> Option<Value> {
    let path = shared(&format!("facts/vectors/{name}.json"))?;
    Some(serde_json::from_str(&std::fs::read_to_string(path).unwrap()).unwrap())
}

fn bytes(text: &str) -> Vec<u8> {
    hex::decode(text).unwrap()
}

/// Stream, bytes, and why it is incomplete.
type Heard = (String, String, Option<&'static str>);

/// Every message of a log, whole ones with their bytes, incomplete ones with their reason.
fn messages(log: &str, pairs: &[Pair]) -> (Vec<Heard>, u64) {
    let mut transport = Transport::new(pairs);
    let mut out = Vec::new();
    let mut take = |message: &Message<'_>, channels: &[String]| {
        if message.carrier == Carrier::IsoTp {
            let channel = &channels[usize::from(message.channel)];
            let id = lostnode_parsers::frame::DisplayId(message.id).to_string();
            let fault = message.incomplete.map(|incomplete| incomplete.fault.text());
            out.push((format!("{id}@{channel}"), hex::encode_upper(message.data), fault));
        }
    };
    let mut channels = Vec::new();
    let source = Source::Bytes { name: "test".into(), bytes: log.into() };
    capture::read(source, &Options::default(), |batch| {
        channels.clone_from(&batch.channels);
        batch.frames.iter().for_each(|frame| transport.push(frame, &mut |message| take(message, &batch.channels)));
    })
    .unwrap();
    transport.finish(&mut |message| take(message, &channels));
    let ignored = transport.counts().ignored();
    (out, ignored)
}

/// All 35 conversations: good ones sent by can-isotp, damaged ones decided from ISO 15765-2 (`facts/vectors/README.md`).
#[test]
fn conversations() {
    let Some(vectors) = vectors("isotp") else { return };
    let entries = vectors["entries"].as_array().unwrap();
    for entry in entries {
        let name = entry["name"].as_str().unwrap();
        let log: String = entry["log"].as_array().unwrap().iter().map(|line| line.as_str().unwrap().to_owned() + "\n").collect();
        let streams: Vec<&str> = entry["streams"].as_array().unwrap().iter().map(|stream| stream.as_str().unwrap()).collect();
        // Pairs that no address tells are named, as a user would.
        let told = |stream: &str| stream.contains(":extended") || stream.starts_with("1ABC");
        let pairs: Vec<Pair> = streams
            .chunks(2)
            .filter(|pair| told(pair[0]))
            .map(|pair| {
                let mode = pair[0].split_once(':').map_or("normal", |(_, mode)| mode);
                let id = |stream: &str| stream.split([':', '@']).next().unwrap().to_owned();
                format!("{}:{}:{mode}", id(pair[0]), id(pair[1])).parse().unwrap()
            })
            .collect();
        let (found, _) = messages(&log, &pairs);
        let mut expected: BTreeMap<String, Vec<String>> = BTreeMap::new();
        for message in entry["expect_messages"].as_array().unwrap() {
            let stream = message["stream"].as_str().unwrap();
            let id = stream.split([':', '@']).next().unwrap();
            let channel = stream.split_once('@').map_or("can0", |(_, channel)| channel);
            expected.entry(format!("{id}@{channel}")).or_default().push(message["data"].as_str().unwrap().to_owned());
        }
        let mut whole: BTreeMap<String, Vec<String>> = BTreeMap::new();
        for (stream, data, fault) in &found {
            if fault.is_none() {
                whole.entry(stream.clone()).or_default().push(data.clone());
            }
        }
        assert_eq!(whole, expected, "{name}");
    }
    assert_eq!(entries.len(), 35);
}

/// One damaged conversation each, and what the listener says about it.
#[test]
fn broken_conversations_say_why() {
    let check = |lines: &[(f64, &str)], reason: &str| {
        let (found, _) = messages(&common::log(lines), &[]);
        let faults: Vec<_> = found.iter().filter_map(|(.., fault)| *fault).collect();
        assert_eq!(faults, [reason], "{lines:?}");
    };
    let first = (1.0, "7E8#100A490201414243");
    check(&[first, (1.01, "7E0#3000000000000000"), (1.02, "7E8#2244454647000000")], "frame out of sequence");
    check(&[first, (1.01, "7E0#3000000000000000"), (2.5, "7E8#2144454647000000")], "next frame did not come within 1 s");
    check(&[first, (3.0, "7E8#0241000000000000")], "no flow control followed the first frame");
    check(&[first, (1.1, "7E8#0241000000000000")], "a new message began before the end");
    check(&[first, (1.1, "7E8#100B490201414243"), (1.11, "7E8#2144454647480000")], "a new message began before the end");
    check(&[first, (1.01, "7E0#3200000000000000")], "receiver had no room");
    check(&[first], "capture ended");
}

/// Data units that no receiver takes are counted, not lost.
#[test]
fn stray_data_units_are_counted() {
    let lines = [
        (1.0, "7E8#0841055A01020304"),
        (1.1, "7E8#2141424344454647"),
        (1.2, "7E8#4001020304050607"),
        (1.3, "7E8#"),
        (1.4, "7E8#1007490201414243"),
    ];
    let (found, ignored) = messages(&common::log(&lines), &[]);
    assert_eq!((found.len(), ignored), (0, 5));
}

/// What only looks like the transport is none without a request or an address, on every broadcast capture.
#[test]
fn broadcast_traffic_makes_no_messages() {
    for name in ["truck-steady", "truck-key-on", "truck-intermittent", "car-steady", "car-key-cycle", "car-capture-pause"] {
        let Some(path) = shared(&format!("data/{name}.log.gz")) else { return };
        let (_, document) = report(&path, &[]);
        assert_eq!(document["conversations"]["complete_messages"], 0, "{name}");
        assert_eq!(document["conversations"]["incomplete_messages"], serde_json::json!([]), "{name}");
    }
    // Made to look like it: single frames with request services, and "answers" without a matching echo.
    let lines: Vec<(f64, &str)> =
        (0..200).map(|step| (f64::from(step) * 0.01, if step % 2 == 0 { "210#0322F190" } else { "215#0462F18601" })).collect();
    assert_eq!(messages(&common::log(&lines), &[]).0, []);
    // The same pair with a matching echo is one.
    let (found, _) = messages(&common::log(&[(1.0, "210#0322F190"), (1.01, "215#0462F19041")]), &[]);
    assert_eq!(found.len(), 2, "the request is handed on once it is answered: {found:?}");
}

#[test]
fn trouble_codes_both_ways() {
    let Some(vectors) = vectors("dtc") else { return };
    for entry in vectors["two_byte"].as_array().unwrap() {
        let raw = bytes(entry["bytes"].as_str().unwrap());
        let code = Code::new([raw[0], raw[1]], None);
        assert_eq!(code.to_string(), entry["text"].as_str().unwrap());
        assert_eq!(Code::parse(entry["text"].as_str().unwrap()), Some(code));
    }
    for entry in vectors["three_byte"].as_array().unwrap() {
        let raw = bytes(entry["bytes"].as_str().unwrap());
        assert_eq!(Code::new([raw[0], raw[1]], Some(raw[2])).to_string(), entry["text"].as_str().unwrap());
    }
    for entry in vectors["status"].as_array().unwrap() {
        let byte = bytes(entry["byte"].as_str().unwrap())[0];
        let mut names: Vec<&str> =
            entry["udsoncan 1.26.1"].as_array().unwrap().iter().map(|name| name.as_str().unwrap()).collect();
        // udsoncan's word order for the bits is the standard's, its spelling too.
        names.sort_by_key(|name| STATUS_BITS.iter().position(|bit| bit.eq_ignore_ascii_case(name)));
        let ours: Vec<&str> = Status(byte).names().collect();
        assert!(
            ours.len() == names.len() && ours.iter().zip(&names).all(|(a, b)| a.eq_ignore_ascii_case(b)),
            "{byte:02X}: {ours:?} {names:?}"
        );
    }
}

/// Published codes (`facts/check-values.tsv`): ISO 15031-6 examples as quoted, an article that cites SAE J2012, and the PyPI library obd.
#[test]
fn published_trouble_codes() {
    for (raw, text) in [([0x01, 0x04], "P0104"), ([0x41, 0x23], "C0123"), ([0x80, 0x03], "B0003"), ([0x01, 0x43], "P0143")] {
        assert_eq!(Code::new(raw, None).to_string(), text);
    }
    for (raw, text) in [
        ([0x01, 0x27, 0x00], "P0127-00"),
        ([0x80, 0x39, 0x10], "B0039-10"),
        ([0x40, 0x31, 0x23], "C0031-23"),
        ([0xC1, 0x00, 0x87], "U0100-87"),
        ([0xC1, 0x21, 0x00], "U0121-00"),
        ([0xC0, 0x73, 0x88], "U0073-88"),
    ] {
        assert_eq!(Code::new([raw[0], raw[1]], Some(raw[2])).to_string(), text);
    }
}

/// Every 0x19 answer of `facts/vectors/uds19.json`, against udsoncan where it can read it. Its README decides: the counter of 0x14 is
/// signed; 0x55 has records of four bytes (py-uds), 0x56 likewise.
#[test]
fn code_reports() {
    let Some(vectors) = vectors("uds19") else { return };
    for entry in vectors["entries"].as_array().unwrap() {
        let name = entry["name"].as_str().unwrap();
        let message = bytes(entry["msg"].as_str().unwrap());
        let theirs = &entry["udsoncan 1.26.1"];
        if theirs["negative"] == true {
            let lostnode_parsers::uds::Message::Negative { service, reason } = lostnode_parsers::uds::Message::parse(&message)
            else {
                panic!("{name}")
            };
            assert_eq!((service, u64::from(reason)), (0x19, theirs["nrc"].as_u64().unwrap()), "{name}");
            continue;
        }
        let report = DtcReport::parse(&message[1..]).unwrap_or_else(|| panic!("{name}"));
        if let Some(count) = theirs["dtc_count"].as_u64().filter(|_| report.count.is_some()) {
            assert_eq!(u64::from(report.count.unwrap()), count, "{name}");
        }
        if let Some(availability) = theirs["status_availability"].as_u64() {
            assert_eq!(report.availability.map(u64::from), Some(availability), "{name}");
        }
        let records: Vec<_> = report.records().collect();
        match name {
            "06 none" => assert_eq!((records.len(), records[0].data), (1, &[][..])),
            "0F mirror memory (2013)" => assert_eq!(records[0].code.to_string(), "P0420-00"),
            "14 fault detection counters" => {
                assert_eq!(records.iter().map(|record| record.counter.unwrap()).collect::<Vec<_>>(), [127, 1]);
            }
            "55 WWH-OBD permanent" | "56 by readiness group (2020)" => {
                assert_eq!(records.iter().map(|record| record.code.to_string()).collect::<Vec<_>>(), ["P0420-00"], "{name}");
            }
            "03 snapshot identification" => {
                let pairs: Vec<_> = records.iter().map(|record| (record.code.to_string(), record.snapshot.unwrap())).collect();
                assert_eq!(pairs, [("P0420-00".to_owned(), 1), ("P0420-00".to_owned(), 2), ("U0140-87".to_owned(), 1)]);
            }
            _ => {
                let ours: Vec<_> = records
                    .iter()
                    .map(|record| (record.code.to_string(), record.status.map_or(0, |status| u64::from(status.0))))
                    .collect();
                let theirs: Vec<_> = theirs["dtcs"]
                    .as_array()
                    .unwrap()
                    .iter()
                    .map(|code| (code["iso"].as_str().unwrap().to_owned(), code["status"].as_u64().unwrap()))
                    .collect();
                assert_eq!(ours, theirs, "{name}");
            }
        }
    }
}

/// Every PID answer that a reference library decodes equal to the standard's scaling (`against_ours` says `equal` or `rounded`).
#[test]
fn pid_values() {
    let Some(vectors) = vectors("obd_pids") else { return };
    let mut checked = 0;
    for entry in vectors["entries"].as_array().unwrap() {
        let pid = bytes(entry["pid"].as_str().unwrap())[0];
        assert!(obd::pid(pid).is_some(), "PID {pid:02X} has no name");
        let (Some(against), Some(expected)) = (entry["against_ours"].as_object(), entry["ours (J1979 scaling)"].as_array())
        else {
            continue;
        };
        if !against.values().any(|verdict| verdict == "equal" || verdict == "rounded" || verdict == "raw bytes only") {
            continue;
        }
        let data = bytes(entry["data"].as_str().unwrap());
        let expected: Vec<f64> = expected.iter().map(|value| value["value"].as_f64().unwrap()).collect();
        let ours: Vec<f64> = obd::values(pid, &data).map(|value| value.value).collect();
        // The support bits of PIDs 66 to 68 are random in these vectors; the scaling is compared whatever they say.
        let all: Vec<f64> = obd::pid(pid)
            .unwrap()
            .signals
            .iter()
            .filter_map(|signal| lostnode_parsers::obd_pids::Signal { support: None, ..*signal }.decode(&data))
            .collect();
        assert!(ours.len() <= all.len());
        assert_eq!(all.len(), expected.len(), "PID {pid:02X}");
        for (ours, expected) in all.iter().zip(&expected) {
            assert!((ours - expected).abs() <= expected.abs() * 1e-3 + 1e-9, "PID {pid:02X}: {ours} is not {expected}");
        }
        checked += 1;
    }
    assert!(checked > 110, "{checked} checked");
}

/// PIDs of several values, against scapy where it takes their fields apart. Turbocharger speeds differ by ten: SAE J1979-DA counts
/// 10 rpm a bit (from memory), and 16 bits of 1 rpm would end at a third of what small turbochargers reach. The differential pressure
/// of a particulate filter is two's complement (from memory), so that 0000 is no pressure; scapy takes 8000 for that.
#[test]
fn pids_of_several_values() {
    let Some(vectors) = vectors("obd_pids") else { return };
    let mut checked = 0;
    for entry in vectors["entries"].as_array().unwrap() {
        let pid = bytes(entry["pid"].as_str().unwrap())[0];
        let Some(fields) = entry["scapy 2.8.0"]["fields"].as_array().filter(|_| pid >= 0x66 && pid != 0x7D) else { continue };
        let telling = |field: &&Value| {
            let name = field["field"].as_str().unwrap();
            name != "reserved" && !name.ends_with("_supported") && field["value"].is_number()
        };
        let expected: Vec<f64> = fields.iter().filter(telling).map(|field| field["value"].as_f64().unwrap()).collect();
        let data = bytes(entry["data"].as_str().unwrap());
        let signals = obd::pid(pid).unwrap().signals.iter();
        let ours: Vec<f64> =
            signals.filter_map(|signal| lostnode_parsers::obd_pids::Signal { support: None, ..*signal }.decode(&data)).collect();
        // The vectors follow an older edition where a PID has grown since; the values it had stay in front.
        for (ours, expected) in ours.iter().zip(&expected) {
            let expected = match pid {
                0x74 => expected * 10.0,
                0x7A if *expected < 0.0 => expected + 327.68,
                _ => *expected,
            };
            assert!((ours - expected).abs() <= expected.abs() * 1e-3 + 1e-3, "PID {pid:02X}: {ours} is not {expected}");
            checked += 1;
        }
    }
    assert_eq!(checked, 58);
}

/// Whether a module has a value is told by the first byte; the table keeps to the PID's length.
#[test]
fn support_bits_and_lengths() {
    let names = |pid, data: &[u8]| obd::values(pid, data).map(|value| (value.signal.name, value.value)).collect::<Vec<_>>();
    assert_eq!(names(0x78, &[0b0010, 0, 0, 0x0B, 0xB8, 0, 0, 0, 0]), [("exhaust gas temperature, bank 1, sensor 2", 260.0)]);
    assert_eq!(names(0x7A, &[0b001, 0xFF, 0x9C, 0, 0, 0, 0]), [("particulate filter differential pressure, bank 1", -1.0)]);
    let present: Vec<_> =
        obd::coded(0x13, &[0b0011_0001]).filter(|(_, raw, _)| *raw != 0).map(|(coded, ..)| coded.name).collect();
    assert_eq!(present.len(), 3);
    assert_eq!(
        obd::coded(0x65, &[0b1000, 0b1001]).map(|(coded, _, meaning)| (coded.name, meaning)).collect::<Vec<_>>(),
        [("glow plug lamp", Some("on"))]
    );
    for pid in &lostnode_parsers::obd_pids::PIDS {
        for signal in pid.signals {
            assert!(signal.start + signal.length <= pid.length, "PID {:02X}: {}", pid.number, signal.name);
            assert!(signal.range().0 < signal.range().1);
        }
        assert!(pid.coded.iter().all(|coded| coded.byte < pid.length), "PID {:02X}", pid.number);
    }
}

/// A freeze frame with its code, results of tests on board, and a dip of the supply beside the loss that it made.
#[test]
fn stored_and_measured() {
    let mut lines: Vec<(f64, String)> = (0..1200)
        .filter(|step| !(500..560).contains(step))
        .map(|step| (f64::from(step) * 0.02, format!("1A0#{:02X}00000000000000", step % 256)))
        .collect();
    lines.extend((0..1200).map(|step| (f64::from(step) * 0.02 + 0.003, "2B0#0000000000000000".to_owned())));
    for (at, line) in [
        (0.51, "7E0#0302020000000000"),
        (0.52, "7E8#0542020001710000"),
        (0.61, "7E0#03020C0000000000"),
        (0.62, "7E8#05420C001AF80000"),
        (0.71, "7E0#0206810000000000"),
        (0.72, "7E8#100A46810A0B0010"),
        (0.73, "7E0#3000000000000000"),
        (0.74, "7E8#2100000008000000"),
        (9.01, "7E0#0201420000000000"),
        (9.02, "7E8#0441423138000000"),
        (10.01, "7E0#0201420000000000"),
        (10.02, "7E8#0441422328000000"),
        (12.01, "7E0#0201420000000000"),
        (12.02, "7E8#0441423138000000"),
    ] {
        lines.push((at, line.to_owned()));
    }
    lines.sort_by(|a, b| a.0.total_cmp(&b.0));
    let lines: Vec<(f64, &str)> = lines.iter().map(|(at, line)| (1000.0 + at, line.as_str())).collect();
    let folder = tempfile::tempdir().unwrap();
    let path = folder.path().join("capture.log");
    std::fs::write(&path, common::log(&lines)).unwrap();
    let (_, document) = report(&path, &[]);
    assert_eq!(
        document["freeze_frames"],
        serde_json::json!([{ "module": "0x7E8", "frame": 0, "code": "P0171", "values": ["0C engine speed = 1726 rpm"] }])
    );
    let test = &document["test_results"][0];
    assert_eq!((&test["monitor"], &test["test"], &test["passed"]), (&"81".into(), &"0A".into(), &false.into()), "{test}");
    assert_eq!((test["value"].as_f64(), test["high"].as_f64(), test["unit"].as_str()), (Some(0.016), Some(0.008), Some("V")));
    let supply = &document["vehicle"]["supply_voltage"];
    let dips = supply["dips"].as_array().unwrap();
    assert_eq!((dips.len(), dips[0]["below"].as_f64(), dips[0]["least"].as_f64()), (1, Some(9.6), Some(9.0)), "{supply}");
    assert_eq!(dips[0]["outages"], serde_json::json!([0]));
    assert_eq!(supply["series"].as_array().unwrap().len(), 3);
    let text = common::lostnode().arg("report").arg(&path).output().unwrap();
    let text = String::from_utf8(text.stdout).unwrap();
    for part in
        ["stored with P0171", "1 results, 1 outside", "below 9.6 V at 10.0 s, least 9.00 V", "1 loss began or ended in it"]
    {
        assert!(text.contains(part), "{part} is not in\n{text}");
    }
}

/// Signals of the independent source by our PID and place in it; coded and bit signals are compared below.
const SIGNALS: [(&str, u8, usize); 55] = [
    ("LOAD_PCT", 0x04, 0),
    ("ECT", 0x05, 0),
    ("SHRTFT1", 0x06, 0),
    ("LONGFT1", 0x07, 0),
    ("SHRTFT2", 0x08, 0),
    ("LONGFT2", 0x09, 0),
    ("RPM", 0x0C, 0),
    ("VSS", 0x0D, 0),
    ("SPARKADV", 0x0E, 0),
    ("IAT", 0x0F, 0),
    ("MAF", 0x10, 0),
    ("TP", 0x11, 0),
    ("O2S12", 0x15, 0),
    ("SHRTFT11", 0x15, 1),
    ("O2S22", 0x19, 0),
    ("SHRTFT22", 0x19, 1),
    ("RUNTM", 0x1F, 0),
    ("MIL_DIST", 0x21, 0),
    ("LAMBDA11_VOLT", 0x24, 0),
    ("O2S11_VOLT", 0x24, 1),
    ("EVAP_PCT", 0x2E, 0),
    ("FLI", 0x2F, 0),
    ("WARM_UPS", 0x30, 0),
    ("CLR_DIST", 0x31, 0),
    ("BARO", 0x33, 0),
    ("LAMBDA11_CURRENT", 0x34, 0),
    ("O2S11_CURRENT", 0x34, 1),
    ("CATEMP11", 0x3C, 0),
    ("CATEMP21", 0x3D, 0),
    ("CATEMP12", 0x3E, 0),
    ("CATEMP22", 0x3F, 0),
    ("VPWR", 0x42, 0),
    ("LOAD_ABS", 0x43, 0),
    ("EQ_RAT", 0x44, 0),
    ("TP_R", 0x45, 0),
    ("AAT", 0x46, 0),
    ("TP_B", 0x47, 0),
    ("APP_D", 0x49, 0),
    ("APP_E", 0x4A, 0),
    ("TAC_PCT", 0x4C, 0),
    ("MIL_TIME", 0x4D, 0),
    ("CLR_TIME", 0x4E, 0),
    ("EVAP_VPA", 0x53, 0),
    ("STSO2FT1", 0x55, 0),
    ("LGSO2FT1", 0x56, 0),
    ("STSO2FT2", 0x57, 0),
    ("LGSO2FT2", 0x58, 0),
    ("TQ_ACT", 0x62, 0),
    ("TQ_REF", 0x63, 0),
    ("TQ_FR", 0x8E, 0),
    ("FUEL_RATE_ALT", 0x9D, 0),
    ("VFUEL_RATE", 0x9D, 1),
    ("EXH_RATE", 0x9E, 0),
    ("ODO", 0xA6, 0),
    ("GEAR_ACT", 0xA4, 0),
];

/// 797 real answers with values decoded independently of us.
#[test]
fn real_answers() {
    let Some(path) = shared("data/obd-answers.tsv") else { return };
    let text = std::fs::read_to_string(path).unwrap();
    let (mut compared, mut others) = (0, BTreeMap::new());
    for row in text.lines().filter(|line| !line.starts_with('#')).skip(1) {
        let fields: Vec<&str> = row.split('\t').collect();
        // Two rows carry the tester's own text before the answer.
        let frame = fields[1].rsplit(' ').next().unwrap();
        let raw = bytes(&frame[3..]);
        let lostnode_parsers::isotp::Pdu::Single(message) = lostnode_parsers::isotp::Pdu::parse(&raw, 0).unwrap() else {
            panic!("{row}")
        };
        assert_eq!(message[0], 0x41);
        let (pid, data) = obd::answers(&message[1..]).next().unwrap();
        let expected: Value = serde_json::from_str(fields[2]).unwrap();
        for (name, value) in expected.as_object().unwrap() {
            if let Some((_, signal_pid, at)) = SIGNALS.iter().find(|(signal, ..)| signal == name) {
                assert_eq!(*signal_pid, pid, "{name}");
                let ours = obd::values(pid, data).nth(*at).unwrap_or_else(|| panic!("{name} in {row}")).value;
                // It takes 128 off these trims instead of 100 (SAE J1979, PIDs 14 to 1B: (B - 128) * 100 / 128; both libraries agree with that).
                let shift = if ["SHRTFT11", "SHRTFT22"].contains(&name.as_str()) { 28.0 } else { 0.0 };
                let expected = value.as_f64().unwrap() + shift;
                // The source rounds to five decimals. It takes 0.00012201 V a bit for wide range sensors where SAE J1979 (PIDs 24 to 2B) and
                // both reference libraries have 8/65536 V: 0.05 % apart, and the standard decides.
                // EQ_RAT it divides by 65535 where its own other lambdas and both libraries have 65536.
                let tolerance = match name.as_str() {
                    "O2S11_VOLT" => 6e-4,
                    "EQ_RAT" => 2e-5,
                    _ => 1e-5,
                };
                assert!((ours - expected).abs() <= tolerance * expected.abs().max(1.0), "{name}: {ours} is not {expected}");
                compared += 1;
            } else if !readiness_agrees(pid, data, name, value) && !coded_agrees(pid, data, name, value) {
                *others.entry(name.clone()).or_insert(0) += 1;
            } else {
                compared += 1;
            }
        }
    }
    // PID 13 lists sensors bit by bit and PID 65 inputs with their support bits: named, and shown as bytes or in part.
    let known = [
        "O2S11_EXISTS",
        "O2S12_EXISTS",
        "O2S13_EXISTS",
        "O2S14_EXISTS",
        "O2S21_EXISTS",
        "O2S22_EXISTS",
        "O2S23_EXISTS",
        "O2S24_EXISTS",
        "GEAR_RCMD",
        "GEAR_SUP",
        "GPL_STAT",
        "GPL_SUP",
        "N/D_STAT",
        "N/D_SUP",
        "N/G_STAT",
        "N/G_SUP",
        "PTO_STAT_AUX",
        "PTO_SUP",
    ];
    assert!(others.keys().all(|name| known.contains(&name.as_str())), "not compared: {others:?}");
    assert_eq!(compared, 1446, "values compared");
}

/// Monitors of PIDs 01 and 41 by the source's names. In PID 41 its `…_ENA` and `…CMPL` are our supported and not complete.
fn readiness_agrees(pid: u8, data: &[u8], name: &str, value: &Value) -> bool {
    if pid != 0x01 && pid != 0x41 {
        return false;
    }
    let readiness = obd::Readiness::parse(data).unwrap();
    match name {
        "MIL" => return value.as_u64() == Some(u64::from(readiness.mil)),
        "DTC_CNT" => return value.as_u64() == Some(u64::from(readiness.codes)),
        "CIM_SUP" | "CIM_SUP_FLAG" => return (value == "SPARK") != readiness.compression,
        _ => {}
    }
    let names = [
        ("MIS", "misfire"),
        ("FUEL", "fuel system"),
        ("CCM", "comprehensive components"),
        ("CAT", "catalyst"),
        ("HCAT", "heated catalyst"),
        ("EVAP", "evaporative system"),
        ("AIR", "secondary air"),
        ("ACRF", "air conditioning refrigerant"),
        ("O2S", "oxygen sensor"),
        ("HTR", "oxygen sensor heater"),
        ("EGR", "exhaust gas recirculation or variable valve timing"),
    ];
    for (short, long) in names {
        let Some(monitor) = readiness.monitors().find(|monitor| monitor.name == long) else { continue };
        for (suffix, ours) in [
            ("_SUP", monitor.supported),
            ("_ENA", monitor.supported),
            ("_RDY", !monitor.complete),
            ("_CMPL", !monitor.complete),
            ("CMPL", !monitor.complete),
        ] {
            if name == format!("{short}{suffix}") {
                assert_eq!(value.as_u64(), Some(u64::from(ours)), "{name} in {data:02X?}");
                return true;
            }
        }
    }
    false
}

/// Coded values by the source's short texts.
fn coded_agrees(pid: u8, data: &[u8], name: &str, value: &Value) -> bool {
    let at = match name {
        "FUELSYS1" | "OBDSUP" | "AIR_STAT" | "FUEL_TYP" => 0,
        "FUELSYS2" => 1,
        _ => return false,
    };
    let (_, _, meaning) = obd::coded(pid, data).nth(at).unwrap();
    let theirs = match value.as_str().unwrap() {
        "OL" => "open loop, not yet warm",
        "CL" => "closed loop",
        "OL-Drive" => "open loop, driving conditions",
        "OBD II" => "OBD II (CARB)",
        "OFF" => "atmosphere or off",
        "GAS" => "gasoline",
        other => panic!("{other}"),
    };
    assert_eq!(meaning, Some(theirs), "{name}");
    true
}

/// Published answers (`facts/check-values.tsv`, with their sources there).
#[test]
fn published_answers() {
    let value = |pid, data: &[u8]| obd::values(pid, data).next().unwrap().value;
    assert_eq!(value(0x0C, &[0x1A, 0xF8]), 1726.0);
    assert_eq!(value(0x0C, &[0x0B, 0x30]), 716.0);
    assert_eq!(value(0x05, &[0x7B]), 83.0);
    let spark = obd::Readiness::parse(&[0x83, 0x07, 0xFF, 0x00]).unwrap();
    assert!(
        spark.mil
            && spark.codes == 3
            && !spark.compression
            && spark.monitors().all(|monitor| monitor.supported && monitor.complete)
    );
    let diesel = obd::Readiness::parse(&[0x00, 0x79, 0x03, 0x03]).unwrap();
    assert!(!diesel.mil && diesel.codes == 0 && diesel.compression);
    let open: Vec<_> =
        diesel.monitors().filter(|monitor| monitor.supported && !monitor.complete).map(|monitor| monitor.name).collect();
    assert_eq!(
        open,
        ["misfire", "fuel system", "comprehensive components", "non-methane hydrocarbon catalyst", "NOx or SCR aftertreatment"]
            .into_iter()
            .filter(|name| open.contains(name))
            .collect::<Vec<_>>()
    );
    assert!(
        open.contains(&"misfire")
            && open.contains(&"NOx or SCR aftertreatment")
            && open.contains(&"non-methane hydrocarbon catalyst")
    );
    let lines = [(1.0, "7DF#0209020000000000"), (1.01, "7E8#1014490201"), (1.02, "7E0#3000000000000000")];
    let first = "7E8#10144902014C4656";
    let log = common::log(&[lines[0], (1.01, first), lines[2], (1.03, "7E8#2133423238523841"), (1.04, "7E8#2233303235333130")]);
    let (found, _) = messages(&log, &[]);
    assert_eq!(found.last().unwrap().1, format!("490201{}", hex::encode_upper("LFV3B28R8A3025310")));
}

/// The real scans: every complete answer decoded, every broken one counted with its reason, failure type 87 named.
#[test]
fn real_scans() {
    for (name, broken) in [("diagnostic-scan-all-modules", 2), ("diagnostic-scan-two-modules", 2)] {
        let Some(path) = shared(&format!("data/{name}.log.gz")) else { return };
        let (_, document) = report(&path, &[]);
        let mut text = String::new();
        std::io::Read::read_to_string(&mut flate2::read::MultiGzDecoder::new(std::fs::File::open(&path).unwrap()), &mut text)
            .unwrap();
        // Counted independently: single frames and first frames of all identifiers, by a reading of the lines alone.
        let (mut single, mut first) = (0, 0);
        for line in text.lines() {
            let frame = line.split(' ').nth(2).unwrap().split_once('#').unwrap().1;
            match &frame[..1] {
                "0" => single += 1,
                "1" => first += 1,
                _ => {}
            }
        }
        let talk = &document["conversations"];
        let incomplete: u64 =
            talk["incomplete_messages"].as_array().unwrap().iter().map(|count| count["count"].as_u64().unwrap()).sum();
        assert_eq!(incomplete, broken, "{name}: {talk}");
        // What no module answered, on identifiers that no standard assigns, is not believed to be a request.
        let complete = talk["complete_messages"].as_u64().unwrap();
        let unbelieved = single + first - complete - incomplete;
        let (found, _) = messages(&text, &[]);
        let heard: Vec<&str> = found.iter().map(|(stream, ..)| stream.split('@').next().unwrap()).collect();
        let unheard = text.lines().filter(|line| {
            let (id, data) = line.split(' ').nth(2).unwrap().split_once('#').unwrap();
            !heard.contains(&id) && matches!(&data[..1], "0" | "1")
        });
        let unheard: Vec<&str> = unheard.collect();
        // None of those is an answer: each begins with a request service.
        assert!(
            unheard.iter().all(|line| u8::from_str_radix(&line.split('#').nth(1).unwrap()[2..4], 16).unwrap() < 0x40),
            "{name}: {unheard:?}"
        );
        assert!(unbelieved <= unheard.len() as u64 + heard.len() as u64 / 20, "{name}: {unbelieved} of {single}+{first}");
        assert!(document["outages"].as_array().unwrap().iter().all(|outage| outage["scope"] != "node"), "{name}");
        if name == "diagnostic-scan-all-modules" {
            let missing: Vec<&Value> =
                document["codes"].as_array().unwrap().iter().filter(|code| code["failure_type"] == "87").collect();
            assert!(
                missing.len() >= 4 && missing.iter().all(|code| code["meaning"].as_str().unwrap().contains("missing message"))
            );
            assert_eq!(
                document["identity"].as_array().unwrap().iter().filter(|identity| identity["name"] != Value::Null).count(),
                2
            );
        }
    }
}

#[test]
fn console_text_without_times_pairs_by_what_is_repeated() {
    let Some(path) = shared("data/console-no-time.txt.gz") else { return };
    let (_, document) = report(&path, &[]);
    let talk = &document["conversations"];
    assert!(talk["complete_messages"].as_u64().unwrap() > 3000, "{talk}");
    // 229 first frames, counted in the text; no consecutive frame follows any of them.
    let incomplete: u64 =
        talk["incomplete_messages"].as_array().unwrap().iter().map(|count| count["count"].as_u64().unwrap()).sum();
    assert_eq!(incomplete, 229, "first frames that were never completed: {talk}");
}

/// The sample tells its story unaided.
#[test]
fn the_van() {
    let (code, document) = report(&own("samples/van-door.log.gz"), &[]);
    assert_eq!(code, 1);
    let blame = &document["blame"][0];
    assert_eq!((blame["blamed"].as_str(), blame["verdict"].as_str()), (Some("Door Control Module A"), Some("likely")));
    assert_eq!(blame["reporters"], serde_json::json!(["0x7EA", "0x7EB"]));
    assert!(blame["sentence"].as_str().unwrap().contains("node of 0x3B0"));
    let codes = document["codes"].as_array().unwrap();
    let there: Vec<&Value> = codes.iter().filter(|code| code["gone_at"].is_null()).collect();
    assert_eq!(there.len(), 1);
    assert_eq!((there[0]["code"].as_str(), there[0]["returned"].as_bool()), (Some("P0128"), Some(true)));
    assert!(there[0]["story"].as_str().unwrap().contains("pending"));
    assert!(
        codes
            .iter()
            .filter(|code| !code["gone_at"].is_null())
            .all(|code| code["tested_since_clear"] == true && code["returned"] == false)
    );
    let stale = codes.iter().filter(|code| code["event"].as_str().is_some_and(|event| event.contains("low supply")));
    assert_eq!(stale.count(), 8, "six supply faults, and two losses that modules remember from the same event");
    assert_eq!(document["vehicle"]["vin"], "XXTVANXXA0N000042");
    assert_eq!(document["vehicle"]["vin_conflicts"], serde_json::json!([{"module": "0x7EB", "vin": "XXTVANXXA0D000917"}]));
    assert!(document["vehicle"]["supply_voltage"]["min"].as_f64().unwrap() > 14.0);
}

/// A code whose test has not run since the clear is not called fixed.
#[test]
fn gone_is_not_fixed_while_the_test_has_not_run() {
    let story = |second: &str| {
        let log = common::log(&[
            (1.0, "7E0#031902FF00000000"),
            (1.01, "7E8#075902FFC1008709"),
            (2.0, "7E0#0414FFFFFF000000"),
            (2.01, "7E8#0154000000000000"),
            (3.0, "7E0#031902FF00000000"),
            (3.01, second),
        ]);
        let output = common::piped(&["report", "-", "--format", "json"], log.as_bytes());
        let document: Value = serde_json::from_slice(&output.stdout).unwrap();
        document["codes"][0].clone()
    };
    let untested = story("7E8#075902FFC1008750");
    assert_eq!((untested["returned"].as_bool(), untested["tested_since_clear"].as_bool()), (Some(false), Some(false)));
    assert!(untested["story"].as_str().unwrap().contains("does not mean it is fixed"));
    let returned = story("7E8#075902FFC1008709");
    assert_eq!((returned["returned"].as_bool(), returned["gone_at"].is_null()), (Some(true), true));
    let unknown = story("7E8#035902FF00000000");
    assert_eq!((unknown["returned"].as_bool(), unknown["tested_since_clear"].as_bool()), (Some(false), None));
    assert!(unknown["story"].as_str().unwrap().contains("not known"));
}

/// SAE J1939: DM1 in one frame and through BAM, connection mode, battery potential, VIN, an address claimed twice and one that could not be.
#[test]
fn trucks() {
    let log = common::log(&[
        (1.0, "18FECA0B#04FF7F0209050000"),
        (1.1, "1CECFF00#200E0002FFCAFE00"),
        (1.15, "1CEBFF00#0144FF6E000301BE"),
        (1.2, "1CEBFF00#020004027F020981"),
        (1.3, "18FEF700#FFFFFFFFE600FFFF"),
        (1.4, "1CECFF00#20120003FFECFE00"),
        (1.45, "1CEBFF00#0158585456414E58"),
        (1.5, "1CEBFF00#0258413054303030"),
        (1.55, "1CEBFF00#033034322AFFFFFF"),
        (1.6, "18EEFF21#0102030405060780"),
        (1.7, "18EEFF21#1102030405060780"),
        (1.8, "18EEFFFE#1102030405060780"),
        (2.0, "1CECFF03#20120003FFECFE00"),
        (2.05, "1CEBFF03#0158585456414E58"),
        (2.1, "1CEBFF03#033034322AFFFFFF"),
    ]);
    let output = common::piped(&["report", "-", "--format", "json"], log.as_bytes());
    let document: Value = serde_json::from_slice(&output.stdout).unwrap();
    let codes: Vec<(&str, &str)> = document["codes"]
        .as_array()
        .unwrap()
        .iter()
        .map(|code| (code["reporter"].as_str().unwrap(), code["code"].as_str().unwrap()))
        .collect();
    assert_eq!(
        codes,
        [
            ("address 0x00 (engine 1)", "SPN 110 FMI 3"),
            ("address 0x00 (engine 1)", "SPN 190 FMI 4"),
            ("address 0x00 (engine 1)", "SPN 639 FMI 9"),
            ("address 0x0B (brakes, system controller)", "SPN 639 FMI 9"),
        ]
    );
    assert_eq!(document["vehicle"]["vin"], "XXTVANXXA0T000042");
    assert_eq!(document["vehicle"]["supply_voltage"]["min"], 11.5);
    let claims = document["identity"].to_string();
    assert!(claims.contains("2 units claimed this address") && claims.contains("could not claim an address"), "{claims}");
}

/// A million first frames from a million identifiers: memory stays bounded, nothing panics.
#[test]
fn a_million_first_frames() {
    let mut diagnostics = Diagnostics::default();
    for step in 0..1_000_000_u32 {
        let raw = if step % 2 == 0 { 0x18DA_0000 | (step & 0xFFFF) } else { 0x0400_0000 + step };
        let id = lostnode_parsers::frame::make_id(raw, true).unwrap();
        let frame = lostnode_parsers::ClassicFrame::with_raw_dlc(id, &[0x1F, 0xFF, 0x62, 0xF1, 0x90, 1, 2, 3], 8).unwrap();
        diagnostics.push(&capture::Frame {
            time: Some(lostnode_parsers::Timestamp::from_nanoseconds(i64::from(step) * 1000)),
            channel: 0,
            kind: lostnode_parsers::FrameKind::Classic(frame),
            length: lostnode_parsers::wire::Length::default(),
        });
    }
    diagnostics.finish();
    let incomplete: u64 = diagnostics.messages.incomplete.values().sum();
    assert_eq!(incomplete, 500_000, "each of them is accounted for");
}

fn python() -> Option<String> {
    let python = std::env::var("LOSTNODE_PYTHON").unwrap_or_else(|_| "python3".to_owned());
    let has_them =
        Command::new(&python).args(["-c", "import isotp, udsoncan, uds"]).output().is_ok_and(|output| output.status.success());
    if !has_them {
        println!("skipped: {python} has not the libraries of tests/oracles/requirements.txt");
    }
    has_them.then_some(python)
}

/// Two ends of can-isotp talk; we overhear every message.
#[test]
fn overhears_can_isotp() {
    let Some(python) = python() else { return };
    for seed in ["1", "2"] {
        let output = Command::new(&python).arg(own("tests/oracles/isotp_talk.py")).arg(seed).output().unwrap();
        assert!(output.status.success(), "{}", String::from_utf8_lossy(&output.stderr));
        let sent: Vec<String> = String::from_utf8(output.stderr).unwrap().lines().map(str::to_owned).collect();
        let (found, _) = messages(&String::from_utf8(output.stdout).unwrap(), &[]);
        let heard: Vec<String> = found
            .iter()
            .map(|(stream, data, fault)| format!("{} {data}{}", stream.split('@').next().unwrap(), fault.unwrap_or_default()))
            .collect();
        assert_eq!(heard, sent);
    }
}

/// Made code lists read the same by udsoncan and py-uds.
#[test]
fn code_lists_as_udsoncan_and_pyuds_read_them() {
    let Some(python) = python() else { return };
    let mut lines = Vec::new();
    let mut state = 7_u32;
    for count in 0..60 {
        let mut message = vec![0x59, if count % 3 == 0 { 0x0A } else { 0x02 }, 0xFF];
        for _ in 0..count % 9 {
            // Numerical Recipes' linear congruence: variety is enough here.
            let mut next = || {
                state = state.wrapping_mul(1_664_525).wrapping_add(1_013_904_223);
                (state >> 24) as u8
            };
            message.extend([next() | 1, next(), next(), next()]);
        }
        lines.push(hex::encode(message));
    }
    let mut child = Command::new(&python)
        .arg(own("tests/oracles/uds_codes.py"))
        .stdin(Stdio::piped())
        .stdout(Stdio::piped())
        .spawn()
        .unwrap();
    child.stdin.take().unwrap().write_all((lines.join("\n") + "\n").as_bytes()).unwrap();
    let output = child.wait_with_output().unwrap();
    let theirs = String::from_utf8(output.stdout).unwrap();
    assert_eq!(theirs.lines().count(), lines.len());
    for (line, theirs) in lines.iter().zip(theirs.lines()) {
        let message = bytes(line);
        let report = DtcReport::parse(&message[1..]).unwrap();
        let ours: Vec<String> =
            report.records().map(|record| format!("{}:{:02X}", record.code, record.status.unwrap().0)).collect();
        let (udsoncan, pyuds) = theirs.split_once('|').unwrap();
        assert_eq!(ours.join(" "), udsoncan.trim(), "udsoncan on {line}");
        assert_eq!(ours.join(" "), pyuds.trim(), "py-uds on {line}");
    }
}

proptest! {
    #![proptest_config(ProptestConfig::with_cases(300))]

    /// Any frames on diagnostic identifiers: no panic, and every message is at most as long as its frames could carry.
    #[test]
    fn any_frames(frames in proptest::collection::vec((0..6usize, proptest::collection::vec(any::<u8>(), 0..=8), 0..2_000_000_i64), 0..200)) {
        let ids = [0x7DF, 0x7E0, 0x7E8, 0x7EA, 0x18DA_F110, 0x18EC_FF00];
        let mut diagnostics = Diagnostics::default();
        let mut now = 0;
        let total: usize = frames.iter().map(|(_, data, _)| data.len()).sum();
        let mut received = 0;
        let mut transport = Transport::default();
        for (which, data, step) in frames {
            now += step * 1000;
            let id: Id = lostnode_parsers::frame::make_id(ids[which], ids[which] > 0x7FF).unwrap();
            let frame = lostnode_parsers::ClassicFrame::with_raw_dlc(id, &data, data.len() as u8).unwrap();
            let frame = capture::Frame {
                time: Some(lostnode_parsers::Timestamp::from_nanoseconds(now)),
                channel: 0,
                kind: lostnode_parsers::FrameKind::Classic(frame),
                length: lostnode_parsers::wire::Length::default(),
            };
            diagnostics.push(&frame);
            transport.push(&frame, &mut |message| {
                received += message.data.len();
                let _ = lostnode::diagnostics::describe(message);
            });
        }
        transport.finish(&mut |message| received += message.data.len());
        diagnostics.finish();
        prop_assert!(received <= total);
    }

    /// Any bytes as a message: nothing panics.
    #[test]
    fn any_message(data in proptest::collection::vec(any::<u8>(), 0..60)) {
        for carrier in [Carrier::IsoTp, Carrier::J1939 { pgn: 0xFECA }, Carrier::J1939 { pgn: 0xEE00 }, Carrier::J1939 { pgn: 0xFEF7 }] {
            let message = Message {
                time: None, begun: None, channel: 0, id: lostnode_parsers::frame::make_id(0x7E8, false).unwrap(), from: Party::Address(1),
                to: Party::Everyone, from_module: true, carrier, data: &data, length: data.len() as u32, incomplete: None,
            };
            let _ = lostnode::diagnostics::describe(&message);
        }
        let _ = DtcReport::parse(&data).map(|report| report.records().count());
        let _ = obd::test_results(&data).count();
    }
}

/// A code is explained with its pointer, its source and the cautions of the module it names; what is no code is refused.
#[test]
fn explain() {
    let run = |codes: &[&str]| common::lostnode().arg("explain").args(codes).output().unwrap();
    let text = String::from_utf8(run(&["u0151-87", "P1234"]).stdout).unwrap();
    for part in [
        "Restraints Control Module",
        "87: Missing message",
        "CAUTION      Airbag",
        "P1234  powertrain code, of the maker",
        "not known",
    ] {
        assert!(text.contains(part), "{part} is not in\n{text}");
    }
    let refused = run(&["U0100", "U01"]);
    assert_eq!(refused.status.code(), Some(2));
    assert!(String::from_utf8(refused.stderr).unwrap().contains("`U01` has not the form of a code"));
}
