"""The vehicle runs: programs, mailboxes, arbitration, errors, gateway, monitors. One event queue."""
import heapq
from bisect import bisect_right
from spans import minus, inside, norm, inter
import day as D

CRC = []
for _i in range(256):
    _c = _i
    for _ in range(8):
        _c = ((_c << 1) ^ 0x1D) & 255 if _c & 128 else _c << 1
    CRC.append(_c)


class Plan:
    """What is wrong with the physical vehicle; empty for a sound one."""
    def __init__(self):
        self.power, self.wire, self.contact, self.line, self.halt, self.reset, self.flood = {}, {}, {}, {}, {}, {}, []
        self.cold = True


class Sim:
    def __init__(self, r, v, d, p, tester=None):
        self.r, self.v, self.d, self.p = r, v, d, p
        self.q, self.seq, self.rec, self.errs = [], 0, [], []
        self.heard, self.reported, self.scans, self.clears, self.answers = {}, {}, [], [], []
        self.crankhit, self.sleepers = set(), set()
        self.tester = tester
        nb = len(v.buses)
        self.pend, self.busy = [[] for _ in range(nb)], [False] * nb
        self.all = [m for b in v.buses for m in b.msgs] + v.ghosts
        for k, m in enumerate(self.all):
            m.fidx = k
            m.last, m.n, m.ctr, m.born = -1, 0, 0, -1e9
            m.unseen = v.buses[m.bus].channel is None and not any(v.buses[x[0]].channel is not None for x in v.routes.get((m.bus, m.id), ()))
            m.plain = bytes(m.base)
        self.tool, self.tool2 = v.tool, v.tool2
        for i, u in enumerate(v.units + [self.tool, v.tool2]):
            u.i, u.on, u.ready, u.gen = i, False, False, 0
            u.link = {b: "ok" for b in range(nb)}
            u.topen = {}
            u.held = {b: [] for b in range(nb)}
            u.mail, u.tec, u.off_until = {}, [0] * nb, [-1e9] * nb
            u.submiss = [False] * len(u.monitors)
            u.t0, u.enabled = None, False
            u.okt = [None] * len(u.monitors)
            u.contact = {}
            u.halted = u.diagdead = False

    def at(self, t, f, *a):
        self.seq += 1
        heapq.heappush(self.q, (t, self.seq, f, a))

    # ---- power and programs
    def spans_of(self, i, u):
        d, p = self.d, self.p
        awake = d.awake[i]
        cut = p.power.get(i, [])
        brown = D.weak(d, u)
        hold = [(a + min(u.holdup, (b - a) * .9), b) for a, b in cut] if cut else []
        hold = [(a, b) for (a, b), (c, e) in zip(hold, cut) if e - c > u.holdup]
        s = minus(awake, norm(hold))
        s2 = minus(s, norm(brown))
        if s2 != s and inter(inter(s, norm(brown)), [(0, d.T)]):
            self.crankhit.add(i)
        if d.shed and u.feed == "klr" and inter(d.crank, [(0, d.T)]):
            self.crankhit.add(i)
        s3 = minus(s2, p.reset.get(i, []))
        out = []
        coldends = {round(b, 6) for a, b in list(hold) + list(brown) + list(p.reset.get(i, []))}
        for a, b in s3:
            boot = u.boot if (u.feed != "kl30" or round(a, 6) in coldends) else u.warm
            out.append((a, b, boot))
        if any(0 < x < d.T for a, b in awake for x in (a, b)):
            self.sleepers.add(i)
        return out

    def setup(self):
        d, v, p, pre = self.d, self.v, self.p, -self.d.pre
        for i, u in enumerate(v.units):
            for a, b, boot in self.spans_of(i, u):
                if b <= pre or a >= d.T:
                    continue
                if a + boot <= pre:
                    self.at(pre, self.turn_on, u, u.gen, True, a)
                elif a + boot < b:
                    self.at(max(pre, a), self.power_up, u, a + boot)
                if b < d.T:
                    self.at(b, self.turn_off, u)
            for a, b, diag in p.halt.get(i, []):
                self.at(max(pre, a), self.halt, u, True, diag)
                if b < d.T:
                    self.at(b, self.halt, u, False, diag)
        for (bi, i), l in p.wire.items():
            for a, b, mode, grp in l:
                self.at(max(pre, a), self.set_link, v.units[i], bi, mode, a, grp)
                if b < d.T:
                    self.at(b, self.set_link, v.units[i], bi, "ok", b, None)
        for (bi, i), l in p.contact.items():
            for a, b, px, py in l:
                self.at(max(pre, a), self.set_contact, v.units[i], bi, (px, py))
                self.at(b, self.set_contact, v.units[i], bi, None)
        self.lines = [p.line.get(b, []) for b in range(len(v.buses))]
        for bi, a, b, mid, ext, gap, data, jit in p.flood:
            self.at(max(pre, a), self.flood, bi, b, mid, ext, gap, data, jit)
        for a, b in d.ign:
            if a > pre:
                self.at(a, self.cycle)
        for bi, b in enumerate(v.buses):
            if b.nm == "ring":
                self.at(pre + .01, self.ring, bi, None, [])
        self.tool.on = self.tool.ready = True
        if self.tester:
            for t, kind in self.tester:
                import tester as X
                self.step(X.session(self, t, kind), t)

    def power_up(self, u, t):
        u.gen += 1
        self.at(t, self.turn_on, u, u.gen, False, t)

    def turn_on(self, u, gen, old, since):
        if u.gen != gen:
            return
        t, r = self.now, self.r
        u.on = u.ready = True
        u.since = since
        u.enabled, u.t0 = False, None
        u.submiss = [False] * len(u.monitors)
        if not u.halted:
            self.start_app(u, old)
        if u.monitors:
            self.at(max(t + r.random() * u.tick, -.3), self.tick, u, u.gen)

    def start_app(self, u, old):
        t, r, v = self.now, self.r, self.v
        if not old:
            if v.kind == "truck":
                self.queue(u, u.bus, 0x18EEFF00 | u.sa, True, v.names[u.i], None)
            elif u.nmsender and v.buses[u.bus].nm == "ring":
                self.queue(u, u.bus, u.nmsender, v.era == "car29", bytes([u.i, 1, 0, 0, 0, 0, 0, 0]), None)
        for m in u.msgs:
            m.born = t if not old else -1e9
            m.ctr = 0 if not old else r.randrange(15)
            if m.kind != "ev":
                off = r.random() * m.period if old else (m.offset if u.spread else 0.0)
                self.at(t + off, self.release, m, u.gen, t + off)
            if m.rate:
                self.at(t + r.expovariate(m.rate), self.event, m, u.gen)
        if v.kind == "truck" and v.dm:
            self.at(t + r.random(), self.dm1, u, u.gen)

    def turn_off(self, u):
        u.on = u.ready = False
        u.gen += 1
        for e in u.mail.values():
            for x in (e if isinstance(e[0], list) else [e]):
                x[7] = False
        u.mail.clear()
        for h in u.held.values():
            h.clear()
        u.tec = [0] * len(u.tec)
        u.off_until = [-1e9] * len(u.tec)

    def halt(self, u, stop, diag):
        if stop:
            u.halted, u.diagdead = True, not diag
            g = u.on
            u.gen += 1
            if g and u.monitors and diag:
                self.at(self.now + .1, self.tick, u, u.gen)
        else:
            u.halted = u.diagdead = False
            u.gen += 1
            if u.on:
                self.start_app(u, False)
                if u.monitors:
                    self.at(self.now + .1, self.tick, u, u.gen)

    def set_link(self, u, bi, mode, t, grp):
        u.link[bi] = mode
        u.topen[bi] = (t, grp) if mode != "ok" else None
        if mode == "ok":
            h, u.held[bi] = u.held[bi], []
            for e in h:
                if e[7]:
                    heapq.heappush(self.pend[bi], e)
            self.kick(bi)

    def set_contact(self, u, bi, c):
        u.contact[bi] = c

    def cycle(self):
        for u in self.v.units:
            for c in u.dtcs:
                u.dtcs[c] = (u.dtcs[c] & ~0x02) | 0x40

    # ---- sending
    def cond(self, m, t):
        c = m.cond
        if c == "any":
            return True
        if c == "eng":
            return inside(self.d.eng, t)
        if c == "ign":
            return inside(self.d.ign, t)
        return not inside(self.d.eng, t)

    def release(self, m, gen, nom):
        u = m.unit
        if u.gen != gen:
            return
        t = self.now
        if m.cond == "any" or self.cond(m, t):
            self.queue(u, m.bus, m.id, m.ext, self.payload(m, t), m)
        p = m.period
        if m.fast and any(0 <= t - e < 2 for e in self.d.events):
            p = m.fast
        nom += p * (1 + u.ppm)
        self.seq += 1
        heapq.heappush(self.q, (nom + self.r.random() * m.jitter, self.seq, self.release, (m, gen, nom)))

    def event(self, m, gen):
        if m.unit.gen != gen:
            return
        if self.cond(m, self.now):
            m.n += 1
            for k in range(max(1, m.rep)):
                self.at(self.now + k * m.gap, self.event_frame, m, gen)
        self.at(self.now + self.r.expovariate(m.rate), self.event, m, gen)

    def event_frame(self, m, gen):
        if m.unit.gen == gen:
            self.queue(m.unit, m.bus, m.id, m.ext, self.payload(m, self.now), m)

    def payload(self, m, t):
        if m.unseen:                                     # on a hidden bus and carried nowhere: only its timing matters
            return m.plain
        b = bytearray(m.base)
        d, n = self.d, len(b)
        init = t - m.born < m.initlen
        for pos, k, a, x in m.fields:
            if k == "rpm":
                z = 0xFFFF if init else D.rpm(d, t) * 4
                b[pos], b[pos + 1] = z >> 8 & 255, z & 255
            elif k == "spd":
                z = 0xFFFE if init else int(D.speed(d, t) * (100 if a > 4 else 64)) & 0xFFFF
                b[pos], b[pos + 1] = z >> 8, z & 255
            elif k == "noise":
                b[pos] = int(x * 2 + self.r.random() * a) & 255
            elif k == "temp":
                b[pos] = 0xFF if init else int(60 + x * .8 + t * .02) & 255
            elif k == "volt":
                b[pos] = int(D.volt(d, t) * 10) & 255
            elif k == "saw":
                b[pos] = int(t * a + x) & 255
            elif k == "state":
                b[pos] = inside(d.ign, t) * 1 + inside(d.eng, t) * 2 + inside(d.crank, t) * 4 + (int(x) & 0xF0)
            elif k == "flag":
                b[pos] = (m.n + bisect_right(d.events, t)) & 1 | int(x) & 0xFE
            elif k == "mux":
                m.n += 1
                b[0] = m.n % a
                b[1] = (b[1] + m.n % a * 37) & 255 if n > 1 else 0
            elif k == "rpm8":
                z = D.rpm(d, t) * 8
                b[3], b[4] = z & 255, z >> 8 & 255
            elif k == "volt20":
                z = int(D.volt(d, t) * 20)
                b[4], b[5], b[6], b[7] = z & 255, z >> 8, z & 255, z >> 8
            elif k == "spdx":
                z = int(D.speed(d, t) * 256)
                b[1], b[2] = z & 255, z >> 8 & 255
        s = m.sub
        if s and s[1] < len(m.unit.submiss) and m.unit.submiss[s[1]]:
            b[s[0]] = s[2]
        if m.ctrpos is not None:
            m.ctr = (m.ctr + 1) % (m.ctrstep + 1)
            b[m.ctrpos] = (b[m.ctrpos] & 0xF0) | m.ctr
        if m.crcpos is not None:
            c = m.dataid
            if m.crc == "j1850":
                c = CRC[0xFF ^ c]
                for j in range(n):
                    if j != m.crcpos:
                        c = CRC[c ^ b[j]]
                c ^= 0xFF
            else:
                for j in range(n):
                    if j != m.crcpos:
                        c = c ^ b[j] if m.crc == "xor" else c + b[j]
            b[m.crcpos] = c & 255
        return bytes(b)

    def queue(self, u, bi, mid, ext, data, m, fifo=False):
        """Into the transmit mailbox of its identifier; what happens if that is still full depends on the driver."""
        lk = u.link[bi]
        if lk == "far":
            return                                   # the others behind the open splice acknowledge it
        key = (bi, mid)
        old = u.mail.get(key)
        if old is not None and old[7] and not fifo:
            if u.buffer == "overwrite":
                old[3] = data
                return
            if u.buffer == "keep" or len(u.held[bi]) > 24:
                return
        self.seq += 1
        e = [mid if ext else mid << 18, self.seq, u, data, ext, mid, m, True]
        u.mail[key] = e
        if lk != "ok" or u.off_until[bi] > self.now:
            u.held[bi].append(e)
            return
        heapq.heappush(self.pend[bi], e)
        if not self.busy[bi]:
            self.kick(bi)

    # ---- the wires
    def kick(self, bi):
        if self.busy[bi]:
            return
        pend, t = self.pend[bi], self.now
        while pend:
            e = heapq.heappop(pend)
            if not e[7]:
                continue
            u = e[2]
            if u.link[bi] == "far":
                e[7] = False
                continue
            if u.link[bi] != "ok" or u.off_until[bi] > t:
                u.held[bi].append(e)
                continue
            pe = 2e-7
            blame = False
            for a, b, x in self.lines[bi]:
                if a <= t < b:
                    pe = x
            c = u.contact.get(bi)
            if c:
                pe, blame = max(pe, c[0]), True
            if pe < 1:
                for w in self.weakrx.get(bi, ()):
                    c = w.contact.get(bi)
                    if c and w is not u and w.on and w.tec[bi] < 128 and self.r.random() < c[1]:
                        pe = 1
            n = len(e[3])
            bits = (67 if e[4] else 47) + 8 * n
            rate = self.v.buses[bi].rate
            self.busy[bi] = True
            self.seq += 1
            if pe > 1e-5 and self.r.random() < pe:
                dt = (bits * self.r.uniform(.2, .95) + 23) / rate
                heapq.heappush(self.q, (t + dt, self.seq, self.failed, (bi, e)))
            else:
                dt = bits * (1.02 + .0175 * (e[3].count(0) + e[3].count(255))) / rate
                heapq.heappush(self.q, (t + dt, self.seq, self.sent, (bi, e)))
            return

    weakrx = {}

    def failed(self, bi, e):
        self.busy[bi] = False
        u, t, r = e[2], self.now, self.r
        if self.v.buses[bi].channel is not None and t >= 0:
            self.errs.append((t, self.v.buses[bi].channel))
        if e[7]:
            u.tec[bi] += 8
            if u.tec[bi] > 255:
                u.tec[bi] = 0
                u.off_until[bi] = t + u.busoff_wait + 1408 / self.v.buses[bi].rate
                u.busoffs = getattr(u, "busoffs", 0) + 1
                if u.busoff_clear:
                    for k, x in list(u.mail.items()):
                        if k[0] == bi:
                            x[7] = False
                            del u.mail[k]
                else:
                    u.held[bi].append(e)
                if u is not self.tool:
                    self.set_dtc(u, (0xC0, 0x73 if u.mask else 0x01, 0x88 if u.ftb else 0), t)
                self.at(u.off_until[bi], self.recover, u, bi)
            else:
                heapq.heappush(self.pend[bi], e)
        self.kick(bi)

    def recover(self, u, bi):
        if u.link[bi] == "ok" and u.off_until[bi] <= self.now + 1e-9:
            u.off_until[bi] = -1e9
            h, u.held[bi] = u.held[bi], []
            for e in h:
                if e[7]:
                    heapq.heappush(self.pend[bi], e)
            self.kick(bi)

    def sent(self, bi, e):
        self.busy[bi] = False
        t, u, m = self.now, e[2], e[6]
        if e[7]:
            e[7] = False
            if u.tec[bi]:
                u.tec[bi] -= 1
            k = (bi, e[5])
            if u.mail.get(k) is e:
                del u.mail[k]
            ch = self.v.buses[bi].channel
            if ch is not None and t >= 0:
                self.rec.append((t, ch, e[5], e[4], e[3]))
            if m is not None:
                self.heard[(bi, m.fidx)] = t
                if m.bus == bi:
                    rt = self.v.routes.get((bi, m.id))
                    if rt:
                        g = self.v.units[self.v.gw]
                        if g.ready and not g.halted and g.link[bi] == "ok":
                            m.last += 1
                            for bj, new, div, lag in rt:
                                if int(m.last) % div == 0:
                                    self.at(t + lag * (.6 + self.r.random() * .6), self.forward, g, g.gen, bj, new, m, e[3])
        if self.pend[bi]:
            self.kick(bi)

    def forward(self, g, gen, bj, new, m, data):
        if g.gen == gen:
            self.queue(g, bj, new, m.ext, data, m)

    def flood(self, bi, end, mid, ext, gap, data, jit):
        t = self.now
        if t >= end:
            return
        self.queue(self.tool2, bi, mid, ext, data, None)
        self.at(t + gap * (1 + jit * self.r.random()), self.flood, bi, end, mid, ext, gap, data, jit)

    # ---- network management ring (after OSEK NM, from memory): a token goes round every 0.1 s
    def ring(self, bi, cur, alive):
        us = [u for u in self.v.units if u.nmsender and u.bus == bi]
        up = [u.i for u in us if u.ready and not u.halted and u.link[bi] == "ok" and u.off_until[bi] <= self.now]
        wait = .1
        if up:
            for i in up:
                if i not in alive:
                    alive.append(i)
            alive.sort()
            nxt = next((i for i in alive if cur is not None and i > cur), alive[0])
            if nxt in up:
                dest = next((i for i in alive if i > nxt), alive[0])
                self.queue(self.v.units[nxt], bi, self.v.units[nxt].nmsender, self.v.era == "car29", bytes([dest, 2, 0, 0, 0, 0, 0, 0]), None)
                cur = nxt
            else:                                     # the token is lost: time out, everybody reports alive
                alive.remove(nxt)
                wait = .26
                for i in up:
                    self.queue(self.v.units[i], bi, self.v.units[i].nmsender, self.v.era == "car29", bytes([i, 1, 0, 0, 0, 0, 0, 0]), None)
        self.at(self.now + wait, self.ring, bi, cur, alive)

    # ---- monitors
    def tick(self, u, gen):
        if u.gen != gen or not u.on:
            return
        t, d = self.now, self.d
        c = u.moncond
        ok = c == "any" or inside(d.ign if c == "ign" else d.eng, t)
        if ok and d.crank:
            ok = not any(a <= t < b + 1 for a, b in d.crank)
        ok = ok and D.volt(d, t) / d.f24 >= u.vmin_mon
        if not ok:
            u.enabled, u.t0 = False, None
        elif not u.enabled:
            u.enabled = True
            u.t0 = -1e9 if t < .2 and u.since < -1e5 else max(t, u.since + u.pondelay)
        miss = 0
        lost = []
        for k, (m, peer, to, deb) in enumerate(u.monitors):
            bi = m.bus if m.bus in u.buses else u.bus
            last = self.heard.get((bi, m.fidx), -1e9)
            op = u.topen.get(bi)
            if op:
                po = peer.topen.get(bi)
                if not (op[1] is not None and po and po[1] == op[1] and peer.ready):
                    last = min(last, op[0])
                else:
                    last = t
            if u.t0 is None:
                u.submiss[k] = t - last > to and t - u.since > to + 1
                continue
            age = t - max(last, u.t0)
            u.submiss[k] = age > to
            if age > to + deb:
                miss += 1
                lost.append(peer)
            elif age <= to:
                code = self.code(u, peer)
                st = u.dtcs.get(code)
                if st is not None:
                    if st & 1:
                        if u.okt[k] is None:
                            u.okt[k] = t
                        elif t - u.okt[k] > u.heal:
                            u.dtcs[code] = st & ~0x01
                    else:
                        u.dtcs[code] = st & ~0x40
        if miss:
            if u.mask and miss == len(u.monitors) and miss > 1:
                self.set_dtc(u, (0xC0, 0x73, 0x88 if u.ftb else 0), t)
            else:
                for p in lost:
                    self.set_dtc(u, self.code(u, p), t)
                for k, (m, p, to, deb) in enumerate(u.monitors):
                    if p in lost:
                        u.okt[k] = None
        self.at(t + u.tick, self.tick, u, gen)

    def code(self, u, peer):
        if self.v.kind == "truck":
            return (2000 + getattr(peer, "codesa", peer.sa), 9)
        return (0xC0 | peer.code >> 8, peer.code & 255, u.ftb)

    def set_dtc(self, u, code, t):
        if self.v.kind == "truck" and code[0] == 0xC0:
            code = (639, 19 if code[1] == 1 else 9)
        st = u.dtcs.get(code, 0)
        if st & 1:
            return
        n = 0x2F if u.confirm == 1 or st & 0x08 else 0x27
        if self.r.random() < .2:
            n |= 0x80
        u.dtcs[code] = n

    # ---- SAE J1939-73
    def dm_bytes(self, u, active):
        l = [c for c, s in u.dtcs.items() if (s & 1) == (1 if active else 0) and (active or s & 8)]
        out = bytearray([0x04 if l and active else 0, 0xFF])
        for spn, fmi in l or [(0, 0)]:
            out += bytes([spn & 255, spn >> 8 & 255, (spn >> 16 & 7) << 5 | fmi, 1 if l else 0])
        return bytes(out), l

    def dm1(self, u, gen):
        if u.gen != gen:
            return
        data, l = self.dm_bytes(u, True)
        self.j_send(u, 0xFECA, data, l)
        self.at(self.now + 1.0, self.dm1, u, gen)

    def j_send(self, u, pgn, data, codes):
        if len(data) <= 8:
            self.queue(u, u.bus, 0x18000000 | pgn << 8 | u.sa, True, data + b"\xff" * (8 - len(data)), None)
        else:
            n = (len(data) + 6) // 7
            self.queue(u, u.bus, 0x1CECFF00 | u.sa, True, bytes([0x20, len(data) & 255, len(data) >> 8, n, 0xFF, pgn & 255, pgn >> 8, 0]), None)
            for k in range(n):
                part = data[k * 7:k * 7 + 7]
                self.at(self.now + .05 * (k + 1), self.tp, u, u.gen, bytes([k + 1]) + part + b"\xff" * (7 - len(part)))
        if codes and self.v.buses[u.bus].channel is not None and self.now > 0 and u.link[u.bus] == "ok":
            self.note(u, codes, pgn == 0xFECA)

    def tp(self, u, gen, data):
        if u.gen == gen:
            self.queue(u, u.bus, 0x1CEBFF00 | u.sa, True, data, None)

    def note(self, u, codes, active=None):
        for c in codes:
            self.reported[(u.i, c)] = max(self.reported.get((u.i, c), 0), 1 if active else 0)

    # ---- generators (the tester)
    def step(self, g, t):
        self.at(t, self.go, g)

    def go(self, g):
        try:
            dt = next(g)
        except StopIteration:
            return
        self.step(g, self.now + dt)

    def run(self):
        self.now = -self.d.pre
        self.weakrx = {}
        for (bi, i) in self.p.contact:
            self.weakrx.setdefault(bi, []).append(self.v.units[i])
        self.setup()
        q, T, pop = self.q, self.d.T, heapq.heappop
        n = 0
        while q:
            t, _, f, a = pop(q)
            if t > T:
                break
            self.now = t
            f(*a)
            n += 1
            if len(self.rec) > 118000:
                self.d.T = t
                break
