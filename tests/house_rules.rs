//! The rules of docs/architecture.md, checked.

use std::fs;
use std::path::{Path, PathBuf};

fn rust_files(folder: &str) -> Vec<PathBuf> {
    let mut out = Vec::new();
    let mut folders = vec![Path::new(env!("CARGO_MANIFEST_DIR")).join(folder)];
    while let Some(folder) = folders.pop() {
        for entry in fs::read_dir(folder).unwrap() {
            let path = entry.unwrap().path();
            if path.is_dir() {
                folders.push(path);
            } else if path.extension().is_some_and(|extension| extension == "rs") {
                out.push(path);
            }
        }
    }
    out.sort();
    out
}

/// The modules of `src` from left to right; each may use those before it.
const ORDER: [&str; 20] = [
    "table",
    "interface",
    "settings",
    "ids",
    "capture",
    "fold",
    "roster_file",
    "silence",
    "network",
    "outage",
    "analysis",
    "fault",
    "front",
    "compare",
    "learn",
    "words",
    "render",
    "simulate",
    "cli",
    "main",
];

fn module(path: &Path) -> String {
    let inside = path.strip_prefix(Path::new(env!("CARGO_MANIFEST_DIR")).join("src")).unwrap();
    inside
        .components()
        .next()
        .unwrap()
        .as_os_str()
        .to_string_lossy()
        .trim_end_matches(".rs")
        .to_owned()
}

/// The code without its tests and comments.
fn code(path: &Path) -> String {
    let text = fs::read_to_string(path).unwrap();
    let text = text.split("#[cfg(test)]").next().unwrap().to_owned();
    text.lines().filter(|line| !line.trim_start().starts_with("//")).collect::<Vec<_>>().join("\n")
}

#[test]
fn no_module_reaches_back() {
    for path in rust_files("src") {
        let own = module(&path);
        if own == "lib" {
            continue;
        }
        let place = ORDER
            .iter()
            .position(|name| *name == own)
            .unwrap_or_else(|| panic!("{own} has no place in the order"));
        for part in code(&path).split("crate::").skip(1) {
            let used: String =
                part.chars().take_while(|c| c.is_alphanumeric() || *c == '_').collect();
            if let Some(other) = ORDER.iter().position(|name| *name == used) {
                assert!(other <= place, "{}: uses {used}, which comes after {own}", path.display());
            }
        }
    }
}

#[test]
fn files_are_short_enough_to_read_in_one_sitting() {
    for path in rust_files("src").into_iter().chain(rust_files("parsers/src")) {
        let lines = code(&path).lines().count();
        assert!(lines <= 400, "{} has {lines} lines of code", path.display());
    }
}

#[test]
fn only_capture_cli_and_render_touch_files_and_terminals() {
    for path in rust_files("src") {
        let own = module(&path);
        if ["capture", "cli", "render", "main"].contains(&own.as_str()) {
            continue;
        }
        let code = code(&path);
        for word in [
            "std::fs",
            "File::open",
            "File::create",
            "OpenOptions",
            "println!",
            "eprintln!",
            "std::net",
            "std::env",
            "stdout()",
            "SystemTime",
            "Instant::",
        ] {
            assert!(!code.contains(word), "{}: {word}", path.display());
        }
    }
}

#[test]
fn parsers_know_nothing_of_the_rest_and_need_no_allocator() {
    for path in rust_files("parsers/src") {
        let code = code(&path);
        for word in
            ["lostnode::", "std::", "alloc::", "unsafe ", ".unwrap()", ".expect(\"", "panic!"]
        {
            assert!(!code.contains(word), "{}: {word}", path.display());
        }
    }
}

/// From frames to an analysis there is one way, `lostnode::analyse`; only `benches/stages.rs` takes
/// it apart, to measure its parts.
#[test]
fn the_front_door_is_the_only_one() {
    let parts = ["build::report(", "fault::find(", "Summary::new(", "Summary::on("];
    for path in ["src", "tests", "examples", "fuzz"].into_iter().flat_map(rust_files) {
        let text = path.to_string_lossy();
        if ["src/front.rs", "src/fold/mod.rs", "tests/house_rules.rs"]
            .iter()
            .any(|own| text.ends_with(own))
        {
            continue;
        }
        let code = code(&path);
        for part in parts {
            assert!(!code.contains(part), "{text}: {part}");
        }
    }
}

/// The names of the JSON contract stand in one folder, and those of tables in one file, so that the
/// core may change without breaking readers.
#[test]
fn only_one_folder_knows_the_json_names() {
    for path in rust_files("src") {
        let path_text = path.to_string_lossy();
        if path_text.contains("render/json/") || path_text.ends_with("render/tables.rs") {
            continue;
        }
        let code = code(&path);
        for name in [
            "duration_s",
            "ongoing_at_end",
            "rejected_lines",
            "bits_per_second\"",
            "lostnode.report/1",
        ] {
            assert!(!code.contains(&format!("\"{name}")), "{}: {name}", path.display());
        }
    }
}

#[test]
fn every_dependency_has_its_reason() {
    let reasons =
        fs::read_to_string(Path::new(env!("CARGO_MANIFEST_DIR")).join("docs/dependencies.md"))
            .unwrap();
    for manifest in ["Cargo.toml", "parsers/Cargo.toml"] {
        let text =
            fs::read_to_string(Path::new(env!("CARGO_MANIFEST_DIR")).join(manifest)).unwrap();
        let manifest: toml::Table = text.parse().unwrap();
        let targets = manifest
            .get("target")
            .and_then(|targets| targets.as_table())
            .into_iter()
            .flat_map(|targets| targets.values());
        let targets = targets.filter_map(|target| target.as_table());
        for (table, section) in targets
            .chain([&manifest])
            .flat_map(|table| [(table, "dependencies"), (table, "dev-dependencies")])
        {
            for name in table
                .get(section)
                .and_then(|section| section.as_table())
                .into_iter()
                .flat_map(|table| table.keys())
            {
                let own = name.starts_with("lostnode");
                assert!(
                    own || reasons.contains(&format!("`{name}`")),
                    "docs/dependencies.md does not name {name}"
                );
            }
        }
    }
}
