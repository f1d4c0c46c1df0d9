"""Draws a vehicle: its units, their messages, who carries what over, who watches whom."""
from wiring import draw_wiring

# name, called (SAE J2012 wording), code, usual feeds, domain (P drive, B body, I comfort), boot time, weight
CARS = [
 ("engine", "ecm/pcm a", 0xC100, "ign relay relay", "P", (.05, .5)),
 ("gearbox", "tcm", 0xC101, "ign relay batt", "P", (.08, .6)),
 ("abs", "anti-lock brake system (abs) control module a", 0xC121, "ign batt", "P", (.05, .8)),
 ("restraint", "restraints control module", 0xC151, "ign ign acc", "P B", (.3, 3.0)),
 ("steering", "power steering control module a", 0xC131, "ign batt", "P", (.08, .7)),
 ("angle", "steering angle sensor module", 0xC126, "ign", "P", (.03, .25)),
 ("yaw", "multi-axis acceleration sensor module a", 0xC125, "ign", "P", (.05, .4)),
 ("cluster", "instrument panel cluster (ipc) control module", 0xC155, "batt wake ign", "P B", (.15, 1.5)),
 ("body", "body control module", 0xC140, "batt wake", "B", (.04, .5)),
 ("hvac", "hvac control module", 0xC164, "ign acc wake", "B I", (.2, 1.5)),
 ("immobilizer", "vehicle immobilizer control module", 0xC167, "batt ign", "B", (.05, .4)),
 ("radio", "radio", 0xC184, "acc wake", "I B", (.8, 7.0)),
 ("parking", "parking assist control module a", 0xC159, "ign", "B I", (.2, 1.2)),
 ("door_l", "door control module a", 0xC199, "wake batt", "B", (.03, .3)),
 ("door_r", "door control module b", 0xC200, "wake batt", "B", (.03, .3)),
 ("seat", "seat control module a", 0xC208, "batt wake acc", "B I", (.05, .4)),
 ("column", "steering column control module", 0xC212, "ign wake", "P B", (.04, .4)),
 ("tyres", "tire pressure monitor module", 0xC127, "ign batt", "B", (.2, 1.0)),
 ("parkbrake", "park brake control module", 0xC128, "ign batt", "P", (.1, .7)),
 ("awd", "all wheel drive control module", 0xC11D, "ign relay", "P", (.05, .5)),
 ("radar", "front distance range sensor - single sensor or center", 0xC235, "ign", "P", (.4, 2.5)),
 ("camera", "image processing module a", 0xC23A, "ign", "P", (.8, 4.0)),
 ("headlamp", "headlamp control module a", 0xC241, "ign wake", "B", (.06, .5)),
 ("tailgate", "rear gate module", 0xC230, "wake batt", "B", (.05, .4)),
 ("telematics", "telematic control module", 0xC198, "batt wake", "I", (1.0, 8.0)),
 ("amplifier", "audio amplifier a", 0xC186, "acc wake", "I", (.4, 2.5)),
 ("display", "information center a", 0xC156, "acc wake", "I", (.8, 5.0)),
 ("remote", "remote function actuation module", 0xC214, "batt wake", "B", (.04, .4)),
 ("glow", "glow plug control module 1", 0xC106, "relay", "P", (.03, .2)),
 ("pump", "fuel pump control module a", 0xC109, "relay ign", "P", (.03, .2)),
 ("suspension", "suspension control module a", 0xC132, "ign", "P", (.1, .6)),
 ("trailer", "trailer brake control module", 0xC137, "ign batt", "B", (.05, .5)),
 ("blind_l", "side obstacle detection control module a", 0xC232, "ign", "P B", (.3, 2.0)),
 ("blind_r", "side obstacle detection control module b", 0xC233, "ign", "P B", (.3, 2.0)),
 ("wheel", "heated steering wheel module", 0xC229, "acc", "B", (.05, .3)),
]
EVS = [
 ("drive", "drive motor control module a", 0xC110, "ign relay", "P", (.08, .6)),
 ("battery", "battery energy control module a", 0xC111, "batt relay", "P", (.15, 1.0)),
 ("charger", "battery charger control module a", 0xC19B, "batt wake", "P", (.2, 1.0)),
 ("compressor", "a/c compressor control module", 0xC16B, "relay ign", "P B", (.1, .6)),
]
GW = ("gateway", "serial data gateway module a", 0xC146, "batt wake", "P", (.03, .4))
# trucks: name, address, feed, boot, [(pgn, priority, period, length)] - common PGNs, from memory
TRUCK = [
 ("engine", 0, "relay relay ign", (.1, .6), [(0xF004, 3, .02), (0xF003, 3, .05), (0xFEF2, 6, .1), (0xFEDF, 6, .25), (0xFEEE, 6, 1), (0xFEEF, 6, .5), (0xFEF6, 6, .5), (0xFEF5, 6, 1), (0xFEE5, 6, 1), (0xFEF7, 6, 1), (0xFEBD, 6, 1)]),
 ("transmission", 3, "ign batt", (.1, .8), [(0xF002, 3, .01), (0xF005, 6, .1), (0xFEF8, 6, 1)]),
 ("brakes", 11, "ign batt", (.1, .9), [(0xF001, 6, .1), (0xFEBF, 6, .1), (0x000B, 3, .02), (0xFDC4, 6, .1), (0xFE4E, 6, 1)]),
 ("engine retarder", 15, "ign relay", (.1, .5), [(0xF000, 6, .1), (0xFEE1, 6, 5)]),
 ("driveline retarder", 16, "ign", (.1, .5), [(0xF000, 6, .1), (0xFE6B, 6, 1)]),
 ("instrument cluster", 23, "batt ign", (.3, 1.8), [(0xFEC1, 6, 1), (0xFEE0, 6, .1), (0xFEFC, 6, 1), (0xFEE6, 6, 1)]),
 ("hvac", 25, "ign acc", (.3, 1.2), [(0xFED9, 6, 1), (0xFEF5, 6, 1)]),
 ("body controller", 33, "batt ign", (.1, .7), [(0xFEF1, 6, .1), (0xFE40, 6, 1), (0xFDCD, 6, .2), (0xFE41, 6, 1)]),
 ("cab controller", 49, "batt ign", (.1, .7), [(0xFEF1, 6, .1), (0xFE4E, 6, 1), (0xFDCC, 6, .1)]),
 ("radar", 42, "ign", (.6, 3.0), [(0x000A, 3, .02), (0xFE6F, 4, .1)]),
 ("suspension", 47, "ign", (.15, 1.0), [(0xFE5A, 6, .1), (0xFE59, 6, 1)]),
 ("aftertreatment", 61, "relay ign", (.2, 1.2), [(0xF023, 6, .05), (0xF00E, 6, .05), (0xF00F, 6, .05), (0xFD3E, 6, .5)]),
 ("tachograph", 238, "batt", (.3, 1.5), [(0xFE6C, 3, .05), (0xFEE6, 6, 1)]),
 ("steering", 19, "ign", (.06, .5), [(0xF009, 6, .01), (0xF01D, 6, .1)]),
 ("power takeoff", 7, "ign", (.1, .5), [(0xFEF0, 6, .1)]),
 ("tyre pressure", 51, "ign batt", (.3, 1.5), [(0xFEF4, 6, 1), (0xFC42, 6, 10)]),
 ("camera", 232, "ign", (1., 4.0), [(0xFE5B, 6, .05), (0xF007, 6, .1)]),
 ("door controller", 236, "batt acc", (.1, .6), [(0xFE4E, 6, 1), (0xFDA5, 6, .1)]),
 ("telematics", 74, "batt", (1., 6.0), [(0xFEF3, 6, 5), (0xFEE8, 6, 5)]),
 ("fifth axle", 10, "ign", (.1, .6), [(0xFE58, 6, .5)]),
]


