//! What looks like the loss of a module and has another cause: a short that took its turns, a bus
//! behind it that stopped, a group that went another way, codes of those who were cut off. For each
//! rule the smallest capture that needs it, and its counterpart. All data is invented.

mod common;
#[path = "common/five_nodes.rs"]
mod five_nodes;
#[path = "common/messages.rs"]
mod messages;

use std::fmt::Write;

use common::{lostnode, outages, report, report_text, simulated};
use five_nodes::{answered, of_class, ranked, read, trouble, vehicle};
use messages::{Message, cut, log, message, messages};
use serde_json::Value;

fn reported_text(text: &str) -> Value {
    report_text(text).1
}

fn reported(seconds: f64, messages: &[Message]) -> Value {
    reported_text(&log(seconds, messages))
}

/// Cause and channel of each outage that is no module's alone.
fn stops(document: &Value) -> Vec<(String, Value)> {
    let list = document["outages"].as_array().unwrap().iter();
    list.filter(|outage| outage["scope"] == "bus" || outage["scope"] == "capture")
        .map(|outage| (outage["cause"].as_str().unwrap().to_owned(), outage["channel"].clone()))
        .collect()
}

/// All stop for a second and come back on their grid, four of them some turns late: a recorder that
/// pauses keeps nobody from its turn, a short keeps controllers off until they have recovered.
#[test]
fn who_misses_turns_after_a_gap_was_kept_off_the_bus() {
    let gap = |late: u32| {
        let to = |at: u32| if at < late { 31.3 } else { 31.0 };
        let all = messages(0x100, 16).into_iter().zip(0..);
        let all: Vec<Message> = all.map(|(own, at)| own.silent(30.0, to(at))).collect();
        reported(60.0, &all)
    };
    let short = gap(4);
    assert_eq!(stops(&short), [("unknown".to_owned(), "can0".into())], "{short}");
    assert_eq!(ranked(&short)[0].0, "line", "{:?}", ranked(&short));
    assert!(short["outages"][0]["evidence"].to_string().contains("skipped cycles"), "{short}");
    // Two may have paused by nature.
    let pause = gap(2);
    assert_eq!(stops(&pause)[0].0, "capture_gap", "{pause}");
}

/// Two messages stop with the other bus and return with it: a gateway carries them over from there.
/// Where they stop at another time they are a loss.
#[test]
fn what_stops_with_another_bus_is_carried_from_it() {
    let two_buses = |from: f64| {
        let late = |at: u32| if at < 4 { 32.4 } else { 32.0 };
        let other = messages(0x400, 16).into_iter().zip(0..);
        let other: Vec<Message> = other.map(|(own, at)| own.silent(30.0, late(at))).collect();
        let carried =
            cut(vec![message("1D0", 0.05, 0.003), message("1D1", 0.1, 0.004)], from, from + 2.0);
        let here = [messages(0x200, 12), carried].concat();
        let elsewhere = log(60.0, &other).replace("can0", "can1");
        let mut lines: Vec<String> =
            (log(60.0, &here) + &elsewhere).lines().map(str::to_owned).collect();
        lines.sort();
        reported_text(&(lines.join("\n") + "\n"))
    };
    let lost = |document: &Value| {
        let all = document["outages"].as_array().unwrap().iter();
        let own = all.filter(|outage| outage["ids"].to_string().contains("1D0"));
        own.filter(|outage| outage["benign"] == false).count()
    };
    let carried = two_buses(30.0);
    assert_eq!(lost(&carried), 0, "{:?}", outages(&carried));
    assert_eq!(ranked(&carried)[0].0, "line", "{:?}", ranked(&carried));
    let own = two_buses(40.0);
    assert_eq!(lost(&own), 1, "{:?}", outages(&own));
}

/// Three units that each send three groups (SAE J1939-71), one of which tells active codes each
/// second but for some: then in packets, where it does.
struct Truck {
    /// Seconds in which the codes do not come in one frame.
    long: std::ops::Range<u32>,
    /// Whether they come in packets then.
    in_packets: bool,
    /// From when to when the brakes are silent.
    brakes_silent: std::ops::Range<f64>,
    /// A second bus has what units 00 and 21 send, but for packets.
    carried_over: bool,
    /// Something else comes when the packets do.
    beside: Option<&'static str>,
}

