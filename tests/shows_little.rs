//! What is lost and shows little of it: modules that send seldom or one message only, that are
//! taken for others, or that a flood or a gateway takes along. For each rule the smallest capture
//! that needs it, and its counterpart. All data is invented.

mod common;
#[path = "common/five_nodes.rs"]
mod five_nodes;
#[path = "common/messages.rs"]
mod messages;

use common::{outages, report, report_text, simulated};
use five_nodes::{of_class, ranked, read, trouble, vehicle};
use messages::{Message, buses, cut, log, message, messages, slow};
use serde_json::Value;

/// Exit code and report of `seconds` of these messages.
fn reported(seconds: f64, messages: &[Message]) -> (i32, Value) {
    report_text(&log(seconds, messages))
}

/// A module of two messages is silent for 1.8 s, in which the slow one misses three frames, too few
/// for a time-out of its own. It missed them with the other and at no other time, so two are lost,
/// and not one that may pause by nature.
#[test]
fn a_slow_message_that_misses_frames_with_a_fast_one_is_lost_with_it() {
    let two = |others: &[f64]| {
        let mut seldom = message("500", 0.5, 0.17).anew(48.8, 50.6, 0.21);
        for at in others {
            seldom = seldom.silent(*at, at + 1.2);
        }
        let own = vec![message("1D0", 0.1, 0.03).anew(48.8, 50.6, 0.04), seldom];
        reported(100.0, &[messages(0x200, 12), own].concat()).1
    };
    let found = two(&[]);
    let lost = outages(&found);
    assert!(lost.len() == 1 && lost[0].1.contains("1D0"), "{lost:?}");
    assert_eq!(found["outages"][0]["ids"], serde_json::json!(["0x1D0", "0x500"]));
    assert_eq!(found["verdict"], "something_lost");
    // Who lacks frames at other times too may lack these by chance.
    let found = two(&[10.0, 20.0, 30.0, 70.0, 80.0]);
    let both = |outage: &Value| outage["ids"].as_array().unwrap().len() == 2;
    assert!(!found["outages"].as_array().unwrap().iter().any(both), "{found}");
}

/// A message that comes once a second is heard three times while four of the same clock are silent
/// for 3.4 s: it is too slow to have timed out, and all the same another module's.
#[test]
fn who_is_heard_in_a_loss_is_another_module() {
    let seldom = message("500", 1.0, 0.4);
    let silent = || cut(messages(0x100, 4), 30.0, 33.4);
    let others = || slow(messages(0x300, 8), 150.0);
    let (_, document) = reported(60.0, &[silent(), vec![seldom.clone()], others()].concat());
    let lost = outages(&document);
    assert_eq!((lost[0].0.as_str(), lost[0].1.as_str()), ("node", "node of 0x100"), "{lost:?}");
    let nodes = document["nodes"].as_array().unwrap();
    let own = nodes.iter().find(|node| node["name"] == "node of 0x100").unwrap();
    assert!(!own["ids"].to_string().contains("0x500"), "{own}");
    // Silent as well, it stays with them.
    let (_, document) =
        reported(60.0, &[silent(), cut(vec![seldom], 30.0, 33.4), others()].concat());
    let nodes = document["nodes"].as_array().unwrap();
    let own = nodes.iter().find(|node| node["name"] == "node of 0x100").unwrap();
    assert!(own["ids"].to_string().contains("0x500"), "{own}");
}

/// A single message that pauses once may be all that a lost module sends: it is told as that, with
/// little probability, and nobody is blamed. One that pauses by the clock is not.
#[test]
fn a_message_that_may_be_all_of_a_module_is_told_with_little_probability() {
    let others = || slow(messages(0x200, 12), 150.0);
    let one = |message: Message| reported(60.0, &[others(), vec![message]].concat());
    let (code, document) = one(message("1D0", 0.1, 0.03).anew(30.0, 33.0, 0.04));
    let found = ranked(&document);
    assert_eq!((code, found[0].1.as_str()), (3, "node of 0x1D0"), "{found:?}");
    assert!(found.iter().all(|(.., probability)| *probability < 0.2), "{found:?}");
    assert!(!document["headline"].as_str().unwrap().contains("also found"), "{document}");
    let said = document["findings"][0]["evidence"].to_string();
    assert!(said.contains("it may pause by nature, or be all that a module sends"), "{said}");
    let regular = (1..10).fold(message("1D0", 0.1, 0.03), |message, at| {
        message.silent(6.0 * f64::from(at), 6.0 * f64::from(at) + 1.5)
    });
    let (code, document) = one(regular);
    assert_eq!((code, ranked(&document).len()), (0, 0), "{:?}", ranked(&document));
}

