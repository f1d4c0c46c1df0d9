"""Draws one vehicle as its maker's network engineers wrote it down: units, feeds, fuses, wires,
message matrix with receivers and timeouts, routes of the gateway, network management, diagnostics."""
import catalogue as C


class Unit:
    def __init__(self, name, words, code, domain, feed, bus, switchable):
        self.name, self.words, self.code, self.domain, self.feed = name, words, code, domain, feed
        self.bus, self.switchable = bus, switchable
        self.buses = [bus]
        self.msgs, self.monitors = [], []
        self.request = self.answer = self.sa = None
        self.gateway = False


class Msg:
    __slots__ = ("id", "ext", "unit", "bus", "dlc", "period", "fast", "jitter", "offset", "kind", "cond", "rep", "gap",
                 "rate", "fields", "base", "ctr", "ctrpos", "ctrstep", "crc", "crcpos", "dataid", "bits", "frame_s", "initlen", "n",
                 "born", "last", "sub", "fidx", "pgn", "unseen", "plain")


class Bus:
    def __init__(self, name, rate):
        self.name, self.rate, self.channel, self.groups, self.msgs = name, rate, None, [], []


def draw(r):
    v = type("Vehicle", (), {})()
    v.era = r.choices(["body98", "gw05", "domain15", "zonal22", "car29", "truck", "machine"], [16, 22, 20, 12, 10, 14, 7])[0]
    v.kind = {"car29": "car29", "truck": "truck", "machine": "truck"}.get(v.era, "car")
    v.units, v.buses, v.routes = [], [], {}
    v.vin = "".join(r.choice("ABCDEFGHJKLMNPRSTUVWXYZ0123456789") for _ in range(17))
    v.othervin = v.vin[:9] + "".join(r.choice("0123456789") for _ in range(8))
    (truck if v.kind == "truck" else car)(r, v)
    supply(r, v)
    wires(r, v)
    matrix(r, v)
    diagnosis(r, v)
    network(r, v)
    for u in v.units:                     # a sane specification: nobody watches what may rightly be off or still booting
        keep = []
        for m, peer, to, deb in u.monitors:
            if peer.switchable or (peer.feed == "klr" and u.feed != "klr") or (u.moncond == "any" and peer.feed != "kl30"):
                continue
            keep.append([m, peer, to, max(deb, peer.boot * 1.4 + m.offset + m.period + .3 - min(u.pondelay, 1))])
        u.monitors = keep
        for m in u.msgs:
            if m.sub and m.sub[1] >= len(keep):
                m.sub = None
    return v


