//! `docs/schema` is what the program prints, and what the program writes keeps to it. The judge is
//! the crate `jsonschema` (JSON Schema 2020-12).

mod common;

use std::fs;
use std::path::PathBuf;
use std::process::Output;

use common::{lostnode, own};
use serde_json::Value;

const NAMES: [&str; 10] = [
    "report", "compare", "explain", "row", "frames", "outages", "codes", "messages", "watch",
    "truth",
];

fn file(name: &str) -> PathBuf {
    own("docs/schema").join(name).with_extension("json")
}

fn schema(name: &str) -> Value {
    let printed = lostnode().args(["schema", name]).output().unwrap();
    assert!(printed.status.success(), "{printed:?}");
    serde_json::from_slice(&printed.stdout).unwrap()
}

fn check(name: &str, document: &Value) {
    let judge = jsonschema::validator_for(&schema(name)).expect("a schema");
    let faults: Vec<String> = judge
        .iter_errors(document)
        .map(|fault| format!("{}: {fault}", fault.instance_path))
        .collect();
    assert!(faults.is_empty(), "{name}: {faults:#?}");
}

fn run(arguments: &[&str]) -> Output {
    let output = lostnode().current_dir(own("")).args(arguments).output().unwrap();
    assert!(
        !output.stdout.is_empty(),
        "{arguments:?}: {}",
        String::from_utf8_lossy(&output.stderr)
    );
    output
}

fn whole(name: &str, arguments: &[&str]) {
    check(name, &serde_json::from_slice(&run(arguments).stdout).unwrap());
}

fn lines(name: &str, arguments: &[&str]) {
    let output = run(arguments);
    let text = String::from_utf8(output.stdout).unwrap();
    for line in text.lines().take(400) {
        check_line(name, line);
    }
}

fn check_line(name: &str, line: &str) {
    check(name, &serde_json::from_str(line).unwrap());
}

#[test]
fn the_files_are_what_the_program_prints() {
    let write = std::env::var_os("SCHEMAS").is_some_and(|value| value == "write");
    for name in NAMES {
        let printed = lostnode().args(["schema", name]).output().unwrap().stdout;
        if write {
            fs::create_dir_all(own("docs/schema")).unwrap();
            fs::write(file(name), &printed).unwrap();
        }
        let kept = fs::read(file(name)).unwrap_or_default();
        assert!(
            kept == printed,
            "docs/schema/{name}.json is old: SCHEMAS=write cargo test --test schemas"
        );
    }
    let files = fs::read_dir(own("docs/schema")).unwrap().count();
    assert_eq!(files, NAMES.len(), "a file of docs/schema belongs to no output");
}

#[test]
fn reports_keep_to_the_schema() {
    let van = "samples/van-door.log.gz";
    let after = "samples/van-after.log.gz";
    let roster = ["--roster", "samples/van-roster.toml"];
    whole("report", &["report", van, "--format", "json"]);
    whole("report", &[&["report", van, "--format", "json"][..], &roster].concat());
    whole("report", &["report", van, after, "--format", "json"]);
    whole("compare", &["compare", van, after, "--format", "json"]);
    lines("row", &["report", van, "--format", "row"]);
}

#[test]
fn a_word_that_the_schema_does_not_know_is_a_fault() {
    let report = run(&["report", "samples/van-door.log.gz", "--format", "json"]);
    let mut report: Value = serde_json::from_slice(&report.stdout).unwrap();
    report["verdict"] = "lost_for_ever".into();
    report["outages"][0].as_object_mut().unwrap().remove("cause");
    let judge = jsonschema::validator_for(&schema("report")).unwrap();
    assert_eq!(judge.iter_errors(&report).count(), 2);
}

#[test]
fn tables_and_other_documents_keep_to_their_schemas() {
    let van = "samples/van-door.log.gz";
    whole("explain", &["explain", "U0199", "U0151-87", "SPN 639 FMI 9", "--format", "json"]);
    for name in ["frames", "outages", "codes", "messages"] {
        lines(name, &[name, van, "--format", "jsonl"]);
    }
    lines("watch", &["watch", "--replay", van, "--speed", "1000", "--format", "jsonl"]);
    for name in ["van-door", "van-after", "van-unplugged"] {
        let truth = fs::read(own("samples").join(name).with_extension("truth.json")).unwrap();
        check("truth", &serde_json::from_slice(&truth).unwrap());
    }
}
