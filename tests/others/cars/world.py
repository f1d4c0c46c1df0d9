"""Writes recordings of invented passenger cars and vans with known faults.

    python3 world.py SEED OUT [--singles N] [--pairs N] [--sound N]
"""

import argparse
import json
import os
import random

import bus
import catalogue
import day as days
import faults
import faults_many
import memory
import traffic
import vehicle
from spans import both, inside, total
from tester import Talk

FAMILY = "cars"
PAIRABLE = [f for f in faults_many.SINGLES if f[0] not in ("stale", "mended")]


def frames_per_second(car):
    """Of the recorded channels, everything awake."""
    return sum(1 / m.period * (1 + (m.routed is not None)) for u in car.units for m in u.messages
               if not m.event and (u.channel < car.recorded or m.routed is not None)) + 20


def pick_span(rng, car, flooded):
    """25 to 240 s, but no more frames than an evening's recording should hold."""
    rate = frames_per_second(car) + (4200 * car.rates[0] / 500000 if flooded else 0)
    wish = rng.choice((rng.uniform(29, 60), rng.uniform(40, 120), rng.uniform(60, 240)))
    budget = rng.uniform(40000, 108000)
    return max(26.0 if flooded else 29.0, min(wish, budget / rate, 240.0))


def keyed_enough(day):
    """Faulty cars are recorded with the key on for most of the time."""
    return total(day.key) > max(0.55 * day.span, 14) and total([days.longest(day)]) > 12


def draw_case(rng, planned):
    """A vehicle, a day and a plan in which every planned fault has found its place."""
    names = [p[0] for p in planned]
    for _ in range(500):
        car = vehicle.draw(rng, two_buses="gateway" in names)
        span = pick_span(rng, car, "flood" in names)
        day = days.draw(rng, car, span)
        plan = faults.empty(rng)
        plan.recorder = bus.draw_recorder(rng, span)
        if frames_per_second(car) * span > 110000:
            continue
        if planned and not keyed_enough(day):
            continue
        if all(function(rng, car, day, plan) for _, _, function in planned):
            return car, day, plan
    raise RuntimeError(f"no vehicle offers {names}")


def everyday_codes(rng, car, plan):
    """Many cars carry old codes that have nothing to do with today."""
    if rng.random() > 0.35:
        return
    for unit in rng.sample(car.units, min(len(car.units), rng.randint(1, 4))):
        own = plan.past.setdefault(unit.place, {})
        value = rng.choice((0x28, 0x28, 0x2C, 0x08))
        if unit.watches and rng.random() < 0.3:
            other = rng.choice(list(unit.watches))
            if other not in plan.used:
                own.setdefault(memory.code(car.units[other], car), value)
        else:
            number, kind = rng.choice(catalogue.EVERYDAY)
            own.setdefault(number << 8 | kind, value)
    plan.besides.append(["stale_codes", []])


def workshop_habits(rng, car, day, plan):
    """The tester puts the bus quiet, or resets a unit; both seldom and in the key's on time."""
    begin, end = days.longest(day)
    if end - begin < 20 or rng.random() > 0.1:
        return None
    start = rng.uniform(begin + 4, end - 12)
    if rng.random() < 0.4:
        who = {u.place for u in car.units if u.answer and rng.random() < 0.85}
        stop = start + rng.uniform(2, 7)
        day.silent_by_tester.append(((start, stop), who))
        plan.besides.append(["switched_by_user", sorted(who)])
        return "quiet", start, stop
    pool = [u for u in car.units if u.answer and u.place not in plan.used
            and u.place != car.gateway and inside(days.wanted(u, day), start)
            and u.place not in day.off_by_user]
    if not pool:
        return None
    unit = rng.choice(pool)
    day.resets[unit.place] = [(start, start + rng.uniform(0.05, 0.4))]
    plan.besides.append(["switched_by_user", [unit.place]])
    return "reset", start, unit


