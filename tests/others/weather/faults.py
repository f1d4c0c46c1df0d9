"""Plants a fault in a physical part. Each returns what the part does; the symptom is left to the model."""
from spans import norm
from vehicle import Bag
import physics

MIX = [("power intermittent", 18), ("open stub", 18), ("corroded contact", 12), ("silent from the start", 12), ("silent from the middle", 12),
       ("branch", 19), ("shared supply", 19), ("short", 9), ("gateway", 10), ("termination", 9), ("dead", 16), ("flood", 9), ("foreign", 10),
       ("stale", 10), ("mended", 9), ("restraint", 9)]
ACC = {"power intermittent": ["module_power"], "open stub": ["module_connector"], "corroded contact": ["module_connector"],
       "silent from the start": ["module_power", "module_connector", "module_dead"], "silent from the middle": ["module_power", "module_connector", "module_dead"],
       "branch": ["branch"], "shared supply": ["shared_supply"], "short": ["line"], "gateway": ["gateway"], "termination": ["line"],
       "dead": ["module_dead", "module_power", "module_connector"], "flood": ["overload"], "foreign": ["not_configured"], "stale": ["stale_codes"],
       "mended": ["stale_codes"], "restraint": ["module_power", "module_connector", "module_dead"]}


def state():
    return Bag(pin={}, pinres={}, feedcut={}, gndres={}, gndcut={}, stub={}, stubone={}, stuberr={}, branch={}, short=[], err=[], dead={}, stand={}, loop={},
               flood=[], alien={}, list=[], old=[], mend=None)


def forgood(r, dur, start):
    return [(-1.0, dur + 1)] if start else [(dur * r.uniform(.25, .75), dur + 1)]


def contact(r, w, u, dur, long=False):
    """A bad contact's open times, tried with worse and worse contacts until it shows."""
    kind = r.choices(["loose", "knock", "heat", "steer", "wet"], [34, 22, 22, 10, 12])[0]
    force = 1.0
    for _ in range(7):
        s = physics.opens(r, w, u.place, kind, dur, force)
        s = s[:400]
        if any(b - a > .15 for a, b in s) and sum(b - a for a, b in s) < .75 * dur:
            return kind, s
        force *= 1.8
        if force > 4 and kind in ("steer", "wet"):
            kind = "loose"
    x = r.uniform(.2, .7) * dur
    return "knock", [(x, min(dur * .95, x + r.uniform(.4, 5)))]


