//! Codes of SAE J1939-73: what DM1 lists is active and what leaves it stays in memory, what a
//! tester clears, and codes about a module that is heard all the while. The vehicles are invented;
//! the standard is quoted from memory.

mod common;
#[path = "common/five_nodes.rs"]
mod five_nodes;
#[path = "common/messages.rs"]
mod messages;

use common::{lostnode, piped, report_text};
use five_nodes::of_class;
use messages::{Message, log, message, once};
use serde_json::Value;

/// Groups that trucks send every day (SAE J1939-71).
const GROUPS: [&str; 4] = ["0CF004", "18FEF1", "18FEEE", "18FEF7"];

/// No code: both lists are sent with zeroes (SAE J1939-73).
const NONE: &str = "00FF00000000FFFF";
/// SPN 2011 (address 0x0B) FMI 9.
const BRAKES: &str = "04FFDB070901FFFF";

/// A truck with engine, transmission, brakes, cluster and body, and these messages beside.
fn truck(more: &[Message]) -> String {
    truck_without_brakes(&[], more)
}

/// The same, whose brakes are silent for four seconds from these on.
fn truck_without_brakes(silent: &[f64], more: &[Message]) -> String {
    let own = |sender: &str, at: usize| {
        let id = format!("{}{sender}", GROUPS[at]);
        let own = message(&id, [0.1, 0.1, 0.25, 0.5][at], 0.003 * at as f64 + 0.011);
        let silent = silent.iter().filter(|_| sender == "0B");
        silent.fold(own, |own, from| own.silent(*from, from + 4.0))
    };
    let senders = ["00", "03", "0B", "17", "21"];
    let all = senders.into_iter().flat_map(|sender| (0..4).map(move |at| own(sender, at)));
    log(60.0, &all.chain(more.to_vec()).collect::<Vec<Message>>())
}

/// DM1 of the engine, once a second.
fn active(data: fn(f64) -> String) -> Message {
    Message { data, ..message("18FECA00", 1.0, 0.217) }
}

/// A list that the engine gives once.
fn told(at: f64, group: &str, data: fn(f64) -> String) -> Message {
    once(at, &format!("{group}00"), data)
}

fn reported(more: &[Message]) -> Value {
    report_text(&truck(more)).1
}

fn story<'d>(document: &'d Value, code: &str) -> &'d str {
    let codes = document["codes"].as_array().unwrap();
    let own = codes.iter().find(|own| own["code"] == code);
    own.unwrap_or_else(|| panic!("{code}: {codes:?}"))["story"].as_str().unwrap()
}

fn codes_of(more: &[Message]) -> String {
    let output = piped(&["codes", "-"], truck(more).as_bytes());
    String::from_utf8(output.stdout).unwrap()
}

/// A code that DM1 lists now and then is an intermittent fault of this drive: it is neither cleared
/// nor gone where DM1 comes without it, and no old one.
#[test]
fn what_leaves_dm1_is_not_cleared() {
    let flickers: fn(f64) -> String = |time| {
        if (10.0..15.0).contains(&time) || (30.0..36.0).contains(&time) { BRAKES } else { NONE }
            .into()
    };
    let document = reported(&[active(flickers)]);
    let own = &document["codes"][0];
    assert_eq!((&own["active_times"], &own["gone_at"]), (&2.into(), &Value::Null), "{own}");
    let said = story(&document, "SPN 2011 FMI 9");
    assert!(said.starts_with("not active since 36"), "{said}");
    assert!(said.contains("active 2 times in this capture"), "{said}");
    assert!(of_class(&document, "stale_codes") < 0.1, "{}", document["findings"]);
    assert!(!document["findings"].to_string().contains("no longer stored"));
    // Of a code that only DM2 tells of nothing says that it was of this drive.
    let old = reported(&[active(|_| NONE.into()), told(30.0, "18FECB", |_| BRAKES.into())]);
    assert!(story(&old, "SPN 2011 FMI 9").starts_with("previously active"));
    assert!(of_class(&old, "stale_codes") > 0.5, "{}", old["findings"]);
    assert!(of_class(&old, "not_received") < 0.05, "{}", old["findings"]);
}

