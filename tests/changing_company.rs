//! What modules that fall silent together have in common: a place of the harness, a fuse, a
//! gateway, or the line that all of them hang on; and which module of the company is of another
//! vehicle. For each rule the smallest capture that needs it, and its counterpart. All data is
//! invented.

mod common;
#[path = "common/five_nodes.rs"]
mod five_nodes;
#[path = "common/messages.rs"]
mod messages;

use std::collections::BTreeSet;
use std::fmt::Write;

use common::{report, report_text};
use five_nodes::{of_class, ranked};
use messages::{Message, buses, cut, log, message, messages, slow};
use rand::{RngExt, SeedableRng};
use rand_chacha::ChaCha8Rng;
use serde_json::Value;

/// Silent from one second to another, and so much off its grid when it is back.
type Loss = (f64, f64, f64);

/// With a roster that tells all units apart.
fn reported(text: &str) -> Value {
    let folder = tempfile::tempdir().unwrap();
    let path = folder.path().join("capture.log");
    std::fs::write(&path, text).unwrap();
    let known = folder.path().join("known.toml");
    std::fs::write(&known, roster(text)).unwrap();
    report(&path, &["--roster", known.to_str().unwrap()]).1
}

/// Of a vehicle that nobody knows anything of.
fn reported_alone(text: &str) -> Value {
    report_text(text).1
}

/// All units of a log.
fn roster(text: &str) -> String {
    let heard: BTreeSet<(&str, u32)> = text
        .lines()
        .map(|line| {
            let mut words = line.split([' ', '#']).skip(1);
            let (channel, id) = (words.next().unwrap(), words.next().unwrap());
            (channel, u32::from_str_radix(id, 16).unwrap())
        })
        .collect();
    let mut out = String::new();
    let units: BTreeSet<(&str, u32)> = heard.iter().map(|(bus, id)| (*bus, id / 8)).collect();
    for (bus, unit) in units {
        let own = heard.iter().filter(|(channel, id)| *channel == bus && id / 8 == unit);
        let messages: Vec<String> = own
            .map(|(_, id)| {
                format!("{{ id = \"0x{id:03X}\", period = {} }}", PERIODS[*id as usize % 8])
            })
            .collect();
        let messages = messages.join(", ");
        write!(
            out,
            "[[node]]\nname = \"unit {unit}\"\nchannel = \"{bus}\"\nmessages = [{messages}]\n"
        )
        .unwrap();
    }
    out
}

/// Of the messages of a unit, in seconds.
const PERIODS: [f64; 5] = [0.02, 0.05, 0.1, 0.1, 0.2];

fn id(unit: u32, at: u32) -> String {
    format!("{:03X}", unit * 8 + at)
}

/// What a unit sends.
fn unit(address: u32, losses: &[Loss]) -> Vec<Message> {
    let one = |at: u32| {
        let first = 0.0007 * f64::from(7 * at + address);
        let own = message(&id(address, at), PERIODS[at as usize], first);
        losses.iter().fold(own, |own, (from, to, shift)| own.anew(*from, *to, *shift))
    };
    (0..5).map(one).collect()
}

/// Units of a bus, by their losses, and three that go on.
fn units(losses: &[&[Loss]]) -> Vec<Message> {
    let lost = losses.iter().zip(0x10..).flat_map(|(losses, address)| unit(address, losses));
    let sound = (0x40..0x43).flat_map(|address| unit(address, &[]));
    lost.chain(sound).collect()
}

/// What they send in so many seconds.
fn bus(seconds: f64, losses: &[&[Loss]]) -> String {
    log(seconds, &units(losses))
}

/// A and B, then B and C, then A and C: no place of a harness and no fuse takes now these and now
/// those, so it is what all of them hang on. A and B, then all three, then A and B again: one place
/// lies behind the other. The same three each time hang on one place.
#[test]
fn companies_that_cross_are_of_the_line() {
    let (one, two, three) = ((20.3, 22.3, 0.0), (40.3, 42.3, 0.0), (60.3, 62.3, 0.0));
    let found = reported(&bus(80.0, &[&[one, three], &[one, two], &[two, three]]));
    assert_eq!(ranked(&found)[0].0, "line", "{:?}", ranked(&found));
    let all: &[Loss] = &[one, two, three];
    for third in [&[two], all] {
        let found = reported(&bus(80.0, &[all, all, third]));
        assert_eq!(ranked(&found)[0].0, "branch", "{:?}", ranked(&found));
        assert!(of_class(&found, "line") < 0.2, "{:?}", ranked(&found));
    }
}

