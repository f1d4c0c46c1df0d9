//! What SAE J1939 sends on an occasion only, and whom a tester has be silent, on an invented truck.
//! Each with its counterpart: a module that is lost all the same. Groups, requests and DM13: SAE
//! J1939-21, -71 and -73, from memory.

mod common;
#[path = "common/truck.rs"]
mod truck;

use common::report_text;
use truck::{every, truck, truck_without};

type Frames = Vec<(f64, String)>;

const NEVER: (f64, f64) = (99.0, 99.0);

/// Exit code of a report, and who was lost.
fn judged(log: &str) -> (i32, String) {
    let (code, found) = report_text(log);
    let outages = found["outages"].as_array().unwrap().iter();
    let lost: Vec<String> = outages
        .filter(|outage| outage["benign"] == false)
        .flat_map(|outage| outage["nodes"].as_array().unwrap().clone())
        .map(|node| node.as_str().unwrap_or_default().to_owned())
        .collect();
    (code, lost.join(" "))
}

fn frame(time: f64, frame: &str) -> (f64, String) {
    (time, frame.to_owned())
}

/// Torque and speed control comes while there is something to control: its end is no loss. Who
/// sent it is missed by what it sends else.
#[test]
fn commands_are_never_missed() {
    let bursts = [(4.0, 4.8), (11.0, 12.3), (19.0, 19.6), (27.0, 29.5)];
    let command = |id: &str| -> Frames {
        let frame = format!("{id}#FCFFFFFFFFFFFFFF");
        bursts.iter().flat_map(|span| every(0.01, *span, &frame)).collect()
    };
    let more = [command("0C00000B"), command("0C00030B"), command("0C04000B")].concat();
    assert_eq!(judged(&truck(40.0, NEVER, &more)), (0, String::new()));
    let (code, lost) = judged(&truck(40.0, (20.0, 26.0), &more));
    assert!(code == 1 && lost.contains("0x0B"), "{code} {lost}");
}

/// A service tool is unplugged, and nobody is missed. A module that is lost meanwhile is.
#[test]
fn a_service_tool_is_no_module() {
    for tool in ["F9", "FA"] {
        let ask = every(1.0, (5.0, 25.0), &format!("18EA00{tool}#EBFE00"));
        let own = every(0.1, (5.0, 25.0), &format!("18FF10{tool}#0011223344556677"));
        let more = [ask, own].concat();
        assert_eq!(judged(&truck(40.0, NEVER, &more)), (0, String::new()));
        let (code, lost) = judged(&truck(40.0, (20.0, 40.0), &more));
        assert!(code == 1 && lost.contains("0x0B") && !lost.contains(tool), "{code} {lost}");
    }
}

/// What is sent because it is asked for ends with the asking. A unit that sends nothing else is
/// lost where it is asked on.
#[test]
fn answers_end_with_the_requests() {
    // Two groups, until a time and again from 48 s on.
    let groups = |until: f64, frames: [String; 2], late: f64| -> Frames {
        let [one, other] = frames;
        let spans = [(1.0, until), (48.0, 60.0)];
        let both = spans.map(|(from, to)| {
            [every(1.0, (from + late, to), &one), every(1.0, (from + 0.3 + late, to), &other)]
        });
        both.into_iter().flatten().flatten().collect()
    };
    let ask = |unit: &str, until: f64| {
        groups(until, ["E5FE00", "E7FE00"].map(|group| format!("18EA{unit}17#{group}")), 0.0)
    };
    let answer = |unit: &str, until: f64| {
        let frames = ["FEE5", "FEE7"].map(|group| format!("18{group}{unit}#0011223344556677"));
        groups(until, frames, 0.02)
    };
    let all = |more: &[Frames]| judged(&truck(60.0, NEVER, &more.concat())).0;
    assert_eq!(all(&[ask("00", 30.0), answer("00", 30.0)]), 0);
    assert_eq!(all(&[ask("25", 30.0), answer("25", 30.0)]), 0);
    // It goes on with others, and answers no more: no module was lost.
    assert_eq!(all(&[ask("00", 48.0), answer("00", 30.0)]), 0);
    assert_ne!(all(&[ask("25", 48.0), answer("25", 30.0)]), 0);
    // Unasked they would be missed.
    assert_eq!(all(&[answer("00", 30.0)]), 1);
    assert_ne!(all(&[answer("25", 30.0)]), 0);
}

