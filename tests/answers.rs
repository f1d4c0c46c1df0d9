//! What answers tell beside their content: that a module whose messages ended still speaks to a
//! tester, that one that answered does so no more, and that its own controller left the bus. For
//! each rule the smallest capture that needs it, and its counterpart. All data is invented.

mod common;
#[path = "common/five_nodes.rs"]
mod five_nodes;
#[path = "common/messages.rs"]
mod messages;

use common::{report, simulated};
use five_nodes::{of_class, ranked, read, vehicle};
use messages::{Message, cut, log, message, messages, slow};
use serde_json::Value;

fn reported(messages: &[Message]) -> Value {
    let folder = tempfile::tempdir().unwrap();
    let path = folder.path().join("capture.log");
    std::fs::write(&path, log(70.0, messages)).unwrap();
    report(&path, &[]).1
}

fn first(document: &Value) -> (String, String) {
    ranked(document).first().map_or(Default::default(), |own| (own.0.clone(), own.1.clone()))
}

/// Frames of a tester or of a module, at these times.
fn at(id: &str, data: fn(f64) -> String, times: &[f64]) -> Vec<Message> {
    let once = |time: &f64| Message { data, ..message(id, 1000.0, *time) };
    times.iter().map(once).collect()
}

/// Questions, and answers 5 ms after some of them.
fn asked(request: &str, answer: &str, questions: &[f64], answered: &[f64]) -> Vec<Message> {
    let answered: Vec<f64> = answered.iter().map(|time| time + 0.005).collect();
    let question = at(request, |_| "023E000000000000".to_owned(), questions);
    [question, at(answer, |_| "027E000000000000".to_owned(), &answered)].concat()
}

/// Four units of a truck, the last of which is gone from 30 s on.
fn truck() -> Vec<Message> {
    let unit = |address: u32, group: u32| {
        let one = |at: u32| {
            let period = [0.02, 0.05, 0.1][at as usize];
            let id = format!("{:08X}", 0x18F0_0000 + (group + at) * 0x100 + address);
            message(&id, period, 0.0007 * f64::from(address + at))
        };
        (0..3).map(one).collect::<Vec<Message>>()
    };
    let last = cut(unit(0x17, 0x30), 30.0, 1000.0);
    // Groups that everybody sends show that the channel speaks SAE J1939.
    let engine = [("0CF00300", 0.05), ("0CF00400", 0.02), ("18FEEE00", 1.0), ("18FEF200", 0.1)]
        .map(|(id, period)| message(id, period, 0.0003))
        .to_vec();
    [engine, unit(0x03, 0x10), unit(0x0B, 0x20), last].concat()
}

/// Who answers has supply, ground and bus: its program stands still.
#[test]
fn who_answers_while_it_is_silent_is_faulty_inside() {
    let found = |answered: &[f64], more: Vec<Message>| {
        let asked = asked("18DA17F1", "18DAF117", &[20.0, 40.0, 50.0], answered);
        reported(&[truck(), asked, more].concat())
    };
    let dead = found(&[20.0, 40.0, 50.0], Vec::new());
    assert_eq!(first(&dead), ("module_dead".to_owned(), "address 0x17".to_owned()), "{dead:#}");
    assert!(dead["outages"][0]["scope"] == "node", "{}", dead["outages"]);
    let said = dead["findings"][0]["evidence"].to_string();
    assert!(said.contains("after all of its messages had ended"), "{said}");
    // Who does not answer may lack anything.
    let mute = found(&[20.0], Vec::new());
    assert_ne!(first(&mute).0, "module_dead", "{:?}", ranked(&mute));
    assert!(mute.to_string().contains("it did not answer a tester meanwhile"));
    // CommunicationControl: the tester itself has ended the messages.
    let off = at("18DA17F1", |_| "0328030100000000".to_owned(), &[29.99]);
    let quiet = found(&[20.0, 40.0, 50.0], off);
    assert!(!quiet.to_string().contains("after all of its messages had ended"), "{quiet:#}");
}

/// Old codes (SAE J1939-73, DM2) are sent to a request only: who sends them after its messages have
/// ended answers one. What it sent while it was there says nothing.
#[test]
fn old_codes_are_an_answer() {
    let found = |time: f64| {
        let request = at("18EA17F9", |_| "CBFE00".to_owned(), &[time]);
        let codes = at("18FECB17", |_| "00FF00000000FFFF".to_owned(), &[time + 0.05]);
        reported(&[truck(), request, codes].concat())
    };
    let dead = found(40.0);
    assert_eq!(first(&dead), ("module_dead".to_owned(), "address 0x17".to_owned()), "{dead:#}");
    let before = found(20.0);
    let odds = [&dead, &before].map(|found| of_class(found, "module_dead"));
    assert!(odds[0] > 0.5 && odds[1] < 0.3, "{odds:?}");
}

