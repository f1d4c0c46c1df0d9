//! What a user can get wrong is said, and nothing is overwritten unasked.

mod common;

use std::path::{Path, PathBuf};

use common::{lostnode, own};
use tempfile::TempDir;

/// Runs the binary; exit code, standard output and standard error.
fn run(arguments: &[&str], paths: &[&Path]) -> (i32, String, String) {
    let output = lostnode().args(arguments).args(paths).output().unwrap();
    let text = |bytes| String::from_utf8(bytes).unwrap();
    (output.status.code().unwrap(), text(output.stdout), text(output.stderr))
}

/// The text on one line, so that it can be searched.
fn joined(text: &str) -> String {
    text.split_whitespace().collect::<Vec<_>>().join(" ")
}

/// The frames of a sample as log text, changed.
fn changed(folder: &TempDir, name: &str, change: impl Fn(String) -> String) -> PathBuf {
    let (_, text, _) = run(&["frames"], &[&own("samples/van-after.log.gz")]);
    let path = folder.path().join(name);
    std::fs::write(&path, change(text)).unwrap();
    path
}

/// Captures of another vehicle, in the wrong order, or of another bus.
#[test]
fn compare_says_where_captures_do_not_belong_together() {
    let (before, after) = (own("samples/van-door.log.gz"), own("samples/van-after.log.gz"));
    let (_, text, _) = run(&["compare"], &[&before, &after]);
    assert!(!text.contains("WARNING"), "{text}");
    let (code, text, _) = run(&["compare"], &[&after, &before]);
    assert_eq!(code, 3, "{text}");
    assert!(joined(&text).contains("older than the capture from before the repair"), "{text}");
    let folder = tempfile::tempdir().unwrap();
    // The digits of the VIN's end, as they stand in consecutive frames: 0042 for 0099.
    let vin = changed(&folder, "vin.log", |text| text.replace("30303432", "30303939"));
    let (code, text, _) = run(&["compare"], &[&before, &vin]);
    assert_eq!(code, 3, "{text}");
    assert!(joined(&text).contains("another vehicle: its VIN is"), "{text}");
    let other = changed(&folder, "other.log", |text| {
        let frames = text.lines().map(|line| match line.split_once("can0 ") {
            Some((stamp, frame)) => format!("{stamp}can0 1{}\n", &frame[1..]),
            None => format!("{line}\n"),
        });
        frames.collect()
    });
    let (code, text, _) = run(&["compare"], &[&before, &other]);
    assert_eq!(code, 3, "{text}");
    let text = joined(&text);
    assert!(text.contains("identifiers are in both captures"), "{text}");
    // It is said before the rows.
    assert!(text.find("WARNING").unwrap() < text.find("watched before").unwrap(), "{text}");
}

/// A roster fits a capture whose two interfaces are swapped, and captures of several such days are
/// learned from as one vehicle; of two vehicles it is said.
#[test]
fn channels_are_known_by_what_is_sent() {
    let folder = tempfile::tempdir().unwrap();
    let two = |name: &str, first: &str, second: &str| {
        changed(&folder, name, |text| {
            let frames = text.lines().filter_map(|line| line.split_once(" can0 "));
            let both = frames.map(|(stamp, frame)| {
                let (id, data) = frame.split_once('#').unwrap();
                format!("{stamp} {first} {frame}\n{stamp} {second} 1{id:0>7}#{data}\n")
            });
            both.collect()
        })
    };
    let (day, swapped) = (two("day.log", "can0", "can1"), two("swapped.log", "can1", "can0"));
    let other = changed(&folder, "other.log", |text| {
        let frames = text.lines().filter_map(|line| line.split_once(" can0 "));
        let frames = frames.map(|(stamp, frame)| {
            let (id, data) = frame.split_once('#').unwrap();
            format!("{stamp} can0 1{id:0>7}#{data}\n")
        });
        frames.collect()
    });
    let learned = |captures: &[&Path]| {
        let out = folder.path().join("learned.toml");
        let arguments = ["learn", "--force", "-o", out.to_str().unwrap()];
        let (code, text, told) = run(&arguments, captures);
        assert_eq!(code, 0, "{told}");
        let expected = text.split("identifiers, ").nth(1).unwrap().to_owned();
        (expected, told, out)
    };
    let (_, told, _) = learned(&[&own("samples/van-after.log.gz"), &other]);
    assert!(told.contains("another vehicle, or another bus of it"), "{told}");
    let (one, _, _) = learned(&[&day]);
    let (both, told, roster) = learned(&[&day, &swapped]);
    assert_eq!(one, both);
    assert!(told.contains("its can1 carries what can0 carries"), "{told}");
    for (capture, moved) in [(&day, false), (&swapped, true)] {
        let roster = ["report", "--roster", roster.to_str().unwrap()];
        let (code, text, _) = run(&roster, &[capture]);
        assert_eq!(code, 0, "{text}");
        assert_eq!(joined(&text).contains("can1 carries what the roster has on can0"), moved);
    }
}

