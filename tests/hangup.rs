//! A terminal that goes away: a window that is closed, a line that breaks.
#![cfg(target_os = "linux")]

mod common;
#[path = "common/terminal.rs"]
mod terminal;

use std::io::Read;
use std::os::fd::AsRawFd;
use std::os::unix::process::CommandExt;
use std::time::{Duration, Instant};

use common::{lostnode, own};
use terminal::terminal;

/// Nobody is left to end it: it ends by itself, with its report.
#[test]
fn watch_ends_where_its_terminal_has_gone() {
    let folder = tempfile::tempdir().unwrap();
    let (mut ours, theirs) = terminal();
    let mut command = lostnode();
    command.arg("watch").arg("--replay").arg(own("samples/van-door.log.gz"));
    command.arg("--roster").arg(own("samples/van-roster.toml"));
    command.arg("--out").arg(folder.path().join("report"));
    command.stdin(theirs.try_clone().unwrap()).stdout(theirs.try_clone().unwrap()).stderr(theirs);
    let other_end = ours.as_raw_fd();
    // SAFETY: these calls may be made between fork and exec, and touch the child alone, which would
    // hold our end too and so never see it go.
    unsafe {
        command.pre_exec(move || {
            match libc::close(other_end) < 0
                || libc::setsid() < 0
                || libc::ioctl(0, libc::TIOCSCTTY, 0) < 0
            {
                true => Err(std::io::Error::last_os_error()),
                false => Ok(()),
            }
        });
    }
    let mut child = command.spawn().unwrap();
    // It holds the other end of the terminal too, which would stay open with it.
    drop(command);
    let mut shown = [0; 64];
    assert!(ours.read(&mut shown).unwrap() > 0, "the screen shows something");
    drop(ours);
    let begin = Instant::now();
    let ended = loop {
        match child.try_wait().unwrap() {
            None if begin.elapsed() < Duration::from_secs(60) => std::thread::yield_now(),
            ended => break ended,
        }
    };
    child.kill().ok();
    assert!(ended.is_some(), "still there a minute after its terminal");
    assert!(folder.path().join("report/report.html").exists());
}