/// A roster has half of what a vehicle sends, and its brakes were never heard, but answer. New
/// messages in the periods of each of theirs are theirs, of another vehicle. Without one of these,
/// or where they do not answer, it may be anybody's.
#[test]
fn who_answers_and_sends_other_messages_is_a_stranger() {
    let node = |name: &str, more: &str, messages: &[(&str, f64)]| {
        let one = |(id, period): &(&str, f64)| format!("{{ id = \"0x{id}\", period = {period} }}");
        let messages: Vec<String> = messages.iter().map(one).collect();
        let messages = messages.join(", ");
        format!("[[node]]\nname = \"{name}\"\nchannel = \"can0\"\n{more}messages = [{messages}]\n")
    };
    let engine = [("0A0", 0.02), ("0A8", 0.05), ("0B0", 0.1)];
    let roster = node("engine", "", &engine)
        + &node("brakes", "answers = [\"0x77E\"]\n", &[("0C0", 0.01), ("0C8", 0.1)]);
    let found = |new: &[(&str, f64)], answered: &[f64]| {
        let all = [&engine, new, &[("300", 0.25), ("308", 0.25), ("310", 0.5)]].concat();
        let all = all
            .iter()
            .zip(1..)
            .map(|((id, period), at)| message(id, *period, 0.0013 * f64::from(at)));
        let asked = asked("776", "77E", &[20.0, 40.0], answered);
        let folder = tempfile::tempdir().unwrap();
        let path = |name: &str, text: String| {
            let path = folder.path().join(name);
            std::fs::write(&path, text).unwrap();
            path
        };
        let capture = path("capture.log", log(70.0, &all.chain(asked).collect::<Vec<_>>()));
        let roster = path("roster.toml", roster.clone());
        first(&report(&capture, &["--roster", roster.to_str().unwrap()]).1)
    };
    let own = [("0D0", 0.01), ("0D8", 0.1)];
    let stranger = ("not_configured".to_owned(), "brakes".to_owned());
    assert_eq!(found(&own, &[20.0, 40.0]), stranger);
    assert_eq!(found(&own[..1], &[20.0, 40.0]).0, "module_dead");
    assert_ne!(found(&own, &[]), stranger);
}

/// Four modules of a bus of four, one of which is gone from 30 s on.
#[test]
fn where_all_answer_the_lost_one_does() {
    let bus = || {
        let lost = slow(cut(messages(0x400, 6), 30.0, 1000.0), -120.0);
        let all = [messages(0x100, 8), slow(messages(0x200, 8), 150.0), lost];
        [all.concat(), slow(messages(0x300, 8), 300.0)].concat()
    };
    let beside = |silent: &str, more: Vec<Message>| {
        let mut all = [bus(), more].concat();
        for (request, answer) in
            [("7E0", "7E8"), ("7E1", "7E9"), ("7E2", "7EA"), ("7E3", "7EB"), ("7E4", "7EC")]
        {
            let answered: &[f64] = if answer == silent { &[20.0] } else { &[20.0, 40.0, 50.0] };
            all.extend(asked(request, answer, &[20.0, 40.0, 50.0], answered));
        }
        reported(&all)
    };
    let found = |silent: &str| beside(silent, Vec::new());
    let all = found("");
    assert_eq!(first(&all).1, "node of 0x400", "{:?}", ranked(&all));
    let said = all["findings"].to_string();
    assert!(said.contains("all 5 modules that a tester has asked since then answered"), "{said}");
    let dead = |document: &Value| {
        let own = ranked(document).into_iter().find(|own| own.0 == "module_dead");
        own.map_or(0.0, |own| own.2)
    };
    let but_one = found("7EB");
    assert!(!but_one.to_string().contains("asked since then answered"), "{but_one:#}");
    assert!(dead(&all) > 1.5 * dead(&but_one), "{:?} {:?}", ranked(&all), ranked(&but_one));
    // Who is silent while they answer may be one of them, and who falls silent later is not.
    let others = |from, to| slow(cut(messages(0x500, 6), from, to), -220.0);
    let says =
        |from, to| beside("", others(from, to)).to_string().contains("asked since then answered");
    assert!(says(52.0, 55.0) && !says(39.0, 42.0));
}

