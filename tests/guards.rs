//! What a user can get wrong is said, and nothing is overwritten unasked.

mod common;

use std::path::{Path, PathBuf};

use common::{lostnode, own};
use tempfile::TempDir;

/// Runs the binary; exit code, standard output and standard error.
fn run(arguments: &[&str], paths: &[&Path]) -> (i32, String, String) {
    let output = lostnode().args(arguments).args(paths).output().unwrap();
    let text = |bytes| String::from_utf8(bytes).unwrap();
    (output.status.code().unwrap(), text(output.stdout), text(output.stderr))
}

/// The text on one line, so that it can be searched.
fn joined(text: &str) -> String {
    text.split_whitespace().collect::<Vec<_>>().join(" ")
}

/// The frames of a sample as log text, changed.
fn changed(folder: &TempDir, name: &str, change: impl Fn(String) -> String) -> PathBuf {
    let (_, text, _) = run(&["frames"], &[&own("samples/van-after.log.gz")]);
    let path = folder.path().join(name);
    std::fs::write(&path, change(text)).unwrap();
    path
}

/// Captures of another vehicle, in the wrong order, or of another bus.
#[test]
fn compare_says_where_captures_do_not_belong_together() {
    let (before, after) = (own("samples/van-door.log.gz"), own("samples/van-after.log.gz"));
    let (_, text, _) = run(&["compare"], &[&before, &after]);
    assert!(!text.contains("WARNING"), "{text}");
    let (_, text, _) = run(&["compare"], &[&after, &before]);
    assert!(joined(&text).contains("older than the capture from before the repair"), "{text}");
    let folder = tempfile::tempdir().unwrap();
    // The digits of the VIN's end, as they stand in consecutive frames: 0042 for 0099.
    let vin = changed(&folder, "vin.log", |text| text.replace("30303432", "30303939"));
    let (_, text, _) = run(&["compare"], &[&before, &vin]);
    assert!(joined(&text).contains("another vehicle: its VIN is"), "{text}");
    let other = changed(&folder, "other.log", |text| {
        let frames = text.lines().map(|line| match line.split_once("can0 ") {
            Some((stamp, frame)) => format!("{stamp}can0 1{}\n", &frame[1..]),
            None => format!("{line}\n"),
        });
        frames.collect()
    });
    let (_, text, _) = run(&["compare"], &[&before, &other]);
    let text = joined(&text);
    assert!(text.contains("identifiers are in both captures"), "{text}");
    // It is said before the rows.
    assert!(text.find("WARNING").unwrap() < text.find("watched before").unwrap(), "{text}");
}

/// How much longer to drive is said with the care that it takes, and only then.
#[test]
fn a_drive_is_asked_for_with_care() {
    let before = own("samples/van-door.log.gz");
    let folder = tempfile::tempdir().unwrap();
    // Not long enough to be sure.
    let first = |text: String| text.lines().take(10_000).map(|line| format!("{line}\n")).collect();
    let (_, text, _) = run(&["compare"], &[&before, &changed(&folder, "short.log", first)]);
    let text = joined(&text);
    assert!(text.contains("of driving without a loss"), "{text}");
    assert!(text.contains("a second person watches the screen, within traffic law"), "{text}");
    let (_, text, _) = run(&["compare"], &[&before, &before]);
    assert!(!text.contains("a second person"), "{text}");
}
