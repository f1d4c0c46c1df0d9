"""python3 world.py SEED OUT [--singles 201] [--pairs 60] [--sound 60] [--jobs 2]: writes the case folders."""
import argparse
import json
import os
import random
from multiprocessing import Pool

import faults
import scene
import sim
import vehicle
from spans import inter, length

TABLE = [("power intermittent", 18), ("open stub", 18), ("corroded contact", 12), ("silent from the start", 12), ("silent from the middle", 12), ("branch", 19),
         ("shared supply", 19), ("short", 9), ("gateway", 10), ("termination", 9), ("dead", 16), ("flood", 9), ("foreign", 10), ("stale", 10), ("mended", 9), ("restraint", 9)]
LINE = ("short", "termination", "flood")


def wanted(kind, case, singles, rng):
    if kind == "singles":
        flat = [f for f, n in TABLE for _ in range(n)]
        random.Random("order").shuffle(flat)
        return [flat[case % len(flat)]]
    if kind == "pairs":
        while True:
            a, b = (rng.choices([f for f, _ in TABLE], [n for _, n in TABLE])[0] for _ in range(2))
            if a == b and a in LINE + ("gateway", "restraint", "stale", "mended") or {a, b} <= {"stale", "mended"}:
                continue
            if {a, b} <= set(LINE):
                continue
            return [a, b]
    return []


def frame_rate(v):
    ms = [m for u in v.units if not u.hidden for m in u.msgs] + [c for m, w, to, c, way in v.copies]
    return sum(1 / m.period if m.event is None else m.event for m in ms)


def gaps(v, r, t, D):
    """Nodes of the fault whose silence can be seen in the recording."""
    good = 0
    for i in t["nodes"]:
        u = v.units[i]
        for m in u.msgs:
            if m.event is not None or m.cond != "always":
                continue
            x = r.facts["seen"].get((u.chan, m.id))
            if not x:
                continue
            first = r.facts["first"]
            x = [q + first for q in x]
            hit = False
            for a, b in t["when"]:
                for y, z in zip(x, x[1:] + [D]):
                    if z - y > 2.6 * m.period and y < b + 3 and z > a:
                        hit = True
                        break
                if hit:
                    break
            if hit:
                good += 1
                break
    return good


def trace(v, s, p, r, t, roster):
    """Whether the recording holds anything of this fault: 2 plain, 1 only with a roster, 0 nothing."""
    f = t["fault"]
    D = s.D
    named = {n for n, w in (r.tester.named if r.tester else ())} | {n for n, w in r.named_dm1}
    if f in ("stale", "mended"):
        if f == "mended" and t["when"] and not any(x > t["when"][0][1] for x in r.tester.scans):
            return 0
        return 2 if {n for n, w in r.tester.named} & set(t["nodes"]) else 0
    if f in ("short", "termination"):
        if r.facts["errors"] or "bus" in named:
            return 2
        many = dict(t, nodes=[u.idx for u in v.units if not u.hidden])
        return 2 if t["when"] and r.facts["kind"] is None and gaps(v, r, many, D) >= 3 and (f == "short" or length([tuple(w) for w in t["when"]]) < .5 * D) else 0
    if f == "flood":
        n = sum(len(r.facts["seen"].get((c, i), [])) for c, a, b, i, *_ in p.flood)
        return 2 if n > 150 else 0
    if f == "foreign":
        if set(t["nodes"]) & (named | (r.tester.vinread if r.tester else set())):
            return 2
        i = t["nodes"][0]
        return 1 if p.drop.get(i) or p.other.get(i) else 0
    if f == "branch" or f == "shared supply":
        g = gaps(v, r, t, D)
        if g >= 2:
            return 2
    elif f == "gateway":
        g = t["nodes"][0]
        xs = [c for m, w, to, c, way in v.copies if r.facts["seen"].get((to, c.id))]
        if gaps(v, r, t, D) and xs:
            return 2
        if not xs:
            return 1 if t["when"][0][0] <= 0 else 0
    elif gaps(v, r, t, D):
        return 2
    if set(t["nodes"]) & named:
        return 2
    if any(v.units[i].hidden for i in t["nodes"]):
        return 0
    never = all(not r.facts["seen"].get((v.units[i].chan, m.id)) for i in t["nodes"] for m in v.units[i].msgs)
    if never and t["when"] and t["when"][0][0] <= .5:
        return 1
    return 0


