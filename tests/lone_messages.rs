//! Single messages whose sender is not known: what pauses by design, what went with others, and
//! what may be all that a module sends; and how the messages of a loss end. For each rule the
//! smallest capture that needs it, and its counterpart. All data is invented.

mod common;
#[path = "common/five_nodes.rs"]
mod five_nodes;
#[path = "common/messages.rs"]
mod messages;

use common::report_text;
use five_nodes::{of_class, ranked};
use messages::{Message, cut, log, message, messages, slow};
use serde_json::Value;

fn reported(text: &str) -> Value {
    report_text(text).1
}

/// The highest probability of a fault of a module.
fn blamed(found: &Value) -> f64 {
    ["module_power", "module_connector", "module_dead"]
        .iter()
        .map(|class| of_class(found, class))
        .fold(0.0, f64::max)
}

/// A counter of one byte that begins at nought after each of these times.
fn restarting(time: f64, begins: &[f64]) -> String {
    let since = begins.iter().rev().find(|begin| time >= **begin).copied().unwrap_or(0.0);
    format!("{:02X}AA", ((time - since) / 0.1).round() as u32 % 256)
}

/// A message that pauses at these times, each for so long, and begins anew after each.
fn pauser(times: &[(f64, f64)], data: fn(f64) -> String) -> Message {
    let own = Message { data, ..message("4AD", 0.1, 0.0137) };
    times.iter().enumerate().fold(own, |own, (step, (at, lasts))| {
        own.anew(*at, at + lasts, 0.017 + 0.011 * step as f64)
    })
}

/// The highest probability of a fault of a module where that message pauses beside others.
fn blamed_for(own: Message) -> f64 {
    blamed(&reported(&log(60.0, &[slow(messages(0x300, 14), 90.0), vec![own]].concat())))
}

/// A message that begins anew by the clock, exact to its own period, is sent so; at odd times it is
/// a module that loses its supply.
#[test]
fn what_begins_anew_by_the_clock_is_sent_so() {
    let clock = [(5.0, 2.0), (17.0, 2.0), (29.0, 2.0), (41.0, 2.0)];
    let odd = [(5.0, 2.0), (13.2, 3.1), (29.0, 1.4), (48.3, 2.6)];
    let clock = pauser(&clock, |time| restarting(time, &[7.0, 19.0, 31.0, 43.0]));
    let odd = pauser(&odd, |time| restarting(time, &[7.0, 16.3, 30.4, 50.9]));
    let (clock, odd) = (blamed_for(clock), blamed_for(odd));
    assert!(clock < 0.2 && odd > 0.5, "{clock} {odd}");
}

/// Twice for the same time is no accident; twice for different times may be.
#[test]
fn two_pauses_of_one_length_are_by_design() {
    let alike = pauser(&[(12.0, 2.0), (31.7, 2.0)], |time| restarting(time, &[14.0, 33.7]));
    let unlike = pauser(&[(12.0, 2.0), (31.7, 3.4)], |time| restarting(time, &[14.0, 35.1]));
    let (alike, unlike) = (blamed_for(alike), blamed_for(unlike));
    assert!(alike < 0.2 && unlike > 0.4, "{alike} {unlike}");
}

/// A single message that goes once, at an instant at which a module is lost, is hardly a second
/// module that failed then; by itself it was lost.
#[test]
fn who_goes_with_others_is_no_fault_of_its_own() {
    let own = cut(messages(0x101, 4), 20.0, 26.0);
    let lone = message("5A7", 0.25, 0.0411).anew(20.0, 33.0, 0.09).late(0.004);
    let found = reported(&log(60.0, &[own, messages(0x300, 16), vec![lone]].concat()));
    let of_lone = found["findings"]
        .as_array()
        .unwrap()
        .iter()
        .filter(|finding| finding["title"].as_str().unwrap().contains("0x5A7"));
    let most = of_lone.map(|own| own["probability"].as_f64().unwrap()).fold(0.0, f64::max);
    assert!(most < 0.2 && of_class(&found, "module_connector") > 0.5, "{most} {found:#}");
}

