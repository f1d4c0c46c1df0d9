//! Recorders whose stamps are those of deliveries, or of whole seconds; and recordings that pause
//! within a loss. For each rule the smallest capture that needs it, and its counterpart. The real
//! captures stand in `../shared`, where they are there. All other data is invented.

mod common;
#[path = "common/five_nodes.rs"]
mod five_nodes;
#[path = "common/messages.rs"]
mod messages;

use std::fs;
use std::io::Read;

use common::{outages, report, report_text, shared};
use five_nodes::ranked;
use messages::{Message, cut, log, message, messages};
use serde_json::Value;

/// A log text as an adapter stamps it that hands over what it holds every so many microseconds.
fn delivered(text: &str, every: u64) -> String {
    let line = |line: &str| {
        let (stamp, rest) = line.trim_start().strip_prefix('(')?.split_once(')')?;
        let (seconds, fraction) = stamp.split_once('.')?;
        let time = seconds.parse::<u64>().ok()? * 1_000_000 + fraction.parse::<u64>().ok()?;
        let time = (time / every + 1) * every;
        Some(format!("({}.{:06}){rest}\n", time / 1_000_000, time % 1_000_000))
    };
    text.lines().filter_map(line).collect()
}

/// A module of five messages, the fastest of 10 ms, lost for three seconds; and the rest of a bus.
fn lost_once() -> String {
    let own = cut(messages(0x100, 5), 20.0, 23.0);
    log(40.0, &[own, messages(0x300, 16)].concat())
}

/// A timer shows behind deliveries that are further apart than its frames: none of its gaps is
/// longer than its period and a delivery. So what falls silent for seconds is missed.
#[test]
fn a_loss_shows_behind_deliveries() {
    for every in [16_000, 100_000] {
        let (code, found) = report_text(&delivered(&lost_once(), every));
        let own = outages(&found);
        assert_eq!((code, own.len()), (1, 1), "{every} µs: {own:?}");
        let (from, lasts) = (own[0].2, own[0].3);
        assert!((from - 20.0).abs() < 0.2 && (lasts - 3.0).abs() < 0.2, "{every} µs: {own:?}");
        assert_eq!(found["outages"][0]["ids"].as_array().unwrap().len(), 5, "{every} µs");
    }
}

/// What comes at random keeps no period behind deliveries either.
#[test]
fn what_comes_at_random_is_not_missed_behind_deliveries() {
    // Frames of one event every tenth of a second or so, at places that the golden ratio scatters.
    let event = |at: u32| {
        let step = f64::from(at) * 0.618_034;
        messages::once(0.1 * f64::from(at) + 0.4 * step.fract().powi(3), "5A0", |_| "00".to_owned())
    };
    let mut all: Vec<Message> = messages(0x300, 16);
    all.extend((0..390).filter(|at| at % 7 < 2).map(event));
    let (code, found) = report_text(&delivered(&log(40.0, &all), 16_000));
    assert_eq!(code, 0, "{:#}", found["outages"]);
    let ids = found["identifiers"].as_array().unwrap();
    assert!(ids.iter().any(|id| id["id"] == "0x5A0" && id["period_s"].is_null()));
}

/// Where most identifiers keep no period nobody can be missed, and that is said: here every message
/// but one comes after now this long and now that.
#[test]
fn a_bus_without_periods_proves_nothing() {
    let uneven = |at: u32| message(&format!("{:03X}", 0x100 + at), 0.05, 0.001 * f64::from(at));
    let uneven = (0..12).map(|at| uneven(at).late(0.14 + 0.011 * f64::from(at)));
    let uneven = uneven.collect::<Vec<_>>();
    let one = vec![message("300", 0.1, 0.0)];
    let (code, found) = report_text(&log(30.0, &[uneven, one].concat()));
    assert_eq!(code, 3, "{:#}", found["outages"]);
    let reason = found["headline"].as_str().unwrap();
    assert!(reason.contains("of 13 identifiers keep a period"), "{reason}");
}

