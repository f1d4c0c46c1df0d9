//! Folders of captures: one row each, whatever they are; runs that are killed and resumed come to
//! the same.

mod common;

use std::fs;
use std::io::Write as _;
use std::path::Path;
use std::process::Stdio;

use common::{lostnode, own};

/// A short capture in which `node` is lost, or nothing.
fn capture(seed: u64, lost: bool) -> Vec<u8> {
    let trouble = if lost {
        "[[trouble]]\nkind = \"power_loss\"\nnode = \"door\"\nat = [8.0]\nlasts = [2.0]\n"
    } else {
        ""
    };
    let text = format!(
        "title = \"t\"\ninvented = true\nseed = {seed}\nstart = 1.79e9\nduration = 20.0\n[[channel]]\nname = \"can0\"\nbit_rate = 500000\n[[node]]\nname = \"door\"\nchannel = \"can0\"\nmessages = [ {{ id = \"3B0\", period = 0.05 }}, {{ id = \"3B2\", period = 0.1 }} ]\n[[node]]\nname = \"engine\"\nchannel = \"can0\"\ndrift_ppm = 90.0\nmessages = [ {{ id = \"0C8\", period = 0.02 }}, {{ id = \"0D2\", period = 0.02 }} ]\n{trouble}"
    );
    let mut out = Vec::new();
    lostnode::simulate::run(&lostnode::simulate::Scenario::parse(&text).unwrap(), &mut out)
        .unwrap();
    out
}

fn batch(folder: &Path, out: &Path, more: &[&str]) -> (i32, String) {
    let output =
        lostnode().arg("batch").arg(folder).arg("--out").arg(out).args(more).output().unwrap();
    (output.status.code().unwrap(), String::from_utf8(output.stdout).unwrap())
}

fn rows(out: &Path) -> Vec<Vec<String>> {
    let mut reader = csv::Reader::from_path(out.join("summary.csv")).unwrap();
    reader.records().map(|record| record.unwrap().iter().map(str::to_owned).collect()).collect()
}

#[test]
fn a_bad_file_costs_one_row() {
    let place = tempfile::tempdir().unwrap();
    let folder = place.path().join("captures");
    fs::create_dir_all(folder.join("deep/er")).unwrap();
    fs::write(folder.join("good.log"), capture(1, false)).unwrap();
    fs::write(folder.join("deep/er/lost, \"often\".log"), capture(2, true)).unwrap();
    fs::write(folder.join("empty.log"), b"").unwrap();
    fs::write(folder.join("binary.bin"), [0_u8, 1, 2, 3, 255].repeat(999)).unwrap();
    let mut packed = flate2::write::GzEncoder::new(Vec::new(), flate2::Compression::fast());
    packed.write_all(&capture(3, false)).unwrap();
    let packed = packed.finish().unwrap();
    fs::write(folder.join("cut.log.gz"), &packed[..packed.len() / 2]).unwrap();
    std::os::unix::fs::symlink(&folder, folder.join("deep/loop")).unwrap();
    std::os::unix::fs::symlink(folder.join("nowhere"), folder.join("dangling.log")).unwrap();
    // Inside the folder, where a second run must not take the results for captures.
    let out = folder.join("results");
    let (code, text) = batch(&folder, &out, &[]);
    assert_eq!(code, 2);
    assert!(
        text.starts_with("6 captures: 1 with losses, 2 without, 0 that cannot tell, 3 not read"),
        "{text}"
    );
    let found: Vec<(String, String)> =
        rows(&out).into_iter().map(|row| (row[0].clone(), row[1].clone())).collect();
    let row = |path: &str, verdict: &str| (path.to_owned(), verdict.to_owned());
    assert_eq!(
        found,
        [
            row("binary.bin", "not read"),
            row("cut.log.gz", "nothing lost"),
            row("dangling.log", "not read"),
            row("deep/er/lost, \"often\".log", "lost"),
            row("empty.log", "not read"),
            row("good.log", "nothing lost"),
        ]
    );
    assert!(rows(&out)[1][2].contains("what came before was used"));
    assert!(
        fs::read_dir(&out).unwrap().all(|entry| !entry
            .unwrap()
            .file_name()
            .to_string_lossy()
            .ends_with(".unfinished"))
    );
    let (_, again) = batch(&folder, &out, &["--resume"]);
    assert_eq!(again, text);
    // Other settings, other bytes: read anew.
    fs::write(folder.join("good.log"), capture(4, true)).unwrap();
    assert!(
        batch(&folder, &out, &["--resume"]).1.starts_with("6 captures: 2 with losses, 1 without")
    );
    assert!(
        batch(&folder, &out, &["--resume", "--shortest-outage", "9"])
            .1
            .starts_with("6 captures: 0 with losses")
    );
}