def plant(r, v, w, S, fault, busy):
    """Adds the fault to the state S; False when this vehicle cannot have it."""
    dur, U = w.dur, v.units
    p = Bag(fault=fault, accept=list(ACC[fault]), nodes=[], how="", really=ACC[fault][0], spans=None, bus=0)
    seen = [u for u in U if (u.ch == 0 or not v.hidden) and u.i not in busy and u.msgs]
    one = [u for u in seen if not u.gw and u.name != "restraint"]
    if not one:
        return False
    u = r.choice(one)
    where_ = {"power intermittent": 1}.get(fault)
    if fault == "power intermittent":
        part = r.choice(["supply pin", "ground pin", "fuse seat", "wire crimp"])
        how, s = contact(r, w, u, dur)
        if r.random() < .2 and u.i1 > 4:           # not open but poor: falls when its actuators draw
            S.pinres[u.i] = [x * .22 + r.uniform(-.3, .1) for x in physics.fret(r, w, u.place)]
            how = "fretting, falls under its own load"
        else:
            S.pin[u.i] = s
        p.how = f"{part}: {how}"
    elif fault == "open stub":
        how, s = contact(r, w, u, dur)
        if r.random() < .3:
            S.stubone[u.i] = s
            S.stuberr[u.i] = [(a, min(b, a + .03), .9) for a, b in s]      # error marks until it is in bus-off
            how += ", one wire only"
        else:
            S.stub[u.i] = s
        p.how = "bus pins of its plug: " + how
    elif fault == "corroded contact":
        for _ in range(6):
            f = physics.fret(r, w, u.place)
            lim = sorted(f)[int(len(f) * r.uniform(.55, .93))]
            bad = physics.where(w.T, lim + .15, lim - .15, f)
            if bad and sum(b - a for a, b in bad) > .3:
                break
        else:
            return False
        S.stuberr[u.i] = [(a, b, r.choice([.25, .6, .85, .97])) for a, b in bad[:200]]
        p.how = "bus contact green, resistance walks"
    elif fault in ("silent from the start", "silent from the middle", "restraint"):
        if fault == "restraint":
            c = [x for x in seen if x.name == "restraint"]
            if not c:
                return False
            u = c[0]
        start = fault == "silent from the start" or fault == "restraint" and r.random() < .45
        p.really = r.choice(p.accept)
        s = forgood(r, dur, start)
        if fault == "restraint" and not start and r.random() < .45:
            p.really = r.choice(p.accept[:2])
            _, s = contact(r, w, u, dur)
            p.accept = [p.really]
        (S.pin if p.really == "module_power" else S.stub if p.really == "module_connector" else S.dead)[u.i] = s
        p.how = {"module_power": "fuse or supply wire", "module_connector": "plug or bus wires", "module_dead": "inner fault"}[p.really]
    elif fault == "branch":
        c = {}
        for x in U:
            if x.ch == 0 or not v.hidden:
                c.setdefault((x.ch, x.branch), []).append(x)
        c = {k: g for k, g in c.items() if k[1] != 0 and len(g) >= 2 and len(g) < sum(1 for x in U if x.ch == k[0]) and not any(x.i in busy for x in g)}
        if v.gw is not None:
            c = {k: g for k, g in c.items() if v.gw not in [x.i for x in g]}
        if not c:
            return False
        k = r.choice(sorted(c))
        if r.random() < .35:
            s = forgood(r, dur, r.random() < .4)
            p.accept.append("shared_supply")
            p.how = "splice corroded through"
        else:
            how, s = contact(r, w, c[k][0], dur)
            p.how = "inline connector or splice: " + how
        S.branch[k] = s
        p.nodes = [x.i for x in c[k]]
        if v.rate > 200e3 and r.random() < .35:       # a terminator sat beyond it
            S.err += [(a, b, r.uniform(.01, .12), k[0]) for a, b in s]
            p.how += ", terminator beyond it"
    elif fault == "shared supply":
        if r.random() < .65:
            c = {}
            for x in seen:
                c.setdefault(x.feed, []).append(x)
            c = {k: g for k, g in c.items() if len(g) >= 2 and len(g) < len(U) - 1 and not any(x.feed == k and x not in g for x in U) and (v.gw is None or v.gw not in [y.i for y in g])}
            if not c:
                return False
            k = r.choice(sorted(c))
            g, store, part = c[k], S.feedcut, {"bat": "fuse", "ign": "fuse", "acc": "accessory relay", "relay": "main relay"}[v.feeds[k].kind]
        else:
            c = {}
            for x in seen:
                c.setdefault(x.ground, []).append(x)
            c = {k: g for k, g in c.items() if len(g) >= 2 and len(g) < len(U) - 1 and not any(x.ground == k and x not in g for x in U) and (v.gw is None or v.gw not in [y.i for y in g])}
            if not c:
                return False
            k = r.choice(sorted(c))
            g, store, part = c[k], S.gndcut, "ground point"
        if any(x.i in busy for x in g):
            return False
        if r.random() < .3:
            s = forgood(r, dur, r.random() < .35)
            p.accept.append("branch")
            how = "for good"
        else:
            how, s = contact(r, w, g[0], dur)
        store[k] = s
        p.nodes = [x.i for x in g]
        p.how = f"{part}: {how}"
    elif fault == "short":
        wire = r.choice(["CAN high to ground", "CAN low to battery", "high to low", "high to battery"])
        why = r.choice(["chafed loom touches the body", "water in a splice"])
        p.bus = r.choice([0, 1]) if v.chans == 2 and not v.hidden else 0
        if sum(x.ch == p.bus and not x.gw for x in U) < 3:
            return False
        if why[0] == "w" and max(w.wet) > .3:
            lim = r.uniform(.25, .8) * max(w.wet)
            s = physics.where(w.T, lim, lim * .9, [x * r.uniform(.9, 1.1) for x in w.wet], False)
        else:
            _, s = contact(r, w, Bag(place=r.choice(["bay", "rear", "door"])), dur)
        s = norm([(a, b) for a, b in s if b - a > .002], .01)
        if not s or sum(b - a for a, b in s) > dur * .7:
            return False
        S.short += [(a, b, p.bus) for a, b in s]
        p.spans, p.how = s, f"{wire}, {why}"
    elif fault == "gateway":
        if v.gw is None or v.gw in busy or v.chans == 1:
            return False
        u = U[v.gw]
        what = r.choice(["supply", "dead", "for good", "start"])
        if what == "supply":
            how, s = contact(r, w, u, dur)
            S.pin[u.i] = s
            p.accept += ["module_power"]
            p.how = "its supply: " + how
        elif what == "dead":
            S.loop[u.i] = (r.uniform(.1, .5) * dur, r.uniform(.5, 8), 0)
            p.how = "resets by watchdog"
        else:
            S.dead[u.i] = forgood(r, dur, what == "start")
            p.how = "dead"
        if v.hidden:
            p.accept += ["branch"]
        p.really = "gateway"
    elif fault == "termination":
        p.bus = r.choice([0, 1]) if v.chans == 2 and not v.hidden else 0
        if sum(x.ch == p.bus and not x.gw for x in U) < 3:
            return False
        lvl = r.choice([.004, .02, .06, .15]) * (1 if v.rate > 200e3 else .6)
        how = r.choice(["terminator missing", "terminator's contact", "one main wire poor"])
        if how == "terminator missing":
            s = [(0, dur)]
        else:
            _, s = contact(r, w, Bag(place="bay"), dur)
            s = [(a, b) for a, b in norm(s, .3) if b - a > .05] or [(0.3 * dur, .8 * dur)]
            lvl = max(lvl, .06) * r.choice([1, 2, 5])
        S.err += [(a, b, min(.9, lvl), p.bus) for a, b in s]
        p.spans, p.how = s, how
    elif fault == "dead":
        what = r.choice(["loop", "loop", "stand", "stand", "die", "hot"])
        if what == "loop":
            S.loop[u.i] = (r.choice([-1, r.uniform(0, .4) * dur]), r.choice([.3, 1.2, 4, 9]) * r.uniform(.7, 1.4) + u.boot, r.choice([0, 0, 1]))
            p.accept, p.how = ["module_dead", "module_power"], "watchdog resets again and again"
        elif what == "hot":                                # a solder joint of its processor: dies warm, comes back cool
            how, s = contact(r, w, u, dur)
            S.dead[u.i], p.accept, p.how = s, ["module_dead", "module_power"], "processor fails and restarts: " + how
        elif what == "stand":
            S.stand[u.i] = forgood(r, dur, r.random() < .4)
            p.accept, p.how = (["module_dead", "not_configured"] if u.ans else p.accept), "program stands, its diagnosis answers"
        else:
            S.dead[u.i], p.how = forgood(r, dur, r.random() < .4), "dies"
        p.really = "module_dead"
    elif fault == "flood":
        p.bus = 0
        ident = r.choice([0, 0, 1, 3, 8]) if not v.ext else r.choice([0, 0x00000001, 0x04000000])
        s = forgood(r, dur, r.random() < .3) if r.random() < .5 else [(a, min(b, a + 6)) for a, b in norm(contact(r, w, u, dur)[1], .2) if b - a > .1]
        S.flood = [(max(0, a), min(b, dur), ident, r.choice([.9, .97, 1.0]), r.choice([0, 8, 8])) for a, b in s]
        p.spans, p.how = [(x[0], x[1]) for x in S.flood], "a driver repeats one frame without end"
    elif fault == "foreign":
        c = [x for x in one if len(x.msgs) > 1]
        if not c:
            return False
        u = r.choice(c)
        S.alien[u.i] = r.choice(["ids", "lacks", "vin", "blank"]) if not v.truck else r.choice(["lacks", "lacks", "blank"])
        if u.ans is None and S.alien[u.i] in ("vin", "blank"):
            S.alien[u.i] = "lacks"
        p.how = {"ids": "from another model: other identifiers", "lacks": "from a lesser model: lacks messages", "vin": "used, with another car's VIN",
                 "blank": "new, not configured"}[S.alien[u.i]]
        p.spans = [(0, dur)]
    elif fault in ("stale", "mended"):
        cars = [x for x in U if x.ans or v.truck]
        if len(cars) < 2:
            return False
        if fault == "stale":
            S.old.append((r.choice(["jump start", "repair", "weak battery", "scan with units unplugged"]), None))
            p.how = "old codes after a " + S.old[-1][0]
        else:
            how = r.choice(["before", "before", "within"])
            if how == "within":
                s = [(-1.0, dur * r.uniform(.2, .45))]
                (S.pin if r.random() < .5 else S.stub)[u.i] = s
                S.mend = s[0][1]
            S.old.append(("mended", u.i))
            p.how = f"{u.name} was mended {how} the recording"
        p.spans = []
    if fault in ("power intermittent", "open stub", "corroded contact", "silent from the start", "silent from the middle", "restraint", "gateway", "dead", "foreign"):
        p.nodes = [u.i]
    busy |= set(p.nodes)
    S.list.append(p)
    return True
