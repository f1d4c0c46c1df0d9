//! The first screen of the text report: docs/first-screen.md shows it for the sample, for real
//! captures and for ten simulated faults, and is what the program prints today.
//!
//! `FIRST_SCREENS=write cargo test --test first_screen` writes the page anew.

mod common;

use std::fs;
use std::path::Path;

use common::{lostnode, own, shared};

/// A vehicle of seven modules, two of them on one branch; four of them have names in the roster.
const VEHICLE: &str = r#"
title = "first screens (invented)"
invented = true
seed = 11
start = 1790000000.0
duration = 150.0
[[channel]]
name = "can0"
bit_rate = 500000
"#;

/// Name, drift of its clock in ppm, branch, identifiers with their periods.
type Module = (&'static str, f64, &'static str, [(&'static str, f64); 2]);

const MODULES: [Module; 7] = [
    ("engine", -60.0, "", [("0C8", 0.02), ("1F4", 0.1)]),
    ("brakes", 95.0, "", [("0B4", 0.02), ("1B8", 0.1)]),
    ("tailgate", 40.0, "rear", [("3A0", 0.05), ("3A2", 0.2)]),
    ("trailer", 130.0, "rear", [("3C0", 0.05), ("3C4", 0.1)]),
    ("seat", -20.0, "", [("2D0", 0.05), ("2D4", 0.2)]),
    ("cluster", 10.0, "", [("155", 0.05), ("156", 0.1)]),
    ("heater", -110.0, "", [("2A0", 0.1), ("2A4", 0.2)]),
];

fn vehicle(without: &str, trouble: &str) -> String {
    let mut text = VEHICLE.to_owned();
    for (name, drift, branch, messages) in MODULES.iter().filter(|module| module.0 != without) {
        let branch = match *branch {
            "" => String::new(),
            branch => format!("branch = \"{branch}\"\n"),
        };
        let messages: Vec<String> = messages
            .iter()
            .enumerate()
            .map(|(at, (id, period))| {
                format!(
                    "{{ id = \"{id}\", period = {period:?}, counter = {{ byte = {at}, width = 8 }} }}"
                )
            })
            .collect();
        text += &format!(
            "[[node]]\nname = \"{name}\"\nchannel = \"can0\"\n{branch}drift_ppm = {drift:?}\n\
             resets_on_dip = {}\nmessages = [ {} ]\n",
            *name == "heater" || *name == "seat",
            messages.join(", ")
        );
    }
    text + trouble
}

fn roster() -> String {
    let mut text = String::new();
    for (name, _, _, messages) in &MODULES[..] {
        text += &format!("[[node]]\nname = \"{name}\"\nchannel = \"can0\"\nmessages = [\n");
        for (id, period) in messages {
            text += &format!("  {{ id = \"0x{id}\", period = {period:?} }},\n");
        }
        text += "]\n";
    }
    text
}

/// Name of the case, whether with the roster, the module left out, and the trouble.
const FAULTS: [(&str, bool, &str, &str); 10] = [
    (
        "a tailgate module that loses its supply now and then",
        true,
        "",
        "[[trouble]]\nkind = \"power_loss\"\nnode = \"tailgate\"\nat = [21.0, 37.5, 74.2, 99.0]\n\
         lasts = [2.0, 0.8, 3.1, 1.4]\n",
    ),
    (
        "the same, and nobody has named the modules",
        false,
        "",
        "[[trouble]]\nkind = \"power_loss\"\nnode = \"tailgate\"\nat = [21.0, 37.5, 74.2, 99.0]\n\
         lasts = [2.0, 0.8, 3.1, 1.4]\n",
    ),
    (
        "a bus pin of the seat module that makes and breaks",
        true,
        "",
        "[[trouble]]\nkind = \"stub_open\"\nnode = \"seat\"\nat = [30.0, 52.0, 61.5]\n\
         lasts = [3.0, 2.2, 4.0]\n",
    ),
    (
        "one short silence, which tells nothing of its cause",
        true,
        "",
        "[[trouble]]\nkind = \"stub_open\"\nnode = \"seat\"\nat = [148.5]\nlasts = [60.0]\n",
    ),
    (
        "a branch to the rear that opens",
        true,
        "",
        "[[trouble]]\nkind = \"branch_open\"\nbranch = \"rear\"\nat = [25.0, 80.0]\n\
         lasts = [4.0, 6.0]\n",
    ),
    (
        "a short of the bus",
        true,
        "",
        "[[trouble]]\nkind = \"bus_short\"\nat = [40.0, 90.0]\nlasts = [1.5, 2.5]\n",
    ),
    (
        "a cluster that resets itself in even steps",
        true,
        "",
        "[[trouble]]\nkind = \"power_loss\"\nnode = \"cluster\"\n\
         at = [20.0, 40.0, 60.0, 80.0, 100.0, 120.0]\nlasts = [0.9, 0.9, 0.9, 0.9, 0.9, 0.9]\n",
    ),
    ("a heater that was never heard", true, "heater", ""),
    (
        "two modules on one weak feed",
        true,
        "",
        "[[trouble]]\nkind = \"supply_dip\"\nat = [33.0, 71.0]\nlasts = [0.3, 0.4]\n",
    ),
    (
        "a pause of the recording, which is no fault",
        true,
        "",
        "[[trouble]]\nkind = \"capture_pause\"\nat = [60.0]\nlasts = [5.0]\n",
    ),
];

/// What `report --brief` prints.
fn brief(capture: &Path, arguments: &[&str], columns: &str) -> String {
    let output = lostnode()
        .args(["report", "--brief"])
        .arg(capture)
        .args(arguments)
        .env("COLUMNS", columns)
        .output()
        .unwrap();
    assert_ne!(output.status.code(), Some(2), "{}", String::from_utf8_lossy(&output.stderr));
    String::from_utf8(output.stdout).unwrap()
}

/// Heading of a section of the page, and what stands in it.
type Screens = Vec<(String, String)>;

fn of_sample() -> Screens {
    let roster = own("samples/van-roster.toml");
    let job = own("samples/van-job.toml");
    let (roster, job) = (roster.to_str().unwrap(), job.to_str().unwrap());
    let door = |arguments: &[&str]| brief(&own("samples/van-door.log.gz"), arguments, "80");
    vec![
        ("The van, nobody has named its modules".to_owned(), door(&[])),
        ("The van, with its roster".to_owned(), door(&["--roster", roster])),
        (
            "The van, with its roster and job file".to_owned(),
            door(&["--roster", roster, "--readings", job]),
        ),
        ("The van after the repair".to_owned(), brief(&own("samples/van-after.log.gz"), &[], "80")),
    ]
}

fn of_faults() -> Screens {
    let folder = tempfile::tempdir().unwrap();
    let known = folder.path().join("roster.toml");
    fs::write(&known, roster()).unwrap();
    let screen = |(name, named, without, trouble): &(&str, bool, &str, &str)| {
        let path = folder.path().join("drive.log");
        let scenario = vehicle(without, trouble);
        let scenario = lostnode::simulate::Scenario::parse(&scenario).unwrap();
        let mut out = Vec::new();
        lostnode::simulate::run(&scenario, &mut out).unwrap();
        fs::write(&path, out).unwrap();
        let arguments = ["--roster", known.to_str().unwrap()];
        let arguments = if *named { &arguments[..] } else { &[] };
        (format!("Simulated: {name}"), brief(&path, arguments, "80"))
    };
    FAULTS.iter().map(screen).collect()
}

/// Real captures; nothing where they are not there.
fn of_real() -> Screens {
    let names = [
        "car-capture-pause.log.gz",
        "car-key-cycle.log.gz",
        "car-steady.log.gz",
        "console-no-time.txt.gz",
        "diagnostic-scan-all-modules.log.gz",
        "diagnostic-scan-two-modules.log.gz",
        "truck-intermittent.log.gz",
        "truck-key-on.log.gz",
        "truck-steady.log.gz",
        "canfd-three-frames.log",
    ];
    let screen = |name: &str| {
        let path = shared(&format!("data/{name}"))?;
        Some((format!("Real: {name}"), brief(&path, &[], "80")))
    };
    names.into_iter().filter_map(screen).collect()
}

/// The block of a section of the page.
fn block<'a>(page: &'a str, heading: &str) -> Option<&'a str> {
    let (_, section) = page.split_once(&format!("## {heading}\n"))?;
    let section = section.split("\n## ").next()?;
    Some(section.split_once("```text\n")?.1.split_once("```")?.0)
}

/// Percentages may differ by this much before the page has to be written anew: they move a little
/// with every number of the tables.
const POINTS: f64 = 3.0;

fn is_same(shown: &str, screen: &str) -> bool {
    let (shown, screen): (Vec<&str>, Vec<&str>) =
        (shown.split_whitespace().collect(), screen.split_whitespace().collect());
    let number = |word: &str| word.trim_start_matches('(').parse::<f64>().ok();
    let alike = |at: usize| {
        let (one, other) = (shown[at], screen[at]);
        let percent = shown.get(at + 1).is_some_and(|next| next.starts_with('%'));
        one == other
            || percent
                && number(one)
                    .zip(number(other))
                    .is_some_and(|(one, other)| (one - other).abs() <= POINTS)
    };
    shown.len() == screen.len() && (0..shown.len()).all(alike)
}

#[test]
fn the_page_is_what_the_program_prints() {
    let path = own("docs/first-screen.md");
    let mut page = fs::read_to_string(&path).unwrap();
    let write = std::env::var("FIRST_SCREENS").is_ok_and(|value| value == "write");
    for (heading, screen) in of_sample().into_iter().chain(of_faults()).chain(of_real()) {
        let shown = block(&page, &heading).map(str::to_owned);
        match shown {
            Some(shown) if write => {
                let at = page.find(&format!("## {heading}\n")).unwrap();
                let begin = at + page[at..].find("```text\n").unwrap() + "```text\n".len();
                page.replace_range(begin..begin + shown.len(), &screen);
            }
            None if write => page += &format!("\n## {heading}\n\n```text\n{screen}```\n"),
            shown => assert!(
                shown.as_deref().is_some_and(|shown| is_same(shown, &screen)),
                "{heading}: write the page anew (see above) and read it aloud:\n{screen}"
            ),
        }
    }
    if write {
        fs::write(&path, page).unwrap();
    }
}

/// 24 lines of 80 columns, the prompt among them; and no line is longer than the page is wide.
#[test]
fn the_first_screen_is_one_screen() {
    for (heading, screen) in of_sample().into_iter().chain(of_faults()).chain(of_real()) {
        assert!(screen.lines().count() <= 23, "{heading}:\n{screen}");
        let longest = screen.lines().map(|line| line.chars().count()).max().unwrap();
        assert!(longest <= 80, "{heading}: {longest} columns\n{screen}");
    }
}

#[test]
fn the_page_is_as_wide_as_columns_says() {
    let capture = own("samples/van-door.log.gz");
    for (told, most) in [("40", 40), ("20", 40), ("57", 57), ("120", 120), ("400", 120), ("", 80)] {
        let output = lostnode().arg("report").arg(&capture).env("COLUMNS", told).output().unwrap();
        let text = String::from_utf8(output.stdout).unwrap();
        let longest = text.lines().map(|line| line.chars().count()).max().unwrap();
        assert!(longest <= most && longest * 10 >= most * 9, "COLUMNS={told}: {longest}");
    }
}

/// Who was lost is named, or told by what it sends; and what can hurt stands before the test.
#[test]
fn the_headline_names_and_cautions_come_first() {
    let screens = of_faults();
    let lost = |heading: &str| !heading.contains("pause of the recording");
    for (heading, screen) in screens.iter().filter(|(heading, _)| lost(heading)) {
        let named = MODULES.iter().any(|module| {
            let top = screen.split("\n\n").next().unwrap().to_lowercase();
            top.contains(module.0)
        });
        let told =
            screen.starts_with("The module that sends 0x3A0") || screen.starts_with("All of can0");
        assert!(named || told, "{heading}:\n{screen}");
        let (caution, first) = (screen.find("CAUTION"), screen.find("First: "));
        // Nor is a step, at whose end stands what to expect.
        let step = screen.split("\n\nCAUTION").nth(1).unwrap();
        let step = step.split("\nAgainst it").next().unwrap();
        assert!(step.contains("expect: ") && !step.contains('…'), "it is cut: {screen}");
        assert!(caution.is_some() && caution < first, "{heading}:\n{screen}");
    }
}

/// Without a roster nobody knows of a module that never spoke, and the screen says so; codes that
/// are failing are told though nothing is lost.
#[test]
fn that_nothing_was_lost_is_no_all_clear() {
    let after = own("samples/van-after.log.gz");
    let told = |screen: &str| screen.contains("A module that never spoke cannot be\nseen without");
    let screen = brief(&after, &[], "80");
    assert!(
        screen.starts_with("No module that was heard dropped out.") && told(&screen),
        "{screen}"
    );
    let roster = own("samples/van-roster.toml");
    let screen = brief(&after, &["--roster", roster.to_str().unwrap()], "80");
    assert!(screen.starts_with("Nothing was lost.") && !told(&screen), "{screen}");
    let mut lines: Vec<(f64, String)> = Vec::new();
    for (id, period) in [(0x100, 0.02), (0x200, 0.05), (0x300, 0.1), (0x310, 0.1)] {
        let times = (0..).map(|count| f64::from(count) * period).take_while(|time| *time < 30.0);
        lines.extend(
            times.map(|time| (time + f64::from(id) * 1e-6, format!("{id:03X}#0102030405"))),
        );
    }
    // U0100-87 and P0300, test failed.
    lines.push((10.0051, "7E0#031902FF00000000".to_owned()));
    lines.push((10.0151, "7E8#100B5902FFC10087".to_owned()));
    lines.push((10.0161, "7E0#3000000000000000".to_owned()));
    lines.push((10.0171, "7E8#2109030000090000".to_owned()));
    lines.sort_by(|one, other| one.0.total_cmp(&other.0));
    let text: String =
        lines.iter().map(|(time, line)| format!("({:.6}) can0 {line}\n", 1e9 + time)).collect();
    let folder = tempfile::tempdir().unwrap();
    let path = folder.path().join("codes.log");
    fs::write(&path, text).unwrap();
    let screen = brief(&path, &[], "80");
    let codes = "But 2 codes are failing now; about the network: U0100-87. See \"Trouble codes\".";
    assert!(screen.contains(codes), "{screen}");
}

/// The first step at a module of which nobody knows what it is lays no hand on it.
#[test]
fn what_nobody_knows_is_found_before_it_is_touched() {
    let screen = brief(&own("samples/van-door.log.gz"), &[], "80");
    assert!(
        screen.contains("\nFirst: Park, read and save the codes of all modules: whom do"),
        "{screen}"
    );
    // A module from elsewhere that is likelier does not stand before what drops out today.
    assert!(screen.contains("1. the module that sends 0x3B0: no power"), "{screen}");
    assert!(
        screen.contains("\nThen:  Wiggle its harness while recording (8 min; test 2 in"),
        "{screen}"
    );
    assert!(
        screen.contains("ignition on, engine off") && !screen.contains("--unplugged"),
        "{screen}"
    );
}

/// The whole report too tells what can hurt before what to do.
#[test]
fn cautions_stand_before_the_tests() {
    let output = lostnode().arg("report").arg(own("samples/van-door.log.gz")).output().unwrap();
    let text = String::from_utf8(output.stdout).unwrap();
    let at = |what: &str| text.find(what).unwrap_or_else(|| panic!("no {what}"));
    assert!(at("CAUTION") < at("First: "));
    assert!(at("Before you measure") < at("What to test next"));
}

/// What many modules have is said once, and what was asked for is not offered.
#[test]
fn what_many_say_is_said_once() {
    let folder = tempfile::tempdir().unwrap();
    let van = own("samples/van-door.log.gz");
    let report = |arguments: &[&str]| {
        let output = lostnode().arg("report").arg(&van).args(arguments).output().unwrap();
        String::from_utf8(output.stdout).unwrap()
    };
    let text = report(&[]);
    assert_eq!(text.matches("U3003-16 Battery Voltage").count(), 1, "{text}");
    assert!(text.contains("6 modules answered every request in time"), "{text}");
    assert!(!text.contains("nothing to take apart"), "{text}");
    assert!(text.contains("a page to hand over: --out DIR"), "{text}");
    let text = report(&["--out", folder.path().to_str().unwrap()]);
    assert!(!text.contains("--out DIR"), "{text}");
    let page = fs::read_to_string(folder.path().join("report.html")).unwrap();
    let body = page.split("<script>").next().unwrap();
    assert_eq!(body.matches("To name it:").count(), 1);
    assert!(body.contains("<code>lostnode watch") && !body.contains('`'), "{body}");
}

/// Of 58 outages alike the first three are told one by one.
#[test]
fn outages_alike_are_folded() {
    let times: Vec<String> =
        (0..58).map(|at| format!("{:.1}", 5.0 + 2.4 * f64::from(at))).collect();
    let trouble = format!(
        "[[trouble]]\nkind = \"power_loss\"\nnode = \"seat\"\nat = [{}]\nlasts = [{}]\n",
        times.join(", "),
        vec!["0.7"; 58].join(", ")
    );
    let scenario = lostnode::simulate::Scenario::parse(&vehicle("", &trouble)).unwrap();
    let mut out = Vec::new();
    lostnode::simulate::run(&scenario, &mut out).unwrap();
    let folder = tempfile::tempdir().unwrap();
    let path = folder.path().join("drive.log");
    fs::write(&path, out).unwrap();
    let known = folder.path().join("roster.toml");
    fs::write(&known, roster()).unwrap();
    let output = lostnode().arg("report").arg(&path).arg("--roster").arg(&known).output().unwrap();
    let text = String::from_utf8(output.stdout).unwrap();
    let told = text.lines().filter(|line| line.contains(" s  module")).count();
    let folded = text.lines().find_map(|line| {
        line.trim_start_matches([' ', '…'])
            .split_once(" outages like these")?
            .0
            .parse::<usize>()
            .ok()
    });
    assert!(folded.is_some_and(|count| count > 50) && told == 3, "{told}, {folded:?}\n{text}");
}

/// What may have left with the key is told with its time, and what would settle it is asked.
#[test]
fn what_may_have_left_with_the_key_is_asked_for() {
    let screen = brief(&own("samples/van-unplugged.log.gz"), &[], "80");
    let screen = screen.split_whitespace().collect::<Vec<_>>().join(" ");
    let either = "identifiers fell silent at 24 s; either the key was turned off, or";
    assert!(screen.contains(either), "{screen}");
    assert!(screen.contains("Needed: ask whether the key was turned off then"), "{screen}");
}
