"""Roles of units, their feeds, J2012 code numbers (from shared/facts/network-codes.tsv), checksums, frame times."""
# role: (called, code, domain, possible feeds, names)
# feeds: "15" ignition fuse, "acc" accessory relay, "rel" engine main relay (after-run),
#        "b15" battery with an ignition sense wire, "bus" battery, woken by the bus
ROLES = {
 "engine": ("ecm/pcm a", 0x100, "P", ("rel", "rel", "b15"), ("engine", "ecm", "dme", "motor")),
 "gearbox": ("tcm", 0x101, "P", ("15", "rel", "b15"), ("gearbox", "tcm", "egs", "transmission")),
 "selector": ("gear shift control module a", 0x103, "P", ("15", "b15"), ("selector", "gsm", "lever")),
 "transfer": ("transfer case control module", 0x102, "P", ("15",), ("transfer", "tccm")),
 "fuelpump": ("fuel pump control module a", 0x109, "P", ("rel", "15"), ("fuelpump", "fpcm")),
 "glow": ("glow plug control module 1", 0x106, "P", ("rel",), ("glow",)),
 "nox": ("nox sensor a", 0x29D, "P", ("rel", "15"), ("nox1",)),
 "bms": ("battery energy control module a", 0x111, "P", ("b15", "bus"), ("bms", "hvbat")),
 "motor": ("drive motor control module a", 0x110, "P", ("15", "b15"), ("inverter", "mcu")),
 "dcdc": ("dc/dc converter control module a", 0x298, "P", ("15", "bus"), ("dcdc",)),
 "batmon": ("battery monitor module", 0x1B0, "P", ("bus",), ("ibs",)),
 "abs": ("anti-lock brake system (abs) control module a", 0x121, "C", ("b15", "15"), ("abs", "dsc", "esp")),
 "vdc": ("vehicle dynamics control module", 0x122, "C", ("15",), ("vdc",)),
 "yaw": ("yaw rate sensor module", 0x123, "C", ("15",), ("yaw", "cluster_sensor")),
 "sas": ("steering angle sensor module", 0x126, "C", ("15", "bus"), ("sas", "angle")),
 "eps": ("power steering control module a", 0x131, "C", ("b15", "15"), ("eps", "steering")),
 "tpms": ("tire pressure monitor module", 0x127, "B", ("15", "bus"), ("tpms", "rdk")),
 "epb": ("park brake control module", 0x128, "C", ("b15", "bus"), ("epb", "parkbrake")),
 "susp": ("suspension control module a", 0x132, "C", ("15", "b15"), ("suspension", "damper")),
 "awd": ("all wheel drive control module", 0x11D, "C", ("15",), ("awd", "haldex")),
 "radar": ("front distance range sensor - single sensor or center", 0x235, "C", ("15",), ("radar", "acc")),
 "camera": ("image processing module a", 0x23A, "C", ("15",), ("camera", "lane")),
 "srs": ("restraints control module", 0x151, "B", ("15", "15", "b15"), ("airbag", "srs", "rcm")),
 "ocs": ("restraints occupant classification system module", 0x154, "B", ("15",), ("ocs",)),
 "body": ("body control module", 0x140, "B", ("bus", "b15"), ("body", "bcm", "central")),
 "ipc": ("instrument panel cluster (ipc) control module", 0x155, "B", ("bus", "b15"), ("cluster", "ipc", "kombi")),
 "hvac": ("hvac control module", 0x164, "B", ("15", "bus"), ("hvac", "climate")),
 "immo": ("vehicle immobilizer control module", 0x167, "B", ("bus",), ("immo", "cas")),
 "column": ("steering column control module", 0x212, "B", ("bus", "15"), ("column", "sccm")),
 "pdc": ("parking assist control module a", 0x159, "B", ("15", "acc"), ("pdc", "parking")),
 "doord": ("door control module a", 0x199, "B", ("bus",), ("door_fl",)),
 "doorp": ("door control module b", 0x200, "B", ("bus",), ("door_fr",)),
 "seat": ("seat control module a", 0x208, "B", ("bus",), ("seat_d",)),
 "rearlight": ("lighting control module - rear a", 0x183, "B", ("bus",), ("rear_light",)),
 "headlamp": ("headlamp control module a", 0x241, "B", ("15",), ("headlamp",)),
 "gate": ("rear gate module", 0x230, "B", ("bus",), ("tailgate",)),
 "trailer": ("trailer brake control module", 0x137, "B", ("bus", "15"), ("trailer",)),
 "rain": ("rain sensing module", 0x231, "B", ("15",), ("rain",)),
 "radio": ("radio", 0x184, "F", ("acc", "bus"), ("radio", "headunit")),
 "amp": ("audio amplifier a", 0x186, "F", ("acc", "bus"), ("amplifier",)),
 "tel": ("telematic control module", 0x198, "F", ("bus",), ("telematics",)),
 "nav": ("navigation control module", 0x163, "F", ("acc",), ("navi",)),
 "aux": ("auxiliary heater control module", 0x166, "F", ("bus",), ("aux_heater",)),
 "hud": ("head up display", 0x158, "F", ("15", "acc"), ("hud",)),
}
GATE = ("serial data gateway module a", 0x146, "G", ("b15", "bus"), ("gateway", "cgw", "zgw"))
SWITCHED = ("radio", "amp", "aux", "pdc", "camera", "hud", "trailer", "seat", "tel", "susp", "nav")
# trucks: source address, feeds, messages (priority, PGN, period)
TRUCK = {
 "engine": (0x00, ("rel", "b15"), [(3, 0xF004, .02), (3, 0xF003, .05), (6, 0xFEEE, 1), (6, 0xFEEF, .5), (6, 0xFEF2, .1), (6, 0xFEF6, .5), (6, 0xFEF7, 1), (6, 0xFEDF, .1), (4, 0xF00A, .05)]),
 "gearbox": (0x03, ("15", "b15"), [(3, 0xF002, .01), (6, 0xF005, .1), (6, 0xFEF8, 1), (6, 0xFFA1, .1)]),
 "abs": (0x0B, ("15", "b15"), [(6, 0xF001, .1), (6, 0xFEBF, .1), (3, 0xF009, .02), (6, 0xFEC4, .1)]),
 "retarder_engine": (0x0F, ("rel", "15"), [(6, 0xF000, .1), (6, 0xFEE1, 5)]),
 "retarder": (0x10, ("15",), [(6, 0xF000, .1), (6, 0xFFB0, .5)]),
 "steering": (0x13, ("15",), [(6, 0xF00B, .05), (6, 0xFFB4, .2)]),
 "cluster": (0x17, ("bus", "b15"), [(6, 0xFEE0, .1), (6, 0xFEFC, 1), (6, 0xFFC0, .25), (6, 0xFEE6, 1)]),
 "climate": (0x19, ("15", "bus"), [(6, 0xFEF5, 1), (6, 0xFFC5, .5)]),
 "body": (0x21, ("bus", "b15"), [(6, 0xFEF1, .1), (6, 0xFE4E, .1), (6, 0xFFC9, .25), (6, 0xFDCC, 1)]),
 "cab": (0x31, ("bus",), [(6, 0xFFD0, .1), (6, 0xFE40, 1)]),
 "vehicle": (0x27, ("b15", "15"), [(6, 0xFEF1, .1), (6, 0xFFD2, .05), (6, 0xFEC1, 1)]),
 "radar": (0x2A, ("15",), [(6, 0xFE6F, .1), (6, 0xFFD6, .05)]),
 "suspension": (0x2F, ("15",), [(6, 0xFE5A, .1), (6, 0xFE58, .1)]),
 "aftertreatment": (0x3D, ("rel", "15"), [(6, 0xF023, .5), (6, 0xFD8C, .5), (6, 0xFE56, 1)]),
 "nox_in": (0x51, ("rel",), [(6, 0xF00E, .05)]),
 "nox_out": (0x52, ("rel",), [(6, 0xF00F, .05)]),
 "camera": (0xE8, ("15",), [(6, 0xF007, .1), (6, 0xFFE0, .04)]),
 "tachograph": (0xEE, ("bus",), [(3, 0xFE6C, .05), (6, 0xFEE6, 1), (6, 0xFE6B, 10)]),
 "gateway": (0x25, ("b15", "bus"), [(6, 0xFFE8, .1), (6, 0xFFE9, 1)]),
}

def table(poly):
    out = []
    for i in range(256):
        c = i
        for _ in range(8):
            c = ((c << 1) ^ poly) & 255 if c & 128 else c << 1
        out.append(c)
    return out
CRC1D, CRC2F = table(0x1D), table(0x2F)

def check(kind, data, skip, did):
    """End-to-end protection byte in several house styles (profile 1 and 2 like, sums, xor)."""
    if kind == "sum" or kind == "sumid":
        return (sum(data) - data[skip] + (did & 255 if kind == "sumid" else 0)) & 255
    if kind == "xor":
        c = did & 255
        for i, b in enumerate(data):
            if i != skip: c ^= b
        return c
    tab, c = (CRC1D, 0xFF) if kind == "crc1d" else (CRC2F, 0xFF)
    if kind == "crc1d": c = tab[c ^ (did & 255)]
    for i, b in enumerate(data):
        if i != skip: c = tab[c ^ b]
    if kind == "crc2f": c = tab[c ^ (did & 255)]
    return c ^ 0xFF

def bits(ident, n):
    """Bits of a frame with the space between and a middling number of stuff bits."""
    return (67 + 8 * n + (54 + 8 * n) // 9) if ident > 0x7FF else (47 + 8 * n + (34 + 8 * n) // 9)
