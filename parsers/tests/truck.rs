//! SAE J1939: identifiers, names, codes and the transport, with values worked out by hand from the
//! layouts in `src/j1939.rs`.

use lostnode_parsers::ExtendedId;
use lostnode_parsers::j1939::{
    ADDRESSES, Control, Fields, Name, SIGNALS, address_name, battery_potential, codes,
    failure_mode, signal, signals_of,
};

fn fields(raw: u32) -> (u8, u32, Option<u8>, u8) {
    let fields = Fields::of(ExtendedId::new(raw).unwrap());
    (fields.priority, fields.pgn, fields.destination, fields.source)
}

#[test]
fn identifiers() {
    assert_eq!(fields(0x18FE_CA0B), (6, 0xFECA, None, 0x0B));
    // Formats below 240 name a destination, which is no part of the group.
    assert_eq!(fields(0x1CEC_0021), (7, 0xEC00, Some(0), 0x21));
    assert_eq!(fields(0x0CEF_3421), (3, 0xEF00, Some(0x34), 0x21));
    assert_eq!(fields(0x0CF0_0400), (3, 0xF004, None, 0));
    // Data page and extended data page are part of the group.
    assert_eq!(fields(0x01FE_CA0B), (0, 0x1FECA, None, 0x0B));
    // That of all (255, SAE J1939-21) names nobody.
    assert_eq!(fields(0x03EB_FF0B), (0, 0x3EB00, None, 0x0B));
}

#[test]
fn names_of_units() {
    // Arbitrary address capable, function 0x13, manufacturer 0x5A5, identity 0x12345.
    let name =
        Name::parse(&(1_u64 << 63 | 0x13 << 40 | 0x5A5 << 21 | 0x12345).to_le_bytes()).unwrap();
    assert_eq!((name.identity(), name.manufacturer(), name.function()), (0x12345, 0x5A5, 0x13));
    let fixed = Name::parse(&[0xFF, 0xFF, 0xFF, 0xFF, 0, 0, 0, 0x7F]).unwrap();
    assert_eq!((fixed.identity(), fixed.manufacturer(), fixed.function()), (0x1F_FFFF, 0x7FF, 0));
    assert_eq!(Name::parse(&[0; 7]), None);
}

#[test]
fn addresses() {
    assert!(ADDRESSES.iter().all(|(address, name)| address_name(*address) == Some(name)));
    assert!(ADDRESSES.is_sorted_by(|a, b| a.0 < b.0));
    assert_eq!((address_name(0x0B), address_name(0x77)), (Some("brakes, system controller"), None));
    // What can hurt: found by what its name says.
    for (address, part) in [
        (0x12, "fuel"),
        (0x49, "propulsion battery"),
        (0x50, "parking brake"),
        (0x53, "restraint"),
        (0x58, "restraint"),
        (0x61, "fuel cell"),
        (0xA0, "braking"),
    ] {
        assert!(address_name(address).unwrap().contains(part), "{address:02X}");
    }
}

/// SPN 168: 0.05 V a bit; from FB00 up it is no value.
#[test]
fn battery() {
    let volts = |low, high| battery_potential(&[0xFF, 0xFF, 0xFF, 0xFF, low, high, 0xFF, 0xFF]);
    assert_eq!(
        (volts(0x00, 0x01), volts(0xF4, 0x01), volts(0, 0)),
        (Some(12.8), Some(25.0), Some(0.0))
    );
    assert_eq!(
        (volts(0xFF, 0xFA), volts(0x00, 0xFB), volts(0xFF, 0xFF)),
        (Some(64_255.0 * 0.05), None, None)
    );
    assert_eq!(battery_potential(&[0; 5]), None);
}

