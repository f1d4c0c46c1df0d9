//! Names from unplugging: `lostnode name`, and the same in `learn`.

mod common;

use std::fs;
use std::path::{Path, PathBuf};

use common::{lostnode, own, report};
use lostnode::roster_file::{ExpectedNode, RosterFile};

const DOOR: &str = "\"sliding door\"=28..56";
const MIRROR: &str = "left mirror=84..110";

/// Runs the binary in a folder: exit code, standard output, standard error.
#[track_caller]
fn run(place: &Path, arguments: &[&str]) -> (i32, String, String) {
    let output = lostnode().args(arguments).current_dir(place).output().unwrap();
    let text = |bytes: Vec<u8>| {
        String::from_utf8(bytes).unwrap().split_whitespace().collect::<Vec<_>>().join(" ")
    };
    (output.status.code().unwrap(), text(output.stdout), text(output.stderr))
}

/// A folder with `roster.toml`, learned from the sound van, and `unplugged.log.gz`.
fn van() -> tempfile::TempDir {
    let place = tempfile::tempdir().unwrap();
    fs::copy(own("samples/van-unplugged.log.gz"), place.path().join("unplugged.log.gz")).unwrap();
    let sound = own("samples/van-after.log.gz");
    let (code, ..) =
        run(place.path(), &["learn", sound.to_str().unwrap(), "-o", "roster.toml", "--threads=1"]);
    assert_eq!(code, 0);
    place
}

fn roster(place: &Path, name: &str) -> RosterFile {
    RosterFile::parse(&fs::read_to_string(place.join(name)).unwrap()).unwrap()
}

#[track_caller]
fn node<'r>(roster: &'r RosterFile, name: &str) -> &'r ExpectedNode {
    roster.nodes.iter().find(|node| node.name == name).unwrap()
}

fn ids(node: &ExpectedNode) -> Vec<String> {
    node.ids().map(lostnode::words::terms::id_label).collect()
}

/// What a name joins: the identifiers, the address, and what codes call it.
fn joined(node: &ExpectedNode) -> (Vec<String>, Vec<String>, Vec<String>) {
    let answers = node.answers.iter().map(ToString::to_string).collect();
    (ids(node), answers, node.missed_as.clone())
}

fn strings(list: &[&str]) -> Vec<String> {
    list.iter().map(|text| (*text).to_owned()).collect()
}

#[test]
fn one_name_joins_identifiers_address_and_codes() {
    let place = van();
    let place = place.path();
    let before = fs::read_to_string(place.join("roster.toml")).unwrap();
    let (code, out, told) = run(
        place,
        &["name", "roster.toml", "unplugged.log.gz", "--unplugged", DOOR, "-o", "named.toml"],
    );
    assert_eq!((code, told.as_str()), (0, ""));
    for part in [
        "sliding door: 0x3B0, 0x3B2 and 0x5B0 fell silent while it was unplugged (28..56 s)",
        "answers a tester by 0x7EC",
        "codes call it Door Control Module A (set then in 0x7EA and 0x7EB)",
        "CAUTION The vehicle maker's procedure comes first.",
        "named.toml: 1 of 1 name written",
    ] {
        assert!(out.contains(part), "{part}: {out}");
    }
    let named = roster(place, "named.toml");
    let door = node(&named, "sliding door");
    assert_eq!(
        joined(door),
        (
            strings(&["0x3B0", "0x3B2", "0x5B0"]),
            strings(&["0x7EC"]),
            strings(&["Door Control Module A"])
        )
    );
    assert!(!door.guessed);
    // What the others are is still a guess, and the roster that was read is as it was.
    assert_eq!(named.nodes.iter().filter(|node| node.guessed).count(), 5);
    assert_eq!(fs::read_to_string(place.join("roster.toml")).unwrap(), before);
    // As `learn` writes it, so it can be read and written again.
    assert_eq!(RosterFile::parse(&named.write("again")).unwrap(), named);
}

/// Several at once, as arguments and from a file, come to the same; and once more changes nothing.
#[test]
fn several_names_at_once() {
    let place = van();
    let place = place.path();
    let (code, out, _) = run(
        place,
        &[
            "name",
            "roster.toml",
            "unplugged.log.gz",
            "--unplugged",
            DOOR,
            "--unplugged",
            MIRROR,
            "-o",
            "both.toml",
        ],
    );
    assert!(code == 0 && out.contains("2 of 2 names written"), "{out}");
    let both = roster(place, "both.toml");
    assert_eq!(
        joined(node(&both, "left mirror")),
        (strings(&["0x3D1", "0x5D1"]), strings(&["0x7ED"]), strings(&["Mirror Control Module A"]))
    );
    fs::write(
        place.join("times.toml"),
        "[[unplugged]]\nname = \"sliding door\"\nfrom = 28\nto = 56.5\n\n\
         [[unplugged]]\nname = \"left mirror\"\nfrom = 83\nto = 110\n",
    )
    .unwrap();
    let from_file = |roster: &str, out: &str| {
        let (code, ..) = run(
            place,
            &["name", roster, "unplugged.log.gz", "--unplugged-file", "times.toml", "-o", out],
        );
        assert_eq!(code, 0);
        fs::read_to_string(place.join(out)).unwrap()
    };
    let text = fs::read_to_string(place.join("both.toml")).unwrap();
    assert_eq!(from_file("roster.toml", "file.toml"), text);
    assert_eq!(from_file("both.toml", "again.toml"), text);
}

