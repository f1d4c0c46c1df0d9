"""What is done with a vehicle while it is recorded: key, engine, sleep, users, workshop habits.

The sequence of states is a list of (begin, end, state); states are `run`, `on` (engine off),
`crank`, `stop` (start-stop), `off` (key off, buses awake), `sleep` and `charge`.
"""

from types import SimpleNamespace

from spans import both, minus, union

KEYED = ("run", "on", "crank", "stop")


def scenario(rng, car, span):
    """One of the ways in which cars are recorded."""
    draw = rng.random()
    if car.electric and draw < 0.2:
        cut = rng.uniform(0.2, 0.4) * span
        return [(cut, "sleep" if rng.random() < 0.5 else "off"), (span, "charge")] \
            if rng.random() < 0.3 else [(cut, "charge"), (span, "run")]
    start = rng.uniform(0.1, 0.35) * span
    if draw < 0.45:
        return [(span, "run")]
    if draw < 0.57:
        return [(span, "on")]
    if draw < 0.70:
        return [(start, "on"), (start + rng.uniform(0.5, 1.6), "crank"), (span, "run")]
    if draw < 0.78 and not car.electric:
        return start_stop(rng, span)
    if draw < 0.86:
        stop = span * rng.uniform(0.7, 0.9)
        asleep = stop + rng.uniform(2, 30)
        return [(stop, "run"), (min(asleep, span), "off"), (span, "sleep")]
    if draw < 0.93:
        early = rng.uniform(1, 0.15 * span)
        return [(early, rng.choice(("sleep", "off"))), (early + rng.uniform(2, 8), "on"),
                (early + 9, "crank" if not car.electric else "on"), (span, "run")]
    return key_cycles(rng, span)


def start_stop(rng, span):
    """Traffic lights: the engine stops 3 to 20 s and is cranked again for half a second."""
    result, time = [], rng.uniform(5, 20)
    while time < span - 12:
        halt = rng.uniform(3, 9)
        result += [(time, "run"), (time + halt, "stop"), (time + halt + 0.45, "crank")]
        time += halt + rng.uniform(8, 40)
    return result + [(span, "run")]


def key_cycles(rng, span):
    """A mechanic turns the key while he records; the car is off for 2 to 10 s each time."""
    result, time = [], rng.uniform(0.25, 0.5) * span
    for _ in range(rng.randint(1, 2)):
        result += [(time, "on"), (time + rng.uniform(2, 7), "off")]
        time += 7 + rng.uniform(0.15, 0.3) * span
    return result + [(span, "on")]


def draw(rng, car, span, plain=False):
    """A day: states and everything lawful that follows from them."""
    states = []
    begin = 0.0
    for end, state in ([(span, "run")] if plain else scenario(rng, car, span)):
        end = min(end, span)
        if end > begin:
            states.append((begin, end, state))
            begin = end
    day = SimpleNamespace(span=span, states=states, besides=[], dips={}, off_by_user={},
                          silent_by_tester=[], resets={})
    day.key = union([(a, b) for a, b, s in states if s in KEYED])
    day.engine = union([(a, b) for a, b, s in states if s == "run"])
    day.crank = [(a, b) for a, b, s in states if s == "crank"]
    day.charge = [(a, b) for a, b, s in states if s == "charge"]
    day.awake = union([(a, b) for a, b, s in states if s != "sleep" and s != "charge"])
    day.asleep = [(a, b) for a, b, s in states if s == "sleep"]
    if any(s in ("off", "sleep", "charge") for _, _, s in states):
        day.besides.append(["sleep", []])
    if day.crank:
        day.besides.append(["cranking", []])
    day.modes = [toggles(rng, span) for _ in range(3)]
    day.sleep_lag = {u.place: rng.uniform(0, 1.2) for u in car.units}
    lawful_losses(rng, car, day, plain)
    return day


def toggles(rng, span):
    """When a mode (reverse gear, air conditioning, hill descent) is on."""
    result, time = [], rng.uniform(-20, span)
    while time < span:
        length = rng.uniform(3, 40)
        result.append((max(0, time), min(span, time + length)))
        time += length + rng.uniform(5, 90)
    return union(result)


def lawful_losses(rng, car, day, plain):
    """Weak units reset while cranking; users switch units; partial networks rest."""
    for unit in car.units:
        if "w" in unit.flags and day.crank and rng.random() < 0.2:
            day.dips[unit.place] = [(a + rng.uniform(0.02, 0.1), b + rng.uniform(-0.2, 0.1))
                                    for a, b in day.crank]
        rest = []
        if "u" in unit.flags and rng.random() < 0.25 and not plain:
            begin = rng.choice((0.0, rng.uniform(0.1, 0.8) * day.span))
            rest = [(begin, rng.choice((day.span, begin + rng.uniform(3, 30))))]
            day.besides.append(["switched_by_user", [unit.place]])
        elif "n" in unit.flags and rng.random() < 0.3 and car.nm == "broadcast":
            begin = rng.uniform(0, day.span)
            rest = [(begin, begin + rng.uniform(5, 60))]
            day.besides.append(["sleep", [unit.place]])
        if rest:
            day.off_by_user[unit.place] = [(a, min(b, day.span)) for a, b in rest]


def wanted(unit, day):
    """When a unit has reason to be awake, supply and wires taken for granted."""
    if unit.supply == 15:
        spans = [(a, b + unit.after if b < day.span else b) for a, b in day.key]
    else:
        lag = day.sleep_lag[unit.place]
        spans = [(a, b + lag if b < day.span else b) for a, b in day.awake]
    if "g" in unit.flags:
        spans = spans + day.charge
    if "k" in unit.flags:             # looks for a key now and then in a sleeping car
        for begin, end in day.asleep:
            step = begin + 2.5 + day.sleep_lag[unit.place]
            while step < end - 0.5:
                spans = spans + [(step, step + 0.35)]
                step += 3.7
    spans = union([(a, min(b, day.span)) for a, b in spans])
    return minus(spans, day.off_by_user.get(unit.place, []))


def existence(unit, day, outages):
    """Spans (begin, end, delay until it speaks, ends by itself) of a running processor."""
    reasons = wanted(unit, day)
    lost = union(outages, day.dips.get(unit.place, []), day.resets.get(unit.place, []))
    starts = {a for a, _ in reasons}
    ends = {b for _, b in reasons}
    result = []
    for begin, end in minus(reasons, lost):
        if begin == 0:
            begin, delay = -20 - 7 * unit.after, 0.0
        else:
            delay = unit.wake if begin in starts else unit.boot
        result.append((begin, end, delay, end in ends and end < day.span))
    return result


def longest(day):
    """The longest time with the key on, or the whole recording where it never is."""
    return max(day.key or [(0.0, day.span)], key=lambda s: s[1] - s[0])


def running(unit, day, plan):
    """Spans in which its program runs."""
    return union([(a + delay, b) for a, b, delay, _ in
                  existence(unit, day, plan.outages.get(unit.place, []))])


def speaking(unit, day, plan):
    """Spans in which its application would be heard by somebody with sound wires."""
    quiet = union(plan.hangs.get(unit.place, []),
                  [span for span, who in day.silent_by_tester if unit.place in who])
    return minus(both(running(unit, day, plan), [(0, day.span)]), quiet)
