//! `lostnode watch`: what it tells while frames come, and the report at its end.

mod common;

use std::io::{BufRead, BufReader, Read, Write};
use std::path::Path;
use std::process::{Child, Command, Stdio};
use std::time::{Duration, Instant};

use common::{lostnode, own, piped};
use serde_json::Value;

fn van() -> Vec<u8> {
    let bytes = std::fs::read(own("samples/van-door.log.gz")).unwrap();
    let mut log = Vec::new();
    flate2::read::GzDecoder::new(&bytes[..]).read_to_end(&mut log).unwrap();
    log
}

fn events(output: &[u8]) -> Vec<Value> {
    let lines = std::str::from_utf8(output).unwrap().lines();
    lines.map(|line| serde_json::from_str(line).unwrap()).collect()
}

fn kinds<'e>(events: &'e [Value], kind: &str) -> Vec<&'e Value> {
    events.iter().filter(|event| event["event"] == kind).collect()
}

/// The sliding door of the van is lost five times; then the key is turned off, and what was called
/// silent is taken back.
#[test]
fn a_pipe_without_pace_is_watched_by_the_clock_of_the_capture() {
    let roster = own("samples/van-roster.toml");
    let roster = roster.to_str().unwrap();
    let output = piped(&["watch", "-", "--format", "jsonl", "--roster", roster], &van());
    assert_eq!(output.status.code(), Some(1), "something was lost");
    let events = events(&output.stdout);
    let door = |event: &&&Value| event["node"] == "sliding door";
    let back = kinds(&events, "back");
    let door_back: Vec<_> = back.iter().filter(door).collect();
    assert_eq!(door_back.len(), 5);
    assert!(door_back.iter().all(|event| event["cause"] == "lost_power"));
    let report = common::report(&own("samples/van-door.log.gz"), &["--roster", roster]).1;
    let outages = report["outages"].as_array().unwrap();
    let of_door = outages.iter().filter(|outage| outage["nodes"][0] == "sliding door");
    let lost: Vec<_> = of_door.filter(|outage| outage["benign"] == false).collect();
    assert_eq!(lost.len(), 5);
    let timeout = |event: &Value| {
        let of_node = report["identifiers"]
            .as_array()
            .unwrap()
            .iter()
            .filter(|id| id["node"] == event["node"] && !id["timeout_s"].is_null());
        of_node.map(|id| id["timeout_s"].as_f64().unwrap()).fold(f64::INFINITY, f64::min)
    };
    for (outage, (event, silent)) in
        lost.iter().zip(door_back.iter().zip(kinds(&events, "silent").iter().filter(door)))
    {
        let near = |a: &Value, b: &Value| (a.as_f64().unwrap() - b.as_f64().unwrap()).abs() < 0.002;
        assert!(near(&outage["start"], &event["since"]), "{outage} {event}");
        assert!(near(&outage["end"], &event["time"]), "{outage} {event}");
        // Never before the time-out, and not much after it. The report, which knows more of its
        // scatter, has it a little longer or shorter.
        let (after, timeout) = (silent["for_s"].as_f64().unwrap(), timeout(silent));
        assert!(after > timeout - 0.002 && after < timeout + 0.2, "{after} {timeout}");
    }
    let asleep = kinds(&events, "sleep");
    assert!(asleep.iter().any(|event| event["channel"] == "can0" && event["node"].is_null()));
    assert_eq!(events.last().unwrap()["event"], "end");
    assert_eq!(events.last().unwrap()["frames"], 52214);
}

/// The report of a stream and of the file that was saved of it are one, and the file is what came.
#[test]
fn the_report_at_the_end_is_that_of_the_saved_file() {
    let folder = tempfile::tempdir().unwrap();
    let (saved, out) = (folder.path().join("saved.log"), folder.path().join("out"));
    let text = |path: &Path| path.to_str().unwrap().to_owned();
    let output = piped(&["watch", "-", "--save", &text(&saved), "--out", &text(&out)], &van());
    assert_eq!(output.status.code(), Some(1));
    assert!(std::fs::read(&saved).unwrap() == van());
    let mut of_file = lostnode();
    of_file.arg("report").arg(&saved).arg("--out").arg(folder.path().join("own"));
    let report = of_file.output().unwrap();
    let whole = String::from_utf8(output.stdout).unwrap();
    let own = String::from_utf8(report.stdout).unwrap();
    // The lines told on the way come first. In the text the name of the capture stands once.
    let name = text(&saved);
    let own = own.replace(&name, "-");
    let at = whole.find("The module that sends").unwrap();
    let without_name = |text: &str| {
        text.lines().filter(|line| !line.contains("2026-09-21")).map(str::to_owned).collect()
    };
    let (watched, reported): (Vec<String>, Vec<String>) =
        (without_name(&whole[at..]), without_name(&own));
    assert_eq!(watched, reported);
    let json = |folder: &Path| {
        let text = std::fs::read_to_string(folder.join("report.json")).unwrap();
        let mut document: Value = serde_json::from_str(&text).unwrap();
        let capture = document["captures"][0].as_object_mut().unwrap();
        capture.retain(|name, _| name != "path" && name != "format");
        document.to_string()
    };
    assert!(json(&out) == json(&folder.path().join("own")));
}