/// A slow module that is not seen to be lost in a short loss may have been: that crosses nothing.
#[test]
fn what_could_not_be_seen_to_go_on_crosses_nothing() {
    let (short, long) = ((20.3, 20.7, 0.0), (40.3, 46.3, 0.0));
    let slow = [message(&id(0x13, 4), 1.0, 0.01).anew(40.3, 46.3, 0.0)];
    let fast = [unit(0x10, &[short, long]), unit(0x11, &[short])].concat();
    let sound = (0x40..0x43).flat_map(|address| unit(address, &[]));
    let all: Vec<Message> = fast.into_iter().chain(slow).chain(sound).collect();
    let found = reported(&log(80.0, &all));
    assert!(of_class(&found, "line") < 0.2, "{:?}", ranked(&found));
}

/// A branch or a fuse carries a few modules, a bus behind a gateway many.
#[test]
fn many_modules_at_one_instant_are_rather_behind_a_gateway() {
    let gateway = |modules: usize| {
        let losses: [Loss; 2] = [(20.3, 22.3, 0.0), (40.3, 42.3, 0.0)];
        let units: Vec<&[Loss]> = vec![&losses; modules];
        let sound = (0x40..0x49).flat_map(|address| unit(address, &[]));
        let text = bus(60.0, &units) + &log(60.0, &sound.collect::<Vec<_>>());
        let mut lines: Vec<&str> = text.lines().collect();
        lines.sort_unstable();
        lines.dedup();
        of_class(&reported(&lines.join("\n")), "gateway")
    };
    let (three, five, seven) = (gateway(3), gateway(5), gateway(7));
    assert!(three < five && five < seven, "{three} {five} {seven}");
}

/// Each frame up to so many seconds late, as on a bus that others use too.
fn late(text: &str, most: f64) -> String {
    let mut random = ChaCha8Rng::seed_from_u64(1);
    let mut lines: Vec<String> = text
        .lines()
        .map(|line| {
            let (time, frame) = line[1..].split_once(')').unwrap();
            let time = time.parse::<f64>().unwrap() + random.random_range(0.0..most);
            format!("({time:.6}){frame}")
        })
        .collect();
    lines.sort_unstable();
    lines.join("\n")
}

/// Six identifiers fall silent together once. Where frames wait for the bus by up to 2 ms, clocks
/// 40 millionths apart may be one that looks different for the load, and the six stay one module;
/// but one clock seldom looks so. Where the clocks are equal nothing speaks for two, and where they
/// are far apart they surely are two.
#[test]
fn clocks_that_seem_to_differ_speak_for_two_modules() {
    let found = |apart: f64| {
        let of = |first: u32| -> Vec<Message> {
            let own = [0.02, 0.02, 0.05].into_iter().zip(first..);
            own.map(|(period, id)| {
                message(&format!("{id:03X}"), period, 0.0021 * f64::from(id - 0xFF))
            })
            .collect()
        };
        let lost = cut([of(0x100), slow(of(0x110), apart)].concat(), 16.0, 19.0);
        let all = [lost, slow(messages(0x300, 12), 60.0)].concat();
        let found = reported_alone(&late(&log(40.0, &all), 0.002));
        let nodes = found["nodes"].as_array().unwrap();
        let names = nodes.iter().map(|node| node["name"].as_str().unwrap());
        let lost = names.filter(|name| name.starts_with("node of 0x1")).count();
        (lost, of_class(&found, "branch"))
    };
    let (equal, near, far) = (found(0.0), found(40.0), found(150.0));
    assert_eq!([equal.0, near.0, far.0], [1, 1, 2]);
    assert!(near.1 > equal.1 + 0.05 && far.1 > near.1, "{equal:?} {near:?} {far:?}");
}

