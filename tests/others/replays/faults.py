"""The faults: each changes the day of a vehicle and says what was planted."""

from traffic import error_text, union
from vehicle import random_vin

COUNTS = {"power intermittent": 18, "open stub": 18, "corroded contact": 12,
          "silent from the start": 12, "silent from the middle": 12, "branch": 19,
          "shared supply": 19, "short": 9, "gateway": 10, "termination": 9, "dead": 16,
          "flood": 9, "foreign": 10, "stale": 10, "mended": 9, "restraint": 9}
THREE = ["module_power", "module_connector", "module_dead"]
REALLY = {"power intermittent": "module_power", "open stub": "module_connector",
          "corroded contact": "module_connector", "dead": "module_dead", "branch": "branch",
          "shared supply": "shared_supply", "short": "line", "gateway": "gateway",
          "termination": "line", "flood": "overload", "foreign": "not_configured"}
BUS = ("short", "termination", "flood")
MEMORY = ("stale", "mended")

def keyed_spans(day, margin=0.5):
    """Where the key is on and nobody cranks or boots any more."""
    out = []
    for a, b in day.keyed:
        a, b = max(0.0, a), min(day.dur, b)
        for c, d in day.cranks:
            if a <= c < b: a = max(a, d + 1.0)
        a += 3.0 if a > 0 else 0.3
        if b - a > margin + 0.5: out.append((a, b - margin))
    return out

def moments(day, rng, count, longest):
    """Up to `count` separate intervals within key-on time."""
    spans = keyed_spans(day)
    if not spans: return []
    whole = sum(b - a for a, b in spans)
    area = None
    if count > 2 and rng.random() < 0.4:     # only in one stretch: a bumpy road, a warm engine
        length = whole * rng.uniform(0.2, 0.7)
        a = rng.uniform(0, whole - length)
        area = (a, a + length)
    out = []
    for _ in range(count):
        x = rng.uniform(*(area or (0, whole)))
        for a, b in spans:
            if x < b - a:
                length = min(longest * 10 ** rng.uniform(-0.8, 0.0), b - (a + x))
                if length > 0.01: out.append((a + x, a + x + length))
                break
            x -= b - a
    out.sort()
    apart = []
    for a, b in out:
        if not apart or a > apart[-1][1] + 0.3: apart.append((a, b))
    return apart

def plant(name, vehicle, day, rng, used):
    """Plant one fault; None where this vehicle or day cannot have it."""
    units = [u for u in vehicle.units if vehicle.on_connector(u) and u.place not in used]
    if vehicle.gateway is not None and not vehicle.two_recorded:   # behind the gateway: seldom
        units += [u for u in vehicle.units if u.channel == 1 and u.place not in used
                  and any(k in vehicle.forward for k in u.keys) and rng.random() < 0.15]
    units = [u for u in units if u.place != vehicle.gateway or rng.random() < 0.3]
    if not units: return None
    unit, told = rng.choice(units), name
    if name == "restraint":
        unit = next((u for u in units if u.name == "restraint"), None)
        if unit is None: return None
        name = rng.choice(list(COUNTS)[:5])
    nodes, really = [unit.place], REALLY.get(name, "stale_codes")
    if name in ("branch", "shared supply"):
        groups = vehicle.branches if name == "branch" else vehicle.fuses
        groups = [g for g in groups if not set(g) & used]
        if not groups: return None
        nodes = rng.choice(groups)
        found = (_branch if name == "branch" else _supply)(vehicle, day, rng, nodes)
    elif name.startswith("silent"):
        found, really = _silent(vehicle, day, rng, unit, name.endswith("start"))
    else:
        maker = {"power intermittent": _power, "open stub": _stub, "corroded contact": _contact,
                 "dead": _dead, "short": _short, "gateway": _gateway, "flood": _flood,
                 "termination": _termination, "foreign": _foreign, "stale": _stale,
                 "mended": _mended}[name]
        found = maker(vehicle, day, rng, unit)
        nodes = [] if name in BUS + MEMORY else [vehicle.gateway] if name == "gateway" else nodes
    if not found or not found[0]: return None
    any_of = told in ("restraint", "dead") or told.startswith("silent")
    used.update(nodes)
    return {"fault": told, "accept": THREE if any_of else [really], "really": really,
            "nodes": list(nodes), "how": found[1],
            "when": [[round(max(0.0, a), 3), round(b, 3)] for a, b in union(found[0])]}

def _count(rng):
    return rng.choice((1, 1, 2, 2, 3, 4, 6, 9, 14))

