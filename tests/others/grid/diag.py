"""What a workshop's tester does, and what the units answer."""


def status(u, c, uds=True):
    a, conf, pend, _ = u.codes[c][:4]
    if uds:
        if len(u.codes[c]) > 4:
            return u.codes[c][4]
        return (0x2F if conf else 0x27) if a else (0x2C if pend else 0x28) if conf else 0x24
    return (0xE0 if a else 0x20) | (c[1] & 0xF)


def say(s, t, u, bus, payload):
    """ISO-TP; longer answers wait for the tester's flow control."""
    pad = lambda d: d if u.padding is None else d + bytes([u.padding]) * (8 - len(d))
    ext = s.v.ext
    if len(payload) <= 7:
        s.raw(t, u, bus, u.ans, ext, pad(bytes([len(payload)]) + payload), u.epoch)
        u.rest = None
    else:
        s.raw(t, u, bus, u.ans, ext, bytes([0x10 | len(payload) >> 8, len(payload) & 255]) + payload[:6], u.epoch)
        u.rest = payload[6:]


def answer(s, t, u, ident, data, bus):
    if s.v.kind == "truck":
        return truck_answer(s, t, u, ident, data)
    if u.ans is None or not data:
        return
    rng = s.rng
    if data[0] >> 4 == 3:
        rest = getattr(u, "rest", None)
        if rest:
            u.rest = None
            n, x = 1, t + .001
            while rest:
                c, rest = rest[:7], rest[7:]
                d = bytes([0x20 | n & 15]) + c
                if u.padding is not None:
                    d += bytes([u.padding]) * (8 - len(d))
                s.at(x, s.raw, u, bus, u.ans, s.v.ext, d, u.epoch)
                n, x = n + 1, x + rng.uniform(.0008, .012)
        return
    if data[0] >> 4:
        return
    q = data[1:1 + data[0]]
    if not q:
        return
    func = ident in (0x7DF, 0x18DB33F1)
    sid = q[0]
    kwp = u.dialect.startswith("kwp")
    neg = lambda nrc: bytes([0x7F, sid, nrc])
    out = None
    if sid in (0x03, 0x07, 0x0A) and u.obd:
        cs = [c for c in u.codes if (u.codes[c][1] if sid != 7 else u.codes[c][2] or u.codes[c][0])]
        cs = sorted({c[0] for c in cs if u.codes[c][1] or sid == 7})
        out = bytes([sid + 0x40, len(cs)]) + b"".join(bytes([c >> 8, c & 255]) for c in cs)
    elif sid == 0x04 and u.obd:
        clear(u); out = b"\x44"
    elif sid == 0x09 and u.obd and len(q) > 1 and q[1] == 2:
        out = b"\x49\x02\x01" + u.vin.encode() if u.vin_known else None
    elif sid == 0x01 and u.obd:
        p = q[1] if len(q) > 1 else 0
        out = bytes([0x41, p]) + {0: b"\xBE\x1F\xA8\x13", 1: bytes([0x80 | len(u.codes) & 127 if u.codes else 0, 7, 0xE5, 0]), 0x0C: b"\x0C\x80", 0x0D: b"\x00"}.get(p, b"\0")
    elif sid == 0x3E:
        out = None if len(q) > 1 and q[1] & 0x80 else bytes([0x7E]) + q[1:2]
    elif sid == 0x10:
        out = bytes([0x50, q[1]]) + (b"" if kwp else b"\x00\x32\x01\xF4")
    elif sid == 0x19 and len(q) > 1:
        if kwp:
            out = neg(0x11)
        elif q[1] == 2:
            mask = q[2] if len(q) > 2 else 255
            cs = [c for c in u.codes if status(u, c) & mask & u.avail]
            out = bytes([0x59, 2, u.avail]) + b"".join(bytes([c[0] >> 8, c[0] & 255, c[1], status(u, c) & u.avail]) for c in cs)
        elif q[1] == 1:
            out = bytes([0x59, 1, u.avail, 1, 0, len([c for c in u.codes if status(u, c) & (q[2] if len(q) > 2 else 255)])])
        else:
            out = neg(0x12)
    elif sid == 0x18:
        if not kwp or (len(q) > 1 and q[1] != (2 if u.dialect == "kwp02" else 0)):
            out = neg(0x12 if kwp else 0x11)
        else:
            out = bytes([0x58, len(u.codes)]) + b"".join(bytes([c[0] >> 8, c[0] & 255, status(u, c, False)]) for c in u.codes)
    elif sid == 0x14:
        clear(u); out = b"\x54" + (q[1:3] if kwp else b"")
    elif sid == 0x22:
        if q[1:3] == b"\xF1\x90" and u.vin_known:
            out = b"\x62\xF1\x90" + u.vin.encode()
        elif q[1:2] == b"\xF1" and q[1:3] != b"\xF1\x90" and not kwp:
            out = b"\x62" + q[1:3] + bytes([48 + (u.idx * 7 + i * i) % 10 for i in range(10)])
        else:
            out = neg(0x31 if not kwp else 0x11)
    elif sid == 0x1A and kwp:
        out = b"\x5A\x90" + u.vin.encode() if u.vin_known else neg(0x12)
    elif sid == 0x31:
        out = rng.choice([b"\x71" + q[1:4], neg(0x22), neg(0x31)])
    else:
        out = neg(0x11)
    if func and out is not None and out[0] == 0x7F:
        return
    if out is None:
        return
    d = u.p2 * rng.uniform(.7, 1.5)
    if u.slowdiag and sid in (0x19, 0x18, 0x14, 0x31) and rng.random() < .7:
        s.at(t + d, s.raw, u, bus, u.ans, s.v.ext, bytes([3, 0x7F, sid, 0x78]) + (b"" if u.padding is None else bytes([u.padding]) * 4), u.epoch)
        d += rng.uniform(.04, .3)
    s.at(t + d, lambda tt: say(s, tt, u, bus, out) if u.up else None)


