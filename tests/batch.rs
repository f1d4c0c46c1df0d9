//! Folders of captures: one row each, whatever they are; runs that are killed and resumed come to the same.

mod common;

use std::fs;
use std::io::Write as _;
use std::path::Path;
use std::process::Stdio;
use std::time::Duration;

use common::{lostnode, own};

/// A short capture in which `node` is lost, or nothing.
fn capture(seed: u64, lost: bool) -> Vec<u8> {
    let trouble = if lost { "[[trouble]]\nkind = \"power_loss\"\nnode = \"door\"\nat = [8.0]\nlasts = [2.0]\n" } else { "" };
    let text = format!(
        "title = \"t\"\ninvented = true\nseed = {seed}\nstart = 1.79e9\nduration = 20.0\n[[channel]]\nname = \"can0\"\nbit_rate = 500000\n[[node]]\nname = \"door\"\nchannel = \"can0\"\nmessages = [ {{ id = \"3B0\", period = 0.05 }}, {{ id = \"3B2\", period = 0.1 }} ]\n[[node]]\nname = \"engine\"\nchannel = \"can0\"\ndrift_ppm = 90.0\nmessages = [ {{ id = \"0C8\", period = 0.02 }}, {{ id = \"0D2\", period = 0.02 }} ]\n{trouble}"
    );
    let mut out = Vec::new();
    lostnode::simulate::run(&lostnode::simulate::Scenario::parse(&text).unwrap(), &mut out).unwrap();
    out
}

fn batch(folder: &Path, out: &Path, more: &[&str]) -> (i32, String) {
    let output = lostnode().arg("batch").arg(folder).arg("--out").arg(out).args(more).output().unwrap();
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
    assert!(text.starts_with("6 captures: 1 with losses, 2 without, 3 not read"), "{text}");
    let found: Vec<(String, String)> = rows(&out).into_iter().map(|row| (row[0].clone(), row[1].clone())).collect();
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
    assert!(fs::read_dir(&out).unwrap().all(|entry| !entry.unwrap().file_name().to_string_lossy().ends_with(".unfinished")));
    let (_, again) = batch(&folder, &out, &["--resume"]);
    assert_eq!(again, text);
    // Other settings, other bytes: read anew.
    fs::write(folder.join("good.log"), capture(4, true)).unwrap();
    assert!(batch(&folder, &out, &["--resume"]).1.starts_with("6 captures: 2 with losses, 1 without"));
    assert!(batch(&folder, &out, &["--resume", "--shortest-outage", "9"]).1.starts_with("6 captures: 0 with losses"));
}

/// Killed again and again and resumed, two at a time for a while: the same table as an undisturbed run.
#[test]
fn killed_and_resumed() {
    let place = tempfile::tempdir().unwrap();
    let folder = place.path().join("captures");
    fs::create_dir_all(&folder).unwrap();
    for seed in 0..60 {
        fs::write(folder.join(format!("{seed:03}.log")), capture(seed, seed % 3 == 0)).unwrap();
    }
    let (whole, broken) = (place.path().join("whole"), place.path().join("broken"));
    batch(&folder, &whole, &["--jobs", "2"]);
    let start = || {
        lostnode()
            .args(["batch", folder.to_str().unwrap(), "--resume", "--jobs", "2", "--out", broken.to_str().unwrap()])
            .stdout(Stdio::null())
            .stderr(Stdio::null())
            .spawn()
            .unwrap()
    };
    for turn in 0..20 {
        let (mut one, mut other) = (start(), (turn % 4 == 0).then(start));
        std::thread::sleep(Duration::from_millis(3 + turn * 7 % 40));
        let _ = one.kill();
        let _ = other.as_mut().map(std::process::Child::kill);
        one.wait().unwrap();
        other.map(|mut other| other.wait().unwrap());
    }
    batch(&folder, &broken, &["--resume"]);
    let table = |out: &Path| fs::read_to_string(out.join("summary.csv")).unwrap();
    assert_eq!(table(&broken), table(&whole));
    assert_eq!(rows(&whole).iter().filter(|row| row[1] == "lost").count(), 20);
    // Every report is whole.
    for entry in fs::read_dir(&broken).unwrap().map(Result::unwrap).filter(|entry| entry.path().is_dir()) {
        let text = fs::read_to_string(entry.path().join("report.json")).unwrap();
        serde_json::from_str::<serde_json::Value>(&text).unwrap();
    }
}

/// Results that cannot be written end the run with a message.
#[test]
fn a_place_that_cannot_be_written() {
    let place = tempfile::tempdir().unwrap();
    let out = place.path().join("file");
    fs::write(&out, b"").unwrap();
    let output = lostnode().arg("batch").arg(own("samples")).arg("--out").arg(&out).output().unwrap();
    assert_eq!(output.status.code(), Some(2));
    assert!(String::from_utf8_lossy(&output.stderr).contains("file: cannot be written"));
}
