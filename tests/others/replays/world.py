"""Recordings of vehicles made of real captures, with known faults: world.py SEED OUT."""
import argparse
import json
import os
import random
import re
from multiprocessing import Pool

import captures
import faults
import traffic
from tester import Tester, stored
from vehicle import Vehicle

WORLD = "replays"

def key_profile(day, rng, calm):
    """What the driver does; returns things that may also be said."""
    dur, roll = day.dur, rng.random()
    if roll < (0.62 if calm else 0.38):
        day.key = rng.choice(("engine running", "key on", "driving")) + " all the time"
        return []
    if roll < 0.74:
        a = rng.uniform(0.5, dur * 0.2)
        day.keyed = [(a, dur + 99)]
        day.key = f"key on at {a:.1f} s"
        if rng.random() < 0.6:
            c = a + rng.uniform(2, 5)
            day.cranks = [(c, c + rng.uniform(0.4, 2.0))]
            day.key += f", engine started at {c:.1f} s"
            return [["cranking", []]]
        return []
    if roll < 0.84:
        c = rng.uniform(0.5, dur * 0.4)
        day.cranks = [(c, c + rng.uniform(0.4, 2.0))]
        day.key = f"engine started at {c:.1f} s"
        return [["cranking", []]]
    if roll < 0.91:
        b = dur * rng.uniform(0.6, 0.93)
        day.keyed = [(-99.0, b)]
        day.key = f"key off at {b:.1f} s"
        return [["sleep", []]]
    if roll < 0.96 and dur > 20:
        b = dur * rng.uniform(0.25, 0.55)
        c = b + rng.uniform(1.5, dur * 0.2)
        day.keyed = [(-99.0, b), (c, dur + 99)]
        day.key = f"key off at {b:.1f} s, on again at {c:.1f} s"
        return [["sleep", []]]
    t, said = rng.uniform(3, 8), []
    while t < dur - 4:
        day.cranks.append((t, t + rng.uniform(0.2, 0.5)))
        t += rng.uniform(8, 40)
        said = [["cranking", []]]
    day.key = f"start-stop, {len(day.cranks)} restarts"
    return said

