//! What goes before the losses where it is no bit of the first eight bytes: a signal that a tester
//! asks for, the rest of a CAN FD frame, a time; and what goes before the losses of several.

mod common;

use std::fmt::Write as _;
use std::fs;
use std::path::PathBuf;

use common::report;
use serde_json::Value;

/// What one invented vehicle does.
struct Vehicle {
    /// Seconds that are recorded.
    duration: f64,
    /// When its bus is awake.
    awake: fn(f64) -> bool,
    /// When each loss begins and ends.
    lost: Vec<(f64, f64)>,
    /// Identifiers that are lost, each with its period in seconds.
    own: &'static [(u32, f64)],
}

/// Frames of three nodes, and what `more` adds: seconds and the frame.
fn log(vehicle: &Vehicle, mut more: Vec<(f64, String)>) -> String {
    let others = [(0x100, 0.05), (0x110, 0.1), (0x300, 0.1), (0x310, 0.2)];
    for (at, (id, period)) in vehicle.own.iter().chain(&others).enumerate() {
        // A clock each, of which none is even.
        let period = period
            * match *id {
                0x220..0x300 => 1.000_02,
                0..0x300 => 1.000_07,
                _ => 0.999_93,
            };
        let count = (vehicle.duration / period) as u32;
        for frame in 0..count {
            let time = 0.001 * f64::from(at as u32) + period * f64::from(frame);
            let is_lost = at < vehicle.own.len()
                && vehicle.lost.iter().any(|(from, to)| (*from..*to).contains(&time));
            if (vehicle.awake)(time) && !is_lost {
                more.push((time, format!("{id:03X}#{:02X}11223344556677", frame % 16)));
            }
        }
    }
    more.sort_by(|a, b| a.0.total_cmp(&b.0));
    more.iter().fold(String::new(), |mut out, (time, frame)| {
        writeln!(out, "({:.6}) can0 {frame}", 1_790_000_000.0 + time).unwrap();
        out
    })
}

fn told(name: &str, log: &str) -> Value {
    let folder = tempfile::tempdir().unwrap();
    let path: PathBuf = folder.path().join(name);
    fs::write(&path, log).unwrap();
    report(&path, &[]).1
}

fn precursors(document: &Value) -> Vec<&Value> {
    let all = document["precursors"].as_array().unwrap();
    all.iter().filter(|lead| lead["kind"] == "precursor").collect()
}

const ONE: &[(u32, f64)] = &[(0x200, 0.05), (0x210, 0.1)];

fn six_losses() -> Vec<(f64, f64)> {
    [31.0, 77.5, 118.1, 157.9, 191.3, 233.0].map(|from| (from, from + 2.0)).to_vec()
}

fn six() -> Vehicle {
    Vehicle { duration: 270.0, awake: |_| true, lost: six_losses(), own: ONE }
}

/// An even number between 0 and 1 that looks like chance.
fn chance(at: u32) -> f64 {
    f64::from(at.wrapping_mul(2_654_435_761) >> 8 & 0xFFFF) / 65_536.0
}

/// A tester asks for engine and vehicle speed in turns; the engine turns fast for two seconds
/// before each loss.
fn asked(fast_before_losses: bool) -> Vec<(f64, String)> {
    let mut out = Vec::new();
    for at in 0..1_000_u32 {
        let time = 0.25 * f64::from(at) + 0.0173;
        let near = six_losses().iter().any(|(from, _)| (*from - 2.0..*from).contains(&time));
        let rpm =
            900.0 + 900.0 * chance(at) + if near && fast_before_losses { 2500.0 } else { 0.0 };
        let (pid, data, length) = match at % 2 {
            0 => (0x0C, format!("{:04X}00", (rpm * 4.0) as u16), 4),
            _ => (0x0D, format!("{:02X}0000", 40 + (20.0 * chance(at)) as u8), 3),
        };
        out.push((time, format!("7DF#0201{pid:02X}0000000000")));
        out.push((time + 0.012, format!("7E8#{length:02X}41{pid:02X}{data}0000")));
    }
    out
}

#[test]
fn a_pid_that_a_tester_asks_for_is_told_by_name_and_unit() {
    let document = told("a.log", &log(&six(), asked(true)));
    let before = precursors(&document);
    let first = before.first().unwrap_or_else(|| panic!("{}", document["just_before"]));
    assert_eq!((&first["pid"], &first["id"]), (&12.into(), &"0x7E8".into()), "{first}");
    assert_eq!((&first["change"], &first["width"]), (&"above".into(), &16.into()), "{first}");
    assert_eq!(first["losses_with"], 6, "{first}");
    let sentence = first["sentence"].as_str().unwrap();
    assert!(sentence.contains("engine speed (PID 0C, answered by 0x7E8) is 3"), "{sentence}");
    assert!(sentence.contains(" rpm or more, high for its time,"), "{sentence}");
    // Where it has nothing to do with the losses there is no lead.
    let document = told("b.log", &log(&six(), asked(false)));
    assert!(precursors(&document).is_empty(), "{document}");
}

