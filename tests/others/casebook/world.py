#!/usr/bin/env python3
"""Casebook world: python3 world.py SEED OUT [--singles 201] [--pairs 60] [--sound 60] [--jobs 2]"""
import argparse
import json
import os
import random
import sys
import zlib
from multiprocessing import Pool

sys.path.insert(0, os.path.dirname(os.path.abspath(__file__)))
from codes import Codes, Tester, add_old, dm1_all
from day import Day, HABITS, Recorder
from faults import Effects, plant
from run import Run
from spans import inter, length, minus, union
from stories import STORIES
from vehicle import Vehicle, logu, pick

COUNTS = [("power", 18), ("stub", 18), ("corroded", 12), ("silent0", 12), ("silentm", 12), ("branch", 19), ("supply", 19), ("short", 9),
          ("gateway", 10), ("term", 9), ("dead", 16), ("flood", 9), ("foreign", 10), ("stale", 10), ("mended", 9), ("restraint", 9)]
SUIT = ["power", "stub", "corroded", "silent0", "silentm", "branch", "supply", "dead", "foreign", "gateway", "short", "term", "flood", "restraint"]


def density(v):
    return sum(1 / (m.period * (1 if m.kind in ("cyc", "mux", "cycevent") else 25)) for u in v.units for m in u.msgs) + sum(1 / c.period for c in v.copies)


def measured_silence(v, passes):
    """From a first pass over the wire: spans in which nothing of a unit got through."""
    seen = {u.i: [] for u in v.units}
    for out in passes:
        for t, _, _, ui in out:
            if ui >= 0:
                seen[ui].append(t)
    res = {}
    for u in v.units:
        per = [m.period for m in u.msgs if m.kind in ("cyc", "mux", "cycevent")]
        lim = max(.25, 3 * min(per)) if per else 9e9
        res[u.i] = [(a + lim / 3, b) for a, b in zip(seen[u.i], seen[u.i][1:]) if b - a > lim]
    return res


def record(rng, v, rec, passes, dur):
    """What reaches the file: [(stamp, channel, text)], and (lost, first time)."""
    lines, gone = [], 0
    holes = union(rec.pauses, rec.bunch)
    for ch, (out, errs, _) in enumerate(passes):
        evs = [(t, text + "#" + data, 0) for t, text, data, ui in out if 0 <= t < dur]
        if rec.errors:
            for e in errs:
                t, kind, place = e[:3]
                if 0 <= t < dur:
                    evs.append((t, "20000088#0000%02X%02X00000000" % (kind, place), 1))
            evs.sort(key=lambda x: x[0])
        hi, prev = 0, -1e9
        for t, text, _ in evs:
            while hi < len(holes) and t >= holes[hi][1]:
                hi += 1
            if hi < len(holes) and t >= holes[hi][0]:
                gone += 1
                continue
            if ch == 1 and t < rec.late:
                continue
            if rec.lost and rng.random() < rec.lost:
                gone += 1
                continue
            s = t + rng.random() * rec.noise
            if rec.batch:
                s = (int(s / rec.batch) + 1) * rec.batch
            s = int(s / rec.tick + .5) * rec.tick
            if s < prev:
                s = prev
            prev = s
            lines.append((s, ch, text))
    lines.sort(key=lambda x: x[0])
    return lines, gone


def write_log(path, rec, lines):
    e = rec.epoch
    with open(path, "w") as f:
        f.write("".join(["(%.6f) can%d %s\n" % (e + t, ch, text) for t, ch, text in lines]))