/// What lies beside captures and is plainly none fails no run; `--resume` says what it left out.
#[test]
fn what_lies_beside_captures_is_no_failure() {
    let place = tempfile::tempdir().unwrap();
    let (folder, out) = (place.path().join("captures"), place.path().join("out"));
    fs::create_dir(&folder).unwrap();
    fs::write(folder.join("good.log"), capture(1, false)).unwrap();
    for name in ["van-door.toml", "van-roster.toml", "van-job.toml", "van-door.truth.json"] {
        fs::copy(own("samples").join(name), folder.join(name)).unwrap();
    }
    fs::write(folder.join("photo.png"), b"\x89PNG\r\n\x1A\n\0\0").unwrap();
    let run = |more: &[&str]| {
        let mut command = lostnode();
        let output = command.arg("batch").arg(&folder).arg("--out").arg(&out).args(more).output();
        let output = output.unwrap();
        let text = |bytes: Vec<u8>| String::from_utf8(bytes).unwrap();
        (output.status.code(), text(output.stdout), text(output.stderr))
    };
    let (code, text, error) = run(&[]);
    assert_eq!(code, Some(0), "{text}{error}");
    assert!(text.starts_with("1 captures: 0 with losses, 1 without"), "{text}");
    assert!(text.contains("5 beside them, no captures: photo.png, van-door.toml"), "{text}");
    let beside: Vec<Vec<String>> =
        rows(&out).into_iter().filter(|row| row[1] == "no capture").collect();
    assert_eq!(beside.len(), 5);
    assert!(beside[4][0] == "van-roster.toml" && beside[4][2].contains("a roster"), "{beside:?}");
    assert_eq!(error, "");
    fs::write(folder.join("other.log"), capture(2, true)).unwrap();
    let (code, _, error) = run(&["--resume"]);
    assert_eq!(code, Some(1));
    assert!(error.contains("6 of 7 were there already and not read again; 1 were read"), "{error}");
    // An archive may hold captures: it is no capture that was read.
    fs::write(folder.join("more.zip"), b"PK\x03\x04\x14\0").unwrap();
    assert_eq!(run(&["--resume"]).0, Some(2));
}

/// Files of `../shared/data`, not all of them captures. Named one by one, so that nothing breaks
/// where something is added there.
const SHARED: [&str; 12] = [
    "SOURCE.md",
    "canfd-three-frames.log",
    "car-capture-pause.log.gz",
    "car-key-cycle.log.gz",
    "car-steady.log.gz",
    "console-no-time.txt.gz",
    "diagnostic-scan-all-modules.log.gz",
    "diagnostic-scan-two-modules.log.gz",
    "obd-answers.tsv",
    "truck-intermittent.log.gz",
    "truck-key-on.log.gz",
    "truck-steady.log.gz",
];

