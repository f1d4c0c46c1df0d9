//! What is fuzzed; `tests/corpora.rs` replays what was found through the same functions.

#[path = "../parsers/tests/common/bits.rs"]
mod bits;

use bits::Bits;
use lostnode::capture::{self, Source};
use lostnode::fault::advice;
use lostnode::render::Renderer;
use lostnode::render::html::Html;
use lostnode::render::json::Json;
use lostnode::render::text::Text;
use lostnode::wiring_file::WiringFile;
use lostnode_parsers::isotp::{Pdu, Reassembler};
use lostnode_parsers::socketcan::IdOrder;
use lostnode_parsers::{
    FrameKind, Timestamp, candump, candump_fast, console, dtc, j1939, log_forms, obd, socketcan,
    uds, wire,
};

/// Every parser on any bytes: none may panic, and two readings of the same thing must agree.
pub fn parsers(data: &[u8]) {
    let record = candump::parse_line(data);
    assert_eq!(record, candump::parse_line_by_grammar(data));
    if let Ok(record) = record {
        frame(&record.kind);
        if let (Some(time), Ok(channel)) = (record.time, std::str::from_utf8(record.channel)) {
            let line = candump::Line { time, channel, kind: &record.kind }.to_string();
            assert_eq!(
                candump::parse_line(line.as_bytes()).map(|again| again.kind),
                Ok(record.kind)
            );
        }
    }
    fast_path(data);
    if let Ok(record) = console::parse_line(data) {
        frame(&record.kind);
    }
    let _ = (console::is_note(data), log_forms::is_xl(data), log_forms::dropped(data));
    if let Ok(record) = log_forms::parse_line(data) {
        frame(&record.kind);
    }
    for order in [IdOrder::Big, IdOrder::Little] {
        let cooked = socketcan::parse_cooked_2(data, order).map(|(kind, _)| kind);
        let plain = socketcan::parse(data, order);
        for kind in [plain, socketcan::parse_cooked(data, order), cooked].into_iter().flatten() {
            frame(&kind);
            let packet = socketcan::Packet::of(&kind);
            assert_eq!(socketcan::parse(packet.bytes(), IdOrder::Big), Ok(kind));
        }
    }
    diagnosis(data);
    transport(data);
}

/// What is read in wide steps is what the grammar reads, whatever the lines before were.
fn fast_path(data: &[u8]) {
    let text = [data, b"\n", data, b"\n", &[b'0'; candump_fast::WINDOW]].concat();
    let (mut rest, mut reader) = (&text[..], candump_fast::Reader::default());
    while let Some(end) = rest.iter().position(|byte| *byte == b'\n') {
        if let Some(line) = reader.first_line(rest) {
            assert_eq!(line.used, end + 1);
            let own = &rest[..end];
            let record =
                candump::parse_line_by_grammar(own.strip_suffix(b"\r").unwrap_or(own)).unwrap();
            assert_eq!(
                (record.time, record.kind, record.direction),
                (Some(line.time), FrameKind::Classic(line.frame), line.direction)
            );
            assert_eq!(record.channel, &line.channel[..usize::from(line.channel_length)]);
        }
        rest = &rest[end + 1..];
    }
}

fn frame(kind: &FrameKind) {
    // The bits end with the end of frame, the length with the space behind it.
    let count = Bits::of(kind).map(|bits| bits.sent.len() as u16 + wire::INTERMISSION);
    assert_eq!(wire::length(kind).map(wire::Length::bits), count);
    if let FrameKind::Classic(classic) = kind
        && let Some(shape) = wire::Shape::of(*classic)
    {
        let (mut lanes, lane) = (
            wire::Lanes::default(),
            usize::from(classic.bytes().first().copied().unwrap_or(0)) % wire::Lanes::COUNT,
        );
        lanes.put(lane, *classic);
        assert_eq!(Some(lanes.lengths(shape)[lane]), wire::length(kind));
    }
    if let FrameKind::Error(error) = kind {
        let _ = (error.classes().count(), error.details().count(), error.counters());
    }
}

