"""The run of a vehicle through its day: who has power, who is awake, who sends what and when."""
import heapq
from spans import union, inter, minus, holds, bridge, length

CHARGE = {"battery", "charger", "dcdc", "hybrid", "body", "gateway", "telematics"}


class Run:
    def __init__(r, rng, v, day, eff, switched=None, resets=None):
        r.rng, r.v, r.day, r.eff = rng, v, day, eff
        r.end = day.dur + 1
        r.switched = switched or {}
        r.demand = resets or {}
        r.up, r.ready, r.plan, r.off = {}, {}, {}, {}
        r.crank_hit = set()
        for u in v.units:
            r.base_up(u)
        for u in v.units:
            r.wires(u)

    # -- supply and wakefulness --
    def base_up(r, u):
        d, v, eff = r.day, r.v, r.eff
        whole = [(d.start - 100, r.end + 5)]
        feed = u.feed
        if d.name == "charging" and u.role in CHARGE:
            feed = "bat"
        ign = d.key("on", "crank", "run", "stop")
        F = {"bat": whole, "ign": ign, "ign2": d.key("on", "run", "stop"), "acc": d.key("acc", "on", "run", "stop")}.get(feed)
        if feed == "relay":
            F = union([(a, b + u.own_delay) for a, b in ign])
        on = d.key("acc", "on", "crank", "run", "stop") if not v.truck else ign
        if feed != "bat":
            W = whole
        elif d.name == "charging":
            W = whole if u.role in CHARGE else union([(a, b) for a, b in on])
        elif v.nm:
            W = union([(a + .02, b + v.sleep_after + (u.i * .011) % .06) for a, b in on], [(a, a + max(n, 2) + v.sleep_after) for a, n in d.wakes])
        else:
            W = union([(a + .01 + u.i * .003, b + u.own_delay) for a, b in on], [(a, a + n) for a, n in d.wakes] if u.traffic == "b" or u.gate else [])
        plan = inter(F, W)
        if u.i in r.switched:
            plan = minus(plan, r.switched[u.i])
        r.plan[u.i] = [(a + u.boot, b) for a, b in plan if b > a + u.boot]
        lows = [(a, b) for a, b, volt in d.dips if volt < u.vmin and b - a > u.hold]
        G = minus(F, lows)
        if lows and inter(inter(F, W), lows):
            r.crank_hit.add(u.i)
        if u.feed in ("ign2", "acc") and d.key("crank"):
            r.crank_hit.add(u.i)
        G = minus(G, eff.power.get(u.i, []))
        G = bridge(G, u.hold)
        starts = {a for a, _ in G}
        up = minus(inter(G, W), r.switched.get(u.i, []))
        cuts = sorted(eff.reset.get(u.i, []) + r.demand.get(u.i, []))
        up = minus(up, eff.dead.get(u.i, []))
        up = minus(up, [(t, t + .004) for t in cuts])
        cs = {t + .004 for t in cuts}
        dead_ends = {b for _, b in eff.dead.get(u.i, [])}
        r.up[u.i] = up
        r.ready[u.i] = []
        for a, b in up:
            cold = a in starts or a in cs or a in dead_ends
            x = a + (u.boot if cold else u.wakeboot)
            if x < b:
                r.ready[u.i].append((x, b, cold))

    def wires(r, u):
        e = r.eff
        off = list(e.wire.get(u.i, []))
        for group, sp in e.branch:
            if u.i in group:
                off += sp
        r.off[u.i] = union(off)

    def down(r, u):
        """Bus shorted: nobody gets anything through until he is back from bus-off."""
        return [(a, b + (u.recover if b - a > .01 else .0005)) for a, b in r.eff.down.get(u.bus, [])]

    def talk(r, u):
        sp = [(a, b) for a, b, _ in r.ready[u.i]]
        return minus(minus(sp, r.eff.stand.get(u.i, [])), union(r.down(u)))

    def hears(r, w, s):
        """Spans in which w can hear s."""
        sp = r.talk(s)
        cut = union(r.eff.wire.get(s.i, []), r.eff.wire.get(w.i, []))
        for group, o in r.eff.branch:
            if (w.i in group) != (s.i in group):
                cut = union(cut, o)
        sp = minus(sp, cut)
        if w.bus != s.bus and r.v.gate:
            g = r.v.gate
            sp = inter(sp, minus([(a, b) for a, b, _ in r.ready[g.i]], r.off[g.i]))
        return minus(sp, union(r.down(w)))

    # -- traffic --
    def unit_frames(r, u):
        """[(t, msg, data)] as the program of u hands them to its controller, over all buses."""
        rng, v, d = r.rng, r.v, r.day
        out = []
        ign = d.key("on", "crank", "run", "stop")
        run = d.key("run")
        stand = r.eff.stand.get(u.i, [])
        T0, T1 = -1.0, d.dur
        for ra, rb, cold in r.ready[u.i]:
            if rb < T0 or ra > T1:
                continue
            spans0 = minus([(ra, rb)], stand)
            if v.truck and cold and ra >= T0 and spans0 and spans0[0][0] == ra:
                out.append((ra, CLAIM(u), "%016X" % (0x1122334400000000 + u.addr * 77773)))
            for m in r.eff.msgs.get(u.i, u.msgs):
                spans = spans0
                if m.need == "run":
                    spans = inter(spans, run)
                elif m.need == "ign":
                    spans = inter(spans, ign)
                per = m.period * (1 + u.ppm)
                st = ra + (u.stagger * (m.off / m.period)) + (m.off if not m.init else 0)
                for a, b in spans:
                    a0, b0 = max(a, T0, st), min(b, T1)
                    if b0 <= a0:
                        continue
                    if m.kind == "event":
                        k = 0
                        t = a0 + rng.expovariate(1 / (m.period * 25))
                        while t < b0:
                            for j in range(1 if m.one else 3):
                                out.append((t + j * .02, m, m.data(k, t, t - ra)))
                                k += 1
                            t += rng.expovariate(1 / (m.period * 25)) + .1
                        for x, y in d.doors if u.traffic == "b" else ():
                            if a0 < x < b0:
                                out.append((x, m, m.data(k, x, x - ra)))
                        continue
                    k = int((a0 - st) / per)
                    if st + k * per < a0:
                        k += 1
                    t = st + k * per
                    j = m.jit
                    data, app, rnd = m.data, out.append, rng.random
                    while t < b0:
                        if m.kind != "pausing" or t % 9.5 > 1.55:
                            app((t + j * rnd(), m, data(k, t, t - ra)))
                        k += 1
                        t = st + k * per
                    if m.kind == "cycevent":
                        t = a0 + rng.expovariate(.3)
                        while t < b0:
                            app((t, m, m.data(k, t, 9)))
                            t += rng.expovariate(.3) + .05
        out.sort(key=lambda x: x[0])
        return out

    def onto_wire(r, u, frames, off, tx):
        """What the transmit buffers make of it while the wires are open."""
        if not off:
            return frames
        out, i, pend = [], 0, []
        lag = u.recover if tx == "lose" else .0003
        for t, m, data in frames:
            while i < len(off) and t >= off[i][1] + lag:
                out += r.flush(u, off[i][1], pend, tx)
                pend = []
                i += 1
            if i < len(off) and off[i][0] <= t:
                pend.append((t, m, data))
            else:
                out.append((t, m, data))
        if i < len(off) and off[i][1] < r.end:
            out += r.flush(u, off[i][1], pend, tx)
        out.sort(key=lambda x: x[0])
        return out

    def flush(r, u, t, pend, tx):
        # what was pending is gone when the unit lost its program meanwhile
        pend = [p for p in pend if any(a <= p[0] and t < b for a, b, _ in r.ready[u.i])]
        if tx == "lose" or not pend:
            return []
        if tx == "one":
            keep = pend[:1]
        elif tx == "fifo":
            keep = pend[:u.fifo]
        else:
            last = {}
            for p in pend:
                last[p[1].text] = p
            keep = list(last.values())
        return [(t + .0001 + n * 1e-6, m, dta) for n, (_, m, dta) in enumerate(keep)]

    def offers(r, extra=()):
        """Per bus: sorted [(t, id, serial, unit, text, data)] wanting the bus."""
        v = r.v
        bus = [[] for _ in range(v.nbus)]
        copies = {}
        for c in v.copies:
            copies.setdefault(c.src[0].i, []).append(c)
        g = v.gate
        if g:
            gready = minus([(a, b) for a, b, _ in r.ready[g.i]], union(r.eff.stand.get(g.i, [])))
            gready = minus(gready, r.off[g.i])
        for u in v.units:
            fr = r.unit_frames(u)
            off = r.off[u.i]
            fr = r.onto_wire(u, fr, off, u.tx)
            dn = r.down(u)
            if dn:
                dn = union(dn)
                fr = [f for f in fr if not holds(dn, f[0])]
            for t, m, data in fr:
                bus[m.bus if m.bus is not None else u.bus].append((t, m.id, 0, u.i, m.text, data))
            for c in copies.get(u.i, ()):
                src = c.src[1]
                k, di = 0, 0
                gd = union([(a, b) for a, b in r.eff.down.get(c.bus, [])])
                for t, m, data in fr:
                    if m is src:
                        k += 1
                        if k % c.thin == 0 and holds(gready, t) and not holds(gd, t):
                            bus[c.bus].append((t + c.delay, c.id, 0, g.i, c.text, data))
        for b, f in extra:
            bus[b].append(f)
        for b, l in r.eff.flood.items():
            for a, e, ident, text, step in l:
                t = a
                k = 0
                while t < e:
                    bus[b].append((t, ident, -1, -1, text, "%016X" % (0x0102000000000000 + (k & 255))))
                    t += step
                    k += 1
        for b in bus:
            b.sort()
        return bus

    def wire_pass(r, seed_rng, offers, bus):
        """Arbitration, frame times, broken frames.  [(t_end, text, data, unit)], errors [(t, kind, place)], bus-off spans."""
        v, rng = r.v, seed_rng
        rate = v.rate[bus]
        head = (67 if v.wide else 47)
        segs = sorted(r.eff.err.get(bus, []), key=lambda x: x[0])
        downs = r.eff.down.get(bus, [])
        out, errors, boff = [], [], {}
        tec = {}
        newest = {}
        heap, i, n, free, serial = [], 0, len(offers), -9.0, 0
        flooded = bool(r.eff.flood.get(bus))
        push, pop = heapq.heappush, heapq.heappop
        recover = {u.i: u.recover for u in v.units}
        while i < n or heap:
            if not heap and offers[i][0] > free:
                free = offers[i][0]
            while i < n and offers[i][0] <= free:
                o = offers[i]
                serial += 1
                if flooded:
                    newest[(o[3], o[4])] = serial
                push(heap, (o[1], serial, o))
                i += 1
            _, ser, o = pop(heap)
            ui = o[3]
            if flooded and o[2] == 0 and newest[(ui, o[4])] != ser:
                continue
            if ui in boff and boff[ui][-1][1] > free:
                continue
            bits = head + 4 * len(o[5])
            bits += bits // 14
            took = bits / rate
            while segs and segs[0][1] < free:
                segs.pop(0)
            if segs:
                p = 0
                for a, b, q, who in segs:
                    if a <= free < b and (who is None or who == ui):
                        q = q.get(ui, .1) if who is None else q
                        p = max(p, q)
                    elif a > free:
                        break
                if p and rng.random() < p:
                    free += took * rng.uniform(.15, .95) + 17 / rate
                    errors.append((free, *rng.choice([(4, 10), (4, 8), (2, 24), (1, 10), (2, 26), (8, 8)])))
                    tec[ui] = tec.get(ui, 0) + 8
                    if tec[ui] > 255:
                        tec[ui] = 0
                        boff.setdefault(ui, []).append((free, free + recover.get(ui, .1)))
                        continue
                    push(heap, (o[1], ser, o))
                    continue
                if ui in tec and tec[ui]:
                    tec[ui] -= 1
            free += took
            out.append((free, o[4], o[5], ui))
            free += 3 / rate
        for a, b in downs:
            for k in range(rng.randint(2, 30)):
                errors.append((a + k * .0004, 0x10, 8))
        return out, errors, boff


_claims = {}


class _C:
    pass


def CLAIM(u):
    c = _claims.get(u.addr)
    if c is None:
        c = _claims[u.addr] = _C()
        c.id = 0x18EEFF00 | u.addr
        c.text = "%08X" % c.id
        c.bus = None
    return c
