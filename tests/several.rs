//! One vehicle, several captures: files that go on from each other are one recording.

mod common;
#[path = "common/messages.rs"]
mod messages;

use std::fs;
use std::path::{Path, PathBuf};
use std::process::{Command, Output};

use common::lostnode;
use messages::{Message, log, message, messages};
use serde_json::Value;

/// When the drives begin, in seconds.
const BEGIN: f64 = 1_700_000_000.0;

/// A drive of two nodes of three identifiers each on `can0`, from `from` to `to` seconds after
/// [`BEGIN`]; the door is silent in `lost`.
struct Drive {
    from: f64,
    to: f64,
    lost: Vec<(f64, f64)>,
}

fn drive(from: f64, to: f64) -> Drive {
    Drive { from, to, lost: Vec::new() }
}

impl Drive {
    fn losing(mut self, from: f64, to: f64) -> Self {
        self.lost.push((from, to));
        self
    }

    /// As log text.
    fn text(&self) -> String {
        let mut frames: Vec<(f64, String)> = Vec::new();
        for (at, (id, period)) in IDS.iter().enumerate() {
            let offset = 0.000_3 * at as f64;
            let (first, last) = ((self.from / period).ceil() as u64, (self.to / period) as u64);
            for step in first..last {
                let time = step as f64 * period + offset;
                let lost = |(from, to): &(f64, f64)| (*from..*to).contains(&time);
                if at >= 3 || !self.lost.iter().any(lost) {
                    let counter = step % 16;
                    frames.push((time, format!("can0 {id}#00112233445566{counter:02X}")));
                }
            }
        }
        frames.sort_by(|a, b| a.0.total_cmp(&b.0));
        let line = |(time, frame): &(f64, String)| format!("({:.6}) {frame}\n", BEGIN + time);
        frames.iter().map(line).collect()
    }
}

/// Those of the door, then those of the engine, with their periods in seconds.
const IDS: [(&str, f64); 6] =
    [("2A0", 0.01), ("2A1", 0.02), ("2A2", 0.1), ("110", 0.01), ("111", 0.02), ("112", 0.1)];

/// Who sends what.
const ROSTER: &str = r#"
[[node]]
name = "sliding door"
channel = "can0"
messages = [
  { id = "0x2A0", period = 0.01 },
  { id = "0x2A1", period = 0.02 },
  { id = "0x2A2", period = 0.1 },
]

[[node]]
name = "engine"
channel = "can0"
messages = [
  { id = "0x110", period = 0.01 },
  { id = "0x111", period = 0.02 },
  { id = "0x112", period = 0.1 },
]
"#;

/// A folder with files, and the command line over them.
struct Garage(tempfile::TempDir);

impl Garage {
    fn new() -> Self {
        let folder = tempfile::tempdir().unwrap();
        fs::write(folder.path().join("roster.toml"), ROSTER).unwrap();
        Garage(folder)
    }

    fn write(&self, name: &str, text: impl AsRef<[u8]>) -> PathBuf {
        let path = self.0.path().join(name);
        fs::write(&path, text).unwrap();
        path
    }

    fn run(&self, command: &str, captures: &[&Path], more: &[&str]) -> Output {
        let mut run: Command = lostnode();
        run.arg(command).args(captures).args(more);
        run.arg("--roster").arg(self.0.path().join("roster.toml"));
        run.output().unwrap()
    }

    fn json(&self, captures: &[&Path]) -> Value {
        let out = self.run("report", captures, &["--format", "json"]);
        assert!(out.stderr.is_empty(), "{}", String::from_utf8_lossy(&out.stderr));
        serde_json::from_slice(&out.stdout).unwrap()
    }
}

/// A text cut after so many lines.
fn cut(text: &str, at: usize) -> (String, String) {
    let end = text.split_inclusive('\n').take(at).map(str::len).sum();
    (text[..end].to_owned(), text[end..].to_owned())
}

