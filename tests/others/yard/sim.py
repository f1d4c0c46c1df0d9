"""From vehicle, use and broken parts to frames on the buses and lines of a recorder."""
import heapq
from bisect import bisect_right
from math import ceil
from spans import INF, norm, inter, minus, union, invert, has, curve
from scene import want
from codes import Book
from tester import Tester, bam, dm_body

CRC = []
for _i in range(256):
    _c = _i
    for _ in range(8):
        _c = (_c << 1 ^ 0x1D) & 255 if _c & 128 else _c << 1
    CRC.append(_c)


def render(m, n, t, s, rng, hold):
    """Bytes of the n-th sending of a message since its sender started."""
    b = bytearray(m.tmpl)
    for op, x, k, o, w in m.ops:
        if op == "ctr":
            b[x] = b[x] & ~(k << (o if k < 16 else 0)) & 255 | ((n * w) & k) << (o if k < 16 else 0)
        elif op == "xor":
            y = o if False else k
            for z, q in enumerate(b):
                if z != x:
                    y ^= q
            b[x] = y
        elif op == "sum":
            b[x] = 0; b[x] = (sum(b) + k) & 255
        elif op == "crc":
            y = k
            for z, q in enumerate(b):
                if z != x:
                    y = CRC[y ^ q]
            b[x] = y
        elif op == "walk":
            hold[x] = y = min(255, max(0, hold.get(x, o) + rng.choice((-k, 0, 0, k))))
            b[x] = y
        elif op == "flag":
            if (t + w) % o < o / 2:
                b[x] ^= k
        elif op == "key":
            if has(s.ign, t):
                b[x] |= k
        elif op == "mux":
            b[0] = n % k
            for z in range(2, m.dlc):
                b[z] = (b[z] + 37 * (n % k)) & 255
        else:
            if op[:3] == "rpm":
                y = curve(s.rpm, t)
                y += rng.uniform(-4, 4) if y > 50 else 0
            elif op[:3] == "spe":
                y = curve(s.speed, t)
            elif op[:3] == "vol":
                y = curve(s.volt, t)
            else:
                y = curve(s.temp, t)
            if op == "temp1":
                b[x] = min(250, max(0, int(y) + o)); continue
            y = min(64255, max(0, int(y * k) + (o if op[-2:] != "le" else 0)))
            if op[-2:] == "le":
                b[x], b[x + 1] = y & 255, y >> 8
            else:
                b[x], b[x + 1] = y >> 8, y & 255
    return bytes(b)


class Run:
    pass


FLOOD = Run()                                       # marks the frames of whatever floods the bus


def states(v, s, p):
    """When each unit is at work, and when it can be heard."""
    r = Run()
    r.up0 = [want(u, s) for u in v.units]
    r.segs, r.talk, r.deaf, r.block, r.lost, r.reset_by_crank = {}, {}, {}, {}, {}, []
    for u in v.units:
        i = u.idx
        off = [x for x in p.power.get(i, []) if x[1] - x[0] > u.hold]
        off = norm(off + p.reset.get(i, []))
        dips = []
        for a, b, lo in s.cranks:
            if lo < u.brown and u.feed != "always":
                e = a + (b - a) * min(1., .15 + (u.brown - lo) / 4)
                dips.append((a + .01, e))
                if inter(r.up0[i], [(a - .2, a + .01)]) and 0 < a < s.D:
                    r.reset_by_crank.append(i)
        r.lost[i] = off
        work = minus(minus(r.up0[i], norm(dips)), off)
        starts = {x[0] for x in r.up0[i]}
        segs = []
        for a, b in work:
            d = u.wakeboot if a in starts and u.feed in ("bat", "charge", "heater") and not any(abs(a - m[0] - u.late) < .01 for m in s.main[1:]) else u.boot
            segs.append((a, b, a + d))
        r.segs[i] = segs
        op = p.open.get(i, [])
        ln = p.line.get(u.chan, []) if not u.hidden else []
        deaf = union(op, ln, [x for x in p.half.get(i, [])])
        blk = []
        for a, b in union(op, ln):
            bo = any(x < b and y > a for x, y in ln) or u.openway == "busoff"
            blk.append((a, b + (u.busoff if bo and b - a > .01 else 0)))
        r.block[i], r.deaf[i] = norm(blk), deaf
        r.talk[i] = minus(minus(inter([(c, b) for a, b, c in segs if b > c], [(-INF, INF)]), union(blk, deaf)), p.stand.get(i, []))
    return r