/// Ten seconds of five messages and one that stops, in their own time, from a thread.
fn paced(mut to: impl Write + Send + 'static, step: Duration, steps: u32, gone: u32) {
    std::thread::spawn(move || {
        let begun = Instant::now();
        for at in 0..steps {
            let time = 1_700_000_000.0 + f64::from(at) * step.as_secs_f64();
            let ids: &[&str] = if at < gone { &["0A0", "0B0", "0C0"] } else { &["0A0", "0B0"] };
            let lines = ids.iter().map(|id| format!("({time:.6}) can0 {id}#{:02X}\n", at % 256));
            let written = to.write_all(lines.collect::<String>().as_bytes());
            if written.and_then(|()| to.flush()).is_err() {
                return;
            }
            let due = begun + step * (at + 1);
            std::thread::sleep(due.saturating_duration_since(Instant::now()));
        }
    });
}

const ROSTER: &str = r#"
[[node]]
name = "door"
channel = "can0"
messages = [{ id = "0x0C0", period = 0.02 }]

[[node]]
name = "engine"
channel = "can0"
messages = [{ id = "0x0A0", period = 0.02 }]

[[node]]
name = "brakes"
channel = "can0"
messages = [{ id = "0x0B0", period = 0.02 }]
"#;

fn watch(arguments: &[&str]) -> Child {
    let mut command: Command = lostnode();
    command.arg("watch").args(arguments);
    command.stdin(Stdio::piped()).stdout(Stdio::piped()).stderr(Stdio::piped()).spawn().unwrap()
}

/// All that is on the bus falls silent: the alarm does not wait for the next frame. A signal ends
/// the watch with its report.
#[test]
fn a_bus_that_dies_is_told_of_before_another_frame_comes() {
    let folder = tempfile::tempdir().unwrap();
    let roster = folder.path().join("roster.toml");
    std::fs::write(&roster, ROSTER).unwrap();
    let out = folder.path().join("out");
    let mut child = watch(&[
        "-",
        "--format",
        "jsonl",
        "--roster",
        roster.to_str().unwrap(),
        "--out",
        out.to_str().unwrap(),
    ]);
    let mut stdin = child.stdin.take().unwrap();
    let kept = std::os::fd::AsFd::as_fd(&stdin).try_clone_to_owned().unwrap();
    let step = Duration::from_millis(20);
    for at in 0..150_u32 {
        let time = 1_700_000_000.0 + f64::from(at) * 0.02;
        let lines = ["0A0", "0B0", "0C0"].map(|id| format!("({time:.6}) can0 {id}#01\n"));
        stdin.write_all(lines.concat().as_bytes()).unwrap();
        std::thread::sleep(step);
    }
    let mut lines = BufReader::new(child.stdout.take().unwrap()).lines();
    let event: Value = serde_json::from_str(&lines.next().unwrap().unwrap()).unwrap();
    assert_eq!((&event["event"], &event["node"]), (&"silent".into(), &Value::Null), "{event}");
    assert_eq!(event["ids"], serde_json::json!(["0x0A0", "0x0B0", "0x0C0"]));
    assert!(event["for_s"].as_f64().unwrap() > 0.1);
    // The pipe is still open; a signal ends it.
    let id = child.id().to_string();
    assert!(Command::new("kill").args(["-TERM", &id]).status().unwrap().success());
    let rest: Vec<String> = lines.map(Result::unwrap).collect();
    assert!(rest.last().unwrap().contains("\"event\":\"end\""), "{rest:?}");
    assert!(child.wait().unwrap().code().is_some(), "it ended by itself");
    assert!(out.join("report.json").exists() && out.join("report.html").exists());
    drop(kept);
}

