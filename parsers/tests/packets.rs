//! Packets of network captures and the reports of a CAN controller, by the layouts of the
//! link-layer registry and `linux/can/error.h`.

use embedded_can::Frame as _;
use lostnode_parsers::frame::make_id;
use lostnode_parsers::socketcan::{IdOrder, PacketFault, parse, parse_cooked};
use lostnode_parsers::{ClassicFrame, ErrorFrame, FdFlags, FdFrame, FrameKind, Id};

fn id(raw: u32, extended: bool) -> Id {
    make_id(raw, extended).unwrap()
}

/// A packet: identifier with its flags, length, FD flags, raw length code, data.
fn packet(id: u32, length: u8, flags: u8, code: u8, data: &[u8]) -> Vec<u8> {
    let mut packet = id.to_be_bytes().to_vec();
    packet.extend([length, flags, 0, code]);
    packet.extend(data);
    packet
}

fn big(id: u32, length: u8, flags: u8, code: u8, data: &[u8]) -> Result<FrameKind, PacketFault> {
    parse(&packet(id, length, flags, code, data), IdOrder::Big)
}

#[test]
fn classical_frames() {
    let data = [1, 2, 3, 4, 5, 6, 7, 8];
    let classic = |id, data| Ok(FrameKind::Classic(ClassicFrame::new(id, data).unwrap()));
    assert_eq!(big(0x123, 3, 0, 0, &data[..3]), classic(id(0x123, false), &data[..3]));
    assert_eq!(big(0x123, 8, 0, 0, &data), classic(id(0x123, false), &data));
    assert_eq!(big(0x8000_0123, 0, 0, 0, &[]), classic(id(0x123, true), &[]));
    assert_eq!(big(0x9FFF_FFFF, 1, 0, 0, &data[..1]), classic(id(0x1FFF_FFFF, true), &data[..1]));
    // What lies behind the data is padding.
    assert_eq!(big(0x123, 3, 0, 0, &data), classic(id(0x123, false), &data[..3]));
    assert_eq!(
        parse(&[0x23, 0x01, 0, 0x80, 1, 0, 0, 0, 9], IdOrder::Little),
        classic(id(0x123, true), &[9])
    );
    let remote =
        |dlc| Ok(FrameKind::Classic(ClassicFrame::new_remote(id(0x123, false), dlc).unwrap()));
    assert_eq!(
        (big(0x4000_0123, 5, 0, 0, &[]), big(0x4000_0123, 0, 0, 0, &[])),
        (remote(5), remote(0))
    );
    let coded =
        FrameKind::Classic(ClassicFrame::with_raw_dlc(id(0x123, false), &data, 13).unwrap());
    assert_eq!(
        (big(0x123, 8, 0, 13, &data), big(0x123, 8, 0, 8, &data)),
        (Ok(coded), classic(id(0x123, false), &data))
    );
    assert_eq!(big(0x123, 7, 0, 9, &data[..7]), Err(PacketFault::Length(7)));
}

#[test]
fn fd_frames() {
    let data = [7; 64];
    let fd = |length: usize, brs, esi| {
        Ok(FrameKind::Fd(
            FdFrame::new(id(0x123, false), &data[..length], FdFlags { brs, esi }).unwrap(),
        ))
    };
    assert_eq!(big(0x123, 8, 0x04, 0, &data[..8]), fd(8, false, false));
    assert_eq!(
        (big(0x123, 8, 0x05, 0, &data[..8]), big(0x123, 8, 0x06, 0, &data[..8])),
        (fd(8, true, false), fd(8, false, true))
    );
    // More than eight bytes say so by themselves.
    assert_eq!(big(0x123, 12, 0, 0, &data[..12]), fd(12, false, false));
    assert_eq!(big(0x123, 9, 0, 0, &data[..9]), Err(PacketFault::Length(9)));
    assert_eq!(big(0x4000_0123, 0, 0x04, 0, &[]), Err(PacketFault::Identifier(0x4000_0123)));
}

#[test]
fn what_is_no_frame() {
    assert_eq!(big(0x800, 0, 0, 0, &[]), Err(PacketFault::Identifier(0x800)));
    assert_eq!(
        (big(0x123, 3, 0, 0, &[1, 2]), parse(&[0; 7], IdOrder::Big)),
        (Err(PacketFault::Short(11, 10)), Err(PacketFault::Short(8, 7)))
    );
    for flags in [0xA000_0004, 0x6000_0004] {
        assert_eq!(big(flags, 0, 0, 0, &[]), Err(PacketFault::Identifier(flags)));
    }
    assert_eq!(big(0x2000_0004, 9, 0, 0, &[0; 9]), Err(PacketFault::Length(9)));
    let report = ErrorFrame::new(0x4, &[0, 1, 0, 0, 0, 0, 0, 0]).unwrap();
    assert_eq!(big(0x2000_0004, 8, 0, 0, &[0, 1, 0, 0, 0, 0, 0, 0]), Ok(FrameKind::Error(report)));
    let texts = [
        PacketFault::Short(8, 7),
        PacketFault::OtherProtocol(0x800),
        PacketFault::Identifier(0x800),
        PacketFault::Length(9),
    ]
    .map(|fault| fault.to_string());
    assert_eq!(texts[0], "8 bytes expected, 7 found");
    assert!(
        texts[1].contains("0x0800")
            && texts[2].contains("0x00000800")
            && texts[3].contains("9 data bytes")
    );
}