/// The name stands in every report made with that roster: headline, findings, tests, lanes, codes,
/// and the row of a batch.
#[test]
fn a_name_serves_later_reports() {
    let place = van();
    let place = place.path();
    let (code, ..) = run(
        place,
        &["name", "roster.toml", "unplugged.log.gz", "--unplugged", DOOR, "-o", "named.toml"],
    );
    assert_eq!(code, 0);
    let named = place.join("named.toml");
    let capture = own("samples/van-door.log.gz");
    let (_, document) = report(&capture, &["--roster", named.to_str().unwrap()]);
    assert!(document["headline"].as_str().unwrap().starts_with("Sliding door dropped off"));
    assert_eq!(document["findings"][0]["nodes"], serde_json::json!(["sliding door"]));
    let (_, text, _) = run(place, &["report", capture.to_str().unwrap(), "--roster", "named.toml"]);
    for part in [
        "Wiggle the harness of sliding door",
        "Door Control Module A is missed by 0x7EA, 0x7EB: U0199-87 + the frames confirm it",
        "U3003-16 in 0x7EC (sliding door)",
    ] {
        assert!(text.contains(part), "{part}: {text}");
    }
    assert!(!text.contains("To find it") && !text.contains("0x3B0:"), "{text}");
    fs::create_dir(place.join("drives")).unwrap();
    fs::copy(&capture, place.join("drives/van.log.gz")).unwrap();
    let (code, ..) = run(place, &["batch", "drives", "--roster", "named.toml", "--out", "batch"]);
    assert_eq!(code, 1);
    let table = fs::read_to_string(place.join("batch/summary.csv")).unwrap();
    assert!(table.contains("Sliding door dropped off"), "{table}");
    assert!(table.contains("sliding door: no power or ground"), "{table}");
    let page = place.join("page");
    run(place, &["report", capture.to_str().unwrap(), "--roster", "named.toml", "--out", "page"]);
    let page = fs::read_to_string(page.join("report.html")).unwrap();
    assert!(page.contains("sliding door") && !page.contains("node of 0x3B0"));
}

/// What a person wrote stays: comments, order, numbers, names. The roster itself is written only
/// where that was asked for.
#[test]
fn what_is_written_by_hand_stays() {
    let place = van();
    let place = place.path();
    let text = fs::read_to_string(place.join("roster.toml")).unwrap();
    let text = text
        .replace(
            "name = \"node of 0x0C8\"\nchannel = \"can0\"\nguessed = true",
            "# Mine: the engine.\nname = \"engine\"   # 2.2 litre\nchannel = \"can0\"",
        )
        .replace("  { id = \"0x3B2\"", "  # position of the door\n  { id = \"0x3B2\"")
        .replace(
            "\nmessages = [\n  { id = \"0x4D5\"",
            " # all\nmessages = [\n  # rare\n  { id = \"0x4D5\"",
        );
    for comment in ["2.2 litre", "position of the door", "# all", "# rare"] {
        assert!(text.contains(comment), "{comment}: {text}");
    }
    fs::write(place.join("roster.toml"), &text).unwrap();
    let name = ["name", "roster.toml", "unplugged.log.gz", "--unplugged", DOOR];
    let (code, _, told) = run(place, &name);
    assert!(code == 2 && told.contains("roster.toml: exists already"), "{told}");
    assert_eq!(fs::read_to_string(place.join("roster.toml")).unwrap(), text);
    let (code, out, _) = run(place, &[&name[..], &["--force"]].concat());
    assert!(code == 0 && out.contains("all else in it, comments too, is as it was"), "{out}");
    let written = fs::read_to_string(place.join("roster.toml")).unwrap();
    let gone: Vec<&str> = text.lines().filter(|line| !written.contains(line)).collect();
    assert_eq!(gone, ["name = \"node of 0x3B0\""]);
    let guesses = |text: &str| text.matches("guessed = true").count();
    assert_eq!(guesses(&text), guesses(&written) + 1);
}

