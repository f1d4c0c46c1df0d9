"""Who stores which codes; what a tester asks and hears (OBD, UDS over ISO-TP, J1939 DM)."""
from traffic import inside, minus, on_spans, union

class Code:
    """A stored code: what it says and when it failed."""
    def __init__(self, code, sub, about=None, old=0):
        self.code, self.sub, self.about, self.old = code, sub, about, old
        self.events = []     # (failed at, healed at)

def bytes_of(code):
    """Two bytes of a code: U0121 is C121."""
    return "PCBU".index(code[0]) << 14 | int(code[1], 16) << 12 | int(code[2:], 16)

def stored(vehicle, day, heard, rng):
    """{place: [Code]}: what each unit would have stored during the day, cleared or not."""
    store = {u.place: [] for u in vehicle.units}
    for w in vehicle.units:
        if not w.watches or w.channel > 1: continue
        runs = []
        for a, b, boots in on_spans(w, day):
            runs.append((a + w.boot + w.blind if boots else -30, b))
        runs = minus(runs, [(a - 0.1, b + w.blind * 0.7) for a, b in day.cranks])
        runs = minus(runs, [(a, b + w.blind) for a, b in day.quiet])
        keyed = []
        for a, b in day.keyed: keyed.append((a if a <= 0 else a + w.blind, b))
        off = minus([(-99, day.dur + 99)], keyed)
        runs = minus(runs, off)
        away = list(day.cut.get(w.place, ())) + [(a, b) for c, a, b in day.shorts if c == w.channel]
        for place, limit in w.watches.items():
            x = vehicle.units[place]
            times = heard[w.channel].get(place, [])
            if place in day.swap and (limit * 1000) % 1 < day.swap_seen: times = []
            gaps = list(away)
            norm = x.norm if x.channel == w.channel else x.norm_far
            before = -30.0
            for t in times:
                if t - before > limit:
                    gaps.append((before if before > 0 or t > max(3 * norm, 0.2) else t, t))
                before = t
            if day.dur - before > limit: gaps.append((before, day.dur))
            found = None
            for a, b in union(gaps):
                for c, d in runs:
                    lo, hi = max(a, c), min(b, d)
                    if hi - lo >= limit and lo + limit < day.dur:
                        if found is None:
                            found = Code(x.code, w.sub, place)
                            store[w.place].append(found)
                        found.events.append((lo + limit, hi if hi < day.dur else 1e9))
            if found: found.events.sort()
    for place, code, sub, about, status in day.old:
        same = [c for c in store[place] if c.code == code]
        if same: same[0].old = status
        else: store[place].append(Code(code, sub, about, status))
    for place, code, sub, t in day.own:
        c = Code(code, sub)
        c.events.append((t, t + rng.uniform(0.2, 3)))
        store[place].append(c)
    return store

def status(unit, code, t, day, cleared):
    """Status byte of a code at t, None if not stored."""
    value = code.old if not cleared else 0
    events = [e for e in code.events if e[0] <= t]
    since = cleared[-1] if cleared else -99
    live = []
    for a, b in events:
        if b > since + 0.3: live.append((max(a, since + 0.3), b))
    live = [e for e in live if e[0] <= t]
    if live:
        value |= 0x26
        if live[-1][1] > t: value |= 0x01
        if unit.trips == 1 or len(live) > 2 or code.old & 8 and not cleared or live[0][0] < 0:
            value |= 0x08
        if value & 0x09 == 0x09 and unit.name in ("engine", "abs", "restraint"): value |= 0x80
        value &= ~0x50
    return value or None

