//! Draws a vehicle. Periods, lengths, loads and the share of identifiers with counters are like
//! those of the open captures of ten cars and four trucks (10, 12, 20, 24, 50, 100, 300, 500,
//! 660, 1000 ms; 20 to 150 identifiers; 450 to 2,300 frames a second; a counter in 2 to 40 % of
//! identifiers), widened; the rest is common practice, no source.

use crate::draw::Draw;
use crate::family::Shape;
use crate::kinds::{CAR, Kind, TRUCK};
use crate::messages;
use crate::vehicle::{Boot, Buffer, Cadence, Clock, Feed, Monitor, Node, Vehicle};

/// Draws a vehicle of a family.
pub fn vehicle(shape: &Shape, draw: &mut Draw) -> Vehicle {
    let kind = draw.weigh(&shape.kinds);
    let (truck, extended) = (kind == 2, kind > 0);
    let channels = if draw.yes(shape.two_channels) { 2 } else { 1 };
    let rates = (0..channels).map(|_| rate(truck, draw)).collect();
    let chosen = choose(if truck { &TRUCK } else { &CAR }, shape, channels, draw);
    let vin = vin(draw);
    let gateway = (channels == 2).then(|| chosen.len() - 1);
    let mut nodes: Vec<Node> = chosen
        .iter()
        .map(|kind| {
            let channel = if channels == 2 && draw.yes(0.5) { 1 } else { 0 };
            node(kind, channel, shape, &vin, draw)
        })
        .collect();
    if let Some(gateway) = gateway {
        nodes[gateway].channel = 0;
    }
    let mut vehicle = Vehicle {
        rates,
        extended,
        truck,
        nodes,
        gateway,
        branches: Vec::new(),
        supplies: Vec::new(),
        sleep: draw.weigh(&shape.sleeps),
        volts: if truck { draw.pick(&[12.0, 24.0]) } else { 12.0 },
    };
    balance(&mut vehicle, draw);
    messages::fill(&mut vehicle, shape, draw);
    diagnosis(&mut vehicle, draw);
    monitors(&mut vehicle, draw);
    harness(&mut vehicle, draw);
    sleep(&mut vehicle, draw);
    vehicle
}

fn rate(truck: bool, draw: &mut Draw) -> f64 {
    if truck {
        return draw.pick(&[250e3, 250e3, 250e3, 500e3]);
    }
    [500e3, 250e3, 125e3, 100e3][draw.weigh(&[0.66, 0.14, 0.16, 0.04])]
}

fn choose<'a>(of: &'a [Kind], shape: &Shape, channels: usize, draw: &mut Draw) -> Vec<&'a Kind> {
    let many = draw.whole(shape.nodes.0, shape.nodes.1).max(channels * 5).min(of.len() - 1);
    let (gateway, others) = of.split_last().expect("there are kinds");
    let mut ranked: Vec<(f64, usize)> = others
        .iter()
        .enumerate()
        .map(|(place, kind)| (draw.unit() / kind.share.max(0.01), place))
        .collect();
    ranked.sort_by(|a, b| a.0.total_cmp(&b.0));
    let mut places: Vec<usize> = ranked.iter().take(many).map(|(_, place)| *place).collect();
    places.sort_unstable();
    let mut chosen: Vec<&Kind> = places.into_iter().map(|place| &others[place]).collect();
    if channels == 2 {
        chosen.push(gateway);
    }
    chosen
}

/// A channel with fewer than three units would be no network: some change over.
fn balance(vehicle: &mut Vehicle, draw: &mut Draw) {
    for channel in 0..vehicle.rates.len() {
        while vehicle.nodes.iter().filter(|node| node.channel == channel).count() < 4 {
            let place = draw.whole(0, vehicle.nodes.len() - 1);
            if Some(place) != vehicle.gateway {
                vehicle.nodes[place].channel = channel;
            }
        }
    }
}

/// 17 characters of which none is a real maker's.
fn vin(draw: &mut Draw) -> String {
    let letters: Vec<char> = "ABCDEFGHJKLMNPRSTUVWXYZ0123456789".chars().collect();
    let mut text = String::from("XX9");
    while text.len() < 11 {
        text.push(draw.pick(&letters));
    }
    format!("{text}{:06}", draw.whole(0, 999_999))
}