class Msg:
    __slots__ = ("id", "ext", "per", "dlc", "kind", "bus", "unit", "ctr", "ctrmod", "chk", "buf", "c",
                 "walk", "start", "jit", "key", "bits", "pages", "grp", "init", "src", "thin", "n", "delay", "seen")

    def __init__(s, rng, unit, bus, ident, ext, per, kind="per", dlc=None):
        s.unit, s.bus, s.id, s.ext, s.per, s.kind = unit, bus, ident, ext, per, kind
        s.dlc = 8 if dlc is None and (ext or rng.random() < .75) else (dlc or rng.randint(1, 8))
        s.key = (ident * 2 + 1) if ext else (ident << 19)
        s.bits = ((67 if ext else 47) + 8 * s.dlc) * rng.uniform(1.02, 1.13)
        s.ctr = s.chk = None
        s.ctrmod, s.c = 16, rng.randrange(16)
        s.start, s.jit = 0.0, rng.choice([2e-5, 1e-4, 3e-4, 1e-3]) * rng.random()
        s.pages, s.grp, s.src, s.thin, s.n, s.delay, s.seen = None, None, None, 1, 0, .001, -9.
        s.init = rng.choice([None, None, 0xFF, 0x00])
        b = bytearray(s.dlc)
        filler = rng.choice([0, 0, 0xFF, None])
        for i in range(s.dlc):
            b[i] = rng.randrange(256) if filler is None or rng.random() < .55 else filler
        s.buf = b
        s.walk = [i for i in range(s.dlc) if rng.random() < .3]

    def payload(s, rng, fresh):
        b = s.buf
        if s.walk and rng.random() < .5:
            i = s.walk[int(rng.random() * len(s.walk))]
            b[i] = (b[i] + rng.choice((-2, -1, 1, 2, 0))) & 255
        s.c += 1
        if s.pages:
            p = s.pages[s.c % len(s.pages)]
            b[:len(p)] = p
        if fresh and s.init is not None:          # before the signals are valid
            d = bytearray([s.init]) * s.dlc
        else:
            d = b
        if s.ctr is not None:
            d[s.ctr] = (d[s.ctr] & 0xF0) | (s.c % s.ctrmod)
        if s.chk is not None:
            d[s.chk] = 0
            d[s.chk] = (sum(d) + s.id) & 255
        return bytes(d)