const LONG: Truck = Truck {
    long: 30..60,
    in_packets: true,
    brakes_silent: 0.0..0.0,
    carried_over: false,
    beside: None,
};

impl Truck {
    fn text(&self) -> String {
        let mut frames: Vec<(f64, &str, String)> = Vec::new();
        let mut push = |time: f64, frame: String| {
            let source = &frame[6..8];
            let packets = ["ECFF", "EBFF"].contains(&&frame[2..6]);
            if self.carried_over && source != "0B" && !packets {
                frames.push((time + 0.000_7, "can1", frame.clone()));
            }
            frames.push((time, "can0", frame));
        };
        for (source, phase) in [(0x00, 0.001), (0x0B, 0.013), (0x21, 0.027)] {
            for (pgn, period) in [(0xF004, 0.05), (0xFEF1, 0.1), (0xFEF2, 0.1)] {
                for turn in 0..(90.0 / period) as u32 {
                    let time = phase + f64::from(turn) * period;
                    if source != 0x0B || !self.brakes_silent.contains(&time) {
                        push(time, format!("0C{pgn:04X}{source:02X}#00FFFFFFFFFFFFFF"));
                    }
                }
            }
        }
        for second in 0..90 {
            let time = 0.4 + f64::from(second);
            if !self.long.contains(&second) {
                push(time, "18FECA21#0400E5000101FFFF".to_owned());
            } else if self.in_packets {
                push(time, "18ECFF21#200A0002FFCAFE00".to_owned());
                push(time + 0.05, "18EBFF21#010400E500010BE5".to_owned());
                push(time + 0.10, "18EBFF21#02000101FFFFFFFF".to_owned());
            }
            if let Some(beside) = self.beside.filter(|_| self.long.contains(&second)) {
                push(time, format!("{beside}#0400E5000101FFFF"));
            }
        }
        frames.sort_by(|a, b| a.0.total_cmp(&b.0));
        let line = |(time, channel, frame): &(f64, &str, String)| {
            format!("({:.6}) {channel} {frame}\n", 1_000.0 + time)
        };
        frames.iter().map(line).collect()
    }

    fn reported(&self) -> Value {
        reported_text(&self.text())
    }
}

/// Outages in which an identifier was silent.
fn silent(document: &Value, id: &str) -> usize {
    let all = document["outages"].as_array().unwrap().iter();
    all.filter(|outage| outage["ids"].to_string().contains(id)).count()
}

/// Active codes that no longer fit into one frame go in packets (SAE J1939-21, BAM): the identifier
/// of the group falls silent, and the module does not.
#[test]
fn a_group_that_goes_in_packets_is_not_missing() {
    assert_eq!(silent(&LONG.reported(), "18FECA21"), 0);
    let lost = Truck { in_packets: false, ..LONG }.reported();
    assert_eq!(silent(&lost, "18FECA21"), 1);
}

/// … nor is it beside a unit that is lost just then, for want of which there are more codes.
#[test]
fn a_group_in_packets_is_not_lost_with_another_unit() {
    let beside = |in_packets| {
        let truck = Truck { in_packets, brakes_silent: 29.9..60.1, ..LONG }.reported();
        assert_eq!(silent(&truck, "0CF0040B"), 1, "{:?}", outages(&truck));
        silent(&truck, "18FECA21")
    };
    assert_eq!((beside(true), beside(false)), (0, 1));
}

/// A gateway carries the group over to another bus, and its packets not.
#[test]
fn packets_on_one_bus_explain_a_silence_on_the_other() {
    let carried = |in_packets| {
        let truck = Truck { in_packets, carried_over: true, ..LONG }.reported();
        silent(&truck, "18FECA21")
    };
    assert_eq!((carried(true), carried(false)), (0, 2));
}

