"""One recording: key, running units, releases, arbitration, errors, what is heard."""

from bisect import bisect_right
from heapq import heappop, heappush

from vehicle import common, inside, minus, named, order, union

FOREVER = 1e9
BEFORE = -60.0          # what was so at the start was so for this long

class Trouble:
    """What is wrong, as spans of seconds by unit place or for the bus."""
    def __init__(self):
        self.unpowered, self.open, self.hung, self.off = {}, {}, {}, {}
        self.noise = []          # (from, to, place or None, share, bus)
        self.short = {}          # bus -> spans
        self.down = []           # the gateway carries nothing
        self.floods = []         # (from, to, place or None, identifier, ext, period, bus, dlc)
        self.together = []       # (set of places, spans): they hear each other, nobody else
        self.edges = []          # (t, bus, place): an error frame of somebody coming or going
        self.foreign = {}        # place -> {"ids": {old: new}, "vin": text or None}
        self.past = {}           # place -> {(code, type): status}

class Day:
    """The key and the habits of one day."""
    def __init__(self, rng, vehicle, length, plain=False):
        self.length, roll, start = length, rng.random(), rng.random()
        steps, words, t = [], [], 0.0
        crank = .5 + rng.random() * rng.choice((.5, .5, 3))
        if start < .12:
            t = min(length * .2, 1 + rng.random() * 10)
            words.append("key off at first")
            steps += [(0.0, "off"), (t, "on")]
        else: steps.append((0.0, "on"))
        state = "on"
        if roll < .35 and start > .12:
            steps[-1], state = (0.0, "run"), "run"
            words.append("engine running")
        elif roll < .68:
            t += min(length * .3, .5 + rng.random() * 12)
            steps += [(t, "crank"), (t + crank, "run")]
            t, state = t + crank, "run"
            words.append("engine started")
            if rng.random() < .1 and t + 8 < length:
                steps += [(t + 2, "on"), (t + 4, "crank"), (t + 4.8, "run")]
                t += 4.8
                words.append("stalled and started again")
        else: words.append("ignition on, engine off")
        if not plain and state == "run" and vehicle.year > 2009 and not vehicle.truck and (
                rng.random() < .15):
            while t + 14 < length * .8:
                t += 5 + rng.random() * 20
                gap = 1.5 + rng.random() * 6
                steps += [(t, "on"), (t + gap, "crank"), (t + gap + .4, "run")]
                t += gap + .4
            words.append("start-stop")
        if not plain and rng.random() < .18 and length - t > 15:
            at = t + (length - t) * rng.uniform(.35, .9)
            steps.append((at, "off"))
            words.append("key off")
            if rng.random() < .5 and length - at > 8:
                at += min((length - at) * .5, 1.5 + rng.random() * 30)
                steps.append((at, "on"))
                words.append("key on again")
                steps += [(at + 2, "crank"), (at + 2.7, "run")] if rng.random() < .4 else []
        self.steps, self.words = [s for s in steps if s[0] < length], ", ".join(words)
        self.index()
    def index(self):
        """Spans of each key position."""
        steps, length = self.steps, self.length
        ends = [s[0] for s in steps[1:]] + [length]
        spans = [(a, b, s) for (a, s), b in zip(steps, ends) if b > a]
        self.on = union([(a, b) for a, b, s in spans if s != "off"])
        self.run = union([(a, b) for a, b, s in spans if s == "run"])
        self.crank = union([(a, b) for a, b, s in spans if s == "crank"])
        self.asleep = any(s == "off" for _, _, s in spans)