def habits(vehicle, day, rng, besides, sound, planted):
    """Other things of the day: user, recorder, tester sessions, old codes."""
    used = {n for p in planted for n in p["nodes"]}
    if rng.random() < (0.25 if sound else 0.06):
        free = [u for u in vehicle.units if u.user and vehicle.on_connector(u)
                and u.place not in used]
        if free:
            unit = rng.choice(free)
            a = rng.uniform(0.15, 0.7) * day.dur
            b = day.dur + 9 if rng.random() < 0.5 else a + rng.uniform(1.5, day.dur * 0.25)
            if rng.random() < 0.5 or len(unit.keys) < 2:
                day.power.setdefault(unit.place, []).append((a, b))
            else:
                for key in unit.keys[:max(1, len(unit.keys) // 2)]: day.off_keys[key] = [(a, b)]
            besides.append(["switched_by_user", [unit.place]])
    if rng.random() < (0.15 if sound else 0.05):
        for _ in range(rng.choice((1, 1, 2, 5))):
            a = rng.uniform(0.1, 0.9) * day.dur
            if rng.random() < 0.7:
                day.pauses.append((a, a + rng.choice((0.05, 0.3, 2, 4)) * rng.uniform(0.5, 1.2)))
            else: day.losses.append((a, a + day.dur * 0.2, rng.choice((0.02, 0.1, 0.3))))
        besides.append(["logger", []])
    if rng.random() < (0.2 if sound else 0.1) and not any(
            p["fault"] in faults.MEMORY for p in planted):
        about = [u.place for u in vehicle.units if u.keys and u.place not in used]
        if about and faults.old_codes(vehicle, day, rng, [rng.choice(about)], 0.7):
            besides.append(["stale_codes", []])
    if vehicle.reports_errors and rng.random() < 0.3:     # a lone disturbance now and then
        for _ in range(rng.randint(1, 6)):
            day.errors.append((rng.uniform(0, day.dur), 0, traffic.error_text(rng, "frame")))
    if sound and vehicle.kind != "truck" and rng.random() < 0.2:
        a = rng.uniform(0.2, 0.6) * day.dur
        if rng.random() < 0.6: day.session = ("28", a, a + rng.uniform(1.5, 6))
        else: day.session = ("11", a, a)

def _sessions(vehicle, day, tester):
    """A tester's 28 03 or 11 01: frames of its own, and what the units then do."""
    if not day.session: return
    kind, a, b = day.session
    units = [u for u in vehicle.units if u.request and u.keys]
    if kind == "28":
        units = [u for u in vehicle.units if u.request]
        end = tester.special(a, "28", units)
        day.key += f"; tester silences normal messages from {a:.1f} s"
        for n in range(int(b - a) // 2):
            tester.put(a + 2 * n + 2, tester.functional, "023E80", tester.pad)
        tester.special(max(b, end), "28b", units)
        day.quiet.append((end, max(b, end) + 0.1))
    else:
        units = units[:1] if len(units) < 3 else tester.rng.sample(units, 1)
        tester.special(a, "11", units)
        day.hang.setdefault(units[0].place, []).append((a + 0.03, a + 0.1))
        day.key += f"; tester resets {units[0].name} at {a:.1f} s"

def record(vehicle, day, rng, out, scan):
    """Simulate a day and write its log; returns what truth and checks need."""
    first = Tester(vehicle, day, {u.place: [] for u in vehicle.units}, rng)
    _sessions(vehicle, day, first)
    bus, heard = traffic.buses(vehicle, day, rng)
    store = stored(vehicle, day, heard, rng)
    test = Tester(vehicle, day, store, rng)
    test.frames = first.frames
    scans, clears = [], []
    if vehicle.kind == "truck":
        if scan:
            test.dm1(bus)
            if rng.random() < 0.5:
                scans.append(round(rng.uniform(0.5, 0.92) * day.dur, 3))
                test.dm2(scans[0])
    elif scan:
        spots = faults.keyed_spans(day, 3.0) or [(day.dur * 0.3, day.dur * 0.7)]
        times = [rng.uniform(a + (b - a) * rng.choice((0.0, 0.5, 0.7)), b) for a, b in (spots[-1],)]
        if rng.random() < 0.2: times.append(min(times[0] + day.dur * 0.3, day.dur - 4))
        if day.wants_clear: times = [min(times[0], day.dur * 0.4)]
        how = rng.choice(("obd", "uds", "uds", "both", "both", "both"))
        if scan == "uds" and how == "obd": how = "both"
        for t in sorted(times):
            scans.append(round(t, 3))
            if how != "uds": t = test.obd(t)
            if how != "obd": t = test.uds(t)
            if (day.wants_clear or rng.random() < 0.06) and t < day.dur - 3:
                t += rng.uniform(0.3, 2)
                clears.append(round(t, 3))
                t = test.obd(t, True) if how == "obd" else test.uds(t, True)
                t += rng.uniform(0.5, 4)
                if t < day.dur - 3:
                    scans.append(round(t, 3))
                    t = test.obd(t) if how == "obd" else test.uds(t)
    bus[0] = sorted(bus[0] + [f for f in test.frames if 0 <= f[0] < day.dur])
    lines, loads, errors = [], [], 0
    for channel in (0, 1):
        frames, bits = traffic.serial(bus[channel], vehicle.bitrate[channel])
        loads.append(round(bits / day.dur / vehicle.bitrate[channel], 4))
        if channel and not vehicle.two_recorded: continue
        name = f" can{channel} "
        lines += [(t, name, x) for t, x, _ in frames]
        if vehicle.reports_errors:
            mine = [(t, name, x) for t, c, x in day.errors if c == channel and 0 <= t < day.dur]
            if len(mine) > 20000: mine = mine[::len(mine) // 20000 + 1]
            errors += len(mine)
            lines += mine
    for a, b in day.pauses: lines = [x for x in lines if not a <= x[0] < b]
    for a, b, p in day.losses:
        lines = [x for x in lines if not (a <= x[0] < b and rng.random() < p)]
    lines = [x for x in lines if x[0] < day.dur]
    lines.sort()
    first = lines[0][0] if lines else 0.0
    base = 1600000000 + rng.randrange(150000000) + rng.random()
    q = vehicle.stamp
    if q: lines = [(int(t / q) * q, c, x) for t, c, x in lines]
    if len(lines) <= 120000:
        with open(out, "w") as f:
            f.write("".join(["(%.6f)%s%s\n" % (base + t, c, x) for t, c, x in lines]))
    return {"frames": len(lines), "first": first, "errors": errors, "heard": heard, "test": test,
            "scans": scans, "clears": clears, "loads": loads if vehicle.two_recorded else loads[:1]}

def _gaps(times, spans, limit):
    """Does a silence longer than limit begin or lie in one of the spans?"""
    for a, b in spans:
        last = 0.0
        for t in times + [b]:
            if t - last > limit and t > a and last < b + 0.05: return True
            last = t
    return False

def shows(plan, vehicle, day, got, roster):
    """Can the planted fault be seen in what was written?"""
    fault = plan["fault"]
    told = {about for _, about, _ in got["test"].seen}
    if fault in faults.MEMORY: return bool(got["test"].seen)
    if fault in ("termination", "corroded contact"):
        return got["errors"] > 5 or fault != "termination" and bool(got["test"].seen & {
            s for s in got["test"].seen if s[1] in plan["nodes"]}) or _lossy(plan, vehicle, got)
    if fault == "flood": return True
    if fault == "short": return got["errors"] > 5 or max(b - a for a, b in plan["when"]) > 0.1
    if fault == "foreign":
        n = plan["nodes"][0]
        return roster != "none" and bool(day.swap or day.strangers) or n in told \
            or n in got["test"].vins and len(set(got["test"].vins.values())) > 1
    if fault == "gateway":
        there = [n for n in got["heard"][0] if n >= 0 and vehicle.units[n].channel == 1]
        whole = plan["when"][0][0] <= 0 and plan["when"][0][1] >= day.dur - 0.1
        if whole:
            return roster != "none" or any(n is not None and vehicle.units[n].channel for n in told)
        return any(_gaps(got["heard"][0][n], plan["when"],
                         max(0.06, 2.5 * vehicle.units[n].norm_far)) for n in there)
    return _lossy(plan, vehicle, got) if any(
        got["heard"][min(vehicle.units[n].channel, 1)].get(n) for n in plan["nodes"]) else \
        roster != "none" or sum(n in told for n in plan["nodes"]) >= min(2, len(plan["nodes"]))

def _lossy(plan, vehicle, got):
    for n in plan["nodes"]:
        unit = vehicle.units[n]
        channel = unit.channel if vehicle.on_connector(unit) else 0
        times = got["heard"][channel].get(n, [])
        norm = unit.norm if channel == unit.channel else unit.norm_far
        if times and _gaps(times, plan["when"], max(0.05, 2.2 * norm)): return True
    return False

def attempt(rng, which, names, folder, case):
    vehicle = Vehicle(rng)
    sound = which == "sound"
    roll = rng.random()
    roster = "learned" if roll < 0.33 else "written" if roll < 0.41 else "none"
    rate = sum(len(s.times) / (s.slots * s.period) for u in vehicle.units for s, in
               [(vehicle.stream(k[0], k[1], 0),) for k in u.keys] if vehicle.on_connector(u))
    aim = 10 ** rng.uniform(3.6, 4.85)
    dur = round(min(240.0, max(rng.uniform(15, 30), aim / rate)), 3)
    day = traffic.Day(rng, dur, rng.randrange(50))
    besides = key_profile(day, rng, not sound)
    planted, used = [], set()
    for name in names:
        plan = faults.plant(name, vehicle, day, rng, used)
        if plan is None: return None
        planted.append(plan)
    besides += day.said
    habits(vehicle, day, rng, besides, sound, planted)
    if any(p["fault"] in faults.MEMORY for p in planted): besides.append(["stale_codes", []])
    must = {p["fault"] for p in planted} & set(faults.MEMORY)
    scan = "uds" if must or rng.random() < 0.67 else None
    if scan and not must and rng.random() < 0.3: scan = "any"
    os.makedirs(folder, exist_ok=True)
    got = record(vehicle, day, rng, os.path.join(folder, "capture.log"), scan)
    if not 500 <= got["frames"] <= 120000: return None
    if not all(shows(p, vehicle, day, got, roster) for p in planted): return None
    if roster == "learned":
        for n in range(2 if rng.random() < 0.7 else 1):
            length = min(240, max(15, 10 ** rng.uniform(3.5, 4.4) / rate))
            other = traffic.Day(rng, round(length, 3), rng.randrange(50))
            key_profile(other, rng, True)
            record(vehicle, other, rng, os.path.join(folder, f"sound-{n}.log"),
                   "any" if rng.random() < 0.1 else None)
    if roster == "written": write_roster(vehicle, folder)
    from_first(planted, day, got)
    besides = [b for n, b in enumerate(besides) if b not in besides[:n]]
    truth = {"family": WORLD, "case": case, "set": which, "vehicle": vehicle.kind,
             "key": day.key, "planted": planted, "besides": besides,
             "units": [u.truth() for u in vehicle.units], "gateway": vehicle.gateway,
             "errors": [], "loads": got["loads"], "frames": got["frames"], "roster": roster,
             "scans": got["scans"], "clears": got["clears"]}
    with open(os.path.join(folder, "truth.json"), "w") as f:
        json.dump(truth, f, indent=1)
    return got["frames"]

def from_first(planted, day, got):
    """Seconds of the recording count from its first line, not from the start of the day."""
    first = got["first"]
    for plan in planted:
        plan["when"] = [[round(max(0.0, t - first), 3) for t in span] for span in plan["when"]]
    for key in ("scans", "clears"): got[key] = [round(t - first, 3) for t in got[key]]
    day.key = re.sub(r"([\d.]+) s\b", lambda m: "%.1f s" % max(0, float(m[1]) - first), day.key)

def write_roster(vehicle, folder):
    """A roster by hand: who sends what at which period, and by what each answers."""
    of = {name: (slot, key) for (slot, key, _), name in vehicle.renamed.items()}
    with open(os.path.join(folder, "roster.toml"), "w") as f:
        for u in vehicle.units:
            if u.channel > 1 or u.channel == 1 and not vehicle.two_recorded: continue
            periods, others = [], []
            for name in sorted(set(u.ids)):
                s = vehicle.stream(*of[name], 0) if name in of else None
                if s and s.nominal and s.gap < 2.5 * s.nominal:
                    periods.append('  { id = "0x%s", period = %.4f },' % (name, s.nominal))
                else: others.append('"0x%s"' % name)
            f.write('[[node]]\nname = "%s"\nchannel = "can%d"\n' % (u.name, u.channel))
            f.write("messages = [\n%s\n]\n" % "\n".join(periods))
            if others: f.write("events = [%s]\n" % ", ".join(others))
            if u.answer: f.write('answers = ["%s0x%s"]\n' % (
                "can0:" if u.channel == 9 else "", u.answer))
            f.write("\n")

def build(job):
    """One case; redrawn until its faults show."""
    seed, out, which, case, names = job
    folder = os.path.join(out, "%s-%03d" % (which, case))
    for n in range(40):
        rng = random.Random(f"{WORLD}:{seed}:{which}:{case}:{n}")
        for old in ("capture.log", "sound-0.log", "sound-1.log", "roster.toml", "truth.json"):
            if os.path.exists(os.path.join(folder, old)): os.remove(os.path.join(folder, old))
        frames = attempt(rng, which, names, folder, case)
        if frames: return which, case, n, frames
    raise RuntimeError(f"{which}-{case}: {names} never showed")

def jobs(seed, out, singles, pairs, sound):
    """All cases: what is planted where."""
    rng = random.Random(f"{WORLD}:{seed}")
    names = [n for n, k in faults.COUNTS.items() for _ in range(k)]
    rng.shuffle(names)
    work = [(seed, out, "singles", n, [names[n % len(names)]]) for n in range(singles)]
    both = [[a, b] for a in names for b in names if a != b and
            not any(a in kind and b in kind for kind in (faults.BUS, faults.MEMORY))]
    work += [(seed, out, "pairs", n, rng.choice(both)) for n in range(pairs)]
    return work + [(seed, out, "sound", n, []) for n in range(sound)]

def main():
    say = argparse.ArgumentParser(description=__doc__)
    say.add_argument("seed", type=int)
    say.add_argument("out")
    for option, default in (("singles", 201), ("pairs", 60), ("sound", 60), ("jobs", 2)):
        say.add_argument("--" + option, type=int, default=default)
    say.add_argument("--captures", help="folder with the captures (shared/cars)")
    a = say.parse_args()
    root = captures.find_root(a.captures)
    work = jobs(a.seed, a.out, a.singles, a.pairs, a.sound)
    with Pool(a.jobs, captures.find_root, (os.path.join(root, "cars"),)) as pool:
        done = list(pool.imap_unordered(build, work, 4))
    print(len(done), "folders,", sum(d[3] for d in done), "frames,",
          sum(d[2] for d in done), "draws thrown away")

if __name__ == "__main__": main()
