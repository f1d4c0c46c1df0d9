"""The units' programs and the buses: one event after another."""
from heapq import heappush, heappop
from collections import deque
from scenario import T0
from diag import answer, Tester


class Bus:
    def __init__(s, i, rate):
        s.i, s.rate, s.heap, s.busy, s.nerr = i, rate, [], False, 0


class Sim:
    def __init__(s, v, sc, rng, errors):
        s.v, s.sc, s.rng, s.errors = v, sc, rng, errors
        s.ev, s.n, s.t = [], 0, T0
        s.log, s.dur = [], sc.dur
        s.buses = [Bus(i, r) for i, r in enumerate(v.rates)]
        s.routes, s.reqmap = {}, {}
        s.testers, s.rates = [], {}
        s.boffs = []
        for u in v.units:
            u.up, u.epoch, u.since, u.fresh = False, 0, T0, T0
            u.pend, u.fifo, u.held = {}, {}, {}
            u.tec, u.off, u.cq, u.island, u.disc, u.ntries = {}, {}, {}, {}, {}, 0
            for b in u.buses:
                u.pend[b], u.fifo[b], u.held[b] = {}, deque(), []
                u.tec[b], u.off[b], u.cq[b], u.island[b], u.disc[b] = 0, False, 0., None, None
            u.en = None
            u.rxbusy = 0.
            for m in u.msgs:
                if m.kind == "copy":
                    s.routes.setdefault((m.src.bus, m.src.id), []).append(m)
            if u.req is not None:
                s.reqmap[u.req] = u
        s.gwreq = {}

    def at(s, t, fn, *a):
        s.n += 1
        heappush(s.ev, (t, s.n, fn, a))

    # --- life of a unit
    def power(s, u, runs, cold):
        for a, b in runs:
            s.at(a, s.up, u, a <= T0 + .01)
            s.at(b, s.down, u)

    def up(s, t, u, running):
        if u.up:
            return
        rng = s.rng
        u.up, u.epoch = True, u.epoch + 1
        u.since = t
        t1 = t + (0 if running else u.boot * rng.uniform(.95, 1.08))
        u.fresh = t1 + (0 if running else rng.choice([0, .05, .3, 1.]))
        if not running:
            u.en = None
            for w in u.watch:
                w["bad"] = False
        k = 0
        for m in u.msgs:
            if m.kind == "copy":
                continue
            if m.kind == "boot":
                if not running:
                    for i in range(m.n):
                        s.at(t1 + i * m.per, s.shot, u, m, u.epoch)
                continue
            if running:
                a = t + rng.random() * min(m.per, 3)
            else:
                a = t1 + m.start
                m.c = 0
            if u.grid:
                a = t1 + round((a - t1) / u.grid) * u.grid
            if m.kind == "evt":
                a = t1 + rng.expovariate(1 / m.per)
            s.at(a, s.release, u, m, u.epoch)
        s.at(t1 + .1 + rng.random() * .2, s.check, u, u.epoch)

    def down(s, t, u):
        if not u.up:
            return
        u.up = False
        u.epoch += 1
        for b in u.buses:
            u.pend[b].clear(); u.fifo[b].clear(); u.held[b].clear()
            u.tec[b], u.off[b] = 0, False

    def shot(s, t, u, m, ep):
        if ep == u.epoch:
            s.send(t, u, m, m.payload(s.rng, False))

    def release(s, t, u, m, ep):
        if ep != u.epoch:
            return
        rng, k = s.rng, m.kind
        nxt = t + m.per * (1 + u.ppm)
        ok = not u.noapp and m.id not in u.missing_ids
        if k == "evt":
            nxt = t + .02 + rng.expovariate(1 / m.per)
            if rng.random() < .3:
                nxt = t + .05
        elif k == "run":
            ok = ok and s.sc.key(t) == "RUN"
        elif k == "notrun":
            ok = ok and s.sc.key(t) != "RUN"
        elif k == "chg":
            if rng.random() < .2:
                nxt = t + m.per / 5
        elif k == "pause":
            if (t + m.id) % 9.5 > 7.9:
                ok = False
        s.at(nxt, s.release, u, m, ep)
        if not ok:
            return
        if k == "dm1":
            s.dm1(t, u, m)
            return
        if k == "repack":
            old = t - m.src.seen > max(.5, 5 * m.src.per)
            d = m.payload(rng, old and m.init is not None)
        else:
            d = m.payload(rng, t < u.fresh)
        if m.jit > 3e-5:
            s.at(t + m.jit * rng.random(), s.later, u, m, d, ep)
        else:
            s.send(t, u, m, d)

    def later(s, t, u, m, d, ep):
        if ep == u.epoch:
            s.send(t, u, m, d)

    def dm1(s, t, u, m):
        act = [c for c, x in u.codes.items() if x[0]]
        bam(s, t, u, 0xFECA, act, m.id, m)

    def raw(s, t, u, bus, ident, ext, data, ep=None):
        """A frame that is no periodic message (diagnosis)."""
        if u is not None and (not u.up or (ep is not None and ep != u.epoch)):
            return
        key = (ident * 2 + 1) if ext else (ident << 19)
        bits = ((67 if ext else 47) + 8 * len(data)) * 1.07
        if u is None:
            s.put(t, bus, (key, None, ident, ext, data, bits, None))
        else:
            s.send(t, u, None, data, bus, key, ident, ext, bits)

    def send(s, t, u, m, data, bus=None, key=None, ident=None, ext=None, bits=None):
        if m is not None:
            bus, key, ident, ext, bits = m.bus, m.key, m.id, m.ext, m.bits
        if u.off[bus]:
            return
        if u.cq[bus] >= 1:
            isl = u.island[bus]
            if isl and s.members(bus, isl) > 1:      # they hear each other: nothing is kept
                if m is not None:
                    m.n += 0
                return
            if u.tx == "abort":
                return
        if m is None or u.tx != "fifo":
            p = u.pend[bus]
            kk = key if m is not None else (key, s.n)
            s.n += 1
            if kk in p:
                p[kk] = (key, u, ident, ext, data, bits, m)
                return
            p[kk] = (key, u, ident, ext, data, bits, m)
            s.put(t, bus, (key, u, ident, ext, kk, bits, m))
        else:
            q = u.fifo[bus]
            if len(q) >= u.depth:
                return
            q.append((key, u, ident, ext, data, bits, m))
            if len(q) == 1:
                s.put(t, bus, (key, u, ident, ext, -1, bits, m))

    def members(s, bus, isl):
        return sum(1 for x in s.v.units if bus in x.buses and x.up and x.cq[bus] >= 1 and x.island[bus] == isl)

    # --- the bus
    def put(s, t, bus, item):
        b = s.buses[bus]
        s.n += 1
        heappush(b.heap, (item[0], s.n, item))
        if not b.busy:
            s.start(t, b)

    def start(s, t, b):
        i = b.i
        while b.heap:
            it = heappop(b.heap)[2]
            u = it[1]
            if u is not None:
                if u.off[i] or not u.up:
                    continue
                h = it[4]
                if h == -1:
                    if not u.fifo[i] or u.fifo[i][0][0] != it[0]:
                        if u.fifo[i] and not any(x[2][1] is u and x[2][4] == -1 for x in b.heap):
                            f = u.fifo[i][0]
                            heappush(b.heap, (f[0], s.n, (f[0], u, f[2], f[3], -1, f[5], f[6])))
                            s.n += 1
                        continue
                elif h not in u.pend[i]:
                    continue
                if u.cq[i] >= 1:
                    u.held[i].append(it)
                    continue
            b.busy = True
            s.attempt(t, b, it)
            return

    def attempt(s, t, b, it):
        i, u = b.i, it[1]
        dur = it[5] / b.rate
        q = s.wires[i].at(t) if s.wires[i].touched else 0.
        kind = 0
        if q < 1:
            q2 = u.cq[i] if u is not None else 0.
            lost = sum(1 for e in s.terms[i] if e.at(t) >= 1) if s.termtouched[i] else 0
            if lost:
                q2 = 1 - (1 - q2) * (1 - min(.9, s.v.reflect[i] * lost))
            if s.noisy[i]:                           # a bad contact elsewhere: that unit destroys frames it misreads
                for x in s.noisy[i]:
                    if 0 < x.cq[i] < 1 and x.up and not x.off[i] and x is not u:
                        q2 = 1 - (1 - q2) * (1 - .25 * x.cq[i])
            q = 1 - (1 - q) * (1 - q2)
        if q and s.rng.random() < q:
            if q >= 1:
                dur = 30 / b.rate
            else:
                dur = dur * s.rng.uniform(.1, .9) + 20 / b.rate
            if u is None and q >= 1:
                dur = .002
            s.at(t + dur, s.failed, b, it)
        else:
            s.at(t + dur, s.end, b, it)

    def failed(s, t, b, it):
        i, u = b.i, it[1]
        b.busy = False
        if s.errors and i in s.v.recorded and t > 0 and (b.nerr < 40 or s.rng.random() < .3):
            s.log.append((t, s.v.recorded[i], None, False, s.rng.choice([b"\0\0\x04", b"\0\0\x01", b"\0\0\x80", b"\0\0\x02"])))
        b.nerr += 1
        if u is None:
            if s.wires[i].at(t) < 1:
                s.put(t, i, it)
            else:
                s.start(t, b)
            return
        if u.up and not u.off[i]:
            u.tec[i] += 8
            if u.tec[i] > 255:
                s.busoff(t, u, i)
            else:
                wait = 1e-6 if u.tec[i] < 128 else 8 / b.rate
                s.at(t + wait, s.again, b, it, u.epoch)
                return
        s.start(t, b)

    def again(s, t, b, it, ep):
        if it[1].epoch == ep and not it[1].off[b.i]:
            s.put(t, b.i, it)
        elif not b.busy:
            s.start(t, b)

    def busoff(s, t, u, i):
        u.off[i] = True
        u.tec[i] = 0
        u.pend[i].clear(); u.fifo[i].clear(); u.held[i].clear()
        s.boffs.append((t, u.idx))
        d = u.boff
        u.ntries += 1
        if u.boffcode:
            code = (639 if not i else 1231, 19) if s.v.kind == "truck" else (0xC073 if u.boffcode == 1 else 0xC001, 0x88 if u.ft else 0)
            u.codes[code] = [s.wires[i].at(t) > 0, True, True, 1]
        if d == "fast":
            d = max(128 * 11 / s.buses[i].rate, .01)
        elif d == "steps":
            d = .05 if u.ntries % 5 else 1.
        elif d == "key":
            later = [x for x, k in zip(s.sc.kt, s.sc.kv) if x > t and k == "ON"]
            d = (later[0] - t) if later else (1e9 if u.ntries < 3 else 5.)
        while s.wires[i].at(t + d) >= 1 and d < 600:
            d += .1 if d >= .1 else .05
        s.at(t + d, s.recover, u, i, u.epoch)

    def recover(s, t, u, i, ep):
        if u.epoch == ep:
            u.off[i] = False
            for c in list(u.codes):
                if c[0] in (0xC073, 0xC001):
                    u.codes[c][0] = False

    def end(s, t, b, it):
        i, u = b.i, it[1]
        b.busy = False
        key, _, ident, ext, data, _, m = it
        if u is not None:
            if not u.up or u.off[i]:
                s.start(t, b)
                return
            if data == -1:
                q = u.fifo[i]
                if q:
                    f = q.popleft()
                    ident, ext, data, m = f[2], f[3], f[4], f[6]
                    if q:
                        g = q[0]
                        s.n += 1
                        heappush(b.heap, (g[0], s.n, (g[0], u, g[2], g[3], -1, g[5], g[6])))
                else:
                    s.start(t, b)
                    return
            else:
                p = u.pend[i].pop(data, None)
                if p is None:
                    s.start(t, b)
                    return
                data = p[4]
            if u.tec[i]:
                u.tec[i] -= 1
        if t >= 0:
            c = s.v.recorded.get(i)
            if c is not None:
                s.log.append((t, c, ident, ext, data))
        if m is not None:
            m.seen = t
            r = s.routes.get((i, ident))
            if r:
                g = r[0].unit
                if g.up and t > g.since + g.boot and not g.noapp and g.cq[i] < 1:
                    for c in r:
                        if c.src is m:
                            c.n += 1
                            if c.n % c.thin == 0 and c.id not in g.missing_ids:
                                s.at(t + c.delay, s.later, g, c, data[:c.dlc], g.epoch)
        else:
            s.diag(t, i, u, ident, ext, data)
        if b.heap:
            s.start(t, b)

    # --- diagnosis on the bus
    def diag(s, t, i, u, ident, ext, data):
        v, g = s.v, s.v.gw
        if u is None:                                # the tester asks
            if v.kind == "truck":
                for x in v.units:
                    if (i in x.buses or g) and x.up and t > x.since + x.boot:
                        if all(x.cq[b] < 1 for b in x.buses) and not x.deaf and (i in x.buses or (g.up and g.cq[0] < 1)):
                            answer(s, t, x, ident, data, i)
                return
            func = ident in (0x7DF, 0x18DB33F1)
            for x in ([s.reqmap[ident]] if ident in s.reqmap else v.units if func else []):
                if i in x.buses:
                    s.reach(t, x, ident, data, i, func)
                elif g and g.up and t > g.since + g.boot and g.cq[0] < 1 and not g.deaf:
                    if not func or x.obd:
                        s.at(t + .001, s.carry, x, ident, ext, data, func)
        else:
            if i != 0 and g and g.up and g.cq[0] < 1 and g.cq[i] < 1 and not g.deaf:
                if v.kind != "truck":
                    s.at(t + .0008, s.raw, g, 0, ident, ext, data)
                elif (ident >> 8 & 0xFF00) in (0xE800, 0xEC00, 0xEB00, 0xFE00):
                    s.at(t + .0008, s.raw, g, 0, ident, ext, data)
            if i == 0:
                for te in s.testers:
                    te.heard(t, ident, ext, data)

    def carry(s, t, x, ident, ext, data, func):
        g = s.v.gw
        if g.up and g.cq[x.bus] < 1:
            s.send(t, g, None, data, x.bus, (ident * 2 + 1) if ext else (ident << 19), ident, ext, 120)
            s.at(t + .0012, s.reach, x, ident, data, x.bus, func)

    def reach(s, t, x, ident, data, i, func):
        if x.up and t > x.since + x.boot * .7 and x.cq[i] < .7 and not x.off[i] and not x.deaf:
            if not func or x.obd:
                answer(s, t, x, ident, data, i)

    # --- who misses whom
    def check(s, t, u, ep):
        if ep != u.epoch:
            return
        s.at(t + .2, s.check, u, ep)
        if not u.watch or u.noapp:
            return
        k = s.sc.key(t)
        if k not in ("ON", "RUN") or any(a - .1 < t < b + 1. for a, b in s.sc.cranks):
            u.en = None
            return
        if u.en is None:
            u.en = t
        ages, sick = [], []
        for w in u.watch:
            m = w["m"]
            if (w["run"] and k != "RUN") or t < u.en + w["delay"] or t < u.since + u.boot + w["delay"]:
                continue
            x = w["u"]
            if any(a <= t for a, _ in x.own_switch):
                continue
            seen = m.seen
            d = u.disc[m.bus]
            if d is not None:
                same = x.up and m.bus in x.buses and x.island[m.bus] == u.island[m.bus] and x.cq[m.bus] >= 1
                seen = t if same and not x.noapp else min(seen, d)
            if m.id in x.missing_ids and m.src is None:
                seen = -9
            age = t - max(seen, u.en, u.since + u.boot)
            ages.append(age < .5)
            sick.append((w, age > w["tmo"]))
        alone = len(ages) > 1 and not any(ages) and u.mask
        for w, bad in sick:
            if bad and not w["bad"]:
                w["bad"] = True
                c = w["code"]
                if alone:
                    c = (639, 9) if s.v.kind == "truck" else (0xC001 if w["m"].bus == 0 else 0xC010, w["code"][1])
                old = u.codes.get(c)
                u.codes[c] = [True, u.twice is False or old is not None, True, (old[3] if old else 0) + 1]
                w["as"] = c
            elif not bad and w["bad"]:
                w["bad"] = False
                if w["as"] in u.codes:
                    u.codes[w["as"]][0] = False

    # --- wires
    def connect(s, t):
        for i in range(s.v.nbus):
            for u in s.v.units:
                if i not in u.path:
                    continue
                q, isl = 0., None
                for e in s.paths[u, i]:
                    x = e.at(t)
                    if x >= 1 and isl is None:
                        isl = e.name
                    q = max(q, x)
                old = u.cq[i]
                u.cq[i], u.island[i] = q, isl
                if q >= 1 and old < 1:
                    u.disc[i] = t
                if q < 1 and old >= 1:
                    u.disc[i] = None
                    h, u.held[i] = u.held[i], []
                    if h:
                        u.tec[i] = max(u.tec[i], 128)
                    for it in h:
                        s.put(t, i, it)

    def run(s):
        v = s.v
        s.wires = [v.w.el["wires %d" % i] for i in range(v.nbus)]
        s.terms = [[v.w.el["terminator %d.%d" % (i, e)] for e in (1, 2)] for i in range(v.nbus)]
        s.termtouched = [any(e.touched for e in x) for x in s.terms]
        s.paths, ts = {}, set()
        s.noisy = [[] for _ in range(v.nbus)]
        for u in v.units:
            for i, p in u.path.items():
                els = [v.w.el[n] for n in p]
                s.paths[u, i] = [e for e in els if e.touched]
                for e in s.paths[u, i]:
                    ts.update(e.ts)
                    if any(0 < x < 1 for x in e.vs):
                        s.noisy[i].append(u)
        if ts:
            s.connect(T0)
        for t in sorted(ts):
            if t > T0:
                s.at(t, s.connect)
        ev, end = s.ev, s.dur
        while ev:
            t, _, fn, a = heappop(ev)
            if t > end:
                break
            s.t = t
            fn(t, *a)
        return s


def bam(s, t, u, pgn, codes, ident, m):
    """DM1/DM2: one frame, or a broadcast announce with its packets."""
    lamp = 0x04 if codes else 0
    body = bytes([lamp, 0xFF])
    for spn, fmi in codes:
        oc = min(126, u.codes.get((spn, fmi), [0, 0, 0, 1])[3])
        body += bytes([spn & 255, spn >> 8 & 255, (spn >> 16) << 5 | fmi, oc])
    if not codes:
        body += b"\0\0\0\0"
    sa = u.addr
    if len(body) <= 8:
        d = body + b"\xFF" * (8 - len(body))
        if m is not None:
            s.send(t, u, m, d)
        else:
            s.raw(t, u, u.bus, ident, True, d)
        return
    n = (len(body) + 6) // 7
    s.raw(t, u, u.bus, 0x1CECFF00 | sa, True, bytes([32, len(body) & 255, len(body) >> 8, n, 255, pgn & 255, pgn >> 8, 0]))
    for k in range(n):
        c = body[7 * k:7 * k + 7]
        s.at(t + .06 * (k + 1), s.raw, u, u.bus, 0x1CEBFF00 | sa, True, bytes([k + 1]) + c + b"\xFF" * (7 - len(c)), u.epoch)
