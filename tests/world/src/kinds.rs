//! The control units a vehicle may have. Codes: SAE J2012 network codes from open lists
//! (github Wal33D/dtc-database); source addresses: SAE J1939, from memory.

use crate::vehicle::Feed;

/// A kind of control unit.
pub struct Kind {
    /// What people call it.
    pub name: &'static str,
    /// Words by which a report may name it: of its "lost communication" code.
    pub called: &'static str,
    /// Its "lost communication with …" code, two bytes.
    pub code: u16,
    /// Source address on a truck.
    pub address: u8,
    /// Usual feeds: what the key switches, for drawing.
    pub feed: Feed,
    /// Answers emission requests.
    pub emissions: bool,
    /// How fast its fastest messages are: 0 fast, 1 middle, 2 slow.
    pub pace: u8,
    /// How likely a vehicle has one.
    pub share: f64,
}

const fn kind(
    name: &'static str,
    called: &'static str,
    code: u16,
    address: u8,
    feed: Feed,
    pace: u8,
    share: f64,
) -> Kind {
    Kind {
        name,
        called,
        code,
        address,
        feed,
        emissions: code == 0xC100 || code == 0xC101,
        pace,
        share,
    }
}

use Feed::{Accessory, Battery, Ignition};

/// Of a passenger car. The gateway is last: it is only drawn where there are two channels.
pub const CAR: [Kind; 30] = [
    kind("engine", "ecm/pcm a", 0xC100, 0x00, Ignition, 0, 1.0),
    kind("transmission", "tcm", 0xC101, 0x03, Ignition, 0, 0.7),
    kind("abs", "anti-lock brake system (abs) control module a", 0xC121, 0x0B, Ignition, 0, 0.98),
    kind("body", "body control module", 0xC140, 0x21, Battery, 1, 0.95),
    kind(
        "cluster",
        "instrument panel cluster (ipc) control module",
        0xC155,
        0x17,
        Battery,
        1,
        0.95,
    ),
    kind("airbag", "restraints control module", 0xC151, 0x53, Ignition, 2, 0.9),
    kind("steering", "power steering control module a", 0xC131, 0x13, Ignition, 0, 0.8),
    kind("climate", "hvac control module", 0xC164, 0x19, Accessory, 2, 0.8),
    kind("steering angle", "steering angle sensor module", 0xC126, 0x4D, Ignition, 0, 0.5),
    kind("tyre pressure", "tire pressure monitor module", 0xC127, 0x33, Ignition, 2, 0.45),
    kind("parking brake", "park brake control module", 0xC128, 0x50, Battery, 1, 0.5),
    kind("driver door", "door control module a", 0xC199, 0xEC, Battery, 1, 0.5),
    kind("passenger door", "door control module b", 0xC200, 0xED, Battery, 1, 0.45),
    kind("radio", "radio", 0xC184, 0x4C, Accessory, 2, 0.6),
    kind("park assist", "parking assist control module a", 0xC159, 0x60, Accessory, 2, 0.4),
    kind(
        "all-wheel drive",
        "four-wheel drive clutch control module",
        0xC114,
        0x0D,
        Ignition,
        0,
        0.25,
    ),
    kind("yaw sensor", "yaw rate sensor module", 0xC123, 0x4E, Ignition, 0, 0.3),
    kind("immobiliser", "vehicle immobilizer control module", 0xC167, 0x1D, Battery, 2, 0.35),
    kind("suspension", "suspension control module a", 0xC132, 0x2F, Ignition, 1, 0.2),
    kind("glow plugs", "glow plug control module 1", 0xC106, 0x3D, Ignition, 2, 0.15),
    kind("fuel pump", "fuel pump control module a", 0xC109, 0x3E, Ignition, 1, 0.2),
    kind(
        "occupant sensor",
        "restraints occupant classification system module",
        0xC154,
        0x54,
        Ignition,
        2,
        0.3,
    ),
    kind("navigation", "navigation control module", 0xC163, 0xA5, Accessory, 2, 0.25),
    kind("head-up display", "head up display", 0xC158, 0x6A, Accessory, 2, 0.1),
    kind("gear shift", "gear shift control module a", 0xC103, 0x05, Ignition, 1, 0.3),
    kind("battery energy", "battery energy control module a", 0xC111, 0xF3, Battery, 0, 0.2),
    kind("drive motor", "drive motor control module a", 0xC110, 0xEF, Ignition, 0, 0.15),
    kind("cruise", "cruise control module", 0xC104, 0x2A, Ignition, 0, 0.3),
    kind("sunroof", "sunroof control module", 0xC169, 0x61, Battery, 2, 0.2),
    kind("gateway", "serial data gateway module a", 0xC146, 0xDC, Battery, 1, 0.0),
];

/// Of a truck or machine: names from SAE J1939, from memory.
pub const TRUCK: [Kind; 21] = [
    kind("engine", "engine", 0xC100, 0x00, Ignition, 0, 1.0),
    kind("transmission", "transmission", 0xC101, 0x03, Ignition, 0, 0.85),
    kind("brakes", "brakes", 0xC121, 0x0B, Ignition, 0, 0.95),
    kind("cluster", "instrument cluster", 0xC155, 0x17, Battery, 1, 0.95),
    kind("body", "body controller", 0xC140, 0x21, Battery, 1, 0.9),
    kind("cab", "cab controller", 0xC141, 0x31, Battery, 1, 0.6),
    kind("retarder", "retarder", 0xC10F, 0x10, Ignition, 0, 0.4),
    kind("engine retarder", "engine retarder", 0xC10E, 0x0F, Ignition, 0, 0.5),
    kind("suspension", "suspension", 0xC132, 0x2F, Ignition, 1, 0.5),
    kind("exhaust", "exhaust emission", 0xC10D, 0x3D, Ignition, 1, 0.6),
    kind("climate", "cab climate", 0xC164, 0x19, Accessory, 2, 0.5),
    kind("tyre pressure", "tire pressure", 0xC127, 0x33, Ignition, 2, 0.4),
    kind("telematics", "communications unit", 0xC198, 0x4A, Battery, 2, 0.5),
    kind("steering", "steering controller", 0xC131, 0x13, Ignition, 0, 0.4),
    kind("seat", "seat control", 0xC208, 0x1C, Accessory, 2, 0.2),
    kind("trailer bridge", "tractor-trailer bridge", 0xC137, 0x20, Ignition, 1, 0.3),
    kind("recorder", "trip recorder", 0xC1A0, 0xEE, Battery, 1, 0.5),
    kind("adaptive cruise", "forward-collision", 0xC104, 0x2A, Ignition, 0, 0.4),
    kind("lighting", "lighting", 0xC14A, 0x35, Battery, 2, 0.3),
    kind("power take-off", "power takeoff", 0xC117, 0x07, Ignition, 1, 0.2),
    kind("gateway", "gateway", 0xC146, 0x27, Battery, 1, 0.0),
];