def converse(rng, car, day, plan, memories, gate_runs, habit):
    """The tester's visits, if any."""
    plan.tester_style = {"vin": bool(plan.foreign) or rng.random() < 0.6,
                         "count": rng.random() < 0.2, "stays": rng.random() < 0.15,
                         "mask": rng.choice((0xFF, 0xFF, 0xFF, 0x2F, 0x0D, 0x09)),
                         "tries": rng.choice((1, 2))}
    talk = Talk(rng, car, day, plan, memories, gate_runs)
    if plan.needs_scan or rng.random() < 0.66:
        visits(rng, car, day, plan, talk)
    elif rng.random() < 0.25:
        unit = rng.choice([u for u in car.units if u.answer])
        begin = rng.uniform(0, day.span / 2)
        talk.values(begin, rng.uniform(begin, day.span), unit)
    if habit and habit[0] == "quiet":
        talk.quiet(habit[1], habit[2])
    elif habit:
        talk.reset(habit[1], habit[2])
    return talk


def visits(rng, car, day, plan, talk):
    """One scan or two; the second sees what came back after erasing."""
    answering = [u for u in car.units if u.answer]
    rng.shuffle(answering)
    obd = rng.random() < 0.6
    if not plan.needs_scan and rng.random() < 0.2:
        answering = answering[:rng.randint(1, 5)]
    elif not plan.needs_scan and rng.random() < 0.12:
        answering, obd = [], True
    begin, end = days.longest(day)
    starts = [rng.uniform(begin + 1, begin + 0.25 * (end - begin))] if plan.needs_scan \
        else [rng.uniform(begin + 0.2, begin + 0.8 * (end - begin))]
    twice = rng.random() < 0.3 and end - begin > 40
    clear = rng.random() < (0.5 if twice else 0.08)
    talk.scan(starts[0], obd, answering, clear)
    again = max(talk.time + 2, begin + 0.7 * (end - begin))
    if twice and again < end - 5 and not plan.tester_style["stays"]:
        talk.scan(again, obd, answering, False)


def gateway_runs(car, day, plan):
    """Spans in which the gateway's program runs."""
    return [] if car.gateway is None else both(
        days.running(car.units[car.gateway], day, plan), [(0, day.span)])


def record(rng, car, day, plan, path, tested=True):
    """One recording on disk; returns the conversation, loads, frames, errors and first moment."""
    habit = workshop_habits(rng, car, day, plan) if tested else None
    gate_runs = gateway_runs(car, day, plan)
    memories = memory.remember(car, day, plan, gate_runs)
    talk = Talk(rng, car, day, plan, memories, gate_runs)
    if tested:
        talk = converse(rng, car, day, plan, memories, gate_runs, habit)
    released = traffic.messages(rng, car, day, plan)
    frames, loads = bus.simulate(rng, car, day, plan, released, talk.releases, gate_runs)
    written, errors, zero = bus.write_log(rng, path, frames, plan.recorder)
    return talk, loads, written, errors, zero


def named(car, day, plan, talk):
    """Whether a code that was read names a unit of the plan."""
    for begin, end in talk.scans:
        for unit in car.units:
            if unit.answer and memory.reachable(talk.alive[unit.place], (begin + end) / 2):
                found = memory.status(talk.memories[unit.place], begin, talk.clears, day,
                                      unit.place)
                if any(memory.code(car.units[p], car) in found for p in plan.used):
                    return True
    return False


def lessons(rng, car, folder):
    """Sound recordings of the same vehicle on other days."""
    for number in range(rng.randint(1, 3)):
        span = min(rng.uniform(25, 45), 40000 / frames_per_second(car) + 8)
        day = days.draw(rng, car, span, plain=number == 0)
        plan = faults.empty(rng)
        plan.recorder = bus.draw_recorder(rng, span)
        record(rng, car, day, plan, f"{folder}/sound-{number}.log", tested=False)


def write_roster(car, path):
    """What somebody who knows the vehicle would note down of it."""
    lines = []
    for unit in car.units:
        for channel in range(car.recorded):
            own = [m for m in unit.messages if m.channel == channel]
            if not own:
                continue
            lines += ["[[node]]", f'name = "{unit.name}"', f'channel = "can{channel}"',
                      "messages = ["]
            lines += [f'  {{ id = "{hexed(m.ident)}", period = {round(m.period, 4)} }},'
                      for m in own if m.when in ("always", "key") and not m.event]
            extra = [hexed(m.ident) for m in own if m.event or m.when in ("mode", "engine")]
            extra += [hexed(unit.nm)] if unit.nm and unit.channel == channel else []
            lines += ["]", "events = [" + ", ".join(f'"{e}"' for e in extra) + "]", ""]
    with open(path, "w", encoding="utf-8") as out:
        out.write("\n".join(lines))