/// How much longer to drive is said with the care that it takes, and only then.
#[test]
fn a_drive_is_asked_for_with_care() {
    let before = own("samples/van-door.log.gz");
    let folder = tempfile::tempdir().unwrap();
    // Not long enough to be sure.
    let first = |text: String| text.lines().take(10_000).map(|line| format!("{line}\n")).collect();
    let (_, text, _) = run(&["compare"], &[&before, &changed(&folder, "short.log", first)]);
    let text = joined(&text);
    assert!(
        text.contains("without a loss, on the same road and in the conditions in which"),
        "{text}"
    );
    assert!(text.contains("a second person watches the screen, within traffic law"), "{text}");
    let (_, text, _) = run(&["compare"], &[&before, &before]);
    assert!(!text.contains("a second person"), "{text}");
}

/// A job file of one reading and one thing done, and what comes of it.
fn with_job(job: &str, more: &[&str]) -> (i32, String, String) {
    let folder = tempfile::tempdir().unwrap();
    let file = folder.path().join("job.toml");
    std::fs::write(&file, job).unwrap();
    let file = file.to_str().unwrap();
    let arguments = [&["report", "--readings", file], more].concat();
    run(&arguments, &[&own("samples/van-door.log.gz")])
}

/// A slip in a job file is no reading that is dropped without a word.
#[test]
fn names_of_a_job_file_are_checked() {
    let roster = own("samples/van-roster.toml");
    let roster = ["--roster", roster.to_str().unwrap()];
    let drop = "\n[[reading]]\nwhat = \"ground_drop_volts\"\nvalue = 1.9\nnode = ";
    for (job, more, parts) in [
        (format!("{drop}\"zzz\""), &roster[..], ["line 5: node `zzz`", "`sliding door`"]),
        (format!("{drop}\"passenger door\""), &roster, ["line 5:", "`sliding door`"]),
        (format!("{drop}\"sliding door\""), &[], ["line 5:", "`node of 0x3B0`"]),
        ("[[done]]\nwhat = \"repared\"".to_owned(), &[], ["line 2: what `repared`", "`repaired`"]),
        (
            "[[done]]\nwhat = \"repaired\"\nnode = \"zzz\"".to_owned(),
            &roster,
            ["line 3: node `zzz`", "`sliding door`"],
        ),
        ("[[reading]]\nwhat = \"volts\"".to_owned(), &[], ["line 2:", "supply_volts"]),
        (
            "[[reading]]\nwhat = \"wiggle\"\nnode = \"0x3B0\"\nresult = \"fell\"".to_owned(),
            &[],
            ["line 4: result `fell`", "`dropped`"],
        ),
        ("system_volts = 42".to_owned(), &[], ["line 1:", "12 or 24"]),
    ] {
        let (code, _, error) = with_job(&job, more);
        assert_eq!(code, 2, "{job}: {error}");
        assert!(parts.iter().all(|part| error.contains(part)), "{job}: {error}");
    }
    // Every way to name the node is the same reading.
    for (name, more) in [
        ("sliding door", &roster[..]),
        ("0x3B0", &roster),
        ("3B0", &[]),
        ("node of 0x3B0", &[]),
        ("node of 0x3B0", &roster),
    ] {
        let (code, text, error) = with_job(&format!("{drop}\"{name}\""), more);
        assert_eq!(code, 1, "{name}: {error}");
        assert!(joined(&text).contains("1.9 V (bad ground)"), "{name}: {text}");
    }
}