class Sim:
    """Runs one recording; rows are (t, bus, identifier text, data text)."""
    def __init__(self, rng, vehicle, day, trouble):
        self.rng, self.vehicle, self.day, self.trouble = rng, vehicle, day, trouble
        self.rows, self.errors, self.seq = [], [], 0
        # by unit place: releases that the trouble took, damaged frames
        self.lost, self.errs, self.gaps, self.seen = {}, {}, {}, {}
        self.nodtc, self.cleared, self.bits, self.said, self.code_cache = [], {}, {}, set(), {}
        for unit in vehicle.units: self.lay(unit)
    def lay(self, unit):
        """When the unit runs (its program and bus driver), and when it watches."""
        rng, day, trouble, place = self.rng, self.day, self.trouble, unit.place
        tail = (rng.uniform(.02, .3) if unit.wake == "ign" else
                unit.after if unit.wake == "after" else self.vehicle.sleep + rng.uniform(0, .3))
        awake = union([(a, b if b >= day.length else b + tail) for a, b in day.on])
        holes = [(a + unit.hold, b) for a, b in trouble.unpowered.get(place, ())]
        holes += trouble.hung.get(place, []) + trouble.off.get(place, [])
        if self.vehicle.crank_weak and unit.brown:
            holes += [(a + .05, b - .1) for a, b in day.crank if b - a > .3]
        unit.run, unit.meant = [], awake
        for a, b in minus(awake, union(holes)):
            if a > 0:
                boot = unit.warm if any(abs(a - c) < 1e-6 for c, _ in awake) else unit.boot
                a += boot * rng.uniform(.95, 1.1)
            if a < b: unit.run.append((a, min(b, day.length)))
        blank = [(a if a <= 0 else a + unit.blind, b) for a, b in unit.run]
        blank = [(BEFORE if a <= 0 else a, b) for a, b in blank if a < b]
        on = [(BEFORE if a <= 0 else a, b) for a, b in day.on]
        unit.watching = minus(common(blank, on), [(a - .2, b + .8) for a, b in day.crank])
        gone = trouble.open.get(place, []) + holes
        gone = any(a <= 0 for a, _ in gone) or trouble.foreign.get(place, {}).get("ids")
        self.seen[place] = BEFORE if gone else 0.0
    def times(self, msg):
        """[(time, number since boot)] of one message's releases."""
        rng, trouble, unit = self.rng, self.trouble, msg.unit
        if msg.route_of: return self.carried_times(msg)
        spans = unit.run
        if msg.only == "run": spans = common(spans, self.day.run)
        if unit.shy and self.day.crank:
            spans = minus(spans, [(a, max(b, a + .97)) for a, b in self.day.crank])
        period = msg.period / 1000 * (1 + unit.ppm * 1e-6)
        out, jitter, tick = [], msg.jitter, unit.nm_tick
        gauss, uniform = rng.gauss, rng.random
        for a, b in spans:
            first = a - uniform() * period + period if a <= 0 else a + msg.offset
            b = min(b, self.day.length)
            count = int((b - first) / period) + 1 if b > first else 0
            base = rng.randrange(256) if a <= 0 else 0
            if tick:
                out += [(first + k * period + tick * uniform() + gauss(0, jitter), base + k)
                        for k in range(count)]
            else: out += [(first + k * period + gauss(0, jitter), base + k) for k in range(count)]
            if msg.event:
                t = a + uniform() * msg.event * 4
                while t < b:
                    out.append((t, int(t)))
                    t += rng.expovariate(1 / msg.event) + .02
        if msg.breath:
            every, pause, shift = msg.breath
            out = [e for e in out if (e[0] + shift) % every >= pause]
        self.count_lost(unit, msg, period)
        holes = trouble.open.get(unit.place)
        if holes:
            kept = [e for e in out if not inside(holes, e[0])]
            self.lost[unit.place] = self.lost.get(unit.place, 0) + len(out) - len(kept)
            if unit.flush and not any(unit.place in s for s, _ in trouble.together):
                for a, b in holes:
                    if b < self.day.length and b - a > period and inside(spans, b):
                        kept.append((b + uniform() * .003, int((b - a) / period)))
            out = kept
        return out
    def count_lost(self, unit, msg, period):
        """Counts what supply and program faults took while the unit should have run."""
        gone = union(self.trouble.unpowered.get(unit.place, [])
                     + self.trouble.hung.get(unit.place, []))
        if gone and not msg.only:
            loss = sum(b - a for a, b in common(gone, common(unit.meant, self.day.on)))
            self.lost[unit.place] = self.lost.get(unit.place, 0) + int(loss / period)
    def carried_times(self, msg):
        """Releases of a message that the gateway carries over."""
        rng, gateway = self.rng, msg.unit
        alive = minus(gateway.run, self.trouble.down)
        source = self.releases[msg.route_of.prio, msg.src.bus]
        kept = [(t + msg.delay + rng.random() * .0004, k) for t, k in sorted(source)[::msg.every]]
        out = [e for e in kept if inside(alive, e[0])]
        self.lost["carried"] = self.lost.get("carried", 0) + len(kept) - len(out)
        return out
    def prepare(self):
        """Makes all releases of all buses."""
        self.releases, self.by_prio = {}, [dict() for _ in self.vehicle.rates]
        self.known = {(0, m.src.place) for m in (
            self.vehicle.gateway.carried if self.vehicle.gateway else ()) if m.bus == 0}
        msgs = [m for b in range(len(self.vehicle.rates)) for m in self.vehicle.bus_msgs(b)]
        msgs.sort(key=lambda m: m.route_of is not None)
        for msg in msgs:
            bus = msg.bus if msg.route_of else msg.unit.bus
            if bus >= self.vehicle.recorded and not any(m.route_of is msg for m in
                    (self.vehicle.gateway.carried if self.vehicle.gateway else ())):
                continue
            table = self.trouble.foreign.get(msg.unit.place, {}).get("ids", {})
            ident = table.get(msg.id, msg.id) if not msg.route_of else msg.id
            prio, msg.now_text = order(ident, msg.ext), named(ident, msg.ext)
            self.releases[msg.prio, bus] = self.times(msg)
            self.by_prio[bus][prio], msg.work = msg, bytearray(msg.body)
            msg.bits = int((67 if msg.ext else 47) + 8 * msg.dlc * 1.09 + 4)
        for a, b, place, ident, ext, period, bus, dlc in self.trouble.floods:
            self.flood_prio = order(ident, ext)
            self.flood = (named(ident, ext),
                          bytes(self.rng.randrange(256) for _ in range(dlc)),
                          (67 if ext else 47) + 9 * dlc)
    def push(self, t, ident, ext, data, unit=None):
        """A frame to be sent outside the schedule (tester, answers, transport)."""
        self.seq += 1
        prio, text = order(ident, ext), named(ident, ext)
        heappush(self.later, (t, prio, self.seq, (text, data, unit, 67 if ext else 47)))
    def call(self, t, function):
        """Calls function(t) when the bus gets there."""
        self.seq += 1
        heappush(self.later, (t, -1, self.seq, function))
    def run_bus(self, bus, tester=None):
        """Sweeps over the releases: arbitration, errors, bus-off, log rows."""
        rate, rng, trouble = self.vehicle.rates[bus], self.rng, self.trouble
        by_prio, length = self.by_prio[bus], self.day.length
        for unit in self.vehicle.units: unit.off_until, unit.tec = 0.0, 0
        events = []
        for prio, msg in by_prio.items():
            events += [(t, prio, k) for t, k in self.releases[msg.prio, bus] if t >= 0]
        for a, b, _, _, _, period, where, _ in trouble.floods:
            if where == bus:
                t, prio = a, self.flood_prio
                while t < min(b, length):
                    events.append((t, prio, -1))
                    t += period * (.95 + .1 * rng.random())
        events.sort()
        events.append((1e12, 0, 0))
        self.later, self.bus = [(1e12, 0, 0, None)], bus
        later = self.later
        for t, where, place in trouble.edges:
            if where == bus: self.call(t, ("edge", place))
        shorts = [s for s in trouble.short.get(bus, []) if s[0] < length]
        noise = [n for n in trouble.noise if n[4] == bus]
        hot = union([(a, b) for a, b, *_ in noise])
        hot_at, short_at, pend, pending, at = 0, 0, [], {}, 0
        free, spent = 0.0, 0
        self.live = dict(self.seen)
        if tester: tester.begin(self)
        rows, gaps = self.rows, self.gaps
        last_seen, bit, random = self.live, 1 / rate, rng.random
        while True:
            nxt = events[at][0]
            if later[0][0] < nxt: nxt = later[0][0]
            now = free if pend and free >= 0 else nxt if nxt > free else free
            if now > length: break
            while short_at < len(shorts) and shorts[short_at][1] <= now:
                self.shorted(bus, shorts[short_at], set())
                short_at += 1
            if short_at < len(shorts) and shorts[short_at][0] <= now:
                a, b = shorts[short_at]
                hit = {pending[p][0].unit for p in pend if p in by_prio}
                while events[at][0] < b:
                    if events[at][1] in by_prio: hit.add(by_prio[events[at][1]].unit)
                    at += 1
                self.shorted(bus, (a, b), hit)
                pend, pending, free = [], {}, b
                short_at += 1
                continue
            while events[at][0] <= now:
                t, prio, k = events[at]
                at += 1
                if prio in pending: continue
                msg = by_prio[prio] if k >= 0 else None
                if msg and (t < msg.unit.off_until or t < msg.src.off_until):
                    self.lost[msg.unit.place] = self.lost.get(msg.unit.place, 0) + 1
                    continue
                if msg and msg.kind == "dm1" and self.long_dm1(msg.unit, t): continue
                pending[prio] = (msg, k)
                heappush(pend, prio)
            while later[0][0] <= now:
                t, prio, _, thing = heappop(later)
                if prio < 0:
                    if isinstance(thing, tuple):
                        self.error(t, bus, thing[1])
                        free = max(free, t + 30 * bit)
                    else: thing(t)
                    continue
                unit = thing[2]
                if unit is not None and not inside(unit.run, t): continue
                while prio in pending: prio += 1e-3
                pending[prio] = (None, thing)
                heappush(pend, prio)
            if not pend: continue
            prio = pend[0]
            msg, k = pending[prio]
            if hot:
                while hot_at < len(hot) and hot[hot_at][1] <= now: hot_at += 1
                if hot_at < len(hot) and hot[hot_at][0] <= now:
                    unit = (msg.unit if msg else k[2] if isinstance(k, tuple) else None)
                    p = self.damage(noise, now, unit)
                    if p and random() < p:
                        free = now + (20 + random() * 80) * bit
                        spent += (free - now) * rate
                        self.error(free, bus, unit.place if unit else None)
                        if unit:
                            unit.tec += 8
                            if unit.tec > 255:
                                unit.tec = 0
                                unit.off_until = now + unit.recovery * (.8 + .4 * random())
                                pend = [q for q in pend if not self.sender(pending[q], unit)]
                                pend.sort()
                                pending = {q: pending[q] for q in pend}
                        continue
            heappop(pend)
            del pending[prio]
            if msg:
                unit = msg.unit
                if unit.tec: unit.tec -= 1
                data = self.payload(msg, k, now)
                free = now + msg.bits * bit
                spent += msg.bits
                rows.append((free, bus, msg.now_text, data))
                place = msg.src.place
                if place in trouble.foreign and trouble.foreign[place].get("ids"): continue
                before = last_seen[place]
                if free - before > msg.src.patience:
                    gaps.setdefault((bus, place), []).append((before + 1e-4, free))
                last_seen[place] = free
            else:
                text, data, bits = self.flood if k == -1 else (k[0], k[1], k[3] + 9 * len(k[1]))
                free = now + bits * bit
                spent += bits
                rows.append((free, bus, text, data.hex().upper()))
        for place, before in last_seen.items():
            if bus != self.vehicle.units[place].bus and (bus, place) not in gaps: continue
            gaps.setdefault((bus, place), []).append((before, 2e9))
        self.bits[bus] = spent / rate / length
    @staticmethod
    def sender(item, unit):
        """Is this waiting frame of the unit?"""
        return item[0] is not None and item[0].unit is unit
    def damage(self, noise, now, unit):
        """Chance that this frame is damaged now."""
        p = 0.0
        for a, b, place, share, _ in noise:
            if a <= now < b:
                if place is None:
                    p = max(p, share * (1 if not unit else .4 + (unit.place * 37 % 13) / 10))
                elif unit and unit.place == place: p = max(p, share)
                else: p = max(p, share * .06)
        return min(p, .98)
    def shorted(self, bus, span, hit):
        """Bus wires shorted: all that have something to send run into bus-off."""
        a, b = span
        rng = self.rng
        for unit in sorted(hit, key=lambda u: u.place):
            if rng.random() < .85: unit.off_until = b + unit.recovery * (.8 + .4 * rng.random())
            self.errs[unit.place] = self.errs.get(unit.place, 0) + 1
        self.errs["bus"] = self.errs.get("bus", 0) + 1 + len(hit)
        t = a
        for _ in range(min(200, 6 + 32 * len(hit))):
            t += (17 + rng.random() * 10) / self.vehicle.rates[bus]
            if t >= min(b, self.day.length): break
            self.errors.append((t, bus, "short"))
    def error(self, t, bus, place):
        """Somebody's frame was damaged."""
        self.errors.append((t, bus, "frame"))
        place = "bus" if place is None else place
        self.errs[place] = self.errs.get(place, 0) + 1
    def payload(self, msg, k, now):
        """Data of one frame; counters count releases since boot."""
        body, kind = msg.work, msg.kind
        if kind == "count":
            body[0] = (body[0] & 0xF0) | (k & 15)
            body[-1] = (body[0] * 29 + k * 7) & 0xFF
        elif kind == "signal":
            if k & 7 == 0:
                at = k % msg.dlc
                body[at] = (body[at] + self.rng.choice((-3, -1, 0, 1, 2))) & 0xFF
        elif kind == "rpm":
            body[0], body[2:4] = k & 15, int(self.rpm(now) * 4).to_bytes(2, "big")
        elif kind == "eec1": body[3:5] = int(self.rpm(now) * 8).to_bytes(2, "little")
        elif kind == "volt":
            rpm = self.rpm(now)
            volt = 14.1 if rpm > 300 else 9.6 if rpm else 12.4
            if self.vehicle.truck: volt *= 2
            raw = int((volt + self.rng.random() * .1) / .05)
            body[4], body[5] = raw & 0xFF, raw >> 8
        elif kind == "dm1": return self.dm1_text(msg.unit, now)
        return body.hex().upper()
    def rpm(self, now):
        """Engine speed by the key and the clock."""
        span = inside(self.day.run, now)
        if span: return 760 + 30 * self.rng.random() + (900 if 6 < (now - span[0]) % 21 < 9 else 0)
        return 180 + 60 * self.rng.random() if inside(self.day.crank, now) else 0
    def unheard(self, watcher, place, t):
        """Spans in which the watcher does not hear the other one, up to t."""
        trouble, other = self.trouble, self.vehicle.units[place]
        down = []
        if other.bus != watcher.bus:
            down = trouble.down + minus([(BEFORE, 1e10)], [
                (BEFORE if a <= 0 else a, b) for a, b in self.vehicle.gateway.run])
        if other.bus == watcher.bus or watcher.bus == 0:
            spans = list(self.gaps.get((watcher.bus, place), ()))
            if watcher.bus == self.bus and t - self.live.get(place, 0) > other.patience:
                spans.append((self.live.get(place, 0), t))
            spans = [s for s in spans if s[0] < t]
        else:
            spans = [s for table in (trouble.unpowered, trouble.open, trouble.hung)
                     for s in table.get(place, [])]
        if watcher.bus >= self.vehicle.recorded and other.bus == watcher.bus: spans = []
        spans = union(spans + down)
        mates = [b for s, b in trouble.together if watcher.place in s and place in s]
        for holes in mates: spans = minus(spans, holes)
        own = trouble.open.get(watcher.place, []) + trouble.short.get(watcher.bus, [])
        if own and not mates:
            spans = union(spans + own) if watcher.alone == "all" else minus(spans, union(own))
        return [(a, min(b, t)) for a, b in spans if a < t and min(b, t) > a]
    def codes(self, unit, t):
        """{(code, failure type): status byte} of a unit at t, its mask not yet applied."""
        key = (unit.place, int(t * 4))
        if key in self.code_cache: return self.code_cache[key]
        out, cleared = {}, self.cleared.get(unit.place, -1e9)
        nodtc = self.nodtc
        for (code, kind), status in self.trouble.past.get(unit.place, {}).items():
            if cleared < -1e8 or unit.keeps: out[code, kind] = status
        watching = minus(unit.watching, nodtc) if nodtc else unit.watching
        cycle = max((a for a, _ in self.day.on if a <= t), default=0)
        if cycle <= 0: cycle = BEFORE
        for place, delay, heal in unit.watches:
            other = self.vehicle.units[place]
            if other.bus != unit.bus and unit.bus == 0 and (0, place) not in self.known: continue
            wait = other.boot * 1.3 + other.late + .5
            grace = [(a - .1, a + wait) for a, _ in self.day.on if a > 0]
            if other.brown and self.vehicle.crank_weak:
                grace += [(a, b + wait) for a, b in self.day.crank]
            segs = minus(common(watching, self.unheard(unit, place, t)), union(grace))
            segs = [(a, b) for a, b in segs
                    if b - a >= delay and b > cleared and a + delay > cleared]
            if not segs: continue
            now = segs[-1][1] > t - min(heal, 1e8) and segs[-1][1] > cycle
            here = any(b > cycle for _, b in segs)
            cycles = len({max((c for c, _ in self.day.on if c <= a), default=0)
                          for a, _ in segs}) + (segs[0][0] < -30)
            status = now * 1 | here * 2 | 4 | (cycles >= unit.trips) * 8 | 0x20
            old = out.get((0xC000 | other.code, unit.ftype), 0)
            out[0xC000 | other.code, unit.ftype] = status | old
        own = self.trouble.open.get(unit.place, []) + self.trouble.short.get(unit.bus, [])
        own = [(a, min(b, t)) for a, b in common(watching, union(own)) if a < t]
        if unit.alone == "bus" and any(b - a > .3 and b > cleared for a, b in own):
            out[0xC073 if unit.bus == 0 else 0xC074, 0x88 if unit.ftype else 0] = 0x2E
        for code, kind, status, keep in unit.own_codes:
            if cleared < -1e8 or keep: out[code, kind] = status
        self.code_cache[key] = out
        return out
    def dtcs_1939(self, unit, t, active):
        """Four-byte trouble codes: source address n (SPN 2000 + n) with FMI 9, and own ones."""
        out = b""
        for (code, kind), status in sorted(self.codes(unit, t).items()):
            if bool(status & 1) != active: continue
            self.said.add((unit.place, code))
            if code in (0xC073, 0xC074): spn, fmi = 639, 9 if kind else 14
            else:
                other = [u for u in self.vehicle.units if u.code | 0xC000 == code
                         and u.address is not None]
                if other: spn, fmi = 2000 + other[0].address, 19 if unit.ftype == 0x29 else 9
                else: spn, fmi = 500 + code % 3000, 2 + kind % 3
            out += bytes((spn & 0xFF, spn >> 8 & 0xFF, (spn >> 16 & 7) << 5 | fmi, 1))
        return out
    def long_dm1(self, unit, t):
        """More than one active code: sent by broadcast transport; True if so."""
        codes = self.dtcs_1939(unit, t, True)
        if len(codes) <= 4: return False
        data = bytes((0x04, 0xFF)) + codes
        packets = (len(data) + 6) // 7
        self.push(t, 0x18ECFF00 | unit.address, True, bytes(
            (0x20, len(data) & 0xFF, len(data) >> 8, packets, 0xFF, 0xCA, 0xFE, 0x00)), unit)
        for n in range(packets):
            part = data[n * 7:n * 7 + 7].ljust(7, b"\xff")
            self.push(t + .055 * (n + 1), 0x18EBFF00 | unit.address, True,
                      bytes((n + 1,)) + part, unit)
        return True
    def dm1_text(self, unit, t):
        """DM1 of at most one code."""
        codes = self.dtcs_1939(unit, t, True)[:4]
        lamp = 0x04 if codes else 0x00
        return (bytes((lamp, 0xFF)) + codes.ljust(4, b"\0") + b"\xff\xff").hex().upper()
