//! The progress display, as a terminal gets it.
#![cfg(target_os = "linux")]

mod common;

use std::fs::File;
use std::io::{Read, Write};
use std::os::fd::FromRawFd;
use std::path::{Path, PathBuf};
use std::process::Stdio;
use std::sync::{Arc, Mutex};
use std::thread;
use std::time::Duration;

use common::lostnode;

/// The two ends of a terminal of 80 columns.
fn terminal() -> (File, File) {
    let (mut ours, mut theirs) = (0, 0);
    let size = libc::winsize { ws_row: 24, ws_col: 80, ws_xpixel: 0, ws_ypixel: 0 };
    // SAFETY: the pointers are to values that live through the call, and the descriptors that come
    // back belong to nobody else.
    unsafe {
        let (no_name, no_modes) = (std::ptr::null_mut(), std::ptr::null_mut::<libc::termios>());
        assert_eq!(libc::openpty(&mut ours, &mut theirs, no_name, no_modes, &size), 0);
        (File::from_raw_fd(ours), File::from_raw_fd(theirs))
    }
}

/// A pipe with a name.
fn pipe(folder: &Path, name: &str) -> PathBuf {
    let path = folder.join(name);
    let name = std::ffi::CString::new(path.to_str().unwrap()).unwrap();
    // SAFETY: the name ends with a zero and lives through the call.
    assert_eq!(unsafe { libc::mkfifo(name.as_ptr(), 0o600) }, 0);
    path
}

/// Writes a capture for longer than the display waits before it shows.
fn write_slowly(path: &Path, begin: f64) {
    let mut out = File::options().write(true).open(path).unwrap();
    for part in 0..16 {
        for step in 0..50 {
            let time = begin + f64::from(part) * 0.5 + f64::from(step) * 0.01;
            writeln!(out, "({time:.6}) can0 1A0#00").unwrap();
        }
        thread::sleep(Duration::from_millis(100));
    }
}

/// `compare` reads one capture after the other; each has a bar.
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
    let shown = Arc::new(Mutex::new(String::new()));
    let seen = Arc::clone(&shown);
    let reader = thread::spawn(move || {
        let mut buffer = [0; 4096];
        // The terminal is gone with the program, which is an error here.
        while let Ok(length @ 1..) = ours.read(&mut buffer) {
            seen.lock().unwrap().push_str(&String::from_utf8_lossy(&buffer[..length]));
        }
    });
    write_slowly(&before, 1_700_000_000.0);
    let writer = thread::spawn(move || write_slowly(&after, 1_700_001_000.0));
    // By now the first bar is gone, and the second one still waits.
    thread::sleep(Duration::from_millis(500));
    let until_then = shown.lock().unwrap().len();
    writer.join().unwrap();
    child.wait().unwrap();
    reader.join().unwrap();
    let shown = shown.lock().unwrap();
    let (first, second) = shown.split_at(until_then);
    assert!(first.contains(" read"), "no bar for the first capture: {first:?}");
    assert!(second.contains(" read"), "no bar for the second capture: {second:?}");
}