def traffic(rng, v, s, p, r, book):
    """All frames the programs want to send: per channel a list of (time, id, ext, data, unit, message)."""
    F = {0: [], 1: []}
    D = s.D
    conds = {"ign": s.ign, "run": s.run, "awake": s.awake, "mode": s.mode}
    bysource, r.lostframes = {}, {}
    carried = {id(m) for m, w, to, c, way in v.copies}
    for u in v.units:
        i = u.idx
        out = []
        blk, stand = r.block[i], p.stand.get(i, [])
        drop, other = set(p.drop.get(i, [])), p.other.get(i, {})
        lost = 0
        pool = {}
        for a, b, ready in r.segs[i]:
            if b < 0 or ready > D or ready >= b:
                continue
            if v.kind == "truck" and u.claims and ready > 0 and not has(blk, ready - min(.05, u.boot * .3)) and not has(stand, ready):
                sa = next(iter(other.values())) & 255 if other else u.address
                out.append((ready - min(.05, u.boot * .3), 0x18EEFF00 | sa, True, u.namebytes, i, None))
            rel = rng.uniform(0, .02)
            for k, m in enumerate(u.msgs):
                if m.id in drop:
                    continue
                mid = other.get(m.id, m.id)
                start = ready + rel + (k * u.stagger if u.grid else m.off)
                P = m.period * u.skew
                n = max(0, ceil((0 - start) / P))
                cond = s.nmend if m.kind == "nm" else conds.get(m.cond)
                hold, keep = {}, None
                const = bytes(m.tmpl) if not m.ops else None
                mine = bysource.setdefault(id(m), []) if id(m) in carried else None
                times = None
                if m.event is not None:
                    times, t = [], max(0, start)
                    while True:
                        t += rng.expovariate(m.event)
                        if t > min(D, b):
                            break
                        times += [t + z * .02 for z in range(m.repeat)]
                else:
                    end = min(b, D)
                    times = []
                    t = start + n * P
                    j = m.jitter
                    g = rng.random
                    while t < end:
                        times.append(t + j * g())
                        n += 1
                        t = start + n * P
                    n -= len(times)
                for t in times:
                    n += 1
                    if cond is not None and not has(cond, t):
                        continue
                    if stand and has(stand, t):
                        lost += 1
                        continue
                    if m.kind == "dm1":
                        c = [x[0] for x in book.at(i, t) if x[1]]
                        for x in book.at(i, t):
                            if x[1]:
                                r.named_dm1 |= {(q[1] if len(q) > 1 else q[0], i) for q in x[3] if q[0] in ("lost", "invalid", "bus")}
                        fr = bam(rng, t, mid & 255, 0xFECA, dm_body(c), i)
                        for z, f in enumerate(fr):
                            if not has(blk, f[0]) and f[0] < b:
                                out.append((f[0], mid if len(fr) == 1 else f[1], True, f[3], i, m))
                            else:
                                lost += 1
                                break
                        continue
                    data = const or render(m, n, t, s, rng, hold)
                    if u.init is not None and t < ready + u.initfor and m.kind == "data":
                        data = bytes((u.init,)) * m.dlc
                    if blk and has(blk, t):
                        lost += 1
                        x = blk[bisect_right(blk, (t, INF * 2)) - 1]
                        pool.setdefault(x, {}).setdefault(k, []).append((t, mid, m.ext, data, i, m))
                        continue
                    f = (t, mid, m.ext, data, i, m)
                    out.append(f)
                    if mine is not None:
                        mine.append(f)
        for x in sorted(pool):                      # what waited in the transmit buffers while the wires were open
            way = "none" if u.openway == "busoff" and x[1] - x[0] > .05 else u.queue
            t1 = x[1] + .0003
            if t1 > D or not any(c <= t1 < b for a, b, c in r.segs[i]):
                continue
            seg = [c for a, b, c in r.segs[i] if c <= t1 < b][0]
            w = [[f for f in pool[x][k] if f[0] > seg] for k in sorted(pool[x])]
            w = [q for q in w if q]
            if way == "newest":
                w = [q[-1] for q in w]
            elif way == "oldest":
                w = [q[0] for q in w]
            elif way == "fifo":
                w = sorted([f for q in w for f in q], key=lambda f: f[:2])[:u.fifo]
            else:
                w = []
            for z, f in enumerate(w):
                f = (t1 + z * 1e-5,) + f[1:]
                out.append(f)
                if id(f[5]) in bysource:
                    bysource[id(f[5])].append(f)
        r.lostframes[i] = lost
        if not u.hidden:
            F[u.chan] += out
    if v.gw:                                        # the gateway's copies
        g = v.gw.idx
        gt = minus(inter([(c, b) for a, b, c in r.segs[g] if b > c], [(-INF, INF)]), union(p.open.get(g, []), p.stand.get(g, [])))
        for m, w, to, c, (way, nth, miss) in v.copies:
            src = sorted(bysource.get(id(m), []), key=lambda f: f[0])
            gapm = p.line.get(to, []) + p.line.get(w.chan, [])
            send = minus(gt, norm(gapm)) if gapm else gt
            if c.id in p.drop.get(g, []):
                continue
            if way in ("copy", "thin"):
                for z, f in enumerate(src):
                    if way == "thin" and z % nth:
                        continue
                    t = f[0] + .0006 + rng.random() * .0012
                    if has(send, t):
                        F[to].append((t, c.id, c.ext, f[3], g, c))
            elif src:
                ts = [f[0] for f in src]
                for a, b in inter(send, [(0, D)]):
                    t = a + rng.uniform(.01, .1)
                    while t < b:
                        k = bisect_right(ts, t) - 1
                        old = k < 0 or t - ts[k] > max(10 * m.period, 1)
                        if not (old and (miss == "stop" or k < 0)):
                            F[to].append((t + rng.random() * .0004, c.id, c.ext, src[k][3] if not old or miss == "hold" else b"\xff" * len(src[k][3]), g, c))
                        t += c.period
    return F