/// The files of `../shared/data`, 2,000 simulated ones, and among them cut, empty, binary and
/// unreadable files and one that grows: killed 20 times and resumed, two at a time for a while, the
/// table is that of an undisturbed run.
#[test]
fn killed_and_resumed() {
    let place = tempfile::tempdir().unwrap();
    let folder = place.path().join("captures");
    fs::create_dir_all(folder.join("deep/er")).unwrap();
    let captures: Vec<Vec<u8>> = (0..40).map(|seed| capture(seed, seed % 3 == 0)).collect();
    for at in 0..2000 {
        // Each a capture of its own: the tail of one of forty, as a log that began later.
        let whole = &captures[at % 40];
        let from = whole.iter().skip(at * 7 % 2000).position(|byte| *byte == b'\n').unwrap()
            + at * 7 % 2000
            + 1;
        let path =
            folder.join(if at % 5 == 0 { "deep/er" } else { "." }).join(format!("{at:04}.log"));
        match at % 100 {
            96 => fs::write(path, &whole[from..whole.len() / 2 + at]).unwrap(),
            97 => fs::write(path, b"").unwrap(),
            98 => fs::write(path, [0, 1, 2, at as u8].repeat(500)).unwrap(),
            99 if at % 200 == 99 => std::os::unix::fs::symlink("nowhere", path).unwrap(),
            99 => {
                assert!(std::process::Command::new("mkfifo").arg(path).status().unwrap().success())
            }
            _ => fs::write(path, &whole[from..]).unwrap(),
        }
    }
    for name in SHARED {
        if let Some(path) = common::shared(&format!("data/{name}")) {
            fs::copy(path, folder.join("deep").join(name)).unwrap();
        }
    }
    let (whole, broken) = (place.path().join("whole"), place.path().join("broken"));
    let start = || {
        lostnode()
            .args([
                "batch",
                folder.to_str().unwrap(),
                "--resume",
                "--jobs",
                "2",
                "--out",
                broken.to_str().unwrap(),
            ])
            .stdout(Stdio::null())
            .stderr(Stdio::null())
            .spawn()
            .unwrap()
    };
    let growing = folder.join("growing.log");
    // How far a run has come is told by the results that stand there, not by the clock.
    let results = || fs::read_dir(&broken).map_or(0, Iterator::count);
    for turn in 0..20 {
        let before = results();
        let (mut one, mut other) = (start(), (turn % 4 == 0).then(start));
        for step in 0..5 {
            let mut file = fs::OpenOptions::new().create(true).append(true).open(&growing).unwrap();
            let grown = (turn * 5 + step) * 97;
            file.write_all(&captures[1][grown..grown + 97]).unwrap();
            // The first turn is killed before it has done anything.
            let wanted = before + turn * 2 + step;
            while turn > 0 && results() < wanted && one.try_wait().unwrap().is_none() {
                std::thread::yield_now();
            }
        }
        let _ = one.kill();
        let _ = other.as_mut().map(std::process::Child::kill);
        one.wait().unwrap();
        other.map(|mut other| other.wait().unwrap());
    }
    batch(&folder, &broken, &["--resume"]);
    batch(&folder, &whole, &["--jobs", "2"]);
    let table = |out: &Path| fs::read_to_string(out.join("summary.csv")).unwrap();
    assert!(table(&broken) == table(&whole));
    assert!(fs::metadata(broken.join("summary.parquet")).unwrap().len() > 1000);
    let count = |verdict: &str| rows(&whole).iter().filter(|row| row[1] == verdict).count();
    assert!(
        count("not read") >= 60 && count("lost") >= 600 && rows(&whole).len() >= 2001,
        "{} {}",
        count("not read"),
        count("lost")
    );
    // Every report is whole.
    for entry in
        fs::read_dir(&broken).unwrap().map(Result::unwrap).filter(|entry| entry.path().is_dir())
    {
        if let Ok(text) = fs::read_to_string(entry.path().join("report.json")) {
            serde_json::from_str::<serde_json::Value>(&text).unwrap();
        }
    }
}

