"""Draws a vehicle: units, their messages, how they are fed, grounded and wired to the bus."""
# name, words of the lost-communication code, its number, where it sits, usual feed, current (A) idle/active, restart habits
CAR = [("engine", "ecm/pcm a", 0xC100, "bay", "relay", 3, 9), ("gearbox", "tcm", 0xC101, "bay", "relay", 1.5, 6),
       ("brakes", "anti-lock brake system (abs) control module a", 0xC121, "bay", "ign+bat", 1, 25),
       ("steering", "power steering control module a", 0xC131, "bay", "ign+bat", 1, 45),
       ("angle", "steering angle sensor module", 0xC126, "cabin", "ign", .2, .2),
       ("yaw", "yaw rate sensor module", 0xC123, "cabin", "ign", .2, .2),
       ("restraint", "restraints control module", 0xC151, "cabin", "ign", .6, .8),
       ("cluster", "instrument panel cluster (ipc) control module", 0xC155, "cabin", "bat", .6, 1.2),
       ("body", "body control module", 0xC140, "cabin", "bat", 1, 12),
       ("climate", "hvac control module", 0xC164, "cabin", "ign", .5, 3),
       ("radio", "radio", 0xC184, "cabin", "acc", 1, 6), ("park", "park brake control module", 0xC128, "rear", "bat", .3, 15),
       ("tyres", "tire pressure monitor module", 0xC127, "rear", "ign", .2, .2),
       ("driverdoor", "driver door control module", 0xC199, "door", "bat", .3, 9),
       ("passdoor", "passenger door control module", 0xC19A, "door", "bat", .3, 9),
       ("seat", "driver seat control module", 0xC208, "cabin", "bat", .2, 12),
       ("suspension", "suspension control module a", 0xC132, "rear", "ign", .5, 14),
       ("transfer", "transfer case control module", 0xC102, "bay", "ign", .5, 12),
       ("fuelpump", "fuel pump control module a", 0xC109, "rear", "relay", .5, 11),
       ("parkaid", "parking assist control module a", 0xC159, "rear", "ign", .3, .8),
       ("trailer", "trailer control module", 0xC19F, "rear", "bat", .2, 8),
       ("camera", "image processing module a", 0xC23A, "cabin", "ign", .6, 1),
       ("cruise", "cruise control module", 0xC104, "bay", "ign", .5, 1),
       ("lamps", "headlamp control module", 0xC182, "bay", "ign", .4, 9)]
GATE = ("gateway", "serial data gateway module a", 0xC146, "cabin", "bat", .3, .4)
TRUCK = [("engine", 0x00, "bay", "bat", 3, 12), ("transmission", 0x03, "rear", "ign+bat", 1.5, 8), ("brakes", 0x0B, "bay", "ign+bat", 1, 18),
         ("retarder", 0x0F, "bay", "ign", .5, 3), ("retarder driveline", 0x10, "rear", "ign", .5, 4), ("cluster", 0x17, "cabin", "bat", 1, 2),
         ("cab controller", 0x31, "cabin", "bat", .6, 9), ("body", 0x21, "cabin", "bat", 1, 14), ("suspension", 0x2F, "rear", "ign", .6, 9),
         ("tyres", 0x33, "rear", "ign", .2, .2), ("aftertreatment", 0x3D, "rear", "relay", 1, 15), ("tachograph", 0xEE, "cabin", "bat", .4, .6),
         ("climate", 0x19, "cabin", "ign", .5, 8), ("radar", 0x2A, "bay", "ign", .6, 1), ("camera", 0xE8, "cabin", "ign", .5, .7),
         ("axle", 0x07, "rear", "ign", .3, 2), ("headway", 0x55, "cabin", "acc", .5, .5), ("telematics", 0x4A, "cabin", "bat", .4, .8)]
PGN = {0x00: [(0x0CF004, .02), (0x0CF003, .05), (0x18FEEE, 1), (0x18FEEF, .5), (0x18FEF2, .1), (0x18FEDF, .25), (0x18FEF6, .5)],
       0x03: [(0x0CF002, .01), (0x18F005, .1), (0x18FEF8, 1)], 0x0B: [(0x18F001, .1), (0x18FEBF, .1), (0x08F009, .01)],
       0x0F: [(0x18F000, .1)], 0x10: [(0x18F000, .1)], 0x17: [(0x18FEFC, 1), (0x18FEC1, 1), (0x18FEE0, 1)], 0x31: [(0x18FEF1, .1), (0x18FE4E, 1)],
       0x21: [(0x18FEF7, 1), (0x18FDCC, 1), (0x0CFDCC, .1)], 0xEE: [(0x0CFE6C, .05), (0x18FEE6, 1)], 0x3D: [(0x18FD7C, 1), (0x18F00E, .05)]}


