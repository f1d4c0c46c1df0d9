"""world.py SEED OUT [--singles 201] [--pairs 60] [--sound 60] [--jobs 2]"""
import argparse
import os
import random
import shutil
import time
from multiprocessing import Pool

import day as D
import faults as F
import record as R
import vehicle as V
from sim import Plan, Sim
from spans import inter, minus, norm, total

MIX = [n for n, (k, f) in F.ALL.items() for _ in range(k)]


def build(seed):
    r = random.Random(seed)
    v = V.draw(r)
    v.ghosts = []
    for i, u in enumerate(v.units):
        u.i0 = i
        u.vinread = u.used = False
        u.dmok = r.random() < .9
    v.names = [bytes(r.randrange(256) for _ in range(8)) for _ in v.units]
    v.tool = V.Unit("tester", "", 0, "gw", "kl30", v.dlcbus, 0)
    v.tool2 = V.Unit("flooder", "", 0, "gw", "kl30", 0, 0)
    for t in (v.tool, v.tool2):
        t.buffer, t.busoff_wait, t.busoff_clear, t.dtcs, t.mask, t.ftb = "overwrite", .01, True, {}, True, 0
        t.ready, t.confirm = True, 1
    v.padded = r.random() < .8
    v.retries = r.choice([0, 0, 1, 2])
    v.p2max = r.choice([.05, .1, .25, .5])
    v.pending = r.choice([0, 0, 0, .05, .2])
    v.stmin = r.choice([0, .001, .005, .01])
    v.session = r.random() < .5
    v.askvin = r.random() < .45
    v.mask19 = r.choice([0x08, 0x09, 0x0D, 0xFF, 0xAF, 0x2F])
    v.avail = r.choice([0xFF, 0xFF, 0x7B, 0x2F, 0x09])
    v.pace = r.choice([.005, .03, .1])
    v.only = [i for i in range(len(v.units)) if r.random() < .5] if r.random() < .12 else []
    return v


def timetable(r, v, d, faulty):
    """When the workshop's tester asks what."""
    T = d.T
    out = []
    if getattr(d, "mend", None):
        t = d.mend + r.uniform(1, 3)
        out = [(t, "scan")]
        if r.random() < .5 and t + 4 < T:
            out += [(t + 3.5, "clear"), (min(T * .95, t + 6), "scan")]
        return out
    if v.dlc == "answers":                                 # else the recording would be empty
        out = [(t, r.choice(["live", "live", "scan"])) for t in sorted(r.uniform(.1, .6 * T) for _ in range(r.choice([0, 1, 3])))]
        return [(r.uniform(.1, 2), r.choice(["scan", "live"]))] + out + [(T * r.uniform(.65, .85), "scan")]
    p = .9 if getattr(d, "needcodes", 0) or getattr(d, "needvin", None) is not None else .62 if faulty else .5
    if r.random() > p and not getattr(d, "needcodes", 0):
        return [(T * r.uniform(.2, .6), "live")] if r.random() < .2 else []
    w = inter(d.ign, [(.5, T * .85)])
    at = lambda lo, hi: T * r.uniform(lo, hi)
    k = r.choice(["after", "after", "before", "middle", "twice", "clear", "live"])
    if getattr(d, "needcodes", 0) and k == "clear":
        k = "middle"
    if k == "after":
        out = [(at(.6, .8), "scan")]
    elif k == "before":
        out = [(at(.02, .2), "scan")]
    elif k == "middle":
        out = [(at(.2, .6), "scan")]
    elif k == "twice":
        out = [(at(.05, .25), "scan"), (at(.65, .8), "scan")]
    elif k == "clear":
        out = [(at(.05, .2), "scan"), (at(.4, .5), "clear"), (at(.7, .85), "scan")]
    else:
        out = [(at(.1, .3), "live"), (at(.5, .8), "scan")]
    return out