fn gzip(text: &str) -> Vec<u8> {
    use std::io::Write;
    let mut packed = flate2::write::GzEncoder::new(Vec::new(), flate2::Compression::fast());
    packed.write_all(text.as_bytes()).unwrap();
    packed.finish().unwrap()
}

/// What a report says, but for the files that it is drawn from.
fn answer(mut report: Value) -> Value {
    let fields = report.as_object_mut().unwrap();
    fields.remove("captures");
    for outage in fields["outages"].as_array_mut().unwrap() {
        outage.as_object_mut().unwrap().remove("capture");
    }
    report
}

/// Cut in the midst of a loss, named in the wrong order, one of them packed: the answer is that of
/// the file before it was cut, and the loss is one.
#[test]
fn files_that_go_on_from_each_other_are_one_recording() {
    let garage = Garage::new();
    let text = drive(0.0, 30.0).losing(9.0, 14.0).text();
    let whole = garage.write("whole.log", &text);
    let lines = text.lines().count();
    // At a third of the lines the door is silent.
    let (first, rest) = cut(&text, lines / 3);
    let (second, third) = cut(&rest, lines / 3);
    let end: f64 = first.lines().last().unwrap()[1..18].parse().unwrap();
    assert!((9.2..13.5).contains(&(end - BEGIN)), "{end}");
    let parts = [
        garage.write("drive-0003.log", &third),
        garage.write("drive-0001.log", &first),
        garage.write("drive-0002.log.gz", gzip(&second)),
    ];
    let parts = parts.each_ref().map(PathBuf::as_path);
    let report = garage.json(&parts);
    assert_eq!(report["outages"].as_array().unwrap().len(), 1, "{}", report["outages"]);
    assert_eq!(report["outages"][0]["capture"], 0);
    assert_eq!(report["outages"][0]["nodes"], serde_json::json!(["sliding door"]));
    let names: Vec<&str> = report["captures"]
        .as_array()
        .unwrap()
        .iter()
        .map(|capture| capture["path"].as_str().unwrap().rsplit('/').next().unwrap())
        .collect();
    assert_eq!(names, ["drive-0001.log", "drive-0002.log.gz", "drive-0003.log"]);
    let of_whole = garage.json(&[&whole]);
    assert_eq!(of_whole["outages"][0].get("capture"), None);
    assert_eq!(answer(report), answer(of_whole));
    // However many threads read it.
    let rows = |threads: &str| {
        let out = garage.run("report", &parts, &["--format", "json", "--threads", threads]);
        assert_eq!(out.status.code(), Some(1));
        out.stdout
    };
    assert_eq!(rows("1"), rows("4"));
}

/// A channel that is heard in a later file only keeps its own place.
#[test]
fn channels_are_the_same_in_all_files() {
    let garage = Garage::new();
    let (first, second) = cut(&drive(0.0, 20.0).text(), 2000);
    let other = |text: &str| text.replace("can0", "can1");
    // In the second file the other channel comes first.
    let second = other(second.lines().next().unwrap()) + "\n" + &second;
    let a = garage.write("a.log", &first);
    let b = garage.write("b.log", second);
    let report = garage.json(&[&b, &a]);
    let names = |report: &Value| -> Vec<(String, u64)> {
        let channels = report["channels"].as_array().unwrap().iter();
        channels
            .map(|own| (own["name"].as_str().unwrap().to_owned(), own["frames"].as_u64().unwrap()))
            .collect()
    };
    let all = first.lines().count() as u64;
    let frames = drive(0.0, 20.0).text().lines().count() as u64;
    assert!(all < frames);
    assert_eq!(names(&report), [("can0".to_owned(), frames), ("can1".to_owned(), 1)]);
}

