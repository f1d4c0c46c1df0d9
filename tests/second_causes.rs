//! What vehicles showed that were not invented here: for each wrong finding the smallest capture
//! that brings it about. All data is invented.

mod common;
#[path = "common/five_nodes.rs"]
mod five_nodes;
#[path = "common/messages.rs"]
mod messages;

use std::fmt::Write;

use common::{report, simulated};
use five_nodes::{answered, ranked, read, trouble, vehicle};
use messages::{log, message, messages};
use serde_json::Value;

/// Probability of the findings of a class together, at most 1.
fn of_class(document: &Value, class: &str) -> f64 {
    let own = ranked(document).into_iter().filter(|(own, ..)| own == class);
    own.map(|(_, _, probability)| probability).sum::<f64>().min(1.0)
}

/// Door, and two others that codes can name.
const DOOR: &str = "C1 99 87";
const CLUSTER: &str = "C1 55 87";
const RADIO: &str = "C1 64 87";

fn with_status(code: &str, status: &str) -> String {
    format!("{code} {status}")
}

/// What three modules store between two reads is of this capture, whatever its status is by then,
/// and belongs to what fell silent in between.
#[test]
fn codes_that_come_between_two_reads_are_no_old_ones() {
    let mut text = vehicle();
    text += &trouble("power_loss", "node = \"door\"", &[50.0, 70.0, 83.0], &[3.0, 2.0, 4.0]);
    let code = with_status(DOOR, "28");
    for number in 1..4 {
        text += &read(10.0 + f64::from(number), number, &[]);
        text += &read(100.0 + f64::from(number), number, &[&code]);
    }
    let (_, document, _) = simulated(&text, &[]);
    let found = ranked(&document);
    assert_eq!(
        (found[0].0.as_str(), found[0].1.as_str()),
        ("module_power", "node of 0x180"),
        "{found:?}"
    );
    assert!(of_class(&document, "stale_codes") < 0.1, "{found:?}");
    assert_eq!(document["findings"][0]["codes_explained"].as_array().unwrap().len(), 3);
}

/// The same codes with nothing between them and nobody silent remember something older.
#[test]
fn codes_that_have_not_failed_lately_are_old() {
    let mut text = vehicle();
    let code = with_status(DOOR, "28");
    for number in 1..4 {
        text += &read(100.0 + f64::from(number), number, &[&code]);
    }
    let (_, document, _) = simulated(&text, &[]);
    assert_eq!(ranked(&document)[0].0, "stale_codes", "{:?}", ranked(&document));
    let said = document["findings"][0]["evidence"].to_string();
    assert!(said.contains("stored, not failing when last read"), "{said}");
}

/// What was never heard, the frames cannot vouch for: a module that two others miss now is gone
/// from the start.
#[test]
fn a_module_missing_from_the_start_is_not_contradicted() {
    let mut text = vehicle();
    let code = with_status(DOOR, "2F");
    for number in 1..3 {
        text += &read(100.0 + f64::from(number), number, &[&code]);
    }
    let (_, document, _) = simulated(&text, &[]);
    let found = ranked(&document);
    assert!(found[0].1.contains("Door Control Module"), "{found:?}");
    assert!(of_class(&document, "stale_codes") < 0.1, "{found:?}");
    assert!(!document.to_string().contains("the frames contradict it"));
}

/// One silent node is one missed module: the one that most tell of as of now. The other is a fault
/// of its own.
#[test]
fn a_silent_node_is_one_missed_module() {
    let mut text = vehicle();
    text += &trouble("power_loss", "node = \"door\"", &[50.0, 70.0, 83.0], &[3.0, 2.0, 4.0]);
    let (door, other) = (with_status(DOOR, "2E"), with_status(CLUSTER, "2F"));
    text += &read(101.0, 1, &[&door, &other]);
    text += &read(102.0, 2, &[&door]);
    text += &read(103.0, 3, &[&door]);
    let (_, document, _) = simulated(&text, &[]);
    let found = ranked(&document);
    assert_eq!(found[0].1, "node of 0x180", "{found:?}");
    assert_eq!(document["findings"][0]["codes_explained"].as_array().unwrap().len(), 3);
    assert!(found.iter().any(|(_, nodes, _)| nodes.contains("Instrument Panel")), "{found:?}");
}