/// The cooked header: packet type, hardware type at 2, protocol at 14, most significant byte first.
#[test]
fn cooked_packets() {
    let cooked = |hardware: u16, protocol: u16, frame: &[u8]| {
        let mut packet = vec![0, 1];
        packet.extend(hardware.to_be_bytes());
        packet.extend([0; 10]);
        packet.extend(protocol.to_be_bytes());
        packet.extend(frame);
        parse_cooked(&packet, IdOrder::Big)
    };
    let frame = packet(0x123, 2, 0, 0, &[5, 6]);
    assert_eq!(
        cooked(280, 0x000C, &frame),
        Ok(FrameKind::Classic(ClassicFrame::new(id(0x123, false), &[5, 6]).unwrap()))
    );
    let fd = FdFrame::new(id(0x123, false), &[5, 6], FdFlags::default()).unwrap();
    assert_eq!(cooked(280, 0x000D, &frame), Ok(FrameKind::Fd(fd)));
    assert_eq!(
        (cooked(1, 0x000C, &frame), cooked(280, 0x0800, &frame)),
        (Err(PacketFault::OtherProtocol(0x000C)), Err(PacketFault::OtherProtocol(0x0800)))
    );
    assert_eq!(
        (cooked(280, 0x000C, &[]), parse_cooked(&[0; 15], IdOrder::Big)),
        (Err(PacketFault::Short(8, 0)), Err(PacketFault::Short(16, 15)))
    );
}

fn error(class: u32, data: [u8; 8]) -> ErrorFrame {
    ErrorFrame::new(class, &data).unwrap()
}

#[test]
fn reports_of_the_controller() {
    assert!(ErrorFrame::new(0x4, &[0; 9]).is_none());
    let names = |class| error(class, [0; 8]).classes().collect::<Vec<_>>();
    assert_eq!(
        (names(0x48), names(0x3), names(0)),
        (vec!["protocol", "bus-off"], vec!["tx-timeout", "lost-arbitration"], vec![])
    );
    let details = |class, data| error(class, data).details().collect::<Vec<_>>();
    assert_eq!(
        details(0x04, [0, 0x24, 0xFF, 0, 0xFF, 0, 0, 0]),
        ["receive warning", "transmit passive"]
    );
    assert_eq!(
        details(0x08, [0, 0xFF, 0x05, 0, 0xFF, 0, 0, 0]),
        ["single bit error", "bit stuffing error"]
    );
    // Each wire has half a byte, and its codes are numbers, not bits.
    assert_eq!(
        details(0x10, [0, 0, 0, 0, 0x75, 0, 0, 0]),
        ["CAN-H: short to battery", "CAN-L: short to ground"]
    );
    assert_eq!(
        (details(0x10, [0, 0, 0, 0, 0x04, 0, 0, 0]), details(0x10, [0, 0, 0, 0, 0x80, 0, 0, 0])),
        (vec!["CAN-H: no wire"], vec!["CAN-L: short to CAN-H"])
    );
    assert_eq!((details(0x10, [0; 8]), details(0x00, [0xFF; 8])), (vec![], vec![]));
}

/// ISO 11898-1:2015, 10.4.2: the remote bit of a long frame (0x0C) still belongs to the
/// arbitration, what follows does not.
#[test]
fn where_arbitration_ends() {
    let place = |place| error(0x08, [0, 0, 0, place, 0, 0, 0, 0]).is_after_arbitration();
    assert_eq!([0x04, 0x0F, 0x0C].map(place), [Some(false); 3]);
    assert_eq!([0x0D, 0x09, 0x0B].map(place), [Some(true); 3]);
}

#[test]
fn what_a_report_is_about() {
    let overflow = |class, first| error(class, [0, first, 0, 0, 0, 0, 0, 0]).is_receive_overflow();
    assert_eq!(
        (overflow(0x04, 0x01), overflow(0x04, 0x02), overflow(0x08, 0x01), overflow(0x04, 0x03)),
        (true, false, false, true)
    );
    assert_eq!((error(0x40, [0; 8]).is_bus_off(), error(0x80, [0; 8]).is_bus_off()), (true, false));
    let about_the_bus: Vec<u32> = (0..10)
        .map(|bit| 1 << bit)
        .filter(|class| error(*class, [0; 8]).is_about_the_bus())
        .collect();
    assert_eq!(about_the_bus, [0x08, 0x10, 0x20, 0x40, 0x80]);
    let counters = [0, 0, 0, 0, 0, 0, 96, 127];
    assert_eq!(
        (error(0x200, counters).counters(), error(0x100, counters).counters()),
        (Some((96, 127)), None)
    );
    assert_eq!(ErrorFrame::new(0x200, &counters[..7]).unwrap().counters(), None);
    assert_eq!(
        (error(0x123, counters).class(), error(0x123, counters).bytes()),
        (0x123, &counters[..])
    );
}
