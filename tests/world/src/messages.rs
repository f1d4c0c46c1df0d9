//! Draws the messages of each unit.

use std::collections::HashSet;

use crate::draw::Draw;
use crate::family::Shape;
use crate::frame::bits_about;
use crate::kinds::{CAR, TRUCK};
use crate::vehicle::{Cadence, Counter, Holds, Message, Vehicle};

/// Periods in seconds and their weights, by pace of the unit.
const PERIODS: [f64; 14] =
    [0.01, 0.012, 0.02, 0.024, 0.03, 0.04, 0.05, 0.1, 0.2, 0.25, 0.3, 0.5, 0.66, 1.0];
const PACES: [[f64; 14]; 3] = [
    [5.0, 1.0, 6.0, 0.5, 0.5, 1.0, 3.0, 6.0, 1.0, 0.3, 0.3, 1.5, 0.2, 2.0],
    [0.5, 0.1, 3.0, 0.3, 0.3, 1.0, 3.0, 8.0, 3.0, 0.6, 0.6, 3.0, 0.5, 4.0],
    [0.0, 0.0, 0.3, 0.0, 0.0, 0.3, 1.0, 6.0, 3.0, 0.6, 1.0, 4.0, 0.6, 6.0],
];

/// Parameter groups of SAE J1939 by source address and period, from memory.
const GROUPS: [(u8, u32, f64); 20] = [
    (0x00, 0x0CF0_0300, 0.05),
    (0x00, 0x18FE_EE00, 1.0),
    (0x00, 0x18FE_EF00, 0.5),
    (0x00, 0x18FE_F200, 0.1),
    (0x00, 0x18FE_DF00, 0.5),
    (0x00, 0x18FE_F600, 0.5),
    (0x00, 0x18FE_F500, 1.0),
    (0x00, 0x18FD_7C00, 1.0),
    (0x03, 0x0CF0_0200, 0.01),
    (0x03, 0x18F0_0500, 0.1),
    (0x03, 0x18FE_F800, 1.0),
    (0x0B, 0x18F0_0100, 0.1),
    (0x0B, 0x18FE_BF00, 0.1),
    (0x0B, 0x0C00_0000, 0.02),
    (0x0F, 0x18F0_0000, 0.1),
    (0x10, 0x18F0_0000, 0.1),
    (0x17, 0x18FE_C100, 1.0),
    (0x21, 0x18FE_F100, 0.1),
    (0x2F, 0x18FE_5A00, 0.1),
    (0x3D, 0x18FD_3E00, 0.5),
];

/// Fills in all messages, within a frame rate and a load drawn for the vehicle.
pub fn fill(vehicle: &mut Vehicle, shape: &Shape, draw: &mut Draw) {
    let mut used = HashSet::new();
    let most = draw.log(1.5, 9.0);
    let managed = draw.yes(shape.management);
    let aim = Aim { load: draw.log(0.12, 0.85), frames: draw.log(300.0, 2600.0) };
    let mut counted = Vec::new();
    for place in 0..vehicle.nodes.len() {
        counted.push(if draw.yes(shape.counterless) {
            0.0
        } else {
            draw.between(shape.counters.0, shape.counters.1)
        });
        let many = (draw.wait(most) as usize + 1).min(14);
        let mut list = if vehicle.truck { groups(vehicle, place, draw) } else { Vec::new() };
        while list.len() < many {
            list.push(message(vehicle, place, &mut used, draw));
        }
        if managed && !vehicle.truck {
            list.push(management(vehicle, place, &mut used, draw));
        }
        if !vehicle.truck && draw.yes(shape.announcing) {
            let id = identifier(vehicle, place, 1.0, &mut used, draw);
            list.push(blank(id, 1.0, Cadence::Once, Holds::Signals, draw));
        }
        vehicle.nodes[place].messages = list;
    }
    for channel in 0..vehicle.rates.len() {
        thicken(vehicle, channel, &aim, &mut used, draw);
        thin(vehicle, channel, &aim, draw);
    }
    for (node, share) in vehicle.nodes.iter_mut().zip(counted) {
        for message in &mut node.messages {
            if message.holds == Holds::Signals && draw.yes(share) {
                message.counter = counter(message.length, shape, draw);
                message.check = message.length > 2 && draw.yes(0.5);
            }
        }
    }
}

