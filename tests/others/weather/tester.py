"""The workshop's tester: asks for codes, identities, clears. Exchanges are laid out in time; a unit answers if it runs and is reached."""
from spans import inside, minus, both
import codes


def tp(payload, pad):
    """ISO 15765-2: frames of one message."""
    if len(payload) <= 7:
        f = bytes([len(payload)]) + payload
        return [f + bytes([pad]) * (8 - len(f)) if pad is not None else f]
    out = [bytes([0x10 | len(payload) >> 8, len(payload) & 255]) + payload[:6]]
    k, n = 6, 1
    while k < len(payload):
        f = bytes([0x20 | n & 15]) + payload[k:k + 7]
        out.append(f + bytes([pad]) * (8 - len(f)) if pad is not None else f)
        k, n = k + 7, n + 1
    return out


class Tester:
    def __init__(self, r, v, w, st, S, cs):
        self.r, self.v, self.w, self.st, self.S, self.cs = r, v, w, st, S, cs
        self.out, self.scans, self.clears, self.named = [], [], [], set()
        self.pad = r.choice([0, 0x55, 0xAA, 0xFF, 0xCC, None])
        self.upad = r.choice([0, 0x55, 0xAA, 0xFF])
        self.dead = [(a, b) for a, b, c in S.short if c == 0] + [(f[0], f[1]) for f in S.flood]

    def reached(self, u, t):
        if any(a <= t < b for a, b in self.dead) or u.ans is None:
            return False
        if not inside(self.st.diag[u.i], t) or inside(self.st.off[u.i], t):
            return False
        if any(a <= t < b and p > .5 for a, b, p in self.S.stuberr.get(u.i, [])):
            return False
        if u.ch == 1 and self.v.gw is not None:
            g = self.v.gw
            return bool(inside(self.st.diag[g], t)) and not inside(self.st.off[g], t)
        return True

    def put(self, t, ident, data, unit):
        if 0 <= t < self.w.dur and not any(a <= t < b for a, b in self.dead):
            self.out.append((t, ident, data.hex().upper(), unit))

    def ask(self, t, u, req, reply, reqid=None):
        """One request and its answer; returns the time after it."""
        r = self.r
        for f in tp(bytes(req), self.pad):
            self.put(t, reqid or u.req, f, -1)
        if reply is None or not self.reached(u, t):
            return t + r.choice([.05, .1, .25, 1.0]) * r.uniform(.9, 1.1)
        t += u.reply * r.uniform(.6, 1.7)
        if u.pend and len(reply) > 7:
            self.put(t, u.ans, tp(bytes([0x7F, req[0], 0x78]), self.upad)[0], u.i)
            t += r.uniform(.02, .2)
        fs = tp(bytes(reply), self.upad)
        self.put(t, u.ans, fs[0], u.i)
        if len(fs) > 1:
            t += .003
            self.put(t, u.req, bytes([0x30, 0, r.choice([0, 1, 5])]) + bytes([self.pad or 0] * 5), -1)
            for f in fs[1:]:
                t += r.uniform(.001, .006)
                self.put(t, u.ans, f, u.i)
        return t + r.uniform(.004, .05)

    def scan(self, t, order, vin, style, ghosts):
        v, r = self.v, self.r
        self.scans.append(t)
        if v.truck:
            return self.truckscan(t)
        if r.random() < .3:                       # first what the law asks: services 03 and 07, to all at once
            for svc in (3, 7):
                self.put(t, 0x7DF if not v.ext else 0x18DB33F1, tp(bytes([svc]), self.pad)[0], -1)
                for u in v.units:
                    if u.name in ("engine", "gearbox", "fuelpump") and u.ans and self.reached(u, t) and (u.ans in (0x7E8, 0x7E9) or v.ext):
                        c = [x for x in codes.at(v, u, self.cs, t, self.clears) if x[2] & (8 if svc == 3 else 4)]
                        self.named |= {(u.i, n) for n, f, s in c}
                        self.seen = getattr(self, "seen", 0) + len(c)
                        x = t + u.reply * r.uniform(.5, 1.5)
                        for k, f in enumerate(tp(bytes([0x40 + svc, len(c)] + [b for n, f, s in c for b in (n >> 8, n & 255)]), self.upad)):
                            if k == 1:
                                self.put(x, u.req, bytes([0x30, 0, 0] + [self.pad or 0] * 5), -1)
                            x += .004
                            self.put(x, u.ans, f, u.i)
                t += r.uniform(.15, .4)
        for u in order:
            if u is None:
                t = self.ask(t, v.units[0], [0x19, 0x02, 0xFF] if style != "kwp" else [0x18, 0, 0xFF, 0], None, ghosts[r.randrange(len(ghosts))])
                continue
            if u.ans is None:
                continue
            if style == "session":
                t = self.ask(t, u, [0x10, 3], [0x50, 3, 0, 0x32, 1, 0xF4])
            if vin:
                t = self.ask(t, u, [0x22, 0xF1, 0x90], [0x62, 0xF1, 0x90] + list((u.vin or v.vin).encode()) if u.hasvin else [0x7F, 0x22, 0x31])
            c = codes.at(v, u, self.cs, t, self.clears)
            if self.reached(u, t):
                self.named |= {(u.i, n) for n, f, s in c}
                self.seen = getattr(self, "seen", 0) + len(c)
            if style == "kwp":
                body = [0x58, len(c)]
                for n, f, s in c[:40]:
                    body += [n >> 8, n & 255, 0xE0 if s & 1 else 0x20 if s & 8 else 0x40]
                t = self.ask(t, u, [0x18, 0, 0xFF, 0], body)
            else:
                body = [0x59, 2, u.smask]
                for n, f, s in c[:40]:
                    body += [n >> 8, n & 255, f, s]
                t = self.ask(t, u, [0x19, 2, v.askmask], body)
            if r.random() < .1:
                t = self.ask(t, u, [0x3E, 0], [0x7E, 0])
        return t

    def truckscan(self, t):
        v, r = self.v, self.r
        for pgn in (0xFECA, 0xFECB):
            self.put(t, 0x18EAFFF9, bytes([pgn & 255, pgn >> 8, 0]), -1)
            for u in v.units:
                if inside(self.st.diag[u.i], t) and not inside(self.st.off[u.i], t) and (u.ch == 0 or v.gw is not None) and not u.nodiag:
                    c = [x for x in codes.at(v, u, self.cs, t, self.clears) if (x[2] & 1) == (pgn == 0xFECA)]
                    self.named |= {(u.i, n) for n, f, s in c}
                    self.seen = getattr(self, "seen", 0) + len(c)
                    dm(self, t + u.reply * r.uniform(.5, 6), u, pgn, c)
            t += r.uniform(.6, 1.5)
        return t

    def clear(self, t, order):
        self.clears.append(t)
        if self.v.truck:
            self.put(t, 0x18EAFFF9, bytes([0xD3, 0xFE, 0]), -1)
            for u in self.v.units:
                if inside(self.st.diag[u.i], t) and not inside(self.st.off[u.i], t) and u.ch == 0:
                    self.put(t + u.reply, 0x18E8FF00 | u.addr, bytes([0, 255, 255, 255, 0xF9, 0xD3, 0xFE, 0]), u.i)
            return t + .5
        for u in order:
            if u and u.ans:
                t = self.ask(t, u, [0x14, 0xFF, 0xFF, 0xFF], [0x54])
        return t


