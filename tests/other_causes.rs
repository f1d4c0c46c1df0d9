//! What vehicles showed that were not invented here: faults that were told as another class or
//! unit, or behind another. For each the smallest capture. All data is invented.

mod common;
#[path = "common/five_nodes.rs"]
mod five_nodes;

use std::fmt::Write;

use common::{report, simulated};
use five_nodes::{answered, of_class, ranked, read, trouble, vehicle};

/// "Lost communication with door", "… cluster", and with a status after it.
const DOOR: &str = "C1 99 87";
const CLUSTER: &str = "C1 55 87";

/// A code that was cleared, and that two reads half a minute later do not have, is of a module
/// that is heard again: nobody is silent, and nobody misses it.
#[test]
fn a_code_that_stayed_away_is_a_mended_fault() {
    let first = |at: &str| -> String {
        let code = format!("{DOOR} {at}");
        let (one, two) = (read(20.0, 1, &[&code]), read(21.0, 2, &[&code]));
        vehicle() + &one + &two
    };
    let clear = |at: f64, number: u16| answered(at, number, "14 FF FF FF", "54");
    let mended =
        first("2C") + &clear(40.0, 1) + &clear(41.0, 2) + &read(70.0, 1, &[]) + &read(71.0, 2, &[]);
    let (_, document, _) = simulated(&mended, &[]);
    assert_eq!(ranked(&document)[0].0, "stale_codes", "{:?}", ranked(&document));
    let later = of_class(&document, "stale_codes");
    // Read again at once it says little yet: who misses a module waits some seconds.
    let soon =
        first("2C") + &clear(40.0, 1) + &clear(41.0, 2) + &read(42.0, 1, &[]) + &read(43.0, 2, &[]);
    let (_, document, _) = simulated(&soon, &[]);
    let at_once = of_class(&document, "stale_codes");
    assert!(at_once < 0.7 * later, "{at_once} {later}");
}

/// A stored code of which the list of pending codes says nothing has not failed in this drive or
/// the one before.
#[test]
fn a_code_that_is_not_pending_is_old() {
    let stored = vehicle() + &answered(20.0, 1, "03", "43 01 C1 99");
    let told = |text: &str| simulated(text, &[]).1;
    let pending = stored.clone() + &answered(20.2, 1, "07", "47 01 C1 99");
    let not_pending = stored.clone() + &answered(20.2, 1, "07", "47 00");
    let old = |text: &str| of_class(&told(text), "stale_codes");
    let (old_stored, old_pending) = (old(&stored), old(&pending));
    assert_eq!(ranked(&told(&not_pending))[0].0, "stale_codes");
    assert_ne!(ranked(&told(&pending))[0].0, "stale_codes", "{:?}", ranked(&told(&pending)));
    // A stored code alone leaves it open.
    let sure = old(&not_pending);
    assert!(old_pending < old_stored && old_stored < 0.55 && sure > 0.7, "{old_stored} {sure}");
}

/// A recording without error frames says nothing of error frames at a loss: then that none is there
/// does not speak against wires.
#[test]
fn no_error_frames_at_all_are_no_sign() {
    let text = vehicle() + &trouble("power_loss", "node = \"door\"", &[50.0], &[200.0]);
    let (_, document, _) = simulated(&text, &[]);
    let found = ranked(&document);
    let of = |class: &str| found.iter().find(|own| own.0 == class).map_or(0.0, |own| own.2);
    assert!((of("module_power") - of("module_connector")).abs() < 0.02, "{found:?}");
    assert!(!document["findings"].to_string().contains("error frames"), "{document}");
}

/// What is wrong besides is told before a second explanation of what stands there already, and what
/// is hardly likely behind both.
#[test]
fn each_fault_is_told_before_the_rivals_of_one() {
    let mut text =
        vehicle() + &trouble("power_loss", "node = \"door\"", &[50.0, 70.0], &[4.0, 200.0]);
    for number in 1..4 {
        let code = format!("{CLUSTER} 28");
        text += &read(100.0 + f64::from(number), number, &[&code]);
    }
    let (_, document, _) = simulated(&text, &[]);
    let found = ranked(&document);
    assert!(found[0].1.contains("0x180") && found[1].0 == "stale_codes", "{found:?}");
    assert!(found[2].1.contains("0x180"), "{found:?}");
}

