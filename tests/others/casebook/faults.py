"""From a story to what the physical thing does, and when: spans of open wires, lost supply, resets."""
from spans import union, inter
from vehicle import logu, pick, message


class Effects:
    def __init__(e):
        e.power, e.wire, e.reset, e.stand, e.dead = {}, {}, {}, {}, {}
        e.branch, e.down, e.err, e.flood = [], {}, {}, {}
        e.msgs, e.vins, e.selfcodes, e.recovers = {}, {}, {}, {}

    def add(e, table, k, spans):
        t = getattr(e, table)
        t[k] = union(t.get(k, []), spans)

    @property
    def second_pass(e):
        return bool(e.err or e.flood)


def chatter(rng, a, b, on, off):
    """A contact that opens (for about `on`) and closes (for about `off`) between a and b."""
    out, t = [], a
    while t < b and len(out) < 300:
        x = min(b, t + rng.expovariate(1 / on))
        out.append((t, x))
        t = x + rng.expovariate(1 / off) + .002
    return out


def spans_of(rng, trig, day, v):
    """Times at which the thing fails, by the circumstance the customer named."""
    D = day.dur
    lo = rng.choice([-25, -10, 0, 0])
    r = rng.random
    if trig == "always":
        return [(-1e4, 1e4)]
    if trig == "none":
        return []
    if trig in ("once", "oncecrank"):
        ck = day.key("crank")
        if trig == "oncecrank" and ck:
            return [(ck[-1][0] + .05 + r() * .2, 1e4)]
        t = rng.uniform(.15, .85) * D
        pre = chatter(rng, max(0, t - 2), t, .05, .4) if r() < .25 else []
        return union(pre, [(t, 1e4)])
    if trig == "crank":
        out = [x for a, b in day.key("crank") if r() < .9 for x in ([(a + r() * .05, b + logu(rng, .02, .8))] if r() < .6 else chatter(rng, a, b + .3, .12, .1))]
        if out:
            return union(out)
        trig = "random"
    if trig == "keyon":
        edges = [b[0] for a, b in zip(day.states, day.states[1:]) if a[1] == "off" and b[1] != "off"]
        out = [(t - .5, t + logu(rng, .8, .4 * D + 1)) for t in edges if r() < .9]
        out += [x for _, b in out if r() < .5 for x in chatter(rng, b, b + 1.5, .1, .2)]
        if any(b > 0 for _, b in out):
            return union(out)
        trig = "random"
    if trig == "door" and day.doors:
        out = []
        for a, b in day.doors:
            for t in (a, b):
                if r() < .75:
                    out += chatter(rng, t, t + logu(rng, .2, 2.5), logu(rng, .03, .4), .12)
            if r() < .35:
                out.append((a, b))
        return union(out)
    if trig == "load" and day.loads:
        return union(*[[(a, b)] if r() < .3 else chatter(rng, a, b, logu(rng, .08, 1.5), logu(rng, .3, 3)) for a, b in day.loads])
    if trig == "bump":
        out, t = [], lo + rng.expovariate(1 / 6)
        gap = logu(rng, 2, max(4, D / 3))
        while t < D:
            out += chatter(rng, t, t + logu(rng, .05, 1.0), logu(rng, .01, .35), .06)
            t += rng.expovariate(1 / gap) + .3
        return union(out)
    if trig == "wiggle":
        out, t = [], rng.uniform(.05, .4) * D
        for _ in range(rng.randint(1, 4)):
            out += chatter(rng, t, t + rng.uniform(1, 5), logu(rng, .05, .9), logu(rng, .1, .8))
            t += rng.uniform(.1, .3) * D
        return union(out)
    if trig == "warm":
        t, out = rng.uniform(.1, .55) * D, []
        while t < D:
            x = t + logu(rng, .4, .3 * D)
            out.append((t, x))
            t = x + logu(rng, .5, .35 * D)
        return union(out)
    if trig == "vibration":
        out, t = [], lo + rng.expovariate(1 / 5)
        while t < D:
            e = t + logu(rng, .5, 8)
            out += chatter(rng, t, e, logu(rng, .008, .25), logu(rng, .08, 1.2))
            t = e + rng.expovariate(1 / (.1 * D + 3))
        return union(out)
    if trig == "damp":
        out, t, gap = [], 0, .4
        while t < D:
            e = t + logu(rng, .1, 2)
            out.append((t, e))
            gap *= 1.35
            t = e + gap
        return union(out)
    if trig == "long":
        return union([(a, a + logu(rng, .08, .4) * D) for a in [rng.uniform(.05, .8) * D for _ in range(rng.randint(1, 2))]])
    if trig == "mend":
        e = rng.uniform(.25, .55) * D
        return [(-1e4, e)] if r() < .5 else union(chatter(rng, -20, e, .7, 1.0), [(e - .4, e)])
    n = 1 if r() < .3 else rng.randint(2, 9)
    out = []
    for _ in range(n):
        a = rng.uniform(lo, D * .95)
        ln = logu(rng, .05, min(6, D / 4))
        out += [(a, a + ln)] if r() < .7 else chatter(rng, a, a + ln, .08, .1)
    return union(out)


