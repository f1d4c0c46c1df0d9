//! Diagnostic traffic against vectors of reference libraries, real answers, real scans, and the
//! libraries themselves.

mod common;

use std::collections::BTreeMap;
use std::io::Write as _;
use std::process::{Command, Stdio};

use common::{log, own, report, report_text, shared};
use lostnode::capture::{self, Options, Source};
use lostnode::fold::diagnostics::{Carrier, Diagnostics, Message, Party, Transport};
use lostnode::settings::Pair;
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
        batch
            .frames
            .iter()
            .for_each(|frame| transport.push(frame, &mut |message| take(message, &batch.channels)));
    })
    .unwrap();
    transport.finish(&mut |message| take(message, &channels));
    let ignored = transport.ignored();
    (out, ignored)
}

/// All 35 conversations: good ones sent by can-isotp, damaged ones decided from ISO 15765-2
/// (`facts/vectors/README.md`).
#[test]
fn conversations() {
    let Some(vectors) = vectors("isotp") else { return };
    let entries = vectors["entries"].as_array().unwrap();
    for entry in entries {
        let name = entry["name"].as_str().unwrap();
        let log: String = entry["log"]
            .as_array()
            .unwrap()
            .iter()
            .map(|line| line.as_str().unwrap().to_owned() + "\n")
            .collect();
        let streams: Vec<&str> = entry["streams"]
            .as_array()
            .unwrap()
            .iter()
            .map(|stream| stream.as_str().unwrap())
            .collect();
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
            expected
                .entry(format!("{id}@{channel}"))
                .or_default()
                .push(message["data"].as_str().unwrap().to_owned());
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
    check(
        &[first, (1.01, "7E0#3000000000000000"), (1.02, "7E8#2244454647000000")],
        "frame out of sequence",
    );
    check(
        &[first, (1.01, "7E0#3000000000000000"), (2.5, "7E8#2144454647000000")],
        "next frame did not come within 1 s",
    );
    check(&[first, (3.0, "7E8#0241000000000000")], "no flow control followed the first frame");
    check(&[first, (1.1, "7E8#0241000000000000")], "a new message began before the end");
    check(
        &[first, (1.1, "7E8#100B490201414243"), (1.11, "7E8#2144454647480000")],
        "a new message began before the end",
    );
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

/// What only looks like the transport is none without a request or an address, on every broadcast
/// capture.
#[test]
fn broadcast_traffic_makes_no_messages() {
    for name in [
        "truck-steady",
        "truck-key-on",
        "truck-intermittent",
        "car-steady",
        "car-key-cycle",
        "car-capture-pause",
    ] {
        let Some(path) = shared(&format!("data/{name}.log.gz")) else { return };
        let (_, document) = report(&path, &[]);
        assert_eq!(document["conversations"]["complete_messages"], 0, "{name}");
        assert_eq!(
            document["conversations"]["incomplete_messages"],
            serde_json::json!([]),
            "{name}"
        );
    }
    // Made to look like it: single frames with request services, and "answers" without a matching
    // echo.
    let lines: Vec<(f64, &str)> = (0..200)
        .map(|step| {
            (f64::from(step) * 0.01, if step % 2 == 0 { "210#0322F190" } else { "215#0462F18601" })
        })
        .collect();
    assert_eq!(messages(&common::log(&lines), &[]).0, []);
    // The same pair with a matching echo is one.
    let (found, _) =
        messages(&common::log(&[(1.0, "210#0322F190"), (1.01, "215#0462F19041")]), &[]);
    assert_eq!(found.len(), 2, "the request is handed on once it is answered: {found:?}");
}

/// Every 20 ms 280 and twice 140, and two others all the time: 140 always looks like an answer,
/// and 280 once like its request. From 10 to 13 s neither is there.
fn look_alikes() -> String {
    let mut log = String::new();
    for step in 0..1500 {
        let time = 1e9 + f64::from(step) * 0.02;
        if !(500..650).contains(&step) {
            let asks = if step == 20 { "0322F190" } else { "04F3A010" };
            log += &format!("({time:.6}) can0 280#{asks}00000000\n");
            log += &format!("({:.6}) can0 140#0462F19041000000\n", time + 0.004);
            log += &format!("({:.6}) can0 140#0462F19041000000\n", time + 0.014);
        }
        log += &format!("({:.6}) can0 300#FF\n", time + 0.001);
        log += &format!("({:.6}) can0 310#FF\n", time + 0.002);
    }
    log
}

/// What answered by chance is watched like all else, and no message of it is kept.
#[test]
fn what_looks_like_an_answer_by_chance_is_broadcast() {
    let output = common::piped(&["report", "-", "--format", "json"], look_alikes().as_bytes());
    let document: Value = serde_json::from_slice(&output.stdout).unwrap();
    let conversations = &document["conversations"];
    assert_eq!(conversations["complete_messages"], 0);
    assert_eq!(conversations["ignored_data_units"], 0);
    assert_eq!(conversations["modules"].as_array().map(Vec::len), Some(0));
    for identifier in document["identifiers"].as_array().unwrap() {
        assert!(identifier["period_s"].is_number(), "{identifier}");
    }
    let lost = &document["outages"][0];
    assert_eq!(lost["ids"], serde_json::json!(["0x140", "0x280"]), "{document}");
}

/// A tester that polls keeps as strict a period, and every frame has 8 bytes: what tells its
/// module from broadcast is that it answers.
#[test]
fn a_tester_that_polls_is_none_the_less_one() {
    let mut log = String::new();
    for step in 0..200 {
        let time = 1e9 + f64::from(step) * 0.1;
        log += &format!("({time:.6}) can0 6A0#0322F19000000000\n");
        // Once the module wants more time, and once its answer is lost.
        if step == 50 {
            log += &format!("({:.6}) can0 6A8#037F227800000000\n", time + 0.01);
        }
        if step != 60 {
            log += &format!("({:.6}) can0 6A8#0462F19041000000\n", time + 0.02);
        }
    }
    let output = common::piped(&["report", "-", "--format", "json"], log.as_bytes());
    let document: Value = serde_json::from_slice(&output.stdout).unwrap();
    assert_eq!(document["conversations"]["complete_messages"], 200 + 1 + 199);
    for identifier in document["identifiers"].as_array().unwrap() {
        assert!(identifier["period_s"].is_null(), "{identifier}");
    }
}

/// A VIN takes more than one frame, and an asterisk ends one that is blank: what one frame holds
/// without that is a message of the maker's under that number.
#[test]
fn a_frame_of_the_maker_is_no_vin() {
    let told = |frame: &str| {
        let mut lines = Vec::new();
        for turn in 0..100 {
            let time = f64::from(turn) * 0.1;
            lines.push((time, "0CF00400#F07D7D2020FFFFFF".to_owned()));
            lines.push((time + 0.01, "18FEF100#FFFFFFFFFFFFFFFF".to_owned()));
            lines.push((time + 0.02, "18FEEE0B#FFFFFFFFFFFFFFFF".to_owned()));
            lines.push((time + 0.03, format!("18FEECEE#{frame}")));
        }
        let lines: Vec<(f64, &str)> = lines.iter().map(|(at, own)| (*at, own.as_str())).collect();
        report_text(&log(&lines)).1["identity"].to_string().contains("VIN is blank")
    };
    assert!(told("2A00000000000000"));
    assert!(!told("0000000000000000") && !told("00002A0000000000"));
}

/// 29 bits of a car, in a form of its maker's (from memory, no capture): one looks like active
/// codes of SAE J1939, and none of them has an address.
#[test]
fn twenty_nine_bits_are_not_always_j1939() {
    let car = [
        "01213FFC", "0121EFFC", "01601022", "02006428", "02803008", "03200428", "01A0600A",
        "18FECA0B", "0381526C", "00800021",
    ];
    // Groups of a truck maker's own, and groups that every truck has.
    let own = ["18FF0A00", "18FF0B00", "18FF0C0B", "18FF0D0B", "18FF0E21", "14FF0F21", "0CFF1021"];
    let truck = ["0CF00400", "18FEEE00", "18FEF10B", "18FECA0B", "18FF0A00"];
    let names = |ids: &[&str]| {
        let mut log = String::new();
        for step in 0..600 {
            for (at, id) in ids.iter().enumerate() {
                let time = 1e9 + f64::from(step) * 0.1 + at as f64 * 0.001;
                log += &format!("({time:.6}) can0 {id}#04FF7F0209050000\n");
            }
        }
        let output = common::piped(&["report", "-", "--format", "json"], log.as_bytes());
        let document: Value = serde_json::from_slice(&output.stdout).unwrap();
        let addresses = document["nodes"].to_string().matches("address 0x").count();
        (addresses, document["codes"].as_array().unwrap().len())
    };
    assert_eq!(names(&car), (0, 0));
    assert_eq!(names(&own), (0, 0));
    assert_eq!(names(&truck), (2, 1));
}

/// A freeze frame with its code, results of tests on board, and a dip of the supply beside the loss
/// that it made.
#[test]
fn stored_and_measured() {
    let mut lines: Vec<(f64, String)> = (0..1200)
        .filter(|step| !(500..560).contains(step))
        .map(|step| (f64::from(step) * 0.02, format!("1A0#{:02X}00000000000000", step % 256)))
        .collect();
    lines.extend(
        (0..1200).map(|step| (f64::from(step) * 0.02 + 0.003, "2B0#0000000000000000".to_owned())),
    );
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
        // Nothing is joined to that input: no module answers without supply.
        (11.01, "7E0#0201420000000000"),
        (11.02, "7E8#0441420000000000"),
        (12.01, "7E0#0201420000000000"),
        (12.02, "7E8#0441423138000000"),
    ] {
        lines.push((at, line.to_owned()));
    }
    lines.sort_by(|a, b| a.0.total_cmp(&b.0));
    let lines: Vec<(f64, &str)> =
        lines.iter().map(|(at, line)| (1000.0 + at, line.as_str())).collect();
    let folder = tempfile::tempdir().unwrap();
    let path = folder.path().join("capture.log");
    std::fs::write(&path, common::log(&lines)).unwrap();
    let (_, document) = report(&path, &[]);
    let values = ["0C engine speed = 1726 rpm"];
    assert_eq!(
        document["freeze_frames"],
        serde_json::json!([
            { "module": "0x7E8", "frame": 0, "code": "P0171", "values": values },
        ])
    );
    let test = &document["test_results"][0];
    assert_eq!(
        (&test["monitor"], &test["test"], &test["passed"]),
        (&"81".into(), &"0A".into(), &false.into()),
        "{test}"
    );
    assert_eq!(
        (test["value"].as_f64(), test["high"].as_f64(), test["unit"].as_str()),
        (Some(0.016), Some(0.008), Some("V"))
    );
    let supply = &document["vehicle"]["supply_voltage"];
    let dips = supply["dips"].as_array().unwrap();
    assert_eq!(
        (dips.len(), dips[0]["below"].as_f64(), dips[0]["least"].as_f64()),
        (1, Some(9.6), Some(9.0)),
        "{supply}"
    );
    assert_eq!(dips[0]["outages"], serde_json::json!([0]));
    assert_eq!(supply["series"].as_array().unwrap().len(), 3);
    let text = common::lostnode().arg("report").arg(&path).output().unwrap();
    let text = String::from_utf8(text.stdout).unwrap();
    let text = text.split_whitespace().collect::<Vec<_>>().join(" ");
    for part in [
        "stored with P0171",
        "1 results, 1 outside",
        "below 9.6 V at 10.0 s, lowest 9.00 V",
        "1 loss began or ended in it",
    ] {
        assert!(text.contains(part), "{part} is not in\n{text}");
    }
}

/// Published answers (`facts/check-values.tsv`, with their sources there).
#[test]
fn published_answers() {
    let lines =
        [(1.0, "7DF#0209020000000000"), (1.01, "7E8#1014490201"), (1.02, "7E0#3000000000000000")];
    let first = "7E8#1014490201585854";
    let log = common::log(&[
        lines[0],
        (1.01, first),
        lines[2],
        (1.03, "7E8#2145535458584130"),
        (1.04, "7E8#224E303030303432"),
    ]);
    let (found, _) = messages(&log, &[]);
    assert_eq!(
        found.last().unwrap().1,
        format!("490201{}", hex::encode_upper("XXTESTXXA0N000042"))
    );
}

/// The real scans: every complete answer decoded, every broken one counted with its reason, failure
/// type 87 named.
#[test]
fn real_scans() {
    for (name, broken) in [("diagnostic-scan-all-modules", 2), ("diagnostic-scan-two-modules", 2)] {
        let Some(path) = shared(&format!("data/{name}.log.gz")) else { return };
        let (_, document) = report(&path, &[]);
        let mut text = String::new();
        std::io::Read::read_to_string(
            &mut flate2::read::MultiGzDecoder::new(std::fs::File::open(&path).unwrap()),
            &mut text,
        )
        .unwrap();
        // Counted independently: single frames and first frames of all identifiers, by a reading of
        // the lines alone.
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
        let incomplete: u64 = talk["incomplete_messages"]
            .as_array()
            .unwrap()
            .iter()
            .map(|count| count["count"].as_u64().unwrap())
            .sum();
        assert_eq!(incomplete, broken, "{name}: {talk}");
        // What no module answered, on identifiers that no standard assigns, is not believed to be a
        // request.
        let complete = talk["complete_messages"].as_u64().unwrap();
        let unbelieved = single + first - complete - incomplete;
        let (found, _) = messages(&text, &[]);
        let heard: Vec<&str> =
            found.iter().map(|(stream, ..)| stream.split('@').next().unwrap()).collect();
        let unheard = text.lines().filter(|line| {
            let (id, data) = line.split(' ').nth(2).unwrap().split_once('#').unwrap();
            !heard.contains(&id) && matches!(&data[..1], "0" | "1")
        });
        let unheard: Vec<&str> = unheard.collect();
        // None of those is an answer: each begins with a request service.
        assert!(
            unheard.iter().all(|line| u8::from_str_radix(
                &line.split('#').nth(1).unwrap()[2..4],
                16
            )
            .unwrap()
                < 0x40),
            "{name}: {unheard:?}"
        );
        assert!(
            unbelieved <= unheard.len() as u64 + heard.len() as u64 / 20,
            "{name}: {unbelieved} of {single}+{first}"
        );
        assert!(
            document["outages"].as_array().unwrap().iter().all(|outage| outage["scope"] != "node"),
            "{name}"
        );
        if name == "diagnostic-scan-all-modules" {
            let missing: Vec<&Value> = document["codes"]
                .as_array()
                .unwrap()
                .iter()
                .filter(|code| code["failure_type"] == "87")
                .collect();
            assert!(
                missing.len() >= 4
                    && missing
                        .iter()
                        .all(|code| code["meaning"].as_str().unwrap().contains("missing message"))
            );
            assert_eq!(
                document["identity"]
                    .as_array()
                    .unwrap()
                    .iter()
                    .filter(|identity| identity["name"] != Value::Null)
                    .count(),
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
    let incomplete: u64 = talk["incomplete_messages"]
        .as_array()
        .unwrap()
        .iter()
        .map(|count| count["count"].as_u64().unwrap())
        .sum();
    assert_eq!(incomplete, 229, "first frames that were never completed: {talk}");
}

/// The sample tells its story unaided.
#[test]
fn the_van() {
    let (code, document) = report(&own("samples/van-door.log.gz"), &[]);
    assert_eq!(code, 1);
    let blame = &document["blame"][0];
    assert_eq!(
        (blame["blamed"].as_str(), blame["verdict"].as_str()),
        (Some("Door Control Module A"), Some("likely"))
    );
    assert_eq!(blame["reporters"], serde_json::json!(["0x7EA", "0x7EB"]));
    assert!(blame["sentence"].as_str().unwrap().contains("the module that sends 0x3B0"));
    let codes = document["codes"].as_array().unwrap();
    let there: Vec<&Value> = codes.iter().filter(|code| code["gone_at"].is_null()).collect();
    let back: Vec<_> =
        there.iter().map(|code| (code["code"].as_str(), &code["reporter"])).collect();
    assert_eq!(
        back,
        [(Some("U0199-87"), &Value::from("0x7EA")), (Some("U0199-87"), &Value::from("0x7EB"))]
    );
    assert!(there.iter().all(|code| code["returned"] == true));
    // The engine answers in the manner of SAE J1979, which does not say which test has run.
    let gone = codes.iter().filter(|code| !code["gone_at"].is_null());
    assert!(gone.clone().all(|code| code["returned"] == false));
    assert!(
        gone.filter(|code| code["reporter"] != "0x7E8")
            .all(|code| code["tested_since_clear"] == true)
    );
    let stale = codes
        .iter()
        .filter(|code| code["event"].as_str().is_some_and(|event| event.contains("low supply")));
    assert_eq!(
        stale.count(),
        8,
        "six supply faults, and two losses that modules remember from the same event"
    );
    assert_eq!(document["vehicle"]["vin"], "XXTVANXXA0N000042");
    assert_eq!(
        document["vehicle"]["vin_conflicts"],
        serde_json::json!([{"module": "0x7EB", "vin": ""}])
    );
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
    assert_eq!(
        (untested["returned"].as_bool(), untested["tested_since_clear"].as_bool()),
        (Some(false), Some(false))
    );
    assert!(untested["story"].as_str().unwrap().contains("does not mean that it is fixed"));
    let returned = story("7E8#075902FFC1008709");
    assert_eq!((returned["returned"].as_bool(), returned["gone_at"].is_null()), (Some(true), true));
    let unknown = story("7E8#035902FF00000000");
    assert_eq!(
        (unknown["returned"].as_bool(), unknown["tested_since_clear"].as_bool()),
        (Some(false), None)
    );
    assert!(unknown["story"].as_str().unwrap().contains("not known"));
}

/// Service 18 of ISO 14230-3: each code stands as its status says, a clear counts, and 1A 90 gives
/// the VIN.
#[test]
fn codes_of_older_modules() {
    let log = common::log(&[
        (0.5, "7E0#021A900000000000"),
        (0.51, "7E8#10135A9058585445"),
        (0.52, "7E0#3000000000000000"),
        (0.53, "7E8#215354585841304E"),
        (0.54, "7E8#2230303030343200"),
        (1.0, "7E0#041800FF00000000"),
        (1.01, "7E8#037F187800000000"),
        (1.5, "7E8#100E5804C100E0C1"),
        (1.51, "7E0#3000000000000000"),
        (1.52, "7E8#214060C12120C155"),
        (1.53, "7E8#2240000000000000"),
        (2.0, "7E0#0314FF0000000000"),
        (2.01, "7E8#0354FF0000000000"),
        (3.0, "7E0#041800FF00000000"),
        (3.01, "7E8#055801C100200000"),
    ]);
    let stories = |lines: usize| -> (Vec<String>, Value) {
        let head: String = log.lines().take(lines).map(|line| line.to_owned() + "\n").collect();
        let output = common::piped(&["report", "-", "--format", "json"], head.as_bytes());
        let document: Value = serde_json::from_slice(&output.stdout).unwrap();
        let codes = document["codes"].as_array().unwrap().iter();
        let told = |code: &Value| {
            assert_eq!(code["lists"], serde_json::json!(["by status 00 group FF00"]));
            let [code, story] = ["code", "story"].map(|name| code[name].as_str().unwrap());
            format!("{code} {story}")
        };
        (codes.map(told).collect(), document)
    };
    let (first, document) = stories(11);
    assert_eq!(document["vehicle"]["vin"], "XXTESTXXA0N000042");
    let wanted =
        ["U0100 failing now", "U0121 stored, not failing", "U0140 stored", "U0155 pending"];
    assert_eq!(first.len(), 4, "{first:?}");
    assert!(first.iter().zip(wanted).all(|(own, wanted)| own.starts_with(wanted)), "{first:?}");
    assert_eq!(first[2], "U0140 stored");
    let (last, _) = stories(15);
    assert!(last[0].contains("returned: stored, not failing"), "{last:?}");
    assert!(last[1..].iter().all(|own| own.contains("not seen since")), "{last:?}");
    let output = common::piped(&["messages", "-"], log.as_bytes());
    let text = String::from_utf8(output.stdout).unwrap();
    assert!(text.contains("U0140 [60 stored, present]"), "{text}");
}

/// SAE J1939: DM1 in one frame and through BAM, connection mode, battery potential, VIN, and a unit
/// that claimed the address of another and could not have it.
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
    assert!(
        claims.contains("could not claim an address")
            && claims.contains("wanted 0x21")
            && !claims.contains("units claim this address"),
        "{claims}"
    );
}

/// On a bus of SAE J1939 the three bytes of ReadDTCInformation may be a suspect parameter and a
/// failure mode, where the tables know more of them so; elsewhere, and where its module says
/// otherwise (report 01), they are not.
#[test]
fn suspect_parameters_over_uds() {
    let truck = [
        (0.1, "0CF00400#FFFFFFFFFFFFFFFF"),
        (0.2, "18FEEE00#FFFFFFFFFFFFFFFF"),
        (0.3, "18FEF10B#FFFFFFFFFFFFFFFF"),
        (0.4, "18FECA0B#00FF000000000000"),
    ];
    let codes = |bus: &[(f64, &str)], answers: &[&str]| -> Vec<String> {
        let asked = [(1.0, "18DA00F1#031902FF55555555")];
        let answers: Vec<(f64, &str)> =
            answers.iter().zip(1..).map(|(own, at)| (1.0 + 0.01 * f64::from(at), *own)).collect();
        let log = common::log(&[bus, &asked, &answers].concat());
        let output = common::piped(&["report", "-", "--format", "json"], log.as_bytes());
        let document: Value = serde_json::from_slice(&output.stdout).unwrap();
        let own = document["codes"].as_array().unwrap().iter();
        own.map(|code| code["code"].as_str().unwrap().to_owned()).collect()
    };
    // SPN 2003 (source address 3) FMI 9, failing.
    let spn = "18DAF100#075902FFD307092F";
    assert_eq!(codes(&truck, &[spn]), ["SPN 2003 FMI 9"]);
    assert_eq!(codes(&[], &[spn]), ["U1307-09"]);
    assert_eq!(codes(&truck, &["18DAF100#075902FFC100872F"]), ["U0100-87"]);
    let format = |number: u8| format!("18DAF100#065901FF{number:02X}000155");
    assert_eq!(codes(&truck, &[&format(1), spn]), ["U1307-09"]);
    let unknown = "18DAF100#075902FFC100032F";
    assert_eq!(codes(&truck, &[unknown]), ["U0100-03"]);
    assert_eq!(codes(&truck, &[&format(2), unknown]), ["SPN 193 FMI 3"]);
}

/// A million first frames from a million identifiers: memory stays bounded, nothing panics.
#[test]
fn a_million_first_frames() {
    let mut diagnostics = Diagnostics::default();
    for step in 0..1_000_000_u32 {
        let raw = if step % 2 == 0 { 0x18DA_0000 | (step & 0xFFFF) } else { 0x0400_0000 + step };
        let id = lostnode_parsers::frame::make_id(raw, true).unwrap();
        let frame = lostnode_parsers::ClassicFrame::with_raw_dlc(
            id,
            &[0x1F, 0xFF, 0x62, 0xF1, 0x90, 1, 2, 3],
            8,
        )
        .unwrap();
        let frame = capture::Frame {
            time: Some(lostnode_parsers::Timestamp::from_nanoseconds(i64::from(step) * 1000)),
            channel: 0,
            kind: lostnode_parsers::FrameKind::Classic(frame),
            length: lostnode_parsers::wire::Length::default(),
        };
        diagnostics.push(&capture::Batch::new(vec![frame], Vec::new()));
    }
    diagnostics.finish(&[]);
    let incomplete: u64 = diagnostics.messages.incomplete.values().sum();
    assert_eq!(incomplete, 500_000, "each of them is accounted for");
}

fn python() -> Option<String> {
    common::python("isotp, udsoncan, uds")
}

/// Two ends of can-isotp talk; we overhear every message.
#[test]
fn overhears_can_isotp() {
    let Some(python) = python() else { return };
    for seed in ["1", "2"] {
        let output = Command::new(&python)
            .arg(own("tests/oracles/isotp_talk.py"))
            .arg(seed)
            .output()
            .unwrap();
        assert!(output.status.success(), "{}", String::from_utf8_lossy(&output.stderr));
        let sent: Vec<String> =
            String::from_utf8(output.stderr).unwrap().lines().map(str::to_owned).collect();
        let (found, _) = messages(&String::from_utf8(output.stdout).unwrap(), &[]);
        let heard: Vec<String> = found
            .iter()
            .map(|(stream, data, fault)| {
                format!("{} {data}{}", stream.split('@').next().unwrap(), fault.unwrap_or_default())
            })
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
        let ours: Vec<String> = report
            .records()
            .map(|record| format!("{}:{:02X}", record.code, record.status.unwrap().0))
            .collect();
        let (udsoncan, pyuds) = theirs.split_once('|').unwrap();
        assert_eq!(ours.join(" "), udsoncan.trim(), "udsoncan on {line}");
        assert_eq!(ours.join(" "), pyuds.trim(), "py-uds on {line}");
    }
}

proptest! {
    #![proptest_config(ProptestConfig::with_cases(300))]

    /// Any frames on diagnostic identifiers: no panic, and every message is at most as long as its
    /// frames could carry.
    #[test]
    fn any_frames(
        frames in proptest::collection::vec(
            (0..6usize, proptest::collection::vec(any::<u8>(), 0..=8), 0..2_000_000_i64),
            0..200,
        ),
    ) {
        let ids = [0x7DF, 0x7E0, 0x7E8, 0x7EA, 0x18DA_F110, 0x18EC_FF00];
        let mut diagnostics = Diagnostics::default();
        let mut now = 0;
        let total: usize = frames.iter().map(|(_, data, _)| data.len()).sum();
        let mut received = 0;
        let mut transport = Transport::default();
        for (which, data, step) in frames {
            now += step * 1000;
            let id: Id = lostnode_parsers::frame::make_id(ids[which], ids[which] > 0x7FF).unwrap();
            let length = data.len() as u8;
            let frame = lostnode_parsers::ClassicFrame::with_raw_dlc(id, &data, length).unwrap();
            let frame = capture::Frame {
                time: Some(lostnode_parsers::Timestamp::from_nanoseconds(now)),
                channel: 0,
                kind: lostnode_parsers::FrameKind::Classic(frame),
                length: lostnode_parsers::wire::Length::default(),
            };
            diagnostics.push(&capture::Batch::new(vec![frame.clone()], Vec::new()));
            transport.push(&frame, &mut |message| {
                received += message.data.len();
                let _ = lostnode::words::messages::describe(message);
            });
        }
        transport.finish(&mut |message| received += message.data.len());
        diagnostics.finish(&[]);
        prop_assert!(received <= total);
    }

    /// Any bytes as a message: nothing panics.
    #[test]
    fn any_message(data in proptest::collection::vec(any::<u8>(), 0..60)) {
        let groups = [0xFECA, 0xEE00, 0xFEF7].map(|pgn| Carrier::J1939 { pgn });
        for carrier in groups.into_iter().chain([Carrier::IsoTp]) {
            let message = Message {
                time: None,
                begun: None,
                channel: 0,
                id: lostnode_parsers::frame::make_id(0x7E8, false).unwrap(),
                from: Party::Address(1),
                to: Party::Everyone,
                from_module: true,
                carrier,
                data: &data,
                length: data.len() as u32,
                incomplete: None,
            };
            let _ = lostnode::words::messages::describe(&message);
        }
        let _ = DtcReport::parse(&data).map(|report| report.records().count());
        let _ = obd::test_results(&data).count();
    }
}

/// A code is explained with its pointer, its source and the cautions of the module it names; what
/// is no code is refused.
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
    assert!(
        String::from_utf8(refused.stderr).unwrap().contains("`U01` has not the form of a code")
    );
}
