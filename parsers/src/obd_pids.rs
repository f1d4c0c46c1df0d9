//! PIDs of services 01 and 02 (SAE J1979-DA, public range): name, length, values with unit and
//! scaling.
//!
//! Data, not code. Source: SAE J1979 / ISO 15031-5 scalings, checked against independently decoded
//! answers of real vehicles and two libraries (docs/diagnostics.md says which, and which layouts
//! are from memory). A PID without values here is named, and its bytes are shown as they are.

/// One PID.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Pid {
    /// Its number.
    pub number: u8,
    /// Data bytes; of 06 to 09 those that always come: a vehicle with banks 3 and 4 sends one more.
    pub length: usize,
    /// What it is, worded by us.
    pub name: &'static str,
    /// Numeric values in it.
    pub signals: &'static [Signal],
    /// Coded values in it.
    pub coded: &'static [Coded],
}

/// One numeric value: `raw * scale + offset`.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Signal {
    /// What it is.
    pub name: &'static str,
    /// Its unit; empty for a plain number.
    pub unit: &'static str,
    /// First byte.
    pub start: usize,
    /// Bytes, highest first.
    pub length: usize,
    /// Unit per step.
    pub scale: f64,
    /// Value of raw zero.
    pub offset: f64,
    /// Two's complement.
    pub signed: bool,
    /// Byte and bit that say whether the module has it.
    pub support: Option<(usize, u8)>,
}

/// One coded value.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Coded {
    /// What it is.
    pub name: &'static str,
    /// Byte it is in.
    pub byte: usize,
    /// Bits of the byte.
    pub mask: u8,
    /// Meaning of each code.
    pub meanings: &'static [(u8, &'static str)],
    /// Byte and bit that say whether the module has it.
    pub support: Option<(usize, u8)>,
}

const fn signal(
    name: &'static str,
    unit: &'static str,
    start: usize,
    length: usize,
    scale: f64,
    offset: f64,
) -> Signal {
    Signal { name, unit, start, length, scale, offset, signed: false, support: None }
}

/// A signal among several of one PID, whose first byte says which of them the module has.
const fn part(
    name: &'static str,
    unit: &'static str,
    start: usize,
    length: usize,
    scale: f64,
    offset: f64,
    bit: u8,
) -> Signal {
    Signal { support: Some((0, bit)), ..signal(name, unit, start, length, scale, offset) }
}

/// Whether a control loop is closed (PIDs 70, 71): of unit A, and of B two bits higher.
const CONTROL_A: [(u8, &str); 3] =
    [(0x01, "open loop"), (0x02, "closed loop"), (0x03, "fault, value not reliable")];
const CONTROL_B: [(u8, &str); 3] =
    [(0x04, "open loop"), (0x08, "closed loop"), (0x0C, "fault, value not reliable")];

