//! What a start, a pause of the recording and two buses that sleep explain, and what they do not;
//! and which supply no vehicle starts with. For each rule the smallest capture that needs it, and
//! its counterpart. All data is invented.

mod common;
#[path = "common/five_nodes.rs"]
mod five_nodes;
#[path = "common/messages.rs"]
mod messages;

use common::report_text;
use five_nodes::{of_class, ranked};
use messages::{Message, buses, cut, log, message, messages, slow};
use serde_json::Value;

fn reported(text: &str) -> Value {
    report_text(text).1
}

/// A module that is silent for a second soon after the recording began, and ran on, may have kept
/// still while the engine was cranked; in mid-drive it hardly did, and one that is lost again is
/// not the starter's at all.
#[test]
fn a_module_that_runs_on_through_a_start_has_a_rival() {
    let lost = |times: &[f64]| {
        let own = slow(messages(0x100, 4), 90.0);
        let own = times.iter().fold(own, |own, at| cut(own, *at, at + 1.0));
        let all = [own, messages(0x300, 12)].concat();
        let found = reported(&log(90.0, &all));
        (of_class(&found, "cranking"), of_class(&found, "module_connector"))
    };
    let (soon, late, again) = (lost(&[2.0]), lost(&[40.0]), lost(&[2.0, 40.0]));
    assert!(soon.0 > late.0 + 0.05 && soon.1 < late.1, "{soon:?} {late:?}");
    assert!(again.0 < late.0 + 0.01 && again.1 > 0.7, "{again:?}");
}

/// What a gateway carries over pauses once for a second, soon after the begin: the starter takes
/// gateways too. In mid-drive, or where it pauses again, it is the gateway.
#[test]
fn the_starter_takes_a_gateway_too() {
    let gateway = |times: &[f64]| {
        let shared = messages(0x200, 4);
        let carried = times.iter().fold(shared.clone(), |own, at| cut(own, *at, at + 1.0));
        let here = [messages(0x300, 8), shared].concat();
        let there = [slow(messages(0x400, 9), 80.0), carried].concat();
        of_class(&reported(&buses(90.0, &[&here, &there])), "gateway")
    };
    let (soon, late, again) = (gateway(&[4.0]), gateway(&[40.0]), gateway(&[4.0, 40.0]));
    assert!(soon < 0.2 && late > 0.4 && again > 0.4, "{soon} {late} {again}");
}

/// A recorder that pauses stops every bus; one of few frames was quiet a little longer at either
/// end, and that is no bus that stopped. Where it was quiet while the other went on, or for much
/// longer, it did stop, and its line may be bad.
#[test]
fn a_pause_of_the_recording_is_none_of_a_bus_of_few_frames() {
    let told = |here: Vec<Message>, few: usize, from: f64, to: f64| {
        let all = [("500", 0.1), ("510", 0.17), ("520", 0.21)].into_iter().take(few);
        let few: Vec<Message> = all.map(|(id, first)| message(id, 0.25, first)).collect();
        let found = reported(&buses(60.0, &[&here, &cut(few, from, to)]));
        let outages = found["outages"].as_array().unwrap().iter();
        let stops = outages.filter(|outage| outage["scope"] == "bus").count();
        (stops, of_class(&found, "line"))
    };
    let pause = || cut(messages(0x100, 16), 30.0, 33.0);
    for few in [2, 3] {
        let (stops, line) = told(pause(), few, 29.95, 33.05);
        assert!(stops == 0 && line < 0.001, "{few} {stops} {line}");
        assert_eq!(told(pause(), few, 28.0, 36.0).0, 1);
    }
    let (stops, line) = told(messages(0x100, 16), 3, 29.95, 33.05);
    assert!(stops == 1 && line > 0.5, "{stops} {line}");
}

/// All of these silent for a while; each begins its grid anew.
fn sleeping(messages: Vec<Message>, from: f64, to: f64) -> Vec<Message> {
    let all = messages.into_iter().zip(1..);
    all.map(|(own, at)| own.anew(from, to, 0.0031 * f64::from(at))).collect()
}