/// Load and frames a second that a vehicle's channels are to have at most.
struct Aim {
    load: f64,
    frames: f64,
}

/// Share of the aim, the larger of load and frames.
fn filled(vehicle: &Vehicle, channel: usize, aim: &Aim) -> f64 {
    let (mut frames, mut bits) = (0.0, 0.0);
    for node in vehicle.nodes.iter().filter(|node| node.channel == channel) {
        for message in &node.messages {
            if !matches!(message.cadence, Cadence::Event(..) | Cadence::Once) {
                frames += 1.0 / message.period;
                bits += bits_about(message.length, vehicle.extended) / message.period;
            }
        }
    }
    (bits / vehicle.rates[channel] / aim.load).max(frames / aim.frames)
}

/// Adds messages until most of the aim is reached.
fn thicken(
    vehicle: &mut Vehicle,
    channel: usize,
    aim: &Aim,
    used: &mut HashSet<u32>,
    draw: &mut Draw,
) {
    for _ in 0..120 {
        let place = draw.whole(0, vehicle.nodes.len() - 1);
        if filled(vehicle, channel, aim) > 0.6 {
            return;
        }
        if vehicle.nodes[place].channel == channel && vehicle.nodes[place].messages.len() < 16 {
            let message = message(vehicle, place, used, draw);
            vehicle.nodes[place].messages.push(message);
        }
    }
}

fn message(vehicle: &Vehicle, place: usize, used: &mut HashSet<u32>, draw: &mut Draw) -> Message {
    let kinds: &[crate::kinds::Kind] = if vehicle.truck { &TRUCK } else { &CAR };
    let address = vehicle.nodes[place].address;
    let pace = kinds.iter().find(|kind| kind.address == address).map_or(1, |kind| kind.pace);
    let period = PERIODS[draw.weigh(&PACES[usize::from(pace)])];
    let cadence = match draw.weigh(&[0.9, 0.07, 0.03]) {
        0 => Cadence::Periodic,
        1 => Cadence::Event(draw.log(2.0, 60.0), draw.pick(&[1, 1, 3, 5])),
        _ => Cadence::Pausing(draw.between(6.0, 40.0), draw.between(0.5, 4.0)),
    };
    let period = match cadence {
        Cadence::Event(..) => draw.pick(&[0.02, 0.05, 0.1]),
        _ => period,
    };
    let id = identifier(vehicle, place, period, used, draw);
    blank(id, period, cadence, Holds::Signals, draw)
}

fn blank(id: u32, period: f64, cadence: Cadence, holds: Holds, draw: &mut Draw) -> Message {
    // 8 bytes in four of five identifiers of the open captures.
    let length = if draw.yes(0.8) { 8 } else { draw.whole(1, 7) };
    let idle = draw.pick(&[0x00, 0xFF, 0x00]);
    let mut fixed = [idle; 8];
    for byte in &mut fixed {
        if draw.yes(0.4) {
            *byte = draw.bits() as u8;
        }
    }
    Message {
        id,
        length: if holds == Holds::Signals { length } else { 8 },
        period,
        cadence,
        holds,
        counter: None,
        check: false,
        routed: draw.yes(0.35),
        fixed,
        moving: if draw.yes(0.7) { draw.bits() as u8 & draw.bits() as u8 } else { 0 },
        phase: draw.unit() * period,
        late: draw.unit(),
    }
}