/// Comments beside what is changed or moved stay too.
#[test]
fn comments_beside_what_changes_stay() {
    let text = "# head\n[[node]] # mine\nname = \"x\" # first\nchannel = \"can0\"\n# not sure\n\
                guessed = true # really\nmessages = [\n  { id = \"0x3B0\", period = 0.05 }, # fast\n]\n\
                # a note of mine\n[[lone]]\nchannel = \"can0\"\nmessages = [\n  # slower\n  \
                { id = \"0x3B2\", period = 0.1 }, # tail\n]\n# end\n";
    let bench = Bench::new(&power_loss("door", &[30.0], &[15.0]), &[], text);
    let (code, out) = bench.name(&["door=31..44"]);
    assert_eq!(code, 0, "{out}");
    assert_eq!(bench.named("door").0, ["0x3B0", "0x3B2"]);
    let written = fs::read_to_string(bench.place.path().join("n.toml")).unwrap();
    for comment in [
        "# head",
        "# mine",
        "# first",
        "# not sure",
        "# really",
        "# fast",
        "# a note of mine",
        "# slower",
        "# tail",
        "# end",
    ] {
        assert!(written.contains(comment), "{comment} is lost:\n{written}");
    }
}

/// Times and files that cannot be right are told with what is wrong, and nothing is written.
#[test]
fn times_that_cannot_be_right() {
    let place = van();
    let place = place.path();
    let base = ["name", "roster.toml", "unplugged.log.gz", "-o", "out.toml"];
    let with = |more: &[&str]| {
        let (code, _, told) = run(place, &[&base[..], more].concat());
        assert_eq!(code, 2, "{more:?}: {told}");
        assert!(!place.join("out.toml").exists());
        told
    };
    for (arguments, part) in [
        (&[][..], "say when which module was unplugged: --unplugged \"NAME\"=FROM..TO"),
        (&["--unplugged", "door"], "--unplugged `door`: write it as \"NAME\"=FROM..TO"),
        (&["--unplugged", "door=3-9"], "write it as \"NAME\"=FROM..TO"),
        (&["--unplugged", "door=a..9"], "write it as \"NAME\"=FROM..TO"),
        (&["--unplugged", "=28..56"], "name is empty"),
        (&["--unplugged", "door=56..28"], "it ends before it begins"),
        (&["--unplugged", "door=-1..28"], "from is -1; it is in seconds from the first frame"),
        (&["--unplugged", "door=28..inf"], "to is inf; it is in seconds from the first frame"),
        (&["--unplugged", "door=28..31"], "3.0 s are too short"),
        (&["--unplugged", "door=128..156"], "it lies outside the capture, which is 135.0 s long"),
        (&["--unplugged", "door=228..256"], "it lies outside the capture"),
        (
            &["--unplugged", DOOR, "--unplugged", "mirror=50..80"],
            "it overlaps `sliding door` at 28..56; unplug one module at a time",
        ),
        (&["--unplugged", DOOR, "--unplugged", DOOR], "it overlaps `sliding door`"),
        (&["--unplugged-file", "none.toml"], "none.toml: cannot be read"),
    ] {
        let told = with(arguments);
        assert!(told.contains(part), "{part}: {told}");
    }
    for (text, part) in [
        ("[[unplugged]]\nname = \"a\"\nfrom = 28\nto = 20", "times.toml: line 4: it ends before"),
        ("\n[[unplugged]]\nname = \" \"\nfrom = 28\nto = 56", "line 3: name is empty"),
        ("[[unplugged]]\nname = \"a\"\nfrom = -28\nto = 56", "line 3: from is -28"),
        ("[[unplugged]]\nname = \"a\"\nfrom = 28", "missing field `to`"),
        ("[[unplugged]]\nname = \"a\"\nform = 28\nto = 30", "unknown field `form`"),
        ("[[unplugged]]\nname = \"a\"\nfrom = \"x\"\nto = 30", "invalid type: string"),
        ("", "it has no `[[unplugged]]`"),
        (
            "[[unplugged]]\nname = \"a\"\nfrom = 28\nto = 56\n[[unplugged]]\nname = \"b\"\nfrom = 40\nto = 70",
            "line 5: it overlaps `a` at 28..56",
        ),
        (
            "[[unplugged]]\nname = \"a\"\nfrom = 128\nto = 156",
            "line 1: it lies outside the capture",
        ),
    ] {
        fs::write(place.join("times.toml"), text).unwrap();
        let told = with(&["--unplugged-file", "times.toml"]);
        assert!(told.contains(part), "{part}: {told}");
    }
    let described = own("tests/data/invented-system.arxml");
    let (code, _, told) = run(
        place,
        &["name", described.to_str().unwrap(), "unplugged.log.gz", "--unplugged", DOOR, "-o", "o"],
    );
    assert!(code == 2 && told.contains("a system description has its names already"), "{told}");
    let frames = "can0 3B0 [2] 00 00\n".repeat(100);
    fs::write(place.join("no-time.log"), frames).unwrap();
    let (code, _, told) =
        run(place, &["name", "roster.toml", "no-time.log", "--unplugged", DOOR, "-o", "o"]);
    assert!(code == 2 && told.contains("without time stamps"), "{told}");
}