/// 24.1 V are as they should be on a truck, and 12.2 V are not.
#[test]
fn limits_of_the_supply_follow_the_system() {
    let entry = |value: f64| {
        format!("[[reading]]\nwhat = \"supply_volts\"\nnode = \"3B0\"\nvalue = {value}\n")
    };
    for (job, band) in [
        (entry(12.2), "12.2 V (as it should be)"),
        (entry(24.1), "24.1 V (as it should be)"),
        (format!("{}{}", entry(24.1), entry(12.2)), "12.2 V (low)"),
        (format!("system_volts = 24\n{}", entry(12.2)), "12.2 V (low)"),
        (format!("system_volts = 12\n{}", entry(24.1)), "24.1 V (too high)"),
    ] {
        let (code, text, error) = with_job(&job, &["--format", "json"]);
        assert_eq!(code, 1, "{job}: {error}");
        assert!(text.contains(band), "{job}");
    }
}

/// Title, vehicle, readings and what was done head the page.
#[test]
fn the_job_heads_the_page() {
    let folder = tempfile::tempdir().unwrap();
    let out = folder.path().join("out");
    let job = "title = \"Courier van 7\"\nvehicle = \"invented, white\"\n\
               [[reading]]\nwhat = \"termination_ohms\"\nvalue = 60.4\n\
               [[done]]\nwhat = \"cleared\"\nnote = \"after saving\"\n";
    let (_, text, told) = with_job(job, &["--out", out.to_str().unwrap()]);
    // In the text under the headline, before the findings.
    let head = joined(text.split("\n\n").next().unwrap());
    assert!(head.ends_with("Courier van 7, invented, white, VIN XXTVANXXA0N000042"), "{head}");
    assert!(told.contains("report.html") && told.contains(out.to_str().unwrap()), "{told}");
    let page = std::fs::read_to_string(out.join("report.html")).unwrap();
    let head = &page[page.find("<header>").unwrap()..page.find("</header>").unwrap()];
    for part in
        ["Courier van 7", "invented, white", "VIN XXTVANXXA0N000042", "60.4 Ohm", "after saving"]
    {
        assert!(head.contains(part), "{part}: {head}");
    }
}

/// What was made by hand is not written over.
#[test]
fn nothing_is_overwritten_unasked() {
    let folder = tempfile::tempdir().unwrap();
    let roster = folder.path().join("roster.toml");
    std::fs::write(&roster, "# HANDMADE\n").unwrap();
    let capture = own("samples/van-after.log.gz");
    let (code, _, error) = run(&["learn", "-o", roster.to_str().unwrap()], &[&capture]);
    assert_eq!(code, 2);
    assert!(error.contains("exists already") && error.contains("--force"), "{error}");
    assert!(std::fs::read_to_string(&roster).unwrap().contains("HANDMADE"));
    let (code, ..) = run(&["learn", "--force", "-o", roster.to_str().unwrap()], &[&capture]);
    assert_eq!(code, 0);
    assert!(!std::fs::read_to_string(&roster).unwrap().contains("HANDMADE"));

    let (capture, scenario) = (folder.path().join("a.log"), own("samples/van-door.toml"));
    std::fs::write(&capture, "HANDMADE").unwrap();
    let simulate = ["simulate", "--out", capture.to_str().unwrap()];
    let (code, _, error) = run(&simulate, &[&scenario]);
    assert!(code == 2 && error.contains("exists already"), "{error}");
    assert_eq!(std::fs::read_to_string(&capture).unwrap(), "HANDMADE");
    let (code, text, _) = run(&["simulate", "--out", "-"], &[&scenario]);
    assert!(code == 0 && text.starts_with('('), "standard output");
    assert!(!Path::new("-").exists() && !Path::new("-.truth.json").exists());
}

/// A wrong name in a scenario is told with those that there are.
#[test]
fn a_wrong_name_in_a_scenario_is_told() {
    let folder = tempfile::tempdir().unwrap();
    let text = std::fs::read_to_string(own("samples/van-after.toml")).unwrap();
    let path = folder.path().join("wrong.toml");
    let wrong = "\n[[trouble]]\nkind = \"power_loss\"\nnode = \"zzz\"\nat = [1.0]\nlasts = [1.0]\n";
    std::fs::write(&path, text + wrong).unwrap();
    let (code, _, error) = run(&["simulate", "--out", "-"], &[&path]);
    assert_eq!(code, 2);
    assert!(error.contains("trouble power_loss: there is no node `zzz`; there are `"), "{error}");
}

