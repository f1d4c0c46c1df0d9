//! What can hurt is said before it can: before the tests in every form, with each test, and most
//! of all where nobody knows what a module is.

mod common;

use std::fmt::Write;

use common::{lostnode, own, piped};
use serde_json::Value;

/// A truck on which the sender at `silent` is not heard from 20 to 27 s of 60, twice over.
fn truck(silent: u8) -> String {
    let everyday: [(u32, u32); 9] = [
        (0x0CF0_0400, 20),
        (0x18FE_F100, 100),
        (0x0CF0_0300, 50),
        (0x18FE_F200, 100),
        (0x18FE_EE00, 1000),
        (0x18F0_010B, 100),
        (0x18FE_BF0B, 100),
        (0x18FE_6C17, 50),
        (0x18FE_F717, 1000),
    ];
    let own = [(0x18FF_5000 | u32::from(silent), 100), (0x18FF_5100 | u32::from(silent), 200)];
    let mut frames = Vec::new();
    for (place, (id, period)) in everyday.into_iter().chain(own).enumerate() {
        for count in 0..60_000 / period {
            let time = place as u32 * 3 + count * period;
            let away = (20_000..27_000).contains(&time) || (40_000..47_000).contains(&time);
            if !(away && id as u8 == silent) {
                frames.push((time, id, count));
            }
        }
    }
    frames.sort_unstable();
    frames.into_iter().fold(String::new(), |mut log, (time, id, count)| {
        let seconds = 1e9 + f64::from(time) / 1e3;
        // The engine turns at 1028 rpm, the battery has 28 V.
        let data = match id >> 8 & 0xFFFF {
            0xF004 => "F07D7D2020FFFFFF".to_owned(),
            0xFEF7 => "FFFFFFFF3002FFFF".to_owned(),
            _ => format!("{:02X}FFFFFF{:X}0FFFFFF", count & 0xFF, count & 0xF),
        };
        writeln!(log, "({seconds:.6}) can0 {id:08X}#{data}").unwrap();
        log
    })
}

fn document(log: &str) -> Value {
    let output = piped(&["report", "-", "--format", "json"], log.as_bytes());
    assert_eq!(output.status.code(), Some(1), "{}", String::from_utf8_lossy(&output.stderr));
    serde_json::from_slice(&output.stdout).unwrap()
}

fn ids(document: &Value) -> Vec<&str> {
    let cautions = document["cautions"].as_array().unwrap();
    cautions.iter().map(|caution| caution["id"].as_str().unwrap()).collect()
}

/// Airbags, parking brake, charger, fuel, exhaust: by the address alone.
#[test]
fn addresses_of_what_hurts_carry_their_caution() {
    for (address, caution, part) in [
        (0x53, "restraints", "can fire"),
        (0x58, "restraints", "can fire"),
        (0x50, "parking_brake", "block the wheels"),
        (0x49, "high_voltage", "orange cables"),
        (0x61, "high_voltage", "orange cables"),
        (0x12, "fuel", "no sparks"),
        (0x2F, "suspension", "stands"),
        (0x3D, "aftertreatment", "purged for minutes"),
        (0x55, "aftertreatment", "hot enough to burn"),
    ] {
        let document = document(&truck(address));
        assert!(ids(&document).contains(&caution), "{address:02X}: {:?}", ids(&document));
        assert!(!ids(&document).contains(&"unknown"), "{address:02X}");
        let tests = document["next_tests"].as_array().unwrap();
        assert!(!tests.is_empty(), "{address:02X}");
        for test in tests.iter().filter(|test| test["title"].to_string().contains("address 0x")) {
            assert!(test["cautions"].to_string().contains(part), "{address:02X}: {test}");
        }
    }
}

/// A module of the airbags: no hand and no meter goes near before its codes are read and the
/// maker's procedure is followed. Of any other there is no such test.
#[test]
fn a_suspected_restraint_is_asked_before_it_is_touched() {
    for (address, restraint) in [(0x53, true), (0x58, true), (0x50, false), (0x2F, false)] {
        let document = document(&truck(address));
        let all = document["next_tests"].as_array().unwrap();
        let of_it = format!("address 0x{address:02X}");
        let own: Vec<&Value> =
            all.iter().filter(|test| test["title"].to_string().contains(&of_it)).collect();
        let asks = |test: &Value| {
            let title = test["title"].as_str().unwrap();
            title.starts_with("Codes of") && title.ends_with("maker's airbag procedure")
        };
        assert_eq!(own.iter().filter(|test| asks(test)).count(), usize::from(restraint), "{own:?}");
        if restraint {
            assert!(asks(own[0]) && asks(&all[0]), "{}", own[0]["title"]);
            let headline = document["headline"].as_str().unwrap();
            assert!(
                headline.ends_with("first read its codes and follow the maker's airbag procedure."),
                "{headline}"
            );
        }
        assert!(restraint || own.len() > 2, "the others follow: {own:?}");
        // No loom of an airbag is moved while the ignition is on, no plug of it pulled and no meter
        // put to it: the maker's procedure says how.
        let hands = ["Wiggle", "Pins of", "Bus wires", "Supply and ground at the connector"];
        let by_hand = |test: &&&Value| {
            let title = test["title"].as_str().unwrap();
            hands.iter().any(|hand| title.starts_with(hand))
        };
        let by_hand = own.iter().filter(by_hand).count();
        assert!(if restraint { by_hand == 0 } else { by_hand > 1 }, "{own:?}");
    }
}