def hexed(number):
    """0x and 3 or 8 digits."""
    return f"0x{number:08X}" if number > 0x7FF else f"0x{number:03X}"


def describe(car):
    """The units for truth.json."""
    result = []
    for unit in car.units:
        idents = [m.ident for m in unit.messages] + ([unit.nm] if unit.nm else [])
        if unit.place == car.gateway:
            idents += [m.routed for u in car.units for m in u.messages
                       if m.routed is not None and m.routed != m.ident]
        result.append({"name": unit.name, "called": unit.called, "channel": unit.channel,
                       "ids": [hexed(i) for i in idents], "address": None,
                       "answer": hexed(unit.answer) if unit.answer else None,
                       "request": hexed(unit.request) if unit.request else None})
    return result


def shifted(spans, zero):
    """Seconds since the first frame on record instead of since the recorder was started."""
    return [[round(max(0, a - zero), 3), round(b - zero, 3)] for a, b in spans if b > zero]


def besides(day, plan):
    """What is also true, each said once."""
    extra = day.besides + plan.besides
    if plan.recorder["pauses"] or plan.recorder["overflow"]:
        extra = extra + [["logger", []]]
    return [e for n, e in enumerate(extra) if e not in extra[:n]]


def write_case(seed, kind, number, planned, out):
    """One folder."""
    rng = random.Random(f"{seed}/{kind}/{number}")
    folder = os.path.join(out, f"{kind}-{number:03d}")
    os.makedirs(folder, exist_ok=True)
    car, day, plan = draw_case(rng, planned)
    everyday_codes(rng, car, plan)
    talk, loads, written, _, zero = record(rng, car, day, plan, f"{folder}/capture.log")
    roster = "none"
    if rng.random() < 0.3 or (plan.needs_roster and not named(car, day, plan, talk)):
        roster = rng.choice(("learned", "learned", "written"))
    if roster == "learned":
        lessons(rng, car, folder)
    elif roster == "written":
        write_roster(car, f"{folder}/roster.toml")
    truth = {"family": FAMILY, "case": number, "set": kind, "vehicle": car.kind,
             "key": ", ".join(f"{s} {max(0, a - zero):.1f}-{b - zero:.1f}"
                              for a, b, s in day.states),
             "planted": [{**p, "when": shifted(p["when"], zero)} for p in plan.planted],
             "besides": besides(day, plan), "units": describe(car),
             "gateway": car.gateway, "errors": [],
             "loads": [round(x, 3) for x in loads], "frames": written, "roster": roster,
             "scans": [begin for begin, _ in shifted(talk.scans, zero)],
             "clears": [round(t - zero, 3) for t, _ in talk.clears]}
    with open(f"{folder}/truth.json", "w", encoding="utf-8") as file:
        json.dump(truth, file, indent=1)


def deal(seed, count):
    """The faults of the singles in the asked proportions, in mixed order."""
    deck = [entry for entry in faults_many.SINGLES for _ in range(entry[1])]
    random.Random(f"{seed}/deal").shuffle(deck)
    return [[deck[k % len(deck)]] for k in range(count)]


def deal_pairs(seed, count):
    """Two faults that can be there together."""
    rng = random.Random(f"{seed}/pairs")
    weights = [entry[1] for entry in PAIRABLE]
    result = []
    while len(result) < count:
        pair = rng.choices(PAIRABLE, weights, k=2)
        names = {entry[0] for entry in pair}
        if len(names & {"short", "termination", "flood"}) < 2 and names != {"restraint"} \
                and names != {"gateway"}:
            result.append(sorted(pair, key=lambda e: e[0] != "gateway"))
    return result


def main():
    """Command line."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("seed", type=int)
    parser.add_argument("out")
    parser.add_argument("--singles", type=int, default=201)
    parser.add_argument("--pairs", type=int, default=60)
    parser.add_argument("--sound", type=int, default=60)
    given = parser.parse_args()
    for number, planned in enumerate(deal(given.seed, given.singles)):
        write_case(given.seed, "singles", number, planned, given.out)
    for number, planned in enumerate(deal_pairs(given.seed, given.pairs)):
        write_case(given.seed, "pairs", number, planned, given.out)
    for number in range(given.sound):
        write_case(given.seed, "sound", number, [], given.out)


if __name__ == "__main__":
    main()
