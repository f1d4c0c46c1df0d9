//! What messages and codes mean: the words for what was decoded, and trucks.

mod common;

use serde_json::Value;

/// The text of each message of a log, in order.
fn texts(lines: &[(f64, &str)]) -> Vec<String> {
    let log = common::log(lines);
    let output = common::piped(&["messages", "-", "--format", "jsonl"], log.as_bytes());
    let text = String::from_utf8(output.stdout).unwrap();
    let row = |line: &str| serde_json::from_str::<Value>(line).unwrap();
    text.lines().map(|line| row(line)["text"].as_str().unwrap().to_owned()).collect()
}

fn report(lines: &[(f64, &str)]) -> Value {
    let output = common::piped(&["report", "-", "--format", "json"], common::log(lines).as_bytes());
    serde_json::from_slice(&output.stdout).unwrap()
}

/// The last message of an exchange of single frames.
fn answer(request: &str, reply: &str) -> String {
    texts(&[(1.0, request), (1.01, reply)]).pop().unwrap()
}

#[test]
fn readiness_is_told_monitor_by_monitor() {
    let text = answer("7E0#0201010000000000", "7E8#06410183076520AA");
    for part in [
        "lamp on, 3 codes, spark ignition",
        "complete: misfire, fuel system, comprehensive components, catalyst, evaporative system",
        "not complete: oxygen sensor;",
        "not there: heated catalyst, secondary air, air conditioning refrigerant",
    ] {
        assert!(text.contains(part), "{part} is not in {text}");
    }
    let text = answer("7E0#0201010000000000", "7E8#0641010008000000");
    assert!(text.contains("lamp off, 0 codes, compression ignition"), "{text}");
}

/// F4xx are PIDs, F8xx is vehicle information (ISO 27145-2, SAE J1979-2).
#[test]
fn standard_data_identifiers() {
    assert_eq!(
        answer("7E0#0322F40C00000000", "7E8#0562F40C1AF80000"),
        "ReadDataByIdentifier answer: 0xF40C engine speed = 1726 rpm"
    );
    assert_eq!(
        answer("7E0#0522F40CF40D0000", "7E8#0762F40C1AF8F40D").split(" = ").count(),
        2,
        "a second identifier without its data says nothing"
    );
    let lines = [
        (1.0, "7E0#0322F80200000000"),
        (1.01, "7E8#101462F802585854"),
        (1.02, "7E0#3000000000000000"),
        (1.03, "7E8#2145535458584130"),
        (1.04, "7E8#224E303030303432"),
        (2.0, "7E0#0322F44200000000"),
        (2.01, "7E8#0562F44231380000"),
        (3.0, "7E0#0322F40100000000"),
        (3.01, "7E8#0762F40181076520"),
    ];
    let all = texts(&lines);
    assert_eq!(all[0], "ReadDataByIdentifier: 0xF802 VIN");
    assert_eq!(all[1], "ReadDataByIdentifier answer: 0xF802 VIN = \"XXTESTXXA0N000042\"");
    let document = report(&lines);
    assert_eq!(document["vehicle"]["vin"], "XXTESTXXA0N000042");
    assert_eq!(document["vehicle"]["supply_voltage"]["min"], 12.6);
    assert_eq!(document["vehicle"]["mil"], true);
}

/// Counter of report 14, severity and functional group of report 42, format of report 01.
#[test]
fn reports_tell_all_they_carry() {
    assert_eq!(
        answer("7E0#0219140000000000", "7E8#065914C10087FF00"),
        "ReadDTCInformation answer: U0100-87 fault counter -1 (Missing message)"
    );
    let lines = [
        (1.0, "7E0#0519423308FF0000"),
        (1.01, "7E8#100B594233FFFF04"),
        (1.02, "7E0#3000000000000000"),
        (1.03, "7E8#2182C10087090000"),
    ];
    assert_eq!(
        texts(&lines).pop().unwrap(),
        "ReadDTCInformation answer: functional group 0x33, codes of SAE J2012-DA, format 04: \
         U0100-87 [testFailed confirmedDTC] severity 0x82 (check immediately, class A) (Missing \
         message)"
    );
    assert_eq!(
        answer("7E0#031901FF00000000", "7E8#065901FF01000100"),
        "ReadDTCInformation answer: 1 code, codes of ISO 14229-1"
    );
    assert_eq!(
        answer("7E0#0322F19000000000", "7E8#037F227800000000"),
        "ReadDataByIdentifier: request received, answer pending (0x78)"
    );
}