/// Nobody knows what a module is: it may be any of them.
#[test]
fn what_is_not_known_is_treated_as_the_worst() {
    let document = document(&truck(0x90));
    assert!(ids(&document).contains(&"unknown"), "{:?}", ids(&document));
    let first = &document["next_tests"][0];
    assert!(first["cautions"][0].as_str().unwrap().starts_with("Identity not known"), "{first}");
    // The van's node has no name without its roster, and one with it.
    for (roster, unknown) in [(false, true), (true, false)] {
        let mut command = lostnode();
        command.args(["report", "--format", "json"]).arg(own("samples/van-door.log.gz"));
        if roster {
            command.arg("--roster").arg(own("samples/van-roster.toml"));
        }
        let document: Value = serde_json::from_slice(&command.output().unwrap().stdout).unwrap();
        let of_door = document["findings"].as_array().unwrap().iter().find(|finding| {
            finding["class"] == "module_power" && finding["probability"].as_f64().unwrap() > 0.5
        });
        let cautions = of_door.unwrap()["cautions"].to_string();
        assert_eq!(cautions.contains("Identity not known"), unknown, "{cautions}");
        assert!(cautions.contains("Doors, windows"), "{cautions}");
    }
}

/// In text, on the page and in JSON the cautions come before the first test, and each test has its
/// own.
#[test]
fn cautions_come_before_the_tests_in_every_form() {
    let folder = tempfile::tempdir().unwrap();
    let output = lostnode()
        .args(["report", "--out"])
        .arg(folder.path())
        .arg(own("samples/van-door.log.gz"))
        .output()
        .unwrap();
    let text = String::from_utf8(output.stdout).unwrap();
    let page = std::fs::read_to_string(folder.path().join("report.html")).unwrap();
    let json = std::fs::read_to_string(folder.path().join("report.json")).unwrap();
    let document: Value = serde_json::from_str(&json).unwrap();
    let tests = document["next_tests"].as_array().unwrap();
    assert!(tests.len() > 3);
    for test in tests {
        assert!(!test["cautions"].as_array().unwrap().is_empty(), "{test}");
    }
    let first = tests[0]["how"].as_str().unwrap();
    let words: Vec<&str> = first.split_whitespace().collect();
    // The page writes an apostrophe as a reference.
    let joined =
        |text: &str| text.split_whitespace().collect::<Vec<_>>().join(" ").replace("&#x27;", "'");
    for (form, text) in [("text", joined(&text)), ("page", joined(&page))] {
        let caution = text.find("maker's procedure and local rules come before");
        let how = text.find(&words.join(" ")).unwrap_or_else(|| panic!("{form}: {first}"));
        assert!(caution.is_some_and(|caution| caution < how), "{form}");
        assert!(!text.contains("by listening only"), "{form}");
    }
    let head = json.find("\n  \"cautions\"").unwrap();
    assert!(head < json.find("\n  \"next_tests\"").unwrap());
    // Where each is from is told too.
    let cautions = document["cautions"].as_array().unwrap();
    assert!(cautions.iter().all(|caution| !caution["source"].as_str().unwrap().is_empty()));
    assert!(page.contains("[SAE J1979 (services 04 and 0A)"));
    // What has none is told in one line, and not behind each.
    assert!(page.contains("without a source in brackets are common practice"));
    assert!(!page.contains("[common practice, no source"));
}

/// Codes carry cautions by the range they lie in, and by their meaning.
#[test]
fn codes_carry_cautions_by_range() {
    for (code, part) in [
        ("B0051", "can fire"),
        ("B0081", "can fire"),
        ("B00AA", "can fire"),
        ("C0063", "Brakes:"),
        ("C1234", "Brakes:"),
        ("C1234", "Steering assistance"),
        ("P0A94", "High voltage:"),
        ("P0C11", "High voltage:"),
        ("P1A22", "High voltage:"),
        ("U01BD", "High voltage:"),
        ("U01BF", "High voltage:"),
        ("U0250", "can fire"),
        ("B1234", "Identity not known"),
        ("U1234", "Identity not known"),
        ("U0151", "can fire"),
    ] {
        let output = lostnode().args(["explain", code]).output().unwrap();
        let text = String::from_utf8(output.stdout).unwrap();
        let text = text.split_whitespace().collect::<Vec<_>>().join(" ");
        assert!(text.contains("CAUTION") && text.contains(part), "{code}: {text}");
    }
    let output = lostnode().args(["explain", "P0420"]).output().unwrap();
    assert!(!String::from_utf8(output.stdout).unwrap().contains("CAUTION"));
}

/// A caution that a knowledge file names and nobody knows is an error.
#[test]
fn an_unknown_caution_is_refused() {
    let folder = tempfile::tempdir().unwrap();
    let file = folder.path().join("own.toml");
    std::fs::write(&file, "[test.wiggle]\ncautions = [\"wigle\"]\n").unwrap();
    let output = lostnode()
        .arg("report")
        .arg(own("samples/van-door.log.gz"))
        .arg("--knowledge")
        .arg(&file)
        .output()
        .unwrap();
    assert_eq!(output.status.code(), Some(2));
    assert!(String::from_utf8_lossy(&output.stderr).contains("there is no caution wigle"));
}