def car(r, v):
    e = v.era
    if e == "body98":
        v.buses = [Bus("pt", 500000), Bus("bo", r.choice([83333, 100000, 125000]))]
        home = {"pt": 0, "ch": 0, "bo": 1, "in": 1}
        scale, gname = .75, r.choice(["cluster", "body"])
    elif e == "zonal22":
        v.buses = [Bus("pt", 500000), Bus("bo", 500000)]
        home = {"pt": 0, "ch": 0, "bo": 1, "in": 1}
        scale, gname = .6, "gateway"
    elif e == "car29":
        one = r.random() < .5
        v.buses = [Bus("pt", 500000)] + ([] if one else [Bus("bo", r.choice([125000, 250000]))])
        home = {"pt": 0, "ch": 0, "bo": 0 if one else 1, "in": 0 if one else 1}
        scale, gname = .7, None if one else r.choice(["gateway", "body"])
    else:
        v.buses = [Bus("pt", 500000), Bus("bo", r.choice([100000, 125000, 500000]))]
        home = {"pt": 0, "ch": 0, "bo": 1, "in": 1}
        if r.random() < .5:
            v.buses.append(Bus("ch", 500000))
            home["ch"] = 2
        if r.random() < .35:
            v.buses.append(Bus("in", r.choice([100000, 500000])))
            home["in"] = len(v.buses) - 1
        scale, gname = 1, "gateway"
    spec = dict(C.CAR)
    if e == "zonal22":
        for n in ("door_l", "door_r", "body", "rain", "headlamp"):
            spec.pop(n)
        spec.update(C.ZONES)
    if gname == "gateway":
        spec["gateway"] = C.GATE
    opt = r.uniform(.5, 1.1) * scale                       # how richly equipped this one is
    for name, (words, code, dom, feeds, p, sw) in spec.items():
        if p < 1 and r.random() > p * opt + .05 and name != gname:
            continue
        u = Unit(name, words, code, dom, r.choice(feeds), 0 if dom == "gw" else home[dom], sw)
        if name == gname:
            u.gateway, u.feed = True, "kl30"
            u.buses = list(range(len(v.buses)))
        v.units.append(u)
    r.shuffle(v.units)
    v.gw = next((i for i, u in enumerate(v.units) if u.gateway), None)
    # what the diagnostic connector gives: the bus wires themselves, a thinned part, or answers only
    v.dlc = "wires"
    if e in ("gw05", "domain15", "zonal22"):
        v.dlc = r.choices(["wires", "thin", "answers"], [60, 28, 12])[0]
    if v.dlc == "wires":
        rec = [0]
        if len(v.buses) > 1:
            rec = r.choices([[0], [1], [0, 1]], [50, 8, 42])[0]
        if len(v.buses) > 2 and r.random() < .3:
            rec = [0, 2]
        for c, b in enumerate(rec):
            v.buses[b].channel = c
    else:
        b = Bus("dlc", 500000)
        b.channel = 0
        v.buses.append(b)
        v.units[v.gw].buses.append(len(v.buses) - 1)
    v.dlcbus = next(i for i, b in enumerate(v.buses) if b.channel == 0)


def truck(r, v):
    spec = C.TRUCK if v.era == "truck" else C.MACHINE
    one = r.random() < .3
    v.buses = [Bus("j1939", r.choice([250000, 250000, 500000]))]
    if not one:
        v.buses.append(Bus("body", r.choice([125000, 250000, 250000])))
    gname = None if one else ("body" if v.era == "truck" else "master")
    for name, (sa, bus, feeds, p, sw, pgns) in spec.items():
        if p < 1 and r.random() > p:
            continue
        u = Unit(name, name, sa, "pt" if bus == "j" else "bo", r.choice(feeds), 0 if (bus == "j" or one) else 1, sw)
        u.sa, u.pgns = sa, pgns
        if name == gname:
            u.gateway = True
            u.bus, u.buses = 0, [0, 1]
        v.units.append(u)
    r.shuffle(v.units)
    v.gw = next((i for i, u in enumerate(v.units) if u.gateway), None)
    v.dlc = "wires"
    v.buses[0].channel = 0
    if not one and r.random() < .5:
        v.buses[1].channel = 1
    v.dlcbus = 0


def supply(r, v):
    """Fuses and relays of one terminal, and ground points, each with the units on it."""
    v.fuses, v.grounds = [], []
    for feed in ("kl30", "kl15", "klr", "kl87"):
        us = [i for i, u in enumerate(v.units) if u.feed == feed]
        r.shuffle(us)
        while us:
            k = r.choice([1, 1, 2, 2, 3, 4])
            v.fuses.append((r.choice(["fuse", "fuse", "relay", "distributor pin"]) + " " + feed, us[:k]))
            us = us[k:]
    us = list(range(len(v.units)))
    r.shuffle(us)
    while us:
        k = r.choice([1, 2, 3, 3, 4, 5])
        v.grounds.append(("ground G%d" % r.randint(100, 399), us[:k]))
        us = us[k:]


def wires(r, v):
    """On each bus: some units hang together behind a splice or inline connector."""
    for bi, b in enumerate(v.buses):
        us = [i for i, u in enumerate(v.units) if bi in u.buses and not u.gateway]
        r.shuffle(us)
        while us:
            k = r.choice([1, 1, 2, 2, 3, 4])
            if len(us[:k]) > 1:
                b.groups.append((r.choice(["splice", "inline connector", "star point", "cab-to-frame connector" if v.kind == "truck"
                                           else "door/floor connector"]), us[:k]))
            us = us[k:]