/// Half of the nodes of a bus, five at least, are taken for all; not where fewer were asked, where
/// only those of the emissions were (ISO 15765-4, 6.3.2.2), where another is silent still, or where
/// somebody was asked whose answer never came: he is known by how far apart the others are from
/// their answers.
#[test]
fn where_half_of_a_bus_answers_all_do() {
    let times =
        |number: u16| (0..6).map(move |at| 40.0 + 2.0 * f64::from(at) + 0.1 * f64::from(number));
    let asked_by = |first: (u16, u16), answering: u16, more: Vec<Message>| {
        // A module each, by its clock.
        let others = (1..)
            .zip(messages(0x200, 12))
            .flat_map(|(at, own)| slow(vec![own], 40.0 * f64::from(at)));
        let lost = slow(vec![message("1FF", 0.05, 0.03).silent(30.0, 1000.0)], -90.0);
        let mut own = [others.collect(), lost, reads(&[MISSES_TCM]), more].concat();
        for number in 0..answering {
            let (request, answer) = (format!("{:X}", first.0 + number), first.1 + number);
            let times: Vec<f64> = times(number).collect();
            own.extend(asked(&request, &format!("{answer:X}"), &times, &times));
        }
        reported(&own)
    };
    let found = |answering, more| asked_by((0x740, 0x760), answering, more);
    let says = |document: &Value| document.to_string().contains("asked since then answered");
    let everyone = found(6, Vec::new());
    assert!(says(&everyone), "{everyone:#}");
    assert_eq!(first(&everyone).0, "module_dead", "{:?}", ranked(&everyone));
    assert!(!says(&found(5, Vec::new())));
    assert!(!says(&asked_by((0x7E1, 0x7E9), 7, Vec::new())));
    assert!(!says(&found(6, cut(messages(0x400, 6), 33.0, 1000.0))));
    let in_vain: Vec<f64> = times(6).collect();
    assert!(!says(&found(6, asked("746", "766", &in_vain, &[]))));
}

/// A module that answered, and left two questions unanswered to the end while others answered, is
/// gone, also where no message of it is known.
#[test]
fn who_answers_no_more_is_missing() {
    let found = |questions: &[f64], others: &[f64]| {
        let own = asked("7E1", "7E9", questions, &[10.0]);
        reported(&[messages(0x100, 8), own, asked("7E2", "7EA", others, others)].concat())
    };
    let gone = found(&[10.0, 40.0, 50.0], &[12.0, 42.0, 51.0]);
    assert_eq!(first(&gone).1, "0x7E9", "{:?}", ranked(&gone));
    assert!(ranked(&gone).iter().all(|own| own.0 != "gateway"), "{:?}", ranked(&gone));
    // One question may have been lost on the way; and where nobody answers, the bus is asleep or
    // the tester gone.
    for (questions, others) in
        [(&[10.0, 40.0][..], &[12.0, 42.0, 51.0][..]), (&[10.0, 40.0, 50.0][..], &[12.0, 13.0][..])]
    {
        let found = found(questions, others);
        assert!(ranked(&found).is_empty(), "{:?}", ranked(&found));
    }
}

const BUS_OFF: &str = "C0 73 88 2F";

/// What modules say: `number` of each with its code.
fn told(codes: &[(u16, &str)]) -> Value {
    let mut text = vehicle();
    for (number, code) in codes {
        text += &read(100.0 + f64::from(*number), *number, &[code]);
    }
    simulated(&text, &[]).1
}

/// A controller that left the bus had supply, and nothing but its own stub or the line to fail on.
#[test]
fn a_controller_that_left_the_bus_has_a_bad_stub() {
    let document = told(&[(1, BUS_OFF)]);
    assert_eq!(first(&document), ("module_connector".to_owned(), "0x7E9".to_owned()));
    let said = document["findings"][0]["evidence"].to_string();
    assert!(said.contains("its own controller went bus-off"), "{said}");
    // It may be the line all the same.
    assert!(ranked(&document).iter().any(|own| own.0 == "line"), "{:?}", ranked(&document));
    // Not what it only remembers, nor another failure of the same bus.
    for code in ["C0 73 88 28", "C0 01 87 2F"] {
        let document = told(&[(1, code)]);
        assert!(!document.to_string().contains("went bus-off"), "{document:#}");
    }
}