/// Who misses a module fails its test while that is away; of several who miss it one may not have
/// run its test yet. Where none fails, the codes are of another loss.
#[test]
fn one_who_has_not_tested_yet_takes_nothing_back() {
    let missed = |status: &str| {
        let mut text = vehicle();
        text += &trouble("power_loss", "node = \"door\"", &[50.0], &[80.0]);
        text += &read(101.0, 1, &[&with_status(DOOR, status)]);
        text += &read(102.0, 2, &[&with_status(DOOR, "28")]);
        let document = simulated(&text, &[]).1;
        document["blame"][0]["verdict"].as_str().unwrap().to_owned()
    };
    assert_eq!(missed("2F"), "likely");
    assert_eq!(missed("28"), "contradicted");
}

/// Three nodes that fell silent and three modules that are missed are the same three.
#[test]
fn silent_nodes_are_no_gateway() {
    let mut text = vehicle();
    for (node, at) in [("door", 40.0), ("mirror", 60.0), ("radio", 80.0)] {
        let node = format!("node = \"{node}\"");
        text += &trouble("power_loss", &node, &[at, at + 11.0], &[3.0, 4.0]);
    }
    let codes: Vec<String> =
        [DOOR, CLUSTER, RADIO].iter().map(|code| with_status(code, "2F")).collect();
    let codes: Vec<&str> = codes.iter().map(String::as_str).collect();
    for number in 1..4 {
        text += &read(105.0 + f64::from(number), number, &codes);
    }
    let (_, document, _) = simulated(&text, &[]);
    let found = ranked(&document);
    assert!(of_class(&document, "gateway") < 0.05, "{found:?}");
    for node in ["0x180", "0x1C0", "0x200"] {
        assert!(found[..3].iter().any(|(_, own, _)| own.contains(node)), "{found:?}");
    }
}

/// What falls silent together in a short recording may be one module or several: as many as are
/// missed with it now: a code that is only pending may be of another time.
#[test]
fn two_that_are_missed_are_two_modules() {
    let missed = |codes: &[&str]| {
        let mut text = vehicle().replace("duration = 120.0", "duration = 24.0");
        text += &trouble("branch_open", "branch = \"left\"", &[8.0], &[30.0]);
        for number in 1..4 {
            text += &read(20.0 + f64::from(number), number, codes);
        }
        simulated(&text, &[]).1
    };
    let (door, cluster) = (with_status(DOOR, "2F"), with_status(CLUSTER, "2F"));
    let pending = with_status(CLUSTER, "26");
    let one = missed(&[&door]);
    assert!(ranked(&one)[0].0.starts_with("module_"), "{:?}", ranked(&one));
    // Then the second is a fault of its own as likely as one of two.
    let open = missed(&[&door, &pending]);
    let first = &ranked(&open)[..2];
    assert!(first.iter().any(|own| own.1.contains("Cluster")), "{first:?}");
    assert!(of_class(&open, "branch") < 0.4, "{first:?}");
    let two = missed(&[&door, &cluster]);
    assert!(["branch", "shared_supply"].contains(&ranked(&two)[0].0.as_str()), "{two:#}");
    let rows = two["blame"].as_array().unwrap();
    assert!(rows.iter().all(|row| row["verdict"] == "likely"), "{rows:#?}");
    assert!(of_class(&two, "gateway") < 0.05, "{:?}", ranked(&two));
}