def new_msg(u, bus, mid, ext, period, r, v):
    m = Msg()
    m.id, m.ext, m.unit, m.bus, m.period = mid, ext, u, bus, period
    m.dlc = 8 if ext or r.random() < .75 else r.choice([1, 2, 3, 4, 5, 6, 7])
    m.fast, m.kind, m.cond, m.rep, m.gap, m.rate = None, "cyc", "any", 0, .02, 0
    x = r.random()
    if v.kind != "truck" and period >= .05:
        if x < .10:
            m.kind, m.rep, m.gap, m.rate = "ev", r.choice([1, 1, 2, 3, 5]), r.choice([.01, .02, .05]), r.choice([.02, .05, .2, .5])
        elif x < .22:
            m.kind, m.rep, m.gap, m.rate = "cycev", r.choice([1, 3]), .02, r.choice([.05, .2, .5])
        elif x < .26:
            m.kind, m.fast = "mode", period / r.choice([2, 4, 5])
    x = r.random()
    if u.domain == "pt" and x < .06:
        m.cond = "eng"
    elif x < .1:
        m.cond = "ign"
    elif x < .12:
        m.cond = "off_eng"
    m.jitter = period * r.choice([.001, .004, .01, .01, .03, .1]) if period < .1 else r.choice([.0003, .001, .003, .008])
    m.offset = r.random() * min(period, .3)
    m.base = [r.choice([0, 0, 0, 255, 255, r.randrange(256)]) for _ in range(m.dlc)]
    m.fields, m.ctrpos, m.crcpos, m.ctr, m.n = [], None, None, 0, 0
    m.ctrstep = r.choice([15, 15, 15, 14, 3])
    m.initlen = r.choice([0, 0, .1, .3, 1.0])
    m.crc = r.choice(["j1850", "j1850", "xor", "sum"])
    m.dataid = r.randrange(256)
    if m.dlc == 8 and v.kind != "truck" and r.random() < v.e2e and m.kind == "cyc":
        m.ctrpos = r.choice([0, 1, 6, 7])
        if r.random() < .8:
            m.crcpos = r.choice([p for p in (0, 7) if p != m.ctrpos])
    pool = {"pt": ["rpm", "spd", "temp", "noise", "state", "saw"], "ch": ["spd", "noise", "noise", "state", "spd"],
            "bo": ["flag", "state", "temp", "flag", "const"], "in": ["spd", "flag", "saw", "const"], "gw": ["state", "spd", "volt"]}
    pos = 0
    for _ in range(r.randint(0, 4)):
        k = r.choice(pool[u.domain])
        w = 2 if k in ("rpm", "spd") else 1
        if pos + w <= m.dlc:
            m.fields.append((pos, k, r.choice([1, 2, 4, 8, 10, 64]), r.random() * 100))
            pos += w + r.choice([0, 0, 1])
    if m.dlc == 8 and r.random() < .04:
        m.fields.append((0, "mux", r.choice([2, 3, 4, 8]), 0))
    m.bits = (67 if ext else 47) + 8 * m.dlc
    m.frame_s = m.bits * 1.07 / v.buses[bus].rate
    m.born = m.last = -1e9
    m.sub = None
    m.fidx = m.pgn = None
    u.msgs.append(m)
    v.buses[bus].msgs.append(m)
    return m