/// A full disk is told as what it is, by every command that writes, and leaves no half file behind.
#[test]
fn a_full_disk() {
    let place = tempfile::tempdir().unwrap();
    let (disk, sample, program) =
        (place.path().join("disk"), own("samples/van-door.log.gz"), env!("CARGO_BIN_EXE_lostnode"));
    fs::create_dir(&disk).unwrap();
    let (disk, sample) = (disk.display(), sample.display());
    let samples = own("samples");
    for command in [
        format!("{program} report {sample} --out {disk}/report > /dev/null"),
        format!("{program} batch {} --out {disk}/batch > /dev/null", samples.display()),
        format!("{program} frames {sample} --format parquet > {disk}/frames.parquet"),
        format!("{program} frames {sample} --format csv > {disk}/frames.csv"),
        format!("{program} frames {sample} > {disk}/frames.log"),
        format!("{program} simulate {}/van-door.toml --out {disk}/van.log", samples.display()),
    ] {
        let script = format!(
            "mount -t tmpfs -o size=16k none {disk} || exit 77\n{command}\necho \"code $?\"; find {disk} -name '.*unfinished'"
        );
        let run = |arguments: &[&str]| {
            std::process::Command::new("unshare")
                .args(arguments)
                .args(["sh", "-c", &script])
                .output()
        };
        let output = match run(&["--mount"]) {
            Ok(output) if output.status.success() => output,
            _ => match run(&["--map-root-user", "--mount"]) {
                Ok(output) if output.status.success() => output,
                _ => return println!("skipped: a small disk cannot be mounted here"),
            },
        };
        let (out, told) =
            (String::from_utf8_lossy(&output.stdout), String::from_utf8_lossy(&output.stderr));
        assert_eq!(out, "code 2\n", "{command}: {told}");
        assert!(told.contains("No space left on device"), "{command}: {told}");
    }
}

/// Results that cannot be written end the run with a message.
#[test]
fn a_place_that_cannot_be_written() {
    let place = tempfile::tempdir().unwrap();
    let out = place.path().join("file");
    fs::write(&out, b"").unwrap();
    let output =
        lostnode().arg("batch").arg(own("samples")).arg("--out").arg(&out).output().unwrap();
    assert_eq!(output.status.code(), Some(2));
    assert!(String::from_utf8_lossy(&output.stderr).contains("file: cannot be written"));
}

/// A folder of captures and one of results, and runs over them.
struct Fleet(tempfile::TempDir);

impl Fleet {
    fn new() -> Self {
        let place = tempfile::tempdir().unwrap();
        fs::create_dir(place.path().join("captures")).unwrap();
        Fleet(place)
    }

    fn write(&self, name: &str, bytes: &[u8]) {
        let path = self.0.path().join("captures").join(name);
        fs::create_dir_all(path.parent().unwrap()).unwrap();
        fs::write(path, bytes).unwrap();
    }

    fn out(&self) -> std::path::PathBuf {
        self.0.path().join("out")
    }

    /// Exit code, standard output and standard error.
    fn run(&self, more: &[&str]) -> (i32, String, String) {
        let mut command = lostnode();
        command.arg("batch").arg(self.0.path().join("captures")).arg("--out").arg(self.out());
        let output = command.args(more).output().unwrap();
        let text = |bytes: Vec<u8>| String::from_utf8(bytes).unwrap();
        (output.status.code().unwrap(), text(output.stdout), text(output.stderr))
    }

    fn json(&self, path: &str) -> serde_json::Value {
        serde_json::from_slice(&fs::read(self.out().join(path)).unwrap()).unwrap()
    }
}

/// The log text of some messages of 50 ms, for 20 s; `lost` is silent from 8 to 10 s.
fn log(messages: &[(&str, &str)], lost: Option<(&str, &str)>) -> Vec<u8> {
    let mut out = String::new();
    for step in 0..400 {
        for (at, message) in messages.iter().enumerate() {
            if lost != Some(*message) || !(160..200).contains(&step) {
                let time = 1.79e9 + f64::from(step) * 0.05 + at as f64 * 0.000_3;
                let (channel, id) = message;
                out += &format!("({time:.6}) {channel} {id}#00112233445566{:02X}\n", step % 16);
            }
        }
    }
    out.into_bytes()
}