/// Without a clock nothing comes too often.
#[test]
fn one_stamp_for_all_is_no_flood() {
    let text = lost_once().lines().map(|line| format!("(1000.000000){}\n", &line[13..])).collect();
    let text: String = text;
    let (code, found) = report_text(&text);
    assert_eq!((code, ranked(&found).len()), (3, 0), "{:?}", ranked(&found));
}

/// The recording pauses for a minute within a loss of three seconds: who was silent then nobody
/// knows, so the loss has lasted for two seconds that were heard.
#[test]
fn a_pause_of_the_recording_is_no_time_of_a_loss() {
    let own = cut(messages(0x100, 5), 20.0, 82.0);
    let text = log(100.0, &[own, messages(0x300, 16)].concat());
    let heard = |line: &&str| {
        let time: f64 = line[1..12].parse().unwrap();
        !(1021.0..1081.0).contains(&time)
    };
    let text: String = text.lines().filter(heard).map(|line| format!("{line}\n")).collect();
    let found = report_text(&text).1;
    let lost = found["outages"].as_array().unwrap();
    let lost = lost.iter().find(|own| own["cause"] != "capture_gap").unwrap();
    let lasted = lost["duration_s"].as_f64().unwrap();
    assert!((1.5..2.5).contains(&lasted), "{lost:#}");
    let headline = found["headline"].as_str().unwrap();
    assert!(headline.contains("for 2.") || headline.contains("for 1."), "{headline}");
}

/// Real captures, stamped as such an adapter does: what is sound names no fault, and a loss of the
/// module that one capture lacks is told. No rule was made on the eighths of seconds at which the
/// losses begin.
#[test]
fn real_captures_show_their_losses_behind_deliveries() {
    let text = |name: &str| {
        let mut text = String::new();
        let file = fs::File::open(shared(&format!("cars/{name}.log.gz"))?).unwrap();
        flate2::read::MultiGzDecoder::new(file).read_to_string(&mut text).unwrap();
        Some(text)
    };
    let of_text = |text: &str| {
        let folder = tempfile::tempdir().unwrap();
        let path = folder.path().join("own.log");
        fs::write(&path, text).unwrap();
        report(&path, &[])
    };
    for car in ["car-a-sound-2", "car-b-sound-1", "car-c-sound-7", "car-g-sound-2"] {
        let (Some(whole), Some(without)) = (text(car), text(&format!("{}missing-1", &car[..6])))
        else {
            return;
        };
        let id = |line: &str| line.split_whitespace().nth(2)?.split('#').next().map(str::to_owned);
        let there: std::collections::BTreeSet<String> = without.lines().filter_map(id).collect();
        let time = |line: &str| -> Option<f64> {
            line.trim_start().strip_prefix('(')?.split_once(')')?.0.parse().ok()
        };
        let begin = whole.lines().find_map(time).unwrap();
        let lost = |line: &&str| {
            let gone = id(line).is_some_and(|id| !there.contains(&id));
            let from = begin + 5.125;
            gone && time(line).is_some_and(|time| (from..from + 3.0).contains(&time))
        };
        let cut: String =
            whole.lines().filter(|line| !lost(line)).map(|line| format!("{line}\n")).collect();
        for every in [10_000, 16_000, 50_000] {
            let (sound, found) = of_text(&delivered(&whole, every));
            let likely =
                |own: &Value| own["benign"] == false && own["probability"].as_f64().unwrap() > 0.2;
            let blamed = found["findings"].as_array().unwrap().iter().any(likely);
            assert!(sound != 1 && !blamed, "{car} every {every} µs: {sound}");
            let (code, found) = of_text(&delivered(&cut, every));
            assert_eq!(code, 1, "{car} every {every} µs: {:#}", found["outages"]);
        }
    }
}
