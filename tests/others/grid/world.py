#!/usr/bin/env python3
"""world.py SEED OUT [--singles N] [--pairs N] [--sound N] [--jobs N]: see README.md."""
import argparse, json, os, random, shutil, sys
from multiprocessing import Pool
from bisect import bisect_left
sys.path.insert(0, os.path.dirname(os.path.abspath(__file__)))
from vehicle import draw_vehicle
from scenario import draw_scenario, T0, cut, both, merge
from wiring import supply_off
from sim import Sim
from diag import Tester
import faults as F
import record
from heard import heard as heard_in


def persona(rng, v):
    for u in v.units:
        u.extra, u.offs = [], []
        u.boffcode = rng.choice([0, 1, 2, 2])
        u.mask, u.twice = rng.random() < .6, rng.random() < .3
        u.avail = rng.choice([0xFF, 0xFF, 0x7F, 0x0D, 0x2F, 0x09])
        u.obd = u.name in ("engine", "gearbox", "drive", "battery") and u.ans is not None
        u.slowdiag, u.dm2 = rng.random() < .25, rng.random() < .8
        u.vin = v.vin
    v.todo, v.floods = [], []


def scan_steps(rng, v, p_vin):
    steps = []
    if v.kind == "truck":
        req = lambda dst, pgn: (0x18EA00F9 | dst << 8, bytes([pgn & 255, pgn >> 8, 0]), None, rng.uniform(.25, 1.2))
        if rng.random() < .6:
            steps.append(req(0xFF, 0xFECB))
        else:
            for u in v.units:
                steps.append(req(u.addr, 0xFECB))
        if rng.random() < .4:
            steps += [req(u.addr, 0xFECA) for u in v.units if rng.random() < .8]
        return steps
    fun = 0x7DF if not v.ext else 0x18DB33F1
    obd = rng.random() < .45
    if obd:
        for q in ([b"\x01\x00"] + ([b"\x09\x02"] if rng.random() < .5 or p_vin else []) + [b"\x03", b"\x07"] + ([b"\x0A"] if rng.random() < .6 else [])):
            steps.append((fun, q, None, rng.uniform(.1, .4)))
    if not obd or rng.random() < .75:
        us = [u for u in v.units if u.ans]
        if rng.random() < .5:
            rng.shuffle(us)
        sess, vin, twice = rng.random() < .4, p_vin or rng.random() < .35, rng.random() < .2
        wait = rng.choice([.06, .15, .5])
        mask = rng.choice([0xFF, 0x08, 0x2F, 0x09, 0x0D])
        for u in us:
            if sess:
                steps.append((u.req, b"\x10\x03" if u.dialect == "uds" else b"\x10\x81", u.ans, wait))
            if vin:
                steps.append((u.req, b"\x22\xF1\x90" if u.dialect == "uds" else b"\x1A\x90", u.ans, wait + .15))
            if rng.random() < .15:
                steps.append((u.req, b"\x22\xF1\x87", u.ans, wait + .1))
            if u.dialect == "uds":
                steps.append((u.req, bytes([0x19, 2, mask]), u.ans, wait + .45))
            elif u.dialect == "kwp00":
                steps.append((u.req, b"\x18\x00\xFF\x00", u.ans, wait + .45))
            elif u.dialect == "kwp02":
                steps.append((u.req, b"\x18\x02\xFF\x00", u.ans, wait + .45))
            if rng.random() < .03:
                steps.append((u.req, b"\x31\x01\x02\x03", u.ans, wait + .4))
    return steps


def clear_steps(rng, v):
    if v.kind == "truck":
        return [(0x18EAFFF9, b"\xD3\xFE\x00", None, .4), (0x18EAFFF9, b"\xCC\xFE\x00", None, .4)]
    if rng.random() < .3:
        return [(0x7DF if not v.ext else 0x18DB33F1, b"\x04", None, .4)]
    return [(u.req, b"\x14\xFF\xFF\xFF" if u.dialect == "uds" else b"\x14\xFF\x00", u.ans, .5) for u in v.units if u.ans]


