"""Faults of several units, of the bus, of the gateway, of coding, and faults of the past."""

import catalogue
from faults import (PAST, candidates, corroded, cut_power, cut_wires, dead, from_middle, history,
                    now_and_then, open_stub, own_history, pace, plant, power_intermittent,
                    restraint, silent)
from memory import code
from traffic import length
from vehicle import vin


def group(rng, car, day, plan, fault, lists):
    """A branch or a shared supply."""
    seen = {u.place for u in candidates(car, day, plan)}
    pool = [g for g in lists if len(seen & set(g)) >= 2 and not plan.used & set(g)]
    if not pool:
        return False
    places = rng.choice(pool)
    units = [car.units[p] for p in places if p in seen]
    once = rng.random() < 0.3
    when = from_middle(rng, day) if once else now_and_then(rng, day, units)
    if not when:
        return False
    if fault == "branch":
        cut_wires(plan, places, when)
        accept, how = ["branch"], "wires of a branch parted"
    else:
        cut_power(rng, car, plan, places, when)
        accept, how = ["shared_supply"], rng.choice(("common fuse", "common relay",
                                                     "common ground"))
    if once:
        accept = accept + [{"branch": "shared_supply"}.get(accept[0], "branch")]
    history(rng, car, plan, places)
    if fault == "branch":
        for place in places:
            own_history(rng, car, plan, place, 0.3)
    return plant(plan, fault, accept, accept[0], places, when, how)


def branch(rng, car, day, plan):
    """A splice or an in-line plug towards several units."""
    return group(rng, car, day, plan, "branch", car.branches)


def shared_supply(rng, car, day, plan):
    """One fuse, relay or ground point of several units."""
    return group(rng, car, day, plan, "shared supply", car.fuses)


def short(rng, car, day, plan):
    """Chafed wires: high to ground, low to battery, or both together."""
    channel = rng.randrange(car.recorded)
    units = [u for u in car.units if u.channel == channel]
    if len(units) < 4 or plan.whole:
        return False
    when = [(a, min(b, a + rng.uniform(0.3, 6))) for a, b in
            now_and_then(rng, day, [min(units, key=pace)])]
    if not when:
        return False
    plan.shorts[channel] = plan.whole = when
    return plant(plan, "short", ["line"], "line", [], when,
                 rng.choice(("high to ground", "low to battery", "high to low")))


def termination(rng, car, day, plan):
    """One of two resistors is missing: reflections hurt units at long stubs most."""
    channel = rng.randrange(car.recorded)
    units = [u for u in car.units if u.channel == channel]
    if len(units) < 4 or plan.whole:
        return False
    worst = rng.choice((0.06, 0.15, 0.4, 0.7))
    chances = {u.place: worst * rng.random() ** 2 for u in units}
    chances[rng.choice(units).place] = worst
    when = [(0.0, day.span)] if rng.random() < 0.5 else now_and_then(rng, day, units[:1])
    if not when:
        return False
    plan.noise.setdefault(channel, []).extend((a, b, chances, worst * 0.2) for a, b in when)
    plan.whole = True
    if rng.random() < 0.8:
        plan.recorder["errors"] = True
    for unit in units:
        if rng.random() < chances[unit.place]:
            plan.past.setdefault(unit.place, {})[catalogue.BUS_OFF << 8 | 0x88] = 0x2E
    return plant(plan, "termination", ["line"], "line", [], when, "terminating resistor gone")


def gateway(rng, car, day, plan):
    """The gateway's supply, its program, or only its routing fails."""
    behind = [u for u in car.units if u.channel == 1 and any(m.routed for m in u.messages)]
    if car.gateway is None or plan.used or len(behind) < 2:
        return False
    unit = car.units[car.gateway]
    when = from_middle(rng, day) if rng.random() < 0.4 else now_and_then(
        rng, day, [unit, min(behind, key=pace)])
    if not when:
        return False
    accept = ["gateway"]
    draw = rng.random()
    if draw < 0.4:
        cut_power(rng, car, plan, [unit.place], when)
        accept, how = ["gateway", "module_power"], "supply of the gateway"
    elif draw < 0.8 or car.shut:
        plan.noroute = when
        how = "carries nothing over"
        if car.recorded == 1:
            accept = ["gateway", "branch"]
    else:
        cut_power(rng, car, plan, [unit.place], when)
        plan.mute[unit.place] = when
        how = "processor stands still"
        accept = ["gateway", "module_power"]
    history(rng, car, plan, [unit.place], 0.5)
    return plant(plan, "gateway", accept, "gateway", [unit.place], when, how)


