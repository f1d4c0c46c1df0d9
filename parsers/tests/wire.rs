//! Checksums, stuff bits and lengths against published values.

#[path = "common/bits.rs"]
mod bits;
mod common;

use bits::Bits;
use embedded_can::Frame as _;
use lostnode_parsers::candump::parse_line;
use lostnode_parsers::frame::{FD_LENGTHS, make_id};
use lostnode_parsers::wire::{INTERMISSION, Lanes, Shape, crc15, length};
use lostnode_parsers::{ClassicFrame, FdFlags, FdFrame, FrameKind};
use proptest::prelude::*;

fn frame(payload: &str) -> FrameKind {
    parse_line(format!("(0.000000) can0 {payload}").as_bytes()).unwrap().kind
}

/// Published car frame (github dominic-meads/CAN_2.0) and values computed independently for this
/// project, both from `facts/check-values.tsv`: payload, CRC-15, stuff bits, bits to the end of
/// frame.
#[test]
fn published_frames() {
    for (payload, crc, stuff, to_end_of_frame) in [
        ("0C1#4001087500000000", 0x5B40, 10, 118),
        ("014#01", 0x7753, 3, 55),
        ("7DF#02010C0000000000", 0x5649, 12, 120),
        ("7E8#04410C1AF8000000", 0x5389, 11, 119),
        ("000#0000000000000000", 0x145B, 16, 124),
        ("7FF#FFFFFFFFFFFFFFFF", 0x4C89, 15, 123),
        ("555#5555555555555555", 0x1B04, 1, 109),
    ] {
        let kind = frame(payload);
        let FrameKind::Classic(classic) = kind else { panic!("{payload} is classical") };
        let length = length(&kind).unwrap();
        assert_eq!(crc15(&classic), crc, "CRC of {payload}");
        assert_eq!(length.bits(), to_end_of_frame + INTERMISSION, "length of {payload}");
        let bits = Bits::of(&kind).unwrap();
        assert_eq!((bits.crc, bits.stuff), (u32::from(crc), stuff), "bits of {payload}");
    }
}

/// Every frame of `facts/vectors/frames_crc.json` (matched there by a second generator and the
/// kernel's length limits).
#[test]
fn vectors() {
    let Some(vectors) = common::vectors("frames_crc") else { return };
    let entries = vectors["entries"].as_array().unwrap();
    for entry in entries {
        let name = entry["name"].as_str().unwrap();
        let id = u32::from_str_radix(entry["id"].as_str().unwrap(), 16).unwrap();
        let id = make_id(id, entry["ext"].as_bool().unwrap()).unwrap();
        let data = common::bytes(entry["data"].as_str().unwrap());
        let flag = |key: &str| entry[key].as_bool().unwrap();
        let kind = if flag("fd") {
            FrameKind::Fd(
                FdFrame::new(id, &data, FdFlags { brs: flag("brs"), esi: flag("esi") }).unwrap(),
            )
        } else if flag("rtr") {
            FrameKind::Classic(
                ClassicFrame::new_remote(id, entry["dlc"].as_u64().unwrap() as usize).unwrap(),
            )
        } else {
            FrameKind::Classic(ClassicFrame::new(id, &data).unwrap())
        };
        let bits = Bits::of(&kind).unwrap();
        let text: String = bits.sent.iter().map(|bit| if *bit { '1' } else { '0' }).collect();
        assert_eq!(text, entry["bits"].as_str().unwrap(), "bits of {name}");
        assert_eq!(format!("{:X}", bits.crc), entry["crc"].as_str().unwrap(), "CRC of {name}");
        let length = length(&kind).unwrap();
        assert_eq!(
            u64::from(length.bits()),
            entry["bits_with_intermission"].as_u64().unwrap(),
            "length of {name}"
        );
        if let Some(phase) = entry["data_phase"].as_object() {
            let within = phase["dp_lo"].as_u64().unwrap()..=phase["dp_hi"].as_u64().unwrap();
            assert!(
                within.contains(&u64::from(length.data_phase)),
                "data phase of {name}: {}",
                length.data_phase
            );
        }
    }
    assert_eq!(entries.len(), 27);
}

/// The CRC crate's catalogue forms against five libraries (`facts/vectors/crc.json`) and the
/// catalogue's check values.
#[test]
fn catalogue() {
    use crc::{CRC_15_CAN, CRC_17_CAN_FD, CRC_21_CAN_FD, Crc};
    let (crc15, crc17, crc21) = (
        Crc::<u16>::new(&CRC_15_CAN),
        Crc::<u32>::new(&CRC_17_CAN_FD),
        Crc::<u32>::new(&CRC_21_CAN_FD),
    );
    assert_eq!(crc15.checksum(b"123456789"), 0x059E);
    assert_eq!(crc17.checksum(b"123456789"), 0x04F03);
    assert_eq!(crc21.checksum(b"123456789"), 0x0ED841);
    let Some(vectors) = common::vectors("crc") else { return };
    for entry in vectors["entries"].as_array().unwrap() {
        let data = common::bytes(entry["data"].as_str().unwrap());
        assert_eq!(format!("{:X}", crc15.checksum(&data)), entry["crc15"].as_str().unwrap());
        assert_eq!(format!("{:X}", crc17.checksum(&data)), entry["crc17"].as_str().unwrap());
        assert_eq!(format!("{:X}", crc21.checksum(&data)), entry["crc21"].as_str().unwrap());
    }
}