def draw_case(seed, kind, case, singles):
    """Draws until a case leaves a trace."""
    first = random.Random("yard/%s/%s/%d" % (seed, kind, case))
    names = wanted(kind, case, singles, first)
    roster = ("none", "learned", "written")[first.randrange(3)]
    for n in range(400):
        rng = random.Random("yard/%s/%s/%d/%d" % (seed, kind, case, n))
        v = vehicle.draw(rng)
        if "restraint" in names and not any(u.name == "restraints" for u in v.units) or "gateway" in names and not v.gw:
            continue
        rate = frame_rate(v)
        # long quiet captures and short dense ones
        D = min(238., max(6., rng.choice((4000, 9000, 18000, 30000, 48000, 70000)) * rng.uniform(.7, 1.3) / rate))
        if "flood" in names:
            D = min(D, 60.)
        wish = None
        if names and rng.random() < .35:
            wish = ["idle", "drive", "stops", "start", "key on only"]
        s = scene.draw(rng, v, D, wish)
        p = faults.Plant()
        used = []
        up = [scene.want(u, s) for u in v.units]
        ok = True
        for f in names:
            if not faults.plant(rng, v, s, up, f, p, used):
                ok = False
                break
            used += p.truth[-1]["nodes"]
        if not ok:
            continue
        if rate * D > 150000:
            continue
        scan = "late" if "scan late" in p.needs else bool(p.needs) or rng.random() < .08
        r = sim.run(rng, v, s, p, scan, rng.random() < .45)
        if not r.lines or len(r.lines) > 119000 or len(r.lines) < 150 or r.facts["last"] < 5:
            continue
        mine = roster
        marks = [trace(v, s, p, r, t, roster) for t in p.truth]
        if marks and min(marks) == 0:
            continue
        if marks and min(marks) == 1 and roster == "none":
            mine = rng.choice(("learned", "written"))
        return v, s, p, r, mine, rng
    raise SystemExit("no luck with %s %d %s" % (kind, case, names))


def ids_of(v, p, u, seen):
    out = [m.id for m in u.msgs if not u.hidden] + list(p.other.get(u.idx, {}).values())
    if u is v.gw:
        out += [c.id for m, w, to, c, way in v.copies if to == 0 or c.id != m.id]
    if v.kind == "truck" and not u.hidden:
        for x in (0x18EEFF00, 0x1CECFF00, 0x1CEBFF00, 0x18FECB00, 0x18E8FF00):
            if any((ch, x | u.address) in seen for ch in (0, 1)):
                out.append(x | u.address)
    return ["0x%08X" % i if i > 0x7FF else "0x%03X" % i for i in dict.fromkeys(out)]


def besides(v, s, r, p):
    b = []
    D = s.D
    if inter(s.off, [(r.facts["first"] + .2, D)]) or any(.1 < z < D - .1 for a, z in s.awake + s.nmend):
        b.append(["sleep", []])
    if r.reset_by_crank:
        b.append(["cranking", sorted(set(r.reset_by_crank))])
    if r.facts["kind"]:
        b.append(["logger", []])
    sw = [u.idx for u in v.units if u.feed in ("switch", "pto", "heater") and not u.hidden and any(0 < z < D for a in r.up0[u.idx] for z in a)]
    if sw:
        b.append(["own_switch", sw])
    if r.book.benign and (r.tester and r.tester.scans):
        b.append(["stale_codes", []])
    return b