class Unit:
    def __init__(s, idx, name, called, code, feed, bus, boot, rng):
        s.idx, s.name, s.called, s.code, s.feed, s.bus = idx, name, called, code, feed, bus
        s.buses, s.msgs, s.boot = [bus], [], rng.uniform(*boot)
        s.ppm = rng.gauss(0, 60) * 1e-6 if rng.random() < .8 else rng.uniform(-1500, 1500) * 1e-6
        s.grid = rng.choice([0, 0, .005, .01, .01])
        s.tx = rng.choice(["mailbox", "mailbox", "fifo", "abort"])
        s.depth = rng.choice([2, 4, 8, 16, 32])
        s.boff = rng.choice(["fast", "fast", .05, .1, .2, .5, 1.0, "steps", "key" if rng.random() < .3 else .2])
        s.brown, s.holdup = rng.uniform(4.3, 7.0), rng.choice([.0015, .004, .01, .02, .05, .12]) * rng.uniform(.6, 1.4)
        if rng.random() < .12:
            s.brown = rng.uniform(7.2, 9.3)        # weak at cranking
        s.amps = rng.choice([.15, .3, .6, 1.0, 3.0, 8.0])
        s.tail = rng.choice([0., .1, .4, 1.5, 4., 9.]) * rng.uniform(.6, 1.5)
        s.stagger = rng.choice([0, 0, .02, .1, .4, 1.2])
        s.req = s.ans = s.addr = None
        s.dialect = "none"
        s.watch, s.codes, s.is_gw = [], {}, False
        s.ft = rng.choice([0x00, 0x00, 0x87, 0x87, 0x08])
        s.p2 = rng.uniform(.001, .035)
        s.padding = rng.choice([0, 0, 0xAA, 0x55, 0xFF, None])
        s.vin_known = rng.random() < .7
        s.noapp = s.deaf = False                   # program stands; diagnosis stands
        s.missing_ids, s.own_switch = set(), []


class Vehicle:
    pass


