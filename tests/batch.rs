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