/// Two messages that fall silent together at irregular times are a module's, also where the slower
/// one misses the shortest of them; and what was lost once is lost again.
#[test]
fn two_that_pause_together_are_a_module() {
    let times = [(10.0, 12.5), (21.0, 21.7), (33.0, 38.0), (61.0, 63.1), (64.0, 66.2)];
    let pauses = |id: &str, period: f64| {
        times.iter().enumerate().fold(message(id, period, 0.03), |message, (at, (from, to))| {
            message.anew(*from, *to, 0.013 + 0.007 * at as f64)
        })
    };
    let own = vec![pauses("1FF", 0.05), pauses("3A1", 0.3)];
    let (code, document) = reported(90.0, &[messages(0x200, 12), own].concat());
    assert_eq!(code, 1);
    assert!(outages(&document).len() >= 5, "{:?}", outages(&document));
    let benign = |outage: &Value| outage["benign"] == true;
    assert!(!document["outages"].as_array().unwrap().iter().any(benign), "{document}");
    assert_eq!(ranked(&document)[0].0, "module_power", "{:?}", ranked(&document));
}

/// Where the stamps are too coarse for the bit rate, the load is not known; a message that comes
/// 3,300 times a second is a flood all the same. One of 5 ms is none. What a tester asks all
/// modules is one frame each time, and no download; what it asks one may be.
#[test]
fn a_flood_needs_no_bit_rate() {
    let babble = |id: &str, period: f64| {
        let flood = message(id, period, 0.0).silent(0.0, 20.0).silent(26.0, 99.0);
        reported(60.0, &[messages(0x200, 12), vec![flood]].concat()).1
    };
    let found = babble("008", 0.0003);
    assert!(found["channels"][0]["load"].is_null(), "{}", found["channels"][0]);
    assert_eq!(ranked(&found)[0].0, "overload", "{:?}", ranked(&found));
    let said = found["findings"][0]["evidence"].to_string();
    assert!(said.contains("0x008 comes 3334 times a second"), "{said}");
    assert_eq!(ranked(&babble("7DF", 0.0003))[0].0, "overload");
    for (id, period) in [("008", 0.005), ("7E0", 0.0003)] {
        let found = ranked(&babble(id, period));
        assert!(found.iter().all(|(class, ..)| class != "overload"), "{found:?}");
    }
}

/// A message of 100 ms comes a thousand times a second for three seconds of a minute. By its usual
/// period it is none that babbles; in its busiest second it is. One that is doubled by repeats is
/// none, however often that happens.
#[test]
fn a_flood_of_seconds_on_a_usual_message_is_seen() {
    let with = |period: f64, bursts: &[(f64, f64)]| {
        let usual = message("408", 0.1, 0.02);
        let mut flood = message("408", period, 0.0);
        let mut from = 0.0;
        for (begin, end) in bursts {
            flood = flood.silent(from, *begin);
            from = *end;
        }
        let all = [messages(0x200, 12), vec![usual, flood.silent(from, 99.0)]].concat();
        reported(60.0, &all).1
    };
    let found = with(0.001, &[(20.0, 23.0)]);
    assert_eq!(ranked(&found)[0].0, "overload", "{:?}", ranked(&found));
    let repeats: Vec<(f64, f64)> =
        (0..50).map(|at| (1.0 + f64::from(at), 1.02 + f64::from(at))).collect();
    let found = with(0.001, &repeats);
    assert!(ranked(&found).iter().all(|(class, ..)| class != "overload"), "{:?}", ranked(&found));
}