/// A name that no folder has room for costs nothing; two names that are no text are two captures.
#[test]
fn names_that_are_too_long_or_no_text() {
    use std::os::unix::ffi::OsStrExt;
    let fleet = Fleet::new();
    let deep = format!("{}/{}/c.log", "a".repeat(150), "b".repeat(110));
    fleet.write(&deep, &capture(1, false));
    for byte in [0xFF, 0xFE] {
        let name = std::ffi::OsStr::from_bytes(&[b'x', byte, b'.', b'l']).to_owned();
        let seed = u64::from(byte);
        fs::write(fleet.0.path().join("captures").join(name), capture(seed, false)).unwrap();
    }
    let (code, text, error) = fleet.run(&[]);
    assert_eq!(code, 0, "{text}{error}");
    let paths: Vec<String> = rows(&fleet.out()).into_iter().map(|row| row[0].clone()).collect();
    assert_eq!(paths, [deep.as_str(), "x\\xFE.l", "x\\xFF.l"]);
    let folders = fs::read_dir(fleet.out()).unwrap().map(Result::unwrap);
    assert_eq!(folders.filter(|entry| entry.path().is_dir()).count(), 3);
}

/// Marks beside a capture are read with it, and are no capture.
#[test]
fn marks_are_read_with_their_capture() {
    let fleet = Fleet::new();
    fleet.write("drive.log", &capture(2, true));
    fleet.write("drive.log.marks", b"1790000007.9 pressing the harness\n");
    let (code, text, _) = fleet.run(&[]);
    assert_eq!(code, 1, "{text}");
    assert_eq!(rows(&fleet.out()).len(), 1);
    let report = fleet.json("drive.log/report.json");
    assert!(report.to_string().contains("pressing the harness"));
    // Other marks are another report; what is no mark costs a row of its own.
    fleet.write("drive.log.marks", b"1790000007.9 turning the key\n");
    assert!(fleet.run(&["--resume"]).2.contains("0 of 1 were there"));
    fleet.write("drive.log.marks", b"what was done\n");
    let (code, text, _) = fleet.run(&["--resume"]);
    assert_eq!(code, 2);
    assert!(text.contains("not read: drive.log.marks: the marks of drive.log: line 1"), "{text}");
}

/// What stands beside a row is of the same run: of a capture that can no longer be read the report
/// goes, and of one whose report has gone it is made again.
#[test]
fn a_report_goes_with_its_row() {
    let fleet = Fleet::new();
    fleet.write("a.log", &capture(2, true));
    assert_eq!(fleet.run(&[]).0, 1);
    assert_eq!(fleet.json("a.log/row.json")["verdict"], "lost");
    fs::remove_file(fleet.out().join("a.log/report.html")).unwrap();
    assert!(fleet.run(&["--resume"]).2.contains("0 of 1 were there"));
    assert!(fleet.out().join("a.log/report.html").exists());
    fleet.write("a.log", b"");
    assert_eq!(fleet.run(&[]).0, 2);
    assert_eq!(fleet.json("a.log/row.json")["verdict"], "not read");
    assert!(!fleet.out().join("a.log/report.html").exists());
    assert!(!fleet.out().join("a.log/report.json").exists());
    // And what this run did not make is named.
    fs::remove_file(fleet.0.path().join("captures/a.log")).unwrap();
    fleet.write("b.log", &capture(1, false));
    let (_, _, error) = fleet.run(&[]);
    assert!(error.contains("holds results that this run did not make: a.log"), "{error}");
}

