//! One simulated trouble at a time, against its ground truth.

mod common;

use common::{outages, simulated};

/// A bus of four nodes with 29-bit addresses, two of them on one branch, and one trouble.
fn scenario(trouble: &str) -> String {
    let node = |name: &str, address: &str, branch: &str| {
        format!(
            r#"
[[node]]
name = "{name}"
channel = "can0"
{branch}
drift_ppm = 30.0
resets_on_dip = {}
messages = [
  {{ id = "0CF004{address}", period = 0.02, counter = {{ byte = 2, width = 8 }} }},
  {{ id = "18FEF1{address}", period = 0.1, counter = {{ byte = 7, width = 4 }} }},
  {{ id = "18FEF7{address}", period = 1.0 }},
]
"#,
            name == "four",
        )
    };
    format!(
        r#"
title = "test (invented)"
invented = true
seed = 3
start = 1790000000.0
duration = 40.0
[[channel]]
name = "can0"
bit_rate = 250000
{}{}{}{}
{trouble}
"#,
        node("one", "01", ""),
        node("two", "02", "branch = \"rear\""),
        node("three", "03", "branch = \"rear\""),
        node("four", "04", ""),
    )
}

/// What the report says about one trouble: scope, nodes, cause, and how far start and length may be
/// off.
#[track_caller]
fn check(trouble: &str, expected: &[(&str, &str, &str, f64, f64, f64)]) {
    let (code, document, truth) = simulated(&scenario(trouble), &[]);
    assert!(truth.invented);
    let found = outages(&document);
    assert_eq!(found.len(), expected.len(), "{found:#?}");
    for ((scope, who, start, length), want) in found.iter().zip(expected) {
        assert_eq!((scope.as_str(), who.as_str()), (want.0, want.1));
        assert!((start - want.3).abs() < want.5 && (length - want.4).abs() < want.5, "{found:#?}");
    }
    let causes: Vec<_> = document["outages"]
        .as_array()
        .unwrap()
        .iter()
        .map(|o| o["cause"].as_str().unwrap())
        .collect();
    assert_eq!(causes, expected.iter().map(|want| want.2).collect::<Vec<_>>());
    let lost = causes.iter().any(|cause| !["bus_sleep", "capture_gap"].contains(cause));
    assert_eq!(code, i32::from(lost));
}

#[test]
fn nothing() {
    check("", &[]);
}

#[test]
fn a_node_without_power() {
    let trouble =
        "[[trouble]]\nkind = \"power_loss\"\nnode = \"two\"\nat = [10.0, 25.0]\nlasts = [3.0, 0.5]";
    // The node needs 0.3 s and up to a period to send again.
    check(
        trouble,
        &[
            ("node", "address 0x02", "lost_power", 10.0, 3.3, 0.12),
            ("node", "address 0x02", "lost_power", 25.0, 0.8, 0.12),
        ],
    );
}

#[test]
fn a_node_with_an_open_stub() {
    let trouble = "[[trouble]]\nkind = \"stub_open\"\nnode = \"three\"\nat = [12.0]\nlasts = [2.0]";
    check(trouble, &[("node", "address 0x03", "open_circuit", 12.0, 2.0, 0.05)]);
}

#[test]
fn an_open_branch() {
    let trouble =
        "[[trouble]]\nkind = \"branch_open\"\nbranch = \"rear\"\nat = [12.0]\nlasts = [2.0]";
    check(trouble, &[("branch", "address 0x02+address 0x03", "open_circuit", 12.0, 2.0, 0.05)]);
}

#[test]
fn a_shorted_bus() {
    let trouble = "[[trouble]]\nkind = \"bus_short\"\nat = [15.0]\nlasts = [1.5]";
    let all = "address 0x01+address 0x02+address 0x03+address 0x04";
    check(trouble, &[("bus", all, "bus_fault", 15.0, 1.5, 0.05)]);
}

#[test]
fn key_off() {
    let trouble = "[[trouble]]\nkind = \"key_off\"\nat = [15.0]\nlasts = [8.0]";
    // Nodes stop 0.3 s apart, the last one at about 16 s.
    let all = "address 0x01+address 0x02+address 0x03+address 0x04";
    check(trouble, &[("bus", all, "bus_sleep", 15.95, 7.4, 0.2)]);
}

#[test]
fn a_pause_of_the_capture() {
    let trouble = "[[trouble]]\nkind = \"capture_pause\"\nat = [15.0, 30.0]\nlasts = [2.0, 0.4]";
    check(
        trouble,
        &[
            ("capture", "", "capture_gap", 15.0, 2.0, 0.05),
            ("capture", "", "capture_gap", 30.0, 0.4, 0.05),
        ],
    );
}

#[test]
fn a_supply_dip() {
    let trouble = "[[trouble]]\nkind = \"supply_dip\"\nat = [15.0]\nlasts = [0.1]";
    check(trouble, &[("node", "address 0x04", "lost_power", 15.0, 0.4, 0.15)]);
}

/// Losses that never end are still open when the capture does.
#[test]
fn still_silent_at_the_end() {
    let trouble = "[[trouble]]\nkind = \"power_loss\"\nnode = \"one\"\nat = [30.0]\nlasts = [60.0]";
    let (_, document, _) = simulated(&scenario(trouble), &[]);
    assert_eq!(document["outages"][0]["ongoing_at_end"], true);
    check(trouble, &[("node", "address 0x01", "unknown", 30.0, 10.0, 0.05)]);
}

/// Without addresses a sender shows by its identifiers falling silent and returning together.
#[test]
fn eleven_bit_nodes_show_by_shared_silence() {
    let text = std::fs::read_to_string(common::own("samples/van-door.toml")).unwrap();
    let (code, document, truth) = simulated(&text, &[]);
    assert_eq!(code, 1);
    let found = outages(&document);
    assert_eq!(found.len(), 6, "five losses and the sleep during the repair");
    assert_eq!(found[5].0, "bus");
    for ((scope, who, start, length), event) in found.iter().take(5).zip(&truth.events) {
        assert_eq!((scope.as_str(), who.as_str()), ("node", "node of 0x3B0"));
        assert!((start + 1.79e9 - event.start).abs() < 0.1, "start {start}");
        // The node needs 0.35 s to start and up to 0.2 s to its first frame.
        assert!((length - (event.end - event.start) - 0.4).abs() < 0.2, "length {length}");
    }
    let node = document["nodes"]
        .as_array()
        .unwrap()
        .iter()
        .find(|node| node["name"] == "node of 0x3B0")
        .unwrap();
    assert_eq!(node["ids"], serde_json::json!(["0x3B0", "0x3B2", "0x5B0"]));
    assert!(node["basis"].as_array().unwrap().contains(&serde_json::json!("shared_silence")));
    assert!(
        document["outages"]
            .as_array()
            .unwrap()
            .iter()
            .take(5)
            .all(|outage| outage["cause"] == "lost_power")
    );
}
