"""Draws a vehicle: its controllers, what they send, how they are fed and wired, who watches whom."""
from catalogue import CAR, ELECTRIC, VAN, TRUCK

PERIODS = {0: [.01, .01, .01, .02, .02, .02, .025, .05], 1: [.02, .02, .04, .05, .05, .1], 2: [.05, .1, .1, .1, .2, .25, .5],
           3: [.1, .2, .25, .3, .5, .64, 1., 1., 2.]}


class Msg:
    __slots__ = ("id", "ext", "period", "dlc", "cond", "jitter", "tmpl", "ops", "event", "off", "of", "kind", "repeat", "phase")


class Unit:
    pass


class Vehicle:
    pass


def payload(rng, m, rank, old):
    """Layout of a message: fixed bytes and what moves in it (counter, check, measured values, switches)."""
    m.tmpl = bytearray(rng.choice((0, 0, 0, 0xFF, 0xFF, rng.randrange(256))) for _ in range(m.dlc))
    m.ops = []
    d = m.dlc
    free = list(range(d))
    if not old and d >= 3 and rng.random() < (.6 if rank == 0 else .3):
        c = rng.choice((d - 1, 0, d - 2))
        crc = rng.random() < .6
        k = rng.choice((d - 1, 0)) if crc else None
        m.ops.append(("ctr", c, rng.choice((15, 15, 3, 255)) if not crc or k != c else 15, rng.choice((0, 0, 4)), rng.choice((1, 1, 1, 2))))
        if crc and k != c:
            m.ops.append((rng.choice(("xor", "sum", "crc")), k, m.id & 255, 0, 0))
            free.remove(k)
        free.remove(c)
    body = [x for x in free]
    rng.shuffle(body)
    pre = []
    for x in body[:rng.randrange(0, max(1, len(body)) + 1)]:
        r = rng.random()
        if r < .25 and x + 1 in free and x + 1 < d:
            pre.append((rng.choice(("rpm", "speed", "speed", "volt", "temp")), x, rng.choice((1, 2, 4, 8, 64, 100)), rng.randrange(0, 2000), 0))
        elif r < .4:
            pre.append(("walk", x, rng.choice((1, 2, 5)), rng.randrange(256), 0))
        elif r < .5:
            pre.append(("flag", x, 1 << rng.randrange(8), rng.uniform(2, 40), rng.uniform(0, 40)))
        elif r < .55:
            pre.append(("key", x, 1 << rng.randrange(6), 0, 0))
    if d == 8 and rng.random() < .05:
        pre.append(("mux", 0, rng.choice((2, 3, 4, 8)), 0, 0))
    m.ops = pre + m.ops          # checks last


def draw(rng):
    v = Vehicle()
    r = rng.random()
    v.kind = "truck" if r < .34 else "car29" if r < .48 else "car"
    v.age = rng.choice(("old", "middle", "middle", "new"))
    v.vin = "".join(rng.choice("ABCDEFGHJKLMNPRSTUVWXYZ0123456789") for _ in range(17))
    v.use = ""
    v.units = []
    v.twobus = rng.random() < (.3 if v.age != "old" else .08)
    v.bit = [0, 0]
    v.hidden = v.twobus and rng.random() < .35      # the second bus is there but is not recorded
    if v.kind == "truck":
        trucks(rng, v)
    else:
        cars(rng, v)
    n = len(v.units)
    v.channels = 2 if v.twobus and not v.hidden else 1
    wiring(rng, v)
    watching(rng, v)
    gateway(rng, v)
    return v