/// Buses that are switched off together end up to two seconds apart and wake together: nothing is
/// wrong with either line, nor with who sends on it. Where one goes on, the other failed.
#[test]
fn buses_that_sleep_together_have_no_bad_line() {
    let here = || sleeping(messages(0x100, 16), 20.0, 40.0);
    let there = sleeping(messages(0x400, 8), 21.5, 40.0);
    let found = reported(&buses(60.0, &[&here(), &there]));
    let blamed =
        |(class, _, probability): &(String, String, f64)| class != "logger" && *probability >= 0.2;
    assert!(!ranked(&found).iter().any(blamed), "{:?}", ranked(&found));
    let found = reported(&buses(60.0, &[&here(), &messages(0x400, 8)]));
    assert!(of_class(&found, "line") > 0.5, "{:?}", ranked(&found));
}

/// Half of the messages, of two modules of six, are not there any more after a pause of the
/// recording: they may have been switched off in it. Where nothing paused, or where it is only one
/// module of five, it is a loss.
#[test]
fn a_part_that_is_gone_after_a_pause_may_be_switched_off() {
    let judged = |part: &[(u32, u32, f64)], paused: bool| {
        let rest = [(0x300, 5, 20.0), (0x400, 5, -40.0), (0x500, 5, 100.0), (0x600, 5, -120.0)];
        let of = |(first, count, ppm): &(u32, u32, f64)| slow(messages(*first, *count), *ppm);
        let gone = cut(part.iter().flat_map(of).collect(), 30.0, 99.0);
        let rest: Vec<Message> = rest.iter().flat_map(of).collect();
        let rest = if paused { cut(rest, 30.0, 36.0) } else { rest };
        let found = reported(&log(90.0, &[gone, rest].concat()));
        let all = found["outages"].as_array().unwrap().iter();
        let own: Vec<Value> = all.filter(|outage| outage["scope"] != "capture").cloned().collect();
        assert_eq!(own.len(), 1, "{own:?}");
        own[0].clone()
    };
    let two = [(0x100, 9, 60.0), (0x200, 9, -80.0)];
    let off = judged(&two, true);
    assert_eq!(off["cause"], "switched_off", "{off}");
    assert!(
        off["benign"] == true && off["evidence"].to_string().contains("after a pause"),
        "{off}"
    );
    assert_eq!(judged(&two, false)["benign"], false);
    let one = judged(&[(0x100, 5, 60.0)], true);
    assert!(one["benign"] == false && one["scope"] == "node", "{one}");
}

/// A battery of 283 V is none that a control unit could read: the group says something else there,
/// and no supply is told. One of 27 V is that of a truck.
#[test]
fn a_supply_beyond_all_batteries_is_no_reading() {
    let supply = |power: fn(f64) -> String| {
        let mut all = vec![
            message("0CF00400", 0.02, 0.0),
            message("18FEF100", 0.1, 0.003),
            message("18FEEE00", 1.0, 0.006),
            message("18F0010B", 0.1, 0.009),
            message("18FEBF0B", 0.1, 0.012),
        ];
        all.push(Message { data: power, ..message("18FEF717", 1.0, 0.015) });
        reported(&log(20.0, &all))["vehicle"]["supply_voltage"].clone()
    };
    // In steps of 0.05 V: 5660 of them, and 540.
    assert_eq!(supply(|_| "FFFFFFFF1C16FFFF".to_owned()), Value::Null);
    let truck = supply(|_| "FFFFFFFF1C02FFFF".to_owned());
    assert_eq!((&truck["min"], &truck["max"]), (&Value::from(27.0), &Value::from(27.0)));
}

/// A pause of the recording is all that any bus was silent for: a bus that ended sooner, or clocks
/// of the buses that differ, leave no loss of a module.
#[test]
fn what_a_bus_was_quiet_longer_than_a_pause_is_no_loss() {
    let blamed = |here: Vec<Message>, there: Vec<Message>| {
        let found = ranked(&reported(&buses(60.0, &[&here, &there])));
        let benign = ["logger", "sleep", "cranking"];
        let faults = found.into_iter().filter(|(class, ..)| !benign.contains(&class.as_str()));
        faults.filter(|(.., probability)| *probability > 0.2).collect::<Vec<_>>()
    };
    let sooner = blamed(cut(messages(0x100, 16), 20.0, 40.0), cut(messages(0x400, 8), 21.5, 40.0));
    assert!(sooner.is_empty(), "{sooner:?}");
    let skewed =
        blamed(cut(messages(0x100, 16), 30.0, 33.0), cut(messages(0x400, 8), 29.95, 33.05));
    assert!(skewed.is_empty(), "{skewed:?}");
}