def flood(rng, car, day, plan):
    """A unit, or something added to the bus, sends without end."""
    if plan.whole:
        return False
    channel = rng.randrange(car.recorded)
    pool = [u for u in candidates(car, day, plan) if u.channel == channel]
    nodes = []
    if rng.random() < 0.6 and pool:
        unit = rng.choice(pool)
        plan.flood_id, plan.flood_unit = rng.choice(
            [m.ident for m in unit.messages if m.channel == channel and not m.event]), unit.place
        nodes, how = [unit.place], "a unit repeats one message without end"
    else:
        taken = {m.ident for u in car.units for m in u.messages}
        while plan.flood_id in taken | {0}:
            plan.flood_id = rng.choice((rng.randrange(1, 0x60), rng.randrange(0x60, 0x6F0)))
        how = "an added device (tracker, radio adapter) sends without end"
    when = [(0.0, day.span)] if rng.random() < 0.35 else \
        from_middle(rng, day) if rng.random() < 0.5 else \
        [(a, max(b, a + 2)) for a, b in now_and_then(rng, day, car.units[:1])]
    if not when:
        return False
    plan.flood_gap = length(plan.flood_id, 8) / car.rates[channel] * rng.choice((0.9, 1.02, 1.3))
    plan.flood_starves, plan.whole = plan.flood_gap < 0.0004, True
    plan.flood_data = rng.choice((None, "00" * 8, f"{rng.getrandbits(64):016X}"))
    plan.floods[channel] = when
    return plant(plan, "flood", ["overload"], "overload", nodes, when, how)


def foreign(rng, car, day, plan):
    """A used unit of another car, or a new one nobody has coded."""
    pool = [u for u in candidates(car, day, plan) if u.answer]
    if not pool:
        return False
    unit = rng.choice(pool)
    odd = rng.choice((vin(rng), vin(rng), "blank", None))
    if odd:
        plan.foreign[unit.place] = odd
    if odd in ("blank", None) or rng.random() < 0.5:
        own = rng.choice((0xC300, 0xA100, 0x9A55)) << 8 | rng.choice((0x51, 0x54, 0x55, 0x55))
        plan.past.setdefault(unit.place, {})[own] = 0x2F
    mismatch = catalogue.MISMATCH.get(unit.code)
    for watcher in car.units:
        if mismatch and unit.place in watcher.watches and rng.random() < 0.6:
            plan.past.setdefault(watcher.place, {})[mismatch << 8] = 0x2F
    if rng.random() < 0.4 and len(unit.messages) > 1:
        gone = rng.sample(unit.messages, rng.randint(1, len(unit.messages) - 1))
        plan.missing |= {(unit.place, m.ident) for m in gone}
    plan.needs_scan = True
    return plant(plan, "foreign", ["not_configured"], "not_configured", [unit.place],
                 [(0.0, day.span)], "used unit of another car" if odd and odd != "blank"
                 else "never coded")


def stale(rng, car, day, plan):
    """Old codes: a flat battery left some in every memory, or a unit was once unplugged."""
    plan.needs_scan = plan.whole = True
    value = rng.choice(PAST)
    if rng.random() < 0.5:
        for unit in car.units:
            for place in unit.watches:
                if rng.random() < 0.5:
                    plan.past.setdefault(unit.place, {})[code(car.units[place], car)] = value
            if rng.random() < 0.5:
                plan.past.setdefault(unit.place, {})[catalogue.BATTERY_VOLTAGE << 8 | 0x16] = value
        return bool(plan.past) and plant(plan, "stale", ["stale_codes"], "stale_codes", [], [],
                                         "flat battery weeks ago")
    return mended(rng, car, day, plan, "stale", "once unplugged for other work", value)


def mended(rng, car, day, plan, fault="mended", how="repaired before the recording", value=None):
    """The watchers of a unit still hold what they noticed before the repair."""
    watched = [u for u in candidates(car, day, plan) if any(
        u.place in w.watches and w.answer for w in car.units)]
    if not watched:
        return False
    unit = rng.choice(watched)
    history(rng, car, plan, [unit.place], 1.0)
    if not plan.past:
        return False
    for codes in plan.past.values():
        for number in codes:
            codes[number] = value or codes[number]
    plan.needs_scan = True
    return plant(plan, fault, ["stale_codes"], "stale_codes", [unit.place], [], how)


SINGLES = [("power intermittent", 18, power_intermittent), ("open stub", 18, open_stub),
    ("corroded contact", 12, corroded),
    ("silent from the start", 12, lambda r, c, d, p: silent(r, c, d, p, True)),
    ("silent from the middle", 12, lambda r, c, d, p: silent(r, c, d, p, False)),
    ("branch", 19, branch), ("shared supply", 19, shared_supply), ("short", 9, short),
    ("gateway", 10, gateway), ("termination", 9, termination), ("dead", 16, dead),
    ("flood", 9, flood), ("foreign", 10, foreign), ("stale", 10, stale), ("mended", 9, mended),
    ("restraint", 9, restraint)]
