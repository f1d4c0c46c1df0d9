//! Codes, status bits, services and their answers, by the tables of the standards; what reference
//! libraries say is compared in `diagnosis.rs`.

use lostnode_parsers::dtc::{Code, Status, System, two_byte_codes};
use lostnode_parsers::uds::{
    DtcReport, DtcsByStatus, IDENTIFICATION, Message, NEGATIVE, SERVICES, Storage,
    has_sub_function, identification, negative_text, service_of,
};

/// ISO 15031-6, 5.2 and 5.3: letter, first digit, and whether the standard or the maker defines the
/// number.
#[test]
fn numbers_of_codes() {
    for (text, base, system, generic) in [
        ("P0100", [0x01, 0x00], System::Powertrain, true),
        ("P1100", [0x11, 0x00], System::Powertrain, false),
        ("P2BFF", [0x2B, 0xFF], System::Powertrain, true),
        ("P33FF", [0x33, 0xFF], System::Powertrain, false),
        ("P3400", [0x34, 0x00], System::Powertrain, true),
        ("C0123", [0x41, 0x23], System::Chassis, true),
        ("C2123", [0x61, 0x23], System::Chassis, false),
        ("B0003", [0x80, 0x03], System::Body, true),
        ("B3003", [0xB0, 0x03], System::Body, false),
        ("U0100", [0xC1, 0x00], System::Network, true),
        ("U1100", [0xD1, 0x00], System::Network, false),
        ("U2100", [0xE1, 0x00], System::Network, false),
        ("U3FFF", [0xFF, 0xFF], System::Network, true),
    ] {
        let code = Code::parse(text).unwrap();
        assert_eq!(
            (code.base(), code.failure_type(), code.system(), code.is_generic()),
            (base, None, system, generic),
            "{text}"
        );
        assert_eq!((Code::new(base, None), code.to_string().as_str()), (code, text));
    }
    let with_type = Code::parse("U0100-87").unwrap();
    assert_eq!(
        (with_type.base(), with_type.failure_type(), with_type.to_string().as_str()),
        ([0xC1, 0x00], Some(0x87), "U0100-87")
    );
    for text in [
        "",
        "U",
        "X0100",
        "U010",
        "U01000",
        "U4000",
        "U01G0",
        "U0100-",
        "U0100-8",
        "U0100-877",
        "U0100-8G",
        "u0100",
        "U+100",
    ] {
        assert_eq!(Code::parse(text), None, "{text:?}");
    }
}

/// ISO 14229-1:2020, D.2: bits 0 to 3 and 5 tell of a fault; bits 4 and 6 of tests not run; bit 7
/// of a lamp.
#[test]
fn status_bits() {
    let faults: Vec<u32> = (0..8).filter(|bit| Status(1 << bit).is_fault()).collect();
    assert_eq!(faults, [0, 1, 2, 3, 5]);
    assert!(!Status(0).is_fault() && !Status(0xD0).is_fault());
    assert!(
        Status(0xEF).tested_since_clear()
            && !Status(0x10).tested_since_clear()
            && Status(0).tested_since_clear()
    );
    assert_eq!(
        Status(0x50).names().collect::<Vec<_>>(),
        ["testNotCompletedSinceLastClear", "testNotCompletedThisOperationCycle"]
    );
    let list: Vec<String> = two_byte_codes(&[0x01, 0x04, 0, 0, 0xC1, 0x21, 0x55])
        .map(|code| code.to_string())
        .collect();
    assert_eq!(list, ["P0104", "U0121"]);
}

/// ISO 14229-1:2020, 8.3 and 8.4: an answer's first byte is the request's and 0x40; 0x7F refuses.
#[test]
fn requests_and_answers() {
    for service in &SERVICES {
        assert_eq!(service_of(service.id), Some(service));
        assert_eq!(Message::parse(&[service.id, 1]), Message::Request { service, data: &[1] });
        assert_eq!(
            Message::parse(&[service.id + 0x40, 1]),
            Message::Positive { service, data: &[1] }
        );
    }
    assert_eq!(
        Message::parse(&[0x7F, 0x22, 0x31]),
        Message::Negative { service: 0x22, reason: 0x31 }
    );
    assert_eq!(
        (Message::parse(&[]), Message::parse(&[0x7F, 0x22]), Message::parse(&[0xBF])),
        (Message::Unknown, Message::Unknown, Message::Unknown)
    );
    assert_eq!(
        (service_of(0x15), has_sub_function(0x19), has_sub_function(0x22)),
        (None, true, false)
    );
}

#[test]
fn reasons_and_identifiers() {
    assert!(NEGATIVE.windows(2).all(|pair| pair[0].1 < pair[1].0), "in order, none twice");
    for (first, last, text) in NEGATIVE {
        assert_eq!((negative_text(first), negative_text(last)), (text, text));
    }
    assert_eq!(
        (negative_text(0x11), negative_text(0x78)),
        ("service not supported", "request received, answer pending")
    );
    assert_eq!(
        (negative_text(0x3A), negative_text(0x3B), negative_text(0x4F)),
        ("secured transmission could not be verified", "reserved reason", "reserved reason")
    );
    assert_eq!(
        (negative_text(0x00), negative_text(0x74), negative_text(0xFF)),
        ("reserved reason", "reserved reason", "reserved reason")
    );
    assert!(IDENTIFICATION.iter().all(|(did, name)| identification(*did) == Some(name)));
    assert_eq!((identification(0xF190), identification(0xF18D)), (Some("VIN"), None));
}