/// A node on the bus: its identifiers with period and phase in milliseconds; the first counts.
const LOST: [(u32, i64, i64); 3] = [(0x180, 50, 3), (0x187, 100, 11), (0x18E, 200, 37)];
const OTHERS: [(u32, i64, i64); 4] =
    [(0x100, 20, 1), (0x140, 20, 7), (0x200, 100, 13), (0x240, 100, 29)];

/// What a controller does with what it cannot send.
#[derive(Clone, Copy)]
enum Buffers {
    /// Each identifier has a place for one frame, and the next overwrites it.
    Mailbox,
    /// A queue: the first so many frames wait, later ones are lost.
    Queue(usize),
}

/// A node whose wires open and close, with transmit buffers in its controller.
fn open_wires(buffers: Buffers) -> String {
    let silences = [(30_000, 33_400), (52_000, 54_100), (71_000, 75_700)];
    let mut frames: Vec<(i64, u32, i64)> = Vec::new();
    let mut random: i64 = 1;
    for (id, period, phase) in LOST.into_iter().chain(OTHERS) {
        for number in 0..100_000 / period {
            // Microseconds, with a scatter of 0.1 ms, and a clock that is 60 ppm slow.
            random = (random * 1_103_515_245 + 12_345) % 2_147_483_648;
            let time = (phase + number * period) * 1000;
            frames.push((time + time * 60 / 1_000_000 + random % 100, id, number % 256));
        }
    }
    frames.sort_unstable();
    let away =
        |time: i64| silences.iter().find(|(from, to)| (from * 1000..to * 1000).contains(&time));
    let mut out: Vec<(i64, u32, i64)> = Vec::new();
    let mut waiting: Vec<(u32, i64)> = Vec::new();
    for (time, id, count) in frames {
        let lost = LOST.iter().any(|(own, ..)| *own == id);
        if lost && away(time).is_some() {
            match buffers {
                Buffers::Mailbox => {
                    waiting.retain(|(own, _)| *own != id);
                    waiting.push((id, count));
                }
                Buffers::Queue(most) if waiting.len() < most => waiting.push((id, count)),
                Buffers::Queue(_) => {}
            }
            continue;
        }
        if away(time).is_none() && !waiting.is_empty() {
            // The wire that has healed last.
            let healed = silences.iter().map(|(_, to)| to * 1000).filter(|to| *to <= time).max();
            for (at, (id, count)) in waiting.drain(..).enumerate() {
                out.push((healed.unwrap_or(0) + 300 * (at as i64 + 1), id, count));
            }
        }
        out.push((time, id, count));
    }
    out.sort_unstable();
    let mut text = String::new();
    for (time, id, count) in out {
        let count = if id == 0x180 { count } else { 0 };
        let _ = writeln!(
            text,
            "({}.{:06}) can0 {id:03X}#A5{count:02X}00",
            1_790_000_000 + time / 1_000_000,
            time % 1_000_000
        );
    }
    text
}

/// What waited in transmit buffers comes out first, at once and with the counters of its time: the
/// frames behind it decide.
#[test]
fn transmit_buffers_are_no_boot() {
    let folder = tempfile::tempdir().unwrap();
    let path = folder.path().join("capture.log");
    for buffers in [Buffers::Mailbox, Buffers::Queue(3), Buffers::Queue(16)] {
        std::fs::write(&path, open_wires(buffers)).unwrap();
        let (_, document) = report(&path, &[]);
        let found = ranked(&document);
        assert!(found[0].0 == "module_connector" && found[0].2 > 0.6, "{found:?}");
    }
}

