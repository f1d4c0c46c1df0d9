#!/usr/bin/env python3
"""weather: vehicles drawn from physics in time. world.py SEED OUT [--singles 201] [--pairs 60] [--sound 60] [--jobs 2]"""
import argparse
import json
import multiprocessing
import os
import random
import bus
import codes
import faults
import physics
import tester
import vehicle
from spans import norm, both, minus, total, inside
from states import states, audible
from vehicle import Bag

USER = ("radio", "climate", "seat", "cruise", "parkaid", "trailer", "camera", "telematics", "headway", "park", "suspension")


def prepare(r, v):
    """Things of the vehicle that the recorded day uses."""
    v.relayhold, v.netsleep = r.uniform(.3, 12), r.choice([r.uniform(1, 6), r.uniform(5, 30)])
    v.askmask = r.choice([0xFF, 0xFF, 0x09, 0x2F, 0xAF])
    taken = {m.id for u in v.units for m in u.msgs}
    for u in v.units:
        u.wakelag, u.lowcode = r.uniform(.005, .12), r.choice([0, 0, 0x0562, 0xF003, 0x9A01]) if not v.truck else r.choice([0, 168, 168])
        u.boffcode = r.choice([0, 0xC073, 0xC001, 0xC001]) if not v.truck else r.choice([0, 639])
        u.hasvin, u.vigil = r.random() < .8, {t: r.random() < .08 for t in u.watch}
        u.volts = [12]
        keep = r.randrange(len(u.msgs)) if u.msgs else 0
        for k, m in enumerate(u.msgs):
            m.lack, m.blank = k != keep and r.random() < .5, k != keep and r.random() < .15
            m.other = m.id
            if not v.truck:
                while m.other in taken:
                    m.other = m.id ^ r.choice([0x10, 0x30, 0x4, 0xC, 0x51]) ^ r.randrange(64)
            taken.add(m.other)
            m.repeat = r.choice([1, 1, 3])
            m.modes = norm([(a, a + r.expovariate(.1)) for a in (r.uniform(-5, 120) for _ in range(6))])
        if len(u.msgs) > 1 and not any(m.lack for m in u.msgs):
            u.msgs[keep - 1].lack = True
        if v.truck:
            u.dm1id = 0x18FECA00 | u.addr


def length(r, v, sc, heavy):
    """Scales the story so that the file keeps below its bounds."""
    rate = sum(1 / m.period for u in v.units if u.ch == 0 or not v.hidden for m in u.msgs)
    d = sum(x for _, x in sc)
    most = min(230, (heavy * r.lognormvariate(0, .5)) / max(rate, 30), 90000 / max(rate, 30))
    least = 7
    k = min(1, most / d) if d * 1.0 > most else 1
    if d * k < least:
        k = least / d
    return [(p, x * k if p != "crank" else min(x, max(.25, x * k * 2))) for p, x in sc]


