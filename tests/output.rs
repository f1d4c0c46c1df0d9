//! What the report looks like: text, JSON, pictures, exit codes.

mod common;

use std::fs;

use common::{lostnode, own, piped};
use serde_json::Value;

#[test]
fn the_text_puts_the_answer_first_and_fits_80_columns() {
    let output = lostnode().arg("report").arg(own("samples/van-door.log.gz")).output().unwrap();
    assert_eq!(output.status.code(), Some(1));
    let text = String::from_utf8(output.stdout).unwrap();
    assert!(text.starts_with("The module that sends 0x3B0 and 2 more identifiers"), "{text}");
    assert!(!text.contains('\u{1b}'), "no colour where standard output is no terminal");
    let longest = text.lines().map(|line| line.chars().count()).max().unwrap();
    assert!(longest <= 80, "a line of {longest} columns");
    let colour = lostnode()
        .arg("report")
        .arg(own("samples/van-door.log.gz"))
        .env("CLICOLOR_FORCE", "1")
        .output()
        .unwrap();
    assert!(String::from_utf8(colour.stdout).unwrap().contains('\u{1b}'));
    assert!(output.stderr.is_empty(), "no progress bar where standard error is no terminal");
}

/// On a terminal (made by `script` from util-linux) the report has colour, and none with
/// `NO_COLOR`.
#[test]
fn no_color_is_respected_on_a_terminal() {
    let command = format!(
        "{} report {}",
        env!("CARGO_BIN_EXE_lostnode"),
        own("samples/van-door.log.gz").display()
    );
    let on_terminal = |no_color: bool| {
        let mut script = std::process::Command::new("script");
        script
            .args(["-qec", &command, "/dev/null"])
            .env("TERM", "xterm")
            .env_remove("NO_COLOR")
            .stdin(std::process::Stdio::null());
        if no_color {
            script.env("NO_COLOR", "1");
        }
        script.output().ok().map(|output| String::from_utf8_lossy(&output.stdout).into_owned())
    };
    let Some(coloured) = on_terminal(false) else {
        println!("skipped: no `script` here");
        return;
    };
    assert!(coloured.contains("\u{1b}[1m\u{1b}[38;5;130m"), "{coloured}");
    assert!(!on_terminal(true).unwrap().contains("\u{1b}["), "colour in spite of NO_COLOR");
}

/// The fields that docs/json.md promises, and no field without its description there.
#[test]
fn json_keeps_its_contract() {
    let output = lostnode()
        .arg("report")
        .arg(own("samples/van-door.log.gz"))
        .args(["--format", "json"])
        .output()
        .unwrap();
    let document: Value = serde_json::from_slice(&output.stdout).unwrap();
    assert_eq!(document["schema"], "lostnode.report/1");
    for (list, fields) in [
        (
            "captures",
            "path format frames rejected_lines first_rejected start end out_of_order_frames",
        ),
        ("channels", "name frames error_frames bit_rate load error_events"),
        ("identifiers", "channel id extended frames kind period_s jitter_s node"),
        ("nodes", "name channel ids basis confidence heard"),
        ("outages", "scope channel nodes ids start end duration_s cause ongoing_at_end evidence"),
    ] {
        let first = document[list][0].as_object().unwrap_or_else(|| panic!("{list} is empty"));
        for field in fields.split(' ') {
            assert!(first.contains_key(field), "{list} has no {field}");
        }
    }
    let described = fs::read_to_string(own("docs/json.md")).unwrap();
    let mut todo = vec![&document];
    while let Some(value) = todo.pop() {
        match value {
            Value::Object(object) => {
                for (name, value) in object {
                    assert!(
                        described.contains(&format!("`{name}`")),
                        "docs/json.md does not describe {name}"
                    );
                    todo.push(value);
                }
            }
            Value::Array(list) => todo.extend(list),
            _ => {}
        }
    }
}

#[test]
fn an_output_folder_that_cannot_be_is_said() {
    let output = lostnode()
        .arg("report")
        .arg(own("samples/van-door.log.gz"))
        .args(["--out", "/dev/null/report"])
        .output()
        .unwrap();
    assert_eq!(output.status.code(), Some(2));
    assert!(
        String::from_utf8_lossy(&output.stderr).contains("/dev/null/report: cannot be written")
    );
}