/// Names in a roster that cannot be: by line and key.
#[test]
fn a_roster_with_wrong_answers() {
    let node = |more: &str| {
        format!(
            "[[node]]\nname = \"a\"\nchannel = \"can0\"\nmessages = [\n  {{ id = \"0x3B0\", period = 0.1 }},\n]\n{more}"
        )
    };
    for (text, part) in [
        (node("answers = [\"7EA\"]"), "line 7: answers `7EA`: write the identifier"),
        (node("answers = [\"address 0x1FF\"]"), "line 7: answers `address 0x1FF`"),
        (node("missed_as = [\"door\"]"), "line 7: missed_as `door`: no code says"),
    ] {
        let error = RosterFile::parse(&text).unwrap_err().to_string();
        assert!(error.contains(part), "{part}: {error}");
    }
    let text = node("answers = [\"can1 address 0x28\", \"0x18DAF128\"]");
    let file = RosterFile::parse(&text).unwrap();
    let answers: Vec<String> = file.nodes[0].answers.iter().map(ToString::to_string).collect();
    assert_eq!(answers, ["can1 address 0x28", "0x18DAF128"]);
}

const SECONDS: f64 = 90.0;

/// A vehicle of five modules, some with a clock that tells them apart.
fn scenario(troubles: &str, exchanges: &[String]) -> String {
    let node = |name: &str, drift: f64, messages: &str| {
        format!(
            "[[node]]\nname = \"{name}\"\nchannel = \"can0\"\ndrift_ppm = {drift}\nboot = 0.3\nmessages = [{messages}]\n"
        )
    };
    let nodes = [
        node("engine", 41.0, "{ id = \"0C8\", period = 0.02 }, { id = \"1F4\", period = 0.1 }"),
        node("body", 118.0, "{ id = \"2A0\", period = 0.05 }, { id = \"2A8\", period = 0.1 }"),
        node("door", -27.0, "{ id = \"3B0\", period = 0.05 }, { id = \"3B2\", period = 0.1 }"),
        node("mirror", 77.0, "{ id = \"3D1\", period = 0.1 }, { id = \"3D2\", period = 0.1 }"),
    ];
    format!(
        "title = \"test (invented)\"\ninvented = true\nseed = 3\nstart = 1790000000.0\nduration = {SECONDS}\n[[channel]]\nname = \"can0\"\nbit_rate = 500000\n{}{troubles}{}",
        nodes.concat(),
        exchanges.concat()
    )
}

fn power_loss(node: &str, at: &[f64], lasts: &[f64]) -> String {
    format!(
        "[[trouble]]\nkind = \"power_loss\"\nnode = \"{node}\"\nat = {at:?}\nlasts = {lasts:?}\n"
    )
}

/// A request to a module, and its answer where it gives one.
fn asked(at: f64, module: u32, request: &str, answer: Option<&str>) -> String {
    let answer = answer.map_or(String::new(), |data| {
        format!("{{ id = \"{:03X}\", data = \"{data}\" }}", module + 8)
    });
    format!(
        "[[exchange]]\nat = {at:.2}\nrequest = {{ id = \"{module:03X}\", data = \"{request}\" }}\nanswers = [{answer}]\n"
    )
}

/// A module asked whether it is there, each six seconds; silent in these spans.
fn polled(module: u32, silent: &[(f64, f64)]) -> Vec<String> {
    let times = (0..14).map(|at| 3.0 + 6.0 * f64::from(at) + 0.1 * f64::from(module & 7));
    times
        .map(|at| {
            let away = silent.iter().any(|(from, to)| (*from..*to).contains(&at));
            asked(at, module, "3E 00", (!away).then_some("7E 00"))
        })
        .collect()
}

/// Codes of a module as it tells them at a time: their bytes with the status.
fn codes(at: f64, module: u32, codes: &str) -> String {
    asked(at, module, "19 02 2F", Some(format!("59 02 FF {codes}").trim()))
}

struct Bench {
    place: tempfile::TempDir,
}

impl Bench {
    /// A roster learned from the sound vehicle, by hand-written nodes where `called`, and the
    /// capture of that scenario.
    fn new(troubles: &str, exchanges: &[String], called: &str) -> Bench {
        let place = tempfile::tempdir().unwrap();
        let path = place.path();
        fs::write(path.join("s.toml"), scenario(troubles, exchanges)).unwrap();
        let (code, _, told) = run(path, &["simulate", "s.toml", "--out", "c.log"]);
        assert_eq!(code, 0, "{told}");
        let text = if called.is_empty() {
            let lone: Vec<String> = ["0C8", "1F4", "2A0", "2A8", "3B0", "3B2", "3D1", "3D2"]
                .iter()
                .map(|id| format!("  {{ id = \"0x{id}\", period = 0.1 }},\n"))
                .collect();
            format!("[[lone]]\nchannel = \"can0\"\nmessages = [\n{}]\n", lone.concat())
        } else {
            called.to_owned()
        };
        fs::write(path.join("r.toml"), text).unwrap();
        Bench { place }
    }