fn node(kind: &Kind, channel: usize, shape: &Shape, vin: &str, draw: &mut Draw) -> Node {
    Node {
        name: kind.name,
        called: kind.called,
        code: kind.code,
        address: kind.address,
        channel,
        messages: Vec::new(),
        feed: feed(kind, draw),
        buffer: buffer(shape, draw),
        boot: match draw.weigh(&shape.boots) {
            0 => Boot::Together,
            1 => Boot::Bursts,
            _ => Boot::Staggered(draw.log(0.1, shape.stagger)),
        },
        // 0.05 s for a small sensor, seconds for a radio; the open captures that begin at key-on
        // show first frames from 0.0 to 1.9 s after the first of all.
        boot_time: if kind.pace == 2 { draw.log(0.08, 2.0) } else { draw.log(0.03, 0.6) },
        holdup: draw.log(0.0005, 0.08),
        // Units are made to work through cranking; now and then one is not.
        least_volts: if draw.yes(0.04) { draw.between(7.5, 9.0) } else { draw.between(3.2, 6.5) },
        clock: clock(shape, draw),
        diagnosis: None,
        emissions: kind.emissions,
        monitors: Vec::new(),
        failure_type: draw.pick(&[0x87, 0x87, 0x00, 0x08]),
        status_mask: draw.pick(&[0xFF, 0xFF, 0x7F, 0x2F, 0x2F, 0x09, 0x0D]),
        mute_when_off: draw.yes(shape.mute_when_off),
        after_run: 0.0,
        recovery: draw.pick(&[0.003, 0.01, 0.05, 0.2, 1.0]),
        vin: vin.to_owned(),
        watchdog: draw.yes(shape.watchdog).then(|| draw.log(60.0, 600.0)),
        answer_time: draw.log(0.002, 0.045),
    }
}

/// One in ten is fed another way than is usual; what must work while cranking never by a feed
/// that is off then.
fn feed(kind: &Kind, draw: &mut Draw) -> Feed {
    let needed = kind.pace == 0 || matches!(kind.name, "body" | "immobiliser" | "gateway");
    match draw.yes(0.1) {
        false => kind.feed,
        true if needed => draw.pick(&[Feed::Battery, Feed::Ignition]),
        true => draw.pick(&[Feed::Battery, Feed::Ignition, Feed::Accessory]),
    }
}

fn buffer(shape: &Shape, draw: &mut Draw) -> Buffer {
    match draw.weigh(&shape.buffers) {
        0 => Buffer::Mailbox,
        1 => Buffer::Queue(draw.pick(&[3, 8, 16, 32, 64])),
        2 => Buffer::Dropped,
        _ => Buffer::Expiring(draw.pick(&[20, 100, 500])),
    }
}

/// Skews as published for five vehicles (ECUPrint, IEEE TIFS 2022): within about ±200 ppm; a
/// truck of the open captures shows +660 ppm once. Wander: common practice, no source.
fn clock(shape: &Shape, draw: &mut Draw) -> Clock {
    Clock {
        skew: if draw.yes(0.03) { draw.between(-700.0, 700.0) } else { draw.normal(0.0, 60.0) },
        wander: draw.log(0.05, 5.0),
        pace: draw.log(20.0, 400.0),
        jitter: draw.log(0.00002, shape.jitter),
        grid: if draw.yes(shape.grid) { draw.pick(&[0.001, 0.005, 0.01, 0.01]) } else { 0.0 },
    }
}

/// Addresses of the diagnosis: ISO 15765-4 for the first units, makers' ranges beyond.
fn diagnosis(vehicle: &mut Vehicle, draw: &mut Draw) {
    let style = draw.whole(0, 2);
    let silent = if vehicle.truck { 0.5 } else { 0.08 };
    let mut standard = 0;
    for place in 0..vehicle.nodes.len() {
        let own = u32::from(vehicle.nodes[place].address);
        let number = place as u32;
        let pair = if vehicle.extended {
            (0x18DA_00F1 | own << 8, 0x18DA_F100 | own)
        } else if standard < 8 && (style == 0 || vehicle.nodes[place].emissions) {
            standard += 1;
            (0x7DF + standard, 0x7E7 + standard)
        } else if style == 1 {
            (0x700 + number % 8 + (number / 8) * 0x10, 0x708 + number % 8 + (number / 8) * 0x10)
        } else {
            (0x740 + number, 0x760 + number)
        };
        let answers = vehicle.nodes[place].emissions || !draw.yes(silent);
        vehicle.nodes[place].diagnosis = answers.then_some(pair);
    }
}

