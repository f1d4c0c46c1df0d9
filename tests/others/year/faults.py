"""What goes wrong, when, and what the others remember of earlier days."""

import math

from bus import FOREVER
from vehicle import inside, some_vin, union

ONE = ["power", "open", "corroded", "silent start", "silent middle"]
SILENT = ["module_power", "module_connector", "module_dead"]
ACCEPT = {"power": ["module_power"], "open": ["module_connector"], "corroded": ["module_connector"],
        "silent start": SILENT, "silent middle": SILENT, "branch": ["branch"], "supply":
        ["shared_supply"], "short": ["line"], "gateway": ["gateway"], "termination": ["line"],
        "dead": ["module_dead", "module_power", "module_connector"], "flood": ["overload"],
        "foreign": ["not_configured"], "stale": ["stale_codes"], "mended": ["stale_codes"],
        "restraint": SILENT}
NAMES = {"power": "power intermittent", "open": "open stub", "corroded": "corroded contact",
         "silent start": "silent from the start", "silent middle": "silent from the middle",
         "supply": "shared supply"}
COUNTS = {"power": 18, "open": 18, "corroded": 12, "silent start": 12, "silent middle": 12,
          "branch": 19, "supply": 19, "short": 9, "gateway": 10, "termination": 9, "dead": 16,
          "flood": 9, "foreign": 10, "stale": 10, "mended": 9, "restraint": 9}
WHOLE, MEMORY = {"short", "termination", "flood", "gateway"}, {"stale", "mended"}

class Redraw(Exception):
    """This vehicle or draw does not suit the fault."""
def log_uniform(rng, low, high):
    """Evenly drawn by order of size."""
    return math.exp(rng.uniform(math.log(low), math.log(high)))
def moments(rng, day, count, low, high):
    """Spans while the key is on, in one of the manners in which faults come and go."""
    spans = [s for s in day.on if s[1] - s[0] > 4]
    if not spans: raise Redraw
    a, b = max(spans, key=lambda s: s[1] - s[0])
    a, b = a + min(1.5, (b - a) * .1), b - .5
    manner = rng.choice(("any", "any", "wiggled", "shaken", "late", "early"))
    if manner == "wiggled":
        middle, width = rng.uniform(a, b), rng.uniform(2, 10)
        a, b = max(a, middle - width), min(b, middle + width)
    elif manner == "late": a = a + (b - a) * rng.uniform(.3, .6)
    elif manner == "early": b = a + (b - a) * rng.uniform(.4, .7)
    elif manner == "shaken": count, high = count * 3, max(low, high / 3)
    high, out = max(low, min(high, (b - a) / 2)), []
    for _ in range(count):
        length = log_uniform(rng, low, high)
        start = rng.uniform(a, max(a, b - length))
        out.append((start, min(start + length, b)))
    out = union(out)
    kept = [out[0]]
    for span in out[1:]:
        if span[0] - kept[-1][1] > .05: kept.append(span)
    return kept
def candidates(vehicle, taken):
    """Units that a recording shows and that are still free."""
    return [u for u in vehicle.units if u.msgs and not u.gateway and u.place not in taken
            and u.bus < vehicle.recorded]
def victim(rng, vehicle, taken, airbag):
    """One unit to suffer."""
    units = [u for u in candidates(vehicle, taken) if not airbag or u.name == "airbag"]
    if not units: raise Redraw
    return rng.choice(units)
def result(fault, really, nodes, when, how):
    """PLANTED as the truth says it."""
    return {"fault": NAMES.get(fault, fault), "accept": ACCEPT[fault], "really": really,
            "nodes": [u.place for u in nodes], "when": when, "how": how}
def add(table, unit, spans):
    """More spans for a unit."""
    table[unit.place] = union(table.get(unit.place, []) + spans)
def touch(rng, trouble, unit, spans, share):
    """Error frames where a unit comes back or goes in the middle of a frame."""
    for a, b in spans:
        for t in (a, b):
            while rng.random() < share:
                t += rng.random() * .003
                trouble.edges.append((t, unit.bus, unit.place))