def write(seed, kind, case, out, singles):
    v, s, p, r, roster, rng = draw_case(seed, kind, case, singles)
    d = os.path.join(out, "%s-%03d" % (kind, case))
    os.makedirs(d, exist_ok=True)
    first, last = r.facts["first"], r.facts["last"]
    with open(os.path.join(d, "capture.log"), "w") as h:
        h.write("\n".join(r.lines) + "\n")
    if roster == "written":
        careless = rng.random() < .3
        with open(os.path.join(d, "roster.toml"), "w") as h:
            for u in v.units:
                if u.hidden or (careless and rng.random() < .05 and not any(u.idx in t["nodes"] for t in p.truth)):
                    continue
                ms = [m for m in u.msgs if m.event is None and m.kind != "nm" and m.cond in ("always", "ign")]
                h.write('[[node]]\nname = "%s"\nchannel = "can%d"\n' % (u.name, u.chan))
                if ms or v.kind != "truck":
                    h.write("messages = [ %s ]\n" % ", ".join('{ id = "0x%0*X", period = %g }' % (8 if m.ext else 3, m.id, m.period) for m in ms))
                if v.kind == "truck":
                    h.write('answers = ["address 0x%02X"]\n' % u.address)
                elif not u.nodiag:
                    h.write('answers = ["0x%X"]\n' % u.answer)
                h.write("\n")
    elif roster == "learned":
        for n in range(rng.choice((1, 2))):
            for tries in range(30):
                q = random.Random("yard/%s/%s/%d/sound/%d/%d" % (seed, kind, case, n, tries))
                D = min(100., max(8., q.choice((3000, 8000, 15000)) / frame_rate(v)))
                s2 = scene.draw(q, v, D, ["idle", "drive", "start", "key on only", "stops", "start-stop"] if n == 0 else None)
                r2 = sim.run(q, v, s2, faults.Plant(), False, False, plain=True)
                if len(r2.lines) > 100 and r2.facts["last"] > 5:
                    break
            with open(os.path.join(d, "sound-%d.log" % n), "w") as h:
                h.write("\n".join(r2.lines) + "\n")
    planted = []
    for t in p.truth:
        when = [[round(max(0., a - first), 3), round(min(last, b - first), 3)] for a, b in t["when"] if b > first and a - first < last]
        planted.append(dict(t, nodes=[] if t["fault"] in ("stale", "mended") else t["nodes"], when=[w for w in when if w[1] > w[0]]))
    R = lambda ts: [round(t - first, 3) for t in sorted(ts) if 0 <= t - first <= last]
    truth = {
        "family": "yard", "case": case, "set": kind, "vehicle": v.kind, "key": "%s: %s" % (v.use, s.words), "planted": planted, "besides": besides(v, s, r, p),
        "units": [{"name": u.name, "called": u.called, "channel": 0 if u.hidden else u.chan, "ids": ids_of(v, p, u, r.facts["seen"]),
                   "answer": None if u.nodiag else "0x%X" % u.answer, "request": None if u.nodiag else "0x%X" % u.request, "address": u.address} for u in v.units],
        "gateway": v.gw.idx if v.gw else None, "errors": [], "loads": r.loads, "frames": len(r.lines), "roster": roster,
        "scans": R(r.tester.scans) if r.tester else [], "clears": R(r.tester.clears) if r.tester else []}
    with open(os.path.join(d, "truth.json"), "w") as h:
        json.dump(truth, h, indent=1)
    return kind, case, len(r.lines)


def job(a):
    return write(*a)


if __name__ == "__main__":
    ap = argparse.ArgumentParser()
    ap.add_argument("seed")
    ap.add_argument("out")
    ap.add_argument("--singles", type=int, default=201)
    ap.add_argument("--pairs", type=int, default=60)
    ap.add_argument("--sound", type=int, default=60)
    ap.add_argument("--jobs", type=int, default=2)
    o = ap.parse_args()
    todo = [(o.seed, k, c, o.out, o.singles) for k, n in (("singles", o.singles), ("pairs", o.pairs), ("sound", o.sound)) for c in range(n)]
    if o.jobs > 1:
        with Pool(o.jobs) as pool:
            done = list(pool.imap(job, todo, chunksize=1))
    else:
        done = [job(a) for a in todo]
    print(len(done), "cases,", sum(x[2] for x in done), "frames")