def simulate(rng, v, day, rec, eff, switched, resets):
    """All of one recording. Returns passes per bus, run, codes, tester."""
    run = Run(rng, v, day, eff, switched, resets)
    codes = None
    sil = boffs = None
    state = rng.getstate()
    if eff.second_pass:
        offers = run.offers()
        ps = [run.wire_pass(rng, offers[b], b) for b in range(v.nbus)]
        sil = measured_silence(v, [p[0] for p in ps])
        boffs = {}
        for p in ps:
            for k, l in p[2].items():
                boffs.setdefault(k, []).extend(l)
        rng.setstate(state)
    codes = Codes(rng, run, sil, boffs)
    tester = Tester(rng, run, codes)
    busy = -99
    for t, what in rec.plan:
        t = max(t, busy)
        if what == "scan":
            busy = tester.scan(t) + .5
        elif what == "clear":
            busy = tester.clear(t) + .5
        elif what == "poll":
            tester.poll(t, t + rng.choice([3, 8, day.dur]))
        elif isinstance(what, tuple):
            tester.reset(t, what[1])
    tester.dur_end = busy
    if v.truck:
        dm1_all(tester, run)
    offers = run.offers(tester.out)
    ps = [run.wire_pass(rng, offers[b], b) for b in range(v.nbus)]
    return ps, run, codes, tester


def choose_story(rng, fault):
    return rng.choice([s for s in STORIES if s["fault"] == fault])


def attempt(rng, kindset, fault, want2):
    """One draw; returns a dict of everything to write, or None if the draw leaves no fair trace."""
    story = choose_story(rng, fault)
    want = set()
    if "gateway" in (fault, want2):
        want.add("gateway")
    if "restraint" in (fault, want2):
        want.add("restraint")
    letters = story["vehicles"].replace("*", "")
    kind = pick(rng, [(k, {"c": 4, "v": 2, "e": 2, "l": 1.5, "h": 3, "m": 1.5}[k]) for k in letters])
    if want2 == "restraint" and kind in "hm":
        return None
    v = Vehicle(rng, kind, want)
    habit = rng.choice(story["habit"].split("|"))
    lo, hi = HABITS[habit]
    budget = logu(rng, 4000, 60000) if habit not in ("long", "drive", "two") else logu(rng, 9000, 95000)
    dur = min(logu(rng, lo, hi), max(5.5, budget / max(20, density(v))))
    dur = min(dur, 100000 / max(20, density(v)))
    if dur < 5.2:
        return None
    if habit in ("scan_in", "scan_clear", "scan_mend"):
        dur = max(dur, min(lo, 90000 / density(v)))
    day = Day(rng, v, rng.choice(story["day"].split("|")), dur)
    rec = Recorder(rng, v, habit, day)
    eff = Effects()
    taken = set()
    planted = []
    if fault != "sound":
        p = plant(rng, v, day, story, eff, taken)
        if not p:
            return None
        planted.append(p)
        if want2:
            s2 = choose_story(rng, want2)
            if kind not in s2["vehicles"]:
                return None
            p = plant(rng, v, day, s2, eff, taken)
            if not p:
                return None
            planted.append(p)
    # the days before: old codes
    nold = 0
    oldset = next((p["oldset"] for p in planted if "oldset" in p), None)
    if oldset:
        vic = [planted[0]["victim"]]
        if oldset == "group":
            vic = next((g for g in v.fuses if len(g) > 1), vic)
        nold = add_old(rng, v, oldset, vic)
        if not nold and story["trigger"] != "mend":
            return None
    elif rng.random() < .22 or story.get("old"):
        nold = add_old(rng, v, "few" if rng.random() < .6 else "one", [rng.choice(v.units)])
    switched = {}
    resets = {}
    if (story["trigger"] == "switch" or rng.random() < .08) and day.name in ("idle", "drive", "startstop", "keyon"):
        sw = [u for u in v.units if u.switchable and u.i not in taken]
        if sw:
            u = rng.choice(sw)
            a = rng.uniform(.05, .7) * dur
            switched[u.i] = [(a, a + rng.uniform(.1, .5) * dur if rng.random() < .7 else 1e4)]
            if rng.random() < .2:
                switched[u.i] = [(-1e3, a)]
        elif story["trigger"] == "switch":
            return None
    if story.get("dongle"):
        rec.plan = [(.1, "poll")]
    if story.get("reset"):
        us = [u for u in v.units if u.ans and not v.truck]
        if us:
            u = rng.choice(us)
            t = .85 * dur
            rec.plan.append((t, ("reset", u)))
            resets[u.i] = [t + .25]
    ps, run, codes, tester = simulate(rng, v, day, rec, eff, switched, resets)
    lines, gone = record(rng, v, rec, ps, dur)
    if not 60 <= len(lines) <= 118000 or lines[-1][0] - lines[0][0] < 5:
        return None
    t0, t1 = lines[0][0], lines[-1][0]
    scans = [t for t in tester.scans if t0 <= t < t1 - 1]
    # what was told within the file
    told = set().union(*tester.answered.values()) if tester.answered and (scans or v.truck) else set()
    # the roster
    roster = "none"
    r = rng.random()
    if r > .35:
        roster = "learned" if r < .68 else "written"
    if not fair(v, run, planted, ps, rec, told, scans, roster, t0, t1, day, tester):
        return None
    # a program that stands is told from a dead unit only by its answers
    for p in planted:
        if p["fault"] == "dead" and eff.stand.get(p["nodes"][0]):
            if not any(a <= t < b and t0 <= t <= t1 for t in tester.ans_t.get(p["nodes"][0], []) for a, b in p["spans"]):
                p["accept"] = ["module_dead", "not_configured", "module_power", "module_connector"]
        if p["fault"] == "dead" and not any(o[3] == p["nodes"][0] and t0 <= o[0] <= t1 for q in ps for o in q[0]):
            p["accept"] = list(dict.fromkeys(p["accept"] + ["module_power", "module_connector"]))
    besides = []
    if nold and fault not in ("stale", "mended") and (scans or v.truck):
        besides.append(["stale_codes", []])
    elif fault == "sound" and scans and told:      # left by a crank or a reset a moment ago
        besides.append(["stale_codes", []])
    ck = inter(day.key("crank"), [(t0 - 2, t1)])
    if ck and run.crank_hit:
        besides.append(["cranking", sorted(run.crank_hit)])
    def slept(u):
        ready = [(a, b) for a, b in run.plan[u.i]]
        ends = [b for a, b in ready if t0 < b < t1 - .1]
        return bool(ends) or any(t0 + .3 < a < t1 for a, b in ready)
    sl = [u.i for u in v.units if u.i not in switched and slept(u)]
    if sl and (day.key("off") or day.key("acc")):
        besides.append(["sleep", []])
    if gone:
        besides.append(["logger", []])
    sw = [i for i in switched if inter(switched[i], [(t0, t1)])]
    if sw:
        besides.append(["own_switch", sw])
    return dict(v=v, day=day, rec=rec, run=run, planted=planted, besides=besides, lines=lines, roster=roster, scans=scans,
                clears=[t for t in tester.cleared if t0 <= t <= t1], t0=t0, t1=t1, ps=ps, story=story, eff=eff)


