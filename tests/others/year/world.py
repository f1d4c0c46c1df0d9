"""Writes the recordings of a workshop's mixed year: python3 world.py SEED OUT."""

import argparse
import json
import math
import os
import random
import shutil
from multiprocessing import Pool

import faults
from bus import Day, Sim, Trouble
from diag import Tester
from faults import COUNTS, MEMORY, WHOLE, Redraw
from recorder import Recorder
from vehicle import Vehicle, named

WORLD = "year"

def plan(seed, singles, pairs, sound):
    """[(set, number, faults)] of the whole set."""
    rng = random.Random(f"{seed}/plan")
    names = [n for n, count in COUNTS.items() for _ in range(count)]
    rng.shuffle(names)
    while len(names) < singles: names.append(rng.choice(list(COUNTS)))
    out = [("singles", n, [names[n]]) for n in range(singles)]
    pool = [n for n, count in COUNTS.items() for _ in range(count)]
    for n in range(pairs):
        while True:
            two = rng.sample(pool, 2)
            if two[0] != two[1] and not set(two) <= WHOLE and not set(two) <= MEMORY: break
        out.append(("pairs", n, two))
    return out + [("sound", n, []) for n in range(sound)]

def choose_length(rng, vehicle):
    """Seconds: 15 to 240, so that the file stays of sensible size."""
    rate = sum(1000 / (m.period * m.every) for bus in range(vehicle.recorded)
               for m in vehicle.bus_msgs(bus))
    most = faults.log_uniform(rng, 12000, 100000)
    length = math.exp(rng.uniform(math.log(18), math.log(240)))
    length = max(17, min(length, most / max(rate, 1)))
    if length * rate < 900: length = min(240, 1200 / rate)
    if not 500 < length * rate < 110000: raise Redraw
    return length

def jobs_of(rng, length, chance, kind, clear):
    """What the tester does and when."""
    jobs = []
    if rng.random() < chance:
        first = rng.uniform(.15, .75) * length
        if rng.random() < .15: first = rng.uniform(.01, .1) * length
        jobs.append((first, "scan"))
        if clear or rng.random() < .14:
            jobs.append((first + rng.uniform(1, 4), "clear"))
            if rng.random() < .7 or clear: jobs.append((first + rng.uniform(5, 12), "scan"))
        elif rng.random() < .3:
            jobs.append((first + rng.uniform(.1, .9) * (length - first), "scan"))
    if rng.random() < .08: jobs.append((rng.uniform(.1, .9) * length, "poll"))
    if kind == "sound" and rng.random() < .25:
        jobs.append((rng.uniform(.1, .8) * length, rng.choice(("quiet", "reset", "quiet"))))
    elif rng.random() < .02: jobs.append((rng.uniform(.1, .8) * length, "quiet"))
    return jobs

def odds(rng, vehicle, trouble):
    """Ordinary old codes of parts, and old network codes in some vehicles."""
    for unit in vehicle.units:
        if rng.random() < .12:
            kind = rng.choice((0x0000, 0x4000, 0x8000))
            code = kind | (rng.randrange(1, 0xA) << 8) | int(f"{rng.randrange(1, 99):02d}", 16)
            if unit.obd: code &= 0x0FFF
            unit.own_codes.append((code | (0x1000 if code < 0x1000 and not unit.obd else 0),
                                   rng.choice((0, 0x11, 0x13, 0x1C, 0x62)),
                                   rng.choice((0x28, 0x2F, 0x2B, 0x24)), rng.random() < .3))
    if rng.random() < .15:
        places = [u.place for u in vehicle.units if u.msgs]
        faults.remember(rng, vehicle, trouble, set(rng.sample(places, min(2, len(places)))), .5)

def run(rng, vehicle, day, trouble, jobs):
    """Simulates one recording."""
    sim, tester = Sim(rng, vehicle, day, trouble), Tester(rng, vehicle, jobs)
    sim.prepare()
    for bus in range(vehicle.recorded - 1, -1, -1): sim.run_bus(bus, tester if bus == 0 else None)
    if vehicle.recorded > 1 and vehicle.gateway: copy_answers(sim, vehicle)
    return sim, tester

def copy_answers(sim, vehicle):
    """Tester frames for units of the other recorded bus appear there as well."""
    texts = {}
    for unit in vehicle.units:
        if unit.bus == 1 and unit.request is not None:
            for ident, delay in ((unit.request, .0007), (unit.answer, -.0007)):
                texts[named(ident, ident > 0x7FF)] = delay
    for t, bus, name, data in list(sim.rows):
        if name in texts and bus == 0: sim.rows.append((t + texts[name], 1, name, data))

