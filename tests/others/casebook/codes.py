"""Who stores which code and when; what the tester asks and what it is answered; DM1 of trucks."""
from spans import union, inter, minus, holds
from vehicle import logu, pick

OTHER = ["P0401", "P0299", "P2002", "B1015", "B1234", "C1A01", "P0128", "B10FF", "C0040", "P0562", "U3003", "P0171", "B2A31", "C1000", "P20EE"]


def dtc(text):
    return bytes([("PCBU".index(text[0]) << 6) | int(text[1:3], 16), int(text[3:5], 16)])


class Codes:
    def __init__(c, rng, run, silences=None, boffs=None):
        """silences: unit -> spans in which nothing of it got through (measured in a first pass)."""
        c.rng, c.run, c.v = rng, run, run.v
        c.events = {u.i: [] for u in c.v.units}      # (code, ftype, set, healed)
        c.clears = {}
        d = run.day
        keyed = d.key("on", "crank", "run", "stop")
        runkey = d.key("run")
        quiet = union([(a - .1, b + 1.0) for a, b in d.key("crank")])
        for w in c.v.units:
            if not w.coded and not c.v.truck:
                continue
            alive = [(a + w.enable, b) for a, b, _ in run.ready[w.i] if b > a + w.enable]
            # a program that stands watches nothing
            alive = minus(alive, run.eff.stand.get(w.i, []))
            missed = []
            for s, limit, when in w.watch:
                en = inter(alive, runkey if when == "run" else [(a + 1, b) for a, b in keyed if b > a + 1])
                if when != "awake":
                    en = minus(en, quiet)
                expected = [(a + w.enable, b) for a, b in run.plan[s.i] if b > a + w.enable]
                en = inter(en, expected)
                heard = run.hears(w, s)
                if silences:
                    heard = minus(heard, silences.get(s.i, []))
                if run.eff.msgs.get(s.i) is not None and s.msgs[0] not in run.eff.msgs[s.i]:
                    heard = []
                for a, b in minus(en, heard):
                    if b - a > limit:
                        missed.append((c.name(s), w.ftype, a + limit, b + .05 if b < run.end else 1e9, s.i))
            lonely = len({m[4] for m in missed}) > 2 and w.masks_all
            if lonely:
                # loses everybody: one code for the bus instead
                c.events[w.i] += [(("U0001", "88") if not c.v.truck else (639, 19)) + (m[2], m[3]) for m in missed[:1]]
            else:
                c.events[w.i] += [m[:2] + m[2:4] if not c.v.truck else m[0] + m[2:4] for m in missed]
            offs = [(a, b) for a, b in run.eff.down.get(w.bus, [])] + (boffs or {}).get(w.i, [])
            if w.self_code:
                for a, b in offs[:5]:
                    if holds([(x, y) for x, y, _ in run.ready[w.i]], a):
                        c.events[w.i].append((("U0073", "88") if not c.v.truck else (639, 14)) + (a + .01, b))
                if any(x[1] - x[0] > 1 for x in run.off[w.i]) and w.ans:
                    for a, b in run.off[w.i][:2]:
                        if holds([(x, y) for x, y, _ in run.ready[w.i]], max(a, run.day.start + .5)):
                            c.events[w.i].append((("U0001", "00") if not c.v.truck else (639, 9)) + (max(a, -100), b))
        for k, l in run.eff.selfcodes.items():
            if isinstance(k, int):
                for code, ft in l:
                    c.events[k].append((code, ft, -1e4, 1e9) if not c.v.truck else (630, 13, -1e4, 1e9))

    def name(c, s):
        return (2000 + s.addr, 9) if c.v.truck else s.code

    def state(c, u, T):
        """Codes of u at time T: {code: failing now?}"""
        tc = max((t for t in c.clears.get(u.i, []) if t < T), default=None)
        out = {}
        for x in ([] if tc is not None else u.old):
            out[x] = False
        for a, ft, t, heal in c.events[u.i]:
            if tc is not None and t <= tc:
                if heal <= tc:
                    continue
                t = tc + 1.5
            if t <= T:
                out[(a, ft)] = out.get((a, ft), False) or heal > T
        return out

    def names_in(c, T, present=None):
        return {a for u in c.v.units for (a, _), f in c.state(u, T).items() if present is None or present(u)}


