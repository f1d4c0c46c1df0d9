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