/// A second between two files is a recorder that changes them: it is a pause of the recording, and
/// nobody's loss.
#[test]
fn a_second_between_two_files_is_a_pause_of_the_recording() {
    let garage = Garage::new();
    let a = garage.write("a.log", drive(0.0, 20.0).text());
    let b = garage.write("b.log", drive(21.0, 40.0).text());
    let report = garage.json(&[&a, &b]);
    assert_eq!(report["captures"].as_array().unwrap().len(), 2);
    let outages = report["outages"].as_array().unwrap();
    assert_eq!(outages.len(), 1, "{outages:?}");
    assert_eq!(outages[0]["cause"], "capture_gap");
    assert_eq!(report["verdict"], "nothing_lost");
}

/// The same bytes under two names count once, and it is said.
#[test]
fn the_same_file_twice_counts_once() {
    let garage = Garage::new();
    let text = drive(0.0, 20.0).losing(5.0, 8.0).text();
    let a = garage.write("a.log", &text);
    let b = garage.write("b.log", &text);
    let report = garage.json(&[&a, &b]);
    assert_eq!(report["captures"].as_array().unwrap().len(), 1);
    assert_eq!(report["outages"].as_array().unwrap().len(), 1);
    let told = |notice: &Value| notice.as_str().unwrap().contains("b.log holds the same as");
    assert!(report["notices"].as_array().unwrap().iter().any(told), "{}", report["notices"]);
}

#[test]
fn standard_input_is_none_of_several() {
    let garage = Garage::new();
    let a = garage.write("a.log", drive(0.0, 5.0).text());
    let out = garage.run("report", &[&a, Path::new("-")], &[]);
    assert_eq!(out.status.code(), Some(2));
    let said = String::from_utf8(out.stderr).unwrap();
    assert!(said.contains("-: cannot be read: it is no file"), "{said}");
}

/// Three drives, an hour apart, the second without the loss: each has its own time line, and the
/// losses of all are one finding with more evidence.
#[test]
fn what_lies_apart_is_another_drive() {
    let garage = Garage::new();
    let a = garage.write("a.log", drive(0.0, 30.0).losing(9.0, 12.0).losing(20.0, 21.0).text());
    let b = garage.write("b.log", drive(3600.0, 3640.0).text());
    let c = garage.write("c.log", drive(7200.0, 7230.0).losing(7205.0, 7208.0).text());
    let report = garage.json(&[&c, &a, &b]);
    let outages = report["outages"].as_array().unwrap();
    let places: Vec<_> = outages.iter().map(|own| (&own["capture"], &own["drive"])).collect();
    assert_eq!(places.len(), 3);
    assert_eq!(places[0], (&0.into(), &0.into()));
    assert_eq!(places[2], (&2.into(), &2.into()));
    let start = outages[2]["start"].as_f64().unwrap();
    assert!((start - BEGIN - 7204.99).abs() < 0.02, "{start}");
    let drives = report["drives"].as_array().unwrap();
    let verdicts: Vec<&Value> = drives.iter().map(|drive| &drive["verdict"]).collect();
    assert_eq!(verdicts, ["something_lost", "nothing_lost", "something_lost"]);
    assert_eq!(drives[1]["captures"], serde_json::json!([1]));
    let headline = report["headline"].as_str().unwrap();
    let begins = "Sliding door dropped off the bus 3 times in 2 of 3 drives (1 min 40 s), first at \
                  9.0 s of drive 1, 7.0 s in all";
    assert!(headline.starts_with(begins), "{headline}");
    assert_eq!(report["nodes"].as_array().unwrap().len(), 2);
    let finding = &report["findings"][0];
    let evidence = finding["evidence"].to_string();
    assert!(evidence.contains("fell silent 3 times, 7.0"), "{evidence}");
    // One drive alone is less sure.
    let alone = garage.json(&[&c]);
    let sure = |report: &Value| {
        let own = report["findings"].as_array().unwrap().iter();
        let own = own.filter(|own| own["class"] == finding["class"]);
        own.map(|own| own["probability"].as_f64().unwrap()).sum::<f64>()
    };
    assert!(sure(&report) > sure(&alone), "{finding} {}", alone["findings"]);

    let text = String::from_utf8(garage.run("report", &[&a, &b, &c], &[]).stdout).unwrap();
    let places = ["Drive 1: a.log", "Drive 2: b.log", "nothing was silent", "Drive 3: c.log"];
    let found: Vec<usize> = places.iter().map(|part| text.find(part).expect(part)).collect();
    assert!(found.is_sorted(), "{text}");
    let row = garage.run("report", &[&a, &b, &c], &["--format", "row"]);
    let row: Value = serde_json::from_slice(&row.stdout).unwrap();
    assert_eq!(row["headline"], report["headline"]);
    assert!((row["span_s"].as_f64().unwrap() - 100.0).abs() < 0.1, "{row}");

    let out = garage.0.path().join("out");
    garage.run("report", &[&a, &b, &c], &["--out", out.to_str().unwrap()]);
    for name in ["presence-1.png", "presence-3.png", "bus-load-2.png"] {
        assert!(fs::read(out.join(name)).unwrap().starts_with(b"\x89PNG"), "{name}");
    }
    assert!(!out.join("presence.png").exists());
    let page = fs::read_to_string(out.join("report.html")).unwrap();
    let part = |title: &str| page.find(&format!("<h3>{title}")).expect(title);
    let lanes = &page[part("Drive 2: b.log")..part("Drive 3: c.log")];
    assert!(lanes.contains("sliding door: not lost") && !lanes.contains("lost twice"), "{lanes}");
    assert!(page[part("Drive 1: a.log")..].contains("sliding door: lost 2 times"));
}