def _power(vehicle, day, rng, unit):
    spans = moments(day, rng, _count(rng), rng.choice((0.08, 0.4, 2, 6)))
    day.power.setdefault(unit.place, []).extend(spans)
    if unit.own_code and spans:
        code = rng.choice((("U3003", 0x16), ("U3006", 0x16), ("U3003", 0x00), ("C1B00", 0x16)))
        day.own.append((unit.place, code[0], code[1], spans[0][1] + unit.boot))
    return [(a, b + unit.boot + unit.stagger) for a, b in spans], \
        f"supply of {unit.name} interrupted {len(spans)} times; it boots each time"

def _stub(vehicle, day, rng, unit):
    spans = moments(day, rng, _count(rng), rng.choice((0.1, 0.5, 2, 8)))
    day.cut.setdefault(unit.place, []).extend(spans)
    _edge_errors(vehicle, day, rng, spans, unit.channel, 0.4)
    return spans, f"bus wires of {unit.name} open {len(spans)} times, program runs on"

def _edge_errors(vehicle, day, rng, spans, channel, share):
    if rng.random() > share: return
    for a, b in spans:
        for edge in (a, b):
            t = edge + rng.uniform(-0.001, 0.001)
            for _ in range(rng.randint(0, 6)):
                day.errors.append((t, channel, error_text(rng, "frame")))
                t += rng.uniform(0.0003, 0.005)

def _contact(vehicle, day, rng, unit):
    shakes = moments(day, rng, rng.choice((1, 2, 4, 7)), rng.choice((0.5, 2, 6)))
    rows = []
    for a, b in shakes:
        t = a
        while t < b:
            length = rng.choice((0.005, 0.02, 0.08, 0.3)) * rng.uniform(0.5, 1.5)
            rows.append((t, min(t + length, b + 0.05), rng.uniform(0.3, 0.98)))
            t += length + rng.expovariate(1 / rng.choice((0.02, 0.1, 0.4)))
    day.bad.setdefault(unit.place, []).extend(rows)
    if rng.random() < 0.3 and rows:
        day.own.append((unit.place, rng.choice(("U0001", "U0073")), rng.choice((0x88, 0)),
                        rows[0][0] + 0.1))
    return shakes, f"bad contact in the bus plug of {unit.name}: bursts of short losses"

def _silent(vehicle, day, rng, unit, start):
    really = rng.choice(THREE)
    if start: a = -99.0
    else:
        spans = keyed_spans(day, 2.0)
        if not spans: return None, really
        a = rng.uniform(*rng.choice(spans))
        if a > day.dur * 0.93: return None, really
    where = {"module_power": day.power, "module_connector": day.cut, "module_dead": day.hang}
    where[really].setdefault(unit.place, []).append((a, day.dur + 99))
    how = "never heard" if start else "falls silent and stays so"
    return ([(a, day.dur)], f"{unit.name} {how}: {really}"), really

def _dead(vehicle, day, rng, unit):
    style = rng.choice(("watchdog", "watchdog", "hangs", "dies", "loop"))
    spots = keyed_spans(day, 2.0)
    if not spots: return None
    a, b = rng.choice(spots)
    if style == "dies": spans = [(rng.uniform(a, b), day.dur + 99)]
    elif style == "loop":
        spans, t = [], rng.uniform(a, (a + b) / 2)
        beat, dead = unit.boot + rng.choice((0.2, 1, 3, 7)), rng.uniform(0.02, 0.6)
        while t < b and len(spans) < 60:
            spans.append((t, t + dead))
            t += dead + beat * rng.uniform(0.98, 1.02)
    else:
        spans = moments(day, rng, _count(rng), 0.3 if style == "watchdog" else 5)
        if style == "watchdog":
            dog = rng.choice((0.03, 0.1, 0.5, 1.6))
            spans = [(a, a + dog) for a, _ in spans]
    day.hang.setdefault(unit.place, []).extend(spans)
    if rng.random() < 0.35:
        still = rng.uniform(0.1, 1.5)
        day.frozen.setdefault(unit.place, []).extend((a - still, a) for a, _ in spans)
    if rng.random() < 0.35 and spans:
        code = rng.choice((("U3000", 0x04), ("U3000", 0x49), ("B1A00", 0x04), ("C1A01", 0x49)))
        if unit.name == "engine": code = ("P0606", 0x04)
        day.own.append((unit.place, code[0], code[1], spans[0][1] + unit.boot))
    extra = 0 if style == "dies" else unit.boot + unit.stagger
    return [(a, min(day.dur, b + extra)) for a, b in spans], \
        f"{unit.name} {style}: internal, supplied all the time"

def _group_spans(day, rng):
    kind = rng.random()
    if kind < 0.15: return [(-99.0, day.dur + 99)]
    if kind < 0.35:
        spots = keyed_spans(day, 2.0)
        return [(rng.uniform(*rng.choice(spots)), day.dur + 99)] if spots else []
    return moments(day, rng, _count(rng), rng.choice((0.1, 0.6, 3, 8)))

