//! What modules that fall silent together have in common: a place of the harness, a fuse, a
//! gateway, or the line that all of them hang on. For each rule the smallest capture that needs it,
//! and its counterpart. All data is invented.

mod common;
#[path = "common/five_nodes.rs"]
mod five_nodes;
#[path = "common/messages.rs"]
mod messages;

use std::collections::BTreeSet;
use std::fmt::Write;

use common::report;
use five_nodes::ranked;
use messages::{Message, log, message};
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
fn bus(seconds: f64, units: &[&[Loss]]) -> String {
    let lost = units.iter().zip(0x10..).flat_map(|(losses, address)| unit(address, losses));
    let sound = (0x40..0x43).flat_map(|address| unit(address, &[]));
    log(seconds, &lost.chain(sound).collect::<Vec<_>>())
}

/// The highest probability of a finding of a class.
fn of_class(document: &Value, class: &str) -> f64 {
    let own = ranked(document).into_iter().filter(|(own, ..)| own == class);
    own.map(|(.., probability)| probability).fold(0.0, f64::max)
}

/// A and B, then B and C, then A and C: no place of a harness and no fuse takes now these and now
/// those, so it is what all of them hang on. A and B, then all three, then A and B again: one place
/// lies behind the other.
#[test]
fn companies_that_cross_are_of_the_line() {
    let (one, two, three) = ((20.3, 22.3, 0.0), (40.3, 42.3, 0.0), (60.3, 62.3, 0.0));
    let found = reported(&bus(80.0, &[&[one, three], &[one, two], &[two, three]]));
    assert_eq!(ranked(&found)[0].0, "line", "{:?}", ranked(&found));
    let found = reported(&bus(80.0, &[&[one, two, three], &[one, two, three], &[two]]));
    assert_eq!(ranked(&found)[0].0, "branch", "{:?}", ranked(&found));
    assert!(of_class(&found, "line") < 0.2, "{:?}", ranked(&found));
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

/// Two modules of two buses that lose their supply at the same times hang on one fuse, though no
/// branch takes both; at other times each has its own.
#[test]
fn a_fuse_knows_no_bus() {
    let with = |other: [Loss; 3]| {
        let own: [Loss; 3] = [(20.3, 22.3, 0.013), (40.3, 42.3, 0.017), (61.3, 63.8, 0.011)];
        let here = bus(90.0, &[&own]);
        let there = log(90.0, &{
            let lost = unit(0x21, &other);
            let sound = (0x50..0x53).flat_map(|address| unit(address, &[]));
            lost.into_iter().chain(sound).collect::<Vec<_>>()
        });
        let mut lines: Vec<String> = here.lines().map(str::to_owned).collect();
        lines.extend(there.lines().map(|line| line.replace("can0", "can1")));
        lines.sort_unstable();
        reported(&lines.join("\n"))
    };
    let found = with([(20.3, 22.3, 0.012), (40.3, 42.3, 0.014), (61.3, 63.8, 0.019)]);
    let (class, nodes, _) = &ranked(&found)[0];
    assert_eq!(class, "shared_supply", "{:?}", ranked(&found));
    assert!(nodes.contains('+'), "{nodes}");
    assert!(of_class(&found, "branch") < 0.03, "{:?}", ranked(&found));
    let found = with([(10.3, 12.3, 0.012), (30.3, 32.3, 0.014), (71.3, 73.8, 0.019)]);
    assert!(of_class(&found, "shared_supply") < 0.2, "{:?}", ranked(&found));
}
