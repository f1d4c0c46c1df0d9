"""A workshop's tester at the connector: UDS (ISO 14229), KWP 2000 on CAN, OBD (ISO 15031-5),
SAE J1939-73; transport after ISO 15765-2. A generator that yields waiting times."""


def path(s, u):
    """(bus, who sends the answer on it) or None when no answer can come back."""
    v = s.v
    if v.buses[u.bus].channel is not None:
        bi, via = u.bus, u
    elif v.gw is not None and v.units[v.gw].buses and v.dlcbus in v.units[v.gw].buses:
        bi, via = v.dlcbus, v.units[v.gw]
    else:
        return None
    return bi, via


def alive(s, u, bi, via):
    ok = u.ready and not u.diagdead and u.link[u.bus] == "ok" and u.off_until[u.bus] <= s.now
    return ok and (via is u or via.ready and not via.halted and via.link[bi] == "ok" and via.link[u.bus] == "ok")


def fill(s, b):
    return bytes(b) + bytes([s.v.pad]) * (8 - len(b)) if s.v.padded else bytes(b)


def ask(s, u, data, reply, out):
    """One request; reply() gives the answer's bytes. Sets out[0] True when it came."""
    v, r = s.v, s.r
    out[0] = False
    p = path(s, u)
    if p is None:
        return
    bi, via = p
    ext = v.era == "car29"
    for attempt in range(1 + v.retries):
        s.queue(s.tool, bi, u.request, ext, bytes([len(data)]) + bytes(data) + bytes([v.pad]) * (7 - len(data)), None, True)
        yield .001 + u.p2 * (.6 + r.random()) + (0 if via is u else .004)
        if not alive(s, u, bi, via):
            yield v.p2max
            continue
        if r.random() < v.pending:
            s.queue(via, bi, u.answer, ext, fill(s, [3, 0x7F, data[0], 0x78]), None, True)
            yield r.uniform(.02, .2)
            if not alive(s, u, bi, via):
                yield v.p2max
                continue
        ans = reply()
        if len(ans) <= 7:
            s.queue(via, bi, u.answer, ext, fill(s, [len(ans)] + list(ans)), None, True)
            yield .0015
        else:
            s.queue(via, bi, u.answer, ext, bytes([0x10 | len(ans) >> 8, len(ans) & 255]) + bytes(ans[:6]), None, True)
            yield .002
            s.queue(s.tool, bi, u.request, ext, bytes([0x30, 0, 0]) + bytes([v.pad]) * 5, None, True)
            pos, sn = 6, 1
            while pos < len(ans):
                yield .0012 + v.stmin
                if not alive(s, u, bi, via):
                    yield v.p2max
                    return
                s.queue(via, bi, u.answer, ext, fill(s, [0x20 | sn & 15] + list(ans[pos:pos + 7])), None, True)
                pos, sn = pos + 7, sn + 1
            yield .001
        out[0] = True
        s.answers.append((s.now, u.i))
        return


def codes(s, u, mask):
    l = [(c, st) for c, st in u.dtcs.items() if st & mask] + [((a, b, f), st) for a, b, f, st in u.other if st & mask]
    s.note(u, [c for c, st in l if not st & 1], False)
    s.note(u, [c for c, st in l if st & 1], True)
    return l


def r1902(s, u):
    out = [0x59, 2, s.v.avail]
    for (a, b, f), st in codes(s, u, s.v.mask19):
        out += [a, b, f, st & s.v.avail]
    return out


def rkwp(s, u):
    l = codes(s, u, 0xFF)
    out = [0x58, len(l)]
    for (a, b, f), st in l:
        out += [a, b, 0x60 if st & 1 else 0x20]
    return out