/// The same address on another bus, where only packets come and the identifier never does, is
/// another unit, and what that tells says nothing of this one.
#[test]
fn packets_of_another_unit_explain_nothing() {
    let beside = |own: &str| {
        let truck = Truck { in_packets: false, ..LONG };
        let mut text = truck.text();
        for second in 0..90 {
            for (later, frame) in [
                (0.42, "18ECFF21#200A0002FFCAFE00"),
                (0.47, "18EBFF21#010400E500010BE5"),
                (0.52, "18EBFF21#02000101FFFFFFFF"),
                (0.57, own),
            ] {
                let time = 1_000.0 + f64::from(second) + later;
                writeln!(text, "({time:.6}) can1 {frame}").unwrap();
            }
        }
        let mut lines: Vec<&str> = text.lines().collect();
        lines.sort_unstable();
        silent(&reported_text(&(lines.join("\n") + "\n")), "18FECA21")
    };
    assert_eq!(beside("18FEF121#00FFFFFFFFFFFFFF"), 1);
    // Where it is carried over from there, it is the same.
    assert_eq!(beside("18FECA21#0400E5000101FFFF"), 0);
}

/// Packets come while there is something long to tell: nobody misses them afterwards. Another group
/// that comes for as long may be a module.
#[test]
fn packets_that_end_are_no_loss() {
    let truck = Truck { beside: Some("18FF1021"), ..LONG }.reported();
    let silent = |id| silent(&truck, id);
    assert_eq!((silent("18ECFF21"), silent("18EBFF21")), (0, 0), "{:?}", outages(&truck));
    assert_eq!(silent("18FF1021"), 1, "{:?}", outages(&truck));
}

/// A roster that has the group in one frame misses nothing where it comes in packets, all the time
/// or at first. What comes later without them is of a mode, for its sender is there.
#[test]
fn a_roster_does_not_miss_what_comes_in_packets() {
    let folder = tempfile::tempdir().unwrap();
    let saved = |name: &str, truck: Truck| {
        let path = folder.path().join(name);
        std::fs::write(&path, truck.text()).unwrap();
        path
    };
    let roster = folder.path().join("roster.toml");
    let sound = saved("sound.log", Truck { long: 0..0, ..LONG });
    let learned = lostnode().arg("learn").arg(sound).arg("-o").arg(&roster).output().unwrap();
    assert!(learned.status.success());
    let held = |long, in_packets| {
        let path = saved("held.log", Truck { long, in_packets, ..LONG });
        silent(&report(&path, &["--roster", roster.to_str().unwrap()]).1, "18FECA21")
    };
    assert_eq!((held(0..90, true), held(0..90, false)), (0, 1));
    assert_eq!((held(0..30, true), held(0..30, false)), (0, 0));
}

/// Active codes under another priority are the same message (SAE J1939-21): it is silent only
/// where neither comes, and of another unit it is another message.
#[test]
fn a_message_under_another_priority_is_not_missing() {
    let truck = |beside| Truck { in_packets: false, beside: Some(beside), ..LONG };
    let lost = |beside| {
        let document = truck(beside).reported();
        (silent(&document, "18FECA21"), silent(&document, beside))
    };
    assert_eq!(lost("10FECA21"), (0, 0));
    assert_eq!(lost("10FECA0B").0, 1);
    // Nor does a roster that knows one priority miss it where only the other comes.
    let folder = tempfile::tempdir().unwrap();
    let (roster, path) = (folder.path().join("roster.toml"), folder.path().join("a.log"));
    std::fs::write(&path, Truck { long: 0..0, ..LONG }.text()).unwrap();
    let learned = lostnode().arg("learn").arg(&path).arg("-o").arg(&roster).output().unwrap();
    assert!(learned.status.success());
    let held = |long, beside| {
        std::fs::write(&path, Truck { long, ..truck(beside) }.text()).unwrap();
        silent(&report(&path, &["--roster", roster.to_str().unwrap()]).1, "18FECA21")
    };
    assert_eq!((held(0..90, "10FECA21"), held(0..90, "10FECA0B")), (0, 1));
}