/// Fast messages have low identifiers as a rule, with much scatter.
fn identifier(
    vehicle: &Vehicle,
    place: usize,
    period: f64,
    used: &mut HashSet<u32>,
    draw: &mut Draw,
) -> u32 {
    loop {
        let id = if vehicle.truck {
            let group = draw.pick(&[0x18FF_0000u32, 0x0CFF_0000, 0x18FF_0000, 0x1CFF_0000]);
            group | (draw.whole(0, 255) as u32) << 8 | u32::from(vehicle.nodes[place].address)
        } else if vehicle.extended {
            0x0200_0000 + (draw.whole(0, 0x17FF) as u32) * 0x1000 + (place as u32) * 0x20
        } else {
            let middle = 0x120 as f64 + 0x2C0 as f64 * (period / 0.01).log10() / 2.0;
            draw.normal(middle, 120.0).clamp(1.0, 1750.0) as u32
        };
        if used.insert(id) {
            return id;
        }
    }
}

fn groups(vehicle: &Vehicle, place: usize, draw: &mut Draw) -> Vec<Message> {
    let address = vehicle.nodes[place].address;
    let mut list = Vec::new();
    for (owner, group, period) in GROUPS {
        if owner == address && draw.yes(0.7) {
            list.push(blank(
                group | u32::from(address),
                period,
                Cadence::Periodic,
                Holds::Signals,
                draw,
            ));
        }
    }
    if address == 0 {
        list.push(blank(0x0CF0_0400, 0.02, Cadence::Periodic, Holds::Speed, draw));
        list.push(blank(0x18FE_F700, 1.0, Cadence::Periodic, Holds::Volts, draw));
    }
    if draw.yes(0.8) {
        let id = 0x18FE_CA00 | u32::from(address);
        list.push(blank(id, 1.0, Cadence::Periodic, Holds::Troubles, draw));
    }
    list
}

/// Frames of network management: OSEK at 500 to 1000 ms, AUTOSAR at 200 to 1000 ms; from memory.
fn management(
    vehicle: &Vehicle,
    place: usize,
    used: &mut HashSet<u32>,
    draw: &mut Draw,
) -> Message {
    let mut id = if vehicle.extended { 0x1B00_0000 } else { 0x500 } + place as u32;
    while !used.insert(id) {
        id += 0x20;
    }
    let period = draw.pick(&[0.2, 0.5, 1.0]);
    blank(id, period, Cadence::Periodic, Holds::Management, draw)
}

fn counter(length: usize, shape: &Shape, draw: &mut Draw) -> Option<Counter> {
    let (width, modulo) = [(2, 4), (4, 16), (8, 256), (4, 15)][draw.weigh(&shape.widths)];
    let start = match draw.weigh(&shape.starts) {
        0 => Some(0),
        1 => Some(1),
        2 => None,
        _ => Some(draw.whole(0, modulo as usize - 1) as u32),
    };
    let byte = if draw.yes(0.6) { length - 1 } else { draw.whole(0, length - 1) };
    let byte = if length > 2 { byte.min(length - 2) } else { byte };
    let shift = if width == 8 { 0 } else { draw.pick(&[0, 4]) };
    Some(Counter { byte, shift, width, modulo, start })
}

/// Slows messages down until load and frame rate are within the aim.
fn thin(vehicle: &mut Vehicle, channel: usize, aim: &Aim, draw: &mut Draw) {
    while filled(vehicle, channel, aim) > 1.0 {
        slow_one(vehicle, channel, draw);
    }
}

/// The fastest message becomes slower: it keeps its identifier.
fn slow_one(vehicle: &mut Vehicle, channel: usize, draw: &mut Draw) {
    let fastest = vehicle
        .nodes
        .iter_mut()
        .filter(|node| node.channel == channel)
        .flat_map(|node| node.messages.iter_mut())
        .filter(|message| message.period < 1.0)
        .min_by(|a, b| a.period.total_cmp(&b.period).then(a.late.total_cmp(&b.late)));
    if let Some(message) = fastest {
        message.period *= draw.pick(&[2.0, 2.0, 5.0]);
        message.phase = draw.unit() * message.period;
        message.late = draw.unit();
    } else {
        let node = vehicle.nodes.iter_mut().filter(|node| node.channel == channel);
        if let Some(node) = node.max_by_key(|node| node.messages.len()) {
            node.messages.pop();
        }
    }
}
