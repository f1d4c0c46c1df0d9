"""Draw a vehicle out of one or two captures: identifiers renamed, senders, supplies, habits."""
import captures
import roles

class Unit:
    """A control unit: what it sends, how it is fed, whom it watches, how it answers."""
    def __init__(self, place, role, channel, rng):
        self.place, self.channel = place, channel
        self.name, self.code, fed, user = role[:4]
        self.called = roles.called(self.code)
        self.keys, self.ids, self.extra_ids = [], [], []   # keys: streams, by (bus letter, key)
        self.ignition = rng.random() < fed
        self.user = rng.random() < user
        self.after_run = rng.choice((0.02, 0.1, 0.3, 1, 3, 8, 20)) * rng.uniform(0.5, 1.5)
        self.boot = rng.choice((0.04, 0.1, 0.2, 0.5, 1.2, 2.5)) * rng.uniform(0.6, 1.5)
        self.stagger = rng.choice((0.0, 0.005, 0.05, 0.3)) * rng.uniform(0.5, 1.5)
        self.pulses = rng.random() < 0.06
        self.reset_low = rng.random() < 0.15      # the cranking dip resets it
        self.flushes = rng.random() < 0.6         # sends waiting frames when the bus returns
        self.off_time = rng.choice((0.01, 0.1, 0.2, 1.0))  # recovery from bus-off
        self.answer = self.request = self.address = None
        self.watches = {}       # place: seconds of absence
        self.blind = rng.uniform(2.5, 7)
        self.trips = rng.choice((1, 1, 2))
        self.mask = rng.choice((0xFF, 0xFF, 0x7F, 0x2F, 0x0F, 0x29, 0x09, 0x8D, 0x7B, 0xAF))
        self.sub = rng.choice((0x87, 0x87, 0x87, 0x00, 0x08, 0x81, 0x31))
        self.own_code = rng.random() < 0.3
        self.latency = rng.choice((0.002, 0.006, 0.012, 0.03, 0.045))
        self.pad = rng.choice(("00", "AA", "55", "FF", "CC"))
        self.pends, self.short_pad = rng.random() < 0.08, rng.random() < 0.05
        self.reads_codes = rng.random() < 0.97   # answers 19 02 at all
        self.knows_vin = rng.random() < 0.55 or self.name == "engine"
        self.speaks_dm1 = rng.random() < 0.7
    def become(self, name, code):
        self.name, self.code, self.called = name, code, roles.called(code)
    def truth(self):
        return {"name": self.name, "called": self.called, "channel": self.channel,
                "ids": ["0x" + i for i in sorted(set(self.ids) | set(self.extra_ids))],
                "answer": self.answer and "0x" + self.answer,
                "request": self.request and "0x" + self.request, "address": self.address}