#[test]
fn what_goes_before_the_losses_of_several_is_a_sign_of_them() {
    const TWO: &[(u32, f64)] = &[(0x200, 0.05), (0x210, 0.1), (0x220, 0.05), (0x230, 0.1)];
    let vehicle = Vehicle { own: TWO, ..six() };
    let document = told("a.log", &log(&vehicle, long_frames(0.3)));
    let before = precursors(&document);
    assert_eq!(before[0]["nodes"].as_array().unwrap().len(), 2, "{before:?}");
    let first = &document["findings"][0];
    assert_eq!(first["nodes"].as_array().unwrap().len(), 2, "{first}");
    let told = "a change on the bus, as of something switched or moved, precedes 6 of 6 losses";
    assert!(first.to_string().contains(told), "{first}");
}

/// 16 bytes, of which byte 11 has a bit that rises 0.3 s before each loss, or at other times.
fn long_frames(before: f64) -> Vec<(f64, String)> {
    let frame = |at: u32| {
        let time = 0.05 * f64::from(at) + 0.0091;
        let up = six_losses()
            .iter()
            .any(|(from, _)| (*from - before..*from - before + 1.0).contains(&time));
        let byte = if up { 0x24 } else { 0x04 };
        (time, format!("400##100112233445566778899AA{byte:02X}CCDDEEFF"))
    };
    (0..5_380).map(frame).collect()
}

#[test]
fn what_lies_beyond_eight_bytes_of_a_can_fd_frame_is_looked_at() {
    let document = told("a.log", &log(&six(), long_frames(0.3)));
    let before = precursors(&document);
    let first = before.first().unwrap_or_else(|| panic!("{}", document["just_before"]));
    let place = [&first["id"], &first["byte"], &first["bit"], &first["pid"]];
    assert_eq!(place, [&Value::from("0x400"), &11.into(), &5.into(), &Value::Null], "{first}");
    assert!(first["sentence"].as_str().unwrap().contains("--show 0x400:11.5"), "{first}");
    let document = told("b.log", &log(&six(), long_frames(19.0)));
    assert!(precursors(&document).is_empty(), "{document}");
}

#[test]
fn a_time_since_the_waking_is_told() {
    // Five drives of 150 s; the loss comes 40 to 42 s after each has begun, or whenever.
    let drives = [0.0, 260.0, 520.0, 780.0, 1040.0];
    let awake = |time: f64| time % 260.0 < 150.0;
    for (after, is_told) in
        [([40.0, 41.3, 40.6, 42.0, 41.0], true), ([12.0, 95.0, 51.0, 133.0, 30.0], false)]
    {
        let lost =
            drives.iter().zip(after).map(|(begin, after)| (begin + after, begin + after + 2.0));
        let vehicle = Vehicle { duration: 1190.0, awake, lost: lost.collect(), own: ONE };
        let document = told("a.log", &log(&vehicle, Vec::new()));
        let times = document["loss_times"].as_array().unwrap();
        assert_eq!(times.len(), usize::from(is_told), "{times:?} {}", document["just_before"]);
        let Some(own) = times.first() else { continue };
        assert_eq!((&own["since"], &own["losses_with"]), (&"wake".into(), &5.into()), "{own}");
        let [from, to] = [0, 1].map(|at| own["after_s"][at].as_f64().unwrap());
        assert!((39.5..40.6).contains(&from) && (41.5..42.6).contains(&to), "{own}");
        assert!(own["p"].as_f64().unwrap() <= 0.01, "{own}");
    }
}

#[test]
fn a_time_since_the_last_loss_is_told() {
    // Lost again 33 s after it came back, seven times, as a breaker that sets itself again.
    let mut lost = vec![(20.0, 22.0)];
    for step in [33.0, 33.4, 32.8, 33.1, 33.3, 32.9] {
        let begin: f64 = lost.last().unwrap().1 + step;
        lost.push((begin, begin + 2.0 + step % 1.0));
    }
    let vehicle = Vehicle { duration: 280.0, awake: |_| true, lost, own: ONE };
    let document = told("a.log", &log(&vehicle, Vec::new()));
    let times = document["loss_times"].as_array().unwrap();
    let own = times.first().unwrap_or_else(|| panic!("{}", document["just_before"]));
    assert_eq!((&own["since"], &own["losses_with"]), (&"last_loss".into(), &6.into()), "{own}");
    let [from, to] = [0, 1].map(|at| own["after_s"][at].as_f64().unwrap());
    assert!((32.0..33.0).contains(&from) && (33.0..34.0).contains(&to), "{own}");
}