def plant(rng, vehicle, day, trouble, fault, taken):
    """Plants one fault; gives PLANTED."""
    name, airbag = fault, fault == "restraint"
    if airbag: name = rng.choice(ONE)
    make = {"power": power, "open": stub, "corroded": corroded, "silent start": silent_start,
            "silent middle": silent_middle, "branch": branch, "supply": supply, "short": short,
            "gateway": gateway, "termination": termination, "dead": dead, "flood": flood,
            "foreign": foreign, "stale": stale, "mended": mended}[name]
    planted = make(rng, vehicle, day, trouble, taken, airbag)
    if airbag: planted["fault"], planted["accept"] = "restraint", SILENT
    taken.update(planted["nodes"])
    earlier = {"short": 0, "termination": 0, "flood": .3, "stale": 0, "mended": 0}
    if rng.random() < earlier.get(name, .7):
        remember(rng, vehicle, trouble, planted["nodes"], rng.uniform(.4, .95))
    return planted
def remember(rng, vehicle, trouble, places, share):
    """Codes of earlier days about units, in those who watch them."""
    count = 0
    for unit in vehicle.units:
        for place, _, _ in unit.watches:
            if place in places and unit.place not in places and rng.random() < share:
                status = rng.choice((0x28, 0x28, 0x08, 0x2C, 0x68, 0x6C))
                code = 0xC000 | vehicle.units[place].code, unit.ftype
                trouble.past.setdefault(unit.place, {})[code] = status
                count += 1
    return count
def power(rng, vehicle, day, trouble, taken, airbag):
    """One unit's supply comes and goes."""
    unit = victim(rng, vehicle, taken, airbag)
    low = unit.hold + 4 * unit.fastest + .03
    spans = moments(rng, day, rng.randint(1, 6), low, max(low * 2, rng.choice((.3, 2, 8))))
    add(trouble.unpowered, unit, spans)
    touch(rng, trouble, unit, spans, rng.choice((0, 0, .1)))
    if rng.random() < .35:
        unit.own_codes.append((rng.choice((0x3003, 0x3006)) | 0xC000,
                               rng.choice((0x16, 0x1F, 0)), 0x2F, False))
    return result("power", "module_power", [unit], spans, "supply contact loose, unit restarts")
def stub(rng, vehicle, day, trouble, taken, airbag):
    """One unit's bus wires come off and back."""
    unit = victim(rng, vehicle, taken, airbag)
    low = 4 * unit.fastest + .02
    spans = moments(rng, day, rng.randint(1, 7), low, max(low * 2, rng.choice((.4, 3, 12))))
    add(trouble.open, unit, spans)
    touch(rng, trouble, unit, spans, rng.choice((0, .3, .6)))
    return result("open", "module_connector", [unit], spans, "bus wires of the unit open")
def corroded(rng, vehicle, day, trouble, taken, airbag):
    """Bursts of bad contact."""
    unit = victim(rng, vehicle, taken, airbag)
    bursts = moments(rng, day, rng.randint(1, 5), max(.3, 6 * unit.fastest), rng.choice((2, 6, 15)))
    spans = []
    for a, b in bursts:
        trouble.noise.append((a, b, unit.place, log_uniform(rng, .03, .7), unit.bus))
        t, ease = a, rng.choice((.05, .2, .6))
        while t < b:
            t += rng.expovariate(1 / ease)
            gone = log_uniform(rng, .002, .15 + 2 * unit.fastest)
            spans.append((t, t + gone))
            t += gone
    spans = union(spans)
    add(trouble.open, unit, spans)
    touch(rng, trouble, unit, spans, rng.uniform(.2, .6))
    return result("corroded", "module_connector", [unit], bursts, "corroded pin in the bus plug")
