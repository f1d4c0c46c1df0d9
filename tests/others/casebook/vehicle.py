"""Draws a vehicle: units, their feeds and grounds, bus wires, messages, watchers, diagnosis."""
import math

# role: (words of its "lost communication with" code, code, kind of traffic, can be switched off by its user)
CAR = {
    "engine": ("ecm/pcm a", "U0100", "p", 0), "gearbox": ("tcm", "U0101", "p", 0),
    "transfer case": ("transfer case control module", "U0102", "p", 0),
    "shifter": ("gear shift control module a", "U0103", "p", 0),
    "glow plugs": ("glow plug control module 1", "U0106", "p", 0),
    "abs": ("anti-lock brake system (abs) control module a", "U0121", "p", 0),
    "steering angle": ("steering angle sensor module", "U0126", "p", 0),
    "tyre pressure": ("tire pressure monitor module", "U0127", "b", 0),
    "park brake": ("park brake control module", "U0128", "p", 0),
    "power steering": ("power steering control module a", "U0131", "p", 0),
    "suspension": ("suspension control module a", "U0132", "p", 0),
    "trailer brake": ("trailer brake control module", "U0137", "b", 1),
    "body": ("body control module", "U0140", "b", 0), "rear body": ("body control module b", "U0142", "b", 0),
    "gateway": ("serial data gateway module a", "U0146", "g", 0),
    "airbag": ("restraints control module", "U0151", "b", 0),
    "occupant sensor": ("restraints occupant classification system module", "U0154", "b", 0),
    "cluster": ("instrument panel cluster (ipc) control module", "U0155", "b", 0),
    "head up": ("head up display", "U0158", "b", 1),
    "parking": ("parking assist control module a", "U0159", "b", 1),
    "climate": ("hvac control module", "U0164", "b", 1), "rear climate": ("hvac control module - rear", "U0165", "b", 1),
    "heater": ("auxiliary heater control module", "U0166", "b", 1),
    "immobiliser": ("vehicle immobilizer control module", "U0167", "b", 0),
    "radio": ("radio", "U0184", "i", 1), "amplifier": ("audio amplifier a", "U0186", "i", 1),
    "telematics": ("telematic control module", "U0198", "i", 0),
    "driver door": ("door control module a", "U0199", "b", 0), "passenger door": ("door control module b", "U0200", "b", 0),
    "driver seat": ("seat control module a", "U0208", "b", 1), "column": ("steering column control module", "U0212", "b", 0),
    "remote entry": ("remote function actuation module", "U0214", "b", 0),
    "front radar": ("front distance range sensor - single sensor or center", "U0235", "p", 1),
    "camera": ("image processing module a", "U023A", "p", 0), "rear camera": ("camera module - rear", "U0264", "i", 1),
    "nox": ("nox sensor a", "U029D", "p", 0), "reductant": ("reductant control module", "U010E", "p", 0),
    "lighting": ("lighting control module - front", "U0182", "b", 0), "roof": ("sunroof control module", "U0169", "b", 1),
    "motor": ("drive motor control module a", "U0110", "p", 0), "battery": ("battery energy control module a", "U0111", "p", 0),
    "hybrid": ("hybrid/ev powertrain control module", "U0293", "p", 0),
    "charger": ("battery charger control module a", "U019B", "b", 0), "dcdc": ("dc/dc converter control module a", "U0298", "p", 0),
    "tachograph": ("tachograph module", "U019A", "b", 0), "pto": ("pto control module", "U0117", "b", 1),
    "battery sensor": ("battery monitor module", "U01B0", "b", 0),
}
NEED = {"c": ["engine", "abs", "body", "cluster", "airbag"], "v": ["engine", "abs", "body", "cluster", "airbag"],
        "e": ["motor", "battery", "abs", "body", "cluster", "airbag", "hybrid"],
        "l": ["engine", "gearbox", "abs", "body", "cluster"]}