def carmsgs(rng, v, u, n, used, size):
    style = v.style
    pers = {"P": [.01, .01, .02, .02, .02, .05, .1, .1, .2, .5], "B": [.05, .1, .1, .2, .2, .5, 1.], "I": [.1, .2, .5, 1., 1., 2.]}[u.domain]
    if v.slow:
        pers = [p * v.slow for p in pers]
    base = rng.randrange(0x20, 0x680)
    u.group = rng.randrange(1000)
    for k in range(n):
        per = rng.choice(pers)
        for _ in range(400):
            if v.ext:
                if style == "block":
                    i = (rng.choice([0x02, 0x06, 0x0A, 0x10, 0x14, 0x17, 0x1B]) << 24) | (u.idx + 0x40) << 12 | rng.randrange(0, 0x40) << 4 | v.tailnib
                else:
                    i = rng.randrange(0x01000000, 0x1B000000) & ~0xFF | rng.randrange(256)
            elif style == "block":
                i = (base + k * rng.choice([1, 1, 2, 16])) % 0x680 + 0x10
                base += rng.randrange(3)
            elif style == "rate":                  # the faster, the lower the identifier
                lo = min(0x5F0, int(0x80 + 0x120 * max(0, (1 + len(str(int(per * 1000)))) - 2) * rng.uniform(.7, 1.3)))
                i = lo + rng.randrange(0x90)
            else:
                i = rng.randrange(0x10, 0x690)
            if (i, v.ext) not in used:
                break
        used.add((i, v.ext))
        m = Msg(rng, u, u.bus, i, v.ext, per)
        r = rng.random()
        if k and r < .05:
            m.kind = "run"
        elif k and r < .07:
            m.kind = "notrun"
        elif k and r < .14:
            m.kind, m.per = "evt", rng.uniform(1.5, 20)
        elif k and r < .19:
            m.kind, m.per = "chg", max(.1, per) * rng.choice([2, 5, 10])
        elif k and r < .23 and m.dlc > 2:
            m.pages = [bytes([p]) + bytes(rng.randrange(256) for _ in range(m.dlc - 1)) for p in range(rng.choice([2, 3, 4, 8]))]
        elif k and r < .25:
            m.kind, m.per = "pause", per           # sends for some seconds, pauses for one or two
        if m.dlc >= 3 and rng.random() < v.safe:
            m.ctr = rng.choice([0, m.dlc - 1, m.dlc - 2])
            m.ctrmod = rng.choice([16, 16, 15, 4])
            if rng.random() < .6:
                m.chk = m.dlc - 1 if m.ctr != m.dlc - 1 else 0
            m.walk = [w for w in m.walk if w not in (m.ctr, m.chk)]
        m.start = k * u.stagger * rng.random() / max(1, n)
        if rng.random() < .05:
            m.start += rng.uniform(.3, 3)
        u.msgs.append(m)
    if v.nm and u.feed in ("batt", "wake") and rng.random() < .85:
        i = (0x500 if not v.ext else 0x1B000000) + u.idx + v.nmbase
        if (i, v.ext) not in used:
            used.add((i, v.ext))
            m = Msg(rng, u, u.bus, i, v.ext, v.nmper, "nm", 8)
            m.walk, m.buf = [], bytearray([u.idx, rng.choice([1, 2, 0x11]), 0, 0, 0, 0, 0, 0])
            u.msgs.append(m)
    if rng.random() < .25:
        for _ in range(50):
            i = rng.randrange(0x10, 0x6A0) if not v.ext else rng.randrange(0x1000000, 0x1B000000)
            if (i, v.ext) not in used:
                used.add((i, v.ext))
                m = Msg(rng, u, u.bus, i, v.ext, rng.choice([.02, .1]), "boot", 8)
                m.n = rng.randint(1, 3)
                u.msgs.append(m)
                break