/// All PIDs, by number.
#[rustfmt::skip]
pub static PIDS: [Pid; 168] = [
    Pid { number: 0x00, length: 4, name: "PIDs supported after 00", signals: &[], coded: &[] },
    Pid { number: 0x01, length: 4, name: "monitor status since codes cleared", signals: &[], coded: &[] },
    Pid { number: 0x02, length: 2, name: "code that stored the freeze frame", signals: &[], coded: &[] },
    Pid { number: 0x03, length: 2, name: "fuel system status", signals: &[], coded: &[Coded { name: "fuel system 1", byte: 0, mask: 0xFF, meanings: &[(0, "off"), (1, "open loop, not yet warm"), (2, "closed loop"), (4, "open loop, driving conditions"), (8, "open loop, system fault"), (16, "closed loop, sensor fault")], support: None }, Coded { name: "fuel system 2", byte: 1, mask: 0xFF, meanings: &[(0, "off"), (1, "open loop, not yet warm"), (2, "closed loop"), (4, "open loop, driving conditions"), (8, "open loop, system fault"), (16, "closed loop, sensor fault")], support: None }] },
    Pid { number: 0x04, length: 1, name: "calculated load", signals: &[signal("calculated load", "%", 0, 1, 100.0 / 255.0, 0.0)], coded: &[] },
    Pid { number: 0x05, length: 1, name: "coolant temperature", signals: &[signal("coolant temperature", "°C", 0, 1, 1.0, -40.0)], coded: &[] },
    Pid { number: 0x06, length: 1, name: "short term fuel trim, bank 1", signals: &[signal("short term fuel trim, bank 1", "%", 0, 1, 100.0 / 128.0, -100.0), signal("short term fuel trim, bank 3", "%", 1, 1, 100.0 / 128.0, -100.0)], coded: &[] },
    Pid { number: 0x07, length: 1, name: "long term fuel trim, bank 1", signals: &[signal("long term fuel trim, bank 1", "%", 0, 1, 100.0 / 128.0, -100.0), signal("long term fuel trim, bank 3", "%", 1, 1, 100.0 / 128.0, -100.0)], coded: &[] },
    Pid { number: 0x08, length: 1, name: "short term fuel trim, bank 2", signals: &[signal("short term fuel trim, bank 2", "%", 0, 1, 100.0 / 128.0, -100.0), signal("short term fuel trim, bank 4", "%", 1, 1, 100.0 / 128.0, -100.0)], coded: &[] },
    Pid { number: 0x09, length: 1, name: "long term fuel trim, bank 2", signals: &[signal("long term fuel trim, bank 2", "%", 0, 1, 100.0 / 128.0, -100.0), signal("long term fuel trim, bank 4", "%", 1, 1, 100.0 / 128.0, -100.0)], coded: &[] },
    Pid { number: 0x0A, length: 1, name: "fuel pressure", signals: &[signal("fuel pressure", "kPa", 0, 1, 3.0, 0.0)], coded: &[] },
    Pid { number: 0x0B, length: 1, name: "intake manifold pressure", signals: &[signal("intake manifold pressure", "kPa", 0, 1, 1.0, 0.0)], coded: &[] },
    Pid { number: 0x0C, length: 2, name: "engine speed", signals: &[signal("engine speed", "rpm", 0, 2, 0.25, 0.0)], coded: &[] },
    Pid { number: 0x0D, length: 1, name: "vehicle speed", signals: &[signal("vehicle speed", "km/h", 0, 1, 1.0, 0.0)], coded: &[] },
    Pid { number: 0x0E, length: 1, name: "ignition timing advance", signals: &[signal("ignition timing advance", "°", 0, 1, 0.5, -64.0)], coded: &[] },
    Pid { number: 0x0F, length: 1, name: "intake air temperature", signals: &[signal("intake air temperature", "°C", 0, 1, 1.0, -40.0)], coded: &[] },
    Pid { number: 0x10, length: 2, name: "air flow", signals: &[signal("air flow", "g/s", 0, 2, 0.01, 0.0)], coded: &[] },
    Pid { number: 0x11, length: 1, name: "throttle position", signals: &[signal("throttle position", "%", 0, 1, 100.0 / 255.0, 0.0)], coded: &[] },
    Pid { number: 0x12, length: 1, name: "secondary air status", signals: &[], coded: &[Coded { name: "secondary air", byte: 0, mask: 0xFF, meanings: &[(1, "upstream of the first catalyst"), (2, "downstream of the first catalyst"), (4, "atmosphere or off"), (8, "pump on for diagnosis")], support: None }] },
    Pid { number: 0x13, length: 1, name: "oxygen sensors present, two banks", signals: &[], coded: &[Coded { name: "oxygen sensor, bank 1, sensor 1", byte: 0, mask: 0x01, meanings: &[(0, "absent"), (0x01, "present")], support: None }, Coded { name: "oxygen sensor, bank 1, sensor 2", byte: 0, mask: 0x02, meanings: &[(0, "absent"), (0x02, "present")], support: None }, Coded { name: "oxygen sensor, bank 1, sensor 3", byte: 0, mask: 0x04, meanings: &[(0, "absent"), (0x04, "present")], support: None }, Coded { name: "oxygen sensor, bank 1, sensor 4", byte: 0, mask: 0x08, meanings: &[(0, "absent"), (0x08, "present")], support: None }, Coded { name: "oxygen sensor, bank 2, sensor 1", byte: 0, mask: 0x10, meanings: &[(0, "absent"), (0x10, "present")], support: None }, Coded { name: "oxygen sensor, bank 2, sensor 2", byte: 0, mask: 0x20, meanings: &[(0, "absent"), (0x20, "present")], support: None }, Coded { name: "oxygen sensor, bank 2, sensor 3", byte: 0, mask: 0x40, meanings: &[(0, "absent"), (0x40, "present")], support: None }, Coded { name: "oxygen sensor, bank 2, sensor 4", byte: 0, mask: 0x80, meanings: &[(0, "absent"), (0x80, "present")], support: None }] },
    Pid { number: 0x14, length: 2, name: "oxygen sensor 1", signals: &[signal("oxygen sensor 1 voltage", "V", 0, 1, 0.005, 0.0), signal("oxygen sensor 1 short term fuel trim", "%", 1, 1, 100.0 / 128.0, -100.0)], coded: &[] },
    Pid { number: 0x15, length: 2, name: "oxygen sensor 2", signals: &[signal("oxygen sensor 2 voltage", "V", 0, 1, 0.005, 0.0), signal("oxygen sensor 2 short term fuel trim", "%", 1, 1, 100.0 / 128.0, -100.0)], coded: &[] },
    Pid { number: 0x16, length: 2, name: "oxygen sensor 3", signals: &[signal("oxygen sensor 3 voltage", "V", 0, 1, 0.005, 0.0), signal("oxygen sensor 3 short term fuel trim", "%", 1, 1, 100.0 / 128.0, -100.0)], coded: &[] },
    Pid { number: 0x17, length: 2, name: "oxygen sensor 4", signals: &[signal("oxygen sensor 4 voltage", "V", 0, 1, 0.005, 0.0), signal("oxygen sensor 4 short term fuel trim", "%", 1, 1, 100.0 / 128.0, -100.0)], coded: &[] },
    Pid { number: 0x18, length: 2, name: "oxygen sensor 5", signals: &[signal("oxygen sensor 5 voltage", "V", 0, 1, 0.005, 0.0), signal("oxygen sensor 5 short term fuel trim", "%", 1, 1, 100.0 / 128.0, -100.0)], coded: &[] },
    Pid { number: 0x19, length: 2, name: "oxygen sensor 6", signals: &[signal("oxygen sensor 6 voltage", "V", 0, 1, 0.005, 0.0), signal("oxygen sensor 6 short term fuel trim", "%", 1, 1, 100.0 / 128.0, -100.0)], coded: &[] },
    Pid { number: 0x1A, length: 2, name: "oxygen sensor 7", signals: &[signal("oxygen sensor 7 voltage", "V", 0, 1, 0.005, 0.0), signal("oxygen sensor 7 short term fuel trim", "%", 1, 1, 100.0 / 128.0, -100.0)], coded: &[] },
    Pid { number: 0x1B, length: 2, name: "oxygen sensor 8", signals: &[signal("oxygen sensor 8 voltage", "V", 0, 1, 0.005, 0.0), signal("oxygen sensor 8 short term fuel trim", "%", 1, 1, 100.0 / 128.0, -100.0)], coded: &[] },
    Pid { number: 0x1C, length: 1, name: "emissions standard the vehicle is built to", signals: &[], coded: &[Coded { name: "standard", byte: 0, mask: 0xFF, meanings: &[(1, "OBD II (CARB)"), (2, "OBD (EPA)"), (3, "OBD and OBD II"), (4, "OBD I"), (5, "none"), (6, "EOBD"), (7, "EOBD and OBD II"), (8, "EOBD and OBD"), (9, "EOBD, OBD and OBD II"), (10, "JOBD"), (11, "JOBD and OBD II"), (12, "JOBD and EOBD"), (13, "JOBD, EOBD and OBD II"), (17, "EMD"), (18, "EMD+"), (19, "HD OBD-C"), (20, "HD OBD"), (21, "WWH OBD"), (23, "HD EOBD-I"), (24, "HD EOBD-I N"), (25, "HD EOBD-II"), (26, "HD EOBD-II N"), (28, "OBDBr-1"), (29, "OBDBr-2"), (30, "KOBD"), (31, "IOBD I"), (32, "IOBD II"), (33, "HD EOBD-VI")], support: None }] },
    Pid { number: 0x1D, length: 1, name: "oxygen sensors present, four banks", signals: &[], coded: &[Coded { name: "oxygen sensor, bank 1, sensor 1", byte: 0, mask: 0x01, meanings: &[(0, "absent"), (0x01, "present")], support: None }, Coded { name: "oxygen sensor, bank 1, sensor 2", byte: 0, mask: 0x02, meanings: &[(0, "absent"), (0x02, "present")], support: None }, Coded { name: "oxygen sensor, bank 2, sensor 1", byte: 0, mask: 0x04, meanings: &[(0, "absent"), (0x04, "present")], support: None }, Coded { name: "oxygen sensor, bank 2, sensor 2", byte: 0, mask: 0x08, meanings: &[(0, "absent"), (0x08, "present")], support: None }, Coded { name: "oxygen sensor, bank 3, sensor 1", byte: 0, mask: 0x10, meanings: &[(0, "absent"), (0x10, "present")], support: None }, Coded { name: "oxygen sensor, bank 3, sensor 2", byte: 0, mask: 0x20, meanings: &[(0, "absent"), (0x20, "present")], support: None }, Coded { name: "oxygen sensor, bank 4, sensor 1", byte: 0, mask: 0x40, meanings: &[(0, "absent"), (0x40, "present")], support: None }, Coded { name: "oxygen sensor, bank 4, sensor 2", byte: 0, mask: 0x80, meanings: &[(0, "absent"), (0x80, "present")], support: None }] },
    Pid { number: 0x1E, length: 1, name: "auxiliary input", signals: &[], coded: &[Coded { name: "power take-off", byte: 0, mask: 0x01, meanings: &[(0, "not active"), (1, "active")], support: None }] },
    Pid { number: 0x1F, length: 2, name: "run time since start", signals: &[signal("run time since start", "s", 0, 2, 1.0, 0.0)], coded: &[] },
    Pid { number: 0x20, length: 4, name: "PIDs supported after 20", signals: &[], coded: &[] },
    Pid { number: 0x21, length: 2, name: "distance with the lamp on", signals: &[signal("distance with the lamp on", "km", 0, 2, 1.0, 0.0)], coded: &[] },
    Pid { number: 0x22, length: 2, name: "fuel rail pressure, relative to manifold", signals: &[signal("fuel rail pressure, relative to manifold", "kPa", 0, 2, 0.079, 0.0)], coded: &[] },
    Pid { number: 0x23, length: 2, name: "fuel rail pressure", signals: &[signal("fuel rail pressure", "kPa", 0, 2, 10.0, 0.0)], coded: &[] },
    Pid { number: 0x24, length: 4, name: "oxygen sensor 1, wide range voltage", signals: &[signal("oxygen sensor 1 lambda", "lambda", 0, 2, 2.0 / 65_536.0, 0.0), signal("oxygen sensor 1 voltage", "V", 2, 2, 8.0 / 65_536.0, 0.0)], coded: &[] },
    Pid { number: 0x25, length: 4, name: "oxygen sensor 2, wide range voltage", signals: &[signal("oxygen sensor 2 lambda", "lambda", 0, 2, 2.0 / 65_536.0, 0.0), signal("oxygen sensor 2 voltage", "V", 2, 2, 8.0 / 65_536.0, 0.0)], coded: &[] },
    Pid { number: 0x26, length: 4, name: "oxygen sensor 3, wide range voltage", signals: &[signal("oxygen sensor 3 lambda", "lambda", 0, 2, 2.0 / 65_536.0, 0.0), signal("oxygen sensor 3 voltage", "V", 2, 2, 8.0 / 65_536.0, 0.0)], coded: &[] },
    Pid { number: 0x27, length: 4, name: "oxygen sensor 4, wide range voltage", signals: &[signal("oxygen sensor 4 lambda", "lambda", 0, 2, 2.0 / 65_536.0, 0.0), signal("oxygen sensor 4 voltage", "V", 2, 2, 8.0 / 65_536.0, 0.0)], coded: &[] },
    Pid { number: 0x28, length: 4, name: "oxygen sensor 5, wide range voltage", signals: &[signal("oxygen sensor 5 lambda", "lambda", 0, 2, 2.0 / 65_536.0, 0.0), signal("oxygen sensor 5 voltage", "V", 2, 2, 8.0 / 65_536.0, 0.0)], coded: &[] },
    Pid { number: 0x29, length: 4, name: "oxygen sensor 6, wide range voltage", signals: &[signal("oxygen sensor 6 lambda", "lambda", 0, 2, 2.0 / 65_536.0, 0.0), signal("oxygen sensor 6 voltage", "V", 2, 2, 8.0 / 65_536.0, 0.0)], coded: &[] },
    Pid { number: 0x2A, length: 4, name: "oxygen sensor 7, wide range voltage", signals: &[signal("oxygen sensor 7 lambda", "lambda", 0, 2, 2.0 / 65_536.0, 0.0), signal("oxygen sensor 7 voltage", "V", 2, 2, 8.0 / 65_536.0, 0.0)], coded: &[] },
    Pid { number: 0x2B, length: 4, name: "oxygen sensor 8, wide range voltage", signals: &[signal("oxygen sensor 8 lambda", "lambda", 0, 2, 2.0 / 65_536.0, 0.0), signal("oxygen sensor 8 voltage", "V", 2, 2, 8.0 / 65_536.0, 0.0)], coded: &[] },
    Pid { number: 0x2C, length: 1, name: "commanded exhaust gas recirculation", signals: &[signal("commanded exhaust gas recirculation", "%", 0, 1, 100.0 / 255.0, 0.0)], coded: &[] },
    Pid { number: 0x2D, length: 1, name: "exhaust gas recirculation error", signals: &[signal("exhaust gas recirculation error", "%", 0, 1, 100.0 / 128.0, -100.0)], coded: &[] },
    Pid { number: 0x2E, length: 1, name: "commanded evaporative purge", signals: &[signal("commanded evaporative purge", "%", 0, 1, 100.0 / 255.0, 0.0)], coded: &[] },
    Pid { number: 0x2F, length: 1, name: "fuel level", signals: &[signal("fuel level", "%", 0, 1, 100.0 / 255.0, 0.0)], coded: &[] },
    Pid { number: 0x30, length: 1, name: "warm-ups since codes cleared", signals: &[signal("warm-ups since codes cleared", "", 0, 1, 1.0, 0.0)], coded: &[] },
    Pid { number: 0x31, length: 2, name: "distance since codes cleared", signals: &[signal("distance since codes cleared", "km", 0, 2, 1.0, 0.0)], coded: &[] },
    Pid { number: 0x32, length: 2, name: "evaporative system vapour pressure", signals: &[Signal { signed: true, ..signal("evaporative system vapour pressure", "Pa", 0, 2, 0.25, 0.0) }], coded: &[] },
    Pid { number: 0x33, length: 1, name: "barometric pressure", signals: &[signal("barometric pressure", "kPa", 0, 1, 1.0, 0.0)], coded: &[] },
    Pid { number: 0x34, length: 4, name: "oxygen sensor 1, wide range current", signals: &[signal("oxygen sensor 1 lambda", "lambda", 0, 2, 2.0 / 65_536.0, 0.0), signal("oxygen sensor 1 current", "mA", 2, 2, 0.00390625, -128.0)], coded: &[] },
    Pid { number: 0x35, length: 4, name: "oxygen sensor 2, wide range current", signals: &[signal("oxygen sensor 2 lambda", "lambda", 0, 2, 2.0 / 65_536.0, 0.0), signal("oxygen sensor 2 current", "mA", 2, 2, 0.00390625, -128.0)], coded: &[] },
    Pid { number: 0x36, length: 4, name: "oxygen sensor 3, wide range current", signals: &[signal("oxygen sensor 3 lambda", "lambda", 0, 2, 2.0 / 65_536.0, 0.0), signal("oxygen sensor 3 current", "mA", 2, 2, 0.00390625, -128.0)], coded: &[] },
    Pid { number: 0x37, length: 4, name: "oxygen sensor 4, wide range current", signals: &[signal("oxygen sensor 4 lambda", "lambda", 0, 2, 2.0 / 65_536.0, 0.0), signal("oxygen sensor 4 current", "mA", 2, 2, 0.00390625, -128.0)], coded: &[] },
    Pid { number: 0x38, length: 4, name: "oxygen sensor 5, wide range current", signals: &[signal("oxygen sensor 5 lambda", "lambda", 0, 2, 2.0 / 65_536.0, 0.0), signal("oxygen sensor 5 current", "mA", 2, 2, 0.00390625, -128.0)], coded: &[] },
    Pid { number: 0x39, length: 4, name: "oxygen sensor 6, wide range current", signals: &[signal("oxygen sensor 6 lambda", "lambda", 0, 2, 2.0 / 65_536.0, 0.0), signal("oxygen sensor 6 current", "mA", 2, 2, 0.00390625, -128.0)], coded: &[] },
    Pid { number: 0x3A, length: 4, name: "oxygen sensor 7, wide range current", signals: &[signal("oxygen sensor 7 lambda", "lambda", 0, 2, 2.0 / 65_536.0, 0.0), signal("oxygen sensor 7 current", "mA", 2, 2, 0.00390625, -128.0)], coded: &[] },
    Pid { number: 0x3B, length: 4, name: "oxygen sensor 8, wide range current", signals: &[signal("oxygen sensor 8 lambda", "lambda", 0, 2, 2.0 / 65_536.0, 0.0), signal("oxygen sensor 8 current", "mA", 2, 2, 0.00390625, -128.0)], coded: &[] },
    Pid { number: 0x3C, length: 2, name: "catalyst temperature, bank 1, sensor 1", signals: &[signal("catalyst temperature, bank 1, sensor 1", "°C", 0, 2, 0.1, -40.0)], coded: &[] },
    Pid { number: 0x3D, length: 2, name: "catalyst temperature, bank 2, sensor 1", signals: &[signal("catalyst temperature, bank 2, sensor 1", "°C", 0, 2, 0.1, -40.0)], coded: &[] },
    Pid { number: 0x3E, length: 2, name: "catalyst temperature, bank 1, sensor 2", signals: &[signal("catalyst temperature, bank 1, sensor 2", "°C", 0, 2, 0.1, -40.0)], coded: &[] },
    Pid { number: 0x3F, length: 2, name: "catalyst temperature, bank 2, sensor 2", signals: &[signal("catalyst temperature, bank 2, sensor 2", "°C", 0, 2, 0.1, -40.0)], coded: &[] },
    Pid { number: 0x40, length: 4, name: "PIDs supported after 40", signals: &[], coded: &[] },
    Pid { number: 0x41, length: 4, name: "monitor status this drive cycle", signals: &[], coded: &[] },
    Pid { number: 0x42, length: 2, name: "control module voltage", signals: &[signal("control module voltage", "V", 0, 2, 0.001, 0.0)], coded: &[] },
    Pid { number: 0x43, length: 2, name: "absolute load", signals: &[signal("absolute load", "%", 0, 2, 100.0 / 255.0, 0.0)], coded: &[] },
    Pid { number: 0x44, length: 2, name: "commanded lambda", signals: &[signal("commanded lambda", "lambda", 0, 2, 2.0 / 65_536.0, 0.0)], coded: &[] },
    Pid { number: 0x45, length: 1, name: "relative throttle position", signals: &[signal("relative throttle position", "%", 0, 1, 100.0 / 255.0, 0.0)], coded: &[] },
    Pid { number: 0x46, length: 1, name: "ambient air temperature", signals: &[signal("ambient air temperature", "°C", 0, 1, 1.0, -40.0)], coded: &[] },
    Pid { number: 0x47, length: 1, name: "absolute throttle position B", signals: &[signal("absolute throttle position B", "%", 0, 1, 100.0 / 255.0, 0.0)], coded: &[] },
    Pid { number: 0x48, length: 1, name: "absolute throttle position C", signals: &[signal("absolute throttle position C", "%", 0, 1, 100.0 / 255.0, 0.0)], coded: &[] },
    Pid { number: 0x49, length: 1, name: "accelerator pedal position D", signals: &[signal("accelerator pedal position D", "%", 0, 1, 100.0 / 255.0, 0.0)], coded: &[] },
    Pid { number: 0x4A, length: 1, name: "accelerator pedal position E", signals: &[signal("accelerator pedal position E", "%", 0, 1, 100.0 / 255.0, 0.0)], coded: &[] },
    Pid { number: 0x4B, length: 1, name: "accelerator pedal position F", signals: &[signal("accelerator pedal position F", "%", 0, 1, 100.0 / 255.0, 0.0)], coded: &[] },
    Pid { number: 0x4C, length: 1, name: "commanded throttle actuator", signals: &[signal("commanded throttle actuator", "%", 0, 1, 100.0 / 255.0, 0.0)], coded: &[] },
    Pid { number: 0x4D, length: 2, name: "time with the lamp on", signals: &[signal("time with the lamp on", "min", 0, 2, 1.0, 0.0)], coded: &[] },
    Pid { number: 0x4E, length: 2, name: "time since codes cleared", signals: &[signal("time since codes cleared", "min", 0, 2, 1.0, 0.0)], coded: &[] },
    Pid { number: 0x4F, length: 4, name: "greatest values of the scales", signals: &[signal("greatest lambda", "lambda", 0, 1, 1.0, 0.0), signal("greatest oxygen sensor voltage", "V", 1, 1, 1.0, 0.0), signal("greatest oxygen sensor current", "mA", 2, 1, 1.0, 0.0), signal("greatest manifold pressure", "kPa", 3, 1, 10.0, 0.0)], coded: &[] },
    Pid { number: 0x50, length: 4, name: "greatest air flow of the scale", signals: &[signal("greatest air flow", "g/s", 0, 1, 10.0, 0.0)], coded: &[] },
    Pid { number: 0x51, length: 1, name: "fuel type", signals: &[], coded: &[Coded { name: "fuel", byte: 0, mask: 0xFF, meanings: &[(0, "not available"), (1, "gasoline"), (2, "methanol"), (3, "ethanol"), (4, "diesel"), (5, "LPG"), (6, "CNG"), (7, "propane"), (8, "electric"), (9, "bifuel on gasoline"), (10, "bifuel on methanol"), (11, "bifuel on ethanol"), (12, "bifuel on LPG"), (13, "bifuel on CNG"), (14, "bifuel on propane"), (15, "bifuel on electricity"), (16, "bifuel, electric and combustion"), (17, "hybrid gasoline"), (18, "hybrid ethanol"), (19, "hybrid diesel"), (20, "hybrid electric"), (21, "hybrid, electric and combustion"), (22, "hybrid regenerative"), (23, "bifuel on diesel")], support: None }] },
    Pid { number: 0x52, length: 1, name: "ethanol in the fuel", signals: &[signal("ethanol in the fuel", "%", 0, 1, 100.0 / 255.0, 0.0)], coded: &[] },
    Pid { number: 0x53, length: 2, name: "absolute evaporative vapour pressure", signals: &[signal("absolute evaporative vapour pressure", "kPa", 0, 2, 0.005, 0.0)], coded: &[] },
    Pid { number: 0x54, length: 2, name: "evaporative vapour pressure", signals: &[Signal { signed: true, ..signal("evaporative vapour pressure", "Pa", 0, 2, 1.0, 0.0) }], coded: &[] },
    Pid { number: 0x55, length: 2, name: "short term secondary oxygen sensor trim, banks 1 and 3", signals: &[signal("short term secondary oxygen sensor trim, bank 1", "%", 0, 1, 100.0 / 128.0, -100.0), signal("short term secondary oxygen sensor trim, bank 3", "%", 1, 1, 100.0 / 128.0, -100.0)], coded: &[] },
    Pid { number: 0x56, length: 2, name: "long term secondary oxygen sensor trim, banks 1 and 3", signals: &[signal("long term secondary oxygen sensor trim, bank 1", "%", 0, 1, 100.0 / 128.0, -100.0), signal("long term secondary oxygen sensor trim, bank 3", "%", 1, 1, 100.0 / 128.0, -100.0)], coded: &[] },
    Pid { number: 0x57, length: 2, name: "short term secondary oxygen sensor trim, banks 2 and 4", signals: &[signal("short term secondary oxygen sensor trim, bank 2", "%", 0, 1, 100.0 / 128.0, -100.0), signal("short term secondary oxygen sensor trim, bank 4", "%", 1, 1, 100.0 / 128.0, -100.0)], coded: &[] },
    Pid { number: 0x58, length: 2, name: "long term secondary oxygen sensor trim, banks 2 and 4", signals: &[signal("long term secondary oxygen sensor trim, bank 2", "%", 0, 1, 100.0 / 128.0, -100.0), signal("long term secondary oxygen sensor trim, bank 4", "%", 1, 1, 100.0 / 128.0, -100.0)], coded: &[] },
    Pid { number: 0x59, length: 2, name: "fuel rail absolute pressure", signals: &[signal("fuel rail absolute pressure", "kPa", 0, 2, 10.0, 0.0)], coded: &[] },
    Pid { number: 0x5A, length: 1, name: "relative accelerator pedal position", signals: &[signal("relative accelerator pedal position", "%", 0, 1, 100.0 / 255.0, 0.0)], coded: &[] },
    Pid { number: 0x5B, length: 1, name: "hybrid battery pack remaining life", signals: &[signal("hybrid battery pack remaining life", "%", 0, 1, 100.0 / 255.0, 0.0)], coded: &[] },
    Pid { number: 0x5C, length: 1, name: "engine oil temperature", signals: &[signal("engine oil temperature", "°C", 0, 1, 1.0, -40.0)], coded: &[] },
    Pid { number: 0x5D, length: 2, name: "fuel injection timing", signals: &[signal("fuel injection timing", "°", 0, 2, 1.0 / 128.0, -210.0)], coded: &[] },
    Pid { number: 0x5E, length: 2, name: "engine fuel rate", signals: &[signal("engine fuel rate", "L/h", 0, 2, 0.05, 0.0)], coded: &[] },
    Pid { number: 0x5F, length: 1, name: "emissions requirements", signals: &[], coded: &[Coded { name: "requirements", byte: 0, mask: 0xFF, meanings: &[(14, "Euro IV B1"), (15, "Euro V B2"), (16, "Euro C EEV")], support: None }] },
    Pid { number: 0x60, length: 4, name: "PIDs supported after 60", signals: &[], coded: &[] },
    Pid { number: 0x61, length: 1, name: "driver's demand torque", signals: &[signal("driver's demand torque", "%", 0, 1, 1.0, -125.0)], coded: &[] },
    Pid { number: 0x62, length: 1, name: "actual engine torque", signals: &[signal("actual engine torque", "%", 0, 1, 1.0, -125.0)], coded: &[] },
    Pid { number: 0x63, length: 2, name: "engine reference torque", signals: &[signal("engine reference torque", "Nm", 0, 2, 1.0, 0.0)], coded: &[] },
    Pid { number: 0x64, length: 5, name: "engine torque at five points", signals: &[signal("engine torque, idle", "%", 0, 1, 1.0, -125.0), signal("engine torque, point 2", "%", 1, 1, 1.0, -125.0), signal("engine torque, point 3", "%", 2, 1, 1.0, -125.0), signal("engine torque, point 4", "%", 3, 1, 1.0, -125.0), signal("engine torque, point 5", "%", 4, 1, 1.0, -125.0)], coded: &[] },
    Pid { number: 0x65, length: 2, name: "auxiliary inputs and outputs", signals: &[], coded: &[Coded { name: "power take-off", byte: 1, mask: 0x01, meanings: &[(0, "not active"), (0x01, "active")], support: Some((0, 0)) }, Coded { name: "automatic transmission", byte: 1, mask: 0x02, meanings: &[(0, "park or neutral"), (0x02, "drive or reverse")], support: Some((0, 1)) }, Coded { name: "manual transmission", byte: 1, mask: 0x04, meanings: &[(0, "neutral or clutch pressed"), (0x04, "in gear")], support: Some((0, 2)) }, Coded { name: "glow plug lamp", byte: 1, mask: 0x08, meanings: &[(0, "off"), (0x08, "on")], support: Some((0, 3)) }] },
    Pid { number: 0x66, length: 5, name: "air flow sensors", signals: &[Signal { support: Some((0, 0)), ..signal("air flow, sensor A", "g/s", 1, 2, 0.03125, 0.0) }, Signal { support: Some((0, 1)), ..signal("air flow, sensor B", "g/s", 3, 2, 0.03125, 0.0) }], coded: &[] },
    Pid { number: 0x67, length: 3, name: "coolant temperature sensors", signals: &[Signal { support: Some((0, 0)), ..signal("coolant temperature, sensor 1", "°C", 1, 1, 1.0, -40.0) }, Signal { support: Some((0, 1)), ..signal("coolant temperature, sensor 2", "°C", 2, 1, 1.0, -40.0) }], coded: &[] },
    Pid { number: 0x68, length: 7, name: "intake air temperature sensors", signals: &[Signal { support: Some((0, 0)), ..signal("intake air temperature, bank 1, sensor 1", "°C", 1, 1, 1.0, -40.0) }, Signal { support: Some((0, 1)), ..signal("intake air temperature, bank 1, sensor 2", "°C", 2, 1, 1.0, -40.0) }, Signal { support: Some((0, 2)), ..signal("intake air temperature, bank 1, sensor 3", "°C", 3, 1, 1.0, -40.0) }, Signal { support: Some((0, 3)), ..signal("intake air temperature, bank 2, sensor 1", "°C", 4, 1, 1.0, -40.0) }, Signal { support: Some((0, 4)), ..signal("intake air temperature, bank 2, sensor 2", "°C", 5, 1, 1.0, -40.0) }, Signal { support: Some((0, 5)), ..signal("intake air temperature, bank 2, sensor 3", "°C", 6, 1, 1.0, -40.0) }], coded: &[] },
    Pid { number: 0x69, length: 7, name: "commanded exhaust gas recirculation and its error", signals: &[part("commanded exhaust gas recirculation A", "%", 1, 1, 100.0 / 255.0, 0.0, 0), part("actual exhaust gas recirculation A", "%", 2, 1, 100.0 / 255.0, 0.0, 1), part("exhaust gas recirculation error A", "%", 3, 1, 100.0 / 128.0, -100.0, 2), part("commanded exhaust gas recirculation B", "%", 4, 1, 100.0 / 255.0, 0.0, 3), part("actual exhaust gas recirculation B", "%", 5, 1, 100.0 / 255.0, 0.0, 4), part("exhaust gas recirculation error B", "%", 6, 1, 100.0 / 128.0, -100.0, 5)], coded: &[] },
    Pid { number: 0x6A, length: 5, name: "commanded diesel intake air flow", signals: &[part("commanded intake air flow A", "%", 1, 1, 100.0 / 255.0, 0.0, 0), part("relative intake air flow position A", "%", 2, 1, 100.0 / 255.0, 0.0, 1), part("commanded intake air flow B", "%", 3, 1, 100.0 / 255.0, 0.0, 2), part("relative intake air flow position B", "%", 4, 1, 100.0 / 255.0, 0.0, 3)], coded: &[] },
    Pid { number: 0x6B, length: 5, name: "exhaust gas recirculation temperature", signals: &[part("exhaust gas recirculation temperature, bank 1, sensor 1", "°C", 1, 1, 1.0, -40.0, 0), part("exhaust gas recirculation temperature, bank 1, sensor 2", "°C", 2, 1, 1.0, -40.0, 1), part("exhaust gas recirculation temperature, bank 2, sensor 1", "°C", 3, 1, 1.0, -40.0, 2), part("exhaust gas recirculation temperature, bank 2, sensor 2", "°C", 4, 1, 1.0, -40.0, 3), part("exhaust gas recirculation temperature, bank 1, sensor 1", "°C", 1, 1, 4.0, -40.0, 4), part("exhaust gas recirculation temperature, bank 1, sensor 2", "°C", 2, 1, 4.0, -40.0, 5), part("exhaust gas recirculation temperature, bank 2, sensor 1", "°C", 3, 1, 4.0, -40.0, 6), part("exhaust gas recirculation temperature, bank 2, sensor 2", "°C", 4, 1, 4.0, -40.0, 7)], coded: &[] },
    Pid { number: 0x6C, length: 5, name: "commanded throttle actuator control", signals: &[part("commanded throttle actuator A", "%", 1, 1, 100.0 / 255.0, 0.0, 0), part("relative throttle position A", "%", 2, 1, 100.0 / 255.0, 0.0, 1), part("commanded throttle actuator B", "%", 3, 1, 100.0 / 255.0, 0.0, 2), part("relative throttle position B", "%", 4, 1, 100.0 / 255.0, 0.0, 3)], coded: &[] },
    Pid { number: 0x6D, length: 11, name: "fuel pressure control", signals: &[part("commanded fuel rail pressure A", "kPa", 1, 2, 10.0, 0.0, 0), part("fuel rail pressure A", "kPa", 3, 2, 10.0, 0.0, 1), part("fuel rail temperature A", "°C", 5, 1, 1.0, -40.0, 2), part("commanded fuel rail pressure B", "kPa", 6, 2, 10.0, 0.0, 3), part("fuel rail pressure B", "kPa", 8, 2, 10.0, 0.0, 4), part("fuel rail temperature B", "°C", 10, 1, 1.0, -40.0, 5)], coded: &[] },
    Pid { number: 0x6E, length: 9, name: "injection pressure control", signals: &[part("commanded injection control pressure A", "kPa", 1, 2, 10.0, 0.0, 0), part("injection control pressure A", "kPa", 3, 2, 10.0, 0.0, 1), part("commanded injection control pressure B", "kPa", 5, 2, 10.0, 0.0, 2), part("injection control pressure B", "kPa", 7, 2, 10.0, 0.0, 3)], coded: &[] },
    Pid { number: 0x6F, length: 3, name: "turbocharger inlet pressure", signals: &[part("turbocharger inlet pressure, A", "kPa", 1, 1, 1.0, 0.0, 0), part("turbocharger inlet pressure, B", "kPa", 2, 1, 1.0, 0.0, 1)], coded: &[] },
    Pid { number: 0x70, length: 10, name: "boost pressure control", signals: &[part("commanded boost pressure A", "kPa", 1, 2, 0.03125, 0.0, 0), part("boost pressure A", "kPa", 3, 2, 0.03125, 0.0, 1), part("commanded boost pressure B", "kPa", 5, 2, 0.03125, 0.0, 3), part("boost pressure B", "kPa", 7, 2, 0.03125, 0.0, 4)], coded: &[Coded { name: "boost pressure control A", byte: 9, mask: 0x03, meanings: &CONTROL_A, support: Some((0, 2)) }, Coded { name: "boost pressure control B", byte: 9, mask: 0x0C, meanings: &CONTROL_B, support: Some((0, 5)) }] },
    Pid { number: 0x71, length: 6, name: "variable geometry turbine control", signals: &[part("commanded variable geometry turbine A", "%", 1, 1, 100.0 / 255.0, 0.0, 0), part("variable geometry turbine position A", "%", 2, 1, 100.0 / 255.0, 0.0, 1), part("commanded variable geometry turbine B", "%", 3, 1, 100.0 / 255.0, 0.0, 3), part("variable geometry turbine position B", "%", 4, 1, 100.0 / 255.0, 0.0, 4)], coded: &[Coded { name: "variable geometry turbine control A", byte: 5, mask: 0x03, meanings: &CONTROL_A, support: Some((0, 2)) }, Coded { name: "variable geometry turbine control B", byte: 5, mask: 0x0C, meanings: &CONTROL_B, support: Some((0, 5)) }] },
    Pid { number: 0x72, length: 5, name: "wastegate control", signals: &[part("commanded wastegate A", "%", 1, 1, 100.0 / 255.0, 0.0, 0), part("wastegate position A", "%", 2, 1, 100.0 / 255.0, 0.0, 1), part("commanded wastegate B", "%", 3, 1, 100.0 / 255.0, 0.0, 2), part("wastegate position B", "%", 4, 1, 100.0 / 255.0, 0.0, 3)], coded: &[] },
    Pid { number: 0x73, length: 5, name: "exhaust pressure", signals: &[part("exhaust pressure, bank 1", "kPa", 1, 2, 0.01, 0.0, 0), part("exhaust pressure, bank 2", "kPa", 3, 2, 0.01, 0.0, 1)], coded: &[] },
    Pid { number: 0x74, length: 5, name: "turbocharger speed", signals: &[part("turbocharger speed, A", "rpm", 1, 2, 10.0, 0.0, 0), part("turbocharger speed, B", "rpm", 3, 2, 10.0, 0.0, 1)], coded: &[] },
    Pid { number: 0x75, length: 7, name: "turbocharger A temperature", signals: &[part("turbocharger A compressor inlet temperature", "°C", 1, 1, 1.0, -40.0, 0), part("turbocharger A compressor outlet temperature", "°C", 2, 1, 1.0, -40.0, 1), part("turbocharger A turbine inlet temperature", "°C", 3, 2, 0.1, -40.0, 2), part("turbocharger A turbine outlet temperature", "°C", 5, 2, 0.1, -40.0, 3)], coded: &[] },
    Pid { number: 0x76, length: 7, name: "turbocharger B temperature", signals: &[part("turbocharger B compressor inlet temperature", "°C", 1, 1, 1.0, -40.0, 0), part("turbocharger B compressor outlet temperature", "°C", 2, 1, 1.0, -40.0, 1), part("turbocharger B turbine inlet temperature", "°C", 3, 2, 0.1, -40.0, 2), part("turbocharger B turbine outlet temperature", "°C", 5, 2, 0.1, -40.0, 3)], coded: &[] },
    Pid { number: 0x77, length: 5, name: "charge air cooler temperature", signals: &[part("charge air cooler temperature, bank 1, sensor 1", "°C", 1, 1, 1.0, -40.0, 0), part("charge air cooler temperature, bank 1, sensor 2", "°C", 2, 1, 1.0, -40.0, 1), part("charge air cooler temperature, bank 2, sensor 1", "°C", 3, 1, 1.0, -40.0, 2), part("charge air cooler temperature, bank 2, sensor 2", "°C", 4, 1, 1.0, -40.0, 3)], coded: &[] },
    Pid { number: 0x78, length: 9, name: "exhaust gas temperature, bank 1", signals: &[part("exhaust gas temperature, bank 1, sensor 1", "°C", 1, 2, 0.1, -40.0, 0), part("exhaust gas temperature, bank 1, sensor 2", "°C", 3, 2, 0.1, -40.0, 1), part("exhaust gas temperature, bank 1, sensor 3", "°C", 5, 2, 0.1, -40.0, 2), part("exhaust gas temperature, bank 1, sensor 4", "°C", 7, 2, 0.1, -40.0, 3)], coded: &[] },
    Pid { number: 0x79, length: 9, name: "exhaust gas temperature, bank 2", signals: &[part("exhaust gas temperature, bank 2, sensor 1", "°C", 1, 2, 0.1, -40.0, 0), part("exhaust gas temperature, bank 2, sensor 2", "°C", 3, 2, 0.1, -40.0, 1), part("exhaust gas temperature, bank 2, sensor 3", "°C", 5, 2, 0.1, -40.0, 2), part("exhaust gas temperature, bank 2, sensor 4", "°C", 7, 2, 0.1, -40.0, 3)], coded: &[] },
    Pid { number: 0x7A, length: 7, name: "particulate filter, bank 1", signals: &[Signal { signed: true, ..part("particulate filter differential pressure, bank 1", "kPa", 1, 2, 0.01, 0.0, 0) }, part("particulate filter inlet pressure, bank 1", "kPa", 3, 2, 0.01, 0.0, 1), part("particulate filter outlet pressure, bank 1", "kPa", 5, 2, 0.01, 0.0, 2)], coded: &[] },
    Pid { number: 0x7B, length: 7, name: "particulate filter, bank 2", signals: &[Signal { signed: true, ..part("particulate filter differential pressure, bank 2", "kPa", 1, 2, 0.01, 0.0, 0) }, part("particulate filter inlet pressure, bank 2", "kPa", 3, 2, 0.01, 0.0, 1), part("particulate filter outlet pressure, bank 2", "kPa", 5, 2, 0.01, 0.0, 2)], coded: &[] },
    Pid { number: 0x7C, length: 9, name: "particulate filter temperature", signals: &[part("particulate filter temperature, bank 1, inlet", "°C", 1, 2, 0.1, -40.0, 0), part("particulate filter temperature, bank 1, outlet", "°C", 3, 2, 0.1, -40.0, 1), part("particulate filter temperature, bank 2, inlet", "°C", 5, 2, 0.1, -40.0, 2), part("particulate filter temperature, bank 2, outlet", "°C", 7, 2, 0.1, -40.0, 3)], coded: &[] },
    Pid { number: 0x7D, length: 1, name: "NOx control area status", signals: &[], coded: &[Coded { name: "inside the NOx control area", byte: 0, mask: 0x01, meanings: &[(0, "no"), (0x01, "yes")], support: None }, Coded { name: "outside the NOx control area", byte: 0, mask: 0x02, meanings: &[(0, "no"), (0x02, "yes")], support: None }, Coded { name: "inside the exempt NOx area", byte: 0, mask: 0x04, meanings: &[(0, "no"), (0x04, "yes")], support: None }, Coded { name: "deficiency for NOx active", byte: 0, mask: 0x08, meanings: &[(0, "no"), (0x08, "yes")], support: None }] },
    Pid { number: 0x7E, length: 1, name: "particulate control area status", signals: &[], coded: &[Coded { name: "inside the particulate control area", byte: 0, mask: 0x01, meanings: &[(0, "no"), (0x01, "yes")], support: None }, Coded { name: "outside the particulate control area", byte: 0, mask: 0x02, meanings: &[(0, "no"), (0x02, "yes")], support: None }, Coded { name: "inside the exempt particulate area", byte: 0, mask: 0x04, meanings: &[(0, "no"), (0x04, "yes")], support: None }, Coded { name: "deficiency for particulate active", byte: 0, mask: 0x08, meanings: &[(0, "no"), (0x08, "yes")], support: None }] },
    Pid { number: 0x7F, length: 13, name: "engine run time", signals: &[part("total engine run time", "s", 1, 4, 1.0, 0.0, 0), part("total idle run time", "s", 5, 4, 1.0, 0.0, 1), part("total run time with power take-off", "s", 9, 4, 1.0, 0.0, 2)], coded: &[] },
    Pid { number: 0x80, length: 4, name: "PIDs supported after 80", signals: &[], coded: &[] },
    Pid { number: 0x81, length: 41, name: "run time of emission control devices, 1 to 5", signals: &[part("run time of emission control device 1, timer 1", "s", 1, 4, 1.0, 0.0, 0), part("run time of emission control device 1, timer 2", "s", 5, 4, 1.0, 0.0, 0), part("run time of emission control device 2, timer 1", "s", 9, 4, 1.0, 0.0, 1), part("run time of emission control device 2, timer 2", "s", 13, 4, 1.0, 0.0, 1), part("run time of emission control device 3, timer 1", "s", 17, 4, 1.0, 0.0, 2), part("run time of emission control device 3, timer 2", "s", 21, 4, 1.0, 0.0, 2), part("run time of emission control device 4, timer 1", "s", 25, 4, 1.0, 0.0, 3), part("run time of emission control device 4, timer 2", "s", 29, 4, 1.0, 0.0, 3), part("run time of emission control device 5, timer 1", "s", 33, 4, 1.0, 0.0, 4), part("run time of emission control device 5, timer 2", "s", 37, 4, 1.0, 0.0, 4)], coded: &[] },
    Pid { number: 0x82, length: 41, name: "run time of emission control devices, 6 to 10", signals: &[part("run time of emission control device 6, timer 1", "s", 1, 4, 1.0, 0.0, 0), part("run time of emission control device 6, timer 2", "s", 5, 4, 1.0, 0.0, 0), part("run time of emission control device 7, timer 1", "s", 9, 4, 1.0, 0.0, 1), part("run time of emission control device 7, timer 2", "s", 13, 4, 1.0, 0.0, 1), part("run time of emission control device 8, timer 1", "s", 17, 4, 1.0, 0.0, 2), part("run time of emission control device 8, timer 2", "s", 21, 4, 1.0, 0.0, 2), part("run time of emission control device 9, timer 1", "s", 25, 4, 1.0, 0.0, 3), part("run time of emission control device 9, timer 2", "s", 29, 4, 1.0, 0.0, 3), part("run time of emission control device 10, timer 1", "s", 33, 4, 1.0, 0.0, 4), part("run time of emission control device 10, timer 2", "s", 37, 4, 1.0, 0.0, 4)], coded: &[] },
    Pid { number: 0x83, length: 9, name: "NOx sensor", signals: &[part("NOx concentration, sensor 1", "ppm", 1, 2, 1.0, 0.0, 0), part("NOx concentration, sensor 2", "ppm", 3, 2, 1.0, 0.0, 1), part("NOx concentration, sensor 3", "ppm", 5, 2, 1.0, 0.0, 2), part("NOx concentration, sensor 4", "ppm", 7, 2, 1.0, 0.0, 3)], coded: &[] },
    Pid { number: 0x84, length: 1, name: "manifold surface temperature", signals: &[signal("manifold surface temperature", "°C", 0, 1, 1.0, -40.0)], coded: &[] },
    Pid { number: 0x85, length: 10, name: "NOx reagent system", signals: &[part("average reagent consumption", "L/h", 1, 2, 0.005, 0.0, 0), part("average demanded reagent consumption", "L/h", 3, 2, 0.005, 0.0, 1), part("reagent tank level", "%", 5, 1, 100.0 / 255.0, 0.0, 2), part("total run time with reagent warning", "s", 6, 4, 1.0, 0.0, 3)], coded: &[] },
    Pid { number: 0x86, length: 5, name: "particulate sensor", signals: &[part("particulate concentration, bank 1", "mg/m³", 1, 2, 0.0125, 0.0, 0), part("particulate concentration, bank 2", "mg/m³", 3, 2, 0.0125, 0.0, 1)], coded: &[] },
    Pid { number: 0x87, length: 5, name: "intake manifold absolute pressure A and B", signals: &[part("intake manifold pressure, A", "kPa", 1, 2, 0.03125, 0.0, 0), part("intake manifold pressure, B", "kPa", 3, 2, 0.03125, 0.0, 1)], coded: &[] },
    Pid { number: 0x88, length: 13, name: "reagent inducement status", signals: &[], coded: &[] },
    Pid { number: 0x89, length: 41, name: "run time of emission control devices, 11 to 15", signals: &[part("run time of emission control device 11, timer 1", "s", 1, 4, 1.0, 0.0, 0), part("run time of emission control device 11, timer 2", "s", 5, 4, 1.0, 0.0, 0), part("run time of emission control device 12, timer 1", "s", 9, 4, 1.0, 0.0, 1), part("run time of emission control device 12, timer 2", "s", 13, 4, 1.0, 0.0, 1), part("run time of emission control device 13, timer 1", "s", 17, 4, 1.0, 0.0, 2), part("run time of emission control device 13, timer 2", "s", 21, 4, 1.0, 0.0, 2), part("run time of emission control device 14, timer 1", "s", 25, 4, 1.0, 0.0, 3), part("run time of emission control device 14, timer 2", "s", 29, 4, 1.0, 0.0, 3), part("run time of emission control device 15, timer 1", "s", 33, 4, 1.0, 0.0, 4), part("run time of emission control device 15, timer 2", "s", 37, 4, 1.0, 0.0, 4)], coded: &[] },
    Pid { number: 0x8A, length: 41, name: "run time of emission control devices, 16 to 20", signals: &[part("run time of emission control device 16, timer 1", "s", 1, 4, 1.0, 0.0, 0), part("run time of emission control device 16, timer 2", "s", 5, 4, 1.0, 0.0, 0), part("run time of emission control device 17, timer 1", "s", 9, 4, 1.0, 0.0, 1), part("run time of emission control device 17, timer 2", "s", 13, 4, 1.0, 0.0, 1), part("run time of emission control device 18, timer 1", "s", 17, 4, 1.0, 0.0, 2), part("run time of emission control device 18, timer 2", "s", 21, 4, 1.0, 0.0, 2), part("run time of emission control device 19, timer 1", "s", 25, 4, 1.0, 0.0, 3), part("run time of emission control device 19, timer 2", "s", 29, 4, 1.0, 0.0, 3), part("run time of emission control device 20, timer 1", "s", 33, 4, 1.0, 0.0, 4), part("run time of emission control device 20, timer 2", "s", 37, 4, 1.0, 0.0, 4)], coded: &[] },
    Pid { number: 0x8B, length: 7, name: "diesel aftertreatment", signals: &[part("particulate filter regeneration trigger", "%", 2, 1, 100.0 / 255.0, 0.0, 4), part("average time between regenerations", "min", 3, 2, 1.0, 0.0, 5), part("average distance between regenerations", "km", 5, 2, 1.0, 0.0, 6)], coded: &[] },
    Pid { number: 0x8C, length: 17, name: "wide range oxygen sensors", signals: &[part("oxygen concentration, bank 1, sensor 1", "%", 1, 2, 100.0 / 65_535.0, 0.0, 0), part("oxygen concentration, bank 1, sensor 2", "%", 3, 2, 100.0 / 65_535.0, 0.0, 1), part("oxygen concentration, bank 2, sensor 1", "%", 5, 2, 100.0 / 65_535.0, 0.0, 2), part("oxygen concentration, bank 2, sensor 2", "%", 7, 2, 100.0 / 65_535.0, 0.0, 3), part("lambda, bank 1, sensor 1", "", 9, 2, 8.0 / 65_536.0, 0.0, 4), part("lambda, bank 1, sensor 2", "", 11, 2, 8.0 / 65_536.0, 0.0, 5), part("lambda, bank 2, sensor 1", "", 13, 2, 8.0 / 65_536.0, 0.0, 6), part("lambda, bank 2, sensor 2", "", 15, 2, 8.0 / 65_536.0, 0.0, 7)], coded: &[] },
    Pid { number: 0x8D, length: 1, name: "absolute throttle position G", signals: &[signal("absolute throttle position G", "%", 0, 1, 100.0 / 255.0, 0.0)], coded: &[] },
    Pid { number: 0x8E, length: 1, name: "engine friction torque", signals: &[signal("engine friction torque", "%", 0, 1, 1.0, -125.0)], coded: &[] },
    Pid { number: 0x8F, length: 7, name: "particulate sensor output", signals: &[], coded: &[] },
    Pid { number: 0x90, length: 3, name: "WWH-OBD vehicle system information, vehicle", signals: &[], coded: &[] },
    Pid { number: 0x91, length: 5, name: "WWH-OBD vehicle system information, module", signals: &[], coded: &[] },
    Pid { number: 0x92, length: 2, name: "fuel system control", signals: &[], coded: &[] },
    Pid { number: 0x93, length: 3, name: "WWH-OBD counters", signals: &[], coded: &[] },
    Pid { number: 0x94, length: 12, name: "NOx warning and inducement", signals: &[], coded: &[] },
    Pid { number: 0x98, length: 9, name: "exhaust gas temperature, bank 1, second set", signals: &[part("exhaust gas temperature, bank 1, sensor 5", "°C", 1, 2, 0.1, -40.0, 0), part("exhaust gas temperature, bank 1, sensor 6", "°C", 3, 2, 0.1, -40.0, 1), part("exhaust gas temperature, bank 1, sensor 7", "°C", 5, 2, 0.1, -40.0, 2), part("exhaust gas temperature, bank 1, sensor 8", "°C", 7, 2, 0.1, -40.0, 3)], coded: &[] },
    Pid { number: 0x99, length: 9, name: "exhaust gas temperature, bank 2, second set", signals: &[part("exhaust gas temperature, bank 2, sensor 5", "°C", 1, 2, 0.1, -40.0, 0), part("exhaust gas temperature, bank 2, sensor 6", "°C", 3, 2, 0.1, -40.0, 1), part("exhaust gas temperature, bank 2, sensor 7", "°C", 5, 2, 0.1, -40.0, 2), part("exhaust gas temperature, bank 2, sensor 8", "°C", 7, 2, 0.1, -40.0, 3)], coded: &[] },
    Pid { number: 0x9A, length: 6, name: "hybrid battery and vehicle system", signals: &[part("hybrid battery voltage", "V", 2, 2, 0.015625, 0.0, 1), Signal { signed: true, ..part("hybrid battery current", "A", 4, 2, 0.1, 0.0, 2) }], coded: &[Coded { name: "charging state", byte: 1, mask: 0x01, meanings: &[(0, "charge sustaining"), (0x01, "charge depleting")], support: Some((0, 0)) }, Coded { name: "enhanced charging state", byte: 1, mask: 0x06, meanings: &[(0, "charge sustaining"), (0x02, "charge depleting"), (0x04, "charge increasing")], support: Some((0, 3)) }] },
    Pid { number: 0x9B, length: 4, name: "diesel exhaust fluid sensor", signals: &[part("exhaust fluid concentration", "%", 1, 1, 0.25, 0.0, 0), part("exhaust fluid temperature", "°C", 2, 1, 1.0, -40.0, 1), part("exhaust fluid tank level", "%", 3, 1, 100.0 / 255.0, 0.0, 2)], coded: &[] },
    Pid { number: 0x9C, length: 17, name: "oxygen sensors, second set", signals: &[part("oxygen concentration, bank 1, sensor 3", "%", 1, 2, 100.0 / 65_535.0, 0.0, 0), part("oxygen concentration, bank 1, sensor 4", "%", 3, 2, 100.0 / 65_535.0, 0.0, 1), part("oxygen concentration, bank 2, sensor 3", "%", 5, 2, 100.0 / 65_535.0, 0.0, 2), part("oxygen concentration, bank 2, sensor 4", "%", 7, 2, 100.0 / 65_535.0, 0.0, 3), part("lambda, bank 1, sensor 3", "", 9, 2, 8.0 / 65_536.0, 0.0, 4), part("lambda, bank 1, sensor 4", "", 11, 2, 8.0 / 65_536.0, 0.0, 5), part("lambda, bank 2, sensor 3", "", 13, 2, 8.0 / 65_536.0, 0.0, 6), part("lambda, bank 2, sensor 4", "", 15, 2, 8.0 / 65_536.0, 0.0, 7)], coded: &[] },
    Pid { number: 0x9D, length: 4, name: "engine and vehicle fuel rate", signals: &[signal("engine fuel rate", "g/s", 0, 2, 0.02, 0.0), signal("vehicle fuel rate", "g/s", 2, 2, 0.02, 0.0)], coded: &[] },
    Pid { number: 0x9E, length: 2, name: "exhaust flow rate", signals: &[signal("exhaust flow rate", "kg/h", 0, 2, 0.2, 0.0)], coded: &[] },
    Pid { number: 0x9F, length: 9, name: "fuel system use", signals: &[part("fuel system A use, bank 1", "%", 1, 1, 100.0 / 255.0, 0.0, 0), part("fuel system B use, bank 1", "%", 2, 1, 100.0 / 255.0, 0.0, 1), part("fuel system A use, bank 2", "%", 3, 1, 100.0 / 255.0, 0.0, 2), part("fuel system B use, bank 2", "%", 4, 1, 100.0 / 255.0, 0.0, 3), part("fuel system A use, bank 3", "%", 5, 1, 100.0 / 255.0, 0.0, 4), part("fuel system B use, bank 3", "%", 6, 1, 100.0 / 255.0, 0.0, 5), part("fuel system A use, bank 4", "%", 7, 1, 100.0 / 255.0, 0.0, 6), part("fuel system B use, bank 4", "%", 8, 1, 100.0 / 255.0, 0.0, 7)], coded: &[] },
    Pid { number: 0xA0, length: 4, name: "PIDs supported after A0", signals: &[], coded: &[] },
    Pid { number: 0xA1, length: 9, name: "NOx sensors, corrected", signals: &[part("corrected NOx concentration, sensor 1", "ppm", 1, 2, 1.0, 0.0, 0), part("corrected NOx concentration, sensor 2", "ppm", 3, 2, 1.0, 0.0, 1), part("corrected NOx concentration, sensor 3", "ppm", 5, 2, 1.0, 0.0, 2), part("corrected NOx concentration, sensor 4", "ppm", 7, 2, 1.0, 0.0, 3)], coded: &[] },
    Pid { number: 0xA2, length: 2, name: "cylinder fuel rate", signals: &[signal("cylinder fuel rate", "mg/stroke", 0, 2, 0.03125, 0.0)], coded: &[] },
    Pid { number: 0xA3, length: 9, name: "evaporative system pressure, second set", signals: &[], coded: &[] },
    Pid { number: 0xA4, length: 4, name: "transmission gear", signals: &[Signal { support: Some((0, 1)), ..signal("actual gear ratio", "", 2, 2, 0.001, 0.0) }], coded: &[] },
    Pid { number: 0xA5, length: 4, name: "commanded diesel exhaust fluid dosing", signals: &[part("commanded exhaust fluid dosing", "%", 1, 1, 0.5, 0.0, 0)], coded: &[] },
    Pid { number: 0xA6, length: 4, name: "odometer", signals: &[signal("odometer", "km", 0, 4, 0.1, 0.0)], coded: &[] },
    Pid { number: 0xA7, length: 4, name: "NOx sensor concentration, sensors 3 and 4", signals: &[], coded: &[] },
    Pid { number: 0xA8, length: 4, name: "NOx sensor corrected concentration, sensors 3 and 4", signals: &[], coded: &[] },
    Pid { number: 0xA9, length: 1, name: "ABS disable switch", signals: &[], coded: &[] },
    Pid { number: 0xC0, length: 4, name: "PIDs supported after C0", signals: &[], coded: &[] },
];