def simulate(rng, v, s, scans, errors):
    """scans: [(t, steps)] -> Sim, after its run."""
    sim = Sim(v, s, rng, errors)
    sim.byans = {u.ans: u for u in v.units if u.ans}
    sim.cranked = set()
    for u in v.units:
        u.offs = supply_off(v, u, s.vbat, T0, s.dur)
        for a, b in u.offs:
            if any(a < y and b > x for x, y in s.cranks) and b - a < 5:
                sim.cranked.add(u.idx)
        if u.feed == "acc" and s.cranks:
            sim.cranked.add(u.idx)
        runs = cut(u.want, merge(u.offs + u.extra, 0))
        sim.power(u, [(max(a, T0), b) for a, b in runs if b > T0 and b - a > .0005], True)
    for t, what, u, val in v.todo:
        sim.at(max(t, T0), lambda tt, u=u, val=val, what=what: setattr(u, what, val))
    for a, e, b, u, m, per in v.floods:
        flood(sim, a, min(e, s.dur), b, u, m, per)
    pad, gap = rng.choice([0, 0, 0x55, 0xAA, 0xFF]), rng.choice([.004, .02, .06])
    for t, st in scans:
        Tester(sim, t, st, pad, gap, v.ext)
    return sim.run()


def flood(sim, a, e, b, u, m, per):
    def step(t):
        if t > e:
            return
        if u is None:
            d = bytes([2, 1, 12, 0, 0, 0, 0, 0]) if m in (0x7DF, 0x18DB33F1) else b"\xCB\xFE\0" if m >> 16 == 0x18EA else bytes(8)
            q = sim.buses[b].heap
            if not any(x[2][1] is None and x[2][2] == m for x in q[:20]):
                k = (m * 2 + 1) if sim.v.ext else (m << 19)
                sim.put(t, b, (k, None, m, sim.v.ext, d, 125, None))
        elif u.up:
            sim.send(t, u, m, m.payload(sim.rng, False))
        sim.at(t + per, step)
    sim.at(max(a, T0), step)


def frame_rate(v):
    return sum(1 / m.per for u in v.units for m in u.msgs if m.bus in v.recorded and m.kind != "boot")


def evident(v, s, sim, p, roster, rec, lines, got):
    """Is there a trace in the recording?"""
    k = p["kind"]
    codes, vins, ans = got
    plain = (lambda c: c) if v.kind == "truck" else (lambda c: c[0])
    errs = sum(1 for x in lines if x[2] is None)
    if k == "stale":
        if p.get("seen"):
            cs = {plain(w["code"]) for z in v.units for w in z.watch if w["u"] is p["seen"]}
            return any(c in cs for _, c in codes)
        return any(c in {plain(x) for x in v.units[i].codes} for i, c in codes)
    if k == "flood":
        span = sum(b - a for a, b in p["when"])
        n = sum(1 for x in sim.log if any(a <= x[0] <= b for a, b in p["when"]) and x[1] == v.recorded[p["bus"]])
        return span > .25 and n * 105 / v.rates[p["bus"]] > .7 * span
    if k == "line":
        n = sum(1 for x in sim.boffs if any(a <= x[0] <= b + .5 for a, b in p["when"]))
        return p["when"] and (errs >= 5 or n >= 2 or sum(b - a for a, b in p["when"]) > .3 and any(x >= 1 for e in p["els"] for x in e.vs if e.kind == "wires"))
    named = False
    for u in p["units"]:
        cs = {plain(w["code"]) for z in v.units for w in z.watch if w["u"] is u}
        if any(c in cs and v.units[i] not in p["units"] for i, c in codes):
            named = True
    if k == "foreign":
        me = p["units"][0].idx
        if p.get("vin"):
            return me in vins and len(vins) > 1
        return (roster != "none" and any(b - a > 1 for a, b in p["units"][0].want)) or named or any(i == me for i, _ in codes) and bool(p["units"][0].codes)
    if not p["when"]:
        return False
    if k == "noapp" and not any(i == p["units"][0].idx and any(a + .3 < t < b for a, b in p["when"]) for t, i in ans):
        return False
    seen = 0
    for u in p["units"]:
        whole = sum(b - a for a, b in p["when"]) > .93 * sum(b - a for a, b in both(u.want, [(0, s.dur)]))
        if whole and roster == "none":
            continue
        if any(min(b, y) - max(a, x) > 3.2 * m.per for a, b in p["when"] for x, y in u.want for m in F.recorded_msgs(v, u)):
            seen += 1
    need = 2 if p["fault"] in ("branch", "shared supply") else 1
    return seen >= need or named or (errs >= 5 and p["fault"] == "corroded contact")