/// Code, status and what else a record has, as text.
fn records(message: &[u8]) -> Vec<String> {
    let record = |record: lostnode_parsers::uds::DtcRecord<'_>| {
        let mut out = record.code.to_string();
        record.status.iter().for_each(|status| out += &format!(" status {:02X}", status.0));
        record.snapshot.iter().for_each(|number| out += &format!(" snapshot {number}"));
        record.counter.iter().for_each(|counter| out += &format!(" counter {counter}"));
        record.severity.iter().for_each(|severity| out += &format!(" severity {severity:?}"));
        if record.data.is_empty() { out } else { out + &format!(" data {:02X?}", record.data) }
    };
    DtcReport::parse(message).unwrap().records().map(record).collect()
}

/// ISO 14230-3, service 18: as many codes as it says, each with its status; a list that is shorter
/// is none.
#[test]
fn code_lists_of_older_modules() {
    let list = |data: &[u8]| -> Option<Vec<(String, Storage)>> {
        let records = DtcsByStatus::parse(data)?.records();
        Some(records.map(|own| (own.code.to_string(), own.status.storage())).collect())
    };
    let own = |code: &str, storage| (code.to_owned(), storage);
    assert_eq!(
        list(&[4, 0xC1, 0x00, 0xE8, 0xC1, 0x21, 0x20, 0x93, 0x00, 0x40, 0x05, 0x62, 0x90, 0, 0]),
        Some(vec![
            own("U0100", Storage::Present),
            own("U0121", Storage::Stored),
            own("B1300", Storage::Maturing),
            own("P0562", Storage::NotDetected),
        ])
    );
    assert_eq!(list(&[1, 0, 0, 0]), Some(Vec::new()));
    assert_eq!(list(&[0]), Some(Vec::new()));
    assert_eq!((list(&[]), list(&[2, 0xC1, 0x00, 0xE0, 0xC1, 0x21])), (None, None));
}

/// ISO 14229-1:2020, 12.3: where the records of each report begin and how they are laid out.
#[test]
fn layouts_of_code_reports() {
    let code = [0xC1, 0x00, 0x87];
    let after = |head: &[u8], tail: &[u8]| [head, &code, tail].concat();
    for sub_function in [0x02, 0x0A, 0x0B, 0x0C, 0x0D, 0x0E, 0x0F, 0x13, 0x15] {
        assert_eq!(records(&after(&[sub_function, 0xFF], &[0x08])), ["U0100-87 status 08"]);
    }
    for sub_function in [0x01, 0x07, 0x11, 0x12] {
        let message = [sub_function, 0x2F, 1, 0x01, 0x02];
        let report = DtcReport::parse(&message).unwrap();
        assert_eq!(
            (report.sub_function, report.availability, report.format, report.count),
            (sub_function, Some(0x2F), Some(1), Some(0x102))
        );
        assert_eq!(report.records().count(), 0);
    }
    assert_eq!(records(&after(&[0x03], &[7])), ["U0100-87 snapshot 7"]);
    assert_eq!(records(&after(&[0x14], &[0xFE])), ["U0100-87 counter -2"]);
    for sub_function in [0x04, 0x06, 0x10] {
        assert_eq!(
            records(&after(&[sub_function], &[0x2F, 1, 2])),
            ["U0100-87 status 2F data [01, 02]"]
        );
    }
    for sub_function in [0x05, 0x16] {
        assert_eq!(records(&after(&[sub_function, 9], &[0x2F])), ["U0100-87 status 2F"]);
    }
    for sub_function in [0x08, 0x09] {
        assert_eq!(
            records(&after(&[sub_function, 0xFF, 0x20, 0x11], &[0x2F])),
            ["U0100-87 status 2F severity (32, Some(17))"]
        );
    }
    assert_eq!(records(&after(&[0x17, 4, 0xFF], &[0x2F])), ["U0100-87 status 2F"]);
    assert_eq!(DtcReport::parse(&after(&[0x17, 4, 0xFF], &[0x2F])).unwrap().memory, Some(4));
    for sub_function in [0x18, 0x19] {
        let message = after(&[sub_function, 4], &[0x2F, 1]);
        assert_eq!(
            (records(&message), DtcReport::parse(&message).unwrap().memory),
            (vec!["U0100-87 status 2F data [01]".to_owned()], Some(4))
        );
    }
    let message = after(&[0x42, 0x33, 0xFB, 0x1E, 4, 0x20], &[0x2F]);
    let report = DtcReport::parse(&message).unwrap();
    assert_eq!(
        (records(&message), report.availability, report.format),
        (vec!["U0100-87 status 2F severity (32, None)".to_owned()], Some(0xFB), Some(4))
    );
    for head in [&[0x55, 0x33, 0xFB, 4][..], &[0x56, 0x33, 0xFB, 4, 1]] {
        let message = after(head, &[0x2F]);
        let report = DtcReport::parse(&message).unwrap();
        assert_eq!(
            (records(&message), report.availability, report.format),
            (vec!["U0100-87 status 2F".to_owned()], Some(0xFB), Some(4))
        );
    }
    // Padding is no code, and what is left over is no record.
    assert_eq!(
        records(&after(&[0x02, 0xFF, 0, 0, 0, 0], &[0x08, 0xC1, 0x00])),
        ["U0100-87 status 08"]
    );
    for message in [
        &[][..],
        &[0x02],
        &[0x01, 0xFF, 1, 0],
        &[0x05],
        &[0x16],
        &[0x1B, 1, 2, 3],
        &[0x42, 1, 2, 3],
        &[0x56, 1, 2, 3],
    ] {
        assert_eq!(DtcReport::parse(message), None, "{message:02X?}");
    }
}
