"""Fault memories: who notices whose silence, when, and with which status bits (ISO 14229-1)."""

from catalogue import BATTERY_VOLTAGE, BUS_OFF
from day import running, speaking, wanted
from spans import both, inside, minus, total, union, widen

ACTIVE, THIS_CYCLE, LAST_CYCLE, OLD = 0x2F, 0x2E, 0x2C, 0x28


def code(unit, car):
    """The three bytes of `lost communication with` this unit."""
    return unit.own << 8 | car.lost_type


def links(car, day, plan, gate_runs, watcher, partner):
    """Spans in which frames of the partner can get to the watcher."""
    if watcher.place in plan.islands and partner.place in plan.islands:
        cut = []
    else:
        cut = union(plan.parted.get(watcher.place, []), plan.parted.get(partner.place, []))
    cut = union(cut, plan.drowned.get(partner.place, []), plan.drowned.get(watcher.place, []))
    for channel in {watcher.channel, partner.channel}:
        cut = union(cut, plan.shorts.get(channel, []))
        if not partner_wins(plan, partner, channel):
            cut = union(cut, plan.floods.get(channel, []))
    open_ = minus([(0, day.span)], cut)
    if watcher.channel != partner.channel and car.gateway not in (watcher.place, partner.place):
        open_ = both(open_, minus(gate_runs, plan.noroute))
        open_ = minus(open_, plan.parted.get(car.gateway, []))
    return open_


def partner_wins(plan, partner, channel):
    """Whether a partner's messages get past a flood (they do where theirs are more urgent)."""
    if channel not in plan.floods or not plan.flood_starves or plan.flood_unit == partner.place:
        return True     # it is also the flooding unit itself that is heard
    return any(m.ident < plan.flood_id for m in partner.messages)


def expected(car, day, plan, watcher, partner):
    """When the watcher supervises: key on for a while, not cranking, partner lawfully awake."""
    keyed = [(a + (3.5 if a > 0 else 0), b - 0.3) for a, b in day.key]
    spans = both(running(watcher, day, plan), union(keyed))
    quiet = [span for span, _ in day.silent_by_tester]
    excuse = union(widen(day.crank, 0.3, 1.5), widen(quiet, 0.1, 2.5),
                   day.off_by_user.get(partner.place, []), plan.hangs.get(watcher.place, []))
    return minus(both(spans, wanted(partner, day)), excuse)


def remember(car, day, plan, gate_runs):
    """Per unit: {code: (failing spans, status from before the recording or None)}."""
    result = []
    talk = {u.place: speaking(u, day, plan) for u in car.units}
    for watcher in car.units:
        found = {}
        for place, patience in watcher.watches.items():
            partner = car.units[place]
            open_ = links(car, day, plan, gate_runs, watcher, partner)
            gone = minus(expected(car, day, plan, watcher, partner), both(talk[place], open_))
            fails = [(a + (patience if a > 0 else 0), b + 0.3) for a, b in gone if b - a > patience]
            if fails:
                found[code(partner, car)] = (fails, None)
        hurt = union(plan.drowned.get(watcher.place, []), plan.shorts.get(watcher.channel, []))
        if total(hurt) > 0.3 and watcher.place % 3 != 1:
            found[BUS_OFF << 8 | (0x88 if car.lost_type else 0)] = (hurt, None)
        dark = plan.outages.get(watcher.place, [])
        if len(dark) > 1 and watcher.place % 4 == 0:
            found[BATTERY_VOLTAGE << 8 | 0x16] = ([(b, b + 0.5) for _, b in dark], None)
        for number, status in plan.past.get(watcher.place, {}).items():
            found[number] = (found.get(number, ([], None))[0], status)
        result.append(found)
    return result


def status(found, time, clears, day, own):
    """The status byte of every code that a unit would report at a moment."""
    cleared = max([c for c, places in clears if c < time and own in places], default=-1)
    cycle = max([a for a, _ in day.key if a <= time], default=0)
    result = {}
    for number, (fails, past) in found.items():
        value = past if cleared < 0 else None
        for begin, end in fails:
            begin = max(begin, cleared + 1.5 if cleared >= 0 else begin)
            if begin > time or end <= begin:
                continue
            if time < end:
                value = ACTIVE
            elif value != ACTIVE:
                value = THIS_CYCLE if end > cycle else LAST_CYCLE
        if value is not None:
            result[number] = value
    return result


def alive(car, day, plan, unit, gate_runs):
    """Spans in which a unit's diagnosis can be reached from the diagnostic connector."""
    cut = union(plan.parted.get(unit.place, []), plan.drowned.get(unit.place, []),
                plan.mute.get(unit.place, []))
    for channel in {0, unit.channel}:
        cut = union(cut, plan.shorts.get(channel, []))
        if plan.flood_starves:
            cut = union(cut, plan.floods.get(channel, []))
    result = minus(running(unit, day, plan), cut)
    if unit.channel == 1:
        result = both(result, minus(gate_runs, union(plan.noroute,
                                                     plan.parted.get(car.gateway, []))))
    return result


def reachable(spans, time):
    """Whether a request at this moment would be answered in full."""
    return inside(spans, time) and inside(spans, time + 0.15)
