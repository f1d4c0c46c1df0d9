"""Invented vehicles of a workshop's year: buses, units, messages, wiring, who watches whom."""

import os
from bisect import bisect_right

def order(ident, ext):
    """Arbitration order: the lower wins; a base frame beats an extended one."""
    return ident * 2 + 1 if ext else (ident << 18) * 2

def named(ident, ext):
    """The identifier as candump writes it."""
    return f"{ident:08X}" if ext else f"{ident:03X}"

class Msg:
    """One message sent by schedule; src is whose content it is (routed: another unit's)."""
    def __init__(self, unit, ident, ext, period, dlc, kind="signal"):
        self.unit, self.src, self.id, self.ext = unit, unit, ident, ext
        self.period, self.dlc, self.kind = period, dlc, kind
        self.offset, self.jitter, self.only = 0.0, 0.0002, None
        self.route_of, self.delay, self.event, self.breath = None, 0.0, 0.0, None
        self.every = 1
        self.body, self.slow = bytearray(dlc), 0
    @property
    def prio(self):
        """Its place in arbitration."""
        return order(self.id, self.ext)

class Unit:
    """One control unit."""
    def __init__(self, place, name, code, called, bus):
        self.place, self.name, self.code, self.called, self.bus = place, name, code, called, bus
        self.msgs, self.watches = [], []
        self.address = self.request = self.answer = None
        self.obd = self.optional = self.gateway = False
        self.fuse = self.branch = None
        self.wake, self.vin_kept = "ign", False
        self.own_codes = []

def load_tables():
    """The units that vehicles may have, from units.tsv."""
    tables = {"car": [], "added": [], "gateway": [], "truck": []}
    with open(os.path.join(os.path.dirname(__file__), "units.tsv"), encoding="utf-8") as file:
        rows = [line.rstrip("\n").split("\t") for line in file if not line.startswith("#")]
    for kind, name, code, called, *rest in rows:
        if kind == "truck":
            msgs = [m.split("/") for m in rest[2].split()]
            tables[kind].append((name, int(code, 16), called, int(rest[0], 16), tuple(float(c) for c
                    in rest[1].split()), [(int(p[:2], 16), int(p[2:], 16), int(ms), int(prio)) for
                    p, ms, prio in msgs]))
        else:
            chance, low, high, periods, wake, emission, optional, side, since = rest
            tables[kind].append((name, int(code, 16), called, float(chance), (int(low), int(high)),
                                 tuple(map(int, periods.split())), wake, int(emission),
                                 int(optional), side, int(since)))
    return tables

TABLES = load_tables()
CARS, TRUCKS = TABLES["car"], TABLES["truck"]
ADDED, GATEWAY = TABLES["added"][0], TABLES["gateway"][0]
ALPHABET = "ABCDEFGHJKLMNPRSTUVWXYZ0123456789"

def some_vin(rng):
    """Seventeen characters, no check digit (not every country has one)."""
    return "".join(rng.choice(ALPHABET) for _ in range(11)) + f"{rng.randrange(10 ** 6):06d}"

CHOICES = {
    "boot": (.04, .08, .15, .25, .4, .7, 1.2, 2.5), "late": (0, 0, .1, .3, 1), "warm": (.3, .5, 1),
    "hold": (0, .002, .01, .05, .2), "recovery": (.003, .005, .01, .05, .1, .2, .5, 1.0),
    "blind": (.2, .5, 1, 2, 3, 5), "after": (.1, .5, 1, 3, 8, 15, 40), "trips": (1, 1, 1, 2),
    "mask": (0xFF, 0xFF, 0x7F, 0x0D, 0x2F, 0x09, 0x08, 0x8F, 0x0B, 0xAF, 0x7B),
    "ftype": (0x00, 0x00, 0x87, 0x87, 0x87, 0x31, 0x29, 0x08), "p2": (.002, .005, .01, .02, .035),
    "alone": ("all", "bus", "bus", "none"), "pad": (0x00, 0xAA, 0x55, 0xFF, 0xCC),
    "cf": (.0006, .002, .005, .01), "nm_tick": (0, 0, .0005, .001, .0025),
    "shaky": (.00003, .0001, .0001, .0003, .001)}
SHARES = {"flush": .6, "forgets": .15, "shy": .06, "keeps": .07, "brown": .3, "vin_kept": .35}