/// Three modules fall silent at one instant each time, and one of them waits out more than the
/// opening that cut them all: one place. Where that one falls silent at other times it has a place
/// of its own.
#[test]
fn who_waits_out_a_bus_off_was_cut_with_the_others() {
    let cut: [Loss; 3] = [(20.3, 21.1, 0.0), (41.3, 42.3, 0.0), (63.3, 64.2, 0.0)];
    let with = |later: f64| {
        let longer = cut.map(|(from, _, _)| (from + later, from + later + 6.0, 0.0));
        let found = reported(&bus(90.0, &[&cut, &cut, &longer]));
        ranked(&found)[0].clone()
    };
    let (class, nodes, _) = with(0.0);
    assert_eq!((class.as_str(), nodes.as_str()), ("branch", "unit 16+unit 17+unit 18"));
    let (_, nodes, _) = with(3.0);
    assert!(nodes == "unit 16+unit 17" || nodes == "unit 18", "{nodes}");
}

/// Each loss of one begins as the supply of the other goes, which holds it up a little longer, and
/// both start anew: one fuse, though the other is lost more often.
#[test]
fn a_fuse_holds_up_each_for_as_long_as_it_can() {
    let with = |later: f64| {
        let own: [Loss; 4] =
            [(20.3, 21.3, 0.013), (33.1, 34.2, 0.013), (41.3, 42.2, 0.017), (63.3, 64.4, 0.011)];
        let other = [(20.05, 22.65, 0.012), (41.05, 43.39, 0.014)];
        let other: [Loss; 2] = other.map(|(from, to, shift)| (from + later, to + later, shift));
        // So few of a bus leave with no key.
        let sound = (0x50..0x54).flat_map(|address| unit(address, &[]));
        let all: Vec<Message> = units(&[&own, &other]).into_iter().chain(sound).collect();
        ranked(&reported(&log(90.0, &all)))[0].clone()
    };
    let (class, nodes, _) = with(0.0);
    assert_eq!((class.as_str(), nodes.as_str()), ("shared_supply", "unit 16+unit 17"));
    assert_eq!(with(5.0).0, "module_power");
}

/// Two modules of two buses that lose their supply at the same times hang on one fuse, though no
/// branch takes both; at other times each has its own.
#[test]
fn a_fuse_knows_no_bus() {
    let with = |other: [Loss; 3]| {
        let own: [Loss; 3] = [(20.3, 22.3, 0.013), (40.3, 42.3, 0.017), (61.3, 63.8, 0.011)];
        let sound = (0x50..0x53).flat_map(|address| unit(address, &[]));
        let there: Vec<Message> = unit(0x21, &other).into_iter().chain(sound).collect();
        reported(&buses(90.0, &[&units(&[&own]), &there]))
    };
    let found = with([(20.3, 22.3, 0.012), (40.3, 42.3, 0.014), (61.3, 63.8, 0.019)]);
    let (class, nodes, _) = &ranked(&found)[0];
    assert_eq!(class, "shared_supply", "{:?}", ranked(&found));
    assert!(nodes.contains("unit 16") && nodes.contains("unit 33"), "{nodes}");
    assert!(of_class(&found, "branch") < 0.03, "{:?}", ranked(&found));
    let found = with([(10.3, 12.3, 0.012), (30.3, 32.3, 0.014), (71.3, 73.8, 0.019)]);
    assert!(of_class(&found, "shared_supply") < 0.2, "{:?}", ranked(&found));
}

/// The frames of a module that answers a tester with so many bytes, the first at a time.
fn answers(at: f64, module: u32, bytes: &[u8]) -> String {
    let [asks, own] = [0x7E0 + module, 0x7E8 + module];
    let asked = if bytes[0] == 0x59 { "031902FF" } else { "0322F190" };
    let hex = |bytes: &[u8]| -> String { bytes.iter().map(|byte| format!("{byte:02X}")).collect() };
    let mut frames = vec![(asks, format!("{asked:0<16}"))];
    if bytes.len() < 8 {
        frames.push((own, format!("{:02X}{}", bytes.len(), hex(bytes))));
    } else {
        frames.push((own, format!("10{:02X}{}", bytes.len(), hex(&bytes[..6]))));
        frames.push((asks, format!("{:0<16}", "30")));
        let rest = bytes[6..].chunks(7).zip(0x21..);
        frames.extend(rest.map(|(part, number)| (own, format!("{number:02X}{}", hex(part)))));
    }
    let times = (0..).map(|step| 1_000.0 + at + 0.01 * f64::from(step));
    let lines = times.zip(frames);
    lines.map(|(time, (id, data))| format!("({time:.6}) can0 {id:03X}#{data}\n")).collect()
}

