"""The faults: each function writes into a plan what fails when, or returns False if the vehicle
(or the day) offers no place for it.  How such faults look is common workshop experience."""

from types import SimpleNamespace

import catalogue
from day import longest, wanted
from memory import code
from spans import both, inside, minus, total, union
from vehicle import visible

SILENT = ["module_power", "module_connector", "module_dead"]
PAST = (0x28, 0x28, 0x2C, 0x08, 0x68)


def empty(rng):
    """A plan without faults; recorder and tester are filled in elsewhere."""
    return SimpleNamespace(
        outages={}, parted={}, islands=set(), noise={}, shorts={}, hangs={}, noroute=[],
        floods={}, flood_id=0, flood_unit=-1, flood_gap=1.0, flood_data=None, flood_starves=False,
        foreign={}, past={}, missing=set(), drowned={}, mute={}, planted=[], besides=[],
        needs_scan=False, needs_roster=False, recorder=None, used=set(), whole=False,
        tester_pad=rng.choice((0x00, 0x00, 0x55, 0xCC, None)), separation=rng.choice((0, 0, 1, 5)))


def candidates(car, day, plan):
    """Units whose silence could be seen: heard on a recorded channel while the key is on."""
    result = []
    for unit in car.units:
        usual = total(both(wanted(unit, day), day.key))
        if unit.place != car.gateway and unit.place not in plan.used \
                and unit.place not in day.off_by_user and visible(car, unit.place) \
                and usual > 0.9 * total(day.key):
            result.append(unit)
    return result


def pace(unit):
    """Period of the fastest message that a unit sends all the time."""
    return min(m.period for m in unit.messages if m.when == "always" and not m.event)


def now_and_then(rng, day, units):
    """Windows of an intermittent fault: mostly tenths of a second to some seconds, in the key's
    on time, in one rough road or all over the recording."""
    least = 3.5 * max(pace(u) for u in units)
    low, high = rng.choice(((0.15, 1.0), (0.3, 3.0), (0.5, 8.0), (2.0, 15.0)))
    place = rng.choice([s for s in day.key if s[1] - s[0] > 8] or day.key)
    begin, end = place[0] + rng.uniform(1.0, 6.0), place[1] - 0.5
    if rng.random() < 0.3:
        begin = rng.uniform(begin, begin + 0.6 * max(0, end - begin))
        end = min(end, begin + rng.uniform(5, 30))
    wished, result, time = rng.choice((1, 2, 3, 4, 6, 9, 14)), [], begin
    mean = max(1.0, (end - begin) / (wished + 1))
    for _ in range(wished):
        length_ = max(least * rng.uniform(1, 1.6), rng.uniform(low, high))
        time += rng.expovariate(1 / mean) * 0.6
        if time + length_ > end:
            break
        result.append((time, time + length_))
        time += length_ + 1.0 + least
    if not result and end - begin > least + 1:
        time = rng.uniform(begin, end - least - 0.5)
        result = [(time, min(end, time + max(least, low)))]
    return result


def from_middle(rng, day):
    """A moment with the key on, after which something is silent for good."""
    begin, end = longest(day)
    return [(rng.uniform(begin + 0.2 * (end - begin), begin + 0.75 * (end - begin)), day.span)]


def plant(plan, fault, accept, really, nodes, when, how):
    """Notes the truth of one fault."""
    plan.used |= set(nodes)
    plan.planted.append({"fault": fault, "accept": accept, "really": really, "nodes": sorted(nodes),
        "when": [[round(max(0, a), 3), round(b, 3)] for a, b in when], "how": how})
    return True


def history(rng, car, plan, nodes, chance=0.65):
    """It has happened before the recording too: some watchers hold old codes of it."""
    if rng.random() > chance:
        return
    value = rng.choice(PAST)
    for watcher in car.units:
        for place in nodes:
            if place in watcher.watches and watcher.place not in nodes and rng.random() < 0.8:
                plan.past.setdefault(watcher.place, {})[code(car.units[place], car)] = value


def own_history(rng, car, plan, place, chance=0.5):
    """A unit that was alone on parted wires remembers having lost its partners."""
    unit = car.units[place]
    if rng.random() < chance:
        for other in unit.watches:
            plan.past.setdefault(place, {})[code(car.units[other], car)] = rng.choice(PAST[:3])


def cut_power(rng, car, plan, places, when):
    """Supply lost; capacitors differ, so units of one fuse go some hundredths apart."""
    for place in places:
        hold = rng.uniform(0, 0.08) if len(places) > 1 else 0
        spans = [(a + min(hold, (b - a) / 3) if a > 0 else a, b) for a, b in when]
        plan.outages[place] = union(plan.outages.get(place, []), spans)


def cut_wires(plan, places, when):
    """Bus wires parted; several units together still talk among themselves."""
    for place in places:
        plan.parted[place] = union(plan.parted.get(place, []), when)
    if len(places) > 1:
        plan.islands |= set(places)