/// In the longest drive nothing falls silent, and all that is sent there is timed alike: what fell
/// silent in another tells the nodes apart all the same.
#[test]
fn a_drive_without_the_loss_does_not_hide_who_was_lost() {
    let garage = Garage::new();
    let a = garage.write("a.log", drive(0.0, 60.0).text());
    let b = garage.write("b.log", drive(3600.0, 3630.0).losing(3609.0, 3612.0).text());
    let out = lostnode().args(["report", "--format", "json"]).args([&a, &b]).output().unwrap();
    let report: Value = serde_json::from_slice(&out.stdout).unwrap();
    let nodes = report["nodes"].as_array().unwrap();
    let ids: Vec<&Value> = nodes.iter().map(|node| &node["ids"]).collect();
    let own = [serde_json::json!(["0x2A0", "0x2A1", "0x2A2"])];
    assert!(ids.contains(&&own[0]) && ids.len() == 2, "{ids:?}");
    assert_eq!(report["outages"][0]["scope"], "node");
    let headline = report["headline"].as_str().unwrap();
    let begins = "The module that sends 0x2A0 and 2 more identifiers dropped off the bus once in 2";
    assert!(headline.starts_with(begins), "{headline}");
    let c = garage.write("c.log", drive(7200.0, 7230.0).text());
    let text = String::from_utf8(garage.run("report", &[&c, &a], &[]).stdout).unwrap();
    let begins = "Nothing was lost in 2 drives.\n\
                  2 drives: a.log and 1 other, 2023-11-14 22:13:20 UTC, 90 s\n";
    assert!(text.starts_with(begins), "{text}");
}