/// A message of an unknown sender that goes for good may be of a mode that ended, or all that a
/// module sends: it is told as lost, and no fault of it is likelier than about one in five.
#[test]
fn one_message_that_goes_for_good_may_be_of_a_mode() {
    let lone = message("5A7", 0.02, 0.0111).silent(25.0, 999.0);
    let found = reported(&log(70.0, &[slow(messages(0x300, 16), 90.0), vec![lone]].concat()));
    let most = blamed(&found);
    assert!((0.1..0.25).contains(&most), "{most} {found:#}");
    // Four that go are a module.
    let own = cut(messages(0x101, 4), 25.0, 999.0);
    let several = blamed(&reported(&log(70.0, &[messages(0x300, 16), own].concat())));
    assert!(several > most, "{several} {most}");
}

/// Modules on one supply do not end at one instant, for each holds up for another while; those on
/// one wire do. Nothing else tells them apart where they do not come back.
#[test]
fn supplies_hold_modules_up_for_different_times() {
    let lost = |later: f64| {
        let one = cut(messages(0x101, 5), 30.0, 999.0);
        let other = cut(messages(0x201, 5), 30.0 + later, 999.0);
        let others = [(0x300, 40.0), (0x340, -30.0), (0x380, 10.0), (0x3C0, -130.0)];
        let others = others.into_iter().flat_map(|(first, ppm)| slow(messages(first, 6), ppm));
        let all = [slow(one, 90.0), slow(other, -80.0), others.collect()].concat();
        reported(&log(80.0, &all))
    };
    let odds = |found: &Value| of_class(found, "shared_supply") / of_class(found, "branch");
    let (at_once, apart) = (odds(&lost(0.0)), odds(&lost(0.045)));
    assert!(apart > 2.0 * at_once, "{at_once} {apart}");
}

/// What a roster was learned to have of no sender and was not heard may be of a mode; several that
/// are missing are a module.
#[test]
fn one_unknown_message_that_is_never_heard_may_be_of_a_mode() {
    let missing = |ids: &[&str]| {
        let mut roster = String::from("[[lone]]\nchannel = \"can0\"\nmessages = [\n");
        let heard = messages(0x300, 16).into_iter().map(|own| (own.id, own.period));
        for (id, period) in heard {
            roster += &format!("{{ id = \"0x{id}\", period = {period} }},\n");
        }
        for id in ids {
            roster += &format!("{{ id = \"0x{id}\", period = 0.1 }},\n");
        }
        roster += "]\n";
        let folder = tempfile::tempdir().unwrap();
        let (capture, file) = (folder.path().join("c.log"), folder.path().join("r.toml"));
        std::fs::write(&capture, log(40.0, &messages(0x300, 16))).unwrap();
        std::fs::write(&file, roster).unwrap();
        blamed(&common::report(&capture, &["--roster", file.to_str().unwrap()]).1)
    };
    let (one, three) = (missing(&["4BA"]), missing(&["4BA", "4BB", "4BC"]));
    assert!(one < 0.25 && three > one, "{one} {three}");
}

/// Of those that fall silent together a module that is found silent a moment beside them is one.
#[test]
fn a_branch_takes_in_whoever_fell_silent_with_it() {
    let own =
        |first: u32, ppm: f64, from: f64| cut(slow(messages(first, 4), ppm), from, from + 5.0);
    let all = [
        own(0x101, 90.0, 30.0),
        own(0x141, -70.0, 30.0),
        own(0x181, 10.0, 30.06),
        messages(0x300, 30),
    ];
    let found = reported(&log(90.0, &all.concat()));
    let widest = ranked(&found).into_iter().find(|(class, ..)| class == "branch").unwrap();
    assert_eq!(widest.1.matches('+').count(), 2, "{found:#}");
}

