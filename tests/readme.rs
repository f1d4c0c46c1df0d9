//! The README and the documentation as an outsider reads them: every command in them runs, every
//! command has help with an example that runs.

mod common;

use std::fs;
use std::path::{Path, PathBuf};
use std::process::Command;

use common::own;

/// Runs a command line of the documentation in `place`, with the built binary in the place of
/// `cargo run` and `lostnode`; its exit code.
fn run(line: &str, place: &Path) -> i32 {
    let line = line
        .strip_prefix("cargo run --release -- ")
        .map_or(line.to_owned(), |rest| format!("lostnode {rest}"));
    let program = Path::new(env!("CARGO_BIN_EXE_lostnode"));
    let path =
        format!("{}:{}", program.parent().unwrap().display(), std::env::var("PATH").unwrap());
    let output = Command::new("sh")
        .args(["-c", &line])
        .current_dir(place)
        .env("PATH", path)
        .output()
        .unwrap();
    let code = output.status.code().unwrap_or(-1);
    assert!(
        matches!(code, 0 | 1 | 3),
        "`{line}` ended with {code}: {}",
        String::from_utf8_lossy(&output.stderr)
    );
    code
}

/// A place with the samples in it, as a fresh clone has them.
fn clone() -> tempfile::TempDir {
    let place = tempfile::tempdir().unwrap();
    fs::create_dir(place.path().join("samples")).unwrap();
    for entry in fs::read_dir(own("samples")).unwrap().map(Result::unwrap) {
        fs::copy(entry.path(), place.path().join("samples").join(entry.file_name())).unwrap();
    }
    place
}

fn pages() -> Vec<PathBuf> {
    let mut pages = vec![own("README.md")];
    pages.extend(
        fs::read_dir(own("docs"))
            .unwrap()
            .map(|entry| entry.unwrap().path())
            .filter(|path| path.extension().is_some_and(|e| e == "md")),
    );
    pages.sort();
    pages
}

/// Lines in code blocks that run this program on what a clone has. Others need an interface,
/// another machine or the reader's own files; a page that shows such a command names files of its
/// own in it, never samples.
#[test]
fn every_command_of_the_pages_runs() {
    let place = clone();
    let mut count = 0;
    for page in pages() {
        let text = fs::read_to_string(&page).unwrap();
        let blocks = text.split("```").skip(1).step_by(2);
        for line in blocks.flat_map(str::lines).map(str::trim) {
            let ours = line.starts_with("lostnode ") || line.starts_with("cargo run --release -- ");
            if ours && line.contains("samples/") && !line.contains("--send") {
                run(line, place.path());
                count += 1;
            }
        }
    }
    assert!(count >= 5, "only {count} commands");
    // The main job left what the README says.
    assert!(
        place.path().join("van-report/report.html").exists()
            && place.path().join("van-report/presence.png").exists()
    );
}

#[test]
fn every_command_has_help_with_an_example_that_runs() {
    let place = clone();
    let help = |arguments: &[&str]| {
        let output = common::lostnode().args(arguments).arg("--help").output().unwrap();
        assert!(output.status.success());
        String::from_utf8(output.stdout).unwrap()
    };
    let readme = fs::read_to_string(own("README.md")).unwrap();
    let whole = help(&[]);
    let commands: Vec<&str> = whole
        .split("Commands:")
        .nth(1)
        .unwrap()
        .lines()
        .skip(1)
        .take_while(|line| !line.trim().is_empty())
        .filter(|line| line.starts_with("  ") && !line.starts_with("   "))
        .filter_map(|line| line.split_whitespace().next())
        .filter(|command| *command != "help")
        .collect();
    assert!(commands.len() >= 13, "{commands:?}");
    for command in commands {
        let text = help(&[command]);
        assert!(
            readme.contains(&format!("`lostnode {command}")),
            "README.md does not name {command}"
        );
        let example =
            text.split("Example:").nth(1).unwrap_or_else(|| panic!("{command} has no example"));
        let example = example.split_whitespace().collect::<Vec<_>>().join(" ");
        assert!(example.starts_with(&format!("lostnode {command}")), "{example}");
        if example.contains("samples/") || example.contains("samples ") {
            run(&example, place.path());
        }
    }
}