SPARE = {"c": "gearbox shifter steering angle|tyre pressure|park brake|power steering|suspension|rear body|occupant sensor|head up|parking|climate|rear climate|heater|immobiliser|radio|amplifier|telematics|driver door|passenger door|driver seat|column|remote entry|front radar|camera|rear camera|lighting|roof|nox|reductant|glow plugs|transfer case|battery sensor"}
SPARE["c"] = SPARE["c"].replace("gearbox shifter ", "gearbox|shifter|").split("|")
SPARE["v"] = [r for r in SPARE["c"] if r not in ("roof", "head up", "occupant sensor")] + ["tachograph", "pto", "trailer brake"]
SPARE["e"] = [r for r in SPARE["c"] if r not in ("gearbox", "nox", "reductant", "glow plugs", "transfer case")] + ["charger", "dcdc", "charger", "dcdc"]
SPARE["l"] = SPARE["v"] + ["airbag", "trailer brake", "pto"]
# J1939 preferred addresses (from memory of J1939-81 appendix and trucks seen)
HEAVY = [("engine", 0x00), ("transmission", 0x03), ("brakes", 0x0B), ("instrument cluster", 0x17), ("retarder", 0x0F),
         ("cab controller", 0x31), ("body controller", 0x21), ("aftertreatment", 0x3D), ("tachograph", 0xEE),
         ("telematics", 0x4A), ("suspension", 0x2F), ("climate control", 0x19), ("steering", 0x13), ("shift console", 0x05),
         ("front radar", 0x2A), ("camera", 0xE8), ("trailer bridge", 0x20), ("tyre pressure", 0x33), ("door controller", 0xEC),
         ("restraints", 0x53), ("management computer", 0x27), ("headway controller", 0x1C)]
MACHINE = [("engine", 0x00), ("transmission", 0x03), ("hydraulic controller", 0x80), ("instrument cluster", 0x28),
           ("joystick left", 0x8E), ("joystick right", 0x8F), ("armrest", 0x90), ("implement controller", 0x81),
           ("aftertreatment", 0x3D), ("cab controller", 0x31), ("boom sensor", 0x92), ("weighing", 0x99), ("telematics", 0x4A),
           ("axle controller", 0x86), ("guidance", 0x1E), ("display", 0x26), ("climate control", 0x19)]
PGNS = {"engine": [(0xF004, .02, 3), (0xF003, .05, 3), (0xFEDF, .25, 6), (0xFEEE, 1, 6), (0xFEEF, .5, 6), (0xFEF2, .1, 6), (0xFEF6, .5, 6), (0xF00E, .05, 6), (0xFEE5, 1, 6), (0xFEF7, 1, 6), (0xFEF5, 1, 6)],
        "transmission": [(0xF002, .01, 3), (0xF005, .1, 6), (0xFEF8, 1, 6)], "brakes": [(0xF001, .1, 6), (0xFEBF, .1, 6), (0xF009, .01, 6), (0xFEAE, 1, 6)],
        "retarder": [(0xF000, .1, 6)], "tachograph": [(0xFE6C, .05, 3), (0xFEE6, 1, 6)], "instrument cluster": [(0xFEE0, 1, 6), (0xFEC1, 1, 6), (0xFEFC, 1, 6)],
        "cab controller": [(0xFEF1, .1, 6), (0xE000, .25, 6), (0xFECE, 1, 6)], "aftertreatment": [(0xF00F, .05, 6), (0xFE56, 1, 6), (0xFD3E, .5, 6)]}


class Msg:
    __slots__ = ("id", "text", "period", "dlc", "kind", "need", "cnt", "chk", "base", "dyn", "off", "init", "mux", "one", "jit", "src", "thin", "copies", "delay", "bus")

    def __init__(s, **k):
        for n in s.__slots__:
            setattr(s, n, k.get(n))

    def data(s, k, t, since):
        b = bytearray(s.base)
        if s.init and since < s.init:
            for i, _, _, _ in s.dyn:
                b[i] = 0xFF
        else:
            for i, amp, f, ph in s.dyn:
                b[i] = (b[i] + int(amp * math.sin(t * f + ph))) & 255
        if s.mux:
            b[0] = k % s.mux
            b[-1] = (b[-1] + b[0] * 37) & 255
        if s.cnt is not None:
            i, n = s.cnt
            b[i] = (b[i] & (0xF0 if n <= 16 else 0)) | (k % n)
        if s.chk == 1:
            b[-1] = sum(b[:-1]) & 255
        elif s.chk == 2:
            x = s.id & 255
            for v in b[:-1]:
                x ^= v
            b[-1] = x
        return b.hex().upper()


class Unit:
    pass


def pick(rng, pairs):
    x = rng.random() * sum(w for _, w in pairs)
    for v, w in pairs:
        x -= w
        if x <= 0:
            return v
    return pairs[-1][0]