def make(seed, setname, case, wanted, out):
    for attempt in range(400):
        rng = random.Random("%s/%s/%d/%d" % (seed, setname, case, attempt))
        vseed = rng.random()
        truck = None
        c = build(rng, vseed, setname, case, wanted, out)
        if c:
            return attempt
    raise SystemExit("no draw for %s %s" % (setname, wanted))


def new_vehicle(vseed, want_gw):
    r = random.Random(vseed)
    v = draw_vehicle(r, want_gw)
    persona(r, v)
    return v


def build(rng, vseed, setname, case, wanted, out):
    v = new_vehicle(vseed, "gateway" in wanted)
    rate = frame_rate(v)
    if rate < 25 or rate > 2600:
        return None
    frames = min(45000, rng.lognormvariate(9.05, .75))
    dur = min(max(frames / rate, rng.uniform(5.5, 16)), 225)
    s = draw_scenario(rng, v, dur)
    before = {u.idx: (u.name, [m.id for m in u.msgs]) for u in v.units}
    ros = roster_rows(v)
    planted, busy = [], []
    for f in wanted:
        p = None
        for _ in range(6):
            p = F.plant(rng, v, s, f, busy)
            if p:
                break
        if not p:
            return None
        busy += p["units"]
        planted.append(p)
        if not any("VIN" in q["how"] for q in planted):
            F.history(rng, v, p)
    roster = rng.choice(["none", "learned", "written"])
    stale = False
    if rng.random() < .2:                              # old codes of no importance
        for u in v.units:
            if rng.random() < .3:
                stale = True
                if v.kind == "truck":
                    u.codes[(rng.randrange(20, 1500), rng.randrange(16))] = [False, True, False, rng.randint(1, 60)]
                elif rng.random() < .4 and u.watch:
                    u.codes[rng.choice(u.watch)["code"]] = [False, True, False, 3, rng.choice([8, 0x28])]
                else:
                    u.codes[(rng.choice([rng.randrange(0x100, 0x800), 0x9000 + rng.randrange(0x800), 0x4000 + rng.randrange(0x300)]), rng.choice([0x11, 0x13, 0x1C, 0, 0x62]))] = [False, True, False, 1, rng.choice([8, 0x28, 9 if rng.random() < .3 else 8])]
    need = any(p.get("scan") for p in planted)
    scans, asked, vin = [], set(), set()
    need_vin = any(p.get("vin") for p in planted)
    if need or rng.random() < .55:
        for k in range(rng.choice([1, 1, 1, 2])):
            st = scan_steps(rng, v, need_vin)
            t = rng.choice([rng.uniform(.02, .15), rng.uniform(.1, .8), rng.uniform(.55, .85)]) * dur
            if need and not need_vin and k == 0:
                t = rng.uniform(.6, .8) * dur
            if rng.random() < .15:
                st = st + clear_steps(rng, v) + (scan_steps(rng, v, False) if rng.random() < .6 else [])
            scans.append((t, st))
            asked |= {x[0] for x in st if x[1][:1] in (b"\x19", b"\x18")}
            if any(x[1][:1] == b"\x03" for x in st):
                asked |= {u.req for u in v.units if u.obd}
            vin |= {x[0] for x in st if x[1][:3] in (b"\x22\xF1\x90", b"\x1A\x90")}
        scans.sort(key=lambda x: x[0])
        for i in range(1, len(scans)):                  # one visit after the other
            t0 = scans[i - 1][0] + sum(x[3] for x in scans[i - 1][1]) * .7
            scans[i] = (max(scans[i][0], t0), scans[i][1])
    errors = rng.random() < .4 or (any(p["kind"] == "line" for p in planted) and rng.random() < .5)
    sim = simulate(rng, v, s, scans, errors)
    sim.asked, sim.vinasked = asked, vin
    rec = record.Recorder(rng)
    lines, besides, first = rec.record(sim.log, s.dur)
    nfr = len(lines)
    if nfr < 60 or nfr > 118000:
        return None
    last = lines[-1][0]
    if last - first < 5 or last - first > 239:
        return None
    got = heard_in(lines, v)
    for p in planted:
        p["when"] = F.spans(p, s.dur, v, s)
        if not evident(v, s, sim, p, roster, rec, lines, got):
            return None
        if p["kind"] not in ("stale", "foreign") and not rec.covers(p["when"]):
            return None
    for p in planted:                                  # who is really met by it
        if p["kind"] == "supply":
            p["units"] = [u for u in p["units"] if u.offs and both(u.offs, u.want)]
        if p["fault"] in ("branch", "shared supply"):
            p["units"] = [u for u in p["units"] if both(p["when"], u.want)]
            if len(p["units"]) < 2:
                return None
        elif p["kind"] == "supply" and not p["units"]:
            return None
    # --- write
    d = os.path.join(out, "%s-%03d" % (setname, case))
    os.makedirs(d, exist_ok=True)
    record.write(os.path.join(d, "capture.log"), lines, rec)
    clip = lambda iv: [[round(max(0., a - first), 3), round(min(b, last) - first, 3)] for a, b in iv if b > first and a < last]
    bes = list(s.besides)
    if stale or any(len(x) == 4 and not x[0] or len(x) == 5 for u in v.units for x in u.codes.values()) and any(p["kind"] == "stale" for p in planted):
        bes.append(["stale_codes", []])
    if sim.cranked:
        bes.append(["cranking", sorted(sim.cranked)])
    if any(k in ("OFF",) for k in s.kv):
        bes.append(["sleep", []])
    bes += besides
    sent = {}
    for x in lines:
        if x[2] is not None:
            sent[x[1], x[2]] = 1
    units = []
    for u in v.units:
        ids = sorted({m.id for m in u.msgs if m.bus in v.recorded and m.id not in u.missing_ids})
        ch = v.recorded.get(u.bus, 0)
        heard = [i for i in ids if any((c, i) in sent for c in set(v.recorded.values()))]
        hx = lambda i: ("0x%08X" if v.ext else "0x%03X") % i
        units.append({"name": u.name, "called": u.called, "channel": ch, "ids": [hx(i) for i in (heard or ids)],
                      "answer": None if u.ans is None else hx(u.ans), "request": None if u.req is None else hx(u.req), "address": u.addr})
    truth = {"family": "grid", "case": case, "set": setname, "vehicle": v.kind, "key": s.words,
             "planted": [{"fault": p["fault"], "accept": p["accept"], "really": p["really"], "nodes": [u.idx for u in p["units"]] if p["kind"] not in ("line", "flood", "stale") else [],
                          "when": clip(p["when"]), "how": p["how"]} for p in planted],
             "besides": bes, "units": units, "gateway": v.gw.idx if v.gw else None,
             "errors": [], "loads": record.loads(lines, v, last - first),
             "frames": nfr, "roster": roster,
             "scans": [round(max(0., t.first - first), 3) for t in sim.testers if t.first is not None and first - .05 <= t.first <= last],
             "clears": [round(c - first, 3) for t in sim.testers for c in t.clears[:1] if first <= c <= last]}
    json.dump(truth, open(os.path.join(d, "truth.json"), "w"), indent=1)
    if roster == "written":
        with open(os.path.join(d, "roster.toml"), "w") as f:
            f.write(ros)
    elif roster == "learned":
        for k in range(2):
            r2 = random.Random("%r/%d" % (vseed, k))
            v2 = new_vehicle(vseed, "gateway" in wanted)
            d2 = min(max(6500 / rate, r2.uniform(6, 14)), 120)
            s2 = draw_scenario(r2, v2, d2, calm=True)
            sc2 = [(r2.uniform(.1, .6) * d2, scan_steps(r2, v2, False))] if r2.random() < .3 else []
            sim2 = simulate(r2, v2, s2, sc2, False)
            rec2 = record.Recorder(r2, plain=True)
            l2, _, _ = rec2.record(sim2.log, d2)
            record.write(os.path.join(d, "sound-%d.log" % k), l2, rec2)
    return True