/// A stop of broadcasts lasts until they are started, or for 6 s after the last hold signal.
#[test]
fn a_stop_of_broadcasts_is_no_loss() {
    let stop = |to: &str, holds: &[f64], start: Option<f64>| -> Frames {
        let word = |time: f64, data: &str| frame(time, &format!("18DF{to}F9#{data}"));
        let mut all = vec![word(20.0, "FCFFFFFFFFFFFFFF")];
        all.extend(holds.iter().map(|at| word(*at, "FFFFFF0FFFFFFFFF")));
        all.extend(start.map(|at| word(at, "FDFFFFFFFFFFFFFF")));
        all
    };
    let one = |silent: (f64, f64), more: &[(f64, String)]| judged(&truck(80.0, silent, more)).0;
    assert_eq!(one((20.01, 35.0), &stop("0B", &[25.0, 30.0], Some(34.9))), 0);
    assert_eq!(one((20.01, 36.0), &stop("FF", &[25.0, 30.0], None)), 0);
    // Told to another, or away for long after it might have sent again.
    assert_eq!(one((20.01, 35.0), &stop("03", &[25.0, 30.0], Some(34.9))), 1);
    let of_network_2 = vec![frame(20.0, "18DFFFF9#FF3FFFFFFFFFFFFF")];
    assert_eq!(one((20.01, 26.0), &of_network_2), 1);
    assert_eq!(one((20.01, 60.0), &stop("0B", &[25.0, 30.0], Some(34.9))), 1);
    assert_eq!(one((20.01, 60.0), &stop("0B", &[25.0], None)), 1);
    // All of them: neither the recorder nor the bus.
    let all = [0x00, 0x03, 0x0B, 0x17];
    let log = truck_without(80.0, &all, (20.01, 35.0), &stop("FF", &[25.0, 30.0], Some(34.9)));
    let (code, found) = report_text(&log);
    assert_eq!(code, 0);
    let outages = found["outages"].as_array().unwrap();
    assert!(outages.iter().all(|outage| outage["cause"] != "capture_gap"), "{outages:?}");
    assert!(outages[0]["evidence"].to_string().contains("a tester"), "{outages:?}");
}

/// A module that says that it will be silent, or start anew, as a tester told it, is no loss; nor
/// where it refuses is another one sound.
#[test]
fn who_obeys_a_tester_is_no_loss() {
    let said = |ask: &str, answer: &str, back: &str| {
        let talk = [
            frame(19.96, &format!("18DA0BF1#{ask}")),
            frame(19.98, &format!("18DAF10B#{answer}")),
            frame(34.9, &format!("18DA0BF1#{back}")),
        ];
        move |from: f64, to: f64, address: u32| {
            judged(&truck_without(80.0, &[address], (from, to), &talk)).0
        }
    };
    let quiet = said("0328010100000000", "0268010000000000", "0328000100000000");
    assert_eq!(quiet(20.0, 35.0, 0x0B), 0);
    assert_eq!((quiet(20.0, 35.0, 0x03), quiet(20.0, 60.0, 0x0B)), (1, 1));
    assert_eq!(quiet(25.0, 35.0, 0x0B), 1);
    let refused = said("0328010100000000", "037F282200000000", "0328000100000000");
    assert_eq!(refused(20.0, 35.0, 0x0B), 1);
    let session = said("0210020000000000", "065002003201F400", "0211010000000000");
    assert_eq!((session(20.0, 36.0, 0x0B), session(20.0, 36.0, 0x17)), (0, 1));
    let reset = said("0211010000000000", "0251010000000000", "023E000000000000");
    assert_eq!((reset(20.0, 26.0, 0x0B), reset(20.0, 26.0, 0x17)), (0, 1));
    assert_eq!(reset(20.0, 50.0, 0x0B), 1);
}

/// By its address a sender is known, be it of one message. Of a fixed rate by the standard it is
/// missed as a module is; of another nothing is proved, and the address is told.
#[test]
fn the_sender_of_one_message_is_its_address() {
    let twice = |period: f64, own: &str| -> Frames {
        [every(period, (0.0, 20.0), own), every(period, (40.0, 60.0), own)].concat()
    };
    let one = |more: &[(f64, String)]| report_text(&truck(60.0, NEVER, more));
    let (code, lost) = judged(&truck(60.0, NEVER, &twice(0.1, "18FE4F3E#FFFFFFFFFFFFFFFF")));
    assert!(code == 1 && lost.contains("0x3E"), "{code} {lost}");
    let (code, found) = one(&twice(1.0, "18FECA25#00FF00000000FFFF"));
    assert_eq!(code, 3);
    let told = found["doubts"].to_string();
    assert!(told.contains("a message of address 0x25"), "{told}");
    // It speaks all along, in packets.
    let packets = every(1.0, (0.0, 60.0), "1CECFF0F#200A0002FFCAFE00");
    let paused = [twice(0.1, "18F0000F#FFFFFFFFFFFFFFFF"), packets].concat();
    assert_eq!(one(&paused).0, 0);
}

