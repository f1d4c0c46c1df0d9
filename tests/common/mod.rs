//! Helpers of the tests: the binary, its JSON, the shared captures.
#![allow(dead_code)] // each test file uses some of them

use std::path::{Path, PathBuf};
use std::process::{Command, Output, Stdio};

use serde_json::Value;

/// The built binary.
pub fn lostnode() -> Command {
    let mut command = Command::new(env!("CARGO_BIN_EXE_lostnode"));
    command.env_remove("NO_COLOR").env_remove("CLICOLOR_FORCE");
    command
}

/// A file of `../shared`, or a printed line that the test is skipped.
pub fn shared(path: &str) -> Option<PathBuf> {
    let path = Path::new(env!("CARGO_MANIFEST_DIR")).join("../shared").join(path);
    if path.exists() {
        return Some(path);
    }
    println!("skipped: {} is not there", path.display());
    None
}

/// Says that a test is skipped for want of a tool. Where that tool was installed, as
/// `LOSTNODE_MUST` says (`python`, `browser`; `.ci/run` sets it), the test fails: it would be green
/// unseen.
#[track_caller]
pub fn skip(tool: &str, why: &str) {
    let must = std::env::var("LOSTNODE_MUST").unwrap_or_default();
    assert!(!must.split(' ').any(|own| own == tool), "{tool} was installed, but: {why}");
    println!("skipped: {why}");
}

/// A Python that has these modules, the first of `$LOSTNODE_PYTHON`, `target/oracles/bin/python`
/// and `python3`; or a printed line that the test is skipped.
#[track_caller]
pub fn python(modules: &str) -> Option<String> {
    let named = std::env::var("LOSTNODE_PYTHON").ok();
    let beside = own("target/oracles/bin/python").to_str().map(str::to_owned);
    let candidates = [named, beside, Some("python3".to_owned())].into_iter().flatten();
    let import = format!("import {modules}");
    let has_them = |python: &String| {
        let output = Command::new(python).args(["-c", &import]).output();
        output.is_ok_and(|output| output.status.success())
    };
    let found = candidates.into_iter().find(has_them);
    if found.is_none() {
        let all = "pip install -r tests/oracles/requirements.txt";
        skip("python", &format!("no Python here has {modules} ({all})"));
    }
    found
}

/// How far a process has read a file, as the kernel says.
#[cfg(target_os = "linux")]
pub fn position(process: u32, path: &Path) -> Option<u64> {
    for entry in std::fs::read_dir(format!("/proc/{process}/fd")).ok()?.flatten() {
        if std::fs::read_link(entry.path()).is_ok_and(|target| target == path) {
            let number = entry.file_name().into_string().unwrap();
            let info = std::fs::read_to_string(format!("/proc/{process}/fdinfo/{number}")).ok()?;
            return info.lines().find_map(|line| line.strip_prefix("pos:")?.trim().parse().ok());
        }
    }
    None
}

/// A file of this repository.
pub fn own(path: &str) -> PathBuf {
    Path::new(env!("CARGO_MANIFEST_DIR")).join(path)
}

/// Runs `report --format json` with further arguments; exit code and document.
#[track_caller]
pub fn report(capture: &Path, arguments: &[&str]) -> (i32, Value) {
    let output = lostnode()
        .arg("report")
        .arg(capture)
        .args(["--format", "json"])
        .args(arguments)
        .output()
        .unwrap();
    let code = output.status.code().unwrap();
    assert_ne!(code, 2, "{}", String::from_utf8_lossy(&output.stderr));
    (code, serde_json::from_slice(&output.stdout).unwrap())
}

/// Report of a log text, in a file of its own.
#[track_caller]
pub fn report_text(text: &str) -> (i32, Value) {
    let folder = tempfile::tempdir().unwrap();
    let path = folder.path().join("capture.log");
    std::fs::write(&path, text).unwrap();
    report(&path, &[])
}

/// Runs the binary with `input` on standard input.
pub fn piped(arguments: &[&str], input: &[u8]) -> Output {
    use std::io::Write;
    let mut child = lostnode()
        .args(arguments)
        .stdin(Stdio::piped())
        .stdout(Stdio::piped())
        .stderr(Stdio::piped())
        .spawn()
        .unwrap();
    let mut stdin = child.stdin.take().unwrap();
    let input = input.to_vec();
    let writer = std::thread::spawn(move || {
        let _ = stdin.write_all(&input);
    });
    let output = child.wait_with_output().unwrap();
    writer.join().unwrap();
    output
}

/// A captured log text, given as lines without their channel: `time ID#DATA`.
pub fn log(lines: &[(f64, &str)]) -> String {
    lines.iter().map(|(time, frame)| format!("({time:.6}) can0 {frame}\n")).collect()
}

/// Runs a scenario and reports on its capture.
#[track_caller]
pub fn simulated(scenario: &str, arguments: &[&str]) -> (i32, Value, lostnode::simulate::Truth) {
    let folder = tempfile::tempdir().unwrap();
    let path = folder.path().join("capture.log");
    let scenario = lostnode::simulate::Scenario::parse(scenario).unwrap();
    let mut out = Vec::new();
    let truth = lostnode::simulate::run(&scenario, &mut out).unwrap();
    std::fs::write(&path, out).unwrap();
    let (code, document) = report(&path, arguments);
    (code, document, truth)
}

/// Outages of a report as `(scope, who, start from the first frame, length)`.
pub fn outages(document: &Value) -> Vec<(String, String, f64, f64)> {
    let begin = document["captures"][0]["start"].as_f64().unwrap();
    let list = |value: &Value| {
        value.as_array().unwrap().iter().map(|v| v.as_str().unwrap()).collect::<Vec<_>>().join("+")
    };
    let outages = document["outages"].as_array().unwrap().iter();
    outages
        .map(|outage| {
            let who = if outage["scope"] == "identifier" {
                list(&outage["ids"])
            } else {
                list(&outage["nodes"])
            };
            let scope = outage["scope"].as_str().unwrap().to_owned();
            (
                scope,
                who,
                outage["start"].as_f64().unwrap() - begin,
                outage["duration_s"].as_f64().unwrap(),
            )
        })
        .collect()
}

/// Frames of both widths and all lengths as lines `time id data`, for programs that write captures
/// from them.
pub fn plain_lines(count: u32) -> Vec<String> {
    (0..count)
        .map(|at| {
            let id = at.wrapping_mul(2_654_435_761);
            let id = if at % 2 == 0 {
                format!("{:03X}", id & 0x7FF)
            } else {
                format!("{:08X}", id & 0x1FFF_FFFF)
            };
            let data: String =
                (0..at % 9).map(|byte| format!("{:02X}", (byte * 37 + at) as u8)).collect();
            format!("{}.{:06} {id} {data}", 1_700_000_000 + at / 10, at % 10 * 100_000)
        })
        .collect()
}