def _branch(vehicle, day, rng, nodes):
    spans = _group_spans(day, rng)
    for n in nodes: day.cut.setdefault(n, []).extend(spans)
    if spans and spans[0][0] > 0:
        _edge_errors(vehicle, day, rng, spans, vehicle.units[nodes[0]].channel, 0.5)
    return [(a, min(b, day.dur)) for a, b in spans], \
        "lost together behind one splice: " + ", ".join(vehicle.units[n].name for n in nodes)

def _supply(vehicle, day, rng, nodes):
    spans = _group_spans(day, rng)
    for n in nodes:      # each lives on its own buffer for a moment
        hold = rng.choice((0.0, 0.0, 0.002, 0.02)) * rng.random()
        day.power.setdefault(n, []).extend((a + hold, max(b, a + hold + 0.01)) for a, b in spans)
        if vehicle.units[n].own_code and spans and spans[0][1] < day.dur:
            day.own.append((n, "U3003", 0x16, spans[0][1] + vehicle.units[n].boot))
    boot = max(vehicle.units[n].boot + vehicle.units[n].stagger for n in nodes)
    return [(a, min(b + boot, day.dur)) for a, b in spans], \
        "one fuse or ground: " + ", ".join(vehicle.units[n].name for n in nodes)

def _channel(vehicle, rng):
    return 1 if vehicle.two_recorded and rng.random() < 0.35 else 0

def _short(vehicle, day, rng, unit):
    channel = _channel(vehicle, rng)
    spans = moments(day, rng, _count(rng), rng.choice((0.1, 0.4, 2)))
    day.shorts += [(channel, a, b) for a, b in spans]
    for u in vehicle.units:
        if u.channel == channel and u.keys and spans and rng.random() < 0.4:
            day.own.append((u.place, rng.choice(("U0001", "U0073", "U0001")),
                            rng.choice((0x88, 0x00)), spans[0][0] + 0.1))
    kind = rng.choice(("to each other", "to ground", "to supply"))
    return spans, f"wires of bus {channel} shorted {kind} {len(spans)} times"

def _gateway(vehicle, day, rng, unit):
    if vehicle.gateway is None or not vehicle.forward: return None
    spans = _group_spans(day, rng)
    whole = rng.random()
    place = vehicle.gateway
    if whole < 0.4:
        (day.hang if rng.random() < 0.6 else day.power).setdefault(place, []).extend(spans)
        how = "gateway stands or is without supply"
    elif whole < 0.5:
        day.cut.setdefault(place, []).extend(spans)
        how = "gateway off this bus"
    else:
        day.no_route += spans
        how = "gateway sends its own but carries nothing over"
    return [(a, min(b, day.dur)) for a, b in spans], how

def _termination(vehicle, day, rng, unit):
    channel = _channel(vehicle, rng)
    if rng.random() < 0.5: spans = [(-1.0, day.dur + 1)]
    else: spans = moments(day, rng, rng.choice((1, 3, 6)), rng.choice((1, 4, 12)))
    chance = rng.choice((0.004, 0.01, 0.03, 0.1, 0.25))
    day.noise += [(channel, a, b, chance) for a, b in spans]
    vehicle.reports_errors = vehicle.reports_errors or rng.random() < 0.85
    for u in vehicle.units:
        if u.channel == channel and u.keys and spans and rng.random() < 0.25:
            day.own.append((u.place, "U0001", rng.choice((0x88, 0x00)), max(0, spans[0][0]) + 0.5))
    return [(max(0, a), min(b, day.dur)) for a, b in spans], \
        f"terminating resistor or main line of bus {channel}: errors in everybody's frames"

def _flood(vehicle, day, rng, unit):
    channel = 0
    wide = vehicle.kind != "car"
    spans = moments(day, rng, rng.choice((1, 1, 2, 4)), rng.choice((0.5, 2, 5)))
    if rng.random() < 0.5:
        head, who = rng.choice(("000", "001", "007", "010") if not wide else
                               ("00000000", "00000001", "0000FF00", "04000021")), "a stranger"
    else:
        mine = [u for u in vehicle.units if u.channel == 0 and u.keys]
        loud = rng.choice(mine)
        head, who = min(loud.ids), loud.name
        if wide != (len(head) == 8): head = "00000000" if wide else "000"
    share = rng.choice((0.9, 0.97, 0.995, 1.0))
    day.floods += [(channel, a, b, head + "#", share) for a, b in spans]
    return spans, f"{who} floods the bus with {head}"

