//! Two parts of a harness that fail in one recording: each loss counts for the part that it is of.

#[path = "../examples/common/harness.rs"]
#[allow(dead_code, reason = "the example uses more of it")]
mod harness;

use std::fmt::Write as _;
use std::sync::Arc;

use harness::Vehicle;
use lostnode::roster_file::RosterFile;
use lostnode::simulate::{self, Scenario};

/// An invented vehicle of eight nodes, `n0` to `n7`; the elements that its report names, in order.
fn named(troubles: &str, wiring: &str) -> Vec<String> {
    let mut scenario = String::from(
        "title = \"t\"\ninvented = true\nseed = 1\nstart = 1.79e9\nduration = 100\n\
         [[channel]]\nname = \"can0\"\nbit_rate = 500000\nstamp_noise = 0.00002\n",
    );
    let mut roster = String::new();
    for node in 0..8 {
        let (one, other) = (0x100 + node * 0x20, 0x105 + node * 0x20);
        let drift = -140 + 35 * node;
        writeln!(
            scenario,
            "[[node]]\nname = \"n{node}\"\nchannel = \"can0\"\ndrift_ppm = {drift}\njitter = \
             0.0002\nboot = 0.3\nmessages = [\n{{ id = \"{one:03X}\", period = 0.05, counter = {{ \
             byte = 1, width = 4 }} }},\n{{ id = \"{other:03X}\", period = 0.1 }},\n]"
        )
        .unwrap();
        writeln!(
            roster,
            "[[node]]\nname = \"n{node}\"\nchannel = \"can0\"\nmessages = [\n{{ id = \
             \"0x{one:03X}\", period = 0.05 }},\n{{ id = \"0x{other:03X}\", period = 0.1 }},\n]"
        )
        .unwrap();
    }
    let scenario = Scenario::parse(&(scenario + troubles)).unwrap();
    let mut log = Vec::new();
    simulate::run(&scenario, &mut log).unwrap();
    let roster = Arc::new(RosterFile::parse(&roster).unwrap());
    let analysis = Vehicle::analysed(&log, &roster, Some(wiring));
    let wiring = &analysis.findings.as_ref().unwrap().wiring;
    wiring.ranked.iter().map(|own| wiring.elements[own.0].name.clone()).collect()
}

fn trouble(kind: &str, nodes: std::ops::RangeInclusive<u32>, at: &[f64], lasts: &[f64]) -> String {
    let one = |node| {
        format!(
            "[[trouble]]\nkind = \"{kind}\"\nnode = \"n{node}\"\nat = {at:?}\nlasts = {lasts:?}\n"
        )
    };
    nodes.map(one).collect()
}

const WIRING: &str = r#"
[[element]]
name = "ground at the sill"
kind = "ground"
feeds = ["n3", "n4"]

[[element]]
name = "fuse F7"
kind = "fuse"
feeds = ["n1", "n2", "n3", "n4"]

[[element]]
name = "line to the rear"
kind = "trunk"
beyond = ["n3", "n4", "n5"]

[[element]]
name = "line to the trailer"
kind = "trunk"
beyond = ["n6", "n7"]
"#;

/// The nodes of a bad ground start anew three times; once the line that they lie on opens, and they
/// run on with the node beyond it. That this one kept sending while the ground failed does not
/// clear the line, for those losses are none of the line.
#[test]
fn losses_that_came_back_the_other_way_clear_nothing() {
    let troubles = trouble("power_loss", 3..=4, &[12.0, 30.0, 70.0], &[2.0, 3.0, 2.5])
        + &trouble("stub_open", 3..=5, &[50.0], &[2.0]);
    let named = named(&troubles, WIRING);
    let first: Vec<&str> = named.iter().map(String::as_str).take(3).collect();
    assert!(first.contains(&"ground at the sill"), "{named:?}");
    assert!(first.contains(&"line to the rear"), "{named:?}");
}

/// Under a poor feed now these modules stop and now those: one that was lost with the others at
/// another time does not clear the fuse that feeds them all. One that never stopped does.
#[test]
fn a_module_that_held_out_once_does_not_clear_its_feed() {
    let uneven = trouble("power_loss", 1..=3, &[15.0, 40.0], &[2.0, 3.0])
        + &trouble("power_loss", 4..=4, &[40.0, 65.0], &[3.0, 2.0])
        + &trouble("power_loss", 2..=2, &[65.0], &[2.0]);
    let named_uneven = named(&uneven, WIRING);
    assert_eq!(named_uneven.first().map(String::as_str), Some("fuse F7"), "{named_uneven:?}");
    let three = trouble("power_loss", 1..=3, &[15.0, 40.0, 65.0], &[2.0, 3.0, 2.0]);
    let named = named(&three, WIRING);
    assert!(!named.contains(&"fuse F7".to_owned()), "n4 kept sending: {named:?}");
}

/// What comes and goes is explained; at the end the same nodes and two more go for good, which
/// looks like the key. What is left without the explained ones has a line of its own.
#[test]
fn what_is_left_of_a_loss_is_asked_by_itself() {
    let troubles = trouble("power_loss", 3..=4, &[12.0, 30.0, 60.0], &[2.0, 3.0, 60.0])
        + &trouble("stub_open", 6..=7, &[60.0], &[60.0]);
    let named = named(&troubles, WIRING);
    assert_eq!(named.first().map(String::as_str), Some("ground at the sill"), "{named:?}");
    assert!(named.contains(&"line to the trailer".to_owned()), "{named:?}");
}