/// What in a folder is no capture at all makes no failure, the tool's own tables among it; text in
/// which there may be traffic does.
#[test]
fn notes_and_own_tables_are_no_captures() {
    let fleet = Fleet::new();
    fleet.write("a.log", &capture(2, true));
    let first = fleet.run(&["--jobs", "1"]);
    assert_eq!(first.0, 1);
    for table in ["summary.csv", "summary.parquet"] {
        fleet.write(table, &fs::read(fleet.out().join(table)).unwrap());
    }
    for form in ["csv", "parquet"] {
        for command in ["outages", "codes", "messages"] {
            let mut run = lostnode();
            run.arg(command).arg(fleet.0.path().join("captures/a.log")).args(["--format", form]);
            fleet.write(&format!("{command}.{form}"), &run.output().unwrap().stdout);
        }
    }
    fleet.write("README.md", b"# Drives of May\n\nThree of them, 2 by night.\n");
    fleet.write("notes.txt", b"the door fell out at the bridge\n");
    fleet.write("SHA256SUMS", &[b"0a".repeat(32).as_slice(), b"  a.log\n"].concat());
    fleet.write("van.yaml", b"van:\n  - door: 0x3B0\n");
    fleet.write(".gitkeep", b"");
    fleet.write(".DS_Store", b"\0\0\0\x01Bud1\0\0\x10\0");
    let (code, text, error) = fleet.run(&[]);
    let not: Vec<Vec<String>> =
        rows(&fleet.out()).into_iter().filter(|row| row[1] == "no capture").collect();
    assert_eq!((code, not.len()), (1, 14), "{text}{error}");
    fleet.write("other.asc", b"   0.001000 1  123  Rx   d 8 00 11 22 33 44 55 66 77\n");
    assert_eq!(fleet.run(&[]).0, 2);
}

/// Nodes of one name on two channels are two; a loss of no node has a line; copies count once.
#[test]
fn each_loss_is_told_for_what_it_is() {
    let fleet = Fleet::new();
    let both = [("can0", "123"), ("can0", "124"), ("can0", "200"), ("can0", "201")];
    let others = [("can1", "123"), ("can1", "124"), ("can1", "300"), ("can1", "301")];
    let all: Vec<(&str, &str)> = both.into_iter().chain(others).collect();
    // Both identifiers of either bus fall silent, at other times.
    let mut text = String::new();
    for line in String::from_utf8(log(&all, None)).unwrap().lines() {
        let time: f64 = line[1..18].parse().unwrap();
        let time = time - 1.79e9;
        let door = line.contains(" 123#") || line.contains(" 124#");
        let away = if line.contains("can0") { 5.0..7.0 } else { 10.0..13.0 };
        if !(door && away.contains(&time)) {
            text += line;
            text.push('\n');
        }
    }
    fleet.write("two.log", text.as_bytes());
    fleet.write("again.log", text.as_bytes());
    let (code, told, _) = fleet.run(&[]);
    assert_eq!(code, 1, "{told}");
    let row = fleet.json("two.log/row.json");
    assert_eq!(row["lost"].as_array().unwrap().len(), 2, "{row}");
    assert_eq!(row["worst_node"], "node of 0x123 on can1");
    assert!((row["worst_lost_s"].as_f64().unwrap() - 3.0).abs() < 0.2, "{row}");
    let headline = row["headline"].as_str().unwrap();
    assert!(headline.contains(" on can0") && headline.contains(" on can1"), "{headline}");
    assert!(told.contains("the same bytes twice, counted once: two.log (as again.log)"), "{told}");
    let line = told.lines().find(|line| line.starts_with("node of 0x123 on can1")).unwrap();
    assert_eq!(line.split_whitespace().rev().take(2).collect::<Vec<_>>(), ["1", "1"], "{told}");
}

/// A capture that is cut off says so where it is told of.
#[test]
fn a_cut_capture_is_told() {
    let fleet = Fleet::new();
    let mut packed = flate2::write::GzEncoder::new(Vec::new(), flate2::Compression::fast());
    packed.write_all(&capture(3, false)).unwrap();
    let packed = packed.finish().unwrap();
    fleet.write("cut.log.gz", &packed[..packed.len() / 2]);
    let (code, text, _) = fleet.run(&[]);
    assert_eq!(code, 0, "{text}");
    assert!(text.contains("cut off, its end is not known: cut.log.gz"), "{text}");
    assert_eq!(fleet.json("cut.log.gz/row.json")["cut_short"], true);
    let mut brief = lostnode();
    brief.args(["report", "--brief"]).arg(fleet.0.path().join("captures/cut.log.gz"));
    let brief = String::from_utf8(brief.output().unwrap().stdout).unwrap();
    assert!(brief.contains("cut.log.gz is cut off"), "{brief}");
}