def _foreign(vehicle, day, rng, unit):
    if unit.channel and not vehicle.two_recorded: return None
    style = rng.choice(("other", "other", "coding", "vin", "unknown"))
    taken = set(vehicle.renamed.values())
    ids = sorted(set(unit.ids))
    def fresh(like):
        while True:
            if vehicle.kind == "truck" and len(like) == 8:
                new = like[:2] + "FF%02X" % rng.randrange(256) + like[6:]
            elif len(like) == 8: new = "%08X" % (int(like, 16) ^ rng.randrange(1, 1 << 18))
            else: new = "%03X" % min(0x6FF, max(1, int(like, 16) + rng.randint(-90, 90)))
            if new not in taken and new[2:6] not in ("FECA", "FECB"):
                taken.add(new)
                return new
    if style in ("other", "coding"):
        part = ids if style == "other" and rng.random() < 0.6 else \
            rng.sample(ids, max(1, len(ids) * rng.choice((1, 2)) // 3))
        day.swap[unit.place] = {i: fresh(i) for i in part}
        day.swap_seen = len(part) / len(ids)
        unit.extra_ids = sorted(day.swap[unit.place].values())
        how = f"{unit.name} sends {len(part)} other identifiers than the vehicle expects"
    if style == "unknown":
        new = fresh(rng.choice(ids))
        day.strangers.append((unit.place, new + "#", rng.choice((0.01, 0.02, 0.1, 0.5)), 0.0))
        unit.extra_ids = [new]
        how = f"{unit.name} also sends what nobody knows"
    if style in ("vin", "unknown") or rng.random() < 0.6:
        other = random_vin(rng)
        day.vin[unit.place] = vehicle.vin[:3] + other[3:] if rng.random() < 0.6 else other
    if style == "vin": how = f"{unit.name} comes from another vehicle: another VIN"
    if style in ("vin", "unknown") or rng.random() < 0.4:
        code = "U%04X" % (0x0300 + int(unit.code[1:], 16) % 0x100 % 0x60)
        for u in vehicle.units:
            if u is not unit and u.keys and rng.random() < 0.35:
                day.old.append((u.place, code, rng.choice((0x00, 0x55, 0x57)), unit.place, 0x2F))
    return [(0.0, day.dur)], how

def old_codes(vehicle, day, rng, about, share):
    """Codes of an earlier event about some units, in memories of those who watch them."""
    count = 0
    for w in vehicle.units:
        for place in about:
            if place in w.watches and rng.random() < share:
                bits = rng.choice((0x08, 0x08, 0x28, 0x2C, 0x0C, 0x28, 0x20, 0x68, 0x48))
                if w.name == "engine" and rng.random() < 0.3: bits |= 0x88
                day.old.append((w.place, vehicle.units[place].code, w.sub, place, bits))
                count += 1
    return count

def _stale(vehicle, day, rng, unit):
    places = [u.place for u in vehicle.units if u.keys]
    event = rng.choice(("one unit was lost once", "flat battery", "work on the vehicle"))
    if event == "one unit was lost once": n = old_codes(vehicle, day, rng, [unit.place], 0.9)
    else:
        n = old_codes(vehicle, day, rng, rng.sample(places, max(1, len(places) // 2)), 0.5)
        for u in vehicle.units:
            if event == "flat battery" and rng.random() < 0.5:
                code = "P0562" if u.name == "engine" else rng.choice(("U3003", "U3006"))
                day.old.append((u.place, code, 0x16, None, rng.choice((0x08, 0x28, 0x2C))))
    return ([(0.0, day.dur)] if n else None), f"nothing wrong today; {event}"

def _mended(vehicle, day, rng, unit):
    if day.dur > 18 and rng.random() < 0.25 and unit.place != vehicle.gateway \
            and vehicle.on_connector(unit) and any(unit.place in w.watches for w in vehicle.units):
        b = day.dur * rng.uniform(0.25, 0.45)
        c = b + rng.uniform(2, 0.2 * day.dur)
        day.keyed, day.cranks = [(-99.0, b), (c, day.dur + 99)], []
        day.key = f"key off at {b:.1f} s, {unit.name} plugged in, key on at {c:.1f} s"
        day.cut.setdefault(unit.place, []).append((-99.0, c - 0.5))
        day.power.setdefault(unit.place, []).append((-99.0, c - 0.5))
        day.said += [["sleep", []]] + [[x, [unit.place]] for x in THREE]
        return [(0.0, c)], f"{unit.name} is plugged in again during the recording; codes remain"
    n = old_codes(vehicle, day, rng, [unit.place], 0.95)
    if not n: return None
    if rng.random() < 0.35: day.wants_clear = True
    return [(0.0, day.dur)], f"{unit.name} was mended before the recording; its codes remain"