    /// Gives names; exit code and what was said.
    fn name(&self, times: &[&str]) -> (i32, String) {
        let path = self.place.path();
        let times = times.iter().flat_map(|time| ["--unplugged", time]);
        let base = ["name", "r.toml", "c.log", "-o", "n.toml", "--force"];
        let arguments: Vec<&str> = base.into_iter().chain(times).collect();
        let _ = fs::remove_file(path.join("n.toml"));
        let (code, out, told) = run(path, &arguments);
        if code == 3 && told.contains("nothing was written") {
            assert!(!path.join("n.toml").exists());
        }
        (code, out)
    }

    fn named(&self, name: &str) -> (Vec<String>, Vec<String>, Vec<String>) {
        joined(node(&roster(self.place.path(), "n.toml"), name))
    }
}

fn called(nodes: &[(&str, &[&str], &str)]) -> String {
    let node = |(name, ids, more): &(&str, &[&str], &str)| {
        let ids: Vec<String> =
            ids.iter().map(|id| format!("  {{ id = \"0x{id}\", period = 0.1 }},\n")).collect();
        format!(
            "[[node]]\nname = \"{name}\"\nchannel = \"can0\"\nmessages = [\n{}]\n{more}\n",
            ids.concat()
        )
    };
    nodes.iter().map(node).collect()
}

/// What is ambiguous is told, and nothing is guessed.
#[test]
fn what_cannot_be_told_is_said() {
    let door = || power_loss("door", &[30.0], &[15.0]);
    let bench = Bench::new(&door(), &[], "");
    let (code, out) = bench.name(&["door=31..44"]);
    assert_eq!(code, 0, "{out}");
    assert_eq!(bench.named("door").0, ["0x3B0", "0x3B2"]);
    for part in ["which address it answers a tester by is not known", "what codes call it"] {
        assert!(out.contains(part), "{part}: {out}");
    }

    // Nothing fell silent then; or not for that time, which is told.
    let (code, out) = bench.name(&["door=55..70"]);
    assert!(code == 3 && out.contains("door: NOT named (55..70 s)"), "{out}");
    assert!(out.contains("nothing fell silent for that time") && !out.contains("near it"), "{out}");
    let (code, out) = bench.name(&["door=24..44"]);
    assert!(code == 3 && out.contains("silent near it: 0x3B0 at 30.0..45.3 s"), "{out}");
    let (code, out) = bench.name(&["door=48..60"]);
    assert!(code == 3 && out.contains("Check the times"), "{out}");
    // One that can be named is, beside one that cannot.
    let (code, out) = bench.name(&["door=31..44", "mirror=55..70"]);
    assert!(code == 3 && out.contains("1 of 2 names written"), "{out}");
    assert_eq!(bench.named("door").0, ["0x3B0", "0x3B2"]);

    // Two nodes on one fuse.
    let both = door() + &power_loss("mirror", &[30.0], &[15.0]);
    let fuse = called(&[("a", &["3B0", "3B2"], "guessed = true"), ("b", &["3D1", "3D2"], "")]);
    let bench = Bench::new(&both, &[], &fuse);
    let (code, out) = bench.name(&["door=31..44"]);
    assert!(code == 3 && out.contains("2 senders fell silent then"), "{out}");
    assert!(out.contains("unplug the module itself"), "{out}");
    // Where nothing is known of the senders but that silence, that is said, and stays a guess.
    let bench = Bench::new(&both, &[], "");
    let (code, out) = bench.name(&["door=31..44"]);
    assert!(code == 0 && out.contains("taken for one module because they fell silent"), "{out}");
    let guess = roster(bench.place.path(), "n.toml");
    assert!(node(&guess, "door").guessed && ids(node(&guess, "door")).len() == 4);

    // It drops out by itself as well: two unpluggings tell, one does not.
    let often = power_loss("door", &[12.0, 30.0, 60.0], &[1.4, 15.0, 12.0]);
    let bench = Bench::new(&often, &[], "");
    let (code, out) = bench.name(&["door=31..44"]);
    assert!(code == 3 && out.contains("fell silent then, but at 12.0..13."), "{out}");
    assert!(out.contains("unplug it twice"), "{out}");
    let (code, out) = bench.name(&["door=31..44", "door=61..71"]);
    assert!(code == 0 && out.contains("it fell silent at other times too (1 time"), "{out}");
    // Two names for one module.
    let (code, out) = bench.name(&["door=31..44", "hatch=61..71"]);
    assert!(code == 3 && out.contains("door: NOT named") && out.contains("hatch: NOT named"));

    // The whole bus stood still.
    let stop =
        "[[trouble]]\nkind = \"bus_short\"\nchannel = \"can0\"\nat = [30.0]\nlasts = [15.0]\n";
    let (code, out) = Bench::new(stop, &[], "").name(&["door=31..44"]);
    assert!(code == 3 && out.contains("the whole bus or the recording stood still"), "{out}");
}