/// A gateway that loses its supply takes its own messages and all that it carries over: these come
/// back on the grid of their senders, its own do not. A branch that heals has all on their grid.
#[test]
fn what_is_carried_over_runs_on_while_the_gateway_starts_anew() {
    let lost = |shift: f64| {
        let own = [("0A0", 0.02), ("0A7", 0.05), ("0B1", 0.1)];
        let own =
            own.map(|(id, period)| message(id, period, 0.004).anew(30.0, 34.0, shift)).to_vec();
        let one = cut(messages(0x100, 4), 30.0, 34.0);
        let other = slow(cut(messages(0x180, 4), 30.0, 34.0), 120.0);
        let own = slow(own, -150.0);
        let (_, document) =
            reported(60.0, &[own, one, other, slow(messages(0x300, 12), 60.0)].concat());
        ranked(&document)
    };
    let found = lost(0.0131);
    assert_eq!(found[0].0, "gateway", "{found:?}");
    let found = lost(0.0);
    // One bus shows little of a gateway: it is hardly likely, and not ruled out.
    let hardly =
        |(class, _, probability): &(String, String, f64)| class != "gateway" || *probability < 0.15;
    assert!(found.iter().all(hardly), "{found:?}");
    assert_eq!(found[0].0, "branch", "{found:?}");
}

/// A bus that stops altogether stops what two buses carry as well: that is no gateway.
#[test]
fn a_bus_that_stops_is_no_gateway() {
    let here = cut(messages(0x100, 12), 30.0, 33.0);
    let there = [messages(0x100, 4), messages(0x300, 6)].concat();
    let frames = buses(60.0, &[&here, &there]);
    let mut lines: Vec<String> = frames.lines().map(str::to_owned).collect();
    lines.extend((0..20).map(|at| format!("(1030.{at:02}) can0 20000004#0008000000000000")));
    lines.sort_unstable();
    let (_, document) = report_text(&lines.join("\n"));
    let found = ranked(&document);
    assert_eq!(found[0].0, "line", "{found:?}");
    assert!(found.iter().all(|(class, ..)| class != "gateway"), "{found:?}");
}

/// A supply that two share fails for moments too short for the slower one to show it: what is lost
/// alone now and then, and as often with the other, needs no fault of its own. What is lost alone
/// most of the time does.
#[test]
fn one_of_several_may_show_a_short_loss_alone() {
    let lost = |alone: &[f64], together: &[f64]| {
        let lasts = |at: &[f64]| vec![2.0; at.len()];
        let text = vehicle()
            + &trouble("power_loss", "node = \"door\"", together, &lasts(together))
            + &trouble("power_loss", "node = \"brakes\"", together, &lasts(together))
            + &trouble("power_loss", "node = \"door\"", alone, &lasts(alone));
        ranked(&simulated(&text, &[]).1)
    };
    let found = lost(&[100.0], &[20.0, 41.0, 70.0]);
    assert_eq!(found[0].0, "shared_supply", "{found:?}");
    let own = |found: &[(String, String, f64)]| {
        let own = found
            .iter()
            .find(|(class, node, _)| class == "module_power" && node == "node of 0x180");
        own.map_or(0.0, |(.., probability)| *probability)
    };
    assert!(own(&found) < 0.3, "{found:?}");
    let found = lost(&[20.0, 33.0, 51.0, 80.0], &[100.0]);
    assert!(own(&found) > 0.5, "{found:?}");
}

/// A module whose bus wires part hears nobody and misses everybody: what it says is no sign that
/// several were lost with it. What two others say of three names is.
#[test]
fn who_was_cut_off_misses_everybody() {
    let names = ["C1 40 87 2F", "C1 55 87 2F", "C1 64 87 2F", "C1 31 87 2F"];
    let missed = |readers: &[u16]| {
        let mut text = vehicle();
        text += &trouble("stub_open", "node = \"door\"", &[50.0, 70.0, 83.0], &[8.0, 9.0, 7.0]);
        for number in readers {
            text += &read(10.0 + f64::from(*number), *number, &[]);
            text += &read(100.0 + f64::from(*number), *number, &names);
        }
        let found = ranked(&simulated(&text, &[]).1);
        let of =
            |class: &str| found.iter().filter(|own| own.0 == class).map(|own| own.2).sum::<f64>();
        (of("branch"), found.clone())
    };
    let (branch, found) = missed(&[3]);
    assert_eq!(found[0].0, "module_connector", "{found:?}");
    assert!(branch < 0.2, "{found:?}");
}