def bus(rng, v, s, p, ch, frames, bitrate):
    """Arbitration, errors, bus-off; returns (lines [(time, id, ext, data, unit)], errors [time], busy share)."""
    frames.sort(key=lambda f: (f[0], f[1]))
    out, errors, heap = [], [], []
    now, i, n, busy = 0., 0, len(frames), 0.
    noise = sorted(p.noise.get(ch, []))
    peaks = [x for x in noise if x[1] - x[0] < s.D + 5]
    base = sum(x[2] for x in noise if x[1] - x[0] >= s.D + 5)
    dirty = {u: d for u, d in p.dirty.items() if v.units[u].chan == ch}
    tec, off, latest = {}, {}, {}
    anybad = bool(noise or dirty)
    bt = 1 / bitrate
    while i < n or heap:
        if not heap and frames[i][0] > now:
            now = frames[i][0]
        while i < n and frames[i][0] <= now:
            f = frames[i]
            key = (f[1] << 18 if not f[2] else f[1])
            heapq.heappush(heap, (key, f[0], i))
            latest[f[1]] = i
            i += 1
        if not heap:
            continue
        key, t, k = heapq.heappop(heap)
        f = frames[k]
        u = f[4]
        m = f[5]
        if u in off and now < off[u]:
            continue
        if m is FLOOD:                              # one mailbox, filled again and again
            if latest[f[1]] != k:
                continue
        elif now - t > .02 and latest[f[1]] != k and m is not None and m.kind != "dm1" and len(heap) > 3:
            continue                                # overwritten in its mailbox by a newer one
        L = len(f[3])
        d = ((47 + 8 * L) if not f[2] else (67 + 8 * L)) * 1.09 * bt
        if anybad:
            q = base
            for x in peaks:
                if x[0] <= now < x[1]:
                    q = max(q, x[2])
            for x in dirty.get(u, ()):
                if x[0] <= now < x[1]:
                    q = max(q, x[2])
            if q and rng.random() < q:
                e = d * rng.uniform(.15, .95) + 20 * bt
                now += e; busy += e if now <= s.D else 0
                errors.append(now)
                if u is not None:
                    tec[u] = tec.get(u, 0) + 8
                    if tec[u] > 255:
                        tec[u] = 0
                        off[u] = now + max(v.units[u].busoff, 1408 * bt)
                        continue
                heapq.heappush(heap, (key, t, k))
                continue
            if u in tec and tec[u]:
                tec[u] -= 1
        now += d
        if now <= s.D:
            busy += d
        out.append((now, f[1], f[2], f[3], u))
        now += 3 * bt
    for a, b in p.line.get(ch, []):                 # a dead line: errors pile up until everybody is off
        t = a
        for _ in range(rng.choice((3, 20, 60))):
            t += rng.uniform(.0003, .004)
            if t < min(b, s.D):
                errors.append(t)
    return out, sorted(errors), busy / s.D


