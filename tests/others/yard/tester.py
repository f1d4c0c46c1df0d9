"""The workshop's tester, and the transport of long messages (ISO 15765-2, SAE J1939-21)."""
from spans import has


def spn3(code):
    spn, fmi = code
    return bytes((spn & 255, spn >> 8 & 255, (spn >> 16 & 7) << 5 | fmi))


def dm_body(codes):
    """DM1/DM2: lamps and codes."""
    b = bytes((0x04 if codes else 0, 0xFF))
    for c in codes:
        b += spn3(c) + b"\x01"
    return b if codes else b + b"\0\0\0\0"


def bam(rng, t, sa, pgn, body, u):
    """One frame, or the broadcast transport of J1939. Yields (t, id, ext, data, unit)."""
    if len(body) <= 8:
        return [(t, 0x18000000 | pgn << 8 | sa, True, body + b"\xff" * (8 - len(body)), u)]
    n = (len(body) + 6) // 7
    out = [(t, 0x1CECFF00 | sa, True, bytes((32, len(body) & 255, len(body) >> 8, n, 255, pgn & 255, pgn >> 8, 0)), u)]
    gap = rng.choice((.05, .06, .1))
    for k in range(n):
        t += gap
        out.append((t, 0x1CEBFF00 | sa, True, bytes((k + 1,)) + body[k * 7:k * 7 + 7].ljust(7, b"\xff"), u))
    return out