/// Two buses with a gateway between them that carries two messages over, each way; it stops doing
/// so from 30 s to 34 s and from 50 s to 57 s, or a module of the first bus loses its wires then.
fn two_buses(gateway_stops: bool) -> String {
    // Channel, identifier, period in milliseconds, carried over.
    let messages = [
        (0, 0x100, 20, false),
        (0, 0x110, 50, true),
        (0, 0x120, 100, true),
        (0, 0x130, 100, false),
        (1, 0x200, 20, false),
        (1, 0x210, 50, true),
        (1, 0x220, 100, true),
        (1, 0x230, 100, false),
    ];
    let away = |time: i64| {
        [(30_000, 34_000), (50_000, 57_000)]
            .iter()
            .any(|(from, to)| (from * 1000..to * 1000).contains(&time))
    };
    let mut frames: Vec<(i64, i64, i64)> = Vec::new();
    for (at, (channel, id, period, carried)) in messages.into_iter().enumerate() {
        for number in 0..80_000 / period {
            let time = (number * period + 3 + 7 * at as i64) * 1000;
            let time = time + time * (at as i64 * 20) / 1_000_000 + number * 37 % 90;
            let open = !gateway_stops && channel == 0 && carried && away(time);
            if !open {
                frames.push((time, channel, id));
            }
            let stops = gateway_stops && away(time);
            if carried && !open && !stops {
                frames.push((time + 700, 1 - channel, id));
            }
        }
    }
    frames.sort_unstable();
    let mut text = String::new();
    for (time, channel, id) in frames {
        let (whole, part) = (1_790_000_000 + time / 1_000_000, time % 1_000_000);
        let _ = writeln!(text, "({whole}.{part:06}) can{channel} {id:03X}#A500");
    }
    text
}

/// What a gateway carries over stops on one bus and goes on on the other, where its sender is; a
/// sender that falls silent stops on both.
#[test]
fn what_is_not_carried_over_is_a_gateway() {
    let folder = tempfile::tempdir().unwrap();
    let path = folder.path().join("capture.log");
    for stops in [true, false] {
        std::fs::write(&path, two_buses(stops)).unwrap();
        let (_, document) = report(&path, &[]);
        let found = ranked(&document);
        assert_eq!(found[0].0 == "gateway", stops, "{found:?}");
    }
}

/// Modules that start anew from one instant share a supply, however long each takes to be up again.
/// Who ran on did not hang on it.
#[test]
fn one_supply_brings_modules_back_at_their_own_times() {
    let found = |other: &str| {
        let text = vehicle()
            + &trouble("power_loss", "node = \"mirror\"", &[50.0], &[1.9])
            + &trouble(other, "node = \"radio\"", &[50.0], &[8.3]);
        simulated(&text, &[]).1
    };
    let together = found("power_loss");
    assert_eq!(together["outages"][0]["scope"], "branch", "{}", together["outages"]);
    assert!(of_class(&together, "shared_supply") > 0.3, "{:?}", ranked(&together));
    let apart = found("stub_open");
    assert_eq!(apart["outages"].as_array().unwrap().len(), 2, "{}", apart["outages"]);
}

/// A sender without counters that comes back twice: its phase is one sign, and that its three
/// identifiers kept their grid, or all left it, another that agrees.
#[test]
fn phase_and_grid_agree_on_a_cause() {
    let faults = [("stub_open", "module_connector"), ("power_loss", "module_power")];
    for (kind, class) in faults {
        let text = vehicle() + &trouble(kind, "node = \"radio\"", &[50.0, 81.0], &[7.013, 6.2]);
        let (_, document, _) = simulated(&text, &[]);
        let found = ranked(&document);
        // The tables, that is; how often it was true when measured is less.
        let tables = document["findings"][0]["uncalibrated"].as_f64().unwrap();
        assert!(found[0].0 == class && tables > 0.6, "{found:?}");
        assert!(found[0].2 < tables, "{found:?}");
        assert!(found.get(1).is_none_or(|second| found[0].2 > 2.0 * second.2), "{found:?}");
        let other = if kind == "stub_open" { "lost_power" } else { "open_circuit" };
        assert_ne!(document["outages"][0]["cause"], other);
    }
}

/// Three that are missed now, and no gateway among them, may be behind one. Where a third of them
/// is of the drive train or the brakes that is hardly so.
#[test]
fn the_drive_train_is_seldom_behind_a_gateway() {
    let gateway = |codes: &[&str]| {
        let all: String = [2, 3].map(|at| read(100.0 + f64::from(at), at, codes)).concat();
        of_class(&simulated(&(vehicle() + &all), &[]).1, "gateway")
    };
    let comfort = gateway(&["C1 40 87 2F", "C1 55 87 2F", "C1 64 87 2F"]);
    let drive = gateway(&["C1 40 87 2F", "C1 55 87 2F", "C1 21 87 2F"]);
    assert!(comfort > 0.3 && drive + 0.05 < comfort, "{comfort} {drive}");
}