def spn(v, n, f):
    """Trucks: the number is a source address (lost: SPN 2000 + address) or an SPN already."""
    return (2000 + n, 9) if n < 256 else (n, {0x16: 1, 0x88: 19, 0: 31}.get(f, 2))


def dm(put, t, u, pgn, c, prio=0x18):
    """Truck: DM1 or DM2, broadcast in packets when longer than a frame (SAE J1939-21, -73)."""
    body = [0x04 if c else 0, 0xFF]
    for n, f, s in c[:15]:
        a, b = spn(None, n, f)
        body += [a & 255, a >> 8 & 255, (a >> 16) << 5 | b, 1 + (n + f) % 5]
    if not c:
        body += [0, 0, 0, 0]
    if len(body) <= 8:
        put.put(t, 0x18000000 | pgn << 8 | u.addr, bytes(body + [255] * (8 - len(body))), u.i)
        return
    n = (len(body) + 6) // 7
    put.put(t, 0x1CECFF00 | u.addr, bytes([0x20, len(body) & 255, len(body) >> 8, n, 255, pgn & 255, pgn >> 8, 0]), u.i)
    for k in range(n):
        t += .06
        x = body[k * 7:k * 7 + 7]
        put.put(t, 0x1CEBFF00 | u.addr, bytes([k + 1] + x + [255] * (7 - len(x))), u.i)