def fair(v, run, planted, ps, rec, told, scans, roster, t0, t1, day, tester):
    """Does each fault leave a trace: missing frames where the program would have sent, codes, or errors?"""
    heard = {}
    for out, _, _ in ps:
        for t, _, _, ui in out:
            if ui >= 0 and t0 <= t <= t1:
                heard.setdefault(ui, []).append(t)
    if len(heard) < 2:
        return False
    hard = run.rng.random() < .5
    for p in planted:
        f = p["fault"]
        if f in ("stale", "mended"):
            if not told or not scans:
                return False
            continue
        if f == "termination":
            n = sum(1 for _, e, _ in ps for x in e if t0 <= x[0] <= t1)
            boff = any(b for _, _, b in ps)
            if n < 10 or not (rec.errors or boff and told):
                return False
            continue
        if f == "flood":
            if length(inter(p["spans"], [(t0, t1)])) < .1:
                return False
            continue
        if f == "short":
            down = inter(p["spans"], [(t0, t1)])
            if not any(b - a > .06 for a, b in down) and not (sum(b - a for a, b in down) > .01 and rec.errors):
                return False
            continue
        if f == "foreign":
            i = p["nodes"][0]
            by_ids = roster != "none" and bool(p["lost_ids"])
            by_vin = i in run.eff.vins and i in tester.vins and len(tester.vins) > 2 and scans
            own = {c for c, _ in run.eff.selfcodes.get(i, [])} | {630}
            if p.get("bitrate") and not (rec.errors and roster != "none"):
                return False
            if not (by_ids or by_vin or own & tester.answered.get(i, set()) and scans):
                return False
            continue
        ok = 0
        for i in p["nodes"]:
            u = v.units[i]
            per = [m.period for m in u.msgs if m.kind in ("cyc", "mux", "cycevent") and m.need is None]
            if not per:
                continue
            miss = inter(inter(p["spans"], run.plan[i]), [(t0, t1)])
            lim = max(2.5 * min(per), .03)
            code = (2000 + u.addr) if v.truck else u.code
            if u.i not in heard:
                if roster != "none" and length(miss) > 5 * min(per) or code in told:
                    ok += 1
                continue
            big = any(b - a > lim for a, b in miss)
            if p["fault"] == "corroded contact" and rec.errors and miss:
                big = True
            if big or (code in told and miss):
                ok += 1
        if ok < (1 if len(p["nodes"]) == 1 else 2):
            return False
    return True