/// One of three stops in a pipe that keeps pace.
#[test]
fn a_node_that_stops_is_told_of_while_the_others_go_on() {
    let folder = tempfile::tempdir().unwrap();
    let roster = folder.path().join("roster.toml");
    std::fs::write(&roster, ROSTER).unwrap();
    let mut child = watch(&["-", "--format", "jsonl", "--roster", roster.to_str().unwrap()]);
    paced(child.stdin.take().unwrap(), Duration::from_millis(20), 200, 120);
    let mut lines = BufReader::new(child.stdout.take().unwrap()).lines();
    let event: Value = serde_json::from_str(&lines.next().unwrap().unwrap()).unwrap();
    assert_eq!((&event["event"], &event["node"]), (&"silent".into(), &"door".into()), "{event}");
    let since = event["since"].as_f64().unwrap() - 1_700_000_000.0;
    assert!((since - 119.0 * 0.02).abs() < 1e-3, "{since}");
    assert!(event["for_s"].as_f64().unwrap() < 0.3, "{event}");
    assert_eq!(child.wait().unwrap().code(), Some(1));
}

/// A file that grows is followed, also where it is begun anew.
#[test]
fn a_growing_file_is_followed_through_truncation() {
    let folder = tempfile::tempdir().unwrap();
    let path = folder.path().canonicalize().unwrap().join("growing.log");
    let line =
        |at: u32| format!("({}.{:06}) can0 0A0#00\n", 1_700_000_000 + at / 10, at % 10 * 100_000);
    let text = |range: std::ops::Range<u32>| range.map(line).collect::<String>();
    std::fs::write(&path, text(0..200)).unwrap();
    let child = watch(&[path.to_str().unwrap(), "--format", "jsonl"]);
    let until_read = |length: usize| {
        while common::position(child.id(), &path) != Some(length as u64) {
            std::thread::sleep(Duration::from_millis(5));
        }
    };
    until_read(text(0..200).len());
    std::fs::write(&path, text(200..250)).unwrap();
    until_read(text(200..250).len());
    assert!(Command::new("kill").arg(child.id().to_string()).status().unwrap().success());
    let output = child.wait_with_output().unwrap();
    let told = String::from_utf8_lossy(&output.stderr).into_owned();
    assert!(told.contains("was cut short; reading on from its beginning"), "{told}");
    let events = events(&output.stdout);
    assert_eq!(events.last().unwrap()["frames"], 250, "{events:?}");
}

/// Marks come in through a file, stand among the events, in the file beside the saved capture, and
/// in the report, which finds them there again.
#[test]
fn marks_are_kept_beside_the_capture_and_held_against_the_losses() {
    let folder = tempfile::tempdir().unwrap();
    let path = |name: &str| folder.path().join(name).to_str().unwrap().to_owned();
    std::fs::write(path("roster.toml"), ROSTER).unwrap();
    std::fs::write(path("marks"), "said before\n").unwrap();
    let (saved, marks) = (path("saved.log"), path("marks"));
    let mut child = watch(&[
        "-",
        "--format",
        "jsonl",
        "--roster",
        &path("roster.toml"),
        "--save",
        &saved,
        "--marks",
        &marks,
        "--out",
        &path("out"),
    ]);
    paced(child.stdin.take().unwrap(), Duration::from_millis(20), 250, 80);
    // What is written before the file is watched was done before.
    let watched = folder.path().canonicalize().unwrap().join("marks");
    while common::position(child.id(), &watched) != Some("said before\n".len() as u64) {
        std::thread::sleep(Duration::from_millis(5));
    }
    let mut file = std::fs::OpenOptions::new().append(true).open(&marks).unwrap();
    file.write_all("pressing the harness\nbell\u{7}\n".as_bytes()).unwrap();
    let output = child.wait_with_output().unwrap();
    let events = events(&output.stdout);
    let told = kinds(&events, "mark");
    assert_eq!(told.len(), 1, "{told:?}");
    assert_eq!(told[0]["text"], "pressing the harness");
    let beside = std::fs::read_to_string(path("saved.log.marks")).unwrap();
    assert!(beside.ends_with(" pressing the harness\n") && beside.lines().count() == 1, "{beside}");
    let (_, report) = common::report(Path::new(&saved), &["--roster", &path("roster.toml")]);
    let mark = &report["marks"][0];
    assert_eq!((&mark["text"], &mark["losses"]), (&"pressing the harness".into(), &1.into()));
    assert_eq!(mark["losses_within_2s"], 1, "{mark}");
    let out = std::fs::read_to_string(folder.path().join("out/report.json")).unwrap();
    let out: Value = serde_json::from_str(&out).unwrap();
    assert_eq!(out["marks"], report["marks"]);
}

