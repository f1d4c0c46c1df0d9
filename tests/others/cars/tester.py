"""A generic tester at the diagnostic connector: ISO 15765-2 transport, OBD and UDS services."""

import memory
from traffic import frame, length, order


class Talk:
    """The conversation; it only knows of the answers what the units' memories hold."""

    def __init__(self, rng, car, day, plan, memories, gate_runs):
        self.rng, self.car, self.day, self.plan = rng, car, day, plan
        self.memories = memories
        self.alive = [memory.alive(car, day, plan, u, gate_runs) for u in car.units]
        self.releases = [[], []]
        self.time, self.serial = 0.0, 0
        self.clears, self.scans = [], []

    def send(self, time, ident, payload, unit=-1, channels=(0,)):
        """One frame; padded after the maker's habit, tester requests mostly with 00 or 55."""
        pad = self.car.pad if unit >= 0 else self.plan.tester_pad
        data = list(payload)
        if pad is not None:
            data += [pad] * (8 - len(data))
        self.serial += 1
        key = (order(ident), self.serial if unit >= 0 else 0)
        for channel in channels:
            lag = 0.0 if channel == 0 or unit < 0 else -0.001
            lag = 0.001 if channel == 1 and unit < 0 else lag
            self.releases[channel].append(
                (time + lag, key, unit, frame(ident, bytes(data).hex().upper()),
                 length(ident, len(data)), None))

    def answer(self, unit, payload, start):
        """A single frame, or first frame, flow control and consecutive frames."""
        channels = (0, 1) if unit.channel == 1 else (0,)
        source = unit.place
        if len(payload) <= 7:
            self.send(start, unit.answer, [len(payload)] + payload, source, channels)
            return start + 0.001
        head = [0x10 | len(payload) >> 8, len(payload) & 0xFF] + payload[:6]
        self.send(start, unit.answer, head, source, channels)
        self.send(start + 0.002, unit.request, [0x30, 0, self.plan.separation], -1, channels)
        time, rest, number = start + 0.004, payload[6:], 1
        while rest:
            time += max(0.0012, self.plan.separation / 1000) + self.rng.uniform(0, 0.001)
            self.send(time, unit.answer, [0x20 | number & 15] + rest[:7], source, channels)
            rest, number = rest[7:], number + 1
        return time + 0.001

    def ask(self, unit, payload, reply, tries=1):
        """A physical request; nothing comes back from a unit that cannot be reached."""
        channels = (0, 1) if unit.channel == 1 else (0,)
        for _ in range(tries):
            self.send(self.time, unit.request, [len(payload)] + payload, -1, channels)
            if memory.reachable(self.alive[unit.place], self.time):
                start = self.time + self.rng.uniform(0.004, 0.04)
                if self.rng.random() < 0.03:
                    self.send(start, unit.answer, [3, 0x7F, payload[0], 0x78], unit.place, channels)
                    start += self.rng.uniform(0.03, 0.2)
                self.time = self.answer(unit, reply, start) + self.rng.uniform(0.005, 0.05)
                return True
            self.time += self.rng.choice((0.05, 0.15, 0.5))
        return False

    def everyone(self, payload, reply):
        """A functional OBD request, answered by the emission units together."""
        self.send(self.time, self.car.functional, [len(payload)] + payload)
        last = self.time + 0.05
        for unit in self.car.units:
            if "o" in unit.flags and unit.answer and memory.reachable(
                    self.alive[unit.place], self.time):
                data = reply(unit)
                if data:
                    start = self.time + self.rng.uniform(0.003, 0.02)
                    last = max(last, self.answer(unit, data, start))
        self.time = last + self.rng.uniform(0.02, 0.15)

    def codes(self, unit):
        """Codes and status of a unit at this moment."""
        return memory.status(self.memories[unit.place], self.time, self.clears, self.day,
                             unit.place)

    def number(self, unit):
        """The vehicle identification number as this unit holds it."""
        odd = self.plan.foreign.get(unit.place)
        if odd == "blank":
            return [0xFF if unit.place % 2 else 0x00] * 17
        return list((odd or self.car.vin).encode())

    def obd(self):
        """Services 01, 03, 07, 0A and 09 to all emission units."""
        def listed(unit, service, bits):
            wanted = [c for c, s in self.codes(unit).items() if s & bits]
            data = [service + 0x40, len(wanted)]
            for item in wanted:
                data += [item >> 16, item >> 8 & 0xFF]
            return data
        self.everyone([1, 0], lambda u: [0x41, 0, 0x98, 0x3B, 0x80, 0x11])
        self.everyone([3], lambda u: listed(u, 3, 0x08))
        self.everyone([7], lambda u: listed(u, 7, 0x04))
        self.everyone([10], lambda u: [0x4A, 0])
        self.everyone([9, 2], lambda u: [0x49, 2, 1] + self.number(u)
                      if u.name in ("engine", "drive motor") else None)

    def uds(self, units):
        """Every unit in turn: session, identification, number and list of codes."""
        style = self.plan.tester_style
        for unit in units:
            if not self.ask(unit, [0x10, 3], [0x50, 3, 0, 0x32, 1, 0xF4], tries=style["tries"]):
                continue
            if style["vin"]:
                if unit.keeps_vin or unit.place in self.plan.foreign:
                    self.ask(unit, [0x22, 0xF1, 0x90], [0x62, 0xF1, 0x90] + self.number(unit))
                else:
                    self.ask(unit, [0x22, 0xF1, 0x90], [0x7F, 0x22, 0x31])
            asked = style["mask"] & unit.mask
            if style["count"]:
                found = [c for c, s in self.codes(unit).items() if s & asked]
                self.ask(unit, [0x19, 1, style["mask"]], [0x59, 1, unit.mask, 1, 0, len(found)])
            data = [0x59, 2, unit.mask]
            for item, value in self.codes(unit).items():
                if value & asked:
                    data += [item >> 16, item >> 8 & 0xFF, item & 0xFF, value & unit.mask]
            self.ask(unit, [0x19, 2, style["mask"]], data, tries=2)

    def scan(self, time, obd, units, clear):
        """One visit; afterwards the codes may be erased, and the tester may stay connected."""
        self.time = time
        if obd:
            self.obd()
        self.uds(units)
        if clear and units:
            self.erase(units)
        self.scans.append([round(time, 3), round(self.time, 3)])
        if self.plan.tester_style["stays"]:
            self.stay(self.day.span)

    def erase(self, units):
        """Service 14 to each unit, seldom to all at once."""
        for unit in units:
            begin = self.time
            if self.ask(unit, [0x14, 0xFF, 0xFF, 0xFF], [0x54]):
                self.clears.append((begin, {unit.place}))

    def stay(self, until):
        """Tester present without answer, every two seconds."""
        time = self.time + 2
        while time < until:
            self.send(time, self.car.functional, [2, 0x3E, 0x80])
            time += self.rng.uniform(1.98, 2.02)

    def values(self, begin, end, unit):
        """A data list on the screen: engine speed or an identifier, some times a second."""
        self.time = begin
        pause = self.rng.choice((0.1, 0.2, 0.5))
        while self.time < end:
            if unit.name in ("engine", "drive motor"):
                self.ask(unit, [1, 0x0D], [0x41, 0x0D, self.rng.randrange(40, 60)])
            else:
                self.ask(unit, [0x22, 0xD1, 0x12], [0x62, 0xD1, 0x12, self.rng.randrange(256)])
            self.time += pause

    def quiet(self, begin, end):
        """85 02 and 28 03 to everybody, later 28 00 and 85 01 (before programming or coding)."""
        for time, body in ((begin - 0.3, [0x10, 0x83]), (begin - 0.2, [0x85, 0x82]),
                           (begin - 0.02, [0x28, 0x83, 0x01]), (end - 0.1, [0x28, 0x80, 0x01]),
                           (end + 0.1, [0x85, 0x81])):
            self.send(time, self.car.functional, [len(body)] + body)
        time = begin + 1.0
        while time < end:
            self.send(time, self.car.functional, [2, 0x3E, 0x80])
            time += 2.0

    def reset(self, begin, unit):
        """10 03 and 11 01; the unit boots."""
        self.time = begin - 0.25
        self.ask(unit, [0x10, 3], [0x50, 3, 0, 0x32, 1, 0xF4])
        if self.rng.random() < 0.4:       # coding, then the reset that makes it valid
            self.ask(unit, [0x2E, 0xF1, 0x0A, 1, 4], [0x6E, 0xF1, 0x0A])
        self.time = max(self.time, begin - 0.02)
        channels = (0, 1) if unit.channel == 1 else (0,)
        self.send(self.time, unit.request, [2, 0x11, 1], -1, channels)
        self.send(self.time + 0.012, unit.answer, [2, 0x51, 1], unit.place, channels)