/// `--columns` and `--stamps` are for captures of a folder too.
#[test]
fn columns_of_a_table_are_named() {
    let fleet = Fleet::new();
    let text = String::from_utf8(capture(2, true)).unwrap();
    let mut table = "when;what;bytes\n".to_owned();
    for line in text.lines() {
        let (time, rest) = line[1..].split_once(')').unwrap();
        let (id, data) = rest.trim().split_once(' ').unwrap().1.split_once('#').unwrap();
        table += &format!("{time};{id};{data}\n");
    }
    fleet.write("a.csv", table.as_bytes());
    assert_eq!(fleet.run(&[]).0, 2);
    let (code, text, _) = fleet.run(&["--columns", "time=when,id=what,data=bytes"]);
    assert_eq!(code, 1, "{text}");
}

/// The verdict holds where nobody reads it to its end.
#[test]
fn a_closed_pipe_keeps_the_verdict() {
    for command in ["report", "outages"] {
        let mut run = lostnode();
        run.arg(command).arg(own("samples/van-door.log.gz")).stdout(Stdio::piped());
        let mut child = run.stderr(Stdio::null()).spawn().unwrap();
        drop(child.stdout.take());
        assert_eq!(child.wait().unwrap().code(), Some(1), "{command}");
    }
}

/// Vehicles are counted before their VINs are hidden, and no VIN stays in names.
#[test]
fn hidden_vehicles_are_counted() {
    const VIN: &str = "XXTESTXXA0N000017";
    let fleet = Fleet::new();
    let packed = fs::read(own("samples/van-door.log.gz")).unwrap();
    let mut text = String::new();
    std::io::Read::read_to_string(&mut flate2::read::GzDecoder::new(&packed[..]), &mut text)
        .unwrap();
    fleet.write(&format!("{VIN}/a.log.gz"), &packed);
    fleet.write(
        &format!("b-{}.log", VIN.to_lowercase()),
        text.split_once('\n').unwrap().1.as_bytes(),
    );
    let vehicles = |text: &str| {
        let line = text.lines().find(|line| line.starts_with("node of 0x3B0")).unwrap();
        line.split_whitespace().last().unwrap().to_owned()
    };
    let (_, plain, _) = fleet.run(&[]);
    assert_eq!(vehicles(&plain), "1", "{plain}");
    fs::remove_dir_all(fleet.out()).unwrap();
    let (_, hidden, _) = fleet.run(&["--hide-identity"]);
    assert_eq!(vehicles(&hidden), "1", "{hidden}");
    let paths: Vec<String> = rows(&fleet.out()).into_iter().map(|row| row[0].clone()).collect();
    assert_eq!(paths, ["b-hidden-1.log", "hidden-1/a.log.gz"]);
    let mut folders = vec![fleet.out()];
    while let Some(folder) = folders.pop() {
        for entry in fs::read_dir(folder).unwrap().map(Result::unwrap) {
            let path = entry.path();
            let named = path.strip_prefix(fleet.0.path()).unwrap().to_string_lossy().to_uppercase();
            assert!(!named.contains(VIN), "{named}");
            match path.is_dir() {
                true => folders.push(path),
                false => {
                    let bytes = fs::read(&path).unwrap();
                    let bytes = String::from_utf8_lossy(&bytes).to_uppercase();
                    assert!(!bytes.contains(VIN), "{}", path.display());
                }
            }
        }
    }
    assert_eq!(
        fleet.json("hidden-1--a.log.gz/report.json")["captures"][0]["path"],
        "hidden-1/a.log.gz"
    );
    // Of what an earlier run hid nobody knows whose it is.
    let (_, resumed, _) = fleet.run(&["--hide-identity", "--resume"]);
    assert_eq!(vehicles(&resumed), "?", "{resumed}");
}
