//! What fuzzing found, replayed: `fuzz/seeds/TARGET`, `fuzz/corpus/TARGET`, minimised, and
//! `fuzz/found/TARGET`, the smallest input of each fault that was mended.

mod common;
#[path = "../fuzz/targets.rs"]
mod targets;

use std::fs;

fn replay(target: &str, fewest: usize, run: fn(&[u8])) {
    let mut count = 0;
    for folder in ["fuzz/seeds", "fuzz/corpus", "fuzz/found"] {
        let Ok(entries) = fs::read_dir(common::own(folder).join(target)) else { continue };
        for entry in entries.map(Result::unwrap) {
            run(&fs::read(entry.path()).unwrap());
            count += 1;
        }
    }
    assert!(count >= fewest, "{target}: only {count} inputs");
}

#[test]
fn parsers() {
    replay("parsers", 740, targets::parsers);
}

#[test]
fn report() {
    replay("report", 600, targets::report);
}