/// The receiver of a message for one unit asks for a lost packet again.
#[test]
fn a_lost_packet_is_sent_again() {
    let codes = |lines: &[(f64, &str)]| -> Vec<String> {
        texts(lines).into_iter().filter(|text| text.starts_with("active codes")).collect()
    };
    let whole = "active codes: SPN 110 FMI 3 (engine coolant temperature: voltage above normal or \
                 shorted high; 1 occurrence), SPN 190 FMI 4 (engine speed: voltage below normal or \
                 shorted low; 2 occurrences), SPN 639 FMI 9 (J1939 network 1: abnormal update \
                 rate; 1 occurrence); lamps: amber warning";
    let begin = [(1.0, "1CEC030B#100E0002FFCAFE00"), (1.02, "1CEC0B03#110201FFFFCAFE00")];
    let (first, second) = ("1CEB030B#0104FF6E000301BE", "1CEB030B#02000402 7F020901");
    let second = second.replace(' ', "");
    let second = second.as_str();
    // Nothing of it was recorded in vain: the receiver did not get the first.
    let mut again = begin.to_vec();
    again.extend([(1.04, first), (1.06, second), (1.1, "1CEC0B03#110101FFFFCAFE00")]);
    again.extend([(1.15, first), (1.2, "1CEC0B03#130E0002FFCAFE00")]);
    assert_eq!(codes(&again), [whole]);
    // The recording lacks the first one at first as the receiver did.
    let mut late = begin.to_vec();
    late.extend([(1.06, second), (1.1, "1CEC0B03#110101FFFFCAFE00"), (1.15, first)]);
    assert_eq!(codes(&late), [whole]);
    // The receiver has it all, the recording not.
    let mut lacks = begin.to_vec();
    lacks.extend([(1.06, second), (1.2, "1CEC0B03#130E0002FFCAFE00")]);
    assert_eq!(texts(&lacks).last().unwrap(), "incomplete, frame out of sequence: 0 of 14 bytes");
}

/// A truck: the engine (00) tells in DM1 that the transmission (03) is not heard, and with DM2 what
/// it remembers; the transmission falls silent from 20 to 27 s where it does.
fn truck(silent: bool, code: &str) -> Value {
    let mut lines: Vec<(f64, String)> = Vec::new();
    let sent = [
        ("0CF00400", 0.02, "F07D7D2020FFFFFF"),
        ("18FEF100", 0.1, "FF0040FFFFFFFFFF"),
        ("18FEEE00", 1.0, "64FFFFFFFFFFFFFF"),
        ("18FEF700", 1.0, "FFFFFFFF3002FFFF"),
        ("18F0010B", 0.1, "FFFFFFFFFFFFFFFF"),
        ("18FEBF0B", 0.1, "FFFFFFFFFFFFFFFF"),
        ("0CF00203", 0.01, "FFFFFFFFFFFFFFFF"),
        ("18F00503", 0.1, "FFFFFFFFFFFFFFFF"),
        ("18FEF817", 1.0, "FFFFFFFFFFFFFFFF"),
    ];
    for (place, (id, period, data)) in sent.into_iter().enumerate() {
        for count in 0..(60.0 / period) as usize {
            let time = count as f64 * period + place as f64 * 0.001;
            if !(silent && id.ends_with("03") && (20.0..27.0).contains(&time)) {
                lines.push((time, format!("{id}#{data}")));
            }
        }
    }
    for second in 0..60 {
        let active = if second > 20 { code } else { "00000000FFFF" };
        lines.push((f64::from(second) + 0.5, format!("18FECA00#14FF{active}")));
    }
    lines.push((50.25, "18FECB00#00FF6E000383FFFF".to_owned()));
    lines.sort_by(|a, b| a.0.total_cmp(&b.0));
    let lines: Vec<(f64, &str)> =
        lines.iter().map(|(time, line)| (1e9 + time, line.as_str())).collect();
    report(&lines)
}

/// The counter of occurrences stops at 126 (SAE J1939-73).
#[test]
fn a_counter_that_stopped_says_or_more() {
    let document = truck(true, "D307097EFFFF");
    let codes = document["codes"].as_array().unwrap();
    let code = codes.iter().find(|code| code["code"] == "SPN 2003 FMI 9").unwrap();
    assert_eq!(code["story"], "active now; 126 or more occurrences");
    assert_eq!(code["occurrences"], 126);
}

/// SPN 2003: source address 3. The frames confirm it, or they do not; no other module is taken for
/// it.
#[test]
fn a_trucks_code_names_the_address_it_misses() {
    let document = truck(true, "D3070902FFFF");
    let codes = document["codes"].as_array().unwrap();
    assert_eq!(codes.len(), 2, "{codes:?}");
    let code = codes.iter().find(|code| code["code"] == "SPN 2003 FMI 9").unwrap();
    assert_eq!(code["blames"], "address 0x03 (transmission 1)");
    assert_eq!(code["meaning"], "source address 0x03 (transmission 1): abnormal update rate");
    assert_eq!(code["story"], "active now; 2 occurrences");
    let old = codes.iter().find(|code| code["code"] == "SPN 110 FMI 3").unwrap();
    assert_eq!(old["old_conversion"], true);
    assert!(old["story"].as_str().unwrap().starts_with("previously active; 3 occurrences; packed"));
    let row = &document["blame"][0];
    assert_eq!((&row["blamed"], &row["verdict"]), (&code["blames"], &"confirmed".into()), "{row}");
    let lamps = &document["vehicle"]["lamps"][0];
    assert_eq!(lamps["module"], "address 0x00 (engine 1)");
    assert_eq!(
        (&lamps["malfunction"], &lamps["stop"], &lamps["warning"], &lamps["protect"]),
        (&false.into(), &true.into(), &true.into(), &false.into())
    );
    // Heard throughout.
    let row = truck(false, "D3070902FFFF")["blame"][0].clone();
    assert_eq!(row["verdict"], "contradicted", "{row}");
    // Source address 0x27 is not on this bus, and the silent one is not it.
    let row = truck(true, "F7070902FFFF")["blame"][0].clone();
    assert_eq!(
        (&row["verdict"], &row["blamed"]),
        (&"open".into(), &"address 0x27 (management computer 1)".into()),
        "{row}"
    );
}

