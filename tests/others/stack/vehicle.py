"""Draws a vehicle: a house style of software, buses, units, feeds, messages, routing, who watches whom."""
from catalogue import *

class Msg:
    """One message of one unit on one bus, with its layout and its running state."""
    def __init__(m, unit, bus, ident, period, mode="cyc", dlc=8, group="ign"):
        m.unit, m.bus, m.ident, m.period, m.mode, m.dlc, m.group = unit, bus, ident, period, mode, dlc, group
        m.base = bytearray(dlc); m.sigs = []; m.ctr = m.crc = m.deg = m.mux = m.mac = None
        m.src = None; m.copies = []; m.thin = 1; m.delay = .001; m.ontime = "stop"; m.special = None
        m.offset = 0.; m.jit = .0003; m.reps = 0; m.gap = 5.; m.startonly = 0
        m.reset()
    def reset(m):
        m.cur = m.ident; m.pending = False; m.tok = 0; m.since = 0.; m.data = bytes(m.dlc); m.live = bytearray(m.base)
        m.n = 0; m.cnt = 0; m.since_start = 0; m.seen = 0; m.lost = False; m.got = None; m.nom = 0.; m.left = 0

class Unit:
    def __init__(u, name, called, code, bus):
        u.name, u.called, u.code, u.buses = name, called, code, [bus]
        u.msgs = []; u.watch = []; u.req = u.ans = u.addr = None; u.nm = None; u.old = {}; u.extra = {}
    def reset(u):
        u.state = "off"; u.want = False; u.lost = 0; u.lostat = 0; u.open = {b: 0 for b in u.buses}; u.noise = {}
        u.rnoise = 0.; u.island = None; u.tec = 0; u.boff = False; u.nboff = 0; u.trying = False; u.fifo = {b: [] for b in u.buses}
        u.gen = 0; u.epoch = 0; u.app = -9.; u.deg = 0; u.txstop = u.frozen = u.killed = u.mute = False; u.inboot = 0
        u.offuser = False; u.wd = None; u.dtc = dict(u.extra); u.dtc.update(u.old); u.opened = None; u.cfs = []; u.vin = None
        u.lack = set(); u.uninit = False; u.resets = 0; u.quiet = False; u.openat = 0.; u.boffat = -99.; u.nosup = False
        u.heldup = None; u.sa = u.addr
        for m in u.msgs: m.reset()
        for w in u.watch: w.cnt = 0; w.bad = False

class Watch:
    __slots__ = "unit target msg to first inc dec need stable vmin bit code ftb direct cnt bad always".split()

class Bus:
    def __init__(b, n, rate): b.n, b.rate, b.ch = n, rate, None; b.term = True

class Vehicle: pass

def layout(r, v, m, prot):
    """Signals, counter, check byte, substitute flags, multiplex or message authentication of one message."""
    n = m.dlc
    for i in range(n):
        x = r.random()
        m.base[i] = 0 if x < .45 else 0xFF if x < .6 else r.randrange(256)
    free = list(range(n)); r.shuffle(free)
    if prot and n >= 4:
        at = r.choice((0, n - 1, n - 1, 1)); free.remove(at)
        m.crc = (v.crc, at, r.randrange(65536) if v.did == "random" else m.ident)
        c = r.choice((n - 2, 1, 0, n - 1)); c = c if c != at else (at + 1) % n
        free.remove(c); m.ctr = (c, r.choice((0, 4)), v.cmod)
    elif n >= 2 and r.random() < v.counters:
        c = free.pop(); m.ctr = (c, r.choice((0, 4, 6)) if v.cmod > 4 else 6, v.cmod if r.random() < .8 else 4)
    if n == 8 and v.mac and r.random() < .3 and not m.crc: m.mac = 4; free = [f for f in free if f < 4]
    if free and r.random() < .1: m.mux = (free.pop(), r.choice((2, 3, 4, 8)))
    if free and r.random() < .5:
        m.deg = (free.pop(), r.choice((1, 2, 0x80, 0xFF, 0x40)), r.choice(("flag", "sna")), 1 << r.randrange(3))
    for _ in range(r.randint(0, min(3, len(free)))):
        m.sigs.append((free.pop(), r.choice(("walk", "walk", "saw", "noise", "slow")), r.randint(1, 6)))