/// A bus of ISO 11783: virtual terminal, process data, file server, guidance; few groups of trucks.
/// The claims tell that it has addresses.
fn tractor(silent: (f64, f64), claims: bool) -> String {
    let rows = [
        (0.1, "0CFE48F0"),
        (0.1, "0CFE49F0"),
        (0.25, "14E68026"),
        (0.5, "14E72680"),
        (1.0, "18E72680"),
        (0.2, "14CBF780"),
        (0.5, "14CB80F7"),
        (0.1, "0CACF013"),
        (0.1, "0CAD131C"),
        (1.0, "18AAFFF8"),
        (1.0, "18B8FF1C"),
        (0.1, "18B9FF1C"),
        // Formats of makers: with these four fifths have the form no more, and the claims decide.
        (0.1, "18BAFF1C"),
        (0.2, "18BBFF1C"),
        (0.2, "18BCFF1C"),
        (0.5, "18BDFF1C"),
        (0.5, "18BEFF1C"),
    ];
    let mut frames: Frames = rows
        .iter()
        .enumerate()
        .flat_map(|(at, (period, id))| {
            let from = 0.0017 * at as f64;
            every(*period, (from, 60.0), &format!("{id}#FFFFFFFFFFFFFFFF"))
        })
        .filter(|(time, frame)| !frame[..8].ends_with("80") || !(silent.0..silent.1).contains(time))
        .collect();
    frames.extend(every(1.0, (0.4, 60.0), "18FECAF0#04FFF607090 1FFFF".replace(' ', "").as_str()));
    if claims {
        for (at, unit) in ["F0", "26", "80", "F7", "13", "1C"].iter().enumerate() {
            frames.push((0.01 * at as f64, format!("18EEFF{unit}#0{at}00000000000020")));
        }
    }
    frames.sort_by(|a, b| a.0.total_cmp(&b.0));
    let lines: Vec<(f64, &str)> =
        frames.iter().map(|(time, frame)| (1_000.0 + time, frame.as_str())).collect();
    common::log(&lines)
}

/// Addresses and active codes of such a bus are read; without claims and groups of trucks its
/// identifiers prove nothing.
#[test]
fn a_tractor_has_addresses() {
    let (code, found) = report_text(&tractor((20.0, 32.0), true));
    assert_eq!(code, 1);
    assert!(found["outages"].to_string().contains("address 0x80"), "{}", found["outages"]);
    assert_eq!(found["codes"][0]["code"], "SPN 2038 FMI 9", "{}", found["codes"]);
    let (_, found) = report_text(&tractor((20.0, 32.0), false));
    assert!(!found["outages"].to_string().contains("address 0x"), "{}", found["outages"]);
}

/// A VIN that an address tells in packets.
fn vin(time: f64, address: &str, vin: &str) -> Frames {
    let text = format!("{vin}*");
    let mut frames = vec![frame(time, &format!("1CECFF{address}#20120003FFECFE00"))];
    for (at, part) in text.as_bytes().chunks(7).enumerate() {
        let mut hex: String = part.iter().map(|byte| format!("{byte:02X}")).collect();
        hex += &"FF".repeat(7 - part.len());
        let time = time + 0.05 * (at + 1) as f64;
        frames.push((time, format!("1CEBFF{address}#{:02X}{hex}", at + 1)));
    }
    frames
}

/// Of two modules with two VINs either may be from another vehicle, whoever speaks first; a third
/// decides.
#[test]
fn one_vin_against_one_is_a_coin() {
    let (one, other) = ("XXTESTXXA0N000042", "XXTESTXXA0N000077");
    let odds = |more: &[Frames]| {
        let (_, found) = report_text(&truck(40.0, NEVER, &more.concat()));
        let of = |address: &str| {
            let findings = found["findings"].as_array().unwrap().iter();
            let own = findings.filter(|own| own["class"] == "not_configured");
            let own = own.filter(|own| own["title"].as_str().unwrap().contains(address));
            own.map(|own| own["probability"].as_f64().unwrap()).fold(0.0, f64::max)
        };
        (of("0x00"), of("0x0B"), found["vehicle"]["vin"].clone())
    };
    for (first, second) in [("00", "0B"), ("0B", "00")] {
        let (engine, brakes, own) = odds(&[vin(10.0, first, one), vin(12.0, second, other)]);
        assert!((engine - brakes).abs() < 0.01 && (0.3..0.6).contains(&engine), "{engine}");
        assert!(own.is_null());
    }
    let third = vin(14.0, "03", one);
    let (engine, brakes, own) = odds(&[vin(10.0, "0B", other), vin(12.0, "00", one), third]);
    assert!(engine < 0.05 && brakes > 0.8 && own == one, "{engine} {brakes} {own}");
}