/// Two units leave one after the other, as with the key. Who stays awake knows that the key is off
/// and misses nobody; where two begin to, the units were lost. One alone may be at fault itself,
/// and the frames do not say then that what left was heard throughout.
#[test]
fn who_is_missed_by_several_was_not_switched_off() {
    let truck = |tellers: &[&str]| {
        let mut frames: Vec<(f64, String)> = Vec::new();
        for (at, source) in ["00", "03", "0B", "21", "2F", "17"].into_iter().enumerate() {
            let end = [90.0, 30.0, 30.3, 90.0, 90.0, 90.0][at];
            for (pgn, period) in [("F004", 0.05), ("FEF1", 0.1), ("FEF2", 0.1)] {
                for turn in 0..(end / period) as u32 {
                    let time = 0.001 + 0.007 * at as f64 + f64::from(turn) * period;
                    frames.push((time, format!("0C{pgn}{source}#00FFFFFFFFFFFFFF")));
                }
            }
        }
        for second in 0..90 {
            for source in ["21", "2F"] {
                // SPN 2003 FMI 9: address 03 is not heard.
                let misses = second >= 34 && tellers.contains(&source);
                let codes = if misses { "0400D3070901FFFF" } else { "000000000000FFFF" };
                frames.push((f64::from(second) + 0.41, format!("18FECA{source}#{codes}")));
            }
        }
        frames.sort_by(|a, b| a.0.total_cmp(&b.0));
        let line =
            |(time, frame): &(f64, String)| format!("({:.6}) can0 {frame}\n", 1_000.0 + time);
        reported_text(&frames.iter().map(line).collect::<String>())
    };
    let benign = |document: &Value| document["outages"][0]["benign"].as_bool().unwrap();
    let (nobody, one, two) = (truck(&[]), truck(&["21"]), truck(&["21", "2F"]));
    assert_eq!((benign(&nobody), benign(&one), benign(&two)), (true, true, false));
    let verdict = |document: &Value| document["blame"][0]["verdict"].clone();
    assert_eq!((verdict(&one), verdict(&two)), ("open".into(), "confirmed".into()));
}

const DOOR: &str = "C1 99 87 2F";

/// Three miss the door, and one misses three others of whom nobody else knows anything: it is
/// itself the one that was cut off. What it says makes no branch and no main line of one open stub.
#[test]
fn who_was_cut_off_tells_of_nobody_else() {
    let codes = |shared: bool| {
        let mut text = vehicle();
        text += &trouble("stub_open", "node = \"door\"", &[50.0, 70.0, 83.0], &[3.0, 2.0, 4.0]);
        let cut_off = ["C1 55 87 2F", "C1 64 87 2F", "C1 31 87 2F"];
        for number in 1..4 {
            let mut own = vec![DOOR];
            // Where others miss one of these too, it is missing.
            own.extend(shared.then_some(cut_off[0]));
            text += &read(100.0 + f64::from(number), number, &own);
        }
        text += &read(105.0, 4, &cut_off);
        simulated(&text, &[]).1
    };
    let found = codes(false);
    assert!(ranked(&found)[0].1.contains("0x180"), "{:?}", ranked(&found));
    let rows = found["blame"].as_array().unwrap();
    let beyond = |row: &&Value| row.to_string().contains("cut off themselves");
    assert_eq!(rows.iter().filter(beyond).count(), 3, "{rows:#?}");
    let found = codes(true);
    assert_eq!(found["blame"].as_array().unwrap().iter().filter(beyond).count(), 0);
}

/// A code that had not failed in this drive, was cleared and stayed away is of something that is
/// over, though one module fell silent later; where it had failed, it is of that.
#[test]
fn a_cleared_code_of_the_past_is_of_no_loss_of_now() {
    let class = |status: &str| {
        let mut text = vehicle();
        text += &trouble("power_loss", "node = \"mirror\"", &[12.0, 60.0], &[1.5, 1.5]);
        let code = format!("C1 99 87 {status}");
        for number in 1..3u16 {
            let at = 20.0 + f64::from(number);
            text += &read(at, number, &[&code]);
            text += &answered(at + 5.0, number, "14 FF FF FF", "54");
            text += &read(at + 80.0, number, &[]);
        }
        let (_, document, _) = simulated(&text, &[]);
        document["blame"][0]["verdict"].as_str().unwrap().to_owned()
    };
    assert_eq!(class("28"), "contradicted");
    assert_eq!(class("2F"), "likely");
}

