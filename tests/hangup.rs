//! A terminal that goes away (a window that is closed, a line that breaks), and one that has to be
//! given back as it was.
#![cfg(target_os = "linux")]

mod common;
#[path = "common/terminal.rs"]
mod terminal;

use std::fs::File;
use std::io::{Read, Write};
use std::os::fd::AsRawFd;
use std::os::unix::process::CommandExt;
use std::process::{Child, ExitStatus};
use std::time::{Duration, Instant};

use common::{lostnode, own};
use terminal::terminal;

/// Watches the van on a terminal of its own, of which our end comes back.
fn watch_the_van(arguments: &[&str]) -> (Child, File) {
    let (ours, theirs) = terminal();
    let mut command = lostnode();
    command.arg("watch").arg("--replay").arg(own("samples/van-door.log.gz"));
    command.arg("--roster").arg(own("samples/van-roster.toml")).args(arguments);
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
    // The command holds the other end of the terminal too, and goes with this function.
    (command.spawn().unwrap(), ours)
}

fn ended(child: &mut Child) -> Option<ExitStatus> {
    let begin = Instant::now();
    while begin.elapsed() < Duration::from_secs(60) {
        if let Some(status) = child.try_wait().unwrap() {
            return Some(status);
        }
        std::thread::sleep(Duration::from_millis(20));
    }
    child.kill().ok();
    None
}

/// Nobody is left to end it: it ends by itself, with its report.
#[test]
fn watch_ends_where_its_terminal_has_gone() {
    let folder = tempfile::tempdir().unwrap();
    let out = folder.path().join("report");
    let (mut child, mut ours) = watch_the_van(&["--out", out.to_str().unwrap()]);
    let mut shown = [0; 64];
    assert!(ours.read(&mut shown).unwrap() > 0, "the screen shows something");
    drop(ours);
    assert!(ended(&mut child).is_some(), "still there a minute after its terminal");
    assert!(out.join("report.html").exists());
}

/// The line modes of a terminal.
fn modes(terminal: &File) -> [libc::tcflag_t; 4] {
    // SAFETY: all zeros are a valid value, and the descriptor is open.
    let modes = unsafe {
        let mut modes: libc::termios = std::mem::zeroed();
        assert_eq!(libc::tcgetattr(terminal.as_raw_fd(), &mut modes), 0);
        modes
    };
    [modes.c_iflag, modes.c_oflag, modes.c_cflag, modes.c_lflag]
}

/// Reads until the terminal was shown a text; what was shown.
fn shown_until(terminal: &mut File, text: &str) -> String {
    let mut shown = Vec::new();
    let mut buffer = [0; 4096];
    while !String::from_utf8_lossy(&shown).contains(text) {
        let length = terminal.read(&mut buffer).unwrap_or(0);
        assert!(length > 0, "never shown: {text:?}");
        shown.extend_from_slice(&buffer[..length]);
    }
    String::from_utf8_lossy(&shown).into_owned()
}

/// To the second screen and back (xterm control sequences, DECSET 1049), and the cursor shown.
const ENTERED: &str = "\u{1b}[?1049h";
const LEFT: &str = "\u{1b}[?1049l";
const CURSOR_SHOWN: &str = "\u{1b}[?25h";

/// However it is told to end, the terminal is as it was, and the report stands on it.
#[test]
fn the_terminal_is_given_back_after_keys_and_signals() {
    type Ending = fn(&Child, &mut File);
    let endings: [(&str, Ending); 5] = [
        ("q", |_, ours| ours.write_all(b"q").unwrap()),
        ("Ctrl-C", |_, ours| ours.write_all(b"\x03").unwrap()),
        ("SIGINT", |child, _| signal(child, libc::SIGINT)),
        ("SIGTERM", |child, _| signal(child, libc::SIGTERM)),
        ("SIGHUP", |child, _| signal(child, libc::SIGHUP)),
    ];
    for (name, end) in endings {
        let (mut child, mut ours) = watch_the_van(&[]);
        let before = modes(&terminal().1);
        shown_until(&mut ours, ENTERED);
        assert_ne!(modes(&ours), before, "{name}: keys come one by one meanwhile");
        end(&child, &mut ours);
        // Reading on lets it write to its end, where the terminal has nobody left.
        let mut rest = Vec::new();
        let _ = ours.read_to_end(&mut rest);
        let rest = String::from_utf8_lossy(&rest);
        assert!(ended(&mut child).is_some(), "{name}: did not end");
        assert_eq!(modes(&ours), before, "{name}");
        let (_, report) = rest.rsplit_once(LEFT).expect(name);
        assert!(rest.rfind(CURSOR_SHOWN) > rest.rfind("\u{1b}[?25l"), "{name}: {rest}");
        assert!(report.contains("frames"), "{name}: {report}");
    }
}

fn signal(child: &Child, signal: i32) {
    // SAFETY: it has not been waited for, so the number is still its own.
    assert_eq!(unsafe { libc::kill(child.id().cast_signed(), signal) }, 0);
}