/// A module that says that software does not fit, its own or another's, and one that says that it
/// is not configured.
const MISFIT: &[u8] = &[0x59, 0x02, 0xFF, 0xC3, 0x00, 0x00, 0x2F];
const BARE: &[u8] = &[0x59, 0x02, 0xFF, 0xF0, 0x00, 0x54, 0x2F];

/// A module's VIN.
fn vin(text: &str) -> Vec<u8> {
    [&[0x62, 0xF1, 0x90], text.as_bytes()].concat()
}

const OWN: &str = "XXTESTXXA0N000042";
const OTHER: &str = "XXTESTXXA0N000077";

/// What modules say, one after another.
fn told(answered: &[(u32, &[u8])]) -> Value {
    let each = answered.iter().zip(1_u32..);
    let text = each.map(|((module, bytes), at)| answers(f64::from(at), *module, bytes));
    reported_alone(&text.collect::<String>())
}

fn not_configured(document: &Value) -> Vec<String> {
    let own = ranked(document).into_iter().filter(|(class, ..)| class == "not_configured");
    own.map(|(_, nodes, _)| nodes).collect()
}

/// Modules say that software does not fit: where another one says that it is not configured, or
/// has the VIN of another vehicle, they complain about that one. Where nobody else is known to be
/// strange, who says so means itself.
#[test]
fn who_complains_of_a_strange_module_is_none() {
    let found = told(&[(1, MISFIT), (2, MISFIT), (3, BARE)]);
    assert_eq!(not_configured(&found), ["0x7EB"], "{:?}", ranked(&found));
    let [own, other] = [OWN, OTHER].map(vin);
    let found = told(&[(0, &own), (1, &own), (2, &other), (1, MISFIT)]);
    assert_eq!(not_configured(&found), ["0x7EA"], "{:?}", ranked(&found));
    // It has the VIN of the others.
    let found = told(&[(0, &own), (1, &own), (2, &own), (1, MISFIT)]);
    assert_eq!(not_configured(&found), ["0x7E9"], "{:?}", ranked(&found));
    let found = told(&[(1, MISFIT)]);
    assert_eq!(not_configured(&found), ["0x7E9"], "{:?}", ranked(&found));
}

/// Seventeen noughts are what a new module has where the VIN belongs: no vehicle bears them, and
/// they do not make the others' VIN a strange one.
#[test]
fn a_vin_of_noughts_is_a_blank_one() {
    let problems = |first: &str, others: &str| {
        let [first, others] = [first, others].map(vin);
        let found = told(&[(0, &first), (1, &others), (2, &others)]);
        let list = found["identity"].as_array().unwrap().iter();
        let all: Vec<String> = list.map(|entry| entry["problems"].to_string()).collect();
        (all, found["vehicle"]["vin"].clone())
    };
    let (all, vehicle) = problems("00000000000000000", OWN);
    assert!(all[0].contains("blank") && !all[0].contains("another vehicle"), "{all:?}");
    assert!(all[1] == "[]" && all[2] == "[]" && vehicle == OWN, "{all:?} {vehicle}");
    let (all, _) = problems(OTHER, OWN);
    assert!(all[0].contains("another vehicle") && !all[0].contains("blank"), "{all:?}");
    // Q is no letter of a VIN. Of another length it is the maker's own number.
    let (all, _) = problems("XXTESTXXAQN000042", OWN);
    assert!(all[0].contains("does not have the form of one"), "{all:?}");
    assert_eq!(problems(&OTHER[7..], OWN).0, ["[]"; 3]);
    // Nor is the vehicle one of noughts where most of its modules are new.
    let (all, vehicle) = problems(OWN, "00000000000000000");
    assert!(all[0] == "[]" && all[1].contains("blank") && vehicle == OWN, "{all:?} {vehicle}");
}