/// Nothing found is told, and what can find nothing is refused.
#[test]
fn empty_results_are_told() {
    let capture = own("samples/van-after.log.gz");
    let (code, text, told) = run(&["frames", "--channel", "can7"], &[&capture]);
    assert!(code == 0 && text.is_empty());
    assert!(told.contains("there is no channel can7") && told.contains("can0"), "{told}");
    let (_, _, told) = run(&["frames", "--id", "7FF"], &[&capture]);
    assert!(told.contains("no frame of the capture"), "{told}");
    for command in ["frames", "replay"] {
        for (arguments, why) in [
            (["--from", "30", "--to", "10"].as_slice(), "lies before"),
            (&["--from", "nan"], "no number of seconds"),
            (&["--id", "7FF-100"], "the lower identifier goes first"),
        ] {
            let (code, _, told) = run(&[&[command], arguments].concat(), &[&capture]);
            assert!(code == 2 && told.contains(why), "{command}: {told}");
        }
    }
    let folder = tempfile::tempdir().unwrap();
    let roster = folder.path().join("empty.toml");
    std::fs::write(&roster, "").unwrap();
    let (code, _, told) = run(&["report", "--roster", roster.to_str().unwrap()], &[&capture]);
    assert!(code == 2 && told.contains("names no node"), "{told}");
}

/// Codes of trucks, and JSON.
#[test]
fn codes_of_trucks_are_explained() {
    let said = |code: &str| joined(&run(&["explain", code], &[]).1);
    let network = said("SPN 639 FMI 9");
    assert!(network.contains("J1939 network 1"), "{network}");
    // That messages stayed away is no matter of terminations.
    assert!(network.contains("9: abnormal update rate") && network.contains("stayed away"));
    assert!(!network.contains("60 Ohm"), "{network}");
    assert!(said("SPN 639 FMI 19").contains("was in error"));
    assert!(said("SPN 639 FMI 3").contains("The bus itself"));
    assert!(said("SPN 639").contains("The bus itself"));
    let second = said("SPN 1231 FMI 5");
    assert!(second.contains("not the one recorded") && second.contains("60 Ohm"), "{second}");
    let old = said("SPN 608 FMI 9");
    assert!(old.contains("no CAN") && !old.contains("60 Ohm"), "{old}");
    // A supply is too low or too high, as the failure mode says.
    for low in ["SPN 168 FMI 1", "SPN 158 FMI 4", "SPN 627 FMI 18"] {
        assert!(said(low).contains("low or interrupted"), "{low}");
    }
    for high in ["SPN 168 FMI 3", "SPN 158 FMI 0", "SPN 167 FMI 16"] {
        let told = said(high);
        assert!(told.contains("too high") && !told.contains("weak battery"), "{told}");
    }
    for (other, says) in [
        ("SPN 115 FMI 16", "current"),
        ("SPN 114 FMI 31", "current"),
        ("SPN 430 FMI 3", "one circuit"),
        ("SPN 152 FMI 31", "restarted"),
        ("SPN 168", "which way"),
    ] {
        let told = said(other);
        assert!(told.contains(says) && !told.contains("weak battery, a change"), "{told}");
    }
    assert_eq!(said("639/9"), network);
    let brakes = said("spn 2011 fmi 9");
    assert!(brakes.contains("0x0B (brakes, system controller)"), "{brakes}");
    assert!(brakes.contains("is not heard") && brakes.contains("CAUTION Brakes:"), "{brakes}");
    let airbag = said("SPN 2083");
    assert!(airbag.contains("0x53") && airbag.contains("can fire"), "{airbag}");
    assert!(said("SPN 524280 FMI 4").contains("Identity not known"));
    // Rail pressure goes through the skin; what cleans the exhaust is hot.
    for rail in ["SPN 157 FMI 0", "SPN 164 FMI 1"] {
        assert!(said(rail).contains("goes through glove and skin"), "{rail}");
    }
    for hot in ["SPN 3216 FMI 9", "SPN 3251 FMI 3", "SPN 1761 FMI 1"] {
        let told = said(hot);
        assert!(!told.contains("Identity not known"), "{told}");
        assert!(told.contains("aftertreatment") || told.contains("hot"), "{told}");
    }
    for wrong in ["639", "SPN 639 FMI 32", "SPN 524288", "SPN"] {
        assert_eq!(run(&["explain", wrong], &[]).0, 2, "{wrong}");
    }
    let (_, text, _) = run(&["explain", "--format", "json", "U0151-87", "SPN 639"], &[]);
    let list: serde_json::Value = serde_json::from_str(&text).unwrap();
    assert_eq!(list[0]["code"], "U0151-87");
    assert_eq!(list[0]["cautions"][0]["id"], "restraints");
    assert_eq!((&list[1]["code"], &list[1]["failure"]), (&"SPN 639".into(), &().into()));
}