/// Standard signals: the least and greatest value, and what is none.
#[test]
fn standard_signals() {
    let at = |spn, raw: [u8; 2]| {
        let signal = signal(spn).unwrap();
        let mut data = [0xFF; 8];
        data[signal.start..signal.start + signal.length].copy_from_slice(&raw[..signal.length]);
        assert!(signals_of(signal.pgn).any(|own| own == signal));
        assert_eq!(signal.decode(&data[..signal.start]), None);
        signal.decode(&data)
    };
    for (spn, raw, value) in [
        (190, [0xE0, 0x15], 700.0),
        (190, [0xFF, 0xFA], 8031.875),
        (84, [0x00, 0x50], 80.0),
        (158, [0x30, 0x02], 28.0),
        (167, [0x30, 0x02], 28.0),
        (168, [0x1A, 0x01], 14.1),
        (110, [0x28, 0x00], 0.0),
        (110, [0xFA, 0x00], 210.0),
        (171, [0x80, 0x24], 19.0),
    ] {
        assert_eq!(at(spn, raw).map(|value| (value * 1e3).round() / 1e3), Some(value), "{spn}");
    }
    for signal in &SIGNALS {
        assert_eq!(at(signal.spn, [0xFB, 0xFB]), None, "{}", signal.name);
        assert_eq!(at(signal.spn, [0xFF, 0xFF]), None, "{}", signal.name);
    }
    assert_eq!(signal(1), None);
}

/// DM1: lamps, then four bytes a code; the parameter number has its three highest bits above the
/// failure mode.
#[test]
fn active_codes() {
    let data = [
        0b01_00_11_01,
        0xFF,
        0x34,
        0x12,
        0xA3,
        0x85,
        0,
        0,
        0,
        0,
        0xFF,
        0xFF,
        0xFF,
        0xFF,
        0x7F,
        0x02,
        0x09,
        0x7F,
        0xAA,
    ];
    let (lamps, list) = codes(&data).unwrap();
    assert_eq!(
        (lamps.malfunction, lamps.stop, lamps.warning, lamps.protect),
        (true, false, false, true)
    );
    assert!(lamps.lit().eq(["malfunction indicator", "protect"]));
    let list: Vec<_> =
        list.map(|code| (code.spn, code.fmi, code.count, code.old_conversion)).collect();
    // Zero and all ones are no codes. The highest bit of the last byte is the conversion method.
    assert_eq!(list, [(0x5_1234, 3, 5, true), (639, 9, 127, false)]);
    let (lamps, list) = codes(&[0b00_01_01_00, 0xFF]).unwrap();
    assert_eq!(
        (lamps.malfunction, lamps.stop, lamps.warning, lamps.protect, list.count()),
        (false, true, true, false, 0)
    );
    assert!(codes(&[0]).is_none());
    // One bit of the parameter number is enough to be a code.
    assert_eq!(codes(&[0, 0, 0xFF, 0xFF, 0xDF, 0]).unwrap().1.next().unwrap().spn, 0x6_FFFF);
}

#[test]
fn failure_modes() {
    assert_eq!(
        (failure_mode(3), failure_mode(9)),
        (Some("voltage above normal or shorted high"), Some("abnormal update rate"))
    );
    assert_eq!(
        (failure_mode(21), failure_mode(22), failure_mode(30), failure_mode(31)),
        (Some("data drifted low"), None, None, Some("condition exists"))
    );
}

#[test]
fn connection_management() {
    let parse = |kind, length: u16, packets| {
        let [low, high] = length.to_le_bytes();
        Control::parse(&[kind, low, high, packets, 0xFF, 0xCA, 0xFE, 0x01])
    };
    assert_eq!(parse(32, 9, 2), Some(Control::Announce { length: 9, packets: 2, pgn: 0x1_FECA }));
    assert_eq!(
        parse(16, 1785, 255),
        Some(Control::Request { length: 1785, packets: 255, pgn: 0x1_FECA })
    );
    // Eight bytes need no transport, 1786 do not fit it, and the packets hold seven bytes each.
    for (length, packets) in [(8, 2), (1786, 0), (14, 3), (15, 2)] {
        assert_eq!(
            (parse(32, length, packets), parse(16, length, packets)),
            (None, None),
            "{length} bytes in {packets}"
        );
    }
    assert_eq!((parse(32, 14, 2).is_some(), parse(32, 15, 3).is_some()), (true, true));
    assert_eq!(
        (parse(17, 0, 0), parse(19, 0, 0), parse(255, 0, 0)),
        (Some(Control::Clear), Some(Control::End), Some(Control::Abort))
    );
    assert_eq!((parse(18, 9, 2), Control::parse(&[32, 9, 0, 2, 0xFF, 0, 0])), (None, None));
    // Groups have 18 bits.
    assert!(matches!(
        Control::parse(&[32, 9, 0, 2, 0xFF, 0xCA, 0xFE, 0xFD]),
        Some(Control::Announce { pgn: 0x1_FECA, .. })
    ));
}
