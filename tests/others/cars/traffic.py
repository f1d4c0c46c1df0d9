"""Turns a vehicle, a day and a fault plan into transmission requests (releases).

A release is (time, key, unit, text, bits): key orders arbitration and names the mailbox, so that
a newer frame of the same identifier replaces an unsent one.
"""

import math

from day import existence
from spans import both, inside, minus, union

CRC8 = []
for _value in range(256):            # SAE J1850 polynomial 0x1D, as in AUTOSAR E2E profile 1
    for _ in range(8):
        _value = (_value << 1) ^ 0x1D if _value & 0x80 else _value << 1
    CRC8.append(_value & 0xFF)


def frame(ident, data):
    """candump text; the identifier has eight digits where it is one of 29 bits."""
    return f"{ident:08X}#{data}" if ident > 0x7FF else f"{ident:03X}#{data}"


def order(ident):
    """Arbitration key: a standard identifier beats an extended one with the same first bits."""
    return ident if ident > 0x7FF else ident << 18


def length(ident, size, salt=0):
    """Bits on the wire with about one stuff bit in twelve, CRC, end and intermission."""
    fixed = 67 if ident > 0x7FF else 47
    return fixed + 8 * size + (fixed - 13 + 8 * size) // 14 + salt % 5


def content(entry, count, signal):
    """Payload after its habits: live bytes, multiplexor, counter, checksum."""
    data = entry.base[:]
    for spot in entry.live:
        data[spot] = (signal + spot * 37) & 0xFF
    if entry.kind == "multiplexed":
        data[0] = count % 4
        data[-1] = (data[-1] + 61 * (count % 4)) & 0xFF
    if entry.counter:
        spot = 1 if entry.secured and entry.size > 1 else entry.size - 1
        data[spot] = data[spot] & 0xF0 | count % (entry.limit + 1)
    if entry.secured:
        data[0] = checksum(entry, data[1:])
    return bytes(data).hex().upper()


def checksum(entry, data):
    """One of three usual protections over the rest of the frame and a hidden data number."""
    if entry.check == "xor":
        value = entry.key
        for byte in data:
            value ^= byte
        return value
    if entry.check == "sum":
        return (sum(data) + entry.key) & 0xFF
    value = CRC8[0xFF ^ entry.key]
    for byte in data:
        value = CRC8[value ^ byte]
    return value ^ 0xFF


def windows(entry, begin, end, day, quiet):
    """When one message is due within a running span of its unit."""
    spans = [(begin, end)]
    if entry.when == "key":
        spans = both(spans, union(day.key, day.charge))
    elif entry.when == "engine":
        spans = both(spans, union(day.engine, day.charge))
    elif entry.when == "mode":
        spans = both(spans, day.modes[entry.mode])
    return minus(spans, quiet) if quiet else spans


def sends(rng, unit, entry, day, runs, quiet):
    """(time, count) of every sending of one message on the grid its unit's boot began."""
    result = []
    period = entry.period * unit.skew
    for begin, end, delay, _ in runs:
        start = begin + delay + entry.offset
        if entry.event:
            time = max(0, start) + rng.expovariate(1 / entry.event)
            while time < end:
                if not inside(quiet, time):
                    result += [(time + k * period, k) for k in range(rng.choice((1, 3, 3)))]
                time += 0.3 + rng.expovariate(1 / entry.event)
            continue
        for low, high in windows(entry, max(begin, -1e3), end, day, quiet):
            count = max(0, math.ceil((max(low, 0) - start) / period))
            last = int((min(high, day.span) - start) / period)
            gauss, jitter = rng.gauss, entry.jitter
            result += [(start + k * period + abs(gauss(0, jitter)), k)
                       for k in range(count, last + 1)]
    return result


def heard(unit, times, parted, island):
    """Leaves out what is sent into parted wires; a lone sender keeps its last frame for later."""
    if not parted:
        return times
    result, kept = [], {}
    for time, count in times:
        span = next(((a, b) for a, b in parted if a <= time < b), None)
        if span is None:
            result.append((time, count))
        elif not island:
            kept[span] = count
    return result + [(end + 0.0004, count) for (_, end), count in kept.items() if unit.flush]