/// Where the starter stops what a gateway carries over, who sends it is heard on the other bus and
/// is well.
#[test]
fn a_sender_that_the_other_bus_hears_is_well() {
    let here = [messages(0x300, 8), messages(0x200, 4)].concat();
    let there = [slow(messages(0x400, 9), 80.0), cut(messages(0x200, 4), 4.0, 5.0)].concat();
    let found = reported(&buses(90.0, &[&here, &there]));
    assert!(of_class(&found, "module_connector") < 0.2, "{:?}", ranked(&found));
    assert!(of_class(&found, "gateway") < 0.2, "{:?}", ranked(&found));
}

/// A truck: an engine that runs, and address 0x0B with one message.
fn truck(own: Message) -> Vec<Message> {
    let engine = [
        ("0CF00400", 0.02, 0.0),
        ("18FEF100", 0.1, 0.003),
        ("0CF00300", 0.05, 0.006),
        ("18FEEF00", 0.5, 0.007),
    ];
    let mut all: Vec<Message> =
        engine.iter().map(|(id, period, first)| message(id, *period, *first)).collect();
    let gearbox = [("0CF00203", 0.01, 0.002), ("18F00503", 0.1, 0.004)];
    all.extend(gearbox.iter().map(|(id, period, first)| message(id, *period, *first)));
    all.push(own);
    all
}

/// The one message of an address of SAE J1939 that its sender repeats for as long as it runs, as
/// brakes 1, is all of that module. One of the maker's own may pause by nature.
#[test]
fn a_message_that_never_pauses_is_its_module() {
    let judged = |id: &str| {
        let own = message(id, 0.1, 0.009).anew(30.0, 33.0, 0.031);
        let found = reported(&log(90.0, &truck(own)));
        (found["verdict"].as_str().unwrap().to_owned(), found["outages"][0]["benign"].clone())
    };
    assert_eq!(judged("18F0010B"), ("something_lost".to_owned(), Value::Bool(false)));
    assert_eq!(judged("18FF0E0B"), ("cannot_tell".to_owned(), Value::Bool(true)));
}

/// Where the engine speed shows the start, a brief silence just before it is the starter's, however
/// late in the recording; without a start it is a loss.
#[test]
fn the_engine_speed_shows_when_the_starter_turned() {
    let judged = |speed: fn(f64) -> String| {
        let own = message("18F0010B", 0.1, 0.009).anew(40.0, 41.2, 0.031);
        let mut all = truck(own);
        all[0].data = speed;
        let found = reported(&log(90.0, &all));
        found["outages"][0]["benign"].clone()
    };
    let started = |time: f64| match time < 41.5 {
        true => "FFFFFF0000FFFFFF".to_owned(),
        false => "FFFFFF0019FFFFFF".to_owned(),
    };
    assert_eq!(judged(started), Value::Bool(true));
    assert_eq!(judged(|_| "FFFFFF0000FFFFFF".to_owned()), Value::Bool(false));
}

/// Messages that are first heard well after the begin are switched on then, and show no start: a
/// brief loss soon after the begin is one. Modules that come one after another do show it.
#[test]
fn what_comes_later_is_no_start() {
    let judged = |late: [f64; 2]| {
        let own = messages(0x100, 6).into_iter().zip(1..);
        let own = own.map(|(own, at)| own.anew(6.0, 7.2, 0.0031 * f64::from(at)));
        let other = messages(0x200, 6).into_iter().zip(1..);
        let other = other.map(|(own, at)| own.anew(6.0, 7.2, 0.0037 * f64::from(at)));
        let mut all: Vec<Message> = slow(own.collect(), 90.0);
        all.extend(slow(other.collect(), -60.0));
        all.extend(messages(0x300, 16));
        all.extend([message("500", 0.1, late[0]), message("510", 0.1, late[1])]);
        let found = reported(&log(60.0, &all));
        found["outages"][0]["benign"].clone()
    };
    assert_eq!(judged([21.0, 34.0]), Value::Bool(false));
    assert_eq!(judged([1.5, 3.5]), Value::Bool(true));
}