/// A truck of three units for 100 s, with what else is given as time and frame.
fn truck(mut frames: Vec<(f64, String)>) -> Value {
    for (source, phase) in [(0x00, 0.001), (0x0B, 0.013), (0x27, 0.027)] {
        for (pgn, period) in [(0xF004, 0.05), (0xFEF1, 0.1), (0xFEF2, 0.1)] {
            for turn in 0..(100.0 / period) as u32 {
                let time = phase + f64::from(turn) * period;
                frames.push((time, format!("0C{pgn:04X}{source:02X}#FFFFFFFFFFFFFFFF")));
            }
        }
    }
    frames.sort_by(|a, b| a.0.total_cmp(&b.0));
    let mut text = String::new();
    for (time, frame) in frames {
        writeln!(text, "({:.6}) can0 {frame}", 1_000.0 + time).unwrap();
    }
    reported_text(&text)
}

/// Every `period` seconds from `first` on, but not from one second to another.
fn timed(frame: &str, period: f64, first: f64, silent: &[(f64, f64)]) -> Vec<(f64, String)> {
    let times = (0..).map(|turn| first + f64::from(turn) * period);
    let heard = |time: &f64| !silent.iter().any(|(from, to)| (*from..*to).contains(time));
    let times = times.take_while(|time| *time < 100.0).filter(heard);
    times.map(|time| (time, frame.to_owned())).collect()
}

/// Units that are silent on one bus and heard on the other meanwhile run: the gateway carries them
/// over no more. Where they are of that bus only, a branch or a fuse may be behind it.
#[test]
fn who_is_heard_on_another_bus_was_carried_here() {
    let gateway = |heard: bool| {
        let mut frames = Vec::new();
        let mut add = |channel: &str, frame: String, period: f64, first: f64, silent: bool| {
            let silent = if silent { vec![(40.0, 60.0)] } else { Vec::new() };
            let own = timed(&format!("{frame}#FFFFFFFFFFFFFFFF"), period, first, &silent);
            frames.extend(own.into_iter().map(|(time, own)| (time, format!("{channel} {own}"))));
        };
        for (at, source) in ["00", "03", "0B", "27"].iter().enumerate() {
            let first = 0.001 + 0.007 * at as f64;
            let here = if heard || at > 1 { *source } else { ["05", "06"][at] };
            add("can0", format!("0CF004{here}"), 0.05, first, false);
            add("can0", format!("18FEF1{here}"), 0.1, first + 0.002, false);
        }
        for (at, source) in ["00", "03", "17", "21", "31", "EE"].iter().enumerate() {
            let first = 0.003 + 0.006 * at as f64;
            add("can1", format!("18FEEE{source}"), 0.05, first, at < 2);
            add("can1", format!("18FEF2{source}"), 0.1, first + 0.002, at < 2);
        }
        frames.sort_by(|a, b| a.0.total_cmp(&b.0));
        let line = |(time, own): &(f64, String)| format!("({:.6}) {own}\n", 1_000.0 + time);
        of_class(&reported_text(&frames.iter().map(line).collect::<String>()), "gateway")
    };
    let (heard, not) = (gateway(true), gateway(false));
    assert!(heard > 2.0 * not && heard > 0.25, "{heard} {not}");
}

/// A message that pauses for the same time again and again is not all of its sender, of which
/// nothing else was due meanwhile. Where it falls silent once, it may be.
#[test]
fn a_message_that_pauses_alike_is_not_its_whole_sender() {
    let lost = |pauses: &[f64]| {
        let pauses: Vec<(f64, f64)> = pauses.iter().map(|at| (*at, at + 1.04)).collect();
        let fast = timed("0CF00321#00FFFFFFFFFFFFFF", 0.05, 0.005, &pauses);
        let slow = timed("18FEE921#00FFFFFFFFFFFFFF", 1.0, 0.4, &[]);
        let document = truck([fast, slow].concat());
        let all = document["outages"].as_array().unwrap().iter();
        all.filter(|outage| outage["benign"] == false).count()
    };
    assert_eq!(lost(&[20.38, 35.38, 50.38, 65.38, 80.38]), 0);
    assert_eq!(lost(&[20.38]), 1);
}