/// Received data in error: of a silent module that is its silence, of one that is heard it is
/// something that it sends.
#[test]
fn data_in_error_accuse_only_who_is_silent() {
    assert_eq!(truck(true, "D3071302FFFF")["blame"][0]["verdict"], "confirmed");
    let heard = truck(false, "D3071302FFFF");
    assert_eq!(heard["blame"], serde_json::json!([]));
    assert_eq!(heard["codes"].as_array().unwrap().len(), 2);
    // The network itself names nobody.
    assert_eq!(truck(true, "7F020902FFFF")["blame"], serde_json::json!([]));
}

/// What the truck did when the transmission fell silent: from its own traffic.
#[test]
fn standard_signals_stand_beside_the_losses() {
    let document = truck(true, "00000000FFFF");
    let signals = document["signals"].as_array().unwrap();
    let told: Vec<(u64, &str, f64)> = signals
        .iter()
        .map(|own| {
            (
                own["spn"].as_u64().unwrap(),
                own["unit"].as_str().unwrap(),
                own["max"].as_f64().unwrap(),
            )
        })
        .collect();
    // Key switch and charging potential, and ambient air, are not told: all ones.
    assert_eq!(
        told,
        [(190, "rpm", 1028.0), (84, "km/h", 64.0), (168, "V", 28.0), (110, "°C", 60.0)]
    );
    let speed = &signals[0];
    assert_eq!(speed["module"], "address 0x00 (engine 1)");
    let series = speed["series"].as_array().unwrap();
    assert_eq!(series.len(), 600, "a bin of 0.1 s each");
    assert_eq!((&series[0][1], &series[0][2]), (&1028.0.into(), &1028.0.into()));
    let loss = &document["outages"][0];
    let values = loss["values"].as_array().unwrap();
    assert_eq!((values.len(), &values[0]["value"]), (4, &1028.0.into()), "{loss}");
    assert!(values[3]["age_s"].as_f64().unwrap() <= 1.1);
}

/// Identifiers of 29 bits on a channel that does not speak SAE J1939 tell nothing.
#[test]
fn what_is_no_truck_has_no_signals() {
    let lines: Vec<(f64, String)> = (0..600)
        .map(|step| {
            let id = ["0CF00400", "1A2B3C4D", "0B1234A5"][step % 3];
            (1e9 + step as f64 * 0.01, format!("{id}#F07D7D2020FFFFFF"))
        })
        .collect();
    let lines: Vec<(f64, &str)> = lines.iter().map(|(time, line)| (*time, line.as_str())).collect();
    assert_eq!(report(&lines)["signals"], serde_json::json!([]));
}

/// Severity and fault counter stand with the code.
#[test]
fn codes_keep_their_severity_and_counter() {
    let document = report(&[
        (1.0, "7E0#0519423308FF0000"),
        (1.01, "7E8#100B594233FFFF04"),
        (1.02, "7E0#3000000000000000"),
        (1.03, "7E8#2182C10087090000"),
        (2.0, "7E0#0219140000000000"),
        (2.01, "7E8#065914C10087FF00"),
    ]);
    let code = &document["codes"][0];
    assert_eq!(code["code"], "U0100-87");
    assert_eq!(
        (&code["fault_counter"], &code["severity"]),
        (&(-1).into(), &"severity 0x82 (check immediately, class A)".into()),
        "{code}"
    );
    assert!(code["story"].as_str().unwrap().contains("fault counter -1; severity 0x82"), "{code}");
}

#[test]
fn explained_codes_of_trucks_and_reserved_ones() {
    let explain = |code: &str| {
        let output = common::lostnode().args(["explain", code]).output().unwrap();
        let text = String::from_utf8(output.stdout).unwrap();
        text.split_whitespace().collect::<Vec<_>>().join(" ")
    };
    assert!(explain("C3100").contains("chassis code, reserved by the standard"));
    assert!(explain("P0305").contains("misfire, cylinder 5"));
    let airbag = explain("SPN 944 FMI 5");
    assert!(
        airbag.contains("driver airbag igniter loop") && airbag.contains("CAUTION"),
        "{airbag}"
    );
    assert!(explain("SPN 2003 FMI 9").contains("is not heard"));
    assert!(explain("SPN 2003 FMI 19").contains("marked invalid"));
}