class Tester:
    def __init__(s, rng, v, sc, book, alive, scan_wish, vin, boot=()):
        s.boot = boot
        s.rng, s.v, s.sc, s.book, s.alive, s.vin = rng, v, sc, book, alive, vin
        s.frames, s.scans, s.clears, s.named, s.vinread = [], [], [], set(), set()
        s.pad = rng.choice((0, 0, 0x55, 0xAA, 0xCC))
        D, rng = sc.D, s.rng
        plan = []
        r = rng.random()
        if scan_wish or r < .5:
            late = scan_wish == "late"
            t = rng.uniform(.62, .8) * D if late else rng.choice((rng.uniform(.2, 2), rng.uniform(.1, .8) * D, rng.uniform(.5, .8) * D))
            if not late and rng.random() < .25:
                plan.append((t * .4, "scan"))
            plan.append((t, "scan"))
            if rng.random() < .25:
                plan.append((t + .02 * D + 1, "clear"))
                if rng.random() < .7:
                    plan.append((min(.93 * D, t + .1 * D + 3), "scan"))
        if v.kind != "truck" and rng.random() < .12:
            plan.append((rng.uniform(0, .4) * D, "obd"))
        if rng.random() < .12:
            plan.append((rng.uniform(-1, .5) * D, "left"))
        if rng.random() < .08 and v.kind != "truck":
            plan.append((-1, "polling"))
        if rng.random() < .08:
            plan.append((rng.uniform(.1, .6) * D, "routine"))
        plan.sort()
        now = -1.
        for t, what in plan:
            if what in ("left", "polling"):
                getattr(s, what)(max(t, 0))
            else:
                now = getattr(s, what)(max(now + .3, t))

    def put(s, t, u, id_, data, ans, ch=None):
        """A frame of the tester or an answer; behind a gateway it is on both buses."""
        ext = id_ > 0x7FF
        who = u.idx if ans else None
        c = u.chan
        if c == 1:
            if s.v.channels == 2:
                s.frames.append((1, t + (0 if ans else .0007), id_, ext, data, who))
            s.frames.append((0, t + (.0007 if ans else 0), id_, ext, data, s.v.gw.idx if ans and s.v.gw else None))
        else:
            s.frames.append((0, t, id_, ext, data, who))

    def ask(s, t, u, req, ans):
        """One question and its answer (None: silence); returns (time after it, answered)."""
        rng = s.rng
        s.put(t, u, u.request, bytes((len(req),)) + req + bytes((s.pad,)) * (7 - len(req)), False)
        if u.idx in s.boot and req[0] not in (0x10, 0x3E) and ans is not None:
            ans = bytes((0x7F, req[0], 0x11 if req[0] == 0x19 else 0x31))
        if ans is None or u.nodiag or not s.alive(u, t):
            return t + rng.uniform(.05, .3), False
        t += u.answerlag * rng.uniform(.7, 1.6)
        fill = bytes((u.pad,)) if u.pad is not None else b""
        if u.pend and len(ans) > 6:
            s.put(t, u, u.answer, bytes((3, 0x7F, req[0], 0x78)) + fill * 4, True); t += rng.uniform(.03, .2)
        if not s.alive(u, t):
            return t + .2, False
        if len(ans) <= 7:
            s.put(t, u, u.answer, bytes((len(ans),)) + ans + fill * (7 - len(ans)), True)
            return t + rng.uniform(.004, .06), True
        s.put(t, u, u.answer, bytes((0x10 | len(ans) >> 8, len(ans) & 255)) + ans[:6], True)
        t += rng.uniform(.001, .008)
        s.put(t, u, u.request, bytes((0x30, 0, 0)) + bytes((s.pad,)) * 5, False)
        t += rng.uniform(.001, .01)
        rest, n = ans[6:], 1
        while rest:
            if not s.alive(u, t):
                return t + 1, False
            d = bytes((0x20 | n & 15,)) + rest[:7]
            s.put(t, u, u.answer, d + fill * (8 - len(d)), True)
            rest, n, t = rest[7:], n + 1, t + max(u.st / 1000, .0004) * s.rng.uniform(1, 1.3)
        return t + rng.uniform(.004, .06), True

    def reachable(s):
        return [u for u in s.v.units if u.chan == 0 or s.v.gw]

    def scan(s, t):
        rng, v = s.rng, s.v
        s.scans.append(t)
        if v.kind == "truck":
            t = s.dm2(t)
            if not v.udstruck:
                return t
        us = s.reachable()
        if rng.random() < .4:
            us = us[:]; rng.shuffle(us)
        if rng.random() < .15 and len(us) > 4:
            us = us[:rng.randrange(3, len(us))]
        session, ident, mask = rng.random() < .5, rng.random() < (.9 if s.vin else .3), rng.choice((0xFF, 0x09, 0x2F, 0x08, 0xAF))
        gap = rng.choice((0, .02, .1, .3))
        for u in us:
            if t > s.sc.D:
                break
            t += gap * rng.uniform(.5, 1.5)
            if v.kind == "truck" and u.nodiag and rng.random() < .7:
                continue
            ok = True
            if session or u.protocol == "kwp":
                for k in range(rng.choice((1, 2, 3))):
                    t, ok = s.ask(t, u, b"\x10\x89" if u.protocol == "kwp" else b"\x10\x03", b"\x50\x89" if u.protocol == "kwp" else b"\x50\x03\x00\x32\x01\xf4")
                    if ok:
                        break
                if not ok:
                    continue
            if ident:
                x = s.vin.get(u.idx, v.vin)
                if u.rank < 2 or u.name in ("body", "cluster", "restraints") or u.idx in s.vin:
                    if u.protocol == "kwp":
                        t, ok = s.ask(t, u, b"\x1a\x90", b"\x5a\x90" + x.encode("latin1"))
                    else:
                        t, ok = s.ask(t, u, b"\x22\xf1\x90", b"\x62\xf1\x90" + x.encode("latin1"))
                    if ok and u.idx in s.vin:
                        s.vinread.add(u.idx)
                elif u.protocol != "kwp" and rng.random() < .5:
                    t, ok = s.ask(t, u, b"\x22\xf1\x90", b"\x7f\x22\x31")
            t = s.read(t, u, mask)
        return t

    def read(s, t, u, mask):
        body, named = b"", set()
        for code, act, cyc, keys in s.book.at(u.idx, t):
            st = u.status[0 if act else 1 if cyc else 2]
            if not st & mask and u.protocol != "kwp":
                continue
            named |= {k[1] for k in keys if k[0] in ("lost", "invalid", "unconfigured")}
            if any(k[0] == "bus" for k in keys):
                named.add("bus")
            if s.v.kind == "truck":
                body += spn3(code) + bytes((st,))
            elif u.protocol == "kwp":
                body += code[0].to_bytes(2, "big") + bytes((0x60 if act else 0x20,))
            else:
                body += code[0].to_bytes(2, "big") + bytes((code[1], st))
        if u.protocol == "kwp":
            t, ok = s.ask(t, u, b"\x18\x00\xff\x00", bytes((0x58, len(body) // 3)) + body)
        else:
            t, ok = s.ask(t, u, bytes((0x19, 2, mask)), bytes((0x59, 2, 0xFF)) + body)
        if ok:
            s.named |= {(n, u.idx) for n in named}
        return t

    def dm2(s, t):
        rng, v = s.rng, s.v
        sa = v.tester_id
        s.frames.append((0, t, 0x18EAFF00 | sa, True, b"\xcb\xfe\x00", None))
        for u in v.units:
            if u.chan != 0 or not s.alive(u, t) or rng.random() < .1:
                continue
            c = [x for x in s.book.at(u.idx, t) if not x[1]]
            for k in c:
                s.named |= {(q[1], u.idx) for q in k[3] if q[0] in ("lost", "invalid")}
            for f in bam(rng, t + rng.uniform(.005, .15), u.sa, 0xFECB, dm_body([x[0] for x in c]), u.idx):
                s.frames.append((0,) + f)
        return t + 1.3

    def clear(s, t):
        s.clears.append(t)
        if s.v.kind == "truck":
            s.frames.append((0, t, 0x18EAFF00 | s.v.tester_id, True, b"\xcc\xfe\x00", None))
            for u in s.v.units:
                if u.chan == 0 and s.alive(u, t):
                    s.book.clears[u.idx].append(t + .02)
                    if s.rng.random() < .6:
                        s.frames.append((0, t + s.rng.uniform(.01, .2), 0x18E8FF00 | u.sa, True, b"\x00\xff\xff\xff" + bytes((s.v.tester_id,)) + b"\xcc\xfe\x00", u.idx))
            return t + 1
        for u in s.reachable():
            t2, ok = s.ask(t, u, b"\x14\xff\x00" if u.protocol == "kwp" else b"\x14\xff\xff\xff", b"\x54\xff\x00" if u.protocol == "kwp" else b"\x54")
            if ok:
                s.book.clears[u.idx].append(t)
            t = t2
        return t

    def obd(s, t):
        """Services 03, 07 to everybody (ISO 15031-5), answered by the drive controllers."""
        us = [u for u in s.v.units if 0x7E8 <= u.answer <= 0x7EF and not u.nodiag and u.chan == 0]
        for sid in (1, 3, 7):
            s.frames.append((0, t, 0x7DF, False, (b"\x02\x01\x01" if sid == 1 else bytes((1, sid))).ljust(8, b"\0"), None))
            for u in us:
                if not s.alive(u, t):
                    continue
                c = [x for x in s.book.at(u.idx, t) if (x[1] if sid == 7 else True)][:2]
                a = b"\x41\x01" + bytes((0x80 | len(c) if c else 0, 7, 0xE5, 0)) if sid == 1 else bytes((0x40 | sid, len(c))) + b"".join(x[0][0].to_bytes(2, "big") for x in c)
                s.frames.append((0, t + u.answerlag, u.answer, False, (bytes((len(a),)) + a).ljust(8, b"\0"), u.idx))
                if sid == 3:
                    s.named |= {(k[1], u.idx) for x in c for k in x[3] if k[0] == "lost"}
                    s.scans.append(t) if t not in s.scans else None
            t += s.rng.uniform(.1, .6)
        return t

    def left(s, t):
        """A tester left plugged in: says that it is present, reads one value again and again."""
        us = [u for u in s.reachable() if not u.nodiag]
        if not us:
            return
        u = s.rng.choice(us); every = s.rng.choice((.1, .25, .5, 2)); n = 0
        did = s.rng.randrange(1, 0xEFFF).to_bytes(2, "big")
        while t < s.sc.D and n < 400:
            if s.rng.random() < .15 or every == 2:
                s.ask(t, u, b"\x3e\x80", None)
            else:
                s.ask(t, u, b"\x22" + did, b"\x62" + did + bytes((s.rng.randrange(256), n & 255)))
            t += every * s.rng.uniform(.95, 1.1); n += 1

    def polling(s, t):
        """A telematics dongle asks for engine speed and road speed."""
        us = [u for u in s.v.units if u.answer == 0x7E8 and u.chan == 0]
        every = s.rng.choice((.5, 1, 2)); n = 0
        while t < s.sc.D:
            s.frames.append((0, t, 0x7DF, False, bytes((2, 1, (0x0C, 0x0D)[n % 2])).ljust(8, b"\0"), None))
            for u in us:
                if s.alive(u, t):
                    a = b"\x04\x41\x0c\x0b\x70" if n % 2 == 0 else b"\x03\x41\x0d\x00"
                    s.frames.append((0, t + u.answerlag, u.answer, False, a.ljust(8, b"\0"), u.idx))
            t += every; n += 1

    def routine(s, t):
        """Actuator test or routine of one controller."""
        us = [u for u in s.reachable() if not u.nodiag]
        if us:
            u = s.rng.choice(us)
            t, _ = s.ask(t, u, b"\x10\x03", b"\x50\x03\x00\x32\x01\xf4")
            for _ in range(s.rng.randrange(1, 4)):
                t, _ = s.ask(t, u, b"\x31\x01\x02\x03", b"\x71\x01\x02\x03\x00" if s.rng.random() < .7 else b"\x7f\x31\x22")
                t += s.rng.uniform(.2, 1)
        return t