def record(rng, v, s, p, per, plain=False):
    """The recorder: clock, pauses, losses, error frames. Returns (text lines, facts)."""
    D = s.D
    pauses, kind = [], None
    if rng.random() < .07 and not plain:
        for _ in range(rng.choice((1, 1, 2, 5))):
            a = rng.uniform(0, D * .9); pauses.append((a, a + rng.uniform(.3, max(.5, D * .12))))
        kind = "logger"
    loss = 0.
    if rng.random() < .08 and not plain:
        loss = rng.choice((.0005, .002, .01)); kind = "logger"
    clock = rng.choice((1e-6, 1e-6, 1e-6, 1e-6, 1e-5, 1e-4, 1e-3, 1e-3 if rng.random() < .5 else 1e-2))
    lag = rng.choice((0, 0, .0002, .001))
    reports = rng.random() < .5
    shift = rng.uniform(-.03, .03) if v.channels == 2 and rng.random() < .2 else 0
    t0 = rng.choice((rng.uniform(1.4e9, 1.76e9), rng.uniform(1.4e9, 1.76e9), rng.uniform(0, 9e4)))
    pauses = norm(pauses)
    rows, errch = [], []
    for ch in range(v.channels):
        frames, errors, load = per[ch]
        dx = shift if ch == 1 else 0
        for f in frames:
            if f[0] > D or (pauses and has(pauses, f[0])) or (loss and rng.random() < loss):
                continue
            rows.append((f[0] + (dx if ch else 0) + (lag * rng.random() if lag else 0), ch, f))
        if reports and errors:
            step = max(1, len(errors) // 6000)
            got = [t for t in errors[::step] if t < D and not has(pauses, t)]
            if got:
                errch.append(ch)
            for t in got:
                rows.append((t + dx, ch, None))
    rows.sort(key=lambda r: (r[0], r[1]))
    if not rows:
        return [], dict(first=0, kind=kind, errors=[], last=0)
    first = rows[0][0]
    lines, seen = [], {}
    lastt = 0
    for t, ch, f in rows:
        x = t0 + t
        x = round(x / clock) * clock if clock > 1e-6 else x
        if f is None:
            kindb = rng.choice((0x01, 0x02, 0x04, 0x04, 0x08, 0x10))
            lines.append("(%.6f) can%d 20000088#0000%02X%02X00000000" % (x, ch, kindb, rng.choice((0, 0x08, 0x0A, 0x0B, 0x18, 0x1A, 0x02))))
        else:
            lines.append(("(%.6f) can%d %08X#%s" if f[2] else "(%.6f) can%d %03X#%s") % (x, ch, f[1], f[3].hex().upper()))
            seen.setdefault((ch, f[1]), []).append(t - first)
        lastt = t - first
    return lines, dict(first=first, kind=kind, errors=errch, last=lastt, seen=seen, pauses=pauses)


def run(rng, v, s, p, scan_wish, benign_old, plain=False):
    r = states(v, s, p)
    r.named_dm1 = set()
    for u in v.units:                               # the address it really uses
        u.sa = next(iter(p.other[u.idx].values())) & 255 if v.kind == "truck" and p.other.get(u.idx) else u.address
    book = Book(rng, v, s, r.up0, r.segs, r.talk, r.deaf, r.lost, p, benign_old)

    def alive(u, t):
        i = u.idx
        def awake(k):
            return any(c <= t < b for a, b, c in r.segs[k]) and not has(r.block[k], t) and not has(r.deaf[k], t)
        if u.chan == 1 and not (v.gw and awake(v.gw.idx)):
            return False
        return awake(i) and not has(p.stand.get(i, []), t) or (awake(i) and i in p.stand and not p.mute_diag.get(i))
    t = Tester(rng, v, s, book, alive, scan_wish, p.vin, p.boot) if not plain or rng.random() < .15 else None
    F = traffic(rng, v, s, p, r, book)
    if t:
        for ch, x, id_, ext, data, who in t.frames:
            if 0 <= x < s.D and not has(p.line.get(ch, []), x) and ch < 2:
                F[ch].append((x, id_, ext, data, who, None))
    for ch, a, b, id_, ext, pause, data in p.flood:
        x = max(0, a)
        pause = max(pause, .6 * (130 if not ext else 150) / v.bit[ch])
        while x < min(b, s.D):
            F[ch].append((x, id_, ext, data, None, FLOOD)); x += pause
    per = [bus(rng, v, s, p, ch, [f for f in F[ch] if f[0] >= 0], v.bit[ch]) for ch in range(v.channels)]
    lines, facts = record(rng, v, s, p, per, plain)
    r.book, r.tester, r.lines, r.facts, r.loads = book, t, lines, facts, [round(x[2], 3) for x in per]
    return r