class Vehicle:
    """Everything that stays with the vehicle from day to day."""
    def __init__(self, rng):
        kind = rng.random()
        self.kind = "truck" if kind < 0.22 else "car29" if kind < 0.34 else "car"
        self.units, self.gateway, self.renamed, self.two_recorded = [], None, {}, False
        self.forward = {}                 # (bus letter, key) carried over: every nth frame
        self.bitrate, self.days, self.boots = [500000, 500000], {}, {}
        if self.kind == "truck": self._truck(rng)
        else: self._car(rng)
        self.vin = random_vin(rng)
        self.latency = rng.choice((0.0003, 0.0008, 0.002, 0.006))
        self.tester_gap = rng.choice((0.005, 0.03, 0.08, 0.2))
        self.reports_errors = rng.random() < 0.6
        self.stamp = rng.choice((0, 0, 0, 0, 0, 0, 0, 0.0001, 0.001))
        self._watch(rng)
        self._harness(rng)
    def stream(self, letter, key, day):
        """The stream of an identifier in the capture that stands for a day (or in any other)."""
        options = self.days[letter]
        for n in range(len(options)):
            found = captures.streams(options[(day + n) % len(options)]).get(key)
            if found: return found
        raise KeyError(key)
    def _car(self, rng):
        two = rng.random() < 0.55
        letters = rng.sample(sorted(captures.CARS), 1 + two)
        self.two_recorded = two and rng.random() < 0.45
        names = roles.parse(roles.CAR_MAIN) + ([] if two else roles.parse(roles.CAR_BODY))
        rng.shuffle(names)
        for channel, letter in enumerate(letters):
            caps, boot, lacking = captures.CARS[letter]
            slot = "ab"[channel]
            self.days[slot] = caps
            self.boots[slot] = boot
            common = [k for k in captures.streams(caps[0])
                      if all(k in captures.streams(c) for c in caps)]
            rare = [k for k in captures.streams(caps[0]) if k not in common]
            if channel:
                names = roles.parse(roles.CAR_BODY) + names[:2]
                rng.shuffle(names)
            cap = 10 ** rng.uniform(2.5, 3.2) * (0.6 if two else 1)
            wanted = rng.choice((5, 7, 9, 11, 14)) if not channel else rng.choice((3, 4, 6, 8))
            keep = self._thin(common, slot, cap, rng)
            engine = captures.never_heard(caps[0], lacking) if letter != "f" else set()
            groups = self._groups(keep, slot, wanted, engine if not channel else set(), rng)
            for n, group in enumerate(groups):
                role = names.pop()
                if not channel and n == 0: role = roles.ENGINE
                elif not channel and two and n == 1: role = roles.GATEWAY
                unit = Unit(len(self.units), role, channel, rng)
                unit.keys = [(slot, k) for k in group]
                if role is roles.GATEWAY: self.gateway = unit.place
                self.units.append(unit)
            mine = [u for u in self.units if u.channel == channel]
            for key in rare:
                if rng.random() < 0.5: rng.choice(mine).keys.append((slot, key))
        if not any(u.name == "restraint" for u in self.units):
            free = [u for u in self.units if u.channel == 0 and u.place > 1] or self.units[-1:]
            unit = rng.choice(free)
            unit.become("restraint", "U0151")
        for role in names[:rng.choice((0, 0, 1, 2))]:      # heard only by the tester
            if self.gateway is not None:
                self.units.append(Unit(len(self.units), role, rng.choice((1, 2)), rng))
        self._carry(rng)
        self._rename_car(rng)
        self._addresses(rng)
    def _carry(self, rng):
        if self.gateway is None: return
        share = rng.uniform(0.2, 0.8)
        for unit in self.units:
            mine = 0
            for key in unit.keys:
                if unit.channel == 1 and (rng.random() < share or not mine):
                    self.forward[key] = rng.choice((1, 1, 1, 1, 2, 5))
                    mine += 1
                elif unit.channel == 0 and self.two_recorded and rng.random() < share * 0.3:
                    self.forward[key] = 1
    def _thin(self, keys, slot, cap, rng):
        keys = list(keys)
        rng.shuffle(keys)
        kept, rate = [], 0.0
        for key in keys:
            s = self.stream(slot, key, 0)
            own = len(s.times) / (s.slots * s.period)
            if rate + own < cap or len(kept) < 9:
                kept.append(key)
                rate += own
        return sorted(kept)
    def _groups(self, keys, slot, wanted, engine, rng):
        """Senders: engine identifiers as a capture without engine shows; others by clock."""
        first = [k for k in keys if k[1] in engine]
        rest = [k for k in keys if k[1] not in engine]
        clock = {k: self.stream(slot, k, 0).ppm for k in rest}
        rest.sort(key=lambda k: (clock[k] is None, clock[k] or 0, k))
        wanted = max(2, min(wanted - bool(first), int(len(rest) * 0.7)))
        steps = []
        for n in range(1, len(rest)):
            a, b = clock[rest[n - 1]], clock[rest[n]]
            wide = abs(b - a) if a is not None and b is not None else 50
            steps.append((rng.random() ** (1 / (1 + wide)), n))
        cuts = sorted(n for _, n in sorted(steps, reverse=True)[:wanted - 1])
        groups = [rest[a:b] for a, b in zip([0] + cuts, cuts + [len(rest)])]
        rng.shuffle(groups)
        if not first:
            groups.sort(key=lambda g: -sum(1 / self.stream(slot, k, 0).step for k in g))
            first, groups = groups[0], groups[1:]
            rng.shuffle(groups)
        return [first] + groups
    def _rename_car(self, rng):
        for slot in "ab":
            keys = sorted({k for u in self.units for s, k in u.keys if s == slot})
            if not keys: continue
            if self.kind == "car":
                pool = [i for i in range(rng.choice((1, 0x20, 0x80)), 0x6F0)
                        if f"{i:03X}" not in self.renamed.values()]
                grain = rng.choice((1, 1, 2, 4, 8))
                grained = [i for i in pool if i % grain == 0]
                if len(grained) > len(keys) * 1.3: pool = grained
                if rng.random() < 0.5:   # crowded in places, as real identifiers are
                    spots = [rng.choice(pool) for _ in range(rng.randint(3, 8))]
                    near = [i for i in pool if min(abs(i - s) for s in spots) < 60]
                    pool = near if len(near) > len(keys) else pool
                new = [f"{i:03X}" for i in sorted(rng.sample(pool, len(keys)))]
            else:
                style = rng.choice(("paged", "grouped", "wide"))
                seen = set(self.renamed.values())
                new = set()
                while len(new) < len(keys):
                    i = {"paged": 0x10000000 | rng.randrange(0x4000) << 13 | rng.randrange(64) + 0x40,
                         "grouped": rng.choice((0x12DD, 0x16A9, 0x17F0, 0x1B00)) << 16
                         | rng.randrange(0x800) << 4,
                         "wide": rng.randrange(1 << 20, 0x18000000)}[style] & 0x1FFFFFFF
                    if i >> 16 not in (0x18DA, 0x18DB, 0x18EA, 0x18EC) and f"{i:08X}" not in seen:
                        new.add(f"{i:08X}")
                new = sorted(new)
            for key, name in zip(keys, new): self.renamed[slot, key, key[1]] = name
        for unit in self.units: unit.ids = [self.renamed[s, k, k[1]] for s, k in unit.keys]
    def _addresses(self, rng):
        used = set()
        gap = rng.choice((8, 8, 0x20, 0x6A))
        for unit in self.units:
            answers = rng.random() < 0.92 or unit.name == "engine"
            if self.kind == "car29":
                pool = [0x10, 0x11] if unit.name == "engine" else [0x18, 0x1D] \
                    if unit.name == "transmission" else list(range(0x20, 0xE0))
                a = rng.choice([x for x in pool if x not in used])
                used.add(a)
                unit.request, unit.answer = f"18DA{a:02X}F1", f"18DAF1{a:02X}"
            else:
                if unit.name == "engine": pair = (0x7E0, 0x7E8)
                elif unit.name == "transmission" and rng.random() < 0.8: pair = (0x7E1, 0x7E9)
                else:
                    pool = [r for r in range(0x700, 0x7D6) if r not in used
                            and r + gap not in used and r + gap < 0x7DF and (r & gap) == 0
                            or gap == 0x6A and r < 0x76A and r not in used]
                    r = rng.choice(pool)
                    pair = (r, r + gap)
                used.update(pair)
                unit.request, unit.answer = f"{pair[0]:03X}", f"{pair[1]:03X}"
            if not answers and unit.keys: unit.request = unit.answer = None
    def _truck(self, rng):
        base = rng.choice("111222kkkkkks")
        caps = captures.TRUCKS[base]
        self.days["a"] = caps
        self.boots["a"] = None
        keys = [k for k in captures.streams(caps[0]) if all(k in captures.streams(c) for c in caps)]
        two = len({k[0] for k in keys}) == 2
        main = "can1"
        if two and rng.random() < 0.3:
            two, main = False, "can0"
            keys = [k for k in keys if k[0] == main]
        self.two_recorded = two
        self.bitrate = [250000, 500000 if two else 250000]
        keys = self._thin(keys, "a", 10 ** rng.uniform(2.3, 3.0), rng)
        many = {}
        for _, ident in keys:
            if len(ident) == 8: many.setdefault(ident[:6], set()).add(ident[6:])
        senders = {}
        for ch, ident in keys:
            if ident.startswith("TP"): sa = int(ident[2:], 16)
            elif len(ident) < 8: sa = 0xA2
            else:
                sa = int(ident[-2:], 16)
                if len(many[ident[:6]]) > 7 or (ident[2:4] == "FF" and sa in (5, 6, 7, 8, 9, 10)):
                    sa = 0xA0
            senders.setdefault((ch, sa), []).append((ch, ident))
        spare = roles.parse(roles.TRUCK_SPARE)
        known = {int(r[4], 16): r for r in roles.parse(roles.TRUCK)}
        rng.shuffle(spare)
        fixed = {0x00, 0xFF, 0xFE, 0xFA} | {a for a in range(256) if rng.random() < 0.4}
        moving = [a for a in range(1, 0xF0) if a not in fixed]
        to = dict(zip(moving, rng.sample(moving, len(moving))))
        mix, taken = rng.randrange(256), set()
        for (ch, sa), group in sorted(senders.items()):
            parts = [group]
            if len(group) > 9 and len(senders) < 8:    # a busy sender becomes two or three
                rng.shuffle(group)
                n = rng.randint(2, 4)
                parts = [sorted(group[i::n]) for i in range(n)]
            for n, part in enumerate(parts):
                role = known.get(sa) if not n else None
                if role is None or role[0] in taken:
                    role = next((r for r in spare if r[0] not in taken), None)
                    if role is None:
                        last = self.units[-1]
                        same = [k for k in part if (k[0] == main) == (not last.channel)]
                        last.keys += [("a", k) for k in same]
                        for key in part: self._rename_truck(key, to, last.address, mix)
                        continue
                taken.add(role[0])
                channel = 0 if ch == main or not two else 1
                unit = Unit(len(self.units), role, channel, rng)
                unit.keys = [("a", k) for k in part]
                unit.address = to.get(sa, sa)
                if n:
                    busy = {u.address for u in self.units} | {to.get(a, a) for _, a in senders}
                    pool = [a for a in range(0x28, 0xEF) if a not in busy]
                    unit.address = rng.choice(pool)
                self.units.append(unit)
                for key in part: self._rename_truck(key, to, unit.address if n else None, mix)
        if self.two_recorded:
            names = [u for u in self.units if u.channel == 0 and u.place]
            if names and rng.random() < 0.8:
                unit = rng.choice(names)
                unit.become(*roles.GATEWAY[:2])
                self.gateway = unit.place
                self._carry(rng)
        if not any(u.name == "restraint" for u in self.units):
            unit = self.units[-1] if self.units[-1].place != self.gateway else self.units[-2]
            unit.become("restraint", "U0151")
        for unit in self.units:
            unit.ids = [name for (s, k, _), name in self.renamed.items() if (s, k) in unit.keys]
    def _rename_truck(self, key, to, address, mix):
        idents = [key[1]]
        if key[1].startswith("TP"):
            sa = key[1][2:]
            idents = [i + sa for i in ("1CECFF", "1CEBFF", "18ECFF", "18EBFF")]
            seen = {i for c in self.days["a"] for i in self.stream("a", key, 0).idents}
            idents = [i for i in idents if i in seen]
        for ident in idents:
            if len(ident) < 8:
                self.renamed["a", key, ident] = f"{(int(ident, 16) ^ mix) & 0x7FF:03X}"
                continue
            i = int(ident, 16)
            sa, ps, pf = i & 255, i >> 8 & 255, i >> 16 & 255
            new_sa = address if address is not None else to.get(sa, sa)
            if pf == 0xFF: ps ^= mix
            elif pf < 240: ps = to.get(ps, ps)
            name = f"{i & 0x1F000000 | pf << 16 | ps << 8 | new_sa:08X}"
            while name in self.renamed.values():
                name = f"{(int(name, 16) ^ 0x0100) + 0x0200 & 0x1FFFFFFF:08X}"
            self.renamed["a", key, ident] = name
    def _watch(self, rng):
        share = rng.uniform(0.25, 0.9)
        base = rng.choice((0.15, 0.3, 0.5, 1.0, 2.0, 5.0))
        for unit in self.units:
            gaps = {k: max(self.stream(*k, day).gap for day in range(len(self.days[k[0]])))
                    for k in unit.keys}
            unit.norm = min(gaps.values(), default=9.0)
            far = [g * self.forward[k] for k, g in gaps.items() if k in self.forward]
            unit.norm_far = min(far, default=9.0)
        for w in self.units:
            eager = rng.uniform(0.4, 1.3)
            for x in self.units:
                far = x.channel != w.channel
                norm = x.norm_far if far else x.norm
                if x is w or not x.keys or norm > 3: continue
                if far and (self.gateway is None or w.channel > 1 or
                            not any(k in self.forward for k in x.keys)):
                    continue
                chance = share * eager * (1.4 if x.name in ("engine", "abs", "body") else 0.8)
                if rng.random() < chance:
                    w.watches[x.place] = max(base * rng.uniform(0.5, 2), 3 * norm + 0.1)
    def _harness(self, rng):
        """Fuses and splices: which units share a supply, which a branch of the bus."""
        self.fuses, self.branches = [], []
        for channel in (0, 1):
            here = [u.place for u in self.units if u.keys and u.channel == channel
                    and u.place != self.gateway]
            if channel and not self.two_recorded and self.gateway is not None: continue
            for store in (self.fuses, self.branches):
                left = here[:]
                rng.shuffle(left)
                while len(left) > 3:
                    n = min(rng.choice((2, 2, 3, 3, 4, 5)), len(left) - 2)
                    store.append(sorted(left[:n]))
                    left = left[n:]
                if len(here) >= 3 and not store: store.append(sorted(rng.sample(here, 2)))
    def on_connector(self, unit):
        return bool(unit.keys) and (unit.channel == 0 or self.two_recorded and unit.channel == 1)

def random_vin(rng):
    signs = "ABCDEFGHJKLMNPRSTUVWXYZ0123456789"
    head = rng.choice(("WVW", "WBA", "VF1", "ZFA", "JTD", "KMH", "1FT", "2HG", "YV1", "SAL", "TMB"))
    return head + "".join(rng.choice(signs) for _ in range(8)) + f"{rng.randrange(10**6):06d}"