class Tester:
    """One tester at the connector; collects frames [(t, text, -2)]."""
    def __init__(self, vehicle, day, store, rng):
        self.v, self.day, self.store, self.rng = vehicle, day, store, rng
        self.frames, self.cleared, self.seen, self.vins = [], {}, set(), {}
        self.spans = {u.place: on_spans(u, day) for u in vehicle.units}
        self.functional = "18DB33F1" if vehicle.kind == "car29" else "7DF"
        self.pad = rng.choice(("00", "00", "AA", "55", "CC"))
        self.ask_mask = rng.choice((0xFF, 0xFF, 0x08, 0x09, 0x2F, 0x0D, 0xAF))
        self.timeout = rng.choice((0.1, 0.25, 0.5, 1.0))
    def reachable(self, unit, t):
        if not any(a + (unit.boot if boots else 0) <= t < b
                   for a, b, boots in self.spans[unit.place]):
            return False
        if inside(self.day.cut.get(unit.place, ()), t) or \
                any(a <= t < b for _, a, b in self.day.shorts):
            return False
        for a, b, p in self.day.bad.get(unit.place, ()):
            if a <= t < b and self.rng.random() < p * 0.5: return False
        if any(a <= t < b and self.rng.random() < 0.7 for _, a, b, _, _ in self.day.floods):
            return False
        if unit.channel and self.v.gateway is not None:
            gate = self.v.units[self.v.gateway]
            return gate is not unit and not inside(self.day.no_route, t) and self.reachable(gate, t)
        return True
    def put(self, t, ident, data, pad=None):
        if pad: data = data + pad * (8 - len(data) // 2)
        self.frames.append((t, ident + "#" + data, -2))
    def message(self, t, ident, payload, peer, pad, peer_pad):
        """ISO-TP: returns the time of the last frame."""
        size = len(payload) // 2
        if size <= 7:
            self.put(t, ident, "%02X" % size + payload, pad)
            return t
        self.put(t, ident, "%04X" % (0x1000 | size) + payload[:12])
        t += self.rng.uniform(0.0005, 0.006)
        self.put(t, peer, "300000", peer_pad)
        gap = self.rng.choice((0.0006, 0.002, 0.01))
        rest, n = payload[12:], 1
        t += 0.001
        while rest:
            t += gap * self.rng.uniform(0.9, 1.3)
            self.put(t, ident, "2%X" % (n & 15) + rest[:14], pad)
            rest, n = rest[14:], n + 1
        return t
    def ask(self, t, unit, payload, reply):
        """Request to one unit; returns time when the tester goes on, and whether it answered."""
        self.message(t, unit.request, payload, unit.answer, self.pad, unit.pad)
        t += unit.latency * self.rng.uniform(0.6, 1.8) + (0.004 if unit.channel else 0)
        if not self.reachable(unit, t): return t + self.timeout, False
        if unit.pends and self.rng.random() < 0.5:
            self.put(t, unit.answer, "037F%s78" % payload[:2], unit.pad)
            t += self.rng.uniform(0.02, 0.3)
        text = reply(t)
        pad = None if unit.short_pad else unit.pad
        t = self.message(t, unit.answer, text, unit.request, pad, self.pad)
        return t + self.v.tester_gap * self.rng.uniform(0.7, 1.6) + 0.002, True
    def codes(self, unit, t):
        out = []
        for c in self.store[unit.place]:
            s = status(unit, c, t, self.day, self.cleared.get(unit.place))
            if s: out.append((c, s))
        return out
    def obd(self, t, clear=False):
        """01, 03, 07, 0A and 09 02 to all; engine and transmission answer."""
        answerers = [u for u in self.v.units if u.request and u.name in ("engine", "transmission")]
        asks = ["0100", "0101", "03", "07", "0A", "0902"]
        if clear: asks = ["04"]
        elif self.rng.random() < 0.4:
            asks = ["0100", "0101"] + self.rng.sample(["03", "07", "0A", "010C", "0105"], 4)
        for ask in asks:
            self.put(t, self.functional, "%02X" % (len(ask) // 2) + ask, self.pad)
            end = t + 0.05
            for u in answerers:
                at = t + u.latency * self.rng.uniform(0.6, 1.8)
                if not self.reachable(u, at): continue
                text = self._obd_text(u, ask, at)
                if text:
                    pad = None if u.short_pad else u.pad
                    end = max(end, self.message(at, u.answer, text, u.request, pad, self.pad))
                if ask == "04": self.cleared.setdefault(u.place, []).append(at)
            t = end + self.v.tester_gap * self.rng.uniform(0.7, 2)
        return t
    def _obd_text(self, u, ask, t):
        found = self.codes(u, t)
        two = ["%04X" % bytes_of(c.code) for c, s in found if s & 8]
        if ask == "0100": return "4100" + ("BE3FA813" if u.name == "engine" else "80000000")
        if ask == "0101":
            lamp = 0x80 if u.name == "engine" and any(s & 0x80 for _, s in found) else 0
            return "4101%02X%s" % (min(len(two), 127) | lamp, "07E500")
        if ask in ("010C", "0105"):
            value = "0C%04X" if ask == "010C" else "05%02X"
            speed = self.rng.randrange(*((2600, 9000) if ask == "010C" else (60, 130)))
            return "41" + value % speed if u.name == "engine" else None
        if ask in ("03", "07", "0A"):
            hit = [c for c, s in found if s & (8 if ask == "03" else 4 if ask == "07" else 8)]
            if ask == "0A": hit = [c for c in hit if u.name == "engine" and c.old & 0x80]
            self.seen.update((u.place, c.about, c.code) for c in hit)
            return "%02X%02X" % (int(ask, 16) | 0x40, len(hit)) + "".join(
                "%04X" % bytes_of(c.code) for c in hit)
        if ask == "0902":
            vin = self.day.vin.get(u.place, self.v.vin)
            self.vins[u.place] = vin
            return "490201" + vin.encode().hex().upper() if u.name == "engine" else None
        return "44"
    def uds(self, t, clear=False):
        """19 02 and 22 F190 (or 14) to each unit in turn."""
        listed = [u for u in self.v.units if u.request]
        if self.rng.random() < 0.3: self.rng.shuffle(listed)
        session = self.rng.random() < 0.35
        want_vin = self.rng.random() < 0.7 or bool(self.day.vin)
        retries = self.rng.choice((0, 0, 1))
        for u in listed:
            if t > self.day.dur - 0.3: break
            jobs = [("14FFFFFF", lambda at: "54")] if clear else \
                [("1902%02X" % self.ask_mask, lambda at, u=u: self._dtcs(u, at))]
            if want_vin and not clear: jobs.append(("22F190", lambda at, u=u: self._vin(u)))
            if session: jobs.insert(0, ("1003", lambda at: "5003003201F4"))
            if not u.reads_codes:
                jobs = [j for j in jobs if j[0][:2] != "19"] + [("190208", lambda at: "7F1911")]
            for ask, reply in jobs:
                t, ok = self.ask(t, u, ask, reply)
                for _ in range(retries):
                    if not ok: t, ok = self.ask(t, u, ask, reply)
                if not ok: break
                if clear and ask.startswith("14"):
                    self.cleared.setdefault(u.place, []).append(t)
        return t
    def _dtcs(self, u, t):
        text = "5902%02X" % u.mask
        for c, s in self.codes(u, t):
            s &= u.mask
            if s & self.ask_mask:
                text += "%04X%02X%02X" % (bytes_of(c.code), c.sub, s)
                self.seen.add((u.place, c.about, c.code))
        return text
    def _vin(self, u):
        if not u.knows_vin and u.place not in self.day.vin: return "7F2231"
        self.vins[u.place] = self.day.vin.get(u.place, self.v.vin)
        return "62F190" + self.vins[u.place].encode().hex().upper()
    def special(self, t, kind, units):
        """28 03 and back, or 11 01."""
        for u in units:
            if u.request:
                ask, reply = {"28": ("280301", "6803"), "28b": ("280001", "6800"),
                              "11": ("1101", "5101")}[kind]
                t, _ = self.ask(t, u, ask, lambda at: reply)
        return t
    def _spn(self, code):
        if code.about is None: return 627, 2
        address = self.v.units[code.about].address
        return (2000 + address, 9 if code.sub != 8 else 19) if address is not None and \
            address < 254 and code.sub != 0 else (639, 9)
    def _lamp_text(self, found):
        text = "%02XFF" % (0x04 if found else 0)
        rows = sorted({self._spn(c) for c in found})
        for spn, fmi in rows:
            text += "%02X%02X%02X%02X" % (spn & 255, spn >> 8 & 255, (spn >> 16) << 5 | fmi,
                                          1 + (spn % 5))
        return text if rows else "00FF00000000"
    def _pack(self, t, pgn, sa, text, out):
        if len(text) <= 12:
            out.append((t, "18%s%02X#" % (pgn, sa) + text + "F" * (16 - len(text)), -2))
            return
        size = len(text) // 2
        n = (size + 6) // 7
        out.append((t, "1CECFF%02X#20%02X%02X%02XFF%s%s00" % (sa, size & 255, size >> 8, n,
                                                              pgn[2:], pgn[:2]), -2))
        for k in range(n):
            part = text[14 * k:14 * k + 14]
            out.append((t + 0.05 * (k + 1) + self.rng.random() * 0.003, "1CEBFF%02X#%02X" %
                        (sa, k + 1) + part + "F" * (14 - len(part)), -2))
    def dm1(self, bus):
        """Active codes in the lamps message: native ones replaced, others sent while active."""
        for u in self.v.units:
            if u.address is None or u.address > 0xF0 or not self.store[u.place]: continue
            channel = 1 if u.channel == 1 else 0
            head = "FECA%02X" % u.address
            frames = bus[channel]
            own = [n for n, f in enumerate(frames) if f[1][2:8] == head and f[2] == u.place]
            beat, extra, drop = self.rng.random(), [], set()
            times = [(frames[n][0], n) for n in own]
            if not own and u.speaks_dm1:
                times = [(beat + k, None) for k in range(int(self.day.dur - 1))]
            for t, n in times:
                active = [c for c, s in self.codes(u, t) if s & 1]
                if active and (n is not None or self.reachable(u, t)):
                    drop.add(n)
                    self._pack(t, "FECA", u.address, self._lamp_text(active), extra)
                    self.seen.update((u.place, c.about, c.code) for c in active)
            if drop or extra:
                bus[channel] = sorted([f for n, f in enumerate(frames) if n not in drop] + extra)
    def dm2(self, t):
        """Previously active codes on request, from all or one after another."""
        everyone = self.rng.random() < 0.6
        units = [u for u in self.v.units if u.address is not None and u.address < 0xF0
                 and u.channel == 0]
        if everyone: self.put(t, "18EAFFF9", "CBFE00")
        for u in units:
            if not everyone: self.put(t, "18EA%02XF9" % u.address, "CBFE00")
            at = t + u.latency + self.rng.random() * 0.1
            if self.reachable(u, at):
                old = [c for c, s in self.codes(u, at) if s & 8 and not s & 1]
                if not old and not u.speaks_dm1:
                    self.put(at, "18E8FF%02X" % u.address, "01FFFFFFF9CBFE00")
                else:
                    self.seen.update((u.place, c.about, c.code) for c in old)
                    self._pack(at, "FECB", u.address, self._lamp_text(old), self.frames)
            if not everyone: t += 0.3
        return t + 1.0
