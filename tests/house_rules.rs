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
const ORDER: [&str; 24] = [
    "table",
    "interface",
    "settings",
    "ids",
    "capture",
    "fold",
    "wiring_file",
    "roster_file",
    "silence",
    "network",
    "outage",
    "analysis",
    "precursor",
    "fault",
    "wiring",
    "front",
    "compare",
    "learn",
    "live",
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

/// The names that follow `crate::`: one, or those in braces.
fn used(part: &str) -> Vec<&str> {
    let word =
        |text: &str| text.find(|c: char| !c.is_alphanumeric() && c != '_').unwrap_or(text.len());
    let Some(inside) = part.strip_prefix('{') else { return vec![&part[..word(part)]] };
    let mut depth = 0;
    let mut out = Vec::new();
    let mut begins = true;
    for (at, letter) in inside.char_indices() {
        match letter {
            '}' if depth == 0 => break,
            '{' => depth += 1,
            '}' => depth -= 1,
            ',' if depth == 0 => begins = true,
            _ if begins && letter.is_alphanumeric() => {
                out.push(&inside[at..at + word(&inside[at..])]);
                begins = false;
            }
            _ => (),
        }
    }
    out
}

#[test]
fn names_in_braces_are_seen() {
    assert_eq!(used("render::text"), ["render"]);
    assert_eq!(
        used("{analysis::{Analysis, words}, fold, Options};"),
        ["analysis", "fold", "Options"]
    );
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
        for used in code(&path).split("crate::").skip(1).flat_map(used) {
            // What is nowhere in the order and begins with a capital is the front door's.
            let used = match used.starts_with(char::is_uppercase)
                || used.starts_with("analyse_")
                || used == "analyse"
            {
                true => "front",
                false => used,
            };
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

/// Rooms in which answers are worked out. What they find is typed; words come after them.
const CORE: [&str; 14] = [
    "fold",
    "wiring_file",
    "roster_file",
    "silence",
    "network",
    "outage",
    "analysis",
    "precursor",
    "fault",
    "wiring",
    "front",
    "compare",
    "learn",
    "live",
];

/// The files of the core as text that messages can name, with their code.
fn core() -> impl Iterator<Item = (String, String)> {
    let files = rust_files("src").into_iter().filter(|path| CORE.contains(&module(path).as_str()));
    files.map(|path| (path.to_string_lossy().replace('\\', "/"), code(&path)))
}

/// Whether a file is one of those that a rule leaves out, each with its reason.
fn is_exempt(path: &str, exempt: &[(&str, &str)]) -> bool {
    exempt.iter().any(|(own, reason)| path.ends_with(own) && !reason.is_empty())
}

/// A verdict, a kind or a cause is an enum until a renderer writes it: a typing error in a string
/// compiles.
#[test]
fn no_answer_of_the_core_is_a_string() {
    let names = ["verdict", "kind", "scope", "class", "change", "state", "cause"];
    let types = ["&'static str", "String", "Option<String>", "Option<&'static str>", "Vec<String>"];
    for (path, code) in core() {
        for line in code.lines() {
            let line = line.trim().trim_start_matches("pub ");
            let line = line.trim_start_matches("pub(super) ").trim_start_matches("pub(crate) ");
            let Some((name, rest)) = line.split_once(": ") else { continue };
            let of_type = types.contains(&rest.trim_end_matches(','));
            assert!(!names.contains(&name) || !of_type, "{path}: {line}");
        }
    }
}

/// Where the core writes English all the same, and why.
const ENGLISH: [(&str, &str); 2] = [
    (
        "src/roster_file/write.rs",
        "it writes roster files, with notes for the person who edits them",
    ),
    (
        "src/wiring_file/write.rs",
        "it writes wiring files, with notes for the person who edits them",
    ),
];

/// Three words or more in a row are a sentence, and sentences are made in `words/` and in what
/// comes after it. Errors say what is wrong in their `Display`, and what stands in `expect` is
/// for programmers.
#[test]
fn the_core_knows_no_english() {
    for (path, code) in core().filter(|(path, _)| !is_exempt(path, &ENGLISH)) {
        for literal in literals(&without_display(&code)) {
            assert!(words(&literal) < 3, "{path}: \"{literal}\"");
        }
    }
    assert_eq!(words("address 0x{address:02X}"), 1);
    assert_eq!(words("its {count} other identifiers were silent"), 5);
}

/// The code without the bodies of `impl fmt::Display`.
fn without_display(code: &str) -> String {
    let mut out = String::new();
    let mut inside = false;
    for line in code.lines() {
        inside |= line.starts_with("impl fmt::Display for ");
        if !inside {
            out += line;
            out.push('\n');
        }
        inside &= line != "}";
    }
    out
}

/// What stands between double quotes, but for reasons of attributes and texts for programmers.
fn literals(code: &str) -> Vec<String> {
    let mut out = Vec::new();
    let mut rest = code.replace("'\"'", "' '");
    while let Some(begin) = rest.find('"') {
        let text = &rest[begin + 1..];
        let mut escaped = false;
        let end = text
            .char_indices()
            .find(|(_, c)| {
                let ends = *c == '"' && !escaped;
                escaped = *c == '\\' && !escaped;
                ends
            })
            .map_or(text.len(), |(at, _)| at);
        let before = &rest[..begin];
        let aside = ["expect(", "unreachable!(", "include_str!(", "reason = "];
        if !aside.iter().any(|word| before.ends_with(word)) {
            out.push(text[..end].to_owned());
        }
        rest = text.get(end + 1..).unwrap_or_default().to_owned();
    }
    out
}

/// Words of a text: letters alone, at least two, outside of braces.
fn words(text: &str) -> usize {
    let mut depth = 0;
    let outside: String = text
        .replace("\\n", " ")
        .chars()
        .map(|c| {
            depth += i32::from(c == '{') - i32::from(c == '}');
            if depth > 0 || c == '}' { ' ' } else { c }
        })
        .collect();
    let parts = outside.split(|c: char| !c.is_alphanumeric() && c != '_');
    parts.filter(|part| part.len() > 1 && part.chars().all(char::is_alphabetic)).count()
}

/// Where a name is what there is to go by, and why.
const NAMES: [(&str, &str); 14] = [
    ("src/front/second.rs", "captures have nothing in common but the names of their channels"),
    ("src/wiring/readings.rs", "a mechanic names elements in a job file"),
    ("src/wiring/names.rs", "people name nodes in a wiring file"),
    ("src/wiring_file/kbl/net.rs", "of a drawing the name alone says where the tester plugs in"),
    ("src/fault/readings.rs", "a mechanic names nodes and channels in a job file"),
    ("src/analysis/blame.rs", "a trouble code names a module in words and nothing else"),
    ("src/fold/diagnostics/meaning.rs", "a trouble code names a module in words and nothing else"),
    ("src/analysis/names.rs", "a roster may have learned a name that was made of an identifier"),
    ("src/roster_file/mod.rs", "a roster may have learned a name that was made of an identifier"),
    ("src/learn/unplugged/mod.rs", "a person gives names, and no two nodes may have the same"),
    ("src/roster_file/channels.rs", "where what is sent tells nothing, the name of a channel does"),
    ("src/compare/captures.rs", "captures have nothing in common but the names of their channels"),
    ("src/compare/mod.rs", "captures have nothing in common but the names of their channels"),
    ("src/compare/subject.rs", "captures have nothing in common but the names of their channels"),
];

/// A node is its index, a module its address. What is shown is for reading: two nodes may be called
/// alike, and one node otherwise tomorrow.
#[test]
fn no_name_that_is_shown_is_a_key() {
    for (path, code) in core().filter(|(path, _)| !is_exempt(path, &NAMES)) {
        for line in code.lines() {
            assert!(!compares_a_name(line), "{path}: {}", line.trim());
        }
    }
    assert!(compares_a_name("nodes.iter().find(|own| own.name == node.name)"));
    assert!(compares_a_name("let place = \"engine\" == &nodes[*at].name;"));
    assert!(compares_a_name("if self.name.starts_with(\"address \") {"));
    assert!(!compares_a_name("name: node.name.clone(),"));
}

fn compares_a_name(line: &str) -> bool {
    let part = |c: char| c.is_alphanumeric() || "_.[]()*&".contains(c);
    let is_name = |operand: &str| {
        let operand = operand.trim_matches(|c| "()*&".contains(c));
        operand.ends_with(".name") || operand.contains("_name(")
    };
    let compared = ["==", "!="].iter().flat_map(|sign| line.match_indices(*sign)).any(|(at, _)| {
        let left = line[..at].trim_end();
        let left = &left[left.trim_end_matches(part).len()..];
        let right = line[at + 2..].trim_start();
        let right = &right[..right.len() - right.trim_start_matches(part).len()];
        is_name(left) || is_name(right)
    });
    let methods = ["starts_with", "ends_with", "strip_prefix", "strip_suffix", "contains", "split"];
    let taken_apart = |method: &&str| {
        ["name", "_name()"].iter().any(|own| line.contains(&format!("{own}.{method}(")))
    };
    compared || methods.iter().any(taken_apart)
}

/// What a later pass over the silences says stands, so docs/outages.md has them in their order.
#[test]
fn the_page_of_outages_has_the_passes_in_their_order() {
    let code = std::fs::read_to_string("src/outage/lawful/passes.rs").unwrap();
    let name = |line: &str| {
        let (name, _) = line.trim().strip_prefix("(\"")?.split_once("\", ")?;
        Some(name.to_owned())
    };
    let run: Vec<String> = code.lines().filter_map(name).collect();
    let page = std::fs::read_to_string("docs/outages.md").unwrap();
    let (_, section) = page.split_once("\n### Passes\n").unwrap();
    let rows = section.lines().skip_while(|line| !line.starts_with("|---")).skip(1);
    let first =
        rows.take_while(|line| line.starts_with('|')).filter_map(|row| row.split('|').nth(1));
    let told: Vec<&str> = first.map(str::trim).filter(|name| !name.is_empty()).collect();
    assert!(run.len() > 15, "{run:?}");
    assert_eq!(told, run);
}

/// Code and comments fit beside each other on a screen. In tests only comments have to: what they
/// compare is often a line of output as it is.
#[test]
fn lines_have_at_most_100_columns() {
    // One row for each value that can be asked for, as in the standard.
    let tables = [("parsers/src/obd_pids.rs", "a table, one value a row")];
    let folders = ["src", "parsers/src", "examples", "benches", "fuzz", "tests", "parsers/tests"];
    for path in folders.into_iter().flat_map(rust_files) {
        let name = path.to_string_lossy().replace('\\', "/");
        if is_exempt(&name, &tables) {
            continue;
        }
        let of_tests = name.contains("/tests/");
        for (at, line) in fs::read_to_string(&path).unwrap().lines().enumerate() {
            if of_tests && !line.trim_start().starts_with("//") {
                continue;
            }
            let columns = line.chars().count();
            assert!(columns <= 100, "{name}:{}: {columns} columns", at + 1);
        }
    }
}

/// The crates that docs/dependencies.md names, each with its reason: rows of two cells, the first
/// with names between backticks.
fn reasons(page: &str) -> Vec<String> {
    let rows = page.lines().filter(|line| line.starts_with("| `"));
    rows.flat_map(|row| {
        let cells: Vec<&str> = row.split('|').map(str::trim).collect();
        let [_, names, reason, _] = cells[..] else { panic!("not two cells: {row}") };
        assert!(!reason.is_empty(), "no reason: {row}");
        let names = names.split(" (feature").next().unwrap_or(names);
        names.split('`').skip(1).step_by(2).map(str::to_owned).collect::<Vec<_>>()
    })
    .collect()
}

/// Every crate that a manifest of ours names has its row, and every row is of such a crate.
#[test]
fn every_dependency_has_its_reason() {
    let root = Path::new(env!("CARGO_MANIFEST_DIR"));
    let reasons = reasons(&fs::read_to_string(root.join("docs/dependencies.md")).unwrap());
    let mut named = std::collections::BTreeSet::new();
    for folder in ["", "parsers/", "python/", "fuzz/", "tests/world/", "tests/no-std/", CORTEX_M] {
        let text = fs::read_to_string(root.join(format!("{folder}Cargo.toml"))).unwrap();
        let manifest: toml::Table = text.parse().unwrap();
        let targets = manifest.get("target").and_then(|targets| targets.as_table());
        let targets = targets.into_iter().flat_map(|targets| targets.values());
        for table in targets.filter_map(|target| target.as_table()).chain([&manifest]) {
            for section in ["dependencies", "dev-dependencies", "build-dependencies"] {
                let crates = table.get(section).and_then(|section| section.as_table());
                named.extend(crates.into_iter().flat_map(|crates| crates.keys().cloned()));
            }
        }
    }
    named.retain(|name| !name.starts_with("lostnode"));
    for name in &named {
        assert!(reasons.contains(name), "docs/dependencies.md gives no reason for {name}");
    }
    for name in &reasons {
        assert!(named.contains(name), "docs/dependencies.md names {name}, which nothing takes");
    }
}

const CORTEX_M: &str = "parsers/examples/cortex-m/";