fn diagnosis(data: &[u8]) {
    let _ = uds::Message::parse(data);
    if let Some(report) = uds::DtcReport::parse(data) {
        let _ = report.records().count();
    }
    let _ = uds::DtcsByStatus::parse(data).map(|list| list.records().count());
    if let Some((pid, rest)) = data.split_first() {
        let _ = (
            obd::values(*pid, rest).count(),
            obd::coded(*pid, rest).count(),
            obd::supported(*pid, rest).count(),
        );
    }
    let _ =
        (obd::answers(data).count(), obd::Readiness::parse(data), obd::test_results(data).count());
    for code in dtc::two_byte_codes(data) {
        let _ = advice::points_at(code);
    }
    if let Some((_, codes)) = j1939::codes(data) {
        let _ = codes.count();
    }
    let _ = (j1939::Control::parse(data), j1939::Name::parse(data), j1939::battery_potential(data));
    if let Ok(text) = std::str::from_utf8(data) {
        let _ = dtc::Code::parse(text);
    }
}

/// The bytes as frames of one sender: the first of nine says how long each is.
fn transport(data: &[u8]) {
    let mut reassembler = Reassembler::<64>::default();
    for (at, part) in data.chunks(9).enumerate() {
        let (length, bytes) = (usize::from(part[0] & 0xF).min(part.len() - 1), &part[1..]);
        let now = Some(Timestamp::from_nanoseconds(at as i64 * i64::from(part[0]) * 10_000_000));
        if let Ok(pdu) = Pdu::parse(&bytes[..length], usize::from(part[0] >> 7)) {
            let _ = reassembler.push(now, pdu, length);
        }
        let _ = (
            reassembler.flow_control(now, part[0] & 3),
            reassembler.expire(now),
            reassembler.message().len(),
        );
    }
}

/// A wiring file or a harness description of any bytes: what is read and written again is the same.
pub fn wiring(data: &[u8]) {
    let Ok(text) = std::str::from_utf8(data) else { return };
    let Ok(file) = WiringFile::parse(text) else { return };
    if file.described.is_some() {
        return;
    }
    let again = WiringFile::parse(&file.write("fuzz", &[])).expect("what was written");
    let told = |file: &WiringFile| -> Vec<_> {
        let own = file.elements.iter();
        own.map(|own| (own.name.clone(), own.kind, own.carries, own.feeds.len())).collect()
    };
    assert_eq!(told(&file), told(&again));
}

/// From any bytes to the whole report, in every form; cut at other places, the same report.
pub fn report(data: &[u8]) {
    // Parquet is read by a library that panics on damage, which is caught; a fuzzer would not see
    // it so. tests/tables.rs damages Parquet instead.
    if data.starts_with(b"PAR1") {
        return;
    }
    let of = |threads: usize, chunk: usize, grouped: bool| {
        let source = Source::Bytes { name: "fuzz".to_owned(), bytes: data.to_vec() };
        let reading = capture::Options { threads, chunk, grouped, ..capture::Options::default() };
        let options = lostnode::Options { reading, ..lostnode::Options::default() };
        let analysis = lostnode::analyse(source, &options).ok()?;
        let mut json = Vec::new();
        Json.render(&analysis, &mut json).ok()?;
        Some((analysis, json))
    };
    let whole = of(1, 1 << 18, true);
    let cut = of(1, 50, false);
    assert_eq!(whole.as_ref().map(|(_, json)| json), cut.as_ref().map(|(_, json)| json));
    if let Some((analysis, _)) = whole {
        let mut out = Vec::new();
        let _ = (Text::default().render(&analysis, &mut out), Html.render(&analysis, &mut out));
        // What comes from the capture must not steer a terminal.
        let text = String::from_utf8_lossy(&out);
        assert!(
            text.chars().all(|c| !c.is_control() || matches!(c, '\n' | '\t' | '\r' | '\u{1b}')),
            "a control character came through"
        );
    }
}