/// The messages of a bus that goes to sleep for good from then on, one after another.
fn leaving(from: f64) -> Vec<Message> {
    let steps = (0..16).map(|at| from + 0.15 * f64::from(at));
    messages(0x100, 16).into_iter().zip(steps).map(|(own, at)| own.silent(at, 999.0)).collect()
}

/// A bus that ends from one frame to the next while another one goes to sleep was put to sleep with
/// it. Where the other bus goes on, or sleeps a minute later, its line failed.
#[test]
fn a_bus_that_ends_with_a_sleeping_one_sleeps() {
    let line = |sleeps: f64| {
        let here = leaving(sleeps);
        let there = cut(messages(0x400, 8), 60.0, 999.0);
        let found = reported(&buses(150.0, &[&here, &there, &[message("700", 1.0, 0.5)]]));
        of_class(&found, "line")
    };
    let (with, later, never) = (line(61.0), line(120.0), line(900.0));
    assert!(with < 0.01 && later > 0.5 && never > 0.5, "{with} {later} {never}");
}

/// What falls silent for good after another bus was put to sleep left with the key. Where the other
/// bus is awake, it is a loss.
#[test]
fn what_leaves_after_a_bus_slept_left_with_the_key() {
    let judged = |sleeps: f64| {
        let here = leaving(sleeps);
        let own = cut(slow(messages(0x300, 5), 90.0), 75.0, 999.0);
        let there = [own, slow(messages(0x400, 12), -60.0)].concat();
        let found = reported(&buses(90.0, &[&here, &there]));
        let all = found["outages"].as_array().unwrap().iter();
        let own: Vec<&Value> = all.filter(|own| own["channel"] == "can1").collect();
        assert_eq!(own.len(), 1, "{own:?}");
        own[0]["benign"] == true
    };
    assert!(judged(60.0) && !judged(900.0));
}

/// What leaves soon after another bus was switched off and is back with it, each time, left with
/// the key. What is back long before it was lost.
#[test]
fn what_follows_another_bus_each_time_left_with_the_key() {
    let lost = |back: f64| {
        let steps = messages(0x100, 16).into_iter().zip(0..);
        let steps = steps.map(|(own, at)| {
            let shift = 0.0031 * f64::from(at + 1);
            let at = 0.4 * f64::from(at / 4);
            own.anew(20.0 + at, 40.0, shift).anew(60.0 + at, 80.0, shift)
        });
        let own = slow(messages(0x300, 5), 90.0).into_iter().zip(1..);
        let own = own.map(|(own, at)| {
            let shift = 0.0037 * f64::from(at);
            own.anew(22.0, back, shift).anew(62.3, back + 40.0, shift)
        });
        let here: Vec<Message> = steps.chain(messages(0x200, 4)).collect();
        let there: Vec<Message> = own.chain(slow(messages(0x400, 12), -60.0)).collect();
        let found = reported(&buses(100.0, &[&here, &there]));
        let all = found["outages"].as_array().unwrap().iter();
        all.filter(|own| own["channel"] == "can1" && own["benign"] == false).count()
    };
    assert_eq!([lost(40.5), lost(30.5)], [0, 2]);
}

/// An engine that starts badly is cranked for long after the key was turned, and all buses have one
/// key: whichever slept and woke shows it, or had not woken yet as the recording began.
#[test]
fn any_bus_shows_when_the_key_was_turned() {
    let cranking = |woke: f64, there: Vec<Message>, from: f64| {
        let from_then = |own: Message| Message { first: own.first + woke, ..own };
        let own = slow(messages(0x100, 4), 90.0).into_iter().zip(1..);
        let own =
            own.map(|(own, at)| from_then(own).anew(from, from + 7.0, 0.0031 * f64::from(at)));
        let others = messages(0x300, 12).into_iter().map(from_then);
        let here: Vec<Message> = own.chain(others).collect();
        of_class(&reported(&buses(90.0, &[&here, &there])), "cranking")
    };
    let awake = || messages(0x400, 8);
    // It leaves in steps, as what is switched off does.
    let steps = |(own, at): (Message, i32)| {
        own.anew(10.0 + 0.3 * f64::from(at / 3), 30.0, 0.0031 * f64::from(at + 1))
    };
    let slept = || messages(0x400, 9).into_iter().zip(0..).map(steps).collect();
    assert!(cranking(0.0, awake(), 34.0) < 0.01);
    let (asleep, other) = (cranking(12.0, awake(), 16.0), cranking(0.0, slept(), 34.0));
    assert!(asleep > 0.4 && other > 0.4, "{asleep} {other}");
    assert!(cranking(12.0, awake(), 50.0) < 0.01 && cranking(0.0, slept(), 50.0) < 0.01);
}