def shows(sim, planted, vehicle, errors, extra, vin):
    """Is there anything of the fault in the recording?"""
    accept, nodes, codes = planted["accept"], planted["nodes"], {code for _, code in sim.said}
    if accept == ["stale_codes"]: return any(0xC100 <= c < 0xC300 for c in codes)
    about = any(vehicle.units[n].code | 0xC000 in codes for n in nodes)
    if accept == ["not_configured"]:
        return bool(sim.trouble.foreign[nodes[0]]["ids"]) and (extra or about) or vin
    if accept == ["gateway"]: return sim.lost.get("carried", 0) >= 4
    if accept == ["overload"]: return any(f[0] < sim.day.length for f in sim.trouble.floods)
    if accept == ["line"]: return sim.errs.get("bus", 0) > 1 and bool(
            sim.trouble.short) or errors >= 5
    for node in nodes:
        if vehicle.units[node].bus >= vehicle.recorded or not vehicle.units[node].msgs: continue
        if sim.lost.get(node, 0) < 3 and sim.errs.get(node, 0) < 3: return False
    if any(a <= 0 and b > 1e8 for n in nodes for table in (sim.trouble.open, sim.trouble.unpowered,
            sim.trouble.hung) for a, b in table.get(n, [])):
        return extra or about
    return True

def vin_seen(sim, vehicle, trouble):
    """Was another VIN read out?"""
    for place, entry in trouble.foreign.items():
        answer = vehicle.units[place].answer
        if entry["vin"] and answer is not None:
            text = named(answer, answer > 0x7FF)
            return any(name == text and ("62F190" in data or "490201" in data)
                       for _, _, name, data in sim.rows)
    return False

def id_text(ident, ext):
    """An identifier as the truth writes it."""
    return "0x" + named(ident, ext)

def units_of(vehicle, trouble):
    """UNIT entries of the truth."""
    out = []
    for unit in vehicle.units:
        table, ids = trouble.foreign.get(unit.place, {}).get("ids", {}), []
        if unit.bus < vehicle.recorded:
            ids = [id_text(table.get(m.id, m.id), m.ext) for m in unit.msgs]
        entry = {"name": unit.name, "called": unit.called, "channel": unit.bus, "ids": ids}
        for key in ("answer", "request"):
            value = getattr(unit, key)
            entry[key] = None if value is None else id_text(value, value > 0x7FF)
        entry["address"] = unit.address
        if unit.gateway:
            entry["carried"] = [id_text(m.id, m.ext) for m in unit.carried if m.bus == 0]
        out.append(entry)
    return out

def roster(path, rng, vehicle):
    """The written roster: what ought to be sent."""
    with_carried, lines = rng.random() < .5, []
    for unit in vehicle.units:
        if unit.bus >= vehicle.recorded or not unit.msgs: continue
        msgs = list(unit.msgs)
        if unit.gateway and with_carried: msgs += [m for m in unit.carried if m.bus == 0]
        lines += ["[[node]]", f'name = "{unit.name}"', f'channel = "can{unit.bus}"', "messages = ["]
        lines += [f'  {{ id = "{id_text(m.id, m.ext)}", period = {m.period / 1000} }},'
                  for m in msgs if not m.event]
        lines.append("]")
        events = ", ".join(f'"{id_text(m.id, m.ext)}"' for m in msgs if m.event)
        if events: lines.append(f"events = [{events}]")
        if unit.answer is not None:
            lines.append(f'answers = ["{id_text(unit.answer, unit.answer > 0x7FF)}"]')
        lines.append("")
    with open(path, "w", encoding="utf-8") as file: file.write("\n".join(lines))

def switch_off(rng, vehicle, day, trouble, taken):
    """The user switches an optional unit off; gives its place or None."""
    units = [u for u in faults.candidates(vehicle, taken) if u.optional]
    if not units or rng.random() > .12: return None
    unit, a = rng.choice(units), rng.uniform(.15, .8) * day.length
    back = a + rng.uniform(3, 30)
    trouble.off[unit.place] = [(a, back if rng.random() < .5 else faults.FOREVER)]
    for other in vehicle.units: other.watches = [w for w in other.watches if w[0] != unit.place]
    return unit.place

def spans_text(spans, zero, length):
    """Spans in seconds of the recording."""
    out = []
    for a, b in spans:
        a, b = max(0.0, a - zero), min(b, length) - zero
        if b > a: out.append([round(a, 4), round(b, 4)])
    return out