/// Without stuffing and at the worst, with interframe space: `linux/can/length.h` (2023), which for
/// the classical format equals 55 + 10n and 80 + 10n of Davis, Burns, Bril and Lukkien, Real-Time
/// Systems 35 (2007), formulas from memory.
fn bounds(kind: &FrameKind) -> (u16, u16) {
    let extended = matches!(kind.id().unwrap(), embedded_can::Id::Extended(_));
    let bytes = kind.bytes().len() as u16;
    match kind {
        FrameKind::Classic(_) if extended => (67 + 8 * bytes, 80 + 10 * bytes),
        FrameKind::Classic(_) => (47 + 8 * bytes, 55 + 10 * bytes),
        FrameKind::Fd(_) => {
            let head = if extended { 41 } else { 22 };
            let tail = if bytes <= 16 { 4 + 17 + 6 } else { 4 + 21 + 7 };
            let dynamic = (head + 8 * bytes - 1) / 4;
            let nominal = head + 8 * bytes + tail + 13;
            (nominal, nominal + dynamic)
        }
        FrameKind::Error(_) => unreachable!("error reports have no length"),
    }
}

#[test]
fn kernel_limits() {
    for (payload, nominal, worst) in [
        ("000#0000000000000000".to_owned(), 111, 135),
        ("00000000#0000000000000000".to_owned(), 131, 160),
        (format!("000##0{}", "00".repeat(64)), 579, 712),
        (format!("00000000##0{}", "00".repeat(64)), 598, 736),
    ] {
        assert_eq!(bounds(&frame(&payload)), (nominal, worst), "{payload}");
    }
}

prop_compose! {
    fn any_frame()(
        raw in any::<u32>(),
        extended in any::<bool>(),
        form in 0..3,
        code in 0..16usize,
        dlc in 0..=8usize,
        fill in prop_oneof![Just(None), any::<u8>().prop_map(Some)],
        data in any::<[u8; 32]>(),
        brs in any::<bool>(),
        esi in any::<bool>(),
    ) -> FrameKind {
        let id = make_id(if extended { raw & 0x1FFF_FFFF } else { raw & 0x7FF }, extended).unwrap();
        let mut bytes = [0; 64];
        bytes.iter_mut().enumerate().for_each(|(at, byte)| *byte = fill.unwrap_or(data[at % 32]));
        let length = usize::from(FD_LENGTHS[code]);
        match form {
            0 => FrameKind::Fd(FdFrame::new(id, &bytes[..length], FdFlags { brs, esi }).unwrap()),
            1 => FrameKind::Classic(ClassicFrame::new_remote(id, dlc).unwrap()),
            _ => FrameKind::Classic(ClassicFrame::new(id, &bytes[..dlc]).unwrap()),
        }
    }
}

/// Each of the 32 shapes has a number of its own; remote frames have no shape.
#[test]
fn shapes_are_told_apart() {
    let of = |extended, dlc: u8| {
        let frame = ClassicFrame::with_raw_dlc(
            make_id(0x123, extended).unwrap(),
            &[0; 8][..usize::from(dlc.min(8))],
            dlc,
        )
        .unwrap();
        Shape::of(frame).unwrap().number()
    };
    let numbers: std::collections::BTreeSet<usize> =
        (0..16).flat_map(|dlc| [of(false, dlc), of(true, dlc)]).collect();
    assert_eq!(numbers, (0..Shape::COUNT).collect());
    assert_eq!(
        Shape::of(ClassicFrame::new_remote(make_id(0x123, false).unwrap(), 8).unwrap()),
        None
    );
}

proptest! {
    #![proptest_config(ProptestConfig::with_cases(4000))]

    /// Table-driven checksum and length equal the bit-by-bit encoding, and the length stays within
    /// the published bounds.
    #[test]
    fn length_is_the_number_of_bits(kind in any_frame()) {
        let length = length(&kind).unwrap();
        let bits = Bits::of(&kind).unwrap();
        prop_assert_eq!(usize::from(length.bits()), bits.sent.len() + usize::from(INTERMISSION));
        if let FrameKind::Classic(classic) = kind {
            prop_assert_eq!(u32::from(crc15(&classic)), bits.crc);
        }
        let (nominal, worst) = bounds(&kind);
        let bits = length.bits();
        prop_assert!((nominal..=worst).contains(&bits), "{bits} not in {nominal}..={worst}");
    }

    /// Frames side by side have the lengths that each has by itself, bit for bit: of any width,
    /// length code and data, and of much to be stuffed.
    #[test]
    fn lanes_are_frames(
        ids in prop::collection::vec(prop_oneof![any::<u32>(), Just(0), Just(u32::MAX)], 128),
        extended in any::<bool>(),
        dlc in 0..16u8,
        data in prop::collection::vec(
            prop::array::uniform8(prop_oneof![any::<u8>(), Just(0), Just(0xFF), Just(0xF8)]),
            128,
        ),
    ) {
        let raw = |raw: u32| if extended { raw >> 3 } else { raw & 0x7FF };
        let frame = |at: usize| {
            let id = make_id(raw(ids[at]), extended).unwrap();
            ClassicFrame::with_raw_dlc(id, &data[at][..usize::from(dlc.min(8))], dlc).unwrap()
        };
        let frames: [ClassicFrame; 128] = std::array::from_fn(frame);
        let mut lanes = Lanes::default();
        frames.iter().enumerate().for_each(|(lane, frame)| lanes.put(lane, *frame));
        let shape = Shape::of(frames[0]).unwrap();
        prop_assert!(frames.iter().all(|frame| Shape::of(*frame) == Some(shape)));
        prop_assert!(shape.number() < Shape::COUNT);
        let kinds = frames.map(FrameKind::<FdFrame>::Classic);
        let alone = kinds.map(|kind| length(&kind).unwrap());
        prop_assert_eq!(lanes.lengths(shape), alone);
        for (kind, length) in kinds.iter().zip(alone) {
            let bits = Bits::of(kind).unwrap();
            prop_assert_eq!(usize::from(length.bits() - INTERMISSION), bits.sent.len());
        }
    }
}