def add_old(rng, v, how, victims):
    """Codes left of earlier days."""
    n = 0
    for w in v.units:
        if not w.coded and not v.truck:
            continue
        for s, _, _ in w.watch:
            hit = rng.random() < .45 if how == "many" else (s in victims and rng.random() < .9 if how in ("one", "group") else rng.random() < .06)
            if hit:
                w.old.append((s.code, w.ftype) if not v.truck else (2000 + s.addr, 9))
                n += 1
        if how == "many" and rng.random() < .35:
            w.old.append(rng.choice([("U3003", "16"), ("P0562", "00"), ("U0001", "88"), ("B1015", "16")]) if not v.truck else (168, 4))
        if rng.random() < .07:
            w.old.append((rng.choice(OTHER), rng.choice(["13", "00", "29", "11"])) if not v.truck else (rng.choice([110, 3364, 94, 1761, 4334]), rng.choice([3, 4, 5, 2])))
        w.old = list(dict.fromkeys(w.old))[:20]
    return n


class Tester:
    """A workshop's tester at the connector: makes frames, one request after the other."""

    def __init__(x, rng, run, codes):
        x.rng, x.run, x.codes, x.v = rng, run, codes, run.v
        x.out = []              # (bus, (t, id, 0, unit, text, data))
        x.scans, x.cleared = [], []
        x.answered = {}         # unit -> codes told
        v = x.v
        x.direct = v.nbus == 2 and rng.random() < .4
        x.step = logu(rng, .004, .12)
        x.wait = logu(rng, .05, .8)
        x.tries = rng.choice([1, 1, 2, 3])
        x.mask = rng.choice([0xFF, 0xFF, 0x09, 0x0D, 0x2F, 0xAF, 0x08, 0x8F])
        x.session = rng.random() < .35
        x.asks_vin = rng.random() < .4
        x.fc = rng.choice(["300000", "30000A", "300800", "300005"])
        x.keepalive = rng.random() < .25
        x.unfit = []
        x.vins, x.ans_t = set(), {}
        if run.eff.vins:
            x.asks_vin = True
        if not v.truck and not v.wide and not v.ext:
            have = {u.req for u in v.units} | {u.ans for u in v.units} | v.used
            gap = next((u.ans - u.req for u in v.units if u.req and u.ans - u.req != 8), 8)
            for _ in range(rng.randint(0, 8)):
                q = 0x700 + 16 * rng.randrange(13) + rng.randrange(8) if gap == 8 else 0x700 + rng.randrange(0x90)
                if q not in have and q + gap not in have and q < 0x7D0:
                    x.unfit.append(q)

    def put(x, t, ident, data, u, sender):
        v = x.v
        text = "%08X" % ident if v.wide else "%03X" % ident
        ui = u.i if (sender and u is not None) else -2
        bus = u.bus if u is not None else 0
        other = bus != 0 and not x.direct
        t += x.rng.random() * .0003
        x.out.append((bus, (t + (.0012 if other and not sender else 0), ident, 0, ui, text, data)))
        if other:
            x.out.append((0, (t + (0 if not sender else .0017), ident, 0, x.v.gate.i if sender else -2, text, data)))

    def pad(x, b):
        v = x.v
        s = b.hex().upper()
        return s if v.pad is None else s.ljust(16, "X").replace("XX", "%02X" % v.pad)

    def isotp(x, t, ident, back, payload, u, sender):
        """payload over one or several frames; the other side's flow control comes from `back`. Returns the time after."""
        v = x.v
        pre = b""
        if v.ext:
            pre = bytes([0xF1]) if sender else bytes([u.eaddr])
        rep = b"" if not v.ext else (bytes([u.eaddr]) if sender else bytes([0xF1]))
        room = 7 - len(pre)
        gap = x.rng.choice([.001, .002, .005, .01]) if sender else .001
        if len(payload) <= room:
            x.put(t, ident, x.pad(pre + bytes([len(payload)]) + payload), u, sender)
            return t
        n = len(payload)
        x.put(t, ident, x.pad(pre + bytes([0x10 | n >> 8, n & 255]) + payload[:room - 1]), u, sender)
        t += .0008 + x.step * .3
        x.put(t, back, x.pad(rep + bytes.fromhex(x.fc)), u, not sender)
        rest, k = payload[room - 1:], 1
        while rest:
            t += gap + x.rng.random() * .002
            x.put(t, ident, x.pad(pre + bytes([0x20 | k & 15]) + rest[:room]), u, sender)
            rest, k = rest[room:], k + 1
        return t

    def reachable(x, u, t):
        r = x.run
        if not any(a <= t < b for a, b, _ in r.ready[u.i]) or holds(r.off[u.i], t) or holds(union(r.down(u)), t):
            return False
        if r.eff.msgs.get(u.i) == []:       # works at another bit rate: hears nothing
            return False
        if holds(union([(a, b) for a, b, *_ in r.eff.flood.get(u.bus, [])]), t) and x.rng.random() < .3:
            return False
        if u.bus != 0 and not x.direct:
            g = x.v.gate
            return bool(g) and any(a <= t < b for a, b, _ in r.ready[g.i]) and not holds(r.off[g.i], t) and not holds(r.eff.stand.get(g.i, []), t)
        return True

    def ask(x, t, u, payload, answer):
        """answer(t) -> bytes or None. Returns time after."""
        for _ in range(x.tries):
            t = x.isotp(t, u.req, u.ans, payload, u, False)
            if x.reachable(u, t):
                ta = t + x.step * x.rng.uniform(.2, 1.2) + .001
                if x.rng.random() < .04:
                    x.isotp(ta, u.ans, u.req, bytes([0x7F, payload[0], 0x78]), u, True)
                    ta += .03
                a = answer(ta)
                x.ans_t.setdefault(u.i, []).append(ta)
                if a is not None:
                    ta = x.isotp(ta, u.ans, u.req, a, u, True)
                return ta + x.step * x.rng.uniform(.3, 2), True
            t += x.wait * (1 + x.rng.random() * .02)
        return t, False

    def report(x, u, T):
        """Bytes of 59 02 / 58 for u."""
        st = x.codes.state(u, T)
        kwp = x.v.tester == "kwp"
        body = b""
        told = []
        for (code, ft), failing in st.items():
            s = (0x2F if failing else 0x28) & u.avail | (0x08 if u.avail & 8 else 0)
            if failing:
                s |= u.avail & 1
            if not kwp and not (s & x.mask):
                continue
            told.append(code)
            if x.v.truck:       # code as SPN and FMI in the three bytes, common with trucks
                body += bytes([code & 255, code >> 8 & 255, (code >> 16 & 7) << 5 | ft, s])
                continue
            body += dtc(code) + (bytes([0xE0 if failing else 0x60]) if kwp else bytes([int(ft, 16), s]))
        x.answered.setdefault(u.i, set()).update(told)
        if kwp:
            return bytes([0x58, len(told)]) + body
        return bytes([0x59, 2, u.avail]) + body

    def scan(x, t):
        v, rng = x.v, x.rng
        x.scans.append(t)
        if v.truck and v.tester != "uds" or v.truck and not any(u.ans for u in v.units):
            return x.scan_truck(t)
        if v.tester == "obd" or (not v.truck and rng.random() < .2):
            t = x.obd(t)
        units = [u for u in v.units if u.ans]
        order = sorted(units, key=lambda u: u.req) if rng.random() < .6 else rng.sample(units, len(units))
        todo = [(u, None) for u in order] + [(None, q) for q in x.unfit]
        if rng.random() < .6:
            rng.shuffle(todo)
        if v.tester == "obd" and rng.random() < .7 and not v.truck:
            return t
        for u, q in todo:
            if u is None:
                for _ in range(x.tries):
                    x.put(t, q, x.pad(bytes([3, 0x19, 2, x.mask]) if v.tester != "kwp" else bytes.fromhex("041800FF00")), None, False)
                    t += x.wait
                continue
            if x.session:
                t, ok = x.ask(t, u, bytes([0x10, 3]), lambda _: bytes([0x50, 3, 0, 0x32, 1, 0xF4]))
                if not ok and rng.random() < .7:
                    continue
            if x.asks_vin or rng.random() < .1 or u.i in x.run.eff.vins:
                own = x.run.eff.vins.get(u.i, v.vin)
                if u.i % 4 or u.i in x.run.eff.vins:
                    x.vins |= {u.i} if x.reachable(u, t) else set()
                t, ok = x.ask(t, u, bytes([0x22, 0xF1, 0x90]), lambda _: bytes([0x62, 0xF1, 0x90]) + own.encode() if u.i % 4 or u.i in x.run.eff.vins else bytes([0x7F, 0x22, 0x31]))
            if v.tester == "kwp":
                t, ok = x.ask(t, u, bytes([0x18, 0, 0xFF, 0]), lambda T: x.report(u, T))
            else:
                t, ok = x.ask(t, u, bytes([0x19, 2, x.mask]), lambda T: x.report(u, T))
            if x.keepalive and rng.random() < .3 and ok:
                t, ok = x.ask(t, u, bytes([0x3E, 0]), lambda _: bytes([0x7E, 0]))
        return t

    def obd(x, t):
        v = x.v
        fid = 0x18DB33F1 if v.wide else 0x7DF
        for svc in (1, 3, 7):
            x.put(t, fid, x.pad(bytes([1, svc]) if svc != 1 else bytes([2, 1, 1])), None, False)
            last = t
            for u in v.units:
                if u.role not in ("engine", "gearbox", "motor", "hybrid", "battery") or not u.ans or not x.reachable(u, t):
                    continue
                st = [(k, f) for k, f in x.codes.state(u, t).items() if svc != 7 or f]
                ta = t + .002 + x.rng.random() * .02
                if svc == 1:
                    x.isotp(ta, u.ans, u.req, bytes([0x41, 1, len(st) & 127, 7, 0xE5, 0]), u, True)
                else:
                    if svc == 3:
                        x.answered.setdefault(u.i, set()).update(k[0] for k, _ in st)
                    last = max(last, x.isotp(ta, u.ans, u.req, bytes([0x40 + svc, len(st)]) + b"".join(dtc(k[0]) for k, _ in st), u, True))
            t = last + .05 + x.step * 2
        return t

    def scan_truck(x, t):
        """Asks everybody (or one after another) for DM2."""
        for u in x.v.units:
            x.put(t, 0x18EA00F9 | u.addr << 8, "CBFE00", u, False)
            if x.reachable(u, t):
                old = [k for k, f in x.codes.state(u, t).items() if not f]
                x.answered.setdefault(u.i, set()).update(k[0] for k in old)
                dm(x, t + .005 + x.rng.random() * .03, u, old, 0xFECB)
            t += .08 + x.step
        return t + .3

    def clear(x, t):
        x.cleared.append(t)
        v = x.v
        for u in v.units:
            if v.truck and (v.tester != "uds" or not u.ans):
                x.put(t, 0x18EA00F9 | u.addr << 8, "D3FE00", u, False)
                if x.reachable(u, t):
                    x.codes.clears.setdefault(u.i, []).append(t)
                t += .1
                continue
            if not u.ans:
                continue
            kwp = v.tester == "kwp"

            def done(T, u=u):
                x.codes.clears.setdefault(u.i, []).append(T)
                return bytes([0x54]) if not kwp else bytes([0x54, 0xFF, 0])
            t, _ = x.ask(t, u, bytes([0x14, 0xFF, 0xFF, 0xFF]) if not kwp else bytes([0x14, 0xFF, 0]), done)
        return t

    def poll(x, t, until):
        """Live data: engine speed and others asked over and over."""
        v = x.v
        us = [u for u in v.units if u.ans]
        if v.truck or not us:
            return
        u = x.rng.choice(us)
        while t < until:
            pid = x.rng.choice([0x0C, 5, 0x42])
            t, _ = x.ask(t, u, bytes([0x22, 0xF4, pid]), lambda _: bytes([0x62, 0xF4, pid, x.rng.randrange(256), x.rng.randrange(256)]))
            t += .1

    def reset(x, t, u):
        t, _ = x.ask(t, u, bytes([0x11, 1]), lambda _: bytes([0x51, 1]))
        return t