/// A mark before each of five losses stands out, and is evidence of a finding; one that was set at
/// other times does not.
#[test]
fn a_mark_that_stands_out_moves_the_findings() {
    let folder = tempfile::tempdir().unwrap();
    let marks = folder.path().join("marks");
    let starts = [31.2, 47.887, 69.351, 118.66, 141.287];
    let mut text = String::from("# invented\n");
    for at in starts {
        text += &format!("{:.3} pressing the harness at the step\n", 1_790_000_000.0 + at - 1.0);
        text += &format!("{:.3} steering\n", 1_790_000_000.0 + at + 5.0);
    }
    std::fs::write(&marks, text).unwrap();
    let roster = own("samples/van-roster.toml");
    let with = ["--roster", roster.to_str().unwrap()];
    let (_, before) = common::report(&own("samples/van-door.log.gz"), &with);
    let marked = [&with[..], &["--marks", marks.to_str().unwrap()]].concat();
    let (_, report) = common::report(&own("samples/van-door.log.gz"), &marked);
    let of = |text: &str| {
        let all = report["marks"].as_array().unwrap();
        all.iter().find(|mark| mark["text"] == text).unwrap().clone()
    };
    let pressed = of("pressing the harness at the step");
    assert_eq!((&pressed["losses_within_2s"], &pressed["losses"]), (&5.into(), &5.into()));
    // 5 windows of 2 s in 210 s: (10 / 210)^5, times two texts.
    let p = pressed["p"].as_f64().unwrap();
    assert!((p / (2.0 * (10.0_f64 / 210.0).powi(5)) - 1.0).abs() < 0.02, "{p}");
    assert_eq!(of("steering")["losses_within_2s"], 0);
    assert_eq!(of("steering")["p"], 1.0);
    let evidence = |report: &Value| report["findings"][0]["evidence"].to_string();
    assert!(evidence(&report).contains("pressing the harness at the step"), "{report}");
    assert!(!evidence(&before).contains("wiggle test while recording"));
    assert!(before["marks"].as_array().unwrap().is_empty());
}

#[test]
fn a_value_is_shown_as_it_changes() {
    let output = piped(&["watch", "-", "--show", "0B4:6.4"], &van());
    let text = String::from_utf8(output.stdout).unwrap();
    assert!(text.contains("s  0x0B4 byte 6 bit 4: "), "{}", &text[..400]);
    let output = piped(&["watch", "-", "--show", "0B4:6.9"], b"");
    assert_eq!(output.status.code(), Some(2));
}

/// The recording ends a moment after a node is back: how it came back is told all the same, for the
/// report knows it too.
#[test]
fn a_return_just_before_the_end_is_explained() {
    let van = van();
    let text = String::from_utf8_lossy(&van);
    let short: String = text
        .lines()
        .take_while(|line| time_of(line) < 1_790_000_000.0 + 33.2)
        .flat_map(|line| [line, "\n"])
        .collect();
    let roster = own("samples/van-roster.toml");
    let mut child = watch(&["-", "--format", "jsonl", "--roster", roster.to_str().unwrap()]);
    child.stdin.take().unwrap().write_all(short.as_bytes()).unwrap();
    let output = child.wait_with_output().unwrap();
    let events = events(&output.stdout);
    let back = kinds(&events, "back");
    let back = back.iter().find(|event| event["node"] == "sliding door").unwrap();
    assert_eq!(back["cause"], "lost_power", "{back}");
}

/// A reader of standard output that hangs holds up no result.
#[test]
fn the_report_does_not_wait_for_the_reader_of_the_events() {
    let folder = tempfile::tempdir().unwrap();
    let out = folder.path().join("out");
    // Twenty messages, of which most are silent for one second in four, one after another.
    let mut log = String::new();
    for (step, id) in (0..6000_u32).flat_map(|step| (0..20_u32).map(move |id| (step, id))) {
        if id < 3 || (step / 20 + id) % 4 > 0 {
            let time = 1.7e9 + f64::from(step) * 0.05 + f64::from(id) * 0.0003;
            log += &format!("({time:.6}) can0 {:03X}#{:02X}\n", 0x100 + id, step % 256);
        }
    }
    let mut child = watch(&["-", "--format", "jsonl", "--out", out.to_str().unwrap()]);
    let mut to = child.stdin.take().unwrap();
    std::thread::spawn(move || to.write_all(log.as_bytes()));
    let page = out.join("report.html");
    while !page.exists() && child.try_wait().unwrap().is_none() {
        std::thread::sleep(Duration::from_millis(20));
    }
    assert!(page.exists());
    // It waited for nobody: what does not fit into the pipe has not been taken yet.
    let mut events = Vec::new();
    child.stdout.take().unwrap().read_to_end(&mut events).unwrap();
    assert!(events.len() > 1 << 16, "{}", events.len());
    assert_eq!(child.wait().unwrap().code(), Some(1));
}