def roster_text(v, run):
    out = []
    for u in v.units:
        out.append("[[node]]")
        out.append('name = "%s"' % u.name)
        out.append('channel = "can%d"' % u.bus)
        if v.truck:
            ms = ["{ id = \"0x%s\", period = %g }" % (m.text, m.period) for m in u.msgs if m.kind in ("cyc", "mux", "cycevent", None)]
            out.append("messages = [ " + ", ".join(ms) + " ]")
            out.append('answers = ["address 0x%02X"]' % u.addr)
        else:
            more = [c for c in v.copies if c.bus == u.bus and c.text != c.src[1].text] if u.gate else []
            ms = ["{ id = \"0x%s\", period = %g }" % (m.text, m.period) for m in u.msgs + more if m.kind in ("cyc", "mux", "cycevent", None)]
            out.append("messages = [ " + ", ".join(ms) + " ]")
            if u.ans:
                out.append('answers = ["0x%s"]' % ("%08X" % u.ans if v.wide else "%03X" % u.ans))
        out.append("")
    return "\n".join(out)


def sound_log(rng, v, rec0, n):
    """The same vehicle on another day, nothing wrong."""
    for _ in range(6):
        name = rng.choice(["idle", "drive", "keyon_start", "idle"] if n == 0 else ["keyon_start", "two_stops", "keyon", "doors", "off_end"])
        dur = min(rng.uniform(8, 40), max(5.5, 14000 / max(20, density(v))))
        day = Day(rng, v, name, dur)
        rec = Recorder(rng, v, "idle", day)
        if n == 0 or rng.random() < .8:
            rec.plan = []
            rec.pauses, rec.bunch, rec.lost, rec.late = [], [], 0, 0
        old = [u.old for u in v.units]
        ps, *_ = simulate(rng, v, day, rec, Effects(), {}, {})
        lines, _ = record(rng, v, rec, ps, dur)
        if len(lines) > 40:
            return rec, lines
    return None


def unit_ids(v, u, eff):
    ids = [m.text for m in u.msgs] + [m.text for m in eff.msgs.get(u.i, [])]
    if u.gate:
        srcs = {m.text for x in v.units if x is not u for m in x.msgs}
        ids += [c.text for c in v.copies if c.text not in srcs]
    if v.truck:
        ids += []
    return list(dict.fromkeys("0x" + t for t in ids))


