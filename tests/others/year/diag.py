"""The tester at the connector: OBD, UDS and J1939 requests, answers over ISO-TP."""

from vehicle import inside

class Tester:
    """A technician's tool: does its jobs one after another, waits for answers."""
    def __init__(self, rng, vehicle, jobs):
        self.rng, self.vehicle, self.jobs = rng, vehicle, sorted(jobs, key=lambda j: j[0])
        self.pad = rng.choice((0x00, 0x00, 0xAA, 0x55, 0xCC))
        self.wait = rng.choice((.05, .1, .2, .5, 1.0))
        self.pause, self.session = rng.choice((.005, .02, .05, .15)), rng.random() < .5
        self.mask = rng.choice((0xFF, 0xFF, 0x09, 0x0D, 0x08, 0xAF))
        self.vin, self.source = rng.random() < .75, rng.choice((0xF9, 0xF9, 0xFA))
        self.scans, self.clears = [], []
        self.only = rng.random() < .12
    def begin(self, sim):
        """Starts the first job."""
        self.sim, self.work = sim, self.script()
        self.step(None)
    def step(self, t):
        """Goes on with the script; it yields when it wants to go on."""
        wake = next(self.work, None)
        if wake is not None:
            self.now = wake
            self.sim.call(wake, self.step)
    def script(self):
        """All jobs in their order."""
        self.now = 0.0
        for t, kind in self.jobs:
            yield max(t, self.now + .01)
            if kind == "scan":
                self.scans.append(self.now)
                if self.vehicle.truck: yield from self.scan_1939()
                elif self.rng.random() < .75 or self.only: yield from self.scan_obd()
                if not self.only or self.vehicle.truck: yield from self.scan_uds()
            elif kind == "clear":
                self.clears.append(self.now)
                yield from self.clear()
            elif kind == "quiet": yield from self.quiet()
            elif kind == "reset": yield from self.reset()
            elif kind == "poll": yield from self.poll()
    def reached(self, unit, t):
        """Can the unit hear a request and be heard?"""
        sim = self.sim
        if not inside(unit.run, t) or inside(sim.trouble.open.get(unit.place, []), t): return False
        if unit.bus and sim.vehicle.gateway:
            if not inside(sim.vehicle.gateway.run, t) or inside(sim.trouble.down, t): return False
        return True
    def send(self, t, ident, payload, unit=None, bus=0):
        """One ISO-TP single frame."""
        pad, data = unit.pad if unit else self.pad, bytes((len(payload),)) + payload
        self.frame(t, ident, data.ljust(8, bytes((pad,))), unit, bus)
    def frame(self, t, ident, data, unit, bus):
        """A frame to the bus under simulation, or straight to the other recorded one."""
        ext = ident > 0x7FF
        if bus and not self.vehicle.gateway:
            text = f"{ident:08X}" if ext else f"{ident:03X}"
            self.sim.rows.append((t, bus, text, data.hex().upper()))
        else: self.sim.push(t, ident, ext, data, unit)
    def answer(self, t, unit, payload):
        """The unit's answer, with flow control by the tester; gives the end."""
        bus, rng = unit.bus, self.rng
        t += unit.p2 * (.6 + rng.random())
        if len(payload) <= 7:
            self.send(t, unit.answer, payload, unit, bus)
            return t + .001
        size = len(payload)
        self.frame(t, unit.answer, bytes((0x10 | size >> 8, size & 0xFF)) + payload[:6], unit, bus)
        t += .001 + rng.random() * .004
        request, flow = unit.request, bytes((0x30, 0, 0)) + bytes((self.pad,)) * 5
        self.frame(t, request, flow, None, bus)
        number, rest = 1, payload[6:]
        while rest:
            t += unit.cf * (1 + .2 * rng.random()) + .0005
            part = bytes((0x20 | number & 15,)) + rest[:7]
            self.frame(t, unit.answer, part.ljust(8, bytes((unit.pad,))), unit, bus)
            rest, number = rest[7:], number + 1
        return t + .001
    def ask(self, unit, payload, make):
        """One request to one unit; make(t) gives the answer's payload."""
        t = self.now
        self.send(t, unit.request, payload, None, unit.bus)
        if not self.reached(unit, t + .001):
            yield t + self.wait
            return
        if self.rng.random() < .02:
            self.send(t + unit.p2, unit.answer, bytes((0x7F, payload[0], 0x78)), unit, unit.bus)
            t += .1 + self.rng.random() * .3
        end = self.answer(t + .0005, unit, make(self.now))
        yield end + self.pause * (.8 + .4 * self.rng.random())
    def with_uds(self):
        """Units that a scan asks: by address list, all with a known request."""
        return [u for u in self.vehicle.units if u.request is not None and u.uds
                and (u.bus < self.vehicle.recorded or self.vehicle.gateway)]
    def scan_uds(self):
        """Codes and number of each unit."""
        for unit in self.with_uds():
            if self.session:
                yield from self.ask(unit, b"\x10\x03", lambda t: b"\x50\x03\x00\x32\x01\xf4")
            yield from self.ask(unit, bytes((0x19, 0x02, self.mask)),
                                lambda t, u=unit: self.codes_uds(u, t))
            if self.vin:
                yield from self.ask(unit, b"\x22\xf1\x90", lambda t, u=unit: self.vin_uds(u))
    def codes_uds(self, unit, t):
        """59 02: mask, then three bytes and a status for each."""
        out = bytes((0x59, 0x02, unit.mask))
        for (code, kind), status in sorted(self.sim.codes(unit, t).items()):
            status &= unit.mask
            if status & self.mask:
                self.sim.said.add((unit.place, code))
                out += bytes((code >> 8, code & 0xFF, kind, status))
        return out
    def vin_uds(self, unit):
        """62 F1 90, or a refusal."""
        if not unit.vin_kept: return b"\x7f\x22\x31"
        vin = self.sim.trouble.foreign.get(unit.place, {}).get("vin") or self.vehicle.vin
        return b"\x62\xf1\x90" + vin.encode()
    def scan_obd(self):
        """Services 01, 03, 07, 0A and 09 02 to all emission units."""
        ident = 0x18DB33F1 if self.vehicle.j29 else 0x7DF
        asked = [b"\x01\x00", b"\x01\x01", b"\x03", b"\x07"]
        if self.vehicle.year > 2009 and self.rng.random() < .8: asked.append(b"\x0a")
        if self.rng.random() < .85: asked.append(b"\x09\x02")
        for payload in asked:
            t = end = self.now
            self.send(t, ident, payload)
            for unit in self.vehicle.units:
                if unit.obd and unit.answer and unit.bus == 0 and self.reached(unit, t + .001):
                    reply = self.obd(unit, payload, t)
                    if reply: end = max(end, self.answer(t + .0005, unit, reply))
            yield max(end + self.pause, t + .06)
    def obd(self, unit, payload, t):
        """An emission unit's reply."""
        service = payload[0]
        if service == 1:
            if payload[1] == 0:
                return b"\x41\x00" + (b"\xbe\x3f\xa8\x13" if unit.name == "engine"
                                      else b"\x80\x08\x00\x01")
            count = len(self.listed(unit, t, 8))
            return bytes((0x41, 1, count | (0x80 if count else 0), 7, 0x65, 0))
        if service == 9:
            if unit.name != "engine": return None
            vin = self.sim.trouble.foreign.get(unit.place, {}).get("vin") or self.vehicle.vin
            return b"\x49\x02\x01" + vin.encode()
        codes = self.listed(unit, t, {3: 8, 7: 4, 10: 0x80}[service])
        out = bytes((0x40 + service, len(codes)))
        for code in codes:
            self.sim.said.add((unit.place, code))
            out += bytes((code >> 8, code & 0xFF))
        return out
    def listed(self, unit, t, bit):
        """Codes with the bit; permanent ones where the unit holds them confirmed and failing."""
        out = []
        for (code, _), status in sorted(self.sim.codes(unit, t).items()):
            if bit == 0x80 and status & 9 != 9 or bit != 0x80 and not status & bit: continue
            out.append(code)
        return out
    def scan_1939(self):
        """DM2 (and sometimes the names) on request, to each address or to all."""
        t = self.now
        targets = [u for u in self.vehicle.units if u.address is not None and u.bus == 0]
        everybody = self.rng.random() < .4
        if everybody: self.sim.push(t, 0x18EAFF00 | self.source, True, b"\xcb\xfe\x00")
        for unit in targets:
            if not everybody:
                t = self.now
                self.sim.push(t, 0x18EA0000 | unit.address << 8 | self.source, True,
                              b"\xcb\xfe\x00")
            if self.reached(unit, t + .001): self.dm2(unit, t + .002 + unit.p2)
            if not everybody: yield t + .15 + self.wait * .5
        if everybody: yield t + 1.5
    def dm2(self, unit, t):
        """Previously active codes; several of them by broadcast transport."""
        codes = self.sim.dtcs_1939(unit, t, False)
        if len(codes) <= 4:
            data = b"\x00\xff" + codes.ljust(4, b"\0") + b"\xff\xff"
            self.sim.push(t, 0x18FECB00 | unit.address, True, data, unit)
            return
        data = b"\x00\xff" + codes
        count = (len(data) + 6) // 7
        self.sim.push(t, 0x18ECFF00 | unit.address, True, bytes(
            (0x20, len(data) & 0xFF, len(data) >> 8, count, 0xFF, 0xCB, 0xFE, 0)), unit)
        for n in range(count):
            self.sim.push(t + .055 * (n + 1), 0x18EBFF00 | unit.address, True,
                          bytes((n + 1,)) + data[n * 7:n * 7 + 7].ljust(7, b"\xff"), unit)
    def clear(self):
        """Clears: 04 to all and 14 to each, or DM11 on trucks."""
        sim, t = self.sim, self.now
        if self.vehicle.truck:
            sim.push(t, 0x18EAFF00 | self.source, True, b"\xd3\xfe\x00")
            for unit in self.vehicle.units:
                if unit.address is not None and self.reached(unit, t + .001):
                    if not unit.keeps and unit.bus == 0: sim.cleared[unit.place] = t + .01
                    sim.push(t + .005 + unit.p2, 0x18E8FF00 | unit.address, True, bytes(
                        (unit.keeps, 255, 255, 255, self.source, 0xD3, 0xFE, 0)), unit)
            sim.code_cache.clear()
            yield t + .5
            return
        ident = 0x18DB33F1 if self.vehicle.j29 else 0x7DF
        self.send(t, ident, b"\x04")
        for unit in self.vehicle.units:
            if unit.obd and unit.answer and unit.bus == 0 and self.reached(unit, t + .001):
                self.answer(t + .0005, unit, b"\x44")
                sim.cleared[unit.place] = t + .01
        sim.code_cache.clear()
        yield t + .2
        for unit in self.with_uds():
            if self.reached(unit, self.now + .001) and not unit.keeps:
                sim.cleared[unit.place] = self.now + .01
                sim.code_cache.clear()
            yield from self.ask(unit, b"\x14\xff\xff\xff", lambda t, u=unit: (
                b"\x7f\x14\x22" if u.keeps else b"\x54"))
    def quiet(self):
        """28 03 to all for some seconds, with 85 02 before (mostly), as before programming."""
        sim, rng = self.sim, self.rng
        ident = (0x18DB33F1 if self.vehicle.j29 else 0x7DF)
        if self.vehicle.truck: return
        careful = rng.random() < .8
        steps = [b"\x10\x83"] + ([b"\x85\x82"] if careful else []) + [b"\x28\x83\x01"]
        start = self.now
        for payload in steps:
            self.send(self.now, ident, payload)
            yield self.now + .05
        hold = 1 + rng.random() * 6
        end = self.now + hold
        for unit in self.with_uds():
            if unit.bus == 0 and inside(unit.run, self.now) and not unit.forgets:
                unit.off_until = max(unit.off_until, end + .002 + rng.random() * .02)
        if careful: sim.nodtc.append((start, end + 1.5))
        while self.now + 1 < end:
            yield self.now + 1
            self.send(self.now, ident, b"\x3e\x80")
        yield end
        self.send(end, ident, b"\x28\x80\x01")
        if careful:
            yield end + .05
            self.send(self.now, ident, b"\x85\x81")
        yield self.now + .05
    def reset(self):
        """11 01 to one unit: it restarts."""
        units = [u for u in self.with_uds() if u.bus == 0 and self.reached(u, self.now)]
        if not units: return
        unit, at = self.rng.choice(units), self.now
        yield from self.ask(unit, b"\x11\x01", lambda t: b"\x51\x01")
        unit.off_until = at + unit.p2 + .02 + unit.boot
    def poll(self):
        """Live data from the engine for some seconds."""
        engine = self.vehicle.units[0]
        if self.vehicle.truck or not engine.answer or engine.bus: return
        end = self.now + 2 + self.rng.random() * 10
        while self.now < end:
            yield from self.ask(engine, b"\x01\x0c", lambda t: b"\x41\x0c" + int(
                self.sim.rpm(t) * 4).to_bytes(2, "big"))