def silent(rng, trouble, unit, at):
    """Silent for ever from a moment, in one of three ways."""
    really, spans = rng.choice(SILENT), [(at, FOREVER)]
    add({"module_power": trouble.unpowered, "module_connector": trouble.open,
         "module_dead": trouble.hung}[really], unit, spans)
    if really == "module_connector" and at > 0: touch(rng, trouble, unit, [(at, at)], .4)
    return really
def silent_start(rng, vehicle, day, trouble, taken, airbag):
    """Never heard."""
    unit = victim(rng, vehicle, taken, airbag)
    really = silent(rng, trouble, unit, -1.0)
    return result("silent start", really, [unit], [[0, day.length]], "never heard: " + really)
def silent_middle(rng, vehicle, day, trouble, taken, airbag):
    """Stops and stays silent."""
    unit = victim(rng, vehicle, taken, airbag)
    a, b = max(day.on, key=lambda s: s[1] - s[0])
    if b - a < 6: raise Redraw
    at = rng.uniform(a + max(2, (b - a) * .1), b - max(2, (b - a) * .15, 5 * unit.fastest))
    really = silent(rng, trouble, unit, at)
    return result("silent middle", really, [unit], [[at, day.length]], "stops for good: " + really)
def group(rng, vehicle, taken, key):
    """Two or more units of one fuse or branch, not the whole bus."""
    groups = {}
    for unit in vehicle.units:
        if unit.msgs and not unit.gateway: groups.setdefault(getattr(unit, key), []).append(unit)
    good = []
    for units in groups.values():
        seen = [u for u in units if u.bus < vehicle.recorded]
        rest = len([u for u in vehicle.units if u.bus == seen[0].bus]) if seen else 0
        if len(seen) > 1 and not taken & {u.place for u in units} and (
                rest - len([u for u in seen if u.bus == seen[0].bus]) > 1):
            good.append(units)
    if not good: raise Redraw
    return rng.choice(good)
def group_spans(rng, day, units):
    """When a group is lost: now and then, for good, or nearly always."""
    low = max(u.hold for u in units) + 4 * min(max(u.fastest for u in units), .5) + .03
    if rng.random() < .15:
        a, b = max(day.on, key=lambda s: s[1] - s[0])
        return [(rng.uniform(a + (b - a) * .2, a + (b - a) * .8), FOREVER)]
    return moments(rng, day, rng.randint(1, 5), low, max(low * 2, rng.choice((.5, 3, 10))))
def branch(rng, vehicle, day, trouble, taken, _):
    """Units behind one splice lose the bus together."""
    units = group(rng, vehicle, taken, "branch")
    spans = group_spans(rng, day, units)
    if rng.random() < .75: trouble.together.append(({u.place for u in units}, spans))
    for unit in units: add(trouble.open, unit, spans)
    touch(rng, trouble, units[0], [s for s in spans if s[1] < FOREVER], rng.choice((0, .3, .7)))
    if rng.random() < .2:
        for a, b in spans:
            for unit in units: trouble.noise.append((a - .05, a, unit.place, .4, unit.bus))
    return result("branch", "branch", units, spans, "splice or inline connector open")
def supply(rng, vehicle, day, trouble, taken, _):
    """Units on one fuse or ground lose supply together."""
    units = group(rng, vehicle, taken, "fuse")
    spans = group_spans(rng, day, units)
    for unit in units:
        add(trouble.unpowered, unit, spans)
        if rng.random() < .2: unit.own_codes.append((0x3003 | 0xC000, 0x16, 0x2E, False))
    touch(rng, trouble, units[0], [s for s in spans if s[1] < FOREVER], rng.choice((0, 0, .2)))
    return result("supply", "shared_supply", units, spans, "common fuse or ground fails")
def short(rng, vehicle, day, trouble, taken, _):
    """Bus wires shorted for moments."""
    bus = 0 if rng.random() < .8 else vehicle.recorded - 1
    low = 3 * min((u.fastest for u in vehicle.units if u.bus == bus), default=.1) + .05
    spans = moments(rng, day, rng.randint(1, 4), low, rng.choice((.5, 2, 6)))
    trouble.short[bus] = spans
    return result("short", "line", [], spans, f"wires of bus {bus} shorted")