/// Links between pages lead somewhere.
#[test]
fn links_lead_somewhere() {
    for page in pages().into_iter().chain([own("DEVELOPERS.md")]) {
        let text = fs::read_to_string(&page).unwrap();
        for link in text.split("](").skip(1).filter_map(|rest| rest.split(')').next()) {
            let file = link.split('#').next().unwrap();
            if !file.is_empty() && !link.starts_with("http") {
                assert!(page.parent().unwrap().join(file).exists(), "{}: {link}", page.display());
            }
        }
    }
}

#[test]
fn manual_and_completions() {
    let output = |arguments: &[&str]| {
        String::from_utf8(common::lostnode().args(arguments).output().unwrap().stdout).unwrap()
    };
    let manual = output(&["manual"]);
    assert!(manual.starts_with(".ie") || manual.contains(".TH lostnode 1"), "{}", &manual[..200]);
    for word in
        ["COMMAND REPORT", "COMMAND RECORD", "allow\\-physical\\-bus", "Example: lostnode batch"]
    {
        assert!(manual.contains(word), "{word}");
    }
    for shell in ["bash", "zsh", "fish"] {
        assert!(output(&["completions", shell]).contains("resume"), "{shell}");
    }
}

/// What DEVELOPERS.md and the map say where to find is there: paths in backticks.
#[test]
fn paths_for_developers_exist() {
    let folders = ["src/", "parsers/", "tests/", "examples/", "fuzz/", "docs/", "benches/"];
    for (page, least) in [("DEVELOPERS.md", 20), ("docs/architecture.md", 20)] {
        let text = fs::read_to_string(own(page)).unwrap();
        let mut count = 0;
        for path in code_words(&text) {
            let path = path.split_whitespace().next().unwrap_or_default();
            let placeholder =
                path.contains("NAME") || path.contains("TARGET") || path == "fuzz/work";
            if folders.iter().any(|folder| path.starts_with(folder)) && !placeholder {
                assert!(own(path).exists(), "{page}: {path}");
                count += 1;
            }
        }
        assert!(count >= least, "{page}: only {count} paths");
    }
}

/// Each function that the walks of docs/architecture.md name is there, in a file of that paragraph.
#[test]
fn the_walks_name_functions_that_exist() {
    let text = fs::read_to_string(own("docs/architecture.md")).unwrap();
    let walks = text.split("## Three walks").nth(1).unwrap().split("\n## ").next().unwrap();
    let mut count = 0;
    for walk in walks.split("\n### ").skip(1) {
        let code: String = code_words(walk)
            .filter(|word| word.ends_with(".rs") && word.contains('/'))
            .map(|path| fs::read_to_string(own(path)).unwrap())
            .collect();
        for name in code_words(walk).filter(|word| !word.contains(['.', '/', '-'])) {
            let last = name.rsplit("::").next().unwrap();
            let last = last.split('(').next().unwrap();
            let own_word = |text: &str| {
                text.split(|c: char| !c.is_alphanumeric() && c != '_').any(|word| word == last)
            };
            if last.starts_with(char::is_lowercase) {
                // A function, or a field of the type that is named with it.
                let found =
                    code.contains(&format!("fn {last}(")) || code.contains(&format!("fn {last}<"));
                let field = name.contains("::") && code.contains(&format!("pub {last}: "));
                assert!(found || field, "{name}");
                count += 1;
            } else {
                assert!(own_word(&code), "{name}");
            }
        }
    }
    assert!(count >= 40, "only {count} functions");
}

/// What stands between backticks in a page.
fn code_words(page: &str) -> impl Iterator<Item = &str> {
    page.split('`').skip(1).step_by(2)
}
