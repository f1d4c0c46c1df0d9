//! Instructions for each frame of the whole report, counted by callgrind: the same on a busy
//! machine. `cargo bench --bench instructions` fails where they are more than a tenth above the
//! count on record, or where twice as much to explain takes more than four times as many. Needs
//! valgrind.

mod made;

use std::fs;
use std::path::Path;
use std::process::Command;

/// Counted on 2026-11-26 with rustc 1.95 on x86-64. Change it on purpose only.
const ON_RECORD: f64 = 493.0;

fn main() {
    if !std::env::args().any(|argument| argument == "--bench") {
        return;
    }
    let place = Path::new(env!("CARGO_TARGET_TMPDIR"));
    let count = |log: String| {
        let path = place.join("instructions.log");
        fs::write(&path, log).unwrap();
        let output = Command::new("valgrind")
            .args([
                "--tool=callgrind",
                "--callgrind-out-file=/dev/null",
                env!("CARGO_BIN_EXE_lostnode"),
                "report",
            ])
            .arg(&path)
            .args(["--threads", "1", "--format", "json"])
            .output()
            .expect("valgrind is installed");
        let told = String::from_utf8_lossy(&output.stderr).into_owned();
        let total = told
            .lines()
            .find_map(|line| line.split("Collected :").nth(1))
            .expect("callgrind tells a count");
        total.trim().parse::<f64>().unwrap()
    };
    // The difference of two lengths leaves out the start and the answer.
    let each = (count(made::log(600_000)) - count(made::log(300_000))) / 300_000.0;
    println!("{each:.0} instructions for each frame; {ON_RECORD:.0} on record");
    assert!(each < ON_RECORD * 1.1, "a tenth more than on record");
    let flickering = [30, 60, 120].map(|senders| (senders, count(made::flickering(senders))));
    for pair in flickering.windows(2) {
        let ((few, less), (many, more)) = (pair[0], pair[1]);
        println!("{many} flickering senders: {:.2} times the instructions of {few}", more / less);
        assert!(more < 4.0 * less, "grows by more than the square");
    }
}