def common(rng, v, u, rank):
    """How the controller's supply, program and transceiver behave."""
    u.rank = rank
    u.boot = rng.choice((rng.uniform(.03, .15), rng.uniform(.15, .6), rng.uniform(.6, 2.5) if rank > 1 else rng.uniform(.1, .5)))
    u.wakeboot = u.boot * rng.uniform(.1, .9)
    u.late = rng.uniform(0, .08)                    # spread of its start and stop against its neighbours
    u.stop = rng.uniform(0, .25)
    u.after = rng.choice((rng.uniform(.5, 3), rng.uniform(3, 12), rng.uniform(10, 60)))
    u.hold = rng.choice((.002, .005, .01, .02, .05, .1))
    u.brown = rng.choice((5., 5.5, 6., 6.5, 7., 8., 9.5) if rank < 3 else (6., 7., 8., 9., 10.))
    u.skew = 1 + rng.gauss(0, 60e-6)
    u.init = rng.choice((None, None, None, 0xFF, 0x00))
    u.initfor = rng.uniform(.05, 1.2)
    u.queue = rng.choice(("newest", "newest", "oldest", "fifo", "none"))
    u.fifo = rng.choice((3, 8, 16, 32))
    u.openway = rng.choice(("passive", "passive", "busoff"))
    u.busoff = rng.choice((rng.uniform(.003, .03), rng.uniform(.05, .2), rng.uniform(.2, 1.2), rng.uniform(1, 6) if rng.random() < .3 else .1))
    u.stagger = rng.choice((0, .002, .005, .02))
    u.grid = rng.random() < .4                      # one timer table for all its messages, else each free
    u.ftb = rng.choice((0x00, 0x00, 0x87, 0x87, 0x81)) if v.age != "old" else 0
    u.status = rng.choice(((0x2F, 0x2E, 0x28), (0x09, 0x08, 0x08), (0x0B, 0x0A, 0x08), (0xAF, 0x2E, 0x2C), (0x8F, 0x0E, 0x08)))
    u.memory = rng.choice(("at once", "at once", "at once", "at sleep"))
    u.maskall = rng.random() < .35                  # loses everybody: stores only "bus", not each partner
    u.protocol = "uds"
    u.answerlag = rng.uniform(.002, .04)
    u.pend = rng.random() < .12                     # first says "wait"
    u.st = rng.choice((0, 0, 1, 5, 10))
    u.pad = rng.choice((0, 0xAA, 0x55, 0xFF, None))
    u.confirm = rng.choice((1, 1, 1, 2))
    u.old = []
    u.hidden = False
    u.msgs = []


def new_msg(rng, id_, ext, period, rank, v, cond="always", dlc=None):
    m = Msg()
    m.id, m.ext, m.period, m.cond, m.event, m.of = id_, ext, period, cond, None, None
    m.dlc = dlc if dlc is not None else rng.choice((8, 8, 8, 8, 8, 7, 6, 5, 4, 3, 2, 1) if not ext or v.kind != "truck" else (8,))
    m.jitter = rng.choice((.0002, .0005, .001, .003)) if period < 1 else rng.choice((.0005, .002, .01))
    m.off, m.kind, m.repeat, m.phase = rng.uniform(0, min(period, .3)), "data", 1, rng.random()
    payload(rng, m, rank, v.age == "old")
    return m