def record(r, v, w, S, own, test, rec, history):
    """One recording: states, codes, tester, frames, recorder."""
    v.own = own
    S.busoff = []
    st = states(r, v, w, S, own)
    cs = codes.noticed(r, v, w, st, S) + history
    tt = tester.Tester(r, v, w, st, S, cs)
    ign = w.keys["ign"]
    order = [u for u in v.units if u.ans]
    r.shuffle(order)
    ghosts = [x for x in ((0x18DA00F1 | r.randrange(0xA0, 0xF0) << 8) if v.ext else r.randrange(0x6A0, 0x7D0) for _ in range(8))
              if x not in {q for u in v.units for q in (u.req, u.ans)}]
    if r.random() < .3 and ghosts:
        for _ in range(r.randint(1, 6)):
            order.insert(r.randint(0, len(order)), None)
    style = r.choice(["plain", "plain", "session", "kwp" if r.random() < .25 else "plain"])
    t = -1
    for kind, x in test.plan:
        x = max(x * w.dur, t + .2)
        if not inside(ign, x) or x > w.dur - 1:
            continue
        if kind == "scan":
            t = tt.scan(x, order, test.vin, style, ghosts or [0x7D1])
        elif kind == "clear":
            t = tt.clear(x, order)
        else:
            for _ in range(r.randint(1, 12)):
                u = r.choice(v.units)
                if u.ans:
                    d = [0x22, r.choice([0xF1, 2, 4]), r.randrange(256)]
                    x = tt.ask(x, u, d, [0x62] + d[1:] + [r.randrange(256) for _ in range(r.choice([1, 2, 4, 10]))] if r.random() < .8 else [0x7F, 0x22, 0x31])
            t = x
    extra = {0: list(tt.out), 1: []}
    if v.truck:                                   # DM1 once a second of those who always send it or have something to say
        for u in v.units:
            put = tester.Tester(r, v, w, st, S, cs)
            x = r.random()
            while x < w.dur and not u.nodiag:
                if inside(st.tx[u.i], x) and not inside(st.off[u.i], x):
                    c = [q for q in codes.at(v, u, cs, x, tt.clears) if q[2] & 1]
                    if c or u.dm1 == "always":
                        tester.dm(put, x, u, 0xFECA, c)
                    if u.ch == 0:
                        tt.named |= {(u.i, q[0]) for q in c}
                x += 1
            extra[u.ch] += put.out
    frames, marks, loads = [], [], []
    chans = [0] if v.chans == 1 or v.hidden else [0, 1]
    for ch in chans:
        todo = bus.wants(r, v, w, st, S, ch, v.hidden) + [(a, b, d, c) for a, b, c, d in extra[ch]]
        todo = [x for x in todo if x[0] >= 0]
        o, mk, load = bus.arbitrate(r, v, w, S, st, ch, todo, ch == 0 and S.flood)
        frames += [(a, ch, b, c, d) for a, b, c, d in o]
        marks += mk
        loads.append(round(load, 3))
    return Bag(rows=bus.recorder(r, v, w, rec, frames, marks), st=st, codes=cs, tt=tt, loads=loads, marks=len(marks))


def write(path, rows, start):
    with open(path, "w") as f:
        f.write("".join("(%.6f) can%d %s\n" % (start + t, ch, s) for t, ch, s, u, i in rows))


def case(seed, group, number, fault, out):
    for attempt in range(60):
        r = random.Random(f"weather/{seed}/{group}/{number}/{attempt}")
        if attempt_case(r, group, number, fault, out, attempt):
            return attempt
    raise SystemExit(f"{group} {number} {fault}: no draw")