/// A neighbour without a counter does not hide what the others show.
#[test]
fn one_neighbour_without_a_counter_leaves_a_branch_known() {
    let mut text = vehicle();
    text += &trouble("branch_open", "branch = \"left\"", &[40.0, 61.0], &[3.3, 2.9]);
    let (_, document, _) = simulated(&text, &[]);
    let branch: Vec<&Value> = document["outages"]
        .as_array()
        .unwrap()
        .iter()
        .filter(|outage| outage["scope"] == "branch")
        .collect();
    assert_eq!(branch.len(), 2);
    assert!(branch.iter().all(|outage| outage["cause"] == "open_circuit"), "{branch:#?}");
    let (first, other) = (of_class(&document, "branch"), of_class(&document, "shared_supply"));
    assert!(ranked(&document)[0].0 == "branch" && first > 4.0 * other, "{:?}", ranked(&document));
}

/// Error frames at the losses of one node are that node's, and those of the first moment are the
/// plugging in.
#[test]
fn errors_at_one_node_are_no_fault_of_the_main_line() {
    let mut log = String::new();
    let mut lines: Vec<String> = open_wires(Buffers::Mailbox).lines().map(str::to_owned).collect();
    let error = |time: f64| format!("({time:.6}) can0 20000088#0000000000000000");
    for at in [0.001, 0.012, 0.030, 29.95, 29.97, 29.99, 51.96, 51.98, 70.97, 70.99] {
        lines.push(error(1_790_000_000.0 + at));
    }
    lines.sort_unstable();
    lines.iter().for_each(|line| log += &format!("{line}\n"));
    let folder = tempfile::tempdir().unwrap();
    let path = folder.path().join("capture.log");
    std::fs::write(&path, log).unwrap();
    let (_, document) = report(&path, &[]);
    let found = ranked(&document);
    assert!(found[0].0 == "module_connector" && of_class(&document, "line") < 0.1, "{found:?}");
}

/// However many findings there are, what is no fault of the vehicle is among them.
#[test]
fn a_sleep_is_told_behind_any_number_of_faults() {
    let mut text = vehicle();
    for (at, node) in ["engine", "brakes", "door", "mirror", "radio"].iter().enumerate() {
        let from = 20.0 + 7.0 * at as f64;
        text += &trouble("power_loss", &format!("node = \"{node}\""), &[from], &[500.0]);
        // Each is away until the sleep, in which nobody can be told from another.
        text = text.replace("lasts = [500.0]", "lasts = [4.0]");
    }
    text += &trouble("key_off", "", &[80.0], &[25.0]);
    let (_, document, _) = simulated(&text, &[]);
    let found = ranked(&document);
    let at = found.iter().position(|own| own.0 == "sleep").expect("a sleep");
    let is_none = |class: &str| ["sleep", "cranking", "switched_by_user"].contains(&class);
    assert!(found[at..].iter().all(|own| is_none(&own.0)), "{found:?}");
}

/// "Came back" refutes old codes, whatever else is there.
#[test]
fn codes_that_came_back_were_not_old() {
    let mut text = vehicle();
    let codes = ["28", "28", "28"].map(|status| with_status(CLUSTER, status));
    for (number, code) in (1..4).zip(&codes) {
        text += &read(100.0 + f64::from(number), number, &[code]);
    }
    let (_, before, _) = simulated(&text, &[]);
    let folder = tempfile::tempdir().unwrap();
    let job = folder.path().join("job.toml");
    let reading = "[[reading]]\nwhat = \"cleared_and_read\"\nresult = \"came back\"\n";
    std::fs::write(&job, reading).unwrap();
    let (_, after, _) = simulated(&text, &["--readings", job.to_str().unwrap()]);
    assert_eq!(ranked(&before)[0].0, "stale_codes");
    let (before, after) = (of_class(&before, "stale_codes"), of_class(&after, "stale_codes"));
    assert!(before > 0.5 && after < 0.5 * before, "{before} {after}");
}

/// Nothing is certain for want of another class.
#[test]
fn no_finding_is_certain() {
    let mut text = vehicle();
    text += &trouble("power_loss", "node = \"door\"", &[50.0, 70.0, 83.0], &[3.0, 2.0, 4.0]);
    let (_, document, _) = simulated(&text, &[]);
    let found = ranked(&document);
    assert!(found[0].2 < 0.99, "{found:?}");
}

