"""Frames: what each unit wants to send and when, then arbitration, errors, bus-off, and the recorder."""
import heapq
from bisect import bisect_right
from spans import inside, both, minus, norm


def writer(v, w, m):
    """A function (t) -> hex payload for one message, with its counters and checksums."""
    n, fill, base, c = m.dlc, m.fill, list(m.base), [0]
    idx = lambda t: min(len(w.T) - 1, max(0, bisect_right(w.T, t) - 1))
    if v.truck and (m.id >> 8) & 0xFFFF in (0xF004, 0xFEF1, 0xFEF7, 0xFEEE):
        p = (m.id >> 8) & 0xFFFF

        def real(t):
            i = idx(t)
            if p == 0xF004:
                x = int(w.rpm[i] / .125)
                b = [0xF0, 125, 125 + int(w.rpm[i] / 80), x & 255, x >> 8, 255, 255, 255]
            elif p == 0xFEF1:
                x = int(w.speed[i] * 256)
                b = [255, x & 255, x >> 8 & 255, 0, 255, 255, 255, 255]
            elif p == 0xFEF7:
                x = int(w.V[i] / .05)
                b = [255, 255, 255, 255, x & 255, x >> 8, 255, 255]
            else:
                b = [int(w.bay[i]) + 40 & 255, 255, 255, 255, 255, 255, 255, 255]
            return bytes(b).hex().upper()
        return real
    if fill == "const" or n < 2:
        h = bytes(base[:n]).hex().upper()
        return lambda t: h
    src = (w.speed, w.rpm, w.V, w.turn, w.load, w.bay)[m.mul % 6]

    def f(t):
        c[0] += 1
        k = c[0]
        if fill == "counter" or fill == "crc" or fill == "nibble":
            base[n - 1 if fill == "counter" else 0] = k & 15 if fill != "nibble" else (k & 15) << 4 | base[0] & 15
        if fill in ("signal", "counter", "crc"):
            x = int(src[idx(t)] * m.mul) & 0xFFFF
            base[n // 2] = x >> 8
            if n > 4:
                base[n // 2 + 1] = x & 255
        elif fill == "walk":
            base[1] = (base[1] + (k * m.mul >> 3) % 3 - 1) & 255
        elif fill == "mux":
            base[0], base[1] = k % 5, k % 5 * m.mul & 255
        if fill == "crc":
            x = 0xFF
            for b in base[:n - 1]:
                x ^= b
                x = (x << 1 ^ 0x1D) & 255 if x & 128 else x << 1
            base[n - 1] = x
        return bytes(base[:n]).hex().upper()
    return f


def wants(r, v, w, st, S, ch, hidden):
    """(time, identifier, unit, function or hex) for one channel."""
    out, dur = [], w.dur
    run = w.keys["run"]
    jobs = [(u, m, m.id, None) for u in v.units if u.ch == ch for m in u.msgs]
    jobs += [(v.units[c.unit], c.m, c.id, c) for c in v.copies if c.to == ch]
    for u, m, ident, cp in jobs:
        tx = st.tx[u.i]
        f = writer(v, w, m)
        off, sender = st.off[u.i], u
        what = S.alien.get(u.i)
        if what == "lacks" and m.lack or what == "blank" and m.blank:
            continue
        if what == "ids" and cp is None:
            ident = m.other
        if cp:
            if v.gw is None or what == "ids":
                continue
            sender = v.units[v.gw]
            tx = minus(tx, off)
            if cp.stale:       # the gateway goes on with the last content it had
                tx = st.tx[v.gw]
            else:
                tx = both(tx, st.tx[v.gw])
            if ch != sender.ch and S.branch.get((u.ch, u.branch)):
                pass
            off = st.off[v.gw]
        if m.when == "engine":
            tx = both(tx, run)
        elif m.when == "after":
            tx = both(tx, [(a + 3 if a > 0 else -1e6, b + 3) for a, b in run])
        T = m.period * (cp.every if cp else 1) * (1 + u.ppm * 1e-6)
        plans = []
        for a, b in tx:
            if m.kind == "mode":
                for x, y in m.modes:
                    x, y = max(a, x), min(b, y)
                    if x < y:
                        plans.append((x, y))
            else:
                plans.append((a, b))
        times = []
        for a, b in plans:
            if m.kind == "event":
                x = max(a, 0) + r.expovariate(.12)
                while x < b:
                    for k in range(m.repeat):
                        if x + k * .02 < b:
                            times.append(x + k * .02)
                    x += r.expovariate(.12)
                continue
            if a <= 0:
                x = m.phase * T
            else:
                x = a + m.start + m.phase * min(T, u.stagger) + (cp.lag if cp else 0)
                if u.hello != "none" and not cp and m.kind != "mode":
                    times.append(a + .001 * (m.id & 15))
                    if u.hello == "burst" and T <= .2:
                        times += [a + .02 + .001 * (m.id & 15)]
            jit = m.jit
            rnd = r.random
            while x < b:
                times.append(x + rnd() * jit)
                x += T
            if m.kind == "change":
                for _ in range(int((b - max(a, 0)) * .15)):
                    times.append(r.uniform(max(a, 0), b))
        times.sort()
        if not off:
            out += [(t, ident, sender.i, f) for t in times]
            continue
        # while its wires are open: what waits in the transmit buffers comes at once when they join again
        k, pol, held = 0, sender.buffer, None
        for t in times:
            while k < len(off) and off[k][1] <= t:
                k += 1
                held = None
            if k < len(off) and off[k][0] <= t:
                if off[k][1] < dur and inside(st.tx[sender.i], off[k][1]):
                    end = off[k][1]
                    if pol == "old" and held is None or pol == "fifo" and (held or 0) < max(1, sender.depth // 3):
                        h = f(t)
                        out.append((end + 1e-5, ident, sender.i, h))
                        held = (held or 0) + 1
                    elif pol == "new" and t + T >= off[k][1]:
                        out.append((end + 1e-5, ident, sender.i, f))
            else:
                out.append((t, ident, sender.i, f))
    return out


def arbitrate(r, v, w, S, st, ch, todo, flood):
    """Plays the bus: returns (end time, identifier, hex, unit) and error marks."""
    bit, ext = 1 / v.rate, v.ext
    dead = norm([(a, b) for a, b, c in S.short if c == ch])
    errs = sorted((a, b, p) for a, b, p, c in S.err if c == ch)
    bad = {u: sorted(x) for u, x in S.stuberr.items() if v.units[u].ch == ch}
    badx = {u: [a for a, b, p in x] for u, x in bad.items()}
    errx = [a for a, b, p in errs]
    fl = S.flood if flood else []
    for a, b, ident, share, dlc in fl:
        step = ((80 if ext else 55) + dlc * 9.2) * bit / share
        h = "00" * dlc if r.random() < .5 else bytes(r.randrange(256) for _ in range(dlc)).hex().upper()
        x, stop = a, min(b, a + 30000 * step)
        while x < stop:
            todo.append((x, ident, -2, h))
            x += step
    todo.sort(key=lambda x: (x[0], x[1]))
    tec, offuntil, passive = {}, {}, {}
    out, marks, heap, pend = [], [], [], {}
    now, i, n, seq, tried = 0.0, 0, len(todo), 0, 0
    dmg = 0
    uni = r.random
    while i < n or heap:
        if not heap and todo[i][0] > now:
            now = todo[i][0]
        while i < n and todo[i][0] <= now:
            t, ident, u, f = todo[i]
            i += 1
            if callable(f):
                key = (u, ident)
                if key in pend:
                    continue            # its mailbox still waits
                pend[key] = 1
                heapq.heappush(heap, (ident, i, u, f))
            else:
                heapq.heappush(heap, (ident, i, u, f))
        if not heap:
            continue
        if now > w.dur:
            break
        ident, k, u, f = heapq.heappop(heap)
        if u in offuntil and now < offuntil[u] or dead and inside(dead, now):
            pend.pop((u, ident), None)
            if dead and inside(dead, now) and len(marks) < 4000:
                marks.append((now, ch, 0x08, 0x08))
            if dead:
                now += 60 * bit
            continue
        h = f(now) if callable(f) else f
        d = ((67 if ext else 47) + len(h) * 4.35) * bit
        p = 0.0
        if errs:
            j = bisect_right(errx, now) - 1
            if j >= 0 and errs[j][0] <= now < errs[j][1]:
                p = errs[j][2]
        for b, x in bad.items():
            j = bisect_right(badx[b], now) - 1
            if j >= 0 and x[j][0] <= now < x[j][1]:
                if b == u:
                    p = max(p, x[j][2])
                elif passive.get((b, j), 0) < 16:
                    p = max(p, .2 * x[j][2])
                    if uni() < p:
                        passive[b, j] = passive.get((b, j), 0) + 1
        if p and uni() < p:
            late = uni() < .03
            now += d * (1 if late else .2 + .7 * uni()) + 23 * bit
            if late and u >= 0:
                out.append((now - 23 * bit, ident, h, u))
            if len(marks) < 6000:
                marks.append((now, ch, 0x88, 0x04))
            if u >= 0:
                tec[u] = tec.get(u, 0) + 8
                if tec[u] > 255:
                    bo = v.units[u].boff
                    until = now + r.uniform(bo[1], bo[2])
                    if bo[1] > 1e6:
                        until = next((a for a, _ in st.run[u] if a > now), 1e9)
                    offuntil[u], tec[u] = until, 0
                    S.busoff.append((u, now, min(until, w.dur)))
                    pend.pop((u, ident), None)
                    continue
            heapq.heappush(heap, (ident, k, u, h if not callable(f) else f))
            continue
        now += d
        pend.pop((u, ident), None)
        if u in tec and tec[u]:
            tec[u] -= 1
        out.append((now, ident, h, u))
        dmg += d
        now += 3 * bit
    return out, marks, dmg / w.dur


def recorder(r, v, w, rec, frames, marks):
    """Losses, pauses and clock of the recorder. frames: (t, ch, identifier, hex, unit)."""
    rows = [(t, ch, "%0*X#%s" % (8 if v.ext else 3, i, h), u, i) for t, ch, i, h, u in frames]
    if rec.errors:
        rows += [(t, ch, "%08X#%s" % (0x20000000 | c, "0000" + "%02X%02X" % (k, r.choice([0, 0, 0x0B, 0x19])) + "00000000"), None, None)
                 for t, ch, c, k in (marks if len(marks) < 3000 else marks[::len(marks) // 3000 + 1])]
    rows.sort(key=lambda x: x[0])
    if rec.pauses:
        rows = [x for x in rows if not inside(rec.pauses, x[0])]
    if rec.loss:
        rows = [x for x in rows if r.random() > rec.loss]
    if rec.burst:
        rows = [x for x in rows if not inside(rec.burst, x[0])]
    out, last = [], 0
    for t, ch, s, u, i in rows:
        t *= 1 + rec.ppm * 1e-6
        if rec.tick:
            t = int(t / rec.tick) * rec.tick
        if rec.late and r.random() < .02:
            t += r.uniform(0, rec.late)
        t = last if t < last else t
        last = t
        out.append((t, 0 if rec.merged else ch, s, u, i))
    return out


def draw_recorder(r, dur, v):
    class R:
        pass
    x = R()
    x.errors, x.loss, x.tick = r.random() < .4, r.choice([0] * 12 + [.001, .02]), r.choice([0] * 7 + [.0001, .001, .01])
    x.late, x.ppm, x.merged = r.choice([0, 0, .002, .02]), r.gauss(0, 40), v.chans == 2 and not v.hidden and r.random() < .12
    x.pauses, x.burst = [], []
    if r.random() < .1:
        for _ in range(r.choice([1, 1, 2, 4])):
            a = r.uniform(.1, .95) * dur
            x.pauses.append((a, min(dur, a + r.uniform(.3, .12 * dur + .5))))
        x.pauses = norm(x.pauses)
    if r.random() < .06:
        x.burst = norm([(a, a + r.uniform(.005, .06)) for a in (r.uniform(0, dur) for _ in range(r.randint(3, 30)))])
    x.start = r.uniform(1.5e9, 1.75e9) if r.random() < .85 else r.uniform(0, 500)
    return x