/// A list of a car that comes without a code says that it is not stored any more, cleared in this
/// capture or not: an old code of a car is no fault of this drive.
#[test]
fn what_leaves_a_list_of_a_car_is_gone() {
    let mut all = messages::messages(0x300, 16);
    // Service 03: U0140 at first, then none.
    for (at, answer) in [
        (5.0, (|_| "044301C140000000".to_owned()) as fn(f64) -> String),
        (25.0, |_| "0243000000000000".to_owned()),
    ] {
        all.push(once(at, "7DF", |_| "0103000000000000".to_owned()));
        all.push(once(at + 0.01, "7E8", answer));
    }
    let document = report_text(&log(40.0, &all)).1;
    let own = &document["codes"][0];
    assert!(own["gone_at"].is_f64() && own["active_times"].is_null(), "{own}");
    let findings = document["findings"].as_array().unwrap();
    assert_eq!(findings[0]["class"], "stale_codes", "{findings:?}");
    let present = |own: &&Value| own["standing"] == "present" || own["class"] == "not_received";
    assert!(!findings.iter().any(|own| present(&own)), "{findings:?}");
}

/// DM2 keeps what left DM1: a DM1 without it ends nothing that DM2 lists, and a DM2 without it
/// does.
#[test]
fn what_dm2_lists_is_stored() {
    let left: fn(f64) -> String = |time| if time < 20.0 { BRAKES } else { NONE }.into();
    let kept = reported(&[active(left), told(40.05, "18FECB", |_| BRAKES.into())]);
    let own = &kept["codes"][0];
    assert_eq!(own["gone_at"], Value::Null, "{own}");
    assert_eq!(own["lists"], serde_json::json!(["active", "previously active"]));
    assert!(story(&kept, "SPN 2011 FMI 9").starts_with("not active since 20"));
    let cleared = reported(&[active(left), told(40.05, "18FECB", |_| NONE.into())]);
    assert!(cleared["codes"][0]["gone_at"].is_f64(), "{}", cleared["codes"]);
    // What is active now need not be in DM2.
    let now = reported(&[active(|_| BRAKES.into()), told(40.05, "18FECB", |_| NONE.into())]);
    assert_eq!(story(&now, "SPN 2011 FMI 9"), "active now; 1 occurrence");
}

/// DM11 clears what is active and DM3 what was, where the unit acknowledges it, or all are asked; a
/// refusal clears nothing.
#[test]
fn a_tester_clears_by_request() {
    let left: fn(f64) -> String = |time| if time < 20.2 { BRAKES } else { NONE }.into();
    let ask = |id: &str, group: fn(f64) -> String| once(20.0, id, group);
    let dm11: fn(f64) -> String = |_| "D3FE00".into();
    let done = once(20.02, "18E8FF00", |_| "00FFFFFFF9D3FE00".into());
    let refused = once(20.02, "18E8FF00", |_| "01FFFFFFF9D3FE00".into());
    let cleared = |more: &[Message]| {
        let document = reported(more);
        (
            !document["codes"][0]["cleared_at"].is_null(),
            story(&document, "SPN 2011 FMI 9").to_owned(),
        )
    };
    let (was, said) = cleared(&[active(left), ask("18EA00F9", dm11), done.clone()]);
    assert!(was && said.starts_with("cleared at 20.0 s, not seen since"), "{said}");
    assert!(cleared(&[active(left), ask("18EAFFF9", dm11)]).0);
    assert!(!cleared(&[active(left), ask("18EA00F9", dm11), refused]).0);
    // Another unit's answer is about its own codes.
    let other = once(20.02, "18E8FF03", |_| "00FFFFFFF9D3FE00".into());
    assert!(!cleared(&[active(left), ask("18EA00F9", dm11), other]).0);
    // Back five seconds later.
    let back: fn(f64) -> String =
        |time| if (20.2..25.0).contains(&time) { NONE } else { BRAKES }.into();
    let (was, said) = cleared(&[active(back), ask("18EA00F9", dm11), done.clone()]);
    assert!(was && said.starts_with("cleared at 20.0 s, and returned: active now"), "{said}");
    // What is active no DM3 clears, and what was no DM11.
    let dm3: fn(f64) -> String = |_| "CCFE00".into();
    let done_dm3 = |at: f64| once(at, "18E8FF00", |_| "00FFFFFFF9CCFE00".into());
    assert!(!cleared(&[active(|_| BRAKES.into()), ask("18EA00F9", dm3), done_dm3(20.02)]).0);
    let before: fn(f64) -> String = |time| if time < 10.0 { BRAKES } else { NONE }.into();
    assert!(!cleared(&[active(before), ask("18EA00F9", dm11), done]).0);
    assert!(cleared(&[active(before), ask("18EA00F9", dm3), done_dm3(20.02)]).0);
}