/// What a person wrote into the roster holds against what was unplugged.
#[test]
fn the_roster_speaks_against_a_name() {
    let door = power_loss("door", &[30.0], &[15.0]);
    let with = |nodes: &[(&str, &[&str], &str)], name: &str| {
        let bench = Bench::new(&door, &[], &called(nodes));
        let (code, out) = bench.name(&[&format!("{name}=31..44")]);
        (code, out, bench)
    };
    let (code, out, _) =
        with(&[("engine", &["0C8"], ""), ("x", &["3B0"], "guessed = true")], "Engine");
    assert!(
        code == 3 && out.contains("has a node of that name already, which sends 0x0C8"),
        "{out}"
    );
    let (code, out, _) = with(&[("hatch", &["3B0", "3B2"], "")], "door");
    assert!(code == 3 && out.contains("is called `hatch` in the roster"), "{out}");
    let (code, out, _) = with(&[("door", &["3B0", "3B2", "2A0"], "")], "door");
    assert!(code == 3 && out.contains("says that 0x2A0 are of the same node"), "{out}");
    // A guess is put right.
    let (code, out, bench) = with(&[("g", &["3B0", "3B2", "2A0"], "guessed = true")], "door");
    assert!(code == 0 && out.contains("0x2A0 went on: the roster had guessed"), "{out}");
    assert_eq!(bench.named("door").0, ["0x3B0", "0x3B2"]);
    assert_eq!(bench.named("g").0, ["0x2A0"]);
    // What the roster has elsewhere or not at all comes to the node.
    let (code, _, bench) = with(&[("door", &["3B0"], ""), ("x", &["0C8"], "")], "door");
    assert_eq!((code, bench.named("door").0), (0, strings(&["0x3B0", "0x3B2"])));
}

/// Behind a gateway nothing of a module is heard but its answers: they are enough.
#[test]
fn known_by_its_address_alone() {
    let exchanges: Vec<String> = [polled(0x7E2, &[]), polled(0x7E4, &[(30.0, 45.3)])].concat();
    let bench = Bench::new("", &exchanges, "");
    let (code, out) = bench.name(&["door=31..44"]);
    assert!(code == 0 && out.contains("door: known by its address (31..44 s)"), "{out}");
    let none = Vec::new();
    assert_eq!(bench.named("door"), (none.clone(), strings(&["0x7EC"]), none));
    let place = bench.place.path();
    let arguments = ["report", "c.log", "--roster", "n.toml"];
    let (code, text, _) = run(place, &arguments);
    assert!(code == 0 && text.contains("0x7EC (door)"), "{text}");
    // Of a module that is known so nothing is expected: it is not missing.
    assert!(!text.contains("never heard"), "{text}");
    fs::rename(place.join("n.toml"), place.join("r.toml")).unwrap();
    let (code, _) = bench.name(&["door=31..44"]);
    assert_eq!((code, bench.named("door").1), (0, strings(&["0x7EC"])));
    let (code, out) = bench.name(&["hatch=31..44"]);
    assert!(code == 3 && out.contains("is called `door` in the roster"), "{out}");
    // Two that did not answer, and nothing heard: which of them nothing tells.
    let exchanges = [polled(0x7E2, &[(30.0, 45.3)]), polled(0x7E4, &[(30.0, 45.3)])].concat();
    let (code, out) = Bench::new("", &exchanges, "").name(&["door=31..44"]);
    assert!(code == 3 && out.contains("0x7EA and 0x7EC did not answer the tester then"), "{out}");
}

/// A module without a name is told with what helps to find it, on the first screen too, and how to
/// name it: with each first test of it, in JSON and on the page.
#[test]
fn how_to_find_and_name_it() {
    let exchanges: Vec<String> = [polled(0x7E2, &[]), polled(0x7E4, &[(30.0, 45.3)])].concat();
    let bench = Bench::new(&power_loss("door", &[30.0], &[15.0]), &exchanges, "");
    let place = bench.place.path();
    let found = "it sends 2 identifiers: 0x3B0 and 0x3B2; 0x7EC did not answer the tester while \
                 it was silent";
    let learned = "lostnode learn CAPTURE --unplugged \"NAME\"=FROM..TO -o ROSTER";
    let renamed = "lostnode name ROSTER CAPTURE --unplugged \"NAME\"=FROM..TO -o NEW";
    for (roster, command) in [(&[][..], learned), (&["--roster", "r.toml"], renamed)] {
        let (_, text, _) = run(place, &[&["report", "c.log"], roster].concat());
        assert!(text.contains("The module that sends 0x3B0 and 1 more identifier dropped off"));
        for part in [
            format!("To find it: {found}"),
            format!("to find it: {found}"),
            format!("then run `{command}`, FROM and TO in seconds from the first frame"),
            "no airbag, brake or high-voltage module: see `lostnode help name`".to_owned(),
        ] {
            assert!(text.contains(&part), "{part}: {text}");
        }
        let (_, document) = report(&place.join("c.log"), &[]);
        for test in document["next_tests"].as_array().unwrap() {
            if test["title"].as_str().unwrap().contains("the module that sends") {
                assert_eq!(test["to_find"], found);
                assert!(test["to_name"].as_str().unwrap().contains(learned));
            }
        }
        assert!(document["next_tests"][0]["to_find"].is_string());
    }
    run(place, &["report", "c.log", "--out", "page"]);
    let page = fs::read_to_string(place.join("page/report.html")).unwrap();
    assert!(page.contains("To find it: it sends 2 identifiers") && page.contains("To name it:"));
    // One that has a name needs neither.
    let (code, _) = bench.name(&["door=31..44"]);
    assert_eq!(code, 0);
    let (_, text, _) = run(place, &["report", "c.log", "--roster", "n.toml"]);
    assert!(!text.to_lowercase().contains("to find it"), "{text}");
    let (_, document) = report(&place.join("c.log"), &["--roster", &path_of(place, "n.toml")]);
    assert!(document["next_tests"][0]["to_find"].is_null());
    let nodes = document["nodes"].as_array().unwrap();
    let door = nodes.iter().find(|node| node["name"] == "door").unwrap();
    assert_eq!(door["answers"], serde_json::json!(["0x7EC"]));
}