def messages(rng, car, day, plan):
    """All releases of all units per channel, and those the gateway is to carry over."""
    released = [[], []]
    for unit in car.units:
        runs = existence(unit, day, plan.outages.get(unit.place, []))
        quiet = union(plan.hangs.get(unit.place, []),
                      [span for span, who in day.silent_by_tester if unit.place in who])
        parted = plan.parted.get(unit.place, [])
        early = 1.3 if car.nm == "broadcast" and not car.nm_first and unit.nm else 0
        talks = [(a, b - early if natural else b, d, natural) for a, b, d, natural in runs]
        island = unit.place in plan.islands
        for entry in unit.messages:
            if (unit.place, entry.ident) in plan.missing:
                continue
            signal = rng.randrange(256)
            times = heard(unit, sends(rng, unit, entry, day, talks, quiet), parted, island)
            key, out = (order(entry.ident), 0), released[entry.channel]
            for time, count in times:
                if 0 <= time < day.span:
                    if count % 9 == 0:
                        signal += rng.randrange(-2, 3)
                    out.append((time, key, unit.place, frame(
                        entry.ident, content(entry, count, signal)),
                        length(entry.ident, entry.size, signal + count), entry))
        nm_messages(rng, car, day, unit, runs, quiet, released)
    if car.nm == "ring":
        ring(rng, car, day, plan, released)
    return [[r for r in side if r[5] is not None or not inside(plan.parted.get(r[2], []), r[0])]
            for side in released]     # management frames of parted units are lost as well


def nm_messages(rng, car, day, unit, runs, quiet, released):
    """AUTOSAR network management: fast at first, then cyclic, ceasing before or after the rest."""
    if unit.nm is None or car.nm != "broadcast":
        return
    key = (order(unit.nm), 0)
    text = frame(unit.nm, f"{unit.nm & 0xFF:02X}{rng.choice((0, 1, 0x11)):02X}" +
                 f"{rng.randrange(4):02X}FF0000{rng.randrange(256):02X}00")
    for begin, end, delay, natural in runs:
        if natural and car.nm_first:
            end -= 1.5                    # released; the application ceases with the bus
        start = begin + delay + 0.005
        times = [start + 0.02 * k for k in range(5)] if begin > 0 else []
        time = start + 0.1 + unit.sleep_phase
        time += max(0, math.ceil(-time / car.nm_period)) * car.nm_period
        while time < end:
            times.append(time)
            time += car.nm_period * unit.skew
        for time in times:
            if 0 <= time < min(end, day.span) and not inside(quiet, time):
                released[unit.channel].append(
                    (time, key, unit.place, text, length(unit.nm, 8), None))


def ring(rng, car, day, plan, released):
    """OSEK direct network management: a token goes round; a lost member leaves a 0.26 s hole."""
    for channel in (0, 1):
        members = [u for u in car.units if u.nm is not None and u.channel == channel]
        members.sort(key=lambda u: u.nm)
        runs = {u.place: minus([(a + d, b) for a, b, d, _ in existence(
            u, day, plan.outages.get(u.place, []))], plan.parted.get(u.place, [])) for u in members}
        time, before, spot = rng.uniform(0, 0.1), set(), 0
        while time < day.span and members:
            alive = [u for u in members if inside(runs[u.place], time)]
            if not alive:
                time += 0.1
                continue
            now = {u.place for u in alive}
            time += 0.26 if before - now else 0.0
            for unit in alive:            # an alive message of everybody who came
                if unit.place not in before and time > 0.5:
                    released[channel].append(ring_frame(time, unit, unit, 1))
            before = now
            spot = (spot + 1) % len(alive)
            follower = alive[(spot + 1) % len(alive)]
            released[channel].append(ring_frame(time, alive[spot], follower, 2))
            time += car.nm_period + rng.uniform(0, 0.004)


def ring_frame(time, unit, follower, kind):
    """Destination, message type (1 alive, 2 ring), six bytes of data."""
    text = frame(unit.nm, f"{follower.nm & 0xFF:02X}{kind:02X}000000000000")
    return time, (order(unit.nm), 0), unit.place, text, length(unit.nm, 8), None
