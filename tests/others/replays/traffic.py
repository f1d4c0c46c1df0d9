"""Frames of a day: streams continued through key, boots, losses; then the bus and the recorder."""
from bisect import bisect_left, bisect_right
import captures

def minus(spans, holes):
    """Intervals without the holes."""
    for a, b in holes:
        out = []
        for c, d in spans:
            if b <= c or a >= d:
                out.append((c, d))
                continue
            if c < a: out.append((c, a))
            if b < d: out.append((b, d))
        spans = out
    return spans

def union(spans):
    out = []
    for a, b in sorted(spans):
        if out and a <= out[-1][1]: out[-1] = (out[-1][0], max(b, out[-1][1]))
        else: out.append((a, b))
    return out

def inside(spans, t):
    return any(a <= t < b for a, b in spans)

class Day:
    """What happens on the day of one recording."""
    def __init__(self, rng, dur, number):
        self.dur, self.number = dur, number
        self.keyed = [(-99.0, dur + 99)]      # key on (or engine running)
        self.key = "running all the time"
        self.cranks, self.quiet = [], []      # starter turns; a tester silences everybody
        # By unit: without supply; off the bus, running; program stands; payloads repeat; and
        # (from, to, chance of a bad frame); other identifiers sent instead of the own.
        self.power, self.cut, self.hang, self.frozen, self.bad, self.swap = {}, {}, {}, {}, {}, {}
        self.off_keys = {}                    # (bus, key): intervals not sent (user, mode)
        self.shorts, self.noise = [], []      # (channel, from, to), and chance per frame
        self.floods = []                      # (channel, from, to, text, share)
        self.no_route = []                    # gateway carries nothing over
        self.pauses, self.losses = [], []     # of the recorder: (from, to), (from, to, chance)
        self.strangers = []                   # (place, text head, period, from)
        self.errors = []                      # (t, channel, text)
        self.own, self.old, self.vin, self.session = [], [], {}, None
        self.swap_seen, self.wants_clear, self.said = 0.0, False, []
        self.start = rng.uniform(0, 3)

def on_spans(unit, day):
    """[(from, to, boots)] in which the unit's program runs."""
    keyed = []
    for a, b in day.keyed:
        a2 = a if unit.ignition or a <= 0 else a - min(0.4, a / 2)
        keyed.append((a2, b + (unit.after_run if b < day.dur else 0)))
    spans = union(keyed)
    spans = minus(spans, day.power.get(unit.place, ()))
    spans = minus(spans, day.hang.get(unit.place, ()))
    if unit.reset_low: spans = minus(spans, [(a + 0.05, a + 0.35) for a, _ in day.cranks])
    out = [(a, min(b, day.dur), a > -50) for a, b in spans if a < day.dur and b > 0]
    if unit.pulses:          # asleep it wakes for a moment every second
        ends = [k[1] + unit.after_run for k in day.keyed]
        for end, back in zip(ends, [k[0] for k in day.keyed[1:]] + [day.dur]):
            t = end + 1.0
            while t < min(back - 1, day.dur):
                if not inside(day.power.get(unit.place, ()), t): out.append((t, t + 0.11, 2))
                t += 1.0
        out.sort()
    return out

def _texts(vehicle, slot, key, stream):
    cache = vehicle.__dict__.setdefault("texts", {})
    got = cache.get((slot, key, id(stream)))
    if got is None:
        if stream.idents:
            heads = [vehicle.renamed.get((slot, key, i), i) for i in stream.idents]
            got = [h + "#" + d for h, d in zip(heads, stream.loads)]
        else:
            head = vehicle.renamed[slot, key, key[1]] + "#"
            got = [head + d for d in stream.loads]
        cache[slot, key, id(stream)] = got
    return got

def _play(stream, texts, length, a, b, shift):
    """The stream from a to b, its loop entered at `shift`."""
    times = stream.times
    first = times[0]
    shift = first + (shift - first) % length
    j = bisect_left(times, shift)
    base = a - shift
    out = [(base + t, x) for t, x in zip(times[j:], texts[j:])]
    base += length
    while base + first < b:
        out += [(base + t, x) for t, x in zip(times, texts)]
        base += length
    while out and out[-1][0] >= b: del out[bisect_left(out, (b,)):]
    return out