/// Who left the bus hears nobody. A code "lost, bus off" of one that others miss in another way, or
/// of the only one that is missed, tells of that one.
#[test]
fn a_bus_off_of_one_that_is_missed_is_not_the_teller_s() {
    let left = |codes: &[(u16, &[&str])]| {
        let read =
            |(number, codes): &(u16, &[&str])| read(100.0 + f64::from(*number), *number, codes);
        let text = vehicle() + &codes.iter().map(read).collect::<String>();
        simulated(&text, &[]).1.to_string().contains("went bus-off")
    };
    let (brakes, steering) = ("C1 21 88 2F", "C1 31 88 2F");
    assert!(left(&[(1, &[brakes, steering])]));
    assert!(!left(&[(1, &[brakes])]));
    assert!(!left(&[(1, &[brakes, "C1 31 87 28"]), (2, &["C1 21 87 2F"])]));
}

/// Three that left it share the line.
#[test]
fn three_controllers_that_left_the_bus_share_the_line() {
    let document = told(&[(1, BUS_OFF), (2, BUS_OFF), (3, BUS_OFF)]);
    assert_eq!(first(&document).0, "line", "{:?}", ranked(&document));
    let said = document["findings"][0]["evidence"].to_string();
    assert!(said.contains("3 modules of the bus say so"), "{said}");
    // Two may each have a stub of their own.
    let document = told(&[(1, BUS_OFF), (2, BUS_OFF)]);
    let own = |name: &str| ranked(&document).iter().any(|own| own.1 == name);
    assert!(own("0x7E9") && own("0x7EA"), "{:?}", ranked(&document));
}

const MISSES_TCM: fn(f64) -> String = |_| "075902FFC101872F".to_owned();

/// One read of each module's codes a second, the first in the 60th.
fn reads(answers: &[fn(f64) -> String]) -> Vec<Message> {
    let one = |(number, answer): (u16, &fn(f64) -> String)| {
        let time = 60.0 + f64::from(number);
        let (asks, answers) =
            (format!("{:03X}", 0x7E0 + number), format!("{:03X}", 0x7E8 + number));
        let question = at(&asks, |_| "031902FF00000000".to_owned(), &[time]);
        [question, at(&answers, *answer, &[time + 0.005])].concat()
    };
    (0..).zip(answers).flat_map(one).collect()
}

/// Where a single sender fell silent, of which no node is known, the one module that others miss is
/// it, and so is the one whose own controller left the bus. Of two that are missed either may be.
#[test]
fn what_is_missed_is_the_only_sender_that_fell_silent() {
    let found = |answers: &[fn(f64) -> String]| {
        // So sloppy that its clock tells nothing of its node.
        let times = (0..697).filter(|at| !(300..341).contains(at));
        let sloppy = |at: u32| 0.1 * f64::from(at) + 0.001 * f64::from(at * 7919 % 23);
        let times: Vec<f64> = times.map(sloppy).collect();
        let lost = at("1FF", |_| "00".to_owned(), &times);
        reported(&[messages(0x200, 12), lost, reads(answers)].concat())
    };
    let misses_brakes: fn(f64) -> String = |_| "075902FFC121872F".to_owned();
    let left: fn(f64) -> String = |_| "075902FFC073882F".to_owned();
    let one = found(&[MISSES_TCM, MISSES_TCM, left]);
    assert_eq!(first(&one), ("module_connector".to_owned(), "the sender of 0x1FF".to_owned()));
    let own = one["findings"][0]["evidence"].to_string();
    assert!(own.contains("TCM is missed") && own.contains("own controller"), "{own}");
    assert!(
        ranked(&one).iter().all(|own| own.1 != "TCM" && own.1 != "0x7EA"),
        "{:?}",
        ranked(&one)
    );
    let two = found(&[MISSES_TCM, misses_brakes, left]);
    assert!(ranked(&two).iter().any(|own| own.1 == "TCM"), "{:?}", ranked(&two));
}