def make(job):
    seed, out, setname, n, fault, want2 = job
    salt = zlib.crc32(("%s/%s/%d" % (seed, setname, n)).encode())
    for tries in range(400):
        rng = random.Random(salt * 1000 + tries)
        c = attempt(rng, setname, fault, want2)
        if c:
            break
    else:
        return "%s-%03d: no fair draw of %s %s" % (setname, n, fault, want2)
    v, rec, t0, t1, eff = c["v"], c["rec"], c["t0"], c["t1"], c["eff"]
    d = os.path.join(out, "%s-%03d" % (setname, n))
    os.makedirs(d, exist_ok=True)
    write_log(os.path.join(d, "capture.log"), rec, c["lines"])
    if c["roster"] == "learned":
        keep = eff.msgs
        first = None
        for k in range(rng.choice([1, 2, 2])):
            s = sound_log(rng, v, rec, k)
            if s:
                write_log(os.path.join(d, "sound-%d.log" % (0 if first is None else 1)), *s)
                first = True
        if first is None:
            c["roster"] = "written"
    if c["roster"] == "written":
        with open(os.path.join(d, "roster.toml"), "w") as f:
            f.write(roster_text(v, c["run"]))
    planted = []
    for p in c["planted"]:
        when = [[round(a - t0, 3), round(b - t0, 3)] for a, b in inter(p["spans"], [(t0, t1)])] if p["spans"] else []
        planted.append(dict(fault=p["fault"], accept=p["accept"], really=p["really"], nodes=p["nodes"], when=when[:400], how=p["how"]))
    loads = []
    for b in range(v.nbus):
        bits = sum((67 if v.wide else 47) * 1.07 + 4.3 * len(o[2]) for o in c["ps"][b][0] if t0 <= o[0] <= t1)
        loads.append(round(bits / v.rate[b] / (t1 - t0), 4))
    hx = lambda x: None if x is None else ("0x%08X" if v.wide else "0x%03X") % x
    truth = dict(family="casebook", case=n, set=setname, vehicle=v.vehicle, key="%s (%s; %s)" % (c["day"].name, c["story"]["words"] if setname == "sound" else c["story"]["habit"], " ".join("%s@%.1f" % (s, t - t0) for t, s in c["day"].states[:9])),
                 planted=planted, besides=c["besides"],
                 units=[dict(name=u.name, called=u.called, channel=u.bus, ids=unit_ids(v, u, eff), answer=hx(u.ans), request=hx(u.req), address=u.addr) for u in v.units],
                 gateway=v.gate.i if v.gate else None, errors=[],
                 loads=loads, frames=len(c["lines"]), roster=c["roster"], scans=[round(t - t0, 3) for t in c["scans"]], clears=[round(t - t0, 3) for t in c["clears"]],
                 story=c["story"]["n"], kind=v.kind, rates=v.rate[:v.nbus])
    with open(os.path.join(d, "truth.json"), "w") as f:
        json.dump(truth, f, indent=1)
    return None


def main():
    ap = argparse.ArgumentParser()
    ap.add_argument("seed")
    ap.add_argument("out")
    ap.add_argument("--singles", type=int, default=201)
    ap.add_argument("--pairs", type=int, default=60)
    ap.add_argument("--sound", type=int, default=60)
    ap.add_argument("--jobs", type=int, default=2)
    a = ap.parse_args()
    rng = random.Random("order/%s" % a.seed)
    bag = [f for f, n in COUNTS for _ in range(n)]
    rng.shuffle(bag)
    jobs = [(a.seed, a.out, "singles", i, bag[i % len(bag)], None) for i in range(a.singles)]
    for i in range(a.pairs):
        while True:
            x, y = rng.choice(SUIT), rng.choice(SUIT)
            if {x, y} & {"short", "term", "flood"} and len({x, y} & {"short", "term", "flood", "corroded"}) > 1:
                continue
            if x == y and x in ("gateway", "restraint", "short", "term", "flood", "foreign"):
                continue
            break
        jobs.append((a.seed, a.out, "pairs", i, x, y))
    jobs += [(a.seed, a.out, "sound", i, "sound", None) for i in range(a.sound)]
    os.makedirs(a.out, exist_ok=True)
    with Pool(a.jobs) as pool:
        for r in pool.imap_unordered(make, jobs):
            if r:
                print(r, file=sys.stderr)


if __name__ == "__main__":
    main()