def matrix(r, v):
    v.e2e = {"body98": .12, "gw05": .3, "domain15": .55, "zonal22": .9, "car29": .4}.get(v.era, 0)
    v.slow = r.choice([1, 1, 1.5, 2, 3])                  # how leisurely the platform's periods are
    v.blk = r.random() < .5
    style = r.choice(["priority", "blocks", "scatter"])
    used = [set(range(0x700, 0x800)) | {0} for _ in v.buses]
    if v.kind == "truck":
        for u in v.units:
            for pgn, p in u.pgns:
                if r.random() < .9:
                    prio = 3 if p <= .02 else 6 if p > .02 else 7
                    if pgn >= 0xFF00:
                        pgn = 0xFF00 | (pgn + r.choice([0, 0, 3, 16])) & 0xFF
                    if any(x.id == ((prio << 26) | (pgn << 8) | u.sa) for x in u.msgs):
                        continue
                    m = new_msg(u, u.bus, (prio << 26) | (pgn << 8) | u.sa, True, p, r, v)
                    if pgn == 0xF004:
                        m.fields, m.base = [(3, "rpm8", 8, 0)], [0xF0, 0x7D, 0x7D, 0, 0, 0xFF, 0xFF, 0xFF]
                    if pgn == 0xFEF7:
                        m.fields, m.base = [(4, "volt20", 1, 0)], [0xFF] * 8
                    if pgn == 0xFEF1:
                        m.fields, m.base = [(1, "spdx", 1, 0)], [0xFF] * 8
                    m.pgn = pgn
            if r.random() < .4:                            # one destination-specific, proprietary A
                new_msg(u, u.bus, (6 << 26) | (0xEF << 16) | (r.choice([0, 0x21, 0xFF]) << 8) | u.sa, True, r.choice([.1, .5, 1]), r, v)
    else:
        for k, u in enumerate(v.units):
            n = r.choice([1, 2, 2, 3, 3, 4, 6] if u.domain != "gw" else [0, 1, 2, 2])
            if u.name in ("engine", "abs", "body") or u.name.startswith("zone"):
                n += r.choice([1, 2, 4])
            if r.random() < .03:
                n = 0                                      # listens only, like an amplifier
            bus0 = u.bus
            slowbus = v.buses[bus0].rate < 300000
            for j in range(n):
                p = r.choice(C.PERIODS[u.domain])
                if p < .1:
                    p *= v.slow
                if slowbus:
                    p = max(p, .1)
                if v.dlc == "answers":
                    p = max(p, .1)                         # nobody sees these; keep the hidden buses cheap
                for _ in range(200):
                    if v.era == "car29":
                        mid = (r.randrange(4, 28) << 24 | r.randrange(0x2000) << 8 | (k + 16)) if v.blk else r.randrange(0x0800000, 0x18000000)
                    elif style == "priority":
                        mid = int(0x60 + 0x2C0 * min(1, (p ** .35))) + r.randrange(0x120)
                    elif style == "blocks":
                        mid = 0x80 + 0x18 * k + r.randrange(0x18)
                    else:
                        mid = r.randrange(0x40, 0x600)
                    if not any(mid in s for s in used):
                        break
                for s in used:
                    s.add(mid)
                new_msg(u, bus0, mid, v.era == "car29", round(p, 4), r, v)
    v.used = used
    # keep each bus below about 65 percent
    for b in v.buses:
        load = sum(m.bits * 1.1 / m.period for m in b.msgs) / b.rate
        rate = sum(1 / m.period for m in b.msgs)
        f = max(load / .65, rate / r.choice([500, 800, 1100, 1500]))
        if f > 1:
            for m in b.msgs:
                if m.period <= .1:
                    m.period = round(m.period * (1 + int(f * 1.3)), 4)
    if v.gw is not None:
        routes(r, v)
    # receivers, timeouts and what a receiver puts into its own signals when the sender is gone
    for u in v.units:
        seen = [m for m in all_heard(v, u) if m.unit is not u and m.kind in ("cyc", "cycev") and m.cond == "any"]
        peers = {}
        for m in seen:
            peers.setdefault(m.unit.name, []).append(m)
        names = sorted(peers)
        r.shuffle(names)
        for nm in names[:r.choice([0, 1, 2, 3, 5, 7, 9])]:
            m = r.choice(peers[nm])
            per = m.period
            if m.bus not in u.buses:                       # it hears the gateway's copy, which may be thinned
                per *= max([x[2] for x in v.routes.get((m.bus, m.id), []) if x[0] == u.bus] or [1])
            to = max(per * r.choice([3, 5, 10, 10, 20]), r.choice([.1, .25, .5, 1, 2]))
            u.monitors.append([m, m.unit, to, r.choice([0, 0, .2, .5, 2.0, 5.0])])
        for m in u.msgs:
            if u.monitors and m.dlc >= 4 and r.random() < .35:
                m.sub = (r.randrange(m.dlc), r.randrange(len(u.monitors)), r.choice([0xFF, 0xFE, 0, 0x80]))