/// A short stops all of a bus while its nodes run on: what waited comes out at once when it ends,
/// and behind that all is on its grid. A recorder that pauses finds all on their grid at once.
#[test]
fn a_short_is_no_pause_of_the_recording() {
    let folder = tempfile::tempdir().unwrap();
    let path = folder.path().join("capture.log");
    let mut found = Vec::new();
    for waits in [true, false] {
        std::fs::write(&path, stopped_bus(waits)).unwrap();
        let (_, document) = report(&path, &[]);
        found.push(ranked(&document));
    }
    assert_eq!(found[0][0].0, "line", "{found:?}");
    assert!(found[1].iter().all(|(class, ..)| class == "logger"), "{found:?}");
}

/// On a line that fails each attempt to send does: three error frames are of a short, and of a
/// recorder that pauses one may be by chance. Where a controller gave up it is not.
#[test]
fn one_error_before_a_pause_is_no_short() {
    let found = |errors: &[&str]| {
        let mut lines: Vec<String> = stopped_bus(false).lines().map(str::to_owned).collect();
        let error = |(at, frame): (usize, &&str)| format!("(1790000029.99{at}700) can0 {frame}");
        lines.extend(errors.iter().enumerate().map(error));
        lines.sort_unstable();
        let folder = tempfile::tempdir().unwrap();
        let path = folder.path().join("capture.log");
        std::fs::write(&path, lines.join("\n") + "\n").unwrap();
        report(&path, &[]).1["outages"][0]["cause"].as_str().unwrap().to_owned()
    };
    let (broken, bus_off) = ("20000008#0000040000000000", "20000040#0000000000000000");
    let passive = "20000004#0010000000000000";
    assert_eq!(found(&[broken]), "capture_gap");
    assert_eq!(found(&[broken; 2]), "capture_gap");
    assert_eq!(found(&[broken; 3]), "bus_fault");
    assert_eq!(found(&[broken, bus_off]), "bus_fault");
    assert_eq!(found(&[broken, passive]), "bus_fault");
}

/// Twelve identifiers, none of which is heard for 2.3 s; their controllers hold the last frame of
/// each, or nobody did.
fn stopped_bus(waits: bool) -> String {
    let mut frames: Vec<(i64, i64)> = Vec::new();
    for id in 0..12 {
        let period = [20, 50, 100, 100][id as usize % 4];
        for number in 0..60_000 / period {
            // Microseconds; phases and a little scatter.
            let time = (number * period + 3 + 7 * id) * 1000 + (number * 37 + id * 11) % 90;
            frames.push((time, id));
        }
    }
    let away = |time: i64| (30_000_000..32_300_000).contains(&time);
    let mut out: Vec<(i64, i64)> = frames.into_iter().filter(|(time, _)| !away(*time)).collect();
    if waits {
        out.extend((0..12).map(|id| (32_300_000 + 250 * id, id)));
    }
    out.sort_unstable();
    let mut text = String::new();
    for (time, id) in out {
        let (whole, part) = (1_790_000_000 + time / 1_000_000, time % 1_000_000);
        let _ = writeln!(text, "({whole}.{part:06}) can0 {:03X}#A500", 0x100 + 0x20 * id);
    }
    text
}

/// An engine is started once for each turn of the key: of two modules that start anew once each, a
/// minute apart, the starter may have pulled down the first, and the second not.
#[test]
fn the_starter_is_at_work_once() {
    let lost = |door: f64| {
        let text = vehicle()
            + &trouble("power_loss", "node = \"door\"", &[door], &[1.6])
            + &trouble("power_loss", "node = \"brakes\"", &[20.0], &[1.4]);
        let found = ranked(&simulated(&text, &[]).1);
        let power = |(class, node, _): &&(String, String, f64)| {
            class == "module_power" && node == "node of 0x180"
        };
        found.iter().find(power).map_or(0.0, |(_, _, probability)| *probability)
    };
    let (with, later) = (lost(20.2), lost(90.0));
    assert!(with < 0.2 && later > 0.5, "{with} {later}");
}