/// A key takes many at one instant. What was heard while a module was lost in another drive is not
/// of that module, though nobody knows who sends it.
#[test]
fn a_key_off_in_another_drive_adds_nothing_to_who_was_lost() {
    let garage = Garage::new();
    // Late by a little, so that no clock tells who belongs together.
    let alone = |at: u32| {
        let period = [0.02, 0.03, 0.05, 0.04][at as usize % 4];
        message(&format!("{at:X}"), period, 0.013).late(0.004)
    };
    let own = || -> Vec<Message> { (0x100..0x104).map(alone).collect() };
    let others = || -> Vec<Message> { (0x300..0x306).map(alone).collect() };
    let silent = |messages: Vec<Message>, times: [(f64, f64); 2]| {
        times.into_iter().fold(messages, |own, (from, to)| messages::cut(own, from, to))
    };
    let stay = || messages(0x500, 6);
    let lost = silent(own(), [(20.0, 22.0), (40.0, 42.0)]);
    let a = garage.write("a.log", log(60.0, &[lost, others(), stay()].concat()));
    let off = silent([own(), others()].concat(), [(20.0, 26.0), (30.0, 34.0)]);
    let b = garage.write("b.log", log(40.0, &[off, stay()].concat()).replace("(10", "(90"));
    let report = garage.json(&[&a, &b]);
    let ids = &report["nodes"][0]["ids"];
    assert_eq!(*ids, serde_json::json!(["0x100", "0x101", "0x102", "0x103"]));
    let headline = report["headline"].as_str().unwrap();
    assert!(headline.starts_with("The module that sends 0x100 and 3 more"), "{headline}");
}

/// Clocks that overlap are of two recorders or of a clock that was not set: two drives, each in its
/// own time, and what is near in one is never near in the other.
#[test]
fn clocks_that_overlap_are_two_drives() {
    let garage = Garage::new();
    let a = garage.write("a.log", drive(0.0, 30.0).losing(9.0, 12.0).text());
    let b = garage.write("b.log", drive(10.0, 40.0).losing(20.0, 23.0).text());
    let report = garage.json(&[&a, &b]);
    assert_eq!(report["drives"].as_array().unwrap().len(), 2);
    let outages = report["outages"].as_array().unwrap();
    let told: Vec<(i64, i64)> = outages
        .iter()
        .map(|own| {
            let start = own["start"].as_f64().unwrap() - BEGIN;
            (own["drive"].as_i64().unwrap(), start.round() as i64)
        })
        .collect();
    assert_eq!(told, [(0, 9), (1, 20)]);
    let headline = report["headline"].as_str().unwrap();
    assert!(headline.contains("twice in 2 of 2 drives (60 s)"), "{headline}");
    let brief = "2 times, once per drive, each no longer than a dropout from cranking";
    assert!(report["findings"].to_string().contains(brief), "{}", report["findings"]);
    let last = report["identifiers"][0]["last"].as_f64().unwrap() - BEGIN;
    assert!((39.9..40.1).contains(&last), "{last}");
}

/// Unpacked it is the same file, though it is one of several that go on from each other.
#[test]
fn a_packed_copy_counts_once() {
    let garage = Garage::new();
    let (first, second) = cut(&drive(0.0, 30.0).losing(9.0, 12.0).text(), 4000);
    let a = garage.write("a.log", &first);
    let copy = garage.write("copy.log.gz", gzip(&first));
    let b = garage.write("b.log", &second);
    let report = garage.json(&[&copy, &b, &a]);
    assert_eq!(report["captures"].as_array().unwrap().len(), 2);
    assert_eq!(report["outages"].as_array().unwrap().len(), 1);
    assert_eq!(report.get("drives"), None);
    assert!(report["notices"].to_string().contains("it was counted once"));
}

/// What a tester asks and the engine answers at a time: its VIN, and its stored codes.
fn told(time: f64, vin: &str, codes: &str) -> String {
    let hex: String = vin.bytes().map(|byte| format!("{byte:02X}")).collect();
    let frames = [
        "7DF#0209025555555555".to_owned(),
        format!("7E8#1014490201{}", &hex[..6]),
        "7E0#3000005555555555".to_owned(),
        format!("7E8#21{}", &hex[6..20]),
        format!("7E8#22{}", &hex[20..]),
        "7DF#0103555555555555".to_owned(),
        format!("7E8#{codes}"),
    ];
    let line = |(at, frame): (usize, &String)| {
        format!("({:.6}) can0 {frame}\n", BEGIN + time + 0.01 * at as f64)
    };
    frames.iter().enumerate().map(line).collect()
}