def routes(r, v):
    """Gateway: copies, renames, thins; or packs into a message of its own."""
    g = v.units[v.gw]
    for bi in g.buses:
        for bj in g.buses:
            if bi == bj:
                continue
            dlc = v.buses[bj].name == "dlc"
            if v.buses[bi].name == "dlc" or (dlc and v.dlc == "answers"):
                continue
            share = r.choice([.1, .25, .4]) if not dlc else r.choice([.4, .7, 1, 1])
            lossy = v.buses[bj].rate < 300000
            for m in list(v.buses[bi].msgs):
                if m.unit.gateway or r.random() > share:
                    continue
                div = 1 if dlc and r.random() < .6 else r.choice([1, 1, 2, 5, 10])
                while lossy and m.period * div < .1:
                    div *= 2
                new = m.id
                if not m.ext and r.random() < (.05 if dlc else .3):
                    for _ in range(100):
                        new = r.randrange(0x100, 0x600)
                        if not any(new in s for s in v.used):
                            break
                    for s in v.used:
                        s.add(new)
                if any(x[1] == new for k, l in v.routes.items() for x in l if x[0] == bj) or any(x.id == new for x in v.buses[bj].msgs):
                    continue
                v.routes.setdefault((bi, m.id), []).append((bj, new, div, r.choice([.0003, .001, .003, .008])))
    # the gateway's own messages also on other buses
    for bi in g.buses[1:]:
        if v.buses[bi].name == "dlc" and v.dlc == "answers":
            continue
        for _ in range(r.choice([0, 1, 2, 3])):
            if v.kind == "truck":
                mid = (6 << 26) | ((0xFF60 + r.randrange(32)) << 8) | g.sa
            elif v.era == "car29":
                mid = r.randrange(0x0800000, 0x18000000)
            else:
                mid = r.randrange(0x100, 0x600)
            if not any(mid in s for s in v.used):
                v.used[bi].add(mid)
                new_msg(g, bi, mid, v.kind != "car", r.choice([.1, .2, .5, 1]), r, v)


def all_heard(v, u):
    out = []
    for bi in u.buses:
        out += v.buses[bi].msgs
        for b2, b in enumerate(v.buses):
            if b2 != bi and not u.gateway:
                out += [m for m in b.msgs if any(x[0] == bi for x in v.routes.get((b2, m.id), []))]
    return out