class Bag:
    def __init__(self, **k):
        self.__dict__.update(k)


def payload_kind(r):
    return r.choices(["signal", "counter", "crc", "const", "mux", "walk", "nibble"], [30, 15, 15, 12, 6, 17, 5])[0]


def msg(r, ident, period, kind="cyc"):
    return Bag(id=ident, period=period, kind=kind, dlc=r.choices([8, 7, 6, 5, 4, 3, 2, 1], [70, 5, 6, 5, 6, 3, 4, 1])[0],
               jit=r.choice([.0002, .0005, .001, .004]), fill=payload_kind(r), base=[r.choice([0, 0, 255, r.randrange(256)]) for _ in range(8)],
               when=r.choices(["always", "engine", "after"], [90, 5, 5])[0], start=r.choice([0, 0, 0, r.uniform(0, .4)]), phase=r.random(),
               mul=r.randrange(1, 255), drop=r.random() < .01)


def draw(r, kind):
    v = Bag(kind=kind, ext=kind != "car", truck=kind == "truck", chans=1, hidden=False)
    v.rate = {"car": r.choices([500e3, 250e3, 125e3, 100e3], [75, 10, 8, 7])[0], "car29": 500e3, "truck": r.choice([250e3, 250e3, 500e3])}[kind]
    scale = 24.0 / 12 if v.truck else 1.0
    v.scale = scale
    v.diagbase = r.choice([0x700, 0x710, 0x720, 0x600, 0x740])
    v.ansoff = r.choice([8, 8, 0x20, 1, 0x6A])
    slow = v.rate < 200e3
    if v.truck:
        rows = r.sample(TRUCK[1:], r.randint(5, 13))
        rows = [TRUCK[0]] + ([TRUCK[2]] if TRUCK[2] not in rows else []) + rows
        rows = [(n, n, sa, pl, fd, i0, i1) for n, sa, pl, fd, i0, i1 in rows]
    else:
        must = [CAR[0], CAR[2], CAR[6]]
        rows = must + r.sample([x for x in CAR if x not in must], r.randint(4, 15))
    r.shuffle(rows)
    v.gw = None
    if r.random() < (.3 if v.truck else .68):
        rows.insert(r.randint(0, len(rows)), (("gateway", "gateway", 0x25) if v.truck else GATE[:3]) + GATE[3:])
        v.gw = next(i for i, x in enumerate(rows) if x[0] == "gateway")
        if r.random() < .75:
            v.chans = 2
            v.hidden = r.random() < .5
    v.units = []
    free = list(range(0x010, 0x5F0))
    pool = sorted(r.sample(free, 330))
    r.shuffle(pool)
    style = r.choice(["any", "block", "rank"])
    sas = set()
    # feeds: several fuses of each kind; each with the resistance of its wire, and other consumers
    v.feeds = []
    for f, n in (("bat", r.randint(1, 3)), ("ign", r.randint(1, 3)), ("acc", 1), ("relay", 1)):
        for _ in range(n):
            v.feeds.append(Bag(kind=f, res=r.uniform(.008, .05), other=r.choice([0, 2, 6, 14]), fuse=r.choice([10, 15, 20, 30]), coil=r.uniform(3.2, 6) * scale))
    v.grounds = [Bag(res=r.uniform(.001, .006), other=r.choice([0, 5, 15, 30]), place=p) for p in ("bay", "bay", "cabin", "cabin", "rear")]
    for i, (name, called, num, place, feed, i0, i1) in enumerate(rows):
        u = Bag(i=i, name=name, called=called, num=num, place=place, i0=i0 / scale, i1=i1 / scale, gw=i == v.gw)
        u.ch = 0
        if v.chans == 2 and not u.gw and (name in ("radio", "climate", "driverdoor", "passdoor", "seat", "parkaid", "trailer", "body", "tyres", "camera",
                                                     "telematics", "headway", "axle") and r.random() < .75 or r.random() < .12):
            u.ch = 1
        fk = feed.split("+")[0] if r.random() < .8 else r.choice(["bat", "ign", "ign", "acc"])
        if name == "gateway":
            fk = r.choice(["bat", "bat", "ign"])
        u.feedkind = fk
        u.feed = r.choice([k for k, f in enumerate(v.feeds) if f.kind == fk])
        near = [k for k, g in enumerate(v.grounds) if g.place == (place if place in ("bay", "rear") else "cabin")]
        u.ground = r.choice(near)
        u.wire = r.uniform(.01, .08)
        u.vreset = r.uniform(3.6, 6.6) * scale ** .5
        u.vstart = u.vreset + r.uniform(.4, 1.8)
        u.vmute = (r.choice([0, 0, r.uniform(6.2, 8.6)])) * scale
        u.vmax = r.choice([99, 99, r.uniform(16, 18.5)]) * scale
        u.hold = r.choice([.0008, .004, .012, .03, .08])
        u.boot = r.choices([r.uniform(.03, .15), r.uniform(.15, .6), r.uniform(.6, 2), r.uniform(2.5, 7)], [40, 35, 18, 7])[0]
        if name in ("radio", "camera", "telematics"):
            u.boot = r.uniform(1, 8)
        u.hello = r.choice(["none", "none", "burst", "once"])
        u.stagger = r.choice([0, .005, .02, .1])
        u.sleep = r.uniform(.2, 3)
        u.after = r.choice([0, 0, .3, r.uniform(1, 25)]) if fk in ("relay", "bat") else r.choice([0, 0, .05, .2])
        u.buffer = r.choices(["new", "old", "fifo", "drop"], [40, 20, 15, 25])[0]
        u.depth = r.choice([1, 3, 8, 16])
        u.boff = r.choices([("fast", .01, .05), ("steps", .1, .5), ("slow", .8, 2.5), ("never", 1e9, 1e9)], [40, 30, 24, 6])[0]
        u.ppm = r.gauss(0, 60) * (5 if r.random() < .1 else 1)
        u.watch, u.nvm = [], r.random() < .8
        u.debounce = r.choice([.25, .5, 1, 2, 2, 5])
        u.grace = r.choice([.5, 1, 3, 5])
        u.maskv = r.choice([8, 9, 10, 10.5]) * scale
        u.cycles = r.choice([1, 1, 2])
        u.ft = r.choice([0x00, 0x00, 0x87, 0x87, 0x82, 0x88])
        u.smask = r.choice([0xFF, 0xFF, 0x09, 0x2F, 0x7F])
        u.reply = r.choice([.004, .01, .025, .05])
        u.pend = r.random() < .1
        u.vin = None
        u.addr = num if v.truck else None
        u.branch = {"bay": r.choice([0, 0, 1]), "cabin": r.choice([0, 0, 2]), "rear": 3, "door": r.choice([4, 4, 2])}[place]
        # messages
        n = max(1, min(14, int(r.lognormvariate(1.25, .6))))
        if name in ("engine", "brakes"):
            n += r.randint(1, 4)
        if place in ("door", "rear") and r.random() < .5:
            n = r.choice([1, 1, 2])
        per = [.01, .01, .02, .02, .05, .1, .1, .2, .5, 1.0] if not slow else [.05, .1, .1, .2, .5, 1.0, 1, 2]
        if r.random() < .2:
            per = [.012, .024, .03, .08, .1, .3, .64, 1.0]
        u.msgs = []
        if v.truck:
            for p, T in PGN.get(num, []):
                u.msgs.append(msg(r, p << 8 | num, T))
            for _ in range(max(1, n - len(u.msgs))):
                p = r.choice([0x18FF00 + r.randrange(256), 0x18FE00 + r.randrange(1, 250), 0x0CFF00 + r.randrange(256)])
                if (p << 8 | num) not in sas:
                    sas.add(p << 8 | num)
                    u.msgs.append(msg(r, p << 8 | num, r.choice([.05, .1, .1, .25, .5, 1, 1, 5])))
            for m in u.msgs:
                m.dlc = 8
            u.dm1 = r.choice(["always", "always", "active"])
        else:
            block = sorted(pool[:n])
            if style == "block":
                k = r.randrange(len(pool) - n)
                sp = sorted(pool)
                block = sp[k:k + n]
            for b in block:
                pool.remove(b)
            for b in block:
                ident = b if not v.ext else (r.choice([0x0C, 0x10, 0x14, 0x18]) << 24 | b << 13 | r.choice([0, 0x10]) << 8 | (i + 0x20 & 0xFF)) & 0x1FFFFFFF
                T = r.choice(per)
                if style == "rank":
                    T = per[min(len(per) - 1, b * len(per) // 0x600)]
                u.msgs.append(msg(r, ident, T))
            for m in r.sample(u.msgs, min(len(u.msgs) // 4, 2)):
                m.kind = r.choice(["event", "event", "mode", "cyc", "change"])
            u.dm1 = None
        u.nodiag = r.random() < .08
        if v.truck:
            u.req = u.ans = None
        elif v.ext:
            u.req, u.ans = 0x18DA00F1 | (i * 7 + 0x10 & 0xFF) << 8, 0x18DAF100 | (i * 7 + 0x10 & 0xFF)
        elif name in ("engine", "gearbox"):
            u.req = 0x7E0 + (name == "gearbox")
            u.ans = u.req + 8
        else:
            u.req = v.diagbase + (i * (2 if v.ansoff == 1 else 1)) % 8 + (i // 8) * (0x10 if v.ansoff == 8 else 0x8 if v.ansoff == 0x20 else 8)
            u.ans = u.req + v.ansoff
            if v.ansoff == 0x20 and i >= 32:
                u.nodiag = True
        v.units.append(u)
    taken = set()
    for u in v.units:   # no two share an identifier of diagnosis
        if u.req is not None:
            while u.req in taken or u.ans in taken or 0x7DF in (u.req, u.ans) or u.ans > 0x7FF and not v.ext:
                u.req, u.ans = (u.req + 0x20, u.ans + 0x20) if not v.ext else (u.req + 0x100, u.ans + 1)
                if u.ans > 0x7FF and not v.ext:
                    u.nodiag = True
                    break
            taken |= {u.req, u.ans}
        if u.nodiag:
            u.req = u.ans = None
    if v.chans == 2 and not any(u.ch == 1 for u in v.units):
        v.chans, v.hidden = 1, False
    # network management of one manner in the vehicle
    v.nm = r.choice(["none", "osek", "autosar"]) if not v.ext else "none"
    if v.nm != "none":
        for u in v.units:
            if r.random() < .8:
                base = 0x400 if v.nm == "osek" else 0x600 if v.diagbase != 0x600 else 0x500
                for o in v.units:
                    o.msgs = [m for m in o.msgs if m.id != base + u.i]
                m = msg(r, base + u.i, r.choice([.1, .2, .5, 1.0]) if v.nm == "autosar" else .1 * max(4, len(v.units)), "nm")
                m.fill, m.start, m.when = "const", 0, "always"
                u.msgs.append(m)
    for u in v.units:
        u.msgs = [m for m in u.msgs if not m.drop] or u.msgs
        if not any(m.kind == "cyc" and m.when == "always" for m in u.msgs) and u.msgs:
            u.msgs[0].kind, u.msgs[0].when = "cyc", "always"
    # no more load than about two thirds
    for ch in (0, 1):
        mine = [m for u in v.units if u.ch == ch for m in u.msgs]
        while sum((150 if v.ext else 128) / v.rate / m.period for m in mine) > .6:
            min(mine, key=lambda m: m.period).period *= 2
    # the gateway carries messages between the two buses: same, renamed, thinned or repackaged
    v.copies = []
    used = {m.id for u in v.units for m in u.msgs}
    if v.chans == 2:
        for u in v.units:
            for m in u.msgs:
                if u.gw or m.kind != "cyc" or v.truck and m.period < .05:
                    continue
                if r.random() < ((.85 if v.hidden else .45) if u.ch else .18):
                    ident = m.id
                    if r.random() < .25 and not v.truck:
                        ident = m.id ^ r.choice([0x1, 0x2, 0x100, 0x80])
                        if ident in used:
                            ident = m.id
                    used.add(ident)
                    v.copies.append(Bag(unit=u.i, m=m, to=1 - u.ch, id=ident, every=r.choice([1, 1, 1, 2, 5]), lag=r.choice([.0003, .001, .005]),
                                        stale=r.random() < .15))
    for u in v.units:
        others = [o for o in v.units if o is not u and (o.ch == u.ch or any(c.unit == o.i and c.to == u.ch for c in v.copies))]
        u.watch = [o.i for o in (others if u.gw else r.sample(others, min(len(others), r.choice([0, 1, 2, 3, 4, 6]))))]
    v.pterm = r.random() < .5      # one terminator sits in a unit rather than in the harness
    v.vin = "W" + "".join(r.choice("ABCDEFGHJKLMNPRSTUVWXYZ0123456789") for _ in range(10)) + "%06d" % r.randrange(10 ** 6)
    return v