def dm(x, t, u, codes, pgn):
    """DM1/DM2 of one address: 8 bytes, or broadcast announce (BAM) and packets."""
    def one(spn, fmi):
        return bytes([spn & 255, spn >> 8 & 255, (spn >> 16 & 7) << 5 | fmi, 1])
    body = bytes([4 if codes else 0, 0xFF]) + b"".join(one(*c) for c in codes)
    if not codes:
        body += b"\0\0\0\0"
    if len(codes) <= 1:
        x.put(t, 0x18000000 | pgn << 8 | u.addr, (body + b"\xFF\xFF").hex().upper()[:16], u, True)
        return
    n = len(body)
    x.put(t, 0x1CECFF00 | u.addr, bytes([0x20, n & 255, n >> 8, (n + 6) // 7, 0xFF, pgn & 255, pgn >> 8, 0]).hex().upper(), u, True)
    k = 1
    while body:
        t += .052
        x.put(t, 0x1CEBFF00 | u.addr, bytes([k]).hex().upper() + body[:7].hex().upper().ljust(14, "F"), u, True)
        body, k = body[7:], k + 1


def dm1_all(x, r):
    """Every unit of a truck that has diagnosis sends DM1 each second while it runs."""
    for u in x.v.units:
        if u.i % 7 == 5:
            continue
        quiet_ok = u.i % 3 != 1             # many send DM1 only with codes
        for a, b, _ in r.ready[u.i]:
            t = max(a + .3 + u.i * .037, (-1 + u.i * .05))
            while t < min(b, r.day.dur):
                if not holds(r.off[u.i], t) and not holds(r.eff.stand.get(u.i, []), t) and not holds(union(r.down(u)), t):
                    act = [k for k, f in x.codes.state(u, t).items() if f]
                    if act or quiet_ok:
                        x.answered.setdefault(u.i, set()).update(k[0] for k in act)
                        n = len(x.out)
                        dm(x, t + x.rng.random() * .004, u, act, 0xFECA)
                        # a pair of wires that opened in between takes the later packets along
                        x.out[n:] = [o for o in x.out[n:] if a <= o[1][0] < b]
                t += 1 + u.ppm