fn time_of(line: &str) -> f64 {
    let stamp = line.trim_start_matches('(').split(')').next().unwrap_or_default();
    stamp.parse().unwrap_or_default()
}

/// Twelve seconds of messages whose senders nobody knows, each with its period in milliseconds, and
/// those that are away, each with its times.
fn unnamed(ids: &[(&str, u64)], away: &[(&str, f64, f64)]) -> Vec<u8> {
    let mut lines: Vec<(f64, String)> = Vec::new();
    for (place, (id, period)) in ids.iter().enumerate() {
        for count in 0..12_000 / period {
            // No two begin at one time, and each wanders a little of its own.
            let wander = ((count * 7 + place as u64 * 13) % 11) as f64 * 0.000_1;
            let at = (count * period) as f64 / 1000.0 + place as f64 * 0.001_3 + wander;
            if !away.iter().any(|(own, from, to)| own == id && *from <= at && at < *to) {
                let time = 1_700_000_000.0 + at;
                lines.push((at, format!("({time:.6}) can0 {id}#{:02X}\n", count % 256)));
            }
        }
    }
    lines.sort_by(|a, b| a.0.total_cmp(&b.0));
    lines.into_iter().map(|(_, line)| line).collect::<String>().into_bytes()
}

const UNNAMED: [(&str, u64); 7] =
    [("101", 10), ("122", 20), ("143", 50), ("164", 10), ("185", 20), ("1A6", 50), ("1C7", 100)];

fn watched(log: &[u8]) -> Vec<Value> {
    events(&piped(&["watch", "-", "--format", "jsonl"], log).stdout)
}

/// A module that nobody has named is gone for a second, as where a harness is moved: its messages
/// stop at one instant while others go on. That is told at once, and as one.
#[test]
fn messages_that_stop_at_one_instant_are_told_of_as_one() {
    let away = ["101", "122", "143"].map(|id| (id, 7.0, 8.0));
    let events = watched(&unnamed(&UNNAMED, &away));
    let (silent, back) = (kinds(&events, "silent"), kinds(&events, "back"));
    assert_eq!((silent.len(), back.len()), (1, 1), "{events:#?}");
    assert_eq!(silent[0]["ids"], serde_json::json!(["0x101", "0x122", "0x143"]));
    assert!(silent[0]["for_s"].as_f64().unwrap() < 0.6, "{}", silent[0]);
    let sentence = silent[0]["sentence"].as_str().unwrap();
    assert!(sentence.contains("0x143 (can0), sender unknown, are silent together"), "{sentence}");
    assert!((back[0]["for_s"].as_f64().unwrap() - 1.0).abs() < 0.1, "{}", back[0]);
}

/// One that is away by itself may pause by nature, and what stops at different times did not stop
/// together: until the report calls it a loss nobody is alarmed.
#[test]
fn messages_that_stop_one_after_another_are_no_company() {
    let away = [("101", 5.0, 6.0), ("122", 7.0, 8.0), ("143", 9.0, 10.0)];
    let log = unnamed(&UNNAMED, &away);
    for event in kinds(&watched(&log), "silent") {
        assert_eq!(event["ids"].as_array().unwrap().len(), 1, "{event}");
    }
    assert!(kinds(&watched(&unnamed(&UNNAMED, &[])), "silent").is_empty());
}

/// Two that stop together are told late, once the report calls them lost: not forgotten because
/// they were back before it was asked.
#[test]
fn a_loss_that_is_over_before_it_is_judged_is_told_late() {
    let away = [("101", 7.0, 7.6), ("122", 7.0, 7.6)];
    let log = unnamed(&UNNAMED, &away);
    let output = piped(&["report", "-", "--format", "json", "--no-precursors"], &log);
    let report: Value = serde_json::from_slice(&output.stdout).unwrap();
    let lost = report["outages"].as_array().unwrap().iter().filter(|own| own["benign"] == false);
    let events = watched(&log);
    assert_eq!(lost.count(), kinds(&events, "silent").len(), "{events:#?}\n{report:#}");
    for back in kinds(&events, "back") {
        assert!((back["for_s"].as_f64().unwrap() - 0.6).abs() < 0.1, "{back}");
    }
}