def unit_frames(vehicle, unit, day, rng):
    """All frames the unit puts on its bus: sorted [(t, text)]."""
    out = []
    spans = on_spans(unit, day)
    ppms = [vehicle.stream(*k, day.number).ppm for k in unit.keys]
    ppms = [p for p in ppms if p is not None]
    ppms.sort()
    clock = ppms[len(ppms) // 2] if ppms else 0.0
    starts = {}
    for a, b, boots in spans:
        if boots:
            for slot, key in unit.keys:
                starts[a, slot, key] = unit.boot + rng.uniform(0, 1) * unit.stagger
    for slot, key in unit.keys:
        s = vehicle.stream(slot, key, day.number)
        texts = _texts(vehicle, slot, key, s)
        length = s.period * s.slots
        if s.nominal and abs(s.ppm - clock) < 300:
            length = s.nominal * s.slots * (1 + clock * 1e-6)
        first = captures.boot_of(vehicle.boots.get(slot)).get(key[1])
        mine = []
        for a, b, boots in spans:
            if not boots:
                mine += _play(s, texts, length, 0.0, b, day.start)
                continue
            if boots == 2:
                mine += _play(s, texts, length, a, b, s.times[0])
                continue
            t = a + starts[a, slot, key]
            if s.period / s.slots > 0.4 and s.nominal:
                t += rng.random() * min(s.nominal, 1.0) * 0.5
            j = rng.randrange(len(texts))
            if first:
                t += min(first[0], 1.5)
                head = vehicle.renamed[slot, key, key[1]] + "#"
                mine += [(t + o, head + d) for o, d in first[1] if t + o < b]
                t += first[1][-1][0] + (s.nominal or s.step)
            elif unit.stagger < 0.01 and s.nominal: j = 0
            if t < b: mine += _play(s, texts, length, t, b, s.times[j])
        holes = day.off_keys.get((slot, key))
        if holes: mine = [f for f in mine if not inside(holes, f[0])]
        out += mine
    out = [f for f in out if f[0] >= 0]
    out.sort()
    for place, head, period, begin in day.strangers:
        if place == unit.place:
            new = [(begin + (k + rng.random() * 0.02) * period,
                    head + "%02X%06X%04XA5A5" % (k & 255, rng.randrange(4), k // 7 & 65535))
                   for k in range(int((day.dur - begin) / period))]
            out = sorted(out + [f for f in new if any(a + unit.boot * bt <= f[0] < b
                                                      for a, b, bt in spans)])
    for a, b in day.frozen.get(unit.place, ()):
        last = {}
        lo, hi = bisect_left(out, (a,)), bisect_left(out, (b,))
        for n in range(lo, hi):
            t, text = out[n]
            head = text[:text.index("#")]
            out[n] = (t, last.setdefault(head, text))
    swap = day.swap.get(unit.place)
    if swap:
        out = [(t, swap.get(x[:x.index("#")], x[:x.index("#")]) + x[x.index("#"):]) for t, x in out]
    return out

def _lost(unit, frames, spans, rng, bit):
    """Frames while the unit is off the bus are gone; what waits is sent when it returns."""
    for a, b in spans:
        lo, hi = bisect_left(frames, (a,)), bisect_left(frames, (b,))
        late = []
        if unit.flushes and hi > lo:
            seen = {}
            for t, text in frames[max(lo, hi - 400):hi]: seen[text[:text.index("#")]] = text
            late = [(b + rng.uniform(0.0001, 0.002) + n * 130 * bit, x)
                    for n, x in enumerate(sorted(seen.values())[:rng.choice((1, 3, 16, 32))])]
        frames[lo:hi] = late
    frames.sort()
    return frames

def _bad_contact(unit, frames, day, rng, bit, channel):
    """Single frames disturbed: error frames, repetition or loss, and now and then bus-off."""
    out, until, run = [], -1.0, 0
    for t, text in frames:
        if t < until: continue
        chance = max((p for a, b, p in day.bad[unit.place] if a <= t < b), default=0.0)
        if chance and rng.random() < chance:
            times = rng.choice((1, 1, 1, 2, 2, 4, 8, 16, 32))
            run += times
            for k in range(times):
                day.errors.append((t + k * 170 * bit, channel, error_text(rng, "frame")))
            if run > 31 and rng.random() < 0.7:
                until, run = t + unit.off_time * rng.uniform(0.8, 1.6), 0
            elif rng.random() < 0.6: out.append((t + times * 170 * bit, text))
        else:
            run = max(0, run - 1)
            out.append((t, text))
    out.sort()
    return out

def error_text(rng, kind):
    """An error frame as SocketCAN writes it."""
    if kind == "off": return "20000040#0000000000000000"
    if kind == "passive": return "20000004#00%02X000000008000" % rng.choice((0x10, 0x30))
    what = rng.choice(("04", "04", "02", "08", "10", "01"))
    where = rng.choice(("0A", "0A", "0A", "08", "06", "0B", "18", "1A", "00"))
    count = rng.choice((1, 2, 8, 17, 40, 96, 120))
    return "20000088#0000%s%s0000%02X%02X" % (what, where, 0, count)

def _noise(frames, day, rng, bit, channel):
    """Errors in everybody's frames of one bus."""
    out = []
    spans = [n[1:] for n in day.noise if n[0] == channel]
    for f in frames:
        for a, b, p in spans:
            if a <= f[0] < b and rng.random() < p:
                times = rng.choice((1, 1, 1, 2, 3))
                for k in range(times):
                    day.errors.append((f[0] + k * 170 * bit, channel, error_text(rng, "frame")))
                if rng.random() < 0.85: out.append((f[0] + times * 180 * bit,) + f[1:])
                break
        else: out.append(f)
    out.sort()
    return out

def _flood(frames, day, bit, rng, channel):
    for where, a, b, head, share in day.floods:
        if where != channel: continue
        size = (150 if len(head) > 4 else 125) * bit
        step = size / share
        b = a + min(int((b - a) / step), 30000) * step
        lo, hi = bisect_left(frames, (a,)), bisect_left(frames, (b,))
        kept, queue = [], {}
        top = int(head[:-1], 16) << (0 if len(head) > 4 else 18)
        for t, text, u in frames[lo:hi]:
            name = text[:text.index("#")]
            number = int(name, 16) << (0 if len(name) > 3 else 18)
            if number < top: kept.append((t + rng.random() * size, text, u))
            elif rng.random() < (1 - share) * 3:
                kept.append((t + rng.expovariate(1 / 0.02), text, u))
            else: queue[name] = (text, u)
        for n, (text, u) in enumerate(queue.values()):
            if rng.random() < 0.7: kept.append((b + (n + 1) * 130 * bit, text, u))
        data = "%016X" % rng.getrandbits(64)
        flood = [(a + k * step + rng.random() * size * 0.05, head + data, -1)
                 for k in range(int((b - a) / step))]
        frames[lo:hi] = kept + flood
        frames.sort()

def _shorts(frames, day, rng, channel, vehicle):
    """Nothing passes while the wires are shorted; controllers come back from bus-off later."""
    for where, a, b in day.shorts:
        if where != channel: continue
        back = {u.place: b + rng.random() * (u.off_time if b - a > 0.03 else 0.005)
                for u in vehicle.units}
        back[-1] = b
        end = max(back.values())
        lo, hi = bisect_left(frames, (a,)), bisect_left(frames, (end,))
        frames[lo:hi] = [f for f in frames[lo:hi] if f[0] >= back.get(f[2], b)]
        t, n = a, 0
        while t < b and n < 300:
            kind = "off" if n == 290 else "passive" if n % 40 == 16 else "frame"
            day.errors.append((t, channel, error_text(rng, kind)))
            t += rng.uniform(0.0002, 0.004)
            n += 1

def buses(vehicle, day, rng):
    """Frames of both buses before the recorder: ([[(t, text, place)], …], {place: times})."""
    bus = [[], []]
    for unit in vehicle.units:
        if not unit.keys or unit.channel > 1: continue
        bit = 1 / vehicle.bitrate[unit.channel]
        frames = unit_frames(vehicle, unit, day, rng)
        if day.quiet: frames = [f for f in frames if not inside(day.quiet, f[0])]
        if unit.place in day.cut: frames = _lost(unit, frames, day.cut[unit.place], rng, bit)
        if unit.place in day.bad:
            frames = _bad_contact(unit, frames, day, rng, bit, unit.channel)
        bus[unit.channel] += [(t, x, unit.place) for t, x in frames]
    for channel in (0, 1):
        bit = 1 / vehicle.bitrate[channel]
        bus[channel].sort()
        _flood(bus[channel], day, bit, rng, channel)
        _shorts(bus[channel], day, rng, channel, vehicle)
        if any(n[0] == channel for n in day.noise):
            bus[channel] = _noise(bus[channel], day, rng, bit, channel)
    carried = [[], []]
    if vehicle.gateway is not None:
        gate = vehicle.units[vehicle.gateway]
        runs = [(a + (gate.boot if boots else 0), b) for a, b, boots in on_spans(gate, day)]
        runs = minus(runs, list(day.no_route) + list(day.cut.get(gate.place, ()))
                     + [(a, b) for _, a, b in day.shorts])
        nth, count = {}, {}
        for (slot, key), every in vehicle.forward.items():
            for (s, k, _), name in vehicle.renamed.items():
                if s == slot and k == key: nth[name] = every
        for channel in (0, 1):
            for t, text, place in bus[channel]:
                if place < 0: continue
                name = text[:text.index("#")]
                every = nth.get(name)
                if every is None: continue
                n = count[name] = count.get(name, 0) + 1
                if n % every == 0:
                    carried[1 - channel].append(
                        (t + vehicle.latency * (0.7 + rng.random() * 0.8), text, place))
        starts = [a for a, _ in runs]
        for channel in (0, 1):
            for f in carried[channel]:
                k = bisect_right(starts, f[0]) - 1
                if k >= 0 and f[0] < runs[k][1]: bus[channel].append(f)
            bus[channel].sort()
    heard = [{}, {}]
    for channel in (0, 1):
        for t, _, place in bus[channel]: heard[channel].setdefault(place, []).append(t)
    return bus, heard

def serial(frames, bitrate):
    """One frame at a time on the wire: stamps never closer than a short frame; and the load."""
    bit = 1 / bitrate
    out, free, bits = [], -1.0, 0
    for t, text, place in frames:
        wide = text[8:9] == "#"
        size = (80 if wide else 55) + 5 * (len(text) - (9 if wide else 4))
        bits += size
        if t < free: t = free
        free = t + size * bit * 0.72
        out.append((t, text, place))
    return out, bits