def attempt(seed, sort, names, roster):
    r = random.Random(seed + "/case")
    v = build(seed + "/vehicle")
    want = None
    if sort != "sound" and r.random() < .5:
        want = r.choice(["running", "ignition", "start", "running", "keyoff", "cycle"])
    if "stale" in names or "mended" in names:
        want = r.choice(["ignition", "running", "keyon", "start"])
    rate = sum(1 / m.period for b in v.buses for m in b.msgs)
    d = D.draw(r, v, want, 28000 / rate)
    p = Plan()
    planted, used = [], set()
    for n in names:
        f = None
        for _ in range(4):
            f = F.ALL[n][1](r, v, d, p, used)
            if f:
                break
        if f is None:
            return None
        planted.append(f)
        used |= set(f["nodes"])
        if n in ("gateway",) and v.gw is not None:
            used.add(v.gw)
    need = getattr(d, "needroster", False)
    stale_too = False
    if not any(f["fault"] in ("stale", "mended") for f in planted) and r.random() < .22:
        t = [i for i in range(len(v.units))]
        r.shuffle(t)
        t = [i for i in t if i not in used][:r.choice([1, 2, 4])]
        stale_too = F.old_codes(r, v, t, .6) > 0
    s = Sim(r, v, d, p, timetable(r, v, d, bool(names)))
    s.run()
    rec = R.Recorder(r, d.T)
    if getattr(d, "wanterr", False):
        rec.errors = rec.errors or r.random() < .6
    lines, n, t0, hurt = rec.lines(r, s)
    seen = rec.seen                                        # what the recorder really wrote
    if n < 12 or t0 is None or d.T - t0 < 5:
        return None
    if not all(trace(v, d, s, f, roster, rec, t0) for f in planted):
        return None
    end = d.T
    sh = lambda x: round(max(0.0, x - t0), 3)
    units = []
    hexid = lambda i, e: "0x%08X" % i if e else "0x%03X" % i
    g = v.units[v.gw] if v.gw is not None else None
    for u in v.units:
        ids = {}
        for ch, mid, per, m in F.shown(v, u):
            ids.setdefault(ch, []).append((mid, m.ext))
        for m in v.ghosts:                                 # a foreign unit: also what the right one would send
            if m.unit is u and v.buses[m.bus].channel is not None:
                ids.setdefault(v.buses[m.bus].channel, []).append((m.id, m.ext))
        if u is g and v.dlc == "wires":                    # copies it really puts on a recorded bus
            for (b, mid), l in sorted(v.routes.items()):
                for bj, new, div, lag in l:
                    ch = v.buses[bj].channel
                    if ch is not None and v.buses[bj].name != "dlc":
                        ids.setdefault(ch, []).append((new, v.kind != "car"))
        if u.nmsender and v.buses[u.bus].nm == "ring" and v.buses[u.bus].channel is not None:
            ids.setdefault(v.buses[u.bus].channel, []).append((u.nmsender, v.era == "car29"))
        if v.kind == "truck" and v.buses[u.bus].channel is not None:
            c = v.buses[u.bus].channel
            for (ch, i) in sorted(seen):
                if ch == c and i & 255 == u.sa and (i >> 16 & 0xFF) in (0xEE, 0xEC, 0xEB, 0xE8) or ch == c and i in (0x18FECA00 | u.sa, 0x18FECB00 | u.sa):
                    ids.setdefault(c, []).append((i, True))
        # one channel per unit: its own bus if recorded, else where it shows most
        own = v.buses[u.bus].channel
        hurt_unit = any(u.i0 in f["nodes"] for f in planted)   # of a unit that is silent: what it should send
        c = own if own is not None else max(sorted(ids), key=lambda x: len(ids[x])) if ids else 0
        units.append({"name": u.name, "called": u.words, "channel": c,
                      "ids": [hexid(i, e) for i, e in sorted(set(ids.get(c, []))) if (c, i) in seen or hurt_unit],
                      "answer": hexid(u.answer, v.era == "car29") if u.answer else None,
                      "request": hexid(u.request, v.era == "car29") if u.request else None,
                      "address": getattr(u, "codesa", u.sa)})
    T = d.T
    besides = []
    if any(0 < x < T for i, u in enumerate(v.units) if units[i]["ids"] for a, b in D.base_on(d, u) for x in (a, b)):
        besides.append(["sleep", []])
    hit = sorted(i for i in s.crankhit if units[i]["ids"])
    if hit:
        besides.append(["cranking", hit])
    if hurt:
        besides.append(["logger", []])
    sw = [i for i, x in sorted(d.switched.items()) if units[i]["ids"] and inter(inter(D.base_on(d, v.units[i]), x), [(0, T)])]
    if sw:
        besides.append(["own_switch", sw])
    if not any(f["fault"] in ("stale", "mended") for f in planted) and stale_too and any(x == 0 for x in s.reported.values()):
        besides.append(["stale_codes", []])
    last = rec.last
    for f in planted:
        if "diagnosis answers" in f["how"] and not answered(v, s, f):
            f["accept"] = list(F.THREE)                    # nobody asked it, so nobody can know that it would answer
        f["when"] = [[sh(a), sh(min(b, last))] for a, b in f["when"] if b > t0 + .001 and a < last - .001]
    loads = []
    for b in sorted((b for b in v.buses if b.channel is not None), key=lambda b: b.channel):
        bits = sum((67 if e else 47) + 8.9 * len(x) for t, c, i, e, x in s.rec if c == b.channel)
        loads.append(round(bits / b.rate / max(1, T - t0), 3))
    t = {"family": "matrix", "case": 0, "set": sort, "vehicle": v.kind, "key": d.words, "planted": planted,
         "besides": besides, "units": units, "gateway": v.gw, "errors": [], "loads": loads, "frames": n, "roster": roster,
         "scans": [sh(x) for x in s.scans if x >= t0 and x < T], "clears": [sh(x) for x in s.clears if x >= t0 and x < T],
         "platform": "%s, connector gives %s" % (v.era, v.dlc)}
    return t, lines