/// Where nothing tells how a message came back, a long silence speaks for a supply: a module must
/// boot, while a wire that closes has it back at once.
#[test]
fn a_long_silence_of_one_message_speaks_for_the_supply() {
    let odds = |lasts: f64| {
        let times = [(7.0, lasts), (21.3, 1.9 * lasts), (46.0, 0.8 * lasts)];
        let lone = pauser(&times, |_| "00".to_owned()).late(0.03);
        let others = slow(messages(0x300, 14), 90.0);
        let found = reported(&log(60.0, &[others, vec![lone]].concat()));
        of_class(&found, "module_power") / of_class(&found, "module_connector")
    };
    let (short, long) = (odds(0.8), odds(4.0));
    assert!(long > 1.0 && short < 1.0, "{short} {long}");
}

/// A message of nobody that leaves with a module of the roster twice hangs on what feeds both.
#[test]
fn who_leaves_with_a_module_again_hangs_on_its_supply() {
    let found = |later: f64| {
        let own = messages(0x101, 4).into_iter();
        let own = own.map(|own| own.anew(20.0, 23.0, 0.0043).anew(40.0, 46.0, 0.0031)).collect();
        let lone = message("5A7", 0.25, 0.0411).anew(20.4 + later, 28.6 + later, 0.09);
        let lone = lone.anew(40.4 + later, 52.4, 0.11);
        let others = [(0x300, 90.0), (0x380, -70.0)];
        let others = others.into_iter().flat_map(|(first, ppm)| slow(messages(first, 7), ppm));
        let mut roster =
            String::from("[[node]]\nname = \"door\"\nchannel = \"can0\"\nmessages = [\n");
        for (id, period) in [("101", 0.01), ("102", 0.02), ("103", 0.05), ("104", 0.1)] {
            roster += &format!("{{ id = \"0x{id}\", period = {period} }},\n");
        }
        roster += "]\n[[lone]]\nchannel = \"can0\"\nmessages = [\n";
        roster += "{ id = \"0x5A7\", period = 0.25 },\n]\n";
        let folder = tempfile::tempdir().unwrap();
        let (capture, file) = (folder.path().join("a.log"), folder.path().join("roster.toml"));
        std::fs::write(&capture, log(70.0, &[own, vec![lone], others.collect()].concat())).unwrap();
        std::fs::write(&file, roster).unwrap();
        common::report(&capture, &["--roster", file.to_str().unwrap()]).1
    };
    let (with, apart) = (found(0.0), found(5.0));
    let supply = |found: &Value| of_class(found, "shared_supply");
    assert!(supply(&with) > 0.4 && supply(&apart) < 0.1, "{with:#} {apart:#}");
}

/// What a message paused for in the recordings that a roster is learned from is called no loss
/// later, nor is a little more, though it may be all of a module; three times as long is one.
#[test]
fn a_roster_remembers_how_long_a_message_pauses() {
    let folder = tempfile::tempdir().unwrap();
    let write = |name: &str, at: f64, lasts: f64| {
        let own = message("4AD", 0.1, 0.0137).anew(at, at + lasts, 0.017);
        let path = folder.path().join(name);
        let text = log(60.0, &[slow(messages(0x300, 14), 90.0), vec![own]].concat());
        std::fs::write(&path, text).unwrap();
        path
    };
    let sound = write("sound.log", 12.0, 1.53);
    let roster = folder.path().join("roster.toml");
    let learned = common::lostnode().arg("learn").arg(&sound).arg("-o").arg(&roster).status();
    assert!(learned.unwrap().success());
    let code = |pause: f64| {
        let later = write("later.log", 17.3, pause);
        common::report(&later, &["--roster", roster.to_str().unwrap()]).0
    };
    assert_eq!((code(1.7), code(5.2)), (3, 1));
}