#[test]
fn frames_are_filtered_and_written_in_three_forms() {
    let sample = own("samples/van-door.log.gz");
    let run = |arguments: &[&str]| {
        let output = lostnode().arg("frames").arg(&sample).args(arguments).output().unwrap();
        assert!(output.status.success());
        String::from_utf8(output.stdout).unwrap()
    };
    let some = run(&["--id", "3B0", "--from", "10", "--to", "11"]);
    assert!((19..=21).contains(&some.lines().count()), "{some}");
    assert!(some.lines().all(|line| line.contains(" can0 3B0#")));
    let csv = run(&["--id", "3B0-3B2", "--to", "1", "--format", "csv"]);
    assert!(csv.starts_with(
        "time,channel,kind,id,extended,dlc,data,brs,esi,error_class,error_bits,bits\n"
    ));
    assert!(
        csv.lines().skip(1).all(|line| line.split(',').count() == 12
            && (line.contains("0x3B0") || line.contains("0x3B2")))
    );
    let jsonl = run(&["--id", "3B0", "--to", "1", "--format", "jsonl"]);
    let first: Value = serde_json::from_str(jsonl.lines().next().unwrap()).unwrap();
    assert_eq!(
        (first["id"].as_str(), first["kind"].as_str(), first["dlc"].as_u64()),
        (Some("0x3B0"), Some("data"), Some(6))
    );
    // What is written as text is the capture again.
    let all = run(&[]);
    assert_eq!(String::from_utf8(piped(&["frames", "-"], all.as_bytes()).stdout).unwrap(), all);
    let wrong = lostnode().arg("frames").arg(&sample).args(["--id", "12"]).output().unwrap();
    assert!(String::from_utf8_lossy(&wrong.stderr).contains("is no identifier"));
}

/// A reader that goes away (`| head`) is no error.
#[test]
fn a_broken_pipe_is_no_error() {
    use std::io::Read;
    let mut child = lostnode()
        .arg("frames")
        .arg(own("samples/van-door.log.gz"))
        .stdout(std::process::Stdio::piped())
        .stderr(std::process::Stdio::piped())
        .spawn()
        .unwrap();
    let mut first = [0; 100];
    let mut out = child.stdout.take().unwrap();
    out.read_exact(&mut first).unwrap();
    drop(out);
    let output = child.wait_with_output().unwrap();
    assert_eq!((output.status.code(), output.stderr.len()), (Some(0), 0));
}

#[test]
fn a_wrong_scenario_is_said_with_its_place() {
    let folder = tempfile::tempdir().unwrap();
    let scenario = folder.path().join("wrong.toml");
    let text = fs::read_to_string(own("samples/van-door.toml")).unwrap();
    for (from, to, message) in [
        ("drift_ppm = 41.0", "drift = 41.0", "unknown field `drift`"),
        ("id = \"0C8\"", "id = \"8C8\"", "is no identifier"),
        (
            "kind = \"power_loss\"\nnode = \"sliding door\"",
            "kind = \"power_loss\"\nnode = \"roof\"",
            "there is no node `roof`; there are `engine`",
        ),
        ("period = 0.02, counter", "period = 0.0, counter", "give either `period` or `mean_gap`"),
        ("byte = 7, width = 4", "byte = 7, width = 9", "does not fit into its byte"),
    ] {
        fs::write(&scenario, text.replacen(from, to, 1)).unwrap();
        let output = lostnode()
            .arg("simulate")
            .arg(&scenario)
            .arg("--out")
            .arg(folder.path().join("x.log"))
            .output()
            .unwrap();
        let said = String::from_utf8_lossy(&output.stderr).into_owned();
        assert!(output.status.code() == Some(2) && said.contains(message), "{said}");
    }
}

/// The committed sample is what its scenario makes.
#[test]
fn the_sample_is_reproducible() {
    let folder = tempfile::tempdir().unwrap();
    for name in ["van-door", "van-after", "van-unplugged"] {
        let path = folder.path().join(format!("{name}.log"));
        let scenario = own(&format!("samples/{name}.toml"));
        assert!(
            lostnode()
                .arg("simulate")
                .arg(scenario)
                .arg("--out")
                .arg(&path)
                .status()
                .unwrap()
                .success()
        );
        let mut committed = Vec::new();
        let packed = fs::File::open(own(&format!("samples/{name}.log.gz"))).unwrap();
        std::io::Read::read_to_end(&mut flate2::read::GzDecoder::new(packed), &mut committed)
            .unwrap();
        assert!(
            fs::read(&path).unwrap() == committed,
            "make samples/{name}.log.gz again: the scenario or the simulator has changed"
        );
        assert_eq!(
            fs::read_to_string(folder.path().join(format!("{name}.truth.json"))).unwrap(),
            fs::read_to_string(own(&format!("samples/{name}.truth.json"))).unwrap()
        );
    }
}