/// Ctrl-C while standard input goes on: the report of what was read.
#[cfg(unix)]
#[test]
fn an_interrupted_recording_is_reported() {
    use std::io::Write;
    let mut child = lostnode()
        .args(["report", "-", "--format", "json"])
        .stdin(std::process::Stdio::piped())
        .stdout(std::process::Stdio::piped())
        .stderr(std::process::Stdio::piped())
        .spawn()
        .unwrap();
    let mut input = child.stdin.take().unwrap();
    // More than a pipe holds: once it is written the program is reading.
    for at in 0..20_000 {
        let (seconds, micros) = (1_000_000_000 + at / 100, at % 100 * 10_000);
        writeln!(input, "({seconds}.{micros:06}) can0 {:03X}#{at:08X}", 0x100 + at % 5).unwrap();
    }
    let id = child.id().to_string();
    std::process::Command::new("kill").args(["-INT", &id]).output().unwrap();
    // The pipe stays open: only Ctrl-C can end it.
    let output = child.wait_with_output().unwrap();
    drop(input);
    let told = String::from_utf8(output.stderr).unwrap();
    assert!(told.contains("interrupted"), "{told}");
    assert!(matches!(output.status.code(), Some(0 | 3)), "{:?}: {told}", output.status);
    let document: serde_json::Value = serde_json::from_slice(&output.stdout).unwrap();
    assert!(document["captures"][0]["frames"].as_u64().unwrap() > 10_000);
}

/// A file that holds no frames: what it seems to be, what is read, what to do.
#[test]
fn an_unknown_file_is_told_what_it_seems_to_be() {
    let folder = TempDir::new().unwrap();
    let out = folder.path().join("out");
    let van = own("samples/van-after.log.gz");
    run(&["report", "--out", out.to_str().unwrap()], &[&van]);
    let utf16: Vec<u8> =
        "(1.000000) can0 123#00\r\n".encode_utf16().flat_map(u16::to_le_bytes).collect();
    let gzip = |bytes: &[u8]| {
        use std::io::Write as _;
        let mut out = flate2::write::GzEncoder::new(Vec::new(), flate2::Compression::fast());
        out.write_all(bytes).unwrap();
        out.finish().unwrap()
    };
    let file = |name: &str| std::fs::read(own(name)).unwrap();
    let written = |name: &str| std::fs::read(out.join(name)).unwrap();
    for (bytes, seems, to_do) in [
        (b"PK\x03\x04\x14\0\0\0".to_vec(), "a ZIP archive", "unpack it"),
        (gzip(&gzip(b"(1.000000) can0 123#00\n")), "packed twice", "unpack it"),
        (b"%PDF-1.7\n%\xE2\xE3".to_vec(), "a PDF document", "name the capture"),
        (gzip(b"%PDF-1.7\n%\xE2\xE3"), "a PDF document", "name the capture"),
        (b"VERSION \"\"\n\nBU_: A\nBO_ 291 X: 8 A\n".to_vec(), "DBC", "holds none"),
        (utf16, "UTF-16", "save it again as UTF-8"),
        ([0, 1, 2, 255].repeat(99), "binary data of a kind not known", "export"),
        (b"time;id;data\n1.0;123;00\n2.0;123;00\n".to_vec(), "a table", "--columns"),
        (file("samples/van-roster.toml"), "a roster", "--roster"),
        (file("samples/van-job.toml"), "a job file", "--readings"),
        (file("samples/van-door.toml"), "a scenario", "lostnode simulate"),
        (file("samples/van-door.truth.json"), "the truth beside", "without .truth.json"),
        (written("report.json"), "a report that lostnode wrote", "made from"),
        (written("report.html"), "a report that lostnode wrote", "made from"),
        (written("presence.png"), "a picture", "name the capture"),
    ] {
        let path = folder.path().join("unknown");
        std::fs::write(&path, bytes).unwrap();
        let (code, _, error) = run(&["report"], &[&path]);
        let told = joined(&error);
        assert_eq!(code, 2, "{seems}: {told}");
        assert!(
            told.contains("seems to be") && told.contains(seems) && told.contains(to_do),
            "{seems}: {told}"
        );
        assert!(told.contains("docs/formats.md"), "{told}");
    }
    // The same where a roster or a job file was wanted.
    for (option, path, seems) in [
        ("--roster", own("samples/van-door.toml"), "a scenario"),
        ("--roster", van.clone(), "packed twice"),
        ("--roster", out.join("report.json"), "a report that lostnode wrote"),
        ("--readings", own("samples/van-roster.toml"), "a roster"),
        ("--readings", out.join("presence.png"), "a picture"),
    ] {
        let (code, _, error) = run(&["report", option, path.to_str().unwrap()], &[&van]);
        assert!(code == 2 && error.contains(seems) && error.contains(option), "{option}: {error}");
    }
}