const VIN: &str = "WVWZZZ1JZ3W386752";
const OTHER: &str = "1HGCM82633A004352";
/// Answers of service 03: no code, and U0199.
const NONE: &str = "0243005555555555";
const DOOR: &str = "044301C199555555";

/// A drive with what is told at its end.
fn with(drive: Drive, vin: &str, codes: &str) -> String {
    let time = drive.to + 0.001;
    drive.text() + &told(time, vin, codes)
}

/// A capture of another vehicle is said first, and nothing of it is in the answer.
#[test]
fn another_vehicle_is_kept_out_and_said_first() {
    let garage = Garage::new();
    let ours = drive(0.0, 20.0);
    let a = garage.write("a.log", with(ours, VIN, NONE));
    let b = garage.write("b.log", with(drive(3600.0, 3620.0).losing(3605.0, 3609.0), OTHER, NONE));
    let c = garage.write("c.log", with(drive(7200.0, 7220.0), VIN, NONE));
    let report = |captures: &[&Path]| {
        let out = garage.run("report", captures, &["--format", "json"]);
        let said = String::from_utf8(out.stderr).unwrap();
        (out.status.code(), said, serde_json::from_slice::<Value>(&out.stdout).unwrap())
    };
    let (code, said, document) = report(&[&b, &a, &c]);
    assert_eq!(code, Some(0), "{}", document["headline"]);
    assert!(said.contains("b.log: another vehicle (VIN 1HGCM82633A004352"), "{said}");
    assert_eq!(document["kept_out"][0]["vin"], OTHER);
    assert_eq!(document["kept_out"][0]["vehicle_vin"], VIN);
    assert_eq!(document["captures"].as_array().unwrap().len(), 2);
    assert_eq!(document["headline"], "Nothing was lost in 2 drives.");
    // Of two that are as many, the one that was named first is the vehicle.
    let (code, _, document) = report(&[&b, &a]);
    assert_eq!((code, &document["vehicle"]["vin"]), (Some(1), &OTHER.into()));
    let text = garage.run("report", &[&a, &b], &[]);
    let text = String::from_utf8(text.stdout).unwrap();
    let first = text.lines().next().unwrap();
    assert!(first.contains("b.log: another vehicle"), "{text}");
    let hidden = garage.run("report", &[&a, &b], &["--hide-identity"]);
    let shown = [hidden.stdout, hidden.stderr].concat();
    let shown = String::from_utf8(shown).unwrap();
    assert!(shown.contains("another vehicle") && !shown.contains(OTHER) && !shown.contains(VIN));
}

/// Codes read in several drives are one history.
#[test]
fn codes_of_several_drives_are_one_history() {
    let garage = Garage::new();
    let at = |drive: f64| self::drive(drive, drive + 20.0);
    let a = garage.write("a.log", with(at(0.0), VIN, NONE));
    let b = garage.write("b.log", with(at(3600.0), VIN, DOOR));
    let c = garage.write("c.log", with(at(7200.0), VIN, NONE));
    let report = garage.json(&[&a, &b, &c]);
    let codes = report["codes"].as_array().unwrap();
    assert_eq!(codes.len(), 1, "{codes:?}");
    assert_eq!(codes[0]["code"], "U0199");
    let seen = codes[0]["first_seen"].as_f64().unwrap() - BEGIN;
    assert!((3620.0..3621.0).contains(&seen), "{seen}");
    assert_eq!(codes[0]["gone_at"].as_f64().unwrap(), BEGIN + 7200.0);
    assert!(codes[0]["story"].as_str().unwrap().contains("gone at 0.0 s of drive 3"));
    // Without the last drive it is there, and new.
    let report = garage.json(&[&a, &b]);
    assert_eq!(report["codes"][0]["gone_at"], Value::Null);
    assert_eq!(report["identity"].as_array().unwrap().len(), 1);
}