def gateway(rng, vehicle, day, trouble, taken, _):
    """The gateway carries nothing over, or fails altogether."""
    unit = vehicle.gateway
    if not unit or not any(m.bus == 0 for m in unit.carried) or unit.place in taken: raise Redraw
    low = unit.hold + .05 + 4 * min(m.period * m.every for m in unit.carried if m.bus == 0) / 1000
    if rng.random() < .25:
        a, b = max(day.on, key=lambda s: s[1] - s[0])
        spans = [(rng.uniform(a + (b - a) * .2, a + (b - a) * .8), FOREVER)]
    else: spans = moments(rng, day, rng.randint(1, 5), low, max(2 * low, rng.choice((1, 4, 12))))
    way = rng.choice(("routing", "routing", "restart"))
    if way == "routing": trouble.down = union(trouble.down + spans)
    else: add(trouble.hung, unit, spans)
    behind = {m.src.place for m in unit.carried if m.bus == 0}
    remember(rng, vehicle, trouble, behind, rng.uniform(0, .5))
    return result("gateway", "gateway", [unit], spans, "gateway fails: " + way)
def termination(rng, vehicle, day, trouble, taken, _):
    """Reflections: frames of all are damaged."""
    share = log_uniform(rng, .004, .12)
    if rng.random() < .5: spans = [(-1.0, day.length)]
    else: spans = moments(rng, day, rng.randint(1, 4), 2, 20)
    bus = 0 if rng.random() < .8 else vehicle.recorded - 1
    for a, b in spans: trouble.noise.append((a, b, None, share, bus))
    return result("termination", "line", [], spans, f"terminator missing, {share:.3f} of frames")
def dead(rng, vehicle, day, trouble, taken, airbag):
    """The program hangs; its watchdog restarts it, or nothing does."""
    unit = victim(rng, vehicle, taken, airbag)
    way, low = rng.choice(("watchdog", "watchdog", "loop", "for good")), 4 * unit.fastest + .03
    if way == "watchdog":
        fixed = max(low, rng.choice((.1, .25, .5, 1, 2)))
        spans = [(a, a + fixed) for a, _ in moments(rng, day, rng.randint(1, 8), low, low)]
    elif way == "loop":
        a, b = max(day.on, key=lambda s: s[1] - s[0])
        t = rng.uniform(a, a + (b - a) * .6)
        spans, hang, lives = [], max(low, rng.uniform(.1, 1)), unit.boot + rng.uniform(.3, 6)
        while t < b - 1 and len(spans) < 60:
            spans.append((t, t + hang))
            t += hang + lives * rng.uniform(.8, 1.2)
    else:
        a, b = max(day.on, key=lambda s: s[1] - s[0])
        spans = [(rng.uniform(a + (b - a) * .15, a + (b - a) * .8), FOREVER)]
    spans = union(spans)
    add(trouble.hung, unit, spans)
    if rng.random() < .3:
        unit.own_codes.append((rng.choice((0x0606, 0x060C, 0x9101)), 4, 0x2F, True))
    return result("dead", "module_dead", [unit], spans, "program hangs: " + way)