def draw_vehicle(rng, want_gw=False, truck=None):
    v = Vehicle()
    r = rng.random()
    v.kind = "truck" if (r < .2 if truck is None else truck) else ("car29" if r < .31 else "car")
    v.ext = v.kind != "car"
    v.ev = v.kind != "truck" and rng.random() < .17
    v.volts = 24. if v.kind == "truck" and rng.random() < .8 else 12.
    v.style = rng.choice(["block", "rate", "any"])
    v.safe = rng.choice([0., .15, .5, .9])
    v.slow = rng.choice([0, 0, 1.5, 2.5])
    v.nm, v.nmper, v.nmbase = rng.random() < .5, rng.choice([.1, .2, .5, 1.0]), rng.randrange(0, 32)
    v.tailnib = rng.randrange(16)
    v.vin = "".join(rng.choice("ABCDEFGHJKLMNPRSTUVWXYZ0123456789") for _ in range(17))
    size = rng.choice([5, 6, 8, 10, 12, 15, 18, 22, 26, 30])
    nb = 1 if size < 8 else rng.choice([1, 2, 2, 3] if size > 12 else [1, 1, 2])
    if v.kind == "truck":
        size, nb = rng.randint(5, 19), rng.choice([1, 1, 2])
    if want_gw and nb == 1:
        nb = 2
        size = max(size, 8)
    v.nbus = nb
    v.rates = [rng.choice([500e3, 500e3, 500e3, 250e3]) if v.kind != "truck" else rng.choice([250e3, 250e3, 500e3])] + \
              [rng.choice([500e3, 125e3, 125e3, 250e3, 100e3]) for _ in range(nb - 1)]
    if nb > 1 and v.kind == "truck":
        v.rates[1] = 250e3
    v.units, used = [], set()
    if v.kind == "truck":
        cat = TRUCK[:3] + rng.sample(TRUCK[3:], min(size - 3, len(TRUCK) - 3))
        for j, (name, sa, feeds, boot, pgns) in enumerate(cat):
            bus = 0 if nb == 1 or j < 3 or rng.random() < .6 else 1
            u = Unit(j, name, name, None, rng.choice(feeds.split()), bus, boot, rng)
            u.addr, u.domain = sa, "P"
            extra = [(0xFF00 + rng.randrange(256), 6, rng.choice([.05, .1, .1, .2, 1.])) for _ in range(rng.randint(0, 6))]
            for k, (pgn, pri, per) in enumerate(pgns + extra):
                if k and rng.random() < .15:
                    continue
                if pgn < 0xF000:
                    pgn = pgn << 8 | rng.choice([0, 0xFF, 3])
                    if pgn & 0xFF == sa:
                        pgn |= 0xFF
                i = pri << 26 | pgn << 8 | sa
                if i in used:
                    continue
                used.add(i)
                if per < .05 and v.rates[bus] < 3e5 and rng.random() < .4:
                    per *= 2
                m = Msg(rng, u, bus, i, True, per)
                m.start = rng.random() * u.stagger
                if k > 3 and rng.random() < .06:
                    m.kind = rng.choice(["run", "evt", "pause"])
                    if m.kind == "evt":
                        m.per = rng.uniform(2, 15)
                u.msgs.append(m)
            i = 0x18FECA00 | sa                      # DM1
            m = Msg(rng, u, bus, i, True, 1.0, "dm1", 8)
            m.walk = []
            if rng.random() < .85:
                u.msgs.append(m)
            if rng.random() < .8:                    # address claim at start
                m = Msg(rng, u, bus, 0x18EEFF00 | sa, True, .25, "boot", 8)
                m.n, m.walk, m.init = 1, [], None
                u.msgs.append(m)
            u.dialect = "j1939"
            v.units.append(u)
        gwi = next((x for x in v.units if x.name in ("body controller", "cab controller", "instrument cluster")), v.units[-1])
    else:
        cat = list(CARS[3:])
        core = CARS[:3] if not v.ev else EVS[:2] + CARS[2:3]
        if v.ev:
            cat = [c for c in cat if c[0] not in ("glow", "pump")] + EVS[2:]
            if size < 10:
                size = 10
        must = [c for c in cat if c[0] in ("restraint", "cluster")] + ([c for c in cat if c[0] == "body"] if nb > 1 else [])
        rest = [c for c in cat if c not in must]
        cat = core + must + rng.sample(rest, max(0, min(len(rest), size - len(core) - len(must) - (nb > 1))))
        if nb > 1:
            gi = rng.choice(["own", "own", "body", "cluster"])
            if gi == "own":
                cat.append(GW)
        rng.shuffle(cat)
        reqs = rng.sample(range(0x700, 0x7D8, 8), len(cat) if len(cat) <= 27 else 27) + list(range(0x602, 0x6F0, 0x10))
        for j, (name, called, code, feeds, dom, boot) in enumerate(cat):
            d = rng.choice(dom.split())
            bus = 0 if nb == 1 else (0 if d == "P" else 1) if nb == 2 else {"P": 0, "B": 1, "I": 2}[d]
            u = Unit(j, name, called, code, rng.choice(feeds.split()), bus, boot, rng)
            u.domain = d
            mx = max(1, int((1600 if size < 12 else 2400) / size / 30))
            n = rng.randint(1, 2 + min(mx, 6)) if d == "P" else rng.randint(1, 4)
            carmsgs(rng, v, u, n, used, size)
            if rng.random() < .93:
                if name in ("engine", "drive", "gearbox") or (v.ext and rng.random() < 0):
                    k = {"engine": 0, "drive": 0, "gearbox": 1}[name]
                    u.req, u.ans = (0x7E0 + k, 0x7E8 + k) if not v.ext else (0x18DA10F1 + (k << 8), 0x18DAF110 + k)
                elif v.ext:
                    u.req, u.ans = 0x18DA00F1 | (0x20 + j) << 8, 0x18DAF100 | (0x20 + j)
                else:
                    u.req = reqs[j]
                    u.ans = u.req + (8 if reqs[j] >= 0x700 else 8)
                u.dialect = rng.choice(v_dialects(rng, v))
            v.units.append(u)
        if nb > 1:
            gwi = next(x for x in v.units if x.name == ("gateway" if gi == "own" else gi))
        if not v.ext:                                # the diagnostic identifiers stay free
            taken = {u.req for u in v.units} | {u.ans for u in v.units}
            for u in v.units:
                u.msgs = [m for m in u.msgs if m.id not in taken]
    v.gw = None
    if nb > 1:
        g = v.gw = gwi
        g.is_gw = True
        g.bus = 0
        for m in g.msgs:
            m.bus = 0
        g.buses = list(range(nb))
        if g.feed in ("acc",):
            g.feed = "ign"
        tot = 0
        for u in v.units:
            if u is g:
                continue
            for m in list(u.msgs):
                if m.kind in ("boot", "nm", "dm1") and rng.random() < .9:
                    continue
                for b in range(nb):
                    if b == m.bus or rng.random() > (.35 if m.bus else .2) or tot > 30:
                        continue
                    how = rng.choice(["copy", "copy", "rename", "thin", "repack"]) if v.kind != "truck" else rng.choice(["copy", "copy", "thin"])
                    ident = m.id
                    if how in ("rename", "repack"):
                        for _ in range(60):
                            ident = rng.randrange(0x40, 0x690) if not v.ext else rng.randrange(0x1000000, 0x1B000000)
                            if (ident, v.ext) not in used:
                                break
                        used.add((ident, v.ext))
                    c = Msg(rng, g, b, ident, v.ext, m.per, "copy" if how != "repack" else "per", m.dlc)
                    c.src, c.delay = m, rng.choice([.0002, .001, .003, .008])
                    if how == "thin":
                        c.thin = rng.choice([2, 5, 10])
                        c.per = m.per * c.thin
                    if how == "repack":
                        c.kind, c.per = "repack", max(m.per, rng.choice([.05, .1, .2, .5]))
                        c.init = 0xFF
                    c.walk = []
                    g.msgs.append(c)
                    tot += 1
    for u in v.units:
        u.msgs = [m for m in u.msgs if v.units]
    # which buses the recorder sees, and under which channel name
    v.recorded = {0: 0}
    v.merged = False
    if nb > 1 and rng.random() < .5:
        v.recorded[1] = 1
        if rng.random() < .15 and v.rates[0] == v.rates[1]:
            v.recorded[1], v.merged = 0, True
    draw_watch(rng, v)
    draw_wiring(rng, v)
    return v


