//! The progress display, as a terminal gets it.
#![cfg(target_os = "linux")]

#[path = "common/terminal.rs"]
mod terminal;

mod common;

use std::fmt::Write as _;
use std::fs::File;
use std::io::{Read, Write};
use std::os::fd::AsRawFd;
use std::path::{Path, PathBuf};
use std::process::Stdio;
use std::thread;

use common::lostnode;
use terminal::terminal;

/// A pipe with a name.
fn pipe(folder: &Path, name: &str) -> PathBuf {
    let path = folder.join(name);
    let name = std::ffi::CString::new(path.to_str().unwrap()).unwrap();
    // SAFETY: the name ends with a zero and lives through the call.
    assert_eq!(unsafe { libc::mkfifo(name.as_ptr(), 0o600) }, 0);
    path
}

/// Whether something of the terminal can be read, waiting a moment at most.
fn has_output(terminal: &File) -> bool {
    let events = libc::POLLIN;
    let mut asked = libc::pollfd { fd: terminal.as_raw_fd(), events, revents: 0 };
    // SAFETY: one descriptor that is open, in a place that lives through the call.
    unsafe { libc::poll(&mut asked, 1, MOMENT) > 0 }
}

/// Milliseconds between two parts of a capture, where the terminal shows nothing. What the test
/// finds does not depend on it.
const MOMENT: i32 = 20;
/// Parts after which a bar that has not come is given up.
const MOST: u32 = 5000;

/// Bytes that bars have shown as read.
fn amounts(shown: &str) -> Vec<f64> {
    let words: Vec<&str> = shown.split_whitespace().collect();
    let amount = |words: &[&str]| {
        let unit = match words[1] {
            "B" => 1.0,
            "KiB" => 1024.0,
            "MiB" => 1024.0 * 1024.0,
            _ => return None,
        };
        let digits = words[0].trim_start_matches(|c: char| !c.is_ascii_digit());
        (words[2].starts_with("read")).then(|| digits.parse::<f64>().ok().map(|own| own * unit))?
    };
    words.windows(3).filter_map(amount).collect()
}

/// Writes a capture into a pipe until the terminal shows that more than so many bytes of it were
/// read; how many were written.
fn write_until_shown(path: &Path, begin: f64, terminal: &mut File, more_than: f64) -> f64 {
    // Waits until the program has opened the other end.
    let mut out = File::options().write(true).open(path).unwrap();
    let (mut written, mut shown) = (0, String::new());
    for part in 0..MOST {
        let mut lines = String::new();
        for step in 0..50 {
            let time = begin + f64::from(part) * 0.5 + f64::from(step) * 0.01;
            writeln!(lines, "({time:.6}) can0 1A0#00").unwrap();
        }
        out.write_all(lines.as_bytes()).unwrap();
        written += lines.len();
        if has_output(terminal) {
            let mut buffer = [0; 4096];
            let length = terminal.read(&mut buffer).unwrap();
            shown.push_str(&String::from_utf8_lossy(&buffer[..length]));
        }
        if amounts(&shown).iter().any(|amount| *amount > more_than) {
            return written as f64;
        }
    }
    panic!("no bar of more than {more_than} bytes: {shown:?}");
}

/// `compare` reads one capture after the other; each has a bar. What is shown of the second is told
/// from what is left of the first by its number: more than the first had.
#[test]
fn the_second_capture_has_its_bar_too() {
    let folder = tempfile::tempdir().unwrap();
    let (before, after) = (pipe(folder.path(), "before.log"), pipe(folder.path(), "after.log"));
    let (mut ours, theirs) = terminal();
    let mut child = lostnode()
        .args(["compare", "--threads", "1"])
        .args([&before, &after])
        .env("TERM", "xterm")
        .stdout(Stdio::null())
        .stderr(Stdio::from(theirs))
        .spawn()
        .unwrap();
    let first = write_until_shown(&before, 1_700_000_000.0, &mut ours, 0.0);
    // Shown amounts are rounded.
    write_until_shown(&after, 1_700_001_000.0, &mut ours, first * 1.1);
    // What it still writes is taken, so that it can end.
    let rest = thread::spawn(move || while ours.read(&mut [0; 4096]).is_ok_and(|read| read > 0) {});
    child.wait().unwrap();
    rest.join().unwrap();
}