def logu(rng, a, b):
    return a * (b / a) ** rng.random()


def message(rng, ident, wide, period, kind="cyc", need=None, truck=False):
    dlc = 8 if truck or rng.random() < .75 else rng.randint(1, 8)
    base = bytes(rng.choice([0, 0, 255, rng.randrange(256)]) for _ in range(dlc))
    dyn = [(rng.randrange(dlc), rng.choice([1.5, 3, 10, 60]), logu(rng, .05, 4), rng.random() * 6) for _ in range(rng.choice([0, 0, 1, 1, 2, 3]))]
    cnt = None
    chk = 0
    if dlc > 2 and rng.random() < .35:
        cnt = (dlc - 2 if rng.random() < .6 else 0, rng.choice([16, 16, 15, 4, 256, 8]))
        chk = rng.choice([0, 1, 2, 2])
    return Msg(id=ident, text="%08X" % ident if wide else "%03X" % ident, period=period, dlc=dlc, kind=kind, need=need, cnt=cnt, chk=chk,
               base=base, dyn=dyn, off=rng.random() * period, init=rng.choice([0, 0, .2, 1.]), mux=rng.choice([2, 4, 7]) if kind == "mux" and dlc > 1 else 0,
               one=rng.random() < .2, jit=logu(rng, .00002, .002), bus=None)


