//! What fuzzing found, replayed: `fuzz/seeds/TARGET`, the archive `fuzz/corpus/TARGET.tar.gz`
//! (minimised, unpacked in memory), and `fuzz/found/TARGET`, the smallest input of each fault that
//! was mended.

mod common;
#[path = "../fuzz/targets.rs"]
mod targets;

use std::fs;
use std::io::Read as _;

/// The inputs of an archive that `fuzz/run` packed.
fn packed(target: &str) -> Vec<Vec<u8>> {
    let path = common::own("fuzz/corpus").join(format!("{target}.tar.gz"));
    let file = fs::File::open(&path).unwrap_or_else(|error| panic!("{}: {error}", path.display()));
    let mut archive = tar::Archive::new(flate2::read::GzDecoder::new(file));
    let (mut inputs, mut before) = (Vec::new(), Vec::new());
    for entry in archive.entries().unwrap() {
        let mut entry = entry.unwrap();
        if !entry.header().entry_type().is_file() {
            continue;
        }
        // The same inputs make the same archive, or each run would change the repository.
        let name = entry.path_bytes().into_owned();
        let told = format!("{}: pack it with fuzz/run", String::from_utf8_lossy(&name));
        assert!(before < name && entry.header().mtime().unwrap() == 0, "{told}");
        before = name;
        let mut input = Vec::new();
        entry.read_to_end(&mut input).unwrap();
        inputs.push(input);
    }
    inputs
}

/// The inputs that lie as single files in a folder, if there is one.
fn single(folder: &str, target: &str) -> Vec<Vec<u8>> {
    let Ok(entries) = fs::read_dir(common::own(folder).join(target)) else { return Vec::new() };
    entries.map(|entry| fs::read(entry.unwrap().path()).unwrap()).collect()
}

fn replay(target: &str, fewest: usize, run: fn(&[u8])) {
    let inputs =
        [single("fuzz/seeds", target), packed(target), single("fuzz/found", target)].concat();
    inputs.iter().for_each(|input| run(input));
    println!("{target}: {} inputs", inputs.len());
    assert!(inputs.len() >= fewest, "{target}: only {} inputs", inputs.len());
}

#[test]
fn parsers() {
    replay("parsers", 740, targets::parsers);
}

#[test]
fn wiring() {
    replay("wiring", 3000, targets::wiring);
}

#[test]
fn report() {
    replay("report", 600, targets::report);
}