def roster_rows(v):
    o, seen = [], set()
    for u in v.units:
        if u.bus not in v.recorded and not u.ans:
            continue
        ch = v.recorded.get(u.bus, 0)
        o.append('[[node]]\nname = "%s"\nchannel = "can%d"' % (u.name, ch))
        ms = [m for m in u.msgs if (ch, m.id) not in seen and v.recorded.get(m.bus) == ch and m.kind in ("per", "copy", "repack", "nm", "pause")]
        fmt = "0x%08X" if v.ext else "0x%03X"
        o.append("messages = [ " + ", ".join('{ id = "%s", period = %g }' % (fmt % m.id, round(m.per, 4)) for m in ms) + " ]")
        seen |= {(ch, m.id) for m in ms}
        if u.addr is not None:
            o.append('answers = ["address 0x%02X"]\n' % u.addr)
        else:
            o.append(("answers = [\"%s\"]\n" % (fmt % u.ans)) if u.ans else "")
    return "\n".join(o) + "\n"


def work(a):
    try:
        return a[1], a[2], a[3], make(*a)
    except SystemExit as e:
        return a[1], a[2], a[3], str(e)


def main():
    ap = argparse.ArgumentParser()
    ap.add_argument("seed"); ap.add_argument("out")
    ap.add_argument("--singles", type=int, default=201); ap.add_argument("--pairs", type=int, default=60)
    ap.add_argument("--sound", type=int, default=60); ap.add_argument("--jobs", type=int, default=2)
    a = ap.parse_args()
    os.makedirs(a.out, exist_ok=True)
    r = random.Random("plan/%s" % a.seed)
    bag = [n for n, k in F.COUNTS for _ in range(k)]
    r.shuffle(bag)
    jobs = [(a.seed, "singles", i, [bag[i % len(bag)]], a.out) for i in range(a.singles)]
    unitf = ["power intermittent", "open stub", "corroded contact", "silent from the start", "silent from the middle", "branch", "shared supply", "dead", "foreign", "gateway"]
    linef = ["short", "termination", "flood"]
    for i in range(a.pairs):
        x = r.choice(unitf)
        y = r.choice([f for f in unitf if f != x or f not in ("gateway", "branch")] + linef + ["restraint"])
        jobs.append((a.seed, "pairs", i, [x, y], a.out))
    jobs += [(a.seed, "sound", i, [], a.out) for i in range(a.sound)]
    bad = 0
    with Pool(a.jobs) as pool:
        for res in pool.imap_unordered(work, jobs):
            if isinstance(res[3], str) or res[3] > 60:
                print(res)
                bad += isinstance(res[3], str)
    print("done", len(jobs) - bad, "cases,", bad, "without a draw")


if __name__ == "__main__":
    main()