fn path_of(place: &Path, name: &str) -> String {
    place.join(name).display().to_string()
}

/// The address is joined only where one module did not answer then, and did otherwise.
#[test]
fn the_address_that_did_not_answer() {
    let door = power_loss("door", &[30.0], &[15.0]);
    let away = [(30.0, 45.3)];
    let with = |polls: &[(u32, &[(f64, f64)])], roster: &str| {
        let exchanges: Vec<String> =
            polls.iter().flat_map(|(module, silent)| polled(*module, silent)).collect();
        let bench = Bench::new(&door, &exchanges, roster);
        let (code, out) = bench.name(&["door=31..44"]);
        assert_eq!(code, 0, "{out}");
        (bench.named("door").1, out)
    };
    let (answers, _) = with(&[(0x7E2, &[]), (0x7E4, &away)], "");
    assert_eq!(answers, ["0x7EC"]);
    let none: [String; 0] = [];
    let (answers, out) = with(&[(0x7E2, &away), (0x7E4, &away)], "");
    assert_eq!(answers, none);
    assert!(out.contains("0x7EA and 0x7EC did not answer then"), "{out}");
    let (answers, out) = with(&[(0x7E4, &[(10.0, 18.0), (30.0, 45.3)])], "");
    assert_eq!(answers, none);
    assert!(out.contains("0x7EC did not answer then, but neither did it at other times"), "{out}");
    // It never answers: a tester asks many that a vehicle does not have.
    let (answers, out) = with(&[(0x7E4, &[(0.0, SECONDS)])], "");
    assert_eq!(answers, none);
    assert!(out.contains("which address it answers a tester by is not known"), "{out}");
    let roster = called(&[("body", &["2A0"], "answers = [\"0x7EC\"]"), ("door", &["3B0"], "")]);
    let (answers, out) = with(&[(0x7E4, &away)], &roster);
    assert_eq!(answers, none);
    assert!(out.contains("the roster gives it to body"), "{out}");
}

/// What codes call it is joined only where they name one module and were set then.
#[test]
fn the_codes_that_were_set() {
    let troubles = power_loss("door", &[30.0], &[15.0]) + &power_loss("mirror", &[60.0], &[14.0]);
    let with = |reads: &[(f64, &str)], roster: &str, times: &[&str]| {
        let exchanges: Vec<String> =
            reads.iter().map(|(at, text)| codes(*at, 0x7E2, text)).collect();
        let bench = Bench::new(&troubles, &exchanges, roster);
        let (code, out) = bench.name(times);
        assert_eq!(code, 0, "{out}");
        (bench.named("door").2, out)
    };
    let (missed, _) = with(&[(5.0, ""), (50.0, "C1 99 87 2F")], "", &["door=31..44"]);
    assert_eq!(missed, ["Door Control Module A"]);
    let none: [String; 0] = [];
    let two = "C1 99 87 2F C2 13 87 2F";
    let (missed, out) = with(&[(5.0, ""), (50.0, two)], "", &["door=31..44"]);
    assert_eq!(missed, none);
    assert!(out.contains("name Door Control Module A and Mirror Control Module A"), "{out}");
    let (missed, out) = with(&[(5.0, ""), (80.0, two)], "", &["door=31..44", "mirror=61..73"]);
    assert_eq!(missed, none);
    assert!(out.contains("or while another module was unplugged; read the codes after each"));
    // It was there before: nothing says when it was set.
    let (missed, out) = with(&[(5.0, "C1 99 87 2F"), (50.0, "C1 99 87 2F")], "", &["door=31..44"]);
    assert_eq!(missed, none);
    assert!(out.contains("none that names a module was set then"), "{out}");
    let roster = called(&[
        ("hatch", &["2A0"], "missed_as = [\"Door Control Module A\"]"),
        ("door", &["3B0"], ""),
    ]);
    let (missed, out) = with(&[(5.0, ""), (50.0, "C1 99 87 2F")], &roster, &["door=31..44"]);
    assert_eq!(missed, none);
    assert!(out.contains("the roster gives that to hatch"), "{out}");
}