fn compare(garage: &Garage, captures: &[&Path], after: &[&Path]) -> (Option<i32>, Value) {
    let mut more = vec!["--format", "json"];
    if !after.is_empty() {
        more.push("--after");
        more.extend(after.iter().map(|path| path.to_str().unwrap()));
    }
    let out = garage.run("compare", captures, &more);
    let document = serde_json::from_slice(&out.stdout);
    (out.status.code(), document.unwrap_or_else(|_| panic!("{out:?}")))
}

/// Two drives before the repair know more of the loss than one: less has to be driven after it.
#[test]
fn several_captures_from_before_a_repair_count_together() {
    let garage = Garage::new();
    let lost = |from: f64| {
        drive(from, from + 100.0).losing(from + 20.0, from + 21.0).losing(from + 70.0, from + 71.0)
    };
    let a = garage.write("a.log", lost(0.0).text());
    let b = garage.write("b.log", lost(3600.0).text());
    let after = garage.write("after.log", drive(90_000.0, 90_250.0).text());
    let (code, document) = compare(&garage, &[&b, &a], &[&after]);
    let row = &document["losses"][0];
    assert_eq!((&row["name"], &row["losses_before"]), (&"sliding door".into(), &4.into()));
    assert!((document["watched_before_s"].as_f64().unwrap() - 200.0).abs() < 0.1, "{document}");
    assert_eq!(document["before"].as_array().unwrap().len(), 2);
    assert_eq!(document["after"].as_array().unwrap().len(), 1);
    let (single, alone) = compare(&garage, &[&a, &after], &[]);
    assert_eq!(alone["before"].as_array().unwrap().len(), 1);
    let p = |document: &Value| document["losses"][0]["p"].as_f64().unwrap();
    // 4 losses in 196 s against 2 in 98 s, and 250 s without one.
    assert!((p(&document) - (196.0_f64 / 446.0).powi(4)).abs() < 0.01, "{document}");
    assert!((p(&alone) - (98.0_f64 / 348.0).powi(2)).abs() < 0.01, "{alone}");
    assert_eq!((code, single), (Some(0), Some(3)));
    // After it, they may be the wrong way round.
    let (_, document) = compare(&garage, &[&a, &after], &[&b]);
    assert!(document["notices"].to_string().contains("it is older than"), "{document}");
}

/// A loss across the cut of two files from after the repair is one loss.
#[test]
fn files_from_after_a_repair_go_on_from_each_other() {
    let garage = Garage::new();
    let before = garage.write("before.log", drive(0.0, 60.0).losing(20.0, 22.0).text());
    let text = drive(3600.0, 3630.0).losing(3609.0, 3614.0).text();
    let (first, second) = cut(&text, text.lines().count() / 3);
    let first = garage.write("after-1.log", first);
    let second = garage.write("after-2.log", second);
    let (code, document) = compare(&garage, &[&before, &second, &first], &[]);
    assert_eq!(code, Some(1));
    assert_eq!(document["losses"][0]["losses_after"], 1, "{document}");
    assert!((document["watched_after_s"].as_f64().unwrap() - 30.0).abs() < 0.1, "{document}");
}

/// A capture of another vehicle among those from before is said first.
#[test]
fn another_vehicle_before_a_repair_is_kept_out() {
    let garage = Garage::new();
    let ours = |from: f64| with(drive(from, from + 20.0).losing(from + 5.0, from + 7.0), VIN, NONE);
    let a = garage.write("a.log", ours(0.0));
    let b = garage.write("b.log", with(drive(3600.0, 3660.0), OTHER, NONE));
    let c = garage.write("c.log", ours(7200.0));
    let after = garage.write("after.log", with(drive(90_000.0, 90_020.0), VIN, NONE));
    let (_, document) = compare(&garage, &[&a, &b, &c], &[&after]);
    assert_eq!(document["losses"][0]["losses_before"], 2);
    let first = document["notices"][0].as_str().unwrap();
    assert!(first.contains("b.log: another vehicle: its VIN is 1HGCM82633A004352"), "{first}");
    let out = garage.run("compare", &[&a], &[]);
    assert_eq!(out.status.code(), Some(2));
    assert!(String::from_utf8(out.stderr).unwrap().contains("nothing to compare with"));
}