/// What is silent for a while in the middle of a key-off of many may have been switched off too:
/// nobody is blamed, and it is named as a doubt. Not what runs on, what falls silent later, nor
/// what does so twice.
#[test]
fn what_is_silent_while_others_are_off_is_in_doubt() {
    let own = || {
        let all = slow(messages(0x100, 4), 90.0).into_iter().zip(1..);
        all.map(|(own, at)| (own, 0.0053 * f64::from(at))).collect::<Vec<(Message, f64)>>()
    };
    let anew = |silent: &[(f64, f64)]| -> Vec<Message> {
        let each = |(own, shift): (Message, f64)| {
            silent.iter().fold(own, |own, (from, to)| own.anew(*from, *to, shift))
        };
        own().into_iter().map(each).collect()
    };
    let off = |at: i32| {
        let left = 20.0 + 0.8 * f64::from(at);
        let all = messages(0x300 + 0x10 * at as u32, 4).into_iter().zip(1..);
        let all = all.map(|(own, step)| {
            own.anew(left, 60.0, 0.0037 * f64::from(step) + 0.011 * f64::from(at))
        });
        slow(all.collect(), -140.0 + 80.0 * f64::from(at))
    };
    let told = |own: Vec<Message>| {
        let stay = slow(messages(0x500, 8), 160.0);
        let all = [own, off(0), off(1), off(2), stay].concat();
        let (code, found) = report_text(&log(90.0, &all));
        (code, of_class(&found, "module_power"), of_class(&found, "module_connector"))
    };
    let (code, power, _) = told(anew(&[(35.0, 50.0)]));
    assert!(code == 3 && power > 0.02 && power <= 0.2, "{code} {power}");
    let on = cut(slow(messages(0x100, 4), 90.0), 35.0, 50.0);
    let (code, _, connector) = told(on);
    assert!(code == 1 && connector > 0.5, "{code} {connector}");
    for silent in [[(72.0, 83.0)].as_slice(), &[(35.0, 50.0), (70.0, 75.0)]] {
        let (code, power, _) = told(anew(silent));
        assert!(code == 1 && power > 0.5, "{code} {power}");
    }
}

/// A watchdog keeps its time while it runs; the key was off once in between.
#[test]
fn a_key_off_does_not_break_the_steps_of_a_watchdog() {
    let resets = [4.0, 8.0, 12.0, 16.0, 20.0, 40.0, 44.0];
    let own = slow(messages(0x100, 5), 90.0);
    let own = resets
        .iter()
        .fold(own, |own, at| own.into_iter().map(|own| own.anew(*at, at + 0.7, 0.0037)).collect());
    let off = [(0x200, 6, 24.0), (0x300, 5, 24.3), (0x400, 4, 25.1)];
    let off = off.map(|(first, count, from)| sleeping(messages(first, count), from, 34.0));
    let found = reported(&log(60.0, &[off.concat(), own, messages(0x500, 6)].concat()));
    let told = found["findings"].to_string();
    assert!(told.contains("regular intervals of 4.0 s"), "{:#} {told}", found["outages"]);
}