def attempt_case(r, group, number, fault, out, attempt):
    kind = r.choices(["car", "car29", "truck"], [70, 12, 18])[0]
    v = vehicle.draw(r, kind)
    prepare(r, v)
    if fault and "foreign" in fault and r.random() < .2 and v.truck:
        return False
    need, v.stseed = None, r.randrange(10 ** 9)
    what, sc = physics.script(r, need)
    if fault and "stale" in fault or fault and "mended" in fault:
        what, sc = physics.script(r, r.choice(["on", "idle", "start", "workshop", "drive"]))
    w = physics.day(r, v, length(r, v, sc, 22000))
    v.wakes = [(r.uniform(0, w.dur), r.uniform(2, 15)) for _ in range(r.choice([0, 0, 1]))]
    S, busy = faults.state(), set()
    for f in fault or []:
        if not faults.plant(r, v, w, S, f, busy):
            return False
    if S.flood and any(p.fault in ("short",) for p in S.list):
        return False
    own = {}
    if r.random() < .1:
        c = [u for u in v.units if u.name in USER and u.i not in busy and (u.ch == 0 or not v.hidden)]
        if c:
            u = r.choice(c)
            a = r.uniform(.1, .8) * w.dur
            own[u.i] = norm([(a, w.dur + 1 if r.random() < .5 else a + r.uniform(1, 15))])
    # what the tester does
    must = any(p.fault in ("stale", "mended") for p in S.list) or any(x in ("vin", "blank") for x in S.alien.values())
    plan = []
    if must or r.random() < .62:
        plan = r.choice([[("scan", .8)], [("scan", .1)], [("scan", .1), ("scan", .75)], [("scan", .05), ("clear", .3), ("scan", .7)], [("scan", .5)],
                         [("read", .2), ("scan", .6)], [("scan", .1), ("scan", .4), ("scan", .8)], [("clear", .15), ("scan", .7)], [("read", .3), ("scan", .45), ("read", .8)]])
        if any(p.fault == "stale" for p in S.list) or must and not S.mend:
            if plan[0][0] == "clear":
                plan = [("scan", .3)]
    elif r.random() < .3:
        plan = [("read", r.uniform(.1, .7))]
    test = Bag(plan=plan, vin=r.random() < .3 or "vin" in S.alien.values())
    for i, x in S.alien.items():
        v.units[i].hasvin = True
        if x == "vin":
            v.units[i].vin = v.vin[:3] + "".join(r.choice("ABCDEFGHJKLMNPRSTUVWXYZ0123456789") for _ in range(8)) + "%06d" % r.randrange(10 ** 6)
            if sum(u.hasvin and u.ans is not None for u in v.units) < 3:
                return False
        elif x == "blank" and r.random() < .5:
            v.units[i].vin = r.choice(["\x00" * 17, "\xff" * 17, "0" * 17])
    rec = bus.draw_recorder(r, w.dur, v)
    roster = r.choice(["none", "learned", "written"])
    faulty = {n for p in S.list for n in p.nodes if p.fault != "foreign"}
    history = codes.history(r, v, S, faulty) if r.random() < .6 or S.old else []
    for c in history:
        c.status = r.choice([0x08, 0x28, 0x28, 0x2C, 0x48, 0x68, 0x24])
        if (c.status & v.askmask) == 0:
            c.status = 0x28
    mend = [(c, c.about) for c in history]
    R = record(r, v, w, S, own, test, rec, history)
    if len(R.rows) < 200 or len(R.rows) > 119000:
        return False
    t0, tend = R.rows[0][0], R.rows[-1][0]
    if tend - t0 < 5 or tend - t0 > 240:
        return False
    # the same day without the fault: what it took away
    base = states(random.Random(7), v, w, faults.state(), own)
    sent, ways = {}, {}
    for t, ch, s, u, i in R.rows:
        if u is not None and u >= 0:
            ways.setdefault((u, ch), set()).add(i)
    nomids = {}                                    # which identifiers are whose, and on which recorded channel
    for u in v.units:
        nomids[u.i] = {(u.ch, m.id) for m in u.msgs}
    owner = {}
    for c in v.copies:
        g = c.unit if v.hidden and c.to == 0 and not c.stale else v.gw
        owner[c.to, c.id] = g
        if rec.merged:
            owner[0, c.id] = c.unit if c.id == c.m.id else v.gw
    shift = 0 if v.hidden or rec.merged else None
    ids = {u.i: set() for u in v.units}
    heard = {u.i: 0 for u in v.units}
    logs = []
    if roster == "learned":
        for k in range(2):
            what2, sc2 = physics.script(r, r.choice(["idle", "start", "drive", "workshop", "cycle"]))
            w2 = physics.day(r, v, length(r, v, [(p, min(x, 14)) for p, x in sc2], 8000))
            keep = v.wakes
            v.wakes = []
            rec2 = bus.draw_recorder(r, w2.dur, v)
            rec2.merged, rec2.errors, rec2.tick = rec.merged, rec.errors, rec.tick
            R2 = record(r, v, w2, faults.state(), {}, Bag(plan=[("scan", .4)] if r.random() < .2 else [], vin=False), rec2, [])
            v.wakes = keep
            if len(R2.rows) < 100:
                return False
            logs.append((R2.rows, rec2.start))
        record_again = None
    for rows in [R.rows] + [x[0] for x in logs]:
        for t, ch, s, u, i in rows:
            if u is None or u < 0:
                continue
            who = owner.get((ch, i), u)
            if who != u and not (u == v.gw and (v.hidden or rec.merged)):
                who = u
            dg = v.units[who]
            if i in (dg.ans, dg.req):
                continue
            ids[who].add(i)
    for t, ch, s, u, i in R.rows:
        if u is not None and u >= 0:
            who = owner.get((0, i), u) if (v.hidden or rec.merged) and u == v.gw else u
            heard[who] += 1
    for u in v.units:
        if not ids[u.i]:
            ids[u.i] = {m.id for m in u.msgs if m.kind in ("cyc", "nm") and m.when == "always"} if not v.hidden or u.ch == 0 else \
                {c.id for c in v.copies if c.unit == u.i and c.to == 0 and not c.stale}
        if S.alien.get(u.i) == "ids":                # both what it sends and what its place should send
            ids[u.i] |= {m.id for m in u.msgs if m.kind in ("cyc", "nm") and m.when == "always"}
    if v.gw is not None and v.chans == 2 and not v.hidden:
        for u in v.units:                             # the gateway's copies on the other bus keep the name they have here
            if u.i != v.gw and (u.ch == 0 or rec.merged):
                ids[v.gw] -= ids[u.i]
    # times and traces
    planted, dur = [], tend - t0
    for p in S.list:
        when, trace = [], False
        if p.spans is not None:
            when = p.spans
        elif p.fault == "corroded contact":
            when = norm([(a, b) for a, b, _ in S.stuberr[p.nodes[0]]] + [(a, b) for u, a, b in S.busoff if u == p.nodes[0]], .25)
        else:
            outs = [[(a, b) for a, b in minus(base.tx[n], minus(R.st.tx[n], R.st.off[n])) if b - a > .012] for n in p.nodes]
            if len(outs) == 1:
                when = norm(outs[0], .1)
            else:                                  # of several units: when at least two (and half of them) are away
                need_n = max(2, (len(outs) + 1) // 2)
                ev = sorted([(a, 1) for o in outs for a, b in o] + [(b, -1) for o in outs for a, b in o])
                n, a0 = 0, None
                for x, k in ev:
                    n += k
                    if n >= need_n and a0 is None:
                        a0 = x
                    elif n < need_n and a0 is not None:
                        when.append((a0, x))
                        a0 = None
                when = norm([s for s in when if s[1] - s[0] > .012], .1)
        when = [[round(max(0, a - t0), 3), round(min(dur, b - t0), 3)] for a, b in when if b > t0 and a < tend]
        when = [x for x in when if x[1] - x[0] > .01]
        nums = {v.units[n].num for n in p.nodes}
        named = any(n in nums for _, n in R.tt.named)
        always = bool(when) and sum(b - a for a, b in when) > .97 * dur
        if p.fault in ("stale", "mended"):
            trace = getattr(R.tt, "seen", 0) > 0
            if S.mend is not None and p.fault == "mended":
                trace = trace or True
            if p.fault == "stale":
                trace = trace and all(x.spans is None for x in R.codes)
            if not R.tt.scans:
                trace = False
            if p.fault == "mended" and not any(n == v.units[S.old[-1][1]].num for _, n in R.tt.named) and S.mend is None:
                trace = False
            when = []
        elif p.fault == "foreign":
            x = S.alien[p.nodes[0]]
            u = v.units[p.nodes[0]]
            if x in ("ids", "lacks") and roster == "none":
                return False
            if (u.ch == 1 and v.hidden) or not heard[u.i]:
                return False
            trace = x in ("ids", "lacks") or R.tt.scans and (x == "vin" or any(c.about == u.i and (c.unit, c.num) in R.tt.named for c in R.codes if c.spans))
            if x in ("vin", "blank") and not any(uu == u.i for t, ch, s, uu, i in R.rows if i == u.ans):
                return False
            if x == "lacks" and not any(m.lack and m.kind == "cyc" and m.when == "always" for m in u.msgs):
                return False
        elif p.fault in ("short", "termination", "flood"):
            trace = bool(when) and (p.fault != "termination" or (rec.errors and R.marks > 3) or max(e[2] for e in S.err) >= .3 or S.busoff or {0xC001, 0xC073, 639} & {n for _, n in R.tt.named})
            if p.fault == "short":
                trace = any(b - a > .05 for a, b in when)
        else:
            per = min([m.period for n in p.nodes for m in v.units[n].msgs if m.kind == "cyc" and m.when == "always"], default=99)
            visible = all(not v.hidden or v.units[n].ch == 0 or any(c.unit == n and c.to == 0 and not c.stale for c in v.copies) for n in p.nodes)
            if not visible or not when:
                return False
            if always:
                trace = roster != "none" or named
            else:
                calm = minus([tuple(x) for x in when], norm([(a - .2 - t0, b + 1.5 - t0) for a, b in w.keys["crank"]]))   # not only while the engine is cranked
                trace = bool(calm) and max(b - a for a, b in calm) > 2.2 * per and any(heard[n] > 3 for n in p.nodes)
                if p.fault == "corroded contact":
                    trace = (rec.errors and R.marks > 5) or max(b - a for a, b in when) > 3 * per and any(u == p.nodes[0] for u, a, b in S.busoff)
            if p.fault in ("branch", "shared supply") and sum(1 for n in p.nodes if heard[n] or roster != "none") < 2:
                return False
            if p.fault == "gateway" and not any(c.to == 0 or not v.hidden for c in v.copies):
                return False
            if p.fault == "dead" and S.stand.get(p.nodes[0]) and v.units[p.nodes[0]].ans and not any(i == v.units[p.nodes[0]].ans for *_, i in R.rows):
                p.accept = ["module_dead", "module_power", "module_connector"]     # nobody asked it: looks like any silence
        if not trace:
            return False
        planted.append({"fault": p.fault, "accept": p.accept, "really": p.really, "nodes": p.nodes, "when": when, "how": p.how})
    if os.environ.get("WEATHER_DEBUG") and group == "sound":
        print(number, len(v.units), "lost codes", [(c.unit, c.about, [(round(a), round(b)) for a, b in c.spans][:2], v.units[c.about].feedkind) for c in R.codes if c.spans and c.about is not None],
              "crank", [round(min(u.volts), 1) for u in v.units][:4] if w.keys["crank"] else "")
    # what is true besides
    besides = []
    old = [c for c in history if getattr(c, "stale", False)]
    if old and not any(p.fault in ("stale", "mended") for p in S.list) and any((c.unit, c.num) in R.tt.named for c in old):
        besides.append(["stale_codes", []])
    if w.keys["crank"]:
        ig = [(a, b) for a, b in w.keys["crank"] if b > t0 and a < tend]
        hit = [u.i for u in v.units if u.feedkind != "acc" and any(total(both(minus([(a, b + .3)], base.tx[u.i]), [(-9, w.dur)])) > .02 and inside(base.tx[u.i], a - .1) for a, b in ig)]
        hit += [u.i for u in v.units if u.feedkind == "acc" and ig]
        if hit:
            besides.append(["cranking", sorted(hit)])
    if any(b < tend - .5 for a, b in w.keys["ign"]) or not w.keys["ign"] or w.keys["ign"][0][0] > t0 + .5:
        besides.append(["sleep", []])
    if rec.pauses or rec.loss or rec.burst:
        besides.append(["logger", []])
    for i in own:
        if heard[i] and any(a < tend - .3 for a, _ in both(own[i], base.run[i])):
            besides.append(["own_switch", [i]])
    path = os.path.join(out, f"{group}-{number:03d}")
    os.makedirs(path, exist_ok=True)
    for f in os.listdir(path):
        os.remove(os.path.join(path, f))
    write(os.path.join(path, "capture.log"), R.rows, rec.start)
    for k, (rows, start) in enumerate(logs):
        write(os.path.join(path, f"sound-{k}.log"), rows, start)
    fmt = lambda i: None if i is None else ("0x%08X" if v.ext else "0x%03X") % i
    chan = lambda u: 0 if v.hidden or rec.merged else u.ch
    if roster == "written":
        text = []
        for u in v.units:
            ms = [(m.id, m.period) for m in u.msgs if m.kind in ("cyc", "nm") and m.when == "always"] if not v.hidden or u.ch == 0 else \
                 [(c.id, round(c.m.period * c.every, 4)) for c in v.copies if c.unit == u.i and c.to == 0 and not c.stale]
            if u.gw:
                ms += [(c.id, round(c.m.period * c.every, 4)) for c in v.copies if c.to == 0 and (not v.hidden or c.stale)]
            ms = list(dict(ms).items())
            if ms:
                text.append('[[node]]\nname = "%s"\nchannel = "can%d"\nmessages = [ %s ]\n%s' % (u.name, chan(u), ", ".join('{ id = "%s", period = %g }' % (fmt(a), b)
                            for a, b in ms), 'answers = ["%s"]\n' % fmt(u.ans) if u.ans else ""))
        with open(os.path.join(path, "roster.toml"), "w") as f:
            f.write("\n".join(text))
    truth = {"family": "weather", "case": number, "set": group, "vehicle": kind, "key": what + ": " + ", ".join("%s %.1f" % x for x in w.script), "planted": planted,
             "besides": besides,
             "units": [{"name": u.name, "called": u.called, "channel": chan(u), "ids": [fmt(i) for i in sorted(ids[u.i])], "answer": fmt(u.ans), "request": fmt(u.req),
                        "address": u.addr} for u in v.units],
             "gateway": v.gw, "errors": [], "loads": R.loads, "frames": len(R.rows), "roster": roster,
             "scans": [round(x - t0, 3) for x in R.tt.scans], "clears": [round(x - t0, 3) for x in R.tt.clears]}
    with open(os.path.join(path, "truth.json"), "w") as f:
        json.dump(truth, f)
    return True


GOOD_PAIRS = ["power intermittent", "open stub", "corroded contact", "silent from the start", "silent from the middle", "branch", "shared supply", "dead", "foreign",
              "restraint", "short", "gateway", "termination"]


def plan(seed, singles, pairs, sound):
    r = random.Random(f"weather/{seed}/plan")
    names = [f for f, n in faults.MIX for _ in range(n)]
    r.shuffle(names)
    jobs = [("singles", i, [names[i % len(names)]]) for i in range(singles)]
    for i in range(pairs):
        a, b = r.sample(GOOD_PAIRS, 2)
        if {a, b} <= {"short", "termination"} or r.random() < .1:
            a, b = "open stub", "power intermittent"
        jobs.append(("pairs", i, [a, b]))
    return jobs + [("sound", i, None) for i in range(sound)]


def work(x):
    seed, out, (g, n, f) = x
    return g, n, f, case(seed, g, n, f, out)


def main():
    p = argparse.ArgumentParser()
    p.add_argument("seed", type=int)
    p.add_argument("out")
    for k, d in (("singles", 201), ("pairs", 60), ("sound", 60), ("jobs", 2)):
        p.add_argument("--" + k, type=int, default=d)
    a = p.parse_args()
    jobs = [(a.seed, a.out, j) for j in plan(a.seed, a.singles, a.pairs, a.sound)]
    os.makedirs(a.out, exist_ok=True)
    with multiprocessing.Pool(a.jobs) as pool:
        for g, n, f, k in pool.imap_unordered(work, jobs):
            if k > 20:
                print(g, n, f, "took", k + 1, "draws")


if __name__ == "__main__":
    main()
