//! What happened just before the losses, through the built binary.

mod common;

use std::fs;
use std::path::{Path, PathBuf};

use common::{lostnode, own, piped, report};
use lostnode::simulate::{self, Scenario};
use serde_json::Value;

const VAN: &str = "samples/van-door.log.gz";

/// A vehicle whose second node is lost, most often shortly after a switch was pressed; a third one
/// says so half a second later. `switched` is whether the switch has to do with it.
fn vehicle(seed: u64, start: u64, switched: bool) -> String {
    // As often, at other times.
    let lost = match switched {
        true => {
            "[[trigger]]\nsignal = \"switch\"\nkind = \"stub_open\"\nnode = \"b\"\nprobability = \
             1.0\ndelay = [0.2, 0.4]\nlasts = [0.8, 2.0]\n"
        }
        false => {
            "[[trouble]]\nkind = \"stub_open\"\nnode = \"b\"\nat = [31.0, 52.5, 88.1, 117.9, \
             171.3]\nlasts = [1.5]\n"
        }
    };
    format!(
        "title = \"t\"\ninvented = true\nseed = {seed}\nstart = {start}.0\nduration = \
         200.0\n[[channel]]\nname = \"can0\"\nbit_rate = 500000\n[[signal]]\nname = \
         \"switch\"\nkind = \"switch\"\nat = [20.0, 45.0, 70.0, 105.0, 130.0, 160.0]\nlasts = \
         [0.5, 1.0]\n[[consequence]]\nname = \"missed\"\nnode = \"b\"\nafter = 0.5\n{lost}\
         [[node]]\nname = \"a\"\nchannel = \"can0\"\nmessages = [\n{{ id = \"100\", period = 0.05, \
         signals = [{{ signal = \"switch\", byte = 2, bit = 5 }}] }},\n{{ id = \"110\", period = \
         0.1 }},\n]\n[[node]]\nname = \"b\"\nchannel = \"can0\"\ndrift_ppm = 60.0\nmessages = \
         [\n{{ id = \"200\", period = 0.05, counter = {{ byte = 0, width = 4 }} }},\n{{ id = \
         \"210\", period = 0.1 }},\n]\n[[node]]\nname = \"c\"\nchannel = \"can0\"\ndrift_ppm = \
         -60.0\nmessages = [\n{{ id = \"300\", period = 0.1, signals = [{{ signal = \"missed\", \
         byte = 3, bit = 1 }}] }},\n{{ id = \"310\", period = 0.2 }},\n]\n"
    )
}

fn written(folder: &Path, name: &str, scenario: &str) -> PathBuf {
    let path = folder.join(name);
    let scenario = Scenario::parse(scenario).unwrap_or_else(|error| panic!("{error}"));
    let mut log = Vec::new();
    simulate::run(&scenario, &mut log).unwrap();
    fs::write(&path, log).unwrap();
    path
}

fn leads<'v>(document: &'v Value, kind: &str) -> Vec<&'v Value> {
    let all = document["precursors"].as_array().unwrap();
    all.iter().filter(|lead| lead["kind"] == kind).collect()
}

/// Identifier, byte and bit.
fn place(lead: &Value) -> (String, u64, Option<u64>) {
    let id = lead["id"].as_str().unwrap().to_owned();
    (id, lead["byte"].as_u64().unwrap(), lead["bit"].as_u64())
}

fn text(output: &std::process::Output) -> String {
    String::from_utf8_lossy(&output.stdout).split_whitespace().collect::<Vec<_>>().join(" ")
}

#[test]
fn a_switch_is_the_lead_and_the_bit_that_misses_it_a_consequence() {
    let folder = tempfile::tempdir().unwrap();
    let path = written(folder.path(), "a.log", &vehicle(1, 1_790_000_000, true));
    let (_, document) = report(&path, &[]);
    let before = leads(&document, "precursor");
    assert_eq!(place(before[0]), ("0x100".into(), 2, Some(5)), "{before:?}");
    assert_eq!(before.len(), 1, "{before:?}");
    assert_eq!(before[0]["losses_with"], before[0]["losses"]);
    assert_eq!(before[0]["elsewhere"], 0);
    assert!(before[0]["p"].as_f64().unwrap() <= 0.01, "{before:?}");
    let after = leads(&document, "consequence");
    assert_eq!(place(after[0]), ("0x300".into(), 3, Some(1)), "{after:?}");
    let apart = after[0]["apart_s"][1].as_f64().unwrap();
    assert!((0.45..0.75).contains(&apart), "{apart}");
}