/// Few steps are as even as that by chance; many that are so are a watchdog's.
#[test]
fn few_steps_are_even_by_chance() {
    let told = |losses: usize, off: f64| {
        let start = |at: usize| 20.0 + 6.0 * at as f64 + if at % 2 == 1 { off } else { 0.0 };
        let own = (0..losses).fold(slow(messages(0x100, 5), 90.0), |own, at| {
            own.into_iter().map(|own| own.anew(start(at), start(at) + 0.7, 0.0037)).collect()
        });
        let found = reported(&log(90.0, &[own, messages(0x500, 12)].concat()));
        found["findings"].to_string().contains(" at regular intervals")
    };
    // Steps of 6 s, each off by 12 % of them, and by 5 %.
    assert!(told(9, 0.72));
    assert!(!told(6, 0.72));
    assert!(told(6, 0.3));
}

/// A module that boots may send a frame before its messages run: the pause after that is of its
/// boot, and no second loss. One that comes later is.
#[test]
fn a_frame_before_a_boot_is_no_return() {
    let told = |early: f64| {
        let again = 36.0 + early;
        let own = slow(messages(0x100, 5), 90.0).into_iter();
        let own = own.map(|own| own.anew(30.0, 36.0, 0.0037).anew(again, again + 0.6, 0.0071));
        let found = reported(&log(60.0, &[own.collect(), messages(0x500, 12)].concat()));
        found["findings"].to_string()
    };
    assert!(told(0.15).contains("fell silent once") && told(4.0).contains("fell silent 2 times"));
}

/// A slow timer has few gaps, and a module that is lost time and again makes a tenth of them long:
/// it is a timer all the same, where nothing comes at half its time and the losses are unlike. What
/// pauses for one length each time is sent in bursts.
#[test]
fn a_slow_timer_that_is_lost_often_is_a_timer() {
    let lost = |lengths: &[f64]| {
        let away = |at: usize| 3.0 + 3.6 * at as f64;
        let own = (0..2).map(|at| message(&format!("{:03X}", 0x110 + at), 0.2, 0.013));
        let all = own.map(|own| {
            let each = lengths.iter().enumerate();
            each.fold(own, |own, (at, length)| own.anew(away(at), away(at) + length, 0.031))
        });
        let all: Vec<Message> = messages(0x300, 16).into_iter().chain(all).collect();
        reported(&log(42.0, &all))["verdict"].as_str().unwrap().to_owned()
    };
    let unlike = [1.0, 1.9, 1.3, 2.4, 1.1, 2.1, 1.7, 1.2, 2.3, 1.5];
    assert_eq!(lost(&unlike), "something_lost");
    assert_eq!(lost(&[2.0; 10]), "nothing_lost");
}

/// What left first of several steps, and is not back though the rest is, was taken by something
/// else. What is back with the rest, or left with it, was not.
#[test]
fn who_left_before_a_key_off_and_stays_away_is_lost() {
    let lost = |from: f64, to: f64| {
        let first = slow(messages(0x100, 4), 90.0);
        let steps = [(0x200, 20.0), (0x240, 20.6), (0x280, 21.3)];
        let steps = steps.map(|(first, from)| sleeping(messages(first, 4), from, 27.0));
        let all = [sleeping(first, from, to), steps.concat(), messages(0x300, 24)].concat();
        let found = reported(&log(60.0, &all));
        found.to_string().contains("it stayed away for")
    };
    assert!(lost(18.5, 36.0));
    assert!(!lost(18.5, 27.0));
    assert!(!lost(20.0, 36.0));
}

/// A module that is lost briefly twice, each time as a message of the engine begins again after a
/// long pause, was pulled down by a starter that no key turned. Elsewhere its supply fails.
#[test]
fn what_is_lost_as_the_engine_begins_again_is_the_starters() {
    let judged = |resumes: [f64; 2]| {
        let own = messages(0x100, 5).into_iter();
        let own = own.map(|own| own.anew(20.0, 21.0, 0.0031).anew(50.0, 51.0, 0.0047));
        let engine = message("480", 0.05, 0.013);
        let engine = engine.silent(10.0, resumes[0]).silent(40.0, resumes[1]);
        let all = [own.collect(), messages(0x300, 12), vec![engine]].concat();
        let found = reported(&log(70.0, &all));
        (of_class(&found, "cranking"), of_class(&found, "module_power"))
    };
    let (with, without) = (judged([20.6, 50.7]), judged([25.0, 58.0]));
    assert!(with.0 > with.1 && without.0 < without.1, "{with:?} {without:?}");
}