/// What a tester asks about codes, and what it is told, is among the messages; what units ask of
/// each other all the time is not.
#[test]
fn requests_for_codes_are_messages() {
    let asks = [
        once(20.0, "18EA00F9", |_| "D3FE00".into()),
        once(20.02, "18E8FF00", |_| "00FFFFFFF9D3FE00".into()),
        once(21.0, "18EA00F9", |_| "CCFE00".into()),
        once(21.02, "18E8FF00", |_| "01FFFFFFF9CCFE00".into()),
        once(22.0, "18EA0017", |_| "E5FE00".into()),
    ];
    let output = piped(&["messages", "-"], truck(&asks).as_bytes());
    let text = String::from_utf8(output.stdout).unwrap();
    for part in [
        "address 0xF9 > address 0x00  request: clear the active codes (DM11)",
        "address 0x00 > all  done: clear the active codes (DM11)",
        "refused: clear the previously active codes (DM3)",
    ] {
        assert!(text.contains(part), "{part}: {text}");
    }
    assert!(!text.contains("FEE5"), "{text}");
}

/// Codes that have to do with emissions come in lists of their own, laid out as DM1.
#[test]
fn lists_of_emissions_are_read() {
    // SPN 3226 FMI 9, SPN 3364 FMI 9, SPN 1761 FMI 9, SPN 3216 FMI 9.
    let said = codes_of(&[
        told(10.0, "18FED4", |_| "04FF9A0C0901FFFF".into()),
        told(11.0, "18FECF", |_| "04FF240D0901FFFF".into()),
        told(12.0, "18FDB5", |_| "04FFE1060901FFFF".into()),
        told(13.0, "18FD80", |_| "04FF900C0901FFFF".into()),
    ]);
    for (code, says) in
        [(3226, "active now"), (3364, "pending"), (1761, "previously active"), (3216, "stored")]
    {
        let line = said.lines().find(|line| line.contains(&format!("SPN {code} FMI 9")));
        assert!(line.is_some_and(|line| line.contains(says)), "{code}: {said}");
    }
}

/// DM1 without a code was read: that there is none is told, and it proves of a later drive that the
/// code is not active any more. What only DM2 listed it does not prove.
#[test]
fn an_empty_dm1_is_a_list_that_was_read() {
    let none = codes_of(&[active(|_| NONE.into())]);
    assert!(none.contains("none in the lists that were read: active (address 0x00"), "{none}");
    assert_eq!(codes_of(&[]), "No trouble codes were read in this capture.\n");
    let folder = tempfile::tempdir().unwrap();
    let compared = |before: &[Message], after: &[Message]| {
        let path = |name: &str, more: &[Message]| {
            let path = folder.path().join(name);
            std::fs::write(&path, truck(more)).unwrap();
            path
        };
        let (before, after) = (path("before.log", before), path("after.log", after));
        let output = lostnode()
            .arg("compare")
            .args([before, after])
            .args(["--format", "json"])
            .output()
            .unwrap();
        let document: Value = serde_json::from_slice(&output.stdout).unwrap();
        document["codes"][0]["change"].as_str().unwrap().to_owned()
    };
    let failed = [active(|_| BRAKES.into())];
    let old = [active(|_| NONE.into()), told(30.0, "18FECB", |_| BRAKES.into())];
    let empty = [active(|_| NONE.into())];
    let empty_too = [active(|_| NONE.into()), told(30.0, "18FECB", |_| NONE.into())];
    assert!(compared(&failed, &empty).starts_with("not active any more"));
    assert!(compared(&failed, &empty_too).starts_with("gone"));
    assert_eq!(compared(&old, &empty), "not read after");
    assert!(compared(&old, &empty_too).starts_with("gone"));
    assert_eq!(compared(&failed, &[]), "not read after");
    assert_eq!(compared(&failed, &failed), "still there");
}