def flood(rng, vehicle, day, trouble, taken, _):
    """Somebody sends without pause at high priority."""
    bus, unit = 0, None
    low = sorted((m for m in vehicle.bus_msgs(0)), key=lambda m: m.prio)[:3]
    low = [m for m in low if not m.route_of and m.unit.place not in taken and not m.unit.gateway]
    ext = vehicle.truck or vehicle.ids29
    if low and rng.random() < .4:
        msg = rng.choice(low)
        unit, ident, ext, dlc = msg.unit, msg.id, msg.ext, msg.dlc
    else:
        if rng.random() < .6:
            unit = victim(rng, vehicle, taken, False)
            if unit.bus: raise Redraw
        dlc = rng.choice((0, 1, 8, 8))
        address = unit.address if unit and vehicle.truck else 0x99
        ident = (0x00FF0000 | rng.randrange(256) << 8 | address) if ext else rng.randrange(0, 16)
    length = ((67 if ext else 47) + 9 * dlc) / vehicle.rates[0]
    period = length * rng.choice((.98, 1.0, 1.05, 1.15))
    spans = moments(rng, day, rng.randint(1, 3), .4, max(.5, min(8, 12000 * length)))
    total, kept = 0, []
    for a, b in spans:
        if total + (b - a) / period < 40000:
            kept.append((a, b))
            total += (b - a) / period
    for a, b in kept:
        place = unit.place if unit else None
        trouble.floods.append((a, b, place, ident, ext, period, bus, dlc))
    who = unit.name if unit else "a stranger"
    return result("flood", "overload", [unit] if unit else [], kept, f"{who} floods {ident:X}")
def foreign(rng, vehicle, day, trouble, taken, _):
    """A unit of another vehicle, or wrongly coded."""
    unit, way = victim(rng, vehicle, taken, False), rng.choice(("ids", "ids", "both", "vin"))
    entry = {"ids": {}, "vin": None}
    if way != "vin":
        share = rng.choice((1, 1, .5))
        if vehicle.truck:
            used = {u.address for u in vehicle.units}
            address = rng.choice([a for a in range(0x60, 0xE0) if a not in used])
            entry["ids"] = {m.id: m.id & ~0xFF | address for m in unit.msgs}
        else:
            for msg in unit.msgs:
                if msg is unit.msgs[0] or rng.random() < share:
                    entry["ids"][msg.id] = vehicle.new_id(unit.bus, msg.period, unit)
    if way != "ids":
        if not unit.vin_kept or unit.request is None or not unit.uds: raise Redraw
        entry["vin"] = some_vin(rng)
    trouble.foreign[unit.place] = entry
    if rng.random() < .5:
        for other in vehicle.units:
            if any(p == unit.place for p, _, _ in other.watches) and rng.random() < .4:
                other.own_codes.append((0xC300, other.ftype and 0x55, 0x2F, True))
    return result("foreign", "not_configured", [unit], [[0, day.length]],
                  "of another vehicle or wrongly coded: " + way)
def stale(rng, vehicle, day, trouble, taken, _):
    """Codes of a flat battery, a repair or an accident; today nothing is wrong."""
    way = rng.choice(("flat battery", "repair", "earlier event"))
    places = [u.place for u in vehicle.units if u.msgs and u.place not in taken]
    if way != "flat battery": places = rng.sample(places, min(len(places), rng.randint(1, 3)))
    if not remember(rng, vehicle, trouble, set(places), rng.uniform(.3, 1)): raise Redraw
    if way == "flat battery":
        for unit in vehicle.units:
            if rng.random() < .4:
                unit.own_codes.append((0x0562, 0x16 if unit.ftype else 0, 0x28, False))
    return result("stale", "stale_codes", [], [[0, day.length]], "codes of " + way)
def mended(rng, vehicle, day, trouble, taken, _):
    """One unit was away and is back."""
    unit = victim(rng, vehicle, taken, False)
    if not remember(rng, vehicle, trouble, {unit.place}, 1): raise Redraw
    how = f"{unit.name} was repaired before"
    if rng.random() < .3:
        for other in vehicle.units: other.keeps = other.keeps or rng.random() < .5
        trouble.clear_first = True
        how = f"{unit.name} repaired, cleared during the recording, some keep their codes"
    elif rng.random() < .1 and inside(day.on, .0):
        add(trouble.open, unit, [(-1.0, rng.uniform(1, 4))])
        how = f"{unit.name} plugged in just after the start"
    return result("mended", "stale_codes", [], [[0, day.length]], how)