/// `learn` takes the same times, of the capture that it learns from or of another.
#[test]
fn learned_with_names() {
    let place = van();
    let place = place.path();
    let sound = own("samples/van-after.log.gz");
    let sound = sound.to_str().unwrap();
    let (code, out, _) = run(
        place,
        &[
            "learn",
            sound,
            "--unplugged-in",
            "unplugged.log.gz",
            "--unplugged",
            DOOR,
            "-o",
            "a.toml",
        ],
    );
    assert!(code == 0 && out.contains("a.toml: 6 nodes") && out.contains("1 of 1 names given"));
    assert_eq!(joined(node(&roster(place, "a.toml"), "sliding door")).1, ["0x7EC"]);
    let (code, ..) =
        run(place, &["learn", "unplugged.log.gz", "--unplugged", DOOR, "-o", "b.toml"]);
    assert_eq!(code, 0);
    let own = roster(place, "b.toml");
    assert_eq!(ids(node(&own, "sliding door")), ["0x3B0", "0x3B2", "0x5B0"]);
    let (code, _, told) =
        run(place, &["learn", sound, "unplugged.log.gz", "--unplugged", DOOR, "-o", "c.toml"]);
    assert!(code == 2 && told.contains("say with --unplugged-in"), "{told}");
    let (code, _, told) =
        run(place, &["learn", sound, "--unplugged-in", "unplugged.log.gz", "-o", "c.toml"]);
    assert!(code == 2 && told.contains("--unplugged-in needs --unplugged"), "{told}");
    assert!(!place.join("c.toml").exists());
}

/// The worked example of docs/roster.md is what the program says today.
#[test]
fn the_worked_example() {
    let page = fs::read_to_string(own("docs/roster.md")).unwrap();
    let section = page.split("### Names from unplugging").nth(1).unwrap();
    let blocks: Vec<&str> = section.split("```").skip(1).step_by(2).collect();
    let place = tempfile::tempdir().unwrap();
    fs::create_dir(place.path().join("samples")).unwrap();
    for name in ["van-after.log.gz", "van-unplugged.log.gz", "van-door.log.gz"] {
        let path = format!("samples/{name}");
        fs::copy(own(&path), place.path().join(path)).unwrap();
    }
    let lines = blocks[0].lines().filter_map(|line| line.strip_prefix("lostnode "));
    let outputs: Vec<String> = lines
        .map(|line| {
            let words = line.split('"').enumerate().flat_map(|(at, part)| match at % 2 {
                1 => vec![part.to_owned()],
                _ => part.split(' ').filter(|word| !word.is_empty()).map(str::to_owned).collect(),
            });
            // A quoted name and what stands behind it are one word of the shell.
            let mut arguments: Vec<String> = Vec::new();
            for word in words {
                match arguments.last_mut() {
                    Some(last) if word.starts_with('=') => last.push_str(&word),
                    _ => arguments.push(word),
                }
            }
            let output = lostnode()
                .args(arguments)
                .current_dir(place.path())
                .env("COLUMNS", "80")
                .output()
                .unwrap();
            String::from_utf8(output.stdout).unwrap()
        })
        .collect();
    let said = blocks[1].strip_prefix("text\n").unwrap();
    assert!(outputs[1].starts_with(said), "{}", outputs[1]);
    assert!(outputs[2].starts_with("Sliding door dropped off the bus 5 times"), "{}", outputs[2]);
}

/// What was lost because it was unplugged is no reason to warn of the capture that was learned
/// from; what was lost besides is.
#[test]
fn losses_that_the_unplugging_explains() {
    let learned = |troubles: &str| {
        let bench = Bench::new(troubles, &[], "");
        let arguments = ["learn", "c.log", "--unplugged", "door=31..44", "-o", "l.toml"];
        let (code, _, told) = run(bench.place.path(), &arguments);
        assert_eq!(code, 0, "{told}");
        told
    };
    let door = power_loss("door", &[30.0], &[15.0]);
    assert!(!learned(&door).contains("outage"));
    let more = door + &power_loss("mirror", &[60.0], &[5.0]);
    assert!(learned(&more).contains("c.log: 2 outages; learn from captures in which nothing"));
}

/// Whoever unplugs modules is told what to be careful of before: in the help.
#[test]
fn cautions_stand_in_the_help() {
    for command in ["name", "learn"] {
        let (_, help, _) = run(&PathBuf::from("."), &[command, "--help"]);
        for part in [
            "the maker's procedure comes first",
            "No airbag, belt, brake, steering or high-voltage module",
            "Ignition off before a plug or a fuse is pulled",
            "clear the ones this set, as the maker says",
        ] {
            assert!(help.contains(part), "{command}: {part}: {help}");
        }
    }
}