/// Who listens to whom: brakes, engine, body and cluster are heard by many. A unit stores a lost
/// communication after 1 to 5 s (common practice, no source).
fn monitors(vehicle: &mut Vehicle, draw: &mut Draw) {
    let count = vehicle.nodes.len();
    for listener in 0..count {
        let eager = draw.between(0.15, 0.7);
        let usual = draw.log(1.0, 5.0);
        for of in 0..count {
            let wanted = matches!(vehicle.nodes[of].name, "engine" | "abs" | "brakes" | "body");
            let reach = vehicle.nodes[of].channel == vehicle.nodes[listener].channel
                || vehicle.nodes[of].messages.iter().any(|message| message.routed);
            let chance = if wanted { 0.5 + eager / 2.0 } else { eager * 0.6 };
            if of != listener && reach && draw.yes(chance) {
                let timeout = if draw.yes(0.7) { usual } else { draw.log(1.0, 5.0) };
                watch(vehicle, listener, of, timeout);
            }
        }
    }
    for of in 0..count {
        let missed = vehicle.nodes.iter().any(|node| node.monitors.iter().any(|m| m.of == of));
        if !missed && draw.yes(0.85) {
            let channel = vehicle.nodes[of].channel;
            let near: Vec<usize> = (0..count)
                .filter(|&place| place != of && vehicle.nodes[place].channel == channel)
                .collect();
            let listener = draw.pick(&near);
            watch(vehicle, listener, of, draw.log(1.0, 5.0));
        }
    }
}

/// A unit is watched by its fastest periodic message, for five of its periods at least.
fn watch(vehicle: &mut Vehicle, listener: usize, of: usize, timeout: f64) {
    let periodic = vehicle.nodes[of].messages.iter().filter(|m| m.cadence == Cadence::Periodic);
    let routed = vehicle.nodes[of].channel != vehicle.nodes[listener].channel;
    let fastest = periodic.filter(|m| m.routed || !routed).map(|m| m.period).reduce(f64::min);
    if let Some(fastest) = fastest {
        let timeout = timeout.max(5.0 * fastest);
        vehicle.nodes[listener].monitors.push(Monitor { of, timeout });
    }
}

/// Which units share a connector of the harness, and which a fuse.
fn harness(vehicle: &mut Vehicle, draw: &mut Draw) {
    for channel in 0..vehicle.rates.len() {
        let mut on: Vec<usize> = (0..vehicle.nodes.len())
            .filter(|&place| vehicle.nodes[place].channel == channel)
            .filter(|&place| Some(place) != vehicle.gateway)
            .collect();
        draw.shuffle(&mut on);
        let largest = (on.len() / 2).clamp(2, 5);
        let take = draw.whole(2, largest);
        vehicle.branches.push(on.iter().take(take).copied().collect());
    }
    for feed in [Feed::Battery, Feed::Ignition, Feed::Accessory] {
        let mut fed: Vec<usize> = (0..vehicle.nodes.len())
            .filter(|&place| vehicle.nodes[place].feed == feed && Some(place) != vehicle.gateway)
            .collect();
        draw.shuffle(&mut fed);
        if fed.len() >= 2 {
            let take = draw.whole(2, (vehicle.nodes.len() / 2).clamp(2, 6).min(fed.len()));
            vehicle.supplies.push(fed.into_iter().take(take).collect());
        }
    }
}

/// How long each talks on after key-off: 0.2 s to half a minute (the open truck's engine goes on
/// for 39 s).
fn sleep(vehicle: &mut Vehicle, draw: &mut Draw) {
    let together = draw.log(2.0, 40.0);
    for node in &mut vehicle.nodes {
        node.after_run = match vehicle.sleep {
            0 => together + draw.between(0.0, 0.05),
            1 => draw.log(0.3, 40.0),
            _ if node.feed == Feed::Battery => together + draw.between(0.0, 1.0),
            _ => draw.between(0.0, 0.3),
        };
    }
}