def v_dialects(rng, v):
    if not hasattr(v, "dial"):
        v.dial = rng.choice([["uds"], ["uds"], ["uds", "uds", "kwp00"], ["kwp00"], ["kwp02"], ["uds", "kwp02"]])
    return v.dial


def draw_watch(rng, v):
    """Who misses whom: a watcher listens to one message of the other, on its own bus."""
    many = rng.choice([.12, .25, .4])
    for w in v.units:
        on_bus = {}
        for u in v.units:
            for m in u.msgs:
                if m.kind in ("per", "copy") and m.bus in w.buses:
                    owner = m.src.unit if m.src is not None else u
                    if owner is not w and owner not in on_bus:
                        on_bus[owner] = m
        for u, m in on_bus.items():
            p = many * (2 if u.name in ("engine", "abs", "brakes", "body", "restraint", "drive", "cluster") else 1)
            if w.name in ("cluster", "gateway", "body", "instrument cluster"):
                p *= 1.8
            if rng.random() < p:
                tmo = max(rng.choice([.1, .3, .5, 1., 2., 3., 5.]), m.per * rng.uniform(3, 12))
                w.watch.append({"u": u, "m": m, "tmo": tmo, "delay": rng.choice([.5, 1., 2., 3., 5.]),
                                "code": code_for(rng, v, w, u, m), "bad": False,
                                "heal": rng.uniform(.1, 2), "run": rng.random() < .15})


def code_for(rng, v, w, u, m):
    if v.kind == "truck":
        r = rng.random()
        if r < .6:
            return (2000 + u.addr, 9)
        return (rng.choice([639, 639, 1231 if m.bus else 639]), 9 if r < .85 else 14)
    if rng.random() < .06:                          # the maker's own number
        return (0xD000 + rng.randrange(0x100) + 0x100 * rng.randrange(4), w.ft)
    return (u.code, w.ft)