#[test]
fn nothing_is_found_where_nothing_goes_before_and_that_is_said() {
    let folder = tempfile::tempdir().unwrap();
    let path = written(folder.path(), "a.log", &vehicle(2, 1_790_000_000, false));
    let (_, document) = report(&path, &[]);
    assert!(leads(&document, "precursor").is_empty(), "{document}");
    let told = text(&lostnode().arg("report").arg(&path).output().unwrap());
    assert!(told.contains("nothing on the bus regularly precedes the 5 losses of"), "{told}");
}

#[test]
fn the_second_look_can_be_left_out() {
    let with = text(&lostnode().arg("report").arg(own(VAN)).output().unwrap());
    assert!(with.contains("Just before - 0x3AC byte 1 bit 3"), "{with}");
    let without =
        text(&lostnode().args(["report", "--no-precursors"]).arg(own(VAN)).output().unwrap());
    assert!(!without.contains("Just before"), "{without}");
    let (_, document) = report(&own(VAN), &["--no-precursors"]);
    assert_eq!(document["precursors"].as_array().unwrap().len(), 0);
}

#[test]
fn a_pipe_is_read_twice_only_where_it_is_kept() {
    let input = fs::read(own(VAN)).unwrap();
    let told = text(&piped(&["report", "-"], &input));
    assert!(told.contains("the input cannot be read twice"), "{told}");
    // The temporary file is gone afterwards.
    let folder = tempfile::tempdir().unwrap();
    let file = fs::File::open(own(VAN)).unwrap();
    let kept = lostnode()
        .args(["report", "-", "--spool", "--format", "json"])
        .env("TMPDIR", folder.path())
        .stdin(file)
        .output()
        .unwrap();
    let document: Value = serde_json::from_slice(&kept.stdout).unwrap();
    let (_, of_file) = report(&own(VAN), &[]);
    assert!(!leads(&document, "precursor").is_empty());
    assert_eq!(document["precursors"], of_file["precursors"]);
    assert_eq!(fs::read_dir(folder.path()).unwrap().count(), 0);
}

#[test]
fn a_capture_that_was_held_back_confirms_or_does_not() {
    let folder = tempfile::tempdir().unwrap();
    let one = written(folder.path(), "a.log", &vehicle(3, 1_790_000_000, true));
    let same = written(folder.path(), "b.log", &vehicle(4, 1_790_100_000, true));
    let other = written(folder.path(), "c.log", &vehicle(5, 1_790_200_000, false));
    for (held, holds) in [(&same, true), (&other, false)] {
        let (_, document) = report(&one, &["--confirm", held.to_str().unwrap()]);
        let before = leads(&document, "precursor");
        assert_eq!(before[0]["confirmed"]["holds"], holds, "{before:?}");
        let word = if holds { "; confirmed by " } else { "; not confirmed by " };
        assert!(before[0]["sentence"].as_str().unwrap().contains(word), "{before:?}");
    }
}