/// Behind a key switch is the voltage of the battery (SPN 158 and 168, SAE J1939-71). What shows
/// another one with the key on tells no key, and a module that falls silent then is lost.
#[test]
fn a_key_switch_shows_the_voltage_of_the_battery() {
    let cause = |on: &str| {
        // 28 V behind the battery, and `on` behind the key.
        let mut power = timed(&format!("18FEF700#FFFFFFFF3002{on}"), 1.0, 0.2, &[(50.0, 62.0)]);
        let off = timed("18FEF700#FFFFFFFF30020000", 1.0, 0.2, &[(0.0, 50.0), (62.0, 100.0)]);
        power.extend(off);
        let module = |frame: &str| timed(frame, 0.05, 0.007, &[(50.5, 61.5)]);
        let own = [module("0CF00321#00FFFFFFFFFFFFFF"), module("0CFE6C21#00FFFFFFFFFFFFFF")];
        let document = truck([power, own.concat()].concat());
        document["outages"][0]["cause"].as_str().unwrap().to_owned()
    };
    assert_eq!(cause("3002"), "switched_off");
    // 100 V.
    assert_ne!(cause("D007"), "switched_off");
}

/// With the key off most stay silent to the end. One that comes back at once does not tell when the
/// key was on again, and what falls silent later is an after-run.
#[test]
fn what_leaves_later_is_of_a_key_that_stays_off() {
    let late = |key: bool| {
        let mut all = Vec::new();
        for (own, at) in messages(0x100, 12).into_iter().zip(0..) {
            let from = 40.0 + 0.3 * f64::from(at / 4);
            let to = if at == 0 { 41.5 } else { 100.0 };
            all.push(if key { own.silent(from, to) } else { own });
        }
        let after_run =
            cut(vec![message("500", 0.05, 0.003), message("501", 0.1, 0.004)], 49.0, 99.0);
        let document = reported(60.0, &[all, messages(0x300, 6), after_run].concat());
        let list = document["outages"].as_array().unwrap().clone();
        let own = list.into_iter().find(|own| own["ids"].to_string().contains("0x500")).unwrap();
        own["benign"].as_bool().unwrap()
    };
    assert!(late(true));
    assert!(!late(false));
}

/// A gateway that others miss now speaks for itself; one that they remember does not.
#[test]
fn a_gateway_that_is_missed_now_is_likelier_at_fault() {
    let gateway = |status: &str| {
        let mut text = vehicle();
        text += &trouble("branch_open", "branch = \"left\"", &[60.0], &[70.0]);
        let code = format!("C1 46 87 {status}");
        for number in 1..3 {
            text += &read(100.0 + f64::from(number), number, &[&code]);
        }
        let document = simulated(&text, &[]).1;
        let all = document["findings"].as_array().unwrap().iter();
        let own = all.filter(|finding| finding["class"] == "gateway");
        own.map(|finding| finding["uncalibrated"].as_f64().unwrap()).sum::<f64>()
    };
    assert!(gateway("2F") > gateway("28"), "{} {}", gateway("2F"), gateway("28"));
}

/// A gateway without supply took several along, and modules of both its buses miss one another:
/// each row more is of it too. Where it is only remembered, it is not.
#[test]
fn what_is_missed_with_a_gateway_is_of_it() {
    let gateway = |status: &str| {
        let mut text = vehicle();
        text += &trouble("branch_open", "branch = \"left\"", &[60.0], &[70.0]);
        // Brakes, steering, cluster and a door: three of them on the bus behind it.
        let missed = ["C1 21 87 2E", "C1 31 87 2E", "C1 55 87 2E", "C1 99 87 2E"];
        let own = format!("C1 46 87 {status}");
        for number in 1..5 {
            let other = missed[usize::from(number) - 1];
            text += &read(100.0 + f64::from(number), number, &[&own, other]);
        }
        let document = simulated(&text, &[]).1;
        ranked(&document)
    };
    let found = gateway("2E");
    assert_eq!(found[0].0, "gateway", "{found:?}");
    let found = gateway("28");
    assert_ne!(found[0].0, "gateway", "{found:?}");
}