class Vehicle:
    def __init__(v, rng, kind, want=()):
        v.rng, v.kind = rng, kind
        v.truck = kind in "hm"
        v.wide = v.truck or rng.random() < (.22 if kind != "l" else .4)
        v.vehicle = "truck" if v.truck else ("car29" if v.wide else "car")
        v.nbus = 2 if rng.random() < (.3 if not v.truck else .22) or "two" in want else 1
        v.rate = [pick(rng, [(500e3, 6), (250e3, .4), (125e3, .2), (1e6, .1)]) if not v.truck else pick(rng, [(250e3, 5), (500e3, 3)]) for _ in range(2)]
        if v.nbus == 2 and not v.truck:
            v.rate[1] = pick(rng, [(500e3, 3), (125e3, 3), (250e3, 1), (100e3, 1)])
        v.has_gate = v.nbus == 2 or "gateway" in want or rng.random() < .4
        v.nm = rng.random() < .5 and not v.truck
        v.nm_ring = rng.random() < .3
        v.sleep_after = logu(rng, 1.5, 25)
        v.draw_units(want)
        v.draw_power()
        v.draw_wires()
        v.draw_messages()
        v.draw_gateway()
        v.draw_watch()
        v.draw_diag()

    def draw_units(v, want):
        rng, v.units = v.rng, []
        if v.truck:
            table = list(HEAVY if v.kind == "h" else MACHINE)
            head, tail = table[:4], table[4:]
            rng.shuffle(tail)
            roles = head + tail[:rng.randint(1, 9)]
            if "restraint" in want and ("restraints", 0x53) not in roles:
                roles.append(("restraints", 0x53))
            if v.has_gate:
                roles.append(("gateway", rng.choice([0x25, 0xDC, 0x32])))
        else:
            tail = [r for r in dict.fromkeys(SPARE[v.kind]) if r not in NEED[v.kind]]
            rng.shuffle(tail)
            roles = NEED[v.kind] + tail[:int(logu(rng, 2, 17))]
            if "restraint" in want and "airbag" not in roles:
                roles.append("airbag")
            if rng.random() < .15:
                roles = [r for r in roles if r != "cluster"]
            if v.has_gate:
                roles.append("gateway")
            roles = [(r, None) for r in roles]
        rng.shuffle(roles)
        for i, (role, addr) in enumerate(roles):
            u = Unit()
            u.i, u.role, u.addr = i, role, addr
            u.name = role if rng.random() < .8 else role + " unit"
            if v.truck:
                u.called, u.code, u.traffic = role, None, "p" if role in ("engine", "transmission", "brakes", "hydraulic controller", "joystick left", "joystick right", "steering") else "b"
                u.switchable = role in ("climate control", "guidance", "weighing", "implement controller", "telematics", "tyre pressure", "trailer bridge")
            else:
                u.called, u.code, u.traffic, u.switchable = CAR[role]
            u.gate = role == "gateway"
            u.bus = 0
            if v.nbus == 2 and not u.gate:
                u.bus = (1 if rng.random() < .75 else 0) if u.traffic in "bi" else (0 if rng.random() < .85 else 1)
            # electrical habits of the thing
            u.vmin = pick(rng, [(rng.uniform(4.5, 6.3), 7), (rng.uniform(6.3, 8.2), 2), (rng.uniform(8.2, 9.7), 1)])
            u.hold = pick(rng, [(logu(rng, .0005, .01), 3), (logu(rng, .01, .06), 2), (logu(rng, .06, .4), 1)])
            u.boot = logu(rng, 2, 14) if u.traffic == "i" else logu(rng, .04, 1.8)
            u.wakeboot = u.boot * rng.uniform(.05, .5)
            u.stagger = rng.choice([0, 0, .05, .3])
            u.tx = pick(rng, [("lose", 3), ("mailbox", 4), ("one", 2), ("fifo", 2)])
            u.fifo = rng.randint(3, 24)
            u.recover = pick(rng, [(logu(rng, .004, .05), 4), (logu(rng, .05, .4), 3), (logu(rng, .4, 4), 1.5)])
            u.ppm = rng.gauss(0, 60) * 1e-6
            u.own_delay = logu(rng, .02, 12)
            u.absent_ids = set()
            u.old = []
            v.units.append(u)
        v.gate = next((u for u in v.units if u.gate), None)
        if v.nbus == 2 and not any(u.bus == 1 for u in v.units):
            [u for u in v.units if not u.gate][-1].bus = 1
        if v.nbus == 2 and sum(u.bus == 0 for u in v.units if not u.gate) < 2:
            v.units[0].bus = v.units[1].bus = 0

    def draw_power(v):
        """Fuses (each with a source and 1 to 6 units), ground points (1 to 7 units)."""
        rng = v.rng
        feeds = {"p": [("ign", 4), ("relay", 3), ("bat", 2)], "b": [("bat", 6), ("ign", 3), ("ign2", 1), ("acc", .5)],
                 "i": [("bat", 5), ("acc", 3), ("ign2", 1)], "g": [("bat", 6), ("ign", 2)]}
        for u in v.units:
            u.feed = pick(rng, feeds[u.traffic])
        v.fuses, v.grounds = [], []
        for feed in ("bat", "ign", "ign2", "acc", "relay"):
            group = [u for u in v.units if u.feed == feed]
            rng.shuffle(group)
            while group:
                n = pick(rng, [(1, 4), (2, 3), (3, 2), (5, 1)])
                v.fuses.append(group[:n])
                group = group[n:]
        rest = v.units[:]
        rng.shuffle(rest)
        while rest:
            n = rng.randint(1, 5)
            v.grounds.append(rest[:n])
            rest = rest[n:]

    def draw_wires(v):
        """Each bus: a main line; some units hang together behind an inline connector or splice."""
        rng, v.branches = v.rng, []
        for bus in range(v.nbus):
            group = [u for u in v.units if u.bus == bus and not u.gate]
            rng.shuffle(group)
            while len(group) >= 3 and len(v.branches) < 4 and rng.random() < .85:
                n = rng.randint(2, max(2, min(6, len(group) - 1)))
                v.branches.append(group[:n])
                group = group[n:]

    def draw_messages(v):
        rng = v.rng
        used = set()
        style = rng.choice(["period", "block", "random"])
        dense = logu(rng, .45, 1.5)
        v.order = {}

        def ident(period, u, n):
            for n_try in range(2000):
                if v.wide:
                    if style == "block":
                        x = (0x10 << 24) | rng.randrange(1 << 12) << 12 | (0x40 + u.i)
                    elif style == "period":
                        x = 0x0A000000 + int(period * 4e6) + rng.randrange(1 << 16)
                    else:
                        x = rng.choice([0x17330000, 0x12DD0000, 0x17FC0000, 0x1B000000, 0x0C000000]) + rng.randrange(1 << 16)
                    if (x >> 16) in (0x18DA, 0x18DB):
                        continue
                elif style == "block" and n_try < 300:
                    x = 0x80 + u.i * 0x40 % 0x500 + rng.randrange(0x60)
                elif style == "period" and n_try < 900:
                    x = int(min(.95, max(0.02, .25 * math.log10(period * 1000) - .1 + rng.gauss(0, .1))) * 0x6B0) + 8
                else:
                    x = rng.randrange(0x20, 0x6C0)
                if x not in used and not (not v.wide and 0x500 <= x < 0x560) and not (not v.wide and x >= 0x6C0):
                    used.add(x)
                    return x
            raise ValueError
        for u in v.units:
            u.msgs = []
            if v.truck:
                ps = list(PGNS.get(u.role, []))
                rng.shuffle(ps)
                ps = ps[:rng.randint(1, 8)]
                ps += [(rng.choice([0xFF00, 0xFE00]) + rng.randrange(256), pick(rng, [(.05, 1), (.1, 3), (.25, 1), (.5, 1), (1, 3)]), 6) for _ in range(rng.randint(0 if ps else 1, 4))]
                for pgn, per, pr in ps:
                    x = pr << 26 | pgn << 8 | u.addr
                    if pgn < 0xF000:
                        x |= 0xFF00
                    if x in used:
                        continue
                    used.add(x)
                    m = message(rng, x, True, per, "mux" if rng.random() < .04 else "cyc", "run" if rng.random() < .03 else None, True)
                    u.msgs.append(m)
                continue
            n = {"p": rng.randint(2, 8), "b": rng.randint(1, 5), "i": rng.randint(1, 4), "g": rng.randint(1, 5)}[u.traffic]
            n = max(1, round(n * dense))
            pers = {"p": [(.01, 2), (.02, 4), (.04, 1), (.05, 1), (.1, 4), (.2, 1), (.5, 1), (1, 1)], "b": [(.05, .5), (.1, 3), (.2, 3), (.3, .5), (.5, 2), (1, 3), (2, .4), (5, .2)],
                    "i": [(.1, 2), (.25, 1), (.5, 3), (1, 3)], "g": [(.05, 1), (.1, 3), (.2, 2), (1, 2)]}[u.traffic]
            for k in range(n):
                per = pick(rng, pers)
                if v.rate[u.bus] < 200e3:
                    per *= 4
                kind = pick(rng, [("cyc", 16), ("mux", 1), ("event", 1.2 if k else 0), ("cycevent", 1.5), ("pausing", .25 if k else 0)])
                need = pick(rng, [(None, 20), ("run", 1.2 if k else 0), ("ign", 2 if k else .1)])
                u.msgs.append(message(rng, ident(per, u, k), v.wide, per, kind, need))
            if v.nm and u.feed == "bat" and not v.wide:
                m = message(rng, 0x500 + u.i, False, rng.choice([.1, .2, .5, .64, 1]), "cyc")
                m.cnt, m.chk, m.dyn = None, 0, []
                u.msgs.append(m)
            if v.nm is False and rng.random() < .06:
                u.msgs[0].kind = "cyc"
        if not any(m.kind in ("cyc", "mux", "cycevent") for u in v.units for m in u.msgs):
            v.units[0].msgs[0].kind = "cyc"
        for u in v.units:
            if all(m.kind in ("event", "pausing") for m in u.msgs):
                u.msgs[0].kind = "cyc"
            u.msgs[0].need = u.msgs[0].need if rng.random() < .1 else None
            for m in u.msgs:
                m.bus = u.bus
        v.used = used
        v.vin = vin(rng)

    def draw_gateway(v):
        """What the gateway copies: from the other recorded bus, or from a hidden one (then its own frames)."""
        rng = v.rng
        v.copies = []
        v.hidden = []
        if not v.gate:
            return
        g = v.gate
        g.bus = rng.choice([0, v.nbus - 1])
        for m in g.msgs:
            m.bus = g.bus
        if v.nbus == 2:
            ways = rng.choice([[(0, 1)], [(1, 0)], [(0, 1), (1, 0)]])
            for a, b in ways:
                src = [(u, m) for u in v.units if u.bus == a and not u.gate for m in u.msgs if m.kind != "event"]
                rng.shuffle(src)
                for u, m in src[:rng.randint(2, 9)]:
                    rename = rng.random() < .4 and not v.truck
                    x = m.id
                    if rename:
                        for _ in range(99):
                            x = (m.id & ~0xFFF | rng.randrange(4096)) if v.wide else rng.randrange(0x20, 0x6C0)
                            if x not in v.used:
                                break
                        else:
                            continue
                        v.used.add(x)
                    need = m.period * (rng.randint(1, 5) if m.period < .3 else 1)
                    low = .05 if v.rate[b] < 200e3 else .01
                    c = Msg(id=x, text=m.text if x == m.id else ("%08X" % x if v.wide else "%03X" % x), src=(u, m), thin=max(1, round(max(need, low) / m.period)), bus=b,
                            delay=logu(rng, .0004, .006), period=m.period * max(1, round(max(need, low) / m.period)))
                    v.copies.append(c)
        else:
            # units of a bus nobody records: their frames come through the gateway under its own hand
            for k in range(rng.randint(2, 6)):
                per = rng.choice([.05, .1, .1, .2, .5, 1])
                for _ in range(999):
                    x = (6 << 26 | (0xFF00 + rng.randrange(256)) << 8 | g.addr) if v.truck else (0x12000000 + rng.randrange(1 << 16) if v.wide else rng.randrange(0x60, 0x6C0))
                    if x not in v.used:
                        break
                v.used.add(x)
                m = message(rng, x, v.wide, per, "cyc", None, v.truck)
                m.bus = g.bus
                g.msgs.append(m)

    def draw_watch(v):
        """Who expects whose message; a code after so many seconds of silence, in certain states only."""
        rng = v.rng
        for u in v.units:
            u.watch = []
            for s in v.units:
                if s is u or rng.random() > (.5 if s.traffic == "p" or s.gate or s.role in ("body", "cluster", "airbag", "restraints", "cab controller") else .22):
                    continue
                if u.bus != s.bus and not v.gate:
                    continue
                per = min(m.period for m in s.msgs)
                u.watch.append((s, max(per * rng.choice([3, 5, 10, 20]), logu(rng, .08, 3)), rng.choice(["ign", "ign", "run", "awake"])))
            u.enable = logu(rng, .2, 5)
            u.coded = rng.random() < .9
            u.ftype = rng.choice(["87", "87", "00", "00", "08", "81"])
            u.self_code = rng.random() < .5
            u.masks_all = rng.random() < .4
            u.confirm = rng.choice([0, 0, 0, 1])
            u.avail = rng.choice([0xFF, 0xFF, 0x7B, 0x0D, 0x09, 0xCA, 0x2F, 0x89])

    def draw_diag(v):
        rng = v.rng
        v.tester = pick(rng, [("uds", 8), ("kwp", 1), ("obd", 1.2)])
        v.ext = not v.wide and rng.random() < .05
        v.pad = rng.choice([0x00, 0xAA, 0x55, 0xFF, None, 0xCC])
        gap = rng.choice([8, 8, 8, 0x20, 0x6A])
        pool = [0x700 + 16 * k + j for k in range(0, 13) for j in range(0, 8)] if gap == 8 else [x for x in range(0x6C8, 0x7C8 - gap) if (x // gap) % 2 == 0]
        rng.shuffle(pool)
        taken = set(range(0x7DF, 0x7F0)) | v.used
        for u in v.units:
            u.req = u.ans = None
            if v.truck:
                if v.tester == "uds" and v.kind == "h":
                    u.req, u.ans = 0x18DA0000 | u.addr << 8 | 0xF9, 0x18DAF900 | u.addr
                continue
            if v.wide:
                a = {"engine": 0x10, "motor": 0x10, "gearbox": 0x18}.get(u.role, 0x20 + u.i * 3)
                u.req, u.ans = 0x18DA00F1 | a << 8, 0x18DAF100 | a
            elif v.ext:
                u.eaddr = 0x10 + u.i * 4
                u.req, u.ans = 0x6F1, 0x600 + u.eaddr
                if u.ans in v.used or u.ans == 0x6F1:
                    u.req = u.ans = None
            elif u.role in ("engine", "motor", "hybrid", "battery", "gearbox"):
                k = {"engine": 0, "motor": 1, "hybrid": 2, "battery": 4, "gearbox": 1}[u.role]
                u.req, u.ans = 0x7E0 + k, 0x7E8 + k
            elif rng.random() < .93:
                while pool:
                    x = pool.pop()
                    if x not in taken and x + gap not in taken and x + gap < 0x7DF:
                        taken |= {x, x + gap}
                        u.req, u.ans = x, x + gap
                        break
            if u.ans is None:
                u.coded = False


def vin(rng):
    return rng.choice(["WQ1", "ZX9", "1KK", "VNE", "JQ3", "SKV"]) + "".join(rng.choice("ABCDEFGHJKLMNPRSTUVWXYZ0123456789") for _ in range(8)) + "%06d" % rng.randrange(10**6)
