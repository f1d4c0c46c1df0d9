"""Draws a vehicle: its units, their messages, buses, fuses, branches, diagnosis and habits."""

from types import SimpleNamespace

from catalogue import GATEWAY, kinds

FAST = (0.01, 0.01, 0.012, 0.02, 0.02, 0.025)
MID = (0.02, 0.04, 0.05, 0.05, 0.1, 0.1)
SLOW = (0.1, 0.1, 0.2, 0.2, 0.25, 0.3, 0.5, 1.0, 1.0, 2.0)
WORLD_MAKERS = ("1G1", "WZZ", "VF9", "JX7", "KM0", "LS9", "9BX", "MA9", "SX1", "ZZA", "AHX", "6FX")
VIN_LETTERS = "ABCDEFGHJKLMNPRSTUVWXYZ0123456789"


def vin(rng):
    """Seventeen characters without I, O and Q (ISO 3779); maker codes invented."""
    return rng.choice(WORLD_MAKERS) + "".join(rng.choice(VIN_LETTERS) for _ in range(8)) + \
        "".join(rng.choice("0123456789") for _ in range(6))


def choose_kinds(rng, electric, hybrid):
    """Which units this car carries: 7 in a bare van, some 25 in a full one."""
    drive = "ae" if electric else "ace" if hybrid else "ac"
    richness = rng.uniform(0.35, 1.25)
    return [kind for kind in kinds() if kind.drive in drive
            and (kind.share == 10 or rng.random() < kind.share / 10 * richness)]


def buses(rng, picked):
    """How the units hang on one or two buses; returns the zones behind the gateway, or None."""
    if rng.random() < 0.52:
        return None
    return rng.choice([("b", "i"), ("b", "i"), ("b", "i"), ("i",), ("i",), ("p", "c"),
                       ("p", "c"), ("p",), ("p",), ("p", "c", "b", "i")])


def message(rng, unit, period, car):
    """One message: period, size, counter, checksum, and when it is sent."""
    size = rng.choice((8, 8, 8, 8, 8, 7, 6, 5, 4, 3, 2))
    when = "always"
    draw = rng.random()
    if period >= 0.05 and draw < 0.05:
        when = "mode"
    elif unit.supply == 30 and draw < 0.13:
        when = "key"
    elif unit.name in ("engine", "drive motor", "transmission", "charger") and draw < 0.12:
        when = "engine"
    kind = "plain"
    if period >= 0.05 and rng.random() < 0.08:
        kind = "multiplexed"
    secured = rng.random() < car.secured and size >= 4
    return SimpleNamespace(
        ident=None, unit=unit.place, channel=unit.channel, period=period, size=size, when=when,
        kind=kind, mode=rng.randrange(3), offset=rng.uniform(0.002, min(period, 0.4)),
        jitter=period * rng.choice((0.002, 0.003, 0.006, 0.02, 0.05)), secured=secured,
        counter=secured or rng.random() < 0.25, check=rng.choice(("xor", "sum", "crc")),
        limit=rng.choice((15, 15, 14, 3)), key=rng.randrange(256), routed=None, event=0.0,
        base=[rng.choice((0, 0, 0xFF, rng.randrange(256))) for _ in range(size)],
        live=rng.sample(range(size), min(size, rng.randrange(4))))


def give_messages(rng, unit, kind, car):
    """The messages of one unit, none of them with an identifier yet."""
    wishes = [(FAST, kind.fast), (MID, kind.mid), (SLOW, kind.slow)]
    for periods, count in wishes:
        count = max(0, count + rng.choice((-1, 0, 0, 0, 1)) if count else 0)
        for _ in range(count):
            unit.messages.append(message(rng, unit, rng.choice(periods), car))
    if not any(m.when == "always" for m in unit.messages):
        unit.messages.append(message(rng, unit, rng.choice(SLOW), car))
        unit.messages[-1].when = "always"
    if "v" in kind.flags:
        for _ in range(rng.choice((0, 1, 1, 2))):
            event = message(rng, unit, 0.03, car)
            event.when, event.kind, event.event = "always", "event", rng.uniform(6, 50)
            unit.messages.append(event)


def number_messages(rng, car):
    """Identifiers: roughly by urgency, as designers deal them, unique over all buses."""
    everything = [m for unit in car.units for m in unit.messages]
    everything.sort(key=lambda m: m.period * rng.uniform(0.2, 5) * (3 if m.event else 1))
    if car.extended:
        pool = sorted(rng.sample(range(0x0200, 0xFF00), len(everything)))
        numbers = [rng.choice((0x02, 0x06, 0x0A, 0x12)) << 24 | (n << 8) | rng.choice((0x40, 0x80))
                   for n in pool]
    else:
        numbers = sorted(rng.sample(range(0x060, 0x5FF if not car.nm else 0x4F0), len(everything)))
    for entry, number in zip(everything, numbers):
        entry.ident = number