def diagnosis(r, v):
    v.proto = "j1939" if v.kind == "truck" else r.choices(["uds", "kwp", "obd"], {"body98": [10, 50, 40]}.get(v.era, [85, 10, 5]))[0]
    v.pad = r.choice([0, 0, 0xAA, 0x55, 0xCC, 0xFF])
    step = r.choice([8, 8, 8, 0x10, 1])
    span = 8 if step > 1 else r.choice([8, 8, 0x40])
    n = 0
    share = r.choice([.6, .9, 1, 1])
    if v.proto == "obd":
        share = 0
    for k, u in enumerate(v.units):
        obd = {"engine": 0, "gearbox": 1, "motor": 2, "hvbattery": 3}.get(u.name)
        if v.kind == "truck":
            u.request, u.answer = None, None
        elif v.era == "car29":
            if obd is not None or r.random() < share:
                ad = (0x10 + 8 * obd) if obd is not None else 0x20 + k
                u.request, u.answer = 0x18DA00F1 | ad << 8, 0x18DAF100 | ad
        elif obd is not None:
            u.request, u.answer = 0x7E0 + obd, 0x7E8 + obd
        elif r.random() < share:
            base = 0x700 + (n * 0x10 if step > 1 else n // 8 * 0x10 + n % 8)
            if base < 0x7D0:
                n += 1
                u.request, u.answer = base, base + 8
        u.ftb = r.choice([0x87, 0x87, 0x00, 0x08]) if v.proto == "uds" else 0
        u.confirm = r.choice([1, 1, 1, 2])
        u.pondelay = r.choice([.5, 1, 2, 3, 5])
        u.vmin_mon = r.choice([9, 10, 10.5])
        u.heal = r.choice([.2, 1, 5, 1e9])
        u.moncond = r.choice(["ign", "ign", "ign", "any", "eng"]) if u.feed != "kl87" else r.choice(["ign", "eng"])
        u.mask = r.random() < .5                            # when all are gone: bus code instead of the single ones
        u.tick = r.choice([.1, .2, .25])
        u.p2 = r.choice([.003, .008, .015, .03])
        u.dtcs = {}                                          # code -> status byte
        # old codes that are nobody's business: circuit faults seldom, on some
        u.other = [(r.choice([0x90, 0x00, 0x50, 0x9A]), r.randrange(0x10, 0x60), r.choice([0x11, 0x13, 0x15, 0x16]), r.choice([0x08, 0x28, 0x2C, 0x50]))
                   ] if r.random() < .06 else []
    v.dm = v.kind == "truck" and r.random() < .95


def network(r, v):
    for i, b in enumerate(v.buses):
        b.nm = "claim" if v.kind == "truck" else r.choice({"body98": ["none", "ring", "none"], "gw05": ["ring", "ring", "none", "nm"],
                "car29": ["none", "nm", "none"]}.get(v.era, ["nm", "nm", "none"]))
        b.nmbase = r.choice([0x400, 0x500, 0x600, 0x420, 0x480])
        b.nmper = r.choice([.2, .5, .64, 1.0])
        if b.name == "dlc":
            b.nm = "none"
    k = 0
    for i, u in enumerate(v.units):
        u.ppm = r.gauss(0, 60) * 1e-6
        u.boot = r.choice([.03, .08, .15, .3, .5, .8, 1.5]) * r.uniform(.7, 1.4)
        if u.name in ("radio", "display", "telematics", "headup"):
            u.boot = r.uniform(.8, 4)
        u.warm = u.boot * r.uniform(.2, .8)
        u.after = r.choice([.5, 2, 5, 10, 30]) if u.feed == "kl87" else r.choice([0, 1, 3, 8])
        u.vreset = r.choice([4.5, 5, 5.5, 6, 6.5, 7, 7.5]) if u.feed != "kl87" else 4.5
        u.holdup = r.choice([.003, .008, .02, .05, .15])
        u.buffer = r.choice(["overwrite", "overwrite", "keep", "fifo"])   # what waits in it while wires are open
        u.busoff_wait = r.choice([.003, .05, .1, .2, 1.0])
        u.busoff_clear = r.random() < .5
        u.spread = r.random() < .6                           # offsets, or all at once
        u.nmsender = None
        b = v.buses[u.bus]
        if b.nm == "nm" and u.feed == "kl30" or (b.nm == "ring" and (u.feed == "kl30" or r.random() < .5)):
            mid = b.nmbase + k
            if v.era == "car29":
                mid = 0x1B000000 | mid << 4
            k += 1
            if not any(mid in s for s in v.used):
                for s in v.used:
                    s.add(mid)
                u.nmsender = mid
                if b.nm == "nm":
                    m = new_msg(u, u.bus, mid, v.era == "car29", b.nmper, r, v)
                    m.dlc, m.kind, m.cond, m.base, m.fields, m.ctrpos, m.crcpos, m.sub = 8, "cyc", "any", [i, 0x40, 0, 0, 0, 0, 0, 0], [], None, None, None
                    m.bits = (67 if m.ext else 47) + 64
                    m.frame_s = m.bits * 1.07 / b.rate