def session(s, t, kind):
    v, r = s.v, s.r
    s.scans.append(t) if kind in ("scan",) else None
    if kind == "clear":
        s.clears.append(t)
    if v.kind == "truck":
        yield from truck(s, kind)
        return
    us = sorted([u for u in v.units if u.request], key=lambda u: u.request)
    out = [False]
    if v.proto == "obd" or r.random() < .15:
        yield from obd(s, kind)
        if v.proto == "obd":
            return
    if v.only:                                             # a tester that speaks to some only
        us = [u for u in us if u.i in v.only] or us
    for u in us:
        if kind == "clear":
            def done(u=u):
                u.dtcs.clear()
                u.other = []
                return [0x54]
            yield from ask(s, u, [0x14, 0xFF, 0xFF, 0xFF] if v.proto == "uds" else [0x14, 0xFF, 0], done, out)
        elif kind == "live":
            for _ in range(r.choice([3, 10])):
                yield from ask(s, u, [0x22, 0xF4, 0x0C], lambda: [0x62, 0xF4, 0x0C, r.randrange(30), r.randrange(256)], out)
                yield r.uniform(.02, .1)
        else:
            if v.session:
                yield from ask(s, u, [0x10, 3], lambda: [0x50, 3, 0, 0x32, 1, 0xF4], out)
                if not out[0]:
                    continue
            if v.askvin and v.proto == "uds":
                def vin(u=u):
                    if u.name in ("rain", "angle", "nox"):
                        return [0x7F, 0x22, 0x31]
                    u.vinread = True
                    return [0x62, 0xF1, 0x90] + list((v.othervin if getattr(u, "used", False) else v.vin).encode())
                yield from ask(s, u, [0x22, 0xF1, 0x90], vin, out)
            if v.proto == "uds":
                yield from ask(s, u, [0x19, 2, v.mask19], lambda: r1902(s, u), out)
            else:
                yield from ask(s, u, [0x18, 2, 0xFF, 0], lambda: rkwp(s, u), out)
        yield r.uniform(.002, v.pace)


def obd(s, kind):
    v, r = s.v, s.r
    ext = v.era == "car29"
    fid = 0x18DB33F1 if ext else 0x7DF
    for svc in ([4] if kind == "clear" else [1, 3, 7, 0x0A] if kind == "scan" else [1, 1, 1]):
        us = [u for u in v.units if u.name in ("engine", "gearbox", "hvbattery", "motor") and u.answer]
        bi = None
        for u in us:
            p = path(s, u)
            if p:
                bi = p[0]
        if bi is None:
            return
        s.queue(s.tool, bi, fid, ext, bytes([1 if svc != 1 else 2, svc] + ([0] if svc == 1 else [])) + bytes([v.pad]) * (6 if svc != 1 else 5), None, True)
        yield r.uniform(.004, .03)
        for u in us:
            p = path(s, u)
            if not p or not alive(s, u, *p):
                continue
            if svc == 1:
                ans = [0x41, 0, 0xBE, 0x1F, 0xB8, 0x10] if u.name == "engine" else [0x41, 0, 0x80, 0, 0, 1]
            elif svc == 4:
                u.dtcs.clear()
                ans = [0x44]
            else:
                l = [(c, st) for c, st in u.dtcs.items() if st & (4 if svc == 7 else 8)][:2]
                s.note(u, [c for c, st in l], False)
                ans = [0x40 + svc, len(l)] + [x for (a, b, f), st in l for x in (a, b)]
            s.queue(p[1], p[0], u.answer, ext, fill(s, [len(ans)] + ans), None, True)
            s.answers.append((s.now, u.i))
            yield r.uniform(.001, .006)
        yield r.uniform(.03, .2)


def truck(s, kind):
    v, r = s.v, s.r
    bi = v.dlcbus
    if kind == "live":
        for pgn in (0xFEEC, 0xFEE5, 0xFEDA):
            s.queue(s.tool, bi, 0x18EAFFF9, True, bytes([pgn & 255, pgn >> 8, 0]), None, True)
            yield .3
        return
    pgns = [0xFECA, 0xFECB] if kind == "scan" else [0xFECC, 0xFED3]
    for pgn in pgns:
        s.queue(s.tool, bi, 0x18EAFFF9, True, bytes([pgn & 255, pgn >> 8, 0]), None, True)
        yield r.uniform(.005, .02)
        for u in v.units:
            if u.ready and not u.diagdead and u.link[u.bus] == "ok" and u.bus == bi and u.dmok:
                if kind == "clear":
                    keep = {c: x for c, x in u.dtcs.items() if (x & 1) != (pgn == 0xFED3)}
                    u.dtcs.clear()
                    u.dtcs.update(keep)
                    s.queue(u, bi, 0x18E8FF00 | u.sa, True, bytes([0, 0xFF, 0xFF, 0xFF, 0xF9, pgn & 255, pgn >> 8, 0]), None, True)
                else:
                    data, l = s.dm_bytes(u, pgn == 0xFECA)
                    s.j_send(u, pgn, data, l)
                s.answers.append((s.now, u.i))
                yield r.uniform(.001, .01)
        yield r.uniform(.5, 1.5)