/// A silence is counted from the last frame, and the next was due a period later: of a module that
/// sends twice a second 5.07 s are no longer than an engine start, 6.07 s are; and the same of one
/// that sends twenty times.
#[test]
fn the_period_before_a_silence_is_no_part_of_it() {
    let once = |period: f64, until: f64| {
        let slow = 2.0 * period;
        let own = [("1D0", period, 0.03), ("1D7", slow, 0.33), ("500", period, 0.17)];
        let own = own.map(|(id, period, first)| message(id, period, first).anew(30.0, until, 0.21));
        let folder = tempfile::tempdir().unwrap();
        let path = folder.path().join("capture.log");
        std::fs::write(&path, log(60.0, &[messages(0x200, 12), own.to_vec()].concat())).unwrap();
        let document = report(&path, &[]).1;
        assert!(document["outages"][0]["duration_s"].as_f64().unwrap() > 5.0, "{document:#}");
        document["findings"][0]["evidence"].to_string().contains("than a dropout from cranking")
    };
    assert!(once(0.5, 34.4));
    assert!(!once(0.5, 35.4));
    assert!(!once(0.05, 35.1));
}

/// Two modules that start anew once, for as long as a start of the engine disturbs, are more likely
/// those that the starter pulled down; when it happens again they are not.
#[test]
fn cranking_is_no_common_supply() {
    let crank = |at: &[f64], lasts: &[f64]| {
        let text = vehicle()
            + &trouble("power_loss", "node = \"door\"", at, lasts)
            + &trouble("power_loss", "node = \"brakes\"", at, lasts);
        simulated(&text, &[]).1
    };
    let once = crank(&[20.0], &[1.6]);
    assert!(of_class(&once, "shared_supply") < 0.2, "{:?}", ranked(&once));
    assert_eq!(ranked(&once).last().unwrap().0, "cranking");
    let again = crank(&[20.0, 57.0, 90.0], &[1.6, 1.1, 2.0]);
    assert_eq!(ranked(&again)[0].0, "shared_supply");
    // By what the tables come to: little of what they say of the starter was ever measured.
    let of_tables = |class: &str| {
        let all = again["findings"].as_array().unwrap().iter();
        let own = all.filter(|finding| finding["class"] == class);
        own.map(|finding| finding["uncalibrated"].as_f64().unwrap()).sum::<f64>()
    };
    let starter = of_tables("cranking");
    assert!(of_tables("shared_supply") > 4.0 * starter, "{:?}", ranked(&again));
}

/// A driver cranks soon after the key, and an alternator charges only when the engine runs: a short
/// loss a minute after the recording began is hardly of a start, and neither is one with 14 V read
/// before it.
#[test]
fn a_late_loss_or_a_charged_battery_speaks_against_the_starter() {
    let lost = |at: f64, volts: &str| {
        let mut text = vehicle() + &trouble("power_loss", "node = \"door\"", &[at], &[1.6]);
        for time in [8.0, 9.0, 10.0] {
            text += &answered(time, 0, "01 42", &format!("41 42 {volts}"));
        }
        let document = simulated(&text, &[]).1;
        (of_class(&document, "module_power"), document["findings"].to_string())
    };
    let (soon, said) = lost(20.0, "2F A8");
    assert!(!said.contains("late for") && !said.contains("charged before"), "{said}");
    let (late, said) = lost(60.0, "2F A8");
    assert!(late > 2.0 * soon && said.contains("late for an engine start"), "{soon} {late} {said}");
    let (charged, said) = lost(20.0, "36 B0");
    assert!(charged > 2.0 * soon && said.contains("charged before it, at 14.0 V"), "{said}");
}