def answered(v, s, f):
    i, a = f["nodes"][0], f["when"][0][0]
    return any(j == i and t > a for t, j in s.answers)


def codes_of(v, i):
    u = v.units[i]
    return {(2000 + getattr(u, "codesa", u.sa), 9)} if v.kind == "truck" else {(0xC0 | u.code >> 8, u.code & 255, f) for f in (0x87, 0, 8)}


def trace(v, d, s, f, roster, rec, t0):
    n, now = f["fault"], [(a, b) for a, b in f["when"]]
    named = any(c in codes_of(v, i) for i in f["nodes"] for (_, c) in s.reported)
    if n == "stale":
        return any(x == 0 for (i, c), x in s.reported.items())
    if n == "mended":
        return bool(s.reported) if not f["nodes"] else (named and F.lost_frames(v, d, f["nodes"][0], now) > 3)
    if n in ("short", "termination"):
        e = len(s.errs)
        if e < 10:
            return False
        return n == "short" or rec.errors or e > .05 * len(s.rec)
    if n == "flood":
        return True
    if n == "foreign":
        if "VIN" in f["how"]:
            return v.units[f["nodes"][0]].vinread and sum(u.vinread for u in v.units) > 2
        return roster != "none" and bool(F.shown(v, v.units[f["nodes"][0]])) or named
    lost = sum(F.lost_frames(v, d, i, now) for i in f["nodes"])
    if n == "gateway":
        if v.dlc == "answers":
            return bool(s.scans) and (roster != "none" or len(s.rec) > 40)
        return roster != "none" or now[0][0] > 0
    if f["when"] and f["when"][0][0] <= 0.001 and f["when"][0][1] >= d.T - .01 and n != "dead":
        return named or roster != "none" and lost > 5
    if v.dlc == "answers":
        return named or bool(s.scans) and roster != "none"
    return lost >= 2 or named


