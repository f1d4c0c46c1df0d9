//! Requests and answers as frames: segmentation and flow control of ISO 15765-2, with padding.

use lostnode_parsers::embedded_can::Frame as _;
use lostnode_parsers::frame::{make_id, raw_id};
use lostnode_parsers::{ClassicFrame, Id};

use super::scenario::{Payload, Scenario};
use crate::fold::timing::nanoseconds;

/// A frame that wants the bus at a time.
pub(super) struct Wanted {
    pub time: i64,
    pub id: Id,
    pub frame: ClassicFrame,
}

/// Padding of unused bytes; any value is allowed, this one needs few stuff bits.
const PADDING: u8 = 0xAA;
/// Time a module takes to answer, and between the frames of a message, in seconds.
const ANSWER: f64 = 0.012;
const STEP: f64 = 0.002;

/// All frames of the exchanges on a channel, in order of time.
pub(super) fn frames(scenario: &Scenario, channel: usize) -> Vec<Wanted> {
    let mut out = Vec::new();
    for exchange in &scenario.exchanges {
        let own = exchange.channel.as_ref().map_or(Some(0), |name| scenario.channel(name));
        if own != Some(channel) {
            continue;
        }
        let first = exchange.answers.first().map_or(exchange.request.id, |answer| answer.id);
        let mut time = segment(&exchange.request, first, exchange.at, &mut out);
        for answer in &exchange.answers {
            // A request to all is sent with an identifier of its own; flow control goes to the
            // module alone.
            let tester = match (exchange.request.id, answer.id) {
                (Id::Standard(request), Id::Standard(answer)) if request.as_raw() == 0x7DF => {
                    make_id(raw_id(Id::Standard(answer)) - 8, false)
                }
                (request, _) => Some(request),
            };
            time = segment(answer, tester.unwrap_or(exchange.request.id), time + ANSWER, &mut out);
        }
    }
    out.sort_by_key(|wanted| wanted.time);
    out
}

/// Frames of one message from `at` on; when its last one is sent.
fn segment(payload: &Payload, receiver: Id, at: f64, out: &mut Vec<Wanted>) -> f64 {
    let mut send = |time: f64, id: Id, bytes: &[u8]| {
        let mut data = [PADDING; 8];
        data[..bytes.len()].copy_from_slice(bytes);
        out.extend(ClassicFrame::new(id, &data).map(|frame| Wanted {
            time: nanoseconds(time),
            id,
            frame,
        }));
    };
    let data = payload.data.as_slice();
    if data.len() <= 7 {
        send(at, payload.id, &[&[data.len() as u8], data].concat());
        return at;
    }
    let (head, rest) = data.split_at(6);
    send(at, payload.id, &[&[0x10 | (data.len() >> 8) as u8, data.len() as u8], head].concat());
    send(at + STEP, receiver, &[0x30, 0, 0]);
    let mut time = at + STEP;
    for (number, part) in rest.chunks(7).enumerate() {
        time += STEP;
        send(time, payload.id, &[&[0x20 | (number + 1) as u8 & 0x0F], part].concat());
    }
    time
}