/// Of a module that holds its supply a moment longer, what comes often stops after what comes
/// seldom: two events, and one loss of the branch that the module is in.
#[test]
fn a_module_of_a_branch_is_not_lost_a_second_time_beside_it() {
    let seldom = || slow(vec![message("500", 1.0, 0.41), message("501", 1.0, 0.47)], -80.0);
    let often = || slow(vec![message("510", 0.02, 0.003), message("511", 0.05, 0.007)], -80.0);
    let lost = |more: Vec<Message>| {
        let branch = cut(slow(messages(0x100, 4), 90.0), 40.0, 49.0);
        let (_, document) = reported(
            100.0,
            &[branch, cut(seldom(), 40.0, 49.0), more, messages(0x200, 8)].concat(),
        );
        let all = document["outages"].as_array().unwrap().iter();
        let shown = |own: &Value| {
            let count = |key: &str| own[key].as_array().unwrap().len();
            (own["scope"].as_str().unwrap().to_owned(), count("nodes"), count("ids"))
        };
        all.map(shown).collect::<Vec<_>>()
    };
    assert_eq!(lost(cut(often(), 40.25, 49.0)), [("branch".to_owned(), 2, 8)]);
    // One that is not of the branch is lost beside it.
    let other = slow(vec![message("520", 0.02, 0.004), message("521", 0.05, 0.008)], 170.0);
    let beside = lost([cut(often(), 40.25, 49.0), cut(other, 40.6, 49.0)].concat());
    assert_eq!(beside, [("branch".to_owned(), 2, 8), ("node".to_owned(), 1, 2)]);
}

/// Two modules that a roster has as one: what is lost of it twice for a second, while the rest goes
/// on, is a module of its own; and so is what is lost once for longer. Once for a second it is not.
#[test]
fn what_is_lost_of_a_node_twice_is_another_module() {
    let found = |losses: &[(f64, f64)]| {
        let lost = |id: &str, period: f64| {
            losses.iter().fold(message(id, period, 0.03), |own, (from, to)| own.silent(*from, *to))
        };
        let own = [messages(0x100, 4), vec![lost("1D0", 0.05), lost("1D8", 0.1)]].concat();
        let folder = tempfile::tempdir().unwrap();
        let write = |name: &str, text: String| {
            let path = folder.path().join(name);
            std::fs::write(&path, text).unwrap();
            path
        };
        let listed: String = own
            .iter()
            .map(|own| format!("{{ id = \"0x{}\", period = {} }}, ", own.id, own.period))
            .collect();
        let node = "[[node]]\nname = \"body\"\nchannel = \"can0\"\n";
        let roster = write("roster.toml", format!("{node}messages = [ {listed}]\n"));
        let capture =
            write("capture.log", log(60.0, &[own, slow(messages(0x200, 8), 150.0)].concat()));
        ranked(&report(&capture, &["--roster", roster.to_str().unwrap()]).1)
    };
    assert!(found(&[(20.0, 21.5), (41.0, 42.7)]).iter().any(|own| own.1.contains("0x1D0")));
    assert!(found(&[(20.0, 24.0)]).iter().any(|own| own.1.contains("0x1D0")));
    assert!(found(&[(20.0, 21.5)]).is_empty());
}

/// Parts of long messages to a service tool (SAE J1939-21, transport) come as fast as the bus takes
/// them, and fill it: that is a transfer and no flood. Under another number it is one.
#[test]
fn a_transfer_to_a_tester_is_no_flood() {
    let told = |id: &str| {
        let groups = ["0CF00400", "18FEF100", "18FEEE03", "18FEF70B"];
        let usual = groups.iter().enumerate();
        let usual = usual.map(|(at, id)| message(id, 0.1, 0.01 + 0.003 * at as f64));
        let all = [usual.collect(), vec![message(id, 0.0008, 0.0)]].concat();
        of_class(&reported(40.0, &all).1, "overload")
    };
    assert!(told("18EBF921") < 0.05, "{}", told("18EBF921"));
    assert!(told("0CFF0521") > 0.3, "{}", told("0CFF0521"));
}