def attempt(seed, kind, number, names, path, turn):
    """One draw of a folder; raises Redraw if it does not suit."""
    rng = random.Random(f"{seed}/{kind}/{number}/{turn}")
    form = random.Random(f"{seed}/{kind}/{number}/form").random()
    known = "learned" if form < .34 else "written" if form < .42 else "none"
    vehicle = Vehicle(rng, "gateway" in names, "restraint" in names)
    if len([u for u in vehicle.units if u.msgs and u.bus < vehicle.recorded]) < 3: raise Redraw
    day = Day(rng, vehicle, choose_length(rng, vehicle))
    trouble, taken = Trouble(), set()
    if vehicle.gateway: taken.add(vehicle.gateway.place)
    planted = []
    for name in names:
        if name == "gateway": taken.discard(vehicle.gateway.place)
        planted.append(faults.plant(rng, vehicle, day, trouble, name, taken))
    odds(rng, vehicle, trouble)
    switched = switch_off(rng, vehicle, day, trouble, taken)
    scan_needed = any(n in MEMORY or n == "foreign" for n in names) or (
        "silent start" in names and known == "none")
    jobs = jobs_of(rng, day.length, 1 if scan_needed else .62, kind,
                   getattr(trouble, "clear_first", False))
    sim, tester = run(rng, vehicle, day, trouble, jobs)
    recorder = Recorder(rng, "termination" in names or "corroded" in names)
    shutil.rmtree(path, ignore_errors=True)
    os.makedirs(path)
    base = round(vehicle.date, 6)
    zero, frames, errors, span = recorder.write(sim, os.path.join(path, "capture.log"), base)
    vin = vin_seen(sim, vehicle, trouble)
    if not all(shows(sim, p, vehicle, errors, known != "none", vin) for p in planted): raise Redraw
    if not 500 <= frames <= 120000 or span < 15: raise Redraw
    if known == "learned": sound_logs(rng, vehicle, path)
    elif known == "written": roster(os.path.join(path, "roster.toml"), rng, vehicle)
    besides, length = [], day.length
    old = {(place, code) for place, table in trouble.past.items() for code, _ in table}
    network = {(place, code) for place, code in sim.said if 0xC100 <= code < 0xC300}
    if network & old or network and not planted: besides.append(["stale_codes", []])
    if day.asleep: besides.append(["sleep", []])
    if day.crank: besides.append(["cranking", []])
    if recorder.bad: besides.append(["logger", []])
    if switched is not None: besides.append(["switched_by_user", [switched]])
    for item in planted:
        item["when"] = spans_text(item["when"], zero, min(length, zero + span))
        if not item["when"]: raise Redraw
    truth = {
        "family": WORLD, "case": number, "set": kind, "vehicle": vehicle.label, "key": day.words,
        "planted": planted, "besides": besides, "units": units_of(vehicle, trouble),
        "gateway": vehicle.gateway.place if vehicle.gateway else None, "errors": [],
        "loads": [round(sim.bits[b], 4) for b in range(vehicle.recorded)],
        "frames": frames, "roster": known, "scans": [round(t - zero, 3) for t in tester.scans],
        "clears": [round(t - zero, 3) for t in tester.clears]}
    with open(os.path.join(path, "truth.json"), "w", encoding="utf-8") as file:
        json.dump(truth, file, indent=1, ensure_ascii=False)
    return turn

def sound_logs(rng, vehicle, path):
    """Recordings of the same vehicle on other days, nothing wrong."""
    kept = [(u, u.own_codes) for u in vehicle.units]
    for unit in vehicle.units: unit.own_codes = []
    for n in range(2):
        length = min(60.0, max(15.0, choose_length(rng, vehicle) * rng.uniform(.3, 1)))
        for _ in range(20):
            day = Day(rng, vehicle, length, plain=rng.random() < .7)
            if day.run or rng.random() < .3: break
        jobs = [(rng.uniform(.2, .6) * length, "scan")] if rng.random() < .15 else []
        sim, _ = run(rng, vehicle, day, Trouble(), jobs)
        recorder = Recorder(rng, bad=rng.random() < .03)
        base = round(vehicle.date + 86400 * rng.uniform(-60, -1), 6)
        recorder.write(sim, os.path.join(path, f"sound-{n}.log"), max(1000.0, base))
    for unit, codes in kept: unit.own_codes = codes

def folder(work):
    """Draws until a folder suits."""
    seed, kind, number, names, out = work
    path = os.path.join(out, f"{kind}-{number:03d}")
    for turn in range(200):
        try:
            return kind, number, attempt(seed, kind, number, names, path, turn)
        except Redraw:
            continue
    raise RuntimeError(f"no draw suits {kind}-{number:03d} {names}")

def main():
    """The command line."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("seed", type=int)
    parser.add_argument("out")
    for name, default in (("singles", 201), ("pairs", 60), ("sound", 60), ("jobs", 2)):
        parser.add_argument("--" + name, type=int, default=default)
    args = parser.parse_args()
    work = [(args.seed, k, n, names, args.out)
            for k, n, names in plan(args.seed, args.singles, args.pairs, args.sound)]
    os.makedirs(args.out, exist_ok=True)
    if args.jobs < 2:
        for item in work: folder(item)
        return
    with Pool(args.jobs) as pool:
        for _ in pool.imap_unordered(folder, work, chunksize=2): pass

if __name__ == "__main__": main()
