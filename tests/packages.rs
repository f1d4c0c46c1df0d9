//! What is packaged fits together: one version, one set of profiles, one choice of libraries.

mod common;

use std::collections::{BTreeMap, BTreeSet};
use std::fs;

use common::own;
use toml::{Table, Value};

fn table(path: &str) -> Table {
    fs::read_to_string(own(path)).unwrap().parse().unwrap()
}

/// The packages of a lock file that come from a registry, with all their versions.
fn locked(path: &str) -> BTreeMap<String, BTreeSet<String>> {
    let mut out: BTreeMap<String, BTreeSet<String>> = BTreeMap::new();
    for package in table(path)["package"].as_array().unwrap() {
        if package.get("source").is_some() {
            let text = |key: &str| package[key].as_str().unwrap().to_owned();
            out.entry(text("name")).or_default().insert(text("version"));
        }
    }
    out
}

/// Otherwise the wheel would be made of other code than the program, and built anew from the
/// ground.
#[test]
fn the_python_package_is_built_of_the_same() {
    let (root, python) = (table("Cargo.toml"), table("python/Cargo.toml"));
    assert_eq!(root["profile"]["release"], python["profile"]["release"]);
    let (ours, theirs) = (locked("Cargo.lock"), locked("python/Cargo.lock"));
    let mut both = 0;
    for (name, versions) in theirs {
        // What only pyo3 brings may be of another version beside ours.
        if let Some(known) = ours.get(&name) {
            assert!(
                versions.iter().any(|version| known.contains(version)),
                "{name}: {versions:?} in python/Cargo.lock, {known:?} in Cargo.lock"
            );
            both += 1;
        }
    }
    assert!(both > 100, "only {both} packages in both");
}

#[test]
fn all_say_one_version() {
    let version = |path: &str, keys: &[&str]| {
        let whole = Value::Table(table(path));
        let found = keys.iter().fold(&whole, |at, key| &at[*key]);
        found.as_str().unwrap().to_owned()
    };
    let root = version("Cargo.toml", &["workspace", "package", "version"]);
    assert_eq!(version("Cargo.toml", &["dependencies", "lostnode-parsers", "version"]), root);
    assert_eq!(version("python/Cargo.toml", &["package", "version"]), root);
    assert_eq!(version("python/pyproject.toml", &["project", "version"]), root);
}

/// What `cargo publish` asks for, and what a reader of the registry looks for.
#[test]
fn the_registry_is_told_what_it_asks() {
    for path in ["Cargo.toml", "parsers/Cargo.toml"] {
        let package = &table(path)["package"];
        for key in ["description", "readme", "documentation"] {
            assert!(package[key].as_str().is_some_and(|text| text.len() > 5), "{path}: {key}");
        }
        for key in ["keywords", "categories"] {
            let count = package[key].as_array().unwrap().len();
            assert!((1..=5).contains(&count), "{path}: {count} {key}");
        }
        let folder = own(path).parent().unwrap().to_owned();
        for file in ["README.md", "LICENSE-MIT"] {
            assert!(folder.join(file).is_file(), "{path}: {file}");
        }
    }
}

/// Each command has a page of its own, which packages install.
#[test]
fn each_command_has_a_page() {
    let place = tempfile::tempdir().unwrap();
    let pages = place.path().join("man1");
    let done = common::lostnode().args(["manual", "--out"]).arg(&pages).output().unwrap();
    assert!(done.status.success() && done.stdout.is_empty());
    let help = common::lostnode().arg("--help").output().unwrap().stdout;
    let help = String::from_utf8(help).unwrap();
    let commands = help.split("Commands:").nth(1).unwrap().lines().skip(1);
    let commands = commands.take_while(|line| !line.trim().is_empty());
    let names = commands.filter(|line| !line.starts_with("   "));
    let mut count = 0;
    for name in names.filter_map(|line| line.split_whitespace().next()) {
        if name != "help" {
            let page = fs::read_to_string(pages.join(format!("lostnode-{name}.1"))).unwrap();
            assert!(page.contains("lostnode") && page.contains(".SH SYNOPSIS"), "{name}");
            count += 1;
        }
    }
    assert!(count >= 15 && pages.join("lostnode.1").is_file(), "{count} pages");
}
