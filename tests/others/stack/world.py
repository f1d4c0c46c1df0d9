#!/usr/bin/env python3
"""world.py SEED OUT [--singles 201] [--pairs 60] [--sound 60] [--jobs 2]: see README.md and ../format.md."""
import argparse, json, os, random, multiprocessing, shutil
from vehicle import vehicle, seen_ids, Msg
from sim import Sim
from tester import Tester
from faults import plant, Spec
import recorder

PLAN = [("power intermittent", 18), ("open stub", 18), ("corroded contact", 12), ("silent from the start", 12), ("silent from the middle", 12), ("branch", 19),
        ("shared supply", 19), ("short", 9), ("gateway", 10), ("termination", 9), ("dead", 16), ("flood", 9), ("foreign", 10), ("stale", 10), ("mended", 9), ("restraint", 9)]

class Run(Sim):
    """The simulation with the events faults need."""
    def standing(s, t, u, on, diag=False):
        u.txstop = on; u.nosup = diag
        if on: u.frozen = True
        else: u.frozen = False
    def unkill(s, t, u):
        u.killed = False
        if u.want and u.state == "off" and not u.lost: s.boot(t, u, u.boot)
    def wdstart(s, t, u):
        u.wd = True
        if u.state == "run": s.watchdog(t, u, u.gen)
    def foreign(s, t, u, how, x):
        r = random.Random(x)
        if how == "ids":
            part = r.choice((1., 1., .6))
            for m in u.msgs:
                if r.random() < part:
                    if s.v.kind == "truck": m.cur = m.ident & ~0xFF | s.newsa
                    else: m.cur = (m.ident + r.choice((1, 2, 0x10, 0x40, 0x100))) % 0x6F0 if s.v.kind == "car" else m.ident ^ (r.choice((1, 4, 8)) << 8)
                    while any(m.cur == k.cur for w in s.v.units for k in w.msgs if k is not m and not k.src): m.cur = (m.cur + 3) % 0x6F0 if s.v.kind == "car" else m.cur ^ r.randrange(1, 255) << 8
            if s.v.kind == "truck": u.sa = s.newsa             # (the gateway has no route for foreign identifiers)
        elif how == "vin": u.vin = "".join(r.choice("ABCDEFGHJKLMNPRSTUVWXYZ0123456789") for _ in range(17))
        elif how == "lacks":
            k = [m for m in u.msgs]; r.shuffle(k); u.lack |= set(k[:max(1, len(k) * 2 // 3)])
            u.dtc[(0xC300 & 0xFFFF, r.choice((0x51, 0x55, 0x54)))] = 0x2F
        else:
            u.uninit = True; u.initval = r.choice((0xFF, 0)); u.dtc[(r.choice((0xC300, 0x9100)), r.choice((0x51, 0x55, 0x54)))] = 0x2F
    def offswitch(s, t, u, off): u.offuser = off; s.rewant(t, u)

def timeline(r, A, B, ign):
    """Key states over time. ign: most of it with ignition on, for faults."""
    L = B - A; k = r.choices(("run", "on", "onrun", "keyon", "runoff", "offon", "startstop", "coffee", "acc"), (24, 16, 14, 14, 12, 8, 8, 0 if ign else 10, 0 if ign else 4))[0]
    ct = lambda: r.uniform(.5, 1.6)
    if k == "run": return k, [(0, "run")]
    if k == "on": return k, [(0, "on")]
    if k == "onrun": a = A + L * r.uniform(.08, .4); return k, [(0, "on"), (a, "crank"), (a + ct(), "run")]
    if k == "keyon":
        a = A + L * r.uniform(.02, .2); l = [(0, r.choice(("sleep", "off", "off", "acc"))), (a, "on")]
        if r.random() < .6: b = a + L * r.uniform(.05, .3); l += [(b, "crank"), (b + ct(), "run")]
        return k, l
    if k == "runoff": return k, [(0, r.choice(("run", "run", "on"))), (A + L * r.uniform(.6, .85), "off")]
    if k == "offon":
        a = A + L * r.uniform(.1, .3); b = a + min(L * .3, r.uniform(1.5, 15)); l = [(0, "on"), (a, "off"), (b, "on")]
        if r.random() < .4: c = b + (B - b) * r.uniform(.2, .6); l += [(c, "crank"), (c + ct(), "run")]
        return k, l
    if k == "startstop":
        l = [(0, "run")]; t = A
        for _ in range(r.randint(1, 3)):
            t += L * r.uniform(.1, .3); e = t + min(L * .15, r.uniform(2, 10)); l += [(t, "on"), (e, "crank"), (e + r.uniform(.3, .6), "run")]; t = e + 1
        return k, l
    if k == "acc": a = A + L * r.uniform(.3, .7); return k, [(0, "acc"), (a, r.choice(("on", "off")))]
    a = A + L * r.uniform(.1, .5); b = a + L * r.uniform(.1, .3); l = [(0, r.choice(("off", "on"))), (a, "sleep"), (b, "off")]
    if r.random() < .5: l.append((b + L * r.uniform(.05, .2), "on"))
    return k, l

WORDS = {"run": "engine runs throughout", "on": "ignition on, engine off", "onrun": "ignition on, then starts", "keyon": "switches on within the recording", "runoff": "switches off within the recording", "offon": "off and on again", "startstop": "start-stop at lights", "coffee": "parked: coffee break, a door wakes it", "acc": "radio position"}

def windows(line, A, B):
    out = []; 
    for i, (t, k) in enumerate(line):
        e = line[i + 1][0] if i + 1 < len(line) else B
        if k in ("on", "run"):
            a, b = max(t, A) + .4, min(e, B)
            if b - a > .5:
                out.append((a if t > A else a - .2, b))
    return out

def simulate(v, seed, line, A, B, specs, plan, switches, readvin=False, news=0x8B):
    r = random.Random(seed); s = Run.__new__(Run); s.dipv = r.choice((5.2, 6.4, 7.4, 8.2, 9, 9.6)); s.dipt = r.uniform(.15, .8); s.newsa = news
    Sim.__init__(s, v, r, line, A, B)
    for f in specs:
        for e in f.ev: s.at(e[0], getattr(s, e[1]), *e[2:])
    for t, u, off in switches: s.at(t, s.offswitch, u, off)
    ts = Tester(s, r, plan); ts.readvin = readvin; s.ts = ts
    s.line = line; s.run(); return s

def prestore(v, r, units, p, st=None):
    """Codes that those who watch had stored before the recording began."""
    n = 0
    for u in v.units:
        for w in u.watch:
            if w.target in units and u not in units and r.random() < p:
                k = (w.code | 0xC000, w.ftb)
                u.old[k] = st if st is not None else r.choice((0x2F, 0x2F, 0x2C, 0x28)); n += 1
    return n

def attempt(seed, kind, set_, idx):
    r = random.Random(seed); kinds = kind
    need = "srs" if "restraint" in kinds else None
    vk = None
    if need: vk = r.choice(("car", "car", "car", "car29"))
    v = vehicle(r, vk, gate="gateway" in kinds, need=need)
    for u in v.units: u.old = {}
    cap = min(118000, 9e4 * r.choice((.25, .35, .5, 1.2))); T = min(240., max(5.5, r.lognormvariate(3.1, .7)), cap / max(50, v.rate))
    T = max(T, min(r.uniform(6, 14), 100000 / v.rate), 5.5); T = min(T, 60000 / v.rateall) if T > 12 else T
    A = 2.5 + r.random(); B = A + T
    fault = bool(kinds)
    name, line = timeline(r, A, B, fault)
    wins = windows(line, A, B)
    if fault and not wins: return None
    specs = []; taken = set()
    for k in kinds:
        f = plant(k, v, r, wins, A, B, taken, False)
        if not f: return None
        specs.append(f); taken |= set(f.nodes)
        if any(x.bus is f.bus and f.bus for x in specs[:-1]): return None
    # old codes
    stale = False
    for f in specs:
        if f.pre: prestore(v, r, f.pre[1], f.pre[0])
        if getattr(f, "stale", False) and not f.live:
            if not prestore(v, r, f.oldabout, .9, r.choice((0x08, 0x28, 0x2C, 0x68 & 0x7F))):
                for x in f.oldabout:
                    for u in r.sample(v.units, min(3, len(v.units))):
                        if u is not x: u.old[(x.code | 0xC000, v.ftb)] = r.choice((0x08, 0x28))
            stale = True
    if not stale and r.random() < (.25 if not fault else .15):
        xs = r.sample(v.units, min(len(v.units), r.choice((1, 2, 4))))
        st = r.choice((0x08, 0x28, 0x48))
        for u in v.units:
            for w in u.watch:
                if w.target in xs and w.target.place not in taken and r.random() < .7: u.old.setdefault((w.code | 0xC000, w.ftb), st); stale = True
    # the tester
    mustscan = any(getattr(f, "stale", False) or getattr(f, "how2", "") in ("vin", "uninit") for f in specs)
    readvin = any(getattr(f, "how2", "") == "vin" for f in specs) or r.random() < .2
    plan = []
    if mustscan or r.random() < .72:
        t0 = max((max(a for a, b in wins) if len(wins) > 1 and r.random() < .3 else min(a for a, b in wins)) if wins else A, A)
        last = min(B - 2.5, (max(b for a, b in wins) if wins else B) - 2)
        lt = r.choice((.1, .4, .6, .7)); t = t0 + max(0, last - t0) * lt
        if mustscan: t = min(t, B - T * .4)
        t = max(t, A + .3); x = r.random()
        if set_ == "sound" and x < .05 and v.kind != "truck": plan.append((t, "quiet"))
        else:
            if x < .12 and not mustscan and v.kind != "truck": plan.append((max(A + .2, t - 4), "live"))
            else: plan.append((t, "scan"))
            left = B - t
            if r.random() < .3 and left > 14 and v.kind: plan.append((t + left * .45, "clear")); plan.append((t + left * .72, "scan"))
            elif r.random() < .15 and left > 10: plan.append((t + left * .6, "scan"))
    elif r.random() < .3 and v.kind == "car": plan.append((A + .4, r.choice(("present", "live"))))
    # the user's switches
    switches = []; sw = []
    if r.random() < (.2 if not fault else .08):
        c = [u for u in v.units if u.role in SWITCHABLE and u.place not in taken and seen_ids(v, u)[0]]
        if c:
            u = r.choice(c); t = A + T * r.uniform(-.3, .7); switches.append((t, u, True)); sw.append(u.place)
            if r.random() < .4 and t < B - 3: switches.append((max(t, A) + (B - max(t, A)) * r.uniform(.2, .8), u, False))
    news = r.choice([x for x in (0x8B, 0x47, 0x9C, 0xC1)])
    s = simulate(v, seed * 7 + 1, line, A, B, specs, plan, switches, readvin, news)
    rec = recorder.record(s, r, A, B, v)
    if not rec.lines or not 300 < rec.frames < 119000 or rec.span < 4.9: return None
    t0 = rec.first
    roster = r.choice(("none", "learned", "written"))
    # every fault must leave a trace
    for f in specs:
        if not trace(v, s, f, rec, roster, A, B, wins):
            if f.never and roster == "none" and trace(v, s, f, rec, "written", A, B, wins): roster = r.choice(("learned", "written"))
            else: return None
    end = rec.last
    planted = []
    for f in specs:
        w = [[round(max(0., a - t0), 3), round(min(b, end) - t0, 3)] for a, b in f.when if min(b, end) > max(a, t0)]
        if f.when and not w: return None             # it falls wholly outside of what was recorded
        planted.append({"fault": f.kind, "accept": f.accept, "really": f.really, "nodes": f.nodes, "when": w, "how": f.how})
    bes = []
    keys = [k for t, k in line if t <= B]
    if any(k in ("off", "sleep", "acc") for k in keys): bes.append(["sleep", []])
    cr = [t for t, k in line if k == "crank" and A < t < B]
    if cr and (s.dipreset or any(u.feed == "acc" for u in v.units)): bes.append(["cranking", sorted(s.dipreset | {u.place for u in v.units if u.feed == "acc"})])
    if rec.logger: bes.append(["logger", []])
    if sw: bes.append(["own_switch", sw])
    if stale and not any(f.really == "stale_codes" for f in specs): bes.append(["stale_codes", []])
    units = []; 
    foreign = {u for f in specs if f.kind == "foreign" and f.how2 == "ids" for u in [v.units[f.nodes[0]]]}
    for u in v.units:
        ms, ch = seen_ids(v, u)
        ids = [m.ident for m in ms if (ch, m.ident) in rec.ids or u.place in taken]
        if u in foreign: ids += [m.cur for m in ms if (ch, m.cur) in rec.ids and m.cur not in ids]
        units.append({"name": u.name, "called": u.called, "channel": ch, "ids": [fmt(i, v) for i in ids], "answer": fmt(u.ans, v) if u.ans is not None else None,
                      "request": fmt(u.req, v) if u.req is not None else None, "address": u.addr})
    loads = [round(sum(1 for _ in ()) + rec.bits.get(b.ch, 0) / b.rate / max(1e-3, rec.span), 3) for b in v.buses if b.ch is not None]
    tr = {"family": "stack", "case": idx, "set": set_, "vehicle": v.kind, "key": WORDS[name] + (", tester: " + "+".join(w for _, w in plan) if plan else ""), "planted": planted, "besides": bes, "units": units,
          "gateway": v.gateway.place if v.gateway else None, "errors": [], "loads": loads, "frames": rec.frames, "roster": roster,
          "scans": [round(x - t0, 3) for x in s.ts.scans if t0 <= x < end], "clears": [round(x - t0, 3) for x in s.ts.clears if t0 <= x < end]}
    extra = {}
    if roster == "written": extra["roster.toml"] = rostertext(v, r)
    if roster == "learned":
        for u in v.units: u.old = {}
        for i in (0, 1):
            a = 2.5; b = a + min(r.uniform(6, 22), max(5.5, 14000 / max(50, v.rateall)))
            nm, l2 = timeline(r, a, b, r.random() < .8)
            if i == 0 and nm not in ("run", "on", "onrun"): l2 = [(0, r.choice(("run", "on")))]
            q = simulate(v, seed * 7 + 3 + i, l2, a, b, [], [(a + 1, "scan")] if r.random() < .2 else [], [])
            x = recorder.record(q, r, a, b, v, plain=r.random() < .8)
            extra["sound-%d.log" % i] = "".join(x.lines)
    return tr, rec.lines, extra

SWITCHABLE = ("radio", "amp", "aux", "pdc", "camera", "hud", "trailer", "seat", "tel", "susp", "nav", "retarder", "climate", "radar")
def fmt(i, v): return "0x%08X" % i if i > 0x7FF else "0x%03X" % i

def gaps(rec, key, a, b):
    ts = [t for t in rec.ids.get(key, ()) ]
    p, big = a, 0.
    for t in ts:
        if t > p and t > a: big = max(big, min(t, b) - max(p, a))
        if t >= b: break
        p = max(p, t)
    else: big = max(big, b - max(p, a))
    return big

def trace(v, s, f, rec, roster, A, B, wins):
    us = [v.units[n] for n in f.nodes]; named = lambda u: u.code in s.reported
    if f.kind in ("stale", "mended"):
        return bool(s.reported)
    if f.kind == "foreign":
        u = us[0]
        if f.how2 == "ids": return roster != "none" or named(u)
        if f.how2 == "lacks": return roster != "none" or named(u)
        if f.how2 == "vin": return s.ts.scans and u.state == "run" and u.place != 0
        return True
    if f.kind == "flood":
        n = len(rec.ids.get((f.bus.ch, f.ident), ())); return n > 400
    if f.kind == "termination":
        return len(s.errlog) > 20 or f.p >= .05 and not s.v.errs
    if f.kind == "short":
        a, b = max(f.when, key=lambda x: x[1] - x[0]); b = min(b, B)
        ids = [k for k in rec.ids if k[0] == (f.bus.ch or 0)]
        return b - a > .12
    ok = 0
    for u in us:
        ms, ch = seen_ids(v, u); ms = [m for m in ms if m.mode in ("cyc", "copy", "sig", "nm") and (not m.src or m.src.mode == "cyc")]
        if u is v.gateway: ms = sorted([c for c in u.msgs if c.bus.ch is not None and c.mode != "ring"], key=lambda m: m.period)[:4]
        if not ms: continue
        if f.never:
            ok += roster != "none" or named(u); continue
        m = min(ms, key=lambda m: m.period * m.thin); per = m.period * m.thin; lim = max(3 * per, .1); ch = m.bus.ch
        if (ch, m.cur) not in rec.ids: ok += named(u); continue
        w = f.when                                        # a gap while the car sleeps proves nothing
        if any(k in ("off", "sleep", "acc") for _, k in s.line): w = [(max(a, x), min(b, y)) for a, b in w for x, y in wins if min(b, y) - max(a, x) > .02]
        good = any(gaps(rec, (ch, m.cur), a, min(b + u.boot + .1, B, max(y for _, y in wins))) > lim for a, b in w)
        ok += good or named(u)
    return ok >= max(1, (len(us) * 2 + 2) // 3) if len(us) > 1 else ok >= 1

def rostertext(v, r):
    out = []
    part = r.random() < .25
    for u in v.units:
        ms, ch = seen_ids(v, u)
        if not ms and u.ans is None: continue
        out.append('[[node]]\nname = "%s"\nchannel = "can%d"\n' % (u.name, ch))
        l, ev = [], []
        for i, m in enumerate(ms):
            per = m.period * m.thin if m.mode not in ("event", "ring") and not (m.src and m.src.mode in ("event", "start")) else 0
            if part and i and r.random() < .3 or per == 0 and r.random() < .6: continue
            if per: l.append('{ id = "%s", period = %g }' % (fmt(m.ident, v), round(per, 4)))
            else: ev.append('"%s"' % fmt(m.ident, v))
        out.append("messages = [ %s ]\n" % ", ".join(l))
        if ev: out.append("events = [ %s ]\n" % ", ".join(ev))
        if u.addr is not None: out.append('answers = ["address 0x%02X"]\n' % u.addr)
        elif u.ans is not None and u.proto != "none": out.append('answers = ["%s"]\n' % fmt(u.ans, v))
        out.append("\n")
    return "".join(out)

def case(job):
    seed, set_, idx, kinds, out = job
    for a in range(60):
        k = kinds
        x = random.Random(seed * 1000003 + idx * 9176 + a * 31 + {"singles": 0, "pairs": 5, "sound": 9}[set_] * 77777)
        if set_ == "pairs": k = pair(x)
        res = attempt(x.getrandbits(40), k, set_, idx)
        if res: break
    else: return f"{set_}-{idx:03d}: no draw for {kinds}"
    tr, lines, extra = res; d = os.path.join(out, "%s-%03d" % (set_, idx)); os.makedirs(d, exist_ok=True)
    for f in os.listdir(d): os.remove(os.path.join(d, f))
    with open(d + "/capture.log", "w") as f: f.writelines(lines)
    for n, t in extra.items():
        with open(os.path.join(d, n), "w") as f: f.write(t)
    with open(d + "/truth.json", "w") as f: json.dump(tr, f, indent=1)
    return a

UNITK = ["power intermittent", "open stub", "corroded contact", "silent from the start", "silent from the middle", "dead", "foreign", "restraint"]
def pair(r):
    a = r.choice(UNITK); x = r.random()
    b = r.choice(UNITK) if x < .4 else r.choice(("branch", "shared supply")) if x < .65 else r.choice(("short", "termination", "flood")) if x < .8 else r.choice(("stale", "mended")) if x < .92 else "gateway"
    while b == a == "restraint": b = r.choice(UNITK)
    return [a, b] if r.random() < .5 else [b, a]

def main():
    p = argparse.ArgumentParser(); p.add_argument("seed", type=int); p.add_argument("out")
    for n, d in (("singles", 201), ("pairs", 60), ("sound", 60), ("jobs", 2)): p.add_argument("--" + n, type=int, default=d)
    a = p.parse_args(); os.makedirs(a.out, exist_ok=True)
    kinds = [k for k, n in PLAN for _ in range(n)]; random.Random(a.seed).shuffle(kinds)
    jobs = [(a.seed, "singles", i, [kinds[i % len(kinds)]], a.out) for i in range(a.singles)] + [(a.seed, "pairs", i, None, a.out) for i in range(a.pairs)] + [(a.seed, "sound", i, [], a.out) for i in range(a.sound)]
    if a.jobs > 1:
        with multiprocessing.Pool(a.jobs) as pool: res = pool.map(case, jobs, 1)
    else: res = [case(j) for j in jobs]
    for x in res:
        if isinstance(x, str): print(x)
    print("cases", len(res), "draws thrown away", sum(x for x in res if isinstance(x, int)))

if __name__ == "__main__": main()