def cars(rng, v):
    ev = v.age != "old" and rng.random() < .22
    van = rng.random() < .4
    v.use = rng.choice(("ambulance", "van with bodybuilder module", "taxi", "chassis cab", "minibus", "delivery van")) if van else \
        ("electric car" if ev else rng.choice(("small car", "estate car", "saloon", "off-road car", "hire car")))
    v.electric = ev
    thin = {"old": .55, "middle": .85, "new": 1.15}[v.age]
    rows = [x for x in CAR if rng.random() < (x[5] if x[5] >= .9 else x[5] * thin)]
    if ev:
        rows = [x for x in rows if x[0] not in ("engine", "gearbox", "glow plugs", "fuel pump", "transfer case")] + [x for x in ELECTRIC if rng.random() < x[5]]
    if van:
        rows += [x for x in VAN if rng.random() < x[5] and x[2] not in [y[2] for y in rows]]
    while len(rows) < 5:
        x = rng.choice(CAR)
        if x not in rows:
            rows.append(x)
    ext = v.kind == "car29"
    taken = set()
    base29 = rng.choice((0x0A000000, 0x10000000, 0x1E000000, 0x12000000, 0x04000000))
    low29 = rng.choice((0, rng.randrange(256), 0x40))
    v.diag29 = ext and rng.random() < .6
    v.kwp = v.age == "old" and rng.random() < .6
    v.bit[0] = rng.choice((500000, 500000, 500000, 250000) if v.age != "old" else (500000, 250000, 500000, 125000))
    v.bit[1] = rng.choice((500000, 125000, 100000, 250000, 500000))
    slow = v.bit[0] <= 125000
    spread = rng.choice((.5, .8, 1.2))
    v.nm = rng.choice((None, None, 0x400, 0x500, 0x600)) if v.age != "old" else rng.choice((None, None, 0x400))
    order = list(range(len(rows)))
    dbase = rng.choice((0x700, 0x710, 0x720, 0x740, 0x7A0 - 0x60))
    for k, row in enumerate(rows):
        u = Unit()
        u.name, u.called, u.code, feeds, u.place, _, rank = row
        u.feed = rng.choice(feeds)
        if u.name == "telematics" and v.use == "taxi":
            u.feed = rng.choice(("acc", "always", "bat"))
        common(rng, v, u, rank)
        u.idx, u.address = k, None
        u.chan = 1 if v.twobus and rank >= 2 and u.name != "cluster" and rng.random() < .7 else 0
        count = max(1, round(rng.lognormvariate(.5 + (.5 if rank < 2 else 0), .55) * spread))
        if v.age == "old":
            count = min(count, 4)
        for q in range(min(count, 10)):
            p = rng.choice(PERIODS[rank] if q < 2 else PERIODS[min(3, rank + rng.randrange(0, 3))])
            if slow or v.bit[u.chan] < 200000:
                p = max(p * 2, .04)
            for _ in range(200):
                if ext:
                    i = base29 | (min(7, rank * 2 + rng.randrange(2)) << 18) | (rng.randrange(0x3FF) << 8) | (low29 if rng.random() < .8 else k)
                    i &= 0x1FFFFFFF
                else:
                    i = rng.randrange((0x0A0, 0x160, 0x220, 0x340)[rank], (0x260, 0x360, 0x4C0, 0x6A0)[rank])
                if i not in taken and not (v.nm and v.nm <= i < v.nm + 0x40 and not ext):
                    break
            taken.add(i)
            m = new_msg(rng, i, ext, p, rank, v)
            if q > 0:
                m.cond = rng.choice(("always",) * 12 + ("ign", "ign", "run", "awake"))
                if rank >= 2 and rng.random() < .12:
                    m.event = rng.uniform(.05, .8)
                    m.repeat = rng.choice((1, 1, 3))
            u.msgs.append(m)
        if v.nm and u.feed in ("bat", "charge", "heater") and rng.random() < .8:
            i = (base29 & 0x18000000 | 0x3F0000 | k) if ext else v.nm + k
            if i not in taken:
                taken.add(i)
                m = new_msg(rng, i, ext, rng.choice((.2, .32, .5, .64, 1.)), 3, v, "awake", 8)
                m.kind, m.ops = "nm", []
                m.tmpl = bytearray((k + 1) % 256 if z == 0 else rng.choice((0, 0xFF, 1)) for z in range(8))
                u.msgs.append(m)
        if v.diag29:
            a = (0x10, 0x18, 0x28, 0x30, 0x40, 0x58, 0x60)[k] if k < 7 else 0x61 + k
            u.request, u.answer = 0x18DA00F1 | a << 8, 0x18DAF100 | a
        elif k == 0 and u.name in ("engine", "drive motor"):
            u.request, u.answer = 0x7E0, 0x7E8
        elif u.name == "gearbox" and rng.random() < .7:
            u.request, u.answer = 0x7E1, 0x7E9
        else:
            u.request = dbase + (k if dbase != 0x700 else k * 2)
            if dbase == 0x700:
                u.request, u.answer = 0x700 + k, 0x700 + k + 0x40
            else:
                u.answer = u.request + (8 if k % 16 < 8 else 8)
                u.request = dbase + (k // 8) * 16 + k % 8
                u.answer = u.request + 8
        if v.kwp:
            u.protocol = "kwp"
        u.nodiag = rng.random() < (.12 if v.age == "old" else .04) and rank >= 2
        v.units.append(u)
    v.tester_id = 0xF1
    for u in v.units:
        u.hidden = u.chan == 1 and v.hidden


def trucks(rng, v):
    t = rng.choice("llllbbbrrffmm")
    v.use = {"l": rng.choice(("road tractor with trailer", "tipper", "swap-body lorry")), "b": rng.choice(("city bus", "coach")), "r": "refuse lorry",
             "f": "farm tractor", "m": rng.choice(("excavator", "wheel loader", "road sweeper"))}[t]
    v.electric, v.nm, v.kwp, v.diag29 = False, None, False, True
    rows = [x for x in TRUCK if t in x[5] and rng.random() < x[6]]
    while len(rows) < 5:
        x = rng.choice([y for y in TRUCK if t in y[5]])
        if x not in rows:
            rows.append(x)
    rows.sort(key=lambda x: TRUCK.index(x))
    v.bit = [rng.choice((250000, 250000, 500000)), rng.choice((250000, 500000))]
    dense = rng.choice((.6, .85, 1.))
    v.tester_id = rng.choice((0xF9, 0xF9, 0xFA))
    maker = rng.randrange(1, 2000)
    v.udstruck = rng.random() < .45                 # UDS beside the J1939 messages
    for k, row in enumerate(rows):
        u = Unit()
        u.name, u.address, u.function, feeds, u.place, _, _, groups = row
        u.called, u.code = u.name, 0
        u.feed = rng.choice(feeds)
        rank = 0 if groups[0][0] <= 3 and groups[0][2] < .06 else 1 if groups[0][2] <= .1 else 3
        common(rng, v, u, rank)
        u.idx = k
        u.chan = 1 if v.twobus and u.place in ("cab", "roof", "rear", "door") and u.name != "cluster" and rng.random() < .6 else 0
        u.hidden = u.chan == 1 and v.hidden
        seen = set()
        gs = [g for z, g in enumerate(groups) if z == 0 or rng.random() < dense]
        for _ in range(rng.choice((0, 0, 1, 2, 4, 8))):     # the maker's own groups
            gs.append((rng.choice((3, 6, 6)), rng.choice((0xFF00 + rng.randrange(256), 0xFF00 + rng.randrange(256), 0xEF00)), rng.choice((.02, .05, .1, .1, .25, .5, 1))))
        for pr, pgn, per in gs:
            if pgn < 0xF000:
                pgn |= rng.choice((0x00, 0xFF)) if pgn in (0xEF00,) else 0 if pgn != 0xE700 else 0x26
                if pgn == u.address and pgn == 0:
                    continue
            if pgn in seen:
                continue
            seen.add(pgn)
            if pgn == 0xF004:
                per = rng.choice((.01, .01, .02, .05))
            if per < .02 and v.bit[u.chan] == 250000 and rng.random() < .5:
                per = .02
            m = new_msg(rng, pr << 26 | pgn << 8 | u.address, True, per, rank, v, "always", 8)
            if pgn == 0xF004:
                m.tmpl, m.ops = bytearray.fromhex("F17D7D0000FFF07D"), [("rpmle", 3, 8, 0, 0)]
            elif pgn == 0xFEF7:
                m.tmpl, m.ops = bytearray.fromhex("FFFFFFFFFFFFFFFF"), [("voltle", 4, 20, 0, 0)]
            elif pgn in (0xFEF1, 0xFE6C):
                m.tmpl, m.ops = bytearray.fromhex("F7FFFFC3000000FF" if pgn == 0xFEF1 else "DFFFCFFFFFFFFFFF"), [("speedle", 1 if pgn == 0xFEF1 else 6, 256, 0, 0)]
            elif pgn == 0xFEEE:
                m.tmpl, m.ops = bytearray.fromhex("7D46FFFFFFFFFFFF"), [("temp1", 0, 1, 40, 0)]
            elif pgn < 0xFF00 and not (pgn & 0xFF00) == 0xEF00:
                m.tmpl = bytearray(rng.choice((0xFF, 0xFF, 0xFF, 0, 0xFC, 0xCF, 0x7D)) for _ in range(8))
                m.ops = [o for o in m.ops if o[0] not in ("xor", "sum", "crc", "mux")]
            if pgn == 0x0000:                       # speed demands go out only while it demands something
                m.cond = rng.choice(("run", "mode", "mode"))
            elif u.msgs:
                m.cond = rng.choice(("always",) * 14 + ("ign", "run", "mode"))
            u.msgs.append(m)
        if rng.random() < .8:
            m = new_msg(rng, 6 << 26 | 0xFECA << 8 | u.address, True, 1., 3, v, "always", 8)
            m.kind, m.ops, m.tmpl = "dm1", [], bytearray.fromhex("00FF00000000FFFF")
            if rng.random() < .06:
                m.id = m.id | 4 << 26
            u.msgs.append(m)
        u.dm1 = any(m.kind == "dm1" for m in u.msgs)
        inst = sum(1 for w in v.units if w.function == u.function)
        ident = rng.randrange(1 << 21) | maker << 21
        u.namebytes = (ident | (inst << 35) | u.function << 40 | rng.choice((0, 0, 1)) << 49 | rng.choice((0, 1, 2)) << 60 | rng.choice((0, 1)) << 63).to_bytes(8, "little")
        u.claims = rng.random() < .75
        if t == "f" or u.address >= 0x80:
            u.claims = True
        u.request, u.answer = 0x18DA00F1 | u.address << 8, 0x18DAF100 | u.address
        u.nodiag = not v.udstruck or rng.random() < .3
        u.spn = rng.choice(("source", "source", "network", "value"))
        v.units.append(u)


def wiring(rng, v):
    """Fuses, grounds, relays, splices. Elements: name -> places of the units behind it."""
    v.fuse, v.ground, v.relay, v.branch = {}, {}, {}, {}
    by = {}
    for u in v.units:
        by.setdefault(u.feed if u.feed not in ("charge", "heater") else "bat", []).append(u.idx)
    n = 0
    for feed in sorted(by):
        rest = by[feed][:]
        rng.shuffle(rest)
        while rest:
            k = rng.choice((1, 1, 1, 2, 2, 3, 4))
            n += 1
            v.fuse["fuse F%02d (%s)" % (n, feed)] = sorted(rest[:k])
            rest = rest[k:]
        if len(by[feed]) >= 2 and feed in ("ign", "acc", "run", "pto") and rng.random() < .6:
            v.relay["%s relay" % feed] = sorted(by[feed][: rng.randrange(2, len(by[feed]) + 1)])
    pl = {}
    for u in v.units:
        pl.setdefault(u.place, []).append(u.idx)
    for p in sorted(pl):
        g = pl[p][:]
        rng.shuffle(g)
        cut = rng.randrange(1, len(g) + 1)
        for z, part in enumerate((g[:cut], g[cut:])):
            if part:
                v.ground["ground point %s %d" % (p, z + 1)] = sorted(part)
    for c in (0, 1):
        groups = [(p, [i for i in pl[p] if v.units[i].chan == c and not v.units[i].hidden]) for p in sorted(pl)]
        groups = [(p, g) for p, g in groups if g]
        rng.shuffle(groups)
        total = sum(len(g) for _, g in groups)
        for p, g in groups:
            if 2 <= len(g) <= total - 2:
                sub = g[:]
                rng.shuffle(sub)
                v.branch["%s splice can%d" % (p, c)] = sorted(sub[:rng.randrange(2, len(sub) + 1)])
        for z in range(len(groups) - 1):
            g = groups[z][1] + groups[z + 1][1]
            if 2 <= len(g) <= total - 2:
                v.branch["inline connector to %s and %s can%d" % (groups[z][0], groups[z + 1][0], c)] = sorted(g)


def watching(rng, v):
    """Who misses whom: (target, time out, only with engine running)."""
    slow = max(.25, rng.choice((.3, .5, 1., 2.)))
    for u in v.units:
        u.watch = []
        share = rng.choice((.1, .3, .5, .8)) if u.rank < 3 else rng.choice((0, .15, .4))
        for w in v.units:
            if w is u or not [m for m in w.msgs if m.event is None and m.kind == "data" and m.cond == "always"]:
                continue
            p = share * (1.6 if w.rank < 2 else .7)
            if w.name in ("engine", "brakes", "body", "cluster", "drive motor"):
                p *= 1.5
            if w.name == "restraints" and u.name in ("cluster", "body", "engine"):
                p = .8
            if u.chan != w.chan:
                p *= .4
            if rng.random() < p:
                per = min(m.period for m in w.msgs if m.event is None and m.kind == "data" and m.cond == "always")
                u.watch.append((w.idx, max(per * rng.choice((5, 10)), slow * rng.choice((.5, 1, 1, 2))), rng.random() < .15))
        u.watchdelay = rng.choice((.5, 1, 2, 3, 5))
        u.watchvolt = rng.choice((None, 9., 10.))


def gateway(rng, v):
    """A gateway between two buses: what it carries over, how."""
    v.gw = None
    v.copies = []      # (source message, source unit, target channel, new message, way)
    if not v.twobus:
        return
    cand = [u for u in v.units if u.chan == 0 and u.feed in ("bat", "ign") and u.name in ("body", "cluster", "engine", "tractor", "brakes", "steering", "keyless", "column", "alarm")]
    own = rng.random() < .45 and v.kind != "truck"
    if own or not cand:
        u = Unit()
        u.name, u.called, u.code, u.feed, u.place = "gateway", "serial data gateway module a", 0xC146, rng.choice(("bat", "bat", "ign")), "dash"
        common(rng, v, u, 2)
        u.idx, u.chan, u.address, u.function = len(v.units), 0, (0x25 if v.kind == "truck" else None), 33
        ext = v.kind != "car"
        i = (6 << 26 | 0xFF25 << 8 | 0x25) if v.kind == "truck" else 0x0C3FF000 if ext else 0x6F8
        u.msgs.append(new_msg(rng, i, ext, rng.choice((.1, .2, .5, 1.)), 3, v, "always", 8))
        if v.kind == "truck":
            u.called, u.dm1, u.claims, u.namebytes, u.spn = "gateway", False, True, bytes([1, 2, 3, 4, 0, 33, 0, 0x80]), "source"
        u.request, u.answer = (0x18DA25F1, 0x18DAF125) if v.kind == "truck" else (0x18DA7FF1, 0x18DAF17F) if v.diag29 else (0x6F0, 0x6F9)
        u.nodiag, u.watch, u.watchdelay, u.watchvolt = v.kind == "truck", [], 2, None
        if v.kwp:
            u.protocol = "kwp"
        v.units.append(u)
        v.fuse["fuse of the gateway"] = [u.idx]
        v.ground["ground point gateway"] = [u.idx]
    else:
        u = rng.choice(cand)
    v.gw = u
    taken = {m.id for w in v.units for m in w.msgs}
    both = rng.random() < .7
    share = rng.uniform(.25, .8)
    for w in v.units:
        if w is u or (w.chan == 0 and not both):
            continue
        for m in w.msgs:
            if m.kind != "data" or rng.random() > share or len(v.copies) > 40:
                continue
            to = 1 - w.chan
            if to == 1 and v.hidden:
                continue
            way = rng.choice(("copy", "copy", "copy", "thin", "repack"))
            c = Msg()
            for f in Msg.__slots__:
                setattr(c, f, getattr(m, f))
            if v.kind == "truck":
                if rng.random() < .3 and u.address is not None:
                    c.id = m.id & ~255 | u.address
                    if c.id in taken:
                        c.id = m.id
            elif rng.random() < .35:
                for _ in range(50):
                    i = m.id + rng.choice((-1, 1, 2, 3, 5, 8, 16, 32, 33)) * (256 if m.ext else 1)
                    if i not in taken and 0 < i < (0x1FFFFFFF if m.ext else 0x6F0):
                        c.id = i
                        break
            taken.add(c.id)
            way = (way, rng.choice((2, 2, 5, 10)), rng.choice(("stop", "hold", "ff")))
            if way[0] == "thin":
                c.period = m.period * way[1]
            elif way[0] == "repack":
                c.period = max(m.period, rng.choice((.05, .1, .2)))
                if m.event:
                    way = ("copy", 1, "stop")
            v.copies.append((m, w, to, c, way))