def one_unit(rng, car, day, plan, only=None):
    """A unit that may fail, and when it does now and then; no times where there is none."""
    pool = [u for u in candidates(car, day, plan) if only is None or u.name == only]
    if not pool:
        return None, []
    unit = rng.choice(pool)
    return unit, now_and_then(rng, day, [unit])


def power_intermittent(rng, car, day, plan, only=None, fault="power intermittent"):
    """Fuse, relay, ground or plug of one unit."""
    unit, when = one_unit(rng, car, day, plan, only)
    if not when:
        return False
    cut_power(rng, car, plan, [unit.place], when)
    history(rng, car, plan, [unit.place])
    if rng.random() < 0.4:
        plan.past.setdefault(unit.place, {})[catalogue.BATTERY_VOLTAGE << 8 | 0x16] = 0x2C
    return plant(plan, fault, ["module_power"], "module_power", [unit.place], when,
                 rng.choice(("ground loose", "fuse contact", "relay", "supply pin spread")))


def open_stub(rng, car, day, plan, only=None, fault="open stub"):
    """The bus pins of one unit have no contact now and then; its program runs on."""
    unit, when = one_unit(rng, car, day, plan, only)
    if not when:
        return False
    cut_wires(plan, [unit.place], when)
    history(rng, car, plan, [unit.place])
    own_history(rng, car, plan, unit.place)
    return plant(plan, fault, ["module_connector"], "module_connector", [unit.place], when,
                 rng.choice(("both wires open", "stub broken at the plug", "pin backed out")))


def corroded(rng, car, day, plan):
    """High and changing resistance at one unit's pins: bursts of broken frames, bus-off."""
    unit, when = one_unit(rng, car, day, plan)
    if not when:
        return False
    unit.recover = rng.choice((0.05, 0.2, 0.5, 1.0, 2.0)) + pace(unit)
    for begin, end in when:
        chance = rng.choice((0.35, 0.6, 0.8, 0.95, 1.0) if plan.recorder["errors"] else
                            (0.8, 0.95, 1.0))
        others = rng.choice((0.0, 0.005, 0.03))
        plan.noise.setdefault(unit.channel, []).append((begin, end, {unit.place: chance}, others))
        if chance >= 0.6:
            plan.mute.setdefault(unit.place, []).append((begin, end))
        if chance >= 0.95:
            plan.drowned.setdefault(unit.place, []).append((begin, end))
    history(rng, car, plan, [unit.place])
    own_history(rng, car, plan, unit.place)
    return plant(plan, "corroded contact", ["module_connector"], "module_connector",
                 [unit.place], when, "water in the plug, green pins")


def silent(rng, car, day, plan, start):
    """One unit says nothing from the start, or from some moment on."""
    pool = candidates(car, day, plan)
    if not pool:
        return False
    unit = rng.choice(pool)
    when = [(-100.0, day.span)] if start else from_middle(rng, day)
    if rng.random() < 0.5:
        cut_power(rng, car, plan, [unit.place], when)
        really, how = "module_power", "fuse blown, or ground off"
    else:
        cut_wires(plan, [unit.place], when)
        really, how = "module_connector", "bus wires off"
    history(rng, car, plan, [unit.place], 0.4)
    plan.needs_roster |= start
    name = "silent from the start" if start else "silent from the middle"
    return plant(plan, name, SILENT, really, [unit.place], when, how)


def dead(rng, car, day, plan):
    """A unit dies, resets without end, or hangs while its boot loader's diagnosis answers."""
    pool = [u for u in candidates(car, day, plan) if pace(u) <= 0.5]
    if not pool:
        return False
    unit = rng.choice(pool)
    when = from_middle(rng, day)
    draw = rng.random()
    if draw < 0.34:
        cut_power(rng, car, plan, [unit.place], when)
        return plant(plan, "dead", ["module_dead", "module_power", "module_connector"],
                     "module_dead", [unit.place], when, "dies")
    if draw < 0.7:
        unit.boot = min(unit.boot, 0.8)
        lasts = unit.boot + max(0.5, 2 * pace(unit)) * rng.uniform(0.6, 4)
        time, spans = when[0][0] if rng.random() < 0.7 else -5.0, []
        while time < day.span:
            spans.append((time, time + rng.uniform(0.02, 0.3)))
            time = spans[-1][1] + lasts * rng.uniform(0.97, 1.03)
        plan.outages[unit.place] = spans
        return plant(plan, "dead", ["module_dead", "module_power"], "module_dead",
                     [unit.place], [(spans[0][0], day.span)], "resets without end (watchdog)")
    pool = [u for u in pool if u.answer]
    if not pool:
        return False
    unit = rng.choice(pool)
    if rng.random() < 0.25:
        when, plan.needs_roster = [(-100.0, day.span)], True
    plan.hangs[unit.place] = when
    plan.needs_scan = True
    return plant(plan, "dead", ["module_dead", "not_configured"], "module_dead", [unit.place],
                 when, "application hangs, diagnosis answers")


def restraint(rng, car, day, plan):
    """The airbag unit: its yellow plug under the seat or its supply."""
    choice = rng.choice((power_intermittent, open_stub))
    return choice(rng, car, day, plan, only="airbag", fault="restraint")