/// A module that falls silent for good right after the repair: its few frames show no timer, so
/// that nothing could be missed, and no repair is proved.
#[test]
fn what_is_hardly_heard_proves_no_repair() {
    let folder = tempfile::tempdir().unwrap();
    let door = ["can0 3B0#", "can0 3B2#", "can0 5B0#"];
    for kept in [2, 4] {
        let after = changed(&folder, &format!("{kept}.log"), |text| {
            let mut seen = [0; 3];
            let own = |line: &&str| match door.iter().position(|own| line.contains(own)) {
                Some(at) => {
                    seen[at] += 1;
                    seen[at] <= kept
                }
                None => true,
            };
            text.lines().filter(own).map(|line| format!("{line}\n")).collect()
        });
        let (code, text, _) = run(&["compare"], &[&own("samples/van-door.log.gz"), &after]);
        let text = joined(&text);
        assert!(code == 3 && text.contains("was hardly heard afterwards"), "{code}: {text}");
    }
}

/// A bit rate in kilobits is a usual slip; one at which no bus could have carried the frames gives
/// no load, and so no flood, and the answer stays what it is without it.
#[test]
fn a_bit_rate_that_cannot_be() {
    let van = own("samples/van-door.log.gz");
    for (value, told) in [
        ("500", "in bits per second: 500000?"),
        ("0.5", "between 5000 and 1000000 bits per second"),
        ("5000000", "between 5000 and 1000000 bits per second"),
    ] {
        let (code, _, error) = run(&["report", "--bit-rate", value], &[&van]);
        assert!(code == 2 && error.contains(told), "{value}: {error}");
    }
    let (_, right, _) = run(&["report", "--bit-rate", "500000"], &[&van]);
    let (code, text, _) = run(&["report", "--bit-rate", "10000"], &[&van]);
    let headline = |text: &str| joined(text).split(": ").next().unwrap().to_owned();
    assert_eq!((code, headline(&text)), (1, headline(&right)));
    let text = joined(&text);
    assert!(
        text.contains("more bits than the bit rate allows") && !text.contains("flood"),
        "{text}"
    );
    assert!(joined(&right).contains("most likely no power or ground (77 %)"), "{right}");
    assert!(text.contains("most likely no power or ground (7"), "{text}");
}

/// Bins wider than any recording are one bin.
#[test]
fn a_bin_of_three_hundred_years() {
    let (code, _, error) =
        run(&["report", "--load-bin", "1e10"], &[&own("samples/van-door.log.gz")]);
    assert_eq!((code, error.as_str()), (1, ""));
}
