//! Preferred source addresses of SAE J1939.

/// Preferred addresses, ascending, worded by us: the global ones (J1939 digital annex, table B2),
/// and 0xA0 of on-highway equipment (table B3). Compared with three openly published lists: a 2007
/// one (up to 0x3C; its order differs from there on), a newer one of all global addresses, which
/// alone has those from 0x51 up, and that of an ISO 11783 stack for 0xA0.
///
/// From 0x80 to 0xF7 an address means another thing in each industry group, or is claimed freely,
/// so that none but 0xA0 is named there: what is not named has to be treated with care.
pub const ADDRESSES: [(u8, &str); 103] = [
    (0x00, "engine 1"),
    (0x01, "engine 2"),
    (0x02, "turbocharger"),
    (0x03, "transmission 1"),
    (0x04, "transmission 2"),
    (0x05, "shift console"),
    (0x06, "shift console 2"),
    (0x07, "power take-off, main or rear"),
    (0x08, "steering axle"),
    (0x09, "drive axle 1"),
    (0x0A, "drive axle 2"),
    (0x0B, "brakes, system controller"),
    (0x0C, "brakes, steering axle"),
    (0x0D, "brakes, drive axle 1"),
    (0x0E, "brakes, drive axle 2"),
    (0x0F, "engine retarder"),
    (0x10, "driveline retarder"),
    (0x11, "cruise control"),
    (0x12, "fuel system"),
    (0x13, "steering controller"),
    (0x14, "suspension, steering axle"),
    (0x15, "suspension, drive axle 1"),
    (0x16, "suspension, drive axle 2"),
    (0x17, "instrument cluster"),
    (0x18, "trip recorder"),
    (0x19, "climate control 1"),
    (0x1A, "alternator and charging system"),
    (0x1B, "aerodynamic control"),
    (0x1C, "navigation"),
    (0x1D, "vehicle security"),
    (0x1E, "electrical system"),
    (0x1F, "starter system"),
    (0x20, "tractor-trailer bridge"),
    (0x21, "body controller"),
    (0x22, "auxiliary or engine air valves"),
    (0x23, "hitch control"),
    (0x24, "power take-off, front or secondary"),
    (0x25, "off-vehicle gateway"),
    (0x26, "virtual terminal in the cab"),
    (0x27, "management computer 1"),
    (0x28, "cab display 1"),
    (0x29, "engine exhaust retarder 1"),
    (0x2A, "headway controller"),
    (0x2B, "on-board diagnostic unit"),
    (0x2C, "engine exhaust retarder 2"),
    (0x2D, "endurance braking system"),
    (0x2E, "hydraulic pump controller"),
    (0x2F, "suspension, system controller 1"),
    (0x30, "pneumatic system controller"),
    (0x31, "cab controller, primary"),
    (0x32, "cab controller, secondary"),
    (0x33, "tyre pressure controller"),
    (0x34, "ignition control 1"),
    (0x35, "ignition control 2"),
    (0x36, "seat control 1"),
    (0x37, "lighting controls"),
    (0x38, "rear axle steering controller"),
    (0x39, "water pump controller"),
    (0x3A, "climate control 2"),
    (0x3B, "transmission display"),
    (0x3C, "transmission display 2"),
    (0x3D, "exhaust emission controller"),
    (0x3E, "vehicle dynamic stability controller"),
    (0x3F, "oil sensor"),
    (0x40, "suspension, system controller 2"),
    (0x41, "information system controller"),
    (0x42, "ramp control"),
    (0x43, "clutch or converter unit"),
    (0x44, "auxiliary heater 1"),
    (0x45, "auxiliary heater 2"),
    (0x46, "engine valve controller"),
    (0x47, "chassis controller 1"),
    (0x48, "chassis controller 2"),
    (0x49, "propulsion battery charger"),
    (0x4A, "communications unit, cellular"),
    (0x4B, "communications unit, satellite"),
    (0x4C, "communications unit, radio"),
    (0x4D, "steering column unit"),
    (0x4E, "fan drive controller"),
    (0x4F, "seat control 2"),
    (0x50, "parking brake controller"),
    (0x51, "aftertreatment 1, gas intake"),
    (0x52, "aftertreatment 1, gas outlet"),
    (0x53, "occupant restraint system 1"),
    (0x54, "cab display 2"),
    (0x55, "particulate filter controller"),
    (0x56, "aftertreatment 2, gas intake"),
    (0x57, "aftertreatment 2, gas outlet"),
    (0x58, "occupant restraint system 2"),
    (0x59, "atmospheric sensor"),
    (0x5A, "powertrain control module"),
    (0x5B, "power systems manager"),
    (0x5C, "engine injection control"),
    (0x5D, "fire protection system"),
    (0x5E, "driver impairment device"),
    (0x5F, "charging supply communication"),
    (0x60, "vehicle adapter communication"),
    (0x61, "fuel cell system"),
    (0xA0, "advanced emergency braking"),
    (0xF8, "file server or printer"),
    (0xF9, "service tool"),
    (0xFA, "service tool 2"),
    (0xFB, "on-board data logger"),
];

/// Addresses of service tools, which are not of the vehicle: the first by SAE J1939 (base document,
/// table B2, from memory), the second as testers for all makers use it.
pub const SERVICE_TOOLS: [u8; 2] = [0xF9, 0xFA];

/// Usual name of a source address; makers may deviate.
///
/// ```
/// use lostnode_parsers::j1939::address_name;
/// assert_eq!(address_name(0x53), Some("occupant restraint system 1"));
/// assert_eq!(address_name(0x90), None);
/// ```
pub fn address_name(address: u8) -> Option<&'static str> {
    let at = ADDRESSES.binary_search_by_key(&address, |(known, _)| *known).ok()?;
    Some(ADDRESSES[at].1)
}

/// Addresses of [`ADDRESSES`], ascending, of what drives, brakes, steers, cleans the exhaust or
/// protects, so that none of them has a switch for its user: engines, transmissions, brakes,
/// retarders, steering, emission control, restraints.
const VITAL: [u8; 35] = [
    0x00, 0x01, 0x02, 0x03, 0x04, 0x08, 0x0B, 0x0C, 0x0D, 0x0E, 0x0F, 0x10, 0x12, 0x13, 0x29, 0x2C,
    0x2D, 0x34, 0x35, 0x38, 0x3D, 0x3E, 0x43, 0x46, 0x50, 0x51, 0x52, 0x53, 0x55, 0x56, 0x57, 0x58,
    0x5A, 0x5C, 0xA0,
];

/// Whether by its usual name an address is of a unit that drives, brakes, steers, cleans the
/// exhaust or protects.
///
/// ```
/// use lostnode_parsers::j1939::is_vital;
/// assert!(is_vital(0x53)); // occupant restraint system 1
/// assert!(!is_vital(0x44)); // auxiliary heater 1
/// ```
pub fn is_vital(address: u8) -> bool {
    VITAL.binary_search(&address).is_ok()
}