/// The log text of a drive with six more identifiers, so that the door is no half of the vehicle.
fn among_others(drive: &Drive) -> String {
    let mut lines: Vec<String> = drive.text().lines().map(str::to_owned).collect();
    for at in 0..6 {
        let steps = (drive.from * 20.0) as u64..(drive.to * 20.0) as u64;
        lines.extend(steps.map(|step| {
            let time = BEGIN + step as f64 * 0.05 + 0.002 + 0.000_3 * f64::from(at);
            format!("({time:.6}) can0 30{at}#{:02X}", step % 16)
        }));
    }
    lines.sort();
    lines.join("\n") + "\n"
}

/// What one drive heard all along and another never did was dead in that one, whichever came first;
/// without a roster too. That the door is one module shows where it drops out once.
#[test]
fn a_module_that_is_dead_in_one_drive_is_lost() {
    let garage = Garage::new();
    let heard = among_others(&drive(1000.0, 1060.0).losing(1030.0, 1032.0));
    let heard = garage.write("heard.log", heard);
    for (name, from) in [("before.log", 0.0), ("after.log", 2000.0)] {
        let dead = among_others(&drive(from, from + 60.0).losing(from, from + 60.0));
        let dead = garage.write(name, dead);
        let out =
            lostnode().arg("report").args([&heard, &dead]).args(["--format", "json"]).output();
        let out = out.unwrap();
        assert_eq!(out.status.code(), Some(1), "{}", String::from_utf8_lossy(&out.stdout));
        let report: Value = serde_json::from_slice(&out.stdout).unwrap();
        let (here, there) = if from == 0.0 { (0, 1) } else { (1, 0) };
        let own = &report["drives"][here];
        assert_eq!((&own["verdict"], &own["losses"]), (&"something_lost".into(), &1.into()));
        let outages = report["outages"].as_array().unwrap();
        assert_eq!(outages.len(), 2);
        let outage = outages.iter().find(|outage| outage["never_heard"] == true).unwrap();
        assert_eq!(outage["ids"], serde_json::json!(["0x2A0", "0x2A1", "0x2A2"]));
        assert_eq!((&outage["scope"], &outage["drive"]), (&"node".into(), &here.into()));
        let told = format!("heard in drive {}, never in drive {}", there + 1, here + 1);
        assert_eq!(outage["evidence"][0], told.as_str());
        let headline = report["headline"].as_str().unwrap();
        assert!(headline.contains("in 2 of 2 drives"), "{headline}");
        assert_eq!(headline.contains("and was never heard in drive 2"), here == 1, "{headline}");
    }
}

/// A single message may be of a mode of the vehicle.
#[test]
fn a_message_that_only_one_drive_has_is_not_known() {
    let garage = Garage::new();
    let sound = garage.write("sound.log", drive(0.0, 60.0).text());
    let without: String = drive(600.0, 660.0)
        .text()
        .lines()
        .filter(|line| !line.contains("can0 112#"))
        .map(|line| format!("{line}\n"))
        .collect();
    let without = garage.write("without.log", without);
    let out = lostnode().arg("report").args([&sound, &without]).args(["--format", "json"]).output();
    let out = out.unwrap();
    assert_eq!(out.status.code(), Some(3), "{}", String::from_utf8_lossy(&out.stdout));
    let report: Value = serde_json::from_slice(&out.stdout).unwrap();
    assert_eq!(report["outages"][0]["doubt"], "in_another_drive");
}