def diagnosis(rng, car):
    """Request and answer identifiers after the habits of several makers (ISO 15765-4 for OBD)."""
    scheme = rng.choice(("plus8", "plus8", "plus6A", "plus20")) if not car.extended else "29"
    legislated = {"engine": 0, "drive motor": 0, "transmission": 1, "high voltage battery": 2,
                  "reductant": 3}
    free = rng.sample(range(0x10, 0x60), len(car.units))
    taken = set()
    for unit, spare in zip(car.units, free):
        if "s" in unit.flags and rng.random() < 0.7:
            continue
        slot = legislated.get(unit.name)
        if scheme == "29":
            target = 0x10 + slot if slot is not None and slot not in taken else spare + 0x20
            unit.request, unit.answer = 0x18DA00F1 | target << 8, 0x18DAF100 | target
        elif slot is not None and slot not in taken:
            unit.request, unit.answer = 0x7E0 + slot, 0x7E8 + slot
        elif scheme == "plus8":
            unit.request = 0x700 + (spare // 8 * 16 + spare % 8) % 0xD0
            unit.answer = unit.request + 8
        elif scheme == "plus6A":
            unit.request, unit.answer = 0x700 + spare, 0x76A + spare
        else:
            unit.request, unit.answer = 0x600 + spare % 16 + spare // 16 * 64, 0
            unit.answer = unit.request + 0x20
        taken.add(slot)
    car.functional = 0x18DB33F1 if car.extended else 0x7DF
    busy = {}
    for unit in car.units:            # two that would share an identifier: the later stays mute
        if unit.request in busy or unit.answer in busy:
            unit.request = unit.answer = None
        if unit.request:
            busy[unit.request] = busy[unit.answer] = unit


def network_management(rng, car):
    """OSEK ring (one token, 4xx) or AUTOSAR broadcast (5xx): one message of 8 bytes per unit."""
    base = {"ring": 0x400 if car.extended else 0x500, "broadcast": 0x500}.get(car.nm)
    if base is None:
        return
    places = rng.sample(range(0x10, 0x5F), len(car.units))
    for unit, place in zip(car.units, places):
        if unit.supply == 30 or rng.random() < 0.6:
            unit.nm = (0x1B000000 if car.extended else 0) + base + place
    car.nm_period = rng.choice((0.2, 0.5, 0.64, 1.0)) if car.nm == "broadcast" else 0.1
    car.nm_first = rng.random() < 0.5


def routes(rng, car):
    """What the gateway carries to the diagnostic bus and back, plain or under a new number."""
    gate = car.units[car.gateway]
    share = rng.choice((0.1, 0.3, 0.5, 0.7))
    if car.shut:
        share = 0.04
    used = {m.ident for unit in car.units for m in unit.messages}
    for unit in car.units:
        if unit is gate:
            continue
        for entry in unit.messages:
            if entry.when == "mode" or entry.event or rng.random() > share:
                continue
            if entry.channel == 0 and rng.random() < 0.5:
                continue
            entry.routed = entry.ident
            if rng.random() < 0.2 and not car.extended:
                number = entry.ident
                while number in used or number > 0x6FF:
                    number = rng.randrange(0x60, 0x5F0)
                used.add(number)
                entry.routed = number


def wiring(rng, car):
    """Fuses shared by 2 to 5 units, branches of 2 to 6 on one bus: harness practice."""
    places = [u.place for u in car.units]
    car.fuses, car.branches = [], []
    pool = [p for p in places if p != car.gateway]
    rng.shuffle(pool)
    while len(pool) >= 2:
        size = rng.randint(2, 5)
        car.fuses.append(pool[:size])
        pool = pool[size:]
    for channel in (0, 1):
        pool = [p for p in places if car.units[p].channel == channel and p != car.gateway]
        rng.shuffle(pool)
        while len(pool) >= 4:
            size = rng.randint(2, min(6, len(pool) - 1))
            car.branches.append(pool[:size])
            pool = pool[size:]
    car.fuses = [sorted(f) for f in car.fuses if len(f) > 1]
    car.branches = [sorted(b) for b in car.branches if len(b) > 1]


def partners(rng, car):
    """Who supervises whom, and how long it waits: about 10 periods, or fixed at 0.5 to 5 s."""
    for unit in car.units:
        watchful = rng.choice((0.0, 0.1, 0.3, 0.5, 0.7))
        if unit.name in ("engine", "brakes", "body", "gateway", "drive motor"):
            watchful = max(watchful, 0.35)
        for other in car.units:
            wanted = other.name in ("engine", "brakes", "body", "airbag", "cluster", "drive motor")
            heard = other.channel == unit.channel or unit.place == car.gateway or any(
                m.routed is not None for m in other.messages)
            if other is not unit and heard and "u" not in other.flags and "n" not in other.flags \
                    and rng.random() < watchful * (1.3 if wanted else 0.6):
                unit.watches[other.place] = rng.choice((0.5, 1.0, 1.0, 2.0, 2.5, 5.0))


def new_unit(rng, car, kind, place, channel):
    """One unit with the habits that are its own."""
    unit = SimpleNamespace(
        place=place, name=kind.name, called=kind.called, code=kind.code, flags=kind.flags,
        supply=kind.supply, channel=channel, messages=[], request=None, answer=None, nm=None,
        watches={}, boot=rng.choice((0.08, 0.15, 0.25, 0.4, 0.8, 1.2, 2.5)),
        wake=rng.uniform(0.02, 0.25), skew=1 + rng.gauss(0, 4e-5),
        after=rng.uniform(0.01, 0.4), recover=rng.choice((0.005, 0.02, 0.1, 0.2, 0.5, 1.0)),
        flush=rng.choice((0, 0, 1, 3, 99)), sleep_phase=rng.uniform(0, 0.9),
        mask=car.mask if rng.random() < 0.7 else 0xFF,
        keeps_vin=rng.random() < 0.75, reset_answers=rng.random() < 0.8, own=kind.code)
    if unit.name in ("engine", "drive motor", "high voltage battery"):
        unit.after, unit.keeps_vin = rng.choice((0.3, 2.0, 6.0, 15.0)), True
    if car.own_codes and rng.random() < 0.25:
        unit.own = 0xD000 | rng.randrange(0x100, 0x2FF)     # a maker's own U1xxx instead
    give_messages(rng, unit, kind, car)
    return unit


def traffic_load(car, channel):
    """Share of the time that the channel is busy when everything runs."""
    bits = sum(((77 if car.extended else 55) + 9 * m.size) / m.period
               for u in car.units for m in u.messages if not m.event
               and (m.channel == channel or m.routed is not None))
    return bits / car.rates[channel]


def calm(rng, car):
    """Designers slow messages down until the bus carries them; a thin bus gets faster ones."""
    for channel in (0, 1):
        goal = rng.uniform(0.3, 0.66)
        mine = [m for u in car.units for m in u.messages if not m.event and
                (m.channel == channel or m.routed is not None)]
        while mine and traffic_load(car, channel) > goal:
            slowed = min(mine, key=lambda m: m.period * rng.uniform(1, 3))
            slowed.period = min(2.0, slowed.period * 2)
        tries = 0
        own = [m for m in mine if m.channel == channel and m.period <= 0.1]
        while own and traffic_load(car, channel) < 0.13 and tries < 40 and not car.shut:
            rng.choice(own).period = 0.01 if car.rates[channel] >= 250000 else 0.05
            tries += 1


def draw(rng, two_buses=False):
    """A vehicle."""
    electric = rng.random() < 0.17
    hybrid = not electric and rng.random() < 0.15
    car = SimpleNamespace(
        electric=electric, hybrid=hybrid, kind=rng.choice(("car", "car", "car", "van")),
        extended=rng.random() < 0.08, secured=rng.choice((0, 0.1, 0.3, 0.6)), units=[],
        nm=rng.choice((None, None, "ring", "broadcast", "broadcast")), gateway=None, shut=False,
        vin=vin(rng), pad=rng.choice((0x00, 0x00, 0xAA, 0x55, 0xCC, 0xFF, None)),
        mask=rng.choice((0xFF, 0xFF, 0x7F, 0x2F, 0x0D, 0x09)), lost_type=rng.choice((0, 0, 0x87)),
        own_codes=rng.random() < 0.1, recorded=1, nm_period=1.0, nm_first=False,
        gateway_lag=rng.choice((0.0005, 0.002, 0.005)),
        rates=[500000, rng.choice((500000, 500000, 250000, 125000, 100000))])
    if rng.random() < 0.08:
        car.rates[0] = 250000
    picked = choose_kinds(rng, electric, hybrid)
    behind = buses(rng, picked)
    if two_buses and not behind:
        behind = rng.choice([("b", "i"), ("p", "c"), ("b", "i")])
    if behind == ("p", "c", "b", "i"):
        car.shut = True
    if behind and car.rates[1] < 250000 and "p" in behind:
        car.rates[1] = 500000
    for kind in picked:
        channel = 1 if behind and kind.zone in behind else 0
        car.units.append(new_unit(rng, car, kind, len(car.units), channel))
    if behind:
        car.gateway = len(car.units)
        car.units.append(new_unit(rng, car, GATEWAY, car.gateway, 0))
        own = car.units[-1].messages
        for entry in own[len(own) // 2 + 1:]:
            entry.channel = 1
        car.recorded = 2 if rng.random() < (0.6 if car.shut else 0.45) else 1
    finish(rng, car)
    return car


def finish(rng, car):
    """Everything that needs all units to be there."""
    number_messages(rng, car)
    if car.gateway is not None:
        routes(rng, car)
    calm(rng, car)
    diagnosis(rng, car)
    network_management(rng, car)
    wiring(rng, car)
    partners(rng, car)


def visible(car, place):
    """Whether a unit's own application messages reach a recorded channel."""
    unit = car.units[place]
    return unit.channel < car.recorded or any(m.routed == m.ident for m in unit.messages)