/// Of several that were lost together those that watch them would name more than one: where two
/// modules miss one name, and no other is missed, it is likelier that one was lost. What a single
/// module misses tells less.
#[test]
fn those_that_name_one_module_mean_one() {
    let shared = |answers: &[fn(f64) -> String]| {
        // Nothing but their silence tells that they belong together.
        let sloppy = |at: u32| {
            let times = (0..1300).filter(|time| !(560..760).contains(time));
            let off = |time: u32| 0.000_5 * f64::from((time + at) * 7919 % 23);
            let times: Vec<f64> = times.map(|time| 0.05 * f64::from(time) + off(time)).collect();
            self::at(&format!("{:03X}", 0x400 + at), |_| "00".to_owned(), &times)
        };
        let lost = (0..14).flat_map(sloppy).collect::<Vec<Message>>();
        let document = reported(&[messages(0x100, 8), lost, reads(answers)].concat());
        let of_several = ranked(&document).into_iter().filter(|own| own.1.contains("0x400"));
        let classes = ["branch", "shared_supply"];
        of_several.filter(|own| classes.contains(&own.0.as_str())).map(|own| own.2).sum::<f64>()
    };
    let (by_one, by_two) = (shared(&[MISSES_TCM]), shared(&[MISSES_TCM, MISSES_TCM]));
    assert!(by_two < 0.7 * by_one, "{by_one} {by_two}");
}

/// A message of an unknown sender may be all that a module sends: where it was lost, its counter
/// and phase tell whether that started anew. One sign alone tells nothing of it.
#[test]
fn a_lone_message_tells_how_its_module_came_back() {
    let cause = |data: fn(f64) -> String, shift: f64| {
        // So sloppy that its clock tells nothing of its node.
        let time = |at: u32| {
            let anew = if at < 341 { 0.0 } else { shift };
            0.1 * f64::from(at) + 0.0003 * f64::from(at * 7919 % 23) + anew
        };
        let times: Vec<f64> = (0..697).filter(|at| !(300..341).contains(at)).map(time).collect();
        let codes = reads(&[MISSES_TCM, MISSES_TCM]);
        let document = reported(&[messages(0x200, 12), at("1FF", data, &times), codes].concat());
        let outage = &document["outages"][0];
        assert_eq!(outage["scope"], "identifier", "{outage}");
        let found = ranked(&document).remove(0);
        (outage["cause"].as_str().unwrap().to_owned(), found.0, document["findings"].to_string())
    };
    let counts: fn(f64) -> String = |time| format!("{:02X}", (time / 0.1 + 0.01) as u32 % 256);
    let begins: fn(f64) -> String = |time| {
        let since = if time < 34.05 { time } else { time - 34.1 };
        format!("{:02X}", (since / 0.1 + 0.01) as u32 % 256)
    };
    let anew = cause(begins, 0.04);
    assert_eq!((anew.0.as_str(), anew.1.as_str()), ("lost_power", "module_power"));
    let ran_on = cause(counts, 0.0);
    assert_eq!((ran_on.0.as_str(), ran_on.1.as_str()), ("open_circuit", "module_connector"));
    let one_sign = cause(|_| "00".to_owned(), 0.04);
    assert_eq!(one_sign.0, "unknown");
    assert!(!one_sign.2.contains("more like a restart"), "{}", one_sign.2);
}

/// With the key off nobody need answer; who does not with the key on may be behind a gateway.
#[test]
fn who_does_not_answer_with_the_key_off_is_behind_no_gateway() {
    let gateway = |off: bool| {
        // The last unit is lost for 6 s, and then all leave within 1.3 s.
        let leaves = |own: &Message| match &own.id[6..] {
            "00" => 41.0,
            "03" => 40.4,
            "0B" => 41.7,
            _ => 40.9,
        };
        let back = |own: Message| Message { silent: Vec::new(), ..own };
        let lost = |own: Message| match own.id.ends_with("17") {
            true => back(own).silent(20.0, 26.0),
            false => own,
        };
        let left = |own: Message| match off {
            true => own.clone().silent(leaves(&own), 1000.0),
            false => own,
        };
        let mut all: Vec<Message> = truck().into_iter().map(lost).map(left).collect();
        let awake = [("18FF1021", 0.1, 0.02), ("18FF1121", 0.2, 0.03), ("18FF1221", 0.2, 0.05)];
        all.extend(awake.map(|(id, period, first)| message(id, period, first)));
        for address in ["00", "03", "0B"] {
            let request = format!("18DA{address}F1");
            all.extend(asked(&request, "18DAF1FF", &[50.0, 55.0, 60.0], &[]));
        }
        of_class(&reported(&all), "gateway")
    };
    let (off, on) = (gateway(true), gateway(false));
    assert!(off < 0.1 && on > 0.5, "{off} {on}");
}