def talks(u, day):
    if day.name in ("keyon_start", "keyon", "two_stops", "idle", "drive", "doors", "startstop"):
        return True
    return u.feed == "bat"


def plant(rng, v, day, story, eff, taken):
    """Put the fault of the story in the vehicle.  Returns its entry of the truth, or None."""
    f = story["fault"]
    D = day.dur
    units = [u for u in v.units if u.i not in taken and not u.gate and talks(u, day)]
    pool = [u for u in units if u.role in story.get("roles", ())] or [u for u in units if any(m.kind != "event" for m in u.msgs)]
    if f == "restraint":
        pool = [u for u in units if u.role in ("airbag", "restraints")]
    if not pool:
        return None
    u = rng.choice(pool)
    trig = story["trigger"]
    sp = spans_of(rng, trig, day, v) if trig not in ("errors", "watchdog") else []
    good = trig in ("always", "once", "oncecrank")
    three = ["module_power", "module_connector", "module_dead"]
    T = dict(nodes=[u.i], spans=sp, how=story["words"])
    name = {"power": "power intermittent", "stub": "open stub", "corroded": "corroded contact", "silent0": "silent from the start",
            "silentm": "silent from the middle", "supply": "shared supply", "term": "termination"}.get(f, f)
    T["fault"] = name
    if f in ("silent0", "silentm", "restraint"):
        T["really"], T["accept"] = story["really"], three
        table = {"module_power": "power", "module_connector": "wire", "module_dead": "dead"}[story["really"]]
        eff.add(table, u.i, sp)
        if f == "restraint" and trig == "random":
            T["accept"] = three
    elif f == "power":
        T["really"], T["accept"] = "module_power", ["module_power"]
        if trig == "load" and rng.random() < .5:
            u.vmin = 9          # only a unit sensitive to sag falls at once
        eff.add("power", u.i, sp)
        T["spans"] = [x for x in sp if x[1] - x[0] >= u.hold]      # shorter ones its capacitor bridges
    elif f == "stub":
        T["really"], T["accept"] = "module_connector", ["module_connector"]
        eff.add("wire", u.i, sp)
    elif f == "corroded":
        T["really"], T["accept"] = "module_connector", ["module_connector"]
        out = []
        for a, b in sp:
            if b - a < .15:
                b = a + .15 + rng.random() * .5
            out.append((a, b))
            if rng.random() < .5:
                eff.add("wire", u.i, chatter(rng, a, b, .03, .05))
        T["spans"] = sp = union(out)
        p = rng.uniform(.35, .97)
        eff.err.setdefault(u.bus, []).extend((a, b, p, u.i) for a, b in sp)
        if rng.random() < .5 or not sp:
            eff.add("wire", u.i, [(a, a + (b - a) * rng.uniform(.3, 1)) for a, b in sp])
    elif f == "branch":
        cand = [b for b in v.branches if not any(x.i in taken for x in b) and sum(talks(x, day) for x in b) >= 2 and len(b) < sum(x.bus == b[0].bus for x in v.units)]
        if not cand:
            return None
        b = rng.choice(cand)
        eff.branch.append(({x.i for x in b}, sp))
        T.update(nodes=[x.i for x in b], really="branch", accept=["branch", "shared_supply"] if good else ["branch"])
    elif f == "supply":
        item = story["item"]
        cand = [g for g in (v.grounds if item == "ground" else v.fuses) if 2 <= len(g) <= max(2, len(v.units) - 2) and not any(x.i in taken or x.gate for x in g) and sum(talks(x, day) for x in g) >= 2]
        if trig == "crank":
            cand = [g for g in cand if g[0].feed != "bat"] or cand
        if not cand:
            return None
        g = rng.choice(cand)
        spare = {x.i for x in g[2:] if rng.random() < .1}      # has a second supply
        for x in g:
            if x.i not in spare:
                eff.add("power", x.i, sp)
        low = min(x.hold for x in g if x.i not in spare)
        T.update(spans=[x for x in sp if x[1] - x[0] >= low], nodes=[x.i for x in g if x.i not in spare], really="shared_supply", accept=["shared_supply", "branch"] if good else ["shared_supply"])
    elif f == "short":
        bus = rng.randrange(v.nbus)
        if sum(x.bus == bus for x in v.units) < 2:
            return None
        sp = inter(sp, [(-40, D + 1)])
        eff.add("down", bus, sp)
        T.update(nodes=[], spans=sp, really="line", accept=["line"])
        eff.selfcodes["short"] = (bus, story["kindof"])
    elif f == "gateway":
        g = v.gate
        if not g or g.i in taken:
            return None
        acc = ["gateway"]
        if story["item"] == "supply":
            eff.add("power", g.i, sp)
            acc.append("module_power")
        else:
            eff.add("dead", g.i, sp)
        if v.nbus == 1:
            acc.append("branch")
        T.update(nodes=[g.i], really="gateway", accept=acc)
    elif f == "term":
        bus = rng.randrange(v.nbus)
        segs = [(-40, D + 1)] if rng.random() < .6 else [(a, a + logu(rng, .5, D / 3)) for a in sorted(rng.uniform(-5, D * .9) for _ in range(rng.randint(1, 6)))]
        segs = union(segs)
        p = logu(rng, .02, .45)
        worst = {x.i: p * rng.uniform(.3, 1.6) for x in v.units}
        eff.err.setdefault(bus, []).extend((a, b, worst, None) for a, b in segs)
        T.update(nodes=[], spans=segs, really="line", accept=["line"])
    elif f == "dead":
        how = story["how"]
        if how == "restarts":
            a = rng.uniform(-20, .4 * D)
            step = logu(rng, .4, max(1, D / 6))
            t, ts = a, []
            while t < D:
                ts.append(t)
                t += step * rng.uniform(.7, 1.3) if rng.random() < .5 else step
            if rng.random() < .3:
                u.boot = max(u.boot, step * .4)
            eff.reset.setdefault(u.i, []).extend(ts)
            T.update(spans=union([(t, t + u.boot + .01) for t in ts]), accept=["module_dead", "module_power"])
        elif how == "stands":
            if u.ans is None:
                return None
            eff.add("stand", u.i, sp)
            T["accept"] = ["module_dead", "not_configured"]
            T["diag"] = u.i
        else:
            eff.add("dead", u.i, sp)
            T["accept"] = ["module_dead", "module_power", "module_connector"]
        T["really"] = "module_dead"
    elif f == "flood":
        bus = rng.randrange(v.nbus)
        load = rng.choice([rng.uniform(.45, .9), rng.uniform(.9, 1.3)])
        ft = 125 / v.rate[bus] * (1.2 if v.wide else 1)
        sp = inter(sp, [(0, D)])
        budget, out = 60000 * ft / load, []
        for a, b in sp:
            b = min(b, a + budget)
            budget -= b - a
            if b > a:
                out.append((a, b))
        if story["src"] == "own id":
            m = rng.choice(u.msgs)
            bus = u.bus
            ident, text = m.id, m.text
        else:
            ident = rng.choice([0, 1, 0x10, 0x7DF, rng.randrange(0x400)]) if not v.wide else rng.choice([0x00000000, 0x0CFFFF00 | 0xF0, 0x18EAFFFA, 0x18DB33F1])
            text = "%08X" % ident if v.wide else "%03X" % ident
        eff.flood.setdefault(bus, []).extend((a, b, ident, text, ft / load) for a, b in out)
        T.update(nodes=[], spans=out, really="overload", accept=["overload"])
        if not out:
            return None
    elif f == "foreign":
        how = story["how"]
        old = u.msgs
        if how == "used" and u.ans is None:
            how = "other ids"
        keep = [m for m in old if rng.random() < (.5 if how != "other ids" else .25)]
        if how == "used" and rng.random() < .4:
            keep = old[:]
        if how == "lacks" and len(old) > 1 and (not keep or len(keep) == len(old)):
            keep = rng.sample(old, max(1, len(old) // 2))
        new = []
        if how == "bitrate":
            keep = []
            T["bitrate"] = True
            t, gap = -3.0, max(.15, u.recover * rng.uniform(1, 3))
            while t < D:        # about 32 broken frames, then bus-off, then back
                eff.err.setdefault(u.bus, []).append((t, t + 32 * 90 / v.rate[u.bus], {x.i: .9 for x in v.units}, None))
                t += gap * rng.uniform(.9, 1.1)
        if how not in ("lacks", "bitrate"):
            for m in old:
                if m not in keep:
                    for _ in range(200):
                        x = (m.id & ~0xFFFF00 | 0xFF0000 | rng.randrange(256) << 8) if v.truck else ((m.id & ~0xFFFF | rng.randrange(1 << 16)) if v.wide else rng.randrange(0x30, 0x6B0))
                        if x not in v.used:
                            break
                    v.used.add(x)
                    n = message(rng, x, v.wide, m.period, "cyc", None, v.truck)
                    n.bus = m.bus
                    new.append(n)
        eff.msgs[u.i] = keep + new
        if how == "used":
            from vehicle import vin
            eff.vins[u.i] = vin(rng)
        eff.selfcodes[u.i] = [] if how == "bitrate" else [(rng.choice(["U0300", "U0301", "B1000", "U2100", "U1000"]), rng.choice(["55", "51", "54", "00"]))] if rng.random() < .75 else []
        T.update(spans=[(-1e4, 1e4)], really="not_configured", accept=["not_configured", "line"] if how == "bitrate" else ["not_configured"], diag=u.i if how == "used" or eff.selfcodes[u.i] else None)
        T["lost_ids"] = [m for m in old if m not in eff.msgs[u.i]]
    elif f in ("stale", "mended"):
        T.update(nodes=[], really="stale_codes", accept=["stale_codes"])
        if trig == "mend":
            eff.add(rng.choice(["wire", "power"]), u.i, sp)
        T["oldset"] = story["set"]
        T["victim"] = u
    else:
        return None
    # codes of units about the bus itself etc. are made in codes.py
    taken.update(T["nodes"])
    if f not in ("power", "stub", "restraint") or True:
        taken.add(u.i)
    return T