#[test]
fn what_takes_its_time_has_to_take_it_in_the_capture_held_back_too() {
    let folder = tempfile::tempdir().unwrap();
    // A longer press, so that its end is not nearer to the loss than its beginning.
    let late = |seed, start, delay: &str| {
        vehicle(seed, start, true)
            .replace("delay = [0.2, 0.4]", &format!("delay = {delay}"))
            .replace("lasts = [0.5, 1.0]", "lasts = [4.0, 5.0]")
    };
    let one = written(folder.path(), "a.log", &late(3, 1_790_000_000, "[1.0, 1.2]"));
    let same = written(folder.path(), "b.log", &late(4, 1_790_100_000, "[1.0, 1.2]"));
    let sooner = written(folder.path(), "c.log", &late(5, 1_790_200_000, "[0.1, 0.2]"));
    for (held, holds, with) in [(&same, true, 6), (&sooner, false, 0)] {
        let (_, document) = report(&one, &["--confirm", held.to_str().unwrap()]);
        let before = leads(&document, "precursor");
        assert_eq!(place(before[0]), ("0x100".into(), 2, Some(5)), "{before:?}");
        assert_eq!(before[0]["confirmed"]["holds"], holds, "{before:?}");
        assert_eq!(before[0]["confirmed"]["losses_with"], with, "{before:?}");
        let sentence = before[0]["sentence"].as_str().unwrap();
        assert!(
            sentence.contains("; no coincidence (less than 1 in 10,000 by chance)"),
            "{sentence}"
        );
    }
}

#[test]
fn captures_of_one_vehicle_are_taken_together() {
    let folder = tempfile::tempdir().unwrap();
    let one = written(folder.path(), "a.log", &vehicle(6, 1_790_000_000, true));
    let two = written(folder.path(), "b.log", &vehicle(7, 1_790_100_000, true));
    let (_, alone) = report(&one, &[]);
    let (_, both) = report(&one, &[two.to_str().unwrap()]);
    let (alone, both) = (leads(&alone, "precursor"), leads(&both, "precursor"));
    assert_eq!(place(both[0]), place(alone[0]));
    assert_eq!(both[0]["losses"].as_u64(), alone[0]["losses"].as_u64().map(|own| 2 * own));
    assert!(both[0]["p"].as_f64() < alone[0]["p"].as_f64(), "{both:?}");
}

#[test]
fn each_of_several_drives_shows_the_lead_in_its_picture() {
    let folder = tempfile::tempdir().unwrap();
    let one = written(folder.path(), "a.log", &vehicle(6, 1_790_000_000, true));
    let two = written(folder.path(), "b.log", &vehicle(7, 1_790_100_000, true));
    let out = folder.path().join("out");
    let run = lostnode().arg("report").args([&one, &two]).arg("--out").arg(&out).output().unwrap();
    assert_eq!(run.status.code(), Some(1), "{}", String::from_utf8_lossy(&run.stderr));
    let page = fs::read_to_string(out.join("report.html")).unwrap();
    assert_eq!(page.matches("<span>before it: 0x100:2.5 rises</span>").count(), 2);
}

#[test]
fn the_number_of_threads_changes_nothing() {
    let folder = tempfile::tempdir().unwrap();
    let path = written(folder.path(), "a.log", &vehicle(6, 1_790_000_000, true));
    let (_, one) = report(&path, &["--threads", "1"]);
    let (_, four) = report(&path, &["--threads", "4"]);
    assert!(!leads(&one, "precursor").is_empty());
    assert_eq!(one, four);
}

#[test]
fn a_batch_looks_again_only_where_it_is_asked_to() {
    let folder = tempfile::tempdir().unwrap();
    let captures = folder.path().join("captures");
    fs::create_dir(&captures).unwrap();
    written(&captures, "a.log", &vehicle(8, 1_790_000_000, true));
    let rows = |out: &str, arguments: &[&str]| {
        let out = folder.path().join(out);
        let run = lostnode()
            .arg("batch")
            .arg(&captures)
            .arg("--out")
            .arg(&out)
            .args(arguments)
            .output()
            .unwrap();
        assert_ne!(run.status.code(), Some(2), "{}", String::from_utf8_lossy(&run.stderr));
        let mut all = String::new();
        for entry in walk(&out) {
            all += &String::from_utf8_lossy(&fs::read(entry).unwrap());
        }
        all
    };
    let sign = "as of something switched or moved";
    assert!(!rows("without", &[]).contains(sign));
    assert!(rows("with", &["--precursors"]).contains(sign));
}

fn walk(folder: &Path) -> Vec<PathBuf> {
    let mut out = Vec::new();
    for entry in fs::read_dir(folder).unwrap() {
        let path = entry.unwrap().path();
        match path.is_dir() {
            true => out.extend(walk(&path)),
            false => out.push(path),
        }
    }
    out
}
