//! One vehicle, several captures: files that go on from each other are one recording.

mod common;

use std::fs;
use std::path::{Path, PathBuf};
use std::process::{Command, Output};

use common::lostnode;
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