class Vehicle:
    """All that does not change from day to day."""
    def __init__(self, rng, need_gateway=False, need_airbag=False):
        self.rng, roll = rng, rng.random()
        self.kind = ("car" if roll < .58 else "van" if roll < .70 else "truck" if roll < .84
                     else "coach" if roll < .90 else "tractor" if roll < .95 else "digger")
        self.year = rng.randint(1999, 2025)
        self.truck = self.kind in ("truck", "coach", "tractor", "digger")
        if need_airbag and self.kind in ("tractor", "digger"): self.kind = "truck"
        self.j29 = not self.truck and self.year > 2007 and rng.random() < .22
        self.ids29 = self.j29 and rng.random() < .5
        self.label = "truck" if self.truck else "car29" if self.j29 else "car"
        self.vin = some_vin(rng)
        self.rates = [rng.choice((250000, 250000, 500000)) if self.truck else 500000]
        if not self.truck and rng.random() < .10:
            self.rates = [rng.choice((33333, 83333, 100000, 125000, 125000))]
        low, self.recorded = self.rates[0] < 200000, 1
        self.has_gateway = need_gateway or rng.random() < (.3 if self.truck else .55) and not low
        if self.has_gateway or rng.random() < .2:
            self.rates.append(rng.choice((250000, 500000, 250000)) if self.truck
                              else rng.choice((33333, 83333, 100000, 125000, 125000, 500000)))
            if rng.random() < .4 or not self.has_gateway: self.recorded = 2
        self.units, self.gateway, self.used = [], None, [set() for _ in self.rates]
        for row in (TRUCKS if self.truck else CARS): self.maybe(row, need_airbag, low)
        if self.has_gateway: self.add_gateway()
        if self.truck is False and rng.random() < (.5 if self.kind == "van" else .06):
            self.add_car(ADDED, rng.choice((0, len(self.rates) - 1)))
        self.balance()
        self.groups()
        self.diagnostics()
        self.watch()
        age = rng.uniform(max(self.year, 2003) + .1, 2025.9) - 1970
        self.date = age * 31556926 if rng.random() < .9 else rng.random() * 5e4
        self.sleep = rng.choice((2, 5, 10, 20, 40, 90)) * (.7 + .6 * rng.random())
        self.crank_weak = rng.random() < .25
    def maybe(self, row, need_airbag, low):
        """Fits a unit or not, and puts it on a bus."""
        rng = self.rng
        if self.truck:
            column = ("truck", "coach", "tractor", "digger").index(self.kind)
            chance = row[4][column]
            if need_airbag and row[0] == "airbag": chance = 1
            if rng.random() < chance:
                bus = 0
                if len(self.rates) > 1 and row[3] != 0 and rng.random() < .35: bus = 1
                self.add_truck(row, bus)
            return
        chance, side, since = row[3], row[9], row[10]
        if need_airbag and row[0] == "airbag": chance, since = 1, 1999
        if self.year < since: chance *= .1
        if low and "c" not in side: chance *= .15
        chance *= .75 + .5 * rng.random() if chance < .9 else 1
        if rng.random() < chance:
            bus = 0
            if len(self.rates) > 1 and "c" in side:
                bus = 1 if rng.random() < (.8 if side == "c" else .3) else 0
            if need_airbag and row[0] == "airbag": bus = 0
            self.add_car(row, bus)
    def habits(self, unit):
        """How the unit boots, sleeps, queues, recovers and remembers."""
        rng = self.rng
        for name, values in CHOICES.items(): setattr(unit, name, rng.choice(values))
        for name, share in SHARES.items(): setattr(unit, name, rng.random() < share)
        unit.ppm = rng.gauss(0, 40 if rng.random() < .8 else 400)
        unit.boot *= .8 + .4 * rng.random()
        unit.warm, unit.after = unit.boot * unit.warm, unit.after * (.7 + .6 * rng.random())
        unit.vin_kept = unit.obd or unit.vin_kept
        unit.uds = rng.random() < (.93 if self.year > 2005 else .75)
        return unit
    def new_id(self, bus, period, unit):
        """An unused identifier; mostly the quicker the lower."""
        rng = self.rng
        for _ in range(10000):
            if self.ids29:
                ident = (rng.randrange(4, 28) << 24) | (rng.randrange(256) << 16) | (
                    rng.choice((0x10, 0x20, 0x90)) << 8 | (unit.place * 3 & 0xFF))
            else:
                low, high = ((0x020, 0x300) if period <= 20 else (0x100, 0x480)
                             if period <= 100 else (0x200, 0x6E0))
                if rng.random() < .15: low, high = 0x040, 0x6E0
                ident = rng.randrange(low, high)
                if 0x5F0 > ident > 0x540 or 0x640 <= ident < 0x660 or 0x240 <= ident < 0x260:
                    continue
            if ident not in self.used[bus]:
                self.used[bus].add(ident)
                return ident
        raise RuntimeError("no identifier free")
    def shape(self, msg):
        """Offset, jitter, habits of one message."""
        rng, unit = self.rng, msg.unit
        msg.offset = rng.random() * min(msg.period / 1000, .1) + rng.random() * unit.late * (
            rng.random() < .3)
        msg.jitter = unit.shaky
        msg.body[:] = bytes(rng.choice((0, 0, 255, rng.randrange(256))) for _ in range(msg.dlc))
        if msg.kind == "signal":
            msg.kind = rng.choice(("signal", "signal", "count", "count", "static"))
            if rng.random() < .03: msg.only = "run"
            elif rng.random() < .04: msg.event = rng.choice((.3, 1, 3))
            elif rng.random() < .02:
                msg.breath = 4 + rng.random() * 12, .5 + rng.random() * 1.5, rng.random() * 9
        unit.msgs.append(msg)
    def add_car(self, row, bus):
        """A unit of a car."""
        rng = self.rng
        unit = self.habits_of(row[0], row[1], row[2], bus, row[7])
        unit.wake, unit.optional = row[6], bool(row[8])
        if rng.random() < .1: unit.wake = rng.choice(("ign", "perm"))
        slow, rows = self.rates[bus] < 200000, rng.randint(*row[4])
        if self.year < 2006: rows = max(1, rows * 2 // 3)
        for _ in range(rows):
            period = rng.choice(row[5])
            if rng.random() < .06: period = rng.choice((14, 15, 25, 30, 40, 60, 80, 250, 300))
            if slow: period = max(period, rng.choice((100, 100, 200, 500)))
            dlc = 8 if rng.random() < .75 else rng.randint(1, 8)
            ident = self.new_id(bus, period, unit)
            self.shape(Msg(unit, ident, self.ids29, period, dlc))
        if unit.name == "engine":
            unit.msgs[0].kind = "rpm"
            if unit.msgs[0].dlc < 6: unit.msgs[0].dlc, unit.msgs[0].body = 8, bytearray(8)
        unit.msgs[0].only, unit.msgs[0].event, unit.msgs[0].breath = None, 0.0, None
        return unit
    def habits_of(self, name, code, called, bus, obd):
        """A new unit in the list."""
        unit = Unit(len(self.units), name, code, called, bus)
        unit.obd = bool(obd)
        self.habits(unit)
        self.units.append(unit)
        return unit
    def add_truck(self, row, bus):
        """A unit of a truck, coach or machine: the low byte of its identifiers is its address."""
        rng = self.rng
        unit = self.habits_of(row[0], row[1], row[2], bus, row[3] in (0x00, 0x3D))
        unit.address, unit.wake = row[3], rng.choice(("ign", "ign", "after"))
        if row[0] in ("cab", "telematics", "tachograph"): unit.wake = "perm"
        unit.optional = row[0] in ("radar", "climate", "crane", "power take-off")
        rows = [r for r in row[5] if rng.random() < .85] or [row[5][0]]
        while rng.random() < .35:
            rows.append((0xFF, rng.randrange(256), rng.choice((50, 100, 250, 500, 1000)), 6))
        for pf, ps, period, prio in rows:
            if pf == 0: ps = 0x00
            if (pf, ps) == (0xF0, 0x04): period = rng.choice((10, 20, 20, 50))
            ident = prio << 26 | pf << 16 | ps << 8 | unit.address
            if ident in self.used[bus]: continue
            self.used[bus].add(ident)
            msg = Msg(unit, ident, True, period, 8)
            self.shape(msg)
            if (pf, ps) == (0xF0, 0x04):
                msg.kind, msg.body[:] = "eec1", b"\x01\x7d\x7d\x00\x00\x00\xf0\x7d"
            elif (pf, ps) == (0xFE, 0xF7): msg.kind, msg.body[:] = "volt", b"\xff" * 8
            elif rng.random() < .7: msg.body[4:] = b"\xff" * 4
        unit.msgs[0].only, unit.msgs[0].event, unit.msgs[0].breath = None, 0.0, None
        if rng.random() < .85:
            msg = Msg(unit, 0x18FECA00 | unit.address, True, 1000, 8, "dm1")
            self.shape(msg)
        return unit
    def add_gateway(self):
        """The gateway, and what it carries over to the bus at the connector (and back)."""
        rng = self.rng
        if self.truck:
            row = ("gateway", 0x0146, "serial data gateway module a", 0x25, (1,) * 4,
                   [(0xFF, 0x60, 100, 6), (0xFF, 0x61, 1000, 6)])
            unit = self.add_truck(row, 0)
        else: unit = self.add_car(GATEWAY, 0)
        unit.gateway, unit.optional, self.gateway = True, False, unit
        unit.wake, behind = "perm", [u for u in self.units if u.bus == 1]
        while len(behind) < 2:
            if self.truck:
                rows = [r for r in TRUCKS if r[3] not in {u.address for u in self.units}]
                behind.append(self.add_truck(rng.choice(rows), 1))
            else:
                rows = [r for r in CARS if r[1] not in {u.code for u in self.units} and "c" in r[9]]
                behind.append(self.add_car(rng.choice(rows), 1))
        mirrored, unit.signal, found = rng.random() < .5, rng.random() < .4, 0
        for other in behind:
            for msg in other.msgs:
                if msg.kind != "dm1" and not msg.event and (
                        rng.random() < .55 or msg is other.msgs[0] and rng.random() < .7):
                    found += self.carry(unit, msg, 0, mirrored)
        if not found:
            self.carry(unit, behind[0].msgs[0], 0, mirrored)
            self.carry(unit, behind[1].msgs[0], 0, mirrored)
        if self.recorded > 1:
            for other in [u for u in self.units if u.bus == 0 and not u.gateway]:
                for msg in other.msgs:
                    if msg.period >= 50 and msg.kind != "dm1" and rng.random() < .3:
                        self.carry(unit, msg, 1, mirrored)
    def carry(self, gateway, msg, bus, mirrored):
        """One message carried over; True if it was."""
        ident = msg.id
        if not mirrored and not msg.ext or ident in self.used[bus]:
            if self.truck: return False
            ident = self.new_id(bus, msg.period, gateway)
        self.used[bus].add(ident)
        copy = Msg(gateway, ident, msg.ext, msg.period, msg.dlc, msg.kind)
        copy.src, copy.route_of, copy.body = msg.unit, msg, bytearray(msg.body)
        copy.delay, copy.bus = .0003 + .004 * self.rng.random() ** 2, bus
        if self.rates[bus] < 200000 and msg.period < 100:
            copy.every = max(1, 100 // int(msg.period))
        copy.jitter, copy.offset = gateway.shaky, msg.offset
        gateway.carried = getattr(gateway, "carried", []) + [copy]
        return True
    def bus_msgs(self, bus):
        """All messages by schedule on a bus."""
        own = [m for u in self.units if u.bus == bus for m in u.msgs]
        if self.gateway: own += [m for m in self.gateway.carried if m.bus == bus]
        return own
    def balance(self):
        """Slows messages down until each bus is loaded as a designer would allow."""
        rng = self.rng
        for bus, rate in enumerate(self.rates):
            limit = rng.uniform(.12, .5)
            msgs = self.bus_msgs(bus)
            for _ in range(400):
                load = sum((47 + 20 * m.ext + m.dlc * 8 * 1.1 + 6) * 1000 / (
                    m.period * m.every) for m in msgs) / rate
                if load < limit: break
                quick = min(msgs, key=lambda m: m.period * m.every
                            * (.5 + rng.random()))
                if quick.route_of:
                    quick.every *= 2
                    continue
                quick.period *= 2
                for m in (self.gateway.carried if self.gateway else ()):
                    if m.route_of is quick: m.period *= 2
        for unit in self.units:
            unit.fastest = min((m.period for m in unit.msgs if not
                                (m.only or m.event or m.breath)), default=1000) / 1000
            unit.patience = max(.05, 2 * unit.fastest)
    def groups(self):
        """Fuses and branches: two to five units each, by how near they happen to be."""
        rng = self.rng
        for bus in range(len(self.rates)):
            here = [u for u in self.units if u.bus == bus and not u.gateway]
            rng.shuffle(here)
            at = number = 0
            while at < len(here):
                size = rng.choice((1, 2, 2, 3, 3, 4))
                for unit in here[at:at + size]: unit.branch = (bus, number)
                at, number = at + size, number + 1
        here = [u for u in self.units if not u.gateway]
        rng.shuffle(here)
        here.sort(key=lambda u: u.bus >= self.recorded)
        at = number = 0
        while at < len(here):
            size = rng.choice((1, 2, 2, 3, 4))
            for unit in here[at:at + size]: unit.fuse = number
            at, number = at + size, number + 1
    def diagnostics(self):
        """Request and answer identifiers in the manner of one maker."""
        rng = self.rng
        style, emission = rng.choice(("plus8", "plus8", "plus8", "6A", "minus20", "plus400")), 0
        taken = set()
        for unit in self.units:
            if not unit.uds and not unit.obd: continue
            if self.truck:
                if rng.random() < .55:
                    unit.request = 0x18DA00F1 | unit.address << 8
                    unit.answer = 0x18DAF100 | unit.address
                continue
            if self.j29:
                unit.address = {"engine": 0x10, "gearbox": 0x18, "brakes": 0x28,
                                "airbag": 0x58, "cluster": 0x40}.get(unit.name)
                while unit.address is None or unit.address in taken:
                    unit.address = rng.randrange(0x11, 0xEF)
                taken.add(unit.address)
                unit.request = 0x18DA00F1 | unit.address << 8
                unit.answer = 0x18DAF100 | unit.address
                continue
            if unit.obd and emission < 8:
                unit.request, unit.answer = 0x7E0 + emission, 0x7E8 + emission
                emission += 1
                continue
            while True:
                if style == "plus8":
                    unit.request = 0x700 | rng.randrange(13) << 4 | rng.randrange(8)
                    unit.answer = unit.request + 8
                elif style == "6A":
                    unit.request = rng.randrange(0x700, 0x746)
                    unit.answer = unit.request + 0x6A
                elif style == "minus20":
                    unit.request = 0x740 + rng.randrange(0x18)
                    unit.answer = unit.request + 0x20
                else:
                    unit.request = 0x241 + rng.randrange(0x1E)
                    unit.answer = unit.request + 0x400
                if not taken & {unit.request, unit.answer}: break
            taken |= {unit.request, unit.answer}
    def watch(self):
        """Who misses whom, after what time; the engine and the brakes are missed most."""
        rng = self.rng
        zeal = rng.choice((.2, .35, .5, .8))
        fame = {"engine": 2.2, "brakes": 2, "gearbox": 1.6, "cluster": 1.3, "body": 1.3,
                "airbag": 1.2, "cab": 1.3, "gateway": 1.2}
        for unit in self.units:
            if rng.random() < .08: continue
            for other in self.units:
                if other is unit or not other.msgs: continue
                if other.bus != unit.bus and not self.crosses(other, unit.bus): continue
                if rng.random() < min(.95, zeal * fame.get(other.name, .7)):
                    delay, slow = rng.choice((.1, .25, .5, 1, 1, 2, 3, 5, 10)), other.fastest
                    if other.bus != unit.bus:
                        slow = min((m.period * m.every for m in self.gateway.carried if m.src is
                                other and m.bus == unit.bus), default=1000) / 1000
                    delay = max(delay, 5 * slow)
                    unit.watches.append((other.place, delay, rng.choice((.5, 1, 5, 1e9))))
    def crosses(self, other, bus):
        """Is anything of the other unit carried over to this bus?"""
        return bool(self.gateway) and (any(m.src is other and m.bus == bus for m in
                self.gateway.carried) or bus == 1 and self.recorded == 1 and other.bus == 0)

def inside(spans, t):
    """The span that holds t, or None; spans sorted and disjoint."""
    at = bisect_right(spans, (t, 1e99)) - 1
    return spans[at] if at >= 0 and spans[at][0] <= t < spans[at][1] else None

def union(spans):
    """Sorted and merged."""
    out = []
    for a, b in sorted(spans):
        if out and a <= out[-1][1]: out[-1] = (out[-1][0], max(b, out[-1][1]))
        elif b > a: out.append((a, b))
    return out

def minus(spans, holes):
    """What of spans is not in holes; both sorted and disjoint."""
    out = []
    for a, b in spans:
        for c, d in holes:
            if d <= a or c >= b: continue
            if c > a: out.append((a, c))
            a = max(a, d)
            if a >= b: break
        if a < b: out.append((a, b))
    return out

def common(one, two):
    """What is in both."""
    return [(max(a, c), min(b, d)) for a, b in one for c, d in two if max(a, c) < min(b, d)]