def clear(u):
    u.codes = {c: x for c, x in u.codes.items() if len(x) > 5}
    for w in u.watch:
        w["bad"] = False


def truck_answer(s, t, u, ident, data):
    if ident >> 16 & 0xFF != 0xEA or len(data) < 3:
        return
    dst, pgn = ident >> 8 & 0xFF, data[0] | data[1] << 8
    if dst not in (0xFF, u.addr):
        return
    from sim import bam
    d = s.rng.uniform(.005, .18)
    pre = [c for c, x in u.codes.items() if not x[0] and x[1]]
    act = [c for c, x in u.codes.items() if x[0]]
    ack = lambda k: s.at(t + d, s.raw, u, u.bus, 0x18E8FF00 | u.addr, True, bytes([k, 255, 255, 255, 0xF9, pgn & 255, pgn >> 8, 0]), u.epoch)
    if pgn == 0xFECB:
        if u.dm2:
            s.at(t + d, lambda tt: bam(s, tt, u, pgn, pre, 0x18FECB00 | u.addr, None) if u.up else None)
        elif dst != 0xFF:
            ack(1)
    elif pgn == 0xFECA:
        s.at(t + d, lambda tt: bam(s, tt, u, pgn, act, 0x18FECA00 | u.addr, None) if u.up else None)
    elif pgn in (0xFECC, 0xFED3):
        u.codes = {c: x for c, x in u.codes.items() if x[0] != (pgn == 0xFED3)}
        if pgn == 0xFED3:
            for w in u.watch:
                w["bad"] = False
        if dst != 0xFF:
            ack(0)
    elif dst != 0xFF:
        ack(1)


class Tester:
    """One visit of the tester: a list of (request id, payload, answer ids or None, wait)."""

    def __init__(s, sim, t, steps, pad, gap, ext):
        s.sim, s.steps, s.i, s.pad, s.gap, s.ext = sim, steps, 0, pad, gap, ext
        s.open, s.got, s.token = {}, set(), 0
        s.first = s.last = None
        s.clears = []
        sim.testers.append(s)
        sim.at(t, s.step)

    def step(s, t):
        s.token += 1
        if s.i >= len(s.steps):
            return
        s.req, q, s.ans, wait = s.steps[s.i]
        s.i += 1
        s.open, s.got = {}, set()
        if q[:1] in (b"\x14", b"\x04") and s.sim.v.kind != "truck":
            s.clears.append(t)
        if s.sim.v.kind == "truck":
            if q[:1] in (b"\xD3", b"\xCC"):
                s.clears.append(t)
            d = q
        else:
            d = bytes([len(q)]) + q
            d += bytes([s.pad]) * (8 - len(d))
        if s.first is None:
            s.first = t
        s.last = t
        s.sim.raw(t, None, 0, s.req, s.ext, d)
        s.sim.at(t + wait, s.timeout, s.token)

    def timeout(s, t, token):
        if token == s.token:
            s.step(t)

    def heard(s, t, ident, ext, d):
        if s.ext and s.sim.v.kind == "truck":
            return
        known = s.sim.byans.get(ident)
        if known is None or not d or s.i == 0:
            return
        k = d[0] >> 4
        if k == 1:
            n = (d[0] & 15) << 8 | d[1]
            s.open[ident] = n - 6
            s.sim.raw(t + .001, None, 0, known.req, s.ext, bytes([0x30, 0, 0]) + bytes([s.pad]) * 5)
        elif k == 2 and ident in s.open:
            s.open[ident] -= 7
            if s.open[ident] <= 0:
                s.done(t, ident)
        elif k == 0 and not (len(d) > 3 and d[1] == 0x7F and d[3] == 0x78):
            s.done(t, ident)

    def done(s, t, ident):
        if s.ans == ident:
            s.token += 1
            s.sim.at(t + s.gap * s.sim.rng.uniform(.5, 1.5), s.step2, s.token)

    def step2(s, t, token):
        if token == s.token:
            s.step(t)