/// A module that is heard all the while has supply, ground and bus: who misses it does not receive
/// it, or waits for something else. Where it falls silent the code is of that.
#[test]
fn a_module_that_is_heard_is_not_without_supply() {
    let now = active(|_| BRAKES.into());
    let heard = reported(std::slice::from_ref(&now));
    let wiring = of_class(&heard, "module_power") + of_class(&heard, "module_connector");
    assert!(of_class(&heard, "not_received") > 0.4 && wiring < 0.1, "{}", heard["findings"]);
    assert!(of_class(&heard, "stale_codes") < 0.1, "{}", heard["findings"]);
    let row = heard["blame"][0]["sentence"].as_str().unwrap();
    assert!(row.contains("while the code was active") && !row.contains("older"), "{row}");
    // Two that miss it do not both fail to receive: it does not send what they wait for.
    let too = Message { data: |_| BRAKES.into(), ..message("18FECA03", 1.0, 0.317) };
    let two = reported(&[now.clone(), too]);
    let wiring = of_class(&two, "module_power") + of_class(&two, "module_connector");
    assert!(of_class(&two, "not_configured") > 0.4 && wiring < 0.1, "{}", two["findings"]);
    // The same truck, whose brakes are lost at times.
    let lost = truck_without_brakes(&[10.0, 25.0, 42.0], &[now]);
    let (code, lost) = report_text(&lost);
    let wiring = of_class(&lost, "module_power") + of_class(&lost, "module_connector");
    assert!(code == 1 && wiring > 0.6, "{code} {}", lost["findings"]);
    assert!(of_class(&lost, "not_received") < 0.02, "{}", lost["findings"]);
}

/// Several messages that one module misses, and nobody was lost: what they come from is on another
/// bus, and shares a fuse. One message is of its sender, and what is in error came.
#[test]
fn messages_of_another_bus_have_something_in_common() {
    // SPN 3216, 3226, 1761 and 3364 FMI 9, in packets (SAE J1939-21, BAM).
    let told = |count: usize, fmi: u8| {
        let codes = ["900C", "9A0C", "E106", "240D", "6600", "6900", "6E00", "AF00"];
        let list: String = (codes[..count].iter().enumerate())
            .map(|(at, spn)| format!("{spn}{:02X}01", if at < 4 { fmi } else { 5 }))
            .collect();
        let bytes = format!("04FF{list}");
        let (length, packets) = (bytes.len() / 2, (bytes.len() / 2).div_ceil(7));
        let mut lines: Vec<(f64, String)> = Vec::new();
        for second in 2..58 {
            let at = 1_000.0 + f64::from(second) + 0.31;
            let begin = format!("18ECFF3D#20{length:02X}00{packets:02X}FFCAFE00");
            lines.push((at, begin));
            for packet in 0..packets {
                let part = bytes.get(packet * 14..bytes.len().min(packet * 14 + 14)).unwrap();
                let time = at + 0.05 * (packet + 1) as f64;
                lines.push((time, format!("18EBFF3D#{:02X}{part:F<14}", packet + 1)));
            }
        }
        let beside = [
            message("18F00A3D", 0.05, 0.017),
            message("18FDB23D", 0.5, 0.019),
            message("18FDB33D", 0.5, 0.023),
        ];
        let packets = lines.iter().map(|(time, line)| format!("({time:.6}) can0 {line}"));
        let mut all: Vec<String> =
            truck(&beside).lines().map(str::to_owned).chain(packets).collect();
        all.sort();
        report_text(&(all.join("\n") + "\n"))
    };
    let (code, document) = told(4, 9);
    let behind = |document: &Value| of_class(document, "bus_behind");
    assert!(code == 0 && behind(&document) > 0.5, "{code} {}", document["findings"]);
    let codes = &document["findings"][0]["codes_explained"];
    assert_eq!(codes.as_array().unwrap().len(), 4, "{codes}");
    // Hot parts and the fluid are warned of.
    let cautions = document["cautions"].to_string();
    assert!(cautions.contains("aftertreatment") && cautions.contains("after-run"), "{cautions}");
    assert_eq!((behind(&told(2, 9).1), behind(&told(4, 19).1)), (0.0, 0.0));
    // Four circuits of its own that are open: its harness is not there at all.
    assert_eq!(behind(&told(8, 9).1), 0.0);
}

/// What a truck is asked for fits a truck.
#[test]
fn a_truck_is_not_all_doors_and_trim() {
    let lost = truck_without_brakes(&[10.0, 25.0, 42.0], &[]);
    let tests = report_text(&lost).1["next_tests"].to_string();
    assert!(tests.contains("from cab to frame") && tests.contains("on the frame"), "{tests}");
    assert!(!tests.contains("door or hood"), "{tests}");
}
