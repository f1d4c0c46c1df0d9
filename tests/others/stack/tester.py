"""The workshop's tester at the connector (a generator driven by answers and timeouts) and the units' diagnostic servers."""
from vehicle import Msg

class Tester:
    def __init__(s, sim, r, plan):
        s.sim, s.r = sim, r; s.scans = []; s.clears = []; s.bus = sim.v.buses[0]; s.want = None; s.buf = None; s.tok = 0; s.vins = {}
        for u in sim.v.units:
            if u.req is not None:
                sim.hooks[u.req] = lambda t, b, m, d, u=u: s.server(t, b, m, d, u)
                sim.hooks[u.ans] = s.answer
        s.func = 0x7DF if sim.v.kind == "car" else 0x18DB33F1
        if sim.v.kind != "truck": sim.hooks[s.func] = s.functional
        else: sim.hooks[0x18EAFFF9] = s.dmreq
        for t, what in plan: sim.at(t, s.begin, what)
    def begin(s, t, what):
        s.gen = s.truck(what) if s.sim.v.kind == "truck" else s.car(what); s.t = t; s.step(t, None)
    def step(s, t, val):
        s.t = t
        try: x = s.gen.send(val)
        except StopIteration: s.want = None; return
        if x[0] == "wait": s.want = None; s.sim.at(t + x[1], s.resume, s.gen)
        elif x[0] == "ask":
            _, req, ans, data, to = x; s.want = ans; s.buf = None; s.tok += 1; s.need = 0
            s.send(t, req, data); s.sim.at(t + to, s.timeout, s.tok)
    def resume(s, t, g):
        if g is s.gen: s.step(t, None)
    def timeout(s, t, tok):
        if tok == s.tok and s.want is not None: s.want = None; s.step(t, None)
    def send(s, t, req, data, full=None):
        v = s.sim.v; d = bytes([len(data)]) + bytes(data) if full is None else full
        d += bytes([v.pad]) * (8 - len(d)) if v.kind != "truck" else b""
        m = Msg(s.sim.tester, s.bus, req, 0, "diag", len(d)); m.base = bytearray(d)
        u = next((u for u in v.units if u.req == req), None); m.dst = u.buses[0] if u and u is not v.gateway else s.bus
        s.sim.request(t, m)
    def answer(s, t, b, m, d):
        if b is not s.bus or m.cur != s.want or m.unit is s.sim.tester: return
        k = d[0] >> 4
        if k == 0:
            x = d[1:1 + (d[0] & 15)]
            if len(x) >= 3 and x[0] == 0x7F and x[2] == 0x78: return
            s.want = None; s.sim.at(t + .004 + .03 * s.r.random(), s.gotit, s.tok, bytes(x))
        elif k == 1:
            s.need = (d[0] & 15) << 8 | d[1]; s.buf = bytearray(d[2:])
            req = next(u.req for u in s.sim.v.units if u.ans == m.cur)
            s.sim.at(t + .001 + .002 * s.r.random(), s.fc, req)
        elif k == 2 and s.buf is not None:
            s.buf += d[1:]
            if len(s.buf) >= s.need: s.want = None; x = bytes(s.buf[:s.need]); s.buf = None; s.sim.at(t + .004 + .03 * s.r.random(), s.gotit, s.tok, x)
    def fc(s, t, req): s.send(t, req, b"", bytes([0x30, 0, 10]))
    def gotit(s, t, tok, x):
        if tok == s.tok:
            if x[:1] in (b"\x59", b"\x58", b"\x43", b"\x47"):
                n = {0x59: (3, 4), 0x58: (2, 3)}.get(x[0], (2, 2))
                for i in range(n[0], len(x) - 1, n[1]):
                    c = x[i] << 8 | x[i + 1]
                    if c >> 14 == 3: s.sim.reported.add(c & 0x3FFF)
            s.step(t, x)
    # --- what it does -------------------------------------------------------------------
    def car(s, what):
        v, r = s.sim.v, s.r; us = [u for u in v.units if u.proto != "none" or r.random() < .5]
        if r.random() < .4: r.shuffle(us)
        order = us; gap = r.choice((.005, .02, .1))
        ext = r.random() < .4; vin = what != "clear" and (s.readvin or r.random() < .25); mask = r.choice((0xFF, 0x08, 0x09, 0x0D, 0x2F, 0xAF)); to = r.choice((.15, .3, .5)); ident = r.random() < .3
        if what == "scan":
            s.scans.append(s.t)
            if r.random() < .4: yield "ask", s.func, v.units[0].ans, b"\x3e\x80" if v.proto != "obd" else b"\x01\x00", .1
            for u in order:
                s.cu = u
                if vin or ident or ext:
                    x = yield "ask", u.req, u.ans, b"\x10\x03" if v.proto != "kwp" else b"\x10\x89", to
                    if x is None and r.random() < .7: continue
                if vin: yield "ask", u.req, u.ans, b"\x22\xf1\x90" if v.proto != "kwp" else b"\x1a\x90", to
                if ident: yield "ask", u.req, u.ans, b"\x22\xf1\x87" if v.proto != "kwp" else b"\x1a\x9b", to
                if v.proto == "uds": yield "ask", u.req, u.ans, bytes([0x19, 2, mask]), to
                elif v.proto == "kwp": yield "ask", u.req, u.ans, b"\x18\x00\xff\x00", to
                else:
                    yield "ask", u.req, u.ans, b"\x03", to
                    yield "ask", u.req, u.ans, b"\x07", to
                yield "wait", gap * (.5 + r.random())
        elif what == "clear":
            s.clears.append(s.t)
            if r.random() < .4 and v.proto == "uds": yield "ask", s.func, v.units[0].ans, b"\x14\xff\xff\xff", .3
            else:
                for u in order:
                    yield "ask", u.req, u.ans, b"\x14\xff\xff\xff" if v.proto == "uds" else b"\x14\xff\x00" if v.proto == "kwp" else b"\x04", to
        elif what == "live":
            for _ in range(r.randint(10, 60)):
                u = r.choice(us[:4]); yield "ask", u.req, u.ans, bytes([0x22, r.choice((0x10, 0xF4, 0x20)), r.randrange(64)]) if r.random() < .6 else bytes([1, r.choice((0, 4, 5, 12, 13, 66))]), to
                yield "wait", .1
        elif what == "present":
            for _ in range(r.randint(5, 20)): yield "ask", s.func, -1, b"\x3e\x80", .05; yield "wait", 2.
        elif what == "quiet":     # before programming: no normal messages, code setting off; then back
            yield "ask", s.func, v.units[0].ans, b"\x10\x83", .1
            yield "ask", s.func, v.units[0].ans, b"\x85\x82", .1
            yield "ask", s.func, v.units[0].ans, b"\x28\x83\x01", .1
            for _ in range(r.randint(2, 6)): yield "ask", s.func, -1, b"\x3e\x80", .05; yield "wait", 1.
            yield "ask", s.func, v.units[0].ans, b"\x28\x80\x01", .1
            yield "ask", s.func, v.units[0].ans, b"\x85\x81", .1
    def truck(s, what):
        sim = s.sim
        if what == "clear": s.clears.append(s.t); pg = 0xFECC
        else: s.scans.append(s.t); pg = 0xFECB
        s.send(s.t, 0x18EAFFF9, b"", bytes([pg & 255, pg >> 8, 0])); yield "wait", .5
    def dmreq(s, t, b, m, d):
        pg = d[0] | d[1] << 8
        for u in s.sim.v.units:
            if u.state != "run" or u.open[u.buses[0]] or u.txstop or b not in u.buses: continue
            if pg == 0xFECC: u.dtc = {}; s.sim.at(t + u.p2, s.sim.oneshot, u, b, 0x18E8FF00 | u.sa, bytes([0, 0xFF, 0xFF, 0xFF, 0xF9, 0xCC, 0xFE, 0]), u.gen, "once")
            else: s.sim.at(t + u.p2, s.dm2, u)
    def dm2(s, t, u):
        if u.state == "run": s.sim.sendlist(t, u, 0xFECB, [c for c, st in u.dtc.items() if st & 8 and not st & 1])
    def functional(s, t, b, m, d):
        if b is not s.bus: return
        x = d[1:1 + d[0]]
        for u in s.sim.v.units:
            g = s.sim.v.gateway
            if u.buses[0] is not b and u is not g and not (g and g.state == "run" and not g.open[b] and not g.open[u.buses[0]]): continue
            s.server(t + .0005, u.buses[0], m, d, u, True)
    # --- the unit's side ----------------------------------------------------------------
    def server(s, t, b, m, d, u, func=False):
        sim = s.sim; v = sim.v
        if u.proto == "none" or u.state == "off" or u.boff: return
        here = s.bus if u is v.gateway else u.buses[0]
        if b is not here or u.open[b] or m.unit is u: return
        if u.txstop and not u.nosup: return                    # its program stands (nosup: the diagnosis still answers)
        k = d[0] >> 4
        if k == 3:
            cfs, u.cfs = u.cfs, []
            for i, f in enumerate(cfs): sim.at(t + .002 + i * .011, sim.oneshot, u, b, u.ans, f, u.gen, "diag", s.bus)
            return
        if k: return
        q = bytes(d[1:1 + d[0]])
        if not q: return
        inb = u.state == "boot"
        if inb and not (u.inboot or u.bootans): return
        a = s.reply(u, q, inb, func)
        if a is None: return
        if u.pend and q[0] in (0x19, 0x14): sim.at(t + u.p2, s.put, u, b, bytes([0x7F, q[0], 0x78]), u.gen); sim.at(t + u.p2 + .06, s.put, u, b, a, u.gen)
        else: sim.at(t + u.p2 * s.r.uniform(.8, 1.5), s.put, u, b, a, u.gen)
    def put(s, t, u, b, a, gen):
        p = bytes([s.sim.v.pad])
        if len(a) <= 7: s.sim.oneshot(t, u, b, u.ans, bytes([len(a)]) + a + p * (7 - len(a)), gen, "diag", s.bus)
        else:
            rest = a[6:]; u.cfs = []
            for i in range(0, len(rest), 7): x = rest[i:i + 7]; u.cfs.append(bytes([0x20 | (i // 7 + 1) & 15]) + x + p * (7 - len(x)))
            s.sim.oneshot(t, u, b, u.ans, bytes([0x10 | len(a) >> 8, len(a) & 255]) + a[:6], gen, "diag", s.bus)
    def reply(s, u, q, inb, func):
        v = s.sim.v; k = q[0]; pos = bytes([k + 0x40]); neg = lambda c: None if func and c in (0x11, 0x12, 0x31) else bytes([0x7F, k, c])
        if k == 0x3E: return None if len(q) > 1 and q[1] & 0x80 else pos + q[1:2]
        if k == 0x10: return None if q[1] & 0x80 and v.proto != "kwp" else pos + q[1:2] + (b"\x00\x32\x01\xf4" if v.proto != "kwp" else b"")
        if k in (0x28, 0x85):
            if k == 0x28: u.quiet = q[1] & 0x7F == 3
            return None if q[1] & 0x80 else pos + q[1:2]
        if inb: return neg(0x7F if k in (0x19, 0x22) else 0x11)
        if k in (0x22, 0x1A):
            if q[1:] in (b"\xf1\x90", b"\x90"):
                if u.role in ("yaw", "sas", "rain", "ibs", "nox"): return neg(0x31)
                return pos + q[1:] + (u.vin or v.vin).encode() if not u.uninit else pos + q[1:] + b"\xff" * 17
            if q[1:] in (b"\xf1\x87", b"\x9b"): return pos + q[1:] + b"%d%04d%03dA" % (u.code % 10, u.code, u.k)
            return pos + q[1:] + bytes([s.r.randrange(256), s.r.randrange(256)]) if s.r.random() < .8 else neg(0x31)
        if k == 0x19 and v.proto == "uds":
            out = pos + bytes([2, v.avail])
            for (c, f), st in u.dtc.items():
                if st & v.avail & q[2]: out += bytes([c >> 8, c & 255, f, st & v.avail])
            return out
        if k == 0x18 and v.proto == "kwp":
            l = [(c, st) for (c, f), st in u.dtc.items() if st & 0x0D]
            return pos + bytes([len(l)]) + b"".join(bytes([c >> 8, c & 255, 0x60 | (0x80 if st & 1 else 0)]) for c, st in l)
        if k in (3, 7):
            l = [c for (c, f), st in u.dtc.items() if st & (8 if k == 3 else 4)]
            if func and u.role not in ("engine", "gearbox"): return None
            return pos + bytes([len(l)]) + b"".join(bytes([c >> 8, c & 255]) for c in l)
        if k in (0x14, 4): 
            u.dtc = {}
            for w in u.watch:
                if w.bad: w.bad = False; w.cnt = 0
            return pos if k == 4 or v.proto != "kwp" else pos + q[1:]
        if k == 1:
            if u.role not in ("engine", "gearbox"): return None if func else neg(0x11)
            return pos + q[1:2] + (b"\x08\x00\x00\x01" if q[1:2] == b"\0" else bytes([s.r.randrange(120)]))
        return neg(0x11)