def learned(seed, k):
    """The same vehicle on another day, sound."""
    for n in range(20):
        r = random.Random("%s/day%d/%d" % (seed, k, n))
        v = build(seed + "/vehicle")
        rate = sum(1 / m.period for b in v.buses for m in b.msgs)
        want = r.choice(["running", "ignition", "start", "start"]) if k == 0 else None
        d = D.draw(r, v, want, min(r.uniform(8, 25), 9000 / max(1, rate)))
        s = Sim(r, v, d, Plan(), [(d.T * .3, "scan")] if r.random() < .3 or v.dlc == "answers" else [])
        s.run()
        rec = R.Recorder(r, d.T, False)
        lines, m, t0, hurt = rec.lines(r, s)
        if m >= 12 and d.T - t0 > 3:
            return lines
    return None


def roster_toml(seed):
    v = build(seed + "/vehicle")
    o = []
    for u in v.units:
        by = {}
        for ch, mid, per, m in F.shown(v, u):
            if m.kind != "ev":
                by.setdefault(ch, []).append((mid, m.ext, per))
        if not by and not u.answer:
            continue
        for ch in sorted(by) or [0]:
            o.append('[[node]]\nname = "%s"\nchannel = "can%d"' % (u.name, ch))
            o.append("messages = [" + ", ".join('{ id = "%s", period = %g }' % ("0x%08X" % i if e else "0x%03X" % i, p) for i, e, p in sorted(by.get(ch, []))) + "]")
            if u.answer and ch == (sorted(by) or [0])[0]:
                o.append('answers = ["%s"]' % ("0x%08X" % u.answer if v.era == "car29" else "0x%03X" % u.answer))
            o.append("")
    return o


def suits(a, b):
    bus = {"short", "termination", "flood"}
    if a == b or a in bus and b in bus:
        return False
    return not ({a, b} <= {"stale", "mended"} or {a, b} == {"gateway", "branch"} or {a, b} == {"restraint", "silent from the start"})


def case(job):
    seed, sort, n, names, out = job
    folder = os.path.join(out, "%s-%03d" % (sort, n))
    os.makedirs(folder, exist_ok=True)
    r = random.Random("%s/%s/%d" % (seed, sort, n))
    roster = ["learned", "written", "none"][n % 3] if sort == "sound" else r.choice(["learned", "written", "none"])
    got = None
    for k in range(400):
        sd = "%s/%s/%d/%d" % (seed, sort, n, k)
        if sort == "pairs" and k % 10 == 9:
            while True:
                names = [r.choice(MIX), r.choice(MIX)]
                if suits(*names):
                    break
        got = attempt(sd, sort, names, roster)
        if got:
            logs = [learned(sd, 0), learned(sd, 1)][:1 + r.randrange(2)] if roster == "learned" else []
            if None in logs:
                got = None
                continue
            break
    if not got:
        return "%s-%03d: no draw for %s" % (sort, n, names)
    t, lines = got
    t["case"] = n
    R.write(folder, "capture.log", lines)
    for k, l in enumerate(logs):
        R.write(folder, "sound-%d.log" % k, l)
    if roster == "written":
        R.write(folder, "roster.toml", roster_toml(sd))
    R.truth(folder, t)
    return None


def main():
    a = argparse.ArgumentParser()
    a.add_argument("seed")
    a.add_argument("out")
    a.add_argument("--singles", type=int, default=201)
    a.add_argument("--pairs", type=int, default=60)
    a.add_argument("--sound", type=int, default=60)
    a.add_argument("--jobs", type=int, default=2)
    a = a.parse_args()
    r = random.Random("order/" + a.seed)
    order = list(MIX)
    r.shuffle(order)
    jobs = [(a.seed, "singles", i, [order[i % len(order)]], a.out) for i in range(a.singles)]
    for i in range(a.pairs):
        while True:
            two = [r.choice(MIX), r.choice(MIX)]
            if suits(*two):
                break
        jobs.append((a.seed, "pairs", i, two, a.out))
    jobs += [(a.seed, "sound", i, [], a.out) for i in range(a.sound)]
    t = time.time()
    if a.jobs > 1:
        with Pool(a.jobs) as pool:
            for e in pool.imap_unordered(case, jobs, 1):
                if e:
                    print(e)
    else:
        for j in jobs:
            e = case(j)
            if e:
                print(e)
    print("%d cases in %.0f s" % (len(jobs), time.time() - t))


if __name__ == "__main__":
    main()