def vehicle(r, kind=None, gate=False, need=None):
    v = Vehicle(); v.r = r
    v.kind = kind or r.choices(("car", "car29", "truck"), (74, 12, 14))[0]
    truck = v.kind == "truck"
    v.crc = r.choice(("sum", "sumid", "xor", "crc1d", "crc2f")); v.did = r.choice(("id", "random")); v.cmod = r.choice((15, 16, 16, 16, 8, 4))
    v.prot = r.choice((0, 0, .2, .5, .9)); v.counters = r.choice((0, .2, .5, .9)); v.mac = r.random() < .15
    v.grid = r.choice(((.01, .02, .05, .1, .2, .5, 1), (.01, .02, .04, .1, .2, 1), (.008, .016, .032, .064, .128, .256, 1.024), (.012, .024, .048, .096, .3, 1), (.02, .03, .06, .1, .3, .6), (.025, .05, .1, .25, 1)))
    v.burst = r.random() < .3                  # all messages of a unit start on one grid point
    v.tick = r.choice((0, 0, .001, .005, .01))  # schedule of the sending task
    v.nm = "none" if truck else r.choice(("none", "none", "ring", "periodic", "periodic", "master"))
    v.nmt = r.choice((.2, .32, .5, .64, 1.)); v.nmbase = r.choice((0x400, 0x500, 0x600, 0x5C0))
    v.asleep = r.choice((1.2, 3, 6, 12, 20, 60)); v.pad = r.choice((0, 0xAA, 0x55, 0xCC, 0xFF))
    v.proto = "dm" if truck else r.choices(("uds", "kwp", "obd"), (75, 15, 10))[0]
    v.ftb = r.choice((0x87, 0x87, 0x00, 0x87, 0x08)); v.avail = r.choice((0xFF, 0x7F, 0x2F, 0x09, 0x0D, 0xFB, 0xCA | 9))
    v.vin = "".join(r.choice("ABCDEFGHJKLMNPRSTUVWXYZ0123456789") for _ in range(11)) + "%06d" % r.randrange(10 ** 6)
    v.dmstyle = r.choice(("sa", "sa", "639"))
    v.busoffcode = r.choice((0x0073, 0x0001, 0x0074)); v.volt = 24 if truck else 12
    # buses
    if truck: nb, rates = r.choice((1, 1, 2)), [r.choice((250000, 250000, 500000))] * 2
    else:
        nb = r.choices((1, 2, 3), (5, 4, 2))[0]
        rates = [r.choice((500000, 500000, 250000)), r.choice((125000, 500000, 250000, 100000)), r.choice((500000, 125000))]
    if gate and nb == 1: nb = 2
    v.buses = [Bus(i, rates[i]) for i in range(nb)]
    for b in v.buses: b.term = r.random() < .3
    v.buses[0].ch = 0
    if nb > 1 and r.random() < .4: v.buses[1].ch = 1
    if nb == 1 and truck and r.random() < .1: v.buses[0].ch = 0
    v.units = []; used = set()
    def newid(period, k):
        for _ in range(999):
            if v.kind == "car":
                if v.idstyle == "prio":
                    i = int({.03: 0x080, .06: 0x180, .15: 0x280, .4: 0x380}.get(next((x for x in (.03, .06, .15, .4) if period <= x), 9), 0x440) + r.randrange(0xF0))
                elif v.idstyle == "unit": i = 0x100 + k * 0x18 + r.randrange(0x18) if k < 40 else r.randrange(0x100, 0x6A0)
                elif v.idstyle == "even": i = r.randrange(0x20, 0x300) * 2
                else: i = r.randrange(0x20, 0x6C0)
                i = min(i, 0x6DF)
                if v.nmbase <= i < v.nmbase + 0x40 and v.nm != "none": continue
            else:
                p = 2 if period <= .02 else 3 if period <= .05 else 4 if period <= .2 else 6
                i = p << 26 | r.choice((0, 0, 0x2A, 0x1F)) << 16 | (r.randrange(0x40, 0xFF) << 8 | 0x10 + k) if v.idstyle in ("prio", "unit") else r.randrange(0x04000000, 0x1BFFFFFF)
            if i not in used: used.add(i); return i
        return None
    v.idstyle = r.choice(("prio", "prio", "unit", "even", "any")); v.newid = newid
    if truck: roles = ["engine"] + r.sample([k for k in TRUCK if k not in ("engine", "gateway")], r.randint(5, 11))
    else:
        must = ["engine", "abs", "ipc", "body"]; opt = [k for k in ROLES if k not in must and k not in ("bms", "motor", "dcdc")]
        if r.random() < .12: must += ["bms", "motor", "dcdc"]
        roles = must + r.sample(opt, r.randint(3, 13))
        if need and need not in roles: roles.append(need)
    if nb > 1 and (truck or r.random() < .6): roles.append("gateway")
    v.gateway = None
    only = nb > 1 and not truck and r.random() < .15   # the connector sees nothing but what the gateway lets through
    v.feeds = {}; k = 0
    nf = {f: r.randint(1, 3) for f in ("15", "acc", "rel", "bat")}
    for role in roles:
        gw = role == "gateway"
        if truck:
            sa, feeds, pg = TRUCK[role]; called, code, dom, names = role.replace("_", " "), sa, "P" if sa in (0, 3, 0x0B, 0x0F, 0x3D, 0x51, 0x52) else "B", (role,)
        else: called, code, dom, feeds, names = GATE if gw else ROLES[role]
        bi = 0 if nb == 1 or gw else ({"P": 0, "C": r.choice((0, 0, nb - 1)), "B": 1, "F": nb - 1}[dom] if not only else r.randrange(1, nb))
        if truck and nb == 2: bi = 0 if dom == "P" or r.random() < .5 else 1
        u = Unit(r.choice(names), called, code, v.buses[bi]); u.role, u.k, u.place = role, k, len(v.units); k += 1
        u.feed = r.choice(feeds); fk = u.feed if u.feed in ("15", "acc", "rel") else "bat"
        u.fuse = fk + str(r.randrange(nf[fk])); u.ground = "g%d" % r.randrange(max(2, len(roles) // 4)); u.splice = (bi, r.randrange(max(2, len(roles) // 4)))
        u.boot = r.choice((.05, .12, .2, .35, .6, .9, 1.4)) * r.uniform(.8, 1.25); u.wake = r.choice((.02, .05, .1, .3)) * r.uniform(.8, 1.2)
        u.hold = r.choice((.003, .01, .02, .05, .12)) * r.uniform(.7, 1.4); u.brown = r.choice((5., 5.5, 6.2, 6.8, 7.2, 8., 8.8)) * v.volt / 12
        u.stop = {"15": .01, "acc": .02, "rel": r.choice((1.5, 4, 9, 15)), "b15": r.choice((.1, .5, 2, 99)), "bus": 99}[u.feed] * r.uniform(.8, 1.2)
        u.sub = r.random() < .5                   # brown-out below which it only mutes
        u.box = r.choices(("own", "own-old", "fifo-new", "fifo-old", "cancel", "restart"), (30, 12, 18, 10, 20, 10))[0]
        u.depth = r.choice((3, 8, 16, 32)); u.txto = r.choice((.1, .25, .5, 1.)); u.clearoff = r.random() < .5
        u.quick, u.nq, u.slow = r.choice((.01, .05, .1, .2)), r.choice((1, 3, 5, 10)), r.choice((.2, .5, 1., 2., 5.))
        u.spread = r.choice(("burst", "offset", "offset", "ordered")); u.init = r.choice((0, 0, 1, 2, 5)); u.initval = r.choice((0xFF, 0, None)); u.main = r.choice((.05, .1, .1, .2))
        u.nminit = r.random() < .7; u.ppm = r.gauss(0, 60) * 1e-6; u.wdrun = r.choice((.15, .4, .9, 1.8, 4.)) * r.uniform(.8, 1.3); u.wdmax = r.choice((4, 7, 99, 99))
        u.p2 = r.uniform(.003, .03); u.bootans = r.random() < .3; u.pend = r.random() < .12; u.proto = v.proto if r.random() < .9 else "none"
        if truck: u.addr = sa
        elif v.kind == "car29": a = 0x10 + k if role != "engine" else 0x10; u.req, u.ans = 0x18DA00F1 | a << 8, 0x18DAF100 | a
        v.units.append(u)
    off = r.choice((8, 8, 8, 0x20, 0x6A))
    if v.kind == "car":
        pool = r.sample([x for x in range(0x700, 0x7DF) if not x & 8 and x + off < 0x7DE], len(v.units)) if off == 8 else [0x700 + i * (2 if off != 0x20 or len(v.units) <= 16 else 1) for i in range(len(v.units))]
        if off == 0x20: pool = [0x700 + i % 32 + 0x40 * (i // 32) for i in range(len(v.units))]
        for u, q in zip(v.units, pool): u.req, u.ans = q, q + off
        v.units[0].req, v.units[0].ans = 0x7E0, 0x7E8
        for u in v.units:
            if u.role == "gearbox": u.req, u.ans = 0x7E1, 0x7E9
    # gateway: its own box or one of the units
    if nb > 1:
        g = next((u for u in v.units if u.role == "gateway"), None) or next(u for u in v.units if u.role in ("body", "ipc"))
        if g.feed in ("acc", "rel", "15"): g.feed, g.fuse, g.stop = "bus", "bat0", 99
        g.buses = list(v.buses); v.gateway = g; g.splice = (0, 0) if g.splice[0] else g.splice
    # messages
    for u in v.units:
        bus = u.buses[0]
        if truck:
            for p, pgn, per in TRUCK[u.role][2]:
                if pgn != TRUCK[u.role][2][0][1] and r.random() < .15: continue
                ident = p << 26 | pgn << 8 | u.addr
                if ident in used: continue
                used.add(ident); u.msgs.append(Msg(u, bus, ident, per * r.choice((1, 1, 1, 2)) if per < .05 else per, group=r.choice(("ign", "any"))))
        else:
            heavy = {"engine": (3, 9), "abs": (2, 7), "gearbox": (2, 5), "body": (2, 7), "ipc": (2, 6), "eps": (1, 3)}.get(u.role, (1, 4))
            n = r.randint(*heavy)
            for j in range(n):
                dom = 0 if bus.rate >= 250000 and u.role in ("engine", "abs", "gearbox", "eps", "sas", "yaw", "motor", "bms") else 2
                per = v.grid[min(len(v.grid) - 1, max(0, dom + r.randrange(-1, 4)))] if j else v.grid[min(dom + r.randrange(2), len(v.grid) - 1)]
                if bus.rate <= 125000: per = max(per, .04)
                x = r.random()
                mode = "cyc" if j == 0 or x < .72 else "mixed" if x < .82 else "event" if x < .88 else "active" if x < .92 else "run" if x < .95 else "dep" if x < .97 else "start"
                ident = newid(per, u.k)
                if ident is None: continue
                m = Msg(u, bus, ident, per, mode, r.choice((8, 8, 8, 8, 7, 6, 5, 4, 3, 2)), r.choice(("ign", "any")) if j else "any" if r.random() < .5 else "ign")
                u.msgs.append(m)
                if mode == "event": m.gap = r.choice((1, 4, 15)) * r.uniform(.7, 1.4); m.reps = r.choice((0, 2, 3))
                if mode == "mixed": m.gap = r.uniform(1, 8)
        for m in u.msgs:
            m.offset = r.random() * m.period; m.jit = r.choice((.0001, .0004, .001)); layout(r, v, m, not truck and r.random() < v.prot)
        if u.role == "engine" and u.msgs[0].dlc == 8:
            m = u.msgs[0]; m.special = "rpm"; m.crc = m.ctr = m.mac = m.deg = m.mux = None; m.sigs = [(0, "walk", 3)]
        if u.role == "body" and not truck and len(u.msgs) > 1: u.msgs[-1].sigs = [(0, "volt", 1)] + [s for s in u.msgs[-1].sigs if s[0]]
        if v.nm == "periodic" and u.feed in ("bus", "b15", "rel") and v.kind == "car":
            m = Msg(u, bus, v.nmbase + u.k, v.nmt, "nm", 8, "any"); m.base[0] = u.k; m.base[1] = 1 << r.randrange(8); m.offset = r.random() * v.nmt; u.msgs.append(m); u.nm = m; m.nmmsg = True
        if v.nm == "ring" and u.feed in ("bus", "b15") and v.kind == "car":
            m = Msg(u, bus, v.nmbase + u.k, 0, "ring", 8, "any"); u.msgs.append(m); u.nm = m
        if v.nm == "master" and u.role == "body" and v.kind == "car":
            m = Msg(u, bus, v.nmbase, r.choice((.1, .2, .5)), "nm", 4, "any"); u.msgs.append(m); u.nm = m
    # routing over the gateway: copy, rename, thin out, or signals in messages of its own
    g = v.gateway; v.routed = {}
    if g:
        style = r.choice(("pdu", "pdu", "signal", "mixed")); keep = r.choice((.4, .7, 1.)); ren = r.random() < .3
        for u in list(v.units):
            if u is g: continue
            for m in list(u.msgs):
                if m.mode == "ring": continue
                for b in v.buses:
                    if b is u.buses[0]: continue
                    up = b is v.buses[0]
                    first = m is u.msgs[0]
                    if not (up and (first or r.random() < keep) or not up and r.random() < .12): continue
                    ident = m.ident if not ren else newid(m.period, u.k)
                    if truck: ident = m.ident
                    if ident is None: continue
                    sig = style == "signal" or style == "mixed" and r.random() < .4
                    if m.mode in ("event", "start"): sig = False
                    c = Msg(g, b, ident, m.period, "copy", m.dlc, "any"); c.src = m
                    if sig: c.mode = "sig"; c.period = max(m.period, r.choice((m.period, .05, .1, .2))); c.ontime = r.choice(("stop", "stop", "flag", "hold")); c.offset = r.random() * c.period
                    else: c.thin = r.choice((1, 1, 1, 2, 5)) if m.period < .1 else 1; c.delay = r.choice((.0003, .001, .004))
                    m.copies.append(c)
                    if b.rate <= 125000 and m.period < .04 and not sig: c.thin = max(c.thin, 4)
                    g.msgs.append(c)
                    if up: v.routed.setdefault(u, []).append(c)
        # signals of several sources packed anew: counted to the gateway
        for _ in range(r.randint(0, 3) if not truck else 0):
            i = newid(.1, g.k)
            if i: m = Msg(g, v.buses[0], i, r.choice((.05, .1, .2)), "cyc", 8, "any"); layout(r, v, m, False); m.offset = r.random() * .1; g.msgs.append(m)
    # who watches whom
    ign_units = v.units
    for u in v.units:
        u.stable = r.choice((.5, 1, 2, 3, 5)); u.vmin = r.choice((7, 9, 9, 10.5)) * v.volt / 12; u.conf2 = r.random() < .2
        wanted = r.sample(v.units, min(len(v.units), r.choice((0, 1, 3, 5, 8)) if u.role not in ("body", "ipc", "gateway", "engine", "abs") else r.randint(3, 12)))
        for x in wanted:
            if x is u: continue
            cands = []
            for m in x.msgs:
                if m.mode == "cyc" and not m.src and m.bus in u.buses: cands.append(m)
            if not cands:
                cands = [c for c in (g.msgs if g else []) if c.src and c.src.unit is x and c.bus in u.buses and c.src.mode == "cyc"]
            if not cands: continue
            m = r.choice(cands[:3]); w = Watch(); w.unit, w.target, w.msg = u, x, m
            w.to = max(m.period * m.thin * r.choice((3, 5, 10, 20)), r.choice((.1, .25, .5, 1., 2.))); w.first = w.to + r.choice((0, 1, 3)); w.inc = r.choice((127, 64, 16, 6)); w.dec = r.choice((127, 8, 2)); w.need = r.choice(("ign", "ign", "ign", "run", "any"))
            if w.need == "any" and (x.feed not in ("bus", "b15") or m.group != "any" or x.stop < 90 or u.feed not in ("bus", "b15")): w.need = "ign"
            if x.feed == "acc": w.need = "run"; w.to += x.boot + .5; w.first += x.boot + .5
            w.first = max(w.first, x.boot * 1.2 + .4 + w.to)
            w.bit = r.randrange(3); w.code = x.code; w.ftb = v.ftb; w.cnt = 0; w.bad = False; w.direct = not m.src; w.stable = u.stable; w.vmin = u.vmin; w.always = 0
            u.watch.append(w)
        for _ in range(r.choice((0, 0, 0, 1, 2))):   # unrelated codes of lamps, heaters, sensors
            u.extra[(r.choice((0x0100, 0x0400, 0x4100, 0x9100, 0x8A00, 0x5000)) + r.randrange(0x90), r.choice((0x11, 0x13, 0x15, 0x29, 0x49)))] = r.choice((0x08, 0x28, 0x2F & v.avail or 8, 0x50 | 8, 0x24))
    # load: thin out what would not fit
    for b in v.buses:
        def load(): return sum(bits(m.ident, m.dlc) / b.rate / m.period / m.thin for u in v.units for m in u.msgs if m.bus is b and m.period and m.mode not in ("event", "start"))
        for _ in range(200):
            if load() < .62: break
            ms = [m for u in v.units for m in u.msgs if m.bus is b and m.period and m.mode not in ("event", "start")]
            m = min(ms, key=lambda m: m.period * m.thin)
            if m.mode == "copy": m.thin *= 2
            else:
                m.period *= 2; m.offset *= 2
                for w in [w for u in v.units for w in u.watch if w.msg is m or w.msg.src is m]: w.to *= 2; w.first = max(w.first, w.to)
        b.load = load()
    v.rate = sum(1 / m.period / m.thin for u in v.units for m in u.msgs if m.bus.ch is not None and m.period and m.mode not in ("event", "start"))
    v.rateall = sum(1 / m.period / m.thin for u in v.units for m in u.msgs if m.period)
    v.errs = r.random() < .4
    return v

def seen_ids(v, u):
    """Identifiers of a unit at the connector: its own on a recorded bus, or those carried over for it."""
    if u.buses[0].ch is not None or u is v.gateway:
        own = [m for m in u.msgs if not m.src and m.bus.ch == 0] or [m for m in u.msgs if not m.src and m.bus.ch is not None]
        return own, own[0].bus.ch if own else 0
    return v.routed.get(u, []), 0
